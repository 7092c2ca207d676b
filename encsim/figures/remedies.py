"""Picture of causes and remedies: a bar for each cause with its remedy, below them the total with each remedy."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decisions import headlines
from ..open_loop.causes import CAUSES
from ..presentation import canvas
from ..presentation.canvas import width, wrap
from ..presentation.ticks import number_axis
from ..wording import axis_unit, compared, listed, quantity, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..decisions.explanation import Explanation
    from ..decisions.remedies import Remedy
    from ..decisions.requirements import Requirement
    from ..presentation.canvas import Style


# Name of the row of each fault, and the kind of remedy shown under it; rows of causes have the names of `CAUSES`.
ROWS = {
    "signal.offset": ("Offset", "offset"),
    "signal.gain": ("Amplitude mismatch", "gain"),
    "signal.phase": ("Phase error", "phase"),
    "signal.harmonics": ("Harmonic distortion", "harmonics"),
    "signal.sde": ("SDE as given", "sde"),
    "signal.skew": ("Skew", "skew"),
    "ring.eccentricity": ("Eccentricity of the ring", "centring"),
    "ring.swash": ("Tilt of the ring", "second head"),
    "ring.lobes": ("Ring out of round", "second head"),
    "ring.graduation": ("Graduation", "second head"),
    "ring.wander": ("Radial motion of the axis", "second head"),
    "ring.coupling": ("Coupling", ""),
}
DOES = {
    "offset": "trim to a tenth", "gain": "match to a tenth", "phase": "trim to a tenth", "harmonics": "halve them",
    "sde": "halve it", "skew": "to a tenth", "centring": "centre to a tenth", "second head": "a second head",
    "conditioning": "correct the signals", "finer counts": "4 times finer", "bits": "2 bits more",
    "noise": "halve it", "clock": "halve it", "own clock": "lock it to the loop",
}  # fmt: skip
MOST, BEST = 8, 3
# Heights of a row with and without a line below its bar, and around the rule, mm; room beside a value and margins.
TALL, SHORT, GAP = 13.0, 9.2, 5.0
BEHIND, LEFT, RIGHT = 3.0, 6.0, 4.0
# Where a name that is too long for a line is parted.
PARTED = re.compile(r", | (?=that |at )")
# Room below the bars for the name of the limit, and of a line of text, mm.
NAMED, LINE = 5.0, 4.4
# Letters in a line below the bars.
LETTERS = 200
# A cause whose remedy has no effect is shown from this share of the total on.
LARGE = 0.5
HEAD, COMBINED = "Velocity ripple, rms", "Combined measures"
SQUARES = "Squares add: the bars alone do not add up."


@dataclass(frozen=True)
class RemedyRow:
    """One bar: name, remark at the right, text below, value."""

    name: str
    role: str
    value: float
    text: str
    remark: str = ""
    below: str = ""

    @property
    def tall(self) -> float:
        """Height, mm."""
        return TALL if self.below else SHORT


def remedies(
    result: Explanation,
    ax: Axes | None = None,
    *,
    limit: Requirement | None = None,
    style: Style = canvas.PRINT,
) -> Axes:
    """Causes and remedies of an axis at a speed, with the limit of its measured ripple."""
    above, below = _cause_rows(result), _total_rows(result, style)
    allowed = _allowed(result, limit)
    if ax is not None:
        return _in_axes(canvas.axes(ax, style), [*above, *below], result, style, allowed=allowed)
    title = _title(result, allowed)
    words = canvas.Words(title, _note(result, len(above), style), _alternative(result, above, title))
    high = sum(row.tall for row in (*above, *below)) + (GAP if above else 0.0)
    named = 0.0 if allowed is None else NAMED
    foot = [] if style.bare else _foot(result, len(above), style)
    sheet = canvas.Sheet(style, words, high + named + LINE * len(foot) + 4.0)
    panel = sheet.panel(1.5, high, left=LEFT, right=RIGHT)
    _draw(panel, above, below, style, allowed=allowed, name=_limit_words(result, allowed))
    for number, line in enumerate(foot):
        sheet.text(LEFT, high + named + 5.4 + LINE * number, line, "muted")
    return panel


def _allowed(result: Explanation, limit: Requirement | None) -> float | None:
    """Measured ripple allowed at the speed, m/s or rad/s; None where there is no limit."""
    if limit is None:
        return result.limits.get("measured")
    found = headlines.allowed(limit, np.array([result.speed]))
    return None if found is None or not np.isfinite(found[0]) else float(found[0])


def _limit_words(result: Explanation, allowed: float | None) -> str:
    return "" if allowed is None else f"limit {quantity(allowed, _unit(result), strip=True)}"


def _below(result: Explanation, shown: int) -> list[str]:
    """Sentences below the bars: how they add, and the causes whose remedy has no effect."""
    words = [SQUARES] if shown else []
    drawn = _shown(result)
    idle = [_row(path)[0] for path in _values(result) if path not in drawn]
    if idle:
        names = listed(name if name[1:2].isupper() or name[1:2] == "/" else name.lower() for name in idle)
        words.append(f"Too small to matter: {names}.")
    return words


def _foot(result: Explanation, shown: int, style: Style) -> list[str]:
    """Those sentences in lines."""
    words = _below(result, shown)
    return wrap(" ".join(words), LETTERS, style.width - LEFT - RIGHT) if words else []


def _unit(result: Explanation) -> str:
    return f"{result.axis.scale.unit}/s"


def _size(result: Explanation, value: float) -> str:
    return compared(value, result.values["measured"], _unit(result), 2)


def _values(result: Explanation) -> dict[Any, tuple[float, str]]:
    """{path or cause: (value, role)}: each fault, each cause without a fault, the largest first."""
    values = []
    for one in result.causes:
        parts = [(each.path, each.measured) for each in one.sources] or [(one.cause, one.measured)]
        values += [(path, (value, CAUSES[one.cause].role)) for path, value in parts if value > 0.0]
    return dict(sorted(values, key=lambda part: -part[1][0]))


def _shown(result: Explanation) -> dict[Any, tuple[float, str]]:
    """Those of the bars: without causes that are too small for their remedy to have an effect."""
    effects = {one.kind: one.effect for one in result.remedies}
    least = LARGE * result.values["measured"]
    values = _values(result)
    kept = [
        path
        for path, (value, _) in values.items()
        if value >= least or effects.get(_row(path)[1]) not in ("none", None)
    ]
    return {path: values[path] for path in kept[:MOST]}


def _cause_rows(result: Explanation) -> list[RemedyRow]:
    """A bar for each fault alone and each other cause."""
    kinds = {one.kind: one for one in result.remedies}
    return [
        RemedyRow(
            _row(path)[0],
            role,
            value,
            _size(result, value),
            _remark(result, path),
            _effect_of_remedy(result, kinds, path),
        )
        for path, (value, role) in _shown(result).items()
    ]


def _row(path: str) -> tuple[str, str]:
    """Name of the row of a fault or a cause, and the kind of remedy shown under it."""
    if path in ROWS:
        return ROWS[path]
    return CAUSES[path].label, CAUSES[path].remedy


def _remark(result: Explanation, path: str) -> str:
    """Value of a fault in a few letters."""
    for one in result.causes:
        for each in one.sources:
            if each.path == path:
                return each.short.replace(" deg", "°")
    size = CAUSES[path].size
    return size(result.axis) if size else ""


def _effect_of_remedy(result: Explanation, kinds: dict[str, Remedy], path: str) -> str:
    """Effect of the remedy for this row on the total ripple."""
    one = kinds.get(_row(path)[1])
    if one is None:
        return ""
    if one.applies:
        return f"→ {DOES[one.kind]}: {_remain(result, one)}"
    words = {"none": "no effect", "worse": "more ripple"}.get(one.effect, "not possible")
    return f"→ {DOES[one.kind]}: {words}"


def _total_rows(result: Explanation, style: Style) -> list[RemedyRow]:
    """The total, the total with each of the best remedies, and with several together."""
    rows = [
        RemedyRow("Total now", "ink", result.values["measured"], _size(result, result.values["measured"]))
    ]
    shown_kinds = {_row(path)[1] for path in _shown(result)}
    helping = [one for one in result.remedies if one.applies]
    best = helping[:1] + [one for one in helping[1:] if one.kind not in shown_kinds][: BEST - 1]
    rows += [_total_row(result, one, style) for one in best]
    together = result.together
    if together is not None and together.applies:
        value, name, below = together.after["measured"], _at_once(result, together.change), ""
        if width(name, bold=True) > style.width - LEFT - RIGHT:
            name, below = COMBINED, f"→ {name.removeprefix('Combined: ')}"
        rows.append(RemedyRow(name, "true", value, _size(result, value), below=below))
    return rows


def _total_row(result: Explanation, one: Remedy, style: Style) -> RemedyRow:
    """The total with a remedy; what of its name has no room above the bar stands below it."""
    name, room, below = sentence(one.name), style.width - LEFT - RIGHT, ""
    if width(name, bold=True) > room:
        name, *rest = PARTED.split(name, maxsplit=1)
        below = "".join(f"→ {part}" for part in rest)
    return RemedyRow(name, "true", one.after["measured"], _size(result, one.after["measured"]), below=below)


def _at_once(result: Explanation, change: dict[str, Any]) -> str:
    """The remedies that are made together, by their short names."""
    names = [
        one.kind
        for one in result.remedies
        if one.applies and all(path in change and change[path] == value for path, value in one.change.items())
    ]
    return f"Combined: {listed(names)}" if names else COMBINED


def _draw(
    ax: Axes,
    above: list[RemedyRow],
    below: list[RemedyRow],
    style: Style,
    *,
    allowed: float | None = None,
    name: str = "",
) -> None:
    """All bars on one scale, a rule between causes and totals, there the limit; the axes are in mm."""
    room = style.width - LEFT - RIGHT
    high = sum(row.tall for row in (*above, *below)) + (GAP if above else 0.0)
    most = max([allowed or 0.0, *(row.value for row in (*above, *below))]) or 1.0
    scale = (room - BEHIND - max(width(row.text, bold=True) for row in (*above, *below))) / most
    ax.set_axis_off()
    ax.set(xlim=(0.0, room), ylim=(high, 0.0))
    top = 0.0
    for row in above:
        _draw_row(ax, style, top, row, scale=scale)
        top += row.tall
    if above:
        ax.plot([-2.0, room], [top + 1.2] * 2, color=style.colour("grid"), linewidth=1.2, clip_on=False)
        top += GAP
    for row in below:
        _draw_row(ax, style, top, row, scale=scale, limit=None if allowed is None else allowed * scale)
        top += row.tall
    if allowed is not None:
        _name_limit(ax, style, allowed * scale, name)


def _name_limit(ax: Axes, style: Style, x: float, name: str) -> None:
    """The name of the limit below it."""
    room, high = ax.get_xlim()[1], ax.get_ylim()[0]
    half = 0.5 * width(name, bold=True)
    centre = min(max(x, half), room - half)
    ax.text(centre, high + 2.6, name, ha="center", va="center_baseline", **style.text("limit", bold=True))


def _draw_row(
    ax: Axes, style: Style, top: float, row: RemedyRow, *, scale: float, limit: float | None = None
) -> None:
    """One row; the limit is a stroke over its bar alone, so that it crosses no word."""
    room = ax.get_xlim()[1]
    ax.text(0.0, top + 2.2, _cut(row.name, room, bold=True), va="center_baseline", **style.text(bold=True))
    left = room - width(row.name, bold=True) - 3.0
    if row.remark and width(row.remark) <= left:
        ax.text(room, top + 2.2, row.remark, ha="right", va="center_baseline", **style.text("muted"))
    long = row.value * scale
    ax.barh(top + 5.9, long, 3.2, 0.0, color=style.colour(row.role), linewidth=0.0)
    if limit is not None:
        ax.plot([limit, limit], [top + 4.4, top + 8.2], zorder=4, **style.line("limit", linestyle="-"))
    wide = width(row.text, bold=True) + 2.6
    met = limit is not None and long - 0.5 < limit < long + wide
    # A value that the limit would cross stands in its bar, or beyond the limit where the bar is too short.
    inside = met and long > wide
    start = long + 1.3 if not met else 1.3 + (limit or 0.0)
    colour = style.text(bold=True) | ({"color": style.colour("paper")} if inside else {})
    ax.text(1.3 if inside else start, top + 5.9, row.text, va="center_baseline", **colour)
    if row.below:
        ax.text(0.0, top + 9.6, _cut(row.below, room), va="center_baseline", **style.text())


def _cut(text: str, room: float, bold: bool = False) -> str:
    """A text shortened to one line."""
    lines = wrap(text, 200, room, bold=bold)
    return text if len(lines) == 1 else wrap(text, 200, room - 3.0, bold=bold)[0] + " …"


def _in_axes(
    ax: Axes, rows: list[RemedyRow], result: Explanation, style: Style, *, allowed: float | None
) -> Axes:
    """The bars in the caller's axes, names at the left."""
    places = list(range(len(rows)))
    name, size = axis_unit(max(row.value for row in rows), _unit(result), ax.get_xlabel())
    ax.barh(places, [row.value / size for row in rows], 0.6, color=[style.colour(row.role) for row in rows])
    ax.set_yticks(places, [row.name for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    if allowed is not None:
        ax.axvline(allowed / size, **style.line("limit"))
    ax.set_xlim(left=0.0)
    number_axis(ax.xaxis)
    canvas.name_axes(ax, style, below=f"{HEAD} ({name})")
    return ax


def _title(result: Explanation, allowed: float | None = None) -> str:
    """The answer: the first remedy and the ripple with it, against the limit where there is one."""
    at = f"At {_speed(result)}" if result.speed else "At standstill"
    whole = result.values["measured"]
    if whole == 0.0:
        return f"{at}: no ripple to reduce"
    limit = "" if allowed is None else _limit_words(result, allowed).replace("limit", "limit of")
    if allowed is not None and whole <= allowed:
        return f"{at}: ripple {_size(result, whole)} rms, within the {limit}"
    best = next((one for one in result.remedies if one.applies), None)
    if best is None:
        above = f", above the {limit}" if limit else ""
        return f"{at}: ripple {_size(result, whole)} rms{above}; no remedy tried reduces it"
    together = result.together
    if allowed is None or best.after["measured"] <= allowed or together is None or not together.applies:
        return f"{sentence(best.name)}: {_remain(result, best)} of {_size(result, whole)}{_verdict(best, allowed)}"
    names = _at_once(result, together.change).removeprefix("Combined: ")
    words = f"{sentence(names)}: {_remain(result, together)} of {_size(result, whole)}"
    return words + _verdict(together, allowed)


def _verdict(one: Remedy, allowed: float | None) -> str:
    """Whether the limit is met with a remedy, in words."""
    if allowed is None:
        return ""
    return ", within the limit" if one.after["measured"] <= allowed else ", still above the limit"


def _remain(result: Explanation, one: Remedy) -> str:
    """``47 um/s remain``."""
    left = one.after["measured"]
    return f"{_size(result, left)} remain" if left else "nothing remains"


def _speed(result: Explanation) -> str:
    return quantity(abs(result.speed), _unit(result), strip=True)


def _note(result: Explanation, shown: int, style: Style) -> str:
    """Meaning of the bars, and why the result is not reliable."""
    at = f"at {_speed(result)}" if result.speed else "at standstill"
    words = [f"Measured velocity ripple {at}, rms."]
    words += ["Upper bars: one cause alone, below each the total with its remedy."] if shown else []
    if result.values["torque"] is not None:
        driven = "force" if result.axis.scale.unit == "m" else "torque"
        words.append(f"Order: mean reduction of measured, {driven} and actual ripple.")
    if not result.valid and result.reasons:
        words.append("Not reliable." if style.bare else f"Not reliable: {result.reasons[0]}.")
    # beside a page's own text its lines are broken by the page
    return " ".join([*words, *_below(result, shown)] if style.bare else words)


def _alternative(result: Explanation, above: list[RemedyRow], title: str) -> str:
    """Alternative text: kind, quantity; the answer; the largest cause."""
    at = f"at {_speed(result)}" if result.speed else "at standstill"
    words = [f"Bars of velocity ripple, rms, {at}, by cause and after each remedy. {title}."]
    if above:
        words.append(f"The largest cause alone is {above[0].name.lower()}, {above[0].text}.")
    together = result.together
    if together is not None and together.applies:
        left = _size(result, together.after["measured"])
        words.append(f"{_at_once(result, together.change)}: {left} remain.")
    if not result.valid:
        words.append("Some values are not reliable.")
    return " ".join(words)
