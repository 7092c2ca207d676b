"""Smooth motion of recorded counts or positions with what repeats in angle beside it, and the lattice they lie on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .. import checks
from ..calibration import angle_fit
from ..calibration.angle_fit import TAU, AngleFit

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .capture import Capture


# Harmonics of the signal period that are fitted, and highest order per revolution that is searched.
HARMONICS = 8
HIGHEST_ORDER = 200
ROUNDS, TURNING_ROUNDS = 3, 8
# Rms errors about a reversal within which the direction is not sure.
FAR = 4.0
# Degrees that slow motion is made finer by, to see what depends on it.
FINER = 4
TINY = float(np.finfo(float).tiny)
# Share of the period by which a fitted position may be off before the recorded one is the better angle.
CLOSE = 0.02
# A direction of motion counts from this share of the samples on.
LEAST_SHARE = 0.1
# Below this share of the direction beside the slow motion the two look the same.
LEAST_TOLD = 0.03
# A count is cut into this many cells; samples that meet less than this share of them repeat the same rounding.
CELLS = 4
FEW_PHASES = 0.25
LEAST_REVOLUTIONS = 1.0
LEAST_PERIODS = 3.0
# Steps from sample to sample that are sorted to find a first guess.
FEW = 4096
# Positions lie on a lattice if their mean phasor on it is longer than this: 1 without scatter, 0 without a lattice.
CLEAR = 0.8
# The gaps between steps that differ by scatter and those that differ by a count must be apart by this factor.
APART = 1.5
# A guess is wrong by at most this share; so many steps are tried about it, and so many must fit into the recording.
SEARCHED = 0.2
POINTS = 48
FEWEST_STEPS = 8.0
MANY = 32
LAGS = [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024]


class Record(NamedTuple):
    """Positions in their unit, the time of the slow motion, and the loop period."""

    unit: str
    position: np.ndarray
    velocity: np.ndarray | None
    time: np.ndarray
    interval: float
    period: float | None
    turn: float | None


def fitted_motion(capture: Capture, axis: Axis) -> SmoothMotion:
    """Smooth motion of a recording and the harmonics of the axis' signal period beside it."""
    record = recorded(capture, None, axis)
    return SmoothMotion(record, axis.resolution or np.nan)


def positions(capture: Capture, resolution: float | None) -> np.ndarray:
    """Positions of a capture of counts or positions; counts times the resolution."""
    if capture.kind == "counts" and capture.count is not None:
        return capture.count * (1.0 if resolution is None else resolution)
    if capture.position is None:
        checks.refuse("Capture.kind", 'be "counts" or "position"', capture.kind)
    return capture.position


def even_time(capture: Capture) -> np.ndarray:
    """Time of the samples if they are evenly spaced, s; sample numbers over a rate of 1 Hz where none is known."""
    count = capture.samples
    if capture.time is not None and np.ptp(capture.time):
        return np.linspace(0.0, float(np.ptp(capture.time)), count)
    if capture.rate is not None:
        return np.arange(count) / capture.rate
    checks.refuse("Capture.rate", "be given where there is no time", None, "Hz")


def clock(capture: Capture, position: np.ndarray) -> np.ndarray:
    """Time of the samples: even spacing or the stamps, whichever makes the motion smoother."""
    even = even_time(capture)
    if capture.time is None or not np.ptp(capture.time):
        return even
    stamps = capture.time - capture.time[0]
    left = [np.std(_about_slow(position, time, 3)) for time in (even, stamps)]
    return stamps if left[1] < left[0] else even


def _about_slow(values: np.ndarray, time: np.ndarray, degree: int) -> np.ndarray:
    """Values without a polynomial of time."""
    return angle_fit.without(values, angle_fit.slow_basis(time, degree))


