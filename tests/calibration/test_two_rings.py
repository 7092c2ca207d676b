import functools
import re

import numpy as np
import pytest

from encsim import InputError
from encsim.calibration import least_squares
from encsim.calibration.plan import calibration_plan
from encsim.calibration.two_rings import calibrate

TAU = 2.0 * np.pi
ARCSEC = np.pi / 648_000.0


def equal_steps(count):
    return TAU * np.arange(count) / count


def turned(b, psi):
    """b(theta - psi) for a map of orders up to half its points, the last one a cosine."""
    spectrum = np.fft.rfft(b)
    return np.fft.irfft(spectrum * np.exp(-1j * np.arange(len(spectrum)) * psi), len(b))


def random_map(rng, points, without=()):
    spectrum = np.fft.rfft(rng.standard_normal(points))
    spectrum[[0, *without]] = 0.0
    return np.fft.irfft(spectrum, points)


def readings(a, b, steps, noise=0.0, rng=None):
    """What two rings with the maps a and b show, each step with a constant of its own."""
    clean = [a - turned(b, psi) + 0.3 * j for j, psi in enumerate(steps)]
    return np.array(clean) + (noise * rng.standard_normal((len(steps), len(a))) if noise else 0.0)


def design_matrix(steps, points, drift):
    """Every reading as a row over all points of a, of b, and the constants: the slow twin."""
    ones, rows = np.ones((points, 1)), np.eye(points)
    shifts = [
        turned(rows[0], psi)[(np.subtract.outer(range(points), range(points))) % points] for psi in steps
    ]
    constants = np.kron(np.eye(len(steps)), ones) if drift else np.tile(ones, (len(steps), 1))
    return np.hstack([np.tile(rows, (len(steps), 1)), -np.vstack(shifts), constants])


STEPS = {
    "equal": (equal_steps(5), 60),
    "odd points": (equal_steps(4), 31),
    "half a turn": (equal_steps(6)[:4], 48),
    "free angles": (np.array([0.1, 0.9, 2.2, -1.3]), 40),
    "repeated": (np.array([0.0, 1.0, 0.0, 1.0]), 24),
    "last order unseen": (np.array([-0.7, 0.7]), 20),
}


@pytest.mark.parametrize(("steps", "points"), STEPS.values(), ids=STEPS)
def test_maps_without_noise_come_back(steps, points):
    rng = np.random.default_rng(5)
    lost = calibration_plan(steps, points).lost
    a, b = random_map(rng, points, lost), random_map(rng, points, lost)
    found = calibrate(readings(a, b, steps), steps)
    # 1e-10: rounding, magnified by no order here more than a hundredfold.
    np.testing.assert_allclose([found.a, found.b], [a, b], atol=1e-10)
    np.testing.assert_allclose(found.offset, 0.3 * np.arange(len(steps)), atol=1e-12)


@pytest.mark.parametrize("drift", [True, False])
@pytest.mark.parametrize(("steps", "points"), STEPS.values(), ids=STEPS)
def test_least_squares_is_that_of_the_whole_system_at_once(steps, points, drift):
    rng = np.random.default_rng(6)
    table = rng.standard_normal((len(steps), points))
    weight = rng.uniform(0.5, 2.0, len(steps))
    found = calibrate(table, steps, weights=weight, drift=drift)
    root = np.repeat(np.sqrt(found.weights), points)
    matrix = root[:, None] * design_matrix(steps, points, drift)
    answer, _, rank, _ = np.linalg.lstsq(matrix, root * table.ravel(), rcond=1e-9)
    assert found.rank == rank
    for name, map_ in (("a", answer[:points]), ("b", answer[points : 2 * points])):
        spectrum = np.fft.rfft(map_)
        spectrum[[0, *found.lost]] = 0.0
        # 1e-9: rounding times the condition, 100 at most here.
        np.testing.assert_allclose(getattr(found, name), np.fft.irfft(spectrum, points), atol=1e-9)
    left = root * table.ravel() - matrix @ answer
    if found.freedom:
        assert found.residual == pytest.approx(np.sqrt(left @ left / found.freedom), rel=1e-9)


