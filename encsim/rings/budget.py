"""Uncertainty budgets by JCGM 100, for rings and in general.

A contribution has a size, a distribution and a sensitivity; standard uncertainties add as squares. All contributions
of a budget have the same unit, rad for rings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..model import bounds, ring_geometry
from ..results import Result, measured_in, recorded
from . import error_orders

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.ring_geometry import HeadAngles, Ring


# Size over standard uncertainty; the size is a standard uncertainty, a half-width, or an amplitude (arcsine).
DIVISORS = {"normal": 1.0, "rectangular": 3.0**0.5, "triangular": 6.0**0.5, "arcsine": 2.0**0.5}
# Peak of a normal contribution, in standard uncertainties, as for peaks elsewhere.
NORMAL_PEAK = 3.0
MOST = 10_000


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    Parameters
    ----------
    name : str
        Name of the quantity.
    size : float
        Standard uncertainty of a normal quantity, half-width of a rectangular or triangular one, amplitude of a
        sine (arcsine).
    distribution : {"normal", "rectangular", "triangular", "arcsine"}
        Distribution of the quantity.
    sensitivity : float
        Change of the result per unit of this quantity; the sign is ignored.
    order : int, optional
        Cycles per revolution of a cyclic quantity.
    freedom : float
        Degrees of freedom of the standard uncertainty; infinite if it is known.
    second : float, optional
        For a product of two small quantities (a second-order term): standard uncertainty of the other factor.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Contribution("scale", 3.0).distribution
    'normal'
    """

    name: str
    size: float
    distribution: str = "normal"
    sensitivity: float = 1.0
    order: int | None = None
    freedom: float = math.inf
    second: float | None = None

    def __post_init__(self) -> None:
        check = checks.Check(self)
        if not isinstance(self.name, str) or not self.name.strip():
            check.fault("name", "be a text", self.name)
        check.not_negative("size")
        if not isinstance(self.distribution, str) or self.distribution not in DIVISORS:
            words = " or ".join(f'"{word}"' for word in DIVISORS)
            check.fault("distribution", f"be {words}", self.distribution)
        check.number("sensitivity")
        check.whole("order", 1, checks.LARGEST_ORDER * bounds.MOST_HEADS, optional=True)
        if not (isinstance(self.freedom, float) and self.freedom == math.inf):
            check.number("freedom", "be 1 or more", low=1.0)
        check.number("second", "be zero or more and finite", low=0.0, optional=True)
        check.done()

    @property
    def standard(self) -> float:
        """Standard uncertainty of the result by this contribution, sensitivity included."""
        scale = abs(self.sensitivity) * (1.0 if self.second is None else self.second)
        return float(scale * self.size / DIVISORS[self.distribution])

    @property
    def peak(self) -> float:
        """Largest change of the result by this contribution; three standard uncertainties of a normal one."""
        if self.distribution == "normal" or self.second is not None:
            return NORMAL_PEAK * self.standard
        return abs(self.sensitivity) * self.size


@dataclass(frozen=True, kw_only=True, eq=False)
class Budget(Result):
    """Uncertainty budget.

    Attributes
    ----------
    name, distribution : tuple of str
        Name and distribution of each contribution.
    order : tuple of (int or None)
        Cycles per revolution of cyclic contributions.
    size, sensitivity : ndarray
        As given.
    standard : ndarray
        Standard uncertainty of the result by each contribution; the rms of a cyclic one.
    peak : ndarray
        Largest change of the result by each contribution.
    share : ndarray
        Share of the combined variance.
    combined : float
        Combined standard uncertainty u_c, root of the sum of squares.
    worst : float
        Sum of the peaks.
    freedom : float
        Effective degrees of freedom by Welch and Satterthwaite.
    probability : float
        Coverage probability.
    factor : float
        Coverage factor k: Student's t for the effective degrees of freedom, rounded down.
    expanded : float
        Expanded uncertainty k u_c.
    radius : float or None
        Radius of ``arc``, m.
    arc : float
        Expanded uncertainty as a length at that radius, m; NaN without a radius.
    unit : str
        Unit of the result.
    valid : bool
        Whether k u_c is reliable.
    reasons : tuple of str
        Why not.
    """

    name: tuple[str, ...]
    distribution: tuple[str, ...]
    order: tuple[int | None, ...] = field(metadata=measured_in("1"))
    size: np.ndarray
    sensitivity: np.ndarray
    standard: np.ndarray = field(metadata=measured_in("position"))
    peak: np.ndarray = field(metadata=measured_in("position"))
    share: np.ndarray = field(metadata=measured_in("1"))
    combined: float = field(metadata=measured_in("position"))
    worst: float = field(metadata=measured_in("position"))
    freedom: float = field(metadata=measured_in("1"))
    probability: float = field(metadata=measured_in("1"))
    factor: float = field(metadata=measured_in("1"))
    expanded: float = field(metadata=measured_in("position"))
    radius: float | None = field(metadata=measured_in("m"))
    arc: float = field(metadata=measured_in("m"))
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def position_unit(self) -> str:
        """Unit of positions and errors, as asked for."""
        return self.unit


