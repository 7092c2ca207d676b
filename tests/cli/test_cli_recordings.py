"""The commands that set recordings beside an axis."""

import json

import numpy as np
import pytest
from commands import done, refused

import encsim
from encsim.__main__ import main

LOOP = encsim.examples.load("stage_x_loop")


@pytest.fixture(scope="module")
def logs():
    """Logs of a drive at two speeds, as text."""
    texts = {}
    for name, speed in (("slow.csv", 0.00413), ("fast.csv", 0.01137)):
        run = encsim.run(LOOP, speed, 0.3, seed=1)
        rows = np.stack([run.time, run.position, run.torque], axis=1).tolist()
        lines = (",".join(map(repr, row)) for row in rows)
        texts[name] = "\n".join(["time_s,position_m,force_N", *lines, ""])
    return texts


@pytest.fixture
def logged(folder, logs):
    """A folder with these logs and the axis."""
    for name, text in logs.items():
        (folder / name).write_text(text)
    (folder / "loop.toml").write_text("# keep me\n" + encsim.examples.text("stage_x_loop"))
    return folder


def test_compare_answers_in_its_first_line_and_draws(logged, capsys):
    said = done(capsys, "compare", "loop.toml", "slow.csv", "--plot", "c.svg")
    assert said.startswith("Agrees: ")
    assert (logged / "c.svg").exists()
    assert json.loads(done(capsys, "compare", "loop.toml", "slow.csv", "--json"))["agrees"] is True


def test_separate_says_the_owner_of_every_order(logged, capsys):
    said = done(capsys, "separate", "loop.toml", "slow.csv", "fast.csv")
    assert said.startswith("Orders: ")
    assert "0 of the machine" in said
    assert "harmonic 1 of the signal period" in said
    assert "one speed" in done(capsys, "separate", "loop.toml", "slow.csv")


def test_fit_writes_into_the_axis_file_and_keeps_the_rest(logged, capsys):
    before = (logged / "loop.toml").read_text().splitlines()
    done(capsys, "fit", "loop.toml", "slow.csv", "fast.csv", "--free", "load.viscous", "--into", "loop.toml")
    after = (logged / "loop.toml").read_text().splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(changed) == 1
    assert changed[0][1].startswith("viscous")
    # 4 uncertainties of the mean torque of two recordings of 0.3 s
    assert encsim.load("loop.toml").load.viscous == pytest.approx(15.0, rel=0.03)


def test_identify_takes_positions_too(logged, capsys):
    said = done(capsys, "identify", "slow.csv", "--period", "20 um")
    assert "Resolution 5.00 nm" in said
    assert "Amplitudes per signal period" in said


def test_identify_writes_a_correction_table_and_says_what_it_makes_of_the_recording(logged, capsys):
    main(["identify", "fast.csv", "--period", "20 um", "--write-map", "map.csv", "--write-c", "map.c"])
    told = [line for line in capsys.readouterr().err.splitlines() if "cyclic error of this recording" in line]
    assert len(told) == 1
    assert told[0].endswith("rms after correction by the table")
    assert len((logged / "map.csv").read_text().splitlines()) == 257
    assert "one turn of the angle is one signal period" in (logged / "map.c").read_text()
    refused(["identify", "fast.csv", "--write-map", "m.csv"], ["--period"], logged, capsys)


def test_fit_needs_something_to_fit(logged, capsys):
    refused(["fit", "loop.toml", "slow.csv"], ["--free"], logged, capsys)
    refused(
        ["fit", "loop.toml", "slow.csv", "--free", "sampling.rate"],
        ["--free", "sampling.rate"],
        logged,
        capsys,
    )
