"""Pictures of error maps and of how they were made: the map in its band, orders, steps, closure, what a plan sees.

Pictures of an axis against a reference: errors of both directions, reversal, accuracy by target.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..plotting import canvas
from ..plotting.elements import SURE, sticks, turn_panel, unit_of
from ..plotting.labels import Labels
from ..plotting.stacks import StackPanel, into, stack
from ..wording import axis_unit, counted, digits, listed, ordinal, quantity, sentence
from .ring import angle, half_range

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..calibration.error_map import ErrorMap
    from ..calibration.pass_comparison import PassComparison
    from ..calibration.plan import CalibrationPlan
    from ..calibration.positioning import Positioning
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration
    from ..plotting.canvas import Sheet, Style


BAND = "band: 95 % of points"
# Orders are drawn up to the last of this share of the largest or of this many uncertainties, so many at least and most.
SHARE_SHOWN, CLEAR, FEWEST, MOST = 0.02, 4.0, 12, {"a4": 60, "phone": 30}
NAMED = 6
# Steps beyond this number are not counted one by one along the axis; dots of more orders than that grow small.
CROWDED = 400


def error_map(
    result: ErrorMap | SelfCalibration, ax: Axes | None = None, *, style: Style = canvas.PRINT
) -> Axes:
    """Error of a ring over a turn with its band of uncertainty, and the orders it is made of."""
    band = SURE * float(np.max(result.uncertainty))
    values = result.error - result.error.mean()
    rows = [(result.angle, values, "ink", f"±{angle(half_range(values))}", {"linewidth": 1.1})]
    if ax is not None:
        return _into(ax, rows, band, style)
    title = _map_title(result, values)
    sheet = canvas.Sheet(style, title, _map_note(result, band), 112.0)
    name, unit = unit_of(max(float(np.abs(values).max()), band if np.isfinite(band) else 0.0))
    main = sheet.panel(7.0, 44.0, f"Error, shown minus true ({name})")
    turn_panel(main, rows, unit, style, band=band)
    canvas.name_axes(main, style, below="Angle (°)")
    low = sheet.panel(71.0, 28.0, f"Amplitude of each order ({name})")
    _orders(low, result, unit, style)
    sheet.widen_left(main, low)
    kept = _by_size(result)
    words = f" Largest: {listed(kept)}." if kept else ""
    text = f"Line chart of angle error against angle over a turn, sticks by order. {title}.{words}"
    canvas.describe(sheet.figure, title, text)
    return main


def calibration(result: Calibration, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Maps of both rings with their bands, the noise of each step, and how each turn closes."""
    bands = [SURE * float(sure[0]) for sure in (result.uncertainty, result.b_uncertainty)]
    rows = [[(result.angle, values, "ink", f"±{angle(half_range(values))}", {"linewidth": 1.1})]
            for values in (result.a, result.b)]  # fmt: skip
    if ax is not None:
        return _into(ax, rows[0], bands[0], style)
    title = _calibration_title(result)
    sheet = canvas.Sheet(style, title, _calibration_note(result), 160.0 if style.phone else 128.0)
    largest = max(float(np.abs(values).max()) + (band if np.isfinite(band) else 0.0)
                  for values, band in zip((result.a, result.b), bands, strict=True))  # fmt: skip
    name, unit = unit_of(largest)
    panels = [
        sheet.panel(top, 28.0, f"Error of ring {ring} ({name})") for top, ring in ((7.0, "A"), (46.0, "B"))
    ]
    for panel, row, band in zip(panels, rows, bands, strict=True):
        turn_panel(panel, row, unit, style, band=band, least=largest / 1.3)
    panels[0].tick_params(labelbottom=False)
    canvas.name_axes(panels[1], style, below="Angle (°)")
    sheet.widen_left(*panels, *_below(sheet, result, style))
    canvas.describe(sheet.figure, title, _calibration_text(result, title))
    return panels[0]


