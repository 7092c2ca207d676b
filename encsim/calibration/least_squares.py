"""Least squares of the errors of two rings, order by order, from their difference at several steps.

Two rings read together show D_j(theta) = a(theta) - b(theta - psi_j) + c_j at step j. In order n that is
D_jn = a_n - b_n z_j with z_j = exp(-i n psi_j): two unknowns, which the variation of z_j over the steps separates.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from .fourier_series import TURN

# Entries of one block of steps x orders, small enough for the processor's cache.
BLOCK = 1 << 15


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Moments of z_j over the steps in each order, and the condition of the least squares."""

    # Weight of each step, sum 1.
    share: np.ndarray
    # Whether an order is unobservable.
    lost: np.ndarray
    condition: np.ndarray
    # Variance and mean square of z_j.
    spread: np.ndarray
    square: np.ndarray
    # Whether an order is the last of an even number of points, of which only the cosine exists.
    real: np.ndarray

    @property
    def variance(self) -> tuple[np.ndarray, np.ndarray]:
        """Variance of a_n and b_n over that of a mean over all steps; 0 for unobservable orders."""
        spread = np.where(self.lost, np.inf, self.spread)
        return self.square / spread, 1.0 / spread

    def rank(self, count: int, drift: bool) -> int:
        """Number of real unknowns that ``count`` steps determine, their constants included."""
        unknowns = np.where(self.lost, 1, 2) * np.where(self.real, 1, 2)
        return int(unknowns.sum()) + (count if drift else 1)


def point_variance(design: Design, points: int, count: int) -> list[float]:
    """Variance of a point of a and of b for reading noise 1."""
    share = np.where(design.real, 1.0, 2.0) / (points * count)
    return [float(np.sum(share * variance)) for variance in design.variance]


