"""Accuracy and repeatability of positioning from runs to target positions in both directions.

Definitions of ISO 230-2:2014 (from memory), with coverage factor 2; the edition of 1988 used 3.

Error of an encoder against a reference encoder, forward and backward, and what reverses with direction.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .. import argument_checks, checks
from ..results import Series, measured_in, picture

FEWEST = 2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PassComparison(Series):
    """Errors against a reference at the same positions in both directions.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Positions of the reference, m or rad, rising.
    forward, backward : ndarray, shape (n,)
        Shown minus reference of each pass, position unit.
    error : ndarray, shape (n,)
        Mean of both.
    reversal : ndarray, shape (n,)
        Forward minus backward.
    reversal_mean, reversal_scatter : float
        Mean of ``reversal`` and standard deviation of its values about it.
    reversal_largest : float
        Largest ``reversal`` by size, with its sign.
    unit : {"m", "rad"}
        Unit of all these.
    valid : bool
    reasons : tuple of str
        Why the figures may mislead.
    """

    tabled = ("position", "forward", "backward", "error", "reversal")

    position: np.ndarray = field(metadata=measured_in("position"))
    forward: np.ndarray = field(metadata=measured_in("position"))
    backward: np.ndarray = field(metadata=measured_in("position"))
    error: np.ndarray = field(metadata=measured_in("position"))
    reversal: np.ndarray = field(metadata=measured_in("position"))
    reversal_mean: float = field(metadata=measured_in("position"))
    reversal_scatter: float = field(metadata=measured_in("position"))
    reversal_largest: float = field(metadata=measured_in("position"))
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def position_unit(self) -> str:
        """Unit of positions and errors, as asked for."""
        return self.unit

    plot = picture(
        "figures.error_maps:passes",
        "Draw the errors forward and backward and the reversal (position unit) against position.",
        alone="Takes the errors alone",
        example="position = np.linspace(0.0, 0.1, 11)\n"
        "up, down = (position, position + 2e-6), (position[::-1], position[::-1])\n"
        "ax = encsim.compare_passes(up, down).plot()",
    )


def compare_passes(
    forward: list[Any] | np.ndarray,
    backward: list[Any] | np.ndarray,
    targets: list[float] | np.ndarray | None = None,
    *,
    unit: str = "m",
) -> PassComparison:
    """Error of an encoder against a reference from a pass forward and one backward.

    Parameters
    ----------
    forward, backward : array-like, shape (2, n)
        Reference and shown positions of each pass, m or rad, in the order they were read: the reference rises
        from reading to reading forward and falls backward. The passes may differ in n.
    targets : array-like, shape (k,), optional
        Positions to compare at, rising, within both passes; without it those of the forward pass that the
        backward pass covers too.
    unit : {"m", "rad"}
        Of the positions.

    Returns
    -------
    PassComparison
        ``valid`` is False where both passes together read the reference more coarsely than ``targets`` asks.

    Raises
    ------
    InputError
        If a pass turns round, the passes do not overlap, or a value is not finite.

    Notes
    -----
    Between readings the error, not the position, is interpolated linearly. Both passes have one zero: a drift of
    it between them is seen as reversal, and a lag in time as reversal that grows with speed.
    """
    argument_checks.choice("compare_passes.unit", unit, ("m", "rad"))
    up, down = _pass("forward", forward, 1.0), _pass("backward", backward, -1.0)[:, ::-1]
    at = _targets(targets, up[0], down[0])
    errors = [np.interp(at, reference, shown - reference) for reference, shown in (up, down)]
    reversal = errors[0] - errors[1]
    reasons = tuple(_pass_doubts(at, up[0], down[0]))
    return PassComparison(
        position=at,
        forward=errors[0],
        backward=errors[1],
        error=0.5 * (errors[0] + errors[1]),
        reversal=reversal,
        reversal_mean=float(reversal.mean()),
        reversal_scatter=float(reversal.std(ddof=1)) if len(reversal) > 1 else np.nan,
        reversal_largest=float(reversal[np.argmax(np.abs(reversal))]),
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _pass(name: str, values: list[Any] | np.ndarray, sign: float) -> np.ndarray | None:
    """Reference and shown positions of one pass, in the order read."""
    label = f"compare_passes.{name}"
    rule = f"be two rows of real numbers, reference and shown, of {FEWEST} readings or more"
    table = argument_checks.real_array(label, values, 2, rule)
    if len(table) != 2 or table.shape[1] < FEWEST:
        checks.refuse(label, rule, f"shape {table.shape}")
    if not np.isfinite(table).all():
        row, place = np.argwhere(~np.isfinite(table))[0]
        which = ("reference", "shown")[row]
        checks.refuse(label, "hold finite numbers only", f"{table[row, place]} in {which}, index {place}")
    turned = np.flatnonzero(np.diff(table[0]) * sign <= 0.0)
    if turned.size:
        way = "rise" if sign > 0.0 else "fall"
        near = f"{table[0, turned[0]]:.9g} then {table[0, turned[0] + 1]:.9g} at index {turned[0] + 1}"
        checks.refuse(label, f"{way} in the reference from reading to reading", near)
    return table


def _targets(targets: list[float] | np.ndarray | None, up: np.ndarray, down: np.ndarray) -> np.ndarray | None:
    """Where to compare: as asked, or where the forward pass was read."""
    low, high = max(up[0], down[0]), min(up[-1], down[-1])
    if low > high:
        checks.refuse(
            "compare_passes.backward", "overlap the forward pass", f"{down[0]:.9g} to {down[-1]:.9g}"
        )
    if targets is None:
        at = up[(up >= low) & (up <= high)]
        return at if at.size else np.array([low, high])
    at = argument_checks.finite_row("compare_passes.targets", targets)
    if np.any(np.diff(at) <= 0.0):
        checks.refuse(
            "compare_passes.targets",
            "rise",
            f"{at[np.flatnonzero(np.diff(at) <= 0.0)[0] + 1]:.9g} after more",
        )
    if at[0] < low or at[-1] > high:
        worst = at[0] if at[0] < low else at[-1]
        checks.refuse(
            "compare_passes.targets", f"lie within both passes, {low:.9g} to {high:.9g}", float(worst)
        )
    return at


def _pass_doubts(at: np.ndarray, up: np.ndarray, down: np.ndarray) -> Iterator[Any]:
    """Passes that were read more coarsely than they are compared."""
    if len(at) < 2:
        yield "the passes are compared at one position only"
        return
    for name, read in (("forward", up), ("backward", down)):
        within = np.count_nonzero((read >= at[0]) & (read <= at[-1]))
        if 2 * within < len(at):
            yield f"the {name} pass was read {within} times where {len(at)} positions are asked of it"


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


def bidirectional(
    target: list[float] | np.ndarray | range,
    forward: list[Any] | np.ndarray,
    backward: list[list[float]] | np.ndarray,
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
    argument_checks.choice("bidirectional.unit", unit, ("m", "rad"))
    at = argument_checks.finite_row("bidirectional.target", target)
    if np.any(np.diff(at) <= 0.0):
        falls = int(np.flatnonzero(np.diff(at) <= 0.0)[0]) + 1
        checks.refuse("bidirectional.target", "rise", f"{at[falls]:.9g} at index {falls}")
    up, down = (_runs(name, table, len(at)) for name, table in (("forward", forward), ("backward", backward)))
    if len(up) != len(down):
        checks.refuse("bidirectional.backward", f"have as many runs as forward, {len(up)}", len(down))
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


def _ranges(name: str, means: list[np.ndarray], half: list[Any]) -> dict[str, float]:
    """Highest minus lowest of means with their half widths, of each direction and both."""
    tops = [np.max(mean + wide) for mean, wide in zip(means, half, strict=True)]
    feet = [np.min(mean - wide) for mean, wide in zip(means, half, strict=True)]
    return {
        f"forward_{name}": float(tops[0] - feet[0]),
        f"backward_{name}": float(tops[1] - feet[1]),
        name: float(max(tops) - min(feet)),
    }


def _runs(name: str, values: list[Any] | np.ndarray, count: int) -> np.ndarray | None:
    """Deviations of the runs in one direction."""
    label = f"bidirectional.{name}"
    table = argument_checks.real_array(label, values, 2, "be a table of real numbers, a row a run")
    if table.shape[1] != count:
        checks.refuse(label, f"have one column a target, {count}", table.shape[1])
    if len(table) < 2:
        checks.refuse(label, "hold two runs or more", len(table))
    if not np.isfinite(table).all():
        run, place = np.argwhere(~np.isfinite(table))[0]
        checks.refuse(label, "hold finite numbers only", f"{table[run, place]} in run {run}, target {place}")
    return table


def _doubts(runs: np.ndarray, targets: list[float] | np.ndarray | None) -> Iterator[str]:
    if runs < RUNS:
        yield f"{runs} runs in each direction, where {EDITION} asks for {RUNS}"
    if targets < TARGETS:
        yield f"{targets} targets, where a full test has {TARGETS} or more"
