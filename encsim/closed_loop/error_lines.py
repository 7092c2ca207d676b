"""Spectrum of the encoder error: lines of the smooth signal chain, and quantisation lines of converter and counts.

Orders are cycles per signal period, lengths signal periods, powers mean squares.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..open_loop import cause_models, causes, period_error, structure_function
from ..open_loop.line_model import LineModel
from ..open_loop.phases import at_phases, error_shape
from ..open_loop.table_model import SHARE_POINTS, TableModel

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..open_loop.cause_models import Model


TAU = period_error.TAU
# Lines taken one by one, and bands that share all others.
SINGLE = 384
BANDS = 128
COMBS = 64
COMB_POINTS = 1 << 12
# A line counts while jitter leaves this share of it; orders beyond the last do not occur.
LEFT = 1e-6
BEYOND = 1e9
SHAPES = 8
# Points per step, and combs, where the loop tracks the smooth error; one shape per cell of speeds, cells per decade.
POINTS_A_STEP = 16
FEW_COMBS = 16
CELLS = 40
# Points of a period, and rounds, of an error that is read where the axis follows it; points of the smooth error there,
# and the least scatter, counts, at which the grid resolves the edges of the counts.
FEWEST_POINTS, ROUNDS, FINE_SHAPE, LEAST_SCATTER = 1024, 8, 1 << 13, 0.01
STAIR_POINTS, STAIR_COMBS = 2048, 64
# Highest order of self-modulation, and least number of orders that are evaluated.
HIGHEST_MODULATING = 48
FEWEST_ORDERS = 8


@dataclass(frozen=True, eq=False, slots=True)
class QuantisationLines:
    """Quantisation lines of converter and counts for one shape of the error."""

    # lines that are taken one by one, without jitter, shape (n,)
    order: np.ndarray
    power: np.ndarray
    # bands of orders and the power in each, without jitter, shape (b,)
    low: np.ndarray
    high: np.ndarray
    band: np.ndarray
    # share of a band's power that jitter of variance ``least`` leaves, and mean squared order of that power
    kept: np.ndarray
    square: np.ndarray
    # variance of the jitter for which the lines were selected
    least: float
    # power of all other lines, of orders from ``beyond`` on
    rest: float
    beyond: float

    @property
    def total(self) -> float:
        """Power of everything."""
        return float(self.power.sum() + self.band.sum() + self.rest)

    def band_share(self, variance: np.ndarray) -> np.ndarray:
        """Share of each band's power that jitter leaves, shape (speeds, b)."""
        more = np.maximum(variance - self.least, 0.0)
        return self.kept * np.exp(-(TAU**2) * np.multiply.outer(more, self.square))


def selected(
    order: np.ndarray,
    power: np.ndarray,
    least: float,
    rest: float = 0.0,
    beyond: float = BEYOND,
    single: int = SINGLE,
    bands: int = BANDS,
) -> QuantisationLines:
    """The strongest lines one by one, the others in bands of about equal power."""
    reached = order.size
    if least > 0.0:
        reached = int(np.searchsorted(order, math.sqrt(-math.log(LEFT) / least) / TAU))
    rest += float(power[reached:].sum())
    order, power = order[:reached], power[:reached]
    kept = np.exp(-(TAU**2) * least * order.astype(float) ** 2)
    weight = kept * power
    there = weight > 1e-12 * weight.max(initial=0.0)
    rest += float(power[~there].sum())
    order, power, kept, weight = (part[there] for part in (order, power, kept, weight))
    first = np.zeros(order.size, dtype=bool)
    first[np.argpartition(-weight, min(single, order.size - 1))[:single] if order.size else []] = True
    single_lines, others = (order[first], power[first]), (order[~first], power[~first], weight[~first])
    return QuantisationLines(*single_lines, *_banded(*others, bands), least, rest, beyond)


