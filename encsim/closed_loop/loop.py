"""The closed loop as a linear system: what it makes of an encoder error, at any frequency and for white noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..checks import InputError, refuse
from ..model import filter_design, load_and_control
from . import plant, timed_edges
from .plant import Plant
from .state_space import CURVES, Assembly

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator
    from .state_space import ClosedLoop
    from .timed_edges import EdgeFilter


# Eigenvalues of this many states take about half a second.
LARGEST_ORDER = 600
FIRST_CIRCLE = 1 << 14
LARGEST_CIRCLE = 1 << 21
STEADY = ("measured", "torque", "actual")
# Where there is no position control the loop at 0 Hz is a limit; this share of the rate stands for it.
NEAR_ZERO = 1e-12


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ErrorResponse:
    """Complex gains of the closed loop, periodic in the loop rate.

    Attributes
    ----------
    sensitivity, complementary : ndarray
        S = 1/(1 + L) and T = L S, L the loop gain (``open_gain``).
    measured, torque, actual, position, current : ndarray
        From an encoder error e to the velocity estimate w = D S e, the torque command u = -C S e, the load's
        velocity at the samples v = -G_v C S e, its position -G_x C S e, and u over the torque constant (None
        without one).
    """

    sensitivity: np.ndarray
    complementary: np.ndarray
    measured: np.ndarray
    torque: np.ndarray
    actual: np.ndarray
    position: np.ndarray
    current: np.ndarray | None


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Parts:
    """Finite terms of a loop without its estimator D: ``1 + L = (base + (K + D) forward)/base``.

    Attributes
    ----------
    turns : ndarray
        Frequency over loop rate, folded.
    base, forward : ndarray
        What 1 + L is made of; K is the position gain.
    acted : tuple of ndarray
        Torque command, velocity and position of the load for one unit of velocity error, over
        ``base + (K + D) forward``.
    """

    turns: np.ndarray
    base: np.ndarray
    forward: np.ndarray
    acted: tuple


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Loop:
    """Linear loop of one axis, friction and filters taken at one speed; see ``closed``.

    Attributes
    ----------
    control : Control
    plant : Plant
    rate : float
        Loop rate fs, Hz.
    estimator : object
        Velocity estimator with ``response`` and ``coefficients``; an `EdgeFilter` where edges are timed, which
        may be of many speeds.
    filters : tuple of Section
        Filters of the torque command.
    torque_constant : float or None
        Torque per ampere.
    """

    control: load_and_control.Control
    plant: Plant
    rate: float
    estimator: object
    filters: tuple
    torque_constant: float | None

    @property
    def memory(self) -> int:
        """Samples that the estimator remembers in its numerator."""
        if isinstance(self.estimator, timed_edges.EdgeFilter):
            return int(np.ceil(np.max(self.estimator.memory)))
        return len(self.estimator.coefficients(self.rate)[0])

    def response(self, frequency: float | np.ndarray) -> ErrorResponse:
        """What the loop makes of an encoder error line."""
        # Quotients of finite terms, so that 0 Hz needs no care.
        turns = self._turns(frequency)
        terms = self.plant.transfer.fractions(turns)
        below, gain, estimate = self._controller(turns, terms.difference)
        command = self.control.position_gain + estimate
        base = below * terms.denominator
        total = base + gain * command * terms.measured
        drive, sensitivity = gain * command / total, base / total
        torque, constant = -drive * terms.denominator, self.torque_constant
        return ErrorResponse(
            sensitivity=sensitivity,
            complementary=drive * terms.measured,
            measured=estimate * sensitivity,
            torque=torque,
            actual=-drive * terms.velocity,
            position=-drive * terms.position,
            current=None if constant is None else torque / constant,
        )

    def parts(self, frequency: np.ndarray) -> Parts:
        """The loop without its estimator."""
        turns = self._turns(frequency)
        terms = self.plant.transfer.fractions(turns)
        below, gain = self._torque(turns, terms.difference)
        return Parts(
            turns=turns,
            base=below * terms.denominator,
            forward=gain * terms.measured,
            acted=tuple(gain * part for part in (terms.denominator, terms.velocity, terms.position)),
        )

    def open_gain(self, frequency: np.ndarray) -> np.ndarray:
        """Loop gain L, broken at the torque command."""
        turns = self._turns(frequency)
        terms = self.plant.transfer.fractions(turns)
        below, gain, estimate = self._controller(turns, terms.difference)
        command = self.control.position_gain + estimate
        return gain * command * terms.measured / (below * terms.denominator)

    def follow(self, frequency: np.ndarray) -> np.ndarray:
        """Gain from the demanded position to the measured one, feed-forwards off."""
        turns = self._turns(frequency)
        terms = self.plant.transfer.fractions(turns)
        below, gain, estimate = self._controller(turns, terms.difference)
        forward, command = gain * terms.measured, self.control.position_gain
        return command * forward / (below * terms.denominator + (command + estimate) * forward)

    def follow_velocity(self, frequency: np.ndarray) -> np.ndarray:
        """Gain from the velocity command to the velocity estimate, position loop open."""
        turns = self._turns(frequency)
        terms = self.plant.transfer.fractions(turns)
        below, gain, estimate = self._controller(turns, terms.difference)
        forward = estimate * gain * terms.measured
        return forward / (below * terms.denominator + forward)

    def noise_gain(self) -> dict[str, float]:
        """Rms of each curve for white encoder error of rms 1; the loop must be stable."""
        # H2 norm from the state-space form (see ``ClosedLoop.noise_gain``); beyond 600 states the mean square of the
        # frequency response over the circle, on ever finer even grids until it stands still to 1e-6.
        closed = self.closed(LARGEST_ORDER)
        found = self._circle_means() if closed is None else closed.noise_gain()
        if self.torque_constant is not None:
            found["current"] = found["torque"] / self.torque_constant
        return found

    def _circle_means(self) -> dict[str, float]:
        size, before = FIRST_CIRCLE, None
        while True:
            # halves between the grid points: 0 Hz itself is never hit
            response = self.response((np.arange(size) + 0.5) * (0.5 * self.rate / size))
            found = {name: float(np.sqrt(np.mean(np.abs(getattr(response, name)) ** 2))) for name in CURVES}
            settled = before is not None and all(np.isclose(found[n], before[n], 1e-6, 0.0) for n in STEADY)
            if settled or size >= LARGEST_CIRCLE:
                return found | ({} if self.control.position_gain else {"position": np.inf})
            size, before = 2 * size, found

    def _turns(self, frequency: float | np.ndarray) -> float | np.ndarray:
        turns = np.asarray(frequency, dtype=float) / self.rate
        turns = turns - np.round(turns)
        if not (self.control.position_gain and self.control.velocity_gain):
            turns = np.where(np.abs(turns) < NEAR_ZERO, NEAR_ZERO, turns)
        return turns

    def _controller(self, turns: float | np.ndarray, delta: complex | np.ndarray) -> tuple[Any, ...]:
        """Denominator and numerator from velocity error to torque command, and the estimator's gain."""
        return *self._torque(turns, delta), self.estimator.response(turns * self.rate, self.rate)

    def _torque(self, turns: float | np.ndarray, delta: complex | np.ndarray) -> tuple[Any, ...]:
        """Denominator and numerator from velocity error to torque command."""
        gain = self.control.velocity_gain
        for section in self.filters:
            gain = gain * section.response(turns)
        if self.control.integral_time is None:
            return 1.0, gain
        share = 1.0 / (self.rate * self.control.integral_time)
        return delta, gain * (delta + share * (1.0 + delta))

    def closed(self, largest: int | None = None) -> ClosedLoop:
        """State-space form of the closed loop."""
        parts = Assembly(self)
        return None if largest is not None and parts.order > largest else parts.closed()


