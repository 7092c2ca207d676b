"""A command is one declaration and one row of the table: made-up ones run as all others do."""

import json
import subprocess
import sys
from types import ModuleType, SimpleNamespace

import pytest

import encsim
from encsim import checks, files
from encsim.cli import arguments, parser
from encsim.cli.command import Command, Output, picture, table
from encsim.cli.main import main
from encsim.cli.outputs import JobFailed
from encsim.formats import axis_file


def limit(job):
    if job.args.limit == "wrong":
        checks.refuse("--limit", "be right", job.args.limit)
    return float(job.args.limit)


def options(to):
    parser.axis_option(to)
    to.add_argument("--speed", default="1 mm/s", help="of the made-up ripple")
    to.add_argument("--limit", default="1", help="a made-up limit")


def refuse_small(job):
    if job.limit < 0.0:
        raise JobFailed("the limit is below zero")


def compute(job):
    if job.limit > 10.0:
        checks.refuse("mean.limit", "stay below 10", job.limit)
    return encsim.position_error(job.axis, job.speed)


MEAN = Command(
    examples="  encsim mean axis.toml",
    options=options,
    inputs={
        "axis": arguments.axis,
        "speed": arguments.speed,
        "limit": limit,
        "ratio": lambda job: 1.0 / job.limit,
    },
    work="taking means",
    compute=compute,
    outputs=[table(), picture(), Output("--note", "write a note", lambda job: f"{job.ratio:g}\n")],
    json=lambda job: {"ratio": job.ratio},
    text=lambda job: f"The ratio is {job.ratio:g}.\n",
    finish=refuse_small,
    functions=("mean",),
)


@pytest.fixture
def mean(monkeypatch, tmp_path):
    home = ModuleType("encsim.cli.made_up")
    home.MEAN = MEAN
    monkeypatch.setitem(sys.modules, "encsim.cli.made_up", home)
    monkeypatch.setitem(parser.COMMANDS, "mean", ("made_up", "take a mean"))
    monkeypatch.chdir(tmp_path)
    files.write_whole("axis.toml", axis_file.starter())

    return lambda *argv: main(["mean", *argv])


def test_text_is_the_answer(mean, capsys):
    assert mean("axis.toml", "--limit", "4") == 0
    assert capsys.readouterr() == ("The ratio is 0.25.\n", "")


def test_json_takes_the_place_of_the_text(mean, capsys):
    assert mean("axis.toml", "--limit", "4", "--json") == 0
    assert json.loads(capsys.readouterr().out) == {"ratio": 0.25}


def test_table_picture_and_further_files_are_written(mean, tmp_path, capsys):
    assert mean("axis.toml", "--csv", "t.csv", "--plot", "p.svg", "--note", "n.txt") == 0
    assert (tmp_path / "t.csv").read_text().startswith("phase_periods,error_m")
    assert "<svg" in (tmp_path / "p.svg").read_text()
    assert (tmp_path / "n.txt").read_text() == "1\n"
    assert mean("axis.toml", "--note", "-") == 0
    assert capsys.readouterr().out.endswith("\n1\n")


def test_help_tells_purpose_examples_options_and_outputs(mean, capsys):
    assert mean("--help") == 0
    text = capsys.readouterr().out
    assert text.startswith("examples:\n  encsim mean axis.toml\n")
    for words in ("Take a mean.", "--limit", "--json", "--csv", "--plot", "--note", "--force", "--quiet"):
        assert words in text
    assert main(["--help"]) == 0
    assert "  mean       take a mean\n" in capsys.readouterr().out


def test_all_faults_of_targets_and_inputs_are_told_at_once(mean, capsys):
    assert (
        mean("axis.toml", "--limit", "wrong", "--speed", "fast", "--plot", "p.txt", "--note", "axis.toml")
        == 2
    )
    told = capsys.readouterr().err.splitlines()
    assert [line.split()[1] for line in told] == ["--plot", "--note", "--speed", "--limit"]


def test_a_fault_of_the_library_is_told_as_one_of_the_option(mean, capsys):
    assert mean("axis.toml", "--limit", "11") == 2
    assert capsys.readouterr().err == "encsim: --limit must stay below 10, got 11.0\n"


def test_a_job_that_fails_at_its_end_has_written_everything(mean, tmp_path, capsys):
    assert mean("axis.toml", "--limit", "-1", "--csv", "t.csv") == 1
    assert (tmp_path / "t.csv").exists()
    assert capsys.readouterr() == ("The ratio is -1.\n", "encsim: the limit is below zero\n")


def test_an_input_that_is_not_declared_is_a_fault_of_the_command_itself(mean, capsys):
    from encsim.cli.command import CommandJob

    with pytest.raises(AttributeError, match="no input is called axes"):
        _ = CommandJob(SimpleNamespace(quiet=True)).axes


def test_completion_of_a_shell_knows_commands_and_options(capsys):
    pytest.importorskip("shtab")
    assert main(["--print-completion", "bash"]) == 0
    script = capsys.readouterr().out
    assert subprocess.run(["bash", "-n"], input=script, text=True, check=False).returncode == 0
    assert all(name in script for name in parser.COMMANDS)
    assert "--speeds" in script


def test_completion_of_no_shell_is_refused(capsys):
    pytest.importorskip("shtab")
    assert main(["--print-completion", "nutshell"]) == 2
    assert 'got "nutshell"' in capsys.readouterr().err
