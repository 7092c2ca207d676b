"""Ellipse of two channels by least squares, and the Gauss-Newton solver that `waveform` uses too.

The channels are scaled to a size near 1. Parameters are q = (o_c, o_s, a, b, phi, ...):
c = o_c + a cos(theta) + sum H_n cos(n theta), s = o_s + b sin(theta + phi) + sum H_n cos(n (theta - pi/2)).
Points of the plane are complex numbers, c + i s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

BLOCK = 1 << 15
STEPS = 60
CONVERGED = 1e-10
FOOT_STEPS = 4
BINS = 1 << 12
CHUNK = 1 << 18
# Least share of a term that nothing else explains.
LEAST_APART = 1e-6


class NoFit(Exception):
    """The least squares has no solution; the text is the reason."""


@dataclass(frozen=True, slots=True, eq=False)
class Squares:
    """Solution of a least squares."""

    q: np.ndarray
    covariance: np.ndarray
    # Degrees of freedom that the parameters take from each class of rows (radial, tangential).
    spent: np.ndarray
    # Variance of the distance from an ellipse.
    variance: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Normal matrix of each class of rows, gradient, and cost (sum of squares)."""

    grams: list[np.ndarray]
    gradient: np.ndarray
    cost: float


# Residuals and derivatives of one class of rows, and the function that gives them for parameters and a slice of points.
Rows: TypeAlias = tuple[np.ndarray, np.ndarray]
Linearise: TypeAlias = Callable[[np.ndarray, slice], tuple[Rows, ...]]


