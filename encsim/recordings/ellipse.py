"""Least squares of two channels: the ellipse they lie on, and the waveform where the motion was smooth.

Channels come scaled to a size near 1. Parameters are q = (o_c, o_s, a, b, phi, ...):
c = o_c + a cos(theta) + sum H_n cos(n theta), s = o_s + b sin(theta + phi) + sum H_n cos(n (theta - pi/2)).
Points of the plane are complex numbers, c + i s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

BLOCK = 1 << 15
STEPS = 60
CONVERGED = 1e-10
FOOT_STEPS = 4


class NoFit(Exception):
    """The least squares has no answer; the text says why."""


@dataclass(frozen=True, slots=True, eq=False)
class Squares:
    """Outcome of a least squares.

    ``covariance`` is that of ``q`` for the residuals found, ``spent`` the number of parameters that each
    class of rows (radial, tangential) pays for.
    """

    q: np.ndarray
    covariance: np.ndarray
    spent: np.ndarray


def conic(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Coefficients A..E of A c^2 + B s^2 + C c s + D c + E s = 1, linear least squares (Heydemann 1981)."""
    columns = np.stack([c * c, s * s, c * s, c, s], axis=1)
    values, _, rank, _ = np.linalg.lstsq(columns, np.ones(len(c)), rcond=1e-12)
    if rank < 5:
        raise NoFit("the points lie on a line or in a few spots")
    return values


def from_conic(coefficients: np.ndarray) -> np.ndarray:
    """Parameters (o_c, o_s, a, b, phi) of a conic, NoFit if it is no ellipse."""
    # Heydemann's sine channel lags by alpha = asin(C/sqrt(4 A B)), so phi = -alpha.
    A, B, C, D, E = coefficients
    if not (A > 0.0 and B > 0.0 and 4.0 * A * B > C * C):
        raise NoFit("the points lie on no ellipse")
    o_c, o_s = np.array([E * C - 2.0 * B * D, D * C - 2.0 * A * E]) / (4.0 * A * B - C * C)
    level = 1.0 + A * o_c**2 + B * o_s**2 + C * o_c * o_s
    phi = -np.arcsin(C / np.sqrt(4.0 * A * B))
    a = np.sqrt(level / A) / np.cos(phi)
    return np.array([o_c, o_s, a, a * np.sqrt(A / B), phi])


