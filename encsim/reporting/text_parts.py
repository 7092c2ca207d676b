"""What all reports as text share: rows to show, marks of doubt, words for speeds, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..layout import DOUBT, Cautions, Paragraph, ReportPart, text_unit, toned
from ..wording import number, show

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..open_loop.closed_form import RippleCurve
    from ..spreads.tolerancing import Tolerance


# A table shows every row up to ALL_ROWS rows or with --long, else ROWS rows spread evenly and the largest values.
ROWS, ALL_ROWS = 10, 20
CAUTION = (
    "Caution: this is computed, not measured. The machine's documentation, local codes and qualified staff come "
    "first; moving and rotating axes can injure."
)
LOOP_CAUTION = (
    "Caution: computed, not measured. Start with lower gains and raise them step by step; limit speed, torque and "
    "travel; keep people away and an emergency stop at hand; secure a vertical axis. The machine's documentation, "
    "local codes and qualified staff come first."
)


def caution(cautious: bool = True, full: Sequence[str] = ()) -> list[ReportPart]:
    """The caution as a part of a report: of a closed loop where it is given in full; none if not cautious."""
    from ..decisions.explanation import COMPUTED
    from ..model.load_and_control import CAUTIONS

    if not cautious:
        return []
    if not full:
        return [Cautions(CAUTION)]
    # the short text says these already
    told = (*CAUTIONS, *COMPUTED)
    return [
        *(Paragraph(f"Caution: {each}") for each in full if each not in told),
        Cautions(LOOP_CAUTION, full),
    ]


def at_speed(speed: float, unit: str) -> str:
    """``at 5 mm/s``, or ``at standstill``."""
    return f"at {show(speed, unit)}" if speed else "at standstill"


def speed_count(count: int) -> str:
    """``12 speeds``."""
    return f"{count} speeds" if count != 1 else "1 speed"


def doubt(curve: RippleCurve | Smoothness | Tolerance, unit: str) -> list[str]:
    """The speeds at which the prediction is not reliable, as a sentence; none if there are none."""
    doubtful = np.flatnonzero(curve.doubtful)
    if not len(doubtful):
        return []
    speeds = np.abs(curve.speed[doubtful])
    low, high = float(speeds.min()), float(speeds.max())
    where = f"at {show(low, unit)}" if low == high else f"from {span(low, high, unit)}"
    count = speed_count(len(curve.speed))
    return [toned(f"Not reliable at {len(doubtful)} of {count}, {where} (marked ?): see the notes.", DOUBT)]


def span(low: float, high: float, unit: str) -> str:
    """A range in one unit: ``0.2 to 35 mm/s``."""
    size, name = text_unit(high, unit)
    shown = (f"{float(number(value / size)):.10f}".rstrip("0").rstrip(".") for value in (low, high))
    return f"{' to '.join(shown)} {name}"


def chosen_rows(*series: np.ndarray, long: bool = False) -> list[int]:
    """Rows to show of series of the same length: evenly spread, and the largest value of each series; all of long."""
    count = len(series[0])
    if count <= ALL_ROWS or long:
        return list(range(count))
    rows = {round(i * (count - 1) / (ROWS - 1)) for i in range(ROWS)}
    return sorted(rows | {int(np.nanargmax(values)) for values in series if np.isfinite(values).any()})


def marks(curve: RippleCurve | Smoothness | Tolerance) -> list[str]:
    """A question mark behind each doubtful value, blanks behind the others; nothing where no value is doubtful."""
    blank = "  " if curve.doubtful.any() else ""
    return [f" {toned('?', DOUBT)}" if flag else blank for flag in curve.doubtful]


def nearest_rows(speeds: np.ndarray, wanted: Iterable[float]) -> list[int]:
    """For each wanted speed, the row of the speed nearest to it, direction left out."""
    return [int(np.argmin(np.abs(np.abs(speeds) - speed))) for speed in wanted]
