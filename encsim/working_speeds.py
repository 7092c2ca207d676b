"""Speeds at which a loop of timed edges works: the slower the axis, the older its edges, and the less margin is left.

Loops of many speeds at once, from frequency responses on a grid; what `margins` says of one speed is exact.
"""

from dataclasses import dataclass

import numpy as np

from . import loop as loops
from . import loop_power, winding
from .edge_filter import FIXED_FROM, SLOWEST_EDGES

# Frequencies: a decade, decades, evenly, and about the resonance of two masses.
PER_DECADE, DECADES, EVEN = 120, 7, 400
NEAR_RESONANCE = np.concatenate([1.0 - np.geomspace(0.5, 1e-4, 60), 1.0 + np.geomspace(1e-4, 0.5, 60)])
# Speeds at once, speeds of a first look, and into how many parts, how often, the one that matters is cut.
TOGETHER, FIRST, SECTIONS, ROUNDS = 16, 50, 12, 2
# Speeds of a range among which the worst is looked for: mostly the lowest.
WORST = 24
# A loop should keep this phase margin, deg. Common practice, no source.
LEAST_MARGIN = 30.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Standings:
    """How far loops are from swinging, one a speed.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        m/s or rad/s.
    stable : ndarray of bool
    phase_margin : ndarray
        Distance of the phase from -180 deg where the gain is 1, deg; 180 where it never is, 0 where the loop is not
        stable.
    """

    speed: np.ndarray
    stable: np.ndarray
    phase_margin: np.ndarray


def standings(axis, speeds):
    """Stability and phase margin of an axis at some speeds.

    Parameters
    ----------
    axis : Axis
        With load and control, its estimator one that times edges.
    speeds : array_like, shape (n,)
        From one count a second on, m/s or rad/s.

    Returns
    -------
    Standings
        The margin within some hundredths of a degree of that of `margins`.
    """
    speeds = np.asarray(speeds, dtype=float)
    frequency = _grid(axis.load, axis.sampling.rate)
    alone = 1 if loop_power.follows_speed(axis) else TOGETHER
    found = [_some(axis, speeds[n : n + alone], frequency) for n in range(0, speeds.size, alone)]
    stable, margin = (np.concatenate(part) for part in zip(*found, strict=True))
    return Standings(speed=speeds, stable=stable, phase_margin=margin)


def _some(axis, speeds, frequency):
    loop = loops.over_speeds(axis, speeds[:, None], float(speeds[0]))
    gain = loop.open_gain(frequency)
    stable = winding.unstable_poles(winding.open_polynomial(loop, frequency) * (1.0 + gain)) == 0
    square = gain.real**2 + gain.imag**2
    return stable, np.where(stable, phase_margins(gain, square), 0.0)


def lowest(axis, top, least=None):
    """Lowest speed from which on, up to another, a loop of timed edges is stable or keeps a margin.

    Parameters
    ----------
    axis : Axis
    top : float
        Speed at which it does, from one count a second on, m/s or rad/s.
    least : float, optional
        Phase margin to keep, deg; without it the loop has to be stable alone.

    Returns
    -------
    float
        To about 0.5 %; NaN if it does not at ``top`` itself.
    """
    speeds = np.geomspace(min(SLOWEST_EDGES * axis.resolution, top), top, FIRST)
    place = _last_failing(axis, speeds, least)
    if place == speeds.size - 1:
        return np.nan
    for _ in range(ROUNDS if place >= 0 else 0):
        speeds = np.geomspace(speeds[place], speeds[place + 1], SECTIONS + 2)
        # its ends are known: failing, and not
        place = 1 + _last_failing(axis, speeds[1:-1], least)
    return float(speeds[place + 1])


def stable_part(axis, speeds):
    """Those of some speeds from which on, up to the highest, the loop of an axis is stable.

    Parameters
    ----------
    axis : Axis
    speeds : ndarray, shape (n,)
        Ascending, m/s or rad/s.

    Returns
    -------
    ndarray
        All of them where edges are not timed, or where the loop is not stable at the highest.
    """
    if axis.estimator.linear or speeds[-1] < SLOWEST_EDGES * axis.resolution:
        return speeds
    first = lowest(axis, float(speeds[-1]))
    return speeds if np.isnan(first) else speeds[speeds >= first]


def _last_failing(axis, speeds, least):
    """Place of the highest of some speeds that fails; -1 if none does."""
    found = standings(axis, speeds)
    fails = ~found.stable if least is None else ~(found.stable & (found.phase_margin >= least))
    return int(np.flatnonzero(fails).max(initial=-1))


def worst(axis, low, high, points=WORST):
    """Speed in a range at which the phase margin of a loop of timed edges is least.

    Parameters
    ----------
    axis : Axis
    low, high : float
        m/s or rad/s.
    points : int
        Speeds of the logarithmic grid.

    Returns
    -------
    float
        m/s or rad/s; the lowest at which the loop is not stable where it is not at all of them. At less than one
        count a second edges say nothing: 0 then.
    """
    if low < SLOWEST_EDGES * axis.resolution:
        return 0.0
    speeds = np.geomspace(low, high, points) if low < high else np.array([high])
    # the ends of geomspace are rounded
    speeds[0], speeds[-1] = low, high
    return float(speeds[np.argmin(standings(axis, speeds).phase_margin)])


def oldest(axis, low):
    """Speed of a range at which the edges are oldest, for the margins of a loop.

    Parameters
    ----------
    axis : Axis
    low : float
        Lowest speed of the range, m/s or rad/s.

    Returns
    -------
    float
        0 where positions are sampled.
    """
    return 0.0 if axis.estimator.linear else max(low, SLOWEST_EDGES * axis.resolution)


def believed_from(axis, crossover):
    """Lowest speed at which edges come often enough for a loop of that crossover, Hz, to be linear, m/s or rad/s."""
    return FIXED_FROM * crossover * axis.resolution


def phase_margins(gain, square):
    """Smallest distance of the phase from -180 deg where the gain is 1, per row.

    Parameters
    ----------
    gain : ndarray of complex, shape (n, frequencies)
    square : ndarray, shape (n, frequencies)
        Its squared magnitude.

    Returns
    -------
    ndarray, shape (n,)
        deg; 180 where the gain is nowhere 1.
    """
    above = square > 1.0
    row, column = np.nonzero(above[:, :-1] != above[:, 1:])
    before, after = gain[row, column], gain[row, column + 1]
    # a difference over some samples is blind at multiples of its frequency: there a velocity loop has no gain
    first, second = (np.log(np.maximum(square[row, column + n], 1e-300)) for n in (0, 1))
    angle = np.angle(-before) + first / (first - second) * np.angle(after / np.where(before, before, 1.0))
    found = np.full(len(gain), 180.0)
    np.minimum.at(found, row, np.degrees(np.abs(np.angle(np.exp(1j * angle)))))
    return found


def _grid(load, rate):
    """Frequencies up to half the rate, Hz."""
    half = 0.5 * rate
    parts = [
        np.geomspace(10.0**-DECADES * half, half, DECADES * PER_DECADE),
        np.linspace(0.0, half, EVEN + 1)[1:],
    ]
    if load.flexible:
        parts += [NEAR_RESONANCE * place for place in (load.resonance, load.antiresonance)]
    found = np.unique(np.concatenate(parts))
    return found[(found >= parts[0][0]) & (found <= half)]
