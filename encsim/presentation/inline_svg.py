"""Figures as SVG elements of one HTML page: their text stays text, and they share their looks as classes."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import matplotlib
from matplotlib.text import Text

from . import canvas
from .web_panels import tenths

if TYPE_CHECKING:
    from matplotlib.figure import Figure


SPACE = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"
NAMED = {code.lower(): role for role, code in canvas.COLOURS["light"].items()}
# Class of text with a rim, of paper where no other role is named behind it.
RIM = "rim"
DROPPED = ("metadata", "title", "desc", "style")
# A tenth of a point is finer than a screen's dot.
NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
# A path of straight lines alone is written as steps.
CURVED, COMMANDS = re.compile(r"[^MLz\s\d.e+-]"), re.compile(r"([MLz])([^MLz]*)")
COORDINATES = ("d", "x", "y", "width", "height", "points")


class LookStore:
    """Looks, as classes, that all pictures of a page share: ``looks`` is {declarations: class}."""

    def __init__(self) -> None:
        self.looks: dict[str, str] = {}

    def look(self, declarations: str) -> str:
        """Class of a look, its colours replaced by their roles."""
        named = re.sub(r"#[0-9a-f]{6}", lambda match: _role(match[0]), declarations.lower())
        parts = (part.replace(": ", ":").strip() for part in named.split(";"))
        tidy = ";".join(part for part in parts if part and not part.startswith("font-family"))
        return self.looks.setdefault(tidy, f"k{len(self.looks)}")

    def styles(self) -> str:
        """Rules of all looks so far."""
        return "\n".join(f".{name}{{{text}}}" for text, name in self.looks.items())


def _role(code: str) -> str:
    """A colour as the variable of its role; the figures use no other colours."""
    return f"var(--{NAMED[code]})" if code in NAMED else code


def inline(figure: Figure, key: str, store: LookStore) -> str:
    """A figure as an ``svg`` element for a page, with its title and its alternative text."""
    root = ElementTree.fromstring(_with_text(figure))
    used = {ref for element in root.iter() for ref in _references(element)}
    box = " ".join(tenths(float(part)) for part in root.get("viewBox", "").split())
    inner = "".join(_markup(child, key, store, used) for child in root)
    title, text = (escape(getattr(figure, name)) for name in ("encsim_title", "encsim_text"))
    return (
        f'<svg class="drawing" viewBox="{box}" role="img" aria-labelledby="{key}-t {key}-d">'
        f'<title id="{key}-t">{title}</title><desc id="{key}-d">{text}</desc>{inner}</svg>'
    )


def _with_text(figure: Figure) -> bytes:
    """A figure as SVG in which text is text; a rim of paper round it is left to the page."""
    for text in figure.findobj(Text):
        if text.get_path_effects():
            behind = _rim_of(text)
            text.set_path_effects([])
            text.set_gid(f"{RIM} {behind}".strip())
    stream = io.BytesIO()
    with canvas.own_settings(), matplotlib.rc_context({"svg.fonttype": "none"}):
        figure.savefig(
            stream, format="svg", dpi=figure.dpi, facecolor=figure.get_facecolor(), metadata={"Date": None}
        )
    return stream.getvalue()


def _rim_of(text: Text) -> str:
    """Role of the rim of a text, empty where it is paper."""
    role = NAMED.get(str(vars(text.get_path_effects()[0]).get("_gc", {}).get("foreground")).lower(), "")
    return "" if role == "paper" else role


def _references(element: ElementTree.Element) -> Iterator[str]:
    """Ids that an element points to."""
    for value in element.attrib.values():
        yield from re.findall(r"url\(#([^)]+)\)", value)
    if element.get(LINK, "").startswith("#"):
        yield element.get(LINK, "")[1:]


def _markup(element: ElementTree.Element, key: str, store: LookStore, used: set[str]) -> str:
    """An element and all in it as markup."""
    name = element.tag.rpartition("}")[2]
    if name in DROPPED:
        return ""
    inner = "".join(_markup(child, key, store, used) for child in element)
    if name == "text":
        inner = escape(element.text or "")
    if name in ("defs", "g") and not inner:
        return ""
    attributes = "".join(_attributes(element, key, store, used))
    if name == "g" and not attributes:
        return inner
    return f"<{name}{attributes}>{inner}</{name}>" if inner else f"<{name}{attributes}/>"


def _attributes(element: ElementTree.Element, key: str, store: LookStore, used: set[str]) -> Iterator[str]:
    """Attributes that are kept, shortened."""
    for name, value in element.attrib.items():
        if name == "id":
            if value in used:
                yield f' id="{key}-{value}"'
            elif value.split() == [RIM]:
                yield f' class="{RIM}"'
            elif value.startswith(f"{RIM} "):
                yield f' class="{RIM}" style="--rim:var(--{value.split()[1]})"'
        elif name == "transform" and value.startswith("rotate(-0 "):
            continue
        elif name == LINK:
            yield f' href="#{key}-{value[1:]}"'
        elif name == "style":
            yield from _look(value, key, store)
        elif name == "clip-path":
            yield f' clip-path="{_own(value, key)}"'
        elif name in COORDINATES:
            yield f' {name}="{_outline(value) if name == "d" else _tight(value)}"'
        else:
            yield f' {name}="{NUMBER.sub(_three, value)}"'


def _look(value: str, key: str, store: LookStore) -> Iterator[str]:
    """A look as a class; one that points to a pattern of this picture stays an attribute."""
    if "url(" in value:
        yield f' style="{_own(value, key)}"'
    else:
        yield f' class="{store.look(value)}"'


def _own(value: str, key: str) -> str:
    return re.sub(r"url\(#", f"url(#{key}-", value)


def _outline(text: str) -> str:
    """A path to a tenth; straight lines as steps from point to point, which are shorter to write."""
    if CURVED.search(text):
        return _tight(text)
    written, at, drawing = "", (0, 0), False
    for command, numbers in COMMANDS.findall(text):
        if command == "z":
            written += "z"
            continue
        x, y = (round(10.0 * float(number)) for number in numbers.split())
        if command == "M":
            written += f"M{_tenth(x)} {_tenth(y)}"
        elif (x, y) != at:
            written += f"{' ' if drawing else 'l'}{_tenth(x - at[0])} {_tenth(y - at[1])}"
        drawing = command == "L" and (drawing or (x, y) != at)
        at = x, y
    return written.replace(" -", "-")


def _tenth(number: int) -> str:
    """Tenths as a number, without needless zeros."""
    text = tenths(number / 10.0)
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text


def _tight(text: str) -> str:
    """Coordinates with one decimal and without needless spaces."""
    text = NUMBER.sub(lambda match: tenths(float(match[0])), text)
    return re.sub(r"\s*([A-Za-z])\s*", r"\1", " ".join(text.split())).replace(" -", "-")


def _three(match: re.Match[str]) -> str:
    """A number of a transformation to a thousandth."""
    text = f"{float(match[0]):.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
