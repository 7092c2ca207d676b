"""Picture of velocity ripple against speed: total, parts, regimes, null speeds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..decisions import headlines
from ..decisions.requirements import Requirement
from ..open_loop.causes import BY_ROLE, REGIMES
from ..presentation import canvas, elements
from ..presentation.canvas import width
from ..presentation.labels import Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.strips import choose_names, ribbon, top_names, top_ticks
from ..presentation.ticks import NO_VALUES, Span, drawn_before
from ..wording import percent, quantity
from . import ripple_view
from .ripple_view import (
    PanelFrame,
    edges_of,
    frame_of,
    prepare_ripple,
    range_of_speeds,
    range_of_values,
    runs,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from ..open_loop.closed_form import RippleCurve
    from ..presentation.canvas import Sheet, Style
    from .ripple_view import Limit, RippleView, SpeedView


HEAD = "Velocity ripple, rms"
TICKS = "sampling nulls:"
LIMIT = "limit"
CAPTION = "the largest part at each speed"
# Reliable speeds between others are hatched with them below this share of the range.
BETWEEN = 0.04


def ripple(
    curve: RippleCurve,
    ax: Axes | None = None,
    *,
    limit: Limit = None,
    simulated: Mapping[str, Any] | None = None,
    style: Style = canvas.PRINT,
) -> Axes:
    """Velocity ripple against speed: total, parts by role, regimes, null speeds.

    The curve is drawn as it is: notches at null speeds are ragged or missed unless the speeds lie close there
    (400 on a log scale and 50 around each null speed are enough).
    """
    _check(limit, simulated)
    view = prepare_ripple(curve, limit, simulated)
    if ax is not None:
        return _into(ax, view, style)
    return _single(view, style) if len(view.speed) < 2 else _sheet(view, style)


def _check(limit: Limit, simulated: Mapping[str, Any] | None) -> None:
    """Refuse a limit or simulated points that cannot be drawn."""
    if limit is not None and not isinstance(limit, Requirement):
        pair = isinstance(limit, (tuple, list)) and len(limit) == 2 and all(map(checks.is_real, limit))
        if not pair or min(limit) < 0.0 or max(limit) == 0.0:
            rule = (
                "be a share of the speed and a least value, zero or more and not both zero, or a Requirement"
            )
            checks.refuse("plot.limit", rule, limit)
    if simulated is not None and np.size(simulated["speed"]) != np.size(simulated["rms"]):
        sizes = f"{np.size(simulated['speed'])} and {np.size(simulated['rms'])}"
        checks.refuse("plot.simulated", "hold speed and rms of one length", sizes)


def _single(view: RippleView, style: Style) -> Axes:
    """One speed or standstill: total, parts and limit as bars."""
    rows = _single_rows(view)
    sheet = canvas.Sheet(style, ripple_view.words(view, style), 7.0 + elements.height(rows) + 6.0)
    sheet.text(4.0, 3.6, HEAD, bold=True)
    return elements.draw(sheet, 7.0, rows, 4.0)


def _single_rows(view: RippleView) -> list[elements.Bar]:
    moving = len(view.speed) > 0
    total, parts = view.standstill or (0.0, {})
    if moving:
        total, parts = view.rms[0], {role: part[0] for role, part in view.parts.items()}
    wanted = [
        ("ripple", "ink", total),
        *((BY_ROLE[role].label, role, part) for role, part in parts.items() if part > 0.0),
    ]
    if view.limit is not None:
        found = headlines.allowed(view.limit, view.speed) if moving else view.limit.limit_at([0.0])
        least = np.inf if found is None else float(found[0])
        wanted += [(ripple_view.rule(view.limit, view), "limit", least)] if 0.0 < least < np.inf else []
    remarks = ("its square is the sum of the parts' squares",) if len(parts) > 1 and total > 0.0 else ()
    return [
        elements.Bar(name, role, remarks if role == "ink" else (), float(size), quantity(size, view.unit))
        for name, role, size in wanted
    ]


def _into(ax: Axes, view: RippleView, style: Style) -> Axes:
    """The main panel in the caller's axes, in the units that they may have; ticks on top for the first curve only."""
    again = drawn_before(ax)
    names = [] if again else _tick_names(view, Labels(ax, style).size[0])[0]
    panel = _main_panel(view, style, frame_of(view, *labels_of(ax)), ticks=not again)
    return into(ax, style, panel, pad=17.0 if names or again else 6.0)


