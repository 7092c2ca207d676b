"""Picture of a choice: ripple of every candidate, as a share of its limit, against its cost."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..presentation import canvas
from ..presentation.canvas import wrap
from ..presentation.labels import Labels
from ..presentation.stacks import BELOW, TOP, StackPanel, into, labels_of, stack
from ..presentation.ticks import Span
from ..wording import axis_unit, digits, percent, quantity, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from ..decisions.choice import Choice, ChoiceRow
    from ..presentation.canvas import Sheet, Style


HEADS = {"a4": "Ripple at its worst speed, share of the limit (%)", "phone": "Ripple, share of the limit (%)"}
NO_RIPPLE = "Share of the limiting criterion (%)"
LIMIT, FRONT = "limit", "frontier"
TALL = {"a4": 84.0, "phone": 78.0}
# Half the width of the ring round a mark, and left edge of the names below, mm; candidates that are numbered.
RING, KEY_LEFT, MOST_NAMED = 1.5, 10.0, 8
WORDS = {
    "measured": "measured ripple",
    "relative": "relative ripple",
    "torque": "force ripple",
    "actual": "actual ripple",
    "top_speed": "top speed",
    "phase_margin": "phase margin",
}
_UNIT = re.compile(r"(?<=[0-9]) (?=[A-Za-zµ])")


def choice(result: Choice, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Ripple of candidates against the first column of cost, or the delay."""
    view = _view(result, labels_of(ax)[0])
    named = _named(view) if ax is None else []
    panel = StackPanel(
        _head(result, style),
        view.below,
        TALL[style.page] if view.some else 24.0,
        *_spans(view),
        lambda ax: _draw(ax, view, style, named),
    )
    if ax is not None:
        return into(ax, style, panel)
    title, key = _title(result), _key(view, named, style)
    words = canvas.Words(title, _note(view), _alternative(view, title))
    high = sum(len(lines) for _, lines in key) * (canvas.LINE[canvas.SIZE] + 0.3)
    sheet = stack(style, words, [panel], room=high + 5.0 if key else 0.0)
    _write_key(sheet, TOP + panel.height + BELOW + 4.0, key)
    return sheet.panels[0]


def _head(result: Choice, style: Style) -> str:
    """Head of the panel: without a limit on ripple the share of the limiting criterion."""
    wanted = result.requirement
    limited = any(getattr(wanted, name) is not None for name in ("measured", "relative", "torque", "actual"))
    return HEADS[style.page] if limited else NO_RIPPLE


@dataclass(frozen=True, eq=False)
class ChoiceView:
    """A choice as drawn: rows whose ripple is known, in the units of the axes."""

    result: Choice
    rows: tuple[ChoiceRow, ...]
    price: np.ndarray
    share: np.ndarray
    fits: np.ndarray
    below: str
    logarithmic: bool

    @property
    def some(self) -> bool:
        """Whether there is anything to draw."""
        return len(self.rows) > 0

    def places(self, rows: Sequence[ChoiceRow]) -> np.ndarray:
        """Places of some rows among those that are drawn."""
        return np.array(
            [place for place, row in enumerate(self.rows) if any(row is one for one in rows)], dtype=int
        )


def _view(result: Choice, below: str = "") -> ChoiceView:
    by_delay = not result.costs
    known = [(row, row.delay if by_delay else row.cost[result.costs[0]]) for row in result.rows]
    known = [
        (row, price)
        for row, price in known
        if math.isfinite(row.ripple)
        and row.ripple > 0.0
        and math.isfinite(price)
        and (price > 0.0 or not by_delay)
    ]
    price = np.array([price for _, price in known])
    name = result.costs[0] if not by_delay else ""
    if by_delay:
        unit = axis_unit(price.max(initial=0.0), "s", below)
        price, name = price / unit[1], f"Delay ({unit[0]})"
    rows = tuple(row for row, _ in known)
    share = 100.0 * np.array([row.ripple for row in rows])
    fits = np.array([row.met for row in rows], dtype=bool)
    return ChoiceView(result, rows, price, share, fits, sentence(name), by_delay)


