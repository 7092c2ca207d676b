import re
import shutil
import subprocess

import numpy as np
import pytest

from encsim import InputError
from encsim.calibration import fourier_series
from encsim.calibration.error_map import ErrorMap
from encsim.calibration.readings import read_error_map
from encsim.calibration.two_rings import calibrate

TAU = 2.0 * np.pi
ARCSEC = np.pi / 648_000.0


def wavy(points=96, seed=1, size=3.0 * ARCSEC):
    """A map of many orders, as of a ring with some arcsec of error."""
    return ErrorMap(size * np.random.default_rng(seed).standard_normal(points) + size)


def series(map_, angles):
    """The map as the plain sum of its orders: the slow twin."""
    waves = np.exp(1j * np.multiply.outer(angles, map_.orders))
    return map_.error.mean() + (waves @ map_.amplitudes).real


@pytest.mark.parametrize("points", [3, 4, 29, 30, 1000, 4001])
def test_any_angle_shows_the_sum_of_the_orders(points):
    map_, at = wavy(points), np.random.default_rng(2).uniform(-50.0, 50.0, (4, 25))
    # 1e-12 of the sum of amplitudes is what evaluate states.
    np.testing.assert_allclose(
        map_.evaluate(at), series(map_, at), rtol=0, atol=1e-12 * np.abs(map_.amplitudes).sum()
    )


@pytest.mark.parametrize("points", [3, 16, 361])
def test_the_points_themselves_come_back(points):
    map_ = wavy(points)
    np.testing.assert_allclose(map_.evaluate(map_.angle), map_.error, rtol=0, atol=1e-11 * ARCSEC * points)


@pytest.mark.parametrize("turns", [0, -3, 1000])
def test_inversion_undoes_the_error_on_any_turn(turns):
    map_, true = wavy(), np.random.default_rng(3).uniform(0.0, TAU, 200) + turns * TAU
    back = map_.invert(true + map_.evaluate(true))
    # A few spacings of the angle itself, which is all that the reading holds.
    np.testing.assert_allclose(back, true, rtol=0, atol=8.0 * np.spacing(7000.0 if turns > 0 else 20.0))


def test_inversion_holds_up_to_the_steepest_map_it_accepts():
    map_ = ErrorMap(0.45 * np.sin(TAU * np.arange(16) / 16.0))
    true = np.linspace(0.0, TAU, 101)
    np.testing.assert_allclose(map_.invert(true + 0.45 * np.sin(true)), true, atol=1e-14)


@pytest.mark.parametrize("derivative", [0, 1, 2])
@pytest.mark.parametrize("points", [3, 8, 61, 400])
def test_bound_of_size_slope_and_curvature_is_never_below_and_at_most_9_percent_above(points, derivative):
    map_ = wavy(points, seed=points)
    dense, factor = np.linspace(0.0, TAU, 40 * points), (1j * map_.orders) ** derivative
    waves = np.exp(1j * np.outer(dense, map_.orders)) @ (map_.amplitudes * factor)
    largest = np.abs(waves.real + (map_.error.mean() if derivative == 0 else 0.0)).max()
    # 40 angles a point miss 0.1 % of a crest, hence 1.091 beside cos(pi/8) = 1/1.0824.
    assert largest <= map_.largest(derivative) <= 1.091 * largest


def test_smoothing_keeps_the_chosen_orders_and_the_mean_only():
    map_ = wavy(48)
    smooth = map_.smooth([1, 2, 24])
    np.testing.assert_allclose(smooth.amplitudes[[0, 1, 23]], map_.amplitudes[[0, 1, 23]], atol=1e-20)
    np.testing.assert_allclose(np.delete(smooth.amplitudes, [0, 1, 23]), 0.0, atol=1e-20)
    assert smooth.error.mean() == pytest.approx(map_.error.mean())


def test_smoothing_keeps_the_uncertainty_of_the_orders_kept():
    map_ = ErrorMap(np.zeros(9), order_uncertainty=[3.0, 4.0, 12.0, np.inf])
    # A line of complex rms error u moves a point by u/sqrt 2.
    assert map_.uncertainty == pytest.approx(13.0 / np.sqrt(2.0))
    assert map_.smooth([1, 2, 4]).uncertainty == pytest.approx(5.0 / np.sqrt(2.0))
    assert np.isnan(ErrorMap(np.zeros(9)).uncertainty)


