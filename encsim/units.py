"""Text with units to SI numbers and back; inside Python every number is SI.

Dimensions: ``length`` ``angle`` ``time`` ``frequency``, ``position(m)`` and ``position(rad)`` for positions
on a linear and a rotary scale, ``speed(m/s)`` and ``speed(rad/s)``, ``acceleration(m/s2)`` and
``acceleration(rad/s2)``, ``rate`` (1/s), and of a closed loop ``inertia(...)`` ``torque(...)``
``torque per speed(...)`` ``stiffness(...)`` ``torque per current(...)`` with ``m`` or ``rad``. ``position``,
``acceleration`` and these without a unit in brackets take both and serve where it is not known yet which is meant.
"""

import math
import re
from collections import namedtuple

from . import _checks

MOST_SPEEDS = 1_000_000

# 50 digits: far more than any decimal of 17 digits needs for one correct rounding.
_PI = (31415926535897932384626433832795028841971693993751, 10**49)
_NUMBER = re.compile(r"\s*([+-]?)([0-9]*)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]+))?\s*(.*?)\s*\Z", re.DOTALL)
_SPELLINGS = {
    "µ": "u",
    "μ": "u",
    "°": "deg",
    "″": "arcsec",
    "−": "-",
    "²": "2",
    "^2": "2",
    "·": " ",
    "Nm": "N m",
}
_LARGEST_EXPONENT = 400
_MOST_DIGITS = 400
_NARROW_SPACE = "\u202f"
_MINUS = "\u2212"


# What a kind of unit is called, an example, and each unit's size as a ratio of whole numbers.
Dimension = namedtuple("Dimension", "noun example units")


def _ten(exponent, times=(1, 1)):
    """``times`` 10**exponent as a ratio."""
    return times[0] * 10 ** max(exponent, 0), times[1] * 10 ** max(-exponent, 0)


def _per_degree():
    """180/pi as a ratio: per degree."""
    return 180 * _PI[1], _PI[0]


def _per_rpm():
    """30/pi as a ratio: per turn a minute."""
    return 30 * _PI[1], _PI[0]


def _turned(above, below):
    """``pi`` above/below as a ratio."""
    return _PI[0] * above, _PI[1] * below


_LENGTH = {"nm": _ten(-9), "um": _ten(-6), "mm": _ten(-3), "m": _ten(0), "pm": _ten(-12)}
_ANGLE = {
    "arcsec": _turned(1, 648_000),
    "deg": _turned(1, 180),
    "rad": _ten(0),
    "mrad": _ten(-3),
    "urad": _ten(-6),
    "nrad": _ten(-9),
}
_LINEAR_SPEED = {
    "um/s": _ten(-6),
    "mm/s": _ten(-3),
    "m/s": _ten(0),
    "mm/min": _ten(-3, (1, 60)),
    "m/min": _ten(0, (1, 60)),
    "nm/s": _ten(-9),
}
_ROTARY_SPEED = {
    "rpm": _turned(1, 30),
    "deg/s": _turned(1, 180),
    "rad/s": _ten(0),
    "arcsec/s": _turned(1, 648_000),
    "mrad/s": _ten(-3),
    "urad/s": _ten(-6),
}
_LINEAR_ACCELERATION = {"mm/s2": _ten(-3), "m/s2": _ten(0), "um/s2": _ten(-6)}
_ROTARY_ACCELERATION = {"deg/s2": _turned(1, 180), "rad/s2": _ten(0), "mrad/s2": _ten(-3)}

_MASS = {"g": _ten(-3), "kg": _ten(0), "t": _ten(3)}
_INERTIA = {"kg m2": _ten(0), "kg cm2": _ten(-4), "g m2": _ten(-3), "g cm2": _ten(-7)}
_FORCE = {"mN": _ten(-3), "N": _ten(0), "kN": _ten(3)}
_TORQUE = {"mN m": _ten(-3), "N m": _ten(0), "kN m": _ten(3), "N cm": _ten(-2)}
_FORCE_PER_SPEED = {"N s/m": _ten(0), "kN s/m": _ten(3), "N/(m/s)": _ten(0), "N s/mm": _ten(3)}
_TORQUE_PER_SPEED = {
    "mN m s/rad": _ten(-3),
    "N m s/rad": _ten(0),
    "N m/(rad/s)": _ten(0),
    "N m/rpm": _per_rpm(),
}
_LINEAR_STIFFNESS = {"N/m": _ten(0), "N/um": _ten(6), "N/mm": _ten(3), "kN/m": _ten(3)}
_ROTARY_STIFFNESS = {"N m/rad": _ten(0), "kN m/rad": _ten(3), "N m/deg": _per_degree()}
_FORCE_PER_CURRENT = {"N/A": _ten(0)}
_TORQUE_PER_CURRENT = {"mN m/A": _ten(-3), "N m/A": _ten(0)}


