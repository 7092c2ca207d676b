"""The two engines check each other: closed form against simulation, on random axes and on their harmonics."""

from dataclasses import replace

import numpy as np
import pytest
from stage_x import SIGNAL

import encsim
from encsim import Axis, Difference, Interpolation, Sampling, Scale, Signal

GROUPS = 15
STARTS = 16
SAMPLES = 16384


def products_of_small_primes(largest):
    """The numbers 2**a 3**b 5**c up to the largest, in order."""
    powers = [base ** np.arange(15) for base in (2, 3, 5)]
    numbers = np.multiply.outer(np.multiply.outer(powers[0], powers[1]), powers[2]).ravel()
    return np.unique(numbers[(numbers > 0) & (numbers <= largest)])


PRODUCTS = products_of_small_primes(16384)


def random_axis(rng, products=False):
    """An axis with 40 to 16384 counts per period, jitter 0 to 5e-4 period, with and without a converter."""
    factor = int(np.exp(rng.uniform(np.log(40), np.log(16384))))
    if products:
        factor = int(PRODUCTS[np.searchsorted(PRODUCTS, factor)])
    signal = Signal(
        offset=tuple(rng.normal(0, 0.01, 2)),
        gain=rng.normal(0, 0.02),
        phase=rng.normal(0, 0.02),
        harmonics={3: rng.normal(0, 0.003), 5: rng.normal(0, 0.001)},
        jitter=float(rng.choice([0.0, 1e-5, 5e-5, 2e-4, 5e-4])),
    )
    bits = rng.choice([0, 10, 12])
    how = Interpolation(factor=factor, bits=int(bits) if bits else None)
    sampling = Sampling(1.0, jitter=float(rng.choice([0.0, 1e-4])))
    return Axis(Scale(period=1.0), signal=signal, interpolation=how, sampling=sampling)


def simulated(axis, speed, starts=STARTS, samples=SAMPLES):
    """Velocity ripple over evenly spread starts, rms."""
    runs = [
        encsim.simulate(axis, speed, samples, seed=i, start=(i + 0.5) / starts).rms for i in range(starts)
    ]
    return np.sqrt(np.mean(np.square(runs)))


@pytest.mark.parametrize("group", range(GROUPS))
def test_closed_form_agrees_with_simulation_on_random_axes(group, cases):
    rng = np.random.default_rng(group)
    for _ in range(cases(3, 20)):
        # Tables whose length has a large prime factor take three times as long: those of the first group alone.
        axis = random_axis(rng, products=group > 0)
        speed = float(np.exp(rng.uniform(np.log(3e-4), np.log(5.0))))
        curve = encsim.ripple(axis, [speed])
        assert curve.valid
        # 262 144 samples of white ripple leave 0.87/512 = 0.17 % to chance, spread starts less for lines
        assert curve.rms[0] == pytest.approx(simulated(axis, speed), rel=0.01), (axis, speed)


@pytest.mark.parametrize("seed", range(6))
def test_harmonics_of_a_noiseless_run_have_the_predicted_amplitudes(seed):
    rng = np.random.default_rng(100 + seed)
    axis = replace(random_axis(rng), interpolation=Interpolation(), sampling=Sampling(1.0))
    axis = replace(axis, signal=replace(axis.signal, jitter=0.0))
    cycles, samples = int(rng.integers(1, 4000)), 4096 + 1
    speed = cycles / samples  # whole periods in the run, so that every line falls on a bin of its own
    velocity = encsim.simulate(axis, speed, samples).velocity
    spectrum = 2.0 * np.abs(np.fft.rfft(velocity)) / samples
    predicted = encsim.lines(axis, speed)
    bins = np.rint(predicted.alias * samples).astype(int)
    apart = np.array([np.sum(bins == b) == 1 for b in bins]) & (bins > 0)
    assert apart.sum() >= 4
    difference = np.abs(spectrum[bins[apart]] - predicted.velocity[apart])
    # to 1e-6 of the largest; lines below 1e-6 of it are not listed
    assert difference.max() <= 1e-6 * predicted.velocity.max()


@pytest.mark.parametrize("factor", [4, 40, 1000, 16384])
def test_quantisation_alone_is_that_of_the_closed_form(factor):
    how = Interpolation(factor=factor)
    axis = Axis(Scale(period=1.0), interpolation=how, sampling=Sampling(1.0))
    samples = 10007
    speed = 1234 / samples / factor * 7.0  # a whole number of counts in the run: its mean is exact
    found = encsim.simulate(axis, speed, samples, start=0.1 / factor).rms
    assert found == pytest.approx(encsim.ripple(axis, [speed]).rms[0], rel=1e-9)


FEATURES = {
    "bandwidth": {"signal": {"bandwidth": 5.0, "jitter": 2e-4}},
    "skew": {"signal": {"skew": 0.01, "jitter": 2e-4}},
    "noise": {"signal": {"noise": 2e-3}},
    "narrow jitter": {"signal": {"jitter_bandwidth": 0.1, "jitter": 2e-4}},
    "given error": {"signal": {"sde": {1: 0.002, 3: (0.001, 0.4)}, "jitter": 1e-4}},
    "weak signal": {"signal": {"amplitude": 0.4, "jitter": 1e-4}},
    "average": {"sampling": {"average": 3}, "signal": {"jitter": 2e-4}},
    "averaged given error": {"sampling": {"average": 4}, "signal": {"sde": {8: 0.004}, "jitter": 1e-4}},
    "own clock": {"sampling": {"encoder_rate": 1.37, "encoder_phase": 0.3}},
    "slow own clock": {"sampling": {"encoder_rate": 0.618}, "signal": {"jitter": 1e-4}},
    "ab": {"interpolation": {"output": "ab", "edge_clock": 777.7}},
    "latency": {"sampling": {"latency": 3.3}},
    "correction": {"interpolation": {"correction": 0.8}},
    "wide hysteresis": {"interpolation": {"hysteresis": 0.8}, "signal": {"jitter": 1e-5}},
}


@pytest.mark.parametrize("samples", [1, 3])
@pytest.mark.parametrize("speed", [0.0013, 0.0771, 1.3127])
@pytest.mark.parametrize("feature", FEATURES)
def test_closed_form_agrees_with_simulation_feature_by_feature(feature, speed, samples):
    axis = Axis(
        Scale(period=1.0),
        signal=replace(SIGNAL, jitter=0.0),
        interpolation=Interpolation(factor=400),
        sampling=Sampling(1.0),
        estimator=Difference(samples),
    )
    changes = FEATURES[feature]
    axis = replace(axis, **{part: replace(getattr(axis, part), **change) for part, change in changes.items()})
    curve = encsim.ripple(axis, [speed])
    if curve.valid:
        # correlated jitter and the beat of an own clock leave up to 0.5 % to chance
        assert curve.rms[0] == pytest.approx(simulated(axis, speed), rel=0.01)
    else:
        assert feature in ("wide hysteresis", "average", "averaged given error")
