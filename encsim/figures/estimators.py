"""Picture of ripple against delay: one mark per candidate, families joined, the least possible noise as grey zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decisions.frontier_curve import trade_offs
from ..presentation import canvas
from ..presentation.labels import DOUBT, SIDE_BY_SIDE, Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.ticks import NO_VALUES, Span
from ..wording import axis_unit, axis_words, digits, percent, quantity, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..decisions.frontier_curve import Frontier
    from ..presentation.canvas import Style


TALL = {"a4": 78.0, "phone": 74.0}
HEAD, BELOW = "Velocity ripple, rms", "Delay at 0 Hz"
ZONE = ("below the least noise\nwithout overshoot", "least noise\nwithout overshoot")
# Half the width of the ring round a mark and of the square round the present setting, mm.
RING, SQUARE = 1.6, 2.8
# Largest cost of a place for a number beside its mark: a place that needs a leader costs more.
CLOSE = 14.0
# More delay is worth it if the ripple falls below this share of that with the least delay.
WORTH = 0.95
# The bound is shown where a candidate is within this multiple of it; cyclic error where it is alike for all.
BINDS, ALIKE = 1.5, 1.25


def frontier(result: Frontier, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Ripple against delay of candidate estimators at one speed."""
    points = _points(result, *labels_of(ax))
    panel = StackPanel(
        f"{HEAD} ({points.unit[0]})",
        f"{BELOW} ({points.time[0]})",
        TALL[style.page] if np.any(points.shown) else 24.0,
        *_spans(points),
        lambda ax: _draw(ax, points, style),
    )
    if ax is not None:
        return into(ax, style, panel)
    title = _title(result)
    words = canvas.Words(title, _note(result, points), _alternative(result, points, title))
    return stack(style, words, [panel]).panels[0]


@dataclass(frozen=True, eq=False)
class EstimatorPoints:
    """Candidates in the units of the axes; ``shown`` are those with positive delay and ripple."""

    result: Frontier
    delay: np.ndarray
    rms: np.ndarray
    shown: np.ndarray
    bound: tuple[np.ndarray, np.ndarray] | None
    unit: tuple[str, float]
    time: tuple[str, float]


def _points(result: Frontier, below: str = "", head: str = "") -> EstimatorPoints:
    delay, rms = (np.asarray(row, dtype=float) for row in (result.delay, result.typical))
    shown = np.isfinite(delay) & np.isfinite(rms) & (delay > 0.0) & (rms > 0.0)
    time = axis_unit(delay[shown].max(initial=0.0), "s", below)
    unit = axis_unit(rms[shown].max(initial=0.0), f"{result.axis.scale.unit}/s", head)
    line = result.bound_line()
    binds = np.any(result.typical[shown] < BINDS * np.nan_to_num(result.bound[shown]))
    bound = (line[0] / time[1], line[1] / unit[1]) if line[0].size and binds else None
    return EstimatorPoints(result, delay / time[1], rms / unit[1], shown, bound, unit, time)


def _spans(points: EstimatorPoints) -> tuple[Span, Span]:
    """Log ranges that hold all marks, with room for names."""
    if not np.any(points.shown):
        return Span(0.1, 10.0, True), NO_VALUES
    delay, rms = points.delay[points.shown], points.rms[points.shown]
    room = max((rms.max() / rms.min()) ** 0.12, 1.6)
    wide = max((delay.max() / delay.min()) ** 0.08, 1.3)
    across = Span(delay.min() / wide, delay.max() * wide, True)
    return across, Span(rms.min() / room, rms.max() * room, True)


