"""Squared gains of loops whose torque notches follow the speed: those of many speeds, side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model import filter_design
from . import loop as loops
from . import order_notches, squared_gains
from .order_notches import CURVES, Centres, Sweep, Terms, exact
from .squared_gains import BINS, BLOCK, SquaredGains

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Notch
    from .order_notches import Common


# A line closer to 0 Hz is at this frequency, turns.
NEAREST = 1e-12
# Speeds that are kept in memory at once.
MOST = 4096
# Lines at the same frequencies for all speeds that are taken one by one.
LINES = 256


class OrderNotchGains:
    """Squared gains |F|**2 of the loops of many speeds, as `SquaredGains` those of one.

    Attributes
    ----------
    loop : Loop
        Without the notches that follow.
    alike, stable : bool
    crossover : ndarray, shape (speeds,)
    white : ndarray, shape (speeds, curves)
    area : ndarray, shape (speeds, edges, curves)
        Integral of |F|**2 from 0 to each edge of the grid.
    """

    alike, stable = False, True

    def __init__(self, common: Common, centres: Centres, crossover: np.ndarray, area: np.ndarray) -> None:
        self.common, self.centres, self.crossover, self.area = common, centres, crossover, area
        self.loop, self.rate = common.loop, common.loop.rate
        self.white = 2.0 * area[:, -1]
        self.mixed = centres.mixed(common.base, common.forward)
        self.edges = common.grid.edges

    def at(self, here: np.ndarray) -> OrderNotchGains:
        """The same for some of the speeds."""
        if here.size == self.crossover.size:
            return self
        return OrderNotchGains(self.common, self.centres.at(here), self.crossover[here], self.area[here])

    def table_at(self, table: np.ndarray, here: np.ndarray) -> Any:
        """The table of some of the speeds."""
        return table[:, here]

    def exact(self, turns: np.ndarray) -> np.ndarray:
        """|F|**2 at some frequencies, a row a speed, shape (speeds, n, curves)."""
        away = _away(turns)
        return exact(self.centres, away, Terms(self.loop, away))[0]

    def complementary(self, turns: np.ndarray) -> np.ndarray:
        """T at some frequencies, a row a speed."""
        away = _away(turns)
        terms = Terms(self.loop, away)
        above = below = 1.0 + 0j
        for u, depth in zip(self.centres.detuned(np.tan(np.pi * away)), self.centres.depth, strict=True):
            below, above = below * (u + 1j), above * (u + 1j * depth)
        found = terms.forward * above / (terms.base * below + terms.forward * above)
        # a frequency beyond half a turn is seen from the other side
        return np.where(turns - np.rint(turns) < 0.0, found.conj(), found)

    def moving(self, turns: np.ndarray) -> np.ndarray:
        """|T|**2 from the table."""
        found = np.empty(turns.shape)
        for part in self._blocks(turns):
            _, above, rows = self._gains(part, turns[part])
            found[part] = above * np.take(self.common.squares[-1], rows, mode="clip")
        return found

    def gain_at(self, turns: np.ndarray, weight: np.ndarray) -> Any:
        """Sum of ``weight |F|**2`` over frequencies that are the same at all speeds."""
        away, place = np.unique(np.round(_away(turns), 12), return_inverse=True)
        weight = np.bincount(place, weight)
        some = np.argsort(-weight)[:LINES]
        rest = weight.sum() - weight[some].sum()
        turns = np.broadcast_to(away[some], (self.crossover.size, some.size))
        return self.sum_at(turns, np.broadcast_to(weight[some], turns.shape)) + rest * self.white

    def _blocks(self, turns: np.ndarray) -> list[slice]:
        size = max(1, BLOCK // 4 // max(turns.shape[1], 1))
        return [slice(first, first + size) for first in range(0, turns.shape[0], size)]

    def _gains(
        self, part: np.ndarray | slice, turns: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What the notches make of squared numerators in the table, without and with the notches in front; rows."""
        away = _away(turns)
        rows = self.common.rows(away)
        mixed = [np.take(values, rows, mode="clip") for values in self.mixed]
        detuned = self.centres.at(part).detuned(np.tan(np.pi * away))
        real, imag, below, above = self.centres.gains(detuned, mixed)
        real *= real
        imag *= imag
        real += imag
        below /= real
        above /= real
        return below, above, rows

    def _values(self, part: np.ndarray | slice, turns: np.ndarray) -> Iterator[np.ndarray]:
        """|F|**2 of curve after curve."""
        below, above, rows = self._gains(part, turns)
        for n, squares in enumerate(self.common.squares):
            yield np.take(squares, rows, mode="clip") * (above if n else below)

    def sum_at(self, turns: np.ndarray, weight: np.ndarray, table: np.ndarray | None = None) -> np.ndarray:
        """Sum over the last axis of ``weight |F|**2``, shape (speeds, curves), from a table at that."""
        weight = np.broadcast_to(weight, turns.shape)
        found = np.empty((turns.shape[0], CURVES))
        if table is not None:
            cells = self.common.cell_of[self.common.rows(_away(turns))]
            return np.einsum("sk,skc->sc", weight, table[cells, np.arange(turns.shape[0])[:, None]])
        for part in self._blocks(turns):
            for n, values in enumerate(self._values(part, turns[part])):
                found[part, n] = np.einsum("sk,sk->s", weight[part], values)
        return found

    def followed_at(
        self, turns: np.ndarray, weight: np.ndarray, orders: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """As of `SquaredGains`."""
        total, followed = np.empty((2, turns.shape[0], CURVES))
        for part in self._blocks(turns):
            values = list(self._values(part, turns[part]))
            for n, of in enumerate(values):
                total[part, n] = np.einsum("sk,sk->s", weight[part], of)
            shift = np.multiply.outer(2.0 * np.pi * np.sqrt(total[part, -1]), orders)
            bound = weight[part] * np.minimum(shift, 1.0)
            for n, of in enumerate(values):
                followed[part, n] = np.einsum("sk,sk->s", bound, of)
        return total, followed

    def mean_over(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Mean of |F|**2 between frequencies, shape (speeds, bands, curves)."""
        span, middle = high - low, 0.5 * (low + high)
        place = self.common.cell_of[self.common.rows(_away(middle))]
        narrow = span < (self.edges[1:] - self.edges[:-1])[place]
        if np.array_equal(low[..., 1:], high[..., :-1]):
            found = np.diff(self._integral(np.concatenate([low, high[..., -1:]], axis=-1)), axis=-2)
        else:
            found = self._integral(high) - self._integral(low)
        found /= np.where(narrow, 1.0, span)[..., None]
        speed, band = np.nonzero(narrow)
        values = self._values(speed, middle[speed, band][:, None])
        found[speed, band] = np.concatenate(list(values), axis=-1)
        return found

    def _integral(self, turns: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to some positive frequency, a row a speed."""
        whole = np.floor(turns)
        rest = turns - whole
        mirrored = rest > 0.5
        away = np.where(mirrored, 1.0 - rest, rest)
        cell = self.common.cell_of[self.common.rows(away)]
        share = (away - self.edges[cell]) / (self.edges[cell + 1] - self.edges[cell])
        rows = cell + self.edges.size * np.arange(turns.shape[0])[:, None]
        area = self.area.reshape(-1, CURVES)
        half = np.take(area, rows, axis=0, mode="clip")
        half += np.clip(share, 0.0, 1.0)[..., None] * (np.take(area, rows + 1, axis=0, mode="clip") - half)
        # from the other side it is a whole turn less the half
        half *= np.where(mirrored, -1.0, 1.0)[..., None]
        half += (whole + mirrored)[..., None] * self.white[:, None]
        return half

    def about_zero(self, correlation: Callable[..., Any]) -> Any:
        """Mean squares for noise about 0 Hz, shape (speeds, curves); see `SquaredGains.smeared`."""
        return np.einsum("c,scn->sn", self._masses(correlation, np.zeros(1))[0], self._means())

    def smeared(self, correlation: Callable[..., Any]) -> Any:
        """Table of what noise makes that sits about a frequency, shape (cells, speeds, curves)."""
        middles = 0.5 * (self.edges[1:] + self.edges[:-1])
        return np.tensordot(self._masses(correlation, middles), self._means(), axes=(1, 1))

    def _means(self) -> Any:
        return np.diff(self.area, axis=1) / np.diff(self.edges)[:, None]

    def _masses(self, correlation: Callable[..., Any], middles: Any) -> Any:
        """Share of noise about each of some frequencies that each cell takes, shape (frequencies, cells)."""
        kernel = np.fft.irfft(correlation(np.arange(BINS + 1.0)), 2 * BINS)
        known = np.concatenate([[0.0], (np.arange(BINS + 1) + 0.5) / (2.0 * BINS)])
        held = np.cumsum(np.concatenate([[0.0, 0.5 * kernel[0]], kernel[1 : BINS + 1]]))

        def below(turns: np.ndarray) -> Any:
            whole = np.rint(turns)
            rest = turns - whole
            return whole + np.sign(rest) * np.interp(np.abs(rest), known, held)

        return np.diff(below(self.edges - middles[:, None]) + below(self.edges + middles[:, None]), axis=-1)


class Unstable:
    """Loops that are not stable, in the place of `SquaredGains`.

    Attributes
    ----------
    stable : bool
    crossover : ndarray, shape (speeds,)
    """

    stable = False

    def __init__(self, crossover: float) -> None:
        self.crossover = crossover


def at_speeds(axis: Axis, speed: np.ndarray) -> Iterator[tuple[SquaredGains, np.ndarray]]:
    """Loops of an axis at some speeds; where only notches follow the speed those of many speeds are one."""
    notches = [notch for notch in axis.control.notch if notch.order is not None]
    if axis.load.stribeck or not notches:
        yield from squared_gains.at_speeds(axis, speed)
        return
    turns = np.multiply.outer(
        [notch.order for notch in notches], speed / (axis.scale.pitch * axis.sampling.rate)
    )
    turns = np.abs(turns - np.rint(turns))
    reached = (turns >= filter_design.SLOWEST) & (turns <= filter_design.FASTEST)
    for pattern in np.unique(reached, axis=1).T:
        there = np.flatnonzero((reached == pattern[:, None]).all(axis=0))
        some = [notch for notch, near in zip(notches, pattern, strict=True) if near]
        if not some:
            yield SquaredGains(loops.build(axis, 0.0)), there
            continue
        for part in np.array_split(there, -(-there.size // MOST)):
            yield from _reached(axis, speed, part, some, turns[pattern][:, part])


def _reached(
    axis: Axis, speed: np.ndarray, there: np.ndarray, notches: list[Notch], turns: np.ndarray
) -> Iterator[tuple[OrderNotchGains, np.ndarray]]:
    """Loops of speeds at which these notches are in reach."""
    damping = tuple(notch.damping for notch in notches)
    # a notch of two real poles has its slower one at least so far below; whole powers of 10 to find it again
    slowest = 10.0 ** np.floor(np.log10(float(turns.min()) / max(1.0, 2.0 * max(damping))))
    common = order_notches.common(axis, float(slowest))
    if common is None:
        yield from _one_by_one(axis, speed, there)
        return
    centres = Centres(np.tan(np.pi * turns), damping, tuple(notch.depth for notch in notches))
    sweep = Sweep(common, centres)
    yield from _one_by_one(axis, speed, there[~sweep.sure])
    lost, kept = (np.flatnonzero(sweep.sure & (sweep.stable == stable)) for stable in (False, True))
    if lost.size:
        yield Unstable(sweep.crossover[lost]), there[lost]
    if kept.size:
        yield OrderNotchGains(common, centres.at(kept), sweep.crossover[kept], sweep.area(kept)), there[kept]


def _one_by_one(axis: Axis, speed: np.ndarray, there: np.ndarray) -> Iterator[Any]:
    if there.size:
        yield from ((power, there[some]) for power, some in squared_gains.at_speeds(axis, speed[there]))


def _away(turns: np.ndarray) -> np.ndarray:
    """Distance from the next whole turn, never quite 0."""
    return np.maximum(np.abs(turns - np.rint(turns)), NEAREST)
