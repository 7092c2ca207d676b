"""What is loaded when: start-up stays quick because heavy packages wait until they are needed."""

import subprocess
import sys

import pytest

HEAVY = ("numpy", "numba", "scipy", "matplotlib")


def loaded(code):
    """Heavy packages that a fresh Python has loaded after running the code."""
    check = f"import sys; print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{check}"], capture_output=True, text=True, check=True, timeout=120
    )
    return done.stderr.strip().splitlines()[-1]


CLOSED_FORM = """
import encsim
axis = encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3),
                   signal=encsim.Signal(offset=(0.01, 0.0)), interpolation=encsim.Interpolation(factor=100, bits=8))
encsim.ripple(axis, [0.1]); encsim.lines(axis, 0.1); encsim.top_speed(axis)
"""


@pytest.mark.parametrize(
    ("code", "heavy"),
    [
        ("import encsim", []),
        ("import encsim.cli", []),
        (CLOSED_FORM, ["numpy"]),
        # numba looks for SciPy itself
        ("import encsim; encsim.simulate", ["numpy", "numba", "scipy"]),
        ("import encsim; encsim.identify", ["numpy"]),
    ],
)
def test_heavy_packages_wait_until_they_are_needed(code, heavy):
    assert loaded(code) == str(heavy)


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_help_of_the_program_loads_nothing_heavy(option):
    code = f"""
import contextlib, io, encsim.__main__
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    encsim.__main__.main([{option!r}])
"""
    assert loaded(code) == "[]"


def test_help_of_every_command_loads_nothing_heavy():
    code = """
import contextlib, io, encsim.__main__
from encsim.cli.parser import COMMANDS
with contextlib.redirect_stdout(io.StringIO()):
    for command in COMMANDS:
        encsim.__main__.main([command, "--help"])
"""
    assert loaded(code) == "[]"


def test_ripple_command_loads_numpy_only(tmp_path):
    code = f"""
import contextlib, io, encsim.__main__
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    encsim.__main__.main(["new", {str(tmp_path / "axis.toml")!r}])
    encsim.__main__.main(["ripple", {str(tmp_path / "axis.toml")!r}])
"""
    assert loaded(code) == "['numpy']"
