"""Runs of the closed loop: slow twin, linear theory, the open chain, lanes, friction, limits, refusals."""

import math
from dataclasses import replace

import numpy as np
import pytest
import slow_run
from compiled import compiles

from encsim import (
    Axis,
    Control,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    Kalman,
    LeastSquares,
    Load,
    LowPass,
    Notch,
    PeriodTiming,
    Sampling,
    Scale,
    Signal,
    Tracking,
    run,
    runs,
    simulate,
    smoothness,
)
from encsim.closed_loop import loop
from encsim.kernels import compiling
from encsim.model import profiles
from encsim.time_domain import closed_run

PITCH, RATE = 20e-6, 16e3
GAINS = {"position_gain": 100.0, "velocity_gain": 2000.0, "integral_time": 0.02}
RIGID = Load(5.0, viscous=3.0)
TWO = {"motor_inertia": 2.0, "stiffness": 1e7, "damping": 300.0}


def axis(load=RIGID, signal=None, interpolation=None, estimator=None, sampling=None, **control):
    """A closed axis; offset, gain and jitter unless a signal is given."""
    signal = {"offset": (0.01, -0.005), "gain": 0.01, "jitter": 2e-9} if signal is None else signal
    return Axis(
        Scale(period=PITCH),
        signal=Signal(**signal),
        interpolation=Interpolation(**({"factor": 4000} if interpolation is None else interpolation)),
        sampling=Sampling(RATE, **(sampling or {})),
        estimator=estimator or Difference(2),
        load=load,
        control=Control(**(GAINS | control)),
    )


def opened(which):
    """The same encoder on an axis that nothing drives and nothing brakes."""
    return replace(which, load=Load(5.0), control=Control(0.0, 0.0))


TWINS = {
    "plain": axis(),
    "no counts": axis(interpolation={}),
    "everything on the signal": axis(
        signal={"offset": (0.01, -0.02), "harmonics": {2: 0.01, 3: 0.01}, "noise": 1e-3, "sde": {1: 4e-8}},
        interpolation={"factor": 4000, "bits": 12, "correction": 0.3},
    ),
    "edges": axis(interpolation={"factor": 400, "output": "ab"}),
    "delay and current loop": axis(delay=1.3 / RATE, current_bandwidth=1500.0),
    "whole delay": axis(delay=2.0 / RATE),
    "filters": axis(notch=(Notch(700.0, depth=0.1), Notch(1500.0)), lowpass=3000.0),
    "no integral": axis(integral_time=None),
    "half a feed-forward": axis(velocity_feedforward=0.5),
    "limit": axis(torque_limit=0.9),
    "friction": axis(Load(5.0, viscous=3.0, coulomb=2.0, stribeck=1.0, stribeck_speed=1e-2, force=3.0)),
    "cogging": axis(Load(5.0, cogging={31.25: (2.0, 0.3), 62.5: 1.0})),
    "two masses": axis(Load(3.0, viscous=3.0, coulomb=1.0, cogging={31.25: 2.0}, **TWO), delay=0.4 / RATE),
    "encoder at the load": axis(Load(3.0, **TWO, encoder="load"), velocity_gain=300.0, integral_time=None),
}


@pytest.mark.parametrize("speed", [0.0123, -0.21])
@pytest.mark.parametrize("name", TWINS)
def test_run_is_that_of_the_slow_twin(name, speed):
    which, samples = TWINS[name], 250
    found = run(which, speed, samples / RATE, seed=3)
    expected = slow_run.run(which, speed, samples, 3)
    columns = found.position, found.true_position, found.velocity, found.measured, found.torque
    # rounding of absolute positions, some 1e-17 m, which the difference and the gain turn into 1e-9 N
    for ours, theirs, tolerance in zip(columns, expected, (1e-15, 1e-14, 1e-12, 1e-11, 1e-7), strict=True):
        assert np.abs(ours - theirs).max() < tolerance


MOVES = {
    "trapezoid": profiles.Trapezoid(2e-4, 0.03, 20.0),
    "s-curve": profiles.SCurve(-2e-4, 0.03, 20.0, 2e4),
    "sine": profiles.Sine(1e-5, 200.0),
}


@pytest.mark.parametrize("name", MOVES)
def test_run_of_a_profile_is_that_of_the_slow_twin(name):
    which, samples = axis(Load(5.0, viscous=3.0), acceleration_feedforward=5.0, torque_limit=60.0), 250
    demand = MOVES[name].at(np.arange(samples) / RATE)
    found = run(which, MOVES[name], samples / RATE, seed=3)
    expected = slow_run.run(which, float(demand[1, 0]), samples, 3, demand)
    assert np.abs(found.position - expected[0]).max() < 1e-15
    # rounding as above
    assert np.abs(found.torque - expected[4]).max() < 1e-7


