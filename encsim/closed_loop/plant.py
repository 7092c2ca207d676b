"""Motor and load between torque command and positions, discretised exactly at the loop rate.

The command is held for a loop period T, acts a delay later (any fraction of T), passes the current loop as
a first-order lag and drives one mass or two. Positions are read a lag before the sample, or several times in
a period. Nothing is approximated: within a period the torque is constant, or steps once, where the delay ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..checks import refuse
from ..model import filter_design

if TYPE_CHECKING:
    from ..model.load_and_control import Control, Load


RIGID = ("position", "velocity")
# Twist and twist rate, load minus motor: no small difference of large numbers when the axis is far from zero.
FLEXIBLE = ("position", "velocity", "twist", "twist rate")
# A delay this close to whole periods (of one period) counts as whole.
WHOLE = 1e-9
# Time constants shorter than this part of a period overflow in the matrix exponential.
QUICKEST = 1e14
FARTHEST = 1e60
# Time constants and terms of the series of a matrix exponential: 0.5**15/16! is below rounding.
SHORT = 0.5
SERIES = 17


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Reading:
    """What one period adds to the position measured ``back`` samples after it began.

    Attributes
    ----------
    back : int
        Samples r from the beginning of the period to the sample.
    row : ndarray, shape (n,)
        Weight of the state at the beginning of the period.
    newer, older : float
        Weight of the two commands that act in the period.
    push : float
        Weight of a torque held on the load.
    """

    back: int
    row: np.ndarray
    newer: float
    older: float
    push: float


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Plant:
    """Exact discrete plant; SI, rates per loop period.

    Attributes
    ----------
    rate : float
        Loop rate fs, Hz.
    states : tuple of str
        Names of the n states: motor position and velocity, with two masses twist and twist rate, with a
        current bandwidth the motor torque.
    increment : ndarray, shape (n, n)
        State transition over T less the identity (kept apart: its small entries would drown in the ones).
    newer, older : ndarray, shape (n,)
        State change over a period per unit of the commands ``u[k - delay]`` and ``u[k - delay - 1]``.
    delay : int
        Whole periods of the command's delay, d.
    load_torque, motor_torque : ndarray, shape (n,)
        State change over a period per unit of a torque held on the load, and on the motor after the current
        loop (cogging).
    position, velocity : ndarray, shape (n,)
        Rows that give the load's.
    encoder : ndarray, shape (n,)
        Row that gives the position where the encoder sits.
    readings : tuple of Reading
        The measured position: sum over readings of ``row x[k-r] + newer u[k-r-d] + older u[k-r-d-1]``, and
        ``push`` times the load's torque in that period.
    transfer : Transfer
        The same as fractions in z - 1.
    """

    rate: float
    states: tuple[str, ...]
    increment: np.ndarray
    newer: np.ndarray
    older: np.ndarray
    delay: int
    load_torque: np.ndarray
    motor_torque: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    encoder: np.ndarray
    readings: tuple[Reading, ...]
    transfer: Transfer

    @property
    def remembered(self) -> int:
        """Number of past commands that the plant still needs."""
        return self.delay + int(bool(np.any(self.older)))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Transfer:
    """Transfer functions from the torque command, polynomials in ``z - 1``, highest power first.

    Attributes
    ----------
    denominator : ndarray
        Common denominator.
    measured, position, velocity : ndarray
        Numerators of the measured position and of the load's position and velocity.
    reading_delay, delay : int
        Whole periods of delay in front of the measured position, and in front of the load's motion.

    Notes
    -----
    Powers of z - 1 instead of z keep all digits at frequencies far below the loop rate.
    """

    denominator: np.ndarray
    measured: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    reading_delay: int
    delay: int

    def fractions(self, cycles: float | np.ndarray) -> Fractions:
        """Values on the unit circle."""
        half = np.exp(1j * np.pi * cycles)
        delta, back = 2j * half.imag * half, half.conj() ** 2
        late = filter_design.power(back, self.delay)
        read = late * filter_design.power(back, self.reading_delay - self.delay)
        return Fractions(
            difference=delta,
            denominator=np.polyval(self.denominator, delta),
            measured=np.polyval(self.measured, delta) * read,
            position=np.polyval(self.position, delta) * late,
            velocity=np.polyval(self.velocity, delta) * late,
        )


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Fractions:
    """Numerators and common denominator at some frequencies; each quotient is a frequency response.

    ``difference`` is z - 1.
    """

    difference: np.ndarray
    denominator: np.ndarray
    measured: np.ndarray
    position: np.ndarray
    velocity: np.ndarray


def difference(cycles: np.ndarray) -> np.ndarray:
    """``z - 1`` at z = exp(2 pi i turns), without cancellation."""
    half = np.exp(1j * np.pi * cycles)
    return 2j * half.imag * half


def discretise(
    load: Load, control: Control, rate: float, *, lags: tuple[float] = (0.0,), speed: float = 0.0
) -> Plant:
    """Discretise a load behind a delay and a current loop."""
    model = _Model(load, control, rate, speed)
    whole, part = _split(control.delay * rate)
    late, later = model.held(1.0 - part), model.held(part)
    newer, older = late, later + model.grow(1.0 - part) @ later if part else np.zeros_like(late)
    merged = {}
    for lag in lags:
        _add_reading(merged, model, lag * rate, part, 1.0 / len(lags))
    found = {"newer": newer, "older": older, "delay": whole}
    found["increment"] = model.grow(1.0)
    found["readings"] = tuple(
        Reading(back=r, row=m[:-3], newer=m[-3], older=m[-2], push=m[-1]) for r, m in merged.items()
    )
    return _in_units(model, found)


class _Model:
    """Continuous plant in units of the loop period: states x, v T, ..., torque as acceleration times T**2."""

    def __init__(self, load: Load, control: Control, rate: float, speed: float) -> None:
        self.rate, self.load = rate, load
        self.inertia = load.motor_inertia if load.flexible else load.total_inertia
        self.names = FLEXIBLE if load.flexible else RIGID
        slope = load.friction_slope(speed)
        if load.flexible:
            matrix, drive, push = _two_masses(load, slope, rate)
        else:
            matrix = np.array([[0.0, 1.0], [0.0, -slope / (self.inertia * rate)]])
            drive = push = np.array([0.0, 1.0])
        self.motor, self.push = drive, push
        if control.current_bandwidth is not None:
            corner = 2.0 * math.pi * control.current_bandwidth / rate
            matrix = np.block([[matrix, drive[:, None]], [np.zeros((1, len(drive))), -corner]])
            self.motor, self.push = np.append(drive, 0.0), np.append(push, 0.0)
            drive = np.append(0.0 * drive, corner)
            self.names = (*self.names, "torque")
        if not np.abs(matrix).max() <= QUICKEST:
            _refuse_quick(load)
        self.matrix, self.drive = matrix, drive
        self.encoder = self._row("position", "twist" if load.encoder == "load" else None)
        self.position = self._row("position", "twist")
        self.velocity = self._row("velocity", "twist rate")
        self._steps = {}

    def _row(self, *names: str | None) -> np.ndarray:
        return np.array([float(name in names) for name in self.names])

    def _step(self, time: float) -> tuple[np.ndarray, np.ndarray]:
        """Transition over ``time`` less the identity, and its integral; both without cancellation."""
        if time not in self._steps:
            with np.errstate(over="ignore", invalid="ignore"):
                self._steps[time] = _grow_and_hold(self.matrix, time)
            # friction that falls with the speed can drive an axis away faster than numbers reach
            if not np.isfinite(self._steps[time]).all() or np.abs(self._steps[time]).max() > FARTHEST:
                _refuse_quick(self.load)
        return self._steps[time]

    def grow(self, time: float) -> np.ndarray:
        return self._step(time)[0]

    def held(self, time: float, column: np.ndarray | None = None) -> np.ndarray:
        """State change by a unit input held for ``time``."""
        return self._step(time)[1] @ (self.drive if column is None else column)


def _refuse_quick(load: Load) -> None:
    rule = "be large enough for friction and spring: nothing may change all at once within a loop period"
    refuse("Load.inertia", rule, load.inertia, "kg m2 or kg")


def _grow_and_hold(matrix: np.ndarray, time: float) -> tuple[np.ndarray, np.ndarray]:
    """``exp(A t) - 1`` and ``integral of exp(A s), 0 to t``."""
    return _exponential(np.ascontiguousarray(matrix, dtype=float).tobytes(), len(matrix), float(time))


@lru_cache(maxsize=512)
def _exponential(content: bytes, n: int, time: float) -> tuple[np.ndarray, np.ndarray]:
    """The same of a matrix given as bytes, so that an axis that is looked at again costs nothing."""
    # The integral H and E = A H from a series over a short time, then doubled, H becoming ``2 H + E H`` and E ``2 E +
    # E**2``: small entries keep their digits, and no library needs to be loaded.
    matrix = np.frombuffer(content).reshape(n, n)
    size = np.abs(matrix).sum(axis=0).max() * time
    doublings = max(0, math.ceil(math.log2(size / SHORT))) if size > SHORT else 0
    short = math.ldexp(time, -doublings)
    term = hold = short * np.eye(n)
    for k in range(2, SERIES):
        term = term @ matrix * (short / k)
        hold = hold + term
    grow = matrix @ hold
    for _ in range(doublings):
        hold, grow = 2.0 * hold + grow @ hold, 2.0 * grow + grow @ grow
    return grow, hold


def _two_masses(load: Load, slope: float, rate: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Continuous matrix, motor column and load column, in units of T and of motor torque over inertia."""
    ratio = load.motor_inertia / load.inertia
    spring = load.stiffness / (load.motor_inertia * rate * rate)
    damper = load.damping / (load.motor_inertia * rate)
    friction = slope / (load.inertia * rate)
    pull = np.array([0.0, 0.0, spring, damper])
    matrix = np.zeros((4, 4))
    matrix[0, 1] = matrix[2, 3] = 1.0
    matrix[1] = pull
    matrix[3] = -(1.0 + ratio) * pull - friction * np.array([0.0, 1.0, 0.0, 1.0])
    return matrix, np.array([0.0, 1.0, 0.0, -1.0]), np.array([0.0, 0.0, 0.0, ratio])


