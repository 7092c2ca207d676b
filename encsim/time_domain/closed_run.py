"""The closed loop in the time domain, nonlinear: one run (`run`), or many speeds side by side (`runs`).

The steady motion at the start is exact (whole periods and a 64-bit fraction, as in the open chain); all else is a
deviation from it. With the loop open and no friction the deviation is zero, and the positions read are bit for bit
those of :func:`encsim.simulate`.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from typing import Any

import numpy as np

from .. import checks
from ..checks import seed_from
from ..closed_loop import loop
from ..doubts import Doubt
from ..kernels import compiling, rows
from ..kernels.rows import CHUNK
from ..model.axis import Axis, check_axis
from ..model.edge_timing import TimedEdges
from ..model.estimators import Difference
from ..model.linear_estimator import Linear
from ..model.profiles import Constant, Profile
from ..open_loop import limits
from ..progress import ProgressTo, Teller, teller
from ..results import recorded
from ..units import speeds_in_si
from . import chain
from .closed_run_result import Run, Runs
from .demand import beyond_torque, check_demand, rms_about, sticking
from .loop_tables import Loops, reaches_torque
from .motion import check_motion, stated_speed

LONGEST = 1 << 28  # samples
SETTLED = 1e-3  # share of the initial transient that is left when a run has settled
_loaded: set[bool] = set()  # kernels that have run: of one loop (True), of many (False)
CURVES = ("measured", "torque", "actual", "position")


@recorded
def run(
    axis: Axis,
    speed: Any,
    seconds: float,
    seed: int | None = None,
    *,
    rng: np.random.Generator | None = None,
    progress: ProgressTo = None,
) -> Run:
    """Run the closed loop in time, from steady motion.

    Parameters
    ----------
    axis : Axis
        With load and control.
    speed : float or Profile
        True speed to keep, m/s or rad/s, or a profile of :mod:`encsim.profiles`; the axis then starts in steady motion
        at the first velocity of the profile.
    seconds : float
        Duration.
    seed : int, optional
        Seed of all random numbers, 0 to 2**64 - 1; 0 where neither it nor ``rng`` is given.
    rng : numpy.random.Generator, optional
        Draws the seed, which stands in the result, in the place of ``seed``.
    progress : callable or True, optional
        ``progress(done, total)`` is called with samples; True tells on stderr.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        If an argument is out of range, the axis has no load or control, the torque limit cannot hold the steady
        motion, or a demand jumps.

    Notes
    -----
    Signals, converter, arctangent, quantisation and estimator are computed as in :func:`encsim.simulate`. The plant is
    discretised exactly. Friction is the torque that would stop the load within the period, up to its limit; cogging is
    taken at the middle of each period. A reading older than the sample is taken from the cubic through
    position and velocity at the samples around it. Readhead bandwidth and skew distort the channels as at the fastest
    velocity of the demand, also where the axis is slower.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.run(axis, encsim.profiles.Trapezoid(0.01, speed=0.1, acceleration=2.0), 0.3)
    >>> found.valid
    True
    """
    speed, seed = stated_speed("run", axis, speed), seed_from("run", seed, rng)
    profile = speed if isinstance(speed, Profile) else None
    check_motion("run", axis, speed, seconds, seed, profile is not None)
    samples = _samples("run", axis, seconds)
    time = np.arange(samples) / axis.sampling.rate
    if profile is None or isinstance(profile, Constant):
        start = float(speed if profile is None else profile.speed)
        demand, settle = None, settling(axis, samples)
    else:
        demand, settle = profile.at(time), 0
        check_demand(axis, demand, time)
        start = float(demand[1, 0])
    lanes = _lanes(axis, demand, time, start, int(seed), settle)
    out = np.zeros((rows.COLUMNS, samples))
    _advance(lanes, samples, out, teller("run", progress, "samples"))
    return _result(axis, lanes, out, time, demand, int(seed), settle)


@recorded
def runs(
    axis: Axis,
    speeds: list[float] | np.ndarray,
    seconds: float,
    seed: int | None = None,
    *,
    starts: list[float] | np.ndarray | None = None,
    rng: np.random.Generator | None = None,
    progress: ProgressTo = None,
) -> Runs:
    """Run the closed loop at many speeds side by side: ripple against speed with all that is not linear.

    Parameters
    ----------
    axis : Axis
        With load and control.
    speeds : array_like, shape (n,)
        Speeds, m/s or rad/s.
    seconds : float
        Duration of each run.
    seed : int, optional
        The run at speed number i has the seed ``seed + i``; 0 where neither it nor ``rng`` is given.
    starts : array_like, shape (n,), optional
        True position of each run at time 0, m or rad; default 0.
    rng : numpy.random.Generator, optional
        Draws the seed, which stands in the result, in the place of ``seed``.
    progress : callable or True, optional
        ``progress(done, total)`` is called with runs; True tells on stderr.

    Returns
    -------
    Runs
        Bit for bit those of :func:`run` at each speed and its seed, where starts are 0.

    Raises
    ------
    InputError
        As by :func:`run`.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.runs(axis, [0.01, 0.1], 0.2, seed=1)
    >>> found.speed
    array([0.01, 0.1 ])
    """
    check_axis("runs.axis", axis)
    seed = seed_from("runs", seed, rng)
    speed = np.array(speeds_in_si("runs.speeds", speeds, axis.scale.unit), dtype=float).ravel()
    for value in (speed[0], *speed[[speed.argmin(), speed.argmax()]]) if speed.size else (math.nan,):
        check_motion("runs", axis, float(value), seconds, seed, False)
    begun = _starts(axis, speed, starts)
    samples = _samples("runs", axis, seconds)
    settle = settling(axis, samples)
    parts, stopped, clipped = [], [], 0
    size, tell = _group(axis), teller("runs", progress, "runs")
    for first in range(0, speed.size, size):
        part = speed[first : first + size]
        seeds = [(int(seed) + first + i) % (1 << 64) for i in range(part.size)]
        lanes = Loops(axis, part, seeds, settle, starts=begun[first : first + size])
        _check_torque(axis, lanes)
        _advance(lanes, samples, np.zeros((rows.COLUMNS, samples)) if part.size == 1 else None)
        parts.append(_rms(axis, lanes, samples, settle))
        stopped += [_stop(axis, lanes, i) for i in range(part.size)]
        clipped += lanes.clipped
        tell(first + part.size, speed.size)
    rms = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    reasons = _reasons(axis, np.abs(speed).max(), samples, settle, clipped, next(filter(None, stopped), None))
    return Runs(
        speed=speed,
        rms=rms,
        settle=settle,
        stopped=tuple(stopped),
        seed=int(seed),
        samples=samples,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def settling(axis: Axis, samples: int) -> int:
    """Samples until a thousandth of the initial transient is left: at most half a run, 0 if it never settles."""
    rest, radius = chain.forgets_after(axis), _slowest(axis)
    if 0.0 < radius < 1.0:
        rest += math.ceil(math.log(SETTLED) / math.log(radius))
    return int(min(rest, samples // 2))


def _slowest(axis: Axis) -> float:
    """Largest magnitude of a pole of the linear loop; 0 without a loop, or where its order is too high."""
    linear = axis if axis.estimator.linear else replace(axis, estimator=Difference())
    control = loop.closed(axis).control
    control = replace(control, notch=tuple(notch for notch in control.notch if notch.order is None))
    if not reaches_torque(control):
        return 0.0
    closed = loop.build(replace(linear, control=control)).state_space(loop.LARGEST_ORDER)
    return 0.0 if closed is None else float(np.abs(1.0 + closed.poles()).max(initial=0.0))


def _samples(owner: str, axis: Axis, seconds: float) -> int:
    """Number of samples of a run, checked."""
    samples = round(seconds * axis.sampling.rate)
    if not 2 <= samples <= LONGEST:
        rule = f"make 2 to {LONGEST} samples"
        checks.refuse(f"{owner}.seconds", rule, seconds, "s")
    memory, rate, estimator = 0, axis.sampling.rate, axis.estimator
    if isinstance(estimator, TimedEdges):
        memory = math.ceil(estimator.reach * rate)
    elif isinstance(estimator, Linear) and chain.reach(axis):
        memory = estimator.memory(rate)
    if memory > samples:
        rule = f"be longer than the estimator's memory of {memory} samples"
        checks.refuse(f"{owner}.seconds", rule, seconds, "s")
    return samples


def _starts(axis: Axis, speed: np.ndarray, starts: list[float] | np.ndarray | None) -> np.ndarray:
    """True position of each run at time 0, checked."""
    places = np.zeros(speed.size) if starts is None else np.array(starts, dtype=float).ravel()
    if places.size != speed.size or not np.isfinite(places).all():
        checks.refuse("runs.starts", "be one finite position a speed", starts, axis.scale.unit)
    return places


def _lanes(
    axis: Axis, demand: np.ndarray | None, time: np.ndarray, start: float, seed: int, settle: int
) -> Loops:
    """The loop of one run, with its demand as a deviation from the steady motion."""
    if demand is None:
        lanes = Loops(axis, [start], [seed], settle)
    else:
        away = demand - np.stack([start * time, np.full_like(time, start), np.zeros_like(time)])
        lanes = Loops(
            axis, [start], [seed], settle, fastest=demand[1, np.abs(demand[1]).argmax()], demand=away
        )
        lanes.follow_speed(demand[1])
    _check_torque(axis, lanes)
    return lanes


def _advance(lanes: Loops, samples: int, out: np.ndarray | None, tell: Teller | None = None) -> None:
    """Run all chunks, or until every lane has stopped."""
    first = lanes.begin // CHUNK * CHUNK
    while first < samples:
        with _first_call(lanes.number == 1):
            lanes.advance(first, samples, out)
        if np.isfinite(lanes.stop).all():
            break
        first += CHUNK
        if tell is not None and first > 0:
            tell(min(first, samples), samples)


def _first_call(alone: bool) -> contextlib.AbstractContextManager[None]:
    """Announce the compilation at the first call, of one loop and of many."""
    if alone in _loaded:
        return contextlib.nullcontext()
    _loaded.add(alone)
    return compiling.announced("the closed loop" if alone else "the closed loop at many speeds")


def _check_torque(axis: Axis, lanes: Loops) -> None:
    """Refuse a steady motion that the torque limit cannot hold."""
    control = loop.closed(axis).control
    limit = control.torque_limit
    if limit is not None and reaches_torque(control) and np.abs(lanes.holding).max() >= limit:
        rule = f"exceed the torque of the steady motion, {np.abs(lanes.holding).max():.4g}"
        checks.refuse("Control.torque_limit", rule, limit, "N m or N")


def _rms(axis: Axis, lanes: Loops, samples: int, settle: int) -> dict[str, np.ndarray]:
    """Rms about the mean by curve, one value per lane."""
    ends = np.minimum(lanes.stop, float(samples))
    count = ends - settle
    rms = {}
    for m, name in enumerate(CURVES):
        total, square = lanes.sums(m)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = total / count
            rms[name] = np.where(count > 1, np.sqrt(np.maximum(square / count - mean * mean, 0.0)), np.nan)
    torque_constant = loop.closed(axis).load.torque_constant
    if torque_constant is not None:
        rms["current"] = rms["torque"] / torque_constant
    return rms


def _stop(axis: Axis, lanes: Loops, i: int) -> tuple[float, str] | None:
    """Time at which lane i was stopped, and why; None if it was not."""
    if not np.isfinite(lanes.stop[i]):
        return None
    time = float(lanes.stop[i]) / axis.sampling.rate
    why = (
        f"the axis runs away: faster than {lanes.bound[i]:.4g} {axis.scale.unit}/s beside the demand's start"
    )
    return time, why


def _result(
    axis: Axis,
    lanes: Loops,
    out: np.ndarray,
    time: np.ndarray,
    demand: np.ndarray | None,
    seed: int,
    settle: int,
) -> Run:
    """Result of one run."""
    stopped = _stop(axis, lanes, 0)
    kept = time.size if stopped is None else int(lanes.stop[0]) + 1
    out, time = out[:, :kept], time[:kept]
    rms = {name: float(value[0]) for name, value in _rms(axis, lanes, kept, settle).items()}
    if demand is None:
        wanted, velocity = lanes.speeds[0] * time, np.full(kept, lanes.speeds[0])
    else:
        wanted, velocity = demand[0, :kept], demand[1, :kept].copy()
        rms |= rms_about(out, demand[:, :kept])
    reasons = _reasons(axis, np.abs(velocity).max(), kept, settle, lanes.clipped, stopped)
    if demand is not None:
        reasons += beyond_torque(axis, demand[:, :kept], time)
    return Run(
        time=time,
        position=out[0],
        true_position=out[1],
        velocity=out[2],
        measured=out[3],
        torque=out[4],
        demand=velocity,
        following_error=wanted - out[1],
        rms=rms,
        settle=settle,
        sticking=sticking(loop.closed(axis).load, velocity, out[2]),
        stopped=stopped,
        seed=seed,
        speed=lanes.speeds[0],
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def _reasons(
    axis: Axis, fastest: float, samples: int, settle: int, clipped: int, stopped: tuple[float, str] | None
) -> tuple[Doubt, ...]:
    """Reasons why a run does not show a working axis."""
    reasons, top = [], limits.top_speed(axis)
    if fastest > top.speed and top.limit != "clipping":
        reasons.append(
            Doubt("run_above_top_speed", speed=fastest, top=top.speed, unit=axis.scale.unit, limit=top.limit)
        )
    if axis.estimator.linear and _slowest(axis) >= 1.0:
        reasons.append(Doubt("unstable_run"))
    if clipped:
        reasons.append(Doubt("run_clips", readings=clipped))
    if stopped is not None:
        reasons.append(Doubt("run_stopped", time=stopped[0], why=stopped[1]))
    elif settle and settle >= samples // 2:
        reasons.append(Doubt("loop_unsettled"))
    return tuple(reasons)


def _group(axis: Axis) -> int:
    """Number of speeds to run side by side: fewer where each needs much memory."""
    numbers = 2 * axis.sampling.average * CHUNK + 4 * chain.kernel_form(axis).span
    return max(1, min(rows.MOST_LANES, (1 << 25) // numbers))
