"""Results as the blocks of a page: heading, sentences, figures with their numbers; computes nothing."""

import math
from dataclasses import dataclass

import numpy as np

from . import _figures, _figures_findings, _page_words
from ._figures_period import causes_of, half_range, shown_lines
from ._figures_view import range_of_speeds, view_of
from ._loop_reports import margins as margins_told
from ._page_svg import inline
from ._page_words import in_unit, limit_name, meanings
from ._plot import Style
from ._plot_numbers import axis_words, percent, quantity, sentence
from ._remedy_words import CAUSES, unit_of
from .behaviour import CURVES

STYLES = {"wide": Style(bare=True), "phone": Style(page="phone", bare=True)}
ROWS = 24
REMEDIES = 12
UNSTABLE = ("Make the loop stable", "as it is, it swings by itself")
# A contribution below this share of the square is not worth a row.
LEAST_SHARE = 1e-5
REGIMES = {"noise": "noise", "resolution": "counts", "direct": "error, direct", "aliased": "error, folded"}
OF_CURVES = {"measured": "measured", "torque": "{force}", "actual": "true, of the load"}


@dataclass(frozen=True)
class Picture:
    """One figure in both layouts, with the words that stand beside it.

    ``edges`` are left and right end of its axis of speeds in each layout, per cent of the width, and the speeds
    there: {"wide": (left, right), "phone": ..., "speeds": (low, high)}; empty where nothing is marked in it.
    """

    key: str
    title: str
    note: str
    wide: str
    phone: str
    edges: dict


@dataclass(frozen=True)
class Table:
    """Numbers under a figure; ``head`` names the columns."""

    caption: str
    head: tuple
    rows: tuple
    folded: bool = True


@dataclass(frozen=True)
class Block:
    """One question of the page and its answer.

    Attributes
    ----------
    key, heading : str
    says : tuple of str
        Sentences, the answer first.
    facts : tuple of (str, str, str)
        What, how much, and where.
    words : tuple of (str, str)
        Words that are explained here.
    doubts : tuple of str
        Why the answer may not be believed.
    pictures : tuple of Picture
    tables : tuple of Table
    points : tuple of str
        A list at the end.
    slider : Slider or None
    more : Block or None
        For those who want to know more, folded.
    """

    key: str
    heading: str
    says: tuple = ()
    facts: tuple = ()
    words: tuple = ()
    doubts: tuple = ()
    pictures: tuple = ()
    tables: tuple = ()
    points: tuple = ()
    slider: object = None
    more: object = None


def picture(key, axis, draw, shelf, speeds=None):
    """A figure in both layouts.

    Parameters
    ----------
    key : str
    axis : Axis
        Told at the head of the page, so that the note need not tell it again.
    draw : callable
        Makes the axes in a style.
    shelf : Shelf
    speeds : (float, float), optional
        Ends of its axis of speeds, if speeds are marked in it.

    Returns
    -------
    Picture
    """
    axes = {name: draw(style) for name, style in STYLES.items()}
    made = {name: inline(ax.figure, f"{key}-{name}", shelf) for name, ax in axes.items()}
    figure = axes["wide"].figure
    edges = {} if speeds is None else {name: _edges(ax) for name, ax in axes.items()} | {"speeds": speeds}
    note = figure.encsim_note.removeprefix(sentence(axis_words(axis))).lstrip(".,; ")
    return Picture(key, figure.encsim_title, sentence(note), made["wide"], made["phone"], edges)


def _edges(ax):
    box = ax.get_position()
    return round(100.0 * box.x0, 2), round(100.0 * box.x1, 2)


