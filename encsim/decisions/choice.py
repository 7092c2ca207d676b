"""Candidates ranked by a requirement: limiting criterion, cost, Pareto-optimal ones, and the use of more resolution."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..formats import changes
from ..model.axis import Axis, check_axis
from ..model.delays import velocity_delay
from ..progress import ProgressTo, executor_faults, teller
from ..results import AXIS_EXAMPLE, Series, picture, recorded
from .candidates import candidates_of, costs_of, with_timed_edges
from .choice_search import CandidateEvaluator, Saturation, has_limited, resolutions, saturation
from .judgements import LIMIT_UNITS, Judgement
from .requirements import Requirement

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from .candidates import Candidate
    from .choice_search import Entry
    from .judgements import LimitCheck

MOST = 100_000


@dataclass(frozen=True, eq=False, kw_only=True)
class ChoiceRow:
    """One candidate.

    Attributes
    ----------
    name : str
        Its values in words, or the name of the axis.
    changes : dict of str to value
        Its values by their paths, SI; empty for an axis given whole.
    cost : dict of str to float
        By column.
    judgement : Judgement
        Limit by limit; if pruned, only those limits that do not depend on the speed.
    ripple : float
        Largest share of the limits on ripple, of all limits where there are none; NaN where pruned.
    delay : float
        Delay from the true motion to the velocity in use, s; at the lowest speed where it matters.
    exact : bool
        Whether its ripple was computed in full, not screened (approximate).
    pruned : bool
        Whether its ripple was left out, since a limit that does not depend on the speed is missed.
    """

    name: str
    changes: dict[str, Any]
    cost: dict[str, float]
    judgement: Judgement
    ripple: float
    delay: float
    exact: bool
    pruned: bool

    @property
    def axis(self) -> Axis:
        """The candidate itself."""
        return self.judgement.axis

    @property
    def met(self) -> bool:
        """Whether all limits are met."""
        return self.judgement.met

    @property
    def binding(self) -> str:
        """Name of the limiting criterion."""
        return self.judgement.binding

    @property
    def share(self) -> float:
        """Share of that limit, up to 1 where it is met."""
        return self.judgement.worst

    @property
    def margin(self) -> float:
        """Margin to that limit, 1 - share; negative where it is missed."""
        return 1.0 - self.share

    @property
    def short(self) -> str:
        """The name with only the last word of each path, where no two are alike."""
        if not self.changes:
            return self.name
        parts = []
        for path, value in self.changes.items():
            text = changes.write(self.axis, path, value)
            parts.append(text if path == "estimator" else f"{last_word(path, self.changes)} {text}")
        return ", ".join(parts)

    @property
    def missed(self) -> tuple[LimitCheck, ...]:
        """The checks of the limits that are missed, the worst first."""
        missed = (each for each in self.judgement.limits if not each.met)
        return tuple(sorted(missed, key=lambda each: -each.share))

    def plain(self) -> dict[str, Any]:
        """The row as plain values."""
        unit = self.axis.scale.unit
        judged = self.judgement.plain_values()
        return {
            "name": self.name,
            "changes": {path: changes.write(self.axis, path, value) for path, value in self.changes.items()},
            "cost": dict(self.cost),
            **{key: judged[key] for key in ("met", "binding", "limits", "basis", "valid", "reasons")},
            **{key: _finite(getattr(self, key)) for key in ("share", "margin", "ripple", "delay")},
            "resolution": self.axis.resolution,
            "unit": unit,
            "exact": self.exact,
            "pruned": self.pruned,
        }


def last_word(path: str, paths: Iterable[str]) -> str:
    """The last word of a path; the whole path where another ends with the same word."""
    last = path.rpartition(".")[2]
    return last if sum(other.rpartition(".")[2] == last for other in paths) == 1 else path


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


@dataclass(frozen=True, eq=False, kw_only=True)
class Choice(Series):
    """Candidates ranked by a requirement.

    Attributes
    ----------
    rows : tuple of ChoiceRow
        First those that meet it, by the columns of cost in their order, then by margin; without a cost by margin, and
        within 2 % of the limiting share the coarsest, with the slowest loop and the least delay. Then the others by
        margin.
    best : ChoiceRow or None
        The first that meets it.
    nearest : ChoiceRow or None
        The one that misses it by the smallest margin.
    frontier : tuple of ChoiceRow
        Pareto-optimal ones in ripple and every cost, or in ripple and delay where there is no cost.
    saturation : tuple of Saturation
        For interpolation factor and bits, where they are among the lists.
    impossible : tuple of (str, str)
        Combinations that make no axis or cannot be judged, with the reason.
    count : int
        Number of all combinations.
    paths, costs : tuple of str
        Paths of the values, and columns of cost.
    requirement : Requirement

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> choice = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]})
    >>> choice.paths
    ('interpolation.factor',)
    """

    part_units: ClassVar[dict[str, str]] = {**LIMIT_UNITS, "resolution": "position", "speed": "position/s"}

    rows: tuple[ChoiceRow, ...]
    best: ChoiceRow | None
    nearest: ChoiceRow | None
    frontier: tuple[ChoiceRow, ...]
    saturation: tuple[Saturation, ...]
    impossible: tuple[tuple[str, str], ...]
    count: int
    paths: tuple[str, ...]
    costs: tuple[str, ...]
    requirement: Requirement
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    def to_dict(self) -> dict[str, Any]:
        """The choice as plain values; rows by their place from 0 in ``best``, ``nearest`` and ``frontier``.

        Returns
        -------
        dict
        """
        place = {id(row): number for number, row in enumerate(self.rows)}
        plain = super().to_dict()
        plain["rows"] = [row.plain() for row in self.rows]
        plain["best"], plain["nearest"] = (place.get(id(row)) for row in (self.best, self.nearest))
        plain["frontier"] = [place[id(row)] for row in self.frontier]
        return plain

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}, a row a candidate."""
        rows, unit = self.rows, f"{self.axis.scale.unit}_s"
        front = {id(row) for row in self.frontier}
        columns: dict[str, Any] = {"rank": np.arange(1, len(rows) + 1), "met": [row.met for row in rows]}
        for path in self.paths:
            columns[path] = [changes.write(row.axis, path, row.changes[path]) for row in rows]
        columns |= {} if self.paths else {"name": [row.name for row in rows]}
        columns |= {name: [row.cost[name] for row in rows] for name in self.costs}
        for key in ("share", "margin", "binding", "ripple", "exact", "pruned"):
            columns[key] = [getattr(row, key) for row in rows]
        columns["frontier"] = [id(row) in front for row in rows]
        columns["delay_s"] = [row.delay for row in rows]
        for name in dict.fromkeys(each.name for row in rows for each in row.judgement.limits):
            head = f"{name}_{self.units[name]}".replace("/", "_").replace(" ", "_")
            judged = [row.judgement.limit(name) for row in rows]
            columns[f"limit_{head}"] = [each.limit if each else np.nan for each in judged]
            columns[f"value_{head}"] = [each.value if each else np.nan for each in judged]
            columns[f"{name}_at_{unit}"] = [each.speed if each else np.nan for each in judged]
        return {name: np.asarray(column) for name, column in columns.items()}

    plot = picture(
        "figures.choice:choice",
        "Draw the ripple of each candidate, as share of its limit, against the first cost, or the delay (s).",
        alone="Takes the picture without its words",
        example=AXIS_EXAMPLE + "wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.01)\n"
        'ax = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]}).plot()',
    )


