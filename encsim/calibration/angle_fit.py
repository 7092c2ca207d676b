"""Least squares in angle: waves that follow the position beside a slow motion, with their uncertainty.

An order o is a wave ``Im(a exp(i o theta)) = |a| sin(o theta + arg a)`` of an angle theta. Samples need neither even
speed nor a speed below half a wave per sample: the angle of each sample is known, so aliasing is no special case.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence


TAU = 2.0 * np.pi
# A recording is demodulated in this many blocks; the noise beside an order is read between these frequencies, 1/length.
BLOCKS = 128
NEAR, FAR = 2, 18
# Largest degree of the slow motion, and fewest samples per degree.
LARGEST_DEGREE = 48
SAMPLES_A_DEGREE = 12
# A wave whose variance grows by more than this in the fit cannot be told from slow motion or from another wave.
INSEPARABLE = 9.0
# The recording is cut into this many pieces; the scatter of a wave between them is its noise.
PIECES = 16
# Highest order that is read from values sorted by angle, and bins per wave of that order: 1.6 % are lost at most.
SORTED = 2048
BINS = 8
# Chance takes an order for significant in one of so many searches.
FALSE_ALARM = 1e-3
# In one pass all orders are kept that reach this share of the strongest power: weaker ones may be its leakage.
LEAKAGE = 0.1
PASSES = 12
MOST_ORDERS = 60


@dataclass(frozen=True, slots=True, eq=False)
class AngleFit:
    """Waves fitted beside slow motion.

    ``amplitude`` is complex, shape (o,); ``uncertainty`` is that of its real and imaginary part; ``inflation`` the
    factor by which the other columns increase the variance of each order.
    """

    orders: tuple[float, ...]
    amplitude: np.ndarray
    uncertainty: np.ndarray
    inflation: np.ndarray
    slow: np.ndarray
    waves: np.ndarray
    residual: np.ndarray

    @property
    def separable(self) -> np.ndarray:
        """Orders that the recording tells from slow motion and from each other."""
        return self.inflation < INSEPARABLE


def wave_columns(theta: np.ndarray, orders: Sequence[float]) -> np.ndarray:
    """Sine and cosine of every order, shape (n, 2 o)."""
    columns = np.empty((len(theta), 2 * len(orders)))
    for place, order in enumerate(orders):
        angle = order * theta
        columns[:, 2 * place], columns[:, 2 * place + 1] = np.sin(angle), np.cos(angle)
    return columns


def slow_basis(time: np.ndarray, degree: int) -> np.ndarray:
    """Polynomials of time up to a degree, orthonormal, shape (n, degree + 1)."""
    span = max(float(time[-1] - time[0]), np.finfo(float).tiny)
    return orthonormal(np.polynomial.chebyshev.chebvander(2.0 * (time - time[0]) / span - 1.0, degree))


def orthonormal(columns: np.ndarray) -> np.ndarray:
    """Orthonormal columns that span the given ones, which lead in their order."""
    return np.asarray(np.linalg.qr(columns)[0])


def without(values: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """What is left of values, or of columns, beside an orthonormal basis."""
    return np.asarray(values - basis @ (basis.T @ values))


def slow_degree(values: np.ndarray, time: np.ndarray, largest: int) -> int:
    """Degree of the slow motion with the least Bayesian information criterion."""
    largest = max(1, min(largest, LARGEST_DEGREE, len(values) // SAMPLES_A_DEGREE))
    basis = slow_basis(time, largest)
    left = float(values @ values) - np.cumsum((basis.T @ values) ** 2)
    floor = 1e-24 * float(values @ values) + np.finfo(float).tiny
    criterion = len(values) * np.log(np.maximum(left, floor)) + np.log(len(values)) * np.arange(len(left))
    return max(1, int(np.argmin(criterion)))


def fit_waves(
    values: np.ndarray, theta: np.ndarray, orders: Sequence[float], basis: np.ndarray, *, noise: bool = True
) -> AngleFit:
    """Waves of these orders fitted to values beside an orthonormal basis of the slow motion."""
    orders = tuple(orders)
    waves = wave_columns(theta, orders)
    # Slow columns first (Frisch, Waugh, Lovell): what is left of the waves is all that can tell of them.
    rest, left = without(values, basis), without(waves, basis)
    normal = left.T @ left
    inverse = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
    coefficients = inverse @ (left.T @ rest)
    fitted = waves @ coefficients
    along = basis @ (basis.T @ (values - fitted))
    residual = values - fitted - along
    amplitude = coefficients[0::2] + 1j * coefficients[1::2]
    inflation = _inflation(normal, inverse, len(values))
    power = np.array([noise_power(residual, theta, order) if noise else np.nan for order in orders])
    uncertainty = np.sqrt(0.5 * power * np.minimum(inflation, 1e12)) if orders else np.zeros(0)
    return AngleFit(orders, amplitude, uncertainty, inflation, along, fitted, residual)


def _inflation(normal: np.ndarray, inverse: np.ndarray, count: int) -> np.ndarray:
    """Variance of each order over that of a wave alone, 2/n a component."""
    variance = np.diag(inverse).copy()
    # Columns that vanish beside the slow ones have no row in the pseudo-inverse: nothing is known of them.
    variance[np.diag(normal) < 1e-9 * count] = np.inf
    pairs = variance.reshape(-1, 2).max(axis=1)
    return np.asarray(0.5 * count * pairs)


def demodulated(values: np.ndarray, theta: np.ndarray, order: float, blocks: int = BLOCKS) -> np.ndarray:
    """Complex amplitude of an order in each of successive blocks of equal length."""
    blocks = max(1, min(blocks, len(values)))
    size = len(values) // blocks
    used = size * blocks
    turned = values[:used] * np.exp(-1j * order * theta[:used])
    return 2j * turned.reshape(blocks, size).mean(axis=1)


def noise_power(residual: np.ndarray, theta: np.ndarray, order: float) -> float:
    """Mean square of the complex amplitude that noise gives an order, read from its neighbourhood."""
    spectrum = np.fft.fft(demodulated(residual, theta, order))
    if len(spectrum) < 2 * FAR:
        return 4.0 * float(np.mean(residual**2)) / max(len(residual), 1)
    spectrum = np.abs(spectrum / len(spectrum)) ** 2
    return float(np.mean(np.concatenate([spectrum[NEAR:FAR], spectrum[1 - FAR : 1 - NEAR]])))


def autocorrelation_sum(values: np.ndarray) -> float:
    """Sum of the squared autocorrelation over all lags, positive and negative: 1 for white noise."""
    count = len(values)
    if count < 4 or not np.any(values):
        return 1.0
    centred = values - values.mean()
    spectrum = np.abs(np.fft.rfft(centred, 2 * count)) ** 2
    lags = np.fft.irfft(spectrum)[:count] / (centred @ centred)
    # Each estimated lag holds chance of mean square 1/n: it is taken off, and far lags, which hold only that, left out.
    reach = max(2, count // 8)
    squares = lags[1:reach] ** 2 - 1.0 / count
    return 1.0 + 2.0 * float(np.maximum(np.sum(squares), 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class ScannedPiece:
    """Values over an angle, with an orthonormal basis of the slow motion beside them."""

    values: np.ndarray
    theta: np.ndarray
    slow: np.ndarray


def order_powers(
    values: np.ndarray, theta: np.ndarray, candidates: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean square amplitude of each candidate and that expected of noise."""
    parts = np.empty((PIECES, len(candidates)), dtype=complex)
    whole = (candidates == np.rint(candidates)) & (np.abs(candidates) <= SORTED)
    if whole.any():
        parts[:, whole] = _sorted_by_angle(values, theta, candidates[whole].astype(int))
    for place in np.flatnonzero(~whole):
        parts[:, place] = demodulated(values, theta, candidates[place], PIECES)
    mean = parts.mean(axis=0)
    scatter = np.sum(np.abs(parts - mean) ** 2, axis=0) / (PIECES * (PIECES - 1))
    return np.abs(mean) ** 2, scatter