ENCODERS = {
    "plain": axis(),
    "converter and noise": axis(
        signal={"noise": 1e-3, "harmonics": {3: 0.01, 5: 0.004}}, interpolation={"factor": 4000, "bits": 12}
    ),
    "readings": axis(sampling={"average": 3, "latency": 3e-5, "jitter": 1e-7}),
    "other clock": axis(sampling={"encoder_rate": 37123.4, "encoder_phase": 0.3}),
    "slow other clock": axis(sampling={"encoder_rate": 7123.4}),
    "hysteresis": axis(interpolation={"factor": 400, "hysteresis": 0.5}),
    "bandwidth": axis(signal={"jitter": 2e-9, "bandwidth": 1e5, "skew": 1e-7, "sde": {1: 4e-8}}),
    "narrow jitter": axis(signal={"jitter": 2e-9, "jitter_bandwidth": 1e3}),
    "clocked edges": axis(
        interpolation={"factor": 400, "output": "ab", "edge_clock": 1e6, "edge_separation": 3e-6}
    ),
}
ESTIMATORS = {
    "difference": Difference(5),
    "least squares": LeastSquares(9),
    "one pole": LowPass(500.0),
    "third order": LowPass(500.0, order=3),
    "tracking": Tracking(400.0),
    "kalman": Kalman(50.0),
    "period timing": PeriodTiming(50e6),
    "count and time": CountAndTime(50e6, 1.03e-3),
}


@pytest.mark.parametrize("speed", [0.0, 1e-3, 0.0123, -0.3])
@pytest.mark.parametrize("name", ENCODERS)
def test_opened_loop_reads_the_positions_of_the_open_chain(name, speed):
    which = opened(ENCODERS[name])
    found, expected = run(which, speed, 0.3, seed=5), simulate(which, speed, 4800, seed=5)
    assert np.array_equal(found.position, expected.position)
    assert np.array_equal(found.time, expected.time)


@pytest.mark.parametrize("speed", [1e-3, 0.0123, -0.03])
@pytest.mark.parametrize("name", ESTIMATORS)
def test_opened_loop_measures_the_velocities_of_the_open_chain(name, speed):
    which = replace(opened(axis(signal={"jitter": 1e-10})), estimator=ESTIMATORS[name])
    found, expected = run(which, speed, 0.3, seed=5), simulate(which, speed, 4800, seed=5)
    assert np.array_equal(found.position, expected.position)
    # another order of adding: rounding of the speed, in a few ticks of the timing clock for edges
    assert np.abs(found.measured - expected.velocity).max() < 1e-12


SPEEDS = [1e-3, 0.0123, -0.3]
LANES = {
    **TWINS,
    **ENCODERS,
    "following notch": axis(notch=Notch(order=1.0, damping=0.1)),
    **{name: axis(signal={"jitter": 1e-10}, estimator=estimator) for name, estimator in ESTIMATORS.items()},
}


@pytest.mark.parametrize("name", LANES)
def test_lanes_give_the_numbers_of_single_runs(name):
    together = runs(LANES[name], SPEEDS, 0.2, seed=7)
    for i, speed in enumerate(SPEEDS):
        alone = run(LANES[name], speed, 0.2, seed=7 + i)
        assert alone.stopped == together.stopped[i]
        for curve, value in alone.rms.items():
            assert np.array_equal(value, together.rms[curve][i], equal_nan=True), curve


def test_more_speeds_than_lanes_are_run_in_groups():
    speeds = np.geomspace(1e-3, 0.1, 300)
    found = runs(axis(), speeds, 0.02, seed=1)
    assert found.rms["torque"][299] == run(axis(), speeds[299], 0.02, seed=300).rms["torque"]


@pytest.mark.parametrize("delay", [0.0, 1.3])
@pytest.mark.parametrize(
    "name", [name for name in ESTIMATORS if name not in ("period timing", "count and time")]
)
def test_white_jitter_makes_what_the_linear_loop_predicts(name, delay):
    sigma = 5e-9
    load = replace(RIGID, torque_constant=2.0)
    which = axis(load, {"jitter": sigma}, {}, ESTIMATORS[name], delay=delay / RATE, current_bandwidth=1500.0)
    predicted = loop.build(which).noise_gain()
    found = runs(which, np.linspace(0.01, 0.1, 60), 4.0).rms
    for curve, value in found.items():
        mean = math.sqrt(np.mean(np.square(value)))
        # 240 s; the position wanders with a correlation of 1/(pi 10 Hz), 1 % is 1.3 standard deviations of its rms
        assert mean == pytest.approx(predicted[curve] * sigma, rel=0.03 if curve == "position" else 0.01), (
            curve
        )


