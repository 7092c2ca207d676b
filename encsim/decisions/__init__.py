"""Decisions about one axis: requirement, choice among candidates, explanation with remedies, frontier.

All of them compute `dataclasses.replace(axis, ...)` anew with the folders before this one; none has physics of its
own.
May import the ground floor, `model`, `formats`, `rings`, `open_loop`, `closed_loop`, `gains` and `time_domain`.
"""
