"""Tolerances of a ring from a limit on its angle error: centring, run-out, flatness, temperature."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model import ring_geometry
from ..results import Result, measured_in, recorded
from . import budget, error_orders

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.ring_geometry import HeadAngles, Ring


MEASURES = ("peak", "rms", "expanded")
DISTORTIONS = ("lobes", "graduation", "wander", "coupling")
# Upper end of the search, as a share of the radius or in rad: a tolerance above it counts as infinite.
LARGEST = 0.1
# The same for a temperature gradient, K.
HOTTEST = 1000.0


@dataclass(frozen=True, slots=True)
class Seat:
    """Face on which a ring is clamped.

    Parameters
    ----------
    height : float
        Height h of the track that heads read above the middle plane of the ring's body, m.
    radius : float
        Radius r at which the face carries the ring, m.
    follow : float
        Share of the face's form that the clamped ring takes on: 1 for a thin ring that follows the face fully, 0
        for a ring too stiff to bend. The ring always follows a tilt (order 1) in full.

    Raises
    ------
    InputError
        If a number is out of range.
    """

    height: float
    radius: float
    follow: float = 1.0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number("height", unit="m")
        check.positive("radius", "m")
        check.number("follow", "lie from 0 to 1", low=0.0, high=1.0)
        check.done()

    def gain(self, order: int, diameter: float) -> float:
        """Amplitude of the angle error, rad, per metre of this order of the face's form."""
        share = 1.0 if order == 1 else self.follow
        return share * order * abs(self.height) / (self.radius * 0.5 * diameter)


@dataclass(frozen=True, kw_only=True)
class Tolerances(Result):
    """Largest size of each source of error for a limit on the angle error, all others as described.

    Attributes
    ----------
    allowed : dict of str to float
        Largest size of each source, m, rad or K: "eccentricity", "swash", "lobes.3", "flatness.2", "gradient" ...;
        infinite if no size in range reaches the limit, NaN if the other sources alone exceed it.
    given : dict of str to float
        Size as described, 0 by default.
    dimension : dict of str to str
        Unit of each source.
    limit : float
        Limit on the angle error, rad.
    now : float
        Angle error as described, rad.
    measure : {"peak", "rms", "expanded"}
        Measure of the angle error.
    valid : bool
        Whether the description meets the limit.
    reasons : tuple of str
        Why not.
    """

    allowed: dict[str, float]
    given: dict[str, float]
    dimension: dict[str, str]
    limit: float = field(metadata=measured_in("rad"))
    now: float = field(metadata=measured_in("rad"))
    measure: str
    valid: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Source:
    """One source of error: its size as described, and a function of any size to the ring with this source alone."""

    name: str
    size: float
    unit: str
    largest: float
    ring_of: Callable[[float], Ring] = field(repr=False)


@recorded
def ring_tolerances(
    ring: Ring,
    limit: float,
    heads: HeadAngles = (0.0,),
    weights: ArrayLike | None = None,
    *,
    measure: str = "peak",
    probability: float = 0.95,
    seat: Seat | None = None,
    face: Iterable[int] = (1, 2, 3),
    alpha: float | None = None,
) -> Tolerances:
    """Largest size of each source of error with which the ring meets a limit, one source at a time.

    Parameters
    ----------
    ring : Ring
        The ring with its errors or tolerances; errors of size 0 are solved for too.
    limit : float
        Limit on the angle error, rad.
    heads : sequence of float or Head
        Positions of the heads, rad.
    weights : sequence of float, optional
        Weight of each head; equal by default.
    measure : {"peak", "rms", "expanded"}
        Sum of all amplitudes; root of half the sum of their squares; that times the coverage factor.
    probability : float
        Coverage probability of "expanded".
    seat : Seat, optional
        Mounting face, to solve for its flatness.
    face : sequence of int
        Orders of the form of the face, 1 or more.
    alpha : float, optional
        Coefficient of thermal expansion of the ring, 1/K, to solve for the temperature gradient across its diameter.

    Returns
    -------
    Tolerances

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    Phases are unknown, so that amplitudes add linearly (peak) or as squares (rms). The solution uses the exact orders
    of each source: with heads that cancel order 1, order 2 limits.

    Examples
    --------
    >>> import encsim
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> found = encsim.ring_tolerances(ring, 3e-5)
    >>> found.measure
    'peak'
    """
    checks.refuse_other_class("ring", ring, ring_geometry.Ring)
    checks.choice("ring_tolerances.measure", measure, MEASURES)
    if not checks.is_real(limit) or limit <= 0.0:
        checks.refuse("ring_tolerances.limit", "be positive and finite", limit, "rad")
    if not checks.is_real(probability) or not 0.0 < probability < 1.0:
        checks.refuse("ring_tolerances.probability", "lie between 0 and 1", probability)
    as_heads, shares = ring_geometry.arranged(heads, weights)
    size_of = _measure(measure, probability)

    def amplitudes_of(ring: Ring) -> np.ndarray:
        """Amplitudes of all orders by all causes of a ring, SDE of the heads included."""
        return np.array([size for *_, size in budget.cause_lines(ring, as_heads, shares)])

    def excess(others: np.ndarray, ring: Ring) -> float:
        """Relative excess over the limit by a ring and the amplitudes of all other sources."""
        return size_of(np.append(others, amplitudes_of(ring))) / limit - 1.0

    sources = _sources(ring, seat, face, alpha)
    amplitudes = {source.name: amplitudes_of(source.ring_of(source.size)) for source in sources}
    of_heads = amplitudes_of(error_orders.bare_ring(ring))
    allowed = {}
    for source in sources:
        others = np.concatenate([of_heads, *(a for name, a in amplitudes.items() if name != source.name)])
        allowed[source.name] = _largest(source, partial(excess, others))
    now = size_of(np.concatenate([of_heads, *amplitudes.values()]))
    return Tolerances(
        allowed=allowed,
        given={source.name: source.size for source in sources},
        dimension={source.name: source.unit for source in sources},
        limit=float(limit),
        now=now,
        measure=measure,
        valid=now <= limit,
        reasons=() if now <= limit else (f"the ring as described is {now / limit:.3g} times the limit",),
    )


