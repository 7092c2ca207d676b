"""Rows of a text as columns of numbers, in chunks: quick where all is well, cell by cell where it is not.

`numpy.loadtxt` parses the chunks in C; the lines of a chunk that it refuses are looked at one by one.
"""

from __future__ import annotations

import bisect
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO, NoReturn

import numpy as np

from .. import checks
from . import text_layout
from .text_layout import Layout

CHUNK = 1 << 21
HEAD = 1 << 18
LONGEST = 1 << 16
MOST_FOOTERS = 60
_CELL_KINDS = {"n": "a number", "q": "a number with its unit", "t": "a time of day", "w": "words"}
DAY = 86400.0


def refuse(rule: str, got: object, source: str, hint: str = "") -> NoReturn:
    """Raise the error of a whole file."""
    raise checks.InputError(checks.Fault("file", rule, got, hint=hint, source=source))


@dataclass
class ColumnTable:
    """Columns of a file before it is known what they mean; NaN where a value is missing."""

    source: str
    what: str
    names: list[str]
    units: list[str]
    columns: list[np.ndarray]
    interval: float | None = None
    repairs: list[str] = field(default_factory=list)
    first: int | None = None  # line of the first row of a text
    skipped: list[int] = field(default_factory=list)  # rows before which a line is no row
    kept: np.ndarray | None = None  # rows that are left

    def line(self, row: int) -> int | None:
        """Line of a row that is left; None where the file has no lines."""
        row = row if self.kept is None else int(self.kept[row])
        return None if self.first is None else self.first + row + bisect.bisect_right(self.skipped, row)

    def fault(self, row: int, column: int, rule: str, value: object) -> checks.InputError:
        """The error of one value, with its line and column."""
        line = self.line(row)
        where = (
            f'column {column + 1} ("{self.names[column]}")' if self.names[column] else f"column {column + 1}"
        )
        where += "" if line is not None else f", row {row + 1}"
        return checks.InputError(checks.Fault(where, rule, value, line=line, source=self.source))


class Body:
    """The rows of a text below its head, read on demand: first the layout, then the columns that are wanted."""

    def __init__(self, stream: IO[bytes], source: str, encoding: str, most: int) -> None:
        self.source, self.most = source, most
        self.repairs: list[str] = []
        # Any mixture of line ends is read as one kind.
        self.text = io.TextIOWrapper(stream, encoding=encoding, newline=None)
        try:
            self.head = self._piece(HEAD, 1)
        except UnicodeDecodeError as error:
            checks.refuse(
                "file", f"be text or a known kind of recording (byte {error.start} is neither)", source
            )

    def layout(self, delimiter: str | None, decimal: str | None, skip: int | None) -> Layout:
        """How the text is laid out."""
        if not self.head.strip():
            refuse("hold rows of numbers", "nothing but blank lines", self.source)
        lines = self.head.split("\n")
        found = text_layout.find(lines, delimiter, decimal, skip)
        if found is None:
            shown = next((line.strip() for line in lines if line.strip()), "")
            hint = (
                "" if skip is None and delimiter is None and decimal is None else "look at the options given"
            )
            refuse("hold rows of numbers", shown[:40], self.source, hint)
        turned = text_layout.turned(lines, found)
        if turned is None:
            return found
        if self.text.read(1):
            rule = "have a row for each sample"
            refuse(rule, f"{len(found.kinds)} columns", self.source, "exchange rows and columns")
        self.head, self.repairs = "\n".join(turned), ["a line for each column: turned"]
        return text_layout.find(turned, ";", ".", found.first) or found

    def read(
        self, layout: Layout, places: list[int], names: list[str]
    ) -> tuple[list[np.ndarray], list[str], list[int] | None]:
        """The wanted columns, what was repaired, and rows before which a line is none; None if rows are no lines."""
        rows = _Rows(self.source, layout, places, names, self.text)
        size = 0
        for text, line in self._chunks(layout.first):
            size += len(text)
            if size > self.most:
                refuse(f"hold at most {self.most / 1e9:g} GB of text", "more", self.source)
            rows.add(text, line)
        columns, repairs = rows.done()
        return columns, self.repairs + repairs, None if self.repairs else rows.skipped

    def leave(self) -> None:
        """Leave the stream open for its owner."""
        self.text.detach()

    def _chunks(self, first: int) -> Iterator[tuple[str, int]]:
        """Pieces of whole lines, each with the number of its first line."""
        text = self.head.split("\n", first)[-1]
        line = first + 1
        self.head = ""
        while text:
            yield text, line
            line += text.count("\n")
            text = self._piece(CHUNK, line)

    def _piece(self, size: int, line: int) -> str:
        """The next text of about this size, to the end of a line; ``line`` is the number of its first."""
        text = self.text.read(size)
        rest = self.text.readline(LONGEST)
        text += rest
        if len(rest) == LONGEST or "\0" in text:
            first = text.find("\0")
            line += text.count("\n", 0, first if first >= 0 else len(text))
            rule = f"be text with lines of at most {LONGEST} characters"
            got = "a longer line" if first < 0 else "bytes that are no text"
            raise checks.InputError(checks.Fault("file", rule, got, line=line, source=self.source))
        return text


