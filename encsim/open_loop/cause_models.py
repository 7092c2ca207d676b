"""What the increments of the shown position are made of, cause by cause, at many speeds.

Two engines answer for one lag: :class:`TableModel` where the error of a period is the same at every speed,
:class:`LineModel` where it is not or counts are too fine for a table. Lengths are in signal periods.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..rings.error_orders import turn_lines
from . import causes, period_error, quantisation, structure_function

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator


SHARE_POINTS = 1 << 18
BLOCK = 1 << 20
# Numbers that stay in the cache between steps.
SMALL_BLOCK = 1 << 14
# Averaged over whole periods nothing is left of the signals; far above the top speed by then, the noise stays finite.
FAINTEST = 1e-6
TAU = period_error.TAU


def own_clock(axis: Axis) -> float | None:
    """Rate of the clock on which positions are taken, Hz, or None where the loop takes them itself."""
    return axis.sampling.encoder_rate or axis.interpolation.edge_clock


def resolved(axis: Axis) -> Estimator:
    """The estimator with what it takes from the axis filled in."""
    return axis.estimator.resolved(axis.signal.jitter, axis.resolution)


@lru_cache(maxsize=64)
def pairs(estimator: Estimator, rate: float) -> tuple[np.ndarray, np.ndarray]:
    """What the mean square of a velocity takes of the mean squares of increments over j samples."""
    return estimator.increment_weights(rate)


def lags(axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    """Weights, 1/s2, and lags, s, of the increments that make the velocity; an own clock mixes two whole lags."""
    rate, clock = axis.sampling.rate, own_clock(axis)
    step, weight = pairs(resolved(axis), rate)
    if clock is None:
        return weight, step / rate
    whole, rest = np.divmod(step / rate * clock, 1.0)
    weight = np.stack([weight * (1.0 - rest), weight * rest], axis=-1).ravel()
    lag = np.stack([whole, whole + 1.0], axis=-1).ravel() / clock
    there = (weight != 0.0) & (lag > 0.0)
    return weight[there], lag[there]


def _age(axis: Axis) -> float:
    """Mean square of the age of a sawtooth by an own clock, per squared speed."""
    rate, clock = axis.sampling.rate, own_clock(axis)
    steps_, weight = pairs(resolved(axis), rate)
    rest = steps_ / rate * clock % 1.0
    return float((weight * rest * (1.0 - rest)).sum()) / clock**2


def line_gain(axis: Axis, frequency: np.ndarray) -> np.ndarray:
    """Gain of a linear estimator from position to velocity, 1/s; rms over the lags that an own clock mixes."""
    if own_clock(axis) is None:
        return np.abs(resolved(axis).response(frequency, axis.sampling.rate))
    weight, lag = lags(axis)
    frequency, square = np.asarray(frequency), 0.0
    size = max(1, BLOCK // max(frequency.size, 1))
    for first in range(0, weight.size, size):
        some = slice(first, first + size)
        square = square + weight[some] @ np.sin(np.pi * np.multiply.outer(lag[some], frequency.ravel())) ** 2
    square = square.reshape(frequency.shape)
    # the weights that `pairs` leaves out may let it fall below zero where large ones cancel
    return 2.0 * np.sqrt(np.maximum(square, 0.0))


class Model:
    """What both engines share: lags, the spread by cause, the mixing of an own clock."""

    method = ""
    # How many pairs of lag and speed are worth computing in one go.
    together = 1

    def __init__(self, axis: Axis) -> None:
        self.axis = axis
        self.pitch = axis.scale.pitch
        self.clock = own_clock(axis)

    def parts(self, speed: np.ndarray) -> tuple[Any, ...]:
        """Mean squares of the velocity by cause, half range of its cyclic part; periods and seconds."""
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        weight, seconds = lags(self.axis)
        size = max(1, self.together // max(speed.size, 1))
        for first in range(0, weight.size, size):
            some = slice(first, first + size)
            found = self.at_lags(speed, seconds[some])
            for cause in squares.keys() & found.keys():
                squares[cause] += weight[some] @ found[cause]
        if self.clock is not None:
            squares["age"] = (speed / self.pitch) ** 2 * _age(self.axis)
        return self.with_independent(squares, speed), self.half_range(speed)

    def with_independent(self, squares: dict[Any, np.ndarray], speed: np.ndarray) -> dict[Any, np.ndarray]:
        """Mean squares by cause with those that neither counting nor noise can change: ring and registered causes."""
        orders, _, made = turn_lines(self.axis)
        if orders.size:
            gain = self.gain(np.multiply.outer(speed / self.pitch, orders), speed)
            squares["ring"] = 0.5 * gain**2 @ np.abs(made) ** 2
        added = causes.added_squares(self.axis, speed)
        return squares | {cause: square * self.white_gain(speed) for cause, square in added.items()}

    def white_gain(self, speed: np.ndarray) -> float | np.ndarray:
        """Squared gain from white position noise to velocity, 1/s2."""
        return 2.0 * float(lags(self.axis)[0].sum())

    def at_lags(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of increments by cause over some lags, shape (lags, speeds), periods squared."""
        shape = (seconds.size, speed.size)
        found = self.at_lag(np.tile(speed, seconds.size), np.repeat(seconds, speed.size))
        return {cause: np.reshape(square + np.zeros(shape).ravel(), shape) for cause, square in found.items()}

    def half_range(self, speed: np.ndarray) -> np.ndarray:
        """Half of maximum less minimum of the cyclic part of the velocity over all starts, periods a second."""
        orders, made = self.complex_lines(speed)
        both = [(orders, orders, made), turn_lines(self.axis)]
        rate = speed / self.pitch
        return sum(
            _half_range(lines * self.cyclic_gain(np.multiply.outer(rate, a_period), speed), whole)
            for a_period, whole, lines in both
        )

    def cyclic_gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Complex gain of lines of these frequencies from position to velocity, 1/s."""
        return resolved(self.axis).response(frequency, self.axis.sampling.rate)

    def named(self) -> list[str]:
        """Names of the parts that this axis has."""
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

    def spread(self, speed: np.ndarray, seconds: float | np.ndarray) -> dict[Any, np.ndarray]:
        """Mean squares of the Gaussian part of a lag by cause, periods squared."""
        signal, sampling = self.axis.signal, self.axis.sampling
        kept = 0.0
        if signal.jitter_bandwidth is not None:
            kept = np.exp(-TAU * signal.jitter_bandwidth * seconds)
        found = {
            "jitter": 2.0 * (signal.jitter / self.pitch) ** 2 * (1.0 - kept) + 0.0 * speed,
            "noise": 2.0 * (signal.noise * self.noise_gain(speed)) ** 2 + 0.0 * speed,
            "clock": 2.0 * (speed * sampling.jitter / self.pitch) ** 2,
        }
        return {cause: found[cause] for cause in self.named() if cause in found}

    def noisy(self, speed: np.ndarray, seconds: float) -> np.ndarray:
        """Rms of the Gaussian part of a lag, periods."""
        return np.sqrt(sum(self.spread(speed, seconds).values()) + 0.0 * speed)

    def held_still(self, speed: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """Where hysteresis alone sets the counts: 1 quiet (no toggling), 0 as without it, -1 unknown."""
        how = self.axis.interpolation
        if how.hysteresis == 0.0:
            return np.zeros(speed.shape, dtype=int)
        counts = speed / self.pitch * how.factor / (self.clock or self.axis.sampling.rate)
        sigma = spread * how.factor / np.sqrt(2.0)
        quiet = (how.hysteresis >= 10.0 * sigma) & (counts < 1.0)
        free = (sigma == 0.0) | (counts > how.hysteresis + 1.0 + 6.0 * sigma)
        return np.where(free, 0, np.where(quiet, 1, -1))

    def gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Gain of lines of these frequencies from position to velocity, 1/s."""
        return line_gain(self.axis, frequency)

    def magnitudes(self, speed: np.ndarray) -> float:
        """Sum of the magnitudes of the estimator's weights, 1/s."""
        return float(np.abs(resolved(self.axis).weights(self.axis.sampling.rate)).sum())

    def strongest(self, speed: np.ndarray) -> np.ndarray:
        """Frequency of the line with the largest velocity amplitude, Hz; NaN where there is none."""
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


