"""Velocity estimators: published values, slow twins of their definitions, identities, and every refusal."""

import math

import numpy as np
import pytest
from scipy import linalg, signal

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

RATE = 16e3
DIFFERENCES = [Difference(), Difference(7), LeastSquares(2), LeastSquares(9), LeastSquares(64)]
LOW_PASSES = [LowPass(300.0, order=n) for n in range(1, 9)] + [LowPass(4000.0, order=n) for n in (1, 2, 3)]
TRACKING = [
    Tracking(100.0),
    Tracking(500.0, damping=0.2),
    Tracking(30.0, damping=1.0),
    Tracking(90.0, damping=3.0),
]
# Tracking indices 0.004, 4, 8 (two equal poles) and 20 (two real ones below zero).
KALMAN = [Kalman(index * RATE**2 * 1e-9, noise=1e-9) for index in (0.004, 4.0, 8.0, 20.0)]
LINEAR = DIFFERENCES + LOW_PASSES + TRACKING + KALMAN
FREQUENCIES = np.array([-7999.0, -313.7, 0.0, 0.02, 17.0, 300.0, 2000.0, 3999.9, 8000.0, 11000.0, 160017.0])


def _named(estimator):
    return repr(estimator).replace("samples=", "").replace("encsim.", "")


def _alpha_beta(alpha, beta, positions):
    """Velocities of an alpha-beta filter, sample by sample as it is defined."""
    shown, velocity, out = 0.0, 0.0, []
    for position in positions:
        shown += velocity / RATE
        error = position - shown
        shown += alpha * error
        velocity += beta * error * RATE
        out.append(velocity)
    return np.array(out)


def _twin(estimator, positions):
    """What the definition makes of positions that are 0 before the first."""
    kind, y = estimator.kind, np.concatenate([np.zeros(64), positions])
    if kind == "difference":
        return (y[64:] - y[64 - estimator.samples : -estimator.samples]) * RATE / estimator.samples
    if kind == "least-squares":
        n = estimator.samples
        return np.array(
            [np.polyfit(np.arange(n) / RATE, y[k + 1 - n : k + 1], 1)[0] for k in range(64, len(y))]
        )
    if kind == "low-pass":
        difference = np.diff(y[63:]) * RATE
        if estimator.order > 1:
            return signal.sosfilt(
                signal.butter(estimator.order, estimator.corner, fs=RATE, output="sos"), difference
            )
        pole = math.exp(-2.0 * math.pi * estimator.corner / RATE)
        return signal.lfilter([1.0 - pole], [1.0, -pole], difference)
    return _alpha_beta(*estimator.gains(RATE), positions)


def _riccati(transition, spread, noise):
    """Steady gains alpha, beta of a Kalman filter that measures position, T = 1, from SciPy."""
    measured = np.array([[1.0, 0.0]])
    before = linalg.solve_discrete_are(transition.T, measured.T, spread, np.array([[noise]]))
    return before[:, 0] / (before[0, 0] + noise)


CONSTANT_VELOCITY = np.array([[1.0, 1.0], [0.0, 1.0]])
HELD = np.array([0.5, 1.0])  # what an acceleration held over a sample does to position and velocity


# Published and closed-form values


@pytest.mark.parametrize("samples", [2, 3, 5, 16, 1000])
def test_least_squares_has_the_noise_of_a_fitted_slope(samples):
    expected = math.sqrt(12.0 / (samples * (samples**2 - 1))) * RATE
    assert LeastSquares(samples).noise_gain(RATE) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(("samples", "square"), [(5, 0.1), (16, 1.0 / 340.0)])
def test_slope_variance_is_the_bound_for_white_gaussian_noise(samples, square):
    # Ordinary least squares, unit spacing and noise; equals the Cramer-Rao bound of that memory.
    assert LeastSquares(samples).noise_gain(1.0) ** 2 == pytest.approx(square, rel=1e-14)


