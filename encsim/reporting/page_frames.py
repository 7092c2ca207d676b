"""Frames of the speed slider: at each of some speeds the samples of the error, the velocity, its spectrum.

A frame holds only what moves, as short paths on common axes: 1000 by 100 units that the page stretches to any
width, since lines keep their thickness and dots are lines of no length.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import units
from ..open_loop.closed_form import lines, ripple, vanishing_speeds
from ..plotting.ticks import PlainNumbers
from ..time_domain.simulation import simulate
from ..time_domain.velocity_spectrum import is_aliased, spectrum, strongest_harmonics
from ..wording import axis_unit, counted, percent, quantity
from .page_svg import (
    FILLED,
    HIGH,
    SAMPLES,
    START,
    WIDE,
    about_zero,
    along,
    path,
    sine_path,
    tenths,
    ticks,
    up,
)

if TYPE_CHECKING:
    from ..model.axis import Axis


COUNT = 25
# At most so many of a user's speeds get a frame of their own, and so many speeds at which a line vanishes.
OWN, VANISHING, STRONG = 12, 6, 3
VELOCITIES = 64
LENGTH = 4096
BINS = 150
DECADES = 4.0
# Seen below this part of the loop rate, a line is at rest but for rounding.
VANISHED = 1e-9
# More waves than these in a panel run together into a band.
MOST_WAVES = 120.0


@dataclass(frozen=True, eq=False)
class SpeedFrame:
    """One speed: its numbers, its words, and the paths of the three panels."""

    speed: float
    name: str
    rms: float
    worst: bool
    caption: str
    told: tuple
    wave: str
    dots: str
    seen: str
    dense: bool
    velocity: str
    band: tuple
    spectrum: str
    sticks: tuple
    alt: tuple


@dataclass(frozen=True, eq=False)
class Slider:
    """All frames and the axes they share; ticks as (share of the panel in per cent, name)."""

    frames: tuple
    first: int
    harmonic: int | None
    heads: tuple
    below: tuple
    across: tuple
    up: tuple
    reasons: tuple


@dataclass(frozen=True, eq=False)
class Raw:
    """One speed computed: its curve point, lines, simulated velocity and spectrum."""

    speed: float
    rms: float
    found: object
    kept: list
    trace: object
    frequency: np.ndarray
    size: np.ndarray


def chosen_speeds(
    axis: Axis, low: float, high: float, own: list[Any] | np.ndarray, worst: float
) -> list[float]:
    """Speeds of the frames: the worst, the user's, those where strong lines vanish, the rest evenly spread."""
    kept = {_name(worst, axis): worst}
    for speed in [*list(own)[:OWN], *_vanishing(axis, low, high)]:
        kept.setdefault(_name(speed, axis), speed)
    for end in (low, high):
        kept.setdefault(_name(end, axis), end)
    while len(kept) < COUNT:
        middle = _between(sorted(kept.values()), axis)
        if middle is None or _name(middle, axis) in kept:
            break
        kept[_name(middle, axis)] = middle
    return sorted(kept.values())


def _between(speeds: list[float], axis: Axis) -> float:
    """The middle of the widest gap, rounded where that stays well within it; None without a gap."""
    gaps = [(after / before, before, after) for before, after in itertools.pairwise(speeds)]
    if not gaps:
        return None
    ratio, before, after = max(gaps)
    middle = before * math.sqrt(ratio)
    near = round_speed(middle, axis)
    return near if before * ratio**0.25 <= near <= after / ratio**0.25 else middle


def round_speed(speed: float, axis: Axis) -> float:
    """A speed with two digits in the unit that it is shown in."""
    size = units.display_unit(speed, f"{axis.scale.unit}/s")[0]
    return float(f"{speed / size:.1e}") * size


def _name(speed: float, axis: Axis) -> str:
    return quantity(speed, f"{axis.scale.unit}/s", strip=True)


