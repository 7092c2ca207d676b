"""What timed edges make of a moving axis and of its encoder, on the average over where the edges fall.

At a steady speed the counts come every P = q/v, and the newest edge at a sample is 0 to P old, any age as often
as any other. Over that age an estimator takes one of two numbers of counts m, see ``edge_timing``. Of a small
error e at the edges it makes ``(e(t - a) - e(t - a - mP))/(mP)``, a the age.
"""

from dataclasses import dataclass

import numpy as np

from . import _filters

# Counts slower than one a second leave such an estimator blind.
SLOWEST_EDGES = 1.0
# Edges in a loop period beyond which the velocity is the first difference to rounding.
QUICKEST_EDGES = 1e6
# Turns a memory below which the gain is that of its delay.
SLOW_TURNS = 1e-5
# Edges in 1/crossover from which they are as good as a fixed filter.
FIXED_FROM = 20.0
FEW_EDGES = f"fewer than {FIXED_FROM:g} counts in 1/crossover: edges that are timed make no fixed filter"


def reaches(period, window):
    """One or two ranges of ages and the counts in each, (from, to, m) in edge periods.

    Parameters
    ----------
    period : ndarray
        Time P from edge to edge.
    window : float
        Time back to the older edge that is asked for; 0 where single counts are timed.

    Returns
    -------
    list of (ndarray, ndarray, ndarray)
    """
    one = np.ones_like(period)
    if not window:
        return [(0.0 * one, one, one)]
    ratio = window / period
    most = np.maximum(np.ceil(ratio), 1.0)
    share = np.where(ratio > 1.0, ratio - (most - 1.0), 1.0)
    return [(0.0 * share, share, most), (share, one, np.maximum(most - 1.0, 1.0))]


@dataclass(frozen=True, eq=False, slots=True)
class EdgeFilter:
    """Edges of the counts timed at some speeds, as linear filters.

    Attributes
    ----------
    period : ndarray
        Time P = q/v from edge to edge, loop periods; the arrays below have its shape.
    window : float
        Time back to the older edge that is asked for, loop periods.
    blind : ndarray of bool
        Where less than one count a second comes and the velocity is 0.
    """

    period: np.ndarray
    window: float
    blind: np.ndarray
    linear = True

    @property
    def memory(self):
        """Age of the oldest position that counts, and two samples, loop periods."""
        return np.maximum(self.window, self.period) + 2.0 * self.period + 2.0

    def gain(self, turns):
        """Mean gain from the sampled position to the velocity, times the loop period.

        Parameters
        ----------
        turns : ndarray
            Frequency over loop rate, -1/2 to 1/2; broadcasts with the speeds.

        Returns
        -------
        ndarray of complex

        Notes
        -----
        Between the samples the position is taken as straight, so that the gain is that of a filter of finite
        memory, see :meth:`weights`.
        """
        found, period = 0.0, self.period
        late = (np.maximum(self.window, period) + period) / 2.0
        held = _Held(turns)
        for low, high, counts in reaches(period, self.window):
            span = counts * period
            ends = (
                (high * period, 1.0),
                (low * period, -1.0),
                (high * period + span, -1.0),
                (low * period + span, 1.0),
            )
            found = found + sum(sign * held.up_to(age) for age, sign in ends) / (span * period)
            # a parabola that is taken as straight between samples
            late = late - 0.5 * sum(sign * _bulge(age) for age, sign in ends) / (span * period)
        turn = 2j * np.pi * turns
        slow = np.abs(turns) * (late + 1.0) < SLOW_TURNS
        return np.where(self.blind, 0.0, np.where(slow, turn * (1.0 - turn * late), found))

    def line_gain(self, turns, image=0):
        """Mean gain from an error that is bound to position to the velocity, times the loop period.

        Parameters
        ----------
        turns : ndarray
            Frequency over loop rate, not folded; broadcasts with the speeds.
        image : int
            Multiple of the frequency of the counts by which to look beside the line.

        Returns
        -------
        mean : ndarray of complex
            At the line's own frequency, or beside it.
        square : ndarray
            Mean square of the gain over the samples; what of it is not in the mean sits at multiples of the
            frequency of the counts to both sides of the line.
        """
        mean, square, period = 0j, 0.0, self.period
        held = turns + image / period
        for low, high, counts in reaches(period, self.window):
            span, share = counts * period, high - low
            chord = 2j * np.sin(np.pi * turns * span) * np.exp(-1j * np.pi * turns * span) / span
            age = 0.5 * (low + high) * period
            mean = mean + share * np.sinc(held * share * period) * chord * np.exp(-2j * np.pi * held * age)
            square = square + share * (chord.real**2 + chord.imag**2)
        return np.where(self.blind, 0.0, mean), np.where(self.blind, 0.0, square)

    def noise_spectrum(self, turns):
        """Mean square of the velocity at each frequency for noise of mean square 1, new at each edge.

        Parameters
        ----------
        turns : ndarray
            Frequency over loop rate, 0 to 1/2; broadcasts with the speeds.

        Returns
        -------
        ndarray
            A density over turns: its mean over the circle is the mean square, times the squared loop period.

        Notes
        -----
        Two samples use the same edge as often as they lie closer than P, ``max(0, 1 - |t|/P)``.
        """
        period, reach = self.period, np.maximum(self.window, self.period)
        scale = sum(
            (high - low) / (counts * period) ** 2 for low, high, counts in reaches(period, self.window)
        )
        # nearer to 0 Hz the sum would cancel, and nothing is left there
        turns = np.maximum(turns, 1e-6)
        ramps = _Ramps(turns)
        apart = ramps.triangle(0.0 * reach, period).real - ramps.triangle(reach, period).real
        return np.where(self.blind, 0.0, np.maximum(2.0 * scale * apart, 0.0))

    def response(self, frequency, rate):
        """Mean complex gain from measured position to velocity, 1/s; repeats every loop rate."""
        return (rate * self.gain(_filters.folded(frequency, rate)))[()]

    def weights(self):
        """Weights of the positions for one speed, newest first, times the loop period."""
        samples = np.arange(int(self.memory) + 1.0)
        found = np.zeros_like(samples)
        if self.blind:
            return found[:1]
        for low, high, counts in reaches(self.period, self.window):
            span = counts * self.period
            for end, sign in ((high * self.period, 1.0), (low * self.period, -1.0)):
                found += (
                    sign
                    * (_under_hat(end - samples) - _under_hat(end + span - samples))
                    / (span * self.period)
                )
        return np.trim_zeros(found, "b")

    def coefficients(self, rate):
        """Numerator and denominator in z**-1, position to velocity."""
        return rate * self.weights(), np.ones(1)


