"""Remedies: each is the changed axis computed from scratch, says what it costs, and stands a simulation."""

import math
from pathlib import Path

import explained
import numpy as np
import pytest
from explained import AXES, LOOP, STAGE

import encsim
from encsim.decisions import loop_proposals, proposals, remedies, remedy_verification, ripple_summary
from encsim.decisions.loop_proposals import Proposal
from encsim.doubts import named
from encsim.formats import axis_file, changes
from encsim.model.delays import velocity_delay as delay

CURVES = ("measured", "torque", "actual")


def tried(axis, speed, propose):
    """The remedies of one rule."""
    situation = explained.situation(axis, speed)
    return [remedies.remedy(situation, one) for one in propose(situation)]


def scratch(axis, speed):
    """Ripple of an axis at a speed by the public functions alone."""
    if axis.load is None or not axis.estimator.linear:
        return {"measured": encsim.ripple(axis, [speed]).rms[0], "torque": None, "actual": None}
    found = encsim.smoothness(axis, [speed])
    return {curve: getattr(found, curve)[0] for curve in CURVES}


@pytest.mark.parametrize("name", AXES)
def test_every_remedy_is_the_changed_axis_computed_from_scratch(name):
    axis, speed = AXES[name]
    found, before = explained.of(name), scratch(axis, speed)
    for one in [*found.remedies, *filter(None, [found.together])]:
        if one.effect == "impossible":
            continue
        change = {path: value for path, value in one.change.items() if path != "speed"}
        again = scratch(changes.apply(axis, change), one.change.get("speed", speed))
        assert one.before == before
        # a margin search or a larger sweep beside it may cost the last digits
        assert _known(one.after) == pytest.approx(_known(again), rel=1e-9), one.name


def _known(values):
    return {curve: value for curve, value in values.items() if value is not None}


@pytest.mark.parametrize("name", AXES)
def test_remedies_that_help_come_first_by_what_they_win(name):
    found = explained.of(name).remedies
    won = [one.won for one in found if one.applies]
    assert won == sorted(won, reverse=True)
    assert [one.applies for one in found] == sorted((one.applies for one in found), reverse=True)


@pytest.mark.parametrize("name", AXES)
def test_a_remedy_has_a_reason_exactly_where_it_does_not_help(name):
    for one in explained.of(name).remedies:
        assert bool(one.reason) is not one.applies
        assert one.sentence.endswith((".", "?")), one.sentence


@pytest.mark.parametrize("name", [name for name in AXES if name != "ideal"])
def test_won_is_the_mean_share_of_ripple_that_goes(name):
    for one in explained.of(name).remedies:
        known = [(one.before[c], one.after[c]) for c in CURVES if one.before[c] is not None]
        shares = [1.0 - new / old for old, new in known]
        assert one.won == pytest.approx(sum(shares) / len(shares), abs=1e-12)


def test_finer_counts_below_the_jitter_have_no_effect_and_say_why():
    one = explained.remedy("loud", "finer counts")
    assert (one.applies, one.effect) == (False, "none")
    assert "one count is 5.00 nm" in one.reason
    assert "hidden by the noise of 20.0 nm rms" in one.reason


def test_coarser_counts_below_the_jitter_would_do_as_well():
    axis = changes.apply(explained.LOUD, {"interpolation.factor": 40_000})
    found = next(one for one in tried(axis, 1e-3, proposals._counts) if one.kind == "coarser counts")
    assert found.effect == "none"
    assert "coarser interpolation is sufficient" in found.reason


def test_trimming_one_of_two_faults_that_cancel_makes_it_worse():
    # a gain of 2 % makes 0.01 p/2pi sin(2 theta); the given error takes it away
    size = 0.01 * 20e-6 / (2.0 * math.pi)
    signal = encsim.Signal(gain=0.02, sde={2: (size, math.pi)})
    axis = encsim.Axis(encsim.Scale(period=20e-6), signal=signal, sampling=encsim.Sampling(16e3))
    kinds = {one.kind: one for one in tried(axis, 5e-3, proposals._trims)}
    assert kinds["gain"].effect == kinds["sde"].effect == "worse"
    assert kinds["gain"].after["measured"] > 10.0 * kinds["gain"].before["measured"]


