"""Picture of the loop gain: gain and phase against frequency with gain margin and phase margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..presentation import canvas
from ..presentation.labels import Labels
from ..presentation.stacks import TOP, StackPanel, into, stack
from ..presentation.strips import choose_names, top_names, top_ticks
from ..presentation.ticks import Span
from ..time_domain.velocity_spectrum import strongest_harmonics
from ..wording import MINUS, axis_words, digits, quantity, sentence, with_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from ..closed_loop.stability import Margins, Resonance
    from ..open_loop.closed_form import Lines
    from ..presentation.canvas import Style


# Margins below these are called small: common practice, no source.
ROOM_PHASE, ROOM_GAIN, ROOM_PEAK = 30.0, 2.0, 2.0
# Ratio of the lowest mark to the lowest frequency shown; decades shown at least; lowest gain (dB) and phase (deg).
MARGIN_BELOW, LEAST_DECADES = 8.0, 2.0
DEEPEST, STEEPEST = -80.0, -330.0
TALL = {"a4": (46.0, 38.0), "phone": (52.0, 46.0)}
GAP = 13.0
BELOW = "Frequency (Hz)"
UPRIGHT_PITCH = 2.0
MOST = 1000


def margins(
    result: Margins, ax: Axes | None = None, *, lines: Lines | None = None, style: Style = canvas.PRINT
) -> Axes:
    """Open-loop gain and phase against frequency, with crossover, margins, resonances and encoder lines."""
    curve = loop_gain_curve(result)
    if ax is not None:
        return canvas.axes(ax, style) if curve is None else into(ax, style, _gain_panel(curve, style))
    title = _title(result, curve)
    words = canvas.Words(title, _note(result, curve), _alternative(result, curve, title))
    if curve is None:
        main = canvas.Sheet(style, words, 4.0).panel(0.0, 2.0, left=4.0)
        main.set_axis_off()
        return main
    aliased = _aliased_lines(lines, curve)
    panels = [_gain_panel(curve, style, aliased, lines), _phase_panel(curve, style)]
    return stack(style, words, panels, top=11.5 if aliased else TOP, gap=GAP).panels[0]


# Hz, dB, deg.
Mark = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Curve:
    """Loop gain as drawn: dB and unwrapped degrees, and the places of the margins as (Hz, dB, deg)."""

    result: Margins
    frequency: np.ndarray
    gain: np.ndarray
    phase: np.ndarray
    low: float
    crossover: Mark | None
    turning: Mark | None
    rising: Mark | None
    falling: Mark | None
    peak: tuple[float, float]

    def at(self, frequency: float) -> Mark:
        """(Hz, dB, deg) of the curve at a frequency."""
        where = np.log(frequency)
        grid = np.log(self.frequency)
        gain, phase = (float(np.interp(where, grid, row)) for row in (self.gain, self.phase))
        return float(frequency), gain, phase

    @property
    def marks(self) -> list[Mark]:
        """All places that must be visible."""
        return [mark for mark in (self.crossover, self.turning, self.rising, self.falling) if mark]


def loop_gain_curve(result: Margins) -> Curve | None:
    """The loop gain in dB and degrees, with the places of the margins; None where there is no loop gain."""
    frequency, loop = np.asarray(result.frequency, dtype=float), np.asarray(result.open_gain, dtype=complex)
    shown = np.isfinite(loop) & (np.abs(loop) > 0.0) & (frequency > 0.0)
    if np.count_nonzero(shown) < 2:
        return None
    frequency, loop = frequency[shown], loop[shown]
    gain, phase = 20.0 * np.log10(np.abs(loop)), np.degrees(np.unwrap(np.angle(loop)))
    # Begins between -360 and 0 deg: integrators turn by -90 deg each.
    phase -= 360.0 * np.ceil(phase[0] / 360.0 - 1e-3)
    bare = Curve(result, frequency, gain, phase, 0.0, None, None, None, None, (0.0, 0.0))
    places = _places(bare, result, loop)
    marks = [place[0] for place in places.values() if place] + [
        part.antiresonance for part in result.resonances
    ]
    low = min([frequency[-1] / 10.0**LEAST_DECADES, *(mark / MARGIN_BELOW for mark in marks)])
    size = 1.0 / np.abs(1.0 + loop)
    peak = (float(frequency[np.argmax(size)]), float(size.max()))
    return Curve(result, frequency, gain, phase, max(low, frequency[0]), peak=peak, **places)


def _places(curve: Curve, result: Margins, loop: np.ndarray) -> dict[str, Mark | None]:
    """Where the margins are read: crossover, crossing of the phase margin, upper and lower gain margin."""
    crossings = _zeros(curve.frequency, curve.gain)
    away = np.array([_from_odd_half_turn(curve.at(one)[2]) for one in crossings])
    turning = crossings[np.argmin(np.abs(away - result.phase_margin))] if len(crossings) else None
    return {
        "crossover": curve.at(result.crossover) if np.isfinite(result.crossover) else None,
        "turning": None if turning is None else curve.at(turning),
        "rising": _place_of_gain_margin(curve, loop, result.gain_margin),
        "falling": _place_of_gain_margin(curve, loop, result.lower_gain_margin),
    }


def _from_odd_half_turn(phase: float) -> float:
    """Distance of a phase from the nearest odd multiple of 180 deg, -180 to 180."""
    return (phase % 360.0) - 180.0


def _zeros(frequency: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Frequencies at which a row passes zero."""
    change = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0.0)
    share = values[change] / (values[change] - values[change + 1])
    return frequency[change] * (frequency[change + 1] / frequency[change]) ** share


