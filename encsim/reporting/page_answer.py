"""The first block of a page: how smoothly the axis runs, against what is asked of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..figures import ripple as ripple_picture
from ..figures import ripple_view
from ..figures.ripple_view import range_of_speeds, view_of
from ..open_loop.causes import REGIMES
from ..wording import compared, percent, quantity, sentence
from . import page_words
from .page_blocks import Block, Table, near, picture
from .page_words import doubted, in_plain_words, in_unit, limit_name, meanings

if TYPE_CHECKING:
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import Judgement
    from ..decisions.requirements import Requirement
    from ..figures.ripple_view import RippleView
    from .page import Findings
    from .page_blocks import Picture
    from .page_svg import GlyphStore


UNSTABLE = ("Make the loop stable", "as it is, it swings by itself")


def answer(found: Findings, shelf: GlyphStore) -> Block:
    """How smoothly the axis runs, against the requirement if there is one."""
    curve, judged = found.curve, found.judgement
    limit = drawn_limit(found.requirement, judged)
    view, told = view_of(curve, limit), in_plain_words(curve)
    shown = picture(
        "ripple",
        found.axis,
        lambda style: ripple_picture.ripple(told, limit=limit, style=style),
        shelf,
        range_of_speeds(view) if len(view.speed) > 1 else None,
    )
    asked = judged is not None
    says = (
        [_verdict(judged)]
        if asked
        else [f"{shown.title}.", "No limit was given, so there is no verdict here."]
    )
    if len(view.speed) > 1:
        says.append(page_words.reason(found.closer, found.axis))
    if found.own_loop and found.smoothness.stable:
        says.append("Measured ripple is what the controller sees with its loop closed.")
    return Block(
        key="answer",
        heading="Does it run smoothly enough?" if asked else "How smoothly does it run?",
        says=tuple(says),
        facts=_facts(found, view),
        words=meanings(
            "ripple",
            "rms",
            *(("limit",) if asked else ()),
            "error",
            "cyclic",
            *_aliased(shown),
            "counts",
            "vanish",
        ),
        doubts=found.doubts,
        doubted=doubted(found.curve),
        pictures=(shown,),
        tables=(*((_limit_table(judged),) if asked else ()), _ripple_table(found, view)),
    )


def _aliased(shown: Picture) -> tuple[str, ...]:
    """The word, where the picture's title has it."""
    return ("aliased",) if "aliased" in shown.title else ()


def drawn_limit(requirement: Requirement | None, judged: Judgement | None) -> tuple[float, float] | None:
    """The limit of measured ripple as (share of the speed, least value), the one that binds; None without."""
    if requirement is None:
        return None
    given = {
        "relative": (requirement.relative or 0.0, requirement.floor or 0.0),
        "measured": (0.0, requirement.measured or 0.0),
    }
    checks = [each for each in judged.limits if each.name in given]
    return given[max(checks, key=lambda each: each.share).name] if checks else None


def _verdict(judged: Judgement) -> str:
    """Yes or no, with the limit that comes nearest."""
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


def _facts(
    found: Findings, view: RippleView
) -> tuple[tuple[str, str, str], tuple[str, str, str], tuple[str, str, str]]:
    """Three numbers: the worst, the speeds that fail (or the largest share), what to do first."""
    unit, facts = view.unit, []
    if found.judgement is not None:
        binding = found.judgement.limit(found.judgement.binding)
        worst = percent(binding.share) if math.isfinite(binding.share) else "missed"
        where = "" if math.isnan(binding.speed) else f", at {quantity(binding.speed, unit, 2)}"
        facts.append(("Worst share of a limit", worst, f"{limit_name(binding.name, view.curve.axis)}{where}"))
    if view.allowed is not None:
        facts.append(("Speeds above the limit", *_failing(view)))
    facts += _roughest(view, found)[: 2 - len(facts)]
    facts.append(("What to do first", *(UNSTABLE if found.unstable else _first(found.explanation, unit))))
    return tuple(facts)


def _roughest(view: RippleView, found: Findings) -> list[tuple[str, str, str]]:
    """The ripple where it is looked at closely, and the largest, each with its share of the speed."""
    largest = int(np.argmax(np.where(view.sound, view.rms, 0.0)))
    most = _at(view, view.speed[largest], view.rms[largest])
    if view.speed[largest] == found.closer.speed:
        share = percent(view.rms[largest] / view.speed[largest])
        return [("Largest ripple, rms", *most[:2]), ("As a share of that speed", share, "")]
    size, where, share = _at(view, found.closer.speed, found.explanation.values["measured"])
    kind = (
        "Ripple where cyclic error matters most" if found.closer.why == "cyclic" else "Ripple looked at below"
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
    """The remedy that wins most, and what it does."""
    best = next((one for one in explanation.remedies if one.applies), None)
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


def _ripple_table(found: Findings, view: RippleView) -> Table:
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
        for i in near(view.speed, found.table_speeds)
    )  # fmt: skip
    limit = () if allowed is None else ("Limit", "Verdict")
    return Table(
        "Numbers of this picture", ("Speed", "Ripple, rms", "Of the speed", *limit, "Largest part"), rows
    )


def _held(rms: float, allowed: float, unit: str) -> tuple[str, str]:
    return quantity(allowed, unit), "above" if rms > allowed else "within"
