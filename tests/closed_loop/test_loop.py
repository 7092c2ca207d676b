"""The linear closed loop against a slow twin in the time domain, closed forms and invariants."""

from dataclasses import replace
from decimal import Decimal, localcontext

import numpy as np
import pytest
import random_loops
import slow_loop

from encsim import Axis, InputError, Interpolation, Sampling, Scale, Signal
from encsim.closed_loop import loop
from encsim.model import delays
from encsim.model.edge_timing import PeriodTiming
from encsim.model.estimators import Difference, Kalman, LeastSquares, LowPass, Tracking
from encsim.model.load_and_control import Control, Load, Notch

T = 1.0 / 8000.0
RIGID = Load(1e-3, viscous=0.01, torque_constant=0.5)
FLEXIBLE = Load(4e-4, motor_inertia=1e-4, stiffness=300.0, damping=0.02, viscous=1e-3)
FILTERS = {"notch": [Notch(700.0, depth=0.1), Notch(2500.0, damping=0.1)], "lowpass": 1500.0}
LATE = {"delay": 1.3 * T, "current_bandwidth": 900.0}
CURVES = ("measured", "torque", "actual", "position")

CASES = {
    "bare": slow_loop.axis(RIGID, Control(60.0, 0.6)),
    "filters": slow_loop.axis(
        RIGID, Control(60.0, 0.6, integral_time=0.01, **LATE, **FILTERS), latency=0.45 * T
    ),
    "averaged": slow_loop.axis(
        RIGID, Control(60.0, 0.6, delay=T), latency=1.2 * T, average=4, estimator=Difference(3)
    ),
    "two masses": slow_loop.axis(FLEXIBLE, Control(40.0, 0.05, integral_time=0.03, delay=0.6 * T)),
    "load side": slow_loop.axis(
        replace(FLEXIBLE, encoder="load", damping=0.1),
        Control(40.0, 0.03, delay=0.6 * T, lowpass=400.0),
        estimator=Difference(2),
    ),
    "tracking": slow_loop.axis(RIGID, Control(60.0, 0.3, integral_time=0.03), estimator=Tracking(300.0)),
    "low-pass": slow_loop.axis(RIGID, Control(60.0, 0.3, delay=0.5 * T), estimator=LowPass(600.0, order=2)),
    "least squares": slow_loop.axis(RIGID, Control(60.0, 0.3, delay=2 * T), estimator=LeastSquares(4)),
    "kalman": slow_loop.axis(RIGID, Control(60.0, 0.3), estimator=Kalman(50.0, noise=1e-7)),
    "velocity": slow_loop.axis(RIGID, Control(0.0, 0.3, integral_time=0.02, **LATE), latency=1.2 * T),
}


@pytest.mark.parametrize("name", CASES)
def test_error_line_makes_the_curves_that_the_slow_twin_shows(name):
    axis, cycles, settle = CASES[name], 0.0613, 6000
    k = np.arange(settle + 2000)
    shown = slow_loop.run(axis, np.sin(2.0 * np.pi * cycles * k))
    # turns x 2000 is not whole: two columns, sine and cosine, and a constant that a drift may leave
    columns = np.array([np.sin(2 * np.pi * cycles * k), np.cos(2 * np.pi * cycles * k), np.ones(len(k))]).T
    response = loop.build(axis).response(cycles / T)
    for curve in CURVES:
        tail = np.linalg.lstsq(columns[settle:], shown[curve][settle:], rcond=None)[0]
        # slowest pole 0.9972: 6000 samples leave 5e-8 of the start
        assert tail[0] + 1j * tail[1] == pytest.approx(complex(getattr(response, curve)), rel=1e-4), curve


@pytest.mark.parametrize("name", CASES)
def test_noise_gain_is_the_root_of_the_summed_squared_pulse_response(name):
    axis = CASES[name]
    shown = slow_loop.run(axis, np.eye(1, 8000)[0])
    expected = loop.build(axis).noise_gain()
    held = axis.control.position_gain > 0.0
    for curve in CURVES if held else CURVES[:3]:
        # event times of the twin are rounded to 1e-9 of a period
        assert np.sqrt(np.sum(shown[curve] ** 2)) == pytest.approx(expected[curve], rel=1e-6), curve
    assert held or expected["position"] == np.inf


def test_white_noise_run_has_the_predicted_rms():
    axis = CASES["filters"]
    shown = slow_loop.run(axis, np.random.default_rng(5).normal(size=30000))
    expected = loop.build(axis).noise_gain()
    for curve in ("measured", "torque"):
        # 30000 samples that hardly hang together: 1/sqrt(2 n) is 0.4 %, three times that
        assert np.std(shown[curve][1000:]) == pytest.approx(expected[curve], rel=0.012), curve


