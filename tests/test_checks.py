"""Faults as text, and the checks behind them."""

import copy
import decimal
import fractions
import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from encsim import checks
from encsim.checks import NOTHING, Fault, InputError


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (Fault("Scale.period", "be positive", -1, "m"), "Scale.period must be positive, got -1 m"),
        (Fault("a", "be b", "x"), 'a must be b, got "x"'),
        (Fault("a", "be b", "x", "m"), 'a must be b, got "x"'),
        (Fault("a", "be b", None, "m"), "a must be b, got None"),
        (Fault("a", "be b", NOTHING), "a must be b, got nothing"),
        (Fault("a", "be b", 1, hint="do c"), "a must be b, got 1; do c"),
        (Fault("a", "be b", 1, line=3), "line 3: a must be b, got 1"),
        (Fault("a", "be b", 1, line=3, source="f.toml"), "f.toml, line 3: a must be b, got 1"),
        (Fault("a", "be b", 1, source="f\n.toml"), r"f\n.toml: a must be b, got 1"),
        (Fault("a", "be b", "x\ny"), r'a must be b, got "x\ny"'),
        (Fault("a", "be b", 10**5000), "a must be b, got int too large to show"),
        (Fault("a", "be b", "x" * 99), f'a must be b, got "{"x" * 77}..."'),
    ],
)
def test_a_fault_is_one_line_of_place_field_rule_value_and_hint(fault, text):
    assert str(fault) == text


def test_a_nest_too_deep_to_show_is_named():
    value = []
    for _ in range(100_000):
        value = [value]
    assert str(Fault("a", "be b", value)) == "a must be b, got list too large to show"


@given(st.text(), st.text(max_size=100), st.text(max_size=300))
@settings(max_examples=200, deadline=None, derandomize=True, database=None)
def test_a_fault_of_any_text_is_one_printable_line(value, field, source):
    assert str(Fault(field, "be b", value, source=source)).isprintable()


def test_an_error_lists_its_faults_and_survives_pickling():
    error = InputError(Fault("a", "be b", 1), Fault("c", "be d", NOTHING, line=4))
    copied = pickle.loads(pickle.dumps(error))
    assert isinstance(error, ValueError)
    assert str(copied) == str(error) == "a must be b, got 1\nline 4: c must be d, got nothing"
    assert copy.deepcopy(NOTHING) is NOTHING


@pytest.mark.parametrize(
    ("value", "real"),
    [
        (1, True), (-0.0, True), (np.float32(1.5), True), (np.int64(3), True), (fractions.Fraction(1, 3), True),
        (True, False), (np.True_, False), (math.nan, False), (math.inf, False), (10**400, False), ("1", False),
        (None, False), ([1], False), (1j, False), (decimal.Decimal(1), False), (np.array(1.0), False),
    ],
)  # fmt: skip
def test_only_finite_real_numbers_count_as_numbers(value, real):
    assert checks.is_real(value) is real


@pytest.mark.parametrize(
    ("value", "whole"), [(1, True), (np.int8(1), True), (True, False), (1.0, False), ("1", False)]
)
def test_only_integers_count_as_whole(value, whole):
    assert checks.is_whole(value) is whole


class _Owner:
    def __init__(self, value):
        self.value = value


@pytest.mark.parametrize("value", [1, 2.5, 4])
def test_a_good_number_is_stored_as_a_float(value):
    owner = _Owner(value)
    check = checks.Check(owner)
    check.number("value", low=1.0, high=4.0)
    check.done()
    assert type(owner.value) is float


@pytest.mark.parametrize(
    ("value", "faults"), [(0, 1), (-1, 1), (1e-4, 1), (1e-3, 0), (1e3, 0), (1e4, 1), (None, 0), ("a", 1)]
)
def test_a_number_out_of_a_sensible_range_is_one_fault(value, faults):
    check = checks.Check(_Owner(value))
    check.positive("value", optional=True, within=(1e-3, 1e3))
    assert len(check.faults) == faults


def test_refuse_raises_one_fault():
    with pytest.raises(InputError, match=r"^a must be b, got 3 m; do c$"):
        checks.refuse("a", "be b", 3, "m", "do c")
