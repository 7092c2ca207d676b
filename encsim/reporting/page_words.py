"""Plain words of a page: meanings of terms, doubts, limits, the axis, what the prediction leaves out."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar, cast
from xml.sax.saxutils import escape

import numpy as np

from ..figures.channels import signed_percent
from ..wording import (
    axis_words,
    compared,
    digits,
    force,
    listed,
    many,
    percent,
    quantity,
    sentence,
    with_unit,
)

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..decisions.headlines import Headline
    from ..decisions.judgements import Judgement, LimitCheck
    from ..doubts import Doubt
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..open_loop.period_error import PeriodError


Doubtful = TypeVar("Doubtful", "RippleCurve", "Smoothness", "PeriodError")
# Terms that the page explains where they stand first in a section: pattern, and meaning in at most twelve words.
MEANINGS = {
    "ripple": "how much the speed swings about its mean, as rms",
    "rms": "a typical size: squares averaged, then the root",
    "limit": "the most ripple that is allowed",
    "error": "shown position minus actual position",
    "cyclic": "the same again in every signal period",
    "signal period": "distance after which the encoder's signals repeat",
    "aliased": "too fast for the controller, so that it looks slower",
    "harmonic": "one frequency of the error, in cycles per signal period",
    "quantisation": "the position comes in steps, called counts",
    "sampling null": "a speed at which every sample meets the same phase",
    "null speed": "every sample meets the same phase, so no ripple is seen",
    "jitter": "random error from one sample to the next",
    "resonance": "a frequency at which the machine swings strongly",
    "phase margin": "how much more delay the loop may have, as an angle",
}
TERM = re.compile(rf"\b({'|'.join(sorted(MEANINGS, key=len, reverse=True))})s?\b", re.IGNORECASE)
# Words of the templates.
PAGE = {
    "answer": "The answer",
    "cautions": "Cautions",
    "provenance": "Where this page comes from",
    "axis_in_words": "The axis in words",
    "axis_as_file": "The axis as a file",
    "appendix": "Appendix: the axis as a file, and every speed of the slider",
    "not_reliable": "is not reliable:",
    "same_doubts": "The reasons for doubt given above hold here too.",
}
LIMITS = {
    "measured": "measured ripple",
    "relative": "measured ripple for its speed",
    "torque": "ripple of the {force}",
    "actual": "actual velocity ripple of the load",
    "top_speed": "top speed",
    "phase_margin": "phase margin",
    "delay": "delay of the measured velocity",
}
OF_CURVES = {"measured": "measured", "torque": "{force}", "actual": "actual, of the load"}
EVERYWHERE = (
    "Errors of the scale over more than a signal period, and its change with temperature.",
    "Faults that change with place, time or temperature: here they are the same all along the scale.",
    "Disturbances from cables, drives and the supply, unless they are given as noise.",
    "Dirt, damage, lost counts and lost signals.",
    "Acceleration: each speed is taken as steady.",
)
NO_LOOP = "The controller and what it moves: how the machine answers the ripple is not computed."
WITH_LOOP = "Bending, backlash and resonances of the machine that its description does not name."
NO_RING = "How the ring is mounted: errors that come once or a few times per revolution."


def plain_doubts(reasons: Iterable[str]) -> tuple[str, ...]:
    """Reasons of a result (all of them `Doubt`) in plain words, each once."""
    return tuple(dict.fromkeys(doubt.plain for doubt in cast("Iterable[Doubt]", reasons)))


def within(result: RippleCurve | Smoothness, asked: tuple[float, float]) -> tuple[str, ...]:
    """Reasons of a curve, if any of the speeds that were asked for is doubtful."""
    low, high = asked
    inside = (np.abs(result.speed) >= low) & (np.abs(result.speed) <= high)
    return result.reasons if bool(np.any(result.doubtful & inside)) else ()


def in_plain_words(result: Doubtful) -> Doubtful:
    """A result whose reasons are in plain words, for a picture whose title gives one of them."""
    return replace(result, reasons=plain_doubts(result.reasons))


def doubted(curve: RippleCurve | Smoothness) -> str:
    """Where a curve is doubtful, as the subject of a sentence."""
    speeds = curve.speed[curve.doubtful]
    if not speeds.size or speeds.size == curve.speed.size:
        return "This"
    low, high = (quantity(abs(end), f"{curve.axis.scale.unit}/s", 2) for end in (speeds.min(), speeds.max()))
    return f"What is hatched, at {low}," if low == high else f"What is hatched, from {low} to {high},"


def limit_name(name: str, axis: Axis) -> str:
    """A limit of a requirement in words."""
    return LIMITS[name].format(force=force(axis))


def curve_heads(axis: Axis) -> tuple[str, ...]:
    """Heads of the columns for measured ripple, ripple of the force or torque, and actual ripple."""
    return tuple(sentence(words.format(force=force(axis))) for words in OF_CURVES.values())


def in_unit(value: float | None, unit: str, count: int = 3, other: float | None = None) -> str:
    """A value for a table, infinite ones in words; in the unit of ``other`` where that is given."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "no limit" if value > 0.0 else "none"
    if unit == "deg":
        return digits(value, count, strip=True) + "°"
    return quantity(value, unit, count) if other is None else compared(value, other, unit, count)


