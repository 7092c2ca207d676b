"""Proposed gains of a closed loop: search, what binds, what would allow more.

`search` tries many loops of one axis at once, `tuner` picks, `advice` tells what one change would allow.
May import the ground floor, `model`, `formats` and `closed_loop`.
"""
