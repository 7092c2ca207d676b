import numpy as np
import pytest

from encsim import InputError
from encsim.calibration.readings import read_differences, read_error_map, read_passes, read_run_out, read_runs

ARCSEC = np.pi / 648_000.0


def table(steps, points, header="step_deg,angle_deg,difference_arcsec", closing=True, drop=()):
    """A table of made-up readings 100 j + i arcsec, a row a reading."""
    rows = [
        f"{step},{360.0 * i / points},{100 * j + i}"
        for j, step in enumerate(steps)
        for i in range(points + closing)
        if (j, i) not in drop
    ]
    return "\n".join([header, *rows])


def test_readings_of_each_step_become_a_row_in_the_order_they_come():
    found = read_differences(table([120, 0, 240], 4))
    np.testing.assert_allclose(found.steps, np.radians([120, 0, 240]), rtol=1e-15)
    expected = 100.0 * np.arange(3)[:, None] + np.arange(4)
    np.testing.assert_allclose(found.differences, expected * ARCSEC, rtol=1e-14, atol=0)
    np.testing.assert_allclose(found.closing, (100.0 * np.arange(3) + 4.0) * ARCSEC, rtol=1e-14)


def test_rows_may_come_in_any_order_and_the_closing_may_be_missing():
    lines = table([0, 30], 6, closing=False).splitlines()
    mixed = read_differences("\n".join([lines[0], *lines[:0:-1]]))
    assert mixed.closing is None
    plain = read_differences("\n".join(lines))
    np.testing.assert_array_equal(mixed.differences[::-1], plain.differences)


def test_a_closing_reading_of_some_steps_only_is_nan_for_the_others():
    found = read_differences(table([0, 30], 6, drop=[(0, 6)]))
    assert np.isnan(found.closing).tolist() == [True, False]


@pytest.mark.parametrize(
    "header",
    [
        "step_deg,angle_deg,difference_arcsec",
        "Step [deg],Angle [deg],Difference [arcsec]",
        'step (°),angle (deg),"difference (″)"',
        "\ufeffstep_deg,angle_deg,difference_arcsec",
    ],
)
def test_a_unit_may_follow_its_name_in_several_ways(header):
    found = read_differences(table([0, 90], 4, header))
    assert found.differences[1, 3] == pytest.approx(103.0 * ARCSEC)


def test_columns_may_have_any_unit_of_angle_and_others_may_stand_beside():
    text = "note;difference_urad;step_rad;angle_rad\n" + "\n".join(
        f"{9};{i};{j};{2.0 * np.pi * i / 3}" for j in range(2) for i in range(3)
    )
    np.testing.assert_allclose(read_differences(text).differences, [[0.0, 1e-6, 2e-6]] * 2, rtol=1e-14)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            table([0, 1], 4, "step,angle_deg,difference_arcsec"),
            r'line 1: column step must carry its unit .* "step"',
        ),
        (table([0, 1], 4, "step_deg,angle,difference_arcsec"), r"must carry its unit .*; as in angle_deg"),
        (
            table([0, 1], 4, "step_deg,angle_deg,difference_um"),
            r"column difference must have a unit of angle",
        ),
        (table([0, 1], 4, "step_deg,angle_deg,difference_arcs"), "did you mean .arcsec."),
        (table([0, 1], 4, "step_deg,angle_deg,other_arcsec"), 'just one column "difference", with its unit'),
        (table([0, 1], 4, "step_deg,step_rad,difference_arcsec"), 'just one column "step"'),
        (table([0, 1], 4, "1,2,3"), 'header must have just one column "step"'),
        ("", "readings must hold a header and rows of numbers, got .0 lines"),
        ("step_deg,angle_deg,difference_arcsec", "must hold a header and rows of numbers, got .1 lines"),
        (table([0, 1], 4) + "\n0,nan,3", "line 12: column 2 must be a finite number"),
        (table([0, 1], 4) + "\n0,5", "line 12: column 3 must be a finite number, got .2 columns"),
        (
            table([0, 1], 4, drop=[(1, 2)]),
            r"readings: step 1 deg must have 4 readings per revolution .*, got 3; leave out",
        ),
        (table([0, 1], 4).replace("180.0", "175.0"), "must have even angles from 0, 90 deg apart, got 175"),
    ],
)
def test_bad_tables_of_readings_are_refused(text, match):
    with pytest.raises(InputError, match=match):
        read_differences(text)


