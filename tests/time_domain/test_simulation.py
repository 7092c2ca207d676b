"""Runs and streams: the slow twin, closed forms, invariants, and every refusal."""

import math
import subprocess
import sys
import threading
import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
import reference
from compiled import compiles

from encsim import (
    Axis,
    Difference,
    InputError,
    Interpolation,
    Sampling,
    Scale,
    Signal,
    Stream,
    position_error,
    simulate,
)
from encsim.kernels import compiling
from encsim.kernels.rows import CHUNK
from encsim.time_domain import stream

PITCH, RATE = 20e-6, 16e3
SCALE, LOOP = Scale(period=PITCH), Sampling(rate=RATE)
SPEED = 0.01234567
FAULTY = {
    "offset": (0.01, -0.02),
    "gain": 0.03,
    "phase": 0.01,
    "harmonics": {2: 0.01, 3: 0.01, 5: 0.004, 9: 0.003},
}
ALL_NOISE = {"jitter": 2e-9, "noise": 1e-3}


def axis(signal=None, interpolation=None, samples=1, scale=SCALE, **sampling):
    return Axis(
        scale,
        signal=Signal(**(signal or {})),
        interpolation=Interpolation(**(interpolation or {})),
        sampling=Sampling(**{"rate": RATE, **sampling}),
        estimator=Difference(samples),
    )


AXES = {
    "everything": axis(
        {"amplitude": 0.95, **FAULTY, **ALL_NOISE, "sde": {1: 4e-8, 3: (2e-8, 0.4)}},
        {"factor": 4000, "bits": 12, "correction": 0.3},
        average=3,
        jitter=1e-7,
        latency=3e-5,
    ),
    "no counts": axis({**FAULTY, **ALL_NOISE}, samples=3, average=4),
    "bandwidth and skew": axis({**FAULTY, "bandwidth": 3e3, "skew": 1e-6}),
    "other clock": axis(ALL_NOISE, {"factor": 400}, encoder_rate=37123.4, encoder_phase=0.3),
    "slow other clock": axis(ALL_NOISE, encoder_rate=7123.4),
    "long difference": axis({"jitter": 2e-9}, samples=3 * CHUNK + 5),
    "edges": axis({"jitter": 1e-8}, {"factor": 400, "output": "ab"}),
}
REMEMBERING = {
    "band-limited jitter": axis({"jitter": 2e-9, "jitter_bandwidth": 1e3}),
    "band-limited on a clock": axis({"jitter": 2e-9, "jitter_bandwidth": 1e3}, encoder_rate=37123.4),
    "band-limited on a slow clock": axis({"jitter": 2e-9, "jitter_bandwidth": 1e3}, encoder_rate=7123.4),
    "hysteresis": axis({"jitter": 2e-8}, {"factor": 400, "hysteresis": 0.5}),
    "separation": axis({"jitter": 5e-8}, {"factor": 400, "output": "ab", "edge_separation": 3.5e-6}),
    "clock": axis({"jitter": 5e-8}, {"factor": 400, "output": "ab", "edge_clock": 2.1e5, "hysteresis": 0.7}),
    "clocked separation": axis(
        {"jitter": 5e-8}, {"factor": 400, "output": "ab", "edge_clock": 1e6, "edge_separation": 3.5e-6}
    ),
}


