"""Ripple of a closed loop prepared for drawing; title, note and alternative text of its picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decisions import headlines
from ..wording import axis_words, first_reason, listed, quantity, sentence
from .ripple_view import SpeedView, cause_words, finite, parts_by_role, simulated_points

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..closed_loop.closed_loop_ripple import Smoothness


CURVES = ("measured", "torque", "actual")
# Harmonics that are compared with the resonance.
ORDERS = range(1, 7)
# Width of the range of speeds around a resonance, as a share of the speed; least ratio of the peak to its ends.
NEAR = 0.13
# Relative difference of two speeds that often read the same with two digits.
HAIR = 0.005
STANDS_OUT = 1.1
# The loop moves the resonance by no more than this share of it.
MOVED = 0.2
# Least ratio to the noise of a peak beside a sampling null that is named.
ABOVE_NOISE = 10.0
# Peaks above this share of the highest are listed with it.
EQUAL = 0.9


@dataclass(frozen=True, eq=False)
class SmoothnessView(SpeedView):
    """Ripple of a closed loop as drawn: speeds above 0, ascending, SI units.

    ``still`` and ``parts_still`` hold the curves at standstill, ``quiet`` all but cyclic error.
    """

    result: Smoothness
    curves: dict[str, np.ndarray]
    parts: dict[str, dict[str, np.ndarray]]
    still: dict[str, float] | None
    parts_still: dict[str, dict[str, float]] | None
    rings: dict[str, tuple[np.ndarray, np.ndarray]]

    @property
    def force(self) -> tuple[str, str]:
        """What the motor makes, and its unit."""
        return ("force", "N") if self.result.axis.scale.unit == "m" else ("torque", "N m")

    def unit_of(self, curve: str) -> str:
        """Unit of a curve, SI."""
        return self.force[1] if curve == "torque" else self.unit

    def quiet(self, curve: str) -> np.ndarray:
        """Noise and quantisation alone; zeros where cyclic error is all there is."""
        squares = [part**2 for role, part in self.parts[curve].items() if role != "cyclic"]
        return np.sqrt(sum(squares, np.zeros(len(self.speed))))

    @property
    def vanishing(self) -> np.ndarray:
        """Null speeds; those of the first harmonic where the result names none."""
        named = getattr(self.result, "vanishing", None)
        low, high = (self.speed[0], self.speed[-1]) if len(self.speed) else (0.0, 0.0)
        if named is None:
            first = self.result.axis.scale.pitch * self.result.axis.sampling.rate
            speeds = first * np.arange(1, min(int(high / first), 1000) + 1)
        else:
            speeds = np.array(sorted(speed for speed, _ in named))
        return speeds[(speeds >= low) & (speeds <= high)] if len(speeds) else np.zeros(0)

    @property
    def mover(self) -> str:
        """What moves: the load on its spring, or the whole axis."""
        load = self.result.axis.load
        return "load" if load is not None and load.flexible else "axis"

    @property
    def resonance(self) -> float:
        """Resonance of the load on its spring, Hz; infinite without one."""
        load = self.result.axis.load
        return float(np.inf) if load is None else load.resonance


def prepare_smoothness(result: Smoothness, simulated: Mapping[str, Any] | None = None) -> SmoothnessView:
    """Sort and sum up a result for drawing."""
    speed = np.abs(np.asarray(result.speed, dtype=float)).ravel()
    order = np.unique(speed, return_index=True)[1]
    order, still = order[speed[order] > 0.0], np.flatnonzero(speed == 0.0)[:1]
    curves = {name: finite(getattr(result, name)) for name in CURVES}
    parts = {name: parts_by_role(result.parts.get(name, {})) for name in CURVES}
    doubtful = np.broadcast_to(np.asarray(result.doubtful, dtype=bool).ravel(), speed.shape)
    return SmoothnessView(
        result,
        speed[order],
        doubtful[order],
        {name: curve[order] for name, curve in curves.items()},
        _taken(parts, order),
        {name: float(curve[still[0]]) for name, curve in curves.items()} if len(still) else None,
        _taken(parts, still[0]) if len(still) else None,
        {name: simulated_points(simulated, name) for name in CURVES},
    )


def _taken(parts: dict[str, dict[str, np.ndarray]], where: Any) -> dict[str, dict[str, Any]]:
    """Parts at some speeds (indices), or their values at one (index)."""
    return {
        name: {role: part[where] for role, part in roles.items() if np.any(part[where] > 0.0)}
        for name, roles in parts.items()
    }


def meetings(view: SmoothnessView) -> list[tuple[float, float, int]]:
    """(speed, ripple, order) of each harmonic that excites the resonance without aliasing."""
    axis = view.result.axis
    frequency = view.resonance
    if not frequency < 0.5 * axis.sampling.rate:
        return []
    met = []
    for order in ORDERS:
        meets = frequency * axis.scale.pitch / order
        inside = np.flatnonzero(np.abs(view.speed / meets - 1.0) < MOVED)
        if len(inside) < 3:
            continue
        shaken = view.curves["actual"][inside]
        best = int(np.argmax(shaken))
        if view.sound[inside[best]] and shaken[best] > STANDS_OUT * max(shaken[0], shaken[-1]):
            met.append((float(view.speed[inside[best]]), float(shaken[best]), order))
    return met


def folded_peak(view: SmoothnessView) -> int | None:
    """Index of the highest peak beside a null speed; None if no peak is significant."""
    shaken = np.where(view.sound, view.curves["actual"], 0.0)
    quiet, marks = view.quiet("actual"), view.vanishing
    if not len(marks) or not len(shaken):
        return None
    beside = np.abs(view.speed[:, None] / marks - 1.0).min(axis=1) < NEAR
    peaks = np.where(beside & (shaken > ABOVE_NOISE * quiet), shaken, 0.0)
    best = int(np.argmax(peaks))
    return best if peaks[best] > 0.1 * shaken.max() else None


def title(view: SmoothnessView) -> str:
    """The answer: speed of the largest actual ripple, and its cause."""
    if not view.result.stable:
        return "Unstable loop: no ripple can be predicted"
    if not view.result.valid and np.all(view.doubtful):
        return f"Not reliable: {first_reason(view.result)}"
    if len(view.speed) < 2:
        return _title_single(view)
    shaken = np.where(view.sound, view.curves["actual"], 0.0)
    if not np.any(shaken > 0.0):
        return "No actual velocity ripple at any of these speeds"
    return _title_of_range(view, shaken)


def _title_single(view: SmoothnessView) -> str:
    where = f"At {quantity(view.speed[0], view.unit, strip=True)}" if len(view.speed) else "At standstill"
    values = single(view)
    if values is None or not any(values.values()):
        return f"{where}: no ripple"
    true, force = quantity(values["actual"], view.unit, 2), quantity(values["torque"], view.force[1], 2)
    return f"{where}: actual velocity ripple {true} rms, {view.force[0]} ripple {force} rms"


def single(view: SmoothnessView) -> dict[str, float] | None:
    """The three values of a result with one speed."""
    return {name: float(curve[0]) for name, curve in view.curves.items()} if len(view.speed) else view.still


def _title_of_range(view: SmoothnessView, shaken: np.ndarray) -> str:
    most = shaken.max()
    size = quantity(most, view.unit, 2)
    met = [(speed, order) for speed, value, order in meetings(view) if value >= EQUAL * most]
    if met:
        speeds = listed(quantity(speed, view.unit, 2) for speed, _ in sorted(met))
        scale = view.result.axis.scale
        resonance = quantity(met[0][0] * met[0][1] / scale.pitch, "Hz", 2)
        orders = [order for _, order in sorted(met)]
        names = f"harmonics {listed(orders)} meet" if len(orders) > 1 else f"harmonic {orders[0]} meets"
        return f"Actual ripple peaks at {speeds}, {size} rms: {names} the {resonance} resonance"
    if most < 1.02 * shaken[view.sound].min():
        return f"Actual ripple is {size} rms at every speed: {cause(view)}"
    worst, needle = headlines.largest(view.speed, shaken, doubtful=view.doubtful)
    at = quantity(view.speed[worst], view.unit, 2)
    words = f"Actual ripple is largest at {at}, {quantity(shaken[worst], view.unit, 2)} rms: {cause(view)}"
    if needle is None:
        return words
    near = np.abs(view.speed[needle] / view.vanishing - 1.0) < NEAR
    beside = " beside sampling nulls" if near.any() else ""
    return f"{words}; {size} in narrow peaks{beside}"


def cause(view: SmoothnessView) -> str:
    """Cause of the largest actual ripple, in words."""
    worst = _worst(view)
    parts = view.parts["actual"]
    role = max(parts, key=lambda name: parts[name][worst], default=None)
    if role == "cyclic" and (folded_peak(view) == worst or _reads_as_vanishing(view, worst)):
        return "cyclic error, beside a sampling null"
    return cause_words(role)


def _worst(view: SmoothnessView) -> int:
    """Index of the speed that the title names."""
    return headlines.largest(view.speed, view.curves["actual"], doubtful=view.doubtful)[0]


def _reads_as_vanishing(view: SmoothnessView, index: int) -> bool:
    """Whether a speed and a null speed often read the same."""
    return bool(np.any(np.abs(view.speed[index] / view.vanishing - 1.0) < HAIR))


def note(view: SmoothnessView, rings: bool, reasons: bool = True) -> str:
    """The axis, what the marks mean, and why some values are not reliable unless that stands elsewhere."""
    words = [f"{sentence(axis_words(view.result.axis))}, loop closed, all rms."]
    if len(view.speed) > 1:
        words.append(
            "Lines: predicted; dotted: noise and quantisation alone"
            + ("; rings: simulated." if rings else ".")
        )
        if len(view.vanishing):
            words.append("Thin verticals: sampling nulls of harmonics.")
    if view.still is not None and len(view.speed):
        words.append(f"At standstill the actual ripple is {quantity(view.still['actual'], view.unit)}.")
    if np.any(view.doubtful):
        shown = reasons and view.result.reasons and not np.all(view.doubtful)
        reason = f" ({view.result.reasons[0]})" if shown else ""
        words.append(f"{'Hatched: not reliable' if len(view.speed) > 1 else 'Not reliable'}{reason}.")
    return " ".join(words)


def alternative(view: SmoothnessView) -> str:
    """Alternative text: kind, quantities, range; the answer; what the drive sees there; what is odd."""
    if len(view.speed) < 2 or not view.result.stable:
        return f"Velocity measured, {view.force[0]} and actual velocity of a closed loop. {title(view)}."
    words = [
        f"Three log-log charts of measured velocity, {view.force[0]} and actual velocity ripple, rms, against speed "
        f"{view.range_in_words}. {title(view)}."
    ]
    worst = _worst(view)
    if view.curves["actual"][worst] > 0.0:
        measured = quantity(view.curves["measured"][worst], view.unit, 2)
        words.append(f"The drive measures {measured} there.")
    if np.any(view.doubtful):
        words.append("Some values are not reliable.")
    return " ".join(words)
