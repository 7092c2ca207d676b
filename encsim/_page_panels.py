"""Paths and ticks of the slider's panels, in units that the page stretches."""

import itertools
import math

import numpy as np

from . import _plot
from ._page_svg import tenths
from ._plot_numbers import axis_unit

SAMPLES = 16
START = 0.9
WIDE, HIGH = 1000.0, 100.0
# Height of a panel that a wave of full size fills.
FILLED = 0.86
# A quarter of a sine as one Bezier curve: the handles that leave an error below 3e-4 of the amplitude.
HANDLES = ((0.512286623256592433, 0.512286623256592433), (1.002313685767898599, 1.0))


def along(sample):
    """Abscissa of a sample, in the middle of its share of the panel."""
    return WIDE * (sample + 0.5) / SAMPLES


def up(height):
    """Ordinate of a height from -1 to 1."""
    return HIGH / 2.0 * (1.0 - FILLED * height)


def sine_path(turns, size):
    """A sine of so many turns a sample over the panel as Bezier curves, a quarter of a wave each.

    Parameters
    ----------
    turns : float
        Cycles a sample, negative for a wave that runs backwards.
    size : float
        Amplitude, of the panel's.

    Returns
    -------
    str
    """
    first, last = -0.5, SAMPLES - 0.5
    if not turns or not size:
        level = tenths(up(size * math.sin(START)))
        return f"M0 {level}H1000"
    phases = [turns * place + START / (2.0 * math.pi) for place in (first, last)]
    low, high = (math.floor(4.0 * min(phases)), math.ceil(4.0 * max(phases)))
    quarters = np.arange(low, high + 1) / 4.0
    points = [(turns, quarter, size) for quarter in (quarters if turns > 0.0 else quarters[::-1])]
    text = "M" + _place(*points[0])
    for before, after in itertools.pairwise(points):
        text += _quarter(before, after)
    return text


def _place(turns, phase, size, height=None):
    """Coordinates of a phase of the wave; ``height`` in place of its own, of the amplitude."""
    sample = (phase - START / (2.0 * math.pi)) / turns
    height = math.sin(2.0 * math.pi * phase) if height is None else height
    return f"{tenths(along(sample))} {tenths(up(size * height))}"


def _quarter(before, after):
    """One quarter of a wave as a curve, from a zero to a crest or back."""
    turns, start, size = before
    end = after[1]
    first, last = (math.sin(2.0 * math.pi * phase) for phase in (start, end))
    rising = abs(first) < 0.5
    crest = last if rising else first
    handles = [(share * 2.0 / math.pi, height * crest) for share, height in HANDLES]
    if not rising:
        handles = [(1.0 - share, height) for share, height in reversed(handles)]
    controls = [_place(turns, start + share * (end - start), size, height) for share, height in handles]
    return f"C{controls[0]} {controls[1]} {_place(*after)}"


def path(x, y):
    """Straight lines through points."""
    return "M" + "L".join(f"{tenths(a)} {tenths(b)}" for a, b in zip(x.tolist(), y.tolist(), strict=True))


def ticks(length, unit, before=0.0):
    """Round ticks of an axis of this length that begins so much before 0."""
    from matplotlib.ticker import MaxNLocator

    size = axis_unit(length, unit)[1]
    end = (length - before) / size * 1.001
    values = MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(0.0, end)
    values = [float(value) for value in values if 0.0 <= value <= end]
    names = _plot.PlainNumbers().format_ticks(values)
    places = [round(100.0 * (value * size + before) / length, 2) for value in values]
    return tuple(zip(places, names, strict=True))


def about_zero(largest, unit):
    """A round tick above and below zero, and zero; shares of the panel from its top."""
    if not largest:
        return ((50.0, "0"),)
    size = axis_unit(largest, unit)[1]
    step = 10.0 ** math.floor(math.log10(largest / size))
    value = max(step * factor for factor in (1.0, 2.0, 5.0) if step * factor <= largest / size * 1.0001)
    names = _plot.PlainNumbers().format_ticks([value, 0.0, -value])
    reach = 50.0 * FILLED * value * size / largest
    return tuple(
        (round(50.0 + place * reach, 2), name) for place, name in zip((-1, 0, 1), names, strict=True)
    )
