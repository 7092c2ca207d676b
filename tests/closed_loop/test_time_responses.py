"""Answers to steps and ramps: the loop in plain Python, python-control, runs, balances of torque, refusals."""

import math
from dataclasses import replace
from types import SimpleNamespace

import control
import numpy as np
import pytest
import slow_loop
from margin_axes import AXES as MARGIN_AXES

from encsim import (
    Axis,
    Control,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    LeastSquares,
    Load,
    LowPass,
    Notch,
    PeriodTiming,
    Sampling,
    Scale,
    Tracking,
    margins,
    ramp_response,
    run,
    step_response,
)
from encsim.closed_loop import timed_edges
from encsim.model import profiles

PITCH, RATE = 20e-6, 16e3
T = 1.0 / RATE
RIGID = Load(5.0, viscous=30.0)
TWO = Load(3.0, viscous=30.0, motor_inertia=2.0, stiffness=1e7, damping=300.0)


def axis(load=RIGID, estimator=None, sampling=None, factor=None, **how):
    """An axis with an encoder without errors."""
    gains = {"position_gain": 100.0, "velocity_gain": 2000.0, "integral_time": 0.02}
    return Axis(
        Scale(period=PITCH),
        interpolation=Interpolation(factor=factor),
        sampling=Sampling(RATE, **(sampling or {})),
        estimator=estimator or Difference(2),
        load=load,
        control=Control(**(gains | how)),
    )


AXES = {
    "plain": axis(),
    "no integral": axis(integral_time=None),
    "delay and current loop": axis(delay=1.3 * T, current_bandwidth=1500.0),
    "filters": axis(notch=(Notch(700.0, depth=0.1),), lowpass=3000.0, estimator=LowPass(900.0, order=2)),
    "late readings": axis(sampling={"latency": 0.6 * T, "average": 2}),
    "two masses": axis(TWO, delay=0.4 * T, estimator=Tracking(500.0)),
    "encoder at the load": axis(replace(TWO, encoder="load"), velocity_gain=500.0, integral_time=0.05),
    "half a feed-forward": axis(velocity_feedforward=0.5),
    "velocity loop": axis(position_gain=0.0),
}
HELD = [name for name in AXES if name != "velocity loop"]
COLUMNS = {"measured": "measured", "torque": "torque", "actual": "velocity", "position": "position"}


def plain(which, of, samples, size):
    """The same answer, event by event."""
    if of == "velocity":
        which = replace(which, control=replace(which.control, position_gain=0.0))
    gain = which.control.position_gain if of == "position" else 1.0
    driven = {"push": size} if of == "load" else {"command": gain * size}
    return slow_loop.run(which, np.zeros(samples), **driven)


@pytest.mark.parametrize(
    ("name", "of"),
    [
        (name, of)
        for name in AXES
        for of in ("position", "velocity", "load")
        if name in HELD or of != "position"
    ],
)
def test_step_is_that_of_the_loop_event_by_event(name, of):
    size = {"position": 1e-5, "velocity": 1e-3, "load": 10.0}[of]
    found = step_response(AXES[name], of, size, 300 * T)
    for theirs, values in plain(AXES[name], of, 300, size).items():
        # rounding of 300 periods of some ten states
        scale = np.abs(values).max()
        np.testing.assert_allclose(getattr(found, COLUMNS[theirs]), values, atol=1e-9 * scale, err_msg=theirs)


def feedback(which, samples, size):
    """Position of the load after a step of the demand, built by python-control of c2d and transfer functions."""
    load, how, period = which.load, which.control, 1.0 / which.sampling.rate
    matrix = slow_loop.continuous(load, how.current_bandwidth)
    # without a current loop the state before the last is not connected
    size_of = len(matrix) - (1 if how.current_bandwidth else 2)
    both = np.zeros((2, size_of))
    both[0, 2 if load.flexible and load.encoder == "load" else 0] = both[1, 2 if load.flexible else 0] = 1.0
    plant = control.c2d(
        control.ss(matrix[:size_of, :size_of], matrix[:size_of, -1:], both, 0.0), period, "zoh"
    )
    law = control.tf([how.velocity_gain], [1.0] + [0.0] * round(how.delay / period), period)
    if how.integral_time:
        law = law * control.tf([1.0 + period / how.integral_time, -1.0], [1.0, -1.0], period)
    n = which.estimator.samples
    back = how.position_gain + control.tf([1.0] + [0.0] * (n - 1) + [-1.0], [n * period] + [0.0] * n, period)
    closed = control.feedback(plant * control.ss(law), control.ss(back) * np.array([[1.0, 0.0]]))
    found = control.forced_response(closed, inputs=np.full(samples, how.position_gain * size))
    return np.squeeze(found.outputs)[1]