def build(axis: Axis, speed: float = 0.0) -> Loop:
    """Linear loop of an axis."""
    # The measured position is late by the latency, the mean age of readings from an encoder or of edges on a clock of
    # their own (half its period) and the lag of the readhead at standstill (1/(2 pi f_b)); readings that are averaged
    # count one by one. Timed edges are the mean filter of that speed (see `EdgeFilter`).
    if not axis.estimator.linear and abs(speed) < axis.resolution * timed_edges.SLOWEST_EDGES:
        unit = f"{axis.scale.unit}/s"
        rule = f"be at least one count a second, {axis.resolution:.4g} {unit}, with a {axis.estimator.kind} estimator"
        refuse("speed", rule, speed, unit, hint="its delay follows from the speed: give one (--speed)")
    return over_speeds(axis, abs(speed), speed)


def over_speeds(axis: Axis, speeds: float | np.ndarray, speed: float = 0.0) -> Loop:
    """Loop of an axis that differs from speed to speed in its timed edges alone."""
    check(axis)
    rate = axis.sampling.rate
    return Loop(
        control=axis.control,
        plant=plant.discretise(axis.load, axis.control, rate, lags=reading_ages(axis), speed=speed),
        rate=rate,
        estimator=_resolved(axis, speeds),
        filters=filter_design.sections(axis.control, rate, speed=speed, pitch=axis.scale.pitch),
        torque_constant=axis.load.torque_constant,
    )


def check(axis: Axis) -> None:
    """Refuse an axis without load or control, or with filters that do not fit its loop rate."""
    for name in ("load", "control"):
        if getattr(axis, name, None) is None:
            refuse(f"Axis.{name}", "be given for a closed loop", None)
    faults = load_and_control.rate_faults(axis.control, axis.sampling.rate)
    if faults:
        raise InputError(*faults)


def _resolved(axis: Axis, speeds: float | np.ndarray) -> EdgeFilter | Estimator:
    """The estimator with the noise of the axis filled in, where the axis says one; timed edges as filter."""
    if not axis.estimator.linear:
        return timed_edges.at_speeds(axis.estimator, speeds, axis.resolution, axis.sampling.rate)
    signal = getattr(axis, "signal", None)
    resolution = getattr(axis, "resolution", None)
    return axis.estimator if resolution is None else axis.estimator.resolved(signal.jitter, resolution)


def reading_ages(axis: Axis) -> tuple[float, ...]:
    """Mean ages of the readings that make one measured position, at the sample, s; clocks of its own included."""
    clock = axis.sampling.encoder_rate or getattr(getattr(axis, "interpolation", None), "edge_clock", None)
    mean = 0.0 if clock is None else 0.5 / clock
    return tuple(age + mean for age in fixed_ages(axis))


def fixed_ages(axis: Axis) -> tuple[float, ...]:
    """Ages of the readings but for those of an encoder or counter on a clock of its own, s."""
    how = axis.sampling
    age = how.latency
    bandwidth = getattr(getattr(axis, "signal", None), "bandwidth", None)
    if bandwidth is not None:
        age += 1.0 / (2.0 * np.pi * bandwidth)
    return tuple(age + j / (how.rate * how.average) for j in range(how.average))
