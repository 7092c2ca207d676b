"""Picture of one run: velocity against time, and its spectrum with the error harmonics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..presentation import canvas
from ..presentation.elements import spectral_line
from ..presentation.labels import Labels
from ..presentation.stacks import WIDE_GAP, StackPanel, into, labels_of, stack
from ..presentation.ticks import Span
from ..time_domain.velocity_spectrum import is_aliased, settled_ripple, spectrum, strongest_harmonics
from ..wording import axis_unit, axis_words, counted, first_reason, percent, quantity, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..open_loop.closed_form import Lines
    from ..presentation.canvas import Style
    from ..time_domain.simulation import Trace


# Most intervals between samples that are shown.
SHOWN = {"a4": 70, "phone": 36}
# Columns of the spectrum as drawn.
PIXELS = 450
# Signal periods that a spectrum needs to tell neighbouring harmonics apart: two bins of the window for each.
TELL_APART = 4.0
TOO_SHORT = "Too short for a spectrum: that takes four signal periods."
HEAD = "Measured minus actual velocity"


def run(trace: Trace, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Velocity about the actual speed with its rms band, and its spectrum with one stick per harmonic."""
    wave = _wave(trace, style, ax)
    main = StackPanel(
        f"{HEAD} ({wave.unit[0]})",
        f"Time ({wave.time_unit[0]})",
        33.0,
        *_wave_spans(wave, style),
        lambda ax: _draw_wave(ax, wave, style),
    )
    if ax is not None:
        return into(ax, style, main)
    lines, kept = trace.expected_lines, strongest_harmonics(trace.expected_lines)
    spectral = spectrum(trace) if not kept or _periods(trace) >= TELL_APART else None
    title = _title(trace, lines, kept)
    words = canvas.Words(title, _note(trace, kept), _alternative(trace, title, lines, kept))
    panels = [main] if spectral is None else [main, _spectrum_panel(trace, spectral, kept, style)]
    return stack(style, words, panels, gap=WIDE_GAP).panels[0]


@dataclass(frozen=True, eq=False)
class Wave:
    """The stretch of velocity that is shown, in the units of its axes."""

    time: np.ndarray
    velocity: np.ndarray
    band: float
    unit: tuple[str, float]
    time_unit: tuple[str, float]


@dataclass(frozen=True, eq=False)
class Sticks:
    """A spectrum and the harmonics that make it, in the units of its axes; ``lines`` as (harmonic, Hz, Hz, x, y)."""

    frequency: np.ndarray
    size: np.ndarray
    lines: list[tuple[int, float, float | None, float, float]]
    low: float
    high: float
    end: float
    unit: tuple[str, float]
    frequency_unit: tuple[str, float]


def _periods(trace: Trace) -> float:
    """Signal periods in the settled part of a run."""
    return abs(trace.speed) * _seconds(trace) / trace.axis.scale.pitch


def _seconds(trace: Trace) -> float:
    return (len(trace.velocity) - int(trace.settle)) / trace.axis.sampling.rate


def _title(trace: Trace, lines: Lines, kept: list[int]) -> str:
    if not trace.valid:
        return f"Not valid: {first_reason(trace)}"
    unit = f"{trace.axis.scale.unit}/s"
    start = f"At {quantity(abs(trace.speed), unit, strip=True)}" if trace.speed else "At standstill"
    if not np.any(settled_ripple(trace)):
        return f"{start}: no ripple"
    text = f"{start}: ripple {quantity(trace.rms, unit, 2)} rms"
    if kept and _periods(trace) < 1.0:
        return f"{text}, over {percent(_periods(trace))} of a signal period"
    if lines is None:
        return text
    return f"{text}, {_count_of_aliased(sum(is_aliased(lines, index) for index in kept), len(kept))}"


def _count_of_aliased(folded: int, lines: int) -> str:
    """How many of the harmonics are aliased, in words."""
    if lines < 2:
        return ("no cyclic error", f"its harmonic {'aliased' if folded else 'not aliased'}")[lines]
    if folded in (0, lines):
        return f"{'all' if folded else 'none of'} {counted(lines)} harmonics aliased"
    return f"{counted(folded)} of {counted(lines)} harmonics aliased"