@pytest.mark.parametrize("name", ["equal", "odd points", "half a turn", "free angles", "repeated"])
def test_a_step_left_out_lowers_the_squares_by_what_it_adds(name):
    steps, points = STEPS[name]
    table = np.random.default_rng(7).standard_normal((len(steps), points))
    found, without = calibrate(table, steps), calibrate(table[1:], steps[1:])
    squares = [fit.residual**2 * fit.freedom for fit in (found, without)]
    lowered = found.step_residual[0] ** 2 * (found.freedom - without.freedom)
    # 1e-8: rounding of a difference of sums of squares.
    assert lowered == pytest.approx(squares[0] - squares[1], rel=1e-8)


@pytest.mark.parametrize(
    ("steps", "points", "lost"),
    [
        # Order n is lost where n turns of every step are whole: multiples of the number of equal steps.
        (equal_steps(12), 360, range(12, 181, 12)),
        (equal_steps(11), 100, range(11, 51, 11)),
        (equal_steps(7) + 0.123, 71, range(7, 36, 7)),
        (equal_steps(12)[:3], 72, range(12, 37, 12)),
        (np.radians([0.0, 30.0, 120.0]), 72, range(12, 37, 12)),
        (np.radians([0.0, 72.0, 360.0 / 7.0]), 400, [35, 70, 105, 140, 175]),
        (np.arange(50) * TAU / 50, 1_000_000, range(50, 500_001, 50)),
        ([0.0, 1.0], 1000, []),
    ],
)
def test_lost_orders_are_told_exactly_before_and_after(steps, points, lost):
    plan = calibration_plan(steps, points)
    assert plan.lost == tuple(lost)
    assert np.array_equal(np.flatnonzero(np.isinf(plan.condition)) + 1, plan.lost)
    if points <= 1000:
        noise = np.random.default_rng(1).standard_normal((len(steps), points))
        assert calibrate(noise, steps).lost == tuple(lost)


# Checks SC-02, SC-04, SC-05, SC-07: circle closure and cross-calibration, cf. Lu and Trumper, CIRP Annals 56,
# 2007, and Masuda and Kajitani, 1989 (names from memory).
def test_condition_of_an_order_is_that_of_its_equations():
    angles = 2.0 * np.pi * np.array([0.0, 0.13, 0.31])
    plan = calibration_plan(angles, 24)
    equations = [np.column_stack([np.ones(3), np.exp(1j * n * angles)]) for n in range(1, 12)]
    assert plan.condition[:11] == pytest.approx([np.linalg.cond(one) for one in equations], rel=1e-9)


def test_two_heads_130_degrees_apart_are_blind_to_orders_36_and_72():
    assert calibration_plan(np.radians([0.0, 130.0]), 145).lost == (36, 72)


def test_fifths_and_sevenths_together_are_blind_to_multiples_of_35_only():
    steps = np.concatenate([equal_steps(5), equal_steps(7)])
    assert calibration_plan(steps, 401).lost == (35, 70, 105, 140, 175)


def test_two_circles_of_12_divisions_in_all_positions_have_rank_23_and_121_degrees_of_freedom():
    plan = calibration_plan(equal_steps(12), 12, drift=False)
    assert (plan.rank, plan.freedom) == (23, 121)


@pytest.mark.parametrize("points", [24, 25])
def test_lost_orders_stay_zero_whatever_the_rings_hold(points):
    rng = np.random.default_rng(2)
    found = calibrate(
        readings(random_map(rng, points), random_map(rng, points), equal_steps(4)), equal_steps(4)
    )
    for map_ in (found.a, found.b):
        spectrum = np.fft.rfft(map_)[[0, *found.lost]]
        np.testing.assert_allclose(spectrum, 0.0, atol=1e-12)  # rounding of a map of size 1
    assert not found.valid
    assert "cannot tell the rings apart" in found.reasons[0]


