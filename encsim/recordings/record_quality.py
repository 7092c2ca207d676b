"""Quality of two recorded channels: coverage of the circle, clipping, direction, held samples, outliers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

SECTORS = 64
LEAST_COVERAGE = 0.5
WIDE = 0.9
LARGEST_RESIDUAL = 0.1
LARGEST_HELD = 0.05
WILD = 6.0
RADIUS_ROUNDING = 1e-9


def sector_coverage(circle: np.ndarray) -> float:
    """Share of the sectors of the circle that contain a point."""
    sectors = np.floor(np.angle(circle) * (SECTORS / (2.0 * np.pi))).astype(int) % SECTORS
    return len(np.unique(sectors)) / SECTORS


def reasons(c: np.ndarray, s: np.ndarray, residual: float, seen: float) -> Iterator[str]:
    """Why the fit is not reliable."""
    if seen < LEAST_COVERAGE:
        yield f"only {seen:.0%} of the circle was seen, less than {LEAST_COVERAGE:.0%}"
    if residual > LARGEST_RESIDUAL:
        yield f"too far from an ellipse: radius error {residual:.2g} rms, above {LARGEST_RESIDUAL}"
    changed = _changed(c, s)
    for name, channel in (("cosine", c[changed]), ("sine", s[changed])):
        for end, values in (("upper", channel), ("lower", -channel)):
            if _clipped(values):
                yield f"the {name} channel is clipped at its {end} end"


def _changed(c: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Mask of the samples that differ from the one before."""
    return np.concatenate([[True], (np.diff(c) != 0.0) | (np.diff(s) != 0.0)])


def _clipped(values: np.ndarray) -> bool:
    """Whether far more samples have the highest value than the quantised crest of a sine has."""
    # Of a sine of amplitude A, acos(1 - step/A)/pi of the samples lie within one step of the maximum. Up to twice that
    # is accepted, so that clipping by less than about four steps of the converter is not found.
    half = 0.5 * values.max() - 0.5 * values.min()
    top = values >= values.max() - 1e-9 * half
    if np.all(top):
        return False
    step = min((values.max() - values[~top].max()) / half, 1.0)
    return bool(np.count_nonzero(top) > max(5.0, 2.0 * len(values) * np.arccos(1.0 - step) / np.pi))


def remarks(c: np.ndarray, s: np.ndarray, circle: np.ndarray, seen: float) -> Iterator[str]:
    """Remarks on the recording itself."""
    step = np.mean(circle[1:] * circle[:-1].conj())
    if step.imag < 0.0 and abs(step) > 0.5:
        yield "the phase runs backwards: the sine channel lags"
    if seen < WIDE:
        yield f"{seen:.0%} of the circle was seen: the fit supposes that the rest is an ellipse too"
    held = 1.0 - np.mean(_changed(c, s))
    if held > LARGEST_HELD:
        yield f"{held:.0%} of the samples repeat the one before: held samples make uncertainties too small"
    error = np.abs(np.abs(circle) - 1.0)
    worst, usual = int(np.argmax(error)), np.sqrt(np.mean(error**2))
    if error[worst] > WILD * usual and usual > RADIUS_ROUNDING:
        far = error[worst] / usual
        yield f"sample {worst} is {far:.0f} times as far off as the rms: leave wild samples out"
