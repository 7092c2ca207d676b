"""Mean squares that encoder errors cause in a closed loop whose estimator times the edges of the counts.

Errors enter by two paths: the position control reads sampled counts, the velocity comes from edges, which are bound to
position and held until the next edge. Frequencies are normalised to the loop rate (cycles per sample); the second path
is not aliased before it is sampled.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..rings.error_orders import turn_lines
from . import loop as loops
from . import squared_gains, timed_edges
from .error_lines import TAU, self_modulated
from .propagated_errors import LARGEST_MODULATION, LEAST_MODULATION, POSITION
from .squared_gains import abs_squared, shifts
from .state_space import CURVES
from .timed_edge_loops import TimedEdgeLoops, curve_gains, loops_by_speed, mean_squares
from .timed_edges import reaches

if TYPE_CHECKING:
    from .error_lines import ErrorLines, QuantisationLines
    from .loop import Loop
    from .timed_edge_loops import CurveGains, WhiteNoiseGains


# Speeds that are computed at once: some MB; fewer for loops that depend on the speed.
TOGETHER, TOGETHER_BY_SPEED = 128, 32
ROOM = 1 << 18
# Smooth lines, quantisation lines and ticks of the timing clock that are taken one by one.
SMOOTH_LINES = 40
COUNT_LINES = 96
TICKS = 12
# Share by which tracking changes what is no single line, per rad of shift, by simulation.
HALF = 0.5
# Shares by which tracked smooth lines change the lines of counts and what is no single line, per rad of shift, by
# simulation.
SMOOTH, SMOOTH_REST = 0.4, 0.12
# Lines of which noise leaves less than this share of the power of their kind count as white.
FAINT = 1e-9
# Share of a mean square that the spread of the smooth lines by random motion may change: twice as much where lines are
# near 0 Hz. Places and weights that stand for a line with a width.
SPREAD, ACTUAL = 0.03, CURVES.index("actual")
SPREADING = (np.array([-2.334, -0.742, 0.742, 2.334]), np.array([0.046, 0.454, 0.454, 0.046]))
# Images to each side of a line that is held from edge to edge; the others count as white.
IMAGES = 2


class PropagatedEdges:
    """Mean squares of the curves of loops that differ in the speed at which edges are timed."""

    # ``squares`` {cause: (speeds, curves)}, position unit squared, infinite where the loop is unstable; parts of them:
    # ``tracked`` from quantisation lines that the loop tracks, ``hold_images`` from images by the hold from edge to
    # edge, ``clock_ticks`` from ticks of the timing clock that no noise spreads. ``steep``: where the loop moves the
    # axis too far along the smooth error. ``there``: places of the speeds.

    def __init__(
        self,
        errors: ErrorLines,
        quantisation: list[tuple[np.ndarray, QuantisationLines]],
        loop: Loop,
        means: WhiteNoiseGains,
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
        self.edges = loop.edges
        self.stable, self.crossover = means.stable, means.crossover
        self.steep = np.zeros(there.size, dtype=bool)
        self.hold_images: float | np.ndarray = 0.0
        squares = self._all()
        none = np.zeros((there.size, len(CURVES)))
        unstable = ~self.stable[:, None]
        self.squares = {
            cause: np.where(unstable, np.inf, squares.get(cause, none)) for cause in errors.model.named()
        }

    def _all(self) -> dict[str, np.ndarray]:
        squares, errors = {"sde": self._smooth()}, self.errors
        for cause, variance in (errors.spread | errors.added).items():
            squares[cause] = self._noise(variance[self.there], edges=cause != "clock")
        if errors.axis.interpolation.bits is not None:
            squares["adc"] = self._noise(errors.converter[self.there])
        orders, _, made = turn_lines(errors.axis)
        squares["ring"] = self._lines(orders, np.broadcast_to(made, (self.there.size, orders.size)))
        squares["resolution"] = self._ticks() + self._counts(squares["sde"])
        self.steep |= self._spread(squares)
        return squares

    def _spread(self, squares: dict[str, np.ndarray]) -> np.ndarray:
        """Where noise moves the axis so far along the smooth error that what its lines make changes noticeably."""
        total = sum(squares.values(), np.zeros((self.there.size, len(CURVES))))
        random, orders = np.maximum(total - squares["sde"] - squares["ring"], 0.0), self.errors.orders
        made = self.errors.made if self.errors.made.shape[0] == 1 else self.errors.made[self.there]
        lost = -np.expm1(-(TAU**2) * np.multiply.outer(random[:, POSITION], orders.astype(float) ** 2))
        power = 0.5 * np.abs(made) ** 2 * lost
        cycles = np.multiply.outer(self.advance, orders.astype(float))
        # a line spreads as far as its frequency moves with the speed of the axis
        width = np.multiply.outer(np.sqrt(random[:, ACTUAL]) / self.loop.rate, orders.astype(float))
        change = -mean_squares(self._both(cycles).squares(), power)
        for place, weight in zip(*SPREADING, strict=True):
            change += weight * mean_squares(self._both(np.abs(cycles + place * width)).squares(), power)
        return np.asarray((np.abs(change) > SPREAD * total).any(axis=-1))

    def _noise(self, variance: np.ndarray, edges: bool = True) -> np.ndarray:
        """Noise that is new at every sample and at every edge."""
        return variance[:, None] * (self.means.white + self.means.edge_noise * edges)

    def _smooth(self) -> np.ndarray:
        """Strongest smooth lines, with their self-modulation."""
        orders, made = self.errors.orders, self.errors.made
        made = made[self.there] if made.shape[0] > 1 else np.repeat(made, self.there.size, axis=0)
        strength = (np.abs(made) * orders).max(axis=0, initial=0.0)
        some = np.sort(np.argsort(-strength, kind="stable")[:SMOOTH_LINES])
        return np.maximum(self._lines(orders[some], made[:, some]) + self._self_modulation(), 0.0)

    def _self_modulation(self) -> np.ndarray:
        """Change of mean square because the axis, moved by the smooth lines, reads them at displaced positions."""
        change = np.zeros((self.there.size, len(CURVES)))
        orders, made = self.errors.dense_lines()
        if not orders.size:
            return change
        made = made[self.there] if made.shape[0] > 1 else np.repeat(made, self.there.size, axis=0)
        gains = self._both(np.multiply.outer(self.advance, orders.astype(float)))
        moved = TAU * np.abs(made * gains.position) * orders
        moved = np.where(self.advance > 0.0, moved.sum(axis=-1), 0.0)
        self.steep = moved > LARGEST_MODULATION
        here = np.flatnonzero((moved > LEAST_MODULATION) & ~self.steep)
        difference = (
            np.abs(self_modulated(made[here], orders, -gains.position[here])) ** 2 - np.abs(made[here]) ** 2
        )
        change[here] = mean_squares(gains.squares()[:, here], 0.5 * difference)
        return change

    def _both(self, cycles: np.ndarray) -> CurveGains:
        """Gains of lines that enter by both paths, in phase."""
        return curve_gains(self.loop, cycles, 1.0, self.loop.rate * self.edges.line_gain(cycles)[0])

    def _lines(self, orders: np.ndarray, made: np.ndarray) -> np.ndarray:
        """Lines of complex amplitude ``made``, by both paths in phase, and their images by the hold."""
        if not orders.size:
            return np.zeros((self.there.size, len(CURVES)))
        power = 0.5 * np.abs(made) ** 2 * (self.advance > 0.0)[:, None]
        total, hold_images = self._held(np.multiply.outer(self.advance, orders.astype(float)), power, 1.0)
        self.hold_images = self.hold_images + hold_images
        return total + hold_images

    def _held(self, cycles: np.ndarray, power: np.ndarray, position: float) -> tuple[np.ndarray, np.ndarray]:
        """Lines that are held from edge to edge, and their images at multiples of the frequency of the edges."""
        # ``position`` is their amplitude in the position that the position control reads
        images = np.array([n for n in range(-IMAGES, IMAGES + 1) if n])
        (mean, *others), left = self.edges.line_gains(cycles, [0, *images])
        held = [abs_squared(one) for one in others]
        left = power * np.maximum(left - abs_squared(mean) - sum(held), 0.0)
        away = cycles[:, None, :] + (images / self.edges.period)[:, :, None]
        away, shares = (np.reshape(part, (cycles.shape[0], -1)) for part in (away, np.stack(held, axis=1)))
        timed = curve_gains(self.loop, away, 0.0, self.loop.rate).squares()
        hold_images = mean_squares(timed, np.tile(power, images.size) * shares)
        hold_images += self.loop.rate**2 * left.sum(axis=-1)[:, None] * self.means.held_white
        return mean_squares(
            curve_gains(self.loop, cycles, position, self.loop.rate * mean).squares(), power
        ), hold_images

    def _ticks(self) -> np.ndarray:
        """Times rounded to the clock: lines at multiples of its frequency, aliased by the edges, and noise."""
        period, advance = self.edges.period, self.advance
        ticks = timed_edges.of_axis(self.errors.axis).clock / self.loop.rate
        move = advance / ticks
        harmonic = np.arange(1.0, TICKS + 1.0)
        # the newest edge is never older than the way to the next: what shifts edges by d counts turns image n of a
        # harmonic by n d, and leaves it where there are several edges a tick
        image = np.rint(harmonic * ticks * period)
        turn = (TAU * image * self.errors.axis.interpolation.factor) ** 2
        random, cyclic = (part[:, None] for part in self._displacement())
        whole = 0.5 * (move[:, None] / (np.pi * harmonic)) ** 2
        kept = np.exp(-turn * (random + cyclic))
        # what the cyclic error alone spreads are lines too, of which none is known
        unknown = (whole * (np.exp(-turn * random) - kept)).sum(axis=-1)
        some = (kept > FAINT).any(axis=0)
        harmonic, power = harmonic[some], (whole * kept)[:, some]
        cycles = harmonic * ticks * period
        cycles = (cycles - np.rint(cycles)) / period
        lines = sum(self._held(cycles, power, 0.0))
        noise = np.maximum(move**2 / 12.0 - power.sum(axis=-1), 0.0)
        self.clock_ticks = lines + unknown[:, None] * self.means.edge_noise
        return lines + noise[:, None] * self.means.edge_noise

    def _displacement(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean square displacements, random and cyclic, of an edge against the one it is timed from, per edge."""
        errors, (_, _, counts) = self.errors, reaches(self.edges.period, self.edges.window)[0]
        made = errors.made if errors.made.shape[0] == 1 else errors.made[self.there]
        cycles = errors.orders * counts / errors.axis.interpolation.factor
        lines = (np.abs(made) * np.sin(np.pi * cycles)) ** 2
        moved = [square[self.there] for cause, square in errors.spread.items() if cause != "clock"]
        random = sum(moved, np.zeros(self.there.size)) + errors.converter[self.there]
        return random, lines.sum(axis=-1) + 0.0 * random

    def _counts(self, smooth: np.ndarray) -> np.ndarray:
        """Quantisation in the position that the position control reads."""
        total = np.zeros((self.there.size, len(CURVES)))
        self.tracked = np.zeros_like(total)
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
            white = rest[:, None] * self.means.white[here]
            # as of sampled positions, what each line shifts itself and all of them the white rest; and what an axis
            # that tracks the smooth lines shifts
            shift, _ = shifts(kept, orders, gain[-1])
            smooth_shift = np.minimum(np.multiply.outer(TAU * np.sqrt(smooth[here, -1]), orders), 1.0)
            shift = np.maximum(shift, SMOOTH * smooth_shift)
            together = np.minimum(TAU * self.errors.steps * np.sqrt(lined[:, -1:]), 1.0)
            # an axis that follows the smooth lines passes counts evenly, unless noise spreads them anyway
            even = np.minimum(TAU * self.errors.steps * np.sqrt(smooth[here, -1]), 1.0)
            even = even * np.exp(-(TAU**2) * variance[here] * self.errors.steps**2)
            changed = np.maximum(HALF * together, SMOOTH_REST * even[:, None])
            self.tracked[here] = mean_squares(gain, kept * moving * shift) + changed * white
            total[here] = lined + white
        return total


def at_speeds(errors: ErrorLines) -> Iterator[PropagatedEdges]:
    """Propagated errors at all speeds of an axis, some speeds at a time."""
    axis, speed, quantisation = errors.axis, errors.speed, errors.quantisation()
    order = np.argsort(speed, kind="stable")
    # freed at once: glibc then keeps the memory of such arrays instead of returning it, which takes half the time
    np.empty(ROOM)
    load = loops.closed(axis).load
    if squared_gains.depends_on_speed(axis):
        for there in _blocks(order, TOGETHER_BY_SPEED):
            for loop, some in loops_by_speed(axis, speed[there]):
                means = TimedEdgeLoops(load, loop).means(loop.edges)
                yield PropagatedEdges(errors, quantisation, loop, means, there[some])
        return
    loop = loops.build_for_speeds(axis, speed[:, None])
    circle = TimedEdgeLoops(load, loop)
    for there in _blocks(order, TOGETHER):
        edges = loop.edges.at(there)
        part = replace(loop, estimator=edges)
        yield PropagatedEdges(errors, quantisation, part, circle.means(edges), there)


def _blocks(order: np.ndarray, size: int) -> list[np.ndarray]:
    return [order[first : first + size] for first in range(0, order.size, size)]
