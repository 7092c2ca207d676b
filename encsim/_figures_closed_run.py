"""Pictures of a closed loop in time: a run with what is measured and what is true, and the answer to a step."""

from dataclasses import dataclass

import numpy as np

from . import _checks, _plot
from ._plot_labels import Labels
from ._plot_numbers import axis_unit, axis_words, percent, quantity, sentence

TALL = {"a4": 38.0, "phone": 42.0}
GAP = 10.5
# More samples than these are drawn as the least and the largest of each pixel.
PIXELS = 700
# A step has settled once it stays within this share of itself.
SETTLED = 0.02


def closed_run(result, ax=None, *, style=_plot.PRINT):
    """Measured and true velocity, and torque or force, against time.

    Parameters
    ----------
    result : Run
    ax : Axes, optional
        Takes the velocities alone.
    style : Style

    Returns
    -------
    Axes
        Of the velocities.
    """
    unit = result.axis.scale.unit
    velocity = [
        Trace(np.asarray(result.measured, dtype=float), "ink", "measured", 1.0),
        Trace(np.asarray(result.velocity, dtype=float), "true", "true", 2.0),
    ]
    force = [Trace(np.asarray(result.torque, dtype=float), "force", "", 1.0)]
    panels = [Panel("Velocity", f"{unit}/s", velocity), _force_panel(unit, force)]
    time = np.asarray(result.time, dtype=float)
    if ax is not None:
        return _into(ax, time, panels[0], style)
    title = _run_title(result)
    main = _sheet(time, panels, style, title, _run_note(result))[0]
    words = f"Line charts of measured and true velocity, and of {panels[1].head.lower()}, against time"
    _plot.describe(main.figure, title, f"{words} over {quantity(_length(time), 's', strip=True)}. {title}.")
    return main


def step(time, position, velocity, torque, demand, ax=None, *, unit="m", style=_plot.PRINT):
    """Answer of a closed loop to a step of the demanded position, or to another demand.

    Parameters
    ----------
    time, position, velocity, torque, demand : ndarray, shape (n,)
        s, and SI: true position, true velocity, torque or force, demanded position; the step is at the first sample.
    ax : Axes, optional
        Takes the position alone.
    unit : {"m", "rad"}
        Position unit.
    style : Style

    Returns
    -------
    Axes
        Of the position.

    Raises
    ------
    InputError
        If the arrays are not of one length, or hold fewer than two samples.
    """
    rows = [np.asarray(row, dtype=float).ravel() for row in (time, position, velocity, torque, demand)]
    if len({len(row) for row in rows}) > 1 or len(rows[0]) < 2:
        sizes = ", ".join(str(len(row)) for row in rows)
        _checks.refuse("step.time", "be as long as the other arrays, two samples or more", sizes)
    time, position, velocity, torque, demand = rows
    panels = [
        Panel(
            "Position", unit, [Trace(demand, "ideal", "demand", 1.4), Trace(position, "true", "axis", 2.0)]
        ),
        Panel("Velocity", f"{unit}/s", [Trace(velocity, "true", "", 2.0)]),
        _force_panel(unit, [Trace(torque, "force", "", 2.0)]),
    ]
    if ax is not None:
        return _into(ax, time, panels[0], style)
    title = _step_title(time, position, demand, unit)
    main = _sheet(time, panels, style, title, "")[0]
    words = f"Line charts of position and demand, velocity and {panels[2].head.lower()} against time"
    _plot.describe(main.figure, title, f"{words} over {quantity(_length(time), 's', strip=True)}. {title}.")
    return main


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


def _force_panel(unit, traces):
    return Panel("Force", "N", traces) if unit == "m" else Panel("Torque", "N m", traces)


def _length(time):
    return float(time[-1] - time[0]) if len(time) > 1 else 0.0


def _into(ax, time, panel, style):
    """One panel in the caller's axes, in the units that they may have already."""
    ax = _plot.axes(ax, style)
    units = _units(time, panel, ax.get_xlabel(), ax.get_title(loc="left"))
    _plot.name_axes(ax, style, head=f"{panel.head} ({units[1][0]})", below=f"Time ({units[0][0]})")
    _set_ranges(ax, time, panel, units)
    return _draw(ax, time, panel, units, style)


def _units(time, panel, below="", head=""):
    """Units of time and of the values."""
    last = float(np.abs(time[[0, -1]]).max()) if len(time) else 0.0
    return axis_unit(last, "s", below), axis_unit(panel.largest(), panel.unit, head)


