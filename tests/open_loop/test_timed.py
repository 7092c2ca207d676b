"""Timed edges against a slow twin: edges placed one by one, random phases of position, sampling and clock."""

from __future__ import annotations

import numpy as np
import pytest
import random_axes

import encsim
from encsim import Axis, CountAndTime, Interpolation, PeriodTiming, Sampling, Scale, Signal

PITCH, RATE = 20e-6, 16e3
DRAWS = 1 << 17


def ripple_of_edges(axis, speed):
    """Rms of the velocity at evenly spread positions; the phases of the clock do not depend on them."""
    step, window = axis.resolution, axis.estimator.reach * speed
    drawn = np.arange(DRAWS)
    place, phase = PITCH * (drawn + 0.5) / DRAWS, drawn * 0.6180339887498949 % 1.0
    order = np.array(list(axis.signal.sde))[:, None]
    size, turn = (np.array([line[n] for line in axis.signal.sde.values()])[:, None] for n in (0, 1))

    def shown(x):
        return x + (size * np.sin(2.0 * np.pi * order * x / PITCH + turn)).sum(axis=0)

    def edge(number):
        x = number * step
        for _ in range(8):  # the error rises by less than a tenth of the way
            x = x - (shown(x) - number * step)
        return x

    newest = np.floor(shown(place) / step)
    oldest = np.minimum(np.floor(shown(place - window) / step), newest - 1.0) if window else newest - 1.0
    passed, before = edge(newest) / speed, edge(oldest) / speed
    ticks = np.floor(passed * axis.estimator.clock + phase) - np.floor(before * axis.estimator.clock + phase)
    velocity = (newest - oldest) * step * axis.estimator.clock / ticks
    age = place / speed - passed
    held = np.where(newest - oldest == 1.0, np.minimum(velocity, step / np.maximum(age, 1e-12)), velocity)
    return np.sqrt(np.mean((held - speed) ** 2))


def timed(estimator, factor, sde):
    """An axis whose edges lie where its given error puts them."""
    how = Interpolation(factor=factor, output="ab")
    return Axis(
        Scale(period=PITCH),
        signal=Signal(sde=sde),
        interpolation=how,
        sampling=Sampling(RATE),
        estimator=estimator,
    )


ONE, SOME = {1: 40e-9}, {1: (200e-9, 0.3), 2: (150e-9, 1.0), 3: (60e-9, 0.4)}
CASES = {
    "25.001 ticks": (PeriodTiming(25.0007e6), 4000, ONE, 5.0005e-3),
    "30 ticks": (PeriodTiming(12.0003e6), 4000, ONE, 2.0002e-3),
    "20 ticks without error": (PeriodTiming(20.51237e6), 4000, {}, 5.0005e-3),
    # to first order in 1/ticks it is 8.42e-5
    "25 ticks": (PeriodTiming(25e6), 4000, ONE, 5e-3),
    # uneven edges decide how many fall into the window: 3 to 9 % off where that does not depend on the place
    "window of 41 of 4": (CountAndTime(1.08e6, window=1.125e-3), 4, SOME, 0.18206),
    "window of 82 of 4": (CountAndTime(1.08e6, window=1.125e-3), 4, SOME, 0.36412),
    "window of 7 of 16": (CountAndTime(9.2e6, window=1.9e-3), 16, SOME, 4.25e-3),
    # the error moves edges by many counts, and others fall into the same time, of whole ticks here
    "counts finer than ticks": (CountAndTime(1.66446e6, window=1.531427e-3), 65536, ONE, 0.018413),
    "window of 3 of 40": (CountAndTime(9.2e6, window=1.9e-3), 40, SOME, 0.67e-3),
}


@pytest.mark.parametrize("case", CASES)
def test_timed_edges_have_the_ripple_of_edges_placed_one_by_one(case):
    estimator, factor, sde, speed = CASES[case]
    axis = timed(estimator, factor, sde)
    curve = encsim.ripple(axis, [speed])
    assert curve.rms[0] == pytest.approx(ripple_of_edges(axis, speed), rel=2e-3)
    assert curve.valid
    total = sum(part**2 for part in curve.parts.values())
    assert total == pytest.approx(curve.rms**2, rel=1e-12)


def test_period_timing_averages_over_starts_where_clock_sampling_and_speed_are_commensurate():
    axis = timed(PeriodTiming(25e6), 4000, ONE)
    curve = encsim.ripple(axis, [5e-3])
    # found by independent simulation, 4e6 random phases: 8.920e-5 with 4.5e-8 of standard error, and 8.970e-5 where
    # the value is not held down to the time since the last edge. One start meets 64 phases of the period again and
    # again: 5 to 95 % of the starts have 7.0e-5 to 10.6e-5
    assert curve.rms[0] == pytest.approx(8.920e-5, rel=1.5e-3)
    assert curve.valid


@pytest.mark.parametrize("seed", [52, 94])
def test_signals_that_averaging_takes_away_leave_edges_in_the_wrong_order_and_a_number(seed):
    axis, _ = random_axes.pair(seed)
    curve = encsim.ripple(axis, np.geomspace(3e-4, 5.0, 60) * axis.scale.pitch * axis.sampling.rate)
    assert np.all(np.isfinite(curve.rms))
    assert "the two channels do not enclose zero at some speed" in map(str, curve.reasons)