def conic(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Coefficients A..E of A c^2 + B s^2 + C c s + D c + E s = 1, linear least squares (Heydemann 1981)."""
    columns = np.stack([c * c, s * s, c * s, c, s], axis=1)
    values, _, rank, _ = np.linalg.lstsq(columns, np.ones(len(c)), rcond=1e-12)
    if rank < 5:
        raise NoFit("the points lie on a line or in a few spots")
    return np.asarray(values)


def from_conic(coefficients: np.ndarray) -> np.ndarray:
    """Parameters (o_c, o_s, a, b, phi) of a conic, NoFit if it is no ellipse."""
    # In Heydemann's paper the sine channel lags by alpha = asin(C/sqrt(4 A B)), so phi = -alpha.
    A, B, C, D, E = coefficients
    if not (A > 0.0 and B > 0.0 and 4.0 * A * B > C * C):
        raise NoFit("the points lie on no ellipse")
    o_c, o_s = np.array([E * C - 2.0 * B * D, D * C - 2.0 * A * E]) / (4.0 * A * B - C * C)
    level = 1.0 + A * o_c**2 + B * o_s**2 + C * o_c * o_s
    phi = -np.arcsin(C / np.sqrt(4.0 * A * B))
    a = np.sqrt(level / A) / np.cos(phi)
    return np.array([o_c, o_s, a, a * np.sqrt(A / B), phi])


def corrected(q: np.ndarray, c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """The channels corrected for offset, gain and phase, as a complex circle of radius 1."""
    x, y = (c - q[0]) / q[2], (s - q[1]) / q[3]
    return np.asarray(x + 1j * (y - x * np.sin(q[4])) / np.cos(q[4]))


def mean_rate(q: np.ndarray, c: np.ndarray, s: np.ndarray, k: np.ndarray | None) -> float:
    """Mean phase step at the beginning of a recording, rad per sample."""
    # It is subtracted first, so that unwrapping works at any speed, even near half a period per sample. Where a logger
    # held samples and these were left out, the usual step is more than one sample.
    few = slice(0, min(len(c), CHUNK))
    steps = np.diff(np.arange(few.stop) if k is None else k[few])
    usual = float(np.median(steps))
    near = np.abs(steps - usual) < 0.5
    angle = np.diff(np.angle(corrected(q, c[few], s[few])))
    return float(np.angle(np.mean(np.exp(1j * angle[near])))) / usual


def unwrapped(q: np.ndarray, c: np.ndarray, s: np.ndarray, k: np.ndarray | None, rate: float) -> np.ndarray:
    """Phase of all points less ``rate`` k, without jumps."""
    phase, last = np.empty(len(c)), 0.0
    for first in range(0, len(c), CHUNK):
        part = slice(first, min(first + CHUNK, len(c)))
        at = np.arange(part.start, part.stop) if k is None else k[part]
        turns = (np.angle(corrected(q, c[part], s[part])) - rate * at) / (2.0 * np.pi)
        turns -= np.cumsum(np.rint(np.diff(turns, prepend=last)))
        phase[part], last = 2.0 * np.pi * turns, turns[-1]
    return phase


def fit_ellipse(c: np.ndarray, s: np.ndarray) -> Squares:
    """The ellipse with the least orthogonal distances from the points."""
    # Noise along a curve of curvature k moves points outwards by k sigma^2/2 on average. The second pass subtracts
    # that; without it the amplitude is sigma^2/2 too large.
    first = solve(_start(c, s), lambda q, part: _distance_rows(q, c[part], s[part], 0.0), len(c))
    variance = np.sum(distances(first.q, c, s)[0] ** 2) / (len(c) - 5)
    found = solve(first.q, lambda q, part: _distance_rows(q, c[part], s[part], variance), len(c))
    return Squares(found.q, found.covariance, found.spent, float(variance))


def of_all(squares: Squares, c: np.ndarray, s: np.ndarray, used: int) -> Squares:
    """The fit of ``used`` points, one step further with the means of all points in narrow bins of the angle."""
    sums = np.zeros((3, BINS))
    for first in range(0, len(c), CHUNK):
        part = slice(first, first + CHUNK)
        turns = np.angle(corrected(squares.q, c[part], s[part])) * (0.5 / np.pi)
        place = ((turns - np.floor(turns)) * BINS).astype(np.int64) % BINS
        for row, weight in enumerate((None, c[part], s[part])):
            sums[row] += np.bincount(place, weight, BINS)
    number, x, y = sums[:, sums[0] > 0.0]
    variance = squares.variance
    rows, columns = _distance_rows(squares.q, x / number, y / number, variance)[0]
    weight = np.sqrt(number)
    step = np.linalg.lstsq(columns * weight[:, None], rows * weight, rcond=None)[0]
    return Squares(squares.q + step, squares.covariance * (used / len(c)), squares.spent, variance)


def _start(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Parameters of the conic, or of a circle if the conic is no ellipse (noise on a short arc)."""
    coefficients = conic(c, s)
    try:
        return from_conic(coefficients)
    except NoFit:
        columns = np.stack([2.0 * c, 2.0 * s, np.ones_like(c)], axis=1)
        o_c, o_s, level = np.linalg.lstsq(columns, c * c + s * s, rcond=None)[0]
        radius = np.sqrt(level + o_c**2 + o_s**2)
        return np.array([o_c, o_s, radius, radius, 0.0])


def distances(q: np.ndarray, c: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance of each point from the ellipse, outwards positive, and the phase of its nearest point."""
    theta = _nearest_phase(q, c, s)
    point, tangent = ellipse(q, theta)
    offset = (c - q[0]) + 1j * (s - q[1]) - point
    return along(offset, -1j * tangent / np.abs(tangent)), theta


def cyclic_distance(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, orders: tuple[int, ...]
) -> tuple[float, float, float]:
    """Amplitude of cos 4 theta in the distances, its uncertainty, and the residual variance without ``orders``."""
    # The parameters of the ellipse are fitted again with the orders, because they can absorb a part of them.
    theta = _nearest_phase(q, c, s)
    rows, columns = _distance_rows(q, c, s, 0.0)[0]
    waves = [f(n * theta) for n in orders for f in (np.cos, np.sin)]
    columns = np.concatenate([np.stack(waves, axis=1), columns], axis=1)
    inverse = np.linalg.pinv(columns.T @ columns)
    values = inverse @ (columns.T @ rows)
    variance = np.sum((rows - columns @ values) ** 2) / (len(c) - columns.shape[1])
    fourth = 2 * list(orders).index(4)
    return values[fourth], np.sqrt(variance * inverse[fourth, fourth]), variance


def solve(
    start: np.ndarray, linearise: Linearise, count: int, possible: Callable[[np.ndarray], bool] | None = None
) -> Squares:
    """Gauss-Newton with step halving, NoFit if it does not converge; ``possible`` by default as an ellipse."""
    q, sums = start, _summed(start, linearise, count)
    for _ in range(STEPS):
        step = inverse_of(np.sum(sums.grams, axis=0)) @ sums.gradient
        q, sums = _descended(q, step, sums, linearise, count, possible or _possible)
        if np.max(np.abs(step)) <= CONVERGED:
            inverse = inverse_of(np.sum(sums.grams, axis=0))
            spent = np.array([np.sum(inverse * gram) for gram in sums.grams])
            return Squares(q, inverse * (sums.cost / (len(sums.grams) * count - len(q))), spent)
    raise NoFit("the least squares does not settle")


def _descended(
    q: np.ndarray,
    step: np.ndarray,
    sums: _Sums,
    linearise: Linearise,
    count: int,
    possible: Callable[[np.ndarray], bool],
) -> tuple[np.ndarray, _Sums]:
    """The next parameters and their sums: the step, halved until the cost does not grow."""
    # The rows turn with the curve, so that the weighted cost may grow slightly; only divergence halves the step.
    bound = sums.cost * (1.0 + 1e-3) + 1e-24 * count
    for _ in range(30):
        if possible(q + step):
            trial = _summed(q + step, linearise, count)
            if trial.cost <= bound:
                return q + step, trial
        step = 0.5 * step
    raise NoFit("the least squares does not settle")


def _possible(q: np.ndarray) -> bool:
    """Whether the parameters describe an ellipse."""
    return bool(np.all(np.isfinite(q)) and q[2] > 0.0 and q[3] > 0.0 and abs(q[4]) < 0.5 * np.pi)


def _summed(q: np.ndarray, linearise: Linearise, count: int) -> _Sums:
    """Sums over all points, block by block."""
    grams, gradient, cost = [], np.zeros(len(q)), 0.0
    for first in range(0, count, BLOCK):
        classes = linearise(q, slice(first, first + BLOCK))
        grams.append([columns.T @ columns for _, columns in classes])
        gradient = gradient + sum(columns.T @ residual for residual, columns in classes)
        cost += sum(float(residual @ residual) for residual, _ in classes)
    return _Sums([np.sum(blocks, axis=0) for blocks in zip(*grams, strict=True)], gradient, cost)


def inverse_of(gram: np.ndarray) -> np.ndarray:
    """Inverse of a normal matrix, scaled to a unit diagonal first."""
    size = np.sqrt(np.diag(gram))
    if not np.all(size > 0.0):
        raise NoFit("the points do not fix the parameters")
    scaled = gram / np.outer(size, size)
    if not np.all(np.isfinite(scaled)) or np.linalg.cond(scaled) > 1e13:
        raise NoFit("the points do not fix the parameters")
    return np.asarray(np.linalg.inv(scaled) / np.outer(size, size))


def beside(
    terms: np.ndarray, others: np.ndarray, away: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Sizes of terms in complex residuals, their covariance, and the changes of what is fitted beside for each."""
    first, other, rows = (np.concatenate([part.real, part.imag]) for part in (terms, others, away))
    explained = np.linalg.lstsq(other, np.column_stack([first, rows]), rcond=1e-10)[0]
    change, rows = -explained[:, :-1], rows - other @ explained[:, -1]
    own = first + other @ change
    if np.any(np.sum(own**2, axis=0) < LEAST_APART * np.sum(first**2, axis=0)):
        return None
    inverse = np.linalg.inv(own.T @ own)
    values = inverse @ (own.T @ rows)
    # Errors across and along the curve differ: each row counts with its own.
    weighted = own * (rows - own @ values)[:, None]
    return values, inverse @ (weighted.T @ weighted) @ inverse, change


def along(vector: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Component of complex vectors along a complex unit direction."""
    return np.asarray((vector * direction.conj()).real)


def ellipse(q: np.ndarray, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points of the ellipse relative to its centre, and their derivative by theta."""
    shifted = theta + q[4]
    point = q[2] * np.cos(theta) + 1j * q[3] * np.sin(shifted)
    return point, -q[2] * np.sin(theta) + 1j * q[3] * np.cos(shifted)


def _nearest_phase(q: np.ndarray, c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Phase of the nearest point of the ellipse, by Newton steps from the corrected angle."""
    theta = np.angle(corrected(q, c, s))
    for _ in range(FOOT_STEPS):
        point, tangent = ellipse(q, theta)
        offset = (c - q[0]) + 1j * (s - q[1]) - point
        square = np.abs(tangent) ** 2
        theta = theta + along(offset, tangent) / np.maximum(square + along(offset, point), 0.25 * square)
    return np.asarray(theta)


def _distance_rows(q: np.ndarray, c: np.ndarray, s: np.ndarray, variance: float) -> tuple[Rows]:
    """Rows of the orthogonal distance, one class."""
    distance, theta = distances(q, c, s)
    tangent = ellipse(q, theta)[1]
    speed = np.abs(tangent)
    curvature = q[2] * q[3] * np.cos(q[4]) / speed**3
    columns = [along(column, -1j * tangent / speed) for column in ellipse_columns(q, theta)]
    return ((distance - 0.5 * curvature * variance, np.stack(columns, axis=1)),)


def ellipse_columns(q: np.ndarray, theta: np.ndarray) -> list[np.ndarray]:
    """Derivatives of the points by (o_c, o_s, a, b, phi)."""
    shifted = theta + q[4]
    one = np.ones_like(theta)
    return [one + 0j, 1j * one, np.cos(theta) + 0j, 1j * np.sin(shifted), 1j * q[3] * np.cos(shifted)]