def _vanishing(axis: Axis, low: float, high: float) -> list[float]:
    """Speeds in range at which the strongest lines vanish, the lowest of each line first."""
    found = lines(axis, low)
    whole = np.flatnonzero((found.harmonic >= 1) & (found.position > 0.0))
    strong = whole[np.argsort(-found.position[whole], kind="stable")][:STRONG]
    marks = [vanishing_speeds(axis, int(found.harmonic[index]), VANISHING) for index in strong]
    by_turn = [float(row[place]) for place in range(VANISHING) for row in marks]
    return list(dict.fromkeys(speed for speed in by_turn if low <= speed <= high))[:VANISHING]


def slider(axis: Axis, speeds: list[float], worst: float, seed: int = 0, *, closed: bool = False) -> Slider:
    """Frames at these speeds."""
    curve = ripple(axis, speeds)
    raws = [_computed(axis, speed, rms, seed) for speed, rms in zip(speeds, curve.rms.tolist(), strict=True)]
    harmonic = _followed(raws)
    stage = _Stage(axis, raws, harmonic, closed)
    first = int(np.argmin(np.abs(np.asarray(speeds) - worst)))
    frames = tuple(stage.frame(raw, number == first) for number, raw in enumerate(raws))
    return Slider(
        frames,
        first,
        harmonic,
        stage.heads(),
        stage.below(),
        stage.across(),
        stage.up(),
        tuple(dict.fromkeys(reason for raw in raws for reason in (*raw.found.reasons, *raw.trace.reasons))),
    )


def _computed(axis: Axis, speed: float, rms: float, seed: int) -> Raw:
    found, trace = lines(axis, speed), simulate(axis, speed, LENGTH, seed)
    shown = spectrum(trace)
    frequency, size = (np.zeros(0), np.zeros(0)) if shown is None else shown
    return Raw(speed, rms, found, strongest_harmonics(found), trace, frequency, size)


def _followed(raws: list[Raw]) -> int | None:
    """The line that the samples are shown on: the largest of the signal period over all frames."""
    sizes = {}
    for raw in raws:
        for index in np.flatnonzero(raw.found.harmonic >= 1):
            order = int(raw.found.harmonic[index])
            sizes[order] = max(sizes.get(order, 0.0), float(raw.found.position[index]))
    best = max(sizes, key=lambda order: (sizes[order], -order), default=None)
    return best if best is not None and sizes[best] > 0.0 else None


