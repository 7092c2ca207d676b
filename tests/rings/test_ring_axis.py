"""A mounted ring in the axis: what ripple, simulation and closed loop make of its lines."""

from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import (
    Axis,
    Control,
    CountAndTime,
    ErrorMap,
    Head,
    InputError,
    Interpolation,
    LeastSquares,
    Load,
    PeriodTiming,
    Ring,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.rings import error_orders

TURN = 2.0 * np.pi
RING = Ring(0.1, eccentricity=20e-6, direction=0.3, lobes={2: 2e-6}, graduation={7: (2e-5, 0.5)})
AXIS = Axis(Scale(lines=2048), sampling=Sampling(8e3), ring=RING)
LOOP = replace(
    AXIS,
    signal=Signal(offset=(0.01, 0.0), jitter=1e-7),
    load=Load(0.01, viscous=0.01),
    control=Control(60.0, 4.0, integral_time=0.02, delay=60e-6, current_bandwidth=1e3),
)
TWO = (0.0, Head(np.pi, axial=1e-3))


@pytest.mark.parametrize("heads", [(0.0,), (0.0, 1.0), TWO])
@pytest.mark.parametrize("speed", [31.0, -0.7])
def test_simulated_position_is_off_by_the_exact_error_of_the_ring(heads, speed):
    axis = replace(AXIS, heads=heads)
    trace = encsim.simulate(axis, speed, 4000, start=0.4)
    true = 0.4 + speed * trace.time
    mean = encsim.ring_error(RING, TURN * np.arange(4096) / 4096, heads).mean()
    # lines below 1e-9 of the largest are left out
    expected = true + encsim.ring_error(RING, true, heads) - mean
    np.testing.assert_allclose(trace.position, expected, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize(
    "clock", [{"encoder_rate": 21e3, "encoder_phase": 0.3}, {"latency": 1e-4}, {"average": 4}]
)
def test_older_readings_show_the_ring_where_it_was(clock):
    axis = replace(AXIS, sampling=Sampling(8e3, **clock))
    bare = replace(axis, ring=None)
    seen, true = (encsim.simulate(a, 20.0, 3000).position for a in (axis, bare))
    expected = encsim.ring_error(RING, true)
    # an average over a sample of 2.5 mrad flattens order 7 by 1e-4 of its 2e-5 rad
    np.testing.assert_allclose(seen - true, expected - expected.mean() + (seen - true).mean(), atol=1e-8)


def test_ring_of_one_order_ripples_as_the_difference_passes_it():
    axis = replace(AXIS, ring=Ring(0.1, graduation={3: 1e-5}))
    speed = np.array([0.1, 5.0, 300.0])
    expected = 1e-5 * np.sqrt(2.0) * 8e3 * np.abs(np.sin(np.pi * 3 * speed / TURN / 8e3))
    curve = encsim.ripple(axis, speed)
    np.testing.assert_allclose(curve.parts["ring"], expected, rtol=1e-12)
    np.testing.assert_allclose(curve.frequency, 3 * speed / TURN, rtol=1e-12)
    assert set(curve.parts) == {"ring"}


@pytest.mark.parametrize(
    "estimator", [encsim.Difference(), LeastSquares(8), Tracking(200.0), CountAndTime(1e9, 2e-3)]
)
def test_ripple_of_a_ring_is_that_of_a_run_over_whole_turns(estimator):
    counted = Interpolation(factor=None if estimator.linear else 1024)
    axis = replace(AXIS, estimator=estimator, interpolation=counted)
    speed, turn = 5.0 * TURN, 1600
    trace = encsim.simulate(axis, speed, 6 * turn)
    kept = trace.velocity[-4 * turn :]
    # what is left of the filter's start, and of the clock's ticks
    assert np.std(kept) == pytest.approx(float(encsim.ripple(axis, speed).rms), rel=1e-4)


def test_single_timed_counts_see_the_speed_of_the_ring():
    axis = replace(AXIS, estimator=PeriodTiming(1e9), interpolation=Interpolation(factor=400))
    trace = encsim.simulate(axis, -0.5 * TURN, 32000)
    curve = encsim.ripple(axis, 0.5 * TURN)
    # the error of the clock's ticks is not random at one speed: 7 % of this sum
    assert trace.rms == pytest.approx(float(curve.rms), rel=0.07)
    assert curve.parts["ring"] > 0.8 * curve.rms


def test_peak_of_a_ring_is_half_its_range():
    trace = encsim.simulate(AXIS, 5.0 * TURN, 1600)
    assert float(encsim.ripple(AXIS, 5.0 * TURN).peak) == pytest.approx(
        trace.peak, rel=1e-3
    )  # 1600 points a turn


# Without a ring lines vanish here and counts come evenly: what its swing of the speed leaves is all there is.
@pytest.mark.parametrize(
    ("turns", "factor", "close"), [(1.0, None, 1e-4), (1 / 3, None, 1e-4), (1.0, 400, 0.02), (0.5, 400, 0.02)]
)
def test_swing_of_the_speed_is_in_the_ripple_where_lines_vanish(turns, factor, close):
    chain = {"signal": Signal(sde={1: 1e-6, 2: 2e-6}), "interpolation": Interpolation(factor=factor)}
    axis = replace(AXIS, ring=Ring(0.1, eccentricity=20e-6, graduation={7: (2e-5, 0.5)}), **chain)
    speed = turns * axis.scale.pitch * 8e3
    starts = axis.scale.pitch * np.arange(12) / 12
    runs = [encsim.simulate(axis, speed, 3 * round(2048 / turns), start=start).rms for start in starts]
    # counts bend where they come evenly: eight places of the swing tell that to 2 %
    assert np.sqrt(np.mean(np.square(runs))) == pytest.approx(
        float(encsim.ripple(axis, speed).rms), rel=close
    )


def test_lines_of_the_ring_are_listed_by_their_order():
    lines = encsim.lines(replace(AXIS, signal=Signal(offset=(0.01, 0.0))), 10.0)
    assert set(lines.order[lines.harmonic < 1.0]) >= {1, 2, 7}
    assert (lines.order[lines.harmonic >= 1.0] == 0).all()
    first = list(lines.order).index(1)
    assert lines.frequency[first] == pytest.approx(10.0 / TURN)
    assert lines.position[first] == pytest.approx(
        20e-6 / 0.05, rel=1e-4
    )  # the lobes add a second-order trifle


def test_two_opposite_heads_leave_no_eccentricity():
    curve = [
        encsim.ripple(replace(AXIS, ring=Ring(0.1, eccentricity=20e-6), heads=h), 1.0)
        for h in ((0.0,), (0.0, np.pi))
    ]
    assert curve[1].parts["ring"] < 1e-3 * curve[0].parts["ring"]


def test_map_of_the_ring_takes_its_error_off():
    angles = TURN * np.arange(512) / 512
    taken = ErrorMap(encsim.ring_error(RING, angles)).compensation()
    mended = replace(AXIS, ring=replace(RING, compensation=taken))
    # what is left is of the order of the error squared
    assert encsim.ripple(mended, 1.0).rms < 1e-6 * encsim.ripple(AXIS, 1.0).rms


def test_chosen_orders_of_a_map_take_only_those_off():
    angles = TURN * np.arange(512) / 512
    taken = ErrorMap(encsim.ring_error(RING, angles)).compensation([1])
    assert list(taken) == [1]
    lines = encsim.lines(replace(AXIS, ring=replace(RING, compensation=taken)), 10.0)
    assert lines.order[0] == 7


@pytest.mark.parametrize("sampling", [{}, {"encoder_rate": 21e3, "encoder_phase": 0.3}, {"average": 3}])
def test_opened_loop_reads_the_positions_of_the_chain(sampling):
    axis = replace(
        LOOP,
        load=Load(0.01),
        control=Control(0.0, 0.0),
        interpolation=Interpolation(factor=400),
        sampling=Sampling(8e3, **sampling),
    )
    run = encsim.run(axis, 3.0, 0.3, seed=3)
    trace = encsim.simulate(axis, 3.0, run.position.size, seed=3)
    np.testing.assert_array_equal(run.position, trace.position)


@pytest.mark.parametrize("speed", [0.25 * TURN, 5.03 * TURN])
def test_smoothness_of_a_ring_is_that_of_a_run_over_whole_turns(speed):
    turn = TURN / speed
    run = encsim.run(LOOP, speed, 0.5 + turn * np.ceil(5.0 / turn), seed=1)
    found = encsim.smoothness(LOOP, speed)
    whole = round(turn * np.floor(5.0 / turn) * 8e3)
    # 5 s of noise and lines: 0.5 %
    assert np.std(run.measured[-whole:]) == pytest.approx(float(found.measured), rel=5e-3)
    assert np.std(run.torque[-whole:]) == pytest.approx(float(found.torque), rel=5e-3)
    assert np.std(run.velocity[-whole:]) == pytest.approx(float(found.actual), rel=5e-3)


def without_turns(angle, values, orders=12):
    """Rms of what no line of so many orders a turn explains."""
    turns = np.exp(1j * np.multiply.outer(angle, np.arange(1, orders + 1)))
    lines = np.hstack([np.ones((angle.size, 1)), turns.real, turns.imag])
    return np.std(values - lines @ np.linalg.lstsq(lines, values, rcond=None)[0])


@pytest.mark.parametrize(("beside", "factor", "without"), [(2e-4, None, 0.3), (0.0, 400, 0.7)])
def test_swing_of_the_speed_is_in_the_smoothness_where_lines_vanish(beside, factor, without, monkeypatch):
    chain = {"signal": Signal(sde={1: 1e-6, 2: 2e-6}), "interpolation": Interpolation(factor=factor)}
    control = Control(15.0, 0.6, integral_time=0.1)
    axis = replace(LOOP, ring=Ring(0.1, eccentricity=50e-6), control=control, **chain)
    speed = axis.scale.pitch * 8e3 * (1.0 + beside)
    shown, last = encsim.run(axis, speed, 4.0), round(8 * TURN / speed * 8e3)

    def predicted():
        parts = encsim.smoothness(axis, [speed]).parts["measured"]
        return np.sqrt(sum(part[0] ** 2 for cause, part in parts.items() if cause != "ring"))

    within = without_turns(speed * shown.time[-last:], shown.measured[-last:])
    # eight places of the swing
    assert predicted() == pytest.approx(within, rel=0.05)
    monkeypatch.setattr(
        error_orders, "followed_speed_modulation", lambda ring, heads, back: np.zeros((len(back), 8))
    )
    assert predicted() < without * within


def test_a_loop_that_follows_the_ring_wholly_leaves_no_swing_of_the_speed():
    ring = Ring(0.1, eccentricity=50e-6)
    back = np.zeros((1, error_orders.shown_lines(ring, (0.0,))[0].size))
    followed = error_orders.followed_speed_modulation(ring, (0.0,), back)[0]
    # another grid over the turn, and eighths of it
    np.testing.assert_allclose(followed, error_orders.speed_modulation(ring, (0.0,)), rtol=2e-3, atol=1e-7)
    assert np.abs(error_orders.followed_speed_modulation(ring, (0.0,), back + 1.0)).max() < 1e-15


def test_a_slow_loop_follows_the_ring():
    found = encsim.smoothness(LOOP, 0.25 * TURN)
    # below the bandwidth the axis moves by the whole error of the ring, and the encoder shows none of it
    assert found.parts["position"]["ring"] == pytest.approx(20e-6 / 0.05 / np.sqrt(2.0), rel=0.01)
    assert found.parts["measured"]["ring"] < 1e-3 * found.parts["actual"]["ring"]


def test_slow_ring_read_on_an_own_clock_has_no_negative_part():
    axis = replace(
        LOOP, sampling=Sampling(8e3, encoder_rate=21e3), load=Load(0.01, motor_inertia=0.01, stiffness=1e4)
    )
    found = encsim.smoothness(axis, np.geomspace(1e-6, 1.0, 50))
    assert (np.diff(found.parts["measured"]["ring"]) > 0.0).all()


def test_lanes_of_a_loop_with_a_ring_are_its_single_runs():
    speeds = [1.0, 7.0, 20.0]
    several = encsim.runs(LOOP, speeds, 0.2)
    alone = [encsim.run(LOOP, speed, 0.2, seed=i).rms["actual"] for i, speed in enumerate(speeds)]
    np.testing.assert_array_equal(several.rms["actual"], alone)


def test_top_speed_is_that_of_the_ring_whatever_the_controller_takes_off():
    axis = replace(AXIS, interpolation=Interpolation(factor=400, output="ab", edge_separation=1e-7))
    mended = replace(axis, ring=replace(RING, compensation={1: (1e-3, 0.3)}))
    assert encsim.top_speed(mended).speed == encsim.top_speed(axis).speed


def test_top_speed_is_lower_by_what_the_ring_hurries():
    axis = replace(AXIS, interpolation=Interpolation(factor=400, output="ab", edge_separation=1e-7))
    even = encsim.top_speed(replace(axis, ring=None))
    angles = TURN * np.arange(200_000) / 200_000
    steepest = np.gradient(encsim.ring_error(RING, angles), angles).max()
    assert encsim.top_speed(axis).hurry == pytest.approx(steepest, rel=1e-5)  # 8192 points a turn
    assert encsim.top_speed(axis).speed == pytest.approx(even.speed / (1.0 + steepest), rel=1e-8)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"scale": Scale(period=20e-6)}, "Axis.ring must be left out with a linear scale"),
        ({"scale": Scale(lines=2048, diameter=0.2)}, r"Axis.ring.diameter must be that of the scale, 0.2 m"),
        ({"scale": Scale(lines=8)}, "Axis.ring must have orders below half the lines"),
        ({"heads": (0.0, 0.0)}, "Axis.heads must stand at least 1e-06 rad apart"),
        ({"heads": ()}, "Axis.heads must be 1 to 64 heads"),
        ({"heads": "0 deg"}, "Axis.heads.* must be a finite angle"),
        ({"heads": (0.0, Head(1.0, lines=2048, sde={1: 1e-6}))}, "Axis.heads must have no lines or sde"),
        ({"ring": None, "heads": (0.0, np.pi)}, "Axis.heads must be left out without a ring"),
        ({"ring": 0.1}, "Axis.ring must be a Ring"),
    ],
)
def test_ring_that_does_not_fit_the_axis_is_refused(change, rule):
    with pytest.raises(InputError, match=rule):
        replace(AXIS, **change)


