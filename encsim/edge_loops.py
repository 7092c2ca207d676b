"""Loops that differ in the speed at which edges are timed alone: what all have in common, once for all speeds.

The loop is torn open at the estimator. Its other parts stand at each frequency as a few numbers, and on the whole
circle each speed's gain of the edges is a sum of few waves, so that many speeds are one product of matrices.
"""

from dataclasses import dataclass

import numpy as np

from . import winding
from .edge_filter import HeldSums

# Points of frequency: a decade, evenly, and about the resonance of two masses.
PER_DECADE = 80
DECADES = 6
EVEN = 256
NEAR_RESONANCE = np.linspace(0.7, 1.3, 241)
# Speeds at a time, halved while the ages of their edges end in more than so many samples.
TOGETHER = 32
FEWEST = 8
ENDS = 12


@dataclass(frozen=True, eq=False, slots=True)
class Passage:
    """What two errors that come in phase make of the curves, one error read as position, the other as velocity.

    Attributes
    ----------
    measured : ndarray of complex, shape (speeds, n)
        Gain to the velocity estimate.
    share : ndarray of complex, shape (speeds, n)
        Torque that is asked for, over the common denominator of the loop.
    acted : tuple of ndarray of complex
        Minus torque, velocity and position of the load, for a share of 1.
    """

    measured: np.ndarray
    share: np.ndarray
    acted: tuple

    @property
    def position(self):
        """Gain to the position of the load."""
        return -self.share * self.acted[-1]

    def squares(self):
        """Squared gains, of shape (curves, speeds, n)."""
        share = square(self.share)
        return np.stack([square(self.measured), *(share * square(part) for part in self.acted)])


def summed(squares, power):
    """Mean squares of the curves, shape (speeds, curves), of lines of some power, shape (speeds, n)."""
    return np.einsum("csk,sk->sc", squares, power)


def square(gain):
    """Squared absolute value."""
    return gain.real**2 + gain.imag**2


def passage(loop, turns, position, velocity):
    """What lines make of the curves of a loop with timed edges.

    Parameters
    ----------
    loop : Loop
        Its estimator an `EdgeFilter` of speeds in column shape.
    turns : ndarray, shape (speeds, n)
        Frequencies over the loop rate, not folded.
    position, velocity : float or ndarray
        The line's amplitude as the position control reads it, and in the velocity.

    Returns
    -------
    Passage
    """
    parts, command = loop.parts(turns * loop.rate), loop.control.position_gain
    seen = loop.rate * loop.estimator.gain(parts.turns) * parts.forward
    below = parts.base + command * parts.forward
    total = below + seen
    return Passage(
        (velocity * below - position * command * seen) / total,
        (position * command + velocity) / total,
        parts.acted,
    )


@dataclass(frozen=True, eq=False, slots=True)
class Means:
    """What the whole circle tells of the loops of some speeds.

    Attributes
    ----------
    stable : ndarray of bool, shape (speeds,)
    crossover : ndarray, shape (speeds,)
        Highest frequency at which the loop gain is 1, Hz; NaN if there is none.
    white, held_white : ndarray, shape (speeds, curves)
        Mean squares for white noise of mean square 1 in the position that the position control reads, and in the
        velocity.
    edge_noise : ndarray, shape (speeds, curves)
        For noise of mean square 1 that is new at each edge.
    """

    stable: np.ndarray
    crossover: np.ndarray
    white: np.ndarray
    held_white: np.ndarray
    edge_noise: np.ndarray


