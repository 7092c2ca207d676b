"""Delay against ripple of estimators, and the least noise a delay allows."""

import dataclasses
import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import nnls

import encsim
from encsim import (
    Axis,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    Kalman,
    LeastSquares,
    LowPass,
    PeriodTiming,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.decisions import frontier_curve
from encsim.decisions.frontier_curve import least_noise_gain

RATE = 16e3
STEADY = [
    Difference(), Difference(5), LeastSquares(2), LeastSquares(3), LeastSquares(40), LowPass(300.0),
    Tracking(100.0, damping=1.0), Tracking(40.0, damping=2.0),
]  # fmt: skip
OVERSHOOTING = [Tracking(100.0), Tracking(9.0, damping=0.3), LowPass(300.0, order=2)]


def _axis(signal=None, **parts):
    sampling = parts.pop("sampling", Sampling(RATE))
    return Axis(Scale(period=20e-6), signal=signal or Signal(jitter=2e-9), sampling=sampling, **parts)


@pytest.fixture
def only_noise(monkeypatch):
    """Ripple by white jitter alone, which is jitter times noise gain, for estimators of any kind."""

    def ripple(axis, speeds):
        about = {} if axis.estimator.linear else {"speed": speeds[0], "resolution": axis.resolution}
        rms = np.array([axis.signal.jitter * axis.estimator.noise_gain(axis.sampling.rate, **about)])
        return SimpleNamespace(rms=rms, peak=3.0 * rms, parts={"jitter": rms}, valid=True, reasons=())

    monkeypatch.setattr(frontier_curve, "ripple", ripple)


def _least_square(mean, size):
    """Least sum of squares of the steps of weights with this mean place, whose step response stays below 1."""
    # Unknown: the error 1 - step response of samples 0 to size - 1, never negative; its sum is the mean place.
    once = np.eye(size + 2, size) - np.eye(size + 2, size, -1)
    twice = once - np.vstack([np.zeros(size), once[:-1]])
    known = np.zeros(size + 2)
    known[:2] = 1.0, -1.0  # the error of 1 before sample 0
    # The sum is kept by a heavy row.
    heavy = 1e5
    matrix, right = np.vstack([twice, heavy * np.ones(size)]), np.append(known, heavy * mean)
    error, _ = nnls(matrix, right, maxiter=100_000)
    return ((twice @ error - known) ** 2).sum()


# The bound


@pytest.mark.parametrize("mean", [0.0, 0.1, 0.25, 0.4, 0.5, 1.0, 1.3, 2.0, 3.7, 5.0, 7.5])
def test_bound_is_the_least_noise_without_overshoot(mean):
    found = least_noise_gain((mean + 0.5) / RATE, RATE) / RATE
    # The heavy row leaves the sum free to 1e-10.
    assert found**2 == pytest.approx(_least_square(mean, int(2.5 * mean) + 12), rel=1e-7)


@pytest.mark.parametrize("delay", [0.1, 1.0])
def test_bound_for_long_delays_is_that_of_weights_t_times_the_square_of_the_rest(delay):
    # Continuous limit, weights t(L - t)**2, L = 2.5 delay: 19.2/2.5**3 T/delay**3. T/(2 delay) off: 3e-4.
    expected = math.sqrt(19.2 / 2.5**3 / RATE / delay**3)
    assert least_noise_gain(delay, RATE) == pytest.approx(expected, rel=1e-3)


def test_bound_falls_with_the_delay_and_has_no_steps():
    delay = np.linspace(0.5, 30.0, 20_000) / RATE
    gain = least_noise_gain(delay, RATE)
    assert (np.diff(gain) < 0.0).all()
    # 0.0015 samples apart; the steepest fall is a third of itself a sample at 1 and 1.5 at the start.
    assert (np.diff(gain) / gain[1:] > -0.01).all()


@pytest.mark.parametrize("estimator", STEADY, ids=repr)
def test_no_estimator_without_overshoot_is_below_the_bound(estimator):
    bound = least_noise_gain(estimator.delay(RATE), RATE)
    assert estimator.noise_gain(RATE) >= bound * (1.0 - 1e-12)
    assert frontier_curve._overshoot(estimator, RATE) == 0.0


@pytest.mark.parametrize("estimator", [Difference(), LeastSquares(2)], ids=repr)
def test_two_positions_reach_the_bound(estimator):
    assert estimator.noise_gain(RATE) == pytest.approx(least_noise_gain(0.5 / RATE, RATE), rel=1e-12)


@pytest.mark.parametrize("estimator", OVERSHOOTING, ids=repr)
def test_estimators_that_overshoot_may_be_below_the_bound(estimator):
    assert frontier_curve._overshoot(estimator, RATE) > 0.01
    assert estimator.noise_gain(RATE) < least_noise_gain(estimator.delay(RATE), RATE)


@pytest.mark.parametrize("damping", [0.3, 0.5, 0.707])
def test_tracking_loop_overshoots_as_any_second_order_system(damping):
    expected = math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
    # The peak falls between two samples: (1/200)**2 of it, and matched poles add no more.
    assert frontier_curve._overshoot(Tracking(20.0, damping=damping), RATE) == pytest.approx(
        expected, rel=1e-2
    )


@pytest.mark.parametrize("delay", [0.0, 0.49 / RATE, -1.0])
def test_less_than_half_a_period_of_delay_has_no_estimator_without_overshoot(delay):
    assert least_noise_gain(delay, RATE) == math.inf


# The result


def test_without_noise_there_is_no_bound():
    found = encsim.frontier(_axis(Signal(gain=0.02)), 1e-3, [Difference(4)])
    assert np.isnan(found.bound).all()
    assert found.bound_line()[0].size == 0


def test_candidate_that_overshoots_has_no_bound_and_the_line_leaves_it_out():
    found = encsim.frontier(_axis(), 0.01, [*OVERSHOOTING, Difference(4), LeastSquares(9)])
    over = found.overshoot > 0.0
    assert over.sum() == len(OVERSHOOTING)
    assert np.isnan(found.bound).tolist() == over.tolist()
    assert (found.rms[over] < found.noise * least_noise_gain(found.delay[over], RATE)).any()
    delay, _ = found.bound_line()
    np.testing.assert_allclose([delay[0], delay[-1]], found.delay[~over][[0, -1]] * [1 / 1.2, 1.2])
    assert found.to_dict()["bound"][0] is None


def test_ripple_of_each_candidate_is_that_of_the_axis_with_it():
    axis = _axis(Signal(jitter=2e-9, sde={1: 40e-9}), interpolation=Interpolation(factor=4000))
    candidates = [Difference(n) for n in (1, 3, 16)]
    found = encsim.frontier(axis, -0.05, candidates)
    for place, candidate in enumerate(candidates):
        curve = encsim.ripple(
            _axis(axis.signal, interpolation=axis.interpolation, estimator=candidate), [0.05]
        )
        assert (found.rms[place], found.peak[place]) == (curve.rms[0], curve.peak[0])
    assert found.estimator == tuple(candidates)
    assert found.speed == 0.05


@pytest.mark.parametrize(
    ("signal", "sampling", "noise"),
    [
        (Signal(jitter=2e-9), Sampling(RATE), 2e-9),
        (Signal(noise=1e-3), Sampling(RATE), 20e-6 / (2.0 * math.pi) * 1e-3),
        (Signal(jitter=3e-9), Sampling(RATE, jitter=20e-9), math.hypot(3e-9, 0.2 * 20e-9)),
        (Signal(jitter=3e-9, jitter_bandwidth=1e3), Sampling(RATE, jitter=20e-9), 0.2 * 20e-9),
        (Signal(jitter=3e-9), Sampling(RATE, encoder_rate=40e3), 0.0),
        (Signal(), Sampling(RATE), 0.0),
    ],
)
def test_noise_of_the_bound_is_the_white_noise_of_the_axis(signal, sampling, noise):
    found = encsim.frontier(_axis(signal, sampling=sampling), 0.2, [Difference(4)])
    # Channel noise is exact to second order in 1e-3.
    assert found.noise == pytest.approx(noise, rel=1e-5, abs=0.0)
    expected = found.noise * least_noise_gain(found.delay, RATE) if noise else np.nan
    np.testing.assert_allclose(found.bound, expected, rtol=1e-12)
    assert not (found.rms < found.bound * (1.0 - 1e-12)).any()


@pytest.mark.parametrize("factor", [None, 200, 4000, 40_000])
@pytest.mark.parametrize("speed", [0.0, 1e-4, 0.0123, 0.08, 0.3])
def test_no_difference_passes_the_bound_on_an_axis_with_counts(factor, speed):
    axis = _axis(Signal(jitter=2e-9, sde={1: 40e-9}, noise=1e-4), interpolation=Interpolation(factor=factor))
    found = encsim.frontier(axis, speed, [Difference(n) for n in (1, 2, 7, 40)])
    assert (found.rms >= found.bound * (1.0 - 1e-12)).all()
    assert found.noise > 2e-9


@pytest.mark.usefixtures("only_noise")
def test_best_are_those_that_nothing_beats_in_both():
    candidates = [
        Difference(),
        Difference(8),
        LeastSquares(9),
        LeastSquares(2),
        Difference(30),
        LowPass(160.0),
    ]
    found = encsim.frontier(_axis(), 0.01, candidates)
    # A difference over 8 and the slope of 9 points are equally late; the slope is quieter. The
    # low-pass is 15.9 samples late, 0.9 more than the difference over 30, and noisier.
    assert found.best.tolist() == [True, False, True, True, True, False]


@pytest.mark.usefixtures("only_noise")
def test_table_lists_all_kinds_in_the_order_given():
    axis = _axis(interpolation=Interpolation(factor=4000))
    candidates = [*STEADY, *OVERSHOOTING, Kalman(2.0), PeriodTiming(1e8), CountAndTime(1e8, 1e-3)]
    found = encsim.frontier(axis, 0.01, candidates)
    assert found.family.tolist() == [one.kind for one in candidates]
    noise = math.hypot(2e-9, axis.resolution / math.sqrt(12.0))
    assert found.estimator[-3] == Kalman(2.0, noise=noise)
    assert found.setting[-1] == "clock=1e+08, window=0.001"
    assert np.isnan(found.bound[-2:]).all()
    steady = (found.overshoot == 0.0) & (found.family != "period-timing") & (found.family != "count-and-time")
    assert (found.rms[steady] >= found.bound[steady] * (1.0 - 1e-12)).all()
    assert found.remarks == (
        "the bound is for estimators of sampled positions: none for period-timing, count-and-time",
        "the bound is for estimators that do not overshoot a step of the speed: none for tracking, low-pass, kalman",
    )


def test_result_is_plain_and_a_table(tmp_path):
    found = encsim.frontier(_axis(), 0.01, [Difference(), Difference(4)])
    plain = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert plain["kind"] == "Frontier"
    assert plain["best"] == [True, True]
    assert plain["units"]["delay"] == "s"
    found.to_csv(tmp_path / "table.csv")
    head = (tmp_path / "table.csv").read_text().split("\n")[0]
    columns = "delay_s,rms_m_s,peak_m_s,typical_m_s,cyclic_m_s,noise_gain_1_s,overshoot,bound_m_s,best"
    assert head == f"family,setting,{columns}"


def test_line_of_the_bound_goes_from_half_a_period_to_beyond_the_longest_delay():
    found = encsim.frontier(_axis(), 0.01, [Difference(), Difference(40)])
    delay, rms = found.bound_line(50)
    assert (delay[0], len(delay), len(rms)) == (0.5 / RATE, 50, 50)
    assert delay[-1] == pytest.approx(1.2 * found.delay.max())
    assert rms[0] == pytest.approx(math.sqrt(2.0) * 2e-9 * RATE, rel=1e-12)


@pytest.mark.parametrize(
    ("speed", "estimators", "complaint"),
    [
        (math.nan, [Difference()], "frontier.speed must be a finite number, got nan m/s"),
        ("2 kHz", [Difference()], "frontier.speed must have a unit of linear speed"),
        (0.1, [], r"frontier.estimators must hold at least one velocity estimator, got \[\]"),
        (0.1, Difference, r"frontier.estimators\[0\] must be a velocity estimator"),
        (0.1, [Difference(), 3], r"frontier.estimators\[1\] must be a velocity estimator, got 3"),
        (
            0.1,
            [Difference(), Tracking(9e3)],
            r"frontier.estimators\[1\].bandwidth must be below half the loop rate",
        ),
        (
            0.1,
            [PeriodTiming(1e8)],
            r"Axis.interpolation.factor must be given .*; for frontier.estimators\[0\]",
        ),
    ],
)
def test_what_cannot_be_compared_is_named(speed, estimators, complaint):
    with pytest.raises(InputError, match=complaint):
        encsim.frontier(_axis(), speed, estimators)


CYCLIC = Signal(jitter=1e-10, sde={1: 30e-9, 2: 20e-9, 3: 10e-9})
PACE = 20e-6 * RATE  # one signal period a sample


@pytest.mark.parametrize(
    ("share", "doubtful"),
    [(1 / 4, True), (1 / 2, True), (1 / 4 + 1e-6, True), (0.2512, False), (0.0323, False), (0, False)],
)
def test_speeds_at_which_the_rms_depends_on_the_start_are_doubtful(share, doubtful):
    found = encsim.frontier(_axis(CYCLIC), share * PACE, [Difference(), LowPass(300.0)])
    assert found.valid != doubtful
    assert any("depends on where it starts" in reason for reason in found.reasons) == doubtful


def test_reason_gives_the_range_that_starts_reach():
    axis = _axis(CYCLIC)
    (reason,) = encsim.frontier(axis, PACE / 4, [Difference()]).reasons
    low, high = (float(text.split()[0]) for text in reason.split("samples=1: ")[1].split(" to "))
    starts = 20e-6 * np.arange(16) / 64  # a quarter of a period: then the places repeat
    rms = [encsim.simulate(axis, PACE / 4, 4000, start=start).rms for start in starts]
    # sixteen starts, three digits
    assert (min(rms), max(rms)) == (pytest.approx(low, rel=0.03), pytest.approx(high, rel=0.03))


@pytest.mark.parametrize("share", [1.0, 1 / 4])
def test_start_does_not_matter_where_lines_vanish_or_there_are_none(share):
    signal = CYCLIC if share == 1.0 else None
    assert encsim.frontier(_axis(signal), share * PACE, [Difference()]).valid


def test_sampling_null_of_one_candidate_does_not_decide():
    # 64 samples at 16 kHz last one 20 um period at 5 mm/s: no cyclic error is measured there, and some beside it.
    axis = encsim.loads(
        "[scale]\nperiod = '20 um'\n[signal]\noffset = [0.01, 0.0]\n[sampling]\nrate = '16 kHz'"
    )
    found = encsim.frontier(axis, 5e-3, [Difference(64), encsim.Tracking(100.0)])
    assert found.rms[0] < 1e-3 * found.rms[1]
    assert found.typical[0] > 0.5 * found.typical[1]
    speeds = 5e-3 * np.linspace(0.8, 1.2, 201)
    curve = encsim.ripple(dataclasses.replace(axis, estimator=Difference(64)), speeds)
    assert found.typical[0] == pytest.approx(np.sqrt(np.mean(curve.rms**2)), rel=0.15)
    assert found.cyclic == pytest.approx(found.typical)
