"""Ripple, lines and vanishing speeds in closed form, against published figures and slow walks."""

import json
import pickle
from dataclasses import replace

import numpy as np
import pytest
from slow_period import mean_square
from stage_x import stage

import encsim
from encsim import Axis, Difference, InputError, Interpolation, Sampling, Scale, Signal
from encsim.open_loop.line_model import LineModel

STAGE = stage(bits=12, jitter=20e-9)
LINEAR = Scale(period=20e-6)
SPEEDS = np.geomspace(1e-5, 2.0, 160)


def line_axis(amplitude=50e-9, harmonic=1, samples=1):
    return Axis(
        LINEAR,
        signal=Signal(sde={harmonic: amplitude}),
        sampling=Sampling(8000.0),
        estimator=Difference(samples),
    )


# A sampled sinusoid and its backward difference; values derived with mpmath.
@pytest.mark.parametrize(
    ("speed", "harmonic", "samples", "velocity", "alias"),
    [
        (0.001, 1, 1, 1.57069539685e-05, 50.0),
        (0.02, 1, 1, 0.000306146745892, 1000.0),
        (0.12, 1, 1, 0.000565685424949, 2000.0),
        (1.0, 1, 1, 0.000565685424949, 2000.0),
        (0.4, 1, 1, 0.0008, 4000.0),
        (0.05, 2, 1, 0.000739103626009, 3000.0),
        (0.013, 1, 4, 0.000170528032871, 650.0),
    ],
)
def test_line_is_folded_and_weighed_like_a_sampled_sinusoid(speed, harmonic, samples, velocity, alias):
    found = encsim.lines(line_axis(harmonic=harmonic, samples=samples), speed)
    assert found.velocity == pytest.approx([velocity], rel=1e-9)
    assert found.alias == pytest.approx([alias], rel=1e-9)
    curve = encsim.ripple(line_axis(harmonic=harmonic, samples=samples), [speed])
    assert curve.rms[0] == pytest.approx(velocity / np.sqrt(2), rel=1e-9)


@pytest.mark.parametrize("harmonic", [1, 2, 4])
def test_line_vanishes_at_its_vanishing_speeds(harmonic):
    axis = line_axis(harmonic=harmonic)
    speeds = encsim.vanishing_speeds(axis, harmonic, 4)
    assert speeds == pytest.approx(np.arange(1, 5) * 20e-6 * 8000.0 / harmonic, rel=1e-15)
    assert encsim.ripple(axis, speeds).rms == pytest.approx(0.0, abs=1e-12)


def test_relative_ripple_of_a_slow_line_does_not_depend_on_speed():
    # 2 pi E/p, 1.57 % peak for 50 nm on 20 um; within (pi f/fs)^2/6 of it
    curve = encsim.ripple(line_axis(), np.array([1e-5, 1e-4, 1e-3]))
    assert curve.relative == pytest.approx(0.0157079632679 / np.sqrt(2), rel=1e-4)
    # the slowest passes half a period in its second
    assert (curve.peak / curve.speed)[1:] == pytest.approx(0.0157079632679, rel=2e-3)


def test_rotary_line_reads_in_turns_a_minute():
    arcsec = np.pi / 648000
    axis = Axis(Scale(lines=2048), signal=Signal(sde={1: arcsec}), sampling=Sampling(16e3))
    velocity = encsim.lines(axis, 45 * 2 * np.pi / 60).velocity[0]
    assert velocity * 30 / np.pi == pytest.approx(0.440061602336, rel=1e-9)  # sampled sinusoid, mpmath


def test_jitter_alone_is_root_two_sigma_fs_at_every_speed():
    axis = Axis(LINEAR, signal=Signal(jitter=1e-9), sampling=Sampling(8000.0))
    assert encsim.ripple(axis, [0.0, 1e-3, 1.0]).rms == pytest.approx(1.1313708499e-05, rel=1e-9)


def test_clock_jitter_is_a_fixed_share_of_the_speed():
    axis = Axis(LINEAR, sampling=Sampling(8000.0, jitter=2e-8))
    assert encsim.ripple(axis, [0.1, 2.0]).relative == pytest.approx(0.00022627416998, rel=1e-9)


def test_narrow_jitter_moves_both_positions_together():
    axis = Axis(LINEAR, signal=Signal(jitter=1e-9, jitter_bandwidth=100.0), sampling=Sampling(8000.0))
    expected = np.sqrt(2 * (1 - np.exp(-2 * np.pi * 100.0 / 8000.0))) * 1e-9 * 8000.0
    assert encsim.ripple(axis, [0.1]).rms == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("samples", [1, 3])
