import json
import pickle
import re

import numpy as np
import pytest

import encsim
from encsim import identify
from encsim.calibration import ellipse
from encsim.recordings import identification

TAU = 2.0 * np.pi
FAULTS = {
    "ideal": {},
    "offset": {"offset": (0.1, -0.2)},
    "gain": {"gain": 0.3},
    "phase": {"phase": -0.25},
    "all": {"offset": (-0.05, 0.08), "gain": -0.12, "phase": 0.15},
}


def record(theta, amplitude=1.0, offset=(0.0, 0.0), gain=0.0, phase=0.0, harmonics=None, noise=0.0, seed=1):
    """Both channels at the phases theta, straight from their definition."""
    waves = (harmonics or {}).items()
    c = np.cos(theta) + sum(h * np.cos(n * theta) for n, h in waves) + offset[0]
    s = (
        (1.0 + gain) * np.sin(theta + phase)
        + sum(h * np.cos(n * (theta - TAU / 4.0)) for n, h in waves)
        + offset[1]
    )
    grain = noise * np.random.default_rng(seed).standard_normal((2, len(theta)))
    return amplitude * (c + grain[0]), amplitude * (s + grain[1])


def steady_phase(count, speed=0.01237, start=0.3):
    return TAU * (speed * np.arange(count) + start)


def random_phase(count, seed, arc=1.0, middle=0.0):
    return TAU * (middle + arc * (np.random.default_rng(seed).random(count) - 0.5))


def errors_in_sigma(fit, offset=(0.0, 0.0), gain=0.0, phase=0.0, harmonics=None, noise=None):
    """Deviations from the truth over their standard uncertainties."""
    signal, sure = fit.signal, fit.uncertainty
    off = [(signal.offset[i] - offset[i]) / sure["offset"][i] for i in (0, 1)]
    off += [(signal.gain - gain) / sure["gain"], (signal.phase - phase) / sure["phase"]]
    off += [(signal.harmonics[n] - h) / sure["harmonics"][n] for n, h in (harmonics or {}).items()]
    return np.array([*off, *([] if noise is None else [(signal.noise - noise) / sure["noise"]])])


# Heydemann, Applied Optics 20, 3382 (1981): x = R cos t + p, y = (R sin t cos al - R cos t sin al)/r + q; the
# equations are from memory, the figures were made by a fit outside this project.
HEYDEMANN = (
    1.019915489701682,
    1.1896294271880419,
    0.1536747294497805,
    -0.19322586687885177,
    0.1511806468613478,
)


ALPHA = np.radians(4.0)


def heydemann_channels(p=0.1, q=-0.07, r=1.08, alpha=ALPHA):
    t = np.linspace(0.0, TAU, 40, endpoint=False)
    return np.cos(t) + p, (np.sin(t) * np.cos(alpha) - np.cos(t) * np.sin(alpha)) / r + q


def test_conic_coefficients_are_those_of_heydemann():
    # 1e-10: the figures were computed in doubles by another least squares.
    np.testing.assert_allclose(ellipse.conic(*heydemann_channels()), HEYDEMANN, rtol=1e-10)


def test_heydemann_parameters_come_back_as_offset_gain_and_phase():
    fit = identify(*heydemann_channels())
    found = [*fit.signal.offset, 1.0 / (1.0 + fit.signal.gain), -fit.signal.phase]
    np.testing.assert_allclose(found, [0.1, -0.07, 1.08, ALPHA], rtol=1e-9)


@pytest.mark.parametrize("steady", [False, True])
@pytest.mark.parametrize("faults", FAULTS.values(), ids=FAULTS.keys())
def test_faults_come_back_exactly_without_noise(faults, steady):
    fit = identify(*record(steady_phase(500), amplitude=3.7, **faults), steady)
    # 1e-11: rounding of doubles times the condition of the least squares.
    expected = encsim.Signal(**faults)
    np.testing.assert_allclose(fit.signal.offset, expected.offset, atol=1e-11)
    np.testing.assert_allclose([fit.signal.gain, fit.signal.phase, fit.amplitude / 3.7],
                               [expected.gain, expected.phase, 1.0], atol=1e-11)  # fmt: skip
    assert fit.valid
    assert fit.signal.harmonics == {}


@pytest.mark.parametrize("steady", [False, True])
@pytest.mark.parametrize("noise", [1e-4, 1e-2, 0.05])
@pytest.mark.parametrize("faults", FAULTS.values(), ids=FAULTS.keys())
def test_faults_come_back_within_three_uncertainties(faults, noise, steady):
    fit = identify(*record(steady_phase(1500), noise=noise, **faults, seed=5), steady)
    # 150 figures in all at a fixed seed; a Gaussian one passes 3 with 0.3 %.
    assert np.max(np.abs(errors_in_sigma(fit, noise=noise, **faults))) < 3.0


