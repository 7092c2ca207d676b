"""Picture that explains aliasing: one error line at three speeds, its wave, the samples, what they seem to draw."""

import numpy as np

from . import _plot
from ._plot_numbers import axis_unit, quantity, sentence, width

ROW = 25.0
START = 0.9
WORDS = {
    "a4": ("Direct: the controller sees it as it is", "Aliased: the samples seem to draw a slow wave",
           "Vanished: every sample meets the same error"),
    "phone": ("Direct", "Aliased", "Vanished"),
}  # fmt: skip


def why_aliased(*, period, rate, amplitude, harmonic=1, unit="m", ax=None, style=_plot.PRINT):
    """One line of the position error at three speeds: well sampled, just beside vanishing, vanished.

    Parameters
    ----------
    period : float
        Signal period p, m or rad.
    rate : float
        Loop rate fs, Hz.
    amplitude : float
        Amplitude of the line, position unit.
    harmonic : int
        Cycles of the line a signal period.
    unit : {"m", "rad"}
        Position unit.
    ax : Axes, optional
        Takes the middle row alone.
    style : Style

    Returns
    -------
    Axes
        Of the middle row.
    """
    line = Line(period, rate, amplitude, harmonic, unit, 13 if style.phone else 20)
    if ax is not None:
        speed = quantity(line.speeds[1], f"{unit}/s", strip=True)
        _plot.name_axes(
            _plot.axes(ax, style),
            style,
            head=f"Position error ({line.error_unit[0]}) at {speed}",
            below=f"Time ({line.time_unit[0]})",
        )
        return _row(ax, line, line.speeds[1], style)
    title = "Sampled too seldom, a fast error wave looks like a slow one"
    note = (
        f"The {harmonic}-per-period line, {quantity(amplitude, unit)}, seen by a {quantity(rate, 'Hz', strip=True)} "
        "loop. Dots: samples; thick line: the wave they seem to draw; thin line: the true error."
    )
    sheet = _plot.Sheet(style, title, note, 12.0 + 3 * ROW + 2 * 13.0 + 13.0)
    sheet.text(4.0, 2.6, f"Position error ({line.error_unit[0]}) at three speeds", "muted")
    rows = [_headed(sheet, line, number, style) for number in range(3)]
    sheet.widen_left(*rows)
    for ax in rows[:2]:
        ax.tick_params(labelbottom=False)
    _plot.name_axes(rows[2], style, below=f"Time ({line.time_unit[0]})")
    _plot.describe(sheet.figure, title, _alternative(line))
    return rows[1]


class Line:
    """One line of the error and the speeds at which it is shown: 8 samples a wave, 1/16 short of one, one."""

    def __init__(self, period, rate, amplitude, harmonic, unit, samples):
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

    def frequency(self, speed):
        """True frequency, Hz."""
        return self.harmonic * speed / self.period

    def seen(self, speed):
        """Frequency after sampling, signed, Hz."""
        turns = self.frequency(speed) / self.rate
        # One per sample within rounding: the line is seen at 0 Hz.
        return 0.0 if abs(turns - round(turns)) < 1e-9 else self.rate * (turns - round(turns))

    def wave(self, frequency, time):
        """The wave in the unit of the axis."""
        return self.amplitude / self.error_unit[1] * np.sin(2.0 * np.pi * frequency * time + START)


def _headed(sheet, line, number, style):
    """One row with its speed, its word and its frequencies."""
    speed = line.speeds[number]
    top = 12.0 + number * (ROW + 13.0)
    ax = sheet.panel(top, ROW)
    _row(ax, line, speed, style)
    shown = quantity(speed, f"{line.unit}/s", strip=True)
    true, seen = (
        quantity(abs(hertz), "Hz", strip=style.phone) for hertz in (line.frequency(speed), line.seen(speed))
    )
    right = f"true {true}, seen {seen}" if style.phone else f"true {true}, seen at {seen}"
    sheet.text(4.0, top - 3.2, shown, bold=True)
    sheet.text(style.width - 6.0, top - 3.2, right, "cyclic", bold=True, ha="right")
    start = max(25.0 if not style.phone else 0.0, 4.0 + width(shown, bold=True) + 3.0)
    word = WORDS[style.page][number]
    if start + width(word) + width(right, bold=True) + 3.0 > style.width - 6.0:
        word = WORDS["phone"][number]
    if start + width(word) + width(right, bold=True) + 2.0 <= style.width - 6.0:
        sheet.text(start, top - 3.2, word)
    return ax


def _row(ax, line, speed, style):
    """True wave thin, samples as dots, the wave through them thick."""
    last = line.samples / line.rate
    time = np.linspace(0.0, last, 2400)
    x, by = time / line.time_unit[1], line.time_unit[1]
    size = line.amplitude / line.error_unit[1]
    _plot.number_axis(ax.xaxis, most=6)
    _plot.number_axis(ax.yaxis, most=3)
    _plot.limits(ax, (0.0, last / by), (-1.17 * size, 1.17 * size))
    ax.grid(False)
    ax.axhline(0.0, color=style.colour("grid"), linewidth=0.8, zorder=1)
    ax.plot(x, line.wave(line.frequency(speed), time), color=style.colour("cyclic"), linewidth=0.9, zorder=2)
    ax.plot(x, line.wave(line.seen(speed), time), **style.line("ink"), zorder=3)
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
    return ax


def _alternative(line):
    words = [
        f"at {quantity(speed, f'{line.unit}/s', strip=True)} true {quantity(line.frequency(speed), 'Hz')}, "
        f"seen at {quantity(abs(line.seen(speed)), 'Hz')}"
        for speed in line.speeds
    ]
    return (
        f"Three line charts of position error against time: one error line of {quantity(line.amplitude, line.unit)} "
        f"and its samples. {sentence('; '.join(words))}."
    )
