"""Calibration: two rings against each other, self-calibration, error maps and positioning.

`plan` says which positions to measure; `readings` reads the tables of what was measured there.
May import the ground floor and `formats`.
"""
