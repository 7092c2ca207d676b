"""Picture of causes and remedies: what its bars are, what its title answers, words that stay apart."""

import dataclasses
import math

import explained
import pytest
from matplotlib.figure import Figure
from sheets import PAGES, clashes, texts_of

import encsim
from encsim.figures import remedies as remedies_picture
from encsim.formats import changes


def words_of(panel):
    return [text.get_text() for text in texts_of(panel.figure)]


@pytest.mark.parametrize("style", PAGES, ids=str)
@pytest.mark.parametrize("name", ["stage", "folded", "still", "loop", "table", "own clock", "ideal"])
def test_words_stay_on_the_sheet_and_apart(name, style):
    assert clashes(remedies_picture.remedies(explained.of(name), style=style).figure) == []


def test_bars_are_the_sources_alone_the_other_causes_the_whole_and_remedies():
    found = explained.of("stage")
    parts = [each.measured for one in found.causes for each in one.sources]
    parts += [one.measured for one in found.causes if not one.sources]
    bars = [patch.get_width() for patch in remedies_picture.remedies(found).patches]
    whole = bars[len(parts)]
    share = [found.values["measured"] / value for value in sorted(parts, reverse=True)]
    assert [whole / bar for bar in bars[: len(parts)]] == pytest.approx(share, rel=1e-9)
    assert bars[len(parts) + 1] / whole == pytest.approx(
        found.remedies[0].after["measured"] / found.values["measured"], rel=1e-9
    )


def test_title_is_the_first_remedy_and_what_it_leaves():
    found = explained.of("stage")
    title = remedies_picture.remedies(found).figure.encsim_title
    left, whole = found.remedies[0].after["measured"] * 1e3, found.values["measured"] * 1e3
    assert title.startswith(
        f"Condition the signals automatically: {left:.3f}\u202fmm/s remain of {whole:.3f}\u202fmm/s"
    )


def test_sizes_of_one_picture_stand_in_one_unit():
    # A whole of 0.11 rpm, parts far below it: all in the unit of the speed.
    axis = changes.apply(explained.TABLE, {"interpolation.factor": 200})
    found = encsim.explain(axis, math.pi / 30.0)
    shown = " ".join(words_of(remedies_picture.remedies(found)))
    left, whole = (one["measured"] * 30.0 / math.pi for one in (found.remedies[0].after, found.values))
    assert f"{left:.3f}\u202frpm remain of {whole:.2f}\u202frpm" in shown
    assert "/s" not in shown


def test_remedy_without_effect_is_marked_below_its_cause():
    assert "→ halve its jitter: no effect" in words_of(remedies_picture.remedies(explained.of("stage")))


def test_remedy_that_leaves_nothing_says_so():
    assert "nothing remains of" in remedies_picture.remedies(explained.of("still")).figure.encsim_title


def test_doubt_is_written_under_the_title():
    found = dataclasses.replace(explained.of("folded"), valid=False, reasons=("the clock is wrong",))
    panel = remedies_picture.remedies(found)
    assert "In doubt: the clock is wrong." in " ".join(words_of(panel))
    assert panel.figure.encsim_text.endswith("Some values are in doubt.")


@pytest.mark.parametrize(("name", "unit"), [("stage", "(mm/s)"), ("table", "(rpm)"), ("ideal", "(mm/s)")])
def test_axes_of_the_caller_take_the_bars_in_a_handy_unit(name, unit):
    axes = Figure().add_subplot()
    assert explained.of(name).plot(axes) is axes
    assert axes.get_xlabel().endswith(unit)
    assert axes.figure.get_suptitle() == ""
    assert len(axes.get_yticklabels()) == len(axes.patches)


def test_alternative_text_has_the_largest_cause_and_is_short():
    text = explained.of("stage").plot().figure.encsim_text
    assert "The largest cause alone is amplitude mismatch, 0.070\u202fmm/s." in text
    assert len(text.split()) <= 60
