"""Where a prediction of ripple is not reliable, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..doubts import Doubt
from ..model.edge_timing import TimedEdges
from ..model.estimators import Difference
from . import period_error
from .limits import top_speed
from .line_model import LineModel

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .cause_models import Model


TAU = period_error.TAU
# Up to SHARP counts rms noise changes the ripple of counts held by hysteresis by less than 1 %. With a first difference
# counts per sample and REACH times the rms may add up to 1. Both by simulation.
SHARP, REACH = 0.03, 3.0
# Rms, counts; from 0.3 counts on the prediction is more than 4 % too high.
MOST_EDGE_JITTER = 0.2
# Largest jitter over the time between edges, and least clock ticks in that time, for the linear theory of timed edges.
MOST_TIME_JITTER, LEAST_TICKS = 0.05, 10
# Least counts per period for the step form, and largest channel noise over the amplitude for the linear theory.
FEW_COUNTS, SMALL_NOISE = 40, 0.1
# Steps of counts and converter below these shares of the mean square do not matter.
HELD_SHARE, CONVERTER_SHARE = 0.1, 0.02


Term = tuple[bool | np.bool_ | np.ndarray, Doubt]


def find(
    axis: Axis,
    model: Model,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Speeds at which the prediction is not reliable, and the reasons that apply."""
    return joined(
        speed.shape,
        [
            _limit_term(axis, speed),
            (not model.sound, Doubt("no_circle")),
            *_hysteresis_terms(axis, model, speed, squares, total),
            *_converter_terms(axis, model, speed, squares, total),
            *_timing_terms(axis, model, speed, squares),
            (_few_counts(axis, model), Doubt("few_counts", counts=FEW_COUNTS)),
            (
                axis.signal.noise > SMALL_NOISE * axis.signal.amplitude,
                Doubt("noise_not_small", share=SMALL_NOISE),
            ),
        ],
    )


def joined(shape: tuple[int, ...], terms: list[Term]) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Validity terms (where, doubt) as one mask, and the doubts that apply somewhere."""
    masks = [np.broadcast_to(where, shape) for where, _ in terms]
    doubts = tuple(doubt for mask, (_, doubt) in zip(masks, terms, strict=True) if mask.any())
    return np.logical_or.reduce(masks), doubts


def _limit_term(axis: Axis, speed: np.ndarray) -> Term:
    top = top_speed(axis)
    if top.limit == "clipping":
        return True, Doubt("clipping")
    doubt = Doubt("top_speed", top=top.speed, unit=axis.scale.unit, limit=top.limit)
    return speed > top.speed, doubt


def _few_counts(axis: Axis, model: Model) -> bool:
    factor = axis.interpolation.factor
    return model.method == "step" and factor is not None and factor < FEW_COUNTS


def _hysteresis_terms(
    axis: Axis,
    model: Model,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
) -> list[Term]:
    if axis.interpolation.hysteresis == 0.0:
        return []
    terms: list[Term] = [
        (model.held_still(speed, model.noisy(speed, np.inf)) == -1, Doubt("hysteresis_in_noise")),
        (_roughly_held(axis, model, speed), Doubt("hysteresis_held")),
    ]
    if axis.interpolation.bits is not None:
        stepped = squares["adc"] + squares["resolution"] > HELD_SHARE * total
        terms.append((stepped, Doubt("hysteresis_converter")))
    return terms


def _roughly_held(axis: Axis, model: Model, speed: np.ndarray) -> np.ndarray:
    """Where hysteresis keeps counts from toggling, but noise still moves the samples at which they change."""
    spread = model.noisy(speed, np.inf)
    sigma = spread * axis.interpolation.factor / np.sqrt(2.0)
    counts = speed / (axis.resolution * (model.clock or axis.sampling.rate))
    rough = sigma > SHARP
    if axis.estimator == Difference():
        # At most one count per sample: only the number of changes matters.
        rough = counts + REACH * sigma > 1.0
    return (model.held_still(speed, spread) == 1) & rough


def _timing_terms(axis: Axis, model: Model, speed: np.ndarray, squares: dict[str, np.ndarray]) -> list[Term]:
    """Limits of the linear theory of edges timed by a clock."""
    estimator, factor = axis.estimator, axis.interpolation.factor
    if not isinstance(estimator, TimedEdges) or not isinstance(model, LineModel) or factor is None:
        return []
    scattered = sum(squares.get(cause, 0.0) for cause in ("jitter", "noise", "adc"))
    by_cause = model.spread(speed, np.inf)
    edge = sum(by_cause.get(cause, 0.0) for cause in ("jitter", "noise")) + model.converter(speed)
    return [
        (speed < axis.resolution, Doubt("below_one_count")),
        (
            scattered > (MOST_TIME_JITTER * speed) ** 2,
            Doubt("jitter_of_time", percent=100.0 * MOST_TIME_JITTER),
        ),
        (
            np.sqrt(0.5 * edge) * factor > MOST_EDGE_JITTER,
            Doubt("jitter_of_edges", counts=MOST_EDGE_JITTER),
        ),
        (
            speed > axis.resolution * estimator.clock / LEAST_TICKS,
            Doubt("few_ticks", ticks=LEAST_TICKS),
        ),
    ]


def _converter_terms(
    axis: Axis,
    model: Model,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
) -> list[Term]:
    """Where jitter does not smooth the converter's steps, which the model takes as white noise."""
    how = axis.interpolation
    if how.bits is None or model.method != "step":
        return []
    step = 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude / TAU
    lag = speed / axis.sampling.rate / model.pitch
    jitter = np.hypot(axis.signal.jitter, speed * axis.sampling.jitter) / model.pitch
    rough = (np.hypot(jitter, axis.signal.noise / TAU) < 0.5 * step) & (
        squares["adc"] > CONVERTER_SHARE * total
    )
    return [(rough & (lag < 10.0 * step), Doubt("converter_steps"))]
