"""Velocity estimators: how a controller makes a velocity of measured positions."""

from dataclasses import dataclass

import numpy as np

from . import _checks

LONGEST = 1 << 20


@dataclass(frozen=True, slots=True)
class Difference:
    """Backward difference over N samples, ``(y_k - y_{k-N})/(N T)``.

    Parameters
    ----------
    samples : int
        Number of loop periods N between the two positions, 1 to 1 048 576.

    Raises
    ------
    InputError
        If samples is no whole number in that range.
    """

    samples: int = 1
    kind = "difference"

    def __post_init__(self):
        check = _checks.Check(self)
        check.whole("samples", 1, LONGEST)
        check.done()

    def response(self, frequency, rate):
        """Complex gain from position to velocity.

        Parameters
        ----------
        frequency : float or ndarray
            Frequency f, Hz.
        rate : float
            Loop rate fs, Hz.

        Returns
        -------
        complex or ndarray of complex
            ``(fs/N)(1 - z**-N)``, z = exp(2 pi i f/fs), 1/s.
        """
        turns = np.asarray(frequency, dtype=float) * self.samples / rate
        return (rate / self.samples) * (1.0 - np.exp(-2j * np.pi * turns))

    def delay(self, rate):
        """Delay of the velocity at 0 Hz, s: half the span of the difference."""
        return self.samples / (2.0 * rate)

    def noise_gain(self, rate):
        """Velocity rms for 1 unit of white position rms, 1/s: sqrt(2)/(N T)."""
        return np.sqrt(2.0) * rate / self.samples
