"""Demands of motion: position, velocity and acceleration against time, for runs of the closed loop.

Every profile starts at position 0 and holds its last position or its last velocity when it has ended.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks

if TYPE_CHECKING:
    from pathlib import Path


FASTEST, LARGEST = 1e9, 1e18
MOST_CYCLES = 1e9
# A point so many times as fast as its neighbours is a jump, which a spline would join by swinging about it.
# Steps of rounding, small shares of the whole move, are none.
JUMP, SMALL = 20.0, 0.01


def _quantity(dimension: str, **options: Any) -> Any:
    """A field whose text carries a unit of this dimension."""
    return field(metadata={"dimension": dimension}, **options)


class Profile:
    """What every demand can do; ``at`` gives position, velocity and acceleration at some times."""

    __slots__ = ()

    def at(self, time: np.ndarray) -> None:
        """Demand at some times."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Constant(Profile):
    """Steady motion.

    Parameters
    ----------
    speed : float
        m/s or rad/s; its sign counts.

    Raises
    ------
    InputError
        If the speed is no finite number.
    """

    speed: float = _quantity("speed")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.number(
            "speed", f"lie from {-FASTEST:g} to {FASTEST:g}", "m/s or rad/s", low=-FASTEST, high=FASTEST
        )
        check.done()

    @property
    def duration(self) -> Any:
        """Time until nothing changes any more, s."""
        return 0.0

    def at(self, time: np.ndarray) -> np.ndarray:
        """Demand at some times: position, velocity, acceleration."""
        time = np.asarray(time, dtype=float)
        return np.stack([self.speed * time, np.full_like(time, self.speed), np.zeros_like(time)])


class _Pieces(Profile):
    """A motion of pieces of constant jerk."""

    __slots__ = ()

    def _jerks(self) -> None:
        """Rows of duration and jerk, for a motion in the positive direction."""
        raise NotImplementedError

    @property
    def duration(self) -> float:
        """Time until the axis rests, s."""
        return float(sum(time for time, _, _ in self._jerks()))

    def at(self, time: list[float] | np.ndarray) -> np.ndarray:
        """Demand at some times: position, velocity, acceleration."""
        time = np.asarray(time, dtype=float)
        found, begin, state = np.zeros((3, *time.shape)), 0.0, np.zeros(2)
        for length, push, jerk in self._jerks():
            x, v = state
            after = np.maximum(time - begin, 0.0)
            here = (time >= begin)[None, ...]
            found = np.where(here, _piece(x, v, push, jerk, after), found)
            begin += length
            state = _piece(x, v, push, jerk, np.asarray(length))[:2]
        rest = np.stack([np.full_like(time, state[0]), 0.0 * time, 0.0 * time])
        return math.copysign(1.0, self.distance) * np.where(time >= begin, rest, found)


def _piece(x: float, v: float, acceleration: float, jerk: float, t: np.ndarray) -> np.ndarray:
    """Position, velocity and acceleration in a piece of constant jerk."""
    return np.stack(
        [
            x + t * (v + t * (acceleration / 2.0 + t * jerk / 6.0)),
            v + t * (acceleration + t * jerk / 2.0),
            acceleration + t * jerk,
        ]
    )


def _check_move(profile: SCurve | Trapezoid, *limits: tuple[str, str]) -> None:
    check = checks.Check(profile)
    rule = f"lie from {-LARGEST:g} to {LARGEST:g}, and not be zero"
    check.number("distance", rule, "m or rad", low=-LARGEST, high=LARGEST)
    if not check.faults and profile.distance == 0.0:
        check.fault("distance", rule, profile.distance, "m or rad")
    for name, unit in limits:
        check.positive(name, unit, within=(1e-12, 1e15))
    check.done()


