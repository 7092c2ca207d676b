"""Structure function of the position error: the exact mean square of its increments, counts included.

Everything between the true position and the counts repeats every signal period. Tabulate
g(x) = (position shown at x) - x on N points of a period; the structure function follows:
D(L) = mean of (g(x + L) - g(x))**2. Between the points of the grid the shown position does not change,
so that D(L) + L**2 is piecewise linear there. Lengths are in signal periods.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property, lru_cache

import numpy as np

from ..model.axis import Axis, Sampling
from . import period_error
from .cause_models import over_grid
from .quantisation import KINK_REACH, kink

POINTS_A_COUNT = 256
POINTS_A_CODE = 64
LEAST_A_COUNT = 32  # with fewer the counts of a period are too few places on the grid
SMALLEST = 1 << 17
LARGEST = 1 << 20
PIECE = 1 << 14
KEPT_BYTES = 16 << 20
# More harmonics than these are added up on the whole grid by a Fourier transform.
FEW = 12
# Points in the rms of the lag's Gaussian part that give a mean square to some 2e-4 where that part smooths every kink.
POINTS_A_SPREAD = 5.5
# Grid steps, rms, by which the distance of edges varies where their places on the grid are as good as random.
SPREAD_OF_EDGES = 0.3
# Smoothing by less than this many grid steps is done kink by kink, by more in the spectrum.
FINE = 3.0
LADDER = 2.0**0.5
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(10)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def static(axis: Axis) -> Axis:
    """The axis with only the fields that affect the error of a period: the key of its table."""
    signal = replace(axis.signal, jitter=0.0, jitter_bandwidth=None, noise=0.0)
    interpolation = replace(axis.interpolation, edge_separation=0.0, edge_clock=None)
    return Axis(axis.scale, signal=signal, interpolation=interpolation, sampling=Sampling(1.0))


def grid_points(axis: Axis, largest: int = LARGEST) -> int:
    """Points per period of the table: a multiple of the counts that resolves counts and converter codes."""
    how = axis.interpolation
    counts = how.factor or 1
    wanted = POINTS_A_COUNT * counts
    wanted = max(wanted, int(POINTS_A_CODE * _codes(axis)))
    a_count = max(min(max(wanted, SMALLEST), largest) / counts, 4.0)
    return counts << max(int(np.ceil(np.log2(a_count))) - (a_count * counts >= largest), 2)


def _codes(axis: Axis) -> float:
    """Codes of the converter that both channels pass in a period, 0 without one."""
    how = axis.interpolation
    return 0.0 if how.bits is None else 8.0 * axis.signal.amplitude * 2.0**how.bits / (2.0 * how.span)


def enough_points(axis: Axis, slope: float) -> int:
    """A power of two that the points need not exceed where jitter smooths at every speed; error of this rms slope."""
    signal, how = axis.signal, axis.interpolation
    if signal.jitter == 0.0 or signal.jitter_bandwidth is not None or how.hysteresis > 0.0:
        return LARGEST
    counts = how.factor or 1
    wanted = max(
        POINTS_A_SPREAD * axis.scale.pitch / (2.0**0.5 * signal.jitter), LEAST_A_COUNT * counts, SMALLEST
    )
    edges = _codes(axis) if how.factor is None else counts
    wanted = max(wanted, SPREAD_OF_EDGES * edges / max(slope, 1e-9))
    points = counts << int(np.ceil(np.log2(wanted / counts)))
    return min(1 << points.bit_length(), LARGEST)  # that many at most make just these points


def shown_error(axis: Axis, points: int, speed: float = 0.0) -> np.ndarray:
    """Error g of the shown position at the middles of an even grid over one period, periods."""
    error = np.empty(points)
    middles = (np.arange(min(PIECE, points)) + 0.5) / points
    alike = not axis.signal.sde and (axis.sampling.average == 1 or speed == 0.0)
    vector = period_error.unit_vector(middles) if alike else None
    sums = _by_transform(axis, points, speed)
    # In pieces, so that the arrays stay in the cache; the unit vectors of a piece are those of the first, turned.
    for begin in range(0, points, PIECE):
        part = error[begin : begin + PIECE]
        turned = None if vector is None else vector[: part.size] * np.exp(2j * np.pi * begin / points)
        turns = middles[: part.size] + begin / points
        ready = [None if whole is None else whole[..., begin : begin + PIECE] for whole in sums]
        part[:] = _decoded(axis, speed, turns, _converted(axis, speed, turns, (turned, *ready)))
    return error


def _by_transform(axis: Axis, points: int, speed: float) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Shift by the direct SDE, and both channels without one, on the whole grid, where they have many harmonics."""
    steady, sde, half = period_error.channels(axis, speed), axis.signal.sde, points / 2
    if axis.sampling.average > 1 and speed:
        return None, None
    if len(sde) > FEW and max(sde) < half:
        size, angle = np.array(list(sde.values())).T
        made = -1j * size / axis.scale.pitch * np.exp(1j * angle)
        return _on_middles(np.array(list(sde)), made[None, :], points)[0], None
    if not sde and steady.orders.size > FEW and steady.orders.max() < half:
        waves = _on_middles(steady.orders, np.stack([steady.cosine, steady.sine]), points)
        return None, waves + np.array(steady.offset)[:, None]
    return None, None


