"""Growth and hoop stress of a ring at speed and temperature, and the speed at which it yields."""

from __future__ import annotations

import math
from dataclasses import dataclass
from numbers import Real
from typing import TYPE_CHECKING

from .. import checks
from ..model import ring_geometry
from ..results import Result

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Expansion(Result):
    """Growth and stress of a ring at speed and temperature.

    Attributes
    ----------
    radius_growth : float
        Of the radius of the graduation, by speed and temperature, m.
    bore_growth : float or None
        Of the radius of the bore, m; None for a thin ring.
    stress : float
        Largest hoop stress by rotation, Pa: at the bore, or all over a thin ring.
    safety : float
        Yield speed over speed; infinite at standstill, NaN without a yield stress.
    speed_limit : float
        Speed at which the ring yields, rad/s; NaN without a yield stress.
    rim_speed : float
        Speed of the graduation, m/s.
    angle_error : float
        Amplitude at one per turn, rad: zero for uniform growth of a full ring, else by the gradient.
    cautions : tuple of str
        To be read before a ring is run fast.
    valid : bool
        Whether the ring stays below yield.
    reasons : tuple of str
        Why not.
    """

    radius_growth: float
    bore_growth: float | None
    stress: float
    safety: float
    speed_limit: float
    rim_speed: float
    angle_error: float
    cautions: tuple[str, ...] = CAUTIONS
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        lengths = dict.fromkeys(("radius_growth", "bore_growth"), "m")
        speeds = {"speed_limit": "rad/s", "rim_speed": "m/s"}
        return {**lengths, **speeds, "stress": "Pa", "safety": "1", "angle_error": "rad"}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Conditions:
    """Checked numbers of `expansion`; its errors name them so."""

    speed: float
    temperature: float
    gradient: float
    density: float
    modulus: float
    poisson: float
    alpha: float
    yield_stress: float | None
    bore: float | None

    def __post_init__(self) -> None:
        check = ring_geometry.Named(self, "expansion")
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
    bore: None = None,
    gradient: float = 0.0,
) -> Expansion | None:
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
        Diameter of the bore, m: the ring is then a disc with a hole. Without it that of the ring holds, and
        without either the ring is thin.
    gradient : float
        Difference of temperature across the diameter, in a fixed direction of the ring, K.

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
    is taken to be the rim, and the ring to be free at its bore.

    A linear gradient makes no stress and bends straight lines: u = alpha g (x**2 - y**2)/2, v = alpha g x y, with
    the centre held; a head sees alpha (gradient)/4 at one per turn, which two opposite heads cancel.

    References
    ----------
    Timoshenko and Goodier, Theory of Elasticity, rotating discs (from memory); solved again here.

    Examples
    --------
    >>> from encsim.rings import Ring
    >>> grown = expansion(Ring(0.1), 700.0, density=7800.0, modulus=210e9, poisson=0.3, yield_stress=344e6)
    >>> round(grown.stress / 1e6, 1), round(grown.safety, 1)
    (9.6, 6.0)
    """
    speed = abs(speed) if isinstance(speed, Real) and not isinstance(speed, bool) else speed
    given = _Conditions(
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
    if given.bore is not None and given.bore >= ring.diameter:
        rule = f"be smaller than the diameter, {ring.diameter:g} m"
        checks.refuse("expansion.bore", rule, given.bore, "m")
    return _grown(ring, given)


def _grown(ring: Ring, given: _Conditions) -> Expansion:
    """The result of checked numbers."""
    outer, inner = ring.radius, None if given.bore is None else 0.5 * given.bore
    unit = hoop_stress(1.0, outer, inner, given)
    stress = unit * given.speed**2
    limit = math.nan if given.yield_stress is None else math.sqrt(given.yield_stress / unit)
    yields = given.speed > limit
    heat = given.alpha * given.temperature
    return Expansion(
        radius_growth=_rim_growth(outer, inner, given) + heat * outer,
        bore_growth=None if inner is None else _rim_growth(inner, outer, given) + heat * inner,
        stress=stress,
        safety=limit / given.speed if given.speed else limit * math.inf,
        speed_limit=limit,
        rim_speed=given.speed * outer,
        angle_error=abs(given.alpha * given.gradient) / 4.0,
        valid=not yields,
        reasons=("the ring yields at this speed",) if yields else (),
    )


def hoop_stress(speed: float, outer: float, inner: float, material: _Conditions) -> float:
    """Largest hoop stress, Pa, of a thin ring (inner None) or of a disc with a bore; radii."""
    if inner is None:
        return material.density * (speed * outer) ** 2
    square = (3.0 + material.poisson) * outer**2 + (1.0 - material.poisson) * inner**2
    return 0.25 * material.density * speed**2 * square


def _rim_growth(here: float, other: float, given: _Conditions) -> float:
    """Growth by rotation of one rim of a disc, whose other radius is given, or of a thin ring (None)."""
    scale = given.density * given.speed**2 * here / given.modulus
    if other is None:
        return scale * here**2
    return 0.25 * scale * ((1.0 - given.poisson) * here**2 + (3.0 + given.poisson) * other**2)
