"""Accuracy and repeatability of positioning by ISO 230-2:2014, from runs to target positions in both directions.

The definitions (from memory) use the coverage factor 2; the edition of 1988 used 3.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..results import Series, measured_in, picture, recorded

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


EDITION = "ISO 230-2:2014"
# Runs in each direction and targets of a full test by that edition (from memory).
RUNS, TARGETS = 5, 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Positioning(Series):
    """Accuracy and repeatability of positioning.

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
        Bidirectional repeatability: the largest of 2 s forward + 2 s backward + magnitude of the reversal value, 4 s
        forward, and 4 s backward.
    largest_reversal, mean_reversal : float
        Reversal value of the axis (largest magnitude), and mean reversal value.
    forward_repeatability, backward_repeatability, largest_repeatability : float
        Repeatability of the axis: the largest 4 s of each direction, and the largest ``repeatability``.
    forward_systematic, backward_systematic, systematic : float
        Systematic positional deviation of each direction, and of both.
    mean_range : float
        Range of ``mean``.
    forward_accuracy, backward_accuracy, accuracy : float
        Accuracy of positioning of each direction, and of both.
    edition : str
        The standard that defines these figures.
    runs : int
        Runs in each direction.
    unit : {"m", "rad"}
        Unit of all positions and deviations.
    valid : bool
        Whether runs and targets are as many as a full test needs.
    reasons : tuple of str

    Examples
    --------
    >>> import encsim
    >>> target = [0.0, 0.1, 0.2]
    >>> forward, backward = [[1e-6, 2e-6, 1e-6]] * 2, [[3e-6, 4e-6, 2e-6]] * 2
    >>> found = encsim.bidirectional(target, forward, backward)
    >>> found.runs
    2
    """

    tabled = (
        "target",
        "forward",
        "backward",
        "forward_deviation",
        "backward_deviation",
        "mean",
        "reversal",
        "repeatability",
    )

    target: np.ndarray = field(metadata=measured_in("position"))
    forward: np.ndarray = field(metadata=measured_in("position"))
    backward: np.ndarray = field(metadata=measured_in("position"))
    forward_deviation: np.ndarray = field(metadata=measured_in("position"))
    backward_deviation: np.ndarray = field(metadata=measured_in("position"))
    mean: np.ndarray = field(metadata=measured_in("position"))
    reversal: np.ndarray = field(metadata=measured_in("position"))
    repeatability: np.ndarray = field(metadata=measured_in("position"))
    largest_reversal: float = field(metadata=measured_in("position"))
    mean_reversal: float = field(metadata=measured_in("position"))
    forward_repeatability: float = field(metadata=measured_in("position"))
    backward_repeatability: float = field(metadata=measured_in("position"))
    largest_repeatability: float = field(metadata=measured_in("position"))
    forward_systematic: float = field(metadata=measured_in("position"))
    backward_systematic: float = field(metadata=measured_in("position"))
    systematic: float = field(metadata=measured_in("position"))
    mean_range: float = field(metadata=measured_in("position"))
    forward_accuracy: float = field(metadata=measured_in("position"))
    backward_accuracy: float = field(metadata=measured_in("position"))
    accuracy: float = field(metadata=measured_in("position"))
    edition: str
    runs: int
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def position_unit(self) -> str:
        """Unit of positions and errors, as asked for."""
        return self.unit

    plot = picture(
        "figures.error_maps:positioning",
        "Draw the mean deviations of both directions with two standard deviations, and the "
        "reversal (position unit), by target.",
        alone="Takes the deviations alone",
        example="target = np.linspace(0.0, 1.0, 5)\n"
        "error = 1e-6 * np.random.default_rng(1).standard_normal((2, 5, 5))\n"
        "ax = encsim.bidirectional(target, *error).plot()",
    )


@recorded
def bidirectional(
    target: ArrayLike,
    forward: ArrayLike,
    backward: ArrayLike,
    *,
    unit: str = "m",
) -> Positioning:
    """Accuracy and repeatability of positioning by the definitions of ISO 230-2:2014.

    Parameters
    ----------
    target : array-like, shape (m,)
        Target positions, m or rad, rising.
    forward, backward : array-like, shape (runs, m)
        Positional deviations, actual minus target, of runs in each direction; two runs or more.
    unit : {"m", "rad"}
        Unit of targets and deviations.

    Returns
    -------
    Positioning
        ``valid`` is False for fewer than five runs in each direction or five targets.

    Raises
    ------
    InputError
        If the shapes do not match or a value is no finite number.

    References
    ----------
    ISO 230-2:2014, Test code for machine tools, Part 2: Determination of accuracy and repeatability of positioning
    of numerically controlled axes (definitions from memory).

    Examples
    --------
    >>> import encsim
    >>> target = [0.0, 0.1, 0.2]
    >>> forward, backward = [[1e-6, 2e-6, 1e-6]] * 2, [[3e-6, 4e-6, 2e-6]] * 2
    >>> found = encsim.bidirectional(target, forward, backward)
    >>> round(1e6 * float(found.largest_reversal), 3)  # um
    2.0
    """
    checks.choice("bidirectional.unit", unit, ("m", "rad"))
    targets = checks.finite_row("bidirectional.target", target)
    falling = np.flatnonzero(np.diff(targets) <= 0.0) + 1
    if falling.size:
        checks.refuse("bidirectional.target", "rise", f"{targets[falling[0]]:.9g} at index {falling[0]}")
    up, down = _runs("forward", forward, len(targets)), _runs("backward", backward, len(targets))
    if len(up) != len(down):
        checks.refuse("bidirectional.backward", f"have as many runs as forward, {len(up)}", len(down))
    means = [runs.mean(axis=0) for runs in (up, down)]
    deviations = [runs.std(axis=0, ddof=1) for runs in (up, down)]
    reversal, mean = means[0] - means[1], 0.5 * (means[0] + means[1])
    single = [4.0 * s for s in deviations]
    repeatability = np.maximum.reduce([0.5 * (single[0] + single[1]) + np.abs(reversal), *single])
    reasons = tuple(_test_reasons(len(up), len(targets)))
    return Positioning(
        target=targets,
        forward=means[0],
        backward=means[1],
        forward_deviation=deviations[0],
        backward_deviation=deviations[1],
        mean=mean,
        reversal=reversal,
        repeatability=repeatability,
        largest_reversal=float(np.abs(reversal).max()),
        mean_reversal=float(reversal.mean()),
        forward_repeatability=float(single[0].max()),
        backward_repeatability=float(single[1].max()),
        largest_repeatability=float(repeatability.max()),
        mean_range=float(np.ptp(mean)),
        **_ranges("systematic", means, [np.zeros_like(mean)] * 2),
        **_ranges("accuracy", means, [2.0 * s for s in deviations]),
        edition=EDITION,
        runs=len(up),
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _ranges(name: str, means: list[np.ndarray], half_widths: list[np.ndarray]) -> dict[str, Any]:
    """Range of means plus and minus their half widths, of each direction and of both."""
    highest = [float(np.max(mean + half)) for mean, half in zip(means, half_widths, strict=True)]
    lowest = [float(np.min(mean - half)) for mean, half in zip(means, half_widths, strict=True)]
    return {
        f"forward_{name}": highest[0] - lowest[0],
        f"backward_{name}": highest[1] - lowest[1],
        name: max(highest) - min(lowest),
    }


def _runs(name: str, values: ArrayLike, count: int) -> np.ndarray:
    """Deviations of the runs in one direction, checked."""
    label = f"bidirectional.{name}"
    table = checks.real_array(label, values, 2, "be a table of real numbers, a row a run")
    if table.shape[1] != count:
        checks.refuse(label, f"have one column a target, {count}", table.shape[1])
    if len(table) < 2:
        checks.refuse(label, "hold two runs or more", len(table))
    if not np.isfinite(table).all():
        run, place = np.argwhere(~np.isfinite(table))[0]
        checks.refuse(label, "hold finite numbers only", f"{table[run, place]} in run {run}, target {place}")
    return table


def _test_reasons(runs: int, targets: int) -> Iterator[str]:
    """Why a test is not complete: too few runs or targets."""
    if runs < RUNS:
        yield f"{runs} runs in each direction, where {EDITION} asks for {RUNS}"
    if targets < TARGETS:
        yield f"{targets} targets, where a full test has {TARGETS} or more"
