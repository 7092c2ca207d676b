"""Units in which people read numbers: the one that the user typed or asked for, else one that suits the size.

What is stored and computed is SI; here is only what texts, pictures and the page show. The user's choice holds for a
stretch of work (`chosen`), since every number on its way to a text or picture passes through here.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from typing import Any

from . import checks, units

_NARROW_SPACE, _MINUS = "\u202f", "\u2212"
_SI = {
    "position(m)": "m",
    "position(rad)": "rad",
    "speed(m/s)": "m/s",
    "speed(rad/s)": "rad/s",
    "acceleration(m/s2)": "m/s2",
    "acceleration(rad/s2)": "rad/s2",
    "torque(m)": "N",
    "torque(rad)": "N m",
    "time": "s",
    "frequency": "Hz",
}
# Speeds are read in these where nobody typed one.
_USUAL = {"m/s": "mm/s", "rad/s": "rpm"}
# Units typed in a file that are the user's for results: speeds, and angles that cannot mean electrical degrees.
_TYPED = {
    **{unit: si for si in ("m/s", "rad/s") for unit in units.DIMENSIONS[f"speed({si})"].units},
    **dict.fromkeys(("arcsec", "mrad", "urad", "nrad"), "rad"),
}
_WRITTEN = re.compile(r"[0-9.]\s*([a-zµ°″][a-z/°″]*)(?![a-zA-Z/0-9])")
# Between these numbers the usual unit of speeds is shown, and a typed one with an SI prefix keeps its prefix.
_LEAST, _MOST = 1e-4, 1e6
_CHOICE: ContextVar[Mapping[str, tuple[str, bool]]] = ContextVar("units that the user reads")


def typed(texts: Iterable[str]) -> dict[str, str]:
    """The units of speed and angle in texts as a user types them, {SI unit: unit}; of several arcsec or the first."""
    found: dict[str, str] = {}
    for text in texts:
        for unit in map(units.spelt, _WRITTEN.findall(text)):
            if unit == "arcsec":
                found["rad"] = unit
            elif unit in _TYPED:
                found.setdefault(_TYPED[unit], unit)
    return found


def asked(text: str | None, option: str) -> dict[str, str]:
    """The units of a list ``"mm/s, nm"``, {SI unit: unit}."""
    found: dict[str, str] = {}
    for unit in () if text is None else (units.spelt(part) for part in text.split(",")):
        si = next((si for name, si in _SI.items() if unit in units.DIMENSIONS[name].units), None)
        if si is None:
            near = units.nearest(unit, [known for name in _SI for known in units.DIMENSIONS[name].units])
            hint = f'did you mean "{near}"?' if near else 'as in "mm/s, nm"'
            checks.refuse(option, "be units of length, angle, speed, acceleration, force, torque, time or frequency",
                          unit, hint=hint)  # fmt: skip
        if found.setdefault(si, unit) != unit:
            checks.refuse(option, "name one unit of a kind", text)
    return found


@contextlib.contextmanager
def chosen(read: Mapping[str, str], *, always: bool = False) -> Iterator[None]:
    """Show numbers in these units, {SI unit: unit}, where none was chosen yet.

    ``always``: also where that makes long numbers, as a user wants it who asks for a unit.
    """
    token = _CHOICE.set({si: (unit, always) for si, unit in read.items()} | dict(_CHOICE.get({})))
    try:
        yield
    finally:
        _CHOICE.reset(token)


def of(result: Any) -> contextlib.AbstractContextManager[None]:
    """Show numbers in the units that the file of a result's axis is written in."""
    return chosen(getattr(getattr(result, "axis", None), "shown", {}))