@pytest.mark.parametrize("name", ["kalman", "one pole", "difference"])
@pytest.mark.parametrize("delay", [1.3, 2.0])
def test_noise_gain_of_a_delayed_loop_is_the_mean_over_the_circle(name, delay):
    linear = loop.build(axis(estimator=ESTIMATORS[name], signal={"jitter": 5e-9}, delay=delay / RATE))
    found, expected = linear.noise_gain(), linear._noise_gain_of_response()
    for curve, value in found.items():
        # the grid over the circle stops at 1e-6
        assert value == pytest.approx(expected[curve], rel=1e-5), curve


LINES = [
    *(
        (speed, how)
        for speed in (1.234567e-3, 0.0123456, 0.2987)
        for how in ({}, {"latency": 1 / RATE}, {"latency": 2e-5})
    ),
    *((speed, {"average": 3}) for speed in (1.234567e-3, 0.0123456)),
]


@pytest.mark.parametrize(("speed", "sampling"), LINES)
def test_a_line_passes_the_loop_as_its_frequency_response_says(speed, sampling):
    amplitude, count = 20e-9, sampling.get("average", 1)
    which = axis(signal={"sde": {1: amplitude}}, interpolation={}, sampling=sampling, delay=1.3 / RATE)
    response = loop.build(which).response(speed / PITCH)
    found = run(which, speed, 5.0)
    averaged = abs(np.mean(np.exp(2j * np.pi * speed / PITCH / RATE * np.arange(count) / count)))
    for curve in ("measured", "torque", "actual", "position"):
        predicted = abs(getattr(response, curve)) * amplitude * averaged / math.sqrt(2.0)
        # cubic readings between samples, ends of a cycle, and 1e-3 of the start
        assert found.rms[curve] == pytest.approx(predicted, rel=2e-3), curve


@pytest.mark.parametrize("speed", [2.3456e-3, 0.0123456, 0.0712345])
@pytest.mark.parametrize("name", ["plain", "converter and noise", "readings"])
def test_smoothness_in_closed_form_is_that_of_runs(name, speed):
    which = ENCODERS[name]
    curve = smoothness(which, [speed])
    assert curve.valid
    found = runs(which, speed * (1.0 + 1e-4 * np.arange(24)), 4.0).rms
    for name in ("measured", "torque", "actual"):
        # 96 s of counting at neighbouring speeds
        assert math.sqrt(np.mean(np.square(found[name]))) == pytest.approx(
            getattr(curve, name)[0], rel=0.02
        ), name


STICKY = Load(5.0, coulomb=5.0, stribeck=5.0, stribeck_speed=2e-3)


def test_a_slow_axis_with_stribeck_friction_sticks_and_slips():
    soft = {"velocity_gain": 200.0, "integral_time": 0.1, "position_gain": 20.0}
    found = run(axis(STICKY, **soft), profiles.Sampled([0.0, 0.1, 0.2, 3.0], [0.0, 1e-5, 3e-5, 6e-4]), 3.0)
    late = found.velocity[int(RATE) :]
    stuck = np.abs(late) < 1e-9
    assert 0.2 < stuck.mean() < 0.99
    assert late.max() > 5.0 * 2e-4  # slips at many times the demanded 0.2 mm/s


def test_at_speed_coulomb_friction_costs_torque_and_no_smoothness():
    smooth, sticky = run(axis(), 0.0123, 1.0), run(axis(replace(RIGID, coulomb=5.0)), 0.0123, 1.0)
    # the friction is the same constant at every sample; rounding of the torque it adds is left
    assert sticky.torque.mean() - smooth.torque.mean() == pytest.approx(5.0, rel=1e-9)
    assert sticky.rms["actual"] == pytest.approx(smooth.rms["actual"], rel=1e-6)


def test_friction_holds_an_axis_at_rest():
    found = run(axis(replace(STICKY, force=1.0), signal={}), 0.0, 0.2)
    assert np.ptp(found.true_position) < 1e-9


