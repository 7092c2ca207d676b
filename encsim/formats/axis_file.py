"""Axis files: TOML with units in text, read to an Axis; all faults of a file are reported at once."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from .. import wording
from ..checks import NOTHING, Fault, InputError, refuse
from . import changes, starter_files, toml_text
from .axis_reader import OTHER_SECTIONS as OTHER_SECTIONS
from .axis_reader import Reader
from .toml_text import read

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from ..model.axis import Axis


SETTING = "--set"

_DEEPEST_FAULT = 5
_STARTER_HINT = '"encsim new axis.toml" writes a starter'


def load(path: Path | str) -> Axis:
    """The axis that a file describes.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    Axis

    Raises
    ------
    InputError
        If the file cannot be read or is no axis file; it lists every fault with section.key and line.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> axis.sampling.rate
    16000.0
    """
    return loads(read(path), str(path))


def loads(text: str, name: str = "axis file") -> Axis:
    r"""The axis that a text describes.

    Parameters
    ----------
    text : str
        Contents of an axis file.
    name : str
        What errors call the text.

    Returns
    -------
    Axis

    Raises
    ------
    InputError
        Every fault found, with section.key and line.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.loads('scale.period = "20 um"\nsampling.rate = "16 kHz"')
    >>> axis.sampling.rate
    16000.0
    """
    return loads_with(text, (), name)


def loads_with(text: str, settings: Iterable[str], name: str = "axis file") -> Axis:
    """The axis that a text describes, with some values replaced."""
    document = toml_text.document(text, name)
    changed = apply_settings(document, settings)
    if not document:
        raise InputError(Fault("file", "describe an axis", NOTHING, hint=_STARTER_HINT, source=name))
    reader = Reader(document)
    axis = reader.axis()
    if axis is None or reader.faults:
        lines = toml_text.find(text)
        faults = [placed(path, fault, lines, changed, name) for path, fault in reader.faults]
        raise InputError(*sorted(faults, key=lambda fault: fault.line or 1 << 40))
    return dataclasses.replace(axis, shown=wording.typed(_texts(document)))


def _texts(value: Any) -> Iterator[str]:
    """All texts in a document, in their order."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, (list, tuple)):
        for part in value:
            yield from _texts(part)


def changed(axis: Axis, values: Mapping[str, Any]) -> Axis:
    """The axis with these values, text as --set takes it or SI; `Axis.with_` says what is refused."""
    if not isinstance(values, Mapping):
        refuse("changes", "be a key, as in sampling.rate, or keys and values", values)
    settings = [f"{key}={_setting_text(axis, str(key), value)}" for key, value in values.items()]
    try:
        return dataclasses.replace(loads_with(axis.to_toml(), settings), shown=axis.shown)
    except InputError as error:
        # no line and no option: the text that was read is one that the caller never saw
        raise InputError(
            *(dataclasses.replace(fault, line=None, source="") for fault in error.faults)
        ) from None


def _setting_text(axis: Axis, key: str, value: Any) -> str:
    """A value as ``--set`` takes it: text as it is, what holds text as TOML, SI with the unit of its key."""
    if key == "estimator" and isinstance(value, str) and value[:1] not in ("{", ""):
        value = changes.read(axis, key, value)
    if isinstance(value, str):
        return value
    return _toml(value) if _holds_text(value) else changes.setting(axis, key, value)


def _holds_text(value: Any) -> bool:
    """Whether a mapping or list holds text, at any depth."""
    if isinstance(value, Mapping):
        return any(map(_holds_text, value.values()))
    return isinstance(value, str) or (isinstance(value, (list, tuple)) and any(map(_holds_text, value)))


def _toml(value: Any) -> str:
    """A value of numbers and text as TOML."""
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{json.dumps(str(key))} = {_toml(part)}' for key, part in value.items())}}}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value)


def starter(rotary: bool = False, **used: bool) -> str:
    """A commented axis file to start from, for an invented axis; ``used`` as of `starter_files.text`."""
    return starter_files.text(rotary, **used)


def apply_settings(document: dict[str, Any], settings: Iterable[str]) -> set[tuple[str, ...]]:
    """Put the settings into the document; returns the paths of their keys."""
    pairs = [(str(setting), _setting_path(str(setting))) for setting in settings]
    hint = 'as in sampling.rate="8 kHz"'
    bad = [Fault(SETTING, "be section.key=value", text, hint=hint) for text, path in pairs if path is None]
    if bad:
        raise InputError(*bad)
    good = [(text, path) for text, path in pairs if path is not None]
    for text, path in good:
        _apply(document, path, text.partition("=")[2].strip())
    return {path for _, path in good}


def _setting_path(setting: str) -> tuple[str, ...] | None:
    """Path of the key in ``section.key=value``, None where it is no such text."""
    key, equals, _ = setting.partition("=")
    path = tuple(part.strip() for part in key.split("."))
    return path if equals and all(path) and len(path) <= 3 else None


def _apply(document: dict[str, Any], path: tuple[str, ...], value: str) -> None:
    """Set one key of the document, or leave it out for ``none``."""
    table = document
    for part in path[:-1]:
        if not isinstance(table.get(part), dict):
            table[part] = {}
        table = table[part]
    if value == "none":
        table.pop(path[-1], None)
    else:
        table[path[-1]] = _setting_value(value)


def _setting_value(text: str) -> Any:
    """A value as in a file, or else the bare text."""
    try:
        table = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return table["value"] if len(table) == 1 else text


def placed(
    path: tuple[Any, ...], fault: Fault, lines: dict[tuple[str, ...], int], changed: set[Any], name: str
) -> Fault:
    """The fault with its line in the file, or marked as a setting's."""
    if any(path[:depth] in changed for depth in range(1, len(path) + 1)):
        return dataclasses.replace(fault, source=SETTING)
    depths = range(min(len(path), _DEEPEST_FAULT), 0, -1)
    line = next((lines[path[:depth]] for depth in depths if path[:depth] in lines), None)
    return dataclasses.replace(fault, line=line, source=name)
