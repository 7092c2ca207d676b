"""What a change of an axis costs or gives beside its ripple: delay, margins, top speed, counts; in numbers."""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from .axis import ONE_HEAD, Interpolation, Signal
from .behaviour import closes
from .causes import own_clock, resolved
from .limits import top_speed
from .stability import margins

# Smaller changes are not worth a word.
LEAST = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Figures of an axis at a speed that are not ripple.

    Attributes
    ----------
    delay : float
        From the motion to the measured velocity, s.
    resolution : float
        One count, m or rad; 0 where the position is not rounded.
    edge_rate : float
        Counts a second at the speed, Hz; NaN where the position is not rounded.
    top_speed : float
        m/s or rad/s; infinite if there is none.
    phase_margin : float
        deg; NaN where no loop is closed.
    crossover : float
        Hz; NaN where no loop is closed.
    stiffness : float
        K_p K_v/T_i of the loop, or what of it there is; NaN where no loop is closed.
    work : float
        Loop samples a second, Hz.
    stable : bool
    """

    delay: float
    resolution: float
    edge_rate: float
    top_speed: float
    phase_margin: float
    crossover: float
    stiffness: float
    work: float
    stable: bool


# Name in a sentence, unit, and whether more of it is better.
NAMES = {
    "delay": ("the delay of the measured velocity", "s", False),
    "phase_margin": ("the phase margin", "deg", True),
    "crossover": ("the crossover of the loop", "Hz", True),
    "stiffness": ("the stiffness against slow load forces", "share", True),
    "top_speed": ("the top speed", "speed", True),
    "edge_rate": ("the edge rate (counts a second at this speed)", "Hz", False),
    "resolution": ("one count", "position", False),
    "work": ("the loop rate", "Hz", False),
}


def standing(axis, speed):
    """Figures of an axis at a speed.

    Parameters
    ----------
    axis : Axis
    speed : float
        m/s or rad/s.

    Returns
    -------
    Standing
    """
    found = loop_margins(_loop_of(axis), speed) if closes(axis, speed) else None
    crossed = None if found is None or not math.isfinite(found.phase_margin) else found
    return Standing(
        delay=delay(axis, speed),
        resolution=axis.resolution,
        edge_rate=abs(speed) / axis.resolution if axis.resolution else math.nan,
        top_speed=top_speed(axis).speed,
        phase_margin=math.nan if crossed is None else crossed.phase_margin,
        crossover=math.nan if crossed is None else crossed.crossover,
        stiffness=math.nan if found is None else _stiffness(axis.control),
        work=axis.sampling.rate,
        stable=found is None or found.stable,
    )


@lru_cache(maxsize=64)
def loop_margins(axis, speed):
    """Margins of an axis at a speed, remembered: most changes of an encoder leave the loop alone."""
    return margins(axis, speed=speed)


def _loop_of(axis):
    """The axis with all left out that its margins do not depend on."""
    parts = {"signal": Signal(bandwidth=axis.signal.bandwidth), "ring": None, "heads": ONE_HEAD}
    if axis.estimator.linear:
        parts |= {"interpolation": Interpolation(), "estimator": resolved(axis)}
    return replace(axis, **parts)


def delay(axis, speed):
    """Delay from the motion to the measured velocity, s: readings, their average, their clock, the estimator.

    Parameters
    ----------
    axis : Axis
    speed : float
        m/s or rad/s; matters to an estimator that times edges.

    Returns
    -------
    float
    """
    sampling, estimator = axis.sampling, axis.estimator
    about = {}
    if not estimator.linear:
        about = {"speed": abs(speed), "resolution": axis.resolution}
    else:
        estimator = estimator.resolved(axis.signal.jitter, axis.resolution)
    clock = own_clock(axis)
    aged = 0.0 if clock is None else 0.5 / clock
    averaged = 0.5 * (sampling.average - 1) / (sampling.average * sampling.rate)
    return estimator.delay(sampling.rate, **about) + sampling.latency + averaged + aged


def _stiffness(control):
    return control.velocity_gain * (control.position_gain or 1.0) / (control.integral_time or 1.0)


def compared(before, after):
    """Names of the figures that differ, as (name, before, after), in the order of `NAMES`.

    Parameters
    ----------
    before, after : Standing

    Returns
    -------
    list of (str, float, float)
    """
    pairs = ((name, getattr(before, name), getattr(after, name)) for name in NAMES)
    return [(name, old, new) for name, old, new in pairs if _differ(old, new)]


def _differ(old, new):
    if math.isnan(old) or math.isnan(new):
        return math.isnan(old) != math.isnan(new)
    if math.isinf(old) or math.isinf(new):
        return old != new
    return abs(new - old) > LEAST * max(abs(old), abs(new))
