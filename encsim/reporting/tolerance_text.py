"""Variants of an axis as text: the spread between axes of one design, a sweep of values, the file of one variant."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import units
from ..model import axis_text
from ..spreads import description
from ..wording import aligned, axis_words, beside, listed, percent_number, share_text, show
from .text_parts import CAUTION, chosen_rows, doubt, joined_lines, marks, notes, speed_count

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..spreads.sweep import Sweep
    from ..spreads.tolerancing import Tolerance


# Columns of text a terminal holds, what stands between two columns of a table, longest head in words.
WIDE, GAP, LONGEST_HEAD = 80, 2, 16
WORDS = {"measured": "measured ripple", "relative": "ripple as a share of the speed", "actual": "true ripple",
         "top_speed": "top speed", "phase_margin": "phase margin"}  # fmt: skip
BASIS = {
    "ripple": "Ripple is that of the measured velocity, rms, in steady motion.",
    "smoothness": "Ripple is that of the measured velocity, rms, with the loop closed.",
}


def tolerance(result: Tolerance, *, cautious: bool = True) -> str:
    """Report of many axes."""
    unit = result.units["speed"]
    parts = [
        _answer(result, unit) + doubt(result, unit),
        aligned(_sensitivity(result)),
        aligned(_band(result, unit)),
        joined_lines(_remarks(result)) + notes(result.reasons),
    ]
    return "\n".join(parts) + (CAUTION if cautious else "")


def of_hundred(share: float) -> str:
    """``39 of 100``, with one decimal close to 0 and to 100."""
    near = 0.0 < share < 0.005 or 0.995 <= share < 1.0
    return f"{100.0 * share:.1f} of 100" if near else f"{100.0 * share:.0f} of 100"


def _answer(result: Tolerance, unit: str) -> str:
    """How many axes pass, and what to tighten; without a requirement how far the axes differ."""
    drawn = f"{result.samples} drawn, seed {result.seed}"
    if result.yield_fraction is None or result.yield_interval is None:
        return f"{_widest(result, unit)} ({drawn}).\n{_most(result)}"
    low, high = (100.0 * share for share in result.yield_interval)
    lines = [
        f"{of_hundred(result.yield_fraction)} axes meet the requirement at every speed ({drawn}); of all such axes "
        f"it is {low:.0f} to {high:.0f} of 100, as far as so many tell.\n"
    ]
    if len(result.yield_by_limit) > 1:
        each = (
            f"{WORDS.get(name, name)} {of_hundred(share)}" for name, share in result.yield_by_limit.items()
        )
        lines.append(f"By limit: {', '.join(each)}.\n")
    within = _within_limit(result)
    if within is not None and within.min() < 1.0:
        place = int(within.argmin())
        share = of_hundred(within[place])
        lines.append(f"Fewest are within the limit at {show(result.speed[place], unit)}: {share}.\n")
    return "".join(lines) + _tighten(result)


def _within_limit(result: Tolerance) -> np.ndarray | None:
    """Share of the axes within the limit of ripple, by speed; None without such a limit."""
    limited = result.limit is not None and np.isfinite(result.limit).any()
    return result.yield_by_speed if limited else None


def _widest(result: Tolerance, unit: str) -> str:
    """The speed at which the axes differ most."""
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.where(result.low > 0.0, result.high / result.low, 1.0)
    place = int(np.argmax(apart))
    low, high = show(result.low[place], unit), show(result.high[place], unit)
    return (
        f"Axes differ most at {show(result.speed[place], unit)}: 95 of 100 have {low} to {high} rms of ripple"
    )


def _most(result: Tolerance) -> str:
    """The tolerance that causes most of the spread of the ripple."""
    key = result.tighten
    if key is None:
        return "None of the spreads makes the ripple vary.\n"
    return f"Most of it comes from {key}: {percent_number(result.sensitivity[key])} % of the variance.\n"


def _tighten(result: Tolerance) -> str:
    """The tolerance to tighten, and how many axes pass then."""
    if result.yield_fraction == 1.0:
        return ""
    if result.tighten is None:
        return (
            "No spread that is halved by itself lets clearly more axes pass: begin with the axis' own values, or "
            "draw more samples.\n"
        )
    share = of_hundred(result.halved[result.tighten])
    return f"Tighten first: {result.tighten}; with half its spread {share} would pass.\n"


def _sensitivity(result: Tolerance) -> dict[str, list[str]]:
    """Table of the spreads, by their share of the variance."""
    keys = list(result.sensitivity) + [key for key in result.spread if key not in result.sensitivity]
    columns = {
        "spread": keys,
        "": [_width(result, key) for key in keys],
        "% of variance": [share_text(result.sensitivity.get(key, 0.0)) for key in keys],
    }
    if result.halved:
        columns["halved, % pass"] = [
            f"{100.0 * result.halved[key]:.1f}" if key in result.halved else "-" for key in keys
        ]
    return columns


def _width(result: Tolerance, key: str) -> str:
    """``normal 0.01``, with the width per kelvin."""
    spread = result.spread[key]
    words = [f"{spread.kind} {_written(result.axis, key, spread.width)}"] if spread.width else []
    if spread.per_kelvin:
        words.append(f"{_written(result.axis, key, spread.per_kelvin)} a kelvin")
    return ", ".join(words) or "-"


def _written(axis: Axis, key: str, size: float) -> str:
    """A width in the unit of its key, four digits."""
    dimension, rounded = description.dimension_of(axis, key), float(f"{size:.4g}")
    return units.write(rounded, dimension) if dimension else f"{rounded:.4g}"


def _band(result: Tolerance, unit: str) -> dict[str, list[str]]:
    """Table of the chosen speeds."""
    rows, mark = chosen_rows(result.high), marks(result)
    columns = {
        "speed": [show(result.speed[i], unit) for i in rows],
        "2.5 % below": [beside(result.low[i], result.median[i], unit) for i in rows],
        "median": [show(result.median[i], unit) + mark[i] for i in rows],
        "97.5 % below": [beside(result.high[i], result.median[i], unit) for i in rows],
    }
    within, limit = _within_limit(result), result.limit
    if within is None or limit is None:
        return columns
    judged = np.isfinite(limit)
    return columns | {
        "limit": [beside(limit[i], result.median[i], unit) if judged[i] else "-" for i in rows],
        "% within": [f"{100.0 * within[i]:.1f}" if judged[i] else "-" for i in rows],
    }


def _remarks(result: Tolerance) -> Iterator[str]:
    """What the tables show, and draws that were impossible."""
    yield BASIS[result.basis]
    whole = "ripple at all speeds (its logarithm)."
    if result.halved:
        whole = "worst share of the limits (of its logarithm)."
    yield f"% of variance: what each makes by itself of the {whole}"
    if result.refused:
        yield f"{result.refused} further draws were impossible axes and were drawn anew: that cuts the spreads off."


def sweep(result: Sweep, *, cautious: bool = True) -> str:
    """Table of a sweep: a row each speed, a column each combination; blocks below each other where it is too wide."""
    rows = chosen_rows(*result.values.T)
    heads, legend = _heads(result)
    columns = {head: [_cell(result, row, place) for row in rows] for place, head in enumerate(heads)}
    speeds = [show(result.speed[row], result.units["speed"]) for row in rows]
    tables = "\n".join(aligned({"speed": speeds} | part) for part in _blocks(columns, max(map(len, speeds))))
    marked = "? not reliable: see the notes.\n" if result.doubtful[rows].any() else ""
    caution = f"\n{CAUTION}" if cautious else ""
    return "".join(
        [_least(result), legend, "\n", tables, "\n" * bool(marked), marked, notes(result.reasons), caution]
    )


def _least(result: Sweep) -> str:
    """Which combination has the least ripple, and at how many of the speeds."""
    what = {"relative": "rms in % of the speed", "rms": "rms", "peak": "peak"}[result.of]
    least = np.bincount(result.values.argmin(axis=1), minlength=len(result.names))
    best = int(least.argmax())
    at = f"{least[best]} of {speed_count(len(result.speed))}"
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
