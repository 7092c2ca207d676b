"""Delay against ripple of velocity estimators at one speed, and the least noise gain for a delay."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..model.axis import Axis, check_axis
from ..model.delays import reading_delay, velocity_delay
from ..model.estimator_base import Estimator
from ..model.estimators import Difference
from ..model.linear_estimator import Linear
from ..open_loop import causes
from ..open_loop.closed_form import ripple
from ..open_loop.start_phase import worst_start
from ..results import AXIS_EXAMPLE, Series, measured_in, picture, recorded
from ..units import speed_in_si

# A computed step response without overshoot exceeds 1 by no more than this, by rounding.
ROUNDING = 1e-9
# The line of the bound goes beyond its candidates by this factor.
WIDER = 1.2
# A doubt is reported where the start matters for longer than this, s, and changes the rms by more than this share.
LONG, UNEVEN = 1.0, 0.05
# Speeds around the given one that judge the candidates, as shares of it: a sampling null alone decides nothing.
AROUND = np.linspace(0.8, 1.2, 9)
_NO_BOUND = "the bound is for estimators of sampled positions: none for {}"
_OWN_CLOCK = "positions taken on a clock of the encoder's own repeat their noise: no bound"
_COLOURED = "jitter with a bandwidth is left out of the bound, which is for white noise"
_OVERSHOOT = "the bound is for estimators that do not overshoot a step of the speed: none for {}"


@dataclass(frozen=True, eq=False, kw_only=True)
class Frontier(Series):
    """Delay against ripple of candidate estimators at one speed; all arrays in the order given.

    Attributes
    ----------
    estimator : tuple of Estimator
        The candidates; a Kalman filter with the noise of the axis.
    family, setting : ndarray of str
        Kind of each, and its fields in SI units.
    delay : ndarray
        Delay of the measured velocity, s: estimator at 0 Hz and mean age of the reading, as `RippleCurve.delay`.
    rms, peak : ndarray
        Ripple of the axis with this estimator, as of `ripple`, m/s or rad/s.
    typical : ndarray
        Ripple within 20 % of the speed, rms over these speeds, m/s or rad/s: a sampling null decides nothing.
    cyclic : ndarray
        Its part by cyclic error.
    noise_gain : ndarray
        Velocity rms for 1 unit of white position rms, 1/s.
    overshoot : ndarray
        Overshoot of the velocity after a step of the true speed, as a share of the step.
    bound : ndarray
        Least rms, of white noise alone, of any estimator with this delay that does not overshoot a step of the
        speed, m/s or rad/s. NaN where it does not apply: the candidate overshoots or times edges, or the axis has no
        white noise.
    best : ndarray of bool
        Whether the candidate is Pareto-optimal in delay and typical ripple.
    noise : float
        White position noise of the axis at this speed, rms, m or rad.
    speed : float
        Speed, m/s or rad/s.
    remarks : tuple of str
        Where the bound does not apply.
    valid : bool
    reasons : tuple of str
        Why the ripple is not reliable: as of `ripple`, and at simple fractions of a signal period per sample, where
        it depends on the start (see `worst_start`).

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> curve = encsim.frontier(axis, 0.01, [encsim.Difference(1), encsim.Difference(8)])
    >>> curve.family
    array(['difference', 'difference'], dtype='<U10')
    """

    estimator: tuple[Estimator, ...]
    family: np.ndarray = field(metadata=measured_in("1"))
    setting: np.ndarray = field(metadata=measured_in("1"))
    delay: np.ndarray = field(metadata=measured_in("s"))
    rms: np.ndarray = field(metadata=measured_in("position/s"))
    peak: np.ndarray = field(metadata=measured_in("position/s"))
    typical: np.ndarray = field(metadata=measured_in("position/s"))
    cyclic: np.ndarray = field(metadata=measured_in("position/s"))
    noise_gain: np.ndarray = field(metadata=measured_in("1/s"))
    overshoot: np.ndarray = field(metadata=measured_in("1"))
    bound: np.ndarray = field(metadata=measured_in("position/s"))
    best: np.ndarray = field(metadata=measured_in("1"))
    noise: float = field(metadata=measured_in("position"))
    speed: float = field(metadata=measured_in("position/s"))
    remarks: tuple[str, ...]
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    plot = picture(
        "figures.estimators:frontier",
        "Draw rms ripple (position unit per second) against delay (s), one mark a candidate, with the bound.",
        alone="Takes the picture without its words",
        example=AXIS_EXAMPLE
        + "ax = encsim.frontier(axis, 0.01, [encsim.Difference(), encsim.LowPass(300.0)]).plot()",
    )

    def bound_line(self, points: int = 200) -> tuple[np.ndarray, np.ndarray]:
        """The bound as a line to draw, over the delays of the candidates to which it applies.

        Parameters
        ----------
        points : int
            Number of points.

        Returns
        -------
        delay, rms : ndarray, shape (points,)
            s; m/s or rad/s. Delays are evenly spread in the logarithm. Empty where the bound applies to no candidate.
        """
        rate, before = self.axis.sampling.rate, reading_delay(self.axis)
        bounded = self.delay[np.isfinite(self.bound)] - before
        if not bounded.size:
            return np.zeros(0), np.zeros(0)
        delay = np.geomspace(max(bounded.min() / WIDER, 0.5 / rate), bounded.max() * WIDER, points)
        return delay + before, self.noise * least_noise_gain(delay, rate)


@recorded
def frontier(axis: Axis, speed: float, estimators: Iterable[Estimator]) -> Frontier:
    """Delay against ripple of velocity estimators on one axis at one speed.

    Parameters
    ----------
    axis : Axis
        Its own estimator is not used.
    speed : float
        Speed v, m/s or rad/s; the sign is ignored.
    estimators : iterable of Estimator
        The candidates.

    Returns
    -------
    Frontier

    Raises
    ------
    InputError
        If the speed is no finite number, there is no candidate, or one does not fit the axis.

    Notes
    -----
    The bound is `least_noise_gain` times the white noise of the axis: jitter without a bandwidth, channel noise and
    clock jitter. Cyclic error and quantisation add to it, so no candidate without overshoot is below the bound. A
    candidate that overshoots can be below it, and has no bound here.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> curve = encsim.frontier(axis, 0.01, [encsim.Difference(1), encsim.Difference(8)])
    >>> (1e6 * curve.rms).round(1)  # um/s
    array([186.7, 122.7])
    """
    check_axis("frontier.axis", axis)
    speed = speed_in_si("frontier.speed", speed, axis.scale.unit)
    if not checks.is_real(speed):
        checks.refuse("frontier.speed", "be a finite number", speed, f"{axis.scale.unit}/s")
    speed = abs(float(speed))
    axes = [_fitted(axis, candidate, place) for place, candidate in enumerate(_listed(estimators))]
    curves = [ripple(each, [speed]) for each in axes]
    # Any: a linear estimator has these of the loop rate alone, timed edges of the motion too
    fitted: list[Any] = [each.estimator for each in axes]
    motion = [{} if one.linear else {"speed": speed, "resolution": axis.resolution} for one in fitted]
    rate = axis.sampling.rate
    delay = np.array([velocity_delay(each, speed) for each in axes])
    gain = np.array([one.noise_gain(rate, **how) for one, how in zip(fitted, motion, strict=True)])
    rms = np.array([curve.rms[0] for curve in curves])
    overshoot = np.array([_overshoot(one, rate) for one in fitted])
    noise, remarks = _white_noise(axis, speed)
    bounded = np.array([one.linear for one in fitted]) & (overshoot == 0.0) & (noise > 0.0)
    # candidates without overshoot have a delay of at least half a loop period
    least = least_noise_gain(np.where(bounded, delay - reading_delay(axis), 1.0), rate)
    bound = np.where(bounded, noise * least, np.nan)
    starts = _starts(axes, rms, speed)
    typical, cyclic = _around(axes, speed)
    return Frontier(
        estimator=tuple(fitted),
        family=np.array([one.kind for one in fitted]),
        setting=np.array([_setting(one) for one in fitted]),
        delay=delay,
        rms=rms,
        peak=np.array([curve.peak[0] for curve in curves]),
        typical=typical,
        cyclic=cyclic,
        noise_gain=gain,
        overshoot=overshoot,
        bound=bound,
        best=_pareto_optimal(delay, typical),
        noise=noise,
        speed=speed,
        remarks=remarks + _exceptions(fitted, overshoot),
        valid=all(curve.valid for curve in curves) and not starts,
        reasons=tuple(dict.fromkeys([*(reason for curve in curves for reason in curve.reasons), *starts])),
        axis=axis,
    )


def _around(axes: list[Axis], speed: float) -> tuple[np.ndarray, np.ndarray]:
    """Ripple of each axis around a speed, and its part by cyclic error, rms over the speeds."""
    curves = [ripple(each, speed * AROUND if speed else [0.0]) for each in axes]
    cyclic = [
        sum(curve.parts[name] ** 2 for name in causes.of_group("cyclic") if name in curve.parts)
        for curve in curves
    ]
    squares = np.array(
        [[np.mean(curve.rms**2), np.mean(part)] for curve, part in zip(curves, cyclic, strict=True)]
    )
    return np.sqrt(squares[:, 0]), np.sqrt(squares[:, 1])


def least_noise_gain(delay: np.ndarray, rate: float) -> np.ndarray:
    """Least noise gain of any linear estimator with this delay that does not overshoot a step of the speed."""
    # The estimate is a mean of the first differences with weights g_j, sum g_j = 1 (no bias at constant speed) and D
    # = sum j g_j = delay/T - 1/2. White noise makes sum (g_j - g_{j-1})**2 of it. Were any g_j allowed, the infimum
    # would be zero at every delay: a long memory that overshoots. Without overshoot (the step response, the running
    # sum of g, stays at or below 1) the least is reached by the cubic g_j = (j + 1)(n - j)(a + b j), j < n, zero at
    # both ends and never negative, with n = floor(2.5 D + 2):
    #     G**2 T**2 = 12/(n(n+1)(n+2)) + 720 (D - (n-1)/2)**2/(n(n**2-1)(n+2)(n+3))
    # For long delays 1.2288 T/delay**3, where least squares has 1.5 and a difference 1/(delay/T). Least squares has
    # the least noise (the Cramér-Rao bound) for a given memory, not for a given delay; a tracking loop that
    # overshoots by 4 % has 1.0.
    steps = np.asarray(delay, dtype=float) * rate - 0.5
    # A delay of exactly half a period, computed, may come out a rounding below it.
    there = steps >= -1e-12
    steps = np.where(there, np.maximum(steps, 0.0), 0.0)
    n = np.floor(2.5 * steps + 2.0)
    square = 12.0 / (n * (n + 1.0) * (n + 2.0))
    square += 720.0 * (steps - (n - 1.0) / 2.0) ** 2 / (n * (n * n - 1.0) * (n + 2.0) * (n + 3.0))
    return np.where(there, rate * np.sqrt(square), np.inf)[()]


def _listed(estimators: Any) -> tuple[Estimator, ...]:
    """The candidates as a tuple, checked."""
    try:
        candidates = tuple(estimators)
    except TypeError:
        candidates = (estimators,)
    if not candidates:
        checks.refuse("frontier.estimators", "hold at least one velocity estimator", estimators)
    for place, candidate in enumerate(candidates):
        if not isinstance(candidate, Estimator):
            checks.refuse(f"frontier.estimators[{place}]", "be a velocity estimator", candidate)
    return candidates


def _fitted(axis: Axis, estimator: Estimator, place: int) -> Axis:
    """The axis with this estimator, with what it takes from the axis; a fault names the candidate."""
    try:
        changed = replace(axis, estimator=estimator)
        return replace(axis, estimator=estimator.resolved(axis.signal.jitter, changed.resolution))
    except checks.InputError as error:
        name = f"frontier.estimators[{place}]"
        faults = [
            replace(fault, field=fault.field.replace("Axis.estimator", name))
            if "estimator" in fault.field
            else replace(fault, hint=f"for {name}")
            for fault in error.faults
        ]
        raise checks.InputError(*faults) from None


def _overshoot(estimator: Estimator, rate: float) -> float:
    """Overshoot of the step response; 0 for timed edges, whose velocity is a mean of past speeds."""
    if not isinstance(estimator, Linear):
        return 0.0
    step = np.cumsum(np.cumsum(estimator.weights(rate))) / rate
    above = float(step.max()) - 1.0
    return above if above > ROUNDING else 0.0


def _starts(axes: list[Axis], rms: np.ndarray, speed: float) -> list[Doubt]:
    """A doubt where the ripple at this speed depends on the start position."""
    unit, rate = axes[0].scale.unit, axes[0].sampling.rate
    if not speed or worst_start(axes[0], speed).beat < LONG * rate:
        return []
    ends = [_by_start(one, total, speed) for one, total in zip(axes, rms, strict=True)]
    worst = max(range(len(axes)), key=lambda i: (ends[i][1] - ends[i][0]) / rms[i] if rms[i] > 0.0 else 0.0)
    low, high = ends[worst]
    if not high - low > UNEVEN * rms[worst]:
        return []
    places = worst_start(axes[worst], speed).samples
    numbers = {
        "where": f"{places} places" if places > 1 else "place",
        "estimator": f"{axes[worst].estimator.kind} {_setting(axes[worst].estimator)}",
    }
    return [Doubt("start_matters", speed=speed, unit=unit, low=low, high=high, **numbers)]


def _by_start(axis: Axis, total: float, speed: float) -> tuple[float, float]:
    """Least and largest rms over all starts; noise and quantisation do not depend on the start."""
    by_start = worst_start(axis, speed)
    rest = max(total**2 - by_start.mean**2, 0.0)
    return math.sqrt(rest + by_start.least**2), math.sqrt(rest + by_start.rms**2)


def _white_noise(axis: Axis, speed: float) -> tuple[float, tuple[str, ...]]:
    """White position noise, rms, and remarks on noise that is left out."""
    if axis.sampling.encoder_rate is not None or axis.interpolation.edge_clock is not None:
        return 0.0, (_OWN_CLOCK,)
    parts = ripple(replace(axis, estimator=Difference()), [speed]).parts
    coloured = axis.signal.jitter > 0.0 and axis.signal.jitter_bandwidth is not None
    white = [cause for cause in causes.of_group("noise") if cause in parts]
    square = sum(parts[cause][0] ** 2 for cause in white if not (coloured and cause == "jitter"))
    return math.sqrt(square / 2.0) / axis.sampling.rate, (_COLOURED,) if coloured else ()


def _pareto_optimal(delay: np.ndarray, rms: np.ndarray) -> np.ndarray:
    """Whether each candidate is Pareto-optimal: no other is as good in both and better in one."""
    as_good = (delay <= delay[:, None]) & (rms <= rms[:, None])
    better = (delay < delay[:, None]) | (rms < rms[:, None])
    dominated: np.ndarray = np.any(as_good & better, axis=1)
    return ~dominated


def _exceptions(estimators: list[Any], overshoot: np.ndarray) -> tuple[str, ...]:
    """Remarks on the candidates for which the bound does not hold."""
    timed = dict.fromkeys(one.kind for one in estimators if not one.linear)
    over = dict.fromkeys(one.kind for one, above in zip(estimators, overshoot, strict=True) if above)
    remarks = [_NO_BOUND.format(", ".join(timed))] if timed else []
    return tuple(remarks + ([_OVERSHOOT.format(", ".join(over))] if over else []))


def _setting(estimator: Estimator) -> str:
    """Fields of an estimator in one line, SI."""
    return ", ".join(f"{item.name}={getattr(estimator, item.name):g}" for item in fields(estimator))


def trade_offs(result: Frontier) -> tuple[int, int, int] | None:
    """Indices of the Pareto-optimal candidates of least delay, least ripple and least product of both.

    Parameters
    ----------
    result : Frontier

    Returns
    -------
    tuple of int or None
        None if no candidate has a positive delay and ripple.

    Notes
    -----
    With white noise alone, ripple times delay falls as the delay grows. It is least where ripple that a longer delay
    does not remove becomes significant.
    """
    delay, rms = (np.asarray(row, dtype=float) for row in (result.delay, result.typical))
    usable = np.asarray(result.best, dtype=bool) & np.isfinite(delay) & np.isfinite(rms)
    usable = np.flatnonzero(usable & (delay > 0.0) & (rms > 0.0))
    if not len(usable):
        return None
    delay, rms = delay[usable], rms[usable]
    fastest, smoothest, best = (int(usable[np.argmin(row)]) for row in (delay, rms, delay * rms))
    return fastest, smoothest, best
