"""The exact error of a period, against published figures and a slow twin."""

from dataclasses import replace

import numpy as np
import pytest
from slow_period import shown

import encsim
from encsim import Axis, InputError, Interpolation, Sampling, Scale, Signal, position_error
from encsim.open_loop import period_error

TAU = 2 * np.pi
# One period is 2 pi, so that position errors read as phase errors in rad.
PHASE_SCALE = Scale(period=TAU)


def phase_error(sampling=None, **signal):
    return position_error(Axis(PHASE_SCALE, signal=Signal(**signal), sampling=sampling or Sampling(1.0)))


def amplitude(found, order):
    return dict(zip(found.harmonic.tolist(), found.amplitude.tolist(), strict=True)).get(order, 0.0)


# Heydemann, Appl. Opt. 20, 3382, 1981 and Birch, Precision Eng. 12, 195, 1990 give the model of the two
# channels; the exact figures are recomputed from it with mpmath. The grid is exact to rounding: 1e-9.


def test_offset_makes_exactly_its_size_once_a_period():
    found = phase_error(offset=(0.05, 0.0))
    assert amplitude(found, 1) == pytest.approx(0.05, rel=1e-9)


def test_offset_alone_gives_order_k_with_its_power_over_k():
    found = phase_error(offset=(0.03, -0.04))
    for k in range(1, 5):
        assert amplitude(found, k) == pytest.approx(0.05**k / k, rel=1e-9)


def test_rms_of_an_offset_is_the_dilogarithm():
    error = phase_error(offset=(0.05, 0.0)).error
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.0353663981666, rel=1e-9)


def test_gain_mismatch_peaks_at_the_arcsine_of_its_share():
    found = phase_error(gain=0.05)
    assert found.error.max() == pytest.approx(
        0.0243926627777, rel=1e-4
    )  # the peak lies between two grid points
    assert amplitude(found, 2) == pytest.approx(0.05 / 2.05, rel=1e-9)
    assert amplitude(found, 4) == pytest.approx(0.00029744199881, rel=1e-9)


def test_quadrature_angle_gives_twice_the_arcsine_of_its_half_tangent():
    found = phase_error(phase=np.radians(3.0))
    # the peak lies between two grid points
    assert np.ptp(found.error) == pytest.approx(0.0523778302365, rel=1e-4)


@pytest.mark.parametrize(("theta", "error"), [(37.0, 0.0125892991201), (123.4, -0.0112657127574)])
def test_four_faults_together_at_a_phase(theta, error):
    axis = Axis(
        PHASE_SCALE,
        signal=Signal(offset=(0.02, -0.015), gain=0.03, phase=np.radians(2.0)),
        sampling=Sampling(1.0),
    )
    turns = np.array([theta / 360.0])
    c, s = period_error.signals(period_error.channels(axis), turns)
    assert np.angle((c + 1j * s) * np.exp(-1j * TAU * turns))[0] == pytest.approx(error, rel=1e-9)


def test_second_harmonic_of_quarter_shifted_channels_makes_one_and_three_a_period():
    found = phase_error(harmonics={2: 0.01})
    assert amplitude(found, 1) == pytest.approx(0.00707142134758, rel=1e-9)
    assert amplitude(found, 3) == pytest.approx(0.01 / np.sqrt(2), rel=1e-3)  # to first order only


@pytest.mark.parametrize(("order", "made"), [(3, 4), (5, 4), (7, 8), (9, 8)])
def test_odd_harmonic_makes_its_size_at_the_next_multiple_of_four(order, made):
    assert amplitude(phase_error(harmonics={order: 1e-4}), made) == pytest.approx(1e-4, rel=1e-3)


def test_third_and_fifth_harmonic_of_one_size_cancel_to_first_order():
    assert amplitude(phase_error(harmonics={3: 1e-3, 5: 1e-3}), 4) < 1e-5


def test_gain_and_phase_together_follow_the_exact_ratio():
    g, phi = 0.07, 0.05
    a, b = (1 + (1 + g) * np.exp(1j * phi)) / 2, (1 - (1 + g) * np.exp(1j * phi)) / 2
    found = phase_error(gain=g, phase=phi)
    for k in (1, 2, 3):
        assert amplitude(found, 2 * k) == pytest.approx(abs(b / a) ** k / k, rel=1e-9)


