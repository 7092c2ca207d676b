"""Mean squares that a closed loop makes of encoder errors: lines, bands, white and coloured noise.

Frequencies are normalised to the loop rate (cycles per sample); gains repeat with every whole cycle. The last axis of
every array holds the curves of ``CURVES`` and then the squared complementary sensitivity |T|**2.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from . import loop as loops
from . import stability
from .state_space import CURVES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop import Loop
    from .order_notch_gains import OrderNotchGains


BINS = 1 << 14
FEW_BINS = 1 << 12
# Elements of a table look-up that are handled at a time: what they need stays in the cache.
BLOCK = 1 << 15


def blocks(rows: int, columns: int) -> list[slice]:
    """Slices of rows whose arrays stay in the cache."""
    size = max(1, BLOCK // max(columns, 1))
    return [slice(first, min(first + size, rows)) for first in range(0, rows, size)]


def abs_squared(gain: np.ndarray) -> np.ndarray:
    """Squared absolute value."""
    return gain.real**2 + gain.imag**2


def shifts(
    weight: np.ndarray, orders: np.ndarray, complementary_squared: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """How far the loop, tracking each quantisation line, shifts its phase, rad, at most 1; and the strongest hold."""
    # an axis that tracks a line wholly rests on a count: the hold is the shift times |T| once more
    tracked = np.sqrt(complementary_squared)
    shift = np.minimum(2.0 * np.pi * orders * np.sqrt(weight) * tracked, 1.0)
    return shift, np.minimum((shift * tracked).max(axis=-1, initial=0.0), 1.0)


def integral_to(
    integral: Callable[[np.ndarray], np.ndarray], low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Integral from low to high; bands that join share their edges."""
    if np.array_equal(low[..., 1:], high[..., :-1]):
        return np.diff(integral(np.concatenate([low, high[..., -1:]], axis=-1)), axis=-2)
    return integral(high) - integral(low)


class UnstableGains:
    """Loops that are not stable, in place of their gains."""

    stable = False

    def __init__(self, crossover: np.ndarray) -> None:
        self.crossover = crossover


