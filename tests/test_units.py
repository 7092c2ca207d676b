"""Text with units: exact decimals, one rounding, round trips, and every error."""

import itertools
import math
import random
import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from encsim import InputError, units, wording

BOUNDED = settings(max_examples=300, deadline=None, derandomize=True, database=None)
WRITABLE = sorted(units.DIMENSIONS.keys() - {"position"})


def _inverse_arctangent(n, terms=60):
    return sum(Fraction((-1) ** k, (2 * k + 1) * n ** (2 * k + 1)) for k in range(terms))


# Machin's formula, 60 terms: good to some 80 digits, and independent of the constant in the module.
PI = 16 * _inverse_arctangent(5) - 4 * _inverse_arctangent(239)

SIZES = {
    "nm": Fraction(1, 10**9), "um": Fraction(1, 10**6), "mm": Fraction(1, 1000), "m": Fraction(1),
    "deg": PI / 180, "arcsec": PI / 648_000, "mrad": Fraction(1, 1000), "urad": Fraction(1, 10**6), "rad": Fraction(1),
    "ns": Fraction(1, 10**9), "us": Fraction(1, 10**6), "ms": Fraction(1, 1000), "s": Fraction(1),
    "Hz": Fraction(1), "kHz": Fraction(1000), "MHz": Fraction(10**6),
    "m/s": Fraction(1), "mm/s": Fraction(1, 1000), "um/s": Fraction(1, 10**6), "m/min": Fraction(1, 60),
    "mm/min": Fraction(1, 60_000), "rad/s": Fraction(1), "deg/s": PI / 180, "rpm": PI / 30, "1/s": Fraction(1),
    "rev": 2 * PI, "rev/s": 2 * PI, "rpm/s": PI / 30,
    "m/s3": Fraction(1), "mm/s3": Fraction(1, 1000), "rad/s3": Fraction(1), "deg/s3": PI / 180,
    "g": Fraction(1, 1000), "kg": Fraction(1), "t": Fraction(1000), "kg m2": Fraction(1),
    "kg cm2": Fraction(1, 10**4), "kg mm2": Fraction(1, 10**6), "g m2": Fraction(1, 1000), "g cm2": Fraction(1, 10**7),
    "N": Fraction(1), "mN": Fraction(1, 1000), "kN": Fraction(1000), "N m": Fraction(1), "mN m": Fraction(1, 1000),
    "N cm": Fraction(1, 100), "N mm": Fraction(1, 1000), "kN m": Fraction(1000), "N s/m": Fraction(1),
    "N/(m/s)": Fraction(1), "kN s/m": Fraction(1000), "N s/mm": Fraction(1000), "N m s/rad": Fraction(1),
    "N m/(rad/s)": Fraction(1), "mN m s/rad": Fraction(1, 1000), "N m/rpm": 30 / PI, "N/m": Fraction(1),
    "N/mm": Fraction(1000), "N/um": Fraction(10**6), "kN/m": Fraction(1000), "N m/rad": Fraction(1),
    "kN m/rad": Fraction(1000), "N m/deg": 180 / PI, "N/A": Fraction(1), "N m/A": Fraction(1),
    "mN m/A": Fraction(1, 1000),
}  # fmt: skip
CASES = [(unit, name) for name in WRITABLE for unit in units.DIMENSIONS[name].units if unit in SIZES]


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("20 um", "length", 20e-6),
        ("20um", "length", 20e-6),
        ("20 µm", "length", 20e-6),
        ("20 μm", "length", 20e-6),
        ("20\u202fµm", "length", 20e-6),
        ("  0.02 mm ", "length", 20e-6),
        ("2e4 nm", "length", 20e-6),
        (".5 nm", "position(m)", 0.5e-9),
        ("5. m", "length", 5.0),
        ("+16 kHz", "frequency", 16e3),
        ("0.1 mm/s", "speed(m/s)", 1e-4),
        ("-2 mm/s", "speed(m/s)", -2e-3),
        ("−2 mm/s", "speed(m/s)", -2e-3),
        ("6 m/min", "speed(m/s)", 0.1),
        ("180 deg", "angle", math.pi),
        ("180°", "angle", math.pi),
        ("648000″", "angle", math.pi),
        ("30 rpm", "speed(rad/s)", math.pi),
        ("0.5 rev/s", "speed(rad/s)", math.pi),
        ("0.5 rev", "position(rad)", math.pi),
        ("30 rpm/s", "acceleration(rad/s2)", math.pi),
        ("180 °/s", "speed(rad/s)", math.pi),
        ("10 mrad", "angle", 0.01),
        ("20 ns", "time", 20e-9),
        ("20 µs", "time", 20e-6),
        ("200 1/s", "rate", 200.0),
        ("0 um", "length", 0.0),
        ("0e400 um", "length", 0.0),
        ("12 kgcm²", "inertia(rad)", 12e-4),
        ("12 kg·cm^2", "inertia(rad)", 12e-4),
        ("3 N·m", "torque(rad)", 3.0),
        ("3 mNm", "torque", 3e-3),
        ("8 Nms/rad", "torque per speed(rad)", 8.0),
        ("8  N m  s/rad", "torque per speed(rad)", 8.0),
        ("8 Nm/(rad/s)", "torque per speed(rad)", 8.0),
        ("2 kNs/m", "torque per speed(m)", 2e3),
        ("40 N/µm", "stiffness(m)", 40e6),
        ("20 kNm/rad", "stiffness(rad)", 2e4),
        ("60/s", "rate", 60.0),
        ("5 nm", "position", 5e-9),
        ("5 mrad", "position", 5e-3),
    ],
)
def test_text_is_read_as_exactly_the_float_of_its_decimal(text, dimension, value):
    assert units.parse(text, dimension) == value


