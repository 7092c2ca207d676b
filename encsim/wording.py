"""Numbers, units and wrapped words as the pictures show them."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from typing import Any

from . import shown_units

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
    users = shown_units.preferred(rounded, unit)
    if users is not None:
        return users
    return _driven_unit(rounded, unit) if unit in DRIVEN else shown_units.display_unit(rounded, unit)


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
    users = shown_units.preferred(largest, unit)
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


@functools.lru_cache(maxsize=4096)
def width(text: str, size: float = 9.0, bold: bool = False) -> float:
    """Width of one line of text in mm."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=size)
    return text_to_path.get_text_width_height_descent(text, font, ismath=False)[0] * 25.4 / 72.0


def wrap(text: str, letters: int, room: float, size: float = 9.0, bold: bool = False) -> list[str]:
    """Lines of at most so many letters and ``room`` mm, the last of two words; words longer than a line are cut."""

    def fits(line: str) -> bool:
        return len(line) <= letters and width(line, size, bold) <= room

    lines = [""]
    for word in text.split(" "):
        joined = f"{lines[-1]} {word}".strip(" ")
        if fits(joined):
            lines[-1] = joined
            continue
        lines += [] if not lines[-1] else [""]
        for letter in word:
            if not fits(lines[-1] + letter):
                lines.append("")
            lines[-1] += letter
    last = text.rpartition(" ")[2]
    if len(lines) > 1 and lines[-1] == last:
        before, _, moved = lines[-2].rpartition(" ")
        if before and fits(f"{moved} {last}"):
            lines[-2:] = [before, f"{moved} {last}"]
    return lines


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
    return _terminal(value, *shown_units.display_unit(float(value), unit))


def beside(value: float, other: float, unit: str) -> str:
    """A value in the unit in which ``other`` is shown, so that the two compare at sight."""
    if not math.isfinite(other) or other == 0.0:
        return show(value, unit)
    return _terminal(value, *shown_units.display_unit(other, unit))


def _terminal(value: float, size: float, name: str) -> str:
    """A number and its unit as terminals show them."""
    if math.isnan(value):
        return "–"
    return plain(f"{number(value / size)} {name}".rstrip())


def number(value: float) -> str:
    """Three significant digits as terminals show them; a dash for what is not known."""
    return plain(shown_units.three_digits(float(value)))


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
