"""Why an axis runs roughly at a speed: shares, sentences, what is told at odd speeds and of odd axes."""

import json
import math

import explained
import numpy as np
import pytest
from explained import AXES, BARE, LOOP, STAGE

import encsim
from encsim.doubts import named
from encsim.formats import changes
from encsim.wording import show

ROUGH = [name for name in AXES if name != "ideal"]


@pytest.mark.parametrize("name", ROUGH)
def test_shares_of_causes_add_up_to_one_the_largest_first(name):
    shares = [one.share for one in explained.of(name).causes]
    # a handful of squares added in another order
    assert sum(shares) == pytest.approx(1.0, rel=1e-12)
    assert shares == sorted(shares, reverse=True)


@pytest.mark.parametrize("name", [name for name in ROUGH if "loop" not in name])
def test_causes_are_the_parts_of_ripple(name):
    axis, speed = AXES[name]
    parts = encsim.ripple(axis, [speed]).parts
    assert {one.cause: one.measured for one in explained.of(name).causes} == {
        n: row[0] for n, row in parts.items()
    }


@pytest.mark.parametrize("curve", ["measured", "torque", "actual"])
def test_causes_of_a_closed_loop_are_the_parts_of_smoothness(curve):
    axis, speed = AXES["loop"]
    parts = encsim.smoothness(axis, [speed]).parts[curve]
    found = {one.cause: getattr(one, curve) for one in explained.of("loop").causes}
    assert found == {name: row[0] for name, row in parts.items()}


@pytest.mark.parametrize(
    ("name", "path", "kept"),
    [
        ("stage", "signal.gain", {"gain": 0.02}),
        ("stage", "signal.offset", {"offset": (0.01, -0.005)}),
        ("folded", "signal.phase", {"phase": 0.01}),
    ],
)
def test_a_source_is_the_ripple_of_an_axis_with_that_fault_alone(name, path, kept):
    source = next(each for one in explained.of(name).causes for each in one.sources if each.path == path)
    alone = encsim.Axis(
        encsim.Scale(period=20e-6),
        signal=encsim.Signal(jitter=0.5e-9, **kept),
        sampling=encsim.Sampling(16e3, jitter=20e-9),
    )
    assert source.measured == pytest.approx(encsim.ripple(alone, [AXES[name][1]]).parts["sde"][0], rel=1e-12)


def test_answer_says_ripple_and_share_of_the_speed():
    rms = float(encsim.ripple(STAGE, [5e-3]).rms[0])
    first = explained.of("stage").text.splitlines()[0]
    assert f"{show(rms, 'm/s')}" in first
    assert f"{100.0 * rms / 5e-3:.2f} % of the speed" in first


def test_folded_line_is_told_with_its_true_and_its_seen_frequency():
    words = explained.of("folded").causes[0].sentence
    # 0.33 m/s over 20 um is 16.5 kHz, 500 Hz above the loop rate
    assert "Harmonic 1 has an amplitude of" in words
    assert "a frequency of 16.5 kHz, aliased to 500 Hz" in words


def test_direct_line_is_told_as_such():
    assert "a frequency of 500 Hz (direct)" in explained.of("stage").causes[0].sentence


def test_loop_that_cannot_follow_turns_the_error_into_force():
    words = explained.of("loop").causes[0].sentence
    force = encsim.smoothness(*[AXES["loop"][0], [AXES["loop"][1]]]).parts["torque"]["sde"][0]
    assert "the loop cannot follow it and commands force instead" in words
    assert f"It makes {force * 1e3:.0f} mN of force" in words


def test_slow_beat_is_told_as_motion_of_the_axis():
    text = explained.of("loop beside a vanishing speed").text
    # 3e-4 of the 16 kHz of line 1
    assert "aliased to a low frequency, from 4.80 Hz on" in text
    assert "the axis moves by up to 35.5 nm" in text


def test_vanishing_lines_are_told_with_the_error_taken_for_position():
    text = explained.of("vanishing").text
    size = encsim.lines(BARE, 0.32).position.max()
    assert (
        f"every sample meets the same phase, and up to {size * 1e9:.1f} nm of error counts as position"
        in text
    )


def test_simple_fraction_of_a_period_a_sample_tells_what_the_start_does():
    text, worst = encsim.explain(BARE, 0.32 / 3.0).text, encsim.worst_start(BARE, 0.32 / 3.0)
    assert "every 3 samples" in text
    assert f"to {worst.rms * 1e3:.2f} mm/s without end, depending on the start position" in text


def test_standstill_has_no_share_of_the_speed_and_no_other_speed():
    text = explained.of("still").text
    assert text.startswith("At standstill the measured ripple is")
    assert "% of the speed" not in text
    assert explained.remedy("still", "speed").reason == "the axis stands still"


