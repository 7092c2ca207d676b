"""Layout of a table of text, found in its first lines: delimiter, decimal mark, header, names, units."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from .. import units

# Tried in this order; None is any white space. A text with so many times more columns than rows is turned.
FEWEST_TURNED = 24
DELIMITERS = (";", "\t", ",", "|", None, ":", "&", "^")
COMMENTS = ("#", "%", "//", "!", "'", "*")
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?|0[xX][0-9a-fA-F]+")
MISSING = frozenset(["", "nan", "-nan", "+nan", "inf", "-inf", "+inf", "na", "n/a", "null", "none", "-", "--", "---",
                     "overflow", "overload", "ovl"])  # fmt: skip
NO_NUMBER = re.compile(r"[-*?.]{2,}|[+-]?1\.#[A-Za-z]+")
CLOCK = re.compile(
    r"(?:[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}[T ])?"
    r"[0-9]{1,3}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?(?:Z| ?[APap][Mm])?"
)
# A number that says what it is: "cos=0.7", "t: 3 ms", "0.7 V".
QUANTITY = re.compile(
    rf"(?:(?P<name>[A-Za-z][\w ]*?) ?[=:] ?)?(?P<number>{NUMBER.pattern})(?: ?(?P<unit>[^\W\d_][^\s=:]*))?"
)
SPELT = {
    "second": "s", "seconds": "s", "sec": "s", "secs": "s", "msec": "ms", "usec": "us", "millisecond": "ms",
    "milliseconds": "ms", "microseconds": "us", "volt": "V", "volts": "V", "millivolt": "mV", "ampere": "A",
    "amperes": "A", "amp": "A", "amps": "A", "degree": "deg", "degrees": "deg", "°": "deg", "radian": "rad",
    "radians": "rad", "rev/min": "rpm", "r/min": "rpm", "1/min": "rpm", "min-1": "rpm", "rad_s": "rad/s",
    "deg_s": "deg/s", "m_s": "m/s", "mm_s": "mm/s", "n_m": "N m", "nm_torque": "N m", "count": "counts",
    "counts": "counts", "cts": "counts", "inc": "counts", "incr": "counts", "increments": "counts",
    "ticks": "counts", "pulses": "counts", "digits": "counts", "lsb": "counts", "codes": "counts", "turns": "rev",
    "1": "counts", "nm": "nm", "arms": "A", "%": "%", "adc": "counts",
}  # fmt: skip
# Units without a table of their own: sizes in SI.
SIZES = {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "A": 1.0, "mA": 1e-3, "counts": 1.0, "%": 1.0}
TIMES = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "min": 60.0}
_INTERVAL = re.compile(
    r"(?P<rate>samp\w*[ _]?(?:rate|freq\w*)|\bfs\b|\brate\b|\bfreq\w*)|"
    r"(?P<step>samp\w*[ _]?(?:interval|period|time|distance)|\bdt\b|time[ _]?(?:increment|step|base)|"
    r"\binterval\b|\bx[ _-]?incr\w*|\bincrement\b|cycle[ _]?time)",
    re.IGNORECASE,
)
_VALUE = re.compile(
    r"(?P<value>[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?)[\s;,\t|\"]*(?P<unit>[GMk]?S/s|[GMk]?Sa/s|[GMk]?Hz|[munpµ]?s(?![a-z]))?"
)


@dataclass(frozen=True)
class Layout:
    """How a text is laid out."""

    delimiter: str | None
    decimal: str
    first: int  # number of lines before the first row
    kinds: tuple[str, ...]  # of each column, as `kind_of` tells them
    names: tuple[str, ...]
    units: tuple[str, ...]
    interval: float | None  # sampling interval that the header tells, s
    above: frozenset[str] = frozenset()  # header lines, which may stand among the rows again


def find(lines: list[str], delimiter: str | None, decimal: str | None, skip: int | None) -> Layout | None:
    """The layout that makes the largest block of numbers; None if there is no such block."""
    below = skip or 0
    best, found = 0.0, None
    for mark in _marks(lines) if delimiter is None else (delimiter,):
        for point in (".", ",") if decimal is None else (decimal,):
            if point == mark and not any('"' in line for line in lines[:200]):
                continue
            score, kinds = _most_rows(lines[below:], mark, point)
            if score > best * (1.0 + 1e-9):
                best, found = score, (mark, point, kinds)
    if found is None:
        return None
    mark, point, kinds = found
    # Rows begin with the first that is alike: a damaged row further down must not hide those above it.
    first = next(i for i in range(below, len(lines)) if _is_row(lines[i], mark, point, kinds))
    names, given = _header(lines[:first], mark, len(kinds))
    if "q" in kinds:
        names, given = _beside_numbers(cells_of(lines[first], mark, point), names, given)
    above = frozenset(line.strip() for line in lines[:first])
    return Layout(mark, point, first, kinds, names, given, _told_interval(lines[:first]), above)


def _marks(lines: list[str]) -> tuple[str | None, ...]:
    """What may part the columns: the usual marks, and a rarer one of a line in the middle."""
    rare = dict.fromkeys(re.findall(r"[^\w\s.,+\-\"':;|&^#*=]", lines[len(lines) // 2]))
    return (*DELIMITERS, *list(rare)[:2])


def turned(lines: list[str], layout: Layout) -> list[str] | None:
    """Lines with a column each where the text has a line for each column; None where it has rows already."""
    cells = (cells_of(line, layout.delimiter, layout.decimal) for line in lines)
    rows = [row for row in cells if len(row) == len(layout.kinds)]
    if len(layout.kinds) < FEWEST_TURNED or len(layout.kinds) < FEWEST_TURNED * len(rows):
        return None
    return [*lines[: layout.first], *(";".join(column) for column in zip(*rows, strict=True))]


def cells_of(line: str, delimiter: str | None, decimal: str) -> list[str]:
    """Cells of a line without blanks and quotes; the decimal mark becomes a point."""
    # the csv module refuses longer cells; nobody quotes those
    if '"' in line and delimiter is not None and len(line) <= csv.field_size_limit():
        cells = next(csv.reader([line.strip()], delimiter=delimiter, skipinitialspace=True), [])
    else:
        cells = line.split(delimiter)
    cells = [cell.strip().strip("\"'").strip() for cell in cells]
    return [cell.replace(",", ".") for cell in cells] if decimal == "," else cells


def kind_of(cell: str) -> str:
    """What a cell is: "n" number, "q" number with name or unit, "e" missing, "t" time of day, "w" words."""
    if NUMBER.fullmatch(cell):
        return "n"
    if cell.lower() in MISSING or NO_NUMBER.fullmatch(cell):
        return "e"
    if CLOCK.fullmatch(cell):
        return "t"
    quantity = QUANTITY.fullmatch(cell)
    told = quantity is not None and (quantity["name"] or known(spelt(quantity["unit"])))
    return "q" if told else "w"


def number_of(cell: str) -> float:
    """Value of a cell that is a number."""
    if cell[:2] in ("0x", "0X"):
        return float(int(cell, 16))
    return float(cell.replace("d", "e").replace("D", "e"))


def _beside_numbers(
    cells: list[str], names: tuple[str, ...], given: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units with those that stand beside the numbers of a row."""
    told = [QUANTITY.fullmatch(cell) for cell in cells]
    return (
        tuple((one and one["name"]) or name for one, name in zip(told, names, strict=True)),
        tuple(spelt((one and one["unit"]) or unit) for one, unit in zip(told, given, strict=True)),
    )


