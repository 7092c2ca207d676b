"""A sheet of panels one below the other, and one such panel in the axes of the caller.

A picture describes its panels as :class:`StackPanel` and hands them to :func:`stack` or :func:`into`; title, note,
alternative text, common left edge and names of the axes are done here, alike for all pictures. Parts beside or between
the panels are added to the sheet afterwards, in the room that the picture asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from . import canvas
from .ticks import Span, set_spans

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .canvas import Sheet, Style, Words


# Height of the first panel's head, of the space between panels over one axis, between panels over different axes, and
# of tick marks and name below the last, mm.
TOP, GAP, WIDE_GAP, BELOW = 7.0, 10.5, 20.0, 13.0


@dataclass(frozen=True, eq=False)
class StackPanel:
    """One panel: head, name of its horizontal axis, height in mm, both ranges, the function that draws into it.

    The name is written under the last of the panels that share it. ``head_top`` is the place of the head in mm from the
    top of the sheet's body, just above the panel without it. A drawing that sets its own ranges gives none.
    """

    head: str
    below: str
    height: float
    x: Span | None
    y: Span | None
    draw: Callable[[Axes], object]
    head_top: float | None = None


def labels_of(ax: Axes | None) -> tuple[str, str]:
    """Name of the horizontal axis and head of axes that may hold a picture: their units are kept."""
    return ("", "") if ax is None else (ax.get_xlabel(), ax.get_title(loc="left"))


def into(ax: Axes, style: Style, panel: StackPanel, *, pad: float = 6.0) -> Axes:
    """Draw one panel into the caller's axes, with its head ``pad`` points above and the name of the axis below."""
    ax = canvas.axes(ax, style)
    canvas.name_axes(ax, style, head=panel.head, below=panel.below, pad=pad)
    _set_ranges(ax, panel)
    panel.draw(ax)
    return ax


def _set_ranges(ax: Axes, panel: StackPanel) -> None:
    if panel.x is not None and panel.y is not None:
        set_spans(ax, panel.x, panel.y)


def place(
    sheet: Sheet,
    panel: StackPanel,
    top: float,
    *,
    left: float = 14.0,
    right: float = 6.0,
    head_left: float = 4.0,
) -> Axes:
    """Draw a panel of its own at ``top`` mm in the body of a sheet, between two margins in mm."""
    ax = sheet.panel(
        top, panel.height, panel.head, left=left, right=right, head_left=head_left, head_top=panel.head_top
    )
    _set_ranges(ax, panel)
    panel.draw(ax)
    canvas.name_axes(ax, sheet.style, below=panel.below)
    return ax


def stack(
    style: Style,
    words: Words,
    panels: Sequence[StackPanel],
    *,
    top: float = TOP,
    gap: float = GAP,
    beside: float = 0.0,
    room: float = 0.0,
) -> Sheet:
    """Draw panels one below the other on a new sheet.

    Parameters
    ----------
    style : Style
    words : Words
        Title, note and alternative text.
    panels : sequence of StackPanel
        From top to bottom.
    top, gap : float
        Space above the first panel and between two, mm.
    beside, room : float
        Space left free at the right of the panels and below them, mm.

    Returns
    -------
    Sheet
        Its ``panels`` are the axes, from top to bottom.
    """
    heights = sum(panel.height for panel in panels) + gap * (len(panels) - 1)
    sheet = canvas.Sheet(style, words, top + heights + BELOW + room)
    for panel in panels:
        ax = sheet.panel(top, panel.height, panel.head, right=6.0 + beside, head_top=panel.head_top)
        _set_ranges(ax, panel)
        top += panel.height + gap
    # Labels are placed in mm: the panels get their final width before anything is drawn.
    drawn = list(sheet.panels)
    sheet.widen_left(*drawn)
    following = [*(panel.below for panel in panels[1:]), ""]
    for ax, panel, below in zip(drawn, panels, following, strict=True):
        panel.draw(ax)
        if panel.below == below:
            ax.tick_params(labelbottom=False)
        else:
            canvas.name_axes(ax, style, below=panel.below)
    return sheet
