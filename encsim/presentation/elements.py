"""Lines against time in panels that share one axis of time, with a name at each line.

Bars in rows: over each its name and a remark, behind it its value.

Parts of pictures over a turn: the axis of angles, lines with a band, sticks by order.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..wording import axis_unit
from . import stacks
from .canvas import width
from .labels import Labels
from .ticks import Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .canvas import Sheet, Style, Words


ROW = 9.0
# Room behind the longest bar beside its value, and at least, mm.
BEYOND, BEHIND = 2.4, 22.0


@dataclass(frozen=True)
class Bar:
    """One row: name in the colour of its role, remarks (as many as fit), value and how it is written."""

    name: str
    role: str
    remarks: tuple[str, ...]
    value: float
    text: str


def height(rows: list[Bar]) -> float:
    """Height of the rows together, mm."""
    return max(len(rows), 1) * ROW


def draw(sheet: Sheet, top: float, rows: list[Bar], left: float) -> Axes:
    """Rows of bars at ``top`` mm in the body of a sheet, from ``left`` mm to its right margin."""
    style, room = sheet.style, sheet.style.width - left - 6.0
    tall, most = height(rows), max((row.value for row in rows), default=0.0) or 1.0
    ax = sheet.panel(top, tall, left=left)
    ax.set_axis_off()
    ax.set(xlim=(0.0, room), ylim=(tall, 0.0))
    ax.plot([0.0, 0.0], [0.0, tall], color=style.colour("muted"), linewidth=0.8)
    if not rows:
        ax.text(2.0, tall / 2.0, "none", va="center", **style.text("muted"))
    behind = max([BEHIND, *(BEYOND + width(row.text, bold=True) for row in rows)])
    for number, row in enumerate(rows):
        _draw_row(ax, style, number * ROW, row, (room - behind) / most)
    return ax


def _draw_row(ax: Axes, style: Style, top: float, row: Bar, scale: float) -> None:
    """One bar with its words."""
    long = row.value * scale
    ax.barh(top + 6.2, long, 3.4, 0.0, color=style.colour(row.role), linewidth=0.0)
    ax.text(long + 1.2, top + 6.2, row.text, va="center_baseline", **style.text(bold=True))
    ax.text(1.2, top + 2.4, row.name, va="center_baseline", **style.text(row.role, bold=True))
    start = 3.2 + width(row.name, bold=True)
    remarks = _fitting(row.remarks, ax.get_xlim()[1] - start)
    ax.text(start, top + 2.4, remarks, va="center_baseline", **style.text("muted"))


def _fitting(words: tuple[str, ...], room: float) -> str:
    """As many words as fit, then an ellipsis."""
    for count in range(len(words), 0, -1):
        text = ", ".join(words[:count]) + (" …" if count < len(words) else "")
        if width(text) <= room:
            return text
    return ""


TALL = {"a4": 38.0, "phone": 42.0}
# More samples than these are drawn as the least and the largest of each pixel.
PIXELS = 700


@dataclass(frozen=True, eq=False)
class PanelTrace:
    """One line: values in SI, role, name (none where it is alone), width."""

    values: np.ndarray
    role: str
    name: str
    wide: float


@dataclass(frozen=True, eq=False)
class Panel:
    """One panel: head, unit in SI, lines from back to front."""

    head: str
    unit: str
    traces: list[PanelTrace]

    def largest(self) -> float:
        """Largest magnitude of all lines that is finite."""
        rows = [np.abs(trace.values[np.isfinite(trace.values)]).max(initial=0.0) for trace in self.traces]
        return float(max(rows))


def force_panel(unit: str, values: np.ndarray, wide: float = 1.0) -> Panel:
    """What the motor makes on a scale with this position unit."""
    traces = [PanelTrace(values, "force", "", wide)]
    return Panel("Force", "N", traces) if unit == "m" else Panel("Torque", "N m", traces)


def length(time: np.ndarray) -> float:
    """Time from the first sample to the last."""
    return float(time[-1] - time[0]) if len(time) > 1 else 0.0


def into(ax: Axes, time: np.ndarray, panel: Panel, style: Style) -> Axes:
    """One panel in the caller's axes, in the units that they may have already."""
    return stacks.into(ax, style, _stacked(time, panel, style, *stacks.labels_of(ax)))


