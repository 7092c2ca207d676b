"""Top speed: the speed up to which the position is right, and the limit that sets it; speeds looked at by default."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from ..model.axis import Axis, Sampling, check_axis
from ..results import Result, computed, measured_in, recorded
from ..rings import error_orders
from . import period_error

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


HALF_POWER = 2.0**-0.5
BISECTIONS = 60
COARSEST = 1 << 13
FINEST = 1 << 16
DEFAULT_SPEEDS = 100
# Above the third sampling null. At a simple ratio such as 3.5 a few start positions give a poor average.
FASTEST_PACE = 3.45
# A range in which one end is a working speed of the axis spans at least this ratio.
LEAST_SPAN = 10.0
# Harmonics named where aliasing begins: their least share of the largest, and how many of the largest are looked at.
STRONG, MOST = 0.03, 8


@dataclass(frozen=True, eq=False, kw_only=True)
class TopSpeed(Result):
    """Highest speed at which the position is still right, and the limit that sets it.

    Attributes
    ----------
    speed : float
        Lowest of the limits, m/s or rad/s; infinite if there is none.
    limit : str or None
        Its name.
    limits : dict of str to float
        All limits that apply: ``bandwidth`` (signals down by 3 dB), ``average`` (the same by averaging
        readings over a loop period), ``signal`` (the channels no longer enclose zero), ``edge_separation``
        and ``edge_clock`` (A/B edges too close in time), ``clipping`` (0 where the converter clips at standstill).
    hurry : float
        Largest relative excess of the graduation's speed under a head over the shaft's, by the error of a mounted
        ring; every limit is lower by this share.
    aliasing : dict of int to float
        {harmonic: speed} where aliasing begins: the speed at which each stronger harmonic of the signal period (there
        at least 3 % of the largest, eight at most) passes half the loop rate, or half the encoder's own rate where that
        is lower; highest harmonic first. Empty without harmonics and for timed edges, which are not aliased.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.top_speed(axis).speed  # nothing limits it
    inf
    """

    speed: float = field(metadata=measured_in("position/s"))
    limit: str | None
    limits: dict[str, float] = field(metadata=measured_in("position/s"))
    hurry: float = field(default=0.0, metadata=measured_in("1"))
    aliasing: dict[int, float] = computed("position/s", lambda top: _aliasing(top.axis))  # noqa: RUF009
    valid: bool = True
    reasons: tuple[str, ...] = ()
    axis: Axis = field(metadata={"plain": False})


@recorded
def top_speed(axis: Axis) -> TopSpeed:
    """Highest speed at which the position is still right.

    Parameters
    ----------
    axis : Axis

    Returns
    -------
    TopSpeed

    Notes
    -----
    The A/B limit is the shortest distance of two edges, the error of the period included, over the edge
    separation rounded up to whole ticks of the edge clock; with a clock alone one edge a tick.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> limited = encsim.changes.apply(axis, {"interpolation.output": "ab", "interpolation.edge_clock": 20e6})
    >>> found = encsim.top_speed(limited)
    >>> found.limit, round(float(found.speed), 3)
    ('edge_clock', 0.097)
    """
    check_axis("top_speed.axis", axis)
    excess = 0.0 if axis.ring is None else _excess_speed(axis.ring, axis.heads)
    limits = {name: speed / (1.0 + excess) for name, speed in _limits(_key(axis)).items()}
    lowest = min(limits, key=lambda name: limits[name], default=None)
    speed = np.inf if lowest is None else limits[lowest]
    return TopSpeed(speed=speed, limit=lowest, limits=limits, hurry=excess, axis=axis)


def speed_range(axis: Axis) -> tuple[float, float]:
    """Lowest and highest speed that matter: those of ``motion``, else 0.01 counts to 3.45 periods per sample.

    Parameters
    ----------
    axis : Axis

    Returns
    -------
    tuple of float
        m/s or rad/s. Without ``motion`` the highest is not above the top speed, and the lowest at most a
        thousandth of the highest.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml").with_({"motion.lowest": "0.1 mm/s", "motion.top": "1 m/s"})
    >>> encsim.open_loop.limits.speed_range(axis)
    (0.0001, 1.0)
    """
    lowest, top = axis.motion.lowest, axis.motion.top
    if lowest is not None and top is not None:
        return lowest, top
    pace = _period_speed(axis)
    if top is None:
        # a converter that clips at standstill has a top speed of 0
        top = min(FASTEST_PACE * pace, top_speed(axis).speed or np.inf)
        top = max(top, LEAST_SPAN * (lowest or 0.0))
    if lowest is None:
        count = axis.resolution * axis.sampling.rate / 100.0
        lowest = min(max(count, 1e-6 * pace), 1e-3 * pace, 1e-3 * top)
    return float(lowest), float(top)


def default_speeds(axis: Axis) -> list[float]:
    """100 speeds of `speed_range`, evenly spaced on a logarithmic axis, m/s or rad/s."""
    return logarithmic(*speed_range(axis), DEFAULT_SPEEDS)


def logarithmic(low: float, high: float, number: int) -> list[float]:
    """Speeds evenly spaced on a logarithmic axis."""
    ratio = math.log(high / low) / (number - 1)
    return [*(low * math.exp(i * ratio) for i in range(number - 1)), high]


def _key(axis: Axis) -> Axis:
    """The axis with only the fields that affect a limit: many candidates have it in common."""
    signal = replace(axis.signal, jitter=0.0, jitter_bandwidth=None, noise=0.0)
    sampling = Sampling(1.0)
    if axis.sampling.average > 1 or period_error.depends_on_speed(axis):
        sampling = Sampling(axis.sampling.rate, average=axis.sampling.average)
    return Axis(axis.scale, signal=signal, interpolation=axis.interpolation, sampling=sampling)


@lru_cache(maxsize=1024)
def _limits(axis: Axis) -> dict[str, float]:
    """All finite limits by name."""
    limits = {}
    if axis.signal.bandwidth is not None:
        limits["bandwidth"] = axis.signal.bandwidth * axis.scale.pitch
    if axis.sampling.average > 1:
        limits["average"] = _lowest(
            lambda v: _averaging_gain(axis, v) < HALF_POWER, 0.5 * _period_speed(axis)
        )
    if period_error.depends_on_speed(axis) or not _encloses_zero(axis, 0.0):
        limits["signal"] = _lowest(lambda v: not _encloses_zero(axis, v), _start_speed(axis))
    if clips(axis):
        limits["clipping"] = 0.0
    limits |= _edge_limits(axis)
    return {name: speed for name, speed in limits.items() if np.isfinite(speed)}


@lru_cache(maxsize=256)
def _excess_speed(ring: Ring, heads: tuple[float, ...]) -> float:
    """Largest slope of a ring's error at any of its heads."""
    return max(float(error_orders.slope(ring, (head,)).max()) for head in heads)