@pytest.mark.parametrize("name", CASES)
def test_even_grid_on_the_circle_gives_the_noise_gain_of_the_state_space_form(name):
    found = loop.build(CASES[name])
    exact, mean = found.noise_gain(), found._noise_gain_of_response()
    for curve in loop.CONVERGING:
        assert mean[curve] == pytest.approx(exact[curve], rel=1e-5), curve


@pytest.mark.parametrize("name", CASES)
def test_curves_follow_from_the_sensitivity(name):
    found, frequency = loop.build(CASES[name]), np.array([3.0, 123.0, 2345.0])
    response, gain = found.response(frequency), found.open_gain(frequency)
    estimate = CASES[name].estimator.response(frequency, 8000.0)
    np.testing.assert_allclose(response.sensitivity, 1.0 / (1.0 + gain), rtol=1e-9)
    np.testing.assert_allclose(response.complementary, gain / (1.0 + gain), rtol=1e-9)
    np.testing.assert_allclose(response.measured, estimate * response.sensitivity, rtol=1e-9)


def test_response_repeats_with_the_loop_rate_and_mirrors_at_half_of_it():
    found = loop.build(CASES["filters"])
    first = found.response(1234.0)
    for curve in CURVES:
        value = getattr(first, curve)
        # 1e6 periods of 8 kHz leave 1e-10 of the phase
        assert getattr(found.response(1234.0 + 8e9), curve) == pytest.approx(value, rel=1e-6)
        assert getattr(found.response(8000.0 - 1234.0), curve) == pytest.approx(np.conj(value), rel=1e-9)


def test_line_at_zero_frequency_moves_the_axis_and_shows_nothing():
    response = loop.build(CASES["filters"]).response(np.array([0.0, 8000.0]))
    np.testing.assert_allclose(response.position, -1.0, rtol=1e-12)
    for curve in ("measured", "torque", "actual"):
        np.testing.assert_allclose(getattr(response, curve), 0.0, atol=1e-12)


def test_slow_line_shakes_the_load_by_its_own_speed():
    # true velocity ripple 2 pi f |T| E, far inside the bandwidth T = 1
    response = loop.build(CASES["two masses"]).response(0.01)
    assert abs(response.actual) == pytest.approx(2.0 * np.pi * 0.01, rel=1e-5)


def test_velocity_loop_has_finite_curves_at_zero_frequency():
    response = loop.build(CASES["velocity"]).response(0.0)
    assert all(np.isfinite(getattr(response, curve)) for curve in CURVES)
    assert response.position == pytest.approx(-1.0, rel=1e-6)


def test_first_order_loop_passes_encoder_ripple_to_the_shaft():
    # |T| = 1/sqrt(1 + (f/f_b)**2), algebra: damping so heavy that torque is speed, gain so high that the
    # velocity estimate does not count
    axis = slow_loop.axis(Load(1e-12, viscous=1.0), Control(1e14, 2e-14 * np.pi * 100.0), rate=1e8)
    # the hold delays by half of 1e-8 s, which 300 Hz feels as 1e-5
    assert abs(loop.build(axis).response(300.0).position) == pytest.approx(0.316227766017, rel=2e-5)


def test_current_is_torque_over_the_torque_constant():
    found = loop.build(CASES["filters"])
    response = found.response([10.0, 1000.0])
    np.testing.assert_allclose(response.current, response.torque / 0.5)
    gains = found.noise_gain()
    assert gains["current"] == gains["torque"] / 0.5
    assert loop.build(CASES["two masses"]).response(1.0).current is None


def test_notch_takes_its_line_out_of_the_torque_and_follows_the_speed():
    axis = slow_loop.axis(RIGID, Control(60.0, 0.3, notch=Notch(order=2, depth=0.0)))
    for speed in (4e-3, -4e-3, 4e-3 + 80e-3):
        # 2 x 4 mm/s over 20 um is 400 Hz, 80 mm/s more are 8 kHz, the loop rate
        assert abs(loop.build(axis, speed).response(400.0).torque) < 1e-9
    assert not loop.build(axis, 0.0).filters
    assert not loop.build(axis, 40e-3).filters


