"""Checks of a function's arguments: numbers, lengths, words and arrays. Faults name the function and the argument."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from . import checks, units
from .results import Orders

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

LARGEST_ORDER = 100_000
MOST_SPEEDS = 1_000_000
# Largest amplitude accepted as an angle error, rad. Displacements are limited by the radius instead.
LARGEST_ERROR = 1.0


class ArgumentCheck(checks.Check):
    """Check of a function's arguments, given by name; ``owner`` holds them afterwards, numbers as plain floats."""

    def __init__(self, function: str, **arguments: Any) -> None:
        super().__init__(SimpleNamespace(**arguments))
        self.function = function

    def fault(self, name: str, rule: str, value: Any, unit: str = "", hint: str = "") -> None:
        """Record that argument ``name`` breaks ``rule``."""
        self.faults.append(checks.Fault(f"{self.function}.{name}", rule, value, unit, hint))


def finite_numbers(function: str, **values: tuple[Any, str]) -> None:
    """Refuse arguments that are no finite numbers, {name: (value, unit)}."""
    for name, (value, unit) in values.items():
        if not checks.is_real(value):
            checks.refuse(f"{function}.{name}", "be a finite number", value, unit)


def seed_from(function: str, seed: Any, rng: np.random.Generator | None) -> Any:
    """The seed that was given, or one drawn from a generator; 0 without both, refused with both."""
    if rng is None:
        return 0 if seed is None else seed
    if seed is not None:
        checks.refuse(f"{function}.seed", "be left out where rng is given", seed)
    if not isinstance(rng, np.random.Generator):
        hint = "a whole number is given as seed"
        checks.refuse(f"{function}.rng", "be a numpy.random.Generator", rng, hint=hint)
    # Whole numbers up to 2**53 survive every reader of JSON.
    return int(rng.integers(1 << 53))


def speeds_in_si(label: str, values: Any, unit: str) -> Any:
    """Speeds as the command line writes them, ``"10 mm/s"``, a list or a range, as numbers; all else as it is."""
    if isinstance(values, str):
        several = ":" in values or "," in values
        return np.array(parse_speeds(values, unit, label)) if several else speed_in_si(label, values, unit)
    return [speed_in_si(label, one, unit) for one in values] if isinstance(values, (list, tuple)) else values


def speed_in_si(label: str, value: Any, unit: str) -> Any:
    """One speed given as text as a number, m/s or rad/s; all else as it is."""
    return units.parse(value, f"speed({unit}/s)", label) if isinstance(value, str) else value


def parse_speeds(text: str, unit: str, field: str = "speeds") -> tuple[float, ...]:
    """Speeds of a range ``"0.1 mm/s : 1 m/s : 200"``, logarithmic, or of a list ``"1 mm/s, 2 mm/s"``."""
    if not isinstance(text, str) or not text.strip():
        checks.refuse(field, 'be a list or a range of speeds, as "1 mm/s : 1 m/s : 200"', text)
    dimension = f"speed({unit}/s)"
    if ":" not in text:
        return tuple(units.parse(part, dimension, field) for part in text.split(","))
    parts = [part.strip() for part in text.split(":")]
    if len(parts) != 3:
        checks.refuse(field, "be a range of three parts, first : last : number", text)
    first, last = (units.parse(part, dimension, field) for part in parts[:2])
    if not 0.0 < first < last:
        checks.refuse(field, "rise from a first speed above zero to a larger last one", text)
    if not re.fullmatch("[0-9]{1,7}", parts[2]) or not 2 <= int(parts[2]) <= MOST_SPEEDS:
        checks.refuse(field, f"have a whole number of points from 2 to {MOST_SPEEDS}", parts[2])
    return _logarithmic(first, last, int(parts[2]))


def _logarithmic(first: float, last: float, number: int) -> tuple[float, ...]:
    """``number`` values from first to last, evenly spread in the logarithm."""
    low, step = math.log(first), (math.log(last) - math.log(first)) / (number - 1)
    middle = (min(max(math.exp(low + i * step), first), last) for i in range(1, number - 1))
    return first, *middle, last


def positive_length(label: str, value: Any) -> None:
    """Refuse what is no positive length."""
    if not checks.is_real(value) or value <= 0.0:
        checks.refuse(label, "be positive and finite", value, "m")


def choice(label: str, value: Any, words: Sequence[str]) -> None:
    """Refuse what is none of the words."""
    if not isinstance(value, str) or value not in words:
        checks.refuse(label, "be " + " or ".join(f'"{word}"' for word in words), value)


def finite_array(label: str, values: ArrayLike, unit: str) -> np.ndarray:
    """Values as a new float array of any shape, all finite."""
    try:
        raw = np.array(values)
    except ValueError:
        raw = np.array(None)
    if raw.dtype.kind not in "iuf":
        checks.refuse(label, "be real numbers", values, unit)
    array = raw.astype(float)
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        checks.refuse(f"{label}[{bad[0]}]", "be finite", float(array.flat[bad[0]]), unit)
    return array


def finite_row(label: str, values: ArrayLike, unit: str = "") -> np.ndarray:
    """Values as a new read-only row of finite floats."""
    row = real_array(label, values, 1, "be one row of real numbers")
    broken = np.flatnonzero(~np.isfinite(row))
    if broken.size:
        rule = "hold finite numbers only"
        checks.refuse(label, rule, f"{row[broken[0]]} {unit}".strip() + f" at index {broken[0]}")
    row = row.copy()
    row.setflags(write=False)
    return row


def real_array(label: str, values: ArrayLike, dimensions: int, rule: str) -> np.ndarray:
    """Values as an array of floats with this number of dimensions; no copy where they are one already."""
    raw = as_array(label, values, rule)
    if raw.ndim != dimensions or not raw.size or raw.dtype.kind not in "iuf":
        checks.refuse(label, rule, f"{raw.dtype} of shape {raw.shape}")
    return raw.astype(np.float64, copy=False)


def as_array(label: str, values: ArrayLike, rule: str) -> np.ndarray:
    """Values as an array of any type and shape."""
    if np.ma.is_masked(values):
        checks.refuse(label, "hold no masked values", "a masked array")
    try:
        return np.asarray(values)
    except (ValueError, TypeError, OverflowError):
        checks.refuse(label, rule, values)


def check_orders(check: checks.Check, name: str, unit: str) -> None:
    """Store a mapping of orders as {order: (amplitude, phase)}, ascending, or record its faults."""
    given = getattr(check.owner, name)
    if not isinstance(given, Mapping):
        check.fault(name, "be a mapping of order to amplitude", given)
        return
    checked = {}
    for order, value in given.items():
        if not checks.is_whole(order) or not 1 <= order <= LARGEST_ORDER:
            check.fault(name, f"have whole orders from 1 to {LARGEST_ORDER}", order)
            continue
        pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
        if len(pair) == 2 and all(map(checks.is_real, pair)) and pair[0] >= 0.0:
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
        checks.refuse(label, "be a sequence of whole numbers", orders)
    for order in wanted:
        if not checks.is_whole(order) or not lowest <= order <= LARGEST_ORDER:
            checks.refuse(label, f"be whole numbers from {lowest} to {LARGEST_ORDER}", order)
    return sorted({int(order) for order in wanted})
