"""Speed of the encoder in any motion: blocks against Stream, single samples from Python and from compiled code.

Run ``pytest benchmarks/bench_encoder.py``; the last lines print nanoseconds a sample and the ratios, by the time of the
processor. Last measured on an idle 2-core machine with 512-bit vectors: blocks of 16384 samples 11.5 ns a sample
(Stream 9.3: 0.81 of its rate), of 262144 10.7 ns (9.0: 0.84); one sample from code of numba 85 ns (12 million a
second), from Python 1.2 us.
"""

import time
from pathlib import Path

import numpy as np
import pytest
from numba import njit

import encsim

AXIS = encsim.load(Path(__file__).resolve().parents[1] / "examples" / "stage_x.toml")
SPEED, SHORT, LONG, SINGLE = 0.0123, 1 << 14, 1 << 18, 20_000
POSITION = SPEED * np.arange(LONG) / AXIS.sampling.rate
FOUND = {}


def fastest(work, samples, repeats=7):
    """Least time of the processor for a sample, ns."""
    work()
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return 1e9 * min(times) / samples


def stream(samples):
    """Blocks of the stream, which knows its motion."""
    source, position, velocity = encsim.Stream(AXIS, SPEED, seed=3), np.empty(samples), np.empty(samples)
    return lambda: source.read(position, velocity), samples


def blocks(samples):
    """Blocks of the encoder, which is given its motion."""
    encoder, position, velocity = encsim.Encoder(AXIS, seed=3), np.empty(samples), np.empty(samples)
    return lambda: encoder.read(POSITION[:samples], position_out=position, velocity=velocity), samples


def short_stream():
    """Blocks that stay in the cache."""
    return stream(SHORT)


def short_blocks():
    """Blocks that stay in the cache."""
    return blocks(SHORT)


def long_stream():
    """Blocks that do not stay in the cache."""
    return stream(LONG)


def long_blocks():
    """Blocks that do not stay in the cache."""
    return blocks(LONG)


def python():
    """Single samples from Python."""
    encoder, positions = encsim.Encoder(AXIS, seed=3), POSITION[:SINGLE].tolist()

    def work():
        for x in positions:
            encoder.step(x)

    return work, SINGLE


def compiled():
    """Single samples from compiled code."""
    step, state = encsim.Encoder(AXIS, seed=3).compiled()

    @njit
    def loop(positions, state):
        total = 0.0
        for k in range(positions.size):
            total += step(positions[k], state)[1]
        return total

    return lambda: loop(POSITION[:100_000], state), 100_000


@pytest.mark.parametrize("way", [short_stream, short_blocks, long_stream, long_blocks, python, compiled])
def test_time_of_a_sample(way, benchmark):
    work, samples = way()
    FOUND[way.__name__] = fastest(work, samples)
    benchmark.pedantic(work, rounds=1)


def test_zz_ratios():
    print()
    for name, nanoseconds in FOUND.items():
        print(f"{name}: {nanoseconds:.1f} ns a sample")
    if len(FOUND) == 6:
        for kind in ("short", "long"):
            ratio = FOUND[f"{kind}_stream"] / FOUND[f"{kind}_blocks"]
            print(f"{kind} blocks against Stream: {ratio:.2f} of its rate")
        print(f"from compiled code: {1e3 / FOUND['compiled']:.1f} million samples a second")
