"""Centring of a ring: its eccentricity from a dial gauge or from two heads, and how to shift it.

The shaft stands at theta; a gauge or head is fixed at beta. Eccentricity and direction are those of `Ring`.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model import ring_geometry
from ..results import Result, measured_in, recorded
from .harmonic_fit import HarmonicFit, fit_harmonics

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.ring_geometry import Head

# Smallest gain of two heads for an observable order: a hundredth of the best gain, 2.
LEAST_GAIN = 0.02
# Degrees of freedom below which the scatter of the readings is no reliable noise: Student's t at 95 % is above 3.
FEW_SPARE = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Centring(Result):
    """Eccentricity of a mounted ring, and how to shift it.

    Attributes
    ----------
    eccentricity : float
        Distance e of the ring's centre from the axis, m: half the run-out.
    direction : float
        Direction of the centre at shaft angle 0, rad, 0 to 2 pi.
    vector : tuple of 2 floats
        Position x, y of the centre at shaft angle 0, m.
    uncertainty : float
        Standard uncertainty of x and of y, m.
    direction_uncertainty : float
        Standard uncertainty of the direction, rad; at most pi.
    run_out : float
        Full radial run-out by eccentricity, 2 e, m.
    angle_error : float
        Amplitude of the angle error of a single head at one per revolution, 2 e/D, rad.
    angle_uncertainty : float
        Standard uncertainty of ``angle_error``, rad.
    shift : float
        Distance by which to shift the ring, e, m.
    push : float
        Shaft angle at which the high spot stands under the gauge or the first head, rad, 0 to 2 pi. Push the ring
        there, towards the axis.
    lobes : dict of int to (float, float)
        Lobes from a gauge, as in `Ring`: amplitude m, phase rad.
    graduation : dict of int to (float, float)
        Errors by order from two heads, lobes and wander included: amplitude rad, phase rad.
    order_uncertainty : dict of int to float
        Standard uncertainty of a component of each of these orders, m or rad.
    swash : float
        Tilt from axial readings, rad; NaN without.
    swash_direction : float
        Direction in which the ring's axis is inclined at shaft angle 0, rad; NaN without.
    swash_uncertainty : float
        Standard uncertainty of a component of the tilt, rad; NaN without.
    lost : tuple of int
        Orders that are unobservable with these two heads.
    noise : float
        Standard deviation of a reading, m or rad.
    freedom : float
        Degrees of freedom of the noise; infinite if the noise was given.
    angles, readings, fitted : ndarray, shape (n,)
        Angles and readings as given, and the fitted readings.
    source : {"gauge", "heads"}
        Source of the readings.
    advice : tuple of str
        What to do, in words.
    valid : bool
        Whether the eccentricity is significant: above twice its uncertainty.
    reasons : tuple of str
        Why not.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = 2 * np.pi * np.arange(24) / 24
    >>> found = encsim.centre_by_gauge(angle, 5e-6 * np.cos(angle - 0.5), 0.15)
    >>> found.valid
    True
    """

    eccentricity: float = field(metadata=measured_in("m"))
    direction: float = field(metadata=measured_in("rad"))
    vector: tuple[float, float] = field(metadata=measured_in("m"))
    uncertainty: float = field(metadata=measured_in("m"))
    direction_uncertainty: float = field(metadata=measured_in("rad"))
    run_out: float = field(metadata=measured_in("m"))
    angle_error: float = field(metadata=measured_in("rad"))
    angle_uncertainty: float = field(metadata=measured_in("rad"))
    shift: float = field(metadata=measured_in("m"))
    push: float = field(metadata=measured_in("rad"))
    lobes: dict[int, tuple[float, float]] = field(metadata=measured_in("m"))
    graduation: dict[int, tuple[float, float]] = field(metadata=measured_in("rad"))
    order_uncertainty: dict[int, float] = field(metadata=measured_in("position"))
    swash: float = field(metadata=measured_in("rad"))
    swash_direction: float = field(metadata=measured_in("rad"))
    swash_uncertainty: float = field(metadata=measured_in("rad"))
    lost: tuple[int, ...]
    noise: float = field(metadata=measured_in("position"))
    freedom: float
    angles: np.ndarray = field(metadata=measured_in("rad"))
    readings: np.ndarray = field(metadata=measured_in("position"))
    fitted: np.ndarray = field(metadata=measured_in("position"))
    source: str
    advice: tuple[str, ...]
    valid: bool
    reasons: tuple[str, ...]

    @property
    def position_unit(self) -> str:
        """Unit of the readings, ``"m"`` or ``"rad"``."""
        return "m" if self.source == "gauge" else "rad"


@recorded
def centre_by_gauge(
    angles: ArrayLike,
    readings: ArrayLike,
    diameter: float,
    *,
    gauge: float = 0.0,
    orders: Iterable[int] = (2, 3),
    noise: float | None = None,
    axial: ArrayLike | None = None,
    axial_radius: float | None = None,
) -> Centring:
    """Eccentricity, lobes and swash of a ring from a dial gauge at its rim.

    Parameters
    ----------
    angles : array-like of float, shape (n,)
        Shaft angles theta of the readings, rad; in any order, repeats allowed.
    readings : array-like of float, shape (n,)
        Radial readings, m, larger where the rim is nearer to the gauge.
    diameter : float
        Diameter of the rim, m.
    gauge : float
        Position beta of the gauge, rad.
    orders : sequence of int
        Orders of lobes to fit besides the eccentricity.
    noise : float, optional
        Standard deviation of a reading, m; from the residual of the fit by default.
    axial : array-like of float, shape (n,), optional
        Axial readings at the same angles, m, larger where the face is higher.
    axial_radius : float, optional
        Radius of the axial readings, m.

    Returns
    -------
    Centring

    Raises
    ------
    InputError
        If lengths differ, readings are too few, do not cover the revolution or are not finite.

    Notes
    -----
    The gauge reads e cos(u) + sqrt(R**2 - (e sin u)**2) - R, u = theta + gamma - beta, and lobes add
    a cos(n(theta - beta) + phase). The fit is least squares; e**2/(4 R), the part of the eccentricity, is subtracted
    from order 2. A face tilted by alpha towards sigma reads -alpha r cos(theta - beta + sigma).

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = 2 * np.pi * np.arange(24) / 24
    >>> found = encsim.centre_by_gauge(angle, 5e-6 * np.cos(angle - 0.5), 0.15)
    >>> round(1e6 * float(found.eccentricity), 3)  # um
    5.0
    """
    checks.positive_length("centre_by_gauge.diameter", diameter)
    gauge = ring_geometry.Head(gauge).angle
    if axial is not None:
        checks.positive_length("centre_by_gauge.axial_radius", axial_radius)
    elif axial_radius is not None:
        checks.refuse("centre_by_gauge.axial", "be given with axial_radius", None)
    theta = checks.finite_array("centre_by_gauge.angles", angles, "rad")
    fit = fit_harmonics("centre_by_gauge", theta - gauge, readings, orders, unit="m", noise=noise)
    lobes = dict(fit.lines)
    eccentricity = lobes.pop(1)
    if 2 in lobes:
        lobes[2] -= eccentricity**2 / (2.0 * diameter)
    _check_eccentricity("centre_by_gauge.readings", eccentricity, diameter)
    return _centring(
        fit,
        eccentricity,
        diameter,
        scale=1.0,
        position=gauge,
        angles=theta,
        readings=readings,
        lobes={order: _polar(lobe) for order, lobe in lobes.items()},
        order_uncertainty={order: fit.standard(order) for order in lobes},
        source="gauge",
        **_swash(theta - gauge, axial, axial_radius),
    )


@recorded
def centre_by_heads(
    angles: ArrayLike,
    difference: ArrayLike,
    diameter: float,
    *,
    heads: Sequence[float | Head] = (0.0, math.pi),
    orders: Iterable[int] = (2, 3),
    noise: float | None = None,
) -> Centring:
    """Eccentricity of a ring from the difference of two heads that read it.

    Parameters
    ----------
    angles : array-like of float, shape (n,)
        Shaft angles theta, rad; the angle that either head shows is good enough.
    difference : array-like of float, shape (n,)
        First head minus second head, rad; a constant has no effect.
    diameter : float
        Diameter of the graduation, m.
    heads : tuple of 2 floats
        Positions of the heads, rad.
    orders : sequence of int
        Further orders to fit.
    noise : float, optional
        Standard deviation of a difference, rad; from the residual of the fit by default.

    Returns
    -------
    Centring
        Its eccentricity includes errors of the same form: swash times head offset, and graduation at order 1.

    Raises
    ------
    InputError
        If lengths differ, readings are too few or do not cover the revolution, or order 1 is unobservable.

    Notes
    -----
    The gain is 2 |sin(n (beta_1 - beta_2)/2)| for order n of graduation and lobes, and that of order 1 for an
    eccentricity: opposite heads have gain 2 for odd orders and 0 for even orders. Order 1 of atan2 is exactly e/R.
    ``lost`` lists the unobservable orders up to the highest order asked for.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = 2 * np.pi * np.arange(24) / 24
    >>> found = encsim.centre_by_heads(angle, 1e-4 * np.sin(angle), 0.15)
    >>> round(1e6 * float(found.eccentricity), 3)  # um
    3.75
    """
    checks.positive_length("centre_by_heads.diameter", diameter)
    pair, _ = ring_geometry.arranged(heads, owner="centre_by_heads.heads")
    if len(pair) != 2:
        checks.refuse("centre_by_heads.heads", "be two", len(pair))
    positions = [head.angle for head in pair]
    if abs(_gain(1, positions)) < LEAST_GAIN:
        gap = abs(positions[0] - positions[1])
        checks.refuse("centre_by_heads.heads", f"stand at least {LEAST_GAIN:g} rad apart", gap, "rad")
    wanted = checks.as_orders("centre_by_heads.orders", orders)
    lost = tuple(n for n in range(2, max([1, *wanted]) + 1) if abs(_gain(n, positions)) < LEAST_GAIN)
    observable = [n for n in wanted if n not in lost]
    fit = fit_harmonics(
        "centre_by_heads", angles, difference, observable, unit="rad", noise=noise, name="difference"
    )
    radius = 0.5 * diameter
    # The fit is Re(z exp(i n x)), the errors are sines, imaginary parts: a factor i.
    errors = {n: 1j * line / _gain(n, positions) for n, line in fit.lines.items()}
    eccentricity = radius * errors.pop(1)
    _check_eccentricity("centre_by_heads.difference", eccentricity, diameter)
    return _centring(
        fit,
        eccentricity,
        diameter,
        scale=radius / abs(_gain(1, positions)),
        position=positions[0],
        angles=np.asarray(angles, dtype=float),
        readings=difference,
        graduation={n: _polar(error) for n, error in errors.items()},
        order_uncertainty={n: fit.standard(n) / abs(_gain(n, positions)) for n in errors},
        lost=lost,
        source="heads",
        **_swash(np.zeros(0), None, None),
    )


def _gain(order: int, positions: Sequence[float]) -> complex:
    """Complex gain of order n in the difference of two heads; its magnitude is 2 |sin(n (b1 - b2)/2)|."""
    return cmath.exp(-1j * order * positions[0]) - cmath.exp(-1j * order * positions[1])


def _check_eccentricity(label: str, eccentricity: complex, diameter: float) -> None:
    """Refuse readings that no ring of this size can give."""
    if abs(eccentricity) >= 0.5 * diameter:
        rule = f"show less eccentricity than the radius, {0.5 * diameter:g} m"
        checks.refuse(label, rule, abs(eccentricity), "m", "are they in metres or radians?")


def _swash(angles: np.ndarray, axial: ArrayLike | None, radius: float | None) -> dict[str, float]:
    """Swash, its direction and uncertainty from axial readings; NaN without."""
    if axial is None or radius is None:
        return dict.fromkeys(("swash", "swash_direction", "swash_uncertainty"), math.nan)
    fit = fit_harmonics("centre_by_gauge", angles, axial, (2,), unit="m", name="axial")
    swash, direction = _polar(-fit.lines[1] / radius)
    uncertainty = fit.standard(1) / radius
    return {"swash": swash, "swash_direction": direction, "swash_uncertainty": uncertainty}


def _polar(amplitude: complex) -> tuple[float, float]:
    """Magnitude and phase, 0 to 2 pi, of a complex amplitude."""
    return abs(amplitude), cmath.phase(amplitude) % (2.0 * math.pi)


def _centring(
    fit: HarmonicFit,
    vector: complex,
    diameter: float,
    *,
    scale: float,
    position: float,
    readings: ArrayLike,
    source: str,
    **known: Any,
) -> Centring:
    """The result for an eccentricity vector and its fit; scale is m per unit of the fit."""
    size, direction = _polar(vector)
    uncertainty = scale * fit.standard(1)
    push = (position - direction) % (2.0 * math.pi)
    significant = size > 2.0 * uncertainty
    reasons = []
    if not significant:
        reasons.append("eccentricity does not stand out of its uncertainty: no shift would help")
    if fit.freedom < FEW_SPARE:
        reasons.append(f"few readings ({fit.freedom:g} spare): their scatter tells little of uncertainty")
    return Centring(
        **{"lobes": {}, "graduation": {}, "lost": (), **known},
        eccentricity=size,
        direction=direction,
        vector=(vector.real, vector.imag),
        uncertainty=uncertainty,
        direction_uncertainty=min(uncertainty / size, math.pi) if size else math.pi,
        run_out=2.0 * size,
        angle_error=2.0 * size / diameter,
        angle_uncertainty=2.0 * uncertainty / diameter,
        shift=size,
        push=push,
        noise=fit.noise,
        freedom=fit.freedom,
        readings=np.array(readings, dtype=float),
        fitted=fit.fitted,
        source=source,
        advice=_advice(size, push, significant, source),
        valid=significant,
        reasons=tuple(reasons),
    )


def _advice(size: float, push: float, significant: bool, source: str) -> tuple[str, ...]:
    """What to do, in words."""
    if not significant:
        return ("Leave the ring where it is, or measure with less noise.",)
    sensor = "gauge" if source == "gauge" else "first head"
    return (
        f"Turn the shaft to {math.degrees(push):.1f} deg: the high spot then stands under the {sensor}.",
        f"Push the ring there by {size * 1e6:.3g} um towards the axis (the run-out is {2e6 * size:.3g} um).",
        "Tighten crosswise in steps, and measure again.",
    )
