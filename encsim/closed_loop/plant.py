"""Motor and load between torque command and positions, discretised exactly at the loop rate.

The command is held for a loop period T and acts after a delay, which may be any fraction of T. It passes the current
loop, a first-order lag, and drives one mass or two. Positions are read a lag before the sample, or several times in a
period. Nothing is approximated: within a period the torque is constant, or steps once, where the delay ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..checks import refuse
from ..model import filter_design

if TYPE_CHECKING:
    from ..model.load_and_control import Control, Load


RIGID = ("position", "velocity")
# Twist and twist rate, load minus motor: far from zero they keep digits that the difference of positions loses.
FLEXIBLE = ("position", "velocity", "twist", "twist rate")
# A delay closer than this to a whole number of periods counts as whole.
WHOLE = 1e-9
# Largest rate of the plant per loop period, and largest transition: beyond them numbers overflow.
QUICKEST = 1e14
FARTHEST = 1e60
# Largest norm and number of terms of the series of a matrix exponential: 0.5**15/16! is below rounding.
SHORT = 0.5
SERIES = 17


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Reading:
    """Contribution of one loop period to the position measured ``back`` samples after its beginning.

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
        State transition over T minus the identity, whose ones would take digits from the small entries.
    newer, older : ndarray, shape (n,)
        State change over a period per unit of the commands ``u[k - delay]`` and ``u[k - delay - 1]``.
    delay : int
        Whole periods of the command's delay, d.
    load_torque, motor_torque : ndarray, shape (n,)
        State change over a period per unit of a torque held on the load, and on the motor after the current
        loop (cogging).
    position, velocity : ndarray, shape (n,)
        Rows that give position and velocity of the load.
    encoder : ndarray, shape (n,)
        Row that gives the position at the encoder.
    readings : tuple of Reading
        The measured position: sum over readings of ``row x[k-r] + newer u[k-r-d] + older u[k-r-d-1]``, and
        ``push`` times the load's torque in that period.
    transfer : Transfer
        The same plant as fractions in z - 1.
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
        """Number of past commands that act on the next state."""
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
    load: Load, control: Control, rate: float, *, lags: tuple[float, ...] = (0.0,), speed: float = 0.0
) -> Plant:
    """Discretise a load behind a delay and a current loop."""
    model = _Model(load, control, rate, speed)
    whole, part = _split(control.delay * rate)
    late, later = model.held(1.0 - part), model.held(part)
    newer, older = late, later + model.grow(1.0 - part) @ later if part else np.zeros_like(late)
    sums: dict[int, np.ndarray] = {}
    for lag in lags:
        _add_reading(sums, model, lag * rate, part, 1.0 / len(lags))
    readings = tuple(
        Reading(back=r, row=m[:-3], newer=m[-3], older=m[-2], push=m[-1]) for r, m in sums.items()
    )
    return _in_units(model, _Periodic(model.grow(1.0), newer, older, whole, readings))


class _Periodic(NamedTuple):
    """Discrete plant in units of the loop period; the fields are those of `Plant`."""

    increment: np.ndarray
    newer: np.ndarray
    older: np.ndarray
    delay: int
    readings: tuple[Reading, ...]


class _Model:
    """Continuous plant in units of the loop period: states x, v T, ..., torque as acceleration times T**2."""

    def __init__(self, load: Load, control: Control, rate: float, speed: float) -> None:
        self.rate, self.load = rate, load
        self.names: tuple[str, ...]
        slope, motor = load.friction_slope(speed), load.motor_inertia
        if load.stiffness is not None and motor is not None:
            self.inertia, self.names = motor, FLEXIBLE
            matrix, drive, push = _two_masses(
                ratio=motor / load.inertia,
                spring=load.stiffness / (motor * rate * rate),
                damper=load.damping / (motor * rate),
                friction=slope / (load.inertia * rate),
            )
        else:
            self.inertia, self.names = load.total_inertia, RIGID
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
        self._steps: dict[float, tuple[np.ndarray, np.ndarray]] = {}

    def _row(self, *names: str | None) -> np.ndarray:
        return np.array([float(name in names) for name in self.names])

    def _step(self, time: float) -> tuple[np.ndarray, np.ndarray]:
        """Transition over ``time`` minus the identity, and its integral; both without cancellation."""
        if time not in self._steps:
            with np.errstate(over="ignore", invalid="ignore"):
                self._steps[time] = _grow_and_hold(self.matrix, time)
            # friction that falls as the speed rises can drive an axis away so fast that numbers overflow
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
    """As `_grow_and_hold`, of a matrix given as bytes, which the cache needs."""
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


