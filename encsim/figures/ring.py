"""Picture of a mounted ring: error against angle, ring with heads to scale, bars by order and cause.

What the pictures of rings say: causes in words and roles, titles, alternative texts.

Drawing of a ring with its heads to scale and the error as exaggerated radius.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..presentation import canvas
from ..presentation.canvas import width
from ..presentation.elements import closed, turn_panel, unit_of
from ..presentation.labels import Labels
from ..presentation.stacks import StackPanel, into, labels_of, place, stack
from ..presentation.ticks import Span
from ..wording import counted, digits, listed, quantity, sentence, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..presentation.canvas import Style
    from ..presentation.elements import TurnRow
    from ..rings.error_orders import RingCurve, RingOrder


# Role and hatch of the bar of a cause, its name beside the bar, its name in a title.
CAUSES = {
    "eccentricity": ("cyclic", "", "off-centre", "its eccentricity"),
    "swash": ("cyclic", "", "tilted", "its tilt"),
    "lobes": ("true", "////", "", ""),
    "graduation": ("counts", "", "graduation", "its graduation"),
    "wander": ("cyclic", "\\\\\\\\", "bearing", "the wander of the bearing"),
    "coupling": ("force", "xxxx", "coupling", "the coupling"),
    "sde": ("muted", "....", "signal period", "the error within the signal period"),
    "mixed": ("muted", "", "second order", "what its faults make together"),
}
# Least share of the largest cause of an order that is named beside it; least share of the largest order that is shown.
BESIDE, SHOWN = 0.1, 0.01
NOTHING, ROUNDING = 1e-3, 1e-9


def angle(value: float, count: int = 2) -> str:
    """An angle as titles show it."""
    return quantity(value, "rad", count)


def half_range(values: np.ndarray) -> float:
    """Half of peak to peak."""
    return float(np.ptp(values)) / 2.0


def main_cause(line: RingOrder) -> str:
    """The largest cause of an order."""
    return max(line.causes, key=line.causes.__getitem__) if line.causes else "mixed"


def bar_words(line: RingOrder) -> str:
    """Causes of an order, the largest first, as written beside its bar."""
    most = max(line.causes.values(), default=0.0)
    kept = sorted(
        (name for name, size in line.causes.items() if size >= BESIDE * most), key=lambda n: -line.causes[n]
    )
    return ", ".join(_shape(line.order) if name == "lobes" else CAUSES[name][2] for name in kept or ["mixed"])


def _shape(order: int) -> str:
    return {1: "one lobe", 2: "oval"}.get(order, f"{counted(order)} lobes")


def _stays(line: RingOrder) -> str:
    """Cause of an order, as written in a title."""
    cause = main_cause(line)
    if cause == "lobes":
        return "its oval shape" if line.order == 2 else f"its shape of {_shape(line.order)}"
    return CAUSES[cause][3]


def heads_words(count: int) -> str:
    """``one head``, ``three heads``."""
    return "one head" if count == 1 else f"{counted(count)} heads"


def ring_title(curve: RingCurve) -> str:
    """The answer: error of one head, error with all heads, and its cause."""
    alone, count = half_range(curve.alone), len(curve.heads)
    if alone == 0.0 and curve.peak == 0.0:
        return "The ring reads true: nothing is wrong with its mounting"
    most = max(curve.orders, key=lambda line: line.amplitude, default=None)
    if count == 1:
        mostly = f", mainly {_stays(most)}" if most is not None else ""
        return f"Ring error ±{angle(curve.peak)}{mostly}"
    who = sentence(heads_words(count))
    if most is None or curve.peak < NOTHING * alone:
        left = f"; ±{angle(curve.peak)} stay" if most is not None else ""
        return f"{who} remove most of the ring's ±{angle(alone)}{left}"
    if curve.peak > 0.98 * alone:
        return f"{who} are no help: ±{angle(curve.peak)} where one shows ±{angle(alone)}"
    return f"{who} take the ring from ±{angle(alone)} to ±{angle(curve.peak)}; what stays is {_stays(most)}"


def _left(curve: RingCurve) -> float:
    """Error with all heads, half of peak to peak: heads that remove it leave its rounding, which is none."""
    return curve.peak if curve.peak > ROUNDING * half_range(curve.alone) else 0.0


def ring_note(curve: RingCurve) -> str:
    """Size of the ring, error at its rim, remarks."""
    size = quantity(curve.ring.diameter, "m", strip=True)
    arc = quantity(curve.arc if _left(curve) else 0.0, "m")
    words = [f"Ring of {size}: angle shown minus true angle over a revolution; at its rim ±{arc}."]
    words += [sentence(f"{reason}.") for reason in curve.reasons]
    return " ".join(words)


def ring_text(curve: RingCurve, title: str) -> str:
    """Alternative text: kind, quantity; the answer; the largest orders."""
    words = [
        f"Line chart of angle error against shaft angle over a revolution, ring with heads, bars by order. {title}."
    ]
    largest = sorted(curve.alone_orders, key=lambda line: -line.amplitude)[:3]
    if largest:
        lines = [
            f"{angle(line.amplitude)} at {line.order} per revolution"
            for line in largest
            if line.amplitude > 0.0
        ]
        words.append(f"One head: {listed(lines)}.")
    return " ".join(words)


# In radii of the ring: the error's largest drawn size, the bore drawn where none is known, a head's size, the frame.
LARGEST, BORE, HEAD, FRAME = 0.22, 0.72, (0.17, 0.46), 1.27
# Heads nearer than this to another, rad, have no number; least width of a head as drawn, rad.
CROWDED, NARROWEST = 0.25, 0.1


def ring_polar(curve: RingCurve, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """A ring with its heads to scale, the error of one head and of all as exaggerated radius."""
    if ax is not None:
        return draw(canvas.axes(ax, style), curve, style)
    title = ring_title(curve)
    text = f"Drawing of a ring and {heads_words(len(curve.heads))} to scale, angle error as enlarged radius. {title}."
    side = style.width - 10.0 if style.phone else 110.0
    margin = (style.width - side) / 2.0
    drawn = _magnified(curve)
    note = "Ring and heads to scale" + (
        f"; error at the rim drawn outward, {drawn} too large." if drawn else "."
    )
    sheet = canvas.Sheet(style, canvas.Words(title, f"{note} {ring_note(curve)}", text), side + 3.5)
    return draw(sheet.panel(1.0, side, left=margin, right=margin), curve, style)


def draw(ax: Axes, curve: RingCurve, style: Style) -> Axes:
    """The drawing in square axes without ticks; one is the radius of the graduation."""
    ax.set_axis_off()
    ax.set(xlim=(-FRAME, FRAME), ylim=(-FRAME, FRAME), aspect="equal")
    ring, turn = curve.ring, np.linspace(0.0, 2.0 * np.pi, 361)
    bore = ring.bore / ring.diameter if ring.bore is not None else BORE
    ax.plot(np.cos(turn), np.sin(turn), color=style.colour("ideal"), linewidth=3.0, zorder=2)
    ax.plot(bore * np.cos(turn), bore * np.sin(turn), color=style.colour("ideal"), linewidth=1.4, zorder=2)
    _errors(ax, curve, style)
    _heads(ax, curve.heads, style)
    _words(ax, curve, min(bore, BORE) if bore > 0.45 else None, style)
    return ax


def _errors(ax: Axes, curve: RingCurve, style: Style) -> None:
    """The errors round the ring, and their scale bar."""
    several, largest = len(curve.heads) > 1, _largest(curve)
    if largest == 0.0:
        return
    rows: list[tuple[np.ndarray, str, dict[str, Any]]] = [(curve.error, "ink", {})]
    if several:
        rows.insert(0, (curve.alone, "cyclic", {"linestyle": (0, (5, 1.6))}))
    for values, role, changes in rows:
        degrees, size = closed(curve.angle, values, largest / LARGEST)
        place, radius = np.radians(degrees), 1.0 + size
        ax.plot(radius * np.cos(place), radius * np.sin(place), **style.line(role, **changes), zorder=4)
    bar = _round_size(largest)
    long, name, unit = bar / largest * LARGEST, *unit_of(bar)
    low = -FRAME + 0.06
    ax.plot([FRAME - 0.02 - long, FRAME - 0.02], [low, low], color=style.colour("muted"), linewidth=2.6,
            solid_capstyle="butt")  # fmt: skip
    text = with_unit(digits(bar / unit, 2, strip=True), name)
    ax.text(FRAME - 0.07 - long, low, text, ha="right", va="center_baseline", **style.text("muted"))


def _largest(curve: RingCurve) -> float:
    return float(max(np.abs(curve.error).max(), np.abs(curve.alone).max()))


def _magnified(curve: RingCurve) -> str:
    """How much larger than at the rim the error is drawn, as in ``3700×``; nothing where there is no error."""
    largest = _largest(curve)
    return f"{digits(LARGEST / largest, 2)}×" if largest else ""


def _round_size(largest: float) -> float:
    """1, 2 or 5 times a power of ten (in the unit shown), at most the largest error."""
    unit = unit_of(largest)[1]
    power = 10.0 ** math.floor(math.log10(largest / unit))
    return max(
        step * power * unit for step in (1.0, 2.0, 5.0) if step * power * unit <= largest * (1.0 + 1e-9)
    )


def _heads(ax: Axes, places: np.ndarray, style: Style) -> None:
    """Heads as boxes across the rim, numbered."""
    turned = np.sort(np.mod(places, 2.0 * np.pi))
    closest = np.diff(np.append(turned, turned[0] + 2.0 * np.pi)).min()
    tall = min(HEAD[1], max(0.9 * closest, NARROWEST))
    numbered: list[float] = []
    for number, at in enumerate(places, 1):
        outward, along = np.array([np.cos(at), np.sin(at)]), np.array([-np.sin(at), np.cos(at)])
        corners = [(1.0 + 0.08 + a * HEAD[0] / 2.0) * outward + b * tall / 2.0 * along
                   for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]  # fmt: skip
        first = number == 1 and len(places) > 1
        ax.fill(*np.transpose(corners), facecolor=style.colour("soft" if first else "grid"), linewidth=1.6,
                edgecolor=style.colour("cyclic" if first else "ink"), zorder=6)  # fmt: skip
        if all(abs(np.angle(np.exp(1j * (at - other)))) > CROWDED for other in numbered):
            numbered.append(at)
            x, y = 1.08 * outward
            ax.text(x, y, str(number), ha="center", va="center_baseline", zorder=7, **style.text(bold=True))


def _words(ax: Axes, curve: RingCurve, bore: float | None, style: Style) -> None:
    """Angles inside the ring, the axis of rotation, the diameter."""
    ax.plot(0.0, 0.0, "+", color=style.colour("muted"), markersize=8.0, markeredgewidth=1.6)
    ax.text(0.0, -0.2, quantity(curve.ring.diameter, "m", strip=True), ha="center", va="center_baseline",
            **style.text("muted"))  # fmt: skip
    if bore is None:
        return
    for degrees in (0, 90, 180, 270):
        far = bore - (0.16 if degrees % 180 else 0.2)
        place = far * np.cos(np.radians(degrees)), far * np.sin(np.radians(degrees))
        ax.text(*place, f"{degrees}°", ha="center", va="center_baseline", **style.text("muted"))


# Largest number of orders in a panel; highest order on an even axis: with higher orders, bars stand side by side.
MOST, EVEN = {"a4": 12, "phone": 9}, {"a4": 12, "phone": 9}
DRAWING = {"a4": "Ring and heads to scale", "phone": "To scale"}
WIDE = 0.72
# mm for the names of the orders side by side.
ROOM = 64.0
# Largest cost of a place beside a bar without a leader.
CLOSE = 8.0


def ring(curve: RingCurve, ax: Axes | None = None, *, style: Style = canvas.PRINT) -> Axes:
    """Angle error of a ring over a turn with one head and with all heads, drawing of the ring, orders of the error."""
    if ax is not None:
        return into(ax, style, _error(curve, style, labels_of(ax)[1]))
    title = ring_title(curve)
    words = canvas.Words(title, ring_note(curve), ring_text(curve, title))
    sheet = stack(style, words, [_error(curve, style)], room=101.0 if style.phone else 68.0)
    tall, low = (46.0, 25.0) if style.phone else (59.0, 48.0)
    head = DRAWING[style.page] + (f"; error {_magnified(curve)}" if _largest(curve) else "")
    view = StackPanel(head, "", tall, None, None, lambda ax: draw(ax, curve, style))
    if style.phone:
        place(sheet, view, 65.0, left=22.0, right=22.0)
        place(sheet, _orders(curve, style, low), 121.0)
    else:
        place(sheet, view, 65.0, left=8.0, right=92.0)
        place(sheet, _orders(curve, style, low), 65.0, left=98.0, head_left=88.0)
    return sheet.panels[0]


def _error(curve: RingCurve, style: Style, label: str = "") -> StackPanel:
    """Errors of one head and of all over a turn; axes that were drawn into keep their unit."""
    count = len(curve.heads)
    left = curve.error if _left(curve) else np.zeros_like(curve.error)
    words = f"{heads_words(count)}, ±{angle(half_range(left))}"
    rows: list[TurnRow] = [(curve.angle, left, "ink", words, {})]
    if count > 1:
        alone = f"one head, ±{angle(half_range(curve.alone))}"
        thin = {"linestyle": (0, (5, 1.6)), "linewidth": 1.8}
        rows.insert(0, (curve.angle, curve.alone, "cyclic", alone, thin))
    panel = turn_panel("Error", rows, unit_of(_largest(curve), label), style, height=38.0)
    if _largest(curve):
        return panel
    return replace(panel, draw=lambda ax: _draw_nothing(ax, panel, style))


def _draw_nothing(ax: Axes, panel: StackPanel, style: Style) -> None:
    """The panel of a ring without error, which says so."""
    panel.draw(ax)
    labels = Labels(ax, style)
    labels.put("no error", labels.size * (0.5, 0.65), "muted", bold=False)


def _shown(curve: RingCurve, style: Style) -> dict[int, tuple[RingOrder, float, float]]:
    """Orders to draw: {order: (causes, amplitude with one head, amplitude with all heads)}."""
    left = {line.order: line.amplitude for line in curve.orders}
    alone = {line.order: line for line in curve.alone_orders}
    size = {order: max(left.get(order, 0.0), alone[order].amplitude if order in alone else 0.0)
            for order in {*left, *alone}}  # fmt: skip
    most = max(size.values(), default=0.0)
    ranked = sorted(size, key=lambda order: (-size[order], order))[: MOST[style.page]]
    while len(ranked) > 1 and len(ranked) * (width(str(max(ranked))) + 1.4) > ROOM:
        ranked.pop()
    every = {line.order: line for line in (*curve.orders, *curve.alone_orders)}
    return {n: (every[n], alone[n].amplitude if n in alone else 0.0, left.get(n, 0.0))
            for n in sorted(ranked) if size[n] >= SHOWN * most}  # fmt: skip


def _orders(curve: RingCurve, style: Style, height: float) -> StackPanel:
    """A bar for each order with one head, filled by its cause; with several heads thick bars of their error."""
    shown, (name, unit) = _shown(curve, style), unit_of(_largest(curve))
    highest = max(shown, default=1)
    even = highest <= EVEN[style.page]
    places = {order: float(order if even else place) for place, order in enumerate(shown, 1)}
    last = max(highest if even else len(shown), 6)
    ticks = range(1, last + 1) if even else places
    top = max([max(alone, left) for _, alone, left in shown.values()], default=0.0) / unit or 1.0
    return StackPanel(
        f"Amplitude ({name})",
        "Order (per revolution)",
        height,
        Span(
            0.3,
            last + 0.7,
            ticks={places.get(order, float(order)): str(order) for order in ticks},
            grid=False,
        ),
        Span(0.0, 1.28 * top, most=5),
        lambda ax: _draw_orders(ax, curve, shown, places, unit, style),
    )


def _draw_orders(
    ax: Axes,
    curve: RingCurve,
    shown: dict[int, tuple[RingOrder, float, float]],
    places: dict[int, float],
    unit: float,
    style: Style,
) -> None:
    """Bars with one head, thick bars with several heads, and their names."""
    labels = Labels(ax, style)
    for order, (line, alone, _) in shown.items():
        _bar(ax, labels, places[order], alone / unit, line, style)
    if len(curve.heads) > 1:
        for order, (_, _, left) in shown.items():
            ends = [places[order] - 0.44, places[order] + 0.44]
            ax.plot(ends, [left / unit] * 2, color=style.colour("ink"), linewidth=4.0, solid_capstyle="butt",
                    zorder=5, clip_on=False)  # fmt: skip
            labels.avoid(np.linspace(ends[0], ends[1], 20), np.full(20, left / unit))
    if len(curve.heads) > 1 and shown:
        _explain(labels, len(curve.heads))
    _name_bars(labels, places, shown, unit)


def _bar(ax: Axes, labels: Labels, place: float, height: float, line: RingOrder, style: Style) -> None:
    role, hatch = CAUSES[main_cause(line)][:2]
    colour = style.colour(role)
    fill: dict[str, Any] = (
        {"facecolor": style.colour("paper"), "hatch": hatch} if hatch else {"facecolor": colour}
    )
    ax.bar(place, height, WIDE, edgecolor=colour, linewidth=1.2, zorder=3, **fill)
    low, high = labels.place([place - WIDE / 2.0, place + WIDE / 2.0], [0.0, height])
    labels.block(low[0], low[1], high[0], high[1])


def _name_bars(
    labels: Labels, places: dict[int, float], shown: dict[int, tuple[RingOrder, float, float]], unit: float
) -> None:
    """The name of each cause at its tallest bar with room for it."""
    bars: dict[str, list[tuple[float, int, str]]] = {}
    for order, (line, alone, left) in shown.items():
        words = bar_words(line)
        bars.setdefault(words.partition(",")[0], []).append((max(alone, left), order, words))
    for first, every in sorted(bars.items(), key=lambda item: -max(item[1])[0]):
        every.sort(reverse=True)
        role = CAUSES[main_cause(shown[every[0][1]][0])][0]
        for size, order, words in every:
            if labels.at([words, first], places[order], size / unit, role, clear=0.9, most=CLOSE):
                break
        else:
            size, order, _ = every[0]
            labels.at([first], places[order], size / unit, role, clear=0.9)


def _explain(labels: Labels, count: int) -> None:
    """Meaning of a thick bar, at the first free place along the top."""
    text = f"thick bar: what\n{heads_words(count)} leave"
    half = labels.half(text, False, 9.0)
    for x in np.linspace(1.0, 0.0, 6):
        centre = half + (labels.size - 2.0 * half) * np.array([x, 1.0]) - [0.0, 0.6]
        if not labels.hidden(centre[None], half)[0]:
            labels.block(*(centre - half), *(centre + half))
            labels.put(text, centre, "ink", bold=False)
            return