def test_ends_of_ten_points_are_twice_as_noisy_as_their_slope():
    # N(N+1)/(6(N-1)) = 2.0370...: ratio of variances, algebra.
    ratio = Difference(9).noise_gain(RATE) / LeastSquares(10).noise_gain(RATE)
    assert ratio**2 == pytest.approx(110.0 / 54.0, rel=1e-14)


def test_slope_of_eight_points_is_three_and_a_half_samples_late():
    # Brown, Schneider, Mulligan, IEEE Trans. Ind. Electron. 39(1) 11-19, 1992 (form from memory).
    assert LeastSquares(8).delay(RATE) * RATE == 3.5


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [(1.0, 0.75, 0.5), (0.01, 0.1318509912733012, 0.009317451415095756)],
)
def test_kalman_gains_are_those_of_the_tracking_index(index, alpha, beta):
    # Kalata, IEEE Trans. AES-20(2) 174-182, 1984 (formula from memory).
    assert Kalman(index, noise=1.0).gains(1.0) == pytest.approx((alpha, beta), rel=1e-14)


@pytest.mark.parametrize("index", [1e-4, 0.01, 0.3, 1.0, 8.0, 50.0])
def test_kalman_gains_solve_the_riccati_equation(index):
    expected = _riccati(CONSTANT_VELOCITY, index**2 * np.outer(HELD, HELD), 1.0)
    # The solver is the less exact of the two: 8 digits at an index of 1e-4.
    assert Kalman(index, noise=1.0).gains(1.0) == pytest.approx(tuple(expected), rel=1e-7)


def test_continuous_white_acceleration_has_other_gains():
    # Bar-Shalom, Li, Kirubarajan 2001 (model from memory): checks the solver used above, and tells the models apart.
    expected = _riccati(CONSTANT_VELOCITY, np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]]), 1.0)
    assert tuple(expected) == pytest.approx((0.7567381982740591, 0.49321577603108047), rel=1e-12)
    assert Kalman(1.0, noise=1.0).gains(1.0) != pytest.approx(tuple(expected), rel=1e-3)


def test_alpha_beta_filter_of_index_one_has_its_published_noise_lag_and_poles():
    # Noise ratios: Bar-Shalom, Brookner (from memory); lag and pole radius: algebra.
    filter_ = Kalman(1.0, noise=1.0)
    assert filter_.noise_gain(1.0) ** 2 == pytest.approx(1.0 / 3.0, rel=1e-14)
    assert filter_.delay(1.0) == pytest.approx(1.0, rel=1e-14)
    assert np.abs(np.roots(filter_.coefficients(1.0)[1])) == pytest.approx([0.5, 0.5], rel=1e-14)


def test_fast_tracking_loop_has_the_noise_and_lag_of_a_continuous_one():
    # White position noise of one-sided density S: sqrt(S W**3/(8 damping)), algebra; position lag a/W**2:
    # Gardner, Phaselock Techniques, 3rd ed. 2005 (from memory). 2e-5 off at W T = 5e-5.
    rate, natural = 1e7, 500.0
    loop = Tracking(natural / (2.0 * math.pi), damping=math.sqrt(0.5))
    rms = loop.noise_gain(rate) * math.sqrt(1e-22 * rate / 2.0)
    assert rms == pytest.approx(4.700753866357992e-08, rel=1e-4, abs=0.0)
    alpha, beta = loop.gains(rate)
    assert 10.0 * (1.0 - alpha) / beta / rate**2 == pytest.approx(4e-5, rel=1e-4, abs=0.0)
    assert loop.delay(rate) == pytest.approx(2.0 * math.sqrt(0.5) / natural, rel=1e-4)


@pytest.mark.parametrize("damping", [0.05, 0.707, 1.0, 4.0])
@pytest.mark.parametrize("bandwidth", [20.0, 900.0, 7900.0])
def test_poles_of_the_tracking_loop_are_matched(damping, bandwidth):
    behind = Tracking(bandwidth, damping=damping).coefficients(RATE)[1]
    natural = 2.0 * math.pi * bandwidth / RATE
    poles = np.exp(natural * np.roots([1.0, 2.0 * damping, 1.0]))
    assert behind == pytest.approx(np.poly(poles).real, abs=1e-14)


