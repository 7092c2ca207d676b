"""Speeds near a given one at which the axis runs more smoothly, clear of those where a line vanishes or beats.

Changes of the controller worth trying against ripple: other gains, filters of the torque.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..gains.tuner import tune
from ..model.load_and_control import Notch
from .ripple_summary import behave

if TYPE_CHECKING:
    from ..model.load_and_control import Control
    from .proposals import Situation


# Speeds from the given one over this to this times it are looked at, so many to each side.
REACH, POINTS = 1.5, 120
# A speed within this share of one where a line vanishes is left out: there it comes back as a slow beat.
BESIDE = 0.02
# Share of the ripple that a speed must win as it is, and as a share of the speed, and of what the best speed wins.
LEAST, LEAST_RELATIVE, ENOUGH = 0.1, 0.05, 0.7
STRONG = 0.1


def speed_proposals(situation: Situation) -> Any:
    """The nearest slower and faster speeds that are clearly smoother, as keywords of a `Proposal`."""
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


def _nearest(situation: Situation, ratios: np.ndarray) -> None:
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


def _beats(situation: Situation, ratios: np.ndarray) -> np.ndarray:
    """Whether a strong line of these speeds is near one of the places where it vanishes."""
    lines, pace = situation.lines, situation.axis.sampling.rate * situation.axis.scale.pitch
    strong = lines.harmonic[lines.position >= STRONG * lines.position.max(initial=0.0)]
    turns = np.multiply.outer(abs(situation.speed) * ratios / pace, strong)
    whole = np.maximum(np.rint(turns), 1.0)
    return (np.abs(turns / whole - 1.0) < BESIDE).any(axis=-1)


# Lines seen below so many crossovers are the loop's to follow: no filter may touch them.
CLEAR = 2.0
CORNER = 5.0
NOTCH_DAMPING, NOTCH_DEPTH = 0.2, 0.1
LOWER = 0.5
HIGHEST = 0.45


def loop_proposals(situation: Situation) -> Any:
    """Changes of the controller as keywords of a `Proposal`; none where no loop is closed."""
    if not situation.now.closed:
        return []
    makers = (_tuned, _lower, _notch, _lowpass)
    every = tuple(situation.now.parts["measured"])
    return [make(situation) | {"causes": every} for make in makers]


def _tuned(situation: Situation) -> dict[str, dict[str, float] | str]:
    found = {"kind": "tuned gains", "name": "the gains that encsim tune proposes"}
    try:
        # timed edges have gains for a speed only; all others are tuned as encsim tune does it without one
        linear = situation.axis.estimator.linear
        control = tune(situation.axis, speed=None if linear else situation.speed)
    except checks.InputError as error:
        return found | {"missing": f"no gains are proposed: {error}"}
    assumed = "a phase margin of 60 degrees and a sensitivity peak of 1.7 at least"
    assumed += "" if linear else ", at this speed: slower, timed edges are older"
    return found | {"change": _gains(control), "assumed": assumed}


def _gains(control: Control) -> dict[str, float]:
    names = ("position_gain", "velocity_gain", "integral_time")
    values = {name: getattr(control, name) for name in names}
    return {f"control.{name}": value and float(f"{value:.3g}") for name, value in values.items()}


def _lower(situation: Situation) -> dict[str, dict[str, float] | str]:
    control = situation.axis.control
    change = {
        "control.position_gain": LOWER * control.position_gain,
        "control.velocity_gain": LOWER * control.velocity_gain,
    }
    if control.integral_time is not None:
        change["control.integral_time"] = control.integral_time / LOWER
    return {"kind": "lower gains", "name": "half the gains", "change": change}


def _notch(situation: Situation) -> dict[str, dict[str, tuple[Any, ...]] | str]:
    """A notch on the strongest line that the loop sees well above its crossover."""
    found = {"kind": "notch", "name": "a notch that follows the strongest line"}
    lines, control, rate = situation.lines, situation.axis.control, situation.axis.sampling.rate
    far = (
        (lines.alias > CLEAR * situation.now.crossover)
        & (lines.alias < HIGHEST * rate)
        & (lines.velocity > 0.0)
    )
    if not np.any(lines.velocity > 0.0):
        return found | {"missing": "no line stands out"}
    if not far.any():
        crossover = situation.now.crossover
        return found | {"missing": f"no line is seen above {CLEAR:g} crossovers of {crossover:.3g} Hz"}
    order = float(lines.harmonic[int(np.flatnonzero(far)[0])])
    added = Notch(order=order, damping=NOTCH_DAMPING, depth=NOTCH_DEPTH)
    name = f"a notch in the torque command that follows line {order:.6g}"
    return found | {"name": name, "change": {"control.notch": (*control.notch, added)}}


def _lowpass(situation: Situation) -> dict[str, dict[str, float] | str]:
    found = {"kind": "low-pass", "name": "a low-pass in the torque command"}
    there, crossover = situation.axis.control.lowpass, situation.now.crossover
    corner = CORNER * crossover if there is None else 0.5 * there
    if not math.isfinite(corner) or corner >= HIGHEST * situation.axis.sampling.rate:
        return found | {"missing": "the loop rate leaves no room for one above the crossover"}
    corner = float(f"{corner:.2g}")
    return found | {"name": f"{found['name']} at {corner:g} Hz", "change": {"control.lowpass": corner}}
