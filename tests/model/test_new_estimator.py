"""A new estimator is one class and one entry: two made-up ones and `QuadraticFit` go through every calculation."""

import json
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter, savgol_coeffs

import encsim
from encsim import Axis, Control, Interpolation, LeastSquares, Load, QuadraticFit, Sampling, Scale, Signal
from encsim.__main__ import main
from encsim.decisions.proposals import Situation, proposed
from encsim.formats import estimator_text
from encsim.model import estimators
from encsim.model.estimator_base import Look
from encsim.model.linear_estimator import FiniteResponse, Recursive
from encsim.units import quantity

RATE, SPEED, PITCH = 16e3, 0.0123456, 20e-6
AXIS = Axis(
    Scale(period=PITCH),
    signal=Signal(offset=(0.01, -0.005), gain=0.02, harmonics={3: 0.002}, jitter=1e-9),
    interpolation=Interpolation(factor=400),
    sampling=Sampling(RATE),
)
LOAD, CONTROL = Load(5.0, viscous=3.0), Control(60.0, 2500.0, integral_time=0.02, delay=100e-6)


@dataclass(frozen=True, slots=True)
class MeanDifference(FiniteResponse):
    """Made up: mean of two differences over N samples, one sample apart; four taps."""

    samples: int
    kind = "mean-difference"
    tuning = "samples"
    exponent = -1.0
    least = 2

    def weights(self, rate):
        weights = np.zeros(self.samples + 2)
        weights[:2] += 0.5 * self._rate(rate) / self.samples
        weights[-2:] -= 0.5 * rate / self.samples
        return weights


@dataclass(frozen=True, slots=True)
class TwoPoles(Recursive):
    """Made up: difference through two equal poles, each of unity gain at 0 Hz."""

    corner: float = quantity("frequency")
    kind = "two-poles"
    phrase = "pair of poles"
    tuning = "corner"
    look = Look("ink", "v", "-")

    def sections(self, rate):
        pole = np.exp(-2.0 * np.pi * self.corner / self._rate(rate))
        rows = [[rate, -rate, 0.0, 1.0, 0.0, 0.0], [(1.0 - pole) ** 2, 0.0, 0.0, 1.0, -2.0 * pole, pole**2]]
        return np.array(rows)


MADE_UP = [MeanDifference(6), TwoPoles(400.0)]
NEW = [*MADE_UP, QuadraticFit(12)]
CASES = pytest.mark.parametrize("estimator", NEW, ids=lambda one: one.kind)


@pytest.fixture(autouse=True)
def registered(monkeypatch):
    """The made-up estimators in the registry, for the time of a test."""
    for one in MADE_UP:
        monkeypatch.setitem(estimators.KINDS, one.kind, type(one))


def closed(estimator, **changes):
    """The axis with an estimator in a closed loop."""
    return replace(AXIS, estimator=estimator, load=LOAD, control=CONTROL, **changes)


def filtered(estimator, positions):
    """Velocity that the declared difference equation makes of positions, the first of which stood for ever."""
    numerator, denominator = estimator.coefficients(RATE)
    return lfilter(numerator, denominator, positions - positions[0])


@CASES
def test_response_is_the_sum_of_the_weights(estimator):
    weights = estimator.weights(RATE)
    frequency = np.array([0.0, 0.3, 17.0, 313.7, 2000.0, 7999.0, 11000.0])
    wave = np.exp(-2j * np.pi * np.outer(frequency / RATE, np.arange(len(weights))))
    # sums of numbers up to the rate, rounded
    np.testing.assert_allclose(estimator.response(frequency, RATE), wave @ weights, rtol=1e-9, atol=1e-9)


@CASES
def test_delay_and_noise_are_those_of_the_weights(estimator):
    weights, lag = estimator.weights(RATE), np.arange(estimator.memory(RATE)) / RATE
    assert weights @ lag == pytest.approx(-1.0, rel=1e-9)  # the velocity of a steady motion is right
    # the parabola has none: what is left is rounding of terms of some 1e-3 s
    assert estimator.delay(RATE) == pytest.approx(-0.5 * weights @ lag**2, rel=1e-9, abs=1e-15)
    assert estimator.noise_gain(RATE) == pytest.approx(np.sqrt((weights**2).sum()), rel=1e-9)


@CASES
def test_bandwidth_scales_by_the_declared_field(estimator):
    slower, rate = estimator.scaled(0.5), RATE
    assert type(slower) is type(estimator)
    ratio = slower.noise_gain(rate) / estimator.noise_gain(rate)
    assert 0.2 < ratio < 0.6  # noise falls with the bandwidth: its first power to its 3/2th


@CASES
def test_ripple_of_runs_is_that_of_the_closed_form(estimator):
    axis = replace(AXIS, estimator=estimator)
    curve = encsim.ripple(axis, [SPEED])
    starts = (np.arange(8) + 0.5) / 8 * PITCH
    runs = [
        encsim.simulate(axis, SPEED, 1 << 17, seed=i, start=float(start)).rms
        for i, start in enumerate(starts)
    ]
    # 2**20 samples leave some tenths of a per cent to chance
    assert np.sqrt(np.mean(np.square(runs))) == pytest.approx(curve.rms[0], rel=0.01)