def _shared(scattered: np.ndarray, spread: dict[Any, np.ndarray]) -> dict[Any, np.ndarray]:
    """Gaussian part and what it scatters of the lines, shared by the causes as their mean squares."""
    total = sum(spread.values()) if spread else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            cause: square + np.where(total > 0.0, scattered * (square / total), 0.0)
            for cause, square in spread.items()
        }


class TableModel(Model):
    """Error of a period that does not depend on speed: one table of increments serves all speeds."""

    method = "exact"
    together = 1 << 14

    def __init__(self, axis: Axis) -> None:
        super().__init__(axis)
        key = structure_function.static(axis)
        points = period_error.grid_size(axis)
        found = period_error.spectrum(axis, 0.0, points)
        error, radius = period_error.error_on_grid(axis, 0.0, points)
        self.sound = bool(period_error.encloses_zero(error))
        self.noise_per_unit = float(np.sqrt((radius**-2.0).mean())) / TAU
        self.orders = period_error.significant(found)
        self.lines = found[self.orders]
        how = axis.interpolation
        self.low = (
            self.orders
            if how.factor is None
            else np.arange(1, min(self.highest(), (how.factor - 1) // 2) + 1)
        )
        stepped = how.bits is not None or (how.factor is not None and self.orders.size > 0)
        self.table = structure_function.table(key) if stepped else None
        self.key = key

    def highest(self) -> int:
        """Highest order of the smooth chain, 0 if there is none."""
        return int(self.orders.max(initial=0))

    def has_lines(self) -> bool:
        """Whether the smooth chain has lines."""
        return self.orders.size > 0

    def noise_gain(self, speed: np.ndarray) -> float:
        """Position noise for 1 unit of channel noise, periods."""
        return self.noise_per_unit

    def line_sizes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and amplitudes (position units) of the lines."""
        return self.orders, self.pitch * np.abs(self.lines)

    def complex_lines(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and complex amplitudes (periods) of the lines."""
        return self.orders, self.lines[None, :]

    def at_lag(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, Any]:
        """Mean squares of an increment over one lag by cause, periods squared."""
        lag = speed / self.pitch * seconds
        by_cause = self.spread(speed, seconds)
        spread = np.sqrt(sum(by_cause.values()) + 0.0 * speed)
        quiet = self.held_still(speed, spread) == 1
        spread = np.where(quiet, 0.0, spread)
        by_cause = {cause: np.where(quiet, 0.0, square) for cause, square in by_cause.items()}
        cyclic, scattered, rest = self._split(lag, spread)
        return {"sde": cyclic, **_shared(scattered, by_cause), **self._stepped_parts(rest, lag, spread)}

    def _split(self, lag: np.ndarray, spread: np.ndarray) -> tuple[Any, ...]:
        how = self.axis.interpolation
        if self.table is None:
            cyclic, scattered = structure_function.line_parts(
                np.abs(self.lines) ** 2, self.orders, lag, spread
            )
            rest = 0.0 if how.factor is None else _counted(how.factor, lag, spread)
            return cyclic, scattered, rest
        cyclic, scattered = self.table.line_parts(self.low, lag, spread)
        return cyclic, scattered, self.table.mean_square(lag, spread) - cyclic - scattered - spread**2

    def _stepped_parts(self, rest: float | np.ndarray, lag: np.ndarray, spread: np.ndarray) -> dict[str, Any]:
        """What converter and counts add, shared by what each alone adds."""
        how = self.axis.interpolation
        rest = np.maximum(rest, 0.0)
        if how.bits is None or how.factor is None:
            return {"adc" if how.factor is None else "resolution": rest}
        alone = [
            self._alone(change, lag, spread)
            for change in ({"factor": None, "output": "position"}, {"bits": None})
        ]
        both = sum(alone)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(both > 0.0, alone[0] / both, 0.5)
        return {"adc": rest * share, "resolution": rest * (1.0 - share)}

    def _alone(self, change: dict[str, Any], lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """What converter or counts would add by themselves."""
        key = replace(self.key, interpolation=replace(self.key.interpolation, **change))
        found = structure_function.table(key, SHARE_POINTS)
        cyclic, scattered = found.line_parts(self.low, lag, spread)
        return np.maximum(found.mean_square(lag, spread) - cyclic - scattered - spread**2, 0.0)


class LineModel(Model):
    """Lines computed anew at every speed; counting by its dithered steps, the converter as white noise."""

    method = "step"
    together = 1 << 14

    def __init__(self, axis: Axis) -> None:
        super().__init__(axis)
        self.fixed = not period_error.depends_on_speed(axis)
        self.sound = True
        self.cache = None

    def shapes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lines (speeds, orders), noise per unit and orders, at every speed."""
        if self.cache is None or self.cache[0] is not speed:
            self.cache = (speed, self._shapes(speed))
        return self.cache[1]

    def _shapes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        wanted = speed[:1] * 0.0 if self.fixed else speed
        points = max(period_error.grid_size(self.axis, float(v)) for v in {0.0, float(wanted.max())})
        blocks = np.array_split(wanted, max(1, -(-wanted.size * points // BLOCK)))
        found, noise = [], []
        for block in blocks:
            error, radius = period_error.error_on_grid(self.axis, block, points)
            self.sound &= bool(period_error.encloses_zero(error).all())
            made = np.fft.rfft(error, axis=-1) * (2.0 / points)
            found.append(made[..., : points // 4])
            noise.append(np.sqrt((np.maximum(radius, FAINTEST) ** -2.0).mean(axis=-1)) / TAU)
        made = np.concatenate(found)
        orders = period_error.significant(made)
        return orders, made[:, orders], np.concatenate(noise)

    def has_lines(self) -> bool:
        """Whether the smooth chain has lines at some speed."""
        return self.cache is not None and self.cache[1][0].size > 0

    def parts(self, speed: np.ndarray) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Mean squares of the velocity by cause, half range of its cyclic part; periods and seconds."""
        self.shapes(speed)
        return super().parts(speed)

    def noise_gain(self, speed: np.ndarray) -> np.ndarray:
        """Position noise for 1 unit of channel noise, periods."""
        return self.shapes(speed)[2] / np.sqrt(self.axis.sampling.average)

    def line_sizes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and amplitudes (position units) of the lines."""
        orders, made, _ = self.shapes(speed)
        return orders, self.pitch * np.abs(made)

    def complex_lines(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and complex amplitudes (periods) of the lines."""
        return self.shapes(speed)[:2]

    def converter(self, speed: np.ndarray) -> np.ndarray:
        """Mean square that the converter adds to an increment as white noise, periods squared."""
        how = self.axis.interpolation
        if how.bits is None:
            return 0.0 * speed
        step = 2.0 * how.span / 2.0**how.bits
        return step**2 / 6.0 * self.noise_gain(speed) ** 2 + 0.0 * speed

    def at_lags(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of increments by cause over some lags, shape (lags, speeds), periods squared."""
        orders, made, _ = self.shapes(speed)
        seconds = seconds[:, None]
        lag = speed / self.pitch * seconds
        by_cause = self.spread(speed, seconds)
        white = {"adc": self.converter(speed)} if self.axis.interpolation.bits is not None else {}
        spread = np.sqrt(sum(by_cause.values()) + 0.0 * lag)
        quiet = self.held_still(speed, spread) == 1
        by_cause = {cause: np.where(quiet, 0.0, square) for cause, square in by_cause.items()}
        cyclic, scattered, counted = self._over_period(orders, made, lag, by_cause, white)
        found = {"sde": cyclic, **_shared(scattered, by_cause), **white, **counted}
        return {cause: np.broadcast_to(square, lag.shape) for cause, square in found.items()}

    def _over_period(
        self,
        orders: np.ndarray,
        made: np.ndarray,
        lag: np.ndarray,
        by_cause: dict[Any, np.ndarray],
        white: dict[Any, np.ndarray],
    ) -> tuple[Any, ...]:
        """Averages over the period, block by block: lines, what their slope scatters, counting."""
        factor = self.axis.interpolation.factor
        before = by_cause.get("jitter", 0.0) + by_cause.get("clock", 0.0) + 0.0 * lag
        after = by_cause.get("noise", 0.0) + white.get("adc", 0.0) + 0.0 * lag
        points = _points_over_period(orders)
        found = np.zeros((3, lag.size))
        shape, which = lag.shape, np.arange(lag.size) % lag.shape[-1] if made.shape[0] > 1 else None
        lag, before, after = lag.ravel(), before.ravel(), after.ravel()
        size = max(1, SMALL_BLOCK // points)
        for first in range(0, lag.size, size):
            part = slice(first, first + size)
            made_here = made if which is None else made[which[part]]
            w, slope = _over_lag(made_here, orders, lag[part], points)
            found[0, part] = (w**2).mean(axis=-1)
            found[1, part] = before[part] * (slope.mean(axis=-1) - 1.0)
            if factor is not None:
                spread = np.sqrt(before[part, None] * slope + after[part, None])
                found[2, part] = _counted(factor, lag[part, None] + w, spread).mean(axis=-1)
        cyclic, scattered, counted = found.reshape(3, *shape)
        return cyclic, scattered, {} if factor is None else {"resolution": counted}


def _counted(factor: int, lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """What rounding to counts adds to an increment, periods squared."""
    return quantisation.counted(lag * factor, spread * factor) / factor**2


def _points_over_period(orders: np.ndarray) -> int:
    """Points that resolve the lines; where the error crosses many counts, counting is a trifle beside it."""
    return 1 << int(np.ceil(np.log2(max(8 * orders.max(initial=1), 64))))


def _over_lag(
    made: np.ndarray, orders: np.ndarray, lag: np.ndarray, points: int
) -> tuple[np.ndarray, np.ndarray]:
    """What lines make of a lag: eps(x + L) - eps(x), and half of (1 + eps'(x))**2 + (1 + eps'(x + L))**2."""
    # Both of shape (lags, points).
    turned = made * np.exp(2j * np.pi * np.multiply.outer(lag, orders))
    rise = 2j * np.pi * orders
    here, there = (1.0 + over_grid(rise * lines, orders, points) for lines in (made, turned))
    return over_grid(turned - made, orders, points), 0.5 * (here**2 + there**2)


def over_grid(made: np.ndarray, orders: np.ndarray, points: int) -> np.ndarray:
    """Real function of complex lines on an even grid over the period."""
    full = np.zeros((made.shape[0], points // 2 + 1), dtype=complex)
    full[:, orders] = made * (0.5 * points)
    return np.fft.irfft(full, points, axis=-1)


def _half_range(made: np.ndarray, orders: np.ndarray) -> np.ndarray:
    """Half of maximum less minimum over the period of lines of shape (speeds, orders), refined between points."""
    if orders.size == 0:
        return np.zeros(made.shape[0])
    if orders.size == 1:
        return np.abs(made[:, 0])
    points = 1 << int(np.ceil(np.log2(max(8 * orders.max(), 64))))
    found = np.empty(made.shape[0])
    size = max(1, BLOCK // points)
    for first in range(0, found.size, size):
        part = slice(first, first + size)
        w = over_grid(made[part], orders, points)
        found[part] = 0.5 * (_crest(w) + _crest(-w))
    return found


def _crest(w: np.ndarray) -> np.ndarray:
    """Maximum of each row, by a parabola through the largest value and its neighbours."""
    rows, top, points = np.arange(w.shape[0]), w.argmax(axis=-1), w.shape[-1]
    here, left, right = w[rows, top], w[rows, top - 1], w[rows, (top + 1) % points]
    bend = 2.0 * here - left - right
    with np.errstate(divide="ignore", invalid="ignore"):
        return here + np.where(bend > 0.0, (right - left) ** 2 / (8.0 * bend), 0.0)