def _place_of_gain_margin(curve: Curve, loop: np.ndarray, factor: float) -> Mark | None:
    """The place where the loop gain times this factor is -1; None unless the factor is positive and finite."""
    if not np.isfinite(factor) or factor <= 0.0:
        return None
    crossings = np.append(_zeros(curve.frequency, loop.imag), curve.frequency[-1])
    places = [curve.at(one) for one in crossings]
    off = [abs(gain + 20.0 * np.log10(factor)) + abs(_from_odd_half_turn(phase)) for _, gain, phase in places]
    return places[int(np.argmin(off))]


def _gain_panel(
    curve: Curve, style: Style, aliased: Sequence[tuple[float, str]] = (), lines: Lines | None = None
) -> StackPanel:
    """Gain with the margins, and the error harmonics at their aliased frequencies."""
    return StackPanel(
        "Open-loop gain (dB)",
        BELOW,
        TALL[style.page][0],
        Span(curve.low, curve.frequency[-1], True),
        _gain_span(curve),
        lambda ax: _draw_gain(ax, curve, style, aliased, lines),
        head_top=3.4,
    )


def _phase_panel(curve: Curve, style: Style) -> StackPanel:
    """Phase with the phase margin."""
    return StackPanel(
        "Open-loop phase (°)",
        BELOW,
        TALL[style.page][1],
        Span(curve.low, curve.frequency[-1], True),
        _phase_span(curve),
        lambda ax: _draw_phase(ax, curve, style),
    )


def _aliased_lines(lines: Lines | None, curve: Curve) -> list[tuple[float, str]]:
    """(aliased frequency in Hz, number) of the strongest harmonics in range, ascending."""
    if lines is None:
        return []
    kept = strongest_harmonics(lines)
    aliased = [(float(lines.alias[index]), f"{int(lines.harmonic[index])}") for index in kept]
    return sorted(one for one in aliased if curve.low <= one[0] <= curve.frequency[-1])


def _gain_span(curve: Curve) -> Span:
    gain = curve.gain[curve.frequency >= curve.low]
    low, high = max(gain.min(), min([DEEPEST, *(mark[1] - 20.0 for mark in curve.marks)])), gain.max()
    room = 0.06 * max(high - low, 20.0)
    return Span(min(low, -6.0) - room, max(high, 6.0) + room, step=20.0 if high - low < 130.0 else 40.0)


def _phase_span(curve: Curve) -> Span:
    phase = curve.phase[curve.frequency >= curve.low]
    deepest = min([STEEPEST, *(mark[2] - 45.0 for mark in curve.marks)])
    low, high = min(max(phase.min(), deepest) - 15.0, -215.0), max(phase.max(), -90.0) + 30.0
    steps = (90.0, 180.0, 360.0, 1800.0)
    return Span(low, high, step=next((step for step in steps if (high - low) / step < 7.0), 36000.0))


