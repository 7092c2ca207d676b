"""Picture of the error harmonics at one speed over the gains of the loop: motion, and torque or force."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..presentation import canvas
from ..presentation.elements import spectral_line
from ..presentation.labels import Labels
from ..presentation.stacks import StackPanel, into, stack
from ..presentation.ticks import NO_VALUES, Span
from ..time_domain.velocity_spectrum import is_aliased, strongest_harmonics
from ..wording import MICRO, UNITS, axis_unit, axis_words, digits, listed, quantity, sentence, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..open_loop.closed_form import Lines
    from ..presentation.canvas import Style


TALL = {"a4": 44.0, "phone": 50.0}
GAP = 13.0
# Decades shown below half the loop rate, and the lowest gain shown as a share of the highest.
DECADES = 3.5
REST = 1e-9
DEPTH = {"motion": 1e-4, "force": 1e-3}
# Unit of encoder error for which the torque is shown.
ERROR = {"m": (MICRO + "m", 1e-6), "rad": ("″", UNITS["rad"]["″"])}


def folded(
    frequency: np.ndarray,
    follows: np.ndarray,
    drive: np.ndarray,
    lines: Lines,
    ax: Axes | None = None,
    *,
    style: Style = canvas.PRINT,
) -> Axes:
    """Error harmonics at one speed, at their aliased frequencies, over |T| and |C S|."""
    aliased = _aliased(frequency, follows, drive, lines)
    panels = [_panel(aliased, name, style) for name in ("motion", "force")]
    if ax is not None:
        return into(ax, style, panels[0])
    title = _title(aliased)
    words = canvas.Words(title, _note(aliased), _alternative(aliased, title))
    return stack(style, words, panels, gap=GAP).panels[0]


Made = tuple[int, float, bool, dict[str, float]]


@dataclass(frozen=True, eq=False)
class AliasedLines:
    """Gains of the loop and the response to each harmonic: (number, Hz, aliased, {"motion": m, "force": N})."""

    frequency: np.ndarray
    gains: dict[str, np.ndarray]
    scales: dict[str, Any]
    lines: Lines
    made: list[Made]

    @property
    def unit(self) -> str:
        """Position unit."""
        return self.lines.axis.scale.unit

    @property
    def force(self) -> tuple[str, str]:
        """What the motor makes, and its unit."""
        return ("force", "N") if self.unit == "m" else ("torque", "N m")

    def size(self, name: str, value: float) -> str:
        """An amplitude of motion, as angle in the unit of the error, or of force."""
        if name == "motion" and self.unit == "rad":
            word, one = ERROR["rad"]
            return f"±{with_unit(digits(value / one, 2), word)}"
        return f"±{quantity(value, self.unit if name == 'motion' else self.force[1], 2)}"

    def strongest(self, name: str) -> Made | None:
        """The harmonic that makes most motion or force, None without motion or force."""
        best = max(self.made, key=lambda line: line[3][name], default=None)
        return best if best is not None and best[3][name] > 0.0 else None


def _aliased(frequency: np.ndarray, follows: np.ndarray, drive: np.ndarray, lines: Lines) -> AliasedLines:
    """Gains, and motion and force of each harmonic."""
    frequency = np.asarray(frequency, dtype=float).ravel()
    gains = {"motion": np.abs(np.ravel(follows)), "force": np.abs(np.ravel(drive))}
    if any(len(gain) != len(frequency) for gain in gains.values()):
        sizes = ", ".join(str(len(row)) for row in (frequency, *gains.values()))
        checks.refuse("folded.frequency", "be as many as the gains", sizes)
    shown = (frequency > 0.0) & np.isfinite(gains["motion"]) & np.isfinite(gains["force"])
    if np.count_nonzero(shown) < 2:
        checks.refuse("folded.frequency", "hold two frequencies above 0 or more", int(shown.sum()), "of them")
    frequency, gains = frequency[shown], {name: gain[shown] for name, gain in gains.items()}
    made = []
    for index in strongest_harmonics(lines):
        alias, size = float(lines.alias[index]), float(lines.position[index])
        # A harmonic at 0 Hz moves the axis without torque; a log scale cannot show 0 Hz.
        alias = 0.0 if alias < REST * frequency[-1] else alias
        made_of = {name: size * _gain_at(alias, frequency, gain) for name, gain in gains.items()}
        made_of["force"] *= alias > 0.0
        made.append((int(lines.harmonic[index]), alias, is_aliased(lines, index), made_of))
    unit, one = lines.axis.scale.unit, ERROR[lines.axis.scale.unit][1]
    force = axis_unit(float(gains["force"].max()) * one, "N" if unit == "m" else "N m")
    return AliasedLines(
        frequency, gains, {"motion": 1.0, "force": force[1] / one, "unit": force[0]}, lines, made
    )


def _gain_at(alias: float, frequency: np.ndarray, gain: np.ndarray) -> float:
    """Gain at a frequency, along straight lines on log scales; the nearest end outside."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.exp(np.interp(np.log(alias), np.log(frequency), np.log(gain))))


def _panel(aliased: AliasedLines, name: str, style: Style) -> StackPanel:
    """One gain against frequency with the harmonics."""
    return StackPanel(
        _head(aliased, name, style),
        "Frequency after sampling (Hz)",
        TALL[style.page],
        Span(_lowest(aliased), aliased.frequency[-1], True),
        _span(aliased, name),
        lambda ax: _draw(ax, aliased, name, style),
    )


