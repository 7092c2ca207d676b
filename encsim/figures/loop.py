"""Picture of a closed loop in steady motion: measured velocity ripple, torque ripple, actual velocity ripple."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..plotting import canvas, elements
from ..plotting.labels import Labels
from ..plotting.stacks import StackPanel, into, labels_of, stack
from ..plotting.ticks import NO_VALUES, Span
from ..wording import axis_unit, quantity, sentence
from . import loop_view
from .ripple import hatch
from .ripple_view import PanelFrame, cause_words, range_of_values

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..plotting.canvas import Style, Words
    from .loop_view import SmoothnessView


ROLES = {"measured": "ink", "torque": "force", "actual": "true"}
HEADS = {
    "a4": {
        "measured": "What the drive measures: velocity ripple",
        "torque": "What the motor does: {force} ripple",
        "actual": "What the {mover} does: actual velocity ripple",
    },
    "phone": {
        "measured": "Measured velocity ripple",
        "torque": "{force} ripple of the motor",
        "actual": "Actual velocity ripple of the {mover}",
    },
}
TALL = {"a4": 34.0, "phone": 40.0}
# Verticals closer than this, mm, are left out.
CLOSEST = 1.2
# Distance between the names of neighbouring peaks, mm.
APART = 1.0
BESIDE = ("and beside the null speeds of harmonics", "and beside null speeds", "aliased")


def smoothness(
    result: Smoothness,
    ax: Axes | None = None,
    *,
    simulated: Mapping[str, Any] | None = None,
    style: Style = canvas.PRINT,
) -> Axes:
    """Ripple of a closed loop against speed: measured velocity, torque or force, actual velocity of the load.

    The result is drawn as it is: peaks where a line meets the resonance, and beside vanishing speeds, are ragged or
    missed unless the speeds lie close there.
    """
    _check(simulated)
    view = loop_view.prepare_smoothness(result, simulated)
    if ax is not None:
        return into(ax, style, _panel(view, "actual", style, labels_of(ax)))
    rings = any(len(speed) for speed, _ in view.rings.values())
    note = loop_view.note(view, rings, reasons=not style.bare)
    words = canvas.Words(loop_view.title(view), note, loop_view.alternative(view))
    if not result.stable or len(view.speed) < 2:
        return _single(view, words, style)
    return stack(style, words, [_panel(view, name, style) for name in loop_view.CURVES]).panels[-1]


def _check(simulated: Mapping[str, Any] | None) -> None:
    """Refuse simulated points that cannot be drawn."""
    if simulated is None:
        return
    for name in loop_view.CURVES:
        if name in simulated and np.size(simulated[name]) != np.size(simulated["speed"]):
            sizes = f"{np.size(simulated['speed'])} and {np.size(simulated[name])}"
            checks.refuse("plot.simulated", f"hold speed and {name} of one length", sizes)


def _single(view: SmoothnessView, words: Words, style: Style) -> Axes:
    """One speed or standstill: each curve and its parts as bars; no bars for an unstable loop."""
    groups = [_bars(view, name) for name in loop_view.CURVES] if view.result.stable else []
    body = sum(9.0 + elements.height(rows) for rows in groups) + 8.0
    sheet = canvas.Sheet(style, words, body)
    top, ax = 8.0, None
    for name, rows in zip(loop_view.CURVES, groups, strict=False):
        sheet.text(4.0, top - 3.4, _head(view, name, style), bold=True)
        ax = elements.draw(sheet, top, rows, 4.0)
        top += 9.0 + elements.height(rows)
    if ax is None:
        ax = sheet.panel(0.0, 4.0, left=4.0)
        ax.set_axis_off()
    return ax


def _bars(view: SmoothnessView, name: str) -> list[elements.Bar]:
    values, moving = loop_view.single(view), len(view.speed) > 0
    parts = view.parts[name] if moving else (view.parts_still or {}).get(name, {})
    wanted = [("all together", ROLES[name], (values or {}).get(name, 0.0))]
    if len(parts) > 1:
        wanted += [(cause_words(role), role, float(np.ravel(part)[0])) for role, part in parts.items()]
    return [
        elements.Bar(words, role, (), size, quantity(size, view.unit_of(name)))
        for words, role, size in wanted
    ]


def _head(view: SmoothnessView, name: str, style: Style) -> str:
    words = HEADS[style.page][name].format(force=view.force[0], mover=view.mover)
    return sentence(words)


def _panel(view: SmoothnessView, name: str, style: Style, labels: tuple[str, str] = ("", "")) -> StackPanel:
    """One curve against speed; axes that were drawn into keep their units."""
    frame = _frame(view, name, *labels)
    return StackPanel(
        f"{_head(view, name, style)} ({frame.unit[0]})",
        f"Speed ({frame.speed_unit[0]})",
        TALL[style.page],
        frame.span(view),
        _span(view, name, frame),
        lambda ax: _fill(ax, view, name, frame, style),
    )


def _frame(view: SmoothnessView, name: str, below: str = "", head: str = "") -> PanelFrame:
    """Units of one panel."""
    speed = axis_unit(view.speed.max(initial=0.0), view.unit, below)
    return PanelFrame(speed, axis_unit(view.curves[name].max(initial=0.0), view.unit_of(name), head))


def _span(view: SmoothnessView, name: str, frame: PanelFrame) -> Span:
    """Log range of a panel's values."""
    values = np.concatenate([view.curves[name], view.rings[name][1]]) / frame.unit[1]
    if not np.any(values > 0.0):
        return NO_VALUES
    quiet = view.quiet(name) / frame.unit[1]
    parts = [quiet] if np.any(quiet > 0.0) else []
    return Span(*range_of_values(values, parts, 5.0 if name == "actual" else 2.2), True, most=5)


