"""Text with units to SI numbers and back; inside Python every number is SI.

The same on every scale: ``length`` ``angle`` ``time`` ``frequency`` ``rate`` (1/s) ``stress`` ``temperature``.
Dependent on its position unit: ``position`` ``speed`` ``acceleration`` ``jerk`` ``inertia`` ``torque`` ``torque per
speed`` ``stiffness`` ``torque per current``, mass and force on a linear scale; written ``position(m)``,
``speed(rad/s)``, ``inertia(m)`` and so on, without brackets for the units of both scales.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, NamedTuple, NoReturn, overload

from . import checks

MOST_SPEEDS = 1_000_000
# 50 digits: far more than any decimal of 17 digits needs for one correct rounding.
_PI = (31415926535897932384626433832795028841971693993751, 10**49)


class Dimension(NamedTuple):
    """What a kind of unit is called, an example, and each unit's size as a ratio of whole numbers."""

    noun: str
    example: str
    units: dict[str, tuple[int, int]]


def quantity(dimension: str, **options: Any) -> Any:
    """A field of a description whose text in an axis file carries a unit of this dimension."""
    return dataclasses.field(metadata={"dimension": dimension}, **options)


def ten(exponent: int, times: tuple[int, int] = (1, 1)) -> tuple[int, int]:
    """``times`` 10**exponent as a ratio."""
    return times[0] * 10 ** max(exponent, 0), times[1] * 10 ** max(-exponent, 0)


def _turned(above: int, below: int) -> tuple[int, int]:
    """``pi`` above/below as a ratio."""
    return _PI[0] * above, _PI[1] * below


_PER_MINUTE = _turned(1, 30)
LENGTH = {"nm": ten(-9), "um": ten(-6), "mm": ten(-3), "m": ten(0), "pm": ten(-12)}
_ANGLE = {
    "arcsec": _turned(1, 648_000),
    "deg": _turned(1, 180),
    "rad": ten(0),
    "mrad": ten(-3),
    "urad": ten(-6),
    "nrad": ten(-9),
    "rev": _turned(2, 1),
}
_TIME = {"ns": ten(-9), "us": ten(-6), "ms": ten(-3), "s": ten(0), "ps": ten(-12)}
_FREQUENCY = {"Hz": ten(0), "kHz": ten(3), "MHz": ten(6), "GHz": ten(9)}
_LINEAR_SPEED = {
    "um/s": ten(-6),
    "mm/s": ten(-3),
    "m/s": ten(0),
    "mm/min": ten(-3, (1, 60)),
    "m/min": ten(0, (1, 60)),
    "nm/s": ten(-9),
}
_ROTARY_SPEED = {
    "rpm": _PER_MINUTE,
    "deg/s": _turned(1, 180),
    "rad/s": ten(0),
    "arcsec/s": _turned(1, 648_000),
    "mrad/s": ten(-3),
    "urad/s": ten(-6),
    "rev/s": _turned(2, 1),
}
_LINEAR_ACCELERATION = {"mm/s2": ten(-3), "m/s2": ten(0), "um/s2": ten(-6)}
_ROTARY_ACCELERATION = {"deg/s2": _turned(1, 180), "rad/s2": ten(0), "mrad/s2": ten(-3), "rpm/s": _PER_MINUTE}
_LINEAR_JERK = {"mm/s3": ten(-3), "m/s3": ten(0), "um/s3": ten(-6)}
_ROTARY_JERK = {"deg/s3": _turned(1, 180), "rad/s3": ten(0), "mrad/s3": ten(-3)}
_MASS = {"g": ten(-3), "kg": ten(0), "t": ten(3)}
_INERTIA = {"kg m2": ten(0), "kg cm2": ten(-4), "kg mm2": ten(-6), "g m2": ten(-3), "g cm2": ten(-7)}
_FORCE = {"mN": ten(-3), "N": ten(0), "kN": ten(3)}
_TORQUE = {"mN m": ten(-3), "N m": ten(0), "kN m": ten(3), "N cm": ten(-2), "N mm": ten(-3)}
_FORCE_PER_SPEED = {"N s/m": ten(0), "kN s/m": ten(3), "N/(m/s)": ten(0), "N s/mm": ten(3)}
_TORQUE_PER_SPEED = {
    "mN m s/rad": ten(-3),
    "N m s/rad": ten(0),
    "N m/(rad/s)": ten(0),
    "N m/rpm": _PER_MINUTE[::-1],
}
_LINEAR_STIFFNESS = {"N/m": ten(0), "N/um": ten(6), "N/mm": ten(3), "kN/m": ten(3)}
_ROTARY_STIFFNESS = {"N m/rad": ten(0), "kN m/rad": ten(3), "N m/deg": _turned(1, 180)[::-1]}
_FORCE_PER_CURRENT = {"N/A": ten(0)}
_TORQUE_PER_CURRENT = {"mN m/A": ten(-3), "N m/A": ten(0)}


