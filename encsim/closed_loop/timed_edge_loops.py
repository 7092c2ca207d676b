"""Loops that differ in the speed at which their edges are timed: what they have in common, once for all speeds.

The loop is torn open at the estimator. Its other parts stand at each frequency as a few numbers, and on the whole
circle each speed's gain of the edges is a sum of few waves, so that many speeds are one product of matrices. Where
friction or a notch follows the speed too, those parts have a row for each speed.

Speeds at which a loop of timed edges works: the slower the axis, the older its edges, and the less margin is left.

Loops of many speeds at once, from frequency responses on a grid; what `margins` says of one speed is exact.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model import filter_design
from . import loop as loops
from . import squared_gains, stability, timed_edges
from .squared_gains import abs_squared
from .timed_edges import FIXED_FROM, SLOWEST_EDGES, HeldSums

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.filter_design import FilterSection
    from ..model.load_and_control import Load
    from .loop import Loop
    from .plant import Transfer
    from .timed_edges import EdgeFilter


# Points of frequency: a decade, evenly, and about the resonance of two masses.
PER_DECADE = 80
DECADES = 6
EVEN = 256
NEAR_RESONANCE = np.linspace(0.7, 1.3, 241)
POLYNOMIALS = ("denominator", "measured", "position", "velocity")
# Speeds at a time, halved while the ages of their edges end in more than so many samples.
TOGETHER = 32
FEWEST = 8
ENDS = 12


@dataclass(frozen=True, eq=False, slots=True)
class CurveGains:
    """What two errors that come in phase make of the curves, one error read as position, the other as velocity.

    Attributes
    ----------
    measured : ndarray of complex, shape (speeds, n)
        Gain to the velocity estimate.
    share : ndarray of complex, shape (speeds, n)
        Torque that is asked for, over the common denominator of the loop.
    acted : tuple of ndarray of complex
        Minus torque, velocity and position of the load, for a share of 1.
    """

    measured: np.ndarray
    share: np.ndarray
    acted: tuple

    @property
    def position(self) -> np.ndarray:
        """Gain to the position of the load."""
        return -self.share * self.acted[-1]

    def squares(self) -> np.ndarray:
        """Squared gains, of shape (curves, speeds, n)."""
        share = abs_squared(self.share)
        return np.stack([abs_squared(self.measured), *(share * abs_squared(part) for part in self.acted)])


def mean_squares(squares: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Mean squares of the curves, shape (speeds, curves), of lines of some power, shape (speeds, n)."""
    return np.einsum("csk,sk->sc", squares, power)


def curve_gains(loop: Loop, cycles: np.ndarray, position: float, velocity: float | np.ndarray) -> CurveGains:
    """What lines make of the curves of a loop with timed edges."""
    parts, command = loop.parts(cycles * loop.rate), loop.control.position_gain
    seen = loop.rate * loop.estimator.gain(parts.cycles) * parts.forward
    below = parts.base + command * parts.forward
    total = below + seen
    return CurveGains(
        (velocity * below - position * command * seen) / total,
        (position * command + velocity) / total,
        parts.acted,
    )


@dataclass(frozen=True, eq=False, slots=True)
class Means:
    """What the whole circle tells of the loops of some speeds.

    Attributes
    ----------
    stable : ndarray of bool, shape (speeds,)
    crossover : ndarray, shape (speeds,)
        Highest frequency at which the loop gain is 1, Hz; NaN if there is none.
    white, held_white : ndarray, shape (speeds, curves)
        Mean squares for white noise of mean square 1 in the position that the position control reads, and in the
        velocity.
    edge_noise : ndarray, shape (speeds, curves)
        For noise of mean square 1 that is new at each edge.
    """

    stable: np.ndarray
    crossover: np.ndarray
    white: np.ndarray
    held_white: np.ndarray
    edge_noise: np.ndarray