@pytest.mark.parametrize("name", ["stage", "loop", "own clock", "timed"])
def test_slower_estimator_says_its_delay(name):
    one, (axis, speed) = explained.remedy(name, "slower estimator"), AXES[name]
    before, after = (delay(each, speed) for each in (axis, one.axis))
    words = next(line for line in one.side_effects if line.startswith("the delay"))
    assert f"from {_time(before)} to {_time(after)}" in words


def _time(seconds):
    from encsim.wording import show

    return show(seconds, "s")


def test_delay_is_that_of_readings_average_clock_and_estimator():
    change = {"sampling.latency": 1e-4, "sampling.average": 4, "sampling.encoder_rate": 50e3}
    axis = changes.apply(STAGE, change)
    # first difference T/2, latency, 3/8 of T between the mean of four readings and the newest, half a tick
    assert delay(axis, 0.01) == pytest.approx(0.5 / 16e3 + 1e-4 + 0.375 / 16e3 + 1e-5, rel=1e-12)


def test_finer_counts_say_edge_rate_and_resolution():
    effects = " ".join(explained.remedy("stage", "finer counts").side_effects)
    # 5 mm/s over 5 nm and over 1.25 nm
    assert "from 1.00 MHz to 4.00 MHz" in effects
    assert "one count falls from 5.00 nm to 1.25 nm" in effects


@pytest.mark.parametrize("kind", ["lower gains", "low-pass", "notch", "slower estimator"])
def test_changes_of_the_loop_say_the_phase_margin(kind):
    one, speed = explained.remedy("loop", kind), AXES["loop"][1]
    before, after = (encsim.margins(axis, speed=speed).phase_margin for axis in (LOOP, one.axis))
    words = next(line for line in one.side_effects if line.startswith("the phase margin"))
    assert f"by {abs(after - before):.1f} deg, from {before:.1f} to {after:.1f} deg" in words


def test_lower_gains_say_the_stiffness_they_cost():
    # half of K_p and K_v at twice T_i
    assert "falls to 12.5 % of what it was" in " ".join(explained.remedy("loop", "lower gains").side_effects)


def test_averaging_has_no_effect_on_jitter_and_says_why():
    assert "the jitter is one value per loop period here" in explained.remedy("loop", "average").reason


def test_averaging_says_the_top_speed():
    noisy = changes.apply(explained.BARE, {"signal.noise": 0.02})
    (found,) = tried(noisy, 1e-3, proposals._average)
    assert found.applies
    top = encsim.top_speed(changes.apply(noisy, {"sampling.average": 4})).speed
    assert f"the top speed falls from no limit to {top * 1e3:.0f} mm/s" in found.side_effects


def test_estimator_that_leaves_no_margin_is_not_safe():
    lively = changes.apply(LOOP, {"control.velocity_gain": 6000.0, "estimator": encsim.LowPass(400.0)})
    found = tried(lively, 5e-3, loop_proposals.estimator_proposals)[0]
    assert found.kind == "slower estimator"
    assert (found.effect, found.applies) == ("unsafe", False)
    margin = encsim.margins(found.axis, speed=5e-3).phase_margin
    assert found.reason == f"a phase margin of only {margin:.1f} deg would be left"


def test_loop_too_slow_for_its_filter_is_impossible_with_the_rule_it_breaks():
    axis = changes.apply(LOOP, {"control.lowpass": 5e3})
    found = next(one for one in tried(axis, 5e-3, proposals._rate) if one.kind == "slower loop")
    assert found.effect == "impossible"
    assert "must stay below half the loop rate, 4000 Hz" in found.reason


@pytest.mark.parametrize("name", ["stage", "loud", "loop"])
def test_no_estimator_is_proposed_twice(name):
    found = [one.change["estimator"] for one in explained.of(name).remedies if "estimator" in one.change]
    assert len(set(found)) == len(found) >= 1


