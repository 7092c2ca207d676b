"""What a mounted ring does, as text for people: the answer first, then tables, then what else was asked."""

from __future__ import annotations

import math
import re
import textwrap
from typing import TYPE_CHECKING, Any

from ..model import ring_geometry
from ..wording import aligned, show
from .axis_tables import CAUTION
from .loop_text import listed

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
# Orders and contributions below this part of the largest, and causes below this part of their order, are left out.
SMALLEST, LEAST = 1e-5, 1e-3
WIDE = 100
BEFORE_UNIT = re.compile(r"(?<=[0-9]) (?=[a-zA-Zµ])")
# Second-order remainders below this part of what one head shows are nothing to a person.
NOTHING_LEFT = 1e-4
NAMES = {1: "one head", 2: "two, opposite", 3: "three, equally spaced", 4: "four, equally spaced"}


def ring(answers: Any, material: str, *, cautious: bool = True) -> str:
    """Report of a ring."""
    parts = [
        _answer(answers.curve),
        "\n",
        _orders(answers.curve),
        "\n",
        _compared(answers),
        "\n",
        _budget(answers.budget),
    ]
    if answers.search is not None:
        parts += ["\n", _searched(answers.search)]
    if answers.tolerances is not None:
        parts += ["\n", _tolerances(answers.tolerances)]
    if answers.growth is not None:
        parts += ["\n", _grown(answers.growth, material)]
    if answers.fit is not None:
        parts += ["\n", _fitted(answers.fit)]
    if answers.centring is not None:
        parts += ["\n", _centred(answers.centring, answers.remaining)]
    parts += [f"Note: {reason}.\n" for reason in answers.curve.reasons]
    if cautious:
        parts += ["\n", CAUTION if answers.growth is None else listed(answers.growth.cautions)]
    return "".join(parts)


def angle(value: float) -> str:
    """An angle for people; a dash for what is not known, "any" for no limit."""
    return "-" if math.isnan(value) else "any" if math.isinf(value) else show(value, "rad")


def degrees(values: np.ndarray) -> str:
    """Angles of heads, deg."""
    return ", ".join(f"{math.degrees(value):.4g}" for value in values) + " deg"


def filled(text: str) -> str:
    """Text in lines that are not too long, no number parted from its unit."""
    joined = textwrap.fill(BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text), WIDE)
    return joined.replace("\N{NO-BREAK SPACE}", " ") + "\n"


def _answer(curve: RingCurve) -> str:
    """How far the ring reads off, with the heads and with one."""
    count = len(curve.heads)
    who = f"{count} heads at {degrees(curve.heads)}" if count > 1 else "one head"
    sizes = (
        f"{show(curve.peak, 'rad')} peak ({show(curve.arc, 'm')} at the rim), {show(curve.rms, 'rad')} rms"
    )
    words = f"The ring of {show(curve.ring.diameter, 'm')} read by {who} is wrong by {sizes}."
    if count > 1:
        alone = 0.5 * float(curve.alone.max() - curve.alone.min())
        words += f" The first head alone: {show(alone, 'rad')} peak."
    return filled(words + " Peak is half of the whole range.")


def _orders(curve: RingCurve) -> str:
    """Lines by order: of one head, what the heads leave, and what they come from."""
    left = {line.order: line for line in curve.orders}
    alone = {line.order: line for line in curve.alone_orders}
    size = {n: max(part[n].amplitude for part in (left, alone) if n in part) for n in {*left, *alone}}
    told = [n for n in size if size[n] > SMALLEST * max(size.values())]
    kept = sorted(sorted(told, key=lambda n: (-size[n], n))[:ROWS])
    if not kept:
        return "No order is there.\n"
    rows = {"times a turn": [str(n) for n in kept]}
    rows["one head"] = [show(alone[n].amplitude, "rad") if n in alone else "0" for n in kept]
    rows["at the rim"] = [
        show(alone[n].amplitude * curve.ring.radius, "m") if n in alone else "0" for n in kept
    ]
    if len(curve.heads) > 1:
        rows[f"{len(curve.heads)} heads leave"] = [
            show(left[n].amplitude, "rad") if n in left else "0" for n in kept
        ]
    rows["causes, for one head"] = [_causes(alone.get(n, left.get(n))) for n in kept]
    more = f"and {len(told) - len(kept)} smaller orders\n" if len(told) > len(kept) else ""
    return _left_last(rows) + more


def _left_last(rows: dict[str, list[str]]) -> str:
    """A table whose last column is set to the left."""
    *_, last = rows
    wide = max(map(len, (last, *rows[last])))
    rows = {**{name: cells for name, cells in rows.items() if name != last},
            last.ljust(wide): [cell.ljust(wide) for cell in rows[last]]}  # fmt: skip
    return "".join(f"{line.rstrip()}\n" for line in aligned(rows).splitlines())


def _causes(line: RingOrder) -> str:
    known = sorted(line.causes.items(), key=lambda part: -part[1])
    least = LEAST * known[0][1] if known else 0.0
    return ", ".join(f"{name} {show(size, 'rad')}" for name, size in known if size > least)


def _compared(answers: Any) -> str:
    """One to four heads, equally spaced, beside those given."""
    curves = {NAMES[len(one.heads)]: one for one in answers.compared}
    same = any(_same(one.heads, answers.curve.heads) for one in answers.compared)
    alone = answers.compared[0]
    curves |= {} if same else {f"as given, {degrees(answers.curve.heads)}": answers.curve}
    return table({
        "heads": list(curves),
        "peak": [_beside(one.peak, alone.peak, "rad") for one in curves.values()],
        "rms": [_beside(one.rms, alone.rms, "rad") for one in curves.values()],
        "peak at the rim": [_beside(one.arc, alone.arc, "m") for one in curves.values()],
    })  # fmt: skip


