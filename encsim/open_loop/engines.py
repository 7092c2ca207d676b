"""The model that fits an axis, and the model of estimators that time the edges of the counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..model.edge_timing import TimedEdges
from . import period_error, quantisation
from .cause_models import Model, line_gain
from .line_model import LineModel
from .table_model import TableModel

if TYPE_CHECKING:
    from ..model.axis import Axis


EXACT_FACTOR = 4096
# With a converter only the table has the steps of both; it resolves counts up to this number.
EXACT_FACTOR_CONVERTED = 16384


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
    """

    def __init__(self, axis: Axis, estimator: TimedEdges) -> None:
        super().__init__(axis)
        self.estimator = estimator

    def reach(self, speed: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """(share of the samples, counts m between the two edges), each an array over speeds."""
        ratio = self.estimator.reach * speed / self.axis.resolution
        most = np.maximum(np.ceil(ratio), 1.0)
        share = np.where(ratio > 1.0, ratio - (most - 1.0), 1.0)
        return [(share, most), (1.0 - share, np.maximum(most - 1.0, 1.0))]

    def parts(self, speed: np.ndarray) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Mean squares of the velocity by cause, half range of its cyclic part; periods and seconds."""
        self.shapes(speed)
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        for share, counts in self.reach(speed):
            for cause, square in self._over(speed, counts).items():
                squares[cause] += share * square
        return self.with_independent(squares, speed), self.half_range(speed)

    def _over(self, speed: np.ndarray, counts: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares by cause with this number of counts between the two edges."""
        span = counts / self.axis.interpolation.factor
        orders, made, _ = self.shapes(speed)
        lines = 2.0 * np.abs(made * np.sin(np.pi * np.multiply.outer(span, orders))) ** 2
        squares = {"sde": lines.sum(axis=-1)} if orders.size else {}
        squares |= {cause: square for cause, square in self.spread(speed, np.inf).items() if cause != "clock"}
        if self.axis.interpolation.bits is not None:
            squares["adc"] = self.converter(speed)
        rough = np.sqrt(sum(squares.values()) + 0.0 * speed)
        ticks = self.estimator.clock * self.pitch / np.where(speed > 0.0, speed, 1.0)
        tick = np.where(speed > 0.0, quantisation.counted(span * ticks, rough * ticks) / ticks**2, 0.0)
        rate = speed / self.pitch / span
        return {cause: square * rate**2 for cause, square in (squares | {"resolution": tick}).items()}

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

    def magnitudes(self, speed: np.ndarray) -> float | np.ndarray:
        """Sum of the magnitudes of the weights of the two edges, 1/s."""
        return 2.0 * speed / (self.reach(speed)[0][1] * self.axis.resolution)