@pytest.mark.parametrize("speed", [0.01237, -0.01237, 0.31, 0.497, 0.9995])
def test_steady_motion_gives_every_harmonic_at_any_speed(speed):
    harmonics = {2: 0.01, 3: -0.02, 5: 0.02, 7: 0.004}
    fit = identify(*record(steady_phase(4000, speed), noise=0.01, harmonics=harmonics), True)
    assert set(fit.signal.harmonics) == set(harmonics)
    assert np.max(np.abs(errors_in_sigma(fit, harmonics=harmonics))) < 3.5


def test_steady_motion_may_accelerate():
    k = np.arange(4000) / 4000
    theta = TAU * (20.0 * k + 15.0 * k**2 - 6.0 * k**4)
    fit = identify(*record(theta, noise=0.01, harmonics={3: 0.01}), True)
    assert fit.valid
    assert np.max(np.abs(errors_in_sigma(fit, harmonics={3: 0.01}, noise=0.01))) < 3.5


@pytest.mark.parametrize("harmonics", [{3: 0.02}, {5: 0.02}, {3: 0.012, 5: 0.008}])
def test_ellipse_alone_tells_only_the_sum_of_third_and_fifth_harmonic(harmonics):
    fit = identify(*record(random_phase(2000, 3), noise=0.002, harmonics=harmonics))
    assert fit.signal.harmonics == {}
    assert "h3 + h5 = 0.02 ± 6e-05" in " ".join(fit.remarks)
    # The waveform is taken out of the noise, else it would read 0.014.
    assert fit.signal.noise == pytest.approx(0.002, rel=0.06)


@pytest.fixture(scope="module")
def many_fits(cases):
    """Fits of 400 points with noise 0.01, 60 or 300 a mode: the spread then has a standard error of 9 or 4 %."""
    fits = cases(60, 300)

    def fitted(steady):
        phases = (steady_phase(400, start=i / fits) for i in range(fits))
        return [identify(*record(theta, noise=0.01, harmonics={3: 0.01}, seed=i), steady)
                for i, theta in enumerate(phases)]  # fmt: skip

    return {steady: fitted(steady) for steady in (False, True)}


BOUNDS = [
    (False, "offset", np.sqrt(2.0)), (False, "gain", np.sqrt(8.0)), (False, "phase", np.sqrt(8.0)),
    (False, "amplitude", np.sqrt(3.0)), (False, "noise", np.sqrt(0.5)), (True, "offset", 1.0), (True, "gain", 2.0),
    (True, "phase", 2.0), (True, "harmonics", 1.0), (True, "noise", np.sqrt(0.5)),
]  # fmt: skip


def figures(fits, field):
    """Values and stated uncertainties of one field over many fits; the first of a pair."""
    part = {"offset": 0, "harmonics": 3}.get(field)
    values = [fit.amplitude if field == "amplitude" else getattr(fit.signal, field) for fit in fits]
    sure = [fit.uncertainty[field] for fit in fits]
    return np.array([[v if part is None else v[part] for v in row] for row in (values, sure)])


@pytest.mark.parametrize(("steady", "field", "bound"), BOUNDS)
def test_spread_reaches_the_bound_and_the_stated_uncertainty_tells_it(many_fits, steady, field, bound):
    values, sure = figures(many_fits[steady], field)
    # 4 standard errors of a spread, and the share of parameters in 400 points (2 %).
    limit = 4.0 / np.sqrt(2.0 * values.size) + 0.02
    assert np.std(values) == pytest.approx(bound * 0.01 / np.sqrt(400.0), rel=limit)
    # Without steady the waveform counts as noise: 0.01/sqrt(2) beside 0.01 makes the statement 1.22 times.
    cautious = np.sqrt(1.5) if not steady and field != "noise" else 1.0
    assert np.median(sure) == pytest.approx(cautious * np.std(values), rel=limit)


# Standard deviation times sqrt(points)/noise on arcs round the sine's crest and in the first quadrant.
@pytest.mark.parametrize(("arc", "middle", "field", "bound"), [
    (0.5, 0.25, "gain", 13.0), (0.5, 0.25, "offset", 15.0),
    (0.25, 0.125, "offset", 190.0), (0.25, 0.125, "phase", 150.0),
])  # fmt: skip
def test_uncertainty_grows_on_arcs_as_the_bounds_say(arc, middle, field, bound):
    theta = TAU * (middle + arc * (np.arange(20_000) / 20_000 - 0.5))
    sure = identify(*record(theta, noise=1e-4)).uncertainty[field]
    largest = max(sure) if field == "offset" else sure
    # 3 %: the bounds are stated to two digits.
    assert largest * np.sqrt(20_000) / 1e-4 == pytest.approx(bound, rel=0.03)


