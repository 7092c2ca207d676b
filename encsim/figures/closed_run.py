"""Picture of a closed loop in time: what the controller measures, what is true, how far off the demand, the torque.

Picture of what a closed loop answers to a step or a ramp.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..plotting import canvas
from ..plotting.elements import Panel, PanelTrace, force_panel, into, length, sheet
from ..wording import axis_words, first_reason, percent, quantity, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..closed_loop.time_responses import RampResponse, StepResponse
    from ..plotting.canvas import Style
    from ..time_domain.closed_run_result import Run


# Of a steady run that does not wander so many of the last samples are drawn: more would be a bar.
SHOWN, BLOCKS, WANDERS = 800, 100, 0.3
# Sticking is told from this share of the time on.
TOLD = 0.02


def closed_run(result: Run, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Measured and true velocity, and torque or force, against time; of a profile the following error too."""
    part = _part(result)
    time, panels = np.asarray(result.time, dtype=float)[part], _panels(result, part)
    if ax is not None:
        return into(ax, time, panels[0], style)
    title = _title(result)
    others = " and ".join(panel.head.lower() for panel in panels[1:])
    words = f"Line charts of measured and true velocity, {others} against time"
    text = f"{words} over {quantity(length(time), 's', strip=True)}. {title}."
    return sheet(time, panels, style, canvas.Words(title, _note(result, time), text))


def _moves(result: Run) -> bool:
    """Whether a profile was asked for."""
    return len(result.demand) > 0 and float(np.ptp(result.demand)) > 0.0


def _part(result: Run) -> slice:
    """Samples to draw: all, or the last of a steady run that would be nothing but a bar."""
    values = np.asarray(result.velocity, dtype=float)
    steady = result.valid and not _moves(result)
    if not steady or len(values) <= 2 * SHOWN or _wanders(values) or _wanders(np.asarray(result.torque)):
        return slice(None)
    return slice(-SHOWN, None)


def _wanders(values: np.ndarray) -> bool:
    """Whether values change slowly, as of an axis that sticks and slips, and not only within a cycle."""
    values = values[len(values) % BLOCKS :]
    means = values.reshape(BLOCKS, -1).mean(axis=1)
    return bool(np.std(means) > WANDERS * np.std(values))


def _panels(result: Run, part: slice) -> list[Panel]:
    """Velocities, following error of a profile, torque."""
    unit, moves = result.axis.scale.unit, _moves(result)
    rows = {
        name: np.asarray(getattr(result, name), dtype=float)[part]
        for name in ("measured", "velocity", "torque", "demand")
    }
    velocity = [
        *([PanelTrace(rows["demand"], "ideal", "demand", 1.4)] if moves else []),
        PanelTrace(rows["measured"], "ink", "measured", 1.0),
        PanelTrace(rows["velocity"], "true", "true", 2.0),
    ]
    panels = [Panel("Velocity", f"{unit}/s", velocity)]
    if moves:
        panels.append(
            Panel("Following error", unit, [PanelTrace(result.following_error[part], "true", "", 1.4)])
        )
    return [*panels, force_panel(unit, rows["torque"])]


def _title(result: Run) -> str:
    """The answer: where it stopped, how far off the demand it is, or what is measured and true."""
    if result.stopped is not None:
        when, why = result.stopped
        return f"Stopped after {quantity(when, 's', 2)}: {why}"
    if not result.valid:
        return f"In doubt: {first_reason(result)}"
    mover = "load" if result.axis.load.flexible else "axis"
    return _title_of_move(result, mover) if _moves(result) else _title_of_steady(result, mover)


def _title_of_move(result: Run, mover: str) -> str:
    error, unit = np.abs(result.following_error), result.axis.scale.unit
    worst = int(np.argmax(error))
    off = f"off its demand by up to {quantity(error[worst], unit, 2)}, at {quantity(result.time[worst], 's', 2)}"
    share = result.sticking
    if share < TOLD:
        return f"The {mover} is {off}"
    return f"The {mover} sticks {percent(share)} of the time and is {off}"


def _title_of_steady(result: Run, mover: str) -> str:
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


def _note(result: Run, time: np.ndarray) -> str:
    whole = quantity(length(np.asarray(result.time, dtype=float)), "s", strip=True)
    shown = f", the last {quantity(length(time), 's', 2)} shown" if len(time) < len(result.time) else ""
    seed = f", seed\u00a0{result.seed}"
    return f"{sentence(axis_words(result.axis))}; {whole} simulated{seed}{shown}."


