"""Residual eccentricity of a ring after it has been shifted and its screws tightened."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .. import checks
from ..results import Result, measured_in, recorded

# 95th percentile of the Rayleigh distribution (distance of two Gaussian components of standard deviation 1).
RADIAL_95 = math.sqrt(-2.0 * math.log(0.05))


@dataclass(frozen=True, kw_only=True)
class Remaining(Result):
    """Expected eccentricity of a ring after it is shifted and tightened.

    Attributes
    ----------
    standard : float
        Standard deviation of x and of y, m.
    rms, likely : float
        Rms value and 95th percentile of the eccentricity, m.
    screw : float
        Largest error along one screw by adjusting in steps, half a step, m.
    angle_rms, angle_likely : float
        Amplitudes of the angle error of a single head at one per revolution for ``rms`` and ``likely``, rad.
    before : float
        Eccentricity before the shift, m; NaN if not given.
    valid : bool
        Whether shifting is likely to reduce the eccentricity.
    reasons : tuple of str
        Why not.
    """

    standard: float = field(metadata=measured_in("m"))
    rms: float = field(metadata=measured_in("m"))
    likely: float = field(metadata=measured_in("m"))
    screw: float = field(metadata=measured_in("m"))
    angle_rms: float = field(metadata=measured_in("rad"))
    angle_likely: float = field(metadata=measured_in("rad"))
    before: float = field(metadata=measured_in("m"))
    valid: bool
    reasons: tuple[str, ...]


@recorded
def after_tightening(
    diameter: float,
    *,
    repeatability: float = 0.0,
    step: float = 0.0,
    uncertainty: float = 0.0,
    before: float | None = None,
) -> Remaining:
    """Residual eccentricity after a shift, by the uncertainties of measuring, setting and tightening.

    Parameters
    ----------
    diameter : float
        Diameter of the graduation, m.
    repeatability : float
        Standard deviation of the movement of the ring when it is tightened, in x and in y, m.
    step : float
        Smallest step of each of two crossed adjusting screws, m.
    uncertainty : float
        Standard uncertainty of the measured eccentricity in x and in y, `Centring.uncertainty`, m.
    before : float, optional
        Eccentricity before the shift, m.

    Returns
    -------
    Remaining

    Raises
    ------
    InputError
        If a number is negative or not finite.

    Notes
    -----
    Each component has the variance uncertainty**2 + repeatability**2 + step**2/12. The distance is assumed to have the
    Rayleigh distribution: its rms value is sqrt(2) and its 95th percentile sqrt(-2 ln 0.05) = 2.45 standard deviations
    of a component. For steps alone this gives 1.41 half steps; the exact value is 1.20, so the result is conservative.

    Examples
    --------
    >>> import encsim
    >>> found = encsim.after_tightening(0.15, repeatability=0.5e-6, step=0.2e-6)
    >>> round(1e6 * float(found.likely), 2)  # um
    1.23
    """
    checks.positive_length("after_tightening.diameter", diameter)
    known = {"repeatability": repeatability, "step": step, "uncertainty": uncertainty}
    known |= {} if before is None else {"before": before}
    for name, value in known.items():
        if not checks.is_real(value) or value < 0.0:
            checks.refuse(f"after_tightening.{name}", "be zero or more and finite", value, "m")
    standard = math.hypot(repeatability, step / math.sqrt(12.0), uncertainty)
    rms, likely = math.sqrt(2.0) * standard, RADIAL_95 * standard
    helps = before is None or likely < before
    return Remaining(
        standard=standard,
        rms=rms,
        likely=likely,
        screw=0.5 * step,
        angle_rms=2.0 * rms / diameter,
        angle_likely=2.0 * likely / diameter,
        before=math.nan if before is None else before,
        valid=helps,
        reasons=() if helps else ("the ring is already as well centred as this is likely to make it",),
    )