class _Stage:
    """The three panels: units and ranges that all frames share."""

    def __init__(self, axis: Axis, raws: list[Raw], harmonic: int | None, closed: bool) -> None:
        self.steady = ", in perfectly steady motion," if closed else ""
        self.axis, self.rate, self.harmonic = axis, axis.sampling.rate, harmonic
        self.unit = f"{axis.scale.unit}/s"
        self.error = max((_amplitude(raw, harmonic) for raw in raws), default=0.0) if harmonic else 0.0
        self.swing = max((float(np.abs(_shown(raw)).max(initial=0.0)) for raw in raws), default=0.0)
        tops = [float(raw.found.velocity[raw.kept[0]]) for raw in raws if raw.kept]
        tops += [float(raw.size[1:].max()) for raw in raws if raw.size.size > 1]
        self.top = max(tops, default=0.0)

    @property
    def ceiling(self) -> tuple[float, float]:
        """Upper and lower end of the spectrum's log axis; decades round numbers of the unit."""
        unit = axis_unit(self.top, self.unit)[1]
        high = 10.0 ** math.ceil(math.log10(max(self.top, 1e-300) / unit) + 0.15)
        return high * unit, high * unit * 10.0**-DECADES

    def frame(self, raw: Raw, worst: bool) -> SpeedFrame:
        """One frame."""
        wave, dots, seen, dense = self._samples(raw)
        velocity, band = self._velocity(raw)
        area, sticks = self._spectrum(raw)
        told = _told(raw)
        name = _name(raw.speed, self.axis)
        return SpeedFrame(raw.speed, name, raw.rms, worst, self._caption(raw, name), told, wave, dots, seen, dense,
                     velocity, band, area, sticks, self._alternatives(raw, name, told))  # fmt: skip

    def _samples(self, raw: Raw) -> tuple[str, str, str, bool]:
        """True wave, sample dots, the wave through them, and whether the true wave is but a band."""
        if self.harmonic is None:
            return "", "", "", False
        true = self.harmonic * raw.speed / self.axis.scale.pitch / self.rate
        seen = true - round(true)
        seen = 0.0 if abs(seen) < VANISHED else seen
        size = _amplitude(raw, self.harmonic) / self.error
        samples = np.arange(SAMPLES)
        heights = size * np.sin(2.0 * np.pi * true * samples + START)
        dots = "".join(
            f"M{tenths(along(k))} {tenths(up(height))}h0"
            for k, height in zip(samples, heights.tolist(), strict=True)
        )
        dense = true * SAMPLES > MOST_WAVES
        band = f"M0 {tenths(up(size))}H1000V{tenths(up(-size))}H0Z"
        return band if dense else sine_path(true, size), dots, sine_path(seen, size), dense

    def _velocity(self, raw: Raw) -> tuple[str, tuple[float, float]]:
        """Velocity of each sample joined by lines, and top and height of the band of its rms."""
        shown = _shown(raw)
        if not self.swing:
            return "M0 50H1000", (50.0, 0.0)
        x = np.linspace(0.0, WIDE, VELOCITIES)
        y = HIGH / 2.0 * (1.0 - FILLED * shown / self.swing)
        half = min(HIGH / 2.0 * FILLED * raw.rms / self.swing, HIGH / 2.0)
        return path(x, y), (round(HIGH / 2.0 - half, 2), round(2.0 * half, 2))

    def _spectrum(self, raw: Raw) -> tuple[Any, ...]:
        """Outline of noise and counts, and the lines as (left, top, folded, number)."""
        if not self.top:
            return "", ()
        half = self.rate / 2.0
        sticks = tuple(
            (
                tenths(WIDE * raw.found.alias[index] / half),
                tenths(self._height(float(raw.found.velocity[index]))),
                is_aliased(raw.found, index),
                int(raw.found.harmonic[index]),
            )
            for index in raw.kept
            if raw.found.velocity[index] > self.ceiling[1]
        )
        if raw.size.size < 2:
            return "", sticks
        edges = np.unique(np.linspace(1, raw.size.size, BINS + 1).round().astype(int))
        tops = np.maximum.reduceat(raw.size, edges[:-1])
        # the last part ends where the spectrum does
        x = WIDE * 0.5 * (raw.frequency[edges[:-1]] + raw.frequency[edges[1:] - 1]) / half
        y = np.array([self._height(float(top)) for top in tops])
        return f"M0 100V{tenths(y[0])}L{path(x, y)[1:]}H1000V100Z", sticks

    def _height(self, size: float) -> float:
        low = self.ceiling[1]
        share = math.log10(max(size, low) / low) / DECADES
        return HIGH * (1.0 - min(share, 1.0))

    def heads(self) -> tuple[str, str, str]:
        """Heads of the panels, with unit."""
        error = axis_unit(self.error, self.axis.scale.unit)[0]
        swing, top = (axis_unit(value, self.unit)[0] for value in (self.swing, self.top))
        return (
            f"Position error and its samples ({error})",
            f"Velocity less its true value ({swing})",
            f"What that velocity is made of ({top})",
        )

    def below(self) -> tuple[str, str, str]:
        """Names of the axes below the panels."""
        time = axis_unit(SAMPLES / self.rate, "s")[0], axis_unit(VELOCITIES / self.rate, "s")[0]
        hertz = axis_unit(self.rate / 2.0, "Hz")[0]
        return f"Time ({time[0]})", f"Time ({time[1]})", f"Frequency as the controller sees it ({hertz})"

    def across(self) -> tuple[Any, ...]:
        """Ticks below the panels."""
        return (
            ticks(SAMPLES / self.rate, "s", 0.5 / self.rate),
            ticks((VELOCITIES - 1) / self.rate, "s"),
            ticks(self.rate / 2.0, "Hz"),
        )

    def up(self) -> tuple[Any, ...]:
        """Ticks left of the panels."""
        return (
            about_zero(self.error, self.axis.scale.unit),
            about_zero(self.swing, self.unit),
            self._decades(),
        )

    def _decades(self) -> tuple[tuple[float, str], ...]:
        unit, high = axis_unit(self.top, self.unit)[1], self.ceiling[0]
        if not self.top:
            return ((100.0, "0"),)
        values = [high / unit * 10.0**-place for place in range(int(DECADES) + 1)]
        names = PlainNumbers(logarithmic=True).format_ticks(values)
        return tuple((100.0 * place / DECADES, name) for place, name in enumerate(names))

    def _caption(self, raw: Raw, name: str) -> str:
        """The frame in one sentence."""
        share = f", {percent(raw.rms / raw.speed)} of the speed" if raw.speed else ""
        folded = sum(is_aliased(raw.found, index) for index in raw.kept)
        count = len(raw.kept)
        if not count:
            made = "No cyclic error reaches it."
        elif count == 1:
            made = f"Its line is {'' if folded else 'not '}folded."
        elif folded in (0, count):
            made = f"{f'All {counted(count)} lines are' if folded else 'No line is'} folded."
        else:
            made = f"{counted(folded).capitalize()} of {counted(count)} lines {'is' if folded == 1 else 'are'} folded."
        size = quantity(raw.rms, self.unit, 2)
        return f"At {name}{self.steady} the controller sees {size} rms of ripple{share}. {made}"

    def _alternatives(self, raw: Raw, name: str, told: tuple[str, ...]) -> tuple[str, str, str]:
        """Alternative texts of the three panels."""
        swing = quantity(float(np.abs(_shown(raw)).max(initial=0.0)), self.unit, 2)
        lines_told, half = "; ".join(told) or "no cyclic line", quantity(self.rate / 2.0, "Hz", strip=True)
        return (
            self._alternative_of_samples(raw, name),
            f"Line chart of velocity less its true value against time at {name}, {VELOCITIES} samples. "
            f"It is {quantity(raw.rms, self.unit, 2)} rms and reaches {swing} here.",
            f"Spectrum of the velocity ripple at {name}, log scale, up to {half}. "
            f"{lines_told[:1].upper()}{lines_told[1:]}.",
        )

    def _alternative_of_samples(self, raw: Raw, name: str) -> str:
        if self.harmonic is None:
            return f"At {name} there is no cyclic error to sample."
        true = self.harmonic * raw.speed / self.axis.scale.pitch
        seen = abs(true - self.rate * round(true / self.rate))
        truly, seemingly = (
            quantity(hertz, "Hz") for hertz in (true, seen if seen > VANISHED * self.rate else 0.0)
        )
        return (
            f"Line chart of position error against time at {name}: line {self.harmonic}, its wave of {truly}, "
            f"{SAMPLES} samples of it, and the wave of {seemingly} that these seem to draw."
        )


def _amplitude(raw: Raw, harmonic: int) -> float:
    """Amplitude of a line's position error in this frame."""
    same = np.flatnonzero(np.round(raw.found.harmonic).astype(int) == harmonic)
    return float(raw.found.position[same[0]]) if same.size else 0.0


def _shown(raw: Raw) -> np.ndarray:
    """The velocity shown: the first settled samples less the true speed."""
    return raw.trace.velocity[int(raw.trace.settle) :][:VELOCITIES] - raw.trace.speed


def _told(raw: Raw) -> tuple[str, ...]:
    """Lines in words, the strongest first."""
    return tuple(
        f"line {int(raw.found.harmonic[index])}: {quantity(raw.found.frequency[index], 'Hz')}{_folding(raw, index)}"
        for index in raw.kept
    )


def _folding(raw: Raw, index: int) -> str:
    """Where a line is seen, if not where it is."""
    if not is_aliased(raw.found, index):
        return ""
    alias = raw.found.alias[index]
    vanishes = alias < VANISHED * raw.found.axis.sampling.rate
    return ", vanishes" if vanishes else f", folded to {quantity(alias, 'Hz')}"
