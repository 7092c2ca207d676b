"""Encoder or machine: the share of each order in the error of the encoder and in the motion of the machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .. import checks, wording
from ..calibration.angle_fit import TAU
from ..model.axis import check_axis
from ..results import Result, measured_in, picture, recorded
from . import order_owners, steady_pieces

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .capture import Capture
    from .order_owners import OrderOwners


# An order is listed from this many uncertainties on.
LISTED = 3.0
# Open orders that the advice names.
NAMED = 4
# A recording that decides has at least this many periods of the lowest open order, at a speed lower by this factor.
PERIODS, SLOWER = 10.0, 3.0


class OwnedOrder(NamedTuple):
    """One order and whose it is."""

    name: str
    order: float
    amplitude: float
    uncertainty: float
    owner: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Separation(Result):
    """Each order's share in the encoder's error and in the machine's motion.

    Attributes
    ----------
    rows : tuple of (name, order, amplitude, uncertainty, owner)
        Order per revolution (rotary) or per metre; NaN for a tone, which stays at its frequency at all speeds.
        ``owner`` is "encoder" (amplitude is the position error, m or rad), "machine" (a disturbing torque or force,
        N m or N, at the motor) or "unknown" (measured position, m or rad). An order of both has two rows.
    speeds : tuple of float
        Distinct speeds of the recordings, m/s or rad/s.
    advice : str
        The further recording that would decide most.
    valid : bool
    reasons : tuple of str

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> runs = [encsim.run(axis, speed, 0.5, seed=1) for speed in (0.00413, 0.01137)]
    >>> captures = [encsim.Capture("position", 16e3, position=r.position, torque=r.torque) for r in runs]
    >>> found = encsim.separate(captures, axis)
    >>> found.rows[0].name, found.rows[0].owner
    ('harmonic 1 of the signal period', 'encoder')
    """

    rows: tuple[OwnedOrder, ...]
    speeds: tuple[float, ...] = field(metadata=measured_in("position/s"))
    advice: str
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})

    plot = picture(
        "figures.recorded:owners",
        "Draw the amplitude of the orders, those of the encoder and those of the machine apart.",
        alone="Takes the encoder's orders",
        example='axis = encsim.examples.load("stage_x_loop")\n'
        "runs = [encsim.run(axis, speed, 0.3, seed=1) for speed in (0.00413, 0.01137)]\n"
        'captures = [encsim.Capture("position", 16e3, position=r.position, torque=r.torque) for r in runs]\n'
        "ax = encsim.separate(captures, axis).plot()",
    )


@recorded
def separate(
    captures: Sequence[Capture], axis: Axis, *, orders: Iterable[float] = (), common_origin: bool = False
) -> Separation:
    """Tell errors of the encoder from true motion of the machine.

    Parameters
    ----------
    captures : sequence of Capture
        Recordings of one axis in motion (counts, position or channels), best with torque, at several speeds.
    axis : Axis
        Its scale, and its load; without recorded torque also its control, if the loop was closed.
    orders : iterable of float
        Orders per revolution or per metre to consider beside those that are found.
    common_origin : bool
        Whether all recordings count the position from the same place, as those of an absolute encoder do; else that is
        found out, and how far apart the places are.

    Returns
    -------
    Separation
        ``valid`` is False, with ``reasons``, where nothing can be decided: one speed, no load, recordings that do not
        agree, or too few orders to find the origins of a counter that was reset between them.

    Raises
    ------
    InputError
        If there is no recording with motion.

    Notes
    -----
    With recorded torque u and the plant P, ``z = y - P u`` holds the encoder's error e and the response P d to a
    disturbing torque, whatever the loop does; without it z is the position, ``S (e + P d)``. An error of the encoder
    is the same at all speeds, P falls with the square of the speed: one least-squares fit over all recordings gives
    both. Angles are the positions less the errors found. One speed decides nothing. Where recordings count from
    different places, the fit turns each order o of one by ``exp(i o d)``; d is searched first, as the angle with which
    the fewest orders need both owners.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> runs = [encsim.run(axis, speed, 0.5, seed=1) for speed in (0.00413, 0.01137)]
    >>> captures = [encsim.Capture("position", 16e3, position=r.position, torque=r.torque) for r in runs]
    >>> encsim.separate(captures, axis).rows[0].owner
    'encoder'
    """
    check_axis("separate.axis", axis)
    given = _checked(captures)
    pieces = []
    for place, capture in enumerate(given):
        with steady_pieces.named("separate.captures", place):
            found_in = steady_pieces.cut([capture], axis)
        if not found_in:
            rule = f"hold {steady_pieces.FEWEST} samples of steady motion"
            checks.refuse(f"separate.captures[{place}]", rule, f"{capture.samples} samples")
        pieces += [replace(piece, source=place) for piece in found_in]
    found = order_owners.OrderOwners(
        pieces,
        axis,
        tuple(float(order) for order in orders),
        common=common_origin,
        jumps=steady_pieces.jumped(given, axis),
    )
    rows = tuple(_rows(found))
    reasons = tuple(order_owners.why_undecided(found))
    return Separation(
        rows=rows,
        speeds=tuple(found.speeds),
        advice=_advice(found, rows) + _unused_current(given, axis),
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )


def _unused_current(captures: list[Capture], axis: Axis) -> str:
    """What would make a recorded current a torque, if anything."""
    in_amperes = any(c.torque is not None and c.units.get("torque") == "A" for c in captures)
    known = axis.load is not None and axis.load.torque_constant is not None
    return " The recorded current is not used: give load.torque_constant." if in_amperes and not known else ""


def _checked(captures: Sequence[Capture]) -> list[Capture]:
    from .capture import Capture

    given = [captures] if isinstance(captures, Capture) else list(captures)
    if not given:
        checks.refuse("separate.captures", "be captures", "none")
    for capture in given:
        if not isinstance(capture, Capture):
            checks.refuse(
                "separate.captures", "be captures", capture, hint="encsim.Capture.read reads a file"
            )
    return given


def _rows(found: OrderOwners) -> Iterator[OwnedOrder]:
    """All orders by number, then the tones."""
    owned = found.checked() if found.decidable else []
    owned = [term for term in owned if not found.combined(term.order)]
    decided = {term.order for term in owned}
    rest = [order for order in found.orders if order not in decided and found.there(order)]
    # Without the other owner, which does not occur, each is better known.
    final = found.fitted([*owned, *found.terms(rest)]) if owned else None
    for order in found.orders:
        name = _name(found, order)
        for term in owned:
            if final is not None and term.order == order:
                size, error = final.size(term)
                if size > LISTED * error:
                    yield OwnedOrder(name, order, size, error, ("encoder", "machine")[term.side])
        if order in rest:
            size, error = found.measured(order)
            if size > LISTED * error:
                combination = ", a combination of others" if found.decidable and found.combined(order) else ""
                yield OwnedOrder(name + combination, order, size, error, "unknown")
    for tone in found.tones:
        name = f"tone at {wording.quantity(tone.frequency, 'Hz')}"
        yield OwnedOrder(name, np.nan, tone.amplitude, tone.uncertainty, "unknown")


def _name(found: OrderOwners, order: float) -> str:
    """Words for an order."""
    harmonic = order * found.axis.scale.pitch * steady_pieces.angle_scale(found.axis) / TAU
    if round(harmonic) >= 1 and abs(harmonic - round(harmonic)) < 1e-6:
        return f"harmonic {round(harmonic)} of the signal period"
    return f"order {order:.6g}"


def _advice(found: OrderOwners, rows: Sequence[OwnedOrder]) -> str:
    """The further recording that would decide most."""
    unit = f"{found.axis.scale.unit}/s"
    if found.jumps:
        return "Record again without a gap or a wrong number, or cut the recording there."
    if found.disagree:
        return "Check load and friction; record again, one speed twice as fast."
    if found.unplaced:
        return (
            "If the counter was not reset between the recordings, say so (--common-origin); else record again without "
            "resetting the counter, at three speeds."
        )
    open_orders = [row for row in rows if row.owner == "unknown" and np.isfinite(row.order)]
    if found.axis.load is None:
        return "Give the axis a load (inertia and friction); then record several speeds."
    if not open_orders and len(found.sizes) > 1:
        return "Every order found has an owner; a recording in the other direction would test it."
    # A torque shows as the inverse square of the speed: a slow recording sets it apart from an error of the encoder.
    slowest = min(found.speeds, key=abs)
    speed = slowest / SLOWER if len(found.sizes) < 2 else 0.5 * slowest
    scale = steady_pieces.angle_scale(found.axis)
    lowest = (
        min((row.order for row in open_orders), default=TAU / (found.axis.scale.pitch * scale)) * scale / TAU
    )
    longest = max(len(piece.position) / piece.rate for piece in found.pieces)
    seconds = max(PERIODS / (lowest * abs(speed)), longest)
    direction = "forwards" if speed > 0.0 else "backwards"
    largest = sorted(open_orders, key=lambda row: -row.amplitude)[:NAMED]
    torque = "" if found.all_recorded else ", with the torque"
    names = wording.listed([f"{row.order:.6g}" for row in largest]) if largest else ""
    which = f" (orders {names})" if largest else ""
    return (
        f"Record {wording.quantity(abs(speed), unit)} {direction} for {wording.quantity(seconds, 's')}{torque}: "
        f"it decides most of what is open{which}."
    )
