"""The look of all pictures: colours by role, sizes, sheets laid out in mm, saving.

A sheet is one figure: title (the answer), note, panels from top to bottom. Matplotlib's pyplot is never touched
and its settings are as before after a picture, so drawing here changes nothing in a program that draws for itself.
"""

from __future__ import annotations

import contextlib
import functools
import io
from collections.abc import Iterator
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import matplotlib
from matplotlib import patheffects
from matplotlib.figure import Figure

from .. import checks, files
from .ticks import tick_names

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.text import Text


MM = 1.0 / 25.4
FAMILY = "DejaVu Sans"
SIZE, SMALL = 9.0, 8.5
LINE = {SIZE: 4.1, SMALL: 3.9, 10.5: 4.7, 12.0: 5.4}

COLOURS = {
    "light": {
        "paper": "#FFFFFF", "ink": "#17202B", "muted": "#56626F", "grid": "#E2E7EC", "cyclic": "#1C5DB3",
        "counts": "#A85E00", "noise": "#6C7884", "limit": "#A3123A", "true": "#008070", "force": "#56276D",
        "soft": "#D6E4F5", "wash": "#FAE6E9", "ideal": "#9AA5B1",
    },
    "dark": {
        "paper": "#11171E", "ink": "#F2F5F8", "muted": "#B0BAC5", "grid": "#2B3540", "cyclic": "#74B3FF",
        "counts": "#F0A63A", "noise": "#93A0AD", "limit": "#F75F74", "true": "#2FBFA3", "force": "#E6CBF7",
        "soft": "#1E3350", "wash": "#3B1E27", "ideal": "#6A7683",
    },
}  # fmt: skip
STROKES: dict[str, tuple[float, str | tuple[float, tuple[float, ...]]]] = {
    "ink": (2.2, "-"), "muted": (1.4, (0, (6, 1.6, 1, 1.6))), "cyclic": (1.4, "-"), "counts": (1.7, (0, (5, 1.6))),
    "noise": (2.0, (0, (1, 1.4))), "limit": (1.6, (0, (8, 3))), "true": (2.0, "-"), "force": (2.0, "-"),
    "ideal": (1.4, (0, (5, 2))),
}  # fmt: skip
FORMATS = ("png", "svg", "pdf")
# A last line of a title is short below this share of the width; shares of the width that are tried then.
SHORT_LINE, NARROWER = 0.25, (0.9, 0.8, 0.7, 0.6)


@dataclass(frozen=True)
class Style:
    """Theme ("light", "dark") and page ("a4", "phone") of a picture; ``bare`` leaves title and note to others."""

    theme: str = "light"
    page: str = "a4"
    bare: bool = False

    @property
    def phone(self) -> bool:
        """Whether the sheet is laid out for a phone."""
        return self.page == "phone"

    @property
    def width(self) -> float:
        """Width of the sheet, mm."""
        return 90.0 if self.phone else 170.0

    @property
    def dpi(self) -> int:
        """Pixels an inch."""
        return 220 if self.phone else 160

    @property
    def title_size(self) -> float:
        """Size of the title, points."""
        return 10.5 if self.phone else 12.0

    @property
    def title_letters(self) -> int:
        """Letters in a line of the title."""
        return 38 if self.phone else 66

    @property
    def note_letters(self) -> int:
        """Letters in a line of the note."""
        return 46 if self.phone else 96

    def colour(self, role: str) -> str:
        """Colour of a role as #RRGGBB."""
        return COLOURS[self.theme][role]

    def line(self, role: str, **changes: Any) -> dict[str, Any]:
        """Colour, width and dashes of a role's line, as keywords of ``plot``."""
        thick, dashes = STROKES[role]
        return {"color": self.colour(role), "linewidth": thick, "linestyle": dashes, **changes}

    def text(self, role: str = "ink", bold: bool = False, size: float = SIZE) -> dict[str, Any]:
        """Keywords of a text in a role's colour; a dotted line's label is muted, to be legible."""
        shown = "muted" if role == "noise" else role
        return {"color": self.colour(shown), "fontsize": size, "fontfamily": FAMILY, "parse_math": False,
                "fontweight": "bold" if bold else "normal"}  # fmt: skip

    def halo(self) -> list[patheffects.AbstractPathEffect]:
        """Rim of paper round a label, so that lines pass behind it."""
        return [patheffects.withStroke(linewidth=2.6, foreground=self.colour("paper"))]

    def ring(self) -> dict[str, Any]:
        """Keywords of a simulated or measured point."""
        return {"linestyle": "none", "marker": "o", "markersize": 4.6, "markeredgewidth": 1.2, "zorder": 6,
                "markerfacecolor": self.colour("paper"), "markeredgecolor": self.colour("ink")}  # fmt: skip


