"""An explanation as text: in plain words first, then tables with all numbers, then doubts and cautions."""

import math
import textwrap

from ._loop_reports import force, listed
from ._plot_numbers import sentence
from ._remedy_words import unit_of
from ._tables import aligned, beside, share_text
from .behaviour import CURVES

WIDE = 100
LEGEND = (
    "Alone: what a fault makes by itself; lines of one order from several faults add as waves, so these do not add up. "
    "Won: the share of the ripple that goes, the mean over the curves. After: computed anew for the changed axis."
)


def explanation(found, *, cautious=True):
    """Report of an explanation.

    Parameters
    ----------
    found : Explanation
    cautious : bool
        End with the cautions.

    Returns
    -------
    str
    """
    parts = [f"{textwrap.fill(line, WIDE)}\n" for line in found.text.splitlines()]
    parts += ["\n", aligned(_causes(found)), "\n", aligned(_remedies(found))]
    parts += ["\n", *_details(found), "\n", textwrap.fill(LEGEND, WIDE), "\n"]
    if found.verified is not None:
        parts += ["\n", textwrap.fill(_checked(found), WIDE), "\n"]
    parts += [f"Note: {reason}\n" for reason in found.reasons]
    return "".join([*parts, listed(found.cautions if cautious else ())])


def disagreement(found):
    """What the simulation does not confirm, in one line.

    Parameters
    ----------
    found : Explanation

    Returns
    -------
    str
    """
    every = [one.name for one in (*found.remedies, *filter(None, [found.together])) if one.agrees is False]
    return f"the simulation does not confirm: {', '.join(every) or 'the ripple of the axis as it is'}"


def _curves(found):
    """Curves there are, with their heads."""
    heads = {"measured": "measured", "torque": force(found.axis), "actual": "true"}
    return {curve: heads[curve] for curve in CURVES if found.values[curve] is not None}


def _causes(found):
    rows = [("all", 1.0, found.values)]
    for one in found.causes:
        rows.append((one.cause, one.share, {curve: getattr(one, curve) for curve in CURVES}))
        rows += [
            (f"{each.short}, alone", None, {c: getattr(each, c) for c in CURVES}) for each in one.sources
        ]
    columns = {
        "cause": [row[0] for row in rows],
        "share": ["" if row[1] is None else f"{share_text(row[1])} %" for row in rows],
    }
    for curve, head in _curves(found).items():
        columns[head] = [
            beside(row[2][curve], found.values[curve], unit_of(found.axis, curve)) for row in rows
        ]
    return _to_left(columns)


def _to_left(columns):
    """The first column set to the left."""
    head, *_ = columns
    wide = max(map(len, (head, *columns[head])))
    rest = {name: cells for name, cells in columns.items() if name != head}
    return {head.ljust(wide): [cell.ljust(wide) for cell in columns[head]]} | rest


def _remedies(found):
    every = [one for one in (*found.remedies, found.together) if one is not None and one.change]
    columns = {"remedy": [_named(found, one) for one in every]}
    for curve, head in _curves(found).items():
        unit = unit_of(found.axis, curve)
        columns[f"{head} after"] = [
            _or_dash(one.after[curve], found.values[curve], unit) + (" ?" if one.doubtful else "")
            for one in every
        ]
    columns["won"] = [f"{round(100.0 * one.won) + 0:d} %" for one in every]
    if found.verified is not None:
        for curve, head in _curves(found).items():
            columns[f"{head} simulated"] = [
                _or_dash(
                    one.verified and one.verified[curve], found.values[curve], unit_of(found.axis, curve)
                )
                for one in every
            ]
    columns["effect"] = ["helps" if one.applies else one.effect for one in every]
    return _to_left(columns)


def _named(found, one):
    return "first few at once" if one is found.together else one.kind


def _or_dash(value, now, unit):
    """A value in the unit of what is now, or a dash."""
    return "-" if value is None or not math.isfinite(value) else beside(value, now, unit)


def _details(found):
    """What each remedy is, with its side effects; what does nothing, with the reason."""
    for one in (*found.remedies, found.together):
        if one is None:
            continue
        words = [
            f"{_named(found, one)}:",
            one.name + (";" if one.written and one is not found.together else "."),
        ]
        if one is not found.together and one.written:
            words.append("; ".join(f"{path} = {text}" for path, text in one.written.items()) + ".")
        if not one.applies:
            words.append(sentence(f"{_judged(one)}: {one.reason}."))
        if one.side_effects:
            words.append(sentence("; ".join(one.side_effects)) + ".")
        if one.assumed:
            words.append(f"Assumed: {one.assumed}.")
        words += [f"In doubt: {reason}." for reason in one.reasons]
        yield textwrap.fill(" ".join(words), WIDE, subsequent_indent="    ") + "\n"


def _judged(one):
    words = {"none": "no effect", "worse": "no help", "mixed": "no help in all", "unsafe": "not safe"}
    return words.get(one.effect, "not possible")


def _checked(found):
    """What the simulations say."""
    checked = [
        one for one in (*found.remedies, found.together) if one is not None and one.verified is not None
    ]
    agree = sum(one.agrees is True for one in checked)
    words = [f"Simulated: {agree} of {len(checked)} remedies agree within 5 %."]
    own = [
        f"{head} {_or_dash(found.verified[curve], found.values[curve], unit_of(found.axis, curve))}"
        for curve, head in _curves(found).items()
    ]
    words.append(f"The axis as it is: {', '.join(own)}.")
    doubted = [one.kind for one in checked if one.agrees is False]
    open_ = [one.kind for one in checked if one.agrees is None]
    words += [f"Other than predicted: {', '.join(doubted)}."] if doubted else []
    words += [f"Not settled after the longest run: {', '.join(open_)}."] if open_ else []
    return " ".join(words)
