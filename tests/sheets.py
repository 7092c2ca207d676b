"""The sheets that pictures are tested on, the axes they show, and the words on them that clash."""

import itertools
from unittest.mock import patch

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from stage_x import stage

import encsim
from encsim.plotting import canvas

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
    """Words that leave the sheet, and pairs of words of which one covers the other."""
    boxes = texts_of(figure)
    width, height = figure.bbox.width, figure.bbox.height
    cut = [
        text.get_text()
        for text, box in boxes.items()
        if box.x0 < 0 or box.y0 < 0 or box.x1 > width or box.y1 > height
    ]
    # A rim of 1.5 pixels round letters may touch: boxes are as tall as the tallest letter there is.
    tight = {
        text.get_text() + f" {number}": box.padded(-1.5) for number, (text, box) in enumerate(boxes.items())
    }
    pairs = itertools.combinations(tight, 2)
    return cut + [pair for pair in pairs if tight[pair[0]].overlaps(tight[pair[1]])]
