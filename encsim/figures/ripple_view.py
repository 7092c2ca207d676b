"""A ripple curve prepared for drawing: sorted, parts added up by role, units and ranges chosen.

Title, note and alternative text of its picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeAlias, overload

import numpy as np

from ..decisions import headlines
from ..decisions.requirements import Requirement
from ..decisions.ripple_summary import CLOSED
from ..model.bounds import SPEEDS
from ..open_loop.causes import BY_ROLE, CAUSES
from ..presentation.canvas import Words
from ..presentation.ticks import Span
from ..wording import (
    SHARE,
    axis_unit,
    axis_words,
    digits,
    first_reason,
    percent,
    quantity,
    sentence,
    with_unit,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..decisions.headlines import Headline
    from ..open_loop.closed_form import RippleCurve
    from ..presentation.canvas import Style


# Up to this number speeds are shown as dots: a line alone would suggest values between them.
FEW = 12


# A requirement, or a share of the speed and a value below which the limit does not go.
Limit: TypeAlias = Requirement | tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class SpeedView:
    """A result against speed as drawn: speeds above 0, ascending, SI units, and where it is not reliable."""

    result: Any
    speed: np.ndarray
    doubtful: np.ndarray

    @property
    def unit(self) -> str:
        """Unit of speeds, SI."""
        return f"{self.result.axis.scale.unit}/s"

    @property
    def few(self) -> bool:
        """Whether single speeds are marked."""
        return len(self.speed) <= FEW

    @property
    def sound(self) -> np.ndarray:
        """Speeds that the answer is taken from: those that are reliable, or all where none is."""
        return ~self.doubtful if not np.all(self.doubtful) else np.ones_like(self.doubtful)

    @property
    def range_in_words(self) -> str:
        """``from 1 mm/s to 1 m/s``."""
        low, high = (quantity(end, self.unit, 3, strip=True) for end in (self.speed[0], self.speed[-1]))
        return f"from {low} to {high}"

    def mark(self, marker: str, size: float) -> dict[str, Any]:
        """Markers of a line through few points, as keywords of ``plot``."""
        return {"marker": marker, "markersize": size} if self.few else {}


@dataclass(frozen=True, eq=False)
class RippleView(SpeedView):
    """A ripple curve as drawn: one part per role."""

    result: RippleCurve
    rms: np.ndarray
    parts: dict[str, np.ndarray]
    regime: np.ndarray
    standstill: tuple[float, dict[str, float]] | None
    limit: Requirement | None
    ring_speed: np.ndarray
    ring_rms: np.ndarray

    @property
    def open_loop(self) -> bool:
        """Whether the axis has a loop, and this is the ripple without it."""
        return self.result.axis.control is not None and self.result.method != CLOSED

    @cached_property
    def allowed(self) -> np.ndarray | None:
        """Ripple allowed at each speed, infinite where any is; None without a limit at these speeds."""
        found = headlines.allowed(self.limit, self.speed)
        return found if found is not None and np.isfinite(found).any() else None

    @cached_property
    def headline(self) -> Headline:
        """The answer about the curve."""
        return headlines.headline(self.speed, self.rms, limit=self.allowed, doubtful=self.doubtful)

    @property
    def vanishing(self) -> list[tuple[float, tuple[int, ...]]]:
        """(speed, harmonics) of the null speeds in range, ascending."""
        low, high = range_of_speeds(self)
        return sorted((speed, tuple(lines)) for speed, lines in self.result.vanishing if low <= speed <= high)


def prepare_ripple(
    curve: RippleCurve, limit: Limit = None, simulated: Mapping[str, Any] | None = None
) -> RippleView:
    """Sort a curve and add up its parts by role."""
    speed = np.abs(np.asarray(curve.speed, dtype=float)).ravel()
    order = np.unique(speed, return_index=True)[1]
    order, still = order[speed[order] > 0.0], np.flatnonzero(speed == 0.0)[:1]
    rms, every = finite(curve.rms), parts_by_role(curve.parts)
    return RippleView(
        curve,
        speed[order],
        np.asarray(curve.doubtful, dtype=bool).ravel()[order],
        rms[order],
        {role: part[order] for role, part in every.items() if np.any(part[order] > 0.0)},
        np.asarray(curve.regime).ravel()[order],
        (rms[still[0]], {role: part[still[0]] for role, part in every.items()}) if len(still) else None,
        _requirement(limit),
        *simulated_points(simulated, "rms"),
    )


def _requirement(limit: Limit) -> Requirement | None:
    """A limit as a requirement for all speeds; None where it limits no measured ripple."""
    if isinstance(limit, tuple | list):
        share, least = map(float, limit)
        relative = {"relative": share, "floor": least or None} if share else {"measured": least}
        return Requirement(speeds=SPEEDS, **relative)
    return None if limit is None or limit.measured is limit.relative is None else limit


def simulated_points(simulated: Mapping[str, Any] | None, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Simulated speeds and values of one curve, those that a log panel can show."""
    if simulated is None or name not in simulated:
        return np.zeros(0), np.zeros(0)
    speed, size = (np.abs(np.asarray(simulated[key], dtype=float)).ravel() for key in ("speed", name))
    shown = np.isfinite(speed) & np.isfinite(size) & (speed > 0.0) & (size > 0.0)
    return speed[shown], size[shown]


