"""What an uneven mounting face passes on to the graduation of a ring, order by order.

What warmth does to a reading: fit of a ring on its shaft, bracket of a head, strips.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model import ring_geometry
from ..results import Orders, Result, Series

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
        Share of the face's form that the ring takes on when clamped: 1 is a thin ring drawn flat on it, 0 a
        ring too stiff to bend. A tilt (order 1) is followed in full whatever this is.

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

    def gain(self, order: int, diameter: float) -> Any:
        """Amplitude of the angle error, rad, per metre of this order of the face's form."""
        share = 1.0 if order == 1 else self.follow
        return share * order * abs(self.height) / (self.radius * 0.5 * diameter)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SeatLines(Series):
    """Angle error by the form of a mounting face.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Cycles a turn.
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

    order: np.ndarray
    face: np.ndarray
    angle: np.ndarray
    phase: np.ndarray
    swash: float
    flatness: float
    graduation: Orders
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        angles = dict.fromkeys(("angle", "phase", "swash", "graduation"), "rad")
        return {**angles, "order": "1", "face": "m", "flatness": "m"}

    def columns(self) -> Any:
        """Columns of the table, one row an order."""
        return {"order": self.order, "face_m": self.face, "angle_rad": self.angle, "phase_rad": self.phase}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Face:
    """Checked orders of a face's form."""

    face: Mapping = field(default_factory=dict)

    def __post_init__(self) -> None:
        check = ring_geometry.Named(self, "seat_lines")
        ring_geometry.check_orders(check, "face", "m")
        check.done()


def seat_lines(ring: Ring, seat: None, face: tuple[int, int, int]) -> Any:
    """Angle error that a mounting face gives the ring clamped on it."""
    # A body bent to the form z moves a track at height h by -h grad z: along the rim by h n a/r sin(n psi - phase),
    # which the head sees over R as h n a/(r R). At n = 1 that is the tilt a/r of a rigid ring, swash times head
    # offset. Derived here from plate bending (straight normals); the stretching that the body itself may suffer is
    # left out.
    given = _Face(face=face).face
    if seat.radius > 2.0 * ring.diameter:
        checks.refuse("Seat.radius", f"lie by the ring, below {2.0 * ring.diameter:g} m", seat.radius, "m")
    order = np.array(list(given), dtype=int)
    height, phase = (np.array([value[i] for value in given.values()], dtype=float) for i in (0, 1))
    gain = np.array([seat.gain(n, ring.diameter) for n in given])
    # a track above the middle plane moves against the slope, one below with it
    turned = np.mod(phase + (math.pi if seat.height > 0.0 else 0.0), 2.0 * math.pi)
    angle = gain * height
    uneven = 2.0 * float(height[order > 1].sum())
    return SeatLines(
        order=order,
        face=height,
        angle=angle,
        phase=turned,
        swash=math.atan(given[1][0] / seat.radius) if 1 in given else 0.0,
        flatness=uneven,
        graduation=Orders({n: (float(a), float(f)) for n, a, f in zip(given, angle, turned, strict=True)}),
    )


def seated(ring: Ring, seat: None, face: tuple[int, int, int]) -> Any:
    """The ring with what its mounting face adds to the graduation."""
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
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        return {**dict.fromkeys(("play", "radial_change", "eccentricity"), "m"), "angle_error": "rad"}


def ring_fit(
    ring: Ring, temperature: float = 0.0, *, alpha: float, shaft_alpha: Any, bore_growth: float = 0.0
) -> Any:
    """Play of a ring on its shaft after both warm up."""
    # The radial change at the seat radius r is r (alpha - shaft_alpha) temperature.
    for name in ("bore", "shaft"):
        if getattr(ring, name) is None:
            checks.refuse(f"Ring.{name}", "be given to tell the fit", None)
    ring_geometry.numbers(
        "ring_fit", temperature=(temperature, "K"), alpha=(alpha, "1/K"), shaft_alpha=(shaft_alpha, "1/K")
    )
    ring_geometry.numbers("ring_fit", bore_growth=(bore_growth, "m"))
    change = 0.5 * (ring.bore * alpha - ring.shaft * shaft_alpha) * temperature + bore_growth
    cold, play = ring.bore - ring.shaft, ring.bore - ring.shaft + 2.0 * change
    turned = (cold <= 0.0) != (play <= 0.0)
    loose = 0.5 * max(play, 0.0)
    return SeatFit(
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
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        return {"angle": "rad", "length": "m", "gap": "m"}


def bracket_shift(
    ring: Ring,
    temperature: float,
    *,
    bracket_alpha: Any,
    tangential: float = 0.0,
    radial: float = 0.0,
    alpha: float = 0.0,
) -> Any:
    """Shift of a reading by the expansion of the bracket that holds the head."""
    # A head that moves by s towards rising angles shows s/R less (its beta has grown).
    ring_geometry.numbers(
        "bracket_shift", temperature=(temperature, "K"), bracket_alpha=(bracket_alpha, "1/K")
    )
    ring_geometry.numbers(
        "bracket_shift", tangential=(tangential, "m"), radial=(radial, "m"), alpha=(alpha, "1/K")
    )
    moved = bracket_alpha * temperature * tangential
    gap = (bracket_alpha * radial - alpha * ring.radius) * temperature
    return ThermalShift(angle=-moved / ring.radius, length=-moved, gap=gap)


def strip_shift(
    length: int,
    temperature: float,
    *,
    alpha: float,
    base_alpha: Any = None,
    follow: float = 0.0,
    reference_alpha: float = 0.0,
) -> Any:
    """Error of scale of a linear strip, or of an open one round a drum, by temperature."""
    ring_geometry.numbers(
        "strip_shift", length=(length, "m"), temperature=(temperature, "K"), alpha=(alpha, "1/K")
    )
    ring_geometry.numbers("strip_shift", reference_alpha=(reference_alpha, "1/K"))
    if not checks.is_real(follow) or not 0.0 <= follow <= 1.0:
        checks.refuse("strip_shift.follow", "lie from 0 to 1", follow)
    if follow > 0.0:
        ring_geometry.numbers("strip_shift", base_alpha=(base_alpha, "1/K"))
    grown = (1.0 - follow) * alpha + (follow * base_alpha if follow else 0.0)
    return ThermalShift(angle=math.nan, length=-(grown - reference_alpha) * temperature * length, gap=0.0)
