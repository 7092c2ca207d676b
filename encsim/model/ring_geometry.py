"""A ring on a shaft, the heads that read it, and the angle error of its mounting.

Angles: theta is how far the shaft has turned, beta where a head stands (fixed), both counter-clockwise.
The head reads the line of the ring that passes it, so the ring angle under it is theta - beta. Displacements
of the ring against the heads are complex numbers in the plane of the ring, e exp(i psi).

Checks that descriptions and functions about rings share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import argument_checks, checks
from ..results import Orders

if TYPE_CHECKING:
    from ..checks import Check


LARGEST_ORDER = 100_000
# An error of the angle above this is no error any more, rad; lengths are held to the radius by the ring itself.
LARGEST_ERROR = 1.0


def check_orders(check: Check, name: str, unit: str) -> None:
    """Store a mapping of orders as {order: (amplitude, phase)}, ascending, or record what is wrong with it."""
    given = getattr(check.owner, name)
    if not isinstance(given, Mapping):
        check.fault(name, "be a mapping of order to amplitude", given)
        return
    found = {}
    for order, value in given.items():
        if not checks.is_whole(order) or not 1 <= order <= LARGEST_ORDER:
            check.fault(name, f"have whole orders from 1 to {LARGEST_ORDER}", order)
            continue
        pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
        if len(pair) == 2 and all(map(checks.is_real, pair)) and pair[0] >= 0.0:
            found[int(order)] = (float(pair[0]), float(pair[1]))
            if unit == "rad" and pair[0] > LARGEST_ERROR:
                check.fault(f"{name}.{int(order)}", f"be at most {LARGEST_ERROR:g}", float(pair[0]), unit)
        else:
            rule = "be an amplitude of zero or more, or an amplitude and a phase, finite"
            check.fault(f"{name}.{int(order)}", rule, value, unit)
    check.store(name, Orders(found))


def as_orders(field_name: str, orders: list[int] | tuple[float, ...], lowest: int = 2) -> list[int]:
    """Orders as an ascending list of different ints from the lowest."""
    try:
        given = tuple(orders)
    except TypeError:
        checks.refuse(field_name, "be a sequence of whole numbers", orders)
    for order in given:
        if not checks.is_whole(order) or not lowest <= order <= LARGEST_ORDER:
            checks.refuse(field_name, f"be whole numbers from {lowest} to {LARGEST_ORDER}", order)
    return sorted({int(order) for order in given})


CAUSES = ("eccentricity", "swash", "lobes", "graduation", "wander", "coupling", "sde")
ORDER_UNITS = {"lobes": "m", "graduation": "rad", "wander": "m", "coupling": "rad", "compensation": "rad"}
DIAMETERS = (1e-4, 1e3)
LARGEST_ANGLE = 1e9
LARGEST_LINES = 1 << 30
MOST_HEADS = 64
# 0.2 arcsec: nobody sets two heads that close, and a set of equal ones averages nothing
SAME_SPOT = 1e-6
# beyond half a radian nothing that is meant for a tilt or a swash is left of a ring
STEEPEST = 0.5


def _quantity(default: float | None, dimension: str) -> Any:
    """A field whose text in an axis file carries a unit of this dimension."""
    return field(default=default, metadata={"dimension": dimension})


def _orders_of(dimension: str) -> Any:
    """A field that maps orders to amplitudes of this dimension."""
    return field(default_factory=dict, metadata={"dimension": dimension})


@dataclass(frozen=True, slots=True)
class Ring:
    """A graduated ring and how it sits on its shaft.

    Parameters
    ----------
    diameter : float
        Diameter of the graduation D = 2 R, m.
    eccentricity : float
        Distance e of the ring's centre from the axis of rotation, m: half of a full radial run-out.
    direction : float
        Direction gamma of that offset at shaft angle 0, rad.
    swash : float
        Tilt alpha of the ring against the plane of rotation, rad: a full axial run-out over the diameter.
    head_offset : float
        Axial distance d of the track that a head reads from the plane in which the ring is centred, m.
    lobes : mapping of int to float or (float, float)
        Distortion of the mounted ring, {n: a or (a, phase)}: radius R + a cos(n psi + phase), m and rad.
    graduation : mapping of int to float or (float, float)
        Errors of the lines, {n per turn: a or (a, phase)}, rad.
    wander : mapping of int to float or (float, float)
        Motion of the axis in its bearing, {n per turn: a or (a, phase)}: the ring is displaced by a in the
        direction n theta + phase, m and rad.
    coupling : mapping of int to float or (float, float)
        Error of a coupling to a second shaft that carries the ring, {n per turn: a or (a, phase)}, rad.
    compensation : mapping of int to float or (float, float)
        Error that the controller takes off the angle its heads show, {n per turn: (a, phase)}: a sin(n shown +
        phase), rad, such as the lines of an `ErrorMap`. For an axis; `ring_error` is that before it.
    bore : float, optional
        Diameter of the ring's bore, m.
    shaft : float, optional
        Diameter of the seat on the shaft, m; the ring can then be no more eccentric than its play allows.

    Raises
    ------
    InputError
        If a number is out of range, an order is not whole or below 1, the displacements reach the radius, or
        the ring does not fit its shaft.
    """

    diameter: float = field(metadata={"dimension": "length"})
    eccentricity: float = _quantity(0.0, "length")
    direction: float = _quantity(0.0, "angle")
    swash: float = _quantity(0.0, "angle")
    head_offset: float = _quantity(0.0, "length")
    lobes: Mapping[int, tuple[float, float]] = _orders_of("length")
    graduation: Mapping[int, tuple[float, float]] = _orders_of("angle")
    wander: Mapping[int, tuple[float, float]] = _orders_of("length")
    coupling: Mapping[int, tuple[float, float]] = _orders_of("angle")
    compensation: Mapping[int, tuple[float, float]] = _orders_of("angle")
    bore: float | None = _quantity(None, "length")
    shaft: float | None = _quantity(None, "length")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("diameter", "m", within=DIAMETERS)
        check.not_negative("eccentricity", "m")
        check.number("direction", "be a finite angle", "rad", low=-LARGEST_ANGLE, high=LARGEST_ANGLE)
        check.number("swash", f"lie from 0 to {STEEPEST:g}", "rad", low=0.0, high=STEEPEST)
        check.number("head_offset", unit="m")
        for name, unit in ORDER_UNITS.items():
            check_orders(check, name, unit)
        check.positive("bore", "m", optional=True)
        check.positive("shaft", "m", optional=True)
        if not check.faults:
            self._check_displacements(check)
            self._check_seat(check)
        check.done()

    def _check_displacements(self, check: Check) -> None:
        moved = {
            "eccentricity": self.eccentricity,
            "head_offset": self.swash * abs(self.head_offset),
            "wander": sum(size for size, _ in self.wander.values()),
            "lobes": sum(size for size, _ in self.lobes.values()),
        }
        if sum(moved.values()) >= 0.5 * self.diameter:
            largest = max(moved, key=moved.get)
            rule = f"leave the head on the ring: displacements below the radius, {0.5 * self.diameter:g} m"
            check.fault(largest, rule, sum(moved.values()), "m")

    def _check_seat(self, check: Check) -> None:
        if self.bore is not None and self.bore >= self.diameter:
            check.fault("bore", f"be smaller than the diameter, {self.diameter:g} m", self.bore, "m")
        if self.shaft is None:
            return
        if self.bore is None:
            check.fault("bore", "be given with a shaft", None)
        elif self.shaft > 1.01 * self.bore:
            # no ring is stretched by more than this onto its shaft: steel yields at a fifth of it
            check.fault("shaft", f"fit the bore, {self.bore:g} m", self.shaft, "m")
        elif self.eccentricity > max(0.5 * (self.bore - self.shaft), 0.0) * (1.0 + 1e-9):
            play = max(0.5 * (self.bore - self.shaft), 0.0)
            check.fault("eccentricity", f"be at most half the play, {play:g} m", self.eccentricity, "m")

    @property
    def radius(self) -> float:
        """Radius R of the graduation, m."""
        return 0.5 * self.diameter

    @property
    def foreshortening(self) -> float:
        """Amplitude that a tilted ring adds at twice a turn, tan(swash/2)**2, rad; not part of `ring_error`."""
        return math.tan(0.5 * self.swash) ** 2

    @property
    def highest_order(self) -> int:
        """Highest order in any of the mappings, at least 1."""
        mappings = (getattr(self, name) for name in ORDER_UNITS)
        return max([1, *(order for orders in mappings for order in orders)])


@dataclass(frozen=True, slots=True)
class Head:
    """A readhead at a ring.

    Parameters
    ----------
    angle : float
        Where it stands, beta, rad.
    axial : float, optional
        Axial distance of its track, m; without it `Ring.head_offset` holds.
    tilt : float
        Angle by which its line of sight leans towards rising angles, rad. A gap that changes by w then
        moves the spot it reads by w tan(tilt).
    lines : int, optional
        Signal periods a turn, needed for sde.
    sde : mapping of int to float or (float, float)
        Error within the signal period, {k per period: a or (a, phase)}, rad of the axis and rad.

    Raises
    ------
    InputError
        If a number is out of range, or sde is given without lines.
    """

    angle: float = field(metadata={"dimension": "angle"})
    axial: float | None = field(default=None, kw_only=True, metadata={"dimension": "length"})
    tilt: float = field(default=0.0, kw_only=True, metadata={"dimension": "angle"})
    lines: int | None = field(default=None, kw_only=True)
    sde: Mapping[int, tuple[float, float]] = field(default_factory=dict, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number("angle", "be a finite angle", "rad", low=-LARGEST_ANGLE, high=LARGEST_ANGLE)
        check.number("axial", unit="m", optional=True)
        check.number("tilt", f"lie from -{STEEPEST:g} to {STEEPEST:g}", "rad", low=-STEEPEST, high=STEEPEST)
        check.whole("lines", 1, LARGEST_LINES, optional=True)
        check_orders(check, "sde", "rad")
        if not check.faults and self.sde and self.lines is None:
            check.fault("lines", "be given with sde", None)
        check.done()


def arranged(
    heads: tuple[Any, ...], weights: np.ndarray | None = None, owner: str = "heads"
) -> tuple[Any, ...]:
    """Heads and their normalised weights."""
    found = _as_heads(heads, owner)
    turns = np.sort(np.mod([head.angle for head in found], 2.0 * np.pi))
    gaps = np.diff(np.append(turns, turns[0] + 2.0 * np.pi))
    if len(found) > 1 and gaps.min() < SAME_SPOT:
        where = float(turns[gaps.argmin()])
        checks.refuse(owner, f"stand at least {SAME_SPOT:g} rad apart", where, "rad", "two share this spot")
    return found, _normalised(weights, len(found))


def _as_heads(heads: tuple[Any, ...], owner: str) -> tuple[Head, ...]:
    """Any sequence of angles and heads as a tuple of heads."""
    if isinstance(heads, (Real, Head)) and not isinstance(heads, bool):
        heads = (heads,)
    try:
        given = tuple(heads)
    except TypeError:
        checks.refuse(owner, "be a sequence of angles", heads, "rad")
    if not 1 <= len(given) <= MOST_HEADS:
        checks.refuse(owner, f"be 1 to {MOST_HEADS} heads", len(given))
    return tuple(head if isinstance(head, Head) else Head(head) for head in given)


def _normalised(weights: np.ndarray | None, count: int) -> np.ndarray:
    """Weights of sum 1."""
    if weights is None:
        return np.full(count, 1.0 / count)
    found = argument_checks.finite_array("weights", weights, "")
    if found.shape != (count,):
        checks.refuse("weights", f"be one for each of {count} heads", found.size)
    if abs(found.sum()) <= 1e-9 * np.abs(found).sum():
        checks.refuse("weights", "have a sum that is not zero", float(found.sum()))
    return found / found.sum()


def ring_error(
    ring: Ring, angles: np.ndarray, heads: tuple[Any, ...] = (0.0,), weights: np.ndarray | None = None
) -> np.ndarray:
    """Angle error of a mounted ring: what the heads show, averaged, less the true angle of the shaft.

    Parameters
    ----------
    ring : Ring
        The ring.
    angles : array-like of float, any shape
        Angles theta of the shaft, rad.
    heads : sequence of float or Head
        Where the heads stand, rad.
    weights : sequence of float, optional
        Weight of each head; their sum is made 1. Equal without.

    Returns
    -------
    ndarray
        Shown less theta, rad, in the shape of the angles.

    Raises
    ------
    InputError
        If an angle is not finite, heads share a spot, or weights do not fit.

    Notes
    -----
    The displacements e exp(i(theta + gamma)), alpha d exp(i theta) and a exp(i(n theta + phase)) of wander add
    to u exp(i psi). A head on the circle of radius R around the true axis then sees::

        delta = atan2(u sin(psi - beta) + u cos(psi - beta) tan(tilt), R - u cos(psi - beta))

    and, at the ring angle chi = theta - beta + delta, graduation a sin(n chi + phase) and inextensional lobes
    a/(n R) sin(n chi + phase). A coupling turns the ring by theta + c(theta), and c is added.

    The formula is for radial lines read at a fixed radius. A head that looks along a ray at the rim of an
    eccentric ring sees asin(u sin(psi - beta)/R): the same peak, but no (u/R)**2/2 at twice a turn.
    Left out: a ring tilted by alpha is foreshortened, `Ring.foreshortening` at twice a turn.

    References
    ----------
    Timoshenko, Strength of Materials, on rings bent without stretching (from memory): v = -integral of w.

    Examples
    --------
    >>> ring = Ring(0.15, eccentricity=1e-6)
    >>> round(float(ring_error(ring, 1.5707963267948966)) * 206264.806, 2)
    2.75
    """
    heads, weights = arranged(heads, weights)
    turned = argument_checks.finite_array("angles", angles, "rad")
    if turned.size and np.abs(turned).max() > LARGEST_ANGLE:
        far = float(np.abs(turned).max())
        checks.refuse("angles", f"lie within {LARGEST_ANGLE:g} of zero", far, "rad")
    coupled = sines(ring.coupling, turned)
    seen = (head_error(ring, turned + coupled, head) for head in heads)
    return coupled + sum(weight * error for weight, error in zip(weights, seen, strict=True))


def head_error(ring: Ring, turned: np.ndarray, head: Head) -> np.ndarray:
    """Error of one head, rad, at the angles of the ring's own shaft."""
    moved = _displacement(ring, turned, ring.head_offset if head.axial is None else head.axial)
    if moved.size and np.abs(moved).max() >= ring.radius:
        # only a head with its own axial distance can get here
        far = float(np.abs(moved).max())
        checks.refuse("Head.axial", f"keep the displacement below the radius, {ring.radius:g} m", far, "m")
    moved = moved * np.exp(-1j * head.angle)
    lean = math.tan(head.tilt)
    delta = np.arctan2(moved.imag + lean * moved.real, ring.radius - moved.real)
    under = turned - head.angle + delta
    printed = sines(ring.graduation, under) + _lobes(ring, under, lean)
    return delta + printed + _within_period(head, under + printed)


