"""Candidates as text: the ``[candidates]`` section of a file, and ``--try KEY=value, value``."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from .. import checks
from ..checks import Fault, InputError
from ..formats import changes, estimator_text, toml_text
from ..formats.sections import Section
from ..model.axis import check_axis
from .candidates import BASE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from ..model.axis import Axis


# Lists of values by their paths; columns of cost by name.
Costs = dict[str, Any]
Candidates = tuple[dict[str, list[Any]], Costs | None]

SECTION, COST = "candidates", "cost"
NONE = "none"
_EXAMPLE = "interpolation.factor = [400, 4000]"
_BASE = f"a cost of every candidate is {BASE} = ... beside the tables"


def load_candidates(path: Path | str, axis: Axis) -> Candidates:
    """The candidates in the ``[candidates]`` section of a file.

    Parameters
    ----------
    path : str or path-like
        An axis file, or one with this section alone.
    axis : Axis
        Its scale says which units fit.

    Returns
    -------
    tuple of (dict, dict or None)
        Lists of values by their paths, and costs, in the form of the arguments of `choose`.

    Raises
    ------
    InputError
        If the file cannot be read or has no such section; every fault with its line.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> candidates, cost = encsim.load_candidates("stage_x_choice.toml", axis)
    >>> candidates["interpolation.bits"]
    [10, 12, 14]
    """
    check_axis("load_candidates.axis", axis)
    return loads(toml_text.read(path), axis, str(path))


def loads(text: str, axis: Axis, name: str = "candidates file", settings: Iterable[str] = ()) -> Candidates:
    """The candidates in the ``[candidates]`` section of a text.

    Parameters
    ----------
    text : str
        ``interpolation.factor = [400, 4000]`` and the like, each value as in an axis file or ``"none"``;
        estimators as ``estimator = ["difference 1, 8", "low-pass 300 Hz"]``. Costs in ``[candidates.cost]``:
        ``price = {interpolation.factor = {400 = 10, 4000 = 35}}``, added up over the keys of a column.
    axis : Axis
    name : str
        Name of the text in errors.
    settings : iterable of str
        As of ``axis_file.loads_with``.

    Returns
    -------
    tuple of (dict, dict or None)

    Raises
    ------
    InputError
        If there is no such section; every fault with its line.
    """
    section = Section(text, SECTION, name, settings, scale=axis.scale)
    section.need(_EXAMPLE)
    reader = _CandidateReader(section, axis)
    candidates = section.entries(reader.values, without=COST), reader.costs()
    section.done()
    return candidates


def there(text: str, settings: Iterable[str] = ()) -> bool:
    """Whether a text, with these settings, has a ``[candidates]`` section."""
    return Section(text, SECTION, settings=settings).table is not None


class _CandidateReader:
    """Reads lists and costs from one section."""

    def __init__(self, section: Section, axis: Axis) -> None:
        self.section, self.axis = section, axis

    def values(self, path: tuple[str, ...], key: str, raw: Any) -> list[Any]:
        """Values of one list."""
        if not isinstance(raw, list):
            self.section.fault(path, "be a list of values", raw, hint=f"as in [{SECTION}], {_EXAMPLE}")
            return []
        values: list[Any] = []
        for place, one in enumerate(raw):
            with self.section.at(*path, place):
                values += _values_of(self.axis, key, one)
        return values

    def costs(self) -> Costs | None:
        """Columns of cost, None where there are none."""
        table = (self.section.table or {}).get(COST)
        if table is None:
            return None
        if not isinstance(table, dict) or not table:
            self.section.fault((COST,), "be tables by the names of their columns", table)
            return None
        return {name: self._column((COST, name), part) for name, part in table.items()}

    def _column(self, path: tuple[str, str], part: Any) -> dict[Any, Any]:
        """One column: costs by the name of an axis, or by the values of paths."""
        if not isinstance(part, dict) or not part:
            self.section.fault(path, "be a table of costs", part)
            return {}
        if not any(isinstance(value, dict) for value in part.values()):
            # the column has the name of a path, or its keys are names of axes
            return self._table(path, part, path[-1])
        column: dict[str, Any] = {}
        waiting: list[tuple[tuple[str, ...], dict[str, Any]]] = [((), part)]
        while waiting:
            inner, table = waiting.pop(0)
            if not any(isinstance(value, dict) for value in table.values()):
                column[".".join(inner)] = self._table((*path, *inner), table, ".".join(inner))
                continue
            for key, value in table.items():
                if isinstance(value, dict):
                    waiting.append(((*inner, key), value))
                elif (*inner, key) == (BASE,):
                    column[BASE] = self.section.number((*path, key), value)
                else:
                    self.section.fault(
                        (*path, *inner, key), "be a table of costs by value", value, hint=_BASE
                    )
        return column

    def _table(self, path: tuple[str, ...], table: dict[str, Any], key: str) -> dict[Any, Any]:
        """Costs by value: each key is read as a value of the path, or kept as text where there is no such path."""
        is_path = False
        with contextlib.suppress(InputError):
            changes.dimension_of(self.axis, key)
            is_path = True
        costs: dict[Any, Any] = {}
        for text, cost in table.items():
            number = self.section.number((*path, text), cost)
            if not is_path:
                costs[text] = number
                continue
            with self.section.at(*path, text):
                costs |= dict.fromkeys(_values_of(self.axis, key, _plain(text)), number)
        return costs


def _values_of(axis: Axis, path: str, raw: Any) -> list[Any]:
    """Values at a path from the text of a file: one; of estimators all that the text names."""
    if raw == NONE:
        changes.dimension_of(axis, path)
        return [None]
    if path == "estimator" and isinstance(raw, str):
        return [*estimator_text.read(raw, axis, path)]
    value = changes.read(axis, path, raw)
    return [tuple(value) if isinstance(value, list) else value]


def _plain(text: str) -> int | float | str:
    """A bare word of an option or a key: a number where it is one."""
    kinds: tuple[Callable[[str], int | float], ...] = (int, float)
    for kind in kinds:
        try:
            return kind(text) if len(text) < 30 and "_" not in text else text
        except ValueError:
            continue
    return text


def read_option(text: str, axis: Axis, option: str = "--try") -> tuple[str, list[Any]]:
    """The path and the list of values of an option's text."""
    path, equals, rest = (part.strip() for part in text.partition("="))
    if not equals or not path or not rest:
        checks.refuse(option, "be KEY=value, value, ...", text, hint='as in "interpolation.factor=400, 4000"')
    try:
        if path == "estimator":
            return path, _values_of(axis, path, rest)
        parts = [part.strip() for part in rest.split(",")]
        quantity = changes.dimension_of(axis, path) is not None
        raws = parts if quantity else [_plain(part) for part in parts]
        return path, [value for raw in raws for value in _values_of(axis, path, raw)]
    except InputError as error:
        raise InputError(*(_from_option(fault, option, path) for fault in error.faults)) from None


def _from_option(fault: Fault, option: str, path: str) -> Fault:
    """The fault under the option, with the path once."""
    field = path if fault.field in (path, "change") else f"{path}: {fault.field}"
    return Fault(f"{option} {field}", fault.rule, fault.value, fault.unit, fault.hint)
