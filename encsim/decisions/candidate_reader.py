"""The ``[candidates]`` section of a file, and the words of an option, as lists of values and tables of cost."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from .. import checks
from ..checks import Fault, InputError
from ..formats import changes, estimator_text, toml_text
from ..formats.sections import Section

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..model.axis import Axis


SECTION, COST = "candidates", "cost"
NONE = "none"
_EXAMPLE = "interpolation.factor = [400, 4000]"


def load_candidates(path: str, axis: Axis) -> Any:
    """The candidates in the ``[candidates]`` section of a file.

    Parameters
    ----------
    path : str or path-like
        An axis file, or one with this section alone.
    axis : Axis
        Whose scale says which units fit.

    Returns
    -------
    tuple of (dict, dict or None)
        Lists of values by their paths, and costs, as `choose` takes them.

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
    return loads(toml_text.read(path), axis, str(path))


def loads(
    text: str, axis: Axis, name: str = "candidates file", settings: Iterable[str] = ()
) -> tuple[Any, ...]:
    """The candidates in the ``[candidates]`` section of a text.

    Parameters
    ----------
    text : str
        ``interpolation.factor = [400, 4000]`` and the like, each value as in an axis file or ``"none"``;
        estimators as ``estimator = ["difference 1, 8", "low-pass 300 Hz"]``. Costs in ``[candidates.cost]``:
        ``price = {interpolation.factor = {400 = 10, 4000 = 35}}``, added up over the keys of a column.
    axis : Axis
    name : str
        What errors call the text.
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


def there(text: str, settings: list[str] = ()) -> bool:
    """Whether a text, with these settings, has such a section."""
    return Section(text, SECTION, settings=settings).table is not None


class _CandidateReader:
    """One section becoming lists and costs."""

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
                values += values_of(self.axis, key, one)
        return values

    def costs(self) -> dict[str, Any] | None:
        """Columns of cost, None where there are none."""
        table = self.section.table.get(COST)
        if table is None:
            return None
        if not isinstance(table, dict) or not table:
            self.section.fault((COST,), "be tables by the names of their columns", table)
            return None
        return {name: self._column((COST, name), part) for name, part in table.items()}

    def _column(self, path: tuple[str, str], part: dict[str, Any] | int) -> dict[Any, Any]:
        """One column: costs by the name of an axis, or by the values of paths."""
        if not isinstance(part, dict) or not part:
            self.section.fault(path, "be a table of costs", part)
            return {}
        if not any(isinstance(value, dict) for value in part.values()):
            # The column may itself be called as a path is, or it lists axes by name.
            return self._table(path, part, path[-1])
        found, waiting = {}, [((), part)]
        while waiting:
            inner, table = waiting.pop(0)
            if any(isinstance(value, dict) for value in table.values()):
                waiting += [((*inner, key), value) for key, value in table.items()]
            elif isinstance(table, dict):
                found[".".join(inner)] = self._table((*path, *inner), table, ".".join(inner))
        return found

    def _table(self, path: tuple[str, ...], table: dict[str, Any], key: str) -> dict[Any, Any]:
        """Costs by value, each key read as a value of its path; as it stands where there is no such path."""
        known = True
        with contextlib.suppress(InputError):
            changes.dimension_of(self.axis, key)
            known = False
        found = {}
        for text, cost in table.items():
            number = self.section.number((*path, text), cost)
            if known:
                found[text] = number
                continue
            with self.section.at(*path, text):
                found |= dict.fromkeys(_hashed(values_of(self.axis, key, plain(text))), number)
        return found


def _hashed(values: list[Any]) -> list[Any]:
    return [tuple(value) if isinstance(value, list) else value for value in values]


def values_of(axis: Axis, path: str, raw: int | str) -> list[Any]:
    """Values at a path as a file writes them: one, but of estimators as many as the text names."""
    if raw == NONE:
        changes.dimension_of(axis, path)
        return [None]
    if path == "estimator" and isinstance(raw, str):
        return estimator_text.read(raw, axis, path)
    found = changes.read(axis, path, raw)
    return [tuple(found) if isinstance(found, list) else found]


def plain(text: str) -> int | str:
    """A bare word of an option or a key: a number where it is one."""
    for kind in (int, float):
        try:
            return kind(text) if len(text) < 30 and "_" not in text else text
        except ValueError:
            continue
    return text


def read_option(text: str, axis: Axis, option: str = "--try") -> tuple[Any, ...]:
    """One list of values as an option writes it."""
    path, equals, rest = (part.strip() for part in text.partition("="))
    if not equals or not path or not rest:
        checks.refuse(option, "be KEY=value, value, ...", text, hint='as in "interpolation.factor=400, 4000"')
    try:
        if path == "estimator":
            return path, values_of(axis, path, rest)
        parts = [part.strip() for part in rest.split(",")]
        quantity = changes.dimension_of(axis, path) is not None
        return path, [
            one for part in parts for one in values_of(axis, path, part if quantity else plain(part))
        ]
    except InputError as error:
        raise InputError(*(_from_option(fault, option, path) for fault in error.faults)) from None


def _from_option(fault: Fault, option: str, path: str) -> Fault:
    """The fault under the option, with the path once."""
    field = path if fault.field in (path, "change") else f"{path}: {fault.field}"
    return Fault(f"{option} {field}", fault.rule, fault.value, fault.unit, fault.hint)