def _on_both(noun: str, linear: Dimension, rotary: Dimension) -> tuple[Dimension, Dimension, Dimension]:
    """A kind on a linear scale, on a rotary one, and where it is not known which."""
    return linear, rotary, Dimension(noun, linear.example, linear.units | rotary.units)


_OF_SCALE = {
    "position": _on_both(
        "length or angle",
        Dimension("length", "0.5 nm", LENGTH),
        Dimension("angle", "0.1 arcsec", _ANGLE),
    ),
    "speed": _on_both(
        "speed",
        Dimension("linear speed", "2 mm/s", _LINEAR_SPEED),
        Dimension("rotary speed", "3 rpm", _ROTARY_SPEED),
    ),
    "acceleration": _on_both(
        "acceleration",
        Dimension("linear acceleration", "2 m/s2", _LINEAR_ACCELERATION),
        Dimension("rotary acceleration", "50 rad/s2", _ROTARY_ACCELERATION),
    ),
    "jerk": _on_both(
        "jerk",
        Dimension("linear jerk", "100 m/s3", _LINEAR_JERK),
        Dimension("rotary jerk", "500 rad/s3", _ROTARY_JERK),
    ),
    "inertia": _on_both(
        "mass or inertia",
        Dimension("mass", "5 kg", _MASS),
        Dimension("inertia", "0.02 kg m2", _INERTIA),
    ),
    "torque": _on_both(
        "force or torque",
        Dimension("force", "20 N", _FORCE),
        Dimension("torque", "0.5 N m", _TORQUE),
    ),
    "torque per speed": _on_both(
        "force or torque per speed",
        Dimension("force per speed", "2 kN s/m", _FORCE_PER_SPEED),
        Dimension("torque per speed", "8 N m s/rad", _TORQUE_PER_SPEED),
    ),
    "stiffness": _on_both(
        "stiffness",
        Dimension("linear stiffness", "50 N/um", _LINEAR_STIFFNESS),
        Dimension("rotary stiffness", "20 kN m/rad", _ROTARY_STIFFNESS),
    ),
    "torque per current": _on_both(
        "force or torque per current",
        Dimension("force per current", "40 N/A", _FORCE_PER_CURRENT),
        Dimension("torque per current", "0.9 N m/A", _TORQUE_PER_CURRENT),
    ),
}
_BRACKETS = {"speed": "{}/s", "acceleration": "{}/s2", "jerk": "{}/s3"}


@overload
def on_scale(dimension: str, unit: str | None) -> str: ...


@overload
def on_scale(dimension: None, unit: str | None) -> None: ...


def on_scale(dimension: str | None, unit: str | None) -> str | None:
    """The dimension on a scale with this position unit; one that does not depend on it, or no unit: as it is."""
    if not unit or dimension not in _OF_SCALE:
        return dimension
    return f"{dimension}({_BRACKETS.get(dimension, '{}').format(unit)})"


DIMENSIONS = {
    "length": Dimension("length", "20 um", LENGTH),
    "angle": Dimension("angle", "0.6 deg", _ANGLE),
    "time": Dimension("time", "20 ns", _TIME),
    "frequency": Dimension("frequency", "16 kHz", _FREQUENCY),
    "rate": Dimension("1/time", "200 1/s", {"1/s": ten(0)}),
    "stress": Dimension(
        "stress", "300 MPa", {"MPa": ten(6), "GPa": ten(9), "kPa": ten(3), "Pa": ten(0), "N/mm2": ten(6)}
    ),
    "temperature": Dimension("temperature difference", "10 K", {"K": ten(0), "mK": ten(-3)}),
    **{
        on_scale(name, unit): kind
        for name, kinds in _OF_SCALE.items()
        for unit, kind in zip(("m", "rad", None), kinds, strict=True)
    },
}


def unit_on_scale(text: str, unit: str | None) -> str:
    """The one of "kg m2 or kg" that fits a scale with this position unit; any other text as it is."""
    fitting = [kind for name, kind in DIMENSIONS.items() if unit and f"({unit}" in name]
    return next((part for part in text.split(" or ") for kind in fitting if part in kind.units), text)


