"""Timed edges as linear filters: against edges placed one by one, and against what the estimators say of themselves."""

import numpy as np
import pytest

from encsim import CountAndTime, PeriodTiming
from encsim.closed_loop import timed_edges

RATE, COUNT = 16e3, 1e-6
TURNS = np.array([1e-7, 1e-4, 0.01, 0.2, 0.37, 0.5])
ESTIMATORS = {
    "single counts": PeriodTiming(1e8),
    "whole window": CountAndTime(1e8, 1e-3),
    "broken window": CountAndTime(1e8, 0.37e-3),
}
SPEEDS = [1e-4, 1.7e-3, 5e-3, 16e-3, 40e-3, 0.3]
every_speed = pytest.mark.parametrize("speed", SPEEDS)
every_estimator = pytest.mark.parametrize("name", ESTIMATORS)


def filtered(name, speed):
    return timed_edges.at_speeds(ESTIMATORS[name], np.array(speed), COUNT, RATE)


def edges(name, speed, phases=20000):
    """Ages of newest and older edge at samples of evenly spread phases, loop periods, and counts between."""
    period, window = COUNT / speed * RATE, ESTIMATORS[name].reach * RATE
    newest = (np.arange(phases) + 0.5) / phases * period
    counts = np.maximum(np.ceil((window - newest) / period), 1.0)
    return newest, newest + counts * period, counts * period


@every_estimator
@every_speed
def test_weights_are_the_mean_over_edges_that_lie_anywhere(name, speed):
    newest, older, span = edges(name, speed)
    found = filtered(name, speed).weights()
    for sample in {0, 1, found.size // 2, found.size - 1}:
        held = [np.maximum(0.0, 1.0 - np.abs(age - sample)) for age in (newest, older)]
        # 20000 phases
        assert found[sample] == pytest.approx(np.mean((held[0] - held[1]) / span), abs=2e-4 / span.min())


@every_estimator
@every_speed
def test_gain_is_the_transform_of_the_weights(name, speed):
    found = filtered(name, speed)
    weights = found.weights()
    expected = (weights * np.exp(-2j * np.pi * np.outer(TURNS, np.arange(weights.size)))).sum(axis=-1)
    # weights add up to zero in the slow limit: 1e-16 of them over 1e-7 of a turn
    np.testing.assert_allclose(found.gain(TURNS), expected, rtol=1e-8, atol=1e-9 * np.abs(expected).max())


@every_estimator
@pytest.mark.parametrize("speed", SPEEDS[:3])
def test_slow_motion_is_seen_with_the_delay_of_the_estimator(name, speed):
    cycles = 1e-7
    found = filtered(name, speed).gain(cycles) / (2j * np.pi * cycles)
    late = ESTIMATORS[name].delay(RATE, speed=speed, resolution=COUNT) * RATE
    # straight pieces between samples round a delay off by less than half a period of each end
    assert -np.angle(found) / (2.0 * np.pi * cycles) == pytest.approx(late, rel=0.1)
    assert abs(found) == pytest.approx(1.0, abs=1e-9)


@every_estimator
@every_speed
def test_gain_near_zero_goes_over_into_its_delay(name, speed):
    found = filtered(name, speed)
    edge = timed_edges.SLOW_TURNS / (
        (max(found.window, float(found.period)) + float(found.period)) / 2.0 + 1.0
    )
    cycles = edge * np.array([0.9, 1.1])
    slow, fast = found.gain(cycles) / (2j * np.pi * cycles)
    # cubic terms, 1e-9, and rounding of weights that add up to zero
    assert abs(np.angle(fast) - 1.1 / 0.9 * np.angle(slow)) < 1e-9


def test_many_edges_a_loop_period_make_the_first_difference():
    found = filtered("single counts", 40e-3)
    np.testing.assert_allclose(found.weights(), [1.0, -1.0], rtol=1e-12)


@every_estimator
@every_speed
def test_gain_of_a_line_is_that_of_the_estimator(name, speed):
    cycles = np.array([0.003, 0.21, 2.2])
    mean, square = filtered(name, speed).line_gain(cycles)
    expected = ESTIMATORS[name].response(cycles * RATE, RATE, speed=speed, resolution=COUNT) / RATE
    np.testing.assert_allclose(np.sqrt(square), np.abs(expected), rtol=1e-9, atol=1e-12)
    newest, older, span = edges(name, speed)
    direct = (
        np.exp(-2j * np.pi * np.outer(cycles, newest)) - np.exp(-2j * np.pi * np.outer(cycles, older))
    ) / span
    # 20000 phases
    np.testing.assert_allclose(mean, direct.mean(axis=-1), atol=2e-3 * np.abs(expected).max())


@every_estimator
@every_speed
def test_images_of_a_line_hold_what_its_mean_gain_leaves(name, speed):
    cycles, found = np.array([0.003, 0.21]), filtered(name, speed)
    _, square = found.line_gain(cycles)
    images = [np.abs(found.line_gain(cycles, j)[0]) ** 2 for j in range(-400, 401)]
    # images beyond the 400th: 2/(400 pi**2) of a line that is not held at all
    assert np.all(sum(images) <= square * (1.0 + 1e-9))
    np.testing.assert_allclose(sum(images), square, rtol=2e-3)


@every_estimator
@every_speed
def test_spectrum_of_edge_noise_has_the_power_and_the_correlation_of_shared_edges(name, speed):
    found = filtered(name, speed)
    period, reach = float(found.period), max(float(found.period), found.window)
    lag = np.arange(-int(reach + 2.0 * period) - 3, int(reach + 2.0 * period) + 4.0)
    shared = [np.maximum(0.0, 1.0 - np.abs(lag - middle) / period) for middle in (0.0, reach, -reach)]
    power = (ESTIMATORS[name].noise_gain(RATE, speed=speed, resolution=COUNT) / RATE) ** 2
    cycles = np.array([1e-3, 0.04, 0.3, 0.5])
    expected = (
        0.5 * power * np.exp(-2j * np.pi * np.outer(cycles, lag)) @ (2.0 * shared[0] - shared[1] - shared[2])
    )
    np.testing.assert_allclose(
        found.noise_spectrum(cycles), expected.real, atol=1e-6 * power * max(period, 1.0)
    )


def test_fewer_counts_than_one_a_second_are_not_seen():
    found = filtered("single counts", 0.99e-6)
    assert found.blind
    assert found.gain(0.1) == found.line_gain(0.1)[1] == found.noise_spectrum(0.1) == 0.0
    np.testing.assert_array_equal(found.weights(), [0.0])
    assert not filtered("single counts", 1.01e-6).blind


def test_speeds_side_by_side_are_the_speeds_alone():
    together = timed_edges.at_speeds(ESTIMATORS["broken window"], np.array(SPEEDS)[:, None], COUNT, RATE)
    alone = [filtered("broken window", speed) for speed in SPEEDS]
    # powers of one wave side by side, waves of their own alone: rounding of weights that add up to zero
    np.testing.assert_allclose(
        together.gain(TURNS), [one.gain(TURNS) for one in alone], rtol=1e-9, atol=1e-12
    )
    # NumPy 1.26 adds in another order where arrays are long: the last bit of powers up to 0.05
    np.testing.assert_allclose(
        together.noise_spectrum(TURNS), [one.noise_spectrum(TURNS) for one in alone], rtol=1e-14, atol=1e-17
    )