def test_every_unit_rounds_once():
    chance = random.Random(1)
    for unit, dimension in CASES:
        for _ in range(25):
            mantissa, exponent = chance.randint(1, 10 ** chance.randint(1, 18)), chance.randint(-30, 10)
            # float() of a Fraction rounds correctly.
            expected = float(mantissa * Fraction(10) ** exponent * SIZES[unit])
            assert units.parse(f"{mantissa}e{exponent} {unit}", dimension) == expected, (mantissa, unit)


def test_every_unit_of_a_closed_loop_has_its_size_here():
    loop = [name for name in units.DIMENSIONS if re.match("inertia|torque|stiffness", name)]
    assert {unit for name in loop for unit in units.DIMENSIONS[name].units} <= SIZES.keys()


@pytest.mark.parametrize(
    ("text", "unit", "chosen"),
    [
        ("kg m2 or kg", "rad", "kg m2"),
        ("kg m2 or kg", "m", "kg"),
        ("m or rad", "rad", "rad"),
        ("N m s/rad or N s/m", "m", "N s/m"),
        ("m or rad", None, "m or rad"),
        ("counts", "m", "counts"),
        ("", "m", ""),
    ],
)
def test_a_unit_of_either_scale_becomes_that_of_one(text, unit, chosen):
    assert units.unit_on_scale(text, unit) == chosen


@pytest.mark.parametrize("text", ["5 arcsec", "0.123456789 arcsec", "3600 arcsec", "1e-9 arcsec"])
def test_arcseconds_round_once(text):
    assert units.parse(text, "angle") == float(Fraction(text.split()[0]) * PI / 648_000)


def test_one_radian_is_206264_806247_arcseconds():
    # By definition, 648000/pi, here to 12 digits.
    assert math.isclose(1.0 / units.parse("1 arcsec", "angle"), 206264.806247, rel_tol=1e-11)


def test_thirty_thousand_rpm_is_five_million_counts_a_second_of_2500_lines():
    # Top speed for a count-rate limit f, 60 f/(4 N) rpm: common practice, no source.
    turns = units.parse("30000 rpm", "speed(rad/s)") / (2.0 * math.pi)
    assert math.isclose(turns * 4 * 2500, 5e6, rel_tol=1e-15)


@pytest.mark.parametrize(("text", "length"), [("0.5 nm", "1/2000000000"), ("40 µm", "1/25000")])
@pytest.mark.parametrize("diameter", [0.1, 0.0573, 3.0])
def test_length_along_the_rim_is_turned_into_an_angle_with_one_rounding(text, length, diameter):
    expected = float(Fraction(length) * 2 / Fraction(diameter))
    assert units.parse(text, "position(rad)", diameter=diameter) == expected


