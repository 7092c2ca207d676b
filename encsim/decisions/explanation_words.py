"""Ripple of an axis at a speed, its causes and remedies, in sentences for readers who do not know the trade."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..formats import changes
from ..open_loop.causes import CAUSES
from ..wording import beside, force, listed, percent_number, sentence, share_text, show
from . import headlines
from .ripple_summary import FIGURES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..open_loop.closed_form import Lines
    from ..open_loop.start_phase import WorstStart
    from .explanation import Source
    from .loop_proposals import Proposal
    from .proposals import Situation
    from .remedies import ChangedAxis, Remedy, Values
    from .ripple_summary import RippleSummary


# Over the crossover: below the first a loop follows an error, above the second it cannot.
FOLLOWS, TOO_FAST = 0.5, 2.0
# Over the loop rate: below the first an aliased frequency counts as 0, below the second as a slow beat.
STANDING, SLOW = 1e-9, 1e-3
SHOWN_LINES = 3
# Lines smaller than this share of the strongest are left out.
WEAK = 0.1
RIPPLE = "Ripple: rms deviation of the velocity from its mean."
SHARES = "Shares are of the square of the ripple, since squares add up."
TERMS = {
    r"\berror\b": "The error is shown minus true position.",
    r"\bHarmonic [0-9]": "A harmonic is one frequency of the error, in cycles per signal period.",
    r"\baliased\b": "Aliased: above half the loop rate, so that it appears at a lower frequency.",
    r"\bcrossover\b": "The crossover is the frequency up to which the loop follows.",
    r"\b([Qq]uantisation|[Oo]ne count|[0-9] counts?)\b": "A count is the step of the position (resolution).",
}
CURVE_WORDS = {
    "measured": "the measured ripple",
    "torque": "the {force} ripple",
    "actual": "the actual ripple",
}
# Causes below this share of the mean square are too small for a remedy to help.
SMALL = 0.1
# Noise above this rms, in counts, makes the steps of the counts disappear.
HIDES = 0.4


def _strongest_lines(lines: Lines, crossover: float) -> list[str]:
    """The strongest lines, each in words."""
    axis, rate = lines.axis, lines.axis.sampling.rate
    strong = np.flatnonzero(lines.velocity >= WEAK * lines.velocity.max(initial=0.0)).tolist()
    return [
        f"{_line_name(lines, i)} has an amplitude of {show(lines.position[i], axis.scale.unit)} and "
        f"{_alias_words(lines, i, rate)}{_loop_words(lines.alias[i], crossover, rate)}."
        for i in strong[:SHOWN_LINES]
    ]


def _line_name(lines: Lines, place: int) -> str:
    """``Harmonic 2``, or ``Order 1 of the ring``."""
    if lines.order[place]:
        return f"Order {lines.order[place]} of the ring (per revolution)"
    return f"Harmonic {lines.harmonic[place]:.6g}"


def _alias_words(lines: Lines, place: int, rate: float) -> str:
    """Frequency of a line, and its aliased frequency."""
    frequency, alias = float(lines.frequency[place]), float(lines.alias[place])
    if frequency == 0.0:
        return "is constant at standstill"
    if alias < STANDING * rate and frequency > 0.5 * rate:
        return f"a frequency of {show(frequency, 'Hz')}, a sampling null: every sample meets the same phase"
    if frequency < 0.5 * rate:
        return f"a frequency of {show(frequency, 'Hz')} (direct)"
    return f"a frequency of {show(frequency, 'Hz')}, aliased to {show(alias, 'Hz')}"


def _loop_words(alias: float, crossover: float, rate: float) -> str:
    """Effect of a line of this aliased frequency on a closed loop."""
    if not math.isfinite(crossover) or alias < STANDING * rate:
        return ""
    if alias < FOLLOWS * crossover:
        return "; the loop follows it, so that the axis moves by it"
    if alias > TOO_FAST * crossover:
        return "; the loop cannot follow it and commands {force} instead"
    return "; near the crossover the loop follows it in part and may amplify it"


def cause(
    axis: Axis,
    name: str,
    share: float,
    values: dict[str, Any],
    sources: tuple[Source, ...],
    lines: Lines,
    *,
    crossover: float,
) -> str:
    """One cause in sentences."""
    size = show(values["measured"], unit_of(axis, "measured"))
    registered = CAUSES[name]
    words = [f"{sentence(registered.plain)} makes {size}, a share of {percent(share)}."]
    words += [registered.detail(axis, lines.speed)] if registered.detail else []
    if sources:
        words.append(f"Sources: {listed(one.words for one in sources)}.")
    if registered.group == "cyclic":
        kept = (lines.order > 0) == (name == "ring")
        columns = ("harmonic", "order", "frequency", "alias", "position", "velocity")
        own = replace(lines, **{column: getattr(lines, column)[kept] for column in columns})
        words += [line.format(force=force(axis)) for line in _strongest_lines(own, crossover)]
    if values["torque"] is not None:
        torque, actual = (show(values[curve], unit_of(axis, curve)) for curve in ("torque", "actual"))
        words.append(f"It makes {torque} of {force(axis)} ripple and {actual} of actual velocity ripple.")
    return " ".join(words)


def smaller(names: list[str]) -> str:
    """Causes of a small share."""
    each = "each " if len(names) > 1 else ""
    makes = "make" if len(names) > 1 else "makes"
    return f"{sentence(listed(CAUSES[name].plain for name in names))} {each}{makes} less than 1 %."


def fault(axis: Axis, path: str) -> dict[str, Any]:
    """A fault of the signals or the ring, its name with its value, and in plain words."""
    section, name = path.split(".")
    value = getattr(getattr(axis, section), name)
    write, words = _FAULTS[name]
    if hasattr(value, "items"):
        sizes = {n: part[0] if isinstance(part, tuple) else part for n, part in value.items()}
        at = "at harmonic" if section == "signal" else "at"
        shown = listed([f"{write(size, axis)} {at} {n}" for n, size in sizes.items()])
    else:
        shown = write(value, axis)
    return {"words": words.format(shown), "short": f"{_SHORT.get(name, name)} {shown}"}


def _share(value: float | tuple[float, float], axis: Axis) -> str:
    size = math.hypot(*value) if isinstance(value, tuple) else abs(value)
    return f"{100.0 * size:.3g} %"


def _angle(value: float, axis: Axis) -> str:
    return f"{math.degrees(abs(value)):.3g} deg"


def _time(value: float, axis: Axis) -> str:
    return show(abs(value), "s")


def _position(value: float, axis: Axis) -> str:
    return show(value, axis.scale.unit)


def _length(value: float, axis: Axis) -> str:
    return show(value, "m")


def _small_angle(value: float, axis: Axis) -> str:
    return show(value, "rad")


_FAULTS = {
    "offset": (_share, "an offset of {}"),
    "gain": (_share, "an amplitude (gain) mismatch of {}"),
    "phase": (_angle, "a phase (quadrature) error of {}"),
    "harmonics": (_share, "harmonic distortion of the signals, {}"),
    "sde": (_position, "the SDE given, {}"),
    "skew": (_time, "a skew of {} between the two signals"),
    "eccentricity": (_length, "an eccentricity of {}"),
    "swash": (_small_angle, "a tilt of the ring of {}"),
    "lobes": (_length, "a ring out of round by {} per revolution"),
    "graduation": (_small_angle, "graduation errors of {} per revolution"),
    "wander": (_length, "radial motion of the axis of {} per revolution"),
    "coupling": (_small_angle, "a coupling error of {} per revolution"),
}


# What the terminal calls them, where that is not their key.
_SHORT = {"gain": "mismatch", "phase": "phase error", "harmonics": "distortion", "sde": "SDE"}


def answer(axis: Axis, speed: float, summary: RippleSummary) -> list[str]:
    """Measured ripple, and of a closed loop the torque and the actual ripple, in sentences."""
    unit = unit_of(axis, "measured")
    values = {curve: rms for curve, rms in summary.at().items() if rms is not None}
    where = f"At {show(abs(speed), unit)}" if speed else "At standstill"
    if values["measured"] == 0.0:
        words = [f"{where} there is no measured ripple. {RIPPLE}"]
    else:
        share = f", {show(100.0 * values['measured'] / abs(speed), '1')} % of the speed" if speed else ""
        words = [f"{where} the measured ripple is {show(values['measured'], unit)}{share}. {RIPPLE}"]
    if summary.closed:
        torque, actual = (show(values[curve], unit_of(axis, curve)) for curve in ("torque", "actual"))
        words.append(
            f"The loop commands {torque} of {force(axis)} ripple; the actual velocity ripple is {actual}."
        )
    elif summary.stable:
        words.append("The actual motion is not computed: this needs [load] and [control].")
    else:
        words.append("The loop is unstable with these gains: make it stable first.")
    return [*words, SHARES] if values["measured"] else words


def verdict(axis: Axis, speed: float, values: Values, limits: Mapping[str, float]) -> str:
    """The verdict about the limits at a speed, empty without a limit."""
    unit = unit_of(axis, "measured")
    words = headlines.verdict(
        speed, values, limits, lambda size: show(size, unit), lambda share: f"{percent_number(share)} %"
    )
    return words.replace("torque (force)", force(axis))


def with_terms_explained(lines: list[str]) -> list[str]:
    """The sentences, each term of the trade explained where it first occurs."""
    left, explained = dict(TERMS), []
    for line in lines:
        added = [left.pop(term) for term in list(left) if re.search(term, line)]
        explained.append(" ".join([line, *added]))
    return explained


def null_and_slow_aliases(lines: Lines, crossover: float) -> str:
    """Lines at their sampling null (aliased to 0), and lines aliased to a slow beat."""
    axis, rate = lines.axis, lines.axis.sampling.rate
    slow = SLOW * rate if math.isnan(crossover) else FOLLOWS * crossover
    aliased = (lines.frequency > 0.5 * rate) & (lines.position > WEAK * lines.position.max(initial=0.0))
    null = aliased & (lines.alias < STANDING * rate)
    beating = aliased & (lines.alias >= STANDING * rate) & (lines.alias < slow)
    words = []
    if null.any():
        size = show(float(lines.position[null].max()), axis.scale.unit)
        words.append(
            f"This speed is a sampling null of {_numbered(lines, null)}: every sample meets the same phase, and up to "
            f"{size} of error counts as position. Close to this speed it returns as a slow oscillation."
        )
    if beating.any():
        size = show(float(lines.position[beating].max()), axis.scale.unit)
        moved = "" if math.isnan(crossover) else f", and the axis moves by up to {size}"
        slowest = show(float(lines.alias[beating].min()), "Hz")
        words.append(
            f"At this speed {_numbered(lines, beating)} is aliased to a low frequency, from {slowest} on: it hardly "
            f"shows in the measured velocity{moved}."
        )
    return " ".join(words)


def _numbered(lines: Lines, kept: np.ndarray) -> str:
    """``each of harmonic 1 and harmonic 2``."""
    names = [f"harmonic {order:.6g}" for order in sorted(lines.harmonic[kept].tolist())]
    return names[0] if len(names) == 1 else f"each of {listed(names)}"


def start_dependence(worst: WorstStart, measured: float) -> str:
    """Range of the ripple over the start positions, where it is wide."""
    axis, unit = worst.axis, unit_of(worst.axis, "measured")
    seconds = worst.beat / axis.sampling.rate
    if worst.rms <= 1.1 * worst.mean or seconds < 0.1 or worst.rms < WEAK * measured or worst.samples == 1:
        return ""
    lasts = "without end" if math.isinf(seconds) else f"for {show(seconds, 's')}"
    return (
        f"At this speed the samples meet the same phases again every {worst.samples} samples. The cyclic error then "
        f"makes {show(worst.least, unit)} to {show(worst.rms, unit)} {lasts}, depending on the start position."
    )


def unit_of(axis: Axis, curve: str) -> str:
    """Unit of a curve of ripple."""
    if curve == "torque":
        return "N" if axis.scale.unit == "m" else "N m"
    return f"{axis.scale.unit}/s"


def percent(share: float) -> str:
    """A share in whole per cent, ``less than 1 %`` where it rounds to 0 without being 0."""
    return f"{share_text(share).replace('<', 'less than ')} %"


def value(axis: Axis, path: str, new: Any) -> str:
    """A changed value as a file or ``--set`` takes it."""
    if path == "speed":
        return show(new, f"{axis.scale.unit}/s")
    return changes.setting(axis, path, new)


def side_effects(
    axis: Axis,
    differing: Sequence[tuple[str, float, float]],
    grown: Sequence[tuple[str, float, float]],
    stabilised: bool = False,
) -> tuple[str, ...]:
    """Figures that change and curves of ripple that grow, each in words with numbers."""
    effects = ["the loop becomes stable"] if stabilised else []
    effects += [_figure(axis, name, old, new) for name, old, new in differing]
    return (*effects, *(_change(axis, curve, old, new, verb="grows") for curve, old, new in grown))


def _change(axis: Axis, curve: str, old: float, new: float, *, verb: str) -> str:
    """``the measured ripple grows from 1.00 mm/s to 2.00 mm/s``."""
    unit = unit_of(axis, curve)
    name = CURVE_WORDS[curve].format(force=force(axis))
    return f"{name} {verb} from {show(old, unit)} to {_beside(new, old, unit)}"


def _changed(before: Values, after: Values) -> list[tuple[str, float, float]]:
    """Curves that change by more than 1 %, as (name, before, after)."""
    pairs = ((curve, old, after[curve]) for curve, old in before.items())
    both = [(curve, old, new) for curve, old, new in pairs if old is not None and new is not None]
    return [(curve, old, new) for curve, old, new in both if abs(new - old) > 0.01 * old]


def _beside(new: float, old: float, unit: str) -> str:
    """A value after another, in the same unit where that reads well."""
    if new == 0.0:
        return "nothing"
    return beside(new, old, unit) if 0.01 * old < new < 100.0 * old else show(new, unit)


def _figure(axis: Axis, name: str, old: float, new: float) -> str:
    """``the phase margin falls by 12.0 deg, from 60.0 to 48.0 deg``."""
    words, unit = FIGURES[name]
    verb = "rises" if new > old else "falls"
    if unit == "deg":
        return f"{words} {verb} by {abs(new - old):.1f} deg, from {old:.1f} to {new:.1f} deg"
    if unit == "share":
        return f"{words} {verb} to {show(100.0 * new / old, '1')} % of what it was"
    shown = {"speed": f"{axis.scale.unit}/s", "position": axis.scale.unit}.get(unit, unit)
    after = _shown(new, shown) if math.isinf(new) or math.isinf(old) else _beside(new, old, shown)
    return f"{words} {verb} from {_shown(old, shown)} to {after}"


def _shown(number: float, unit: str) -> str:
    return "no limit" if math.isinf(number) else show(number, unit)


def reason(situation: Situation, proposal: Proposal, effect: str, changed: ChangedAxis) -> str:
    """Why a change does not help."""
    if effect == "unsafe":
        if not changed.figures.stable:
            return "the loop would be unstable"
        return f"a phase margin of only {changed.figures.phase_margin:.1f} deg would be left"
    if effect == "none":
        return _no_effect(situation, proposal)
    words = [
        _change(situation.axis, curve, old, new, verb="grows" if new > old else "falls")
        for curve, old, new in _changed(situation.summary.at(), changed.summary.at())
    ]
    return listed(words) if words else "the ripple stays as it is"


def _no_effect(situation: Situation, proposal: Proposal) -> str:
    """Why the ripple changes by less than 1 %."""
    if not any(situation.summary.at().values()):
        return "there is no ripple to reduce"
    shares = situation.summary.shares()
    share = sum(shares.get(cause, 0.0) for cause in proposal.causes)
    kind = proposal.kind
    if kind in ("finer counts", "coarser counts", "hysteresis") and situation.has("resolution"):
        return _quantisation_and_noise(situation, kind, shares.get("resolution", 0.0))
    if proposal.causes and share < SMALL:
        named = [CAUSES[cause].plain for cause in proposal.causes if cause in shares]
        return f"{listed(named) if named else 'its cause'} makes {percent(share)} of the ripple"
    return "the ripple changes by less than 1 %"


def _quantisation_and_noise(situation: Situation, kind: str, share: float) -> str:
    """Size and share of one count, and the noise that hides it."""
    axis, unit = situation.axis, situation.axis.scale.unit
    words = f"one count is {show(axis.resolution, unit)} and makes {percent(share)} of the ripple"
    if situation.scatter > HIDES * axis.resolution:
        words += f", hidden by the noise of {show(situation.scatter, unit)} rms"
    return words + ("; coarser interpolation is sufficient" if kind == "coarser counts" else "")


def remedy_sentence(remedy: Remedy) -> str:
    """A remedy in a sentence."""
    name = sentence(remedy.name)
    if not remedy.applies:
        words = {"none": "no effect", "impossible": "not possible", "unsafe": "not safe"}
        return f"{name}: {words.get(remedy.effect, 'no help')}, {remedy.reason}."
    axis = remedy.axis
    parts = [
        _change(axis, curve, old, new, verb="goes")
        for curve, old, new in _changed(remedy.before, remedy.after)
    ]
    at = f" at {show(remedy.speed, unit_of(axis, 'measured'))}" if "speed" in remedy.change else ""
    doubt = f" Not reliable: {'; '.join(remedy.reasons)}." if remedy.doubtful else ""
    return f"{name}{at}: {listed(parts)}.{doubt}"
