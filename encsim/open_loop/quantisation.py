"""Quantisation in closed form: what rounding to counts adds to the increments of a position.

Lengths are in counts. ``t`` is the increment over a lag, ``a`` the rms of its Gaussian part. Averaged over the start
within a count, a rounded increment has the variance r(1 - r), r = frac(t): a parabola for each count, with a kink at
every whole number that the Gaussian part smooths.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

# Below this spread the kinks are smoothed one by one; above it a few Fourier terms are enough.
SMALL_SPREAD = 0.05
WIDE_SPREAD = 10.0
KINK_REACH = 6.5
KINK_POINTS = 8193


@cache
def _kink_table() -> tuple[np.ndarray, np.ndarray]:
    """Values of phi(a) - a Phi(-a) for a from 0 to KINK_REACH."""
    grid = np.linspace(0.0, KINK_REACH, KINK_POINTS)
    tail = np.array([0.5 * math.erfc(a / math.sqrt(2.0)) for a in grid.tolist()])
    return grid, np.exp(-0.5 * grid**2) / math.sqrt(2.0 * math.pi) - grid * tail


def kink(distance: np.ndarray) -> np.ndarray:
    """Increase of max(x, 0) smoothed by a Gaussian of unit rms, at this distance from its corner on either side."""
    grid, values = _kink_table()
    return np.interp(distance, grid, values, right=0.0)


def counted(increment: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Mean square that rounding adds to an increment with a Gaussian part: E r(1 - r)."""
    # ``1/6 - sum_m cos(2 pi m t) exp(-2 pi**2 m**2 a**2)/(pi m)**2``; for small a the same as ``r(1 - r) - a**2 + 2 a
    # kink(d/a)``, d the distance to the nearest whole number.
    increment, spread = np.broadcast_arrays(
        np.asarray(increment, dtype=float), np.asarray(spread, dtype=float)
    )
    square = np.empty(increment.shape)
    small = spread < SMALL_SPREAD
    square[small] = _small_spread(increment[small], spread[small])
    square[~small] = _large_spread(increment[~small], spread[~small])
    return square


def _small_spread(t: np.ndarray, a: np.ndarray) -> np.ndarray:
    distance = np.abs(t - np.rint(t))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        corner = np.where(a > 0.0, kink(distance / a), 0.0)
    return distance * (1.0 - distance) - a**2 + 2.0 * a * corner


def _large_spread(t: np.ndarray, a: np.ndarray) -> np.ndarray:
    """Fourier terms by recurrence: cos(m x) from cos x, the Gaussian weights from their ratio."""
    if t.size == 0:
        return t
    terms = max(1, math.ceil(math.sqrt(20.0 / (2.0 * math.pi**2)) / float(a.min())))
    # From a few counts on the mean square is 1/6.
    a = np.minimum(a, WIDE_SPREAD)
    twice = 2.0 * np.cos(2.0 * math.pi * (t - np.rint(t)))
    now, before = 0.5 * twice, np.ones_like(t)
    damping = np.exp(-2.0 * math.pi**2 * a**2)
    square = damping * damping
    weight, ratio = damping.copy(), square * damping
    total = np.full(t.shape, 1.0 / 6.0)
    for m in range(1, terms + 1):
        total -= now * weight / (math.pi * m) ** 2
        now, before = twice * now - before, now
        weight *= ratio
        ratio *= square
    return total
