"""Speeds near a given one at which the axis runs more smoothly, clear of those where a line vanishes or beats."""

import numpy as np

from .behaviour import behave

# Speeds from the given one over this to this times it are looked at, so many to each side.
REACH, POINTS = 1.5, 120
# A speed within this share of one where a line vanishes is left out: there it comes back as a slow beat.
BESIDE = 0.02
# Share of the ripple that a speed must win, both as it is and as a share of the speed, and of the best there is.
LEAST, ENOUGH = 0.1, 0.7
STRONG = 0.1
# A folded line seen below so many crossovers is followed by the loop; above so many it is not.
FOLLOWED, CLEAR = 0.5, 2.0


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
    picked += _off_beat(situation, found, ratio)
    missing = f"none from 1/{REACH:g} to {REACH:g} of this one has clearly less ripple, also as a share of the speed"
    return picked or [found | {"missing": missing}]


def _off_beat(situation, found, ratio):
    """The nearest speed at which no strong line is folded to where the loop follows it, if one is here."""
    crossover, pace = situation.now.crossover, situation.axis.sampling.rate
    if not situation.now.closed or not _slowest(situation, np.ones(1))[0] < FOLLOWED * crossover:
        return []
    both = np.concatenate([1.0 / ratio, ratio])
    both = both[np.argsort(np.abs(np.log(both)), kind="stable")]
    clear = _slowest(situation, both) >= min(CLEAR * crossover, 0.25 * pace)
    if not clear.any():
        return []
    speed = float(situation.speed * both[np.flatnonzero(clear)[0]])
    return [
        found
        | {"kind": "speed off the beat", "name": "a speed off the slow beat", "change": {"speed": speed}}
    ]


def _slowest(situation, ratios):
    """Lowest frequency at which a strong folded line is seen, Hz; infinite where none is folded."""
    lines, rate = situation.lines, situation.axis.sampling.rate
    strong = lines.harmonic[lines.position >= STRONG * lines.position.max(initial=0.0)]
    frequency = np.multiply.outer(abs(situation.speed) * ratios / situation.axis.scale.pitch, strong)
    seen = np.abs(frequency - rate * np.rint(frequency / rate))
    return np.where(frequency > 0.5 * rate, seen, np.inf).min(axis=-1, initial=np.inf)


def _nearest(situation, ratios):
    """The nearest of some speeds with most of what can be won; None where too little can."""
    there = behave(situation.axis, situation.speed * ratios)
    left = np.zeros(ratios.size)
    known = {name: value for name, value in situation.now.at().items() if value}
    for name, value in known.items():
        left += there.curves[name] / value / len(known) if there.curves[name] is not None else np.inf
    won = 1.0 - np.maximum(left, left / ratios)
    won = np.where(_beats(situation, ratios) | there.doubtful, -np.inf, won)
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
