"""Many axes of one design: drawn from their spreads, computed, counted against a requirement.

`description` draws an axis by its number, `scheduler` divides the work, `statistics` says what the samples prove.
May import the ground floor, `model`, `formats`, `open_loop`, `closed_loop` and `decisions`.
"""
