"""Where a prediction of ripple is not reliable, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..doubts import Doubt
from ..model.edge_timing import TimedEdges
from ..model.estimators import Difference
from ..model.recursive_estimators import Kalman
from .cause_models import TAU, counted, resolved
from .limits import top_speed
from .line_model import MOST_READINGS, LineModel

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .cause_models import Model


# Noise that would make less than this share of the mean square changes the ripple of counts held by hysteresis by less
# than 2 %. With a first difference counts per sample and REACH times the rms may add up to 1. Noise of FAR times the
# hysteresis does not see it. All by simulation, as the limits below.
SHARP, REACH, FAR = 0.01, 3.0, 16.0
# Rms, counts; from 0.3 counts on the random part of the prediction is more than 4 % too high.
MOST_EDGE_JITTER = 0.2
# Largest jitter over the time between edges for the linear theory of timed edges; least clock ticks in that time, of
# single counts and where several are taken.
MOST_TIME_JITTER, LEAST_TICKS, LEAST_TICKS_WITHIN = 0.1, 1.5, 4
# Largest channel noise over the amplitude for the linear theory.
SMALL_NOISE = 0.1
# A part that is approximated makes less than 2 % of the rms where it is below this share of the mean square; ticks of
# the clock are approximated better.
SMALL_SHARE, SMALL_TICKS = 0.04, 0.08
# Least channel noise, converter steps, that toggles them. Of averaged readings: share of the mean square, over the root
# of the number of converter lines that an estimator passes, from which they are no white noise; steps of both channels
# in a period over codes, and time constants in an estimator's memory (decay to 1e-16).
SMALLEST, FEW_LINES, LINES, FADED = 0.05, 0.1, 4.0, 36.8
# Way that the expected acceleration moves in a sample, over the expected noise, from which the slowest pole of a Kalman
# filter lies below -0.5; noise, over that way, with which none does.
RINGING, LEAST_NOISE = 12.0, 0.25


Term = tuple[bool | np.bool_ | np.ndarray, Doubt]


def find(
    axis: Axis,
    model: Model,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
    *,
    held: bool = True,
) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Speeds at which the prediction is not reliable, and the reasons that apply; ``held``: of hysteresis too."""
    return joined(
        speed.shape,
        [
            _limit_term(axis, speed),
            (not model.sound, Doubt("no_circle")),
            *(_hysteresis_terms(axis, model, speed, squares, total) if held else ()),
            *_converter_terms(axis, model, speed, squares, total),
            *_timing_terms(axis, model, speed, squares, total),
            (getattr(model, "unresolved", False), Doubt("counts_unresolved")),
            (
                axis.signal.noise > SMALL_NOISE * axis.signal.amplitude,
                Doubt("noise_not_small", share=SMALL_NOISE),
            ),
        ],
    )


def remarks(
    axis: Axis, speed: np.ndarray, squares: dict[str, np.ndarray], doubtful: np.ndarray
) -> tuple[Doubt, ...]:
    """One note for the whole curve about approximations with a small error, at speeds that are not marked."""
    known, how, nothing = ~doubtful & (speed > 0.0), axis.interpolation, np.zeros_like(speed)
    random = sum((squares.get(cause, nothing) for cause in ("jitter", "noise")), nothing)
    approximate = {
        "converter steps taken as white noise": not axis.estimator.linear
        and how.bits is not None
        and (squares.get("adc", nothing) > 0.0),
        "jitter of timed edges to first order": not axis.estimator.linear and (random > 0.0),
        "hysteresis without noise": how.hysteresis > 0.0 and (random > 0.0),
    }
    which = [words for words, where in approximate.items() if (known & where).any()]
    return ((Doubt("small_error", which=", ".join(which)),) if which else ()) + ringing(axis)


def ringing(axis: Axis) -> tuple[Doubt, ...]:
    """A note where a Kalman filter expects so little noise that it rings at half the loop rate."""
    if not isinstance(axis.estimator, Kalman):
        return ()
    estimator = axis.estimator.resolved(axis.signal.jitter, axis.resolution)
    way = estimator.acceleration / axis.sampling.rate**2
    if way < RINGING * (estimator.noise or 0.0):
        return ()
    return (Doubt("estimator_rings", least=LEAST_NOISE * way, unit=axis.scale.unit),)


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


def _hysteresis_terms(
    axis: Axis,
    model: Model,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
) -> list[Term]:
    if axis.interpolation.hysteresis == 0.0:
        return []
    spread = model.noisy(speed, np.inf)
    stepped = _share(squares, total, "resolution", "adc")
    moved = stepped + _share(squares, total, "jitter", "noise", "clock")
    near = spread * axis.interpolation.factor / np.sqrt(2.0) < FAR * axis.interpolation.hysteresis
    unknown = (model.held_still(speed, spread) == -1) & near
    return [
        (unknown & (moved > SMALL_SHARE), Doubt("hysteresis_in_noise")),
        (_roughly_held(axis, model, speed, total) & (stepped > SMALL_SHARE), Doubt("hysteresis_held")),
    ]