def test_notch_and_lowpass_have_their_gain_at_their_own_frequency():
    axis = slow_loop.axis(
        RIGID, Control(1.0, 1.0, notch=Notch(3000.0, depth=0.2, damping=0.1), lowpass=2000.0)
    )
    notch, lowpass = loop.build(axis).filters
    assert abs(notch.response(3000.0 * T)) == pytest.approx(0.2, rel=1e-9)
    assert abs(lowpass.response(2000.0 * T)) == pytest.approx(2.0**-0.5, rel=1e-12)
    cycles = np.array([0.01, 0.2, 0.49])
    for section in (notch, lowpass):
        above, below = section.coefficients()
        back = np.exp(-2j * np.pi * cycles)
        ratio = np.polyval(above[::-1], back) / np.polyval(below[::-1], back)
        np.testing.assert_allclose(section.response(cycles), ratio, rtol=1e-9)
        np.testing.assert_allclose(section.denominator(back), np.polyval(below[::-1], back), rtol=1e-9)


def noise_gain_of_60_digits(closed):
    """Rms of each curve for white error of rms 1 by ``P = A P A' + b b'`` in decimal numbers."""

    def exact(values):
        return np.vectorize(Decimal, otypes=[object])(values)

    with localcontext() as context:
        context.prec = 60
        step, entry = exact(closed.increment + 0.0) + exact(np.eye(len(closed.entry))), exact(closed.entry)
        square = np.outer(entry, entry)
        while abs(step).sum() > Decimal("1e-30"):
            square, step = square + step.dot(square).dot(step.T), step.dot(step)
        rows = {name: exact(row) for name, row in closed.rows.items()}
        return {
            name: float((row.dot(square).dot(row) + Decimal(closed.direct[name]) ** 2).sqrt())
            for name, row in rows.items()
        }


@pytest.mark.parametrize("seed", [3, 4, 8, 22, 29, 36])
def test_noise_gain_keeps_its_digits_where_nothing_holds_the_position(seed):
    axis, _ = random_loops.stable(np.random.default_rng(seed), False)
    closed = loop.build(replace(axis, control=replace(axis.control, position_gain=0.0))).state_space()
    found, expected = closed.noise_gain(), noise_gain_of_60_digits(closed)
    for name in ("measured", "torque", "actual"):
        # a covariance in place of its root is off by 1e-6 to 5e-5 here, and was by 2e-2 elsewhere
        assert found[name] == pytest.approx(expected[name], rel=1e-6)


def test_unstable_loop_has_no_finite_noise_gain():
    gains = loop.build(slow_loop.axis(RIGID, Control(60.0, 60.0))).state_space().noise_gain()
    assert set(gains.values()) == {np.inf}


def test_ages_of_readings_add_latency_clock_and_readhead():
    axis = slow_loop.axis(RIGID, Control(1.0, 1.0), latency=1e-5, encoder_rate=1e5, average=2)
    axis = replace(axis, signal=Signal(bandwidth=1e4))
    first = 1e-5 + 0.5e-5 + 1.0 / (2.0 * np.pi * 1e4)
    np.testing.assert_allclose(delays.reading_delays(axis), [first, first + 0.5 * T], rtol=1e-12)


def test_counter_on_a_clock_of_its_own_is_half_a_tick_late():
    edges = Interpolation(factor=400, output="ab", edge_clock=2e4)
    axis = Axis(Scale(period=20e-6), interpolation=edges, sampling=Sampling(1.0 / T, latency=1e-5))
    np.testing.assert_allclose(delays.reading_delays(axis), [1e-5 + 2.5e-5], rtol=1e-12)
    np.testing.assert_allclose(delays.fixed_delays(axis), [1e-5], rtol=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"load": None}, r"Axis.load must be given for a closed loop, got None"),
        ({"control": None}, r"Axis.control must be given for a closed loop, got None"),
        (
            {"estimator": PeriodTiming(1e6), "interpolation": Interpolation(factor=20)},
            r"speed must be at least one count per second, 1e-06 m/s, with a period-timing estimator, got 0.0 m/s",
        ),
        (
            {"control": Control(1.0, 1.0, lowpass=4000.0)},
            r"Control.lowpass must stay below half the loop rate",
        ),
        ({"control": Control(1.0, 1.0, notch=Notch(9e3))}, r"Control.notch.0.frequency must stay below half"),
    ],
)
def test_loop_that_cannot_be_built_is_refused(change, message):
    axis = replace(slow_loop.axis(RIGID, Control(1.0, 1.0)), **change)
    with pytest.raises(InputError, match=message):
        loop.build(axis)


def test_pole_that_rounding_hides_gives_no_noise_gain_rather_than_a_wrong_one():
    axis = slow_loop.axis(Load(1e6), Control(1e-9, 1e-3, integral_time=1e9), rate=1e6)
    assert all(not np.isfinite(gain) for gain in loop.build(axis).noise_gain().values())
