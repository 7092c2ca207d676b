"""Ripple of an axis at some speeds, its loop closed where possible; and its figures that are not ripple.

Ripple: three curves, their causes, doubts. Figures: delay, margins, top speed, edge rate, resolution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import margins
from ..closed_loop.timed_edges import SLOWEST_EDGES
from ..doubts import Doubt
from ..model.axis import ONE_HEAD, Interpolation
from ..model.delays import velocity_delay
from ..model.scale_and_signal import Signal
from ..open_loop.cause_models import resolved
from ..open_loop.closed_form import ripple
from ..open_loop.limits import top_speed

if TYPE_CHECKING:
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis


CURVES = ("measured", "torque", "actual")
# Method of a curve of ripple that is of a closed loop.
CLOSED = "closed loop"
# Figures that differ by a smaller share than this are not reported as side effects.
LEAST = 0.005


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class RippleSummary:
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
        False where the axis has an unstable loop; the values are then those of the open loop.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz; NaN where no loop is closed.
    """

    speed: np.ndarray
    curves: Mapping[str, np.ndarray | None]
    parts: Mapping[str, Mapping[str, np.ndarray]]
    doubtful: np.ndarray
    reasons: tuple[str, ...]
    stable: bool = True
    crossover: float = math.nan

    @property
    def closed(self) -> bool:
        """Whether the values are those of a closed loop."""
        return self.curves["torque"] is not None

    def at(self, place: int = 0) -> dict[str, float | None]:
        """Values at one of the speeds, {curve: rms}."""
        return {name: None if rms is None else float(rms[place]) for name, rms in self.curves.items()}

    def shares(self, curve: str = "measured", place: int = 0) -> dict[str, float]:
        """Share of each cause in the mean square of a curve at one of the speeds; empty without ripple."""
        squares = {cause: float(rms[place]) ** 2 for cause, rms in self.parts[curve].items()}
        total = sum(squares.values())
        return {cause: square / total for cause, square in squares.items()} if total > 0.0 else {}


def quantisation_leads(axis: Axis, speed: float) -> bool:
    """Whether counts decide what the controller measures: A/B output, or most of the ripple at this speed."""
    if axis.interpolation.factor is None:
        return False
    if axis.interpolation.output == "ab":
        return True
    return summarise(axis, [speed]).shares().get("resolution", 0.0) > 0.5


def has_loop(axis: Axis) -> bool:
    """Whether an axis has load and control, which make a closed loop."""
    return axis.load is not None and axis.control is not None


def closes(axis: Axis, speed: float) -> bool:
    """Whether the loop of an axis can be closed and computed in closed form at a speed."""
    return has_loop(axis) and (axis.estimator.linear or abs(speed) >= SLOWEST_EDGES * axis.resolution)


def summarise(axis: Axis, speeds: list[float] | np.ndarray) -> RippleSummary:
    """Ripple of an axis at some speeds."""
    if not closes(axis, np.abs(speeds).min(initial=np.inf)):
        return _open_loop(axis, speeds, Doubt("blind") if has_loop(axis) else None)
    loop_ripple = smoothness(axis, speeds)
    if not loop_ripple.stable:
        return _open_loop(axis, speeds, Doubt("unstable_opened"), stable=False)
    return RippleSummary(
        speed=loop_ripple.speed,
        curves={name: getattr(loop_ripple, name) for name in CURVES},
        parts={name: loop_ripple.parts[name] for name in CURVES},
        doubtful=loop_ripple.doubtful,
        reasons=loop_ripple.reasons,
        crossover=loop_ripple.crossover,
    )