def test_second_order_low_pass_is_the_textbook_butterworth():
    # Bilinear transform, pre-warped, corner a tenth of the rate: Oppenheim & Schafer (from memory).
    expected = [0.06745527388907191, 0.13491054777814382, 0.06745527388907191, 1.0, -1.142980502539901,
                0.41280159809618866]  # fmt: skip
    assert LowPass(1600.0, order=2).sections(RATE)[1] == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize("order", range(2, 9))
@pytest.mark.parametrize("corner", [3.0, 300.0, 7000.0])
def test_low_pass_is_down_three_decibels_at_its_corner(order, corner):
    gain = LowPass(corner, order=order).response(corner, RATE) / Difference().response(corner, RATE)
    assert abs(gain) == pytest.approx(math.sqrt(0.5), rel=1e-12)


def test_one_count_a_millisecond_of_a_4000_count_encoder_is_15_rpm():
    # Ohmae, Matsuda, Kamiyama, Tachikawa, IEEE Trans. Ind. Appl. IA-18(2) 207-211, 1982 (from memory).
    turns_a_second = Difference().weights(1000.0)[0] / 4000.0
    assert 60.0 * turns_a_second == pytest.approx(15.0, rel=1e-14)


# Slow twins


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_weights_are_what_the_definition_makes_of_an_impulse(estimator):
    impulse = np.zeros(4096)
    impulse[0] = 1.0
    twin, weights = _twin(estimator, impulse), np.zeros(4096)
    found = estimator.weights(RATE)[:4096]
    weights[: len(found)] = found
    # The twins round at every sample, the transform once in all.
    assert np.abs(weights - twin).max() < 1e-12 * np.abs(twin).max()


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_response_is_the_transform_of_the_impulse_response(estimator):
    impulse = np.zeros(1 << 13)
    impulse[0] = 1.0
    k = np.arange(1 << 13)
    expected = np.exp(-2j * np.pi * np.multiply.outer(FREQUENCIES / RATE, k)) @ _twin(estimator, impulse)
    # Angles of 1e5 rad and sums of 8192 terms in the twin, of up to 3 rate.
    assert estimator.response(FREQUENCIES, RATE) == pytest.approx(expected, abs=1e-10 * RATE)


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_coefficients_are_the_response(estimator):
    ahead, behind = estimator.coefficients(RATE)
    back = np.exp(-2j * np.pi * FREQUENCIES / RATE)
    found = np.polyval(ahead[::-1], back) / np.polyval(behind[::-1], back)
    # Of order 8 at 300 Hz the denominator is (0.1)**8 at 0 Hz: 8 of 16 digits are left.
    assert found == pytest.approx(estimator.response(FREQUENCIES, RATE), rel=1e-6, abs=1e-9 * RATE)


@pytest.mark.parametrize("order", range(1, 9))
def test_sections_filter_as_the_weights_do(order):
    impulse = np.zeros(600)
    impulse[0] = 1.0
    low_pass = LowPass(700.0, order=order)
    out, weights = signal.sosfilt(low_pass.sections(RATE), impulse), low_pass.weights(RATE)[:600]
    # 600 samples of rounding
    assert out[: len(weights)] == pytest.approx(weights, abs=1e-12 * np.abs(weights).max())


