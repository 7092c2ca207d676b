"""Texts about an axis file and variants of it: what a check found, the effective file, a sweep as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..model import axis_text
from ..wording import aligned, axis_words, beside, listed, percent_number, show
from .axis_tables import CAUTION, chosen, counted_speeds

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..spreads.sweep import Sweep

# Columns of text a terminal holds, and what stands between two columns of a table.
WIDE, GAP = 80, 2
LONGEST_HEAD = 16


def sweep(result: Sweep, *, cautious: bool = True) -> str:
    """Table of a sweep: a row each speed, a column each combination; blocks below each other where it is too wide."""
    rows = chosen(*result.values.T)
    heads, legend = _heads(result)
    columns = {head: [_cell(result, row, place) for row in rows] for place, head in enumerate(heads)}
    speeds = [show(result.speed[row], result.units["speed"]) for row in rows]
    tables = "\n".join(aligned({"speed": speeds} | part) for part in _blocks(columns, max(map(len, speeds))))
    notes = "".join(f"Note: {reason}\n" for reason in result.reasons)
    marked = "? not reliable: see the notes.\n" if result.doubtful[rows].any() else ""
    caution = f"\n{CAUTION}" if cautious else ""
    return "".join([_answer(result), legend, "\n", tables, "\n" * bool(marked), marked, notes, caution])


def _answer(result: Sweep) -> str:
    """Which combination has the least ripple, and at how many of the speeds."""
    what = {"relative": "rms in % of the speed", "rms": "rms", "peak": "peak"}[result.of]
    least = np.bincount(result.values.argmin(axis=1), minlength=len(result.names))
    best = int(least.argmax())
    at = f"{least[best]} of {counted_speeds(len(result.speed))}"
    return f"Measured velocity ripple, {what}. Least at {at}:\n{result.names[best]}\n"


def _heads(result: Sweep) -> tuple[list[str], str]:
    """Heads of the columns: the values where these are short, else numbers and what they stand for."""
    heads = [", ".join(one.values()) for one in result.settings]
    if max(map(len, heads)) <= LONGEST_HEAD and len(set(heads)) == len(heads):
        return heads, ""
    heads = [f"({place + 1})" for place in range(len(heads))]
    return heads, "".join(f"  {head} {name}\n" for head, name in zip(heads, result.names, strict=True))


def _cell(result: Sweep, row: int, place: int) -> str:
    """One value, in the unit of its row's largest, with the mark of doubt."""
    value, mark = result.values[row, place], " ?" if result.doubtful[row, place] else ""
    if result.of == "relative":
        return (percent_number(value) if result.speed[row] else "-") + mark
    return beside(value, result.values[row].max(), result.units["values"]) + mark


def _blocks(columns: dict[str, list[str]], used: int) -> list[dict[str, list[str]]]:
    """The columns in blocks that fit a terminal beside the column of speeds."""
    blocks: list[dict[str, list[str]]] = [{}]
    room = WIDE - used
    for head, cells in columns.items():
        needed = GAP + max(map(len, [head, *cells]))
        if blocks[-1] and needed > room:
            blocks.append({})
            room = WIDE - used
        blocks[-1][head] = cells
        room -= needed
    return blocks


def effective(axis: Axis, name: str, settings: list[str], others: list[str]) -> str:
    """The effective axis file: every value, with a heading that says where it comes from."""
    head = [f"# Every value of {name}, defaults written out"]
    head += [f"# with {setting}" for setting in settings]
    head += (
        [f"# Without its {listed([f'[{other}]' for other in others])}: not part of the axis"]
        if others
        else []
    )
    return "\n".join(head) + "\n\n" + axis_text.write_all(axis)


def check(name: str, axis: Axis, found: dict[str, Any]) -> str:
    """What a check found: that nothing is wrong, what the file describes, what its jobs cost."""
    # ordinary spaces, which other programs can read
    described = axis_words(axis).replace("\u202f", " ")
    lines = [f"{name} has no fault: {described}.", f"Sections: {', '.join(found['sections'])}."]
    if found["defaults"]:
        lines.append(f"Left at their defaults: {', '.join(found['defaults'])}.")
    lines.append(f"Simulating one second takes {found['samples_per_second']} samples,")
    lines.append(f"encsim ripple --simulate at its default speeds up to {found['samples_of_check']}.")
    if found["candidates"]:
        lines.append(f"encsim choose has {found['candidates']} candidates to judge.")
    return "\n".join(lines) + "\n"
