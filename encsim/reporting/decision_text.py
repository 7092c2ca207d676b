"""A choice among candidates, and an explanation of ripple, as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from ..decisions.choice import last_word
from ..decisions.explanation_words import unit_of
from ..decisions.ripple_summary import CURVES
from ..formats import changes
from ..open_loop.causes import CAUSES
from ..wording import aligned, beside, force, percent_number, sentence, share_text, show
from .text_parts import CAUTION, WIDE, cautions_text, joined_lines, left_aligned, notes

if TYPE_CHECKING:
    from ..decisions.choice import Choice, ChoiceRow, Saturation
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import LimitCheck
    from ..decisions.remedies import Remedy


# Rows of the ranked table, rows of the frontier, reasons why candidates are impossible.
ROWS, FRONT, IMPOSSIBLE = 20, 12, 5
NAMES = {
    "measured": "measured ripple",
    "relative": "measured ripple",
    "torque": "ripple of the torque",
    "actual": "ripple of the true velocity",
    "top_speed": "top speed",
    "phase_margin": "phase margin",
    "delay": "delay",
}
LEGEND = (
    "Alone: what a fault makes by itself; lines of one order from several faults add as waves, so these do not add up. "
    "Won: the share of the ripple that goes, the mean over the curves. After: computed anew for the changed axis."
)
RESOLUTIONS = {"interpolation.factor": "counts a period", "interpolation.bits": "bits of the converter"}


def choice(result: Choice, *, cautious: bool = True) -> str:
    """Report of a choice."""
    parts = [
        _answer(result),
        aligned(_columns(result)) + "".join(_more(result)),
        joined_lines(_remarks(result)),
    ]
    return "\n".join(parts) + (CAUTION if cautious else "")


def _answer(result: Choice) -> str:
    """The best candidate, or the one nearest to the limits."""
    if result.best is None:
        assert result.nearest is not None
        lines = [f"None of {result.count} candidates fits. Nearest: {missed(result.nearest)}."]
    else:
        best, met = result.best, sum(row.met for row in result.rows)
        costs = "".join(f", {name} {show(value, '1')}" for name, value in best.cost.items())
        limit = _check(best.judgement.limit(best.binding), best.judgement.units)
        lines = [
            f"Best of {result.count} candidates, of which {met} fit: {best.short}{costs}.",
            f"It meets all limits; nearest its limit is {limit}, {percent_number(best.margin)} % to spare.",
        ]
    return joined_lines([*lines, *(_saturated(result, each) for each in result.saturation if each.values)])


def missed(row: ChoiceRow) -> str:
    """The limits that a candidate misses, in words."""
    missed_limits = (_check(each, row.judgement.units) for each in row.missed)
    return f"{row.short}; it misses {'; '.join(missed_limits)}"


def _check(check: LimitCheck, units: dict[str, str]) -> str:
    """One limit: name, value, speed, allowed value."""
    value, limit = (_amount(x, units[check.name]) for x in (check.value, check.limit))
    where = "" if math.isnan(check.speed) else f" at {show(check.speed, units['top_speed'])}"
    word = "needed" if check.name in ("top_speed", "phase_margin") else "allowed"
    return f"{NAMES[check.name]}, {value}{where} where {limit} is {word}"


def _amount(value: float, unit: str) -> str:
    if unit == "deg":
        return "none (unstable)" if value == -math.inf else f"{value:.1f} deg"
    return "no limit" if value == math.inf else show(value, unit)


def _saturated(result: Choice, each: Saturation) -> str:
    """The resolution beyond which the ripple hardly falls, and the cause that is left."""
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
    """Number of rows left out, and the frontier."""
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


def _remarks(result: Choice) -> Iterator[str]:
    """Impossible combinations, meaning of the marks, doubts."""
    if result.impossible:
        yield f"Impossible: {len(result.impossible)} of {result.count}."
        reasons: dict[str, list[str]] = {}
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
    shown, which = result.best or result.nearest, "the best" if result.best else "the nearest"
    judgement = shown.judgement if shown else None
    yield from (
        f"Note: {which} is in doubt: {reason}." for reason in (judgement.reasons if judgement else ())
    )
    if judgement and any(check.name in ("torque", "actual", "phase_margin") for check in judgement.limits):
        yield "Note: the ripple of a closed loop is by its encoder alone, without friction and cogging."


def explanation(result: Explanation, *, cautious: bool = True) -> str:
    """Report of an explanation."""
    parts = [
        joined_lines(textwrap.fill(line, WIDE) for line in result.text.splitlines()),
        aligned(_causes(result)),
        aligned(_remedies(result)),
        "".join(_details(result)),
        f"{textwrap.fill(LEGEND, WIDE)}\n",
    ]
    if result.verified is not None:
        parts.append(f"{textwrap.fill(_verification(result, result.verified), WIDE)}\n")
    return "\n".join(parts) + notes(result.reasons) + cautions_text(result.cautions if cautious else ())


def _changes(result: Explanation) -> list[Remedy]:
    """All remedies, and the combined one where there is one."""
    return [*result.remedies, *([] if result.together is None else [result.together])]


def disagreement(result: Explanation) -> str:
    """The remedies that the simulation does not confirm, in one line."""
    every = [remedy.name for remedy in _changes(result) if remedy.agrees is False]
    return f"the simulation does not confirm: {', '.join(every) or 'the ripple of the axis as it is'}"


def _curves(result: Explanation) -> dict[str, str]:
    """Curves of this axis with the heads of their columns."""
    heads = {"measured": "measured", "torque": force(result.axis), "actual": "true"}
    return {curve: heads[curve] for curve in CURVES if result.values[curve] is not None}


def _causes(result: Explanation) -> dict[str, list[str]]:
    """Table of the causes, each followed by its faults alone."""
    rows: list[tuple[str, str, dict[str, float]]] = [("all", _share(1.0), result.values)]
    for cause in result.causes:
        rows.append((cause.cause, _share(cause.share), {curve: getattr(cause, curve) for curve in CURVES}))
        for source in cause.sources:
            rows.append((f"{source.short}, alone", "", {curve: getattr(source, curve) for curve in CURVES}))
    columns = {"cause": [name for name, _, _ in rows], "share": [share for _, share, _ in rows]}
    for curve, head in _curves(result).items():
        unit, now = unit_of(result.axis, curve), result.values[curve]
        columns[head] = [beside(values[curve], now, unit) for _, _, values in rows]
    return left_aligned(columns, "cause")


def _share(share: float) -> str:
    return f"{share_text(share)} %"


def _remedies(result: Explanation) -> dict[str, list[str]]:
    """Table of the remedies: ripple after each, reduction, simulation, effect."""
    remedies = [remedy for remedy in _changes(result) if remedy.change]
    columns = {"remedy": [_name(result, remedy) for remedy in remedies]}
    for curve, head in _curves(result).items():
        columns[f"{head} after"] = [
            _value_after(result, curve, remedy.after) + (" ?" if remedy.doubtful else "")
            for remedy in remedies
        ]
    columns["won"] = [f"{round(100.0 * remedy.won) + 0:d} %" for remedy in remedies]
    if result.verified is not None:
        for curve, head in _curves(result).items():
            columns[f"{head} simulated"] = [
                _value_after(result, curve, remedy.verified) for remedy in remedies
            ]
    columns["effect"] = ["helps" if remedy.applies else remedy.effect for remedy in remedies]
    return left_aligned(columns, "remedy")


def _name(result: Explanation, remedy: Remedy) -> str:
    return "first few at once" if remedy is result.together else remedy.kind


def _value_after(result: Explanation, curve: str, after: dict[str, float] | None) -> str:
    """A value of a changed axis in the unit of the present value; a dash where it is not known."""
    value = None if after is None else after[curve]
    if value is None or not math.isfinite(value):
        return "-"
    return beside(value, result.values[curve], unit_of(result.axis, curve))


def _details(result: Explanation) -> Iterator[str]:
    """Each remedy with its setting, and its side effects or the reason why it does nothing."""
    for remedy in _changes(result):
        written = {} if remedy is result.together else remedy.written
        words = [f"{_name(result, remedy)}:", remedy.name + (";" if written else ".")]
        if written:
            words.append("; ".join(f"{path} = {text}" for path, text in written.items()) + ".")
        if not remedy.applies:
            words.append(sentence(f"{_verdict(remedy)}: {remedy.reason}."))
        if remedy.side_effects:
            words.append(sentence("; ".join(remedy.side_effects)) + ".")
        if remedy.assumed:
            words.append(f"Assumed: {remedy.assumed}.")
        words += [f"In doubt: {reason}." for reason in remedy.reasons]
        yield textwrap.fill(" ".join(words), WIDE, subsequent_indent="    ") + "\n"


def _verdict(remedy: Remedy) -> str:
    words = {"none": "no effect", "worse": "no help", "mixed": "no help in all", "unsafe": "not safe"}
    return words.get(remedy.effect, "not possible")


def _verification(result: Explanation, simulated: dict[str, float]) -> str:
    """Agreement of the simulations with the predictions."""
    checked = [remedy for remedy in _changes(result) if remedy.verified is not None]
    agree = sum(remedy.agrees is True for remedy in checked)
    present = ", ".join(
        f"{head} {_value_after(result, curve, simulated)}" for curve, head in _curves(result).items()
    )
    words = [
        f"Simulated: {agree} of {len(checked)} remedies agree within 5 %.",
        f"The axis as it is: {present}.",
    ]
    differ = [remedy.kind for remedy in checked if remedy.agrees is False]
    unsettled = [remedy.kind for remedy in checked if remedy.agrees is None]
    words += [f"Other than predicted: {', '.join(differ)}."] if differ else []
    words += [f"Not settled after the longest run: {', '.join(unsettled)}."] if unsettled else []
    return " ".join(words)
