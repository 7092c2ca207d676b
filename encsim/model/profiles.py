"""Motion profiles, the demand of a closed loop: position, velocity and acceleration against time.

Every profile starts at position 0. After its end it holds its last position, `Constant` its speed.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import checks, units

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import ArrayLike


FASTEST, LARGEST = 1e9, 1e18
# A step between two points is a jump, about which a spline would oscillate, if its speed is more than JUMP times
# that of its neighbours and it is more than this share of the whole move (smaller ones may be rounding).
JUMP, SMALL = 20.0, 0.01


class Profile:
    """Base of all profiles.

    Examples
    --------
    >>> import encsim
    >>> isinstance(encsim.profiles.Constant(0.1), encsim.profiles.Profile)
    True
    """

    __slots__ = ()

    @property
    def duration(self) -> float:
        """Time until the demand holds its last position or speed, s."""
        raise NotImplementedError

    def at(self, time: ArrayLike) -> np.ndarray:
        """Position, velocity and acceleration at some times, shape (3, ...)."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Constant(Profile):
    """Motion at constant speed.

    Parameters
    ----------
    speed : float
        m/s or rad/s; its sign is the direction.

    Raises
    ------
    InputError
        If the speed is no finite number.

    Examples
    --------
    >>> import encsim
    >>> encsim.profiles.Constant(0.1).speed
    0.1
    """

    speed: float = units.quantity("speed")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number(
            "speed", f"lie from {-FASTEST:g} to {FASTEST:g}", "m/s or rad/s", low=-FASTEST, high=FASTEST
        )
        check.done()

    @property
    def duration(self) -> float:
        """Time until the demand holds its last speed, s: none."""
        return 0.0

    def at(self, time: ArrayLike) -> np.ndarray:
        """Position, velocity and acceleration at some times, shape (3, ...)."""
        t = np.asarray(time, dtype=float)
        return np.stack([self.speed * t, np.full_like(t, self.speed), np.zeros_like(t)])


class _Move(Profile):
    """A move over ``distance`` in segments of constant jerk."""

    __slots__ = ()
    distance: float

    def _segments(self) -> list[tuple[float, float, float]]:
        """Duration, initial acceleration and jerk of each segment of a move in the positive direction."""
        raise NotImplementedError

    @property
    def duration(self) -> float:
        """Time until the axis is at rest, s."""
        return float(sum(time for time, _, _ in self._segments()))

    def at(self, time: ArrayLike) -> np.ndarray:
        """Position, velocity and acceleration at some times, shape (3, ...)."""
        t = np.asarray(time, dtype=float)
        demand, begin, x, v = np.zeros((3, *t.shape)), 0.0, 0.0, 0.0
        for length, acceleration, jerk in self._segments():
            in_segment = _segment(x, v, acceleration, jerk, np.maximum(t - begin, 0.0))
            demand = np.where(t >= begin, in_segment, demand)
            begin += length
            x, v, _ = _segment(x, v, acceleration, jerk, np.asarray(length))
        rest = np.stack([np.full_like(t, x), 0.0 * t, 0.0 * t])
        return math.copysign(1.0, self.distance) * np.where(t >= begin, rest, demand)


def _segment(x: float, v: float, acceleration: float, jerk: float, t: np.ndarray) -> np.ndarray:
    """Position, velocity and acceleration at time t in a segment of constant jerk, from its initial state."""
    return np.stack(
        [
            x + t * (v + t * (acceleration / 2.0 + t * jerk / 6.0)),
            v + t * (acceleration + t * jerk / 2.0),
            acceleration + t * jerk,
        ]
    )


def _check_move(profile: _Move, *limits: tuple[str, str]) -> None:
    """Check the distance and the limits of a move, given as name and unit."""
    check = checks.Check(profile)
    rule = f"lie from {-LARGEST:g} to {LARGEST:g}, and not be zero"
    check.number("distance", rule, "m or rad", low=-LARGEST, high=LARGEST)
    if not check.faults and profile.distance == 0.0:
        check.fault("distance", rule, profile.distance, "m or rad")
    for name, unit in limits:
        check.positive(name, unit, within=(1e-12, 1e15))
    check.done()


