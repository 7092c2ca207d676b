"""How long a user waits for the command line: help, version, import, and a ripple command.

Run ``pytest benchmarks/bench_start.py``. Aims: help 0.1 s, import 0.05 s beyond Python, ripple without a plot 0.5 s.
Last measured on a busy 2-core machine: help 0.02 s, import 0.01 s beyond Python, ripple 0.37 s, with a plot 0.8 s.
"""

import subprocess
import sys
from pathlib import Path

import pytest

AXIS = str(Path(__file__).resolve().parents[1] / "examples" / "stage_x.toml")
COMMANDS = {
    "python alone": ["-c", "pass"],
    "import": ["-c", "import encsim"],
    "help": ["-m", "encsim", "--help"],
    "version": ["-m", "encsim", "--version"],
    "ripple": ["-m", "encsim", "ripple", AXIS],
    "ripple with a plot": ["-m", "encsim", "ripple", AXIS, "--plot", "ripple.png", "--force"],
    "simulate": ["-m", "encsim", "simulate", AXIS, "--speed", "2 mm/s", "--seconds", "1"],
}


@pytest.mark.parametrize("name", COMMANDS)
def test_start(benchmark, name, tmp_path):
    def command():
        subprocess.run([sys.executable, *COMMANDS[name]], check=True, capture_output=True, cwd=tmp_path)

    command()
    benchmark(command)
