"""The table of speed is made: every piece of it runs."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_the_table_of_speed_is_made():
    command = [sys.executable, "-m", "benchmarks", "--quick"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    items = [line.split("|")[1].strip() for line in done.stdout.splitlines()]
    assert {"chain, 1e6 samples in blocks", "closed loop, one run", "first speed of an axis"} <= set(items)
    assert {"choose", "tolerance"} <= {item.split(",")[0] for item in items}
    assert all(line.count("|") == 8 for line in done.stdout.splitlines())