def recorded(capture: Capture, period: float | None, axis: Axis | None) -> Record:
    """A capture in the position unit, by the axis where one is given."""
    if period is not None and not (checks.is_real(period) and period > 0.0):
        checks.refuse("identify.period", "be positive and finite", period, "m or rad")
    counted = capture.kind == "counts"
    if axis is not None:
        unit, period = axis.scale.unit, axis.scale.pitch
        if counted and axis.interpolation.factor is None:
            checks.refuse("Interpolation.factor", "be given: it is the number of counts per period", None)
    else:
        unit = "counts" if counted else capture.units.get("position", "m or rad")
    position = positions(capture, None if axis is None else axis.resolution)
    time = clock(capture, position)
    interval = float(time[-1] - time[0]) / (len(time) - 1)
    turn = TAU if unit in ("rad", "m or rad") and np.ptp(position) > TAU else None
    return Record(unit, position, capture.velocity, time, interval, period, turn)


class SmoothMotion:
    """The smooth motion of a recording with what repeats in angle beside it."""

    def __init__(self, record: Record, step: float) -> None:
        self.record = record
        position, time = record.position, record.time
        # Near reversals the fit stands in for what was recorded.
        self.values, self.recorded, self.theta = position, np.full(len(position), True), np.empty(0)
        self.speed = float(position[-1] - position[0]) / float(time[-1] - time[0])
        self.travel = float(np.abs(np.diff(position)).sum())
        self.slow = angle_fit.slow_basis(time, self._degree(position, time))
        self.turns = np.zeros_like(position) if record.turn is None else position * (TAU / record.turn)
        self.orders = self.significant(position)
        smooth = angle_fit.fit_waves(position, self.turns, self.orders, self.slow)
        fitted = smooth.slow + smooth.waves
        self.directions = self._direction(smooth.slow)
        self.harmonic_numbers = self._numbers(step)
        for _ in range(ROUNDS if self.directions is None else TURNING_ROUNDS):
            self.others = self._others(self.slow)
            self.beside = self._beside()
            self.cyclic = self._cyclic(fitted)
            fitted = self.cyclic.slow
            self._turn_round()
        self.residual = self.cyclic.residual[self.recorded]
        self.hysteresis = self._hysteresis()

    def _degree(self, position: np.ndarray, time: np.ndarray) -> int:
        """Degree of the slow motion: below one change per revolution, so that no order is taken for slow motion."""
        turn = self.record.turn or self.record.period
        largest = angle_fit.LARGEST_DEGREE if turn is None else int(self.travel / turn)
        back = bool(np.any(np.diff(_about_slow(position, time, 0)) * np.sign(self.speed or 1.0) < 0.0))
        return angle_fit.slow_degree(position, time, angle_fit.LARGEST_DEGREE if back else largest)

    def significant(self, values: np.ndarray) -> tuple[float, ...]:
        """Significant orders per revolution of values over the angle."""
        if self.record.turn is None or self.travel < LEAST_REVOLUTIONS * self.record.turn:
            return ()
        candidates = np.arange(1.0, HIGHEST_ORDER + 1.0)
        if self.record.period is not None:
            line = self.record.turn / self.record.period
            candidates = candidates[candidates < 0.5 * line]
        piece = angle_fit.ScannedPiece(values, self.turns, self.slow)
        return angle_fit.find_orders([piece], candidates) if len(candidates) else ()

    def _numbers(self, step: float) -> tuple[int, ...]:
        """Harmonics of the period that counts can show: fewer than half the counts per period."""
        if self.record.period is None or self.travel < LEAST_PERIODS * self.record.period:
            return ()
        highest = HARMONICS
        if np.isfinite(step):
            highest = min(highest, (round(self.record.period / step) - 1) // 2)
        return tuple(range(1, highest + 1))

    def _direction(self, smooth: np.ndarray) -> np.ndarray | None:
        """Sign of the smooth speed where both directions occur."""
        sign = np.sign(np.gradient(smooth))
        return sign if _both(sign) else None

    def _turn_round(self) -> None:
        """Smooth motion, its directions and reversals anew, without what hysteresis and waves bend of it."""
        sign, fit = self.directions, self.cyclic
        if sign is None:
            return
        half, position = self._half(self.others)[0], self.record.position
        smooth = self.slow @ (self.slow.T @ (self.values - fit.waves - half * sign))
        sign = np.sign(np.gradient(smooth))
        if not _both(sign):
            self.directions, self.values, self.recorded = None, position, np.full(len(position), True)
            self.slow = angle_fit.slow_basis(self.record.time, self._degree(position, self.record.time))
            return
        self.directions = sign
        # The width is crossed there, and noise hides the direction.
        reach = 2.0 * abs(half) + FAR * float(np.std(fit.residual))
        self.recorded = _nearest(np.sort(smooth[1:][sign[1:] != sign[:-1]]), smooth) >= reach
        beside = fit.waves + half * sign
        self.values = np.where(self.recorded, position, smooth + beside)
        self.slow = angle_fit.slow_basis(
            self.record.time, self._degree(self.values - beside, self.record.time)
        )

    def _half(self, others: np.ndarray) -> tuple[float, float]:
        """Half of the width between the two directions, signed, beside all others, and the weight of the samples."""
        assert self.directions is not None
        sign = angle_fit.without(self.directions, others)
        size = max(float(sign @ sign), TINY)
        return float(sign @ (self.values - self.cyclic.waves)) / size, size

    def _others(self, slow: np.ndarray) -> np.ndarray:
        """Basis of all that is not periodic within the signal period but for the direction."""
        columns = [slow]
        if self.orders:
            columns.append(angle_fit.wave_columns(self.turns, self.orders))
        sign = self.directions
        if sign is not None and len(self.theta):
            # Hysteresis moves the phase at which the errors of a period are met.
            columns.append(sign[:, None] * angle_fit.wave_columns(self.theta, self.harmonic_numbers))
        return slow if len(columns) == 1 else angle_fit.orthonormal(np.column_stack(columns))

    def _beside(self) -> np.ndarray:
        """The same with the direction."""
        if self.directions is None:
            return self.others
        left = angle_fit.without(self.directions, self.others)
        return np.column_stack([self.others, left / max(float(np.linalg.norm(left)), TINY)])

    def _cyclic(self, fitted: np.ndarray) -> AngleFit:
        """Harmonics of the period fitted to the positions, at the angle of the fitted motion."""
        record, period = self.record, self.record.period or 1.0
        off = float(np.std(record.position - fitted))
        self.theta = (record.position if off > CLOSE * period else fitted) * (TAU / period)
        return angle_fit.fit_waves(self.values, self.theta, self.harmonic_numbers, self.beside)

    def rounding_error(self, step: float) -> float:
        """Uncertainty of a harmonic by rounding where the samples meet few phases only; else it is in the noise."""
        period = self.record.period
        if period is None or not step > 0.0:
            return 0.0
        return repeated_rounding(self.cyclic.slow, self.residual, period, step)

    def _hysteresis(self) -> tuple[float, float]:
        """Width between the two directions and its uncertainty."""
        if self.directions is None:
            return np.nan, np.nan
        half, told = self._half(self.others)
        if told < LEAST_TOLD * len(self.values):
            return np.nan, np.nan
        # What a finer slow motion changes is an error of the model.
        slow = angle_fit.slow_basis(self.record.time, self.slow.shape[1] - 1 + FINER)
        finer, size = self._half(self._others(slow))
        # Samples whose errors are alike count as fewer.
        left = np.mean(self.residual**2) * angle_fit.autocorrelation_sum(self.residual)
        return 2.0 * abs(half), 2.0 * float(np.sqrt(left / size + (finer - half) ** 2))


def _both(sign: np.ndarray) -> bool:
    """Whether enough of the samples go each way."""
    return bool(LEAST_SHARE < np.mean(sign > 0.0) < 1.0 - LEAST_SHARE)


def _nearest(places: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Distance of values from the nearest of some places in rising order; infinite without any."""
    edges = np.concatenate([[-np.inf], places, [np.inf]])
    at = np.searchsorted(places, values)
    return np.asarray(np.minimum(values - edges[at], edges[at + 1] - values))


def repeated_rounding(
    smooth: np.ndarray, residual: np.ndarray, period: float, step: float, *, beside: float = 0.0
) -> float:
    """Uncertainty of a component of a wave by rounding of positions that meet few phases of the period; else 0.

    ``beside`` is another step to which they are rounded too.
    """
    cells = CELLS * round(period / step)
    turns = smooth / period
    met = len(np.unique(np.floor((turns - np.floor(turns)) * cells)))
    if met >= FEW_PHASES * min(len(turns), cells):
        return 0.0
    # Scatter about the smooth motion moves the samples to other phases: the first wave of the rounding is left.
    rest = max(float(np.var(residual)) - (step**2 + beside**2) / 12.0, 0.0)
    return float(step * np.sqrt(1.0 / (6.0 * met)) * np.exp(-0.5 * rest * (TAU / step) ** 2))


def spacing(positions: np.ndarray) -> float:
    """Largest step on whose multiples all positions lie, up to rounding of printed decimals; NaN if there is none."""
    steps = np.diff(positions)
    if not np.any(steps):
        return math.nan
    if np.all(positions == np.rint(positions)) and np.abs(positions).max() < 2**53:
        return float(np.gcd.reduce(np.abs(steps).astype(np.int64)))
    found = [_refined(positions - positions[0], guess) for guess in _guesses(np.abs(steps))]
    return max((step for step in found if not math.isnan(step)), default=math.nan)


def _guesses(steps: np.ndarray) -> np.ndarray:
    """Distances between steps from sample to sample that stand above shorter ones: scatter, decimals, counts."""
    some = np.unique(steps[:: max(1, len(steps) // FEW)])
    if len(some) == 1:
        return some
    gaps = np.sort(np.diff(some))
    gaps = gaps[gaps > 1e-9 * some[-1]]
    if not len(gaps):
        return some[-1:]
    first = np.flatnonzero(np.append(APART, gaps[1:] / np.maximum(gaps[:-1], np.finfo(float).tiny)) >= APART)
    return np.array([np.mean(gaps[k:][gaps[k:] < 1.5 * gaps[k]]) for k in first])


def _refined(offsets: np.ndarray, guess: float) -> float:
    """The step near a guess with the longest mean phasor, while ever more distant positions are used; NaN if none."""
    best, near, span = guess, SEARCHED, float(np.ptp(offsets))
    reach, end = 16.0 * guess, 1e-3 * guess / max(span, guess)
    while near > end:
        within = _differences(offsets, min(reach, span))
        tried = best * (1.0 + near * np.linspace(-1.0, 1.0, POINTS + 1))
        strength = np.abs(np.exp(2j * np.pi * within / tried[:, None]).sum(axis=1))
        best = float(tried[np.argmax(strength)])
        # Half a count over the reach is left open, until all of the recording is used.
        near = 4.0 * near / POINTS if reach >= span else 0.5 * best / reach
        reach *= 4.0
    all_of_them = np.abs(np.mean(np.exp(2j * np.pi * offsets / best)))
    return best if all_of_them > CLEAR and span > FEWEST_STEPS * best else math.nan


def _differences(offsets: np.ndarray, reach: float) -> np.ndarray:
    """Some differences of positions and of equally long steps, at most ``reach``: all lie on the lattice."""
    found = [offsets[:: max(1, len(offsets) // MANY)]]
    for lag in LAGS[: int(np.searchsorted(LAGS, len(offsets)))]:
        steps = offsets[lag:] - offsets[:-lag]
        found += [steps, steps[1:] - steps[:-1], steps - steps[0]]
    near = [part[(np.abs(part) <= reach) & (part != 0.0)][:MANY] for part in found]
    return np.concatenate(near)
