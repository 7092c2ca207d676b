"""Velocity estimators over a window of measured positions, and the list of all estimators.

w_k is the estimate, y_k the newest measured position, T = 1/rate the loop period, q one count, z = exp(2 pi i f/rate).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import checks
from . import filter_design
from .edge_timing import CountAndTime, PeriodTiming
from .estimator_base import Estimator, KernelForm, Look
from .linear_estimator import FiniteResponse, ParabolaTaps
from .recursive_estimators import Kalman, LowPass, Tracking

LONGEST = 1 << 20


@dataclass(frozen=True, slots=True)
class Difference(FiniteResponse):
    """Backward difference over N samples, ``(y_k - y_{k-N})/(N T)``.

    Parameters
    ----------
    samples : int
        Number of loop periods N between the two positions, 1 to 1 048 576.

    Raises
    ------
    InputError
        If samples is no whole number in that range.

    Examples
    --------
    >>> import encsim
    >>> encsim.Difference(8).samples
    8
    """

    samples: int = 1
    kind = "difference"
    legend = "difference over N samples"
    look = Look("ink", "o", "-", numbered=True)
    example = ("samples = 1", "difference of positions over some samples, divided by the time")
    tuning = "samples"
    exponent = -1.0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.whole("samples", self.least, LONGEST)
        check.done()

    def words(self, unit: str = "") -> str:
        """The estimator in words."""
        return "first difference" if self.samples == 1 else f"difference over {self.samples} samples"

    def over_same_time(self, times: int) -> dict[str, Any]:
        """Fields that keep its time span in a loop of ``times`` the rate."""
        return {"samples": times * self.samples}

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        return filter_design.backward(turns * self.samples) / self.samples

    def weights(self, rate: float) -> np.ndarray:
        """Weights d_j of the positions, newest first, 1/s."""
        weights = np.zeros(self.samples + 1)
        weights[0] = self._rate(rate) / self.samples
        weights[-1] = -weights[0]
        return weights

    def memory(self, rate: float) -> int:
        """Number of positions used: N + 1."""
        return self.samples + 1

    def increment_weights(self, rate: float) -> tuple[np.ndarray, np.ndarray]:
        """The one lag N, and (1/(N T))**2."""
        return np.array([self.samples]), np.array([(rate / self.samples) ** 2])

    def kernel_form(self, rate: float) -> KernelForm:
        """Two opposite taps: counts are differenced as integers, so that nothing is lost far from zero."""
        return KernelForm("difference", self.samples, past=self.samples)

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s: half the span of the difference."""
        return self.samples / (2.0 * self._rate(rate))

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s: sqrt(2)/(N T)."""
        return math.sqrt(2.0) * self._rate(rate) / self.samples


@dataclass(frozen=True, slots=True)
class LeastSquares(ParabolaTaps):
    """Slope of the straight line through the newest N positions, by least squares.

    Parameters
    ----------
    samples : int
        Number of positions N, 2 to 1 048 576.

    Raises
    ------
    InputError
        If samples is no whole number in that range.

    Notes
    -----
    ``d_j = ((N-1)/2 - j) 12/(N(N**2 - 1) T)``: of all unbiased estimators with a memory of N positions the one
    with the least noise.

    Examples
    --------
    >>> import encsim
    >>> encsim.LeastSquares(8).samples
    8
    """

    samples: int
    kind = "least-squares"
    look = Look("true", "s", "-")
    example = ("samples = 8", "slope of a line through this number of positions")

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.whole("samples", self.least, LONGEST)
        check.done()

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        return filter_design.slope(turns, self.samples)

    def _parabola(self) -> tuple[float, float, float]:
        n = self.samples
        return 6.0 / (n * (n + 1)), -12.0 / (n * (n * n - 1)), 0.0

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s: (N - 1) T/2."""
        return (self.samples - 1) / (2.0 * self._rate(rate))

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s: sqrt(12/(N(N**2 - 1)))/T."""
        n = self.samples
        return self._rate(rate) * math.sqrt(12.0 / (n * (n * n - 1)))


@dataclass(frozen=True, slots=True)
class QuadraticFit(ParabolaTaps):
    """Slope, at the newest position, of the parabola through the newest N positions, by least squares.

    It has no delay at 0 Hz, also while the axis accelerates. In return it has up to four times the noise of
    `LeastSquares` over the same positions and overshoots a step of the speed by about half.

    Parameters
    ----------
    samples : int
        Number of positions N, 3 to 1 048 576.

    Raises
    ------
    InputError
        If samples is no whole number in that range.

    Notes
    -----
    With m = (N-1)/2 - j: ``d_j T = 12 m/(N(N**2 - 1)) + 180 (N-1)(m**2 - (N**2 - 1)/12)/(N(N**2 - 1)(N**2 - 4))``,
    the sum of the slopes that the discrete Legendre polynomials of degree 1 and 2 have at the end. It is a
    Savitzky-Golay filter for the first derivative at the end of its window.

    References
    ----------
    P. A. Gorry, General least-squares smoothing and differentiation by the convolution (Savitzky-Golay) method,
    Analytical Chemistry 62(6), 570-573, 1990 (from memory).

    Examples
    --------
    >>> import encsim
    >>> estimator = encsim.QuadraticFit(3)
    >>> estimator.weights(1.0).tolist()
    [1.5, -2.0, 0.5]
    >>> float(encsim.QuadraticFit(8).delay(16e3))
    0.0
    """

    samples: int
    kind = "quadratic-fit"
    look = Look("limit", "*", (0, (1, 1.4)))
    example = ("samples = 16", "slope at the end of a parabola: no delay, more noise")
    least = 3
    # Its delay at 0 Hz is zero, so that a comparison by this delay flatters it.
    compared = False

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.whole("samples", self.least, LONGEST)
        check.done()

    def _parabola(self) -> tuple[float, float, float]:
        n = float(self.samples)
        whole = n * (n * n - 1.0) * (n * n - 4.0)
        newest = 18.0 * (2.0 * n - 1.0) / (n * (n + 1.0) * (n + 2.0))
        return newest, -12.0 * (2.0 * n - 1.0) * (8.0 * n - 11.0) / whole, 180.0 * (n - 1.0) / whole

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        n = self.samples
        gain: np.ndarray = filter_design.slope(turns, n) + filter_design.bend(turns, n)
        return gain

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s: none."""
        self._rate(rate)
        return 0.0

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s; for a large N sqrt(192/N**3)/T."""
        n = self.samples
        line = 12.0 / (n * (n * n - 1.0))
        return self._rate(rate) * math.sqrt(
            line + 180.0 * (n - 1.0) ** 2 / (n * (n * n - 1.0) * (n * n - 4.0))
        )


# The one list of estimators, by name; its order is that of messages, comparisons and the example file.
KINDS: dict[str, type[Estimator]] = {
    each.kind: each
    for each in (
        Difference,
        LeastSquares,
        QuadraticFit,
        LowPass,
        Tracking,
        Kalman,
        PeriodTiming,
        CountAndTime,
    )
}
