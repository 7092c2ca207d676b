"""The sheets that pictures are tested on, the axes they show, and the words on them that clash."""

import itertools
from unittest.mock import patch

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.text import Text
from stage_x import stage

import encsim
from encsim.presentation import canvas

PAGES = [canvas.Style("light", "a4"), canvas.Style("dark", "phone")]
STAGE = stage(jitter=20e-9)
TABLE = encsim.Axis(
    encsim.Scale(lines=2048),
    signal=encsim.Signal(offset=(0.01, -0.005), gain=0.02, jitter=1e-7),
    interpolation=encsim.Interpolation(factor=1024, hysteresis=1.0),
    sampling=encsim.Sampling(8e3),
    estimator=encsim.Difference(4),
)
IDEAL = encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3))


def texts_of(figure):
    """Every text that is drawn and where it stands, pixels."""
    drawn, renderer = [], FigureCanvasAgg(figure).get_renderer()
    with patch.object(Text, "draw", autospec=True, side_effect=lambda text, renderer: drawn.append(text)):
        figure.draw_without_rendering()
    shown = [text for text in drawn if text.get_visible() and text.get_text().strip()]
    return {text: Text.get_window_extent(text, renderer) for text in shown}


def clashes(figure):
    """Words that leave the sheet, pairs of words of which one covers the other, and words that a line crosses."""
    boxes = texts_of(figure)
    width, height = figure.bbox.width, figure.bbox.height
    # A word at the edge looks cut off where the sheet is printed or framed.
    side = 1.0 * figure.dpi / 25.4
    cut = [
        text.get_text()
        for text, box in boxes.items()
        if box.x0 < side or box.y0 < 0 or box.x1 > width - side or box.y1 > height
    ]
    # A rim of 1.5 pixels round letters may touch: boxes are as tall as the tallest letter there is.
    tight = {
        text.get_text() + f" {number}": box.padded(-1.5) for number, (text, box) in enumerate(boxes.items())
    }
    pairs = [pair for pair in itertools.combinations(tight, 2) if tight[pair[0]].overlaps(tight[pair[1]])]
    return cut + pairs + [f"{text} crossed" for ax in figure.axes for text in _crossed(ax, boxes)]


def _crossed(ax, boxes):
    """Words in a panel that a line of it or another word's leader crosses.

    Lines in the colour of the grid may cross words, and filled marks hide lines.
    """
    grid = {style.colour("grid") for style in PAGES}
    drawn = [
        (part.get_zorder(), path.transformed(part.get_transform()))
        for part in (*ax.lines, *(part for part in ax.collections if isinstance(part, LineCollection)))
        for path in (part.get_paths() if isinstance(part, LineCollection) else [part.get_path()])
        if part.get_visible()
        and part.get_linestyle() != "None"
        and to_hex(_first(part.get_color())).upper() not in grid
    ]
    rim = -0.45 * ax.figure.dpi / 25.4
    for text in ax.texts:
        box = boxes[text].padded(rim) if text in boxes else None
        if box is None or not ax.bbox.overlaps(box):
            continue
        ground = [
            patch.get_zorder()
            for patch in ax.patches
            if patch.get_fill() and patch.contains_point(_middle(box))
        ]
        if any(
            order > max(ground, default=0.0) and path.intersects_bbox(box, filled=False)
            for order, path in drawn
        ):
            yield text.get_text()
        leaders = [
            other.arrow_patch
            for other in ax.texts
            if other is not text and other.get_text() and getattr(other, "arrow_patch", None)
        ]
        if any(_led(leader).intersects_bbox(box, filled=False) for leader in leaders):
            yield f"{text.get_text()} by a leader"


def _led(leader):
    """The way of a leader, pixels."""
    return leader.get_path().transformed(leader.get_transform())


def _first(colour):
    """The first of several colours, or the one."""
    return colour if isinstance(colour, str) else np.atleast_2d(colour)[0]


def _middle(box):
    return (box.x0 + box.x1) / 2.0, (box.y0 + box.y1) / 2.0
