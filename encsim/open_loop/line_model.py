"""Ripple by cause from the harmonics of the error of a period, computed anew at every speed.

For axes whose error depends on the speed, and for counts too fine for a table. Quantisation is that of a dithered
quantiser. The converter is white noise where noise smooths its steps or they matter little, and else a table at the
speed. Lengths are in signal periods.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.polynomial import chebyshev

from ..model.estimators import Difference
from . import period_error, structure_function
from .cause_models import TAU, Model, counted, lags, over_grid, with_scattered

if TYPE_CHECKING:
    from ..model.axis import Axis


# Numbers that stay in the cache between steps.
SMALL_BLOCK = 1 << 14
# Smallest radius: averaged over whole periods the signals vanish, far above the top speed; the noise stays finite.
FAINTEST = 1e-6
# Standard deviation of r(1 - r); spread in counts from which quantisation is even over the period; share of the mean
# square to which quantisation is resolved, and the number of grid points and lags that this may take in all.
SPREAD_OF_COUNTS, DITHERED = 0.075, 0.5
RESOLVED, MOST_WORK = 0.02, float(1 << 25)
# Noise, rms in converter steps, from which these are white; least share of the mean square for which their table is
# made; points of the tables, and most counts that they resolve.
SMOOTHED, LEAST_SHARE, TABLE_POINTS, COARSE = 0.5, 0.01, 1 << 18, 4096
# Tables where the error depends on the speed, each for the speeds near it: many with a skew or few bits, else a single
# one changes the ripple by 0.2 % at most. Most readings of one average that tables are made for.
TABLES, FEW_BITS, MOST_READINGS = 16, 9, 4
# Degrees of the polynomials in the speed that are tried, speeds for each degree from which on they save time, and size
# of the last terms, of the strongest harmonic, from which on all speeds are computed.
DEGREES, FEWEST_SPEEDS, LAST_TERMS, CONVERGED = (16, 32, 64), 8, 4, 1e-14


class Shapes(NamedTuple):
    """Orders (n,), harmonics of the error (speeds or 1, n), position noise for 1 unit of channel noise, mean error."""

    orders: np.ndarray
    lines: np.ndarray
    noise: np.ndarray
    mean: np.ndarray

    def at(self, places: np.ndarray) -> Shapes:
        """Those at some of the speeds."""
        if self.lines.shape[0] == 1:
            return self
        return Shapes(self.orders, *(part[places] for part in self[1:]))


class LineModel(Model):
    """Model with harmonics at every speed, dithered quantisation, and the converter as white noise."""

    method = "step"
    together = 1 << 14

    def __init__(self, axis: Axis) -> None:
        super().__init__(axis)
        self.fixed = not period_error.depends_on_speed(axis)
        self.sound = True
        # Where quantisation is not resolved over the period, and how much finer its grid is than the usual one.
        self.unresolved: np.ndarray = np.zeros(1, dtype=bool)
        self.finer = 1
        # The speeds asked for last, and their shapes.
        self.cache: tuple[np.ndarray, Shapes] | None = None

    def shapes(self, speed: np.ndarray) -> Shapes:
        """Orders, harmonics and noise gain at every speed; kept for the array of speeds asked for last, or for all."""
        if self.cache is None or not (self.fixed or self.cache[0] is speed):
            self.cache = speed, self._shapes(speed)
        return self.cache[1]

    def _shapes(self, speed: np.ndarray) -> Shapes:
        spectrum, noise = self._interpolated(speed) or self._computed(speed)
        orders = period_error.significant(spectrum)
        mean = 0.5 * spectrum[:, 0].real
        return Shapes(orders, spectrum[:, orders], noise, mean)

    def _interpolated(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        """As `_computed`, by a polynomial in the speed; None for few speeds and where no low degree is enough."""
        high, sound = float(speed.max(initial=0.0)), self.sound
        for degree in DEGREES:
            if self.fixed or speed.size < FEWEST_SPEEDS * degree or high == 0.0:
                return None
            node = chebyshev.chebpts1(degree + 1)
            spectrum, noise = self._computed(0.5 * high * (1.0 + node))
            known = np.concatenate([spectrum, noise[:, None]], axis=-1)
            terms = chebyshev.chebvander(node, degree).T @ known * (2.0 / node.size)
            terms[0] *= 0.5
            # the terms of smooth functions fall geometrically: the last bound all that are left out
            tail, size = (np.abs(part).max(axis=0) for part in (terms[-LAST_TERMS:], known))
            least = max(CONVERGED * size[1:-1].max(), period_error.ROUNDING)
            if tail[:-1].max() > least or tail[-1] > CONVERGED * size[-1]:
                self.sound = sound
                continue
            powers = chebyshev.chebvander(2.0 * speed / high - 1.0, degree)
            values = (powers @ terms.view(float)).view(complex)
            return values[:, :-1], values[:, -1].real
        return None

    def _computed(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Complex harmonics of the error, from order 0 on, and noise gain; one row for all speeds, or a row each."""
        blocks = [period_error.resolved_error(self.axis)] if self.fixed else self._on_grids(speed)
        spectra, noise = [], []
        for error, radius in blocks:
            error, radius = np.atleast_2d(error, radius)
            self.sound &= bool(period_error.encloses_zero(error).all())
            points = error.shape[-1]
            spectra.append(np.fft.rfft(error, axis=-1)[..., : points // 4] * (2.0 / points))
            noise.append(np.sqrt((np.maximum(radius, FAINTEST) ** -2.0).mean(axis=-1)) / TAU)
        return np.concatenate(spectra), np.concatenate(noise)

    def _on_grids(self, speed: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Error and radius over the period, some speeds at a time, all with as many points."""
        points = max(period_error.grid_size(self.axis, float(v)) for v in {0.0, float(speed.max())})
        for block in np.array_split(speed, max(1, -(-speed.size * points // SMALL_BLOCK))):
            yield period_error.error_on_grid(self.axis, block, points)

    def has_lines(self) -> bool:
        """Whether the error without quantisation has harmonics at some speed."""
        return self.cache is not None and self.cache[1].orders.size > 0

    def parts(self, speed: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of the velocity by cause; periods and seconds."""
        self.shapes(speed)  # `named` asks whether there are harmonics
        squares = super().parts(speed)
        self.unresolved = self._unresolved(speed, squares)
        places = np.flatnonzero(self.unresolved)
        if places.size:
            whole, some = self.cache, speed[places]
            self.cache = some, self.shapes(speed).at(places)
            again = self._finer_parts(some)
            self.unresolved[places], self.finer, self.cache = self._unresolved(some, again), 1, whole
            for cause, square in again.items():
                squares[cause][places] = square
        self._with_converter(speed, squares)
        return squares

    def _with_converter(self, speed: np.ndarray, squares: dict[str, np.ndarray]) -> None:
        """Put in what the steps of converter and counts make where those of the converter are no white noise."""
        how = self.axis.interpolation
        if how.bits is None or self.axis.sampling.average > MOST_READINGS:
            return
        # counts in the table: those that its grid resolves, and that hysteresis does not hold against noise
        counts = how.factor is not None and how.factor <= COARSE and how.hysteresis == 0.0
        stepped = ["adc", "resolution"] if counts else ["adc"]
        white = sum((squares[cause] for cause in stepped), np.zeros_like(speed))
        rough = self.steps_stay(speed) & (white > LEAST_SHARE * sum(squares.values()))
        places = np.flatnonzero(rough & (speed > 0.0))
        if places.size == 0:
            return
        known = np.unique(speed[places])
        nodes = known[np.unique(np.linspace(0, known.size - 1, self._tables()).astype(int))]
        near = np.abs(speed[places, None] - nodes).argmin(axis=1)
        for n, node in enumerate(nodes):
            there = places[near == n]
            ratio = self._stepped(speed[there], float(node), counts) / white[there]
            for cause in stepped:
                squares[cause][there] *= ratio

    def _tables(self) -> int:
        """Speeds for which a table of the converter's steps is made: one serves all where the error is alike."""
        readings = self.axis.sampling.average
        alike = not self.axis.signal.skew and (self.axis.interpolation.bits or 0) > FEW_BITS and readings == 1
        return 1 if self.fixed or alike else TABLES // readings

    def steps_stay(self, speed: np.ndarray) -> np.ndarray:
        """Where noise does not smooth the converter's steps."""
        how, sampling = self.axis.interpolation, self.axis.sampling
        step = 2.0 * how.span / 2.0 ** (how.bits or 0) / self.axis.signal.amplitude / TAU
        noise = np.sqrt(0.5) * self.noisy(speed, 1.0 / sampling.rate)
        # the readings of one average share their jitter
        return np.asarray((noise < SMOOTHED * step) | (sampling.average > 1))

    def _stepped(self, speed: np.ndarray, node: float, counts: bool) -> np.ndarray:
        """Mean square of the velocity by the steps of converter and counts, with a table at a speed near these."""
        axis = self.axis
        if not counts:
            how = replace(axis.interpolation, factor=None, output="position", hysteresis=0.0)
            # a Kalman filter may take its noise from the counts
            axis = replace(axis, interpolation=how, estimator=Difference())
        table = structure_function.StructureFunction(axis, TABLE_POINTS, node)
        orders, made = self.shapes(speed)[:2] if self.fixed else self._shapes(np.array([node]))[:2]
        weight, seconds = lags(self.axis)
        square, size = np.zeros_like(speed), max(1, self.together // speed.size)
        for first in range(0, weight.size, size):
            lapse = seconds[first : first + size, None]
            lag = speed / self.pitch * lapse
            spread = self.noisy(speed, lapse) + 0.0 * lag
            cyclic, scattered = structure_function.line_parts(np.abs(made[0]) ** 2, orders, lag, spread)
            rest = table.mean_square(lag, spread) - cyclic - scattered - spread**2
            square += weight[first : first + size] @ rest
        return np.maximum(square, 0.0)

    def _finer_parts(self, speed: np.ndarray) -> dict[str, np.ndarray]:
        """As `parts`, on a finer grid, which is kept."""
        points = _points_over_period(self.complex_lines(speed)[0])
        most = min(self._wanted(speed).max(), MOST_WORK / (lags(self.axis)[0].size * speed.size)) / points
        self.finer = 1 << int(np.ceil(np.log2(max(most, 1.0))))
        return super().parts(speed)

    def _unresolved(self, speed: np.ndarray, squares: dict[str, np.ndarray]) -> np.ndarray:
        """Where the estimator filters so much that the grid over the period may leave more than all else."""
        factor, orders = self.axis.interpolation.factor, self.complex_lines(speed)[0]
        if factor is None or orders.size == 0:
            return np.zeros(speed.shape, dtype=bool)
        weight, _ = lags(self.axis)
        count = np.abs(weight).sum() / factor**2
        points = _points_over_period(orders) * self.finer
        sharp = (self.noisy(speed, np.inf) * factor < DITHERED) & (self._wanted(speed) > points)
        return sharp & (SPREAD_OF_COUNTS * count / np.sqrt(points) > RESOLVED * sum(squares.values()))

    def _wanted(self, speed: np.ndarray) -> np.ndarray:
        """Points over the period that resolve every count that the error crosses over the longest lag."""
        orders, made = self.complex_lines(speed)
        cycles = np.multiply.outer(speed / self.pitch * lags(self.axis)[1].max(initial=0.0), orders)
        # |exp(2 pi i k L) - 1| is at most 2, and at most 2 pi k L
        steepest = 2.0 * TAU * (orders * np.abs(made) * np.minimum(np.pi * cycles, 1.0)).sum(axis=-1)
        return np.asarray(2.0 * steepest * (self.axis.interpolation.factor or 1))

    def noise_gain(self, speed: np.ndarray) -> np.ndarray:
        """Position noise for 1 unit of channel noise, periods."""
        return self.shapes(speed).noise / np.sqrt(self.axis.sampling.average)

    def complex_lines(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and complex amplitudes (periods) of the harmonics."""
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
        orders, made = self.complex_lines(speed)
        lag = speed / self.pitch * seconds[:, None]
        by_cause = self.spread(speed, seconds[:, None])
        white = {"adc": self.converter(speed)} if self.axis.interpolation.bits is not None else {}
        spread = np.sqrt(sum(by_cause.values()) + 0.0 * lag)
        quiet = self.held_still(speed, spread) == 1
        by_cause = {cause: np.where(quiet, 0.0, square) for cause, square in by_cause.items()}
        cyclic, scattered, stepped = self._over_period(orders, made, lag, by_cause, white)
        squares = {"sde": cyclic, **with_scattered(scattered, by_cause), **white, **stepped}
        return {cause: np.broadcast_to(square, lag.shape) for cause, square in squares.items()}

    def _over_period(
        self,
        orders: np.ndarray,
        made: np.ndarray,
        lag: np.ndarray,
        by_cause: dict[str, np.ndarray],
        white: dict[str, np.ndarray],
    ) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
        """Averages over the period, block by block: harmonics, what their slope scatters, quantisation."""
        factor = self.axis.interpolation.factor
        before = by_cause.get("jitter", 0.0) + by_cause.get("clock", 0.0) + 0.0 * lag
        after = by_cause.get("noise", 0.0) + white.get("adc", 0.0) + 0.0 * lag
        power = np.abs(made) ** 2
        cyclic, scattered = np.empty(lag.shape), before * (0.5 * TAU**2 * power @ orders**2)
        for row, cycles in zip(cyclic, lag, strict=True):
            turns = np.multiply.outer(cycles, orders)
            row[:] = 2.0 * (power * np.sin(np.pi * turns) ** 2).sum(axis=-1)
        if factor is None:
            return cyclic, scattered, {}
        points = _points_over_period(orders) * self.finer
        stepped = np.empty(lag.size)
        shape, which = lag.shape, np.arange(lag.size) % lag.shape[-1] if made.shape[0] > 1 else None
        lag, before, after = lag.ravel(), before.ravel(), after.ravel()
        size = max(1, SMALL_BLOCK // points)
        for first in range(0, lag.size, size):
            part = slice(first, first + size)
            made_here = made if which is None else made[which[part]]
            w, spread = _over_lag(made_here, orders, lag[part], points)
            spread *= before[part, None]
            spread += after[part, None]
            np.sqrt(spread, out=spread)
            stepped[part] = counted(factor, lag[part, None] + w, spread).mean(axis=-1)
        return cyclic, scattered, {"resolution": stepped.reshape(shape)}


def _points_over_period(orders: np.ndarray) -> int:
    """Points that resolve the harmonics; where the error crosses many counts, quantisation is small beside it."""
    return 1 << int(np.ceil(np.log2(max(8 * orders.max(initial=1), 64))))


def _over_lag(
    made: np.ndarray, orders: np.ndarray, lag: np.ndarray, points: int
) -> tuple[np.ndarray, np.ndarray]:
    """For harmonics eps and a lag L: eps(x + L) - eps(x), and half of (1 + eps'(x))**2 + (1 + eps'(x + L))**2."""
    # Both of shape (lags, points).
    turned = made * period_error.unit_vector(np.multiply.outer(lag, orders))
    rise = 2j * np.pi * orders
    here, there = (over_grid(rise * lines, orders, points) for lines in (made, turned))
    # in place: new arrays would take several times as long
    for slope in (here, there):
        slope += 1.0
        slope *= slope
    there += here
    there *= 0.5
    return over_grid(turned - made, orders, points), there
