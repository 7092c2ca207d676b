"""What a page is made of: blocks with sentences, figures in both layouts, tables of numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..plotting.canvas import Style
from ..wording import axis_words, sentence
from .page_svg import inline

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..model.axis import Axis
    from .page_svg import GlyphStore


STYLES = {"wide": Style(bare=True), "phone": Style(page="phone", bare=True)}


@dataclass(frozen=True)
class Picture:
    """One figure in both layouts, with the words that stand beside it.

    ``edges`` are left and right end of its axis of speeds in each layout, per cent of the width, and the speeds
    there: {"wide": (left, right), "phone": ..., "speeds": (low, high)}; empty where nothing is marked in it.
    """

    key: str
    title: str
    note: str
    wide: str
    phone: str
    edges: dict


@dataclass(frozen=True)
class Table:
    """Numbers under a figure; ``head`` names the columns."""

    caption: str
    head: tuple
    rows: tuple
    folded: bool = True


@dataclass(frozen=True)
class Block:
    """One question of the page and its answer.

    Attributes
    ----------
    key, heading : str
    says : tuple of str
        Sentences, the answer first.
    facts : tuple of (str, str, str)
        What, how much, and where.
    words : tuple of (str, str)
        Words that are explained here.
    doubts : tuple of str
        Why the answer may not be believed.
    doubted : str
        What of it, as the subject of a sentence.
    pictures : tuple of Picture
    tables : tuple of Table
    points : tuple of str
        A list at the end.
    slider : Slider or None
    more : Block or None
        For those who want to know more, folded.
    """

    key: str
    heading: str
    says: tuple = ()
    facts: tuple = ()
    words: tuple = ()
    doubts: tuple = ()
    doubted: str = "This"
    pictures: tuple = ()
    tables: tuple = ()
    points: tuple = ()
    slider: object = None
    more: object = None


def picture(
    key: str,
    axis: Axis,
    draw: Callable[..., Any],
    shelf: GlyphStore,
    speeds: tuple[float, float] | None = None,
) -> Picture:
    """A figure in both layouts."""
    axes = {name: draw(style) for name, style in STYLES.items()}
    made = {name: inline(ax.figure, f"{key}-{name}", shelf) for name, ax in axes.items()}
    figure = axes["wide"].figure
    edges = {} if speeds is None else {name: _edges(ax) for name, ax in axes.items()} | {"speeds": speeds}
    note = figure.encsim_note.removeprefix(sentence(axis_words(axis))).lstrip(".,; ")
    return Picture(key, figure.encsim_title, sentence(note), made["wide"], made["phone"], edges)


def _edges(ax: Axes) -> tuple[float, float]:
    box = ax.get_position()
    return round(100.0 * box.x0, 2), round(100.0 * box.x1, 2)


def near(speed: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Indices of the speeds nearest to those wanted."""
    return np.unique([int(np.argmin(np.abs(speed - each))) for each in wanted]) if len(speed) else ()
