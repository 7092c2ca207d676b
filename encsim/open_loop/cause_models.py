"""What each cause adds to the velocity at many speeds: the part that all models share. Lengths are in signal periods.

A model gives the mean squares of the increments of the position over a lag, cause by cause: `table_model` where the
error of a period is the same at every speed, `line_model` where it is not or where the counts are too fine for a table,
`engines` for estimators that time the edges of the counts. Here they become mean squares of the velocity.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import lru_cache
from typing import TYPE_CHECKING, cast

import numpy as np

from ..rings.error_orders import turn_lines
from . import causes, period_error, quantisation

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.linear_estimator import Linear


BLOCK = 1 << 20
TAU = period_error.TAU


def own_clock(axis: Axis) -> float | None:
    """Rate of the clock by which positions are sampled, Hz; None where the loop samples them."""
    return axis.sampling.encoder_rate or axis.interpolation.edge_clock


def resolved(axis: Axis) -> Linear:
    """The linear estimator with all that it takes from the axis filled in."""
    return cast("Linear", axis.estimator.resolved(axis.signal.jitter, axis.resolution))


@lru_cache(maxsize=64)
def pairs(estimator: Linear, rate: float) -> tuple[np.ndarray, np.ndarray]:
    """Lags in samples, and the weights of their mean square increments in the mean square velocity, 1/s2."""
    return estimator.increment_weights(rate)


def lags(axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    """Weights, 1/s2, and lags, s, of the increments in the velocity; an encoder's own clock mixes two whole lags."""
    rate, clock = axis.sampling.rate, own_clock(axis)
    step, weight = pairs(resolved(axis), rate)
    if clock is None:
        return weight, step / rate
    whole, rest = np.divmod(step / rate * clock, 1.0)
    weight = np.stack([weight * (1.0 - rest), weight * rest], axis=-1).ravel()
    lag = np.stack([whole, whole + 1.0], axis=-1).ravel() / clock
    there = (weight != 0.0) & (lag > 0.0)
    return weight[there], lag[there]


def _age(axis: Axis, clock: float) -> float:
    """Mean square that the sawtooth of the reading's age adds, per squared speed."""
    rate = axis.sampling.rate
    step, weight = pairs(resolved(axis), rate)
    rest = step / rate * clock % 1.0
    return float((weight * rest * (1.0 - rest)).sum()) / clock**2