def _note(trace: Trace, kept: list[int]) -> str:
    length = quantity(_seconds(trace), "s", strip=True)
    words = f"{sentence(axis_words(trace.axis))}; {length} simulated, seed\u00a0{trace.seed}."
    return f"{words} {TOO_SHORT}" if kept and _periods(trace) < TELL_APART else words


def _wave(trace: Trace, style: Style, ax: Axes | None = None) -> Wave:
    """The first settled samples; axes that were drawn into keep their units."""
    below, head = labels_of(ax)
    rate, ripple = trace.axis.sampling.rate, settled_ripple(trace)
    unit = axis_unit(float(np.abs(ripple).max(initial=0.0)), f"{trace.axis.scale.unit}/s", head)
    count = _window(len(ripple), rate, SHOWN[style.page])
    time_unit = axis_unit(max(count - 1, 1) / rate, "s", below)
    band = trace.rms if np.any(ripple) and np.isfinite(trace.rms) else 0.0
    return Wave(
        np.arange(count) / rate / time_unit[1], ripple[:count] / unit[1], band / unit[1], unit, time_unit
    )


def _wave_spans(wave: Wave, style: Style) -> tuple[Span, Span]:
    """The whole stretch; velocities to both sides of zero."""
    size = max(np.abs(wave.velocity).max(initial=0.0), wave.band) * 1.25 or 1.0
    last = wave.time[-1] if len(wave.time) > 1 else 1.0
    return Span(0.0, last, most=6 if style.phone else 9), Span(-size, size, most=5)


def _draw_wave(ax: Axes, wave: Wave, style: Style) -> Axes:
    """Samples joined by straight lines, over the band of their rms."""
    ax.axhspan(-wave.band, wave.band, color=style.colour("soft"), linewidth=0.0, zorder=0.5)
    line = style.line("ink", linewidth=1.1)
    ax.plot(wave.time, wave.velocity, **line, marker="o", markersize=3.4, zorder=3, clip_on=False)
    labels = Labels(ax, style)
    labels.avoid(wave.time, wave.velocity)
    if wave.band > 0.0:
        labels.avoid(np.array([0.9, 1.0]) * ax.get_xlim()[1], np.array([-wave.band, -wave.band]), key="rms")
        labels.beside("± rms", "rms", "cyclic")
    return ax


def _window(available: int, rate: float, most: int) -> int:
    """Number of samples shown: the longest round time of at most ``most`` intervals."""
    count = min(available, most + 1)
    if count < 3:
        return count
    longest = (count - 1) / rate
    decade = 10.0 ** np.floor(np.log10(longest))
    round_time = max(
        part
        for part in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
        if part * decade <= longest * (1 + 1e-9)
    )
    return int(round_time * decade * rate + 1e-6) + 1


def _spectrum_panel(
    trace: Trace, spectral: tuple[np.ndarray, np.ndarray], kept: list[int], style: Style
) -> StackPanel:
    """The spectrum with its harmonics."""
    sticks = _sticks(spectral, trace.expected_lines, kept, trace)
    head = f"Amplitude{'' if style.phone else ' by harmonic'}, measured velocity"
    more = "" if style.phone else f"; half the loop rate is {quantity(sticks.end, 'Hz', strip=True)}"
    return StackPanel(
        f"{head} ({sticks.unit[0]})",
        f"Frequency after sampling ({sticks.frequency_unit[0]}){more}",
        50.0 if style.phone else 43.0,
        Span(0.0, sticks.end / sticks.frequency_unit[1], most=6 if style.phone else 9, grid=False),
        # With room for the names of the highest lines.
        Span(sticks.low, sticks.high * (14.0 if style.phone else 8.0), True),
        lambda ax: _draw_spectrum(ax, sticks, style),
    )


