"""Ripple without the exact table of increments: milliseconds per axis, for thousands of axes.

`curves` (tolerance) uses the line model wherever there are at least 40 counts per signal period: quantisation by its
dithered steps, the A/D converter as white noise. A difference is computed lag by lag; an estimator with a long window
and a closed loop by harmonics through |F|**2, which is cached for the next axis with the same loop.

`screened_ripple` (choose) takes a fraction of that time, since it approximates quantisation. An estimator of few lags
takes it at the mean increment of each lag, blurred as a Gaussian with the mean square of the error of the period would
blur it. An estimator with a long window takes it as the harmonics of quantisation, each spread over the frequencies
to which the error of the period moves it. Candidates that meet a limit, or nearly so, are computed in full afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop import squared_gains
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.error_lines import ErrorLines
from ..closed_loop.propagated_errors import PropagatedErrors
from ..closed_loop.squared_gains import SquaredGains
from ..closed_loop.state_space import CURVES
from ..model.axis import Axis, Interpolation, Sampling
from ..model.scale_and_signal import Signal
from ..open_loop import cause_models, engines, quantisation
from ..open_loop.cause_models import TAU
from ..open_loop.line_model import LineModel, Shapes
from .ripple_summary import has_loop

if TYPE_CHECKING:
    from ..model.scale_and_signal import Scale
    from ..open_loop.cause_models import Model


# Largest number of lags that screening computes one by one, and that `curves` does.
SCREENED_LAGS = 8
FEW_LAGS = 4
# Below this number of counts per signal period the line model is not accurate enough (see doubts).
FEW_COUNTS = 40
# Harmonics of quantisation: the first ones singly, the others in groups up to the last.
SINGLE, GROUPS, LAST = 32, 40, 1 << 17
# Places of a signal period; bins of |F|**2 in screening; logarithmic points of the table for `curves`.
PLACES = 8
BINS = 1 << 14
GRID = 1 << 12
GOLDEN = 0.6180339887498949


def can_screen(axis: Axis) -> bool:
    """Whether an axis can be screened: linear estimator, positions sampled by the loop's clock."""
    return axis.estimator.linear and cause_models.own_clock(axis) is None


def screened_ripple(
    axis: Axis, speeds: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, dict[str, np.ndarray]], tuple[str, ...]]:
    """Approximate ripple of an axis at some speeds, in the form that `judgements.Curves` takes."""
    squares = ScreeningModel(axis).parts(speeds)
    pitch = axis.scale.pitch
    squares = {cause: np.maximum(square, 0.0) for cause, square in squares.items()}
    total = sum(squares.values(), np.zeros(speeds.shape))
    parts = {cause: pitch * np.sqrt(square) for cause, square in squares.items()}
    return {"measured": pitch * np.sqrt(total)}, {"measured": parts}, ()