def answer(found, shelf):
    """How smoothly the axis runs, against the requirement if there is one."""
    curve, judged = found.curve, found.judgement
    limit = drawn_limit(found.requirement, judged)
    view = view_of(curve, limit)
    shown = picture(
        "ripple",
        found.axis,
        lambda style: _figures.ripple(curve, limit=limit, style=style),
        shelf,
        range_of_speeds(view) if len(view.speed) > 1 else None,
    )
    asked = judged is not None
    says = (
        [_verdict(judged)]
        if asked
        else [f"{shown.title}.", "No limit was given, so there is no verdict here."]
    )
    if found.own_loop and found.smoothness.stable:
        says.append("Measured ripple is what the controller sees with its loop closed.")
    return Block(
        key="answer",
        heading="Does it run smoothly enough?" if asked else "How smoothly does it run?",
        says=tuple(says),
        facts=_facts(found, view),
        words=meanings("ripple", "rms", *(("limit",) if asked else ()), "error", "counts", "vanish"),
        doubts=found.doubts,
        pictures=(shown,),
        tables=(*((_limit_table(judged),) if asked else ()), _ripple_table(found, view)),
    )


def drawn_limit(requirement, judged):
    """The limit of measured ripple as (share of the speed, least value), the one that binds; None without."""
    if requirement is None:
        return None
    given = {
        "relative": (requirement.relative or 0.0, requirement.floor or 0.0),
        "measured": (0.0, requirement.measured or 0.0),
    }
    checks = [each for each in judged.limits if each.name in given]
    return given[max(checks, key=lambda each: each.share).name] if checks else None


def _verdict(judged):
    """Yes or no, with the limit that comes nearest."""
    axis = judged.axis
    missed = [each for each in judged.limits if not each.met]
    binding = judged.limit(judged.binding)
    unit = judged.units[binding.name]
    where = "" if math.isnan(binding.speed) else f" at {quantity(binding.speed, judged.units['speeds'], 2)}"
    name = limit_name(binding.name, axis)
    values = f"{in_unit(binding.value, unit)} where {in_unit(binding.limit, unit)} is the limit"
    if missed:
        count = f"{len(missed)} of {len(judged.limits)} limits {'is' if len(missed) == 1 else 'are'} missed"
        return f"No, {count}. Worst is the {name}{where}: {values}."
    return f"Yes, every limit is met. Nearest to its limit is the {name}{where}: {values}."


def _facts(found, view):
    """Three numbers: the worst, the speeds that fail (or the largest share), what to do first."""
    unit, facts = view.unit, []
    if found.judgement is not None:
        binding = found.judgement.limit(found.judgement.binding)
        worst = percent(binding.share) if math.isfinite(binding.share) else "missed"
        where = "" if math.isnan(binding.speed) else f", at {quantity(binding.speed, unit, 2)}"
        facts.append(("Worst share of a limit", worst, f"{limit_name(binding.name, view.curve.axis)}{where}"))
    if view.allowed is not None:
        facts.append(("Speeds above the limit", *_failing(view)))
    facts += _roughest(view)[: 2 - len(facts)]
    facts.append(("What to do first", *(UNSTABLE if found.unstable else _first(found.explanation, unit))))
    return tuple(facts)


def _roughest(view):
    """The largest ripple, and the ripple there as a share of the speed."""
    index = int(np.argmax(np.where(view.sound, view.rms, 0.0)))
    where = f"at {quantity(view.speed[index], view.unit, 2)}"
    return [
        ("Largest ripple, rms", quantity(view.rms[index], view.unit, 2), where),
        ("As a share of that speed", percent(view.rms[index] / view.speed[index]), ""),
    ]


def _failing(view):
    """Speeds at which measured ripple exceeds its limit, in words."""
    ranges = _figures_findings.ranges_above(view)
    if not ranges:
        return "none", "measured ripple"
    low, high = (quantity(end, view.unit, 2) for end in (ranges[0][0], ranges[-1][1]))
    several = f"in {len(ranges)} ranges" if len(ranges) > 1 else "measured ripple"
    return (low if low == high else f"{low} to {high}"), several


def _first(explanation, unit):
    """The remedy that wins most, and what it does."""
    best = next((one for one in explanation.remedies if one.applies), None)
    if best is None:
        return "nothing known", "no remedy helps here"
    before, after = (quantity(values["measured"], unit, 2) for values in (best.before, best.after))
    return sentence(best.name), f"{before} → {after} at {quantity(best.speed, unit, 2)}"


