"""The layout of every text: an answer of three lines, then tables that fit the terminal, then notes and a caution.

A report is built by the module of its subject as a `Report` of blocks. What it looks like is decided here alone: how
wide lines are, which columns of a table are left out, how many notes are shown, where colour stands. Columns stand by
importance: those to the right are left out first.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from .. import checks, wording
from ..wording import UNITS, axis_unit, number, plain

# Columns of a terminal that is not known; between columns of a table; least room of a cell that is wrapped.
WIDE, GAP, LEAST_CELL = 80, 2, 16
# Longest word that keeps a cell that is wrapped wide.
MOST_WORD = 28
# Characters of a head, which a file may give.
LONGEST_HEAD = 200
# Lines of the answer; of notes without --long.
ANSWER, NOTES = 3, 3
LONG = "--long"
BEFORE_UNIT = re.compile(r"(?<=[0-9]) (?=[a-zA-Zµ%])")
# Below this share of the largest value of its column a number is rounding.
ROUNDING = 1e-9
# Frequencies of a column stand in hertz up to this one.
MOST_HERTZ = 1e5
# Tones stand in texts as characters that no terminal shows, until it is known whether there are colours.
DOUBT, LIMIT, END = "\ue001", "\ue002", "\ue000"
_COLOURS = {DOUBT: "\x1b[33m", LIMIT: "\x1b[31m", END: "\x1b[0m"}
_UNPRINTABLE = re.compile(
    "[\x00-\x09\x0b-\x1f\x7f-\x9f\xad\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]"
)
_TONES = re.compile(f"[{''.join(_COLOURS)}]")


class ReportPart(Protocol):
    """A part of a report."""

    def lines(self, width: int, long: bool) -> list[str]:
        """The lines of the part, none longer than the width where that can be."""
        ...


@dataclass(frozen=True)
class Paragraph:
    """A paragraph.

    Attributes
    ----------
    text : str
    tone : str
        `DOUBT` or `LIMIT` where it says one of these.
    indent : str
        What continued lines begin with.
    """

    text: str
    tone: str = ""
    indent: str = ""

    def lines(self, width: int, long: bool) -> list[str]:
        """The paragraph wrapped; a number and its unit stay on one line."""
        return [
            f"{self.tone}{line}{END if self.tone else ''}" for line in wrapped(self.text, width, self.indent)
        ]


@dataclass(frozen=True)
class Notes:
    """Remarks and reasons, each of one sentence; few of them without --long."""

    notes: Iterable[str]
    tone: str = ""

    def toned(self) -> list[str]:
        """The notes, each with its tone and a full stop."""
        return [f"{self.tone}{note.rstrip('.')}." for note in self.notes]

    def lines(self, width: int, long: bool) -> list[str]:
        """One note after the other."""
        each = [_sentence(note, "Note: ", "  ").lines(width, False) for note in self.toned()]
        shown, count = [line for lines in each for line in lines], len(each)
        if not long and len(shown) > NOTES:
            kept = [i for i in range(count) if sum(map(len, each[: i + 1])) < NOTES]
            shown = [line for i in kept for line in each[i]] or _cut(each[0][: NOTES - 1])
            left = count - len(kept)
            shown.append(f"{left} note{'s' * (left > 1)}{' more' if kept else ' in full'} with {LONG}.")
        return shown


@dataclass(frozen=True)
class Cautions:
    """Cautions: in short, and each in full with --long."""

    short: str
    full: Sequence[str] = ()

    def lines(self, width: int, long: bool) -> list[str]:
        """The caution, wrapped."""
        if long and self.full:
            return [
                "Cautions:",
                *(line for each in self.full for line in wrapped(f"  {each}", width, "    ")),
            ]
        return wrapped(self.short, width)


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    head : str
    cells : sequence of str
    unit : str
        Unit of all its cells, shown below the head.
    left : bool
        Whether it is set to the left, as words are; then cells may be wrapped where it is the last one.
    firm : bool
        Whether other columns are left out before this one, the last.
    """

    head: str
    cells: Sequence[str]
    unit: str = ""
    left: bool = False
    firm: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "head", self.head[:LONGEST_HEAD])

    @property
    def name(self) -> str:
        """Head and unit on one line."""
        return f"{self.head} {self.unit}".strip()

    def heading(self) -> list[str]:
        """The head on several lines where it is longer than its cells, with the unit below."""
        words = BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", self.head).split(" ")
        room = max([length(cell) for cell in self.cells] + [len(word) for word in words] + [1])
        return [*wrapped(self.head, room), *([self.unit] if self.unit else [])]

    def width(self) -> int:
        """Columns of the terminal that it takes."""
        return max(map(length, [*self.heading(), *self.cells]), default=0)


