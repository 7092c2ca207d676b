"""Picture of a choice: what its title says, what it draws, and that it holds odd results."""

import numpy as np
import pytest
import stage_x
from matplotlib.figure import Figure

from encsim import Difference, LowPass, Requirement, choose
from encsim.figures.choice import choice
from encsim.presentation import canvas

STAGE = stage_x.stage(400, signal=stage_x.PLAIN_SIGNAL)
LISTS = {"interpolation.factor": [200, 1000, 4000], "estimator": [Difference(1), LowPass(300.0)]}
PRICE = {"price": {"interpolation.factor": {200: 10.0, 1000: 18.0, 4000: 30.0}}}
WANTED = Requirement(speeds=(2e-4, 0.2), relative=0.02, floor=1e-4)


def drawn(requirement=WANTED, lists=LISTS, cost=PRICE, **style):
    found = choose(STAGE, requirement, lists, cost)
    return found, choice(found, style=canvas.Style(**style))


def words(ax):
    return [text.get_text() for text in [*ax.figure.texts, *ax.texts]]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("page", ["a4", "phone"])
def test_every_known_candidate_has_a_mark_at_its_price_and_share(theme, page):
    found, ax = drawn(theme=theme, page=page)
    marks = {(float(x), float(y)) for line in ax.lines for x, y in zip(*line.get_data(), strict=True)}
    assert {(row.cost["price"], 100.0 * row.ripple) for row in found.rows} <= marks
    assert any("price" in text.lower() for text in (ax.get_xlabel(), *words(ax)))


def test_title_names_the_best_and_its_price():
    found, ax = drawn()
    title = " ".join(words(ax)[:2])
    assert f"{sum(row.met for row in found.rows)} of 6 candidates fit" in title
    assert f"factor {found.best.changes['interpolation.factor']}" in title


@pytest.mark.parametrize(
    ("limits", "title"),
    [
        (
            {"relative": 0.0001},
            "None of 6 candidates fits: the nearest is .* times away from its limit on relative",
        ),
        ({"delay": 3.1e-5, "measured": 1.0}, "the nearest misses its limit on delay by 0.81"),
    ],
)
def test_title_says_how_far_nothing_fits(limits, title):
    import re

    _, ax = drawn(Requirement(speeds=(2e-4, 0.2), **limits))
    assert re.search(title, " ".join(words(ax)).replace("\u202f", " "))


def test_without_cost_the_delay_is_drawn_in_a_unit_that_is_named():
    found, ax = drawn(cost=None)
    assert ax.get_xscale() == "log"
    delays = np.concatenate([line.get_xdata() for line in ax.lines])
    assert np.isclose(delays[:, None], [1e3 * row.delay for row in found.rows]).any(axis=0).all()


@pytest.mark.parametrize(
    ("requirement", "lists"),
    [
        (Requirement(speeds=(2e-4, 0.2), delay=1.0), LISTS),
        (WANTED, {"interpolation.factor": [400]}),
        (Requirement(speeds=(2e-4, 0.2), top_speed=1e9), LISTS),
    ],
)
def test_odd_choices_are_drawn(requirement, lists):
    _, ax = drawn(requirement, lists, None)
    assert ax.figure.encsim_text


def test_given_axes_take_the_panel_alone():
    figure = Figure()
    ax = figure.add_subplot()
    assert choose(STAGE, WANTED, LISTS).plot(ax) is ax
    assert not figure.texts


def test_pareto_optimal_candidates_are_numbered_by_price_and_listed_by_name():
    found, ax = drawn()
    listed = sorted(found.frontier, key=lambda row: row.cost["price"])
    below = "\n".join(words(ax)).replace("\u202f", " ")
    for number, row in enumerate(listed, 1):
        assert any(text.split(":")[0] == str(number) for text in words(ax))
        assert f"{number}\n{row.short}: price {row.cost['price']:g}, " in below
    assert f"{1 + [row is found.best for row in listed].index(True)}: best" in words(ax)
