"""Picture of a closed loop in time: what the controller measures, what is true, how far off the demand, the torque."""

import numpy as np

from . import _plot
from ._plot_numbers import axis_words, percent, quantity, sentence
from ._plot_traces import Panel, Trace, force_panel, into, length, sheet

# Of a steady run that does not wander so many of the last samples are drawn: more would be a bar.
SHOWN, BLOCKS, WANDERS = 800, 100, 0.3
# Sticking is told from this share of the time on.
TOLD = 0.02


def closed_run(result, ax=None, *, style=_plot.PRINT):
    """Measured and true velocity, and torque or force, against time; of a profile the following error too.

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
    part = _part(result)
    time, panels = np.asarray(result.time, dtype=float)[part], _panels(result, part)
    if ax is not None:
        return into(ax, time, panels[0], style)
    title = _title(result)
    main = sheet(time, panels, style, title, _note(result, time))[0]
    others = " and ".join(panel.head.lower() for panel in panels[1:])
    words = f"Line charts of measured and true velocity, {others} against time"
    _plot.describe(main.figure, title, f"{words} over {quantity(length(time), 's', strip=True)}. {title}.")
    return main


def _moves(result):
    """Whether a profile was asked for."""
    return len(result.demand) > 0 and float(np.ptp(result.demand)) > 0.0


def _part(result):
    """Samples to draw: all, or the last of a steady run that would be nothing but a bar."""
    values = np.asarray(result.velocity, dtype=float)
    steady = result.valid and not _moves(result)
    if not steady or len(values) <= 2 * SHOWN or _wanders(values) or _wanders(np.asarray(result.torque)):
        return slice(None)
    return slice(-SHOWN, None)


def _wanders(values):
    """Whether values change slowly, as of an axis that sticks and slips, and not only within a cycle."""
    values = values[len(values) % BLOCKS :]
    means = values.reshape(BLOCKS, -1).mean(axis=1)
    return bool(np.std(means) > WANDERS * np.std(values))


def _panels(result, part):
    """Velocities, following error of a profile, torque."""
    unit, moves = result.axis.scale.unit, _moves(result)
    rows = {
        name: np.asarray(getattr(result, name), dtype=float)[part]
        for name in ("measured", "velocity", "torque", "demand")
    }
    velocity = [
        *([Trace(rows["demand"], "ideal", "demand", 1.4)] if moves else []),
        Trace(rows["measured"], "ink", "measured", 1.0),
        Trace(rows["velocity"], "true", "true", 2.0),
    ]
    panels = [Panel("Velocity", f"{unit}/s", velocity)]
    if moves:
        panels.append(Panel("Following error", unit, [Trace(result.following_error[part], "true", "", 1.4)]))
    return [*panels, force_panel(unit, rows["torque"])]


def _title(result):
    """The answer: where it stopped, how far off the demand it is, or what is measured and true."""
    if result.stopped is not None:
        when, why = result.stopped
        return f"Stopped after {quantity(when, 's', 2)}: {why}"
    if not result.valid:
        return f"In doubt: {result.reasons[0] if result.reasons else 'the result says so'}"
    mover = "load" if result.axis.load.flexible else "axis"
    return _title_of_move(result, mover) if _moves(result) else _title_of_steady(result, mover)


def _title_of_move(result, mover):
    error, unit = np.abs(result.following_error), result.axis.scale.unit
    worst = int(np.argmax(error))
    off = f"off its demand by up to {quantity(error[worst], unit, 2)}, at {quantity(result.time[worst], 's', 2)}"
    share = result.sticking
    if share < TOLD:
        return f"The {mover} is {off}"
    return f"The {mover} sticks {percent(share)} of the time and is {off}"


def _title_of_steady(result, mover):
    unit = f"{result.axis.scale.unit}/s"
    measured, true = (float(result.rms.get(name, np.nan)) for name in ("measured", "actual"))
    if not np.isfinite([measured, true]).all():
        return f"{quantity(length(np.asarray(result.time)), 's', 2)} of the closed loop"
    if not measured and not true:
        return f"The {mover} runs without ripple"
    share = result.sticking
    stuck = f" and sticks {percent(share)} of the time" if share > TOLD else ""
    measured, true = quantity(measured, unit, 2), quantity(true, unit, 2)
    return f"The drive measures {measured} rms of ripple, the {mover} makes {true}{stuck}"


def _note(result, time):
    whole = quantity(length(np.asarray(result.time, dtype=float)), "s", strip=True)
    shown = f", the last {quantity(length(time), 's', 2)} shown" if len(time) < len(result.time) else ""
    seed = f", seed\u00a0{result.seed}"
    return f"{sentence(axis_words(result.axis))}; {whole} simulated{seed}{shown}."
