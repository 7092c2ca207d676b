"""A TOML document as an Axis: every fault is collected with the path of its key."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from .. import checks, units
from ..checks import NOTHING, Fault, InputError
from ..model.axis import OPTIONAL_PARTS, PARTS, Axis
from ..model.bounds import MOST_HEADS, MOST_NOTCHES
from ..model.estimators import KINDS as ESTIMATORS
from ..model.estimators import Difference
from ..model.load_and_control import Notch
from ..model.ring_geometry import Head

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,80}")
_ORDER = re.compile(r"0|-?[1-9][0-9]{0,8}")
_FRACTION = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,20})?(?:e[-+]?[0-9]{1,3})?")
_FRACTIONAL = ("cogging",)
_WORDS = ("output", "encoder")
_HEAD_KEYS = {"angle": "angle", "axial": "length", "tilt": "angle"}
MOST_HINTS = 50
# Sections that stand beside those of the axis; whoever needs one reads it, see _section_reader.
OTHER_SECTIONS = ("requirement", "candidates", "spread")


def label(path: tuple[Any, ...]) -> str:
    """A path as section.key, odd keys in quotes, a place in a list in brackets."""
    return "".join(f"[{part}]" if isinstance(part, int) else f".{_key(part)}" for part in path)[1:]


def _key(part: str) -> str:
    return part if _BARE_KEY.fullmatch(part) else f'"{checks.one_line(part, 40)}"'


def keys_of(section: str) -> dict[str, Any]:
    """Fields of a section by name; those of all kinds for the estimator, and its kind."""
    if section != "estimator":
        return {item.name: item for item in dataclasses.fields(PARTS[section])}
    fields = {item.name: item for kind in ESTIMATORS.values() for item in dataclasses.fields(kind)}
    return {"kind": None, **fields}


class Reader:
    """Makes an axis of a document and collects the faults on the way, each with the path it was written at."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.faults: list[tuple[tuple[Any, ...], Fault]] = []
        self.tables: dict[str, dict[str, Any]] = {section: {} for section in PARTS}
        self.written: dict[tuple[Any, ...], tuple[Any, ...]] = {}
        self.unread: set[str] = set()
        self.named: set[str] = set()
        self.unit: str | None = None
        self.diameter: float | None = None
        self.heads: Any = None
        strays: list[tuple[tuple[str, ...], str | None, Any]] = []
        for name, table in document.items():
            if name not in OTHER_SECTIONS:
                self._sort_section(name, table, document, strays)
        for path, section, value in strays:
            self._stray(path, section, value)

    def fault(self, path: tuple[Any, ...], rule: str, value: Any, unit: str = "", hint: str = "") -> None:
        """Record a fault of the key with this path."""
        place = self.written.get(path[:2], path[:2]) + path[2:]
        self.faults.append((place, Fault(label(path), rule, value, unit, hint)))

    def axis(self) -> Axis | None:
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
        heads: dict[str, Any] = {} if self.heads is None else {"heads": self._heads(self.heads)}
        if len(parts) + len(absent) < len(PARTS) or NOTHING in heads.values():
            return None
        try:
            return Axis(**parts, **heads)
        except InputError as error:
            for fault in error.faults:
                self._relabel(fault, fault.field.partition(":")[0].split(".")[1:])
            return None

    def _sort_section(self, name: str, table: Any, document: dict[str, Any], strays: list[Any]) -> None:
        """Put the keys of one table where they belong; those that no field has go to ``strays``."""
        section: str | None = name
        if name == "heads":
            self.heads = table
            return
        if name not in PARTS:
            if not isinstance(table, dict):
                strays.append(((name,), None, table))
                return
            section = self._unknown_section(name, document)
        elif not isinstance(table, dict):
            self.fault((name,), f"be a table of keys, begun by [{name}] once", table)
            self.unread.add(name)
            return
        if section in OTHER_SECTIONS:
            return
        if section is None:
            return
        self.named.add(section)
        for key, value in table.items():
            if key in keys_of(section):
                self._place((name, key), (section, key), value)
            else:
                strays.append(((name, key), section, value))

    def _place(self, written: tuple[str, ...], path: tuple[str, str], value: Any) -> None:
        """Take a value as that of the key with this path."""
        self.tables[path[0]][path[1]] = value
        self.written[path] = written

    def _unknown_section(self, name: str, document: dict[str, Any]) -> str | None:
        """Record an unknown table; returns the section that was meant, if it is not there too."""
        known = [*PARTS, *OTHER_SECTIONS]
        near = units.nearest(name, known) if len(self.faults) < MOST_HINTS else None
        hint = f"did you mean [{near}]?" if near else ""
        self.fault((name,), f"be a section of an axis file ({', '.join(known)})", f"[{name}]", hint=hint)
        return near if near not in document else None

    def _stray(self, path: tuple[str, ...], section: str | None, value: Any) -> None:
        """Record a key that its section does not have; read on as if it were written rightly."""
        homes = [(other, path[-1]) for other in PARTS if path[-1] in keys_of(other)]
        near = None
        if not homes and section and len(self.faults) < MOST_HINTS:
            near = units.nearest(path[-1], keys_of(section))
        meant = [(section, near)] if section and near else homes
        rule = f"be a key of [{path[0]}]" if section else "be a section, or stand in one"
        known = f"it has {', '.join(keys_of(section))}" if section else ""
        hint = f"did you mean {' or '.join(label(home) for home in meant)}?" if meant else known
        self.fault(path, rule, path[-1] if section else value, hint=hint)
        if len(meant) == 1 and meant[0][1] not in self.tables[meant[0][0]]:
            self._place(path, meant[0], value)

    def _part(self, section: str) -> Any:
        """One part of the axis, or None where a fault was found."""
        kind, given = PARTS[section], self.tables[section]
        before = len(self.faults)
        if section == "estimator":
            kind, given = self._estimator(given)
            if kind is None:
                return None
        values: dict[str, Any] = (
            {"diameter": self.diameter} if section == "ring" and self.diameter is not None else {}
        )
        for item in dataclasses.fields(kind):
            values |= self._field(section, item, given)
        try:
            part = kind(**values)
        except InputError as error:
            for fault in error.faults:
                path = fault.field.split(".", 2)[1:]
                if values.get(path[0]) is not NOTHING:
                    self._relabel(fault, [section, *path])
            return None
        return part if len(self.faults) == before else None

    def _estimator(self, given: dict[Any, Any]) -> tuple[Any, ...]:
        """Class of the estimator and its keys; None where the kind is not known."""
        usual = {item.name for item in dataclasses.fields(Difference)}
        kind = given.get("kind", Difference.kind if given.keys() <= usual else None)
        if not isinstance(kind, str) or kind not in ESTIMATORS:
            near = units.nearest(kind, ESTIMATORS) if isinstance(kind, str) else None
            hint = f'did you mean "{near}"?' if near else ""
            rule = f"be one of {', '.join(ESTIMATORS)}"
            self.fault(("estimator", "kind"), rule, NOTHING if kind is None else kind, hint=hint)
            return None, {}
        own = {item.name for item in dataclasses.fields(ESTIMATORS[kind])}
        for key in [key for key in given if key not in own | {"kind"}]:
            self.fault(("estimator", key), f'be left out with kind "{kind}"', given[key])
        return ESTIMATORS[kind], {key: given[key] for key in own & given.keys()}

    def _field(self, section: str, item: Any, given: dict[Any, Any]) -> dict[Any, Any]:
        """{name: value} of one field, empty for its default; NOTHING, which every field refuses, if faulty."""
        path = (section, item.name)
        if item.name not in given:
            missing = item.default is item.default_factory is dataclasses.MISSING
            if not missing or (path == ("ring", "diameter") and self.diameter is not None):
                return {}
            hint = "any value starts encsim tune, which proposes one" if path[0] == "control" else ""
            self.fault(path, f"be given{self._example(item)}", NOTHING, hint=hint)
            return {item.name: NOTHING}
        value, dimension = given[item.name], item.metadata.get("dimension")
        if item.name == "notch":
            return {item.name: self._notches(path, value)}
        if item.default_factory is dict:
            return {item.name: self._orders(path, value, dimension)}
        return {item.name: value if dimension is None else self._quantity(path, value, dimension)}

    def _example(self, item: Any) -> str:
        dimension = units.on_scale(item.metadata.get("dimension"), self.unit)
        return f', as in {item.name} = "{units.DIMENSIONS[dimension].example}"' if dimension else ""

    def _quantity(self, path: tuple[Any, ...], text: Any, dimension: str) -> Any:
        """The SI number of a text with a unit; NOTHING where it is none."""
        diameter = self.diameter if dimension == "position" else None
        try:
            return units.parse(text, units.on_scale(dimension, self.unit), diameter=diameter)
        except InputError as error:
            for fault in error.faults:
                self.fault(path, fault.rule, fault.value, hint=fault.hint)
        return NOTHING

    def _orders(self, path: tuple[str, str], table: Any, dimension: str | None) -> Any:
        """A table {order: value} with orders as ints; faulty ones are left out."""
        if not isinstance(table, dict):
            self.fault(path, "be a table of orders, as in {3 = ...}", table)
            return NOTHING
        orders: dict[float, Any] = {}
        for key, value in table.items():
            order = self._order(path, key, value, orders)
            if order is None:
                continue
            if dimension is None:
                orders[order] = value
            elif (line := self._line((*path, key), value, dimension)) is not NOTHING:
                orders[order] = line
        return orders

    def _order(self, path: tuple[str, str], key: str, value: Any, known: dict[float, Any]) -> float | None:
        """The order that a key of a table of orders means, None where it is none."""
        fractional = path[-1] in _FRACTIONAL
        form, split = (_FRACTION, isinstance(value, dict)) if fractional else (_ORDER, False)
        if split or not form.fullmatch(key):
            self._refuse_order(path, key, value)
            return None
        order = int(key) if _ORDER.fullmatch(key) else float(key)
        if order in known:
            self.fault((*path, key), "be given once", key)
            return None
        return order

    def _refuse_order(self, path: tuple[str, str], key: str, value: Any) -> None:
        """Record a key that is no order; a number with a point that has no quotes arrives as a table."""
        if path[-1] not in _FRACTIONAL:
            self.fault((*path, key), "have a whole number as its order", key)
            return
        split = isinstance(value, dict) and len(value) == 1 and _ORDER.fullmatch(key)
        hint = f'quotes keep it together, "{key}.{next(iter(value))}" = ...' if split else ""
        self.fault(
            (*path, key), 'have a number as its order, as in 6 or "31.25"', value if split else key, hint=hint
        )

    def _heads(self, values: Any) -> Any:
        """Heads of a list of angles or tables; NOTHING where one is faulty."""
        if not isinstance(values, list) or not 1 <= len(values) <= MOST_HEADS:
            self.fault(("heads",), f'be a list of 1 to {MOST_HEADS} angles, as ["0 deg", "180 deg"]', values)
            return NOTHING
        heads = [self._head(("heads", place), value) for place, value in enumerate(values)]
        return NOTHING if NOTHING in heads else tuple(heads)

    def _head(self, path: tuple[str, int], value: Any) -> Any:
        """One head: its angle, or a table with its axial distance and tilt; NOTHING where it is faulty."""
        if not isinstance(value, dict):
            return self._quantity(path, value, "angle")
        before = len(self.faults)
        for key in [key for key in value if key not in _HEAD_KEYS]:
            self.fault((*path, key), f"be a key of a head ({', '.join(_HEAD_KEYS)})", key)
        if "angle" not in value:
            self.fault((*path, "angle"), 'be given, as in angle = "90 deg"', NOTHING)
        known = {
            key: self._quantity((*path, key), value[key], dimension)
            for key, dimension in _HEAD_KEYS.items()
            if key in value
        }
        try:
            return Head(known.pop("angle"), **known) if len(self.faults) == before else NOTHING
        except InputError as error:
            for fault in error.faults:
                self._relabel(fault, [*path, fault.field.split(".")[1]])
        return NOTHING

    def _notches(self, path: tuple[str, str], tables: Any) -> Any:
        """The notches of a list of tables; NOTHING where one is faulty."""
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            rule = 'be a list of tables, each begun by [[control.notch]], or [{frequency = "600 Hz"}]'
            self.fault(path, rule, tables)
            return NOTHING
        if len(tables) > MOST_NOTCHES:
            self.fault(path, f"be at most {MOST_NOTCHES}", len(tables))
            return NOTHING
        notches = [self._notch((*path, place), table) for place, table in enumerate(tables)]
        return NOTHING if None in notches else tuple(notches)

    def _notch(self, path: tuple[str, str, int], table: dict[Any, Any]) -> Notch | None:
        """One notch, None where it is faulty."""
        known = {item.name: item.metadata.get("dimension") for item in dataclasses.fields(Notch)}
        before, values = len(self.faults), dict[str, Any]()
        for written, value in table.items():
            key = written if written in known else self._unknown_notch_key(path, written, known)
            if key is not None and key not in values:
                dimension = known[key]
                values[key] = (
                    value if dimension is None else self._quantity((*path, written), value, dimension)
                )
        try:
            notch = Notch(**values)
        except InputError as error:
            for fault in error.faults:
                key = fault.field.split(".")[1]
                if values.get(key) is not NOTHING:
                    self._relabel(fault, [*path, key])
            return None
        return notch if len(self.faults) == before else None

    def _unknown_notch_key(
        self, path: tuple[str, str, int], key: str, known: dict[str, str | None]
    ) -> str | None:
        """Record a key that no notch has; returns the one that was meant, None where that is not clear."""
        near = units.nearest(key, known) if len(self.faults) < MOST_HINTS else None
        hint = f"did you mean {label((*path, near))}?" if near else f"it has {', '.join(known)}"
        self.fault((*path, key), "be a key of a notch", key, hint=hint)
        return near

    def _line(self, path: tuple[str, str, str], value: Any, dimension: str) -> Any:
        """One line of a given error: an amplitude, or an amplitude and a phase."""
        if not isinstance(value, list):
            return self._quantity(path, value, dimension)
        if len(value) != 2:
            example = units.DIMENSIONS[units.on_scale(dimension, self.unit)].example
            self.fault(path, f'be an amplitude or an amplitude and a phase, ["{example}", "17 deg"]', value)
            return NOTHING
        pair = self._quantity(path, value[0], dimension), self._quantity(path, value[1], "angle")
        return NOTHING if NOTHING in pair else pair

    def _relabel(self, fault: Fault, path: list[Any]) -> None:
        """Record a fault that a part of the axis raised, under the key it has in a file."""
        value = NOTHING if fault.value is None else fault.value
        hint = pure_number_hint(path, fault.value) or fault.hint
        self.fault(tuple(path), fault.rule, value, units.unit_on_scale(fault.unit, self.unit), hint)


def pure_number_hint(path: list[Any] | tuple[str, ...], value: Any) -> str:
    """How to write a pure number that was given as text."""
    if not isinstance(value, str) or len(path) < 2 or path[1] in _WORDS:
        return ""
    percent = re.fullmatch(r"\s*([-+]?[0-9]+(?:\.[0-9]*)?)\s*%\s*", value[:40])
    if percent:
        return f"write {float(percent[1]) / 100.0:.12g}"
    return "a pure number has no unit and no quotes"
