"""Parts that all reports as text share: tables, paragraphs, notes and cautions, words for speeds.

Lines are as long as their contents need: output that is piped is not cut.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from ..wording import aligned, show

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..open_loop.closed_form import RippleCurve
    from ..spreads.tolerancing import Tolerance


# A table shows every row up to ALL_ROWS rows, else ROWS rows spread evenly and the largest value of each column.
ROWS, ALL_ROWS = 16, 20
WIDE = 100
BEFORE_UNIT = re.compile(r"(?<=[0-9]) (?=[a-zA-Zµ])")
CAUTION = (
    "Caution: this is computed, not measured. The machine's documentation, local codes and qualified\n"
    "staff come first; moving and rotating axes can injure.\n"
)


def joined_lines(lines: Iterable[str]) -> str:
    """Lines as one text."""
    return "".join(f"{line}\n" for line in lines)


def notes(reasons: Iterable[str], end: str = "") -> str:
    """One note per reason."""
    return joined_lines(f"Note: {reason}{end}" for reason in reasons)


def cautions_text(cautions: Iterable[str]) -> str:
    """Cautions under their heading, one per line; nothing without cautions."""
    lines = joined_lines(f"  {line}" for line in cautions)
    return f"Cautions:\n{lines}" if lines else ""


def paragraph(text: str) -> str:
    """Text wrapped to WIDE columns; a number and its unit stay on one line."""
    wrapped = textwrap.fill(BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text), WIDE)
    return wrapped.replace("\N{NO-BREAK SPACE}", " ") + "\n"


def left_aligned(columns: Mapping[str, list[str]], name: str) -> dict[str, list[str]]:
    """Columns of a table with this one padded, so that `aligned` sets it to the left."""
    width = max(map(len, (name, *columns[name])))
    return {
        (head.ljust(width) if head == name else head): (
            [cell.ljust(width) for cell in cells] if head == name else cells
        )
        for head, cells in columns.items()
    }


def table(columns: dict[str, list[str]]) -> str:
    """A table with its first column set to the left."""
    return aligned(left_aligned(columns, next(iter(columns))))


def trimmed(text: str) -> str:
    """A table without blanks at the ends of its lines."""
    return joined_lines(line.rstrip() for line in text.splitlines())


def at_speed(speed: float, unit: str) -> str:
    """``at 5 mm/s``, or ``at standstill``."""
    return f"at {show(speed, unit)}" if speed else "at standstill"


def speed_count(count: int) -> str:
    """``12 speeds``."""
    return f"{count} speeds" if count != 1 else "1 speed"


def doubt(curve: RippleCurve | Smoothness | Tolerance, unit: str) -> str:
    """The speeds at which the prediction is not reliable, in one line; nothing if there are none."""
    doubtful = np.flatnonzero(curve.doubtful)
    if not len(doubtful):
        return ""
    speeds = np.abs(curve.speed[doubtful])
    low, high = show(speeds.min(), unit), show(speeds.max(), unit)
    where = f"at {low}" if low == high else f"between {low} and {high}"
    return f"Doubtful at {len(doubtful)} of {speed_count(len(curve.speed))}, {where} (marked ?): see the notes.\n"


def chosen_rows(*series: np.ndarray) -> list[int]:
    """Rows to show of series of the same length: evenly spread, and the largest value of each series."""
    count = len(series[0])
    if count <= ALL_ROWS:
        return list(range(count))
    rows = {round(i * (count - 1) / (ROWS - 1)) for i in range(ROWS)}
    return sorted(rows | {int(np.nanargmax(values)) for values in series if np.isfinite(values).any()})


def marks(curve: RippleCurve | Smoothness | Tolerance) -> list[str]:
    """A question mark behind each doubtful value, blanks behind the others; nothing where no value is doubtful."""
    blank = "  " if curve.doubtful.any() else ""
    return [" ?" if flag else blank for flag in curve.doubtful]


def nearest_rows(speeds: np.ndarray, wanted: Iterable[float]) -> list[int]:
    """For each wanted speed, the row of the speed nearest to it, direction left out."""
    return [int(np.argmin(np.abs(np.abs(speeds) - speed))) for speed in wanted]


def or_dash(value: float, unit: str) -> str:
    """A value with its unit; a dash where it is not known or infinite."""
    return show(value, unit) if np.isfinite(value) else "-"
