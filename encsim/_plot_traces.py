"""Lines against time in panels that share one axis of time, with a name at each line."""

from dataclasses import dataclass

import numpy as np

from . import _plot
from ._plot_labels import Labels
from ._plot_numbers import axis_unit

TALL = {"a4": 38.0, "phone": 42.0}
GAP = 10.5
# More samples than these are drawn as the least and the largest of each pixel.
PIXELS = 700


@dataclass(frozen=True, eq=False)
class Trace:
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
    traces: list

    def largest(self):
        """Largest magnitude of all lines that is finite."""
        rows = [np.abs(trace.values[np.isfinite(trace.values)]).max(initial=0.0) for trace in self.traces]
        return float(max(rows))


def force_panel(unit, values, wide=1.0):
    """What the motor makes on a scale with this position unit."""
    traces = [Trace(values, "force", "", wide)]
    return Panel("Force", "N", traces) if unit == "m" else Panel("Torque", "N m", traces)


def length(time):
    """Time from the first sample to the last."""
    return float(time[-1] - time[0]) if len(time) > 1 else 0.0


def into(ax, time, panel, style):
    """One panel in the caller's axes, in the units that they may have already."""
    ax = _plot.axes(ax, style)
    units = _units(time, panel, ax.get_xlabel(), ax.get_title(loc="left"))
    _plot.name_axes(ax, style, head=f"{panel.head} ({units[1][0]})", below=f"Time ({units[0][0]})")
    _set_ranges(ax, time, panel, units)
    return _draw(ax, time, panel, units, style)


def sheet(time, panels, style, title, note):
    """Panels over one axis of time; returns their axes."""
    tall = TALL[style.page]
    count = len(panels)
    page = _plot.Sheet(style, title, note, 7.0 + count * tall + (count - 1) * GAP + 13.0)
    units = [_units(time, panel) for panel in panels]
    drawn = []
    for number, (panel, unit) in enumerate(zip(panels, units, strict=True)):
        drawn.append(page.panel(7.0 + number * (tall + GAP), tall, f"{panel.head} ({unit[1][0]})"))
        _set_ranges(drawn[-1], time, panel, unit)
    page.widen_left(*drawn)
    for ax, panel, unit in zip(drawn, panels, units, strict=True):
        _draw(ax, time, panel, unit, style)
        ax.tick_params(labelbottom=ax is drawn[-1])
    _plot.name_axes(drawn[-1], style, below=f"Time ({units[0][0][0]})")
    return drawn


def _units(time, panel, below="", head=""):
    """Units of time and of the values."""
    last = float(np.abs(time[[0, -1]]).max()) if len(time) else 0.0
    return axis_unit(last, "s", below), axis_unit(panel.largest(), panel.unit, head)


def _set_ranges(ax, time, panel, units):
    """Ranges with room for names above the lines."""
    rows = [trace.values[np.isfinite(trace.values)] / units[1][1] for trace in panel.traces]
    values = np.concatenate([*rows, [] if any(len(row) for row in rows) else [0.0]])
    low, high = float(values.min()), float(values.max())
    # Ripple below what rounding leaves of the values is none.
    room = high - low if high - low > 1e-9 * max(abs(high), abs(low)) else max(abs(high), 1.0)
    named = any(trace.name for trace in panel.traces)
    first, last = (time[0], time[-1]) if len(time) > 1 else (0.0, 1.0)
    _plot.number_axis(ax.xaxis)
    _plot.number_axis(ax.yaxis, most=5)
    across = (first / units[0][1], last / units[0][1])
    _plot.limits(ax, across, (low - 0.12 * room, high + (0.45 if named else 0.12) * room))


def _draw(ax, time, panel, units, style):
    """Lines and their names."""
    labels = Labels(ax, style)
    for number, trace in enumerate(panel.traces):
        x, y = per_pixel(time / units[0][1], trace.values / units[1][1])
        mark = {"marker": "o", "markersize": 3.4} if len(x) < 3 else {}
        ax.plot(x, y, **style.line(trace.role, linewidth=trace.wide), **mark, zorder=3 + number)
        labels.avoid(x, y, key=trace.name)
    for trace in panel.traces:
        if trace.name:
            labels.beside(
                trace.name, trace.name, trace.role if trace.role != "ideal" else "muted", lone=False
            )
    return ax


def per_pixel(x, y):
    """Least and largest of each pixel, so that a long run keeps its peaks; all samples where they are few."""
    if len(x) <= 4 * PIXELS:
        return x, y
    starts = np.linspace(0, len(x), PIXELS, endpoint=False).astype(int)
    ends = np.append(starts[1:], len(x)) - 1
    low, high = np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)
    return np.repeat((x[starts] + x[ends]) / 2.0, 2), np.column_stack([low, high]).ravel()
