"""Picture of a mounted ring: error against angle, ring with heads to scale, bars by order and cause."""

import numpy as np

from . import _plot
from ._figures_ring_view import draw
from ._figures_ring_words import (
    CAUSES,
    SHOWN,
    angle,
    bar_words,
    half_range,
    heads_words,
    main_cause,
    ring_note,
    ring_text,
    ring_title,
)
from ._figures_turn import turn_panel, unit_of
from ._plot_labels import Labels
from ._plot_numbers import width

# Orders that a panel shows at most; up to the highest of these they stand on an even axis, else side by side.
MOST, EVEN = {"a4": 12, "phone": 9}, {"a4": 12, "phone": 9}
HEADS = {"a4": ("Error ({})", "Ring and heads to scale, error enlarged", "Amplitude ({})"),
         "phone": ("Error ({})", "To scale, error enlarged", "Amplitude ({})")}  # fmt: skip
WIDE = 0.72
# mm for the names of the orders side by side.
ROOM = 64.0
# What a word may cost that stands by a bar and needs no leader.
CLOSE = 8.0


def ring(curve, ax=None, *, style=_plot.PRINT):
    """Angle error of a ring over a turn, of one head and of those given, the ring with its heads, and its orders.

    Parameters
    ----------
    curve : RingCurve
    ax : Axes, optional
        Takes the error against angle alone.
    style : Style

    Returns
    -------
    Axes
    """
    if ax is not None:
        ax = _plot.axes(ax, style)
        name = _error(ax, curve, style, ax.get_title(loc="left"))
        _plot.name_axes(ax, style, head=f"Error ({name})", below="Angle (°)")
        return ax
    title = ring_title(curve)
    sheet = _plot.Sheet(style, title, ring_note(curve), 159.0 if style.phone else 126.0)
    name, _ = unit_of(_largest(curve))
    heads = [head.format(name) for head in HEADS[style.page]]
    main = sheet.panel(7.0, 38.0, heads[0])
    _error(main, curve, style)
    sheet.widen_left(main)
    _plot.name_axes(main, style, below="Angle (°)")
    if style.phone:
        view = sheet.panel(65.0, 46.0, heads[1], left=22.0, right=22.0)
        bars = sheet.panel(121.0, 25.0, heads[2])
    else:
        view = sheet.panel(65.0, 59.0, heads[1], left=8.0, right=92.0)
        bars = sheet.panel(65.0, 48.0, heads[2], left=98.0, head_left=88.0)
    draw(view, curve, style)
    _orders(bars, curve, style)
    _plot.describe(sheet.figure, title, ring_text(curve, title))
    return main


def _largest(curve):
    return max(np.abs(curve.error).max(), np.abs(curve.alone).max())


def _error(ax, curve, style, label=""):
    """Errors of one head and of all; the name of their unit."""
    name, unit = unit_of(_largest(curve), label)
    count = len(curve.heads)
    rows = [(curve.error, "ink", f"{heads_words(count)}, ±{angle(curve.peak)}", {})]
    if count > 1:
        alone = f"one head, ±{angle(half_range(curve.alone))}"
        rows.insert(0, (curve.alone, "cyclic", alone, {"linestyle": (0, (5, 1.6)), "linewidth": 1.8}))
    labels = turn_panel(ax, [(curve.angle, *row) for row in rows], unit, style)
    if not _largest(curve):
        labels.put("no error", labels.size * (0.5, 0.65), "muted", bold=False)
    return name


def _shown(curve, style):
    """Orders to draw: {order: (line of one head, what the heads leave)}."""
    left = {line.order: line.amplitude for line in curve.orders}
    alone = {line.order: line for line in curve.alone_orders}
    size = {order: max(left.get(order, 0.0), alone[order].amplitude if order in alone else 0.0)
            for order in {*left, *alone}}  # fmt: skip
    most = max(size.values(), default=0.0)
    ranked = sorted(size, key=lambda order: (-size[order], order))[: MOST[style.page]]
    while len(ranked) > 1 and len(ranked) * (width(str(max(ranked))) + 1.4) > ROOM:
        ranked.pop()
    every = {line.order: line for line in (*curve.orders, *curve.alone_orders)}
    return {n: (every[n], alone[n].amplitude if n in alone else 0.0, left.get(n, 0.0))
            for n in sorted(ranked) if size[n] >= SHOWN * most}  # fmt: skip


