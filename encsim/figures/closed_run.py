"""Picture of a closed loop in time: measured and actual velocity, following error, torque.

Picture of the response of a closed loop to a step or a ramp.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..closed_loop.time_responses import RampResponse
from ..plotting import canvas
from ..plotting.elements import Panel, PanelTrace, force_panel, into, length, sheet
from ..wording import axis_words, first_reason, percent, quantity, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..closed_loop.time_responses import StepResponse
    from ..plotting.canvas import Style
    from ..time_domain.closed_run_result import Run


# Samples of a steady run that are drawn, its last ones: more would look like a solid bar. All are drawn if the means of
# this many blocks vary by more than this share of the values.
SHOWN, BLOCKS, SLOW = 800, 100, 0.3
# Least share of the time that the title calls sticking.
LEAST_STICKING = 0.02


def closed_run(result: Run, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Measured and actual velocity and torque or force against time; with a motion profile the following error too."""
    part = _shown_samples(result)
    time, panels = np.asarray(result.time, dtype=float)[part], _panels(result, part)
    if ax is not None:
        return into(ax, time, panels[0], style)
    title = _title(result)
    others = " and ".join(panel.head.lower() for panel in panels[1:])
    words = f"Line charts of measured and true velocity, {others} against time"
    text = f"{words} over {quantity(length(time), 's', strip=True)}. {title}."
    return sheet(time, panels, style, canvas.Words(title, _note(result, time), text))


def _follows_profile(result: Run) -> bool:
    """Whether the demand changes."""
    return len(result.demand) > 0 and float(np.ptp(result.demand)) > 0.0


def _shown_samples(result: Run) -> slice:
    """Samples to draw: all, or the last ones of a steady run."""
    values = np.asarray(result.velocity, dtype=float)
    steady = result.valid and not _follows_profile(result)
    if (
        not steady
        or len(values) <= 2 * SHOWN
        or _varies_slowly(values)
        or _varies_slowly(np.asarray(result.torque))
    ):
        return slice(None)
    return slice(-SHOWN, None)


def _varies_slowly(values: np.ndarray) -> bool:
    """Whether values change slowly, as with stick-slip, and not only within a cycle."""
    values = values[len(values) % BLOCKS :]
    means = values.reshape(BLOCKS, -1).mean(axis=1)
    return bool(np.std(means) > SLOW * np.std(values))


def _panels(result: Run, part: slice) -> list[Panel]:
    """Velocities, following error of a profile, torque."""
    unit, moves = result.axis.scale.unit, _follows_profile(result)
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
    """The answer: where the run stopped, the following error, or measured and actual ripple."""
    if result.stopped is not None:
        when, why = result.stopped
        return f"Stopped after {quantity(when, 's', 2)}: {why}"
    if not result.valid:
        return f"Not reliable: {first_reason(result)}"
    load = result.axis.load
    mover = "load" if load is not None and load.flexible else "axis"
    return _title_of_profile(result, mover) if _follows_profile(result) else _title_of_steady(result, mover)


def _title_of_profile(result: Run, mover: str) -> str:
    error, unit = np.abs(result.following_error), result.axis.scale.unit
    worst = int(np.argmax(error))
    off = f"following error of up to {quantity(error[worst], unit, 2)}, at {quantity(result.time[worst], 's', 2)}"
    share = result.sticking
    if share < LEAST_STICKING:
        return f"The {mover} has a {off}"
    return f"The {mover} sticks {percent(share)} of the time and has a {off}"


def _title_of_steady(result: Run, mover: str) -> str:
    unit = f"{result.axis.scale.unit}/s"
    measured, true = (float(result.rms.get(name, np.nan)) for name in ("measured", "actual"))
    if not np.isfinite([measured, true]).all():
        return f"{quantity(length(np.asarray(result.time)), 's', 2)} of the closed loop"
    if not measured and not true:
        return f"The {mover} runs without ripple"
    share = result.sticking
    stuck = f" and sticks {percent(share)} of the time" if share > LEAST_STICKING else ""
    drive, moved = quantity(measured, unit, 2), quantity(true, unit, 2)
    return f"The drive measures {drive} rms of ripple, the {mover} makes {moved}{stuck}"


