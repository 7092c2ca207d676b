"""Stability, crossover and integrals of the loops of many speeds whose torque notches follow the speed.

All loops are evaluated on one grid of frequencies. Poles narrower than the grid are found by the phase that the
characteristic value turns in one step, and the cells around them are computed again. Speeds at which this is not sure
are left to `squared_gains`, one loop per speed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from ..model import filter_design
from . import loop as loops
from . import order_notch_gains, squared_gains
from .order_notch_gains import COLUMNS, IN_CELL, LoopTerms, NotchCentres, OrderNotchGains, exact, open_phase
from .squared_gains import SquaredGains, UnstableGains, abs_squared

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Notch
    from .order_notch_gains import SharedLoop


# Elements of an array that stays in the cache, and speeds that are kept in memory at once.
TOGETHER = 1 << 15
MOST = 4096
# Tangent of the phase, 0.7 rad, that the characteristic value may turn in a step of the grid without closer inspection.
FAR = 0.84
# Steps that one pole turns by more; cells to each side of them that are computed again, with so many points.
MOST_STEPS = 4
SIDE = 1
POINTS = 40
SECANTS = 4
SMALLEST = 1e-12
# Largest phase between two of those points, rad.
LARGEST_PHASE = 1.4
# Half widths of a notch, in steps: narrower than the first it must show a turn of the phase; two notches below the
# second may cancel each other's.
HIDDEN, SHARP = 0.25, 1.5
# Rounds of the search for a crossover; a notch narrower than FINE steps within BESIDE steps is crossed in finer ones.
CROSSINGS = 6
BESIDE = 6
FINE = 3.0
FINER = np.linspace(-1.0, 1.0, 61)

Gains = SquaredGains | OrderNotchGains | UnstableGains


def at_speeds(axis: Axis, speed: np.ndarray) -> Iterator[tuple[Gains, np.ndarray]]:
    """Loops of an axis with the places of their speeds; one object for many speeds if only notches differ."""
    load, control = loops.closed(axis)
    notches = [notch for notch in control.notch if notch.order is not None]
    if load.stribeck or not notches:
        yield from squared_gains.at_speeds(axis, speed)
        return
    advance = speed / (axis.scale.pitch * axis.sampling.rate)
    orders = [notch.order for notch in notches if notch.order is not None]
    cycles = np.multiply.outer(orders, advance)
    cycles = np.abs(cycles - np.rint(cycles))
    active = (cycles >= filter_design.SLOWEST) & (cycles <= filter_design.FASTEST)
    for pattern in np.unique(active, axis=1).T:
        there = np.flatnonzero((active == pattern[:, None]).all(axis=0))
        some = [notch for notch, on in zip(notches, pattern, strict=True) if on]
        if not some:
            yield SquaredGains(loops.build(axis, 0.0)), there
            continue
        for part in np.array_split(there, -(-there.size // MOST)):
            yield from _with_notches(axis, speed, part, some, cycles[pattern][:, part])


def _with_notches(
    axis: Axis, speed: np.ndarray, there: np.ndarray, notches: list[Notch], cycles: np.ndarray
) -> Iterator[tuple[Gains, np.ndarray]]:
    """Loops of speeds at which these notches act."""
    damping = tuple(notch.damping for notch in notches)
    # an overdamped notch has its slower pole at least this far below its centre; powers of 10 are found in the cache
    slowest = 10.0 ** np.floor(np.log10(float(cycles.min()) / max(1.0, 2.0 * max(damping))))
    shared = order_notch_gains.shared_loop(axis, float(slowest))
    if shared is None:
        yield from _one_by_one(axis, speed, there)
        return
    centres = NotchCentres(np.tan(np.pi * cycles), damping, tuple(notch.depth for notch in notches))
    sweep = SpeedSweep(shared, centres)
    yield from _one_by_one(axis, speed, there[~sweep.sure])
    lost, kept = (np.flatnonzero(sweep.sure & (sweep.stable == stable)) for stable in (False, True))
    if lost.size:
        yield UnstableGains(sweep.crossover[lost]), there[lost]
    if kept.size:
        gains = OrderNotchGains(shared, centres.at(kept), sweep.crossover[kept], sweep.area(kept))
        yield gains, there[kept]


def _one_by_one(axis: Axis, speed: np.ndarray, there: np.ndarray) -> Iterator[tuple[Gains, np.ndarray]]:
    if there.size:
        yield from ((gains, there[some]) for gains, some in squared_gains.at_speeds(axis, speed[there]))


class SpeedSweep:
    """Loops of many speeds on one grid; ``sure`` is False where a loop has to be computed by itself."""

    # ``cells`` has shape (cells, curves, speeds): integral of |F|**2 over each cell of the grid.

    def __init__(self, shared: SharedLoop, centres: NotchCentres) -> None:
        self.shared, self.centres = shared, centres
        grid, number = shared.grid, centres.tangent.shape[1]
        self.tangent = np.tan(np.pi * grid.cycles)
        phase = np.exp(-2j * np.pi * len(centres.depth) * grid.cycles) * shared.open_phase
        self.coefficients = centres.coefficients(shared.terms.base * phase, shared.terms.forward * phase)
        self.cells = np.empty((grid.edges.size - 1, COLUMNS, number))
        # encirclements of zero, and the last step in which the loop gain crosses 1
        self.encirclements, self.last = np.zeros(number), np.full(number, -1)
        self.sure = np.ones(number, dtype=bool)
        self._sweep()
        self.stable = self._unstable_poles() == 0
        self.crossover = self._crossovers()

    def area(self, here: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to each edge of the grid, for some speeds, shape (speeds, cells + 1, curves)."""
        cells = self.cells[:, :, here].transpose(2, 0, 1)
        area = np.zeros((here.size, cells.shape[1] + 1, COLUMNS))
        np.cumsum(cells, axis=1, out=area[:, 1:])
        return area

    def _sweep(self) -> None:
        """Cells, phase of the characteristic value and last crossover, block by block of the grid."""
        grid, terms, number = self.shared.grid, self.shared.terms, self.centres.tangent.shape[1]
        size = IN_CELL * max(1, TOGETHER // (IN_CELL * number))
        weighted = grid.weight[:, None] * terms.squares
        base, forward = abs_squared(terms.base), abs_squared(terms.forward)
        far, before = [], None
        for start in range(0, grid.cycles.size, size):
            part = slice(start, start + size)
            detuned = self.centres.on_grid(self.tangent[part])
            coefficients = [values[part, None] for values in self.coefficients]
            real, imag, below, above = self.centres.gains(detuned, coefficients)
            over = above * forward[part, None] > below * base[part, None]
            self._fill_cells(start, weighted[part], real, imag, below, above)
            now = real, imag, over
            if before is None:
                # a step from the first row to itself
                self.first_value, before = (real[0], imag[0]), tuple(rows[:1] for rows in now)
            joined = (np.concatenate(pair) for pair in zip(before, now, strict=True))
            far.append(self._count_steps(start, *joined))
            before = tuple(rows[-1:] for rows in now)
        self.last_value = real[-1], imag[-1]
        self._refine(*np.concatenate(far, axis=1))

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
        squares = np.ascontiguousarray(weighted.reshape(-1, IN_CELL, COLUMNS).transpose(0, 2, 1))
        np.matmul(squares[:, :1], below.reshape(shape), out=self.cells[cells, :1])
        np.matmul(squares[:, 1:], above.reshape(shape), out=self.cells[cells, 1:])

    def _count_steps(self, start: int, real: np.ndarray, imag: np.ndarray, over: np.ndarray) -> np.ndarray:
        """Count encirclements over the steps from row to row; (step, speed) of those with a large phase."""
        across = real[:-1] * imag[1:]
        across -= imag[:-1] * real[1:]
        along = real[:-1] * real[1:]
        along += imag[:-1] * imag[1:]
        along *= FAR
        far = ~(np.abs(across, out=across) <= along)
        under = imag < 0.0
        passing = (under[1:] != under[:-1]) & (real[1:] < 0.0) & ~far
        down = passing & under[1:]
        self.encirclements += 2.0 * np.count_nonzero(down, axis=0) - np.count_nonzero(passing, axis=0)
        change = over[1:] != over[:-1]
        first = start - 1
        last = first + len(change) - 1 - np.argmax(change[::-1], axis=0)
        self.last = np.where(change.any(axis=0), last, self.last)
        step, speed = np.nonzero(far)
        return np.stack([step + first, speed])

    def _unstable_poles(self) -> np.ndarray:
        """Number of poles outside the unit circle, as `stability.unstable_poles` for all speeds."""
        for real, imag in (self.first_value, self.last_value):
            self.sure &= np.abs(imag) <= np.abs(real)
        first, last = (np.arctan2(imag, real) for real, imag in (self.first_value, self.last_value))
        return -np.round((last - first) / np.pi + 2.0 * self.encirclements)

    def _refine(self, step: np.ndarray, speed: np.ndarray) -> None:
        """Compute cells around poles narrower than the grid again, and count their encirclements."""
        self._doubt_hidden(step, speed)
        first, last, speed = self._runs(step, speed)
        if not speed.size:
            return
        grid, centres = self.shared.grid, self.centres.at(speed)
        ends = np.stack([grid.cycles[first], grid.cycles[last + 1]], axis=-1)
        middle, width = self._located(centres, ends)
        low, high = self._surroundings(first, last, speed)
        cycles, weight = _quadrature(middle, width, grid.edges[low], grid.edges[high + 1])
        squares, value = self._exact(centres, cycles)
        self._count_exactly(speed, centres, ends, cycles, value)
        for n in range(int((high - low).max()) + 1):
            some = low + n <= high
            self.cells[low[some] + n, :, speed[some]] = 0.0
        place = np.clip(np.searchsorted(grid.edges, cycles, side="right") - 1, low[:, None], high[:, None])
        every = np.broadcast_to(speed[:, None], place.shape)
        np.add.at(self.cells.transpose(0, 2, 1), (place, every), squares * weight[..., None])

    def _doubt_hidden(self, step: np.ndarray, speed: np.ndarray) -> None:
        """Speeds are not sure where a notch narrower than a step shows no phase, or two notches coincide."""
        # two poles within one step may turn the phase by a whole cycle, which cannot be seen
        cycles, (_, place, half) = self.shared.grid.cycles, self._places()
        seen = np.zeros((cycles.size + 2 * MOST_STEPS, self.sure.size), dtype=bool)
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
        cycles = self.shared.grid.cycles
        centre = np.arctan(self.centres.tangent) / np.pi
        place = np.clip(np.searchsorted(cycles, centre), 1, cycles.size - 1) - 1
        half = np.sin(2.0 * np.pi * centre) * np.array(self.centres.damping)[:, None] / (2.0 * np.pi)
        return centre, place, half / (cycles[place + 1] - cycles[place])

    def _runs(self, step: np.ndarray, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """First step, last step and speed of each run of steps with one pole; others make a speed unsure."""
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

    def _surroundings(
        self, first: np.ndarray, last: np.ndarray, speed: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """First and last cell to compute again; two poles of a speed share the cells between them equally."""
        low = np.maximum(first // IN_CELL - SIDE, 0)
        high = np.minimum((last + 1) // IN_CELL + SIDE, self.cells.shape[0] - 1)
        clash = np.flatnonzero((speed[1:] == speed[:-1]) & (low[1:] <= high[:-1]))
        middle = (first[clash + 1] // IN_CELL + (last[clash] + 1) // IN_CELL) // 2
        high[clash], low[clash + 1] = middle, middle + 1
        return low, high

    def _exact(self, centres: NotchCentres, cycles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Squares |F|**2 of shape (..., curves) and characteristic values, one row per speed."""
        terms = LoopTerms(self.shared.loop, cycles)
        phase = np.exp(-2j * np.pi * len(centres.depth) * cycles)
        phase = phase * open_phase(self.shared.loop, cycles, terms)
        squares, real, imag = exact(centres, cycles, terms, phase)
        return squares, real + 1j * imag

    def _located(self, centres: NotchCentres, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Frequency and half width of the pole between two frequencies, by the secant method."""
        pair = ends.copy()
        for _ in range(SECANTS):
            value = self._exact(centres, pair)[1]
            with np.errstate(divide="ignore", invalid="ignore"):
                zero = pair[:, 0] - value[:, 0] * (pair[:, 1] - pair[:, 0]) / (value[:, 1] - value[:, 0])
            zero = np.where(np.isfinite(zero), zero, pair.mean(axis=-1))
            middle = np.clip(zero.real, ends[:, 0], ends[:, 1])
            width = np.clip(np.abs(zero.imag), SMALLEST * middle, 0.5 * (ends[:, 1] - ends[:, 0]))
            pair[:, 0], pair[:, 1] = np.maximum(middle - width, 0.5 * middle), np.minimum(middle + width, 0.5)
        return middle, width

    def _count_exactly(
        self,
        speed: np.ndarray,
        centres: NotchCentres,
        ends: np.ndarray,
        cycles: np.ndarray,
        value: np.ndarray,
    ) -> None:
        """Encirclements by the characteristic value between two frequencies."""
        outer = self._exact(centres, ends)[1]
        value = np.where(cycles < ends[:, :1], outer[:, :1], value)
        value = np.where(cycles > ends[:, 1:], outer[:, 1:], value)
        value = np.concatenate([outer[:, :1], value, outer[:, 1:]], axis=-1)
        phase = np.angle(value[:, 1:] / value[:, :-1])
        self.sure[speed[np.abs(phase).max(axis=-1) > LARGEST_PHASE]] = False
        whole = np.angle(outer[:, 0]) + phase.sum(axis=-1) - np.angle(outer[:, 1])
        np.add.at(self.encirclements, speed, np.round(whole / (2.0 * np.pi)))

    def _crossovers(self) -> np.ndarray:
        """Highest frequency at which the loop gain is 1, Hz, by false position between two points."""
        crossover, there = np.full(self.last.size, np.nan), np.flatnonzero(self.last >= 0)
        if not there.size:
            return crossover
        ends, centres, every = self._bracket(there), self.centres.at(there), np.arange(there.size)
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
        crossover[there] = np.exp(place) * self.shared.loop.rate
        return crossover

    def _bracket(self, there: np.ndarray) -> np.ndarray:
        """Logarithms of the frequencies around the highest crossover, in finer steps close to a narrow notch."""
        cycles = self.shared.grid.cycles
        ends = np.stack([cycles[self.last[there]], cycles[self.last[there] + 1]], axis=-1)
        for centre, place, half in zip(*(part[:, there] for part in self._places()), strict=True):
            some = np.flatnonzero((half < FINE) & (np.abs(place - self.last[there]) <= BESIDE))
            if not some.size:
                continue
            step = (cycles[place + 1] - cycles[place])[some]
            width = half[some] * step
            reach = np.arcsinh(1.5 * BESIDE * step / width)
            finer = centre[some, None] + width[:, None] * np.sinh(np.multiply.outer(reach, FINER))
            finer = np.clip(finer, cycles[0], 0.5)
            over = self._level(self.centres.at(there[some]), finer) > 0.0
            change = over[:, 1:] != over[:, :-1]
            last = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=-1)
            every = np.arange(some.size)
            better = change.any(axis=-1) & (finer[every, last + 1] > ends[some, 0])
            ends[some[better]] = np.stack([finer[every, last], finer[every, last + 1]], axis=-1)[better]
        return np.log(ends)

    def _level(self, centres: NotchCentres, cycles: np.ndarray) -> np.ndarray:
        """Logarithm of the squared loop gain, one row per speed."""
        terms = LoopTerms(self.shared.loop, cycles)
        detuned = centres.detuned(np.tan(np.pi * cycles))
        *_, below, above = centres.gains(detuned, centres.coefficients(terms.base, terms.forward))
        with np.errstate(divide="ignore"):
            return np.log(abs_squared(terms.forward) * above) - np.log(abs_squared(terms.base) * below)


def _quadrature(
    middle: np.ndarray, width: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies and Gauss-Legendre weights for an integral over a peak, one row per peak."""
    node, share = np.polynomial.legendre.leggauss(POINTS)
    begin, end = (np.arcsinh((edge - middle) / width)[:, None] for edge in (low, high))
    place = 0.5 * (begin + end) + 0.5 * (end - begin) * node
    cycles = middle[:, None] + width[:, None] * np.sinh(place)
    return cycles, 0.5 * (end - begin) * share * width[:, None] * np.cosh(place)
