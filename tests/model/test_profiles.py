"""Demands of motion: ends, limits, derivatives, refusals."""

import numpy as np
import pytest

from encsim import Axis, Control, Difference, InputError, Load, Sampling, Scale, run
from encsim.model import profiles

MOVES = {
    "trapezoid": profiles.Trapezoid(0.1, 0.2, 2.0),
    "triangle": profiles.Trapezoid(-0.01, 0.5, 2.0),
    "s-curve": profiles.SCurve(0.1, 0.2, 2.0, 40.0),
    "s-curve without a cruise": profiles.SCurve(-0.01, 0.5, 2.0, 40.0),
    "s-curve without a flat": profiles.SCurve(1e-4, 0.5, 2.0, 40.0),
    "sampled": profiles.Sampled([0.0, 0.1, 0.25, 0.4], [3.0, 3.01, 3.05, 3.02]),
}


@pytest.mark.parametrize("name", MOVES)
def test_moves_begin_and_end_at_rest_at_their_ends(name):
    move = MOVES[name]
    ends = move.at([0.0, move.duration, move.duration + 1.0])
    distance = getattr(move, "distance", 0.02)
    # sums of powers of numbers near 1
    np.testing.assert_allclose(ends[0], [0.0, distance, distance], atol=1e-14)
    np.testing.assert_allclose(ends[1], 0.0, atol=1e-13)


@pytest.mark.parametrize("profile", [*MOVES.values(), profiles.Sine(0.01, 3.0), profiles.Constant(-0.3)])
def test_velocity_and_acceleration_are_derivatives(profile):
    h = 1e-5
    time = np.linspace(0.013, 0.6, 200)
    before, here, after = (profile.at(time + shift) for shift in (-h, 0.0, h))
    # central differences, h**2 of third derivatives, h of a corner of the acceleration
    np.testing.assert_allclose((after[0] - before[0]) / (2 * h), here[1], atol=2e-4)
    kinks = np.abs((after[1] - before[1]) / (2 * h) - here[2]) > 0.02 * np.abs(here[2]).max() + 1e-6
    assert kinks.sum() <= 4


@pytest.mark.parametrize("name", [name for name in MOVES if name != "sampled"])
def test_moves_keep_their_limits(name):
    move = MOVES[name]
    _, v, a = move.at(np.linspace(0.0, move.duration, 10_001))
    assert np.abs(v).max() <= move.speed * (1 + 1e-12)
    assert np.abs(a).max() <= move.acceleration * (1 + 1e-12)
    if hasattr(move, "jerk"):
        step = move.duration / 10_000
        assert np.abs(np.diff(a)).max() <= move.jerk * step * (1 + 1e-9)


def test_a_profile_of_a_file_is_that_of_its_numbers(tmp_path):
    path = tmp_path / "move.csv"
    path.write_text("time_s,position_m\n0,3\n0.1,3.01\n0.25,3.05\n0.4,3.02\n")
    time = np.linspace(0.0, 0.5, 50)
    assert np.array_equal(profiles.Sampled.from_file(path).at(time), MOVES["sampled"].at(time))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0,0\n1,x\n", r"line 2: profile must hold a time and a position"),
        ("0,0,0\n1,1,1\n", r"line 2: profile must hold a time and a position"),
        ("0,0\n1,1\n", r"Sampled\.time must be at least 4 numbers"),
        ("", r"Sampled\.time must be at least 4 numbers"),
    ],
)
def test_files_that_hold_no_profile_are_refused(tmp_path, text, message):
    path = tmp_path / "move.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        profiles.Sampled.from_file(path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"Sampled\.from_file must name a file"):
        profiles.Sampled.from_file(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: profiles.Trapezoid(0.0, 1.0, 1.0), r"Trapezoid\.distance must .*not be zero"),
        (lambda: profiles.Trapezoid(1.0, -1.0, 1.0), r"Trapezoid\.speed must be positive"),
        (lambda: profiles.SCurve(1.0, 1.0, 1.0, float("nan")), r"SCurve\.jerk must be positive"),
        (lambda: profiles.Sine(-1.0, 1.0), r"Sine\.amplitude must be positive"),
        (lambda: profiles.Constant(float("inf")), r"Constant\.speed must lie"),
        (lambda: profiles.Sampled([0, 1, 1, 2], [0, 1, 2, 3]), r"Sampled\.time must rise from 0"),
        (lambda: profiles.Sampled([1, 2, 3, 4], [0, 1, 2, 3]), r"Sampled\.time must rise from 0"),
        (
            lambda: profiles.Sampled(range(8), [0, 1, 2, 3, 103, 104, 105, 106]),
            r"Sampled\.position must not jump, as from 3 to 4 s, 20 times as fast as beside, got 100",
        ),
        (lambda: profiles.Sampled([0, 1, 2, 3], [0, 1, 2]), r"Sampled\.position must be at least 4"),
        (
            lambda: profiles.Sampled([0, 1, 2, 3], [0, 1, 2, 3, 4]),
            r"Sampled\.position must have the 4 points",
        ),
    ],
)
def test_profiles_refuse(make, message):
    with pytest.raises(InputError, match=message):
        make()


class Jump(profiles.Profile):
    """A demand that jumps by a millimetre after 10 ms."""

    def at(self, time):
        return np.stack([np.where(time < 0.01, 0.0, 1e-3), 0.0 * time, 0.0 * time])


def test_a_demand_that_jumps_is_refused():
    axis = Axis(
        Scale(period=20e-6),
        sampling=Sampling(16e3),
        estimator=Difference(2),
        load=Load(5.0),
        control=Control(100.0, 2000.0),
    )
    with pytest.raises(InputError, match=r"run\.speed must be a demand without jumps"):
        run(axis, Jump(), 0.1)


def test_a_slow_move_rounded_to_steps_is_no_jump():
    time = np.arange(3000) * 1e-3
    profiles.Sampled(time, np.round(1e-4 * time, 6))


@pytest.mark.parametrize("points", [6, 8, 50])
def test_a_swing_of_few_points_is_no_jump(points):
    time = np.linspace(0.0, 1.0, points)
    profiles.Sampled(time, np.sin(2.0 * np.pi * time))
