"""Picture of many axes: what its title says, what is drawn, words that stay apart."""

import numpy as np
import pytest
from matplotlib.figure import Figure
from sheets import STAGE, TABLE, clashes

from encsim import wording
from encsim.figures import tolerance as tolerance_picture
from encsim.presentation import canvas
from encsim.spreads.tolerancing import Tolerance

SPEEDS = np.geomspace(1e-4, 1.0, 80)


def band(
    speed=SPEEDS, *, axis=STAGE, width=2.0, limit=None, passed=None, fraction=None, doubtful=None, **changes
):
    """A made-up result: ripple of 2 % of the speed in the middle, from 1/width to width times that."""
    speed = np.atleast_1d(np.asarray(speed, dtype=float))
    middle = 0.02 * speed
    given = {
        "speed": speed, "median": middle, "low": middle / width, "high": middle * width,
        "limit": limit, "yield_by_speed": passed, "yield_fraction": fraction,
        "yield_interval": None if fraction is None else (max(fraction - 0.03, 0.0), min(fraction + 0.03, 1.0)),
        "yield_by_limit": {} if fraction is None else {"relative": fraction}, "sensitivity": {"signal.gain": 0.9},
        "halved": {} if fraction is None else {"signal.gain": 0.8}, "tighten": "signal.gain",
        "samples": 600, "refused": 0, "seed": 0, "basis": "ripple", "deviation": 0.0 * speed,
        "doubtful": np.zeros(speed.shape, bool) if doubtful is None else doubtful,
        "valid": doubtful is None, "reasons": () if doubtful is None else ("counts are few",),
        "axis": axis, "spread": dict.fromkeys(["signal.gain", "signal.phase", "signal.offset.0", "signal.offset.1"]),
    }  # fmt: skip
    return Tolerance(**(given | changes))


def judged(speed=SPEEDS, fraction=0.514, **changes):
    """The same against a limit of 3 % of the speed, above 1 mm/s, that fewest meet at 10 mm/s."""
    speed = np.atleast_1d(np.asarray(speed, dtype=float))
    limit = np.where(speed >= 1e-3, 0.03 * speed, np.inf)
    passed = np.where(
        speed >= 1e-3, 1.0 - (1.0 - fraction) * np.exp(-(np.log(np.maximum(speed, 1e-9) / 0.01) ** 2)), 1.0
    )
    return band(speed, limit=limit, passed=passed, fraction=fraction, **changes)


RESULTS = {
    "against a limit": judged(),
    "alone": band(),
    "narrow": band(width=1.02),
    "few speeds": judged([1e-3, 5e-3, 0.02, 0.1]),
    "one speed": judged(0.01),
    "on a turntable": judged(np.geomspace(1e-3, 100.0, 60), axis=TABLE),
    "in doubt": judged(doubtful=SPEEDS < 1e-3),
    "without ripple": band(median=0.0 * SPEEDS, low=0.0 * SPEEDS, high=0.0 * SPEEDS),
    "with standstill": judged(np.concatenate([[0.0], SPEEDS])),
    "loops that swing": judged(high=np.full(SPEEDS.shape, np.inf)),
}


@pytest.mark.parametrize("name", RESULTS)
def test_no_word_leaves_the_sheet_or_covers_another_and_alternative_text_is_short(name, pages):
    for style in pages(name in ("against a limit", "in doubt")):
        figure = tolerance_picture.tolerance(RESULTS[name], style=style).figure
        assert clashes(figure) == []
        assert len(figure.encsim_text.split()) <= 60
        assert figure.encsim_title in figure.encsim_text


@pytest.mark.parametrize(
    ("result", "title"),
    [
        (judged(), "51 of 100 axes would meet the limit at every speed"),
        (judged(fraction=0.0), "None of 600 axes meets the limit at every speed"),
        (judged(fraction=1.0), "All 600 axes meet the limit at every speed"),
        (judged(fraction=0.9985), "998 of 1000 axes would meet the limit at every speed"),
        (judged(fraction=0.002), "2 of 1000 axes would meet the limit at every speed"),
        (
            judged(yield_by_limit={"relative": 0.9, "torque": 0.6}),
            "51 of 100 axes would meet the requirement",
        ),
        (RESULTS["without ripple"], "No ripple at these speeds"),
    ],
)
def test_title_is_how_many_pass(result, title):
    assert tolerance_picture.tolerance(result).figure.encsim_title == title


def test_title_without_a_requirement_is_how_far_they_differ():
    wide = band(high=np.where(np.arange(80) == 40, 0.1, 0.03) * SPEEDS)
    at = SPEEDS[40]
    low, high = (wording.quantity(share * at, "m/s", 2) for share in (0.01, 0.1))
    low = low.partition("\u202f")[0] if low.split()[1:] == high.split()[1:] else low
    where = wording.quantity(at, "m/s", 2)
    expected = f"Axes differ most at {where}: 95 of 100 have a ripple of {low} to {high} rms"
    assert tolerance_picture.tolerance(wide).figure.encsim_title == expected


def test_least_share_is_marked_where_it_is_with_its_number():
    figure = tolerance_picture.tolerance(judged()).figure
    words = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert any(word.startswith("least: 51.") and word.endswith("mm/s") for word in words)


def test_band_limit_and_median_are_drawn_as_shares_of_the_speed_in_the_range_of_the_requirement():
    ax = tolerance_picture.tolerance(judged())
    rows = [line.get_ydata() for line in ax.lines]
    judged_speeds = SPEEDS[SPEEDS >= 1e-3]
    for share in (1.0, 2.0, 3.0, 4.0):
        assert any(len(row) == judged_speeds.size and np.allclose(row, share) for row in rows)
    assert 1e3 * judged_speeds[0] == pytest.approx(min(ax.get_xlim()))


def test_given_axes_take_the_band_alone_and_keep_their_figure():
    figure = Figure()
    ax = figure.subplots()
    assert judged().plot(ax) is ax
    assert figure.axes == [ax]


def test_file_is_the_same_each_time(tmp_path):
    for name in ("a.svg", "b.svg"):
        canvas.save(judged().plot().figure, tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