def test_pure_counting_is_the_binomial_of_its_fraction(samples):
    axis = Axis(
        Scale(period=1.0),
        interpolation=Interpolation(factor=400),
        sampling=Sampling(1.0),
        estimator=Difference(samples),
    )
    speeds = np.random.default_rng(3).uniform(3e-4, 5.0, 200)
    r = speeds * samples * 400 % 1.0
    expected = np.sqrt(r * (1 - r)) / 400 / samples
    assert encsim.ripple(axis, speeds).rms == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("factor", [4, 1000])
def test_pure_counting_stays_exact_beside_a_converter_too_fine_to_matter(factor):
    how = Interpolation(factor=factor, bits=12)
    axis = Axis(Scale(period=1.0), interpolation=how, sampling=Sampling(1.0))
    slow = [np.sqrt(mean_square(axis, v)) for v in (0.01234, 0.3)]
    # the walk and the table misplace the steps of both by up to a grid step
    assert encsim.ripple(axis, [0.01234, 0.3]).rms == pytest.approx(slow, rel=2e-3)


def test_counter_of_a_motor_differs_by_the_fraction_of_its_mean_step():
    # real counts: 11.777 a sample, standard deviation 0.416 (data/dc_motor_x4_counts_200hz)
    axis = Axis(Scale(period=4.0), interpolation=Interpolation(factor=4), sampling=Sampling(200.0))
    assert encsim.ripple(axis, [11.777 * 200]).rms[0] / 200 == pytest.approx(0.416, abs=5e-4)


@pytest.mark.parametrize("jitter", [0.0, 2e-5, 5e-4])
@pytest.mark.parametrize("factor", [64, 400, 4000])
def test_the_two_methods_agree_without_a_converter(factor, jitter):
    axis = replace(STAGE, scale=Scale(period=1.0), interpolation=Interpolation(factor=factor))
    axis = replace(axis, signal=replace(axis.signal, jitter=jitter), sampling=Sampling(1.0))
    speed = np.exp(np.random.default_rng(4).uniform(np.log(3e-4), np.log(5.0), 300))
    squares = LineModel(axis).parts(speed)
    # a count is a fortieth of the period at most: the error hardly changes over it; 6e-3 at worst seen
    assert encsim.ripple(axis, speed).rms == pytest.approx(np.sqrt(sum(squares.values())), rel=1e-2)
    assert np.median(np.abs(encsim.ripple(axis, speed).rms / np.sqrt(sum(squares.values())) - 1)) < 5e-4


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"interpolation": Interpolation(factor=16384)},
        {"interpolation": Interpolation(bits=10)},
        {"interpolation": Interpolation(factor=400, hysteresis=0.5)},
        {"interpolation": Interpolation(factor=400, output="ab", edge_clock=5e6)},
        {"sampling": Sampling(16e3, encoder_rate=21e3)},
        {"sampling": Sampling(16e3, average=4)},
        {"signal": Signal(noise=1e-4, jitter=1e-9, jitter_bandwidth=1e4, bandwidth=5e5, gain=0.01)},
        {"signal": Signal()},
    ],
)
def test_squares_of_the_parts_add_up_and_none_is_negative(change):
    curve = encsim.ripple(replace(STAGE, **change), SPEEDS[::5])
    total = sum(part**2 for part in curve.parts.values())
    assert np.sqrt(total) == pytest.approx(curve.rms, rel=1e-12)
    assert all((part >= 0).all() for part in curve.parts.values())
    assert (curve.peak >= curve.rms * 0.99).all()


def test_converter_under_noise_scatters_by_a_twelfth_of_its_squared_step_in_each_channel():
    # Uniform error step**2/12 of each channel; the angle of a circle of radius 1 scatters by as much, in radians.
    noisy = Signal(noise=0.01)
    axis = Axis(
        Scale(period=20e-6),
        signal=noisy,
        interpolation=Interpolation(bits=8, factor=1 << 20),
        sampling=Sampling(16e3),
    )
    scatter = 20e-6 / (2.0 * np.pi) * (2.5 / 256) / np.sqrt(12.0)
    np.testing.assert_allclose(
        encsim.ripple(axis, [0.0123]).parts["adc"], np.sqrt(2.0) * scatter * 16e3, rtol=1e-9
    )


