"""Tables of text whose header gives every column its unit: ``angle_deg``, ``angle [deg]`` or ``angle (deg)``."""

from __future__ import annotations

import math
import re

import numpy as np

from .. import checks, units

SEPARATORS = ",;\t"


def holds_data(line: str) -> bool:
    """Whether a line has numbers: not blank, no comment."""
    return bool(line.strip()) and not line.lstrip().startswith("#")


def cells_of(line: str, separator: str | None) -> list[str]:
    """Cells of a line without blanks and quotes around them."""
    return [cell.strip().strip('"') for cell in line.split(separator)]


def _number(cell: str) -> float | None:
    """The cell as a float, or None where it is none."""
    try:
        return float(cell)
    except ValueError:
        return None


def finite_columns(
    rows: list[tuple[int, str]], separator: str | None, places: list[int], name: str
) -> list[np.ndarray]:
    """Numbers of the chosen columns; the quick reader first, then the one that can name a line."""
    try:
        table = np.loadtxt(
            [line for _, line in rows], delimiter=separator, usecols=places, ndmin=2, comments=None
        )
        if np.isfinite(table).all():
            return list(table.T.copy())
    except ValueError:
        pass
    pairs = [[_cell(number, line, separator, place, name) for place in places] for number, line in rows]
    return list(np.array(pairs).T.copy())


def _cell(number: int, line: str, separator: str | None, place: int, name: str) -> float:
    """One number, or the fault with its line."""
    cells = cells_of(line, separator)
    value = _number(cells[place]) if place < len(cells) else None
    if value is None or not math.isfinite(value):
        got = cells[place] if place < len(cells) else f"{len(cells)} columns"
        hint = "decimals need a point, not a comma" if "," in got and separator != "," else ""
        fault = checks.Fault(
            f"column {place + 1}", "be a finite number", got, hint=hint, line=number, source=name
        )
        raise checks.InputError(fault)
    return value


_HEADER = re.compile(r"\s*(?P<name>[A-Za-z]+)\s*(?:_(?P<a>[^\s\[(]+)|\[(?P<b>[^\]]*)\]|\((?P<c>[^)]*)\))?\s*")


def read_columns(text: str, columns: dict[str, str], name: str = "table") -> dict[str, np.ndarray]:
    """Columns of a table in SI."""
    rows = _rows(text)
    if len(rows) < 2:
        checks.refuse(name, "hold a header and rows of numbers", f"{len(rows)} lines")
    line, (header, separator) = rows[0][0], _header(rows)
    faults, chosen = [], {}
    for column, dimension in columns.items():
        try:
            chosen[column] = _unit_place(column, dimension, header)
        except checks.InputError as error:
            fault = error.faults[0]
            faults.append(checks.Fault(fault.field, fault.rule, fault.value, "", fault.hint, line, name))
    if faults:
        raise checks.InputError(*faults)
    places = [place for place, _ in chosen.values()]
    values = finite_columns(rows[1:], separator, places, name)
    return {column: values[i] * size for i, (column, (_, size)) in enumerate(chosen.items())}


def names(text: str) -> set[str]:
    """Names of the columns that the header of a table has, in lower case."""
    rows = _rows(text)
    parts = [_HEADER.fullmatch(cell) for cell in _header(rows)[0]] if rows else []
    return {part["name"].lower() for part in parts if part}


def _rows(text: str) -> list[tuple[int, str]]:
    """Numbered lines that hold anything; spreadsheets may put a byte order mark first."""
    return [row for row in enumerate(text.removeprefix("\ufeff").splitlines(), 1) if holds_data(row[1])]


def _header(rows: list[tuple[int, str]]) -> tuple[list[str], str | None]:
    """Cells of the first row, and what parts them."""
    separator = next((mark for mark in SEPARATORS if mark in rows[0][1]), None)
    return cells_of(rows[0][1], separator), separator


def _unit_place(column: str, dimension: str, header: list[str]) -> tuple[int, float]:
    """Position of a column in the header and what one of its unit is in SI."""
    parts = [(i, part) for i, cell in enumerate(header) if (part := _HEADER.fullmatch(cell))]
    fitting = [(i, part) for i, part in parts if part["name"].lower() == column]
    if len(fitting) != 1:
        rule = f'have just one column "{column}", with its unit in the header'
        checks.refuse("header", rule, ", ".join(header), hint=f"as in {_example(column, dimension)}")
    place, part = fitting[0]
    unit = part["a"] or part["b"] or part["c"] or ""
    if not unit.strip():
        rule = "carry its unit in the header"
        checks.refuse(f"column {column}", rule, header[place], hint=f"as in {_example(column, dimension)}")
    return place, units.parse(f"1 {unit}", dimension, f"column {column}")


def _example(column: str, dimension: str) -> str:
    """A header with a unit that fits."""
    return f"{column}_{units.DIMENSIONS[dimension].example.split()[1]}"
