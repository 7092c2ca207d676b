"""What every result can do: turn into plain values with their units, be drawn, and be written as a table.

A result class declares; what it declares is done here: ``field(metadata=measured_in("position/s"))`` gives a field
its unit, `computed` one that is computed when asked for, ``part_units`` gives units to values inside fields,
``plot = picture(...)`` names the picture that shows it, ``tabled`` the fields that make its table;
`recorded` on the function that makes it keeps the arguments. How a result is shown is in `result_views`, how it is
kept in a file in `formats.result_files`. A read-only mapping of order to value serves the frozen descriptions.
"""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import functools
import importlib
import inspect
import io
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, ParamSpec, TypeVar, cast

import numpy as np

from . import __version__, checks, files, result_views, wording

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from os import PathLike

    from matplotlib.axes import Axes


P = ParamSpec("P")
R = TypeVar("R")
ROWS = 1 << 16
# Number of the form of plain values and saved results; it rises when a program that reads them must change.
SCHEMA = 1
# Longest array that a result remembers as an argument, number by number.
REMEMBERED = 1000
# Arguments that do not change the outcome, or are kept otherwise: the axis as text, a drawn seed as a number.
_NOT_RECORDED = {"axis", "executor", "progress", "resume", "rng", "threads"}
# Axes of the examples in docstrings of pictures.
AXIS_EXAMPLE = """\
signal = encsim.Signal(gain=0.02, jitter=1e-9)
axis = encsim.Axis(encsim.Scale(period=20e-6), signal=signal, sampling=encsim.Sampling(16e3))
"""
LOOP_EXAMPLE = """\
load = encsim.Load(10.0)
control = encsim.Control(velocity_gain=4e3, position_gain=60.0)
axis = encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3), load=load, control=control)
"""


def measured_in(unit: str) -> dict[str, str]:
    """Metadata of a field with this unit: a unit's name, or a word of :func:`scale_units`."""
    return {"unit": unit}


def computed(unit: str, value: Callable[[Any], Any]) -> Any:
    """A field with this unit whose value ``value(result)`` is computed when it is first asked for, and kept."""
    return dataclasses.field(
        init=False, repr=False, default=functools.cached_property(value), metadata=measured_in(unit)
    )


class Origin(NamedTuple):
    """Where a result comes from: the public function, its arguments as plain values, the version of encsim."""

    function: str | None = None
    arguments: Mapping[str, Any] = {}
    version: str = __version__


def recorded(function: Callable[P, R]) -> Callable[P, R]:
    """Decorator of a public function: the result remembers its name and arguments, see `Result.arguments`."""
    signature = inspect.signature(function)

    @functools.wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        result = function(*args, **kwargs)
        if isinstance(result, Result):
            given = signature.bind(*args, **kwargs)
            given.apply_defaults()
            kept = {name: _remembered(value) for name, value in given.arguments.items()
                    if name not in _NOT_RECORDED}  # fmt: skip
            if "seed" in kept and hasattr(result, "seed"):
                kept["seed"] = result.seed
            result.set_origin(Origin(function.__name__, kept))
        return result

    return call


def _remembered(value: Any) -> Any:
    """An argument as plain values; a long array by its length and a digest of its numbers."""
    if isinstance(value, (list, tuple, np.ndarray)) and len(np.shape(value)) and len(value) > REMEMBERED:
        import hashlib

        digest = hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()[:16]
        return f"array of {np.size(value)} values, SHA-256 {digest}"
    if type(value).__name__ == "Capture":
        return repr(value)
    return _plain(value)


def scale_units(position: str) -> dict[str, str]:
    """Units that follow from the position unit of a scale, by the words that stand for them in declarations."""
    linear = position == "m"
    return {
        "position": position,
        "position/s": f"{position}/s",
        "force": "N" if linear else "N m",
        "velocity gain": "N s/m" if linear else "N m s/rad",
    }


