"""Command lines run in this process: what a good one prints, what a bad one must leave alone."""

import json
from pathlib import Path

from encsim.__main__ import main

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
STAGE_LOOP = (EXAMPLES / "stage_x_loop.toml").read_text()
TABLE_LOOP = """[scale]
lines = 9000
[signal]
offset = [0.01, -0.005]
jitter = "0.004 arcsec"
[interpolation]
factor = 4000
[sampling]
rate = "8 kHz"
[estimator]
kind = "tracking"
bandwidth = "500 Hz"
[load]
inertia = "0.02 kg m2"
motor_inertia = "0.004 kg m2"
stiffness = "30 kN m/rad"
damping = "5 N m s/rad"
[control]
position_gain = "60 1/s"
velocity_gain = "6 N m s/rad"
integral_time = "18 ms"
delay = "60 us"
"""
UNSTABLE = ["--set", "control.velocity_gain=40 kN s/m"]
AT_WORK = (
    "encsim: comparing ",
    "encsim: computing ",
    "encsim: compiling ",
    "encsim: searching for gains",
    "encsim: setting ",
    "encsim: simulating ",
)


def done(capsys, *argv):
    """Stdout of a command that must succeed and say nothing on stderr but that it works."""
    code = main(list(argv))
    out, err = capsys.readouterr()
    # said after 2 s, which a busy machine may take
    assert [line for line in err.splitlines() if not line.startswith(AT_WORK)] == []
    assert code == 0
    return out


def unwrapped(text):
    """A text without its line ends, which depend on the width."""
    return " ".join(text.split())


def plain(capsys, *argv):
    """The JSON object of a command that must succeed."""
    return json.loads(done(capsys, *argv, "--json"))


def failed(capsys, *argv):
    """Stdout and stderr of a command whose job must fail."""
    assert main(list(argv)) == 1
    return capsys.readouterr()


def contents(folder):
    return {path.name: path.is_file() and path.read_bytes() for path in folder.iterdir()}


def refused(argv, words, folder, capsys):
    """Run one bad command line; assert status 2, clear lines, and that nothing was made or changed."""
    before = contents(folder)
    code = main(argv)
    out, err = capsys.readouterr()
    assert code == 2, err
    assert out == ""
    assert "Traceback" not in err
    assert all(line.startswith("encsim: ") and len(line) < 400 for line in err.splitlines())
    assert [word for word in words if word not in err] == [], err
    assert contents(folder) == before
    return err
