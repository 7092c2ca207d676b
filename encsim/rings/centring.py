"""Help for centring a ring: from a dial gauge, or from two heads, to where and how far to shift it.

The shaft stands at theta; a gauge or head is fixed at beta. Eccentricity and its direction are those of `Ring`.

Least squares of readings over a turn: a constant and a few orders.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import argument_checks, checks
from ..model import ring_geometry
from ..results import Result
from .harmonic_fit import HarmonicFit, fit_harmonics

# gain of two heads below which an order drowns: a hundredth of the best, 2
LEAST_GAIN = 0.02
# Readings beyond the unknowns below which their scatter is no measure: Student's t at 95 % is above 3, not 2.
FEW_SPARE = 4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Centring(Result):
    """How a ring sits, and how to shift it.

    Attributes
    ----------
    eccentricity : float
        Distance e of its centre from the axis, m: half the run-out.
    direction : float
        Direction of the centre at shaft angle 0, rad, 0 to 2 pi.
    vector : tuple of 2 floats
        The same as x and y, m.
    uncertainty : float
        Standard uncertainty of x and of y, m.
    direction_uncertainty : float
        Of the direction, rad; at most pi.
    run_out : float
        Full radial run-out by eccentricity, 2 e, m.
    angle_error : float
        Amplitude at one per turn that a single head shows by it, 2 e/D, rad.
    angle_uncertainty : float
        Standard uncertainty of that, rad.
    shift : float
        How far to shift the ring, m: e.
    push : float
        Shaft angle that brings the high spot under the gauge (the first head), rad, 0 to 2 pi; push there,
        towards the axis.
    lobes : dict of int to (float, float)
        Lobes from a gauge, as of `Ring`: amplitude m, phase rad.
    graduation : dict of int to (float, float)
        Errors by order from two heads, lobes and wander among them: amplitude rad, phase rad.
    order_uncertainty : dict of int to float
        Standard uncertainty of a component of those, m or rad.
    swash : float
        Tilt from axial readings, rad; NaN without.
    swash_direction : float
        Direction to which the ring's axis leans at shaft angle 0, rad; NaN without.
    swash_uncertainty : float
        Of a component of the tilt, rad; NaN without.
    lost : tuple of int
        Orders that these two heads cannot see.
    noise : float
        Standard deviation of a reading, m or rad.
    freedom : float
        Its degrees of freedom; infinite where it was given.
    angles, readings, fitted : ndarray, shape (n,)
        As given, and as fitted; readings less the fit is what is left.
    source : {"gauge", "heads"}
        Where the readings come from.
    advice : tuple of str
        What to do, in words.
    valid : bool
        Whether the eccentricity stands out of its uncertainty.
    reasons : tuple of str
        Why not.
    """

    eccentricity: float
    direction: float
    vector: tuple[float, float]
    uncertainty: float
    direction_uncertainty: float
    run_out: float
    angle_error: float
    angle_uncertainty: float
    shift: float
    push: float
    lobes: dict
    graduation: dict
    order_uncertainty: dict
    swash: float
    swash_direction: float
    swash_uncertainty: float
    lost: tuple[int, ...]
    noise: float
    freedom: float
    angles: np.ndarray
    readings: np.ndarray
    fitted: np.ndarray
    source: str
    advice: tuple[str, ...]
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        lengths = ("eccentricity", "vector", "uncertainty", "run_out", "shift", "lobes")
        angles = (
            "direction",
            "direction_uncertainty",
            "angle_error",
            "angle_uncertainty",
            "push",
            "graduation",
        )
        tilts = ("swash", "swash_direction", "swash_uncertainty", "angles")
        reading = dict.fromkeys(("noise", "readings", "fitted", "order_uncertainty"), self.reading_unit)
        return {**dict.fromkeys(lengths, "m"), **dict.fromkeys((*angles, *tilts), "rad"), **reading}

    @property
    def reading_unit(self) -> str:
        """Unit of the readings, ``"m"`` or ``"rad"``."""
        return "m" if self.source == "gauge" else "rad"


def centre_by_gauge(
    angles: np.ndarray,
    readings: np.ndarray,
    diameter: float,
    *,
    gauge: float = 0.0,
    orders: tuple[int, int] = (2, 3),
    noise: float | None = None,
    axial: np.ndarray | None = None,
    axial_radius: float | None = None,
) -> Centring:
    """Eccentricity, lobes and swash of a ring from a dial gauge at its rim.

    Parameters
    ----------
    angles : array-like of float, shape (n,)
        Shaft angles theta of the readings, rad; in any order, some of them twice if you like.
    readings : array-like of float, shape (n,)
        Radial readings, m, rising when the rim comes towards the gauge.
    diameter : float
        Of the rim, m.
    gauge : float
        Where the gauge stands, beta, rad.
    orders : sequence of int
        Lobes to look for beside the eccentricity.
    noise : float, optional
        Standard deviation of a reading, m; from what the fit leaves without.
    axial : array-like of float, shape (n,), optional
        Axial readings at the same angles, m, rising when the face comes up.
    axial_radius : float, optional
        Radius at which they are taken, m.

    Returns
    -------
    Centring

    Raises
    ------
    InputError
        If lengths differ, readings are too few, do not go round the turn or are not finite.

    Notes
    -----
    The rim under the gauge stands at e cos(u) + sqrt(R**2 - (e sin u)**2) - R, u = theta + gamma - beta, and lobes add
    a cos(n(theta - beta) + phase). Least squares; e**2/(4 R) is taken off order 2. A face tilted by alpha towards
    sigma reads -alpha r cos(theta - beta + sigma).
    """
    argument_checks.positive_length("centre_by_gauge.diameter", diameter)
    gauge = ring_geometry.Head(gauge).angle
    _check_axial(axial, axial_radius)
    angles = argument_checks.finite_array("centre_by_gauge.angles", angles, "rad")
    found = fit_harmonics("centre_by_gauge", angles - gauge, readings, orders, unit="m", noise=noise)
    lines = dict(found.lines)
    moved = lines.pop(1)
    if 2 in lines:
        lines[2] -= moved**2 / (2.0 * diameter)
    _check_moved("centre_by_gauge.readings", moved, diameter)
    return _centring(
        found,
        moved,
        diameter,
        scale=1.0,
        place=gauge,
        angles=angles,
        readings=readings,
        lobes={order: _polar(line) for order, line in lines.items()},
        order_uncertainty={order: found.standard(order) for order in lines},
        source="gauge",
        **_tilt(angles - gauge, axial, axial_radius),
    )


def centre_by_heads(
    angles: np.ndarray,
    difference: np.ndarray,
    diameter: float,
    *,
    heads: tuple[float, float] = (0.0, math.pi),
    orders: tuple[float, ...] = (2, 3),
    noise: float | None = None,
) -> Centring:
    """Eccentricity of a ring from the difference of two heads that read it.

    Parameters
    ----------
    angles : array-like of float, shape (n,)
        Shaft angles theta, rad; what either head shows will do.
    difference : array-like of float, shape (n,)
        First head less second, rad; a constant does not matter.
    diameter : float
        Of the graduation, m.
    heads : tuple of 2 floats
        Where they stand, rad.
    orders : sequence of int
        Further orders to look for.
    noise : float, optional
        Standard deviation of a difference, rad; from what the fit leaves without.

    Returns
    -------
    Centring
        Its eccentricity holds what looks like it: swash times head offset, and graduation at order 1.

    Raises
    ------
    InputError
        If lengths differ, readings are too few or do not go round the turn, or the heads are blind to order 1.

    Notes
    -----
    Order n of graduation and lobes is seen with gain 2 |sin(n (beta_1 - beta_2)/2)|, an eccentricity with that of
    order 1: opposite heads see every odd order twice and no even one. Order 1 of atan2 is exactly e/R. Orders up to
    the highest asked for that the heads cannot see are listed as lost.
    """
    argument_checks.positive_length("centre_by_heads.diameter", diameter)
    pair, _ = ring_geometry.arranged(heads, owner="centre_by_heads.heads")
    if len(pair) != 2:
        checks.refuse("centre_by_heads.heads", "be two", len(pair))
    places = [head.angle for head in pair]
    if abs(_gain(1, places)) < LEAST_GAIN:
        gap = abs(places[0] - places[1])
        checks.refuse("centre_by_heads.heads", f"stand at least {LEAST_GAIN:g} rad apart", gap, "rad")
    orders = ring_geometry.as_orders("centre_by_heads.orders", orders)
    lost = tuple(n for n in range(2, max([1, *orders]) + 1) if abs(_gain(n, places)) < LEAST_GAIN)
    seen = [n for n in orders if n not in lost]
    found = fit_harmonics(
        "centre_by_heads", angles, difference, seen, unit="rad", noise=noise, name="difference"
    )
    radius = 0.5 * diameter
    # Re(z e) against the imaginary part that sines are of: a factor i
    lines = {n: 1j * line / _gain(n, places) for n, line in found.lines.items()}
    moved = radius * lines.pop(1)
    _check_moved("centre_by_heads.difference", moved, diameter)
    return _centring(
        found,
        moved,
        diameter,
        scale=radius / abs(_gain(1, places)),
        place=places[0],
        angles=np.asarray(angles, dtype=float),
        readings=difference,
        graduation={n: _polar(line) for n, line in lines.items()},
        order_uncertainty={n: found.standard(n) / abs(_gain(n, places)) for n in lines},
        lost=lost,
        source="heads",
    )


def _gain(order: int, places: list[float]) -> complex:
    """Complex gain of order n in the difference of two heads; its size is 2 |sin(n (b1 - b2)/2)|."""
    return cmath.exp(-1j * order * places[0]) - cmath.exp(-1j * order * places[1])


def _check_axial(axial: np.ndarray | None, radius: float | None) -> None:
    if axial is not None:
        argument_checks.positive_length("centre_by_gauge.axial_radius", radius)
    elif radius is not None:
        checks.refuse("centre_by_gauge.axial", "be given with axial_radius", None)


def _check_moved(field: str, moved: complex, diameter: float) -> None:
    """Refuse readings that no ring of this size can give."""
    if abs(moved) >= 0.5 * diameter:
        rule = f"show less eccentricity than the radius, {0.5 * diameter:g} m"
        checks.refuse(field, rule, abs(moved), "m", "are they in metres or radians?")


def _tilt(turned: np.ndarray, axial: np.ndarray | None, radius: float | None) -> dict[Any, float]:
    """Swash from axial readings, or nothing."""
    if axial is None:
        return {}
    found = fit_harmonics("centre_by_gauge", turned, axial, (2,), unit="m", name="axial")
    swash, direction = _polar(-found.lines[1] / radius)
    uncertainty = found.standard(1) / radius
    return {"swash": swash, "swash_direction": direction, "swash_uncertainty": uncertainty}


def _polar(line: complex) -> tuple[float, float]:
    """Size and phase, 0 to 2 pi, of a complex line."""
    return abs(line), cmath.phase(line) % (2.0 * math.pi)


def _centring(
    found: HarmonicFit,
    moved: complex,
    diameter: float,
    *,
    scale: float,
    place: float,
    readings: np.ndarray,
    **known: Any,
) -> Centring:
    """The result for an eccentricity vector and the fit it comes from; scale is m per unit of the fit."""
    size, direction = _polar(moved)
    uncertainty = scale * found.standard(1)
    push = (place - direction) % (2.0 * math.pi)
    clear = size > 2.0 * uncertainty
    reasons = () if clear else ("eccentricity does not stand out of its uncertainty: no shift would help",)
    if found.freedom < FEW_SPARE:
        reasons = (
            *reasons,
            f"few readings ({found.freedom:g} spare): their scatter tells little of uncertainty",
        )
    nothing = {"lobes": {}, "graduation": {}, "lost": ()}
    tilt = dict.fromkeys(("swash", "swash_direction", "swash_uncertainty"), math.nan)
    return Centring(
        **{**nothing, **tilt, **known},
        eccentricity=size,
        direction=direction,
        vector=(moved.real, moved.imag),
        uncertainty=uncertainty,
        direction_uncertainty=min(uncertainty / size, math.pi) if size else math.pi,
        run_out=2.0 * size,
        angle_error=2.0 * size / diameter,
        angle_uncertainty=2.0 * uncertainty / diameter,
        shift=size,
        push=push,
        noise=found.noise,
        freedom=found.freedom,
        readings=np.array(readings, dtype=float),
        fitted=found.fitted,
        advice=_advice(size, push, clear, known["source"]),
        valid=clear,
        reasons=reasons,
    )


def _advice(size: float, push: float, clear: bool, source: str) -> tuple[str, ...]:
    """What to do, in words."""
    if not clear:
        return ("Leave the ring where it is, or measure with less noise.",)
    at = "gauge" if source == "gauge" else "first head"
    return (
        f"Turn the shaft to {math.degrees(push):.1f} deg: the high spot then stands under the {at}.",
        f"Push the ring there by {size * 1e6:.3g} um towards the axis (the run-out is {2e6 * size:.3g} um).",
        "Tighten crosswise in steps, and measure again.",
    )
