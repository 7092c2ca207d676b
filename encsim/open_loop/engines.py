"""The model that fits an axis, and the model of estimators that time the edges of the counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..model.edge_timing import TimedEdges
from . import period_error, quantisation
from .cause_models import Model, line_gain
from .line_model import LineModel
from .phases import at_phases, error_shape
from .table_model import TableModel

if TYPE_CHECKING:
    from ..model.axis import Axis


EXACT_FACTOR = 4096
# With a converter only the table has the steps of both; it resolves counts up to this number.
EXACT_FACTOR_CONVERTED = 16384
# Ticks between edges from which the first order in 1/ticks is exact enough, and the scatter of edges, in ticks, that
# leaves nothing of their fraction.
MANY_TICKS, SCATTERED = 1000.0, 0.5
# Edges of a period that are followed one by one, and grid of the error that tells their distances to 1e-5.
MOST_EDGES, FINE_GRID = 4096, 1 << 15
# Up to so many edges a period the place of the edges decides noticeably how many fall into the window; of so few all
# ticks count.
FEW_EDGES = 64
_PLACES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
NODES = tuple(zip(_PLACES.tolist(), (_WEIGHTS / _WEIGHTS.sum()).tolist(), strict=True))


def engine(axis: Axis) -> Model:
    """The model for this axis: exact where it can be."""
    how = axis.interpolation
    if isinstance(axis.estimator, TimedEdges):
        return Timed(axis, axis.estimator)
    limit = EXACT_FACTOR if how.bits is None else EXACT_FACTOR_CONVERTED
    exact = not period_error.depends_on_speed(axis) and (how.factor or 0) <= limit
    return (TableModel if exact else LineModel)(axis)


def gain(axis: Axis, frequency: np.ndarray, speed: float) -> np.ndarray:
    """Gain of the estimator for harmonics of these frequencies at this speed, 1/s."""
    estimator = axis.estimator
    if not isinstance(estimator, TimedEdges):
        return line_gain(axis, frequency)
    return np.abs(estimator.response(frequency, axis.sampling.rate, speed=speed, resolution=axis.resolution))


class Timed(LineModel):
    """Model of edges of the counts that a clock times: they are bound to position, so that nothing is aliased.

    Over m counts the time is off by the error of both edges and by the clock's ticks:
    ``v**2 (sum_k (2 E_k sin(pi k m/M)/(m q))**2/2 + 2 sigma**2/(m q)**2 + (v/(m q f_clk))**2 r(1 - r))``.
    Where ticks are few and the edges scatter less than one, each interval of a period has an r of its own. Of few edges
    a period it depends on their places how many fall into the window.
    """

    def __init__(self, axis: Axis, estimator: TimedEdges) -> None:
        super().__init__(axis)
        self.estimator = estimator
        # The speeds asked for last, and how far from its even place each edge of a period lies at them.
        self.edges: tuple[np.ndarray, np.ndarray] | None = None

    def reach(self, speed: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """(share of the samples, counts m between the two edges), each an array over speeds; most even ones first."""
        ratio = self.estimator.reach * speed / self.axis.resolution
        most = np.maximum(np.ceil(ratio), 1.0)
        share = np.where(ratio > 1.0, ratio - (most - 1.0), 1.0)
        even = [(share, most), (1.0 - share, np.maximum(most - 1.0, 1.0))]
        if not self._few_edges(speed) or not (ratio > 2.0).any():
            return even
        even += [(0.0 * share, most + 1.0), (0.0 * share, np.maximum(most - 2.0, 1.0))]
        return [(self._holding(speed, share, counts).sum(axis=-1), counts) for share, counts in even]

    def parts(self, speed: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of the velocity by cause; periods and seconds."""
        self.shapes(speed)
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        for share, counts in self.reach(speed):
            for cause, square in self._over(speed, share, counts).items():
                squares[cause] += share * square
        return self.with_independent(squares, speed)

    def _few_edges(self, speed: np.ndarray) -> bool:
        """Whether edges of a period are so few that each counts by its place."""
        orders, _ = self.complex_lines(speed)
        return orders.size > 0 and (self.axis.interpolation.factor or 1) <= max(FEW_EDGES, 2 * orders.max())

    def _over(self, speed: np.ndarray, share: np.ndarray, counts: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares by cause with this number of counts between the two edges."""
        span = counts / self.axis.interpolation.factor
        orders, made = self.complex_lines(speed)
        lines = 2.0 * np.abs(made * np.sin(np.pi * np.multiply.outer(span, orders))) ** 2
        squares = {"sde": lines.sum(axis=-1)} if orders.size else {}
        if self._few_edges(speed):
            # several harmonics may look alike at them
            squares["sde"] = self._at_edges(speed, share, counts)
        squares |= {cause: square for cause, square in self.spread(speed, np.inf).items() if cause != "clock"}
        if self.axis.interpolation.bits is not None:
            squares["adc"] = self.converter(speed)
        tick = self._ticks(speed, share, counts, sum(squares.values(), np.zeros_like(speed)))
        rate = speed / self.pitch / span
        return {cause: square * rate**2 for cause, square in (squares | {"resolution": tick}).items()}

    def _at_edges(self, speed: np.ndarray, share: np.ndarray, counts: np.ndarray) -> np.ndarray:
        """Mean square of the velocity over the edges of a period by their true distances, in increments."""
        length = (counts / self.axis.interpolation.factor)[:, None]
        until = np.where(counts[:, None] == 1.0, self._ahead(speed, counts), 0.0)
        # where the error is steeper than the motion, edges come close or turn back: none takes less than a tick
        tick = (speed / (self.estimator.clock * self.pitch))[:, None]
        error = _held(length, np.maximum(self.intervals(speed, counts), tick), until)
        return _mean(error, self._holding(speed, share, counts)) * length[:, 0] ** 2

    def _ahead(
        self, speed: np.ndarray, counts: np.ndarray, some: np.ndarray | slice = slice(None)
    ) -> np.ndarray:
        """True way from each newer edge to the next, during which its velocity holds, periods."""
        # an error steeper than the motion puts edges in the wrong order: none of these holds
        return self._later(np.maximum(self.intervals(speed, np.ones_like(counts), some), 0.0), counts[some])

    def _later(self, values: np.ndarray, counts: np.ndarray) -> np.ndarray:
        """Values of edges (speeds, edges) so many counts later."""
        span = counts / (self.axis.interpolation.factor or 1)
        return at_phases(values, np.arange(values.shape[-1]) / values.shape[-1] + span[:, None])

    def _holding(
        self,
        speed: np.ndarray,
        share: np.ndarray,
        counts: np.ndarray,
        some: np.ndarray | slice = slice(None),
    ) -> np.ndarray:
        """Share of the time in which so many counts back to each edge make the velocity, shape (speeds, edges)."""
        ahead, factor = self._ahead(speed, counts, some), self.axis.interpolation.factor or 1
        even = share[some, None] * ahead / ahead.sum(axis=-1, keepdims=True)
        window = self.estimator.reach * speed[some, None] / self.pitch
        if not self._few_edges(speed) or not (window * factor > 2.0).any():
            return even
        # the older edge is the last one before the window while the newer one is the last of all
        between = self.intervals(speed, counts, some)
        single = self.intervals(speed, np.ones_like(counts), some)
        both = np.minimum(between + ahead, window + single) - np.maximum(between, window)
        return np.where(window * factor > 2.0, np.maximum(both, 0.0), even)

    def _ticks(
        self, speed: np.ndarray, share: np.ndarray, counts: np.ndarray, rough: np.ndarray
    ) -> np.ndarray:
        """Mean square that whole ticks add to an increment, periods squared; ``rough`` that of all else."""
        moving = speed > 0.0
        ticks = self.estimator.clock * self.pitch / np.where(moving, speed, 1.0)
        factor = self.axis.interpolation.factor or 1
        span, window, near = counts / factor, self.estimator.reach * speed / self.pitch, np.sqrt(rough)
        # where edges move by more than a count, another number of them falls into the same time
        moved = (window * factor > 2.0) & (near * factor > 1.0)
        between, near = np.where(moved, window, span), np.where(moved, 1.0 / (np.sqrt(6.0) * factor), near)
        square = np.where(moving, quantisation.counted(between * ticks, near * ticks) / ticks**2, 0.0)
        scatter = np.sqrt(self.edge_scatter(speed)) * ticks
        many = np.inf if self._few_edges(speed) else MANY_TICKS
        few = moving & ~moved & (span * ticks < many) & (span * ticks > 1.0) & (scatter < SCATTERED)
        if few.any():
            holding = self._holding(speed, share, counts, few)
            exact = self._by_intervals(speed, counts, ticks, scatter, few, holding)
            square[few] = np.maximum(exact - rough[few], 0.0)
        return square

    def _by_intervals(
        self,
        speed: np.ndarray,
        counts: np.ndarray,
        ticks: np.ndarray,
        scatter: np.ndarray,
        few: np.ndarray,
        holding: np.ndarray,
    ) -> np.ndarray:
        """Mean square of the velocity over the intervals of a period, in increments over ``counts``."""
        intervals = self.intervals(speed, counts, few) * ticks[few, None]
        # single counts are held down to the time since the last edge; the value holds during the next interval
        ahead = self._ahead(speed, counts, few) * ticks[few, None]
        until = np.where((counts[few] == 1.0)[:, None], ahead, 0.0)
        length = (counts[few] / self.axis.interpolation.factor * ticks[few])[:, None]
        square, nodes = np.zeros(length.size), NODES if scatter[few].any() else ((0.0, 1.0),)
        for place, weight in nodes:
            taken = np.maximum(intervals + scatter[few, None] * place, 1.0)
            whole = np.floor(taken)
            part = taken - whole
            error = (1.0 - part) * _held(length, whole, until) + part * _held(length, whole + 1.0, until)
            square += weight * _mean(error, holding)
        return square * (length[:, 0] / ticks[few]) ** 2

    def intervals(
        self, speed: np.ndarray, counts: np.ndarray, some: np.ndarray | slice = slice(None)
    ) -> np.ndarray:
        """True way between edges so many counts apart, shape (speeds, edges of a period), periods."""
        offset, counts = self._displaced(speed), counts[some]
        offset = offset if offset.shape[0] == 1 else offset[some]
        return (
            (counts / (self.axis.interpolation.factor or 1))[:, None] + self._later(offset, counts) - offset
        )

    def _displaced(self, speed: np.ndarray) -> np.ndarray:
        """How far from its even place each edge of a period lies, (speeds or 1, edges), periods; a 0 without error."""
        orders, made = self.complex_lines(speed)
        if orders.size == 0:
            return np.zeros((1, 1))
        if self.edges is None or self.edges[0] is not speed:
            number = min(self.axis.interpolation.factor or 1, MOST_EDGES)
            level = np.arange(number) / number + self._first_edge(speed)[:, None]
            self.edges = speed, self._offsets(error_shape(made, orders, FINE_GRID), level)
        return self.edges[1]

    def _first_edge(self, speed: np.ndarray) -> np.ndarray:
        """Level of an edge less the mean error and the lead of the channels, periods; one or one a speed."""
        how, factor = self.axis.interpolation, self.axis.interpolation.factor or 1
        level = ((0.5 if how.output == "position" else 0.0) + 0.5 * how.hysteresis) / factor
        lead = period_error.lead(period_error.averaged(self.axis, speed[:1] * 0.0 if self.fixed else speed))
        return np.asarray(level - self.shapes(speed).mean - lead)

    @staticmethod
    def _offsets(shape: np.ndarray, level: np.ndarray) -> np.ndarray:
        """How far from its level each edge lies: x - level where x + error(x) = level."""
        offset = -at_phases(shape, level)
        for _ in range(2):
            offset = -at_phases(shape, level + offset)
        return offset

    def edge_scatter(self, speed: np.ndarray) -> np.ndarray:
        """Mean square of the random part of the way between two edges, periods squared."""
        by_cause = self.spread(speed, np.inf)
        random = (square for cause, square in by_cause.items() if cause != "clock")
        return sum(random, np.zeros_like(speed)) + self.converter(speed)

    def orders_of(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Cycles per period of harmonics of these frequencies, shape (speeds, harmonics); 0 at rest."""
        rate = np.broadcast_to(speed[:, None] / self.pitch, np.shape(frequency))
        return np.divide(frequency, rate, out=np.zeros_like(rate), where=rate > 0.0)

    def cyclic_gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Complex gain for the harmonics over the larger number of counts, 1/s."""
        span = self.reach(speed)[0][1] / self.axis.interpolation.factor
        turns = span[:, None] * self.orders_of(frequency, speed)
        return (1.0 - np.exp(-2j * np.pi * turns)) * (speed / self.pitch / span)[:, None]

    def gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Gain for harmonics of these frequencies from position to velocity, 1/s, rms over the samples."""
        orders, square = self.orders_of(frequency, speed), np.zeros(np.shape(frequency))
        for share, counts in self.reach(speed):
            span = counts / self.axis.interpolation.factor
            sine = np.sin(np.pi * span[:, None] * orders)
            square += (share * (speed / self.pitch / span) ** 2)[:, None] * 4.0 * sine**2
        return np.sqrt(square)

    def white_gain(self, speed: np.ndarray) -> float | np.ndarray:
        """Squared gain from position noise, independent at each edge, to velocity, 1/s2."""
        rates = [(share, counts / self.axis.interpolation.factor) for share, counts in self.reach(speed)]
        return sum((share * 2.0 * (speed / self.pitch / span) ** 2 for share, span in rates), 0.0 * speed)


def _mean(error: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted mean over the last axis; 0 without any weight."""
    total = weight.sum(axis=-1)
    return np.divide((error * weight).sum(axis=-1), total, out=np.zeros_like(total), where=total > 0.0)


def _held(length: np.ndarray, read: np.ndarray, until: np.ndarray) -> np.ndarray:
    """Mean square error of ``length``/max(read, age) - 1 while the age grows from 0 to ``until``; all in ticks."""
    later = np.maximum(until, read)
    plain = read * (length / read - 1.0) ** 2
    falling = length**2 * (1.0 / read - 1.0 / later) - 2.0 * length * np.log(later / read) + later - read
    return np.asarray((plain + falling) / later)
