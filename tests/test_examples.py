"""Every example runs as its reader would run it, and answers."""

import runpy
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[1] / "examples"
SCRIPTS = sorted(path.name for path in FOLDER.glob("*.py"))


@pytest.mark.parametrize("script", SCRIPTS)
def test_example_runs_and_answers(script, capsys, monkeypatch):
    monkeypatch.setattr("sys.argv", [script])
    runpy.run_path(str(FOLDER / script), run_name="__main__")
    assert len(capsys.readouterr().out.splitlines()) >= 2


@pytest.mark.parametrize("script", SCRIPTS)
def test_example_asks_its_question_first(script):
    first = (FOLDER / script).read_text().splitlines()[0]
    assert first.startswith('"""')
    assert len(first) < 120


@pytest.mark.parametrize("name", ["stage_x.toml", "table_r.toml"])
def test_shipped_axis_files_are_the_starters(name):
    from encsim.formats import axis_file

    assert (FOLDER / name).read_text() == axis_file.starter(rotary=name == "table_r.toml")