@CASES
def test_stream_in_pieces_is_the_difference_equation_of_its_positions(estimator):
    axis = replace(AXIS, estimator=estimator)
    stream, pieces = encsim.Stream(axis, SPEED, seed=3), []
    for size in (1, 2047, 1, 3000, 1951):
        pieces.append((np.empty(size), np.empty(size)))
        stream.read(*pieces[-1])
    position, velocity = (np.concatenate(part) for part in zip(*pieces, strict=True))
    assert np.array_equal(velocity, encsim.simulate(axis, SPEED, 7000, seed=3).velocity)
    # rounding of positions of 5 mm times weights of 1e4 1/s
    forgotten = 3000
    expected = filtered(estimator, position)
    assert np.abs(velocity - expected)[forgotten:].max() < 1e-12 * RATE * position[-1] * 100


@pytest.mark.parametrize("samples", [3, 9, 2051])
def test_parabola_of_any_length_is_the_difference_equation_of_its_positions(samples):
    estimator = QuadraticFit(samples)
    trace = encsim.simulate(replace(AXIS, estimator=estimator), -0.31, 9000)
    expected = filtered(estimator, trace.position)
    assert np.abs(trace.velocity - expected)[samples:].max() < 1e-9 * 0.31


@CASES
def test_run_measures_the_difference_equation_of_its_positions(estimator):
    found = encsim.run(closed(estimator), SPEED, 0.5, seed=1)
    forgotten = 3000
    expected = filtered(estimator, found.position)
    assert np.abs(found.measured - expected)[forgotten:].max() < 1e-8 * SPEED


@CASES
def test_lanes_of_many_speeds_are_single_runs(estimator):
    speeds = [SPEED, 2.1 * SPEED]
    many = encsim.runs(closed(estimator), speeds, 0.25, seed=5)
    alone = [encsim.run(closed(estimator), speed, 0.25, seed=5 + i) for i, speed in enumerate(speeds)]
    assert many.rms["measured"].tolist() == [one.rms["measured"] for one in alone]


@CASES
def test_ripple_of_the_loop_is_that_of_runs(estimator):
    axis = closed(estimator, signal=replace(AXIS.signal, jitter=5e-9))
    expected = encsim.smoothness(axis, [SPEED]).measured[0]
    found = encsim.runs(axis, [SPEED] * 8, 2.0, seed=1).rms["measured"]
    # 2**18 samples: one per cent of chance
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(expected, rel=0.02)


@CASES
def test_margin_of_delay_is_where_the_loop_becomes_unstable(estimator):
    axis = closed(estimator)
    bears = encsim.margins(axis).delay_margin
    for share, stable in ((0.99, True), (1.01, False)):
        later = replace(axis, control=replace(CONTROL, delay=CONTROL.delay + share * bears))
        assert encsim.margins(later).stable is stable


@CASES
def test_tuned_loop_keeps_its_phase_margin(estimator):
    axis = closed(estimator)
    tuned = replace(axis, control=encsim.tune(axis, phase_margin=50.0))
    assert encsim.margins(tuned).phase_margin > 49.9


@CASES
def test_explain_proposes_the_same_estimator_slower(estimator):
    situation = Situation.of(replace(AXIS, estimator=estimator), SPEED)
    slower = [one for one in proposed(situation) if one.kind == "slower estimator"]
    assert [one.change["estimator"] for one in slower] == [estimator.scaled(0.5)]


@CASES
def test_frontier_compares_it_and_draws_it(estimator):
    around = estimator_text.around(replace(AXIS, estimator=estimator))
    same = [one for one in around if type(one) is type(estimator)]
    assert len(same) > 4
    curve = encsim.frontier(AXIS, SPEED, [*same, LeastSquares(8)])
    assert curve.rms[0] == encsim.ripple(replace(AXIS, estimator=estimator), [SPEED]).rms[0]
    words = " ".join(
        text.get_text() for text in curve.plot().figure.findobj(lambda a: hasattr(a, "get_text"))
    )
    assert (estimator.name() in words) is (estimator.delay(RATE) > 0.0)  # a log axis has no place for 0


@CASES
def test_axis_file_and_option_bring_it_back(estimator, tmp_path):
    axis = replace(AXIS, estimator=estimator)
    path = tmp_path / "axis.toml"
    path.write_text(axis.to_toml())
    assert encsim.load(path) == axis
    assert estimator_text.read(estimator_text.text(estimator, "m"), AXIS) == [estimator]


def test_new_kinds_are_compared_unless_they_decline():
    kinds = {type(one) for one in estimator_text.around(AXIS)}
    assert {MeanDifference, TwoPoles} < kinds
    assert QuadraticFit not in kinds


@pytest.mark.parametrize("kind", list(estimators.KINDS))
def test_every_kind_has_an_example_of_its_own_fields(kind):
    keys = [part.split(" = ")[0] for part in estimators.KINDS[kind].example[0].split("  ") if " = " in part]
    assert {key.strip() for key in keys} <= {item.name for item in fields(estimators.KINDS[kind])}
    assert keys


