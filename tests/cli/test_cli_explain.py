"""The command that explains: what it prints, where it goes, what it refuses."""

import csv
import json
from pathlib import Path

import pytest
from commands import done, unwrapped

import encsim
from encsim.__main__ import main

FOLDER = Path(__file__).resolve().parents[2] / "examples"
STAGE, LOOP = ((FOLDER / name).read_text() for name in ("stage_x.toml", "stage_x_loop.toml"))
AT = ["--speed", "5 mm/s"]
pytestmark = pytest.mark.usefixtures("once")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with an invented axis, open and closed, without counts."""
    for name, text in (("axis.toml", STAGE), ("loop.toml", LOOP)):
        lines = [line for line in text.splitlines() if not line.startswith(("factor", "bits"))]
        (tmp_path / name).write_text("\n".join(lines))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_help_begins_with_examples(capsys):
    assert done(capsys, "help", "explain").startswith("examples:\n  encsim explain axis.toml")


def test_report_tells_answer_causes_remedies_and_cautions(folder, capsys):
    out = done(capsys, "explain", "axis.toml", *AT)
    found = encsim.explain(encsim.load("axis.toml"), 5e-3)
    assert out.startswith(f"Ripple at 5.00 mm/s: {found.values['measured'] * 1e3:.4f} mm/s rms")
    assert "Largest cause: SDE" in out
    assert f"Best remedy: {found.remedies[0].name}" in unwrapped(out)
    assert "mismatch 2 %, alone" in out
    assert f"{found.remedies[0].after['measured'] * 1e3:.4f}" in out
    assert "Caution: " in out


def test_report_is_short_and_tells_every_remedy_when_asked(folder, capsys):
    # 30 lines: what a terminal of the usual height holds, with the command
    assert len(done(capsys, "explain", "loop.toml", *AT).splitlines()) <= 30
    found = encsim.explain(encsim.load("loop.toml"), 5e-3)
    long = unwrapped(done(capsys, "explain", "loop.toml", *AT, "--long"))
    assert [each.name for each in found.remedies if each.name.replace("\u202f", " ") not in long] == []
    assert [caution for caution in found.cautions if caution not in long] == []


def test_report_of_a_loop_has_columns_of_force_and_true_ripple(folder, capsys):
    out = done(capsys, "explain", "loop.toml", *AT)
    assert "measured  force" in out
    assert "secure a vertical axis" in unwrapped(out)


def test_without_a_speed_that_of_the_limit_is_explained_and_the_estimator_that_keeps_it_is_named(
    folder, capsys
):
    # a limit that only binds at 5 mm/s, the one speed that it asks for
    limit = '\n[requirement]\nspeeds = ["5 mm/s", "5 mm/s"]\nmeasured = "50 um/s"\n'
    (folder / "limited.toml").write_text((folder / "axis.toml").read_text() + limit)
    assert unwrapped(done(capsys, "explain", "limited.toml")) == unwrapped(
        done(capsys, "explain", "limited.toml", *AT)
    )
    names = ["--estimators", "own; difference 2; low-pass 100 Hz; low-pass 20 Hz"]
    answer = unwrapped(done(capsys, "frontier", "limited.toml", *names)).partition(", delay")[0]
    axis = encsim.load("axis.toml")
    found = encsim.frontier(axis, 5e-3, [encsim.LowPass(100.0)])
    assert found.typical[0] < 50e-6
    assert answer == "Within the limit of 0.0500 mm/s with the least delay: low-pass 100 Hz"
    names = ["--estimators", "own; difference 2"]
    none = unwrapped(done(capsys, "frontier", "limited.toml", *names))
    assert none.startswith("No estimator tried is within the limit of 0.0500 mm/s.")


def test_quiet_leaves_the_cautions_out(folder, capsys):
    assert "aution" not in done(capsys, "explain", "axis.toml", *AT, "--quiet")


def test_json_is_the_result_of_the_library(folder, capsys):
    plain = json.loads(done(capsys, "explain", "axis.toml", *AT, "--json"))
    assert plain == json.loads(json.dumps(encsim.explain(encsim.load("axis.toml"), 5e-3).to_dict()))


def test_table_has_a_row_a_cause_a_source_and_a_remedy(folder, capsys):
    rows = list(csv.DictReader(done(capsys, "explain", "axis.toml", *AT, "--csv", "-").splitlines()))
    found = encsim.explain(encsim.load("axis.toml"), 5e-3)
    assert {row["what"] for row in rows} == {"cause", "source", "remedy"}
    values = {row["name"]: float(row["measured_m_s"]) for row in rows if row["what"] == "remedy"}
    assert all(values[one.name] == one.after["measured"] for one in found.remedies)


def test_verify_tells_simulated_values_and_how_many_agree(folder, capsys):
    out = done(capsys, "explain", "axis.toml", *AT, "--verify", "--set", "signal.harmonics.3=0")
    assert "simulated" in out
    found = encsim.explain(_trimmed(), 5e-3)
    helping = sum(one.applies for one in (*found.remedies, found.together) if one is not None)
    assert f"Simulated: {helping} of {helping} remedies agree within 5 %." in " ".join(out.split())


def _trimmed():
    return encsim.changes.apply(encsim.load("axis.toml"), {"signal.harmonics.3": 0.0})


def test_simulation_that_does_not_agree_ends_with_1_and_says_which(folder, capsys, monkeypatch):
    from encsim.decisions import remedy_verification

    doubled = remedy_verification.simulated

    def wrong(*given, **more):
        found = doubled(*given, **more)
        values = {name: value and 2.0 * value for name, value in found.values.items()}
        return remedy_verification.Simulated(values=values, settled=True)

    monkeypatch.setattr(remedy_verification, "simulated", wrong)
    assert main(["explain", "axis.toml", *AT, "--verify"]) == 1
    out, err = capsys.readouterr()
    assert "does not confirm: condition the signals automatically" in err
    assert "Different from the prediction: conditioning" in " ".join(out.split())


def test_picture_is_written(folder, capsys):
    done(capsys, "explain", "axis.toml", *AT, "--plot", "remedies.svg")
    assert "<desc>Bars of velocity ripple" in (folder / "remedies.svg").read_text()


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["--speed", "5"], "--speed must have a unit of linear speed (um/s"),
        (["--speed", "5 rpm"], "--speed must have a unit"),
        (["--speed", "1e60 m/s"], "--speed must stay up to 524288 signal periods per sample"),
        ([*AT, "--plot", "a.bmp"], "--plot must name a file that ends in .png, .svg, .pdf"),
        ([*AT, "--verfy"], "did you mean --verify?"),
        ([*AT, "--set", "signal.gian=0.1"], "signal.gain"),
    ],
)
def test_wrong_input_is_told_in_one_line_and_ends_with_2(folder, capsys, argv, message):
    assert main(["explain", "axis.toml", *argv]) == 2
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)
    assert message in err


def test_picture_that_exists_is_not_replaced(folder, capsys):
    (folder / "there.png").write_text("mine")
    assert main(["explain", "axis.toml", *AT, "--plot", "there.png"]) == 2
    assert "--force replaces it" in capsys.readouterr().err
    assert (folder / "there.png").read_text() == "mine"


def test_an_unstable_loop_is_told_first(folder, capsys):
    out = done(capsys, "explain", "loop.toml", *AT, "--set", "control.velocity_gain=40 kN s/m")
    assert out.startswith(
        "Closed loop: not stable, see encsim loop; the values are open loop.\nRipple at 5.00 mm/s"
    )
    axis = encsim.load("loop.toml").with_("control.velocity_gain", "40 kN s/m")
    judged = str(encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, torque=1.0).judge(axis))
    assert judged.startswith("Does not meet the requirement. Limited by measured ripple unstable")
