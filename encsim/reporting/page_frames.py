"""Frames of the speed slider: at each speed the samples of the error, the velocity and its spectrum.

A frame holds only what changes with the speed, as short paths in panels of 1000 by 100 units. The page stretches a
panel to any width: lines keep their thickness, and dots are lines of length 0.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..open_loop.closed_form import ripple
from ..plotting.ticks import PlainNumbers
from ..time_domain.velocity_spectrum import is_aliased
from ..wording import axis_unit, counted, percent, quantity, sentence
from .page_speeds import VELOCITIES, ZERO_ALIAS, SimulatedSpeed, simulated_speed, speed_name

if TYPE_CHECKING:
    from ..model.axis import Axis

    Ticks = tuple[tuple[float, str], ...]


# Width and height of a panel, and the share of the height that a wave of full size fills.
WIDE, HIGH, FILLED = 1000.0, 100.0, 0.86
# Samples of the error that a panel shows; phase of the wave at the first of them, rad.
SAMPLES, START = 16, 0.9
# Parts of the outline of the spectrum, decades of its axis.
BINS, DECADES = 150, 4
# With more waves than this in a panel the wave is drawn as a band.
MOST_WAVES = 120.0
# A quarter of a sine as one Bezier curve: the handles that leave an error below 3e-4 of the amplitude.
HANDLES = ((0.512286623256592433, 0.512286623256592433), (1.002313685767898599, 1.0))


@dataclass(frozen=True, eq=False)
class SpeedFrame:
    """One speed: its numbers, its words, and the paths of the three panels.

    ``band`` is (top, height); a stick of ``sticks`` is (left, top, whether it is aliased, harmonic).
    """

    speed: float
    name: str
    rms: float
    worst: bool
    caption: str
    line_words: tuple[str, ...]
    wave: str
    dots: str
    alias_wave: str
    dense: bool
    velocity: str
    band: tuple[float, float]
    spectrum: str
    sticks: tuple[tuple[str, str, bool, int], ...]
    alt: tuple[str, str, str]


@dataclass(frozen=True, eq=False)
class Slider:
    """All frames, and headings and axes of the three panels; ticks as (share of the panel in per cent, name)."""

    frames: tuple[SpeedFrame, ...]
    harmonic: int | None
    headings: tuple[str, str, str]
    x_names: tuple[str, str, str]
    x_ticks: tuple[Ticks, Ticks, Ticks]
    y_ticks: tuple[Ticks, Ticks, Ticks]
    reasons: tuple[str, ...]


def slider(
    axis: Axis, speeds: Sequence[float], worst: float, seed: int = 0, *, closed: bool = False
) -> Slider:
    """Frames at these speeds; ``worst`` is shown first."""
    rms = ripple(axis, list(speeds)).rms.tolist()
    simulated = [simulated_speed(axis, speed, size, seed) for speed, size in zip(speeds, rms, strict=True)]
    panels = _Panels(axis, simulated, _largest_harmonic(simulated), closed)
    first = int(np.argmin(np.abs(np.asarray(speeds) - worst)))
    reasons = (reason for each in simulated for reason in (*each.lines.reasons, *each.trace.reasons))
    return Slider(
        frames=tuple(panels.frame(each, number == first) for number, each in enumerate(simulated)),
        harmonic=panels.harmonic,
        headings=panels.headings(),
        x_names=panels.x_names(),
        x_ticks=panels.x_ticks(),
        y_ticks=panels.y_ticks(),
        reasons=tuple(dict.fromkeys(reasons)),
    )


def _largest_harmonic(simulated: list[SimulatedSpeed]) -> int | None:
    """The harmonic of the signal period whose error is largest over all speeds; the samples are shown on it."""
    sizes: dict[int, float] = {}
    for each in simulated:
        for index in np.flatnonzero(each.lines.harmonic >= 1):
            order = int(each.lines.harmonic[index])
            sizes[order] = max(sizes.get(order, 0.0), float(each.lines.position[index]))
    best = max(sizes, key=lambda order: (sizes[order], -order), default=None)
    return best if best is not None and sizes[best] > 0.0 else None


class _Panels:
    """The three panels: units and ranges that all frames share."""

    def __init__(
        self, axis: Axis, simulated: list[SimulatedSpeed], harmonic: int | None, closed: bool
    ) -> None:
        self.steady = ", in perfectly steady motion," if closed else ""
        self.axis, self.rate, self.harmonic = axis, axis.sampling.rate, harmonic
        self.unit = f"{axis.scale.unit}/s"
        self.error = max((each.amplitude(harmonic) for each in simulated), default=0.0) if harmonic else 0.0
        self.swing = max((each.swing for each in simulated), default=0.0)
        tops = [float(each.lines.velocity[each.drawn[0]]) for each in simulated if each.drawn]
        tops += [float(each.size[1:].max()) for each in simulated if each.size.size > 1]
        self.top = max(tops, default=0.0)

    @property
    def ceiling(self) -> tuple[float, float]:
        """Upper and lower end of the spectrum's log axis; decades round numbers of the unit."""
        unit = axis_unit(self.top, self.unit)[1]
        high = 10.0 ** math.ceil(math.log10(max(self.top, 1e-300) / unit) + 0.15)
        return high * unit, high * unit * 10.0**-DECADES

    def frame(self, simulated: SimulatedSpeed, worst: bool) -> SpeedFrame:
        """One frame."""
        wave, dots, alias_wave, dense = self._samples(simulated)
        velocity, band = self._velocity(simulated)
        outline, sticks = self._spectrum(simulated)
        name = speed_name(simulated.speed, self.axis)
        return SpeedFrame(
            speed=simulated.speed,
            name=name,
            rms=simulated.rms,
            worst=worst,
            caption=self._caption(simulated, name),
            line_words=simulated.words(),
            wave=wave,
            dots=dots,
            alias_wave=alias_wave,
            dense=dense,
            velocity=velocity,
            band=band,
            spectrum=outline,
            sticks=sticks,
            alt=self._alternatives(simulated, name),
        )

    def _samples(self, simulated: SimulatedSpeed) -> tuple[str, str, str, bool]:
        """True wave, sample dots, their alias, and whether the true wave is drawn as a band."""
        if self.harmonic is None:
            return "", "", "", False
        true = self.harmonic * simulated.speed / self.axis.scale.pitch / self.rate
        alias = true - round(true)
        alias = 0.0 if abs(alias) < ZERO_ALIAS else alias
        size = simulated.amplitude(self.harmonic) / self.error
        heights = size * np.sin(2.0 * np.pi * true * np.arange(SAMPLES) + START)
        dots = "".join(
            f"M{tenths(along(k))} {tenths(up(height))}h0" for k, height in enumerate(heights.tolist())
        )
        dense = true * SAMPLES > MOST_WAVES
        band = f"M0 {tenths(up(size))}H1000V{tenths(up(-size))}H0Z"
        return band if dense else sine_path(true, size), dots, sine_path(alias, size), dense

    def _velocity(self, simulated: SimulatedSpeed) -> tuple[str, tuple[float, float]]:
        """Velocity of each sample joined by lines, and top and height of the band of its rms."""
        if not self.swing:
            return "M0 50H1000", (50.0, 0.0)
        x = np.linspace(0.0, WIDE, VELOCITIES)
        y = HIGH / 2.0 * (1.0 - FILLED * simulated.deviation / self.swing)
        half = min(HIGH / 2.0 * FILLED * simulated.rms / self.swing, HIGH / 2.0)
        return path(x, y), (round(HIGH / 2.0 - half, 2), round(2.0 * half, 2))

    def _spectrum(self, simulated: SimulatedSpeed) -> tuple[str, tuple[tuple[str, str, bool, int], ...]]:
        """Outline of noise and quantisation, and the sticks of the lines."""
        if not self.top:
            return "", ()
        half = self.rate / 2.0
        expected = simulated.lines
        sticks = tuple(
            (
                tenths(WIDE * expected.alias[index] / half),
                tenths(self._height(float(expected.velocity[index]))),
                is_aliased(expected, index),
                int(expected.harmonic[index]),
            )
            for index in simulated.drawn
            if expected.velocity[index] > self.ceiling[1]
        )
        if simulated.size.size < 2:
            return "", sticks
        edges = np.unique(np.linspace(1, simulated.size.size, BINS + 1).round().astype(int))
        tops = np.maximum.reduceat(simulated.size, edges[:-1])
        # Each part stands at the middle of its frequencies.
        x = WIDE * 0.5 * (simulated.frequency[edges[:-1]] + simulated.frequency[edges[1:] - 1]) / half
        y = np.array([self._height(float(top)) for top in tops])
        return f"M0 100V{tenths(y[0])}L{path(x, y)[1:]}H1000V100Z", sticks

    def _height(self, size: float) -> float:
        low = self.ceiling[1]
        share = math.log10(max(size, low) / low) / DECADES
        return HIGH * (1.0 - min(share, 1.0))

    def headings(self) -> tuple[str, str, str]:
        """Headings of the panels, with unit."""
        error = axis_unit(self.error, self.axis.scale.unit)[0]
        swing, top = (axis_unit(value, self.unit)[0] for value in (self.swing, self.top))
        return (
            f"Position error and its samples ({error})",
            f"Velocity less its true value ({swing})",
            f"What that velocity is made of ({top})",
        )

    def x_names(self) -> tuple[str, str, str]:
        """Names of the horizontal axes."""
        time = axis_unit(SAMPLES / self.rate, "s")[0], axis_unit(VELOCITIES / self.rate, "s")[0]
        hertz = axis_unit(self.rate / 2.0, "Hz")[0]
        return f"Time ({time[0]})", f"Time ({time[1]})", f"Frequency as the controller sees it ({hertz})"

    def x_ticks(self) -> tuple[Ticks, Ticks, Ticks]:
        """Ticks of the horizontal axes."""
        return (
            ticks(SAMPLES / self.rate, "s", 0.5 / self.rate),
            ticks((VELOCITIES - 1) / self.rate, "s"),
            ticks(self.rate / 2.0, "Hz"),
        )

    def y_ticks(self) -> tuple[Ticks, Ticks, Ticks]:
        """Ticks of the vertical axes."""
        return (
            about_zero(self.error, self.axis.scale.unit),
            about_zero(self.swing, self.unit),
            self._decades(),
        )

    def _decades(self) -> Ticks:
        unit, high = axis_unit(self.top, self.unit)[1], self.ceiling[0]
        if not self.top:
            return ((100.0, "0"),)
        values = [high / unit * 10.0**-place for place in range(DECADES + 1)]
        names = PlainNumbers(logarithmic=True).format_ticks(values)
        return tuple((100.0 * place / DECADES, name) for place, name in enumerate(names))

    def _caption(self, simulated: SimulatedSpeed, name: str) -> str:
        """The frame in one sentence."""
        share = f", {percent(simulated.rms / simulated.speed)} of the speed" if simulated.speed else ""
        count = len(simulated.drawn)
        folded = sum(is_aliased(simulated.lines, index) for index in simulated.drawn)
        if not count:
            made = "No cyclic error reaches it."
        elif count == 1:
            made = f"Its harmonic is {'' if folded else 'not '}aliased."
        elif folded in (0, count):
            made = f"{f'All {counted(count)} harmonics are' if folded else 'No harmonic is'} aliased."
        else:
            verb = "is" if folded == 1 else "are"
            made = f"{counted(folded).capitalize()} of {counted(count)} harmonics {verb} aliased."
        size = quantity(simulated.rms, self.unit, 2)
        return f"At {name}{self.steady} the controller sees {size} rms of ripple{share}. {made}"

    def _alternatives(self, simulated: SimulatedSpeed, name: str) -> tuple[str, str, str]:
        """Alternative texts of the three panels."""
        swing, half = quantity(simulated.swing, self.unit, 2), quantity(self.rate / 2.0, "Hz", strip=True)
        words = sentence("; ".join(simulated.words()) or "no cyclic line")
        return (
            self._alternative_of_samples(simulated, name),
            f"Line chart of velocity less its true value against time at {name}, {VELOCITIES} samples. "
            f"It is {quantity(simulated.rms, self.unit, 2)} rms and reaches {swing} here.",
            f"Spectrum of the velocity ripple at {name}, log scale, up to {half}. {words}.",
        )

    def _alternative_of_samples(self, simulated: SimulatedSpeed, name: str) -> str:
        if self.harmonic is None:
            return f"At {name} there is no cyclic error to sample."
        true = self.harmonic * simulated.speed / self.axis.scale.pitch
        alias = abs(true - self.rate * round(true / self.rate))
        alias = alias if alias > ZERO_ALIAS * self.rate else 0.0
        return (
            f"Line chart of position error against time at {name}: line {self.harmonic}, its wave of "
            f"{quantity(true, 'Hz')}, {SAMPLES} samples of it, and the wave of {quantity(alias, 'Hz')} that these seem "
            "to draw."
        )


