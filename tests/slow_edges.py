"""Slow twin of the closed form for timed edges: one speed at a time, all gains from the loop's own answers.

Edges are placed one by one where the closed form has a formula, and the circle is a denser grid.
"""

from types import SimpleNamespace

import numpy as np

from encsim.closed_loop import loop, propagated_edges, stability, timed_edge_loops
from encsim.closed_loop.error_lines import TAU, ErrorLines, self_modulated
from encsim.open_loop import engines
from encsim.rings.error_orders import turn_lines

PHASES = 4000
CURVES = ("torque", "actual", "position")


class Speed:
    """One axis at one speed that sees edges; ``squares`` are the mean squares by cause, shape (4,), SI."""

    def __init__(self, axis, speed):
        self.axis, self.errors = axis, ErrorLines(axis, engines.engine(axis), np.array([speed]))
        self.loop = loop.build(axis, speed)
        self.rate, self.edges = self.loop.rate, self.loop.estimator
        self.advance = speed / (axis.scale.pitch * self.rate)
        self.period, self.reach = float(self.edges.period), self.edges.window
        self._take_circle()
        if self.stable:
            self.squares = {cause: square * axis.scale.pitch**2 for cause, square in self._all().items()}

    def gains(self, cycles):
        """Gains of errors that the position control reads, and of errors of the velocity, shape (..., 4)."""
        frequency = np.asarray(cycles) * self.rate
        answer, held = self.loop.response(frequency), self.edges.response(frequency, self.rate)
        with np.errstate(invalid="ignore", divide="ignore"):
            ahead = answer.complementary / (self.loop.control.position_gain + held)
        position = self.loop.control.position_gain
        acted = [getattr(answer, name) / (position + held) for name in CURVES]
        sampled = np.stack([-position * held * ahead, *(position * one for one in acted)], axis=-1)
        return sampled, np.stack([answer.sensitivity + position * ahead, *acted], axis=-1)

    def _take_circle(self):
        coarse = timed_edge_loops.grid(self.axis.load, self.rate)
        places = np.arange(coarse.size)
        cycles = np.interp(np.linspace(0.0, places[-1], 5 * places[-1] + 1), places, coarse)
        frequency = cycles * self.rate
        gain = self.loop.open_gain(frequency)
        whole = stability.open_polynomial(self.loop, frequency) * (1.0 + gain)
        self.stable = round(np.angle(whole[1:] / whole[:-1]).sum() / np.pi) == 0
        share = np.diff(cycles, prepend=cycles[0], append=cycles[-1])
        share = 0.5 * (share[1:] + share[:-1]) / (cycles[-1] - cycles[0])
        sampled, timed = (share @ np.abs(part) ** 2 for part in self.gains(cycles))
        noise = self.edges.noise_spectrum(cycles) * self.rate**2
        self.white = SimpleNamespace(
            sampled=sampled, timed=timed, edges=(share * noise) @ np.abs(self.gains(cycles)[1]) ** 2
        )

    def held(self, cycles, images):
        """Gains of lines from edges placed one by one, shape (images, lines), and their mean squares."""
        newest = (np.arange(PHASES) + 0.5) / PHASES * self.period
        span = np.maximum(np.ceil((self.reach - newest) / self.period), 1.0) * self.period
        seen = np.exp(-1j * TAU * np.outer(cycles, newest)) - np.exp(
            -1j * TAU * np.outer(cycles, newest + span)
        )
        seen = seen / span * self.rate
        hold_images = np.exp(-1j * TAU * np.outer(images, newest) / self.period)
        return hold_images @ seen.T / PHASES, np.mean(np.abs(seen) ** 2, axis=-1)

    def lines(self, cycles, power, position=1.0):
        """Mean squares of the curves from lines of some power that are held from edge to edge."""
        images = np.arange(-propagated_edges.IMAGES, propagated_edges.IMAGES + 1)
        mean, square = self.held(cycles, images)
        left, total = square - (np.abs(mean) ** 2).sum(axis=0), 0.0
        for image, seen in zip(images, mean, strict=True):
            sampled, timed = self.gains(cycles + image / self.period)
            gain = seen[:, None] * timed + (position * sampled if image == 0 else 0.0)
            total = total + power @ np.abs(gain) ** 2
        return total + (power * np.maximum(left, 0.0)).sum() * self.white.timed

    def _all(self):
        errors = self.errors
        variance = {cause: float(square[0]) for cause, square in errors.spread.items()}
        found = {
            cause: square * (self.white.sampled + (cause != "clock") * self.white.edges)
            for cause, square in variance.items()
        }
        found["adc"] = errors.converter[0] * (self.white.sampled + self.white.edges)
        mounted, _, made = turn_lines(self.axis)
        found["ring"] = (
            self.lines(self.advance * mounted, 0.5 * np.abs(made) ** 2) if mounted.size else np.zeros(4)
        )
        found["sde"] = (
            self.lines(self.advance * errors.orders, 0.5 * np.abs(errors.made[0]) ** 2)
            + self._self_modulation()
        )
        found["resolution"] = self._ticks(variance) + self._counts()
        return {cause: found.get(cause, np.zeros(4)) for cause in errors.model.named()}

    def _self_modulation(self):
        orders, made = self.errors.dense_lines()
        if not orders.size:
            return np.zeros(4)
        sampled, timed = self.gains(self.advance * orders)
        gain = sampled + self.held(self.advance * orders, [0])[0][0][:, None] * timed
        moved = (TAU * np.abs(made[0] * gain[:, -1]) * orders).sum()
        if not propagated_edges.LEAST_MODULATION < moved <= propagated_edges.LARGEST_MODULATION:
            return np.zeros(4)
        change = np.abs(self_modulated(made[:1], orders, -gain[None, :, -1])[0]) ** 2 - np.abs(made[0]) ** 2
        return (0.5 * change) @ np.abs(gain) ** 2

    def _ticks(self, variance):
        ticks = self.axis.estimator.clock / self.rate
        move = self.advance / ticks
        counts = max(np.ceil(self.reach / self.period), 1.0)
        cycles = self.errors.orders * counts / self.axis.interpolation.factor
        rough = (
            sum(square for cause, square in variance.items() if cause != "clock") + self.errors.converter[0]
        )
        rough += ((np.abs(self.errors.made[0]) * np.sin(np.pi * cycles)) ** 2).sum()
        harmonic = np.arange(1.0, propagated_edges.TICKS + 1.0)
        turn = TAU * np.rint(harmonic * ticks * self.period) * self.axis.interpolation.factor
        power = 0.5 * (move / (np.pi * harmonic)) ** 2 * np.exp(-(turn**2) * rough)
        cycles = harmonic * ticks * self.period
        cycles = (cycles - np.rint(cycles)) / self.period
        noise = max(move**2 / 12.0 - power.sum(), 0.0)
        return self.lines(cycles, power, 0.0) + noise * self.white.edges

    def _counts(self):
        ((_, lines),) = self.errors.quantisation()
        variance = self.errors.variance[0] + self.errors.converter[0]
        kept = lines.power * np.exp(-(TAU**2) * variance * lines.order.astype(float) ** 2)
        gain = np.abs(self.gains(self.advance * lines.order)[0]) ** 2
        # the strongest by themselves, as there are many more than matter
        weak = np.argsort(-lines.power, kind="stable")[propagated_edges.COUNT_LINES :]
        kept[weak] = 0.0
        return kept @ gain + (lines.total - kept.sum()) * self.white.sampled