def at_speeds(estimator, speed, resolution, rate):
    """Timed edges at some speeds as filters.

    Parameters
    ----------
    estimator : PeriodTiming or CountAndTime
    speed : ndarray
        Speeds from 0 on, m/s or rad/s.
    resolution : float
        One count q, m or rad.
    rate : float
        Loop rate, Hz.

    Returns
    -------
    EdgeFilter
    """
    frequency = np.asarray(speed, dtype=float) / resolution
    blind = frequency < SLOWEST_EDGES
    seen = np.clip(frequency, SLOWEST_EDGES, QUICKEST_EDGES * rate)
    return EdgeFilter(rate / seen, estimator.reach * rate, blind)


def _under_hat(place):
    """Area under the triangle from -1 over 0 to 1 up to a place."""
    near = np.clip(place, -1.0, 1.0)
    return np.where(near < 0.0, 0.5 * (1.0 + near) ** 2, 1.0 - 0.5 * (1.0 - near) ** 2)


class _Held:
    """Sums over ages from 0 on of a unit position, straight between samples, at some frequencies."""

    def __init__(self, turns):
        half = np.pi * np.asarray(turns, dtype=float)
        self.turn = -2j * half
        self.step = 0.5 * -np.expm1(self.turn)
        with np.errstate(divide="ignore", invalid="ignore"):
            # half of 1 + z**-1 over 1 - z**-1
            self.sum = np.where(half == 0.0, 0.0, -0.5j / np.tan(half))

    def up_to(self, age):
        whole = np.floor(age)
        rest = age - whole
        past = -np.expm1(self.turn * whole)
        return self.sum * past + (1.0 - past) * (rest - rest**2 * self.step)


def _bulge(age):
    """Integral from 0 to an age of how far the chords of a**2 between whole numbers lie above it."""
    whole = np.floor(age)
    rest = age - whole
    return whole / 6.0 + rest**2 * (0.5 - rest / 3.0)


class _Ramps:
    """Sums over whole lags l of pieces of straight lines times z**-l, at some frequencies above 0."""

    def __init__(self, turns):
        self.turn = -2j * np.pi * turns
        back = np.exp(self.turn)
        self.slope = 1.0 / (1.0 - back)
        self.start = back * self.slope**2

    def triangle(self, middle, width):
        """Of ``max(0, 1 - |l - middle|/width)``."""
        ends = self._ramp(middle - width) + self._ramp(middle + width)
        return (ends - 2.0 * self._ramp(middle)) / width

    def _ramp(self, start):
        """Of ``max(0, l - start)``."""
        first = np.ceil(start)
        return np.exp(self.turn * first) * ((first - start) * self.slope + self.start)