def test_a_calibrated_ring_is_a_map_with_its_uncertainty_and_doubts():
    table = ARCSEC * np.random.default_rng(4).standard_normal((4, 40))
    fit = calibrate(table, TAU * np.arange(4) / 4.0)
    for ring, error, sure in (("a", fit.a, fit.uncertainty), ("b", fit.b, fit.b_uncertainty)):
        map_ = fit.error_map(ring)
        np.testing.assert_array_equal(map_.error, error)
        assert map_.uncertainty == pytest.approx(sure[0], rel=1e-12)
        assert map_.reasons == fit.reasons
    with pytest.raises(InputError, match=r'Calibration.error_map.ring must be "a" or "b", got "c"'):
        fit.error_map("c")


def test_a_map_written_as_a_table_is_read_back(tmp_path):
    map_ = wavy(30)
    map_.to_csv(tmp_path / "map.csv")
    back = read_error_map((tmp_path / "map.csv").read_text())
    np.testing.assert_array_equal(back.error, map_.error)
    plain = map_.to_dict()
    assert (plain["kind"], plain["valid"], plain["uncertainty"]) == ("ErrorMap", True, None)


def interpolated(table, turns):
    """What the C source computes, from the entries printed in it."""
    entries = np.array(re.findall(r"[-0-9.e+]+(?=f[,\n])", table.text), np.float32).astype(float)
    assert len(entries) == table.size + 1
    return np.interp(turns * table.size, np.arange(table.size + 1), entries)


@pytest.mark.parametrize("size", [2, 60, 500, 4096])
@pytest.mark.parametrize("points", [5, 64])
def test_linear_interpolation_of_the_c_table_stays_within_its_bound(points, size):
    map_ = wavy(points, seed=size)
    table, turns = map_.c_table(size), np.linspace(0.0, 1.0, 20_011)
    worst = np.abs(interpolated(table, turns) - map_.evaluate(TAU * turns)).max()
    assert worst <= table.bound
    assert table.bound == pytest.approx(table.interpolation + table.rounding, rel=1e-4)


def test_the_bound_is_tight_for_a_single_order():
    table, turns = (
        ErrorMap(ARCSEC * np.cos(np.arange(16) * TAU / 16.0)).smooth([1]).c_table(90),
        np.arange(9001) / 9000,
    )
    worst = np.abs(interpolated(table, turns) - ARCSEC * np.cos(TAU * turns)).max()
    # The crest has all the curvature, and the bound of the curvature is up to 9 % above it.
    assert 0.9 * table.bound < worst <= table.bound


@pytest.mark.parametrize("bound", [0.3 * ARCSEC, 1e-3 * ARCSEC])
def test_a_table_for_a_bound_meets_it_with_the_fewest_intervals(bound):
    map_ = wavy(64)
    table = map_.c_table(bound=bound)
    assert table.bound <= bound
    # One part in 500 of the bound is left to rounding, which is not the same for every size.
    assert map_.c_table(int(0.99 * table.size)).bound > bound


@pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
def test_the_c_source_compiles_without_a_warning_and_computes_the_map(tmp_path):
    map_ = wavy(64)
    table = map_.c_table(1000, name="stage_x_error")
    table.write(tmp_path / "map.c")
    main = "#include <stdio.h>\ndouble stage_x_error(double);\nint main(void)\n{\n    double x;\n"
    main += (
        '    while (scanf("%lf", &x) == 1)\n        printf("%.17g\\n", stage_x_error(x));\n    return 0;\n}\n'
    )
    (tmp_path / "main.c").write_text(main)
    flags = ["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-o", tmp_path / "a"]
    subprocess.run(["cc", *flags, tmp_path / "map.c", tmp_path / "main.c", "-lm"], check=True)
    turns = np.concatenate([np.random.default_rng(5).uniform(-3.0, 3.0, 2000), [0.0, 1.0, -1e-18, -1.0, 1e6]])
    shown = subprocess.run(
        [tmp_path / "a"], input="\n".join(map(repr, turns.tolist())), capture_output=True, text=True
    )
    found = np.array(shown.stdout.split(), float)
    assert np.abs(found - map_.evaluate(TAU * np.mod(turns, 1.0))).max() <= table.bound


