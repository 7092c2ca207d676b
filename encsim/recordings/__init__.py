"""Recorded signals: identification of signal errors from two channels.

May import the ground floor, `model`, `formats`, `open_loop` and `time_domain`.
"""