def test_amplitude_is_not_biased_by_noise():
    fits = [identify(*record(random_phase(1200, i), noise=0.09, seed=i)).amplitude for i in range(100)]
    # Uncorrected it would be noise^2/2 = 0.004 too large; 4 standard errors of the mean are 0.0018.
    assert np.mean(fits) == pytest.approx(1.0, abs=4.0 * np.sqrt(3.0) * 0.09 / np.sqrt(100 * 1200))


@pytest.mark.parametrize(("noise", "jitter"), [(0.005, 0.02), (0.001, 0.005), (0.01, 0.05), (2e-4, 0.05)])
def test_jitter_and_noise_are_told_apart_in_steady_motion(noise, jitter):
    theta = steady_phase(4000) + jitter * np.random.default_rng(8).standard_normal(4000)
    fit = identify(*record(theta, noise=noise, gain=0.1, harmonics={3: 0.02}), True, period=20e-6)
    shown = fit.signal.jitter * TAU / 20e-6
    assert shown == pytest.approx(fit.phase_jitter, rel=1e-12)
    assert abs(shown - jitter) < 3.0 * fit.uncertainty["phase_jitter"]
    assert np.max(np.abs(errors_in_sigma(fit, gain=0.1, harmonics={3: 0.02}, noise=noise))) < 3.5


def test_jitter_of_an_edge_case_is_zero_when_noise_explains_it():
    fit = identify(*record(steady_phase(2000), noise=0.01), True, period=1.0)
    assert fit.phase_jitter == 0.0
    assert fit.signal.jitter == 0.0
    assert "no phase jitter seen" in " ".join(fit.remarks)


def test_jitter_does_not_damp_amplitude_and_harmonics():
    theta = steady_phase(40_000) + 0.08 * np.random.default_rng(9).standard_normal(40_000)
    fit = identify(*record(theta, noise=0.02, harmonics={5: 0.02}), True)
    # The mean over jitter would leave exp(-25 x 0.08^2/2) = 0.92 of the fifth and 0.997 of the amplitude.
    assert abs(fit.signal.harmonics[5] - 0.02) < 3.0 * fit.uncertainty["harmonics"][5]
    assert abs(fit.amplitude - 1.0) < 3.0 * fit.uncertainty["amplitude"]


def test_third_and_fifth_harmonic_are_not_confused_where_jitter_leaves_only_their_sum():
    harmonics = {3: -0.0008, 5: 0.0018}
    theta = steady_phase(3000) + 0.03 * np.random.default_rng(6).standard_normal(3000)
    fit = identify(*record(theta, noise=0.001, harmonics=harmonics), True)
    # Apart they are hardly known, together well; keeping one alone would give it the sum, 0.001.
    assert fit.uncertainty["harmonics"][5] > 2e-4
    assert np.max(np.abs(errors_in_sigma(fit, harmonics=harmonics))) < 3.5
    assert fit.signal.harmonics[3] + fit.signal.harmonics[5] == pytest.approx(0.001, abs=1e-4)


def square(theta):
    return np.clip(4.0 * np.abs(theta / TAU % 1.0 - 0.5) - 1.0, -0.5, 0.5)


