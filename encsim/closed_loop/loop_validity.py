"""Where the linear theory of a closed loop is not reliable, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..doubts import Doubt
from ..model.edge_timing import TimedEdges
from ..open_loop.closed_form import aliased
from ..open_loop.validity import FAR, joined, ringing
from . import loop as loops
from .squared_gains import abs_squared, depends_on_speed
from .state_space import CURVES
from .timed_edges import FIXED_FROM

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.load_and_control import Load
    from ..open_loop.validity import Term
    from .error_lines import ErrorLines
    from .loop import Loop


# Converter steps that count as white noise must be passed at more than so many crossovers to be a disturbance; from
# this rms on, in steps, noise makes one smooth position of them.
CROSSOVERS = 20.0
DITHERED = 0.5
# Shares of the mean squares of measured velocity, torque, actual velocity and position that may be wrong because the
# axis follows steps. Up to them the rms of 1000 random pairs is off by less than 5 %, by simulation. Without noise, rms
# in steps, less of them may be wrong.
TRACKED, NOISELESS, LESS = np.array([0.045, 0.045, 0.045, 0.06]), 0.01, 0.75
# Ripple of the actual velocity by asynchronous sampling, over the speed, from which it changes the delay noticeably.
SWUNG = 0.03
# Ripple of the actual velocity over the speed up to which timed edges come evenly enough.
SWUNG_EDGES = 0.1
# Shares of a mean square that may come from lines whose place and phase are known to first order only: 5 % of the rms
# where they are wholly wrong. Ticks of the clock never are, in 300 random pairs.
STRAY, STRAY_TICKS = 0.1, 0.3
# Shares of the mean squares that images by the hold may add where they meet lines of the counts in phase: of the
# position, where slow beats are all that counts, less. Rms of edges, counts, from which the order of edges and samples
# changes the slow ripple. Share of the mean square by the converter, over the root of the number of its lines that the
# loop passes, from which these are no white noise. By simulation of 1000 pairs that time edges.
HELD, ORDERED, FEW_LINES = np.array([STRAY, STRAY, STRAY, 0.024]), 0.08, 0.1
# Counts in a window and in a sample up to which samples share edges so unevenly that noise is 5 to 40 % off.
PER_WINDOW, PER_SAMPLE = 4.5, 3.0
# Counts per sample, in rms of the noise, from which noise hardly turns back what hysteresis holds: 5 % by simulation.
AHEAD = 2.5
# Peaks over rms that friction and torque limit are judged by.
PEAKS = 3.0
# Error of an rms from which a speed is marked.
LARGEST_ERROR = 0.05
# Loops that depend on the speed are computed at so many speeds, to judge the others by the nearest.
NODES = 24


def find(
    axis: Axis, errors: ErrorLines, outcome: Outcome, signed: np.ndarray, squares: dict[str, np.ndarray]
) -> tuple[np.ndarray, tuple[Doubt, ...], tuple[str, ...]]:
    """Speeds at which the prediction is not reliable, the reasons that apply, and notes on all of it."""
    total = sum(squares.values(), np.zeros_like(outcome.tracked))
    cogging, notes = _cogging_terms(axis, signed, total)
    doubtful, reasons = joined(
        signed.shape,
        [
            (~outcome.stable, Doubt("unstable")),
            (outcome.steep, Doubt("steep_error")),
            *_step_terms(axis, errors, outcome, squares),
            *_hysteresis_terms(axis, errors, total),
            *_edge_terms(axis, errors, outcome, squares),
            *_friction_terms(axis, signed, total),
            *_age_terms(signed, squares),
            *cogging,
        ],
    )
    return doubtful, reasons, notes + ringing(axis)


def judged(axis: Axis, squares: dict[str, np.ndarray], total: np.ndarray) -> dict[str, np.ndarray]:
    """Mean squares of the measured velocity by cause; of timed edges as large a share as in any curve."""
    if axis.estimator.linear:
        return {cause: square[:, 0] for cause, square in squares.items()}
    # jitter of edges may be little of the measured velocity and much of the motion
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = {cause: np.nan_to_num(square / total).max(axis=-1) for cause, square in squares.items()}
        return {cause: np.nan_to_num(share * total[:, 0]) for cause, share in shares.items()}


@dataclass(frozen=True, eq=False, slots=True)
class Outcome:
    """Stability of the loops at some speeds, and contributions that limit the linear theory.

    Attributes
    ----------
    stable : ndarray of bool, shape (n,)
    crossover : ndarray, shape (n,)
        Highest frequency at which the loop gain is 1, Hz.
    tracked : ndarray, shape (n, curves)
        Parts of the mean squares that change because the loop tracks quantisation steps one by one.
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


