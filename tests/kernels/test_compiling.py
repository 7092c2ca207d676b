"""Compiling is told while it goes on, and nothing else is taken for it."""

import time

import pytest
from compiled import compiles

from encsim.kernels import compiling

TOLD = "encsim: compiling the part, once; later runs load it in a moment"


@pytest.mark.parametrize(("work", "told"), [(compiles, [TOLD]), (lambda: time.sleep(0.05), [])])
def test_compiling_alone_is_told(work, told, monkeypatch, caplog):
    monkeypatch.setattr(compiling, "PATIENCE", 0.0)
    with compiling.announced("the part"):
        work()
    assert caplog.messages == told


def test_a_moment_of_compiling_is_not_told(monkeypatch, caplog):
    monkeypatch.setattr(compiling, "PATIENCE", 60.0)
    with compiling.announced("the part"):
        compiles()
    assert caplog.messages == []


def test_twice_in_a_block_is_told_once(monkeypatch, caplog):
    monkeypatch.setattr(compiling, "PATIENCE", 0.0)
    with compiling.announced("the part"):
        compiles()
        compiles()
    assert caplog.messages == [TOLD]