def refusals():
    theta, rng = steady_phase(600), np.random.default_rng(2)
    wide = record(theta, noise=0.001)
    yield "few points", record(steady_phase(19, 0.1)), "19 points are fewer than 20"
    yield "no points", ([], []), "0 points"
    yield (
        "quarter circle",
        record(random_phase(600, 1, 0.25), noise=0.001),
        "25% of the circle|27% of the circle",
    )
    yield (
        "four spots",
        (np.sign(wide[0]), np.sign(wide[1])),
        "no ellipse: the points lie on a line or in a few spots",
    )
    yield "diamond", (np.arcsin(np.cos(theta)), np.arcsin(np.sin(theta))), "too far from an ellipse"
    yield "square", (square(theta), square(theta - TAU / 4.0)), "too far from an ellipse"
    yield "lobes", record(theta, harmonics={3: 0.2}), "too far from an ellipse"
    yield "clipped above", (np.minimum(wide[0], 0.9), wide[1]), "cosine channel is clipped at its upper end"
    yield "clipped below", (wide[0], np.maximum(wide[1], -0.98)), "sine channel is clipped at its lower end"
    yield "constant", (np.ones(100), np.full(100, 2.0)), "no ellipse: both channels are constant"
    yield "one constant", (wide[0], np.zeros(600)), "no ellipse"
    yield "two spots", ([1, 2] * 50, [3, 5] * 50), "no ellipse"
    yield "line", (wide[0], 2.0 * wide[0] + 1.0), "no ellipse"
    yield "noisy line", (wide[0], 2.0 * wide[0] + 0.01 * rng.standard_normal(600)), "no ellipse|too far"
    yield "noise", rng.standard_normal((2, 600)), "no ellipse|too far"
    yield "hyperbola", (np.linspace(0.1, 3.0, 500), 1.0 / np.linspace(0.1, 3.0, 500)), "no ellipse"
    yield "parabola", (np.linspace(-1.0, 1.0, 500), np.linspace(-1.0, 1.0, 500) ** 2), "no ellipse"
    yield (
        "raw codes",
        (2048 + 900 * wide[0], 2048 + 900 * wide[1]),
        "larger than the signal: take mid-scale off",
    )


@pytest.mark.parametrize("steady", [False, True])
@pytest.mark.parametrize(("channels", "reason"), [pytest.param(*rest, id=name) for name, *rest in refusals()])
def test_what_is_no_seen_ellipse_is_refused_with_its_reason(channels, reason, steady):
    fit = identify(*channels, steady)
    assert not fit.valid
    assert re.search(reason, " ".join(fit.reasons))
    json.dumps(fit.to_dict(), allow_nan=False)


def wandering(step, count=4000):
    return np.cumsum(step * np.random.default_rng(4).standard_normal(count))


@pytest.mark.parametrize("theta", [
    wandering(0.5), random_phase(3000, 1), steady_phase(3000) + 0.4 * np.sin(steady_phase(3000, 0.0031)),
], ids=["wandering", "jumping", "swinging"])  # fmt: skip
def test_steady_is_refused_where_the_motion_was_not_smooth(theta):
    channels = record(theta, noise=0.002, gain=0.02)
    fit = identify(*channels, True)
    assert "smooth" in fit.reasons[0]
    assert fit.signal == identify(*channels).signal
    assert identify(*channels).valid


@pytest.mark.parametrize("bits", [5, 8, 12, 16])
def test_converted_channels_are_not_taken_for_clipped(bits, cases):
    step = 2.5 / 2**bits
    for count in range(30, 70, cases(13, 3)):
        channels = record(steady_phase(4000, 1.0 / count))
        channels = [np.floor(channel / step + 0.5) * step for channel in channels]
        assert not any("clipped" in reason for reason in identify(*channels).reasons), count


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_converted_channels_clipped_by_five_steps_are_found(bits):
    step = 2.5 / 2**bits
    codes = [np.floor(channel / step + 0.5) for channel in record(steady_phase(20_000, 0.001237))]
    clipped = np.minimum(codes[0], codes[0].max() - 5)
    assert (
        "the cosine channel is clipped at its upper end" in identify(clipped * step, codes[1] * step).reasons
    )


REMARKS = {
    "backwards": (record(-steady_phase(600), noise=0.01), "runs backwards"),
    "half arc": (record(random_phase(600, 2, 0.6), noise=0.001), "of the circle was seen"),
    "held": (
        [np.repeat(channel, 2) for channel in record(steady_phase(300), noise=0.01)],
        "50% of the samples repeat",
    ),
    "wild": ([np.append(channel, 2.0) for channel in record(steady_phase(600))], "sample 600 is"),
}


@pytest.mark.parametrize(("channels", "remark"), REMARKS.values(), ids=REMARKS.keys())
def test_remark_tells_what_is_odd(channels, remark):
    fit = identify(*channels)
    assert fit.valid
    assert remark in " ".join(fit.remarks)


def test_clean_forward_recording_has_no_remark_of_its_own():
    c, s = record(steady_phase(600), noise=0.01)
    assert list(identification.remarks(c, s, c + 1j * s, 1.0)) == []


