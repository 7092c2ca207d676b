"""Arguments of the commands about rings as numbers: orders, angles, sectors, steps; faults in words of the options."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from .. import checks, units

if TYPE_CHECKING:
    from ..checks import Fault


MOST_ORDERS = 100_000
LISTED = re.compile(r"\s*([0-9]{1,9})\s*(?:-\s*([0-9]{1,9})\s*)?")


def quantity(text: str | None, dimension: str, option: str, default: None = None) -> float | None:
    """SI number of an option with a unit, the default where it is left out."""
    return default if text is None else units.parse(text, dimension, option)


def orders_of(text: str, option: str, low: int = 1) -> list[int]:
    """Whole numbers of a list ``"2, 3, 6-8"``, ascending, each once."""
    found = set()
    for part in text.split(","):
        match = LISTED.fullmatch(part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, -1)
        if not low <= first <= last or len(found) + last - first >= MOST_ORDERS:
            checks.refuse(option, f'be whole numbers from {low} or ranges, as "2, 3, 6-8"', text)
        found.update(range(first, last + 1))
    return sorted(found)


def angles_of(text: str, option: str) -> tuple[float, ...]:
    """Angles of a list, rad."""
    return tuple(units.parse(part, "angle", option) for part in text.split(","))


def sectors_of(text: str | None, option: str) -> tuple[tuple[float, float]] | None:
    """Ranges ``"0 deg : 120 deg, 180 deg : 300 deg"`` as pairs, rad; None where left out."""
    if text is None:
        return None
    pairs = [part.split(":") for part in text.split(",")]
    if any(len(pair) != 2 for pair in pairs):
        checks.refuse(option, 'be ranges of two angles, as "0 deg : 120 deg"', text)
    return tuple(tuple(units.parse(end, "angle", option) for end in pair) for pair in pairs)


def steps_of(text: str, option: str) -> list[float]:
    """Angles of a list of numbers of equal steps and of angles, rad, each once unless there is but one."""
    found = []
    for part in text.split(","):
        if re.fullmatch(r"\s*[0-9]+\s*", part):
            count = int(part)
            if not 1 <= count <= MOST_ORDERS:
                checks.refuse(option, f"hold numbers of steps from 1 to {MOST_ORDERS}", text)
            found += [2.0 * math.pi * j / count for j in range(count)]
        else:
            found.append(units.parse(part, "angle", option))
    different = list(dict.fromkeys(found))
    return different if len(different) > 1 else found


@contextlib.contextmanager
def told(owners: set[str], names: dict[Any, str] = ()) -> Iterator[None]:
    """Faults that the library finds, in the words of the command line."""
    try:
        yield
    except checks.InputError as error:
        raise checks.InputError(*(_in_words(fault, owners, dict(names)) for fault in error.faults)) from None


def _in_words(fault: Fault, owners: set[str], names: dict[Any, str]) -> Fault:
    owner, _, name = fault.field.partition(".")
    if owner not in owners:
        return fault
    first = re.split(r"[.\[]", name)[0]
    return replace(fault, field=names.get(first, f"--{first.replace('_', '-')}"))