@pytest.mark.parametrize(("limit", "doubtful"), [(199.0, True), (202.0, False)])
def test_demand_that_asks_for_more_torque_than_there_is_is_told(limit, doubtful):
    # 5 kg at 40 m/s2 and 3 N s/m at 0.1975 m/s, a sample before the ramp ends; algebra
    found = run(axis(torque_limit=limit), profiles.Trapezoid(2e-3, 0.2, 40.0), 0.1)
    assert any("the demand asks for 200.6 N at 0.004938 s" in reason for reason in found.reasons) == doubtful


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize(
    "signal",
    [{"skew": 3e-6}, {"bandwidth": 2e3, "offset": (0.01, -0.005)}, {"bandwidth": 3e3, "skew": -2e-6}],
)
def test_a_move_has_at_its_fastest_the_channels_of_a_steady_motion(signal, direction):
    which = axis(signal=signal, interpolation={}, acceleration_feedforward=5.0)
    move = run(which, profiles.Trapezoid(direction * 0.012, 0.03, 10.0), 0.38)
    steady = run(which, direction * 0.03, 0.38)
    cruise = slice(int(0.15 * RATE), None)
    ripple, expected = (np.std(found.measured[cruise]) for found in (move, steady))
    assert expected > 1e-4
    # 690 half cycles; the move's start is down to some 1e-4
    assert ripple == pytest.approx(expected, rel=5e-3)
    # the readhead's lag is no position: at rest the axis is shown where it is, but for the error of a period
    assert abs(move.position[0]) < 2e-7
    late = np.mean((move.true_position - move.position)[cruise])
    lag = direction * 0.03 / (2.0 * math.pi * signal["bandwidth"]) if "bandwidth" in signal else 0.0
    # counted as the lag of slow motion; skew shifts by half of itself, 45 nm
    assert late == pytest.approx(lag, abs=1e-7)


@pytest.mark.parametrize("limit", [20.0, 60.0])
def test_a_torque_limit_is_kept(limit):
    found = run(axis(torque_limit=limit), profiles.Trapezoid(2e-3, 0.2, 40.0), 0.2)
    assert np.abs(found.torque).max() == limit
    # without wind-up the axis is there soon after the demand
    assert abs(found.true_position[-1] - 2e-3) < 1e-5


@pytest.mark.parametrize("many", [False, True])
def test_an_axis_that_runs_away_stops_and_says_when_and_why(many):
    which = axis(velocity_gain=2e5)
    found = runs(which, [0.0123, 0.0456], 1.0) if many else run(which, 0.0123, 1.0)
    time, why = found.stopped[0] if many else found.stopped
    assert 0.0 < time < 0.1
    assert "runs away" in why
    assert not found.valid
    assert f"stopped at {time:.6g} s" in found.reasons[-1]
    if not many:
        assert found.time[-1] == time
        columns = found.position, found.true_position, found.velocity, found.measured, found.torque
        assert all(np.isfinite(column).all() and column.size == found.time.size for column in columns)


@pytest.mark.parametrize("name", ["difference", "kalman", "count and time", "period timing"])
def test_a_reversal_at_low_speed_is_followed(name):
    which = axis(signal={"jitter": 1e-10}, estimator=ESTIMATORS[name])
    found = run(which, profiles.Sine(1e-4, 2.0), 1.0)
    demand = 1e-4 * np.sin(4.0 * np.pi * found.time)
    # half a millimetre a second squared against the loop's stiffness: well below a micrometre
    assert np.abs(found.true_position - demand)[1000:].max() < 2e-6
    assert found.valid


@pytest.mark.parametrize("name", ["period timing", "count and time"])
def test_timed_edges_show_no_velocity_at_once_when_the_axis_turns(name):
    which = axis(signal={}, interpolation={"factor": 400}, estimator=ESTIMATORS[name])
    found = run(which, profiles.Sine(1e-4, 2.0), 0.5)
    steps = np.diff(found.position)
    counts = np.flatnonzero(steps)
    turned = 1 + np.flatnonzero(np.diff(np.sign(steps[counts])))
    assert turned.size == 2
    # the first count in the new direction, and all samples until the second
    for first, second in zip(counts[turned], counts[turned + 1], strict=True):
        # the speed comes back from a deviation, rounded
        assert np.abs(found.measured[first + 1 : second + 1]).max() < 1e-17
        assert abs(found.measured[second + 1]) > 1e-6


@pytest.mark.parametrize("seed", [0, 1])
def test_seeds_make_runs_differ_and_repeat(seed):
    first, again, other = (run(axis(), 0.0123, 0.05, seed=s) for s in (seed, seed, seed + 5))
    assert np.array_equal(first.torque, again.torque)
    assert not np.array_equal(first.torque, other.torque)


