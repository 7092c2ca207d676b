"""Words along the edges of a panel: the ribbon of segments below, names of ticks along the top."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import patheffects
from matplotlib.patches import Rectangle

from .canvas import SIZE, SMALL, width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .labels import Labels


# Segments narrower than this, mm, do not divide a segment with a word.
SLIVER = 1.0
BELOW = -4.6


def ribbon(
    places: Labels,
    edges: np.ndarray,
    names: list[str],
    looks: dict[str, tuple[str, str, tuple[str, ...]]],
    caption: str,
) -> None:
    """Segments in a row, each written over where there is room, else below with a leader."""
    x = edges * places.size[0]
    for name, left, right in zip(names, x[:-1], x[1:], strict=True):
        share = max(right - left, 0.25) / places.size[0]
        places.ax.add_patch(
            Rectangle(
                (left / places.size[0], 0.0),
                share,
                1.0,
                transform=places.ax.transAxes,
                color=places.style.colour(looks[name][0]),
                linewidth=0.0,
            )
        )
    below = []
    for name in dict.fromkeys(names):
        spans = _spans(name, names, x)
        if not _write_over(places, spans, *looks[name]):
            below.append((looks[name], max(spans)[1]))
    _write_below(places, below, caption)


def _spans(name: str, names: list[str], x: np.ndarray) -> list[tuple[float, float]]:
    """(width, middle) of the segments of one name; slivers of others do not part them."""
    spans: list[list[float]] = []
    for other, left, right in zip(names, x[:-1], x[1:], strict=True):
        if other != name:
            continue
        if spans and left - spans[-1][1] < SLIVER:
            spans[-1][1] = right
        else:
            spans.append([left, right])
    return [(right - left, (left + right) / 2.0) for left, right in spans]


def _write_over(
    places: Labels, spans: list[tuple[float, float]], fill: str, role: str, words: tuple[str, ...]
) -> bool:
    """Write in the segments that have room; whether there is one."""
    wide = max(spans)[0]
    for text in words:
        need = width(text, SIZE, True) + 2.0
        if wide < need:
            continue
        rim: list[patheffects.AbstractPathEffect] = [
            patheffects.withStroke(linewidth=2.0, foreground=places.style.colour(fill))
        ]
        for span, middle in spans:
            if span == wide or span > 1.6 * need:
                places.put(text, (middle, places.size[1] / 2), role).set_path_effects(rim)
        return True
    return False


def _write_below(
    places: Labels, wanted: list[tuple[tuple[str, str, tuple[str, ...]], float]], caption: str
) -> None:
    """Caption and words of narrow segments in one row; words in the way of another or of the caption are left out."""
    need, panel = width(caption, SMALL), places.size[0]
    boxes = []
    for (fill, _, words), middle in wanted:
        half = width(words[-1], SMALL) / 2.0
        boxes.append((float(np.clip(middle, half, panel - half)), half, middle, fill, words[-1]))
    starts = [0.0, panel - need, (panel - need) / 2.0]
    start = min(starts, key=lambda left: sum(_meet(box, left, left + need) for box in boxes))
    places.put(caption, (start + need / 2.0, BELOW + 1.4), "muted", bold=False, size=SMALL)
    taken = [(start, start + need)]
    for centre, half, middle, fill, word in boxes:
        if any(_meet((centre, half), *span) for span in taken):
            continue
        taken.append((centre - half, centre + half))
        role = "cyclic" if fill == "soft" else fill
        places.put(word, (centre, BELOW), role, bold=False, size=SMALL)
        places.lead((middle, -2.8), (middle, -0.3), role)


def _meet(box: tuple[Any, ...], left: float, right: float) -> bool:
    """Whether a word comes too close to a span of its row."""
    return box[0] - box[1] < right + 1.6 and box[0] + box[1] > left - 1.6


def choose_names(
    places: Sequence[float] | np.ndarray, words: list[str], panel: float, prefix: str
) -> tuple[list[tuple[float, str]], float | None]:
    """Names of ticks along the top, [(mm, name)], and the place of their explanation, without overlap."""
    chosen: dict[str, tuple[float, float]] = {}
    for number in sorted(range(len(words)), key=lambda n: (words[n] != "all", n)):
        half = width(words[number], SMALL, True) / 2.0
        inside = half - 4.0 <= places[number] <= panel + 4.0 - half
        clear = all(abs(places[number] - middle) > half + other + 1.6 for middle, other in chosen.values())
        if words[number] not in chosen and inside and clear:
            chosen[words[number]] = (places[number], half)
    if not chosen:
        return [], None
    first = min(middle - half for middle, half in chosen.values()) - width(prefix, SMALL) - 1.5
    last = max(middle + half for middle, half in chosen.values()) + 1.5
    after = last if last + width(prefix, SMALL) <= panel else None
    return sorted((middle, word) for word, (middle, _) in chosen.items()), first if first >= -8.0 else after


def top_ticks(labels: Labels, x: np.ndarray) -> None:
    """Short ticks along the top edge; those closer than 0.4 mm to one before are left out."""
    kept, last = [], -np.inf
    for value, place in zip(x, labels.place(x, np.full(len(x), labels.ax.get_ylim()[0]))[:, 0], strict=True):
        if -0.1 <= place <= labels.size[0] + 0.1 and place - last >= 0.4:
            kept.append(value)
            last = place
    labels.ax.vlines(
        kept,
        1.0 - 2.6 / labels.size[1],
        1.0,
        transform=labels.ax.get_xaxis_transform(),
        color=labels.style.colour("cyclic"),
        linewidth=1.1,
        zorder=4,
    )
    labels.block(0.0, labels.size[1] - 2.6, labels.size[0], labels.size[1])


def top_names(labels: Labels, names: list[tuple[float, str]], start: float | None, prefix: str) -> None:
    """Names above the ticks, and the words that explain them."""
    if start is not None:
        labels.above(prefix, start + width(prefix, SMALL) / 2.0, "cyclic", bold=False)
    for middle, word in names:
        labels.above(word, middle, "cyclic")
