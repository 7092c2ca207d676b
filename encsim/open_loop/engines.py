"""Which engine answers for an axis; and the one for estimators that time the edges of the counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from . import period_error, quantisation
from .cause_models import LineModel, TableModel, line_gain

if TYPE_CHECKING:
    from ..model.axis import Axis


EXACT_FACTOR = 4096
# With a converter only the table of increments knows the steps of both; it still resolves this many counts.
EXACT_FACTOR_CONVERTED = 16384


def engine(axis: Axis) -> TableModel | LineModel | Timed:
    """The engine for this axis: exact where it can be."""
    how = axis.interpolation
    if not axis.estimator.linear:
        return Timed(axis)
    limit = EXACT_FACTOR if how.bits is None else EXACT_FACTOR_CONVERTED
    exact = not period_error.depends_on_speed(axis) and (how.factor or 0) <= limit
    return (TableModel if exact else LineModel)(axis)


def gain(axis: Axis, frequency: np.ndarray, speed: float) -> np.ndarray:
    """Gain of the estimator for lines of these frequencies at this speed, 1/s."""
    if axis.estimator.linear:
        return line_gain(axis, frequency)
    return np.abs(
        axis.estimator.response(frequency, axis.sampling.rate, speed=speed, resolution=axis.resolution)
    )


class Timed(LineModel):
    """Edges of the counts timed by a clock: bound to position, so that nothing folds at the loop rate.

    Over m counts the time is off by the error of both edges and by the clock's ticks:
    ``v**2 (sum_k (2 E_k sin(pi k m/M)/(m q))**2/2 + 2 sigma**2/(m q)**2 + (v/(m q f_clk))**2 r(1 - r))``.
    """

    def reach(self, speed: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """(share of the samples, counts m between the two edges), each an array over speeds."""
        ratio = self.axis.estimator.reach * speed / self.axis.resolution
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
        """Mean squares by cause with so many counts between the two edges."""
        span = counts / self.axis.interpolation.factor
        orders, made, _ = self.shapes(speed)
        lines = 2.0 * np.abs(made * np.sin(np.pi * np.multiply.outer(span, orders))) ** 2
        found = {"sde": lines.sum(axis=-1)} if orders.size else {}
        found |= {cause: square for cause, square in self.spread(speed, np.inf).items() if cause != "clock"}
        if self.axis.interpolation.bits is not None:
            found["adc"] = self.converter(speed)
        rough = np.sqrt(sum(found.values()) + 0.0 * speed)
        ticks = self.axis.estimator.clock * self.pitch / np.where(speed > 0.0, speed, 1.0)
        tick = np.where(speed > 0.0, quantisation.counted(span * ticks, rough * ticks) / ticks**2, 0.0)
        rate = speed / self.pitch / span
        return {cause: square * rate**2 for cause, square in (found | {"resolution": tick}).items()}

    def orders_of(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Cycles a period of lines of these frequencies, shape (speeds, lines); 0 at rest."""
        rate = np.broadcast_to(speed[:, None] / self.pitch, np.shape(frequency))
        return np.divide(frequency, rate, out=np.zeros_like(rate), where=rate > 0.0)

    def cyclic_gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Complex gain of the lines over the larger number of counts, 1/s."""
        span = self.reach(speed)[0][1] / self.axis.interpolation.factor
        turns = span[:, None] * self.orders_of(frequency, speed)
        return (1.0 - np.exp(-2j * np.pi * turns)) * (speed / self.pitch / span)[:, None]

    def gain(self, frequency: np.ndarray, speed: np.ndarray) -> np.ndarray:
        """Gain of lines of these frequencies from position to velocity, 1/s, rms over the samples."""
        orders, square = self.orders_of(frequency, speed), 0.0
        for share, counts in self.reach(speed):
            span = counts / self.axis.interpolation.factor
            sine = np.sin(np.pi * span[:, None] * orders)
            square = square + (share * (speed / self.pitch / span) ** 2)[:, None] * 4.0 * sine**2
        return np.sqrt(square)

    def white_gain(self, speed: np.ndarray) -> np.ndarray:
        """Squared gain from position noise that is new at each edge to velocity, 1/s2."""
        rates = [(share, counts / self.axis.interpolation.factor) for share, counts in self.reach(speed)]
        return sum(share * 2.0 * (speed / self.pitch / span) ** 2 for share, span in rates)

    def magnitudes(self, speed: np.ndarray) -> np.ndarray:
        """Sum of the magnitudes of the weights of the two edges, 1/s."""
        return 2.0 * speed / (self.reach(speed)[0][1] * self.axis.resolution)
