"""The quick form of ripple and smoothness beside the whole one."""

from dataclasses import replace

import numpy as np
import pytest
from stage_x import SIGNAL, stage

import encsim
from encsim import (
    Axis,
    Difference,
    Interpolation,
    Kalman,
    LeastSquares,
    LowPass,
    PeriodTiming,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.decisions import fast_ripple

SPEEDS = np.geomspace(1e-4, 1.0, 40)
FAULTY = replace(SIGNAL, jitter=2e-9)
STAGE = stage(jitter=20e-9, signal=FAULTY)
CONVERTED = replace(STAGE, interpolation=Interpolation(factor=4000, bits=12))
ESTIMATORS = [
    Difference(8),
    LowPass(300.0),
    LowPass(1e3, order=4),
    LeastSquares(16),
    Tracking(100.0),
    Kalman(2.0),
]
LOOP = replace(
    STAGE,
    load=encsim.Load(5.0, viscous=15.0),
    control=encsim.Control(60.0, 2500.0, integral_time=12e-3, current_bandwidth=1e3, delay=60e-6),
)


def off(axis, whole):
    """Largest relative distance of the quick form from the whole one."""
    return np.abs(fast_ripple.curves(axis, SPEEDS).rms["measured"] / whole.rms - 1.0).max()


@pytest.mark.parametrize("estimator", ESTIMATORS, ids=lambda one: f"{one.kind}")
def test_quick_form_agrees_with_ripple_whatever_the_estimator(estimator):
    axis = replace(STAGE, estimator=estimator)
    # Bins of |D|**2, and steps in place of a table of increments, which itself is within 3e-4.
    assert off(axis, encsim.ripple(axis, SPEEDS)) < 3e-4


def test_converter_as_white_noise_is_some_per_cent_off_at_slow_speeds_alone():
    found = fast_ripple.curves(CONVERTED, SPEEDS).rms["measured"] / encsim.ripple(CONVERTED, SPEEDS).rms - 1.0
    # Jitter of 0.7 converter steps smooths them to some per cent only; faster they are random anyhow.
    assert np.abs(found).max() < 0.05
    assert np.abs(found[SPEEDS > 2e-3]).max() < 2e-3


@pytest.mark.parametrize(
    "changed",
    [
        {"interpolation": Interpolation(factor=20)},
        {"signal": replace(FAULTY, bandwidth=5e5)},
        {"estimator": PeriodTiming(50e6)},
    ],
    ids=["few counts", "a bandwidth", "timed edges"],
)
def test_quick_form_is_ripple_itself_where_ripple_is_quick_or_nothing_else_serves(changed):
    axis = replace(STAGE, **changed)
    assert off(axis, encsim.ripple(axis, SPEEDS)) < 1e-12


@pytest.mark.parametrize("curve", ["measured", "torque", "actual"])
def test_quick_form_of_a_loop_agrees_with_smoothness(curve):
    found = fast_ripple.curves(LOOP, SPEEDS).rms[curve]
    # Counts as combs of lines in bands, beside a table of all of them: 5e-6 measured.
    np.testing.assert_allclose(found, getattr(encsim.smoothness(LOOP, SPEEDS), curve), rtol=2e-4)


def test_loop_that_swings_by_itself_has_infinite_ripple():
    wild = replace(LOOP, control=replace(LOOP.control, velocity_gain=250e3))
    assert np.isinf(fast_ripple.curves(wild, SPEEDS).rms["actual"]).all()


def test_loop_kept_for_the_next_axis_is_that_of_its_own_load():
    heavy = replace(LOOP, load=replace(LOOP.load, inertia=10.0))
    first = fast_ripple.curves(LOOP, SPEEDS).rms["actual"]
    second = fast_ripple.curves(heavy, SPEEDS).rms["actual"]
    # Tolerance as above.
    np.testing.assert_allclose(second, encsim.smoothness(heavy, SPEEDS).actual, rtol=2e-4)
    assert np.median(second / first) < 0.6


def test_axis_without_any_error_has_no_ripple():
    ideal = Axis(Scale(period=20e-6), sampling=Sampling(16e3))
    assert not fast_ripple.curves(ideal, SPEEDS).rms["measured"].any()


def test_channels_that_miss_zero_are_told():
    # At 1 m/s, 50 kHz, a readhead of 5 kHz leaves a tenth of the signals and all of the offset.
    faded = replace(STAGE, signal=Signal(offset=(0.3, 0.0), bandwidth=5e3))
    assert not fast_ripple.curves(faded, SPEEDS).sound
    assert fast_ripple.curves(STAGE, SPEEDS).sound


@pytest.mark.parametrize(("cause", "jitter"), [("sde", 0.0), ("jitter", 20e-9)])
@pytest.mark.parametrize("estimator", [Difference(), LeastSquares(16)], ids=["few lags", "many lags"])
def test_screening_takes_the_lines_of_an_error_and_what_its_slope_makes_of_jitter(cause, jitter, estimator):
    # gain and phase of the channels make a slope of some 5 %; its mean square adds to that of jitter
    axis = replace(
        STAGE,
        signal=Signal(gain=0.3, phase=0.2, jitter=jitter),
        interpolation=Interpolation(),
        estimator=estimator,
    )
    _, parts, _ = fast_ripple.screened_ripple(axis, SPEEDS)
    whole = encsim.ripple(axis, SPEEDS).parts[cause]
    fast = SPEEDS > 0.0 if cause == "jitter" else whole > 1e-3 * whole.max()
    np.testing.assert_allclose(parts["measured"][cause][fast], whole[fast], rtol=2e-3)
