"""Accuracy and repeatability of positioning from runs to target positions in both directions.

Definitions of ISO 230-2:2014 (from memory), with coverage factor 2; the edition of 1988 used 3.
"""

from dataclasses import dataclass

import numpy as np

from . import _checks, _ring_checks, turned_steps
from ._results import Series

EDITION = "ISO 230-2:2014"
# What that edition asks for a full test, from memory: runs in each direction, and targets.
RUNS, TARGETS = 5, 5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Positioning(Series):
    """Figures of positioning.

    Attributes
    ----------
    target : ndarray, shape (m,)
        Target positions, m or rad.
    forward, backward : ndarray, shape (m,)
        Mean unidirectional positional deviation of each target.
    forward_deviation, backward_deviation : ndarray, shape (m,)
        Standard deviation s of the runs, divisor runs - 1.
    mean : ndarray, shape (m,)
        Mean bidirectional positional deviation.
    reversal : ndarray, shape (m,)
        Reversal value, forward minus backward.
    repeatability : ndarray, shape (m,)
        Bidirectional repeatability: the largest of 2 s forward + 2 s backward + size of the reversal value, 4 s
        forward, 4 s backward.
    largest_reversal, mean_reversal : float
        Reversal value of the axis, the largest by size and without sign, and mean reversal value.
    forward_repeatability, backward_repeatability, largest_repeatability : float
        Repeatability of the axis: the largest 4 s of each direction, and the largest ``repeatability``.
    forward_systematic, backward_systematic, systematic : float
        Systematic positional deviation of each direction, and of both.
    mean_range : float
        Range of ``mean``.
    forward_accuracy, backward_accuracy, accuracy : float
        Accuracy of positioning of each direction, and of both.
    edition : str
        The standard whose definitions these are.
    runs : int
        Runs in each direction.
    unit : {"m", "rad"}
        Unit of all positions and deviations.
    valid : bool
        Whether runs and targets are as many as a full test needs.
    reasons : tuple of str
    """

    target: np.ndarray
    forward: np.ndarray
    backward: np.ndarray
    forward_deviation: np.ndarray
    backward_deviation: np.ndarray
    mean: np.ndarray
    reversal: np.ndarray
    repeatability: np.ndarray
    largest_reversal: float
    mean_reversal: float
    forward_repeatability: float
    backward_repeatability: float
    largest_repeatability: float
    forward_systematic: float
    backward_systematic: float
    systematic: float
    mean_range: float
    forward_accuracy: float
    backward_accuracy: float
    accuracy: float
    edition: str
    runs: int
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self):
        """Units of the fields."""
        plain = {"edition", "runs", "unit", "valid", "reasons"}
        return {name: self.unit for name in self.__dataclass_fields__ if name not in plain}

    def columns(self):
        """Columns of the table, a row a target."""
        names = "target forward backward forward_deviation backward_deviation mean reversal repeatability"
        return {f"{name}_{self.unit}": getattr(self, name) for name in names.split()}

    def plot(self, ax=None):
        """Draw the mean deviations of both directions with two standard deviations, and the reversal.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            Takes the deviations alone.

        Returns
        -------
        Axes
        """
        from . import _figures

        return _figures.positioning(self, ax)


def bidirectional(target, forward, backward, *, unit="m"):
    """Accuracy and repeatability of positioning by the definitions of ISO 230-2:2014.

    Parameters
    ----------
    target : array-like, shape (m,)
        Target positions, m or rad, rising.
    forward, backward : array-like, shape (runs, m)
        Positional deviations, actual minus target, of runs in each direction; two runs or more.
    unit : {"m", "rad"}
        Of targets and deviations.

    Returns
    -------
    Positioning
        ``valid`` is False for fewer than five runs in each direction or five targets.

    Raises
    ------
    InputError
        If the tables do not fit together or hold what is no finite number.

    References
    ----------
    ISO 230-2:2014, Test code for machine tools, Part 2: Determination of accuracy and repeatability of positioning
    of numerically controlled axes (definitions from memory).
    """
    _ring_checks.choice("bidirectional.unit", unit, ("m", "rad"))
    at = turned_steps.numbers("bidirectional.target", target)
    if np.any(np.diff(at) <= 0.0):
        falls = int(np.flatnonzero(np.diff(at) <= 0.0)[0]) + 1
        _checks.refuse("bidirectional.target", "rise", f"{at[falls]:.9g} at index {falls}")
    up, down = (_runs(name, table, len(at)) for name, table in (("forward", forward), ("backward", backward)))
    if len(up) != len(down):
        _checks.refuse("bidirectional.backward", f"have as many runs as forward, {len(up)}", len(down))
    means, spreads = [t.mean(axis=0) for t in (up, down)], [t.std(axis=0, ddof=1) for t in (up, down)]
    reversal, both = means[0] - means[1], 0.5 * (means[0] + means[1])
    single = [4.0 * s for s in spreads]
    repeatability = np.maximum.reduce([0.5 * (single[0] + single[1]) + np.abs(reversal), *single])
    reasons = tuple(_doubts(len(up), len(at)))
    return Positioning(
        target=at,
        forward=means[0],
        backward=means[1],
        forward_deviation=spreads[0],
        backward_deviation=spreads[1],
        mean=both,
        reversal=reversal,
        repeatability=repeatability,
        largest_reversal=float(np.abs(reversal).max()),
        mean_reversal=float(reversal.mean()),
        forward_repeatability=float(single[0].max()),
        backward_repeatability=float(single[1].max()),
        largest_repeatability=float(repeatability.max()),
        mean_range=float(np.ptp(both)),
        **_ranges("systematic", means, [0.0, 0.0]),
        **_ranges("accuracy", means, [2.0 * s for s in spreads]),
        edition=EDITION,
        runs=len(up),
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _ranges(name, means, half):
    """Highest minus lowest of means with their half widths, of each direction and both."""
    tops = [np.max(mean + wide) for mean, wide in zip(means, half, strict=True)]
    feet = [np.min(mean - wide) for mean, wide in zip(means, half, strict=True)]
    return {
        f"forward_{name}": float(tops[0] - feet[0]),
        f"backward_{name}": float(tops[1] - feet[1]),
        name: float(max(tops) - min(feet)),
    }


def _runs(name, values, count):
    """Deviations of the runs in one direction."""
    label = f"bidirectional.{name}"
    table = turned_steps.real_array(label, values, 2, "be a table of real numbers, a row a run")
    if table.shape[1] != count:
        _checks.refuse(label, f"have one column a target, {count}", table.shape[1])
    if len(table) < 2:
        _checks.refuse(label, "hold two runs or more", len(table))
    if not np.isfinite(table).all():
        run, place = np.argwhere(~np.isfinite(table))[0]
        _checks.refuse(label, "hold finite numbers only", f"{table[run, place]} in run {run}, target {place}")
    return table


def _doubts(runs, targets):
    if runs < RUNS:
        yield f"{runs} runs in each direction, where {EDITION} asks for {RUNS}"
    if targets < TARGETS:
        yield f"{targets} targets, where a full test has {TARGETS} or more"