def _limit_table(judged):
    """Every limit with its nearest value."""
    rows = tuple(
        (
            sentence(limit_name(each.name, judged.axis)),
            in_unit(each.limit, judged.units[each.name]),
            in_unit(each.value, judged.units[each.name]),
            "any" if math.isnan(each.speed) else quantity(each.speed, judged.units["speeds"]),
            "met" if each.met else "missed",
        )
        for each in judged.limits
    )
    return Table("Every limit", ("Limit on", "Allowed", "Reached", "At speed", "Verdict"), rows, folded=False)


def chosen_rows(speed):
    """Indices of some two dozen of many speeds, both ends among them."""
    count = min(len(speed), ROWS)
    return np.unique(np.linspace(0, len(speed) - 1, count).round().astype(int)) if count else ()


def _ripple_table(found, view):
    """Ripple at some speeds."""
    unit, allowed = view.unit, view.allowed
    rows = tuple(
        (
            quantity(view.speed[i], unit),
            quantity(view.rms[i], unit),
            percent(view.rms[i] / view.speed[i], 3),
            *(() if allowed is None else _held(view.rms[i], allowed[i], unit)),
            REGIMES[str(view.regime[i])],
        )
        for i in _near(view.speed, found.table_speeds)
    )  # fmt: skip
    limit = () if allowed is None else ("Limit", "Verdict")
    return Table(
        "Numbers of this picture", ("Speed", "Ripple, rms", "Of the speed", *limit, "Largest part"), rows
    )


def _held(rms, allowed, unit):
    return quantity(allowed, unit), "above" if rms > allowed else "within"


def _near(speed, wanted):
    """Indices of the speeds nearest to those wanted."""
    return np.unique([int(np.argmin(np.abs(speed - each))) for each in wanted]) if len(speed) else ()


def source(found, shelf):
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
    drawn = (
        ("period", lambda style: _figures.period_error(error, style=style)),
        ("channels", lambda style: _figures.channels(error, style=style)),
    )
    return Block(
        key="source",
        heading="Where does it come from?",
        says=(says,),
        words=meanings("line"),
        doubts=() if error.valid else error.reasons,
        pictures=tuple(picture(key, found.axis, draw, shelf) for key, draw in drawn),
        tables=(_line_table(error),),
    )


def _line_table(error):
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


def player(found):
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
        tables=(
            Table("All speeds of this picture", ("Speed", "Ripple, rms", "Of the speed", "Lines"), rows),
        ),
        slider=slider,
    )


def loop(found, shelf):
    """Whether the machine really moves, and how safely the loop is closed."""
    smooth, margins = found.smoothness, found.margins
    shown = picture("loop", found.axis, lambda style: _figures.smoothness(smooth, style=style), shelf)
    return Block(
        key="loop",
        heading="Does the machine really move?",
        says=(f"{shown.title}.",),
        doubts=tuple(dict.fromkeys([*smooth.reasons, *margins.reasons])),
        pictures=(shown,),
        tables=(_smoothness_table(smooth, found.table_speeds),) if smooth.stable else (),
        more=_tuner(found, shelf),
    )


def _tuner(found, shelf):
    """The margins of the loop."""
    margins = found.margins

    def draw(style):
        return _figures.margins(margins, margins.frequency, margins.open_gain, style=style)

    shown = (picture("margins", found.axis, draw, shelf),) if len(margins.frequency) else ()
    return Block("margins", "For the tuner: how safely the loop is closed",
                 says=tuple(margins_told(margins).splitlines()), pictures=shown)  # fmt: skip


def _smoothness_table(smooth, wanted):
    axis = smooth.axis
    rows = tuple(
        (
            quantity(smooth.speed[i], f"{axis.scale.unit}/s"),
            *(quantity(getattr(smooth, name)[i], unit_of(axis, name)) for name in CURVES),
        )
        for i in _near(smooth.speed, wanted)
    )
    return Table("Numbers of this picture", ("Speed", *_curve_heads(axis)), rows)


def _curve_heads(axis):
    return tuple(sentence(words.format(force=_page_words.force(axis))) for words in OF_CURVES.values())