@pytest.mark.parametrize("name", [name for name, each in MARGIN_AXES.items() if each.control.position_gain])
def test_step_of_the_position_agrees_with_python_control(name):
    stand_in = MARGIN_AXES[name]
    which = replace(
        axis(stand_in.load, stand_in.estimator), sampling=stand_in.sampling, control=stand_in.control
    )
    found = step_response(which, "position", 1e-3, 400 / which.sampling.rate)
    # python-control 0.10 realises transfer functions as companion forms: ten digits
    np.testing.assert_allclose(found.position, feedback(which, 400, 1e-3), atol=1e-11)


class Late(profiles.Profile):
    """At rest for some samples, then a demand of its own: position, velocity."""

    def __init__(self, position, velocity=lambda time: 0.0 * time):
        self.position, self.velocity = position, velocity

    def at(self, time):
        after = np.asarray(time) - REST * T
        moving = after > -0.5 * T
        rows = self.position(after), self.velocity(after), np.zeros_like(after)
        return np.where(moving, np.stack(rows), 0.0)


REST = 40
IN_RUNS = ["plain", "no integral", "delay and current loop", "filters", "two masses", "encoder at the load"]


@pytest.mark.parametrize("name", IN_RUNS)
def test_small_step_is_that_of_a_run(name):
    which, size = AXES[name], 1e-5
    which = replace(which, control=replace(which.control, velocity_feedforward=0.0))
    # a step within one period has the velocity of that period, which no feed-forward takes
    step = Late(
        lambda time: size + 0.0 * time, lambda time: np.where(np.abs(time) < 0.5 * T, size * RATE, 0.0)
    )
    found, ran = step_response(which, "position", size, 400 * T), run(which, step, (400 + REST) * T)
    # a run reads through the arctangent: some 1e-16 of a period, times the gains
    assert np.abs(ran.true_position[REST:] - found.position).max() < 1e-12
    assert np.abs(ran.torque[REST:] - found.torque).max() < 1e-6


@pytest.mark.parametrize("name", [*IN_RUNS, "half a feed-forward"])
def test_ramp_is_that_of_a_run(name):
    which, rate = AXES[name], 3e-3
    ramp = Late(lambda time: rate * time, lambda time: rate + 0.0 * time)
    found, ran = ramp_response(which, rate, 400 * T), run(which, ramp, (400 + REST) * T)
    # as above
    assert np.abs(ran.true_position[REST:] - found.position).max() < 1e-12
    assert np.abs(ran.measured[REST:] - found.measured).max() < 1e-8


TIMED = {
    "single counts": (PeriodTiming(1e9), 5.3e-4),
    "window": (CountAndTime(1e9, 0.5e-3), 2.1e-3),
    "window of few counts": (CountAndTime(1e9, 0.5e-3), 4.7e-4),
}


def timed(name, **how):
    return axis(estimator=TIMED[name][0], factor=400, **how)


def weighed(name):
    """The axis with its timed edges as weights of sampled positions."""
    which, (estimator, speed) = timed(name), TIMED[name]
    edges = timed_edges.at_speeds(estimator, np.array(speed), which.resolution, RATE)
    parts = {part: getattr(which, part) for part in ("load", "control", "sampling")}
    return SimpleNamespace(**parts, estimator=edges)


@pytest.mark.parametrize("of", ["position", "load"])
@pytest.mark.parametrize("name", TIMED)
def test_step_with_timed_edges_is_that_of_their_mean_filter_event_by_event(name, of):
    size = {"position": 1e-6, "load": 0.1}[of]
    found = step_response(timed(name), of, size, 300 * T, speed=TIMED[name][1])
    stand_in = weighed(name)
    driven = {"push": size} if of == "load" else {"command": 100.0 * size}
    for theirs, values in slow_loop.run(stand_in, np.zeros(300), **driven).items():
        # rounding of 300 periods of some ten states
        scale = np.abs(values).max()
        np.testing.assert_allclose(getattr(found, COLUMNS[theirs]), values, atol=1e-9 * scale, err_msg=theirs)


class Beside(profiles.Profile):
    """A steady motion that jumps by a step at some sample."""

    def __init__(self, speed, size, rest):
        self.speed, self.size, self.rest = speed, size, rest

    def at(self, time):
        after = np.rint(np.asarray(time) * RATE) - self.rest
        position = self.speed * time + self.size * (after >= 0)
        # within one period the demand has the velocity of the jump, which no feed-forward takes
        return np.stack([position, self.speed + self.size * RATE * (after == 0), 0.0 * time])


