"""What an editor and a type checker know of the package: the stub, and the mistakes they find through it."""

import inspect
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import make_stub
import pytest

import encsim

ROOT = Path(__file__).resolve().parents[1]
CODE = """
import numpy as np
import encsim
axis = encsim.load("axis.toml")
curve = encsim.ripple(axis, [0.1, 0.2])
quick = encsim.ripple(axis, np.geomspace(1e-3, 1.0, 50))
stream = encsim.Stream(axis, 0.01, seed=1)
curve.rms + quick.rms
encsim.riple
encsim.Stream(axis, 0.01, sed=1)
curve.rmss
encsim.profiles.Constnt
reveal_type(encsim.ripple)
"""


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """What mypy says about the code above, line by line."""
    folder = tmp_path_factory.mktemp("typed")
    (folder / "code.py").write_text(CODE)
    command = [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml")]
    command += ["--cache-dir", str(folder / "cache"), "--follow-imports=silent", str(folder / "code.py")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=300)
    assert done.stderr == ""
    said = re.findall(r"code\.py:(\d+): (error: .*|note: Revealed .*)", done.stdout)
    return {CODE.split("\n")[int(number) - 1]: text for number, text in said}


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("encsim.riple", 'has no attribute "riple"'),
        ("encsim.Stream(axis, 0.01, sed=1)", 'Unexpected keyword argument "sed" for "Stream"'),
        ("curve.rmss", '"RippleCurve" has no attribute "rmss"'),
        ("encsim.profiles.Constnt", 'has no attribute "Constnt"'),
    ],
)
def test_type_checker_finds_the_slip(told, line, fault):
    assert fault in told[line]


def test_type_checker_finds_no_fault_in_right_code(told):
    faulty = {line for line, text in told.items() if text.startswith("error")}
    assert len(faulty) == 4  # the slips above
    assert "curve.rms + quick.rms" in CODE
    assert "curve.rms + quick.rms" not in faulty


def test_editor_knows_the_arguments_of_ripple(told):
    """Completion inside `encsim.ripple(` reads the same static signature."""
    signature = re.search(r"def \((.*)\) -> encsim", told["reveal_type(encsim.ripple)"]).group(1)
    names = re.findall(r"(?:^|, )\*?(?:, )?(\w+): ", signature)
    assert names == list(inspect.signature(encsim.ripple).parameters)


def test_stub_is_the_one_that_the_table_gives():
    assert make_stub.STUB.read_text() == make_stub.stub(), "run python tests/make_stub.py"


def test_public_names_are_those_of_the_table():
    assert encsim.__all__ == ["__version__", *encsim._HOMES]
    assert set(encsim._MODULES) == {"changes", "examples", "profiles", "requirements"}
    for name in [*encsim._HOMES, *encsim._MODULES]:
        assert getattr(encsim, name) is not None


def test_every_public_name_lives_where_the_table_says():
    homes = {name: getattr(encsim, name).__module__ for name in encsim._HOMES}
    assert homes == {name: f"encsim.{home}" for name, home in encsim._HOMES.items()}


def modules_of(override):
    """Modules named by an entry of the mypy configuration, one name or many."""
    named = override["module"]
    return [named] if isinstance(named, str) else named


def test_mypy_is_strict_where_public_names_live_and_its_lists_name_modules_that_exist():
    overrides = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["mypy"]["overrides"]
    strict = next(modules_of(item) for item in overrides if item.get("disallow_any_generics"))
    homes = {*encsim._HOMES.values(), *encsim._MODULES.values()}
    assert set(strict) == {f"encsim.{home}" for home in homes}
    for name in (name for item in overrides for name in modules_of(item) if not name.endswith("*")):
        path = ROOT / name.replace(".", "/")
        assert path.with_suffix(".py").exists() or (path / "__init__.py").exists(), name
