"""What eccentricity is left after a ring has been shifted and its screws tightened."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .. import argument_checks, checks
from ..results import Result

# of a distance in the plane with equal Gaussian components: sqrt(-2 ln 0.05), Rayleigh
RADIAL_95 = math.sqrt(-2.0 * math.log(0.05))


@dataclass(frozen=True, kw_only=True, slots=True)
class Remaining(Result):
    """Eccentricity to expect after a ring is shifted and tightened.

    Attributes
    ----------
    standard : float
        Standard deviation of x and of y, m.
    rms, likely : float
        Of the eccentricity: root mean square, and the value that 95 % stay below, m.
    screw : float
        Most that adjusting in steps leaves along one screw, half a step, m.
    angle_rms, angle_likely : float
        The amplitudes at one per turn they give a single head, rad.
    before : float
        Eccentricity now, m; NaN where not told.
    valid : bool
        Whether shifting is likely to help.
    reasons : tuple of str
        Why not.
    """

    standard: float
    rms: float
    likely: float
    screw: float
    angle_rms: float
    angle_likely: float
    before: float
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        lengths = dict.fromkeys(("standard", "rms", "likely", "screw", "before"), "m")
        return {**lengths, "angle_rms": "rad", "angle_likely": "rad"}


def after_tightening(
    diameter: float,
    *,
    repeatability: float = 0.0,
    step: float = 0.0,
    uncertainty: float = 0.0,
    before: float | None = None,
) -> Remaining:
    """Eccentricity that is left after a shift, by how well the ring is measured, set and held.

    Parameters
    ----------
    diameter : float
        Of the graduation, m.
    repeatability : float
        Standard deviation by which the ring moves when it is tightened, in x and in y, m.
    step : float
        Smallest step to which each of two crossed screws is set, m.
    uncertainty : float
        Standard uncertainty of the measured eccentricity in x and in y, `Centring.uncertainty`, m.
    before : float, optional
        Eccentricity now, m.

    Returns
    -------
    Remaining

    Raises
    ------
    InputError
        If a number is negative or not finite.

    Notes
    -----
    A component has the variance uncertainty**2 + repeatability**2 + step**2/12; the distance is taken as of Rayleigh:
    rms sqrt(2) and 95 % sqrt(-2 ln 0.05) = 2.45 times its root. For steps alone that is 1.41 half steps where 1.20
    would do, on the safe side.
    """
    argument_checks.positive_length("after_tightening.diameter", diameter)
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
