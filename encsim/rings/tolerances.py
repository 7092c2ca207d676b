"""Backwards from a required angle: what centring, flatness, run-out or temperature it allows."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import argument_checks, checks
from ..model import ring_geometry
from ..results import Result
from . import budget, error_orders

if TYPE_CHECKING:
    from ..model.ring_geometry import Head, Ring


MEASURES = ("peak", "rms", "expanded")
DISTORTIONS = ("lobes", "graduation", "wander", "coupling")
# A mounting fault this far beyond what anybody would accept counts as no limit: of the radius, or rad.
LARGEST = 0.1
HOTTEST = 1000.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Tolerances(Result):
    """What a requirement on the angle allows each fault to be, all others as described.

    Attributes
    ----------
    allowed : dict of str to float
        Largest size of each, m, rad or K: "eccentricity", "swash", "lobes.3", "flatness.2", "gradient" ...; infinite
        where nothing in reach matters, NaN where the others already take all.
    given : dict of str to float
        Size as described; 0 where it is not.
    dimension : dict of str to str
        Unit of each.
    limit : float
        What the angle error may be, rad.
    now : float
        What it is as described, rad.
    measure : {"peak", "rms", "expanded"}
        How it is told.
    valid : bool
        Whether the description meets the limit.
    reasons : tuple of str
        Why not.
    """

    allowed: dict
    given: dict
    dimension: dict
    limit: float
    now: float
    measure: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}; those of the sizes are in ``dimension``."""
        return {"limit": "rad", "now": "rad"}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fault:
    """One fault: its size as given, and the ring that has it alone at any size."""

    name: str
    size: float
    unit: str
    largest: float
    ring_of: object = field(repr=False)


def ring_tolerances(
    ring: Ring,
    limit: float,
    heads: tuple[float, float] = (0.0,),
    weights: np.ndarray | None = None,
    *,
    measure: str = "peak",
    probability: float = 0.95,
    seat: None = None,
    face: tuple[int, int, int] = (1, 2, 3),
    alpha: float | None = None,
) -> Tolerances:
    """Largest size of each mounting fault with which the ring still meets a limit, one at a time.

    Parameters
    ----------
    ring : Ring
        Faults as they are, or as tolerances elsewhere; those at 0 are solved for too.
    limit : float
        What the angle error may be, rad.
    heads : sequence of float or Head
        Where the heads stand, rad.
    weights : sequence of float, optional
        Weight of each head; equal without.
    measure : {"peak", "rms", "expanded"}
        Sum of all amplitudes; root of half the sum of their squares; that times the coverage factor.
    probability : float
        Coverage probability of "expanded".
    seat : Seat, optional
        Mounting face, for what flatness is allowed.
    face : sequence of int
        Orders of its form, 1 or more.
    alpha : float, optional
        Coefficient of thermal expansion of the ring, 1/K, for the gradient across the diameter.

    Returns
    -------
    Tolerances

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    Phases of faults are unknown, so that amplitudes of causes add as numbers (peak) or squares (rms). Solved on the
    exact lines of each fault: with heads that cancel order 1 the second order is what limits.
    """
    argument_checks.choice("ring_tolerances.measure", measure, MEASURES)
    if not checks.is_real(limit) or limit <= 0.0:
        checks.refuse("ring_tolerances.limit", "be positive and finite", limit, "rad")
    if not checks.is_real(probability) or not 0.0 < probability < 1.0:
        checks.refuse("ring_tolerances.probability", "lie between 0 and 1", probability)
    heads, weights = ring_geometry.arranged(heads, weights)
    size_of = _size_of(measure, probability)
    faults = _faults(ring, seat, face, alpha)
    lines = {fault.name: _amplitudes(fault.ring_of(fault.size), heads, weights) for fault in faults}
    inner = _amplitudes(error_orders.bare_ring(ring), heads, weights)
    allowed = {}
    for fault in faults:
        others = np.concatenate([inner, *(part for name, part in lines.items() if name != fault.name)])
        allowed[fault.name] = _largest(fault, others, limit, size_of, heads, weights)
    now = size_of(np.concatenate([inner, *lines.values()]))
    return Tolerances(
        allowed=allowed,
        given={fault.name: fault.size for fault in faults},
        dimension={fault.name: fault.unit for fault in faults},
        limit=float(limit),
        now=now,
        measure=measure,
        valid=now <= limit,
        reasons=() if now <= limit else (f"the ring as described is {now / limit:.3g} times the limit",),
    )


