"""Error of the velocity that timed edges give at one speed, as a loop sees it: folded lines, and noise between them.

The same causes as in ``smoothness``, in the plainest form that a search for gains can weigh: what an edge, held until
the next, makes beside a line is taken as white, and the ticks of the timing clock as noise of each edge.
"""

import numpy as np

from . import engines
from ._folded_errors import shared, widths
from .error_lines import ErrorLines
from .ring_lines import turn_lines


class EdgeErrors:
    """Mean squares of the velocity error at one speed, m2/s2 or rad2/s2.

    Parameters
    ----------
    axis : Axis
        Its estimator one that times edges.
    speed : float
        From one count a second on.
    edges : EdgeFilter
        Of that speed.

    Attributes
    ----------
    turns, power : ndarray, shape (n,)
        Lines: frequency over the loop rate, folded to 0 to 1/2, and mean square.
    white : float
        Mean square of what is spread evenly over all frequencies.
    edge : float
        Mean square of the position error that is new at each edge, m2 or rad2.
    """

    def __init__(self, axis, speed, edges):
        errors = ErrorLines(axis, engines.engine(axis), np.array([float(speed)]))
        self._edges, self._rate = edges, axis.sampling.rate
        pace = speed / (axis.scale.pitch * self._rate)
        mounted, _, made = turn_lines(axis)
        turns = pace * np.concatenate([errors.orders, mounted]).astype(float)
        size = (
            0.5 * np.abs(np.concatenate([errors.made[0], made])) ** 2 * (axis.scale.pitch * self._rate) ** 2
        )
        mean, square = edges.line_gain(turns)
        held = np.abs(mean) ** 2
        self.turns, self.power = np.abs(turns - np.rint(turns)), size * held
        self.white = float((size * (square - held)).sum())
        tick = pace * self._rate / axis.estimator.clock
        noise = sum(float(part[0]) for cause, part in errors.spread.items() if cause != "clock")
        self.edge = (noise + float(errors.converter[0]) + tick**2 / 12.0) * axis.scale.pitch**2

    def on_grid(self, turns):
        """Weights by which a squared gain at some frequencies adds up to a mean square.

        Parameters
        ----------
        turns : ndarray, shape (n,)
            Ascending, over the loop rate, from near 0 to 1/2.

        Returns
        -------
        ndarray, shape (n,)
        """
        density = self.white + self.edge * self._rate**2 * self._edges.noise_spectrum(turns)
        return widths(turns) * density + shared(turns, self.turns, self.power)