def _edge_terms(
    axis: Axis, errors: ErrorLines, outcome: Outcome, squares: dict[str, np.ndarray]
) -> list[Term]:
    """Timed edges that are no fixed filter: too few of them, even ticks of the clock, or a speed that swings."""
    if not isinstance(axis.estimator, TimedEdges):
        return []
    speed, total = errors.speed, sum(squares.values(), np.zeros_like(outcome.tracked))
    with np.errstate(invalid="ignore"):
        few = speed < FIXED_FROM * outcome.crossover * axis.resolution
        even = (outcome.clock_ticks > STRAY_TICKS * total).any(axis=-1)
        beside = 2.0 * np.sqrt(outcome.hold_images * squares["resolution"])
        held = ((outcome.hold_images > STRAY * total) | (beside > HELD * total)).any(axis=-1)
        swung = np.sqrt(total[:, 2]) > SWUNG_EDGES * speed
        random = sum(squares[cause] for cause in ("jitter", "noise") if cause in squares) + 0.0 * total
        late = (np.sqrt(errors.variance) * errors.steps > ORDERED) & (random > STRAY * total).any(axis=-1)
        several = axis.estimator.reach * speed / axis.resolution
        near = speed < PER_SAMPLE * axis.resolution * axis.sampling.rate
        shared = near & (several > 1.0) & (several < PER_WINDOW)
        shared &= (random > STRAY * total).any(axis=-1)
    return [
        (late, Doubt("jitter_of_edges", counts=ORDERED)),
        (shared, Doubt("shared_edges")),
        (few, Doubt("few_edges", edges=FIXED_FROM)),
        (even, Doubt("even_ticks")),
        (held, Doubt("held_error")),
        (swung, Doubt("uneven_edges")),
    ]


def _step_terms(
    axis: Axis, errors: ErrorLines, outcome: Outcome, squares: dict[str, np.ndarray]
) -> list[Term]:
    """Limit cycles on steps of counts and converter, and converter steps that are no white noise."""
    crossover, tracked = outcome.crossover, outcome.tracked
    total = sum(squares.values(), np.zeros_like(tracked))
    noise = np.sqrt(errors.variance + errors.converter) * errors.steps
    most = np.multiply.outer(np.where(noise < NOISELESS, LESS, 1.0), TRACKED)
    with np.errstate(divide="ignore", invalid="ignore"):
        strong = (tracked > most * total).any(axis=-1)
    terms: list[Term] = [(strong, Doubt("limit_cycle"))]
    step = 0.0 if errors.tabulated else _converter_step(axis)
    if step:
        scatter = np.sqrt(errors.variance + errors.converter) * axis.scale.pitch
        slow = (errors.speed < CROSSOVERS * crossover * step) & (scatter < DITHERED * step)
        terms.append((slow, Doubt("slow_converter", crossovers=CROSSOVERS)))
        # of the lines of both channels' steps the loop passes those up to the crossover
        passed = 4.0 * 2.0 ** (axis.interpolation.bits or 0) * 2.0 * crossover / axis.sampling.rate
        with np.errstate(invalid="ignore"):
            few = (squares["adc"] > (FEW_LINES * np.sqrt(passed))[:, None] * total).any(axis=-1)
        quiet = np.sqrt(errors.variance) * axis.scale.pitch < DITHERED * step
        terms.append((few & quiet, Doubt("converter_steps")))
    return terms


def _hysteresis_terms(axis: Axis, errors: ErrorLines, total: np.ndarray) -> list[Term]:
    """Hysteresis where noise or the ripple itself turns the motion back; else it is a constant shift."""
    how, speed = axis.interpolation, errors.speed
    if how.factor is None or how.hysteresis == 0.0:
        return []
    noise = errors.model.noisy(speed, np.inf) * how.factor / np.sqrt(2.0)
    counts = speed / (axis.resolution * (errors.model.clock or axis.sampling.rate))
    back = (counts < AHEAD * noise) & (noise < FAR * how.hysteresis)
    with np.errstate(invalid="ignore"):
        back |= PEAKS * np.sqrt(total[:, 2]) > speed
    return [(back, Doubt("hysteresis_in_loop"))]


def _converter_step(axis: Axis) -> float:
    """Position of one step of the converter, m or rad; 0 without one."""
    how = axis.interpolation
    if how.bits is None:
        return 0.0
    return axis.scale.pitch / (2.0 * np.pi) * 2.0 * how.span / 2.0**how.bits / axis.signal.amplitude


