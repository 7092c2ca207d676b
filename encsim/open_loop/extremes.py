"""Expected peak of the velocity ripple: half of (maximum - minimum) of one second of running.

What is deterministic (cyclic error, counts, asynchronous sampling) is evaluated at the phases that the samples of the
second meet, for evenly spread starts; what is random adds its expected extremes (see `order_statistics`). Counts and
converter steps behind an estimator other than the plain difference are replayed sample by sample (`replay`). Lengths
are in signal periods until the result.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from . import causes, engines, order_statistics, replay
from .cause_models import own_clock, resolved
from .phases import at_phases, error_shape, phases

if TYPE_CHECKING:
    from ..model.axis import Axis

# Share of the mean square below which steps of counts and converter are as good as Gaussian; and share of the peak from
# which what is not known of a part, its largest value, leaves the peak uncertain.
STEPS_MATTER, UNCERTAIN, HELD_BACK = 1e-3, 0.2, 0.1
# Relative scatter from start to start beyond which no single peak can be told within 10 %.
SCATTER = 0.06
# Relative scatter of the largest of few independent values from run to run, beyond which it is not.
SCATTER_OF_NOISE = 0.15
TOGETHER = 64
# Points of a spectrum, and the extreme that is typical of a second of filtered noise, standard deviations.
SPECTRUM, OFF_ZEROS, TYPICAL_EXTREME = 1 << 15, 0.618, 3.5
# Memory of an estimator (decay to 1e-16), in runs, from which one run depends on what was before it.
REMEMBERED = 4.0
# Rms of the edges' scatter within which of a whole number of counts in the window another number may be met.
DECIDES = 4.0


def expected_peak(
    axis: Axis, speed: np.ndarray, squares: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Expected half range of the velocity, position unit/s, and where it is known within 10 %.

    ``speed`` is one-dimensional, from 0 on; ``squares`` are the mean squares of the velocity by cause, (unit/s)**2.
    """
    model = engines.engine(axis)
    pieces = range(0, speed.size, TOGETHER)
    found = [
        _piece(
            axis, model, speed[i : i + pieces.step], {c: s[i : i + pieces.step] for c, s in squares.items()}
        )
        for i in pieces
    ]
    peak, sure = (np.concatenate(part) for part in zip(*found, strict=True))
    return peak, sure


def duration(axis: Axis, speed: np.ndarray) -> np.ndarray:
    """Seconds over which a peak is taken: one, or one revolution where that takes longer."""
    if axis.scale.lines is None:
        return np.ones_like(speed)
    turn = axis.scale.pitch * axis.scale.lines
    return np.maximum(1.0, np.divide(turn, speed, out=np.ones_like(speed), where=speed > 0.0))


def _piece(axis: Axis, model: Any, speed: np.ndarray, squares: dict[str, np.ndarray]) -> tuple[Any, Any]:
    """Peak and its certainty at some speeds."""
    if hasattr(model, "shapes"):
        model.shapes(speed)
    pitch = axis.scale.pitch
    squares = {cause: square / pitch**2 for cause, square in squares.items()}
    samples = np.maximum(np.round(duration(axis, speed) * axis.sampling.rate), 2.0)
    peak, sure = _of_chain(axis, model, speed, squares, samples)
    added = [squares[cause] for cause in causes.added_squares(axis, speed)]
    apart = np.sqrt(sum(added, np.zeros_like(speed))) * order_statistics.largest_of(samples)
    whole = np.hypot(peak, apart) + model.ring_half_range(speed)
    return np.where(speed > 0.0, whole, np.maximum(whole, 0.0)) * pitch, sure