@pytest.mark.parametrize(
    ("text", "dimension", "match"),
    [
        (
            "20",
            "length",
            r'^value must have a unit of length \(nm, um, mm, m, pm\), got "20"; as in "20 um"$',
        ),
        ("20 micr", "length", "must have a unit of length"),
        ("8 khz", "frequency", 'did you mean "kHz"'),
        ("8 MHZ", "frequency", 'did you mean "MHz"'),
        ("3 arcsek", "angle", 'did you mean "arcsec"'),
        ("20 ms", "length", '"ms" is a unit of time'),
        ("20 um", "time", '"um" is a unit of length'),
        ("3 mm/s", "speed(rad/s)", '"mm/s" is a unit of linear speed'),
        ("3 rpm", "speed(m/s)", '"rpm" is a unit of rotary speed'),
        ("5 nm", "position(rad)", "a length along the rim needs scale.diameter"),
        ("5 mrad", "position(m)", '"mrad" is a unit of angle'),
        ("5 s", "position", "unit of length or angle"),
        ("0,5 mm", "length", "decimals need a point"),
        ("1 000 Hz", "frequency", "must have a unit of frequency"),
        ("2 %", "angle", "must have a unit of angle"),
        ("10^2 um", "length", "must have a unit of length"),
        ("5² m", "length", "must have a unit of length"),
        ("5 m m", "length", 'did you mean "mm"'),
        ("5 kg", "inertia(rad)", r'unit of inertia \(kg m2, .*"kg" is a unit of mass'),
        ("5 kg m2", "inertia(m)", r'unit of mass \(g, kg, t\), .*"kg m2" is a unit of inertia'),
        ("5 N", "torque(rad)", 'unit of torque .*"N" is a unit of force'),
        ("5 N m", "torque(m)", 'unit of force .*"N m" is a unit of torque'),
        ("5 N s/m", "torque per speed(rad)", '"N s/m" is a unit of force per speed'),
        ("5 N/m", "stiffness(rad)", '"N/m" is a unit of linear stiffness'),
        ("5 N/A", "torque per current(rad)", '"N/A" is a unit of force per current'),
        ("5 m N m", "torque(rad)", 'did you mean "mN m"'),
        ("60 Hz", "rate", '"Hz" is a unit of frequency'),
        ("5 s", "inertia", "unit of mass or inertia"),
        ("nan um", "length", "must be a number and a unit of length"),
        ("inf Hz", "frequency", "must be a number and a unit"),
        ("um", "length", "must be a number and a unit"),
        ("", "time", "must be a number and a unit"),
        ("- 5 um", "length", "must be a number and a unit"),
        ("0x5 um", "length", "must have a unit of length"),
        ("٥ um", "length", "must be a number and a unit"),
        ("1_000 um", "length", "must have a unit of length"),
        ("1e999 m", "length", "a float can hold"),
        ("1e-999 m", "length", "a float can hold"),
        ("1e999999999999 m", "length", "must be a number and a unit"),
        ("9" * 500 + " m", "length", "must be a number and a unit"),
        (20, "length", "must be text with a unit of length, got 20"),
        (None, "time", "must be text with a unit of time, got None"),
        (True, "time", "must be text with a unit of time, got True"),
    ],
)
def test_text_that_is_no_such_quantity_is_refused(text, dimension, match):
    with pytest.raises(InputError, match=match):
        units.parse(text, dimension)


def test_an_error_names_the_field_it_is_given():
    with pytest.raises(InputError, match=r"^--speed must have"):
        units.parse("3", "speed(m/s)", "--speed")


@given(st.text(max_size=30), st.sampled_from(sorted(units.DIMENSIONS)))
@BOUNDED
def test_any_text_is_a_finite_number_or_an_input_error(text, dimension):
    try:
        found = units.parse(text, dimension)
    except InputError as error:
        found = len(str(error)) if str(error).isprintable() else math.nan
    assert math.isfinite(found)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(WRITABLE))
@BOUNDED
def test_written_text_is_read_as_exactly_the_same_float(value, dimension):
    assert units.parse(units.write(value, dimension), dimension) == value