class ScreeningModel(LineModel):
    """The line model with approximate quantisation; see the module."""

    def _shapes(self, speed: np.ndarray) -> Shapes:
        if not self.fixed:
            return super()._shapes(speed)
        return _fixed_shapes(self.axis.scale, self.axis.signal, self.axis.interpolation.correction)

    def parts(self, speed: np.ndarray) -> dict[str, np.ndarray]:
        """Mean squares of the velocity by cause; periods and seconds."""
        orders, amplitudes = self.complex_lines(speed)
        squares = {cause: np.zeros_like(speed) for cause in self.named()}
        power = np.abs(amplitudes) ** 2
        frequency = np.multiply.outer(speed / self.pitch, orders)
        cyclic = 0.5 * (power * self.gain(frequency, speed) ** 2).sum(axis=-1)
        slope_square = 1.0 + 0.5 * (power * (TAU * orders) ** 2).sum(axis=-1)
        if "sde" in squares:
            squares["sde"] = cyclic
        lag, weight = cause_models.pairs(cause_models.resolved(self.axis), self.axis.sampling.rate)
        seconds = lag / self.axis.sampling.rate
        if seconds.size > SCREENED_LAGS and self.axis.signal.jitter_bandwidth is None:
            # white jitter spreads an increment alike over every lag
            weight, seconds = weight.sum(keepdims=True), seconds[:1]
        increments = self._increment_squares(speed, seconds, slope_square)
        for cause, square in increments.items():
            squares[cause] += weight @ square
        if self.axis.interpolation.factor is not None:
            variance = sum(increments.values(), np.zeros((1, speed.size)))
            if lag.size <= SCREENED_LAGS:
                squares["resolution"] = self._quantised_by_lags(
                    speed, variance + cyclic / weight.sum(), weight, seconds
                )
            else:
                mean = (weight @ variance) / weight.sum()
                squares["resolution"] = self._quantised_by_harmonics(speed, mean)
        return self.with_independent(squares, speed)

    def _quantised_by_lags(
        self, speed: np.ndarray, variance: np.ndarray, weight: np.ndarray, seconds: np.ndarray
    ) -> np.ndarray:
        """Mean square that quantisation adds, lag by lag."""
        factor = self.axis.interpolation.factor or 1
        lag = np.multiply.outer(seconds, speed / self.pitch)
        counted = quantisation.counted(lag * factor, np.sqrt(variance) * factor)
        square: np.ndarray = weight @ counted / factor**2
        return square

    def _quantised_by_harmonics(self, speed: np.ndarray, variance: np.ndarray) -> np.ndarray:
        """Mean square that quantisation adds, harmonic by harmonic."""
        factor, rate = self.axis.interpolation.factor or 1, self.axis.sampling.rate
        order, power = _quantisation_harmonics()
        kept = np.exp(-0.5 * np.multiply.outer(variance, (TAU * factor * order) ** 2))
        cycles = np.multiply.outer(speed / self.pitch * factor / rate, order)
        cycles = cycles[:, None, :] * (1.0 + self._slopes(speed))[:, :, None]
        aliased = np.abs(cycles - np.rint(cycles))
        table, white = _binned_gains(cause_models.resolved(self.axis), rate)
        gain = table[np.minimum((aliased * (2.0 * BINS)).astype(np.int32), BINS - 1)].mean(axis=1)
        square: np.ndarray = ((gain * kept + white * (1.0 - kept)) @ power) / factor**2
        return square

    def _slopes(self, speed: np.ndarray) -> np.ndarray:
        """Slope of the error at some places of the period, shape (1 or speeds, places)."""
        orders, amplitudes = self.complex_lines(speed)
        place = (np.arange(PLACES) + GOLDEN) / PLACES
        slopes = (1j * TAU * orders * amplitudes) @ np.exp(1j * TAU * np.multiply.outer(orders, place))
        return np.real(slopes)

    def _increment_squares(
        self, speed: np.ndarray, seconds: np.ndarray, slope_square: np.ndarray
    ) -> dict[str, np.ndarray]:
        """Mean squares of an increment by random cause and converter, shape (lags, speeds)."""
        column = seconds[:, None]
        squares = {cause: part * np.ones_like(column) for cause, part in self.spread(speed, column).items()}
        spread = np.sqrt(sum(squares.values(), np.zeros(speed.shape)))
        held = self.held_still(np.broadcast_to(speed, spread.shape), spread) == 1
        for cause, square in squares.items():
            squares[cause] = np.where(held, 0.0, square * (1.0 if cause == "noise" else slope_square))
        if self.axis.interpolation.bits is not None:
            squares["adc"] = self.converter(speed) * np.ones_like(column)
        return squares


class _White(LineModel):
    """The line model with the converter as white noise at every speed."""

    def steps_stay(self, speed: np.ndarray) -> np.ndarray:
        """Nowhere."""
        return np.zeros(speed.shape, dtype=bool)


@lru_cache(maxsize=256)
def _fixed_shapes(scale: Scale, signal: Signal, correction: float) -> Shapes:
    """`LineModel.shapes` of an error that does not depend on speed."""
    bare = Axis(
        scale, signal=signal, interpolation=Interpolation(correction=correction), sampling=Sampling(1.0)
    )
    return LineModel(bare).shapes(np.zeros(1))


@lru_cache(maxsize=1)
def _quantisation_harmonics() -> tuple[np.ndarray, np.ndarray]:
    """Orders of the harmonics of quantisation, in cycles per count, and their mean squares, counts squared."""
    edges = np.unique(np.geomspace(SINGLE + 1, LAST, GROUPS + 1).astype(int))
    first = np.concatenate([np.arange(1, SINGLE + 1), edges[:-1]])
    width = np.diff(np.append(first, edges[-1]))
    # an irregular place within each group, so that the groups do not alias at regular distances
    order = first + np.floor((np.arange(first.size) * GOLDEN % 1.0) * width)
    below = np.concatenate([np.cumsum(0.5 / (np.pi * np.arange(1.0, LAST)) ** 2), [1.0 / 12.0]])
    power = np.diff(np.concatenate([[0.0], below[first + width - 2]]))
    power[-1] += 1.0 / 12.0 - below[edges[-1] - 2]
    return order, power


@lru_cache(maxsize=64)
def _binned_gains(estimator: Any, rate: float) -> tuple[np.ndarray, float]:
    """Squared gain of an estimator in even bins from 0 to half the rate, and its mean over all frequencies."""
    frequency = (np.arange(BINS) + 0.5) * (0.5 * rate / BINS)
    return np.abs(estimator.response(frequency, rate)) ** 2, estimator.noise_gain(rate) ** 2