# Less overshoot than this, as share of the step, is none.
NONE = 5e-4
# A following error below this share of the largest one is none.
NOTHING = 1e-9
ENDED = "within 2\u202f% after {}"


def step(result: RampResponse | StepResponse, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Answer of a closed loop to a step or a ramp: what it asks for, what the axis does, what that takes."""
    panels = _step_panels(result)
    if ax is not None:
        return into(ax, result.time, panels[0], style)
    title = _step_title(result)
    note = f"{sentence(axis_words(result.axis))}; {_about(result)}without counts, dry friction, cogging and limits."
    heads = " and ".join(panel.head.lower() for panel in panels)
    words = f"Line charts of {heads} against time"
    text = f"{words} over {quantity(length(result.time), 's', strip=True)}. {title}."
    return sheet(result.time, panels, style, canvas.Words(title, note, text))


def _about(result: RampResponse | StepResponse) -> str:
    """From where the values are taken."""
    if result.axis.estimator.linear:
        return "computed "
    return f"beside a steady {quantity(abs(result.speed), result.units['velocity'], strip=True)}, computed "


def _of(result: RampResponse | StepResponse) -> str:
    return getattr(result, "of", "ramp")


def _step_panels(result: RampResponse | StepResponse) -> list[Panel]:
    """What is asked first, the torque last."""
    unit, of = result.axis.scale.unit, _of(result)
    demand = PanelTrace(result.demand, "ideal", "demand", 1.4)
    if of == "velocity":
        moved = PanelTrace(result.velocity, "true", "axis", 2.0)
        first = [Panel("Velocity", f"{unit}/s", [demand, moved])]
    elif of == "ramp":
        asked = PanelTrace(np.full_like(result.time, result.rate), "ideal", "demand", 1.4)
        first = [
            Panel("Following error", unit, [PanelTrace(result.error, "true", "", 2.0)]),
            Panel("Velocity", f"{unit}/s", [asked, PanelTrace(result.velocity, "true", "axis", 2.0)]),
        ]
    else:
        named = [demand] if of == "position" else []
        moved = PanelTrace(result.position, "true", "axis" if named else "", 2.0)
        first = [
            Panel("Position", unit, [*named, moved]),
            Panel("Velocity", f"{unit}/s", [PanelTrace(result.velocity, "true", "", 2.0)]),
        ]
    return [*first, force_panel(unit, result.torque, 2.0)]


def _step_title(result: RampResponse | StepResponse) -> str:
    """The answer: overshoot and settling, or how far the axis is pushed or trails."""
    if not result.valid:
        return f"In doubt: {result.reasons[0]}"
    return {"load": _pushed, "ramp": _trailing}.get(_of(result), _risen)(result)


def _risen(result: StepResponse) -> str:
    size = quantity(abs(result.size), result.units["size"], 2)
    passed = f"{percent(result.overshoot)} overshoot" if result.overshoot > NONE else "no overshoot"
    what = "Step" if result.of == "position" else "Velocity step"
    return f"{what} of {size}: {passed}, {_ended(result)}"


def _ended(result: RampResponse | StepResponse) -> str:
    if math.isnan(result.settling_time):
        return f"not within 2\u202f% after {quantity(length(result.time), 's', 2)}"
    return ENDED.format(quantity(result.settling_time, "s", 2))


def _pushed(result: StepResponse) -> str:
    unit = result.axis.scale.unit
    force = quantity(abs(result.size), result.units["size"], 2)
    by = f"{force} on the load push it by {quantity(abs(result.largest), unit, 2)}"
    if math.isnan(result.final):
        return f"{by}, and on: nothing holds the position"
    stays = abs(result.final) > NOTHING * abs(result.largest)
    rest = f"at {quantity(abs(result.final), unit, 2)}" if stays else "back"
    return f"{by}, {rest} {_ended(result)}"


def _trailing(result: RampResponse) -> str:
    unit = result.axis.scale.unit
    rate, most = quantity(abs(result.rate), f"{unit}/s", 2), abs(result.largest_error)
    rest = abs(result.following_error)
    stays = f"stays {quantity(rest, unit, 2)} behind" if rest > NOTHING * most else "is back on it"
    return f"Ramp of {rate}: the axis trails by up to {quantity(most, unit, 2)} and {stays} {_ended(result)}"
