"""Pictures of the two channels: predicted faults, recorded points with their fit, jitter of their phase."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..calibration import ellipse
from ..open_loop.period_error import ideal_channels, signal_faults
from ..presentation import canvas, stacks
from ..presentation.labels import Labels
from ..presentation.ticks import Span
from ..recordings.identification import fitted_channels
from ..wording import digits, first_reason, percent, quantity
from .period import cause_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..model.scale_and_signal import Scale, Signal
    from ..open_loop.period_error import PeriodError
    from ..presentation.canvas import Style
    from ..recordings.identification import Identification


TIMES = (100, 50, 20, 10, 5, 2, 1)
# Largest departure as drawn, as a share of the radius; the factors in `TIMES` make it 0.15 to 0.32.
MOST_DRAWN = 0.32
SPOKES = 48
MOST_POINTS = 4000
MOST_FAULTS = 5
ROW = 19.5
LOW = {"a4": 34.0, "phone": 38.0}


def exaggeration(departure: float) -> int:
    """Factor by which a departure of this share of the radius is drawn too large."""
    return next((times for times in TIMES if departure * times <= MOST_DRAWN), 1)


def channels(error: PeriodError, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Sine channel against cosine channel, departure from the circle exaggerated, with the faults in words."""
    figure = _predicted(error)
    if ax is not None:
        return _lissajous(ax, figure, style)
    note = "Drawn true to scale" if figure.times == 1 else f"Departure drawn {figure.times}× too large"
    note += "; dashed: the ideal circle."
    title = _title(error, figure, "The two channels", given=len(error.axis.signal.sde) > 0)
    return _sheet(figure, title, note, faults_of(error), style)


def recorded(
    fit: Identification, ax: Axes | None = None, *, scale: Scale | None = None, style: Style = canvas.PRINT
) -> Axes:
    """Recorded channels with the fit, departures of both exaggerated by the same factor.

    With a scale the effect of the faults is a position error, without a share of the signal period.
    """
    if fit.signal is None:
        checks.refuse("Identification.plot", "have a fit to draw", fit.reasons[0])
    figure = _fitted(fit, fit.signal)
    if ax is not None:
        return _lissajous(ax, figure, style)
    drawn = "Drawn true to scale" if figure.times == 1 else f"Departure drawn {figure.times}× too large"
    note = (
        f"{drawn}. Points: recorded; line: fitted, {percent(fit.residual)} rms left over; "
        f"{percent(fit.coverage)} of the circle seen."
    )
    title = _title(fit, figure, "The recorded channels")
    return _sheet(figure, title, note, _fitted_faults(fit.signal, scale), style)


class Lissajous:
    """The two channels over their ideal circle of radius 1, point by point at equal phases, as drawn."""

    def __init__(self, real: np.ndarray, ideal: np.ndarray, centre: Sequence[float]) -> None:
        self.ideal = ideal
        self.recorded: np.ndarray | None = None
        # recorded points, of unit amplitude, without offset, gain and phase error, and as they were
        self.corrected = self.raw = np.empty(0, dtype=complex)
        self.departure = float(np.abs(real - ideal).max(initial=0.0))
        self.times = exaggeration(self.departure) if self.departure > 1e-9 else 1
        self.drawn = ideal + self.times * (real - ideal)
        self.centre = complex(*centre) * self.times

    @property
    def points(self) -> np.ndarray:
        """All points that are drawn."""
        drawn = [self.ideal, self.drawn, np.zeros(0) if self.recorded is None else self.recorded]
        return np.concatenate(drawn)


def _predicted(error: PeriodError) -> Lissajous:
    """The channels of a result over the ideal circle of their nominal amplitude and lag."""
    ideal, radius = ideal_channels(error)
    real = (np.asarray(error.cosine) + 1j * np.asarray(error.sine)) / radius
    left = 1.0 - error.axis.interpolation.correction
    centre = [left * part / radius for part in error.axis.signal.offset]
    return Lissajous(np.append(real, real[:1]), np.append(ideal, ideal[:1]), centre)


