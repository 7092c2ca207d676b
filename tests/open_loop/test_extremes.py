"""Peak of one second of running, against simulation and against what can be counted by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import random_axes
from scipy.special import ndtr

import encsim
from encsim import Axis, Interpolation, Sampling, Scale, Signal
from encsim.open_loop import extremes, order_statistics

# irrational: multiples of 0.618 meet one phase again and again at round speeds
GOLDEN = 0.6180339887498949
LINEAR, RATE = Scale(period=20e-6), 16e3
DIRTY = Signal(offset=(0.01, -0.006), gain=0.02, phase=0.01, harmonics={3: 0.003}, jitter=2e-9)


def simulated(axis, speed, runs=8):
    """Mean peak of some runs of one second from different starts."""
    samples = int(axis.sampling.rate)
    pitch = axis.scale.pitch
    return np.mean(
        [
            encsim.simulate(axis, speed, samples, seed=k, start=pitch * (k * GOLDEN % 1)).peak
            for k in range(runs)
        ]
    )


# found by independent simulation: count-and-time was below its rms, an asynchronous reading 2.7 times too high, A/B
# counts at 0.08 of a count a sample half of the truth
CASES = {
    "count and time": (
        {"estimator": encsim.CountAndTime(50e6, window=2e-3), "interpolation": Interpolation(factor=40)},
        3e-4,
    ),
    "period timing": (
        {"estimator": encsim.PeriodTiming(5e6), "interpolation": Interpolation(factor=400)},
        7e-3,
    ),
    "asynchronous": ({"sampling": Sampling(RATE, encoder_rate=21.3e3)}, 0.2537),
    "asynchronous counts": (
        {"sampling": Sampling(RATE, encoder_rate=21.3e3), "interpolation": Interpolation(factor=16384)},
        0.2537,
    ),
    "counts by difference": ({"interpolation": Interpolation(factor=4000)}, 0.08 * 20e-6 / 4000 * RATE),
    "A/B counts": (
        {"interpolation": Interpolation(factor=4, output="ab"), "signal": Signal()},
        0.08 * 20e-6 / 4 * RATE,
    ),
    "counts by least squares": (
        {"interpolation": Interpolation(factor=400, bits=10), "estimator": encsim.LeastSquares(5)},
        0.0123,
    ),
    "counts by tracking": (
        {"interpolation": Interpolation(factor=100), "estimator": encsim.Tracking(200.0)},
        0.04321,
    ),
    "error and jitter": ({}, 0.0567),
}


@pytest.mark.parametrize("case", CASES)
def test_peak_is_that_of_simulation(case):
    change, speed = CASES[case]
    axis = replace(Axis(LINEAR, signal=DIRTY, sampling=Sampling(RATE)), **change)
    curve = encsim.ripple(axis, [speed])
    assert curve.peak[0] == pytest.approx(simulated(axis, speed), rel=0.1)
    assert curve.peak[0] >= curve.rms[0]


def test_peak_of_ab_counts_seldom_met_is_half_a_count_a_sample():
    # found by independent simulation: 73 rpm, where 36 rpm was shown
    scale, how = Scale(lines=1024), Interpolation(factor=4, output="ab")
    axis = Axis(scale, interpolation=how, sampling=Sampling(10e3))
    curve = encsim.ripple(axis, [0.08 * axis.resolution * 10e3])
    assert curve.peak[0] * 30.0 / np.pi == pytest.approx(73.24, rel=1e-4)


def test_peak_of_random_axes_is_that_of_simulation_or_marked(cases):
    number, missed = cases(12, 300), {}
    for seed in range(number):
        axis, speed = random_axes.pair(seed)
        curve = encsim.ripple(axis, [speed])
        assert curve.peak[0] >= curve.rms[0]
        if curve.peak_reliable[0]:
            found = curve.peak[0] / simulated(axis, speed) - 1.0
            missed |= {seed: found} if abs(found) > 0.1 else {}
    assert missed == {}


@pytest.mark.parametrize(
    "seed",
    [
        798,  # clock jitter beside slow position jitter: 28 % too high when both were slow
        836,  # noise behind a filter of third order: 9 % too high with the extremes of rough noise
        148,  # 6 % too high where runs of more than the second stood for it
        905,  # a slow beat of counts: 12 % too low where runs of 3072 samples stood for the second
        1025,  # 4.4 periods in the second: 8 % too low where phases came in blocks
    ],
)
def test_peak_of_axes_that_were_off(seed):
    axis, speed = random_axes.pair(seed)
    curve = encsim.ripple(axis, [speed])
    # runs of filtered noise differ by 5 %
    assert curve.peak[0] == pytest.approx(simulated(axis, speed), rel=0.06)


def test_peak_that_differs_from_run_to_run_is_not_reliable():
    axis, speed = random_axes.pair(779)  # by 11 %
    assert not encsim.ripple(axis, [speed]).peak_reliable[0]


def test_peak_behind_a_filter_that_rings_longer_than_the_run_is_not_reliable():
    ringing = encsim.Kalman(
        1.0, noise=1e-11
    )  # index 6250: 800 samples of time constant at half the loop rate
    axis = Axis(LINEAR, signal=Signal(sde={1: 40e-9}), sampling=Sampling(4e3), estimator=ringing)
    calm = replace(axis, estimator=encsim.Kalman(1.0, noise=1e-10))
    assert [encsim.ripple(one, [0.0123]).peak_reliable[0] for one in (axis, calm)] == [False, True]


def test_few_values_of_noise_leave_the_range_of_what_is_not_random():
    values = np.sin(np.linspace(0.0, 2.0 * np.pi, 500))
    found = order_statistics.half_range(values, np.array(0.01), np.array(2.0))
    # without the bound the search for the extreme runs away
    assert 0.9999 <= found < 1.02


def test_peak_that_hinges_on_two_counts_within_eight_samples_is_not_reliable():
    # found by independent simulation: once in two seconds they toggle, which makes 17 % of the peak
    axis, speed = random_axes.pair(106)
    assert not encsim.ripple(axis, [speed]).peak_reliable[0]


def test_peak_that_hinges_on_a_seldom_count_is_not_reliable():
    # found by independent simulation: 18 % off at 32.8 um/s
    curve = encsim.ripple(encsim.examples.load("stage_x"), [13.9e-6, 32.8e-6])
    assert curve.peak_reliable.tolist() == [True, False]
    assert curve.to_dict()["peak_reliable"] == [True, False]


def test_peak_of_noise_is_its_expected_extreme():
    axis = Axis(LINEAR, signal=Signal(jitter=1e-9), sampling=Sampling(RATE))
    curve = encsim.ripple(axis, [0.01])
    x = np.linspace(-8.0, 8.0, 16001)
    below = ndtr(x) ** 16000
    largest = 8.0 - below.sum() * (x[1] - x[0])  # expected value, by parts
    assert curve.peak[0] / curve.rms[0] == pytest.approx(largest, rel=5e-3)


def test_peak_is_computed_when_asked_for_and_never_below_the_rms():
    axis = replace(encsim.load("examples/stage_x.toml"), estimator=encsim.PeriodTiming(50e6))
    curve = encsim.ripple(axis, np.concatenate([[0.0], np.geomspace(1e-5, 1.0, 40)]))
    assert "peak" not in vars(curve)
    assert (curve.peak >= curve.rms).all()
    assert curve.peak is curve.peak
    assert curve.to_dict()["peak"] == curve.peak.tolist()
    assert list(curve.columns())[2] == "peak_m_s"


def test_peak_of_a_start_that_matters_is_not_reliable():
    axis = Axis(LINEAR, signal=Signal(sde={1: 40e-9}), sampling=Sampling(RATE))
    half, beside = 0.5 * 20e-6 * RATE, 0.0123
    assert encsim.ripple(axis, [half, beside]).peak_reliable.tolist() == [False, True]


def filtered(corner):
    """An axis that sees white noise alone through this low-pass, and two minutes of what it makes of it."""
    axis = Axis(
        LINEAR, signal=Signal(jitter=1e-9), sampling=Sampling(RATE), estimator=encsim.LowPass(corner, order=4)
    )
    noise = np.random.default_rng(5).standard_normal(1 << 21)
    gain = axis.estimator.response(np.fft.rfftfreq(noise.size, 1.0 / RATE), RATE)
    return axis, np.fft.irfft(np.fft.rfft(noise) * gain)


@pytest.mark.parametrize(("corner", "agree"), [(2.0, False), (5.0, False), (30.0, True), (300.0, True)])
def test_few_independent_values_leave_the_peak_of_noise_to_chance(corner, agree):
    axis, seen = filtered(corner)
    peaks = np.ptp(seen[: seen.size // 16000 * 16000].reshape(-1, 16000), axis=1) / 2.0
    assert (peaks.std() < extremes.SCATTER_OF_NOISE * peaks.mean()) == agree
    assert encsim.ripple(axis, [0.01]).peak_reliable[0] == agree


def test_smooth_noise_counts_as_many_values_as_it_crosses_zero():
    # a level of u standard deviations is passed as often as u sqrt(2 pi) times the crossings make independent values
    axis, seen = filtered(300.0)
    samples = np.array([16000.0])
    number = extremes._independent(axis, np.zeros(1), samples)
    level = order_statistics.largest_of(number)
    crossings = np.mean((seen[1:] > 0.0) & (seen[:-1] <= 0.0))
    np.testing.assert_allclose(number / samples, level * np.sqrt(2.0 * np.pi) * crossings, rtol=0.04)
