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


def _changed(lines, fault):
    """A log with a fault; bytes."""
    rows = [line.split(",") for line in lines]
    rows = {
        "empty": [],
        "one row": rows[:2],
        "three rows": rows[:4],
        "text": [*rows[:100], [rows[100][0], "oops", "1"], *rows[101:]],
        "backwards": [rows[0], *rows[:0:-1]],
        "standstill": [rows[0], *([t, "5.0", force] for t, _, force in rows[1:])],
        "another axis": [["time_s", "position_deg", "force_N"], *rows[1:]],
        "a torque": [["time_s", "position_m", "torque_Nm"], *rows[1:]],
    }[fault]
    return "".join(",".join(row) + "\n" for row in rows)


@pytest.mark.parametrize("command", ["compare", "fit", "separate"])
@pytest.mark.parametrize(("fault", "said"), [
    ("empty", "an empty file"), ("one row", "at least two rows"), ("three rows", "recording must"),
    ("text", 'line 101: column 2 ("position")'), ("backwards", "line 3: column 1"),
    ("standstill", "recording must"), ("another axis", 'm for its position, got "rad"'),
    ("a torque", 'N for its torque, got "N m"'), ("truncated", "a whole NPZ file"), ("folder", "not a folder"),
    ("picture", "a picture"),
])  # fmt: skip
def test_a_bad_recording_is_refused_with_its_name_in_one_line(command, fault, said, logged, logs, capsys):
    bad = logged / {"truncated": "bad.npz"}.get(fault, "bad.csv")
    if fault == "folder":
        bad.mkdir()
    elif fault == "truncated":
        np.savez(bad, position=np.arange(1000.0))
        bad.write_bytes(bad.read_bytes()[:4000])
    elif fault == "picture":
        bad.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    else:
        bad.write_text(_changed(logs["fast.csv"].splitlines(), fault))
    if fault == "a torque" and command == "compare":
        return  # compare reads no torque
    line = {
        "compare": ["compare", "loop.toml", bad.name],
        "fit": ["fit", "loop.toml", "slow.csv", bad.name, "--free", "load.viscous"],
        "separate": ["separate", "loop.toml", "slow.csv", bad.name],
    }[command]
    refused(line, [bad.name, said], logged, capsys)


def test_another_period_or_a_gap_is_told(logged, logs, capsys):
    rows = logs["fast.csv"].splitlines()
    (logged / "gap.csv").write_text("\n".join([*rows[:1000], *rows[1200:], ""]))
    for line in (["compare", "loop.toml", "gap.csv"], ["separate", "loop.toml", "slow.csv", "gap.csv"]):
        assert "the position jumps" in " ".join(done(capsys, *line).split())
    (logged / "other.toml").write_text(LOOP.with_("scale.period", "40 um").to_toml())
    assert done(capsys, "compare", "other.toml", "fast.csv").startswith("Differs: ")
