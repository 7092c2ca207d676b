"""Loops with timed edges at many speeds: noise gains, stability and phase margin over the speed.

The lower the speed, the longer the delay of the edges and the smaller the margins. The loop is split at the estimator.
Its other terms are the same at all speeds, and the gain of the edges is a sum of few exponentials of the frequency, so
that many speeds are one product of matrices. Where friction or a notch follows the speed too, the terms have one row
per speed. All values come from a frequency grid; `margins` is exact for one speed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from ..model import filter_design
from ..model.filter_design import FilterSection
from ..open_loop import limits
from . import loop as loops
from . import squared_gains, stability, timed_edges
from .plant import Transfer
from .squared_gains import abs_squared
from .timed_edges import FIXED_FROM, SLOWEST_EDGES, HeldSums

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Load
    from .loop import Loop
    from .timed_edges import EdgeFilter


# Frequencies for noise gains: points per decade, decades, evenly spaced points, points around a resonance.
PER_DECADE = 80
DECADES = 6
EVEN = 256
NEAR_RESONANCE = np.linspace(0.7, 1.3, 241)
POLYNOMIALS = ("denominator", "measured", "position", "velocity")
# Speeds at a time, halved while the delays of their edges end in more than so many samples.
TOGETHER = 32
FEWEST = 8
ENDS = 12

Described = TypeVar("Described", FilterSection, Transfer)


@dataclass(frozen=True, eq=False, slots=True)
class CurveGains:
    """Gains from two errors in phase to the curves: one error in the position, the other in the velocity."""

    # gain to the velocity estimate, shape (speeds, n)
    measured: np.ndarray
    # torque before its filters, over the common denominator of the loop, shape (speeds, n)
    share: np.ndarray
    # minus torque, velocity and position of the load, for a share of 1
    acted: tuple[np.ndarray, ...]

    @property
    def position(self) -> np.ndarray:
        """Gain to the position of the load."""
        return -self.share * self.acted[-1]

    def squares(self) -> np.ndarray:
        """Squared gains, shape (curves, speeds, n)."""
        share = abs_squared(self.share)
        return np.stack([abs_squared(self.measured), *(share * abs_squared(part) for part in self.acted)])


def mean_squares(squares: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Mean squares of the curves, shape (speeds, curves), for lines of some power, shape (speeds, n)."""
    return np.einsum("csk,sk->sc", squares, power)


def curve_gains(loop: Loop, cycles: np.ndarray, position: float, velocity: float | np.ndarray) -> CurveGains:
    """Gains of lines in a loop with timed edges."""
    parts, command = loop.parts(cycles * loop.rate), loop.control.position_gain
    seen = loop.rate * loop.edges.gain(parts.cycles) * parts.forward
    below = parts.base + command * parts.forward
    total = below + seen
    return CurveGains(
        (velocity * below - position * command * seen) / total,
        (position * command + velocity) / total,
        parts.acted,
    )


@dataclass(frozen=True, eq=False, slots=True)
class WhiteNoiseGains:
    """Stability and mean squares for white noise of mean square 1, of shape (speeds, curves)."""

    stable: np.ndarray
    # highest frequency at which the loop gain is 1, Hz; NaN if there is none
    crossover: np.ndarray
    # noise in the position that the position control reads, and in the velocity
    white: np.ndarray
    held_white: np.ndarray
    # noise that is new at each edge
    edge_noise: np.ndarray