PRINT = Style()


@dataclass(frozen=True)
class Words:
    """Words of a picture: title (the answer), note (what the marks mean), alternative text."""

    title: str = ""
    note: str = ""
    text: str = ""


class Sheet:
    """One figure under construction: title and note on top, then a body of known height.

    Parameters
    ----------
    style : Style
    words : Words
        Title and note are wrapped here; :func:`save` writes title and alternative text into the file.
    body : float
        Height below title and note, mm; positions in the body are mm from its top and the left edge.

    Attributes
    ----------
    panels : list of Axes
        All panels so far.
    """

    def __init__(self, style: Style, words: Words, body: float) -> None:
        room = style.width - 7.0
        size = style.title_size
        heading = [] if style.bare else _balanced(words.title, style.title_letters, room, size)
        notes = wrap(words.note, style.note_letters, room) if words.note and not style.bare else []
        below_title = 2.6 + len(heading) * LINE[size]
        self.style = style
        self.top = below_title + 1.2 + len(notes) * LINE[SIZE] + 0.6
        self.height = self.top + body
        self.figure = Figure(
            figsize=(style.width * MM, self.height * MM), dpi=style.dpi, facecolor=style.colour("paper")
        )
        self._lines(heading, 2.6, style.text(bold=True, size=size))
        self._lines(notes, below_title + 1.2, style.text("muted"))
        self.panels: list[Axes] = []
        attach(self.figure, title=words.title, text=words.text, note=words.note)

    def _lines(self, lines: list[str], top: float, properties: dict[str, Any]) -> None:
        pitch = LINE[properties["fontsize"]]
        for number, line in enumerate(lines):
            self._place(4.0, top + (number + 0.5) * pitch, line, va="center", **properties)

    def _place(self, x: float, y: float, text: str, **properties: Any) -> Text:
        return self.figure.text(x / self.style.width, 1.0 - y / self.height, text, **properties)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        role: str = "ink",
        *,
        bold: bool = False,
        size: float = SIZE,
        ha: str = "left",
        va: str = "center",
    ) -> Text:
        """Write at x mm from the left, y mm below the top of the body."""
        return self._place(x, self.top + y, text, ha=ha, va=va, **self.style.text(role, bold, size))

    def panel(
        self,
        top: float,
        height: float,
        head: str = "",
        *,
        left: float = 14.0,
        right: float = 6.0,
        head_left: float = 4.0,
        head_top: float | None = None,
    ) -> Axes:
        """Axes at ``top`` mm in the body, with the head above them."""
        w, h = self.style.width, self.height
        box = (left / w, 1.0 - (self.top + top + height) / h, (w - left - right) / w, height / h)
        ax = self.figure.add_axes(box, facecolor=self.style.colour("paper"))
        dress(ax, self.style)
        if head:
            self.text(head_left, top - 3.4 if head_top is None else head_top, head, bold=True)
        self.panels.append(ax)
        return ax

    def widen_left(self, *axes: Axes) -> None:
        """Move the left edge of the axes, all alike, so that their widest tick mark's name fits."""
        names = [name for ax in axes for name in tick_names(ax.yaxis)]
        left = max([14.0, *(6.4 + width(name) for name in names)]) / self.style.width
        for ax in axes:
            box = ax.get_position()
            ax.set_position((left, box.y0, box.x1 - left, box.height))


def _balanced(title: str, letters: int, room: float, size: float) -> list[str]:
    """Lines of a title; where the last one is short, all are shortened as far as their number allows."""
    lines = wrap(title, letters, room, size, bold=True)
    for share in NARROWER:
        closer = wrap(title, letters, share * room, size, bold=True)
        if len(closer) > len(lines) or width(lines[-1], size, True) > SHORT_LINE * room:
            break
        lines = closer
    return lines


def attach(artist: Artist, **facts: object) -> None:
    """Keep facts with an artist, each as its attribute ``encsim_`` and name."""
    for name, fact in facts.items():
        setattr(artist, f"encsim_{name}", fact)


def axes(ax: Axes | None, style: Style = PRINT) -> Axes:
    """The caller's axes dressed for drawing, or those of a new figure."""
    if ax is None:
        return Sheet(style, Words(), 80.0).panel(8.0, 56.0)
    dress(ax, style)
    return ax