def picture(
    place: str,
    draws: str,
    *,
    alone: str = "Where to draw",
    refined: bool = False,
    raises: str = "",
    example: str,
    options: Mapping[str, tuple[str, str]] | None = None,
) -> Callable[..., Axes]:
    """A method that draws one picture of a result.

    Parameters
    ----------
    place : str
        Module and function that draw it, ``"figures.ripple:ripple"``. They are loaded when a picture is drawn: figures
        stand to the right of the results. The function takes the result, axes or None, and the options.
    draws : str
        First sentence of the method's docstring.
    alone : str
        What given axes take.
    refined : bool
        Whether ``self.refined()`` is drawn in the place of the result.
    raises : str
        When the method raises InputError.
    example : str
        Code that makes such a result and calls the method, for the docstring.
    options : mapping of str to (str, str), optional
        Further keywords, each with its type and what it is.
    """
    module, _, name = place.partition(":")
    extra = dict(options or {})

    def plot(self: Result, ax: Axes | None = None, **given: Any) -> Axes:
        unknown = given.keys() - extra.keys()
        if unknown:
            raise TypeError(f"plot() got an unexpected keyword argument {min(unknown)!r}")
        if not (ax is None or hasattr(ax, "xaxis")):
            checks.refuse("plot.ax", "be Axes of Matplotlib, or None for a new figure", ax)
        draw = getattr(importlib.import_module(f"{__package__}.{module}"), name)
        with drawing_settings() if ax is None else contextlib.nullcontext(), wording.of(self):
            return cast("Axes", draw(cast("Any", self).refined() if refined else self, ax, **given))

    takes = f"{alone}; without it the whole sheet is drawn on a new figure."
    returns = "Of the main panel." + " A range of speeds is drawn :meth:`refined`." * refined
    plot.__doc__ = _plot_docstring(
        draws, {"ax": ("matplotlib.axes.Axes", takes), **extra}, returns, raises, example
    )
    cast("Any", plot).__signature__ = _plot_signature(extra)
    return plot


def drawing_settings() -> AbstractContextManager[None]:
    """Settings of Matplotlib to draw and save pictures with; loaded when they are needed."""
    return cast(
        "AbstractContextManager[None]",
        importlib.import_module(f"{__package__}.presentation.canvas").own_settings(),
    )


def _plot_docstring(
    draws: str, takes: Mapping[str, tuple[str, str]], returns: str, raises: str, example: str
) -> str:
    """The docstring of a method that draws, numpydoc."""
    parameters = [line for name, (kind, words) in takes.items()
                  for line in (f"{name} : {kind}, optional", f"    {words}")]  # fmt: skip
    sections = {
        "Parameters": parameters,
        "Returns": ["matplotlib.axes.Axes", f"    {returns}"],
        "Raises": ["InputError", f"    {raises}"] if raises else [],
        "Examples": [f">>> {line}" for line in example.splitlines()],
    }
    blocks = ["\n".join([title, "-" * len(title), *lines]) for title, lines in sections.items() if lines]
    return "\n\n".join([draws, *blocks]) + "\n"


def _plot_signature(options: Mapping[str, Any]) -> inspect.Signature:
    """``(self, ax=None, *, option=None)``."""
    place, keyword = inspect.Parameter.POSITIONAL_OR_KEYWORD, inspect.Parameter.KEYWORD_ONLY
    return inspect.Signature(
        [
            inspect.Parameter("self", place),
            inspect.Parameter("ax", place, default=None),
            *(inspect.Parameter(name, keyword, default=None) for name in options),
        ]
    )


