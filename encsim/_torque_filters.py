"""Filters of the torque command: notches and a low-pass, bilinear, pre-warped at their own frequency."""

import math
from dataclasses import dataclass

import numpy as np

# A notch that follows the speed rests below and above these shares of the loop rate.
SLOWEST = 1e-4
FASTEST = 0.49


@dataclass(frozen=True, slots=True)
class Section:
    """One filter: a ratio of polynomials in the normalised Laplace variable, frequency as share of the rate.

    Attributes
    ----------
    turns : float or ndarray
        Frequency at which the bilinear transform is exact, over the loop rate; of many speeds in column shape.
    above, below : tuple of float
        Numerator and denominator in s/w_0, highest power first, of one length.
    """

    turns: float
    above: tuple[float, ...]
    below: tuple[float, ...]

    def response(self, turns):
        """Complex gain at frequencies given as shares of the loop rate."""
        laplace = 1j * np.tan(np.pi * turns) / np.tan(np.pi * self.turns)
        return np.polyval(self.above, laplace) / np.polyval(self.below, laplace)

    def denominator(self, back):
        """Denominator of :meth:`coefficients` at values of z**-1."""
        warp, last = np.tan(np.pi * self.turns), len(self.below) - 1
        ends = (1.0 - back, warp * (1.0 + back)), (1.0, warp)
        found, first = (
            sum(factor * ahead ** (last - k) * behind**k for k, factor in enumerate(self.below))
            for ahead, behind in ends
        )
        return found / first

    def coefficients(self):
        """Numerator and denominator in z**-1, the latter beginning with 1."""
        warp = math.tan(math.pi * self.turns)
        above, below = (_bilinear(poly, warp) for poly in (self.above, self.below))
        return above / below[0], below / below[0]


def sections(control, rate, *, speed=0.0, pitch=1.0):
    """Filters of a controller at a loop rate, in their order.

    Parameters
    ----------
    control : Control
    rate : float
        Loop rate fs, Hz.
    speed, pitch : float
        Speed and signal period; notches with an order follow them.

    Returns
    -------
    tuple of Section
        A notch that follows the speed is left out where its folded frequency is below 1e-4 or above 0.49
        of the loop rate.
    """
    found = []
    for notch in control.notch:
        turns = notch.frequency / rate if notch.order is None else _followed(notch.order, speed, pitch, rate)
        if notch.order is None or SLOWEST <= turns <= FASTEST:
            width = 2.0 * notch.damping
            found.append(Section(turns, (1.0, width * notch.depth, 1.0), (1.0, width, 1.0)))
    if control.lowpass is not None:
        found.append(Section(control.lowpass / rate, (0.0, 1.0), (1.0, 1.0)))
    return tuple(found)


def _followed(order, speed, pitch, rate):
    """Folded frequency of an order, share of the loop rate."""
    turns = order * abs(speed) / (pitch * rate)
    return abs(turns - round(turns))


def _bilinear(poly, warp):
    """Polynomial in z**-1 of one in s/w_0, s/w_0 = (1 - z**-1)/(warp (1 + z**-1)), times (warp (1 + z**-1))**n."""
    n = len(poly) - 1
    total = np.zeros(1)
    for power, factor in zip(range(n, -1, -1), poly, strict=True):
        term = np.array([factor * warp ** (n - power)])
        for _ in range(power):
            term = np.convolve(term, [1.0, -1.0])
        for _ in range(n - power):
            term = np.convolve(term, [1.0, 1.0])
        total = term + total
    return total
