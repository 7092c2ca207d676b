"""The block of a page about causes and remedies at one speed."""

from . import _figures
from ._page_blocks import Block, Table, picture
from ._page_words import curve_heads, in_unit, plain_doubts
from ._plot_numbers import percent, quantity, sentence
from ._remedy_words import CAUSES, unit_of
from .behaviour import CURVES

REMEDIES = 12


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


def _curves(explanation):
    """Curves that this axis has."""
    return tuple(name for name in CURVES if explanation.values[name] is not None)


def _heads(explanation):
    shown = dict(zip(CURVES, curve_heads(explanation.axis), strict=True))
    return tuple(shown[name] for name in _curves(explanation))


def _sizes(explanation, values):
    axis = explanation.axis
    now = explanation.values
    return tuple(in_unit(values[name], unit_of(axis, name), other=now[name]) for name in _curves(explanation))


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
            sentence("; ".join([*one.side_effects, *_assumed(one)]) or "none"),
        )
        for one in kept
    ]
    rows += [(sentence(one.name), *("–",) * len(_curves(explanation)), sentence(one.reason)) for one in idle]
    head = ("Remedy", *_heads(explanation), "Side effects, or why it does not help")
    return Table("Every remedy, and what remains", head, tuple(rows))


def _assumed(one):
    return (f"assumed: {one.assumed}",) if one.assumed else ()
