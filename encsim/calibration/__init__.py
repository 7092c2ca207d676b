"""Calibration: two rings against each other, self-calibration, error maps and positioning.

`plan` says which positions to measure; `readings` reads the tables of what was measured there; `angle_fit`,
`ellipse` and `waveform` are least squares of two channels and of an angle, for recordings.
May import the ground floor and `formats`.
"""