def is_comment(line: str) -> bool:
    """Whether a line holds no row: blank or a comment."""
    text = line.strip()
    return not text or text.startswith(COMMENTS)


def day_and_seconds(cell: str) -> tuple[int, float]:
    """Number of the day, 0 without a date, and seconds of a time of day."""
    half = cell[-2:].upper() if cell[-1] in "Mm" else ""
    text = cell[:-2].rstrip() if half else cell
    date, _, clock = text.replace("T", " ").rstrip("Z").rpartition(" ")
    parts = [float(part) for part in clock.split(":")]
    hours = parts[0] % 12.0 + 12.0 * (half == "PM") if half else parts[0]
    seconds = hours * 3600.0 + parts[1] * 60.0 + (parts[2] if len(parts) > 2 else 0.0)
    if not date:
        return 0, seconds
    import datetime

    numbers = [int(part) for part in re.split(r"[-./]", date)]
    year, month, day = numbers if numbers[0] > 31 else (numbers[2], numbers[1], numbers[0])
    return datetime.date(year, month, day).toordinal(), seconds


def _is_row(line: str, mark: str | None, point: str, kinds: tuple[str, ...]) -> bool:
    """Whether a line is a row of these kinds."""
    row = [] if is_comment(line) else [kind_of(cell) for cell in cells_of(line, mark, point)]
    return len(row) == len(kinds) and all(_agree(a, b) for a, b in zip(row, kinds, strict=True))


def _most_rows(lines: list[str], mark: str | None, point: str) -> tuple[float, tuple[str, ...]]:
    """Score and kinds of the rows that are alike and hold the most numbers."""
    counted: dict[tuple[str, ...], int] = {}
    for rows, kinds in _blocks(lines, mark, point):
        counted[kinds] = counted.get(kinds, 0) + rows
    best: tuple[float, tuple[str, ...]] = (0.0, ())
    for kinds, rows in counted.items():
        numeric = sum(kind in "nqt" for kind in kinds)
        filled = sum(kind != "e" for kind in kinds)
        if "n" in kinds or "q" in kinds:
            # Semicolons and tabs are never part of a number, as a comma may be.
            score = rows * numeric * numeric / filled * (1.1 if mark in (";", "\t") else 1.0)
            best = max(best, (score, kinds), key=lambda block: block[0])
    return best


