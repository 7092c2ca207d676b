"""Ripple by cause where the error of a period is the same at every speed: one table of its structure function.

The table holds the error with the steps of converter and counts, so that their mean square needs no approximation. It
is exact to the resolution of its grid. Lengths are in signal periods.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from . import period_error, structure_function
from .cause_models import TAU, Model, counted, with_scattered

if TYPE_CHECKING:
    from ..model.axis import Axis


# Points of the tables of the converter alone and of the counts alone.
SHARE_POINTS = 1 << 18


class TableModel(Model):
    """Model of an error of a period that is the same at every speed: one structure function serves all speeds."""

    method = "exact"
    together = 1 << 14

    def __init__(self, axis: Axis) -> None:
        super().__init__(axis)
        key = structure_function.static(axis)
        points = period_error.grid_size(axis)
        spectrum = period_error.spectrum(axis, 0.0, points)
        error, radius = period_error.error_on_grid(axis, 0.0, points)
        self.sound = bool(period_error.encloses_zero(error))
        self.noise_per_unit = float(np.sqrt((radius**-2.0).mean())) / TAU
        self.orders = period_error.significant(spectrum)
        self.lines = spectrum[self.orders]
        how = axis.interpolation
        self.low = (
            self.orders
            if how.factor is None
            else np.arange(1, min(self.highest(), (how.factor - 1) // 2) + 1)
        )
        stepped = how.bits is not None or (how.factor is not None and self.orders.size > 0)
        slope = TAU * float(np.sqrt(0.5 * (np.abs(self.orders * self.lines) ** 2).sum()))
        self.points = structure_function.enough_points(axis, slope)
        self.table = structure_function.table(key, self.points) if stepped else None
        self.key = key

    def highest(self) -> int:
        """Highest order of the error without quantisation, 0 if there is none."""
        return int(self.orders.max(initial=0))

    def has_lines(self) -> bool:
        """Whether the error without quantisation has harmonics."""
        return self.orders.size > 0

    def noise_gain(self, speed: np.ndarray) -> float | np.ndarray:
        """Position noise for 1 unit of channel noise, periods."""
        return self.noise_per_unit

    def complex_lines(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Orders and complex amplitudes (periods) of the harmonics."""
        return self.orders, self.lines[None, :]

    def at_lags(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of increments by cause over some lags, shape (lags, speeds), periods squared."""
        shape = (seconds.size, speed.size)
        flat = self._at_lag(np.tile(speed, seconds.size), np.repeat(seconds, speed.size))
        return {cause: np.reshape(square + np.zeros(shape).ravel(), shape) for cause, square in flat.items()}

    def _at_lag(self, speed: np.ndarray, seconds: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of increments by cause, one lag for each speed, periods squared."""
        lag = speed / self.pitch * seconds
        by_cause = self.spread(speed, seconds)
        spread = np.sqrt(sum(by_cause.values()) + 0.0 * speed)
        quiet = self.held_still(speed, spread) == 1
        spread = np.where(quiet, 0.0, spread)
        by_cause = {cause: np.where(quiet, 0.0, square) for cause, square in by_cause.items()}
        cyclic, scattered, rest = self._split(lag, spread)
        return {
            "sde": cyclic,
            **with_scattered(scattered, by_cause),
            **self._stepped_parts(rest, lag, spread),
        }

    def _split(
        self, lag: np.ndarray, spread: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, float | np.ndarray]:
        """Mean squares of an increment: its cyclic part, what noise scatters of it, what steps add."""
        how = self.axis.interpolation
        if self.table is None:
            cyclic, scattered = structure_function.line_parts(
                np.abs(self.lines) ** 2, self.orders, lag, spread
            )
            rest = 0.0 if how.factor is None else counted(how.factor, lag, spread)
            return cyclic, scattered, rest
        cyclic, scattered = self.table.line_parts(self.low, lag, spread)
        return cyclic, scattered, self.table.mean_square(lag, spread) - cyclic - scattered - spread**2

    def _stepped_parts(self, rest: float | np.ndarray, lag: np.ndarray, spread: np.ndarray) -> dict[str, Any]:
        """What converter and counts add together, divided in the ratio of what each adds alone."""
        how = self.axis.interpolation
        rest = np.maximum(rest, 0.0)
        if how.bits is None or how.factor is None:
            return {"adc" if how.factor is None else "resolution": rest}
        alone = [
            self._alone(change, lag, spread)
            for change in ({"factor": None, "output": "position", "hysteresis": 0.0}, {"bits": None})
        ]
        both = sum(alone)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(both > 0.0, alone[0] / both, 0.5)
        return {"adc": rest * share, "resolution": rest * (1.0 - share)}

    def _alone(self, change: dict[str, Any], lag: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """What the converter or the counts would add alone."""
        key = replace(self.key, interpolation=replace(self.key.interpolation, **change))
        table = structure_function.table(key, min(SHARE_POINTS, self.points >> 1))
        cyclic, scattered = table.line_parts(self.low, lag, spread)
        return np.maximum(table.mean_square(lag, spread) - cyclic - scattered - spread**2, 0.0)
