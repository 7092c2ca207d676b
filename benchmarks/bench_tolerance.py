"""How long many axes take at 100 speeds, and beside it a plain loop over ripple.

Run ``pytest benchmarks/bench_tolerance.py``. Aim: 10 000 axes at 100 speeds within 20 s on two cores. Every row says
how many axes a second it does. Last measured on a 2-core machine with others at work: 10 000 in 23 s, of 18 s of
processor time; a process takes 1.8 ms an axis, a loop over ripple 176 ms. A limit on the top speed of an axis with a
readhead bandwidth takes 14 ms an axis, its ripple one.
"""

import os
from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import Axis, Interpolation, LowPass, Normal, Sampling, Scale, Signal, Tracking, Uniform
from encsim.model.load_and_control import Control, Load

SPEEDS = np.geomspace(1e-4, 1.0, 100)
SPREAD = {
    "signal.gain": Normal(0.006),
    "signal.offset.0": Normal(0.004),
    "signal.offset.1": Normal(0.004),
    "signal.phase": Uniform(6e-3),
}
STAGE = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9),
    interpolation=Interpolation(factor=4000, bits=12),
    sampling=Sampling(16e3, jitter=20e-9),
)
LIMITS = encsim.Requirement(speeds=(1e-4, 1.0), relative=0.025, floor=1e-4)
AXES = {
    "full chain": STAGE,
    "without a converter": replace(STAGE, interpolation=Interpolation(factor=4000)),
    "low pass": replace(STAGE, estimator=LowPass(1000.0)),
    "tracking": replace(STAGE, estimator=Tracking(100.0)),
    "closed loop": replace(
        STAGE,
        load=Load(5.0, viscous=1.0),
        control=Control(80.0, 1500.0, integral_time=0.02, current_bandwidth=1e3, delay=60e-6),
    ),
    "readhead bandwidth": replace(STAGE, signal=replace(STAGE.signal, bandwidth=5e5)),
}


def measured(benchmark, count, function, *args, **named):
    """One round after a warm-up, and axes a second."""
    found = benchmark.pedantic(function, args, named, rounds=1, warmup_rounds=1)
    benchmark.extra_info["axes a second"] = round(count / benchmark.stats["mean"])
    return found


@pytest.mark.parametrize("name", AXES)
def test_three_hundred_axes_in_one_process(benchmark, name):
    found = measured(
        benchmark, 300, encsim.tolerance, AXES[name], SPREAD, SPEEDS, 300, requirement=LIMITS, executor=1
    )
    assert found.samples == 300


@pytest.mark.parametrize("name", AXES)
def test_plain_loop_over_ripple(benchmark, name):
    drawn = encsim.tolerance(AXES[name], SPREAD, SPEEDS[:1], 10, executor=1)
    whole = encsim.smoothness if name == "closed loop" else encsim.ripple
    measured(benchmark, 10, lambda: [whole(drawn.sample(number), SPEEDS) for number in range(10)])


def test_ten_thousand_axes_on_all_cores(benchmark):
    def work():
        return encsim.tolerance(STAGE, SPREAD, SPEEDS, 10_000, requirement=LIMITS, executor=os.cpu_count())

    found = benchmark.pedantic(work, rounds=1)
    assert 0.0 < found.yield_fraction < 1.0
