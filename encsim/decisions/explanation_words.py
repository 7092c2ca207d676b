"""What an axis does at a speed, in sentences that somebody follows who does not know the trade."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

from ..open_loop.causes import CAUSES
from ..wording import force, listed, sentence, show
from .remedy_words import percent, unit_of

if TYPE_CHECKING:
    import numpy as np

    from ..model.axis import Axis
    from ..open_loop.closed_form import Lines
    from ..open_loop.start_phase import WorstStart
    from .explanation import Source
    from .ripple_summary import Behaviour


# Below and above so many crossovers a loop follows an error, or cannot.
FOLLOWS, TOO_FAST = 0.5, 2.0
# A line is seen standing still below this share of the loop rate, and beating slowly below that.
STILL, SLOW = 1e-9, 1e-3
SHOWN_LINES = 3
# Lines smaller than this share of the strongest are not told.
WEAK = 0.1
RIPPLE = "Ripple is the swing of the speed about its mean, as rms."
SHARES = "Shares are of the square of the ripple, since squares add up."
TERMS = {
    r"\berror\b": "Error is what the encoder shows beside the truth.",
    r"\b[Ll]ine [0-9]": "A line is one frequency of that error.",
    r"\bfolded\b": "Folded: too fast for the loop rate, so it looks slower.",
    r"\bcrossover\b": "The crossover is where the loop stops following.",
    r"\b([Cc]ounting|[Oo]ne count|[0-9] counts?)\b": "Counts are the steps in which the position comes.",
}


def seen_lines(found: Lines, crossover: float) -> list[str]:
    """The strongest lines, each in words."""
    axis, rate = found.axis, found.axis.sampling.rate
    loud = [i for i in range(len(found.harmonic)) if _weight(found, i) >= WEAK * _heaviest(found)]
    return [
        f"{_line(found, i)} has {show(found.position[i], axis.scale.unit)} and {_seen(found, i, rate)}"
        f"{_followed(found.alias[i], crossover, rate)}."
        for i in loud[:SHOWN_LINES]
    ]


def _weight(found: Lines, place: int) -> float:
    """Size of a line in the order of telling: a line that vanishes in the velocity still counts by its position."""
    return float(found.velocity[place])


def _heaviest(found: Lines) -> float:
    return float(found.velocity.max()) if len(found.velocity) else math.inf


def _line(found: Lines, place: int) -> str:
    """``Line 2 (2 a period)``."""
    if found.order[place]:
        return f"Line {found.order[place]} of the ring ({found.order[place]} a turn)"
    return f"Line {found.harmonic[place]:.6g} ({found.harmonic[place]:.6g} a signal period)"


def _seen(found: Lines, place: int, rate: float) -> str:
    """Where the loop sees a line."""
    frequency, alias = float(found.frequency[place]), float(found.alias[place])
    if frequency == 0.0:
        return "stands still with the axis"
    if alias < STILL * rate and frequency > 0.5 * rate:
        return f"comes at {show(frequency, 'Hz')}, always met at the same place: it vanishes from what the loop sees"
    if frequency < 0.5 * rate:
        return f"comes at {show(frequency, 'Hz')}, seen as it is (direct)"
    return f"comes at {show(frequency, 'Hz')}, seen folded at {show(alias, 'Hz')} (aliased)"


def _followed(alias: float, crossover: float, rate: float) -> str:
    """What a loop does with a line seen at this frequency."""
    if not math.isfinite(crossover) or alias < STILL * rate:
        return ""
    if alias < FOLLOWS * crossover:
        return "; the loop follows it, so the axis really moves by it"
    if alias > TOO_FAST * crossover:
        return "; too fast for the loop to follow, it turns into {force}"
    return "; near the crossover of the loop, which follows it in part and may make it larger"


def cause(
    axis: Axis,
    name: str,
    share: float,
    values: dict[str, Any],
    sources: tuple[Source, ...],
    found: Lines,
    crossover: float,
) -> str:
    """One cause in sentences."""
    size = show(values["measured"], unit_of(axis, "measured"))
    this = CAUSES[name]
    words = [f"{sentence(this.plain)} makes {size}, a share of {percent(share)}."]
    words += [this.detail(axis, found.speed)] if this.detail else []
    if sources:
        words.append(f"Behind it: {listed(one.words for one in sources)}.")
    if this.group == "cyclic":
        mine = _of(found, name == "ring")
        words += [line.format(force=force(axis)) for line in seen_lines(mine, crossover)]
    if values["torque"] is not None:
        torque, actual = (show(values[curve], unit_of(axis, curve)) for curve in ("torque", "actual"))
        words.append(f"It makes {torque} of {force(axis)} and {actual} of true ripple.")
    return " ".join(words)


def smaller(names: list[str]) -> str:
    """Causes that hardly count."""
    each = "each " if len(names) > 1 else ""
    makes = "make" if len(names) > 1 else "makes"
    return f"{sentence(listed(CAUSES[name].plain for name in names))} {each}{makes} less than 1 %."


def _of(found: Lines, ring: bool) -> Lines:
    """The lines of the ring, or those of the signal period."""
    from dataclasses import replace

    there = (found.order > 0) == ring
    names = ("harmonic", "order", "frequency", "alias", "position", "velocity")
    return replace(found, **{name: getattr(found, name)[there] for name in names})


def fault(axis: Axis, path: str) -> dict[str, str]:
    """A fault of the signals or the ring, its name with its value, and in plain words."""
    section, name = path.split(".")
    value = getattr(getattr(axis, section), name)
    write, words = _FAULTS[name]
    if hasattr(value, "items"):
        shown = listed(f"{write(_size(part), axis)} at {n}" for n, part in value.items())
    else:
        shown = write(value, axis)
    return {"words": words.format(shown), "short": f"{name} {shown}"}


def _size(part: float | tuple[float, float]) -> float:
    return part[0] if isinstance(part, tuple) else part


def _share(value: float | tuple[float, float], axis: Axis) -> str:
    size = math.hypot(*value) if isinstance(value, tuple) else abs(value)
    return f"{100.0 * size:.3g} %"


def _angle(value: float, axis: Axis) -> str:
    return f"{math.degrees(abs(value)):.3g} deg"


def _time(value: float, axis: Axis) -> Any:
    return show(abs(value), "s")


def _position(value: float, axis: Axis) -> Any:
    return show(value, axis.scale.unit)


def _length(value: float, axis: Axis) -> str:
    return show(value, "m")


def _turned(value: float, axis: Axis) -> Any:
    return show(value, "rad")


_FAULTS = {
    "offset": (_share, "a centre off by {}"),
    "gain": (_share, "one signal {} taller than the other"),
    "phase": (_angle, "signals {} from a quarter period"),
    "harmonics": (_share, "signals that are no pure waves, {}"),
    "sde": (_position, "an error given as {} a period"),
    "skew": (_time, "signals read {} apart"),
    "eccentricity": (_length, "a ring off centre by {}"),
    "swash": (_turned, "a ring tilted by {}"),
    "lobes": (_length, "a ring out of round by {} a turn"),
    "graduation": (_turned, "lines of the ring off by {} a turn"),
    "wander": (_length, "an axis that wanders by {} a turn"),
    "coupling": (_turned, "a coupling off by {} a turn"),
}


def answer(axis: Axis, speed: float, now: Behaviour) -> list[str]:
    """What the controller sees and the axis does, in some sentences."""
    unit, values = unit_of(axis, "measured"), now.at()
    where = f"At {show(abs(speed), unit)}" if speed else "At standstill"
    if values["measured"] == 0.0:
        words = [f"{where} the controller sees no ripple. {RIPPLE}"]
    else:
        share = f", {show(100.0 * values['measured'] / abs(speed), '1')} % of the speed" if speed else ""
        words = [f"{where} the controller sees a ripple of {show(values['measured'], unit)}{share}. {RIPPLE}"]
    if now.closed:
        torque, actual = (show(values[curve], unit_of(axis, curve)) for curve in ("torque", "actual"))
        words.append(
            f"The loop makes {torque} of {force(axis)} of it, and the axis really swings by {actual}."
        )
    elif now.stable:
        words.append("What the axis itself does is not told: no loop is described that could be closed.")
    else:
        words.append("The loop is unstable with these gains: nothing else counts until it is stable.")
    return [*words, SHARES] if values["measured"] else words


def explained(lines: list[str]) -> list[str]:
    """Lines with each word of the trade explained where it first comes up."""
    left, found = dict(TERMS), []
    for line in lines:
        added = [left.pop(word) for word in list(left) if re.search(word, line)]
        found.append(" ".join([line, *added]))
    return found


def vanished(found: Lines, crossover: float) -> str:
    """Lines that the loop always meets at the same place, or nearly so."""
    axis, rate = found.axis, found.axis.sampling.rate
    slow = SLOW * rate if math.isnan(crossover) else FOLLOWS * crossover
    there = (found.frequency > 0.5 * rate) & (found.position > WEAK * found.position.max(initial=0.0))
    gone, beating = (
        there & (found.alias < STILL * rate),
        there & (found.alias >= STILL * rate) & (found.alias < slow),
    )
    words = []
    if gone.any():
        size = show(float(found.position[gone].max()), axis.scale.unit)
        words.append(
            f"Seen at this speed, {_numbered(found, gone)} vanishes: the loop always meets the same place of a period "
            f"and takes up to {size} of error for position. A hair beside this speed it comes back as a slow swing."
        )
    if beating.any():
        size = show(float(found.position[beating].max()), axis.scale.unit)
        moved = "" if math.isnan(crossover) else f", and the axis really moves by up to {size}"
        slowest = show(float(found.alias[beating].min()), "Hz")
        words.append(
            f"Here {_numbered(found, beating)} is folded to a slow swing, from {slowest} on: it hardly shows in the "
            f"measured velocity{moved}."
        )
    return " ".join(words)


def _numbered(found: Lines, there: np.ndarray) -> Any:
    """``each of line 1 and line 2``."""
    names = [f"line {order:.6g}" for order in sorted(found.harmonic[there].tolist())]
    return listed(names) if len(names) == 1 else f"each of {listed(names)}"


def starts(worst: WorstStart, measured: float) -> str:
    """How much the start position matters, where it does."""
    axis, unit = worst.axis, unit_of(worst.axis, "measured")
    seconds = worst.beat / axis.sampling.rate
    if worst.rms <= 1.1 * worst.mean or seconds < 0.1 or worst.rms < WEAK * measured or worst.samples == 1:
        return ""
    lasts = "for ever" if math.isinf(seconds) else f"for {show(seconds, 's')}"
    return (
        f"At this speed the loop meets the same places of a period again, every {worst.samples} samples. The encoder's "
        f"own error then makes {show(worst.least, unit)} to {show(worst.rms, unit)}, by where the motion starts, "
        f"{lasts}."
    )
