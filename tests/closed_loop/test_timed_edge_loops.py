"""Loops of timed edges at many speeds at once: against the margins of each, and where they begin to work."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import encsim
from encsim import CountAndTime, LowPass, Notch, PeriodTiming
from encsim.closed_loop import timed_edge_loops

STAGE = encsim.load(Path(__file__).resolve().parents[2] / "examples" / "stage_x_loop.toml")
EDGES = replace(STAGE, estimator=CountAndTime(50e6, 1e-3))
TWO = replace(STAGE.load, inertia=3.0, motor_inertia=2.0, stiffness=1e7, damping=300.0)
AXES = {
    "window": EDGES,
    "single counts": replace(STAGE, estimator=PeriodTiming(50e6)),
    "two masses": replace(EDGES, load=TWO),
    "friction that falls": replace(EDGES, load=replace(STAGE.load, stribeck=2.0, stribeck_speed=2e-5)),
    "a notch that follows": replace(
        EDGES, control=replace(STAGE.control, notch=(Notch(order=2.0, depth=0.1),))
    ),
}
SPEEDS = [1e-6, 4e-6, 2.3e-5, 3e-3]


@pytest.mark.parametrize("name", AXES)
def test_loops_of_many_speeds_are_those_of_each(name):
    found = timed_edge_loops.margins_at(AXES[name], SPEEDS)
    each = [encsim.margins(AXES[name], speed=speed) for speed in SPEEDS]
    assert found.stable.tolist() == [one.stable for one in each]
    margin = [one.phase_margin if one.stable else 0.0 for one in each]
    # frequencies 2 % apart, the phase between them on a straight line
    np.testing.assert_allclose(found.phase_margin, margin, atol=0.05)


def test_range_begins_where_the_loop_is_stable_and_worst_is_its_slowest_speed():
    first = timed_edge_loops.lowest_speed(EDGES, 0.1)
    speeds = np.geomspace(1e-7, 0.1, 40)
    kept = timed_edge_loops.stable_speeds(EDGES, speeds)
    assert kept.tolist() == speeds[speeds >= first].tolist() != speeds.tolist()
    assert timed_edge_loops.least_margin_speed(EDGES, 1e-5, 0.1) == 1e-5
    assert timed_edge_loops.slowest_speed(EDGES, 0.0) == EDGES.resolution


def test_loop_that_is_stable_at_no_speed_has_no_lowest():
    wild = replace(EDGES, control=replace(STAGE.control, velocity_gain=1e5))
    assert np.isnan(timed_edge_loops.lowest_speed(wild, 0.1))
    assert np.isnan(timed_edge_loops.lowest_speed(EDGES, 0.1, least=89.0))
    assert timed_edge_loops.stable_speeds(wild, np.array([1e-4, 0.1])).tolist() == [1e-4, 0.1]


def test_sampled_positions_are_never_old():
    sampled = replace(STAGE, estimator=LowPass(800.0))
    assert timed_edge_loops.stable_speeds(sampled, np.array([0.0, 0.1])).tolist() == [0.0, 0.1]
    assert timed_edge_loops.slowest_speed(sampled, 0.1) == 0.0
