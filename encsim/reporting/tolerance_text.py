"""Many axes of one design as text for people: how many pass, what to tighten, the band of ripple, notes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from .. import units, wording
from ..spreads import description
from ..wording import aligned, beside, percent_number, show
from . import axis_tables

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..spreads.tolerancing import Tolerance


WORDS = {"measured": "measured ripple", "relative": "ripple as a share of the speed", "actual": "true ripple",
         "top_speed": "top speed", "phase_margin": "phase margin"}  # fmt: skip
BASIS = {
    "ripple": "Ripple is that of the measured velocity, rms, in steady motion.",
    "smoothness": "Ripple is that of the measured velocity, rms, with the loop closed.",
}


def tolerance(result: Tolerance, *, cautious: bool = True) -> str:
    """Report of many axes.

    Parameters
    ----------
    result : Tolerance
    cautious : bool
        End with the caution.

    Returns
    -------
    str
    """
    unit = result.units["speed"]
    parts = [
        _answer(result, unit),
        axis_tables.doubt(result, unit),
        "\n",
        aligned(_sensitivity(result)),
        "\n",
        aligned(_band(result, unit)),
        "\n",
        *(f"{line}\n" for line in _notes(result)),
    ]
    return "".join([*parts, axis_tables.CAUTION if cautious else ""])


def of_hundred(share: float) -> str:
    """``39 of 100``, with a decimal where all or none is not quite so."""
    near = 0.0 < share < 0.005 or 0.995 <= share < 1.0
    return f"{100.0 * share:.1f} of 100" if near else f"{100.0 * share:.0f} of 100"


def _answer(result: Tolerance, unit: str) -> str:
    """How many pass, and what to tighten; without a requirement how far the axes differ."""
    drawn = f"{result.samples} drawn, seed {result.seed}"
    if result.yield_fraction is None:
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
    if np.isfinite(result.limit).any():
        place = int(np.argmin(result.yield_by_speed))
        if result.yield_by_speed[place] < 1.0:
            share = of_hundred(result.yield_by_speed[place])
            lines.append(f"Fewest are within the limit at {show(result.speed[place], unit)}: {share}.\n")
    return "".join(lines) + _tighten(result)


def _widest(result: Tolerance, unit: str) -> str:
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.where(result.low > 0.0, result.high / result.low, 1.0)
    place = int(np.argmax(apart))
    low, high = show(result.low[place], unit), show(result.high[place], unit)
    return (
        f"Axes differ most at {show(result.speed[place], unit)}: 95 of 100 have {low} to {high} rms of ripple"
    )


def _most(result: Tolerance) -> str:
    """What the spread of the ripple comes from."""
    key = result.tighten
    if key is None:
        return "None of the spreads makes the ripple vary.\n"
    return f"Most of it comes from {key}: {percent_number(result.sensitivity[key])} % of the variance.\n"


def _tighten(result: Tolerance) -> str:
    """Which tolerance to tighten, and what that brings."""
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
        "% of variance": [wording.share_text(result.sensitivity.get(key, 0.0)) for key in keys],
    }
    if result.halved:
        columns["halved, % pass"] = [
            f"{100.0 * result.halved[key]:.1f}" if key in result.halved else "-" for key in keys
        ]
    return columns


def _width(result: Tolerance, key: str) -> str:
    """``normal 0.01`` and what a kelvin adds."""
    one = result.spread[key]
    words = [f"{one.kind} {_written(result.axis, key, one.width)}"] if one.width else []
    if one.per_kelvin:
        words.append(f"{_written(result.axis, key, one.per_kelvin)} a kelvin")
    return ", ".join(words) or "-"


def _written(axis: Axis, key: str, size: float) -> str:
    """A width in the unit of its key, four digits."""
    dimension, rounded = description.dimension_of(axis, key), float(f"{size:.4g}")
    return units.write(rounded, dimension) if dimension else f"{rounded:.4g}"


def _band(result: Tolerance, unit: str) -> dict[str, list[str]]:
    """Table of the chosen speeds."""
    rows, mark = axis_tables.chosen(result.high), axis_tables.marks(result)
    columns = {
        "speed": [show(result.speed[i], unit) for i in rows],
        "2.5 % below": [beside(result.low[i], result.median[i], unit) for i in rows],
        "median": [show(result.median[i], unit) + mark[i] for i in rows],
        "97.5 % below": [beside(result.high[i], result.median[i], unit) for i in rows],
    }
    if result.limit is None or not np.isfinite(result.limit).any():
        return columns
    judged = np.isfinite(result.limit)
    return columns | {
        "limit": [beside(result.limit[i], result.median[i], unit) if judged[i] else "-" for i in rows],
        "% within": [f"{100.0 * result.yield_by_speed[i]:.1f}" if judged[i] else "-" for i in rows],
    }


def _notes(result: Tolerance) -> Iterator[str]:
    """Lines below the tables."""
    yield BASIS[result.basis]
    yield "% of variance: what each makes by itself of the " + (
        "worst share of the limits (of its logarithm)."
        if result.halved
        else "ripple at all speeds (its logarithm)."
    )
    if result.refused:
        yield f"{result.refused} further draws were impossible axes and were drawn anew: that cuts the spreads off."
    yield from (f"Note: {reason}" for reason in result.reasons)
