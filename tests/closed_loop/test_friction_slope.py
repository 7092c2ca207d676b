"""Loops that differ in the slope of a friction: between some of them against every one."""

from dataclasses import replace

import numpy as np
import pytest
from stage_x import CASCADE, IN_PHASE, stage

import encsim
from encsim import Load, Sampling
from encsim.closed_loop import closed_loop_ripple
from encsim.model.load_and_control import Notch

CURVES = ("measured", "torque", "actual", "position")
SPEEDS = np.geomspace(1e-4, 0.3, 60)
STAGE = stage(
    400,
    signal=IN_PHASE,
    load=Load(5.0, viscous=1.0, coulomb=1.0, stribeck=0.5, stribeck_speed=0.01),
    control=CASCADE,
)
AXES = {
    "mild": STAGE,
    "strong": replace(STAGE, load=replace(STAGE.load, stribeck=5.0)),
    "two masses": replace(
        STAGE,
        load=Load(3.0, motor_inertia=2.0, stiffness=2e6, damping=50.0, stribeck=10.0, stribeck_speed=0.02),
    ),
    "speed loop": replace(STAGE, control=replace(STAGE.control, position_gain=0.0)),
    "own clock": replace(STAGE, sampling=Sampling(16e3, encoder_rate=33e3)),
}
UNSTABLE = replace(STAGE, load=replace(STAGE.load, stribeck=50.0))


def both(axis, monkeypatch):
    """Smoothness between some of the loops, and with every one."""
    assert len(SPEEDS) > closed_loop_ripple.FEW  # else every loop is computed here too
    found = encsim.smoothness(axis, SPEEDS)
    monkeypatch.setattr(closed_loop_ripple, "FEW", 10**9)
    return found, encsim.smoothness(axis, SPEEDS)


@pytest.mark.parametrize("name", AXES)
def test_speeds_between_computed_loops_are_as_if_each_were_computed(name, monkeypatch):
    found, every = both(AXES[name], monkeypatch)
    # where the axis follows single counts the values are not smooth in the speed, and marked
    known = ~every.doubtful
    assert known.sum() > 0.6 * known.size
    for curve in CURVES:
        # an eighth of the squared step of 0.2 in mean squares, where the gain bends as an exponential does; half as
        # much again where lines of the counts, modulated by what the loop leaves of the error, bend more
        values, alone = getattr(found, curve)[known], getattr(every, curve)[known]
        np.testing.assert_allclose(values, alone, rtol=3e-3, err_msg=curve)
        assert np.median(np.abs(getattr(found, curve) / getattr(every, curve) - 1.0)) < 1e-4
        squares = sum(part**2 for part in found.parts[curve].values())
        np.testing.assert_allclose(np.sqrt(squares), getattr(found, curve), rtol=1e-12)
    np.testing.assert_array_equal(found.doubtful, every.doubtful)
    assert found.crossover == pytest.approx(every.crossover, rel=1e-3)


def test_speeds_at_which_the_loop_is_unstable_are_the_same_ones(monkeypatch):
    found, every = both(UNSTABLE, monkeypatch)
    lost = np.isinf(every.torque)
    assert 0 < lost.sum() < lost.size
    np.testing.assert_array_equal(np.isinf(found.torque), lost)
    # close to the edge gains change fast
    np.testing.assert_allclose(found.position[~lost], every.position[~lost], rtol=2e-3)
    assert found.reasons == every.reasons


def test_far_fewer_loops_are_computed_than_there_are_speeds(monkeypatch):
    computed = []
    original = closed_loop_ripple._computed
    monkeypatch.setattr(
        closed_loop_ripple, "_computed", lambda *given: computed.append(original(*given)) or computed[0]
    )
    encsim.smoothness(STAGE, np.geomspace(1e-4, 0.02, 400))
    assert 2 <= len(computed[0]) < 40


def test_notch_that_follows_the_speed_has_a_loop_of_its_own_at_each():
    axis = replace(STAGE, control=replace(STAGE.control, notch=Notch(order=1, damping=0.1)))
    together = encsim.smoothness(axis, SPEEDS).torque[::30]
    alone = [float(encsim.smoothness(axis, v).torque) for v in SPEEDS[::30]]
    np.testing.assert_allclose(together, alone, rtol=1e-6)


def test_speeds_may_come_in_any_order_and_twice():
    mixed = np.random.default_rng(3).permutation(np.concatenate([SPEEDS, SPEEDS[:20]]))
    found = dict(zip(SPEEDS.tolist(), encsim.smoothness(STAGE, SPEEDS).torque.tolist(), strict=True))
    expected = [found[v] for v in mixed.tolist()]
    np.testing.assert_allclose(encsim.smoothness(STAGE, mixed).torque, expected, rtol=1e-12)
