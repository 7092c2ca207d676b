"""Where the linear theory of a closed loop is not reliable, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..doubts import Doubt
from ..open_loop.validity import joined
from . import loop as loops
from .timed_edges import FIXED_FROM

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..open_loop.validity import Term
    from .error_lines import ErrorLines


# The frequency of the counts must be above so many crossovers for their steps to be a disturbance.
CROSSOVERS = 20.0
# From this rms on, in counts, noise makes one smooth position of the steps.
DITHERED = 0.5
# Share of a mean square that may come from steps, each times the phase, rad, by which the loop shifts it.
TRACKED = 0.1
# Ripple of the actual velocity by asynchronous sampling, over the speed, from which it changes the delay noticeably.
SWUNG = 0.03
# Ripple of the actual velocity over the speed up to which timed edges come evenly enough.
SWUNG_EDGES = 0.1
# Share of a mean square that may come from lines whose place and phase are known to first order only.
STRAY = 0.05
# Peaks over rms that friction and torque limit are judged by.
PEAKS = 3.0


def find(
    axis: Axis, errors: ErrorLines, outcome: Outcome, signed: np.ndarray, squares: dict[str, np.ndarray]
) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Speeds at which the prediction is not reliable, and the reasons that apply."""
    total = sum(squares.values(), np.zeros_like(outcome.tracked))
    return joined(
        signed.shape,
        [
            (~outcome.stable, Doubt("unstable")),
            (outcome.steep, Doubt("steep_error")),
            *_step_terms(axis, errors, outcome.crossover, total, outcome.tracked),
            *_edge_terms(axis, signed, outcome, total),
            *_friction_terms(axis, signed, total),
            *_age_terms(signed, squares),
        ],
    )


@dataclass(frozen=True, eq=False, slots=True)
class Outcome:
    """Stability of the loops at some speeds, and contributions that limit the linear theory.

    Attributes
    ----------
    stable : ndarray of bool, shape (n,)
    crossover : ndarray, shape (n,)
        Highest frequency at which the loop gain is 1, Hz.
    tracked : ndarray, shape (n, curves)
        Mean squares of the quantisation steps that the loop tracks one by one.
    steep : ndarray of bool, shape (n,)
        Where the loop moves the axis too far along the smooth error.
    clock_ticks, hold_images : ndarray, shape (n, curves)
        Mean squares of the lines by ticks of the timing clock, and of the images by the hold from edge to edge; 0
        without timed edges.
    """

    stable: np.ndarray
    crossover: np.ndarray
    tracked: np.ndarray
    steep: np.ndarray
    clock_ticks: np.ndarray
    hold_images: np.ndarray


def _edge_terms(axis: Axis, signed: np.ndarray, outcome: Outcome, total: np.ndarray) -> list[Term]:
    """Timed edges that are no fixed filter: too few of them, even ticks of the clock, or a speed that swings."""
    if axis.estimator.linear:
        return []
    speed = np.abs(signed)
    with np.errstate(invalid="ignore"):
        few = speed < FIXED_FROM * outcome.crossover * axis.resolution
        even, held = (
            (part > STRAY * total).any(axis=-1) for part in (outcome.clock_ticks, outcome.hold_images)
        )
        swung = np.sqrt(total[:, 2]) > SWUNG_EDGES * speed
    return [
        (few, Doubt("few_edges", edges=FIXED_FROM)),
        (even, Doubt("even_ticks")),
        (held, Doubt("held_error")),
        (swung, Doubt("uneven_edges")),
    ]


def _step_terms(
    axis: Axis, errors: ErrorLines, crossover: np.ndarray, total: np.ndarray, tracked: np.ndarray
) -> list[Term]:
    """Limit cycles on steps of counts and converter, and hysteresis."""
    how, model = axis.interpolation, errors.model
    with np.errstate(divide="ignore", invalid="ignore"):
        strong = (tracked > TRACKED * total).any(axis=-1)
    terms: list[Term] = [(strong, Doubt("counts_aliased"))]
    scatter = np.sqrt(errors.variance + errors.converter) * axis.scale.pitch
    for code, step in (("slow_counts", axis.resolution), ("slow_converter", _converter_step(axis))):
        if step:
            slow = (errors.speed < CROSSOVERS * crossover * step) & (scatter < DITHERED * step)
            terms.append((slow, Doubt(code, crossovers=CROSSOVERS)))
    if how.hysteresis > 0.0:
        spread = model.noisy(errors.speed, np.inf)
        terms.append((model.held_still(errors.speed, spread) != 0, Doubt("hysteresis_in_loop")))
    return terms


def _converter_step(axis: Axis) -> float:
    """Position of one step of the converter, m or rad; 0 without one."""
    how = axis.interpolation
    if how.bits is None:
        return 0.0
    return axis.scale.pitch / (2.0 * np.pi) * 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude


def _friction_terms(axis: Axis, signed: np.ndarray, total: np.ndarray) -> list[Term]:
    """Friction that changes its sign, torque at its limit, cogging."""
    load, control = loops.closed(axis)
    limit, speed = control.torque_limit, np.abs(signed)
    torque, actual = (PEAKS * np.sqrt(total[:, curve]) for curve in (1, 2))
    terms: list[Term] = []
    excess = load.stribeck * np.exp(-np.minimum((speed / (load.stribeck_speed or 1.0)) ** 2, 700.0))
    if load.coulomb > 0.0 or load.stribeck > 0.0:
        terms.append((actual >= speed, Doubt("friction_reverses")))
    if limit is not None:
        steady = np.sign(signed) * (load.coulomb + excess + load.viscous * speed) - load.force
        terms.append((np.abs(steady) + torque > limit, Doubt("torque_near_limit", peaks=PEAKS)))
    if load.cogging:
        terms.append((True, Doubt("cogging")))
    return terms


def _age_terms(signed: np.ndarray, squares: dict[str, np.ndarray]) -> list[Term]:
    """Asynchronous sampling that moves the axis so much that it changes the delay of the readings."""
    if "age" not in squares:
        return []
    swung = np.sqrt(squares["age"][:, 2]) > SWUNG * np.abs(signed)
    return [(swung, Doubt("age_swings"))]
