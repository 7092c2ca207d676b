"""A prediction checked by simulation from many start positions, as long as the statistics need.

The compiled simulator is loaded when it runs: explaining without it stays quick to start.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..open_loop.closed_form import lines
from .ripple_summary import CURVES

if TYPE_CHECKING:
    from ..model.axis import Axis


# Starts in groups that cover the signal period alike: the scatter of the group means tells the error of the mean.
GROUPS, STARTS = 4, 16
# Even starts average harmonics exactly. A shift by a small part of a period, in whole counts and by a ratio that is
# no simple fraction, puts them at different places within a count.
GOLDEN, WITHIN = 0.6180339887498949, 512.0
ACROSS = 5
# A mean has settled when its error is below this share; the tolerance of the comparison is five times that.
SETTLED, TOLERANCE = 0.01, 0.05
# Samples of the first try, most samples of all starts, and most where slow counts or harmonics need more.
FIRST, MOST, LONGEST = 4096, 1 << 23, 1 << 26
# Counts that each start must pass; periods of the lowest aliased frequency in a closed run, whose mean is removed.
COUNTS, PERIODS = 4.0, 5.0
# Harmonics below this share of the largest, or aliased below this share of the loop rate, need no longer run.
SMALL, STILL = 1e-2, 1e-9
# A ripple below this share of one signal period per sample is rounding.
ROUNDING = 1e-11


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Simulated:
    """Simulated rms of some curves.

    Attributes
    ----------
    values : dict of str to float or None
        By curve; None where no loop is closed.
    settled : bool
        Whether the runs were long enough for a comparison.
    problem : Doubt or None
        Why there is no simulation, or why it stopped.
    """

    values: dict[str, float | None]
    settled: bool
    problem: Doubt | None = None


def simulated(axis: Axis, speed: float, closed: bool, seed: int = 0) -> Simulated:
    """Ripple of an axis at a speed by simulation."""
    mean_squares = _closed_loop_squares if closed else _open_loop_squares
    needed = max(FIRST, _samples_for_counts(axis, speed), _samples_for_alias(axis, speed) if closed else 0.0)
    least = math.ceil(needed)
    length = min(least, LONGEST // (GROUPS * STARTS))
    most = max(length, MOST // (GROUPS * STARTS))
    while True:
        try:
            squares = mean_squares(axis, speed, length, seed)
        except checks.InputError as error:
            problem = Doubt("not_simulated", fault=checks.one_line(str(error.faults[0]), 200))
            return Simulated(values=dict.fromkeys(CURVES), settled=False, problem=problem)
        enough = length >= least and all(_error_of_mean(each) <= SETTLED for each in squares.values())
        if enough or length >= most or not all(np.isfinite(each).all() for each in squares.values()):
            return _result(squares, enough)
        length = min(4 * length, most)


def disagrees() -> Doubt:
    """The doubt where simulation and prediction differ."""
    return Doubt("simulation_disagrees", percent=100.0 * TOLERANCE)


def agreement(result: Simulated, predicted: Mapping[str, float | None], axis: Axis) -> bool | None:
    """Whether simulated and predicted values agree within 5 %; None where the simulation cannot tell."""
    if not result.settled:
        return None
    rounding = ROUNDING * axis.scale.pitch * axis.sampling.rate
    pairs = [(result.values[name], value) for name, value in predicted.items() if value is not None]
    # no ripple from any start although some is expected: the starts that have it were not among them
    if not any(value for value, _ in pairs) and any(expected > rounding for _, expected in pairs):
        return None
    return all(
        value is not None
        and math.isfinite(value)
        and abs(value - expected) <= TOLERANCE * expected + rounding
        for value, expected in pairs
    )


def _samples_for_counts(axis: Axis, speed: float) -> float:
    """Samples in which `COUNTS` counts pass."""
    return COUNTS * axis.resolution * axis.sampling.rate / abs(speed) if speed and axis.resolution else 0.0


def _samples_for_alias(axis: Axis, speed: float) -> float:
    """Samples of `PERIODS` periods of the lowest aliased frequency."""
    error, rate = lines(axis, speed), axis.sampling.rate
    large = (error.position > SMALL * error.position.max(initial=0.0)) & (error.alias > STILL * rate)
    return PERIODS * rate / float(error.alias[large].min()) if large.any() else 0.0


def _starts(axis: Axis) -> np.ndarray:
    """Start positions, group by group: even over a signal period, and over a revolution where there is a ring."""
    number, group = np.arange(GROUPS * STARTS), np.repeat(np.arange(GROUPS), STARTS) / GROUPS
    spread = (number % STARTS + group) / STARTS + _shift(axis) * (number * GOLDEN % 1.0)
    whole = np.zeros(number.size)
    if axis.ring is not None and axis.scale.lines is not None:
        # another order than within the period, so that the starts cover both evenly
        whole = np.rint((ACROSS * number % STARTS + group) / STARTS * axis.scale.lines)
    starts: np.ndarray = axis.scale.pitch * (whole + spread)
    return starts


def _shift(axis: Axis) -> float:
    """Largest shift of a start in signal periods: whole counts, at most the distance between two starts."""
    factor = axis.interpolation.factor
    return 1.0 / WITHIN if factor is None else min(max(round(factor / WITHIN), 1) / factor, 1.0 / STARTS)


def _open_loop_squares(axis: Axis, speed: float, length: int, seed: int) -> dict[str, np.ndarray]:
    """Mean square of the measured velocity from each start."""
    from ..time_domain import chain
    from ..time_domain.simulation import simulate

    # a run leaves out the samples that its estimator needs to settle
    samples = length + min(chain.forgets_after(axis), length)
    traces = (
        simulate(axis, speed, samples, (seed + i) % 2**64, start)
        for i, start in enumerate(_starts(axis).tolist())
    )
    return {"measured": np.array([trace.rms**2 for trace in traces])}


def _closed_loop_squares(axis: Axis, speed: float, length: int, seed: int) -> dict[str, np.ndarray]:
    """Mean squares of the three curves from each start."""
    from ..time_domain.closed_run import runs, settling

    samples = length + settling(axis, 2 * length)
    starts = _starts(axis)
    results = runs(axis, np.full(starts.size, speed), samples / axis.sampling.rate, seed, starts=starts)
    return {name: results.rms[name] ** 2 for name in CURVES}


def _error_of_mean(squares: np.ndarray) -> float:
    """Standard error of the root of the mean square, as a share of it."""
    groups = squares.reshape(GROUPS, STARTS).mean(axis=1)
    mean = float(groups.mean())
    return 0.5 * float(groups.std(ddof=1)) / math.sqrt(GROUPS) / mean if mean > 0.0 else 0.0


def _result(squares: dict[str, np.ndarray], settled: bool) -> Simulated:
    values = {name: float(np.sqrt(squares[name].mean())) if name in squares else None for name in CURVES}
    diverged = not all(math.isfinite(value) for value in values.values() if value is not None)
    problem = Doubt("runs_away") if diverged else None
    return Simulated(values=values, settled=settled or diverged, problem=problem)
