"""Pictures of error maps and calibrations: error with its band, orders, steps, closure; noise of a calibration plan.

Pictures of an axis against a reference: errors of both directions, reversal, accuracy by target.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..calibration.positioning import Positioning
from ..presentation import canvas
from ..presentation.elements import SURE, sticks, turn_panel, unit_of
from ..presentation.labels import Labels
from ..presentation.stacks import WIDE_GAP, StackPanel, into, labels_of, place, stack
from ..presentation.ticks import Span
from ..wording import axis_unit, counted, digits, listed, ordinal, quantity, sentence
from .ring import angle, half_range

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from ..calibration.error_map import ErrorMap
    from ..calibration.pass_comparison import PassComparison
    from ..calibration.plan import CalibrationPlan
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration
    from ..presentation.canvas import Style, Words
    from ..presentation.elements import TurnRow


BAND = "band: 95 % of points"
# Orders are drawn up to the last above this share of the largest and this many uncertainties; fewest and most orders.
SHARE_SHOWN, CLEAR, FEWEST, MOST = 0.02, 4.0, 12, {"a4": 60, "phone": 30}
NAMED = 6
# More orders than this have smaller dots; steps have smaller dots from an eighth of this number on.
CROWDED = 400
UNOBSERVABLE = "× unobservable"
# The noisiest order of a plan is named above this magnification, and told in the title.
NOISY, TOLD = 1.1, 3.0


def error_map(
    result: ErrorMap | SelfCalibration, ax: Axes | None = None, *, style: Style = canvas.PRINT
) -> Axes:
    """Error of a ring over a turn with its band of uncertainty, and the amplitudes of its orders."""
    band = SURE * float(np.max(result.uncertainty))
    values = result.error - result.error.mean()
    rows = _map_rows(result.angle, values)
    largest = float(np.abs(values).max())
    if ax is not None:
        unit = unit_of(largest, labels_of(ax)[1])
        return into(ax, style, turn_panel("Error", rows, unit, style, band=band))
    title, kept = _map_title(result, values), _by_size(result)
    text = f"Line chart of angle error against angle over a revolution, sticks by order. {title}."
    text += f" Largest: {listed(kept)}." if kept else ""
    unit = unit_of(max(largest, band if np.isfinite(band) else 0.0))
    panels = [
        turn_panel("Error, shown minus true", rows, unit, style, height=44.0, band=band),
        _orders("Amplitude of each order", result, unit, style),
    ]
    words = canvas.Words(title, _map_note(result, band), text)
    return stack(style, words, panels, gap=WIDE_GAP).panels[0]


def _map_rows(turn: np.ndarray, values: np.ndarray) -> list[TurnRow]:
    """A map as the line of a panel, with half of its range."""
    return [(turn, values, "ink", f"±{angle(half_range(values))}", {"linewidth": 1.1})]


def calibration(result: Calibration, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Error maps of both rings with their bands, noise of each step, closure error of each turn."""
    bands = [SURE * float(sure[0]) for sure in (result.uncertainty, result.b_uncertainty)]
    rows = [_map_rows(result.angle, values) for values in (result.a, result.b)]
    if ax is not None:
        unit = unit_of(float(np.abs(result.a).max()), labels_of(ax)[1])
        return into(ax, style, turn_panel("Error", rows[0], unit, style, band=bands[0]))
    largest = max(float(np.abs(values).max()) + (band if np.isfinite(band) else 0.0)
                  for values, band in zip((result.a, result.b), bands, strict=True))  # fmt: skip
    unit = unit_of(largest)
    panels = [
        turn_panel(f"Error of ring {ring}", row, unit, style, height=28.0, band=band, least=largest / 1.3)
        for ring, row, band in zip("AB", rows, bands, strict=True)
    ]
    sizes = " and ".join(f"±{angle(half_range(values))}" for values in (result.a, result.b))
    known = f"known to ±{angle(bands[0])}" if np.isfinite(bands[0]) else "how well is unknown"
    title = f"Two rings of {sizes}, {known}"
    words = canvas.Words(title, _calibration_note(result), _calibration_text(result, title))
    sheet = stack(style, words, panels, gap=11.0, room=73.0 if style.phone else 41.0)
    steps, other = _below(result, style)
    top, right = (95.0, 6.0) if style.phone else (93.0, 92.0)
    place(sheet, steps, top, right=right)
    if style.phone:
        place(sheet, other, 132.0)
    sheet.widen_left(*sheet.panels)
    if not style.phone:
        place(sheet, other, 93.0, left=102.0, head_left=92.0)
    return sheet.panels[0]