def sheet(time: np.ndarray, panels: list[Panel], style: Style, words: Words) -> Axes:
    """Panels over one axis of time with title, note and alternative text; returns the first one's axes."""
    return stacks.stack(style, words, [_stacked(time, panel, style) for panel in panels]).panels[0]


def _stacked(
    time: np.ndarray, panel: Panel, style: Style, below: str = "", head: str = ""
) -> stacks.StackPanel:
    """A panel to be stacked."""
    units = _units(time, panel, below, head)
    return stacks.StackPanel(
        f"{panel.head} ({units[1][0]})",
        f"Time ({units[0][0]})",
        TALL[style.page],
        *_spans(time, panel, units),
        lambda ax: _draw(ax, time, panel, units, style),
    )


def _units(
    time: np.ndarray, panel: Panel, below: str = "", head: str = ""
) -> tuple[tuple[str, float], tuple[str, float]]:
    """Units of time and of the values."""
    last = float(np.abs(time[[0, -1]]).max()) if len(time) else 0.0
    return axis_unit(last, "s", below), axis_unit(panel.largest(), panel.unit, head)


def _spans(
    time: np.ndarray, panel: Panel, units: tuple[tuple[str, float], tuple[str, float]]
) -> tuple[Span, Span]:
    """Ranges with room for names above the lines."""
    rows = [trace.values[np.isfinite(trace.values)] / units[1][1] for trace in panel.traces]
    values = np.concatenate([*rows, [] if any(len(row) for row in rows) else [0.0]])
    low, high = float(values.min()), float(values.max())
    # Differences that are rounding errors are shown as none.
    room = high - low if high - low > 1e-9 * max(abs(high), abs(low)) else max(abs(high), 1.0)
    named = any(trace.name for trace in panel.traces)
    first, last = (time[0], time[-1]) if len(time) > 1 else (0.0, 1.0)
    across = Span(first / units[0][1], last / units[0][1])
    return across, Span(low - 0.12 * room, high + (0.45 if named else 0.12) * room, most=5)


def _draw(
    ax: Axes, time: np.ndarray, panel: Panel, units: tuple[tuple[str, float], tuple[str, float]], style: Style
) -> Axes:
    """Lines and their names."""
    labels = Labels(ax, style)
    for number, trace in enumerate(panel.traces):
        x, y = per_pixel(time / units[0][1], trace.values / units[1][1])
        mark: dict[str, Any] = {"marker": "o", "markersize": 3.4} if len(x) < 3 else {}
        ax.plot(x, y, **style.line(trace.role, linewidth=trace.wide), **mark, zorder=3 + number)
        labels.avoid(x, y, key=trace.name)
    for trace in panel.traces:
        if trace.name:
            labels.beside(
                trace.name, trace.name, trace.role if trace.role != "ideal" else "muted", lone=False
            )
    return ax


