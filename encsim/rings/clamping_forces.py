"""What screws hold: preload, and the torque and shock at which a ring slips."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from ..model import ring_geometry
from ..results import Result
from .growth import CAUTIONS, STRESSES

# flank and stress diameter of a metric thread, in pitches below the nominal one: H = sqrt(3)/2 P, 3/4 H, and
# the mean with the core, 17/12 H
FLANK = 0.75 * 0.75**0.5
STRESSED = 0.5 * (FLANK + 17.0 / 12.0 * 0.75**0.5)


@dataclass(frozen=True, kw_only=True, slots=True)
class Clamping(Result):
    """What a ring that screws hold by friction can take before it slips.

    Attributes
    ----------
    force : float
        Tangential force of all screws at which it slips, N.
    torque : float
        Torque at which it slips round, N m.
    acceleration : float
        Angular acceleration at which it does, rad/s2.
    shock : float
        Sideways acceleration at which it shifts, m/s2; NaN without a mass.
    preload : float
        Of one screw, the lowest expected, N.
    cautions : tuple of str
        To be read before a ring is relied on.
    valid : bool
        Always True.
    reasons : tuple of str
        Empty.
    """

    force: float
    torque: float
    acceleration: float
    shock: float
    preload: float
    cautions: tuple[str, ...] = CAUTIONS
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        forces = {"force": "N", "preload": "N", "torque": "N m"}
        return {**forces, "acceleration": "rad/s2", "shock": "m/s2"}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Joint:
    """Checked numbers of `clamping`."""

    screws: int
    preload: float
    friction: float
    radius: float
    inertia: float
    mass: float | None
    scatter: float

    def __post_init__(self) -> None:
        check = ring_geometry.Named(self, "clamping")
        check.whole("screws", 1, 10_000)
        for name, unit in (("preload", "N"), ("friction", ""), ("radius", "m"), ("inertia", "kg m2")):
            check.positive(name, unit)
        check.positive("mass", "kg", optional=True)
        check.number("scatter", "lie from 0 to 0.95", low=0.0, high=0.95)
        check.done()


def clamping(
    *,
    screws: Any,
    preload: Any,
    friction: Any,
    radius: float | None,
    inertia: Any,
    mass: Any = None,
    scatter: float = 0.0,
) -> Any:
    """Torque, angular acceleration and shock at which a screwed ring slips.

    Parameters
    ----------
    screws : int
        Number of screws n.
    preload : float
        Nominal preload F of each, N, as of `bolt_preload`.
    friction : float
        Coefficient mu between ring and seat.
    radius : float
        Radius r of the screws' circle, m.
    inertia : float
        Inertia J of the ring, kg m2.
    mass : float, optional
        Its mass m, kg, for the shock.
    scatter : float
        Share by which the preload may fall short: a torque wrench sets it to some 0.2 to 0.3 (common
        practice, no source).

    Returns
    -------
    Clamping

    Raises
    ------
    InputError
        If a number is not positive and finite.

    Notes
    -----
    n mu F, times r for the torque, over J or m for accelerations. Friction alone holds; a pin, a shoulder or
    glue adds to it.
    """
    joint = _Joint(
        screws=screws,
        preload=preload,
        friction=friction,
        radius=radius,
        inertia=inertia,
        mass=mass,
        scatter=scatter,
    )
    lowest = joint.preload * (1.0 - joint.scatter)
    force = joint.screws * joint.friction * lowest
    return Clamping(
        force=force,
        torque=force * joint.radius,
        acceleration=force * joint.radius / joint.inertia,
        shock=math.nan if joint.mass is None else force / joint.mass,
        preload=lowest,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Thread:
    """Checked numbers of `bolt_preload`."""

    diameter: float
    pitch: float
    yield_stress: float
    friction: float
    use: float

    def __post_init__(self) -> None:
        check = ring_geometry.Named(self, "bolt_preload")
        check.positive("diameter", "m", within=(1e-4, 1.0))
        check.positive("pitch", "m")
        check.positive("yield_stress", "Pa", within=STRESSES)
        check.number("friction", "lie from 0 to 1", low=0.0, high=1.0)
        check.number("use", "be above 0 and at most 1", low=0.0, high=1.0, open_low=True)
        if not check.faults and self.pitch > 0.5 * self.diameter:
            check.fault("pitch", f"be at most half the diameter, {self.diameter:g} m", self.pitch, "m")
        check.done()


def bolt_preload(
    diameter: float, pitch: float, *, yield_stress: float = 640e6, friction: float = 0.12, use: float = 0.9
) -> Any:
    """Preload of a metric screw that is tightened to a share of yield.

    Parameters
    ----------
    diameter, pitch : float
        Of the thread, d and P, m.
    yield_stress : float
        Of the screw, Pa; 640 MPa is class 8.8.
    friction : float
        Coefficient mu in the thread.
    use : float
        Share of yield that tension and twist together reach.

    Returns
    -------
    float
        Preload, N.

    Raises
    ------
    InputError
        If a number is out of range.

    Notes
    -----
    use R A/sqrt(1 + 3 (1.5 d2/d0 (P/(pi d2) + 1.155 mu))**2), A = pi d0**2/4 the stress area, d0 = d - 0.9382 P,
    flank diameter d2 = d - 0.6495 P.

    References
    ----------
    VDI 2230 Part 1, assembly preload at 90 % of yield; ISO 898-1, stress area (both from memory).

    Examples
    --------
    >>> round(bolt_preload(5e-3, 0.8e-3) / 1e3, 1)
    7.2
    """
    thread = _Thread(diameter=diameter, pitch=pitch, yield_stress=yield_stress, friction=friction, use=use)
    flank = thread.diameter - FLANK * thread.pitch
    twist = thread.pitch / (math.pi * flank) + 1.155 * thread.friction
    ratio = 1.5 * flank / (thread.diameter - STRESSED * thread.pitch) * twist
    pull = thread.use * thread.yield_stress * stress_area(thread.diameter, thread.pitch)
    return pull / math.sqrt(1.0 + 3.0 * ratio**2)


def stress_area(diameter: float, pitch: float) -> Any:
    """Stress area of a metric thread, pi/4 (d - 0.9382 P)**2, m2."""
    return 0.25 * math.pi * (diameter - STRESSED * pitch) ** 2
