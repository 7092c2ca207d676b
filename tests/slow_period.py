"""The slow, readable twin of the closed form: one period, walked point by point with NumPy's own functions."""

import numpy as np


def shown(axis, turns):
    """Shown position in periods at true phases (periods), no noise, straight from the definitions."""
    signal, how = axis.signal, axis.interpolation
    left = 1.0 - how.correction
    moved = turns + sum(
        amplitude / axis.scale.pitch * np.sin(2 * np.pi * k * turns + angle)
        for k, (amplitude, angle) in signal.sde.items()
    )
    t = 2 * np.pi * moved
    c = signal.amplitude * (np.cos(t) + sum(h * np.cos(n * t) for n, h in signal.harmonics.items()))
    s = signal.amplitude * (
        (1 + left * signal.gain) * np.sin(t + left * signal.phase)
        + sum(h * np.cos(n * (t - np.pi / 2)) for n, h in signal.harmonics.items())
    )
    c, s = c + left * signal.offset[0], s + left * signal.offset[1]
    if how.bits is not None:
        step = 2 * how.span / 2**how.bits
        c, s = np.floor(c / step + 0.5), np.floor(s / step + 0.5)
    position = np.arctan2(s, c) / (2 * np.pi)
    position = position + np.round(turns - position)
    if how.factor is not None:
        position = np.floor(position * how.factor + (0.5 if how.output == "position" else 0.0)) / how.factor
    return position


def mean_square(axis, lag, spread=0.0, points=200_003, nodes=64):
    """E (shown(x + L + s Z) - shown(x) - L)**2 over starts x and Gaussian Z, periods squared."""
    start = (np.arange(points) + 0.5) / points
    z, weight = np.polynomial.hermite_e.hermegauss(nodes) if spread else (np.zeros(1), np.ones(1))
    total = 0.0
    for shift, share in zip(z, weight / weight.sum(), strict=True):
        moved = start + lag + spread * shift
        total += share * np.mean((shown(axis, moved) - shown(axis, start) - lag) ** 2)
    return total