BOUNDS = {
    "equal": (equal_steps(8), 90),
    "part of a turn": (np.array([0.0, 0.4, 1.1, 1.7, 2.0]), 61),
    "even, free": (np.array([0.2, 1.0, 2.6, 3.9, 5.5]), 64),
}


def trials(steps, points, count, noise, seed):
    """Errors of maps a and b in many trials, shape (2, trials, points), and their stated uncertainties."""
    rng = np.random.default_rng(seed)
    lost = calibration_plan(steps, points).lost
    a, b = random_map(rng, points, lost), random_map(rng, points, lost)
    fits = [calibrate(readings(a, b, steps, noise, rng), steps) for _ in range(count)]
    errors = np.array([[fit.a - a for fit in fits], [fit.b - b for fit in fits]])
    return errors, np.array([[fit.uncertainty for fit in fits], [fit.b_uncertainty for fit in fits]])


@functools.cache
def trials_of(name):
    """Many trials of one of the arrangements."""
    return trials(*BOUNDS[name], 400, 0.02, seed=4)


@pytest.mark.parametrize("name", BOUNDS)
def test_error_of_the_maps_is_the_noise_bound(name):
    # Point of a map: sqrt(sum over orders of 2 s^2/(N m (1 - |gamma|^2))), derived for this project; the last order
    # of an even number has a cosine only, and its own spread.
    steps, points = BOUNDS[name]
    s, n = 0.02, np.arange(1, points // 2 + 1)
    z = np.exp(-1j * np.outer(steps, n))
    share = np.where(2 * n == points, 1.0, 2.0)
    z = np.where(2 * n == points, z.real, z)
    spread = np.mean(np.abs(z - z.mean(axis=0)) ** 2, axis=0)
    seen = spread > 1e-12
    bound = s * np.sqrt(np.sum(share[seen] / spread[seen]) / (points * len(steps)))
    errors, _ = trials_of(name)
    # 10 % asked; 400 trials of some 30 amplitudes leave the rms uncertain by 1 % or 2 %.
    np.testing.assert_allclose(np.sqrt(np.mean(errors**2, axis=(1, 2))), bound, rtol=0.1)


@pytest.mark.parametrize("name", BOUNDS)
def test_interval_of_1_96_standard_uncertainties_covers_95_percent_of_points(name):
    errors, sure = trials_of(name)
    covered = np.mean(np.abs(errors) < 1.96 * sure, axis=(1, 2))
    # 3 % asked. Chance of 400 trials is below 1 %; the noise judged from 100 readings or more costs under 1 %.
    np.testing.assert_allclose(covered, 0.95, atol=0.03)


def test_amplitude_of_each_order_errs_as_stated():
    steps, points = BOUNDS["part of a turn"]
    rng = np.random.default_rng(8)
    fits = [calibrate(rng.standard_normal((len(steps), points)), steps, noise=1.0) for _ in range(1500)]
    rms = np.sqrt(np.mean([np.abs(fit.a_orders) ** 2 for fit in fits], axis=0))
    # A mean of 1500 exponential squares scatters by 2.6 %, its root by 1.3 %: 5 % is four of those.
    np.testing.assert_allclose(rms, fits[0].order_uncertainty, rtol=0.05)


def test_eleven_turned_steps_bring_rings_of_some_arcseconds_to_a_tenth():
    # Common practice, no source. Readings that scatter by 0.3 arcsec, 720 a turn.
    rng, n = np.random.default_rng(9), np.arange(1, 8)
    size = 3.0 * ARCSEC / n
    angle = equal_steps(720)
    a, b = (size @ np.sin(np.outer(n, angle) + rng.uniform(0.0, TAU, (7, 1))) for _ in range(2))
    found = calibrate(readings(a, b, equal_steps(11), 0.3 * ARCSEC, rng), equal_steps(11))
    assert found.uncertainty[0] < 0.1 * ARCSEC
    errors = np.array([found.a - a, found.b - b]) / ARCSEC
    assert np.sqrt(np.mean(errors**2)) < 0.1


def test_errors_of_the_step_angles_cost_what_is_stated():
    # n |b_n| d / sqrt(m), derived for this project.
    rng, d, steps = np.random.default_rng(10), 1e-4, equal_steps(9)
    b = np.cos(5.0 * equal_steps(64))
    clean = np.zeros(64)
    fits = [
        calibrate(
            readings(clean, b, steps + d * rng.standard_normal(9)), steps, noise=1e-12, step_uncertainty=d
        )
        for _ in range(600)
    ]
    rms = np.sqrt(np.mean([abs(fit.a_orders[4]) ** 2 for fit in fits]))
    # 600 trials leave the rms uncertain by 3 % at most: 10 % is over three of those.
    assert rms == pytest.approx(5.0 * d / 3.0, rel=0.1)
    assert fits[0].order_uncertainty[4] == pytest.approx(5.0 * d / 3.0, rel=1e-3)  # b is known as well


def test_a_missing_step_is_a_row_of_nan_or_a_weight_of_zero_or_no_row():
    rng, steps = np.random.default_rng(11), equal_steps(6)
    table = rng.standard_normal((6, 30))
    gone = table.copy()
    gone[2] = np.nan
    fits = calibrate(gone, steps), calibrate(table, steps, weights=[3, 3, 0, 3, 3, 3])
    short = calibrate(np.delete(table, 2, axis=0), np.delete(steps, 2))
    for fit in fits:
        np.testing.assert_array_equal(fit.a, short.a)
        assert np.isnan(fit.offset[2])
        assert (fit.residual, fit.freedom) == (short.residual, short.freedom)


def test_drift_from_step_to_step_leaves_no_trace_in_the_maps():
    rng, steps = np.random.default_rng(12), equal_steps(5)
    table = rng.standard_normal((5, 30))
    drifting = table + np.array([0.0, 3.0, -8.0, 40.0, 5.0])[:, None]
    still, moved = calibrate(table, steps), calibrate(drifting, steps)
    np.testing.assert_allclose(moved.a, still.a, atol=1e-13)  # rounding of numbers up to 40
    np.testing.assert_allclose(moved.offset - still.offset, [0, 3, -8, 40, 5], atol=1e-12)


@pytest.mark.parametrize("bad", [(), (3,), (0, 7), (1, 5, 9)])
def test_steps_far_worse_than_the_others_are_named(bad):
    rng, steps = np.random.default_rng(13), equal_steps(12)
    table = 0.01 * rng.standard_normal((12, 360))
    table[list(bad)] += 0.04 * rng.standard_normal((len(bad), 360))
    found = calibrate(table, steps)
    assert found.outliers == bad
    assert any("counted from 0: " + ", ".join(map(str, bad)) in text for text in found.reasons) == bool(bad)


def test_a_step_at_a_wrong_angle_is_named():
    rng, steps = np.random.default_rng(14), equal_steps(7)
    b = np.cos(3.0 * equal_steps(128))
    at = steps.copy()
    at[4] += 0.05
    assert calibrate(readings(0.0 * b, b, at, 0.01, rng), steps).outliers == (4,)


def test_steps_of_equal_noise_are_hardly_ever_named():
    rng = np.random.default_rng(15)
    named = [calibrate(rng.standard_normal((5, 16)), equal_steps(5)).outliers for _ in range(300)]
    assert not any(named)


@pytest.mark.parametrize("height", [0.0, 1.0, 1e8, 1e100])
def test_readings_without_noise_name_no_step_for_its_rounding(height):
    b = np.cos(3.0 * equal_steps(64))
    found = calibrate(height + readings(0.0 * b, b, equal_steps(7)), equal_steps(7))
    assert found.outliers == ()
    assert calibrate(np.full((7, 64), height), equal_steps(7)).outliers == ()


@pytest.mark.parametrize(
    ("ramp", "said"),
    [
        ([0.0] * 6, None),
        ([0.0, 0.0, 0.4, 0.0, 0.0, 0.0], "in steps 2"),
        ([0.04] * 6, "that the steps share, 0.04"),
    ],
)
def test_a_turn_that_does_not_close_is_told(ramp, said):
    rng, ramp = np.random.default_rng(16), np.array(ramp)
    table = 0.01 * rng.standard_normal((6, 100))
    found = calibrate(table, equal_steps(6), closing=table[:, 0] + ramp, noise=0.01)
    np.testing.assert_allclose(found.closure, ramp, atol=1e-15)
    told = [text for text in found.reasons if "within a revolution" in text]
    assert [said in text for text in told] == ([True] if said else [])


def test_two_steps_leave_the_noise_unknown_unless_it_is_stated():
    table = np.random.default_rng(17).standard_normal((2, 21))
    unknown, known = calibrate(table, [0.0, 1.0]), calibrate(table, [0.0, 1.0], noise=0.5)
    assert unknown.freedom == 0
    assert np.isnan(unknown.uncertainty).all()
    assert "left over to judge the noise" in unknown.reasons[0]
    assert known.valid
    assert known.uncertainty[0] == pytest.approx(0.5 * calibration_plan([0.0, 1.0], 21).point_noise)


def test_a_lower_limit_drops_orders_that_would_be_magnified_noise():
    steps = [0.0, np.radians(30.001), np.radians(60.0)]
    assert calibration_plan(steps, 61).lost == ()
    assert calibration_plan(steps, 61, limit=1000).lost == (12, 24)


def test_results_become_plain_values_and_a_table(tmp_path):
    found = calibrate(np.random.default_rng(18).standard_normal((3, 8)), equal_steps(3))
    plain = found.to_dict()
    assert (plain["kind"], plain["units"]["a"], plain["lost"]) == ("Calibration", "rad", [3])
    assert found.to_csv_text().splitlines()[0] == "angle_rad,a_rad,b_rad,uncertainty_rad,b_uncertainty_rad"
    assert len(found.to_csv_text().splitlines()) == 9
    assert calibration_plan(equal_steps(3), 8).to_csv_text().splitlines()[3].startswith("3,inf")


@pytest.mark.parametrize(("name", "value"), [("SHARED", 0), ("IN_PLACE", False)])
def test_sharing_rows_over_threads_and_older_transforms_change_no_bit(name, value, monkeypatch):
    table = np.random.default_rng(21).standard_normal((7, 500))
    alone = calibrate(table, equal_steps(7))
    monkeypatch.setattr(least_squares, name, value)
    np.testing.assert_array_equal(calibrate(table, equal_steps(7)).a, alone.a)


def test_the_readings_are_not_touched():
    table = np.random.default_rng(19).standard_normal((4, 16))
    before = table.copy()
    calibrate(table, equal_steps(4))
    assert np.array_equal(before, table)
    assert table.flags.writeable


GOOD = np.random.default_rng(20).standard_normal((3, 8))
HOLED = np.where(np.arange(24).reshape(3, 8) == 13, np.nan, GOOD)
BAD = {
    "one step": ((GOOD[:1], [0.0]), {}, "calibrate.steps must hold two steps or more, got 1"),
    "all steps equal": (
        (GOOD, [1.0] * 3),
        {},
        "calibrate.steps must hold at least two different angles, whole",
    ),
    "whole turns": ((GOOD, [1.0, 1.0 + TAU, 1.0 - TAU]), {}, "two different angles, whole turns aside"),
    "lengths": ((GOOD, [0.0, 1.0]), {}, "calibrate.steps must have one entry a row of differences, 3, got 2"),
    "NaN everywhere": ((GOOD * np.nan, [0.0, 1.0, 2.0]), {}, "that are not NaN throughout, got .0 of 3"),
    "one row left": (([GOOD[0], GOOD[1] * np.nan], [0, 1]), {}, "not NaN throughout, got .1 of 2"),
    "NaN in a row": (
        (HOLED, [0.0, 1.0, 2.0]),
        {},
        "throughout a step that is missing, got .nan at step 1, point 5",
    ),
    "infinite": ((GOOD * np.inf, [0.0, 1.0, 2.0]), {}, "must hold finite numbers, or NaN"),
    "huge": ((GOOD * 1e200, [0.0, 1.0, 2.0]), {}, "must hold finite numbers, or NaN"),
    "one row": ((GOOD[0], [0.0]), {}, "calibrate.differences must be a table of real numbers"),
    "ragged": (([[1.0, 2.0], [1.0]], [0.0, 1.0]), {}, "must be a table of real numbers"),
    "text": (("abc", [0.0, 1.0]), {}, "must be a table of real numbers"),
    "complex": (
        (GOOD * 1j, [0.0, 1.0, 2.0]),
        {},
        "must be a table of real numbers, a row a step, got .complex128",
    ),
    "masked": ((np.ma.masked_less(GOOD, 0.0), [0.0, 1.0, 2.0]), {}, "must hold no masked values"),
    "two points": ((GOOD[:, :2], [0.0, 1.0, 2.0]), {}, "calibrate.differences must have 3 columns or more"),
    "step NaN": (
        (GOOD, [0.0, np.nan, 2.0]),
        {},
        "calibrate.steps must hold finite numbers only, got .nan rad at index 1",
    ),
    "step far": ((GOOD, [0.0, 1e6, 2.0]), {}, "calibrate.steps must lie within 10000 rad"),
    "weights short": (
        (GOOD, [0, 1, 2]),
        {"weights": [1, 1]},
        "calibrate.weights must have one entry a step, 3",
    ),
    "weight negative": (
        (GOOD, [0, 1, 2]),
        {"weights": [1, 1, -1]},
        "weights must lie from 0 to 1e100, got -1.0",
    ),
    "weights zero": (
        (GOOD, [0, 1, 2]),
        {"weights": [1, 0, 0]},
        "weights must leave two steps or more, got 1",
    ),
    "weights apart": ((GOOD, [0, 1, 2]), {"weights": [1, 1, 1e-20]}, "at least 1e-12 of the largest"),
    "weights equal steps": ((GOOD, [0, 0, 2]), {"weights": [1, 1, 0]}, "at least two different angles"),
    "closing": ((GOOD, [0, 1, 2]), {"closing": [0.0]}, "calibrate.closing must have one entry a row"),
    "closing inf": (
        (GOOD, [0, 1, 2]),
        {"closing": [0, np.inf, 0]},
        "calibrate.closing must hold finite numbers",
    ),
    "noise": ((GOOD, [0, 1, 2]), {"noise": 0.0}, "calibrate.noise must be positive and finite, got 0.0 rad"),
    "step_uncertainty": ((GOOD, [0, 1, 2]), {"step_uncertainty": -1}, "step_uncertainty must lie from 0"),
    "limit": ((GOOD, [0, 1, 2]), {"limit": 1e9}, r"calibrate.limit must lie from 2 to 1e\+06"),
    "drift": ((GOOD, [0, 1, 2]), {"drift": "no"}, "calibrate.drift must be True or False"),
}


@pytest.mark.parametrize(("arguments", "options", "match"), BAD.values(), ids=BAD)
def test_bad_readings_are_refused(arguments, options, match):
    with pytest.raises(InputError, match=match):
        calibrate(*arguments, **options)


@pytest.mark.parametrize(
    ("steps", "points", "match"),
    [
        ([0.0], 10, "calibration_plan.steps must hold two steps or more, got 1"),
        ([0.5, 0.5], 10, "calibration_plan.steps must hold at least two different angles"),
        ([0.0, 1.0], 2, "calibration_plan.points must be a whole number from 3"),
        ([0.0, 1.0], 10.0, "calibration_plan.points must be a whole number from 3"),
        ([], 10, "calibration_plan.steps must be one row of real numbers"),
        (None, 10, "calibration_plan.steps must be one row of real numbers"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(steps, points, match):
    with pytest.raises(InputError, match=re.compile(match)):
        calibration_plan(steps, points)
