"""Calibration: two rings against each other, self-calibration, error maps and positioning.

`plan` says which positions to measure; `readings` reads the tables of what was measured there; `angle_fit` fits waves
of an angle, also for recordings.
May import the ground floor and `formats`.
"""
