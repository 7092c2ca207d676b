"""Margins against published figures, against python-control, and against their own meaning."""

import json
import math
from dataclasses import replace

import control
import numpy as np
import pytest
import random_loops
import slow_loop
from margin_axes import AXES, FLEXIBLE, RATE, RIGID, T

import encsim
from encsim.closed_loop import loop, stability
from encsim.closed_loop.stability import margins
from encsim.model.estimators import Difference, LowPass, Tracking
from encsim.model.load_and_control import Control, Load, Notch

# Damping so heavy that torque is speed, position gain so high that the velocity estimate does not count: the
# loop is a held integrator K/s behind its delays, to 1e-10.
MASSLESS = Load(1e-12, viscous=1.0)


def integrator(gain, rate, delay):
    return slow_loop.axis(MASSLESS, Control(1e14, gain * 1e-14, delay=delay), rate=rate)


def speed_loop(crossover, inverse_time, rate=1e8, **control):
    """PI velocity loop on an inertia of 1, so fast that hold and difference cost less than 1e-4 deg."""
    return slow_loop.axis(
        Load(1.0), Control(0.0, crossover, integral_time=1.0 / inverse_time, **control), rate=rate
    )


def test_one_sample_more_of_delay_costs_one_and_a_half_samples_of_phase():
    # 90 - 1.5 w_c T deg at K T = 0.5; algebra
    found = margins(integrator(500.0, 1000.0, 1e-3))
    assert found.phase_margin == pytest.approx(46.567463442210226, rel=1e-8)
    assert found.delay_margin * found.crossover * 360.0 == pytest.approx(found.phase_margin, rel=1e-9)


@pytest.mark.parametrize(("samples", "limit"), [(0, 2.0), (1, 1.0), (2, 0.6180339887498949)])
def test_integrator_with_delay_swings_at_its_known_gain(samples, limit):
    # 2 sin(pi/(2(2d + 1))); algebra
    late = samples * 1e-3
    found = margins(integrator(100.0, 1000.0, late))
    assert found.gain_margin * 0.1 == pytest.approx(limit, rel=1e-8)
    assert margins(integrator(999.9 * limit, 1000.0, late)).stable
    assert not margins(integrator(1000.1 * limit, 1000.0, late)).stable


def test_integrator_with_dead_time_has_the_published_gain_margin():
    # pi/(2 w_c T), Astrom and Murray, Feedback Systems (from memory); the hold is half a sample of the delay.
    # 3000 samples: more states than poles are computed for
    rate = 1e7
    found = margins(integrator(600.0, rate, 3e-4 - 0.5 / rate))
    # sinc of the hold at 830 Hz of 10 MHz: 1e-8
    assert found.gain_margin == pytest.approx(8.72664625997, rel=1e-7)
    assert found.stable
    assert len(found.poles) == 0


def test_integrator_with_dead_time_has_the_published_sensitivity_peak():
    # max |1/(1 + 0.5 e^-s/s)|, ibid., in milliseconds
    rate = 1e6
    found = margins(integrator(500.0, rate, 1e-3 - 0.5 / rate))
    # sinc of the hold at 300 Hz of 1 MHz: 2e-7
    assert found.sensitivity_peak == pytest.approx(1.590490233189583, rel=1e-6)


def test_pi_speed_loop_has_the_phase_of_its_corner():
    # atan(w_c/w_i); algebra
    crossover, corner = 400.0, 100.0
    gain = crossover**2 / math.hypot(crossover, corner)
    found = margins(speed_loop(gain, corner))
    # hold and difference are half a sample each, 400 rad/s x 1e-8 s = 2.3e-4 deg
    assert found.phase_margin == pytest.approx(75.96375653207352, abs=1e-3)
    assert 2.0 * np.pi * found.crossover == pytest.approx(crossover, rel=1e-5)


