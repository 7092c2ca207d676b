"""Where the linear theory of a closed loop may not be believed, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .timed_edges import FEW_EDGES, FIXED_FROM

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .error_lines import ErrorLines


# Crossovers that the frequency of the counts must be above for their steps to be a disturbance.
CROSSOVERS = 20.0
# From this rms on, in counts, noise makes one smooth position of the steps.
DITHERED = 0.5
# Share of a mean square that may come from steps times the phase, rad, by which the loop moves them.
FOLLOWED = 0.1
# Share of the speed that the true velocity may swing by the age of readings: so much less or more age shows.
SWUNG = 0.03
# Share by which the true speed may swing while edges are timed.
SWUNG_EDGES = 0.1
# Share of a mean square that may come from lines whose place and phase are known to first order only.
STRAY = 0.05
# Peaks over rms that friction and torque limit are judged by.
PEAKS = 3.0


def find(
    axis: Axis, errors: ErrorLines, passed: Outcome, signed: np.ndarray, squares: dict[str, np.ndarray]
) -> tuple[Any, ...]:
    """Speeds at which the prediction may not be believed, and the reasons that apply."""
    total = sum(squares.values(), np.zeros_like(passed.followed))
    found = [
        (~passed.stable, "the loop is unstable: it swings ever more"),
        (passed.steep, "the error is so steep that the loop, following it, bends it: simulate"),
        *_step_doubts(axis, errors, passed.crossover, total, passed.followed),
        *_edge_doubts(axis, signed, passed, total),
        *_friction_doubts(axis, signed, total),
        *_age_doubts(signed, squares),
    ]
    reasons = tuple(reason for mask, reason in found if np.any(mask))
    return np.logical_or.reduce([np.broadcast_to(mask, signed.shape) for mask, _ in found]), reasons


@dataclass(frozen=True, eq=False, slots=True)
class Outcome:
    """What loops make of the errors at some speeds, beside mean squares.

    Attributes
    ----------
    stable : ndarray of bool, shape (n,)
    crossover : ndarray, shape (n,)
        Highest frequency at which the loop gain is 1, Hz.
    followed : ndarray, shape (n, curves)
        Mean squares of the steps that the loop follows.
    steep : ndarray of bool, shape (n,)
        Where the loop, following the error, moves along it too far.
    ticked, beside : ndarray, shape (n, curves)
        Mean squares of the timing clock's ticks that come as lines, and of lines that a hold from edge to edge
        makes; 0 where no edges are timed.
    """

    stable: np.ndarray
    crossover: np.ndarray
    followed: np.ndarray
    steep: np.ndarray
    ticked: np.ndarray
    beside: np.ndarray


def _edge_doubts(
    axis: Axis, signed: np.ndarray, passed: Outcome, total: np.ndarray
) -> list[tuple[np.ndarray, str]]:
    """Timed edges that are no fixed filter: too few of them, even ticks of the clock, or a speed that swings."""
    if axis.estimator.linear:
        return []
    speed = np.abs(signed)
    with np.errstate(invalid="ignore"):
        few = speed < FIXED_FROM * passed.crossover * axis.resolution
        even, held = ((part > STRAY * total).any(axis=-1) for part in (passed.ticked, passed.beside))
        swung = np.sqrt(total[:, 2]) > SWUNG_EDGES * speed
    return [
        (few, FEW_EDGES),
        (even, "ticks of the timing clock not smoothed by jitter fold to anywhere: simulate"),
        (held, "an error, held from edge to edge, is folded into the bandwidth: simulate"),
        (swung, "the speed swings so much that the edges come unevenly: simulate"),
    ]


def _step_doubts(
    axis: Axis, errors: ErrorLines, crossover: np.ndarray, total: np.ndarray, followed: np.ndarray
) -> list[tuple[np.ndarray, str]]:
    """Steps of counts and converter that the loop follows one by one, and hysteresis."""
    how, model = axis.interpolation, errors.model
    found = []
    with np.errstate(divide="ignore", invalid="ignore"):
        strong = (followed > FOLLOWED * total).any(axis=-1)
    found.append((strong, "a strong line of the counts is folded into the bandwidth: the loop follows steps"))
    scatter = np.sqrt(errors.variance + errors.converter) * axis.scale.pitch
    for name, step in (("counts", axis.resolution), ("converter", _converter_step(axis))):
        if step:
            slow = (errors.speed < CROSSOVERS * crossover * step) & (scatter < DITHERED * step)
            what = f"the frequency of the {name} is below {CROSSOVERS:g} crossovers: the loop follows steps"
            found.append((slow, what))
    if how.hysteresis > 0.0:
        spread = model.noisy(errors.speed, np.inf)
        held = model.held_still(errors.speed, spread) != 0
        found.append((held, "hysteresis in a closed loop has no linear answer at this speed"))
    return found


def _converter_step(axis: Axis) -> float:
    """Position of one step of the converter, m or rad; 0 without one."""
    how = axis.interpolation
    if how.bits is None:
        return 0.0
    return axis.scale.pitch / (2.0 * np.pi) * 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude


def _friction_doubts(axis: Axis, signed: np.ndarray, total: np.ndarray) -> list[tuple[np.ndarray, str]]:
    """Friction that changes its sign, torque at its limit, cogging."""
    load, limit = axis.load, axis.control.torque_limit
    speed = np.abs(signed)
    torque, actual = (PEAKS * np.sqrt(total[:, curve]) for curve in (1, 2))
    found = []
    excess = load.stribeck * np.exp(-np.minimum((speed / (load.stribeck_speed or 1.0)) ** 2, 700.0))
    if load.coulomb > 0.0 or load.stribeck > 0.0:
        found.append((actual >= speed, "friction changes its sign with the ripple: simulate"))
    if limit is not None:
        steady = np.sign(signed) * (load.coulomb + excess + load.viscous * speed) - load.force
        reached = np.abs(steady) + torque > limit
        found.append((reached, "the torque comes within 3 rms of its limit: simulate"))
    if load.cogging:
        found.append((True, "cogging shakes the axis too and is not in these values: simulate"))
    return found


def _age_doubts(signed: np.ndarray, squares: dict[str, np.ndarray]) -> list[Any]:
    """Age of the readings that shakes the axis so much that it is another age."""
    if "age" not in squares:
        return []
    swung = np.sqrt(squares["age"][:, 2]) > SWUNG * np.abs(signed)
    return [(swung, "the age of the readings shakes the axis, which changes what the age does: simulate")]