@given(st.integers(1, 999), st.sampled_from([case for case in CASES if case[0] not in units._READ_ONLY]))
@BOUNDED
def test_a_short_decimal_is_written_as_short_as_it_was_given(number, case):
    unit, dimension = case
    digits = len(
        units.write(units.parse(f"{number} {unit}", dimension), dimension)
        .split()[0]
        .replace(".", "")
        .strip("0")
    )
    assert digits <= len(str(number).strip("0"))


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (20e-6, "length", "20 um"),
        (0.5e-9, "position(m)", "0.5 nm"),
        (16e3, "frequency", "16 kHz"),
        (300.0, "frequency", "300 Hz"),
        (0.01, "angle", "10 mrad"),
        (math.radians(17), "angle", "17 deg"),
        (1e-4, "speed(m/s)", "100 um/s"),
        (100 * math.pi, "speed(rad/s)", "3000 rpm"),
        (20e-9, "time", "20 ns"),
        (0.0, "length", "0 m"),
        (1.0 / 3.0, "length", "333.3333333333333 mm"),
    ],
)
def test_written_text_is_the_one_a_person_would_write(value, dimension, text):
    assert units.write(value, dimension) == text


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_no_text_is_written_for_what_is_not_finite(value):
    with pytest.raises(InputError, match="must be finite"):
        units.write(value, "length")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (35.6e-9, "m", "35.6 nm"),
        (1e-3, "m/s", "1.00 mm/s"),
        (-20e-6, "m", "-20.0 µm"),
        (999.6e-9, "m", "1.00 µm"),
        (999.4e-9, "m", "999 nm"),
        (0.0, "m", "0 m"),
        (0.0, "rad", "0 rad"),
        (0.0, "1", "0"),
        (0.0, "%", "0 %"),
        (1e-20, "m", "10.0e-9 pm"),
        (math.radians(12.4 / 3600), "rad", "12.4 arcsec"),
        (math.radians(0.005 / 3600), "rad", "24.2 nrad"),
        (math.radians(1.5), "rad", "1.50 deg"),
        (100 * math.pi, "rad/s", "3000 rpm"),
        (math.radians(2.5), "rad/s", "0.417 rpm"),
        (math.radians(20 / 3600), "rad/s", "0.000926 rpm"),
        (16e3, "Hz", "16.0 kHz"),
        (12345.0, "s", "12300 s"),
        (0.0123, "%", "1.23 %"),
        (3.0, "1", "3.00"),
        (0.00123, "1", "0.00123"),
        (3.0, "counts", "3.00 counts"),
        (math.inf, "m/s", "∞ mm/s"),
        (-math.inf, "m/s", "-∞ mm/s"),
        (math.nan, "m", "–"),
    ],
)
def test_shown_values_have_three_digits_and_a_handy_unit(value, unit, text):
    assert wording.show(value, unit) == text


@pytest.mark.parametrize(
    ("value", "si", "typed", "text"),
    [
        (100.0 * math.pi, "rad/s", "arcsec/s", "64.8e6 arcsec/s"),
        (1e-9, "rad/s", "rpm", "9.55e-9 rpm"),
        (1e-8, "m/s", "m/min", "600e-9 m/min"),
        # of a unit with an SI prefix only the prefix changes
        (1e-8, "m/s", "m/s", "10.0 nm/s"),
        (2e3, "m/s", "um/s", "2.00 km/s"),
    ],
)
def test_a_typed_unit_stays_however_long_the_number(value, si, typed, text):
    with wording.chosen({si: typed}):
        assert wording.show(value, si) == text


@given(st.floats(1e-12, 1e3), st.sampled_from(["m", "Hz", "s", "m/s", "rad", "rad/s"]))
@BOUNDED
def test_shown_text_reads_back_to_half_a_unit_of_its_third_digit(value, unit):
    dimension = {"m": "length", "Hz": "frequency", "s": "time", "rad": "angle"}.get(unit, f"speed({unit})")
    shown = wording.show(value, unit)
    if wording.display_unit(value, unit)[1] not in ("mHz", "km", "km/s", "pm/s", "nrad/s"):
        assert abs(units.parse(shown, dimension) / value - 1.0) <= 0.0050001


@pytest.mark.parametrize(("text", "unit", "ends", "number"), [
    ("0.1 mm/s : 1 m/s : 200", "m", (1e-4, 1.0), 200),
    ("0.3 rpm:3000 rpm:2", "rad", (0.01 * math.pi, 100 * math.pi), 2),
    ("1e-300 m/s : 1e300 m/s : 7", "m", (1e-300, 1e300), 7),
])  # fmt: skip
def test_a_range_of_speeds_is_logarithmic_with_exact_ends(text, unit, ends, number):
    speeds = units.parse_speeds(text, unit)
    assert (speeds[0], speeds[-1]) == ends
    assert len(speeds) == number
    steps = [math.log(b) - math.log(a) for a, b in itertools.pairwise(speeds)]
    # Logarithms up to 700 are good to 1e-13 each.
    assert max(steps) - min(steps) < 1e-12


def test_a_list_of_speeds_keeps_its_order_sign_and_zero():
    assert units.parse_speeds("2 mm/s, 0 m/s,-1 mm/s", "m") == (2e-3, 0.0, -1e-3)


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
        units.parse_speeds(text, "m")
