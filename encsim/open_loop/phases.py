"""Phases of a signal period that the samples of a run meet, and periodic shapes read there; lengths in periods."""

from __future__ import annotations

import numpy as np

from .cause_models import over_grid

# Starts of a run, evenly spread over the period, and samples of each.
STARTS, MET = 6, 576
GOLDEN = 0.6180339887498949
GRID = 1 << 10


def starts(count: int) -> np.ndarray:
    """Start phases, evenly spread whatever their number."""
    return np.remainder(GOLDEN * np.arange(count), 1.0)


def phases(moved: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Phases of some samples of runs that move so far a sample, shape (speeds, starts, samples)."""
    # spread over the run without a rhythm of their own, the last one among them
    spread = np.remainder(GOLDEN * np.arange(1.0, MET + 1.0), 1.0)
    spread[0] = 1.0
    number = np.rint(spread * (samples[:, None] - 1.0))
    turned = np.remainder(moved[:, None] * number, 1.0)
    return turned[:, None, :] + starts(STARTS)[:, None]


def error_shape(lines: np.ndarray, orders: np.ndarray, finest: int = GRID) -> np.ndarray:
    """Function of complex lines (speeds, orders) on an even grid over the period that resolves them."""
    points = max(finest, 1 << int(np.ceil(np.log2(16 * orders.max(initial=1)))))
    return over_grid(lines, orders, points)


def at_phases(shape: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Periodic shapes (speeds or 1, points) at phases (speeds, ...), straight between the points."""
    points = shape.shape[-1]
    x = (place - np.floor(place)) * points
    below = x.astype(np.int64)
    part = x - below
    first = np.zeros(1, dtype=np.int64) if shape.shape[0] == 1 else np.arange(shape.shape[0]) * points
    first = first.reshape(-1, *(1,) * (place.ndim - 1))
    flat = shape.ravel()
    here, there = flat[first + below % points], flat[first + (below + 1) % points]
    return np.asarray(here + part * (there - here))