def parts_by_role(parts: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Parts of one role added up, in the order of their names."""
    squares: dict[str, np.ndarray] = {}
    for cause, part in parts.items():
        role = CAUSES[cause].role
        squares[role] = squares.get(role, 0.0) + finite(part) ** 2
    return {role: np.sqrt(squares[role]) for role in BY_ROLE if role in squares}


def finite(values: np.ndarray) -> np.ndarray:
    """Flat floats, zero for what is not finite."""
    return np.nan_to_num(np.asarray(values, dtype=float).ravel(), posinf=0.0)


@dataclass(frozen=True)
class PanelFrame:
    """Scales of one panel: units of speed and ripple, or the share of the speed in per cent."""

    speed_unit: tuple[str, float]
    ripple_unit: tuple[str, float] | None

    @property
    def unit(self) -> tuple[str, float]:
        """Name and size of the unit of the ordinates."""
        return ("%", SHARE) if self.ripple_unit is None else self.ripple_unit

    @overload
    def x(self, speed: float) -> float: ...

    @overload
    def x(self, speed: np.ndarray) -> np.ndarray: ...

    def x(self, speed: float | np.ndarray) -> float | np.ndarray:
        """Abscissas of speeds."""
        return speed / self.speed_unit[1]

    def span(self, view: SpeedView) -> Span:
        """Horizontal range of a view."""
        low, high = range_of_speeds(view)
        return Span(low / self.speed_unit[1], high / self.speed_unit[1], True)

    def y(self, rms: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Ordinates of ripple at these speeds."""
        return rms / speed / SHARE if self.ripple_unit is None else rms / self.ripple_unit[1]


def frame_of(view: RippleView, below: str = "", head: str = "") -> PanelFrame:
    """Units of a panel; labels of axes that are drawn into again keep theirs."""
    largest = view.rms.max(initial=0.0)
    speed = axis_unit(view.speed.max(initial=0.0), view.unit, below)
    # Ripple has the unit of the speed unless it is very small in that unit.
    shared = largest >= 0.1 * speed[1] and not head
    return PanelFrame(speed, speed if shared else axis_unit(largest, view.unit, head))


def range_of_speeds(view: SpeedView) -> tuple[float, float]:
    """Horizontal range, SI: the speeds, with room at both sides where they are few."""
    if not len(view.speed):
        return 0.1, 10.0
    low, high = view.speed[0], view.speed[-1]
    room = 1.0 if not view.few and high > 1.05 * low else max((high / low) ** 0.08, 1.25)
    return low / room, high * room


def range_of_values(total: np.ndarray, parts: list[np.ndarray], most: float) -> tuple[float, float]:
    """Vertical range of a log panel: the total and a decade below it; deep notches of the parts are cut off."""
    shown = total[total > 0.0]
    high = shown.max()
    usual = max(np.quantile(shown, 0.02), high * 1e-5)
    lowest = min([part[part > 0.0].min() for part in parts], default=usual)
    return min(max(usual / 10.0, min(lowest, usual) / 1.6), usual / 2.0), high * most


def edges_of(view: SpeedView) -> np.ndarray:
    """Borders between the speeds, half way on the log scale, and the ends of the range."""
    low, high = range_of_speeds(view)
    return np.concatenate([[low], np.sqrt(view.speed[1:] * view.speed[:-1]), [high]])


def runs(values: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of equal values."""
    starts = [0, *(np.flatnonzero(values[1:] != values[:-1]) + 1)] if len(values) else []
    return list(zip(starts, [*(start - 1 for start in starts[1:]), len(values) - 1], strict=False))


def title(view: RippleView) -> str:
    """The headline with the largest cause, or that the result is not reliable."""
    if answer_is_doubtful(view):
        return f"Not reliable: {first_reason(view.result)}"
    if not len(view.speed):
        still = view.standstill[0] if view.standstill else 0.0
        return (
            f"At standstill: ripple {quantity(still, view.unit, 2)} rms"
            if still
            else "At standstill: no ripple"
        )
    if not np.any(view.rms > 0.0):
        return "No velocity ripple at these speeds: this axis is ideal"
    found = view.headline
    cause = "" if found.kind == "met" else f", mainly {_cause(view, found.place)}"
    words: str = found.words(lambda speed: _speed_words(speed, view), percent, cause)
    return f"Open loop: {words[:1].lower()}{words[1:]}" if view.open_loop else words


def _speed_words(speed: float, view: RippleView) -> str:
    """A speed in the unit of the horizontal axis, very small ones in their own."""
    name, size = frame_of(view).speed_unit
    return with_unit(digits(speed / size, 2), name) if speed >= 0.01 * size else quantity(speed, view.unit, 2)


def answer_is_doubtful(view: RippleView) -> bool:
    """Whether the result is not reliable at any speed, or it is unknown at which."""
    return not view.result.valid and bool(np.all(view.doubtful == view.doubtful[:1]))


def role_of(view: RippleView, index: int) -> str | None:
    """Role of the largest part at one speed, None where there is none."""
    role = max(view.parts, key=lambda name: view.parts[name][index], default=None)
    return role if role and view.parts[role][index] > 0.0 else None


def cause_words(role: str | None) -> str:
    """The causes of a role in a sentence."""
    return "no cause found" if role is None else BY_ROLE[role].plain


def _cause(view: RippleView, index: int) -> str:
    """The largest part at one speed in words."""
    role = role_of(view, index)
    aliased = role == "cyclic" and str(view.regime[index]) == "aliased"
    return ("aliased " if aliased else "") + cause_words(role)


def rule(limit: Requirement, view: RippleView, unit: tuple[str, float] | None = None) -> str:
    """The limit in words; angular velocities in the unit of the axis (name and size) if it is given."""

    def size(value: float) -> str:
        if unit is not None and view.unit == "rad/s":
            return with_unit(digits(value / unit[1], 3, strip=True), unit[0])
        return quantity(value, view.unit, 3, strip=True)

    if limit.relative is None:
        return f"limit: {size(limit.measured or 0.0)}"
    floor = f", at least {size(limit.floor)}" if limit.floor else ""
    most = "" if limit.measured is None else f", at most {size(limit.measured)}"
    return f"limit: {percent(limit.relative, 3, strip=True)} of the speed{floor}{most}"


def words(view: RippleView, style: Style, *, explained: bool = True) -> Words:
    """Title, note and alternative text of a picture; the note explains the ticks on top unless ``explained``."""
    words = note(view, explained, reasons=not style.bare)
    if style.phone and view.limit is not None and len(view.speed) > 1:
        # There is no room for it at its line.
        words += f" {sentence(rule(view.limit, view, frame_of(view).ripple_unit))}."
    return Words(title(view), words, alternative(view))


def note(view: RippleView, explained: bool = True, reasons: bool = True) -> str:
    """The axis, what the marks mean, and why some values are not reliable unless that stands elsewhere."""
    words = [f"{sentence(axis_words(view.result.axis))}."]
    if view.open_loop:
        words.append("Open loop: encoder and estimator in steady motion.")
    if len(view.ring_speed):
        words.append("Lines: predicted; rings: simulated.")
    elif view.few and len(view.speed) > 1:
        words.append("Dots: speeds given.")
    if view.standstill is not None and len(view.speed):
        words.append(f"At standstill {quantity(view.standstill[0], view.unit)} rms.")
    if not explained:
        words.append("Ticks on top: sampling nulls.")
    if np.any(view.doubtful):
        shown = reasons and view.result.reasons and not answer_is_doubtful(view)
        reason = f" ({view.result.reasons[0]})" if shown else ""
        words.append(f"{'Hatched: not reliable' if len(view.speed) > 1 else 'Not reliable'}{reason}.")
    return " ".join(words)


def _values(view: RippleView) -> str:
    """Ripple at both ends of the range and in its middle."""
    middle = int(np.argmin(np.abs(np.log(view.speed**2 / (view.speed[0] * view.speed[-1])))))
    first, between, last = (quantity(view.rms[place], view.unit, 2) for place in (0, middle, -1))
    return f"From {first} by {between} at {quantity(view.speed[middle], view.unit, 2)} to {last}"


def alternative(view: RippleView) -> str:
    """Alternative text: kind, quantity, range; the answer; the limit; reliability."""
    if len(view.speed) < 2:
        return f"Bars of velocity ripple, rms, and of its parts. {title(view)}."
    words = [f"Log-log chart of velocity ripple, rms, against speed {view.range_in_words}. {title(view)}."]
    if np.any(view.rms > 0.0):
        words.append(f"{_values(view)}.")
    if view.limit is not None:
        words.append(f"{sentence(rule(view.limit, view))}.")
    if view.vanishing:
        words.append(f"Sampling nulls from {quantity(view.vanishing[0][0], view.unit, 2)}.")
    if np.any(view.doubtful):
        words.append("Some values are not reliable.")
    return " ".join(words)
