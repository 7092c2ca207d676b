"""Recordings: signal errors identified from channels or counts, encoder told from machine, compared, fitted.

A recording becomes the same arrays that `time_domain` makes.
May import the ground floor, `model`, `formats`, `calibration`, `rings`, `open_loop` and `closed_loop`.
"""