@dataclass(frozen=True)
class TextTable:
    """A table: columns by importance, the first one names the rows.

    Attributes
    ----------
    columns : sequence of Column
    title : str
        A line above it.
    """

    columns: Sequence[Column]
    title: str = ""

    def lines(self, width: int, long: bool) -> list[str]:
        """The table as wide as fits: less important columns left out, or with --long below; else row by row."""
        columns = [column for column in self.columns if column.cells]
        if not columns:
            return []
        fitting = _fitting(columns, width)
        if len(fitting) < min(2, len(columns)):
            lines = _vertical(columns, width)
        elif long:
            lines = _panels(columns, width)
        else:
            heads = {column.head for column in fitting}
            left = ", ".join(column.head for column in columns if column.head not in heads)
            lines = _grid(fitting) + (wrapped(f"Not shown: {left} ({LONG}).", width) if left else [])
        return wrapped(self.title, width) + lines


@dataclass(frozen=True)
class Report:
    """What a command or ``print(result)`` says.

    Attributes
    ----------
    answer : sequence of str
        The answer, the most important sentence first: what was asked, the verdict or headline, what to do. Sentences
        for which three lines have no room stand below the first table.
    blocks : sequence of ReportPart
        Tables, paragraphs, notes, cautions.
    long : bool
        Whether all detail is shown, as with --long.
    """

    answer: Sequence[str]
    blocks: Sequence[ReportPart] = ()
    long: bool = False

    def text(self, width: int = WIDE, colour: bool = False) -> str:
        """The report as text with lines of at most this width."""
        lines: list[str] = []
        later: list[ReportPart] = []
        for sentence in map(_sentence, self.answer):
            part = sentence.lines(width, False)
            if later or (lines and len(lines) + len(part) > ANSWER):
                later.append(sentence)
            else:
                lines += part
        apart = True
        for block in _in_order(self.blocks, later):
            part = block.lines(width, self.long)
            if not part:
                continue
            table = isinstance(block, TextTable)
            lines += ["", *part] if lines and (apart or table) else part
            apart = table
        return painted("".join(f"{line.rstrip()}\n" for line in lines), colour)

    def __str__(self) -> str:
        return self.text()

    def __contains__(self, words: str) -> bool:
        return words in str(self)


def toned(text: str, tone: str) -> str:
    """A cell or sentence in a tone."""
    return f"{tone}{text}{END}"


def painted(text: str, colour: bool) -> str:
    """The text with its tones as colours, or without them; what else could steer a terminal stands there as escapes."""
    text = _UNPRINTABLE.sub(lambda one: checks.printable(one[0]), text)
    return plain(_TONES.sub(lambda tone: _COLOURS[tone[0]] if colour else "", text))