# Identities


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_constant_speed_is_shown_without_bias_and_standstill_as_zero(estimator):
    weights = estimator.weights(RATE)
    k = np.arange(len(weights))
    # Sums of up to some thousand terms, each rounded at 1e-16 of the largest.
    assert abs(weights.sum()) < 1e-12 * RATE
    assert -(k * weights).sum() / RATE == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_delay_is_the_slope_of_the_phase_at_zero(estimator):
    step = 1e-4 * RATE / (2.0 * math.pi * max(estimator.delay(RATE) * RATE, 1.0))
    phase = np.angle(estimator.response(step, RATE) / (2j * math.pi * step))
    # The phase bends by some (1e-4)**2 of itself; delays here are at least 0.03 samples.
    assert -phase / (2.0 * math.pi * step) == pytest.approx(estimator.delay(RATE), rel=1e-5, abs=0.0)


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_noise_gain_is_the_root_of_the_sum_of_squared_weights(estimator):
    expected = math.sqrt((estimator.weights(RATE) ** 2).sum())
    assert estimator.noise_gain(RATE) == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize("estimator", LOW_PASSES + TRACKING + KALMAN, ids=_named)
def test_memory_ends_where_the_twin_has_fallen_silent(estimator):
    impulse = np.zeros(40000)
    impulse[0] = 1.0
    twin = np.abs(_twin(estimator, impulse))
    memory = estimator.memory(RATE)
    # The twin's own rounding is the floor of what can be seen.
    assert twin[memory:].max() <= 3e-16 * twin.max()
    assert memory < 2.0 * np.flatnonzero(twin > 1e-16 * twin.max())[-1] + 60


@pytest.mark.parametrize("estimator", DIFFERENCES, ids=_named)
def test_memory_of_a_finite_estimator_is_exact(estimator):
    weights = estimator.weights(RATE)
    assert len(weights) == estimator.memory(RATE)
    assert weights[0] != 0.0 != weights[-1]


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_estimates_scale_with_the_loop_rate(estimator):
    changes = {"low-pass": "corner", "tracking": "bandwidth", "kalman": "acceleration"}
    name = changes.get(estimator.kind)
    scaled = estimator
    if name:
        power = 2 if name == "acceleration" else 1
        scaled = type(estimator)(**{**_fields(estimator), name: getattr(estimator, name) * 4.0**power})
    assert scaled.noise_gain(4.0 * RATE) == pytest.approx(4.0 * estimator.noise_gain(RATE), rel=1e-12)
    assert scaled.delay(4.0 * RATE) == pytest.approx(estimator.delay(RATE) / 4.0, rel=1e-12, abs=0.0)
    assert scaled.response(4e3, 4.0 * RATE) == pytest.approx(4.0 * estimator.response(1e3, RATE), rel=1e-12)


def _fields(estimator):
    return {name: getattr(estimator, name) for name in type(estimator).__dataclass_fields__}


@pytest.mark.parametrize("samples", [3, 64, 1001, 1 << 20])
def test_slope_response_is_smooth_where_its_two_forms_meet(samples):
    # The series takes over at (N + 1) pi f/rate = 1.
    edge = RATE / (math.pi * (samples + 1))
    near, far = LeastSquares(samples).response(edge * np.array([1.0 - 1e-9, 1.0 + 1e-9]), RATE)
    assert near == pytest.approx(far, rel=1e-8)


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_response_of_one_frequency_is_a_number_and_repeats_with_the_rate(estimator):
    assert np.ndim(estimator.response(100.0, RATE)) == 0
    assert estimator.response(np.zeros((2, 3)), RATE).shape == (2, 3)
    repeated = estimator.response(-100.0 + 3.0 * RATE, RATE)
    assert repeated == pytest.approx(np.conj(estimator.response(100.0, RATE)), rel=1e-9)


def test_low_pass_of_order_one_far_above_the_rate_is_the_difference():
    assert LowPass(1e9).weights(RATE) == pytest.approx([*Difference().weights(RATE), 0.0], abs=1e-9)


# On an axis


def _axis(estimator, **changes):
    parts = {"signal": Signal(jitter=3e-9), "interpolation": Interpolation(factor=4000)} | changes
    return Axis(Scale(period=20e-6), sampling=Sampling(RATE), estimator=estimator, **parts)


