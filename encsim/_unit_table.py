"""Tables of text whose header gives every column its unit: ``angle_deg``, ``angle [deg]`` or ``angle (deg)``."""

import re

from . import _captures, _checks, units

_HEADER = re.compile(r"\s*(?P<name>[A-Za-z]+)\s*(?:_(?P<a>[^\s\[(]+)|\[(?P<b>[^\]]*)\]|\((?P<c>[^)]*)\))?\s*")


def read_columns(text, columns, name="table"):
    """Columns of a table in SI.

    Parameters
    ----------
    text : str
        A header line, then rows of numbers parted by commas, semicolons, tabs or spaces; lines that begin with # are
        left out, and so are columns not asked for.
    columns : mapping of str to str
        Name of each column and its dimension in `units`.
    name : str
        What errors call the table.

    Returns
    -------
    dict of str to ndarray
        In the order asked for; metres or radians.

    Raises
    ------
    InputError
        If a column or its unit is missing, or a cell is no finite number; the line is named.
    """
    rows = _rows(text)
    if len(rows) < 2:
        _checks.refuse(name, "hold a header and rows of numbers", f"{len(rows)} lines")
    line, (header, separator) = rows[0][0], _header(rows)
    faults, found = [], {}
    for column, dimension in columns.items():
        try:
            found[column] = _place(column, dimension, header)
        except _checks.InputError as error:
            fault = error.faults[0]
            faults.append(_checks.Fault(fault.field, fault.rule, fault.value, "", fault.hint, line, name))
    if faults:
        raise _checks.InputError(*faults)
    places = [place for place, _ in found.values()]
    values = _captures.finite_columns(rows[1:], separator, places, name)
    return {column: values[i] * size for i, (column, (_, size)) in enumerate(found.items())}


def names(text):
    """Names of the columns that the header of a table has, in lower case."""
    rows = _rows(text)
    parts = [_HEADER.fullmatch(cell) for cell in _header(rows)[0]] if rows else []
    return {part["name"].lower() for part in parts if part}


def _rows(text):
    """Numbered lines that hold anything; spreadsheets may put a byte order mark first."""
    return [
        row for row in enumerate(text.removeprefix("\ufeff").splitlines(), 1) if _captures.holds_data(row[1])
    ]


def _header(rows):
    """Cells of the first row, and what parts them."""
    separator = next((mark for mark in _captures.SEPARATORS if mark in rows[0][1]), None)
    return _captures.cells_of(rows[0][1], separator), separator


def _place(column, dimension, header):
    """Position of a column in the header and what one of its unit is in SI."""
    parts = [_HEADER.fullmatch(cell) for cell in header]
    fitting = [i for i, part in enumerate(parts) if part and part["name"].lower() == column]
    if len(fitting) != 1:
        rule = f'have just one column "{column}", with its unit in the header'
        _checks.refuse("header", rule, ", ".join(header), hint=f"as in {_example(column, dimension)}")
    part = parts[fitting[0]]
    unit = part["a"] or part["b"] or part["c"] or ""
    if not unit.strip():
        rule = "carry its unit in the header"
        _checks.refuse(
            f"column {column}", rule, header[fitting[0]], hint=f"as in {_example(column, dimension)}"
        )
    return fitting[0], units.parse(f"1 {unit}", dimension, f"column {column}")


def _example(column, dimension):
    return f"{column}_{units.DIMENSIONS[dimension].example.split()[1]}"