@dataclass(frozen=True, eq=False, slots=True)
class FastRipple:
    """Ripple of one axis at some speeds.

    Attributes
    ----------
    rms : dict of str to ndarray, shape (m,)
        ``measured``, and of a closed loop ``torque`` and ``actual``; infinite where it is unstable.
    sound : bool
        Whether the circle of the two signals encloses zero at every speed.
    """

    rms: dict[str, np.ndarray]
    sound: bool


def curves(axis: Axis, speeds: np.ndarray) -> FastRipple:
    """Fast ripple of an axis: of its closed loop where it has one."""
    model = _model(axis)
    if has_loop(axis) and not axis.estimator.linear:
        # with timed edges the loop depends on the speed: there is nothing to cache
        loop_ripple = smoothness(axis, speeds)
        return FastRipple({name: getattr(loop_ripple, name) for name in CURVES[:3]}, bool(model.sound))
    if has_loop(axis):
        return _through_gains(axis, model, speeds, _loop_gains(axis, speeds), CURVES[:3])
    if axis.estimator.linear:
        estimator, rate = cause_models.resolved(axis), axis.sampling.rate
        if cause_models.pairs(estimator, rate)[0].size > FEW_LAGS:
            gains = [(_estimator_gains(estimator, rate), np.arange(speeds.size))]
            return _through_gains(axis, model, speeds, gains, CURVES[:1])
    squares = model.parts(speeds)
    total = sum((np.maximum(square, 0.0) for square in squares.values()), np.zeros(speeds.shape))
    return FastRipple({"measured": np.sqrt(total) * axis.scale.pitch}, bool(model.sound))


def _model(axis: Axis) -> Model:
    """The line model; where it is not accurate enough, the engine of `ripple`."""
    factor = axis.interpolation.factor
    if not axis.estimator.linear or (factor is not None and factor < FEW_COUNTS):
        return engines.engine(axis)
    return _White(axis)


def _through_gains(
    axis: Axis,
    model: Model,
    speeds: np.ndarray,
    gains: Iterable[tuple[SquaredGains, np.ndarray]],
    names: Sequence[str],
) -> FastRipple:
    """Ripple from the harmonics of the error and squared gains."""
    errors = ErrorLines(axis, model, speeds)
    square = np.zeros((speeds.size, len(CURVES)))
    for gain, there in gains:
        square[there] = sum(PropagatedErrors(errors, gain, there).squares.values(), square[there])
    rms = np.sqrt(square) * axis.scale.pitch
    return FastRipple({name: rms[:, CURVES.index(name)] for name in names}, bool(model.sound))


class _EstimatorGains(SquaredGains):
    """Squared gain of an estimator in open loop, where the error does not move the axis."""

    def __init__(self, estimator: Any, rate: float) -> None:
        self.rate, self.bins = rate, squared_gains.BINS
        self.estimator, self.crossover, self.stable = estimator, np.nan, True
        even = np.linspace(0.0, 0.5, squared_gains.BINS + 1)[1:]
        self.frequency = rate * np.union1d(np.geomspace(1e-7, 0.5, GRID), even)
        self._tabulate()
        self.white[0] = estimator.noise_gain(rate) ** 2

    def exact(self, cycles: np.ndarray) -> np.ndarray:
        """Squared gain at some frequencies in cycles per sample, shape (..., curves + 1)."""
        gains = np.zeros((*np.shape(cycles), len(CURVES) + 1))
        gains[..., 0] = np.abs(self.estimator.response(np.asarray(cycles) * self.rate, self.rate)) ** 2
        return gains


@lru_cache(maxsize=32)
def _estimator_gains(estimator: Any, rate: float) -> _EstimatorGains:
    return _EstimatorGains(estimator, rate)


def _loop_gains(axis: Axis, speeds: np.ndarray) -> list[tuple[SquaredGains, np.ndarray]]:
    """Squared gains of the loop at the speeds, cached for axes that have the same loop."""
    converter = Interpolation()
    if axis.interpolation.edge_clock is not None:
        converter = replace(
            axis.interpolation, bits=None, hysteresis=0.0, correction=0.0, edge_separation=0.0
        )
    bare = Axis(
        axis.scale,
        signal=Signal(bandwidth=axis.signal.bandwidth),
        interpolation=converter,
        sampling=axis.sampling,
        estimator=cause_models.resolved(axis),
        load=axis.load,
        control=axis.control,
    )
    return _cached_loop_gains(bare, tuple(speeds.tolist()))


@lru_cache(maxsize=16)
def _cached_loop_gains(axis: Axis, speeds: tuple[float, ...]) -> list[tuple[SquaredGains, np.ndarray]]:
    return squared_gains.at_speeds(axis, np.array(speeds))
