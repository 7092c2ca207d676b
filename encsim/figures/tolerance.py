"""Picture of many axes of one design: the band of their ripple against speed, and how many pass at each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..decisions.headlines import paired
from ..presentation import canvas
from ..presentation.labels import SIDE_BY_SIDE, Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.ticks import NO_VALUES, Span
from ..wording import SHARE, axis_unit, axis_words, digits, listed, percent, quantity, sentence, with_unit
from .ripple import hatch
from .ripple_view import PanelFrame, SpeedView

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..presentation.canvas import Style
    from ..spreads.tolerancing import Tolerance


HEADS = {False: ("Ripple as a share of the speed, rms (%)", "Axes that meet the limit (%)"),
         True: ("Ripple / speed (%)", "Meet the limit (%)")}  # fmt: skip
EDGES = {"high": "97.5th\npercentile", "low": "2.5th\npercentile"}
MIDDLE, LIMIT = "median", "limit"
# Names of percentiles stay this far above the limit, mm.
OFF_LIMIT = 2.0
TALL = {"a4": (62.0, 34.0), "phone": (58.0, 30.0)}
# Keys named in the note.
NAMED = 3


def tolerance(result: Tolerance, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Band of ripple against speed of many axes, and the share of them that meets the limit."""
    view = _view(result)
    frame = PanelFrame(axis_unit(view.speed.max(initial=0.0), view.unit, labels_of(ax)[0]), None)
    heads, heights, below = HEADS[style.phone], TALL[style.page], f"Speed ({frame.speed_unit[0]})"
    band = StackPanel(
        heads[0],
        below,
        heights[0],
        frame.span(view),
        _band_span(view),
        lambda ax: _band(ax, view, frame, style),
    )
    if ax is not None:
        return into(ax, style, band)
    share = StackPanel(
        heads[1],
        below,
        heights[1],
        frame.span(view),
        Span(0.0, 108.0, ticks={0.0: "0", 50.0: "50", 100.0: "100"}),
        lambda ax: _passed(ax, view, frame, style),
    )
    words = canvas.Words(_title(view), _note(view, style), _alternative(view))
    return stack(style, words, [band, share] if view.judged.any() else [band], gap=14.0).panels[0]


@dataclass(frozen=True, eq=False)
class ToleranceView(SpeedView):
    """A tolerance result as drawn: ripples as shares of the speed."""

    result: Tolerance
    rows: dict[str, np.ndarray]
    limit: np.ndarray
    passed: np.ndarray

    @property
    def judged(self) -> np.ndarray:
        """Speeds at which there is a limit on ripple."""
        return np.isfinite(self.limit)


def _view(result: Tolerance) -> ToleranceView:
    order = np.unique(result.speed, return_index=True)[1]
    order = order[result.speed[order] > 0.0]
    if result.limit is not None and np.isfinite(result.limit[order]).any():
        # The requirement has a range of speeds: no others are shown.
        order = order[np.isfinite(result.limit[order])]
    speed, nothing = result.speed[order], np.full(len(order), np.inf)
    rows = {name: getattr(result, name)[order] / speed for name in ("low", "median", "high")}
    limit = nothing if result.limit is None else result.limit[order] / speed
    passed = nothing if result.yield_by_speed is None else result.yield_by_speed[order]
    return ToleranceView(result, speed, result.doubtful[order], rows, limit, passed)


def _band_span(view: ToleranceView) -> Span:
    """Log range that holds the band and the limit."""
    every = np.concatenate([*view.rows.values(), view.limit])
    shown = every[np.isfinite(every) & (every > 0.0)] / SHARE
    if not len(shown):
        return NO_VALUES
    return Span(max(shown.min(), 1e-6 * shown.max()) / 1.7, shown.max() * 1.7, True)


def _band(ax: Axes, view: ToleranceView, frame: PanelFrame, style: Style) -> Axes:
    """The band with its edges, the middle and the limit, each with its name."""
    x, floor = frame.x(view.speed), ax.get_ylim()[0] / 100.0
    rows = {
        name: np.maximum(np.nan_to_num(row / SHARE, posinf=1e9), floor) for name, row in view.rows.items()
    }
    hatch(ax, view, style, frame)
    labels = Labels(ax, style)
    labels.doubt = SIDE_BY_SIDE
    if not len(x) or not any(row.max(initial=0.0) > floor for row in rows.values()):
        labels.put("no ripple", labels.size / 2.0, "muted", bold=False)
        return ax
    # Below the hatching of doubt.
    ax.fill_between(x, rows["low"], rows["high"], color=style.colour("soft"), linewidth=0.0, zorder=0.4)
    for name, role in (("low", "cyclic"), ("high", "cyclic"), ("median", "ink")):
        ax.plot(x, rows[name], **style.line(role), **view.mark("o", 4.0), zorder=4 if role == "ink" else 3)
        labels.avoid(x, rows[name], key=name)
    if view.judged.any():
        limit = np.where(view.judged, view.limit / SHARE, np.nan)
        ax.plot(x, limit, **style.line("limit"), **view.mark("_", 9.0), zorder=3.5)
        labels.avoid(x, limit, key="limit")
        labels.beside(LIMIT, "limit", "limit")
        # A percentile's name just above the limit would name the limit.
        low, high = ax.get_ylim()
        labels.avoid(x, limit * (high / low) ** (OFF_LIMIT / labels.size[1]))
    labels.beside(MIDDLE, "median", "ink")
    for name, words in EDGES.items():
        labels.beside(words, name, "cyclic")
    return ax


