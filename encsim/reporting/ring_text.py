"""Errors of a mounted ring as text: the answer first, then tables, then further questions that were asked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

from ..model import ring_geometry
from ..wording import aligned, show
from .text_parts import CAUTION, cautions_text, joined_lines, left_aligned, notes, paragraph, table, trimmed

if TYPE_CHECKING:
    import numpy as np

    from ..rings.budget import Budget
    from ..rings.centring import Centring
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


class RingResults(Protocol):
    """Results about a ring; None for what was not asked."""

    curve: RingCurve
    compared: tuple[RingCurve, ...]
    budget: Budget
    search: HeadSearch | None
    growth: Expansion | None
    fit: SeatFit | None
    tolerances: Tolerances | None
    centring: Centring | None
    remaining: Remaining | None


def ring(answers: RingResults, material: str, *, cautious: bool = True) -> str:
    """Report of a ring."""
    curve, growth = answers.curve, answers.growth
    parts = [_answer(curve), _orders(curve), _compared(answers), _budget(answers.budget)]
    if answers.search is not None:
        parts.append(_searched(answers.search))
    if answers.tolerances is not None:
        parts.append(_tolerances(answers.tolerances))
    if growth is not None:
        parts.append(_growth(growth, material))
    if answers.fit is not None:
        parts.append(_seat(answers.fit))
    if answers.centring is not None:
        parts.append(_centring(answers.centring, answers.remaining))
    parts[-1] += notes(curve.reasons, ".")
    if cautious:
        parts.append(CAUTION if growth is None else cautions_text(growth.cautions))
    return "\n".join(parts)


def angle(value: float) -> str:
    """An angle for people; a dash for what is not known, "any" for no limit."""
    return "-" if math.isnan(value) else "any" if math.isinf(value) else show(value, "rad")


def degrees(values: np.ndarray) -> str:
    """Angles of heads, deg."""
    return ", ".join(f"{math.degrees(value):.4g}" for value in values) + " deg"


def _answer(curve: RingCurve) -> str:
    """The angle error of the ring, with its heads and with one head."""
    count = len(curve.heads)
    who = f"{count} heads at {degrees(curve.heads)}" if count > 1 else "one head"
    sizes = (
        f"{show(curve.peak, 'rad')} peak ({show(curve.arc, 'm')} at the rim), {show(curve.rms, 'rad')} rms"
    )
    words = f"The ring of {show(curve.ring.diameter, 'm')} read by {who} is wrong by {sizes}."
    if count > 1:
        alone = 0.5 * float(curve.alone.max() - curve.alone.min())
        words += f" The first head alone: {show(alone, 'rad')} peak."
    return paragraph(words + " Peak is half of the whole range.")


def _orders(curve: RingCurve) -> str:
    """Error by order: with one head, with the heads, and its causes."""
    left = {line.order: line for line in curve.orders}
    alone = {line.order: line for line in curve.alone_orders}
    size = {n: max(part[n].amplitude for part in (left, alone) if n in part) for n in {*left, *alone}}
    listed = [n for n in size if size[n] > SMALLEST * max(size.values())]
    kept = sorted(sorted(listed, key=lambda n: (-size[n], n))[:ROWS])
    if not kept:
        return "No order is there.\n"
    rows = {
        "times a turn": [str(n) for n in kept],
        "one head": [show(alone[n].amplitude, "rad") if n in alone else "0" for n in kept],
        "at the rim": [
            show(alone[n].amplitude * curve.ring.radius, "m") if n in alone else "0" for n in kept
        ],
    }
    if len(curve.heads) > 1:
        several = [show(left[n].amplitude, "rad") if n in left else "0" for n in kept]
        rows[f"{len(curve.heads)} heads leave"] = several
    causes = "causes, for one head"
    rows[causes] = [_causes(alone[n] if n in alone else left[n]) for n in kept]
    more = f"and {len(listed) - len(kept)} smaller orders\n" if len(listed) > len(kept) else ""
    return trimmed(aligned(left_aligned(rows, causes))) + more


def _causes(line: RingOrder) -> str:
    known = sorted(line.causes.items(), key=lambda part: -part[1])
    least = LEAST * known[0][1] if known else 0.0
    return ", ".join(f"{name} {show(size, 'rad')}" for name, size in known if size > least)


def _compared(answers: RingResults) -> str:
    """One to four heads, equally spaced, beside those given."""
    curves = {NAMES[len(curve.heads)]: curve for curve in answers.compared}
    same = any(_same(curve.heads, answers.curve.heads) for curve in answers.compared)
    alone = answers.compared[0]
    curves |= {} if same else {f"as given, {degrees(answers.curve.heads)}": answers.curve}
    return table({
        "heads": list(curves),
        "peak": [_remainder(curve.peak, alone.peak, "rad") for curve in curves.values()],
        "rms": [_remainder(curve.rms, alone.rms, "rad") for curve in curves.values()],
        "peak at the rim": [_remainder(curve.arc, alone.arc, "m") for curve in curves.values()],
    })  # fmt: skip


def _remainder(left: float, alone: float, unit: str) -> str:
    """The error with several heads, 0 where it is rounding beside that with one head."""
    return show(left, unit) if left > NOTHING_LEFT * alone else "0"


def _same(first: np.ndarray, second: np.ndarray) -> bool:
    """Whether heads stand at the same angles, but for a common rotation."""
    if len(first) != len(second):
        return False
    turned = [sorted((value - heads[0]) % (2.0 * math.pi) for value in heads) for heads in (first, second)]
    return all(abs(a - b) < ring_geometry.SAME_SPOT for a, b in zip(*turned, strict=True))


def _budget(budget: Budget) -> str:
    """The largest contributions, the combined uncertainty, and the uncertainty at the rim."""
    counted = [i for i, size in enumerate(budget.standard) if size >= SMALLEST * budget.combined]
    rank = sorted(counted, key=lambda i: -budget.standard[i])[:ROWS]
    largest = table({
        "uncertainty budget": [budget.name[i] for i in rank],
        "distribution": [budget.distribution[i] for i in rank],
        "size": [show(budget.size[i], "rad") for i in rank],
        "standard": [show(budget.standard[i], "rad") for i in rank],
        "share": [f"{100.0 * budget.share[i]:.1f} %" for i in rank],
    })  # fmt: skip
    more = len(counted) - len(rank)
    rest = f"and {more} smaller contributions\n" if more > 0 else ""
    words = (
        f"Combined {show(budget.combined, 'rad')}; expanded (k = {budget.factor:.2f}, "
        f"{100.0 * budget.probability:g} %) {show(budget.expanded, 'rad')}, {show(budget.arc, 'm')} at the rim; all at "
        f"their worst at once {show(budget.worst, 'rad')}. By JCGM 100, the ring's errors taken as not corrected."
    )
    return largest + rest + paragraph(words) + notes(budget.reasons, ".")


def _searched(search: HeadSearch) -> str:
    """Angles of the heads that were searched, and their error beside that of equal spacing."""
    angles = search.alone and search.amplitude.max(initial=0.0) < 1.0

    def size(value: float) -> str:
        return angle(value) if angles else f"{100.0 * value / search.alone:.3g} %"

    whole = f"of the {angle(search.alone)} that one head shows" if angles else "of what one head shows"
    words = (
        f"Heads at {degrees(search.heads)} leave {size(search.rms)} rms {whole}; equally spaced ones "
        f"leave {size(search.equal_rms)}."
    )
    if not angles:
        words += " The orders asked for count alike."
    rows = {
        "times a turn": [str(n) for n in search.orders[:ROWS]],
        "these heads leave": [f"{100.0 * share:.2f} %" for share in search.weight[:ROWS]],
        "equally spaced": [f"{100.0 * share:.2f} %" for share in search.equal_weight[:ROWS]],
    }
    moved = f"Of eccentricity and wander they leave {100.0 * search.displacement:.2f} %.\n"
    listed = aligned(rows) if len(search.orders) else ""
    return paragraph(words) + listed + moved + notes(search.reasons, ".")


def _tolerances(tolerances: Tolerances) -> str:
    """The largest allowed value of each fault, all others as described."""
    met = "is met" if tolerances.valid else f"is not met: {tolerances.reasons[0]}"
    words = (
        f"The limit of {show(tolerances.limit, 'rad')} on the sum of all amplitudes "
        f"({show(tolerances.now, 'rad')} as described) {met}. One at a time, all others as described, it allows:"
    )
    rows = {
        "fault": list(tolerances.allowed),
        "as described": [
            show(tolerances.given[name], tolerances.dimension[name]) for name in tolerances.allowed
        ],
        "allowed": [
            _allowed(value, tolerances.dimension[name]) for name, value in tolerances.allowed.items()
        ],
    }
    return paragraph(words) + table(rows)


def _allowed(value: float, unit: str) -> str:
    if math.isnan(value):
        return "none: the others take all"
    return "any" if math.isinf(value) else show(value, unit)


def _growth(growth: Expansion, material: str) -> str:
    """Growth, stress and safety."""
    words = [
        f"Growth of the radius {show(growth.radius_growth, 'm')} (round figures of {material}; put in your own)."
    ]
    if growth.rim_speed:
        words.append(f"Rim {show(growth.rim_speed, 'm/s')}, hoop stress {growth.stress / 1e6:.3g} MPa.")
    if growth.rim_speed and not math.isnan(growth.safety):
        limit = show(growth.speed_limit, "rad/s")
        words.append(f"By these figures it would yield at {limit}, {growth.safety:.3g} times this speed.")
    words.append("Uniform growth of a whole ring changes no angle.")
    warnings = "".join(paragraph(f"WARNING: {reason}.") for reason in growth.reasons)
    return warnings + paragraph(" ".join(words))


def _seat(fit: SeatFit) -> str:
    """Play of the ring on its shaft."""
    words = f"Play on the shaft {show(fit.play, 'm')} of diameter: "
    if fit.play > 0.0:
        off = show(fit.eccentricity, "m")
        words += f"the ring may sit {off} off its centre, {angle(fit.angle_error)} with one head."
    else:
        words += "the ring is tight, so the fit allows no eccentricity."
    warnings = "".join(
        paragraph(f"WARNING: at that speed and temperature {reason}.") for reason in fit.reasons
    )
    return warnings + paragraph(words)


def _centring(centring: Centring, left: Remaining | None) -> str:
    """Eccentricity of the ring, how to shift it, and the eccentricity that is likely to remain."""
    offset = f"{show(centring.eccentricity, 'm')} +- {show(centring.uncertainty, 'm')}"
    words = f"Centring: the ring is off centre by {offset} (run-out {show(centring.run_out, 'm')}), "
    words += f"{show(centring.angle_error, 'rad')} for a single head."
    uncertainty, lines = centring.order_uncertainty, list(centring.advice)
    for order, (size, _) in centring.lobes.items():
        lines.append(f"Out of round at {order} a turn: {show(size, 'm')} +- {show(uncertainty[order], 'm')}")
    for order, (size, _) in centring.graduation.items():
        lines.append(
            f"Error of the ring at {order} a turn: {show(size, 'rad')} +- {show(uncertainty[order], 'rad')}"
        )
    if not math.isnan(centring.swash):
        swash = f"{show(centring.swash, 'rad')} +- {show(centring.swash_uncertainty, 'rad')}"
        lines.append(f"Tilt of the face: {swash}")
    if centring.lost:
        lines.append(f"These heads cannot see: {', '.join(map(str, centring.lost))} a turn")
    lines += [f"Note: {reason}" for reason in centring.reasons]
    if centring.valid and left is not None:
        after = f"{show(left.rms, 'm')} rms, 95 % below {show(left.likely, 'm')} ({show(left.angle_likely, 'rad')})"
        lines += [
            f"Left after shifting and tightening: {after}",
            *(f"Note: {reason}" for reason in left.reasons),
        ]
    return paragraph(words) + joined_lines(f"  {line}" for line in lines)
