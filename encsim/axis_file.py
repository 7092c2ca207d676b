"""Axis files: TOML with units in text, read to an Axis; all faults of a file are reported at once."""

import dataclasses
import re
import tomllib

from . import _checks, _key_lines, _starter, _toml_text, units
from ._checks import NOTHING, Fault, InputError
from ._toml_text import read
from .axis import OPTIONAL_PARTS, PARTS, Axis
from .estimators import KINDS as ESTIMATORS
from .mechanics import Notch

SETTING = "--set"

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,80}(?:\[[0-9]{1,9}\])?")
_PLACE_IN_LIST = re.compile(r"\[[0-9]+\]\Z")
_ORDER = re.compile(r"0|-?[1-9][0-9]{0,8}")
_FRACTION = re.compile(r"[0-9]{1,9}\.[0-9]{1,20}")
_MOST_HINTS = 50
_STARTER_HINT = '"encsim new axis.toml" writes a starter'


def load(path):
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
    """
    return loads(read(path), str(path))


def loads(text, name="axis file"):
    """The axis that a text describes.

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
    """
    return loads_with(text, (), name)


def loads_with(text, settings, name="axis file"):
    """The axis that a text describes, with some values replaced.

    Parameters
    ----------
    text : str
        Contents of an axis file.
    settings : iterable of str
        ``section.key=value``, also ``signal.harmonics.3=0.002``; the value as in a file or bare, without
        quotes (``sampling.rate=8 kHz``). The value ``none`` leaves the key out.
    name : str
        What errors call the text.

    Returns
    -------
    Axis

    Raises
    ------
    InputError
        Every fault found, with section.key and line.
    """
    document = _toml_text.document(text, name)
    changed = _apply_all(document, settings)
    if not document:
        raise InputError(Fault("file", "describe an axis", NOTHING, hint=_STARTER_HINT, source=name))
    reader = _Reader(document)
    axis = reader.axis()
    if reader.faults:
        lines = _key_lines.find(text)
        faults = [_placed(path, fault, lines, changed, name) for path, fault in reader.faults]
        raise InputError(*sorted(faults, key=lambda fault: fault.line or 1 << 40))
    return axis


def starter(rotary=False):
    """A commented axis file to start from, for an invented axis.

    Parameters
    ----------
    rotary : bool
        For a rotary scale.

    Returns
    -------
    str
        Every key there is, in use or commented out, with its unit and what it means.
    """
    return _starter.text(rotary)


def _apply_all(document, settings):
    """Put the settings into the document; returns the paths of their keys."""
    pairs = [(str(setting), _setting_path(str(setting))) for setting in settings]
    hint = 'as in sampling.rate="8 kHz"'
    bad = [Fault(SETTING, "be section.key=value", text, hint=hint) for text, path in pairs if path is None]
    if bad:
        raise InputError(*bad)
    for text, path in pairs:
        _apply(document, path, text.partition("=")[2].strip())
    return {path for _, path in pairs}


def _setting_path(setting):
    """Path of the key in ``section.key=value``, None where it is no such text."""
    key, equals, _ = setting.partition("=")
    path = tuple(part.strip() for part in key.split("."))
    return path if equals and all(path) and len(path) <= 3 else None


def _apply(document, path, value):
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


def _setting_value(text):
    """A value as in a file, or else the bare text."""
    try:
        found = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return found["value"] if len(found) == 1 else text


def _placed(path, fault, lines, changed, name):
    """The fault with its line in the file, or marked as a setting's."""
    if any(path[:depth] in changed for depth in range(1, len(path) + 1)):
        return dataclasses.replace(fault, source=SETTING)
    path = tuple(_PLACE_IN_LIST.sub("", part) for part in path)
    depths = range(min(len(path), 3), 0, -1)
    line = next((lines[path[:depth]] for depth in depths if path[:depth] in lines), None)
    return dataclasses.replace(fault, line=line, source=name)


def _label(path):
    """A path as section.key, odd keys in quotes."""
    return ".".join(part if _BARE_KEY.fullmatch(part) else f'"{_checks.one_line(part, 40)}"' for part in path)


def _keys(section):
    """Fields of a section by name; those of all kinds for the estimator, and its kind."""
    if section != "estimator":
        return {item.name: item for item in dataclasses.fields(PARTS[section])}
    fields = {item.name: item for kind in ESTIMATORS.values() for item in dataclasses.fields(kind)}
    return {"kind": None, **fields}


