"""One pattern for every complaint about input: ``Owner.field must <rule>, got <value> <unit>``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any, NoReturn, TypeGuard


class _Nothing:
    """What a fault shows where a file gives no value at all."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "nothing"

    def __reduce__(self) -> str:
        return "NOTHING"


NOTHING: Any = _Nothing()
# Characters of a rule or a hint, which may list names of a file.
LONGEST = 400


@dataclass(frozen=True, slots=True)
class Fault:
    """One wrong input: which field, its value, the rule it breaks, and where it stands (file and line)."""

    field: str
    rule: str
    value: object = None
    unit: str = ""
    hint: str = ""
    line: int | None = None
    source: str = ""

    def __str__(self) -> str:
        places = [one_line(self.source, 200)] if self.source else []
        places += [f"line {self.line}"] if self.line is not None else []
        where = ", ".join(places) + ": " if places else ""
        measured = isinstance(self.value, Real) and not isinstance(self.value, bool)
        unit = f" {self.unit}" if self.unit and measured else ""
        hint = f"; {one_line(self.hint, LONGEST)}" if self.hint else ""
        rule = one_line(self.rule, LONGEST)
        return f"{where}{one_line(self.field)} must {rule}, got {_shown(self.value)}{unit}{hint}"


def one_line(text: str, longest: int = 80) -> str:
    """Any text, from a file or a command line, as one printable line that is not too long."""
    line = printable(text[: longest + 1])
    return line if len(line) <= longest else line[: longest - 3] + "..."


def printable(text: str) -> str:
    """A text whose control characters, directions of writing and broken characters stand there as escapes."""
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)


def _shown(value: Any) -> str:
    """A value as one short line, whatever it is."""
    if isinstance(value, str):
        return f'"{one_line(value)}"'
    try:
        return one_line(" ".join(repr(value).split()))
    except (ValueError, RecursionError):
        # Python prints no int of thousands of digits and no nest of thousands of levels.
        return f"{type(value).__name__} too large to show"


class InputError(ValueError):
    """Input that the user can put right; ``faults`` lists every fault found, one line each.

    Examples
    --------
    >>> import encsim
    >>> try:
    ...     encsim.Scale(period=-1.0)
    ... except encsim.InputError as fault:
    ...     print(fault)
    Scale.period must be positive and finite, got -1.0 m
    """

    def __init__(self, *faults: Fault) -> None:
        super().__init__(*faults)
        self.faults = faults

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


def refuse(field: str, rule: str, value: Any = None, unit: str = "", hint: str = "") -> NoReturn:
    """Raise an InputError of one fault."""
    raise InputError(Fault(field, rule, value, unit, hint))


def refuse_other_class(field: str, value: object, kind: type, hint: str = "") -> None:
    """Raise an InputError unless the value is of this class."""
    if not isinstance(value, kind):
        refuse(field, f"be a {kind.__name__}", value, hint=hint)


class Check:
    """Collects the faults of one frozen description and stores its numbers as plain floats and ints."""

    def __init__(self, owner: Any) -> None:
        self.owner = owner
        self.faults: list[Fault] = []

    def fault(self, name: str, rule: str, value: Any, unit: str = "", hint: str = "") -> None:
        """Record that field ``name`` breaks ``rule``."""
        self.faults.append(Fault(f"{type(self.owner).__name__}.{name}", rule, value, unit, hint))

    def done(self) -> None:
        """Raise all that was recorded."""
        if self.faults:
            raise InputError(*self.faults)

    def store(self, name: str, value: object) -> None:
        """Set a field of the frozen owner during its construction."""
        object.__setattr__(self.owner, name, value)

    def number(
        self,
        name: str,
        rule: str = "be a finite number",
        unit: str = "",
        *,
        low: float | None = None,
        high: float | None = None,
        open_low: bool = False,
        optional: bool = False,
    ) -> None:
        """Check one float field: finite, ``low`` <= value <= ``high`` (``low`` < value where open)."""
        value = getattr(self.owner, name)
        if optional and value is None:
            return
        if not _in_range(value, low, high, open_low):
            self.fault(name, rule, value, unit)
            return
        self.store(name, float(value))

    def positive(
        self,
        name: str,
        unit: str = "",
        optional: bool = False,
        *,
        within: tuple[float, float] = (0.0, math.inf),
    ) -> None:
        """Check a field that is greater than zero, finite and in a sensible range."""
        rule = "be positive and finite"
        self.number(name, rule, unit, low=0.0, open_low=True, optional=optional)
        self._sensible(name, unit, within)

    def not_negative(self, name: str, unit: str = "", *, highest: float = math.inf) -> None:
        """Check a field that is zero or more, finite and at most ``highest``."""
        self.number(name, "be zero or more and finite", unit, low=0.0)
        self._sensible(name, unit, (0.0, highest))

    def _sensible(self, name: str, unit: str, within: tuple[float, ...]) -> None:
        """Refuse a number outside the sensible range, before it overflows in a formula."""
        value = getattr(self.owner, name)
        if is_real(value) and value > 0.0 and not within[0] <= value <= within[1]:
            self.fault(name, f"lie from {within[0]:g} to {within[1]:g}", value, unit)

    def whole(self, name: str, low: int, high: int, optional: bool = False) -> None:
        """Check an integer field, ``low`` to ``high``."""
        value = getattr(self.owner, name)
        if optional and value is None:
            return
        if not is_whole(value) or not low <= value <= high:
            self.fault(name, f"be a whole number from {low} to {high}", value)
            return
        self.store(name, int(value))


def is_real(value: object) -> TypeGuard[float]:
    """Whether the value is a finite real number and no bool."""
    if not isinstance(value, Real) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def is_whole(value: object) -> TypeGuard[int]:
    """Whether the value is an integer and no bool."""
    return isinstance(value, Integral) and not isinstance(value, bool)


def _in_range(value: Any, low: float | None, high: float | None, open_low: bool) -> bool:
    if not is_real(value):
        return False
    number = float(value)
    above = low is None or (number > low if open_low else number >= low)
    return above and (high is None or number <= high)