def _beside(left: float, alone: float, unit: str) -> str:
    """What heads leave, 0 where that is nothing beside what one head shows."""
    return show(left, unit) if left > NOTHING_LEFT * alone else "0"


def _same(first: np.ndarray, second: np.ndarray) -> bool:
    """Whether heads stand at the same angles but for a turn of all."""
    if len(first) != len(second):
        return False
    turned = [sorted((value - heads[0]) % (2.0 * math.pi) for value in heads) for heads in (first, second)]
    return all(abs(a - b) < ring_geometry.SAME_SPOT for a, b in zip(*turned, strict=True))


def table(rows: dict[str, list[str]]) -> str:
    """A table whose first column is set to the left."""
    head, *_ = rows
    wide = max(map(len, (head, *rows[head])))
    rest = {name: cells for name, cells in rows.items() if name != head}
    return aligned({head.ljust(wide): [cell.ljust(wide) for cell in rows[head]], **rest})


def _budget(budget: Budget) -> str:
    """The largest contributions, their sum and what it means at the rim."""
    told = [i for i, size in enumerate(budget.standard) if size >= SMALLEST * budget.combined]
    rank = sorted(told, key=lambda i: -budget.standard[i])[:ROWS]
    largest = table({
        "uncertainty budget": [budget.name[i] for i in rank],
        "distribution": [budget.distribution[i] for i in rank],
        "size": [show(budget.size[i], "rad") for i in rank],
        "standard": [show(budget.standard[i], "rad") for i in rank],
        "share": [f"{100.0 * budget.share[i]:.1f} %" for i in rank],
    })  # fmt: skip
    more = len(told) - len(rank)
    rest = f"and {more} smaller contributions\n" if more > 0 else ""
    words = (
        f"Combined {show(budget.combined, 'rad')}; expanded (k = {budget.factor:.2f}, "
        f"{100.0 * budget.probability:g} %) {show(budget.expanded, 'rad')}, {show(budget.arc, 'm')} at the rim; all at "
        f"their worst at once {show(budget.worst, 'rad')}. By JCGM 100, the ring's errors taken as not corrected."
    )
    notes = "".join(f"Note: {reason}.\n" for reason in budget.reasons)
    return largest + rest + filled(words) + notes


def _searched(search: HeadSearch) -> str:
    """Angles found, and what they leave beside equal spacing."""
    angles = search.alone and search.amplitude.max(initial=0.0) < 1.0
    size = angle if angles else lambda value: f"{100.0 * value / search.alone:.3g} %"
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
    notes = "".join(f"Note: {reason}.\n" for reason in search.reasons)
    return filled(words) + (aligned(rows) if len(search.orders) else "") + moved + notes


def _tolerances(tolerances: Tolerances) -> str:
    """What each fault may be, the others as described."""
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
    return filled(words) + table(rows)


def _allowed(value: float, unit: str) -> str:
    if math.isnan(value):
        return "none: the others take all"
    return "any" if math.isinf(value) else show(value, unit)


def _grown(growth: Expansion, material: str) -> str:
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
    warnings = "".join(filled(f"WARNING: {reason}.") for reason in growth.reasons)
    return warnings + filled(" ".join(words))


def _fitted(fit: SeatFit) -> str:
    """Play of the ring on its shaft."""
    words = f"Play on the shaft {show(fit.play, 'm')} of diameter: "
    if fit.play > 0.0:
        off = show(fit.eccentricity, "m")
        words += f"the ring may sit {off} off its centre, {angle(fit.angle_error)} with one head."
    else:
        words += "the ring is tight, so the fit allows no eccentricity."
    warnings = "".join(filled(f"WARNING: at that speed and temperature {reason}.") for reason in fit.reasons)
    return warnings + filled(words)


def _centred(centring: Centring, left: Remaining) -> str:
    """How the ring sits, what to do, and what is likely to be left."""
    clear = f"{show(centring.eccentricity, 'm')} +- {show(centring.uncertainty, 'm')}"
    words = f"Centring: the ring is off centre by {clear} (run-out {show(centring.run_out, 'm')}), "
    words += f"{show(centring.angle_error, 'rad')} for a single head."
    parts = [filled(words), *(f"  {line}\n" for line in centring.advice)]
    for order, (size, _) in centring.lobes.items():
        parts.append(
            f"  Out of round at {order} a turn: {show(size, 'm')} +- {show(centring.order_uncertainty[order], 'm')}\n"
        )
    for order, (size, _) in centring.graduation.items():
        sure = show(centring.order_uncertainty[order], "rad")
        parts.append(f"  Error of the ring at {order} a turn: {show(size, 'rad')} +- {sure}\n")
    if not math.isnan(centring.swash):
        sure = show(centring.swash_uncertainty, "rad")
        parts.append(f"  Tilt of the face: {show(centring.swash, 'rad')} +- {sure}\n")
    if centring.lost:
        parts.append(f"  These heads cannot see: {', '.join(map(str, centring.lost))} a turn\n")
    parts += [f"  Note: {reason}\n" for reason in centring.reasons]
    if centring.valid:
        after = f"{show(left.rms, 'm')} rms, 95 % below {show(left.likely, 'm')} ({show(left.angle_likely, 'rad')})"
        parts.append(f"  Left after shifting and tightening: {after}\n")
        parts += [f"  Note: {reason}\n" for reason in left.reasons]
    return "".join(parts)