def test_first_order_series_is_wrong_by_the_published_amount():
    signal = Signal(offset=(0.02, -0.015), gain=0.03, phase=np.radians(2.0))
    axis = Axis(PHASE_SCALE, signal=signal, sampling=Sampling(1.0))
    turns = np.arange(20000) / 20000
    t, phi = TAU * turns, signal.phase
    c, s = period_error.signals(period_error.channels(axis), turns)
    exact = np.angle((c + 1j * s) * np.exp(-1j * t))
    series = -0.02 * np.sin(t) - 0.015 * np.cos(t) + 0.015 * np.sin(2 * t) + phi / 2 * (1 + np.cos(2 * t))
    assert np.abs(exact - series).max() == pytest.approx(0.00225708110392, rel=1e-6)


SIGNALS = [
    {"offset": (0.01, -0.005), "gain": 0.02, "phase": 0.01, "harmonics": {3: 0.002}},
    {"offset": (0.2, 0.1), "gain": -0.2, "phase": 0.3, "harmonics": {2: 0.05, 7: 0.02}},
    {"sde": {1: (0.3, 0.4), 2: (0.1, -2.0), 9: 0.05}, "amplitude": 0.5},
    {"harmonics": {64: 1e-3}, "offset": (0.4, 0.0)},
]


@pytest.mark.parametrize("signal", SIGNALS)
def test_error_agrees_with_the_definition_point_by_point(signal):
    found = phase_error(**signal)
    twin = TAU * (shown(found.axis, found.phase) - found.phase)
    assert found.error == pytest.approx(twin - twin.mean(), abs=1e-12)


@pytest.mark.parametrize("signal", SIGNALS)
def test_lines_rebuild_the_error(signal):
    found = phase_error(**signal)
    angles = TAU * np.multiply.outer(found.phase, found.harmonic) + found.angle
    rebuilt = (found.amplitude * np.sin(angles)).sum(axis=-1)
    # lines below 1e-6 of the largest are left out; there are at most some hundred
    assert rebuilt == pytest.approx(found.error, abs=1e-4 * found.amplitude.max())


def test_given_error_is_shown_as_given_and_does_not_roll_off():
    slow = phase_error(sde={1: (0.02, 0.3), 5: (0.01, -1.0)})
    axis = replace(slow.axis, signal=replace(slow.axis.signal, bandwidth=0.1))
    fast = position_error(axis, 3.0)
    for found in (slow, fast):
        assert found.amplitude == pytest.approx([0.02, 0.01], rel=1e-9)
        assert found.angle == pytest.approx([0.3, -1.0], abs=1e-6)


def test_bandwidth_weighs_offset_up_and_leaves_gain_alone():
    signal = Signal(offset=(1e-3, 0.0), gain=1e-3, bandwidth=1000.0)
    axis = Axis(Scale(period=20e-6), signal=signal, sampling=Sampling(16e3))
    found = position_error(axis, 20e-6 * 2000.0)
    unit = 20e-6 / TAU
    assert amplitude(found, 1) == pytest.approx(unit * 1e-3 * np.sqrt(5.0), rel=1e-3)  # |H(1)| = 1/sqrt 5
    assert amplitude(found, 2) == pytest.approx(unit * 0.5e-3, rel=1e-2)  # the offset adds half its square


def test_bandwidth_uncovers_harmonics_that_cancel_at_standstill():
    signal = Signal(harmonics={3: 1e-3, 5: 1e-3}, bandwidth=1000.0)
    axis = Axis(PHASE_SCALE, signal=signal, sampling=Sampling(16e3))
    turns_per_second = 700.0
    h = {n: 1 / (1 + 1j * n * 0.7) for n in (1, 3, 5)}
    expected = 1e-3 * abs(h[5] / h[1] - h[3] / np.conj(h[1]))
    assert amplitude(position_error(axis, TAU * turns_per_second), 4) == pytest.approx(expected, rel=1e-2)