def _note(result: Run, time: np.ndarray) -> str:
    whole = quantity(length(np.asarray(result.time, dtype=float)), "s", strip=True)
    shown = f", the last {quantity(length(time), 's', 2)} shown" if len(time) < len(result.time) else ""
    seed = f", seed\u00a0{result.seed}"
    return f"{sentence(axis_words(result.axis))}; {whole} simulated{seed}{shown}."


# Overshoot below this share of the step is shown as none.
NO_OVERSHOOT = 5e-4
# A following error below this share of the largest one is none.
NO_ERROR = 1e-9
SETTLED = "within 2\u202f% after {}"


def step(result: RampResponse | StepResponse, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Response of a closed loop to a step or a ramp: demand, motion of the axis, torque."""
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
    """Around which motion the response is computed."""
    if result.axis.estimator.linear:
        return "computed "
    return f"beside a steady {quantity(abs(result.speed), result.units['velocity'], strip=True)}, computed "


def _step_panels(result: RampResponse | StepResponse) -> list[Panel]:
    """Panels: the quantity of the demand first, the torque last."""
    unit = result.axis.scale.unit
    demand = PanelTrace(result.demand, "ideal", "demand", 1.4)
    if isinstance(result, RampResponse):
        asked = PanelTrace(np.full_like(result.time, result.rate), "ideal", "demand", 1.4)
        first = [
            Panel("Following error", unit, [PanelTrace(result.error, "true", "", 2.0)]),
            Panel("Velocity", f"{unit}/s", [asked, PanelTrace(result.velocity, "true", "axis", 2.0)]),
        ]
    elif result.of == "velocity":
        moved = PanelTrace(result.velocity, "true", "axis", 2.0)
        first = [Panel("Velocity", f"{unit}/s", [demand, moved])]
    else:
        named = [demand] if result.of == "position" else []
        moved = PanelTrace(result.position, "true", "axis" if named else "", 2.0)
        first = [
            Panel("Position", unit, [*named, moved]),
            Panel("Velocity", f"{unit}/s", [PanelTrace(result.velocity, "true", "", 2.0)]),
        ]
    return [*first, force_panel(unit, result.torque, 2.0)]


def _step_title(result: RampResponse | StepResponse) -> str:
    """The answer: overshoot and settling time, deflection under load, or following error."""
    if not result.valid:
        return f"Not reliable: {result.reasons[0]}"
    if isinstance(result, RampResponse):
        return _title_of_ramp(result)
    return _title_of_load_step(result) if result.of == "load" else _title_of_step(result)


def _title_of_step(result: StepResponse) -> str:
    size = quantity(abs(result.size), result.units["size"], 2)
    passed = f"{percent(result.overshoot)} overshoot" if result.overshoot > NO_OVERSHOOT else "no overshoot"
    what = "Step" if result.of == "position" else "Velocity step"
    return f"{what} of {size}: {passed}, {_settling(result)}"


def _settling(result: RampResponse | StepResponse) -> str:
    if math.isnan(result.settling_time):
        return f"not within 2\u202f% after {quantity(length(result.time), 's', 2)}"
    return SETTLED.format(quantity(result.settling_time, "s", 2))


def _title_of_load_step(result: StepResponse) -> str:
    unit = result.axis.scale.unit
    force = quantity(abs(result.size), result.units["size"], 2)
    by = f"{force} on the load push it by {quantity(abs(result.largest), unit, 2)}"
    if math.isnan(result.final):
        return f"{by}, and on: nothing holds the position"
    stays = abs(result.final) > NO_ERROR * abs(result.largest)
    rest = f"at {quantity(abs(result.final), unit, 2)}" if stays else "back"
    return f"{by}, {rest} {_settling(result)}"


def _title_of_ramp(result: RampResponse) -> str:
    unit = result.axis.scale.unit
    rate, most = quantity(abs(result.rate), f"{unit}/s", 2), abs(result.largest_error)
    rest = abs(result.following_error)
    stays = f"stays {quantity(rest, unit, 2)} behind" if rest > NO_ERROR * most else "is back on it"
    return (
        f"Ramp of {rate}: the axis trails by up to {quantity(most, unit, 2)} and {stays} {_settling(result)}"
    )