def _for_scales(name, noun, linear, rotary):
    """A dimension of a closed loop on a linear scale, on a rotary one, and where it is not known which."""
    (linear_example, linear_units), (rotary_example, rotary_units) = linear, rotary
    return {
        f"{name}(m)": Dimension(noun, linear_example, linear_units),
        f"{name}(rad)": Dimension(noun, rotary_example, rotary_units),
        name: Dimension(noun, linear_example, linear_units | rotary_units),
    }


DIMENSIONS = {
    "length": Dimension("length", "20 um", _LENGTH),
    "angle": Dimension("angle", "0.6 deg", _ANGLE),
    "time": Dimension(
        "time", "20 ns", {"ns": _ten(-9), "us": _ten(-6), "ms": _ten(-3), "s": _ten(0), "ps": _ten(-12)}
    ),
    "frequency": Dimension(
        "frequency", "16 kHz", {"Hz": _ten(0), "kHz": _ten(3), "MHz": _ten(6), "GHz": _ten(9)}
    ),
    "speed(m/s)": Dimension("linear speed", "2 mm/s", _LINEAR_SPEED),
    "speed(rad/s)": Dimension("rotary speed", "3 rpm", _ROTARY_SPEED),
    "acceleration(m/s2)": Dimension("linear acceleration", "2 m/s2", _LINEAR_ACCELERATION),
    "acceleration(rad/s2)": Dimension("rotary acceleration", "50 rad/s2", _ROTARY_ACCELERATION),
    "acceleration": Dimension("acceleration", "2 m/s2", _LINEAR_ACCELERATION | _ROTARY_ACCELERATION),
    "rate": Dimension("1/time", "200 1/s", {"1/s": _ten(0)}),
    "position(m)": Dimension("length", "0.5 nm", _LENGTH),
    "position(rad)": Dimension("angle", "0.1 arcsec", _ANGLE),
    "position": Dimension("length or angle", "0.5 nm", _LENGTH | _ANGLE),
    "speed": Dimension("speed", "2 mm/s", _LINEAR_SPEED | _ROTARY_SPEED),
    **_for_scales("inertia", "mass or inertia", ("5 kg", _MASS), ("0.02 kg m2", _INERTIA)),
    **_for_scales("torque", "force or torque", ("20 N", _FORCE), ("0.5 N m", _TORQUE)),
    **_for_scales(
        "torque per speed",
        "force or torque per speed",
        ("2 kN s/m", _FORCE_PER_SPEED),
        ("8 N m s/rad", _TORQUE_PER_SPEED),
    ),
    **_for_scales(
        "stiffness", "stiffness", ("50 N/um", _LINEAR_STIFFNESS), ("20 kN m/rad", _ROTARY_STIFFNESS)
    ),
    **_for_scales(
        "torque per current",
        "force or torque per current",
        ("40 N/A", _FORCE_PER_CURRENT),
        ("0.9 N m/A", _TORQUE_PER_CURRENT),
    ),
}

_OF_SCALE = {
    "position": "position({})",
    "acceleration": "acceleration({}/s2)",
    "speed": "speed({}/s)",
    **{
        name: f"{name}({{}})"
        for name in ("inertia", "torque", "torque per speed", "stiffness", "torque per current")
    },
}


def on_scale(dimension, unit):
    """The dimension on a scale with this position unit; one that does not depend on it, or no unit: as it is."""
    return _OF_SCALE[dimension].format(unit) if unit and dimension in _OF_SCALE else dimension


def parse(text, dimension, field="value", *, diameter=None):
    """SI number of a text such as ``"20 um"``, rounded once from the exact decimal.

    Parameters
    ----------
    text : str
        Number and unit, with or without a space between them.
    dimension : str
        A key of ``DIMENSIONS``.
    field : str
        What an error calls the value.
    diameter : float, optional
        With it, m, dimension ``position(rad)`` also takes a length along the rim.

    Returns
    -------
    float
        In m, rad, s, Hz, m/s, rad/s or 1/s.

    Raises
    ------
    InputError
        If there is no number, no unit, an unknown unit or one of another dimension, or no finite float.
    """
    kind = DIMENSIONS[dimension]
    example = f'as in "{kind.example}"'
    if not isinstance(text, str):
        _checks.refuse(field, f"be text with a unit of {kind.noun}", text, hint=example)
    number, unit = _split(text)
    if number is None:
        _checks.refuse(field, f"be a number and a unit of {kind.noun}", text, hint=example)
    size = kind.units.get(unit)
    if size is None and dimension == "position(rad)" and diameter is not None and unit in _LENGTH:
        above, below = float(diameter).as_integer_ratio()
        size = _LENGTH[unit][0] * 2 * below, _LENGTH[unit][1] * above
    if size is None:
        _refuse_unit(field, text, unit, dimension)
    return _rounded(number, size, field, text)


