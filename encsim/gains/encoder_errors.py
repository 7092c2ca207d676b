"""Encoder errors of an axis at one speed as its loop gets them: aliased lines, and white noise between them.

The causes are those of `smoothness`, in the simplest form that a search for gains can weigh with |F|**2. Sampled
positions: images by an own clock and bands wider than the loop rate count as white, and self-modulation is left out.
Timed edges: the images of a line by the hold from edge to edge count as white, ticks of the timing clock as noise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..closed_loop import timed_edges
from ..closed_loop.error_lines import TAU, ErrorLines
from ..open_loop import cause_models, engines
from ..rings.error_orders import turn_lines

if TYPE_CHECKING:
    from ..closed_loop.error_lines import QuantisationLines
    from ..closed_loop.timed_edges import EdgeFilter
    from ..model.axis import Axis


AGE_LINES = 256
# A band of orders is represented by this many lines, evenly spaced.
PER_BAND = 8


class AliasedErrors:
    """Mean squares of the position error at one speed from 0 on, m2 or rad2."""

    # ``cycles``, ``power``: lines, frequency over loop rate aliased to 0 to 1/2. ``white``: even over all frequencies.
    # ``coloured``: jitter with a bandwidth, ``kept`` its correlation from sample to sample.

    def __init__(self, axis: Axis, speed: float) -> None:
        self._errors = ErrorLines(axis, engines.engine(axis), np.array([float(speed)]))
        self._pace = speed / (axis.scale.pitch * axis.sampling.rate)
        self._clock = cause_models.own_clock(axis)
        self._variance = self._errors.variance + self._errors.converter
        self.white, self.coloured, self.kept = 0.0, 0.0, 0.0
        self._lines: list[tuple[np.ndarray, np.ndarray]] = []
        self._take_noise(axis)
        self._add(self._errors.orders, self._errors.squares[0])
        for _, lines in self._errors.quantisation():
            self._add(lines.order, lines.power)
            self._add_bands(lines)
        if self._clock is not None and speed:
            self._add_age(self._clock / axis.sampling.rate)
        self.cycles, self.power = (np.concatenate(parts) for parts in zip(*self._lines, strict=True))
        square = axis.scale.pitch**2
        self.power, self.white, self.coloured = (
            self.power * square,
            self.white * square,
            self.coloured * square,
        )
        self.cycles = np.abs(self.cycles - np.rint(self.cycles))

    def _take_noise(self, axis: Axis) -> None:
        """Gaussian causes, and a converter that counts as white."""
        for cause, square in self._errors.spread.items():
            if cause == "jitter" and axis.signal.jitter_bandwidth is not None:
                self.coloured = float(square[0])
                self.kept = float(np.exp(-TAU * axis.signal.jitter_bandwidth / axis.sampling.rate))
            else:
                self.white += float(square[0])
        self.white += sum(float(square[0]) for square in self._errors.added.values())
        if not self._errors.tabulated and axis.interpolation.bits is not None:
            self.white += float(self._errors.converter[0])

    def _add(self, orders: np.ndarray, power: np.ndarray) -> None:
        """Lines as far as noise leaves them; the power that it scatters is white."""
        orders = orders.astype(float)
        kept = power * np.exp(-(TAU**2) * self._variance * orders**2)
        self.white += float((power - kept).sum())
        if not self._pace:
            kept = 0.0 * kept
        cycles = orders * self._pace
        if self._clock is not None:
            own_cycles = cycles * self._errors.axis.sampling.rate / self._clock
            held = np.sinc(own_cycles - np.rint(own_cycles)) ** 2
            cycles = (own_cycles - np.rint(own_cycles)) * self._clock / self._errors.axis.sampling.rate
            self.white += float((kept * (1.0 - held)).sum())
            kept = kept * held
        self._lines.append((cycles, kept))

    def _add_bands(self, lines: QuantisationLines) -> None:
        kept = lines.band * lines.band_share(self._variance)[0]
        toggled = -np.expm1(-(TAU**2) * self._variance[0] * lines.beyond**2)
        self.white += lines.rest * (1.0 if self._pace else toggled) + float((lines.band - kept).sum())
        if not self._pace:
            return
        share = (np.arange(PER_BAND) + 0.5) / PER_BAND
        orders = lines.low[:, None] + (lines.high - lines.low)[:, None] * share
        wide = (lines.high - lines.low) * self._pace > 1.0
        self.white += float(kept[wide].sum())
        power = np.repeat(kept[~wide] / PER_BAND, PER_BAND)
        self._lines.append(((orders[~wide] * self._pace).ravel(), power))

    def _add_age(self, ratio: float) -> None:
        """Asynchronous sampling: sawtooth of the delay, at multiples of the own clock, ``ratio`` loop rates."""
        j = np.arange(1.0, AGE_LINES + 1.0)
        turning = np.abs(j * ratio - np.rint(j * ratio)) > 1e-9
        swing = self._pace / ratio
        self._lines.append((j * ratio, np.where(turning, 0.5 / (np.pi * j) ** 2, 0.0) * swing**2))

    def on_grid(self, cycles: np.ndarray) -> np.ndarray:
        """Weights with which |F|**2 at some frequencies adds up to a mean square."""
        density = self.white + self.coloured * _coloured(self.kept, cycles)
        return _widths(cycles) * density + _shared(cycles, self.cycles, self.power)


def _widths(cycles: np.ndarray) -> np.ndarray:
    """Weights with which a density over frequency adds up to its mean over the loop rate (trapezoidal rule)."""
    width = np.diff(cycles)
    each = np.zeros(cycles.size)
    each[:-1] += width
    each[1:] += width
    return each


def _shared(cycles: np.ndarray, lines: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Power of lines shared between the two grid points next to each."""
    weight = np.zeros(cycles.size)
    above = np.clip(np.searchsorted(cycles, lines), 1, cycles.size - 1)
    share = np.clip((lines - cycles[above - 1]) / np.diff(cycles)[above - 1], 0.0, 1.0)
    np.add.at(weight, above - 1, power * (1.0 - share))
    np.add.at(weight, above, power * share)
    return weight


