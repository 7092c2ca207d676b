"""Choosing among 2000 candidates on 50 speeds, beside computing each with a plain ripple call.

Run: ``python -m pytest benchmarks/bench_choose.py --benchmark-only``. The plain row computes every 20th candidate; its
time is for these, so that 20 times it over that of the choice is the ratio (printed as ``ratio``).
"""

import itertools
import os
import time

import numpy as np
import pytest

import encsim
from encsim import Difference, LeastSquares, LowPass, Requirement, Tracking
from encsim.formats import changes

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

STAGE = encsim.Axis(
    encsim.Scale(period=20e-6),
    signal=encsim.Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9),
    interpolation=encsim.Interpolation(factor=4000, bits=12),
    sampling=encsim.Sampling(16e3, jitter=20e-9),
)
LISTS = {
    "interpolation.factor": [200, 400, 800, 1000, 2000, 4000, 8000, 10000, 16000, 40000],
    "interpolation.bits": [None, 10, 12, 14],
    "sampling.rate": [4e3, 8e3, 10e3, 16e3, 32e3],
    "estimator": [Difference(1), Difference(4), Difference(16), LowPass(100.0), LowPass(300.0), LowPass(1e3),
                  LowPass(500.0, order=2), LeastSquares(8), LeastSquares(32), Tracking(200.0)],
}  # fmt: skip
WANTED = Requirement(speeds=(0.2e-3, 0.2), relative=0.02, floor=60e-6, delay=2e-3)
COST = {
    "price": {
        "interpolation.factor": lambda factor: factor**0.3,
        "interpolation.bits": {None: 9, 10: 1, 12: 2, 14: 4},
    }
}
SPEEDS = np.geomspace(*WANTED.speeds, 50)
EVERY = 20


def plain():
    """Ripple of every 20th combination, none kept from another run."""
    encsim.open_loop.structure_function.table.cache_clear()
    for values in list(itertools.product(*LISTS.values()))[::EVERY]:
        encsim.ripple(changes.apply(STAGE, dict(zip(LISTS, values, strict=True))), SPEEDS)


def chosen():
    """The whole choice, with no tables of another run."""
    encsim.open_loop.structure_function.table.cache_clear()
    return encsim.choose(STAGE, WANTED, LISTS, COST)


@pytest.mark.benchmark(group="choose")
def test_choice_of_2000(benchmark):
    encsim.ripple(STAGE, SPEEDS)
    found = benchmark.pedantic(chosen, rounds=3, warmup_rounds=1)
    started = time.perf_counter()
    plain()
    whole = EVERY * (time.perf_counter() - started)
    benchmark.extra_info["ratio"] = whole / benchmark.stats.stats.min
    benchmark.extra_info["exact"] = sum(row.exact for row in found.rows)
    print(f"\n{found.count} candidates in {benchmark.stats.stats.min:.2f} s, {benchmark.extra_info['exact']} in full; "
          f"plain calls {whole:.0f} s, {benchmark.extra_info['ratio']:.0f} times as long")  # fmt: skip


@pytest.mark.benchmark(group="choose")
def test_every_20th_by_plain_ripple(benchmark):
    benchmark.pedantic(plain, rounds=2, warmup_rounds=1)