def _split(periods: float) -> tuple[int, float]:
    """Whole and fractional part; a whole number but for rounding is whole."""
    whole = round(periods)
    if abs(periods - whole) <= WHOLE:
        return whole, 0.0
    whole = math.floor(periods)
    return whole, periods - whole


def _add_reading(merged: dict[Any, Any], model: _Model, age: float, part: float, weight: float) -> None:
    """Add one reading, ``age`` periods old at the sample, to ``{r: row, newer, older, push}``."""
    whole, rest = _split(age)
    back, time = (whole, 0.0) if rest == 0.0 else (whole + 1, 1.0 - rest)
    row = model.encoder + model.encoder @ model.grow(time)
    before = min(time, part)
    older = model.held(before)
    newer = model.held(time - before)
    older = older + model.grow(time - before) @ older
    push = model.held(time, model.push)
    values = np.concatenate([row, [model.encoder @ newer, model.encoder @ older, model.encoder @ push]])
    merged[back] = merged.get(back, 0.0) + weight * values


def _in_units(model: _Model, found: dict[str, Any]) -> Plant:
    """The plant in SI from the one in units of T."""
    rate = model.rate
    time = np.array([1.0 if n in ("position", "twist") else 1.0 / rate for n in model.names])
    torque = 1.0 / (model.inertia * rate * rate)
    time[[n == "torque" for n in model.names]] = torque
    for name in ("newer", "older"):
        found[name] = found[name] * torque
    transfer = _transfer(model, found)
    readings = tuple(
        Reading(
            back=r.back,
            row=r.row * time,
            newer=r.newer * torque,
            older=r.older * torque,
            push=r.push * torque,
        )
        for r in found["readings"]
    )
    return Plant(
        rate=rate,
        states=model.names,
        increment=found["increment"] * time / time[:, None],
        newer=found["newer"] / time,
        older=found["older"] / time,
        delay=found["delay"],
        load_torque=model.held(1.0, model.push) * torque / time,
        motor_torque=model.held(1.0, model.motor) * torque / time,
        position=model.position * time,
        velocity=model.velocity * time * rate,
        encoder=model.encoder * time,
        readings=readings,
        transfer=transfer,
    )


