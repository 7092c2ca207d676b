"""Loops of many speeds with notches that follow the speed, against loops one by one: exact lines, H2 norms, poles."""

from dataclasses import replace

import numpy as np
import pytest
import random_loops
from stage_x import CASCADE, IN_PHASE, stage

import encsim
from encsim import Interpolation, Sampling, Signal
from encsim.closed_loop import loop, order_notch_gains, order_notch_sweep
from encsim.closed_loop.squared_gains import CURVES, SquaredGains, shifts
from encsim.model.load_and_control import Load, Notch

SPEEDS = np.geomspace(2e-4, 0.5, 40)
STAGE = stage(400, signal=IN_PHASE, load=Load(5.0, viscous=1.0), control=CASCADE)
FLEXIBLE = Load(3.0, motor_inertia=2.0, stiffness=2e6, damping=50.0)
NOTCHES = {
    "broad": [Notch(order=1, damping=0.5)],
    "narrow": [Notch(order=2, damping=1e-3, depth=0.2)],
    "narrower than any grid": [Notch(order=1, damping=1e-5)],
    "that does nothing": [Notch(order=1, damping=0.01, depth=1.0)],
    "beside each other": [Notch(order=1, damping=0.02), Notch(order=2, damping=3e-3, depth=0.3)],
    "at one place": [Notch(order=3, damping=4.5e-3, depth=0.1), Notch(order=3, damping=3.8e-3, depth=0.6)],
    "with a fixed one": [Notch(300.0, depth=0.3), Notch(order=1, damping=0.1, depth=0.3)],
}


class Slow(SquaredGains):
    """One loop with every line at its frequency and white noise by the H2 norm."""

    def __init__(self, built):
        super().__init__(built)
        if self.stable:
            gains = built.noise_gain()
            square = np.array([gains[name] ** 2 for name in CURVES])
            self.white[: len(CURVES)] = np.where(np.isfinite(square), square, self.white[: len(CURVES)])

    def table_sum(self, cycles, weight, table=None):
        if table is not None:
            return super().table_sum(cycles, weight, table)
        return np.einsum("sk,skc->sc", np.broadcast_to(weight, cycles.shape), self.exact(cycles))

    def tracked_sum(self, cycles, weight, orders):
        gain = self.exact(cycles)
        shift, held = shifts(weight, orders, gain[..., -1])
        total, tracked = (np.einsum("sk,skc->sc", part, gain) for part in (weight, weight * shift))
        return total, tracked, held


def one_by_one(axis, speed):
    return [(Slow(loop.build(axis, float(v))), np.array([n])) for n, v in enumerate(speed)]


def notched(axis, notches):
    return replace(axis, control=replace(axis.control, notch=[*axis.control.notch, *notches]))


def drawn(rng, kind):
    """A random stable axis with notches that follow the speed, and speeds of 2e-4 to 5 periods a sample and rest."""
    axis, _ = random_loops.stable(rng, kind == "counts")
    changes = {
        "own clock": {"sampling": replace(axis.sampling, encoder_rate=2.71 * axis.sampling.rate)},
        "slow clock": {"sampling": replace(axis.sampling, encoder_rate=0.83 * axis.sampling.rate)},
        "averaged": {"sampling": replace(axis.sampling, average=3)},
        "slow jitter": {
            "signal": replace(axis.signal, jitter=1e-9, jitter_bandwidth=0.05 * axis.sampling.rate)
        },
    }
    number = 1 + (rng.random() < 0.4)
    orders, damping = rng.choice([1, 2, 3, 0.5, 2.37], number), 10.0 ** rng.uniform(-3.0, 0.3, number)
    depth = rng.choice([0.0, 0.1, 0.3, 0.6], number)
    notches = [
        Notch(order=float(o), damping=z, depth=d) for o, z, d in zip(orders, damping, depth, strict=True)
    ]
    speed = random_loops.PITCH * axis.sampling.rate * 10.0 ** rng.uniform(-3.7, 0.7, 4)
    return notched(replace(axis, **changes.get(kind, {})), notches), np.append(speed, 0.0)


def compare(axis, speed, monkeypatch):
    found = encsim.smoothness(axis, speed)
    with monkeypatch.context() as patched:
        patched.setattr(order_notch_sweep, "at_speeds", one_by_one)
        expected = encsim.smoothness(axis, speed)
    for curve in CURVES:
        one, other = getattr(found, curve), getattr(expected, curve)
        np.testing.assert_array_equal(np.isfinite(one), np.isfinite(other))
        # a pole may be a grid step wide, which leaves 2e-4 of its peak; weak bands are taken at their middle
        np.testing.assert_allclose(one, other, rtol=2e-3, err_msg=curve)
    np.testing.assert_array_equal(found.doubtful, expected.doubtful)
    assert found.stable == expected.stable
    # the other one is between points of 250 a decade
    np.testing.assert_allclose(found.crossover, expected.crossover, rtol=5e-4)


