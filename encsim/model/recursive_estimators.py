"""Velocity estimators that are recursive filters: low-pass, tracking loop, Kalman filter.

w_k is the estimate, y_k the newest measured position, T = 1/rate the loop period, q one count, z = exp(2 pi i f/rate).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from .. import checks, units
from . import filter_design
from .bounds import FREQUENCIES
from .estimator_base import Look, Misfit
from .linear_estimator import AlphaBeta, Recursive

LARGEST_ORDER = 8
QUIETEST, LOUDEST = 1e-18, 1e6
NOISE_RULE = "be given, or come from an axis with jitter or counts"


@dataclass(frozen=True, slots=True)
class LowPass(Recursive):
    """First difference through a low-pass filter.

    Parameters
    ----------
    corner : float
        Corner frequency f_c, Hz.
    order : int
        1: one pole at exp(-2 pi f_c T). 2 to 8: Butterworth, by the bilinear transform, pre-warped so that the
        gain at the corner is 1/sqrt(2) exactly.

    Raises
    ------
    InputError
        If a number is out of range; in use, if a corner of order 2 or more is not below half the loop rate.

    Examples
    --------
    >>> import encsim
    >>> encsim.LowPass(300.0, order=2).corner
    300.0
    """

    corner: float = units.quantity("frequency")
    order: int = field(default=1, kw_only=True)
    kind = "low-pass"
    phrase = "low-pass"
    look = Look("counts", "^", (0, (5, 1.6)))
    example = ('corner = "300 Hz"     order = 1', "filtered first difference; order up to 8")
    tuning = "corner"

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("corner", "Hz", within=FREQUENCIES)
        check.whole("order", 1, LARGEST_ORDER)
        check.done()

    def misfit(self, rate: float) -> Misfit | None:
        """What does not fit this loop rate: (field, rule, value, unit), or None."""
        if self.order == 1 or self.corner < rate / 2.0:
            return None
        return "corner", f"be below half the loop rate, {rate / 2.0:g} Hz", self.corner, "Hz"

    @classmethod
    def candidates(
        cls, sizes: Sequence[int], corners: Sequence[float], *, jitter: float, resolution: float
    ) -> list[Any]:
        """Settings to compare: of first and second order."""
        return [cls(corner, order=order) for order in (1, 2) for corner in corners]

    def _pole(self, rate: float) -> tuple[float, float]:
        """2 pi f_c T, and 1 - exp of minus that."""
        decay = 2.0 * math.pi * self.corner / rate
        return decay, -math.expm1(-decay)

    def _tangent(self, rate: float) -> float:
        return math.tan(math.pi * self.corner / rate)

    def _gain(self, turns: np.ndarray, rate: float) -> np.ndarray:
        difference = filter_design.backward(turns)
        if self.order > 1:
            gain: np.ndarray = difference * filter_design.butterworth(turns, self.order, self._tangent(rate))
            return gain
        decay, share = self._pole(rate)
        return share * difference / (share + math.exp(-decay) * difference)

    def sections(self, rate: float) -> np.ndarray:
        """Filter from position to velocity as second-order sections.

        Parameters
        ----------
        rate : float
            Loop rate fs, Hz.

        Returns
        -------
        ndarray, shape (m, 6)
            Rows b0 b1 b2 a0 a1 a2 in z**-1; the first is the difference, 1/s. Of high order and a low corner they
            are far better conditioned than the coefficients of the whole.
        """
        rate = self._rate(rate)
        difference = np.array([[rate, -rate, 0.0, 1.0, 0.0, 0.0]])
        if self.order > 1:
            return np.vstack(
                [difference, filter_design.butterworth_sections(self.order, self._tangent(rate))]
            )
        decay, share = self._pole(rate)
        return np.vstack([difference, [[share, 0.0, 0.0, 1.0, -math.exp(-decay), 0.0]]])

    def memory(self, rate: float) -> int:
        """Number of samples after which the weights are below 1e-16 of the largest."""
        rate = self._rate(rate)
        if self.order > 1:
            return filter_design.butterworth_memory(self.order, self._tangent(rate))
        return filter_design.one_pole_memory(self._pole(rate)[0])

    def delay(self, rate: float) -> float:
        """Delay of the velocity at 0 Hz, s.

        Order 1: ``(1/a - 1/2) T``, a = 1 - exp(-2 pi f_c T); above:
        ``T/2 + T/(2 tan(pi f_c T) sin(pi/(2 order)))``.
        """
        rate = self._rate(rate)
        if self.order > 1:
            return (0.5 + 0.5 / (self._tangent(rate) * math.sin(math.pi / (2 * self.order)))) / rate
        return (1.0 / self._pole(rate)[1] - 0.5) / rate

    def noise_gain(self, rate: float) -> float:
        """Velocity rms for 1 unit of white position rms, 1/s; order 1: a sqrt(2/(2 - a))/T."""
        rate = self._rate(rate)
        if self.order > 1:
            return rate * math.sqrt(filter_design.butterworth_noise(self.order, self._tangent(rate)))
        _, share = self._pole(rate)
        return rate * share * math.sqrt(2.0 / (2.0 - share))


@dataclass(frozen=True, slots=True)
class Tracking(AlphaBeta):
    """Tracking loop of second order, discrete at the loop rate; the velocity is its integrator's.

    Parameters
    ----------
    bandwidth : float
        Natural frequency, Hz, below half the loop rate.
    damping : float
        Damping ratio, 0.01 to 100.

    Raises
    ------
    InputError
        If a number is out of range; in use, if the bandwidth is not below half the loop rate.

    Notes
    -----
    Alpha-beta form with the poles matched to s**2 + 2 damping W s + W**2, W = 2 pi bandwidth. For a loop much
    faster than W: noise gain sqrt(W**3 T/(4 damping)), delay 2 damping/W.

    Examples
    --------
    >>> import encsim
    >>> encsim.Tracking(100.0).damping
    0.707
    """

    bandwidth: float = units.quantity("frequency")
    damping: float = field(default=0.707, kw_only=True)
    kind = "tracking"
    phrase = "tracking loop"
    look = Look("force", "D", (0, (6, 1.6, 1, 1.6)))
    example = ('bandwidth = "100 Hz"  damping = 0.7', "tracking loop (observer) of the position")
    tuning = "bandwidth"

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("bandwidth", "Hz", within=FREQUENCIES)
        check.positive("damping", within=(0.01, 100.0))
        check.done()

    def misfit(self, rate: float) -> Misfit | None:
        """What does not fit this loop rate: (field, rule, value, unit), or None."""
        if self.bandwidth < rate / 2.0:
            return None
        return "bandwidth", f"be below half the loop rate, {rate / 2.0:g} Hz", self.bandwidth, "Hz"

    def _gains(self, rate: float) -> tuple[float, float, float, float]:
        angle, damping = 2.0 * math.pi * self.bandwidth / rate, self.damping
        kept = math.exp(-2.0 * damping * angle)
        alpha = -math.expm1(-2.0 * damping * angle)
        if damping < 1.0:
            radius, half = math.exp(-damping * angle), 0.5 * angle * math.sqrt(1.0 - damping**2)
            ahead = math.expm1(-damping * angle) ** 2
            beta = ahead + 4.0 * radius * math.sin(half) ** 2
            return alpha, beta, kept, ahead + 4.0 * radius * math.cos(half) ** 2
        fast = damping + math.sqrt(damping**2 - 1.0)
        slow, quick = math.exp(-angle / fast), math.exp(-angle * fast)
        beta = math.expm1(-angle / fast) * math.expm1(-angle * fast)
        return alpha, beta, kept, (1.0 + slow) * (1.0 + quick)


@dataclass(frozen=True, slots=True)
class Kalman(AlphaBeta):
    """Steady-state Kalman filter for an acceleration that is random and constant over each sample.

    Parameters
    ----------
    acceleration : float
        Acceleration to expect, rms, m/s2 or rad/s2.
    noise : float, optional
        Position noise to expect, rms, m or rad; left out, `resolved` takes it from the axis.

    Raises
    ------
    InputError
        If a number is out of range; in use, if the noise is still to be resolved.

    Notes
    -----
    With the tracking index L = acceleration T**2/noise and s = sqrt(L**2 + 8 L): alpha = 2 s/(L + 4 + s),
    beta = 4 L/(L + 4 + s), noise gain L/sqrt(s)/T, delay (s/L - 1) T/2; the same as Kalata's formulas, without
    their cancellation.

    References
    ----------
    P. R. Kalata, The tracking index: a generalized parameter for alpha-beta and alpha-beta-gamma target trackers,
    IEEE Trans. Aerospace and Electronic Systems AES-20(2), 174-182, 1984 (from memory).

    Examples
    --------
    >>> import encsim
    >>> encsim.Kalman(2.0, noise=5e-9).noise
    5e-09
    """

    acceleration: float = units.quantity("acceleration")
    noise: float | None = units.quantity("position", default=None, kw_only=True)
    kind = "kalman"
    phrase = "Kalman filter"
    look = Look("cyclic", "v", (0, (3, 1.2)))
    example = (
        'acceleration = "{acceleration}"  noise = "{jitter}"',
        "optimal for this random acceleration, rms\nnoise left out: from jitter and counts",
    )
    tuning = "acceleration"
    exponent = 2.0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.positive("acceleration", "m/s2 or rad/s2", within=(1e-15, 1e12))
        check.positive("noise", "m or rad", optional=True, within=(QUIETEST, LOUDEST))
        check.done()

    def words(self, unit: str = "") -> str:
        """The estimator in words, with the acceleration where the unit of the position is given."""
        if not unit:
            return self.phrase
        return (
            f"{self.phrase} for {units.write(self.acceleration, units.on_scale('acceleration', unit) or '')}"
        )

    @classmethod
    def candidates(
        cls, sizes: Sequence[int], corners: Sequence[float], *, jitter: float, resolution: float
    ) -> list[Any]:
        """Settings to compare: about as quick as filters of these corners; none where the axis has no noise."""
        if jitter == 0.0 and resolution == 0.0:
            return []
        noise = cls(1.0).resolved(jitter, resolution).noise or 0.0
        wanted = (noise * (2.0 * math.pi * corner) ** 2 for corner in corners)
        return [cls(float(f"{acceleration:.0e}")) for acceleration in wanted]

    def resolved(self, jitter: float, resolution: float) -> Kalman:
        """The filter with its noise set: as given, else sqrt(jitter**2 + q**2/12), at least 1e-18.

        Parameters
        ----------
        jitter : float
            Position jitter of the axis, rms, m or rad.
        resolution : float
            One count q, m or rad; 0 where the position is not rounded.

        Returns
        -------
        Kalman

        Raises
        ------
        InputError
            If no noise is given and there is neither jitter nor quantisation.

        Notes
        -----
        Quantisation as white noise of q**2/12 is a choice, not a result.
        """
        if self.noise is not None:
            return self
        noise = math.hypot(jitter, resolution / math.sqrt(12.0))
        if noise == 0.0:
            checks.refuse("Kalman.noise", NOISE_RULE, None)
        return replace(self, noise=max(noise, QUIETEST))

    def misfit(self, rate: float) -> Misfit | None:
        """What does not fit: (field, rule, value, unit), or None."""
        return None if self.noise is not None else ("noise", NOISE_RULE, None, "")

    def _gains(self, rate: float) -> tuple[float, float, float, float]:
        assert self.noise is not None  # misfit refuses it
        index = self.acceleration / (self.noise * rate * rate)
        root = math.sqrt(index) * math.sqrt(index + 8.0)
        whole = index + 4.0 + root
        return 2.0 * root / whole, 4.0 * index / whole, (4.0 / whole) ** 2, 16.0 / whole
