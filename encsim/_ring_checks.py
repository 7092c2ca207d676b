"""Checks that descriptions and functions about rings share."""

from collections.abc import Mapping

import numpy as np

from . import _checks
from ._orders import Orders

LARGEST_ORDER = 100_000
# An error of the angle above this is no error any more, rad; lengths are held to the radius by the ring itself.
LARGEST_ERROR = 1.0


class Named(_checks.Check):
    """Faults of a function's arguments, under the function's name."""

    def __init__(self, owner, name):
        super().__init__(owner)
        self.name = name

    def fault(self, name, rule, value, unit="", hint=""):
        """Record that argument ``name`` breaks ``rule``."""
        self.faults.append(_checks.Fault(f"{self.name}.{name}", rule, value, unit, hint))


def numbers(owner, **values):
    """Refuse what is no finite number, {name: (value, unit)}."""
    for name, (value, unit) in values.items():
        if not _checks.is_real(value):
            _checks.refuse(f"{owner}.{name}", "be a finite number", value, unit)


def length(field_name, value):
    """Refuse what is no positive length."""
    if not _checks.is_real(value) or value <= 0.0:
        _checks.refuse(field_name, "be positive and finite", value, "m")


def choice(field, value, words):
    """Refuse what is none of the words."""
    if not isinstance(value, str) or value not in words:
        _checks.refuse(field, "be " + " or ".join(f'"{word}"' for word in words), value)


def check_orders(check, name, unit):
    """Store a mapping of orders as {order: (amplitude, phase)}, ascending, or record what is wrong with it."""
    given = getattr(check.owner, name)
    if not isinstance(given, Mapping):
        check.fault(name, "be a mapping of order to amplitude", given)
        return
    found = {}
    for order, value in given.items():
        if not _checks.is_whole(order) or not 1 <= order <= LARGEST_ORDER:
            check.fault(name, f"have whole orders from 1 to {LARGEST_ORDER}", order)
            continue
        pair = value if isinstance(value, (tuple, list)) else (value, 0.0)
        if len(pair) == 2 and all(map(_checks.is_real, pair)) and pair[0] >= 0.0:
            found[int(order)] = (float(pair[0]), float(pair[1]))
            if unit == "rad" and pair[0] > LARGEST_ERROR:
                check.fault(f"{name}.{int(order)}", f"be at most {LARGEST_ERROR:g}", float(pair[0]), unit)
        else:
            rule = "be an amplitude of zero or more, or an amplitude and a phase, finite"
            check.fault(f"{name}.{int(order)}", rule, value, unit)
    check.store(name, Orders(found))


def finite(field_name, values, unit):
    """Values as a float array of any shape, all finite.

    Parameters
    ----------
    field_name : str
        What an error calls them.
    values : array-like of float
        Any shape.
    unit : str
        Unit an error shows.

    Returns
    -------
    ndarray
        A copy.

    Raises
    ------
    InputError
        If they are no numbers or not all finite; it names the first that is not.
    """
    try:
        found = np.array(values)
    except ValueError:
        found = np.array(None)
    if found.dtype.kind not in "iuf":
        _checks.refuse(field_name, "be real numbers", values, unit)
    found = found.astype(float)
    bad = np.flatnonzero(~np.isfinite(found))
    if bad.size:
        _checks.refuse(f"{field_name}[{bad[0]}]", "be finite", float(found.flat[bad[0]]), unit)
    return found


def as_orders(field_name, orders, lowest=2):
    """Orders as an ascending list of different ints from the lowest."""
    try:
        given = tuple(orders)
    except TypeError:
        _checks.refuse(field_name, "be a sequence of whole numbers", orders)
    for order in given:
        if not _checks.is_whole(order) or not lowest <= order <= LARGEST_ORDER:
            _checks.refuse(field_name, f"be whole numbers from {lowest} to {LARGEST_ORDER}", order)
    return sorted({int(order) for order in given})
