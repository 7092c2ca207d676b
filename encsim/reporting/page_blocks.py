"""Pieces of a page: blocks with sentences, tables of numbers, and figures inlined as SVG.

All figures of a page share the outlines of their letters, kept once, and their looks, which become classes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import numpy as np

from ..plotting import canvas
from ..plotting.canvas import Style
from ..wording import axis_words, sentence
from .page_frames import tenths

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..model.axis import Axis
    from .page_frames import Slider


STYLES = {"wide": Style(bare=True), "phone": Style(page="phone", bare=True)}
SPACE = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"
NAMED = {code.lower(): role for role, code in canvas.COLOURS["light"].items()}
# Marks a reference to a stored letter; the mark alone is a blank, which is not drawn.
STORED = "!"
DROPPED = ("metadata", "title", "desc", "style")
# A tenth of a point is finer than a screen's dot; letters are drawn 64 units a point and need none.
NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
COORDINATES = ("d", "x", "y", "width", "height", "points")


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
    edges: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Table:
    """Numbers under a figure; ``head`` names the columns."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
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
        Name, value, place.
    words : tuple of (str, str)
        Terms explained in this block, with their meanings.
    doubts : tuple of str
        Why the answer is not reliable.
    doubted : str
        The part that is not reliable, as the subject of a sentence.
    pictures : tuple of Picture
    tables : tuple of Table
    points : tuple of str
        A list at the end.
    slider : Slider or None
    more : Block or None
        Further details, folded.
    """

    key: str
    heading: str
    says: tuple[str, ...] = ()
    facts: tuple[tuple[str, str, str], ...] = ()
    words: tuple[tuple[str, str], ...] = ()
    doubts: tuple[str, ...] = ()
    doubted: str = "This"
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    points: tuple[str, ...] = ()
    slider: Slider | None = None
    more: Block | None = None


def near(speed: np.ndarray, wanted: np.ndarray) -> list[int]:
    """Indices of the speeds nearest to the wanted ones, ascending."""
    return sorted({int(np.argmin(np.abs(speed - each))) for each in wanted}) if len(speed) else []


class GlyphStore:
    """Outlines of letters and looks (as classes) that all pictures of a page share.

    Attributes
    ----------
    letters : dict of str to (str, str)
        {name in the figure: (id on the page, outline)}.
    looks : dict of str to str
        {declarations: class}.
    """

    def __init__(self) -> None:
        self.letters: dict[str, tuple[str, str]] = {}
        self.looks: dict[str, str] = {}

    def letter(self, name: str, outline: str) -> str:
        """Id of a letter's outline on the page."""
        return self.letters.setdefault(name, (f"g{len(self.letters)}", outline))[0]

    def look(self, declarations: str) -> str:
        """Class of a look, its colours replaced by their roles."""
        named = re.sub(r"#[0-9a-f]{6}", lambda match: _role(match[0]), declarations.lower())
        tidy = ";".join(part.replace(": ", ":").strip() for part in named.split(";") if part.strip())
        return self.looks.setdefault(tidy, f"k{len(self.looks)}")

    def styles(self) -> str:
        """Rules of all looks so far."""
        return "\n".join(f".{name}{{{text}}}" for text, name in self.looks.items())

    def outlines(self) -> str:
        """The letters as one hidden picture."""
        paths = "".join(
            f'<path id="{name}" d="{outline}" transform="scale(.015625)"/>'
            for name, outline in self.letters.values()
        )
        return f'<svg width="0" height="0" class="letters" aria-hidden="true"><defs>{paths}</defs></svg>'


def _role(code: str) -> str:
    """A colour as the variable of its role; the figures use no other colours."""
    return f"var(--{NAMED[code]})" if code in NAMED else code


def picture(
    key: str,
    axis: Axis,
    draw: Callable[[Style], Axes],
    store: GlyphStore,
    speeds: tuple[float, float] | None = None,
) -> Picture:
    """A figure in both layouts."""
    with canvas.own_settings():
        axes = {name: draw(style) for name, style in STYLES.items()}
    made = {name: inline(cast("Figure", ax.figure), f"{key}-{name}", store) for name, ax in axes.items()}
    figure = cast("Any", axes["wide"].figure)
    edges = {} if speeds is None else {name: _edges(ax) for name, ax in axes.items()} | {"speeds": speeds}
    note = figure.encsim_note.removeprefix(sentence(axis_words(axis))).lstrip(".,; ")
    return Picture(key, figure.encsim_title, sentence(note), made["wide"], made["phone"], edges)