def _sorted_by_angle(values: np.ndarray, theta: np.ndarray, orders: np.ndarray) -> np.ndarray:
    """Amplitudes of whole orders in successive pieces, by one Fourier transform over the angle."""
    bins = 1 << int(np.ceil(np.log2(BINS * (orders.max() + 1))))
    size = len(values) // PIECES
    used = size * PIECES
    place = np.floor(theta[:used] * (bins / TAU)).astype(np.int64) % bins
    place += np.repeat(np.arange(PIECES) * bins, size)
    sums = np.bincount(place, weights=values[:used], minlength=PIECES * bins).reshape(PIECES, bins)
    spectrum = np.fft.rfft(sums, axis=1)[:, orders] / size
    # The values of a bin stand at its middle, and a bin averages a wave.
    middle = np.exp(-1j * np.pi * orders / bins) / np.sinc(orders / bins)
    return np.asarray(2j * spectrum * middle)


def threshold(count: int) -> float:
    """Ratio of power to noise that chance exceeds in one search of ``count`` candidates out of 1/FALSE_ALARM."""
    # Of an F distribution with 2 and 2 (n - 1) degrees of freedom: (1 + f/(n - 1))**-(n - 1).
    free = PIECES - 1
    return float(free * ((FALSE_ALARM / max(count, 1)) ** (-1.0 / free) - 1.0))


def find_orders(
    pieces: Sequence[ScannedPiece], candidates: np.ndarray, known: Sequence[float] = ()
) -> tuple[float, ...]:
    """Orders that are significant in at least one piece; the strongest first, then what is left beside them."""
    limit = threshold(len(candidates) * len(pieces))
    found = list(known)
    for _ in range(PASSES):
        ratio, power = _ratios(pieces, candidates, found)
        strength = np.where(ratio > limit, power, 0.0)
        strength[np.isin(candidates, found)] = 0.0
        if not strength.any() or len(found) >= MOST_ORDERS:
            break
        found += [float(order) for order in candidates[strength >= LEAKAGE * strength.max()]]
    return tuple(sorted(found))


def _ratios(
    pieces: Sequence[ScannedPiece], candidates: np.ndarray, found: Sequence[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Largest ratio of power to noise over the pieces, and the sum of the powers."""
    largest, total = np.zeros(len(candidates)), np.zeros(len(candidates))
    for piece in pieces:
        rest = fit_waves(piece.values, piece.theta, found, piece.slow, noise=False).residual
        power, noise = order_powers(rest, piece.theta, candidates)
        ratio = power / np.maximum(noise, np.finfo(float).tiny)
        largest, total = np.maximum(largest, ratio), total + power
    return largest, total