def _blocks(lines: list[str], mark: str | None, point: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Runs of rows with the same number of cells and kinds that agree: (rows, kinds)."""
    rows = 0
    kinds: list[str] = []
    for line in lines:
        if is_comment(line):
            continue
        row = [kind_of(cell) for cell in cells_of(line, mark, point)]
        if rows and len(row) == len(kinds) and all(_agree(a, b) for a, b in zip(row, kinds, strict=True)):
            rows += 1
            kinds = [b if a == "e" else a for a, b in zip(row, kinds, strict=True)]
            continue
        if rows:
            yield rows, tuple(kinds)
        rows, kinds = 1, row
    if rows:
        yield rows, tuple(kinds)


def _agree(a: str, b: str) -> bool:
    return a == b or (a in "nqte" and b == "e") or (a == "e" and b in "nqt")


def _header(lines: list[str], mark: str | None, count: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units of the columns from the lines above the rows; empty texts where there are none."""
    names, given = [""] * count, [""] * count
    for line in [line for line in reversed(lines) if line.strip()][:3]:
        cells = _name_cells(line, mark, count)
        if cells is None or all(kind_of(cell) in "ne" for cell in cells):
            break
        if not any(given) and all(not cell or is_unit(cell) for cell in cells) and any(cells):
            given = cells
            continue
        names = cells
        break
    if not any(names):
        names = [cell if len(cell) > 2 else "" for cell in given]
    split = [named_unit(name) for name in names]
    return (
        tuple(name for name, _ in split),
        tuple(spelt(below or beside) for below, (_, beside) in zip(given, split, strict=True)),
    )


def _name_cells(line: str, mark: str | None, count: int) -> list[str] | None:
    """A line as ``count`` names; None if it is none."""
    text = line.strip().lstrip("#%!*/ \t") if line.lstrip().startswith(COMMENTS) else line.strip("\r\n")
    tries = [cells_of(text, mark, ".")]
    if mark is None:
        tries += [[cell.strip() for cell in re.split(r"\s{2,}|\t", text.strip())]]
    tries += [cells_of(text, other, ".") for other in (",", ";", "\t", None)]
    for cells in tries:
        if len(cells) == count + 1 and not cells[-1]:
            cells = cells[:-1]
        if len(cells) == count - 1 and count > 2:
            cells = [*cells, ""]
        if len(cells) == count and (count > 1 or len(text) < 40):
            return cells
    return None


def is_unit(cell: str) -> bool:
    """Whether a cell of the header is a unit."""
    return known(spelt(cell)) or _unbracketed(cell) != cell.strip()


def _unbracketed(cell: str) -> str:
    """A cell without brackets around it."""
    text = cell.strip()
    return text[1:-1].strip() if text[:1] in tuple("[(<") and text[-1:] in tuple("])>") else text


def known(unit: str) -> bool:
    """Whether a unit has a size."""
    return unit in SIZES or unit in TIMES or any(unit in kind.units for kind in units.DIMENSIONS.values())


def spelt(unit: str) -> str:
    """A unit in the spelling of the tables."""
    text = _unbracketed(unit)
    text = SPELT.get(text.lower(), text) if text != "Nm" else "N m"
    return text.replace("µ", "u").replace("μ", "u").replace("·", " ").replace("²", "2").replace("°", "deg")


def named_unit(name: str) -> tuple[str, str]:
    """Name and unit of a header cell: "u (V)", "u [V]", "u / V", "u in V", "u_V"."""
    match = re.fullmatch(r"(.*?)\s*[\[(<]([^\])>]*)[\])>]\s*", name)
    if match and match[1]:
        return match[1].strip(), match[2]
    for parting in (" / ", "/", " in ", ", ", " "):
        before, mark, unit = name.rpartition(parting)
        if mark and before and known(spelt(unit)) and not known(spelt(name)):
            return before.strip(), unit
    parts = name.split("_")
    for start in range(1, len(parts)):
        unit = "_".join(parts[start:])
        if known(spelt(unit)) and unit not in ("1", "p", "n", "m", "t"):
            return "_".join(parts[:start]), unit
        if known(unit.replace("_", "/")):
            return "_".join(parts[:start]), unit.replace("_", "/")
    return name, ""


def _told_interval(lines: list[str]) -> float | None:
    """Sampling interval that a header line tells, s."""
    for line in lines:
        label = _INTERVAL.search(line)
        value = _VALUE.search(line, label.end()) if label else None
        if label is None or value is None:
            continue
        number = float(value["value"].replace(",", "."))
        unit = (
            (value["unit"] or _bracketed(line)).replace("µ", "u").replace("Sa/s", "Hz").replace("S/s", "Hz")
        )
        size = {**TIMES, "Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}.get(unit, 1.0)
        as_rate = unit.endswith("Hz") if unit else label["rate"] is not None
        if number > 0.0:
            return 1.0 / (number * size) if as_rate else number * size
    return None


def _bracketed(line: str) -> str:
    match = re.search(r"[\[(]([^\])]+)[\])]", line)
    return match[1].strip() if match else ""
