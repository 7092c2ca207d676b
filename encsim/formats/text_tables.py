"""Rows of a text as columns of numbers, in chunks: quick where all is well, cell by cell where it is not.

`numpy.loadtxt` parses the chunks in C; the lines of a chunk that it refuses are looked at one by one.
"""

from __future__ import annotations

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
_CELL_KINDS = {"n": "a number", "t": "a time of day", "w": "words"}


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
    first: int | None = None  # line of the first row where rows follow line by line

    def fault(self, row: int, column: int, rule: str, value: object) -> checks.InputError:
        """The error of one value, with its line and column."""
        line = None if self.first is None else self.first + row
        where = (
            f'column {column + 1} ("{self.names[column]}")' if self.names[column] else f"column {column + 1}"
        )
        where += "" if line is not None else f", row {row + 1}"
        return checks.InputError(checks.Fault(where, rule, value, line=line, source=self.source))


class Body:
    """The rows of a text below its head, read on demand: first the layout, then the columns that are wanted."""

    def __init__(self, stream: IO[bytes], source: str, encoding: str, most: int) -> None:
        self.source, self.most = source, most
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
        return found

    def read(
        self, layout: Layout, places: list[int], names: list[str]
    ) -> tuple[list[np.ndarray], list[str], bool]:
        """The wanted columns, what was repaired, and whether each row is one line."""
        rows = _Rows(self.source, layout, places, names, self.text)
        size = 0
        for text, line in self._chunks(layout.first):
            size += len(text)
            if size > self.most:
                refuse(f"hold at most {self.most / 1e9:g} GB of text", "more", self.source)
            rows.add(text, line)
        return rows.done()

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
        self.count, self.blank, self.commented, self.missing = 0, 0, 0, 0
        self.refused: list[tuple[int, str, checks.InputError]] = []

    def add(self, text: str, line: int) -> None:
        """The rows of one chunk."""
        values = self._quick(text)
        self._append(self._slow(text, line) if values is None else values)

    def done(self) -> tuple[list[np.ndarray], list[str], bool]:
        """All columns, repairs, and whether rows follow line by line."""
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
        for column in self.columns:
            column.resize(self.count, refcheck=False)
        return self.columns, repairs, not (self.blank or self.commented)

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
        if self.refused or "t" in [layout.kinds[place] for place in self.places]:
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
        rows = []
        lines = text.split("\n")
        for number, one in enumerate(lines[:-1] if not lines[-1] else lines, line):
            if not one.strip():
                self.blank += 1
                continue
            if text_layout.is_comment(one) and text_layout.kind_of(one.split()[0]) == "w":
                self.commented += 1
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
        return (
            text_layout.seconds_of_day(cell)
            if kind == "t"
            else float(cell.replace("d", "e").replace("D", "e"))
        )