def _fill(ax: Axes, view: SmoothnessView, name: str, frame: PanelFrame, style: Style) -> None:
    """Curves, rings, verticals and names of one panel."""
    x, low = frame.x(view.speed), ax.get_ylim()[0] / 100.0
    hatch(ax, view, style, frame)
    total, quiet = (np.maximum(row / frame.unit[1], low) for row in (view.curves[name], view.quiet(name)))
    labels = Labels(ax, style)
    _verticals(labels, frame.x(view.vanishing))
    ax.plot(x, quiet, **style.line("noise"), zorder=3)
    ax.plot(x, total, **style.line(ROLES[name]), **view.mark("o", 5.0), zorder=4)
    rings = view.rings[name]
    if len(rings[0]):
        ax.plot(frame.x(rings[0]), rings[1] / frame.unit[1], **style.ring())
        labels.avoid_points(frame.x(rings[0]), rings[1] / frame.unit[1])
    labels.avoid(x, total, key="total")
    labels.avoid(x, quiet, key="quiet")
    if not np.any(view.curves[name] > 0.0):
        labels.put(
            "no ripple" if view.result.stable else "not stable", labels.size / 2.0, "muted", bold=False
        )
    elif name == "actual":
        _name_peaks(labels, view, frame)
    elif name == "measured":
        labels.beside("noise and quantisation", "quiet", "noise", most=40.0)


def _verticals(labels: Labels, x: np.ndarray) -> None:
    """Thin verticals at the null speeds of the error harmonics."""
    kept, last = [], -np.inf
    for value, place in zip(x, labels.place(x, np.full(len(x), labels.ax.get_ylim()[0]))[:, 0], strict=True):
        if place - last >= CLOSEST:
            kept.append(value)
            last = place
    for value in kept:
        labels.ax.axvline(value, color=labels.style.colour("grid"), linewidth=0.8, zorder=0.8)


def _name_peaks(labels: Labels, view: SmoothnessView, frame: PanelFrame) -> None:
    """Name the harmonics that excite the resonance, and the highest peak beside a null speed."""
    for speed, size, order in sorted(loop_view.meetings(view), key=lambda peak_of: -peak_of[1]):
        named = labels.at([f"harmonic {order}"], frame.x(speed), size / frame.unit[1], "true", above=True)
        if named is not None:
            left, low, right, high = labels.boxes.pop()
            labels.block(left - APART, low, right + APART, high)
    peak = loop_view.folded_peak(view)
    if peak is not None:
        x, y = frame.x(view.speed[peak]), view.curves["actual"][peak] / frame.unit[1]
        labels.at(BESIDE, x, y, "muted", bold=False, above=True)