class Result:
    """Base of the frozen results: ``to_dict`` lists the fields, plain and ready for JSON.

    A subclass is a frozen dataclass with ``valid`` and ``reasons`` among its fields. Fields with metadata
    ``{"plain": False}`` stay out (the axis a result came from, say).
    """

    part_units: ClassVar[Mapping[str, str]] = {}

    def __init_subclass__(cls) -> None:
        # Set before the decorator of dataclasses looks: a method of the base class it would hide by its own.
        if "__repr__" not in vars(cls):
            cls.__repr__ = Result.__repr__  # type: ignore[method-assign]

    def __repr__(self) -> str:
        return result_views.text(self)

    def __str__(self) -> str:
        return result_views.printed(self)

    def _repr_html_(self) -> str:
        """Picture and key numbers, for a notebook."""
        return result_views.page(self)

    @property
    def origin(self) -> Origin:
        """Function, arguments and version that made it; nothing where the class was called."""
        return cast("Origin", self.__dict__.get("_origin", Origin()))

    def set_origin(self, origin: Origin) -> None:
        """Remember where the result comes from."""
        self.__dict__["_origin"] = origin

    @property
    def arguments(self) -> dict[str, Any]:
        """Arguments of the function that made it, plain, defaults too; a long array by its digest."""
        return dict(self.origin.arguments)

    @property
    def position_unit(self) -> str:
        """Unit of positions, ``"m"`` or ``"rad"``: that of the axis' scale; empty without an axis."""
        axis = getattr(self, "axis", None)
        return "" if axis is None else str(axis.scale.unit)

    def unit_words(self) -> dict[str, str]:
        """Units by the words that stand for them in the declarations of this class."""
        return scale_units(self.position_unit)

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields and of values inside them, {key: unit}."""
        declared = {item.name: item.metadata["unit"] for item in self._fields() if "unit" in item.metadata}
        words = self.unit_words()
        return {name: words.get(unit, unit) for name, unit in {**declared, **self.part_units}.items()}

    def _fields(self) -> tuple[dataclasses.Field[Any], ...]:
        return dataclasses.fields(cast("Any", self))

    def to_dict(self) -> dict[str, Any]:
        """The result as plain lists, numbers and strings; NaN and infinite values become None.

        Beside the fields: ``kind`` (name of the class), ``schema``, ``version``, ``function`` and ``arguments`` that
        made it, ``axis`` (text of its file, None without one), ``units``, and ``result``, for `encsim.load_result`.
        """
        plain = self.plain_values()
        return plain | importlib.import_module(f"{__package__}.formats.result_files").embedded(self, plain)

    def plain_values(self) -> dict[str, Any]:
        """What `to_dict` gives but for ``result``; a complex number becomes [real, imaginary]."""
        shown = (item.name for item in self._fields() if item.metadata.get("plain", True))
        return self.header() | {name: _plain(getattr(self, name)) for name in shown}

    def header(self) -> dict[str, Any]:
        """What plain values and files begin with: kind, schema, version, origin, axis, units."""
        axis = getattr(self, "axis", None)
        return {
            "kind": type(self).__name__,
            "schema": SCHEMA,
            "version": self.origin.version,
            "function": self.origin.function,
            "arguments": self.arguments,
            "axis": None if axis is None else axis.to_toml(),
            "units": dict(self.units),
        }

    def save(self, path: str | PathLike[str], *, force: bool = False) -> None:
        """Write the whole result to a file, from which `encsim.load_result` gives it back.

        Parameters
        ----------
        path : path-like
            ``.json``: text, every float by its shortest exact digits; ``.npz``: the arrays as NumPy keeps them, by the
            names of their fields.
        force : bool
            Whether a file that is there is replaced.

        Raises
        ------
        InputError
            If the path ends otherwise, exists already or cannot be written, or the result holds an object of a class
            that is not part of encsim (a user's own estimator).
        """
        importlib.import_module(f"{__package__}.formats.result_files").save(self, path, force=force)


class Series(Result):
    """A result made of arrays of one length, which can also be written as a table.

    ``tabled`` names the fields that make the table; without it all arrays do.
    """

    tabled: ClassVar[tuple[str, ...]] = ()

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}; mappings of arrays become one column an entry."""
        units, columns = self.units, {}
        for field_name in self.tabled or [item.name for item in self._fields()]:
            value = getattr(self, field_name)
            entries = value if isinstance(value, Mapping) else {field_name: value}
            for name, column in entries.items():
                if isinstance(column, np.ndarray) and column.ndim == 1:
                    columns[_header(name, units.get(name, units.get(field_name, "")))] = column
        return columns

    def to_csv_text(self) -> str:
        """The table as text: a header of name_unit, then a row a point."""
        columns = self.columns()
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(files.harmless(columns))
        # Piece by piece: the writer answers no interrupt, and lists take four times an array's memory.
        for first in range(0, max(map(len, columns.values()), default=0), ROWS):
            piece = (files.harmless(column[first : first + ROWS].tolist()) for column in columns.values())
            writer.writerows(zip(*piece, strict=True))
        return text.getvalue()

    def to_csv(self, path: str | PathLike[str], *, force: bool = False) -> None:
        """Write the table to a file, whole or not at all; a file that is there is replaced only with ``force``."""
        files.write_whole(path, self.to_csv_text(), force=force)

    def to_dataframe(self) -> Any:
        """The table as a pandas DataFrame, columns named as in CSV; ImportError where pandas is not installed."""
        try:
            import pandas as pd
        except ImportError as error:
            raise ImportError("to_dataframe needs pandas: pip install pandas") from error
        return pd.DataFrame(self.columns())


def _header(name: str, unit: str) -> str:
    """``speed`` in ``m/s`` as ``speed_m_s``."""
    return f"{name}_{unit.replace('/', '_').replace(' ', '_')}" if unit and unit != "1" else name


def _plain(value: Any) -> Any:
    """Any field of a result as JSON can hold it."""
    if isinstance(value, np.ndarray):
        plain = value.tolist()
        return plain if value.dtype.kind in "biuf" and np.isfinite(value).all() else _plain(plain)
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
    if hasattr(value, "to_toml"):
        return value.to_toml()
    if dataclasses.is_dataclass(value):
        return {item.name: _plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
    return value
