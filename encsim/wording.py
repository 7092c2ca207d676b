"""Numbers, units and words as texts, pictures and the page show them.

A number stands in the unit that the user typed or asked for, else in one that suits its size; what is stored and
computed is SI. The user's choice holds for a stretch of work (`chosen`), since every shown number passes through here.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from typing import Any

from . import checks, units

# What a peak is, wherever one is printed.
PEAK = (
    "Peak: half of (maximum - minimum) of the velocity in one second of running (one revolution where that takes "
    "longer)."
)
# What the delay of the measured velocity is.
DELAY = (
    "mean age of the reading (latency, lag of the signal bandwidth, averaged readings, asynchronous sampling) plus "
    "the delay of the estimator at 0 Hz"
)

THIN = "\u202f"
MINUS = "\u2212"
MICRO = "\u00b5"
_PLAIN = str.maketrans({"\u202f": " ", "\u2212": "-", "″": "arcsec", "°": "deg"})

# Of a drive: force, torque and current; their names keep the space within a unit from parting at a line end.
DRIVEN = ("N", "N m", "A")
PREFIXES = {"k": 3, "": 0, "m": -3, MICRO: -6, "n": -9}
UNITS = {
    "m": {"m": 1.0, "mm": 1e-3, MICRO + "m": 1e-6, "nm": 1e-9, "pm": 1e-12},
    "rad": {"°": math.pi / 180.0, "″": math.pi / 648000.0},
    "m/s": {"m/s": 1.0, "mm/s": 1e-3, MICRO + "m/s": 1e-6, "nm/s": 1e-9},
    "rad/s": {"rpm": math.pi / 30.0, "°/s": math.pi / 180.0, "″/s": math.pi / 648000.0},
    "Hz": {"MHz": 1e6, "kHz": 1e3, "Hz": 1.0, "mHz": 1e-3},
    "s": {"s": 1.0, "ms": 1e-3, MICRO + "s": 1e-6, "ns": 1e-9},
    **{
        unit: {prefix + unit.replace(" ", THIN): 10.0**power for prefix, power in PREFIXES.items()}
        for unit in DRIVEN
    },
}
NOTHING = {"m": "nm", "rad": "″", "m/s": "mm/s", "rad/s": "rpm"}
SHARE = 0.01
# An axis takes the largest unit that its largest value reaches this part of; metres a second only from 50 on,
# since a stage's speeds are read in millimetres a second.
REACHED = {"m/s": 50.0, "rpm": 0.3, "s": 2.0, "MHz": 2.0}
ORDINARY = 0.5
COUNTED = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def digits(value: float, count: int = 3, strip: bool = False) -> str:
    """A number with so many significant digits, no exponent, a true minus, thousands kept apart."""
    if not math.isfinite(value):
        return "∞" if value > 0 else MINUS + "∞" if value < 0 else "–"
    rounded = float(f"{value:.{count - 1}e}")
    if rounded == 0.0:
        return "0"
    places = max(count - 1 - math.floor(math.log10(abs(rounded)) + 1e-9), 0)
    text = grouped(rounded, places)
    return text.rstrip("0").rstrip(".") if strip and places else text


def grouped(value: float, places: int) -> str:
    """A number with so many decimal places; thousands stand apart from five digits on."""
    text = f"{value:,.{places}f}".replace("-", MINUS)
    return text.replace(",", THIN if abs(value) >= 1e4 else "")


def quantity(value: float, unit: str, count: int = 3, strip: bool = False) -> str:
    """A value in the unit in which people read it, as tables show it: ``35.6 nm``, ``6.00°/s``."""
    rounded = float(f"{value:.{count - 1}e}")
    if rounded == 0.0:
        return with_unit("0", NOTHING.get(unit, unit))
    size, name = _read_unit(rounded, unit)
    return with_unit(digits(value / size, count, strip), name)


def compared(value: float, other: float, unit: str, count: int = 3) -> str:
    """A value in the unit in which ``other`` is read, so that the two compare at sight; far from it, in its own."""
    if not 0.01 * abs(other) < abs(value) < 100.0 * abs(other):
        return quantity(value, unit, count)
    size, name = _read_unit(float(f"{other:.{count - 1}e}"), unit)
    return with_unit(digits(value / size, count), name)


def _read_unit(rounded: float, unit: str) -> tuple[float, str]:
    """Size and name of the unit in which people read a value."""
    users = preferred(rounded, unit)
    if users is not None:
        return users
    return _driven_unit(rounded, unit) if unit in DRIVEN else display_unit(rounded, unit)


def _driven_unit(value: float, unit: str) -> tuple[float, str]:
    """Size and name of the unit of a force, torque or current, numbers from 1 to 999 where there is one."""
    ladder = UNITS[unit]
    name = next((name for name, size in ladder.items() if abs(value) >= 0.9995 * size), list(ladder)[-1])
    return ladder[name], name


def with_unit(text: str, name: str) -> str:
    """A number joined with its unit; signs of degrees stand close to it."""
    return text + name if not name or name[0] in "°″" else f"{text}{THIN}{name}"


def percent(share: float, count: int = 2, strip: bool = False) -> str:
    """A share as per cent."""
    return with_unit(digits(share / SHARE, count, strip), "%")


def sentence(text: str) -> str:
    """A text that begins with a capital letter, all else as it is."""
    return text[:1].upper() + text[1:]


def axis_unit(largest: float, unit: str, label: str = "") -> tuple[str, float]:
    """Name and scale of the one unit of an axis whose largest value this is."""
    # An axis that was drawn into before keeps the unit that stands in its label.
    known = UNITS[unit]
    named = label.rpartition("(")[2].rstrip(")")
    if named in known:
        return named, known[named]
    users = preferred(largest, unit)
    if users is not None:
        return users[1], users[0]
    for name, scale in known.items():
        if largest >= scale * REACHED.get(name, ORDINARY):
            return name, scale
    name = list(known)[-1] if largest > 0.0 else NOTHING.get(unit, unit)
    return name, known[name]


def counted(number: int) -> str:
    """A small whole number as a word."""
    return COUNTED[number] if 0 <= number < len(COUNTED) else str(number)


def ordinal(number: int) -> str:
    """``3rd`` for 3."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def listed(words: Iterable[object]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    texts = [str(word) for word in words]
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def many(number: float, thing: str, count: int = 12) -> str:
    """``4000 counts``, ``1 count``."""
    return f"{digits(number, count, strip=True)} {thing}{'' if number == 1.0 else 's'}"


