"""Errors passed through loops that differ from speed to speed in the slope of a friction that falls with the speed.

Each speed stands between two loops that are computed, and its mean squares between theirs.
"""

import numpy as np

from . import followed_power, loop_power
from . import loop as loops
from .loop_power import FEW_BINS, NAMES, Power
from .passed_errors import Passed

# Different loops that are computed one by one.
FEW = 40
# Change of any squared gain, in logarithm, from one computed loop to the next: a straight line between them is off
# by an eighth of its square.
STEP = 0.2
# Bins of the table that are compared.
EVERY = 16


class Between:
    """Errors passed through one loop, as the share that it has of each speed.

    Attributes
    ----------
    there : ndarray of int
        Places of the speeds.
    squares : dict of str to ndarray
    followed, crossover, steep, stable : ndarray
        As of `Passed`, the first three times the share.
    ticked, beside : float
        Nothing, no edges being timed.
    """

    ticked = beside = 0.0

    def __init__(self, errors, power, there, share):
        found = Passed(errors, power, there)
        self.there, self.steep = there, found.steep
        self.squares = {cause: share[:, None] * square for cause, square in found.squares.items()}
        self.followed, self.crossover = share[:, None] * found.followed, share * found.crossover
        self.stable = np.full(there.size, found.stable)


def passages(errors):
    """Errors passed through the loops of their speeds, to be added up.

    Parameters
    ----------
    errors : ErrorLines

    Yields
    ------
    Passed or Between
    """
    axis, speed = errors.axis, errors.speed
    slopes = np.array([axis.load.friction_slope(v) for v in speed.tolist()]) if axis.load.stribeck else speed
    different, first, place = np.unique(slopes, return_index=True, return_inverse=True)
    if loop_power.follows_order(axis) or not axis.load.stribeck:
        for power, there in followed_power.at_speeds(axis, speed):
            yield Passed(errors, power, there)
        return

    def power_of(n):
        return Power(loops.build(axis, float(speed[first[n]])), FEW_BINS)

    if different.size <= FEW:
        for n in range(different.size):
            yield Passed(errors, power_of(n), np.flatnonzero(place == n))
        return
    known = _computed(different, power_of)
    nodes = sorted(known)
    for low, node, high in zip([nodes[0], *nodes[:-1]], nodes, [*nodes[1:], nodes[-1]], strict=True):
        share = np.zeros(different.size)
        for end in {low, high} - {node}:
            between = slice(min(end, node), max(end, node) + 1)
            share[between] = (different[between] - different[end]) / (different[node] - different[end])
        share[node] = 1.0
        there = np.flatnonzero(share[place] > 0.0)
        yield Between(errors, known[node], there, share[place[there]])


def _computed(different, compute):
    """Loops at some of the slopes, {number: Power}, close enough for a straight line between any two."""
    known = {n: compute(n) for n in (0, different.size - 1)}
    open_ends = [(0, different.size - 1)]
    while open_ends:
        low, high = open_ends.pop()
        if high - low < 2 or _apart(known[low], known[high]) <= STEP:
            continue
        middle = int(np.searchsorted(different, 0.5 * (different[low] + different[high])))
        middle = min(max(middle, low + 1), high - 1)
        known[middle] = compute(middle)
        open_ends += [(low, middle), (middle, high)]
    return known


def _apart(one, other):
    """Largest change of a squared gain in logarithm; infinite where one of two loops is unstable."""
    if not (one.stable and other.stable):
        return 0.0 if one.stable == other.stable else np.inf
    rows = np.concatenate([np.arange(EVERY), np.arange(EVERY, one.bins, EVERY)])
    size = [np.vstack([power.table[rows], power.white])[:, : len(NAMES)] for power in (one, other)]
    there = (size[0] > 0.0) & (size[1] > 0.0)
    return float(np.abs(np.log(size[0][there] / size[1][there])).max(initial=0.0))
