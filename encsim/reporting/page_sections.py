"""Further blocks of a page: error of a signal period, speed slider, closed loop, ring, remedies, reliability."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..decisions.explanation_words import unit_of
from ..decisions.headlines import times
from ..decisions.remedies import EFFORTS
from ..decisions.ripple_summary import CURVES
from ..figures import channels as channels_picture
from ..figures import loop as loop_picture
from ..figures import margins as margins_picture
from ..figures import period as period_picture
from ..figures import remedies as remedies_picture
from ..figures import ring as ring_picture
from ..figures import tolerance as tolerance_picture
from ..figures.period import causes_of, half_range, shown_lines
from ..open_loop.causes import CAUSES
from ..wording import compared, percent, quantity, sentence
from .loop_text import sentences
from .page_blocks import Block, Picture, Table, near, picture
from .page_words import (
    curve_heads,
    doubted,
    in_plain_words,
    in_unit,
    listing,
    not_covered,
    plain_doubts,
    say,
    several,
    told,
    within,
)

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.explanation import Explanation
    from ..decisions.remedies import Step
    from ..open_loop.period_error import PeriodError
    from ..presentation.inline_svg import LookStore
    from ..rings.budget import Budget
    from .page_blocks import Findings


# Contributions below this share of the square are left out.
LEAST_SHARE = 1e-5
# Remedies of the table.
REMEDIES = 12


def source(results: Findings, store: LookStore) -> Block:
    """The causes at the speed that the page looks at, and what each remedy leaves."""
    axis, explanation = results.axis, results.explanation
    shown = picture(
        "remedies",
        axis,
        lambda style: remedies_picture.remedies(explanation, limit=results.requirement, style=style),
        store,
    )
    return Block(
        key="source",
        heading=say("source.heading"),
        says=(f"{shown.title}.",),
        doubts=plain_doubts(explanation.reasons),
        pictures=(shown,),
        tables=(_cause_table(explanation),),
    )


def signal(results: Findings, store: LookStore) -> Block:
    """The position error within a signal period."""
    error, axis, plain = results.error, results.axis, in_plain_words(results.error)
    unit, reach = axis.scale.unit, half_range(error)
    size, pitch = quantity(reach, unit, 2), quantity(axis.scale.pitch, unit, strip=True)
    return Block(
        key="signal",
        heading=say("signal.heading"),
        says=(say("signal.wrong", size=size, pitch=pitch) if reach else say("signal.right"),),
        doubts=plain_doubts(error.reasons),
        pictures=(
            picture("period", axis, lambda style: period_picture.period_error(plain, style=style), store),
            picture("channels", axis, lambda style: channels_picture.channels(plain, style=style), store),
        ),
        tables=(_line_table(error),),
    )


def _line_table(error: PeriodError) -> Table:
    """Harmonics of the error with their causes."""
    unit = error.axis.scale.unit
    rows = tuple(
        (
            say("signal.harmonic", number=error.harmonic[i]),
            quantity(error.amplitude[i], unit),
            ", ".join(map(told, causes_of(error, error.harmonic[i]))) or say("signal.several"),
        )
        for i in shown_lines(error)
    )
    return Table(say("signal.harmonics"), several("signal.harmonic_heads"), rows)


def loop(results: Findings, store: LookStore) -> Block | None:
    """Motion of the machine with its loop closed, and the margins; None without a loop."""
    smooth, margins = results.smoothness, results.margins
    if smooth is None or margins is None:
        return None
    plain = in_plain_words(smooth)
    shown = picture("loop", results.axis, lambda style: loop_picture.smoothness(plain, style=style), store)
    return Block(
        key="loop",
        heading=say("loop.heading"),
        says=(f"{shown.title}.",),
        doubts=plain_doubts([*within(smooth, results.asked), *margins.reasons]),
        doubted=doubted(smooth),
        pictures=(shown,),
        tables=(_smoothness_table(smooth, results.table_speeds),) if smooth.stable else (),
        more=_margins(margins, smooth, store),
    )


def _margins(margins: Margins, smooth: Smoothness, store: LookStore) -> Block:
    """The margins of the loop."""
    axis = smooth.axis
    shown: tuple[Picture, ...] = ()
    if len(margins.frequency):
        shown = (
            picture("margins", axis, lambda style: margins_picture.margins(margins, style=style), store),
        )
    says = tuple(map(told, sentences(margins)))
    if not axis.estimator.linear:
        says += (say("loop.slowest", speed=quantity(smooth.speed[0], f"{axis.scale.unit}/s")),)
    return Block("margins", say("loop.margins"), says=says, pictures=shown)


def _smoothness_table(smooth: Smoothness, wanted: np.ndarray) -> Table:
    axis = smooth.axis
    rows = tuple(
        (
            quantity(smooth.speed[i], f"{axis.scale.unit}/s"),
            *(quantity(getattr(smooth, name)[i], unit_of(axis, name)) for name in CURVES),
        )
        for i in near(smooth.speed, wanted)
    )
    return Table(say("loop.table"), (say("loop.speed"), *curve_heads(axis)), rows)


def ring(results: Findings, store: LookStore) -> Block | None:
    """The errors that the mounting of the ring adds, and the budget of the angle; None without a ring."""
    ring, curve, budget = results.axis.ring, results.ring_curve, results.ring_budget
    if ring is None or curve is None or budget is None:
        return None
    if not curve.peak:
        return Block("ring", say("ring.heading"), says=(say("ring.nothing"),))
    shown = picture("ring", results.axis, lambda style: ring_picture.ring(curve, style=style), store)
    says = [
        say("ring.wrong", size=quantity(curve.peak, "rad", 2), arc=quantity(curve.arc, "m", 2)),
        _budget_words(budget),
        *([say("ring.map")] if len(ring.compensation) else []),
    ]
    return Block(
        key="ring",
        heading=say("ring.heading"),
        says=tuple(says),
        doubts=plain_doubts(curve.reasons),
        pictures=(shown,),
        tables=(_budget_table(budget),),
    )


def _budget_words(budget: Budget) -> str:
    """The expanded uncertainty, where it is reliable, and the worst case."""
    return say(
        "ring.expanded" if budget.valid else "ring.worst",
        share=percent(budget.probability, 2, strip=True),
        size=quantity(budget.expanded, "rad", 2),
        worst=quantity(budget.worst, "rad", 2),
    )


def _budget_table(budget: Budget) -> Table:
    """The largest contributions, and all together."""
    kept = [i for i in range(len(budget.name)) if budget.share[i] >= LEAST_SHARE] or [0]
    rows = [
        (
            _contribution(budget, i),
            quantity(budget.peak[i], "rad"),
            quantity(budget.standard[i], "rad"),
            percent(budget.share[i]),
        )
        for i in kept
    ]
    if len(rows) > 1:
        total = quantity(budget.worst, "rad"), quantity(budget.combined, "rad"), percent(1.0)
        rows.append((say("ring.all"), *total))
    return Table(say("ring.table"), several("ring.heads"), tuple(rows), folded=False)


def _contribution(budget: Budget, index: int) -> str:
    """Cause of a contribution, and its order."""
    cause, order = told(sentence(budget.name[index].partition(",")[0])), budget.order[index]
    return cause if order is None else say("ring.order", cause=cause, order=order)


def reliability(results: Findings, store: LookStore) -> Block:
    """How reliable the page is: the spread between axes, and what the prediction leaves out."""
    says = [say("sure.computed")]
    shown: tuple[Picture, ...] = ()
    spread = results.tolerance
    if spread is not None:
        drawn = picture(
            "tolerance", results.axis, lambda style: tolerance_picture.tolerance(spread, style=style), store
        )
        shown = (drawn,)
        says.insert(0, f"{drawn.title}.")
    return Block(
        key="sure",
        heading=say("sure.heading"),
        says=(*says, say("sure.beyond")),
        doubts=() if spread is None else plain_doubts(spread.reasons),
        pictures=shown,
        points=not_covered(results.axis, results.smoothness is not None),
    )


def remedies(results: Findings) -> Block:
    """The ladder of measures, at the speed that the page explains in detail."""
    explanation, steps = results.explanation, results.ladder
    useless = [told(one.name) for one in explanation.remedies if one.effect == "none" and one.change]
    says = [_what_helps(results)]
    if useless:
        says.append(say("help.useless", measures="; ".join(useless)))
    assumed = [told(one.assumed) for step in steps for one in step.measures if one.assumed]
    if assumed:
        says.append(say("help.assumed", assumed="; ".join(dict.fromkeys(assumed))))
    return Block(
        key="help",
        heading=say("help.heading"),
        says=tuple(says),
        tables=(*((_ladder_table(results),) if len(steps) > 1 else ()), _remedy_table(explanation)),
    )


def _what_helps(results: Findings) -> str:
    """Which measures meet the limits, or what they leave of the ripple."""
    axis, (now, *steps) = results.axis, results.ladder
    at = quantity(results.explanation.speed, f"{axis.scale.unit}/s", strip=True)
    if now.met:
        return say("help.met_further" if steps else "help.met", speed=at)
    if not steps:
        return say("help.nothing", speed=at)
    enough = next((step for step in steps if step.met), None)
    last = enough or [step for step in steps if not step.instead][-1]
    names = listing([told(one.name) for one in last.measures])
    if enough is not None:
        count = len(enough.measures)
        return say("help.enough_one" if count == 1 else "help.enough_many", count=count, measures=names)
    names = sentence(names)
    if last.judgement is None and last.remedy is not None:
        before, after = last.remedy.before["measured"], last.remedy.after["measured"]
        unit = f"{axis.scale.unit}/s"
        now_words, then = quantity(before, unit), compared(after, before, unit)
        return say("help.falls", measures=names, speed=at, now=now_words, after=then)
    return say("help.not_enough", measures=names, limits=_limits_words(last))


def _ladder_table(results: Findings) -> Table:
    """Each step with its limits, the share of speeds and of axes that pass, ripple, effort and side effects."""
    steps = results.ladder
    unit = f"{results.axis.scale.unit}/s"
    at = quantity(results.explanation.speed, unit, strip=True)
    now = results.explanation.values["measured"]
    columns: dict[str, list[str]] = {say("help.step"): [_step_name(step) for step in steps]}
    if steps[0].judgement is not None:
        columns[say("help.limits")] = [_limits_words(step) for step in steps]
        if not math.isnan(steps[0].passing):
            columns[say("help.speeds")] = [_passing(step) for step in steps]
    if results.yields:
        shares = ["–" if share is None else percent(share) for share in results.yields]
        columns[say("help.axes")] = shares
    after = [step.remedy.after["measured"] if step.remedy else now for step in steps]
    columns[say("help.ripple", speed=at)] = [compared(value, now, unit) for value in after]
    columns[say("help.effort")] = [_effort(step) for step in steps]
    columns[say("help.effects")] = _side_effects(steps)
    rows = tuple(zip(*columns.values(), strict=True))
    return Table(say("help.table"), tuple(columns), rows, folded=False, kind="ladder")


def _step_name(step: Step) -> str:
    """What a step adds to the one before it."""
    if not step.measures:
        return say("help.now")
    count, added = len(step.measures), told(step.measures[-1].name)
    if step.instead:
        return say("help.instead", measure=added)
    return say(
        "help.first" if count == 1 else "help.also",
        number=count,
        measure=sentence(added) if count == 1 else added,
    )


def _limits_words(step: Step) -> str:
    """Whether a step meets the limits, and by how much the worst is missed."""
    judged = step.judgement
    if judged is None or judged.met:
        return say("help.all_met")
    worst = judged.limit(judged.binding)
    return say(
        "help.missed" if math.isnan(worst.speed) else "help.missed_at",
        count=sum(not each.met for each in judged.limits),
        all=len(judged.limits),
        size=told(times(worst.share)) if math.isfinite(worst.share) else say("help.beyond"),
        speed=quantity(worst.speed, judged.units["speeds"], 2, strip=True),
    )


def _passing(step: Step) -> str:
    """Share of speeds that pass; never all where one fails."""
    share = percent(step.passing)
    if step.passing < 1.0 and share == percent(1.0):
        return say("help.nearly_all", share=percent(0.99))
    return share


def _effort(step: Step) -> str:
    if not step.measures:
        return "–"
    effort = EFFORTS.get(step.measures[-1].kind)
    return say("help.setting") if effort is None else told(sentence(effort))


def _side_effects(steps: tuple[Step, ...]) -> list[str]:
    """Side effects of each step that the one before it did not have."""
    known: tuple[str, ...] = ()
    words = []
    for step in steps:
        effects = step.remedy.side_effects if step.remedy else ()
        new = [effect for effect in effects if effect not in known]
        none = say("help.no_further" if known and not step.instead else "help.no_effects")
        words.append("–" if step.remedy is None else sentence("; ".join(map(told, new))) or none)
        known = effects
    return words


def _curves(explanation: Explanation) -> tuple[str, ...]:
    """Curves that this axis has."""
    return tuple(name for name in CURVES if explanation.values[name] is not None)


def _heads(explanation: Explanation) -> tuple[str, ...]:
    heads = dict(zip(CURVES, curve_heads(explanation.axis), strict=True))
    return tuple(heads[name] for name in _curves(explanation))


def _sizes(explanation: Explanation, values: dict[str, float]) -> tuple[str, ...]:
    """Values of the curves, each in the unit of its present value."""
    axis, now = explanation.axis, explanation.values
    return tuple(in_unit(values[name], unit_of(axis, name), other=now[name]) for name in _curves(explanation))


def _cause_table(explanation: Explanation) -> Table:
    rows = tuple(
        (
            told(sentence(CAUSES[cause.cause].plain)),
            percent(cause.share),
            *_sizes(explanation, {name: getattr(cause, name) for name in CURVES}),
        )
        for cause in explanation.causes
    )
    return Table(say("source.causes"), (*several("source.cause_heads"), *_heads(explanation)), rows)


def _remedy_table(explanation: Explanation) -> Table:
    rows = []
    for remedy in [remedy for remedy in explanation.remedies if remedy.applies][:REMEDIES]:
        assumed = [say("help.assumed_too", assumed=told(remedy.assumed))] if remedy.assumed else []
        effects = sentence("; ".join([*map(told, remedy.side_effects), *assumed])) or say("help.no_effects")
        rows.append((told(sentence(remedy.name)), *_sizes(explanation, remedy.after), effects))
    dashes = ("–",) * len(_curves(explanation))
    for remedy in explanation.remedies:
        if not remedy.applies:
            # what does not fit is told by names of the axis file, which a customer does not know
            fits = remedy.effect != "impossible"
            why = told(sentence(remedy.reason)) if fits else say("help.impossible")
            rows.append((told(sentence(remedy.name)), *dashes, why))
    head = (say("help.remedy"), *_heads(explanation), say("help.reasons"))
    return Table(say("help.every"), head, tuple(rows))