@dataclass(frozen=True, slots=True)
class Trapezoid(_Move):
    """Move over a distance with constant acceleration, constant speed, constant deceleration.

    Parameters
    ----------
    distance : float
        m or rad; its sign is the direction.
    speed, acceleration : float
        Limits, m/s and m/s2 or rad/s and rad/s2.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.profiles.Trapezoid(0.01, speed=0.1, acceleration=2.0).distance
    0.01
    """

    distance: float = units.quantity("position")
    speed: float = units.quantity("speed")
    acceleration: float = units.quantity("acceleration")

    def __post_init__(self) -> None:
        _check_move(self, ("speed", "m/s or rad/s"), ("acceleration", "m/s2 or rad/s2"))

    def _segments(self) -> list[tuple[float, float, float]]:
        distance, a = abs(self.distance), self.acceleration
        top = min(self.speed, math.sqrt(distance * a))
        return [(top / a, a, 0.0), (distance / top - top / a, 0.0, 0.0), (top / a, -a, 0.0)]


@dataclass(frozen=True, slots=True)
class SCurve(_Move):
    """Move over a distance with limited jerk: acceleration rises and falls as ramps.

    Parameters
    ----------
    distance : float
        m or rad; its sign is the direction.
    speed, acceleration, jerk : float
        Limits, m/s, m/s2, m/s3 or in rad. A short move reaches neither the speed nor the acceleration.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.profiles.SCurve(0.01, speed=0.1, acceleration=2.0, jerk=100.0).jerk
    100.0
    """

    distance: float = units.quantity("position")
    speed: float = units.quantity("speed")
    acceleration: float = units.quantity("acceleration")
    jerk: float = units.quantity("jerk")

    def __post_init__(self) -> None:
        limits = ("speed", "m/s or rad/s"), ("acceleration", "m/s2 or rad/s2"), ("jerk", "m/s3 or rad/s3")
        _check_move(self, *limits)

    def _segments(self) -> list[tuple[float, float, float]]:
        top = self._top_speed()
        a = min(self.acceleration, math.sqrt(top * self.jerk))
        ramp, j = a / self.jerk, self.jerk
        flat = max(top / a - ramp, 0.0)
        cruise = max(abs(self.distance) / top - (2.0 * ramp + flat), 0.0)
        up = [(ramp, 0.0, j), (flat, a, 0.0), (ramp, a, -j)]
        return [*up, (cruise, 0.0, 0.0), (ramp, 0.0, -j), (flat, -a, 0.0), (ramp, -a, j)]

    def _top_speed(self) -> float:
        """Highest speed reached: the limit, or the speed at which a short move turns from speeding up to braking."""
        distance, a, j = abs(self.distance), self.acceleration, self.jerk
        top = (distance * distance * j / 4.0) ** (1.0 / 3.0)
        if top * j > a * a:
            top = (-(a * a) / j + math.sqrt((a * a / j) ** 2 + 4.0 * a * distance)) / 2.0
        return float(min(self.speed, top))


@dataclass(frozen=True, slots=True)
class Sine(Profile):
    """Sinusoidal motion: position ``amplitude sin(2 pi frequency t)``.

    Parameters
    ----------
    amplitude : float
        m or rad, positive.
    frequency : float
        Hz.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.profiles.Sine(1e-3, frequency=2.0).frequency
    2.0
    """

    amplitude: float = units.quantity("position")
    frequency: float = units.quantity("frequency")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("amplitude", "m or rad", within=(1e-18, LARGEST))
        check.positive("frequency", "Hz", within=(1e-9, 1e9))
        check.done()

    @property
    def duration(self) -> float:
        """Duration: infinite."""
        return math.inf

    def at(self, time: ArrayLike) -> np.ndarray:
        """Position, velocity and acceleration at some times, shape (3, ...)."""
        rate = 2.0 * math.pi * self.frequency
        angle, a = rate * np.asarray(time, dtype=float), self.amplitude
        return np.stack([a * np.sin(angle), a * rate * np.cos(angle), -a * rate * rate * np.sin(angle)])


