"""How any result is shown where nobody asked for a special text: its fields in a few lines, or with its picture."""

from __future__ import annotations

import base64
import dataclasses
import html
import importlib
import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from . import wording
from .checks import InputError, one_line

if TYPE_CHECKING:
    from .results import Result

# Lines of a text, letters of a line; values that are listed one by one.
LINES, LETTERS, LISTED = 9, 79, 4
# Resolution of a picture in a notebook, dots per inch: some 50 to 150 kB.
DOTS = 96
_LAST = ("valid", "reasons")


class Described:
    """Base of the descriptions: in a session they show the fields that differ from the defaults, with units."""

    __slots__ = ()

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        # set before the decorator of dataclasses looks
        if "__repr__" not in vars(cls):
            cls.__repr__ = Described.__repr__  # type: ignore[method-assign]

    def __repr__(self) -> str:
        return str(importlib.import_module(f"{__package__}.model.axis_text").brief(self))


def text(result: Result) -> str:
    """Name, whether it is reliable, and the first fields with their units: at most 9 lines."""
    rows = _rows(result)
    shown = LINES - 1 if len(rows) <= LINES - 1 else LINES - 2
    lines = [f"{type(result).__name__}: {_trust(result)}"]
    lines += [f"  {name}: {value}" for name, value in rows[:shown]]
    if rows[shown:]:
        lines.append("  and " + ", ".join(name for name, _ in rows[shown:]))
    return "\n".join(one_line(line, LETTERS) for line in lines)


def printed(result: Result) -> str:
    """The text that the command of this result prints; the fields where no command does."""
    reporting = importlib.import_module(f"{__package__}.reporting")
    if type(result).__name__ not in reporting.TEXTS:
        return text(result)
    return str(reporting.short_text(_in_rows(result))).rstrip("\n")


def _in_rows(result: Any) -> Any:
    """The result with its speeds, of any shape, in one row."""
    shape = getattr(getattr(result, "speed", None), "shape", (1,))
    if len(shape) == 1:
        return result

    def flat(value: Any) -> Any:
        if isinstance(value, Mapping):
            return {key: flat(part) for key, part in value.items()}
        return value.ravel() if isinstance(value, np.ndarray) and value.shape == shape else value

    changed = {
        item.name: flat(getattr(result, item.name)) for item in dataclasses.fields(result) if item.init
    }
    return dataclasses.replace(result, **changed)


def page(result: Result) -> str:
    """HTML for a notebook: the picture, where there is one, and the fields as a table."""
    rows = "".join(
        f"<tr><th style='text-align:left'>{html.escape(name)}</th>"
        f"<td style='text-align:left'>{html.escape(value)}</td></tr>"
        for name, value in _rows(result)
    )
    head = f"<b>{type(result).__name__}</b>: {html.escape(_trust(result))}"
    return f"<div>{_picture(result)}<p>{head}</p><table>{rows}</table></div>"


def _picture(result: Any) -> str:
    """The picture as an image within the page; nothing where the result has none or it cannot be drawn."""
    if not hasattr(result, "plot"):
        return ""
    from .results import drawing_settings

    try:
        figure = result.plot().figure
    except InputError:
        return ""
    stream = io.BytesIO()
    with drawing_settings():
        figure.savefig(stream, format="png", dpi=DOTS)
    data = base64.b64encode(stream.getvalue()).decode()
    words = html.escape(getattr(figure, "encsim_title", type(result).__name__), quote=True)
    return f'<img alt="{words}" style="max-width:100%" src="data:image/png;base64,{data}"/>'


def _trust(result: Any) -> str:
    """Whether it is reliable, else the first reason."""
    if result.valid:
        return "reliable"
    more = f" (and {len(result.reasons) - 1} more)" if len(result.reasons) > 1 else ""
    return f"not reliable{more}: {wording.first_reason(result)}"


def _rows(result: Any) -> list[tuple[str, str]]:
    """Fields that say something, (name, value with its unit); one that is computed when asked for only if it was."""
    units, rows = result.units, []
    for item in result._fields():
        waits = not item.init and item.name not in vars(result)
        if item.name in _LAST or not item.metadata.get("plain", True) or waits:
            continue
        value = getattr(result, item.name)
        if value is None or (
            isinstance(value, (tuple, Mapping)) and not any(part is not None for part in value)
        ):
            continue
        rows.append((item.name, brief(value, units.get(item.name, ""), units)))
    return rows


def brief(value: Any, unit: str, units: Mapping[str, str] | None = None) -> str:
    """Any value of a result in some words, with its unit."""
    if isinstance(value, np.ndarray):
        return _array(value, unit)
    if isinstance(value, Mapping):
        return _mapping(value, unit, units or {})
    if isinstance(value, tuple):
        return _several(value, unit)
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return _joined(f"{value}", unit)
    if isinstance(value, (float, np.floating)):
        return _number(float(value), unit)
    if hasattr(value, "set_origin"):
        return f"{type(value).__name__}, {_trust(value)}"
    return one_line(" ".join(str(getattr(value, "name", value)).split()))


def _number(value: float, unit: str) -> str:
    """Three digits in the unit that people read."""
    return _joined(wording.show(value, "1"), unit) if " " in unit else wording.show(value, unit or "1")


def _joined(number: str, unit: str) -> str:
    """A number and a unit as it is."""
    return number if unit in ("", "1") else f"{number} {unit}"


def _array(values: np.ndarray, unit: str) -> str:
    """An array by its range, or its few values."""
    if not values.ndim:
        return brief(values[()], unit)
    count = " x ".join(map(str, values.shape))
    if values.dtype.kind == "c":
        return f"sizes {_array(np.abs(values), unit)}"
    if values.dtype.kind not in "fiub":
        known = list(dict.fromkeys(str(value) for value in values.ravel()))
        more = "" if len(known) <= LISTED else ", ..."
        return f"{', '.join(known[:LISTED])}{more} ({count} values)"
    if values.dtype.kind == "b":
        return f"{np.count_nonzero(values)} of {values.size}"
    if values.size <= LISTED:
        return ", ".join(brief(value, unit) for value in values.ravel()) or "none"
    known = values[np.isfinite(values)]
    if not known.size:
        return f"{count} values, none finite"
    ends = dict.fromkeys(brief(end, unit) for end in (known.min(), known.max()))
    return f"{' to '.join(ends)} ({count} values)"


def _mapping(values: Mapping[Any, Any], unit: str, units: Mapping[str, str]) -> str:
    """A mapping by its names, with numbers where its values are numbers."""
    parts = []
    values = {name: value for name, value in values.items() if value is not None}
    for name, value in list(values.items())[:LISTED]:
        simple = isinstance(value, (int, float, np.number, str))
        parts.append(f"{name} {brief(value, units.get(name, unit))}" if simple else f"{name}")
    return ", ".join(parts) + ", ..." * (len(values) > LISTED)


def _several(values: tuple[Any, ...], unit: str) -> str:
    """A tuple by its values where these are few and short, else by their number."""
    simple = all(isinstance(value, (int, float, np.number, str)) for value in values)
    if simple and len(values) <= LISTED:
        return ", ".join(brief(value, unit) for value in values)
    kinds = dict.fromkeys(type(value).__name__ for value in values if value is not None)
    return f"{len(values)} values" if simple else f"{len(values)}: {', '.join(kinds)}"
