"""What a closed loop makes of the mean square of encoder errors: lines, bands, white and coloured noise.

Frequencies are in turns, cycles a loop period; a loop repeats with the whole turn. Every array ends with the
curves of ``NAMES`` and then the squared complementary sensitivity, |T|**2.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from . import loop as loops
from . import stability
from .state_space import CURVES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop import Loop


NAMES = CURVES
BINS = 1 << 14
FEW_BINS = 1 << 12
# Elements of one table look-up at a time: some MB.
BLOCK = 1 << 17


class SquaredGains:
    """Squared gains |F|**2 of one loop, exact and as a table of even bins between 0 and half a turn.

    Attributes
    ----------
    stable : bool
    crossover : float
        Highest frequency at which the loop gain is 1, Hz; NaN if there is none.
    white : ndarray
        Mean square of each curve for a white error of mean square 1.
    table : ndarray, shape (bins, curves)
        Mean of |F|**2 in each bin.
    alike : bool
        That the loop is the same at all speeds.
    """

    alike = True

    def __init__(self, loop: Loop, bins: int = BINS) -> None:
        self.loop, self.rate, self.bins = loop, loop.rate, bins
        analysis = stability._Analysis(loop)
        self.frequency = analysis.frequency
        self.crossover = crossover_of(analysis.frequency, np.abs(analysis.gain))
        self.stable = analysis._stable()
        if self.stable:
            self._tabulate()

    def _tabulate(self) -> None:
        turns = np.concatenate([[0.0], self.frequency / self.rate])
        square = self.exact(turns)
        area = np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(turns)[:, None], axis=0)
        area = np.concatenate([np.zeros((1, square.shape[1])), area])
        edges = np.linspace(0.0, 0.5, self.bins + 1)
        self.area = np.stack([np.interp(edges, turns, column) for column in area.T], axis=-1)
        self.table = np.diff(self.area, axis=0) * (2.0 * self.bins)
        self.white = 2.0 * self.area[-1]

    def exact(self, turns: np.ndarray) -> np.ndarray:
        """|F|**2 at some frequencies, shape (..., curves)."""
        response = self.loop.response(np.asarray(turns) * self.rate)
        found = [getattr(response, name) for name in (*NAMES, "complementary")]
        return np.stack([part.real**2 + part.imag**2 for part in found], axis=-1)

    def complementary(self, turns: np.ndarray) -> np.ndarray:
        """T at some frequencies."""
        return self.loop.response(turns * self.rate).complementary

    def at(self, here: np.ndarray) -> SquaredGains:
        """The loop of some of the speeds: it is the same for all."""
        return self

    def table_at(self, table: np.ndarray, here: np.ndarray) -> np.ndarray:
        """The table of some of the speeds."""
        return table

    def moving(self, turns: np.ndarray) -> np.ndarray:
        """|T|**2 at some frequencies, from the table."""
        return self.table[self.rows(turns), -1]

    def gain_at(self, turns: np.ndarray, weight: np.ndarray) -> Any:
        """Sum of ``weight |F|**2`` over frequencies."""
        return weight @ self.exact(turns)

    def rows(self, turns: np.ndarray) -> np.ndarray:
        """Rows of the table at some frequencies."""
        away = np.abs(turns - np.rint(turns))
        return np.minimum((away * (2.0 * self.bins)).astype(np.int32), self.bins - 1)

    def _look_up(self, turns: np.ndarray, table: np.ndarray) -> np.ndarray:
        """Table at some frequencies; rows are in range, and not checking them again is more than twice as fast."""
        return np.take(table, self.rows(turns), axis=0, mode="clip")

    def sum_at(self, turns: np.ndarray, weight: np.ndarray, table: np.ndarray | None = None) -> np.ndarray:
        """Sum over the last axis of ``weight |F|**2``, shape (speeds, curves), from the table."""
        table = self.table if table is None else table
        weight = np.broadcast_to(weight, turns.shape)
        found = np.empty((turns.shape[0], table.shape[1]))
        size = max(1, BLOCK // max(turns.shape[1], 1))
        for first in range(0, turns.shape[0], size):
            part = slice(first, first + size)
            values = self._look_up(turns[part], table)
            found[part] = np.matmul(weight[part, None, :], values)[:, 0]
        return found

    def followed_at(
        self, turns: np.ndarray, weight: np.ndarray, orders: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Sum as :meth:`sum_at`, and the part of it that comes from steps which the loop follows."""
        total, followed = np.empty((2, turns.shape[0], self.table.shape[1]))
        size = max(1, BLOCK // max(turns.shape[1], 1))
        for first in range(0, turns.shape[0], size):
            part = slice(first, first + size)
            values = self._look_up(turns[part], self.table)
            total[part] = np.matmul(weight[part, None, :], values)[:, 0]
            shift = np.multiply.outer(2.0 * np.pi * np.sqrt(total[part, -1]), orders)
            followed[part] = np.matmul((weight[part] * np.minimum(shift, 1.0))[:, None, :], values)[:, 0]
        return total, followed

    def mean_over(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Mean of |F|**2 between frequencies, shape (..., curves)."""
        span = high - low
        narrow = span < 1e-9
        if np.array_equal(low[..., 1:], high[..., :-1]):
            integral = self._integral(np.concatenate([low, high[..., -1:]], axis=-1))
            area = np.diff(integral, axis=-2)
        else:
            area = self._integral(high) - self._integral(low)
        found = area / np.where(narrow, 1.0, span)[..., None]
        if narrow.any():
            found[narrow] = self.table[self.rows(0.5 * (low + high)[narrow])]
        return found

    def _integral(self, turns: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to some positive frequency."""
        whole = np.floor(turns)
        rest = turns - whole
        mirrored = rest > 0.5
        place = np.where(mirrored, 1.0 - rest, rest) * (2.0 * self.bins)
        below = np.minimum(place.astype(np.int32), self.bins - 1)
        half = self.area[below] + (place - below)[..., None] * (self.area[below + 1] - self.area[below])
        turn = 2.0 * self.area[-1]
        return whole[..., None] * turn + np.where(mirrored[..., None], turn - half, half)

    def about_zero(self, correlation: Callable[..., Any]) -> np.ndarray:
        """What noise makes that sits about 0 Hz: the first row of :meth:`smeared`."""
        return self.smeared(correlation)[0]

    def held(self, ratio: float, images: int) -> Any:
        """Table of what lines make that are held from tick to tick of another clock, with all their images."""
        edges = np.linspace(0.0, 0.5, self.bins + 1)
        middle = 0.5 * (edges[1:] + edges[:-1])
        found = outside(middle, images)[:, None] * self.white
        for j in range(-images, images + 1):
            low, high = (edges[:-1] + j) * ratio, (edges[1:] + j) * ratio
            found += np.sinc(middle + j)[:, None] ** 2 * self.mean_over(low, high)
        return found

    def smeared(self, correlation: Callable[..., Any]) -> np.ndarray:
        """Table of what noise makes that sits about a frequency."""
        circle = np.concatenate([self.table, self.table[::-1]])
        kept = correlation(np.arange(self.bins + 1.0))
        lags = np.fft.rfft(circle, axis=0) * kept[:, None]
        return np.fft.irfft(lags, 2 * self.bins, axis=0)[: self.bins]


def outside(cycles: np.ndarray, images: int) -> Any:
    """Share of a held line, a part of the clock's rate from 0, that is in none of so many images to each side."""
    square = (np.sin(np.pi * cycles) / np.pi) ** 2
    return square * (_tail(images + 1 + cycles) + _tail(images + 1 - cycles))


def _tail(x: float) -> Any:
    """Sum of 1/(x + n)**2 over n from 0 on, to 4e-6 of it from x = 4 on: the images that are left."""
    return (1.0 + (0.5 + (1.0 / 6.0 - 1.0 / (30.0 * x * x)) / x) / x) / x


def crossover_of(frequency: np.ndarray, size: np.ndarray) -> float:
    """Highest frequency at which the gain is 1, between grid points on a log scale."""
    with np.errstate(divide="ignore"):
        level = np.log(size)
    change = np.flatnonzero(np.sign(level[1:]) * np.sign(level[:-1]) < 0.0)
    if not change.size:
        return np.nan
    k = change[-1]
    part = level[k] / (level[k] - level[k + 1])
    return float(frequency[k] * (frequency[k + 1] / frequency[k]) ** part)


def follows_speed(axis: Axis) -> bool:
    """Whether friction or a notch makes another loop of each speed."""
    return bool(axis.load.stribeck) or follows_order(axis)


def follows_order(axis: Axis) -> bool:
    """Whether a notch follows the speed."""
    return any(notch.order is not None for notch in axis.control.notch)


def at_speeds(axis: Axis, speed: np.ndarray) -> list[tuple[SquaredGains, np.ndarray]]:
    """Loops of an axis at some speeds, one for all unless friction or a notch follows the speed."""
    first = loops.build(axis, 0.0)
    if not follows_speed(axis):
        return [(SquaredGains(first), np.arange(speed.size))]
    found = []
    for one in np.unique(speed):
        found.append((SquaredGains(loops.build(axis, float(one)), FEW_BINS), np.flatnonzero(speed == one)))
    return found
