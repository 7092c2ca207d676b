"""Ripple of an axis without its exact table of increments: milliseconds an axis, for thousands of axes.

Wherever counts are at least 40 a period, the step form serves: a converter as white noise, counts by their
dithered steps. A difference takes it lag by lag; an estimator of long memory, and a closed loop, as lines passed
through |F|**2, which is kept for the next axis with the same loop.

Ripple of many candidates in a fraction of the time of the step form: counting at a glance, the rest as there.

An estimator of few lags takes counting at the mean increment of each, blurred by the error of the period as a
Gaussian of the same mean square would blur it. One of long memory takes it as the lines of the counts, each swept
over the frequencies to which the error of the period moves it. A converter is white noise. What meets a limit, or
nearly does, is computed in full afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop import squared_gains
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.error_lines import ErrorLines
from ..closed_loop.propagated_errors import PropagatedErrors
from ..closed_loop.squared_gains import CURVES, SquaredGains
from ..model.axis import Axis, Interpolation, Sampling
from ..model.scale_and_signal import Signal
from ..open_loop import cause_models, engines, quantisation
from ..open_loop.line_model import LineModel

if TYPE_CHECKING:
    from ..model.estimator_base import Estimator
    from ..model.scale_and_signal import Scale
    from ..open_loop.cause_models import Model


# Estimators of more lags are of long memory.
FEW_TABLE_LAGS = 8
# Lines of the counts: so many one by one, the others in groups up to the last; places of a period, bins of |H|**2.
SINGLE, GROUPS, LAST = 32, 40, 1 << 17
PLACES = 8
BINS = 1 << 14
GOLDEN = 0.6180339887498949


def possible(axis: Axis) -> bool:
    """Whether an axis can be screened: its estimator is linear, and its own loop takes the positions."""
    return axis.estimator.linear and cause_models.own_clock(axis) is None


def screened(
    axis: Axis, speeds: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, dict[Any, Any]], tuple[()]]:
    """Ripple of an axis at some speeds, as `worst_speeds.Curves` computes it."""
    squares, _ = Screen(axis).parts(speeds)
    pitch = axis.scale.pitch
    squares = {cause: np.maximum(square, 0.0) for cause, square in squares.items()}
    total = sum(squares.values(), np.zeros(speeds.shape))
    parts = {cause: pitch * np.sqrt(square) for cause, square in squares.items()}
    return {"measured": pitch * np.sqrt(total)}, {"measured": parts}, ()


class Screen(LineModel):
    """The step form at one glance; see the module."""

    def _shapes(self, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        if not self.fixed:
            return super()._shapes(speed)
        return fixed_shapes(self.axis.scale, self.axis.signal, self.axis.interpolation.correction)

    def parts(self, speed: np.ndarray) -> tuple[dict[str, np.ndarray], None]:
        """Mean squares of the velocity by cause; periods and seconds. No half range: None."""
        orders, made, _ = self.shapes(speed)
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        size = np.abs(made) ** 2
        frequency = np.multiply.outer(speed / self.pitch, orders)
        cyclic = 0.5 * (size * self.gain(frequency, speed) ** 2).sum(axis=-1)
        steep = 1.0 + 0.5 * (size * (cause_models.TAU * orders) ** 2).sum(axis=-1)
        if "sde" in squares:
            squares["sde"] = cyclic
        lag, weight = cause_models.pairs(cause_models.resolved(self.axis), self.axis.sampling.rate)
        seconds = lag / self.axis.sampling.rate
        if seconds.size > FEW_TABLE_LAGS and self.axis.signal.jitter_bandwidth is None:
            # without colour the scatter of an increment is the same over every lag
            weight, seconds = weight.sum(keepdims=True), seconds[:1]
        increments = self._scatter(speed, seconds, steep)
        for cause, square in increments.items():
            squares[cause] += weight @ square
        if self.axis.interpolation.factor is not None:
            blur = sum(increments.values(), np.zeros((1, speed.size)))
            few = lag.size <= FEW_TABLE_LAGS
            counted = self._by_lags if few else self._by_lines
            squares["resolution"] = counted(speed, blur, cyclic, weight, seconds)
        return self.with_independent(squares, speed), None

    def _by_lags(
        self, speed: np.ndarray, blur: np.ndarray, cyclic: np.ndarray, weight: np.ndarray, seconds: np.ndarray
    ) -> np.ndarray:
        """What counting adds, lag by lag."""
        factor = self.axis.interpolation.factor
        lag = np.multiply.outer(seconds, speed / self.pitch)
        counted = quantisation.counted(lag * factor, np.sqrt(blur + cyclic / weight.sum()) * factor)
        return weight @ counted / factor**2

    def _by_lines(
        self, speed: np.ndarray, blur: np.ndarray, cyclic: np.ndarray, weight: np.ndarray, seconds: np.ndarray
    ) -> np.ndarray:
        """What counting adds, line by line of the counts."""
        factor, rate = self.axis.interpolation.factor, self.axis.sampling.rate
        order, power = _count_lines()
        scatter = (weight @ blur) / weight.sum()
        kept = np.exp(-0.5 * np.multiply.outer(scatter, (cause_models.TAU * factor * order) ** 2))
        turns = np.multiply.outer(speed / self.pitch * factor / rate, order)
        turns = turns[:, None, :] * (1.0 + self._slopes(speed))[:, :, None]
        away = np.abs(turns - np.rint(turns))
        table, white = _estimator_gains(cause_models.resolved(self.axis), rate)
        square = table[np.minimum((away * (2.0 * BINS)).astype(np.int32), BINS - 1)].mean(axis=1)
        return ((square * kept + white * (1.0 - kept)) @ power) / factor**2

    def _slopes(self, speed: np.ndarray) -> np.ndarray:
        """Slope of the error at some places of the period, shape (1 or speeds, places)."""
        orders, made, _ = self.shapes(speed)
        turn = np.exp(
            1j * cause_models.TAU * np.multiply.outer(orders, (np.arange(PLACES) + GOLDEN) / PLACES)
        )
        return ((1j * cause_models.TAU * orders * made) @ turn).real

    def _scatter(self, speed: np.ndarray, seconds: np.ndarray, steep: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares that the random causes and the converter give an increment, shape (lags, speeds)."""
        column = seconds[:, None]
        found = {cause: square * np.ones_like(column) for cause, square in self.spread(speed, column).items()}
        spread = np.sqrt(sum(found.values(), np.zeros(speed.shape)))
        quiet = self.held_still(np.broadcast_to(speed, spread.shape), spread) == 1
        for cause, square in found.items():
            found[cause] = np.where(quiet, 0.0, square * (1.0 if cause == "noise" else steep))
        if self.axis.interpolation.bits is not None:
            found["adc"] = self.converter(speed) * np.ones_like(column)
        return found


