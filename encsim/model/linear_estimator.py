"""What linear velocity estimators have in common: impulse responses, second-order sections, alpha-beta filters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .. import checks
from . import filter_design
from .estimator_base import Estimator, KernelForm

LONGEST_WEIGHTS = 1 << 22
# Pairs of weights that add up to less than this share of all are left out.
NEGLIGIBLE_PAIRS = 1e-8


class Linear(Estimator):
    """An estimator that is a fixed linear combination of sampled positions, w_k = sum d_j y_{k-j}.

    A finite impulse response gives ``weights`` (see `FiniteResponse`), any other ``sections`` (see `Recursive`);
    everything else follows from them. Classes with a closed form of their own for the gain, the delay, the noise
    or the memory say it, since it is quicker and free of cancellation.
    """

    __slots__ = ()
    linear = True

    def response(self, frequency: ArrayLike, rate: float) -> Any:
        """Complex gain from position to velocity."""
        rate = self._rate(rate)
        return (rate * self._gain(filter_design.aliased(self._frequency(frequency), rate), rate))[()]

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        """Gain from position to velocity times the loop period; ``turns`` is frequency over rate."""
        back = np.exp(-2j * np.pi * np.asarray(turns))
        numerator, denominator = self.coefficients(rate)
        return np.polyval(numerator[::-1], back) / np.polyval(denominator[::-1], back) / rate

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, position to velocity."""
        raise NotImplementedError

    def memory(self, rate: float) -> int:
        """Number of positions used, or after which the weights are below 1e-16 of the largest."""
        raise NotImplementedError

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

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s."""
        # With s = 2 pi i f T, u = 1 - exp(-s) = s - s**2/2: B/A = (b1 u + b2 u**2)/(a0 + a1 u) is
        # proportional to s (1 - (1/2 - b2/b1 + a1/a0) s).
        rate = self._rate(rate)
        b, a = (filter_design.in_differences(part) for part in self.coefficients(rate))
        return float(0.5 - b[2] / b[1] + a[1] / a[0]) / rate

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s: root of the sum of the squared weights."""
        return float(np.sqrt(np.square(self.weights(rate)).sum()))

    def increment_weights(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Lags in samples, and what the mean square of the velocity takes of that of each lag's increments, 1/s2."""
        # The weights d add up to zero; therefore E(sum d_j e_j)**2 is the sum over j >= 1 of -(sum_i d_i d_{i+j})
        # E(e_i - e_{i+j})**2.
        d = self.weights(rate)
        points = 1 << int(2 * d.size - 1).bit_length()
        weight = -np.fft.irfft(np.abs(np.fft.rfft(d, points)) ** 2, points)[1 : d.size]
        left = np.cumsum(np.abs(weight[::-1]))[::-1]
        kept = int(np.count_nonzero(left > NEGLIGIBLE_PAIRS * left[0]))
        return np.arange(1, kept + 1), weight[:kept]


class FiniteResponse(Linear):
    """A finite impulse response: the class gives ``weights``, newest position first, 1/s."""

    __slots__ = ()

    def weights(self, rate: float) -> np.ndarray:
        """Weights d_j of the positions, newest first, 1/s."""
        raise NotImplementedError

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, position to velocity."""
        return self.weights(rate), np.ones(1)

    def memory(self, rate: float) -> int:
        """Number of positions used."""
        return len(self.weights(rate))

    def kernel_form(self, rate: float) -> KernelForm:
        """The taps that are not zero."""
        weights = self.weights(rate) / rate
        lags = np.flatnonzero(weights)
        numbers = np.column_stack([lags, weights[lags]]).ravel()
        longest = int(lags.max(initial=1))
        return KernelForm("taps", longest, numbers, past=longest)


class ParabolaTaps(FiniteResponse):
    """A finite impulse response whose N weights lie on a parabola: the compiled loops need no more for a larger N.

    The class gives ``samples`` and ``_parabola``.
    """

    __slots__ = ()
    samples: int
    tuning = "samples"
    exponent = -1.0
    least = 2

    def over_same_time(self, times: int) -> dict[str, Any]:
        """Fields that keep its time span in a loop of ``times`` the rate."""
        return {"samples": times * (self.samples - 1) + 1}

    @classmethod
    def candidates(
        cls, sizes: Sequence[int], corners: Sequence[float], *, jitter: float, resolution: float
    ) -> list[Any]:
        """Settings to compare: from four samples on."""
        return [cls(size) for size in sizes if size >= 4]  # type: ignore[call-arg]

    def _parabola(self) -> tuple[float, float, float]:
        """c0, c1, c2 of the weights c0 + c1 j + c2 j**2 times the loop period, j = 0 for the newest."""
        raise NotImplementedError

    def weights(self, rate: float) -> np.ndarray:
        """Weights d_j of the positions, newest first, 1/s."""
        c0, c1, c2 = self._parabola()
        lag = np.arange(self.samples)
        return self._rate(rate) * (c0 + (c1 + c2 * lag) * lag)

    def memory(self, rate: float) -> int:
        """Number of positions used: N."""
        return self.samples

    def kernel_form(self, rate: float) -> KernelForm:
        """Sums over heads and tails of N samples; they begin at multiples of N, so that 2 N of the past are needed."""
        n = self.samples
        return KernelForm("parabola", n, np.array(self._parabola()), states=6 + 3 * n, past=2 * n)


class Recursive(Linear):
    """Second-order sections: the class gives ``sections``, rows b0 b1 b2 a0 a1 a2 in z**-1 with a0 = 1."""

    __slots__ = ()

    def sections(self, rate: float) -> np.ndarray:
        """Filter from position to velocity as second-order sections, shape (m, 6)."""
        raise NotImplementedError

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        back = np.exp(-2j * np.pi * np.asarray(turns))
        gain = np.full(back.shape, 1.0 / rate, dtype=complex)
        for row in self.sections(rate):
            gain *= np.polyval(row[2::-1], back) / np.polyval(row[:2:-1], back)
        return gain

    def coefficients(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, position to velocity."""
        numerator, denominator = np.ones(1), np.ones(1)
        for row in self.sections(rate):
            numerator, denominator = np.convolve(numerator, row[:3]), np.convolve(denominator, row[3:])
        return np.trim_zeros(numerator, "b"), np.trim_zeros(denominator, "b")

    def memory(self, rate: float) -> int:
        """Number of samples after which the weights are below 1e-16 of the largest."""
        poles = np.concatenate([np.roots(row[3:]) for row in self.sections(rate)])
        return filter_design.poles_memory(float(np.abs(poles).max(initial=0.0)), len(poles))

    def kernel_form(self, rate: float) -> KernelForm:
        """The sections, with their two states each and whether they have started."""
        sections = self.sections(rate).copy()
        sections[0, :3] /= rate
        numbers = np.ascontiguousarray(sections[:, [0, 1, 2, 4, 5]].ravel())
        return KernelForm(
            "sections", numbers=numbers, states=1 + 2 * len(sections), settling=self.memory(rate)
        )


class AlphaBeta(Recursive):
    """Predict, compare, correct: x' = x + T w, e = y - x', x = x' + alpha e, w += beta e/T; w after the update.

    ``_gains`` gives alpha, beta, 1 - alpha and 4 - 2 alpha - beta, none by subtraction of near equals.
    """

    __slots__ = ()

    def gains(self, rate: float) -> tuple[float, float]:
        """The two gains."""
        return self._gains(self._rate(rate))[:2]

    def _gains(self, rate: float) -> tuple[float, float, float, float]:
        """alpha, beta, 1 - alpha and 4 - 2 alpha - beta."""
        raise NotImplementedError

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        alpha, beta, kept, _ = self._gains(rate)
        u = filter_design.backward(turns)
        return beta * u / (beta + u * (alpha - beta + kept * u))

    def sections(self, rate: float) -> np.ndarray:
        """Filter from position to velocity as one second-order section b0 b1 b2 a0 a1 a2 in z**-1, shape (1, 6)."""
        rate = self._rate(rate)
        alpha, beta, kept, _ = self._gains(rate)
        return np.array([[beta * rate, -beta * rate, 0.0, 1.0, alpha + beta - 2.0, kept]])

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
