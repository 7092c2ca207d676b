"""Gains without what takes most of the time."""

import pytest

from encsim.gains import tuner


@pytest.fixture
def no_remedies(monkeypatch):
    """Proposals without what would allow more."""
    monkeypatch.setattr(tuner, "remedies", lambda search, control: ())
