"""Which of many candidates meets a requirement: ranked, with what binds, what it costs, and what a finer one gains."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..formats import changes
from ..model.axis import Axis, check_axis
from ..results import AXIS_EXAMPLE, Series, picture
from .candidates import candidates_of, costs_of
from .choice_search import PAYS, CandidateEvaluator, resolutions
from .judgements import LIMIT_UNITS, Judgement, delay
from .requirements import Requirement

if TYPE_CHECKING:
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
        Limit by limit; of a pruned one only those that do not depend on the speed.
    ripple : float
        Largest share of the limits on ripple, of all limits where there are none; NaN where pruned.
    delay : float
        Delay from the true motion to the velocity in use, s; at the lowest speed where it matters.
    exact : bool
        Whether its ripple was computed in full, and not at a glance.
    pruned : bool
        Whether its ripple was left out, since another limit fails that does not depend on the speed.
    """

    name: str
    changes: dict
    cost: dict
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
        """Name of the limit that binds."""
        return self.judgement.binding

    @property
    def share(self) -> float:
        """Share of that limit, up to 1 where it is met."""
        return self.judgement.worst

    @property
    def margin(self) -> float:
        """What is left of that limit, 1 - share; negative where it is missed."""
        return 1.0 - self.share

    @property
    def short(self) -> str:
        """The name with the last word of each path alone, where no two are alike."""
        if not self.changes:
            return self.name
        parts = []
        for path, value in self.changes.items():
            text = changes.write(self.axis, path, value)
            parts.append(text if path == "estimator" else f"{last_word(path, self.changes)} {text}")
        return ", ".join(parts)

    @property
    def missed(self) -> tuple[LimitCheck]:
        """The checks of the limits that are missed, the worst first."""
        return tuple(
            sorted((each for each in self.judgement.limits if not each.met), key=lambda each: -each.share)
        )

    def plain(self) -> dict[str, Any]:
        """The row as plain values."""
        unit = self.axis.scale.unit
        judged = self.judgement.to_dict()
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


def last_word(path: str, paths: dict[str, Any] | tuple[str, ...]) -> str:
    """The last word of a path, the whole path where another ends alike."""
    last = path.rpartition(".")[2]
    return last if sum(other.rpartition(".")[2] == last for other in paths) == 1 else path


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else None


@dataclass(frozen=True, eq=False, kw_only=True)
class Saturation:
    """Where a finer resolution stops paying, all else as in the best row (or the nearest, if nothing fits).

    Attributes
    ----------
    path : str
        ``interpolation.factor`` or ``interpolation.bits``.
    values : tuple
        Those that were looked at, from the coarsest.
    ripple : tuple of float
        Share of the limits on ripple of each.
    value : int or None
        The coarsest from which no finer one leaves less than 0.9 of its ripple; None stands for no rounding.
    ends : bool
        Whether finer ones were looked at: False if the value is the finest tried, and still finer may pay.
    cause : str or None
        Largest cause of the ripple that is left there, at the worst speed.
    share : float
        Of the mean square that it has there; NaN without ripple.
    speed : float
        That speed, m/s or rad/s; NaN without a limit on ripple.
    name : str
        The row it is about.
    """

    path: str
    values: tuple
    ripple: tuple
    value: object
    ends: bool
    cause: str | None
    share: float
    speed: float
    name: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Choice(Series):
    """Candidates ranked by a requirement.

    Attributes
    ----------
    rows : tuple of Row
        Those that meet it first, by their costs in the order of the columns and then by margin; those that do
        not by how far they miss it.
    best : Row or None
        The first that meets it.
    nearest : Row or None
        The one that misses it by least.
    frontier : tuple of Row
        Those that no other beats in ripple and in every cost, or in delay where there is no cost.
    saturation : tuple of Saturation
        For interpolation factor and bits, where they are among the lists.
    impossible : tuple of (str, str)
        Combinations that make no axis or cannot be judged, and why.
    count : int
        All combinations.
    paths, costs : tuple of str
        What is varied, and the columns of cost.
    requirement : Requirement

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> found = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]})
    >>> found.paths
    ('interpolation.factor',)
    """

    part_units: ClassVar[dict[str, str]] = {**LIMIT_UNITS, "resolution": "position", "speed": "position/s"}

    rows: tuple[ChoiceRow, ...]
    best: ChoiceRow | None
    nearest: ChoiceRow | None
    frontier: tuple[ChoiceRow, ...]
    saturation: tuple[Saturation, ...]
    impossible: tuple
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
        found = {"rank": np.arange(1, len(rows) + 1), "met": [row.met for row in rows]}
        found |= {
            path: [changes.write(row.axis, path, row.changes[path]) for row in rows] for path in self.paths
        }
        found |= {} if self.paths else {"name": [row.name for row in rows]}
        found |= {name: [row.cost[name] for row in rows] for name in self.costs}
        for key in ("share", "margin", "binding", "ripple", "exact", "pruned"):
            found[key] = [getattr(row, key) for row in rows]
        found["frontier"] = [id(row) in front for row in rows]
        found["delay_s"] = [row.delay for row in rows]
        for name in dict.fromkeys(each.name for row in rows for each in row.judgement.limits):
            head = f"{name}_{self.units[name]}".replace("/", "_").replace(" ", "_")
            judged = [row.judgement.limit(name) for row in rows]
            found[f"limit_{head}"] = [each.limit if each else np.nan for each in judged]
            found[f"value_{head}"] = [each.value if each else np.nan for each in judged]
            found[f"{name}_at_{unit}"] = [each.speed if each else np.nan for each in judged]
        return {name: np.asarray(column) for name, column in found.items()}

    plot = picture(
        "figures.choice:choice",
        "Draw the ripple of each candidate, as share of its limit, against the first cost, or the delay (s).",
        alone="Takes the picture without its words",
        example=AXIS_EXAMPLE + "wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.01)\n"
        'ax = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]}).plot()',
    )