def _on_middles(orders: np.ndarray, made: np.ndarray, points: int) -> np.ndarray:
    """Real functions with these complex harmonics (functions, orders), at the middles of an even grid."""
    return over_grid(made * np.exp(1j * np.pi * orders / points), orders, points)


def _converted(
    axis: Axis, speed: float, turns: np.ndarray, ready: tuple[np.ndarray | None, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Both channels as the converter reads them, summed over the readings of one loop period.

    ``ready``: unit vectors of the phases, and their shift and channels of `_by_transform`, as far as known.
    """
    vector, shift, channels = ready
    how, count = axis.interpolation, axis.sampling.average if speed else 1
    steady = period_error.channels(axis, speed)
    step = speed / (axis.scale.pitch * axis.sampling.rate * count)
    cosine, sine = np.zeros_like(turns), np.zeros_like(turns)
    for reading in range(count):
        if channels is None:
            moved = period_error.shifted(axis, turns - step * reading) if shift is None else turns + shift
            read = [*period_error.signals(steady, moved, vector)]
        else:
            read = [*channels]
        if how.bits is not None:
            code = 2.0 * how.span / 2.0**how.bits
            top = 2.0 ** (how.bits - 1) - 1.0
            read = [code * np.clip(np.floor(one / code + 0.5), -top - 1.0, top) for one in read]
        cosine, sine = cosine + read[0], sine + read[1]
    return cosine, sine


def _decoded(
    axis: Axis, speed: float, turns: np.ndarray, channels: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Error of the position shown by channels read at these true phases."""
    how, lead = axis.interpolation, period_error.lead(period_error.averaged(axis, speed)) if speed else 0.0
    shown = np.arctan2(channels[1], channels[0]) / period_error.TAU
    shown = shown + np.rint(turns + lead - shown)
    if how.factor is not None:
        # in forward motion counts change at their upper thresholds
        rounded = (0.5 if how.output == "position" else 0.0) - 0.5 * how.hysteresis
        shown = np.floor(shown * how.factor + rounded) / how.factor
    return shown - turns


class StructureFunction:
    """Table of D(L) of one axis, and of D smoothed by a Gaussian part of the lag."""

    def __init__(self, axis: Axis, largest: int = LARGEST, speed: float = 0.0) -> None:
        self.points = grid_points(axis, largest)
        self.step = 1.0 / self.points
        error = shown_error(axis, self.points, speed)
        # sum of the squared jumps of what is shown, in a period
        moved = error[1:] - error[:-1]
        self.jumps = float(moved @ moved + (error[0] - error[-1]) ** 2) + self.step
        spectrum = np.fft.rfft(error) / self.points
        self.power = np.abs(spectrum) ** 2
        self.power[0] = 0.0
        low = np.arange(min(64, max((axis.interpolation.factor or 128) // 2, 1)))
        slope = 2.0 * np.pi * np.sqrt(2.0 * (low**2 * self.power[: low.size]).sum())
        even = slope * self.points < SPREAD_OF_EDGES * (axis.interpolation.factor or 1)
        # Edges lie on the grid and not where they are: that smooths their distances by this variance.
        self.displaced = 0.0 if even and axis.interpolation.bits is None else self.step**2 / 6.0
        self._kept: dict[tuple[float, int], np.ndarray] = {}

    @cached_property
    def table(self) -> np.ndarray:
        """D on an even grid of lags, from the one-sided power spectrum |g_m|**2."""
        correlation = np.fft.irfft(self.power, self.points) * self.points
        return 2.0 * (correlation[0] - correlation)

    def mean_square(self, lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """E D(L + s Z) + s**2: mean square of the shown increment less L."""
        square = np.empty(lag.shape)
        fine = spread < FINE * self.step
        if fine.any():
            square[fine] = self._by_kinks(lag[fine], spread[fine])
        level = np.floor(np.log(np.maximum(spread, self.step) / (FINE * self.step)) / np.log(LADDER) + 1e-9)
        level[fine] = -1
        for rung in np.unique(level[~fine]).astype(int).tolist():
            there = level == rung
            square[there] = self._by_spectrum(lag[there], spread[there], rung)
        return square

    def _at_grid(self, lag: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Nearest grid point below a lag, and the rest in grid steps."""
        place = (lag - np.floor(lag)) * self.points
        below = np.floor(place)
        return below.astype(np.int64), place - below

    def _by_kinks(self, lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """Little smoothing: linear between grid lags; each kink within reach is smoothed alone."""
        below, part = self._at_grid(lag)
        table, step, points = self.table, self.step, self.points
        here, after = table[below % points], table[(below + 1) % points]
        square = (1.0 - part) * here + part * after + step**2 * part * (1.0 - part)
        sigma = spread / step
        reach = int(np.ceil(KINK_REACH * sigma.max(initial=0.0)))
        if reach == 0:
            return square
        safe = np.where(sigma > 0.0, sigma, 1.0)
        for shift in range(-reach, reach + 2):
            node = below + shift
            bend = table[(node + 1) % points] - 2.0 * table[node % points] + table[(node - 1) % points]
            square += np.where(
                sigma > 0.0, (bend + 2.0 * step**2) * sigma * kink(np.abs(part - shift) / safe), 0.0
            )
        return square

    def _by_spectrum(self, lag: np.ndarray, spread: np.ndarray, rung: int) -> np.ndarray:
        """Much smoothing: a table smoothed by the rung below, the rest by Gauss-Hermite integration."""
        low = float(spread.min())
        if spread.max() > low * (1.0 + 1e-12):
            low = FINE * self.step * LADDER**rung
        table = self._smoothed(low, rung)
        rest = np.sqrt(np.maximum(spread**2 - low**2, 0.0))
        if not rest.any():
            square = _cubic(table, lag)
        else:
            square = (WEIGHTS[:, None] * _cubic(table, lag + np.multiply.outer(NODES, rest))).sum(axis=0)
        # an edge is the same at both ends of a lag below one count, so that there the grid has added nothing
        narrow = np.sqrt(spread**2 - self.displaced)
        short = np.abs(lag - np.rint(lag))
        alone = spread * kink(short / spread) - narrow * kink(short / narrow)
        return square + 2.0 * self.jumps * alone + spread**2

    def _smoothed(self, spread: float, rung: int) -> np.ndarray:
        """Smoothed table as :meth:`_smooth` makes it; the newest that fit into KEPT_BYTES are kept."""
        # No lru_cache of a bound method: it would hold this object until the garbage collector comes.
        key = spread, rung
        if key not in self._kept:
            self._kept[key] = self._smooth(spread, rung)
            while len(self._kept) > 1 and sum(table.nbytes for table in self._kept.values()) > KEPT_BYTES:
                del self._kept[next(iter(self._kept))]
        return self._kept[key]

    def _smooth(self, spread: float, rung: int) -> np.ndarray:
        """D smoothed by a Gaussian lag, on a grid just fine enough for it, with the points around the period."""
        points = max(self.points >> max(rung // 2 - 1, 0), 256)
        m = np.arange(points // 2 + 1)
        weight = _held(self.points)[: m.size] * np.exp(-2.0 * (np.pi * m) ** 2 * (spread**2 - self.displaced))
        power = self.power[: m.size] * weight
        correlation = np.fft.irfft(power, points) * points
        table = 2.0 * (self.table_variance - correlation)
        return np.concatenate([table[-1:], table, table[:3]])

    @property
    def table_variance(self) -> float:
        """Variance of g over a period."""
        last = self.power[-1] if self.points % 2 == 0 else 0.0
        return 2.0 * self.power.sum() - last

    def line_parts(
        self, orders: np.ndarray, lag: np.ndarray, spread: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean square of the harmonics of these orders, and the part of it that the Gaussian part scatters."""
        return line_parts(4.0 * self.power[orders], orders, lag, spread)


def line_parts(
    square: np.ndarray, orders: np.ndarray, lag: np.ndarray, spread: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Cyclic and scattered mean square of harmonics of squared amplitude ``square`` (orders last)."""
    turns = np.multiply.outer(lag, orders)
    kept = np.exp(-2.0 * (np.pi * np.multiply.outer(spread, orders)) ** 2)
    cyclic = (square * kept * 2.0 * np.sin(np.pi * turns) ** 2).sum(axis=-1)
    return cyclic, (square * (1.0 - kept)).sum(axis=-1)


def _cubic(table: np.ndarray, lag: np.ndarray) -> np.ndarray:
    """Cubic interpolation in a periodic table with one point before the period and three after it."""
    points = table.size - 4
    place = (lag - np.floor(lag)) * points
    below = np.floor(place)
    f = place - below
    index = below.astype(np.int64)
    before, here, after, beyond = (np.take(table, index + k, mode="clip") for k in range(4))
    return (
        here * (1.0 - f**2) * (1.0 - f / 2.0)
        + after * f * (1.0 + f) * (1.0 - f / 2.0)
        - before * f * (1.0 - f) * (2.0 - f) / 6.0
        - beyond * f * (1.0 - f**2) / 6.0
    )


@lru_cache(maxsize=2)
def _held(points: int) -> np.ndarray:
    """What a position held between grid points leaves of the power of each harmonic."""
    return np.asarray(np.sinc(np.arange(points // 2 + 1) / points) ** 2)


@lru_cache(maxsize=6)
def table(axis: Axis, largest: int = LARGEST) -> StructureFunction:
    """Structure function of an axis as :func:`static` leaves it, kept for the next call."""
    return StructureFunction(axis, largest)