def test_symmetrical_optimum_has_its_published_margin():
    # a = 2: gain 1/(a tau), integral time a**2 tau, asin((a**2 - 1)/(a**2 + 1)); Kessler 1958 (from memory)
    tau = 1e-3
    axis = speed_loop(1.0 / (2 * tau), 1.0 / (4 * tau), current_bandwidth=1.0 / (2 * np.pi * tau))
    found = margins(axis)
    assert found.phase_margin == pytest.approx(36.86989764584402, abs=1e-3)
    assert 2.0 * np.pi * found.crossover == pytest.approx(1.0 / (2 * tau), rel=1e-5)


@pytest.mark.parametrize(("filtered", "overshoot"), [(False, 0.434104077686), (True, 0.081465441446)])
def test_symmetrical_optimum_overshoots_as_published(filtered, overshoot):
    # step of (1 + 4 s)/(8 s^3 + 8 s^2 + 4 s + 1), and of the same behind 1/(1 + 4 s); ibid.
    tau, rate, size = 1e-3, 1e6, 1 << 16
    lag = 1.0 / (2 * np.pi * tau)
    axis = speed_loop(1.0 / (2 * tau), 1.0 / (4 * tau), rate=rate, current_bandwidth=lag)
    frequency = np.arange(1, size // 2 + 1) * rate / size
    gain = np.append(1.0, loop.build(axis).velocity_response(frequency))
    if filtered:
        gain[1:] /= 1.0 + 4.0 * tau * 2j * np.pi * frequency
    step = np.cumsum(np.fft.irfft(gain, size))
    # discrete at a thousandth of tau
    assert step.max() - 1.0 == pytest.approx(overshoot, abs=1.5e-3)


def test_position_loop_trails_a_ramp_by_speed_over_gain():
    # v/K_v = 0.5/40; algebra. Friction would add to it without the integral part
    axis = slow_loop.axis(RIGID, Control(40.0, 0.5, integral_time=0.02), rate=RATE)
    behind = (1.0 - loop.build(axis).position_response(1e-4)) / (2j * np.pi * 1e-4)
    assert 0.5 * behind.real == pytest.approx(0.0125, rel=1e-6)


def reference(axis):
    """The loop gain as python-control builds it: plant by c2d, controller of transfer functions."""
    load, how, wait = axis.load, axis.control, round(axis.control.delay * axis.sampling.rate)
    matrix = slow_loop.continuous(load, how.current_bandwidth)
    # without a current loop the state before the last is not connected
    size = len(matrix) - (1 if how.current_bandwidth else 2)
    column = matrix[:size, -1:]
    row = np.zeros((1, len(column)))
    row[0, 2 if load.flexible and load.encoder == "load" else 0] = 1.0
    plant = control.c2d(control.ss(matrix[:size, :size], column, row, 0.0), 1.0 / axis.sampling.rate, "zoh")
    period, n = plant.dt, axis.estimator.samples
    estimate = control.tf([1.0] + [0.0] * (n - 1) + [-1.0], [n * period] + [0.0] * n, period)
    law = how.velocity_gain * (how.position_gain + estimate) * control.tf([1.0], [1.0] + [0.0] * wait, period)
    if how.integral_time:
        law = law * control.tf([1.0 + period / how.integral_time, -1.0], [1.0, -1.0], period)
    return plant, law


def dense(axis):
    """Angular frequencies dense enough for the spline that python-control lays through a response."""
    even = np.linspace(1e-4, 0.5, 6000)
    near = axis.load.resonance * T * (1.0 + np.linspace(-0.01, 0.01, 2001)) if axis.load.flexible else []
    return 2.0 * np.pi * RATE * np.unique(np.concatenate([np.geomspace(1e-6, 0.01, 2000), even, near]))


@pytest.mark.parametrize("name", AXES)
def test_margins_agree_with_python_control(name):
    # python-control 0.10: its polynomial route loses up to three digits here, so it gets its own responses
    plant, law = reference(AXES[name])
    omega = dense(AXES[name])
    z = np.exp(1j * omega * T)
    data = control.FRD(np.squeeze(plant(z) * law(z)), omega, smooth=True)
    factors, angles, distances, _, crossings, _ = control.stability_margins(data, returnall=True)
    found = margins(AXES[name])
    assert found.crossover == pytest.approx(crossings.max() / (2.0 * np.pi), rel=1e-6)
    assert found.phase_margin == pytest.approx(angles[np.argmin(np.abs(angles))], rel=1e-6)
    assert found.sensitivity_peak == pytest.approx(1.0 / distances.min(), rel=1e-6)
    above = factors[factors > 1.0].min() if found.stable else factors[np.argmin(np.abs(np.log(factors)))]
    assert found.gain_margin == pytest.approx(above, rel=1e-6)


@pytest.mark.parametrize("name", AXES)
def test_loop_gain_and_poles_agree_with_python_control(name):
    plant, law = reference(AXES[name])
    frequency = np.array([0.5, 20.0, 150.0, 900.0, 1999.0])
    z = np.exp(2j * np.pi * frequency * T)
    # the sums of its state-space form take some digits at 0.5 Hz
    np.testing.assert_allclose(loop.build(AXES[name]).open_gain(frequency), plant(z) * law(z), rtol=1e-8)
    theirs = control.feedback(plant * control.ss(law), 1).poles()
    ours = margins(AXES[name]).poles
    theirs = theirs[np.argsort(-np.abs(theirs))][int(name == "speed loop") :][:4]
    # double poles lose half their digits
    np.testing.assert_allclose(np.abs(ours[:4]), np.abs(theirs), rtol=1e-7)


def random_axis(seed):
    """Any axis from sluggish to unstable, all parts in use."""
    rng = np.random.default_rng(seed)
    rate, inertia, pick = 10.0 ** rng.uniform(3, 5), 10.0 ** rng.uniform(-5, 1), rng.random(7)
    load = Load(inertia, viscous=inertia * rng.uniform(0, 10) * (pick[0] < 0.5))
    if pick[1] < 0.6:
        motor = inertia * 10.0 ** rng.uniform(-1, 1)
        stiffness = (2 * np.pi * rate * 10.0 ** rng.uniform(-3, -0.5)) ** 2 * inertia
        damping = 10.0 ** rng.uniform(-3, -1) * math.sqrt(stiffness * motor) * (pick[6] < 0.8)
        side = "load" if pick[0] < 0.5 else "motor"
        load = replace(load, motor_inertia=motor, stiffness=stiffness, damping=damping, encoder=side)
    wide = 2.0 * np.pi * rate * 10.0 ** rng.uniform(-4, -1)
    gains = Control(
        wide * rng.uniform(0.05, 0.5) * (pick[2] < 0.8),
        wide * load.total_inertia,
        integral_time=rng.uniform(1, 10) / wide if pick[3] < 0.7 else None,
        delay=rng.choice([0.0, 1.0, 1.5, 0.3]) / rate,
        current_bandwidth=0.1 * rate if pick[4] < 0.6 else None,
        notch=Notch(rate * 0.07) if pick[5] < 0.3 else (),
        lowpass=0.2 * rate if pick[5] > 0.7 else None,
    )
    estimator = [Difference(int(rng.integers(1, 6))), Tracking(rate / 20), LowPass(rate / 8, order=2)][
        seed % 3
    ]
    return slow_loop.axis(load, gains, rate, estimator, latency=rng.choice([0.0, 0.4, 1.2]) / rate)


def test_poles_are_inside_the_circle_if_and_only_if_the_response_encircles_nothing(cases):
    for seed in range(cases(40, 60)):
        analysis = stability.FrequencyResponse(loop.build(random_axis(seed)))
        characteristic = stability.open_polynomial(analysis.loop, analysis.frequency) * (1.0 + analysis.gain)
        outside = int(np.sum(~stability.inside(analysis.shifted)))
        assert int(stability.unstable_poles(characteristic)) == outside, seed
    found = analysis.margins(random_axis(seed), 0.0)
    assert found.stable == bool(np.all(np.abs(found.poles) < 1.0)) == (outside == 0)


UPPER = [(name, "gain_margin") for name in AXES if name != "unstable"]
LOWER = [(name, "lower_gain_margin") for name in ("rigid", "motor side", "load side")]


@pytest.mark.parametrize(("name", "which"), UPPER + LOWER)
@pytest.mark.parametrize("beyond", [False, True])
def test_loop_is_lost_exactly_beyond_its_gain_margins(name, which, beyond):
    axis = AXES[name]
    factor = getattr(margins(axis), which)
    outwards = 1.001 if (factor > 1.0) == beyond else 0.999
    changed = replace(axis.control, velocity_gain=axis.control.velocity_gain * factor * outwards)
    assert margins(slow_loop.axis(axis.load, changed, RATE, axis.estimator)).stable != beyond


@pytest.mark.parametrize("name", ["rigid", "motor side", "load side", "speed loop"])
@pytest.mark.parametrize("side", [0.99, 1.01])
def test_loop_is_lost_beyond_its_delay_margin(name, side):
    # to 1 %: delaying a held torque between samples is not quite delaying the samples
    axis = AXES[name]
    late = axis.control.delay + side * margins(axis).delay_margin
    changed = replace(axis.control, delay=late)
    assert margins(slow_loop.axis(axis.load, changed, RATE, axis.estimator)).stable == (side < 1.0)


def test_bandwidths_are_three_decibels_down():
    found, built = margins(AXES["rigid"]), loop.build(AXES["rigid"])
    for frequency, follow in (
        (found.bandwidth, built.position_response),
        (found.velocity_bandwidth, built.velocity_response),
    ):
        assert abs(follow(frequency)) == pytest.approx(2.0**-0.5, rel=1e-9)
        assert np.all(np.abs(follow(np.linspace(1e-3, 0.999, 999) * frequency)) > 2.0**-0.5)


def test_resonance_of_two_masses_is_named_with_its_loop_gain():
    (one,) = margins(AXES["motor side"]).resonances
    assert (one.frequency, one.antiresonance) == (FLEXIBLE.resonance, FLEXIBLE.antiresonance)
    # roots of s**2 + d (1/J + 1/J_m) s + k (1/J + 1/J_m)
    swing = np.roots([1.0, 0.02 * 12500.0, 300.0 * 12500.0])[0]
    assert one.damping == pytest.approx(-swing.real / abs(swing), rel=1e-12)
    assert one.loop_gain == pytest.approx(abs(loop.build(AXES["motor side"]).open_gain(one.frequency)))
    assert margins(AXES["rigid"]).resonances == ()


def test_undamped_resonance_is_no_obstacle():
    load = replace(FLEXIBLE, damping=0.0)
    found = margins(slow_loop.axis(load, Control(20.0, 0.02), RATE))
    assert np.isfinite(found.sensitivity_peak)
    assert found.resonances[0].damping == 0.0


@pytest.mark.parametrize(("gain", "crosses"), [(0.0, False), (60.0, True), (1e12, False)])
def test_impossible_gains_are_not_stable_and_no_exception(gain, crosses):
    found = margins(slow_loop.axis(RIGID, Control(60.0, gain), RATE))
    assert not found.stable
    assert not found.valid
    assert "unstable" in found.reasons[0]
    assert math.isnan(found.delay_margin)
    assert math.isnan(found.crossover) != crosses


def test_a_million_times_slower_loop_has_the_same_margins():
    slow, fast = (
        margins(slow_loop.axis(Load(1.0), Control(0.1 * w, w, integral_time=10.0 / w), 1e6))
        for w in (1.0, 100.0)
    )
    assert slow.stable
    # the faster one loses a sample of 1 us at 100 rad/s: 1e-4 rad
    assert slow.phase_margin == pytest.approx(fast.phase_margin, abs=0.01)
    assert slow.crossover * 100.0 == pytest.approx(fast.crossover, rel=1e-4)


def test_delay_of_a_second_is_seen_through():
    axis = slow_loop.axis(Load(1.0), Control(0.1, 0.5, integral_time=20.0, delay=1.0), 16e3)
    found = margins(axis)
    assert found.stable
    assert not margins(slow_loop.axis(axis.load, replace(axis.control, velocity_gain=2.0), 16e3)).stable


def test_result_is_plain_and_ready_for_json():
    plain = margins(AXES["motor side"]).to_dict()
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain["units"]["delay_margin"] == "s"
    assert len(plain["poles"][0]) == 2
    assert plain["resonances"][0]["frequency"] == pytest.approx(308.2, rel=1e-3)


@pytest.mark.parametrize("late", [1e3, 1e4, 1e5])
def test_delay_of_very_many_periods_has_the_margins_of_dead_time(late):
    # pi/(2 w_c T), Astrom and Murray (from memory); far below half the rate hold and fractions do not show
    axis = integrator(0.5 / 0.9, 1e5 / 0.9, 0.9 * late / 1e5)
    found = margins(axis)
    assert found.stable
    assert found.gain_margin == pytest.approx(np.pi / (2.0 * 0.5 * late / 1e5), rel=2e-3)
    assert not margins(integrator(1.01 * found.gain_margin * 0.5 / 0.9, 1e5 / 0.9, 0.9 * late / 1e5)).stable


def test_loop_that_a_long_delay_turns_round_often_keeps_the_turn_that_is_next_to_one():
    # |L| falls as 1/f: of the frequencies at which the delay makes -180 deg the first has the largest gain
    found = margins(integrator(400.0, 1e5, 0.05))
    assert not found.stable
    turning = np.arange(1, 60) * 2.0 - 1.5
    factors = 2.0 * np.pi * turning / 2.0 / 0.05 / 400.0
    assert found.gain_margin == pytest.approx(factors[np.argmin(np.abs(np.log(factors)))], rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_margins_of_python_control_are_those_of_its_own_loop(seed):
    rng = np.random.default_rng(seed)
    axis, _ = random_loops.stable(rng, seed % 2 == 1)
    found = encsim.margins(axis)
    # from its frequency response: as a quotient of polynomials a slow loop loses its digits
    response = found.to_control()(np.exp(2j * np.pi * found.frequency / axis.sampling.rate))
    data = control.FrequencyResponseData(response, 2.0 * np.pi * found.frequency, smooth=True)
    shown = control.stability_margins(data, returnall=True)
    nearest = shown[1][np.argmin(np.abs(shown[1]))]
    assert nearest == pytest.approx(found.phase_margin, rel=1e-6)
    upper, lower = (shown[0][shown[0] > 1.0], shown[0][shown[0] < 1.0])
    if upper.size:
        assert upper.min() == pytest.approx(found.gain_margin, rel=1e-6)
    if found.lower_gain_margin:
        assert lower.max() == pytest.approx(found.lower_gain_margin, rel=1e-6)


@pytest.mark.parametrize("convert", ["to_control", "to_scipy"])
def test_parts_as_objects_have_the_frequency_response_of_the_loop(convert):
    axis, _ = random_loops.stable(np.random.default_rng(8), True)
    frequency = axis.sampling.rate * np.geomspace(1e-4, 0.49, 30)
    built = encsim.closed_loop.loop.build(axis)
    terms = built.plant.transfer.fractions(frequency / built.rate)
    expected = {
        "loop": built.open_gain(frequency),
        "plant": terms.measured / terms.denominator,
        "estimator": built.estimator.response(frequency, built.rate),
    }
    points = np.exp(2j * np.pi * frequency / built.rate)
    for part, gain in expected.items():
        one = getattr(encsim.margins(axis), convert)(part)
        assert one.dt == 1.0 / built.rate
        shown = [one.D + one.C @ np.linalg.solve(z * np.eye(len(one.A)) - one.A, one.B) for z in points]
        # a double integrator keeps ten digits four decades below the loop rate
        np.testing.assert_allclose(np.ravel(shown), gain, rtol=1e-7, err_msg=part)


def test_parts_that_are_no_linear_filters_are_refused():
    axis, _ = random_loops.stable(np.random.default_rng(8), True)
    with pytest.raises(
        encsim.InputError, match=r'margins.part must be one of loop, plant, estimator, got "motor"'
    ):
        encsim.margins(axis).to_control("motor")
    timed = replace(axis, estimator=encsim.PeriodTiming(1e8))
    with pytest.raises(encsim.InputError, match=r"Axis.estimator must be one of sampled positions"):
        encsim.margins(timed, speed=0.1).to_scipy()
