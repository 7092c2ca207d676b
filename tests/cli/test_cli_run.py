"""The commands about the closed loop in time, run and step: what they print, where it goes, what they refuse."""

import csv
import json

import numpy as np
import pytest
from commands import UNSTABLE, done, failed, plain, refused, unwrapped

import encsim
from encsim.__main__ import main
from encsim.model import profiles
from encsim.model.load_and_control import CAUTIONS
from encsim.wording import percent_number, show

STEADY = ["run", "axis.toml", "--speed", "10.37 mm/s", "--seconds", "200 ms"]
MOVE = ["run", "axis.toml", "--profile", "trapezoid 1 mm, 50 mm/s, 4 m/s2"]
FREE = ["--set", "control.torque_limit=none"]
STICKY = ["--set", "load.coulomb=6 N", "--set", "load.stribeck=4 N", "--set", "load.stribeck_speed=2 mm/s"]


@pytest.mark.parametrize("command", ["run", "step"])
def test_help_begins_with_examples(command, folder, capsys):
    assert done(capsys, "help", command).startswith(f"examples:\n  encsim {command} ")


def test_run_says_what_the_library_computes(folder, capsys):
    found = encsim.run(encsim.load("axis.toml"), 0.01037, 0.4, seed=3)
    text = done(capsys, *STEADY[:4], "--seconds", "0.4", "--seed", "3", "--long")
    assert f"measured {show(found.rms['measured'], 'm/s')} rms, actual (axis)" in unwrapped(text)
    assert f"{show(found.rms['actual'], 'm/s')}, force {show(found.rms['torque'], 'N')}" in unwrapped(text)
    assert all(line in unwrapped(text) for line in CAUTIONS)


def test_json_of_a_run_is_the_result_with_cautions(folder, capsys):
    found = encsim.run(encsim.load("axis.toml"), 0.01037, 0.2)
    got = plain(capsys, *STEADY)
    assert (got["kind"], got["profile"], got["cautions"]) == ("Run", None, list(CAUTIONS))
    assert got["torque"] == found.torque.tolist()
    assert got["rms"] == found.rms


PROFILES = {
    "trapezoid 1 mm, 50 mm/s, 4 m/s2": profiles.Trapezoid(1e-3, 0.05, 4.0),
    "s-curve -1 mm, 50 mm/s, 4 m/s2, 400 m/s3": profiles.SCurve(-1e-3, 0.05, 4.0, 400.0),
    "sine 50 um, 20 Hz": profiles.Sine(50e-6, 20.0),
    "file move.csv": profiles.Sampled([0.0, 0.01, 0.03, 0.05], [0.0, 1e-5, 5e-5, 6e-5]),
}


@pytest.mark.parametrize("text", PROFILES)
def test_profile_is_run_as_the_library_runs_it(text, folder, capsys):
    (folder / "move.csv").write_text("time_ms;position_um\n# at rest\n0;0\n10;10\n30;50\n50;60\n")
    found = encsim.run(encsim.load("axis.toml"), PROFILES[text], 0.1)
    got = plain(capsys, "run", "axis.toml", "--profile", text, "--seconds", "100 ms")
    assert got["profile"] == text
    # rounded once from the decimals of a file
    np.testing.assert_allclose(got["true_position"], found.true_position, atol=1e-15)


def test_move_of_a_rotary_axis_takes_angles(folder, capsys):
    text = done(capsys, "run", "table.toml", "--profile", "trapezoid 2 deg, 30 rpm, 50 rad/s2", "--quiet")
    assert "Largest following error of the load: " in text
    assert "torque" in text


def test_move_says_how_far_off_and_when_it_is_back(folder, capsys):
    axis, move = encsim.load("axis.toml"), PROFILES[MOVE[-1]]
    lines = done(capsys, *MOVE, "--seconds", "0.3").splitlines()
    found = encsim.run(axis, move, 0.3)
    error = np.abs(found.following_error)
    assert lines[0].endswith(f": {show(error.max(), 'm')} at {show(found.time[error.argmax()], 's')}.")
    after = found.time[np.flatnonzero(error > 0.02 * error.max())[-1] + 1] - move.duration
    assert lines[1] == (
        f"It settles within 2 % of that {show(after, 's')} after the end of the move at {show(move.duration, 's')}."
    )


@pytest.mark.parametrize(
    ("argv", "seconds"),
    [(MOVE, 0.03), (["run", "axis.toml", "--profile", "sine 10 um, 20 Hz"], 0.2), (STEADY[:4], 1.0)],
)
def test_run_without_a_length_is_long_enough(argv, seconds, folder, capsys):
    got = plain(capsys, *argv)
    assert got["time"][-1] > 0.99 * seconds
    assert got["valid"]


def test_reversal_with_dry_friction_says_how_long_it_sticks(folder, capsys):
    argv = ["run", "axis.toml", "--profile", "sine 20 um, 1 Hz", "--seconds", "1.2", *STICKY]
    got = plain(capsys, *argv)
    assert got["sticking"] > 0.2
    assert f"sticks in dry friction for {percent_number(got['sticking'])} % of the time" in done(
        capsys, *argv
    )