@lru_cache(maxsize=256)
def fixed_shapes(
    scale: Scale, signal: Signal, correction: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What `LineModel.shapes` says of an error that does not depend on speed."""
    how = Interpolation(correction=correction)
    return LineModel(Axis(scale, signal=signal, interpolation=how, sampling=Sampling(1.0))).shapes(
        np.zeros(1)
    )


@lru_cache(maxsize=1)
def _count_lines() -> tuple[np.ndarray, np.ndarray]:
    """Orders of the counts' lines, in lines of one a count, and their mean squares in counts squared."""
    edges = np.unique(np.geomspace(SINGLE + 1, LAST, GROUPS + 1).astype(int))
    first = np.concatenate([np.arange(1, SINGLE + 1), edges[:-1]])
    width = np.diff(np.append(first, edges[-1]))
    # an odd place within each group, so that groups do not meet the folding in step
    order = first + np.floor((np.arange(first.size) * GOLDEN % 1.0) * width)
    below = np.concatenate([np.cumsum(0.5 / (np.pi * np.arange(1.0, LAST)) ** 2), [1.0 / 12.0]])
    power = np.diff(np.concatenate([[0.0], below[first + width - 2]]))
    power[-1] += 1.0 / 12.0 - below[edges[-1] - 2]
    return order, power


@lru_cache(maxsize=64)
def _estimator_gains(estimator: Estimator, rate: float) -> Any:
    """Squared gain of an estimator in even bins between 0 and half a turn, and its mean over all frequencies."""
    frequency = (np.arange(BINS) + 0.5) * (0.5 * rate / BINS)
    return np.abs(estimator.response(frequency, rate)) ** 2, estimator.noise_gain(rate) ** 2


# Fewer counts a period than this, and the step form is no longer exact enough (see doubts).
FEW_COUNTS = 40
# Up to so many lags are taken one by one.
FEW_LAGS = 4
GRID = 1 << 12


@dataclass(frozen=True, eq=False, slots=True)
class Quick:
    """Ripple of one axis at some speeds.

    Attributes
    ----------
    rms : dict of str to ndarray, shape (m,)
        ``measured``, and of a closed loop ``torque`` and ``actual``; infinite where it is unstable.
    sound : bool
        Whether the channels go round zero at every speed.
    """

    rms: dict
    sound: bool


def closes(axis: Axis) -> bool:
    """Whether an axis has a closed loop."""
    return axis.load is not None and axis.control is not None


def curves(axis: Axis, speeds: np.ndarray) -> Quick:
    """Ripple of an axis in the quick form: of its closed loop where it has one."""
    model = _model(axis)
    if closes(axis) and not axis.estimator.linear:
        # timed edges are another loop at every speed: there is nothing to keep
        found = smoothness(axis, speeds)
        return Quick({name: getattr(found, name) for name in CURVES[:3]}, bool(model.sound))
    if closes(axis):
        return _passed(axis, model, speeds, _loops(axis, speeds), CURVES[:3])
    if axis.estimator.linear and _long_memory(axis):
        found = cause_models.resolved(axis)
        powers = [(_estimator_power(found, axis.sampling.rate), np.arange(speeds.size))]
        return _passed(axis, model, speeds, powers, CURVES[:1])
    squares, _ = model.parts(speeds)
    total = sum(np.maximum(square, 0.0) for square in squares.values()) if squares else 0.0 * speeds
    return Quick({"measured": np.sqrt(total) * axis.scale.pitch}, bool(model.sound))


class _Squares(LineModel):
    """The step form without the peak, which nobody asks for here."""

    def half_range(self, speed: np.ndarray) -> np.ndarray:
        """Nothing."""
        return 0.0 * speed


def _model(axis: Axis) -> _Squares:
    factor = axis.interpolation.factor
    if not axis.estimator.linear or (factor is not None and factor < FEW_COUNTS):
        return engines.engine(axis)
    return _Squares(axis)


def _long_memory(axis: Axis) -> bool:
    """Whether the estimator's lags are too many to be taken one by one."""
    return cause_models.pairs(cause_models.resolved(axis), axis.sampling.rate)[0].size > FEW_LAGS


def _passed(
    axis: Axis,
    model: Model,
    speeds: np.ndarray,
    powers: list[tuple[SquaredGains, np.ndarray]],
    names: list[str],
) -> tuple[np.ndarray, float]:
    """Error lines passed through squared gains."""
    errors = ErrorLines(axis, model, speeds)
    square = np.zeros((speeds.size, len(CURVES)))
    for power, there in powers:
        square[there] = sum(PropagatedErrors(errors, power, there).squares.values(), square[there])
    rms = np.sqrt(square) * axis.scale.pitch
    return Quick({name: rms[:, CURVES.index(name)] for name in names}, bool(model.sound))


class _EstimatorPower(SquaredGains):
    """Squared gain of an estimator alone, in the place of a loop's: the error moves nothing."""

    def __init__(self, estimator: Estimator, rate: float) -> None:
        self.loop, self.rate, self.bins = None, rate, squared_gains.BINS
        self.estimator, self.crossover, self.stable = estimator, np.nan, True
        even = np.linspace(0.0, 0.5, squared_gains.BINS + 1)[1:]
        self.frequency = rate * np.union1d(np.geomspace(1e-7, 0.5, GRID), even)
        self._tabulate()
        self.white[0] = estimator.noise_gain(rate) ** 2

    def exact(self, turns: np.ndarray) -> Any:
        """|D|**2 at some frequencies, shape (..., curves)."""
        found = np.zeros((*np.shape(turns), len(CURVES) + 1))
        found[..., 0] = np.abs(self.estimator.response(np.asarray(turns) * self.rate, self.rate)) ** 2
        return found


@lru_cache(maxsize=32)
def _estimator_power(estimator: Estimator, rate: float) -> Any:
    return _EstimatorPower(estimator, rate)


def _loops(axis: Axis, speeds: np.ndarray) -> list[tuple[SquaredGains, np.ndarray]]:
    """Squared gains of the loop at the speeds, kept for axes that differ in nothing that it knows."""
    signal = Signal(bandwidth=axis.signal.bandwidth)
    converter = Interpolation()
    if axis.interpolation.edge_clock is not None:
        converter = replace(
            axis.interpolation, bits=None, hysteresis=0.0, correction=0.0, edge_separation=0.0
        )
    bare = Axis(
        axis.scale,
        signal=signal,
        interpolation=converter,
        sampling=axis.sampling,
        estimator=cause_models.resolved(axis),
        load=axis.load,
        control=axis.control,
    )
    return _loops_of(bare, tuple(speeds.tolist()))


@lru_cache(maxsize=16)
def _loops_of(axis: Axis, speeds: tuple[float, ...]) -> list[tuple[SquaredGains, np.ndarray]]:
    return squared_gains.at_speeds(axis, np.array(speeds))
