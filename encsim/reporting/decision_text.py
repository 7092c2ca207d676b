"""A choice among candidates, and an explanation of ripple, as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from ..decisions.choice import last_word
from ..decisions.explanation_words import unit_of
from ..decisions.ripple_summary import CURVES
from ..formats import changes
from ..open_loop.causes import CAUSES
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    Column,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    measured,
    texts,
    toned,
)
from ..wording import beside, force, number, percent_number, sentence, share_text, show
from .text_parts import caution, changes_of, explained, reduction, short_name

if TYPE_CHECKING:
    from ..decisions.choice import Choice, ChoiceRow
    from ..decisions.choice_search import Saturation
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import LimitCheck
    from ..decisions.remedies import Remedy


# Rows of the ranked table without --long and with it, of the frontier; reasons why candidates are impossible.
ROWS, MOST_ROWS, FRONT, IMPOSSIBLE = 6, 100, 5, 5
# Remedies without --long; least share of a cause.
REMEDIES_SHOWN, LEAST_SHARE = 4, 0.01
NAMES = {
    "measured": "measured ripple",
    "relative": "measured ripple",
    "torque": "torque ripple",
    "actual": "actual velocity ripple",
    "top_speed": "top speed",
    "phase_margin": "phase margin",
    "delay": "delay",
}
LEGEND = (
    "Alone: the ripple of one error without the others; harmonics of one order add as phasors, so these do not add up. "
    "Reduction: mean over the curves. Every value of a change is computed for the changed axis."
)
RESOLUTIONS = {"interpolation.factor": "counts per period", "interpolation.bits": "bits of the A/D converter"}


def choice(result: Choice, *, long: bool = False, cautious: bool = True) -> Report:
    """Report of a choice."""
    most = MOST_ROWS if long else ROWS
    blocks: list[ReportPart] = [TextTable(_columns(result, most))]
    if len(result.rows) > most:
        blocks.append(Paragraph(f"{len(result.rows) - most} more candidates: --csv and --json list all."))
    blocks += _front(result, None if long else FRONT)
    blocks += [Paragraph(line) for line in _remarks(result, result.rows[:most], long)]
    shown, which = result.best or result.nearest, "the best" if result.best else "the nearest"
    reasons = shown.judgement.reasons if shown else ()
    blocks.append(Notes([f"{which} is not reliable: {reason}" for reason in reasons], DOUBT))
    return Report(_answer(result), [*blocks, *caution(cautious)], long)


def _answer(result: Choice) -> list[str]:
    """The best candidate, or the one nearest to the limits."""
    if result.best is None:
        assert result.nearest is not None
        near = f"Nearest: {missed(result.nearest)}."
        lines = [toned(f"None of {result.count} candidates meets the limits. {near}", LIMIT)]
    else:
        best, met = result.best, sum(row.met for row in result.rows)
        costs = "".join(f", {name} {show(value, '1')}" for name, value in best.cost.items())
        check = best.judgement.limit(best.binding)
        lines = [
            f"Best of {result.count} candidates, {met} of which meet all limits: {best.short}{costs}.",
            f"Limited by {check_words(check, best.judgement.units)}.",
        ]
    return [*lines, *(_saturated(result, each) for each in result.saturation if each.values)]


def missed(row: ChoiceRow) -> str:
    """The limits that a candidate misses, in words."""
    missed_limits = (check_words(each, row.judgement.units) for each in row.missed)
    return f"{row.short}; not met: {'; '.join(missed_limits)}"


def check_words(check: LimitCheck, units: dict[str, str]) -> str:
    """One limit: name, value, allowed value, speed."""
    value, limit = reached(check, units), amount(check.limit, units[check.name])
    where = "" if math.isnan(check.speed) else f" at {show(check.speed, units['top_speed'])}"
    word = "least" if check.name in ("top_speed", "phase_margin") else "limit"
    return f"{NAMES[check.name]} {value} ({word} {limit}){where}"


def reached(check: LimitCheck, units: dict[str, str]) -> str:
    """The value of a check; ripple without bound is that of an unstable loop."""
    grows = check.value == math.inf and check.name != "top_speed"
    return "unstable" if grows else amount(check.value, units[check.name])


def amount(value: float, unit: str) -> str:
    """A value or limit with its unit."""
    if unit == "deg":
        return "none (unstable)" if value == -math.inf else f"{value:.1f} deg"
    return "no limit" if value == math.inf else show(value, unit)


def _saturated(result: Choice, each: Saturation) -> str:
    """The resolution beyond which the ripple hardly falls, and the cause that is left."""
    word, value = RESOLUTIONS[each.path], "no rounding" if each.value is None else f"{each.value}"
    left = ""
    if each.cause is not None:
        speed = show(each.speed, result.units["speed"])
        left = f" Largest cause then: {CAUSES[each.cause].term}, {percent_number(each.share)} % at {speed}."
    if not each.ends:
        return f"The finest tried, {value} {word}, still reduces the ripple: finer ones may too.{left}"
    return f"Beyond {value} {word} the ripple falls by less than 10 %.{left}"


def _columns(result: Choice, most: int) -> list[Column]:
    """The ranked table."""
    rows, front = result.rows[:most], {id(row) for row in result.frontier}
    columns = [Column("", [f"{number}" for number in range(1, len(rows) + 1)])]
    columns += [
        Column(
            last_word(path, result.paths), [changes.write(row.axis, path, row.changes[path]) for row in rows]
        )
        for path in result.paths
    ]
    columns += [] if result.paths else [texts("axis", [row.name for row in rows])]
    columns += [Column(name, [show(row.cost[name], "1") for row in rows]) for name in result.costs]
    return [
        *columns,
        texts("meets", ["yes" if row.met else "no, stopped early" if row.pruned else "no" for row in rows]),
        Column("reached", [_of_limit(row) for row in rows], "% of limit"),
        texts("limited by", [_limited_by(row) for row in rows]),
        measured("delay", [row.delay if math.isfinite(row.delay) else math.nan for row in rows], "s"),
        Column("value", [_value(row) for row in rows]),
        Column("at", [_where(row) for row in rows]),
        texts("Pareto", ["yes" if id(row) in front else "" for row in rows]),
    ]


def _limited_by(row: ChoiceRow) -> str:
    """The limiting criterion; of a row that was stopped early the limit that it misses in any case."""
    return f"misses {NAMES[row.binding]}" if row.pruned else NAMES[row.binding]


def _of_limit(row: ChoiceRow) -> str:
    if row.pruned:
        return "-"  # its ripple may exceed its limit by more
    about = "" if row.exact else "~"
    return about + ("-" if math.isinf(row.share) else percent_number(row.share))


def _value(row: ChoiceRow) -> str:
    if row.pruned:
        return "-"
    check = row.judgement.limit(row.binding)
    return reached(check, row.judgement.units)


def _where(row: ChoiceRow) -> str:
    speed = row.judgement.limit(row.binding).speed
    return "-" if math.isnan(speed) else show(speed, row.judgement.units["top_speed"])


def _front(result: Choice, most: int | None) -> list[ReportPart]:
    """The candidates of which no other is better in both."""
    if len(result.frontier) < 2:
        return []
    against = " and ".join(result.costs) or "delay"
    rows = result.frontier[:most]
    prices = [Column(name, [show(row.cost[name], "1") for row in rows]) for name in result.costs]
    columns = [
        *(prices or [measured("delay", [row.delay for row in rows], "s")]),
        Column("ripple", [percent_number(row.ripple) for row in rows], "% of limit"),
        texts("candidate", [row.short for row in rows]),
    ]
    more = len(result.frontier) - len(rows)
    rest = [Paragraph(f"{more} more with --long.")] if more else []
    return [TextTable(columns, f"Pareto-optimal: least ripple for its {against}."), *rest]


def _remarks(result: Choice, rows: Sequence[ChoiceRow], long: bool) -> Iterator[str]:
    """Impossible combinations, meaning of the marks."""
    if result.impossible:
        yield f"Impossible: {len(result.impossible)} of {result.count}."
        reasons: dict[str, list[str]] = {}
        for name, reason in result.impossible:
            reasons.setdefault(reason, []).append(name)
        for reason, names in list(reasons.items())[:IMPOSSIBLE]:
            yield f"- {reason}: {len(names)}, as {names[0]}"
        if len(reasons) > IMPOSSIBLE:
            yield f"- {len(reasons) - IMPOSSIBLE} more reasons: --json lists all."
    pruned = sum(row.pruned for row in result.rows)
    if pruned and (long or any(row.pruned for row in rows)):
        yield f"{pruned} candidates miss a limit that does not depend on the speed; their ripple was not computed."
    if not all(row.exact or row.pruned for row in rows):
        yield "~ screened (approximate, mostly within some per cent); the others are computed in full."
    shown = result.best or result.nearest
    if shown and any(check.name in ("torque", "actual", "phase_margin") for check in shown.judgement.limits):
        yield "Ripple of a closed loop: from encoder errors alone, without friction and cogging."


def explanation(result: Explanation, *, long: bool = False, cautious: bool = True) -> Report:
    """Report of an explanation."""
    blocks: list[ReportPart] = [TextTable(_causes(result, 0.0 if long else LEAST_SHARE))]
    blocks += [TextTable(_remedies(result, long)), *_rest(result, long)]
    if long:
        blocks += [Paragraph(line) for line in result.text.splitlines()]
        blocks += [*map(_detail_block, _details(result)), Paragraph(LEGEND)]
    if result.verified is not None:
        blocks.append(Paragraph(_verification(result, result.verified)))
    blocks.append(Notes(result.reasons, DOUBT))
    return Report(
        explained(result), [*blocks, *caution(cautious, result.cautions if _closed(result) else ())], long
    )


def _closed(result: Explanation) -> bool:
    return result.axis.control is not None


def _detail_block(text: str) -> Paragraph:
    return Paragraph(text, indent="    ")


def _rest(result: Explanation, long: bool) -> list[ReportPart]:
    """How many remedies are not listed."""
    hidden = len(_listed(result, True)) - len(_listed(result, long))
    return (
        [Paragraph(f"{hidden} more changes, their settings and side effects with --long.")] if hidden else []
    )


def _listed(result: Explanation, long: bool) -> list[Remedy]:
    """The remedies of the table."""
    every = [remedy for remedy in changes_of(result) if remedy.change]
    helping = [remedy for remedy in every if remedy.applies]
    if long:
        return every
    return [
        *helping[:REMEDIES_SHOWN],
        *[each for each in helping[REMEDIES_SHOWN:] if each is result.together],
    ]


def disagreement(result: Explanation) -> str:
    """The remedies that the simulation does not confirm, in one line."""
    every = [remedy.name for remedy in changes_of(result) if remedy.agrees is False]
    return f"the simulation does not confirm: {', '.join(every) or 'the ripple of the axis as it is'}"


def _curves(result: Explanation) -> dict[str, str]:
    """Curves of this axis with the heads of their columns."""
    heads = {"measured": "measured", "torque": force(result.axis), "actual": "actual"}
    return {curve: heads[curve] for curve in CURVES if result.values[curve] is not None}


def _causes(result: Explanation, least: float) -> list[Column]:
    """Table of the causes, each followed by its faults alone."""
    rows: list[tuple[str, str, dict[str, float]]] = []
    if _closed(result):
        rows.append(("all", "100", result.values))
    for cause in result.causes:
        if cause.share < least:
            continue
        values = {curve: getattr(cause, curve) for curve in CURVES}
        term = CAUSES[cause.cause].term
        alone = [
            (source.short, {curve: getattr(source, curve) for curve in CURVES}) for source in cause.sources
        ]
        if len(alone) == 1 and _alike(values, alone[0][1]):
            name = alone.pop()[0]
            term = name if name.startswith(term) else f"{term}: {name}"
        rows.append((term, share_text(cause.share), values))
        rows += [(f"  {name}, alone", "", own) for name, own in alone]
    columns = [
        texts("cause", [name for name, _, _ in rows]),
        Column("share", [share for _, share, _ in rows], "%"),
    ]
    for curve, head in _curves(result).items():
        columns.append(measured(head, [values[curve] for _, _, values in rows], unit_of(result.axis, curve)))
    return columns


def _alike(values: dict[str, float], others: dict[str, float]) -> bool:
    """Whether two sets of ripple read the same."""
    return all(values[curve] is None or number(values[curve]) == number(others[curve]) for curve in values)


def _remedies(result: Explanation, long: bool) -> list[Column]:
    """Table of the remedies: reduction, ripple after each, simulation, effect."""
    remedies = _listed(result, long)
    columns = [texts("change", [short_name(remedy) for remedy in remedies])]
    head = "mean reduction" if _closed(result) else "reduction"
    columns.append(Column(head, [reduction(remedy) for remedy in remedies], "%"))
    marked = any(remedy.doubtful for remedy in remedies)
    mark = [f" {toned('?', DOUBT)}" if remedy.doubtful else "  " * marked for remedy in remedies]
    for curve, head in _curves(result).items():
        columns.append(
            measured(head, _after(remedies, curve, "after"), unit_of(result.axis, curve), mark=mark)
        )
    if result.verified is not None:
        for curve, head in _curves(result).items():
            values = _after(remedies, curve, "verified")
            columns.append(measured(f"{head} simulated", values, unit_of(result.axis, curve)))
    if long:
        columns.append(
            texts("effect", ["reduces" if remedy.applies else remedy.effect for remedy in remedies])
        )
    else:
        columns.append(texts("setting", [_setting(result, remedy) for remedy in remedies], firm=True))
    return columns


def _setting(result: Explanation, remedy: Remedy) -> str:
    """The change as --set takes it; several only with --long."""
    written = [f"{path}={text}" for path, text in remedy.written.items()]
    return written[0] if len(written) == 1 and remedy is not result.together else f"{len(written)} settings"


def _after(remedies: list[Remedy], curve: str, which: str) -> list[float]:
    """Values of a curve of the changed axes; NaN where they are not known."""
    every = [getattr(remedy, which) for remedy in remedies]
    known = [None if values is None else values[curve] for values in every]
    return [math.nan if value is None or not math.isfinite(value) else value for value in known]


def _details(result: Explanation) -> Iterator[str]:
    """Each remedy with its setting, and its side effects or the reason why it does nothing."""
    for remedy in changes_of(result):
        written = {} if remedy is result.together else remedy.written
        words = [f"{short_name(remedy)}:", remedy.name + (";" if written else ".")]
        if written:
            words.append("; ".join(f"{path} = {text}" for path, text in written.items()) + ".")
        if not remedy.applies:
            words.append(sentence(f"{_verdict(remedy)}: {remedy.reason}."))
        if remedy.side_effects:
            words.append(sentence("; ".join(remedy.side_effects)) + ".")
        if remedy.assumed:
            words.append(f"Assumed: {remedy.assumed}.")
        words += [f"Not reliable: {reason}." for reason in remedy.reasons]
        yield " ".join(words)


def _verdict(remedy: Remedy) -> str:
    words = {
        "none": "no effect",
        "worse": "increases the ripple",
        "mixed": "mixed effect",
        "unsafe": "not safe",
    }
    return words.get(remedy.effect, "not possible")


def _verification(result: Explanation, simulated: dict[str, float]) -> str:
    """Agreement of the simulations with the predictions."""
    checked = [remedy for remedy in changes_of(result) if remedy.verified is not None]
    agree = sum(remedy.agrees is True for remedy in checked)
    present = ", ".join(
        f"{head} {beside(simulated[curve], result.values[curve], unit_of(result.axis, curve))}"
        for curve, head in _curves(result).items()
    )
    words = [
        f"Simulated: {agree} of {len(checked)} remedies agree within 5 %.",
        f"Present axis: {present}.",
    ]
    differ = [remedy.kind for remedy in checked if remedy.agrees is False]
    unsettled = [remedy.kind for remedy in checked if remedy.agrees is None]
    words += [f"Different from the prediction: {', '.join(differ)}."] if differ else []
    words += [f"Not settled in the longest run: {', '.join(unsettled)}."] if unsettled else []
    return " ".join(words)