def remedies(found, shelf):
    """Causes and remedies at the speed that is looked at."""
    explanation = found.explanation
    speed = quantity(explanation.speed, f"{found.axis.scale.unit}/s", strip=True)
    shown = picture("remedies", found.axis, lambda style: _figures.remedies(explanation, style=style), shelf)
    first = next((one for one in explanation.remedies if one.applies), None)
    says = [f"{shown.title}."]
    if first is None:
        says.append(f"At {speed} none of the remedies tried makes this axis run more smoothly.")
    elif found.own_loop:
        says.append(first.sentence)
    both = explanation.together
    if both is not None and both.applies and both.after["measured"] < first.after["measured"]:
        says.append(f"Together: {both.sentence}")
    return Block(
        key="help",
        heading="What helps?",
        says=tuple(says),
        doubts=explanation.reasons,
        pictures=(shown,),
        tables=(_cause_table(explanation), _remedy_table(explanation)),
    )


def _curves(explanation):
    """Curves that this axis has."""
    return tuple(name for name in CURVES if explanation.values[name] is not None)


def _heads(explanation):
    shown = dict(zip(CURVES, _curve_heads(explanation.axis), strict=True))
    return tuple(shown[name] for name in _curves(explanation))


def _sizes(explanation, values):
    axis = explanation.axis
    return tuple(in_unit(values[name], unit_of(axis, name)) for name in _curves(explanation))


def _cause_table(explanation):
    rows = tuple(
        (
            sentence(CAUSES[one.cause]),
            percent(one.share),
            *_sizes(explanation, {name: getattr(one, name) for name in CURVES}),
        )
        for one in explanation.causes
    )
    return Table("Every cause", ("Cause", "Share of the square", *_heads(explanation)), rows)


def _remedy_table(explanation):
    kept = [one for one in explanation.remedies if one.applies][:REMEDIES]
    idle = [one for one in explanation.remedies if not one.applies]
    rows = [
        (
            sentence(one.name),
            *_sizes(explanation, one.after),
            "; ".join([*one.side_effects, *_assumed(one)]) or "none",
        )
        for one in kept
    ]
    rows += [(sentence(one.name), *("–",) * len(_curves(explanation)), sentence(one.reason)) for one in idle]
    head = ("Remedy", *_heads(explanation), "Side effects, or why it does not help")
    return Table("Every remedy, and what remains", head, tuple(rows))


def _assumed(one):
    return (f"assumed: {one.assumed}",) if one.assumed else ()


def ring(found, shelf):
    """What the mounting of the ring adds, and the budget of the angle."""
    curve, budget = found.ring_curve, found.ring_budget
    if not curve.peak:
        return Block(
            "ring", "What does the ring add?", says=("Its description names no fault: it adds nothing.",)
        )
    shown = picture("ring", found.axis, lambda style: _figures.ring(curve, style=style), shelf)
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
        doubts=curve.reasons,
        pictures=(shown,),
        tables=(_budget_table(budget),),
    )


def _budget_told(budget):
    """What the budget says: coverage where that may be believed, and the worst."""
    worst = f"if all causes are at their worst at once, ±{quantity(budget.worst, 'rad', 2)}"
    if not budget.valid:
        return f"{sentence(worst)}."
    share = percent(budget.probability, 2, strip=True)
    return f"In {share} of all angles it is within ±{quantity(budget.expanded, 'rad', 2)}; {worst}."


def _budget_table(budget):
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


def _contribution(budget, index):
    """Cause of a contribution, and how often it comes."""
    cause, order = budget.name[index].partition(",")[0], budget.order[index]
    return sentence(cause) if order is None else f"{sentence(cause)}, {order} a turn"


def sure(found, shelf):
    """How sure this is: the spread between axes, what is left out."""
    shown, says = (), ["This is computed from the description of the axis, not measured on it."]
    if found.tolerance is not None:
        shown = (
            picture(
                "tolerance", found.axis, lambda style: _figures.tolerance(found.tolerance, style=style), shelf
            ),
        )
        says.insert(0, f"{shown[0].title}.")
    doubts = () if found.tolerance is None else found.tolerance.reasons
    return Block(
        key="sure",
        heading="How sure is this?",
        says=(*says, "What the prediction does not cover:"),
        doubts=doubts,
        pictures=shown,
        points=_page_words.not_covered(found.axis, found.smoothness is not None),
    )