def _head(aliased: AliasedLines, name: str, style: Style) -> str:
    if name == "motion":
        return (
            "Part of the error that the axis follows, |T|"
            if not style.phone
            else "Followed part of the error"
        )
    error = ERROR[aliased.unit][0]
    word = sentence(aliased.force[0])
    of = "for 1" + with_unit("", error).replace("\u202f", "\u00a0") + " of error"
    return f"{word} {of}{'' if style.phone else ', |C S|'} ({aliased.scales['unit']})"


def _lowest(aliased: AliasedLines) -> float:
    """A decade below the lowest harmonic and below where the loop follows half, at most ``DECADES`` in all."""
    last, moving = aliased.frequency[-1], [alias for _, alias, *_ in aliased.made if alias > 0.0]
    follows = aliased.frequency[aliased.gains["motion"] > 0.5]
    marks = [last, *moving, *follows[-1:]]
    return float(max(aliased.frequency[0], min(marks) / 10.0, last / 10.0**DECADES))


def _span(aliased: AliasedLines, name: str) -> Span:
    """Log range of a gain."""
    gain = aliased.gains[name][aliased.frequency >= _lowest(aliased)] / aliased.scales[name]
    if not np.any(gain > 0.0):
        return NO_VALUES
    high = gain.max()
    low = max(gain[gain > 0.0].min() / 1.5, high * DEPTH[name])
    return Span(min(low, high / 3.0), high * (30.0 if name == "motion" else 8.0), True, most=5)


def _draw(ax: Axes, aliased: AliasedLines, name: str, style: Style) -> None:
    """The gain, and for each harmonic a stick up to it."""
    gain = aliased.gains[name] / aliased.scales[name]
    role = "true" if name == "motion" else "force"
    labels = Labels(ax, style)
    low = ax.get_ylim()[0]
    ax.plot(aliased.frequency, np.maximum(gain, low / 100.0), **style.line(role), zorder=3)
    labels.avoid(aliased.frequency, gain, key="gain")
    places = []
    for words, alias, hollow, size in _stick_labels(aliased, name):
        where = max(alias, _lowest(aliased))
        height = max(_gain_at(where, aliased.frequency, gain), low)
        spectral_line(labels, where, height, low, hollow=hollow)
        places.append((size, words, where, height))
    if np.any(gain > 0.0):
        for _, words, where, height in sorted(places, key=lambda place: -place[0]):
            labels.at(words, where, height, "cyclic", clear=1.3)
    else:
        labels.put("nothing: the loop is open", labels.size / 2.0, "muted", bold=False)


def _stick_labels(aliased: AliasedLines, name: str) -> list[tuple[list[str], float, bool, float]]:
    """(names, Hz, aliased, size) of each stick; harmonics at 0 Hz share one and need no torque."""
    labelled = [
        (_names(number, aliased.size(name, made[name])), alias, hollow, made[name])
        for number, alias, hollow, made in aliased.made
        if alias > 0.0
    ]
    still = [line for line in aliased.made if line[1] == 0.0]
    if name == "motion" and still:
        most, numbers = max(line[3][name] for line in still), listed(sorted(line[0] for line in still))
        words = f"harmonic{'s' if len(still) > 1 else ''} {numbers} at 0 Hz"
        size = f"{'up to ' if len(still) > 1 else ''}{aliased.size(name, most)}"
        labelled.append(([f"{words}: {size}", f"{words}:\n{size}", "at rest"], 0.0, True, most))
    return labelled


def _names(number: int, made: str) -> list[str]:
    """Names of a harmonic with its motion or force, the longest first."""
    return [f"harmonic {number}:\n{made}", f"{number}: {made}", f"{number}"]


def _title(aliased: AliasedLines) -> str:
    """The answer: the harmonic that moves the axis most, and the one that makes most force."""
    speed = quantity(abs(aliased.lines.speed), f"{aliased.unit}/s", strip=True)
    moved, forced = aliased.strongest("motion"), aliased.strongest("force")
    if not aliased.made:
        return f"At {speed}: no cyclic error reaches the loop"
    if moved is None:
        return f"At {speed}: the loop is open and follows no harmonic"
    motion = aliased.size("motion", moved[3]["motion"])
    if forced is None:
        return f"At {speed} every harmonic is at 0 Hz: the axis follows harmonic {moved[0]}, {motion}"
    force = f"{aliased.size('force', forced[3]['force'])} of {aliased.force[0]}"
    if moved[0] == forced[0]:
        return f"At {speed} harmonic {moved[0]} moves the axis most, {motion}, and causes {force}"
    return (
        f"At {speed} harmonic {moved[0]} moves the axis most, {motion}; harmonic {forced[0]} causes {force}"
    )


def _note(aliased: AliasedLines) -> str:
    words = [f"{sentence(axis_words(aliased.lines.axis))}."]
    if aliased.made:
        words.append("Sticks: harmonics of the encoder at their aliased frequencies, with their effect.")
    if any(line[2] for line in aliased.made):
        words.append("Hollow: aliased.")
    return " ".join(words)


def _alternative(aliased: AliasedLines, title: str) -> str:
    """Alternative text: kind, quantities; the answer; number of aliased harmonics."""
    count = sum(line[2] for line in aliased.made)
    return (
        f"Log-log charts of the share of an encoder error that the loop follows, and of the {aliased.force[0]} by it, "
        f"against frequency, with the encoder's harmonics. {title}. {count} of {len(aliased.made)} are aliased."
    )