def _draw_gain(
    ax: Axes,
    curve: Curve,
    style: Style,
    aliased: Sequence[tuple[float, str]] = (),
    lines: Lines | None = None,
) -> None:
    """Gain with bars of the gain margins, resonances, error harmonics."""
    labels = Labels(ax, style)
    if aliased and lines is not None:
        _draw_lines(labels, aliased, lines)
    ax.axhline(0.0, color=style.colour("muted"), linewidth=1.2, zorder=2)
    ax.plot(curve.frequency, curve.gain, **style.line("ink"), zorder=3)
    labels.avoid(curve.frequency, curve.gain, key="gain")
    labels.avoid([curve.low, curve.frequency[-1]], [0.0, 0.0])
    _uprights(labels, curve)
    for place in (curve.rising, curve.falling):
        if place:
            _bar(labels, place[0], 0.0, place[1], "counts")
    if curve.crossover:
        _dot(labels, curve.crossover[0], 0.0, "cyclic")
        where = quantity(curve.crossover[0], "Hz")
        labels.at(
            [f"crossover {where}", f"crossover\n{where}", where], curve.crossover[0], 0.0, "cyclic", clear=0.8
        )
    if curve.rising:
        labels.at(_rise_words(curve.result), *curve.rising[:2], "counts", clear=0.8)
    if curve.falling:
        size = f"{MINUS}{_decibels(-20.0 * np.log10(curve.result.lower_gain_margin))}"
        words = [f"lower gain margin {size}", f"lower gain\nmargin {size}", size]
        labels.at(words, *curve.falling[:2], "counts", clear=0.8)
    for part in curve.result.resonances:
        _name_resonance(labels, curve, part)


def _draw_lines(labels: Labels, aliased: Sequence[tuple[float, str]], lines: Lines) -> None:
    """Ticks and numbers of the error harmonics along the top."""
    x = np.array([frequency for frequency, _ in aliased])
    places = labels.place(x, np.zeros(len(x)))[:, 0]
    unit = f"{lines.axis.scale.unit}/s"
    speed = quantity(abs(lines.speed), unit, strip=True)
    prefix = f"encoder harmonics at {speed}:" if not labels.style.phone else f"harmonics at {speed}:"
    names, start = choose_names(places, [name for _, name in aliased], labels.size[0], prefix)
    top_ticks(labels, x)
    top_names(labels, names, start, prefix)


def _draw_phase(ax: Axes, curve: Curve, style: Style) -> None:
    """Phase with the bar of the phase margin and the phase at which the loop becomes unstable."""
    labels = Labels(ax, style)
    low, high = ax.get_ylim()
    swings = [turn for turn in np.arange(-180.0 - 3600.0, 3600.0, 360.0) if low <= turn <= high]
    for turn in swings:
        ax.axhline(turn, **style.line("limit"), zorder=2)
        labels.avoid([curve.low, curve.frequency[-1]], [turn, turn], key=("swings", turn))
    ax.plot(curve.frequency, curve.phase, **style.line("ink"), zorder=3)
    labels.avoid(curve.frequency, curve.phase, key="phase")
    _uprights(labels, curve)
    for place in (curve.rising, curve.falling):
        if place:
            _dot(labels, place[0], place[2], "counts")
    if curve.turning:
        where, _, phase = curve.turning
        _bar(labels, where, phase - _from_odd_half_turn(phase), phase, "cyclic")
        labels.avoid([where, where], [phase - _from_odd_half_turn(phase), phase])
        size = _degrees(curve.result.phase_margin, 3)
        words = [f"phase margin {size}", f"margin {size}", size]
        labels.at(words, where, phase - _from_odd_half_turn(phase), "cyclic", clear=0.5)
    if swings:
        nearest = min(swings, key=lambda turn: abs(turn + 180.0))
        name = "stability limit" if style.phone else f"{_degrees(nearest)}: stability limit"
        labels.beside(name, ("swings", nearest), "limit", lone=False)


def _uprights(labels: Labels, curve: Curve) -> None:
    """Verticals through both panels: crossover dashed, gain margin dotted."""
    for place, role, dashes in (
        (curve.crossover, "cyclic", (0, (4, 2))),
        (curve.rising, "counts", (0, (1, 1.6))),
    ):
        if place:
            colour = labels.style.colour(role)
            labels.ax.axvline(place[0], color=colour, linewidth=1.1, linestyle=dashes, zorder=2)
            # Few points: a name may stand on a thin vertical where no other place is free.
            heights = np.linspace(*labels.ax.get_ylim(), int(labels.size[1] / UPRIGHT_PITCH))
            labels.avoid_points(np.full(len(heights), place[0]), heights)


def _bar(labels: Labels, x: float, start: float, end: float, role: str) -> None:
    """A margin as a thick bar, with a dot on the curve."""
    labels.ax.plot([x, x], [start, end], color=labels.style.colour(role), linewidth=4.0, zorder=4,
                   solid_capstyle="butt")  # fmt: skip
    _dot(labels, x, end, role)