def test_parts_are_those_that_the_axis_has():
    assert set(encsim.ripple(STAGE, [0.1]).parts) == {"sde", "adc", "resolution", "jitter", "clock"}
    assert set(encsim.ripple(Axis(LINEAR, sampling=Sampling(1e3)), [0.1]).parts) == set()


def test_encoder_on_its_own_clock_makes_a_sawtooth_of_age():
    axis = Axis(LINEAR, sampling=Sampling(16e3, encoder_rate=21e3))
    share = 21 / 16 % 1
    expected = 0.3 * 16e3 / 21e3 * np.sqrt(share * (1 - share))
    curve = encsim.ripple(axis, [0.3])
    assert curve.parts["age"] == pytest.approx(expected, rel=1e-12)
    assert curve.regime[0] == "asynchronous"


def test_encoder_clock_that_divides_the_loop_adds_no_age():
    axis = Axis(LINEAR, signal=Signal(jitter=1e-9), sampling=Sampling(16e3, encoder_rate=48e3))
    assert encsim.ripple(axis, [0.3]).parts["age"] == pytest.approx(0.0, abs=1e-8)


def test_regimes_go_from_counts_to_direct_to_aliased():
    regime = encsim.ripple(STAGE, [1e-4, 1e-2, 0.5]).regime
    assert regime.tolist() == ["resolution", "direct", "aliased"]
    assert encsim.ripple(STAGE, [0.32]).regime[0] == "noise"  # all lines vanish, clock jitter is left


def test_frequency_is_that_of_the_strongest_line():
    curve = encsim.ripple(line_axis(harmonic=2), [0.02, 0.3])
    assert curve.frequency == pytest.approx([2000.0, 30000.0])
    assert curve.alias == pytest.approx([2000.0, 2000.0])
    assert np.isnan(encsim.ripple(Axis(LINEAR, sampling=Sampling(1e3)), [0.1]).frequency[0])


def test_peak_of_two_lines_is_the_half_range_over_all_starts():
    axis = Axis(LINEAR, signal=Signal(sde={1: 40e-9, 2: (20e-9, 0.7)}), sampling=Sampling(8000.0))
    x = np.arange(200_000) / 200_000
    for speed in (0.0123, 0.20013):
        lag = speed / 20e-6 / 8000
        error = lambda u: 40e-9 * np.sin(2 * np.pi * u) + 20e-9 * np.sin(4 * np.pi * u + 0.7)  # noqa: E731
        slow = np.ptp(error(x + lag) - error(x)) / 2 * 8000.0
        # 576 phases of the run's 8000, at places without a rhythm
        assert encsim.ripple(axis, [speed]).peak[0] == pytest.approx(slow, rel=5e-3)


def test_hysteresis_wider_than_the_noise_leaves_plain_counting():
    how = Interpolation(factor=4000, hysteresis=0.5)
    axis = Axis(LINEAR, signal=Signal(jitter=0.1e-9), interpolation=how, sampling=Sampling(16e3))
    curve = encsim.ripple(axis, [0.3 * 5e-9 * 16e3, 20.0 * 5e-9 * 16e3])
    assert curve.rms[0] == pytest.approx(5e-9 * 16e3 * np.sqrt(0.21), rel=1e-9)
    assert curve.valid


@pytest.mark.parametrize(
    ("estimator", "sigma", "share", "doubtful"),
    [
        (Difference(), 0.17, 0.43, False),
        (Difference(), 0.17, 0.9, True),
        (Difference(4), 0.02, 0.9, False),
        (Difference(2), 0.17, 0.43, True),
        (encsim.LowPass(533.0, order=2), 0.17, 0.43, True),
    ],
)
def test_noise_that_moves_counts_held_by_hysteresis_is_doubtful_as_simulation_says(
    estimator, sigma, share, doubtful
):
    # sigma and share: counts of noise, counts a sample
    count, how = 20e-6 / 400, Interpolation(factor=400, hysteresis=2.0)
    signal = Signal(offset=(0.04, 0.04), jitter=sigma * count)
    axis = Axis(
        Scale(period=20e-6), signal=signal, interpolation=how, sampling=Sampling(16e3), estimator=estimator
    )
    curve = encsim.ripple(axis, [share * count * 16e3])
    trace = encsim.simulate(axis, share * count * 16e3, 1 << 16)
    assert curve.doubtful[0] == doubtful
    # statistics of 65 536 samples stay below 1 %; those in doubt are 18 to 33 % low
    assert (
        (curve.rms[0] < 0.9 * trace.rms) if doubtful else curve.rms[0] == pytest.approx(trace.rms, rel=0.01)
    )