def _aliasing(axis: Axis) -> dict[int, float]:
    """Speed at which each of the stronger harmonics passes half the rate at which positions are sampled."""
    if not axis.estimator.linear:
        return {}
    own = axis.sampling.encoder_rate or axis.interpolation.edge_clock or np.inf
    first = 0.5 * min(axis.sampling.rate, own) * axis.scale.pitch
    size = _harmonics(axis, first)
    speeds = {int(k): float(first / k) for k in np.argsort(-size, kind="stable")[:MOST] if k > 0}
    there = {k: _harmonics(axis, speed) for k, speed in sorted(speeds.items(), reverse=True)}
    return {k: speeds[k] for k, each in there.items() if each[k] > 0.0 and each[k] >= STRONG * each.max()}


def _harmonics(axis: Axis, speed: float) -> np.ndarray:
    """Amplitude of the harmonics of the period's error at a speed, by order; insignificant ones are 0."""
    spectrum = period_error.spectrum(axis, speed, period_error.grid_size(axis, speed))
    size = np.zeros(max(spectrum.size, MOST))
    orders = period_error.significant(spectrum)
    size[orders] = np.abs(spectrum[orders])
    return size


def clips(axis: Axis) -> bool:
    """Whether the converter clips the signals at standstill, without noise."""
    how = axis.interpolation
    if how.bits is None:
        return False
    steady, step = period_error.channels(axis), 2.0 * how.span / 2.0**how.bits
    top = how.span - 0.5 * step
    # an upper bound, at once
    sizes = (np.abs(steady.cosine).sum(), np.abs(steady.sine).sum())
    if max(abs(offset) + size for offset, size in zip(steady.offset, sizes, strict=True)) < top:
        return False
    turns = np.arange(4096) / 4096
    cosine, sine = period_error.signals(steady, turns)
    return bool(
        max(cosine.max(), sine.max()) >= top or min(cosine.min(), sine.min()) < -how.span - 0.5 * step
    )