@pytest.mark.parametrize(
    "estimator", [*LINEAR, Kalman(1.0), PeriodTiming(1e8), CountAndTime(1e8, 1e-3)], ids=_named
)
def test_an_axis_takes_any_estimator_and_writes_it_to_its_file(estimator):
    axis = _axis(estimator)
    assert encsim.loads(axis.to_toml()) == axis
    assert hash(axis.estimator) == hash(estimator)


@pytest.mark.parametrize("estimator", LINEAR, ids=_named)
def test_only_a_kalman_filter_takes_its_noise_from_the_axis(estimator):
    assert estimator.resolved(1e-9, 1e-9) is estimator


@pytest.mark.parametrize(
    ("jitter", "resolution", "noise"),
    [(3e-9, 0.0, 3e-9), (0.0, 6e-9, 6e-9 / math.sqrt(12.0)), (1e-25, 0.0, 1e-18)],
)
def test_kalman_noise_is_jitter_and_counting(jitter, resolution, noise):
    assert Kalman(1.0).resolved(jitter, resolution).noise == pytest.approx(noise, rel=1e-14, abs=0.0)


@pytest.mark.parametrize(
    ("text", "position", "value"),
    [
        ("2 m/s2", 'period = "20 um"', 2.0),
        ("1500 mm/s²", 'period = "20 um"', 1.5),
        ("3 rad/s^2", "lines = 9000", 3.0),
    ],
)
def test_acceleration_in_a_file_is_of_the_kind_of_the_scale(text, position, value):
    file = f'[scale]\n{position}\n[sampling]\nrate = "16 kHz"\n[interpolation]\nfactor = 400\n'
    file += f'[estimator]\nkind = "kalman"\nacceleration = "{text}"\n'
    assert encsim.loads(file).estimator == Kalman(value)


# Refusals


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (lambda: Difference(0), "Difference.samples must be a whole number from 1 to 1048576, got 0"),
        (lambda: LeastSquares(1), "LeastSquares.samples must be a whole number from 2 to 1048576, got 1"),
        (lambda: LeastSquares(8.0), "LeastSquares.samples must be a whole number"),
        (lambda: LowPass(0.0), "LowPass.corner must be positive and finite, got 0.0 Hz"),
        (lambda: LowPass(math.nan), "LowPass.corner must be positive and finite, got nan"),
        (lambda: LowPass(1e13), "LowPass.corner must lie from 1e-06 to 1e"),
        (lambda: LowPass(300.0, order=9), "LowPass.order must be a whole number from 1 to 8, got 9"),
        (lambda: LowPass(300.0, order=True), "LowPass.order must be a whole number from 1 to 8, got True"),
        (lambda: Tracking(-1.0), "Tracking.bandwidth must be positive and finite, got -1.0 Hz"),
        (lambda: Tracking(10.0, damping=0.0), "Tracking.damping must be positive and finite, got 0.0"),
        (lambda: Tracking(10.0, damping=200.0), "Tracking.damping must lie from 0.01 to 100, got 200.0"),
        (lambda: Kalman(0.0), "Kalman.acceleration must be positive and finite, got 0.0 m/s2 or rad/s2"),
        (lambda: Kalman(1.0, noise=0.0), "Kalman.noise must be positive and finite, got 0.0 m or rad"),
        (lambda: PeriodTiming("50 MHz"), 'PeriodTiming.clock must be positive and finite, got "50 MHz"'),
        (lambda: CountAndTime(1e8, 0.0), "CountAndTime.window must be positive and finite, got 0.0 s"),
        (lambda: CountAndTime(-1.0, 1e-3), "CountAndTime.clock must be positive and finite, got -1.0 Hz"),
    ],
)  # fmt: skip
def test_a_wrong_setting_is_named_with_its_rule(make, complaint):
    with pytest.raises(InputError, match="must") as caught:
        make()
    assert str(caught.value).startswith(complaint)


