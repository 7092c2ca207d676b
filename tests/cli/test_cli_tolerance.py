"""The command about many axes: what it prints, where it goes, what it keeps and refuses."""

import csv
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from commands import refused

import encsim
from encsim.__main__ import main

AXIS = """[scale]
period = "20 um"
[signal]
offset = [0.01, -0.005]
gain = 0.01
jitter = "0.5 nm"
[sampling]
rate = "16 kHz"
"""
SPREAD = """[spread]
signal.gain = {normal = 0.006}
signal.offset.0 = {triangular = 0.005, per_kelvin = 1e-4}
signal.jitter = {uniform = "0.6 nm"}
temperature = {uniform = "10 K"}
"""
REQUIREMENT = """[requirement]
speeds = ["0.5 mm/s", "0.2 m/s"]
relative = 0.009
floor = "40 um/s"
"""
FEW = ["--samples", "120", "--speeds", "0.2 mm/s : 0.2 m/s : 25", "--workers", "1"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with an invented axis file that holds all, and files that hold a part each."""
    monkeypatch.chdir(tmp_path)
    parts = {"axis": AXIS, "spread": SPREAD, "limits": REQUIREMENT, "whole": AXIS + SPREAD + REQUIREMENT}
    for name, text in parts.items():
        (tmp_path / f"{name}.toml").write_text(text)
    return tmp_path


def done(capsys, *argv):
    """Stdout of a command that must succeed and say nothing on stderr."""
    code = main(["tolerance", *argv, "--quiet"])
    out, err = capsys.readouterr()
    assert (code, err) == (0, "")
    return out


def test_answer_comes_first_then_what_to_tighten_then_tables(folder, capsys):
    out = done(capsys, "whole.toml", *FEW)
    lines = out.splitlines()
    assert " of 100 axes meet the requirement (95 % confidence interval " in lines[0]
    assert "120 drawn, seed 0" in lines[1]
    assert lines[2].startswith(("Tighten ", "No single tolerance"))
    assert any(line.startswith("By limit: ") for line in lines)
    assert any(line.startswith("tolerance ") and "distribution" in line for line in lines)
    assert "triangular 0.005, 0.0001 per K" in out
    assert "uniform 10 K" in out
    assert "impossible axes were drawn anew" in out


def test_without_a_requirement_it_says_how_far_the_axes_differ(folder, capsys):
    out = done(capsys, "axis.toml", "--spread", "spread.toml", *FEW)
    assert out.startswith("Axes differ most at ")
    assert "Largest contribution: signal." in out
    assert "halved" not in out


def test_files_of_their_own_do_as_sections_of_the_axis_file(folder, capsys):
    parted = ["axis.toml", "--spread", "spread.toml", "--requirement", "limits.toml"]
    assert done(capsys, *parted, *FEW) == done(capsys, "whole.toml", *FEW)


def test_json_is_what_python_gives_whatever_the_workers(folder, capsys):
    found = json.loads(done(capsys, "whole.toml", *FEW[:4], "--workers", "2", "--json"))
    axis, spread = encsim.load("whole.toml"), encsim.load_spread("whole.toml")
    speeds = np.array(found["speed"])
    expected = encsim.tolerance(axis, spread, speeds, 120, requirement=encsim.requirements.load("whole.toml"))
    assert found == expected.to_dict()


def test_table_and_picture_go_to_files(folder, capsys):
    done(capsys, "whole.toml", *FEW, "--csv", "band.csv", "--plot", "band.svg")
    with open("band.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 25
    assert float(rows[0]["low_m_s"]) <= float(rows[0]["median_m_s"]) <= float(rows[0]["high_m_s"])
    assert "axes would meet" in (folder / "band.svg").read_text()


def test_setting_reaches_axis_spread_and_requirement(folder, capsys):
    plain = done(capsys, "whole.toml", *FEW)
    for setting in ("signal.gain=0.0", 'spread.temperature={uniform = "1 K"}', "requirement.relative=0.02"):
        assert done(capsys, "whole.toml", *FEW, "--set", setting) != plain


def test_seed_draws_other_axes(folder, capsys):
    assert done(capsys, "whole.toml", *FEW, "--seed", "1") != done(capsys, "whole.toml", *FEW)


def test_finished_axes_are_kept_and_used_again(folder, capsys):
    plain = done(capsys, "whole.toml", *FEW)
    assert done(capsys, "whole.toml", *FEW, "--resume", "axes.npz") == plain
    assert done(capsys, "whole.toml", *FEW, "--resume", "axes.npz") == plain
    with np.load("axes.npz") as file:
        assert file["done"].all()


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_interrupt_keeps_what_is_done_and_says_so(folder):
    argv = ["tolerance", "whole.toml", "--samples", "100000", "--resume", "axes.npz", "--workers", "2"]
    run = subprocess.Popen(
        [sys.executable, "-m", "encsim", *argv], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    while run.poll() is None and not (folder / "axes.npz").exists():
        time.sleep(0.05)
    run.send_signal(signal.SIGTERM)
    out, err = run.communicate(timeout=60)
    assert (run.returncode, out) == (143, "")
    assert err.endswith("encsim: interrupted; what is done is kept in axes.npz\n")
    with np.load("axes.npz") as file:
        assert not file["done"].all()


@pytest.mark.parametrize(
    ("argv", "expected"),
    [
        (["axis.toml"], "axis.toml: [spread] must be given, got nothing; as in [spread], signal"),
        (["axis.toml", "--spread", "limits.toml"], "limits.toml: [spread] must be given"),
        (["axis.toml", "--spread", "none.toml"], 'file must exist, got "none.toml"'),
        (["whole.toml", "--requirement", "axis.toml"], "axis.toml: [requirement] must be given"),
        (["whole.toml", "--samples", "1"], '--samples must be a whole number from 2 to 10000000, got "1"'),
        (["whole.toml", "--samples", "1e4"], "--samples must be a whole number"),
        (["whole.toml", "--workers", "0"], '--workers must be a whole number from 1 to 1024, got "0"'),
        (["whole.toml", "--seed", "x"], "--seed must be a whole number from 0"),
        (["whole.toml", "--speeds", "3 m/s"], "--speeds must lie in the requirement's range"),
        (["whole.toml", "--resume", "whole.toml"], "--resume must be a file of finished samples"),
        (
            ["whole.toml", "--csv", "spread.toml", "--spread", "spread.toml"],
            "--csv must name a file that does not",
        ),
        (
            ["whole.toml", "--set", 'spread.signal.gain={normal = "1 %"}'],
            "--set: spread.signal.gain.normal must be a",
        ),
        (
            ["whole.toml", "--set", 'spread.signal.jitter={uniform = "1 mm"}'],
            "spread.signal.jitter must leave possible",
        ),
    ],
)
def test_wrong_input_is_one_line(argv, expected, folder, capsys):
    refused(["tolerance", *argv], [expected], folder, capsys)


def test_all_faults_are_told_at_once(folder, capsys):
    argv = ["tolerance", "axis.toml", "--samples", "1", "--seed", "-1", "--speeds", "3 rpm"]
    refused(argv, ["--samples", "--seed", "--speeds", "[spread]"], folder, capsys)


def test_output_must_not_replace_a_file_that_is_read(folder, capsys):
    argv = ["tolerance", "whole.toml", "--csv", "whole.toml", "--force"]
    refused(argv, ["--csv must differ from the file that is read"], folder, capsys)


def test_speeds_left_out_are_those_of_the_requirement_closer_beside_sampling_nulls(folder, capsys):
    out = done(capsys, "whole.toml", "--json", "--samples", "2", "--workers", "1")
    speed = np.array(json.loads(out)["speed"])
    assert (speed[0], speed[-1]) == pytest.approx((0.5e-3, 0.2))
    assert 400 < len(speed) < 600
    # 20 um at 16 kHz: harmonic 2 has its null at 0.16 m/s.
    assert np.abs(speed / 0.16 - 1.0).min() < 1e-9
    assert np.count_nonzero(np.abs(speed / 0.16 - 1.0) < 0.0021) >= 3