def test_estimator_at_its_longest_is_not_made_slower():
    axis = changes.apply(explained.BARE, {"estimator": encsim.Difference(1 << 20)})
    assert "slower estimator" not in {
        one.kind for one in tried(axis, 5e-3, loop_proposals.estimator_proposals)
    }


def test_second_head_leaves_nothing_of_an_eccentric_ring_but_its_square():
    one = explained.remedy("table", "second head")
    before, after = (encsim.ripple(axis, [0.3]).parts["ring"][0] for axis in (explained.TABLE, one.axis))
    # e/R = 0.0175: once a turn goes, half its square stays at twice a turn
    assert after / before == pytest.approx(500e-6 / 0.02865, rel=0.05)


def test_centring_to_a_tenth_leaves_a_tenth_of_the_rings_part():
    one = explained.remedy("table", "centring")
    before, after = (encsim.ripple(axis, [0.3]).parts["ring"][0] for axis in (explained.TABLE, one.axis))
    # but for the orders above the first
    assert after / before == pytest.approx(0.1, rel=1e-3)


def test_locking_the_clock_takes_the_age_away():
    one = explained.remedy("own clock", "own clock")
    assert one.change == {"sampling.encoder_rate": 32e3}
    assert encsim.ripple(one.axis, [5e-3]).parts["age"][0] == 0.0


def test_a_nearby_speed_keeps_the_lines_off_a_resonance():
    load = encsim.Load(5.0, motor_inertia=5.0, stiffness=2.5e7, damping=100.0)
    axis, speed = changes.apply(LOOP, {"load": load}), load.resonance * 20e-6
    found = tried(axis, speed, loop_proposals.speed_suggestions)
    slower = next(one for one in found if one.kind == "slower speed")
    assert slower.applies
    assert slower.after["actual"] < 0.4 * slower.before["actual"]
    assert 0.7 < slower.change["speed"] / (load.resonance * 20e-6) < 1.0


def test_hysteresis_that_holds_the_counts_still_leaves_nothing_at_standstill():
    one = explained.remedy("still", "hysteresis")
    assert one.applies
    assert one.after["measured"] == 0.0


def test_first_few_at_once_are_one_axis_and_not_twice_the_same_fault():
    one = explained.of("stage").together
    assert "interpolation.correction" in one.change
    assert not {"signal.gain", "signal.offset", "signal.phase"} & one.change.keys()
    assert one.after["measured"] < min(each.after["measured"] for each in explained.of("stage").remedies)


@pytest.mark.parametrize("name", ["stage", "table", "own clock", "loop"])
def test_simulation_agrees_with_every_remedy_within_five_per_cent(name):
    found = explained.of(name, verify=True)
    assert found.agrees is True
    helping = [one for one in found.remedies if one.applies]
    assert helping
    for one in helping:
        assert one.agrees is True, one.name
        for curve, value in one.after.items():
            # what verify promises
            assert one.verified[curve] == (value if value is None else pytest.approx(value, rel=0.05))


def test_simulation_agrees_with_timed_edges():
    one = remedies.verified(explained.remedy("timed", "conditioning"))
    assert one.verified["measured"] == pytest.approx(one.after["measured"], rel=0.05)


def test_simulated_values_of_starts_and_slow_beats_agree_too():
    axis, speed = AXES["loop beside a vanishing speed"]
    found = remedy_verification.simulated(axis, speed, closed=True)
    assert found.settled
    assert found.values == pytest.approx(scratch(axis, speed), rel=0.03)


def test_remedies_that_do_not_apply_are_not_simulated():
    assert all(one.verified is None for one in explained.of("stage", verify=True).remedies if not one.applies)


def test_wrong_prediction_is_found_out():
    one = explained.remedy("stage", "conditioning")
    wrong = {**one.after, "measured": 1.2 * one.after["measured"]}
    found = remedies.verified(remedies.replace(one, after=wrong))
    assert found.agrees is False
    assert found.doubtful
    assert named(found.reasons, "simulation_disagrees")