@pytest.mark.parametrize(("speed", "size"), [(7e-4, 3e-7), (3.1e-3, 5e-7)])
def test_small_step_with_timed_edges_is_the_mean_of_runs_that_begin_between_any_two(speed, size):
    which, moved = axis(estimator=CountAndTime(1e9, 2e-3), factor=400, velocity_feedforward=0.0), []
    found = step_response(which, "position", size, 400 * T, speed=speed)
    assert found.valid
    for rest in range(40, 56):
        # other speeds by a per cent, so that the edges lie elsewhere
        advance = speed * (1.0 + 0.01 * (rest - 48) / 8)
        with_step, without = (
            run(which, Beside(advance, each, rest), (400 + rest) * T) for each in (size, 0.0)
        )
        moved.append((with_step.true_position - without.true_position)[rest:])
    # single runs lie up to 3e-3 beside their mean, by counts of 50 nm; sampled positions would be 7e-2 away
    np.testing.assert_allclose(np.mean(moved, axis=0), found.position, atol=2e-3 * size)


def test_step_with_timed_edges_changes_the_speed_little_where_no_size_is_given():
    which, speed = timed("window"), TIMED["window"][1]
    for of in ("position", "velocity", "load"):
        found = step_response(which, of, speed=speed)
        assert found.valid
        # the size has two digits
        assert np.abs(found.velocity).max() == pytest.approx(0.02 * speed, rel=0.05)
    assert np.abs(ramp_response(which, speed=-speed).velocity).max() == pytest.approx(0.02 * speed, rel=0.05)


def test_step_that_changes_the_age_of_the_edges_says_which_does_not():
    which, speed = timed("window"), TIMED["window"][1]
    (reason,) = step_response(which, "velocity", 1e-3, speed=speed).reasons
    at_most = float(reason.split("up to ")[2].split()[0])
    assert step_response(which, "velocity", 0.99 * at_most, speed=speed).valid
    assert not step_response(which, "velocity", 1.01 * at_most, speed=speed).valid


def test_answer_with_too_few_edges_is_doubtful_as_the_margins_are():
    which = timed("single counts")
    found = step_response(which, speed=5e-5)
    assert found.reasons == margins(which, speed=5e-5).reasons != ()


@pytest.mark.parametrize("name", AXES)
@pytest.mark.parametrize("of", ["position", "velocity", "load", "ramp"])
def test_answer_settles_where_the_torques_balance(name, of):
    which = AXES[name]
    if of in ("position", "ramp") and name not in HELD:
        return
    if of == "ramp":
        found = ramp_response(which, 1e-2, 2.0)
        last, final, size = found.error[-1], found.following_error, 1e-4
    else:
        found = step_response(which, of, seconds=2.0)
        last = (found.velocity if of == "velocity" else found.position)[-1]
        final, size = found.final, abs(found.largest)
    # after 2 s 1e-12 of the slowest mode is left; readings average ages, cubic terms none
    assert last == pytest.approx(final, abs=1e-9 * size)


def test_ramp_trails_by_speed_over_gain_without_feed_forward():
    found = ramp_response(axis(velocity_feedforward=0.0), 0.01)
    assert found.following_error == pytest.approx(0.01 / 100.0)
    assert found.error[-1] == pytest.approx(
        found.following_error, rel=2e-3
    )  # 0.1 % of the slowest mode is left


def test_symmetrical_optimum_overshoots_as_published():
    # step of (1 + 4 s)/(8 s^3 + 8 s^2 + 4 s + 1), times in tau; Kessler 1958 (from memory)
    tau = 1e-3
    lag = 1.0 / (2 * np.pi * tau)
    which = replace(
        axis(Load(1.0), Difference()),
        sampling=Sampling(1e6),
        control=Control(0.0, 1.0 / (2 * tau), integral_time=4 * tau, current_bandwidth=lag),
    )
    found = step_response(which, "velocity", 1.0, 0.05)
    # discrete at a thousandth of tau
    assert found.overshoot == pytest.approx(0.434104077686, abs=1.5e-3)


def test_measures_of_a_first_order_answer_are_those_of_its_time_constant():
    # a velocity loop of the gain K_v on the inertia J: time constant J/K_v; ln 9 and ln 50; algebra
    which = replace(
        axis(Load(5.0), Difference(), velocity_gain=100.0, integral_time=None), sampling=Sampling(1e5)
    )
    found = step_response(which, "velocity", 0.02)
    assert found.rise_time == pytest.approx(0.05 * math.log(9.0), rel=1e-3)  # a difference at 100 kHz
    assert found.settling_time == pytest.approx(0.05 * math.log(50.0), rel=1e-3)
    assert (found.overshoot, found.final) == (0.0, 0.02)


def test_step_without_a_size_is_a_period_a_hundred_a_second_or_a_tenth_of_the_limit():
    limited = axis(torque_limit=30.0)
    sizes = [step_response(limited, of).size for of in ("position", "velocity", "load")]
    assert sizes == pytest.approx([limited.scale.pitch, 100.0 * limited.scale.pitch, 3.0])


