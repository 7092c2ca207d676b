"""Clamping of a ring by screws: their preload, and the torque, acceleration and shock at which the ring slips."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from ..checks import ArgumentCheck
from ..results import Result, measured_in, recorded
from .growth import CAUTIONS, STRESSES

# Pitch (flank) and stress diameter of a metric thread lie this number of pitches below the nominal diameter:
# 3/4 H, and the mean of that with the core, 17/12 H, where H = sqrt(3)/2 P.
FLANK_OFFSET = 0.75 * 0.75**0.5
STRESS_OFFSET = 0.5 * (FLANK_OFFSET + 17.0 / 12.0 * 0.75**0.5)


@dataclass(frozen=True, kw_only=True)
class Clamping(Result):
    """Loads at which a ring slips that screws hold by friction.

    Attributes
    ----------
    force : float
        Tangential force of all screws at which it slips, N.
    torque : float
        Torque at which it slips, N m.
    acceleration : float
        Angular acceleration at which it slips, rad/s2.
    shock : float
        Radial acceleration at which it slips, m/s2; NaN without a mass.
    preload : float
        Lowest expected preload of one screw, N.
    cautions : tuple of str
        Safety cautions to read before the figures are used.
    valid : bool
        Always True.
    reasons : tuple of str
        Empty.
    """

    force: float = field(metadata=measured_in("N"))
    torque: float = field(metadata=measured_in("N m"))
    acceleration: float = field(metadata=measured_in("rad/s2"))
    shock: float = field(metadata=measured_in("m/s2"))
    preload: float = field(metadata=measured_in("N"))
    cautions: tuple[str, ...] = CAUTIONS
    valid: bool = True
    reasons: tuple[str, ...] = ()


@recorded
def clamping(
    *,
    screws: int,
    preload: float,
    friction: float,
    radius: float,
    inertia: float,
    mass: float | None = None,
    scatter: float = 0.0,
) -> Clamping:
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
        Share by which the preload may fall short of nominal: 0.2 to 0.3 for a torque wrench (common practice, no
        source).

    Returns
    -------
    Clamping

    Raises
    ------
    InputError
        If a number is not positive and finite.

    Notes
    -----
    The force is n mu F. The torque is r n mu F, the accelerations are the torque over J and the force over m. Only
    friction is counted; a pin, a shoulder or glue adds to it.

    Examples
    --------
    >>> import encsim
    >>> found = encsim.clamping(screws=6, preload=7e3, friction=0.12, radius=0.05, inertia=0.01)
    >>> round(float(found.torque))  # N m
    252
    """
    check = ArgumentCheck(
        "clamping",
        screws=screws,
        preload=preload,
        friction=friction,
        radius=radius,
        inertia=inertia,
        mass=mass,
        scatter=scatter,
    )
    check.whole("screws", 1, 10_000)
    for name, unit in (("preload", "N"), ("friction", ""), ("radius", "m"), ("inertia", "kg m2")):
        check.positive(name, unit)
    check.positive("mass", "kg", optional=True)
    check.number("scatter", "lie from 0 to 0.95", low=0.0, high=0.95)
    check.done()
    joint = check.owner
    lowest = joint.preload * (1.0 - joint.scatter)
    force = joint.screws * joint.friction * lowest
    return Clamping(
        force=force,
        torque=force * joint.radius,
        acceleration=force * joint.radius / joint.inertia,
        shock=math.nan if joint.mass is None else force / joint.mass,
        preload=lowest,
    )


def bolt_preload(
    diameter: float, pitch: float, *, yield_stress: float = 640e6, friction: float = 0.12, use: float = 0.9
) -> float:
    """Preload of a metric screw tightened to a share of its yield strength.

    Parameters
    ----------
    diameter, pitch : float
        Nominal diameter d and pitch P of the thread, m.
    yield_stress : float
        Yield strength R of the screw, Pa; 640 MPa is class 8.8.
    friction : float
        Coefficient mu in the thread.
    use : float
        Share of the yield strength that tension and torsion together reach.

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
    pitch diameter d2 = d - 0.6495 P.

    References
    ----------
    VDI 2230 Part 1, assembly preload at 90 % of yield; ISO 898-1, stress area (both from memory).

    Examples
    --------
    >>> import encsim
    >>> round(encsim.bolt_preload(5e-3, 0.8e-3) / 1e3, 1)
    7.2
    """
    check = ArgumentCheck(
        "bolt_preload", diameter=diameter, pitch=pitch, yield_stress=yield_stress, friction=friction, use=use
    )
    check.positive("diameter", "m", within=(1e-4, 1.0))
    check.positive("pitch", "m")
    check.positive("yield_stress", "Pa", within=STRESSES)
    check.number("friction", "lie from 0 to 1", low=0.0, high=1.0)
    check.number("use", "be above 0 and at most 1", low=0.0, high=1.0, open_low=True)
    if not check.faults and pitch > 0.5 * diameter:
        check.fault("pitch", f"be at most half the diameter, {float(diameter):g} m", float(pitch), "m")
    check.done()
    thread = check.owner
    flank_diameter = thread.diameter - FLANK_OFFSET * thread.pitch
    twist = thread.pitch / (math.pi * flank_diameter) + 1.155 * thread.friction
    # Ratio of shear stress by tightening to tensile stress.
    ratio = 1.5 * flank_diameter / (thread.diameter - STRESS_OFFSET * thread.pitch) * twist
    tension = thread.use * thread.yield_stress * stress_area(thread.diameter, thread.pitch)
    return float(tension / math.sqrt(1.0 + 3.0 * ratio**2))


def stress_area(diameter: float, pitch: float) -> float:
    """Stress area of a metric thread, pi/4 (d - 0.9382 P)**2, m2."""
    return float(0.25 * math.pi * (diameter - STRESS_OFFSET * pitch) ** 2)
