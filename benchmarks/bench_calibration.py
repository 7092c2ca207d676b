"""Speed of `calibrate` against plain NumPy that solves the same least squares.

Run ``pytest benchmarks/bench_calibration.py --benchmark-only -s``; the last lines print times and the ratio.
Last measured on a 2-core machine, other work beside it: a million points and 50 steps in 0.9 s to 1.2 s with
uncertainties, leverage and outliers, the bare maps in plain NumPy in 0.9 s to 1.4 s; up to 1.4 s more where the
system has yet to find the 400 MB of the spectra. A thousand points and 12 steps take 1 ms, mostly checks, and 0.2 ms.
"""

import numpy as np
import pytest

from encsim import calibrate, calibration_plan

SIZES = {"thousand": (1000, 12), "million": (1_000_000, 50)}
FOUND = {}


def plain_numpy(table, steps):
    """Both maps and no more, as one would write them: spectra, 2 x 2 normal equations, maps."""
    points = table.shape[1]
    spectra = np.fft.rfft(table, axis=1)
    z = np.exp(-1j * np.outer(steps, np.arange(spectra.shape[1])))
    gamma, mean, cross = z.mean(axis=0), spectra.mean(axis=0), (spectra * z.conj()).mean(axis=0)
    spread = 1.0 - np.abs(gamma) ** 2
    lost = spread < 1e-12
    b = np.where(lost, 0.0, (gamma.conj() * mean - cross) / np.where(lost, 1.0, spread))
    return np.fft.irfft(np.where(lost, 0.0, mean + gamma * b), points), np.fft.irfft(b, points)


def readings(size):
    points, count = SIZES[size]
    noise = np.random.default_rng(1).standard_normal((count, points))
    return noise, 2.0 * np.pi * np.arange(count) / count


def run(benchmark, name, function, *arguments):
    """Time a call after one to warm up, and remember the fastest."""
    result = benchmark.pedantic(function, arguments, rounds=3, warmup_rounds=1)
    if benchmark.stats is not None:
        FOUND[name] = benchmark.stats["min"]
    return result


@pytest.mark.parametrize("size", SIZES)
def test_calibrate(benchmark, size):
    run(benchmark, f"calibrate {size}", calibrate, *readings(size))


@pytest.mark.parametrize("size", SIZES)
def test_plain_numpy(benchmark, size):
    table, steps = readings(size)
    a, _ = run(benchmark, f"plain {size}", plain_numpy, table, steps)
    # 1e-9: rounding, and of n psi at the highest orders.
    np.testing.assert_allclose(calibrate(table, steps).a, a, atol=1e-9)


def test_calibration_plan(benchmark):
    points, count = SIZES["million"]
    run(benchmark, "plan million", calibration_plan, 2.0 * np.pi * np.arange(count) / count, points)


def teardown_module():
    for name, seconds in FOUND.items():
        print(f"\n{name:20} {seconds * 1e3:10.2f} ms", end="")
    for size in SIZES:
        if f"plain {size}" in FOUND and f"calibrate {size}" in FOUND:
            ratio = FOUND[f"plain {size}"] / FOUND[f"calibrate {size}"]
            print(f"\nplain NumPy / calibrate, {size}: {ratio:.2f}", end="")
