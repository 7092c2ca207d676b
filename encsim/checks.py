"""One pattern for every complaint about input: ``Owner.field must <rule>, got <value> <unit>``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from numbers import Integral, Real
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, NoReturn, TypeGuard

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike

LARGEST_ORDER = 100_000
# Largest amplitude accepted as an angle error, rad. Displacements are limited by the radius instead.
LARGEST_ERROR = 1.0


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
            self.fault(name, rule, value, unit, number_hint(value, unit))
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


class ArgumentCheck(Check):
    """Check of a function's arguments, given by name; ``owner`` holds them afterwards, numbers as plain floats."""

    def __init__(self, function: str, **arguments: Any) -> None:
        super().__init__(SimpleNamespace(**arguments))
        self.function = function

    def fault(self, name: str, rule: str, value: Any, unit: str = "", hint: str = "") -> None:
        """Record that argument ``name`` breaks ``rule``."""
        self.faults.append(Fault(f"{self.function}.{name}", rule, value, unit, hint))


def number_hint(value: object, unit: str) -> str:
    """What to write where text stands in the place of a number."""
    plain = f"a plain number in {unit}" if unit else "a plain number"
    return f"{plain}: text with a unit is for axis files and axis.with_" if isinstance(value, str) else ""


def finite_numbers(function: str, **values: tuple[Any, str]) -> None:
    """Refuse arguments that are no finite numbers, {name: (value, unit)}."""
    for name, (value, unit) in values.items():
        if not is_real(value):
            refuse(f"{function}.{name}", "be a finite number", value, unit, number_hint(value, unit))


def seed_from(function: str, seed: Any, rng: np.random.Generator | None) -> Any:
    """The seed that was given, or one drawn from a generator; 0 without both, refused with both."""
    import numpy as np

    if rng is None:
        return 0 if seed is None else seed
    if seed is not None:
        refuse(f"{function}.seed", "be left out where rng is given", seed)
    if not isinstance(rng, np.random.Generator):
        hint = "a whole number is given as seed"
        refuse(f"{function}.rng", "be a numpy.random.Generator", rng, hint=hint)
    # Whole numbers up to 2**53 survive every reader of JSON.
    return int(rng.integers(1 << 53))


def positive_length(label: str, value: Any) -> None:
    """Refuse what is no positive length."""
    if not is_real(value) or value <= 0.0:
        refuse(label, "be positive and finite", value, "m")


def choice(label: str, value: Any, words: Sequence[str]) -> None:
    """Refuse what is none of the words."""
    if not isinstance(value, str) or value not in words:
        refuse(label, "be " + " or ".join(f'"{word}"' for word in words), value)


def finite_array(label: str, values: ArrayLike, unit: str) -> np.ndarray:
    """Values as a new float array of any shape, all finite."""
    import numpy as np

    try:
        raw = np.array(values)
    except ValueError:
        raw = np.array(None)
    if raw.dtype.kind not in "iuf":
        refuse(label, "be real numbers", values, unit)
    array = raw.astype(float)
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        refuse(f"{label}[{bad[0]}]", "be finite", float(array.flat[bad[0]]), unit)
    return array


def finite_row(label: str, values: ArrayLike, unit: str = "") -> np.ndarray:
    """Values as a new read-only row of finite floats."""
    import numpy as np

    row = real_array(label, values, 1, "be one row of real numbers")
    broken = np.flatnonzero(~np.isfinite(row))
    if broken.size:
        rule = "hold finite numbers only"
        refuse(label, rule, f"{row[broken[0]]} {unit}".strip() + f" at index {broken[0]}")
    row = row.copy()
    row.setflags(write=False)
    return row


def real_array(label: str, values: ArrayLike, dimensions: int, rule: str) -> np.ndarray:
    """Values as an array of floats with this number of dimensions; no copy where they are one already."""
    import numpy as np

    raw = as_array(label, values, rule)
    if raw.ndim != dimensions or not raw.size or raw.dtype.kind not in "iuf":
        refuse(label, rule, f"{raw.dtype} of shape {raw.shape}")
    return raw.astype(np.float64, copy=False)


def as_array(label: str, values: ArrayLike, rule: str) -> np.ndarray:
    """Values as an array of any type and shape."""
    import numpy as np

    if np.ma.is_masked(values):
        refuse(label, "hold no masked values", "a masked array")
    try:
        return np.asarray(values)
    except (ValueError, TypeError, OverflowError):
        refuse(label, rule, values)


def check_orders(check: Check, name: str, unit: str) -> None:
    """Store a mapping of orders as {order: (amplitude, phase)}, ascending, or record its faults."""
    given = getattr(check.owner, name)
    if not isinstance(given, Mapping):
        check.fault(name, "be a mapping of order to amplitude", given)
        return
    checked = {}
    for order, value in given.items():
        if not is_whole(order) or not 1 <= order <= LARGEST_ORDER:
            check.fault(name, f"have whole orders from 1 to {LARGEST_ORDER}", order)
            continue
        pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
        if len(pair) == 2 and all(map(is_real, pair)) and pair[0] >= 0.0:
            checked[int(order)] = (float(pair[0]), float(pair[1]))
            if unit == "rad" and pair[0] > LARGEST_ERROR:
                check.fault(f"{name}.{int(order)}", f"be at most {LARGEST_ERROR:g}", float(pair[0]), unit)
        else:
            rule = "be an amplitude of zero or more, or an amplitude and a phase, finite"
            check.fault(f"{name}.{int(order)}", rule, value, unit)
    check.store(name, Orders(checked))


def as_orders(label: str, orders: Iterable[int], lowest: int = 2) -> list[int]:
    """Orders as an ascending list without repeats, each at least ``lowest``."""
    try:
        wanted = tuple(orders)
    except TypeError:
        refuse(label, "be a sequence of whole numbers", orders)
    for order in wanted:
        if not is_whole(order) or not lowest <= order <= LARGEST_ORDER:
            refuse(label, f"be whole numbers from {lowest} to {LARGEST_ORDER}", order)
    return sorted({int(order) for order in wanted})


class Orders(Mapping[Any, Any]):
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