def edge_positions(axis: Axis, speed: float = 0.0) -> np.ndarray:
    """True positions of the A/B edges of one period in steady motion, periods, in the order shown."""
    factor = axis.interpolation.factor or 1
    shown, true = _shown_path(axis, speed)
    wanted = np.arange(np.ceil(shown[0] * factor), np.floor(shown[-1] * factor) + 1.0) / factor
    edges = np.interp(wanted, shown, true)
    return edges[-factor - 1 :]


def _shown_path(axis: Axis, speed: float) -> tuple[np.ndarray, np.ndarray]:
    """Shown and true position over a little more than one period, periods, on a grid."""
    points = min(
        max(period_error.grid_size(axis, speed), 8 * (axis.interpolation.factor or 1), COARSEST), FINEST
    )
    error, _ = period_error.error_on_grid(axis, speed, points)
    true = np.arange(-1, points + 1) / points
    error = error + period_error.lead(period_error.averaged(axis, speed))
    return true + np.concatenate([error[-1:], error, error[:1]]), true


def _edge_limits(axis: Axis) -> dict[str, float]:
    """Limit by the shortest time between two A/B edges."""
    how = axis.interpolation
    if how.output != "ab" or not (how.edge_separation or how.edge_clock):
        return {}
    separation, name = how.edge_separation, "edge_separation"
    if how.edge_clock is not None:
        ticks = max(1.0, np.ceil(how.edge_separation * how.edge_clock * (1.0 - 1e-12)))
        name = "edge_separation" if ticks > 1.0 else "edge_clock"
        separation = float(ticks / how.edge_clock)
    start = axis.resolution / separation / 8.0
    return {name: _lowest(lambda v: _shortest_gap(axis, v) < v * separation, start)}


def _shortest_gap(axis: Axis, speed: float) -> float:
    """Shortest true distance between two A/B edges, m or rad."""
    if not _encloses_zero(axis, speed):
        return 0.0
    # Edges closer than the grid: the steepest stretch has the shortest distance.
    if (axis.interpolation.factor or 1) > FINEST:
        shown, true = _shown_path(axis, speed)
        return float((np.diff(true) / np.diff(shown)).min()) * axis.resolution
    return float(np.diff(edge_positions(axis, speed)).min()) * axis.scale.pitch


def _averaging_gain(axis: Axis, speed: float) -> float:
    """Share of the amplitude that remains after the readings of a loop period are averaged."""
    alone = replace(axis, signal=replace(axis.signal, bandwidth=None))
    return abs(period_error.averaged(alone, speed).cosine[0]) / axis.signal.amplitude


def _encloses_zero(axis: Axis, speed: float) -> bool:
    """Whether the circle of the two channels encloses zero at this speed."""
    if speed == 0.0:
        error, _ = period_error.resolved_error(axis)
    else:
        error, _ = period_error.error_on_grid(axis, speed, period_error.grid_size(axis))
    return bool(period_error.encloses_zero(error))


def _period_speed(axis: Axis) -> float:
    """Speed of one signal period per loop sample."""
    return axis.scale.pitch * axis.sampling.rate


def _start_speed(axis: Axis) -> float:
    """Start of the search: a speed well below those at which the channels change."""
    signal, pitch = axis.signal, axis.scale.pitch
    slowest = [_period_speed(axis)]
    if signal.bandwidth is not None:
        slowest.append(signal.bandwidth * pitch)
    if signal.skew:
        slowest.append(0.01 * pitch / abs(signal.skew))
    return 0.05 * min(slowest)


def _lowest(fails: Callable[[float], bool], start: float) -> float:
    """Lowest speed at which ``fails`` holds, by steps up and bisection; inf if there is none."""
    if fails(0.0):
        return 0.0
    low, high = 0.0, float(start)
    while not fails(high):
        low, high = high, 1.25 * high
        if high > 1e6 * start:
            return np.inf
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if fails(middle) else (middle, high)
    return high
