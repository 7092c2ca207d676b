"""Recorded signals: identification of signal errors from two channels.

A recording becomes the same arrays that `time_domain` makes.
May import the ground floor, `model` and `formats`.
"""
