"""Results in files, and back: JSON for reading by other programs, NPZ for long arrays; the same tree in both.

Plain values stand as they are: null, true, numbers, text, lists (tuples), objects (mappings of words). All else is an
object with one key that begins with ``$``: ``$array`` (NaN as null, infinite as "inf"; in NPZ the name of the array;
with ``at`` the place of the numbers in the plain values around it, as ``--json`` writes them),
``$float``, ``$complex``, ``$list``, ``$map``, ``$orders``, ``$axis`` (text of an axis file, of further ones the lines
that differ from the first), ``$class`` (a result or
description of encsim, with its fields), ``$same`` (an object that stands before, by its number).
"""

from __future__ import annotations

import dataclasses
import importlib
import io
import json
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, cast

import numpy as np

from .. import files
from ..checks import InputError, Orders, refuse
from ..model.axis import Axis
from ..results import SCHEMA, Origin, Result
from . import axis_file

if TYPE_CHECKING:
    from os import PathLike

# Name of the text within an NPZ file.
HEADER = "encsim"
# A file that unpacks to more is refused before it is unpacked.
MOST_BYTES = 1 << 31
_PACKAGE = __package__.partition(".")[0]
_CLASS = re.compile(r"[a-z_0-9]+(\.[a-z_0-9]+)*\.[A-Za-z_0-9]+")


def save(result: Result, path: str | PathLike[str], *, force: bool = False) -> None:
    """Write a result to a JSON or NPZ file, whole or not at all."""
    suffix = Path(path).suffix.lower()
    if suffix not in (".json", ".npz"):
        refuse("save.path", "end in .json or .npz", str(path))
    files.refuse_existing(path, force=force)
    writer = _Writer(None if suffix == ".json" else {})
    tree = result.header() | {"result": writer.value(result, ())}
    text = json.dumps(tree, allow_nan=False)
    if writer.arrays is None:
        files.write_whole(path, text + "\n", force=force)
        return
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **{HEADER: np.array(text)}, **writer.arrays)
    files.write_whole(path, stream.getvalue(), force=force)


def embedded(result: Result, plain: Mapping[str, Any]) -> dict[str, Any]:
    """``{"result": tree}`` to stand in plain values, which keep the numbers; empty for what no file can hold."""
    try:
        return {"result": _Writer(None, plain).value(result, ())}
    except InputError:
        return {}


def load_result(path: str | PathLike[str]) -> Result:
    """A result that ``result.save(path)`` or ``--json`` of a command wrote, equal to what it was.

    Parameters
    ----------
    path : path-like
        JSON or NPZ; told apart by what is in the file.

    Returns
    -------
    Result
        Of the class that was saved; with its axis, arguments and the version of encsim that computed it. Floats are
        exact, NaN and infinite ones too. Nothing is computed anew.

    Raises
    ------
    InputError
        If the file cannot be read, is not whole, holds no result (``encsim check`` and ``show`` print none)
        or one of another schema. NPZ files with Python objects (pickles) are refused.

    Examples
    --------
    >>> import encsim
    >>> curve = encsim.ripple(encsim.examples.load("stage_x"), ["1 mm/s", "10 mm/s"])
    >>> curve.save("curve.json", force=True)
    >>> encsim.load_result("curve.json").rms == curve.rms
    array([ True,  True])
    """
    try:
        content = Path(path).read_bytes()
    except (OSError, ValueError, TypeError) as error:
        refuse(
            "load_result.path", f"be a file that can be read ({getattr(error, 'strerror', error)})", str(path)
        )
    try:
        header, arrays = _opened(content)
    # The bytes may be anything, and the readers of NumPy, zip and JSON raise as many kinds of error.
    except Exception:
        _refuse_file(path, "be a whole JSON or NPZ file without Python objects")
    if not isinstance(header, dict) or not {"kind", "schema", "result"} <= header.keys():
        _refuse_file(path, "hold a result that result.save or --json wrote")
    if header["schema"] != SCHEMA:
        _refuse_file(
            path, f"have schema {SCHEMA}, that of encsim {Origin().version}, not {header['schema']!r}"
        )
    try:
        result = _Reader(arrays, header).value(header["result"])
        origin = Origin(header["function"], dict(header["arguments"]), str(header["version"]))
    except InputError:
        raise
    except Exception:
        _refuse_file(path, "hold all fields of a result of this version of encsim")
    if not isinstance(result, Result) or type(result).__name__ != header["kind"]:
        _refuse_file(path, "hold a result of the kind that it names")
    result.set_origin(origin)
    return result


def _refuse_file(path: object, rule: str) -> NoReturn:
    """Raise InputError about the file itself."""
    refuse("load_result.path", rule, str(path))


def _opened(content: bytes) -> tuple[Any, Mapping[str, np.ndarray]]:
    """Header and arrays of a file's bytes."""
    if not content.startswith(b"PK"):
        return json.loads(content.decode()), {}
    arrays = files.read_arrays(content, MOST_BYTES)
    return json.loads(str(arrays.pop(HEADER))), arrays


