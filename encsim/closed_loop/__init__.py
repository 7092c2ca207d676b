"""The closed loop as a linear system: margins, answers to steps, and what it makes of encoder errors.

`plant` and `loop` are the system, `stability` its margins; `error_lines` and `propagated_errors` bring the errors in,
`closed_loop_ripple` sums them up at each speed.
May import the ground floor, `model`, `rings` and `open_loop`.
"""
