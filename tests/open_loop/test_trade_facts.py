"""What people who tune drives know of encoders. All of it: common practice, no source.

The axis is a plain linear one: 20 um period, some 35 nm of cyclic error once a period, 0.5 nm rms of jitter.
"""

from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import Axis, Interpolation, Sampling, Scale, Signal

PERIOD, RATE, JITTER, CYCLIC = 20e-6, 16e3, 0.5e-9, 35e-9
AXIS = Axis(
    Scale(period=PERIOD),
    signal=Signal(sde={1: CYCLIC}, jitter=JITTER),
    interpolation=Interpolation(factor=16384),
    sampling=Sampling(RATE),
)
FOLDS = PERIOD * RATE / 2  # the loop samples the error less than twice a cycle above this speed


def test_jitter_of_half_a_nanometre_shows_as_tens_of_micrometres_a_second():
    curve = encsim.ripple(replace(AXIS, interpolation=Interpolation(), signal=Signal(jitter=JITTER)), [0.1])
    assert curve.rms[0] == pytest.approx(np.sqrt(2) * JITTER * RATE)


def test_one_percent_faults_make_some_thirty_to_forty_nanometres_on_twenty_micrometres():
    found = encsim.position_error(replace(AXIS, signal=Signal(offset=(0.011, 0.0))))
    assert 30e-9 < np.ptp(found.error) / 2 < 40e-9


def test_at_most_speeds_the_loop_sees_the_cyclic_error_folded():
    speeds = np.linspace(0.01, 1.0, 200)
    regime = encsim.ripple(AXIS, speeds).regime
    assert np.mean(regime == "aliased") > 0.75


@pytest.mark.parametrize("speed", [0.03 * FOLDS, 0.3 * FOLDS, 0.99 * FOLDS])
def test_at_low_speed_the_ripple_has_the_frequency_of_the_error(speed):
    curve = encsim.ripple(AXIS, [speed])
    assert curve.regime[0] == "direct"
    assert curve.alias[0] == pytest.approx(speed / PERIOD)


@pytest.mark.parametrize("speed", [1.01 * FOLDS, 1.5 * FOLDS, 3.3 * FOLDS])
def test_above_the_ripple_has_another_frequency(speed):
    curve = encsim.ripple(AXIS, [speed])
    assert curve.regime[0] == "aliased"
    assert curve.alias[0] < speed / PERIOD


def test_slower_still_jitter_matters_and_then_dominates():
    curve = encsim.ripple(AXIS, [1e-2, 1e-3, 1e-4])
    share = curve.parts["jitter"] / curve.rms
    assert share[0] < 0.2 < share[1] < 0.75 < share[2]
    assert curve.regime[2] == "noise"


def test_counting_needs_a_fine_resolution():
    coarse = replace(AXIS, interpolation=Interpolation(factor=400))
    curve, fine = encsim.ripple(coarse, [1.13e-3]), encsim.ripple(AXIS, [1.13e-3])
    assert curve.regime[0] == "resolution"
    assert curve.rms[0] > 5 * fine.rms[0]


def test_conditioning_lowers_the_cyclic_error_but_never_the_jitter():
    faulty = replace(AXIS, signal=Signal(offset=(0.01, -0.01), gain=0.02, phase=0.01, jitter=JITTER))
    trimmed = replace(faulty, interpolation=replace(AXIS.interpolation, correction=0.9))
    before, after = encsim.ripple(faulty, [5e-3]), encsim.ripple(trimmed, [5e-3])
    assert after.parts["sde"][0] < 0.12 * before.parts["sde"][0]
    assert after.parts["jitter"][0] == pytest.approx(before.parts["jitter"][0], rel=1e-3)