@pytest.mark.parametrize("samples", [3, 4, 5, 11, 64])
def test_weights_are_the_slope_of_a_fitted_parabola_at_its_end(samples):
    # numpy.polyfit of unit impulses, time 0 at the newest position
    time = np.arange(samples) - (samples - 1)
    slopes = [np.polyfit(time, impulse, 2)[1] for impulse in np.eye(samples)[::-1]]
    np.testing.assert_allclose(QuadraticFit(samples).weights(1.0), slopes, rtol=0, atol=1e-12)


@pytest.mark.parametrize("samples", [3, 5, 11, 65])
def test_weights_are_those_of_savitzky_and_golay_at_the_end(samples):
    # scipy.signal.savgol_coeffs; A. Savitzky, M. J. E. Golay, Analytical Chemistry 36(8), 1627-1639, 1964
    published = savgol_coeffs(samples, 2, deriv=1, pos=samples - 1, use="dot")[::-1]
    np.testing.assert_allclose(QuadraticFit(samples).weights(1.0), published, rtol=0, atol=1e-12)


@pytest.mark.parametrize("samples", [3, 4, 1000, 1 << 20])
def test_long_parabolas_stay_exact(samples):
    c0, c1, c2 = map(Fraction, QuadraticFit(samples)._parabola())
    n = samples
    sums = [n, n * (n - 1) // 2, n * (n - 1) * (2 * n - 1) // 6, (n * (n - 1) // 2) ** 2]
    slope = c0 * sums[1] + c1 * sums[2] + c2 * sums[3]
    # the mean of a constant is 0 and the slope of a line 1, up to the rounding of three numbers
    assert abs(c0 * sums[0] + c1 * sums[1] + c2 * sums[2]) * n < 1e-13
    assert abs(slope + 1) < 1e-13


@pytest.mark.parametrize("samples", [3, 8, 101, 5000])
def test_gain_of_a_parabola_is_smooth_from_series_to_closed_form(samples):
    edge = 2.0 / (np.pi * samples)
    frequency = edge * np.array([1e-6, 0.1, 0.999999, 1.000001, 1.5])
    lag = np.arange(samples)
    expected = np.exp(-2j * np.pi * np.outer(frequency, lag)) @ QuadraticFit(samples).weights(1.0)
    # the sum loses what its weights of 1/N cancel
    np.testing.assert_allclose(
        QuadraticFit(samples).response(frequency, 1.0), expected, atol=1e-14, rtol=1e-9
    )


def test_parabola_follows_an_acceleration_without_delay():
    time = np.arange(400) / RATE
    position = 3.0 * time + 0.5 * 40.0 * time**2
    found = np.convolve(position, QuadraticFit(32).weights(RATE), mode="valid")
    np.testing.assert_allclose(found, 3.0 + 40.0 * time[31:], rtol=1e-12)


@pytest.mark.parametrize("samples", [2, (1 << 20) + 1, 3.5])
def test_parabola_refuses_a_number_of_samples(samples):
    with pytest.raises(encsim.InputError, match=r"QuadraticFit\.samples must be"):
        QuadraticFit(samples)


@pytest.fixture
def stage(tmp_path, monkeypatch):
    """An axis file with a quadratic fit, in the current folder."""
    monkeypatch.chdir(tmp_path)
    source = Path(__file__).resolve().parents[2] / "examples" / "stage_x.toml"
    text = source.read_text().replace("\nbits = 12", "").replace("\nsamples = 1 ", "\nsamples = 12 ")
    Path("axis.toml").write_text(text.replace('\nkind = "difference"', '\nkind = "quadratic-fit"'))
    return encsim.load("axis.toml")


def answer(capsys, *argv):
    """The JSON of a command."""
    assert main([*argv, "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


def test_command_line_computes_its_ripple(stage, capsys):
    assert stage.estimator == QuadraticFit(12)
    found = answer(capsys, "ripple", "axis.toml", "--speeds", "5 mm/s")
    assert found["rms"] == encsim.ripple(stage, [5e-3]).rms.tolist()


def test_command_line_compares_it(stage, capsys):
    options = "--speed", "5 mm/s", "--estimators", "own; quadratic-fit 8, 32; least-squares 8"
    found = answer(capsys, "frontier", "axis.toml", *options)
    assert found["family"] == ["quadratic-fit"] * 3 + ["least-squares"]
    assert found["delay"][:3] == [0.0] * 3


def test_command_line_chooses_among_its_sizes(stage, capsys):
    Path("limits.toml").write_text('[requirement]\nspeeds = ["5 mm/s", "6 mm/s"]\nrelative = 0.02\n')
    Path("lists.toml").write_text('[candidates]\nestimator = ["quadratic-fit 8, 64", "least-squares 64"]\n')
    options = "--requirement", "limits.toml", "--candidates", "lists.toml"
    found = json.dumps(answer(capsys, "choose", "axis.toml", *options))
    assert "quadratic-fit 64" in found or '"samples": 64' in found