def designed(angles: np.ndarray, weight: np.ndarray, points: int, limit: float) -> Design:
    """Moments and condition of each order for the steps in use."""
    share = weight / weight.sum()
    blocks = [moments(z, share)[1:] for _, z in phase_blocks(angles, points)]
    spread, square, mean = (np.concatenate(part) for part in zip(*blocks, strict=True))
    largest_eigenvalue = 0.5 * (1.0 + square + np.sqrt((1.0 - square) ** 2 + 4.0 * mean**2))
    with np.errstate(divide="ignore"):
        condition = largest_eigenvalue / np.sqrt(spread)
    lost = ~(condition <= limit)
    real = 2 * np.arange(1, points // 2 + 1) == points
    return Design(share, lost, np.where(lost, np.inf, condition), spread, square, real)


def moments(z: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Deviation of z from its mean, variance, mean square and size of the mean, by order."""
    mean = average(share, z)
    deviation = z - mean
    # Equal to <|z|^2> - |mean|^2, without the cancellation that would hide unobservable orders.
    variance = average(share, deviation.real**2 + deviation.imag**2)
    return deviation, variance, variance + np.abs(mean) ** 2, np.abs(mean)


def average(share: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Weighted mean over the steps, share @ values."""
    # Not by BLAS: on a busy machine its threads took 400 times as long for such small products.
    return np.asarray(np.sum(share[:, None] * values, axis=0))


def phase_blocks(angles: np.ndarray, points: int) -> Iterator[tuple[slice, np.ndarray]]:
    """Slices of the orders 1 to points // 2 and z_j in them, shape (steps, orders of the slice)."""
    # One exponential per block and step, times a table: as exact as n psi itself, and ten times as fast.
    top = points // 2
    turns, width = angles / TURN, min(max(BLOCK // len(angles), 16), top)
    table = np.exp(-1j * TURN * np.mod(np.multiply.outer(turns, np.arange(width)), 1.0))
    for first in range(0, top, width):
        last = min(first + width, top)
        z = table[:, : last - first] * np.exp(-1j * TURN * np.mod(turns * (first + 1), 1.0))[:, None]
        if 2 * last == points:
            z[:, -1] = z[:, -1].real
        yield slice(first, last), z


# A step is an outlier if its noise is more than twice that of the others (square 4) and 5 standard deviations above
# it, which chance does for one in a million steps.
OUTLYING, CHANCE = 4.0, 5.0
ROUNDING = 1e-12
# Number of readings from which several threads share the rows.
SHARED = 1 << 20
# Writing into the result saves the first touch of as much memory again, a third of the time; needs NumPy 2.
IN_PLACE = np.lib.NumpyVersion(np.__version__) >= "2.0.0"


@dataclass(frozen=True, slots=True, eq=False)
class RingFit:
    """Amplitudes of both rings, and the residual."""

    a: np.ndarray
    b: np.ndarray
    # Sum of squares of the residual, and its degrees of freedom.
    squares: float
    count: int
    # How much each step adds to both.
    added: np.ndarray
    free: np.ndarray


def spectra_of(table: np.ndarray, used: np.ndarray) -> np.ndarray:
    """FFT of the readings of each step in use, shape (steps, points // 2 + 1)."""
    spectra = np.empty((len(used), table.shape[1] // 2 + 1), complex)

    def fill(row: int) -> None:
        if IN_PLACE:
            np.fft.rfft(table[used[row]], out=spectra[row])
        else:
            spectra[row] = np.fft.rfft(table[used[row]])

    # Half of the time is the first touch of new memory; threads share that too.
    with ThreadPoolExecutor(min(os.cpu_count() or 1, 4) if table.size >= SHARED else 1) as pool:
        list(pool.map(fill, range(len(used))))
    return spectra


def fitted(spectra: np.ndarray, rows: np.ndarray, angles: np.ndarray, design: Design, points: int) -> RingFit:
    """Least squares of some rows of the spectra in each order, block by block."""
    a, b = np.zeros((2, points // 2), complex)
    added, free, squares = np.zeros(len(rows)), np.zeros(len(rows), int), 0.0
    weights = design.share[:, None]
    for part, z in phase_blocks(angles, points):
        deviation, variance = moments(z, design.share)[:2]
        lost, real = design.lost[part], design.real[part]
        variance = np.where(lost, np.inf, variance)
        residual = spectra[rows, part.start + 1 : part.stop + 1]
        residual *= np.where(real, 1.0, 2.0) / points
        mean = average(design.share, residual)
        residual -= mean
        b[part] = -average(design.share, residual * deviation.conj()) / variance
        a[part] = np.where(lost, 0.0, mean + (z[0] - deviation[0]) * b[part])
        residual += b[part] * deviation
        squares_of_step = (
            (residual.real**2 + residual.imag**2)
            * np.where(real, points, 0.5 * points)
            * (weights * len(rows))
        )
        squares += squares_of_step.sum()
        # Without a step the sum of squares is lower by the square of its residual over 1 - leverage.
        unexplained = 1.0 - weights * (1.0 + (deviation.real**2 + deviation.imag**2) / variance)
        counted = unexplained > 1e-9
        added += np.sum(
            np.divide(squares_of_step, unexplained, out=np.zeros_like(squares_of_step), where=counted), axis=1
        )
        free += np.sum(counted * np.where(real, 1, 2), axis=1)
    count = len(rows) * (points - 1) - design.rank(0, True)
    return RingFit(a, b, float(squares), count, added, free)


def outliers(
    spectra: np.ndarray,
    means: np.ndarray,
    angles: np.ndarray,
    weight: np.ndarray,
    points: int,
    limit: float,
    fit: RingFit,
) -> np.ndarray:
    """Rows of outlying steps, found one by one: each is left out before the next is sought."""
    rows = np.arange(len(angles))
    outlying: list[int] = []
    rms_residual = np.sqrt(fit.squares / max(fit.count, 1))
    floor = (ROUNDING * max(np.abs(fit.a).max(), np.abs(fit.b).max(), np.abs(means).max(), rms_residual)) ** 2
    while (worst := _worst_step(fit, floor)) is not None:
        outlying.append(int(rows[worst]))
        rows = np.delete(rows, worst)
        design = designed(angles[rows], weight[rows], points, limit)
        fit = fitted(spectra, rows, angles[rows], design, points)
    return np.sort(np.array(outlying, dtype=np.int64))


def _worst_step(fit: RingFit, floor: float) -> int | None:
    """Row of the step with the largest residual, if it is an outlier."""
    # F test of the step against the others; Wilson and Hilferty's cube root makes the ratio of two mean squares
    # Gaussian (from memory).
    others_free = fit.count - fit.free
    testable = (fit.free > 0) & (others_free > 0)
    own, rest = np.where(testable, fit.free, 1), np.where(testable, others_free, 1)
    mean_rest = np.maximum((fit.squares - fit.added) / rest, 0.0) + max(floor, np.finfo(float).tiny)
    ratio = np.where(testable, fit.added / own / mean_rest, 0.0)
    p, q, root = 2.0 / (9.0 * own), 2.0 / (9.0 * rest), np.cbrt(ratio)
    deviation = ((1.0 - q) * root - (1.0 - p)) / np.sqrt(q * root**2 + p)
    worst = int(np.argmax(ratio))
    return worst if ratio[worst] > OUTLYING and deviation[worst] > CHANCE else None
