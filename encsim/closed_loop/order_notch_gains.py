"""Squared gains of the loops of many speeds that differ only in torque notches with an order.

A notch with its centre at t_c = tan(pi c), c in cycles per sample, is N = (u + i depth)/(u + i) with
u = (t_c/t - t/t_c)/(2 damping), t = tan(pi f). All other terms are the same at all speeds, so each squared gain is a
squared numerator times |N|**2/|B + X N|**2, with X/B the loop gain without the notch.

Frequencies are normalised to the loop rate (cycles per sample). The grid is the image of an even grid under a smooth
map that is dense near narrow poles. Plain sums over it are integrals with negligible error for everything wider than
its spacing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from copy import copy
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from . import loop as loops
from . import stability
from .squared_gains import BINS, abs_squared, blocks, integral_to, shifts
from .state_space import CURVES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop import Loop


# Curves and, last, the complementary sensitivity.
COLUMNS = len(CURVES) + 1
# Points per cell of the grid.
IN_CELL = 4
# Points per factor e of frequency, least number up to half the rate, points per cycle of phase of the longest delay.
PER_E = 40.0
EVEN = 240.0
PER_DELAY = 10.0
# Points per half width of a pole narrower than this share of its frequency; smaller widths count as the last.
PER_WIDTH = 1.5
NARROW = 0.15
NARROWEST = 1e-5
# Below this share of the slowest pole, or of the lowest notch, points lie evenly.
EVEN_BELOW = 0.5
# Loops of more states are computed speed by speed.
MOST_STATES = 400
# Cycles per sample: slowest pole where none is slower; a pole below the second is an integrator.
SLOW, FREE = 1e-2, 1e-12
# Tables: exact at nodes even in the root of the frequency, linear interpolation at so many places between two nodes.
NODES = 1 << 12
PER_NODE = 8
# A line closer to 0 Hz is taken at this frequency, cycles per sample; lines that all speeds share, taken one by one.
NEAREST = 1e-12
LINES = 256


class FrequencyGrid:
    """Points of 0 to 1/2 cycles per sample with their weights, and the edges of cells of ``IN_CELL`` points."""

    def __init__(self, poles: np.ndarray, lowest: float, delay: int) -> None:
        place = np.abs(np.angle(1.0 + poles)) / (2.0 * np.pi)
        width = np.maximum(np.abs(np.abs(1.0 + poles) - 1.0) / (2.0 * np.pi), NARROWEST * place)
        narrow = (place > lowest) & (place < 0.5) & (width < NARROW * place)
        self.place, self.width, self.lowest = place[narrow], width[narrow], lowest
        self.even = max(EVEN, 0.5 * PER_DELAY * delay)
        self._lay_out()

    def _scale(self, cycles: np.ndarray) -> np.ndarray:
        from_poles = np.arcsinh(np.subtract.outer(cycles, self.place) / self.width).sum(axis=-1)
        return PER_E * np.log(cycles + self.lowest) + 2.0 * self.even * cycles + PER_WIDTH * from_poles

    def _density(self, cycles: np.ndarray) -> np.ndarray:
        from_poles = 1.0 / np.hypot(np.subtract.outer(cycles, self.place), self.width)
        return PER_E / (cycles + self.lowest) + 2.0 * self.even + PER_WIDTH * from_poles.sum(axis=-1)

    def _lay_out(self) -> None:
        """Invert the scale: interpolate between known points, then Newton steps."""
        peaks = self.place[:, None] + np.outer(self.width, np.sinh(np.linspace(-8.0, 8.0, 41)))
        known = np.unique(np.concatenate([[0.0], np.geomspace(0.01 * self.lowest, 0.5, 2000), peaks.ravel()]))
        known = known[(known >= 0.0) & (known <= 0.5)]
        scale = self._scale(known)
        number = IN_CELL * int(np.ceil((scale[-1] - scale[0]) / IN_CELL))
        step = (scale[-1] - scale[0]) / number
        middles, edges = np.arange(number) + 0.5, np.arange(0, number + 1, IN_CELL)
        wanted = scale[0] + step * np.concatenate([middles, edges])
        points = np.interp(wanted, scale, known)
        for _ in range(3):
            points = np.clip(points + (wanted - self._scale(points)) / self._density(points), 0.0, 0.5)
        self.cycles, self.edges = points[:number], points[number:]
        self.edges[0], self.edges[-1] = 0.0, 0.5
        self.weight = step / self._density(self.cycles)


class LoopTerms:
    """A loop without the notches that follow the speed, at some frequencies."""

    # Loop gain = forward/base; both are scaled to |base|**2 + |forward|**2 = 1, and so are the squared numerators of
    # the curves (last axis), of which only the first has no notch in front.

    def __init__(self, loop: Loop, cycles: np.ndarray) -> None:
        parts = loop.parts(cycles * loop.rate)
        estimate = loop.estimator.response(parts.cycles * loop.rate, loop.rate)
        command = loop.control.position_gain + estimate
        forward = command * parts.forward
        size = np.sqrt(abs_squared(parts.base) + abs_squared(forward))
        self.base, self.forward = parts.base / size, forward / size
        numerators = [estimate * self.base, *[command * part / size for part in parts.acted], self.forward]
        self.squares = np.stack([abs_squared(part) for part in numerators], axis=-1)


class SharedLoop:
    """The loop without the notches that follow the speed, on the grid and in tables over frequency."""

    def __init__(self, loop: Loop, poles: np.ndarray, lowest: float) -> None:
        self.loop = loop
        self.grid = FrequencyGrid(poles, lowest, loop.plant.transfer.reading_delay + loop.memory)
        self.terms = LoopTerms(loop, self.grid.cycles)
        self.open_phase = open_phase(loop, self.grid.cycles, self.terms)
        nodes = 0.5 * (np.arange(NODES + 1) / NODES) ** 2
        nodes[0] = 1e-3 * nodes[1]
        known = LoopTerms(loop, nodes)
        self.base, self.forward, self.squares = map(_table, (known.base, known.forward, known.squares))
        middles = 0.5 * ((np.arange(NODES * PER_NODE) + 0.5) / (NODES * PER_NODE)) ** 2
        self.cell_of = np.searchsorted(self.grid.edges[1:-1], middles)

    def rows(self, cycles: np.ndarray) -> np.ndarray:
        """Rows of the tables at frequencies 0 to 1/2."""
        rows = np.sqrt(cycles * (2.0 * (NODES * PER_NODE) ** 2)).astype(np.int32)
        return np.minimum(rows, NODES * PER_NODE - 1)

    def cells(self, cycles: np.ndarray) -> np.ndarray:
        """Cells of the grid at frequencies 0 to 1/2."""
        return self.cell_of[self.rows(cycles)]


def open_phase(loop: Loop, cycles: np.ndarray, terms: LoopTerms) -> np.ndarray:
    """Unit phasor from the base of a loop to the denominator of the open loop, a polynomial in z**-1."""
    ratio = stability.open_polynomial(loop, cycles * loop.rate) / terms.base
    return ratio / np.abs(ratio)


@lru_cache(maxsize=4)
def shared_loop(axis: Axis, slowest: float) -> SharedLoop | None:
    """What the loops of an axis have in common; None for more than ``MOST_STATES`` states."""
    # at standstill no notch with an order acts
    loop = loops.build(axis, 0.0)
    closed = loop.state_space(MOST_STATES)
    if closed is None:
        return None
    poles = closed.poles()
    with np.errstate(divide="ignore", invalid="ignore"):
        slow = np.abs(np.log(1.0 + poles)) / (2.0 * np.pi)
    lowest = EVEN_BELOW * min(slowest, float(slow[slow > FREE].min(initial=SLOW)))
    return SharedLoop(loop, np.concatenate([poles, np.roots(loop.plant.transfer.denominator)]), lowest)


def _table(known: np.ndarray) -> np.ndarray:
    """Linear interpolation at the middles of ``PER_NODE`` parts between each two rows; rows become the last axis."""
    share = ((np.arange(PER_NODE) + 0.5) / PER_NODE).reshape(-1, *[1] * (known.ndim - 1))
    rows = known[:-1, None] + share * (known[1:, None] - known[:-1, None])
    return np.ascontiguousarray(rows.reshape(-1, *known.shape[1:]).T)


class NotchCentres:
    """Notches at some speeds: tan(pi centre) of shape (notches, speeds); damping and depth of each notch."""

    def __init__(self, tangent: np.ndarray, damping: tuple[float, ...], depth: tuple[float, ...]) -> None:
        self.tangent, self.damping, self.depth = tangent, damping, depth

    def at(self, here: np.ndarray | slice) -> NotchCentres:
        """The same at some of the speeds."""
        return NotchCentres(self.tangent[:, here], self.damping, self.depth)

    def detuned(self, tangent: np.ndarray) -> Iterator[np.ndarray]:
        """Detuning u of each notch, one speed per row of ``tangent`` = tan(pi f)."""
        for centre, damping in zip(self.tangent, self.damping, strict=True):
            column = centre.reshape(-1, *[1] * (tangent.ndim - 1))
            yield (0.5 / damping * column) / tangent - tangent * (0.5 / damping / column)

    def on_grid(self, tangent: np.ndarray) -> Iterator[np.ndarray]:
        """Detuning u of each notch, one speed per column and one frequency per row."""
        for centre, damping in zip(self.tangent, self.damping, strict=True):
            detuning = np.multiply.outer(1.0 / tangent, 0.5 / damping * centre)
            detuning -= np.multiply.outer(tangent, 0.5 / damping / centre)
            yield detuning

    def coefficients(self, base: np.ndarray, forward: np.ndarray) -> list[np.ndarray]:
        """Coefficients of the sum in :meth:`gains`: real and imaginary parts of two complex numbers."""
        if len(self.depth) == 1:
            base, forward = base + forward, 1j * (base + self.depth[0] * forward)
        return [np.ascontiguousarray(part) for part in (base.real, base.imag, forward.real, forward.imag)]

    def polynomials(self, detuned: Iterable[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        """Denominator and numerator of all notches together."""
        denominator: np.ndarray = np.ones((), dtype=complex)
        numerator = denominator
        for u, depth in zip(detuned, self.depth, strict=True):
            denominator, numerator = denominator * (u + 1j), numerator * (u + 1j * depth)
        return denominator, numerator

    def gains(
        self, detuned: Iterable[np.ndarray], coefficients: Sequence[np.ndarray]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Real and imaginary part of 1 + L times B and the notches' denominator; squares of denominator, numerator."""
        detuned = list(detuned)
        if len(detuned) == 1:
            u, depth = detuned[0], self.depth[0]
            real, imag, size = coefficients[0] * u, coefficients[1] * u, u * u
            real += coefficients[2]
            imag += coefficients[3]
            return real, imag, size + 1.0, size + depth * depth
        below, above = self.polynomials(detuned)
        a, b, c, d = coefficients
        real = a * below.real - b * below.imag + c * above.real - d * above.imag
        imag = a * below.imag + b * below.real + c * above.imag + d * above.real
        return real, imag, abs_squared(below), abs_squared(above)