@recorded
def uncertainty_budget(
    contributions: Contribution | Iterable[Contribution],
    probability: float = 0.95,
    *,
    unit: str = "rad",
    radius: float | None = None,
) -> Budget:
    """Combined and expanded uncertainty of independent contributions.

    Parameters
    ----------
    contributions : iterable of Contribution
        The contributions, one or several.
    probability : float
        Coverage probability, above 0 and below 1.
    unit : str
        Unit of the result.
    radius : float, optional
        Radius at which an angle is also given as a length, m.

    Returns
    -------
    Budget

    Raises
    ------
    InputError
        If there is no contribution, or a number is out of range.

    Notes
    -----
    u_c**2 = sum of (c_i u_i)**2. The effective degrees of freedom are u_c**4/sum of (c_i u_i)**4/nu_i; k is Student's
    t for them, rounded down. A product of two quantities with estimates near zero adds (c u_1 u_2)**2.

    References
    ----------
    JCGM 100:2008, 5.1.2, 5.1.2 note (second order), G.4.1 (numbers from memory).

    Examples
    --------
    >>> import encsim
    >>> lines = [encsim.Contribution("scale", 3.0), encsim.Contribution("warmth", 4.0 * 3**0.5, "rectangular")]
    >>> round(encsim.uncertainty_budget(lines, unit="um").combined, 9)
    5.0
    """
    entries = _checked(contributions)
    if not checks.is_real(probability) or not 0.0 < probability < 1.0:
        checks.refuse("uncertainty_budget.probability", "lie between 0 and 1", probability)
    if radius is not None and (not checks.is_real(radius) or radius <= 0.0):
        checks.refuse("uncertainty_budget.radius", "be positive and finite", radius, "m")
    if not isinstance(unit, str):
        checks.refuse("uncertainty_budget.unit", "be a text", unit)
    standard = np.array([line.standard for line in entries])
    peak = np.array([line.peak for line in entries])
    combined = float(np.hypot.reduce(standard))
    freedom = effective_freedom(standard, [line.freedom for line in entries])
    factor = coverage_factor(probability, freedom)
    reasons = _reasons(entries, standard, combined, freedom)
    return Budget(
        name=tuple(line.name for line in entries),
        distribution=tuple(line.distribution for line in entries),
        order=tuple(line.order for line in entries),
        size=np.array([line.size for line in entries]),
        sensitivity=np.array([line.sensitivity for line in entries]),
        standard=standard,
        peak=peak,
        share=(standard / combined) ** 2 if combined else np.zeros_like(standard),
        combined=combined,
        worst=float(peak.sum()),
        freedom=freedom,
        probability=float(probability),
        factor=factor,
        expanded=factor * combined,
        radius=radius,
        arc=math.nan if radius is None else factor * combined * radius,
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _checked(contributions: Contribution | Iterable[Contribution]) -> tuple[Contribution, ...]:
    """The contributions as a tuple, checked."""
    entries = _as_tuple(contributions)
    wrong = [entry for entry in entries if not isinstance(entry, Contribution)]
    if wrong:
        checks.refuse("uncertainty_budget.contributions", "be contributions", wrong[0])
    if not 1 <= len(entries) <= MOST:
        checks.refuse("uncertainty_budget.contributions", f"be 1 to {MOST}", len(entries))
    return entries


def _as_tuple(contributions: Contribution | Iterable[Contribution]) -> tuple[Contribution, ...]:
    """One contribution or several as a tuple."""
    return tuple(contributions) if isinstance(contributions, Iterable) else (contributions,)


def _reasons(
    entries: tuple[Contribution, ...], standard: np.ndarray, combined: float, freedom: float
) -> tuple[str, ...]:
    """Why the coverage factor may not be reliable."""
    reasons: tuple[str, ...] = ()
    bounded = [i for i, entry in enumerate(entries) if entry.distribution in ("rectangular", "arcsine")]
    if combined and bounded and max(standard[bounded]) > 0.9 * combined:
        name = entries[max(bounded, key=lambda i: standard[i])].name
        reasons = (f"one bounded contribution dominates ({name}): use its peak, not k u_c",)
    if freedom < 3.0:
        reasons = (*reasons, f"only {freedom:.3g} degrees of freedom")
    return reasons


def effective_freedom(standard: ArrayLike, freedom: ArrayLike) -> float:
    """Effective degrees of freedom by Welch and Satterthwaite; infinite if all uncertainties are known."""
    sizes = np.asarray(standard, dtype=float)
    largest = sizes.max(initial=0.0)
    if largest == 0.0:
        return math.inf
    # Scaled by the largest, so that fourth powers of small angles do not underflow.
    scaled = sizes / largest
    denominator = float(np.sum(scaled**4 / np.asarray(freedom, dtype=float)))
    return float(np.sum(scaled**2) ** 2 / denominator) if denominator else math.inf


def coverage_factor(probability: float, freedom: float = math.inf) -> float:
    """Half-width of the two-sided interval of this probability, in standard uncertainties."""
    tail = 0.5 * (1.0 + probability)
    if freedom > 1e9:
        from statistics import NormalDist

        return NormalDist().inv_cdf(tail)
    from scipy import special

    # 16.999..., which only rounding errors keep below 17, counts as 17.
    return float(special.stdtrit(max(1.0, math.floor(freedom + 1e-9)), tail))


@recorded
def ring_budget(
    ring: Ring,
    heads: HeadAngles = (0.0,),
    weights: ArrayLike | None = None,
    *,
    extra: Contribution | Iterable[Contribution] = (),
    probability: float = 0.95,
    radius: float | None = None,
) -> Budget:
    """Uncertainty budget of the angle that a mounted ring shows, for an unknown angle of the shaft.

    Parameters
    ----------
    ring : Ring
        The ring; its errors stand for tolerances.
    heads : sequence of float or Head
        Positions of the heads, rad.
    weights : sequence of float, optional
        Weight of each head; equal by default.
    extra : iterable of Contribution
        Further contributions in rad: resolution, interpolation, temperature, a calibration.
    probability : float
        Coverage probability.
    radius : float, optional
        Radius at which the angle is also given as a length, m.

    Returns
    -------
    Budget
        One contribution per cause and order, named as "eccentricity, order 1".

    Raises
    ------
    InputError
        As `ring_error` and `uncertainty_budget`.

    Notes
    -----
    A harmonic a sin(n theta + phase) at an unknown angle has the arcsine distribution: rms a/sqrt(2), peak a. The
    phases of the causes are assumed independent. The foreshortening of a tilted ring is included.

    Examples
    --------
    >>> import encsim
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> round(206264.8 * float(encsim.ring_budget(ring).combined), 2)  # arcsec
    8.31
    """
    contributions = [
        Contribution(f"{cause}, order {order}", amplitude, "arcsine", order=order)
        for cause, order, amplitude in cause_lines(ring, heads, weights)
    ]
    contributions += _as_tuple(extra)
    # A perfect ring has a budget too, of one contribution of size 0.
    contributions = contributions or [Contribution("mounting", 0.0, "arcsine")]
    return uncertainty_budget(contributions, probability, radius=radius)


def cause_lines(
    ring: Ring, heads: HeadAngles = (0.0,), weights: ArrayLike | None = None
) -> list[tuple[str, int, float]]:
    """Cause, order and amplitude of each harmonic of the combined heads, each cause alone."""
    as_heads, shares = ring_geometry.arranged(heads, weights)
    lines = [
        (cause, order, amplitude)
        for cause, parts in error_orders.amplitudes_by_cause(ring, as_heads, shares).items()
        for order, amplitude in parts.items()
    ]
    foreshortening = error_orders.foreshortening_amplitude(ring, as_heads, shares)
    return lines + ([("foreshortening", 2, foreshortening)] if foreshortening else [])
