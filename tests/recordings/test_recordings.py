"""The main job on recordings made by others; origins in tests/data."""

import runpy
from pathlib import Path

import numpy as np
import pytest

import encsim

HERE = Path(__file__).resolve().parents[1]
EXAMPLES = HERE.parent / "examples"


@pytest.fixture(scope="module")
def counts():
    path = HERE / "data" / "dc_motor_x4_counts_200hz" / "encoders3_rows300to700.csv"
    return -np.loadtxt(path, delimiter=",", skiprows=1, usecols=1)


@pytest.fixture(scope="module")
def field():
    """Field in two directions while it turns, fresh samples only."""
    path = HERE / "data" / "magnetic_two_channel_spin_mit" / "spin_z_3turns.csv"
    _, turning, x, y = np.loadtxt(path, delimiter=",", skiprows=1).T
    fresh = np.concatenate([[True], (np.diff(x) != 0.0) | (np.diff(y) != 0.0)]) & (np.abs(turning) > 20.0)
    return x[fresh], y[fresh]


def predicted(samples, mean):
    """Standard deviation in counts of a difference over samples, of an ideal counter at 200 Hz."""
    axis = encsim.Axis(
        encsim.Scale(period=4.0),
        interpolation=encsim.Interpolation(factor=4),
        sampling=encsim.Sampling(rate=200.0),
        estimator=encsim.Difference(samples),
    )
    return float(encsim.ripple(axis, 200.0 * mean).rms) * samples / 200.0


def chance(samples, mean, count):
    """Relative standard error of a spread of ``count`` independent draws of two neighbouring counts."""
    share = samples * mean % 1.0
    variance = share * (1.0 - share)
    return 0.5 * np.sqrt((1.0 - 4.0 * variance) / (variance * count))


@pytest.mark.parametrize("samples", [2, 3])
def test_recorded_spread_of_differences_follows_from_the_mean_speed(counts, samples):
    mean = (counts[-1] - counts[0]) / (len(counts) - 1)
    recorded = np.std(counts[samples:] - counts[:-samples])
    # 3 standard errors of independent draws; 0.5 % is for the mean, known to half a count in 401 samples.
    limit = 3.0 * chance(samples, mean, len(counts)) + 0.005
    assert recorded == pytest.approx(predicted(samples, mean), rel=limit)


def test_over_one_sample_the_spread_is_an_identity(counts):
    steps = np.diff(counts)
    assert set(steps) == {11.0, 12.0}
    # Rounding only: variance of two neighbouring values is r(1 - r), r the share of the upper one.
    assert np.std(steps) == pytest.approx(predicted(1, steps.mean()), rel=1e-9)


@pytest.mark.parametrize("samples", [5, 8, 10, 20])
def test_over_many_samples_counting_no_longer_explains_the_spread(counts, samples):
    mean = (counts[-1] - counts[0]) / (len(counts) - 1)
    starts = np.arange(500) / 500
    ideal = np.floor(starts[:, None] + mean * np.arange(len(counts)))
    spreads = np.std(ideal[:, samples:] - ideal[:, :-samples], axis=1)
    # An ideal counter over as many samples, from any start, stays at the closed form within 2 %.
    np.testing.assert_allclose(spreads, predicted(samples, mean), rtol=0.02)
    assert np.std(counts[samples:] - counts[:-samples]) > 1.2 * spreads.max()


def test_ellipse_of_the_recorded_field_is_the_published_one(field):
    fit = encsim.identify(*field)
    assert fit.valid
    assert fit.points == 123
    # Figures of SOURCE.md, from a conic fit made outside this project; 0.4 and 0.5 of an uncertainty apart.
    np.testing.assert_allclose(np.multiply(fit.amplitude, fit.signal.offset), [1.06, 2.99], atol=0.02)
    assert fit.amplitude == pytest.approx(14.23, abs=0.03)
    assert fit.signal.gain == pytest.approx(-0.031, abs=0.003)
    assert np.degrees(fit.signal.phase) == pytest.approx(-0.66, abs=0.2)
    assert fit.residual == pytest.approx(0.024, abs=0.001)


def test_uneven_motion_of_the_recorded_field_is_not_taken_for_smooth(field):
    fit = encsim.identify(*field, steady=True)
    assert "the motion is not smooth" in fit.reasons[0]


def test_channel_example_draws_only_when_asked(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.argv", ["recorded_channels", "--plot", str(tmp_path / "channels.svg")])
    runpy.run_path(str(EXAMPLES / "recorded_channels.py"), run_name="__main__")
    assert [path.name for path in tmp_path.iterdir()] == ["channels.svg"]


def test_recording_whose_logger_held_samples_is_identified():
    path = Path(__file__).parents[1] / "data" / "magnetic_two_channel_spin_mit" / "spin_z_3turns.csv"
    capture = encsim.Capture.read(path)
    assert any("held by the logger" in note for note in capture.notes)
    found = encsim.identify(capture)
    # the same recording read by its columns, ellipse alone, in the tests of identification: 0.969 and -0.66 deg
    assert 1.0 + found.signal.gain == pytest.approx(0.969, abs=0.02)
