"""Every public name has an example in its docstring, and every example runs and gives what it says."""

import doctest
import inspect
import shutil
from pathlib import Path

import pytest

import encsim

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


def public():
    """Public classes and functions by name, those of the public modules too."""
    found = {name: getattr(encsim, name) for name in encsim.__all__ if name != "__version__"}
    for module in encsim._MODULES:
        for name, value in vars(getattr(encsim, module)).items():
            home = getattr(value, "__module__", None) == f"encsim.{encsim._MODULES[module]}"
            if home and not name.startswith("_") and (inspect.isclass(value) or inspect.isfunction(value)):
                found[f"{module}.{name}"] = value
    return found


PUBLIC = public()


@pytest.mark.parametrize("name", PUBLIC)
def test_example_runs_and_gives_what_it_says(name, tmp_path, monkeypatch, once):
    for path in EXAMPLES.glob("*.toml"):
        shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    tests = [test for test in doctest.DocTestFinder().find(PUBLIC[name], name, globs={}) if test.examples]
    assert any(test.name == name for test in tests), f"{name} has no example"
    runner, said = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE), []
    for test in tests:
        runner.run(test, out=said.append)
    assert runner.failures == 0, "".join(said)
