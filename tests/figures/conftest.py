"""On which sheets each picture is tested."""

import pytest
from sheets import PAGES


@pytest.fixture
def pages(cases):
    """Sheets for a picture: the phone's, where room is short; where it is ``full``, and with --thorough, A4 too."""
    return lambda full: PAGES if cases(full, True) else PAGES[1:]