def calibration_plan(plan: CalibrationPlan, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Magnification of reading noise in each order, and the unobservable orders."""
    known = plan.magnification[np.isfinite(plan.magnification)]
    most = 2.4 * max(known.max(initial=1.0), 1.5)
    panel = StackPanel(
        "Noise of each order (1: ideal steps)",
        "Order (per revolution)",
        42.0,
        Span(0.0, 1.02 * plan.orders[-1] + 0.5, most=10),
        Span(0.8, most * 1.25, True),
        lambda ax: _magnified(ax, plan, most, style),
    )
    if ax is not None:
        return into(ax, style, panel)
    lost, count = len(plan.lost), sentence(counted(len(plan.steps)))
    title = f"{count} steps make every order of both rings observable"
    if not lost and known.max() > TOLD:
        title += f", order {plan.orders[np.argmax(known)]} with {digits(known.max(), 2)}× noise"
    if lost:
        title = f"{count} steps leave {lost} of {len(plan.orders)} orders unobservable: {_few(plan.lost)}"
    note = (f"{plan.points} readings per revolution. A point of a map has {digits(plan.point_noise, 2)} of the noise "
            "of a reading. Ideal: as many steps, evenly spread for that order.")  # fmt: skip
    more = f" The others magnify noise by at most {digits(known.max(), 2)}." if len(known) else ""
    text = f"Log chart of noise against order of a plan of steps. {title}.{more}"
    return stack(style, canvas.Words(title, note, text), [panel]).panels[0]


def _few(numbers: Sequence[int]) -> str:
    """The first numbers, and whether there are more."""
    return ", ".join(map(str, numbers[:NAMED])) + (", …" if len(numbers) > NAMED else "")


def _ended(reason: str) -> str:
    """A reason as a sentence with one full stop or ellipsis at its end."""
    return reason.replace("...", "…") + ("" if reason.endswith(("...", "…")) else ".")


def _by_size(result: ErrorMap | SelfCalibration) -> list[str]:
    """The three largest orders in words."""
    size = np.abs(result.amplitudes)
    order = np.argsort(-size, kind="stable")[:3]
    return [f"{angle(size[n])} at {n + 1} per revolution" for n in order if size[n] > 1e-3 * size.max()]


def _map_title(result: ErrorMap | SelfCalibration, values: np.ndarray) -> str:
    if not np.any(values):
        return "The map holds no error"
    size = np.abs(result.amplitudes)
    largest = int(np.argmax(size)) + 1
    return f"Ring error ±{angle(half_range(values))}, mainly the {ordinal(largest)} order"


def _map_note(result: ErrorMap | SelfCalibration, band: float) -> str:
    words = ["Error over a revolution, mean removed."]
    if np.isfinite(band) and band > 0.0:
        words.append(f"{sentence(BAND)}, ±{angle(band)}, on a dotted line what is noise in an order.")
    words += [f"Not reliable: {_ended(result.reasons[0])}"] if result.reasons else []
    return " ".join(words)


def _orders(
    head: str, result: ErrorMap | SelfCalibration, unit: tuple[str, float], style: Style
) -> StackPanel:
    """Panel of the amplitudes of the orders up to the last significant one."""
    size = np.abs(result.amplitudes) / unit[1]
    sure = result.order_uncertainty
    sure = np.full(len(size), np.nan) if sure is None else sure / unit[1]
    with np.errstate(invalid="ignore"):
        clear = (size > SHARE_SHOWN * size.max(initial=0.0)) & ~(
            size < CLEAR * np.where(np.isinf(sure), 0.0, sure)
        )
    last = int(np.flatnonzero(clear).max(initial=0)) + 1
    last = min(max(last, FEWEST), MOST[style.page], len(size))
    size, sure, held = size[:last], sure[:last], ~np.isinf(sure[:last])
    most = 3.0 * float(np.nanmax(np.where(held, sure, 0.0), initial=0.0))
    top = max(float(size.max()), most) or 1.0
    return StackPanel(
        f"{head} ({unit[0]})",
        "Order (per revolution)",
        28.0,
        Span(0.2, last + 0.8, most=10, grid=False),
        Span(0.0, 1.2 * top, most=4),
        lambda ax: _draw_orders(ax, size, sure, style),
    )


def _draw_orders(ax: Axes, size: np.ndarray, sure: np.ndarray, style: Style) -> None:
    """Sticks of the orders, uncertainty of each dotted, unobservable orders marked."""
    orders, held = np.arange(1, len(size) + 1), ~np.isinf(sure)
    sticks(ax, orders[held], size[held], style, "cyclic")
    if np.isfinite(sure[held]).any():
        ax.plot(orders, np.where(held, sure, np.nan), **style.line("noise"), zorder=5)
    _mark_lost(ax, orders[~held], style)


def _mark_lost(ax: Axes, orders: np.ndarray, style: Style) -> None:
    """A cross on the axis for each unobservable order, with its explanation."""
    if not len(orders):
        return
    cross: dict[str, Any] = {"color": style.colour("ink"), "markersize": 6.0, "markeredgewidth": 1.6}
    ax.plot(orders, np.zeros(len(orders)), "x", **cross, zorder=6, clip_on=False)
    _name_crosses(Labels(ax, style), 2.2)


def _name_crosses(labels: Labels, down: float) -> None:
    """What crosses mean, at the right, mm below the top."""
    half = labels.half(UNOBSERVABLE, True, canvas.SIZE)
    labels.put(UNOBSERVABLE, labels.size - [half[0] + 0.6, down], "ink")
    labels.block(labels.size[0] - 2.0 * half[0] - 1.0, labels.size[1] - down - 2.0, *labels.size)


def _calibration_note(result: Calibration) -> str:
    used = int(np.count_nonzero(result.weights))
    words = [
        f"{sentence(counted(used))} steps of {len(result.angle)} readings; {BAND}, unobservable orders aside."
    ]
    words += [sentence(_ended(reason)) for reason in result.reasons[:2]]
    return " ".join(words)


def _calibration_text(result: Calibration, title: str) -> str:
    words = [f"Two line charts of ring error against angle with bands, dots of noise by step. {title}."]
    words += [f"Unobservable orders: {_few(result.lost)}."] if result.lost else ["Every order is observable."]
    words += [f"Steps that stand out: {_few(result.outliers)}."] if result.outliers else []
    return " ".join(words)


def _below(result: Calibration, style: Style) -> tuple[StackPanel, ...]:
    """Panels of the noise of each step and of the closure error, or of the orders of ring A if that is unknown."""
    tops, heights = ((91.4, 128.4), (18.0, 16.0)) if style.phone else ((89.6, 89.6), (23.0, 23.0))
    noise = np.where(result.weights > 0.0, result.step_residual, np.nan)
    steps = _steps("Noise of each step, rms", noise, result.outliers, style)
    if result.closure is not None:
        other = _steps("Closing error", result.closure, None, style)
    else:
        unit = unit_of(float(np.abs(result.a_orders).max(initial=0.0)))
        other = _orders("Orders of ring A", result.error_map(), unit, style)
    panels = zip((steps, other), heights, tops, strict=True)
    return tuple(replace(panel, height=height, head_top=top) for panel, height, top in panels)


def _steps(head: str, values: np.ndarray, outliers: Sequence[int] | None, style: Style) -> StackPanel:
    """A dot for each step, outliers marked; without outliers (None) the range is symmetric about zero."""
    largest = float(np.abs(np.nan_to_num(values)).max(initial=0.0))
    name, unit = unit_of(largest)
    top = 1.4 * (largest / unit or 1.0)
    ticks = {float(step): str(step) for step in range(0, len(values), len(values) // 8 + 1)}
    return StackPanel(
        f"{head} ({name})",
        "Step, counted from 0",
        0.0,
        Span(-0.8, len(values) - 0.2, ticks=ticks),
        Span(-top if outliers is None else 0.0, top, most=4),
        lambda ax: _draw_steps(ax, values / unit, outliers, style),
    )


def _draw_steps(ax: Axes, values: np.ndarray, outliers: Sequence[int] | None, style: Style) -> None:
    """Dots of all steps, outliers marked and numbered; without outliers (None) a line at zero."""
    size = {} if len(values) <= CROWDED // 8 else {"markersize": 2.4}
    sticks(ax, np.arange(len(values)), values, style, "cyclic", **size)
    if outliers is None:
        ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
        return
    labels = Labels(ax, style)
    labels.avoid_sticks(np.arange(len(values)), 0.0, values)
    for step in outliers[:NAMED]:
        ax.plot(step, values[step], "D", color=style.colour("ink"), markersize=5.0, zorder=6)
    for step in outliers[:3]:
        labels.at([f"step {step}"], step, values[step], "ink", clear=0.8)


def _magnified(ax: Axes, plan: CalibrationPlan, top: float, style: Style) -> None:
    """Dots of the magnification, unobservable orders along the top."""
    known = np.isfinite(plan.magnification)
    size = 3.0 if len(plan.orders) <= CROWDED else 1.2
    dots: dict[str, Any] = {"color": style.colour("cyclic"), "markersize": size, "zorder": 3}
    ax.plot(plan.orders[known], plan.magnification[known], "o", **dots)
    labels = Labels(ax, style)
    lost = plan.orders[~known]
    if len(lost):
        ax.plot(lost, np.full(len(lost), top), "x", color=style.colour("ink"), markersize=4.0, zorder=4)
        _name_crosses(labels, labels.size[1] - labels.place(0.0, top)[0, 1] + 4.0)
    heights = np.where(known, plan.magnification, 0.0)
    # The lowest of several that are equal but for rounding.
    worst = int(np.argmax(heights > 0.999 * heights.max(initial=0.0)))
    if heights[worst] > NOISY:
        labels.avoid_points(plan.orders[known], plan.magnification[known])
        words = f"order {plan.orders[worst]}: {digits(heights[worst], 2)}×"
        labels.at([words], plan.orders[worst], heights[worst], "cyclic", clear=0.6)


GAP = 1.35
# Values, role, name, {"band": half its width at each position} where there is one.
Row = tuple[np.ndarray, str, str, dict[str, np.ndarray]]


def passes(result: PassComparison, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Error of an encoder against a reference forward and backward, and the reversal between them."""
    rows: list[Row] = [(result.forward, "cyclic", "forward", {}), (result.backward, "counts", "backward", {})]
    rows.append((result.error, "ink", "mean of both", {}))
    worst, turned = (float(np.abs(values).max()) for values in (result.error, result.reversal))
    sizes = [quantity(value, result.unit, 2) for value in (worst, turned)]
    title = f"Mean of both directions up to {sizes[0]} off the reference; reversal up to {sizes[1]}"
    words = canvas.Words(
        title if worst or turned else "No error against the reference",
        "Both directions at the same positions of the reference.",
        "Line charts of error and reversal against position.",
    )
    first = _errors("Shown minus reference", result.position, rows, result.unit, style, labels=labels_of(ax))
    return _both_directions(result, first, words, result.position, style, ax=ax)


def positioning(result: Positioning, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Mean deviation at each target in both directions with two standard deviations, and the reversal."""
    rows: list[Row] = [(result.forward, "cyclic", "forward", {"band": 2.0 * result.forward_deviation}),
            (result.backward, "counts", "backward", {"band": 2.0 * result.backward_deviation})]  # fmt: skip
    sizes = [quantity(value, result.unit, 2) for value in (result.accuracy, result.largest_reversal)]
    words = canvas.Words(
        f"Accuracy of positioning {sizes[0]}, reversal up to {sizes[1]}",
        f"{result.edition}: mean of {result.runs} runs each way, bars two standard deviations each side.",
        "Line charts of deviation and reversal against target position.",
    )
    head = "Mean deviation from the target"
    first = _errors(head, result.target, rows, result.unit, style, labels=labels_of(ax))
    return _both_directions(result, first, words, result.target, style, ax=ax)


def _both_directions(
    result: PassComparison | Positioning,
    first: StackPanel,
    words: Words,
    position: np.ndarray,
    style: Style,
    *,
    ax: Axes | None,
) -> Axes:
    """Errors above, the reversal below, on one axis of positions."""
    if ax is not None:
        return into(ax, style, first)
    doubt = "" if result.valid or not result.reasons else f" Not reliable: {result.reasons[0]}."
    reversal = result.mean_reversal if isinstance(result, Positioning) else result.reversal_mean
    text = f"{words.text} {words.title}. Mean reversal {quantity(reversal, result.unit, 2)}."
    turned: list[Row] = [(result.reversal, "ink", "", {})]
    second = _errors("Reversal, forward minus backward", position, turned, result.unit, style)
    words = canvas.Words(words.title, words.note + doubt, text)
    return stack(style, words, [replace(first, height=44.0), replace(second, height=24.0)], gap=10.0).panels[
        0
    ]


def _errors(
    head: str,
    position: np.ndarray,
    rows: list[Row],
    unit: str,
    style: Style,
    *,
    labels: tuple[str, str] = ("", ""),
) -> StackPanel:
    """Curves of one kind against position, each with its name; bars where they have a band."""
    largest = max(float(np.abs(values).max() + np.max(more.get("band", 0.0))) for values, *_, more in rows)
    name, size = axis_unit(largest, unit, labels[1])
    across, far = axis_unit(float(np.abs(position).max()), unit, labels[0])
    x, high = position / far, GAP * (largest / size or 1.0)
    edge = 0.02 * float(np.ptp(x)) or 1.0
    return StackPanel(
        f"{head} ({name})",
        f"Position ({across})",
        0.0,
        Span(x[0] - edge, x[-1] + edge),
        Span(-high, high, most=6),
        lambda ax: _draw_errors(ax, x, rows, size, style),
    )


def _draw_errors(ax: Axes, x: np.ndarray, rows: list[Row], size: float, style: Style) -> None:
    """Curves with their names, bars where they have a band."""
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    labels = Labels(ax, style)
    labels.avoid(x, 0.0 * x)
    dots: dict[str, Any] = {"marker": "o", "markersize": 3.6} if len(x) <= 40 else {}
    for number, (values, role, _, more) in enumerate(rows):
        y = values / size
        if "band" in more:
            wide = more["band"] / size
            ax.errorbar(x, y, wide, fmt="none", ecolor=style.colour(role), elinewidth=1.0, capsize=2.5)
            labels.avoid_sticks(x, y - wide, y + wide)
        ax.plot(x, y, **style.line(role), **dots, zorder=4)
        labels.avoid(x, y, key=number + 0.5)
    for number, (_, role, name, _) in enumerate(rows):
        if name:
            labels.beside(name, number + 0.5, role)