def test_hysteresis_within_reach_of_the_noise_is_doubtful():
    how = Interpolation(factor=4000, hysteresis=0.5)
    axis = Axis(LINEAR, signal=Signal(jitter=0.5e-9), interpolation=how, sampling=Sampling(16e3))
    curve = encsim.ripple(axis, [1e-6, 0.1])
    assert curve.doubtful.tolist() == [True, False]
    assert not curve.valid
    assert "hysteresis" in curve.reasons[0]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"signal": Signal(amplitude=1.4)}, "clips"),
        ({"signal": Signal(bandwidth=1e4)}, "top speed 0.2 m/s"),
        ({"interpolation": Interpolation(factor=4000, output="ab", edge_separation=1e-6)}, "edge_separation"),
        ({"signal": Signal(noise=0.2)}, "channel noise"),
        ({"signal": Signal(bandwidth=1e9)}, "converter steps"),
    ],
)
def test_prediction_that_may_not_be_believed_says_so(change, word):
    curve = encsim.ripple(replace(STAGE, **change), [1e-4, 1.0])
    assert not curve.valid
    assert word in " ".join(curve.reasons)


@pytest.mark.parametrize(
    ("change", "method"),
    [
        ({}, "exact"),
        ({"interpolation": Interpolation(factor=4096)}, "exact"),
        ({"interpolation": Interpolation(factor=4100)}, "step"),
        ({"signal": Signal(bandwidth=1e6)}, "step"),
        ({"signal": Signal(skew=1e-9)}, "step"),
        ({"sampling": Sampling(16e3, average=2)}, "step"),
    ],
)
def test_method_is_exact_where_the_error_does_not_depend_on_speed(change, method):
    assert encsim.ripple(replace(STAGE, **change), [0.1]).method == method


def test_speed_may_have_any_shape_and_sign():
    flat = encsim.ripple(STAGE, [0.1, 0.2, 0.3, 0.4])
    square = encsim.ripple(STAGE, -flat.speed.reshape(2, 2))
    assert np.array_equal(square.rms.ravel(), flat.rms)
    assert encsim.ripple(STAGE, 0.1).rms.shape == ()


def test_standstill_is_allowed():
    curve = encsim.ripple(STAGE, [0.0])
    assert np.isfinite(curve.rms).all()
    assert np.isinf(curve.relative).all()
    assert curve.to_dict()["relative"] == [None]


@pytest.mark.parametrize(
    "speeds", [[], [np.nan], [1.0, np.inf], "fast", [None], [True], [1e200], [1j], [[1], [1, 2]]]
)
def test_speeds_must_be_finite_numbers(speeds):
    with pytest.raises(InputError, match=r"ripple\.speeds must (be|hold)"):
        encsim.ripple(STAGE, speeds)


@pytest.mark.parametrize(
    ("name", "value"), [("harmonic", 0), ("harmonic", 1.5), ("count", 0), ("count", True)]
)
def test_vanishing_speeds_need_whole_numbers(name, value):
    with pytest.raises(InputError, match=rf"vanishing_speeds\.{name} must be a whole number"):
        encsim.vanishing_speeds(STAGE, **{name: value})


def test_unit_of_length_does_not_matter():
    scaled = replace(STAGE, scale=Scale(period=20.0), signal=replace(STAGE.signal, jitter=0.5e-3))
    assert encsim.ripple(scaled, SPEEDS * 1e6).rms == pytest.approx(
        encsim.ripple(STAGE, SPEEDS).rms * 1e6, rel=1e-6
    )


def test_curve_goes_to_json_and_to_a_table(tmp_path):
    curve = encsim.ripple(STAGE, SPEEDS)
    plain = json.loads(json.dumps(curve.to_dict(), allow_nan=False))
    assert plain["kind"] == "RippleCurve"
    assert plain["units"]["rms"] == "m/s"
    curve.to_csv(tmp_path / "curve.csv")
    header, first = (tmp_path / "curve.csv").read_text().splitlines()[:2]
    assert header.startswith("speed_m_s,rms_m_s,peak_m_s,relative,sde_m_s,")
    assert float(first.split(",")[1]) == curve.rms[0]


def test_descriptions_and_curves_travel_between_processes():
    again = pickle.loads(pickle.dumps(encsim.ripple(STAGE, [0.1])))
    assert again.axis == STAGE
    assert again.rms[0] == encsim.ripple(STAGE, [0.1]).rms[0]


