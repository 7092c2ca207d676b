"""Picture of the position error over one signal period and of its harmonics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..presentation import canvas, elements
from ..presentation.labels import Labels
from ..presentation.stacks import StackPanel, into, labels_of, stack
from ..presentation.ticks import Span
from ..wording import (
    axis_unit,
    counted,
    digits,
    first_reason,
    listed,
    ordinal,
    quantity,
    with_unit,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..open_loop.period_error import PeriodError
    from ..presentation.canvas import Style
    from ..presentation.elements import Bar


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
    sheet.text(left, top - 3.4, f"Amplitude ({_unit(error)[0]})", bold=True)
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


def _leading(harmonic: np.ndarray, amplitude: np.ndarray) -> list[int]:
    """Orders of the fewest harmonics with most of the power, the strongest first."""
    power = np.asarray(amplitude) ** 2
    order = np.argsort(-power, kind="stable")
    count = int(np.searchsorted(np.cumsum(power[order]), POWER * power.sum())) + 1 if power.sum() > 0.0 else 0
    return [int(harmonic[index]) for index in order[:count]]


def mainly(harmonic: np.ndarray, amplitude: np.ndarray) -> str:
    """Which harmonics an error is mainly of, in words."""
    leading = _leading(harmonic, amplitude)
    if len(leading) > NAMED:
        return f"from {counted(len(leading))} harmonics"
    return f"mainly harmonic{'s' if len(leading) > 1 else ''} {listed(sorted(leading))}"


def _title(error: PeriodError) -> str:
    """The answer: half of peak to peak and the number of main harmonics."""
    if not error.valid:
        return f"Not valid: {first_reason(error)}"
    if not np.any(error.amplitude):
        return "No position error within the signal period"
    most = mainly(error.harmonic, error.amplitude)
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