_NUMBER = re.compile(r"\s*([+-]?)([0-9]*)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]+))?\s*(.*?)\s*\Z", re.DOTALL)
_SPELLINGS = {
    "µ": "u",
    "μ": "u",
    "°": "deg",
    "″": "arcsec",
    "²": "2",
    "^2": "2",
    "·": " ",
    "⋅": " ",
    "*": " ",
    "Nm": "N m",
}
_CLOSED_UP = {
    "/s": "1/s",
    **{unit.replace(" ", ""): unit for kind in DIMENSIONS.values() for unit in kind.units if " " in unit},
}
_LARGEST_EXPONENT, _MOST_DIGITS = 400, 400
_MINUS = "\u2212"
_READ_ONLY = ("pm", "ps", "rev", "rev/s", "rpm/s")  # not written: others of their kind are more usual


def parse(text: str, dimension: str, field: str = "value", *, diameter: float | None = None) -> float:
    """SI number of a text such as ``"20 um"``, rounded once from the exact decimal."""
    kind = DIMENSIONS[dimension]
    example = f'as in "{kind.example}"'
    if not isinstance(text, str):
        checks.refuse(field, f"be text with a unit of {kind.noun}", text, hint=example)
    number, unit = _split(text)
    if number is None:
        checks.refuse(field, f"be a number and a unit of {kind.noun}", text, hint=example)
    size = kind.units.get(unit)
    if size is None and dimension == "position(rad)" and diameter is not None and unit in LENGTH:
        above, below = float(diameter).as_integer_ratio()
        size = LENGTH[unit][0] * 2 * below, LENGTH[unit][1] * above
    if size is None:
        _refuse_unit(field, text, unit, dimension)
    return _rounded(number, size, field, text)


def _split(text: str) -> tuple[tuple[int, int] | None, str]:
    """The number as (whole mantissa, power of ten) or None, and the unit in the spelling of the tables."""
    match = _NUMBER.match(text.replace(_MINUS, "-"))
    assert match is not None  # each of its parts may be empty
    sign, whole, part, exponent, unit = match.groups()
    # only in the unit: a power of ten written with ^2 must not become another number
    unit = spelt(unit)
    digits = whole + (part or "")
    if not digits or len(digits) > _MOST_DIGITS or len(exponent or "") > 6:
        return None, unit
    return (int(sign + digits), int(exponent or 0) - len(part or "")), unit


def spelt(unit: str) -> str:
    """A unit in the spelling of the tables, however its factors are joined: kgm², kg·m², kg m^2 are kg m2."""
    for written, ours in _SPELLINGS.items():
        unit = unit.replace(written, ours)
    unit = " ".join(unit.split())
    return _CLOSED_UP.get(unit.replace("N m", "Nm"), unit)


def _rounded(number: tuple[int, int], size: tuple[int, int], field: str, text: str) -> float:
    """The nearest float to number times size; the division of two Python ints rounds once."""
    mantissa, exponent = number
    if mantissa and abs(exponent) > _LARGEST_EXPONENT + _MOST_DIGITS:
        checks.refuse(field, "be a number that a float can hold", text)
    above, below = ten(exponent, size) if mantissa else (0, 1)
    try:
        value = mantissa * above / below
    except OverflowError:
        value = math.inf
    if math.isinf(value) or (value == 0.0 and mantissa):
        checks.refuse(field, "be a number that a float can hold", text)
    return value


def _refuse_unit(field: str, text: str, unit: str, dimension: str) -> NoReturn:
    """Raise the error for a unit that is missing, of another dimension or unknown."""
    kind = DIMENSIONS[dimension]
    rule = f"have a unit of {kind.noun} ({', '.join(kind.units)})"
    checks.refuse(field, rule, text, hint=_unit_hint(unit, dimension))


