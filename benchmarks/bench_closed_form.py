"""Speed of the closed form: a sweep of 10 000 speeds, and one speed of plain NumPy for the ratio.

Run ``pytest benchmarks/bench_closed_form.py``. The aim is 50 ms for 10 000 speeds once the table of the axis is there.
Last measured on a 2-core machine: exact with converter and counts 28 ms, the first call 270 ms; step form 70 ms without
and 230 ms with a readhead bandwidth; plain NumPy, which walks one period and its jitter, some 0.2 s for one speed.
"""

from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import Axis, Interpolation, LowPass, Sampling, Scale, Signal
from encsim.open_loop import structure_function

SPEEDS = np.geomspace(2e-5, 1.0, 10_000)
STAGE = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9),
    interpolation=Interpolation(factor=4000, bits=12),
    sampling=Sampling(16e3, jitter=20e-9),
)
AXES = {
    "exact, converter and counts": STAGE,
    "exact, lines only": replace(STAGE, interpolation=Interpolation()),
    "exact, own clock": replace(STAGE, sampling=Sampling(16e3, encoder_rate=33e3)),
    "step, 16384 counts": replace(STAGE, interpolation=Interpolation(factor=16384)),
    "step, readhead bandwidth": replace(STAGE, signal=replace(STAGE.signal, bandwidth=5e5)),
}


@pytest.mark.parametrize("name", AXES)
def test_ten_thousand_speeds(benchmark, name):
    encsim.ripple(AXES[name], SPEEDS[:10])
    benchmark(encsim.ripple, AXES[name], SPEEDS)


def test_first_call_of_an_axis(benchmark):
    benchmark.pedantic(
        encsim.ripple, (STAGE, SPEEDS[:10]), setup=structure_function.table.cache_clear, rounds=5
    )


def test_hundred_speeds_through_a_low_pass(benchmark):
    axis = replace(STAGE, estimator=LowPass(300.0))
    encsim.ripple(axis, SPEEDS[:1])
    benchmark(encsim.ripple, axis, SPEEDS[::100])


def plain_numpy(speed, starts=1 << 18):
    """Mean square of one speed by brute force: many starts, jitter drawn, both positions decoded."""
    rng = np.random.default_rng(1)
    shown = []
    for moved in (0.0, speed / 20e-6 / 16e3):
        jitter = rng.standard_normal(starts) * np.hypot(0.5e-9, speed * 20e-9) / 20e-6
        turns = np.arange(starts) / starts + moved + jitter
        t = 2 * np.pi * turns
        c = np.cos(t) + 0.002 * np.cos(3 * t) + 0.01
        s = 1.02 * np.sin(t + 0.01) + 0.002 * np.cos(3 * (t - np.pi / 2)) - 0.005
        c, s = np.floor(c / 2.5 * 4096 + 0.5), np.floor(s / 2.5 * 4096 + 0.5)
        decoded = np.arctan2(s, c) / (2 * np.pi)
        shown.append(np.floor(4000 * (decoded + np.round(turns - decoded)) + 0.5) / 4000)
    return np.sqrt(np.mean((shown[1] - shown[0] - speed / 20e-6 / 16e3) ** 2)) * 20e-6 * 16e3


def test_plain_numpy_one_speed(benchmark):
    benchmark(plain_numpy, 0.0123)
