"""Delay of the measured velocity: one definition, which every command and result takes from here."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from .axis import Axis


def fixed_delays(axis: Axis) -> tuple[float, ...]:
    """Delays of the readings without those of an encoder or counter on a clock of its own, s."""
    sampling, bandwidth = axis.sampling, axis.signal.bandwidth
    delay = sampling.latency
    if bandwidth is not None:
        delay += 1.0 / (2.0 * math.pi * bandwidth)
    return tuple(delay + j / (sampling.rate * sampling.average) for j in range(sampling.average))


def reading_delays(axis: Axis) -> tuple[float, ...]:
    """Mean delays of the readings that make one measured position, s; clocks of their own included."""
    clock = axis.sampling.encoder_rate or axis.interpolation.edge_clock
    mean = 0.0 if clock is None else 0.5 / clock
    return tuple(delay + mean for delay in fixed_delays(axis))


def reading_delay(axis: Axis) -> float:
    """Mean delay of a measured position, s."""
    return math.fsum(reading_delays(axis)) / axis.sampling.average


def velocity_delay(axis: Axis, speed: float) -> float:
    """Delay from the true motion to the measured velocity, s; infinite for timed edges at standstill."""
    # Any: a linear estimator's delay depends on the loop rate only, that of timed edges on the motion too
    estimator: Any = axis.estimator
    if estimator.linear:
        own = estimator.resolved(axis.signal.jitter, axis.resolution).delay(axis.sampling.rate)
    else:
        own = estimator.delay(axis.sampling.rate, speed=abs(speed), resolution=axis.resolution)
    return float(own) + reading_delay(axis)


def velocity_delays(axis: Axis, speed: np.ndarray) -> np.ndarray:
    """Delay from the true motion to the measured velocity at each speed, s, shape of ``speed``."""
    if axis.estimator.linear:
        return np.full(speed.shape, velocity_delay(axis, 0.0))
    delays = [velocity_delay(axis, v) for v in speed.ravel().tolist()]
    return np.reshape(delays, speed.shape)
