"""Angle error by an uneven mounting face, and thermal changes: fit on the shaft, bracket of a head, strips."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import argument_checks, checks
from ..results import Orders, Result, Series, measured_in

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


@dataclass(frozen=True, slots=True)
class Seat:
    """Face on which a ring is clamped.

    Parameters
    ----------
    height : float
        Height h of the track that heads read above the middle plane of the ring's body, m.
    radius : float
        Radius r at which the face carries the ring, m.
    follow : float
        Share of the face's form that the clamped ring takes on: 1 for a thin ring that follows the face fully, 0
        for a ring too stiff to bend. The ring always follows a tilt (order 1) in full.

    Raises
    ------
    InputError
        If a number is out of range.
    """

    height: float
    radius: float
    follow: float = 1.0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number("height", unit="m")
        check.positive("radius", "m")
        check.number("follow", "lie from 0 to 1", low=0.0, high=1.0)
        check.done()

    def gain(self, order: int, diameter: float) -> float:
        """Amplitude of the angle error, rad, per metre of this order of the face's form."""
        share = 1.0 if order == 1 else self.follow
        return share * order * abs(self.height) / (self.radius * 0.5 * diameter)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SeatLines(Series):
    """Angle error by the form of a mounting face.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Cycles per revolution.
    face : ndarray, shape (n,)
        Amplitude of the face's form, m.
    angle : ndarray, shape (n,)
        Amplitude of the angle error of one head, rad.
    phase : ndarray, shape (n,)
        The error is angle sin(order (theta - beta) + phase), rad.
    swash : float
        Tilt by order 1, rad.
    flatness : float
        Full range of the form with all amplitudes at their worst, without the tilt, m.
    graduation : Orders
        Angle errors as `Ring.graduation` takes them, tilt included.
    valid : bool
        Always True.
    reasons : tuple of str
        Empty.
    """

    tabled = ("order", "face", "angle", "phase")

    order: np.ndarray = field(metadata=measured_in("1"))
    face: np.ndarray = field(metadata=measured_in("m"))
    angle: np.ndarray = field(metadata=measured_in("rad"))
    phase: np.ndarray = field(metadata=measured_in("rad"))
    swash: float = field(metadata=measured_in("rad"))
    flatness: float = field(metadata=measured_in("m"))
    graduation: Orders = field(metadata=measured_in("rad"))
    valid: bool = True
    reasons: tuple[str, ...] = ()


def seat_lines(ring: Ring, seat: Seat, face: Mapping[int, Any]) -> SeatLines:
    """Angle error of a ring by the form of its mounting face, {order: amplitude or (amplitude, phase)}."""
    # A body bent to the form z moves a track at height h by -h grad z: along the rim by h n a/r sin(n psi - phase),
    # which a head at the radius R reads as the angle h n a/(r R). At n = 1 that is the tilt a/r of a rigid ring times
    # the head offset. Derived here from plate bending (straight normals); stretching of the body is left out.
    check = argument_checks.ArgumentCheck("seat_lines", face=face)
    argument_checks.check_orders(check, "face", "m")
    check.done()
    given = check.owner.face
    if seat.radius > 2.0 * ring.diameter:
        checks.refuse("Seat.radius", f"lie by the ring, below {2.0 * ring.diameter:g} m", seat.radius, "m")
    order = np.array(list(given), dtype=int)
    height, phase = (np.array([value[i] for value in given.values()], dtype=float) for i in (0, 1))
    gain = np.array([seat.gain(n, ring.diameter) for n in given])
    # A track above the middle plane moves against the slope, a track below it with the slope.
    angle_phase = np.mod(phase + (math.pi if seat.height > 0.0 else 0.0), 2.0 * math.pi)
    angle = gain * height
    return SeatLines(
        order=order,
        face=height,
        angle=angle,
        phase=angle_phase,
        swash=math.atan(given[1][0] / seat.radius) if 1 in given else 0.0,
        flatness=2.0 * float(height[order > 1].sum()),
        graduation=Orders(
            {n: (float(a), float(f)) for n, a, f in zip(given, angle, angle_phase, strict=True)}
        ),
    )


def seated(ring: Ring, seat: Seat, face: Mapping[int, Any]) -> Ring:
    """The ring, with the angle error by its mounting face added to the graduation."""
    lines = {n: a * np.exp(1j * f) for n, (a, f) in ring.graduation.items()}
    for n, (a, f) in seat_lines(ring, seat, face).graduation.items():
        lines[n] = lines.get(n, 0.0) + a * np.exp(1j * f)
    return replace(ring, graduation={n: (float(abs(z)), float(np.angle(z))) for n, z in lines.items()})


@dataclass(frozen=True, kw_only=True, slots=True)
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
    argument_checks.finite_numbers(
        "ring_fit", temperature=(temperature, "K"), alpha=(alpha, "1/K"), shaft_alpha=(shaft_alpha, "1/K")
    )
    argument_checks.finite_numbers("ring_fit", bore_growth=(bore_growth, "m"))
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


@dataclass(frozen=True, kw_only=True, slots=True)
class ThermalShift(Result):
    """Shift of the reading of one head, or error of a strip, by temperature.

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

    angle: float = field(metadata=measured_in("rad"))
    length: float = field(metadata=measured_in("m"))
    gap: float = field(metadata=measured_in("m"))
    valid: bool = True
    reasons: tuple[str, ...] = ()


def bracket_shift(
    ring: Ring,
    temperature: float,
    *,
    bracket_alpha: float,
    tangential: float = 0.0,
    radial: float = 0.0,
    alpha: float = 0.0,
) -> ThermalShift:
    """Shift of a reading by the expansion of the bracket that holds the head."""
    # A head that moves by s towards rising angles (larger beta) reads s/R less.
    argument_checks.finite_numbers(
        "bracket_shift", temperature=(temperature, "K"), bracket_alpha=(bracket_alpha, "1/K")
    )
    argument_checks.finite_numbers(
        "bracket_shift", tangential=(tangential, "m"), radial=(radial, "m"), alpha=(alpha, "1/K")
    )
    moved = bracket_alpha * temperature * tangential
    gap = (bracket_alpha * radial - alpha * ring.radius) * temperature
    return ThermalShift(angle=-moved / ring.radius, length=-moved, gap=gap)


def strip_shift(
    length: float,
    temperature: float,
    *,
    alpha: float,
    base_alpha: float | None = None,
    follow: float = 0.0,
    reference_alpha: float = 0.0,
) -> ThermalShift:
    """Length error of a linear strip, or of an open strip around a drum, by temperature."""
    argument_checks.finite_numbers(
        "strip_shift", length=(length, "m"), temperature=(temperature, "K"), alpha=(alpha, "1/K")
    )
    argument_checks.finite_numbers("strip_shift", reference_alpha=(reference_alpha, "1/K"))
    if not checks.is_real(follow) or not 0.0 <= follow <= 1.0:
        checks.refuse("strip_shift.follow", "lie from 0 to 1", follow)
    if follow > 0.0:
        argument_checks.finite_numbers("strip_shift", base_alpha=(base_alpha, "1/K"))
    strip_alpha = (1.0 - follow) * alpha + follow * (base_alpha or 0.0)
    return ThermalShift(
        angle=math.nan, length=-(strip_alpha - reference_alpha) * temperature * length, gap=0.0
    )