def _share(squares: dict[str, np.ndarray], total: np.ndarray, *names: str) -> np.ndarray:
    """Share of some causes in the mean square."""
    some = sum((squares[cause] for cause in names if cause in squares), np.zeros_like(total))
    known = np.isfinite(total) & (total > 0.0)
    return np.divide(some, total, out=np.zeros_like(total), where=known)


def _roughly_held(axis: Axis, model: Model, speed: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Where hysteresis keeps counts from toggling, but noise still moves the samples at which they change."""
    spread = model.noisy(speed, np.inf)
    sigma = spread * axis.interpolation.factor / np.sqrt(2.0)
    counts = speed / (axis.resolution * (model.clock or axis.sampling.rate))
    rough = 0.5 * (spread * model.pitch) ** 2 * model.white_gain(speed) > SHARP * total
    if axis.estimator == Difference():
        # At most one count per sample: only the number of changes matters.
        rough = counts + REACH * sigma > 1.0
    return (model.held_still(speed, spread) == 1) & rough


def _timing_terms(
    axis: Axis, model: Model, speed: np.ndarray, squares: dict[str, np.ndarray], total: np.ndarray
) -> list[Term]:
    """Limits of the linear theory of edges timed by a clock."""
    estimator, factor = axis.estimator, axis.interpolation.factor
    if not isinstance(estimator, TimedEdges) or not isinstance(model, LineModel) or factor is None:
        return []
    random = ("jitter", "noise", "adc")
    scattered = sum(squares.get(cause, 0.0) for cause in random)
    by_cause = model.spread(speed, np.inf)
    edge = sum(by_cause.get(cause, 0.0) for cause in ("jitter", "noise")) + model.converter(speed)
    several = estimator.reach * speed > axis.resolution
    ticks = axis.resolution * estimator.clock / np.maximum(speed, axis.resolution)
    few = np.where(several, LEAST_TICKS_WITHIN, LEAST_TICKS)
    return [
        (speed < axis.resolution, Doubt("below_one_count")),
        (
            scattered > (MOST_TIME_JITTER * speed) ** 2,
            Doubt("jitter_of_time", percent=100.0 * MOST_TIME_JITTER),
        ),
        (
            (np.sqrt(0.5 * edge) * factor > MOST_EDGE_JITTER)
            & (_share(squares, total, *random) > SMALL_SHARE),
            Doubt("jitter_of_edges", counts=MOST_EDGE_JITTER),
        ),
        (
            (ticks < few) & (~several | (_share(squares, total, "resolution") > SMALL_TICKS)),
            Doubt("few_ticks", ticks=float(few.max(initial=LEAST_TICKS))),
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
    if how.bits is None:
        return []
    step = 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude / TAU
    lag, share = speed / axis.sampling.rate / model.pitch, _share(squares, total, "adc")
    if not isinstance(model, LineModel):
        within = SMALLEST * step < axis.signal.noise / axis.signal.amplitude / TAU < 0.5 * step
        stepped = share + _share(squares, total, "resolution")
        return [(within & (lag < step) & (stepped > SMALL_SHARE), Doubt("noise_in_step"))]
    jitter = np.hypot(axis.signal.jitter, speed * axis.sampling.jitter) / model.pitch
    rough = np.hypot(jitter, axis.signal.noise / TAU) < 0.5 * step
    matters = (share > SMALL_SHARE) | _toggled(axis, model, speed, squares, total)
    alike = matters & (lag < 10.0 * step * axis.sampling.average)
    if axis.sampling.average > MOST_READINGS:
        alike = alike | (share > FEW_LINES * _lines_passed(axis))
    return [(rough & alike, Doubt("converter_steps"))]


def _lines_passed(axis: Axis) -> float:
    """Root of the number of the converter's lines that make the velocity."""
    remembered = resolved(axis).memory(axis.sampling.rate) / FADED if axis.estimator.linear else 1.0
    return float(np.sqrt(LINES * 2.0 ** (axis.interpolation.bits or 0) / max(remembered, 1.0)))


def _toggled(
    axis: Axis, model: LineModel, speed: np.ndarray, squares: dict[str, np.ndarray], total: np.ndarray
) -> np.ndarray:
    """Where counts change more often by the converter as white noise than without it."""
    factor = axis.interpolation.factor
    if factor is None or not axis.estimator.linear:
        return np.zeros(speed.shape, dtype=bool)
    lag, quiet = speed / axis.sampling.rate / model.pitch, model.noisy(speed, np.inf)
    with_it = counted(factor, lag, np.hypot(quiet, np.sqrt(model.converter(speed))))
    changed = np.abs(counted(factor, lag, quiet) - with_it) * _share(squares, total, "resolution")
    return np.asarray(changed > SMALL_SHARE * with_it)
