"""Mean squares that encoder errors cause in the curves of one closed loop, cause by cause."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from ..rings.error_orders import turn_lines
from . import loop as loops
from . import squared_gains
from .error_lines import CELLS, TAU, own_clock, self_modulated
from .squared_gains import SquaredGains, UnstableGains, share_beyond
from .state_space import CURVES

if TYPE_CHECKING:
    from .error_lines import ErrorLines, QuantisationLines
    from .order_notch_gains import OrderNotchGains


# Images by an encoder's own clock to each side that count one by one.
IMAGES = 16
FEW_IMAGES = 4
# From so many speeds on, one table for a line with all its images is faster than to look up each image. It is as fine
# as the loop's own table where the clock is at most so many times as fast as the loop.
MANY = 100
FINE_TABLE = 4.0
AGE_LINES = 4096
# Frequency of a constant, but for rounding.
CONSTANT = 1e-9
# Smooth lines taken with the exact gain; weaker ones from the table.
EXACT_LINES = 40
# Phase, rad, by which the loop must displace the smooth lines before their self-modulation matters.
LEAST_MODULATION = 2e-3
# Beyond this the series of the self-modulation does not converge.
LARGEST_MODULATION = 0.4
# Steps are displaced from so many rad of their phase on. This matters while noise leaves more than 0.7 of them and the
# error sweeps their frequency by less than SWEPT loop rates. Below a fiftieth of the loop rate the loop tracks
# each step.
SHIFTED = 0.5
FADED = 0.35
SWEPT = 3.0
SLOWEST_STEPS = 0.02
# Coloured jitter scattered by a line is resolved up to 2**LEVELS times its bandwidth; beyond it is white.
LEVELS = 8
POSITION = CURVES.index("position")
# Share by which tracking changes what is no single line, per rad of shift, by simulation.
WHITE = 0.25
# Quantisation is read at the positions of the axis from this share of tracked lines on, for up to so many steps a
# period, which takes some ms a speed. Shares of the change that this makes, and of that of its last round, which count
# as an error of the mean square.
FOLLOWED, MOST_STEPS = 0.01, 1024
UNSURE, DIVERGED = 0.2, 1.0
# Share of the mean square of lines that the axis smears which may be wrong, by simulation.
UNCERTAIN = 0.4


class PropagatedErrors:
    """Mean squares of the curves of one loop, or of loops side by side, at some of the speeds."""

    # ``squares`` {cause: (speeds, curves)}, periods squared, infinite where the loop is unstable; ``tracked``: the part
    # of them that changes because the loop tracks quantisation steps one by one; ``steep``: where the loop moves the
    # axis too far along the smooth error. ``clock_ticks`` and ``hold_images`` belong to timed edges.

    def __init__(
        self, errors: ErrorLines, gains: OrderNotchGains | SquaredGains | UnstableGains, there: np.ndarray
    ) -> None:
        self.errors, self.there = errors, there
        axis = errors.axis
        self.advance = errors.speed[there] / (axis.scale.pitch * axis.sampling.rate)
        self.clock = own_clock(axis)
        self._many = there.size > MANY
        self._table: np.ndarray | None = None
        self._spread: np.ndarray | None = None
        self.tracked, self.unsettled = np.zeros((2, there.size, len(CURVES)))
        self.held, self.random = np.zeros((2, there.size))
        self.steep = np.zeros(there.size, dtype=bool)
        self.clock_ticks = self.hold_images = 0.0
        self.stable, self.crossover = gains.stable, gains.crossover
        if isinstance(gains, UnstableGains) or not gains.stable:
            self.squares = dict.fromkeys(errors.model.named(), np.full_like(self.tracked, np.inf))
            return
        self.gains = gains
        self.spread = {cause: square[there] for cause, square in errors.spread.items()}
        # white noise of the converter toggles the counts; it does not reach the smooth lines
        self.variance = errors.variance[there] + errors.converter[there]
        self._prepare_noise()
        self.squares = {cause: square[:, : len(CURVES)] for cause, square in self._all().items()}

    def _prepare_noise(self) -> None:
        """Gain of white noise, and tables for jitter of a bandwidth."""
        axis, gains = self.errors.axis, self.gains
        self.white = gains.white
        if self.clock is not None and self.clock < gains.rate:
            share = self.clock / gains.rate
            self.white = gains.noise_about_zero(lambda lag: np.maximum(0.0, 1.0 - share * lag))
        # one row for all speeds, or a row each
        self.white = np.broadcast_to(self.white, (self.there.size, self.white.shape[-1]))
        # decrease per sample of the logarithm of the correlation of coloured jitter; 0 without it
        self.fall, self.uncoloured = 0.0, self.variance
        self.levels: dict[int, np.ndarray] = {}
        if axis.signal.jitter_bandwidth is not None and "jitter" in self.spread:
            self.uncoloured = self.variance - self.spread["jitter"]
            self.fall = TAU * axis.signal.jitter_bandwidth / gains.rate

    def _level(self, n: int) -> np.ndarray:
        """Table for jitter of 2**n times the bandwidth."""
        if n not in self.levels:
            self.levels[n] = self.gains.convolved(lambda lag: np.exp(-self.fall * 2**n * lag))
        return self.levels[n]

    def _all(self) -> dict[str, np.ndarray]:
        cyclic, scattered = self._smooth()
        gaussian = self._gaussian(scattered)
        self.shaken = sum(gaussian.values(), np.zeros_like(cyclic))[:, POSITION]
        squares = {"sde": np.maximum(cyclic, 0.0)} | gaussian | self._quantisation()
        # an axis that rests on a count meets noise only as far as it toggles the count
        self.unsettled += self.held[:, None] * sum(gaussian.values(), np.zeros_like(cyclic))[:, : len(CURVES)]
        if "age" in self.errors.model.named():
            squares["age"] = self._age(self.clock) if self.clock else np.zeros_like(cyclic)
        if "ring" in self.errors.model.named():
            squares["ring"] = self._ring()
        for cause, square in self.errors.added.items():
            squares[cause] = square[self.there, None] * self.white
        self._follow(squares)
        self.tracked += self.unsettled
        return {cause: squares[cause] for cause in self.errors.model.named()}

    def _follow(self, squares: dict[str, np.ndarray]) -> None:
        """Quantisation, where it matters, as an axis reads it at the positions to which it follows the steps."""
        causes = [cause for cause in ("adc", "resolution") if cause in squares]
        if self.clock is not None or not 0.0 < self.errors.steps <= MOST_STEPS:
            return
        total, curves = sum(squares.values(), np.zeros_like(self.white)), slice(len(CURVES))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            share = np.nan_to_num(self.tracked / total[:, curves]).max(axis=-1) / FOLLOWED
        for i in np.flatnonzero((share > 1.0) & (self.advance > 0.0) & ~self.steep):
            gains, steps = self.gains.at(np.array([i])), sum(squares[cause][i] for cause in causes)
            cycles = self.advance[i] * self.errors.step_orders()
            random = self.variance[i] + self.random[i]
            # a constant error is another start
            back = gains.complementary(cycles[None])[0] * (np.abs(cycles - np.rint(cycles)) > CONSTANT)
            read = self.errors.followed(self.there[i], back, random, bool(self.displaced[i]))
            square = gains.exact(cycles[None])[0]
            first, before, last = (power @ square for power in read)
            # from none to all of it, so that the values are continuous
            change = np.maximum(min(share[i] - 1.0, 1.0) * (last - first), -0.99 * steps)
            for cause in causes:
                squares[cause][i] *= 1.0 + np.divide(
                    change, steps, out=np.zeros_like(steps), where=steps > 0.0
                )
            self.tracked[i] = (UNSURE * np.abs(change) + DIVERGED * np.abs(last - before))[curves]

    def _gaussian(self, scattered: np.ndarray) -> dict[str, np.ndarray]:
        """Gaussian causes with the power that they scatter from the smooth lines, shared by variance."""
        squares = {}
        for cause, square in self.spread.items():
            gain = self.white
            if cause == "jitter" and self.fall:
                gain = self.gains.noise_about_zero(lambda lag: np.exp(-self.fall * lag))
            share = np.divide(
                square, self.errors.variance[self.there], out=np.zeros_like(square), where=square > 0.0
            )
            squares[cause] = square[:, None] * gain + share[:, None] * scattered
        return squares

    def _smooth(self) -> tuple[np.ndarray, np.ndarray]:
        """Mean squares of the smooth lines, and of the power that noise scatters from them."""
        orders, every = self.errors.orders, np.arange(self.there.size)
        squares = self.errors.squares
        squares = squares[self.there] if squares.shape[0] > 1 else np.repeat(squares, every.size, axis=0)
        strength = (squares * orders.astype(float) ** 2).max(axis=0, initial=0.0)
        order = np.argsort(-strength, kind="stable")
        cyclic = self._self_modulation()
        for some, exact in ((order[:EXACT_LINES], True), (order[EXACT_LINES:], False)):
            weight = squares[:, some] * self._kept(every, orders[some])
            cycles = np.multiply.outer(self.advance, orders[some].astype(float))
            cyclic = cyclic + self._lines(every, cycles, weight, IMAGES, exact)
        return cyclic, self._scattered(every, orders, squares, self._kept(every, orders))

    def _kept(self, here: np.ndarray, orders: np.ndarray, variance: np.ndarray | None = None) -> np.ndarray:
        """Share of the power of lines that noise leaves, shape (speeds, orders)."""
        variance = self.variance if variance is None else variance
        rows = variance[:1] if np.ptp(variance) == 0.0 else variance[here]
        exponent = np.multiply.outer(rows, -(TAU**2) * orders.astype(float) ** 2)
        return np.exp(exponent, out=exponent)

    def _lines(
        self, here: np.ndarray, cycles: np.ndarray, weight: np.ndarray, images: int, exact: bool = False
    ) -> np.ndarray:
        """Mean squares of lines at some frequencies, with their images by an own clock."""
        weight = np.where(self.advance[here, None] > 0.0, weight, 0.0)
        gains = self.gains.at(here)
        if self.clock is None:
            return squared_gains.line_sum(gains, cycles, weight, exact)
        ratio = self.clock / self.gains.rate
        own_cycles = cycles / ratio
        nearest = own_cycles - np.rint(own_cycles)
        if images == FEW_IMAGES and self._many and isinstance(gains, SquaredGains) and ratio < FINE_TABLE:
            return gains.table_sum(nearest, weight, self._held(gains, ratio))
        total: float | np.ndarray = 0.0
        held = weight * (np.sin(np.pi * nearest) / np.pi) ** 2
        for j in range(-images, images + 1):
            place = nearest + j
            share = held / (place * place) if j else weight * np.sinc(nearest) ** 2
            total = total + squared_gains.line_sum(gains, place * ratio, share, exact and j == 0)
        left = weight * share_beyond(nearest, images)
        return total + left.sum(axis=-1)[:, None] * gains.white

    def _held(self, gains: SquaredGains, ratio: float) -> np.ndarray:
        """Table for lines and all their images."""
        if self._table is None:
            self._table = gains.held_table(ratio, FEW_IMAGES)
        return self._table

    def _scattered(
        self, here: np.ndarray, orders: np.ndarray, power: np.ndarray, kept: np.ndarray
    ) -> np.ndarray:
        """Mean squares that noise scatters from lines: white for white noise, around the line for coloured jitter."""
        still = kept if not self.fall else self._kept(here, orders, self.uncoloured)
        total = (power * (1.0 - still)).sum(axis=-1)[:, None] * self.white[here]
        if not self.fall:
            return total
        # the n-th power of the jitter, n times as wide, has the weight a**n/n!; their mean stands for all
        a = TAU**2 * self.spread["jitter"].mean() * orders.astype(float) ** 2
        mean = np.where(a > 1e-6, a / -np.expm1(-np.maximum(a, 1e-6)), 1.0)
        level = np.minimum(np.rint(np.log2(mean)), LEVELS).astype(int)
        weight = power * (still - kept)
        for n in np.unique(level).tolist():
            of = level == n
            if n == LEVELS:
                total = total + weight[:, of].sum(axis=-1)[:, None] * self.white[here]
            else:
                cycles = np.multiply.outer(self.advance[here], orders[of].astype(float))
                total = total + self.gains.at(here).table_sum(cycles, weight[:, of], self._level(n))
        return total

    def _quantisation(self) -> dict[str, np.ndarray]:
        """Mean squares of converter and counts, shared in the ratio of what each makes alone."""
        how = self.errors.axis.interpolation
        if not self.errors.tabulated:
            squares = {}
            if how.bits is not None:
                squares["adc"] = self.errors.converter[self.there, None] * self.white
            if how.factor is not None:
                squares["resolution"] = self._quantisation_sum()
            return squares
        alone = self.errors.separate_quantisation()
        if alone is None:
            return {"adc" if how.factor is None else "resolution": self._quantisation_sum()}
        every, both = np.arange(self.there.size), self._quantisation_sum()
        known = self.tracked.copy(), self.unsettled.copy(), self.held.copy(), self.random.copy()
        adc, counts = (self._steps(every, alone[cause]) for cause in ("adc", "resolution"))
        self.tracked, self.unsettled, self.held, self.random = known
        share = np.divide(adc, adc + counts, out=np.full_like(adc, 0.5), where=adc + counts > 0.0)
        return {"adc": both * share, "resolution": both * (1.0 - share)}

    def _quantisation_sum(self) -> np.ndarray:
        total = np.zeros_like(self.white)
        hold_images = list(self._displaced_quantisation())
        elsewhere = np.concatenate([np.zeros(0, dtype=int), *(here for here, _ in hold_images)])
        for places, lines in self.errors.quantisation():
            here = np.setdiff1d(np.flatnonzero(np.isin(self.there, places)), elsewhere)
            total[here] = self._steps(here, lines)
        for here, lines in hold_images:
            total[here] = self._steps(here, lines)
        return total

    def _displaced_quantisation(self) -> Iterator[tuple[np.ndarray, QuantisationLines]]:
        """Quantisation lines where the axis tracks the smooth error, for each cell of speeds."""
        # tracking takes the error out of the measured position, so that the steps become more even
        errors, gains = self.errors, self.gains
        orders, made = errors.dense_lines()
        self.displaced = self._shifts(orders, made)
        here = np.flatnonzero(self.displaced)
        if not here.size:
            return
        cells = np.rint(CELLS * np.log10(self.advance[here]))
        for cell in np.unique(cells):
            some = here[cells == cell]
            # loops that depend on the speed are taken at one speed of the cell
            advance = 10.0 ** (cell / CELLS) if gains.speed_independent else self.advance[some[0]]
            back = gains.at(some[:1]).complementary(advance * orders[None, :])[0]
            one = made[self.there[some[:1]]] if made.shape[0] > 1 else made
            read = self_modulated(one, orders, back[None, :])[0]
            yield some, errors.displaced_quantisation(orders, read * (1.0 - back), -read * back)

    def _shifts(self, orders: np.ndarray, made: np.ndarray) -> np.ndarray:
        """Speeds at which tracking changes the quantisation lines."""
        steps, gains = self.errors.steps, self.gains
        if not steps or not orders.size:
            return np.zeros(self.advance.shape, dtype=bool)
        size = np.abs(made[self.there] if made.shape[0] > 1 else made)
        back = np.sqrt(gains.complementary_squared(np.multiply.outer(self.advance, orders.astype(float))))
        moved, slope = (size * back).sum(axis=-1), TAU * (size * orders).sum(axis=-1)
        return (
            (TAU * steps * moved > SHIFTED)
            & ((TAU * steps) ** 2 * self.variance < FADED)
            & (steps * self.advance > SLOWEST_STEPS)
            & (steps * self.advance * slope < SWEPT)
            & ~self.steep
        )

    def _steps(self, here: np.ndarray, lines: QuantisationLines) -> np.ndarray:
        """Mean squares of quantisation lines; keeps what tracking them changes, and how far a line is held."""
        parts = squared_gains.blocks(here.size, max(lines.order.size, lines.band.size))
        return np.concatenate([self.white[:0], *(self._some_steps(here[part], lines) for part in parts)])

    def _some_steps(self, here: np.ndarray, lines: QuantisationLines) -> np.ndarray:
        """The same for speeds whose arrays stay in the cache together."""
        orders, moving = lines.order.astype(float), self.advance[here, None] > 0.0
        cycles = np.multiply.outer(self.advance[here], orders)
        kept = self._kept(here, orders)
        weight = np.broadcast_to(lines.power * kept, cycles.shape)
        rest = self._scattered(here, orders, lines.power[None], kept) + self._rest(here, lines)
        if lines.band.size:
            rest = rest + self._bands(here, lines)
        self.random[here] = np.maximum(self.shaken[here] + rest[:, POSITION], 0.0)
        left = weight * self._kept(here, orders, self.random)
        lined, tracked, self.held[here] = self.gains.at(here).tracked_sum(cycles, left, orders)
        # all lines together shift the phase of the first comb by this, rad; what is no line is tracked as far
        shift = np.minimum(TAU * self.errors.steps * np.sqrt(lined[:, -1:]), 1.0)
        unsettled = WHITE * shift * np.maximum(rest, 0.0)
        if self.clock is None:
            smeared = self._smeared(here, cycles, (weight - left) * moving)
            total, unsettled = lined * moving + smeared, unsettled + UNCERTAIN * smeared
        else:
            total = self._lines(here, cycles, weight, FEW_IMAGES)
        self.tracked[here], self.unsettled[here] = tracked[:, : len(CURVES)], unsettled[:, : len(CURVES)]
        return total + rest

    def _smeared(self, here: np.ndarray, cycles: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Mean squares of lines that the random motion of the axis spreads about their frequencies."""
        if not weight.any():
            return np.zeros_like(self.white[here])
        if self._spread is None:
            # the axis follows noise up to the crossover; that of a rigid axis is the same at all speeds
            load, control = loops.closed(self.errors.axis)
            width = control.velocity_gain / (load.total_inertia) / self.gains.rate
            self._spread = self.gains.convolved(lambda lag: np.exp(-width * lag))
        return self.gains.at(here).table_sum(cycles, weight, self._spread)

    def _self_modulation(self) -> np.ndarray:
        """Change of mean square because the axis, moved by the smooth lines, reads them at displaced positions."""
        change = np.zeros_like(self.white)
        orders, made = self.errors.dense_lines()
        if not orders.size:
            return change
        made = made[self.there] if made.shape[0] > 1 else np.repeat(made, self.there.size, axis=0)
        cycles = np.multiply.outer(self.advance, orders.astype(float))
        moved = TAU * np.abs(made) * orders * np.sqrt(self.gains.complementary_squared(cycles))
        moved = np.where(self.advance > 0.0, moved.sum(axis=-1), 0.0)
        self.steep = moved > LARGEST_MODULATION
        here = np.flatnonzero((moved > LEAST_MODULATION) & ~self.steep)
        if not here.size:
            return change
        back = self.gains.at(here).complementary(cycles[here])
        difference = 0.5 * (np.abs(self_modulated(made[here], orders, back)) ** 2 - np.abs(made[here]) ** 2)
        change[here] = self._lines(
            here, cycles[here], difference * self._kept(here, orders), IMAGES, exact=True
        )
        return change

    def _rest(self, here: np.ndarray, lines: QuantisationLines) -> np.ndarray:
        """Mean squares of the remaining power: white, and at standstill only as far as noise toggles it."""
        toggled = -np.expm1(-(TAU**2) * self.variance[here] * lines.beyond**2)
        return lines.rest * np.where(self.advance[here] > 0.0, 1.0, toggled)[:, None] * self.white[here]

    def _bands(self, here: np.ndarray, lines: QuantisationLines) -> np.ndarray:
        """Mean squares of bands of lines; the power that noise scatters from them is white."""
        kept = lines.band * lines.band_share(self.variance[here])
        speed = self.advance[here]
        if self.clock is not None:
            # narrow bands have images like lines, wide ones fill the held spectrum
            wide = np.multiply.outer(speed, lines.high - lines.low) * self.gains.rate > 0.1 * self.clock
            middle = np.multiply.outer(speed, 0.5 * (lines.low + lines.high))
            held = (lines.band - np.where(wide, 0.0, kept)).sum(axis=-1)[:, None] * self.white[here]
            return self._lines(here, middle, np.where(wide, 0.0, kept), FEW_IMAGES) + held
        kept_moving = np.where(speed[:, None] > 0.0, kept, 0.0)
        total = (lines.band - kept).sum(axis=-1)[:, None] * self.white[here]
        edges = (np.multiply.outer(speed, edge) for edge in (lines.low, lines.high))
        mean = self.gains.at(here).band_mean(*edges)
        return total + np.matmul(kept_moving[:, None, :], mean)[:, 0]

    def _age(self, clock: float) -> np.ndarray:
        """Mean squares by asynchronous sampling: lines of the sawtooth of the delay at multiples of the own clock."""
        j = np.arange(1.0, AGE_LINES + 1.0)
        cycles = j * (clock / self.gains.rate)
        # a line aliased to 0 Hz, but for rounding, is a constant delay
        turning = np.abs(cycles - np.rint(cycles)) > CONSTANT
        weight = np.where(turning, 0.5 / (np.pi * j) ** 2, 0.0)
        swing = self.advance * (self.gains.rate / clock)
        return (swing**2)[:, None] * self.gains.exact_sum(cycles, weight)

    def _ring(self) -> np.ndarray:
        """Mean squares of the lines per revolution of a mounted ring; noise does not change them."""
        orders, _, made = turn_lines(self.errors.axis)
        cycles = np.multiply.outer(self.advance, orders)
        return self._lines(np.arange(self.there.size), cycles, 0.5 * np.abs(made) ** 2, IMAGES, exact=True)