def _edges(ax: Axes) -> tuple[float, float]:
    box = ax.get_position()
    return round(100.0 * box.x0, 2), round(100.0 * box.x1, 2)


def inline(figure: Figure, key: str, store: GlyphStore) -> str:
    """A figure as an ``svg`` element for a page, with its title and its alternative text."""
    stream = io.BytesIO()
    canvas.save(figure, stream, "svg")
    root = ElementTree.fromstring(stream.getvalue())
    _store_letters(root, store)
    used = {ref for element in root.iter() for ref in _references(element)}
    box = " ".join(tenths(float(part)) for part in root.get("viewBox", "").split())
    inner = "".join(_markup(child, key, store, used) for child in root)
    title, text = (escape(getattr(figure, name)) for name in ("encsim_title", "encsim_text"))
    return (
        f'<svg class="drawing" viewBox="{box}" role="img" aria-labelledby="{key}-t {key}-d">'
        f'<title id="{key}-t">{title}</title><desc id="{key}-d">{text}</desc>{inner}</svg>'
    )


def _store_letters(root: ElementTree.Element, store: GlyphStore) -> None:
    """Move the outlines of letters from a figure to the store, and refer to them there."""
    names = {}
    for defs in root.iter(f"{SPACE}defs"):
        for path in list(defs):
            name = path.get("id", "")
            if path.get("transform") == "scale(0.015625)":
                outline = path.get("d")
                names[name] = store.letter(name, _tight(outline)) if outline else ""
                defs.remove(path)
    for use in root.iter(f"{SPACE}use"):
        name = use.get(LINK, "")[1:]
        if name in names:
            use.set(LINK, STORED + names[name])


def _references(element: ElementTree.Element) -> Iterator[str]:
    """Ids that an element points to."""
    for value in element.attrib.values():
        yield from re.findall(r"url\(#([^)]+)\)", value)
    if element.get(LINK, "").startswith("#"):
        yield element.get(LINK, "")[1:]


def _markup(element: ElementTree.Element, key: str, store: GlyphStore, used: set[str]) -> str:
    """An element and all in it as markup."""
    name = element.tag.rpartition("}")[2]
    if name in DROPPED or element.get(LINK) == STORED:
        return ""
    inner = "".join(_markup(child, key, store, used) for child in element)
    if name in ("defs", "g") and not inner:
        return ""
    attributes = "".join(_attributes(element, key, store, used))
    if name == "g" and not attributes:
        return inner
    return f"<{name}{attributes}>{inner}</{name}>" if inner else f"<{name}{attributes}/>"


def _attributes(element: ElementTree.Element, key: str, store: GlyphStore, used: set[str]) -> Iterator[str]:
    """Attributes that are kept, shortened."""
    for name, value in element.attrib.items():
        if name == "id":
            if value in used:
                yield f' id="{key}-{value}"'
        elif name == LINK:
            yield f' href="#{value[1:] if value.startswith(STORED) else f"{key}-{value[1:]}"}"'
        elif name == "style":
            yield from _look(value, key, store)
        elif name == "clip-path":
            yield f' clip-path="{_own(value, key)}"'
        elif name in COORDINATES:
            yield f' {name}="{_tight(value)}"'
        else:
            yield f' {name}="{NUMBER.sub(_three, value)}"'


def _look(value: str, key: str, store: GlyphStore) -> Iterator[str]:
    """A look as a class; one that points to a pattern of this picture stays an attribute."""
    if "url(" in value:
        yield f' style="{_own(value, key)}"'
    else:
        yield f' class="{store.look(value)}"'


def _own(value: str, key: str) -> str:
    return re.sub(r"url\(#", f"url(#{key}-", value)


def _tight(text: str) -> str:
    """Coordinates with one decimal and without needless spaces."""
    text = NUMBER.sub(lambda match: tenths(float(match[0])), text)
    return re.sub(r"\s*([A-Za-z])\s*", r"\1", " ".join(text.split())).replace(" -", "-")


def _three(match: re.Match[str]) -> str:
    """A number of a transformation to a thousandth."""
    text = f"{float(match[0]):.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
