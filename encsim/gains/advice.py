"""Advice on gains: what one change of the axis would allow, and the nearest limits that can be reached.

A change is a better encoder or estimator, a higher rate, a faster drive or a notch; the gains are tuned again with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from .. import checks, units
from ..checks import InputError
from ..closed_loop import loop as loops
from ..formats import changes, estimator_text
from ..formats.changes import AxisChange
from ..model.bounds import MOST_NOTCHES
from ..model.edge_timing import CountAndTime, TimedEdges
from ..model.load_and_control import Notch
from .search import LIMITS, UNITS, GainSearch

if TYPE_CHECKING:
    from ..checks import Fault, Orders
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator
    from ..model.load_and_control import Control


# Distance of the named limit from the best of the search, increased until gains are found for it: deg, and shares.
STEPS = {
    "phase_margin": (0.01, 0.1, 1.0, 3.0),
    "sensitivity_peak": (1e-4, 1e-3, 1e-2, 3e-2),
    "torque_ripple": (1e-3, 3e-3, 1e-2, 5e-2),
}
# Significant digits of the named limit.
DIGITS = 5


def refuse(search: GainSearch) -> NoReturn:
    """Raise an InputError with the nearest reachable limits; all of them together can be reached."""
    trials = [search.reached(search.speeds, shape) for shape in search.starts()]
    values = {name: np.concatenate([trial[name] for trial in trials]) for name in trials[0]}
    stable = search.stable(values["gain"])
    if not stable.any():
        _refuse_unstable(search, stable.size)
    if "torque_ripple" in values:
        _correct_ripple(search, values, stable)
    wanted = [name for name in LIMITS if search.limits[name] is not None]
    for step in range(len(STEPS["phase_margin"])):
        relaxed = _relaxed(values, stable, {name: search.limits[name] for name in wanted}, step)
        again = dict.fromkeys(LIMITS) | relaxed
        other = GainSearch(search.axis, again, search.speed, ripple_speed=search.ripple_speed)
        if other.proposed() is not None:
            break
    missed = [name for name in wanted if relaxed[name] != search.limits[name]]
    if not missed:
        rule, hint = "let the search for gains settle", "the loop is far slower than its samples: take fewer"
        checks.refuse("Axis.sampling.rate", rule, search.axis.sampling.rate, "Hz", hint)
    raise checks.InputError(*(_fault(name, search.limits[name], relaxed[name]) for name in missed))


def _refuse_unstable(search: GainSearch, tried: int) -> NoReturn:
    """Refuse an axis for which none of the tried gains makes a stable loop."""
    hint = f"none of {tried} sets of gains that were tried does"
    if search.load.friction_slope(search.speed) < 0.0:
        hint += "; at this speed friction falls as the speed rises and drives the axis away"
    checks.refuse("Axis.control", "have gains that make the loop stable", checks.NOTHING, hint=hint)


def _correct_ripple(search: GainSearch, values: dict[str, np.ndarray], stable: np.ndarray) -> None:
    """Scale ripple to be exact where it is smallest within the other limits, or smallest of all."""
    place = _least_ripple(search, values, stable)
    shapes = search.starts()
    shape, speed = shapes[place // search.speeds.size], search.speeds[place % search.speeds.size]
    exact, searched = search.ripple(search.control(speed, shape)), values["torque_ripple"][place]
    if 0.0 < exact < math.inf and searched > 0.0:
        values["torque_ripple"] = values["torque_ripple"] * (exact / searched)


def _least_ripple(search: GainSearch, values: dict[str, np.ndarray], stable: np.ndarray) -> int:
    good = stable.copy()
    for name in LIMITS[:2]:
        further = good & _met(name, values[name], search.limits[name])
        good = further if further.any() else good
    return int(np.argmin(np.where(good, values["torque_ripple"], math.inf)))


def _met(name: str, values: np.ndarray, limit: float) -> np.ndarray:
    return values >= limit if name == "phase_margin" else values <= limit


def _relaxed(
    values: dict[str, np.ndarray], stable: np.ndarray, limits: dict[str, float], step: int
) -> dict[str, float]:
    """The limits, each relaxed as far as needed to be reached together with those before it."""
    good, relaxed = stable, {}
    for name, limit in limits.items():
        met = good & _met(name, values[name], limit)
        if not met.any():
            best = values[name][good].max() if name == "phase_margin" else values[name][good].min()
            limit = _nearest(name, float(best), step)
            met = good & _met(name, values[name], limit)
        good, relaxed[name] = met, limit
    return relaxed


def _nearest(name: str, best: float, step: int) -> float:
    """The best of the search with some room, rounded to the easier side."""
    room = STEPS[name][step]
    if name == "phase_margin":
        return math.floor(100.0 * (best - room)) / 100.0
    value = best * (1.0 + room)
    place = 10.0 ** (DIGITS - 1 - math.floor(math.log10(value)))
    return float(f"{math.ceil(value * place) / place:.{DIGITS}g}")


def _fault(name: str, limit: float, nearest: float) -> Fault:
    hint = f"the nearest reachable is {nearest:.{DIGITS + 1}g} {UNITS[name]}".rstrip()
    return checks.Fault(f"tuning.{name}", "be reachable with the other limits", limit, UNITS[name], hint)


# The search is accurate to about 1 %; a remedy must give clearly more.
LEAST_GAIN = 0.05
# Relative accuracy of the crossover of a remedy.
NEAR = 5e-3
NOISE = ("jitter", "noise", "gain", "phase", "offset", "harmonics", "sde")
# Highest corner or notch frequency, as share of the loop rate.
HIGHEST = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance(AxisChange):
    """What one change of the axis would allow within the same limits, with the gains tuned again.

    Attributes
    ----------
    crossover : float
        Proposed velocity gain over inertia with the change, Hz: about the crossover of the velocity loop.
    stiffness : float
        Factor by which ``K_p K_v/T_i`` would rise.
    """

    crossover: float
    stiffness: float


def remedies(search: GainSearch, control: Control) -> tuple[Allowance, ...]:
    """Changes that would allow a stiffer axis, the best first."""
    own, allowances = search.shape_of(control), []
    for name, change in tried(search.axis, search.limits, search.speed).items():
        try:
            axis = AxisChange(name=name, change=change).on(search.axis)
            other = GainSearch(axis, search.limits, search.speed, ripple_speed=search.ripple_speed, lax=True)
        except InputError:
            # twice a value can be out of range
            continue
        best = other.proposed((own,), NEAR)
        if best is not None and stiffness(best.control) > (1.0 + LEAST_GAIN) * stiffness(control):
            factor = stiffness(best.control) / stiffness(control)
            wide = best.control.velocity_gain / (2.0 * math.pi * search.load.total_inertia)
            allowances.append(Allowance(name=name, change=change, crossover=wide, stiffness=factor))
    return tuple(sorted(allowances, key=lambda remedy: -remedy.stiffness))


def stiffness(control: Control) -> float:
    """``K_p K_v/T_i``, without the factors that the controller does not have."""
    return control.velocity_gain * (control.position_gain or 1.0) / (control.integral_time or 1.0)


def tried(axis: Axis, limits: dict[str, Any], speed: float = 0.0) -> dict[str, dict[str, Any]]:
    """Changes of one thing, {name: {key: value}}."""
    candidates = _of_loop(axis) | _of_estimator(axis, speed, more=limits["torque_ripple"] is not None)
    if limits["torque_ripple"] is not None:
        return candidates | _of_encoder(axis)
    # a finer resolution shortens the delay of the edges
    return candidates if axis.estimator.linear else candidates | _of_counts(axis)


def _of_loop(axis: Axis) -> dict[str, dict[str, Any]]:
    (load, control), sampling = loops.closed(axis), axis.sampling
    candidates: dict[str, dict[str, Any]] = {
        f"twice the loop rate, {_text(2.0 * sampling.rate, 'frequency')}": {
            "sampling.rate": 2.0 * sampling.rate
        }
    }
    for what, key, now in (
        ("the delay of the command", "control.delay", control.delay),
        ("the latency of the readings", "sampling.latency", sampling.latency),
    ):
        if now > 0.0:
            candidates[f"half {what}, {_text(0.5 * now, 'time')}"] = {key: 0.5 * now}
    if control.current_bandwidth is not None:
        wide = 2.0 * control.current_bandwidth
        candidates[f"twice the current-loop bandwidth, {_text(wide, 'frequency')}"] = {
            "control.current_bandwidth": wide
        }
    resonance = load.resonance
    if load.flexible and resonance < HIGHEST * sampling.rate and len(control.notch) < MOST_NOTCHES:
        notch = Notch(resonance, damping=0.5, depth=0.1)
        candidates[f"a notch at the resonance, {resonance:.4g} Hz"] = {
            "control.notch": (*control.notch, notch)
        }
    return candidates


def _of_estimator(axis: Axis, speed: float, more: bool) -> dict[str, dict[str, Any]]:
    others = {"less": _scaled(axis, 2.0, speed)} | ({"more": _scaled(axis, 0.5, speed)} if more else {})
    return {
        f"{how} filtering, {estimator_text.text(other, axis.scale.unit)}": {"estimator": other}
        for how, other in others.items()
        if other is not None and other != axis.estimator
    }


def _scaled(axis: Axis, factor: float, speed: float) -> Estimator | None:
    """The estimator with its bandwidth times a factor; None if there is none that fits."""
    estimator, rate = axis.estimator, axis.sampling.rate
    if isinstance(estimator, TimedEdges) and not estimator.reach:
        # single counts are timed over two of them
        window = float(f"{2.0 * axis.resolution / speed:.2g}")
        return CountAndTime(estimator.clock, max(window, 1.0 / rate)) if factor < 1.0 else None
    try:
        other = estimator.scaled(factor)
    except InputError:
        return None
    fits = other is None or other.cutoff is None or other.cutoff < HIGHEST * rate
    return other if fits else None


def _of_encoder(axis: Axis) -> dict[str, dict[str, Any]]:
    """Changes that matter where ripple is limited."""
    signal, how = axis.signal, axis.interpolation
    halved = {f"signal.{name}": _half(getattr(signal, name)) for name in NOISE}
    halved = {key: value for key, value in halved.items() if value != changes.value(axis, key)}
    candidates: dict[str, dict[str, Any]] = {}
    if halved:
        candidates["an encoder with half the jitter, noise and subdivisional error"] = halved
    candidates |= _of_counts(axis)
    if how.bits is not None:
        candidates[f"a converter with one bit more, {how.bits + 1}"] = {"interpolation.bits": how.bits + 1}
    if axis.sampling.encoder_rate is not None:
        rate = 2.0 * axis.sampling.encoder_rate
        candidates[f"an encoder that samples twice as often, {_text(rate, 'frequency')}"] = {
            "sampling.encoder_rate": rate
        }
    return candidates


def _of_counts(axis: Axis) -> dict[str, dict[str, Any]]:
    factor = axis.interpolation.factor
    if factor is None:
        return {}
    return {f"twice the counts per period, {2 * factor}": {"interpolation.factor": 2 * factor}}


def _half(
    value: Orders | float | tuple[float, float],
) -> dict[Any, Any] | float | tuple[float, float]:
    """Half of a number, of both of a pair, or of all amplitudes of a mapping."""
    if isinstance(value, tuple):
        return 0.5 * value[0], 0.5 * value[1]
    if isinstance(value, float | int):
        return 0.5 * value
    return {
        order: (0.5 * size[0], size[1]) if isinstance(size, tuple) else 0.5 * size
        for order, size in value.items()
    }


def _text(value: float, dimension: str) -> str:
    return units.write(float(f"{value:.6g}"), dimension)
