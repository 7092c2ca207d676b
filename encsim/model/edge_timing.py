"""Velocity estimators that time the edges of the counts by a clock: no linear filters of sampled positions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .. import checks, units
from . import filter_design
from .bounds import FREQUENCIES, WINDOWS
from .estimator_base import Estimator, KernelForm, Look

FASTEST = 1e100
FINEST = 1e-100
# From this time between edges on, s, the axis stands still.
STANDSTILL = 1e30


class TimedEdges(Estimator):
    """Counts over the time they took, on edges that are bound to position.

    The last edge is up to q/v old. Over that age the number m of counts between the two edges may take two values.
    """

    __slots__ = ()
    clock: float

    def counts(self, speed: float | None, resolution: float | None) -> list[tuple[int, float]]:
        """Numbers of counts between the two edges in steady motion, and how often each occurs."""
        period = self._edge_period(speed, resolution)
        ratio = self.reach / period
        if ratio <= 1.0:
            return [(1, 1.0)]
        most = math.ceil(ratio)
        share = ratio - (most - 1)
        return [(most, share), (most - 1, 1.0 - share)] if share < 1.0 else [(most, 1.0)]

    def response(
        self,
        frequency: ArrayLike,
        rate: float,
        *,
        speed: float | None = None,
        resolution: float | None = None,
    ) -> Any:
        """Complex gain from position to velocity in steady motion."""
        self._rate(rate)
        hertz, period = self._frequency(frequency), self._edge_period(speed, resolution)
        if math.isinf(period):
            return (0j * hertz)[()]
        mean, square, first = 0j * hertz, 0.0 * hertz, 0.0
        for count, share in self.counts(speed, resolution):
            gain = filter_design.backward(hertz * count * period) / (count * period)
            age = (first + share / 2.0) * period
            mean = mean + share * gain * np.exp(-2j * np.pi * hertz * age)
            square = square + share * np.abs(gain) ** 2
            first += share
        return (np.sqrt(square) * np.exp(1j * np.angle(mean)))[()]

    def delay(self, rate: float, *, speed: float | None = None, resolution: float | None = None) -> float:
        """Delay of the velocity at 0 Hz, s: (m + 1) q/(2 v), mean over the samples; infinite at standstill."""
        self._rate(rate)
        period = self._edge_period(speed, resolution)
        return (max(self.reach, period) + period) / 2.0

    def noise_gain(
        self, rate: float, *, speed: float | None = None, resolution: float | None = None
    ) -> float:
        """Velocity rms for 1 unit of position rms, independent at each edge, 1/s: sqrt(2) v/(m q) in the rms."""
        self._rate(rate)
        period = self._edge_period(speed, resolution)
        if math.isinf(period):
            return 0.0
        squares = math.fsum(share / count**2 for count, share in self.counts(speed, resolution))
        return math.sqrt(2.0 * squares) / period

    def kernel_form(self, rate: float) -> KernelForm:
        """Timed edges; the chain computes their table from the axis."""
        return KernelForm("edges")

    @property
    def reach(self) -> float:
        """Time back to the older edge that is asked for, s."""
        return 0.0

    def _edge_period(self, speed: float | None, resolution: float | None) -> float:
        """Time q/v from edge to edge, s; infinite at standstill."""
        name = type(self).__name__
        if speed is None or not checks.is_real(speed) or abs(float(speed)) > FASTEST:
            checks.refuse(f"{name} speed", f"be given, at most {FASTEST:g}", speed, "m/s or rad/s")
        if resolution is None or not checks.is_real(resolution) or not FINEST <= float(resolution) <= FASTEST:
            rule = f"be given, from {FINEST:g} to {FASTEST:g}"
            checks.refuse(f"{name} resolution", rule, resolution, "m or rad")
        pace, count = abs(float(speed)), float(resolution)
        return count / pace if pace * STANDSTILL > count else math.inf


@dataclass(frozen=True, slots=True)
class PeriodTiming(TimedEdges):
    """One count over the time between the last two edges, times rounded down to the clock.

    Held down to q/(time since the last edge); 0 one second after the last edge, and at once on reversal.
    The linear theory is for steady motion of more than one count per second. Its ripple is the mean square over all
    phases of position, loop and clock: where their frequencies are commensurate, one run keeps the phases of its start
    and its rms may differ by tens of per cent.

    Parameters
    ----------
    clock : float
        Frequency of the clock that times the edges, Hz.

    Raises
    ------
    InputError
        If the clock is out of range.

    Examples
    --------
    >>> import encsim
    >>> encsim.PeriodTiming(50e6).clock
    50000000.0
    """

    clock: float = units.quantity("frequency")
    kind = "period-timing"
    look = Look("muted", "P", (0, (1, 1.4)))
    example = ('clock = "50 MHz"', "period measurement (1/T) with this clock")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("clock", "Hz", within=FREQUENCIES)
        check.done()


@dataclass(frozen=True, slots=True)
class CountAndTime(TimedEdges):
    """Counts over time between the last edge and the last edge before the window.

    With fewer than two edges in reach it works as `PeriodTiming`.

    Parameters
    ----------
    clock : float
        Frequency of the clock that times the edges, Hz.
    window : float
        Least time between the two edges, s.

    Raises
    ------
    InputError
        If a number is out of range.

    Examples
    --------
    >>> import encsim
    >>> estimator = encsim.CountAndTime(50e6, window=1e-3)
    >>> estimator.window
    0.001
    """

    clock: float = units.quantity("frequency")
    window: float = units.quantity("time")
    kind = "count-and-time"
    look = Look("muted", "X", (0, (1, 1.4)))
    example = ('clock = "50 MHz"      window = "5 ms"', "counts per window and their time (M/T)")
    tuning = "window"
    exponent = -1.0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("clock", "Hz", within=FREQUENCIES)
        check.positive("window", "s", within=WINDOWS)
        check.done()

    @property
    def reach(self) -> float:
        """Time back to the older edge that is asked for, s."""
        return self.window
