"""Every example runs as its reader would run it, and answers."""

import runpy
from pathlib import Path

import pytest

import encsim

FOLDER = Path(__file__).resolve().parents[1] / "examples"
SCRIPTS = sorted(path.name for path in FOLDER.glob("*.py"))


# What examples on recordings find; origins in tests/data.
FINDINGS = {
    "recorded_counts.py": [
        "1     0.416      0.416  identity", "2     0.497      0.497  check", "0.42 % of the speed",
    ],
    "recorded_channels.py": ["residual 2.4%", "no proof", "8.1 deg before, 15.6 deg after"],
}  # fmt: skip


@pytest.mark.parametrize("script", SCRIPTS)
def test_example_runs_and_answers(script, capsys, monkeypatch):
    monkeypatch.setattr("sys.argv", [script])
    runpy.run_path(str(FOLDER / script), run_name="__main__")
    printed = capsys.readouterr().out
    assert len(printed.splitlines()) >= 2
    assert [text for text in FINDINGS.get(script, []) if text not in printed] == []


@pytest.mark.parametrize("script", SCRIPTS)
def test_example_asks_its_question_first(script):
    first = (FOLDER / script).read_text().splitlines()[0]
    assert first.startswith('"""')
    assert len(first) < 120


@pytest.mark.parametrize("name", ["stage_x.toml", "table_r.toml"])
def test_shipped_axis_files_are_the_starters(name):
    from encsim.formats import axis_file

    assert (FOLDER / name).read_text() == axis_file.starter(rotary=name == "table_r.toml")


@pytest.mark.parametrize("name", ["stage_x", "stage_x_loop", "table_r"])
def test_axes_in_the_package_are_the_files_in_the_folder_of_examples(name):
    assert encsim.examples.text(name) == (FOLDER / f"{name}.toml").read_text()
    assert encsim.examples.load(name) == encsim.load(FOLDER / f"{name}.toml")


@pytest.mark.parametrize("name", encsim.examples.names())
def test_every_axis_in_the_package_says_that_it_is_invented_and_predicts_a_ripple(name):
    axis = encsim.examples.load(name)
    assert "nvented example, not a real product" in encsim.examples.text(name)
    assert encsim.ripple(axis, 0.01).rms > 0.0
    assert ("loop" in name) == (axis.control is not None)
    assert ("ab" in name.split("_")) == (axis.interpolation.output == "ab")
    assert ("serial" in name) == (axis.sampling.encoder_rate is not None)


def test_an_axis_that_is_not_in_the_package_is_refused_with_the_nearest_name():
    with pytest.raises(encsim.InputError, match=r"be one of stage_x, .*did you mean stage_x\?"):
        encsim.examples.load("stage_y")
