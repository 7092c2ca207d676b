"""Speed of the simulator against plain NumPy, against the sum of its stages, and on two threads.

Run ``pytest benchmarks/bench_simulation.py``; the last lines print nanoseconds a sample and the ratios.
Last measured on a 2-core machine with 512-bit vectors, other work beside it: chain 4.7 ns a sample, plain
NumPy 115 ns in blocks of 16 384 and more in one go (ratio 24), sum of the stages 5 ns.
"""

import os
import platform
import time
from functools import partial

import numpy as np
import pytest
from numba import njit

from encsim import Axis, Interpolation, Sampling, Scale, Signal, Stream, simulate
from encsim.kernels import chance, counting, estimators, open_chain, records, rows, signals
from encsim.kernels.jit import from_python
from encsim.time_domain.chain import tables_of

PITCH, RATE, SPEED, FACTOR, BITS, SPAN = 20e-6, 16e3, 0.0123, 4000, 12, 1.25
HARMONICS, JITTER = {3: 0.01, 5: 0.004, 7: 0.002}, 2e-9
AXIS = Axis(
    Scale(period=PITCH),
    signal=Signal(harmonics=HARMONICS, jitter=JITTER),
    interpolation=Interpolation(factor=FACTOR, bits=BITS, span=SPAN),
    sampling=Sampling(rate=RATE),
)
LONG = 1 << 25
FOUND = {}


def plain_numpy(position, velocity, rng):
    """The same chain as a vectorised script: what one would write without this package."""
    time_of = np.arange(position.size) / RATE
    x = SPEED * time_of + JITTER * rng.standard_normal(position.size)
    theta = 2.0 * np.pi * x / PITCH
    c, s = np.cos(theta), np.sin(theta)
    for n, h in HARMONICS.items():
        c = c + h * np.cos(n * theta)
        s = s + h * np.cos(n * (theta - np.pi / 2.0))
    step, half = 2.0 * SPAN / 2**BITS, 2 ** (BITS - 1)
    c = np.clip(np.floor(c / step + 0.5), -half, half - 1)
    s = np.clip(np.floor(s / step + 0.5), -half, half - 1)
    turns = np.arctan2(s, c) / (2.0 * np.pi)
    whole = np.round(x / PITCH - turns)
    count = np.floor((whole + turns) * FACTOR + 0.5)
    position[:] = count * (PITCH / FACTOR)
    velocity[:] = np.diff(count, prepend=count[0]) * (PITCH * RATE / FACTOR)


@njit
def idle(work):
    """Compiled call that does nothing: what a stage called from Python costs beside its work."""


def keep(benchmark, name, samples):
    """Remember the fastest time of a benchmark, ns a sample."""
    if benchmark.stats is not None:
        FOUND[name] = benchmark.stats["min"] / samples * 1e9
        benchmark.extra_info["ns a sample"] = FOUND[name]


def stages():
    """Each stage of the chain on one chunk, with the arrays of a stream that has run."""
    stream, u = Stream(AXIS, SPEED), np.uint64
    stream.read(np.empty(4096), np.empty(4096))
    plan, tables = stream._tables[0], tables_of(AXIS, SPEED)
    work, history = stream._work, records.History(*stream._history)
    p, n, out = plan[0], rows.CHUNK, np.empty(rows.CHUNK)
    step_64, step = u(p["tick_step_64"]), float(p["tick_step"])
    return {
        "phase": (open_chain.phase_block, u(5), step_64, step, 0.0, work),
        "gaussian": (chance.gaussian_block, 3, records.JITTER_CAUSE, u(0), u(1), u(2), work),
        "displace": (open_chain.displace_block, 1e-4, work),
        "read": (signals.read_block, 0.0, work),
        "channels": (signals.channel_block, plan, tables.order_steps, tables.terms, work),
        "converter": (signals.convert_block, plan, work),
        "arctangent": (signals.arctangent_block, work),
        "whole periods": (counting.whole_block, 5, 0, history.whole, work),
        "counts": (counting.count_block, plan, 0, history.count, work),
        "position": (counting.position_block, plan, 0, n, history, out, 0),
        "difference": (estimators.difference_block, float(FACTOR), PITCH, 1, 0, n - 1, history, out, 0),
    }