@recorded
def choose(
    axis: Axis,
    requirement: Requirement,
    candidates: Mapping[str, Sequence[Any]] | Mapping[str, Axis] | Sequence[Axis],
    cost: Mapping[str, Any] | None = None,
    limit: int = MOST,
    *,
    executor: Executor | int | None = None,
    progress: ProgressTo = None,
) -> Choice:
    """Rank candidates by a requirement.

    Parameters
    ----------
    axis : Axis
        The axis that the values change.
    requirement : Requirement
    candidates : mapping or sequence
        Lists of values by their paths, as ``{"interpolation.factor": [400, 4000], "estimator": [...]}``, in SI
        (see `changes`): every combination is tried. Or whole axes, in a list or by name.
    cost : mapping, optional
        Columns of cost by name, the most important first. Each is a function of the axis; or a table of costs by
        the name of the axis, or, where the column has the name of a path, by value; or tables (functions) of
        the values of several paths, ``{"price": {"interpolation.factor": {400: 10, 4000: 35}}}``, which are added;
        beside these, ``"base"`` is a number that every candidate costs.
    limit : int
        Largest number of combinations.
    executor : concurrent.futures.Executor or int, optional
        Where those that decide the answer are computed in full: an executor (dask's too), or a number of processes;
        else threads of this process. The answer is the same, bit for bit.
    progress : callable or True, optional
        ``progress(done, total)`` is called with candidates, of which some are computed again; True tells on stderr.

    Returns
    -------
    Choice

    Raises
    ------
    InputError
        If there is no candidate, there are more than ``limit`` combinations (checked before anything is computed),
        none of them is possible, a cost is missing, or no candidate has what the requirement limits.
    WorkersLost
        If processes end before their work is done.

    Notes
    -----
    Where the axis has A/B output, or nothing fits since quantisation leads, and the lists name no estimator, period
    measurement and count-and-time on a 50 MHz clock are candidates too.

    More than 24 candidates are screened first (approximate, see :mod:`encsim.decisions.fast_ripple`), without
    ripple where a limit is missed that does not depend on the speed. Then the first ten, those that miss by up to
    a quarter and cost less, the nearest, the Pareto-optimal ones and the other resolutions of the best are computed
    in full, as ``requirement.judge`` does, until none of these is only screened; ``exact`` says which. Candidates
    that miss by more than a quarter when screened stay screened.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> choice = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]})
    >>> choice.count, choice.best is None
    (2, True)
    """
    check_axis("choose.axis", axis)
    if not isinstance(requirement, Requirement):
        checks.refuse("choose.requirement", "be a Requirement", requirement)
    if faults := executor_faults("choose", executor):
        raise checks.InputError(*faults)
    timed = with_timed_edges(axis, candidates)
    if timed is not None and axis.interpolation.output == "ab":
        return _chosen(axis, requirement, timed, cost, limit, executor, progress)
    result = _chosen(axis, requirement, candidates, cost, limit, executor, progress)
    if timed is not None and _quantised(result.nearest if result.best is None else None):
        with contextlib.suppress(checks.InputError):  # a cost may not know them
            return _chosen(axis, requirement, timed, cost, limit, executor, progress)
    return result


