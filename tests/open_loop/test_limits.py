"""Top speed and the limit that binds."""

import numpy as np
import pytest

import encsim
from encsim import Axis, Interpolation, Sampling, Scale, Signal
from encsim.open_loop import limits

LINEAR = Scale(period=20e-6)


def top(signal=None, sampling=None, **how):
    axis = Axis(
        LINEAR,
        signal=signal or Signal(),
        interpolation=Interpolation(**how),
        sampling=sampling or Sampling(16e3),
    )
    return encsim.top_speed(axis)


def test_ideal_axis_has_no_limit():
    found = top()
    assert (found.speed, found.limit, found.limits) == (np.inf, None, {})
    assert found.to_dict()["speed"] is None


def test_aliasing_begins_where_a_strong_harmonic_passes_half_the_loop_rate():
    sde = {1: 40e-9, 2: 20e-9, 5: 1e-9}  # the fifth is below 3 % of the first
    found = top(Signal(sde=sde))
    assert found.aliasing == pytest.approx({2: 0.08, 1: 0.16}, rel=1e-12)
    assert list(found.aliasing) == [2, 1]
    assert found.to_dict()["units"]["aliasing"] == "m/s"
    # an encoder on its own, slower clock samples before the loop does
    assert top(Signal(sde=sde), Sampling(16e3, encoder_rate=8e3)).aliasing[1] == pytest.approx(0.08)
    assert top().aliasing == {}


def test_timed_edges_are_not_aliased():
    axis = Axis(
        LINEAR,
        signal=Signal(sde={1: 40e-9}),
        interpolation=Interpolation(factor=400),
        sampling=Sampling(16e3),
        estimator=encsim.PeriodTiming(50e6),
    )
    assert encsim.top_speed(axis).aliasing == {}


def test_bandwidth_binds_where_the_signals_are_down_three_decibels():
    found = top(Signal(bandwidth=1e5))
    assert (found.speed, found.limit) == (pytest.approx(2.0), "bandwidth")


def test_edge_rate_of_a_rotary_scale_follows_the_counter():
    # 60 f/(4 N) rpm; common practice, no source
    how = Interpolation(factor=4, output="ab", edge_clock=5e6)
    axis = Axis(Scale(lines=2500), interpolation=how, sampling=Sampling(16e3))
    found = encsim.top_speed(axis)
    assert found.speed * 30 / np.pi == pytest.approx(30000.0, rel=1e-9)
    assert found.limit == "edge_clock"


def test_edge_separation_is_a_quarter_period_for_ideal_signals():
    # 1/(4 f); common practice, no source: 1 MHz gives 250 ns
    found = top(factor=4, output="ab", edge_separation=250e-9)
    assert found.speed / 20e-6 == pytest.approx(1e6, rel=1e-9)


def test_faults_bring_bare_edges_closer():
    o_c, o_s, g, phi = 0.02, 0.01, 0.05, 0.03
    found = top(Signal(offset=(o_c, o_s), gain=g, phase=phi), factor=4, output="ab", edge_separation=50e-9)
    a, b = np.arcsin(o_c), np.arcsin(o_s / (1 + g))
    gap = np.pi / 2 - max(abs(a + b) - phi, abs(a - b) + phi)
    # zero crossings of the two channels; 8192 points straight between
    assert found.speed == pytest.approx(20e-6 / (2 * np.pi) * gap / 50e-9, rel=1e-6)


def test_interpolated_edges_are_closest_where_the_error_rises_fastest():
    signal = Signal(sde={1: 100e-9})
    found = top(signal, factor=4000, output="ab", edge_separation=100e-9)
    steepest = 2 * np.pi * 100e-9 / 20e-6
    # one edge spans 1/4000 of a period, over which the slope hardly changes
    assert found.speed == pytest.approx(5e-9 / 100e-9 / (1 + steepest), rel=1e-4)


def test_edges_closer_than_any_grid_have_the_same_edge_rate():
    signal = Signal(offset=(0.01, 0.02))
    coarse, fine = (
        top(signal, factor=f, output="ab", edge_separation=100e-9).speed * f for f in (65536, 1 << 30)
    )
    # Over one edge of 65536 the slope of the error changes by 1e-8.
    assert fine == pytest.approx(coarse, rel=1e-7)


def test_separation_is_rounded_up_to_ticks_of_the_clock():
    free = top(factor=400, output="ab", edge_separation=125e-9)
    ticked = top(factor=400, output="ab", edge_separation=125e-9, edge_clock=10e6)
    assert ticked.speed == pytest.approx(free.speed * 125 / 200, rel=1e-9)


def test_clipping_leaves_no_speed():
    found = top(Signal(amplitude=1.3), bits=12)
    assert (found.speed, found.limit) == (0.0, "clipping")
    assert not limits.clips(Axis(LINEAR, interpolation=Interpolation(bits=12), sampling=Sampling(1.0)))


def test_averaging_over_a_loop_period_wipes_out_the_signal():
    found = top(sampling=Sampling(16e3, average=2))
    # two readings half a loop period apart: |cos(pi v T/(2 p))| = 1/sqrt 2 at v T = p/2
    assert found.speed == pytest.approx(0.5 * 20e-6 * 16e3, rel=1e-9)
    assert found.limit == "average"


def test_offset_overtakes_a_signal_that_rolls_off():
    found = top(Signal(bandwidth=1e5, offset=(0.1, 0.0)))
    # |H(1)| = 0.1 at sqrt(99) times the bandwidth
    assert found.limits["signal"] == pytest.approx(2.0 * np.sqrt(99.0), rel=1e-2)


MOTION = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n[motion]\n'


@pytest.mark.parametrize(
    ("keys", "ends"),
    [
        ('lowest = "0.1 mm/s"\ntop = "1 m/s"', (1e-4, 1.0)),
        # 3.45 periods per sample, and 10 times the lowest speed where that is more
        ('lowest = "0.1 mm/s"', (1e-4, 3.45 * 0.32)),
        ('lowest = "1 m/s"', (1.0, 10.0)),
        # a millionth of a period per sample without counts, at most a thousandth of the top speed
        ('top = "1 m/s"', (0.32e-6, 1.0)),
        ('top = "0.1 mm/s"', (1e-7, 1e-4)),
        ("", (0.32e-6, 3.45 * 0.32)),
    ],
)
def test_working_speeds_of_the_file_are_the_default_range(keys, ends):
    axis = encsim.loads(MOTION + keys)
    assert limits.speed_range(axis) == pytest.approx(ends, rel=1e-12)
    speeds = limits.default_speeds(axis)
    assert (speeds[0], speeds[-1]) == pytest.approx(ends, rel=1e-12)
    assert len(speeds) == 100
    assert encsim.loads(axis.to_toml()) == axis


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('lowest = "0 mm/s"', "motion.lowest must be positive"),
        ('top = "-1 m/s"', "motion.top must be positive"),
        ('top = "5 rpm"', "motion.top must have a unit of linear speed"),
        ('lowest = "1 m/s"\ntop = "1 m/s"', "line 6: motion.lowest must be below top, 1 m/s"),
        ('fastest = "1 m/s"', "motion.fastest must be a key"),
    ],
)
def test_impossible_working_speeds_are_refused(keys, message):
    with pytest.raises(encsim.InputError, match=message):
        encsim.loads(MOTION + keys)
