"""A ring on a shaft, the heads that read it, and the angle error of its mounting.

Angles are counter-clockwise: theta is the angle of the shaft, beta the fixed position of a head. The ring angle
under a head is theta - beta. A displacement of the ring against the heads is a complex number in the plane of the
ring, e exp(i psi).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np

from .. import checks, units
from ..checks import Orders
from ..result_views import Described
from .bounds import DIAMETERS, MOST_HEADS

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..checks import Check

# {order: amplitude, or (amplitude, phase)} as given; descriptions hold it as {order: (amplitude, phase)}.
OrderAmplitudes: TypeAlias = Mapping[int, Any]
# One head or several, as angles (rad) or descriptions.
HeadAngles: TypeAlias = "float | Head | Sequence[float | Head]"


CAUSES = ("eccentricity", "swash", "lobes", "graduation", "wander", "coupling", "sde")
ORDER_UNITS = {"lobes": "m", "graduation": "rad", "wander": "m", "coupling": "rad", "compensation": "rad"}
LARGEST_ANGLE = 1e9
LARGEST_LINES = 1 << 30
# Smallest angle between two heads, rad (0.2 arcsec). Heads on one spot average nothing.
SAME_SPOT = 1e-6
# Largest swash of a ring and tilt of a head, rad.
STEEPEST = 0.5


def _orders_of(dimension: str) -> Any:
    """A field that maps orders to amplitudes of this dimension."""
    return field(default_factory=dict, metadata={"dimension": dimension})


@dataclass(frozen=True, slots=True)
class Ring(Described):
    """A graduated ring and how it sits on its shaft.

    Parameters
    ----------
    diameter : float
        Diameter of the graduation D = 2 R, m.
    eccentricity : float
        Distance e of the ring's centre from the axis of rotation, m: half of a full radial run-out.
    direction : float
        Direction gamma of the eccentricity at shaft angle 0, rad.
    swash : float
        Tilt alpha of the ring against the plane of rotation, rad: full axial run-out over the diameter.
    head_offset : float
        Axial distance d from the plane in which the ring is centred to the track that a head reads, m.
    lobes : mapping of int to float or (float, float)
        Distortion of the mounted ring, {n: a or (a, phase)}: radius R + a cos(n psi + phase), m and rad.
    graduation : mapping of int to float or (float, float)
        Errors of the graduation, {n per revolution: a or (a, phase)}, rad.
    wander : mapping of int to float or (float, float)
        Motion of the axis in its bearing, {n per revolution: a or (a, phase)}: the ring is displaced by a in the
        direction n theta + phase, m and rad.
    coupling : mapping of int to float or (float, float)
        Error of the coupling, where the ring sits on a second shaft, {n per revolution: a or (a, phase)}, rad.
    compensation : mapping of int to float or (float, float)
        Error that the controller subtracts from the angle that the heads show, {n per revolution: (a, phase)}:
        a sin(n shown + phase), rad, such as `ErrorMap.compensation`. An axis uses it; `ring_error` does not.
    bore : float, optional
        Diameter of the ring's bore, m.
    shaft : float, optional
        Diameter of the seat on the shaft, m; the play then limits the eccentricity.

    Raises
    ------
    InputError
        If a number is out of range, an order is not whole or below 1, the displacements reach the radius, or
        the ring does not fit its shaft.

    Examples
    --------
    >>> import encsim
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> ring.eccentricity
    4e-06
    """

    diameter: float = units.quantity("length")
    eccentricity: float = units.quantity("length", default=0.0)
    direction: float = units.quantity("angle", default=0.0)
    swash: float = units.quantity("angle", default=0.0)
    head_offset: float = units.quantity("length", default=0.0)
    lobes: Mapping[int, Any] = _orders_of("length")
    graduation: Mapping[int, Any] = _orders_of("angle")
    wander: Mapping[int, Any] = _orders_of("length")
    coupling: Mapping[int, Any] = _orders_of("angle")
    compensation: Mapping[int, Any] = _orders_of("angle")
    bore: float | None = units.quantity("length", default=None)
    shaft: float | None = units.quantity("length", default=None)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("diameter", "m", within=DIAMETERS)
        check.not_negative("eccentricity", "m")
        check.number("direction", "be a finite angle", "rad", low=-LARGEST_ANGLE, high=LARGEST_ANGLE)
        check.number("swash", f"lie from 0 to {STEEPEST:g}", "rad", low=0.0, high=STEEPEST)
        check.number("head_offset", unit="m")
        for name, unit in ORDER_UNITS.items():
            checks.check_orders(check, name, unit)
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
            largest = max(moved, key=lambda name: moved[name])
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
            # Steel yields at a fifth of this interference.
            check.fault("shaft", f"fit the bore, {self.bore:g} m", self.shaft, "m")
        elif self.eccentricity > (half_play := max(0.5 * (self.bore - self.shaft), 0.0)) * (1.0 + 1e-9):
            check.fault("eccentricity", f"be at most half the play, {half_play:g} m", self.eccentricity, "m")

    @property
    def radius(self) -> float:
        """Radius R of the graduation, m."""
        return 0.5 * self.diameter

    @property
    def foreshortening(self) -> float:
        """Amplitude of a tilted ring at two per revolution, tan(swash/2)**2, rad; not part of `ring_error`."""
        return math.tan(0.5 * self.swash) ** 2

    @property
    def highest_order(self) -> int:
        """Highest order in any of the mappings, at least 1."""
        orders: list[int] = [order for name in ORDER_UNITS for order in getattr(self, name)]
        return max([1, *orders])


@dataclass(frozen=True, slots=True)
class Head(Described):
    """A readhead at a ring.

    Parameters
    ----------
    angle : float
        Position beta of the head, rad.
    axial : float, optional
        Axial distance of its track, m; `Ring.head_offset` without it.
    tilt : float
        Angle by which its line of sight is inclined towards rising angles, rad. When the gap changes by w, the point
        that the head reads moves by w tan(tilt).
    lines : int, optional
        Signal periods per revolution, needed for sde.
    sde : mapping of int to float or (float, float)
        Subdivisional error (SDE), {k per signal period: a or (a, phase)}, rad of the axis and rad.

    Raises
    ------
    InputError
        If a number is out of range, or sde is given without lines.

    Examples
    --------
    >>> import encsim
    >>> encsim.Head(1.57, tilt=1e-3).angle
    1.57
    """

    angle: float = units.quantity("angle")
    axial: float | None = units.quantity("length", default=None, kw_only=True)
    tilt: float = units.quantity("angle", default=0.0, kw_only=True)
    lines: int | None = field(default=None, kw_only=True)
    sde: Mapping[int, Any] = field(default_factory=dict, kw_only=True)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number("angle", "be a finite angle", "rad", low=-LARGEST_ANGLE, high=LARGEST_ANGLE)
        check.number("axial", unit="m", optional=True)
        check.number("tilt", f"lie from -{STEEPEST:g} to {STEEPEST:g}", "rad", low=-STEEPEST, high=STEEPEST)
        check.whole("lines", 1, LARGEST_LINES, optional=True)
        checks.check_orders(check, "sde", "rad")
        if not check.faults and self.sde and self.lines is None:
            check.fault("lines", "be given with sde", None)
        check.done()


def arranged(
    heads: HeadAngles, weights: ArrayLike | None = None, owner: str = "heads"
) -> tuple[tuple[Head, ...], np.ndarray]:
    """Heads and their normalised weights."""
    as_heads = _as_heads(heads, owner)
    turns = np.sort(np.mod([head.angle for head in as_heads], 2.0 * np.pi))
    gaps = np.diff(np.append(turns, turns[0] + 2.0 * np.pi))
    if len(as_heads) > 1 and gaps.min() < SAME_SPOT:
        where = float(turns[gaps.argmin()])
        checks.refuse(owner, f"stand at least {SAME_SPOT:g} rad apart", where, "rad", "two share this spot")
    return as_heads, _normalised(weights, len(as_heads))


def _as_heads(heads: HeadAngles, owner: str) -> tuple[Head, ...]:
    """Any sequence of angles and heads as a tuple of heads."""
    single = isinstance(heads, (Real, Head)) and not isinstance(heads, bool)
    try:
        heads_given: tuple[Any, ...] = (heads,) if single else tuple(cast("Sequence[float | Head]", heads))
    except TypeError:
        checks.refuse(owner, "be a sequence of angles", heads, "rad")
    if not 1 <= len(heads_given) <= MOST_HEADS:
        checks.refuse(owner, f"be 1 to {MOST_HEADS} heads", len(heads_given))
    return tuple(head if isinstance(head, Head) else Head(head) for head in heads_given)


def _normalised(weights: ArrayLike | None, count: int) -> np.ndarray:
    """Weights of sum 1."""
    if weights is None:
        return np.full(count, 1.0 / count)
    given = checks.finite_array("weights", weights, "")
    if given.shape != (count,):
        checks.refuse("weights", f"be one for each of {count} heads", given.size)
    if abs(given.sum()) <= 1e-9 * np.abs(given).sum():
        checks.refuse("weights", "have a sum that is not zero", float(given.sum()))
    return np.asarray(given / given.sum())


def ring_error(
    ring: Ring, angles: ArrayLike, heads: HeadAngles = (0.0,), weights: ArrayLike | None = None
) -> np.ndarray:
    """Angle error of a mounted ring: weighted mean of the angles that the heads show, minus the true shaft angle.

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
        Shown angle minus theta, rad, in the shape of the angles.

    Raises
    ------
    InputError
        If an angle is not finite, two heads share a position, or the weights do not match the heads.

    Notes
    -----
    The displacements of eccentricity, e exp(i(theta + gamma)), swash, alpha d exp(i theta), and wander,
    a exp(i(n theta + phase)), add to u exp(i psi). A head on the circle of radius R around the true axis then sees::

        delta = atan2(u sin(psi - beta) + u cos(psi - beta) tan(tilt), R - u cos(psi - beta))

    and, at the ring angle chi = theta - beta + delta, graduation a sin(n chi + phase) and inextensional lobes
    a/(n R) sin(n chi + phase). A coupling turns the ring by theta + c(theta); its error c is added.

    The formula holds for radial lines read at a fixed radius. A head that reads the rim of an eccentric ring along a
    fixed ray sees asin(u sin(psi - beta)/R): the same peak, but no (u/R)**2/2 at two per revolution. Not included:
    the foreshortening of a tilted ring, `Ring.foreshortening` at two per revolution.

    References
    ----------
    Timoshenko, Strength of Materials, on rings bent without stretching (from memory): v = -integral of w.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> ring = encsim.Ring(0.15, eccentricity=1e-6)
    >>> round(206264.8 * float(encsim.ring_error(ring, np.pi / 2)), 2)  # arcsec
    2.75
    """
    checks.refuse_other_class("ring", ring, Ring)
    as_heads, shares = arranged(heads, weights)
    theta = checks.finite_array("angles", angles, "rad")
    if theta.size and np.abs(theta).max() > LARGEST_ANGLE:
        checks.refuse("angles", f"lie within {LARGEST_ANGLE:g} of zero", float(np.abs(theta).max()), "rad")
    coupling = sines(ring.coupling, theta)
    errors = (head_error(ring, theta + coupling, head) for head in as_heads)
    return np.asarray(coupling + sum(share * error for share, error in zip(shares, errors, strict=True)))


def head_error(ring: Ring, theta: np.ndarray, head: Head) -> np.ndarray:
    """Error of one head, rad, at the angles of the shaft that carries the ring."""
    displacement = _displacement(ring, theta, ring.head_offset if head.axial is None else head.axial)
    if displacement.size and np.abs(displacement).max() >= ring.radius:
        # Only a head with an axial distance of its own comes here: `Ring` checks all others.
        largest = float(np.abs(displacement).max())
        checks.refuse(
            "Head.axial", f"keep the displacement below the radius, {ring.radius:g} m", largest, "m"
        )
    # Real part towards the head, imaginary part along the graduation.
    seen = displacement * np.exp(-1j * head.angle)
    slant = math.tan(head.tilt)
    delta = np.arctan2(seen.imag + slant * seen.real, ring.radius - seen.real)
    ring_angle = theta - head.angle + delta
    of_ring = sines(ring.graduation, ring_angle) + _lobe_error(ring, ring_angle, slant)
    sde = sines(head.sde, head.lines * (ring_angle + of_ring)) if head.lines else 0.0
    return np.asarray(delta + of_ring + sde)


def _displacement(ring: Ring, theta: np.ndarray, axial: float) -> np.ndarray:
    """Displacement of the ring against the heads, complex, m."""
    total: np.ndarray = (ring.eccentricity * np.exp(1j * ring.direction) + ring.swash * axial) * np.exp(
        1j * theta
    )
    for order, (size, phase) in ring.wander.items():
        total = total + size * np.exp(1j * (order * theta + phase))
    return total


def _lobe_error(ring: Ring, ring_angle: np.ndarray, slant: float) -> np.ndarray:
    """Error by lobes, rad: their tangential displacement, and the radial one through an inclined line of sight."""
    total = np.zeros_like(ring_angle)
    for order, (size, phase) in ring.lobes.items():
        angle = order * ring_angle + phase
        total = total + size / ring.radius * (np.sin(angle) / order + slant * np.cos(angle))
    return total


def sines(orders: OrderAmplitudes, angle: np.ndarray) -> np.ndarray:
    """Sum of a sin(n angle + phase) over the orders."""
    total = np.zeros_like(angle)
    for order, (size, phase) in orders.items():
        total = total + size * np.sin(order * angle + phase)
    return total


def coupling_orders(angle: float, highest: int = 4) -> Orders:
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
    Derived here. Flexible couplings (bellows, discs) transmit an angle without this error.

    Examples
    --------
    >>> import encsim
    >>> sorted(encsim.coupling_orders(1e-3))
    [2, 4]
    """
    if not checks.is_real(angle) or not 0.0 <= angle <= STEEPEST:
        checks.refuse("coupling_orders.angle", f"lie from 0 to {STEEPEST:g}", angle, "rad")
    if not checks.is_whole(highest) or not 2 <= highest <= 100:
        checks.refuse("coupling_orders.highest", "be a whole number from 2 to 100", highest)
    t = math.tan(0.5 * angle) ** 2
    return Orders({2 * k: (t**k / k, math.pi * (k % 2)) for k in range(1, highest // 2 + 1)})
