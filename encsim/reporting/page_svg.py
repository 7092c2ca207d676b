"""Figures as pieces of a page: letters kept once for all, colours by name, short numbers, ids of their own.

Paths and ticks of the slider's panels, in units that the page stretches.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import numpy as np

from ..plotting import canvas
from ..plotting.ticks import PlainNumbers
from ..wording import axis_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure


SAMPLES = 16
START = 0.9
WIDE, HIGH = 1000.0, 100.0
# Height of a panel that a wave of full size fills.
FILLED = 0.86
# A quarter of a sine as one Bezier curve: the handles that leave an error below 3e-4 of the amplitude.
HANDLES = ((0.512286623256592433, 0.512286623256592433), (1.002313685767898599, 1.0))


def along(sample: float) -> float:
    """Abscissa of a sample, in the middle of its share of the panel."""
    return WIDE * (sample + 0.5) / SAMPLES


def up(height: float) -> float:
    """Ordinate of a height from -1 to 1."""
    return HIGH / 2.0 * (1.0 - FILLED * height)


def sine_path(turns: float, size: float) -> str:
    """A sine of so many turns a sample over the panel as Bezier curves, a quarter of a wave each."""
    first, last = -0.5, SAMPLES - 0.5
    if not turns or not size:
        level = tenths(up(size * math.sin(START)))
        return f"M0 {level}H1000"
    phases = [turns * place + START / (2.0 * math.pi) for place in (first, last)]
    low, high = (math.floor(4.0 * min(phases)), math.ceil(4.0 * max(phases)))
    quarters = np.arange(low, high + 1) / 4.0
    points = [(turns, quarter, size) for quarter in (quarters if turns > 0.0 else quarters[::-1])]
    text = "M" + _place(*points[0])
    for before, after in itertools.pairwise(points):
        text += _quarter(before, after)
    return text


def _place(turns: float, phase: float, size: float, height: float | None = None) -> str:
    """Coordinates of a phase of the wave; ``height`` in place of its own, of the amplitude."""
    sample = (phase - START / (2.0 * math.pi)) / turns
    height = math.sin(2.0 * math.pi * phase) if height is None else height
    return f"{tenths(along(sample))} {tenths(up(size * height))}"


def _quarter(before: tuple[float, float, float], after: tuple[float, float, float]) -> str:
    """One quarter of a wave as a curve, from a zero to a crest or back."""
    turns, start, size = before
    end = after[1]
    first, last = (math.sin(2.0 * math.pi * phase) for phase in (start, end))
    rising = abs(first) < 0.5
    crest = last if rising else first
    handles = [(share * 2.0 / math.pi, height * crest) for share, height in HANDLES]
    if not rising:
        handles = [(1.0 - share, height) for share, height in reversed(handles)]
    controls = [_place(turns, start + share * (end - start), size, height) for share, height in handles]
    return f"C{controls[0]} {controls[1]} {_place(*after)}"


def path(x: np.ndarray, y: np.ndarray) -> str:
    """Straight lines through points."""
    return "M" + "L".join(f"{tenths(a)} {tenths(b)}" for a, b in zip(x.tolist(), y.tolist(), strict=True))


def ticks(length: float, unit: str, before: float = 0.0) -> tuple[tuple[float, str], ...]:
    """Round ticks of an axis of this length that begins so much before 0."""
    from matplotlib.ticker import MaxNLocator

    size = axis_unit(length, unit)[1]
    end = (length - before) / size * 1.001
    values = MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(0.0, end)
    values = [float(value) for value in values if 0.0 <= value <= end]
    names = PlainNumbers().format_ticks(values)
    places = [round(100.0 * (value * size + before) / length, 2) for value in values]
    return tuple(zip(places, names, strict=True))


def about_zero(largest: float, unit: str) -> tuple[tuple[float, str], ...]:
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


SPACE = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"
NAMED = {code.lower(): role for role, code in canvas.COLOURS["light"].items()}
# Marks a reference to a letter of the page; that alone is a space, which is not drawn.
SHELVED = SPACED = "!"
DROPPED = ("metadata", "title", "desc", "style")
# A tenth of a point is finer than a screen's dot; letters are drawn 64 units a point and need none.
NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
COORDINATES = ("d", "x", "y", "width", "height", "points")


class GlyphStore:
    """What all pictures of a page share: outlines of letters, and looks as classes.

    Attributes
    ----------
    letters : dict of str to (str, str)
        {name in the figure: (id on the page, outline)}.
    looks : dict of str to str
        {declarations: class}.
    """

    def __init__(self) -> None:
        self.letters, self.looks = {}, {}

    def letter(self, name: str, outline: str) -> str:
        """Id of a letter's outline on the page."""
        return self.letters.setdefault(name, (f"g{len(self.letters)}", outline))[0]

    def look(self, declarations: str) -> str:
        """Class of a look, its colours replaced by their roles."""
        named = re.sub(r"#[0-9a-f]{6}", lambda found: _role(found[0]), declarations.lower())
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