def _draw(ax: Axes, points: EstimatorPoints, style: Style) -> Axes:
    """Zone, families, rings of the best, names."""
    labels = Labels(ax, style)
    labels.doubt = SIDE_BY_SIDE
    if not np.any(points.shown):
        labels.put("no ripple to compare", labels.size / 2.0, "muted", bold=False)
        ax.plot([], [])
        return ax
    if points.bound is not None:
        _draw_zone(labels, *points.bound)
    families = _families(points)
    for family, order in families.items():
        _draw_family(labels, points, family, order)
    _draw_floor(labels, points)
    best = np.asarray(points.result.best, dtype=bool) & points.shown
    ring = {
        **style.ring(),
        "markersize": 11.0,
        "markerfacecolor": "none",
        "markeredgewidth": 1.4,
        "zorder": 5,
    }
    ax.plot(points.delay[best], points.rms[best], **ring)
    for place in labels.place(points.delay[best], points.rms[best]):
        labels.block(*(place - RING), *(place + RING))
    own = _mark_present(labels, points)
    # From the highest family down: there is free space above the highest.
    height = {name: np.mean(np.log(points.rms[of] * points.delay[of])) for name, of in families.items()}
    for family in sorted(families, key=lambda name: -height[name]):
        _name_family(labels, points, family, families[family])
    if points.bound is not None:
        _name_zone(labels, *points.bound)
    labels.doubt = DOUBT
    for order in families.values():
        if points.result.estimator[order[0]].look.numbered:
            _name_samples(labels, points, order, own)
    return ax


def _draw_floor(labels: Labels, points: EstimatorPoints) -> None:
    """The ripple of cyclic error alone, where no candidate changes it."""
    cyclic = points.result.cyclic[points.shown]
    if not cyclic.min() > 0.0 or cyclic.max() > ALIKE * cyclic.min():
        return
    low, high = labels.ax.get_xlim()
    x, level = np.array([low, high]), float(np.median(cyclic))
    y = np.full(2, level / points.unit[1])
    if not y[0] > labels.ax.get_ylim()[0]:
        return
    labels.ax.plot(x, y, **labels.style.line("cyclic", linestyle=(0, (5, 1.6))), zorder=2)
    labels.avoid(x, y, key="floor")
    shown = quantity(level, f"{points.result.axis.scale.unit}/s", 2)
    name = "cyclic error alone"
    labels.beside(name if labels.style.phone else f"{name}, {shown}", "floor", "cyclic")


def _present(result: Frontier) -> int | None:
    """Place of the present estimator of the axis among the candidates."""
    return next((i for i, one in enumerate(result.estimator) if one == result.axis.estimator), None)


def _mark_present(labels: Labels, points: EstimatorPoints) -> int | None:
    """A square round the present setting, and its place."""
    own = _present(points.result)
    if own is None or not points.shown[own]:
        return None
    x, y, style = points.delay[own], points.rms[own], labels.style
    labels.ax.plot([x], [y], linestyle="none", marker="s", markersize=14.0, markerfacecolor="none",
                   markeredgecolor=style.colour("ink"), markeredgewidth=1.2, zorder=5)  # fmt: skip
    labels.at(["present setting", "present"], x, y, "ink", clear=SQUARE + 0.6)
    place = labels.place(x, y)[0]
    labels.block(*(place - SQUARE), *(place + SQUARE))
    return own


def _families(points: EstimatorPoints) -> dict[str, list[int]]:
    """Indices of the candidates that can be shown, by family, along the delay."""
    order = np.flatnonzero(points.shown)
    order = order[np.argsort(points.delay[order], kind="stable")]
    families: dict[str, list[int]] = {}
    for index in order:
        families.setdefault(str(points.result.family[index]), []).append(int(index))
    return families


def _draw_zone(labels: Labels, x: np.ndarray, y: np.ndarray) -> None:
    """Grey zone below the least noise of estimators without overshoot."""
    low = labels.ax.get_ylim()[0] / 100.0
    y = np.maximum(y, low)
    labels.ax.fill_between(x, low, y, color=labels.style.colour("grid"), linewidth=0.0, zorder=0.6)
    labels.ax.plot(x, y, color=labels.style.colour("muted"), linewidth=1.2, zorder=2)
    labels.avoid(x, y, key="bound")


def _draw_family(labels: Labels, points: EstimatorPoints, family: str, order: list[int]) -> None:
    role, marker, dashes, _ = points.result.estimator[order[0]].look
    x, y, style = points.delay[order], points.rms[order], labels.style
    paper = style.colour("paper")
    labels.ax.plot(x, y, color=style.colour(role), linewidth=1.6, linestyle=dashes, marker=marker, markersize=6.0,
                   markeredgecolor=paper, markeredgewidth=0.8, zorder=4)  # fmt: skip
    labels.avoid(x, y, key=family)
    labels.avoid_points(x, y)


