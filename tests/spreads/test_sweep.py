"""`encsim.sweep`: the ripple for several values of keys, side by side."""

import numpy as np
import pytest

import encsim

STAGE = encsim.examples.load("stage_x")


def test_values_may_be_text_or_si_and_are_named_as_text():
    told = encsim.sweep(STAGE, {"sampling.rate": ["8 kHz", "16 kHz"]}, "1 mm/s, 10 mm/s")
    plain = encsim.sweep(STAGE, {"sampling.rate": (8e3, 16e3)}, [1e-3, 0.01])
    assert np.array_equal(told.values, plain.values)
    assert told.names == plain.names == ["sampling.rate = 8 kHz", "sampling.rate = 16 kHz"]


def test_column_of_the_present_value_is_the_ripple_of_the_axis():
    found = encsim.sweep(STAGE, {"interpolation.factor": [400, 4000]}, [1e-3, 0.01], "relative")
    assert np.array_equal(found.values[:, 1], encsim.ripple(STAGE, [1e-3, 0.01]).relative)
    assert found.units["values"] == "1"


@pytest.mark.parametrize(
    ("values", "of", "rule"),
    [
        ({}, "rms", r"sweep\.values must be keys with lists"),
        ({"sampling.rate": "8 kHz"}, "rms", r"sweep\.values\[sampling\.rate\] must be a list of values"),
        ({"sampling.rate": []}, "rms", "must be a list of values"),
        ({"sampling.rate": ["8 kHz"]}, "torque", r"sweep\.of must be"),
        ({"sampling.rat": ["8 kHz"]}, "rms", "sampling.rat"),
        ({"interpolation.factor": range(1, 1002)}, "rms", "at most 1000 combinations"),
    ],
)
def test_what_is_wrong_is_refused(values, of, rule):
    with pytest.raises(encsim.InputError, match=rule):
        encsim.sweep(STAGE, values, [0.01], of)