def dress(ax: Axes, style: Style) -> None:
    """Spines left and below, ticks outward, grid of major ticks, one family of letters."""
    ax.spines[["top", "right"]].set_visible(False)
    for spine in ax.spines.values():
        spine.set(color=style.colour("muted"), linewidth=0.8)
    ax.tick_params(
        which="both",
        direction="out",
        length=3.0,
        width=0.8,
        color=style.colour("muted"),
        top=False,
        right=False,
        labelcolor=style.colour("ink"),
        labelsize=SIZE,
        labelfontfamily=FAMILY,
    )
    ax.grid(True, which="major", color=style.colour("grid"), linewidth=0.8, linestyle="-")
    ax.set_axisbelow(True)


def name_axes(ax: Axes, style: Style, *, head: str = "", below: str = "", pad: float = 6.0) -> None:
    """Head above the axes at the left, name of the horizontal axis below; both bold."""
    if head:
        ax.set_title(head, loc="left", pad=pad, **style.text(bold=True))
    if below:
        ax.set_xlabel(below, labelpad=3.0, **style.text(bold=True))


@contextlib.contextmanager
def own_settings() -> Iterator[None]:
    """Draw with Matplotlib's defaults, whatever the user's settings say: pictures look the same everywhere."""
    from matplotlib import style

    with style.context("default"):
        matplotlib.rcParams.update({"svg.hashsalt": "encsim", "svg.fonttype": "path"})
        yield


def save(
    figure: Figure, target: str | PathLike[str] | BinaryIO, format: str | None = None, *, force: bool = False
) -> None:
    """Write a figure as PNG, SVG or PDF, whole or not at all, the same bytes each time."""
    path = target if isinstance(target, str | PathLike) else None
    kind = (format or ("" if path is None else Path(path).suffix.lstrip("."))).lower()
    if kind not in FORMATS:
        checks.refuse("--plot", "end in .png, .svg or .pdf", format if path is None else str(path))
    if path is not None and not force:
        files.refuse_existing(path)
    content = _rendered(figure, kind)
    if isinstance(target, str | PathLike):
        files.write_whole(target, content, force=force)
    else:
        target.write(content)


def _rendered(figure: Figure, kind: str) -> bytes:
    """Bytes of a figure's file."""
    title, text = getattr(figure, "encsim_title", ""), getattr(figure, "encsim_text", "")
    notes = {
        "png": {"Title": title, "Description": text, "Software": None},
        "svg": {"Title": title, "Description": text, "Date": None},
        "pdf": {"Title": title, "Subject": text, "CreationDate": None},
    }
    stream = io.BytesIO()
    with own_settings():
        figure.savefig(
            stream, format=kind, dpi=figure.dpi, facecolor=figure.get_facecolor(), metadata=notes[kind]
        )
    return _accessible(stream.getvalue(), text) if kind == "svg" else stream.getvalue()


def _accessible(svg: bytes, text: str) -> bytes:
    """The SVG with ``role="img"`` and its description beside the title, where screen readers look."""
    from xml.sax.saxutils import escape

    svg = svg.replace(b"<svg ", b'<svg role="img" ', 1)
    return svg.replace(b"</title>", b"</title>\n <desc>" + escape(text).encode() + b"</desc>", 1)


@functools.lru_cache(maxsize=4096)
def width(text: str, size: float = 9.0, bold: bool = False) -> float:
    """Width of one line of text in mm."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=size)
    return text_to_path.get_text_width_height_descent(text, font, ismath=False)[0] * 25.4 / 72.0


def wrap(text: str, letters: int, room: float, size: float = 9.0, bold: bool = False) -> list[str]:
    """Lines of at most so many letters and ``room`` mm, the last of two words; words longer than a line are cut."""

    def fits(line: str) -> bool:
        return len(line) <= letters and width(line, size, bold) <= room

    lines = [""]
    for word in text.split(" "):
        joined = f"{lines[-1]} {word}".strip(" ")
        if fits(joined):
            lines[-1] = joined
            continue
        lines += [] if not lines[-1] else [""]
        for letter in word:
            if not fits(lines[-1] + letter):
                lines.append("")
            lines[-1] += letter
    last = text.rpartition(" ")[2]
    if len(lines) > 1 and lines[-1] == last:
        before, _, moved = lines[-2].rpartition(" ")
        if before and fits(f"{moved} {last}"):
            lines[-2:] = [before, f"{moved} {last}"]
    return lines
