"""Calibration: two rings against each other, self-calibration, error maps and positioning against a reference.

May import the ground floor, `model`, `formats` and `rings`.
"""