def test_signals_averaged_away_give_ripple_in_doubt_but_not_without_bound():
    # four readings spread over just one period: nothing is left of the signals, whatever their skew
    signal, sampling = Signal(gain=0.02, noise=1e-3, skew=-1e-6), Sampling(16e3, average=4)
    axis = Axis(Scale(period=20e-6), signal=signal, sampling=sampling, estimator=encsim.LeastSquares(8))
    curve = encsim.ripple(axis, [20e-6 * 16e3])
    # noise of a thousandth over a millionth of the signal: some hundred periods a sample
    assert curve.rms[0] < 1000.0 * 20e-6 * 16e3
    assert curve.doubtful.all()


@pytest.mark.parametrize("share", [1e-7, 1e-6, 2.6e-5])
def test_gain_of_a_swinging_estimator_on_an_own_clock_is_a_number(share):
    sampling = Sampling(500.0, encoder_rate=8e3)
    # it swings from sample to sample: weights of either sign, far above the gain that they leave together
    lively = encsim.Kalman(0.2, noise=1.9e-9)
    axis = Axis(Scale(period=20e-6), signal=Signal(gain=0.02), sampling=sampling, estimator=lively)
    found = encsim.lines(axis, share * 20e-6 * 500.0)
    assert (found.velocity >= 0.0).all()


@pytest.mark.parametrize("bandwidth", [None, 3e3], ids=["white", "of a bandwidth"])
def test_many_lags_at_once_are_what_each_lag_gives(bandwidth, monkeypatch):
    signal = Signal(gain=0.02, jitter=1e-9, jitter_bandwidth=bandwidth, noise=1e-4, bandwidth=5e4)
    parts = {"interpolation": Interpolation(factor=400, bits=12), "estimator": encsim.LowPass(300.0)}
    axis = Axis(
        Scale(period=20e-6), signal=signal, sampling=Sampling(16e3, jitter=1e-8, encoder_rate=21e3), **parts
    )
    speed = np.array([0.0, 0.0123, 0.4])
    together = LineModel(axis).parts(speed)
    monkeypatch.setattr(LineModel, "together", 1)
    alone = LineModel(axis).parts(speed)
    for cause, square in alone.items():
        # terms of counting that are left out of a lag by itself
        np.testing.assert_allclose(together[cause], square, rtol=1e-8, err_msg=cause)


@pytest.mark.parametrize(
    "parts",
    [
        {"signal": Signal(gain=0.02, harmonics={3: 0.002}, jitter=0.5e-9, bandwidth=5e4)},
        {"signal": Signal(offset=(0.01, -0.005), noise=1e-4, skew=1e-7)},
        {"signal": Signal(gain=0.02), "sampling": Sampling(16e3, average=4)},
    ],
    ids=["bandwidth", "skew", "averaged readings"],
)
def test_polynomial_in_the_speed_gives_what_every_speed_gives_by_itself(parts):
    axis = replace(STAGE, interpolation=Interpolation(factor=4000, bits=12), **parts)
    speeds, model = np.geomspace(1e-4, 0.2, 600), LineModel(axis)
    spectrum, noise = model._computed(speeds)
    found, found_noise = model._interpolated(speeds)
    # rounding: what is left out is below 1e-14 of the largest
    np.testing.assert_allclose(found, spectrum, rtol=0.0, atol=1e-13)
    np.testing.assert_allclose(found_noise, noise, rtol=1e-12)


def test_signals_that_lose_the_circle_are_no_polynomial_in_the_speed():
    # far above the bandwidth the offset is larger than the signals: the position jumps by a period there
    axis = replace(STAGE, signal=Signal(offset=(0.2, 0.0), bandwidth=1e3))
    model = LineModel(axis)
    assert model._interpolated(np.geomspace(1e-4, 1.0, 600)) is None
    assert not encsim.ripple(axis, np.geomspace(1e-4, 1.0, 600)).valid


def test_kalman_filter_that_takes_its_noise_from_the_counts_has_a_converter():
    # the table of the converter's steps leaves fine counts out, and with them the noise of this filter
    axis = Axis(
        Scale(period=20e-6),
        interpolation=Interpolation(factor=65536, bits=8),
        sampling=Sampling(16e3),
        estimator=encsim.Kalman(acceleration=1.0),
    )
    curve = encsim.ripple(axis, [3e-3])
    assert 0.0 < curve.parts["adc"][0] <= curve.rms[0]
