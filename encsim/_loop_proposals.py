"""Changes of the controller worth trying against ripple: other gains, filters of the torque."""

import math

import numpy as np

from . import _checks
from .mechanics import Notch
from .tuner import tune

# Lines seen below so many crossovers are the loop's to follow: no filter may touch them.
CLEAR = 2.0
CORNER = 5.0
NOTCH_DAMPING, NOTCH_DEPTH = 0.2, 0.1
LOWER = 0.5
HIGHEST = 0.45


def proposed(situation):
    """Changes of the controller as keywords of a `Proposal`; none where no loop is closed.

    Parameters
    ----------
    situation : Situation

    Returns
    -------
    list of dict
    """
    if not situation.now.closed:
        return []
    makers = (_tuned, _lower, _notch, _lowpass)
    every = tuple(situation.now.parts["measured"])
    return [make(situation) | {"causes": every} for make in makers]


def _tuned(situation):
    found = {"kind": "tuned gains", "name": "the gains that encsim tune proposes"}
    try:
        # timed edges have gains for a speed only; all others are tuned as encsim tune does it without one
        linear = situation.axis.estimator.linear
        control = tune(situation.axis, speed=None if linear else situation.speed)
    except _checks.InputError as error:
        return found | {"missing": f"no gains are proposed: {error}"}
    assumed = "a phase margin of 60 degrees and a sensitivity peak of 1.7 at least"
    assumed += "" if linear else ", at this speed: slower, timed edges are older"
    return found | {"change": _gains(control), "assumed": assumed}


def _gains(control):
    names = ("position_gain", "velocity_gain", "integral_time")
    values = {name: getattr(control, name) for name in names}
    return {f"control.{name}": value and float(f"{value:.3g}") for name, value in values.items()}


def _lower(situation):
    control = situation.axis.control
    change = {
        "control.position_gain": LOWER * control.position_gain,
        "control.velocity_gain": LOWER * control.velocity_gain,
    }
    if control.integral_time is not None:
        change["control.integral_time"] = control.integral_time / LOWER
    return {"kind": "lower gains", "name": "half the gains", "change": change}


def _notch(situation):
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


def _lowpass(situation):
    found = {"kind": "low-pass", "name": "a low-pass in the torque command"}
    there, crossover = situation.axis.control.lowpass, situation.now.crossover
    corner = CORNER * crossover if there is None else 0.5 * there
    if not math.isfinite(corner) or corner >= HIGHEST * situation.axis.sampling.rate:
        return found | {"missing": "the loop rate leaves no room for one above the crossover"}
    corner = float(f"{corner:.2g}")
    return found | {"name": f"{found['name']} at {corner:g} Hz", "change": {"control.lowpass": corner}}