def _size_of(measure: str, probability: float) -> Callable[..., Any]:
    """The function that tells how large a set of amplitudes is."""
    if measure == "peak":
        return lambda amplitudes: float(amplitudes.sum())
    factor = 1.0 if measure == "rms" else budget.coverage_factor(probability)
    return lambda amplitudes: factor * float(np.hypot.reduce(amplitudes, initial=0.0)) / math.sqrt(2.0)


def _amplitudes(ring: Ring, heads: tuple[Head, Head], weights: np.ndarray) -> np.ndarray:
    """Amplitudes of all lines that the causes of a ring leave, those within the signal period included."""
    return np.array([size for *_, size in budget.cause_lines(ring, heads, weights)])


def _faults(ring: Ring, seat: None, face: tuple[int, int, int], alpha: float) -> list[_Fault]:
    """Everything that can be solved for."""
    bare = error_orders.bare_ring(ring)
    radius = LARGEST * ring.radius
    # as far as a track at its height stays on the ring
    tilt = min(LARGEST, radius / abs(ring.head_offset)) if ring.head_offset else LARGEST
    loose = replace(bare, bore=None, shaft=None)
    found = [
        _Fault(
            name="eccentricity",
            size=ring.eccentricity,
            unit="m",
            largest=radius,
            ring_of=lambda x: replace(loose, eccentricity=x),
        ),
        _Fault(
            name="swash",
            size=ring.swash,
            unit="rad",
            largest=tilt,
            ring_of=lambda x: replace(bare, swash=x),
        ),
    ]
    for kind in DISTORTIONS:
        unit, most = ("m", radius) if kind in ("lobes", "wander") else ("rad", LARGEST)
        for order, (size, _) in getattr(ring, kind).items():
            found.append(_entry(bare, kind, order, size, unit, most))
    return found + _flatness(bare, seat, face) + _gradient(bare, alpha)


def _entry(bare: Ring, kind: str, order: int, size: float, unit: str, most: float) -> _Fault:
    """One order of one mapping as a fault."""
    return _Fault(
        name=f"{kind}.{order}",
        size=size,
        unit=unit,
        largest=most,
        ring_of=lambda x: replace(bare, **{kind: {order: x}}),
    )


def _flatness(bare: Ring, seat: None, face: tuple[int, int, int]) -> list[Any]:
    """Orders of the mounting face as faults, if there is a seat."""
    if seat is None:
        return []
    found = []
    for order in ring_geometry.as_orders("ring_tolerances.face", face, 1):
        found.append(_scaled(bare, f"flatness.{order}", order, seat.gain(order, bare.diameter), "m"))
    return found


def _gradient(bare: Ring, alpha: float) -> list[_Fault]:
    """The gradient across the diameter as a fault, if its expansion is known; see `expansion`."""
    if alpha is None:
        return []
    if not checks.is_real(alpha):
        checks.refuse("ring_tolerances.alpha", "be a finite number", alpha, "1/K")
    return [_scaled(bare, "gradient", 1, abs(alpha) / 4.0, "K")]


def _scaled(bare: Ring, name: str, order: int, gain: float, unit: str) -> _Fault:
    """A fault that is an error of the graduation of one order, ``gain`` rad per unit."""
    most = min(LARGEST / gain, HOTTEST if unit == "K" else LARGEST * bare.radius) if gain else 1.0
    return _Fault(
        name=name,
        size=0.0,
        unit=unit,
        largest=most,
        ring_of=lambda x: replace(bare, graduation={order: gain * x}),
    )


def _largest(
    fault: _Fault,
    others: np.ndarray,
    limit: float,
    size_of: Callable[..., Any],
    heads: tuple[Head, Head],
    weights: np.ndarray,
) -> float:
    """Largest size of a fault within the limit: infinite if it never matters, NaN if nothing is left."""
    from scipy.optimize import brentq

    def over(size: float) -> float:
        return size_of(np.append(others, _amplitudes(fault.ring_of(size), heads, weights))) / limit - 1.0

    if over(0.0) > 0.0:
        return math.nan
    if over(fault.largest) <= 0.0:
        return math.inf
    return float(brentq(over, 0.0, fault.largest, xtol=1e-15 * fault.largest, rtol=1e-12))
