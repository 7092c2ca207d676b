"""A process that is killed while it writes leaves the old file or the new one, whole."""

import os
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pytest

from encsim import files
from encsim.__main__ import main

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
AXIS, LIMITS, SPREAD = (str(EXAMPLES / f"stage_x{name}.toml") for name in ("", "_choice", "_spread"))
FEW = ["--speeds", "10 mm/s"]
WRITERS = {
    "ripple": ("ripple.csv", ["ripple", AXIS, *FEW, "--csv"]),
    "choose": (
        "all.csv",
        ["choose", AXIS, "--requirement", LIMITS, "--try", "interpolation.factor=4000", "--csv"],
    ),
    "report": ("page.html", ["report", AXIS, *FEW, "-o"]),
    "tolerance": ("axes.npz", ["tolerance", AXIS, "--spread", SPREAD, *FEW, "--samples", "20", "--resume"]),
}
STATUS = {"choose": 1}  # nothing fits


def killed_at(line, replace, target, data):
    """Write in a process of its own that is killed at its n-th line in the module of files; whether it was."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads sleep while the child writes
        child = os.fork()
    if not child:
        left = [line]

        def trace(frame, event, _):
            if frame.f_code.co_filename != files.__file__:
                return None
            if event == "line":
                left[0] -= 1
                if left[0] < 0:
                    os.kill(os.getpid(), signal.SIGKILL)
            return trace

        sys.settrace(trace)
        replace(target, data)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be copied here")
def test_killed_at_any_line_of_writing(tmp_path, monkeypatch, cases):
    replace, kills = files._replace, []

    def killed_at_every_line(target, data):
        old = target.read_bytes() if target.exists() else None
        line = 0
        while killed_at(line, replace, target, data):
            line += 1
            now = target.read_bytes() if target.exists() else None
            assert now in (old, data)
        kills.append(line)
        replace(target, data)
        assert target.read_bytes() == data
        assert os.listdir(target.parent) == [target.name]

    monkeypatch.setattr(files, "_replace", killed_at_every_line)
    for command in list(WRITERS)[: cases(1, 4)]:
        name, words = WRITERS[command]
        (tmp_path / command).mkdir()
        kills.clear()
        assert main([*words, str(tmp_path / command / name)]) == STATUS.get(command, 0)
        assert sum(kills) >= 10


def test_killed_at_any_time(tmp_path, cases):
    rng = np.random.default_rng(5)
    for number in range(cases(1, 100)):
        command = list(WRITERS)[number % len(WRITERS)]
        name, words = WRITERS[command]
        folder = tmp_path / str(number)
        folder.mkdir()
        line = [sys.executable, "-m", "encsim", *words, str(folder / name)]
        start = time.monotonic()
        done = subprocess.run(line, capture_output=True)
        assert done.returncode == STATUS.get(command, 0), done.stderr
        took = time.monotonic() - start
        whole = (folder / name).read_bytes()
        child = subprocess.Popen([*line, "--force"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(took * rng.uniform(0.7, 1.05))
        child.kill()
        child.wait()
        assert (folder / name).read_bytes() == whole
