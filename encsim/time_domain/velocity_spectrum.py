"""Amplitude spectrum of the velocity of a run, and the harmonics that can be read in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ..open_loop.closed_form import Lines
    from .simulation import Trace


# Samples of a spectrum, at least and at most.
FEWEST, LONGEST = 32, 1 << 18
# Ripple below this share of the speed is rounding.
ROUNDING = 1e-8
# Strongest harmonics that are read, and their least share of the strongest.
MOST_LINES, LEAST_SHARE = 6, 5e-3


def settled_ripple(trace: Trace) -> np.ndarray:
    """Measured velocity minus the actual speed, without the samples in which the run settles.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    ndarray, shape (n,)
        m/s or rad/s; zero where there is rounding only.
    """
    ripple = np.asarray(trace.velocity, dtype=float)[int(trace.settle) :] - trace.speed
    return ripple if np.abs(ripple).max(initial=0.0) > ROUNDING * abs(trace.speed) else np.zeros_like(ripple)


def spectrum(trace: Trace) -> tuple[np.ndarray, np.ndarray] | None:
    """Amplitude spectrum of the settled velocity.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    frequency, amplitude : ndarray, shape (n,)
        Hz; m/s or rad/s, zero to peak. None where the run is shorter than 32 samples or has no ripple.

    Notes
    -----
    Hann window over the first 2**18 samples, scaled by two over the sum of the window: the peak of a harmonic is its
    amplitude, and up to 15 % less where the frequency lies between two points.

    Examples
    --------
    >>> import encsim
    >>> trace = encsim.simulate(encsim.load("stage_x.toml"), 0.01, 1000)
    >>> frequency, amplitude = spectrum(trace)
    >>> len(frequency)
    501
    """
    ripple = settled_ripple(trace)[:LONGEST]
    if len(ripple) < FEWEST or not np.any(ripple):
        return None
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(len(ripple)) / len(ripple))
    size = np.abs(np.fft.rfft(window * (ripple - ripple.mean()))) * 2.0 / window.sum()
    return np.arange(len(size)) * trace.axis.sampling.rate / len(ripple), size


def strongest_harmonics(lines: Lines | None) -> list[int]:
    """Indices of the strongest harmonics of the signal period, by falling velocity amplitude.

    Parameters
    ----------
    lines : Lines or None

    Returns
    -------
    list of int
        At most six; none without lines. Orders of a ring's mounting are left out: a run is shorter than a revolution.
    """
    if lines is None or not len(lines.velocity):
        return []
    size = np.where(np.asarray(lines.harmonic) >= 1, lines.velocity, 0.0)
    order = np.argsort(-size, kind="stable")[:MOST_LINES]
    return [int(index) for index in order if size[index] > LEAST_SHARE * size.max() > 0.0]


def is_aliased(lines: Lines, index: int) -> bool:
    """Whether a harmonic appears at another frequency than its own.

    Parameters
    ----------
    lines : Lines
    index : int
        Which of them.
    """
    return bool(lines.frequency[index] > lines.alias[index] * (1.0 + 1e-9) + 1e-9)
