"""Values set in the text of an axis file, which keeps its comments, its order, its other values and its units.

`with_values` is the function for whoever writes into an axis file: ``--into`` of every command goes through it.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .. import checks, units
from ..checks import Fault, InputError
from . import axis_file, changes, toml_text

# Significant digits of what is written: more than any measurement has.
DIGITS = 6
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NUMBER = re.compile(r"^\s*[-+\u22120-9.eE]*\s*")


def with_values(text: str, values: Mapping[str, Any], name: str = "axis file") -> str:
    r"""The text of an axis file with some values set, and everything else as it was.

    Parameters
    ----------
    text : str
    values : mapping of str to object
        {path: value} as of `encsim.changes.apply`, SI, each ``section.key``; None leaves the key out. They are written
        with 6 significant digits, in the unit that the file has for the key; those that it has already stay.
        A line that shows the key in a comment, ``# noise = 0.001``, is the place of a new one.
    name : str
        Name of the text in errors.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If the text is no axis file, has no such section, or the changed axis is impossible.

    Examples
    --------
    >>> from encsim.formats.edited_files import with_values
    >>> text = 'scale.period = "20 um"  # as ordered\nsampling = {rate = "16 kHz"}\nsignal.phase = "5 mrad"  # yaw\n'
    >>> print(with_values(text, {"signal.phase": 0.0071, "signal.gain": 0.02}), end="")
    scale.period = "20 um"  # as ordered
    sampling = {rate = "16 kHz"}
    signal.phase = "7.1 mrad"  # yaw
    signal.gain = 0.02
    """
    axis = axis_file.loads(text, name)
    document = toml_text.document(text, name)
    for path, value in values.items():
        section, *keys = path.split(".", 2)
        if not keys:
            checks.refuse("path", "name a key, as signal.gain", path)
        dimension = changes.dimension_of(axis, path)
        if changes.value(axis, path) == value:
            continue
        old = document.get(section, {}).get(keys[0], _in_comments(text, section, keys[0]))
        if len(keys) == 2 and isinstance(old, dict):
            old = old.get(keys[1], next(iter(old.values()), None))
        text = with_key(
            text, (section, *keys), None if value is None else _written(value, old, dimension), name
        )
    axis_file.loads(text, name)
    return text


def _in_comments(text: str, section: str, key: str) -> Any:
    """The value that a comment shows for a key, as an example of its units; None without one."""
    headers = _scanned(text)[1]
    place = next((place for where, place in headers if where == (section,)), None)
    line = None if place is None else re.search(rf"(?m)^# ?({re.escape(key)} = [^\n]*)$", text[place:])
    try:
        return None if line is None else tomllib.loads(line[1])[key]
    except ValueError:
        return None


def with_key(text: str, path: tuple[str, ...], value: Any, name: str = "file") -> str:
    """A TOML text with one key set to a plain value, numbers, text, lists and tables of them; None takes it out."""
    wanted = toml_text.document(text, name)
    try:
        _set(wanted, path, value)
        edited = _edited(text.removeprefix("\ufeff"), path, value)
        done = _filled(tomllib.loads(edited)) == _filled(wanted)
    except (AttributeError, TypeError, ValueError):  # a part of the path is no table, or the text is too odd
        done = False
    if not done:
        rule = f"be written so that {'.'.join(path)} can be set"
        raise InputError(Fault("file", rule, checks.NOTHING, hint="set it by hand", source=name))
    return edited


def _set(document: dict[str, Any], path: Sequence[str], value: Any) -> None:
    """Set a key of nested tables, or take it out."""
    for part in path[:-1]:
        if value is None and part not in document:
            return
        document = document.setdefault(part, {})
    if value is None:
        document.pop(path[-1], None)
    else:
        document[path[-1]] = value


def _filled(document: dict[str, Any]) -> dict[str, Any]:
    """The document without empty tables, which a dotted key that is taken out leaves behind or not."""
    inner = {key: _filled(part) if isinstance(part, dict) else part for key, part in document.items()}
    return {key: part for key, part in inner.items() if part != {}}


@dataclass(frozen=True)
class _Statement:
    """``key = value`` of a text: its path, and where line, key, value and line end."""

    path: tuple[Any, ...]
    line: int
    key: int
    value: int
    end: int
    next_line: int


def _edited(text: str, path: tuple[str, ...], value: Any) -> str:
    """The text with one key set, where its statement, its table or nothing of it is there."""
    statements, headers = _scanned(text)
    for one in statements:
        if one.path == path and value is not None:
            return _replaced(text, one, value)
        if one.path == path[: len(one.path)] and len(one.path) < len(path):
            table = tomllib.loads(f"x = {text[one.value : one.end]}")["x"]
            _set(table, path[len(one.path) :], value)
            return _replaced(text, one, table)
    inner = [one for one in statements if one.path[: len(path)] == path]
    if isinstance(value, dict) and inner and all(len(one.path) == len(path) + 1 for one in inner):
        return _with_table(text, path, value, {str(one.path[-1]) for one in inner})
    gone = [(one.line, one.next_line) for one in inner]
    gone += [
        (text.rfind("\n", 0, place) + 1, _next_line(text, place))
        for where, place in headers
        if where[: len(path)] == path
    ]
    for line, after in sorted(gone, reverse=True):
        text = text[:line] + text[after:]
    return text if value is None else _inserted(text, path, value)


def _replaced(text: str, one: _Statement, value: Any) -> str:
    """The text with another value in a statement; a comment behind it keeps its column where there is room."""
    written, rest = _toml(value), text[one.end :]
    gap = len(rest) - len(rest.lstrip(" "))
    if rest[gap : gap + 1] == "#":
        longer = len(written) - (one.end - one.value)
        rest = " " * max(gap - longer, min(gap, 2)) + rest[gap:]
    return text[: one.value] + written + rest


def _with_table(text: str, path: tuple[str, ...], table: dict[str, Any], present: set[str]) -> str:
    """The text with a table set whose keys have statements of their own."""
    for key in present - table.keys():
        text = _edited(text, (*path, key), None)
    for key, value in table.items():
        text = _edited(text, (*path, key), value)
    return text


def _inserted(text: str, path: tuple[str, ...], value: Any) -> str:
    """The text with a key that is not there: in place of its comment, behind its table's last key, or at the end."""
    statements, headers = _scanned(text)
    table, end = path[:-1], "\r\n" if "\r\n" in text else "\n"
    written = f"{_key(path[-1])} = {_toml(value)}"
    starts = [place for where, place in headers if where == table]
    if starts:
        place = starts[0]
        after = min((start for _, start in headers if start > place), default=len(text))
        line = re.search(rf"(?m)^# ?{re.escape(path[-1])} = (?=[^\n]*$)", text[place:after])
        if line is not None and len(path) == 2:
            return _in_comment(text, place + line.start(), written)
        own = [one.next_line for one in statements if one.path[:-1] == table and place < one.line < after]
        return _with_line(text, own[-1] if own else _next_line(text, place), written, end)
    dotted = [one for one in statements if one.path[:-1] == table]
    if dotted:
        head = "".join(f"{_key(part)}." for part in table)
        return _with_line(text, dotted[-1].next_line, f"{head}{written}", end)
    if not table:
        first = min((place for _, place in headers), default=len(text))
        return _with_line(text, text.rfind("\n", 0, first) + 1 if headers else first, written, end)
    blank = "" if text.endswith(end) or not text else end
    return f"{text}{blank}{end}[{'.'.join(map(_key, table))}]{end}{written}{end}"