def _coloured(kept: float, cycles: np.ndarray) -> np.ndarray:
    """Spectrum of noise whose correlation falls by ``kept`` per sample, mean 1 over all frequencies."""
    # (1 - a)**2 + 4 a sin**2 instead of 1 + a**2 - 2 a cos: no cancellation at low frequencies
    return (1.0 - kept) * (1.0 + kept) / ((1.0 - kept) ** 2 + 4.0 * kept * np.sin(np.pi * cycles) ** 2)


class EdgeErrors:
    """Mean squares of the velocity error by timed edges at one speed from one count per second on, m2/s2 or rad2/s2."""

    # ``cycles``, ``power``: lines, frequency over loop rate aliased to 0 to 1/2. ``white``: even over all frequencies.
    # ``edge``: position error that is new at each edge, m2 or rad2.

    def __init__(self, axis: Axis, speed: float, edges: EdgeFilter) -> None:
        errors = ErrorLines(axis, engines.engine(axis), np.array([float(speed)]))
        self._edges, self._rate = edges, axis.sampling.rate
        advance = speed / (axis.scale.pitch * self._rate)
        mounted, _, made = turn_lines(axis)
        cycles = advance * np.concatenate([errors.orders, mounted]).astype(float)
        size = (
            0.5 * np.abs(np.concatenate([errors.made[0], made])) ** 2 * (axis.scale.pitch * self._rate) ** 2
        )
        mean, square = edges.line_gain(cycles)
        held = np.abs(mean) ** 2
        self.cycles, self.power = np.abs(cycles - np.rint(cycles)), size * held
        self.white = float((size * (square - held)).sum())
        tick = advance * self._rate / timed_edges.of_axis(axis).clock
        noise = sum(
            float(part[0]) for cause, part in (errors.spread | errors.added).items() if cause != "clock"
        )
        self.edge = (noise + float(errors.converter[0]) + tick**2 / 12.0) * axis.scale.pitch**2

    def on_grid(self, cycles: np.ndarray) -> np.ndarray:
        """Weights with which a squared gain at some frequencies adds up to a mean square."""
        density = self.white + self.edge * self._rate**2 * self._edges.noise_spectrum(cycles)
        return _widths(cycles) * density + _shared(cycles, self.cycles, self.power)
