"""Speed of the closed loop: one speed, many side by side, and a sweep, against a loop in plain Python.

Run ``pytest benchmarks/bench_run.py``; the last lines print nanoseconds a loop step and the ratios.
Last measured on a 2-core machine with 512-bit vectors, other work beside it: one lane 82 ns a step, 256 lanes 8.0,
plain Python 1550 (ratios 19 and 194), 200 speeds of 1 s at 16 kHz 0.05 to 0.08 s.
"""

import time

import numpy as np
import pytest

from encsim import Axis, Control, Difference, Interpolation, Load, Sampling, Scale, Signal, run, runs
from encsim._kernels import CHUNK
from encsim._loop_tables import Loops

PITCH, RATE, SPEED, FACTOR, BITS, SPAN = 20e-6, 16e3, 0.0123, 4000, 14, 1.25
HARMONICS, JITTER, MASS, VISCOUS = {3: 0.004, 5: 0.002}, 2e-9, 5.0, 3.0
KP, KV, TI = 100.0, 2000.0, 0.02
AXIS = Axis(
    Scale(period=PITCH),
    signal=Signal(harmonics=HARMONICS, jitter=JITTER),
    interpolation=Interpolation(factor=FACTOR, bits=BITS, span=SPAN),
    sampling=Sampling(RATE),
    estimator=Difference(2),
    load=Load(MASS, viscous=VISCOUS),
    control=Control(KP, KV, integral_time=TI, delay=1.5 / RATE, current_bandwidth=1500.0),
)
FOUND = {}


def plain_python(samples, seed=0):
    """The same loop as one would write it without this package: floats, math, one sample after the other."""
    from math import atan2, cos, exp, floor, pi, sin

    draws = np.random.default_rng(seed).standard_normal(samples).tolist()
    step, half, dt = 2.0 * SPAN / 2**BITS, 2 ** (BITS - 1), 1.0 / RATE
    x, v, tau, integral, shown, old, u = (
        0.0,
        SPEED,
        VISCOUS * SPEED,
        VISCOUS * SPEED / KV,
        [0.0] * 3,
        0.0,
        0.0,
    )
    lag = exp(-2.0 * pi * 1500.0 * dt)
    for k in range(samples):
        theta = 2.0 * pi * (x + JITTER * draws[k]) / PITCH
        c, s = cos(theta), sin(theta)
        for n, h in HARMONICS.items():
            c, s = c + h * cos(n * theta), s + h * cos(n * (theta - pi / 2.0))
        c = step * min(max(floor(c / step + 0.5), -half), half - 1)
        s = step * min(max(floor(s / step + 0.5), -half), half - 1)
        turns = atan2(s, c) / (2.0 * pi)
        count = floor((round(x / PITCH - turns) + turns) * FACTOR + 0.5)
        shown = [count * PITCH / FACTOR, *shown[:2]]
        error = KP * (SPEED * k * dt - shown[0]) + SPEED - (shown[0] - shown[2]) / (2.0 * dt)
        integral += dt / TI * error
        old, u = u, KV * (error + integral)
        tau = lag * tau + (1.0 - lag) * 0.5 * (u + old)
        a = (tau - VISCOUS * v) / MASS
        x, v = x + dt * (v + 0.5 * a * dt), v + a * dt
    return x


def keep(benchmark, name, steps):
    """Remember the fastest time of a benchmark, ns a step."""
    if benchmark.stats is not None:
        FOUND[name] = benchmark.stats["min"] / steps * 1e9
        benchmark.extra_info["ns a step"] = FOUND[name]


def test_plain_python(benchmark):
    benchmark.pedantic(plain_python, (20_000,), rounds=5)
    keep(benchmark, "plain Python", 20_000)


@pytest.mark.parametrize("lanes", [1, 64, 256])
def test_loop(benchmark, lanes):
    speeds = [SPEED] if lanes == 1 else np.geomspace(1e-3, 0.5, lanes)
    loops, out = Loops(AXIS, speeds, range(lanes), 0), np.zeros((5, 2 * CHUNK)) if lanes == 1 else None
    loops.advance(-CHUNK, 2 * CHUNK, out)
    benchmark.pedantic(
        loops.advance, (CHUNK, 2 * CHUNK, out), rounds=60 if lanes == 1 else 20, warmup_rounds=1
    )
    keep(benchmark, f"loop, {lanes} lanes", lanes * CHUNK)


def test_run(benchmark):
    benchmark.pedantic(run, (AXIS, SPEED, 20.0), rounds=5, warmup_rounds=1)
    keep(benchmark, "run of 20 s", 20.0 * RATE)


def test_sweep_of_200_speeds(benchmark):
    benchmark.pedantic(runs, (AXIS, np.geomspace(1e-3, 0.5, 200), 1.0), rounds=5, warmup_rounds=1)
    keep(benchmark, "sweep of 200 speeds", 200 * RATE)


def test_ratios(capsys):
    """Print what the other benchmarks found; needs all of them."""
    names = {"plain Python", "loop, 1 lanes", "loop, 256 lanes", "run of 20 s", "sweep of 200 speeds"}
    if not names <= set(FOUND):
        pytest.skip("run the whole file without --benchmark-disable")
    begin = time.perf_counter()
    runs(AXIS, np.geomspace(1e-3, 0.5, 200), 1.0)
    lines = [f"{name:24s}{value:9.2f} ns a step" for name, value in FOUND.items()]
    lines += [
        f"plain Python over one lane     {FOUND['plain Python'] / FOUND['loop, 1 lanes']:7.1f}",
        f"plain Python over 256 lanes    {FOUND['plain Python'] / FOUND['loop, 256 lanes']:7.1f}",
        f"200 speeds of 1 s at 16 kHz    {time.perf_counter() - begin:7.3f} s",
    ]
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert all(np.isfinite(value) for value in FOUND.values())
