"""Expected peak of the velocity ripple: half of (maximum - minimum) of one second of running.

What is deterministic (cyclic error, counts, asynchronous sampling) is evaluated at the phases that the samples of the
second meet, for evenly spread starts. What is random adds its expected extremes over that many independent samples:
the largest value m of n samples d + s Z, Z normal, solves ``n mean Q((m - d)/s) = exp(-gamma)`` (Gumbel limit of the
extremes, gamma Euler's constant). Changes by whole counts k are counted: the expected largest is
``k_min - 1 + sum_k [1 - (1 - P(change >= k))**n]``.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from .cause_models import over_grid, own_clock, resolved

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .cause_models import LineModel, TableModel
    from .engines import Timed

STARTS = 8
# The phases of a long run: blocks of consecutive samples, evenly spread over it.
BLOCKS, BLOCK = 48, 32
GRID = 1 << 10
GOLDEN = 0.6180339887498949
RANDOM = ("jitter", "noise", "clock")
ONE_EVENT = math.exp(-0.5772156649015329)
# Newton steps of the largest of n samples; the start lies above it, from where they fall without overshoot.
STEPS = 40
TOGETHER = 1 << 20


def duration(axis: Axis, speed: np.ndarray) -> np.ndarray:
    """Seconds over which a peak is taken: one, or one revolution where that takes longer."""
    if axis.scale.lines is None:
        return np.ones_like(speed)
    turn = axis.scale.pitch * axis.scale.lines
    return np.maximum(1.0, turn / np.where(speed > 0.0, speed, np.inf))


def phases(moved: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Phases (periods) of samples of a run for each start, shape (speeds, starts, samples)."""
    count = BLOCKS * BLOCK
    first = np.arange(BLOCKS) / max(BLOCKS - 1, 1) * np.maximum(samples - BLOCK, 0.0)[:, None]
    number = (np.floor(first)[..., None] + np.arange(BLOCK)).reshape(samples.size, count)
    number = np.minimum(number, samples[:, None] - 1.0)
    turned = np.remainder(moved[:, None] * number, 1.0)
    start = np.remainder(GOLDEN * np.arange(STARTS), 1.0)
    return turned[:, None, :] + start[:, None]


def tail(a: np.ndarray) -> np.ndarray:
    """Probability that a normal value exceeds a."""
    from scipy.special import ndtr

    return ndtr(-a)