def test_limit_that_binds_is_told(folder, capsys):
    text = done(capsys, *MOVE, "--set", "control.torque_limit=15 N", "--quiet")
    assert "The force is at its limit of 15.0 N for " in text


def test_run_above_the_top_speed_is_warned_of_first(folder, capsys):
    argv = [*STEADY[:2], "--speed", "1 m/s", "--seconds", "50 ms", "--set", "signal.bandwidth=20 kHz"]
    assert main(argv) == 0
    out, err = capsys.readouterr()
    words = "1.00 m/s is above the top speed of 0.400 m/s, limited by bandwidth: the position is not reliable there"
    assert unwrapped(out).startswith(f"WARNING: {words}")
    assert f"encsim: warning: {words}" in err
    assert out.count("above the top speed") == 1
    got = plain(capsys, *argv, "--quiet")
    assert not got["valid"]
    assert "above the top speed 0.4 m/s (bandwidth)" in got["reasons"][0]


def test_run_that_runs_away_fails_and_keeps_what_it_has(folder, capsys):
    out, err = failed(capsys, *STEADY, *UNSTABLE, *FREE, "--csv", "run.csv", "--plot", "run.svg", "--quiet")
    assert "STOPPED at " in out
    assert "encsim: the run stopped at " in err
    assert "runs away" in err
    rows = list(csv.reader((folder / "run.csv").read_text().splitlines()))
    assert 100 < len(rows) < 3200
    assert np.isfinite(np.array(rows[1:], dtype=float)).all()
    assert "Stopped after" in (folder / "run.svg").read_text()


def test_unstable_run_within_its_limit_fails_too(folder, capsys):
    out, err = failed(capsys, *STEADY, *UNSTABLE, "--quiet")
    assert "Note: the loop is not stable" in out
    assert "encsim tune proposes others" in err


@pytest.mark.parametrize("argv", [STEADY, MOVE, ["step", "axis.toml"], ["step", "axis.toml", "--of", "ramp"]])
def test_table_and_picture_are_written(argv, folder, capsys):
    done(capsys, *argv, "--csv", "t.csv", "--plot", "p.svg", "--quiet")
    header = (folder / "t.csv").read_text().splitlines()[0]
    assert header.startswith("time_s,")
    assert "<title>" in (folder / "p.svg").read_text()


@pytest.mark.parametrize(
    ("of", "size", "value"),
    [
        ("position", "10 um", 1e-5),
        ("velocity", "2 mm/s", 2e-3),
        ("load", "20 N", 20.0),
        ("load", "-20 N", -20.0),
    ],
)
def test_step_is_that_of_the_library(of, size, value, folder, capsys):
    found = encsim.step_response(encsim.load("axis.toml"), of, value)
    got = plain(capsys, "step", "axis.toml", "--of", of, f"--size={size}")
    assert got == json.loads(json.dumps(found.to_dict() | {"cautions": list(CAUTIONS)}))
    text = done(capsys, "step", "axis.toml", "--of", of, f"--size={size}")
    assert f"settling time (2 %) {show(found.settling_time, 's')}" in unwrapped(text)
    assert f"peak force {show(found.largest_torque, 'N')}" in unwrapped(text)


def test_ramp_says_how_far_the_axis_trails(folder, capsys):
    argv = [
        "step",
        "axis.toml",
        "--of",
        "ramp",
        "--size",
        "6 mm/s",
        "--set",
        "control.velocity_feedforward=0",
    ]
    # 6 mm/s over 60 1/s; the largest is the same but for a thousandth that is left
    assert "final 100 µm" in done(capsys, *argv)


def test_step_beyond_the_torque_limit_is_noted(folder, capsys):
    text = done(capsys, "step", "axis.toml", "--size", "10 mm")
    assert "Note: the torque would reach" in text


def test_step_of_an_unstable_loop_fails_and_is_kept(folder, capsys):
    out, err = failed(capsys, "step", "axis.toml", *UNSTABLE, "--csv", "s.csv")
    assert "Note: the loop is not stable" in out
    assert "unstable" in err
    assert (folder / "s.csv").exists()


def test_folded_lines_are_drawn_at_a_speed(folder, capsys):
    done(
        capsys,
        "loop",
        "axis.toml",
        "--speeds",
        "1 mm/s",
        "--speed",
        "72.3 mm/s",
        "--plot-folded",
        "f.svg",
        "--quiet",
    )
    assert "At 72.3" in (folder / "f.svg").read_text()


def test_folded_lines_of_an_unstable_loop_are_not_drawn(folder, capsys):
    _, err = failed(capsys, "loop", "axis.toml", "--speed", "1 mm/s", "--plot-folded", "f.svg", *UNSTABLE)
    assert "no curves for --plot-folded" in err
    assert not (folder / "f.svg").exists()