def _split(text):
    """The number as (whole mantissa, power of ten) or None, and the unit in the spelling of the tables."""
    for written, ours in _SPELLINGS.items():
        text = text.replace(written, ours)
    sign, whole, part, exponent, unit = _NUMBER.match(text).groups()
    digits = whole + (part or "")
    if not digits or len(digits) > _MOST_DIGITS or len(exponent or "") > 6:
        return None, unit
    return (int(sign + digits), int(exponent or 0) - len(part or "")), unit


def _rounded(number, size, field, text):
    """The nearest float to number times size; the division of two Python ints rounds once."""
    mantissa, exponent = number
    if mantissa and abs(exponent) > _LARGEST_EXPONENT + _MOST_DIGITS:
        _checks.refuse(field, "be a number that a float can hold", text)
    above, below = _ten(exponent, size) if mantissa else (0, 1)
    try:
        value = mantissa * above / below
    except OverflowError:
        value = math.inf
    if math.isinf(value) or (value == 0.0 and mantissa):
        _checks.refuse(field, "be a number that a float can hold", text)
    return value


def _refuse_unit(field, text, unit, dimension):
    """Raise the error for a unit that is missing, of another dimension or unknown."""
    kind = DIMENSIONS[dimension]
    rule = f"have a unit of {kind.noun} ({', '.join(kind.units)})"
    _checks.refuse(field, rule, text, hint=_unit_hint(text, unit, dimension))


def _unit_hint(text, unit, dimension):
    """What was probably meant by a unit that does not fit the dimension."""
    kind = DIMENSIONS[dimension]
    if not unit:
        return f'as in "{kind.example}"'
    if unit.startswith(","):
        return "decimals need a point, not a comma"
    other = next((d for d in DIMENSIONS.values() if unit in d.units), None)
    if dimension == "position(rad)" and unit in _LENGTH:
        return "a length along the rim needs scale.diameter"
    if other is not None:
        return f'"{unit}" is a unit of {other.noun}'
    near = nearest(unit, kind.units)
    return f'did you mean "{near}"?' if near else ""