class SquaredGains:
    """Squared gains |F|**2 of one loop, exact and as a table of even bins between 0 and half the loop rate."""

    # ``white``: mean square of each curve for white error of mean square 1. ``table``, shape (bins, curves): mean of
    # |F|**2 in each bin.

    speed_independent = True

    def __init__(self, loop: Loop, bins: int = BINS) -> None:
        self.loop, self.rate, self.bins = loop, loop.rate, bins
        response = stability.FrequencyResponse(loop)
        self.frequency = response.frequency
        self.crossover = crossover_of(response.frequency, np.abs(response.gain))
        self.stable = response.stable
        if self.stable:
            self._tabulate()

    def _tabulate(self) -> None:
        cycles = np.concatenate([[0.0], self.frequency / self.rate])
        square = self.exact(cycles)
        area = np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(cycles)[:, None], axis=0)
        area = np.concatenate([np.zeros((1, square.shape[1])), area])
        edges = np.linspace(0.0, 0.5, self.bins + 1)
        self.area = np.stack([np.interp(edges, cycles, column) for column in area.T], axis=-1)
        self.table = np.diff(self.area, axis=0) * (2.0 * self.bins)
        self.white = 2.0 * self.area[-1]

    def exact(self, cycles: np.ndarray) -> np.ndarray:
        """|F|**2 at some frequencies, shape (..., curves)."""
        response = self.loop.response(np.asarray(cycles) * self.rate)
        gains = [getattr(response, name) for name in (*CURVES, "complementary")]
        return np.stack([abs_squared(gain) for gain in gains], axis=-1)

    def complementary(self, cycles: np.ndarray) -> np.ndarray:
        """T at some frequencies."""
        return self.loop.response(cycles * self.rate).complementary

    def at(self, here: np.ndarray) -> SquaredGains:
        """The loop of some of the speeds: it is the same for all."""
        return self

    def complementary_squared(self, cycles: np.ndarray) -> np.ndarray:
        """|T|**2 at some frequencies, from the table."""
        return self.table[self.rows(cycles), -1]

    def exact_sum(self, cycles: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Sum of ``weight |F|**2`` over frequencies."""
        return weight @ self.exact(cycles)

    def rows(self, cycles: np.ndarray) -> np.ndarray:
        """Rows of the table at some frequencies."""
        distance = np.rint(cycles)
        np.subtract(cycles, distance, out=distance)
        np.abs(distance, out=distance)
        distance *= 2.0 * self.bins
        rows = distance.astype(np.int32)
        return np.minimum(rows, self.bins - 1, out=rows)

    def _look_up(self, cycles: np.ndarray, table: np.ndarray) -> np.ndarray:
        """Table at some frequencies; rows are in range, and not checking them again is more than twice as fast."""
        return np.take(table, self.rows(cycles), axis=0, mode="clip")

    def table_sum(
        self, cycles: np.ndarray, weight: np.ndarray, table: np.ndarray | None = None
    ) -> np.ndarray:
        """Sum over the last axis of ``weight |F|**2``, shape (speeds, curves), from the table."""
        table = self.table if table is None else table
        weight = np.broadcast_to(weight, cycles.shape)
        total = np.empty((cycles.shape[0], table.shape[1]))
        for part in blocks(*cycles.shape):
            total[part] = np.matmul(weight[part, None, :], self._look_up(cycles[part], table))[:, 0]
        return total

    def tracked_sum(
        self, cycles: np.ndarray, weight: np.ndarray, orders: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sum as :meth:`table_sum`, the part of it that the loop shifts, and the strongest hold of one line."""
        total, tracked = np.empty((2, cycles.shape[0], self.table.shape[1]))
        held = np.empty(cycles.shape[0])
        for part in blocks(*cycles.shape):
            values = self._look_up(cycles[part], self.table)
            total[part] = np.matmul(weight[part, None, :], values)[:, 0]
            shift, held[part] = shifts(weight[part], orders, values[..., -1])
            tracked[part] = np.matmul((weight[part] * shift)[:, None, :], values)[:, 0]
        return total, tracked, held

    def band_mean(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Mean of |F|**2 between frequencies, shape (..., curves)."""
        span = high - low
        narrow = span < 1e-9
        mean = integral_to(self._integral, low, high) / np.where(narrow, 1.0, span)[..., None]
        if narrow.any():
            mean[narrow] = self.table[self.rows(0.5 * (low + high)[narrow])]
        return mean

    def _integral(self, cycles: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to a positive frequency."""
        whole = np.floor(cycles)
        rest = cycles - whole
        mirrored = rest > 0.5
        place = np.where(mirrored, 1.0 - rest, rest) * (2.0 * self.bins)
        below = np.minimum(place.astype(np.int32), self.bins - 1)
        place -= below
        half = np.take(self.area, below, axis=0, mode="clip")
        beyond = np.take(self.table, below, axis=0, mode="clip")
        beyond *= (place * (0.5 / self.bins))[..., None]
        half += beyond
        # above half the rate: the integral over a whole cycle minus the mirrored part
        half *= np.where(mirrored, -1.0, 1.0)[..., None]
        half += (whole + mirrored)[..., None] * (2.0 * self.area[-1])
        return half

    def noise_about_zero(self, correlation: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Mean squares for noise centred at 0 Hz: the first row of :meth:`convolved`."""
        return self.convolved(correlation)[0]

    def held_table(self, ratio: float, images: int) -> np.ndarray:
        """Table for lines, with all their images, that another clock of ``ratio`` times the loop rate holds."""
        edges = np.linspace(0.0, 0.5, self.bins + 1)
        middle = 0.5 * (edges[1:] + edges[:-1])
        table = share_beyond(middle, images)[:, None] * self.white
        for j in range(-images, images + 1):
            low, high = (edges[:-1] + j) * ratio, (edges[1:] + j) * ratio
            table += np.sinc(middle + j)[:, None] ** 2 * self.band_mean(low, high)
        return table

    def convolved(self, correlation: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Table of mean squares for noise of this autocorrelation centred at each frequency."""
        circle = np.concatenate([self.table, self.table[::-1]])
        lags = np.fft.rfft(circle, axis=0) * correlation(np.arange(self.bins + 1.0))[:, None]
        return np.fft.irfft(lags, 2 * self.bins, axis=0)[: self.bins]


def share_beyond(cycles: np.ndarray, images: int) -> np.ndarray:
    """Share of a held line, ``cycles`` of the clock's rate from 0, outside so many images to each side."""
    square = (np.sin(np.pi * cycles) / np.pi) ** 2
    return square * (_tail(images + 1 + cycles) + _tail(images + 1 - cycles))


def _tail(x: np.ndarray) -> np.ndarray:
    """Sum of 1/(x + n)**2 over n from 0 on, within 4e-6 from x = 4 on (Euler and Maclaurin)."""
    return (1.0 + (0.5 + (1.0 / 6.0 - 1.0 / (30.0 * x * x)) / x) / x) / x


def crossover_of(frequency: np.ndarray, size: np.ndarray) -> float:
    """Highest frequency at which the gain is 1, between grid points on a log scale; NaN if there is none."""
    with np.errstate(divide="ignore"):
        level = np.log(size)
    change = np.flatnonzero(np.sign(level[1:]) * np.sign(level[:-1]) < 0.0)
    if not change.size:
        return np.nan
    k = change[-1]
    part = level[k] / (level[k] - level[k + 1])
    return float(frequency[k] * (frequency[k + 1] / frequency[k]) ** part)


def depends_on_speed(axis: Axis) -> bool:
    """Whether friction or a notch makes another loop of each speed."""
    return bool(loops.closed(axis)[0].stribeck) or has_order_notch(axis)


def has_order_notch(axis: Axis) -> bool:
    """Whether a notch follows the speed."""
    return any(notch.order is not None for notch in loops.closed(axis)[1].notch)


def at_speeds(axis: Axis, speed: np.ndarray) -> list[tuple[SquaredGains, np.ndarray]]:
    """Loops of an axis with the places of their speeds; one for all unless friction or a notch follows the speed."""
    if not depends_on_speed(axis):
        return [(SquaredGains(loops.build(axis, 0.0)), np.arange(speed.size))]
    return [
        (SquaredGains(loops.build(axis, float(one)), FEW_BINS), np.flatnonzero(speed == one))
        for one in np.unique(speed)
    ]


def line_sum(
    gains: OrderNotchGains | SquaredGains, cycles: np.ndarray, weight: np.ndarray, exact: bool = False
) -> np.ndarray:
    """Mean squares of lines through one loop, or through loops side by side."""
    if exact:
        every, total = np.arange(cycles.shape[0]), np.empty((cycles.shape[0], len(CURVES) + 1))
        for part in blocks(*cycles.shape):
            total[part] = np.einsum("sk,skc->sc", weight[part], gains.at(every[part]).exact(cycles[part]))
        return total
    return gains.table_sum(cycles, weight)