def _name_family(labels: Labels, points: EstimatorPoints, family: str, order: list[int]) -> None:
    first = points.result.estimator[order[0]]
    legend, role = first.legend or first.name(), first.look.role
    if len(order) == 1:
        labels.at([first.words(), legend], points.delay[order[0]], points.rms[order[0]], role, clear=2.3)
        return
    labels.beside(legend, family, role)


def _name_samples(labels: Labels, points: EstimatorPoints, order: list[int], own: int | None) -> None:
    """The number of samples beside the marks of a family, what it is beside the first of them."""
    what = "N = "
    for index in order if len(order) > 1 else []:
        # Those with a numbered look have samples.
        numbered: Any = points.result.estimator[index]
        clear = SQUARE if index == own else 2.3
        place = points.delay[index], points.rms[index]
        words = [f"{what}{numbered.samples}"]
        if labels.at(words, *place, "ink", bold=False, size=canvas.SMALL, clear=clear, most=CLOSE):
            what = ""


def _name_zone(labels: Labels, x: np.ndarray, y: np.ndarray) -> None:
    """Name the zone, inside it if there is room: the note tells it too."""
    tops = labels.place(x, y)
    tops = tops[(tops[:, 0] > 0.0) & (tops[:, 0] < labels.size[0]) & (tops[:, 1] > 0.0)]
    if len(tops):
        next((text for text in ZONE if labels.within(text, tops, "muted")), None)


def _title(result: Frontier) -> str:
    """The answer: how much ripple a delay removes."""
    candidates = trade_offs(result)
    if candidates is None:
        ideal = not np.any(result.typical)
        return "No ripple to compare: this axis is ideal" if ideal else "No candidate can be compared"
    fastest, smoothest, knee = candidates
    if len(result.rms) == 1:
        return f"{sentence(result.estimator[knee].words())}: {_cost(result, knee)} of delay"
    words = "{} of delay cuts the ripple to {}: {}"
    if result.typical[knee] > WORTH * result.typical[fastest]:
        # A short delay is not enough.
        knee, words = smoothest, "It takes {} of delay to cut the ripple to {}: {}"
    share = result.typical[knee] / result.typical[fastest]
    name = result.estimator[knee].words()
    if share > WORTH:
        return f"More delay reduces the ripple little: {result.estimator[fastest].words()} has {_cost(result, fastest)}"
    delay = quantity(result.delay[knee], "s", 2)
    return words.format(delay, _ratio(share), name)


def _cost(result: Frontier, index: int) -> str:
    """Ripple and delay of one candidate."""
    rms = quantity(result.typical[index], f"{result.axis.scale.unit}/s", 2)
    return f"{rms} rms at {quantity(result.delay[index], 's', 2)}"


def _ratio(share: float) -> str:
    return f"1/{digits(1.0 / share, 2)}" if share < 0.4 else percent(share)


def _note(result: Frontier, points: EstimatorPoints) -> str:
    """The axis and its speed, what the marks mean, what is left out."""
    unit = f"{result.axis.scale.unit}/s"
    axis = axis_words(result.axis).rpartition(", ")[0]
    words = [
        f"{sentence(axis)}, at {quantity(result.speed, unit, strip=True)} ±20 %.",
        "Marks: settings of an estimator; ringed: Pareto-optimal.",
    ]
    own = _present(result)
    if own is not None and points.shown[own]:
        words.append("Square: present setting.")
    if points.bound is not None:
        words.append("Grey: below the least noise without overshoot.")
    hidden = int(np.count_nonzero(~points.shown))
    if hidden:
        words.append(f"{hidden} of {len(points.shown)} without a delay or ripple to show.")
    if not result.valid and result.reasons:
        words.append(f"Not reliable: {result.reasons[0]}.")
    return " ".join(words)


def _alternative(result: Frontier, points: EstimatorPoints, title: str) -> str:
    """Alternative text: kind, quantities; the answer; the bound."""
    speed = quantity(result.speed, f"{result.axis.scale.unit}/s", strip=True)
    words = [
        f"Log-log chart of velocity ripple, rms, against delay of {len(result.rms)} estimators at {speed}. {title}."
    ]
    if points.bound is not None:
        words.append("A grey zone lies below the least noise of an estimator that does not overshoot.")
    if not result.valid:
        words.append("Some values are not reliable.")
    return " ".join(words)
