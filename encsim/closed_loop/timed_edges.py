"""Timed edges as a linear filter: the mean over all positions of the edges between the samples.

At a steady speed the edges have the period P = q/v. At a sample the time a since the newest edge is uniformly
distributed from 0 to P. Depending on a, an estimator uses one of two numbers m of counts, see `edge_timing`. From a
small error e at the edges it computes ``(e(t - a) - e(t - a - m P))/(m P)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from ..doubts import Doubt
from ..model import filter_design
from ..model.edge_timing import TimedEdges

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop import LinearEstimator


# Below this edge frequency, Hz, the velocity reads 0.
SLOWEST_EDGES = 1.0
# Edges per loop period beyond which the velocity is the first difference to rounding.
QUICKEST_EDGES = 1e6
# Cycles of frequency times memory below which the gain is that of a pure delay.
SLOW_TURNS = 1e-5
# Below this frequency, cycles per sample, the spectrum of edge noise is constant.
LEAST_TURNS = 1e-9
# Cycles below which a sine is its angle to 1e-11.
SMALL_CYCLES = 1e-6
# Edges in 1/crossover from which the mean filter applies.
FIXED_FROM = 20.0


def reaches(period: np.ndarray, window: float) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """One or two ranges of the time since the newest edge and the counts in each: (from, to, m), edge periods."""
    one = np.ones_like(period)
    if not window:
        return [(0.0 * one, one, one)]
    ratio = window / period
    most = np.maximum(np.ceil(ratio), 1.0)
    share = np.where(ratio > 1.0, ratio - (most - 1.0), 1.0)
    return [(0.0 * share, share, most), (share, one, np.maximum(most - 1.0, 1.0))]


@dataclass(frozen=True, eq=False, slots=True)
class EdgeFilter:
    """Edges of the counts timed at some speeds, as linear filters."""

    # time P = q/v from edge to edge, loop periods, and where there is less than one count per second: the velocity is 0
    period: np.ndarray
    # time back to the older edge that the estimator asks for, loop periods
    window: float
    blind: np.ndarray
    linear: ClassVar[bool] = True

    @property
    def memory(self) -> np.ndarray:
        """Samples that the filter remembers, and two more."""
        return np.maximum(self.window, self.period) + 2.0 * self.period + 2.0

    def at(self, places: np.ndarray) -> EdgeFilter:
        """The filter at some of its speeds."""
        return replace(self, period=self.period[places], blind=self.blind[places])

    def gain(self, cycles: np.ndarray) -> np.ndarray:
        """Mean gain from the sampled position to the velocity, times the loop period."""
        # between samples the position is interpolated linearly: a filter of finite memory, see `weights`
        ages, weight, _ = self.ends()
        sums, late = HeldSums(cycles), 0.5 * (np.maximum(self.window, self.period) + self.period)
        gain: np.ndarray = np.zeros(np.shape(cycles), dtype=complex)
        for age, share in zip(ages, weight, strict=True):
            if np.any(share):
                gain = gain + share * sums.up_to(age)
                # error of the linear interpolation of a parabola
                late = late - 0.5 * share * _bulge(age)
        slow = np.abs(cycles) * (late + 1.0) < SLOW_TURNS
        if np.any(slow):
            turn = 2j * np.pi * cycles
            gain = np.where(slow, turn * (1.0 - turn * late), gain)
        return np.where(self.blind, 0.0, gain) if np.any(self.blind) else gain

    def ends(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Delays at which sums over past samples end, and the weights of the sums in gain and noise."""
        period = self.period
        if not self.window:
            gain, noise = (
                np.stack([first / period**power, -1.0 / period**power])
                for first, power in ((2.0, 2), (4.0, 3))
            )
            return np.stack([period, 2.0 * period]), gain, noise
        (_, some, most), (_, _, least) = reaches(period, self.window)
        many, reach = most > 1.0, np.maximum(self.window, period)
        near, far = 1.0 / (most * period**2), many / (least * period**2)
        ages = [some * period, most * period, period, reach, reach + period, reach - period]
        held = [near - far, near - far * many, far, far, -near, 0.0 * near]
        scale = (some / most**2 + (1.0 - some) / least**2) / period**3
        shared = [0.0 * scale, 0.0 * scale, 2.0 * scale, 2.0 * scale, -scale, -scale]
        return np.stack(ages), np.stack(held), np.stack(shared)

    def line_gain(self, cycles: np.ndarray, image: int = 0) -> tuple[np.ndarray, np.ndarray]:
        """Mean gain and mean squared gain from an error bound to position to the velocity, times the loop period."""
        mean, square = self.line_gains(cycles, (image,))
        return mean[0], square

    def line_gains(self, cycles: np.ndarray, images: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
        """As :meth:`line_gain`, at some images at once."""
        own_cycles = cycles * self.period
        square, late = np.zeros(own_cycles.shape), np.ones((), dtype=complex)
        mean: np.ndarray = np.zeros((len(images), *own_cycles.shape), dtype=complex)
        for low, high, counts in reaches(self.period, self.window):
            half, width = np.exp(1j * np.pi * own_cycles * counts), high - low
            chord = 2.0 / (counts * self.period) * half.imag
            square = square + width * chord**2
            late, half = 1j * chord * half.conj() * late, np.exp(1j * np.pi * own_cycles * width)
            for part, image in zip(mean, images, strict=True):
                # images differ in a factor for each speed
                wave = half * np.exp(1j * np.pi * image * width)
                held = _over(wave.imag, own_cycles + image, width)
                part += late * np.exp(-2j * np.pi * image * low) * held * wave.conj()
            late = half.conj() ** 2
        if np.any(self.blind):
            mean, square = np.where(self.blind, 0.0, mean), np.where(self.blind, 0.0, square)
        return mean, square

    def noise_spectrum(self, cycles: float | np.ndarray) -> np.ndarray:
        """Mean square of the velocity at each frequency for noise of mean square 1, new at each edge."""
        # two samples share an edge with the probability ``max(0, 1 - |t|/P)``, t the time between them
        ages, _, weight = self.ends()
        sine = np.sin(np.pi * np.maximum(cycles, LEAST_TURNS))
        spectrum = 0.0
        for age, share in zip(ages, weight, strict=True):
            if np.any(share):
                whole = np.floor(age)
                ends = [
                    (np.sin(np.pi * n * np.maximum(cycles, LEAST_TURNS)) / sine) ** 2
                    for n in (whole, whole + 1.0)
                ]
                spectrum = spectrum + share * (ends[0] + (age - whole) * (ends[1] - ends[0]))
        return np.where(self.blind, 0.0, np.maximum(spectrum, 0.0))

    def response(self, frequency: np.ndarray, rate: float) -> np.ndarray:
        """Mean complex gain from measured position to velocity, 1/s; repeats every loop rate."""
        return (rate * self.gain(filter_design.aliased(frequency, rate)))[()]

    def weights(self) -> np.ndarray:
        """Weights of the positions for one speed, newest first, times the loop period."""
        samples = np.arange(int(self.memory) + 1.0)
        weights = np.zeros_like(samples)
        if self.blind:
            return weights[:1]
        for low, high, counts in reaches(self.period, self.window):
            span = counts * self.period
            for end, sign in ((high * self.period, 1.0), (low * self.period, -1.0)):
                weights += (
                    sign
                    * (_under_hat(end - samples) - _under_hat(end + span - samples))
                    / (span * self.period)
                )
        return np.trim_zeros(weights, "b")

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, position to velocity."""
        return rate * self.weights(), np.ones(1)


def of_axis(axis: Axis) -> TimedEdges:
    """The estimator of an axis whose edges are timed."""
    if not isinstance(axis.estimator, TimedEdges):
        raise TypeError(f"{axis.estimator.kind} does not time edges")
    return axis.estimator


def at_speeds(estimator: TimedEdges, speed: float | np.ndarray, resolution: float, rate: float) -> EdgeFilter:
    """Timed edges at some speeds as filters."""
    frequency = np.asarray(speed, dtype=float) / resolution
    blind = frequency < SLOWEST_EDGES
    seen = np.clip(frequency, SLOWEST_EDGES, QUICKEST_EDGES * rate)
    return EdgeFilter(rate / seen, estimator.reach * rate, blind)


def few_edges(estimator: LinearEstimator, rate: float, crossover: float) -> tuple[Doubt, ...]:
    """Why the mean filter of timed edges is not reliable in a loop of one speed."""
    if not isinstance(estimator, EdgeFilter):
        return ()
    frequency = rate / float(estimator.period)
    if not frequency < FIXED_FROM * crossover:
        return ()
    ratio = frequency / crossover
    return (Doubt("few_edges_margins", edges=FIXED_FROM, frequency=frequency, ratio=ratio),)


def _under_hat(place: np.ndarray) -> np.ndarray:
    """Area under the triangle from -1 over 0 to 1 up to a place."""
    near = np.clip(place, -1.0, 1.0)
    return np.where(near < 0.0, 0.5 * (1.0 + near) ** 2, 1.0 - 0.5 * (1.0 - near) ** 2)


def _over(sine: np.ndarray, own_cycles: np.ndarray, width: float | np.ndarray) -> np.ndarray:
    """``sin(pi cycles width)/(pi cycles)`` from the sine."""
    small = np.abs(own_cycles) < SMALL_CYCLES
    return np.where(small, width, sine / (np.pi * np.where(small, 1.0, own_cycles)))


class HeldSums:
    """Integrals over the past of a unit position, linear between samples, at normalised frequencies -1/2 to 1/2."""

    def __init__(self, cycles: np.ndarray) -> None:
        self.turn = 1j * np.pi * np.asarray(cycles, dtype=float)
        self.half = np.exp(self.turn)
        self.step = 1j * self.half.imag * self.half.conj()
        with np.errstate(divide="ignore", invalid="ignore"):
            # half of 1 + z**-1 over 1 - z**-1
            self.sum = np.where(self.half.imag == 0.0, 0.0, -0.5j * self.half.real / self.half.imag)

    def up_to(self, age: float | np.ndarray) -> np.ndarray:
        """Integral from now back to a delay, loop periods."""
        whole = np.floor(age)
        rest = age - whole
        inside = rest - rest**2 * self.step
        if not np.any(whole):
            return inside
        past, back = self._whole(whole)
        return past + back * inside

    def _whole(self, samples: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Integral over whole samples, and ``z**-samples``."""
        # where all delays end in the same sample a power is faster than an exponential
        first = int(np.max(samples))
        half = (
            filter_design.power(self.half, first) if np.min(samples) == first else np.exp(self.turn * samples)
        )
        back = half.conj()
        return self.sum * (2j * half.imag * back), back * back

    def ends(self, samples: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Terms of integrals and of shared edges whose delays lie between whole samples n and n + 1."""
        half = np.exp(samples[:, None] * self.turn)
        back = half.conj() ** 2
        past = self.sum * (2j * half.imag * half.conj())
        near, far = (part.imag / self.half.imag for part in (half, half * self.half))
        return past, back, -back * self.step, near**2, far**2


def _bulge(age: float | np.ndarray) -> float | np.ndarray:
    """Integral from 0 to a delay of the linear interpolation of t**2 between whole numbers minus t**2."""
    whole = np.floor(age)
    rest = age - whole
    return whole / 6.0 + rest**2 * (0.5 - rest / 3.0)