KINDS = {"lines": (3, 6), "counts": (1, 2), "own clock": (2, 4), "slow clock": (2, 3), "averaged": (2, 4),
         "slow jitter": (2, 4)}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_random_axes_are_as_if_each_speed_were_computed_by_itself(kind, monkeypatch, cases):
    rng = np.random.default_rng(11)
    for _ in range(cases(*KINDS[kind])):
        compare(*drawn(rng, kind), monkeypatch)


def test_jitter_about_lines_of_single_speeds_is_smeared_by_their_own_loops(monkeypatch):
    # averaged readings make other counts of each speed, so that some speeds are taken at a time
    signal = replace(STAGE.signal, jitter=2e-9, jitter_bandwidth=300.0)
    axis = replace(STAGE, signal=signal, sampling=Sampling(16e3, average=3))
    axis = replace(axis, interpolation=Interpolation(factor=4000))
    compare(notched(axis, [Notch(order=1, damping=1.0, depth=0.2)]), np.array([3e-3, 0.02, 0.1]), monkeypatch)


def test_error_that_the_loop_follows_is_bent_as_in_a_loop_of_its_own(monkeypatch):
    axis = replace(STAGE, signal=Signal(sde={1: 200e-9, 2: (50e-9, 1.0)}), interpolation=Interpolation())
    # lines at 2 to 40 Hz, at the later speeds a whole turn further to one side and to the other
    speed = 20e-6 * np.array([2.0, 20.0, 16e3 - 16.0, 16e3 + 16.0])
    compare(notched(axis, [Notch(order=2, damping=0.1, depth=0.6)]), speed, monkeypatch)


@pytest.mark.parametrize("load", [STAGE.load, FLEXIBLE], ids=["rigid", "two masses"])
@pytest.mark.parametrize("name", NOTCHES)
def test_stable_speeds_are_those_with_all_poles_inside_the_circle(name, load):
    axis = notched(replace(STAGE, load=load), NOTCHES[name])
    found = np.full(SPEEDS.size, -1)
    for power, there in order_notch_sweep.at_speeds(axis, SPEEDS):
        found[there] = power.stable
    poles = [np.abs(1.0 + loop.build(axis, float(v)).state_space().poles()).max() for v in SPEEDS]
    np.testing.assert_array_equal(found, np.array(poles) < 1.0)


@pytest.mark.parametrize(
    "name", ["broad", "narrow", "that does nothing", "beside each other", "with a fixed one"]
)
def test_hardly_any_loop_is_computed_one_by_one(name):
    found = list(order_notch_sweep.at_speeds(notched(STAGE, NOTCHES[name]), SPEEDS))
    alone = sum(there.size for power, there in found if isinstance(power, SquaredGains))
    assert alone <= 4


def test_narrow_notch_beside_the_crossover_moves_it_as_in_a_loop_of_its_own():
    axis = notched(STAGE, [Notch(order=1, damping=2e-3, depth=0.3)])
    speed = 20e-6 * encsim.margins(STAGE).crossover * np.linspace(0.99, 1.01, 6)
    for power, there in order_notch_sweep.at_speeds(axis, speed):
        expected = [encsim.margins(axis, speed=float(v)).crossover for v in speed[there]]
        np.testing.assert_allclose(power.crossover, expected, rtol=1e-5)


def test_a_speed_is_the_same_alone_and_in_a_sweep():
    axis = notched(STAGE, [Notch(order=1, damping=0.1, depth=0.3)])
    found = encsim.smoothness(axis, SPEEDS).position[::7]
    alone = [float(encsim.smoothness(axis, v).position) for v in SPEEDS[::7]]
    # the grid begins at another frequency, and with it the cells of lines that noise of the axis spreads
    np.testing.assert_allclose(found, alone, rtol=5e-4)


def test_where_no_notch_is_in_reach_the_loop_is_that_without():
    # whole periods a sample, half ones, and rest
    speed = 20e-6 * 16e3 * np.array([1.0, 0.5, 3.0, 0.0])
    notch = Notch(order=1, damping=0.1)
    for curve in CURVES:
        found = getattr(encsim.smoothness(notched(STAGE, [notch]), speed), curve)
        np.testing.assert_array_equal(found, getattr(encsim.smoothness(STAGE, speed), curve))


def test_loop_of_very_many_states_is_computed_one_by_one(monkeypatch):
    axis = notched(STAGE, [Notch(order=1, damping=0.1, depth=0.3)])
    expected = encsim.smoothness(axis, SPEEDS[::8])
    order_notch_gains.shared_loop.cache_clear()
    monkeypatch.setattr(order_notch_gains, "MOST_STATES", 3)
    found = encsim.smoothness(axis, SPEEDS[::8])
    assert all(isinstance(power, SquaredGains) for power, _ in order_notch_sweep.at_speeds(axis, SPEEDS[::8]))
    for curve in CURVES:
        # lines of the counts from bins of 1/8192 turn
        np.testing.assert_allclose(getattr(found, curve), getattr(expected, curve), rtol=5e-3)
    order_notch_gains.shared_loop.cache_clear()
