"""A function that is compiled anew at each call."""

from numba import njit


def compiles():
    """Let numba compile something; returns 2.0."""
    return njit(lambda x: x + 1.0)(1.0)