def _transfer(model: _Model, found: dict[str, Any]) -> Transfer:
    """Fractions in d = z - 1: the position, on which nothing depends, is the factor 1/d apart."""
    increment, torque = found["increment"], 1.0 / (model.inertia * model.rate**2)
    poly, adjugate = _adjugate(increment[1:, 1:])

    def numerator(row: np.ndarray, column: np.ndarray, direct: float = 0.0) -> np.ndarray:
        """Of ``row (d - M)**-1 column + direct`` over ``d poly``."""
        inner = adjugate @ column[1:]
        position = _padded(inner @ increment[0, 1:], len(poly)) + column[0] * poly
        rest = inner @ row[1:]
        total = _padded(row[0] * position, len(poly) + 1) + _padded(np.append(rest, 0.0), len(poly) + 1)
        return total + direct * np.append(poly, 0.0)

    old = int(bool(np.any(found["older"])))

    def late(row: np.ndarray, newer: float = 0.0, older: float = 0.0, ahead: int = 0) -> np.ndarray:
        """Numerator after both commands, times z**(old + ahead)."""
        total = _times_z(numerator(row, found["newer"], newer), old)
        if old:
            total = np.polyadd(total, numerator(row, found["older"], older))
        return _times_z(total, ahead)

    oldest = max(r.back for r in found["readings"])
    measured = np.zeros(1)
    for r in found["readings"]:
        one = late(r.row, r.newer * torque, r.older * torque, oldest - r.back)
        measured = np.polyadd(measured, one)
    return Transfer(
        denominator=np.append(poly, 0.0),
        measured=measured,
        position=late(model.position),
        velocity=late(model.velocity * model.rate),
        reading_delay=found["delay"] + old + oldest,
        delay=found["delay"] + old,
    )


def _times_z(poly: np.ndarray, power: int) -> np.ndarray:
    """A polynomial in z - 1 times z**power."""
    for _ in range(power):
        poly = np.polyadd(np.append(poly, 0.0), poly)
    return poly


def _adjugate(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Characteristic polynomial of a matrix and adjugate of ``d - matrix``, (power, n, n) (Faddeev, Leverrier)."""
    n = len(matrix)
    poly, terms = [1.0], [np.eye(n)]
    for k in range(1, n + 1):
        product = matrix @ terms[-1]
        poly.append(-np.trace(product) / k)
        terms.append(product + poly[-1] * np.eye(n))
    return np.array(poly), np.array(terms[:n])


def _padded(poly: np.ndarray, size: int) -> np.ndarray:
    """A polynomial with zeros in front."""
    return np.concatenate([np.zeros(size - len(poly)), poly])