class _Reader:
    """Makes an axis of a document and collects the faults on the way, each with the path it was written at."""

    def __init__(self, document):
        self.faults = []
        self.tables = {section: {} for section in PARTS}
        self.written = {}
        self.unread, self.named = set(), set()
        self.unit = self.diameter = None
        strays = []
        for name, table in document.items():
            self._sort_section(name, table, document, strays)
        for path, section, value in strays:
            self._stray(path, section, value)

    def fault(self, path, rule, value, unit="", hint=""):
        """Record a fault of the key with this path."""
        place = self.written.get(path[:2], path[:2]) + path[2:]
        self.faults.append((place, Fault(_label(path), rule, value, unit, hint)))

    def axis(self):
        """The axis, or None where a fault was found."""
        parts = {}
        absent = [name for name in OPTIONAL_PARTS if name not in self.named]
        for section in PARTS:
            part = None if section in self.unread or section in absent else self._part(section)
            if part is None:
                continue
            parts[section] = part
            if section == "scale":
                self.unit, self.diameter = part.unit, part.diameter
        if len(parts) + len(absent) < len(PARTS):
            return None
        try:
            return Axis(**parts)
        except InputError as error:
            for fault in error.faults:
                self._relabel(fault, fault.field.split(".")[1:])
            return None

    def _sort_section(self, name, table, document, strays):
        """Put the keys of one table where they belong; those that no field has go to ``strays``."""
        section = name
        if name not in PARTS:
            if not isinstance(table, dict):
                strays.append(((name,), None, table))
                return
            section = self._unknown_section(name, document)
        elif not isinstance(table, dict):
            self.fault((name,), f"be a table of keys, begun by [{name}] once", table)
            self.unread.add(name)
            return
        self.named.add(section)
        for key, value in table.items() if section else ():
            if key in _keys(section):
                self._place((name, key), (section, key), value)
            else:
                strays.append(((name, key), section, value))

    def _place(self, written, path, value):
        """Take a value as that of the key with this path."""
        self.tables[path[0]][path[1]] = value
        self.written[path] = written

    def _unknown_section(self, name, document):
        """Record an unknown table; returns the section that was meant, if it is not there too."""
        near = units.nearest(name, PARTS) if len(self.faults) < _MOST_HINTS else None
        hint = f"did you mean [{near}]?" if near else ""
        self.fault((name,), f"be a section of an axis file ({', '.join(PARTS)})", f"[{name}]", hint=hint)
        return near if near not in document else None

    def _stray(self, path, section, value):
        """Record a key that its section does not have; read on as if it were written rightly."""
        homes = [(other, path[-1]) for other in PARTS if path[-1] in _keys(other)]
        near = None
        if not homes and section and len(self.faults) < _MOST_HINTS:
            near = units.nearest(path[-1], _keys(section))
        meant = [(section, near)] if near else homes
        rule = f"be a key of [{path[0]}]" if section else "be a section, or stand in one"
        known = f"it has {', '.join(_keys(section))}" if section else ""
        hint = f"did you mean {' or '.join(_label(home) for home in meant)}?" if meant else known
        self.fault(path, rule, path[-1] if section else value, hint=hint)
        if len(meant) == 1 and meant[0][1] not in self.tables[meant[0][0]]:
            self._place(path, meant[0], value)

    def _part(self, section):
        """One part of the axis, or None where a fault was found."""
        kind, given = PARTS[section], self.tables[section]
        before = len(self.faults)
        if section == "estimator":
            kind, given = self._estimator(given)
            if kind is None:
                return None
        values = {}
        for item in dataclasses.fields(kind):
            values |= self._field(section, item, given)
        try:
            part = kind(**values)
        except InputError as error:
            for fault in error.faults:
                path = fault.field.split(".")[1:]
                if values.get(path[0]) is not NOTHING:
                    self._relabel(fault, [section, *path])
            return None
        return part if len(self.faults) == before else None

    def _estimator(self, given):
        """Class of the estimator and its keys; None where the kind is not known."""
        kind = given.get("kind", None if given else "difference")
        if not isinstance(kind, str) or kind not in ESTIMATORS:
            near = units.nearest(kind, ESTIMATORS) if isinstance(kind, str) else None
            hint = f'did you mean "{near}"?' if near else ""
            rule = f"be one of {', '.join(ESTIMATORS)}"
            self.fault(("estimator", "kind"), rule, NOTHING if kind is None else kind, hint=hint)
            return None, {}
        own = {item.name for item in dataclasses.fields(ESTIMATORS[kind])}
        for key in given.keys() - own - {"kind"}:
            self.fault(("estimator", key), f'be left out with kind "{kind}"', given[key])
        return ESTIMATORS[kind], {key: given[key] for key in own & given.keys()}

    def _field(self, section, item, given):
        """{name: value} of one field, empty for its default; NOTHING, which every field refuses, if faulty."""
        path = (section, item.name)
        if item.name not in given:
            missing = item.default is item.default_factory is dataclasses.MISSING
            if not missing:
                return {}
            self.fault(path, f"be given{self._example(item)}", NOTHING)
            return {item.name: NOTHING}
        value, dimension = given[item.name], item.metadata.get("dimension")
        if item.name == "notch":
            return {item.name: self._notches(path, value)}
        if item.default_factory is dict:
            return {item.name: self._orders(path, value, dimension)}
        return {item.name: value if dimension is None else self._quantity(path, value, dimension)}

    def _example(self, item):
        dimension = item.metadata.get("dimension")
        return f', as in {item.name} = "{units.DIMENSIONS[dimension].example}"' if dimension else ""

    def _quantity(self, path, text, dimension):
        """The SI number of a text with a unit; NOTHING where it is none."""
        diameter = self.diameter if dimension == "position" else None
        try:
            return units.parse(text, units.on_scale(dimension, self.unit), diameter=diameter)
        except InputError as error:
            for fault in error.faults:
                self.fault(path, fault.rule, fault.value, hint=fault.hint)
        return NOTHING

    def _orders(self, path, table, dimension):
        """A table {order: value} with orders as ints; faulty ones are left out."""
        if not isinstance(table, dict):
            self.fault(path, "be a table of orders, as in {3 = ...}", table)
            return NOTHING
        found = {}
        for key, value in table.items():
            order = self._order(path, key)
            if order is None:
                continue
            if dimension is None:
                found[order] = value
            elif (line := self._line((*path, key), value, dimension)) is not NOTHING:
                found[order] = line
        return found

    def _order(self, path, key):
        """The order that a key of a table of orders means, None where it is none."""
        if _ORDER.fullmatch(key):
            return int(key)
        if path[-1] == "cogging" and _FRACTION.fullmatch(key):
            return float(key)
        self.fault((*path, key), "have a whole number as its order", key)
        return None

    def _notches(self, path, tables):
        """The notches of a list of tables; NOTHING where one is faulty."""
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            self.fault(path, 'be a list of tables, as in [{frequency = "600 Hz", damping = 0.5}]', tables)
            return NOTHING
        before = len(self.faults)
        found = [self._notch((path[0], f"{path[1]}[{place}]"), table) for place, table in enumerate(tables)]
        return NOTHING if len(self.faults) > before else tuple(found)

    def _notch(self, path, table):
        """One notch, None where it is faulty."""
        known = {item.name: item.metadata.get("dimension") for item in dataclasses.fields(Notch)}
        for key in table.keys() - known.keys():
            near = units.nearest(key, known)
            hint = f"did you mean {near}?" if near else f"it has {', '.join(known)}"
            self.fault((*path, key), "be a key of a notch", key, hint=hint)
        values = {
            key: self._notch_value((*path, key), table[key], known[key]) for key in known if key in table
        }
        if NOTHING in values.values():
            return None
        try:
            return Notch(**values)
        except InputError as error:
            for fault in error.faults:
                self._relabel(fault, [*path, *fault.field.split(".")[1:]])
        return None

    def _notch_value(self, path, value, dimension):
        return value if dimension is None else self._quantity(path, value, dimension)

    def _line(self, path, value, dimension):
        """One line of a given error: an amplitude, or an amplitude and a phase."""
        if not isinstance(value, list):
            return self._quantity(path, value, dimension)
        if len(value) != 2:
            self.fault(path, 'be an amplitude or an amplitude and a phase, ["20 nm", "17 deg"]', value)
            return NOTHING
        pair = self._quantity(path, value[0], dimension), self._quantity(path, value[1], "angle")
        return NOTHING if NOTHING in pair else pair

    def _relabel(self, fault, path):
        """Record a fault that a part of the axis raised, under the key it has in a file."""
        value = NOTHING if fault.value is None else fault.value
        hint = fault.hint or _pure_number_hint(path, fault.value)
        self.fault(tuple(path), fault.rule, value, fault.unit, hint)


def _pure_number_hint(path, value):
    """How to write a pure number that was given as text."""
    if not isinstance(value, str) or len(path) < 2 or path[1] == "output":
        return ""
    percent = re.fullmatch(r"\s*([-+]?[0-9]+(?:\.[0-9]*)?)\s*%\s*", value[:40])
    if percent:
        return f"write {float(percent[1]) / 100.0:.12g}"
    return "a pure number has no unit and no quotes"