def corrected(q: np.ndarray, c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """The channels as a complex circle of radius 1: offset, gain and phase taken out."""
    x, y = (c - q[0]) / q[2], (s - q[1]) / q[3]
    return x + 1j * (y - x * np.sin(q[4])) / np.cos(q[4])


def fit_ellipse(c: np.ndarray, s: np.ndarray) -> Squares | None:
    """Squares of the ellipse with the least orthogonal distance from the points."""
    # Noise along a curve of curvature k carries points outwards by k sigma^2/2 on average. The second pass takes that
    # off; without it the amplitude comes out sigma^2/2 too large.
    first = solve(_start(c, s), lambda q, part: _distance_rows(q, c[part], s[part], 0.0), len(c))
    variance = np.sum(distances(first.q, c, s)[0] ** 2) / (len(c) - 5)
    return solve(first.q, lambda q, part: _distance_rows(q, c[part], s[part], variance), len(c))


def _start(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Parameters of the conic, or of a circle where noise on a short arc makes the conic no ellipse."""
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
    theta = _foot(q, c, s)
    point, tangent = ellipse(q, theta)
    away = (c - q[0]) + 1j * (s - q[1]) - point
    return along(away, -1j * tangent / np.abs(tangent)), theta


def cyclic_distance(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, orders: tuple[int, ...]
) -> tuple[float, float, float]:
    """Amplitude of cos 4 theta in the distances, its uncertainty, and the variance left without ``orders``."""
    # The derivatives by the ellipse's own parameters are fitted along, so that they do not hide a part.
    theta = _foot(q, c, s)
    rows, columns = _distance_rows(q, c, s, 0.0)[0]
    waves = [f(n * theta) for n in orders for f in (np.cos, np.sin)]
    columns = np.concatenate([np.stack(waves, axis=1), columns], axis=1)
    inverse = np.linalg.pinv(columns.T @ columns)
    values = inverse @ (columns.T @ rows)
    variance = np.sum((rows - columns @ values) ** 2) / (len(c) - columns.shape[1])
    fourth = 2 * list(orders).index(4)
    return values[fourth], np.sqrt(variance * inverse[fourth, fourth]), variance


def solve(start: np.ndarray, linearise: Callable[..., Any], count: int) -> Squares:
    """Gauss-Newton with step halving, NoFit where it does not settle."""
    # ``linearise(q, part)`` gives (residual, columns) of a slice of the points for each class of rows.
    q, sums = start, _summed(start, linearise, count)
    for _ in range(STEPS):
        inverse = _inverse(sum(sums[0]))
        step = inverse @ sums[1]
        q, sums = _descended(q, step, sums, linearise, count)
        if np.max(np.abs(step)) <= CONVERGED:
            return _outcome(q, sums, count)
    raise NoFit("the least squares does not settle")


def _outcome(q: np.ndarray, sums: tuple[list[np.ndarray], np.ndarray, float], count: int) -> Squares:
    grams, _, cost = sums
    inverse = _inverse(sum(grams))
    spent = np.array([np.sum(inverse * gram) for gram in grams])
    return Squares(q, inverse * (cost / (len(grams) * count - len(q))), spent)


def _descended(
    q: np.ndarray,
    step: np.ndarray,
    sums: tuple[list[np.ndarray], np.ndarray, float],
    linearise: Callable[..., Any],
    count: int,
) -> tuple[np.ndarray, tuple[list[Any], np.ndarray, float]]:
    """The next parameters and their sums: the step, halved until the cost does not grow."""
    # Rows turn with the curve, so the weighted cost may grow a little: only divergence is halved.
    bound = sums[2] * (1.0 + 1e-3) + 1e-24 * count
    for _ in range(30):
        if _possible(q + step):
            trial = _summed(q + step, linearise, count)
            if trial[2] <= bound:
                return q + step, trial
        step = 0.5 * step
    raise NoFit("the least squares does not settle")


def _possible(q: np.ndarray) -> bool:
    return bool(np.all(np.isfinite(q)) and q[2] > 0.0 and q[3] > 0.0 and abs(q[4]) < 0.5 * np.pi)


def _summed(
    q: np.ndarray, linearise: Callable[..., Any], count: int
) -> tuple[list[np.ndarray], np.ndarray, float]:
    """Normal matrix of each class of rows, gradient and cost, gathered block by block."""
    grams, slope, cost = [], 0.0, 0.0
    for first in range(0, count, BLOCK):
        classes = linearise(q, slice(first, first + BLOCK))
        grams.append([columns.T @ columns for _, columns in classes])
        slope = slope + sum(columns.T @ rows for rows, columns in classes)
        cost += sum(float(rows @ rows) for rows, _ in classes)
    return [sum(block) for block in zip(*grams, strict=True)], slope, cost


def _inverse(gram: np.ndarray) -> np.ndarray:
    """Inverse of a normal matrix, scaled to a unit diagonal first."""
    size = np.sqrt(np.diag(gram))
    if not np.all(size > 0.0):
        raise NoFit("the points do not fix the parameters")
    scaled = gram / np.outer(size, size)
    if not np.all(np.isfinite(scaled)) or np.linalg.cond(scaled) > 1e13:
        raise NoFit("the points do not fix the parameters")
    return np.linalg.inv(scaled) / np.outer(size, size)


def along(vector: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Component of complex vectors along a complex unit direction."""
    return (vector * direction.conj()).real


def ellipse(q: np.ndarray, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points of the ellipse about its own centre and their derivative by theta."""
    turned = theta + q[4]
    point = q[2] * np.cos(theta) + 1j * q[3] * np.sin(turned)
    return point, -q[2] * np.sin(theta) + 1j * q[3] * np.cos(turned)


def _foot(q: np.ndarray, c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Phase of the nearest point of the ellipse, by Newton steps from the corrected angle."""
    theta = np.angle(corrected(q, c, s))
    for _ in range(FOOT_STEPS):
        point, tangent = ellipse(q, theta)
        away = (c - q[0]) + 1j * (s - q[1]) - point
        speed = np.abs(tangent) ** 2
        theta = theta + along(away, tangent) / np.maximum(speed + along(away, point), 0.25 * speed)
    return theta


def _distance_rows(
    q: np.ndarray, c: np.ndarray, s: np.ndarray, variance: float
) -> tuple[tuple[np.ndarray, np.ndarray]]:
    """Rows of the orthogonal distance, one class."""
    distance, theta = distances(q, c, s)
    tangent = ellipse(q, theta)[1]
    speed = np.abs(tangent)
    curvature = q[2] * q[3] * np.cos(q[4]) / speed**3
    columns = [along(column, -1j * tangent / speed) for column in ellipse_columns(q, theta)]
    return ((distance - 0.5 * curvature * variance, np.stack(columns, axis=1)),)


def ellipse_columns(q: np.ndarray, theta: np.ndarray) -> list[np.ndarray]:
    """Derivatives of the points by (o_c, o_s, a, b, phi)."""
    turned = theta + q[4]
    one = np.ones_like(theta)
    return [one + 0j, 1j * one, np.cos(theta) + 0j, 1j * np.sin(turned), 1j * q[3] * np.cos(turned)]
