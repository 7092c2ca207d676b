"""The folder that most tests of commands work in."""

import pytest
from commands import STAGE_LOOP, TABLE_LOOP


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with a linear and a rotary axis whose loops are closed, both invented."""
    (tmp_path / "axis.toml").write_text(STAGE_LOOP)
    (tmp_path / "table.toml").write_text(TABLE_LOOP)
    monkeypatch.chdir(tmp_path)
    return tmp_path