class _Writer:
    """Values as a tree of plain ones; arrays go into ``arrays`` unless that is None, or stand in ``plain`` already."""

    def __init__(self, arrays: dict[str, np.ndarray] | None, plain: Mapping[str, Any] | None = None) -> None:
        self.arrays, self.plain = arrays, plain
        # The objects themselves are kept too: an id is given anew when its object is gone.
        self.numbers: dict[int, tuple[int, object]] = {}
        self.first: list[str] | None = None

    def value(self, value: Any, place: tuple[str, ...]) -> Any:
        """One value; ``place`` names it within the result."""
        if value is None or isinstance(value, (bool, np.bool_)):
            return value if value is None else bool(value)
        if isinstance(value, str):
            return str(value)
        if isinstance(value, (int, np.integer)):
            return int(value)
        if isinstance(value, (float, np.floating)):
            return float(value) if math.isfinite(value) else {"$float": repr(float(value))}
        if isinstance(value, complex):
            return {"$complex": [self.value(part, place) for part in (value.real, value.imag)]}
        if isinstance(value, np.ndarray):
            return self._array(value, place)
        return self._nest(value, place)

    def _nest(self, value: Any, place: tuple[str, ...]) -> Any:
        """A value that holds others."""
        if isinstance(value, (list, tuple)):
            parts = [self.value(part, (*place, str(number))) for number, part in enumerate(value)]
            if hasattr(value, "_fields"):
                return {"$row": _own_name(type(value)), "values": parts}
            return parts if isinstance(value, tuple) else {"$list": parts}
        if isinstance(value, Mapping):
            return self._mapping(value, place)
        if dataclasses.is_dataclass(value):
            return self._object(value, place)
        return refuse("save", "meet values that a file can hold", type(value).__name__)

    def _mapping(self, value: Mapping[Any, Any], place: tuple[str, ...]) -> Any:
        """A mapping of words as an object, any other as pairs."""
        if not isinstance(value, Orders) and all(isinstance(key, str) and key[:1] != "$" for key in value):
            return {key: self.value(part, (*place, key)) for key, part in value.items()}
        pairs = [
            [self.value(key, place), self.value(part, (*place, str(key)))] for key, part in value.items()
        ]
        return {"$orders" if isinstance(value, Orders) else "$map": pairs}

    def _object(self, value: Any, place: tuple[str, ...]) -> Any:
        """An axis as its text, any other object with its fields; one that stands before by its number."""
        if id(value) in self.numbers:
            return {"$same": self.numbers[id(value)][0]}
        self.numbers[id(value)] = len(self.numbers), value
        if isinstance(value, Axis):
            return {"$axis": self._axis(value.to_toml().split("\n"))}
        name = _own_name(type(value))
        fields = [
            item for item in _kept_fields(type(value)) if self.plain is None or "again" not in item.metadata
        ]
        named = {item.name: getattr(value, item.name) for item in fields}
        kept = {key: self.value(part, (*place, key)) for key, part in named.items()}
        return {"$class": name, **kept}

    def _axis(self, lines: list[str]) -> Any:
        """The text of an axis, of further ones the lines that differ from the first."""
        if self.first is None or len(self.first) != len(lines):
            self.first = self.first or lines
            return "\n".join(lines)
        return {str(n): line for n, line in enumerate(lines) if line != self.first[n]}

    def _array(self, value: np.ndarray, place: tuple[str, ...]) -> dict[str, Any]:
        """An array; flat in JSON, with its shape unless that is its length."""
        if value.dtype.kind not in "biufcU":
            refuse("save", "meet arrays of numbers and words", str(value.dtype))
        if self.arrays is not None:
            name = ".".join(place)
            self.arrays[name] = value
            return {"$array": name}
        if self.plain is not None and value.dtype.kind in "biufU" and not np.any(value == math.inf):
            known = _node(self.plain, place)
            if isinstance(known, list) and not np.any(value == -math.inf) and np.shape(known) == value.shape:
                return {"$array": value.dtype.str, "at": list(place)}
        flat = value.ravel()
        plain: list[Any] = (flat.view(flat.real.dtype) if flat.dtype.kind == "c" else flat).tolist()
        if value.dtype.kind in "fc":
            plain = [_float(number) for number in plain]
        coded = {"$array": value.dtype.str, "values": plain}
        return coded if value.ndim == 1 else coded | {"shape": list(value.shape)}


def _node(plain: Any, place: Sequence[str]) -> Any:
    """What stands at a place within plain values; None where there is nothing."""
    for name in place:
        if isinstance(plain, list) and name.isdigit() and int(name) < len(plain):
            plain = plain[int(name)]
        elif isinstance(plain, Mapping) and name in plain:
            plain = plain[name]
        else:
            return None
    return plain


def _own_name(kind: type) -> str:
    """Module and name of a class of this package; any other is refused."""
    package, _, module = kind.__module__.partition(".")
    if package != _PACKAGE:
        refuse("save", "meet only classes of encsim", kind.__name__)
    return f"{module}.{kind.__name__}"


