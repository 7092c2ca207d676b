"""Unstable poles of a loop counted from its frequency response, without computing any."""

import numpy as np

from . import plant
from .edge_filter import EdgeFilter


def encirclements(loop, frequency, gain):
    """Number of closed-loop poles outside the unit circle, from the frequency response alone.

    Parameters
    ----------
    loop : Loop
    frequency : ndarray
        Ascending, Hz, from near 0 to half the loop rate, fine enough that the phase turns less than half a
        turn between neighbours.
    gain : ndarray of complex
        Loop gain there.

    Returns
    -------
    int

    Notes
    -----
    1 + L times the open loop's denominator, as polynomial in z**-1 beginning with 1, turns once round zero for
    each pole that is not inside (principle of the argument); real at both ends, so half a circle is enough.
    """
    return int(unstable_poles(open_polynomial(loop, frequency) * (1.0 + gain)))


def open_polynomial(loop, frequency):
    """Denominator of the open loop as polynomial in z**-1 beginning with 1.

    Parameters
    ----------
    loop : Loop
    frequency : ndarray
        Frequencies, Hz.

    Returns
    -------
    ndarray of complex
    """
    turns = frequency / loop.rate
    delta = plant.difference(turns)
    back = np.exp(-2j * np.pi * turns)
    poly = loop.plant.transfer.denominator
    total = np.polyval(poly, delta) * back ** (len(poly) - 1)
    if loop.control.integral_time is not None:
        total = total * delta * back
    for section in loop.filters:
        total = total * section.denominator(back)
    if not isinstance(loop.estimator, EdgeFilter):
        below = loop.estimator.coefficients(loop.rate)[1]
        total = total * np.polyval(np.asarray(below)[::-1] / below[0], back)
    return total if loop.control.position_gain else total / (delta * back)


def unstable_poles(characteristic):
    """Zeros outside the unit circle of polynomials in z**-1, from their values on it.

    Parameters
    ----------
    characteristic : ndarray of complex, shape (..., n)
        Values from near 0 Hz to half the loop rate along the last axis.

    Returns
    -------
    ndarray of float
        Whole numbers, shape of the leading axes.
    """
    rows = characteristic.reshape(-1, characteristic.shape[-1])
    below = np.signbit(rows.imag)
    row, k = np.nonzero(below[:, 1:] != below[:, :-1])
    before, after, rising = rows[row, k], rows[row, k + 1], below[row, k]
    # of shorter ways from one half plane to the other those that pass left of zero
    left = (before.real * after.imag > before.imag * after.real) != rising
    turned = np.bincount(row, left * np.where(rising, -1.0, 1.0), len(rows))
    ends = np.angle(rows[:, -1]) - np.angle(rows[:, 0])
    return -np.round(ends / np.pi + 2.0 * turned).reshape(characteristic.shape[:-1])
