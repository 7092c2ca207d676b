import numpy as np
import pytest

from encsim import InputError
from encsim.calibration.pass_comparison import compare_passes
from encsim.calibration.self_calibration import self_calibrate

TAU = 2.0 * np.pi


def turned(e, phi):
    spectrum = np.fft.rfft(e)
    return np.fft.irfft(spectrum * np.exp(-1j * np.arange(len(spectrum)) * phi), len(e))


def random_ring(rng, points, without=()):
    spectrum = np.fft.rfft(rng.standard_normal(points))
    spectrum[[0, *without]] = 0.0
    return np.fft.irfft(spectrum, points)


@pytest.mark.parametrize("points", [72, 73])
@pytest.mark.parametrize("gaps", [[2.0], [1.0, 2.5], np.radians([130.0]), TAU / np.array([5.0, 7.0])])
def test_a_ring_comes_back_from_its_heads_but_for_lost_orders(gaps, points):
    rng = np.random.default_rng(1)
    e = random_ring(rng, points, self_calibrate(rng.standard_normal((len(gaps), points)), gaps).lost)
    found = self_calibrate([e - turned(e, phi) + 7.0 for phi in gaps], gaps)
    np.testing.assert_allclose(found.error, e, atol=1e-11)  # rounding, over the smallest gain, some 0.01
    np.testing.assert_allclose(found.offset, 7.0, rtol=1e-12)


# Checks SC-01, SC-02, SC-04, SC-08: circle closure and cross-calibration, cf. Lu and Trumper, CIRP Annals 56, 2007,
# and Masuda and Kajitani, 1989 (names from memory).
def test_gain_of_two_heads_130_degrees_apart_at_order_3():
    found = self_calibrate(np.zeros(145), np.radians(130.0))
    assert found.gain[2] == pytest.approx(0.517638090205, rel=1e-9)  # digits given


@pytest.mark.parametrize(
    ("gaps", "points", "lost"),
    [
        (np.radians([130.0]), 145, (36, 72)),
        (TAU / np.array([5.0, 7.0]), 401, (35, 70, 105, 140, 175)),
        ([TAU / 12.0], 100, (12, 24, 36, 48)),
        ([TAU / 2.0], 10, (2, 4)),
    ],
)
def test_heads_are_blind_to_orders_that_repeat_between_them(gaps, points, lost):
    found = self_calibrate(np.random.default_rng(2).standard_normal((len(gaps), points)), gaps)
    assert found.lost == lost
    np.testing.assert_allclose(np.abs(found.amplitudes[np.array(lost) - 1]), 0.0)
    assert np.isinf(found.order_uncertainty[np.array(lost) - 1]).all()
    assert not found.valid


def test_the_unknown_angle_of_a_closed_circle_is_the_mean_reading():
    readings = [1.2, -0.4, 0.3, 2.1, -1.7, 0.6, 0.9, -2.2, 0.1, 0.5, -1.3, 1.1]
    found = self_calibrate(readings, TAU / 12.0)
    assert found.offset[0] == pytest.approx(0.1, rel=1e-9)
    # By hand: each division's error is its reading less the mean, and the ring's errors are their running sum.
    np.testing.assert_allclose(np.diff(found.error), np.array(readings[1:]) - 0.1, atol=1e-12)


@pytest.mark.parametrize("points", [61, 60])
def test_error_of_a_self_calibrated_ring_is_as_stated(points):
    rng, gaps = np.random.default_rng(3), [1.0, 2.3]
    fits = [self_calibrate(0.1 * rng.standard_normal((2, points)), gaps) for _ in range(500)]
    errors, sure = np.array([fit.error for fit in fits]), np.array([fit.uncertainty for fit in fits])
    # A few orders of small gain make most of the error: 500 trials leave its rms uncertain by some 3 %.
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(np.sqrt(np.mean(sure**2)), rel=0.1)
    assert np.mean(np.abs(errors) < 1.96 * sure) == pytest.approx(0.95, abs=0.03)


def test_noise_of_a_single_pair_is_judged_by_the_orders_it_is_blind_to():
    rng = np.random.default_rng(4)
    fits = [self_calibrate(0.1 * rng.standard_normal(240), TAU / 6.0) for _ in range(100)]
    assert fits[0].freedom == 39  # 6, 12 ... 114 in cosine and sine, 120 in cosine
    # 3900 squares: 1.1 %, four of those.
    assert np.sqrt(np.mean([fit.residual**2 for fit in fits])) == pytest.approx(0.1, rel=0.045)


def test_a_pair_blind_to_nothing_says_that_its_noise_is_unknown():
    found = self_calibrate(np.zeros(20), 1.0)
    assert np.isnan(found.residual)
    assert "left over to judge the noise" in found.reasons[0]
    assert self_calibrate(np.ones(20), 1.0, noise=0.1).valid


def test_a_self_calibrated_ring_becomes_an_error_map_and_a_table():
    found = self_calibrate(np.random.default_rng(5).standard_normal(24), TAU / 6.0)
    np.testing.assert_array_equal(found.error_map().error, found.error)
    assert found.error_map().uncertainty == pytest.approx(found.uncertainty[0])
    assert found.to_csv_text().splitlines()[0] == "angle_rad,error_rad,uncertainty_rad"
    assert found.to_dict()["units"]["offset"] == "rad"


