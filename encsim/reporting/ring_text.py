"""Errors of a mounted ring as text: the answer first, then tables, then further questions that were asked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..model import ring_geometry
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    ROUNDING,
    Cautions,
    Column,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    measured,
    texts,
)
from ..wording import number, percent_number, sentence, show
from .text_parts import caution

if TYPE_CHECKING:
    import numpy as np

    from ..rings.budget import Budget
    from ..rings.centring import Centring
    from ..rings.clamping_forces import Clamping
    from ..rings.error_orders import RingCurve, RingOrder
    from ..rings.growth import Expansion, SeatFit
    from ..rings.heads import HeadSearch
    from ..rings.residual_eccentricity import Remaining
    from ..rings.tolerances import Tolerances


ROWS = 12
# Orders and contributions below this share of the largest, and causes below this share of their order, are left out.
SMALLEST, LEAST = 1e-5, 1e-3
# A second-order remainder below this share of the error with one head is shown as 0.
NOTHING_LEFT = 1e-4
# Arrangements of heads that a ring is compared with.
NAMES = {1: "one head", 2: "two, opposite", 3: "three, equally spaced", 4: "four, equally spaced"}


@dataclass(frozen=True, kw_only=True, slots=True)
class RingResults:
    """Everything about a ring that was asked for; None what was not.

    Attributes
    ----------
    curve : RingCurve
    compared : tuple of RingCurve
        One to four heads, equally spaced.
    budget : Budget
    search : HeadSearch or None
    growth : Expansion or None
    fit : SeatFit or None
    tolerances : Tolerances or None
    centring : Centring or None
    remaining : Remaining or None
    """

    curve: RingCurve
    compared: tuple[RingCurve, ...]
    budget: Budget
    search: HeadSearch | None
    growth: Expansion | None
    fit: SeatFit | None
    tolerances: Tolerances | None
    centring: Centring | None
    remaining: Remaining | None


def ring(answers: RingResults, material: str, *, long: bool = False, cautious: bool = True) -> Report:
    """Report of a ring."""
    curve, growth = answers.curve, answers.growth
    blocks: list[ReportPart] = [*_orders(curve, long), _compared(answers)]
    if long:
        blocks += _budget(answers.budget)
    if answers.search is not None:
        blocks += _searched(answers.search)
    if answers.tolerances is not None:
        blocks += _tolerances(answers.tolerances)
    if growth is not None:
        blocks += _growth(growth, material)
    if answers.fit is not None:
        blocks += _seat(answers.fit)
    if answers.centring is not None:
        blocks += _centring(answers.centring, answers.remaining)
    blocks.append(Notes(curve.reasons, DOUBT))
    if growth is None:
        blocks += caution(cautious)
    elif cautious:
        blocks.append(Cautions(f"Caution: {growth.cautions[0]}", growth.cautions))
    return Report([*_answer(curve), *_uncertainty(answers.budget)], blocks, long)


def curve(result: RingCurve, *, long: bool = False) -> Report:
    """Report of the angle error of a ring, by order and cause."""
    return Report(_answer(result), [*_orders(result, long), Notes(result.reasons, DOUBT)], long)


def budget(result: Budget, *, long: bool = False) -> Report:
    """Report of the uncertainty of an angle."""
    return Report(_uncertainty(result), _budget(result), long)


def heads(result: HeadSearch, *, long: bool = False) -> Report:
    """Report of searched angles of heads."""
    return Report([], _searched(result), long)


def tolerances(result: Tolerances, *, long: bool = False) -> Report:
    """Report of the allowed faults of the mounting."""
    return Report([], _tolerances(result), long)


def growth(result: Expansion, *, long: bool = False) -> Report:
    """Report of growth and stress."""
    cautions = Cautions(f"Caution: {result.cautions[0]}", result.cautions)
    return Report([], [*_growth(result), cautions], long)


def seat(result: SeatFit, *, long: bool = False) -> Report:
    """Report of the play on a shaft."""
    return Report([], _seat(result), long)


def centring(result: Centring, *, long: bool = False) -> Report:
    """Report of the eccentricity of a ring and how to shift it."""
    return Report([], _centring(result), long)


def remaining(result: Remaining, *, long: bool = False) -> Report:
    """Report of the eccentricity that is left."""
    return Report([f"{_remaining(result)}."], [Notes(result.reasons, DOUBT)], long)


def clamping(result: Clamping, *, long: bool = False) -> Report:
    """Report of the loads at which a ring slips."""
    shock = "" if math.isnan(result.shock) else f", or by a shock of {show(result.shock, 'm/s2')}"
    answer = [
        f"The ring slips at a torque of {show(result.torque, 'N m')} or an acceleration of "
        f"{show(result.acceleration, 'rad/s2')}{shock}.",
        f"Force of all screws {show(result.force, 'N')}, lowest preload of one {show(result.preload, 'N')}.",
    ]
    return Report(answer, [Cautions(f"Caution: {result.cautions[0]}", result.cautions)], long)


def order(result: RingOrder, *, long: bool = False) -> Report:
    """Report of one order of the angle error."""
    causes = ", ".join(
        f"{name} {show(size, 'rad')}" for name, size in result.causes.items() if size > LEAST * result.alone
    )
    answer = [
        f"{result.order} per revolution: {show(result.amplitude, 'rad')} with these heads, "
        f"{show(result.alone, 'rad')} with the first head alone.",
        *([f"Causes: {causes}."] if causes else []),
    ]
    return Report(answer, [Notes(result.reasons, DOUBT)], long)


def angle(value: float) -> str:
    """An angle for people; a dash for what is not known, "any" for no limit."""
    return "-" if math.isnan(value) else "any" if math.isinf(value) else show(value, "rad")


def degrees(values: np.ndarray) -> str:
    """Angles of heads, deg."""
    return ", ".join(f"{math.degrees(value):.4g}" for value in values) + " deg"


def _answer(curve: RingCurve) -> list[str]:
    """The angle error of the ring, with its heads and with one head."""
    count = len(curve.heads)
    who = f"{count} heads at {degrees(curve.heads)}" if count > 1 else "one head"
    words = f"Angle error of the {show(curve.ring.diameter, 'm')} ring with {who}: {_sizes(curve)}."
    if count > 1:
        alone = 0.5 * float(curve.alone.max() - curve.alone.min())
        words += f" First head alone: peak {show(alone, 'rad')}."
    return [words]


def _sizes(curve: RingCurve) -> str:
    return f"peak {show(curve.peak, 'rad')} ({show(curve.arc, 'm')} at the rim), {show(curve.rms, 'rad')} rms"


def _orders(curve: RingCurve, long: bool) -> list[ReportPart]:
    """Error by order: with one head, with the heads, and its causes."""
    left = {line.order: line for line in curve.orders}
    alone = {line.order: line for line in curve.alone_orders}
    size = {n: max(part[n].amplitude for part in (left, alone) if n in part) for n in {*left, *alone}}
    listed = [n for n in size if size[n] > SMALLEST * max(size.values())]
    kept = sorted(sorted(listed, key=lambda n: (-size[n], n))[: None if long else ROWS])
    if not kept:
        return [Paragraph("The ring has no errors.")]
    single = [alone[n].amplitude if n in alone else 0.0 for n in kept]
    columns = [Column("per revolution", [str(n) for n in kept]), measured("one head", single, "rad")]
    if len(curve.heads) > 1:
        several = [left[n].amplitude if n in left else 0.0 for n in kept]
        columns.append(measured(f"{len(curve.heads)} heads", several, "rad"))
    columns.append(measured("rim", [each * curve.ring.radius for each in single], "m"))
    columns.append(
        texts("causes, for one head", [_causes(alone[n] if n in alone else left[n]) for n in kept])
    )
    more = len(listed) - len(kept)
    return [TextTable(columns), *([Paragraph(f"{more} smaller orders with --long.")] if more else [])]


def _causes(line: RingOrder) -> str:
    known = sorted(line.causes.items(), key=lambda part: -part[1])
    least = LEAST * known[0][1] if known else 0.0
    return ", ".join(f"{name} {show(size, 'rad')}" for name, size in known if size > least)


def _compared(answers: RingResults) -> TextTable:
    """One to four heads, equally spaced, beside those given."""
    curves = {NAMES[len(curve.heads)]: curve for curve in answers.compared}
    same = any(_same(curve.heads, answers.curve.heads) for curve in answers.compared)
    curves |= {} if same else {f"as given, {degrees(answers.curve.heads)}": answers.curve}
    return TextTable([
        texts("heads", curves),
        _remainders("peak", [curve.peak for curve in curves.values()], "rad"),
        _remainders("rms", [curve.rms for curve in curves.values()], "rad"),
        _remainders("rim peak", [curve.arc for curve in curves.values()], "m"),
    ])  # fmt: skip


def _remainders(head: str, left: list[float], unit: str) -> Column:
    """The error with several heads, 0 where it is rounding beside that with one head, the first."""
    return measured(head, [value if value > NOTHING_LEFT * left[0] else 0.0 for value in left], unit)


def _same(first: np.ndarray, second: np.ndarray) -> bool:
    """Whether heads stand at the same angles, but for a common rotation."""
    if len(first) != len(second):
        return False
    turned = [sorted((value - heads[0]) % (2.0 * math.pi) for value in heads) for heads in (first, second)]
    return all(abs(a - b) < ring_geometry.SAME_SPOT for a, b in zip(*turned, strict=True))


def _budget(budget: Budget) -> list[ReportPart]:
    """The largest contributions to the uncertainty."""
    counted = [i for i, size in enumerate(budget.standard) if size >= SMALLEST * budget.combined]
    rank = sorted(counted, key=lambda i: -budget.standard[i])
    largest = TextTable([
        texts("uncertainty budget", [budget.name[i] for i in rank]),
        Column("share", [f"{100.0 * budget.share[i]:.1f}" for i in rank], "%"),
        measured("standard", [budget.standard[i] for i in rank], "rad"),
        measured("size", [budget.size[i] for i in rank], "rad"),
        texts("distribution", [budget.distribution[i] for i in rank]),
    ])  # fmt: skip
    words = f"Worst case, all at their extremes: {show(budget.worst, 'rad')}. By JCGM 100."
    return [largest, Paragraph(words), Notes(budget.reasons, DOUBT)]


def _uncertainty(budget: Budget) -> list[str]:
    """Expanded and combined uncertainty."""
    rim = "" if math.isnan(budget.arc) else f"at the rim {show(budget.arc, 'm')}; "
    covers = f"k = {budget.factor:.2f}, {100.0 * budget.probability:g} %"
    return [
        f"Expanded uncertainty ({covers}) {show(budget.expanded, 'rad')}.",
        sentence(f"{rim}combined standard uncertainty {show(budget.combined, 'rad')}."),
    ]


def _searched(search: HeadSearch) -> list[ReportPart]:
    """Angles of the heads that were searched, and their error beside that of equal spacing."""
    angles = search.alone and search.amplitude.max(initial=0.0) < 1.0

    def size(value: float) -> str:
        share = value / search.alone if value > ROUNDING * search.alone else 0.0
        return angle(value) if angles else f"{percent_number(share)} %"

    whole = f"{angle(search.alone)} with one head" if angles else "relative to one head"
    words = (
        f"Best heads at {degrees(search.heads)}: {size(search.rms)} rms ({whole}); equally spaced: "
        f"{size(search.equal_rms)}."
    )
    if not angles:
        words += " All orders asked for have the same weight."
    table = TextTable([
        Column("per revolution", [str(n) for n in search.orders[:ROWS]]),
        Column("these heads", [f"{100.0 * share:.2f}" for share in search.weight[:ROWS]], "%"),
        Column("equally spaced", [f"{100.0 * share:.2f}" for share in search.equal_weight[:ROWS]], "%"),
    ])  # fmt: skip
    moved = f"Remaining effect of eccentricity and wander: {100.0 * search.displacement:.2f} %."
    return [Paragraph(words), table, Paragraph(moved), Notes(search.reasons, DOUBT)]


def _tolerances(tolerances: Tolerances) -> list[ReportPart]:
    """The largest allowed value of each fault, all others as described."""
    met = "is met" if tolerances.valid else f"is not met: {tolerances.reasons[0]}"
    words = (
        f"The limit of {show(tolerances.limit, 'rad')} on the sum of all amplitudes "
        f"({show(tolerances.now, 'rad')} as described) {met}. Allowed, one at a time, all others as described:"
    )
    names = list(tolerances.allowed)
    given = [show(tolerances.given[name], tolerances.dimension[name]) for name in names]
    allowed = [_allowed(tolerances.allowed[name], tolerances.dimension[name]) for name in names]
    tone = "" if tolerances.valid else LIMIT
    return [
        Paragraph(words, tone),
        TextTable([texts("fault", names), Column("as described", given), Column("allowed", allowed)]),
    ]


def _allowed(value: float, unit: str) -> str:
    if math.isnan(value):
        return "none: the others use the whole limit"
    return "any" if math.isinf(value) else show(value, unit)


def _growth(growth: Expansion, material: str = "") -> list[ReportPart]:
    """Growth, stress and safety."""
    typical = f" (typical values of {material}; use your own)" if material else ""
    words = [f"Growth of the radius {show(growth.radius_growth, 'm')}{typical}."]
    if growth.rim_speed:
        words.append(
            f"Rim speed {show(growth.rim_speed, 'm/s')}, hoop stress {number(growth.stress / 1e6)} MPa."
        )
    if growth.rim_speed and not math.isnan(growth.safety):
        limit = show(growth.speed_limit, "rad/s")
        words.append(f"With these values it yields at {limit}, {number(growth.safety)} times this speed.")
    words.append("Uniform growth of a whole ring changes no angle.")
    return [
        *(Paragraph(f"WARNING: {reason}.", LIMIT) for reason in growth.reasons),
        Paragraph(" ".join(words)),
    ]


def _seat(fit: SeatFit) -> list[ReportPart]:
    """Play of the ring on its shaft."""
    words = f"Play on the shaft {show(fit.play, 'm')} of diameter: "
    if fit.play > 0.0:
        words += f"eccentricity up to {show(fit.eccentricity, 'm')}, {angle(fit.angle_error)} with one head."
    else:
        words += "the fit is tight and allows no eccentricity."
    warnings = [
        Paragraph(f"WARNING: at that speed and temperature {reason}.", LIMIT) for reason in fit.reasons
    ]
    return [*warnings, Paragraph(words)]


def _centring(centring: Centring, left: Remaining | None = None) -> list[ReportPart]:
    """Eccentricity of the ring, how to shift it, and the eccentricity that is likely to remain."""
    offset = f"{show(centring.eccentricity, 'm')} +- {show(centring.uncertainty, 'm')}"
    words = f"Centring: eccentricity {offset} (run-out {show(centring.run_out, 'm')}), "
    words += f"{show(centring.angle_error, 'rad')} with one head."
    uncertainty, lines = centring.order_uncertainty, list(centring.advice)
    for order, (size, _) in centring.lobes.items():
        lines.append(
            f"Out of round, {order} per revolution: {show(size, 'm')} +- {show(uncertainty[order], 'm')}"
        )
    for order, (size, _) in centring.graduation.items():
        lines.append(
            f"Graduation error, {order} per revolution: {show(size, 'rad')} +- {show(uncertainty[order], 'rad')}"
        )
    if not math.isnan(centring.swash):
        swash = f"{show(centring.swash, 'rad')} +- {show(centring.swash_uncertainty, 'rad')}"
        lines.append(f"Tilt of the face: {swash}")
    if centring.lost:
        lines.append(f"Unobservable with these heads: {', '.join(map(str, centring.lost))} per revolution")
    if centring.valid and left is not None:
        lines.append(_remaining(left))
    reasons = [*centring.reasons, *(left.reasons if centring.valid and left is not None else ())]
    return [
        Paragraph(words),
        *(Paragraph(f"  {line}", indent="    ") for line in lines),
        Notes(reasons, DOUBT),
    ]


def _remaining(left: Remaining) -> str:
    """The eccentricity that is likely to remain."""
    likely = f"95th percentile {show(left.likely, 'm')} ({show(left.angle_likely, 'rad')})"
    return f"After shifting and tightening: {show(left.rms, 'm')} rms, {likely}"