def test_current_is_torque_over_the_torque_constant():
    found = run(axis(replace(RIGID, torque_constant=2.0)), 0.0123, 0.2)
    assert found.rms["current"] == found.rms["torque"] / 2.0


def test_a_run_too_short_to_settle_says_so():
    assert "too short" in run(axis(), 0.0123, 0.05).reasons[0]


def test_a_loop_that_is_not_stable_says_so_before_it_runs_away():
    found = run(axis(notch=tuple(Notch(100.0 * n) for n in range(1, 9))), 0.01, 0.1)
    assert found.stopped is None
    assert found.reasons == ("the loop is not stable: see margins",)


def test_a_run_becomes_plain_values_and_a_table():
    found = run(axis(), 0.0123, 0.01)
    assert found.to_dict()["units"]["torque"] == "N"
    assert found.to_csv_text().splitlines()[0].startswith("time_s,position_m,true_position_m,velocity_m_s")


@pytest.mark.parametrize("many", [False, True])
def test_each_kernel_is_called_first_once(many, monkeypatch):
    monkeypatch.setattr(closed_run, "_loaded", set())
    runs(axis(), [0.01, 0.02], 0.05) if many else run(axis(), 0.01, 0.05)
    assert closed_run._loaded == {not many}


@pytest.mark.parametrize("alone", [False, True])
def test_compiling_is_told_once(alone, monkeypatch, caplog):
    monkeypatch.setattr(closed_run, "_loaded", set())
    monkeypatch.setattr(compiling, "PATIENCE", 0.0)
    for _ in range(2):
        with closed_run._first_call(alone):
            compiles()
    (told,) = caplog.messages
    assert "compiling the closed loop" in told
    assert ("many speeds" in told) != alone


REFUSED = [
    (replace(axis(), load=None), 0.01, 1.0, r"Axis\.load must be given"),
    (replace(axis(), control=None), 0.01, 1.0, r"Axis\.control must be given"),
    (axis(), 0.01, 0.0, r"run\.seconds must be positive"),
    (axis(), 0.01, math.inf, r"run\.seconds must be positive"),
    (axis(), 0.01, 1e-9, r"run\.seconds must make 2"),
    (axis(), math.nan, 1.0, r"run\.speed must be a finite number"),
    (
        axis(estimator=LeastSquares(5000)),
        0.01,
        0.1,
        r"run\.seconds must be longer than the estimator's memory",
    ),
    (
        axis(torque_limit=1e-3),
        0.01,
        0.1,
        r"Control\.torque_limit must exceed the torque of the steady motion",
    ),
    (
        axis(signal={"bandwidth": 1e3}),
        profiles.Sine(1e-3, 20.0),
        0.1,
        r"run\.speed must stay below the top speed",
    ),
]


@pytest.mark.parametrize(("which", "speed", "seconds", "message"), REFUSED)
def test_run_refuses(which, speed, seconds, message):
    with pytest.raises(InputError, match=message):
        run(which, speed, seconds)


@pytest.mark.parametrize("speeds", [[], [math.nan], [0.1, math.inf]])
def test_runs_refuse_speeds_that_are_none(speeds):
    with pytest.raises(InputError, match=r"runs\.speed"):
        runs(axis(), speeds, 0.1)


def test_runs_from_spread_starts_average_to_smoothness_where_one_start_does_not():
    which, count, speed = axis(), 16, PITCH * RATE / 3.0
    starts = PITCH * np.arange(count) / count
    found = runs(which, [speed] * count, 0.2, starts=starts)
    measured = np.sqrt(np.mean(found.rms["measured"] ** 2))
    # 16 starts average the two lines exactly; 51 200 samples of jitter leave 1 %
    assert measured == pytest.approx(smoothness(which, [speed]).measured[0], rel=0.01)
    assert np.ptp(found.rms["measured"]) > 0.2 * measured


def test_runs_from_a_start_read_positions_of_the_open_chain_from_there():
    which = opened(axis())
    found = runs(which, [0.01, 0.01], 0.05, seed=3, starts=[0.0, 0.3 * PITCH])
    for i, start in enumerate((0.0, 0.3 * PITCH)):
        trace = simulate(which, 0.01, 800, seed=3 + i, start=start)
        # the same samples, summed in another order
        assert found.rms["measured"][i] == pytest.approx(np.std(trace.velocity), rel=1e-9)


@pytest.mark.parametrize("starts", [[0.0], [0.0, math.nan]])
def test_runs_refuse_starts_that_are_none(starts):
    with pytest.raises(InputError, match=r"runs\.starts must be one finite position a speed"):
        runs(axis(), [0.01, 0.02], 0.1, starts=starts)
