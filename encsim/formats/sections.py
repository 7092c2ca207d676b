"""One section of a file beside those of the axis: its keys and quantities, each fault placed by its line."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

from .. import units
from ..checks import NOTHING, Fault, InputError
from . import axis_file, toml_text
from .axis_reader import MOST_HINTS, label, pure_number_hint


class Section:
    """A table of a TOML text, for whoever owns it; absent where ``table`` is None.

    Read on after a fault, with `NOTHING` in place of the value, and call `done` at the end: all faults of the
    section are then raised at once.

    Parameters
    ----------
    text : str
        The whole file.
    section : str
        Name of the table.
    source : str
        What errors call the file.
    settings : iterable of str
        As of `axis_file.loads_with`; those of other sections do no harm.
    unit : {"m", "rad"}, optional
        Position unit of the scale, where it is known.
    diameter : float, optional
        Of a rotary scale, m: positions may then be lengths at the rim.
    """

    def __init__(
        self,
        text: str,
        section: str,
        source: str = "axis file",
        settings: list[str] | tuple[()] = (),
        *,
        unit: str | None = None,
        diameter: float | None = None,
    ) -> None:
        document = toml_text.document(text, source)
        self.changed = axis_file.apply_settings(document, settings)
        self.text, self.section, self.source = text, section, source
        self.unit, self.diameter = unit, diameter
        self.faults = []
        self.table = document.get(section)
        if self.table is not None and not isinstance(self.table, dict):
            self.fault((), f"be a table of keys, begun by [{section}] once", self.table)
            self.done()

    def fault(
        self, path: tuple[Any, ...], rule: str, value: int | str, unit: str = "", hint: str = ""
    ) -> None:
        """Record a fault of the key with this path within the section."""
        path = (self.section, *path)
        self.faults.append((path, Fault(label(path), rule, value, unit, hint)))

    @contextlib.contextmanager
    def at(self, *path: int | str) -> Iterator[None]:
        """Whatever input error is raised within is a fault of this key."""
        try:
            yield
        except InputError as error:
            for found in error.faults:
                value = NOTHING if found.value is None else found.value
                self.fault(path, found.rule, value, units.unit_on_scale(found.unit, self.unit), found.hint)

    def keys(self, known: list[str]) -> dict[str, Any]:
        """The values {key: value} of the keys that the section may have; the others are faults."""
        found = {}
        for key, value in (self.table or {}).items():
            if key in known:
                found[key] = value
                continue
            near = units.nearest(key, known) if len(self.faults) < MOST_HINTS else None
            hint = f"did you mean {label((self.section, near))}?" if near else f"it has {', '.join(known)}"
            self.fault((key,), f"be a key of [{self.section}]", key, hint=hint)
        return found

    def entries(self, leaf: Callable[..., Any] = lambda table: False) -> list[Any]:
        """Values with the path of each, through tables in the section: ``signal.sde.1``, quoted or not."""
        found, waiting = [], [((key,), value) for key, value in reversed((self.table or {}).items())]
        while waiting:
            path, value = waiting.pop()
            if isinstance(value, dict) and not leaf(value):
                waiting += [((*path, key), part) for key, part in reversed(value.items())]
            else:
                found.append((path, value))
        return found

    def quantity(self, path: tuple[Any, ...], text: str, dimension: str) -> float:
        """The SI number of a text with a unit."""
        diameter = self.diameter if dimension == "position" else None
        with self.at(*path):
            return units.parse(text, units.on_scale(dimension, self.unit), diameter=diameter)
        return NOTHING

    def number(self, path: tuple[str, ...], value: float, rule: str = "be a number") -> float:
        """A pure number; `NOTHING` where it is none, and the fault is recorded."""
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return value
        self.fault(path, rule, value, hint=pure_number_hint((self.section, *path), value))
        return NOTHING

    def done(self) -> None:
        """Raise all that was recorded, by line."""
        if self.faults:
            lines = toml_text.find(self.text)
            found = [
                axis_file.placed(path, fault, lines, self.changed, self.source) for path, fault in self.faults
            ]
            raise InputError(*sorted(found, key=lambda fault: fault.line or 1 << 40))
