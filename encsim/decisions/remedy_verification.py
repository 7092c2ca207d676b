"""A prediction checked by simulation, as long as its statistics need, from starts spread over a signal period."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..open_loop.closed_form import lines
from ..time_domain import chain
from ..time_domain.closed_run import runs, settling
from ..time_domain.simulation import simulate
from .ripple_summary import CURVES

if TYPE_CHECKING:
    from ..model.axis import Axis


# Starts in groups that are spread alike: what they differ by is how far the mean may be off.
GROUPS, STARTS = 4, 16
# Evenly spread starts average lines exactly; a small part of a period more, whole counts of it, by a ratio that is no
# simple fraction, puts them at different places of a count.
GOLDEN, WITHIN = 0.6180339887498949, 512.0
ACROSS = 5
# A mean is settled when its groups differ by so little; then a twentieth is five times that.
SETTLED, TOLERANCE = 0.01, 0.05
# Samples of the first try, of all starts together, and of all where slow counts or lines are waited for.
FIRST, MOST, LONGEST = 4096, 1 << 23, 1 << 26
# Counts that a start must pass, and swings of the slowest line that a closed run must last, as its mean is taken off.
COUNTS, SWINGS = 4.0, 5.0
# Lines smaller than this share of the largest are not waited for, nor those seen below this share of the loop rate.
SMALL, STILL = 1e-2, 1e-9
# A ripple below this share of the speed of a period a sample is rounding.
ROUNDING = 1e-11


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Simulated:
    """Rms of some curves by simulation.

    Attributes
    ----------
    values : dict of str to float or None
        By curve; None where no loop is closed.
    settled : bool
        Whether the runs were long enough to judge.
    problem : Doubt or None
        Why there is no simulation, or what it ran into.
    """

    values: dict
    settled: bool
    problem: Doubt | None = None


def simulated(axis: Axis, speed: float, closed: bool, seed: int = 0) -> Simulated:
    """Ripple of an axis at a speed by simulation."""
    once = _closed if closed else _opened
    least = math.ceil(max(FIRST, _passing(axis, speed), _swinging(axis, speed) if closed else 0.0))
    length = min(least, LONGEST // (GROUPS * STARTS))
    most = max(length, MOST // (GROUPS * STARTS))
    while True:
        try:
            squares = once(axis, speed, length, seed)
        except checks.InputError as error:
            return Simulated(
                values=dict.fromkeys(CURVES),
                settled=False,
                problem=Doubt("not_simulated", fault=checks.one_line(str(error.faults[0]), 200)),
            )
        enough = length >= least and all(_spread(each) <= SETTLED for each in squares.values())
        if enough or length >= most or not all(np.isfinite(each).all() for each in squares.values()):
            return _result(squares, enough)
        length = min(4 * length, most)


def disagrees() -> Doubt:
    """The doubt where simulation and prediction differ."""
    return Doubt("simulation_disagrees", percent=100.0 * TOLERANCE)


def agreement(found: Simulated, predicted: dict[str, float | None], axis: Axis) -> bool:
    """Whether simulated values are the predicted ones within 5 %; None where that cannot be told."""
    nothing = ROUNDING * axis.scale.pitch * axis.sampling.rate
    pairs = [(found.values[name], value) for name, value in predicted.items() if value is not None]
    if not found.settled:
        return None
    # no ripple from any start, where some is expected on average: those starts that have it were not met
    if not any(value for value, _ in pairs) and any(wanted > nothing for _, wanted in pairs):
        return None
    return all(
        math.isfinite(value) and abs(value - wanted) <= TOLERANCE * wanted + nothing
        for value, wanted in pairs
    )


def _passing(axis: Axis, speed: float) -> float:
    """Samples in which some counts pass."""
    return COUNTS * axis.resolution * axis.sampling.rate / abs(speed) if speed and axis.resolution else 0.0


def _swinging(axis: Axis, speed: float) -> Any:
    """Samples in which the slowest line that the loop sees has swung some times."""
    found = lines(axis, speed)
    loud = (found.position > SMALL * found.position.max(initial=0.0)) & (
        found.alias > STILL * axis.sampling.rate
    )
    return SWINGS * axis.sampling.rate / found.alias[loud].min() if loud.any() else 0.0


def _starts(axis: Axis) -> np.ndarray:
    """Group by group, start positions: even over a signal period, and over a turn where there is a ring."""
    number, group = np.arange(GROUPS * STARTS), np.repeat(np.arange(GROUPS), STARTS) / GROUPS
    spread = (number % STARTS + group) / STARTS + _within(axis) * (number * GOLDEN % 1.0)
    turned = 0.0
    if axis.ring is not None:
        # another order than within the period, so that the two are spread as a square is
        turned = np.rint((ACROSS * number % STARTS + group) / STARTS * axis.scale.lines)
    return axis.scale.pitch * (turned + spread)


def _within(axis: Axis) -> float:
    """Part of a period over which a start is shifted: whole counts, or all between two starts if these are coarse."""
    factor = axis.interpolation.factor
    return 1.0 / WITHIN if factor is None else min(max(round(factor / WITHIN), 1) / factor, 1.0 / STARTS)


def _opened(axis: Axis, speed: float, length: int, seed: int) -> dict[str, np.ndarray]:
    """Mean square of the measured velocity from each start."""
    found = [
        simulate(axis, speed, length + _memory(axis, length), (seed + i) % 2**64, start).rms ** 2
        for i, start in enumerate(_starts(axis).tolist())
    ]
    return {"measured": np.array(found)}


def _memory(axis: Axis, length: int) -> int:
    """Samples to add for what a run leaves out at its start."""
    return min(chain.forgets_after(axis), length)


def _closed(axis: Axis, speed: float, length: int, seed: int) -> Any:
    """Mean squares of the three curves from each start."""
    samples = length + settling(axis, 2 * length)
    starts = _starts(axis)
    found = runs(axis, np.full(starts.size, speed), samples / axis.sampling.rate, seed, starts=starts)
    return {name: found.rms[name] ** 2 for name in CURVES}


def _spread(squares: np.ndarray) -> float:
    """How far the root of the mean of all may be off, as a share of it."""
    groups = squares.reshape(GROUPS, STARTS).mean(axis=1)
    mean = groups.mean()
    return 0.5 * groups.std(ddof=1) / math.sqrt(GROUPS) / mean if mean > 0.0 else 0.0


def _result(squares: dict[str, np.ndarray], settled: bool) -> Simulated:
    values = dict.fromkeys(CURVES) | {name: float(np.sqrt(each.mean())) for name, each in squares.items()}
    lost = not all(math.isfinite(value) for value in values.values() if value is not None)
    return Simulated(values=values, settled=settled or lost, problem=Doubt("runs_away") if lost else None)