@pytest.mark.parametrize("factor", [1e-300, 1e-5, 1e300, -1.0])
@pytest.mark.parametrize("steady", [False, True])
def test_faults_do_not_depend_on_the_unit(factor, steady):
    channels = record(steady_phase(600), noise=0.01, **FAULTS["all"])
    plain, other = identify(*channels, steady), identify(*(factor * channel for channel in channels), steady)
    # Turning both channels round only turns the offset; 1e-9 is the rounding of the least squares.
    assert other.amplitude == pytest.approx(abs(factor) * plain.amplitude, rel=1e-9)
    assert other.signal.gain == pytest.approx(plain.signal.gain, abs=1e-9)
    assert np.multiply(np.sign(factor), other.signal.offset) == pytest.approx(plain.signal.offset, abs=1e-9)
    assert other.uncertainty["phase"] == pytest.approx(plain.uncertainty["phase"], rel=1e-6)


def test_order_of_the_samples_does_not_matter_to_the_ellipse():
    c, s = record(steady_phase(600), noise=0.01)
    mixed = np.random.default_rng(1).permutation(600)
    assert identify(c[mixed], s[mixed]).signal.offset == pytest.approx(
        identify(c, s).signal.offset, abs=1e-12
    )


@pytest.mark.parametrize("steady", [False, True])
def test_block_size_does_not_matter(monkeypatch, steady):
    channels = record(steady_phase(600), noise=0.01, harmonics={3: 0.02})
    whole = identify(*channels, steady)
    monkeypatch.setattr(ellipse, "BLOCK", 37)
    assert identify(*channels, steady).signal.gain == pytest.approx(whole.signal.gain, abs=1e-9)


@pytest.mark.parametrize("kind", [list, tuple, np.float32, np.int16])
def test_any_row_of_numbers_is_taken(kind):
    channels = [1000.0 * channel for channel in record(steady_phase(200), gain=0.05)]
    given = [kind(channel) if kind in (list, tuple) else channel.astype(kind) for channel in channels]
    assert identify(*given).signal.gain == pytest.approx(0.05, abs=1e-3)


def test_result_keeps_a_copy_and_pickles():
    c, s = record(steady_phase(100), noise=0.01)
    fit = identify(c, s)
    first, c[0] = c[0], 7.0
    assert fit.cosine[0] == first
    assert pickle.loads(pickle.dumps(fit)).signal == fit.signal
    assert "cosine" not in fit.to_dict()


GOOD = np.cos(np.arange(30.0))
BAD = [
    (np.where(np.arange(30) == 3, np.nan, GOOD), GOOD, r"cosine must hold finite numbers only, got \"nan at index 3\""),
    (GOOD, np.where(np.arange(30) == 4, -np.inf, GOOD), r"sine must hold finite numbers only, got \"-inf at index 4\""),
    (GOOD, GOOD[1:], "sine must be as long as cosine, 30, got 29"),
    (GOOD > 0.0, GOOD, "cosine must be one row of real numbers, got \"bool of shape"),
    (GOOD.astype(str), GOOD, "cosine must be one row of real numbers"),
    (GOOD * 1j, GOOD, "cosine must be one row of real numbers, got \"complex128"),
    (GOOD.reshape(2, 15), GOOD, r"cosine must be one row of real numbers, got \"float64 of shape \(2, 15\)"),
    (3.0, GOOD, "cosine must be one row of real numbers"),
    (None, GOOD, "cosine must be one row of real numbers"),
    ("text", GOOD, "cosine must be one row of real numbers"),
    ([[1.0], [1.0, 2.0]], GOOD, "cosine must be one row of real numbers"),
    ([10**400] * 30, GOOD, "cosine must be one row of real numbers"),
    (np.ma.masked_less(GOOD, 0.0), GOOD, "cosine must hold no masked values"),
]  # fmt: skip


@pytest.mark.parametrize(("cosine", "sine", "message"), BAD)
def test_malformed_channels_are_named(cosine, sine, message):
    with pytest.raises(encsim.InputError, match=message):
        identify(cosine, sine)


@pytest.mark.parametrize(("extra", "message"), [
    ({"steady": "yes"}, "steady must be True or False, got \"yes\""),
    ({"period": 0.0}, "period must be positive and finite, got 0.0 m or rad"),
    ({"period": True}, "period must be positive and finite, got True"),
    ({"period": np.nan}, "period must be positive and finite, got nan"),
])  # fmt: skip
def test_malformed_options_are_named(extra, message):
    with pytest.raises(encsim.InputError, match=message):
        identify(GOOD, GOOD, **extra)


def test_plot_of_nothing_fitted_says_why():
    with pytest.raises(encsim.InputError, match='have a fit to draw, got "no ellipse'):
        identify(GOOD, GOOD).plot()


@pytest.mark.parametrize("steady", [False, True])
def test_plot_draws_into_the_axes_given(steady):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert identify(*record(steady_phase(300), noise=0.01), steady).plot(ax) is ax
