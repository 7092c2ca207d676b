"""Speeds given as text with a unit, and a file's name where an axis belongs."""

import numpy as np
import pytest

import encsim
from encsim.units import parse_speeds

AXIS = encsim.Axis(
    encsim.Scale(period=20e-6), signal=encsim.Signal(gain=0.02, jitter=1e-9), sampling=encsim.Sampling(16e3)
)
TABLE = encsim.Axis(encsim.Scale(lines=9000), signal=encsim.Signal(gain=0.02), sampling=encsim.Sampling(16e3))


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("10 mm/s", 0.01),
        (["1 mm/s", "10 mm/s"], [1e-3, 0.01]),
        (("1 mm/s", 0.01), [1e-3, 0.01]),
        ("1 mm/s, 10 mm/s", [1e-3, 0.01]),
        ("1 mm/s : 1 m/s : 7", parse_speeds("1 mm/s : 1 m/s : 7", "m")),
    ],
)
def test_speeds_with_units_give_the_numbers_of_si_speeds(text, numbers):
    told, plain = encsim.ripple(AXIS, text), encsim.ripple(AXIS, numbers)
    assert np.array_equal(told.speed, plain.speed)
    assert np.array_equal(told.rms, plain.rms)


def test_speeds_of_a_rotary_axis_are_read_in_its_units():
    assert encsim.ripple(TABLE, ["30 rpm", "0.5 rev/s"]).speed == pytest.approx([np.pi, np.pi], rel=1e-15)


@pytest.mark.parametrize(
    "call",
    [
        lambda speed: encsim.simulate(AXIS, speed, 50).velocity,
        lambda speed: encsim.lines(AXIS, speed).velocity,
        lambda speed: encsim.position_error(AXIS, speed).error,
        lambda speed: encsim.frontier(AXIS, speed, [encsim.Difference(4)]).rms,
        lambda speed: encsim.worst_start(AXIS, speed).start,
    ],
)
def test_every_function_of_one_speed_takes_it_as_text(call):
    assert np.array_equal(call("10 mm/s"), call(0.01))


@pytest.mark.parametrize(
    ("speeds", "rule"),
    [
        ("10", "ripple.speeds must have a unit of linear speed"),
        (["1 mm/s", "3 rpm"], '"rpm" is a unit of rotary speed'),
        ("fast", "ripple.speeds must be a number and a unit of linear speed"),
        ("1 m/s : 1 mm/s : 5", "rise from a first speed"),
        ([[]], "at least one number"),
    ],
)
def test_text_that_is_no_speed_is_refused(speeds, rule):
    with pytest.raises(encsim.InputError, match=rule):
        encsim.ripple(AXIS, speeds)
