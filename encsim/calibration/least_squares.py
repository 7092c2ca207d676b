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

# Numbers a block, so that it stays in the cache.
BLOCK = 1 << 15


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Moments of z_j over the steps in each order, with shares of weight that add up to 1."""

    share: np.ndarray
    lost: np.ndarray
    condition: np.ndarray
    spread: np.ndarray
    square: np.ndarray
    real: np.ndarray

    @property
    def variance(self) -> tuple[np.ndarray, np.ndarray]:
        """Complex variance of a_n, b_n in units of that of a mean over all steps; 0 where lost."""
        spread = np.where(self.lost, np.inf, self.spread)
        return self.square / spread, 1.0 / spread

    def rank(self, count: int, drift: bool) -> int:
        """Number of real unknowns that ``count`` steps determine."""
        parts = np.where(self.lost, 1, 2) * np.where(self.real, 1, 2)
        return int(parts.sum()) + (count if drift else 1)


def point_variance(design: Design, points: int, count: int) -> list[float]:
    """Variance of a point of a and of b for reading noise 1."""
    share = np.where(design.real, 1.0, 2.0) / (points * count)
    return [float(np.sum(share * variance)) for variance in design.variance]


def designed(angles: np.ndarray, weight: np.ndarray, points: int, limit: float) -> Design:
    """Moments and condition of each order, for steps that are used."""
    share = weight / weight.sum()
    found = [moments(z, share)[1:] for _, z in phase_blocks(angles, points)]
    spread, square, mean = (np.concatenate(part) for part in zip(*found, strict=True))
    largest = 0.5 * (1.0 + square + np.sqrt((1.0 - square) ** 2 + 4.0 * mean**2))
    with np.errstate(divide="ignore"):
        condition = largest / np.sqrt(spread)
    lost = ~(condition <= limit)
    real = np.arange(1, points // 2 + 1) * 2 == points
    return Design(share, lost, np.where(lost, np.inf, condition), spread, square, real)


def moments(z: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Distances from the mean, their mean square, mean square of z and size of the mean, by order."""
    mean = average(share, z)
    away = z - mean
    # Equal to <|z|^2> - |mean|^2, without the cancellation that would hide lost orders.
    spread = average(share, away.real**2 + away.imag**2)
    return away, spread, spread + np.abs(mean) ** 2, np.abs(mean)


