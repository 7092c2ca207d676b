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
from . import channel_fit, comparison, curve_fit, load_observations, steady_pieces

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .capture import Capture


# ObservedDifferences over these numbers of samples are compared in the open loop.
LAGS = (1, 4)
# Share to which the closed form of a ripple is taken to be right, and a harmonic of the period.
RIGHT, HARMONIC_RIGHT = 2.5e-3, 1e-3
SIGNALS, CONTROL, COGGING = ("signal.", "interpolation.", "sampling."), "control.", "load.cogging."
# Parameters of two masses, and those that mean torques show.
ELASTIC = ("load.motor_inertia", "load.stiffness", "load.damping")
MEAN_TORQUE = (
    "load.inertia",
    "load.viscous",
    "load.coulomb",
    "load.stribeck",
    "load.stribeck_speed",
    "load.force",
)
# Damping that two masses without any are taken to have at first, share of the critical one.
DAMPED = 1e-2
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
class Observed:
    """All observations of some recordings."""

    parts: tuple[Observation, ...]
    ripples: tuple[RipplePoint, ...]
    period: float
    jitter: float
    torque: float
    speed: float
    damping: float = 0.0
    # why the recordings do not show a parameter
    reasons: tuple[str, ...] = ()

    def settled(self, axis: Axis) -> Observed:
        """Those whose uncertainty is what they differ by from an axis with it."""
        parts = tuple(
            part.settled(axis) if isinstance(part, load_observations.ObservedResponse) else part
            for part in self.parts
        )
        return self if parts == self.parts else replace(self, parts=parts)

    def differences(self, axis: Axis) -> np.ndarray:
        """All differences over their uncertainties."""
        return np.concatenate(
            [np.zeros(0 if self.parts else 1), *(part.differences(axis) for part in self.parts)]
        )

    def points(self) -> tuple[RipplePoint, ...]:
        """Measured ripple of the recordings."""
        return self.ripples

    def scale(self, name: str) -> float:
        """Size of a step of a parameter that changes the observations."""
        if name.startswith(COGGING):
            return 1e-2 * self.torque
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
            "load.damping": self.damping,
            "control.position_gain": 1.0,
            "control.integral_time": 1e-2,
        }
        return float(starts.get(name, 0.0))


def observe(
    axis: Axis, captures: Sequence[Capture], names: Iterable[str], *, common: bool = False
) -> Observed:
    """What recordings show of the parts of an axis that are to be fitted."""
    names = list(names)
    parts, reasons = _of_load(axis, captures, names, common)
    ripples, speeds, jitters = [], [0.0], [0.0]
    signals = [name for name in names if name.startswith(SIGNALS)]
    for place, capture in enumerate(captures):
        with steady_pieces.named("fit.captures", place):
            if capture.kind == "channels" and signals:
                parts.append(_channels(capture))
            elif signals:
                periodic = all(name.startswith(PERIODIC) for name in signals)
                recorded, jitter, found = _in_motion(axis, capture, periodic)
                parts += found
                ripples.append(RipplePoint(recorded.speed, recorded.rms, recorded.uncertainty))
                speeds.append(abs(recorded.speed))
                jitters.append(jitter)
    if not parts and not reasons:
        checks.refuse("fit.captures", "show what is to be fitted: hold motion", "none that does")
    reasons = (*steady_pieces.jumped(captures, axis), *reasons)
    means = [part for part in parts if isinstance(part, load_observations.ObservedTorques)]
    speeds += [float(np.abs(part.speed).max()) for part in means]
    torques = [0.0, *(float(np.abs(part.torque).max()) for part in means)]
    torques += [float(np.abs(c.torque).max()) for c in captures if c.torque is not None and not means]
    largest, fastest = max(torques) or 1.0, max(speeds) or 1.0
    damping = 0.0
    if axis.load is not None and axis.load.stiffness is not None:
        damping = 2.0 * DAMPED * float(np.sqrt(axis.load.stiffness * axis.load.inertia))
    return Observed(
        tuple(parts), tuple(ripples), axis.scale.pitch, max(jitters), largest, fastest, damping, reasons
    )


def _of_load(
    axis: Axis, captures: Sequence[Capture], names: Sequence[str], common: bool
) -> tuple[list[Observation], tuple[str, ...]]:
    """What the recordings show of the load, and why they do not show a part of it."""
    parts: list[Observation] = []
    elastic = any(name in ELASTIC for name in names)
    orders = [float(name.removeprefix(COGGING)) for name in names if name.startswith(COGGING)]
    if elastic and (axis.load is None or axis.load.stiffness is None):
        checks.refuse("fit.axis", "have a load of two masses, with a first guess of its stiffness", None)
    if orders and (elastic or "load.inertia" in names):
        rule = "name cogging apart from inertia and stiffness, which it is computed with"
        checks.refuse("fit.free", rule, ", ".join(names))
    reasons: tuple[str, ...] = ()
    if orders:
        found, reason = load_observations.cogging(axis, captures, orders, common=common)
        parts += found
        reasons = (f"the recordings do not show the cogging: {reason}",) if reason else ()
    mean, steered = bool(set(names) & set(MEAN_TORQUE)), any(name.startswith(CONTROL) for name in names)
    for place, capture in enumerate(captures if elastic or mean or steered else ()):
        found_in: list[Observation | None] = []
        with steady_pieces.named("fit.captures", place):
            if load_observations.moves(axis, capture):
                found_in += [load_observations.response(axis, capture)] if elastic else []
                found_in += [load_observations.torques(axis, capture)] if mean else []
                found_in += load_observations.control(axis, capture) if steered else []
        shown = [part for part in found_in if part is not None]
        if not shown and not any(name.startswith(SIGNALS) for name in names):
            rule = "show what is to be fitted: hold torque, in motion that does not turn round or rest"
            checks.refuse(f"fit.captures[{place}]", rule, f"{capture.samples} samples")
        parts += shown
    return parts, reasons


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
