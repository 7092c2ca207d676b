"""Further blocks of a page: error of a signal period, speed slider, closed loop, ring, remedies, reliability."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

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
from ..wording import compared, listed, percent, quantity, sentence
from .loop_text import sentences
from .page_blocks import Block, Picture, Table, near, picture
from .page_words import curve_heads, doubted, in_plain_words, in_unit, not_covered, plain_doubts, within

if TYPE_CHECKING:
    import numpy as np

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.explanation import Explanation
    from ..decisions.remedies import Step
    from ..open_loop.period_error import PeriodError
    from ..plotting.inline_svg import LookStore
    from ..rings.budget import Budget
    from .page_blocks import Findings


# Contributions below this share of the square are left out.
LEAST_SHARE = 1e-5
# Remedies of the table.
REMEDIES = 12


def source(results: Findings, store: LookStore) -> Block:
    """The position error within a signal period."""
    error = results.error
    unit = error.axis.scale.unit
    reach, pitch = half_range(error), quantity(error.axis.scale.pitch, unit, strip=True)
    size = quantity(reach, unit, 2)
    says = (
        f"The encoder's signals are not perfect: the position is wrong by ±{size}, again in every {pitch}."
        if reach
        else "Within a signal period the encoder makes no error."
    )
    plain, axis, explanation = in_plain_words(error), results.axis, results.explanation
    pictures = (
        picture(
            "remedies",
            axis,
            lambda style: remedies_picture.remedies(explanation, limit=results.requirement, style=style),
            store,
        ),
        picture("period", axis, lambda style: period_picture.period_error(plain, style=style), store),
        picture("channels", axis, lambda style: channels_picture.channels(plain, style=style), store),
    )
    return Block(
        key="source",
        heading="Where does it come from?",
        says=(says,),
        doubts=plain_doubts([*explanation.reasons, *error.reasons]),
        pictures=pictures,
        tables=(_cause_table(explanation), _line_table(error)),
    )


def _line_table(error: PeriodError) -> Table:
    """Harmonics of the error with their causes."""
    unit = error.axis.scale.unit
    rows = tuple(
        (
            f"{error.harmonic[i]} per period",
            quantity(error.amplitude[i], unit),
            ", ".join(causes_of(error, error.harmonic[i])) or "several together",
        )
        for i in shown_lines(error)
    )
    return Table("Every harmonic of the error", ("Harmonic", "Amplitude", "From"), rows)


def all_speeds(results: Findings) -> Block:
    """The numbers of every speed of the slider."""
    unit = f"{results.axis.scale.unit}/s"
    rows = tuple(
        (
            frame.name,
            quantity(frame.rms, unit),
            percent(frame.rms / frame.speed, 3),
            "; ".join(frame.line_words) or "none",
        )
        for frame in results.slider.frames
    )
    return Block(
        key="why",
        heading="All speeds",
        says=(
            "The controller samples the position. A fast error wave, sampled too seldom, looks like a slow one: it is "
            "aliased.",
        ),
        doubts=plain_doubts(results.slider.reasons),
        tables=(
            Table("Every speed of the slider", ("Speed", "Ripple, rms", "Of the speed", "Harmonics"), rows),
        ),
    )


def loop(results: Findings, store: LookStore) -> Block | None:
    """Motion of the machine with its loop closed, and the margins; None without a loop."""
    smooth, margins = results.smoothness, results.margins
    if smooth is None or margins is None:
        return None
    plain = in_plain_words(smooth)
    shown = picture("loop", results.axis, lambda style: loop_picture.smoothness(plain, style=style), store)
    return Block(
        key="loop",
        heading="Does the machine move?",
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
    says = sentences(margins)
    if not axis.estimator.linear:
        slowest = quantity(smooth.speed[0], f"{axis.scale.unit}/s")
        says += (
            f"Period measurement: this is at {slowest}, the slowest speed here. The delay is shorter above it.",
        )
    return Block("margins", "For the tuner: how safely the loop is closed", says=says, pictures=shown)


def _smoothness_table(smooth: Smoothness, wanted: np.ndarray) -> Table:
    axis = smooth.axis
    rows = tuple(
        (
            quantity(smooth.speed[i], f"{axis.scale.unit}/s"),
            *(quantity(getattr(smooth, name)[i], unit_of(axis, name)) for name in CURVES),
        )
        for i in near(smooth.speed, wanted)
    )
    return Table("Numbers of this picture", ("Speed", *curve_heads(axis)), rows)


def ring(results: Findings, store: LookStore) -> Block | None:
    """The errors that the mounting of the ring adds, and the budget of the angle; None without a ring."""
    ring, curve, budget = results.axis.ring, results.ring_curve, results.ring_budget
    if ring is None or curve is None or budget is None:
        return None
    if not curve.peak:
        return Block(
            "ring", "What does the ring add?", says=("Its description names no fault: it adds nothing.",)
        )
    shown = picture("ring", results.axis, lambda style: ring_picture.ring(curve, style=style), store)
    size = quantity(curve.peak, "rad", 2)
    says = [
        f"How the ring is mounted makes the angle wrong by ±{size}, ±{quantity(curve.arc, 'm', 2)} at the graduation, "
        "a few times per revolution.",
        _budget_words(budget),
    ]
    if len(ring.compensation):
        says.append("What the controller takes off by its error map is not taken off here.")
    return Block(
        key="ring",
        heading="What does the ring add?",
        says=tuple(says),
        doubts=plain_doubts(curve.reasons),
        pictures=(shown,),
        tables=(_budget_table(budget),),
    )


def _budget_words(budget: Budget) -> str:
    """The expanded uncertainty, where it is reliable, and the worst case."""
    worst = f"if all causes are at their worst at once, ±{quantity(budget.worst, 'rad', 2)}"
    if not budget.valid:
        return f"{sentence(worst)}."
    share = percent(budget.probability, 2, strip=True)
    return f"In {share} of all angles it is within ±{quantity(budget.expanded, 'rad', 2)}; {worst}."


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
        rows.append(("All together", *total))
    head = ("Cause", "At most", "Typical, rms", "Share of the square")
    return Table("Budget of the ring", head, tuple(rows), folded=False)


def _contribution(budget: Budget, index: int) -> str:
    """Cause of a contribution, and its order."""
    cause, order = budget.name[index].partition(",")[0], budget.order[index]
    return sentence(cause) if order is None else f"{sentence(cause)}, {order} per revolution"


def reliability(results: Findings, store: LookStore) -> Block:
    """How reliable the page is: the spread between axes, and what the prediction leaves out."""
    says = ["This is computed from the description of the axis, not measured on it."]
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
        heading="How sure is this?",
        says=(*says, "What the prediction does not cover:"),
        doubts=() if spread is None else plain_doubts(spread.reasons),
        pictures=shown,
        points=not_covered(results.axis, results.smoothness is not None),
    )


def remedies(results: Findings) -> Block:
    """The ladder of measures, at the speed that the page explains in detail."""
    explanation, steps = results.explanation, results.ladder
    useless = [one.name for one in explanation.remedies if one.effect == "none" and one.change]
    says = [_what_helps(results)]
    if useless:
        says.append(f"Without effect here: {'; '.join(useless)}.")
    assumed = [one.assumed for step in steps for one in step.measures if one.assumed]
    if assumed:
        says.append(f"Assumed: {'; '.join(dict.fromkeys(assumed))}.")
    return Block(
        key="help",
        heading="What helps?",
        says=tuple(says),
        tables=(*((_ladder_table(results),) if len(steps) > 1 else ()), _remedy_table(explanation)),
    )


def _what_helps(results: Findings) -> str:
    """Which measures meet the limits, or what they leave of the ripple."""
    axis, (now, *steps) = results.axis, results.ladder
    at = quantity(results.explanation.speed, f"{axis.scale.unit}/s", strip=True)
    if now.met:
        further = f" What would lower the ripple at {at} further:" if steps else ""
        return f"Every limit is met: nothing has to change.{further}"
    if not steps:
        return f"None of the measures tried lowers the ripple at {at}."
    enough = next((step for step in steps if step.met), None)
    if enough is not None:
        names = listed([one.name for one in enough.measures])
        changes = "this change" if len(enough.measures) == 1 else f"these {len(enough.measures)} changes"
        return f"With {changes} every limit is met: {names}."
    last = [step for step in steps if not step.instead][-1]
    names = sentence(listed([one.name for one in last.measures]))
    if last.judgement is None and last.remedy is not None:
        before, after = last.remedy.before["measured"], last.remedy.after["measured"]
        unit = f"{axis.scale.unit}/s"
        return f"{names}: at {at} the ripple falls from {quantity(before, unit)} to {compared(after, before, unit)}."
    return f"No measure tried meets every limit. {names}: then {_limits_words(last)}."


def _ladder_table(results: Findings) -> Table:
    """Each step with its limits, the share of speeds and of axes that pass, ripple, effort and side effects."""
    steps = results.ladder
    unit = f"{results.axis.scale.unit}/s"
    at = quantity(results.explanation.speed, unit, strip=True)
    now = results.explanation.values["measured"]
    columns: dict[str, list[str]] = {"Step": [_step_name(step) for step in steps]}
    if steps[0].judgement is not None:
        columns["Limits"] = [_limits_words(step) for step in steps]
        if not math.isnan(steps[0].passing):
            columns["Speeds that pass"] = [_passing(step) for step in steps]
    if results.yields:
        columns["Axes that pass"] = ["–" if share is None else percent(share) for share in results.yields]
    after = [step.remedy.after["measured"] if step.remedy else now for step in steps]
    columns[f"Ripple at {at}"] = [compared(value, now, unit) for value in after]
    columns["Effort"] = [_effort(step) for step in steps]
    columns["Side effects"] = _side_effects(steps)
    rows = tuple(zip(*columns.values(), strict=True))
    return Table("Measures, step by step", tuple(columns), rows, folded=False, kind="ladder")


def _step_name(step: Step) -> str:
    """What a step adds to the one before it."""
    if not step.measures:
        return "Now"
    added = step.measures[-1].name
    if step.instead:
        return f"Or instead: {added}"
    return (
        f"{len(step.measures)}. {sentence(added)}"
        if len(step.measures) == 1
        else f"{len(step.measures)}. Also {added}"
    )


def _limits_words(step: Step) -> str:
    """Whether a step meets the limits, and by how much the worst is missed."""
    judged = step.judgement
    if judged is None or judged.met:
        return "all met"
    worst = judged.limit(judged.binding)
    where = "" if math.isnan(worst.speed) else f" at {quantity(worst.speed, judged.units['speeds'], 2)}"
    missed = sum(not each.met for each in judged.limits)
    size = times(worst.share) if math.isfinite(worst.share) else "beyond the limit"
    return f"{missed} of {len(judged.limits)} missed: {size}{where}"


def _passing(step: Step) -> str:
    """Share of speeds that pass; never all where one fails."""
    share = percent(step.passing)
    return "over 99 %" if step.passing < 1.0 and share == percent(1.0) else share


def _effort(step: Step) -> str:
    return "–" if not step.measures else sentence(EFFORTS.get(step.measures[-1].kind, "setting"))


def _side_effects(steps: tuple[Step, ...]) -> list[str]:
    """Side effects of each step that the one before it did not have."""
    known: tuple[str, ...] = ()
    words = []
    for step in steps:
        effects = step.remedy.side_effects if step.remedy else ()
        new = [effect for effect in effects if effect not in known]
        further = "no further" if known and not step.instead else "none"
        words.append("–" if step.remedy is None else sentence("; ".join(new) or further))
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
            sentence(CAUSES[cause.cause].plain),
            percent(cause.share),
            *_sizes(explanation, {name: getattr(cause, name) for name in CURVES}),
        )
        for cause in explanation.causes
    )
    return Table("Every cause", ("Cause", "Share of the square", *_heads(explanation)), rows)


def _remedy_table(explanation: Explanation) -> Table:
    rows = []
    for remedy in [remedy for remedy in explanation.remedies if remedy.applies][:REMEDIES]:
        assumed = (f"assumed: {remedy.assumed}",) if remedy.assumed else ()
        effects = sentence("; ".join([*remedy.side_effects, *assumed]) or "none")
        rows.append((sentence(remedy.name), *_sizes(explanation, remedy.after), effects))
    dashes = ("–",) * len(_curves(explanation))
    for remedy in explanation.remedies:
        if not remedy.applies:
            rows.append((sentence(remedy.name), *dashes, sentence(remedy.reason)))
    head = ("Remedy", *_heads(explanation), "Side effects, or why it does not help")
    return Table("Every remedy, and what remains", head, tuple(rows))
