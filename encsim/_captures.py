"""Recorded channels from a table of text: two columns, found by name or number."""

import math

import numpy as np

from . import _checks

SEPARATORS = ",;\t"
USUAL = ({"cos", "cosine", "c"}, {"sin", "sine", "s"})


def read_channels(text, columns=None, name="capture"):
    """Cosine and sine channel of a table.

    Parameters
    ----------
    text : str
        Rows of numbers parted by commas, semicolons, tabs or spaces; a header line may come first, lines that
        begin with # are left out.
    columns : str, optional
        ``"cos,sin"``: two names of the header or numbers from 1. Without it the columns whose names say so,
        or the only two.
    name : str
        What an error calls the table.

    Returns
    -------
    list of ndarray, shape (n,)
        Cosine and sine.

    Raises
    ------
    InputError
        If the columns cannot be told or a cell is no finite number; the line is named.
    """
    rows = [(number, line) for number, line in enumerate(text.splitlines(), 1) if holds_data(line)]
    if not rows:
        _checks.refuse(name, "hold rows of numbers", "an empty table")
    separator = next((mark for mark in SEPARATORS if mark in rows[0][1]), None)
    first = cells_of(rows[0][1], separator)
    header = None if all(_number(cell) is not None for cell in first) else first
    chosen = (
        _usual_columns(header, len(first), name)
        if columns is None
        else _named_columns(columns, header, len(first))
    )
    body = rows if header is None else rows[1:]
    if not body:
        _checks.refuse(name, "hold rows of numbers below its header", f"{len(rows)} line")
    return finite_columns(body, separator, chosen, name)


def holds_data(line):
    return bool(line.strip()) and not line.lstrip().startswith("#")


def cells_of(line, separator):
    return [cell.strip().strip('"') for cell in line.split(separator)]


def _number(cell):
    """The cell as a float, or None where it is none."""
    try:
        return float(cell)
    except ValueError:
        return None


def _usual_columns(header, count, name):
    """Columns whose names say cosine and sine, else the only two."""
    words = [cell.lower() for cell in header or ()]
    found = [[i for i, word in enumerate(words) if word in names] for names in USUAL]
    if all(len(places) == 1 for places in found):
        return [places[0] for places in found]
    if count == 2:
        return [0, 1]
    listed = f" ({', '.join(header)})" if header else ""
    _checks.refuse(
        "--columns",
        f"be given for a table of other than two columns{listed}",
        _checks.NOTHING,
        hint=f"{name} has {count} columns",
    )


def _named_columns(columns, header, count):
    """Positions of two columns given as names or numbers."""
    wanted = [part.strip() for part in columns.split(",")]
    if len(wanted) != 2 or not all(wanted):
        _checks.refuse("--columns", "be two names or numbers, cosine and sine, parted by a comma", columns)
    places = [_place(part, header, count) for part in wanted]
    if places[0] == places[1]:
        _checks.refuse("--columns", "be two different columns", columns)
    return places


def _place(part, header, count):
    """Position of one column."""
    if header and part in header:
        if header.count(part) > 1:
            _checks.refuse("--columns", "be a name that occurs once in the header, or a number", part)
        return header.index(part)
    if part.isascii() and part.isdigit() and len(part) < 6 and 1 <= int(part) <= count:
        return int(part) - 1
    known = f"one of {', '.join(header)}, or " if header else ""
    _checks.refuse("--columns", f"be {known}a number from 1 to {count}", part, hint=_hint(part, header or ()))


def _hint(part, header):
    from .units import nearest

    near = nearest(part, header) if header else None
    return f"did you mean {near}?" if near else ""


def finite_columns(rows, separator, places, name):
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


def _cell(number, line, separator, place, name):
    """One number, or the fault with its line."""
    cells = cells_of(line, separator)
    value = _number(cells[place]) if place < len(cells) else None
    if value is None or not math.isfinite(value):
        got = cells[place] if place < len(cells) else f"{len(cells)} columns"
        hint = "decimals need a point, not a comma" if "," in got and separator != "," else ""
        fault = _checks.Fault(
            f"column {place + 1}", "be a finite number", got, hint=hint, line=number, source=name
        )
        raise _checks.InputError(fault)
    return value
