"""One section of a file beside those of the axis: its keys and quantities, each fault placed by its line."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from .. import units
from ..checks import NOTHING, Fault, InputError
from . import axis_file, toml_text
from .axis_reader import MOST_HINTS, label, pure_number_hint

if TYPE_CHECKING:
    from ..model.scale_and_signal import Scale


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
    scale : Scale, optional
        Whose position unit says which units fit, where that is known.
    """

    def __init__(
        self,
        text: str,
        section: str,
        source: str = "axis file",
        settings: Iterable[str] = (),
        *,
        scale: Scale | None = None,
    ) -> None:
        document = toml_text.document(text, source)
        self.changed = axis_file.apply_settings(document, settings)
        self.text, self.section, self.source = text, section, source
        self.unit = None if scale is None else scale.unit
        # of a rotary scale, m: positions may then be lengths at the rim
        self.diameter = None if scale is None else scale.diameter
        self.faults: list[tuple[tuple[Any, ...], Fault]] = []
        self.table = document.get(section)
        if self.table is not None and not isinstance(self.table, dict):
            self.fault((), f"be a table of keys, begun by [{section}] once", self.table)
            self.done()

    def need(self, example: str, *, filled: bool = True) -> None:
        """Raise if there is no such section, or nothing in it where it has to be filled."""
        if self.table is None or (filled and not self.table):
            hint = f"as in [{self.section}], {example}"
            raise InputError(Fault(f"[{self.section}]", "be given", NOTHING, hint=hint, source=self.source))

    def fault(self, path: tuple[Any, ...], rule: str, value: Any, unit: str = "", hint: str = "") -> None:
        """Record a fault of the key with this path within the section."""
        path = (self.section, *path)
        self.faults.append((path, Fault(label(path), rule, value, unit, hint)))

    @contextlib.contextmanager
    def at(self, *path: int | str) -> Iterator[None]:
        """Whatever input error is raised within is a fault of this key."""
        try:
            yield
        except InputError as error:
            for fault in error.faults:
                value = NOTHING if fault.value is None else fault.value
                self.fault(path, fault.rule, value, units.unit_on_scale(fault.unit, self.unit), fault.hint)

    @contextlib.contextmanager
    def placed(self, place: Callable[[str, Any], tuple[tuple[Any, ...], Any] | None]) -> Iterator[None]:
        """An input error raised within is a fault of the keys that it is about.

        ``place`` gives path and written value, from what stands behind the dot of a fault's field and its value; None
        for a fault that is told already.
        """
        try:
            yield
        except InputError as error:
            for fault in error.faults:
                found = place(fault.field.partition(".")[2], fault.value)
                if found is not None:
                    self.fault(found[0], fault.rule, found[1], hint=fault.hint)

    def keys(self, known: Sequence[str]) -> dict[str, Any]:
        """The values {key: value} of the keys that the section may have; the others are faults."""
        given = {}
        for key, value in (self.table or {}).items():
            if key in known:
                given[key] = value
                continue
            near = units.nearest(key, known) if len(self.faults) < MOST_HINTS else None
            hint = f"did you mean {label((self.section, near))}?" if near else f"it has {', '.join(known)}"
            self.fault((key,), f"be a key of [{self.section}]", key, hint=hint)
        return given

    def entries(
        self,
        read: Callable[[tuple[str, ...], str, Any], Any],
        *,
        leaf: Callable[[dict[str, Any]], bool] = lambda table: False,
        without: str = "",
    ) -> dict[str, Any]:
        """What ``read(path, key, value)`` makes of each value in the tables of the section, by its key.

        The key is ``signal.sde.1``, quoted or not; a table is a value where ``leaf`` says so. The table ``without`` is
        passed over.
        """
        values: dict[str, Any] = {}
        for path, value in _leaves(self.table or {}, leaf):
            key = ".".join(path)
            if path[0] == without:
                continue
            if key in values:
                self.fault(path, "stand there once", key)
            else:
                values[key] = read(path, key, value)
        return values

    def quantity(self, path: tuple[Any, ...], text: Any, dimension: str) -> Any:
        """The SI number of a text with a unit."""
        diameter = self.diameter if dimension == "position" else None
        with self.at(*path):
            return units.parse(text, units.on_scale(dimension, self.unit), diameter=diameter)
        return NOTHING

    def number(self, path: tuple[str, ...], value: Any, rule: str = "be a number") -> Any:
        """A pure number; `NOTHING` where it is none, and the fault is recorded."""
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return value
        self.fault(path, rule, value, hint=pure_number_hint((self.section, *path), value))
        return NOTHING

    def done(self) -> None:
        """Raise all that was recorded, by line."""
        if self.faults:
            lines = toml_text.find(self.text)
            placed = [
                axis_file.placed(path, fault, lines, self.changed, self.source) for path, fault in self.faults
            ]
            raise InputError(*sorted(placed, key=lambda fault: fault.line or 1 << 40))


def _leaves(
    table: dict[str, Any], leaf: Callable[[dict[str, Any]], bool]
) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Values of nested tables with the path of each, in the order of the file."""
    waiting: list[tuple[tuple[str, ...], Any]] = [((key,), value) for key, value in reversed(table.items())]
    while waiting:
        path, value = waiting.pop()
        if isinstance(value, dict) and not leaf(value):
            waiting += [((*path, key), part) for key, part in reversed(value.items())]
        else:
            yield path, value