def _spans(view: ChoiceView) -> tuple[Span, Span]:
    """A log scale of shares that holds the limit, with room for names."""
    if not view.some:
        return Span(0.0, 1.0, ticks={}), Span(0.0, 1.0, ticks={})
    low, high = min(view.share.min(), 100.0), max(view.share.max(), 100.0)
    room = max((high / low) ** 0.12, 1.3)
    left, right = view.price.min(), view.price.max()
    if view.logarithmic:
        wide = max((right / left) ** 0.08, 1.3)
        across = left / wide, right * wide
    else:
        wide = 0.08 * (right - left) or 0.5 * abs(right) or 1.0
        across = left - wide, right + wide
    return Span(*across, view.logarithmic), Span(low / room, high * room, True)


def _draw(ax: Axes, view: ChoiceView, style: Style, named: Sequence[ChoiceRow]) -> Axes:
    """Limit, candidates, frontier, names."""
    labels = Labels(ax, style)
    if not view.some:
        labels.put("no candidate whose ripple is known", labels.size / 2.0, "muted", bold=False)
        return ax
    ends = ax.get_xlim()
    ax.plot(ends, [100.0, 100.0], zorder=3, **style.line("limit"))
    labels.avoid(np.array(ends), np.array([100.0, 100.0]), key=LIMIT)
    _draw_marks(ax, view, style)
    labels.avoid_points(view.price, view.share)
    front = view.places(view.result.frontier)
    front = front[np.argsort(view.price[front], kind="stable")]
    if len(front):
        ax.plot(view.price[front], view.share[front], color=style.colour("ink"), linewidth=1.2, zorder=3)
        ring = {**style.ring(), "markersize": 9.0, "markerfacecolor": "none", "zorder": 5}
        ax.plot(view.price[front], view.share[front], **ring)
        labels.avoid(view.price[front], view.share[front], key=FRONT)
        for place in labels.place(view.price[front], view.share[front]):
            labels.block(*(place - RING), *(place + RING))
    _name_rows(labels, view, named)
    labels.beside(LIMIT, LIMIT, "limit")
    return ax


def _draw_marks(ax: Axes, view: ChoiceView, style: Style) -> None:
    """Filled marks for candidates that fit, hollow ones for those that do not."""
    colour, paper = style.colour("true"), style.colour("paper")
    common: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.6, "zorder": 4}
    ax.plot(view.price[view.fits], view.share[view.fits], markerfacecolor=colour, markeredgecolor=paper,
            markeredgewidth=0.6, **common)  # fmt: skip
    ax.plot(view.price[~view.fits], view.share[~view.fits], markerfacecolor=paper,
            markeredgecolor=style.colour("muted"), markeredgewidth=1.0, **common)  # fmt: skip


def _named(view: ChoiceView) -> list[ChoiceRow]:
    """Candidates that are numbered: the frontier, thinned out where it is long, with the best or the nearest."""
    chief = view.result.best or view.result.nearest
    front = [view.rows[place] for place in view.places(view.result.frontier)]
    kept = [
        front[place] for place in np.unique(np.linspace(0, len(front) - 1, MOST_NAMED).astype(int)) if front
    ]
    kept += [row for row in [chief] if row is not None and not any(row is one for one in kept)]
    places = view.places(kept)
    return [view.rows[place] for place in places[np.argsort(view.price[places], kind="stable")]]


def _name_rows(labels: Labels, view: ChoiceView, named: Sequence[ChoiceRow]) -> None:
    """Numbers beside the marks of some candidates, and which is the best, or the nearest."""
    best, nearest = view.result.best, view.result.nearest
    chief, what = (best, "best") if best else (nearest, "nearest")
    every = named or ([chief] if chief else [])
    # The best first: its words need most room.
    for number, row in sorted(enumerate(every, 1), key=lambda one: one[1] is not chief):
        for place in view.places([row])[:1]:
            at = view.price[place], view.share[place]
            words = [f"{number}" if named else ""]
            if row is chief:
                words = [f"{number}: {what}" if named else what]
                style = labels.style
                labels.ax.plot(*at, linestyle="none", marker="D", markersize=6.0, zorder=6,
                               markerfacecolor=style.colour("ink"), markeredgecolor=style.colour("paper"))  # fmt: skip
            labels.at(words, *at, "ink", clear=RING + 0.2)