def _passed(ax: Axes, view: ToleranceView, frame: PanelFrame, style: Style) -> None:
    """Share of the axes that meet the limit at each speed, the least of them marked."""
    x, y = frame.x(view.speed), np.where(view.judged, view.passed / SHARE, np.nan)
    ax.fill_between(x, 0.0, y, color=style.colour("soft"), linewidth=0.0, zorder=1)
    ax.plot(x, y, **style.line("ink"), **view.mark("o", 4.0), zorder=3)
    least = int(np.nanargmin(y))
    ax.plot(x[least], y[least], "o", color=style.colour("ink"), markersize=5.0, zorder=5)
    labels = Labels(ax, style)
    labels.avoid(x, y, key="share")
    at = with_unit(digits(x[least], 2), frame.speed_unit[0])
    words = f"least: {digits(y[least], 3, strip=True)} at {at}"
    labels.at([words], x[least], y[least], "ink", clear=1.4)


def _title(view: ToleranceView) -> str:
    """The answer: how many axes pass; without a limit, how much they differ."""
    result = view.result
    if result.yield_fraction is not None:
        what = "limit at every speed" if _ripple_alone(result) else "requirement"
        if result.yield_fraction == 0.0:
            return f"None of {result.samples} axes meets the {what}"
        if result.yield_fraction == 1.0:
            return f"All {result.samples} axes meet the {what}"
        return f"{_of_hundred(result.yield_fraction)} axes would meet the {what}"
    if not len(view.speed) or not view.rows["high"].max() > 0.0:
        return "No ripple at these speeds"
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.where(view.rows["low"] > 0.0, view.rows["high"] / view.rows["low"], 1.0)
    place = int(np.argmax(apart))
    low, high = (
        quantity(view.rows[name][place] * view.speed[place], view.unit, 2) for name in ("low", "high")
    )
    at = quantity(view.speed[place], view.unit, 2)
    return f"Axes differ most at {at}: 95 of 100 have a ripple of {paired(low, high, 'to')} rms"


def _ripple_alone(result: Tolerance) -> bool:
    """Whether the limits on measured ripple alone decide."""
    others = [share for name, share in result.yield_by_limit.items() if name not in ("measured", "relative")]
    return min(others, default=1.0) == 1.0


def _of_hundred(share: float) -> str:
    """``51 of 100``, per 1000 where rounding would give none or all."""
    if 0.0 < share < 0.005 or 0.995 <= share < 1.0:
        return f"{digits(1000.0 * share, 3, strip=True)} of 1000"
    return f"{100.0 * share:.0f} of 100"


def _note(view: ToleranceView, style: Style) -> str:
    """The axis, number of drawn axes, what differs, confidence interval, which tolerance to tighten."""
    result = view.result
    keys = list(result.spread)
    shown = keys if len(keys) <= NAMED else [*keys[: NAMED - 1], f"{len(keys) - NAMED + 1} more"]
    words = [f"{result.samples} axes drawn that differ in {listed(shown)}."]
    if not style.phone:
        words.insert(0, f"{sentence(axis_words(result.axis))}.")
    if result.yield_interval is not None:
        low, high = result.yield_interval
        words.append(f"95 % confidence interval: {100.0 * low:.0f} to {100.0 * high:.0f} of 100 axes.")
    if result.tighten is not None and result.halved:
        share = 100.0 * result.halved[result.tighten]
        words.append(f"With half the spread of {result.tighten} it is {share:.0f} of 100.")
    if np.any(view.doubtful):
        told = result.reasons and not style.bare
        words.append(f"Hatched: not reliable{f' ({result.reasons[0]})' if told else ''}.")
    return " ".join(words)


def _alternative(view: ToleranceView) -> str:
    """Alternative text: kind, quantity, range; the answer; the least share; doubt."""
    if not len(view.speed):
        return f"{_title(view)}."
    words = [
        f"Log-log band of velocity ripple as a share of the speed, rms, of {view.result.samples} axes against speed "
        f"{view.range_in_words}. {_title(view)}."
    ]
    if view.judged.any():
        least = int(np.argmin(np.where(view.judged, view.passed, np.inf)))
        at = quantity(view.speed[least], view.unit, 2)
        words.append(f"Fewest meet the limit at {at}: {percent(view.passed[least], 3, strip=True)}.")
    if np.any(view.doubtful):
        words.append("Some values are not reliable.")
    return " ".join(words)
