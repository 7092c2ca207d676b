"""What to say where no gains keep the limits: which limit cannot be reached, and the nearest that can."""

import math

import numpy as np

from . import _checks
from ._gain_search import LIMITS, UNITS, GainSearch

# How far from the best of the search the nearest reachable is named, until gains are found for it: deg, and shares.
STEPS = {
    "phase_margin": (0.01, 0.1, 1.0, 3.0),
    "sensitivity_peak": (1e-4, 1e-3, 1e-2, 3e-2),
    "torque_ripple": (1e-3, 3e-3, 1e-2, 5e-2),
}
# Digits in which it is named.
DIGITS = 5


def refuse(search):
    """Raise an InputError with the nearest reachable limits; all of them together can be reached.

    Parameters
    ----------
    search : GainSearch
        That has found nothing.
    """
    trials = [search.reached(search.speeds, shape) for shape in search.starts()]
    found = {name: np.concatenate([trial[name] for trial in trials]) for name in trials[0]}
    stable = search.stable(found["gain"])
    if not stable.any():
        _refuse_unstable(search, stable.size)
    if "torque_ripple" in found:
        _correct_ripple(search, found, stable)
    wanted = [name for name in LIMITS if search.limits[name] is not None]
    for step in range(len(STEPS["phase_margin"])):
        relaxed = _relaxed(found, stable, {name: search.limits[name] for name in wanted}, step)
        if GainSearch(search.axis, dict.fromkeys(LIMITS) | relaxed, search.speed).proposed() is not None:
            break
    raise _checks.InputError(
        *(
            _fault(name, search.limits[name], relaxed[name])
            for name in wanted
            if relaxed[name] != search.limits[name]
        )
    )


def _refuse_unstable(search, tried):
    """No gains that were tried make a stable loop."""
    hint = f"none of {tried} sets of gains that were tried does"
    if search.axis.load.friction_slope(search.speed) < 0.0:
        hint += "; at this speed friction falls as the speed rises and drives the axis away"
    _checks.refuse("Axis.control", "have gains that make the loop stable", _checks.NOTHING, hint=hint)


def _correct_ripple(search, found, stable):
    """Scale ripple so that it is exact where it is least within the other limits, or least of all."""
    place = _least_ripple(search, found, stable)
    shapes = search.starts()
    shape, speed = shapes[place // search.speeds.size], search.speeds[place % search.speeds.size]
    exact, searched = search.ripple(search.control(speed, shape)), found["torque_ripple"][place]
    if 0.0 < exact < math.inf and searched > 0.0:
        found["torque_ripple"] = found["torque_ripple"] * (exact / searched)


def _least_ripple(search, found, stable):
    good = stable.copy()
    for name in LIMITS[:2]:
        further = good & _met(name, found[name], search.limits[name])
        good = further if further.any() else good
    return int(np.argmin(np.where(good, found["torque_ripple"], math.inf)))


def _met(name, values, limit):
    return values >= limit if name == "phase_margin" else values <= limit


def _relaxed(found, stable, limits, step):
    """The limits, one by one as far as they can be reached together with those before."""
    good, relaxed = stable, {}
    for name, limit in limits.items():
        met = good & _met(name, found[name], limit)
        if not met.any():
            best = found[name][good].max() if name == "phase_margin" else found[name][good].min()
            limit = _nearest(name, float(best), step)
            met = good & _met(name, found[name], limit)
        good, relaxed[name] = met, limit
    return relaxed


def _nearest(name, best, step):
    """The best of the search with some room, rounded to the side that is easier to reach."""
    room = STEPS[name][step]
    if name == "phase_margin":
        return math.floor(100.0 * (best - room)) / 100.0
    value = best * (1.0 + room)
    place = 10.0 ** (DIGITS - 1 - math.floor(math.log10(value)))
    return float(f"{math.ceil(value * place) / place:.{DIGITS}g}")


def _fault(name, limit, nearest):
    hint = f"the nearest reachable is {nearest:.{DIGITS + 1}g} {UNITS[name]}".rstrip()
    return _checks.Fault(f"tuning.{name}", "be reachable with the other limits", limit, UNITS[name], hint)