def inline(figure: Figure, key: str, shelf: GlyphStore) -> str:
    """A figure as an ``svg`` element for a page, with its title and its alternative text."""
    stream = io.BytesIO()
    canvas.save(figure, stream, "svg")
    root = ElementTree.fromstring(stream.getvalue())
    _shelve_letters(root, shelf)
    used = {ref for element in root.iter() for ref in _references(element)}
    box = " ".join(tenths(float(part)) for part in root.get("viewBox").split())
    inner = "".join(_markup(child, key, shelf, used) for child in root)
    title, text = (escape(words) for words in (figure.encsim_title, figure.encsim_text))
    return (
        f'<svg class="drawing" viewBox="{box}" role="img" aria-labelledby="{key}-t {key}-d">'
        f'<title id="{key}-t">{title}</title><desc id="{key}-d">{text}</desc>{inner}</svg>'
    )


def _shelve_letters(root: Any, shelf: GlyphStore) -> None:
    """Take the letters' outlines out and point to those of the page."""
    names = {}
    for defs in root.iter(f"{SPACE}defs"):
        for path in list(defs):
            name = path.get("id", "")
            if path.get("transform") == "scale(0.015625)":
                outline = path.get("d")
                names[name] = shelf.letter(name, _tight(outline)) if outline else ""
                defs.remove(path)
    for use in root.iter(f"{SPACE}use"):
        name = use.get(LINK)[1:]
        if name in names:
            use.set(LINK, SHELVED + names[name])


def _references(element: Any) -> Iterator[str]:
    """Ids that an element points to."""
    for value in element.attrib.values():
        yield from re.findall(r"url\(#([^)]+)\)", value)
    if element.get(LINK, "").startswith("#"):
        yield element.get(LINK)[1:]


def _markup(element: Any, key: str, shelf: GlyphStore, used: set[str]) -> str:
    """An element and all in it as markup."""
    name = element.tag.rpartition("}")[2]
    if name in DROPPED or element.get(LINK) == SPACED:
        return ""
    inner = "".join(_markup(child, key, shelf, used) for child in element)
    if name in ("defs", "g") and not inner:
        return ""
    attributes = "".join(_attributes(element, key, shelf, used))
    if name == "g" and not attributes:
        return inner
    return f"<{name}{attributes}>{inner}</{name}>" if inner else f"<{name}{attributes}/>"


def _attributes(element: Any, key: str, shelf: GlyphStore, used: set[str]) -> Iterator[str]:
    """Attributes that are kept, shortened."""
    for name, value in element.attrib.items():
        if name == "id":
            if value in used:
                yield f' id="{key}-{value}"'
        elif name == LINK:
            yield f' href="#{value[1:] if value.startswith(SHELVED) else f"{key}-{value[1:]}"}"'
        elif name == "style":
            yield from _look(value, key, shelf)
        elif name == "clip-path":
            yield f' clip-path="{_own(value, key)}"'
        elif name in COORDINATES:
            yield f' {name}="{_tight(value)}"'
        else:
            yield f' {name}="{NUMBER.sub(_three, value)}"'


def _look(value: str, key: str, shelf: GlyphStore) -> Iterator[str]:
    """A look as a class; one that points to a pattern of this picture stays an attribute."""
    if "url(" in value:
        yield f' style="{_own(value, key)}"'
    else:
        yield f' class="{shelf.look(value)}"'


def _own(value: str, key: str) -> str:
    return re.sub(r"url\(#", f"url(#{key}-", value)


def _tight(text: str) -> str:
    """Coordinates with one decimal, no space that is not needed."""
    text = NUMBER.sub(lambda found: tenths(float(found[0])), text)
    return re.sub(r"\s*([A-Za-z])\s*", r"\1", " ".join(text.split())).replace(" -", "-")


def tenths(number: float) -> str:
    """A coordinate as text with one decimal at most."""
    text = f"{number:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def _three(found: re.Match[str]) -> str:
    """A number of a transformation to a thousandth."""
    text = f"{float(found[0]):.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