def _worst(judged: Judgement, headline: Headline) -> LimitCheck:
    """The limiting criterion; where it is a limit on measured ripple, at the speed of the headline."""
    binding: LimitCheck = judged.limit(judged.binding)
    if binding.name not in ("measured", "relative") or not headline.limited:
        return binding
    if (headline.kind == "met") != binding.met:
        return binding  # exceeded only where the result is not reliable
    limit = headline.rms / headline.share
    return replace(binding, speed=headline.speed, value=headline.rms, limit=limit, share=headline.share)


def verdict(judged: Judgement, headline: Headline) -> str:
    """Yes or no, with the limiting criterion."""
    axis = judged.axis
    missed = [each for each in judged.limits if not each.met]
    binding = _worst(judged, headline)
    unit = judged.units[binding.name]
    where = "" if math.isnan(binding.speed) else f" at {quantity(binding.speed, judged.units['speeds'], 2)}"
    name = limit_name(binding.name, axis)
    values = f"{in_unit(binding.value, unit, other=binding.limit)} where {in_unit(binding.limit, unit)} is the limit"
    if missed:
        count = f"{len(missed)} of {len(judged.limits)} limits {'is' if len(missed) == 1 else 'are'} missed"
        return f"No, {count}. Worst is the {name}{where}: {values}."
    return f"Yes, every limit is met. Nearest to its limit is the {name}{where}: {values}."


