"""Peak behind an estimator of counts or converter steps: the chain is replayed at the samples of some runs.

Estimators that weigh many positions make of whole counts a pattern with no closed form for its extremes. The shown
error at some thousand samples, with noise from one fixed draw, goes through the estimator's response; the extremes of
longer runs follow by the Gaussian order statistics of the random part. Lengths are in signal periods.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from . import order_statistics, structure_function
from .cause_models import TAU, own_clock, resolved
from .phases import at_phases, error_shape, starts

if TYPE_CHECKING:
    from ..model.axis import Axis

# Samples of one speed in all, and how many runs they make at least. Shorter runs miss slow beats of the counts.
SAMPLES, RUNS = 1 << 14, 4
# A run that moves less than this many periods is taken as short runs from several starts.
SWEEP, SPREAD_RUNS = 1.0, 8
TABLE = 1 << 17
# Relative scatter from run to run beyond which their peak is not known within 10 %.
SCATTER = 0.06
# Samples at an extreme below which another run may not meet it; share of the peak that one count less must not make.
SELDOM, ONE_MATTERS = 12, 0.1
# More noise, which shows what a longer run may reach.
LOUDER = 1.2


def half_range(
    axis: Axis, model: Any, speed: np.ndarray, samples: np.ndarray, random: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Expected half range of the velocity, periods/s, and where its runs agree; ``random`` its Gaussian rms."""
    shown, step = _Shown(axis, model, speed), one_count(axis)
    peak, sure = np.empty(speed.size), np.ones(speed.size, dtype=bool)
    for i, v in enumerate((speed / axis.scale.pitch).tolist()):
        runs, size, pooled = _runs(v / axis.sampling.rate, samples[i])
        velocity = _velocity(axis, shown.error(i, v, runs, size), size)
        each = 0.5 * np.ptp(velocity, axis=-1)
        found = 0.5 * np.ptp(velocity) if pooled else np.mean(each)
        seen = float(velocity.size if pooled else size)
        more = order_statistics.largest_of(samples[i]) - order_statistics.largest_of(np.array(seen))
        peak[i] = found + random[i] * float(more)
        settled = resolved(axis).memory(axis.sampling.rate) <= size
        halves = [0.5 * np.ptp(velocity[n::2]) for n in range(2)] if pooled else each
        sure[i] = settled and np.std(halves, ddof=1) <= SCATTER * peak[i]
        if 0.5 * step > ONE_MATTERS * peak[i] and (shown.jitter[i] or shown.white[i] or shown.clock[i]):
            louder = _velocity(axis, shown.error(i, v, runs, size, louder=LOUDER), size)
            wider = (LOUDER - 1.0) * random[i] * order_statistics.largest_of(samples[i])
            reached = 0.5 * np.ptp(louder) > (1.0 + ONE_MATTERS) * found + wider
            sure[i] &= not (reached or _seldom(velocity, step))
    return np.maximum(peak, _one_step(axis, speed, samples)), sure


def one_count(axis: Axis) -> float:
    """Most that one count makes of the velocity, periods/s; 0 without counts."""
    estimator: Any = resolved(axis)
    weights = estimator.weights(axis.sampling.rate)
    return float(np.abs(np.cumsum(weights)).max()) / (axis.interpolation.factor or np.inf)


def _seldom(velocity: np.ndarray, step: float) -> bool:
    """Whether the largest values of whole counts are so seldom that another run may miss them."""
    return any(np.count_nonzero(v > v.max() - 0.5 * step) < SELDOM for v in (velocity, -velocity))