def length(text: str) -> int:
    """Columns of the terminal that a text takes."""
    return len(_TONES.sub("", text))


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """Lines of at most this width; a number and its unit stay on one line."""
    spelt = text.replace("″", " arcsec").replace("°", " deg")
    held = BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", plain(spelt))
    lines = textwrap.wrap(held, width, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _sentence(text: str, before: str = "", indent: str = "") -> Paragraph:
    """A sentence in its tone, if it has one."""
    return Paragraph(before + _TONES.sub("", text), text[:1] if text[:1] in _COLOURS else "", indent)


def _in_order(blocks: Sequence[ReportPart], later: Sequence[ReportPart]) -> list[ReportPart]:
    """The blocks with what is left of the answer below the first table, and all notes as one at the last of them."""
    first = next((place + 1 for place, block in enumerate(blocks) if isinstance(block, TextTable)), 0)
    placed = [*blocks[:first], *later, *blocks[first:]]
    places = [place for place, block in enumerate(placed) if isinstance(block, Notes)]
    if len(places) > 1:
        parts = [block for block in placed if isinstance(block, Notes)]
        placed[places[-1]] = Notes([note for part in parts for note in part.toned()])
    return [block for place, block in enumerate(placed) if place not in places[:-1]]


def _cut(lines: list[str]) -> list[str]:
    """Lines of a text that goes on: the last word gives way to dots."""
    words, _, last = lines[-1].rpartition(" ")
    return [*lines[:-1], f"{words} ...{END if END in last else ''}"]


def _padded(cell: str, width: int, left: bool) -> str:
    blank = " " * (width - length(cell))
    return cell + blank if left else blank + cell


def _fitting(columns: Sequence[Column], width: int) -> list[Column]:
    """The columns that fit beside each other: the first ones, and the last one if it is firm."""
    kept = _first_fitting(columns, width)
    if columns[-1].firm and len(kept) < len(columns):
        for count in range(len(kept), 0, -1):
            trial = _first_fitting([*columns[:count], columns[-1]], width)
            if len(trial) > count:
                return trial
    return kept


def _first_fitting(columns: Sequence[Column], width: int) -> list[Column]:
    """The first columns that fit beside each other; the last one wrapped where that makes it fit."""
    room = width + GAP
    kept: list[Column] = []
    for column in columns:
        needed = GAP + column.width()
        if needed > room and column.left and kept and room - GAP >= _narrowest(column):
            kept.append(_narrowed(column, room - GAP))
            return kept
        if needed > room:
            return kept
        room -= needed
        kept.append(column)
    return kept


def _narrowest(column: Column) -> int:
    """Width of a column whose cells are wrapped: its longest word, if that is no text without blanks."""
    words = [len(word) for cell in column.cells for word in cell.split()]
    return max(LEAST_CELL, len(column.head), min(max(words, default=0), MOST_WORD))


def _narrowed(column: Column, width: int) -> Column:
    """A column whose cells are broken into lines."""
    return replace(column, cells=["\n".join(wrapped(cell, width)) for cell in column.cells])


def _grid(columns: Sequence[Column]) -> list[str]:
    """Columns beside each other, two spaces between, heads at the bottom of their lines."""
    tall = max(len(column.heading()) for column in columns)
    heads = [[""] * (tall - len(column.heading())) + column.heading() for column in columns]
    split = [[cell.split("\n") for cell in column.cells] for column in columns]
    widths = [
        max(length(part) for part in [*head, *(part for cell in cells for part in cell)])
        for head, cells in zip(heads, split, strict=True)
    ]
    rows = [*zip(*heads, strict=True)]
    for row in zip(*split, strict=True):
        high = max(map(len, row))
        rows += zip(*(cell + [""] * (high - len(cell)) for cell in row), strict=True)
    return [
        (" " * GAP).join(
            _padded(part, wide, column.left) for part, wide, column in zip(row, widths, columns, strict=True)
        )
        for row in rows
    ]


def _panels(columns: Sequence[Column], width: int) -> list[str]:
    """All columns, those that do not fit in further tables below, each with the first column again."""
    lines: list[str] = []
    rest = list(columns[1:])
    while rest or not lines:
        part = _fitting([columns[0], *rest], width)
        if len(part) < 2 and rest:
            return [*lines, "", *_vertical([columns[0], *rest], width)]
        lines += [""] * bool(lines) + _grid(part)
        rest = rest[len(part) - 1 :]
    return lines


def _vertical(columns: Sequence[Column], width: int) -> list[str]:
    """Row by row, a line a column."""
    lines: list[str] = []
    for row in zip(*(column.cells for column in columns), strict=True):
        lines += [""] * bool(lines)
        for column, cell in zip(columns, row, strict=True):
            value = f"{cell} {column.unit}".strip()
            lines += wrapped(f"{column.head}: {value}" if column.head else value, width, "  ")
    return lines


def text_unit(largest: float, si: str) -> tuple[float, str]:
    """Size and name of the one unit of numbers up to this one."""
    if si == "Hz" and wording.preferred(largest, si) is None:
        return (1e3, "kHz") if largest >= MOST_HERTZ else (1.0, "Hz")
    if si not in UNITS:
        size, name = wording.display_unit(largest, si)
        return size, plain(name)
    name, size = axis_unit(largest, si)
    return size, plain(name)


def measured(
    head: str, values: Iterable[float], si: str, *, mark: Sequence[str] = (), largest: float | None = None
) -> Column:
    """A column of numbers in one unit, that of the user or one that suits the largest; a dash for NaN.

    ``mark`` stands behind each number: of `marks`. ``largest`` is that of several columns with one unit.
    """
    numbers = [float(value) for value in values]
    if largest is None:
        largest = max((abs(value) for value in numbers if math.isfinite(value)), default=0.0)
    size, name = text_unit(largest, si)
    cells = []
    for value in numbers:
        shown = 0.0 if abs(value) < ROUNDING * largest else value
        cells.append("-" if math.isnan(value) else number(shown / size))
    if mark:
        cells = [cell + sign for cell, sign in zip(cells, mark, strict=True)]
    return Column(head, cells, name)


def texts(head: str, cells: Iterable[str], *, firm: bool = False) -> Column:
    """A column of words."""
    return Column(head, list(cells), left=True, firm=firm)
