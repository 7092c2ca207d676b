"""Candidates to choose from: every combination of the values as an axis, and the cost of each."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

from .. import checks
from ..checks import InputError
from ..formats import changes, estimator_text
from ..model.axis import Axis

OWNER = "choose"
# Key of what every candidate costs, beside the costs of values.
BASE = "base"


class Candidate:
    """One combination of values: its name and its axis, or the reason why it is impossible.

    Attributes
    ----------
    axis : Axis or None
    name : str
    changes : dict of str to value
        Its values by their paths; empty for an axis given whole.
    place : tuple of int
        Place of each value in its list.
    reason : str or None
        Why it is impossible.
    """

    __slots__ = ("axis", "changes", "name", "place", "reason")

    def __init__(
        self,
        axis: Axis | None,
        name: str,
        changes: dict[str, Any] | None = None,
        place: tuple[int, ...] = (),
        reason: str | None = None,
    ) -> None:
        self.axis, self.name, self.changes, self.place = axis, name, changes or {}, place
        self.reason = reason

    @property
    def possible(self) -> Axis:
        """The axis of a possible combination."""
        if self.axis is None:
            raise InputError(checks.Fault(OWNER, f"be a possible combination: {self.reason}", self.name))
        return self.axis


def candidates_of(axis: Axis, candidates: Any, limit: int) -> list[Candidate]:
    """All candidates in the order given; the last list of values varies fastest."""
    if not checks.is_whole(limit) or limit < 1:
        checks.refuse(f"{OWNER}.limit", "be a whole number from 1 on", limit)
    axes = _as_axes(candidates)
    if axes is not None:
        return _of_axes(axis, axes, limit)
    if not isinstance(candidates, Mapping):
        checks.refuse(f"{OWNER}.candidates", "be lists by their keys, or axes", candidates)
    return _of_grid(axis, candidates, limit)


def with_timed_edges(axis: Axis, candidates: Any) -> dict[str, Any] | None:
    """The lists with the present estimator and those that time edges; None where these are no candidates."""
    if not isinstance(candidates, Mapping) or _as_axes(candidates) is not None:
        return None
    if any(str(path).partition(".")[0] == "estimator" for path in candidates):
        return None
    timed = estimator_text.timing_edges(axis)
    return {**candidates, "estimator": [axis.estimator, *timed]} if timed else None


def _as_axes(candidates: Any) -> Mapping[str, Axis] | None:
    """Axes by name, None where the candidates are lists of values."""
    if isinstance(candidates, Sequence) and not isinstance(candidates, str):
        if not candidates:
            checks.refuse(f"{OWNER}.candidates", "hold at least one axis", candidates)
        candidates = {f"axis {number}": each for number, each in enumerate(candidates, 1)}
    elif not isinstance(candidates, Mapping) or not any(isinstance(v, Axis) for v in candidates.values()):
        return None
    for name, each in candidates.items():
        if not isinstance(each, Axis):
            checks.refuse(f"{OWNER}.candidates[{name}]", "be an Axis, as the others are", each)
    return dict(candidates)


def _of_axes(axis: Axis, axes: Mapping[str, Axis], limit: int) -> list[Candidate]:
    _check_count(len(axes), limit, "axes")
    for name, each in axes.items():
        if each.scale.unit != axis.scale.unit:
            rule = f"have a scale in {axis.scale.unit}, as the axis they are chosen for"
            checks.refuse(f"{OWNER}.candidates[{name}]", rule, each.scale.unit)
    return [Candidate(each, str(name), place=(n,)) for n, (name, each) in enumerate(axes.items())]


def _of_grid(axis: Axis, lists: Mapping[Any, Any], limit: int) -> list[Candidate]:
    faults: list[checks.Fault] = []
    for path, values in lists.items():
        try:
            _check_list(axis, path, values, lists)
        except InputError as error:
            faults += error.faults
    if not lists:
        checks.refuse(f"{OWNER}.candidates", "hold at least one list of values", lists)
    if faults:
        raise InputError(*faults)
    shape = " x ".join(str(len(values)) for values in lists.values())
    _check_count(math.prod(len(values) for values in lists.values()), limit, f"combinations ({shape})")
    for path, values in lists.items():
        _check_unique(path, values)
    texts = [[changes.write(_axis_with(axis, path, lists), path, value) for value in values]
             for path, values in lists.items()]  # fmt: skip
    combinations = [_combined(axis, lists, place, texts) for place in
                    itertools.product(*(range(len(values)) for values in lists.values()))]  # fmt: skip
    if all(one.axis is None for one in combinations):
        hint = f"the first of {len(combinations)} that are impossible: {combinations[0].reason}"
        checks.refuse(f"{OWNER}.candidates", "make at least one possible axis", checks.NOTHING, hint=hint)
    return combinations


def _check_count(count: int, limit: int, what: str) -> None:
    """Refuse more than the limit, before anything is computed."""
    if count > limit:
        rule = f"make at most {limit} {what.split()[0]}"
        checks.refuse(
            f"{OWNER}.candidates", rule, f"{count} {what}", hint="raise limit, or give fewer values"
        )


def _check_list(axis: Axis, path: Any, values: Any, lists: Mapping[str, Any]) -> None:
    """Raise for values that are no list of values of this path."""
    field = f"{OWNER}.candidates[{path}]"
    if not isinstance(path, str):
        checks.refuse(f"{OWNER}.candidates", "name values as in an axis file, sampling.rate", path)
    if not isinstance(values, Sequence) or isinstance(values, str):
        checks.refuse(field, "be a list of values", values)
    if not len(values):
        checks.refuse(field, "hold at least one value", checks.NOTHING)
    changes.dimension_of(_axis_with(axis, path, lists), path)


def _check_unique(path: str, values: Sequence[Any]) -> None:
    """Raise where a value is given twice; 1 and 1.0 are the same."""
    seen: list[Any] = []
    known: set[Any] = set()
    for value in values:
        try:
            twice = value in known
            known.add(value)
        except TypeError:
            twice = value in seen
            seen.append(value)
        if twice:
            checks.refuse(f"{OWNER}.candidates[{path}]", "hold each value once", value)


def _axis_with(axis: Axis, path: str, lists: Mapping[str, Any]) -> Axis:
    """An axis that has this path: where its whole section varies too, with the first value that has it."""
    section = path.partition(".")[0]
    if section == path or section not in lists:
        return axis
    for value in lists[section]:
        try:
            changed = changes.apply(axis, {section: value})
            changes.dimension_of(changed, path)
        except InputError:
            continue
        return changed
    return axis


def _combined(
    axis: Axis, lists: Mapping[str, Any], place: tuple[int, ...], texts: list[list[str]]
) -> Candidate:
    """One combination, possible or not."""
    values = {path: held[at] for (path, held), at in zip(lists.items(), place, strict=True)}
    name = ", ".join(f"{path} {text[at]}" for path, text, at in zip(lists, texts, place, strict=True))
    try:
        return Candidate(changes.apply(axis, values), name, values, place)
    except InputError as error:
        return Candidate(None, name, values, place, "; ".join(str(fault) for fault in error.faults))


def costs_of(candidates: list[Candidate], cost: Any) -> list[dict[str, float]]:
    """Cost of each candidate, {column: number}, in their order."""
    if cost is None:
        return [{} for _ in candidates]
    if not isinstance(cost, Mapping) or not cost or not all(isinstance(name, str) for name in cost):
        checks.refuse(f"{OWNER}.cost", "be functions or tables by the names of their columns", cost)
    return [{name: _one_cost(one, name, how) for name, how in cost.items()} if one.axis else {}
            for one in candidates]  # fmt: skip


def _one_cost(candidate: Candidate, name: str, how: Any) -> float:
    """Cost of one candidate in one column."""
    if callable(how):
        return _number(how(candidate.axis), name, candidate.name)
    if not isinstance(how, Mapping) or not how:
        checks.refuse(f"{OWNER}.cost[{name}]", "be a function of the axis or a table", how)
    if any(isinstance(part, Mapping) or callable(part) for part in how.values()):
        return sum(_of_path(candidate, f"{name}.{path}", path, part) for path, part in how.items())
    if name in candidate.changes:
        return _of_path(candidate, name, name, how)
    return _looked_up(how, candidate.name, name)


def _of_path(candidate: Candidate, column: str, path: str, how: Any) -> float:
    """Cost of the candidate's value at a path, or what every candidate costs."""
    if path == BASE:
        return _number(how, column, candidate.name)
    if path not in candidate.changes and candidate.changes:
        hint = f"they have {', '.join(candidate.changes)}"
        checks.refuse(f"{OWNER}.cost[{column}]", "be about a value of the candidates", path, hint=hint)
    value = candidate.changes[path] if candidate.changes else changes.value(candidate.possible, path)
    if callable(how):
        return _number(how(value), column, value)
    if not isinstance(how, Mapping):
        checks.refuse(f"{OWNER}.cost[{column}]", "be a function of the value or a table", how)
    return _looked_up(how, value, column)


def _looked_up(table: Mapping[Any, Any], key: Any, column: str) -> float:
    if key not in table:
        checks.refuse(f"{OWNER}.cost[{column}]", "have a cost for each candidate", key, hint="it has none")
    return _number(table[key], column, key)


def _number(value: Any, column: str, key: Any) -> float:
    if not checks.is_real(value):
        checks.refuse(f"{OWNER}.cost[{column}]", f"be a finite number for {key}", value)
    return float(value)
