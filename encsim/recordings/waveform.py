"""Waveform harmonics, noise and jitter of two channels recorded in smooth motion, by least squares.

The parameters of `ellipse` are extended to q = (o_c, o_s, a, b, phi, H_n ..., m_0 ... m_d): the phase of sample
k is a reference rate times k plus a Legendre series in k with the coefficients m.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from . import ellipse

if TYPE_CHECKING:
    from .ellipse import Rows, Squares


LARGEST_DEGREE = 6
LARGEST_WAVE = 10
SIGNIFICANT = 4.0
ROUNDING = 1e-9
ALIKE = 0.5
SMALLEST = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class FittedPhase:
    """Smooth phase of the samples: ``rate`` k + a Legendre series of ``degree`` over the recording."""

    rate: float
    degree: int
    count: int

    def basis(self, part: slice) -> np.ndarray:
        """Legendre polynomials 0 to degree at the samples of a slice."""
        k = np.arange(self.count)[part]
        return np.asarray(np.polynomial.legendre.legvander(2.0 * k / (self.count - 1) - 1.0, self.degree))

    def phase(self, coefficients: np.ndarray, part: slice) -> np.ndarray:
        """Phase of the samples of a slice, rad."""
        return np.asarray(self.rate * np.arange(self.count)[part] + self.basis(part) @ coefficients)

    def turns(self, coefficients: np.ndarray) -> float:
        """Signal periods between first and last sample, negative backwards."""
        odd = 2.0 * np.sum(coefficients[1::2])
        return float((self.rate * (self.count - 1) + odd) / (2.0 * np.pi))


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances of channel noise (of unit size) and phase jitter (rad^2) with their uncertainties."""

    # Variance across the curve; half the square of the jitter adds to the distance.
    noise: float
    noise_error: float
    jitter: float
    jitter_error: float
    # Correlation of successive residuals along the curve.
    correlation: float

    @property
    def shaky(self) -> bool:
        """Whether the jitter is significant."""
        return self.jitter > SIGNIFICANT * self.jitter_error


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Waveform fitted to smooth motion."""

    q: np.ndarray
    covariance: np.ndarray
    # Orders of the significant harmonics.
    orders: tuple[int, ...]
    # Signal periods in the recording, and degree of the phase.
    turns: float
    degree: int
    spread: Spread
    # Smallest significant harmonic.
    limit: float


def fit_steady(q: np.ndarray, c: np.ndarray, s: np.ndarray, orders: tuple[int, ...]) -> Steady:
    """Waveform with the significant harmonics among ``orders``, started from the ellipse ``q``."""
    motion, coefficients = _motion(np.angle(ellipse.corrected(q, c, s)))
    start = np.concatenate([q, np.zeros(len(orders)), coefficients])
    squares = _solve(start, c, s, orders, motion, (1.0, 0.0))
    weights = _weights(_spread(squares, c, s, orders, motion))
    squares = _solve(squares.q, c, s, orders, motion, weights)
    chosen, limit = _significant(squares, orders)
    kept = [*range(5), *(5 + orders.index(n) for n in chosen), *range(5 + len(orders), len(squares.q))]
    squares = _solve(squares.q[kept], c, s, chosen, motion, weights)
    spread = _spread(squares, c, s, chosen, motion)
    if spread.shaky and len(c) > 6 * LARGEST_WAVE:
        noise, error = _noise_beside_jitter(squares, c, s, chosen, motion, spread)
        spread = replace(spread, noise=noise, noise_error=error)
    q, covariance = _undamped(squares, chosen, spread.jitter if spread.shaky else 0.0)
    turns = motion.turns(q[5 + len(chosen) :])
    return Steady(q, covariance, chosen, turns, motion.degree, spread, limit)


def _solve(
    start: np.ndarray,
    c: np.ndarray,
    s: np.ndarray,
    orders: tuple[int, ...],
    motion: FittedPhase,
    weights: tuple[float, float],
) -> Squares:
    def rows(q: np.ndarray, part: slice) -> tuple[Rows, ...]:
        return _rows(q, c[part], s[part], orders, motion, part, weights)

    return ellipse.solve(start, rows, len(c))


def _motion(angle: np.ndarray) -> tuple[FittedPhase, np.ndarray]:
    """Smooth phase through the angles, of the highest significant degree, and its coefficients."""
    # The mean step is subtracted first, so that unwrapping works at any speed, even near half a period per sample.
    rate = float(np.angle(np.mean(np.exp(1j * np.diff(angle)))))
    k = np.arange(len(angle))
    phase = np.unwrap(np.angle(np.exp(1j * (angle - rate * k))))
    largest = min(LARGEST_DEGREE, len(angle) // 10)
    basis = FittedPhase(rate, largest, len(angle)).basis(slice(None))
    inverse = np.linalg.inv(basis.T @ basis)
    values = inverse @ (basis.T @ phase)
    variance = np.sum((phase - basis @ values) ** 2) / (len(angle) - largest - 1)
    significant = np.abs(values) > SIGNIFICANT * np.sqrt(variance * np.diag(inverse)) + ROUNDING
    degree = max(1, int(np.max(np.nonzero(significant)[0], initial=1)))
    motion = FittedPhase(rate, degree, len(angle))
    return motion, np.linalg.lstsq(motion.basis(slice(None)), phase, rcond=None)[0]


def _curve(
    q: np.ndarray, theta: np.ndarray, orders: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Points of the waveform, their derivative by theta, and the wave of each harmonic."""
    point, tangent = ellipse.ellipse(q, theta)
    waves = []
    for n, size in zip(orders, q[5:], strict=False):
        quarter = n * (theta - 0.5 * np.pi)
        waves.append(np.cos(n * theta) + 1j * np.cos(quarter))
        point = point + size * waves[-1]
        tangent = tangent - size * n * (np.sin(n * theta) + 1j * np.sin(quarter))
    return q[0] + 1j * q[1] + point, tangent, waves


