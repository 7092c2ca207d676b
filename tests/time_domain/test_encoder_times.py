"""Encoder whose samples are not a loop period apart: a jittering loop, missed samples."""

from dataclasses import replace

import numpy as np
import pytest
from stage_x import SIGNAL, stage

import encsim

FINE = 8  # points of a finer grid in a loop period: samples of the loop lie on some of them
QUIET = stage(signal=replace(SIGNAL, jitter=0.0))
RATE, PITCH = QUIET.sampling.rate, QUIET.scale.pitch
EDGES = encsim.Interpolation(factor=400, output="ab", hysteresis=1.0, edge_separation=1e-7)


def uneven(samples, seed=0):
    """Times of a loop that jitters and misses samples, in points of the finer grid."""
    rng = np.random.default_rng(seed)
    return np.cumsum(rng.choice([1, 4, 7, 8, 8, 8, 9, 12, 40], samples))


def wandering(samples, seed=0, back=True):
    """A motion with reversals and standstill, or without, m."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(0.0, 1e-6, samples) * (rng.random(samples) < 0.8)
    return np.cumsum(steps if back else np.abs(steps))


def axes():
    """Axes of which every part depends on time."""
    own = encsim.Sampling(RATE, encoder_rate=4.1e4, encoder_phase=0.3, latency=2.1e-5)
    noisy = replace(QUIET.signal, jitter=5e-9)
    filtered = replace(QUIET.signal, bandwidth=5e3, harmonics={2: 0.01, 3: 0.02, 5: 0.01})
    return {
        "latency": replace(QUIET, sampling=encsim.Sampling(RATE, latency=1.37e-4)),
        "own clock": replace(QUIET, sampling=own, signal=noisy),
        "bandwidth": replace(QUIET, signal=filtered),
        "skew": replace(QUIET, signal=replace(QUIET.signal, skew=4e-7)),
        "both": replace(QUIET, signal=replace(filtered, skew=-4e-7), sampling=own),
        "edges": replace(QUIET, interpolation=EDGES),
        "edge clock": replace(QUIET, interpolation=replace(EDGES, edge_clock=3e7)),
        "period timing": replace(QUIET, estimator=encsim.PeriodTiming(50e6)),
        "count-and-time": replace(QUIET, estimator=encsim.CountAndTime(50e6, window=1.13e-4)),
    }


def shown(axis, position, time=None, cuts=()):
    """Outputs of a motion, read in blocks that end at the cuts."""
    encoder = encsim.Encoder(axis, seed=2)
    out = {name: np.empty(position.size) for name in ("cosine", "sine", "position_out", "velocity")}
    for part in np.split(np.arange(position.size), list(cuts)):
        here = slice(part[0], part[-1] + 1)
        times = None if time is None else time[here]
        encoder.read(position[here], time=times, **{name: buffer[here] for name, buffer in out.items()})
    return out


@pytest.mark.parametrize("name", axes())
def test_samples_at_any_times_are_those_of_an_encoder_that_reads_more_often(name):
    # Straight between its samples, the motion is the same at all points of the finer grid. After a reversal the
    # window of count-and-time ends at a sample: there the motion goes one way.
    axis, points = axes()[name], uneven(400)
    position = wandering(points.size, back=name != "count-and-time")
    time = points / (FINE * RATE)
    got = shown(axis, position, time, cuts=[1, 2, 300, 390])
    grid = np.arange(points[0], points[-1] + 1)
    often = replace(axis, sampling=replace(axis.sampling, rate=FINE * RATE))
    expected = shown(often, np.interp(grid, points, position), grid / (FINE * RATE))
    timed = axis.estimator.kind in ("period-timing", "count-and-time")
    for output in ["cosine", "sine", "position_out"] + ["velocity"] * timed:
        unit = {"position_out": PITCH, "velocity": PITCH * RATE}.get(output, 1.0)
        off = np.abs(got[output] - expected[output][points - points[0]]) / unit
        assert off.max() < 1e-9, output


ESTIMATORS = [
    *(encsim.Difference(1), encsim.Difference(40), encsim.LeastSquares(16), encsim.QuadraticFit(12)),
    *(encsim.LowPass(300.0, order=2), encsim.Tracking(100.0), encsim.PeriodTiming(50e6)),
    encsim.CountAndTime(50e6, window=1e-3),
]


@pytest.mark.parametrize("estimator", ESTIMATORS, ids=repr)
def test_velocity_of_a_steady_motion_is_its_speed_whatever_the_times(estimator):
    timed = estimator.kind in ("period-timing", "count-and-time")
    counts = encsim.Interpolation(factor=400 if timed else None)
    scale, sampling = encsim.Scale(period=PITCH), encsim.Sampling(RATE)
    ideal = encsim.Axis(scale, interpolation=counts, sampling=sampling, estimator=estimator)
    encoder, time, velocity = encsim.Encoder(ideal), 100.0 + uneven(2000) / (FINE * RATE), np.empty(2000)
    encoder.lead(-0.3, 0.0123)
    encoder.read(-0.3 + 0.0123 * (time - time[0]), time=time, velocity=velocity)
    # two ticks of the clock in the 203 from edge to edge, else the rounding of times and positions
    np.testing.assert_allclose(velocity, 0.0123, rtol=0.01 if timed else 1e-8)


def test_times_a_loop_period_apart_change_nothing_wherever_they_begin():
    axis = replace(
        axes()["both"], signal=replace(QUIET.signal, jitter=5e-9, jitter_bandwidth=3e3, bandwidth=5e3)
    )
    position, number = wandering(900), np.arange(900)
    expected, encoder = shown(axis, position), encsim.Encoder(axis, seed=2)
    out = {name: np.empty(900) for name in expected}
    for part in (slice(0, 300), slice(300, 700), slice(700, 900)):
        time = number[part] / RATE if part.start else None
        encoder.read(position[part], time=time, **{name: buffer[part] for name, buffer in out.items()})
    for name, values in expected.items():
        # 1e-9 of a sample in the times moves the channels that far; no count changes here
        np.testing.assert_allclose(out[name], values, atol=1e-9 if name != "velocity" else 1e-4, err_msg=name)


def test_filter_of_a_curved_motion_is_as_close_as_stated():
    # Reversals of 9 Hz at up to 0.12 m/s, every third sample missed; against a grid 64 times as fine.
    axis = replace(QUIET, signal=encsim.Signal(bandwidth=5e3), interpolation=encsim.Interpolation())
    points, turn = np.cumsum(np.resize([64, 64, 128], 1200)), 2.0 * np.pi * 9.0
    grid = np.arange(points[0], points[-1] + 1)
    time, often = points / (64 * RATE), grid / (64 * RATE)
    got = shown(axis, 0.12 / turn * np.sin(turn * time), time)
    fine = replace(axis, sampling=encsim.Sampling(64 * RATE))
    expected = shown(fine, 0.12 / turn * np.sin(turn * often), often)
    worst = np.abs(got["cosine"] - expected["cosine"][points - points[0]]).max()
    bound = np.pi / 4.0 * 0.12 * turn * (2.0 / RATE) ** 2 / PITCH
    assert 0.2 * bound < worst < bound


def test_slow_jitter_is_correlated_over_the_time_between_samples():
    slow = encsim.Signal(jitter=1e-6, jitter_bandwidth=2e3)
    axis = replace(QUIET, signal=slow, interpolation=encsim.Interpolation())
    moved = shown(axis, np.zeros(20_000), np.cumsum(np.resize([0.5, 1.5], 20_000)) / RATE)["position_out"]
    for first, step in ((0, 1.5), (1, 0.5)):
        before, after = moved[first:-1:2], moved[first + 1 :: 2]
        # 10000 pairs: known to 1 % of the whole
        wanted = np.exp(-2.0 * np.pi * 2e3 * step / RATE)
        assert np.mean(before * after) / 1e-12 == pytest.approx(wanted, abs=0.04)


def test_faults_by_time_follow_the_times_given():
    ideal = encsim.Axis(encsim.Scale(period=PITCH), sampling=encsim.Sampling(RATE))
    encoder = encsim.Encoder(ideal, faults=[encsim.Dirt(begin=7.0, end=8.0, by="time", loss=0.5)])
    cosine = np.empty(5)
    encoder.read(np.zeros(5), time=[5.0, 6.9, 7.1, 7.9, 8.1], cosine=cosine)
    np.testing.assert_allclose(cosine, [1.0, 1.0, 0.5, 0.5, 1.0])


@pytest.mark.parametrize(
    ("time", "match"),
    [
        ([0.0, 0.0, 1.0], r"read.time\[1\] must be 1/16 of a loop period or more after the sample before"),
        ([0.0, -1.0, 1.0], r"read.time\[1\] must be 1/16 .* got -1.0 s"),
        ([0.0, np.nan, 1.0], r"read.time\[1\] must be finite, got nan s"),
        ([0.0, 1.0], "read.time must be 3 real numbers"),
        (["0", "1", "2"], "read.time must be 3 real numbers"),
        ([0.0, 1.0, 1e300], r"read.time\[2\] must lie within"),
        ([-1.0, 1.0, 2.0], r"read.time\[0\] must be 1/16 .* after the sample before"),
    ],
)
def test_times_that_do_not_rise_are_refused_before_anything_is_read(time, match):
    encoder = encsim.Encoder(QUIET)
    if time[0] == -1.0:
        encoder.step(0.0)
    with pytest.raises(encsim.InputError, match=match):
        encoder.read(np.zeros(3), time=time)
    assert encoder.sample == (time[0] == -1.0)


def test_single_steps_are_refused_once_times_have_been_given():
    encoder = encsim.Encoder(QUIET)
    step, state = encoder.compiled()
    encoder.read(np.zeros(3), time=[0.0, 1.0, 2.0])
    with pytest.raises(encsim.InputError, match="be left out once times have been given"):
        encoder.step(0.0)
    with pytest.raises(ValueError, match="no times have been given"):
        step(0.0, state)