def _displacement(ring: Ring, turned: np.ndarray, axial: float) -> np.ndarray:
    """Displacement of the ring against the heads, complex, m."""
    still = ring.eccentricity * np.exp(1j * ring.direction) + ring.swash * axial
    moved = still * np.exp(1j * turned)
    for order, (size, phase) in ring.wander.items():
        moved = moved + size * np.exp(1j * (order * turned + phase))
    return moved


def _lobes(ring: Ring, under: np.ndarray, lean: float) -> np.ndarray:
    """What lobes add: their tangential shift, and through a leaning line of sight their radial one, rad."""
    total = np.zeros_like(under)
    for order, (size, phase) in ring.lobes.items():
        at = order * under + phase
        total = total + size / ring.radius * (np.sin(at) / order + lean * np.cos(at))
    return total


def _within_period(head: Head, shown: np.ndarray) -> float:
    """Error within the signal period of a head, rad."""
    return sines(head.sde, head.lines * shown) if head.sde else 0.0


def sines(orders: Orders, angle: np.ndarray) -> np.ndarray:
    """Sum of a sin(n angle + phase) over the orders."""
    total = np.zeros_like(angle)
    for order, (size, phase) in orders.items():
        total = total + size * np.sin(order * angle + phase)
    return total


def coupling_orders(angle: float, highest: int = 4) -> None:
    """Error of one universal joint between two shafts, by order.

    Parameters
    ----------
    angle : float
        Angle between the shafts, rad; below 0.5.
    highest : int
        Highest order, even orders only.

    Returns
    -------
    Orders
        {order: (amplitude, phase)} for `Ring.coupling`, rad.

    Raises
    ------
    InputError
        If the angle is out of range.

    Notes
    -----
    tan(out) = cos(angle) tan(in), that is out - in = sum over k of (-t)**k sin(2 k in)/k, t = tan(angle/2)**2.
    Derived here. Couplings that bend all round (bellows, discs) transmit an angle without this error.
    """
    if not checks.is_real(angle) or not 0.0 <= angle <= STEEPEST:
        checks.refuse("coupling_orders.angle", f"lie from 0 to {STEEPEST:g}", angle, "rad")
    if not checks.is_whole(highest) or not 2 <= highest <= 100:
        checks.refuse("coupling_orders.highest", "be a whole number from 2 to 100", highest)
    small = math.tan(0.5 * angle) ** 2
    return Orders({2 * k: (small**k / k, math.pi * (k % 2)) for k in range(1, highest // 2 + 1)})