def _rows(
    q: np.ndarray,
    c: np.ndarray,
    s: np.ndarray,
    orders: tuple[int, ...],
    motion: FittedPhase,
    part: slice,
    weights: tuple[float, float],
) -> tuple[Rows, ...]:
    """Radial and tangential rows, each over its standard deviation."""
    theta = motion.phase(q[5 + len(orders) :], part)
    point, tangent, waves = _curve(q, theta, orders)
    speed = np.abs(tangent)
    unit = tangent / speed
    noise, jitter = weights
    columns = np.stack(ellipse.ellipse_columns(q, theta) + waves, axis=1)
    columns = np.concatenate([columns, tangent[:, None] * motion.basis(part)], axis=1)
    sizes = np.full_like(speed, np.sqrt(noise)), np.sqrt(noise + jitter * speed**2)
    return tuple(
        (
            ellipse.along(c + 1j * s - point, direction) / size,
            ellipse.along(columns, direction[:, None]) / size[:, None],
        )
        for direction, size in zip((-1j * unit, unit), sizes, strict=True)
    )


def _spread(
    squares: Squares, c: np.ndarray, s: np.ndarray, orders: tuple[int, ...], motion: FittedPhase
) -> Spread:
    """Spread of the residuals: noise appears equally in both directions, jitter only along the curve."""
    theta = motion.phase(squares.q[5 + len(orders) :], slice(None))
    radial, angle, flat = _residuals(squares.q, c, s, theta, orders)
    free = len(c) - squares.spent
    noise, tangential = np.sum(radial**2) / free[0], np.sum(angle**2) / free[1]
    of_noise = flat * noise
    jitter_error = np.sqrt(2.0 * (tangential**2 / free[1] + of_noise**2 / free[0]))
    correlation = np.sum(angle[1:] * angle[:-1]) / max(np.sum(angle**2), SMALLEST)
    return Spread(noise, noise * np.sqrt(2.0 / free[0]), tangential - of_noise, jitter_error, correlation)


