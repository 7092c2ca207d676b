"""Speed of the closed loop: one speed, many side by side, and a sweep, against a loop in plain Python.

Run ``pytest benchmarks/bench_run.py``; the last lines print nanoseconds a loop step and the ratios. The chain is
whole: offset, gain, phase and harmonics of both channels, their noise, jitter of the signal and of the clock, a
converter, counts; a difference, position and velocity control with a limit and a dead time of one and a half
periods, a current loop, one mass with viscous friction. The plain loop does the same, draws its own noise, keeps
the same five curves and the same sums, and is checked to find the same ripple.
Last measured on a 2-core machine with 512-bit vectors, other work beside it: one lane 72 ns a step, 256 lanes 10.3,
plain Python 4070 (ratios 56 and 395), 200 speeds of 1 s at 16 kHz 0.042 s.
"""

import math
import time
from random import Random

import numpy as np
import pytest
from numba import njit

from encsim import Axis, Control, Difference, Interpolation, Load, Sampling, Scale, Signal, run, runs
from encsim.closed_loop.plant import discretise
from encsim.kernels import maths
from encsim.kernels.rows import CHUNK
from encsim.time_domain.loop_tables import Loops

PITCH, RATE, SPEED, FACTOR, BITS, SPAN = 20e-6, 16e3, 0.0123, 4000, 14, 1.25
OFFSET, GAIN, PHASE, HARMONICS = (0.01, -0.005), 0.02, 0.01, {3: 0.004, 5: 0.002}
JITTER, NOISE, CLOCK, MASS, VISCOUS, LIMIT = 2e-9, 5e-4, 10e-9, 5.0, 3.0, 500.0
KP, KV, TI, SPACING = 100.0, 2000.0, 0.02, 2
AXIS = Axis(
    Scale(period=PITCH),
    signal=Signal(offset=OFFSET, gain=GAIN, phase=PHASE, harmonics=HARMONICS, noise=NOISE, jitter=JITTER),
    interpolation=Interpolation(factor=FACTOR, bits=BITS, span=SPAN),
    sampling=Sampling(RATE, jitter=CLOCK),
    estimator=Difference(SPACING),
    load=Load(MASS, viscous=VISCOUS),
    control=Control(KP, KV, integral_time=TI, delay=1.5 / RATE, current_bandwidth=1500.0, torque_limit=LIMIT),
)
FOUND = {}


def plain_python(samples, seed=0):
    """The same loop as one would write it without this package: floats, math, one sample after the other."""
    cos, sin, atan2, floor, pi, gauss = (
        math.cos,
        math.sin,
        math.atan2,
        math.floor,
        math.pi,
        Random(seed).gauss,
    )
    step, half, dt = 2.0 * SPAN / 2**BITS, 2 ** (BITS - 1), 1.0 / RATE
    body = discretise(AXIS.load, AXIS.control, RATE)
    moved, newer, older = body.increment.tolist(), body.newer.tolist(), body.older.tolist()
    x, v, tau = 0.0, SPEED, VISCOUS * SPEED
    integral, shown, last, before = VISCOUS * SPEED / KV, [-SPACING * SPEED * dt, -SPEED * dt], tau, tau
    curves, sums, squares = [[] for _ in range(5)], [0.0] * 4, [0.0] * 4
    for k in range(samples):
        theta = 2.0 * pi * (x + JITTER * gauss(0.0, 1.0) + v * CLOCK * gauss(0.0, 1.0)) / PITCH
        c = OFFSET[0] + (1.0 + 0.5 * GAIN) * cos(theta)
        s = OFFSET[1] + (1.0 - 0.5 * GAIN) * sin(theta + PHASE)
        for n, h in HARMONICS.items():
            c += h * cos(n * theta)
            s += h * cos(n * (theta - pi / 2.0))
        c = step * min(max(floor((c + NOISE * gauss(0.0, 1.0)) / step + 0.5), -half), half - 1)
        s = step * min(max(floor((s + NOISE * gauss(0.0, 1.0)) / step + 0.5), -half), half - 1)
        turns = atan2(s, c) / (2.0 * pi)
        count = floor((round(x / PITCH - turns) + turns) * FACTOR + 0.5)
        y = count * PITCH / FACTOR
        speed = (y - shown[0]) / (SPACING * dt)
        shown = [shown[1], y]
        error = KP * (SPEED * k * dt - y) + SPEED - speed
        wanted = KV * (error + integral + dt / TI * error)
        torque = min(max(wanted, -LIMIT), LIMIT)
        if torque == wanted or error * wanted < 0.0:
            integral += dt / TI * error
        for curve, value in zip(curves, (y, x, v, speed, torque), strict=True):
            curve.append(value)
        for i, value in enumerate((speed - SPEED, torque - VISCOUS * SPEED, v - SPEED, x - SPEED * k * dt)):
            sums[i] += value
            squares[i] += value * value
        x, v, tau = (
            x + moved[0][1] * v + moved[0][2] * tau + newer[0] * last + older[0] * before,
            v + moved[1][1] * v + moved[1][2] * tau + newer[1] * last + older[1] * before,
            tau + moved[2][2] * tau + newer[2] * last + older[2] * before,
        )
        last, before = torque, last
    return [
        math.sqrt(square / samples - (total / samples) ** 2)
        for total, square in zip(sums, squares, strict=True)
    ]


@njit
def waiting(steps):
    """Formulas that a loop step has to do one after the other: the time that no vectors shorten."""
    turns = 0.1
    for _ in range(steps):
        cosine, sine = maths.cos_sin(turns)
        turns = np.floor(maths.turns_of(sine, cosine) * FACTOR + 0.5) * (1.0 / FACTOR) + 1e-3
    return turns


def keep(benchmark, name, steps):
    """Remember the fastest time of a benchmark, ns a step."""
    if benchmark.stats is not None:
        FOUND[name] = benchmark.stats["min"] / steps * 1e9
        benchmark.extra_info["ns a step"] = FOUND[name]


def test_plain_python(benchmark):
    benchmark.pedantic(plain_python, (20_000,), rounds=5)
    keep(benchmark, "plain Python", 20_000)


def test_both_find_the_same_ripple():
    found = run(AXIS, SPEED, 4.0).rms
    names = ("measured", "torque", "actual", "position")
    # 64 000 samples of coloured noise: the rms of slow curves is known to some per cent
    np.testing.assert_allclose(plain_python(64_000), [found[name] for name in names], rtol=0.05)


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