def _float(number: float) -> float | str | None:
    """A float of an array as JSON can hold it."""
    return number if math.isfinite(number) else None if math.isnan(number) else repr(number)


def _kept_fields(kind: type) -> list[dataclasses.Field[Any]]:
    """Fields that the class is called with, and those computed when asked for."""
    return [item for item in dataclasses.fields(kind) if item.init or "unit" in item.metadata]


class _Reader:
    """The values back from the tree."""

    def __init__(self, arrays: Mapping[str, np.ndarray], plain: Mapping[str, Any]) -> None:
        self.arrays, self.plain = arrays, plain
        self.objects: list[Any] = []
        self.first: list[str] | None = None

    def value(self, coded: Any) -> Any:
        """One value."""
        if isinstance(coded, list):
            return tuple(self.value(part) for part in coded)
        if not isinstance(coded, dict):
            return coded
        tag = next((key for key in coded if key[:1] == "$"), None)
        if tag is None:
            return {key: self.value(part) for key, part in coded.items()}
        return getattr(self, "_read_" + tag[1:])(coded[tag], coded)

    def _read_float(self, coded: str, whole: Any) -> float:
        return float(coded)

    def _read_complex(self, coded: list[Any], whole: Any) -> complex:
        return complex(*map(self.value, coded))

    def _read_list(self, coded: list[Any], whole: Any) -> list[Any]:
        return list(self.value(coded))

    def _read_row(self, coded: str, whole: Any) -> Any:
        return _class_of(coded)(*map(self.value, whole["values"]))

    def _read_map(self, coded: list[Any], whole: Any) -> dict[Any, Any]:
        return {self.value(key): self.value(part) for key, part in coded}

    def _read_orders(self, coded: list[Any], whole: Any) -> Orders:
        return Orders(self._read_map(coded, whole))

    def _read_same(self, coded: int, whole: Any) -> Any:
        return self.objects[coded]

    def _read_axis(self, coded: str | dict[str, str], whole: Any) -> Axis:
        if isinstance(coded, str):
            lines = coded.split("\n")
            self.first = self.first or lines
        else:
            lines = [coded.get(str(n), line) for n, line in enumerate(self.first or [])]
        self.objects.append(axis_file.loads("\n".join(lines), "axis of the result"))
        return cast("Axis", self.objects[-1])

    def _read_array(self, coded: str, whole: dict[str, Any]) -> np.ndarray:
        if "at" in whole:
            return np.array(_node(self.plain, whole["at"]), dtype=_dtype(coded))
        if "values" not in whole:
            return self.arrays[coded]
        kind = _dtype(coded)
        values = whole["values"]
        if kind.kind in "fc":
            values = [math.nan if number is None else float(number) for number in values]
        array = np.array(values, dtype=np.empty(0, kind).real.dtype)
        return array.view(kind).reshape(whole.get("shape", -1))

    def _read_class(self, coded: str, whole: dict[str, Any]) -> Any:
        kind, place = _class_of(coded), len(self.objects)
        self.objects.append(None)
        fields = [item for item in _kept_fields(kind) if item.name in whole or "again" not in item.metadata]
        values = {item.name: self.value(whole[item.name]) for item in fields}
        values |= _again(kind, values)
        given = {item.name for item in dataclasses.fields(kind) if item.init}
        made = kind(**{name: value for name, value in values.items() if name in given})
        # What was computed when it was asked for stays as it was.
        for name in values.keys() - given:
            vars(made)[name] = values[name]
        self.objects[place] = made
        return made


def _dtype(name: str) -> np.dtype[Any]:
    """Type of an array of numbers or words; nothing else."""
    kind = np.dtype(name)
    if kind.kind not in "biufcU":
        raise ValueError(name)
    return kind


def _again(kind: Any, known: Mapping[str, Any]) -> dict[str, Any]:
    """Fields that plain values left out for their size, computed by the function that the metadata name."""
    names = {item.name: item.metadata["again"] for item in _kept_fields(kind) if item.name not in known}
    made = {name: getattr(importlib.import_module(kind.__module__), name) for name in set(names.values())}
    same = {name: make(known["axis"], speed=known["speed"]) for name, make in made.items()}
    return {name: getattr(same[function], name) for name, function in names.items()}


def _class_of(name: str) -> Any:
    """A frozen class or row of this package by module and name; nothing else can be named by a file."""
    if not _CLASS.fullmatch(name):
        raise ValueError(name)
    module, _, last = name.rpartition(".")
    kind = getattr(importlib.import_module(f"{_PACKAGE}.{module}"), last)
    if (
        not isinstance(kind, type)
        or not (dataclasses.is_dataclass(kind) or (issubclass(kind, tuple) and hasattr(kind, "_fields")))
        or kind.__module__ != f"{_PACKAGE}.{module}"
    ):
        raise ValueError(name)
    return kind
