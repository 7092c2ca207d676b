"""What every result can do: turn into plain values, and a series into a table of text.

A read-only mapping of order to value for the frozen descriptions.
"""

from __future__ import annotations

import csv
import dataclasses
import importlib
import io
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from . import __version__, files

if TYPE_CHECKING:
    from pathlib import Path


ROWS = 1 << 16


def pictures() -> Any:
    """The pictures of results, loaded when one is drawn: they stand to the right of the results."""
    return importlib.import_module("encsim.figures.pictures")


class Result:
    """Base of the frozen results: ``to_dict`` lists the fields, plain and ready for JSON.

    A subclass is a frozen dataclass with ``valid`` and ``reasons`` among its fields and a ``units``
    property. Fields with metadata ``{"plain": False}`` stay out (the axis a result came from, say).
    """

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """The result as plain lists, numbers and strings; NaN and infinite values become None."""
        # A complex number becomes [real, imaginary].
        plain = {"kind": type(self).__name__, "version": __version__, "units": dict(self.units)}
        for item in dataclasses.fields(self):
            if item.metadata.get("plain", True):
                plain[item.name] = _plain(getattr(self, item.name))
        return plain


class Series(Result):
    """A result made of arrays of one length, which can also be written as a table."""

    __slots__ = ()

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}; mappings of arrays become one column an entry."""
        found = {}
        for item in dataclasses.fields(self):
            value = getattr(self, item.name)
            entries = value if isinstance(value, Mapping) else {item.name: value}
            for name, column in entries.items():
                if isinstance(column, np.ndarray) and column.ndim == 1:
                    found[_header(name, self.units.get(name, self.units.get(item.name, "")))] = column
        return found

    def to_csv_text(self) -> str:
        """The table as text: a header of name_unit, then a row a point."""
        columns = self.columns()
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        # Piece by piece: the writer answers no interrupt, and lists take four times an array's memory.
        for first in range(0, max(map(len, columns.values()), default=0), ROWS):
            piece = (column[first : first + ROWS].tolist() for column in columns.values())
            writer.writerows(zip(*piece, strict=True))
        return text.getvalue()

    def to_csv(self, path: Path) -> None:
        """Write the table to a file, whole or not at all."""
        files.write_whole(path, self.to_csv_text(), force=True)


def _header(name: str, unit: str) -> str:
    """``speed`` in ``m/s`` as ``speed_m_s``."""
    return f"{name}_{unit.replace('/', '_').replace(' ', '_')}" if unit and unit != "1" else name


def _plain(value: Any) -> Any:
    """Any field of a result as JSON can hold it."""
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, complex):
        return [_plain(value.real), _plain(value.imag)]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if dataclasses.is_dataclass(value):
        return {item.name: _plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
    return value


class Orders(Mapping):
    """Read-only mapping of order to value, ascending; hashable, and equal to a dict of the same items."""

    __slots__ = ("_items",)

    def __init__(self, items: dict[Any, Any] | tuple[()] = ()) -> None:
        self._items = dict(sorted(dict(items).items()))

    def __getitem__(self, order: float | str) -> Orders | float | tuple[float, float]:
        return self._items[order]

    def __iter__(self) -> Any:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __hash__(self) -> int:
        return hash(tuple(self._items.items()))

    def __repr__(self) -> str:
        return repr(self._items)