def _dot(labels: Labels, x: float, y: float, role: str) -> None:
    labels.ax.plot(x, y, "o", markersize=7.0, color=labels.style.colour(role), markeredgewidth=0.0, zorder=5)
    place = labels.place(x, y)[0]
    labels.block(*(place - 1.2), *(place + 1.2))


def _name_resonance(labels: Labels, curve: Curve, part: Resonance) -> None:
    """Name the resonance at its top, with the loop gain there."""
    if not curve.low < part.frequency < curve.frequency[-1]:
        return
    _, gain, _ = curve.at(part.frequency)
    words, where = f"{_decibels(gain)} at the resonance", quantity(part.frequency, "Hz")
    labels.at([f"{words},\n{where}", f"resonance\n{where}"], part.frequency, gain, "muted", bold=False)


def _rise_words(result: Margins) -> list[str]:
    factor = result.gain_margin
    if not result.stable:
        return [f"at {_times(factor)} this gain\nthe phase is {MINUS}180°", f"at {_times(factor)}"]
    size = _decibels(20.0 * np.log10(factor))
    return [f"gain margin {size}", f"gain margin\n{size}", f"gain\nmargin\n{size}", size]


def _times(factor: float) -> str:
    if factor > MOST:
        return f"more than {MOST}×"
    return f"{digits(factor, 2 if factor < 99.5 else 3, strip=True)}×"


def _decibels(value: float) -> str:
    return with_unit(digits(value, 2) if abs(value) >= 0.05 else "0", "dB")


def _degrees(value: float, count: int = 2) -> str:
    return with_unit(digits(value, count if abs(value) < 100.0 else 3, strip=True), "°")


def _title(result: Margins, curve: Curve | None) -> str:
    """The answer: stable or not, and the margins."""
    if curve is None:
        return "The loop is open: its gain is zero at every frequency"
    if not result.stable:
        if np.isfinite(result.phase_margin) and result.phase_margin < 0.0:
            return f"Unstable loop: the phase margin is {MINUS}{_degrees(-result.phase_margin)}"
        return "Unstable loop"
    room = "with good margins" if _has_good_margins(result) else "with small margins"
    if not np.isfinite(result.phase_margin):
        return f"Stable, but the loop gain never reaches 1: {_gain_words(result)}"
    return f"Stable {room}: {_degrees(result.phase_margin)} phase margin, {_gain_words(result)}"


def _gain_words(result: Margins) -> str:
    if not np.isfinite(result.gain_margin):
        return "unlimited gain margin"
    return f"{_decibels(20.0 * np.log10(result.gain_margin))} gain margin"


def _has_good_margins(result: Margins) -> bool:
    return (
        abs(result.phase_margin) >= ROOM_PHASE
        and result.gain_margin >= ROOM_GAIN
        and result.lower_gain_margin <= 1.0 / ROOM_GAIN
        and result.sensitivity_peak <= ROOM_PEAK
    )


def _note(result: Margins, curve: Curve | None) -> str:
    """The axis, sensitivity peak and bandwidth."""
    words = [f"{sentence(axis_words(result.axis))}."]
    if curve is not None and result.stable:
        more = (
            f"; closed-loop bandwidth {quantity(result.bandwidth, 'Hz')} ({MINUS}3 dB)"
            if np.isfinite(result.bandwidth)
            else ""
        )
        where = quantity(curve.peak[0], "Hz")
        words.append(f"Sensitivity peak {digits(result.sensitivity_peak)} at {where}{more}.")
    return " ".join(words)


def _alternative(result: Margins, curve: Curve | None, title: str) -> str:
    """Alternative text: kind, quantities, range; the answer; crossover; resonance."""
    if curve is None:
        return f"Open-loop gain and phase against frequency. {title}."
    ends = [quantity(end, "Hz", 2, strip=True) for end in (curve.low, curve.frequency[-1])]
    words = [f"Open-loop gain in dB and phase against frequency from {ends[0]} to {ends[1]}, log. {title}."]
    if curve.crossover:
        words.append(f"Crossover at {quantity(curve.crossover[0], 'Hz')}.")
    for part in result.resonances:
        gain = 20.0 * np.log10(part.loop_gain) if part.loop_gain > 0.0 else -np.inf
        words.append(f"At the resonance, {quantity(part.frequency, 'Hz')}, the gain is {_decibels(gain)}.")
    return " ".join(words)