def test_skew_acts_as_a_phase_that_grows_with_speed():
    axis = Axis(PHASE_SCALE, signal=Signal(skew=1e-5), sampling=Sampling(1.0))
    skewed = position_error(axis, TAU * 500.0)
    fixed = phase_error(phase=TAU * 500.0 * 1e-5)
    assert skewed.error == pytest.approx(fixed.error, abs=1e-12)


def test_conditioning_leaves_its_fraction_of_offset_gain_and_phase_and_all_harmonics():
    faults = {"offset": (0.02, -0.01), "gain": 0.02, "phase": 0.01}
    full = Axis(
        PHASE_SCALE,
        signal=Signal(**faults, harmonics={3: 0.002}),
        interpolation=Interpolation(correction=0.75),
        sampling=Sampling(1.0),
    )
    quarter = {"offset": (0.005, -0.0025), "gain": 0.005, "phase": 0.0025}
    assert position_error(full).error == pytest.approx(
        phase_error(**quarter, harmonics={3: 0.002}).error, abs=1e-14
    )


def test_averaging_readings_smears_the_signals_like_a_moving_mean():
    axis = Axis(PHASE_SCALE, signal=Signal(harmonics={3: 0.01}), sampling=Sampling(1000.0, average=8))
    speed = TAU * 200.0
    turns = np.arange(64) / 64
    readings = [period_error.signals(period_error.channels(axis), turns - 0.2 * i / 8) for i in range(8)]
    c, s = period_error.signals(period_error.averaged(axis, speed), turns)
    assert c == pytest.approx(np.mean([r[0] for r in readings], axis=0), abs=1e-13)
    assert s == pytest.approx(np.mean([r[1] for r in readings], axis=0), abs=1e-13)


def test_figure_that_misses_zero_is_not_believed():
    axis = Axis(PHASE_SCALE, signal=Signal(offset=(0.5, 0.0), bandwidth=1.0), sampling=Sampling(1.0))
    found = position_error(axis, TAU * 10.0)
    assert not found.valid
    assert "do not enclose zero" in found.reasons[0]


@pytest.mark.parametrize("speed", [float("nan"), float("inf"), "fast", None, True])
def test_speed_must_be_a_number(speed):
    axis = Axis(PHASE_SCALE, sampling=Sampling(1.0))
    with pytest.raises(InputError, match=r"position_error\.speed must be a (finite )?number"):
        position_error(axis, speed)


def test_perfect_signals_have_no_lines():
    assert phase_error().harmonic.size == 0


def test_result_turns_into_plain_values():
    plain = phase_error(offset=(0.01, 0.0)).to_dict()
    assert plain["kind"] == "PeriodError"
    assert plain["units"]["error"] == "m"
    assert plain["first_order"] == {"offset": {"1": pytest.approx(0.01)}}


@pytest.mark.parametrize("skew", [0.0, 2e-6])
def test_skew_shifts_the_position_and_takes_the_given_error_once(skew):
    signal, speed, pitch = Signal(sde={3: 40e-9}, skew=skew), 0.5, 20e-6
    axis = Axis(Scale(period=pitch), signal=signal, sampling=Sampling(16.1e3))
    error = encsim.position_error(axis, speed)
    # were the sine channel's error read later too, the harmonic would be times cos(3 pi v skew/p) = 0.9
    assert error.amplitude[error.harmonic == 3][0] == pytest.approx(40e-9, rel=2e-2)
    run = encsim.simulate(axis, speed, 16_100)
    shift = np.mean(run.position - speed * run.time)
    assert shift == pytest.approx(0.5 * speed * skew, abs=2e-9)
    assert encsim.ripple(axis, [speed]).rms[0] == pytest.approx(run.rms, rel=5e-3)


def test_bandwidth_turns_each_harmonic_back_by_the_lag_of_one_pole():
    signal = Signal(harmonics={3: 1e-3}, bandwidth=1000.0)
    axis = Axis(PHASE_SCALE, signal=signal, sampling=Sampling(1000.0))
    slow, fast = (period_error.channels(axis, speed * axis.scale.pitch) for speed in (0.0, 500.0))
    passed = 1.0 / (1.0 + 0.5j * np.array([1.0, 3.0]))
    np.testing.assert_allclose(fast.cosine / slow.cosine, passed, rtol=1e-12)
    assert np.all(np.angle(passed) < 0.0)