WRONG = {
    "no demand": (["run", "axis.toml"], ["--speed or --profile", "nothing"]),
    "two demands": ([*STEADY, "--profile", "sine 1 mm, 1 Hz"], ["--speed or --profile"]),
    "kind": (["run", "axis.toml", "--profile", "trapezod 1 mm, 1 mm/s, 1 m/s2"], ["did you mean trapezoid?"]),
    "nothing": (["run", "axis.toml", "--profile", ""], ["--profile", "begin with one of"]),
    "too few": (["run", "axis.toml", "--profile", "trapezoid 1 mm, 1 mm/s"], ["distance, speed, acceleration"]),
    "too many": (["run", "axis.toml", "--profile", "sine 1 mm, 1 Hz, 3"], ["amplitude, frequency"]),
    "no unit": (["run", "axis.toml", "--profile", "sine 1, 1 Hz"], ["--profile, sine: amplitude", "unit"]),
    "other scale": (["run", "axis.toml", "--profile", "sine 1 deg, 1 Hz"], ["--profile, sine: amplitude"]),
    "jerk": (["run", "axis.toml", "--profile", "s-curve 1 mm, 1 m/s, 1 m/s2, 1 m/s2"], ["s-curve: jerk"]),
    "no distance": (["run", "axis.toml", "--profile", "trapezoid 0 mm, 1 mm/s, 1 m/s2"], ["trapezoid: distance"]),
    "no file": (["run", "axis.toml", "--profile", "file"], ["--profile", "name a table"]),
    "file that is not there": (["run", "axis.toml", "--profile", "file none.csv"], ["--profile", "none.csv"]),
    "file without units": (["run", "axis.toml", "--profile", "file bare.csv"], ["bare.csv", "unit"]),
    "file that jumps": (["run", "axis.toml", "--profile", "file jump.csv"], ["jump.csv", "rise from 0", "jump"]),
    "file that is too short": (["run", "axis.toml", "--profile", "file short.csv"], ["at least 4 numbers"]),
    "no cell": (["run", "axis.toml", "--profile", "file odd.csv"], ["odd.csv", "line 3"]),
    "beyond the top speed": (
        ["run", "axis.toml", "--profile", "trapezoid 1 m, 9 m/s, 500 m/s2", "--set", "signal.bandwidth=20 kHz"],
        ["--profile", "top speed"],
    ),
    "long estimator": (
        [*STEADY, "--set", "estimator.kind=difference", "--set", "estimator.corner=none", "--set",
         "estimator.samples=5000"],
        ["--seconds", "estimator's memory of 5001 samples"],
    ),
    "long window": (
        [*STEADY, "--set", "estimator.kind=count-and-time", "--set", "estimator.corner=none", "--set",
         "estimator.clock=50 MHz", "--set", "estimator.window=0.5 s", "--set", "interpolation.bits=none", "--set",
         "sampling.jitter=0 s"],
        ["--seconds", "estimator's memory"],
    ),
    "long run": ([*STEADY[:4], "--seconds", "1000 s"], ["--seconds", "4194304 samples"]),
    "no time": ([*STEADY[:4], "--seconds", "0 s"], ["--seconds"]),
    "seed": ([*STEADY, "--seed", "-1"], ["--seed"]),
    "limit": ([*STEADY, "--set", "control.torque_limit=0.1 N"], ["control.torque_limit", "steady motion"]),
    "target": ([*STEADY, "--plot", "a.txt"], ["--plot"]),
    "profile as target": (
        ["run", "axis.toml", "--profile", "file move.csv", "--csv", "move.csv", "--force"], ["--csv", "read"],
    ),
    "of": (["step", "axis.toml", "--of", "postion"], ["--of", "did you mean position?"]),
    "size": (["step", "axis.toml", "--size", "0 mm"], ["--size", "other than zero"]),
    "size of another kind": (["step", "axis.toml", "--of", "load", "--size", "1 mm"], ["--size"]),
    "size of a ramp": (["step", "axis.toml", "--of", "ramp", "--size", "0 mm/s"], ["--size", "other than zero"]),
    "time of a step": (["step", "axis.toml", "--seconds", "1 h"], ["--seconds"]),
    "long step": (["step", "axis.toml", "--seconds", "1e6 s"], ["--seconds", "samples"]),
    "velocity loop": (
        ["step", "axis.toml", "--set", "control.position_gain=0 1/s"], ["control.position_gain", "greater than zero"],
    ),
    "folded without a speed": (["loop", "axis.toml", "--plot-folded", "f.svg"], ["--speed", "--plot-folded"]),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_bad_input_is_refused(case, folder, capsys):
    (folder / "bare.csv").write_text("time,position\n0,0\n1,1\n2,2\n3,3\n")
    (folder / "jump.csv").write_text("time_s,position_mm\n0,0\n1,0\n1,2\n3,3\n")
    (folder / "short.csv").write_text("time_s,position_mm\n0,0\n1,0\n")
    (folder / "odd.csv").write_text("time_s,position_mm\n0,0\n1,x\n2,2\n3,3\n")
    (folder / "move.csv").write_text("time_s,position_mm\n0,0\n1,1\n2,2\n3,3\n")
    argv, words = WRONG[case]
    refused(argv, words, folder, capsys)
