"""The time domain, sample by sample: steady motion in blocks, the closed loop in runs.

`chain` and `loop_tables` turn an axis into records for the compiled loops, `stream`, `simulation` and `closed_run`
run them.
May import the ground floor, `kernels`, `model`, `rings`, `open_loop` and `closed_loop`.
"""
