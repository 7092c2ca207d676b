"""Exact discretisation of load, current loop and delay."""

import numpy as np
import pytest
import slow_loop
from scipy.linalg import expm

from encsim import InputError
from encsim.closed_loop import plant
from encsim.model.load_and_control import Control, Load

RATE = 8000.0
T = 1.0 / RATE
RIGID = Load(1e-3)
FLEXIBLE = Load(4e-4, motor_inertia=1e-4, stiffness=120.0, damping=0.02)


def discrete(load=RIGID, rate=RATE, lags=(0.0,), speed=0.0, **control):
    return plant.discretise(load, Control(1.0, 1.0, **control), rate, lags=lags, speed=speed)


def gain(found, frequency, rate=RATE, name="measured"):
    terms = found.transfer.fractions(np.asarray(frequency) / rate)
    return getattr(terms, name) / terms.denominator


def test_current_loop_alone_is_a_held_first_order_lag():
    # zero-order hold of 1/(tau s + 1), Astrom and Wittenmark, Computer-Controlled Systems (from memory)
    found = discrete(current_bandwidth=1.0 / (2.0 * np.pi * 1e-3))
    n = found.states.index("torque")
    assert 1.0 + found.increment[n, n] == pytest.approx(0.8824969025845955, rel=1e-9)
    assert found.newer[n] == pytest.approx(0.1175030974154046, rel=1e-9)


def test_held_double_integrator_has_half_a_square_period_in_its_numerator():
    # T**2/2 (z + 1)/(z - 1)**2, ibid.
    found = discrete(Load(1.0), rate=500.0)
    np.testing.assert_allclose(found.newer, [2e-6, 2e-3], rtol=1e-9)
    np.testing.assert_allclose(found.transfer.measured[-2:], [2e-6, 2 * 2e-6], rtol=1e-9)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.99])
def test_fraction_of_a_period_of_delay_splits_a_double_integrator_as_published(share):
    # inertia with delay tau < T: Gamma_0 = [(T - tau)**2/2, T - tau], Gamma_1 = [tau (T - tau/2), tau], ibid.
    found, tau = discrete(Load(1.0), delay=share * T), share * T
    np.testing.assert_allclose(found.newer, [(T - tau) ** 2 / 2, T - tau], rtol=1e-12)
    np.testing.assert_allclose(found.older, [tau * (T - tau / 2), tau], rtol=1e-12)


@pytest.mark.parametrize(
    ("periods", "whole", "remembered"), [(0.0, 0, 0), (3.0, 3, 3), (2.25, 2, 3), (0.1, 0, 1)]
)
def test_delay_is_whole_periods_and_a_rest(periods, whole, remembered):
    found = discrete(delay=periods / 16000.0, rate=16000.0)
    assert (found.delay, found.remembered) == (whole, remembered)


def test_damped_two_mass_axis_has_the_textbook_gain_far_below_the_loop_rate():
    # |(J s^2 + d s + k)/(s (J_m J s^2 + (J_m + J)(d s + k)))| at 150 Hz, two-inertia formula (from memory)
    rate = 1e6
    found, omega = discrete(FLEXIBLE, rate=rate), 2.0 * np.pi * 150.0
    # of a held input, sin(wT/2)/(wT/2) is 4e-8 below 1; folded terms are (150/1e6)**2 of it
    assert abs(gain(found, 150.0, rate)) * omega == pytest.approx(9.551884763148028, rel=1e-7)


@pytest.mark.parametrize(
    "load", [RIGID, FLEXIBLE, Load(4e-4, motor_inertia=1e-4, stiffness=1e4, encoder="load")]
)
@pytest.mark.parametrize("bandwidth", [None, 900.0])
@pytest.mark.parametrize("lags", [(0.0,), (0.3 * T,), (2.0 * T, 2.5 * T, 0.7 * T)])
def test_transfer_functions_agree_with_the_state_space_form(load, bandwidth, lags):
    found = discrete(load, lags=lags, delay=1.6 * T, current_bandwidth=bandwidth)
    cycles = np.array([1e-3, 0.0123, 0.2, 0.37])
    for t, measured in zip(cycles, gain(found, cycles * RATE), strict=True):
        z = np.exp(2j * np.pi * t)
        command = z**-found.delay
        drive = (found.newer + found.older / z) * command
        state = np.linalg.solve((z - 1.0) * np.eye(len(drive)) - found.increment, drive)
        parts = [(r.row @ state + command * (r.newer + r.older / z)) * z**-r.back for r in found.readings]
        # resonances near the circle take some digits of the solution
        assert measured == pytest.approx(sum(parts), rel=1e-9)


