"""Descriptions of load and controller, and what they refuse."""

import copy
import math
import pickle

import pytest

from encsim import InputError
from encsim.model import load_and_control
from encsim.model.load_and_control import Control, Load, Notch

TWO = {"motor_inertia": 1e-4, "stiffness": 120.0}


def test_resonance_is_the_antiresonance_times_the_root_of_one_plus_the_inertia_ratio():
    # two-inertia formulas, e.g. Ellis, Control System Design Guide (from memory)
    load = Load(4e-4, **TWO)
    assert load.antiresonance == pytest.approx(math.sqrt(120.0 / 4e-4) / (2.0 * math.pi), rel=1e-15)
    assert load.resonance / load.antiresonance == pytest.approx(2.23606797749979, rel=1e-12)


def test_motor_inertia_adds_to_a_rigid_load_and_there_is_no_resonance():
    load = Load(4e-4, motor_inertia=1e-4)
    assert load.total_inertia == pytest.approx(5e-4, rel=1e-15)
    assert not load.flexible
    assert math.isnan(load.resonance)


@pytest.mark.parametrize("speed", [1e-3, -0.02, 0.3])
def test_friction_slope_is_the_derivative_of_the_friction_curve(speed):
    load = Load(1.0, viscous=0.2, coulomb=1.0, stribeck=0.5, stribeck_speed=0.02)

    def friction(v):
        return math.copysign(1.0 + 0.5 * math.exp(-((v / 0.02) ** 2)), v) + 0.2 * v

    step = 1e-6 * abs(speed)
    slope = (friction(speed + step) - friction(speed - step)) / (2.0 * step)
    # rounding 1e-16 of 1.5 over a step of 1e-9 at the slowest
    assert load.friction_slope(speed) == pytest.approx(slope, rel=1e-6, abs=1e-6)


def test_friction_slope_is_viscous_at_standstill_and_far_above_the_stribeck_speed():
    load = Load(1.0, viscous=0.2, stribeck=0.5, stribeck_speed=1e-9)
    assert load.friction_slope(0.0) == load.friction_slope(1e9) == 0.2


def test_cogging_is_kept_in_ascending_order_with_phases():
    load = Load(1.0, cogging={24: 0.1, 31.25: (0.2, 0.5), 6: 0.3})
    assert list(load.cogging.items()) == [(6, (0.3, 0.0)), (24, (0.1, 0.0)), (31.25, (0.2, 0.5))]
    assert isinstance(next(iter(load.cogging)), int)