def per_pixel(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least and largest value of each pixel, so that a long run keeps its peaks; a short run keeps all samples."""
    if len(x) <= 4 * PIXELS:
        return x, y
    starts = np.linspace(0, len(x), PIXELS, endpoint=False).astype(int)
    ends = np.append(starts[1:], len(x)) - 1
    low, high = np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)
    return np.repeat((x[starts] + x[ends]) / 2.0, 2), np.column_stack([low, high]).ravel()


DEGREE = np.pi / 180.0
SURE = 1.96
# A line with more points is drawn by the lowest and highest point of each part.
MOST = 4000
ROOM = 1.3
# Abscissas, ordinates, role, name, changes of the line.
TurnRow = tuple[np.ndarray, np.ndarray, str, str, dict[str, Any]]


def unit_of(largest: float, label: str = "") -> tuple[str, float]:
    """Name and scale of the unit of errors of this size; a unit in the label is kept."""
    return axis_unit(largest, "rad", label)


def closed(angle: np.ndarray, values: np.ndarray, unit: float) -> tuple[np.ndarray, np.ndarray]:
    """Degrees and values in the unit, the first point repeated after the turn; spikes survive thinning."""
    x = np.append(angle, 2.0 * np.pi) / DEGREE
    y = np.append(values, values[:1]) / unit
    if len(x) <= MOST:
        return x, y
    edges = np.linspace(0, len(x), MOST // 2 + 1).astype(int)
    pairs = [(first + np.argmin(y[first:last]), first + np.argmax(y[first:last]))
             for first, last in itertools.pairwise(edges)]  # fmt: skip
    kept = np.unique(np.concatenate([[0, len(x) - 1], np.sort(np.array(pairs), axis=1).ravel()]))
    return x[kept], y[kept]


def turn_panel(
    head: str,
    rows: list[TurnRow],
    unit: tuple[str, float],
    style: Style,
    *,
    height: float = 0.0,
    band: float = 0.0,
    least: float = 0.0,
) -> stacks.StackPanel:
    """Panel of lines (angle, values, role, name, changes of the line) over a turn, the last of them on a band."""
    wide = band / unit[1] if np.isfinite(band) else 0.0
    lines = [
        (*closed(angle, values, unit[1]), role, name, changes) for angle, values, role, name, changes in rows
    ]
    size = max([float(np.abs(y).max()) + wide for _, y, *_ in lines] + [least / unit[1]]) or 1.0
    return stacks.StackPanel(
        f"{head} ({unit[0]})",
        "Angle (°)",
        height,
        Span(0.0, 360.0, ticks={tick: str(tick) for tick in range(0, 361, 90 if style.phone else 60)}),
        Span(-ROOM * size, ROOM * size, most=6),
        lambda ax: _draw_turn(ax, lines, wide, style),
    )


def _draw_turn(ax: Axes, lines: list[TurnRow], wide: float, style: Style) -> None:
    """Lines over a turn with their names, the last of them on its band."""
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    labels = Labels(ax, style)
    labels.avoid(np.array([0.0, 360.0]), np.zeros(2))
    if wide:
        x, y = lines[-1][:2]
        ax.fill_between(x, y - wide, y + wide, color=style.colour("soft"), linewidth=0.0, zorder=1)
    for number, (x, y, role, _, changes) in enumerate(lines):
        ax.plot(x, y, **style.line(role, **changes), zorder=3 + number)
        labels.avoid(x, y, key=number + 0.5)
    for number, (_, y, role, name, _) in enumerate(lines):
        if name and np.any(y):
            labels.beside(name, number + 0.5, role)


def sticks(
    ax: Axes, places: np.ndarray, heights: np.ndarray, style: Style, role: str, **changes: Any
) -> None:
    """Thin lines from the axis up to each height, a dot on top."""
    colour = style.colour(role)
    ax.vlines(places, 0.0, heights, color=colour, linewidth=1.4, zorder=3)
    ax.plot(places, heights, **{"linestyle": "none", "marker": "o", "markersize": 3.6, "color": colour,
                                "zorder": 4, **changes})  # fmt: skip


def spectral_line(labels: Labels, x: float, y: float, low: float, *, hollow: bool) -> None:
    """A stick from the foot of a panel to an amplitude, with a dot on top; hollow and dashed where aliased."""
    ax, colour = labels.ax, labels.style.colour("cyclic")
    dashes = (0, (2.2, 1.1)) if hollow else "-"
    ax.plot([x, x], [low, y], color=colour, linewidth=2.4, linestyle=dashes, zorder=4, solid_capstyle="butt")
    fill = labels.style.colour("paper") if hollow else colour
    ax.plot(x, y, "o", markersize=7.0, markeredgewidth=1.8, color=colour, markerfacecolor=fill, zorder=5,
            clip_on=False)  # fmt: skip
    labels.avoid([x, x], [low, y])
    place = labels.place(x, y)[0]
    labels.block(*(place - 1.3), *(place + 1.3))