@pytest.mark.parametrize("load", [RIGID, FLEXIBLE])
@pytest.mark.parametrize("periods", [0.0, 0.4, 1.0, 1.7])
def test_step_of_torque_moves_the_load_as_the_continuous_axis_does(load, periods):
    axis = slow_loop.axis(load, Control(0.0, 0.0, delay=periods * T, current_bandwidth=700.0))
    found = discrete(load, delay=periods * T, current_bandwidth=700.0)
    matrix = slow_loop.continuous(load, axis.control.current_bandwidth)
    still, state = np.zeros(len(matrix)), np.zeros(len(found.states))
    still[-1] = 1.0
    for k in range(6):
        state = state + found.increment @ state
        state += found.newer * (k >= found.delay) + found.older * (k > found.delay)
    true = slow_loop.expm(matrix * (6.0 - periods) * T) @ still
    # two matrix exponentials of some ten steps each
    assert found.position @ state == pytest.approx(true[2 if load.flexible else 0], rel=1e-9)


@pytest.mark.parametrize("age", [0.25, 1.0, 1.9])
def test_late_reading_is_the_same_as_a_late_command(age):
    late = gain(discrete(FLEXIBLE, delay=age * T), [30.0, 800.0, 3000.0])
    read = gain(discrete(FLEXIBLE, lags=(age * T,)), [30.0, 800.0, 3000.0])
    np.testing.assert_allclose(read, late, rtol=1e-10)


def test_slow_frequencies_keep_their_digits():
    # 1/(J w**2) a billion times below the loop rate
    found, frequency = discrete(Load(1.0), rate=1e6), 1e-3
    assert gain(found, frequency, 1e6).real == pytest.approx(-1.0 / (2 * np.pi * frequency) ** 2, rel=1e-12)


def test_stribeck_friction_pushes_a_slow_axis():
    load = Load(1.0, stribeck=1.0, stribeck_speed=0.01)
    assert discrete(load, speed=0.005).increment[1, 1] > 0.0
    assert discrete(load, speed=1.0).increment[1, 1] == 0.0


@pytest.mark.parametrize("load", [RIGID, FLEXIBLE])
def test_torque_on_motor_and_load_speed_up_the_whole_axis_alike(load):
    found = discrete(load, rate=10.0)
    rest = [n for n, name in enumerate(found.states) if name == "velocity"]
    # a tenth of a second, many swings: the mean speed is the torque over the inertia, twist left aside
    weight = np.zeros(len(found.states))
    weight[rest] = load.total_inertia
    if load.flexible:
        weight[found.states.index("twist rate")] = load.inertia
    assert weight @ found.motor_torque == pytest.approx(0.1, rel=1e-9)
    assert weight @ found.load_torque == pytest.approx(0.1, rel=1e-9)


@pytest.mark.parametrize(
    "load",
    [
        Load(1e-15, viscous=1e12),
        Load(1e-9, stribeck=1.0, stribeck_speed=1e-9),
        Load(1.0, motor_inertia=1e-15, stiffness=1e15),
    ],
)
def test_load_too_light_for_what_acts_on_it_is_refused(load):
    with pytest.raises(InputError, match=r"Load.inertia must be large enough for friction and spring.*got"):
        discrete(load, speed=1e-9)


@pytest.mark.parametrize("time", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("friction", [0.0, 1e-6, 0.3, 40.0, 900.0, 1e7])
def test_transition_and_integral_are_those_of_the_matrix_exponential(friction, time):
    matrix = np.array([[0.0, 1.0, 0.0], [0.0, -friction, 1.0], [0.0, 0.0, -1.9]])
    grow, hold = plant._grow_and_hold(matrix, time)
    both = expm(np.block([[matrix, np.eye(3)], [np.zeros((3, 6))]]) * time)
    # either rounds entries beside stiff ones at some 1e-12 of their row
    np.testing.assert_allclose(grow, both[:3, :3] - np.eye(3), rtol=1e-10, atol=1e-15)
    np.testing.assert_allclose(hold, both[:3, 3:], rtol=1e-10, atol=1e-15)


@pytest.mark.parametrize("cycles", [1e-3, 0.3, 40.0, 2e3])
def test_swing_of_two_masses_keeps_its_phase_over_many_turns(cycles):
    matrix = np.array([[0.0, 1.0], [-((2.0 * np.pi * cycles) ** 2), 0.0]])
    grow, _ = plant._grow_and_hold(matrix, 1.0 + 0.125 / cycles)
    expected = np.cos(2.0 * np.pi * (cycles + 0.125))
    # rounding of the angle, 1e-16 of it, and of each doubling
    assert 1.0 + grow[0, 0] == pytest.approx(expected, abs=1e-13 * max(1.0, cycles))
