"""An axis as the text of an axis file, only what differs from the defaults."""

from __future__ import annotations

import dataclasses
import json
import re
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import Field
from typing import TYPE_CHECKING, Any

from .. import units

# Letters of a line, lines and orders that show a description.
LETTERS, LINES, LISTED = 100, 9, 6
_LONG = re.compile(r"\b[0-9]+\.[0-9]{5,}(?:e[-+]?[0-9]+)?")

if TYPE_CHECKING:
    from .axis import Axis
    from .ring_geometry import Head


def write(axis: Axis) -> str:
    """TOML text that loads to an equal axis."""
    tables = []
    for item in dataclasses.fields(axis):
        part = getattr(axis, item.name)
        if dataclasses.is_dataclass(part) and part != _default(item):
            tables.append("\n".join([f"[{item.name}]", *_keys(part, axis.scale.unit)]))
        elif item.name == "heads" and part != item.default:
            tables.insert(0, f"heads = {heads(part)}")
    return "\n\n".join(tables) + "\n"


def described(axis: Axis) -> str:
    """The axis for a reader: a line for each part that differs from the defaults, with units."""
    lines = []
    for table in write(axis).strip().split("\n\n"):
        first, *keys = table.splitlines()
        lines.append(f"{first.strip('[]')}: {', '.join(keys)}" if first.startswith("[") else first)
    return "\n".join(["Axis", *(f"  {_rounded(line)}" for line in lines)]).replace('"', "")


def brief(part: Any) -> str:
    """One description for a reader: ``Sampling(rate=16 kHz)``, on few lines; SI where the unit follows from a scale."""
    shown = []
    for item in dataclasses.fields(part):
        value = getattr(part, item.name)
        if value != _default(item) and not _follows(part, item.name):
            shown.append(f"{item.name}={_brief(value, item, getattr(part, 'unit', None))}")
    text = _rounded(f"{type(part).__name__}({', '.join(shown)})").replace('"', "")
    lines = textwrap.wrap(text, LETTERS, subsequent_indent="    ", break_on_hyphens=False)
    return "\n".join(lines if len(lines) <= LINES else [*lines[: LINES - 1], "    ...)"])


def _brief(value: Any, item: Field[Any], unit: str | None) -> str:
    """A value of a description; of many orders the first."""
    given = item.metadata.get("dimension")
    # without a scale it is not known whether a size is a length or an angle
    known = unit is not None or units.on_scale(given, "m") == units.on_scale(given, "rad")
    dimension = units.on_scale(given, unit) if known else None
    if isinstance(value, Mapping) and len(value) > LISTED:
        first = dict(list(value.items())[:LISTED])
        return f"{_value(first, dimension)[:-1]}, ... {len(value)} orders}}"
    if isinstance(value, tuple) and dimension is None and not any(map(dataclasses.is_dataclass, value)):
        return repr(value)
    return _value(value, dimension, unit)


def _rounded(text: str) -> str:
    """A text with at most six significant digits in its numbers."""
    return _LONG.sub(lambda number: f"{float(number[0]):.6g}", text)


def write_all(axis: Axis) -> str:
    """TOML text of every value, defaults too, that loads to an equal axis; what is left out stands in comments."""
    heads_line = f"heads = {heads(axis.heads)}\n\n" if axis.ring is not None else ""
    tables = []
    for item in dataclasses.fields(axis):
        part = getattr(axis, item.name)
        if dataclasses.is_dataclass(part):
            tables.append("\n".join([f"[{item.name}]", *_all_keys(part, axis.scale.unit)]))
        elif part is None:
            tables.append(f"# no [{item.name}]")
    return heads_line + "\n\n".join(tables) + "\n"


def _all_keys(part: Any, unit: str) -> Iterator[str]:
    """The lines of one part, ``key = value``, or a comment for a key that is left out."""
    written = dict(line.split(" = ", 1) for line in _keys(part, unit))
    if hasattr(part, "kind"):
        yield f"kind = {written['kind']}"
    for item in dataclasses.fields(part):
        value = getattr(part, item.name)
        if _follows(part, item.name) and value is not None:
            yield f"# {item.name} = {value}, by period and diameter"
        elif value is None:
            yield f"# {item.name} is left out"
        else:
            yield f"{item.name} = {written.get(item.name) or _value(value, _dimension(item, unit), unit)}"


def setting(value: Any, dimension: str | None, unit: str) -> str:
    """A value as ``--set`` takes it after the equals sign: a quantity or word without quotes, else TOML."""
    if value is None or isinstance(value, str):
        return value or "none"
    if dataclasses.is_dataclass(value):
        named = [f"kind = {json.dumps(value.kind)}"] if hasattr(value, "kind") else []
        return _braced([*named, *(key for key in _keys(value, unit) if key not in named)])
    text = _value(value, dimension, unit)
    return str(json.loads(text)) if text.startswith('"') else text


def heads(values: tuple[float | Head, ...]) -> str:
    """Heads as a list of TOML."""
    return f"[{', '.join(map(_head, values))}]"


def _head(head: float | Head) -> str:
    """A head as its angle, or as a table where it has more than its angle."""
    return _braced(_keys(head, "rad")) if dataclasses.is_dataclass(head) else _value(head, "angle")


def _default(item: Field[Any]) -> Any:
    """Default of a field, ``dataclasses.MISSING`` where it must be given."""
    return item.default if item.default_factory is dataclasses.MISSING else item.default_factory()


def _keys(part: Any, unit: str | None) -> Iterable[str]:
    """The lines ``key = value`` of one part."""
    if hasattr(part, "kind"):
        yield f"kind = {json.dumps(part.kind)}"
    for item in dataclasses.fields(part):
        value = getattr(part, item.name)
        if value != _default(item) and not _follows(part, item.name):
            yield f"{item.name} = {_value(value, _dimension(item, unit), unit)}"


def _follows(part: Any, name: str) -> bool:
    """Whether the value follows from the others: lines of a scale with period and diameter."""
    return name == "lines" and part.period is not None


def _dimension(item: Field[Any], unit: str | None) -> str | None:
    """Dimension of a field's text on a scale of this unit, None for a pure number."""
    return units.on_scale(item.metadata.get("dimension"), unit)


def _value(value: Any, dimension: str | None, unit: str | None = None) -> str:
    """One value as TOML: a number, a pair, a table of orders, tables, or text with a unit."""
    if isinstance(value, Mapping):
        return _braced(f"{_order(order)} = {_value(part, dimension)}" for order, part in value.items())
    if isinstance(value, tuple) and value and dataclasses.is_dataclass(value[0]):
        return f"[{', '.join(_braced(_keys(part, unit)) for part in value)}]"
    if isinstance(value, tuple) and dimension is not None:
        amplitude, phase = value
        return _line(amplitude, phase, dimension)
    if isinstance(value, tuple):
        return f"[{', '.join(repr(part) for part in value)}]"
    if dimension is not None:
        return json.dumps(units.write(value, dimension))
    return json.dumps(value) if isinstance(value, str) else repr(value)


def _braced(keys: Iterable[str]) -> str:
    """Keys as an inline table."""
    return "{" + ", ".join(keys) + "}"


def _order(order: float) -> str:
    """An order as a key: one that is not whole needs quotes."""
    return f"{order}" if isinstance(order, int) else f'"{order!r}"'


def _line(amplitude: float, phase: float, dimension: str) -> str:
    """One line of a given error; a phase of zero is left out."""
    size = json.dumps(units.write(amplitude, dimension))
    return f"[{size}, {json.dumps(units.write(phase, 'angle'))}]" if phase else size
