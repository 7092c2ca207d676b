"""What every velocity estimator can say about itself, and what the linear ones share."""

from dataclasses import field

import numpy as np

from . import _checks, _filters

FREQUENCIES = (1e-6, 1e12)
LONGEST_WEIGHTS = 1 << 22


def quantity(dimension, **options):
    """A field whose text in an axis file carries a unit of this dimension (see units.py)."""
    return field(metadata={"dimension": dimension}, **options)


class Estimator:
    """What all estimators have in common.

    Attributes
    ----------
    kind : str
        Name in axis files.
    linear : bool
        Whether the velocity is a fixed linear combination of sampled positions.
    """

    __slots__ = ()
    kind = ""
    linear = False

    def resolved(self, jitter, resolution):
        """The same estimator with all that it takes from the axis filled in.

        Parameters
        ----------
        jitter : float
            Position jitter of the axis, rms, m or rad.
        resolution : float
            One count q, m or rad; 0 where the position is not rounded.

        Returns
        -------
        Estimator
        """
        return self

    def misfit(self, rate):
        """What does not fit this loop rate: (field, rule, value, unit), or None."""
        return None

    def _rate(self, rate):
        """A loop rate as a float, checked against the estimator."""
        name = type(self).__name__
        low, high = FREQUENCIES
        if not _checks.is_real(rate) or not low <= rate <= high:
            _checks.refuse(f"{name} rate", f"lie from {low:g} to {high:g}", rate, "Hz")
        wrong = self.misfit(float(rate))
        if wrong:
            _checks.refuse(f"{name}.{wrong[0]}", *wrong[1:])
        return float(rate)

    def _frequency(self, frequency):
        """Frequencies as a float array, checked."""
        try:
            found = np.asarray(frequency, dtype=float)
        except (TypeError, ValueError):
            found = np.asarray(np.nan)
        if not np.isfinite(found).all():
            _checks.refuse(f"{type(self).__name__} frequency", "be finite numbers", frequency, "Hz")
        return found


class Linear(Estimator):
    """An estimator that is a fixed linear combination of sampled positions, w_k = sum d_j y_{k-j}."""

    __slots__ = ()
    linear = True

    def response(self, frequency, rate):
        """Complex gain from position to velocity.

        Parameters
        ----------
        frequency : float or ndarray
            Frequency f, Hz; the response repeats every ``rate``.
        rate : float
            Loop rate fs, Hz.

        Returns
        -------
        complex or ndarray of complex
            ``sum d_j z**-j``, 1/s.
        """
        rate = self._rate(rate)
        return (rate * self._gain(_filters.folded(self._frequency(frequency), rate), rate))[()]

    def weights(self, rate):
        """Weights of the positions, newest first.

        Parameters
        ----------
        rate : float
            Loop rate fs, Hz.

        Returns
        -------
        ndarray, shape (memory(rate),)
            d_j, 1/s.

        Raises
        ------
        InputError
            If the memory is longer than 4 194 304 samples.

        Notes
        -----
        Inverse transform of the response over more points than the memory is long.
        """
        count = self.memory(rate)
        if count > LONGEST_WEIGHTS:
            _checks.refuse(
                f"{type(self).__name__} memory",
                f"be at most {LONGEST_WEIGHTS} samples to list the weights",
                count,
                hint="a lower loop rate or a faster estimator forgets sooner",
            )
        points = 1 << max(count.bit_length(), 4)
        return np.fft.irfft(self.response(np.fft.rfftfreq(points, 1.0 / rate), rate), points)[:count]
