"""Picture of the position error over one signal period and of its harmonics.

Picture that explains aliasing: one harmonic at three speeds with its samples and the aliased wave.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..plotting import canvas, elements
from ..plotting.labels import Labels
from ..plotting.stacks import StackPanel, into, labels_of, stack
from ..plotting.ticks import Span
from ..wording import (
    axis_unit,
    counted,
    digits,
    first_reason,
    listed,
    ordinal,
    quantity,
    sentence,
    width,
    with_unit,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..open_loop.period_error import PeriodError
    from ..plotting.canvas import Sheet, Style
    from ..plotting.elements import Bar


# Height of a row, place of the first and space between two, mm.
ROW, FIRST, BETWEEN = 25.0, 12.0, 13.0
START = 0.9
WORDS = {
    "a4": ("Direct: sampled at its true frequency", "Aliased: sampled as a slow wave",
           "Vanished: every sample meets the same error"),
    "phone": ("Direct", "Aliased", "Vanished"),
}  # fmt: skip


def why_aliased(
    *,
    period: float,
    rate: float,
    amplitude: float,
    harmonic: int = 1,
    unit: str = "m",
    ax: Axes | None = None,
    style: Style = canvas.PRINT,
) -> Axes:
    """One harmonic of the position error at three speeds: well sampled, beside a null speed, at the null speed."""
    line = Line(period, rate, amplitude, harmonic, unit, 13 if style.phone else 20)
    if ax is not None:
        speed = quantity(line.speeds[1], f"{unit}/s", strip=True)
        head = f"Position error ({line.error_unit[0]}) at {speed}"
        return into(ax, style, _row(line, line.speeds[1], style, head))
    title = "Sampled too seldom, a fast error wave looks like a slow one"
    note = (
        f"Harmonic {harmonic}, {quantity(amplitude, unit)}, sampled by a {quantity(rate, 'Hz', strip=True)} loop. "
        "Dots: samples; thick line: aliased wave; thin line: true error."
    )
    words = canvas.Words(title, note, _aliasing_alternative(line))
    sheet = stack(style, words, [_row(line, speed, style) for speed in line.speeds], top=FIRST, gap=BETWEEN)
    sheet.text(4.0, 2.6, f"Position error ({line.error_unit[0]}) at three speeds", "muted")
    for number in range(3):
        _head_row(sheet, line, number, style)
    return sheet.panels[1]


class Line:
    """One harmonic of the error at three speeds: 8 samples per wave, 16/15 of a sample, one sample."""

    def __init__(
        self, period: float, rate: float, amplitude: float, harmonic: int, unit: str, samples: int
    ) -> None:
        self.period, self.rate, self.amplitude, self.harmonic, self.unit = (
            period,
            rate,
            amplitude,
            harmonic,
            unit,
        )
        self.samples = samples
        self.speeds = [share * period * rate / harmonic for share in (1.0 / 8.0, 15.0 / 16.0, 1.0)]
        self.error_unit = axis_unit(amplitude, unit)
        self.time_unit = axis_unit(samples / rate, "s")

    def frequency(self, speed: float) -> float:
        """True frequency, Hz."""
        return self.harmonic * speed / self.period

    def aliased_frequency(self, speed: float) -> float:
        """Frequency after sampling, signed, Hz."""
        turns = self.frequency(speed) / self.rate
        # A whole number of waves per sample within rounding: aliased to 0 Hz.
        return 0.0 if abs(turns - round(turns)) < 1e-9 else self.rate * (turns - round(turns))

    def wave(self, frequency: float, time: np.ndarray) -> np.ndarray:
        """The wave in the unit of the axis."""
        return self.amplitude / self.error_unit[1] * np.sin(2.0 * np.pi * frequency * time + START)


def _head_row(sheet: Sheet, line: Line, number: int, style: Style) -> None:
    """Speed, word and frequencies above one row."""
    speed = line.speeds[number]
    top = FIRST + number * (ROW + BETWEEN)
    shown = quantity(speed, f"{line.unit}/s", strip=True)
    true, aliased = (
        quantity(abs(hertz), "Hz", strip=style.phone)
        for hertz in (line.frequency(speed), line.aliased_frequency(speed))
    )
    right = f"true {true}, sampled {aliased}"
    sheet.text(4.0, top - 3.2, shown, bold=True)
    sheet.text(style.width - 6.0, top - 3.2, right, "cyclic", bold=True, ha="right")
    start = max(25.0 if not style.phone else 0.0, 4.0 + width(shown, bold=True) + 3.0)
    word = WORDS[style.page][number]
    if start + width(word) + width(right, bold=True) + 3.0 > style.width - 6.0:
        word = WORDS["phone"][number]
    if start + width(word) + width(right, bold=True) + 2.0 <= style.width - 6.0:
        sheet.text(start, top - 3.2, word)


def _row(line: Line, speed: float, style: Style, head: str = "") -> StackPanel:
    """The wave at one speed against time."""
    size = 1.17 * line.amplitude / line.error_unit[1]
    return StackPanel(
        head,
        f"Time ({line.time_unit[0]})",
        ROW,
        Span(0.0, line.samples / line.rate / line.time_unit[1], most=6),
        Span(-size, size, most=3),
        lambda ax: _draw_row(ax, line, speed, style),
    )


def _draw_row(ax: Axes, line: Line, speed: float, style: Style) -> None:
    """Actual wave thin, samples as dots, aliased wave thick."""
    time, by = np.linspace(0.0, line.samples / line.rate, 2400), line.time_unit[1]
    x = time / by
    ax.grid(False)
    ax.axhline(0.0, color=style.colour("grid"), linewidth=0.8, zorder=1)
    ax.plot(x, line.wave(line.frequency(speed), time), color=style.colour("cyclic"), linewidth=0.9, zorder=2)
    ax.plot(x, line.wave(line.aliased_frequency(speed), time), **style.line("ink"), zorder=3)
    samples = np.arange(line.samples + 1) / line.rate
    ax.plot(
        samples / by,
        line.wave(line.frequency(speed), samples),
        "o",
        color=style.colour("ink"),
        markersize=5.4,
        markeredgecolor=style.colour("paper"),
        markeredgewidth=0.9,
        zorder=4,
        clip_on=False,
    )


def _aliasing_alternative(line: Line) -> str:
    words = [
        f"at {quantity(speed, f'{line.unit}/s', strip=True)} true {quantity(line.frequency(speed), 'Hz')}, "
        f"seen at {quantity(abs(line.aliased_frequency(speed)), 'Hz')}"
        for speed in line.speeds
    ]
    return (
        f"Three line charts of position error against time: one error line of {quantity(line.amplitude, line.unit)} "
        f"and its samples. {sentence('; '.join(words))}."
    )


# Least share of the largest harmonic, and number, of harmonics shown; share of the power of those the title counts.
SHOWN, MOST_LINES = 0.01, 6
POWER = 0.95
# Up to this many harmonics the title names each.
NAMED = 3
DASHES = ((0, (5, 1.6)), (0, (1, 1.4)))


def period_error(error: PeriodError, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Exact error over one signal period, its two strongest harmonics, and bars of all with their causes."""
    if ax is not None:
        return into(ax, style, _wave(error, style, 0.0, labels_of(ax)))
    rows, title = _rows(error), _title(error)
    bars = elements.height(rows)
    tall, beside, room = (56.0, 0.0, 9.0 + bars) if style.phone else (max(54.0, bars), 56.0, 1.0)
    words = canvas.Words(title, _note(error), _alternative(error, title))
    sheet = stack(style, words, [_wave(error, style, tall)], beside=beside, room=room)
    top, left = (28.0 + tall, 4.0) if style.phone else (7.0, 118.0)
    sheet.text(left, top - 3.4, f"Amplitude by harmonic ({_unit(error)[0]})", bold=True)
    elements.draw(sheet, top, rows, left)
    return sheet.panels[0]