def test_ideal_axis_has_no_ripple_no_cause_and_no_remedy():
    found = explained.of("ideal")
    assert "there is no measured ripple" in found.text
    assert found.causes == ()
    assert not any(one.applies for one in found.remedies)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("folded", "Ripple: rms"),
        ("folded", "The error is"),
        ("folded", "A harmonic is"),
        ("folded", "Aliased:"),
        ("stage", "A count is"),
        ("loop", "The crossover is"),
    ],
)
def test_each_word_of_the_trade_is_explained_once(name, word):
    assert explained.of(name).text.count(word) == 1


def test_rotary_axis_is_told_in_turns_and_angles():
    found = explained.of("table")
    # 0.3 rad/s is 2.86 rpm
    assert found.text.startswith("At 2.86 rpm the measured ripple is")
    assert found.units["measured"] == "rad/s"


TIMED_LOOP = changes.apply(LOOP, {"estimator": encsim.CountAndTime(50e6, 1e-3), "interpolation.factor": 4000})


def test_timed_edges_in_a_loop_are_told_with_it():
    found = encsim.explain(TIMED_LOOP, 5e-3)
    now = encsim.smoothness(TIMED_LOOP, 5e-3)
    assert found.values["torque"] == float(now.torque)
    assert found.crossover == now.crossover
    tuned = next(one for one in found.remedies if one.kind == "tuned gains")
    assert tuned.assumed.endswith("at this speed: the delay of timed edges grows at lower speeds")


def test_timed_edges_slower_than_a_count_a_second_are_told_without_the_loop():
    found = encsim.explain(TIMED_LOOP, 1e-9)
    assert found.values["torque"] is None
    assert named(found.reasons, "blind")


def test_unstable_loop_is_told_before_all_else_and_is_not_valid():
    found = encsim.explain(changes.apply(LOOP, {"control.velocity_gain": 2e5}), 5e-3)
    assert not found.valid
    assert "unstable" in found.text.splitlines()[1]
    assert found.values["torque"] is None


def test_direction_does_not_change_what_is_seen():
    back = explained.situation(LOOP, -5.3e-3).summary.at()
    assert explained.of("loop").values == pytest.approx(back, rel=1e-9)


def test_cautions_of_machinery_come_with_a_loop():
    assert len(explained.of("loop").cautions) > len(explained.of("stage").cautions) >= 1


@pytest.mark.parametrize("name", AXES)
def test_result_is_plain_and_a_table(name):
    found = explained.of(name)
    plain = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert plain["kind"] == "Explanation"
    assert [one["name"] for one in plain["remedies"]] == [one.name for one in found.remedies]
    rows = found.to_csv_text().splitlines()
    unit = "m_s" if found.axis.scale.unit == "m" else "rad_s"
    assert rows[0].startswith(f"what,name,share,measured_{unit},")
    assert len(rows) > len(found.causes) + len(found.remedies)


@pytest.mark.parametrize("speed", [math.nan, math.inf, "5", None, [1e-3, 2e-3]])
def test_speed_that_is_none_is_refused(speed):
    with pytest.raises(encsim.InputError, match=r"explain\.speed must (be|have)"):
        encsim.explain(STAGE, speed)


def test_speed_above_the_top_speed_is_in_doubt():
    found = encsim.explain(changes.apply(BARE, {"signal.bandwidth": 1e4}), 1.0)
    assert not found.valid
    assert "Not reliable: above the top speed 0.2 m/s (bandwidth)" in found.text


def test_plot_titles_what_to_do_first():
    panel = explained.of("stage").plot()
    best = explained.of("stage").remedies[0]
    assert panel.figure.encsim_title.startswith(best.name.capitalize())
    assert f"{best.after['measured'] * 1e6:.0f}" in panel.figure.encsim_title
    assert np.isfinite(panel.get_xlim()).all()


def test_explanation_judges_by_the_requirement_at_its_speed_and_says_what_meets_it():
    axis = encsim.examples.load("stage_x_loop")
    wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.01, floor=50e-6)
    found = encsim.explain(axis, 5e-3, requirement=wanted)
    assert found.limits == {"measured": 50e-6}
    assert found.met is False
    assert found.verdict.startswith("Above the limit at 5.00 mm/s: 1.8 times the limit")
    meeting = [one for one in found.remedies if one.met]
    assert all(one.after["measured"] <= 50e-6 for one in meeting)
    assert all(one.after["measured"] > 50e-6 for one in found.remedies if one.met is False)
    # at all speeds: the judgement of the axis with these measures
    best = next(one for one in found.remedies if one.name == found.met_with)
    assert wanted.judge(best.axis).met
    assert not wanted.judge(axis).met


def test_explanation_beside_the_speeds_of_a_requirement_has_no_verdict():
    wanted = encsim.Requirement(speeds=(1e-3, 2e-3), relative=0.01, floor=50e-6)
    found = encsim.explain(encsim.examples.load("stage_x"), 5e-3, requirement=wanted)
    assert (found.limits, found.met, found.verdict, found.met_with) == ({}, None, "", None)


def test_requirement_of_another_type_is_refused():
    with pytest.raises(encsim.InputError, match=r"explain\.requirement must be a Requirement"):
        encsim.explain(encsim.examples.load("stage_x"), 5e-3, requirement=0.01)
