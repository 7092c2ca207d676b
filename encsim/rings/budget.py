"""Uncertainty budgets in the manner of JCGM 100, for rings and in general.

A contribution has a size, a distribution and a sensitivity; standard uncertainties add as squares. Sizes are in
any one unit of the caller's choice; for rings in rad.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model import ring_geometry
from ..results import Result
from . import error_orders

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


# size / standard uncertainty; the size is a standard uncertainty, a half-width, or an amplitude (arcsine)
DIVISORS = {"normal": 1.0, "rectangular": 3.0**0.5, "triangular": 6.0**0.5, "arcsine": 2.0**0.5}
# what counts as the peak of a normal contribution, in standard uncertainties, as for peaks elsewhere
NORMAL_PEAK = 3.0
MOST = 10_000


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    Parameters
    ----------
    name : str
        What it is.
    size : float
        Standard uncertainty of a normal quantity, half-width of a rectangular or triangular one, amplitude of a
        sine (arcsine).
    distribution : {"normal", "rectangular", "triangular", "arcsine"}
        Its distribution.
    sensitivity : float
        Change of the result per unit of this quantity; the sign is ignored.
    order : int, optional
        Cycles per turn, where it is cyclic.
    freedom : float
        Degrees of freedom of the standard uncertainty; infinite where it is known.
    second : float, optional
        For a product of two small quantities (a second-order term): standard uncertainty of the other factor.

    Raises
    ------
    InputError
        If a number is out of range.
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
        check.whole("order", 1, ring_geometry.LARGEST_ORDER * ring_geometry.MOST_HEADS, optional=True)
        if not (isinstance(self.freedom, float) and self.freedom == math.inf):
            check.number("freedom", "be 1 or more", low=1.0)
        check.number("second", "be zero or more and finite", low=0.0, optional=True)
        check.done()

    @property
    def standard(self) -> float:
        """Standard uncertainty of the result by this quantity, sensitivity included."""
        scale = abs(self.sensitivity) * (1.0 if self.second is None else self.second)
        return scale * self.size / DIVISORS[self.distribution]

    @property
    def peak(self) -> float:
        """Largest change of the result by this quantity; three standard uncertainties of normal ones."""
        if self.distribution == "normal" or self.second is not None:
            return NORMAL_PEAK * self.standard
        return abs(self.sensitivity) * self.size


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Budget(Result):
    """Uncertainty budget.

    Attributes
    ----------
    name, distribution : tuple of str
        Of each contribution.
    order : tuple of (int or None)
        Cycles per turn of cyclic ones.
    size, sensitivity : ndarray
        As given.
    standard : ndarray
        Standard uncertainty of the result by each: its rms, where it is cyclic.
    peak : ndarray
        Largest change of the result by each.
    share : ndarray
        Of the combined variance.
    combined : float
        Combined standard uncertainty u_c, root of the sum of squares.
    worst : float
        Sum of the peaks: all at their worst at once.
    freedom : float
        Effective degrees of freedom by Welch and Satterthwaite.
    probability : float
        Coverage probability.
    factor : float
        Coverage factor k: Student's t for the freedom cut to a whole number.
    expanded : float
        Expanded uncertainty k u_c.
    radius : float or None
        Radius at which ``arc`` holds, m.
    arc : float
        Expanded uncertainty at that radius, m; NaN without one.
    unit : str
        Unit of the result.
    valid : bool
        Whether k u_c may be believed.
    reasons : tuple of str
        Why not.
    """

    name: tuple[str, ...]
    distribution: tuple[str, ...]
    order: tuple
    size: np.ndarray
    sensitivity: np.ndarray
    standard: np.ndarray
    peak: np.ndarray
    share: np.ndarray
    combined: float
    worst: float
    freedom: float
    probability: float
    factor: float
    expanded: float
    radius: float | None
    arc: float
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        results = dict.fromkeys(("standard", "peak", "combined", "worst", "expanded"), self.unit)
        plain = dict.fromkeys(("order", "share", "freedom", "probability", "factor"), "1")
        return {**results, **plain, "radius": "m", "arc": "m"}


def uncertainty_budget(
    contributions: list[Contribution],
    probability: float = 0.95,
    *,
    unit: str = "rad",
    radius: float | None = None,
) -> Budget:
    """Combined and expanded uncertainty of independent contributions.

    Parameters
    ----------
    contributions : iterable of Contribution
        The lines of the budget.
    probability : float
        Coverage probability, above 0 and below 1.
    unit : str
        Unit of the result.
    radius : float, optional
        Radius at which an angle is also told as a length, m.

    Returns
    -------
    Budget

    Raises
    ------
    InputError
        If there is no contribution, or a number is out of range.

    Notes
    -----
    u_c**2 = sum of (c_i u_i)**2; effective freedom u_c**4/sum of (c_i u_i)**4/nu_i; k from Student's t at that freedom
    cut to a whole number. A product of two quantities with estimates near zero adds (c u_1 u_2)**2.

    References
    ----------
    JCGM 100:2008, 5.1.2, 5.1.2 note (second order), G.4.1 (numbers from memory).

    Examples
    --------
    >>> lines = [Contribution("scale", 3.0), Contribution("warmth", 4.0 * 3**0.5, "rectangular")]
    >>> round(uncertainty_budget(lines, unit="um").combined, 9)
    5.0
    """
    lines = _lines(contributions)
    if not checks.is_real(probability) or not 0.0 < probability < 1.0:
        checks.refuse("uncertainty_budget.probability", "lie between 0 and 1", probability)
    if radius is not None and (not checks.is_real(radius) or radius <= 0.0):
        checks.refuse("uncertainty_budget.radius", "be positive and finite", radius, "m")
    if not isinstance(unit, str):
        checks.refuse("uncertainty_budget.unit", "be a text", unit)
    standard = np.array([line.standard for line in lines])
    peak = np.array([line.peak for line in lines])
    combined = float(np.hypot.reduce(standard))
    freedom = effective_freedom(standard, [line.freedom for line in lines])
    factor = coverage_factor(probability, freedom)
    reasons = _doubts(lines, standard, combined, freedom)
    return Budget(
        name=tuple(line.name for line in lines),
        distribution=tuple(line.distribution for line in lines),
        order=tuple(line.order for line in lines),
        size=np.array([line.size for line in lines]),
        sensitivity=np.array([line.sensitivity for line in lines]),
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


def _lines(contributions: list[Contribution]) -> tuple[Contribution, ...]:
    """The contributions as a tuple, checked."""
    given = _as_tuple(contributions)
    wrong = [line for line in given if not isinstance(line, Contribution)]
    if wrong:
        checks.refuse("uncertainty_budget.contributions", "be contributions", wrong[0])
    if not 1 <= len(given) <= MOST:
        checks.refuse("uncertainty_budget.contributions", f"be 1 to {MOST}", len(given))
    return given


def _as_tuple(contributions: list[Contribution] | tuple[()]) -> tuple[Contribution, ...]:
    """Several or one as a tuple."""
    return tuple(contributions) if isinstance(contributions, Iterable) else (contributions,)


def _doubts(
    lines: tuple[Contribution, ...], standard: np.ndarray, combined: float, freedom: float
) -> tuple[str, ...]:
    """Why a coverage factor may mislead here."""
    reasons = ()
    square = [i for i, line in enumerate(lines) if line.distribution in ("rectangular", "arcsine")]
    if combined and len(square) and max(standard[square]) > 0.9 * combined:
        name = lines[max(square, key=lambda i: standard[i])].name
        reasons = (f"one bounded contribution rules ({name}): its peak tells more than k u_c",)
    if freedom < 3.0:
        reasons = (*reasons, f"only {freedom:.3g} degrees of freedom")
    return reasons


def effective_freedom(standard: np.ndarray, freedom: list[float]) -> float:
    """Effective degrees of freedom by Welch and Satterthwaite; infinite where all are known."""
    standard, freedom = np.asarray(standard, dtype=float), np.asarray(freedom, dtype=float)
    largest = standard.max(initial=0.0)
    if largest == 0.0:
        return math.inf
    # over the largest, so that fourth powers of small angles do not vanish
    scaled = standard / largest
    lost = float(np.sum(scaled**4 / freedom))
    return float(np.sum(scaled**2) ** 2 / lost) if lost else math.inf


def coverage_factor(probability: float, freedom: float = math.inf) -> float:
    """Half-width of the two-sided interval of that probability, in standard uncertainties."""
    tail = 0.5 * (1.0 + probability)
    if freedom > 1e9:
        from statistics import NormalDist

        return NormalDist().inv_cdf(tail)
    from scipy import special

    # a freedom of 16.999... that only rounding keeps below 17 counts as 17
    return float(special.stdtrit(max(1.0, math.floor(freedom + 1e-9)), tail))


def ring_budget(
    ring: Ring,
    heads: tuple[float, ...] = (0.0,),
    weights: np.ndarray | None = None,
    *,
    extra: list[Contribution] | tuple[()] = (),
    probability: float = 0.95,
    radius: float | None = None,
) -> Budget:
    """Uncertainty budget of the angle that a mounted ring shows at any angle of the shaft.

    Parameters
    ----------
    ring : Ring
        Its errors, as what they may be: tolerances in place of known values.
    heads : sequence of float or Head
        Where the heads stand, rad.
    weights : sequence of float, optional
        Weight of each head; equal without.
    extra : iterable of Contribution
        Further ones in rad: resolution, interpolation, temperature, a calibration.
    probability : float
        Coverage probability.
    radius : float, optional
        Where the angle is also told as a length, m.

    Returns
    -------
    Budget
        A contribution for each cause and order, named as "eccentricity, order 1".

    Raises
    ------
    InputError
        As `ring_error` and `uncertainty_budget`; if nothing is left to add up.

    Notes
    -----
    A line a sin(n theta + phase) read at an angle nobody knows is distributed as an arcsine: rms a/sqrt(2), peak a.
    Phases of causes are taken as independent. The foreshortening of a tilted ring is included.
    """
    lines = [
        Contribution(f"{cause}, order {order}", amplitude, "arcsine", order=order)
        for cause, order, amplitude in cause_lines(ring, heads, weights)
    ]
    lines += _as_tuple(extra)
    # a perfect ring still has a budget
    lines = lines or [Contribution("mounting", 0.0, "arcsine")]
    return uncertainty_budget(lines, probability, radius=radius)


def cause_lines(
    ring: Ring, heads: tuple[Any, ...] = (0.0,), weights: np.ndarray | None = None
) -> list[tuple[str, int, float]]:
    """Lines that each cause of a ring leaves by itself."""
    found, shares = ring_geometry.arranged(heads, weights)
    lines = [
        (cause, order, amplitude)
        for cause, parts in error_orders.spectra(ring, found, shares).items()
        for order, amplitude in parts.items()
    ]
    places = np.array([head.angle for head in found])
    left = ring.foreshortening * abs(np.sum(shares * np.exp(2j * places)))
    return lines + ([("foreshortening", 2, float(left))] if left else [])
