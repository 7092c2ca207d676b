"""Panels of a page: paths in units of a panel, round ticks and places of names, for text that stays text.

A panel has 1000 by 1000 units and is stretched to any width; ticks and names stand in per cent of it.
"""

from __future__ import annotations

import math

import numpy as np

from ..wording import axis_unit
from .canvas import width
from .ticks import PlainNumbers

Ticks = tuple[tuple[float, str], ...]


# Width and height of a panel, and the share of the height that a wave of full size fills.
WIDE, HIGH, FILLED = 1000.0, 1000.0, 0.86
# Height in per cent that is kept free of names at the top, for marks.
KEPT = 13.0


def tenths(number: float) -> str:
    """A coordinate as text with one decimal at most."""
    text = f"{number:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def path(x: np.ndarray, y: np.ndarray) -> str:
    """Straight lines through points, to whole units: the first place, then steps, which are short to write."""
    places = np.round(np.stack([x, y], axis=1)).astype(int)
    steps = np.diff(places, axis=0)
    written = " ".join(f"{a} {b}" for a, b in steps[np.any(steps != 0, axis=1)].tolist()).replace(" -", "-")
    return f"M{places[0, 0]} {places[0, 1]}" + (f"l{written}" if written else "")


def ticks(length: float, unit: str, before: float = 0.0) -> Ticks:
    """Round ticks of an axis of this length; 0 is at ``before`` from its left end."""
    from matplotlib.ticker import MaxNLocator

    size = axis_unit(length, unit)[1]
    end = (length - before) / size * 1.001
    locations = MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(0.0, end)
    values = [float(value) for value in locations if 0.0 <= value <= end]
    names = PlainNumbers().format_ticks(values)
    places = [round(100.0 * (value * size + before) / length, 2) for value in values]
    return tuple(zip(places, names, strict=True))


def about_zero(largest: float, unit: str) -> Ticks:
    """A round tick above and below zero, and zero; shares of the panel from its top."""
    if not largest:
        return ((50.0, "0"),)
    size = axis_unit(largest, unit)[1]
    step = 10.0 ** math.floor(math.log10(largest / size))
    value = max(step * factor for factor in (1.0, 2.0, 5.0) if step * factor <= largest / size * 1.0001)
    names = PlainNumbers().format_ticks([value, 0.0, -value])
    reach = 50.0 * FILLED * value * size / largest
    return tuple(
        (round(50.0 + place * reach, 2), name) for place, name in zip((-1, 0, 1), names, strict=True)
    )


def letters_wide(text: str, letters: float) -> float:
    """Width of a bold text in dots, of letters of this size in dots."""
    return width(text, letters, True) * 72.0 / 25.4


def placed(
    wanted: list[tuple[str, str]],
    drawn: dict[str, np.ndarray],
    layout: tuple[float, float, float],
    narrow: tuple[str, float] = ("", math.inf),
) -> list[tuple[float, float]]:
    """Places of names in per cent: beside their own line, where the box of the name meets no line and no other name.

    All but one name have room also in a panel of so few dots: ``narrow``.
    """
    wide, tall, letters = layout
    taken: list[tuple[float, float, float, float]] = []
    places = []
    for text, key in wanted:
        dots = wide if key == narrow[0] else min(wide, narrow[1])
        half, high = 50.0 * (letters_wide(text, letters) + 6.0) / dots, 50.0 * (letters + 4.0) / tall
        best = (math.inf, 80.0, 50.0)
        for x in np.linspace(half + 0.5, 99.5 - half, 45):
            level = np.interp([x - half, x, x + half], *drawn[key])
            for y in (level.min() - high - 2.0, level.max() + high + 2.0):
                cost = _meets(drawn, taken, (x - half, x + half, y - high, y + high)) + abs(x - 78.0) / 100.0
                best = min(best, (cost, x, y))
        _, x, y = best
        taken.append((x - half, x + half, y - high, y + high))
        places.append((round(float(x), 2), round(float(y), 2)))
    return places


def _meets(
    drawn: dict[str, np.ndarray],
    taken: list[tuple[float, float, float, float]],
    box: tuple[float, float, float, float],
) -> float:
    """How badly a box is placed: lines and names that it meets, and whether it leaves the panel or its mark's room."""
    left, right, top, bottom = box
    wrong = 5.0 * (top < KEPT) + 5.0 * (bottom > 99.0)
    for x, y in drawn.values():
        heights = np.append(y[(x >= left) & (x <= right)], np.interp([left, right], x, y))
        wrong += 2.0 * bool(heights.min() < bottom and heights.max() > top)
    for other in taken:
        wrong += 3.0 * (left < other[1] and right > other[0] and top < other[3] and bottom > other[2])
    return wrong