def _open_loop(
    axis: Axis, speeds: list[float] | np.ndarray, doubt: Doubt | None, stable: bool = True
) -> RippleSummary:
    """Ripple of encoder and estimator without the loop."""
    curve = ripple(axis, speeds)
    return RippleSummary(
        speed=curve.speed,
        curves={"measured": curve.rms, "torque": None, "actual": None},
        parts={"measured": curve.parts},
        doubtful=curve.doubtful if stable else np.ones_like(curve.doubtful),
        reasons=curve.reasons if doubt is None else (*curve.reasons, doubt),
        stable=stable,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisFigures:
    """Figures of an axis at a speed that are not ripple.

    Attributes
    ----------
    delay : float
        From the motion to the measured velocity, s.
    resolution : float
        One count, m or rad; 0 where the position is not rounded.
    edge_rate : float
        Counts per second at the speed, Hz; NaN where the position is not rounded.
    top_speed : float
        m/s or rad/s; infinite if there is none.
    phase_margin, crossover : float
        deg and Hz; NaN where no loop is closed.
    stiffness : float
        K_p K_v/T_i, without the gains that the loop does not have; NaN where no loop is closed.
    loop_rate : float
        Hz.
    stable : bool
    """

    delay: float
    resolution: float
    edge_rate: float
    top_speed: float
    phase_margin: float
    crossover: float
    stiffness: float
    loop_rate: float
    stable: bool


# Words and unit of each figure that may change.
FIGURES = {
    "delay": ("the delay of the measured velocity", "s"),
    "phase_margin": ("the phase margin", "deg"),
    "crossover": ("the crossover of the loop", "Hz"),
    "stiffness": ("the stiffness against slow load forces", "share"),
    "top_speed": ("the top speed", "speed"),
    "edge_rate": ("the edge rate (counts per second at this speed)", "Hz"),
    "resolution": ("one count", "position"),
    "loop_rate": ("the loop rate", "Hz"),
}


def axis_figures(axis: Axis, speed: float) -> AxisFigures:
    """Figures of an axis at a speed."""
    control = axis.control
    loop = _loop_margins(_loop_of(axis), speed) if closes(axis, speed) else None
    crossed = None if loop is None or not math.isfinite(loop.phase_margin) else loop
    stiffness = math.nan
    if loop is not None and control is not None:
        stiffness = control.velocity_gain * (control.position_gain or 1.0) / (control.integral_time or 1.0)
    return AxisFigures(
        delay=velocity_delay(axis, speed),
        resolution=axis.resolution,
        edge_rate=abs(speed) / axis.resolution if axis.resolution else math.nan,
        top_speed=top_speed(axis).speed,
        phase_margin=math.nan if crossed is None else crossed.phase_margin,
        crossover=math.nan if crossed is None else crossed.crossover,
        stiffness=stiffness,
        loop_rate=axis.sampling.rate,
        stable=loop is None or loop.stable,
    )


@lru_cache(maxsize=64)
def _loop_margins(axis: Axis, speed: float) -> Margins:
    """Margins of an axis at a speed, cached: most changes of an encoder leave the loop as it is."""
    return margins(axis, speed=speed)


def _loop_of(axis: Axis) -> Axis:
    """The axis without everything that its margins do not depend on."""
    parts: dict[str, Any] = {
        "signal": Signal(bandwidth=axis.signal.bandwidth),
        "ring": None,
        "heads": ONE_HEAD,
    }
    if axis.estimator.linear:
        parts |= {"interpolation": Interpolation(), "estimator": resolved(axis)}
    return replace(axis, **parts)


def changed_figures(before: AxisFigures, after: AxisFigures) -> list[tuple[str, float, float]]:
    """Figures that differ, as (name, before, after), in the order of `FIGURES`."""
    pairs = ((name, getattr(before, name), getattr(after, name)) for name in FIGURES)
    return [(name, old, new) for name, old, new in pairs if _differ(old, new)]


def _differ(old: float, new: float) -> bool:
    if math.isnan(old) or math.isnan(new):
        return math.isnan(old) != math.isnan(new)
    if math.isinf(old) or math.isinf(new):
        return old != new
    return abs(new - old) > LEAST * max(abs(old), abs(new))
