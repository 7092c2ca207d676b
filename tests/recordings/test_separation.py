"""Encoder or machine: machines simulated outside the library, and what cannot be decided."""

import functools

import numpy as np
import pytest
import slow_machine

import encsim
from encsim.closed_loop import plant
from encsim.model.load_and_control import Control
from encsim.recordings import steady_pieces

RATE, SECONDS, SPEEDS = 2000.0, 5.0, (1.3, 2.9, 6.1)


def axis(lines=256, **load):
    return encsim.Axis(
        encsim.Scale(lines=lines),
        sampling=encsim.Sampling(RATE),
        estimator=encsim.LowPass(slow_machine.CORNER),
        load=encsim.Load(**{"inertia": slow_machine.INERTIA, "viscous": slow_machine.VISCOUS} | load),
        control=encsim.Control(
            slow_machine.POSITION_GAIN, slow_machine.VELOCITY_GAIN, integral_time=slow_machine.INTEGRAL_TIME
        ),
    )


def made_up(seed):
    """Lines, errors of the encoder, torques of the machine and supply tone of a random machine."""
    rng = np.random.default_rng(seed)
    lines = int(rng.choice([64, 128, 256]))
    encoder = {lines * k: (10.0 ** rng.uniform(*sizes), rng.uniform(0.0, 6.0)) for k, sizes in
               ((1, (-5.0, -4.3)), (2, (-5.3, -4.6)))}  # fmt: skip
    if rng.random() < 0.5:
        encoder[1] = (10.0 ** rng.uniform(-4.3, -3.5), rng.uniform(0.0, 6.0))
    orders = rng.choice([6, 12, 18, 24, 36, 48], 2, replace=False)
    machine = {int(n): (10.0 ** rng.uniform(-2.5, -1.8), rng.uniform(0.0, 6.0)) for n in orders}
    machine[1] = (10.0 ** rng.uniform(-2.7, -2.0), rng.uniform(0.0, 6.0))
    tone = (
        ((rng.choice([50.0, 100.0, 120.3]), 10.0 ** rng.uniform(-2.7, -2.0)),) if rng.random() < 0.5 else ()
    )
    return lines, encoder, machine, tone


@functools.cache
def simulated(seed):
    """Positions and torques of a made-up machine at the speeds."""
    _, encoder, machine, tone = made_up(seed)
    return [slow_machine.run(v, SECONDS, RATE, encoder=encoder, cogging=machine, tone=tone, seed=100 * seed + i)
            for i, v in enumerate(SPEEDS)]  # fmt: skip


def recorded(seed, speeds=slice(None), torque=True):
    """Captures of a made-up machine."""
    runs = simulated(seed)[speeds]
    return [encsim.Capture("position", RATE, position=y, torque=u if torque else None) for y, u in runs]


@pytest.mark.parametrize("torque", [True, False])
def test_every_order_of_a_simulated_machine_has_its_right_owner(torque, cases):
    for seed in range(1, 1 + cases(1, 50)):
        lines, encoder, machine, _ = made_up(seed)
        found = encsim.separate(recorded(seed, torque=torque), axis(lines))
        truth = {"encoder": encoder, "machine": machine}
        claimed = [row for row in found.rows if row.owner != "unknown"]
        assert {(row.order, row.owner) for row in claimed} <= {
            (n, o) for o, rows in truth.items() for n in rows
        }
        for row in claimed:
            # 4 uncertainties: of some 300 owners in 50 machines chance brings one of these in 50 runs of the test.
            assert row.amplitude == pytest.approx(truth[row.owner][row.order][0], abs=4.0 * row.uncertainty)
        # All but an eccentricity of the encoder, which the loop follows unseen, is found.
        missed = {(n, o) for o, rows in truth.items() for n in rows} - {
            (row.order, row.owner) for row in claimed
        }
        assert missed <= {(1, "encoder")}


def test_one_speed_decides_nothing():
    found = encsim.separate(recorded(1, slice(1)), axis(made_up(1)[0]))
    assert not found.valid
    assert {row.owner for row in found.rows} == {"unknown"}
    assert found.advice.startswith("Record")


def reset(captures, seed):
    """The same recordings, each counted from a place of its own."""
    rng = np.random.default_rng(seed)
    return [
        encsim.Capture("position", RATE, position=one.position - rng.uniform(-50.0, 50.0), torque=one.torque)
        for one in captures
    ]


def owned(found):
    return {(row.order, row.owner) for row in found.rows if row.owner != "unknown"}


@pytest.mark.parametrize("torque", [True, False])
def test_owners_are_the_same_where_the_counter_was_reset_between_recordings(torque, cases):
    for seed in range(1, 1 + cases(int(torque), 20)):
        lines, encoder, machine, _ = made_up(seed)
        found = encsim.separate(reset(recorded(seed, torque=torque), seed), axis(lines))
        truth = {(n, "encoder") for n in encoder} | {(n, "machine") for n in machine}
        assert owned(found) <= truth
        assert truth - owned(found) <= {(1, "encoder")}