def calibration_plan(plan: CalibrationPlan, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """How much the steps magnify reading noise in each order, and which orders they lose."""
    head, below = "Noise of each order against ideal steps", "Times per turn"
    draws = (lambda ax: _set_plan_ranges(ax, plan)), (lambda ax: _magnified(ax, plan, style))
    if ax is not None:
        return into(ax, style, StackPanel("Noise against ideal steps", 0.0, *draws), below)
    lost = len(plan.lost)
    what = (
        f"lose {lost} of {len(plan.orders)} orders: {_few(plan.lost)}"
        if lost
        else "see every order of both rings"
    )
    title = f"{sentence(counted(len(plan.steps)))} steps {what}"
    note = (f"{plan.points} readings a turn. One is the noise of as many ideally spread steps; a point of a map has "
            f"{digits(plan.point_noise, 2)} of the noise of a reading.")  # fmt: skip
    seen = plan.magnification[np.isfinite(plan.magnification)]
    words = f" Those seen magnify noise by at most {digits(seen.max(), 2)}." if len(seen) else ""
    text = f"Log chart of noise against order of a plan of steps. {title}.{words}"
    panel = StackPanel(head, 42.0, *draws)
    return stack(style, [panel], title=title, note=note, text=text, below=below)[0]


def _into(ax: Axes, rows: np.ndarray, band: float, style: Style) -> Axes:
    """A map on somebody's axes."""
    ax = canvas.axes(ax, style)
    name, unit = unit_of(float(np.abs(rows[0][1]).max()), ax.get_title(loc="left"))
    turn_panel(ax, rows, unit, style, band=band)
    canvas.name_axes(ax, style, head=f"Error ({name})", below="Angle (°)")
    return ax


def _few(orders: tuple[int, int]) -> str:
    """Some orders, and that there are more."""
    shown = [str(order) for order in orders[:NAMED]]
    return ", ".join(shown) + (", …" if len(orders) > NAMED else "")


def _stopped(reason: str) -> str:
    """A reason as a sentence that ends once."""
    text = reason.replace("...", "…")
    return text if text.endswith("…") else f"{text}."


def _by_size(result: ErrorMap | SelfCalibration) -> list[str]:
    """The three largest orders in words."""
    size = np.abs(result.amplitudes)
    order = np.argsort(-size, kind="stable")[:3]
    return [f"{angle(size[n])} at {n + 1} a turn" for n in order if size[n] > 1e-3 * size.max()]


def _map_title(result: ErrorMap | SelfCalibration, values: np.ndarray) -> str:
    if not np.any(values):
        return "The map holds no error"
    size = np.abs(result.amplitudes)
    largest = int(np.argmax(size)) + 1
    return f"The ring reads off by ±{angle(half_range(values))}; most of it is the {ordinal(largest)} order"


def _map_note(result: ErrorMap | SelfCalibration, band: float) -> str:
    words = ["Error over a turn, mean removed."]
    if np.isfinite(band) and band > 0.0:
        words.append(f"{sentence(BAND)}, ±{angle(band)}, on a dotted line what is noise in an order.")
    words += [f"In doubt: {_stopped(result.reasons[0])}"] if result.reasons else []
    return " ".join(words)


def _orders(ax: Axes, result: ErrorMap | SelfCalibration, unit: str, style: Style) -> None:
    """Sticks of the orders that matter, the uncertainty of each dotted, lost ones marked."""
    size = np.abs(result.amplitudes) / unit
    sure = result.order_uncertainty
    sure = np.full(len(size), np.nan) if sure is None else sure / unit
    with np.errstate(invalid="ignore"):
        clear = (size > SHARE_SHOWN * size.max(initial=0.0)) & ~(
            size < CLEAR * np.where(np.isinf(sure), 0.0, sure)
        )
    last = int(np.flatnonzero(clear).max(initial=0)) + 1
    last = min(max(last, FEWEST), MOST[style.page], len(size))
    orders = np.arange(1, last + 1)
    held = ~np.isinf(sure[:last])
    top = (
        max(float(size[:last].max()), 3.0 * float(np.nanmax(np.where(held, sure[:last], 0.0), initial=0.0)))
        or 1.0
    )
    canvas.number_axis(ax.xaxis, most=10)
    canvas.number_axis(ax.yaxis, most=4)
    canvas.limits(ax, (0.2, last + 0.8), (0.0, 1.2 * top))
    canvas.name_axes(ax, style, below="Times per turn")
    ax.xaxis.grid(False)
    sticks(ax, orders[held], size[:last][held], style, "cyclic")
    if np.isfinite(sure[:last][held]).any():
        ax.plot(orders, np.where(held, sure[:last], np.nan), **style.line("noise"), zorder=5)
    _mark_lost(ax, orders[~held], style)


def _mark_lost(ax: Axes, orders: np.ndarray, style: Style) -> None:
    """A cross on the axis for each order that is lost, and the word."""
    if not len(orders):
        return
    ax.plot(orders, np.zeros(len(orders)), "x", color=style.colour("ink"), markersize=6.0, markeredgewidth=1.6,
            zorder=6, clip_on=False)  # fmt: skip
    labels = Labels(ax, style)
    labels.put("× lost", labels.size - [labels.half("× lost", True, 9.0)[0] + 0.6, 2.2], "ink")


def _calibration_title(result: Calibration) -> str:
    sizes = " and ".join(f"±{angle(half_range(values))}" for values in (result.a, result.b))
    sure = float(result.uncertainty[0])
    known = f", known to ±{angle(SURE * sure)}" if np.isfinite(sure) else ", how well is unknown"
    return f"Two rings of {sizes}{known}"


def _calibration_note(result: Calibration) -> str:
    used = int(np.count_nonzero(result.weights))
    words = [f"{sentence(counted(used))} steps of {len(result.angle)} readings; {BAND}, lost orders aside."]
    words += [sentence(_stopped(reason)) for reason in result.reasons[:2]]
    return " ".join(words)


def _calibration_text(result: Calibration, title: str) -> str:
    lost = f"Lost orders: {_few(result.lost)}." if result.lost else "No order is lost."
    worst = f" Steps that stand out: {_few(result.outliers)}." if result.outliers else ""
    return f"Two line charts of ring error against angle with bands, dots of noise by step. {title}. {lost}{worst}"


def _below(sheet: Sheet, result: Calibration, style: Style) -> list[Axes]:
    """Noise of each step at the left (above on a phone), closure or orders at the right; the panels at the left."""
    if style.phone:
        left, right = sheet.panel(95.0, 18.0), sheet.panel(132.0, 16.0)
        tops, across = (91.4, 128.4), (4.0, 4.0)
    else:
        left, right = sheet.panel(93.0, 23.0, right=92.0), sheet.panel(93.0, 23.0, left=102.0)
        tops, across = (89.6, 89.6), (4.0, 92.0)
    name = _steps(left, np.where(result.weights > 0.0, result.step_residual, np.nan), result, style)
    sheet.text(across[0], tops[0], f"Noise of each step, rms ({name})", bold=True)
    if result.closure is not None:
        name = _steps(right, result.closure, result, style, signed=True)
        sheet.text(across[1], tops[1], f"Turn does not close by ({name})", bold=True)
        return [left, right] if style.phone else [left]
    name, unit = unit_of(float(np.abs(result.a_orders).max(initial=0.0)))
    _orders(right, result.error_map(), unit, style)
    sheet.text(across[1], tops[1], f"Orders of ring A ({name})", bold=True)
    return [left, right] if style.phone else [left]


def _steps(ax: Axes, values: np.ndarray, result: Calibration, style: Style, signed: bool = False) -> str:
    """A dot a step; those that stand out are filled and numbered. The name of the unit."""
    known = np.nan_to_num(values)
    name, unit = unit_of(float(np.abs(known).max(initial=0.0)))
    number = np.arange(len(values))
    top = float(np.abs(known).max(initial=0.0)) / unit or 1.0
    canvas.number_axis(ax.xaxis, most=8)
    canvas.number_axis(ax.yaxis, most=4)
    canvas.limits(ax, (-0.8, len(values) - 0.2), (-1.4 * top if signed else 0.0, 1.4 * top))
    canvas.name_axes(ax, style, below="Step, counted from 0")
    size = {} if len(values) <= CROWDED // 8 else {"markersize": 2.4}
    sticks(ax, number, values / unit, style, "cyclic", **size)
    if signed:
        ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    for step in result.outliers[:NAMED] if not signed else ():
        ax.plot(step, values[step] / unit, "D", color=style.colour("ink"), markersize=5.0, zorder=6)
    labels = Labels(ax, style)
    for step in result.outliers[:3] if not signed else ():
        labels.at([f"step {step}"], step, values[step] / unit, "ink", clear=0.8)
    return name


def _highest(plan: CalibrationPlan) -> float:
    """The power of ten above all magnifications, ten at least."""
    seen = plan.magnification[np.isfinite(plan.magnification)]
    return float(max(10.0 ** np.ceil(np.log10(seen.max(initial=1.0) * 1.05)), 10.0))


def _set_plan_ranges(ax: Axes, plan: CalibrationPlan) -> None:
    """Orders along an even axis, magnifications on a log axis."""
    canvas.number_axis(ax.xaxis, most=10)
    canvas.number_axis(ax.yaxis, logarithmic=True)
    canvas.limits(ax, (0.0, plan.orders[-1] + 1.0), (0.8, _highest(plan) * 1.6))


def _magnified(ax: Axes, plan: CalibrationPlan, style: Style) -> Axes:
    """Dots of magnification on a log axis, lost orders along the top."""
    seen, top = np.isfinite(plan.magnification), _highest(plan)
    size = 3.0 if len(plan.orders) <= CROWDED else 1.2
    ax.plot(
        plan.orders[seen],
        plan.magnification[seen],
        "o",
        color=style.colour("cyclic"),
        markersize=size,
        zorder=3,
    )
    labels = Labels(ax, style)
    lost = plan.orders[~seen]
    if len(lost):
        ax.plot(lost, np.full(len(lost), top * 1.2), "x", color=style.colour("ink"), markersize=4.0, zorder=4,
                clip_on=False)  # fmt: skip
        words = "crosses: lost"
        labels.put(words, labels.size - [labels.half(words, True, 9.0)[0] + 1.0, 9.0], "ink")
    return ax


GAP = 1.35


def passes(result: PassComparison, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Error of an encoder against a reference forward and backward, and the reversal between them."""
    rows = [(result.forward, "cyclic", "forward", {}), (result.backward, "counts", "backward", {})]
    if ax is not None:
        return _errors(canvas.axes(ax, style), result.position, rows, result.unit, style, named=True)
    title = _passes_title(result)
    note = "Shown minus reference, at the same positions in both directions."
    kind = "Line charts of error and reversal against position."
    return _sheet(result, title, note, result.position, rows, style, kind)


def positioning(result: Positioning, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Mean deviation at each target in both directions with two standard deviations, and the reversal."""
    rows = [(result.forward, "cyclic", "forward", {"band": 2.0 * result.forward_deviation}),
            (result.backward, "counts", "backward", {"band": 2.0 * result.backward_deviation})]  # fmt: skip
    if ax is not None:
        return _errors(canvas.axes(ax, style), result.target, rows, result.unit, style, named=True)
    sizes = [quantity(value, result.unit, 2) for value in (result.accuracy, result.largest_reversal)]
    title = f"Accuracy of positioning {sizes[0]}, reversal up to {sizes[1]}"
    note = f"{result.edition}: mean of {result.runs} runs each way, bars two standard deviations each side."
    note += f" In doubt: {result.reasons[0]}." if result.reasons else ""
    kind = "Line charts of deviation and reversal against target position."
    return _sheet(result, title, note, result.target, rows, style, kind)


def _passes_title(result: PassComparison) -> str:
    unit = result.unit
    worst, turned = (float(np.abs(values).max()) for values in (result.error, result.reversal))
    if not worst and not turned:
        return "No error against the reference"
    return f"Up to {quantity(worst, unit, 2)} off the reference; reversal up to {quantity(turned, unit, 2)}"


def _sheet(
    result: PassComparison,
    title: str,
    note: str,
    position: np.ndarray,
    rows: list[tuple[np.ndarray, str, str, dict[Any, Any]]],
    style: Style,
    kind: str,
) -> Axes:
    """Errors above, the reversal below, on one axis of positions."""
    if not result.valid and result.reasons[0] not in note:
        note += f" In doubt: {result.reasons[0]}."
    sheet = canvas.Sheet(style, title, note, 98.0)
    main, low = sheet.panel(7.0, 44.0), sheet.panel(61.0, 24.0)
    _errors(main, position, rows, result.unit, style)
    _errors(low, position, [(result.reversal, "ink", "", {})], result.unit, style)
    main.tick_params(labelbottom=False)
    sheet.widen_left(main, low)
    sheet.text(4.0, 3.6, f"Shown minus true ({main.encsim_unit})", bold=True)
    sheet.text(4.0, 57.6, f"Reversal, forward minus backward ({low.encsim_unit})", bold=True)
    canvas.name_axes(low, style, below=f"Position ({low.encsim_across})")
    canvas.describe(sheet.figure, title, f"{kind} {title}. {_spread(result)}")
    return main


def _spread(result: PassComparison) -> str:
    mean = getattr(result, "reversal_mean", None)
    return f"Mean reversal {quantity(result.mean_reversal if mean is None else mean, result.unit, 2)}."


def _errors(
    ax: Axes,
    position: np.ndarray,
    rows: list[tuple[np.ndarray, str, str, dict[Any, Any]]],
    unit: str,
    style: Style,
    named: bool = False,
) -> Axes:
    """Curves of one kind against position, each with its name; bars where they have a band."""
    known = ax.get_title(loc="left"), ax.get_xlabel()
    largest = max(float(np.abs(values).max() + np.max(more.get("band", 0.0))) for values, *_, more in rows)
    ax.encsim_unit, size = axis_unit(largest, unit, known[0])
    ax.encsim_across, far = axis_unit(float(np.abs(position).max()), unit, known[1])
    x, high = position / far, GAP * (largest / size or 1.0)
    edge = 0.02 * float(np.ptp(x)) or 1.0
    canvas.number_axis(ax.xaxis)
    canvas.number_axis(ax.yaxis, most=6)
    canvas.limits(ax, (x[0] - edge, x[-1] + edge), (-high, high))
    if named:
        canvas.name_axes(
            ax, style, head=f"Shown minus true ({ax.encsim_unit})", below=f"Position ({ax.encsim_across})"
        )
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    labels = Labels(ax, style)
    dots = {"marker": "o", "markersize": 3.6} if len(x) <= 40 else {}
    for number, (values, role, _, more) in enumerate(rows):
        y = values / size
        if "band" in more:
            ax.errorbar(
                x, y, more["band"] / size, fmt="none", ecolor=style.colour(role), elinewidth=1.0, capsize=2.5
            )
        ax.plot(x, y, **style.line(role), **dots, zorder=4)
        labels.avoid(x, y, key=number)
    for number, (_, role, name, _) in enumerate(rows):
        if name:
            labels.beside(name, number, role)
    return ax