def twin(which, speed, first, samples, **options):
    begin = None if which in AXES.values() else ((first - which.estimator.samples) // CHUNK - 1) * CHUNK
    return reference.run(which, speed, first, samples, begin=begin, **options)


def streamed(which, speed, blocks, first=0, **options):
    stream = Stream(which, speed, first=first, **options)
    pairs = [(np.empty(size), np.empty(size)) for size in blocks]
    for position, velocity in pairs:
        stream.read(position, velocity)
    return tuple(np.concatenate(part) for part in zip(*pairs, strict=True))


def still_counts(step, samples=1):
    """Velocity of pure counting, counts a sample, at ``step`` counts a sample."""
    q = PITCH / 4000
    trace = simulate(axis(None, {"factor": 4000}, samples), step * q * RATE, 400_000)
    return trace.velocity / (q * RATE)


@pytest.mark.parametrize(
    ("step", "samples", "variance"), [(0.3, 1, 0.21), (9.37, 1, 0.2331), (0.37, 8, 0.0006 * 4)]
)
def test_counting_has_the_variance_of_its_broken_step(step, samples, variance):
    # q**2 r (1 - r)/N**2, r = frac(N v T/q): derived; for N = 8, r = 0.96, 0.0384/64 = 0.0006.
    variance = variance if samples == 1 else 0.0006
    # 400 000 samples hold a whole number of cycles up to one, 1e-5 of the mean.
    assert still_counts(step, samples).var() == pytest.approx(variance, rel=2e-5)


def test_rounding_error_is_uniform():
    # q/sqrt(12): Widrow, Kollar, Quantization Noise, 2008 (from memory).
    trace = simulate(axis(None, {"factor": 400}), SPEED, 200_000)
    error = trace.position - SPEED * trace.time
    # The step is irrational to 1e-6: so many samples fill a count evenly to 1e-4.
    assert error.std() / (PITCH / 400) == pytest.approx(0.288675134595, rel=1e-4)


ALIASED = [
    (0.001, 1, 1, 1.57069539685e-05),
    (0.02, 1, 1, 0.000306146745892),
    (0.12, 1, 1, 0.000565685424949),
    (1.0, 1, 1, 0.000565685424949),
    (0.05, 2, 1, 0.000739103626009),
    (0.013, 1, 4, 0.000170528032871),
]


@pytest.mark.parametrize(("speed", "order", "samples", "amplitude"), ALIASED)
def test_given_error_appears_with_its_sampled_and_folded_amplitude(speed, order, samples, amplitude):
    # 2 E (fs/N) |sin(pi k v N/(p fs))|: derived (algebra and multiple precision).
    which = axis({"sde": {order: 5e-8}}, samples=samples, rate=8e3)
    # 16 000 samples are whole cycles of every line here, so sqrt(2) rms is the amplitude.
    found = math.sqrt(2.0) * simulate(which, speed, 16_000).rms
    assert found == pytest.approx(amplitude, rel=1e-9)


def test_given_error_vanishes_where_it_folds_to_standstill():
    trace = simulate(axis({"sde": {1: 5e-8}}, rate=8e3), 0.16, 16_000)
    # 2 E fs = 8e-4 m/s would be the largest; what is left is rounding of the speed's phase.
    assert trace.rms < 1e-12


def test_given_error_at_half_the_rate_shows_its_phase():
    # 2 E fs |sin phi|, phi = 30 degrees, alternating, so rms and amplitude are one: derived.
    trace = simulate(axis({"sde": {1: 5e-8}}, rate=8e3), 0.08, 1000, start=PITCH / 12.0)
    assert (trace.rms, trace.peak) == pytest.approx((0.0004, 0.0004), rel=1e-9)


def test_rotary_axis_gives_the_ripple_in_angle():
    # 60 * 2 (E/1296000) fs |sin(pi f/fs)| rpm, E = 1 arcsec, 2048 lines, 45 rpm, 16 kHz: 0.440061602336 rpm, derived.
    turn = 2.0 * math.pi
    which = axis({"sde": {1: turn / 1296000.0}}, scale=Scale(lines=2048))
    trace = simulate(which, 45.0 / 60.0 * turn, 125 * 64)
    assert math.sqrt(2.0) * trace.rms * 60.0 / turn == pytest.approx(0.440061602336, rel=1e-9)


JITTERS = [
    ({"jitter": 1e-9}, {}, 0.0, 1.1313708499e-05),
    ({"jitter": 1e-9}, {}, 0.3, 1.1313708499e-05),
    ({}, {"jitter": 2e-8}, 2.0, 2.0 * 0.00022627416998),
]


@pytest.mark.parametrize(("signal", "sampling", "speed", "rms"), JITTERS)
def test_white_jitter_makes_root_two_of_itself_times_the_rate(signal, sampling, speed, rms):
    # sqrt(2) sigma fs, and for the clock sqrt(2) sigma_t fs relative: derived.
    trace = simulate(axis(signal, rate=8e3, **sampling), speed, 400_000)
    deviation = trace.velocity - speed
    # The rms of n samples of differenced white noise is sure to 0.87/sqrt(n): four of them.
    assert trace.rms == pytest.approx(rms, rel=4 * 0.87 / math.sqrt(400_000))
    assert np.mean(deviation[1:] * deviation[:-1]) / trace.rms**2 == pytest.approx(-0.5, abs=0.006)


@pytest.mark.parametrize("lag", [1, 2, 5, 20])
@pytest.mark.parametrize("rate", [RATE, 2.5 * RATE])
def test_band_limited_jitter_has_the_correlation_of_one_pole(lag, rate):
    clock = {} if rate == RATE else {"encoder_rate": rate}
    which = axis({"jitter": 2e-9, "jitter_bandwidth": 300.0}, **clock)
    position = simulate(which, 0.0, 400_000).position / 2e-9
    expected = math.exp(-2.0 * math.pi * 300.0 * lag / RATE)
    # Samples correlated over 1/(2 pi B T) = 8.5 each: 400 000 are worth 24 000, deviation 0.9 %. With the other
    # clock ages alternate by 0.2 samples, which the mean of exp over them changes by less than that.
    assert np.mean(position[lag:] * position[:-lag]) == pytest.approx(expected, abs=0.035)


def test_hysteresis_trails_the_motion_by_half_its_width():
    for sign in (1, -1):
        trace = simulate(axis(None, {"factor": 400, "hysteresis": 1.5}), sign * SPEED, 100_000)
        lag = (trace.position - sign * SPEED * trace.time).mean() / (PITCH / 400)
        # Mean of an even spread over one count, to 1e-3 as above.
        assert lag == pytest.approx(-sign * 0.75, abs=1e-3)


def test_hysteresis_keeps_slow_noisy_counts_to_single_steps():
    step, q = 0.001, PITCH / 400
    which = axis({"jitter": 0.05 * q}, {"factor": 400, "hysteresis": 0.5})
    trace = simulate(which, step * q * RATE, 400_000)
    # h q = 10 sigma and r < 1: q**2 fs**2 r (1 - r) exactly; steps may be shifted by noise at the ends: 1/400.
    assert trace.rms / (q * RATE) == pytest.approx(math.sqrt(step * (1.0 - step)), rel=5e-3)
    assert trace.settle == pytest.approx(3000, abs=1)


def test_counter_above_the_edge_rate_falls_behind_at_the_limit():
    q, separation = PITCH / 400, 1e-6
    which = axis(None, {"factor": 400, "output": "ab", "edge_separation": separation})
    trace = simulate(which, 1.2 * q / separation, 5000)
    assert trace.velocity.mean() == pytest.approx(q / separation, rel=1e-9)
    assert not trace.valid
    assert "top speed" in trace.reasons[0]


@pytest.mark.parametrize("clock", [None, 3e5])
def test_edges_keep_their_distance_whatever_the_noise(clock):
    which = axis(
        {"jitter": 1e-6}, {"factor": 400, "output": "ab", "edge_separation": 1e-5, "edge_clock": clock}
    )
    counts = np.rint(np.diff(simulate(which, 1e-3, 20_000).position) / (PITCH / 400))
    # 62.5 us a sample hold 6 edges 10 us apart, 7 with the one that was due; a clock of 3.3 us makes it 10 us too.
    assert np.abs(counts).max() == 7


@pytest.mark.parametrize(("rate", "repeat"), [(16e3 / 3.0, 3), (8e3, 2)])
def test_slow_encoder_clock_repeats_its_samples(rate, repeat):
    trace = simulate(axis({"jitter": 2e-9}, encoder_rate=rate), SPEED, 30 * repeat)
    assert np.count_nonzero(trace.velocity) == pytest.approx(30, abs=1)


def test_sample_age_makes_a_beat_of_its_own():
    rate = 2.3 * RATE
    trace = simulate(axis(encoder_rate=rate), SPEED, 200_000)
    # (v fs/f_e)**2 d (1 - d), d = frac(f_e/fs): derived; whole cycles to 1e-5.
    assert trace.rms == pytest.approx(SPEED * RATE / rate * math.sqrt(0.3 * 0.7), rel=1e-4)


def test_latency_is_a_lag_of_the_position():
    trace = simulate(axis(latency=2e-4), SPEED, 10, start=1e-3)
    np.testing.assert_allclose(trace.position, 1e-3 + SPEED * (trace.time - 2e-4), rtol=1e-14)


@pytest.mark.parametrize("seed", range(4))
def test_lines_of_a_run_are_those_of_the_closed_form(seed):
    rng = np.random.default_rng(seed)
    signal = {"offset": rng.uniform(-0.1, 0.1, 2).tolist(), "gain": rng.uniform(-0.1, 0.1), "phase": 0.05}
    signal |= {"harmonics": {int(n): rng.uniform(-0.03, 0.03) for n in (2, 3, 5, 8)}, "sde": {2: (3e-8, 1.0)}}
    which, points = axis(signal), 4096
    # 301 periods in 4096 samples: each line of the error falls on its own place, to order 2048.
    trace = simulate(which, PITCH * RATE * 301 / points, points)
    error = np.fft.rfft(trace.position - PITCH * 301 / points * np.arange(points)) * 2.0 / points
    lines = position_error(which)
    orders = lines.harmonic[lines.harmonic <= 40]
    folded = (orders * 301) % points
    found = np.abs(error[np.minimum(folded, points - folded)])
    np.testing.assert_allclose(found, lines.amplitude[: orders.size], atol=1e-9 * lines.amplitude.max())


# From sample 1 on the twin of an axis that remembers begins one chunk earlier, not two.
STARTS = [(name, SPEED, 0) for name in AXES] + [(name, SPEED, 1) for name in REMEMBERING]
# The other way round, over the border of two chunks.
STARTS += [
    (name, -0.4 * SPEED, 2045)
    for name in [*AXES, "band-limited on a clock", "hysteresis", "clocked separation"]
]


@pytest.mark.parametrize(("name", "speed", "first"), STARTS)
def test_stream_equals_the_slow_twin(name, speed, first, cases):
    which = (AXES | REMEMBERING)[name]
    options = {"seed": (1 << 40) + 7, "start": 3.3e-6}
    samples = cases(120, 300)
    position, velocity = streamed(which, speed, [samples], first, **options)
    expected = twin(which, speed, first, samples, **options)
    # Doubles of some 1e-3 m: 2e-19 m, a thousandth of 1e-15 m; a count gone wrong would be 5e-9 m. Random numbers have
    # single precision, the twin's double: 4e-7 of their rms, in the velocity twice that and the loop rate.
    random = 4e-7 * (
        which.signal.jitter + abs(speed) * which.sampling.jitter + which.signal.noise * PITCH / 6.0
    )
    np.testing.assert_allclose(position, expected[0], atol=1e-15 + random, rtol=1e-13)
    np.testing.assert_allclose(velocity, expected[1], atol=1e-12 + 2.0 * RATE * random, rtol=1e-12)


@pytest.mark.parametrize(
    ("load", "clock"), [(0.5, None), (0.95, None), (1.05, None), (3.0, None), (0.95, 3e5), (1.05, 3e5)]
)
def test_queued_edges_equal_those_of_a_list(load, clock, cases):
    samples = cases(150, 300)
    q, separation = PITCH / 400, 1e-5
    how = {"factor": 400, "output": "ab", "edge_separation": separation, "edge_clock": clock}
    which = axis({"jitter": 2.0 * q}, how)
    position, _ = streamed(which, load * q / separation, [samples], first=1, seed=3)
    expected = twin(which, load * q / separation, 1, samples, seed=3)
    np.testing.assert_allclose(position, expected[0], atol=1e-3 * q)


@pytest.mark.parametrize("name", [*AXES, *REMEMBERING])
@pytest.mark.parametrize("blocks", [(1, 2, 3, 4994), (CHUNK, CHUNK, 904), (17,) * 250 + (750,)])
def test_stream_does_not_depend_on_where_it_is_cut(name, blocks):
    which = (AXES | REMEMBERING)[name]
    trace = simulate(which, SPEED, 5000, 9)
    position, velocity = streamed(which, SPEED, blocks, seed=9)
    assert np.array_equal(position, trace.position)
    assert np.array_equal(velocity, trace.velocity)


@pytest.mark.parametrize("name", AXES)
@pytest.mark.parametrize("first", [1, CHUNK - 1, CHUNK, 40_000])
def test_stream_may_begin_anywhere(name, first):
    trace = simulate(AXES[name], SPEED, first + 100, 9)
    position, velocity = streamed(AXES[name], SPEED, [100], first, seed=9)
    assert np.array_equal(position, trace.position[first:])
    assert np.array_equal(velocity, trace.velocity[first:])


@pytest.mark.parametrize("name", [*AXES, "hysteresis"])
def test_run_does_not_depend_on_the_number_of_threads(name):
    which = (AXES | REMEMBERING)[name]
    one, *others = (simulate(which, SPEED, 200_001, 2, threads=number) for number in (1, 2, 3))
    for more in others:
        assert np.array_equal(one.position, more.position)
        assert np.array_equal(one.velocity, more.velocity)
        assert (one.rms, one.peak, one.reasons) == (more.rms, more.peak, more.reasons)


def test_velocity_is_optional_and_changes_nothing():
    position, stream = np.empty(3000), Stream(AXES["everything"], SPEED)
    stream.read(position)
    assert np.array_equal(position, simulate(AXES["everything"], SPEED, 3000).position)
    assert stream.sample == 3000


@pytest.mark.parametrize("speed", [SPEED, -3.7, 1.0 / 3.0])
@pytest.mark.parametrize("first", [0, 10**6 + 5, 10**12])
@pytest.mark.parametrize("clock", [None, 31234.5])
def test_phase_stays_exact_for_1e12_samples(speed, first, clock):
    stream = Stream(axis(encoder_rate=clock), speed, start=0.123, first=first)
    stream.read(np.empty(1500))
    sample = first + 1500
    exact = reference.true_phase(stream._axis, speed, 0.123, sample)
    whole, fraction = stream.phase
    assert abs(whole + Fraction(fraction) - exact) < 1e-9


def test_velocity_keeps_its_accuracy_after_1e12_samples():
    position, velocity = streamed(axis(), SPEED, [1000], 10**12)
    # Positions of 8e5 m are doubles 1e-10 m apart, 2e-6 m/s if they were differenced.
    assert np.abs(velocity - SPEED).max() < 1e-14
    assert position[0] == pytest.approx(float(Fraction(SPEED) * 10**12 / Fraction(RATE)), rel=1e-15)


def test_motion_exists_before_the_first_sample():
    trace = simulate(axis(samples=50), SPEED, 100, start=4e-6)
    assert trace.position[0] == pytest.approx(4e-6, rel=1e-14)
    np.testing.assert_allclose(trace.velocity, SPEED, rtol=1e-12)


def test_long_run_has_no_drift():
    trace = simulate(AXES["everything"], SPEED, 500_000)
    # Positions at both ends are right to an error of the period, 1e-7 m, over 31 s.
    assert trace.velocity.mean() == pytest.approx(SPEED, abs=2e-7 / 31.0)


def test_whole_speed_sign_mirrors_a_symmetric_axis():
    forward, back = (simulate(axis({"harmonics": {3: 0.02}}), sign * SPEED, 500) for sign in (1, -1))
    np.testing.assert_allclose(back.velocity, -forward.velocity, rtol=1e-12)


def test_seeds_make_different_runs_and_the_same_seed_the_same():
    runs = [simulate(AXES["everything"], SPEED, 500, seed).position for seed in (0, 1, 0, 1 << 63)]
    assert np.array_equal(runs[0], runs[2])
    assert not np.array_equal(runs[0], runs[1])
    assert not np.array_equal(runs[0], runs[3])


@pytest.mark.parametrize("average", [2, 5])
@pytest.mark.parametrize("periods", [0.3, 0.9, 1.9])
def test_averaging_never_loses_a_period(average, periods):
    trace = simulate(axis({"offset": (0.001, 0.0)}, average=average), periods * PITCH * RATE, 2000)
    # A lost period would be PITCH * RATE = 0.32 m/s.
    assert np.abs(trace.velocity - periods * PITCH * RATE).max() < 0.05


@pytest.mark.parametrize("bandwidth", [100.0, 1e4])
def test_readhead_lag_never_loses_a_period(bandwidth):
    trace = simulate(axis({"bandwidth": bandwidth, "offset": (1e-3, 0.0)}), 0.6 * PITCH * RATE, 2000)
    assert np.abs(trace.velocity - 0.6 * PITCH * RATE).max() < 0.05


@pytest.mark.skipif(sys.gettrace() is not None, reason="who traces lines allocates")
@pytest.mark.parametrize("size", [1, 100, 10_000, 300_000])
@pytest.mark.parametrize("name", ["everything", "other clock", "hysteresis"])
def test_reading_allocates_less_than_1_kb_whatever_the_block(name, size):
    stream, position, velocity = Stream((AXES | REMEMBERING)[name], SPEED), np.empty(size), np.empty(size)
    stream.read(position, velocity)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        stream.read(position, velocity)
        assert tracemalloc.get_traced_memory()[1] - before < 1024
    finally:
        tracemalloc.stop()


def test_clipping_makes_a_run_invalid_and_says_so():
    trace = simulate(axis({"amplitude": 1.3}, {"bits": 10}), SPEED, 1000)
    assert not trace.valid
    assert "clips" in trace.reasons[0]


def test_trace_has_the_values_it_lists():
    trace = simulate(axis({"jitter": 1e-9}), SPEED, 1000, 3, 1e-3)
    deviation = trace.velocity - SPEED
    assert trace.rms == pytest.approx(np.sqrt(np.mean(deviation**2)), rel=1e-12)
    assert trace.peak == 0.5 * (trace.velocity.max() - trace.velocity.min())
    assert (trace.valid, trace.reasons, trace.settle, trace.seed, trace.speed) == (True, (), 0, 3, SPEED)
    assert trace.time[-1] == 999 / RATE


def test_trace_turns_into_plain_values_and_a_table():
    trace = simulate(axis(), SPEED, 3)
    plain = trace.to_dict()
    assert (plain["kind"], plain["units"]["velocity"]) == ("Trace", "m/s")
    assert plain["axis"] == trace.axis.to_toml()
    assert trace.to_csv_text().splitlines()[0] == "time_s,position_m,velocity_m_s"


def test_trace_of_a_rotary_axis_is_in_radians():
    assert simulate(axis(scale=Scale(lines=100)), 1.0, 3).units["velocity"] == "rad/s"


def test_short_run_with_hysteresis_says_it_has_not_settled():
    which = axis({"jitter": 1e-9}, {"factor": 400, "hysteresis": 1.0})
    trace = simulate(which, 1e-6, 1000)
    assert (trace.valid, trace.settle) == (False, 500)
    assert "hysteresis to settle" in trace.reasons[0]


def test_compiling_is_told_once(monkeypatch, caplog):
    chain = Stream._chain
    monkeypatch.setattr(stream, "_loaded", threading.Event())
    monkeypatch.setattr(compiling, "PATIENCE", 0.0)
    monkeypatch.setattr(Stream, "_chain", lambda self, *arrays: compiles() and chain(self, *arrays))
    for _ in range(2):
        simulate(axis(), SPEED, 10)
    assert caplog.messages == ["encsim: compiling the simulator, once; later runs load it in a moment"]


def test_a_new_process_finds_the_simulator_compiled():
    simulate(axis(), SPEED, 10)
    code = """
from encsim import *
simulate(Axis(Scale(period=1e-5), sampling=Sampling(rate=1e4)), 1e-3, 10)
from encsim.kernels import open_chain
used = [found.stats for found in vars(open_chain).values() if hasattr(found, "stats")]
print(sum(len(found.cache_misses) for found in used), any(found.cache_hits for found in used))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "0 True\n"


WRONG = [
    ({"axis": "axis"}, r'simulate\.axis must be an Axis, got "axis"'),
    ({"speed": math.nan}, r"simulate\.speed must be a finite number, got nan m/s"),
    ({"speed": True}, r"simulate\.speed must be a finite number, got True"),
    ({"speed": 1e300}, r"simulate\.speed must stay up to 524288 signal periods per sample"),
    ({"samples": 0}, r"simulate\.samples must be a whole number from 1 to 1099511627776, got 0"),
    ({"samples": 10.0}, r"simulate\.samples must be a whole number"),
    ({"samples": 1 << 40}, r"simulate\.samples must be few enough to fit into memory, got 1099511627776"),
    ({"seed": -1}, r"simulate\.seed must be a whole number from 0 to 18446744073709551615, got -1"),
    ({"seed": 1 << 64}, r"simulate\.seed must be a whole number"),
    ({"seed": 0.5}, r"simulate\.seed must be a whole number"),
    ({"start": math.inf}, r"simulate\.start must be a finite number, got inf m"),
    ({"start": 1e300}, r"simulate\.start must keep the position within"),
    ({"threads": 0}, r"simulate\.threads must be None or a whole number from 1 to 256, got 0"),
]


@pytest.mark.parametrize(("change", "message"), WRONG)
def test_simulate_refuses_what_it_cannot_run(change, message):
    arguments = {"axis": axis(), "speed": SPEED, "samples": 10} | change
    with pytest.raises(InputError, match=message):
        simulate(**arguments)


def test_all_faults_of_a_call_are_reported_at_once():
    with pytest.raises(InputError) as caught:
        simulate(axis(), math.nan, 0, -1)
    assert [fault.field for fault in caught.value.faults] == [
        "simulate.speed",
        "simulate.seed",
        "simulate.samples",
    ]


@pytest.mark.parametrize("first", [-1, 1.5, None, 1 << 60])
def test_stream_refuses_a_first_sample_that_is_none(first):
    with pytest.raises(InputError, match=r"Stream\.first must be a whole number from 0 to"):
        Stream(axis(), SPEED, first=first)


def test_simulate_refuses_a_clock_too_fast_to_count():
    which = axis(encoder_rate=1e12)
    with pytest.raises(
        InputError, match=r"simulate\.axis must read an encoder or edge clock up to 1048576 times"
    ):
        simulate(which, SPEED, 10)


READ_ONLY = np.empty(4)
READ_ONLY.flags.writeable = False
ARRAYS = [
    ([0.0] * 4, "must be a contiguous, writable one-dimensional float64 array, got <class 'list'>"),
    (np.empty(4, np.float32), r'got "float32 of shape \(4,\)"'),
    (np.empty((2, 2)), r"float64 of shape \(2, 2\)"),
    (np.empty(8)[::2], "must be a contiguous"),
    (READ_ONLY, "writable"),
]


@pytest.mark.parametrize(("array", "message"), ARRAYS)
@pytest.mark.parametrize("name", ["position", "velocity"])
def test_read_refuses_arrays_it_cannot_fill(name, array, message):
    arrays = {"position": np.empty(4), "velocity": np.empty(4)} | {name: array}
    with pytest.raises(InputError, match=rf"Stream\.read\.{name} .*{message}"):
        Stream(axis(), SPEED).read(**arrays)


def test_read_refuses_arrays_of_different_length_or_one_for_both():
    stream, array = Stream(axis(), SPEED), np.empty(4)
    with pytest.raises(InputError, match=r"read\.velocity must have the 4 samples of position, got 3"):
        stream.read(array, np.empty(3))
    with pytest.raises(InputError, match=r"read\.velocity must not share memory with position"):
        stream.read(array, array)


def test_stream_refuses_to_run_past_its_last_sample():
    stream = Stream(axis(), SPEED, first=1 << 40)
    stream.sample = (1 << 41) - 2
    with pytest.raises(InputError, match=r"Stream\.sample must stay up to 2199023255552"):
        stream.read(np.empty(3))
