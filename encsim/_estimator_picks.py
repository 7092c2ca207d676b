"""Other velocity estimators worth trying: slower ones of the same kind, and two from the frontier."""

from dataclasses import replace

import numpy as np

from . import _candidates, _checks, units
from ._plot_numbers import estimator_words
from .behaviour import behave, closes
from .estimators import Difference, Kalman, LeastSquares, LowPass, Tracking
from .frontier_curve import frontier
from .stability import margins

# A smoother estimator may have this much delay, a quicker one at most that, in delays of the axis' own.
LONGER, SHORTER = 2.0, 0.7
# Phase margin that an estimator must leave, and what it may take, deg. Common practice, no source.
LEAST_MARGIN, MOST_TAKEN = 30.0, 15.0
# How many of the best of the frontier are tried in the closed loop.
TRIED = 4


def proposed(situation):
    """Other estimators as keywords of a `Proposal`.

    Parameters
    ----------
    situation : Situation

    Returns
    -------
    list of dict
    """
    every = tuple(situation.now.parts["measured"])
    found = _twice_as_slow(situation.axis.estimator, every)
    smoother = {"kind": "smoother estimator", "name": "a calmer estimator", "causes": every}
    quicker = {"kind": "quicker estimator", "name": "a quicker estimator", "causes": every}
    try:
        tried = _candidates.around(situation.axis)
        curve = frontier(situation.axis, situation.speed, tried)
    except _checks.InputError as error:
        return [*found, smoother | {"missing": str(error)}]
    own = float(curve.delay[0])
    if not np.isfinite(own):
        return [*found, smoother | {"missing": "the delay of this estimator has no end at standstill"}]
    known = [one["change"]["estimator"] for one in found]
    told = np.isfinite(curve.delay) & np.isfinite(curve.rms)
    others = [i for i in range(1, len(tried)) if told[i] and tried[i] not in known]
    calm = [i for i in others if own < curve.delay[i] * (1.0 + 1e-9) and curve.delay[i] <= LONGER * own]
    quick = [i for i in others if curve.delay[i] <= SHORTER * own]
    nothing = "no estimator tried has {}"
    return [
        *found,
        *_picked(
            situation, curve, tried, calm, smoother, nothing.format("less ripple at up to twice the delay")
        ),
        *_picked(
            situation, curve, tried, quick, quicker, nothing.format(f"{SHORTER:g} of the delay or less")
        ),
    ]


def _twice_as_slow(estimator, causes):
    """The proposal of the same estimator, slower; none where it has no such setting."""
    try:
        slower = _slower(estimator)
    except _checks.InputError:
        return []
    words = {"kind": "slower estimator", "name": "the same estimator, twice as slow", "causes": causes}
    return [] if slower is None else [words | {"change": {"estimator": slower}}]


def _slower(estimator):
    """The estimator with about half its bandwidth; None where there is no such setting."""
    if isinstance(estimator, Difference | LeastSquares):
        return replace(estimator, samples=2 * estimator.samples)
    if isinstance(estimator, LowPass):
        return replace(estimator, corner=0.5 * estimator.corner)
    if isinstance(estimator, Tracking):
        return replace(estimator, bandwidth=0.5 * estimator.bandwidth)
    if isinstance(estimator, Kalman):
        return replace(estimator, acceleration=0.25 * estimator.acceleration)
    if hasattr(estimator, "window"):
        return replace(estimator, window=2.0 * estimator.window)
    return None


def _picked(situation, curve, tried, places, words, missing):
    """The candidate with least ripple, in the loop where there is one."""
    unit = situation.axis.scale.unit
    places = sorted(places, key=lambda i: curve.rms[i])
    if closes(situation.axis, situation.speed):
        places = _in_loop(situation, curve, places[:TRIED])
    if not places:
        return [words | {"missing": missing}]
    best = tried[places[0]]
    name = f"{words['name']}, {_named(best, unit)}"
    return [words | {"name": name, "change": {"estimator": best}}]


def _named(estimator, unit):
    """An estimator in words that a customer can follow."""
    told = estimator_words(estimator)
    if isinstance(estimator, Kalman):
        return f"{told} for {units.write(estimator.acceleration, units.on_scale('acceleration', unit))}"
    return told


def _in_loop(situation, curve, places):
    """Those of the candidates that leave the loop its margin, the least torque and true ripple first."""
    least = min(LEAST_MARGIN, situation.standing.phase_margin)
    least = max(least, situation.standing.phase_margin - MOST_TAKEN)
    found = {}
    for i in places:
        tried = replace(situation.axis, estimator=curve.estimator[i])
        margin = margins(tried, speed=situation.speed)
        if margin.stable and not margin.phase_margin < least:
            here = behave(tried, [situation.speed])
            found[i] = sum(
                _ratio(here.at()[name], value) for name, value in situation.now.at().items() if value
            )
    return sorted(found, key=found.get)


def _ratio(after, before):
    return after / before if after is not None else 1.0
