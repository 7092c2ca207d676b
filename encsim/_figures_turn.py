"""Parts of pictures over a turn: the axis of angles, lines with a band, sticks by order."""

import itertools

import numpy as np

from . import _plot
from ._plot_labels import Labels
from ._plot_numbers import axis_unit

DEGREE = np.pi / 180.0
SURE = 1.96
# A line of more points than this many is drawn by the lowest and highest of each stretch.
MOST = 4000
ROOM = 1.3


def angle_axis(ax, style):
    """The horizontal axis: a turn in degrees."""
    step = 90 if style.phone else 60
    ax.set_xticks(range(0, 361, step), [str(tick) for tick in range(0, 361, step)])


def unit_of(largest, label=""):
    """Name and scale of the unit of errors of this size, that of the label where it has one."""
    return axis_unit(largest, "rad", label)


def closed(angle, values, unit):
    """Degrees and values in the unit, the first point repeated after the turn; spikes survive thinning."""
    x = np.append(angle, 2.0 * np.pi) / DEGREE
    y = np.append(values, values[:1]) / unit
    if len(x) <= MOST:
        return x, y
    edges = np.linspace(0, len(x), MOST // 2 + 1).astype(int)
    pairs = [(first + np.argmin(y[first:last]), first + np.argmax(y[first:last]))
             for first, last in itertools.pairwise(edges)]  # fmt: skip
    kept = np.unique(np.concatenate([[0, len(x) - 1], np.sort(np.array(pairs), axis=1).ravel()]))
    return x[kept], y[kept]


def turn_panel(ax, rows, unit, style, *, band=0.0, least=0.0):
    """Lines over a turn with their names, the last of them on a band.

    Parameters
    ----------
    ax : Axes
        Dressed; takes its ranges here.
    rows : sequence of (angle, values, role, name, changes of the line)
    unit : float
        Size of the unit of the values, rad.
    style : Style
    band : float
        Half width of the band, rad; not drawn where it is zero or unknown.
    least : float
        The vertical range reaches at least this far, rad.

    Returns
    -------
    Labels
    """
    wide = band if np.isfinite(band) else 0.0
    lines = [(*closed(angle, values, unit), *rest) for angle, values, *rest in rows]
    size = max([float(np.abs(y).max()) + wide / unit for _, y, *_ in lines] + [least / unit]) or 1.0
    _plot.number_axis(ax.yaxis, most=6)
    _plot.limits(ax, (0.0, 360.0), (-ROOM * size, ROOM * size))
    angle_axis(ax, style)
    ax.axhline(0.0, color=style.colour("muted"), linewidth=0.8, zorder=2)
    labels = Labels(ax, style)
    labels.avoid(np.array([0.0, 360.0]), np.zeros(2))
    if wide:
        x, y = lines[-1][:2]
        ax.fill_between(
            x, y - wide / unit, y + wide / unit, color=style.colour("soft"), linewidth=0.0, zorder=1
        )
    for number, (x, y, role, _, changes) in enumerate(lines):
        ax.plot(x, y, **style.line(role, **changes), zorder=3 + number)
        labels.avoid(x, y, key=number + 0.5)
    for number, (_, y, role, name, _) in enumerate(lines):
        if name and np.any(y):
            labels.beside(name, number + 0.5, role)
    return labels


def sticks(ax, places, heights, style, role, **changes):
    """Thin lines from the axis up to each height, a dot on top."""
    colour = style.colour(role)
    ax.vlines(places, 0.0, heights, color=colour, linewidth=1.4, zorder=3)
    ax.plot(places, heights, **{"linestyle": "none", "marker": "o", "markersize": 3.6, "color": colour,
                                "zorder": 4, **changes})  # fmt: skip
