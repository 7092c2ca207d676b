"""A choice among candidates as text for people: the answer first, then the ranked table, then notes.

An explanation as text: in plain words first, then tables with all numbers, then doubts and cautions.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from ..decisions.choice import last_word
from ..decisions.remedy_words import unit_of
from ..decisions.ripple_summary import CURVES
from ..formats import changes
from ..open_loop.causes import CAUSES
from ..wording import aligned, beside, force, percent_number, sentence, share_text, show
from .axis_tables import CAUTION
from .loop_text import listed

if TYPE_CHECKING:
    from ..decisions.choice import Choice, ChoiceRow, Saturation
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import LimitCheck
    from ..decisions.remedies import Remedy


ROWS = 20
FRONT = 12
IMPOSSIBLE = 5
NAMES = {
    "measured": "measured ripple",
    "relative": "measured ripple",
    "torque": "ripple of the torque",
    "actual": "ripple of the true velocity",
    "top_speed": "top speed",
    "phase_margin": "phase margin",
    "delay": "delay",
}
RESOLUTIONS = {"interpolation.factor": "counts a period", "interpolation.bits": "bits of the converter"}


def choice(result: Choice, *, cautious: bool = True) -> str:
    """Report of a choice."""
    parts = [_answer(result), "\n", aligned(_columns(result)), *_more(result), "\n"]
    parts += [f"{line}\n" for line in _notes(result)]
    return "".join([*parts, CAUTION if cautious else ""])


def _answer(result: Choice) -> str:
    """What to take, or what comes nearest."""
    met = sum(row.met for row in result.rows)
    if result.best is None:
        lines = [f"None of {result.count} candidates fits. Nearest: {missed(result.nearest)}."]
    else:
        best = result.best
        costs = "".join(f", {name} {show(value, '1')}" for name, value in best.cost.items())
        lines = [
            f"Best of {result.count} candidates, of which {met} fit: {best.short}{costs}.",
            f"It meets all limits; {_binding(best)}, {percent_number(best.margin)} % to spare.",
        ]
    lines += [_saturated(result, each) for each in result.saturation if each.values]
    return "".join(f"{line}\n" for line in lines)


def missed(row: ChoiceRow) -> str:
    """What the nearest candidate misses, in words."""
    limits = row.judgement.requirement, row.judgement.units
    return f"{row.short}; it misses {'; '.join(_check(each, limits[1]) for each in row.missed)}"


def _check(check: LimitCheck, units: dict[str, str]) -> str:
    """One limit: value, where, and what is allowed."""
    value, limit = (_amount(x, units[check.name]) for x in (check.value, check.limit))
    where = "" if math.isnan(check.speed) else f" at {show(check.speed, units['top_speed'])}"
    word = "needed" if check.name in ("top_speed", "phase_margin") else "allowed"
    return f"{NAMES[check.name]}, {value}{where} where {limit} is {word}"


def _amount(value: float, unit: str) -> str:
    if unit == "deg":
        return "none (unstable)" if value == -math.inf else f"{value:.1f} deg"
    return "no limit" if value == math.inf else show(value, unit)


def _binding(row: ChoiceRow) -> str:
    return f"nearest its limit is {_check(row.judgement.limit(row.binding), row.judgement.units)}"


def _saturated(result: Choice, each: Saturation) -> str:
    """Where a finer resolution stops paying, and why."""
    word, value = RESOLUTIONS[each.path], "no rounding" if each.value is None else f"{each.value}"
    left = ""
    if each.cause is not None:
        share = f"{percent_number(each.share)} % of the mean square"
        speed = show(each.speed, result.units["speed"])
        left = f": what is left is mostly {CAUSES[each.cause].note}, {share} at {speed}"
    if not each.ends:
        return f"The finest tried, {value} {word}, still pays: finer ones may too{left}."
    return f"Beyond {value} {word} none that is finer takes a tenth off the ripple{left}."


def _columns(result: Choice) -> dict[str, list[str]]:
    """The ranked table."""
    rows, front = result.rows[:ROWS], {id(row) for row in result.frontier}
    paths = {
        path: [changes.write(row.axis, path, row.changes[path]) for row in rows] for path in result.paths
    }
    columns = {"": [f"{number}" for number in range(1, len(rows) + 1)]}
    columns |= {last_word(path, result.paths): cells for path, cells in paths.items()}
    columns |= {} if result.paths else {"axis": [row.name for row in rows]}
    columns |= {name: [show(row.cost[name], "1") for row in rows] for name in result.costs}
    columns["fits"] = ["yes" if row.met else "no" for row in rows]
    columns["of limit %"] = [_of_limit(row) for row in rows]
    columns["binds"] = [row.binding for row in rows]
    columns["value"] = [_value(row) for row in rows]
    columns["at"] = [_where(row) for row in rows]
    columns["delay"] = ["-" if math.isinf(row.delay) else show(row.delay, "s") for row in rows]
    columns[" "] = ["frontier" if id(row) in front else "" for row in rows]
    return columns


def _of_limit(row: ChoiceRow) -> str:
    about = "" if row.exact or row.pruned else "~"
    return about + ("-" if math.isinf(row.share) else percent_number(row.share))


def _value(row: ChoiceRow) -> str:
    check = row.judgement.limit(row.binding)
    return _amount(check.value, row.judgement.units[check.name])


def _where(row: ChoiceRow) -> str:
    speed = row.judgement.limit(row.binding).speed
    return "-" if math.isnan(speed) else show(speed, row.judgement.units["top_speed"])


def _more(result: Choice) -> Iterator[str]:
    """How many rows are left out, and the frontier where its rows are."""
    if len(result.rows) > ROWS:
        yield f"... and {len(result.rows) - ROWS} more; --csv and --json have all.\n"
    if len(result.frontier) < 2:
        return
    against = " and ".join(result.costs) or "delay"
    yield f"\nFrontier: ripple as a share of its limit against {against}; less of one costs the other.\n"
    rows = result.frontier[:FRONT]
    prices = {name: [show(row.cost[name], "1") for row in rows] for name in result.costs}
    prices = prices or {"delay": [show(row.delay, "s") for row in rows]}
    yield aligned(
        {**prices, "ripple %": [percent_number(row.ripple) for row in rows], " ": [row.short for row in rows]}
    )
    if len(result.frontier) > FRONT:
        yield f"... and {len(result.frontier) - FRONT} more.\n"


def _notes(result: Choice) -> Iterator[str]:
    """Impossible combinations, doubts, what the marks mean."""
    if result.impossible:
        yield f"Impossible: {len(result.impossible)} of {result.count}."
        reasons = {}
        for name, reason in result.impossible:
            reasons.setdefault(reason, []).append(name)
        for reason, names in list(reasons.items())[:IMPOSSIBLE]:
            yield f"  {reason}: {len(names)}, as {names[0]}"
        if len(reasons) > IMPOSSIBLE:
            yield f"  ... and {len(reasons) - IMPOSSIBLE} more reasons; --json has all."
    pruned = sum(row.pruned for row in result.rows)
    if pruned:
        yield f"Of {pruned} the ripple was left out: a limit fails that does not depend on the speed."
    if not all(row.exact or row.pruned for row in result.rows):
        yield "~ judged at a glance, mostly within some per cent; the others are computed in full."
    taken = result.best or result.nearest
    for reason in taken.judgement.reasons:
        yield f"Note: {'the best' if result.best else 'the nearest'} is in doubt: {reason}."
    if any(name in ("torque", "actual", "phase_margin") for name in (c.name for c in taken.judgement.limits)):
        yield "Note: the ripple of a closed loop is by its encoder alone, without friction and cogging."


WIDE = 100
LEGEND = (
    "Alone: what a fault makes by itself; lines of one order from several faults add as waves, so these do not add up. "
    "Won: the share of the ripple that goes, the mean over the curves. After: computed anew for the changed axis."
)


def explanation(result: Explanation, *, cautious: bool = True) -> str:
    """Report of an explanation."""
    parts = [f"{textwrap.fill(line, WIDE)}\n" for line in result.text.splitlines()]
    parts += ["\n", aligned(_causes(result)), "\n", aligned(_remedies(result))]
    parts += ["\n", *_details(result), "\n", textwrap.fill(LEGEND, WIDE), "\n"]
    if result.verified is not None:
        parts += ["\n", textwrap.fill(_checked(result), WIDE), "\n"]
    parts += [f"Note: {reason}\n" for reason in result.reasons]
    return "".join([*parts, listed(result.cautions if cautious else ())])


def disagreement(result: Explanation) -> str:
    """What the simulation does not confirm, in one line."""
    every = [one.name for one in (*result.remedies, *filter(None, [result.together])) if one.agrees is False]
    return f"the simulation does not confirm: {', '.join(every) or 'the ripple of the axis as it is'}"


def _curves(result: Explanation) -> dict[str, str]:
    """Curves there are, with their heads."""
    heads = {"measured": "measured", "torque": force(result.axis), "actual": "true"}
    return {curve: heads[curve] for curve in CURVES if result.values[curve] is not None}


def _causes(result: Explanation) -> dict[str, list[str]]:
    rows = [("all", 1.0, result.values)]
    for one in result.causes:
        rows.append((one.cause, one.share, {curve: getattr(one, curve) for curve in CURVES}))
        rows += [
            (f"{each.short}, alone", None, {c: getattr(each, c) for c in CURVES}) for each in one.sources
        ]
    columns = {
        "cause": [row[0] for row in rows],
        "share": ["" if row[1] is None else f"{share_text(row[1])} %" for row in rows],
    }
    for curve, head in _curves(result).items():
        columns[head] = [
            beside(row[2][curve], result.values[curve], unit_of(result.axis, curve)) for row in rows
        ]
    return _to_left(columns)


def _to_left(columns: dict[str, list[str]]) -> dict[str, list[str]]:
    """The first column set to the left."""
    head, *_ = columns
    wide = max(map(len, (head, *columns[head])))
    rest = {name: cells for name, cells in columns.items() if name != head}
    return {head.ljust(wide): [cell.ljust(wide) for cell in columns[head]]} | rest


def _remedies(result: Explanation) -> dict[str, list[str]]:
    every = [one for one in (*result.remedies, result.together) if one is not None and one.change]
    columns = {"remedy": [_named(result, one) for one in every]}
    for curve, head in _curves(result).items():
        unit = unit_of(result.axis, curve)
        columns[f"{head} after"] = [
            _or_dash(one.after[curve], result.values[curve], unit) + (" ?" if one.doubtful else "")
            for one in every
        ]
    columns["won"] = [f"{round(100.0 * one.won) + 0:d} %" for one in every]
    if result.verified is not None:
        for curve, head in _curves(result).items():
            columns[f"{head} simulated"] = [
                _or_dash(
                    one.verified and one.verified[curve], result.values[curve], unit_of(result.axis, curve)
                )
                for one in every
            ]
    columns["effect"] = ["helps" if one.applies else one.effect for one in every]
    return _to_left(columns)


def _named(result: Explanation, one: Remedy) -> str:
    return "first few at once" if one is result.together else one.kind


def _or_dash(value: float | None, now: float, unit: str) -> str:
    """A value in the unit of what is now, or a dash."""
    return "-" if value is None or not math.isfinite(value) else beside(value, now, unit)


def _details(result: Explanation) -> Iterator[str]:
    """What each remedy is, with its side effects; what does nothing, with the reason."""
    for one in (*result.remedies, result.together):
        if one is None:
            continue
        words = [
            f"{_named(result, one)}:",
            one.name + (";" if one.written and one is not result.together else "."),
        ]
        if one is not result.together and one.written:
            words.append("; ".join(f"{path} = {text}" for path, text in one.written.items()) + ".")
        if not one.applies:
            words.append(sentence(f"{_judged(one)}: {one.reason}."))
        if one.side_effects:
            words.append(sentence("; ".join(one.side_effects)) + ".")
        if one.assumed:
            words.append(f"Assumed: {one.assumed}.")
        words += [f"In doubt: {reason}." for reason in one.reasons]
        yield textwrap.fill(" ".join(words), WIDE, subsequent_indent="    ") + "\n"


def _judged(one: Remedy) -> str:
    words = {"none": "no effect", "worse": "no help", "mixed": "no help in all", "unsafe": "not safe"}
    return words.get(one.effect, "not possible")


def _checked(result: Explanation) -> str:
    """What the simulations say."""
    checked = [
        one for one in (*result.remedies, result.together) if one is not None and one.verified is not None
    ]
    agree = sum(one.agrees is True for one in checked)
    words = [f"Simulated: {agree} of {len(checked)} remedies agree within 5 %."]
    own = [
        f"{head} {_or_dash(result.verified[curve], result.values[curve], unit_of(result.axis, curve))}"
        for curve, head in _curves(result).items()
    ]
    words.append(f"The axis as it is: {', '.join(own)}.")
    doubted = [one.kind for one in checked if one.agrees is False]
    open_ = [one.kind for one in checked if one.agrees is None]
    words += [f"Other than predicted: {', '.join(doubted)}."] if doubted else []
    words += [f"Not settled after the longest run: {', '.join(open_)}."] if open_ else []
    return " ".join(words)
