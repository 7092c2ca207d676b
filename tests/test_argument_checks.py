"""Arguments of functions and commands: speeds as text."""

import itertools
import math

import pytest

from encsim import InputError
from encsim.argument_checks import parse_speeds


@pytest.mark.parametrize(("text", "unit", "ends", "number"), [
    ("0.1 mm/s : 1 m/s : 200", "m", (1e-4, 1.0), 200),
    ("0.3 rpm:3000 rpm:2", "rad", (0.01 * math.pi, 100 * math.pi), 2),
    ("1e-300 m/s : 1e300 m/s : 7", "m", (1e-300, 1e300), 7),
])  # fmt: skip
def test_a_range_of_speeds_is_logarithmic_with_exact_ends(text, unit, ends, number):
    speeds = parse_speeds(text, unit)
    assert (speeds[0], speeds[-1]) == ends
    assert len(speeds) == number
    steps = [math.log(b) - math.log(a) for a, b in itertools.pairwise(speeds)]
    # Logarithms up to 700 are good to 1e-13 each.
    assert max(steps) - min(steps) < 1e-12


def test_a_list_of_speeds_keeps_its_order_sign_and_zero():
    assert parse_speeds("2 mm/s, 0 m/s,-1 mm/s", "m") == (2e-3, 0.0, -1e-3)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("1 m/s : 0.1 mm/s : 20", "rise from a first speed above zero"),
        ("1 m/s : 1 m/s : 20", "rise from"),
        ("0 m/s : 1 m/s : 20", "rise from"),
        ("-1 m/s : 1 m/s : 20", "rise from"),
        ("1 mm/s : 1 m/s", "three parts"),
        ("1 mm/s : 1 m/s : 3 : 4", "three parts"),
        ("1 mm/s : 1 m/s : 1", 'whole number of points from 2 to 1000000, got "1"'),
        ("1 mm/s : 1 m/s : 2.5", "whole number of points"),
        ("1 mm/s : 1 m/s : 1000001", "whole number of points"),
        ("1 mm/s : 1 m/s : 99999999999", "whole number of points"),
        ("1 mm/s : 1 m/s : ", "whole number of points"),
        ("1 mm/s : 1 m/s : 3, 2 m/s", "whole number of points"),
        ("1 : 2 m/s : 3", "unit of linear speed"),
        ("1 rpm : 2 rpm : 3", "is a unit of rotary speed"),
        ("1 mm/s,,2 mm/s", "number and a unit"),
        ("1 mm/s,", "number and a unit"),
        ("3", "unit of linear speed"),
        ("", "list or a range of speeds"),
        (5, "list or a range of speeds"),
    ],
)
def test_speeds_that_make_no_sense_are_refused(text, match):
    with pytest.raises(InputError, match=match):
        parse_speeds(text, "m")