def _unit_hint(unit: str, dimension: str) -> str:
    """What was probably meant by a unit that does not fit the dimension."""
    kind = DIMENSIONS[dimension]
    if not unit:
        return f'as in "{kind.example}"'
    if unit.startswith(","):
        return "decimals need a point, not a comma"
    other = next((other for other in DIMENSIONS.values() if unit in other.units), None)
    if dimension == "position(rad)" and unit in LENGTH:
        return "a length along the rim needs scale.diameter"
    if other is not None:
        return f'"{unit}" is a unit of {other.noun}'
    near = nearest(unit, kind.units)
    return f'did you mean "{near}"?' if near else ""


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The one of ``words`` that looks most like ``word``, upper and lower case alike, or None."""
    import difflib

    folded: dict[str, str] = {}
    for known in words:
        folded.setdefault(known.lower(), known)
    near = difflib.get_close_matches(word[:100].lower(), folded, n=1, cutoff=0.6)
    return folded[near[0]] if near else None


def write(value: float, dimension: str) -> str:
    """Text that parses back to exactly this float, in the unit that needs fewest digits."""
    value = float(value)
    if not math.isfinite(value):
        checks.refuse("value", "be finite to be written", value)
    base = next(unit for unit, size in DIMENSIONS[dimension].units.items() if size == (1, 1))
    shortest = _shortest(value, dimension) if value else ""
    return shortest or f"{value!r} {base}".replace(".0 ", " ")


@lru_cache(2048)
def _shortest(value: float, dimension: str) -> str:
    """The shortest exact text of a value other than 0; empty where no unit has one."""
    candidates = (
        _in_unit(value, unit, dimension) for unit in DIMENSIONS[dimension].units if unit not in _READ_ONLY
    )
    return min(filter(None, candidates), key=lambda written: written[:2], default=(0, 0.0, ""))[2]


def _in_unit(value: float, unit: str, dimension: str) -> tuple[int, float, str] | None:
    """(digits, decades outside 1 to 999, text) of the shortest exact text in one unit, or None."""
    above, below = DIMENSIONS[dimension].units[unit]
    scaled = value * (below / above)
    if scaled == 0.0 or math.isinf(scaled):
        return None
    for digits in range(1, 18):
        text = f"{scaled:.{digits}g}"
        if _same(f"{text} {unit}", dimension, value):
            outside = 0.0 if 1.0 <= abs(scaled) < 1000.0 else abs(math.log10(abs(scaled)))
            return digits, outside, f"{_plain(text)} {unit}"
    return None


def _same(text: str, dimension: str, value: float) -> bool:
    """Whether the text is read as exactly this value."""
    try:
        return parse(text, dimension) == value
    except checks.InputError:
        return False


def _plain(number: str) -> str:
    """The same decimal without an exponent where that is short: 8e+02 as 800."""
    plain = f"{float(number):.0f}"
    return plain if "e" in number and len(plain) <= 6 and float(plain) == float(number) else number


def speeds_in_si(label: str, values: Any, unit: str) -> Any:
    """Speeds as the command line writes them, ``"10 mm/s"``, a list or a range, as numbers; all else as it is."""
    if isinstance(values, str):
        several = ":" in values or "," in values
        return list(parse_speeds(values, unit, label)) if several else speed_in_si(label, values, unit)
    return [speed_in_si(label, one, unit) for one in values] if isinstance(values, (list, tuple)) else values


def speed_in_si(label: str, value: Any, unit: str) -> Any:
    """One speed given as text as a number, m/s or rad/s; all else as it is."""
    return parse(value, f"speed({unit}/s)", label) if isinstance(value, str) else value


def parse_speeds(text: str, unit: str, field: str = "speeds") -> tuple[float, ...]:
    """Speeds of a range ``"0.1 mm/s : 1 m/s : 200"``, logarithmic, or of a list ``"1 mm/s, 2 mm/s"``."""
    if not isinstance(text, str) or not text.strip():
        checks.refuse(field, 'be a list or a range of speeds, as "1 mm/s : 1 m/s : 200"', text)
    dimension = f"speed({unit}/s)"
    if ":" not in text:
        if re.search(r"[a-z]\s*(-|\.\.|to\b)\s*[0-9]", text):
            checks.refuse(field, 'be a list or a range of speeds, as "1 mm/s : 1 m/s : 200"', text)
        return tuple(parse(part, dimension, field) for part in text.split(","))
    parts = [part.strip() for part in text.split(":")]
    if len(parts) != 3:
        rule = 'be a range of three parts, first : last : number, as "1 mm/s : 1 m/s : 200"'
        checks.refuse(field, rule, text)
    first, last = (parse(part, dimension, field) for part in parts[:2])
    if not 0.0 < first < last:
        checks.refuse(field, "rise from a first speed above zero to a larger last one", text)
    if not re.fullmatch("[0-9]{1,7}", parts[2]) or not 2 <= int(parts[2]) <= MOST_SPEEDS:
        checks.refuse(field, f"have a whole number of points from 2 to {MOST_SPEEDS}", parts[2])
    return _logarithmic(first, last, int(parts[2]))


def speeds_as_numbers(pair: Any) -> Any:
    """A pair of speeds, m/s or rad/s, whose texts with units become numbers; anything else as it is."""
    if not isinstance(pair, (tuple, list)):
        return pair
    return type(pair)(
        parse(each, "speed", "Requirement.speeds") if isinstance(each, str) else each for each in pair
    )


def _logarithmic(first: float, last: float, number: int) -> tuple[float, ...]:
    """``number`` values from first to last, evenly spread in the logarithm."""
    low, step = math.log(first), (math.log(last) - math.log(first)) / (number - 1)
    middle = (min(max(math.exp(low + i * step), first), last) for i in range(1, number - 1))
    return first, *middle, last
