"""The closed loop as a linear system: its response to encoder errors at any frequency and to white noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, cast

import numpy as np

from ..checks import InputError, refuse
from ..model import filter_design, load_and_control
from ..model.delays import reading_delays
from ..model.edge_timing import TimedEdges
from . import plant, timed_edges
from .plant import Plant
from .state_space import CURVES, Assembly

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.filter_design import FilterSection
    from ..model.load_and_control import Control, Load
    from .state_space import ClosedLoop
    from .timed_edges import EdgeFilter


# Eigenvalues of this many states take about half a second.
LARGEST_ORDER = 600
# Points of the frequency response from which noise gains are computed, at first and at most.
FIRST_POINTS = 1 << 14
MOST_POINTS = 1 << 21
CONVERGING = ("measured", "torque", "actual")
# Without position control the loop at 0 Hz is a limit; this share of the rate stands for it.
NEAR_ZERO = 1e-12


class LoopParts(NamedTuple):
    """Load and control of an axis that has both."""

    load: Load
    control: Control


class LinearEstimator(Protocol):
    """What a loop needs of its estimator: an estimator of sampled positions, or an `EdgeFilter`."""

    def response(self, frequency: np.ndarray, rate: float) -> np.ndarray:
        """Complex gain from position to velocity."""

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1."""


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ErrorResponse:
    """Complex gains of the closed loop, periodic in the loop rate."""

    # S = 1/(1 + L) and T = L S, with L the loop gain
    sensitivity: np.ndarray
    complementary: np.ndarray
    # from an encoder error e: estimate D S e, torque command u = -C S e, load velocity -G_v C S e, load position
    # -G_x C S e, and u over the torque constant (None without one)
    measured: np.ndarray
    torque: np.ndarray
    actual: np.ndarray
    position: np.ndarray
    current: np.ndarray | None


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Parts:
    """Finite terms of a loop without its estimator D: ``1 + L = (base + (K + D) forward)/base``, K position gain."""

    # frequency over loop rate, aliased to -1/2 to 1/2
    cycles: np.ndarray
    base: np.ndarray
    forward: np.ndarray
    # torque command, velocity and position of the load per velocity error, over ``base + (K + D) forward``
    acted: tuple[np.ndarray, ...]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Loop:
    """Linear loop of one axis, with friction and filters taken at one speed."""

    control: Control
    plant: Plant
    # loop rate fs, Hz
    rate: float
    # an `EdgeFilter`, possibly of many speeds, where edges are timed
    estimator: LinearEstimator
    # filters of the torque command
    filters: tuple[FilterSection, ...]
    # torque per ampere
    torque_constant: float | None

    @property
    def memory(self) -> int:
        """Samples that the estimator remembers in its numerator."""
        if isinstance(self.estimator, timed_edges.EdgeFilter):
            return int(np.ceil(np.max(self.estimator.memory)))
        return len(self.estimator.coefficients(self.rate)[0])

    @property
    def edges(self) -> EdgeFilter:
        """The estimator of a loop whose edges are timed."""
        return cast("EdgeFilter", self.estimator)

    @property
    def torque_at_once(self) -> float:
        """Torque command per unit of position, in the sample in which the measured position changes."""
        (first, *_), (below, *_) = self.estimator.coefficients(self.rate)
        gain, time = self.control.position_gain + first / below, self.control.integral_time
        gain *= self.control.velocity_gain * (1.0 if time is None else 1.0 + 1.0 / (self.rate * time))
        for section in self.filters:
            above, under = section.coefficients()
            gain *= above[0] / under[0]
        return float(gain)

    def response(self, frequency: float | np.ndarray) -> ErrorResponse:
        """Gains from an encoder error at some frequencies, Hz."""
        # quotients of finite terms: 0 Hz is no special case
        cycles = self._cycles(frequency)
        terms = self.plant.transfer.fractions(cycles)
        below, gain, estimate = self._controller(cycles, terms.difference)
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
        cycles = self._cycles(frequency)
        terms = self.plant.transfer.fractions(cycles)
        below, gain = self._torque(cycles, terms.difference)
        return Parts(
            cycles=cycles,
            base=below * terms.denominator,
            forward=gain * terms.measured,
            acted=tuple(gain * part for part in (terms.denominator, terms.velocity, terms.position)),
        )

    def open_gain(self, frequency: float | np.ndarray) -> np.ndarray:
        """Loop gain L, broken at the torque command."""
        cycles = self._cycles(frequency)
        terms = self.plant.transfer.fractions(cycles)
        below, gain, estimate = self._controller(cycles, terms.difference)
        command = self.control.position_gain + estimate
        return gain * command * terms.measured / (below * terms.denominator)

    def position_response(self, frequency: np.ndarray) -> np.ndarray:
        """Gain from the position demand to the measured one, feed-forwards off."""
        cycles = self._cycles(frequency)
        terms = self.plant.transfer.fractions(cycles)
        below, gain, estimate = self._controller(cycles, terms.difference)
        forward, command = gain * terms.measured, self.control.position_gain
        return command * forward / (below * terms.denominator + (command + estimate) * forward)

    def velocity_response(self, frequency: np.ndarray) -> np.ndarray:
        """Gain from the velocity command to the velocity estimate, position loop open."""
        cycles = self._cycles(frequency)
        terms = self.plant.transfer.fractions(cycles)
        below, gain, estimate = self._controller(cycles, terms.difference)
        forward = estimate * gain * terms.measured
        return forward / (below * terms.denominator + forward)

    def noise_gain(self) -> dict[str, float]:
        """Rms of each curve for white encoder error of rms 1; the loop must be stable."""
        # H2 norm from the state-space form (see `ClosedLoop.noise_gain`); for more states the frequency response
        closed = self.state_space(LARGEST_ORDER)
        gains = self._noise_gain_of_response() if closed is None else closed.noise_gain()
        if self.torque_constant is not None:
            gains["current"] = gains["torque"] / self.torque_constant
        return gains

    def _noise_gain_of_response(self) -> dict[str, float]:
        """Root of the mean squared gain over all frequencies, on finer and finer grids until it changes by < 1e-6."""
        size, before = FIRST_POINTS, dict.fromkeys(CURVES, np.nan)
        while True:
            # halves between the grid points: 0 Hz itself is never hit
            response = self.response((np.arange(size) + 0.5) * (0.5 * self.rate / size))
            gains = {name: float(np.sqrt(np.mean(np.abs(getattr(response, name)) ** 2))) for name in CURVES}
            converged = all(np.isclose(gains[name], before[name], 1e-6, 0.0) for name in CONVERGING)
            if converged or size >= MOST_POINTS:
                return gains | ({} if self.control.position_gain else {"position": np.inf})
            size, before = 2 * size, gains

    def _cycles(self, frequency: float | np.ndarray) -> np.ndarray:
        """Frequency over loop rate, aliased to -1/2 to 1/2."""
        cycles = np.asarray(frequency, dtype=float) / self.rate
        cycles = cycles - np.round(cycles)
        if not (self.control.position_gain and self.control.velocity_gain):
            cycles = np.where(np.abs(cycles) < NEAR_ZERO, NEAR_ZERO, cycles)
        return cycles

    def _controller(
        self, cycles: np.ndarray, delta: np.ndarray
    ) -> tuple[np.ndarray | float, np.ndarray, np.ndarray]:
        """Denominator and numerator from velocity error to torque command, and the estimator's gain."""
        return *self._torque(cycles, delta), self.estimator.response(cycles * self.rate, self.rate)

    def _torque(self, cycles: np.ndarray, delta: np.ndarray) -> tuple[np.ndarray | float, np.ndarray]:
        """Denominator and numerator from velocity error to torque command."""
        gain: np.ndarray = np.asarray(self.control.velocity_gain)
        for section in self.filters:
            gain = gain * section.response(cycles)
        if self.control.integral_time is None:
            return 1.0, gain
        share = 1.0 / (self.rate * self.control.integral_time)
        return delta, gain * (delta + share * (1.0 + delta))

    def state_space(self, largest: int | None = None) -> ClosedLoop | None:
        """State-space form of the closed loop; None if it has more than ``largest`` states."""
        parts = Assembly(self)
        return None if largest is not None and parts.order > largest else parts.closed()