def _quantised(row: ChoiceRow | None) -> bool:
    """Whether quantisation is the largest cause of what a row misses."""
    return row is not None and any(check.cause == "resolution" for check in row.missed)


def _chosen(
    axis: Axis,
    requirement: Requirement,
    candidates: Any,
    cost: Mapping[str, Any] | None,
    limit: int,
    executor: Executor | int | None,
    progress: ProgressTo,
) -> Choice:
    """The candidates as they are given, judged and ranked."""
    combinations = candidates_of(axis, candidates, limit)
    axes = [one.axis for one in combinations if one.axis]
    if not any(has_limited(requirement, each) for each in axes):
        requirement.check(axes[0])
    tell = teller("choose", progress, "candidates")
    evaluator = CandidateEvaluator(requirement, combinations, costs_of(combinations, cost), tell, executor)
    evaluator.run()
    if not evaluator.entries:
        hint = f"the first of {len(combinations)}: {combinations[0].reason}"
        checks.refuse("choose.candidates", "hold one that can be judged", checks.NOTHING, hint=hint)
    return _result(axis, combinations, tuple(cost or ()), evaluator)


def _result(
    axis: Axis, combinations: list[Candidate], costs: tuple[str, ...], evaluator: CandidateEvaluator
) -> Choice:
    """The evaluated candidates as a result."""
    ranked, requirement = evaluator.ranked(), evaluator.requirement
    rows = {id(entry): _row(entry, requirement) for entry in ranked}
    best = rows[id(ranked[0])] if ranked[0].met else None
    nearest = next((rows[id(entry)] for entry in ranked if not entry.met), None)
    first = rows[id(ranked[0])]
    screened = [] if all(entry.exact for entry in ranked) else [Doubt("screened")]
    return Choice(
        rows=tuple(rows.values()),
        best=best,
        nearest=nearest,
        frontier=tuple(rows[id(entry)] for entry in evaluator.frontier()),
        saturation=tuple(saturation(evaluator, path, first.name) for path in resolutions(ranked[0])),
        impossible=tuple((one.name, one.reason or "") for one in evaluator.impossible),
        count=len(combinations),
        paths=tuple(combinations[0].changes),
        costs=costs,
        requirement=requirement,
        valid=first.judgement.valid,
        reasons=(*first.judgement.reasons, *screened),
        axis=axis,
    )


def _row(entry: Entry, requirement: Requirement) -> ChoiceRow:
    return ChoiceRow(
        name=entry.candidate.name,
        changes=dict(entry.candidate.changes),
        cost=entry.cost,
        judgement=entry.judgement,
        ripple=entry.ripple,
        delay=velocity_delay(entry.axis, requirement.speeds[0]),
        exact=entry.exact,
        pruned=entry.pruned,
    )