def choose(
    axis: Axis | int,
    requirement: Requirement | int,
    candidates: dict[Any, Any] | int | list[Any],
    cost: dict[Any, Any] | None = None,
    limit: int = MOST,
    *,
    progress: Callable[..., Any] | None = None,
) -> Choice:
    """Which candidates meet a requirement, and which to take.

    Parameters
    ----------
    axis : Axis
        What the values are tried on.
    requirement : Requirement
    candidates : mapping or sequence
        Lists of values by their paths, as ``{"interpolation.factor": [400, 4000], "estimator": [...]}``, in SI
        (see `changes`): every combination is tried. Or whole axes, in a list or by name.
    cost : mapping, optional
        Columns of cost by name, the most important first. Each a function of the axis; or a table of costs by
        the name of the axis, or, where the column has the name of a path, by value; or tables (functions) of
        the values of several paths, ``{"price": {"interpolation.factor": {400: 10, 4000: 35}}}``, to be added.
    limit : int
        Most combinations.
    progress : callable, optional
        Called as ``progress(done, total, stage)``, stage "screened" or "computed"; what it raises ends the work.

    Returns
    -------
    Choice

    Raises
    ------
    InputError
        If there is nothing to choose from, more than ``limit`` combinations (the count is told first), none of
        them is possible, a cost is missing, or the requirement cannot be put to any.

    Notes
    -----
    Of more than 24 candidates each is judged at a glance first (see :mod:`encsim.screening`), and not at all
    for ripple where a limit fails that does not depend on the speed. Then the first ten, those that just miss,
    the nearest, the frontier and the steps of resolution are computed in full, as ``requirement.judge`` does,
    until all of these are; ``exact`` says which. What is screened out by more than a quarter is believed.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> found = encsim.choose(axis, wanted, {"interpolation.factor": [400, 4000]})
    >>> found.count, found.best is None
    (2, True)
    """
    check_axis("choose.axis", axis)
    if not isinstance(requirement, Requirement):
        checks.refuse("choose.requirement", "be a Requirement", requirement)
    found = candidates_of(axis, candidates, limit)
    if not any(requirement_fits(requirement, one.axis) for one in found if one.axis):
        requirement.check(next(one.axis for one in found if one.axis))
    work = CandidateEvaluator(requirement, found, costs_of(found, cost), progress)
    work.run()
    if not work.entries:
        hint = f"the first of {len(found)}: {found[0].reason}"
        checks.refuse("choose.candidates", "hold one that can be judged", checks.NOTHING, hint=hint)
    return _result(axis, requirement, found, tuple(cost or ()), work)


def requirement_fits(requirement: Requirement, axis: Axis) -> bool:
    """Whether the requirement can be put to this axis at all."""
    try:
        requirement.check(axis)
    except checks.InputError:
        return False
    return True


def _result(
    axis: Axis,
    requirement: Requirement,
    found: list[Candidate],
    costs: tuple[str, ...],
    work: CandidateEvaluator,
) -> Choice:
    """The work as a result."""
    ranked = work.ranked()
    rows = {id(entry): _row(entry, requirement) for entry in ranked}
    best = rows[id(ranked[0])] if ranked[0].met else None
    missed = next((rows[id(entry)] for entry in ranked if not entry.met), None)
    taken = best or missed
    rough = () if all(entry.exact for entry in ranked) else (Doubt("screened"),)
    return Choice(
        rows=tuple(rows.values()),
        best=best,
        nearest=missed,
        frontier=tuple(rows[id(entry)] for entry in work.frontier()),
        saturation=tuple(_saturation(work, path, taken) for path in resolutions(ranked[0])),
        impossible=tuple((one.name, one.reason) for one in work.impossible),
        count=len(found),
        paths=tuple(found[0].changes),
        costs=costs,
        requirement=requirement,
        valid=taken.judgement.valid,
        reasons=(*taken.judgement.reasons, *rough),
        axis=axis,
    )


def _row(entry: Entry, requirement: Requirement) -> ChoiceRow:
    candidate = entry.candidate
    return ChoiceRow(
        name=candidate.name,
        changes=dict(candidate.changes),
        cost=entry.cost,
        judgement=entry.judgement,
        ripple=entry.ripple,
        delay=delay(candidate.axis, requirement.speeds[0]),
        exact=entry.exact,
        pruned=entry.pruned,
    )


def _saturation(work: CandidateEvaluator, path: str, taken: ChoiceRow) -> Saturation:
    """Where a finer resolution stops paying."""
    sweep = work.sweep(path)
    ripple = [entry.ripple for entry in sweep]
    place = next((n for n, share in enumerate(ripple) if min(ripple[n:]) >= PAYS * share), 0)
    known = {"path": path, "ripple": tuple(ripple), "name": taken.name}
    if not sweep:
        return Saturation(values=(), value=None, ends=False, cause=None, share=np.nan, speed=np.nan, **known)
    values = tuple(entry.candidate.changes[path] for entry in sweep)
    judged = [each for each in sweep[place].judgement.limits if each.cause is not None]
    worst = max(judged, key=lambda each: each.share, default=None)
    return Saturation(
        values=values,
        value=values[place],
        ends=place < len(sweep) - 1,
        cause=worst and worst.cause,
        share=np.nan if worst is None else worst.cause_share,
        speed=np.nan if worst is None else worst.speed,
        **known,
    )