def _orders(ax, curve, style):
    """A bar an order as one head sees it, filled by its cause; thick bars where several heads leave it."""
    shown = _shown(curve, style)
    unit = unit_of(_largest(curve))[1]
    highest = max(shown, default=1)
    even = highest <= EVEN[style.page]
    places = {order: float(order if even else place) for place, order in enumerate(shown, 1)}
    last = max(highest if even else len(shown), 6)
    ticks = {n: float(n) for n in range(1, last + 1)} if even else places
    ax.set_xticks(list(ticks.values()), [str(order) for order in ticks])
    _plot.number_axis(ax.yaxis, most=5)
    top = max([max(alone, left) for _, alone, left in shown.values()], default=0.0) / unit or 1.0
    _plot.limits(ax, (0.3, last + 0.7), (0.0, 1.28 * top))
    _plot.name_axes(ax, style, below="Times per turn")
    ax.xaxis.grid(False)
    labels = Labels(ax, style)
    for order, (line, alone, _) in shown.items():
        _bar(ax, labels, places[order], alone / unit, line, style)
    if len(curve.heads) > 1:
        for order, (_, _, left) in shown.items():
            ax.plot([places[order] - 0.44, places[order] + 0.44], [left / unit] * 2, color=style.colour("ink"),
                    linewidth=4.0, solid_capstyle="butt", zorder=5, clip_on=False)  # fmt: skip
            x = np.linspace(places[order] - 0.44, places[order] + 0.44, 20)
            labels.avoid(x, np.full(20, left / unit))
    _name_bars(labels, places, shown, unit)
    if len(curve.heads) > 1 and shown:
        _explain(labels, len(curve.heads))


def _bar(ax, labels, place, height, line, style):
    role, hatch = CAUSES[main_cause(line)][:2]
    colour = style.colour(role)
    fill = {"facecolor": style.colour("paper"), "hatch": hatch} if hatch else {"facecolor": colour}
    ax.bar(place, height, WIDE, edgecolor=colour, linewidth=1.2, zorder=3, **fill)
    low, high = labels.place([place - WIDE / 2.0, place + WIDE / 2.0], [0.0, height])
    labels.block(low[0], low[1], high[0], high[1])


def _name_bars(labels, places, shown, unit):
    """The word of each cause at its tallest bar that has room, the tallest cause first."""
    bars = {}
    for order, (line, alone, left) in shown.items():
        words = bar_words(line)
        bars.setdefault(words.partition(",")[0], []).append((max(alone, left), order, words))
    for first, every in sorted(bars.items(), key=lambda item: -max(item[1])[0]):
        every.sort(reverse=True)
        role = CAUSES[main_cause(shown[every[0][1]][0])][0]
        for size, order, words in every:
            if labels.at([words, first], places[order], size / unit, role, clear=0.9, most=CLOSE):
                break
        else:
            size, order, _ = every[0]
            labels.at([first], places[order], size / unit, role, clear=0.9)


def _explain(labels, count):
    """What a thick bar is, in the first corner that is free."""
    text = f"thick bar: what\n{heads_words(count)} leave"
    half = labels.half(text, False, 9.0)
    for x in np.linspace(1.0, 0.0, 6):
        centre = half + (labels.size - 2.0 * half) * np.array([x, 1.0]) - [0.0, 0.6]
        if not labels.hidden(centre[None], half)[0]:
            labels.block(*(centre - half), *(centre + half))
            labels.put(text, centre, "ink", bold=False)
            return
