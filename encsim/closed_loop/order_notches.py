"""Loops of many speeds that differ in torque notches which follow the speed, all at once.

A notch with its centre at t_c = tan(pi c), c in turns, is N = (u + i depth)/(u + i) with
u = (t_c/t - t/t_c)/(2 z), t = tan(pi f). Everything else is the same at all speeds, so that each squared gain is a
squared numerator times |N|**2 / |B + X N|**2, X/B the loop gain without the notch.

Frequencies at which the loops of many speeds are evaluated together, dense wherever a loop may be narrow.

Frequencies are in turns, cycles a loop period. They lie evenly over a smooth scale, which makes of plain sums over
them integrals that are as good as exact for all that is not narrower than their distance.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from . import loop as loops
from . import stability
from .squared_gains import NAMES
from .timed_edge_loops import square

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop import Loop


# Points of a cell.
IN_CELL = 4
# Points a factor e of frequency, points at least over the half turn, and points a turn of phase of the longest delay.
PER_E = 40.0
EVEN = 240.0
PER_DELAY = 10.0
# Points a half width of a pole that is narrower than this share of its frequency; none is taken narrower than the last.
PER_WIDTH = 1.5
NARROW = 0.15
NARROWEST = 1e-5
# Below this share of the slowest pole, or of the lowest notch, points lie evenly.
BEGINNING = 0.5
# More states than this are left to loops one by one.
LONGEST = 400
# A pole is taken as slow below the one, turns, and as free below the other.
SLOW, FREE = 1e-2, 1e-12
# Tables: exact at nodes that are even over the root of the frequency, straight lines between them.
NODES = 1 << 12
BETWEEN = 8


class Grid:
    """Midpoints of a scale that is even where the loop is smooth.

    Attributes
    ----------
    turns, weight : ndarray, shape (n,)
        Frequencies from 0 to 1/2 and the part of the half turn that each stands for.
    edges : ndarray, shape (cells + 1,)
        From 0 to 1/2, every ``IN_CELL`` points.
    """

    def __init__(self, poles: np.ndarray, lowest: float, delay: int) -> None:
        place = np.abs(np.angle(1.0 + poles)) / (2.0 * np.pi)
        width = np.maximum(np.abs(np.abs(1.0 + poles) - 1.0) / (2.0 * np.pi), NARROWEST * place)
        kept = (place > lowest) & (place < 0.5) & (width < NARROW * place)
        self.place, self.width, self.lowest = place[kept], width[kept], lowest
        self.even = max(EVEN, 0.5 * PER_DELAY * delay)
        self._lay_out()

    def _scale(self, turns: np.ndarray) -> np.ndarray:
        from_poles = np.arcsinh(np.subtract.outer(turns, self.place) / self.width).sum(axis=-1)
        return PER_E * np.log(turns + self.lowest) + 2.0 * self.even * turns + PER_WIDTH * from_poles

    def _density(self, turns: np.ndarray) -> np.ndarray:
        from_poles = 1.0 / np.hypot(np.subtract.outer(turns, self.place), self.width)
        return PER_E / (turns + self.lowest) + 2.0 * self.even + PER_WIDTH * from_poles.sum(axis=-1)

    def _lay_out(self) -> None:
        offsets = np.outer(self.width, np.sinh(np.linspace(-8.0, 8.0, 41)))
        known = [
            np.zeros(1),
            np.geomspace(0.01 * self.lowest, 0.5, 2000),
            (self.place[:, None] + offsets).ravel(),
        ]
        known = np.unique(np.concatenate(known))
        known = known[(known >= 0.0) & (known <= 0.5)]
        scale = self._scale(known)
        number = IN_CELL * int(np.ceil((scale[-1] - scale[0]) / IN_CELL))
        step = (scale[-1] - scale[0]) / number
        wanted = scale[0] + step * np.concatenate(
            [np.arange(number) + 0.5, np.arange(0, number + 1, IN_CELL)]
        )
        found = np.interp(wanted, scale, known)
        for _ in range(3):
            found = np.clip(found + (wanted - self._scale(found)) / self._density(found), 0.0, 0.5)
        self.turns, self.edges = found[:number], found[number:]
        self.edges[0], self.edges[-1] = 0.0, 0.5
        self.weight = step / self._density(self.turns)


class Terms:
    """A loop without the notches that follow, at some frequencies.

    Attributes
    ----------
    base, forward : ndarray of complex, shape of the frequencies
        Loop gain as forward over base, both over one real number, so that neither is large.
    squares : ndarray, shape (..., curves)
        Squared numerators over the square of that number; the first is of the curve that no notch is in front of.
    """

    def __init__(self, loop: Loop, turns: np.ndarray) -> None:
        parts = loop.parts(turns * loop.rate)
        estimate = loop.estimator.response(parts.turns * loop.rate, loop.rate)
        command = loop.control.position_gain + estimate
        forward = command * parts.forward
        size = np.sqrt(square(parts.base) + square(forward))
        self.base, self.forward = parts.base / size, forward / size
        numerators = [estimate * self.base, *[command * part / size for part in parts.acted], self.forward]
        self.squares = np.stack([square(part) for part in numerators], axis=-1)


class Common:
    """The loop without the notches that follow, on the grid and in tables.

    Attributes
    ----------
    loop : Loop
    grid : Grid
    terms : Terms
        On the grid.
    turned : ndarray of complex, shape (n,)
        See `turned`, on the grid.
    base, forward : ndarray of complex, shape (rows,)
    squares : ndarray, shape (curves, rows)
        Tables of the terms.
    cell_of : ndarray of int, shape (rows,)
        Cell of the grid in which a row lies.
    """

    def __init__(self, loop: Loop, poles: np.ndarray, lowest: float) -> None:
        self.loop = loop
        self.grid = Grid(poles, lowest, loop.plant.transfer.reading_delay + loop.memory)
        self.terms = Terms(loop, self.grid.turns)
        self.turned = turned(loop, self.grid.turns, self.terms)
        nodes = 0.5 * (np.arange(NODES + 1) / NODES) ** 2
        nodes[0] = 1e-3 * nodes[1]
        known = Terms(loop, nodes)
        self.base, self.forward, self.squares = map(_between, (known.base, known.forward, known.squares))
        middles = 0.5 * ((np.arange(NODES * BETWEEN) + 0.5) / (NODES * BETWEEN)) ** 2
        self.cell_of = np.searchsorted(self.grid.edges[1:-1], middles)

    def rows(self, turns: np.ndarray) -> np.ndarray:
        """Rows of the tables at frequencies 0 to 1/2."""
        rows = np.sqrt(turns * (2.0 * (NODES * BETWEEN) ** 2)).astype(np.int32)
        return np.minimum(rows, NODES * BETWEEN - 1)


def turned(loop: Loop, turns: np.ndarray, terms: Terms) -> np.ndarray:
    """Phase from the base of a loop to the denominator of its open loop, as polynomial in z**-1."""
    found = stability.open_polynomial(loop, turns * loop.rate) / terms.base
    return found / np.abs(found)


@lru_cache(maxsize=4)
def common(axis: Axis, slowest: float) -> Common:
    """What the loops of an axis have in common."""
    # at rest no notch that follows is in reach
    loop = loops.build(axis, 0.0)
    closed = loop.closed(LONGEST)
    if closed is None:
        return None
    poles = closed.poles()
    with np.errstate(divide="ignore", invalid="ignore"):
        slow = np.abs(np.log(1.0 + poles)) / (2.0 * np.pi)
    lowest = BEGINNING * min(slowest, float(slow[slow > FREE].min(initial=SLOW)))
    return Common(loop, np.concatenate([poles, np.roots(loop.plant.transfer.denominator)]), lowest)


def _between(known: np.ndarray) -> np.ndarray:
    """Rows at the middles of ``BETWEEN`` parts between each two."""
    share = ((np.arange(BETWEEN) + 0.5) / BETWEEN).reshape(-1, *[1] * (known.ndim - 1))
    found = known[:-1, None] + share * (known[1:, None] - known[:-1, None])
    return np.ascontiguousarray(found.reshape(-1, *known.shape[1:]).T)


CURVES = len(NAMES) + 1
# Elements of an array that stays in the cache.
TOGETHER = 1 << 15
# Tangent of the phase, 0.7 rad, that a step of the grid may turn before it is looked at more closely.
TURNED = 0.84
# Steps that one pole turns so far; cells to each side of them that are computed anew, with so many points.
MOST_STEPS = 4
SIDE = 1
POINTS = 40
SECANTS = 4
SMALLEST = 1e-12
# Phase that a step between those points may turn, rad.
STEP = 1.4
# Half widths of a notch, in steps, below which it must be seen to turn, and below which two of them may hide.
HIDDEN, SHARP = 0.25, 1.5
# Rounds in search of a crossover; within so many steps a notch that is narrower, in steps, is passed in finer ones.
CROSSINGS = 6
BESIDE = 6
FINE = 3.0
FINER = np.linspace(-1.0, 1.0, 61)


class Centres:
    """Notches at some speeds.

    Attributes
    ----------
    tangent : ndarray, shape (notches, speeds)
        Of half the angle of each centre.
    damping, depth : tuple of float
    """

    def __init__(self, tangent: np.ndarray, damping: tuple[float], depth: tuple[float]) -> None:
        self.tangent, self.damping, self.depth = tangent, damping, depth

    def at(self, here: np.ndarray | slice) -> Centres:
        """The same at some of the speeds."""
        return Centres(self.tangent[:, here], self.damping, self.depth)

    def detuned(self, tangent: np.ndarray) -> Iterator[np.ndarray]:
        """Detuning u of each notch, one speed a row of ``tangent``."""
        for centre, damping in zip(self.tangent, self.damping, strict=True):
            centre = centre.reshape(-1, *[1] * (tangent.ndim - 1))
            yield (0.5 / damping * centre) / tangent - tangent * (0.5 / damping / centre)

    def on_grid(self, tangent: np.ndarray) -> Iterator[np.ndarray]:
        """Detuning u of each notch, one speed a column and one frequency a row."""
        for centre, damping in zip(self.tangent, self.damping, strict=True):
            found = np.multiply.outer(1.0 / tangent, 0.5 / damping * centre)
            found -= np.multiply.outer(tangent, 0.5 / damping / centre)
            yield found

    def mixed(
        self, base: np.ndarray, forward: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Coefficients of what :meth:`gains` adds up, from base and forward: real and imaginary parts."""
        if len(self.depth) == 1:
            base, forward = base + forward, 1j * (base + self.depth[0] * forward)
        return tuple(
            np.ascontiguousarray(part) for part in (base.real, base.imag, forward.real, forward.imag)
        )

    def gains(
        self,
        detuned: Iterator[Any],
        mixed: list[np.ndarray] | tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Characteristic values, and the squares of the notches' denominators and numerators."""
        detuned = list(detuned)
        if len(detuned) == 1:
            u, depth = detuned[0], self.depth[0]
            real, imag, size = mixed[0] * u, mixed[1] * u, u * u
            real += mixed[2]
            imag += mixed[3]
            return real, imag, size + 1.0, size + depth * depth
        below = above = 1.0 + 0j
        for u, depth in zip(detuned, self.depth, strict=True):
            below, above = below * (u + 1j), above * (u + 1j * depth)
        real = mixed[0] * below.real - mixed[1] * below.imag + mixed[2] * above.real - mixed[3] * above.imag
        imag = mixed[0] * below.imag + mixed[1] * below.real + mixed[2] * above.imag + mixed[3] * above.real
        return real, imag, square(below), square(above)


class Sweep:
    """Loops of many speeds, evaluated on one grid.

    Attributes
    ----------
    stable, sure : ndarray of bool, shape (speeds,)
        ``sure`` where nothing is narrower than what was looked at: the others need to be computed one by one.
    crossover : ndarray, shape (speeds,)
    cells : ndarray, shape (cells, curves, speeds)
        Integral of |F|**2 over each cell of the grid.
    """

    def __init__(self, common: Common, centres: Centres) -> None:
        self.common, self.centres = common, centres
        grid, number = common.grid, centres.tangent.shape[1]
        self.tangent = np.tan(np.pi * grid.turns)
        lag = np.exp(-2j * np.pi * len(centres.depth) * grid.turns) * common.turned
        self.mixed = centres.mixed(common.terms.base * lag, common.terms.forward * lag)
        self.cells = np.empty((grid.edges.size - 1, CURVES, number))
        self.circled, self.last = np.zeros(number), np.full(number, -1)
        self.sure = np.ones(number, dtype=bool)
        self._sweep()
        self.stable = self._unstable_poles() == 0
        self.crossover = self._crossovers()

    def area(self, here: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to each edge of the grid, for some speeds, shape (speeds, cells + 1, curves)."""
        cells = self.cells[:, :, here].transpose(2, 0, 1)
        found = np.zeros((here.size, cells.shape[1] + 1, CURVES))
        np.cumsum(cells, axis=1, out=found[:, 1:])
        return found

    def _sweep(self) -> None:
        """Cells, turns of the characteristic value and last crossing of gain 1, block by block of the grid."""
        grid, terms, number = self.common.grid, self.common.terms, self.centres.tangent.shape[1]
        size = IN_CELL * max(1, TOGETHER // (IN_CELL * number))
        weighted = grid.weight[:, None] * terms.squares
        gains = square(terms.base), square(terms.forward)
        narrow, before = [], None
        for start in range(0, grid.turns.size, size):
            part = slice(start, start + size)
            detuned = self.centres.on_grid(self.tangent[part])
            mixed = [values[part, None] for values in self.mixed]
            real, imag, below, above = self.centres.gains(detuned, mixed)
            over = above * gains[1][part, None] > below * gains[0][part, None]
            self._fill_cells(start, weighted[part], real, imag, below, above)
            now = real, imag, over
            if before is None:
                # a step from the first row to itself
                self.begun, before = (real[0], imag[0]), tuple(rows[:1] for rows in now)
            narrow.append(self._steps(start, *map(_joined, before, now)))
            before = tuple(rows[-1:] for rows in now)
        self.ended = real[-1], imag[-1]
        self._refine(*np.concatenate(narrow, axis=1))

    def _fill_cells(
        self,
        start: int,
        weighted: np.ndarray,
        real: np.ndarray,
        imag: np.ndarray,
        below: np.ndarray,
        above: np.ndarray,
    ) -> None:
        size = real * real
        size += imag * imag
        below /= size
        above /= size
        cells = slice(start // IN_CELL, (start + len(weighted)) // IN_CELL)
        shape = -1, IN_CELL, real.shape[1]
        left = np.ascontiguousarray(weighted.reshape(-1, IN_CELL, CURVES).transpose(0, 2, 1))
        np.matmul(left[:, :1], below.reshape(shape), out=self.cells[cells, :1])
        np.matmul(left[:, 1:], above.reshape(shape), out=self.cells[cells, 1:])

    def _steps(self, start: int, real: np.ndarray, imag: np.ndarray, over: np.ndarray) -> np.ndarray:
        """Count circles over the steps from row to row; (step, speed) of those that turn far."""
        across = real[:-1] * imag[1:]
        across -= imag[:-1] * real[1:]
        along = real[:-1] * real[1:]
        along += imag[:-1] * imag[1:]
        along *= TURNED
        far = ~(np.abs(across, out=across) <= along)
        under = imag < 0.0
        passing = (under[1:] != under[:-1]) & (real[1:] < 0.0) & ~far
        down = passing & under[1:]
        self.circled += 2.0 * np.count_nonzero(down, axis=0) - np.count_nonzero(passing, axis=0)
        change = over[1:] != over[:-1]
        some = change.any(axis=0)
        first = start - 1
        last = first + len(change) - 1 - np.argmax(change[::-1], axis=0)
        self.last = np.where(some, last, self.last)
        step, speed = np.nonzero(far)
        return np.stack([step + first, speed])

    def _unstable_poles(self) -> np.ndarray:
        """Number of poles outside the circle; `winding.encirclements` for all speeds."""
        for real, imag in (self.begun, self.ended):
            self.sure &= np.abs(imag) <= np.abs(real)
        phase = np.arctan2(self.ended[1], self.ended[0]) - np.arctan2(self.begun[1], self.begun[0])
        return -np.round(phase / np.pi + 2.0 * self.circled)

    def _refine(self, step: np.ndarray, speed: np.ndarray) -> None:
        """Compute cells anew round poles that are narrower than the grid, and count their circles."""
        self._doubt_hidden(step, speed)
        first, last, speed = self._runs(step, speed)
        if not speed.size:
            return
        grid, centres = self.common.grid, self.centres.at(speed)
        ends = np.stack([grid.turns[first], grid.turns[last + 1]], axis=-1)
        middle, width = self._located(centres, ends)
        low, high = self._surroundings(first, last, speed)
        turns, weight = _gathered(middle, width, grid.edges[low], grid.edges[high + 1])
        squares, value = self._exact(centres, turns)
        self._count(speed, centres, ends, turns, value)
        for n in range(int((high - low).max()) + 1):
            some = low + n <= high
            self.cells[low[some] + n, :, speed[some]] = 0.0
        place = np.clip(np.searchsorted(grid.edges, turns, side="right") - 1, low[:, None], high[:, None])
        every = np.broadcast_to(speed[:, None], place.shape)
        np.add.at(self.cells.transpose(0, 2, 1), (place, every), squares * weight[..., None])

    def _doubt_hidden(self, step: np.ndarray, speed: np.ndarray) -> None:
        """Doubt speeds at which a notch is narrower than a step but nothing turns there, or two notches are as one."""
        # Two poles within a step may turn by a whole circle, which cannot be seen.
        turns, (_, place, half) = self.common.grid.turns, self._places()
        seen = np.zeros((turns.size + 2 * MOST_STEPS, self.sure.size), dtype=bool)
        seen[step + MOST_STEPS, speed] = True
        for n, every in zip(place, half < HIDDEN, strict=True):
            some = np.flatnonzero(every)
            around = n[some] + np.arange(2 * MOST_STEPS + 1)[:, None]
            self.sure[some] &= seen[around, some].any(axis=0)
        order = np.argsort(place, axis=0)
        close = np.diff(np.take_along_axis(place, order, axis=0), axis=0) < MOST_STEPS
        sharp = np.take_along_axis(half, order, axis=0) < SHARP
        self.sure &= ~(close & sharp[1:] & sharp[:-1]).any(axis=0)

    def _places(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Centre of each notch, the step of the grid it lies in, and its half width in such steps."""
        turns = self.common.grid.turns
        centre = np.arctan(self.centres.tangent) / np.pi
        place = np.clip(np.searchsorted(turns, centre), 1, turns.size - 1) - 1
        half = np.sin(2.0 * np.pi * centre) * np.array(self.centres.damping)[:, None] / (2.0 * np.pi)
        return centre, place, half / (turns[place + 1] - turns[place])

    def _runs(self, step: np.ndarray, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """First and last step of each run of steps, one pole each; speeds with anything else are not sure."""
        order = np.lexsort((step, speed))
        step, speed = step[order], speed[order]
        new = np.ones(step.size, dtype=bool)
        new[1:] = (speed[1:] != speed[:-1]) | (step[1:] != step[:-1] + 1)
        start = np.flatnonzero(new)
        first, last = step[start], step[np.append(start[1:], step.size) - 1] if start.size else step
        speed = speed[start]
        near = (speed[1:] == speed[:-1]) & (first[1:] // IN_CELL <= (last[:-1] + 1) // IN_CELL)
        lost = np.concatenate([speed[1:][near], speed[last - first >= MOST_STEPS]])
        self.sure[lost] = False
        kept = self.sure[speed]
        return first[kept], last[kept], speed[kept]

    def _surroundings(self, first: int, last: float, speed: float) -> Any:
        """First and last cell to compute anew; between two poles of a speed as many for each."""
        low = np.maximum(first // IN_CELL - SIDE, 0)
        high = np.minimum((last + 1) // IN_CELL + SIDE, self.cells.shape[0] - 1)
        clash = np.flatnonzero((speed[1:] == speed[:-1]) & (low[1:] <= high[:-1]))
        middle = (first[clash + 1] // IN_CELL + (last[clash] + 1) // IN_CELL) // 2
        high[clash], low[clash + 1] = middle, middle + 1
        return low, high

    def _exact(self, centres: np.ndarray, turns: np.ndarray) -> Any:
        """Squares |F|**2 of shape (..., curves) and characteristic values, a row a speed."""
        terms = Terms(self.common.loop, turns)
        lag = np.exp(-2j * np.pi * len(centres.depth) * turns) * turned(self.common.loop, turns, terms)
        squares, real, imag = exact(centres, turns, terms, lag)
        return squares, real + 1j * imag

    def _located(self, centres: np.ndarray, ends: np.ndarray) -> Any:
        """Frequency and half width of the pole between two frequencies, by secants that draw near to it."""
        pair = ends.copy()
        for _ in range(SECANTS):
            value = self._exact(centres, pair)[1]
            with np.errstate(divide="ignore", invalid="ignore"):
                found = pair[:, 0] - value[:, 0] * (pair[:, 1] - pair[:, 0]) / (value[:, 1] - value[:, 0])
            found = np.where(np.isfinite(found), found, pair.mean(axis=-1))
            middle = np.clip(found.real, ends[:, 0], ends[:, 1])
            width = np.clip(np.abs(found.imag), SMALLEST * middle, 0.5 * (ends[:, 1] - ends[:, 0]))
            pair = np.stack(
                [np.maximum(middle - width, 0.5 * middle), np.minimum(middle + width, 0.5)], axis=-1
            )
        return middle, width

    def _count(
        self, speed: float, centres: np.ndarray, ends: np.ndarray, turns: np.ndarray, value: float
    ) -> None:
        """Circles of the characteristic value between two frequencies."""
        outer = self._exact(centres, ends)[1]
        value = np.where(turns < ends[:, :1], outer[:, :1], value)
        value = np.where(turns > ends[:, 1:], outer[:, 1:], value)
        value = np.concatenate([outer[:, :1], value, outer[:, 1:]], axis=-1)
        phase = np.angle(value[:, 1:] / value[:, :-1])
        self.sure[speed[np.abs(phase).max(axis=-1) > STEP]] = False
        whole = np.angle(outer[:, 0]) + phase.sum(axis=-1) - np.angle(outer[:, 1])
        np.add.at(self.circled, speed, np.round(whole / (2.0 * np.pi)))

    def _crossovers(self) -> np.ndarray:
        """Highest frequency at which the loop gain is 1, Hz, by false position between two points."""
        found, there = np.full(self.last.size, np.nan), np.flatnonzero(self.last >= 0)
        if not there.size:
            return found
        ends, centres, every = self._crossing(there), self.centres.at(there), np.arange(there.size)
        level, before = self._level(centres, np.exp(ends)), np.full(there.size, -1)
        for _ in range(CROSSINGS):
            share = level[:, 0] / (level[:, 0] - level[:, 1])
            place = ends[:, 0] + share * (ends[:, 1] - ends[:, 0])
            new = self._level(centres, np.exp(place)[:, None])[:, 0]
            side = ((new > 0.0) != (level[:, 0] > 0.0)).astype(int)
            ends[every, side], level[every, side] = place, new
            # an end that stays twice counts half, or it would stay for ever (Illinois)
            level[every, 1 - side] *= np.where(side == before, 0.5, 1.0)
            before = side
        found[there] = np.exp(place) * self.common.loop.rate
        return found

    def _crossing(self, there: np.ndarray) -> np.ndarray:
        """Logarithms of the frequencies beside the highest crossing, in finer steps close to a narrow notch."""
        turns = self.common.grid.turns
        ends = np.stack([turns[self.last[there]], turns[self.last[there] + 1]], axis=-1)
        for centre, place, half in zip(*(part[:, there] for part in self._places()), strict=True):
            some = np.flatnonzero((half < FINE) & (np.abs(place - self.last[there]) <= BESIDE))
            if not some.size:
                continue
            step = (turns[place + 1] - turns[place])[some]
            width = half[some] * step
            reach = np.arcsinh(1.5 * BESIDE * step / width)
            finer = centre[some, None] + width[:, None] * np.sinh(np.multiply.outer(reach, FINER))
            finer = np.clip(finer, turns[0], 0.5)
            over = self._level(self.centres.at(there[some]), finer) > 0.0
            change = over[:, 1:] != over[:, :-1]
            last = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=-1)
            every = np.arange(some.size)
            better = change.any(axis=-1) & (finer[every, last + 1] > ends[some, 0])
            ends[some[better]] = np.stack([finer[every, last], finer[every, last + 1]], axis=-1)[better]
        return np.log(ends)

    def _level(self, centres: Centres, turns: np.ndarray) -> np.ndarray:
        """Logarithm of the squared loop gain, a row a speed."""
        terms = Terms(self.common.loop, turns)
        detuned = centres.detuned(np.tan(np.pi * turns))
        *_, below, above = centres.gains(detuned, centres.mixed(terms.base, terms.forward))
        with np.errstate(divide="ignore"):
            return np.log(square(terms.forward) * above) - np.log(square(terms.base) * below)


def exact(
    centres: Centres, turns: np.ndarray, terms: Terms, lag: float = 1.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Squared gains of the curves and the characteristic values."""
    detuned = centres.detuned(np.tan(np.pi * turns))
    real, imag, below, above = centres.gains(detuned, centres.mixed(terms.base * lag, terms.forward * lag))
    size = real * real + imag * imag
    gain = np.stack([below, *[above] * (CURVES - 1)], axis=-1) / size[..., None]
    return terms.squares * gain, real, imag


def _gathered(middle: np.ndarray, width: float | np.ndarray, low: float, high: float) -> Any:
    """Frequencies and weights for an integral from low to high over a peak, a row each."""
    node, share = np.polynomial.legendre.leggauss(POINTS)
    begin, end = (np.arcsinh((edge - middle) / width)[:, None] for edge in (low, high))
    place = 0.5 * (begin + end) + 0.5 * (end - begin) * node
    turns = middle[:, None] + width[:, None] * np.sinh(place)
    return turns, 0.5 * (end - begin) * share * width[:, None] * np.cosh(place)


def _joined(before: np.ndarray, now: np.ndarray) -> np.ndarray:
    return np.concatenate([before, now])
