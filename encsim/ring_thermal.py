"""What warmth does to a reading: fit of a ring on its shaft, bracket of a head, strips."""

import math
from dataclasses import dataclass

from . import _checks, _ring_checks
from ._results import Result


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit(Result):
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
        Amplitude at one per turn that this would give a single head, rad.
    valid : bool
        Whether the ring keeps to one side: tight at both temperatures, or loose at both.
    reasons : tuple of str
        Why not.
    """

    play: float
    radial_change: float
    eccentricity: float
    angle_error: float
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self):
        """Units of the fields, {key: unit}."""
        return {**dict.fromkeys(("play", "radial_change", "eccentricity"), "m"), "angle_error": "rad"}


def ring_fit(ring, temperature=0.0, *, alpha, shaft_alpha, bore_growth=0.0):
    """Play of a ring on its shaft after both warm up.

    Parameters
    ----------
    ring : Ring
        With its bore and shaft.
    temperature : float
        Rise of temperature of both, K.
    alpha, shaft_alpha : float
        Coefficients of thermal expansion of ring and shaft, 1/K.
    bore_growth : float
        Growth of the bore's radius by rotation, as of `Expansion`, m.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        If a number is not finite or the ring has no bore and shaft.

    Notes
    -----
    The radial change at the seat radius r is r (alpha - shaft_alpha) temperature.
    """
    for name in ("bore", "shaft"):
        if getattr(ring, name) is None:
            _checks.refuse(f"Ring.{name}", "be given to tell the fit", None)
    _ring_checks.numbers(
        "ring_fit", temperature=(temperature, "K"), alpha=(alpha, "1/K"), shaft_alpha=(shaft_alpha, "1/K")
    )
    _ring_checks.numbers("ring_fit", bore_growth=(bore_growth, "m"))
    change = 0.5 * (ring.bore * alpha - ring.shaft * shaft_alpha) * temperature + bore_growth
    cold, play = ring.bore - ring.shaft, ring.bore - ring.shaft + 2.0 * change
    turned = (cold <= 0.0) != (play <= 0.0)
    loose = 0.5 * max(play, 0.0)
    return Fit(
        play=play,
        radial_change=change,
        eccentricity=loose,
        angle_error=loose / ring.radius,
        valid=not turned,
        reasons=("the ring comes loose" if play > 0.0 else "the ring becomes tight",) if turned else (),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class ThermalShift(Result):
    """What warmth does to the reading at one head, or to a strip.

    Attributes
    ----------
    angle : float
        Shift of the reading, rad; for a strip NaN.
    length : float
        Shift along the graduation, m.
    gap : float
        Growth of the gap between head and graduation, m; for a strip 0.
    valid : bool
        Always True.
    reasons : tuple of str
        Empty.
    """

    angle: float
    length: float
    gap: float
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self):
        """Units of the fields, {key: unit}."""
        return {"angle": "rad", "length": "m", "gap": "m"}


def bracket_shift(ring, temperature, *, bracket_alpha, tangential=0.0, radial=0.0, alpha=0.0):
    """Shift of a reading by the expansion of the bracket that holds the head.

    Parameters
    ----------
    ring : Ring
        The ring.
    temperature : float
        Rise of temperature, K.
    bracket_alpha : float
        Coefficient of thermal expansion of the bracket, 1/K.
    tangential : float
        Distance of the head from the bracket's fixed point along the graduation, in the direction in which
        angles rise, m: this part shifts the reading.
    radial : float
        Distance outwards, m: this part changes only the gap.
    alpha : float
        Coefficient of the ring, whose growth closes the gap, 1/K.

    Returns
    -------
    ThermalShift

    Raises
    ------
    InputError
        If a number is not finite.

    Notes
    -----
    A head that moves by s towards rising angles shows s/R less (its beta has grown).
    """
    _ring_checks.numbers(
        "bracket_shift", temperature=(temperature, "K"), bracket_alpha=(bracket_alpha, "1/K")
    )
    _ring_checks.numbers(
        "bracket_shift", tangential=(tangential, "m"), radial=(radial, "m"), alpha=(alpha, "1/K")
    )
    moved = bracket_alpha * temperature * tangential
    gap = (bracket_alpha * radial - alpha * ring.radius) * temperature
    return ThermalShift(angle=-moved / ring.radius, length=-moved, gap=gap)


def strip_shift(length, temperature, *, alpha, base_alpha=None, follow=0.0, reference_alpha=0.0):
    """Error of scale of a linear strip, or of an open one round a drum, by temperature.

    Parameters
    ----------
    length : float
        Distance from the point where the strip is held, m.
    temperature : float
        Rise of temperature, K.
    alpha : float
        Coefficient of thermal expansion of the strip, 1/K.
    base_alpha : float, optional
        Coefficient of what it is fixed to, 1/K.
    follow : float
        Share in which the strip follows its base: 0 slides freely, 1 is stretched with it.
    reference_alpha : float
        Coefficient of what is measured, 1/K: a strip that grows as the workpiece shows no error.

    Returns
    -------
    ThermalShift
        Its length is what the strip shows too much, negative where it has grown.

    Raises
    ------
    InputError
        If a number is not finite, or a strip that follows has no base.
    """
    _ring_checks.numbers(
        "strip_shift", length=(length, "m"), temperature=(temperature, "K"), alpha=(alpha, "1/K")
    )
    _ring_checks.numbers("strip_shift", reference_alpha=(reference_alpha, "1/K"))
    if not _checks.is_real(follow) or not 0.0 <= follow <= 1.0:
        _checks.refuse("strip_shift.follow", "lie from 0 to 1", follow)
    if follow > 0.0:
        _ring_checks.numbers("strip_shift", base_alpha=(base_alpha, "1/K"))
    grown = (1.0 - follow) * alpha + (follow * base_alpha if follow else 0.0)
    return ThermalShift(angle=math.nan, length=-(grown - reference_alpha) * temperature * length, gap=0.0)