def build(axis: Axis, speed: float = 0.0) -> Loop:
    """Linear loop of an axis."""
    # The measured position is delayed by the latency, by half a period of an encoder or edge clock of its own, and by
    # the lag of the readhead at standstill, 1/(2 pi f_b); averaged readings count one by one.
    if not axis.estimator.linear and abs(speed) < axis.resolution * timed_edges.SLOWEST_EDGES:
        unit = f"{axis.scale.unit}/s"
        rule = f"be at least one count per second, {axis.resolution:.4g} {unit}, with a {axis.estimator.kind} estimator"
        refuse("speed", rule, speed, unit, hint="its delay follows from the speed: give one (--speed)")
    return build_for_speeds(axis, abs(speed), speed)


def build_for_speeds(axis: Axis, speeds: float | np.ndarray, speed: float = 0.0) -> Loop:
    """Loop of an axis whose timed edges are taken at ``speeds``, friction and filters at ``speed``."""
    load, control = closed(axis)
    rate = axis.sampling.rate
    return Loop(
        control=control,
        plant=plant.discretise(load, control, rate, lags=reading_delays(axis), speed=speed),
        rate=rate,
        estimator=_resolved(axis, speeds),
        filters=filter_design.sections(control, rate, speed=speed, pitch=axis.scale.pitch),
        torque_constant=load.torque_constant,
    )


def closed(axis: Axis) -> LoopParts:
    """Load and control of an axis, refused if one is missing or a filter does not fit the loop rate."""
    load, control = axis.load, axis.control
    if load is None:
        refuse("Axis.load", "be given for a closed loop", None)
    if control is None:
        refuse("Axis.control", "be given for a closed loop", None)
    faults = load_and_control.rate_faults(control, axis.sampling.rate)
    if faults:
        raise InputError(*faults)
    return LoopParts(load, control)


def _resolved(axis: Axis, speeds: float | np.ndarray) -> LinearEstimator:
    """The estimator with the noise of the axis filled in; timed edges as a filter."""
    if isinstance(axis.estimator, TimedEdges):
        return timed_edges.at_speeds(axis.estimator, speeds, axis.resolution, axis.sampling.rate)
    return cast("LinearEstimator", axis.estimator.resolved(axis.signal.jitter, axis.resolution))