def axis_words(axis: Any) -> str:
    """An axis in one line: scale, counts, loop rate, estimator."""
    scale, rate = axis.scale, quantity(axis.sampling.rate, "Hz", strip=True)
    if scale.lines is None:
        words = [f"{quantity(scale.pitch, 'm', strip=True)} linear scale"]
    else:
        words = [f"{many(scale.lines, 'line')} per revolution"]
    if axis.interpolation.factor is not None:
        words.append(f"{many(axis.interpolation.factor, 'count')} per period")
    words += [f"{rate} loop", axis.estimator.words()]
    return ", ".join(words)


def show(value: float, unit: str) -> str:
    """Three digits and a handy unit, with an ordinary space and sign that other programs can read."""
    return _terminal(value, *display_unit(float(value), unit))


def beside(value: float, other: float, unit: str) -> str:
    """A value in the unit in which ``other`` is shown, so that the two compare at sight."""
    if not math.isfinite(other) or other == 0.0:
        return show(value, unit)
    return _terminal(value, *display_unit(other, unit))


def _terminal(value: float, size: float, name: str) -> str:
    """A number and its unit as terminals show them."""
    if math.isnan(value):
        return "–"
    return plain(f"{number(value / size)} {name}".rstrip())


def number(value: float) -> str:
    """Three significant digits as terminals show them; a dash for what is not known."""
    return plain(three_digits(float(value)))


def plain(text: str) -> str:
    """A text with ordinary spaces, signs and names of units, which other programs can read."""
    return text.translate(_PLAIN)


def degrees(value: float) -> str:
    """An angle within the signal period or of a vector, rad, in degrees."""
    return f"{number(math.degrees(value))} deg"


def percent_number(ratio: float) -> Any:
    """A ratio as a number of per cent."""
    return show(100.0 * ratio, "1")


def share_text(share: float) -> Any:
    """Whole percent, ``<1`` where it is not nothing."""
    text = f"{100.0 * share:.0f}"
    return "<1" if text == "0" and share > 0.0 else text


def force(axis: Any) -> Any:
    """What drives the axis: ``force`` or ``torque``."""
    return "force" if axis.scale.unit == "m" else "torque"


def first_reason(result: Any) -> str:
    """The first reason why a result may mislead; where it gives none, that it says so."""
    return str(result.reasons[0]) if result.reasons else "the result says so"


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


def three_digits(value: float) -> str:
    """Three significant digits; below 0.00001 and from a million on with an exponent of a power of thousand."""
    if value == 0.0 or not math.isfinite(value):
        return {0.0: "0", math.inf: "∞", -math.inf: f"{MINUS}∞"}.get(value, "–")
    text = f"{value:.2e}"
    exponent = int(text.split("e")[1])
    if -6 < exponent < 6:
        text = f"{float(text):.{max(2 - exponent, 0)}f}"
    else:
        above = exponent % 3
        text = f"{float(text.split('e')[0]) * 10.0**above:.{2 - above}f}e{exponent - above}"
    return text.replace("-", MINUS)
