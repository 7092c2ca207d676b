"""Estimators that time edges: the definition on ideal edges, and every refusal."""

import math

import numpy as np
import pytest

from encsim import CountAndTime, InputError, PeriodTiming

RATE = 16e3
ABOUT = {"speed": 1e-3, "resolution": 1e-6}


@pytest.mark.parametrize("speed", [0.3e-3, 1.7e-3, 4.15e-3])
def test_count_and_time_sees_as_many_counts_and_is_as_late_as_it_says(speed):
    timing, resolution = CountAndTime(1e8, 2e-3), 1e-6
    ends = np.linspace(5.0, 6.0, 20001)
    # Edges at every k q, by the definition: the last before the sample, the last before the window.
    newest = np.floor(ends * speed / resolution)
    older = np.floor((ends - 2e-3) * speed / resolution)
    older = np.where(newest > older, older, newest - 1)
    counts = newest - older
    late = (ends - (newest + older) * resolution / speed / 2.0).mean()
    shares = dict(timing.counts(speed, resolution))
    assert shares == pytest.approx({m: (counts == m).mean() for m in np.unique(counts)}, abs=2e-3)
    assert timing.delay(RATE, speed=speed, resolution=resolution) == pytest.approx(late, rel=2e-3, abs=0.0)
    noise = math.sqrt(2.0 * (1.0 / counts**2).mean()) * speed / resolution
    # 20001 samples of some hundred to some thousand edges: shares to 2e-3
    assert timing.noise_gain(RATE, speed=speed, resolution=resolution) == pytest.approx(noise, rel=2e-3)


@pytest.mark.parametrize("timing", [PeriodTiming(1e8), CountAndTime(1e8, 7e-3)])
def test_a_line_is_seen_at_its_chord_over_the_counts(timing):
    # v 2 E sin(pi k n/M)/(n q) for k cycles a period of M counts, n = 1 and 7.
    speed, resolution, frequency = 1e-3, 1e-6, 35.0
    n = timing.counts(speed, resolution)[0][0]
    expected = 2.0 * abs(math.sin(math.pi * frequency * n * 1e-3)) * speed / (n * resolution)
    found = timing.response(frequency, RATE, speed=speed, resolution=resolution)
    assert abs(found) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("timing", [PeriodTiming(1e8), CountAndTime(1e8, 7e-3), CountAndTime(1e8, 2.4e-3)])
def test_delay_of_timing_is_the_slope_of_the_phase(timing):
    about = {"speed": -1e-3, "resolution": 1e-6}
    found = timing.response(0.01, RATE, **about) / (2j * math.pi * 0.01)
    assert abs(found) == pytest.approx(1.0, rel=1e-6)
    assert -np.angle(found) / (2.0 * math.pi * 0.01) == pytest.approx(
        timing.delay(RATE, **about), rel=1e-6, abs=0.0
    )


@pytest.mark.parametrize("timing", [PeriodTiming(1e8), CountAndTime(1e8, 7e-3)])
def test_timing_at_standstill_is_silent_and_never_on_time(timing):
    about = {"speed": 0.0, "resolution": 1e-6}
    assert timing.noise_gain(RATE, **about) == 0.0
    assert timing.delay(RATE, **about) == math.inf
    assert timing.response(5.0, RATE, **about) == 0.0


def test_timing_of_edges_does_not_repeat_with_the_rate():
    timing = PeriodTiming(1e8)
    low, high = timing.response(np.array([10.0, 10.0 + RATE]), RATE, speed=1.0, resolution=1e-6)
    assert abs(high) > 100.0 * abs(low)


@pytest.mark.parametrize(
    ("use", "complaint"),
    [
        (lambda: PeriodTiming(1e8).delay(RATE), "PeriodTiming speed must be given, at most"),
        (lambda: PeriodTiming(1e8).delay(RATE, speed=1.0), "PeriodTiming resolution must be given"),
        (lambda: PeriodTiming(1e8).response(1.0, -1.0, **ABOUT), "PeriodTiming rate must lie from"),
        (
            lambda: PeriodTiming(1e8).response(math.inf, RATE, **ABOUT),
            "PeriodTiming frequency must be finite",
        ),
        (lambda: CountAndTime(1e8, 1.0).counts(math.nan, 1e-6), "CountAndTime speed must be given"),
        (
            lambda: CountAndTime(1e8, 1.0).noise_gain(RATE, speed=1.0, resolution=0.0),
            "CountAndTime resolution must",
        ),
    ],
)
def test_a_wrong_use_is_named_with_its_rule(use, complaint):
    with pytest.raises(InputError, match=complaint):
        use()
