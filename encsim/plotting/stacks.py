"""A sheet of panels over one horizontal axis, and one such panel in the axes of the caller.

A picture describes its panels as :class:`StackPanel` and hands them to :func:`stack` or :func:`into`; title, note,
alternative text, common left edge and names of the axes are done here, alike for all pictures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from . import canvas

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .canvas import Style


# Height of the first panel's head, of the space between panels, and of tick marks and name below the last, mm.
TOP, GAP, BELOW = 7.0, 10.5, 13.0


@dataclass(frozen=True, eq=False)
class StackPanel:
    """One panel: its head, its height in mm, the function that sets its ranges, the one that draws into it.

    ``head_top`` is the place of the head in mm from the top of the sheet's body, just above the panel without it.
    """

    head: str
    height: float
    set_ranges: Callable[[Axes], object]
    draw: Callable[[Axes], object]
    head_top: float | None = None


def labels_of(ax: Axes | None) -> tuple[str, str]:
    """Name of the horizontal axis and head of axes that may hold a picture: their units are kept."""
    return ("", "") if ax is None else (ax.get_xlabel(), ax.get_title(loc="left"))


def into(ax: Axes, style: Style, panel: StackPanel, below: str) -> Axes:
    """Draw one panel into the caller's axes, with its head and the name of the horizontal axis."""
    ax = canvas.axes(ax, style)
    canvas.name_axes(ax, style, head=panel.head, below=below)
    panel.set_ranges(ax)
    panel.draw(ax)
    return ax


def stack(
    style: Style,
    panels: Sequence[StackPanel],
    *,
    title: str,
    note: str,
    text: str,
    below: str,
    top: float = TOP,
    gap: float = GAP,
) -> list[Axes]:
    """Draw panels one below the other on a new sheet and return their axes.

    Parameters
    ----------
    style : Style
    panels : sequence of StackPanel
        From top to bottom.
    title, note, text : str
        The answer, what the marks mean, and the alternative text.
    below : str
        Name of the horizontal axis, under the last panel.
    top, gap : float
        Space above the first panel and between two, mm.

    Returns
    -------
    list of Axes
    """
    heights = sum(panel.height for panel in panels) + gap * (len(panels) - 1)
    sheet = canvas.Sheet(style, title, note, top + heights + BELOW)
    drawn = []
    for panel in panels:
        drawn.append(sheet.panel(top, panel.height, panel.head, head_top=panel.head_top))
        panel.set_ranges(drawn[-1])
        top += panel.height + gap
    # Labels are placed in mm: the panels get their final width before anything is drawn.
    sheet.widen_left(*drawn)
    for ax, panel in zip(drawn, panels, strict=True):
        panel.draw(ax)
        ax.tick_params(labelbottom=ax is drawn[-1])
    canvas.name_axes(drawn[-1], style, below=below)
    canvas.describe(sheet.figure, title, text)
    return drawn