def preferred(largest: float, si: str) -> tuple[float, str] | None:
    """Size and symbol of the user's unit for numbers up to this one; None where another prefix or unit is better."""
    typed_unit, always = _CHOICE.get({}).get(si, (None, False))
    unit = typed_unit or _USUAL.get(si)
    if unit is None:
        return None
    above, below = next(units.DIMENSIONS[name].units[unit] for name, known in _SI.items() if known == si)
    size, name = above / below, symbol(unit)
    # rpm or arcsec/s stays what it is; of mm/s only the prefix changes
    stays = always or (typed_unit is not None and name not in (row[2] for row in _PREFIXED.get(si, ())))
    fits = stays or largest == 0.0 or not math.isfinite(largest) or _LEAST <= abs(largest) / size < _MOST
    return (size, name) if fits else None


def symbol(unit: str) -> str:
    """A unit as pictures show it: ``µm/s`` for um/s, ``″`` for arcsec."""
    short = {"arcsec": "″", "deg": "°"}
    first, slash, rest = unit.partition("/")
    first = short.get(first, re.sub(r"^u(?=m|rad|N|s)", "µ", first))
    return first + slash + rest


_ARCSEC, _DEGREE, _RPM = math.pi / 648_000, math.pi / 180, math.pi / 30


def _prefixed(unit: str, lowest: int, highest: int) -> list[tuple[float, float, str]]:
    """Rows (smallest value shown in it, size, symbol) of the SI prefixes from 10**lowest to 10**highest."""
    prefixes = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
    return [(0.9995 * 10.0**e, 10.0**e, p + unit) for e, p in prefixes.items() if lowest <= e <= highest]


_PREFIXED = {
    "m": _prefixed("m", -12, 3),
    "s": _prefixed("s", -12, 0),
    "Hz": _prefixed("Hz", -3, 9),
    "m/s": _prefixed("m/s", -12, 3),
    "N": _prefixed("N", -6, 3),
    "N m": _prefixed("N m", -6, 3),
    "A": _prefixed("A", -6, 3),
}
_LADDERS = {
    **_PREFIXED,
    "rad": [(0.0, 1e-9, "nrad"), (0.01 * _ARCSEC, _ARCSEC, "″"), (999.5 * _ARCSEC, _DEGREE, "°")],
    "rad/s": [
        (0.0, 1e-9, "nrad/s"),
        (0.01 * _ARCSEC, _ARCSEC, "″/s"),
        (999.5 * _ARCSEC, _DEGREE, "°/s"),
        (0.9995 * _RPM, _RPM, "rpm"),
    ],
    "%": [(0.0, 0.01, "%")],
    "1": [(0.0, 1.0, "")],
}


def display_unit(value: float, unit: str) -> tuple[float, str]:
    """Size and symbol of the unit in which people read a value of this magnitude."""
    users = preferred(value, unit)
    if users is not None:
        return users
    ladder = _LADDERS.get(unit, [(0.0, 1.0, unit)])
    if value == 0.0 or not math.isfinite(value):
        return 1.0, "" if unit == "1" else unit
    fitting = [step for step in ladder if step[0] <= abs(value)]
    return (fitting[-1] if fitting else ladder[0])[1:]


def show(value: float, unit: str) -> str:
    """A value for people to read: three significant digits and a handy unit."""
    value = float(value)
    if math.isnan(value):
        return "–"
    size, name = display_unit(value, unit)
    space = "" if not name or name[0] in "°″" else _NARROW_SPACE
    return f"{three_digits(value / size)}{space}{name}"


def three_digits(value: float) -> str:
    """Three significant digits; below 0.00001 and from a million on with an exponent of a power of thousand."""
    if value == 0.0 or not math.isfinite(value):
        return {0.0: "0", math.inf: "∞", -math.inf: f"{_MINUS}∞"}.get(value, "–")
    text = f"{value:.2e}"
    exponent = int(text.split("e")[1])
    if -6 < exponent < 6:
        text = f"{float(text):.{max(2 - exponent, 0)}f}"
    else:
        above = exponent % 3
        text = f"{float(text.split('e')[0]) * 10.0**above:.{2 - above}f}e{exponent - above}"
    return text.replace("-", _MINUS)
