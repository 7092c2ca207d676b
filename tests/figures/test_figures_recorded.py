"""Pictures of recordings: no word covers another, on paper and on a phone."""

import dataclasses

import numpy as np
import pytest
from every_result import result
from sheets import PAGES, clashes

import encsim
from encsim.figures import channels, recorded

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


@pytest.mark.parametrize("style", PAGES, ids=["paper", "phone"])
def test_numbers_of_orders_that_are_not_decided_stand_above_their_bars(style):
    found = result("Separation")
    first, *rest = found.rows
    open_rows = [row._replace(owner="unknown", uncertainty=0.6 * row.amplitude) for row in rest]
    ax = recorded.owners(dataclasses.replace(found, rows=(first, *open_rows)), style=style)
    assert ax.figure.encsim_title == f"Orders: 1 of the encoder and {len(rest)} not decided"
    assert clashes(ax.figure) == []
    below = ax.figure.axes[-1]
    tops = {f"{row.order:,.0f}".replace(",", "\u202f"): 2.2 * row.amplitude / 1e-9 for row in open_rows}
    for text in below.texts:
        low = text.get_window_extent().y0
        assert low > below.transData.transform((1.0, tops[text.get_text()]))[1]


@pytest.mark.parametrize("name", PICTURES)
def test_given_axes_are_drawn_into(name):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert PICTURES[name](result(name), ax) is ax
    assert ax.has_data()


@pytest.mark.parametrize("style", PAGES, ids=["paper", "phone"])
def test_allan_deviation_falls_as_white_noise_where_the_jitter_is_white(style):
    theta = 0.07 * np.arange(3000) + 0.01 * np.random.default_rng(1).standard_normal(3000)
    found = encsim.identify(np.cos(theta), np.sin(theta), True)
    ax = channels.allan(found, style=style)
    assert clashes(ax.figure) == []
    white, drawn = (line.get_ydata() for line in ax.get_lines()[:2])
    # 3000 samples: 20 % up to 30 samples.
    assert drawn[:16] == pytest.approx(white[:16], rel=0.2)


def test_allan_deviation_needs_smooth_motion():
    with pytest.raises(encsim.InputError, match="smooth motion"):
        channels.allan(result("Identification"))
