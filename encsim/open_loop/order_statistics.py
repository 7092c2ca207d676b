"""Expected extremes of many values: a deterministic part d at the phases of a run plus a Gaussian part of rms s.

The largest m of n values d + s Z, Z normal, solves ``n mean Q((m - d)/s) = exp(-gamma)`` (Gumbel's limit of extremes,
gamma Euler's constant). Whole counts are counted: the expected largest of n changes is
``k_min - 1 + sum_k [1 - (1 - P(change >= k))**n]``. Values come sorted along the last axis with their weights, as
`quantiles` leaves them; the other axes are speeds and starts.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

ONE_EVENT = math.exp(-0.5772156649015329)
# Newton's method, from above: the logarithm of the tail is concave, so that it never falls below the root.
STEPS, CLOSE = 12, 1e-3
# Standard deviations beyond which the probability is 0 in double precision.
NEGLIGIBLE = 40.0
# Values kept of the sorted ones: all of so many at either end, and so many evenly between.
ENDS, BETWEEN = 12, 40
# Spread in counts from which whole numbers do not matter, and standard deviations that can occur.
WIDE, FARTHEST = 3.0, 7.0
# Variance of a rounded difference, counts.
ROUNDED = 1.0 / 6.0


def quantiles(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Some sorted values of the last axis with their weights: all near the ends, fewer between."""
    size = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    ends = np.arange(min(ENDS, size))
    kept = np.unique(np.concatenate([ends, np.linspace(0, size - 1, BETWEEN).astype(int), size - 1 - ends]))
    edges = np.concatenate([[-0.5], 0.5 * (kept[1:] + kept[:-1]), [size - 0.5]])
    return ordered[..., kept], np.diff(edges) / size


@cache
def _log_tail() -> tuple[np.ndarray, np.ndarray]:
    """Places and the logarithm of the probability that a normal value exceeds them."""
    # Linear between places 0.005 apart: 3e-6 of the probability. SciPy has the function, at 0.1 s of import.
    places = np.linspace(-9.0, 37.0, 9201)
    return places, np.log([0.5 * math.erfc(place / math.sqrt(2.0)) for place in places.tolist()])


def tail(a: np.ndarray) -> np.ndarray:
    """Probability that a normal value exceeds a."""
    return np.asarray(np.exp(np.interp(a, *_log_tail(), right=-np.inf)))


def largest_of(samples: np.ndarray) -> np.ndarray:
    """Expected largest of so many normal values, in standard deviations."""
    places, log_tail = _log_tail()
    return np.interp(-np.log(ONE_EVENT / np.maximum(samples, 2.0)), -log_tail, places)


def half_range(values: np.ndarray, spread: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Half of expected largest less smallest of ``samples`` values, each with a Gaussian part of this rms."""
    ordered, weight = quantiles(values)
    high = _largest(ordered, weight, spread, samples)
    return 0.5 * (high + _largest(-ordered, weight, spread, samples))


def _largest(values: np.ndarray, weight: np.ndarray, spread: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Expected largest of ``samples`` values, each with a Gaussian part of this rms."""
    top = values.max(axis=-1)
    if not spread.any():
        return top
    safe = np.where(spread > 0.0, spread, 1.0)
    target = ONE_EVENT / np.maximum(samples, 2.0)
    gap, above = (top[..., None] - values) / safe[..., None], largest_of(samples) + 0.0 * top
    for _ in range(STEPS):
        a = np.clip(above[..., None] + gap, -NEGLIGIBLE, NEGLIGIBLE)
        chance = tail(a) @ weight
        density = np.exp(-0.5 * a * a) @ weight / math.sqrt(2.0 * math.pi)
        step = np.log(np.maximum(chance, 1e-300) / target) * chance / np.maximum(density, 1e-300)
        # no lower than the largest value: there the noise is 0 in the mean
        above = np.maximum(above + step, 0.0)
        if np.abs(step).max(initial=0.0) < CLOSE:
            break
    return np.where(spread > 0.0, top + safe * above, top)


def extreme_counts(
    change: np.ndarray, spread: np.ndarray, samples: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Expected smallest and largest whole number by which a position changes, starts within a count evenly spread."""
    ordered, weight = quantiles(change)
    mirrored = -ordered[..., ::-1]
    high, low = (
        np.where(
            spread > WIDE,
            _largest(values, weight, np.sqrt(spread**2 + ROUNDED), samples),
            _largest_count(values, weight, np.minimum(spread, WIDE), samples),
        )
        for values in (ordered, mirrored)
    )
    return -low, high


def _largest_count(
    values: np.ndarray, weight: np.ndarray, spread: np.ndarray, samples: np.ndarray
) -> np.ndarray:
    """Expected largest whole number; P(change >= k) = E min(max(t + s Z - k + 1, 0), 1)."""
    top = np.floor(values[..., -1])
    reach = int(np.ceil(FARTHEST * float(spread.max(initial=0.0)))) + 1
    largest = top - 3.0
    above = _positive(values - top[..., None] + 3.0, spread)
    for shift in range(-2, reach + 2):
        beyond = _positive(values - (top + shift)[..., None], spread)
        chance = np.clip((above - beyond) @ weight, 0.0, 1.0)
        with np.errstate(divide="ignore"):
            largest = largest - np.expm1(samples * np.log1p(-chance))
        above = beyond
    return largest


def _positive(z: np.ndarray, a: np.ndarray) -> np.ndarray:
    """E max(z + a Z, 0) = a phi(z/a) + z Phi(z/a)."""
    if not a.any():
        return np.maximum(z, 0.0)
    safe = np.where(a > 0.0, a, 1.0)[..., None]
    smooth = safe * np.exp(-0.5 * (z / safe) ** 2) / math.sqrt(2.0 * math.pi) + z * tail(-z / safe)
    return np.where(a[..., None] > 0.0, smooth, np.maximum(z, 0.0))
