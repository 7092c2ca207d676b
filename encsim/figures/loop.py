"""Pictures of a closed loop: ripple of velocity and torque against speed, one run in time, a step or a ramp."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..closed_loop.time_responses import RampResponse
from ..presentation import canvas, elements
from ..presentation.labels import Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.ticks import NO_VALUES, Span
from ..wording import axis_unit, axis_words, first_reason, percent, quantity, sentence
from . import loop_view
from .ripple import hatch
from .ripple_view import PanelFrame, cause_words, range_of_values

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.time_responses import StepResponse
    from ..presentation.canvas import Style, Words
    from ..time_domain.closed_run_result import Run
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
BESIDE = ("peaks beside sampling nulls", "sampling nulls", "aliased")
# Samples of a steady run that are drawn, its last ones: more would look like a solid bar. All are drawn if the means of
# this many blocks vary by more than this share of the values.
SHOWN, BLOCKS, SLOW = 800, 100, 0.3
# Least share of the time that the title calls sticking.
LEAST_STICKING = 0.02
# Overshoot below this share of the step is shown as none.
NO_OVERSHOOT = 5e-4
# A following error below this share of the largest one is none.
NO_ERROR = 1e-9
SETTLED = "within 2\u202f% after {}"


def smoothness(
    result: Smoothness,
    ax: Axes | None = None,
    *,
    simulated: Mapping[str, Any] | None = None,
    style: Style = canvas.PRINT,
) -> Axes:
    """Ripple of a closed loop against speed: measured velocity, torque or force, actual velocity of the load.

    The result is drawn as it is: peaks where a harmonic meets the resonance, and beside null speeds, are ragged or
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


def closed_run(result: Run, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Measured and actual velocity and torque or force against time; with a motion profile the following error too."""
    part = _shown_samples(result)
    time, panels = np.asarray(result.time, dtype=float)[part], _run_panels(result, part)
    if ax is not None:
        return elements.into(ax, time, panels[0], style)
    title = _run_title(result)
    others = " and ".join(panel.head.lower() for panel in panels[1:])
    words = f"Line charts of measured and actual velocity, {others} against time"
    text = f"{words} over {quantity(elements.length(time), 's', strip=True)}. {title}."
    return elements.sheet(time, panels, style, canvas.Words(title, _run_note(result, time), text))


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


def _run_panels(result: Run, part: slice) -> list[elements.Panel]:
    """Velocities, following error of a profile, torque."""
    unit, moves = result.axis.scale.unit, _follows_profile(result)
    rows = {
        name: np.asarray(getattr(result, name), dtype=float)[part]
        for name in ("measured", "velocity", "torque", "demand")
    }
    velocity = [
        *([elements.PanelTrace(rows["demand"], "ideal", "demand", 1.4)] if moves else []),
        elements.PanelTrace(rows["measured"], "ink", "measured", 1.0),
        elements.PanelTrace(rows["velocity"], "true", "actual", 2.0),
    ]
    panels = [elements.Panel("Velocity", f"{unit}/s", velocity)]
    if moves:
        off = elements.PanelTrace(result.following_error[part], "true", "", 1.4)
        panels.append(elements.Panel("Following error", unit, [off]))
    return [*panels, elements.force_panel(unit, rows["torque"])]


def _run_title(result: Run) -> str:
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
        return f"{quantity(elements.length(np.asarray(result.time)), 's', 2)} of the closed loop"
    if not measured and not true:
        return f"The {mover} runs without ripple"
    share = result.sticking
    stuck = f" and sticks {percent(share)} of the time" if share > LEAST_STICKING else ""
    drive, moved = quantity(measured, unit, 2), quantity(true, unit, 2)
    return f"The drive measures {drive} rms of ripple, the {mover} makes {moved}{stuck}"


def _run_note(result: Run, time: np.ndarray) -> str:
    whole = quantity(elements.length(np.asarray(result.time, dtype=float)), "s", strip=True)
    shown = (
        f", the last {quantity(elements.length(time), 's', 2)} shown" if len(time) < len(result.time) else ""
    )
    seed = f", seed\u00a0{result.seed}"
    return f"{sentence(axis_words(result.axis))}; {whole} simulated{seed}{shown}."


def step(result: RampResponse | StepResponse, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Response of a closed loop to a step or a ramp: demand, motion of the axis, torque."""
    panels = _step_panels(result)
    if ax is not None:
        return elements.into(ax, result.time, panels[0], style)
    title = _step_title(result)
    note = f"{sentence(axis_words(result.axis))}; {_about(result)}without counts, dry friction, cogging and limits."
    heads = " and ".join(panel.head.lower() for panel in panels)
    words = f"Line charts of {heads} against time"
    text = f"{words} over {quantity(elements.length(result.time), 's', strip=True)}. {title}."
    return elements.sheet(result.time, panels, style, canvas.Words(title, note, text))


def _about(result: RampResponse | StepResponse) -> str:
    """Around which motion the response is computed."""
    if result.axis.estimator.linear:
        return "computed "
    return f"beside a steady {quantity(abs(result.speed), result.units['velocity'], strip=True)}, computed "


def _step_panels(result: RampResponse | StepResponse) -> list[elements.Panel]:
    """Panels: the quantity of the demand first, the torque last."""
    unit = result.axis.scale.unit
    demand = elements.PanelTrace(result.demand, "ideal", "demand", 1.4)
    if isinstance(result, RampResponse):
        asked = elements.PanelTrace(np.full_like(result.time, result.rate), "ideal", "demand", 1.4)
        first = [
            elements.Panel("Following error", unit, [elements.PanelTrace(result.error, "true", "", 2.0)]),
            elements.Panel(
                "Velocity", f"{unit}/s", [asked, elements.PanelTrace(result.velocity, "true", "axis", 2.0)]
            ),
        ]
    elif result.of == "velocity":
        moved = elements.PanelTrace(result.velocity, "true", "axis", 2.0)
        first = [elements.Panel("Velocity", f"{unit}/s", [demand, moved])]
    else:
        named = [demand] if result.of == "position" else []
        moved = elements.PanelTrace(result.position, "true", "axis" if named else "", 2.0)
        first = [
            elements.Panel("Position", unit, [*named, moved]),
            elements.Panel("Velocity", f"{unit}/s", [elements.PanelTrace(result.velocity, "true", "", 2.0)]),
        ]
    return [*first, elements.force_panel(unit, result.torque, 2.0)]


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
        return f"not within 2\u202f% after {quantity(elements.length(result.time), 's', 2)}"
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
    stays = f"constant at {quantity(rest, unit, 2)}" if rest > NO_ERROR * most else "gone"
    return f"Ramp of {rate}: following error up to {quantity(most, unit, 2)}, {stays} {_settling(result)}"
