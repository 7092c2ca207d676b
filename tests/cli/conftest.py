"""The folder that most tests of commands work in, and long work that they share."""

import pickle

import pytest
from commands import STAGE_LOOP, TABLE_LOOP

import encsim

KNOWN = {}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with a linear and a rotary axis whose loops are closed, both invented."""
    (tmp_path / "axis.toml").write_text(STAGE_LOOP)
    (tmp_path / "table.toml").write_text(TABLE_LOOP)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _remembering(function):
    """The function, computed once for each set of arguments, but for the checks by simulation."""

    def remembering(*given, progress=None, **more):
        if more.get("verify"):
            return function(*given, progress=progress, **more)
        key = pickle.dumps((function.__name__, given, more))
        if key not in KNOWN:
            KNOWN[key] = function(*given, **more)
        return KNOWN[key]

    return remembering


@pytest.fixture
def once(monkeypatch):
    """Commands that tell the same result in many ways compute it once."""
    for name in ("tuning", "explain"):
        monkeypatch.setattr(encsim, name, _remembering(getattr(encsim, name)))
