"""Where a prediction of ripple may not be believed, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..model.estimators import Difference
from . import period_error
from .limits import top_speed

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .cause_models import LineModel, TableModel
    from .engines import Timed


TAU = period_error.TAU
# Noise of so many counts rms leaves counts held by hysteresis as they are, within 1 %; with a first difference it may
# reach so many rms up to a count a sample. Both by simulation.
SHARP, REACH = 0.03, 3.0
# In counts; from 0.3 on the prediction is more than 4 % high.
MOST_EDGE_JITTER = 0.2


def find(
    axis: Axis,
    model: TableModel | LineModel | Timed,
    speed: np.ndarray,
    squares: dict[Any, np.ndarray],
    total: np.ndarray,
) -> tuple[Any, ...]:
    """Speeds at which the prediction may not be believed, and the reasons that apply."""
    found = [
        *_limit_doubts(axis, speed),
        (not model.sound, "the two channels do not go round zero at some speed"),
        *_hysteresis_doubts(axis, model, speed, squares, total),
        *_converter_doubts(axis, model, speed, squares, total),
        *_timing_doubts(axis, model, speed, squares),
        (
            _few_counts(axis, model),
            "fewer than 40 counts a period: too few for the step form to be exact",
        ),
        (
            axis.signal.noise > 0.1 * axis.signal.amplitude,
            "channel noise above 0.1 of the amplitude is not small",
        ),
    ]
    masks = [np.broadcast_to(there, speed.shape) for there, _ in found]
    reasons = [reason for mask, (_, reason) in zip(masks, found, strict=True) if mask.any()]
    return np.logical_or.reduce(masks), tuple(reasons)


def _limit_doubts(axis: Axis, speed: np.ndarray) -> list[tuple[np.ndarray, str]]:
    top = top_speed(axis)
    if top.limit == "clipping":
        return [(True, "the converter clips the signals (interpolation.span)")]
    return [(speed > top.speed, f"above the top speed {top.speed:.4g} {axis.scale.unit}/s ({top.limit})")]


def _few_counts(axis: Axis, model: TableModel | LineModel | Timed) -> bool:
    factor = axis.interpolation.factor
    return model.method == "step" and factor is not None and factor < 40


def _hysteresis_doubts(
    axis: Axis,
    model: TableModel | LineModel | Timed,
    speed: np.ndarray,
    squares: dict[Any, np.ndarray],
    total: np.ndarray,
) -> list[Any]:
    if axis.interpolation.hysteresis == 0.0:
        return []
    found = [
        (
            _unknown_hysteresis(model, speed),
            "hysteresis within reach of the noise has no closed form: the value is without it; simulate",
        )
    ]
    found.append(
        (
            _roughly_held(axis, model, speed),
            "noise shifts the moments at which counts held by hysteresis change: up to a third more; simulate",
        )
    )
    if axis.interpolation.bits is not None:
        stepped = squares["adc"] + squares["resolution"] > 0.1 * total
        found.append((stepped, "hysteresis shifts the counts against the converter's steps; simulate"))
    return found


def _unknown_hysteresis(model: TableModel, speed: np.ndarray) -> np.ndarray:
    return model.held_still(speed, model.noisy(speed, np.inf)) == -1


def _roughly_held(axis: Axis, model: TableModel, speed: np.ndarray) -> np.ndarray:
    """Where hysteresis keeps counts from toggling, but noise still moves the samples at which they change."""
    spread = model.noisy(speed, np.inf)
    sigma = spread * axis.interpolation.factor / np.sqrt(2.0)
    counts = speed / (axis.resolution * (model.clock or axis.sampling.rate))
    rough = sigma > SHARP
    if axis.estimator == Difference():
        # a count a sample at most: what matters is only how many change
        rough = counts + REACH * sigma > 1.0
    return (model.held_still(speed, spread) == 1) & rough


def _timing_doubts(
    axis: Axis, model: TableModel | LineModel | Timed, speed: np.ndarray, squares: dict[Any, np.ndarray]
) -> list[tuple[np.ndarray, str]]:
    """Limits of the linear theory of edges timed by a clock."""
    if axis.estimator.linear:
        return []
    scattered = sum(squares.get(cause, 0.0) for cause in ("jitter", "noise", "adc"))
    by_cause = model.spread(speed, np.inf)
    edge = sum(by_cause.get(cause, 0.0) for cause in ("jitter", "noise")) + model.converter(speed)
    return [
        (speed < axis.resolution, "slower than one count a second: the measured velocity drops to zero"),
        (
            scattered > (0.05 * speed) ** 2,
            "jitter beyond 5 % of the time between edges: some per cent low; simulate",
        ),
        (
            np.sqrt(0.5 * edge) * axis.interpolation.factor > MOST_EDGE_JITTER,
            "jitter of the edges beyond 0.2 counts: which of them came last depends on it; simulate",
        ),
        (
            speed > 0.1 * axis.resolution * axis.estimator.clock,
            "fewer than 10 ticks of the clock between edges",
        ),
    ]


def _converter_doubts(
    axis: Axis,
    model: TableModel | LineModel | Timed,
    speed: np.ndarray,
    squares: dict[Any, np.ndarray],
    total: np.ndarray,
) -> list[tuple[np.ndarray, str]]:
    """Converter steps that are not smoothed by jitter, where only white noise stands for them."""
    how = axis.interpolation
    if how.bits is None or model.method != "step":
        return []
    step = 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude / TAU
    lag = speed / axis.sampling.rate / model.pitch
    jitter = np.hypot(axis.signal.jitter, speed * axis.sampling.jitter) / model.pitch
    rough = (np.hypot(jitter, axis.signal.noise / TAU) < 0.5 * step) & (squares["adc"] > 0.02 * total)
    return [(rough & (lag < 10.0 * step), "converter steps not smoothed by jitter, taken as white noise")]
