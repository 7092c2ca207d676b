"""What a fit compares: harmonics, differences, channels and torques of recordings, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from .. import checks
from ..calibration.angle_fit import TAU
from ..model.estimators import Difference
from ..open_loop.closed_form import ripple
from ..open_loop.period_error import averaged, error_on_grid, grid_size, lead, position_error
from . import channel_fit, comparison, curve_fit, steady_pieces

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Load
    from .capture import Capture


# ObservedDifferences over these numbers of samples are compared in the open loop.
LAGS = (1, 4)
# Share to which the closed form of a ripple is taken to be right, and a harmonic of the period.
RIGHT, HARMONIC_RIGHT = 2.5e-3, 1e-3
# Torque is averaged over this many windows of a recording; slower than this share of the fastest is standstill.
WINDOWS, STANDSTILL = 60, 1e-3
FEWEST_IN_WINDOW = 8
# Speeds that vary by less than this share are one; scatter of the mean torque is read from so many blocks.
STEADY, STEADY_BLOCKS = 0.05, 8
# Share of the torque to which inertia and friction describe it, and median deviations beyond which they do not.
TORQUE_RIGHT, OUTLYING = 1e-3, 6.0
# Mean sign of the speed from which on a recording counts as one in one direction.
ONE_WAY = 0.7
SIGNALS = ("signal.", "interpolation.", "sampling.")
# Parameters that harmonics alone show.
PERIODIC = ("signal.offset", "signal.gain", "signal.phase", "signal.harmonics", "signal.sde")


class RipplePoint(NamedTuple):
    """Measured ripple of one recording, for pictures: speed, rms, uncertainty."""

    speed: float
    rms: float
    uncertainty: float


class Observation(Protocol):
    """One kind of observation of one recording."""

    def differences(self, axis: Axis) -> np.ndarray:
        """Observed less predicted over the uncertainty."""


@dataclass(frozen=True, slots=True, eq=False)
class ObservedHarmonics:
    """Complex harmonics of the position error in motion at one speed."""

    speed: float
    orders: np.ndarray
    amplitude: np.ndarray
    uncertainty: np.ndarray

    def differences(self, axis: Axis) -> np.ndarray:
        """Real and imaginary parts."""
        error = position_error(axis, self.speed)
        # The recorded angle holds the mean of the error and the lag too, the phase of the harmonics does not.
        grid = error_on_grid(axis, self.speed, grid_size(axis, self.speed))[0]
        mean = float(np.mean(grid)) + float(lead(averaged(axis, self.speed)))
        phases = error.angle - TAU * mean * error.harmonic
        known = dict(zip(error.harmonic.tolist(), error.amplitude * np.exp(1j * phases), strict=True))
        predicted = np.array([known.get(int(n), 0.0) for n in self.orders], dtype=complex)
        frequency = self.orders * self.speed / axis.scale.pitch
        if comparison.is_closed(axis):
            predicted = predicted * steady_pieces.sensitivity(axis, frequency, self.speed)
        size = np.hypot(self.uncertainty, HARMONIC_RIGHT * np.abs(self.amplitude))
        off = (self.amplitude - predicted) / size
        return np.concatenate([off.real, off.imag])


@dataclass(frozen=True, slots=True, eq=False)
class ObservedDifferences:
    """Rms of differences of the position over some samples, as velocities; of the estimate in a closed loop."""

    speed: float
    lags: tuple[int, ...]
    rms: np.ndarray
    uncertainty: np.ndarray

    def differences(self, axis: Axis) -> np.ndarray:
        """Logarithms of the ratios over their uncertainty."""
        if comparison.is_closed(axis):
            predicted = np.array([comparison.predicted_ripple(axis, self.speed)[0]])
        else:
            axes = [replace(axis, estimator=Difference(lag)) for lag in self.lags]
            predicted = np.array([float(ripple(one, abs(self.speed)).rms) for one in axes])
        floor = 1e-9 * self.rms.max(initial=0.0) + np.finfo(float).tiny
        ratio = np.log(np.maximum(self.rms, floor) / np.maximum(predicted, floor))
        return np.asarray(ratio / np.hypot(RIGHT, self.uncertainty / np.maximum(self.rms, floor)))


@dataclass(frozen=True, slots=True, eq=False)
class ObservedChannels:
    """Errors of two recorded channels, of unit amplitude."""

    names: tuple[str, ...]
    values: np.ndarray
    uncertainty: np.ndarray

    def differences(self, axis: Axis) -> np.ndarray:
        """Of each error that was identified."""
        signal, share = axis.signal, axis.signal.amplitude
        known = {
            "offset.0": signal.offset[0] / share,
            "offset.1": signal.offset[1] / share,
            "gain": signal.gain,
            "phase": signal.phase,
            "noise": signal.noise / share,
            **{f"harmonics.{n}": signal.harmonics.get(n, 0.0) for n in curve_fit.ORDERS},
        }
        return np.asarray((self.values - np.array([known[name] for name in self.names])) / self.uncertainty)


@dataclass(frozen=True, slots=True, eq=False)
class ObservedTorques:
    """Mean torque, speed and acceleration in windows of a recording."""

    torque: np.ndarray
    speed: np.ndarray
    acceleration: np.ndarray
    uncertainty: float

    def differences(self, axis: Axis) -> np.ndarray:
        """Of the torque that inertia and friction need."""
        assert axis.load is not None
        return (self.torque - needed(axis.load, self.speed, self.acceleration)) / self.uncertainty


def needed(load: Load, speed: np.ndarray, acceleration: np.ndarray) -> np.ndarray:
    """Torque for a motion: inertia, friction, less the constant force in its direction."""
    dry = np.full_like(speed, load.coulomb)
    if load.stribeck and load.stribeck_speed is not None:
        dry += load.stribeck * np.exp(-np.minimum((speed / load.stribeck_speed) ** 2, 700.0))
    return load.total_inertia * acceleration + load.viscous * speed + np.sign(speed) * dry - load.force


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """All observations of some recordings."""

    parts: tuple[Observation, ...]
    ripples: tuple[RipplePoint, ...]
    period: float
    jitter: float
    torque: float
    speed: float

    def differences(self, axis: Axis) -> np.ndarray:
        """All differences over their uncertainties."""
        return np.concatenate([part.differences(axis) for part in self.parts])

    def points(self) -> tuple[RipplePoint, ...]:
        """Measured ripple of the recordings."""
        return self.ripples

    def scale(self, name: str) -> float:
        """Size of a step of a parameter that changes the observations."""
        if name.startswith(("signal.sde.", "signal.jitter")) and name != "signal.jitter_bandwidth":
            return 1e-3 * self.period
        sizes = {
            "load.viscous": self.torque / self.speed,
            "load.coulomb": self.torque,
            "load.stribeck": self.torque,
            "load.force": self.torque,
            "signal.skew": 1e-3 * self.period / self.speed,
            "sampling.jitter": 1e-3 * self.period / self.speed,
            "interpolation.hysteresis": 1.0,
        }
        return max(float(sizes.get(name, 1e-2)), np.finfo(float).tiny)

    def guess(self, name: str) -> float:
        """Start of a parameter that the axis does not have: zero is a point from which squares do not move."""
        starts = {
            "signal.jitter": self.jitter,
            "signal.noise": self.jitter * 2.0 * np.pi / self.period,
            "sampling.jitter": self.jitter / self.speed,
            "signal.jitter_bandwidth": 1e3,
            "signal.bandwidth": 1e2 * self.speed / self.period,
            "load.stribeck": 0.1 * self.torque,
            "load.stribeck_speed": 0.3 * self.speed,
            "load.coulomb": 0.5 * self.torque,
        }
        return float(starts.get(name, 0.0))


def observe(axis: Axis, captures: Sequence[Capture], names: Iterable[str]) -> Observed:
    """What recordings show of the parts of an axis that are to be fitted."""
    names = list(names)
    signals = [name for name in names if name.startswith(SIGNALS)]
    wanted_signal = bool(signals)
    wanted_load = any(name.startswith("load.") for name in names)
    parts: list[Observation] = []
    ripples, torques, speeds, jitters = [], [0.0], [0.0], [0.0]
    for capture in captures:
        if capture.kind == "channels" and wanted_signal:
            parts.append(_channels(capture))
        elif wanted_signal:
            periodic = all(name.startswith(PERIODIC) for name in signals)
            recorded, jitter, found = _in_motion(axis, capture, periodic)
            parts += found
            ripples.append(RipplePoint(recorded.speed, recorded.rms, recorded.uncertainty))
            speeds.append(abs(recorded.speed))
            jitters.append(jitter)
        if wanted_load:
            torque = _torques(axis, capture)
            if torque is not None:
                parts.append(torque)
                torques.append(float(np.abs(torque.torque).max()))
                speeds.append(float(np.abs(torque.speed).max()))
    if not parts or (wanted_load and not any(isinstance(part, ObservedTorques) for part in parts)):
        needs = "torque" if wanted_load else "motion"
        checks.refuse(
            "fit.captures", f"show what is to be fitted: hold {needs}", f"{len(captures)} recordings"
        )
    largest = (max(values) or 1.0 for values in (torques, speeds))
    return Observed(tuple(parts), tuple(ripples), axis.scale.pitch, max(jitters), *largest)


def _in_motion(
    axis: Axis, capture: Capture, periodic: bool
) -> tuple[comparison.RecordedRipple, float, list[Observation]]:
    """ObservedHarmonics and differences of one recording in motion."""
    recorded = comparison.recorded_ripple(axis, capture)
    parts: list[Observation] = []
    fit, jitter = recorded.cyclic, 0.0
    if fit is not None and len(fit.orders):
        kept = fit.separable
        errors = np.hypot(fit.uncertainty[kept], recorded.rounding)
        parts.append(
            ObservedHarmonics(recorded.speed, np.array(fit.orders)[kept], fit.amplitude[kept], errors)
        )
        jitter = float(np.std(fit.residual))
    if periodic and parts:
        return recorded, jitter, parts
    if comparison.is_closed(recorded.axis) or fit is None:
        sizes = np.array([recorded.rms]), np.array([recorded.uncertainty])
        parts.append(ObservedDifferences(recorded.speed, (1,), *sizes))
        return recorded, jitter, parts
    position = steady_pieces.in_position_unit(capture, axis)
    lags = [lag for lag in LAGS if lag < len(position) // 4]
    axes = [replace(recorded.axis, estimator=Difference(lag)) for lag in lags]
    ripples = [comparison.recorded_ripple(one, capture) for one in axes]
    rms, error = np.array([one.rms for one in ripples]), np.array([one.uncertainty for one in ripples])
    # Differences over several lags hold the same noise: together they count as one with all its chance would.
    parts.append(ObservedDifferences(recorded.speed, tuple(lags), rms, error * np.sqrt(len(lags))))
    return recorded, jitter, parts


def _channels(capture: Capture) -> ObservedChannels:
    """Identified errors of two channels."""
    found = channel_fit.identify(capture, steady=True)
    if found.signal is None:
        checks.refuse(
            "fit.captures", f"hold two channels that can be identified ({found.reasons[0]})", capture
        )
    signal, error = found.signal, found.uncertainty
    values = {
        "offset.0": (signal.offset[0], error["offset"][0]),
        "offset.1": (signal.offset[1], error["offset"][1]),
        "gain": (signal.gain, error["gain"]),
        "phase": (signal.phase, error["phase"]),
        "noise": (signal.noise, error["noise"]),
        **{f"harmonics.{n}": (size, error["harmonics"][n]) for n, size in signal.harmonics.items()},
    }
    floor = np.finfo(float).tiny
    sizes = np.array([max(float(value[1]), floor) for value in values.values()])
    return ObservedChannels(tuple(values), np.array([float(value[0]) for value in values.values()]), sizes)


def _torques(axis: Axis, capture: Capture) -> ObservedTorques | None:
    """Mean torques of a recording; None without torque or motion."""
    torque = steady_pieces.in_torque_unit(capture, axis)
    if torque is None:
        return None
    position, rate = steady_pieces.in_position_unit(capture, axis), steady_pieces.sampled_at(capture, axis)
    mean, speed, acceleration = _windows(torque, position, rate, WINDOWS)
    if np.ptp(speed) < STEADY * np.abs(speed).mean():
        # At one speed the whole recording counts as one: within a window cyclic errors look like acceleration.
        blocks, speeds, _ = _windows(torque, position, rate, STEADY_BLOCKS)
        error = float(np.std(blocks)) / np.sqrt(STEADY_BLOCKS) + TORQUE_RIGHT * abs(float(np.mean(torque)))
        mean, speed, _ = _windows(torque, position, rate, 1)
        slope = float(np.polyfit(np.arange(len(speeds)), speeds, 1)[0]) * rate * len(speeds) / len(position)
        return ObservedTorques(mean, speed, np.array([slope]), error)
    moving = np.abs(speed) > STANDSTILL * np.abs(speed).max(initial=0.0)
    rows = np.stack([mean, speed, acceleration])[:, moving]
    columns = np.stack([np.ones_like(rows[0]), rows[1], rows[2], np.sign(rows[1])], axis=1)
    if abs(np.mean(np.sign(rows[1]))) > ONE_WAY:
        columns = columns[:, :3]
    columns = columns / np.maximum(np.abs(columns).max(axis=0), np.finfo(float).tiny)
    kept = np.ones(len(columns), dtype=bool)
    # Windows in which the acceleration jumps say nothing of it: two rounds leave them out.
    for _ in range(3):
        values, *_ = np.linalg.lstsq(columns[kept], rows[0][kept], rcond=1e-9)
        left = rows[0] - columns @ values
        kept = np.abs(left) <= OUTLYING * np.median(np.abs(left[kept]))
    if np.count_nonzero(kept) < 8:
        return None
    error = float(np.std(left[kept])) + TORQUE_RIGHT * float(np.abs(rows[0]).max())
    return ObservedTorques(rows[0][kept], rows[1][kept], rows[2][kept], error)


def _windows(torque: np.ndarray, position: np.ndarray, rate: float, count: int) -> tuple[np.ndarray, ...]:
    """Mean torque, speed and acceleration in windows of equal length."""
    size = max(FEWEST_IN_WINDOW, len(position) // count)
    count = len(position) // size
    time = (np.arange(size) - 0.5 * (size - 1)) / rate
    pieces = position[: count * size].reshape(count, size)
    curve = np.polynomial.polynomial.polyfit(time, (pieces - pieces[:, :1]).T, 2)
    mean = torque[: count * size].reshape(count, size).mean(axis=1)
    return mean, curve[1], 2.0 * curve[2]