@pytest.mark.parametrize(
    ("differences", "angles", "options", "match"),
    [
        (np.zeros(10), [0.0], {}, "self_calibrate.angles must keep the heads of a pair apart, got 0.0 rad"),
        (np.zeros(10), [TAU], {}, "must keep the heads of a pair apart"),
        (np.zeros((2, 10)), [1.0], {}, "self_calibrate.angles must have one entry a pair, 2, got 1"),
        (np.zeros(2), [1.0], {}, "self_calibrate.differences must have 3 points or more"),
        (
            np.full(9, np.nan),
            [1.0],
            {},
            "self_calibrate.differences must hold finite numbers only, got nan rad",
        ),
        (np.zeros((1, 2, 9)), [1.0], {}, "must be a row of real numbers, or a table"),
        ("text", [1.0], {}, "must be a row of real numbers, or a table"),
        (np.zeros(9), [np.inf], {}, "self_calibrate.angles must hold finite numbers only"),
        (np.zeros(9), [1e9], {}, "self_calibrate.angles must lie within 10000 rad"),
        (np.zeros(9), "x", {}, "self_calibrate.angles must be one row of real numbers"),
        (
            np.zeros(9),
            [1.0],
            {"noise": -1.0},
            "self_calibrate.noise must be positive and finite, got -1.0 rad",
        ),
        (np.zeros(9), [1.0], {"limit": 1.0}, "self_calibrate.limit must lie from 2"),
    ],
)
def test_bad_differences_of_heads_are_refused(differences, angles, options, match):
    with pytest.raises(InputError, match=match):
        self_calibrate(differences, angles, **options)


def passes(error, backlash, count=200, back=150, span=1.0):
    """Reference and shown positions of a pass each way, at positions of their own."""
    up, down = np.linspace(0.0, span, count), np.linspace(span, 0.0, back)
    return [up, up + error(up) + backlash / 2.0], [down, down + error(down) - backlash / 2.0]


def test_error_and_reversal_come_back_from_a_pass_each_way():
    found = compare_passes(*passes(lambda x: 1e-3 * x, 2e-5))
    # Exact but for rounding: the error is a straight line, the reversal is constant.
    np.testing.assert_allclose(found.error, 1e-3 * found.position, atol=1e-15)
    np.testing.assert_allclose(found.reversal, 2e-5, rtol=1e-9)
    assert (found.reversal_mean, found.reversal_largest) == pytest.approx((2e-5, 2e-5))
    assert found.reversal_scatter < 1e-15
    assert found.valid


def test_linear_interpolation_between_readings_errs_by_its_bound_at_most():
    found = compare_passes(
        *passes(lambda x: 1e-4 * np.sin(20.0 * x), 0.0), targets=np.linspace(0.0, 1.0, 149)
    )
    # h^2/8 of the coarser pass times the curvature.
    assert np.abs(found.error - 1e-4 * np.sin(20.0 * found.position)).max() < (1 / 149) ** 2 / 8 * 1e-4 * 400


def test_reversal_is_forward_minus_backward_and_its_largest_keeps_its_sign():
    found = compare_passes([[0.0, 1.0], [0.0, 1.0]], [[1.0, 0.0], [1.5, 0.25]])
    assert found.reversal.tolist() == [-0.25, -0.5]
    assert found.reversal_largest == -0.5


def test_only_what_both_passes_cover_is_compared():
    found = compare_passes([[0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0]], [[2.5, 0.5], [2.5, 0.5]])
    assert found.position.tolist() == [1.0, 2.0]


def test_passes_read_too_coarsely_for_the_targets_are_told():
    found = compare_passes(*passes(lambda x: x, 0.0, 11, 500), targets=np.linspace(0.0, 1.0, 400))
    assert found.reasons == ("the forward pass was read 11 times where 400 positions are asked of it",)


UP, DOWN = [[0.0, 1.0, 2.0], [0.0, 1.0, 2.0]], [[2.0, 1.0, 0.0], [2.0, 1.0, 0.0]]


@pytest.mark.parametrize(
    ("forward", "backward", "targets", "match"),
    [
        (
            DOWN,
            DOWN,
            None,
            r"compare_passes.forward must rise in the reference from reading to reading, got .2 then 1",
        ),
        (UP, UP, None, "compare_passes.backward must fall in the reference"),
        (
            [[0.0, 1.0, 1.0]] * 2,
            DOWN,
            None,
            "compare_passes.forward must rise in the reference .* at index 2",
        ),
        (UP, [[9.0, 8.0]] * 2, None, "compare_passes.backward must overlap the forward pass"),
        ([[0.0, 1.0]], DOWN, None, "compare_passes.forward must be two rows of real numbers"),
        ([[0.0], [1.0]], DOWN, None, "compare_passes.forward must be two rows of real numbers"),
        ([[0.0, np.nan], [1.0, 2.0]], DOWN, None, "hold finite numbers only, got .nan in reference, index 1"),
        (UP, DOWN, [0.0, 3.0], "compare_passes.targets must lie within both passes, 0 to 2, got 3.0"),
        (UP, DOWN, [1.0, 1.0], "compare_passes.targets must rise"),
        (UP, DOWN, [], "compare_passes.targets must be one row of real numbers"),
    ],
)
def test_bad_passes_are_refused(forward, backward, targets, match):
    with pytest.raises(InputError, match=match):
        compare_passes(forward, backward, targets)