def exact(
    centres: NotchCentres, cycles: np.ndarray, terms: LoopTerms, phase: np.ndarray | float = 1.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Squared gains of the curves, and real and imaginary part of the characteristic values."""
    detuned = centres.detuned(np.tan(np.pi * cycles))
    coefficients = centres.coefficients(terms.base * phase, terms.forward * phase)
    real, imag, below, above = centres.gains(detuned, coefficients)
    size = real * real + imag * imag
    gain = np.stack([below, *[above] * (COLUMNS - 1)], axis=-1) / size[..., None]
    return terms.squares * gain, real, imag


class OrderNotchGains:
    """Squared gains |F|**2 of the loops of many speeds, all stable; the methods are those of `SquaredGains`."""

    # Shapes: crossover (speeds,), white (speeds, curves), area (speeds, edges, curves): the integral of |F|**2 from
    # 0 to each edge of the grid. ``loop`` has none of the notches that follow the speed.

    speed_independent, stable = False, True

    def __init__(
        self, shared: SharedLoop, centres: NotchCentres, crossover: np.ndarray, area: np.ndarray
    ) -> None:
        self.shared, self.centres, self.crossover, self.area = shared, centres, crossover, area
        self.loop, self.rate = shared.loop, shared.loop.rate
        self.white = 2.0 * area[:, -1]
        self.coefficients = centres.coefficients(shared.base, shared.forward)
        self.edges = shared.grid.edges

    def at(self, here: np.ndarray) -> OrderNotchGains:
        """The same for some of the speeds."""
        part, some = copy(self), _neighbours(here)
        part.centres, part.crossover = self.centres.at(some), self.crossover[some]
        part.area, part.white = self.area[some], self.white[some]
        return part

    def exact(self, cycles: np.ndarray) -> np.ndarray:
        """|F|**2 at some frequencies, one row per speed, shape (speeds, n, curves)."""
        away = _distance(cycles)
        return exact(self.centres, away, LoopTerms(self.loop, away))[0]

    def complementary(self, cycles: np.ndarray) -> np.ndarray:
        """T at some frequencies, one row per speed."""
        away = _distance(cycles)
        terms = LoopTerms(self.loop, away)
        below, above = self.centres.polynomials(self.centres.detuned(np.tan(np.pi * away)))
        gain = terms.forward * above / (terms.base * below + terms.forward * above)
        # negative frequencies have the conjugate gain
        return np.where(cycles - np.rint(cycles) < 0.0, gain.conj(), gain)

    def complementary_squared(self, cycles: np.ndarray) -> np.ndarray:
        """|T|**2 from the table."""
        square = np.empty(cycles.shape)
        for part in blocks(*cycles.shape):
            _, above, rows = self._gains(part, cycles[part])
            square[part] = above * np.take(self.shared.squares[-1], rows, mode="clip")
        return square

    def exact_sum(self, cycles: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Sum of ``weight |F|**2`` over frequencies that are the same at all speeds."""
        away, place = np.unique(np.round(_distance(cycles), 12), return_inverse=True)
        weight = np.bincount(place, weight)
        some = np.argsort(-weight)[:LINES]
        rest = weight.sum() - weight[some].sum()
        strongest = (np.tile(part[some], (self.crossover.size, 1)) for part in (away, weight))
        return self.table_sum(*strongest) + rest * self.white

    def _gains(
        self, part: np.ndarray | slice, cycles: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Factors by which notches change squared numerators, without and with the notch in front; table rows."""
        away = _distance(cycles)
        rows = self.shared.rows(away)
        coefficients = [np.take(values, rows, mode="clip") for values in self.coefficients]
        detuned = self.centres.at(part).detuned(np.tan(np.pi * away))
        real, imag, below, above = self.centres.gains(detuned, coefficients)
        real *= real
        imag *= imag
        real += imag
        below /= real
        above /= real
        return below, above, rows

    def _values(self, part: np.ndarray | slice, cycles: np.ndarray) -> Iterator[np.ndarray]:
        """|F|**2 of curve after curve."""
        below, above, rows = self._gains(part, cycles)
        for n, squares in enumerate(self.shared.squares):
            yield np.take(squares, rows, mode="clip") * (above if n else below)

    def table_sum(
        self, cycles: np.ndarray, weight: np.ndarray, table: np.ndarray | None = None
    ) -> np.ndarray:
        """Sum over the last axis of ``weight |F|**2``, shape (speeds, curves), or of noise by `convolved`."""
        weight = np.broadcast_to(weight, cycles.shape)
        if table is not None:
            rows, number = np.arange(cycles.shape[0])[:, None], self.edges.size - 1
            cells = self.shared.cells(_distance(cycles)) + number * rows
            inside = np.bincount(cells.ravel(), weight.ravel(), number * rows.size).reshape(-1, number)
            return self._means_over(inside @ table)
        total = np.empty((cycles.shape[0], COLUMNS))
        for part in blocks(*cycles.shape):
            for n, values in enumerate(self._values(part, cycles[part])):
                total[part, n] = np.einsum("sk,sk->s", weight[part], values)
        return total

    def tracked_sum(
        self, cycles: np.ndarray, weight: np.ndarray, orders: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As of `SquaredGains`."""
        total, tracked = np.empty((2, cycles.shape[0], COLUMNS))
        held = np.empty(cycles.shape[0])
        for part in blocks(*cycles.shape):
            values = list(self._values(part, cycles[part]))
            shift, held[part] = shifts(weight[part], orders, values[-1])
            for n, gain in enumerate(values):
                total[part, n] = np.einsum("sk,sk->s", weight[part], gain)
                tracked[part, n] = np.einsum("sk,sk->s", weight[part] * shift, gain)
        return total, tracked, held

    def band_mean(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Mean of |F|**2 between frequencies, shape (speeds, bands, curves)."""
        span, middle = high - low, 0.5 * (low + high)
        place = self.shared.cells(_distance(middle))
        narrow = span < (self.edges[1:] - self.edges[:-1])[place]
        mean = integral_to(self._integral, low, high) / np.where(narrow, 1.0, span)[..., None]
        speed, band = np.nonzero(narrow)
        values = self._values(speed, middle[speed, band][:, None])
        mean[speed, band] = np.concatenate(list(values), axis=-1)
        return mean

    def _integral(self, cycles: np.ndarray) -> np.ndarray:
        """Integral of |F|**2 from 0 to a positive frequency, one row per speed."""
        whole = np.floor(cycles)
        rest = cycles - whole
        mirrored = rest > 0.5
        away = np.where(mirrored, 1.0 - rest, rest)
        cell = self.shared.cells(away)
        share = (away - self.edges[cell]) / (self.edges[cell + 1] - self.edges[cell])
        rows = cell + self.edges.size * np.arange(cycles.shape[0])[:, None]
        area = self.area.reshape(-1, COLUMNS)
        half = np.take(area, rows, axis=0, mode="clip")
        half += np.clip(share, 0.0, 1.0)[..., None] * (np.take(area, rows + 1, axis=0, mode="clip") - half)
        # above half the rate: the integral over a whole cycle minus the mirrored part
        half *= np.where(mirrored, -1.0, 1.0)[..., None]
        half += (whole + mirrored)[..., None] * self.white[:, None]
        return half

    def noise_about_zero(self, correlation: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Mean squares for noise centred at 0 Hz, shape (speeds, curves); see `SquaredGains.convolved`."""
        return self._means_over(self._masses(correlation, np.zeros(1)))

    def convolved(self, correlation: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Share of noise centred in each cell of the grid that falls in each cell, shape (cells, cells)."""
        return self._masses(correlation, 0.5 * (self.edges[1:] + self.edges[:-1]))

    def _means_over(self, power: np.ndarray) -> np.ndarray:
        """Mean squares for power in each cell, shape (speeds, curves)."""
        return np.matmul((power / np.diff(self.edges))[:, None], np.diff(self.area, axis=1))[:, 0]

    def _masses(self, correlation: Callable[[np.ndarray], np.ndarray], middles: np.ndarray) -> np.ndarray:
        """Share of noise centred at each frequency that falls in each cell, shape (frequencies, cells)."""
        spectrum = np.fft.irfft(correlation(np.arange(BINS + 1.0)), 2 * BINS)
        known = np.concatenate([[0.0], (np.arange(BINS + 1) + 0.5) / (2.0 * BINS)])
        integral = np.cumsum(np.concatenate([[0.0, 0.5 * spectrum[0]], spectrum[1 : BINS + 1]]))

        def below(cycles: np.ndarray) -> np.ndarray:
            whole = np.rint(cycles)
            rest = cycles - whole
            return whole + np.sign(rest) * np.interp(np.abs(rest), known, integral)

        return np.diff(below(self.edges - middles[:, None]) + below(self.edges + middles[:, None]), axis=-1)


def _neighbours(here: np.ndarray) -> np.ndarray | slice:
    """Ascending places as a slice if they follow each other: a view is no copy."""
    alone = here.size and here[-1] - here[0] == here.size - 1
    return slice(here[0], here[-1] + 1) if alone else here


def _distance(cycles: np.ndarray) -> np.ndarray:
    """Distance from the nearest multiple of the loop rate, at least ``NEAREST``."""
    return np.maximum(np.abs(cycles - np.rint(cycles)), NEAREST)