def _key(view: ChoiceView, named: Sequence[ChoiceRow], style: Style) -> list[tuple[str, list[str]]]:
    """(number, lines) of each numbered candidate: name, cost or delay, share of the limit."""
    room = style.width - KEY_LEFT - 6.0
    return [
        (f"{number}", wrap(_key_words(view, row), style.note_letters, room))
        for number, row in enumerate(named, 1)
    ]


def _key_words(view: ChoiceView, row: ChoiceRow) -> str:
    """A candidate in one line."""
    price = quantity(row.delay, "s", 2) + " of delay"
    if view.result.costs:
        name = view.result.costs[0]
        price = f"{name} {digits(row.cost[name], 3, strip=True)}"
    return f"{_joined(row)}: {price}, {percent(row.ripple)} of the limit"


def _write_key(sheet: Sheet, top: float, key: list[tuple[str, list[str]]]) -> None:
    """The numbered candidates, one below the other."""
    pitch = canvas.LINE[canvas.SIZE] + 0.3
    for number, lines in key:
        sheet.text(4.0, top, number, bold=True)
        for line in lines:
            sheet.text(KEY_LEFT, top, line)
            top += pitch


def _joined(row: ChoiceRow) -> str:
    """Name of a candidate in which a number and its unit stay on one line."""
    return _UNIT.sub("\u202f", row.short)


def _title(result: Choice) -> str:
    """The answer: the best candidate, or how far the nearest is from its limit."""
    best, nearest = result.best, result.nearest
    if best is None:
        off = "" if nearest is None else f": the nearest {_distance_to_limit(nearest)}"
        return f"None of {result.count} candidates fits{off}"
    cost = "".join(f", {name} {digits(value, 3, strip=True)}" for name, value in list(best.cost.items())[:1])
    met = sum(row.met for row in result.rows)
    many = f"{met} of {result.count} candidates fit" if result.count > 1 else "The candidate fits"
    return f"{many}: best is {_joined(best)}{cost}"


def _distance_to_limit(row: ChoiceRow) -> str:
    """How far a candidate is from its limit."""
    what = WORDS.get(row.binding, row.binding)
    if row.share < 2.0:
        return f"misses its limit on {what} by {percent(row.share - 1.0)}"
    if math.isfinite(row.share):
        return f"is {digits(row.share, 2)} times away from its limit on {what}"
    return f"has no {what} at all" if row.binding in ("top_speed", "phase_margin") else "is unstable"


def _note(view: ChoiceView) -> str:
    """Speeds, meaning of the marks, candidates that are not shown."""
    result = view.result
    unit = f"{result.axis.scale.unit}/s"
    low, high = (quantity(speed, unit, strip=True) for speed in result.requirement.speeds)
    words = [
        f"Speeds from {low} to {high}. Filled: fits every limit; hollow: does not.",
        "Ringed: Pareto-optimal, no other candidate is better in both.",
    ]
    hidden = len(result.rows) - len(view.rows)
    if hidden:
        words.append(f"{hidden} that fail another limit are left out.")
    if result.impossible:
        words.append(f"{len(result.impossible)} make no axis.")
    if not result.valid and result.reasons:
        words.append(f"Not reliable: {result.reasons[0]}.")
    return " ".join(words)


def _alternative(view: ChoiceView, title: str) -> str:
    """Alternative text: kind, quantities; the answer; the frontier."""
    against = view.result.costs[0] if view.result.costs else "delay"
    words = [
        f"Chart of ripple as a share of its limit, log scale, against {against} of {len(view.rows)} candidates."
    ]
    words.append(f"{title}.")
    front = [row for row in view.result.frontier if math.isfinite(row.ripple)]
    if len(front) > 1:
        words.append(
            f"Along the frontier the share falls from {percent(front[0].ripple)} to {percent(front[-1].ripple)}."
        )
    if not view.result.valid:
        words.append("Some values are not reliable.")
    return " ".join(words)
