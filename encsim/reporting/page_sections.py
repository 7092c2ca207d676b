"""Further blocks of a page: where the error comes from, the slider, loop, ring, and how sure all is.

The block of a page about causes and remedies at one speed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..decisions.remedy_words import unit_of
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
from ..wording import percent, quantity, sentence
from . import page_words
from .loop_text import margins as margins_told
from .page_blocks import Block, Table, near, picture
from .page_words import curve_heads, doubted, in_plain_words, in_unit, meanings, plain_doubts

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..decisions.explanation import Explanation
    from ..decisions.remedies import Remedy
    from ..open_loop.period_error import PeriodError
    from ..plotting.canvas import Style
    from ..rings.budget import Budget
    from .page import Findings
    from .page_svg import GlyphStore


# A contribution below this share of the square is not worth a row.
LEAST_SHARE = 1e-5


def source(found: Findings, shelf: GlyphStore) -> Block:
    """What the encoder gets wrong within a signal period."""
    error = found.error
    unit = error.axis.scale.unit
    reach, pitch = half_range(error), quantity(error.axis.scale.pitch, unit, strip=True)
    size = quantity(reach, unit, 2)
    says = (
        f"The encoder's signals are not perfect: the position is wrong by ±{size}, again in every {pitch}."
        if reach
        else "Within a signal period the encoder makes no error."
    )
    told = in_plain_words(error)
    drawn = (
        ("period", lambda style: period_picture.period_error(told, style=style)),
        ("channels", lambda style: channels_picture.channels(told, style=style)),
    )
    return Block(
        key="source",
        heading="Where does it come from?",
        says=(says,),
        words=meanings("line"),
        doubts=plain_doubts(error.reasons),
        pictures=tuple(picture(key, found.axis, draw, shelf) for key, draw in drawn),
        tables=(_line_table(error),),
    )


def _line_table(error: PeriodError) -> Table:
    """Lines of the error with their causes."""
    unit = error.axis.scale.unit
    rows = tuple(
        (
            f"{error.harmonic[i]} a period",
            quantity(error.amplitude[i], unit),
            ", ".join(causes_of(error, error.harmonic[i])) or "several together",
        )
        for i in shown_lines(error)
    )
    return Table("Numbers of these pictures", ("Line", "Amplitude", "From"), rows)


def player(found: Findings) -> Block:
    """The speed slider."""
    slider = found.slider
    unit = f"{found.axis.scale.unit}/s"
    followed = "the line that is largest" if slider.harmonic else "the error"
    rows = tuple(
        (
            frame.name,
            quantity(frame.rms, unit),
            percent(frame.rms / frame.speed, 3),
            "; ".join(frame.told) or "none",
        )
        for frame in slider.frames
    )
    return Block(
        key="why",
        heading="Why does it look like this at your speed?",
        says=(
            "The controller looks at the position only now and then. A fast error wave, seen at such moments, looks "
            "like a slow one: it is folded.",
            f"Choose a speed: the first picture shows {followed} and its samples, the others what the controller makes "
            "of all of it.",
        ),
        words=meanings("folded"),
        doubts=plain_doubts(slider.reasons),
        tables=(
            Table("All speeds of this picture", ("Speed", "Ripple, rms", "Of the speed", "Lines"), rows),
        ),
        slider=slider,
    )


def loop(found: Findings, shelf: GlyphStore) -> Block:
    """Whether the machine really moves, and how safely the loop is closed."""
    smooth, margins = found.smoothness, found.margins
    told = in_plain_words(smooth)
    shown = picture(
        "loop",
        found.axis,
        lambda style: loop_picture.smoothness(told, style=style),
        shelf,
    )
    return Block(
        key="loop",
        heading="Does the machine really move?",
        says=(f"{shown.title}.",),
        doubts=plain_doubts([*smooth.reasons, *margins.reasons]),
        doubted=doubted(smooth),
        pictures=(shown,),
        tables=(_smoothness_table(smooth, found.table_speeds),) if smooth.stable else (),
        more=_tuner(found, shelf),
    )


def _tuner(found: Findings, shelf: GlyphStore) -> Block:
    """The margins of the loop."""
    margins = found.margins

    def draw(style: Style) -> Axes:
        return margins_picture.margins(margins, style=style)

    shown = (picture("margins", found.axis, draw, shelf),) if len(margins.frequency) else ()
    says = tuple(margins_told(margins).splitlines())
    if not found.axis.estimator.linear:
        slowest = quantity(found.smoothness.speed[0], f"{found.axis.scale.unit}/s")
        says += (f"Edges are timed: this is at {slowest}, the slowest speed here. Faster, they are younger.",)
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


def ring(found: Findings, shelf: GlyphStore) -> Block:
    """What the mounting of the ring adds, and the budget of the angle."""
    curve, budget = found.ring_curve, found.ring_budget
    if not curve.peak:
        return Block(
            "ring", "What does the ring add?", says=("Its description names no fault: it adds nothing.",)
        )
    shown = picture("ring", found.axis, lambda style: ring_picture.ring(curve, style=style), shelf)
    size = quantity(curve.peak, "rad", 2)
    says = [
        f"How the ring is mounted makes the angle wrong by ±{size}, ±{quantity(curve.arc, 'm', 2)} at the graduation, "
        "a few times a turn.",
        _budget_told(budget),
    ]
    if len(found.axis.ring.compensation):
        says.append("What the controller takes off by its error map is not taken off here.")
    return Block(
        key="ring",
        heading="What does the ring add?",
        says=tuple(says),
        doubts=plain_doubts(curve.reasons),
        pictures=(shown,),
        tables=(_budget_table(budget),),
    )


def _budget_told(budget: Budget) -> str:
    """What the budget says: coverage where that may be believed, and the worst."""
    worst = f"if all causes are at their worst at once, ±{quantity(budget.worst, 'rad', 2)}"
    if not budget.valid:
        return f"{sentence(worst)}."
    share = percent(budget.probability, 2, strip=True)
    return f"In {share} of all angles it is within ±{quantity(budget.expanded, 'rad', 2)}; {worst}."


def _budget_table(budget: Budget) -> Table:
    """Contributions that matter, and all together."""
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
    """Cause of a contribution, and how often it comes."""
    cause, order = budget.name[index].partition(",")[0], budget.order[index]
    return sentence(cause) if order is None else f"{sentence(cause)}, {order} a turn"


def sure(found: Findings, shelf: GlyphStore) -> Block:
    """How sure this is: the spread between axes, what is left out."""
    shown, says = (), ["This is computed from the description of the axis, not measured on it."]
    if found.tolerance is not None:
        shown = (
            picture(
                "tolerance",
                found.axis,
                lambda style: tolerance_picture.tolerance(found.tolerance, style=style),
                shelf,
            ),
        )
        says.insert(0, f"{shown[0].title}.")
    doubts = () if found.tolerance is None else plain_doubts(found.tolerance.reasons)
    return Block(
        key="sure",
        heading="How sure is this?",
        says=(*says, "What the prediction does not cover:"),
        doubts=doubts,
        pictures=shown,
        points=page_words.not_covered(found.axis, found.smoothness is not None),
    )


REMEDIES = 12


def remedies(found: Findings, shelf: GlyphStore) -> Block:
    """Causes and remedies at the speed that is looked at."""
    explanation = found.explanation
    speed = quantity(explanation.speed, f"{found.axis.scale.unit}/s", strip=True)
    shown = picture(
        "remedies", found.axis, lambda style: remedies_picture.remedies(explanation, style=style), shelf
    )
    first = next((one for one in explanation.remedies if one.applies), None)
    says = [f"{shown.title}."]
    if first is None:
        says.append(f"At {speed} none of the remedies tried makes this axis run more smoothly.")
    elif found.own_loop:
        says.append(sentence(first.sentence.removeprefix(f"{sentence(first.name)}: ")))
    both = explanation.together
    if both is not None and both.applies and both.after["measured"] < first.after["measured"]:
        says.append(f"Together: {both.sentence[:1].lower()}{both.sentence[1:]}")
    return Block(
        key="help",
        heading="What helps?",
        says=tuple(says),
        doubts=plain_doubts(explanation.reasons),
        pictures=(shown,),
        tables=(_cause_table(explanation), _remedy_table(explanation)),
    )


def _curves(explanation: Explanation) -> tuple[str, ...]:
    """Curves that this axis has."""
    return tuple(name for name in CURVES if explanation.values[name] is not None)


def _heads(explanation: Explanation) -> tuple[str, ...]:
    shown = dict(zip(CURVES, curve_heads(explanation.axis), strict=True))
    return tuple(shown[name] for name in _curves(explanation))


def _sizes(explanation: Explanation, values: dict[str, Any]) -> tuple[str, ...]:
    axis = explanation.axis
    now = explanation.values
    return tuple(in_unit(values[name], unit_of(axis, name), other=now[name]) for name in _curves(explanation))


def _cause_table(explanation: Explanation) -> Table:
    rows = tuple(
        (
            sentence(CAUSES[one.cause].plain),
            percent(one.share),
            *_sizes(explanation, {name: getattr(one, name) for name in CURVES}),
        )
        for one in explanation.causes
    )
    return Table("Every cause", ("Cause", "Share of the square", *_heads(explanation)), rows)


def _remedy_table(explanation: Explanation) -> Table:
    kept = [one for one in explanation.remedies if one.applies][:REMEDIES]
    idle = [one for one in explanation.remedies if not one.applies]
    rows = [
        (
            sentence(one.name),
            *_sizes(explanation, one.after),
            sentence("; ".join([*one.side_effects, *_assumed(one)]) or "none"),
        )
        for one in kept
    ]
    rows += [(sentence(one.name), *("–",) * len(_curves(explanation)), sentence(one.reason)) for one in idle]
    head = ("Remedy", *_heads(explanation), "Side effects, or why it does not help")
    return Table("Every remedy, and what remains", head, tuple(rows))


def _assumed(one: Remedy) -> tuple[str, ...]:
    return (f"assumed: {one.assumed}",) if one.assumed else ()
