"""Limits kept or missed as text: proposed gains with what limits them, an axis compared with a requirement."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, cast

from ..closed_loop.timed_edge_loops import LEAST_MARGIN
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    measured,
    texts,
    toned,
)
from ..wording import force, show
from . import decision_text, loop_text
from .text_parts import at_speed, caution

if TYPE_CHECKING:
    from ..decisions.judgements import Judgement
    from ..doubts import Doubt
    from ..gains.tuner import Tuning
    from ..model.axis import Axis


LIMITS = {
    "phase_margin": "phase margin",
    "sensitivity_peak": "sensitivity peak",
    "torque_ripple": "{force} ripple",
}
GAINS = {
    "position_gain": ("position gain", {"m": "1/s", "rad": "1/s"}),
    "velocity_gain": ("velocity gain", {"m": "N s/m", "rad": "N m s/rad"}),
    "integral_time": ("integral time", {"m": "s", "rad": "s"}),
}


def tuning(result: Tuning, present: Axis | None = None, *, long: bool = False) -> Report:
    """Report of proposed gains, beside those of an axis with the present ones where it is given."""
    axis = result.axis
    gains = TextTable(
        [
            texts("gain", [words for words, _ in GAINS.values()]),
            texts("present", [] if present is None else [_gain(present, name) for name in GAINS]),
            texts("proposed", [_gain(axis, name) for name in GAINS]),
        ]
    )
    blocks: list[ReportPart] = [gains, _reached(result, axis)]
    blocks += [Paragraph(line) for line in _working(result)]
    blocks += [*_allowed(result), Notes(_doubts(result, axis), DOUBT)]
    return Report(
        [_limiting(result, axis), loop_text.stability(result.margins)],
        [*blocks, *caution(full=result.cautions)],
        long,
    )


def _gain(axis: Axis, name: str) -> str:
    value = getattr(axis.control, name)
    return "none" if value is None else show(value, GAINS[name][1][axis.scale.unit])


def _limit_words(name: str, axis: Axis) -> str:
    return LIMITS[name].format(force=force(axis))


def _limiting(result: Tuning, axis: Axis) -> str:
    """The limiting criterion, as a sentence."""
    if not result.binding:
        return "Proposed gains: limited by the loop rate alone."
    names = " and ".join(_limit_words(name, axis) for name in result.binding)
    return f"Proposed gains: limited by {names}."


def _reached(result: Tuning, axis: Axis) -> TextTable:
    """The limits beside the values reached."""
    unit = result.units["torque_ripple"]
    write = {
        "phase_margin": lambda value: f"{value:.1f} deg",
        "sensitivity_peak": lambda value: f"{value:.3f}",
        "torque_ripple": lambda value: f"{show(value, unit)} rms",
    }
    where = {"torque_ripple": f" {at_speed(abs(result.ripple_speed), result.units['ripple_speed'])}"}
    reached = {
        "phase_margin": abs(result.margins.phase_margin),
        "sensitivity_peak": result.margins.sensitivity_peak,
        "torque_ripple": result.torque_ripple,
    }
    words = {"phase_margin": "at least", "sensitivity_peak": "at most", "torque_ripple": "at most"}
    asked = {
        name: "no limit" if limit is None else f"{words[name]} {write[name](limit)}"
        for name, limit in ((name, result.limits[name]) for name in LIMITS)
    }
    return TextTable(
        [
            texts("criterion", [_limit_words(name, axis) for name in LIMITS]),
            texts("limit", asked.values()),
            texts("reached", [f"{write[name](reached[name])}{where.get(name, '')}" for name in LIMITS]),
            texts("", ["limiting" if name in result.binding else "" for name in LIMITS]),
        ]
    )


def _working(result: Tuning) -> Iterator[str]:
    """The speeds at which gains for timed edges hold."""
    if result.stable_from is None or result.margin_from is None:
        return
    here, margin, stable = (
        show(value, result.units["speed"]) for value in (result.speed, result.margin_from, result.stable_from)
    )
    asked = result.limits["phase_margin"]
    least = LEAST_MARGIN if asked is None else min(LEAST_MARGIN, asked)
    yield (
        f"Period measurement: all values hold at {here}; the delay is longer at lower speed. The phase margin is "
        f"{least:.3g} deg or more down to {margin}; the loop is stable down to {stable}."
    )


def _allowed(result: Tuning) -> list[ReportPart]:
    """Changes of the encoder, estimator, loop rate or drive that allow higher gains."""
    # With timed edges finer counts shorten the delay, so only "quieter" is true there.
    blocks: list[ReportPart] = []
    if result.remedies:
        blocks.append(
            TextTable(
                [
                    texts("change that allows higher gains", [each.name for each in result.remedies]),
                    measured("stiffness, times", [each.stiffness for each in result.remedies], "1"),
                    measured("crossover", [each.crossover for each in result.remedies], "Hz"),
                ],
            )
        )
    else:
        blocks.append(Paragraph("No single change that was tried allows clearly higher gains."))
    better = "better" if result.axis.estimator.linear else "quieter"
    if result.limits["torque_ripple"] is None:
        blocks.append(
            Paragraph(
                f"A {better} encoder allows no higher gains: no ripple limit was given (--torque-ripple)."
            )
        )
    elif "torque_ripple" not in result.binding:
        blocks.append(
            Paragraph(f"A {better} encoder allows no higher gains: ripple is not the limiting criterion.")
        )
    return blocks


def _doubts(result: Tuning, axis: Axis) -> Iterator[str]:
    """Why the values are not reliable; doubts about the ripple name the force or torque of this axis."""
    for doubt in cast("tuple[Doubt, ...]", result.reasons):
        yield doubt.about(f"{force(axis)} ripple") if doubt.subject else doubt


def judgement(result: Judgement, *, long: bool = False) -> Report:
    """Report of an axis compared with a requirement: the verdict, then limit by limit."""
    least, units = result.limit(result.binding), result.units
    words = "Meets every limit" if result.met else "Does not meet the requirement"
    verdict = f"{words}. Limited by {decision_text.check_words(least, units)}."
    rows = sorted(result.limits, key=lambda each: -each.share)
    table = TextTable(
        [
            texts("limit", [decision_text.NAMES[each.name] for each in rows]),
            texts("value", [decision_text.reached(each, units) for each in rows]),
            texts("allowed", [decision_text.amount(each.limit, units[each.name]) for each in rows]),
            texts("met", ["yes" if each.met else toned("no", LIMIT) for each in rows]),
            texts(
                "at",
                ["-" if math.isnan(each.speed) else show(each.speed, units["top_speed"]) for each in rows],
            ),
        ]
    )
    return Report(
        [verdict if result.met else toned(verdict, LIMIT)], [table, Notes(result.reasons, DOUBT)], long
    )