def tenths(number: float) -> str:
    """A coordinate as text with one decimal at most."""
    text = f"{number:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def along(sample: float) -> float:
    """Abscissa of a sample."""
    return WIDE * (sample + 0.5) / SAMPLES


def up(height: float) -> float:
    """Ordinate of a height from -1 to 1."""
    return HIGH / 2.0 * (1.0 - FILLED * height)


def sine_path(turns: float, size: float) -> str:
    """A sine over the panel as Bezier curves, one per quarter of a wave; ``turns`` are its periods per sample."""
    first, last = -0.5, SAMPLES - 0.5
    if not turns or not size:
        level = tenths(up(size * math.sin(START)))
        return f"M0 {level}H1000"
    phases = [turns * place + START / (2.0 * math.pi) for place in (first, last)]
    low, high = (math.floor(4.0 * min(phases)), math.ceil(4.0 * max(phases)))
    quarters = np.arange(low, high + 1) / 4.0
    phases = (quarters if turns > 0.0 else quarters[::-1]).tolist()
    curves = (_quarter(turns, before, after, size) for before, after in itertools.pairwise(phases))
    return f"M{_place(turns, phases[0], size)}{''.join(curves)}"


def _place(turns: float, phase: float, size: float, height: float | None = None) -> str:
    """Coordinates of a phase of the wave; ``height``, a share of the amplitude, replaces that of the wave."""
    sample = (phase - START / (2.0 * math.pi)) / turns
    height = math.sin(2.0 * math.pi * phase) if height is None else height
    return f"{tenths(along(sample))} {tenths(up(size * height))}"


