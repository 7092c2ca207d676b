"""Least squares of two rings order by order, and the steps that fit far worse than the others."""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from . import turned_steps

# A step is named when its noise is twice that of the others (square 4) and chance makes that of one in a
# million steps (5 standard deviations of a Gaussian).
OUTLYING, CHANCE = 4.0, 5.0
ROUNDING = 1e-12
# Readings from which rows are shared over threads.
SHARED = 1 << 20
# Writing straight into place saves the first touch of as much memory again, a third of the time.
IN_PLACE = np.lib.NumpyVersion(np.__version__) >= "2.0.0"


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Amplitudes of both rings; squares left and their number; per step how many it adds to each."""

    a: np.ndarray
    b: np.ndarray
    squares: float
    count: int
    added: np.ndarray
    free: np.ndarray


def spectra_of(table, used):
    """Spectra of the steps used as the FFT gives them, shape (steps, points // 2 + 1)."""
    spectra = np.empty((len(used), table.shape[1] // 2 + 1), complex)

    def fill(row):
        if IN_PLACE:
            np.fft.rfft(table[used[row]], out=spectra[row])
        else:
            spectra[row] = np.fft.rfft(table[used[row]])

    # Half of the time is the first touch of new memory, which threads share too.
    with ThreadPoolExecutor(min(os.cpu_count() or 1, 4) if table.size >= SHARED else 1) as pool:
        list(pool.map(fill, range(len(used))))
    return spectra


def fitted(spectra, rows, angles, design, points):
    """Least squares in each order, block by block, of some rows of the spectra."""
    a, b = np.zeros((2, points // 2), complex)
    added, free, squares = np.zeros(len(rows)), np.zeros(len(rows), int), 0.0
    share = design.share[:, None]
    for part, z in turned_steps.phase_blocks(angles, points):
        away, spread = turned_steps.moments(z, design.share)[:2]
        lost, real = design.lost[part], design.real[part]
        spread = np.where(lost, np.inf, spread)
        left = spectra[rows, part.start + 1 : part.stop + 1]
        left *= np.where(real, 1.0, 2.0) / points
        mean = turned_steps.average(design.share, left)
        left -= mean
        b[part] = -turned_steps.average(design.share, left * away.conj()) / spread
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
    return Fit(a, b, float(squares), count, added, free)


def outliers(spectra, means, angles, weight, points, limit, fit):
    """Rows of steps that stand out, the farthest taken out before the next is sought."""
    rows, named = np.arange(len(angles)), []
    left = np.sqrt(fit.squares / max(fit.count, 1))
    floor = (ROUNDING * max(np.abs(fit.a).max(), np.abs(fit.b).max(), np.abs(means).max(), left)) ** 2
    while (worst := _farthest(fit, floor)) is not None:
        named.append(rows[worst])
        rows = np.delete(rows, worst)
        design = turned_steps.designed(angles[rows], weight[rows], points, limit)
        fit = fitted(spectra, rows, angles[rows], design, points)
    return np.sort(np.array(named, int))


def _farthest(fit, floor):
    """The step that fits worst, if it stands out.

    Wilson and Hilferty's cube root makes the ratio of two mean squares Gaussian (from memory).
    """
    others = fit.count - fit.free
    fair = (fit.free > 0) & (others > 0)
    own, rest = np.where(fair, fit.free, 1), np.where(fair, others, 1)
    mean_rest = np.maximum((fit.squares - fit.added) / rest, 0.0) + max(floor, np.finfo(float).tiny)
    ratio = np.where(fair, fit.added / own / mean_rest, 0.0)
    p, q, root = 2.0 / (9.0 * own), 2.0 / (9.0 * rest), np.cbrt(ratio)
    deviation = ((1.0 - q) * root - (1.0 - p)) / np.sqrt(q * root**2 + p)
    worst = int(np.argmax(ratio))
    return worst if ratio[worst] > OUTLYING and deviation[worst] > CHANCE else None