@pytest.mark.parametrize(
    "one", [Load(1.0, cogging={6: 0.1}), Control(10.0, 1.0, notch=[Notch(100.0)]), Notch(order=2)]
)
def test_descriptions_copy_pickle_and_hash(one):
    assert pickle.loads(pickle.dumps(one)) == copy.deepcopy(one) == one
    assert hash(one) == hash(copy.copy(one))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"inertia": 0.0}, r"Load.inertia must be positive and finite, got 0.0 kg m2 or kg"),
        ({"inertia": -1.0}, r"Load.inertia must be positive"),
        ({"inertia": math.nan}, r"Load.inertia must be positive and finite, got nan"),
        ({"inertia": True}, r"Load.inertia must be positive"),
        ({"inertia": 1e99}, r"Load.inertia must lie from 1e-15 to 1e\+12"),
        ({"stiffness": -5.0, "motor_inertia": 1.0}, r"Load.stiffness must be positive and finite, got -5.0"),
        ({"stiffness": 5.0}, r"Load.motor_inertia must be given with a stiffness"),
        ({"damping": 5.0}, r"Load.damping must be zero without a stiffness, got 5.0"),
        ({"viscous": -1.0}, r"Load.viscous must be zero or more"),
        ({"coulomb": math.inf}, r"Load.coulomb must be zero or more and finite"),
        ({"stribeck": 1.0}, r"Load.stribeck_speed must be given with stribeck"),
        ({"force": "1 N"}, r'Load.force must lie from -1e\+15 to 1e\+15, got "1 N"'),
        ({"encoder": "shaft"}, r'Load.encoder must be "motor" or "load", got "shaft"'),
        ({"cogging": [1]}, r"Load.cogging must be a mapping"),
        ({"cogging": {0: 1.0}}, r"Load.cogging must have orders above 0"),
        ({"cogging": {6: -1.0}}, r"Load.cogging.6 must be an amplitude of zero or more"),
        ({"cogging": {6: (1.0, 2.0, 3.0)}}, r"Load.cogging.6 must be an amplitude"),
        ({"torque_constant": 0.0}, r"Load.torque_constant must be positive"),
    ],
)
def test_load_names_field_value_and_rule(given, message):
    with pytest.raises(InputError, match=message):
        Load(**({"inertia": 1.0} | given))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"position_gain": -1.0}, r"Control.position_gain must be zero or more and finite, got -1.0 1/s"),
        ({"velocity_gain": math.inf}, r"Control.velocity_gain must be zero or more and finite"),
        ({"integral_time": 0.0}, r"Control.integral_time must be positive and finite, got 0.0 s"),
        ({"delay": 1.5}, r"Control.delay must lie from 0 to 1 s, got 1.5 s"),
        ({"delay": -1e-6}, r"Control.delay must lie from 0 to 1 s"),
        ({"current_bandwidth": -1.0}, r"Control.current_bandwidth must be positive"),
        ({"velocity_feedforward": 11.0}, r"Control.velocity_feedforward must lie from -10 to 10"),
        ({"acceleration_feedforward": -1.0}, r"Control.acceleration_feedforward must be zero or more"),
        ({"torque_limit": 0.0}, r"Control.torque_limit must be positive"),
        ({"notch": 100.0}, r"Control.notch must be a Notch or a sequence"),
        ({"notch": [Notch(1.0)] * 9}, r"Control.notch must be at most 8, got 9"),
        ({"lowpass": [1.0]}, r"Control.lowpass must be positive"),
    ],
)
def test_control_names_field_value_and_rule(given, message):
    with pytest.raises(InputError, match=message):
        Control(**({"position_gain": 10.0, "velocity_gain": 1.0} | given))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, r"Notch.frequency must be given, or else order"),
        ({"frequency": 1.0, "order": 1.0}, r"Notch.frequency must be given, or else order"),
        ({"frequency": 0.0}, r"Notch.frequency must be positive"),
        ({"frequency": 1.0, "damping": 0.0}, r"Notch.damping must be positive"),
        ({"frequency": 1.0, "depth": 1.1}, r"Notch.depth must lie from 0 to 1, got 1.1"),
    ],
)
def test_notch_names_field_value_and_rule(given, message):
    with pytest.raises(InputError, match=message):
        Notch(**given)


def test_all_faults_are_named_at_once():
    with pytest.raises(InputError) as caught:
        Load(0.0, viscous=-1.0, encoder="x")
    assert len(caught.value.faults) == 3


def test_one_notch_is_as_good_as_a_sequence():
    assert Control(1.0, 1.0, notch=Notch(50.0)).notch == (Notch(50.0),)


def test_filters_from_half_the_loop_rate_on_are_faults():
    control = Control(1.0, 1.0, notch=[Notch(100.0), Notch(500.0)], lowpass=600.0)
    faults = load_and_control.rate_faults(control, 1000.0)
    assert [fault.field for fault in faults] == ["Control.notch.1.frequency", "Control.lowpass"]
    assert "must stay below half the loop rate, 500 Hz, got 500.0 Hz" in str(faults[0])
    assert not load_and_control.rate_faults(control, 2000.0)


@pytest.mark.parametrize("word", ["starting points", "overspeed", "vertical", "documentation", "qualified"])
def test_cautions_speak_of_what_can_go_wrong(word):
    assert any(word in sentence.lower() for sentence in load_and_control.CAUTIONS)