def _friction_terms(axis: Axis, signed: np.ndarray, total: np.ndarray) -> list[Term]:
    """Friction that changes its sign, torque at its limit."""
    load, control = loops.closed(axis)
    limit, speed = control.torque_limit, np.abs(signed)
    torque, actual = (PEAKS * np.sqrt(total[:, curve]) for curve in (1, 2))
    terms: list[Term] = []
    if load.coulomb > 0.0 or load.stribeck > 0.0:
        terms.append((actual >= speed, Doubt("friction_reverses")))
    if limit is not None:
        terms.append(
            (np.abs(steady_torque(load, signed)) + torque > limit, Doubt("torque_near_limit", peaks=PEAKS))
        )
    return terms


def steady_torque(load: Load, signed: np.ndarray) -> np.ndarray:
    """Torque that steady motion takes, against friction and the constant force."""
    speed = np.abs(signed)
    excess = load.stribeck * np.exp(-np.minimum((speed / (load.stribeck_speed or 1.0)) ** 2, 700.0))
    return np.sign(signed) * (load.coulomb + excess + load.viscous * speed) - load.force


def _cogging_terms(axis: Axis, signed: np.ndarray, total: np.ndarray) -> tuple[list[Term], tuple[str, ...]]:
    """Cogging, which the values leave out: where it matters, and a note where it does not."""
    if not loops.closed(axis).load.cogging:
        return [], ()
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num(cogging_squares(axis, np.abs(signed)) / total, posinf=np.inf)
    excess = np.sqrt(1.0 + share.max(axis=-1)) - 1.0
    wrong = excess > LARGEST_ERROR
    small = (
        f"cogging is not in these values; it adds less than {100.0 * excess[~wrong].max(initial=0.0):.2g} %"
    )
    where = " at the speeds that are not marked" if wrong.any() else ""
    return [(wrong, Doubt("cogging", percent=100.0 * LARGEST_ERROR))], () if wrong.all() else (small + where,)


def cogging_squares(axis: Axis, speed: np.ndarray) -> np.ndarray:
    """Mean squares of the curves by cogging in the linear loop, shape (speeds, curves)."""
    load = loops.closed(axis).load
    orders, sizes = np.array(list(load.cogging)), np.array([size for size, _ in load.cogging.values()])
    turn = 1.0 if axis.scale.unit == "m" else 0.5 / np.pi
    squares = np.zeros((speed.size, len(CURVES)))
    for loop, there in _loops_near(axis, speed):
        frequency = turn * np.multiply.outer(speed[there], orders)
        squares[there] = 0.5 * np.einsum("k,skc->sc", sizes**2, _disturbed(loop, frequency))
    return squares


def _loops_near(axis: Axis, speed: np.ndarray) -> list[tuple[Loop, np.ndarray]]:
    """Loops with the places of the speeds that they stand for."""
    # below one count per second edges make no loop
    least = 0.0 if axis.estimator.linear else axis.resolution
    known = np.unique(np.maximum(speed, least))
    if axis.estimator.linear and not depends_on_speed(axis):
        known = known[-1:]
    nodes = known[np.unique(np.linspace(0, known.size - 1, min(NODES, known.size)).astype(int))]
    near = np.abs(np.maximum(speed, least)[:, None] - nodes).argmin(axis=1)
    return [(loops.build(axis, float(node)), np.flatnonzero(near == n)) for n, node in enumerate(nodes)]


def _disturbed(loop: Loop, frequency: np.ndarray) -> np.ndarray:
    """Squared gains of the curves from a torque on the motor, behind current loop and delay."""
    frequency = aliased(frequency, loop.rate)
    response, terms = loop.response(frequency), loop.plant.transfer.fractions(frequency / loop.rate)
    lag = loop.control.current_bandwidth
    ahead = 1.0 if lag is None else 1.0 + (frequency / lag) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = [part / terms.denominator for part in (terms.measured, terms.velocity, terms.position)]
        gains = [response.measured * moved[0], response.torque * moved[0]]
        gains += [response.sensitivity * part for part in moved[1:]]
        square = np.stack([abs_squared(gain) * ahead for gain in gains], axis=-1)
    # a torque that does not change makes no ripple
    return np.where(frequency[..., None] > 0.0, np.nan_to_num(square, posinf=0.0), 0.0)


def _age_terms(signed: np.ndarray, squares: dict[str, np.ndarray]) -> list[Term]:
    """Asynchronous sampling that moves the axis so much that it changes the delay of the readings."""
    if "age" not in squares:
        return []
    swung = np.sqrt(squares["age"][:, 2]) > SWUNG * np.abs(signed)
    return [(swung, Doubt("age_swings"))]
