"""Speeds near a given one at which the axis runs more smoothly, clear of those where a line vanishes or beats."""

import numpy as np

from .behaviour import behave

# Speeds from the given one over this to this times it are looked at, so many to each side.
REACH, POINTS = 1.5, 120
# A speed within this share of one where a line vanishes is left out: there it comes back as a slow beat.
BESIDE = 0.02
# Share of the ripple that a speed must win as it is, and as a share of the speed, and of what the best speed wins.
LEAST, LEAST_RELATIVE, ENOUGH = 0.1, 0.05, 0.7
STRONG = 0.1


def proposed(situation):
    """The nearest slower and faster speeds that are clearly smoother, as keywords of a `Proposal`.

    Parameters
    ----------
    situation : Situation

    Returns
    -------
    list of dict
    """
    speed = abs(situation.speed)
    found = {"kind": "speed", "name": "another speed", "causes": tuple(situation.now.parts["measured"])}
    if not speed:
        return [found | {"missing": "the axis stands still"}]
    ratio = np.geomspace(1.0, REACH, POINTS + 1)[1:]
    picked = []
    for kind, name, ratios in (
        ("slower", "a little slower", 1.0 / ratio),
        ("faster", "a little faster", ratio),
    ):
        nearest = _nearest(situation, ratios)
        if nearest is not None:
            picked.append(found | {"kind": f"{kind} speed", "name": name, "change": {"speed": nearest}})
    missing = f"none from 1/{REACH:g} to {REACH:g} of this one has clearly less ripple, also as a share of the speed"
    return picked or [found | {"missing": missing}]


def _nearest(situation, ratios):
    """The nearest of some speeds with most of what can be won; None where too little can."""
    there = behave(situation.axis, situation.speed * ratios)
    left = np.zeros(ratios.size)
    known = {name: value for name, value in situation.now.at().items() if value}
    for name, value in known.items():
        left += there.curves[name] / value / len(known) if there.curves[name] is not None else np.inf
    worse = left / ratios > 1.0 - LEAST_RELATIVE
    won = np.where(worse | _beats(situation, ratios) | there.doubtful, -np.inf, 1.0 - left)
    if not known or won.max() < LEAST:
        return None
    return float(situation.speed * ratios[np.flatnonzero(won >= ENOUGH * won.max())[0]])


def _beats(situation, ratios):
    """Whether a strong line of these speeds is near one of the places where it vanishes."""
    lines, pace = situation.lines, situation.axis.sampling.rate * situation.axis.scale.pitch
    strong = lines.harmonic[lines.position >= STRONG * lines.position.max(initial=0.0)]
    turns = np.multiply.outer(abs(situation.speed) * ratios / pace, strong)
    whole = np.maximum(np.rint(turns), 1.0)
    return (np.abs(turns / whole - 1.0) < BESIDE).any(axis=-1)
