"""Proposed gains of a closed loop: search, limiting criteria, what would allow higher gains.

`encoder_errors` gives the errors at one speed, `search` evaluates many loops of one axis at once, `tuner` proposes the
gains, `advice` says what one change would allow.
May import the ground floor, `model`, `formats`, `rings`, `open_loop` and `closed_loop`.
"""