@dataclass(frozen=True, slots=True)
class Trapezoid(_Pieces):
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
    """

    distance: float = _quantity("position")
    speed: float = _quantity("speed")
    acceleration: float = _quantity("acceleration")

    def __post_init__(self) -> None:
        _check_move(self, ("speed", "m/s or rad/s"), ("acceleration", "m/s2 or rad/s2"))

    def _jerks(self) -> list[tuple[float, float, float]]:
        way, a = abs(self.distance), self.acceleration
        top = min(self.speed, math.sqrt(way * a))
        return [(top / a, a, 0.0), (way / top - top / a, 0.0, 0.0), (top / a, -a, 0.0)]


@dataclass(frozen=True, slots=True)
class SCurve(_Pieces):
    """Move over a distance with limited jerk: acceleration rises and falls in ramps.

    Parameters
    ----------
    distance : float
        m or rad; its sign is the direction.
    speed, acceleration, jerk : float
        Limits, m/s, m/s2, m/s3 or in rad. Short moves reach neither speed nor acceleration.

    Raises
    ------
    InputError
        If a number is out of range.
    """

    distance: float = _quantity("position")
    speed: float = _quantity("speed")
    acceleration: float = _quantity("acceleration")
    jerk: float = _quantity("jerk")

    def __post_init__(self) -> None:
        limits = ("speed", "m/s or rad/s"), ("acceleration", "m/s2 or rad/s2"), ("jerk", "m/s3 or rad/s3")
        _check_move(self, *limits)

    def _jerks(self) -> list[tuple[float, float, float]]:
        top = self._top()
        push = min(self.acceleration, math.sqrt(top * self.jerk))
        ramp, j = push / self.jerk, self.jerk
        flat = max(top / push - ramp, 0.0)
        cruise = max(abs(self.distance) / top - (2.0 * ramp + flat), 0.0)
        up = [(ramp, 0.0, j), (flat, push, 0.0), (ramp, push, -j)]
        return [*up, (cruise, 0.0, 0.0), (ramp, 0.0, -j), (flat, -push, 0.0), (ramp, -push, j)]

    def _top(self) -> float:
        """Highest speed reached: getting there and back takes the whole way, or it is the limit."""
        way, a, j = abs(self.distance), self.acceleration, self.jerk
        short = (way * way * j / 4.0) ** (1.0 / 3.0)
        if short * j > a * a:
            short = (-(a * a) / j + math.sqrt((a * a / j) ** 2 + 4.0 * a * way)) / 2.0
        return min(self.speed, short)


@dataclass(frozen=True, slots=True)
class Sine(Profile):
    """Swing to and fro: position ``amplitude sin(2 pi frequency t)``.

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
    """

    amplitude: float = _quantity("position")
    frequency: float = _quantity("frequency")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("amplitude", "m or rad", within=(1e-18, LARGEST))
        check.positive("frequency", "Hz", within=(1e-9, 1e9))
        check.done()

    @property
    def duration(self) -> float:
        """Time until nothing changes any more: it has no end."""
        return math.inf

    def at(self, time: np.ndarray) -> np.ndarray:
        """Demand at some times: position, velocity, acceleration."""
        rate = 2.0 * math.pi * self.frequency
        angle, a = rate * np.asarray(time, dtype=float), self.amplitude
        return np.stack([a * np.sin(angle), a * rate * np.cos(angle), -a * rate * rate * np.sin(angle)])


@dataclass(frozen=True, slots=True, eq=False)
class Sampled(Profile):
    """Demand given point by point, joined by a cubic spline; afterwards the last position is held.

    Parameters
    ----------
    time : array_like, shape (n,)
        Rising times, s; the first is 0.
    position : array_like, shape (n,)
        m or rad; the start is taken as 0. It begins and ends at rest.

    Raises
    ------
    InputError
        If there are fewer than 4 points, they are not finite, the times do not rise from 0, or the position jumps.
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
        """Refuse a step between two points that is out of all proportion to the two before it and the two after."""
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
    def from_file(cls, path: Path) -> Sampled | None:
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

    def at(self, time: list[float] | np.ndarray) -> np.ndarray:
        """Demand at some times: position, velocity, acceleration."""
        from scipy.interpolate import CubicSpline

        spline = CubicSpline(self.time, self.position - self.position[0], bc_type="clamped")
        time = np.asarray(time, dtype=float)
        inside = np.clip(time, 0.0, self.duration)
        found = np.stack([spline(inside), spline(inside, 1), spline(inside, 2)])
        found[1:, time > self.duration] = 0.0
        return found


def _points(name: str, values: list[float] | np.ndarray | range) -> np.ndarray:
    """Points as a new read-only float array."""
    try:
        found = np.array(values, dtype=float)
    except (TypeError, ValueError):
        found = np.array([np.nan])
    if found.ndim != 1 or found.size < 4 or not (np.abs(found) <= LARGEST).all():
        rule = f"be at least 4 numbers in a row, from {-LARGEST:g} to {LARGEST:g}"
        checks.refuse(f"Sampled.{name}", rule, np.shape(found) if found.ndim != 1 else found.tolist()[:3])
    found.flags.writeable = False
    return found


def _columns(rows: list[list[str]], source: str) -> np.ndarray | None:
    """The two columns of a table; a first line that holds no numbers is its header."""
    found = []
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
        found.append((time, position))
    return np.array(found).reshape(-1, 2).T