@dataclass(frozen=True, slots=True, eq=False)
class Sampled(Profile):
    """Demand given by points, interpolated by a cubic spline; after the last point its position is held.

    Parameters
    ----------
    time : array_like, shape (n,)
        Times in ascending order, s; the first is 0.
    position : array_like, shape (n,)
        m or rad, counted from the first point. The motion begins and ends at rest.

    Raises
    ------
    InputError
        If there are fewer than 4 points, they are not finite, the times do not rise from 0, or the position jumps.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> time = np.linspace(0.0, 1.0, 101)
    >>> encsim.profiles.Sampled(time, 0.01 * time**2).position.shape
    (101,)
    """

    time: np.ndarray
    position: np.ndarray

    def __post_init__(self) -> None:
        for name in ("time", "position"):
            object.__setattr__(self, name, _points(name, getattr(self, name)))
        if self.time.size != self.position.size:
            checks.refuse("Sampled.position", f"have the {self.time.size} points of time", self.position.size)
        if self.time[0] != 0.0 or not np.all(np.diff(self.time) > 0.0):
            place = int(np.argmin(np.diff(self.time) > 0.0)) + 1
            wrong = self.time[0] if self.time[0] != 0.0 else self.time[place]
            checks.refuse("Sampled.time", "rise from 0, as a demand cannot jump", float(wrong), "s")
        self._refuse_jump()

    def _refuse_jump(self) -> None:
        """Refuse a step between two points that is far faster than the two before it and the two after it."""
        move = np.diff(self.position)
        speed = np.abs(move / np.diff(self.time))
        if speed.size < 5:
            return
        beside = np.max([speed[:-4], speed[1:-3], speed[3:-1], speed[4:]], axis=0)
        large = np.abs(move) > SMALL * np.ptp(self.position)
        jumps = np.flatnonzero(large[2:-2] & (speed[2:-2] > JUMP * beside))
        if jumps.size:
            k = int(jumps[0]) + 2
            rule = f"not jump, as from {self.time[k]:g} to {self.time[k + 1]:g} s, {JUMP:g} times as fast as beside"
            checks.refuse("Sampled.position", rule, float(move[k]), "m or rad")

    @classmethod
    def from_file(cls, path: str | Path) -> Sampled:
        """Profile of a text file of two columns, time (s) and position (m or rad), with or without a header."""
        try:
            with open(path, newline="", encoding="utf-8-sig") as file:
                rows = list(csv.reader(file))
        except (OSError, UnicodeDecodeError, csv.Error) as problem:
            checks.refuse("Sampled.from_file", f"name a file of text that can be read ({problem})", str(path))
        return cls(*_columns(rows, str(path)))

    @property
    def duration(self) -> float:
        """Time of the last point, s."""
        return float(self.time[-1])

    def at(self, time: ArrayLike) -> np.ndarray:
        """Position, velocity and acceleration at some times, shape (3, ...)."""
        from scipy.interpolate import CubicSpline

        spline = CubicSpline(self.time, self.position - self.position[0], bc_type="clamped")
        t = np.asarray(time, dtype=float)
        within = np.clip(t, 0.0, self.duration)
        demand = np.stack([spline(within), spline(within, 1), spline(within, 2)])
        demand[1:, t > self.duration] = 0.0
        return demand


def _points(name: str, values: ArrayLike) -> np.ndarray:
    """Values of a field of `Sampled` as a new read-only float array."""
    try:
        row = np.array(values, dtype=float)
    except (TypeError, ValueError):
        row = np.array([np.nan])
    if row.ndim != 1 or row.size < 4 or not (np.abs(row) <= LARGEST).all():
        rule = f"be at least 4 numbers in a row, from {-LARGEST:g} to {LARGEST:g}"
        checks.refuse(f"Sampled.{name}", rule, np.shape(row) if row.ndim != 1 else row.tolist()[:3])
    row.flags.writeable = False
    return row


def _columns(rows: list[list[str]], source: str) -> np.ndarray:
    """The two columns of a table; a first row without numbers is its header."""
    points = []
    for number, row in enumerate(rows, 1):
        try:
            time, position = (float(cell) for cell in row)
        except ValueError:
            if number == 1 or not any(cell.strip() for cell in row):
                continue
            fault = checks.Fault(
                "profile", "hold a time and a position", ",".join(row), line=number, source=source
            )
            raise checks.InputError(fault) from None
        points.append((time, position))
    return np.array(points).reshape(-1, 2).T
