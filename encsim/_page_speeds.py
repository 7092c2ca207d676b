"""The speed that a page looks at closely, and why that one."""

from dataclasses import dataclass

import numpy as np

from ._page_frames import round_speed
from ._plot_numbers import quantity
from .requirements import RIPPLES

CYCLIC = ("sde", "ring")


@dataclass(frozen=True)
class Closer:
    """A speed, m/s or rad/s, and why it is looked at: "limit", "named", "cyclic" or "largest".

    ``own`` tells whether it is one of several that the user named.
    """

    speed: float
    why: str
    own: bool = False


def closer_look(curve, judged, own):
    """The speed that tells most about an axis.

    That nearest to its limit. Without a limit that where cyclic error matters most: slow speeds are left to counts
    and noise, whose share of the speed rises without bound, and the largest ripple is mostly that of speeds at
    which nobody minds it. Where cyclic error is nowhere most of the ripple, the speed of the largest.

    Parameters
    ----------
    curve : RippleCurve
    judged : Judgement or None
    own : sequence of float
        The speeds that the user named, if any: then it is one of them, unless there is a limit.

    Returns
    -------
    Closer
    """
    checks = [] if judged is None else [each for each in judged.limits if each.name in RIPPLES]
    if checks:
        return Closer(max(checks, key=lambda each: each.share).speed, "limit")
    if len(own) == 1:
        return Closer(float(own[0]), "named")
    places = [int(np.argmin(np.abs(curve.speed - each))) for each in own] or np.flatnonzero(curve.speed > 0.0)
    sound = [place for place in places if not curve.doubtful[place]]
    return _telling(curve, np.array(sound or places, dtype=int), own)


def _telling(curve, places, own):
    """The place where cyclic error matters most, else that of the largest ripple."""
    speed, square = curve.speed[places], curve.rms[places] ** 2
    parts = [curve.parts[cause][places] ** 2 for cause in CYCLIC if cause in curve.parts]
    most = np.divide(sum(parts), square, out=np.zeros_like(speed), where=square > 0.0)
    best = int(np.argmax(curve.rms[places] / speed * most))
    if most[best] < 0.5:
        return Closer(_of(own, speed[int(np.argmax(square))]), "largest", bool(len(own)))
    if len(own):
        return Closer(_of(own, speed[best]), "cyclic", own=True)
    near = round_speed(float(speed[best]), curve.axis)
    return Closer(near if speed.min() <= near <= speed.max() else float(speed[best]), "cyclic")


def _of(own, speed):
    """The speed as the user named it, if one did."""
    return float(min(own, key=lambda each: abs(each - speed)) if len(own) else speed)


def reason(closer, axis):
    """Why this speed, as a sentence.

    Parameters
    ----------
    closer : Closer
    axis : Axis

    Returns
    -------
    str
    """
    speed = quantity(closer.speed, f"{axis.scale.unit}/s", strip=True)
    named = ", of the speeds given," if closer.own else ""
    if closer.why == "limit":
        return f"What follows looks at {speed}, where a limit is nearest or most exceeded."
    if closer.why == "named":
        return f"What follows looks at {speed}, as asked."
    if closer.why == "cyclic":
        return (
            f"What follows looks at {speed}, where{named} cyclic error matters most: it is most of the ripple there, "
            "and a large share of the speed."
        )
    return f"What follows looks at {speed}, where{named} ripple is largest: cyclic error is not what matters most here."