def _measure(measure: str, probability: float) -> Callable[[np.ndarray], float]:
    """Function from amplitudes to the measure of their sum."""
    if measure == "peak":
        return lambda amplitudes: float(amplitudes.sum())
    factor = 1.0 if measure == "rms" else budget.coverage_factor(probability)
    return lambda amplitudes: factor * float(np.hypot.reduce(amplitudes, initial=0.0)) / math.sqrt(2.0)


def _sources(ring: Ring, seat: Seat | None, face: Iterable[int], alpha: float | None) -> list[_Source]:
    """All sources of error to solve for."""
    bare = error_orders.bare_ring(ring)
    without_seat = replace(bare, bore=None, shaft=None)
    radius = LARGEST * ring.radius
    # A larger swash would move the track of the head off the ring.
    tilt = min(LARGEST, radius / abs(ring.head_offset)) if ring.head_offset else LARGEST

    def eccentric(x: float) -> Ring:
        return replace(without_seat, eccentricity=x)

    def tilted(x: float) -> Ring:
        return replace(bare, swash=x)

    sources = [
        _Source(name="eccentricity", size=ring.eccentricity, unit="m", largest=radius, ring_of=eccentric),
        _Source(name="swash", size=ring.swash, unit="rad", largest=tilt, ring_of=tilted),
    ]
    for kind in DISTORTIONS:
        unit, most = ("m", radius) if kind in ("lobes", "wander") else ("rad", LARGEST)
        sources += [
            _Source(
                name=f"{kind}.{order}",
                size=size,
                unit=unit,
                largest=most,
                ring_of=partial(_distorted, bare, kind, order),
            )
            for order, (size, _) in getattr(ring, kind).items()
        ]
    return sources + _flatness(bare, seat, face) + _gradient(bare, alpha)


def _distorted(bare: Ring, kind: str, order: int, size: float) -> Ring:
    """The ring with one order of one mapping."""
    mapping: dict[str, Any] = {kind: {order: size}}
    return replace(bare, **mapping)


def _flatness(bare: Ring, seat: Seat | None, face: Iterable[int]) -> list[_Source]:
    """Orders of the form of the mounting face as sources of error, if there is a seat."""
    if seat is None:
        return []
    return [
        _scaled(bare, f"flatness.{order}", order, seat.gain(order, bare.diameter), "m")
        for order in checks.as_orders("ring_tolerances.face", face, 1)
    ]


def _gradient(bare: Ring, alpha: float | None) -> list[_Source]:
    """The temperature gradient across the diameter as a source, if the expansion is known; see `expansion`."""
    if alpha is None:
        return []
    if not checks.is_real(alpha):
        checks.refuse("ring_tolerances.alpha", "be a finite number", alpha, "1/K")
    return [_scaled(bare, "gradient", 1, abs(alpha) / 4.0, "K")]


def _scaled(bare: Ring, name: str, order: int, gain: float, unit: str) -> _Source:
    """A source that acts as an error of the graduation of one order, ``gain`` rad per unit."""
    most = min(LARGEST / gain, HOTTEST if unit == "K" else LARGEST * bare.radius) if gain else 1.0
    return _Source(
        name=name,
        size=0.0,
        unit=unit,
        largest=most,
        ring_of=lambda x: replace(bare, graduation={order: gain * x}),
    )


def _largest(source: _Source, excess_of: Callable[[Ring], float]) -> float:
    """Size of a source with zero excess over the limit: infinite if below in all its range, NaN if never below."""
    from scipy.optimize import brentq

    def excess(size: float) -> float:
        return excess_of(source.ring_of(size))

    if excess(0.0) > 0.0:
        return math.nan
    if excess(source.largest) <= 0.0:
        return math.inf
    return float(brentq(excess, 0.0, source.largest, xtol=1e-15 * source.largest, rtol=1e-12))