def _sheet(view: RippleView, style: Style) -> Axes:
    """Main panel, ribbon and share panel on a figure of their own; the main panel alone without ripple."""
    names, prefix = _tick_names(view, style.width - 20.0)
    words = ripple_view.words(view, style, explained=prefix is not None or not view.vanishing)
    main = _main_panel(view, style, frame_of(view), ticks=True)
    panels = [main, _share_panel(view, style)] if np.any(view.rms > 0.0) else [main]
    top = 11.0 if names else 7.0
    sheet = stack(style, words, panels, top=top, gap=22.0)
    if len(panels) > 1:
        _strip(sheet, view, style, top + main.height + 2.0)
    return sheet.panels[0]


def _main_panel(view: RippleView, style: Style, frame: PanelFrame, *, ticks: bool) -> StackPanel:
    """Ripple against speed, total and parts."""
    tall = 56.0 if style.phone else 66.0 if np.any(view.rms > 0.0) else 30.0
    return StackPanel(
        f"{HEAD} ({frame.unit[0]})",
        f"Speed ({frame.speed_unit[0]})",
        tall,
        *_spans(view, frame),
        lambda ax: _draw_main(ax, view, style, frame, ticks=ticks),
        head_top=3.4,
    )


def _share_panel(view: RippleView, style: Style) -> StackPanel:
    """The ripple as a share of the speed."""
    frame = PanelFrame(frame_of(view).speed_unit, None)
    return StackPanel(
        f"Ripple {'/' if style.phone else 'as a share of the'} speed (%)",
        f"Speed ({frame.speed_unit[0]})",
        38.0 if style.phone else 44.0,
        *_spans(view, frame),
        lambda ax: _draw_share(ax, view, style, frame),
    )


def _spans(view: RippleView, frame: PanelFrame) -> tuple[Span, Span]:
    """Log ranges of a panel."""
    y = np.concatenate([frame.y(view.rms, view.speed), frame.y(view.ring_rms, view.ring_speed)])
    across = frame.span(view)
    if not np.any(y > 0.0):
        return across, NO_VALUES
    rows = [frame.y(part, view.speed) for part in view.parts.values()]
    most = 1.7 if frame.ripple_unit is None else 3.0
    return across, Span(*range_of_values(y, rows, most), True)


def _draw_main(ax: Axes, view: RippleView, style: Style, frame: PanelFrame, *, ticks: bool) -> None:
    """Curves with their names, ticks on top."""
    _curves(ax, view, style, frame)
    labels = Labels(ax, style)
    if view.vanishing and ticks:
        names, prefix = _tick_names(view, labels.size[0])
        speeds = frame.x(np.array([speed for speed, _ in view.vanishing]))
        top_ticks(labels, speeds)
        top_names(labels, names, prefix, TICKS)
    _write_names(labels, view, frame)


def _draw_share(ax: Axes, view: RippleView, style: Style, frame: PanelFrame) -> None:
    """The same as a share of the speed."""
    _curves(ax, view, style, frame)
    labels = Labels(ax, style)
    _avoid_curves(labels, view, frame)
    if view.allowed is not None and view.limit is not None and view.limit.relative is not None:
        share = view.limit.relative
        flat = np.abs(view.allowed / (share * view.speed) - 1.0) < 1e-3
        _name_limit(labels, view, frame, flat, f"limit {percent(share, 3, strip=True)}")


def _curves(ax: Axes, view: RippleView, style: Style, frame: PanelFrame) -> None:
    """Hatching, area above the limit, parts, limit, total and simulated points of one panel."""
    x, low = frame.x(view.speed), ax.get_ylim()[0] / 100.0
    total = np.maximum(frame.y(view.rms, view.speed), low)
    hatch(ax, view, style, frame)
    if view.allowed is not None:
        allowed = frame.y(view.allowed, view.speed)
        ax.fill_between(
            x,
            allowed,
            total,
            where=total > allowed,
            interpolate=True,
            color=style.colour("wash"),
            linewidth=0.0,
            zorder=1,
        )
        ax.plot(*_limit_line(view, frame), **style.line("limit"), **view.mark("_", 9.0), zorder=3)
    for role, part in view.parts.items() if len(view.parts) > 1 else ():
        y = np.maximum(frame.y(part, view.speed), low)
        ax.plot(x, y, **style.line(role), **view.mark("o", 3.6), zorder=3)
    ax.plot(x, total, **style.line("ink"), **view.mark("o", 5.0), zorder=4)
    if len(view.ring_speed):
        ax.plot(frame.x(view.ring_speed), frame.y(view.ring_rms, view.ring_speed), **style.ring())


