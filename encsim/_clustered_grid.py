"""Frequencies at which the loops of many speeds are evaluated together, dense wherever a loop may be narrow.

Frequencies are in turns, cycles a loop period. They lie evenly over a smooth scale, which makes of plain sums over
them integrals that are as good as exact for all that is not narrower than their distance.
"""

from functools import lru_cache

import numpy as np

from . import loop as loops
from . import winding
from .edge_loops import square

# Points of a cell.
IN_CELL = 4
# Points a factor e of frequency, points at least over the half turn, and points a turn of phase of the longest delay.
PER_E = 40.0
EVEN = 240.0
PER_DELAY = 10.0
# Points a half width of a pole that is narrower than this share of its frequency; none is taken narrower than the last.
PER_WIDTH = 1.5
NARROW = 0.15
NARROWEST = 1e-5
# Below this share of the slowest pole, or of the lowest notch, points lie evenly.
BEGINNING = 0.5
# More states than this are left to loops one by one.
LONGEST = 400
# A pole is taken as slow below the one, turns, and as free below the other.
SLOW, FREE = 1e-2, 1e-12
# Tables: exact at nodes that are even over the root of the frequency, straight lines between them.
NODES = 1 << 12
BETWEEN = 8


class Grid:
    """Midpoints of a scale that is even where the loop is smooth.

    Attributes
    ----------
    turns, weight : ndarray, shape (n,)
        Frequencies from 0 to 1/2 and the part of the half turn that each stands for.
    edges : ndarray, shape (cells + 1,)
        From 0 to 1/2, every ``IN_CELL`` points.
    """

    def __init__(self, poles, lowest, delay):
        place = np.abs(np.angle(1.0 + poles)) / (2.0 * np.pi)
        width = np.maximum(np.abs(np.abs(1.0 + poles) - 1.0) / (2.0 * np.pi), NARROWEST * place)
        kept = (place > lowest) & (place < 0.5) & (width < NARROW * place)
        self.place, self.width, self.lowest = place[kept], width[kept], lowest
        self.even = max(EVEN, 0.5 * PER_DELAY * delay)
        self._lay_out()

    def _scale(self, turns):
        from_poles = np.arcsinh(np.subtract.outer(turns, self.place) / self.width).sum(axis=-1)
        return PER_E * np.log(turns + self.lowest) + 2.0 * self.even * turns + PER_WIDTH * from_poles

    def _density(self, turns):
        from_poles = 1.0 / np.hypot(np.subtract.outer(turns, self.place), self.width)
        return PER_E / (turns + self.lowest) + 2.0 * self.even + PER_WIDTH * from_poles.sum(axis=-1)

    def _lay_out(self):
        offsets = np.outer(self.width, np.sinh(np.linspace(-8.0, 8.0, 41)))
        known = [
            np.zeros(1),
            np.geomspace(0.01 * self.lowest, 0.5, 2000),
            (self.place[:, None] + offsets).ravel(),
        ]
        known = np.unique(np.concatenate(known))
        known = known[(known >= 0.0) & (known <= 0.5)]
        scale = self._scale(known)
        number = IN_CELL * int(np.ceil((scale[-1] - scale[0]) / IN_CELL))
        step = (scale[-1] - scale[0]) / number
        wanted = scale[0] + step * np.concatenate(
            [np.arange(number) + 0.5, np.arange(0, number + 1, IN_CELL)]
        )
        found = np.interp(wanted, scale, known)
        for _ in range(3):
            found = np.clip(found + (wanted - self._scale(found)) / self._density(found), 0.0, 0.5)
        self.turns, self.edges = found[:number], found[number:]
        self.edges[0], self.edges[-1] = 0.0, 0.5
        self.weight = step / self._density(self.turns)