def wave_of(error: PeriodError) -> np.ndarray:
    """The error over the period, its start repeated at the end; zero if there is rounding only."""
    wave = np.append(error.error, error.error[0])
    return wave if len(error.harmonic) else np.zeros_like(wave)


def half_range(error: PeriodError) -> float:
    """Half of peak to peak, position unit."""
    return float(np.ptp(wave_of(error))) / 2.0


def shown_lines(error: PeriodError) -> list[int]:
    """Indices of the harmonics that are shown, by order."""
    size = np.asarray(error.amplitude)
    if not len(size) or size.max() <= 0.0:
        return []
    strongest = np.argsort(-size, kind="stable")[:MOST_LINES]
    return sorted(int(index) for index in strongest if size[index] >= SHOWN * size.max())


def _leading(error: PeriodError) -> list[int]:
    """Orders of the fewest harmonics with most of the power, the strongest first."""
    power = np.asarray(error.amplitude) ** 2
    order = np.argsort(-power, kind="stable")
    count = int(np.searchsorted(np.cumsum(power[order]), POWER * power.sum())) + 1 if power.sum() > 0.0 else 0
    return [int(error.harmonic[index]) for index in order[:count]]


def _title(error: PeriodError) -> str:
    """The answer: half of peak to peak and the number of main harmonics."""
    if not error.valid:
        return f"Not valid: {first_reason(error)}"
    leading = _leading(error)
    if not leading:
        return "No position error within the signal period"
    named = f"harmonic{'s' if len(leading) > 1 else ''} {listed(sorted(leading))}"
    most = f"mainly {named}" if len(leading) <= NAMED else f"from {counted(len(leading))} harmonics"
    return (
        f"Position error repeats every signal period: ±{quantity(half_range(error), _si(error), 2)}, {most}"
    )


def _si(error: PeriodError) -> str:
    return error.axis.scale.unit


def _unit(error: PeriodError, label: str = "") -> tuple[str, float]:
    """Unit of the error: name and scale."""
    return axis_unit(float(np.abs(wave_of(error)).max()), _si(error), label)


