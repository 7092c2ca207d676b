"""Checks of a function's arguments: numbers, lengths, words and arrays. Faults name the function and the argument."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from . import checks

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


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