def hatch(ax: Axes, view: SpeedView, style: Style, frame: PanelFrame) -> None:
    """Hatch the speeds at which the result is not reliable, in one piece where reliable ones between are few."""
    edges = edges_of(view)
    wide = np.log(edges[-1] / edges[0])
    spans: list[np.ndarray] = []
    for first, last in runs(view.doubtful):
        if not view.doubtful[first]:
            continue
        ends = edges[[first, last + 1]]
        if spans and np.log(ends[0] / spans[-1][1]) < BETWEEN * wide:
            ends = np.array([spans.pop()[0], ends[1]])
        spans.append(ends)
    for ends in spans:
        # A narrow span may hold no stroke of the hatching: its ground tells too.
        ax.axvspan(*frame.x(ends), color=style.colour("grid"), linewidth=0.0, zorder=0.3)
        ax.axvspan(*frame.x(ends), facecolor="none", edgecolor=style.colour("ideal"), hatch="///", linewidth=0.0,
                   zorder=0.5)  # fmt: skip


def _avoid_curves(labels: Labels, view: RippleView, frame: PanelFrame) -> None:
    """Keep names off all that :func:`_curves` draws."""
    x, low = frame.x(view.speed), labels.ax.get_ylim()[0] / 100.0
    for key, row in {"ink": view.rms, **(view.parts if len(view.parts) > 1 else {})}.items():
        labels.avoid(x, np.maximum(frame.y(row, view.speed), low), key=key)
    if view.allowed is not None:
        labels.avoid(*_limit_line(view, frame), key="limit")
    if len(view.ring_speed):
        labels.avoid_points(frame.x(view.ring_speed), frame.y(view.ring_rms, view.ring_speed))


def _write_names(labels: Labels, view: RippleView, frame: PanelFrame) -> None:
    """Name every curve where no other is near."""
    _avoid_curves(labels, view, frame)
    if view.allowed is not None and view.limit is not None:
        text = LIMIT if labels.style.phone else ripple_view.rule(view.limit, view, frame.ripple_unit)
        level = view.limit.floor if view.limit.relative is not None else view.limit.measured
        _name_limit(labels, view, frame, view.allowed == (level or 0.0), text)
    if not np.any(view.rms > 0.0):
        still = None if len(view.speed) else view.standstill
        text = "no ripple" if still is None else f"at standstill {quantity(still[0], view.unit)}"
        labels.put(text, labels.size / 2.0, "muted", bold=False)
        return
    alone = len(view.parts) == 1
    total = f"total: {BY_ROLE[next(iter(view.parts))].label} alone" if alone else "total"
    labels.beside(total, "ink", "ink", lone=False)
    for role in view.parts if not alone else ():
        labels.beside(BY_ROLE[role].label, role, role)


def _limit_line(view: RippleView, frame: PanelFrame) -> tuple[np.ndarray, np.ndarray]:
    """The limit at the speeds that have one."""
    allowed = np.full_like(view.speed, np.inf) if view.allowed is None else view.allowed
    there = np.isfinite(allowed)
    return frame.x(view.speed[there]), frame.y(allowed[there], view.speed[there])


def _name_limit(labels: Labels, view: RippleView, frame: PanelFrame, flat: np.ndarray, text: str) -> None:
    """Name the limit, in its flat part if there is one."""
    x, y = _limit_line(view, frame)
    flat = flat[np.isfinite(flat if view.allowed is None else view.allowed)]
    ends = labels.place(x[flat], y[flat])[:, 0]
    if len(ends) and np.ptp(ends) > width(text, bold=True):
        labels.avoid(x[~flat], y[~flat])
        labels.avoid(x[flat], y[flat], key="limit")
    labels.beside(text, "limit", "limit")


def _tick_names(view: RippleView, panel: float) -> tuple[list[tuple[float, str]], float | None]:
    """Names of the ticks along the top, [(mm, word)], and the place of the words that explain them."""
    vanishing = view.vanishing
    low, high = np.log(range_of_speeds(view))
    every = {line for _, lines in vanishing for line in lines}
    words = [
        "all" if len(every) > 1 and set(lines) == every else ", ".join(map(str, lines))
        for _, lines in vanishing
    ]
    places = [panel * (np.log(speed) - low) / (high - low) for speed, _ in vanishing]
    return choose_names(places, words, panel, TICKS)


def _strip(sheet: Sheet, view: RippleView, style: Style, top: float) -> None:
    """The ribbon of regimes, with its caption."""
    names = list(view.regime)
    spans = runs(view.regime)
    if not spans or not view.parts:
        return
    left = sheet.panels[0].get_position().x0 * style.width
    ax = sheet.panel(top, 5.0, left=left)
    ax.set_axis_off()
    edges = edges_of(view)
    low, high = np.log(edges[[0, -1]])
    places = (np.log(edges[[first for first, _ in spans] + [len(names)]]) - low) / (high - low)
    looks = {name: (one.role, one.ink, one.labels) for name, one in REGIMES.items()}
    ribbon(Labels(ax, style), places, [str(names[first]) for first, _ in spans], looks, CAPTION)
