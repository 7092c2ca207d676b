"""Waveform harmonics, noise and jitter of two channels recorded in smooth motion, by least squares.

The parameters of `ellipse` are extended to q = (o_c, o_s, a, b, phi, H ..., m_0 ... m_d): H are sizes of waves
(order, part), the phase of sample k is a reference rate times k plus a series in k with the coefficients m: Legendre
polynomials, or where the speed changes more, B-splines of third order with knots at least four periods apart.

A harmonic of both channels alike is part 0. Parts 1 to 3 are what a channel has of its own: the quadrature of the
cosine channel, the difference of the two in phase, the quadrature of the sine channel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from . import ellipse

if TYPE_CHECKING:
    from .ellipse import Rows, Squares


# Points for each wave from which on each channel may have harmonics of its own.
POINTS_PER_WAVE = 12
LARGEST_DEGREE = 6
MOST_PIECES = 64
PERIODS_PER_PIECE = 4.0
# Points with which the solver works; of longer recordings as many, evenly spread, and bins of all.
MOST_POINTS = 1 << 15
LARGEST_WAVE = 10
SIGNIFICANT = 4.0
ROUNDING = 1e-9
ALIKE = 0.5
BINS = 1 << 12
CHUNK = 1 << 18


Wave: TypeAlias = tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class FittedPhase:
    """Smooth phase of the samples: ``rate`` k + a series over the recording of ``count`` samples.

    ``index`` are the numbers k of the points that are fitted; ``knots`` those of the spline, from -1 to 1, empty for
    Legendre polynomials.
    """

    rate: float
    degree: int
    count: float
    index: np.ndarray
    knots: np.ndarray

    def basis(self, part: slice) -> np.ndarray:
        """Functions of the series at the points of a slice."""
        return self.basis_at(self.index[part])

    def basis_at(self, k: np.ndarray) -> np.ndarray:
        """Functions of the series at samples k."""
        x = 2.0 * k / (self.count - 1) - 1.0
        if not len(self.knots):
            return np.asarray(np.polynomial.legendre.legvander(x, self.degree))
        from scipy.interpolate import BSpline

        return np.asarray(BSpline.design_matrix(x, self.knots, 3).toarray())

    def phase(self, coefficients: np.ndarray, part: slice) -> np.ndarray:
        """Phase of the points of a slice, rad."""
        return self.phase_at(coefficients, self.index[part])

    def phase_at(self, coefficients: np.ndarray, k: np.ndarray) -> np.ndarray:
        """Phase of samples k, rad."""
        return np.asarray(self.rate * k + self.basis_at(k) @ coefficients)

    def turns(self, coefficients: np.ndarray) -> float:
        """Signal periods between first and last sample, negative backwards."""
        ends = self.phase_at(coefficients, np.array([0.0, self.count - 1.0]))
        return float((ends[1] - ends[0]) / (2.0 * np.pi))


def some_of(count: int) -> np.ndarray:
    """Numbers of the points that the solver works with."""
    few = min(count, MOST_POINTS)
    return np.arange(count) if few == count else np.linspace(0, count - 1, few).astype(np.int64)


def fitted_phase(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, k: np.ndarray | None, rate: float | None
) -> tuple[FittedPhase, np.ndarray, np.ndarray]:
    """Smooth phase through points at k, by the fewest functions that do, its coefficients, and the points used."""
    count = len(c)
    rate = ellipse.mean_rate(q, c, s, k) if rate is None else rate
    used = some_of(count)
    phase, index = ellipse.unwrapped(q, c, s, k, rate)[used], used if k is None else k[used]
    span = count if k is None else k[-1] + 1
    largest = min(LARGEST_DEGREE, count // 10)
    trial = FittedPhase(rate, largest, span, index, np.empty(0))
    basis = trial.basis(slice(None))
    inverse = np.linalg.inv(basis.T @ basis)
    values = inverse @ (basis.T @ phase)
    left = phase - basis @ values
    variance = np.sum(left**2) / (len(index) - largest - 1)
    significant = np.abs(values) > SIGNIFICANT * np.sqrt(variance * np.diag(inverse)) + ROUNDING
    knots = _knots(left, rate * index + basis @ values, 2.0 * index / (span - 1) - 1.0)
    degree = max(1, int(np.max(np.nonzero(significant)[0], initial=1))) if not len(knots) else len(knots) - 5
    motion = FittedPhase(rate, degree, span, index, knots)
    return motion, np.linalg.lstsq(motion.basis(slice(None)), phase, rcond=None)[0], used


def _knots(left: np.ndarray, phase: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Knots of the spline that the motion needs beyond a polynomial; empty where that does."""
    # Motion is steep in its spectrum, jitter flat: the last doubling of the pieces that takes out twice as much
    # for each coefficient as the one after it is motion. All pieces have the same number of periods.
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(phase)))])
    most = min(MOST_PIECES, int(path[-1] / (2.0 * np.pi * PERIODS_PER_PIECE)), len(left) // 40)
    pieces = [count for count in (8, 16, 32, 64) if count <= most]
    if len(pieces) < 2:
        return np.empty(0)
    knots = [_spline_knots(x, path, count) for count in pieces]
    squares = [float(np.sum(left**2)), *(_left_by_spline(x, left, part) for part in knots)]
    added = [pieces[0] - 4, *(b - a for a, b in pairwise(pieces))]
    taken = [(a - b) / n for (a, b), n in zip(pairwise(squares), added, strict=True)]
    floor = 5.0 * squares[-1] / len(left) + ROUNDING**2
    wanted = [i for i in range(len(taken) - 1) if taken[i] > max(2.0 * taken[i + 1], floor)]
    if taken[-1] > max(floor, squares[-1] / added[-1]):
        wanted.append(len(taken) - 1)
    return knots[wanted[-1]] if wanted else np.empty(0)


def _spline_knots(x: np.ndarray, path: np.ndarray, pieces: int) -> np.ndarray:
    """Knots of a cubic spline with pieces of the same length of path."""
    inner = np.interp(path[-1] * np.arange(1, pieces) / pieces, path, x)
    return np.concatenate([[-1.0] * 4, inner, [1.0] * 4])


def _left_by_spline(x: np.ndarray, values: np.ndarray, knots: np.ndarray) -> float:
    """Sum of squares that a spline leaves of values."""
    from scipy.interpolate import make_lsq_spline

    return float(np.sum((values - make_lsq_spline(x, values, knots)(x)) ** 2))


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances of channel noise (of unit size) and phase jitter (rad^2) with their uncertainties."""

    # Variance across the curve; half the square of the jitter adds to the distance.
    noise: float
    noise_error: float
    jitter: float
    jitter_error: float
    # Whether a likelihood has told jitter from none; without one its uncertainty decides.
    told: bool | None = None

    @property
    def shaky(self) -> bool:
        """Whether the jitter is significant."""
        return self.jitter > SIGNIFICANT * self.jitter_error if self.told is None else self.told


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Waveform fitted to smooth motion."""

    q: np.ndarray
    covariance: np.ndarray
    # Significant waves.
    waves: tuple[Wave, ...]
    motion: FittedPhase
    # Signal periods in the recording, and degree of the phase.
    turns: float
    degree: int
    spread: Spread
    # Smallest significant harmonic.
    limit: float

    @property
    def phase(self) -> np.ndarray:
        """Phase of the points, rad."""
        return self.motion.phase(self.q[5 + len(self.waves) :], slice(None))

    @property
    def curve(self) -> np.ndarray:
        """Points of the fitted waveform at these phases."""
        return curve_at(self.q, self.phase, self.waves)[0]


def fit_steady(
    q: np.ndarray,
    c: np.ndarray,
    s: np.ndarray,
    orders: tuple[int, ...],
    k: np.ndarray | None = None,
    *,
    rate: float | None = None,
) -> Steady:
    """Waveform with the significant waves of these orders, from the ellipse ``q`` on; k are uneven sample times.

    ``rate`` is the mean phase step, where the samples given are too far apart to show it.
    """
    motion, coefficients, used = fitted_phase(q, c, s, k, rate)
    all_c, all_s, (c, s) = c, s, (c[used], s[used])
    parts = range(4) if len(c) >= POINTS_PER_WAVE * 4 * len(orders) else range(1)
    waves: tuple[Wave, ...] = tuple((n, part) for n in orders for part in parts)
    start = np.concatenate([q, np.zeros(len(waves)), coefficients])
    squares = _solve(start, c, s, waves, motion, (1.0, 0.0))
    weights = weights_of(_spread(squares, c, s, waves, motion))
    squares = _solve(squares.q, c, s, waves, motion, weights)
    chosen, limit = _significant(squares, waves)
    kept = [*range(5), *(5 + waves.index(wave) for wave in chosen), *range(5 + len(waves), len(squares.q))]
    squares = _solve(squares.q[kept], c, s, chosen, motion, weights)
    spread = _spread(squares, c, s, chosen, motion)
    if spread.shaky and len(c) > 6 * LARGEST_WAVE:
        noise, error = _noise_beside_jitter(squares, c, s, chosen, motion, spread)
        spread = replace(spread, noise=noise, noise_error=error)
    if len(all_c) > len(c):
        squares = _of_all(squares, all_c, all_s, k, chosen, motion)
    q, covariance = _undamped(squares, chosen, spread.jitter if spread.shaky else 0.0)
    turns = motion.turns(q[5 + len(chosen) :])
    return Steady(q, covariance, chosen, motion, turns, motion.degree, spread, limit)


def _solve(
    start: np.ndarray,
    c: np.ndarray,
    s: np.ndarray,
    waves: tuple[Wave, ...],
    motion: FittedPhase,
    weights: tuple[float, float],
) -> Squares:
    def rows(q: np.ndarray, part: slice) -> tuple[Rows, ...]:
        return rows_of(q, c[part], s[part], waves, motion, part, weights)

    return ellipse.solve(start, rows, len(c))


def curve_at(
    q: np.ndarray, theta: np.ndarray, waves: tuple[Wave, ...]
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Points of the waveform, their derivative by theta, and each wave."""
    point, tangent = ellipse.ellipse(q, theta)
    shapes, turn = [], np.exp(1j * theta)
    wheel = {n: turn**n for n in {n for n, _ in waves}}
    for (n, part), size in zip(waves, q[5:], strict=False):
        now, late = wheel[n], wheel[n] * (-1j) ** n
        shape = (now.real + 1j * late.real, now.imag, now.real - 1j * late.real, 1j * late.imag)[part]
        slope = (-now.imag - 1j * late.imag, now.real, -now.imag + 1j * late.imag, 1j * late.real)[part]
        shapes.append(shape + 0j)
        point = point + size * shapes[-1]
        tangent = tangent + size * n * slope
    return q[0] + 1j * q[1] + point, tangent, shapes


def rows_of(
    q: np.ndarray,
    c: np.ndarray,
    s: np.ndarray,
    waves: tuple[Wave, ...],
    motion: FittedPhase,
    part: slice,
    weights: tuple[float, float],
) -> tuple[Rows, ...]:
    """Radial and tangential rows, each over its standard deviation."""
    theta = motion.phase(q[5 + len(waves) :], part)
    point, tangent, shapes = curve_at(q, theta, waves)
    speed = np.abs(tangent)
    unit = tangent / speed
    noise, jitter = weights
    columns = np.stack(ellipse.ellipse_columns(q, theta) + shapes, axis=1)
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
    squares: Squares, c: np.ndarray, s: np.ndarray, waves: tuple[Wave, ...], motion: FittedPhase
) -> Spread:
    """Spread of the residuals: noise appears equally in both directions, jitter only along the curve."""
    theta = motion.phase(squares.q[5 + len(waves) :], slice(None))
    radial, angle, flat = residuals(squares.q, c, s, theta, waves)
    free = len(c) - squares.spent
    noise, tangential = np.sum(radial**2) / free[0], np.sum(angle**2) / free[1]
    of_noise = flat * noise
    jitter_error = np.sqrt(2.0 * (tangential**2 / free[1] + of_noise**2 / free[0]))
    return Spread(noise, noise * np.sqrt(2.0 / free[0]), tangential - of_noise, jitter_error)


def residuals(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, theta: np.ndarray, waves: tuple[Wave, ...]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Distances across the curve, angles along it, and the mean square angle of a unit length."""
    point, tangent, _ = curve_at(q, theta, waves)
    speed = np.abs(tangent)
    offset = (c + 1j * s - point) * tangent.conj() / speed
    return offset.imag, offset.real / speed, float(np.mean(speed**-2))


def _noise_beside_jitter(
    squares: Squares,
    c: np.ndarray,
    s: np.ndarray,
    waves: tuple[Wave, ...],
    motion: FittedPhase,
    spread: Spread,
) -> tuple[float, float]:
    """Noise variance and its uncertainty, corrected for the effect of jitter on the radius."""
    # A point with the phase error d lies d^2/2 inside the tangent, and the mean curve lies inside the true one. So the
    # jitter estimated from the tangential residuals is added to the phase, and cyclic errors of the radius are removed.
    theta = motion.phase(squares.q[5 + len(waves) :], slice(None))
    _, angle, flat = residuals(squares.q, c, s, theta, waves)
    theta = theta + angle * spread.jitter / (spread.jitter + flat * spread.noise)
    radial = residuals(squares.q, c, s, theta, waves)[0]
    cyclic = [f(n * theta) for n in range(LARGEST_WAVE + 1) for f in (np.cos, np.sin)]
    columns = np.stack([wave for wave in cyclic if np.any(wave)], axis=1)
    values, _, rank, _ = np.linalg.lstsq(columns, radial, rcond=1e-9)
    free = len(c) - rank
    noise = np.sum((radial - columns @ values) ** 2) / free
    return noise, noise * np.sqrt(2.0 / free)


def weights_of(spread: Spread) -> tuple[float, float]:
    """Variances of noise and jitter for the weights; noise has at least a thousandth of the jitter."""
    if not spread.shaky:
        return 1.0, 0.0
    return max(spread.noise, 1e-6 * spread.jitter), spread.jitter


def _of_all(
    squares: Squares,
    c: np.ndarray,
    s: np.ndarray,
    k: np.ndarray | None,
    waves: tuple[Wave, ...],
    motion: FittedPhase,
) -> Squares:
    """The fit of some points, one step further with the means of all points in narrow bins of the phase."""
    # The phase is known well enough from some points; within a bin the channels are straight.
    shape = 5 + len(waves)
    sums = np.zeros((4, BINS))
    for first in range(0, len(c), CHUNK):
        part = slice(first, first + CHUNK)
        at = np.arange(part.start, min(part.stop, len(c))) if k is None else k[part]
        turns = motion.phase_at(squares.q[shape:], at) / (2.0 * np.pi)
        turns -= np.floor(turns)
        place = np.minimum((turns * BINS).astype(np.int64), BINS - 1)
        for row, weight in enumerate((None, turns, c[part], s[part])):
            sums[row] += np.bincount(place, weight, BINS)
    filled = sums[0] > 0.0
    number, theta = sums[0][filled], 2.0 * np.pi * sums[1][filled] / sums[0][filled]
    point, _, shapes = curve_at(squares.q, theta, waves)
    columns = np.stack(ellipse.ellipse_columns(squares.q, theta) + shapes, axis=1)
    away = (sums[2][filled] + 1j * sums[3][filled]) / number - point
    weight = np.sqrt(number)[:, None]
    matrix = np.concatenate([columns.real * weight, columns.imag * weight])
    step = np.linalg.lstsq(
        matrix, np.concatenate([away.real, away.imag]) * np.tile(weight[:, 0], 2), rcond=None
    )[0]
    q, covariance = squares.q.copy(), squares.covariance * (len(motion.index) / len(c))
    q[:shape] += step
    return replace(squares, q=q, covariance=covariance)


def _significant(squares: Squares, waves: tuple[Wave, ...]) -> tuple[tuple[Wave, ...], float]:
    """Significant waves, and the largest size of a harmonic that is not significant."""
    # Strongly correlated harmonics are tested together: with much jitter only the sum of h3 and h5 is determined, and
    # one of them alone would take all of it.
    part = slice(5, 5 + len(waves))
    sizes, covariance = squares.q[part], squares.covariance[part, part]
    errors = np.sqrt(np.diag(covariance))
    linked = np.abs(covariance / np.outer(errors, errors)) > ALIKE
    linked = np.linalg.matrix_power(linked.astype(float), len(waves)) > 0.0
    chosen = []
    for wave, group in zip(waves, linked, strict=True):
        weight = sizes[group] @ np.linalg.solve(covariance[np.ix_(group, group)], sizes[group])
        # Chance exceeds this about as rarely for a group as for a single harmonic.
        limit = SIGNIFICANT**2 + 3.5 * (np.count_nonzero(group) - 1)
        if weight > limit and np.max(np.abs(sizes[group])) > ROUNDING * squares.q[2]:
            chosen.append(wave)
    alike = [error for (_, own), error in zip(waves, errors, strict=True) if own == 0]
    return tuple(chosen), float((SIGNIFICANT * np.max(alike) + ROUNDING) / squares.q[2])


def _undamped(squares: Squares, waves: tuple[Wave, ...], jitter: float) -> tuple[np.ndarray, np.ndarray]:
    """Parameters and covariance without the factor exp(-n^2 jitter/2) by which jitter reduces order n."""
    gain = np.ones(len(squares.q))
    gain[2:4] = np.exp(0.5 * jitter)
    gain[5 : 5 + len(waves)] = [np.exp(0.5 * n * n * jitter) for n, _ in waves]
    return squares.q * gain, squares.covariance * np.outer(gain, gain)