def average(share: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Weighted mean over the steps: share @ values, but never on threads."""
    # Beside other work BLAS took 400 times as long for sharing such small products over threads.
    return np.sum(share[:, None] * values, axis=0)


def phase_blocks(angles: np.ndarray, points: int) -> Iterator[tuple[slice, np.ndarray]]:
    """Slices of the orders 1 to points // 2 and z_j in them, shape (steps, orders of the slice)."""
    # One exponential a block and step, times a table: as exact as n psi itself is, and ten times as quick.
    top = points // 2
    turns, width = angles / TURN, min(max(BLOCK // len(angles), 16), top)
    table = np.exp(-1j * TURN * np.mod(np.multiply.outer(turns, np.arange(width)), 1.0))
    for first in range(0, top, width):
        last = min(first + width, top)
        z = table[:, : last - first] * np.exp(-1j * TURN * np.mod(turns * (first + 1), 1.0))[:, None]
        if 2 * last == points:
            z[:, -1] = z[:, -1].real
        yield slice(first, last), z


# A step is named when its noise is twice that of the others (square 4) and chance makes that of one in a
# million steps (5 standard deviations of a Gaussian).
OUTLYING, CHANCE = 4.0, 5.0
ROUNDING = 1e-12
# Readings from which rows are shared over threads.
SHARED = 1 << 20
# Writing straight into place saves the first touch of as much memory again, a third of the time.
IN_PLACE = np.lib.NumpyVersion(np.__version__) >= "2.0.0"


@dataclass(frozen=True, slots=True, eq=False)
class RingFit:
    """Amplitudes of both rings; squares left and their number; per step how many it adds to each."""

    a: np.ndarray
    b: np.ndarray
    squares: float
    count: int
    added: np.ndarray
    free: np.ndarray


def spectra_of(table: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Spectra of the steps used as the FFT gives them, shape (steps, points // 2 + 1)."""
    spectra = np.empty((len(used), table.shape[1] // 2 + 1), complex)

    def fill(row: int) -> None:
        if IN_PLACE:
            np.fft.rfft(table[used[row]], out=spectra[row])
        else:
            spectra[row] = np.fft.rfft(table[used[row]])

    # Half of the time is the first touch of new memory, which threads share too.
    with ThreadPoolExecutor(min(os.cpu_count() or 1, 4) if table.size >= SHARED else 1) as pool:
        list(pool.map(fill, range(len(used))))
    return spectra


def fitted(spectra: np.ndarray, rows: np.ndarray, angles: np.ndarray, design: Design, points: int) -> RingFit:
    """Least squares in each order, block by block, of some rows of the spectra."""
    a, b = np.zeros((2, points // 2), complex)
    added, free, squares = np.zeros(len(rows)), np.zeros(len(rows), int), 0.0
    share = design.share[:, None]
    for part, z in phase_blocks(angles, points):
        away, spread = moments(z, design.share)[:2]
        lost, real = design.lost[part], design.real[part]
        spread = np.where(lost, np.inf, spread)
        left = spectra[rows, part.start + 1 : part.stop + 1]
        left *= np.where(real, 1.0, 2.0) / points
        mean = average(design.share, left)
        left -= mean
        b[part] = -average(design.share, left * away.conj()) / spread
        a[part] = np.where(lost, 0.0, mean + (z[0] - away[0]) * b[part])
        left += b[part] * away
        size = (left.real**2 + left.imag**2) * np.where(real, points, 0.5 * points) * (share * len(rows))
        squares += size.sum()
        # Leaving a step out lowers the sum of squares by its own residual over 1 - leverage.
        beyond = 1.0 - share * (1.0 + (away.real**2 + away.imag**2) / spread)
        seen = beyond > 1e-9
        added += np.sum(np.divide(size, beyond, out=np.zeros_like(size), where=seen), axis=1)
        free += np.sum(seen * np.where(real, 1, 2), axis=1)
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
    """Rows of steps that stand out, the farthest taken out before the next is sought."""
    rows, named = np.arange(len(angles)), []
    left = np.sqrt(fit.squares / max(fit.count, 1))
    floor = (ROUNDING * max(np.abs(fit.a).max(), np.abs(fit.b).max(), np.abs(means).max(), left)) ** 2
    while (worst := _farthest(fit, floor)) is not None:
        named.append(rows[worst])
        rows = np.delete(rows, worst)
        design = designed(angles[rows], weight[rows], points, limit)
        fit = fitted(spectra, rows, angles[rows], design, points)
    return np.sort(np.array(named, int))


def _farthest(fit: RingFit, floor: float) -> None:
    """The step that fits worst, if it stands out."""
    # Wilson and Hilferty's cube root makes the ratio of two mean squares Gaussian (from memory).
    others = fit.count - fit.free
    fair = (fit.free > 0) & (others > 0)
    own, rest = np.where(fair, fit.free, 1), np.where(fair, others, 1)
    mean_rest = np.maximum((fit.squares - fit.added) / rest, 0.0) + max(floor, np.finfo(float).tiny)
    ratio = np.where(fair, fit.added / own / mean_rest, 0.0)
    p, q, root = 2.0 / (9.0 * own), 2.0 / (9.0 * rest), np.cbrt(ratio)
    deviation = ((1.0 - q) * root - (1.0 - p)) / np.sqrt(q * root**2 + p)
    worst = int(np.argmax(ratio))
    return worst if ratio[worst] > OUTLYING and deviation[worst] > CHANCE else None