class TimedEdgeLoops:
    """Loops at all frequencies, split at their timed edges; the loop as of `loops_by_speed` or one for all speeds."""

    def __init__(self, load: Load, loop: Loop) -> None:
        self.rate, self.command = loop.rate, loop.control.position_gain
        cycles = grid(load, loop.rate)
        self.frequency, self.weight, self.sums = cycles * loop.rate, widths(cycles), HeldSums(cycles)
        parts, whole = loop.parts(self.frequency), stability.open_polynomial(loop, self.frequency)
        below, scale = parts.base + self.command * parts.forward, whole / parts.base
        # the characteristic polynomial is the first and the second times the gain of the edges
        self.fixed, self.times = np.atleast_2d(scale * below, scale * parts.forward * self.rate)
        self.open = np.atleast_2d(whole)
        passed = [abs_squared(scale * part) * self.weight for part in (below, *parts.acted)]
        self.passed = np.stack(np.atleast_2d(*np.broadcast_arrays(*passed)), axis=-2)

    def means(self, edges: EdgeFilter) -> WhiteNoiseGains:
        """Stability, crossover and noise gains of some speeds."""
        ages, *weights = (part[..., 0] for part in edges.ends())
        held, shared = (np.where(edges.blind[:, 0], 0.0, part) for part in weights)
        parts = [
            self._some(one, ages[:, one], held[:, one], shared[:, one]) for one in _groups(np.floor(ages))
        ]
        return WhiteNoiseGains(*(np.concatenate(part) for part in zip(*parts, strict=True)))

    def _some(
        self, here: slice, ages: np.ndarray, held: np.ndarray, shared: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        fixed, times, whole, passed = (
            part if len(part) == 1 else part[here]
            for part in (self.fixed, self.times, self.open, self.passed)
        )
        gain, noise = self._edges(ages, held, shared)
        gain = gain * times
        closed = gain + fixed
        inverse = 1.0 / abs_squared(closed)
        held_white = (passed @ inverse[..., None])[..., 0]
        white = self.command**2 * held_white
        white[:, 0] = self.command**2 * ((abs_squared(gain) * inverse) @ self.weight)
        edge_noise = self.rate**2 * (passed @ (noise * inverse)[..., None])[..., 0]
        stable = stability.unstable_poles(closed) == 0
        return (
            stable,
            self._crossover(abs_squared(closed - whole) / abs_squared(whole)),
            white,
            held_white,
            edge_noise,
        )

    def _edges(self, ages: np.ndarray, held: np.ndarray, shared: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Gain of the edges, and spectrum of their noise."""
        whole = np.floor(ages)
        ends, place = np.unique(whole, return_inverse=True)
        place = place.reshape(whole.shape)  # NumPy 1 gives it flat
        rest, across = ages - whole, np.arange(ages.shape[1])
        weights = (held, held * rest, held * rest**2, shared * (1.0 - rest), shared * rest)
        table = np.zeros((len(weights), across.size, ends.size))
        for row, weight in zip(table, weights, strict=True):
            for column, part in zip(place, weight, strict=True):
                row[across, column] += part
        *waves, near, far = self.sums.ends(ends)
        gain = np.concatenate(table[:3], axis=1) @ np.concatenate(waves).view(float)
        noise = np.concatenate(table[3:], axis=1) @ np.concatenate([near, far])
        return gain.view(complex), np.maximum(noise, 0.0)

    def _crossover(self, size: np.ndarray) -> np.ndarray:
        """As `squared_gains.crossover_of`, from squared loop gains row by row."""
        change = np.diff(size > 1.0, axis=1)
        last = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=1)
        rows = np.arange(last.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            before, after = (np.log(size[rows, k]) for k in (last, last + 1))
            low, high = self.frequency[last], self.frequency[last + 1]
            crossover = low * (high / low) ** (before / (before - after))
        return np.where(change.any(axis=1), crossover, np.nan)


def loops_by_speed(axis: Axis, speed: np.ndarray) -> Iterator[tuple[Loop, np.ndarray]]:
    """Loops with friction or notches that follow the speed, joined into one loop with terms of one row per speed."""
    load, control = loops.closed(axis)
    alike: dict[tuple[object, ...], dict[int, tuple[FilterSection, ...]]] = {}
    plants: dict[float, Loop] = {}
    for n, one in enumerate(speed.tolist()):
        filters = filter_design.sections(control, axis.sampling.rate, speed=one, pitch=axis.scale.pitch)
        alike.setdefault(tuple((part.above, part.below) for part in filters), {})[n] = filters
    for group in alike.values():
        places = list(group)
        built = [_built(axis, one, load.friction_slope(one), plants) for one in speed[places].tolist()]
        sections = (_columned(parts, ("turns",)) for parts in zip(*group.values(), strict=True))
        plant = built[0].plant
        if any(one is not built[0] for one in built):
            plant = replace(plant, transfer=_columned([one.plant.transfer for one in built], POLYNOMIALS))
        yield (
            replace(
                built[0],
                plant=plant,
                filters=tuple(sections),
                estimator=timed_edges.at_speeds(
                    timed_edges.of_axis(axis), speed[places][:, None], axis.resolution, axis.sampling.rate
                ),
            ),
            np.array(places),
        )


def _built(axis: Axis, speed: float, slope: float, known: dict[float, Loop]) -> Loop:
    """The loop of a speed without its filters; loops with the same friction slope are one."""
    if slope not in known:
        known[slope] = loops.build_for_speeds(axis, speed, speed)
    return known[slope]


def _columned(parts: Sequence[Described], names: tuple[str, ...]) -> Described:
    """The first of some descriptions with its numbers as columns, one row per description."""
    values: dict[str, Any] = {
        name: np.stack([getattr(part, name) for part in parts], axis=-1)[..., None] for name in names
    }
    return replace(parts[0], **values)


def _groups(whole: np.ndarray) -> Iterator[slice]:
    """Slices of neighbours whose delays end in few different samples."""
    first = 0
    while first < whole.shape[1]:
        size = TOGETHER
        while size > FEWEST and np.unique(whole[:, first : first + size]).size > ENDS:
            size //= 2
        yield slice(first, first + size)
        first += size


def grid(load: Load, rate: float) -> np.ndarray:
    """Normalised frequencies from 1e-6 to 1/2."""
    parts = [np.geomspace(10.0**-DECADES, 0.5, DECADES * PER_DECADE), np.linspace(0.0, 0.5, EVEN + 1)[1:]]
    if load.flexible:
        parts += [NEAR_RESONANCE * place / rate for place in (load.resonance, load.antiresonance)]
    points = np.unique(np.concatenate(parts))
    return points[(points >= 10.0**-DECADES) & (points <= 0.5)]


def widths(cycles: np.ndarray) -> np.ndarray:
    """Weight of each point of a grid in a mean over it."""
    weights = np.gradient(cycles)
    weights[[0, -1]] *= 0.5
    return weights / weights.sum()


# Frequencies for margins, in the same order.
SPEED_PER_DECADE, SPEED_DECADES, SPEED_EVEN = 120, 7, 400
SPEED_NEAR_RESONANCE = np.concatenate([1.0 - np.geomspace(0.5, 1e-4, 60), 1.0 + np.geomspace(1e-4, 0.5, 60)])
# Speeds at once, speeds of the first search, sections and rounds of the following ones.
SPEEDS_TOGETHER, FIRST, SECTIONS, ROUNDS = 16, 50, 12, 2
# Speeds of a range among which the one with the least margin is searched; mostly it is the lowest.
SEARCHED = 24
# A loop should keep this phase margin, deg. Common practice, no source.
LEAST_MARGIN = 30.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class SpeedMargins:
    """Stability and phase margin, deg, at some speeds: 180 where the gain is never 1, 0 where the loop is unstable."""

    speed: np.ndarray
    stable: np.ndarray
    phase_margin: np.ndarray


def margins_at(axis: Axis, speeds: list[float] | np.ndarray) -> SpeedMargins:
    """Stability and phase margin of an axis at some speeds."""
    speeds = np.asarray(speeds, dtype=float)
    frequency = _grid(loops.closed(axis).load, axis.sampling.rate)
    alone = 1 if squared_gains.depends_on_speed(axis) else SPEEDS_TOGETHER
    parts = [_some(axis, speeds[n : n + alone], frequency) for n in range(0, speeds.size, alone)]
    stable, margin = (np.concatenate(part) for part in zip(*parts, strict=True))
    return SpeedMargins(speed=speeds, stable=stable, phase_margin=margin)


def _some(axis: Axis, speeds: np.ndarray, frequency: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    loop = loops.build_for_speeds(axis, speeds[:, None], float(speeds[0]))
    gain = loop.open_gain(frequency)
    stable = stability.unstable_poles(stability.open_polynomial(loop, frequency) * (1.0 + gain)) == 0
    square = gain.real**2 + gain.imag**2
    return stable, np.where(stable, phase_margins(gain, square), 0.0)


def lowest_speed(axis: Axis, top: float, least: float | None = None) -> float:
    """Lowest speed from which on, up to ``top``, a loop with timed edges is stable or keeps a margin; NaN if none."""
    speeds = np.geomspace(min(SLOWEST_EDGES * axis.resolution, top), top, FIRST)
    place = _last_failing(axis, speeds, least)
    if place == speeds.size - 1:
        return np.nan
    for _ in range(ROUNDS if place >= 0 else 0):
        speeds = np.geomspace(speeds[place], speeds[place + 1], SECTIONS + 2)
        # the lower end fails, the upper end does not
        place = 1 + _last_failing(axis, speeds[1:-1], least)
    return float(speeds[place + 1])


def stable_speeds(axis: Axis, speeds: np.ndarray) -> np.ndarray:
    """Those of some ascending speeds from which on the loop of an axis is stable."""
    if axis.estimator.linear or speeds[-1] < SLOWEST_EDGES * axis.resolution:
        return speeds
    first = lowest_speed(axis, float(speeds[-1]))
    return speeds if np.isnan(first) else speeds[speeds >= first]


def default_speeds(axis: Axis) -> np.ndarray:
    """Those of the usual speeds of an axis from which on its loop is stable."""
    return stable_speeds(axis, np.array(limits.default_speeds(axis)))


def _last_failing(axis: Axis, speeds: np.ndarray, least: float | None) -> int:
    """Place of the highest speed that fails; -1 if none does."""
    margins = margins_at(axis, speeds)
    fails = ~margins.stable if least is None else ~(margins.stable & (margins.phase_margin >= least))
    return int(np.flatnonzero(fails).max(initial=-1))


def least_margin_speed(axis: Axis, low: float, high: float, points: int = SEARCHED) -> float:
    """Speed in a range at which the phase margin of a loop with timed edges is least."""
    if low < SLOWEST_EDGES * axis.resolution:
        return 0.0
    speeds = np.geomspace(low, high, points) if low < high else np.array([high])
    # the ends of geomspace are rounded
    speeds[0], speeds[-1] = low, high
    return float(speeds[np.argmin(margins_at(axis, speeds).phase_margin)])


def slowest_speed(axis: Axis, low: float) -> float:
    """Speed of a range with the longest delay of the edges, from one count per second on; 0 without timed edges."""
    return 0.0 if axis.estimator.linear else max(low, SLOWEST_EDGES * axis.resolution)


def linear_from(axis: Axis, crossover: float) -> float:
    """Lowest speed with enough edges for the linear theory of a loop with this crossover, Hz."""
    return FIXED_FROM * crossover * axis.resolution


def phase_margins(gain: np.ndarray, square: np.ndarray) -> np.ndarray:
    """Smallest distance of the phase from -180 deg at the crossovers, per row."""
    above = square > 1.0
    row, column = np.nonzero(above[:, :-1] != above[:, 1:])
    before, after = gain[row, column], gain[row, column + 1]
    # a difference over some samples has zeros at multiples of its frequency: there a velocity loop has no gain
    first, second = (np.log(np.maximum(square[row, column + n], 1e-300)) for n in (0, 1))
    angle = np.angle(-before) + first / (first - second) * np.angle(after / np.where(before, before, 1.0))
    margins = np.full(len(gain), 180.0)
    np.minimum.at(margins, row, np.degrees(np.abs(np.angle(np.exp(1j * angle)))))
    return margins


def _grid(load: Load, rate: float) -> np.ndarray:
    """Frequencies up to half the rate, Hz."""
    half = 0.5 * rate
    parts = [
        np.geomspace(10.0**-SPEED_DECADES * half, half, SPEED_DECADES * SPEED_PER_DECADE),
        np.linspace(0.0, half, SPEED_EVEN + 1)[1:],
    ]
    if load.flexible:
        parts += [SPEED_NEAR_RESONANCE * place for place in (load.resonance, load.antiresonance)]
    points = np.unique(np.concatenate(parts))
    return points[(points >= parts[0][0]) & (points <= half)]