def _sticks(spectral: tuple[np.ndarray, np.ndarray], lines: Lines, kept: list[int], trace: Trace) -> Sticks:
    """Spectrum and harmonics in the units of their axes."""
    rate, (frequency, size) = trace.axis.sampling.rate, _per_pixel(*spectral)
    top = max([size.max(), *(lines.velocity[index] for index in kept)])
    unit, across = axis_unit(top / 30.0, f"{trace.axis.scale.unit}/s"), axis_unit(rate / 2.0, "Hz")
    low = _lowest(top, size)
    ends = [
        (
            int(lines.harmonic[index]),
            float(lines.frequency[index]),
            float(lines.alias[index]) if is_aliased(lines, index) else None,
            lines.alias[index] / across[1],
            lines.velocity[index] / unit[1],
        )
        for index in kept
        if lines.velocity[index] > low
    ]
    size = np.maximum(size, low / 10.0) / unit[1]
    return Sticks(frequency / across[1], size, ends, low / unit[1], top / unit[1], rate / 2.0, unit, across)


def _draw_spectrum(ax: Axes, sticks: Sticks, style: Style) -> None:
    """The run as an area, harmonics as sticks."""
    area = (sticks.frequency, sticks.size)
    ax.fill_between(*area, sticks.low / 10.0, facecolor=style.colour("grid"), edgecolor=style.colour("noise"),
                    linewidth=0.6)  # fmt: skip
    labels = Labels(ax, style)
    for _, _, seen, x, y in sticks.lines:
        spectral_line(labels, x, y, sticks.low, hollow=seen is not None)
    labels.avoid(*area, key="area")
    labels.fill("area")
    for number, true, seen, x, y in sticks.lines:
        labels.at(_stick_names(number, true, seen), x, y, "cyclic", clear=1.3)
    _name_area(labels, labels.place(*area), bool(sticks.lines))


def _per_pixel(frequency: np.ndarray, size: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The largest amplitude of each pixel, so that narrow peaks stay visible."""
    if len(size) <= 2 * PIXELS:
        return frequency, size
    starts = np.linspace(0, len(size), PIXELS, endpoint=False).astype(int)
    return frequency[(starts + np.append(starts[1:], len(size)) - 1) // 2], np.maximum.reduceat(size, starts)


def _lowest(top: float, size: np.ndarray) -> float:
    """Lower end of the amplitudes: four decades, up to six where the noise lies lower."""
    usual = float(np.median(size[1:])) / 12.0
    return min(top * 1e-4, usual) if usual > top * 1e-6 else top * 1e-4


def _stick_names(number: int, true: float, seen: float | None) -> list[str]:
    """Names of a harmonic with its frequency and, if aliased, its aliased frequency, the longest first."""
    long = f"harmonic {number}: {quantity(true, 'Hz')}"
    if seen is None:
        return [long, f"harmonic {number}", f"{number}"]
    alias = quantity(seen, "Hz")
    return [f"{long}\naliased to {alias}", f"{long}\n→ {alias}", f"harmonic {number}", f"{number}"]


def _name_area(labels: Labels, tops: np.ndarray, lines: bool) -> None:
    """Name of the area, in it where it is tall enough, else beside it."""
    words = ("noise and quantisation", "noise") if lines else ("as simulated", "simulated")
    high = float(np.median(tops[:, 1]))
    if high > 5.0:
        del labels.lines["area"], labels.lines["below area"]
        next((True for text in words if labels.within(text, tops, "ink")), False)
    elif high > 0.5:
        labels.beside(words[0], "area", "muted", bold=False, most=300.0)


def _alternative(trace: Trace, title: str, lines: Lines, kept: list[int]) -> str:
    text = f"Line chart of velocity against time, and its amplitude spectrum. {title}."
    words = [
        f"harmonic {lines.harmonic[index]} of {quantity(lines.velocity[index], trace.axis.scale.unit + '/s', 2)} "
        + ("is aliased to " if is_aliased(lines, index) else "lies at ")
        + quantity(lines.alias[index], "Hz")
        for index in kept[:3]
    ]
    return f"{text} {sentence('; '.join(words))}." if words else text