def test_two_speeds_give_an_order_no_wrong_owner(cases):
    # At 6.1 rad/s the tone of machine 17 falls on order 103, whose sidebands were once taken for the encoder's.
    for seed in (17, *range(1001, 1001 + cases(0, 30))):
        lines, encoder, machine, tone = made_up(seed)
        found = encsim.separate(recorded(seed, slice(1, None)), axis(lines))
        truth = {(n, "encoder") for n in encoder} | {(n, "machine") for n in machine}
        assert owned(found) <= truth
        # Two owners of one order fit any two amplitudes.
        assert truth - owned(found) <= {(1, "encoder"), (1, "machine")}
        assert sum(np.isnan(row.order) for row in found.rows) == len(tone)


def test_origins_that_one_order_leaves_open_decide_nothing():
    # One harmonic of the period alone: as an error of the encoder or as a torque it fits two recordings from anywhere.
    runs = [slow_machine.run(v, 2.0, RATE, encoder={64: (2e-5, 0.3)}, cogging={}, seed=i)
            for i, v in enumerate(SPEEDS[1:])]  # fmt: skip
    captures = [encsim.Capture("position", RATE, position=y, torque=u) for y, u in runs]
    assert owned(encsim.separate(captures, axis(64), common_origin=True)) == {(64.0, "encoder")}
    found = encsim.separate(reset(captures, 1), axis(64))
    assert not found.valid
    assert "from different places" in found.reasons[0]
    assert owned(found) == set()
    assert "without resetting the counter" in found.advice


def test_two_slow_speeds_that_do_not_settle_decide_nothing():
    found = encsim.separate(recorded(1, slice(2)), axis(made_up(1)[0]))
    assert not found.valid
    assert {row.owner for row in found.rows} == {"unknown"}


def test_without_a_load_nothing_is_claimed():
    bare = encsim.Axis(encsim.Scale(lines=made_up(1)[0]), sampling=encsim.Sampling(RATE))
    found = encsim.separate(recorded(1, slice(1, None)), bare)
    assert not found.valid
    assert {row.owner for row in found.rows} == {"unknown"}


@pytest.mark.parametrize("load", [
    encsim.Load(2e-3, viscous=5e-3),
    encsim.Load(2e-3, viscous=5e-3, motor_inertia=1e-3, stiffness=500.0, damping=0.02),
    encsim.Load(2e-3, viscous=5e-3, motor_inertia=1e-3, stiffness=500.0, damping=0.02, encoder="load"),
])  # fmt: skip
def test_compliance_is_the_discrete_plant_at_low_frequency(load):
    rate, frequency = 1e6, np.array([3.0, 40.0, 150.0])
    discrete = plant.discretise(load, Control(0.0, 0.0), rate).transfer.fractions(frequency / rate)
    # A torque held for a period acts half a period late, and the loss by holding is (f/rate)**2.
    late = np.exp(1j * np.pi * frequency / rate)
    expected = discrete.measured / discrete.denominator * late
    np.testing.assert_allclose(steady_pieces.compliance(load, frequency, 0.0), expected, rtol=1e-5)


@pytest.mark.parametrize("stiffness", [None, 400.0])
def test_response_to_torque_is_the_motion_of_the_simulated_loop(stiffness):
    elastic = {} if stiffness is None else {"motor_inertia": 1e-3, "stiffness": stiffness, "damping": 0.05}
    machine = axis(**elastic)
    run = encsim.run(machine, 2.0, 1.0, seed=1)
    moved = steady_pieces.response_to_torque(run.torque, machine, RATE, 2.0)
    # Free motion from the start is what is left: a polynomial and the plant's decays.
    free = steady_pieces.free_motion(machine, RATE, 2.0, len(moved))
    columns = np.column_stack([np.ones_like(moved), run.time, free])
    rest = run.position - moved
    rest = rest - columns @ np.linalg.lstsq(columns, rest, rcond=None)[0]
    assert np.abs(rest).max() < 1e-9


def test_a_motion_without_orders_leaves_nothing_to_tell_and_a_current_needs_its_constant():
    even = encsim.Capture(
        "position", RATE, position=1e-3 * np.arange(4000), torque=np.zeros(4000), units={"torque": "A"}
    )
    found = encsim.separate([even], axis())
    assert found.rows == ()
    assert "one speed" in found.reasons[0]
    assert "load.torque_constant" in found.advice


def test_what_is_no_motion_is_refused():
    still = encsim.Capture("position", RATE, position=np.zeros(5000))
    with pytest.raises(encsim.InputError, match="steady motion"):
        encsim.separate([still], axis())
    with pytest.raises(encsim.InputError, match="be captures"):
        encsim.separate([1.0], axis())


@pytest.mark.parametrize("fault", ["missing rows", "wrong number"])
def test_a_jump_of_the_position_is_told_and_nothing_claimed(fault):
    captures = recorded(1)
    position, torque = np.array(captures[1].position), captures[1].torque
    if fault == "missing rows":
        position, torque = (np.delete(row, slice(4000, 4050)) for row in (position, torque))
    else:
        position[4000] += 0.1
    captures[1] = encsim.Capture("position", RATE, position=position, torque=torque)
    found = encsim.separate(captures, axis(made_up(1)[0]))
    assert not found.valid
    assert found.reasons[0].startswith("recording 2: the position jumps by up to")
    assert "first at sample 4000" in found.reasons[0]
    assert owned(found) == set()
    assert found.advice.startswith("Record again without a gap")