def _quarter(turns: float, start: float, end: float, size: float) -> str:
    """One quarter of a wave as a curve, from a zero to a crest or back."""
    first, last = (math.sin(2.0 * math.pi * phase) for phase in (start, end))
    rising = abs(first) < 0.5
    crest = last if rising else first
    handles = [(share * 2.0 / math.pi, height * crest) for share, height in HANDLES]
    if not rising:
        handles = [(1.0 - share, height) for share, height in reversed(handles)]
    controls = [_place(turns, start + share * (end - start), size, height) for share, height in handles]
    return f"C{controls[0]} {controls[1]} {_place(turns, end, size)}"


def path(x: np.ndarray, y: np.ndarray) -> str:
    """Straight lines through points."""
    return "M" + "L".join(f"{tenths(a)} {tenths(b)}" for a, b in zip(x.tolist(), y.tolist(), strict=True))


def ticks(length: float, unit: str, before: float = 0.0) -> Ticks:
    """Round ticks of an axis of this length; 0 is at ``before`` from its left end."""
    from matplotlib.ticker import MaxNLocator

    size = axis_unit(length, unit)[1]
    end = (length - before) / size * 1.001
    locations = MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(0.0, end)
    values = [float(value) for value in locations if 0.0 <= value <= end]
    names = PlainNumbers().format_ticks(values)
    places = [round(100.0 * (value * size + before) / length, 2) for value in values]
    return tuple(zip(places, names, strict=True))


def about_zero(largest: float, unit: str) -> Ticks:
    """A round tick above and below zero, and zero; shares of the panel from its top."""
    if not largest:
        return ((50.0, "0"),)
    size = axis_unit(largest, unit)[1]
    step = 10.0 ** math.floor(math.log10(largest / size))
    value = max(step * factor for factor in (1.0, 2.0, 5.0) if step * factor <= largest / size * 1.0001)
    names = PlainNumbers().format_ticks([value, 0.0, -value])
    reach = 50.0 * FILLED * value * size / largest
    return tuple(
        (round(50.0 + place * reach, 2), name) for place, name in zip((-1, 0, 1), names, strict=True)
    )
