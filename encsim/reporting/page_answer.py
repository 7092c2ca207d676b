"""The first block of a page: how smoothly the axis runs, and whether it meets its requirement."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from ..decisions.headlines import paired, side_of
from ..figures import ripple as ripple_picture
from ..figures.ripple_view import prepare_ripple, range_of_speeds
from ..open_loop.causes import REGIMES
from ..wording import compared, percent, quantity, sentence
from .page_blocks import Block, Table, near, picture
from .page_speeds import reason
from .page_words import doubted, in_plain_words, in_unit, limit_name, meanings

if TYPE_CHECKING:
    from ..decisions.explanation import Explanation
    from ..decisions.headlines import Headline
    from ..decisions.judgements import Judgement, LimitCheck
    from ..figures.ripple_view import RippleView
    from .page import Findings
    from .page_blocks import GlyphStore


TERMS = ("ripple", "rms", "limit", "error", "cyclic", "aliased", "counts", "null speed")
UNSTABLE = ("Make the loop stable", "as it is, it swings by itself")


def answer(results: Findings, store: GlyphStore) -> Block:
    """How smoothly the axis runs, against the requirement if there is one."""
    curve, judged, limit = results.curve, results.judgement, results.requirement
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
        question, says = "Does it run smoothly enough?", [_verdict(judged, results.headline)]
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


def _worst(judged: Judgement, headline: Headline) -> LimitCheck:
    """The limiting criterion; where it is a limit on measured ripple, at the speed of the headline."""
    binding: LimitCheck = judged.limit(judged.binding)
    if binding.name not in ("measured", "relative") or not headline.limited:
        return binding
    if (headline.kind == "met") != binding.met:
        return binding  # exceeded only where the result is not reliable
    limit = headline.rms / headline.share
    return replace(binding, speed=headline.speed, value=headline.rms, limit=limit, share=headline.share)


def _verdict(judged: Judgement, headline: Headline) -> str:
    """Yes or no, with the limiting criterion."""
    axis = judged.axis
    missed = [each for each in judged.limits if not each.met]
    binding = _worst(judged, headline)
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
        binding = _worst(results.judgement, results.headline)
        worst = percent(binding.share) if math.isfinite(binding.share) else "missed"
        where = "" if math.isnan(binding.speed) else f", at {quantity(binding.speed, unit, 2)}"
        facts.append(("Worst share of a limit", worst, f"{limit_name(binding.name, results.axis)}{where}"))
    if view.allowed is not None:
        facts.append(("Speeds above the limit", *_failing(results.headline, unit)))
    facts += _shares(view, results.headline)[: 2 - len(facts)]
    facts.append(("What to do first", *(UNSTABLE if results.unstable else _first(results.explanation, unit))))
    return tuple(facts)


def _shares(view: RippleView, headline: Headline) -> list[tuple[str, str, str]]:
    """The ripple as a share of the speed where that is large, and its size there."""
    if headline.kind == "none":
        return [("Ripple", "none", "")]
    size, at = quantity(headline.rms, view.unit, 2), f"at {quantity(headline.speed, view.unit, 2)}"
    share, where = percent(headline.rms / headline.speed), at
    if headline.kind in ("range", "threshold"):
        low, high = (quantity(end, view.unit, 2) for end in headline.ranges[0])
        least, most = map(percent, headline.shares)
        share, where = paired(least, most, "to"), f"between {paired(low, high, 'and')}"
        if headline.kind == "threshold":
            share, where = f"above {most}", f"only {side_of(headline, low, high)}"
    return [("Ripple as a share of the speed", share, where), ("Ripple, rms", size, at)]


def _failing(headline: Headline, unit: str) -> tuple[str, str]:
    """Speeds at which measured ripple exceeds its limit, in words."""
    ranges = headline.ranges
    if not ranges:
        return "none", "measured ripple"
    low, high = (quantity(end, unit, 2) for end in (ranges[0][0], ranges[-1][1]))
    several = f"in {len(ranges)} ranges" if len(ranges) > 1 else "measured ripple"
    return (low if low == high else paired(low, high, "to")), several


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
    if math.isinf(allowed):
        return "none", ""
    return quantity(allowed, unit), "above" if rms > allowed else "within"