def _runs(moved: float, samples: float) -> tuple[int, int, bool]:
    """Number of runs, their samples, and whether they are parts of one long run."""
    size = int(min(samples, SAMPLES // RUNS))
    if size < samples and moved * size < SWEEP:
        return SPREAD_RUNS, SAMPLES // SPREAD_RUNS, True
    return max(RUNS, SAMPLES // size // 2), size, size < samples


@lru_cache(maxsize=8)
def _settling(estimator: Any, rate: float, size: int) -> int:
    """Samples before a run, at least as many as the estimator remembers, so that the length transforms quickly."""
    least = size + int(min(estimator.memory(rate), size))
    odd = [3**b * 5**c for b in range(3) for c in range(3)]
    return min(factor << max(-(-least // factor) - 1, 0).bit_length() for factor in odd) - size


@lru_cache(maxsize=4)
def _response(estimator: Any, rate: float, size: int) -> np.ndarray:
    """Complex gain of an estimator at the frequencies of a discrete Fourier transform."""
    return np.asarray(estimator.response(np.fft.rfftfreq(size, 1.0 / rate), rate))


def _velocity(axis: Axis, error: np.ndarray, size: int) -> np.ndarray:
    """Velocity error of the last ``size`` samples of runs of shown errors (runs, samples)."""
    gain = _response(resolved(axis), axis.sampling.rate, error.shape[-1])
    return np.fft.irfft(np.fft.rfft(error, axis=-1) * gain, error.shape[-1], axis=-1)[:, -size:]


@lru_cache(maxsize=8)
def _normal(cause: int, runs: int, size: int) -> np.ndarray:
    """Normal numbers, the same at every speed."""
    return np.random.default_rng([cause, 20]).standard_normal((runs, size))


@lru_cache(maxsize=4)
def _table(axis: Axis) -> np.ndarray:
    """Shown error over the period with counts and converter steps, for an error that does not depend on speed."""
    factor = axis.interpolation.factor or 1
    return structure_function.shown_error(axis, factor * max(TABLE // factor, 4))


class _Shown:
    """Error of the shown position at the samples of runs, for some speeds."""

    def __init__(self, axis: Axis, model: Any, speed: np.ndarray) -> None:
        self.axis = axis
        tabled = axis.interpolation.bits is not None and model.method == "exact"
        self.table = _table(structure_function.static(axis)) if tabled else None
        orders, made = model.complex_lines(speed)
        self.shape = error_shape(made + np.zeros((1, 1)), orders)
        self.white = math.sqrt(0.5) * np.sqrt(_after(model, speed))
        spread = model.spread(speed, np.inf)
        self.jitter, self.clock = (
            np.sqrt(0.5 * spread.get(cause, 0.0) + 0.0 * speed) for cause in ("jitter", "clock")
        )
        quiet = model.held_still(speed, model.noisy(speed, np.inf)) == 1
        for size in (self.jitter, self.clock, self.white):
            size[quiet] = 0.0

    def error(self, i: int, moved: float, runs: int, size: int, *, louder: float = 1.0) -> np.ndarray:
        """Shown less true position, periods, of runs with their settling at speed ``i``, periods/s."""
        rate, clock = self.axis.sampling.rate, own_clock(self.axis)
        number = np.arange(float(size + _settling(resolved(self.axis), rate, size)))
        read, late = number, np.zeros_like(number)
        if clock is not None:
            ticks = np.floor(number * (clock / rate) + 0.5)
            late = moved * ((ticks - 0.5) / clock - number / rate)
            read = ticks - ticks[0]
        turned = moved / rate * number + late
        place = turned - np.floor(turned) + starts(runs)[:, None]
        return self._shown(i, place, read.astype(np.int64), louder) + late

    def _shown(self, i: int, place: np.ndarray, read: np.ndarray, louder: float) -> np.ndarray:
        """Shown less true position at the moment of reading number ``read``."""
        jitter, white, clock = (
            louder * size[i] * self._drawn(cause, place.shape[0], read) if size[i] else 0.0
            for cause, size in enumerate((self.jitter, self.white, self.clock))
        )
        jitter = jitter + clock
        if self.table is not None:
            moved = place + jitter + white
            index = ((moved - np.floor(moved)) * self.table.size).astype(np.int64)
            index %= self.table.size  # just below a whole period the share rounds to 1
            return self.table[index] + jitter + white
        row = self.shape[:1] if self.shape.shape[0] == 1 else self.shape[i : i + 1]
        shift = jitter + white + at_phases(row, place + jitter)
        factor = self.axis.interpolation.factor
        return shift if factor is None else np.rint((place + shift) * factor) / factor - place

    def _drawn(self, cause: int, runs: int, read: np.ndarray) -> np.ndarray:
        """Normal numbers of the readings; jitter of one pole where it has a bandwidth."""
        last, band = int(read[-1]), self.axis.signal.jitter_bandwidth
        white = _normal(cause, runs, last + 1)
        white = white if last + 1 == read.size else white[:, read]
        if band is None or cause > 0:
            return white
        kept = math.exp(-TAU * band / self.axis.sampling.rate)
        turn = np.exp(-1j * TAU * np.arange(white.shape[-1] // 2 + 1) / white.shape[-1])
        gain = math.sqrt(1.0 - kept**2) / (1.0 - kept * turn)
        return np.fft.irfft(np.fft.rfft(white, axis=-1) * gain, white.shape[-1], axis=-1)


def _after(model: Any, speed: np.ndarray) -> np.ndarray:
    """Mean square of an increment by noise that the period's error does not see, periods squared."""
    square = model.spread(speed, np.inf).get("noise", np.zeros_like(speed))
    return square + model.converter(speed) if model.method == "step" else square + 0.0 * speed


def _one_step(axis: Axis, speed: np.ndarray, samples: np.ndarray) -> np.ndarray:
    """Half of what one count makes of the velocity, where the run passes counts one by one, periods/s."""
    estimator: Any = resolved(axis)
    factor, remembered = axis.interpolation.factor, estimator.weights(axis.sampling.rate).size
    if factor is None:
        return np.zeros_like(speed)
    counts = speed / axis.scale.pitch / axis.sampling.rate * factor
    alone = (counts * samples >= 1.0) & (counts * remembered < 1.0)
    return np.where(alone, 0.5 * one_count(axis), 0.0)
