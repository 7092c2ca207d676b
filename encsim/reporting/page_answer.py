"""The first block of a page: how smoothly the axis runs, and whether it meets its requirement."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..figures import ripple as ripple_picture
from ..figures import ripple_view
from ..figures.ripple_view import prepare_ripple, range_of_speeds
from ..open_loop.causes import REGIMES
from ..wording import compared, percent, quantity, sentence
from .page_blocks import Block, Table, near, picture
from .page_speeds import reason
from .page_words import doubted, in_plain_words, in_unit, limit_name, meanings

if TYPE_CHECKING:
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import Judgement
    from ..decisions.requirements import Requirement
    from ..figures.ripple_view import RippleView
    from .page import Findings
    from .page_blocks import GlyphStore


TERMS = ("ripple", "rms", "limit", "error", "cyclic", "aliased", "counts", "vanish")
UNSTABLE = ("Make the loop stable", "as it is, it swings by itself")


def answer(results: Findings, store: GlyphStore) -> Block:
    """How smoothly the axis runs, against the requirement if there is one."""
    curve, judged = results.curve, results.judgement
    limit = drawn_limit(results.requirement, judged)
    view, plain = prepare_ripple(curve, limit), in_plain_words(curve)
    shown = picture(
        "ripple",
        results.axis,
        lambda style: ripple_picture.ripple(plain, limit=limit, style=style),
        store,
        range_of_speeds(view) if len(view.speed) > 1 else None,
    )
    if judged is None:
        question = "How smoothly does it run?"
        says = [f"{shown.title}.", "No limit was given, so there is no verdict here."]
    else:
        question, says = "Does it run smoothly enough?", [_verdict(judged)]
    if len(view.speed) > 1:
        says.append(reason(results.detail, results.axis))
    if results.smoothness is not None and results.smoothness.stable:
        says.append("Measured ripple is what the controller sees with its loop closed.")
    sometimes = {"limit": judged is not None, "aliased": "aliased" in shown.title}
    return Block(
        key="answer",
        heading=question,
        says=tuple(says),
        facts=_facts(results, view),
        words=meanings(*(term for term in TERMS if sometimes.get(term, True))),
        doubts=results.doubts,
        doubted=doubted(curve),
        pictures=(shown,),
        tables=(*(() if judged is None else (_limit_table(judged),)), _ripple_table(results, view)),
    )


def drawn_limit(requirement: Requirement | None, judged: Judgement | None) -> tuple[float, float] | None:
    """The limiting limit of measured ripple as (share of the speed, least value); None without a limit."""
    if requirement is None or judged is None:
        return None
    given = {
        "relative": (requirement.relative or 0.0, requirement.floor or 0.0),
        "measured": (0.0, requirement.measured or 0.0),
    }
    checks = [each for each in judged.limits if each.name in given]
    return given[max(checks, key=lambda each: each.share).name] if checks else None


def _verdict(judged: Judgement) -> str:
    """Yes or no, with the limiting criterion."""
    axis = judged.axis
    missed = [each for each in judged.limits if not each.met]
    binding = judged.limit(judged.binding)
    unit = judged.units[binding.name]
    where = "" if math.isnan(binding.speed) else f" at {quantity(binding.speed, judged.units['speeds'], 2)}"
    name = limit_name(binding.name, axis)
    values = f"{in_unit(binding.value, unit, other=binding.limit)} where {in_unit(binding.limit, unit)} is the limit"
    if missed:
        count = f"{len(missed)} of {len(judged.limits)} limits {'is' if len(missed) == 1 else 'are'} missed"
        return f"No, {count}. Worst is the {name}{where}: {values}."
    return f"Yes, every limit is met. Nearest to its limit is the {name}{where}: {values}."


def _facts(results: Findings, view: RippleView) -> tuple[tuple[str, str, str], ...]:
    """Three numbers: the worst, the speeds above the limit (or the largest share), the first remedy."""
    unit = view.unit
    facts: list[tuple[str, str, str]] = []
    if results.judgement is not None:
        binding = results.judgement.limit(results.judgement.binding)
        worst = percent(binding.share) if math.isfinite(binding.share) else "missed"
        where = "" if math.isnan(binding.speed) else f", at {quantity(binding.speed, unit, 2)}"
        facts.append(("Worst share of a limit", worst, f"{limit_name(binding.name, results.axis)}{where}"))
    if view.allowed is not None:
        facts.append(("Speeds above the limit", *_failing(view)))
    facts += _roughest(view, results)[: 2 - len(facts)]
    facts.append(("What to do first", *(UNSTABLE if results.unstable else _first(results.explanation, unit))))
    return tuple(facts)


def _roughest(view: RippleView, results: Findings) -> list[tuple[str, str, str]]:
    """The ripple at the speed explained in detail, and the largest, each with its share of the speed."""
    largest = int(np.argmax(np.where(view.sound, view.rms, 0.0)))
    most = _at(view, view.speed[largest], view.rms[largest])
    if view.speed[largest] == results.detail.speed:
        share = percent(view.rms[largest] / view.speed[largest])
        return [("Largest ripple, rms", *most[:2]), ("As a share of that speed", share, "")]
    size, where, share = _at(view, results.detail.speed, results.explanation.values["measured"])
    kind = (
        "Ripple where cyclic error matters most"
        if results.detail.why == "cyclic"
        else "Ripple looked at below"
    )
    return [(kind, share, f"{size} rms {where}"), ("Largest ripple, rms", most[0], f"{most[1]}, {most[2]}")]


def _at(view: RippleView, speed: float, rms: float) -> tuple[str, str, str]:
    """Ripple, speed, and share of the speed, in words."""
    share = f"{percent(rms / speed)} of the speed"
    return quantity(rms, view.unit, 2), f"at {quantity(speed, view.unit, 2)}", share


def _failing(view: RippleView) -> tuple[str, str]:
    """Speeds at which measured ripple exceeds its limit, in words."""
    ranges = ripple_view.ranges_above(view)
    if not ranges:
        return "none", "measured ripple"
    low, high = (quantity(end, view.unit, 2) for end in (ranges[0][0], ranges[-1][1]))
    several = f"in {len(ranges)} ranges" if len(ranges) > 1 else "measured ripple"
    return (low if low == high else f"{low} to {high}"), several


def _first(explanation: Explanation, unit: str) -> tuple[str, str]:
    """The remedy with the largest reduction, and the ripple before and after."""
    best = next((remedy for remedy in explanation.remedies if remedy.applies), None)
    if best is None:
        return "nothing known", "no remedy helps here"
    before, after = best.before["measured"], best.after["measured"]
    words = f"{quantity(before, unit, 2)} → {compared(after, before, unit, 2)}"
    return sentence(best.name), f"{words} at {quantity(best.speed, unit, 2)}"


def _limit_table(judged: Judgement) -> Table:
    """Every limit with its nearest value."""
    rows = tuple(
        (
            sentence(limit_name(each.name, judged.axis)),
            in_unit(each.limit, judged.units[each.name]),
            in_unit(each.value, judged.units[each.name], other=each.limit),
            "any" if math.isnan(each.speed) else quantity(each.speed, judged.units["speeds"]),
            "met" if each.met else "missed",
        )
        for each in judged.limits
    )
    return Table("Every limit", ("Limit on", "Allowed", "Reached", "At speed", "Verdict"), rows, folded=False)


def _ripple_table(results: Findings, view: RippleView) -> Table:
    """Ripple at some speeds."""
    unit, allowed = view.unit, view.allowed
    rows = tuple(
        (
            quantity(view.speed[i], unit),
            quantity(view.rms[i], unit),
            percent(view.rms[i] / view.speed[i], 3),
            *(() if allowed is None else _held(view.rms[i], allowed[i], unit)),
            REGIMES[str(view.regime[i])].cell,
        )
        for i in near(view.speed, results.table_speeds)
    )  # fmt: skip
    limit = () if allowed is None else ("Limit", "Verdict")
    return Table(
        "Numbers of this picture", ("Speed", "Ripple, rms", "Of the speed", *limit, "Largest part"), rows
    )


def _held(rms: float, allowed: float, unit: str) -> tuple[str, str]:
    return quantity(allowed, unit), "above" if rms > allowed else "within"