@pytest.mark.parametrize(
    ("use", "complaint"),
    [
        (lambda: Difference().delay(0.0), r"Difference rate must lie from 1e-06 to 1e\+12, got 0.0 Hz"),
        (lambda: LowPass(300.0).coefficients(math.inf), "LowPass rate must lie from .*, got inf Hz"),
        (lambda: Difference().response("x", RATE), 'Difference frequency must be finite numbers, .*got "x"'),
        (lambda: Tracking(9.0).response([1.0, math.nan], RATE), "Tracking frequency must be finite numbers"),
        (lambda: LowPass(9.0).response(1j, RATE), "LowPass frequency must be finite numbers"),
        (lambda: LeastSquares(9).response(10**400, RATE), "LeastSquares frequency must be finite numbers"),
        (lambda: LeastSquares(9).response([[1.0], 2.0], RATE), "LeastSquares frequency must be finite numbers"),
        (lambda: LowPass(8e3, order=2).noise_gain(RATE), "LowPass.corner must be below half the loop rate, 8000 Hz"),
        (lambda: Tracking(8e3).memory(RATE), "Tracking.bandwidth must be below half the loop rate, 8000 Hz"),
        (lambda: Kalman(1.0).delay(RATE), "Kalman.noise must be given, or come from an axis with jitter or counts"),
        (lambda: Kalman(1.0).resolved(0.0, 0.0), "Kalman.noise must be given, or come from an axis"),
        (lambda: Tracking(1e-4).weights(RATE), "Tracking memory must be at most 4194304 samples to list the weights"),
    ],
)  # fmt: skip
def test_a_wrong_use_is_named_with_its_rule(use, complaint):
    with pytest.raises(InputError, match=complaint):
        use()


@pytest.mark.parametrize(
    ("estimator", "changes", "complaint"),
    [
        (LowPass(8e3, order=2), {}, "Axis.estimator.corner must be below half the loop rate, 8000 Hz, got 8000.0 Hz"),
        (Tracking(9e3), {}, "Axis.estimator.bandwidth must be below half the loop rate, 8000 Hz, got 9000.0 Hz"),
        (Kalman(1.0), {"signal": Signal(), "interpolation": Interpolation()},
         "Axis.estimator.noise must be given, or come from an axis with jitter or counts"),
        (PeriodTiming(1e8), {"interpolation": Interpolation()},
         "Axis.interpolation.factor must be given with a period-timing estimator"),
        (CountAndTime(1e8, 1e-3), {"sampling": Sampling(RATE, encoder_rate=1e4)},
         "Axis.sampling.encoder_rate must be left out with a count-and-time estimator"),
    ],
)  # fmt: skip
def test_an_estimator_that_does_not_fit_the_axis_is_refused(estimator, changes, complaint):
    parts = {"interpolation": Interpolation(factor=4000), "sampling": Sampling(RATE)} | changes
    with pytest.raises(InputError, match=complaint):
        Axis(Scale(period=20e-6), estimator=estimator, **parts)


@pytest.mark.parametrize(
    ("lines", "complaint"),
    [
        ('kind = "low-pass"', 'estimator.corner must be given, as in corner = "16 kHz", got nothing'),
        (
            'kind = "low-pass"\ncorner = "9 kHz"\norder = 3',
            "line 9: estimator.corner must be below half the loop rate",
        ),
        ('kind = "kalman"\nacceleration = "2 rad/s2"', "must have a unit of linear acceleration"),
        ('kind = "kalman"\nacceleration = 2', "must be text with a unit of linear acceleration, got 2"),
        (
            'kind = "tracking"\nbandwidth = "9 Hz"\nsamples = 3',
            'samples must be left out with kind "tracking", got 3',
        ),
        ('kind = "tracker"\nbandwidth = "9 Hz"', 'did you mean "tracking"'),
    ],
)
def test_a_wrong_estimator_in_a_file_is_named_with_key_and_rule(lines, complaint):
    file = (
        '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n[interpolation]\nfactor = 400\n[estimator]\n'
    )
    with pytest.raises(InputError, match=complaint):
        encsim.loads(file + lines)
