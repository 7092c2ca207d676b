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


@pytest.mark.parametrize("name", ["stage", "folded", "still", "loop", "table", "own clock", "ideal"])
def test_words_stay_on_the_sheet_and_apart(name, pages):
    for style in pages(name == "loop"):
        assert clashes(remedies_picture.remedies(explained.of(name), style=style).figure) == []


def test_bars_are_the_sources_and_causes_with_an_effect_the_total_and_remedies():
    found = explained.of("stage")
    effects = {one.kind: one.effect for one in found.remedies}
    parts = {each.path.partition(".")[2]: each.measured for one in found.causes for each in one.sources}
    parts["finer counts"] = next(one.measured for one in found.causes if one.cause == "resolution")
    assert {effects[kind] for kind in parts} <= {"better", "mixed"}
    assert {effects[kind] for kind in ("noise", "clock")} == {"none"}
    bars = [patch.get_width() for patch in remedies_picture.remedies(found).patches]
    whole = bars[len(parts)]
    share = [found.values["measured"] / value for value in sorted(parts.values(), reverse=True)]
    assert [whole / bar for bar in bars[: len(parts)]] == pytest.approx(share, rel=1e-9)
    assert bars[len(parts) + 1] / whole == pytest.approx(
        found.remedies[0].after["measured"] / found.values["measured"], rel=1e-9
    )


def limited(most):
    return encsim.Requirement(speeds=(1e-3, 1e-2), measured=most)


@pytest.mark.parametrize(
    ("most", "style"), [(1e-6, PAGES[0]), (4.9e-5, PAGES[1]), (1.02e-4, PAGES[0]), (1.0, PAGES[1])]
)
def test_limit_stands_over_the_totals_alone_and_crosses_no_word(most, style):
    panel = remedies_picture.remedies(explained.of("stage"), limit=limited(most), style=style)
    assert clashes(panel.figure) == []
    strokes = [line for line in panel.lines if line.get_color() == style.colour("limit")]
    assert 3 <= len(strokes) < len(panel.patches)
    for stroke in strokes:
        (x, one), (_, other) = panel.transData.transform(stroke.get_xydata())
        for text, box in texts_of(panel.figure).items():
            beside = not box.x0 < x < box.x1
            assert beside or box.y1 - 1.5 < min(one, other) or box.y0 + 1.5 > max(one, other), text


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (limited(1e-4), "ripple 0.099\u202fmm/s rms, within the limit of 0.1\u202fmm/s"),
        (
            limited(6e-5),
            "Condition the signals automatically: 0.044\u202fmm/s remain of 0.099\u202fmm/s, within the limit",
        ),
        (
            limited(3e-5),
            "Conditioning, finer counts and harmonics: 0.022\u202fmm/s remain of 0.099\u202fmm/s, within the limit",
        ),
        (limited(1e-6), "remain of 0.099\u202fmm/s, still above the limit"),
        (encsim.Requirement(speeds=(0.1, 0.2), measured=1e-6), "remain of 0.099\u202fmm/s"),
    ],
)
def test_title_says_whether_the_limit_at_this_speed_is_met(limit, words):
    figure = explained.of("stage").plot(limit=limit).figure
    assert words in figure.encsim_title
    assert ("limit" in figure.encsim_title) == ("limit" in words)


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


def test_causes_whose_remedy_has_no_effect_stand_in_one_line():
    words = " ".join(words_of(remedies_picture.remedies(explained.of("stage"))))
    assert "Too small to matter: position jitter and sampling jitter." in words
    assert "no effect" not in words


def test_remedy_that_leaves_nothing_says_so():
    assert "nothing remains of" in remedies_picture.remedies(explained.of("still")).figure.encsim_title


def test_doubt_is_written_under_the_title():
    found = dataclasses.replace(explained.of("folded"), valid=False, reasons=("the clock is wrong",))
    panel = remedies_picture.remedies(found)
    assert "Not reliable: the clock is wrong." in " ".join(words_of(panel))
    assert panel.figure.encsim_text.endswith("Some values are not reliable.")


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