def _banded(
    order: np.ndarray, power: np.ndarray, weight: np.ndarray, bands: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Lowest and highest order, power, share left and mean squared order of each band."""
    if not order.size:
        return (np.zeros(0),) * 5
    reached = np.cumsum(weight)
    starts = np.unique(np.searchsorted(reached, np.arange(bands) * (reached[-1] / bands)))
    starts = np.unique(np.append(0, starts[starts < order.size]))
    ends = np.append(starts[1:], order.size) - 1
    band, left = np.add.reduceat(power, starts), np.add.reduceat(weight, starts)
    square = np.add.reduceat(weight * order.astype(float) ** 2, starts) / left
    # bands join, so that one integral an edge is enough
    edges = np.concatenate([order[:1], 0.5 * (order[ends[:-1]] + order[starts[1:]]), order[-1:]])
    return edges[:-1], edges[1:], band, left / band, square


@lru_cache(maxsize=16)
def tabulated_lines(
    key: Axis, points: int, lowest: int, least: float, single: int = SINGLE, bands: int = BANDS
) -> QuantisationLines:
    """Quantisation lines of a tabulated error, of orders above ``lowest``."""
    power = 2.0 * structure_function.table(key, points).power
    power[-1] *= 0.5
    return selected(np.arange(lowest + 1, power.size), power[lowest + 1 :], least, single=single, bands=bands)


def counter_lines(
    factor: int, orders: np.ndarray, made: np.ndarray, least: float, combs: int = COMBS
) -> QuantisationLines:
    """Quantisation lines of a counter: combs ``exp(2 pi i j M (x + eps))``, j from 1 on."""
    # The j-th comb has the mean square 1/(2 (pi j M)**2), spread over jM + n as |FFT|**2 of the exponential. Where
    # that needs too many points it is spread over the frequencies it sweeps, jM (1 + eps').
    points = 1 << int(np.ceil(np.log2(max(8 * orders.max(initial=1), 64))))
    fine = max(COMB_POINTS, points)
    error, slope = (
        cause_models.over_grid(lines[None, :], orders, fine)[0, :: fine // COMB_POINTS]
        for lines in (made, 1j * TAU * orders * made)
    )
    reach = (
        combs if least == 0.0 else min(combs, 1 + int(math.sqrt(-math.log(LEFT) / least) / (TAU * factor)))
    )
    share = 0.5 / (math.pi * factor * np.arange(1, reach + 1)) ** 2
    room = (COMB_POINTS - points) / (4.0 * factor * max(float(np.abs(slope).max(initial=0.0)), 1e-12))
    sharp = int(np.clip(room, 0, reach))
    order, power = _combs(factor, error, share[:sharp])
    left = 1.0 / (12.0 * factor**2) - share.sum()
    lines = selected(order, power, least, left, (reach + 1.0) * factor)
    sweep = np.arange(sharp + 1, reach + 1) * factor
    return _with_bands(lines, sweep * (1.0 + slope.min()), sweep * (1.0 + slope.max()), share[sharp:])


def displaced_lines(
    key: Axis, steps: float, orders: np.ndarray, away: np.ndarray, least: float, lowest: int
) -> QuantisationLines:
    """Quantisation lines of a tabulated error that is read with a displacement from the steady motion."""
    error = _shown_error(key)
    points = 1 << int(np.clip(np.ceil(np.log2(POINTS_A_STEP * steps)), 14, 18))
    even = np.arange(points) / points
    place = even + cause_models.over_grid(away[None, :], orders, points)[0]
    cell = np.floor(place * error.size).astype(np.int64)
    whole = cell // error.size
    cell -= whole * error.size
    shown = error[cell] + (cell + 0.5) / error.size
    power = 2.0 * np.abs(np.fft.rfft(shown + whole - even) / points) ** 2
    return selected(np.arange(lowest + 1, points // 2), power[lowest + 1 : -1], least)


@lru_cache(maxsize=2)
def _shown_error(key: Axis) -> np.ndarray:
    """Error of the shown position at the middles of the fine grid over a period."""
    return structure_function.shown_error(key, structure_function.grid_points(key))


def _combs(factor: int, error: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Orders, ascending, and powers of the lines of combs j = 1, 2, ... with this power in each."""
    near = np.rint(np.fft.fftfreq(COMB_POINTS, 1.0 / COMB_POINTS))
    once = np.exp(1j * TAU * factor * error)
    comb, orders, powers = np.ones_like(once), [], []
    for n, whole in enumerate(share.tolist()):
        comb = comb * once
        part = np.abs(np.fft.fft(comb) / COMB_POINTS) ** 2
        there = np.flatnonzero(part > 1e-9)
        orders.append((n + 1) * factor + near[there])
        powers.append(part[there] * whole)
    order, power = (np.concatenate([np.zeros(0), *parts]) for parts in (orders, powers))
    place = np.argsort(order, kind="stable")
    return order[place], power[place]


def _with_bands(
    lines: QuantisationLines, low: np.ndarray, high: np.ndarray, power: np.ndarray
) -> QuantisationLines:
    """The same lines with some further bands."""
    square = 0.25 * (low + high) ** 2
    kept = np.exp(-(TAU**2) * lines.least * square)
    added = {"low": low, "high": high, "band": power, "kept": kept, "square": square}
    joined: dict[str, Any] = {name: np.append(getattr(lines, name), part) for name, part in added.items()}
    return replace(lines, **joined)


class ErrorLines:
    """The encoder error at some speeds, split by cause; periods, mean squares."""

    # ``orders`` and ``squares`` (1 or speeds, orders): lines of the smooth chain and their power; ``made``: their
    # complex amplitudes, at the orders ``known``. ``spread``: variances of the Gaussian causes. ``converter``: variance
    # of a converter that is treated as white noise. ``added``: variances of white position errors that registered
    # causes bring along.

    def __init__(self, axis: Axis, model: Model, speed: np.ndarray) -> None:
        self.axis, self.model, self.speed = axis, model, speed
        # key of the tables of a model that has the steps of converter and counts in a table
        self.key: Axis | None = None
        self.known, self.made = model.complex_lines(speed)
        self.orders, self.squares = self.known, 0.5 * np.abs(self.made) ** 2
        if isinstance(model, TableModel) and model.table is not None:
            self.key, self.orders = model.key, model.low
            self.squares = 2.0 * model.table.power[self.orders][None, :]
        self.spread = {cause: 0.5 * square for cause, square in model.spread(speed, np.inf).items()}
        self.variance = sum(self.spread.values()) + 0.0 * speed
        self.added = causes.added_squares(axis, speed)
        self.converter = 0.0 * speed
        if isinstance(model, LineModel):
            self.converter = 0.5 * model.converter(speed)

    @property
    def tabulated(self) -> bool:
        """Whether the steps of converter and counts come from a table."""
        return self.key is not None

    @property
    def least(self) -> float:
        """Least variance of all Gaussian errors."""
        return float((self.variance + self.converter).min())

    def dense_lines(self) -> tuple[np.ndarray, np.ndarray]:
        """Orders 1 to n, enough for self-modulation, and the complex lines of the smooth error at each."""
        known, made = self.known, self.made
        last = known <= HIGHEST_MODULATING // 2
        highest = int(known[last].max(initial=0))
        orders = np.arange(1, max(2 * highest, FEWEST_ORDERS) + 1) if highest else np.zeros(0, dtype=int)
        full = np.zeros((made.shape[0], orders.size), dtype=complex)
        full[:, known[last] - 1] = made[:, last]
        return orders, full

    def quantisation(self) -> list[tuple[np.ndarray, QuantisationLines]]:
        """Quantisation lines with the places of the speeds that they apply to."""
        how = self.axis.interpolation
        everywhere = np.arange(self.speed.size)
        if self.key is not None:
            lines = tabulated_lines(self.key, structure_function.LARGEST, self._lowest(), self.least)
            return [(everywhere, lines)]
        if how.factor is None:
            return []
        if self.made.shape[0] == 1:
            return [(everywhere, counter_lines(how.factor, self.orders, self.made[0], self.least))]
        groups = [part for part in np.array_split(np.argsort(self.speed, kind="stable"), SHAPES) if part.size]
        return [
            (part, counter_lines(how.factor, self.orders, self.made[part[part.size // 2]], self.least))
            for part in groups
        ]

    @property
    def steps(self) -> float:
        """Counts per period, or without them steps of the converter; 0 without both."""
        how = self.axis.interpolation
        if how.factor is not None:
            return float(how.factor)
        if how.bits is None or not self.tabulated:
            return 0.0
        return TAU * self.axis.signal.amplitude * 2.0**how.bits / (2.0 * how.span)

    def displaced_quantisation(
        self, orders: np.ndarray, left: np.ndarray, away: np.ndarray
    ) -> QuantisationLines:
        """Quantisation lines where the axis tracks the smooth error and so leaves the steady motion."""
        if self.axis.interpolation.bits is None or self.key is None:
            # without a converter in the table the steps are the counts
            return counter_lines(int(self.steps), orders, left, self.least, FEW_COMBS)
        # self-modulation of the smooth lines is counted there, unless steps are as coarse
        lowest = max(self._lowest(), min(int(orders[-1]), int(self.steps) // 2))
        return displaced_lines(self.key, self.steps, orders, away, self.least, lowest)

    def separate_quantisation(self) -> dict[str, QuantisationLines] | None:
        """Quantisation lines of converter and of counter alone; None where only one of them exists."""
        how = self.axis.interpolation
        if self.key is None or how.bits is None or how.factor is None:
            return None
        changes: dict[str, dict[str, Any]] = {
            "adc": {"factor": None, "output": "position", "hysteresis": 0.0},
            "resolution": {"bits": None},
        }
        lines = {}
        for cause, change in changes.items():
            key = replace(self.key, interpolation=replace(self.key.interpolation, **change))
            lines[cause] = tabulated_lines(
                key, SHARE_POINTS, self._lowest(), self.least, SINGLE // 4, BANDS // 4
            )
        return lines

    def _lowest(self) -> int:
        return int(self.orders.max(initial=0))

    def step_orders(self) -> np.ndarray:
        """Orders of the lines of `followed`."""
        points = 1 << int(np.ceil(np.log2(max(POINTS_A_STEP * self.steps, FEWEST_POINTS))))
        return np.arange(points // 2 + 1.0)

    def followed(self, place: int, back: np.ndarray, variance: float, displaced: bool) -> list[np.ndarray]:
        """Power at `step_orders` at one speed, of the first and the last two rounds of ``x = v t - T s(x)``.

        s is the error that an axis at x shows, T (``back``) the complementary sensitivity at each order. The first
        motion is even, or ``displaced`` by the smooth error; the change of the smooth lines alone is left out.
        """
        orders, points = self.step_orders(), 2 * back.size - 2
        back = np.where((orders > 0.0) & (orders < points // 2), back, 0.0)
        dense, made = self.dense_lines()
        made = made[min(place, made.shape[0] - 1)][None, :]
        smooth = self_modulated(made, dense, back[None, dense]) if dense.size else made
        even, away = (np.arange(points) + 0.5) / points, np.zeros(points)
        if displaced:
            turned = np.exp(1j * np.pi * dense / points)
            away = cause_models.over_grid(-back[dense] * smooth * turned, dense, points)[0]
        kept, read = self._reader(place, variance)
        rounds = []
        for _ in range(ROUNDS):
            lines = np.fft.rfft(read(even + away)) * kept
            away = np.fft.irfft(-back * lines, points)
            rounds.append(2.0 / points**2 * np.abs(lines) ** 2 * (orders > 0.0))
        if not displaced:
            for power in rounds[-2:]:
                power[dense] -= 0.5 * (np.abs(smooth) ** 2 - np.abs(made) ** 2)[0]
        return [rounds[0], rounds[-2], rounds[-1]]

    def _reader(self, place: int, variance: float) -> tuple[np.ndarray, Callable[[np.ndarray], np.ndarray]]:
        """What is shown less the position at positions of one speed, and what scatter leaves of its lines."""
        orders, scatter = self.step_orders(), math.hypot(math.sqrt(variance) * self.steps, LEAST_SCATTER)
        if self.axis.interpolation.bits is not None and self.key is not None:
            error = _shown_error(self.key)
            left = np.exp(-0.5 * (TAU * scatter / self.steps * orders) ** 2)
            return left, lambda position: error[(position % 1.0 * error.size).astype(np.int64)]
        made = self.made[min(place, self.made.shape[0] - 1)][None, :]
        shape = error_shape(made, self.known, FINE_SHAPE)
        stair = _dithered_counts(round(scatter, 3))

        def shown(position: np.ndarray) -> np.ndarray:
            error = at_phases(shape, position[None, :])[0]
            return error + at_phases(stair, (self.steps * (position + error))[None, :])[0] / self.steps

        return np.ones_like(orders), shown


@lru_cache(maxsize=64)
def _dithered_counts(scatter: float) -> np.ndarray:
    """Mean of the nearest whole count less the position over one count, shape (1, points), for some scatter."""
    order = np.arange(1, STAIR_COMBS + 1)
    lines = 1j * (-1.0) ** (order + 1) / (math.pi * order) * np.exp(-0.5 * (TAU * order * scatter) ** 2)
    return cause_models.over_grid(lines[None, :], order, STAIR_POINTS)


def self_modulated(made: np.ndarray, orders: np.ndarray, back: np.ndarray, rounds: int = 4) -> np.ndarray:
    """Lines of an error that is read at the positions to which the loop, tracking it, moves the axis."""
    points = 1 << int(np.ceil(np.log2(4 * orders.size + 2)))
    turn = 1j * TAU * orders
    error, slope, curve, twist = (cause_models.over_grid(made * turn**n, orders, points) for n in range(4))
    lines = made
    for _ in range(rounds):
        away = cause_models.over_grid(-back * lines, orders, points)
        shown = error + away * (slope + away * (curve / 2.0 + away * twist / 6.0))
        lines = np.fft.rfft(shown, axis=-1)[:, 1 : orders.size + 1] * (2.0 / points)
    return lines


def own_clock(axis: Axis) -> float | None:
    """Rate of an own clock, Hz; None without one and where it is a multiple of the loop rate."""
    clock = cause_models.own_clock(axis)
    return None if clock is None or (clock / axis.sampling.rate).is_integer() else clock