class Terms:
    """A loop without the notches that follow, at some frequencies.

    Attributes
    ----------
    base, forward : ndarray of complex, shape of the frequencies
        Loop gain as forward over base, both over one real number, so that neither is large.
    squares : ndarray, shape (..., curves)
        Squared numerators over the square of that number; the first is of the curve that no notch is in front of.
    """

    def __init__(self, loop, turns):
        parts = loop.parts(turns * loop.rate)
        estimate = loop.estimator.response(parts.turns * loop.rate, loop.rate)
        command = loop.control.position_gain + estimate
        forward = command * parts.forward
        size = np.sqrt(square(parts.base) + square(forward))
        self.base, self.forward = parts.base / size, forward / size
        numerators = [estimate * self.base, *[command * part / size for part in parts.acted], self.forward]
        self.squares = np.stack([square(part) for part in numerators], axis=-1)


class Common:
    """The loop without the notches that follow, on the grid and in tables.

    Attributes
    ----------
    loop : Loop
    grid : Grid
    terms : Terms
        On the grid.
    turned : ndarray of complex, shape (n,)
        See `turned`, on the grid.
    base, forward : ndarray of complex, shape (rows,)
    squares : ndarray, shape (curves, rows)
        Tables of the terms.
    cell_of : ndarray of int, shape (rows,)
        Cell of the grid in which a row lies.
    """

    def __init__(self, loop, poles, lowest):
        self.loop = loop
        self.grid = Grid(poles, lowest, loop.plant.transfer.reading_delay + loop.memory)
        self.terms = Terms(loop, self.grid.turns)
        self.turned = turned(loop, self.grid.turns, self.terms)
        nodes = 0.5 * (np.arange(NODES + 1) / NODES) ** 2
        nodes[0] = 1e-3 * nodes[1]
        known = Terms(loop, nodes)
        self.base, self.forward, self.squares = map(_between, (known.base, known.forward, known.squares))
        middles = 0.5 * ((np.arange(NODES * BETWEEN) + 0.5) / (NODES * BETWEEN)) ** 2
        self.cell_of = np.searchsorted(self.grid.edges[1:-1], middles)

    def rows(self, turns):
        """Rows of the tables at frequencies 0 to 1/2."""
        rows = np.sqrt(turns * (2.0 * (NODES * BETWEEN) ** 2)).astype(np.int32)
        return np.minimum(rows, NODES * BETWEEN - 1)


def turned(loop, turns, terms):
    """Phase from the base of a loop to the denominator of its open loop, as polynomial in z**-1.

    Parameters
    ----------
    loop : Loop
    turns : ndarray
    terms : Terms
        There.

    Returns
    -------
    ndarray of complex
        Numbers of size 1.
    """
    found = winding.open_polynomial(loop, turns * loop.rate) / terms.base
    return found / np.abs(found)


@lru_cache(maxsize=4)
def common(axis, slowest):
    """What the loops of an axis have in common.

    Parameters
    ----------
    axis : Axis
        Without friction that falls with the speed.
    slowest : float
        Lowest frequency at which a notch that follows changes anything, turns.

    Returns
    -------
    Common or None
        None where the loop has too many states.
    """
    # at rest no notch that follows is in reach
    loop = loops.build(axis, 0.0)
    closed = loop.closed(LONGEST)
    if closed is None:
        return None
    poles = closed.poles()
    with np.errstate(divide="ignore", invalid="ignore"):
        slow = np.abs(np.log(1.0 + poles)) / (2.0 * np.pi)
    lowest = BEGINNING * min(slowest, float(slow[slow > FREE].min(initial=SLOW)))
    return Common(loop, np.concatenate([poles, np.roots(loop.plant.transfer.denominator)]), lowest)


def _between(known):
    """Rows at the middles of ``BETWEEN`` parts between each two."""
    share = ((np.arange(BETWEEN) + 0.5) / BETWEEN).reshape(-1, *[1] * (known.ndim - 1))
    found = known[:-1, None] + share * (known[1:, None] - known[:-1, None])
    return np.ascontiguousarray(found.reshape(-1, *known.shape[1:]).T)