def _of_chain(
    axis: Axis, model: Any, speed: np.ndarray, squares: dict[str, np.ndarray], samples: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Peak of everything but ring and added causes, periods/s, and its certainty."""
    how, nothing = axis.interpolation, np.zeros_like(speed)
    if not axis.estimator.linear:
        return _timed(axis, model, speed, samples)
    if axis.estimator.kind == "difference" and how.factor is not None and how.bits is None:
        return _over_starts(_counted(axis, model, speed, samples))
    steps = squares.get("resolution", nothing) + squares.get("adc", nothing)
    total = sum(squares.values(), nothing)
    peaks, scatter = _smooth(axis, model, speed, squares, samples)
    plain, sure = _over_starts(peaks)
    sure &= scatter < SCATTER_OF_NOISE * plain
    sure &= resolved(axis).memory(axis.sampling.rate) < REMEMBERED * samples
    stepped = steps > STEPS_MATTER * total
    if not stepped.any():
        return plain, sure
    random = _random(axis, squares, speed)
    again, known = replay.half_range(axis, model, speed[stepped], samples[stepped], random[stepped])
    plain[stepped], sure[stepped] = again, known
    if how.hysteresis > 0.0:
        # where noise turns the motion back it holds the extremes back, by as much as it is wide at most
        some = model.held_still(speed, model.noisy(speed, np.inf)) == -1
        sure &= ~some | (how.hysteresis * replay.one_count(axis) < HELD_BACK * plain)
    if how.bits is not None and model.method == "step":
        sure &= np.sqrt(squares["adc"]) * order_statistics.largest_of(samples) < UNCERTAIN * plain
    return plain, sure


def _over_starts(peaks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean over the starts (last axis), and whether they agree."""
    mean = peaks.mean(axis=-1)
    return mean, peaks.std(axis=-1) <= SCATTER * mean


def _random(axis: Axis, squares: dict[str, np.ndarray], speed: np.ndarray) -> np.ndarray:
    """Rms of the Gaussian part of the velocity, without added causes."""
    added = causes.added_squares(axis, speed)
    kept = [squares[cause] for cause in causes.gaussian() if cause in squares and cause not in added]
    return np.sqrt(sum(kept, np.zeros_like(speed)))


def _smooth(
    axis: Axis, model: Any, speed: np.ndarray, squares: dict[str, np.ndarray], samples: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Peaks of cyclic error, age and noise, steps taken as Gaussian; shape (speeds, starts), and their scatter."""
    orders, made = model.complex_lines(speed)
    gain = model.cyclic_gain(np.multiply.outer(speed / axis.scale.pitch, orders), speed)
    place = phases(speed / axis.scale.pitch / axis.sampling.rate, samples)
    values = at_phases(error_shape(made * gain, orders), place) + _age(axis, speed, samples)
    steps = squares.get("resolution", 0.0) + squares.get("adc", 0.0)
    spread = np.sqrt(_random(axis, squares, speed) ** 2 + steps)
    jitter = squares.get("jitter", 0.0) if axis.signal.jitter_bandwidth is not None else 0.0
    coloured = np.divide(jitter, spread**2, out=np.zeros_like(spread), where=spread > 0.0)
    number = _independent(axis, coloured, samples)
    peaks = order_statistics.half_range(values, spread[:, None] + 0.0 * values[..., 0], number[:, None])
    # an extreme of n values scatters by pi/sqrt(6) over its own size (Gumbel), half a range by 1/sqrt(2) of that
    return peaks, np.pi / np.sqrt(12.0) * spread / order_statistics.largest_of(number)


def _independent(axis: Axis, coloured: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Independent values among samples of noise, as its extremes need them; ``coloured``: share by slow jitter."""
    # A level u is passed upwards as often by u sqrt((1 - r)/pi) independent values a sample where the noise is smooth
    # (Rice; r its correlation from one sample to the next), and by u**2/tau where it is rough, of correlation
    # exp(-j/tau), whose squares sum to tau (Pickands).
    both = np.stack([1.0 - coloured, coloured])
    next_one, squared = _correlations(resolved(axis), axis.sampling.rate, axis.signal.jitter_bandwidth)
    change = 1.0 - np.tensordot(next_one, both, axes=1)
    length = np.einsum("as,ab,bs->s", both, squared, both)
    level = np.full(samples.shape, TYPICAL_EXTREME)
    for _ in range(3):
        share = np.minimum(level * np.sqrt(np.maximum(change, 0.0) / np.pi), level**2 / length)
        number = np.maximum(np.minimum(share, 1.0) * samples, 2.0)
        level = np.maximum(order_statistics.largest_of(number), 1.0)
    return number


@lru_cache(maxsize=64)
def _correlations(estimator: Any, rate: float, band: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Correlation of successive samples of filtered white noise and slow jitter, and sums of products of all lags."""
    # off all zeros of a difference over any power of two
    cycles = (np.arange(SPECTRUM) + OFF_ZEROS) * (0.5 / SPECTRUM)
    white = np.abs(estimator.response(cycles * rate, rate)) ** 2
    kept = np.exp(-2.0 * np.pi * band / rate) if band is not None else 0.0
    power = np.stack([white, white / np.abs(1.0 - kept * np.exp(-2j * np.pi * cycles)) ** 2])
    power /= power.mean(axis=-1, keepdims=True)
    return power @ np.cos(2.0 * np.pi * cycles) / SPECTRUM, power @ power.T / SPECTRUM


def _age(axis: Axis, speed: np.ndarray, samples: np.ndarray) -> float | np.ndarray:
    """Velocity error by the age of readings from an own clock, at the phases of its beat."""
    clock, rate = own_clock(axis), axis.sampling.rate
    if clock is None:
        return 0.0
    estimator: Any = resolved(axis)
    weights = estimator.weights(rate)
    beat = clock / rate % 1.0
    place = phases(np.full(speed.shape, beat), samples)[:1]
    if axis.scale.lines is not None:
        place = phases(np.full(speed.shape, beat), samples)
    grid = (np.arange(1024) + 0.5) / 1024
    older = sum(d * np.remainder(grid - beat * j, 1.0) for j, d in enumerate(weights.tolist()))
    index = (np.remainder(place, 1.0) * grid.size).astype(np.int64)
    return -older[index] / clock * (speed / axis.scale.pitch)[:, None, None]


def _counted(axis: Axis, model: Any, speed: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Peaks of a difference of counts; shape (speeds, starts)."""
    estimator: Any = axis.estimator
    factor, lag = axis.interpolation.factor, estimator.samples / axis.sampling.rate
    spread = model.noisy(speed, lag)
    spread = np.where(model.held_still(speed, spread) == 1, 0.0, spread) * factor
    change = _moved(axis, model, speed, samples) * factor
    least, most = order_statistics.extreme_counts(
        change, spread[:, None] + 0.0 * change[..., 0], samples[:, None]
    )
    return 0.5 * (most - least) / factor / lag


def _moved(axis: Axis, model: Any, speed: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """What the shown position moves over a difference before counting, at the phases of the run, periods."""
    estimator: Any = axis.estimator
    rate, clock, span = axis.sampling.rate, own_clock(axis), estimator.samples
    pace = speed / axis.scale.pitch
    place = phases(pace / rate, samples)
    seconds = np.full(place.shape, span / rate)
    if clock is not None:
        whole, rest = divmod(span * clock / rate, 1.0)
        late = np.remainder(phases(np.full(speed.shape, clock / rate % 1.0), samples), 1.0) < rest
        seconds = (whole + late) / clock
    orders, made = model.complex_lines(speed)
    shape = error_shape(made + np.zeros((speed.size, 1)), orders)
    turns = pace[:, None, None] * seconds
    return turns + at_phases(shape, place + turns) - at_phases(shape, place)


def _timed(axis: Axis, model: Any, speed: np.ndarray, samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Peak of timed edges: whole ticks between edges, longest and shortest of the run."""
    estimator: Any = axis.estimator
    rate = np.where(speed > 0.0, speed, 1.0) / axis.scale.pitch
    passed = np.minimum(samples, np.maximum(speed / axis.resolution * duration(axis, speed), 2.0))
    spread = np.sqrt(model.edge_scatter(speed)) * estimator.clock / rate
    fast, slow = np.full(speed.shape, -np.inf), np.full(speed.shape, np.inf)
    for share, counts in model.reach(speed):
        ticks = model.intervals(speed, counts) * (estimator.clock / rate)[:, None]
        number = np.maximum(share * passed, 1.0)
        least, most = order_statistics.extreme_counts(ticks, spread, number)
        pace = counts / axis.interpolation.factor * estimator.clock
        there = share * passed >= 1.0
        fast = np.where(there, np.maximum(fast, pace / np.maximum(least, 1.0)), fast)
        slow = np.where(there, np.minimum(slow, pace / np.maximum(most, 1.0)), slow)
    return np.where(speed > 0.0, 0.5 * (fast - slow), 0.0), _same_counts(axis, model, speed)


def _same_counts(axis: Axis, model: Any, speed: np.ndarray) -> np.ndarray:
    """Where the scatter of edges does not decide how many counts fall between the two edges."""
    share = model.reach(speed)[0][0]
    scatter = np.sqrt(model.edge_scatter(speed)) * axis.interpolation.factor
    estimator: Any = axis.estimator
    several = estimator.reach * speed > axis.resolution
    return ~several | (np.minimum(share, 1.0 - share) >= DECIDES * scatter)