class _Rows:
    """Collects the rows of the chunks."""

    def __init__(
        self, source: str, layout: Layout, places: list[int], names: list[str], text: IO[str]
    ) -> None:
        self.source, self.layout, self.places, self.names = source, layout, places, names
        self.columns = [np.empty(0) for _ in places]
        self.count, self.commented, self.again = 0, 0, 0
        self.skipped: list[int] = []
        self.again_at = 0
        self.day: int | None = None
        self.refused: list[tuple[int, str, checks.InputError]] = []

    def add(self, text: str, line: int) -> None:
        """The rows of one chunk."""
        values = self._quick(text)
        self._append(self._slow(text, line) if values is None else values)

    def done(self) -> tuple[list[np.ndarray], list[str]]:
        """All columns, and repairs."""
        repairs = []
        if self.refused:
            if self.count < 2:
                raise self.refused[0][2]
            first, shown, _ = self.refused[0]
            lines = (
                f"line {first}" if len(self.refused) == 1 else f"{len(self.refused)} lines from line {first}"
            )
            repairs.append(f"{lines} after the last row left out: {checks.one_line(shown.strip(), 40)}")
        if self.commented:
            repairs.append(f"comments among the rows left out: {self.commented}")
        if self.again:
            times = f"{self.again}, the first is line {self.again_at}"
            repairs.append(f"header lines among the rows left out: {times}")
        for column in self.columns:
            column.resize(self.count, refcheck=False)
        return self.columns, repairs

    def _append(self, values: np.ndarray) -> None:
        """Rows after the ones that are there; the room grows by half."""
        need = self.count + len(values)
        for i, column in enumerate(self.columns):
            if need > len(column):
                column.resize(
                    max(need, len(column) + len(column) // 4 if len(column) else need), refcheck=False
                )
            column[self.count : need] = values[:, i]
        self.count = need

    def _quick(self, text: str) -> np.ndarray | None:
        """The chunk by the compiled reader; None if any line is not a plain row."""
        layout = self.layout
        if self.refused or {"t", "q"} & {layout.kinds[place] for place in self.places}:
            return None
        mark, decimal = layout.delimiter, layout.decimal
        if '"' in text:
            if mark == decimal:
                text, mark = text.replace('","', "\t"), "\t"
            text = text.replace('"', "")
        if decimal == ",":
            text = text.replace(",", ".")
        lines = text.split("\n")
        if not lines[-1]:
            lines.pop()
        # A row with too many cells would pass unseen.
        if mark is not None and text.count(mark) != len(lines) * (len(layout.kinds) - 1):
            return None
        try:
            values = np.loadtxt(lines, delimiter=mark, usecols=self.places, comments=None, ndmin=2)
        except ValueError:
            return None
        return values if len(values) == len(lines) else None

    def _slow(self, text: str, line: int) -> np.ndarray:
        """The chunk line by line: what is no row is left out or refused, a missing value becomes NaN."""
        rows: list[list[float]] = []
        lines = text.split("\n")
        for number, one in enumerate(lines[:-1] if not lines[-1] else lines, line):
            if not one.strip():
                self.skipped.append(self.count + len(rows))
                continue
            if text_layout.is_comment(one) and text_layout.kind_of(one.split()[0]) not in "nqt":
                self.commented += 1
                self.skipped.append(self.count + len(rows))
                continue
            if one.strip() in self.layout.above:
                self.again_at = self.again_at or number
                self.again += 1
                self.skipped.append(self.count + len(rows))
                continue
            try:
                row = self._row(one, number)
            except checks.InputError as error:
                self.refused.append((number, one, error))
                if len(self.refused) > MOST_FOOTERS:
                    raise self.refused[0][2] from None
                continue
            if self.refused:
                raise self.refused[0][2]
            rows.append(row)
        return np.array(rows).reshape(-1, len(self.places))

    def _row(self, line: str, number: int) -> list[float]:
        """Numbers of one line, or the error that names its place."""
        layout = self.layout
        cells = text_layout.cells_of(line, layout.delimiter, layout.decimal)
        if len(cells) != len(layout.kinds):
            rule = f"have {len(layout.kinds)} columns as the rows before"
            raise checks.InputError(checks.Fault("row", rule, len(cells), line=number, source=self.source))
        return [self._value(cells[place], place, number) for place in self.places]

    def _value(self, cell: str, place: int, number: int) -> float:
        kind, wanted = text_layout.kind_of(cell), self.layout.kinds[place]
        if kind == "e":
            return np.nan
        if kind != wanted:
            name = self.names[place]
            where = f'column {place + 1} ("{name}")' if name else f"column {place + 1}"
            rule = f"hold {_CELL_KINDS[wanted]} in every row"
            raise checks.InputError(checks.Fault(where, rule, cell, line=number, source=self.source))
        if kind == "q":
            return self._quantity(cell, place, number)
        if kind == "n":
            return text_layout.number_of(cell)
        day, seconds = text_layout.day_and_seconds(cell)
        # Days since the first row: seconds since the year 1 would leave 8 us.
        self.day = day if self.day is None else self.day
        return seconds + DAY * (day - self.day)

    def _quantity(self, cell: str, place: int, number: int) -> float:
        """Number of a cell with name or unit, which must be those of the column."""
        found = text_layout.QUANTITY.fullmatch(cell)
        assert found is not None
        unit = self.layout.units[place]
        if text_layout.spelt(found["unit"] or "") not in ("", unit):
            where = f"column {place + 1}"
            rule = f"have the unit of the first row, {unit}"
            raise checks.InputError(checks.Fault(where, rule, cell, line=number, source=self.source))
        return text_layout.number_of(found["number"])