class Circle:
    """A loop at all frequencies, torn open at its timed edges.

    Parameters
    ----------
    load : Load
    loop : Loop
        Whatever its estimator.
    """

    def __init__(self, load, loop):
        self.rate, self.command = loop.rate, loop.control.position_gain
        turns = grid(load, loop.rate)
        self.frequency = turns * loop.rate
        parts = loop.parts(self.frequency)
        self.open = winding.open_polynomial(loop, self.frequency)
        scale = self.open / parts.base
        below = parts.base + self.command * parts.forward
        # the characteristic polynomial is the first and the second times the gain of the edges
        self.fixed, self.times = scale * below, scale * parts.forward * self.rate
        self.weight = widths(turns)
        passed = square(scale) * np.stack([square(part) for part in (below, *parts.acted)])
        self.passed = (passed * self.weight).T
        self.sums = HeldSums(turns)

    def means(self, edges):
        """Stability, crossover and mean gains of some speeds.

        Parameters
        ----------
        edges : EdgeFilter
            Of speeds in column shape; those with ages alike side by side are quickest.

        Returns
        -------
        Means
        """
        ages, *weights = (part[..., 0] for part in edges.ends())
        held, shared = (np.where(edges.blind[:, 0], 0.0, part) for part in weights)
        parts = [self._some(ages[:, one], held[:, one], shared[:, one]) for one in _groups(np.floor(ages))]
        return Means(*(np.concatenate(part) for part in zip(*parts, strict=True)))

    def _some(self, ages, held, shared):
        gain, noise = self._edges(ages, held, shared)
        whole = gain + self.fixed
        inverse = 1.0 / square(whole)
        held_white = inverse @ self.passed
        white = self.command**2 * held_white
        white[:, 0] = self.command**2 * ((square(gain) * inverse) @ self.weight)
        edge_noise = self.rate**2 * ((noise * inverse) @ self.passed)
        stable = winding.unstable_poles(whole) == 0
        return stable, self._crossover(whole), white, held_white, edge_noise

    def _edges(self, ages, held, shared):
        """Gain of the edges times its weight in the characteristic polynomial, and spectrum of their noise."""
        whole = np.floor(ages)
        ends, place = np.unique(whole, return_inverse=True)
        rest, across = ages - whole, np.arange(ages.shape[1])
        weights = (held, held * rest, held * rest**2, shared * (1.0 - rest), shared * rest)
        table = np.zeros((len(weights), across.size, ends.size))
        for row, weight in zip(table, weights, strict=True):
            for column, part in zip(place, weight, strict=True):
                row[across, column] += part
        past, back, bent, near, far = self.sums.ends(ends)
        waves = np.concatenate([past, back, bent]) * self.times
        gain = np.concatenate(table[:3], axis=1) @ waves.view(float)
        noise = np.concatenate(table[3:], axis=1) @ np.concatenate([near, far])
        return gain.view(complex), np.maximum(noise, 0.0)

    def _crossover(self, whole):
        """As `loop_power.crossover_of`, row by row."""
        size, one = square(whole - self.open), square(self.open)
        above = size > one
        change = above[:, 1:] != above[:, :-1]
        last = change.shape[1] - 1 - np.argmax(change[:, ::-1], axis=1)
        rows = np.arange(last.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            before, after = (np.log(size[rows, k] / one[k]) for k in (last, last + 1))
            low, high = self.frequency[last], self.frequency[last + 1]
            found = low * (high / low) ** (before / (before - after))
        return np.where(change.any(axis=1), found, np.nan)


def _groups(whole):
    """Slices of neighbours whose ages end in few different samples."""
    first = 0
    while first < whole.shape[1]:
        size = TOGETHER
        while size > FEWEST and np.unique(whole[:, first : first + size]).size > ENDS:
            size //= 2
        yield slice(first, first + size)
        first += size


def grid(load, rate):
    """Turns from 1e-6 to 1/2."""
    parts = [np.geomspace(10.0**-DECADES, 0.5, DECADES * PER_DECADE), np.linspace(0.0, 0.5, EVEN + 1)[1:]]
    if load.flexible:
        parts += [NEAR_RESONANCE * place / rate for place in (load.resonance, load.antiresonance)]
    found = np.unique(np.concatenate(parts))
    return found[(found >= 10.0**-DECADES) & (found <= 0.5)]


def widths(turns):
    """Share of each point of a grid in a mean over it."""
    found = np.gradient(turns)
    found[[0, -1]] *= 0.5
    return found / found.sum()
