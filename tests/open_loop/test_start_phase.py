"""Start positions at simple fractions of a period a sample."""

from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import Axis, InputError, Sampling, Scale, Signal, Tracking

AXIS = Axis(Scale(period=1.0), signal=Signal(sde={1: 0.002, 2: (0.001, 0.4)}), sampling=Sampling(1.0))


@pytest.mark.parametrize(("speed", "samples"), [(0.25, 4), (1.5, 2), (0.3333333333333333, 3), (2.0, 1)])
def test_exact_fraction_lasts_for_ever(speed, samples):
    found = encsim.worst_start(AXIS, speed)
    assert (found.samples, found.beat) == (samples, np.inf)


@pytest.mark.parametrize("speed", [0.25, 1.5, 1 / 3, 0.7501])
def test_run_from_the_worst_start_shows_the_predicted_ripple(speed):
    found = encsim.worst_start(AXIS, speed)
    run = encsim.simulate(AXIS, speed, 4 * found.samples, start=found.start)
    # thousands of starts: hardly off the very worst; the beat moves the start by 16 samples of 1e-4
    assert run.rms == pytest.approx(found.rms, rel=5e-3)
    others = [encsim.simulate(AXIS, speed, 4 * found.samples, start=s).rms for s in np.linspace(0, 1, 29)]
    assert max(others) <= found.rms * 1.005
    assert min(others) >= found.least * 0.995 - 1e-9


@pytest.mark.parametrize("speed", [0.1234, 0.25, 0.5, 1.3, 0.999])
def test_mean_over_starts_is_the_cyclic_part_of_the_ripple(speed):
    mean = encsim.worst_start(AXIS, speed).mean
    assert mean == pytest.approx(encsim.ripple(AXIS, [speed]).parts["sde"][0], rel=1e-6)


def test_line_at_half_the_loop_rate_depends_on_the_start_by_the_sine_of_its_phase():
    # exactly at half the rate the ripple alternates with 2 E fs |sin phi0|: rms equals amplitude (mpmath)
    axis = Axis(Scale(period=20e-6), signal=Signal(sde={1: 5e-8}), sampling=Sampling(8000.0))
    found = encsim.worst_start(axis, 0.08)
    assert found.rms == pytest.approx(2 * 5e-8 * 8000.0, rel=1e-5)
    # 8192 starts miss the zero by up to pi/16384
    assert found.least < 4e-4 * found.rms


def test_beat_beside_a_fraction_is_one_over_its_distance():
    assert encsim.worst_start(AXIS, 0.25 + 1e-4).beat == pytest.approx(1 / 4e-4, rel=1e-6)


def test_other_estimators_take_part():
    found = encsim.worst_start(replace(AXIS, estimator=Tracking(0.05)), 0.25)
    assert found.rms > found.mean > found.least


def test_speed_must_be_a_number():
    with pytest.raises(InputError, match=r"worst_start\.speed must be finite"):
        encsim.worst_start(AXIS, np.nan)