def test_all_missing_units_are_told_at_once():
    with pytest.raises(InputError, match="column step") as caught:
        read_differences(table([0, 1], 4, "step,angle,difference"), "ring.csv")
    assert [str(fault).split(" must")[0] for fault in caught.value.faults] == [
        f"ring.csv, line 1: column {name}" for name in ("step", "angle", "difference")
    ]


def test_an_error_map_needs_even_angles_over_one_turn():
    rows = "angle_deg,error_arcsec\n0,1\n120,2\n240,3"
    np.testing.assert_allclose(read_error_map(rows).error, np.array([1.0, 2.0, 3.0]) * ARCSEC)
    with pytest.raises(
        InputError, match="error map: angle must have even angles from 0, 90 deg apart over one turn"
    ):
        read_error_map(rows + "\n360,1")


def test_passes_are_parted_where_the_motion_turns_back():
    found = read_passes("reference_mm,shown_mm\n0,0\n1,1.001\n2,2\n1,0.999\n0,0\n")
    np.testing.assert_allclose(found.forward, [[0.0, 1e-3, 2e-3], [0.0, 1.001e-3, 2e-3]], rtol=1e-14)
    np.testing.assert_allclose(found.backward[0], [1e-3, 0.0])
    assert found.unit == "m"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("reference_mm,shown_deg\n0,0\n1,1\n0,0", "column shown must have a unit of length"),
        ("reference,shown_deg\n0,0\n1,1\n0,0", "column reference must carry its unit"),
        ("reference_deg,shown_deg\n0,0\n1,1\n2,2", "passes: reference must rise and then fall"),
    ],
)
def test_bad_passes_are_refused(text, match):
    with pytest.raises(InputError, match=match):
        read_passes(text)


def test_runs_to_targets_are_sorted_by_target_in_the_order_of_the_runs():
    found = read_runs("target_deg,forward_arcsec,backward_arcsec\n90,1,2\n0,3,4\n0,5,6\n90,7,8\n")
    np.testing.assert_allclose(found.target, [0.0, np.pi / 2.0])
    np.testing.assert_allclose(found.forward / ARCSEC, [[3.0, 1.0], [5.0, 7.0]])
    np.testing.assert_allclose(found.backward / ARCSEC, [[4.0, 2.0], [6.0, 8.0]])
    assert found.unit == "rad"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("target_mm,forward_um,backward\n0,1,2\n1,1,1", "column backward must carry its unit"),
        ("target_mm,forward_um,backward_um\n0,1,2\n0,1,1\n1,2,3", "target 0.001 m must have 2 runs"),
        ("target_mm,forward_um,backward_um\n0,1,nan\n1,1,1", "nan"),
    ],
)
def test_bad_runs_are_refused(text, match):
    with pytest.raises(InputError, match=match):
        read_runs(text)


@pytest.mark.parametrize(
    ("header", "source", "size"),
    [
        ("angle_deg,reading_um", "gauge", 1e-6),
        ("angle_deg;reading_mm", "gauge", 1e-3),
        ("angle_deg,difference_arcsec", "heads", ARCSEC),
    ],
)
def test_run_out_is_told_by_its_columns(header, source, size):
    mark = ";" if ";" in header else ","
    found = read_run_out("\n".join([header, *(mark.join(row) for row in (("0", "1"), ("90", "-2")))]))
    assert found.source == source
    np.testing.assert_allclose(found.readings, [size, -2.0 * size])
    np.testing.assert_allclose(found.angles, [0.0, np.pi / 2.0])


def test_axial_readings_come_along():
    found = read_run_out("angle_deg,reading_um,axial_um\n0,1,5\n90,2,6\n")
    np.testing.assert_allclose(found.axial, [5e-6, 6e-6])


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("angle_deg,reading\n0,1", "column reading must carry its unit"),
        ("angle_deg,reading_arcsec\n0,1", "column reading must have a unit of length"),
        ("step_deg,angle_deg,difference_deg\n0,1,2", "readings of one ring, not of two"),
        ("angle_deg,height_um\n0,1", 'just one column "reading"'),
        ("", "hold a header and rows of numbers"),
    ],
)
def test_bad_run_out_is_refused(text, match):
    with pytest.raises(InputError, match=match):
        read_run_out(text)