def nearest(word, words):
    """The one of ``words`` that looks most like ``word``, upper and lower case alike, or None."""
    import difflib

    folded = {}
    for known in words:
        folded.setdefault(known.lower(), known)
    found = difflib.get_close_matches(word[:100].lower(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def write(value, dimension):
    """Text that parses back to exactly this float, in the unit that needs fewest digits.

    Parameters
    ----------
    value : float
        SI.
    dimension : str
        A key of ``DIMENSIONS`` but ``position``, where a unit may be read in two ways.

    Returns
    -------
    str
        ``"20 um"`` for 20e-6 and ``"length"``.
    """
    value = float(value)
    if not math.isfinite(value):
        _checks.refuse("value", "be finite to be written", value)
    sizes = DIMENSIONS[dimension].units
    base = next(unit for unit, size in sizes.items() if size == (1, 1))
    candidates = (_shortest(value, unit, dimension) for unit in sizes if unit[0] != "p" and value)
    exact = f"{value!r} {base}".replace(".0 ", " ")
    return min(filter(None, candidates), key=lambda found: found[:2], default=(0, 0.0, exact))[2]


def _shortest(value, unit, dimension):
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


def _same(text, dimension, value):
    """Say whether the text is read as exactly this value."""
    try:
        return parse(text, dimension) == value
    except _checks.InputError:
        return False


def _plain(number):
    """The same decimal without an exponent where that is short: 8e+02 as 800."""
    plain = f"{float(number):.0f}"
    return plain if "e" in number and len(plain) <= 6 and float(plain) == float(number) else number


_ARCSEC, _DEGREE, _RPM = math.pi / 648_000, math.pi / 180, math.pi / 30


def _prefixed(unit, lowest, highest):
    """Ladder (smallest value shown so, size, symbol) of the SI prefixes from 10**lowest to 10**highest."""
    prefixes = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
    return [(0.9995 * 10.0**e, 10.0**e, p + unit) for e, p in prefixes.items() if lowest <= e <= highest]


_LADDERS = {
    "m": _prefixed("m", -12, 3),
    "s": _prefixed("s", -12, 0),
    "Hz": _prefixed("Hz", -3, 9),
    "m/s": _prefixed("m/s", -12, 3),
    "N": _prefixed("N", -6, 3),
    "N m": _prefixed("N m", -6, 3),
    "A": _prefixed("A", -6, 3),
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


def display_unit(value, unit):
    """Size and symbol of the unit in which people read a value of this magnitude.

    Parameters
    ----------
    value : float
        SI; only its magnitude counts.
    unit : str
        ``"m"``, ``"rad"``, ``"s"``, ``"Hz"``, ``"m/s"``, ``"rad/s"``, ``"N"``, ``"N m"``, ``"A"``, ``"%"`` (of a
        ratio) or ``"1"``; any other is kept as it is.

    Returns
    -------
    size : float
        Divide the SI value by it.
    symbol : str
        Such as ``"µm"``, ``"″"`` (0.01 to 999), ``"°"``, ``"rpm"`` (from 1), ``"°/s"``, ``"″/s"``.
    """
    ladder = _LADDERS.get(unit, [(0.0, 1.0, unit)])
    if value == 0.0 or not math.isfinite(value):
        return 1.0, "" if unit == "1" else unit
    fitting = [step for step in ladder if step[0] <= abs(value)]
    return (fitting[-1] if fitting else ladder[0])[1:]


def show(value, unit):
    """A value for people to read: three significant digits and a handy unit.

    Parameters
    ----------
    value : float
        SI; a ratio for ``"%"``.
    unit : str
        As for `display_unit`.

    Returns
    -------
    str
        ``"35.6 nm"``, ``"1.00 mm/s"``, ``"12.4″"``: a narrow no-break space before the unit, none before °
        and ″, a true minus sign; a dash for NaN.
    """
    value = float(value)
    if math.isnan(value):
        return "–"
    size, symbol = display_unit(value, unit)
    space = "" if not symbol or symbol[0] in "°″" else _NARROW_SPACE
    return f"{_three_digits(value / size)}{space}{symbol}"


def _three_digits(value):
    """Three significant digits, without an exponent from 0.001 to a million."""
    if value == 0.0 or math.isinf(value):
        return {0.0: "0", math.inf: "∞"}.get(value, f"{_MINUS}∞")
    text = f"{value:.2e}"
    exponent = int(text.split("e")[1])
    if -4 < exponent < 6:
        text = f"{float(text):.{max(2 - exponent, 0)}f}"
    else:
        text = f"{text.split('e')[0]}e{exponent}"
    return text.replace("-", _MINUS)


def parse_speeds(text, unit, field="speeds"):
    """Speeds of a range ``"0.1 mm/s : 1 m/s : 200"``, logarithmic, or of a list ``"1 mm/s, 2 mm/s"``.

    Parameters
    ----------
    text : str
        Every speed has its unit.
    unit : str
        Position unit of the scale, ``"m"`` or ``"rad"``.
    field : str
        What an error calls the speeds.

    Returns
    -------
    tuple of float
        m/s or rad/s, in the order given; the ends of a range are exact.

    Raises
    ------
    InputError
        If a speed has no fitting unit, or a range breaks 0 < first < last or 2 <= number <= 1 000 000.
    """
    if not isinstance(text, str) or not text.strip():
        _checks.refuse(field, 'be a list or a range of speeds, as "1 mm/s : 1 m/s : 200"', text)
    dimension = f"speed({unit}/s)"
    if ":" not in text:
        return tuple(parse(part, dimension, field) for part in text.split(","))
    parts = [part.strip() for part in text.split(":")]
    if len(parts) != 3:
        _checks.refuse(field, "be a range of three parts, first : last : number", text)
    first, last = (parse(part, dimension, field) for part in parts[:2])
    if not 0.0 < first < last:
        _checks.refuse(field, "rise from a first speed above zero to a larger last one", text)
    if not re.fullmatch("[0-9]{1,7}", parts[2]) or not 2 <= int(parts[2]) <= MOST_SPEEDS:
        _checks.refuse(field, f"have a whole number of points from 2 to {MOST_SPEEDS}", parts[2])
    return _logarithmic(first, last, int(parts[2]))


def _logarithmic(first, last, number):
    """``number`` values from first to last, evenly spread in the logarithm."""
    low, step = math.log(first), (math.log(last) - math.log(first)) / (number - 1)
    middle = (min(max(math.exp(low + i * step), first), last) for i in range(1, number - 1))
    return first, *middle, last