def expected_largest(values: np.ndarray, spread: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Expected largest of ``samples`` values drawn from the last axis, each plus a Gaussian of this rms."""
    top = values.max(axis=-1)
    safe = np.where(spread > 0.0, spread, 1.0)
    n = np.maximum(samples, 2.0)
    m = top + safe * np.sqrt(2.0 * np.log(n))
    for _ in range(STEPS):
        a = (m[..., None] - values) / safe[..., None]
        above = tail(a).mean(axis=-1)
        slope = np.exp(-0.5 * a * a).mean(axis=-1) / math.sqrt(2.0 * math.pi)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (np.log(np.maximum(above, 1e-300)) - math.log(ONE_EVENT) + np.log(n)) * above / slope
        step = np.where(np.isfinite(step), step, 0.0)
        m = m + safe * step
        if np.abs(step).max(initial=0.0) < 1e-6:
            break
    return np.where(spread > 0.0, m, top)


def expected_largest_count(change: np.ndarray, spread: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Expected largest whole number of counts by which a position changes, start within a count evenly spread.

    ``change`` (..., phases) is the change in counts, ``spread`` the rms of its Gaussian part.
    """
    # P(change >= k) = E min(max(t + a Z - k + 1, 0), 1), with E max(z + a Z, 0) = a phi(z/a) + z Phi(z/a).
    values, weight = quantiles(change)
    top = np.floor(values[..., -1])
    reach = int(np.ceil(7.0 * min(float(spread.max(initial=0.0)), WIDE))) + 1
    largest = top - 3.0
    for shift in range(-2, reach + 2):
        z = values - (top + shift)[..., None] + 1.0
        chance = ((_positive(z, spread) - _positive(z - 1.0, spread)) * weight).sum(axis=-1)
        with np.errstate(divide="ignore"):
            largest = largest - np.expm1(samples * np.log1p(-np.clip(chance, 0.0, 1.0)))
    return largest


def _positive(z: np.ndarray, a: np.ndarray) -> np.ndarray:
    """E max(z + a Z, 0)."""
    safe = np.where(a > 0.0, a, 1.0)[..., None]
    smooth = safe * np.exp(-0.5 * (z / safe) ** 2) / math.sqrt(2.0 * math.pi) + z * tail(-z / safe)
    return np.where(a[..., None] > 0.0, smooth, np.maximum(z, 0.0))


def quantiles(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Some sorted values of the last axis with their weights: all near the ends, fewer between."""
    size = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    ends = np.arange(min(16, size))
    kept = np.unique(np.concatenate([ends, np.linspace(0, size - 1, 96).astype(int), size - 1 - ends]))
    edges = np.concatenate([[-0.5], 0.5 * (kept[1:] + kept[:-1]), [size - 0.5]])
    return ordered[..., kept], np.diff(edges) / size


WIDE = 3.0


def expected_peak(
    axis: Axis, model: TableModel | LineModel | Timed, speed: np.ndarray, squares: dict[str, np.ndarray]
) -> np.ndarray:
    """Expected half of (maximum - minimum) of the velocity, position unit/s; ``squares`` by cause likewise."""
    peak = np.empty(speed.shape)
    size = max(1, TOGETHER // (STARTS * BLOCKS * BLOCK))
    for first in range(0, speed.size, size):
        some = slice(first, first + size)
        peak[some] = _peak(axis, model, speed[some], {c: s[some] for c, s in squares.items()}, speed, some)
    rms = np.sqrt(sum(squares.values()) + 0.0 * speed)
    return np.maximum(peak, rms)


def _peak(axis, model, speed, squares, all_speeds, some):
    rate, pitch = axis.sampling.rate, axis.scale.pitch
    samples = np.maximum(np.round(duration(axis, speed) * rate), 2.0)
    moved = speed / pitch / rate
    place = phases(moved, samples)
    random = np.sqrt(sum(squares.get(cause, 0.0) for cause in RANDOM) + 0.0 * speed) / pitch
    orders, made = model.complex_lines(all_speeds)
    made = made if made.shape[0] == 1 else made[some]
    ring = model.ring_half_range(speed) if hasattr(model, "ring_half_range") else 0.0
    n = samples[:, None]
    how = axis.interpolation
    if axis.estimator.kind == "difference" and how.factor is not None and how.bits is None:
        return (_counted_difference(axis, model, speed, place, orders, made, n) + ring) * pitch
    if axis.estimator.linear and (how.factor or how.bits) and model.method == "exact" and fits(axis):
        rms = np.sqrt(sum(squares.values()) + 0.0 * speed) / pitch
        return (_shown(axis, model, speed, place, rms, n) + ring) * pitch
    cyclic = _cyclic(axis, model, speed, place, orders, made) + _age(axis, speed, samples)
    spread = np.broadcast_to(random[:, None], cyclic.shape[:2])
    plain = _half_range(cyclic, spread, n)
    steps = np.sqrt(squares.get("resolution", 0.0) + squares.get("adc", 0.0) + 0.0 * speed) / pitch
    if not steps.any():
        return (plain + ring) * pitch
    both = _half_range(cyclic, np.hypot(spread, steps[:, None]), n)
    most, least = _step_bounds(axis, model, speed, samples)
    return (np.maximum(np.minimum(both, plain + most), least) + ring) * pitch


def _half_range(cyclic, spread, n):
    values, _ = quantiles_even(cyclic)
    high = expected_largest(values, spread, n)
    low = expected_largest(-values, spread, n)
    return 0.5 * (high + low).mean(axis=-1)


def quantiles_even(values):
    size = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    kept = np.unique(np.linspace(0, size - 1, 128).astype(int))
    return ordered[..., kept], None


def _cyclic(axis, model, speed, place, orders, made):
    if orders.size == 0:
        return np.zeros(place.shape)
    points = max(GRID, 1 << int(np.ceil(np.log2(8 * orders.max()))))
    gain = model.cyclic_gain(np.multiply.outer(speed / axis.scale.pitch, orders), speed)
    w = over_grid(np.broadcast_to(made, gain.shape) * gain, orders, points)
    return _at(w, place)


def _at(w, place):
    points = w.shape[-1]
    x = np.remainder(place, 1.0) * points
    below = np.floor(x)
    part = x - below
    index = below.astype(np.int64) % points
    row = np.arange(w.shape[0])[:, None, None]
    return w[row, index] * (1.0 - part) + w[row, (index + 1) % points] * part


def _age(axis, speed, samples):
    clock = own_clock(axis)
    if clock is None:
        return 0.0
    rate = axis.sampling.rate
    d = resolved(axis).weights(rate)
    beat = clock / rate % 1.0
    place = phases(np.full(speed.shape, beat), samples)
    grid = (np.arange(GRID) + 0.5) / GRID
    older = np.remainder(grid - beat * np.arange(d.size)[:, None], 1.0)
    error = -(d @ older) / clock
    index = (np.remainder(place, 1.0) * GRID).astype(np.int64)
    return error[index] * (speed / axis.scale.pitch)[:, None, None]


def _step_bounds(axis, model, speed, samples):
    how, rate = axis.interpolation, axis.sampling.rate
    most = least = 0.0
    if axis.estimator.linear:
        d = resolved(axis).weights(rate)
        total, step = np.abs(d).sum(), np.abs(np.cumsum(d)).max()
    else:
        total, step = model.magnitudes(speed), 0.0
    if how.factor is not None:
        most = most + 0.5 / how.factor * total
        passed = speed / axis.scale.pitch / rate * samples * how.factor >= 1.0
        least = np.where(passed, 0.5 * step / how.factor, 0.0)
    if how.bits is not None:
        lsb = 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude
        most = most + 0.5 * math.sqrt(2.0) * lsb / (2.0 * math.pi) * total
    return most, least


def _counted_difference(axis, model, speed, place, orders, made, n):
    how, rate, pitch = axis.interpolation, axis.sampling.rate, axis.scale.pitch
    lag = axis.estimator.samples / rate
    spread = np.sqrt(sum(model.spread(speed, lag).values()) + 0.0 * speed)
    if how.bits is not None:
        lsb = 2.0 * how.span / 2.0**how.bits
        spread = np.sqrt(spread**2 + lsb**2 / 6.0 * (model.noise_gain(speed)) ** 2)
    spread = np.where(model.held_still(speed, spread) == 1, 0.0, spread) * how.factor
    turns = speed / pitch * lag
    change = np.broadcast_to(turns[:, None, None], place.shape)
    clock = own_clock(axis)
    if clock is not None:
        beat = axis.estimator.samples * clock / rate
        whole, rest = np.floor(beat), beat % 1.0
        late = phases(np.full(speed.shape, clock / rate % 1.0), n[:, 0]) % 1.0 < rest
        change = (speed / pitch)[:, None, None] * (whole + late) / clock
    if orders.size:
        points = max(GRID, 1 << int(np.ceil(np.log2(8 * orders.max()))))
        turned = made * (np.exp(2j * np.pi * np.multiply.outer(turns, orders)) - 1.0)
        change = change + _at(over_grid(turned, orders, points), place)
    spread = np.broadcast_to(spread[:, None], change.shape[:2])
    change = change * how.factor
    high = expected_largest_count(change, spread, n)
    low = expected_largest_count(-change, spread, n)
    return 0.5 * (high + low).mean(axis=-1) / how.factor / lag


LARGEST_TABLE = 1 << 17


def fits(axis):
    return (axis.interpolation.factor or 0) * 16 <= LARGEST_TABLE


def _shown(axis, model, speed, place, rms, n):
    """Counts and converter as they are: the estimator's response to the shown error of a period."""
    from . import structure_function

    key, factor = structure_function.static(axis), axis.interpolation.factor or 1
    points = factor << max(int(np.ceil(np.log2((1 << 16) / factor))), 4)
    points = min(points, factor << int(np.log2(max(LARGEST_TABLE / factor, 1))))
    spectrum = np.fft.rfft(structure_function.shown_error(key, points))
    order = np.arange(spectrum.size)
    rate, pitch = axis.sampling.rate, axis.scale.pitch
    d = resolved(axis).weights(rate)
    spread = np.sqrt(0.5 * sum(model.spread(speed, np.inf).values()) + 0.0 * speed)
    total, step = np.abs(d).sum(), np.abs(np.cumsum(d)).max()
    peak = np.empty(speed.size)
    age = _age(axis, speed, n[:, 0]) + np.zeros(place.shape)
    for i in range(speed.size):
        sharp = spread[i] * factor < 0.15 if axis.interpolation.factor else spread[i] * 2 * np.pi * 2.0**axis.interpolation.bits / 2.5 < 0.15
        kept = 1.0 if sharp else np.exp(-2.0 * (np.pi * order * spread[i]) ** 2)
        gain = resolved(axis).response(order * (speed[i] / pitch), rate)
        w = np.fft.irfft(spectrum * kept * gain, points)
        index = (np.remainder(place[i], 1.0) * points).astype(np.int64)
        values = w[index] + age[i]
        rest = np.sqrt(max(rms[i] ** 2 - w.var() - (age[i] ** 2).mean(), 0.0))
        gauss = spread[i] * np.sqrt((d * d).sum())
        full = _half_range(values[None], np.full((1, STARTS), max(rest, gauss)), n[i : i + 1])[0]
        quiet = _half_range(values[None], np.full((1, STARTS), gauss), n[i : i + 1])[0]
        lsb = 1.0 / factor if axis.interpolation.factor else 0.0
        if axis.interpolation.bits is not None:
            lsb = lsb + 2.0 * axis.interpolation.span / 2.0**axis.interpolation.bits / 2.0 / np.pi
        peak[i] = quiet if sharp else min(full, quiet + 0.5 * lsb * total)
    return peak
