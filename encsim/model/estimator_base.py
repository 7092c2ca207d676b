"""What every velocity estimator can say about itself, and what linear ones and alpha-beta filters share."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Any

import numpy as np

from .. import checks
from . import filter_design

FREQUENCIES = (1e-6, 1e12)
HIGHEST = 1e18
LONGEST_WEIGHTS = 1 << 22


def quantity(dimension: str, **options: bool | None) -> Any:
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

    def resolved(self, jitter: float, resolution: float) -> Estimator:
        """The same estimator with all that it takes from the axis filled in."""
        return self

    def misfit(self, rate: float) -> None:
        """What does not fit this loop rate: (field, rule, value, unit), or None."""
        return None

    def _rate(self, rate: float) -> float:
        """A loop rate as a float, checked against the estimator."""
        name = type(self).__name__
        low, high = FREQUENCIES
        if not checks.is_real(rate) or not low <= rate <= high:
            checks.refuse(f"{name} rate", f"lie from {low:g} to {high:g}", rate, "Hz")
        wrong = self.misfit(float(rate))
        if wrong:
            checks.refuse(f"{name}.{wrong[0]}", *wrong[1:])
        return float(rate)

    def _frequency(self, frequency: float | np.ndarray) -> np.ndarray:
        """Frequencies as a float array, checked."""
        try:
            found = np.asarray(frequency)
        except ValueError:
            found = np.asarray(None)
        real = found.dtype.kind in "fiu"
        if not real or not (np.abs(found) <= HIGHEST).all():
            rule = f"be finite numbers, at most {HIGHEST:g}"
            checks.refuse(f"{type(self).__name__} frequency", rule, frequency, "Hz")
        return found.astype(float)


class Linear(Estimator):
    """An estimator that is a fixed linear combination of sampled positions, w_k = sum d_j y_{k-j}."""

    __slots__ = ()
    linear = True

    def response(self, frequency: float | np.ndarray, rate: float) -> complex | np.ndarray:
        """Complex gain from position to velocity."""
        rate = self._rate(rate)
        return (rate * self._gain(filter_design.folded(self._frequency(frequency), rate), rate))[()]

    def weights(self, rate: float) -> np.ndarray:
        """Weights of the positions, newest first."""
        # Inverse transform of the response over more points than the memory is long.
        count = self.memory(rate)
        if count > LONGEST_WEIGHTS:
            checks.refuse(
                f"{type(self).__name__} memory",
                f"be at most {LONGEST_WEIGHTS} samples to list the weights",
                count,
                hint="a lower loop rate or a faster estimator forgets sooner",
            )
        points = 1 << max(count.bit_length(), 4)
        return np.fft.irfft(self.response(np.fft.rfftfreq(points, 1.0 / rate), rate), points)[:count]


class AlphaBeta(Linear):
    """Predict, compare, correct: x' = x + T w, e = y - x', x = x' + alpha e, w += beta e/T; w after the update.

    ``_gains`` gives alpha, beta, 1 - alpha and 4 - 2 alpha - beta, none by subtraction of near equals.
    """

    __slots__ = ()

    def gains(self, rate: float) -> tuple[float, float]:
        """The two gains."""
        return self._gains(self._rate(rate))[:2]

    def _gain(self, turns: float | np.ndarray, rate: float) -> complex | np.ndarray:
        alpha, beta, kept, _ = self._gains(rate)
        u = filter_design.backward(turns)
        return beta * u / (beta + u * (alpha - beta + kept * u))

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, position to velocity."""
        rate = self._rate(rate)
        alpha, beta, kept, _ = self._gains(rate)
        return np.array([beta * rate, -beta * rate]), np.array([1.0, alpha + beta - 2.0, kept])

    def memory(self, rate: float) -> int:
        """Number of samples after which the weights are below 1e-16 of the largest."""
        alpha, beta, _, margin = self._gains(self._rate(rate))
        return filter_design.pair_memory(alpha, beta, margin)

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s: (alpha/beta - 1/2) T."""
        rate = self._rate(rate)
        alpha, beta, _, _ = self._gains(rate)
        return (alpha / beta - 0.5) / rate

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s: beta sqrt(2/(alpha(4 - 2 alpha - beta)))/T."""
        rate = self._rate(rate)
        alpha, beta, _, margin = self._gains(rate)
        return rate * beta * math.sqrt(2.0 / (alpha * margin))
