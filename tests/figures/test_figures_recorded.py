"""Pictures of recordings: no word covers another, on paper and on a phone."""

import pytest
from every_result import result
from sheets import PAGES, clashes

from encsim.figures import recorded

PICTURES = {
    "MotionIdentification": recorded.cyclic_error,
    "Separation": recorded.owners,
    "Comparison": recorded.comparison,
    "Fit": recorded.fitted,
}


@pytest.mark.parametrize("style", PAGES, ids=["paper", "phone"])
@pytest.mark.parametrize("name", PICTURES)
def test_words_do_not_cover_each_other(name, style):
    assert clashes(PICTURES[name](result(name), style=style).figure) == []


@pytest.mark.parametrize("name", PICTURES)
def test_given_axes_are_drawn_into(name):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert PICTURES[name](result(name), ax) is ax
    assert ax.has_data()