def _note(error: PeriodError) -> str:
    pitch = quantity(error.axis.scale.pitch, _si(error), strip=True)
    moving = f" at {quantity(abs(error.speed), _si(error) + '/s', strip=True)}" if error.speed else ""
    return f"Exact error over one {pitch} period{moving}, mean removed; ± is half of peak to peak."


def _wave(error: PeriodError, style: Style, height: float, labels: tuple[str, str] = ("", "")) -> StackPanel:
    """The error and its two strongest harmonics over one period; axes that were drawn into keep their units."""
    unit, across = _unit(error, labels[1]), axis_unit(error.axis.scale.pitch, _si(error), labels[0])
    x = np.append(error.phase, error.phase[0] + 1.0) * error.axis.scale.pitch / across[1]
    size = 1.38 * (float(np.abs(wave_of(error)).max()) / unit[1] or 1.0)
    return StackPanel(
        f"Position error ({unit[0]})",
        f"Position in the signal period ({across[0]})",
        height,
        Span(x[0], x[-1]),
        Span(-size, size, most=6),
        lambda ax: _draw_wave(ax, error, x, unit, style),
    )


def _draw_wave(ax: Axes, error: PeriodError, x: np.ndarray, unit: tuple[str, float], style: Style) -> None:
    """The error and its two strongest harmonics, with their names."""
    y = wave_of(error) / unit[1]
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    ax.plot(x, y, **style.line("ink"), zorder=4)
    labels = Labels(ax, style)
    labels.avoid(x, y)
    labels.avoid(x, 0.0 * x)
    strong = strongest(error)
    phase = np.append(error.phase, error.phase[0] + 1.0)
    waves = [
        error.amplitude[n] / unit[1] * np.sin(2.0 * np.pi * error.harmonic[n] * phase + error.angle[n])
        for n in strong
    ]
    for wave, dashes in zip(waves, DASHES, strict=False):
        ax.plot(x, wave, **style.line("cyclic", linestyle=dashes), zorder=3)
    for index, wave in zip(strong, waves, strict=True):
        labels.avoid(x, wave, key=index + 0.5)
    _extremes(labels, x, y, unit[0])
    for index in strong:
        labels.beside(f"harmonic {error.harmonic[index]}", index + 0.5, "cyclic")


def strongest(error: PeriodError) -> list[int]:
    """Indices of the two strongest harmonics; none if there is only one of significant size."""
    size = np.asarray(error.amplitude)
    order = np.argsort(-size, kind="stable")[:2]
    kept = [int(index) for index in order if size[index] > 0.05 * size.max(initial=0.0)]
    return sorted(kept, key=lambda index: error.harmonic[index]) if len(kept) > 1 else []


def _extremes(labels: Labels, x: np.ndarray, y: np.ndarray, name: str) -> None:
    """Dots on the highest and the lowest error, with their values."""
    if not np.any(y):
        labels.put("no error", labels.size * (0.5, 0.6), "muted", bold=False)
        return
    for index, above in ((int(np.argmax(y)), True), (int(np.argmin(y)), False)):
        labels.ax.plot(x[index], y[index], "o", color=labels.style.colour("ink"), markersize=5.0, zorder=5)
        text = ("+" if y[index] > 0.0 else "") + with_unit(digits(y[index], 2), name)
        labels.at([text], x[index], y[index], "ink", above=above, clear=0.8)


def _rows(error: PeriodError) -> list[Bar]:
    """Bars of the harmonics that are shown."""
    unit = _unit(error)[1]
    return [
        elements.Bar(
            f"Harmonic {error.harmonic[index]}",
            "cyclic",
            causes_of(error, error.harmonic[index]),
            float(error.amplitude[index]),
            digits(error.amplitude[index] / unit, 2),
        )
        for index in shown_lines(error)
    ]


def cause_words(cause: str) -> str:
    """A cause of the result in words."""
    kind, _, order = cause.partition(" ")
    if kind == "harmonic" and order.isdigit():
        return f"{ordinal(int(order))} harmonic"
    return {"given": "given"}.get(cause, cause)


def causes_of(error: PeriodError, order: int) -> tuple[str, ...]:
    """Causes of a harmonic to first order, the largest first, in words."""
    made = {cause: lines.get(int(order), 0.0) for cause, lines in error.first_order.items()}
    most = max(made.values(), default=0.0)
    kept = sorted((cause for cause in made if made[cause] > 0.02 * most), key=lambda cause: -made[cause])
    return tuple(cause_words(cause) for cause in kept)


def _alternative(error: PeriodError, title: str) -> str:
    pitch = quantity(error.axis.scale.pitch, _si(error), strip=True)
    text = f"Line chart of position error against position over one signal period of {pitch}. {title}."
    lines = [
        f"{error.harmonic[index]} with {quantity(error.amplitude[index], _si(error), 2)}"
        for index in np.argsort(-np.asarray(error.amplitude), kind="stable")[:3]
        if error.amplitude[index] > 0.0
    ]
    return f"{text} Strongest harmonics: {listed(lines)}." if lines else text
