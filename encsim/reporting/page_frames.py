"""Frames of the speed slider: at each speed the samples of the error, the velocity and its spectrum.

A frame is three panels of 1000 by 1000 units with axes of their own, and words. The page stretches a panel to any
width: lines keep their thickness, and dots are lines of length 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import headlines
from ..open_loop.causes import REGIMES
from ..presentation.ticks import PlainNumbers
from ..presentation.web_panels import FILLED, HIGH, WIDE, about_zero, path, tenths, ticks
from ..time_domain.velocity_spectrum import is_aliased
from ..wording import axis_unit, ordinal, percent, quantity, sentence
from .page_blocks import Block, Table, near
from .page_speeds import ZERO_ALIAS, SimulatedSpeed, simulated_speed, speed_name
from .page_words import plain_doubts, say, several, told

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..presentation.web_panels import Ticks
    from .page_blocks import Findings

    Stick = tuple[str, str, bool, int]


# Samples that the first panel shows at least, dots at most, and signal periods where there are more samples in them.
SAMPLES, DOTS, PERIODS = 16, 24, 2.0
# Points of a wave, at least and at most; points of a wave of its highest harmonic, or it is drawn as a band.
FEWEST, MOST, A_WAVE = 96, 480, 6
# Harmonics below this share of the largest are not drawn.
LEAST = 0.01
# Samples of the velocity, at least; waves of its strongest harmonic; from so many on the least and largest of groups.
VELOCITIES, WAVES, GROUPS = 64, 4.0, 120
# Parts of the outline of the spectrum, decades of its axis, and its range over the highest frequency drawn.
BINS, DECADES, ROOM = 80, 4, 2.0
# Height of the spectrum over its highest point.
OVER = 6.0


@dataclass(frozen=True, eq=False)
class FramePanel:
    """One panel of a frame: head and name of its axis, ticks as (share of the panel in per cent, name), and words."""

    head: str
    below: str
    x_ticks: Ticks
    y_ticks: Ticks
    alt: str


@dataclass(frozen=True, eq=False)
class SpeedFrame:
    """One speed: its numbers, its words, and the paths of the three panels.

    ``seen`` is the wave that the samples seem to draw, empty where it is the wave itself; a dot stands for ``every``
    so many samples. ``band`` is (top, height); a stick is (left, top, whether it is aliased, harmonic).
    """

    speed: float
    name: str
    rms: float
    first: bool
    caption: str
    key: str
    line_words: tuple[str, ...]
    wave: str
    dots: str
    seen: str
    dense: bool
    every: int
    velocity: str
    band: tuple[float, float]
    spectrum: str
    sticks: tuple[Stick, ...]
    panels: tuple[FramePanel, FramePanel, FramePanel]


@dataclass(frozen=True, eq=False)
class Slider:
    """All frames, and the numbers of those that have a button where no script runs."""

    frames: tuple[SpeedFrame, ...]
    buttons: tuple[int, ...]
    closed: bool
    reasons: tuple[str, ...]


# Buttons of a page without a script.
BUTTONS = 7


def slider(
    axis: Axis, speeds: Sequence[float], rms: np.ndarray, first: float, seed: int = 0, *, closed: bool = False
) -> Slider:
    """Frames at these speeds with this ripple; ``first`` is shown first."""
    simulated = [
        simulated_speed(axis, speed, float(size), seed, closed=closed)
        for speed, size in zip(speeds, rms, strict=True)
    ]
    shown = int(np.argmin(np.abs(np.asarray(speeds) - first)))
    reasons = (reason for each in simulated for reason in (*each.lines.reasons, *each.seen.reasons))
    evenly = np.linspace(0, len(speeds) - 1, BUTTONS).round().astype(int)
    evenly[np.argmin(np.abs(evenly - shown))] = shown
    return Slider(
        frames=tuple(frame(each, number == shown) for number, each in enumerate(simulated)),
        buttons=tuple(np.unique(evenly).tolist()),
        closed=closed,
        reasons=tuple(dict.fromkeys(reasons)),
    )


def frame(simulated: SimulatedSpeed, first: bool = False) -> SpeedFrame:
    """One frame."""
    axis = simulated.lines.axis
    name, unit = speed_name(simulated.speed, axis), f"{axis.scale.unit}/s"
    samples, velocity = _Samples(simulated), _Velocity(simulated)
    made = _Spectrum(simulated)
    return SpeedFrame(
        speed=simulated.speed,
        name=name,
        rms=simulated.rms,
        first=first,
        caption=say(
            "frame.caption",
            ripple=quantity(simulated.rms, unit),
            share=percent(simulated.rms / simulated.speed, 3),
        ),
        key=_key(samples, made),
        line_words=simulated.words(),
        wave=samples.wave,
        dots=samples.dots,
        seen=samples.seen,
        dense=samples.dense,
        every=samples.every,
        velocity=velocity.path,
        band=velocity.band,
        spectrum=made.outline,
        sticks=made.sticks,
        panels=(samples.panel(name), velocity.panel(name), made.panel(name)),
    )


def _key(samples: _Samples, spectrum: _Spectrum) -> str:
    """What the marks of a frame mean, of those that it shows."""
    line = "dense" if samples.dense else "thin" if samples.seen else "wave"
    drawn = {
        line: bool(samples.true.size),
        "dots": True,
        "seen": bool(samples.seen),
        "sticks": bool(spectrum.sticks),
        "aliased": any(aliased for _, _, aliased, _ in spectrum.sticks),
        "grey": bool(spectrum.outline),
    }
    words = [say(f"frame.key_{mark}", samples=samples.named) for mark, shown in drawn.items() if shown]
    return f"{sentence('; '.join(words))}."


class _Samples:
    """First panel: the error against time, the samples of it, and the wave that these seem to draw."""

    def __init__(self, simulated: SimulatedSpeed) -> None:
        error, self.axis = simulated.error, simulated.lines.axis
        kept = error.amplitude > LEAST * error.amplitude.max(initial=0.0)
        self.size, self.angle = error.amplitude[kept], error.angle[kept]
        self.true = error.harmonic[kept] * simulated.turns
        alias = self.true - np.round(self.true)
        self.alias = np.where(np.abs(alias) < ZERO_ALIAS, 0.0, alias)
        self.samples = max(SAMPLES, math.ceil(PERIODS / simulated.turns))
        self.every = math.ceil(self.samples / DOTS)
        self.named = say(
            "frame.the_samples" if self.every == 1 else "frame.every_sample",
            ordinal=told(ordinal(self.every)),
        )
        self.places = np.arange(0, self.samples, self.every)
        self.reach = float(np.abs(self._at(self.alias, self.places)).max(initial=0.0))
        fine = np.linspace(0.0, self.samples, MOST) if self.true.size else np.zeros(0)
        self.reach = max(self.reach, float(np.abs(self._at(self.true, fine)).max(initial=0.0)))
        self.dense = bool(self.true.size) and self.samples * self.true.max() * A_WAVE > MOST

    def _at(self, turns: np.ndarray, places: np.ndarray) -> np.ndarray:
        """Error at some samples, whole or not, of harmonics with these periods a sample."""
        return np.asarray(self.size @ np.sin(2.0 * np.pi * np.outer(turns, places) + self.angle[:, None]))

    def _x(self, places: np.ndarray) -> np.ndarray:
        return WIDE * (places + 0.5) / self.samples

    def _y(self, heights: np.ndarray) -> np.ndarray:
        return HIGH / 2.0 * (1.0 - FILLED * heights / (self.reach or 1.0))

    def _drawn(self, turns: np.ndarray) -> str:
        """Path of harmonics through all dots, within the panel."""
        waves = self.samples * float(np.abs(turns).max(initial=0.0))
        count = round(min(max(FEWEST, 2 * A_WAVE * waves), MOST))
        places = np.union1d(np.linspace(-0.5, self.samples - 0.5, count), self.places)
        return path(self._x(places), self._y(self._at(turns, places)))

    @property
    def wave(self) -> str:
        """The true error; where it has too many waves, the band that it fills."""
        if not self.true.size:
            return f"M0 {tenths(HIGH / 2.0)}H1000"
        if self.dense:
            low, high = (tenths(float(end)) for end in self._y(np.array([-self.reach, self.reach])))
            return f"M0 {high}H1000V{low}H0Z"
        return self._drawn(self.true)

    @property
    def seen(self) -> str:
        """The slowest wave through the dots, where that is another one."""
        return "" if np.array_equal(self.true, self.alias) else self._drawn(self.alias)

    @property
    def dots(self) -> str:
        """The samples."""
        x, y = self._x(self.places).tolist(), self._y(self._at(self.alias, self.places)).tolist()
        return "".join(f"M{a:.0f} {b:.0f}h0" for a, b in zip(x, y, strict=True))

    def panel(self, name: str) -> FramePanel:
        """Words and axes."""
        rate, unit = self.axis.sampling.rate, self.axis.scale.unit
        length = self.samples / rate
        return FramePanel(
            say("frame.error_head", unit=axis_unit(self.reach, unit)[0]),
            say("frame.time", unit=axis_unit(length, "s")[0]),
            ticks(length, "s", 0.5 / rate),
            about_zero(self.reach, unit),
            say(
                "frame.error_alt",
                speed=name,
                reach=quantity(self.reach, unit, 2),
                length=quantity(length, "s", 2),
                count=len(self.places),
                samples=self.named,
                seen=say("frame.slower") if self.seen else "",
            ),
        )


class _Velocity:
    """Second panel: measured velocity minus its mean, with the band of its rms."""

    def __init__(self, simulated: SimulatedSpeed) -> None:
        self.axis, self.rms = simulated.lines.axis, simulated.rms
        alias = simulated.lines.alias[simulated.drawn[0]] if simulated.drawn else 0.0
        wanted = WAVES * self.axis.sampling.rate / alias if alias > 0.0 else VELOCITIES
        everything = simulated.seen.deviation
        self.shown = everything[: round(min(max(wanted, VELOCITIES), len(everything)))]
        self.reach = max(float(np.abs(self.shown).max(initial=0.0)), 1.3 * self.rms)

    @property
    def path(self) -> str:
        """Samples joined by lines; of many, least and largest of each group."""
        if not self.reach:
            return f"M0 {tenths(HIGH / 2.0)}H1000"
        places = np.arange(len(self.shown))
        if len(places) > 2 * GROUPS:
            # the least and the largest sample of each group, at their own times
            groups = np.array_split(self.shown, GROUPS)
            starts = np.cumsum([0, *map(len, groups[:-1])])
            ends = [
                start + end(group)
                for start, group in zip(starts, groups, strict=True)
                for end in (np.argmin, np.argmax)
            ]
            places = np.unique(ends)
        x = WIDE * places / max(len(self.shown) - 1, 1)
        return path(x, HIGH / 2.0 * (1.0 - FILLED * self.shown[places] / self.reach))

    @property
    def band(self) -> tuple[float, float]:
        """Top and height of the band."""
        half = HIGH / 2.0 * FILLED * self.rms / self.reach if self.reach else 0.0
        return round(HIGH / 2.0 - half, 1), round(2.0 * half, 1)

    def panel(self, name: str) -> FramePanel:
        """Words and axes."""
        unit, length = f"{self.axis.scale.unit}/s", max(len(self.shown) - 1, 1) / self.axis.sampling.rate
        return FramePanel(
            say("frame.velocity_head", unit=axis_unit(self.reach, unit)[0]),
            say("frame.time_band", unit=axis_unit(length, "s")[0]),
            ticks(length, "s"),
            about_zero(self.reach, unit),
            say(
                "frame.velocity_alt",
                speed=name,
                length=quantity(length, "s", 2),
                rms=quantity(self.rms, unit),
                reach=quantity(float(np.abs(self.shown).max(initial=0.0)), unit, 2),
            ),
        )


class _Spectrum:
    """Third panel: harmonics as sticks over the outline of noise and quantisation."""

    def __init__(self, simulated: SimulatedSpeed) -> None:
        self.simulated, self.axis = simulated, simulated.lines.axis
        self.unit, half = f"{self.axis.scale.unit}/s", self.axis.sampling.rate / 2.0
        alias = [float(simulated.lines.alias[index]) for index in simulated.drawn]
        finest = 20.0 * self.axis.sampling.rate / max(len(simulated.seen.deviation), 1)
        self.end = min(max(ROOM * max(alias, default=half), finest), half)
        self.inside = slice(1, int(np.searchsorted(simulated.frequency, self.end * (1.0 + 1e-9))))
        sizes = [float(simulated.lines.velocity[index]) for index in simulated.drawn]
        self.top = max([*sizes, float(simulated.size[self.inside].max(initial=0.0))])
        size = axis_unit(self.top, self.unit)[1]
        # above the highest stick is room for its number
        self.high = self.top * OVER if self.top else size
        self.low = self.high * 10.0**-DECADES

    def _height(self, size: float) -> float:
        share = math.log10(max(size, self.low) / self.low) / DECADES
        return HIGH * (1.0 - min(share, 1.0))

    @property
    def outline(self) -> str:
        """Outline of the simulated spectrum: the largest of each part of the frequencies."""
        frequency, size = self.simulated.frequency[self.inside], self.simulated.size[self.inside]
        if not self.top or size.size < 2:
            return ""
        starts = np.unique(np.linspace(0, size.size, BINS + 1).round().astype(int))[:-1]
        ends = np.append(starts[1:], size.size) - 1
        # each part stands at the middle of its frequencies
        x = np.minimum(WIDE * 0.5 * (frequency[starts] + frequency[ends]) / self.end, WIDE)
        y = np.array([self._height(float(top)) for top in np.maximum.reduceat(size, starts)])
        return f"{path(np.append(0.0, x), np.append(HIGH, y))}H1000V1000Z"

    @property
    def sticks(self) -> tuple[Stick, ...]:
        """The harmonics."""
        found = self.simulated.lines
        return tuple(
            (
                f"{WIDE * found.alias[index] / self.end:.0f}",
                f"{self._height(float(found.velocity[index])):.0f}",
                is_aliased(found, index),
                int(found.harmonic[index]),
            )
            for index in self.simulated.drawn
            if found.velocity[index] > self.low
        )

    def panel(self, name: str) -> FramePanel:
        """Words and axes."""
        size, up_to = axis_unit(self.top, self.unit)[1], quantity(self.end, "Hz", strip=True)
        last = math.floor(math.log10(self.high / size) + 1e-9)
        values = [10.0 ** (last - place) for place in range(DECADES)]
        names = PlainNumbers(logarithmic=True).format_ticks(values)
        heights = [round(self._height(value * size) / HIGH * 100.0, 2) for value in values]
        named = tuple(zip(heights, names, strict=True)) if self.top else ((100.0, "0"),)
        words = sentence("; ".join(self.simulated.words()) or say("frame.no_error"))
        return FramePanel(
            say("frame.spectrum_head", unit=axis_unit(self.top, self.unit)[0]),
            say("frame.frequency", unit=axis_unit(self.end, "Hz")[0]),
            ticks(self.end, "Hz"),
            named,
            say("frame.spectrum_alt", speed=name, end=up_to, harmonics=words),
        )


def all_speeds(results: Findings) -> Block:
    """The numbers of every speed of the slider."""
    unit, frames, curve = f"{results.axis.scale.unit}/s", results.slider.frames, results.curve
    allowed = headlines.allowed(results.requirement, results.table_speeds) if results.limited else None
    rows = tuple(
        (
            frame.name,
            quantity(frame.rms, unit),
            percent(frame.rms / frame.speed, 3),
            *(() if allowed is None else _held(frame.rms, float(allowed[place]), unit)),
            told(REGIMES[str(curve.regime[near(curve.speed, np.array([frame.speed]))[0]])].cell),
            "; ".join(frame.line_words) or say("why.none"),
        )
        for place, frame in enumerate(frames)
    )
    heads = several("why.heads")
    kept = heads if allowed is not None else (*heads[:3], *heads[5:])
    return Block(
        key="why",
        heading=say("why.heading"),
        says=(say("why.says"),),
        doubts=plain_doubts(results.slider.reasons),
        tables=(Table(say("why.table"), kept, rows),),
    )


def _held(rms: float, allowed: float, unit: str) -> tuple[str, str]:
    """The limit at a speed, and whether it is kept."""
    if math.isinf(allowed):
        return say("why.none"), ""
    return quantity(allowed, unit), say("why.above" if rms > allowed else "why.within")
