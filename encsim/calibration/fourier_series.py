"""Fourier series of an error over one revolution: amplitudes from even points and back, values anywhere, a bound.

A series is Re sum of amplitudes[n-1] exp(i n angle) over the orders n = 1 to points // 2.
"""

from __future__ import annotations

import numpy as np

TURN = 2.0 * np.pi


# Points of the grid on each side of an angle that its value is made of; 14 leave some 1e-13 (measured).
SIDE = 14
BLOCK = 1 << 13


def values(amplitudes: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Re sum amplitudes[n-1] exp(i n angle) at any angles, n from 1."""
    # The plain sum costs orders times angles. Here a finer grid, sharpened in the spectrum by what a Gaussian window
    # takes away, comes from one FFT; the window over the 28 nearest points gives each value.
    # L. Greengard, J.-Y. Lee, "Accelerating the nonuniform fast Fourier transform", SIAM Review 46, 443 (2004), type
    # 2 (formulas from memory).
    orders = np.arange(1, len(amplitudes) + 1)
    modes = max(2 * len(amplitudes) + 2, 2 * SIDE)
    size = 1 << (2 * modes - 1).bit_length()
    ratio = size / modes
    tau = np.pi * SIDE / (modes**2 * ratio * (ratio - 0.5))
    spectrum = np.zeros(size // 2 + 1, complex)
    spectrum[orders] = 0.5 * amplitudes * np.sqrt(np.pi / tau) * np.exp(tau * orders.astype(float) ** 2)
    grid = np.fft.irfft(spectrum, size) * size
    found = np.empty(len(angles))
    for first in range(0, len(angles), BLOCK):
        found[first : first + BLOCK] = _windowed(grid, angles[first : first + BLOCK], tau)
    return found


def _windowed(grid: np.ndarray, angles: np.ndarray, tau: float) -> np.ndarray:
    """Mean of the grid under the window at some angles."""
    size = len(grid)
    place = np.mod(angles / TURN, 1.0) * size
    whole = np.floor(place)
    near = np.arange(1 - SIDE, SIDE + 1)
    away = (place - whole)[:, None] - near
    window = np.exp(away**2 * (-((TURN / size) ** 2) / (4.0 * tau)))
    at = (whole.astype(int)[:, None] + near) % size
    return np.sum(grid[at] * window, axis=1) / size


def bound(amplitudes: np.ndarray, mean: float = 0.0) -> float:
    """Largest size of mean + Re sum amplitudes[n-1] exp(i n angle) at 8 to 16 n angles, over cos(pi n/number)."""
    orders = len(amplitudes)
    size = 1 << (8 * orders - 1).bit_length()
    spectrum = np.zeros(size // 2 + 1, complex)
    spectrum[0] = mean
    spectrum[1 : orders + 1] = 0.5 * amplitudes
    largest = np.abs(np.fft.irfft(spectrum, size)).max() * size
    return float(largest / np.cos(np.pi * orders / size))


def amplitudes_of(table: np.ndarray) -> np.ndarray:
    """Complex amplitudes of orders 1 to points // 2 of rows of points: the inverse of `map_of`, but for the mean."""
    points = table.shape[-1]
    found = np.fft.rfft(table, axis=-1)[..., 1:] * (2.0 / points)
    if points % 2 == 0:
        found[..., -1] *= 0.5
    return found


def map_of(amplitudes: np.ndarray, points: int) -> np.ndarray:
    """Values at the points of orders 1 to points // 2: Re sum amplitudes exp(i n angle)."""
    spectrum = np.concatenate([[0.0], amplitudes * (0.5 * points)])
    if points % 2 == 0:
        spectrum[-1] *= 2.0
    return np.fft.irfft(spectrum, points)