def _two_masses(
    *, ratio: float, spring: float, damper: float, friction: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Continuous matrix, motor column and load column, in units of T and of motor torque over inertia."""
    pull = np.array([0.0, 0.0, spring, damper])
    matrix = np.zeros((4, 4))
    matrix[0, 1] = matrix[2, 3] = 1.0
    matrix[1] = pull
    matrix[3] = -(1.0 + ratio) * pull - friction * np.array([0.0, 1.0, 0.0, 1.0])
    return matrix, np.array([0.0, 1.0, 0.0, -1.0]), np.array([0.0, 0.0, 0.0, ratio])


def _split(periods: float) -> tuple[int, float]:
    """Whole and fractional part; a number within rounding of a whole number counts as whole."""
    whole = round(periods)
    if abs(periods - whole) <= WHOLE:
        return whole, 0.0
    whole = math.floor(periods)
    return whole, periods - whole


def _add_reading(sums: dict[int, np.ndarray], model: _Model, age: float, part: float, weight: float) -> None:
    """Add one reading, ``age`` periods old at the sample, to ``{r: row, newer, older, push}``."""
    whole, rest = _split(age)
    back, time = (whole, 0.0) if rest == 0.0 else (whole + 1, 1.0 - rest)
    row = model.encoder + model.encoder @ model.grow(time)
    before = min(time, part)
    older, newer = model.held(before), model.held(time - before)
    older = older + model.grow(time - before) @ older
    push = model.held(time, model.push)
    values = np.concatenate([row, [model.encoder @ newer, model.encoder @ older, model.encoder @ push]])
    sums[back] = sums.get(back, 0.0) + weight * values


def _in_units(model: _Model, plant: _Periodic) -> Plant:
    """The plant in SI from the one in units of T."""
    rate = model.rate
    time = np.array([1.0 if n in ("position", "twist") else 1.0 / rate for n in model.names])
    torque = 1.0 / (model.inertia * rate * rate)
    time[[n == "torque" for n in model.names]] = torque
    plant = plant._replace(newer=plant.newer * torque, older=plant.older * torque)
    readings = tuple(
        replace(r, row=r.row * time, newer=r.newer * torque, older=r.older * torque, push=r.push * torque)
        for r in plant.readings
    )
    return Plant(
        rate=rate,
        states=model.names,
        increment=plant.increment * time / time[:, None],
        newer=plant.newer / time,
        older=plant.older / time,
        delay=plant.delay,
        load_torque=model.held(1.0, model.push) * torque / time,
        motor_torque=model.held(1.0, model.motor) * torque / time,
        position=model.position * time,
        velocity=model.velocity * time * rate,
        encoder=model.encoder * time,
        readings=readings,
        transfer=_transfer(model, plant),
    )


def _transfer(model: _Model, plant: _Periodic) -> Transfer:
    """Fractions in d = z - 1; the commands act in SI. No state depends on the position: it is a factor 1/d."""
    increment, torque = plant.increment, 1.0 / (model.inertia * model.rate**2)
    poly, adjugate = _adjugate(increment[1:, 1:])

    def numerator(row: np.ndarray, column: np.ndarray, direct: float = 0.0) -> np.ndarray:
        """Of ``row (d - M)**-1 column + direct`` over ``d poly``."""
        inner = adjugate @ column[1:]
        position = _padded(inner @ increment[0, 1:], len(poly)) + column[0] * poly
        rest = inner @ row[1:]
        total = _padded(row[0] * position, len(poly) + 1) + _padded(np.append(rest, 0.0), len(poly) + 1)
        return total + direct * np.append(poly, 0.0)

    old = int(bool(np.any(plant.older)))

    def late(row: np.ndarray, newer: float = 0.0, older: float = 0.0, ahead: int = 0) -> np.ndarray:
        """Numerator after both commands, times z**(old + ahead)."""
        total = _times_z(numerator(row, plant.newer, newer), old)
        if old:
            total = np.polyadd(total, numerator(row, plant.older, older))
        return _times_z(total, ahead)

    oldest = max(r.back for r in plant.readings)
    measured = np.zeros(1)
    for r in plant.readings:
        measured = np.polyadd(measured, late(r.row, r.newer * torque, r.older * torque, oldest - r.back))
    return Transfer(
        denominator=np.append(poly, 0.0),
        measured=measured,
        position=late(model.position),
        velocity=late(model.velocity * model.rate),
        reading_delay=plant.delay + old + oldest,
        delay=plant.delay + old,
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
