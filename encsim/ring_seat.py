"""What an uneven mounting face passes on to the graduation of a ring, order by order."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from . import _checks, _ring_checks
from ._orders import Orders
from ._results import Series


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

    def __post_init__(self):
        check = _checks.Check(self)
        check.number("height", unit="m")
        check.positive("radius", "m")
        check.number("follow", "lie from 0 to 1", low=0.0, high=1.0)
        check.done()

    def gain(self, order, diameter):
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
    def units(self):
        """Units of the fields, {key: unit}."""
        angles = dict.fromkeys(("angle", "phase", "swash", "graduation"), "rad")
        return {**angles, "order": "1", "face": "m", "flatness": "m"}

    def columns(self):
        """Columns of the table, one row an order."""
        return {"order": self.order, "face_m": self.face, "angle_rad": self.angle, "phase_rad": self.phase}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Face:
    """Checked orders of a face's form."""

    face: Mapping = field(default_factory=dict)

    def __post_init__(self):
        check = _ring_checks.Named(self, "seat_lines")
        _ring_checks.check_orders(check, "face", "m")
        check.done()


def seat_lines(ring, seat, face):
    """Angle error that a mounting face gives the ring clamped on it.

    Parameters
    ----------
    ring : Ring
        The ring.
    seat : Seat
        How it is held.
    face : mapping of int to float or (float, float)
        Form of the face at the seat's radius, {n: a or (a, phase)}: height a cos(n psi - phase), psi the angle on the
        ring counter-clockwise from its mark, m and rad. Half of a full range is the amplitude.

    Returns
    -------
    SeatLines

    Raises
    ------
    InputError
        If an order is not whole or below 1, or the seat lies outside the ring.

    Notes
    -----
    A body bent to the form z moves a track at height h by -h grad z: along the rim by h n a/r sin(n psi - phase),
    which the head sees over R as h n a/(r R). At n = 1 that is the tilt a/r of a rigid ring, swash times head offset.
    Derived here from plate bending (straight normals); the stretching that the body itself may suffer is left out.
    """
    given = _Face(face=face).face
    if seat.radius > 2.0 * ring.diameter:
        _checks.refuse("Seat.radius", f"lie by the ring, below {2.0 * ring.diameter:g} m", seat.radius, "m")
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


def seated(ring, seat, face):
    """The ring with what its mounting face adds to the graduation.

    Parameters
    ----------
    ring : Ring
        The ring.
    seat : Seat
        How it is held.
    face : mapping of int to float or (float, float)
        As for `seat_lines`.

    Returns
    -------
    Ring
        With lines of equal order added as vectors.
    """
    lines = {n: a * np.exp(1j * f) for n, (a, f) in ring.graduation.items()}
    for n, (a, f) in seat_lines(ring, seat, face).graduation.items():
        lines[n] = lines.get(n, 0.0) + a * np.exp(1j * f)
    return replace(ring, graduation={n: (float(abs(z)), float(np.angle(z))) for n, z in lines.items()})