FILE = """
heads = {heads}
[scale]
lines = 9000
diameter = "57.3 mm"
[sampling]
rate = "16 kHz"
[ring]
{ring}
"""


def test_a_file_gives_heads_as_angles_or_tables_and_the_diameter_with_the_scale():
    text = FILE.format(heads='["0 deg", {angle = "170 deg", axial = "1 mm"}]', ring='eccentricity = "3 um"')
    axis = encsim.loads(text)
    assert axis.heads == (0.0, Head(np.radians(170.0), axial=1e-3))
    assert axis.ring == Ring(57.3e-3, eccentricity=3e-6)
    assert encsim.loads(axis.to_toml()) == axis


@pytest.mark.parametrize(
    ("heads", "ring", "rule"),
    [
        ('"0 deg"', "", "line 2: heads must be a list of 1 to 64 angles"),
        ('["0 deg", "0 deg"]', "", "line 2: heads must stand at least"),
        ('["0 mm"]', "", r"line 2: heads\[0\] must have a unit of angle"),
        (
            '[{angel = "0 deg"}]',
            "",
            r"heads\[0\].angel must be a key of a head(.|\n)*heads\[0\].angle must be given",
        ),
        ('[{angle = "0 deg", tilt = "90 deg"}]', "", r"heads\[0\].tilt must lie from -0.5 to 0.5"),
        (
            '["0 deg"]',
            'eccentricty = "3 um"',
            "line 9: ring.eccentricty must be a key.*did you mean ring.eccentricity",
        ),
        ('["0 deg"]', 'shaft = "30 mm"', "ring.bore must be given with a shaft"),
    ],
)
def test_bad_ring_of_a_file_is_refused_with_its_line(heads, ring, rule):
    with pytest.raises(InputError, match=rule):
        encsim.loads(FILE.format(heads=heads, ring=ring))