def test_run_too_short_for_its_counts_is_not_judged():
    found = remedy_verification.simulated(changes.apply(STAGE, {"signal.jitter": 0.0}), 1e-10, closed=False)
    assert not found.settled
    assert remedy_verification.agreement(found, {"measured": 1.0}, STAGE) is None


def test_prediction_in_doubt_says_so_and_what_a_simulation_gives():
    axis = changes.apply(LOOP, {"interpolation.factor": 4000})
    proposal = Proposal(kind="slower", name="a slower estimator", change={"estimator": encsim.LowPass(400.0)})
    found = remedies.remedy(explained.situation(axis, 0.0), proposal)
    assert found.doubtful
    assert "Not reliable: limit cycle on quantisation" in found.sentence
    # the loop makes counts toggle: far more than their steps smeared out
    assert remedies.verified(found).verified["measured"] > 1.2 * found.after["measured"]


def test_runs_that_show_no_ripple_where_some_is_expected_do_not_judge():
    # at standstill counts toggle from few starts only
    quiet = encsim.Signal(jitter=1e-12)
    axis = changes.apply(STAGE, {"signal": quiet, "interpolation.factor": 4})
    found = remedy_verification.simulated(axis, 0.0, closed=False)
    axis = changes.apply(axis, {"signal.jitter": 0.0})
    assert (
        remedy_verification.agreement(
            remedy_verification.simulated(axis, 0.0, closed=False), {"measured": 1e-9}, axis
        )
        is None
    )
    assert remedy_verification.agreement(found, {"measured": found.values["measured"]}, axis) in (True, None)


def test_loop_that_a_change_makes_stable_is_simulated_closed():
    lively = changes.apply(LOOP, {"control.velocity_gain": 5e4, "control.position_gain": 0.0})
    assert not encsim.margins(lively).stable
    proposal = Proposal(kind="half", name="half", change={"control.velocity_gain": 2e3})
    one = remedies.remedy(explained.situation(lively, 5e-3), proposal)
    assert one.before["torque"] is None
    assert one.after["torque"] > 0.0
    assert "the loop becomes stable" in one.side_effects
    assert remedies.verified(one).agrees in (True, None)


def test_torque_that_a_run_cannot_hold_is_told_and_not_judged():
    held = changes.apply(LOOP, {"load": encsim.Load(5.0, force=50.0), "control.torque_limit": 20.0})
    found = remedy_verification.simulated(held, 0.01, closed=True)
    assert not found.settled
    assert "Control.torque_limit must exceed" in found.problem


@pytest.mark.parametrize("name", ["stage", "loop", "table", "own clock", "timed"])
def test_what_a_remedy_changes_can_be_set_as_it_is_written(name):
    text = explained.of(name).axis.to_toml()
    text += "" if "[estimator]" in text else '\n[estimator]\nkind = "difference"\n'
    told = [one for one in explained.of(name).remedies if one.written]
    kept = [one for one in told if "speed" not in one.written]
    assert len(kept) > 5
    for one in kept:
        settings = [f"{path}={value}" for path, value in one.written.items()]
        assert axis_file.loads_with(text, settings) == one.axis


def test_every_command_shows_the_same_delay():
    speed, files = 0.02, Path("examples")
    change = {"sampling.latency": 1e-4, "sampling.average": 4, "sampling.encoder_rate": 50e3}
    axis = changes.apply(axis_file.load(files / "stage_x_loop.toml"), change | {"signal.bandwidth": 5e4})
    wanted = encsim.Requirement(speeds=(speed, 2 * speed), measured=1.0, delay=1.0)
    shown = {
        "ripple": encsim.ripple(axis, [speed]).delay[0],
        "frontier": encsim.frontier(axis, speed, [axis.estimator]).delay[0],
        "choose": encsim.choose(axis, wanted, [axis]).rows[0].delay,
        "requirement and page": wanted.judge(axis).limit("delay").value,
        "loop": encsim.margins(axis).delay,
        "explain": ripple_summary.axis_figures(axis, speed).delay,
    }
    # latency, 3/8 of T of averaging, half a tick, lag of the bandwidth
    readings = 1e-4 + 0.375 / 16e3 + 1e-5 + 1.0 / (2.0 * math.pi * 5e4)
    expected = axis.estimator.delay(16e3) + readings
    assert shown == pytest.approx(dict.fromkeys(shown, expected), rel=1e-12)


