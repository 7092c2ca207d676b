"""Growth and hoop stress of a ring at speed and temperature, and the speed at which it yields."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from numbers import Real
from typing import TYPE_CHECKING

from .. import checks
from ..checks import ArgumentCheck
from ..model.ring_geometry import Ring
from ..results import Result, measured_in, recorded

if TYPE_CHECKING:
    from types import SimpleNamespace


CAUTIONS = (
    "Overspeed can burst a ring: its pieces fly with the energy of the rim. Run it behind a guard, with a limit "
    "on speed that does not depend on the controller.",
    "These figures are for a sound, homogeneous ring free to grow: holes, screws, notches, joints, cracks and a "
    "press fit raise the stress, and glass or a glued scale may fail far earlier than the ring itself.",
    "Stay below the speed that the maker of the ring, of its screws and of the bearing allows, whichever is lowest.",
    "Nothing here replaces local codes and rules, and the judgement of qualified staff on site.",
)
DENSITIES = (1.0, 1e5)
MODULI = (1e3, 1e13)
STRESSES = (1.0, 1e12)
FASTEST = 1e7
HOTTEST = 5000.0
STEEPEST_EXPANSION = 1e-2


@dataclass(frozen=True, kw_only=True)
class Expansion(Result):
    """Growth and stress of a ring at speed and temperature.

    Attributes
    ----------
    radius_growth : float
        Growth of the radius of the graduation by speed and temperature, m.
    bore_growth : float or None
        Growth of the radius of the bore, m; None for a thin ring.
    stress : float
        Largest hoop stress by rotation, Pa: at the bore of a disc, everywhere in a thin ring.
    safety : float
        Yield speed over speed; infinite at standstill, NaN without a yield stress.
    speed_limit : float
        Speed at which the ring yields, rad/s; NaN without a yield stress.
    rim_speed : float
        Speed of the graduation, m/s.
    angle_error : float
        Amplitude at one per revolution, rad, by the temperature gradient; uniform growth of a full ring makes none.
    cautions : tuple of str
        Safety cautions to read before a ring is run fast.
    valid : bool
        Whether the ring stays below yield.
    reasons : tuple of str
        Why not.

    Examples
    --------
    >>> import encsim
    >>> grown = encsim.expansion(encsim.Ring(0.1), 700.0, density=7800.0, modulus=210e9, poisson=0.3)
    >>> round(1e6 * float(grown.radius_growth), 2)  # um
    2.28
    """

    radius_growth: float = field(metadata=measured_in("m"))
    bore_growth: float | None = field(metadata=measured_in("m"))
    stress: float = field(metadata=measured_in("Pa"))
    safety: float = field(metadata=measured_in("1"))
    speed_limit: float = field(metadata=measured_in("rad/s"))
    rim_speed: float = field(metadata=measured_in("m/s"))
    angle_error: float = field(metadata=measured_in("rad"))
    cautions: tuple[str, ...] = CAUTIONS
    valid: bool = True
    reasons: tuple[str, ...] = ()


@recorded
def expansion(
    ring: Ring,
    speed: float = 0.0,
    temperature: float = 0.0,
    *,
    density: float,
    modulus: float,
    poisson: float,
    alpha: float = 0.0,
    yield_stress: float | None = None,
    bore: float | None = None,
    gradient: float = 0.0,
) -> Expansion:
    """Growth, hoop stress and safety of a ring at speed and temperature.

    Parameters
    ----------
    ring : Ring
        The ring.
    speed : float
        Speed omega, rad/s; the sign is ignored.
    temperature : float
        Rise of its temperature, K.
    density, modulus, poisson : float
        Density rho, kg/m3; Young's modulus E, Pa; Poisson's ratio nu.
    alpha : float
        Coefficient of thermal expansion, 1/K.
    yield_stress : float, optional
        Stress at which the ring yields, Pa.
    bore : float, optional
        Diameter of the bore, m; without it `Ring.bore` is used. With a bore the ring is computed as a disc with a
        hole, without one as a thin ring.
    gradient : float
        Temperature difference across the diameter, in a fixed direction of the ring, K.

    Returns
    -------
    Expansion

    Raises
    ------
    InputError
        If a number is out of range or the bore is not smaller than the ring.

    Notes
    -----
    Thin ring: hoop stress rho (omega R)**2, growth of R rho omega**2 R**3/E. Disc with bore a and rim b (radii),
    plane stress: hoop stress at the bore rho omega**2/4 ((3 + nu) b**2 + (1 - nu) a**2), growth of the rim
    rho omega**2 b/(4 E) ((1 - nu) b**2 + (3 + nu) a**2), of the bore with a and b exchanged. The graduation
    is assumed to be at the rim, and the ring to be free at its bore.

    A linear temperature gradient g makes no stress. It displaces points by u = alpha g (x**2 - y**2)/2,
    v = alpha g x y, with the centre held. One head sees alpha (gradient)/4 at one per revolution; two opposite heads
    cancel it.

    References
    ----------
    Timoshenko and Goodier, Theory of Elasticity, rotating discs (from memory); solved again here.

    Examples
    --------
    >>> import encsim
    >>> steel = {"density": 7800.0, "modulus": 210e9, "poisson": 0.3, "yield_stress": 344e6}
    >>> grown = encsim.expansion(encsim.Ring(0.1), 700.0, **steel)
    >>> round(grown.stress / 1e6, 1), round(grown.safety, 1)
    (9.6, 6.0)
    """
    checks.refuse_other_class("ring", ring, Ring)
    speed = abs(speed) if isinstance(speed, Real) and not isinstance(speed, bool) else speed
    check = ArgumentCheck(
        "expansion",
        speed=speed,
        temperature=temperature,
        gradient=gradient,
        density=density,
        modulus=modulus,
        poisson=poisson,
        alpha=alpha,
        yield_stress=yield_stress,
        bore=ring.bore if bore is None else bore,
    )
    _check_conditions(check)
    given = check.owner
    if given.bore is not None and given.bore >= ring.diameter:
        rule = f"be smaller than the diameter, {ring.diameter:g} m"
        checks.refuse("expansion.bore", rule, given.bore, "m")
    outer, inner = ring.radius, None if given.bore is None else 0.5 * given.bore
    stress_per_square = _hoop_stress(outer, inner, given)
    limit = math.nan if given.yield_stress is None else math.sqrt(given.yield_stress / stress_per_square)
    yields = given.speed > limit
    heat = given.alpha * given.temperature
    return Expansion(
        radius_growth=_radial_growth(outer, inner, given) + heat * outer,
        bore_growth=None if inner is None else _radial_growth(inner, outer, given) + heat * inner,
        stress=stress_per_square * given.speed**2,
        safety=limit / given.speed if given.speed else limit * math.inf,
        speed_limit=limit,
        rim_speed=given.speed * outer,
        angle_error=abs(given.alpha * given.gradient) / 4.0,
        valid=not yields,
        reasons=("the ring yields at this speed",) if yields else (),
    )


def _check_conditions(check: ArgumentCheck) -> None:
    """Check the arguments of `expansion`."""
    check.number("speed", f"lie from 0 to {FASTEST:g}", "rad/s", low=0.0, high=FASTEST)
    for name in ("temperature", "gradient"):
        check.number(name, f"lie from -{HOTTEST:g} to {HOTTEST:g}", "K", low=-HOTTEST, high=HOTTEST)
    check.positive("density", "kg/m3", within=DENSITIES)
    check.positive("modulus", "Pa", within=MODULI)
    check.number("poisson", "lie from 0 to 0.5", low=0.0, high=0.5)
    steep = STEEPEST_EXPANSION
    check.number("alpha", f"lie from -{steep:g} to {steep:g}", "1/K", low=-steep, high=steep)
    check.positive("yield_stress", "Pa", optional=True, within=STRESSES)
    check.positive("bore", "m", optional=True)
    check.done()


def _hoop_stress(outer: float, inner: float | None, material: SimpleNamespace) -> float:
    """Largest hoop stress at 1 rad/s, Pa, by the radii of a disc with a bore, or of a thin ring (inner None)."""
    if inner is None:
        return float(material.density * outer**2)
    square = (3.0 + material.poisson) * outer**2 + (1.0 - material.poisson) * inner**2
    return float(0.25 * material.density * square)


def _radial_growth(edge: float, other_edge: float | None, given: SimpleNamespace) -> float:
    """Growth by rotation of one edge of a disc, m, by the radii of both edges; other_edge None for a thin ring."""
    scale = given.density * given.speed**2 * edge / given.modulus
    if other_edge is None:
        return float(scale * edge**2)
    return float(0.25 * scale * ((1.0 - given.poisson) * edge**2 + (3.0 + given.poisson) * other_edge**2))


@dataclass(frozen=True, kw_only=True)
class SeatFit(Result):
    """Play of a ring on its seat at a temperature.

    Attributes
    ----------
    play : float
        Bore less seat at that temperature, diametral, m; negative where the ring is tight.
    radial_change : float
        Growth of the bore's radius over that of the seat, m.
    eccentricity : float
        Largest eccentricity that the play allows, half of it, m; zero where the ring is tight.
    angle_error : float
        Amplitude at one per revolution that this would give a single head, rad.
    valid : bool
        Whether the fit stays of one kind: tight at both temperatures, or loose at both.
    reasons : tuple of str
        Why not.
    """

    play: float = field(metadata=measured_in("m"))
    radial_change: float = field(metadata=measured_in("m"))
    eccentricity: float = field(metadata=measured_in("m"))
    angle_error: float = field(metadata=measured_in("rad"))
    valid: bool
    reasons: tuple[str, ...]


def ring_fit(
    ring: Ring, temperature: float = 0.0, *, alpha: float, shaft_alpha: float, bore_growth: float = 0.0
) -> SeatFit:
    """Play of a ring on its shaft after both have changed temperature."""
    # The radial change at the seat radius r is r (alpha - shaft_alpha) temperature.
    if ring.bore is None:
        checks.refuse("Ring.bore", "be given to tell the fit", None)
    if ring.shaft is None:
        checks.refuse("Ring.shaft", "be given to tell the fit", None)
    checks.finite_numbers(
        "ring_fit", temperature=(temperature, "K"), alpha=(alpha, "1/K"), shaft_alpha=(shaft_alpha, "1/K")
    )
    checks.finite_numbers("ring_fit", bore_growth=(bore_growth, "m"))
    change = 0.5 * (ring.bore * alpha - ring.shaft * shaft_alpha) * temperature + bore_growth
    cold_play = ring.bore - ring.shaft
    play = cold_play + 2.0 * change
    changes_kind = (cold_play <= 0.0) != (play <= 0.0)
    loose = 0.5 * max(play, 0.0)
    return SeatFit(
        play=play,
        radial_change=change,
        eccentricity=loose,
        angle_error=loose / ring.radius,
        valid=not changes_kind,
        reasons=("the ring comes loose" if play > 0.0 else "the ring becomes tight",) if changes_kind else (),
    )
