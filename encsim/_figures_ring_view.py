"""Drawing of a ring with its heads to scale and the error as exaggerated radius."""

import math

import numpy as np

from . import _plot
from ._figures_ring_words import heads_words, ring_note, ring_title
from ._figures_turn import closed, unit_of
from ._plot_numbers import digits, quantity, with_unit

# In radii of the ring: the error's largest drawn size, the bore drawn where none is known, a head's size, the frame.
LARGEST, BORE, HEAD, FRAME = 0.22, 0.72, (0.17, 0.46), 1.27
# Heads nearer than this to one before, rad, carry no number, and all are drawn as narrow as the closest two need.
CROWDED, NARROWEST = 0.25, 0.1


def ring_polar(curve, ax=None, *, style=_plot.PRINT):
    """A ring with its heads to scale, the error of one head and of all as exaggerated radius.

    Parameters
    ----------
    curve : RingCurve
    ax : Axes, optional
    style : Style

    Returns
    -------
    Axes
    """
    if ax is not None:
        return draw(_plot.axes(ax, style), curve, style)
    title = ring_title(curve)
    size = style.width - 10.0
    side = size if style.phone else 110.0
    sheet = _plot.Sheet(style, title, ring_note(curve), side + 2.0)
    margin = (style.width - side) / 2.0
    main = sheet.panel(1.0, side, left=margin, right=margin)
    draw(main, curve, style)
    text = f"Drawing of a ring and {heads_words(len(curve.heads))} to scale, angle error as enlarged radius. {title}."
    _plot.describe(sheet.figure, title, text)
    return main


def draw(ax, curve, style):
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


def _errors(ax, curve, style):
    """The errors round the ring, and the scale bar that tells their size."""
    several = len(curve.heads) > 1
    largest = max(np.abs(curve.error).max(), np.abs(curve.alone).max() if several else 0.0)
    if largest == 0.0:
        return
    rows = [(curve.alone, "cyclic", {"linestyle": (0, (5, 1.6))})] if several else []
    for values, role, changes in [*rows, (curve.error, "ink", {})]:
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


def _round_size(largest):
    """1, 2 or 5 times a power of ten (in the unit shown), at most the largest error."""
    unit = unit_of(largest)[1]
    power = 10.0 ** math.floor(math.log10(largest / unit))
    return max(
        step * power * unit for step in (1.0, 2.0, 5.0) if step * power * unit <= largest * (1.0 + 1e-9)
    )


def _heads(ax, places, style):
    """Heads as boxes across the rim, numbered."""
    turned = np.sort(np.mod(places, 2.0 * np.pi))
    closest = np.diff(np.append(turned, turned[0] + 2.0 * np.pi)).min()
    tall, numbered = min(HEAD[1], max(0.9 * closest, NARROWEST)), []
    for number, place in enumerate(places, 1):
        outward, along = np.array([np.cos(place), np.sin(place)]), np.array([-np.sin(place), np.cos(place)])
        corners = [(1.0 + 0.08 + a * HEAD[0] / 2.0) * outward + b * tall / 2.0 * along
                   for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]  # fmt: skip
        first = number == 1 and len(places) > 1
        ax.fill(*np.transpose(corners), facecolor=style.colour("soft" if first else "grid"), linewidth=1.6,
                edgecolor=style.colour("cyclic" if first else "ink"), zorder=6)  # fmt: skip
        if all(abs(np.angle(np.exp(1j * (place - other)))) > CROWDED for other in numbered):
            numbered.append(place)
            middle = 1.08 * outward
            ax.text(
                *middle, str(number), ha="center", va="center_baseline", zorder=7, **style.text(bold=True)
            )


def _words(ax, curve, bore, style):
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