def _in_comment(text: str, start: int, written: str) -> str:
    """The text with a key in place of the line that shows it in a comment, whose own comment stays where it was."""
    stop = text.find("\n", start)
    line = text[start : len(text) if stop < 0 else stop].rstrip("\r")
    mark = line.find("#", 1)
    if mark < 0:
        return text[:start] + written + text[start + len(line) :]
    gap = " " * max(mark - len(written), 2)
    return text[:start] + written + gap + line[mark:] + text[start + len(line) :]


def _with_line(text: str, place: int, written: str, end: str) -> str:
    """The text with a line of its own before this place."""
    before = "" if place == 0 or text[:place].endswith("\n") else end
    return f"{text[:place]}{before}{written}{end}{text[place:]}"


def _next_line(text: str, place: int) -> int:
    """Start of the line behind the one of this place."""
    found = text.find("\n", place)
    return len(text) if found < 0 else found + 1


def _scanned(text: str) -> tuple[list[_Statement], list[tuple[tuple[Any, ...], int]]]:
    """All statements ``key = value`` of a text, and its headers [table] with the place behind each."""
    scan, statements, headers = toml_text.Scan(), list[_Statement](), list[tuple[tuple[Any, ...], int]]()
    path: tuple[Any, ...] = ()
    key = value = end = -1
    for match in toml_text.TOKEN.finditer(f"{text}\n"):
        token, mark = match.group(), match.lastgroup == "mark"
        if match.lastgroup == "blank":
            continue
        outside, heading = not scan.open and scan.in_key, scan.in_header
        scan.mark(token, 0) if mark else scan.word(token, 0)
        if token == "\n" and not scan.open:
            if path:
                line = text.rfind("\n", 0, key) + 1
                statements.append(_Statement(path, line, key, value, end, _next_line(text, end)))
            path, key, value = (), -1, -1
        elif heading or scan.in_header:
            if heading and token == "]" and not scan.parts and text[match.start() - 1] != "]":
                headers.append((scan.table, match.end()))
        elif path:
            value, end = match.start() if value < 0 else value, match.end()
        elif outside and token == "=" and mark:
            path = tuple(scan.parts)
        elif key < 0:
            key = match.start()
    return statements, headers


def _key(part: str) -> str:
    """A key as TOML."""
    return part if _BARE.fullmatch(part) else json.dumps(part)


def _toml(value: Any) -> str:
    """A plain value as TOML."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(str(key))} = {_toml(part)}" for key, part in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False)


def _written(value: Any, old: Any, dimension: str | None) -> Any:
    """A value in SI as the file writes it: quantities in the unit of the old value or its like, 6 digits."""
    if isinstance(value, Mapping):
        held = old if isinstance(old, Mapping) else {}
        like = next(iter(held.values()), None)
        return {
            str(order): _written(part, held.get(str(order), like), dimension) for order, part in value.items()
        }
    if isinstance(value, tuple):
        kinds = [dimension, "angle"] if dimension is not None else [None] * len(value)
        olds = (
            old if isinstance(old, list) and len(old) == len(value) else [old] + ["1 deg"] * (len(value) - 1)
        )
        written = [_written(*each) for each in zip(value, olds, kinds, strict=True)]
        # a line without a phase, as in an axis file
        return written[0] if dimension is not None and not value[1] else written
    if isinstance(old, list) and old:
        old = old[0]
    if dimension is not None:
        return _quantity(value, dimension, old if isinstance(old, str) else "")
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value


def _quantity(value: float, dimension: str, old: str) -> str:
    """A quantity in the unit of an old text, as that spells it, or in the one that needs fewest digits."""
    unit = _NUMBER.sub("", old)
    if not unit or not value:
        return units.write(float(f"{value:.{DIGITS}g}"), dimension)
    return f"{value / units.parse(f'1 {unit}', dimension):.{DIGITS}g} {unit}"
