"""Mean squares that the errors of an encoder make of a closed loop whose estimator times the edges of the counts.

Two paths lead into the loop: the position control reads sampled counts, the velocity comes from edges, which are
bound to position and are held until the next. Frequencies are in turns, cycles a loop period; nothing of the
second path folds before it is sampled.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..rings.error_orders import turn_lines
from . import loop as loops
from . import squared_gains
from .error_lines import TAU
from .propagated_errors import LARGEST_MODULATION, LEAST_MODULATION, self_modulated
from .squared_gains import CURVES, abs_squared
from .timed_edge_loops import TimedEdgeLoops, curve_gains, loops_by_speed, mean_squares
from .timed_edges import reaches

if TYPE_CHECKING:
    from .error_lines import ErrorLines, QuantisationLines
    from .loop import Loop
    from .timed_edge_loops import CurveGains, Means


# Speeds that are worth computing at once: some MB; and those of loops that follow the speed.
TOGETHER, TOGETHER_BY_SPEED = 128, 32
ROOM = 1 << 18
# Smooth lines, lines of the counts and ticks of the timing clock that count one by one.
SMOOTH_LINES = 40
COUNT_LINES = 96
TICKS = 12
# Lines of which noise leaves less than this share of the power of their kind are taken as white.
FAINT = 1e-9
# Images to each side of a line that is held from edge to edge; the others are white.
IMAGES = 2


class PropagatedEdges:
    """Errors passed through loops that differ in the speed at which edges are timed.

    Parameters
    ----------
    errors : ErrorLines
    stepped : list
        As of `ErrorLines.stepped`.
    loop : Loop
        As of `loop.over_speeds` for the speeds in column shape.
    means : Means
        What the circle tells of it.
    there : ndarray of int
        Places of these speeds.

    Attributes
    ----------
    squares : dict of str to ndarray, shape (speeds, curves)
        Mean squares by cause, position unit squared; infinite where the loop is unstable.
    followed : ndarray, shape (speeds, curves)
        What of them comes from lines of the counts that the loop follows.
    steep : ndarray of bool, shape (speeds,)
        Where the loop moves the smooth lines too far.
    beside : ndarray, shape (speeds, curves)
        What of the mean squares comes from lines that the hold from edge to edge makes.
    ticked : ndarray, shape (speeds, curves)
        What of the mean squares comes from ticks of the timing clock that no noise smears.
    stable : ndarray of bool, shape (speeds,)
    crossover : ndarray, shape (speeds,)
        Highest frequency at which the loop gain is 1, Hz.
    """

    def __init__(
        self,
        errors: ErrorLines,
        quantisation: list[tuple[np.ndarray, QuantisationLines]],
        loop: Loop,
        means: Means,
        there: np.ndarray,
    ) -> None:
        self.errors, self.quantisation, self.loop, self.means, self.there = (
            errors,
            quantisation,
            loop,
            means,
            there,
        )
        self.advance = errors.speed[there] / (errors.axis.scale.pitch * loop.rate)
        self.edges = loop.estimator
        self.stable, self.crossover = means.stable, means.crossover
        self.steep, self.hold_images = np.zeros(there.size, dtype=bool), 0.0
        found = self._all()
        nothing = np.zeros((there.size, len(CURVES)))
        unstable = ~self.stable[:, None]
        self.squares = {
            cause: np.where(unstable, np.inf, found.get(cause, nothing)) for cause in errors.model.named()
        }

    def _all(self) -> dict[str, np.ndarray]:
        found, errors = {"sde": self._smooth()}, self.errors
        for cause, variance in errors.spread.items():
            found[cause] = self._noise(variance[self.there], edges=cause != "clock")
        if errors.axis.interpolation.bits is not None:
            found["adc"] = self._noise(errors.converter[self.there])
        orders, _, made = turn_lines(errors.axis)
        found["ring"] = self._lines(orders, np.broadcast_to(made, (self.there.size, orders.size)))
        found["resolution"] = self._ticks() + self._counts(found["sde"])
        return found

    def _noise(self, variance: np.ndarray, edges: bool = True) -> np.ndarray:
        """Noise that is new at every sample and at every edge."""
        return variance[:, None] * (self.means.white + self.means.edge_noise * edges)

    def _smooth(self) -> np.ndarray:
        """Strongest smooth lines; how far the loop moves them."""
        orders, made = self.errors.orders, self.errors.made
        made = made[self.there] if made.shape[0] > 1 else np.repeat(made, self.there.size, axis=0)
        strength = (np.abs(made) * orders).max(axis=0, initial=0.0)
        some = np.sort(np.argsort(-strength, kind="stable")[:SMOOTH_LINES])
        return np.maximum(self._lines(orders[some], made[:, some]) + self._self_modulation(), 0.0)

    def _self_modulation(self) -> np.ndarray:
        """What the smooth lines gain or lose because the axis, moved by them, reads them elsewhere."""
        found = np.zeros((self.there.size, len(CURVES)))
        orders, made = self.errors.dense_lines()
        if not orders.size:
            return found
        made = made[self.there] if made.shape[0] > 1 else np.repeat(made, self.there.size, axis=0)
        passed = self._both(np.multiply.outer(self.advance, orders.astype(float)))
        moved = TAU * np.abs(made * passed.position) * orders
        moved = np.where(self.advance > 0.0, moved.sum(axis=-1), 0.0)
        self.steep = moved > LARGEST_MODULATION
        here = np.flatnonzero((moved > LEAST_MODULATION) & ~self.steep)
        change = (
            np.abs(self_modulated(made[here], orders, -passed.position[here])) ** 2 - np.abs(made[here]) ** 2
        )
        found[here] = mean_squares(passed.squares()[:, here], 0.5 * change)
        return found

    def _both(self, cycles: np.ndarray) -> CurveGains:
        """Gains of lines that come by both paths, in phase."""
        return curve_gains(self.loop, cycles, 1.0, self.loop.rate * self.edges.line_gain(cycles)[0])

    def _lines(self, orders: np.ndarray, made: np.ndarray) -> np.ndarray:
        """Lines of complex amplitude ``made``: both paths in phase, and what the hold makes beside them."""
        if not orders.size:
            return np.zeros((self.there.size, len(CURVES)))
        power = 0.5 * np.abs(made) ** 2 * (self.advance > 0.0)[:, None]
        found, hold_images = self._held(np.multiply.outer(self.advance, orders.astype(float)), power, 1.0)
        self.hold_images = self.hold_images + hold_images
        return found + hold_images

    def _held(self, cycles: np.ndarray, power: np.ndarray, position: float) -> tuple[np.ndarray, np.ndarray]:
        """Lines that are held from edge to edge, and lines beside them at multiples of the frequency of the edges."""
        # ``position`` is the amplitude by which they come in the position that the position control reads.
        images = np.array([n for n in range(-IMAGES, IMAGES + 1) if n])
        (mean, *others), left = self.edges.line_gains(cycles, [0, *images])
        shares = [abs_squared(one) for one in others]
        left = power * np.maximum(left - abs_squared(mean) - sum(shares), 0.0)
        away = cycles[:, None, :] + (images / self.edges.period)[:, :, None]
        away, shares = (np.reshape(part, (cycles.shape[0], -1)) for part in (away, np.stack(shares, axis=1)))
        timed = curve_gains(self.loop, away, 0.0, self.loop.rate).squares()
        hold_images = mean_squares(timed, np.tile(power, images.size) * shares)
        hold_images += self.loop.rate**2 * left.sum(axis=-1)[:, None] * self.means.held_white
        return mean_squares(
            curve_gains(self.loop, cycles, position, self.loop.rate * mean).squares(), power
        ), hold_images

    def _ticks(self) -> np.ndarray:
        """Times rounded to the clock: lines at multiples of its frequency as the edges see it, and noise."""
        period, advance = self.edges.period, self.advance
        ticks = self.errors.axis.estimator.clock / self.loop.rate
        move = advance / ticks
        harmonic = np.arange(1.0, TICKS + 1.0)
        kept = np.exp(
            -((TAU * np.divide(1.0, move, out=np.zeros_like(move), where=move > 0.0)) ** 2) * self._rough()
        )
        kept = kept[:, None] ** (harmonic**2)
        harmonic, kept = (part[..., (kept > FAINT).any(axis=0)] for part in (harmonic, kept))
        power = 0.5 * (move[:, None] / (np.pi * harmonic)) ** 2 * kept
        cycles = harmonic * ticks * period
        cycles = (cycles - np.rint(cycles)) / period
        self.clock_ticks = sum(self._held(cycles, power, 0.0))
        noise = np.maximum(move**2 / 12.0 - power.sum(axis=-1), 0.0)
        return self.clock_ticks + noise[:, None] * self.means.edge_noise

    def _rough(self) -> np.ndarray:
        """Mean square of what moves an edge against the one it is timed from, per edge, periods squared."""
        errors, (_, _, counts) = self.errors, reaches(self.edges.period, self.edges.window)[0]
        made = errors.made if errors.made.shape[0] == 1 else errors.made[self.there]
        cycles = errors.orders * counts / errors.axis.interpolation.factor
        lines = (np.abs(made) * np.sin(np.pi * cycles)) ** 2
        moved = [square[self.there] for cause, square in errors.spread.items() if cause != "clock"]
        return sum(moved) + errors.converter[self.there] + lines.sum(axis=-1)

    def _counts(self, smooth: np.ndarray) -> np.ndarray:
        """Steps of the counts in the position that the position control reads."""
        found = np.zeros((self.there.size, len(CURVES)))
        self.tracked = np.zeros_like(found)
        variance = self.errors.variance[self.there] + self.errors.converter[self.there]
        for places, lines in self.quantisation:
            here = np.flatnonzero(np.isin(self.there, places))
            if not here.size:
                continue
            strong = np.argsort(-lines.power, kind="stable")[:COUNT_LINES]
            orders = lines.order[strong].astype(float)
            kept = lines.power[strong] * np.exp(-(TAU**2) * np.multiply.outer(variance[here], orders**2))
            some = (kept > FAINT * lines.total).any(axis=0)
            orders, kept, first = orders[some], kept[:, some], orders.min(initial=1e9)
            gain = curve_gains(self.loop, np.multiply.outer(self.advance, orders), 1.0, 0.0).squares()[
                :, here
            ]
            moving = self.advance[here, None] > 0.0
            toggled = -np.expm1(-(TAU**2) * variance[here] * first**2)
            rest = np.where(moving[:, 0], lines.total - kept.sum(axis=-1), toggled * lines.total)
            lined = mean_squares(gain, kept * moving)
            # taken by as many rad as the axis, moved by them and by the smooth lines, shifts their phase, at most 1
            moved = np.sqrt(lined[:, -1] + smooth[here, -1])
            shift = np.minimum(np.multiply.outer(TAU * moved, orders), 1.0)
            self.tracked[here] = mean_squares(gain, kept * moving * shift)
            found[here] = lined + rest[:, None] * self.means.white[here]
        return found


def at_speeds(errors: ErrorLines) -> Iterator[PropagatedEdges]:
    """Errors passed at all speeds of an axis, some speeds at a time."""
    axis, speed, quantisation = errors.axis, errors.speed, errors.quantisation()
    order = np.argsort(speed, kind="stable")
    # freed at once: glibc from then on keeps what such arrays leave, else each gets new pages, at twice the time
    np.empty(ROOM)
    if squared_gains.depends_on_speed(axis):
        for there in _blocks(order, TOGETHER_BY_SPEED):
            for loop, some in loops_by_speed(axis, speed[there]):
                means = TimedEdgeLoops(axis.load, loop).means(loop.estimator)
                yield PropagatedEdges(errors, quantisation, loop, means, there[some])
        return
    loop = loops.build_for_speeds(axis, speed[:, None])
    circle = TimedEdgeLoops(axis.load, loop)
    for there in _blocks(order, TOGETHER):
        some = replace(loop, estimator=loop.estimator.at(there))
        yield PropagatedEdges(errors, quantisation, some, circle.means(some.estimator), there)


def _blocks(order: np.ndarray, size: int) -> list[np.ndarray]:
    return [order[first : first + size] for first in range(0, order.size, size)]