def _residuals(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, theta: np.ndarray, orders: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Distances across the curve, angles along it, and the mean square angle of a unit length."""
    point, tangent, _ = _curve(q, theta, orders)
    speed = np.abs(tangent)
    offset = (c + 1j * s - point) * tangent.conj() / speed
    return offset.imag, offset.real / speed, float(np.mean(speed**-2))


def _noise_beside_jitter(
    squares: Squares,
    c: np.ndarray,
    s: np.ndarray,
    orders: tuple[int, ...],
    motion: FittedPhase,
    spread: Spread,
) -> tuple[float, float]:
    """Noise variance and its uncertainty, corrected for the effect of jitter on the radius."""
    # A point with the phase error d lies d^2/2 inside the tangent, and the mean curve lies inside the true one. So the
    # jitter estimated from the tangential residuals is added to the phase, and cyclic errors of the radius are removed.
    theta = motion.phase(squares.q[5 + len(orders) :], slice(None))
    _, angle, flat = _residuals(squares.q, c, s, theta, orders)
    theta = theta + angle * spread.jitter / (spread.jitter + flat * spread.noise)
    radial = _residuals(squares.q, c, s, theta, orders)[0]
    waves = [f(n * theta) for n in range(LARGEST_WAVE + 1) for f in (np.cos, np.sin)]
    columns = np.stack([wave for wave in waves if np.any(wave)], axis=1)
    values, _, rank, _ = np.linalg.lstsq(columns, radial, rcond=1e-9)
    free = len(c) - rank
    noise = np.sum((radial - columns @ values) ** 2) / free
    return noise, noise * np.sqrt(2.0 / free)


def _weights(spread: Spread) -> tuple[float, float]:
    """Variances of noise and jitter for the weights; noise has at least a thousandth of the jitter."""
    if not spread.shaky:
        return 1.0, 0.0
    return max(spread.noise, 1e-6 * spread.jitter), spread.jitter


def _significant(squares: Squares, orders: tuple[int, ...]) -> tuple[tuple[int, ...], float]:
    """Orders of significant harmonics, and the largest size that is not significant."""
    # Strongly correlated harmonics are tested together: with much jitter only the sum of h3 and h5 is determined, and
    # one of them alone would take all of it.
    part = slice(5, 5 + len(orders))
    sizes, covariance = squares.q[part], squares.covariance[part, part]
    errors = np.sqrt(np.diag(covariance))
    linked = np.abs(covariance / np.outer(errors, errors)) > ALIKE
    linked = np.linalg.matrix_power(linked.astype(float), len(orders)) > 0.0
    chosen = []
    for n, group in zip(orders, linked, strict=True):
        weight = sizes[group] @ np.linalg.solve(covariance[np.ix_(group, group)], sizes[group])
        # Chance exceeds this about as rarely for a group as for a single harmonic.
        limit = SIGNIFICANT**2 + 3.5 * (np.count_nonzero(group) - 1)
        if weight > limit and np.max(np.abs(sizes[group])) > ROUNDING * squares.q[2]:
            chosen.append(n)
    return tuple(chosen), float((SIGNIFICANT * np.max(errors) + ROUNDING) / squares.q[2])


def _undamped(squares: Squares, orders: tuple[int, ...], jitter: float) -> tuple[np.ndarray, np.ndarray]:
    """Parameters and covariance without the factor exp(-n^2 jitter/2) by which jitter reduces order n."""
    gain = np.ones(len(squares.q))
    gain[2:4] = np.exp(0.5 * jitter)
    gain[5 : 5 + len(orders)] = [np.exp(0.5 * n * n * jitter) for n in orders]
    return squares.q * gain, squares.covariance * np.outer(gain, gain)