STAGES = {name: partial(from_python(block), *given) for name, (block, *given) in stages().items()}


def test_idle_call(benchmark):
    work = np.zeros(rows.CHAIN_ROWS * rows.CHUNK)
    idle(work)
    benchmark.pedantic(idle, (work,), rounds=2000, iterations=20)
    keep(benchmark, "idle call", rows.CHUNK)


@pytest.mark.parametrize("name", STAGES)
def test_stage(benchmark, name):
    STAGES[name]()
    benchmark.pedantic(STAGES[name], rounds=2000, iterations=20)
    keep(benchmark, f"stage {name}", rows.CHUNK)


@pytest.mark.parametrize("size", [1 << 14, 1 << 20])
def test_plain_numpy(benchmark, size):
    arrays, rng = (np.empty(size), np.empty(size)), np.random.default_rng(0)
    benchmark.pedantic(plain_numpy, (*arrays, rng), rounds=max(3, (1 << 21) // size), warmup_rounds=1)
    keep(benchmark, f"numpy {size}", size)


@pytest.mark.parametrize("size", [1 << 14, 1 << 20])
def test_stream(benchmark, size):
    arrays, stream = (np.empty(size), np.empty(size)), Stream(AXIS, SPEED)
    benchmark.pedantic(stream.read, arrays, rounds=max(20, (1 << 24) // size), warmup_rounds=1)
    keep(benchmark, f"stream {size}", size)


@pytest.mark.parametrize("threads", [1, 2])
def test_long_run(benchmark, threads):
    options = {"threads": threads}
    benchmark.pedantic(simulate, (AXIS, SPEED, LONG), options, rounds=5, warmup_rounds=1)
    keep(benchmark, f"simulate {threads}", LONG)


def threads_ratio():
    """Two threads over one, alternating so that other work on the machine hits both."""
    fastest = {1: np.inf, 2: np.inf}
    for _ in range(5):
        for threads in fastest:
            start = time.perf_counter()
            simulate(AXIS, SPEED, LONG, threads=threads)
            fastest[threads] = min(fastest[threads], time.perf_counter() - start)
    return fastest[1] / fastest[2]


def vector_width():
    """Widest vector registers in a stage compiled anew (code from the cache cannot be looked at), bits."""
    stage = njit(nogil=True, error_model="numpy")(signals.arctangent_block.py_func)
    stage(np.zeros(rows.CHAIN_ROWS * rows.CHUNK))
    code = "".join(stage.inspect_asm().values())
    return next((bits for name, bits in (("zmm", 512), ("ymm", 256), ("xmm", 128)) if name in code), None)


def test_ratios(capsys):
    """Print what the other benchmarks found; needs all of them."""
    names = [f"stage {name}" for name in STAGES]
    if not {*names, "numpy 16384", "numpy 1048576", "stream 16384", "stream 1048576"} <= set(FOUND):
        pytest.skip("run the whole file without --benchmark-disable")
    chain, total = FOUND["stream 1048576"], sum(FOUND[name] - FOUND["idle call"] for name in names)
    lines = [f"{name:24s}{value:8.2f} ns a sample" for name, value in FOUND.items()]
    lines += [
        f"plain NumPy over chain, 16 384 samples   {FOUND['numpy 16384'] / FOUND['stream 16384']:6.1f}",
        f"plain NumPy over chain, 1 048 576 samples{FOUND['numpy 1048576'] / chain:6.1f}",
        f"sum of the stages, less their calls      {total:6.2f} ns a sample, chain over it {chain / total:.2f}",
        f"two threads over one, simulate           {threads_ratio():6.2f} on {os.cpu_count()} processors",
        f"widest vectors {vector_width()} bits, {platform.machine()}",
    ]
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert all(np.isfinite(value) for value in FOUND.values())