class TimedEdgeLoops:
    """Loops at all frequencies, torn open at their timed edges.

    Parameters
    ----------
    load : Load
    loop : Loop
        One for all speeds, or as of `loops_by_speed`, whatever the estimator.
    """

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

    def means(self, edges: EdgeFilter) -> Means:
        """Stability, crossover and mean gains of some speeds."""
        ages, *weights = (part[..., 0] for part in edges.ends())
        held, shared = (np.where(edges.blind[:, 0], 0.0, part) for part in weights)
        parts = [
            self._some(one, ages[:, one], held[:, one], shared[:, one]) for one in _groups(np.floor(ages))
        ]
        return Means(*(np.concatenate(part) for part in zip(*parts, strict=True)))

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
        """As `loop_power.crossover_of`, from squared loop gains row by row."""
        change = np.diff(size > 1.0, axis=1)
        last = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=1)
        rows = np.arange(last.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            before, after = (np.log(size[rows, k]) for k in (last, last + 1))
            low, high = self.frequency[last], self.frequency[last + 1]
            found = low * (high / low) ** (before / (before - after))
        return np.where(change.any(axis=1), found, np.nan)


def loops_by_speed(axis: Axis, speed: np.ndarray) -> Iterator[tuple[Loop, np.ndarray]]:
    """Loops with friction or notches that follow the speed as one, its terms in column shape."""
    speed_independent, plants = {}, {}
    for n, one in enumerate(speed.tolist()):
        filters = filter_design.sections(axis.control, axis.sampling.rate, speed=one, pitch=axis.scale.pitch)
        speed_independent.setdefault(tuple((part.above, part.below) for part in filters), []).append(
            (n, filters)
        )
    for found in speed_independent.values():
        places, filters = (list(part) for part in zip(*found, strict=True))
        built = [_built(axis, one, plants) for one in speed[places].tolist()]
        sections = (_columned(parts, ("turns",)) for parts in zip(*filters, strict=True))
        plant = built[0].plant
        if any(one is not built[0] for one in built):
            plant = replace(plant, transfer=_columned([one.plant.transfer for one in built], POLYNOMIALS))
        yield (
            replace(
                built[0],
                plant=plant,
                filters=tuple(sections),
                estimator=timed_edges.at_speeds(
                    axis.estimator, speed[places][:, None], axis.resolution, axis.sampling.rate
                ),
            ),
            np.array(places),
        )


def _built(axis: Axis, speed: float, known: dict[Any, Loop]) -> Loop:
    """The loop of a speed, up to its filters; loops with the same friction are the same."""
    slope = axis.load.friction_slope(speed)
    if slope not in known:
        known[slope] = loops.build_for_speeds(axis, speed, speed)
    return known[slope]


def _columned(
    parts: list[Transfer] | tuple[FilterSection, ...], names: tuple[str, ...]
) -> FilterSection | Transfer:
    """The first of some descriptions with its numbers as columns, one row a description."""
    values = {name: np.stack([getattr(part, name) for part in parts], axis=-1)[..., None] for name in names}
    return replace(parts[0], **values)


def _groups(whole: np.ndarray) -> Iterator[slice]:
    """Slices of neighbours whose ages end in few different samples."""
    first = 0
    while first < whole.shape[1]:
        size = TOGETHER
        while size > FEWEST and np.unique(whole[:, first : first + size]).size > ENDS:
            size //= 2
        yield slice(first, first + size)
        first += size


def grid(load: Load, rate: float) -> np.ndarray:
    """Turns from 1e-6 to 1/2."""
    parts = [np.geomspace(10.0**-DECADES, 0.5, DECADES * PER_DECADE), np.linspace(0.0, 0.5, EVEN + 1)[1:]]
    if load.flexible:
        parts += [NEAR_RESONANCE * place / rate for place in (load.resonance, load.antiresonance)]
    found = np.unique(np.concatenate(parts))
    return found[(found >= 10.0**-DECADES) & (found <= 0.5)]


def widths(cycles: np.ndarray) -> np.ndarray:
    """Share of each point of a grid in a mean over it."""
    found = np.gradient(cycles)
    found[[0, -1]] *= 0.5
    return found / found.sum()


# Frequencies: a decade, decades, evenly, and about the resonance of two masses.
SPEED_PER_DECADE, SPEED_DECADES, SPEED_EVEN = 120, 7, 400
SPEED_NEAR_RESONANCE = np.concatenate([1.0 - np.geomspace(0.5, 1e-4, 60), 1.0 + np.geomspace(1e-4, 0.5, 60)])
# Speeds at once, speeds of a first look, and into how many parts, how often, the one that matters is cut.
SPEEDS_TOGETHER, FIRST, SECTIONS, ROUNDS = 16, 50, 12, 2
# Speeds of a range among which the worst is looked for: mostly the lowest.
WORST = 24
# A loop should keep this phase margin, deg. Common practice, no source.
LEAST_MARGIN = 30.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class SpeedMargins:
    """How far loops are from swinging, one a speed.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        m/s or rad/s.
    stable : ndarray of bool
    phase_margin : ndarray
        Distance of the phase from -180 deg where the gain is 1, deg; 180 where it never is, 0 where the loop is not
        stable.
    """

    speed: np.ndarray
    stable: np.ndarray
    phase_margin: np.ndarray


def margins_at(axis: Axis, speeds: list[float] | np.ndarray) -> SpeedMargins:
    """Stability and phase margin of an axis at some speeds."""
    speeds = np.asarray(speeds, dtype=float)
    frequency = _grid(axis.load, axis.sampling.rate)
    alone = 1 if squared_gains.depends_on_speed(axis) else SPEEDS_TOGETHER
    found = [_some(axis, speeds[n : n + alone], frequency) for n in range(0, speeds.size, alone)]
    stable, margin = (np.concatenate(part) for part in zip(*found, strict=True))
    return SpeedMargins(speed=speeds, stable=stable, phase_margin=margin)


def _some(axis: Axis, speeds: np.ndarray, frequency: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    loop = loops.build_for_speeds(axis, speeds[:, None], float(speeds[0]))
    gain = loop.open_gain(frequency)
    stable = stability.unstable_poles(stability.open_polynomial(loop, frequency) * (1.0 + gain)) == 0
    square = gain.real**2 + gain.imag**2
    return stable, np.where(stable, phase_margins(gain, square), 0.0)


def lowest(axis: Axis, top: float, least: float | None = None) -> float:
    """Lowest speed from which on, up to another, a loop of timed edges is stable or keeps a margin."""
    speeds = np.geomspace(min(SLOWEST_EDGES * axis.resolution, top), top, FIRST)
    place = _last_failing(axis, speeds, least)
    if place == speeds.size - 1:
        return np.nan
    for _ in range(ROUNDS if place >= 0 else 0):
        speeds = np.geomspace(speeds[place], speeds[place + 1], SECTIONS + 2)
        # its ends are known: failing, and not
        place = 1 + _last_failing(axis, speeds[1:-1], least)
    return float(speeds[place + 1])


def stable_part(axis: Axis, speeds: np.ndarray) -> np.ndarray:
    """Those of some speeds from which on, up to the highest, the loop of an axis is stable."""
    if axis.estimator.linear or speeds[-1] < SLOWEST_EDGES * axis.resolution:
        return speeds
    first = lowest(axis, float(speeds[-1]))
    return speeds if np.isnan(first) else speeds[speeds >= first]


def _last_failing(axis: Axis, speeds: np.ndarray, least: float | None) -> int:
    """Place of the highest of some speeds that fails; -1 if none does."""
    found = margins_at(axis, speeds)
    fails = ~found.stable if least is None else ~(found.stable & (found.phase_margin >= least))
    return int(np.flatnonzero(fails).max(initial=-1))


def worst(axis: Axis, low: float, high: float, points: int = WORST) -> Any:
    """Speed in a range at which the phase margin of a loop of timed edges is least."""
    if low < SLOWEST_EDGES * axis.resolution:
        return 0.0
    speeds = np.geomspace(low, high, points) if low < high else np.array([high])
    # the ends of geomspace are rounded
    speeds[0], speeds[-1] = low, high
    return float(speeds[np.argmin(margins_at(axis, speeds).phase_margin)])


def oldest(axis: Axis, low: float) -> float:
    """Speed of a range at which the edges are oldest, for the margins of a loop."""
    return 0.0 if axis.estimator.linear else max(low, SLOWEST_EDGES * axis.resolution)


def believed_from(axis: Axis, crossover: float) -> float:
    """Lowest speed at which edges come often enough for a loop of that crossover, Hz, to be linear, m/s or rad/s."""
    return FIXED_FROM * crossover * axis.resolution


def phase_margins(gain: np.ndarray, square: np.ndarray) -> np.ndarray:
    """Smallest distance of the phase from -180 deg where the gain is 1, per row."""
    above = square > 1.0
    row, column = np.nonzero(above[:, :-1] != above[:, 1:])
    before, after = gain[row, column], gain[row, column + 1]
    # a difference over some samples is blind at multiples of its frequency: there a velocity loop has no gain
    first, second = (np.log(np.maximum(square[row, column + n], 1e-300)) for n in (0, 1))
    angle = np.angle(-before) + first / (first - second) * np.angle(after / np.where(before, before, 1.0))
    found = np.full(len(gain), 180.0)
    np.minimum.at(found, row, np.degrees(np.abs(np.angle(np.exp(1j * angle)))))
    return found


def _grid(load: Load, rate: float) -> np.ndarray:
    """Frequencies up to half the rate, Hz."""
    half = 0.5 * rate
    parts = [
        np.geomspace(10.0**-SPEED_DECADES * half, half, SPEED_DECADES * SPEED_PER_DECADE),
        np.linspace(0.0, half, SPEED_EVEN + 1)[1:],
    ]
    if load.flexible:
        parts += [SPEED_NEAR_RESONANCE * place for place in (load.resonance, load.antiresonance)]
    found = np.unique(np.concatenate(parts))
    return found[(found >= parts[0][0]) & (found <= half)]