def limit_table(judged: Judgement) -> tuple[str, tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Every limit with its nearest value: caption, head and rows of a table."""
    rows = tuple(
        (
            sentence(limit_name(each.name, judged.axis)),
            in_unit(each.limit, judged.units[each.name]),
            in_unit(each.value, judged.units[each.name], other=each.limit),
            "any" if math.isnan(each.speed) else quantity(each.speed, judged.units["speeds"]),
            "met" if each.met else "missed",
        )
        for each in judged.limits
    )
    return "Every limit", ("Limit on", "Allowed", "Reached", "At speed", "Verdict"), rows


def not_covered(axis: Axis, closed: bool) -> tuple[str, ...]:
    """What this prediction leaves out for this axis."""
    return (
        *EVERYWHERE,
        WITH_LOOP if closed else NO_LOOP,
        *((NO_RING,) if axis.scale.unit == "rad" and axis.ring is None else ()),
    )


def axis_sentence(axis: Axis) -> str:
    """The axis in one sentence."""
    return f"{sentence(axis_words(axis))}."


def axis_rows(axis: Axis) -> tuple[tuple[str, str], ...]:
    """The axis as (part, description) in plain words, without the parts that it does not have."""
    rows = [
        ("Scale", _scale(axis)),
        ("Signals", _signals(axis)),
        ("Noise", _noise(axis)),
        ("Interpolation", _interpolation(axis)),
        ("Reading", _reading(axis)),
        ("Velocity from positions", sentence(axis.estimator.words())),
        ("Ring", _ring(axis)),
        ("What moves", _load(axis)),
        ("Controller", _control(axis)),
    ]
    return tuple((name, words) for name, words in rows if words)


def _phrases(*parts: object) -> str:
    """A sentence of the parts that are text; parts that do not apply are false, 0 or None."""
    return sentence("; ".join(part for part in parts if part and isinstance(part, str)))


def _size(value: float, unit: str) -> str:
    return quantity(value, unit, strip=True)


def _scale(axis: Axis) -> str:
    scale = axis.scale
    if scale.lines is None:
        return f"Linear, signal period {_size(scale.pitch, 'm')}"
    rim = f", graduation {_size(scale.diameter, 'm')} in diameter" if scale.diameter else ""
    return f"Rotary, {digits(scale.lines, 12, strip=True)} signal periods per revolution{rim}"


def _signals(axis: Axis) -> str:
    signal, unit = axis.signal, axis.scale.unit
    words = _phrases(
        signal.amplitude != 1.0 and f"amplitude {percent(signal.amplitude, 3, strip=True)} of nominal",
        any(signal.offset) and f"offset {listed([signed_percent(part) for part in signal.offset])}",
        signal.gain and f"amplitude mismatch {signed_percent(signal.gain)} (one signal larger)",
        signal.phase and f"phase error {digits(math.degrees(signal.phase), 3, strip=True)}° (not square)",
        *(f"harmonic {n} of {percent(abs(size), 3, strip=True)}" for n, size in signal.harmonics.items()),
        *(f"{_size(size, unit)} of error {n} per period" for n, (size, _) in signal.sde.items()),
        signal.bandwidth and f"bandwidth {_size(signal.bandwidth, 'Hz')}",
        signal.skew and f"one signal read {_size(signal.skew, 's')} later",
    )
    return words or "Ideal sine and cosine"


def _noise(axis: Axis) -> str:
    signal = axis.signal
    return _phrases(
        signal.jitter and f"{_size(signal.jitter, axis.scale.unit)} rms of the position",
        signal.jitter_bandwidth and f"up to {_size(signal.jitter_bandwidth, 'Hz')}",
        signal.noise and f"{percent(signal.noise, 3, strip=True)} rms of each signal",
    )


def _interpolation(axis: Axis) -> str:
    made = axis.interpolation
    count = f", one count {_size(axis.resolution, axis.scale.unit)}" if made.factor else ""
    return _phrases(
        f"{many(made.factor, 'count')} per period{count}" if made.factor else "not rounded",
        made.bits and f"converters of {made.bits} bits",
        made.hysteresis and f"hysteresis of {many(made.hysteresis, 'count', 3)}",
        made.correction and f"corrects {percent(made.correction, 3, strip=True)} of offset, gain and phase",
        made.output == "ab" and "square waves that the controller counts",
        made.edge_separation and f"edges at least {_size(made.edge_separation, 's')} apart",
        made.edge_clock and f"edges on a clock of {_size(made.edge_clock, 'Hz')}",
    )


def _reading(axis: Axis) -> str:
    read = axis.sampling
    return _phrases(
        f"{_size(read.rate, 'Hz')} loop",
        read.jitter and f"moments uncertain by {_size(read.jitter, 's')} rms",
        read.latency and f"{_size(read.latency, 's')} old when used",
        read.average > 1 and f"mean of {read.average} readings",
        read.encoder_rate and f"encoder samples by itself at {_size(read.encoder_rate, 'Hz')}",
    )


def _ring(axis: Axis) -> str:
    ring = axis.ring
    if ring is None:
        return ""
    heads = f"{len(axis.heads)} heads" if len(axis.heads) > 1 else "one head"
    return _phrases(
        f"{_size(ring.diameter, 'm')} in diameter, read by {heads}",
        ring.eccentricity and f"off centre by {_size(ring.eccentricity, 'm')}",
        ring.swash and f"tilted by {_size(ring.swash, 'rad')}",
        len(ring.lobes)
        and f"out of round by {listed([_size(size, 'm') for size, _ in ring.lobes.values()])}",
        len(ring.compensation) and "errors taken off by the controller",
    )


def _mechanical_unit(axis: Axis, name: str) -> str:
    """Unit of a mechanical quantity of a linear or a rotary axis."""
    linear = {"inertia": "kg", "torque": "N", "slope": "N s/m", "stiffness": "N/m"}
    rotary = {"inertia": "kg m²", "torque": "N m", "slope": "N m s/rad", "stiffness": "N m/rad"}
    return (linear if axis.scale.unit == "m" else rotary)[name]


def _mechanical(axis: Axis, value: float, name: str) -> str:
    return with_unit(digits(value, 3, strip=True), _mechanical_unit(axis, name))


def _load(axis: Axis) -> str:
    load = axis.load
    if load is None:
        return ""
    mass = "mass" if axis.scale.unit == "m" else "inertia"
    return _phrases(
        f"{mass} {_mechanical(axis, load.inertia, 'inertia')}",
        load.motor_inertia and f"motor {_mechanical(axis, load.motor_inertia, 'inertia')}",
        load.stiffness is not None and f"on a spring of {_mechanical(axis, load.stiffness, 'stiffness')}",
        load.viscous and f"viscous friction {_mechanical(axis, load.viscous, 'slope')}",
        load.coulomb and f"dry friction {_size(load.coulomb, _mechanical_unit(axis, 'torque'))}",
        load.force and f"constant {force(axis)} {_size(load.force, _mechanical_unit(axis, 'torque'))}",
        len(load.cogging) and "cogging of the motor",
        load.flexible and f"encoder on the {load.encoder}",
    )


def _control(axis: Axis) -> str:
    control = axis.control
    if control is None:
        return ""
    notches = f"{len(control.notch)} notch" + ("es" if len(control.notch) > 1 else "")
    return _phrases(
        control.position_gain
        and f"position gain {with_unit(digits(control.position_gain, 3, strip=True), '1/s')}",
        f"velocity gain {_mechanical(axis, control.velocity_gain, 'slope')}",
        control.integral_time and f"integral time {_size(control.integral_time, 's')}",
        control.current_bandwidth and f"current loop {_size(control.current_bandwidth, 'Hz')}",
        control.delay and f"delay {_size(control.delay, 's')}",
        control.torque_limit and f"at most {_size(control.torque_limit, _mechanical_unit(axis, 'torque'))}",
        len(control.notch) and notches,
        control.lowpass and f"low-pass {_size(control.lowpass, 'Hz')}",
    )


class Terms:
    """Explanations of the terms of a page: each where it stands first in a section, as a native popover."""

    def __init__(self) -> None:
        self.told: set[tuple[str, str]] = set()

    def explained(self, text: str, section: str) -> str:
        """A text as markup, with a button at each term that this section has not explained yet."""
        return TERM.sub(lambda match: self._button(match[0], match[1].lower(), section), escape(text))

    def _button(self, shown: str, term: str, section: str) -> str:
        if (section, term) in self.told:
            return shown
        self.told.add((section, term))
        name = f"term-{section}-{term.replace(' ', '-')}"
        return (
            f'<button type="button" class="term" popovertarget="{name}" style="anchor-name:--{name}">{shown}</button>'
            f'<span popover id="{name}" class="meaning" style="position-anchor:--{name}">'
            f"<b>{term}</b>: {MEANINGS[term]}</span>"
        )
