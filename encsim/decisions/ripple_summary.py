"""What an axis does at some speeds, its loop closed where it can be: three curves, their causes, doubts.

What a change of an axis costs or gives beside its ripple: delay, margins, top speed, counts; in numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import margins
from ..closed_loop.timed_edges import SLOWEST_EDGES
from ..doubts import Doubt
from ..model.axis import ONE_HEAD, Interpolation
from ..model.scale_and_signal import Signal
from ..open_loop.cause_models import own_clock, resolved
from ..open_loop.closed_form import ripple
from ..open_loop.limits import top_speed

if TYPE_CHECKING:
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from ..model.load_and_control import Control


CURVES = ("measured", "torque", "actual")


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Behaviour:
    """Ripple of an axis at some speeds.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        m/s or rad/s.
    curves : dict of str to ndarray or None
        rms of ``measured``, ``torque`` and ``actual``; the last two None where no loop is closed.
    parts : dict of str to dict of str to ndarray
        {curve: {cause: rms}} of the curves there are.
    doubtful : ndarray of bool, shape (n,)
    reasons : tuple of str
    stable : bool
        False where the axis has a loop that swings by itself; the values are then those of the open chain.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz; NaN where no loop is closed.
    """

    speed: np.ndarray
    curves: dict
    parts: dict
    doubtful: np.ndarray
    reasons: tuple[str, ...]
    stable: bool = True
    crossover: float = np.nan

    @property
    def closed(self) -> bool:
        """Whether the values are those of a closed loop."""
        return self.curves["torque"] is not None

    def at(self, place: int = 0) -> dict[str, Any]:
        """Values at one of the speeds, {curve: float or None}."""
        return {name: None if row is None else float(row[place]) for name, row in self.curves.items()}

    def shares(self, curve: str = "measured", place: int = 0) -> dict[str, float]:
        """Share of each cause in the mean square of a curve at one of the speeds; nothing where there is no ripple."""
        squares = {cause: float(row[place]) ** 2 for cause, row in self.parts[curve].items()}
        total = sum(squares.values())
        return {cause: square / total for cause, square in squares.items()} if total > 0.0 else {}


def closes(axis: Axis, speed: float) -> bool:
    """Whether the loop of an axis can be closed and answered in closed form at a speed."""
    if axis.load is None or axis.control is None:
        return False
    return axis.estimator.linear or abs(speed) >= SLOWEST_EDGES * axis.resolution


def behave(axis: Axis, speeds: list[float] | np.ndarray) -> Behaviour:
    """Ripple of an axis at some speeds."""
    if not closes(axis, np.abs(speeds).min(initial=np.inf)):
        looped = axis.load is not None and axis.control is not None
        return _opened(axis, speeds, Doubt("blind") if looped else None)
    found = smoothness(axis, speeds)
    if not found.stable:
        return _opened(axis, speeds, Doubt("unstable_opened"), stable=False)
    return Behaviour(
        speed=found.speed,
        curves={name: getattr(found, name) for name in CURVES},
        parts={name: found.parts[name] for name in CURVES},
        doubtful=found.doubtful,
        reasons=found.reasons,
        crossover=found.crossover,
    )


def _opened(
    axis: Axis, speeds: list[float] | np.ndarray, doubt: Doubt | None, stable: bool = True
) -> Behaviour:
    """Ripple of encoder and estimator alone."""
    found = ripple(axis, speeds)
    return Behaviour(
        speed=found.speed,
        curves={"measured": found.rms, "torque": None, "actual": None},
        parts={"measured": found.parts},
        doubtful=found.doubtful if stable else np.ones_like(found.doubtful),
        reasons=found.reasons if doubt is None else (*found.reasons, doubt),
        stable=stable,
    )


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


def standing(axis: Axis, speed: float) -> Standing:
    """Figures of an axis at a speed."""
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
def loop_margins(axis: Axis, speed: float) -> Margins:
    """Margins of an axis at a speed, remembered: most changes of an encoder leave the loop alone."""
    return margins(axis, speed=speed)


def _loop_of(axis: Axis) -> Axis:
    """The axis with all left out that its margins do not depend on."""
    parts = {"signal": Signal(bandwidth=axis.signal.bandwidth), "ring": None, "heads": ONE_HEAD}
    if axis.estimator.linear:
        parts |= {"interpolation": Interpolation(), "estimator": resolved(axis)}
    return replace(axis, **parts)


def delay(axis: Axis, speed: float) -> float:
    """Delay from the motion to the measured velocity, s: readings, their average, their clock, the estimator."""
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


def _stiffness(control: Control) -> float:
    return control.velocity_gain * (control.position_gain or 1.0) / (control.integral_time or 1.0)


def compared(before: Standing, after: Standing) -> list[tuple[str, float, float]]:
    """Names of the figures that differ, as (name, before, after), in the order of `NAMES`."""
    pairs = ((name, getattr(before, name), getattr(after, name)) for name in NAMES)
    return [(name, old, new) for name, old, new in pairs if _differ(old, new)]


def _differ(old: float, new: float) -> bool:
    if math.isnan(old) or math.isnan(new):
        return math.isnan(old) != math.isnan(new)
    if math.isinf(old) or math.isinf(new):
        return old != new
    return abs(new - old) > LEAST * max(abs(old), abs(new))