def test_explain_and_frontier_offer_timed_edges_where_edges_are_counted():
    # 1024 lines counted four times, 10 kHz: 26.6 rpm at 5 rpm, 0.067 rpm with count-and-time (found by independent
    # simulation)
    axis = encsim.Axis(
        encsim.Scale(lines=1024),
        signal=encsim.Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01),
        interpolation=encsim.Interpolation(factor=4, output="ab"),
        sampling=encsim.Sampling(10e3),
    )
    rpm = math.pi / 30.0
    found = encsim.explain(axis, 5.0 * rpm)
    assert found.values["measured"] / rpm == pytest.approx(26.6, rel=2e-3)
    first, second = found.remedies[:2]
    assert {first.kind, second.kind} == {"count-and-time", "period-timing"}
    for one in (first, second):
        assert one.after["measured"] / rpm < 0.08
        assert any("delay" in effect for effect in one.side_effects)
    # a position that is read by the loop, where quantisation is a small part
    assert not tried(STAGE, 0.02, loop_proposals.timed_edge_proposals)


SPEEDS = np.geomspace(1e-3, 0.5, 60)
LIMIT = encsim.Requirement(speeds=(1e-3, 0.5), relative=0.01, floor=50e-6)


@pytest.mark.parametrize("name", ["stage", "loop", "own clock", "table"])
def test_ladder_goes_from_the_best_measure_to_the_combined_measures(name):
    found = explained.of(name)
    now, *steps = remedies.ladder(found, SPEEDS)
    assert (now.measures, now.remedy, now.axis) == ((), None, found.axis)
    told = [step for step in steps if not step.instead]
    assert [len(step.measures) for step in told] == list(range(1, len(told) + 1))
    alone = told[0].remedy
    best = next(one for one in found.remedies if one.applies)
    assert best in (alone, steps[-1].remedy)
    if found.together is not None and found.together.applies:
        last = told[-1].remedy
        assert last.change == found.together.change
        assert last.after == found.together.after
    else:
        assert told[-1].remedy is best


@pytest.mark.parametrize("name", ["stage", "loop"])
def test_each_step_of_the_ladder_is_judged_like_the_changed_axis(name):
    for step in remedies.ladder(explained.of(name), SPEEDS, LIMIT):
        judged = LIMIT.judge(step.axis)
        assert step.met == judged.met
        # further speeds of the page may find a worse one
        assert step.judgement.worst >= judged.worst * (1.0 - 1e-12)
        assert (step.passing == 1.0) == all(one.met for one in judged.limits if one.name != "top_speed")


def test_share_that_passes_is_that_of_the_logarithmic_range():
    axis = encsim.Axis(
        encsim.Scale(period=20e-6), signal=encsim.Signal(jitter=1e-8), sampling=encsim.Sampling(16e3)
    )
    rms = float(encsim.ripple(axis, 0.01).rms)
    # steady noise: the limit of 1 % is met above 100 times the ripple, for the upper decade of two
    limits = encsim.Requirement(speeds=(10.0 * rms, 1000.0 * rms), relative=0.01)
    now = remedies.ladder(encsim.explain(axis, 0.01), np.geomspace(*limits.speeds, 200), limits)[0]
    assert now.passing == pytest.approx(0.5, abs=0.01)


def test_axis_without_ripple_has_a_ladder_of_one_step():
    assert len(remedies.ladder(explained.of("ideal"), SPEEDS, LIMIT)) == 1