def line_gain(axis: Axis, frequency: np.ndarray) -> np.ndarray:
    """Gain of a linear estimator from position to velocity, 1/s; rms over the lags that the encoder's clock mixes."""
    if own_clock(axis) is None:
        return np.abs(resolved(axis).response(frequency, axis.sampling.rate))
    weight, lag = lags(axis)
    frequency = np.asarray(frequency)
    square = np.zeros(frequency.size)
    size = max(1, BLOCK // max(frequency.size, 1))
    for first in range(0, weight.size, size):
        some = slice(first, first + size)
        square += weight[some] @ np.sin(np.pi * np.multiply.outer(lag[some], frequency.ravel())) ** 2
    # Without the weights that `pairs` leaves out the sum may be negative where large weights cancel.
    return 2.0 * np.sqrt(np.maximum(square.reshape(frequency.shape), 0.0))


class Model(ABC):
    """What all models share: the lags of the estimator, Gaussian causes, an own clock of the encoder."""

    method = ""
    # Number of pairs of lag and speed that are computed together.
    together = 1
    # Whether the circle of the two channels encloses zero at all speeds asked for.
    sound: bool

    def __init__(self, axis: Axis) -> None:
        self.axis = axis
        self.pitch = axis.scale.pitch
        self.clock = own_clock(axis)

    @abstractmethod
    def has_lines(self) -> bool:
        """Whether the error of a period has harmonics."""

    @abstractmethod
    def noise_gain(self, speed: np.ndarray) -> float | np.ndarray:
        """Position noise for 1 unit of channel noise, periods."""

    @abstractmethod
    def complex_lines(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and complex amplitudes (periods) of the harmonics, shapes (n,) and (speeds or 1, n)."""

    def line_sizes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and amplitudes (position units) of the harmonics, shapes (n,) and (speeds or 1, n)."""
        orders, lines = self.complex_lines(speed)
        return orders, self.pitch * np.abs(lines)

    @abstractmethod
    def at_lags(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of increments by cause over some lags, shape (lags, speeds), periods squared."""

    def parts(self, speed: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of the velocity by cause; periods and seconds."""
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        weight, seconds = lags(self.axis)
        size = max(1, self.together // max(speed.size, 1))
        for first in range(0, weight.size, size):
            some = slice(first, first + size)
            of_lags = self.at_lags(speed, seconds[some])
            for cause in squares.keys() & of_lags.keys():
                squares[cause] += weight[some] @ of_lags[cause]
        if self.clock is not None:
            squares["age"] = (speed / self.pitch) ** 2 * _age(self.axis, self.clock)
        return self.with_independent(squares, speed)

    def with_independent(self, squares: dict[str, np.ndarray], speed: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares by cause with those that neither quantisation nor noise changes: ring and registered causes."""
        orders, _, made = turn_lines(self.axis)
        if orders.size:
            gain = self.gain(np.multiply.outer(speed / self.pitch, orders), speed)
            squares["ring"] = 0.5 * gain**2 @ np.abs(made) ** 2
        added = causes.added_squares(self.axis, speed)
        return squares | {cause: square * self.white_gain(speed) for cause, square in added.items()}

    def white_gain(self, speed: np.ndarray) -> float | np.ndarray:
        """Squared gain from white position noise to velocity, 1/s2."""
        return 2.0 * float(lags(self.axis)[0].sum())

    def ring_half_range(self, speed: np.ndarray) -> np.ndarray:
        """Half of (maximum - minimum) over a revolution of what the ring's mounting makes, periods per second."""
        per_period, whole, lines = turn_lines(self.axis)
        gain = self.cyclic_gain(np.multiply.outer(speed / self.pitch, per_period), speed)
        return _half_range(lines * gain, whole)

    def cyclic_gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Complex gain for harmonics of these frequencies from position to velocity, 1/s."""
        return resolved(self.axis).response(frequency, self.axis.sampling.rate)

    def named(self) -> list[str]:
        """Keys of the causes that this axis has."""
        signal, how, sampling = self.axis.signal, self.axis.interpolation, self.axis.sampling
        present = {
            "sde": self.has_lines(),
            "adc": how.bits,
            "resolution": how.factor,
            "jitter": signal.jitter,
            "noise": signal.noise,
            "clock": sampling.jitter,
            "age": self.clock,
            "ring": turn_lines(self.axis)[0].size,
        }
        return causes.of_axis(self.axis, present)

    def spread(self, speed: np.ndarray, seconds: float | np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of the Gaussian part of an increment by cause, periods squared."""
        signal, sampling = self.axis.signal, self.axis.sampling
        kept: float | np.ndarray = 0.0
        if signal.jitter_bandwidth is not None:
            kept = np.exp(-TAU * signal.jitter_bandwidth * seconds)
        squares = {
            "jitter": 2.0 * (signal.jitter / self.pitch) ** 2 * (1.0 - kept) + 0.0 * speed,
            "noise": 2.0 * (signal.noise * self.noise_gain(speed)) ** 2 + 0.0 * speed,
            "clock": 2.0 * (speed * sampling.jitter / self.pitch) ** 2,
        }
        return {cause: squares[cause] for cause in self.named() if cause in squares}

    def noisy(self, speed: np.ndarray, seconds: float | np.ndarray) -> np.ndarray:
        """Rms of the Gaussian part of an increment, periods."""
        return np.sqrt(sum(self.spread(speed, seconds).values()) + 0.0 * speed)

    def held_still(self, speed: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """Where hysteresis alone sets the counts: 1 quiet (no toggling), 0 as without it, -1 unknown."""
        how = self.axis.interpolation
        if how.factor is None or how.hysteresis == 0.0:
            return np.zeros(speed.shape, dtype=int)
        counts = speed / self.pitch * how.factor / (self.clock or self.axis.sampling.rate)
        sigma = spread * how.factor / np.sqrt(2.0)
        quiet = (how.hysteresis >= 10.0 * sigma) & (counts < 1.0)
        free = (sigma == 0.0) | (counts > how.hysteresis + 1.0 + 6.0 * sigma)
        return np.where(free, 0, np.where(quiet, 1, -1))

    def gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Gain for harmonics of these frequencies from position to velocity, 1/s."""
        return line_gain(self.axis, frequency)

    def strongest(self, speed: np.ndarray) -> np.ndarray:
        """Frequency of the harmonic with the largest velocity amplitude, Hz; NaN where there is none."""
        orders, size = self.line_sizes(speed)
        part, _, mounted = turn_lines(self.axis)
        if orders.size + part.size == 0:
            return np.full(speed.shape, np.nan)
        rows = [
            np.broadcast_to(sizes, (speed.size, sizes.shape[-1]))
            for sizes in (size, self.pitch * np.abs(mounted))
        ]
        orders, size = np.concatenate([orders, part]), np.concatenate(rows, axis=-1)
        frequency = np.multiply.outer(speed / self.pitch, orders)
        amplitude = size * self.gain(frequency, speed)
        largest = amplitude.argmax(axis=-1)
        return np.where(speed > 0.0, np.take_along_axis(frequency, largest[:, None], axis=-1)[:, 0], 0.0)


def with_scattered(scattered: np.ndarray, spread: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Mean squares of the Gaussian causes, with what they scatter of the harmonics divided in the same ratio."""
    total = sum(spread.values()) if spread else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            cause: square + np.where(total > 0.0, scattered * (square / total), 0.0)
            for cause, square in spread.items()
        }


def counted(factor: int, lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """What quantisation adds to an increment, periods squared."""
    return quantisation.counted(lag * factor, spread * factor) / factor**2


def over_grid(made: np.ndarray, orders: np.ndarray, points: int) -> np.ndarray:
    """Real function with these complex harmonics, on an even grid over the period."""
    full = np.zeros((made.shape[0], points // 2 + 1), dtype=complex)
    full[:, orders] = made * (0.5 * points)
    return np.fft.irfft(full, points, axis=-1)


def _half_range(made: np.ndarray, orders: np.ndarray) -> np.ndarray:
    """Half of (maximum - minimum) over the period of harmonics (speeds, orders), refined between grid points."""
    if orders.size == 0:
        return np.zeros(made.shape[0])
    if orders.size == 1:
        return np.abs(made[:, 0])
    points = 1 << int(np.ceil(np.log2(max(8 * orders.max(), 64))))
    half = np.empty(made.shape[0])
    size = max(1, BLOCK // points)
    for first in range(0, half.size, size):
        part = slice(first, first + size)
        w = over_grid(made[part], orders, points)
        half[part] = 0.5 * (_crest(w) + _crest(-w))
    return half


def _crest(w: np.ndarray) -> np.ndarray:
    """Maximum of each row, by a parabola through the largest value and its neighbours."""
    rows, top, points = np.arange(w.shape[0]), w.argmax(axis=-1), w.shape[-1]
    here, left, right = w[rows, top], w[rows, top - 1], w[rows, (top + 1) % points]
    bend = 2.0 * here - left - right
    with np.errstate(divide="ignore", invalid="ignore"):
        return here + np.where(bend > 0.0, (right - left) ** 2 / (8.0 * bend), 0.0)
