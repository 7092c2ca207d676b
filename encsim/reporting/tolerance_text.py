"""Variants of an axis as text: the spread between axes of one design, a sweep of values, the file of one variant."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import units
from ..checks import one_line
from ..model import axis_text, bounds
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    Column,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    measured,
    texts,
    toned,
)
from ..spreads import description
from ..wording import axis_words, listed, percent_number, plain, share_text, show
from .text_parts import caution, chosen_rows, doubt, marks, speed_count

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..spreads.sweep import Sweep
    from ..spreads.tolerancing import Tolerance


# Longest head of a column in words; rows of the table of spreads without --long.
LONGEST_HEAD, SPREADS = 16, 6
WORDS = {"measured": "measured ripple", "relative": "ripple as a share of the speed", "actual": "actual ripple",
         "top_speed": "top speed", "phase_margin": "phase margin"}  # fmt: skip
BASIS = {
    "ripple": "Ripple: of the measured velocity, rms, in steady motion.",
    "smoothness": "Ripple: of the measured velocity, rms, with the loop closed.",
}


def tolerance(result: Tolerance, *, long: bool = False, cautious: bool = True) -> Report:
    """Report of many axes."""
    unit = result.units["speed"]
    blocks: list[ReportPart] = [
        TextTable(_sensitivity(result, None if long else SPREADS)),
        TextTable(_band(result, unit, long)),
        *(Paragraph(remark) for remark in _remarks(result, long)),
        Notes(result.reasons, DOUBT),
    ]
    return Report([*_answer(result, unit), *doubt(result, unit)], [*blocks, *caution(cautious)], long)


def of_hundred(share: float) -> str:
    """``39 of 100``, with one decimal close to 0 and to 100."""
    near = 0.0 < share < 0.005 or 0.995 <= share < 1.0
    return f"{100.0 * share:.1f} of 100" if near else f"{100.0 * share:.0f} of 100"


def _answer(result: Tolerance, unit: str) -> Iterator[str]:
    """How many axes pass, and what to tighten; without a requirement how far the axes differ."""
    drawn = f"{result.samples} drawn, seed {result.seed}"
    if result.yield_fraction is None or result.yield_interval is None:
        yield f"{_widest(result, unit)} ({drawn})."
        yield _most(result)
        return
    low, high = (100.0 * share for share in result.yield_interval)
    passed = (
        f"{of_hundred(result.yield_fraction)} axes meet the requirement (95 % confidence interval {low:.0f} to "
        f"{high:.0f}; {drawn})"
    )
    within = _within_limit(result)
    if within is not None and within.min() < 1.0:
        place = int(within.argmin())
        passed += f"; fewest at {show(result.speed[place], unit)}"
    yield toned(f"{passed}.", LIMIT) if result.yield_fraction < 1.0 else f"{passed}."
    yield from _tighten(result)
    if len(result.yield_by_limit) > 1:
        each = (
            f"{WORDS.get(name, name)} {of_hundred(share)}" for name, share in result.yield_by_limit.items()
        )
        yield f"By limit: {', '.join(each)}."


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
        return "None of the tolerances changes the ripple."
    return f"Largest contribution: {key}, {percent_number(result.sensitivity[key])} % of the variance."


def _tighten(result: Tolerance) -> Iterator[str]:
    """The tolerance to tighten, and how many axes pass then."""
    if result.yield_fraction == 1.0:
        return
    if result.tighten is None:
        yield "No single tolerance, halved, lets more axes pass: improve the nominal values."
        return
    share = of_hundred(result.halved[result.tighten])
    yield f"Tighten {result.tighten} first: halved, {share} pass."


def _sensitivity(result: Tolerance, most: int | None) -> list[Column]:
    """Table of the spreads, by their share of the variance."""
    keys = list(result.sensitivity) + [key for key in result.spread if key not in result.sensitivity]
    keys = keys[:most]
    columns = [
        texts("tolerance", keys),
        Column("of variance", [share_text(result.sensitivity.get(key, 0.0)) for key in keys], "%"),
    ]
    if result.halved:
        passed = [f"{100.0 * result.halved[key]:.1f}" if key in result.halved else "-" for key in keys]
        columns.append(Column("pass if halved", passed, "%"))
    return [*columns, texts("distribution", [_width(result, key) for key in keys])]


def _width(result: Tolerance, key: str) -> str:
    """``normal 0.01``, with the width per kelvin."""
    spread = result.spread[key]
    words = [f"{spread.kind} {_written(result.axis, key, spread.width)}"] if spread.width else []
    if spread.per_kelvin:
        words.append(f"{_written(result.axis, key, spread.per_kelvin)} per K")
    return ", ".join(words) or "-"


def _written(axis: Axis, key: str, size: float) -> str:
    """A width in the unit of its key, four digits."""
    dimension, rounded = description.dimension_of(axis, key), float(f"{size:.4g}")
    return units.write(rounded, dimension) if dimension else f"{rounded:.4g}"


def _band(result: Tolerance, unit: str, long: bool) -> list[Column]:
    """Table of the chosen speeds."""
    rows, mark = chosen_rows(result.high, long=long), marks(result)
    columns = [
        measured("speed", result.speed[rows], unit),
        measured("median", result.median[rows], unit, mark=[mark[i] for i in rows]),
        measured("97.5th percentile", result.high[rows], unit),
        measured("2.5th percentile", result.low[rows], unit),
    ]
    within, limit = _within_limit(result), result.limit
    if within is None or limit is None:
        return columns
    judged = np.isfinite(limit)
    return [
        *columns,
        measured("limit", np.where(judged, limit, np.nan)[rows], unit),
        Column("within limit", [f"{100.0 * within[i]:.1f}" if judged[i] else "-" for i in rows], "%"),
    ]


def _remarks(result: Tolerance, long: bool) -> Iterator[str]:
    """What the tables show, and draws that were impossible."""
    yield BASIS[result.basis]
    if long:
        whole = "ripple at all speeds (its logarithm)"
        if result.halved:
            whole = "largest ratio to the limits (its logarithm)"
        yield f"Variance: that of the {whole}, from each tolerance alone."
    if result.refused:
        yield f"{result.refused} impossible axes were drawn anew, which truncates the distributions."


def sweep(result: Sweep, *, long: bool = False, cautious: bool = True) -> Report:
    """Table of a sweep: a row each speed, a column each combination."""
    rows = chosen_rows(*result.values.T, long=long)
    heads, legend = _heads(result)
    speed = measured("speed", result.speed[rows], result.units["speed"])
    table = TextTable([speed, *_combinations(result, rows, heads)])
    marked = [Paragraph("? not reliable: see the notes.", DOUBT)] if result.doubtful[rows].any() else []
    blocks: list[ReportPart] = [
        *(Paragraph(line, indent="    ") for line in legend),
        table,
        *marked,
        Notes(result.reasons, DOUBT),
    ]
    # every combination was asked for
    return Report(_least(result), [*blocks, *caution(cautious)], True)


def _least(result: Sweep) -> list[str]:
    """Which combination has the least ripple, and at how many of the speeds."""
    what = {"relative": "rms in % of the speed", "rms": "rms", "peak": "peak"}[result.of]
    least = np.bincount(result.values.argmin(axis=1), minlength=len(result.names))
    best = int(least.argmax())
    at = f"{least[best]} of {speed_count(len(result.speed))}"
    return [f"Measured velocity ripple, {what}: least with {result.names[best]} at {at}."]


def _heads(result: Sweep) -> tuple[list[str], list[str]]:
    """Heads of the columns: the values where these are short, else numbers and what they stand for."""
    heads = [", ".join(one.values()) for one in result.settings]
    if max(map(len, heads)) <= LONGEST_HEAD and len(set(heads)) == len(heads):
        return heads, []
    heads = [f"({place + 1})" for place in range(len(heads))]
    return heads, [f"{head} {name}" for head, name in zip(heads, result.names, strict=True)]


def _combinations(result: Sweep, rows: list[int], heads: list[str]) -> Iterator[Column]:
    """The columns of values, all in one unit."""
    share = result.of == "relative"
    moving = result.speed[rows] != 0.0
    values = np.where(moving[:, None], result.values[rows], np.nan) if share else result.values[rows]
    largest = float(np.nanmax(np.abs(values), initial=0.0))
    for place, head in enumerate(heads):
        unsure = result.doubtful[rows, place]
        mark = [f" {toned('?', DOUBT)}" if each else "  " * bool(unsure.any()) for each in unsure]
        unit = "%" if share else result.units["values"]
        yield measured(head, values[:, place], unit, mark=mark, largest=largest)


def effective(axis: Axis, name: str, settings: list[str], others: list[str]) -> str:
    """The effective axis file: every value, with a heading that says where it comes from."""
    head = [f"# Every value of {one_line(name, 200)}, defaults written out"]
    head += [f"# with {one_line(setting, 400)}" for setting in settings]
    head += (
        [f"# Without its {listed([f'[{other}]' for other in others])}: not part of the axis"]
        if others
        else []
    )
    return "\n".join(head) + "\n\n" + axis_text.write_all(axis)


def check(name: str, axis: Axis, found: dict[str, Any], *, long: bool = False) -> Report:
    """What a check found: that nothing is wrong, what the file describes, what its jobs cost."""
    described = plain(axis_words(axis))
    blocks: list[ReportPart] = [Paragraph(f"Sections: {', '.join(found['sections'])}.")]
    if found["defaults"]:
        blocks.append(Paragraph(f"With default values: {', '.join(found['defaults'])}."))
    if found["candidates"]:
        blocks.append(Paragraph(f"encsim choose has {found['candidates']} candidates."))
    most = f"{found['samples_of_check'] / 1e6:.3g} million"
    blocks.append(
        Paragraph(
            f"Cost: {found['samples_per_second']} samples per simulated second; encsim ripple --simulate up to "
            f"{most} samples."
        )
    )
    if long:
        blocks.append(Paragraph(f"Speeds up to {show(bounds.fastest(axis), f'{axis.scale.unit}/s')}."))
        keys = [bound.keys for bound in bounds.TABLE]
        ranges = [f"{bound.low:.6g} to {bound.high:.6g} {bound.unit}" for bound in bounds.TABLE]
        columns = [Column("key", keys, left=True), Column("range", ranges, left=True)]
        blocks.append(TextTable(columns, "Bounds of an axis file:"))
    return Report([f"{name}: no faults.", f"Axis: {described}."], blocks, long)