def _fitted(fit: Identification, signal: Signal) -> Lissajous:
    """The fit and the recorded points, each compared with the circle at its own phase."""
    phase = np.linspace(0.0, 2.0 * np.pi, 721)
    step = max(len(np.ravel(fit.cosine)) // MOST_POINTS, 1)
    points = (np.ravel(fit.cosine)[::step] + 1j * np.ravel(fit.sine)[::step]) / fit.amplitude
    figure = Lissajous(fitted_channels(signal, phase), np.exp(1j * phase), signal.offset)
    circle = ellipse.corrected(
        np.array([*signal.offset, 1.0, 1.0 + signal.gain, signal.phase]), points.real, points.imag
    )
    ideal = np.exp(1j * np.angle(circle))
    figure.recorded = ideal + figure.times * (points - ideal)
    figure.corrected, figure.raw = circle, points
    return figure


def _fitted_faults(signal: Signal, scale: Scale | None) -> list[tuple[str, str, str]]:
    """Faults of a fitted signal, the largest first, with their error as position or share of the signal period."""
    made = {cause: lines for cause, lines in signal_faults(signal).items() if max(lines.values()) > 1e-6}

    def shown(size: float) -> str:
        share = size / (2.0 * np.pi)
        return f"{percent(share)} of a period" if scale is None else quantity(share * scale.pitch, scale.unit)

    return _in_words(made, signal, 1.0, shown)


def _title(result: PeriodError | Identification, figure: Lissajous, subject: str, given: bool = False) -> str:
    """The answer: largest departure from the circle."""
    if not result.valid:
        return f"Not valid: {first_reason(result)}"
    if figure.departure < 1e-9:
        return f"{subject} are an ideal circle" + ("; the error is given directly" if given else "")
    return f"{subject} miss the circle by up to {percent(figure.departure)}"


def faults_of(error: PeriodError) -> list[tuple[str, str, str]]:
    """Faults of the signals, the largest first: (plain words, value, error)."""
    signal, left, unit = error.axis.signal, 1.0 - error.axis.interpolation.correction, error.axis.scale.unit
    return _in_words(error.first_order, signal, left, lambda size: quantity(size, unit))


def _in_words(
    made: dict[str, dict[int, float]], signal: Signal, left: float, shown: Callable[[float], str]
) -> list[tuple[str, str, str]]:
    """Causes with their harmonics {cause: {order: amplitude}} as (plain words, value, ``→ harmonic 1: 35.6 nm``)."""
    faults = []
    for cause, lines in sorted(made.items(), key=lambda item: -max(item[1].values())):
        order = max(lines, key=lines.__getitem__)
        faults.append((*_fault_words(cause, signal, left), f"→ harmonic {order}: {shown(lines[order])}"))
    return faults


def _fault_words(cause: str, signal: Signal, left: float) -> tuple[str, str]:
    """Headline and value of one fault of the signals."""
    kind, _, order = cause.partition(" ")
    if kind == "offset":
        return "Offset", f"offset  {', '.join(signed_percent(left * part) for part in signal.offset)}"
    if kind == "gain":
        return ("Amplitude mismatch"), f"gain  {signed_percent(left * signal.gain)}"
    if kind == "phase":
        return "Phase error", f"phase  {digits(float(np.degrees(left * signal.phase)), 3, strip=True)}°"
    if kind == "harmonic":
        return (
            "Harmonic distortion",
            f"{cause_words(cause)}  {percent(abs(signal.harmonics[int(order)]), 3, strip=True)}",
        )
    if kind == "given":
        return (
            "Error given directly",
            f"{len(signal.sde)} {'harmonic' if len(signal.sde) == 1 else 'harmonics'}",
        )
    return cause.capitalize(), ""


def signed_percent(share: float) -> str:
    """A share as per cent with its sign."""
    return ("+" if share > 0.0 else "") + percent(share, 3, strip=True)


def _sheet(
    figure: Lissajous, title: str, note: str, faults: list[tuple[str, str, str]], style: Style
) -> Axes:
    """Figure of the two channels, faults beside it (below it on a phone)."""
    shown, words = faults[:MOST_FAULTS], canvas.Words(title, note, _alternative(title, faults))
    rows = max(len(shown), 1) * (16.0 if style.phone else ROW) + (2.0 if len(faults) > len(shown) else 0.0)
    room = LOW[style.page] + 7.0 + stacks.BELOW if len(figure.raw) else 0.0
    if style.phone:
        sheet = canvas.Sheet(style, words, 2.0 + 78.0 + 6.0 + rows + 4.0 + room)
        main = sheet.panel(2.0, 78.0, left=5.0, right=7.0)
        left, top, pitch = 6.0, 86.0, 16.0
    else:
        tall = max(84.0, rows + 2.0)
        sheet = canvas.Sheet(style, words, 2.0 + tall + 4.0 + room)
        main = sheet.panel(2.0, tall, left=4.0, right=68.0)
        left, top, pitch = 106.0, 2.0 + (tall - rows) / 2.0, ROW
    _lissajous(main, figure, style)
    for number, (head, value, effect) in enumerate(shown):
        y = top + number * pitch + 3.0
        sheet.text(left, y, head, bold=True)
        sheet.text(left, y + 5.0, value)
        sheet.text(left, y + 9.8, effect, "cyclic", bold=True)
    if not shown:
        sheet.text(left, top + 3.0, "No fault", bold=True)
    if len(faults) > len(shown):
        y = top + (len(shown) - 1) * pitch + 16.8
        sheet.text(left, y, f"and {len(faults) - len(shown)} smaller", "muted", size=canvas.SMALL)
    if len(figure.raw):
        body = 78.0 + 6.0 + rows if style.phone else tall
        stacks.place(sheet, _radius_panel(figure, style), 2.0 + body + 4.0 + 7.0)
    return main


def _radius_panel(figure: Lissajous, style: Style) -> stacks.StackPanel:
    """Radius error of the recorded points over the signal period, before and after correction."""
    phase = np.angle(figure.corrected) / (2.0 * np.pi) % 1.0
    before, after = (100.0 * (np.abs(row) - 1.0) for row in (figure.raw, figure.corrected))
    most = 1.2 * max(float(np.abs(before).max()), float(np.abs(after).max())) or 1.0

    def draw(ax: Axes) -> None:
        labels = Labels(ax, style)
        for row, role in ((before, "ink"), (after, "true")):
            ax.plot(phase, row, ".", color=style.colour(role), markersize=2.2, markeredgewidth=0.0, zorder=3)
            order = np.argsort(phase)[:: len(phase) // 200 + 1]
            labels.avoid(phase[order], row[order], key=role)
        labels.beside("as recorded", "ink", "ink")
        labels.beside("corrected for offset, gain, phase", "true", "true")

    return stacks.StackPanel(
        "Radius error (% of the amplitude)",
        "Signal phase (periods)",
        LOW[style.page],
        Span(0.0, 1.0),
        Span(-most, most),
        draw,
    )


def _lissajous(ax: Axes, figure: Lissajous, style: Style) -> Axes:
    """Ideal circle, exaggerated figure, lines that join equal phases, both centres, direction."""
    canvas.axes(ax, style)
    reach = max(float(np.abs(figure.points.real).max()), float(np.abs(figure.points.imag).max())) * 1.13
    ax.set(xticks=[], yticks=[])
    ax.spines[:].set_visible(False)
    ax.set_aspect("equal", adjustable="box")
    box = ax.get_window_extent()
    wide = reach * max(box.width / max(box.height, 1.0), 1.0)
    ax.set(xlim=(-wide, wide), ylim=(-reach, reach))
    for cross in (([-reach, reach], [0.0, 0.0]), ([0.0, 0.0], [-reach, reach])):
        ax.plot(*cross, color=style.colour("grid"), linewidth=0.8, zorder=0.5)
    spokes = np.unique(np.linspace(0, len(figure.ideal) - 1, SPOKES, endpoint=False).astype(int))
    ends = np.stack([figure.ideal[spokes], figure.drawn[spokes]], axis=-1)
    if figure.times * figure.departure > 0.005:
        _segments(ax, ends, style)
    if figure.recorded is not None:
        ax.plot(
            figure.recorded.real,
            figure.recorded.imag,
            ".",
            color=style.colour("ink"),
            markersize=2.2,
            markeredgewidth=0.0,
            zorder=3,
        )
    ax.plot(figure.ideal.real, figure.ideal.imag, **style.line("ideal"), zorder=2)
    ax.plot(figure.drawn.real, figure.drawn.imag, **style.line("cyclic", linewidth=2.2), zorder=4)
    _name_parts(ax, figure, style)
    return ax


def _segments(ax: Axes, ends: np.ndarray, style: Style) -> None:
    from matplotlib.collections import LineCollection

    pairs = np.stack([ends.real, ends.imag], axis=-1)
    ax.add_collection(
        LineCollection(list(pairs), colors=style.colour("soft"), linewidths=1.4, zorder=1), autolim=False
    )


def _name_parts(ax: Axes, figure: Lissajous, style: Style) -> None:
    """Axes, circle, centres and direction in words."""
    labels = Labels(ax, style)
    labels.avoid(figure.ideal.real, figure.ideal.imag, key="ideal")
    labels.avoid(figure.drawn.real, figure.drawn.imag)
    if figure.recorded is not None:
        thin = figure.recorded[:: len(figure.recorded) // 500 + 1]
        labels.avoid_points(thin.real, thin.imag)
    for text, x, y in (("cosine", 0.5, 0.0), ("sine", 0.0, 0.5)):
        labels.name(text, x, y, "muted")
    _direction(ax, labels, figure, style)
    ax.plot(0.0, 0.0, "+", color=style.colour("ideal"), markersize=10.0, markeredgewidth=2.0, zorder=5)
    if abs(figure.centre) > 0.02:
        ax.plot(
            figure.centre.real,
            figure.centre.imag,
            "+",
            color=style.colour("cyclic"),
            markersize=10.0,
            markeredgewidth=2.4,
            zorder=6,
        )
        labels.avoid_points([0.0, figure.centre.real], [0.0, figure.centre.imag])
        labels.at(["centre"], figure.centre.real, figure.centre.imag, "cyclic", clear=1.3)
    labels.beside("ideal circle", "ideal", "muted", bold=False)


def _direction(ax: Axes, labels: Labels, figure: Lissajous, style: Style) -> None:
    """An arrow outside the figure in the direction of forward motion."""
    turn = np.exp(1j * np.linspace(0.62, 0.95, 12))
    near = np.abs(figure.points)[np.abs(np.angle(figure.points) - 0.78) < 0.32]
    arc = (float(near.max(initial=1.0)) + 0.09) * turn
    ax.plot(arc.real, arc.imag, color=style.colour("muted"), linewidth=1.2, zorder=5)
    ax.annotate(
        "",
        (arc[-1].real, arc[-1].imag),
        (arc[-3].real, arc[-3].imag),
        zorder=5,
        arrowprops={
            "arrowstyle": "-|>",
            "color": style.colour("muted"),
            "linewidth": 1.2,
            "shrinkA": 0.0,
            "shrinkB": 0.0,
        },
    )
    labels.avoid(arc.real, arc.imag)
    labels.at(["forward"], arc[3].real, arc[3].imag, "muted", bold=False)


def _alternative(title: str, faults: list[tuple[str, str, str]]) -> str:
    text = f"Sine channel drawn against cosine channel with its departure from a circle enlarged. {title}."
    words = [f"{head}: {' '.join(value.split())} {effect}" for head, value, effect in faults[:2]]
    return f"{text} {'; '.join(words)}." if words else text


def allan(result: Identification, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Allan deviation of the phase over averaging time, beside the slope of white noise."""
    seen = np.isfinite(result.allan_deviation) & (result.allan_deviation > 0.0)
    if not np.any(seen):
        checks.refuse("plot_jitter", "have smooth motion that was fitted", "none")
    tau, deviation = result.averaging_time[seen], result.allan_deviation[seen]
    white = deviation[0] * tau[0] / tau
    panel = stacks.StackPanel(
        "Allan deviation of the signal phase (rad/s)",
        "Averaging time (s)",
        50.0 + 6.0 * style.phone,
        Span(float(tau[0]), float(tau[-1]), logarithmic=True),
        Span(0.7 * float(min(deviation.min(), white.min())), 1.5 * float(deviation.max()), logarithmic=True),
        lambda ax: _with_white(ax, tau, deviation, white, style),
    )
    if ax is not None:
        return stacks.into(ax, style, panel)
    words = {"white": "is white", "one pole": "is that of one pole", "drift": "drifts slowly"}
    title = f"Jitter of the signal phase {words[result.jitter_colour]}"
    if np.isfinite(result.jitter_bandwidth):
        title += f", corner {quantity(result.jitter_bandwidth, 'Hz')}"
    note = (
        f"{result.points} samples, channel noise included; the dashed line falls as white noise does. Above it the "
        "jitter is slower, or the true motion varied."
    )
    text = f"Line chart of the overlapping Allan deviation over averaging time. {title}."
    return stacks.stack(style, canvas.Words(title, note, text), [panel]).panels[0]


def _with_white(ax: Axes, tau: np.ndarray, deviation: np.ndarray, white: np.ndarray, style: Style) -> None:
    """The deviation and the dashed slope of white noise."""
    ax.plot(tau, white, **(style.line("noise") | {"linestyle": "--"}))
    ax.plot(tau, deviation, **style.line("ink"))
