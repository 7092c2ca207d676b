"""Faults behind the cyclic errors of encoder and ring, and the ripple that each makes alone."""

from . import changes
from .behaviour import CURVES, behave
from .causes import resolved

SIGNAL = ("offset", "gain", "phase", "harmonics", "sde", "skew")
RING = ("eccentricity", "swash", "lobes", "graduation", "wander", "coupling")
MAPPINGS = ("harmonics", "sde", "lobes", "graduation", "wander", "coupling")
NOTHING = {"offset": (0.0, 0.0)} | {name: {} for name in MAPPINGS}
# Taken out where a linear estimator needs no counts, so that a fault is seen by itself.
SMOOTH = {
    "interpolation.factor": None, "interpolation.bits": None, "interpolation.hysteresis": 0.0,
    "interpolation.output": "position", "interpolation.edge_separation": 0.0, "interpolation.edge_clock": None,
}  # fmt: skip


def alone(situation, cause):
    """Ripple that each fault behind a cause makes alone, the largest first.

    Parameters
    ----------
    situation : Situation
    cause : str

    Returns
    -------
    list of (str, dict)
        Path of the fault, rms by curve.
    """
    section, names = {"sde": ("signal", SIGNAL), "ring": ("ring", RING)}.get(cause, ("", ()))
    there = [name for name in names if _given(getattr(getattr(situation.axis, section), name))]
    found = [(f"{section}.{name}", _made(situation, section, there, name, cause)) for name in there]
    return sorted(found, key=lambda one: -one[1]["measured"])


def _given(value):
    return any(value) if isinstance(value, tuple) else bool(value)


def _made(situation, section, there, kept, cause):
    """What one fault makes of the curves."""
    axis = situation.axis
    change = {f"{section}.{name}": NOTHING.get(name, 0.0) for name in there if name != kept}
    if axis.estimator.linear:
        change |= {"estimator": resolved(axis)} | SMOOTH
    now = behave(changes.apply(axis, change), [situation.speed])
    return {
        curve: float(now.parts[curve][cause][0])
        if cause in now.parts.get(curve, ())
        else _none(situation, curve)
        for curve in CURVES
    }


def _none(situation, curve):
    return 0.0 if situation.now.curves[curve] is not None else None
