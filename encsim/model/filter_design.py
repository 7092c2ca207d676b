"""Linear filters: those of the velocity estimators, and notches and low-pass of the torque command.

Gains, noise and memory are computed without cancellation. Gains of estimators are dimensionless (times the loop rate
they give velocity from position) and written in u = 1 - z**-1, not in z, since the frequencies of interest are near
z = 1. ``turns`` is frequency over loop rate. Torque filters are bilinear, pre-warped at their own frequency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .load_and_control import Control


NEGLIGIBLE = 1e-16
# ln y step and range of the noise integral below; its nearest pole is pi/(2 order) away, error exp(-pi**2/(order h)).
_STEP = 0.03
_LOG_NEGLIGIBLE = 42.0
_SERIES_TERMS = 10
_BEND_TERMS = 14


def aliased(frequency: np.ndarray, rate: float) -> np.ndarray:
    """Aliased frequency over rate, -1/2 to 1/2."""
    turns = np.asarray(frequency, dtype=float) / rate
    return turns - np.rint(turns)


def backward(turns: np.ndarray) -> np.ndarray:
    """``1 - z**-1``, exact near 0 Hz."""
    half = np.pi * (turns - np.rint(turns))
    return 2j * np.sin(half) * np.exp(-1j * half)


def power(values: np.ndarray, whole: int) -> np.ndarray:
    """Whole power from 0 on, by squaring: faster than another exponential or a power of complex numbers."""
    product = np.ones_like(values) if whole % 2 == 0 else values
    while whole := whole // 2:
        values = values * values
        product = product * values if whole % 2 else product
    return product


def slope(turns: np.ndarray, samples: int) -> np.ndarray:
    """Gain of the slope of a line through N points, ``12/(N(N**2 - 1)) sum ((N-1)/2 - j) z**-j``."""
    # With y = pi turns the sum is ``(3i/N) exp(-i(N-1)y) [sin((N-1)y)/(N-1) - sin((N+1)y)/(N+1)] / sin(y)**2``; below
    # (N+1)y = 1 the bracket is taken from its series.
    y = np.pi * turns
    below, above = (samples - 1) * y, (samples + 1) * y
    small = np.abs(above) < 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (np.sin(below) / (samples - 1) - np.sin(above) / (samples + 1)) / np.sin(y) ** 2
    near = 4.0 * samples * y * _sinc_difference(below**2, above**2, small) / np.sinc(turns) ** 2
    return 3j / samples * np.exp(-1j * below) * np.where(small, near, far)


def _sinc_difference(below: np.ndarray, above: np.ndarray, small: np.ndarray) -> np.ndarray:
    """``(sinc a - sinc b)/(b**2 - a**2)`` from the squares of a and b, both below 1; nothing else is used."""
    below, above = np.where(small, below, 0.0), np.where(small, above, 0.0)
    power, product, total = np.ones_like(below), np.ones_like(below), np.zeros_like(below)
    factorial = 1.0
    for k in range(1, _SERIES_TERMS + 1):
        factorial *= 2 * k * (2 * k + 1)
        total = total - (-1) ** k * product / factorial
        power = power * below
        product = product * above + power
    return total


def bend(turns: np.ndarray, samples: int) -> np.ndarray:
    """Gain that the curvature of a parabola adds, at the newest of N points, to that of the slope of a line."""
    # ``180 (N-1)/(N(N**2-1)(N**2-4)) sum (m**2 - (N**2-1)/12) z**-j``, m = (N-1)/2 - j. With y = pi turns the sum is
    # ``exp(-i(N-1)y) [(N**2-1) f/(6 g) + cos(y) (N cos(Ny) - f cos(y)/g)/(2 g**2)]``, f = sin(Ny), g = sin(y); below
    # N y = 2 the bracket is taken from its series.
    n, y = float(samples), np.pi * np.asarray(turns)
    small = np.abs(n * y) < 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        f, g, cosine = np.sin(n * y), np.sin(y), np.cos(y)
        far = (n * n - 1.0) * f / (6.0 * g) + cosine * (n * np.cos(n * y) - f * cosine / g) / (2.0 * g * g)
    series = np.array([0.0, *_bend_series(samples)])
    near = np.polynomial.polynomial.polyval(np.where(small, n * y, 0.0) ** 2, series)
    whole = n * (n * n - 1.0) * (n * n - 4.0)
    return 180.0 * (n - 1.0) / whole * np.exp(-1j * (n - 1.0) * y) * np.where(small, near, far)


@lru_cache(maxsize=64)
def _bend_series(samples: int) -> tuple[float, ...]:
    """Coefficients of (N y)**2, (N y)**4 ... of ``sum (m**2 - (N**2-1)/12) cos(2 m y)``."""
    m = (samples - 1) / 2.0 - np.arange(samples)
    weight, square = m * m - (samples * samples - 1.0) / 12.0, (2.0 * m / samples) ** 2
    terms = []
    for k in range(1, _BEND_TERMS + 1):
        weight = weight * square
        terms.append((-1) ** k * float(weight.sum()) / math.factorial(2 * k))
    return tuple(terms)


def damping_of(order: int) -> list[float]:
    """Damping d of each pair of poles of a Butterworth filter, u**2 + 2 d W u w + W**2 w**2."""
    return [math.sin((2 * k - 1) * math.pi / (2 * order)) for k in range(1, order // 2 + 1)]


def butterworth(turns: np.ndarray, order: int, tangent: float) -> np.ndarray:
    """Gain of a bilinear Butterworth low-pass; ``tangent`` is W = tan(pi corner T)."""
    half = np.pi * turns
    u, w = backward(turns), 2.0 * tangent * np.cos(half) * np.exp(-1j * half)
    gain = w / (u + w) if order % 2 else np.ones_like(u)
    for damping in damping_of(order):
        gain = gain * w * w / (u * u + 2.0 * damping * u * w + w * w)
    return gain


def butterworth_sections(order: int, tangent: float) -> np.ndarray:
    """The same filter as rows b0 b1 b2 a0 a1 a2, a0 = 1."""
    rows = [[tangent, tangent, 0.0, 1.0 + tangent, tangent - 1.0, 0.0]] if order % 2 else []
    square = tangent * tangent
    for damping in damping_of(order):
        middle = 2.0 * damping * tangent
        rows.append(
            [square, 2.0 * square, square, 1.0 + middle + square, 2.0 * (square - 1.0), 1.0 - middle + square]
        )
    table = np.array(rows)
    return table / table[:, 3:4]


def butterworth_noise(order: int, tangent: float) -> float:
    """Mean square of the differenced Butterworth low-pass for white input of mean square 1."""
    # With y = tan(pi f T)/W it is ``(8 W**3/pi) int_0^inf y**2/((1 + W**2 y**2)**2 (1 + y**(2n))) dy``; the
    # trapezoidal rule in ln y converges geometrically, and no term is negative.
    first, last = -_LOG_NEGLIGIBLE / 3.0, _LOG_NEGLIGIBLE / (2 * order - 3)
    y = np.exp(_STEP * np.arange(math.floor(first / _STEP), math.ceil(last / _STEP) + 1))
    density = y**3 / ((1.0 + (tangent * y) ** 2) ** 2 * (1.0 + y ** (2 * order)))
    return 8.0 * tangent**3 / math.pi * _STEP * float(density.sum())


def butterworth_memory(order: int, tangent: float) -> int:
    """Samples after which the differenced Butterworth low-pass no longer shows an impulse."""
    # From the second sample on its weights are ``Re sum c_i z_i**j``; with the analog poles a_i = W e_i the poles are
    # z_i = (1 + a_i)/(1 - a_i), and c_i = 4 W**2 e_i/((1 - a_i)(1 + a_i)**2 prod(e_i - e_k)).
    unit = np.exp(1j * math.pi * (2.0 * np.arange(1, order + 1) + order - 1) / (2 * order))
    apart = np.prod(unit[:, None] - unit + np.eye(order), axis=1)
    # A pole this close to zero decays long before 16 samples, and its c_i may not exist.
    kept = np.abs(1.0 + tangent * unit) > 0.05
    unit, apart = unit[kept], apart[kept]
    analog = tangent * unit
    sizes = 4.0 * tangent**2 * unit / ((1.0 - analog) * (1.0 + analog) ** 2 * apart)
    powers = 2.0 * np.arctanh(analog)
    decay = -powers.real.max()
    times = np.rint(16.0 + np.linspace(0.0, 4.0 / decay, 200))
    largest = np.abs((np.exp(np.multiply.outer(times, powers)) @ sizes).real).max()
    return 16 + math.ceil(math.log(np.abs(sizes).sum() / (NEGLIGIBLE * largest)) / decay)


def poles_memory(radius: float, order: int) -> int:
    """Samples after which a filter has settled whose largest pole has this magnitude."""
    if radius >= 1.0:
        return 1 << 62
    # Poles that coincide: j**m pole**j; its logarithm falls half as fast until long after it is negligible.
    several = 1 if order < 2 else 2
    return order + 2 + (math.ceil(several * math.log(NEGLIGIBLE) / math.log(radius)) if radius else 0)


def in_differences(polynomial: np.ndarray) -> np.ndarray:
    """First three coefficients of a polynomial in z**-1 as one in u = 1 - z**-1."""
    power = np.arange(len(polynomial))
    return np.array(
        [polynomial.sum(), -(power * polynomial).sum(), (power * (power - 1) / 2 * polynomial).sum()]
    )


def one_pole_memory(decay: float) -> int:
    """Samples after which a one-pole low-pass has settled, exp(-decay) a sample."""
    return 2 + math.ceil(-math.log(NEGLIGIBLE) / decay)


def pair_memory(alpha: float, beta: float, margin: float) -> int:
    """Samples after which an alpha-beta filter has settled; ``margin`` is 4 - 2 alpha - beta."""
    # With e = 1 - pole: e1 + e2 = alpha + beta and e1 e2 = beta; near z = -1 the margin is (2 - e1)(2 - e2).
    middle = (alpha + beta) / 2.0
    square = middle * middle - beta
    root = math.sqrt(abs(square))
    if square < 0.0:
        reach, decay = math.sqrt(beta), 0.5 * _decay(alpha)
    else:
        reach = middle + root
        decay = _decay(beta / reach if middle < 1.0 else margin / (2.0 - middle + root))
    # Poles that coincide: j pole**j is below 1000 pole**j/decay until long after it is negligible.
    apart = max(2.0 * root, 1e-3 * decay)
    return 1 + math.ceil(math.log(max(2.0 * reach / apart, 1.0) / NEGLIGIBLE) / decay)


def _decay(gap: float) -> float:
    """-ln(1 - gap)."""
    return -math.log1p(-min(gap, 1.0 - 1e-15))


# A notch that follows the speed rests below and above these shares of the loop rate.
SLOWEST = 1e-4
FASTEST = 0.49


@dataclass(frozen=True, slots=True)
class FilterSection:
    """One filter: a ratio of polynomials in the normalised Laplace variable, frequency as share of the rate.

    Attributes
    ----------
    turns : float or ndarray
        Frequency at which the bilinear transform is exact, over the loop rate; of many speeds in column shape.
    above, below : tuple of float
        Numerator and denominator in s/w_0, highest power first, of one length.
    """

    turns: float | np.ndarray
    above: tuple[float, ...]
    below: tuple[float, ...]

    def response(self, turns: np.ndarray) -> np.ndarray:
        """Complex gain at frequencies given as shares of the loop rate."""
        laplace = 1j * np.tan(np.pi * turns) / np.tan(np.pi * self.turns)
        return np.polyval(self.above, laplace) / np.polyval(self.below, laplace)

    def denominator(self, back: np.ndarray) -> np.ndarray:
        """Denominator of :meth:`coefficients` at values of z**-1."""
        warp, last = np.tan(np.pi * self.turns), len(self.below) - 1
        ends = (1.0 - back, warp * (1.0 + back)), (1.0, warp)
        value, first = (
            np.asarray(sum(factor * ahead ** (last - k) * behind**k for k, factor in enumerate(self.below)))
            for ahead, behind in ends
        )
        return value / first

    def coefficients(self) -> tuple[np.ndarray, np.ndarray]:
        """Numerator and denominator in z**-1, the latter beginning with 1."""
        warp = math.tan(math.pi * self.turns)
        above, below = (_bilinear(poly, warp) for poly in (self.above, self.below))
        return above / below[0], below / below[0]


def sections(
    control: Control, rate: float, *, speed: float = 0.0, pitch: float = 1.0
) -> tuple[FilterSection, ...]:
    """Filters of a controller at a loop rate, in their order."""
    filters = []
    for notch in control.notch:
        if notch.frequency is not None:
            turns = notch.frequency / rate
        else:
            turns = _aliased_order(notch.order or 0.0, speed, pitch, rate)
        if notch.frequency is not None or SLOWEST <= turns <= FASTEST:
            width = 2.0 * notch.damping
            filters.append(FilterSection(turns, (1.0, width * notch.depth, 1.0), (1.0, width, 1.0)))
    if control.lowpass is not None:
        filters.append(FilterSection(control.lowpass / rate, (0.0, 1.0), (1.0, 1.0)))
    return tuple(filters)


def _aliased_order(order: float, speed: float, pitch: float, rate: float) -> float:
    """Aliased frequency of an order, share of the loop rate."""
    turns = order * abs(speed) / (pitch * rate)
    return abs(turns - round(turns))


def _bilinear(poly: tuple[float, ...], warp: float) -> np.ndarray:
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