def _sheet(time, panels, style, title, note):
    """Panels over one axis of time."""
    tall = TALL[style.page]
    count = len(panels)
    sheet = _plot.Sheet(style, title, note, 7.0 + count * tall + (count - 1) * GAP + 13.0)
    units = [_units(time, panel) for panel in panels]
    drawn = []
    for number, (panel, unit) in enumerate(zip(panels, units, strict=True)):
        drawn.append(sheet.panel(7.0 + number * (tall + GAP), tall, f"{panel.head} ({unit[1][0]})"))
        _set_ranges(drawn[-1], time, panel, unit)
    sheet.widen_left(*drawn)
    for ax, panel, unit in zip(drawn, panels, units, strict=True):
        _draw(ax, time, panel, unit, style)
        ax.tick_params(labelbottom=ax is drawn[-1])
    _plot.name_axes(drawn[-1], style, below=f"Time ({units[0][0][0]})")
    return drawn


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
        x, y = _per_pixel(time / units[0][1], trace.values / units[1][1])
        mark = {"marker": "o", "markersize": 3.4} if len(x) < 3 else {}
        ax.plot(x, y, **style.line(trace.role, linewidth=trace.wide), **mark, zorder=3 + number)
        labels.avoid(x, y, key=trace.name)
    for trace in panel.traces:
        if trace.name:
            labels.beside(
                trace.name, trace.name, trace.role if trace.role != "ideal" else "muted", lone=False
            )
    return ax


def _per_pixel(x, y):
    """Least and largest of each pixel, so that a long run keeps its peaks; all samples where they are few."""
    if len(x) <= 4 * PIXELS:
        return x, y
    starts = np.linspace(0, len(x), PIXELS, endpoint=False).astype(int)
    ends = np.append(starts[1:], len(x)) - 1
    low, high = np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)
    return np.repeat((x[starts] + x[ends]) / 2.0, 2), np.column_stack([low, high]).ravel()


def _run_title(result):
    """The answer: where it stopped, else what is measured, made and true."""
    if result.stopped is not None:
        when, why = result.stopped
        return f"Stopped after {quantity(when, 's', 2)}: {why}"
    if not result.valid:
        return f"In doubt: {result.reasons[0] if result.reasons else 'the result says so'}"
    unit = f"{result.axis.scale.unit}/s"
    measured, true = (_rms(result, names) for names in (("measured",), ("actual", "velocity")))
    mover = "load" if result.axis.load.flexible else "axis"
    if true is None or measured is None:
        return f"{quantity(_length(np.asarray(result.time)), 's', 2)} of the closed loop"
    if not measured and not true:
        return f"The {mover} runs without ripple"
    measured, true = quantity(measured, unit, 2), quantity(true, unit, 2)
    return f"The drive measures {measured} rms of ripple, the {mover} makes {true}"


def _rms(result, names):
    """The first of these that the result has, None where it is no number."""
    found = next((float(result.rms[name]) for name in names if name in result.rms), np.nan)
    return found if np.isfinite(found) else None


def _run_note(result):
    length = quantity(_length(np.asarray(result.time, dtype=float)), "s", strip=True)
    seed = getattr(result, "seed", None)
    drawn = "" if seed is None else f", seed\u00a0{seed}"
    return f"{sentence(axis_words(result.axis))}; {length} simulated{drawn}."


def _step_title(time, position, demand, unit):
    """The answer: overshoot and settling of a step, else the largest error."""
    if not np.isfinite(position).all():
        return "The position is lost: it is no finite number at some samples"
    size = float(demand[-1] - position[0])
    if size == 0.0 or np.ptp(demand[1:]) > 1e-9 * abs(size):
        error = np.abs(demand - position)
        worst = int(np.argmax(error))
        when = quantity(time[worst], "s", 2)
        return f"The axis is off its demand by up to {quantity(error[worst], unit, 2)}, at {when}"
    share = (position - position[0]) / size
    over = float(share.max()) - 1.0
    passed = f"{percent(over)} overshoot" if over > 5e-4 else "no overshoot"
    outside = np.flatnonzero(np.abs(share - 1.0) > SETTLED)
    start = f"Step of {quantity(abs(size), unit, 2)}: "
    if len(outside) and outside[-1] == len(share) - 1:
        return f"{start}{passed}, not within {percent(SETTLED, strip=True)} after {quantity(_length(time), 's', 2)}"
    settled = float(time[outside[-1] + 1] - time[0]) if len(outside) else 0.0
    return f"{start}{passed}, within {percent(SETTLED, strip=True)} after {quantity(settled, 's', 2)}"
