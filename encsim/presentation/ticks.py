"""Ranges of axes and their tick marks: few, plain decimals, none minor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import ticker

from ..wording import grouped

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from matplotlib.axes import Axes


def drawn_before(ax: Axes) -> bool:
    """Whether these axes hold a picture of ours already."""
    return bool(getattr(ax.xaxis, "encsim_drawn", False))


def limits(ax: Axes, horizontal: np.ndarray | tuple[float, float], vertical: tuple[float, float]) -> None:
    """Set both ranges; axes that already hold curves keep these visible."""
    axis: Any
    for axis, (low, high) in ((ax.xaxis, horizontal), (ax.yaxis, vertical)):
        if getattr(axis, "encsim_drawn", False):
            before = axis.get_view_interval()
            low, high = min(low, *before), max(high, *before)
        axis.encsim_drawn = True
        (ax.set_xlim if axis is ax.xaxis else ax.set_ylim)(low, high)


@dataclass(frozen=True)
class Span:
    """Range of one axis and its tick marks: at most ``most``, or every ``step``, or those of ``ticks`` with names."""

    low: float
    high: float
    logarithmic: bool = False
    most: int = 7
    step: float | None = None
    ticks: Mapping[float, str] | None = None
    grid: bool = True


# Vertical axis of a panel that has no values to show.
NO_VALUES = Span(0.0, 1.0, ticks={0.0: "0"})


def set_spans(ax: Axes, x: Span, y: Span) -> None:
    """Ranges, tick marks and grid of both axes."""
    for axis, span in ((ax.xaxis, x), (ax.yaxis, y)):
        if span.ticks is None:
            number_axis(axis, span.logarithmic, span.most)
        else:
            axis.set_ticks(list(span.ticks), list(span.ticks.values()))
        if span.step is not None:
            axis.set_major_locator(ticker.MultipleLocator(span.step))
        if not span.grid:
            axis.grid(False)
    limits(ax, (x.low, x.high), (y.low, y.high))


class PlainNumbers(ticker.Formatter):
    """Names of ticks as plain decimals: one number of places on a linear axis, none too many on a log axis."""

    def __init__(self, logarithmic: bool = False) -> None:
        self.logarithmic = logarithmic

    def __call__(self, value: float, pos: int | None = None) -> str:
        """Name of one tick."""
        return self.format_ticks([value])[0]

    def format_ticks(self, values: list[float] | np.ndarray) -> list[str]:
        """Names of all ticks together."""
        values = np.asarray(values, dtype=float)
        places = [_places(value) for value in values]
        if not self.logarithmic:
            places = [max(places, default=0)] * len(places)
        return [grouped(value, count) for value, count in zip(values, places, strict=True)]


def _places(value: float) -> int:
    """Decimal places that a tick's value needs, at most 12."""
    text = f"{value:.12f}".rstrip("0")
    return len(text) - text.index(".") - 1 if abs(value) > 1e-11 else 0


class Decades(ticker.Locator):
    """Ticks of a log axis: decades; 1 and 3, or 1, 2, 5, where there are few; round numbers within one."""

    def __init__(self, most: int = 9) -> None:
        self.most = most

    def __call__(self) -> list[float]:
        """Ticks within the present range."""
        axis: Any = self.axis
        return self.tick_values(*sorted(axis.get_view_interval()))

    def tick_values(self, vmin: float, vmax: float) -> list[float]:
        """Ticks between two values."""
        span = math.log10(vmax / vmin)
        for mantissas, least in (((1,), 2.5), ((1, 3), 1.7), ((1, 2, 5), 0.75)):
            if span >= least:
                return _decade_ticks(vmin, vmax, mantissas, math.ceil(span / self.most))
        return _within(ticker.MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(vmin, vmax), vmin, vmax)


def _decade_ticks(low: float, high: float, mantissas: tuple[float, ...], step: int) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [mantissa * 10.0**decade for decade in decades if decade % step == 0 for mantissa in mantissas]
    return _within(ticks, low, high)


def _within(ticks: Iterable[float], low: float, high: float) -> list[float]:
    """Ticks in a range, its ends included."""
    return [float(tick) for tick in ticks if low * (1.0 - 1e-9) <= tick <= high * (1.0 + 1e-9)]


def number_axis(axis: Any, logarithmic: bool = False, most: int = 7) -> None:
    """Plain tick marks of one axis, none of them minor."""
    if logarithmic:
        axis.axes.set(**{f"{axis.axis_name}scale": "log"})
    axis.set_major_locator(
        Decades(most) if logarithmic else ticker.MaxNLocator(most, steps=[1, 2, 2.5, 4, 5, 10])
    )
    axis.set_minor_locator(ticker.NullLocator())
    axis.set_major_formatter(PlainNumbers(logarithmic))


def tick_names(axis: Any) -> list[str]:
    """Names of the ticks within the range of an axis."""
    low, high = sorted(axis.get_view_interval())
    ticks = [tick for tick in axis.get_majorticklocs() if low <= tick <= high]
    return axis.get_major_formatter().format_ticks(ticks)
