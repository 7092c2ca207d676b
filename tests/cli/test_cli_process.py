"""How a command ends when things fail or the reader leaves, and how little it loads to begin."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import encsim
from encsim.__main__ import main

ENCSIM = [sys.executable, "-m", "encsim"]
SOURCE = str(Path(encsim.__file__).parents[1])


@pytest.fixture(autouse=True)
def _same_package(monkeypatch):
    """Processes started from another folder run the package under test."""
    monkeypatch.setenv("PYTHONPATH", SOURCE)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory that holds the starter axis file."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "axis.toml", "--quiet"]) == 0
    return tmp_path


def run(*argv, **settings):
    return subprocess.run([*ENCSIM, *argv], capture_output=True, timeout=120, check=False, **settings)


def test_axis_file_is_read_from_stdin(folder):
    got = run("ripple", "-", "--json", input=(folder / "axis.toml").read_bytes())
    assert got.returncode == 0
    assert json.loads(got.stdout)["kind"] == "RippleCurve"


def test_output_needs_no_unicode_terminal(folder):
    got = run("period", "axis.toml", "--units", "um, mm/s", env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert got.returncode == 0
    assert b" um" in got.stdout


@pytest.mark.parametrize("argv", [["ripple", "axis.toml"], ["--help"]])
def test_closed_pipe_ends_quietly(argv, folder):
    reader, writer = os.pipe()
    os.close(reader)
    got = subprocess.run([*ENCSIM, *argv], stdout=writer, stderr=subprocess.PIPE, timeout=60, check=False)
    os.close(writer)
    assert (got.returncode, got.stderr) == (0, b"")


def test_closed_stdout_ends_quietly(folder):
    argv = f"exec {sys.executable} -m encsim ripple axis.toml >&-"
    got = subprocess.run(["sh", "-c", argv], stderr=subprocess.PIPE, timeout=60, check=False)
    assert (got.returncode, got.stderr) == (0, b"")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
def test_full_disk_is_status_1_in_one_line(folder):
    with open("/dev/full", "wb") as full:
        got = subprocess.run(
            [*ENCSIM, "ripple", "axis.toml"], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert got.returncode == 1
    assert got.stderr == b"encsim: stopped by the system: No space left on device\n"


@pytest.mark.parametrize(("signal_", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_interrupt_of_a_long_run_is_quiet(signal_, status, folder):
    argv = [*ENCSIM, "simulate", "axis.toml", "--speed", "2 mm/s", "--seconds", "260 s", "--csv", "r.csv"]
    # A shell may have told its background jobs to ignore the signal.
    process = subprocess.Popen(
        argv,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal_, signal.SIG_DFL),
    )
    # Other lines may come first: the compiler's, if the cache is cold.
    assert any(line == b"encsim: simulating 4160000 samples\n" for line in process.stderr)
    process.send_signal(signal_)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (status, b"", b"")
    assert {path.name for path in folder.iterdir()} == {"axis.toml"}


@pytest.mark.parametrize(
    ("error", "word"),
    [
        (MemoryError(), "not enough memory"),
        (OSError(28, "No space left on device"), "No space"),
    ],
)
def test_failure_within_a_command_is_status_1_in_one_line(error, word, folder, capsys, monkeypatch):
    def fail(*args):
        raise error

    monkeypatch.setattr("encsim.top_speed", fail)
    assert main(["limits", "axis.toml"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert word in err


@pytest.mark.parametrize("debug", [[], ["--debug"]])
def test_a_crash_has_a_status_of_its_own_and_shows_where_only_with_debug(debug, folder, capsys, monkeypatch):
    def fail(axis):
        raise RuntimeError("odd\nthing")

    monkeypatch.setattr("encsim.top_speed", fail)
    assert main(["limits", "axis.toml", *debug]) == 70
    out, err = capsys.readouterr()
    assert out == ""
    last = err.splitlines()[-1]
    assert last.startswith("encsim: crashed, RuntimeError: odd thing; ")
    assert f"encsim {encsim.__version__}" in last
    assert "report" in last
    assert ("Traceback" in err, len(err.splitlines()) > 1) == (bool(debug), bool(debug))


def test_failed_second_output_leaves_no_first(folder, capsys, monkeypatch):
    def fail(*args, **kwargs):
        raise MemoryError

    monkeypatch.setattr("encsim.presentation.canvas.save", fail)
    assert main(["ripple", "axis.toml", "--csv", "r.csv", "--plot", "r.svg"]) == 1
    assert {path.name for path in folder.iterdir()} == {"axis.toml"}


def imported(*argv):
    """Top modules that a command loads, by the interpreter's own account."""
    # what counts lines loads the package before the command does
    quiet = {name: value for name, value in os.environ.items() if not name.startswith("COVERAGE_")}
    got = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "encsim", *argv],
        capture_output=True,
        text=True,
        check=True,
        env=quiet,
    )
    return {line.rpartition("|")[2].strip().partition(".")[0] for line in got.stderr.splitlines()}


@pytest.mark.parametrize("argv", [["--help"], ["--version"]])
def test_help_and_version_load_little(argv):
    assert imported(*argv).isdisjoint(
        {"numpy", "numba", "scipy", "matplotlib", "dataclasses", "inspect", "tomllib"}
    )


@pytest.mark.parametrize("argv", [["help", "ripple"], ["identify", "--help"]])
def test_help_of_a_command_loads_nothing_that_computes(argv):
    assert imported(*argv).isdisjoint({"numpy", "numba", "scipy", "matplotlib", "tomllib"})


def test_ripple_loads_neither_compiler_nor_scipy_nor_plots(folder):
    found = imported("ripple", "axis.toml")
    assert "numpy" in found
    assert found.isdisjoint({"numba", "scipy", "matplotlib"})


def test_settings_of_the_user_change_no_picture(folder):
    (folder / "matplotlibrc").write_text(
        "text.usetex: True\nfont.size: 30\naxes.facecolor: red\nsavefig.dpi: 20\n"
    )
    argv = ["ripple", "axis.toml", "--force", "--quiet", "--plot"]
    assert main([*argv, "plain.png"]) == 0
    got = run(*argv, "own.png", env={**os.environ, "MPLBACKEND": "none such"})
    assert (got.returncode, got.stderr) == (0, b"")
    assert (folder / "own.png").read_bytes() == (folder / "plain.png").read_bytes()


def test_number_of_threads_that_numba_refuses_stops_nothing(folder):
    argv = ["simulate", "axis.toml", "--speed", "2 mm/s", "--seconds", "0.01 s"]
    assert run(*argv, env={**os.environ, "NUMBA_NUM_THREADS": "0"}).returncode == 0