def test_a_file_is_not_replaced_by_a_table_unless_told(tmp_path):
    table = wavy(8).c_table(8)
    table.write(tmp_path / "map.c")
    with pytest.raises(InputError, match="output must not exist yet"):
        table.write(tmp_path / "map.c")
    table.write(tmp_path / "map.c", force=True)
    assert (tmp_path / "map.c").read_text() == table.text


def test_bound_of_a_sum_holds_at_its_very_crest():
    # cos n (x - x0) with every crest half way between angles of the grid, for n a power of two: the worst case.
    for n in (1, 2, 8):
        size = 1 << (8 * n - 1).bit_length()
        amplitudes = np.zeros(n, complex)
        amplitudes[-1] = np.exp(-1j * n * np.pi / size)
        assert fourier_series.bound(amplitudes) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("errors", "options", "match"),
    [
        ([0.0, 1.0], {}, "ErrorMap.error must have 3 points or more"),
        ([0.0, np.nan, 0.0], {}, "ErrorMap.error must hold finite numbers only, got .nan rad at index 1"),
        ([0.0, 9.0, 0.0], {}, "ErrorMap.error must stay within a full turn, got 9.0 rad"),
        (5, {}, "ErrorMap.error must be one row of real numbers"),
        ([0.0] * 4, {"order_uncertainty": [1.0]}, "order_uncertainty must have one entry an order, 2, got 1"),
        (
            [0.0] * 4,
            {"order_uncertainty": [1.0, -1.0]},
            "order_uncertainty must be zero or more, got -1.0 rad",
        ),
        ([0.0] * 4, {"order_uncertainty": "ab"}, "order_uncertainty must be one row of real numbers"),
    ],
)
def test_bad_maps_are_refused(errors, options, match):
    with pytest.raises(InputError, match=match):
        ErrorMap(errors, **options)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda m: m.evaluate([0.0, np.inf]), "ErrorMap.evaluate.angles must be finite, got inf rad"),
        (lambda m: m.evaluate("x"), "ErrorMap.evaluate.angles must be real numbers"),
        (lambda m: m.invert([[1j]]), "ErrorMap.invert.shown must be real numbers"),
        (lambda m: m.smooth([0]), "ErrorMap.smooth.orders must be whole numbers from 1 to 4, got 0"),
        (lambda m: m.smooth([1.0]), "ErrorMap.smooth.orders must be whole numbers from 1 to 4, got 1.0"),
        (lambda m: m.smooth(3), "ErrorMap.smooth.orders must be a list of orders, got 3"),
        (lambda m: m.largest(3), "ErrorMap.largest.derivative must be 0, 1 or 2, got 3"),
        (lambda m: m.c_table(), "ErrorMap.c_table must be given either a size or a bound"),
        (lambda m: m.c_table(5, bound=1.0), "ErrorMap.c_table must be given either a size or a bound"),
        (lambda m: m.c_table(1), "ErrorMap.c_table.size must be a whole number from 2"),
        (lambda m: m.c_table(8, name="sin"), "ErrorMap.c_table.name must be lower case with an underscore"),
        (lambda m: m.c_table(8, name="a_b;"), "ErrorMap.c_table.name must be lower case"),
        (lambda m: m.c_table(bound=0.0), "ErrorMap.c_table.bound must be positive and finite"),
        (
            lambda m: m.c_table(bound=1e-20),
            "ErrorMap.c_table.bound must be above what rounding to float may take",
        ),
    ],
)
def test_bad_questions_to_a_map_are_refused(call, match):
    with pytest.raises(InputError, match=match):
        call(wavy(8))


def test_a_map_too_steep_to_be_sure_is_not_inverted():
    with pytest.raises(
        InputError, match=r"must change by at most 0.5 rad a rad to be inverted; smooth it first"
    ):
        ErrorMap(0.6 * np.sin(TAU * np.arange(16) / 16.0)).invert(1.0)


def test_a_bound_that_asks_for_too_many_intervals_is_refused():
    rough = ErrorMap(1e-3 * np.cos(np.pi * np.arange(1 << 17)))
    with pytest.raises(
        InputError, match=r"ErrorMap.c_table.bound must be met by a table of 4194304 intervals"
    ):
        rough.c_table(bound=1e-8)
