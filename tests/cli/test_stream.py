"""encsim stream: samples as bytes, to files, pipes and other programs, by the clock."""

import io
import os
import subprocess
import sys
import threading
import tomllib
import wave
from pathlib import Path

import numpy as np
import pytest
from commands import AT_WORK

import encsim
from encsim.__main__ import main
from encsim.time_domain.sample_stream import Pace

ENCSIM = [sys.executable, "-m", "encsim", "stream", "axis.toml"]
STEADY = ["--speed", "2 mm/s", "--seconds", "0.05"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory that holds the starter axis file."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(Path(encsim.__file__).parents[1]))
    assert main(["new", "axis.toml", "--quiet"]) == 0
    return tmp_path


def stream(*options):
    assert main(["stream", "axis.toml", *options, "--quiet"]) == 0


def expected(axis, samples, **kinds):
    """What an encoder in the same steady motion shows."""
    encoder, out = encsim.Encoder(axis), {name: np.empty(samples, kind) for name, kind in kinds.items()}
    encoder.lead(0.0, 2e-3)
    encoder.read(2e-3 * np.arange(samples) / axis.sampling.rate, **out)
    return out


def test_raw_files_hold_the_signals_side_by_side_and_say_their_scale(folder):
    stream(*STEADY, "--signals", "cos,sin,count", "--format", "int32", "-o", "s.raw", "--amplitude", "1 V")
    axis = encsim.load("axis.toml")
    out = expected(axis, 800, cosine=np.int32, sine=np.int32, count=np.int32)
    got = np.fromfile("s.raw", "<i4").reshape(-1, 3)
    for column, name in enumerate(out):
        np.testing.assert_array_equal(got[:, column], out[name])
    told = tomllib.loads(Path("s.raw.toml").read_text())
    assert (told["signals"], told["rate"], told["samples"]) == (["cos", "sin", "count"], 16e3, 800)
    assert told["scale"]["cos"] == pytest.approx(1.25 / 2**11)
    assert "count = 1.0  # 1; wraps around in 32 bits" in Path("s.raw.toml").read_text()
    assert sorted(os.listdir()) == ["axis.toml", "s.raw", "s.raw.toml"]


def test_wav_is_read_by_others_and_its_scale_gives_volts(folder):
    stream(*STEADY, "--format", "wav", "-o", "s.wav")
    with wave.open("s.wav") as got:
        assert (got.getnchannels(), got.getframerate(), got.getnframes(), got.getsampwidth()) == (
            2,
            16000,
            800,
            2,
        )
        values = np.frombuffer(got.readframes(800), "<i2").reshape(-1, 2)
    scale = tomllib.loads(Path("s.wav.toml").read_text())["scale"]
    out = expected(encsim.load("axis.toml"), 800, cosine=float, sine=float)
    np.testing.assert_allclose(values[:, 1] * scale["sin"], 0.5 * out["sine"], atol=scale["sin"])


def test_table_has_names_with_units(folder, capsys):
    stream(*STEADY, "--signals", "count,position,velocity,a,b", "--format", "csv")
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "count,position_m,velocity_m_s,a,b"
    assert len(lines) == 801


def test_rate_changes_the_samples_a_second(folder):
    stream("--speed", "2 mm/s", "--seconds", "0.01", "--rate", "100 kHz", "-o", "s.raw")
    assert Path("s.raw").stat().st_size == 1000 * 8


def given(monkeypatch, content):
    """Let stdin hold these bytes."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(content)))


@pytest.mark.parametrize("text", ["0\n0.001\n0.0015\n", "\ufeff0\r\n1 mm\r\n\r\n1500 um", "0\n1e-3\n1.5e-3"])
def test_positions_come_from_stdin_line_by_line(folder, monkeypatch, text):
    given(monkeypatch, text.encode())
    stream("--profile", "-", "--signals", "count", "--format", "csv", "-o", "s.csv")
    counts = [int(line) for line in Path("s.csv").read_text().splitlines()[1:]]
    # offsets and jitter move some counts
    np.testing.assert_allclose(counts, [0, 200_000, 300_000], atol=20)


def test_a_pipe_closes_a_loop_sample_by_sample(folder):
    command = [
        *ENCSIM,
        "--profile",
        "-",
        "--stdin",
        "float64",
        "--signals",
        "position",
        "--format",
        "float32",
    ]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        true = 1e-3
        for _ in range(20):
            process.stdin.write(np.array([true], "<f8").tobytes())
            process.stdin.flush()
            true -= 0.5 * float(np.frombuffer(process.stdout.read(4), "<f4")[0])
        process.stdin.close()
        assert process.wait(60) == 0
    # 1 mm halved 20 times is a nanometre; what the encoder gets wrong remains
    assert abs(true) < 1e-7


CONTROLLER = """
import sys
assert input() == "position_m"
true = 1e-3
for _ in range(20):
    print(true, flush=True)
    true -= 0.5 * float(input())
print(f"{true:.3g}", file=sys.stderr)
"""


def test_a_controller_in_another_process_closes_the_loop_line_by_line(folder):
    command = [*ENCSIM, "--profile", "-", "--signals", "position", "--format", "csv", "--quiet"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen(command, **pipes) as encoder:
        controller = subprocess.run(
            [sys.executable, "-c", CONTROLLER],
            stdin=encoder.stdout,
            stdout=encoder.stdin,
            stderr=subprocess.PIPE,
            timeout=120,
            check=True,
        )
        encoder.stdin.close()
        assert encoder.wait(60) == 0
    assert abs(float(controller.stderr)) < 1e-7


def test_named_pipe_takes_the_samples(folder):
    os.mkfifo("pipe")
    got = []
    reader = threading.Thread(target=lambda: got.append(Path("pipe").read_bytes()))
    reader.start()
    stream(*STEADY, "-o", "pipe")
    reader.join(60)
    assert len(got[0]) == 800 * 8
    assert not Path("pipe.toml").exists()


def test_closed_pipe_ends_quietly(folder):
    stream(*STEADY, "-o", "first.raw")  # compiled before
    line = (
        " ".join(ENCSIM)
        + ' --speed "2 mm/s" --seconds 1000 --quiet | head -c 100 >out; echo ${PIPESTATUS[0]}'
    )
    got = subprocess.run(["bash", "-c", line], capture_output=True, timeout=120, check=True)
    assert got.stdout == b"0\n"
    # loading may take long enough on a busy machine to be told
    assert [line for line in got.stderr.decode().splitlines() if not line.startswith(AT_WORK)] == []


def test_pace_is_kept_and_its_lateness_told(folder, capsys):
    assert main(["stream", "axis.toml", *STEADY, "--paced", "-o", "s.raw"]) == 0
    told = capsys.readouterr().err
    assert Path("s.raw").stat().st_size == 800 * 8
    assert "lateness of 50 blocks of 16 samples: median " in told
    assert "99.9 % within " in told


def test_a_reader_slower_than_the_pace_is_told_and_loses_nothing():
    pace = Pace(1e6)
    for samples in range(1000, 5000, 1000):
        pace.wait(samples)
        threading.Event().wait(0.02)
    lines = pace.told(1000)
    assert "3 blocks came later than one block" in lines[1]
    assert "no sample was left out" in lines[1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--speed", "2 mm/s"], "--seconds must be given with --speed"),
        ([], "--speed or --profile must be given"),
        ([*STEADY, "--profile", "-"], "--speed or --profile must be given, one of them"),
        ([*STEADY, "--signals", "cos,tan"], "--signals must be one of cos, sin"),
        ([*STEADY, "--signals", "cos,cos"], "--signals must name each signal once"),
        ([*STEADY, "--format", "int8"], "--format must be one of int16"),
        ([*STEADY, "--stdin", "floats"], "--stdin must be one of lines, float64"),
        ([*STEADY, "--rate", "0 Hz"], "--rate must be above zero"),
        ([*STEADY, "--amplitude", "0"], "--amplitude must be volts above zero"),
        (
            [*STEADY, "--signals", "position", "--format", "int16"],
            "--format must be float32 or csv for position",
        ),
        ([*STEADY, "--signals", "count", "--format", "wav"], "be another for signals that are no voltages"),
        (
            [*STEADY, "--set", "interpolation.bits=none", "--format", "int16"],
            "--format must have a converter",
        ),
        ([*STEADY, "-o", "axis.toml"], "--output must differ from the file that is read"),
        ([*STEADY, "-o", "none/s.raw"], "--output must lie in a folder that exists"),
        (["--speed", "2 mm/s", "--seconds", "1 ns"], "--seconds must make 1 to"),
        (
            [*STEADY, "--format", "wav", "--rate", "1000.5 Hz"],
            "the rate of a wav file is a whole number of Hz",
        ),
        (
            ["--speed", "2 mm/s", "--seconds", "1e6 s", "--format", "wav"],
            "--format must be another for more than 4 GB",
        ),
    ],
)
def test_wrong_options_are_refused_and_nothing_is_written(folder, capsys, options, words):
    output = [] if "-o" in options else ["-o", "s.raw"]
    assert main(["stream", "axis.toml", *options, *output]) == 2
    assert words in capsys.readouterr().err
    assert os.listdir() == ["axis.toml"]


def test_files_are_not_replaced_without_force(folder, capsys):
    Path("s.raw.toml").write_text("mine")
    assert main(["stream", "axis.toml", *STEADY, "-o", "s.raw"]) == 2
    assert "--output must not exist yet" in capsys.readouterr().err
    stream(*STEADY, "-o", "s.raw", "--force")
    assert Path("s.raw.toml").read_text().startswith("# Samples")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"0\nabc\n", "stdin, line 2 must be a number and a unit"),
        (b"0\n\nnan\n", "stdin, line 3 must be a finite position"),
    ],
)
def test_wrong_lines_of_stdin_are_told_and_leave_no_file(folder, monkeypatch, capsys, content, words):
    given(monkeypatch, content)
    assert main(["stream", "axis.toml", "--profile", "-", "-o", "s.raw"]) == 2
    assert words in capsys.readouterr().err
    assert os.listdir() == ["axis.toml"]


def test_jumps_beyond_the_top_speed_and_lost_counts_are_told(folder, monkeypatch, capsys):
    given(monkeypatch, b"0\n0\n1e-2\n1e-2\n")
    limited = ["--set", "interpolation.bits=none", "--set", "interpolation.output=ab"]
    limited += ["--set", 'interpolation.edge_separation="100 ns"']
    assert (
        main(["stream", "axis.toml", "--profile", "-", "--signals", "count", "--format", "csv", *limited])
        == 0
    )
    told = capsys.readouterr().err
    assert "warning: samples in which the axis moved further than its top speed allows: 1" in told
    assert "warning: counts lost: 19" in told


def test_samples_before_a_wrong_line_are_written_to_a_pipe(folder, monkeypatch, capsys):
    given(monkeypatch, b"0\n0\nnan\n0\n")
    assert main(["stream", "axis.toml", "--profile", "-", "--signals", "count", "--format", "csv"]) == 2
    told = capsys.readouterr()
    assert len(told.out.splitlines()) == 3
    assert "stdin, line 3 must be a finite position" in told.err


def test_half_a_number_at_the_end_is_told(folder, monkeypatch, capsys):
    given(monkeypatch, bytes(12))
    assert main(["stream", "axis.toml", "--profile", "-", "--stdin", "float64", "-o", "s.raw"]) == 2
    assert "whole number of 8 bytes" in capsys.readouterr().err