@pytest.mark.parametrize("of", ["position", "velocity", "load"])
def test_answers_scale_with_the_step(of):
    small, large = (step_response(AXES["plain"], of, size) for size in (1e-6, -3e-6))
    np.testing.assert_allclose(large.position, -3.0 * small.position, rtol=1e-12)
    assert large.largest == pytest.approx(-3.0 * small.largest)
    assert (large.settling_time, large.largest_torque) == (
        small.settling_time,
        pytest.approx(3.0 * small.largest_torque),
    )


@pytest.mark.parametrize("of", ["position", "velocity"])
def test_step_settles_within_the_time_that_is_looked_at(of):
    found = step_response(AXES["plain"], of)
    main = found.velocity if of == "velocity" else found.position
    late = main[found.time >= found.settling_time]
    assert np.abs(late / found.final - 1.0).max() <= 0.02
    assert np.abs(main[found.time < found.settling_time][-1] / found.final - 1.0) > 0.02


def test_step_that_asks_more_torque_than_there_is_says_which_step_does_not():
    which = axis(torque_limit=20.0)
    found = step_response(which, "position", 1e-3)
    (reason,) = found.reasons
    assert "above the limit 20 N" in reason
    assert not found.valid
    at_most = float(reason.split("up to ")[1].split()[0])
    assert step_response(which, "position", 0.99 * at_most).valid
    assert not step_response(which, "position", 1.01 * at_most).valid


def test_dry_friction_beside_a_small_step_is_named():
    found = step_response(axis(replace(RIGID, coulomb=2.0)), "position", 1e-6)
    assert "dry friction of 2 N is not included" in found.reasons[0]
    assert step_response(axis(replace(RIGID, coulomb=2.0)), "position", 1e-3).valid


@pytest.mark.parametrize("seconds", [None, 0.01, 100.0])
def test_answer_of_an_unstable_loop_says_so_and_stays_finite(seconds):
    which = axis(velocity_gain=2e5)
    assert not margins(which).stable
    found = step_response(which, seconds=seconds)
    assert found.reasons == ("the loop is not stable: see margins",)
    assert np.isfinite(found.position).all()
    assert math.isnan(found.final)


def test_answers_become_plain_values_and_a_table():
    found = ramp_response(AXES["plain"], seconds=0.01)
    plain_values = found.to_dict()
    assert plain_values["kind"] == "RampResponse"
    assert plain_values["units"]["following_error"] == "m"
    header = "time_s,demand_m,position_m,velocity_m_s,measured_m_s,torque_N,error_m"
    assert found.to_csv_text().splitlines()[0] == header
    assert step_response(AXES["plain"], "load").to_csv_text().startswith("time_s,demand_N,position_m")


REFUSED = [
    (lambda: step_response(axis(), "torque"), r"step_response\.of must be one of position, velocity, load"),
    (lambda: step_response(axis(), size=0.0), r"step_response\.size must be a finite number other than zero"),
    (lambda: step_response(axis(), size=math.nan), r"step_response\.size must be a finite number"),
    (lambda: step_response(axis(), seconds=0.0), r"step_response\.seconds must make 2 to"),
    (lambda: step_response(axis(), seconds=1e9), r"step_response\.seconds must make 2 to"),
    (lambda: step_response(axis(), speed=math.inf), r"step_response\.speed must be a finite number"),
    (lambda: step_response("axis"), r"step_response\.axis must be an Axis"),
    (lambda: step_response(replace(axis(), load=None)), r"Axis\.load must be given"),
    (
        lambda: step_response(timed("single counts")),
        r"speed must be at least one count per second, 5e-08 m/s",
    ),
    (
        lambda: ramp_response(timed("single counts"), speed=1e-6),
        r"axis must make a loop of up to 600 states: a shorter delay, latency or window, or a higher speed, got 1604",
    ),
    (lambda: step_response(axis(estimator=LeastSquares(700))), r"must make a loop of up to 600 states"),
    (lambda: step_response(axis(position_gain=0.0)), r"Control\.position_gain must be greater than zero"),
    (
        lambda: step_response(axis(velocity_gain=0.0), "load"),
        r"Control\.velocity_gain must be greater than zero",
    ),
    (lambda: ramp_response(axis(), math.inf), r"ramp_response\.rate must be a finite number"),
    (lambda: ramp_response(axis(position_gain=0.0)), r"Control\.position_gain must be greater than zero"),
]


@pytest.mark.parametrize(("make", "message"), REFUSED)
def test_answers_are_refused(make, message):
    with pytest.raises(InputError, match=message):
        make()
