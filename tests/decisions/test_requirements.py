"""Requirements: their rules, their files, and axes judged by them."""

import math

import numpy as np
import pytest
from stage_x import IN_PHASE, stage

import encsim
from encsim import (
    Axis,
    Control,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    LeastSquares,
    Load,
    LowPass,
    Requirement,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.decisions import requirements
from encsim.formats import changes

STAGE = stage(400, signal=IN_PHASE)
LOOP = Axis(
    Scale(period=20e-6),
    signal=STAGE.signal,
    sampling=STAGE.sampling,
    estimator=LowPass(800.0),
    load=Load(5.0, viscous=15.0),
    control=Control(60.0, 2e3, integral_time=12e-3, current_bandwidth=1e3, delay=60e-6),
)


def changed(**parts):
    return Axis(
        **{name: getattr(STAGE, name) for name in ("scale", "signal", "interpolation", "sampling")} | parts
    )


@pytest.mark.parametrize(
    ("limits", "rule"),
    [
        ({"speeds": (2.0, 1.0), "measured": 1.0}, "speeds must rise from zero or more"),
        ({"speeds": (-1.0, 1.0), "measured": 1.0}, "speeds must rise from zero or more"),
        ({"speeds": (0.0, 0.0), "measured": 1.0}, "speeds must rise from zero or more"),
        ({"speeds": (1.0, math.inf), "measured": 1.0}, "speeds must be two finite speeds"),
        ({"speeds": (1.0, 1e200), "measured": 1.0}, "speeds must stay up to 1e"),
        ({"speeds": 1.0, "measured": 1.0}, "speeds must be two finite speeds"),
        ({"speeds": (1.0, 2.0)}, "measured must be given, or another limit.*there is none"),
        (
            {"speeds": (1.0, 2.0), "measured": 0.0},
            "measured must be positive and finite, got 0.0 m/s or rad/s",
        ),
        ({"speeds": (1.0, 2.0), "torque": -1.0}, "torque must be positive"),
        ({"speeds": (1.0, 2.0), "phase_margin": 181.0}, "phase_margin must lie above 0 and at most 180"),
        ({"speeds": (1.0, 2.0), "top_speed": 1.5}, "top_speed must be at least the highest of speeds, 2"),
        ({"speeds": (1.0, 2.0), "measured": 1.0, "floor": 0.5}, "floor must be left out without relative"),
        (
            {"speeds": (0.0, 2.0), "relative": 0.1},
            "relative must be left out with speeds from zero.*give a floor",
        ),
        (
            {"speeds": (1.0, 2.0), "relative": 0.1, "floor": 2.0, "measured": 1.0},
            "floor must be at most measured",
        ),
    ],
)
def test_contradiction_is_refused(limits, rule):
    with pytest.raises(InputError, match=f"Requirement.{rule}"):
        Requirement(**limits)


def test_limit_on_measured_ripple_is_the_lower_of_both_above_the_floor():
    requirement = Requirement(speeds=(0.0, 1.0), measured=5e-3, relative=0.01, floor=1e-3)
    found = requirement.limit_at([0.0, 0.1, 0.2, -0.2, 1.0])
    assert found.tolist() == [1e-3, 1e-3, 2e-3, 2e-3, 5e-3]


def test_without_a_limit_on_measured_ripple_any_is_allowed():
    assert requirements.Requirement(speeds=(1.0, 2.0), delay=1.0).limit_at(1.5) == math.inf


AXES = {
    "difference": STAGE,
    "eight samples": changed(estimator=Difference(8)),
    "least squares": changed(estimator=LeastSquares(16)),
    "low-pass": changed(estimator=LowPass(300.0)),
    "tracking": changed(estimator=Tracking(400.0)),
    "timed edges": changed(estimator=CountAndTime(50e6, 5e-3)),
    "converter": changed(interpolation=Interpolation(factor=400, bits=10)),
    "own clock": changed(sampling=Sampling(16e3, encoder_rate=50e3)),
    "readhead": changed(signal=Signal(offset=(0.01, 0.0), bandwidth=50e3)),
    "ideal": Axis(Scale(period=20e-6), sampling=Sampling(16e3)),
}


@pytest.mark.parametrize("name", AXES)
@pytest.mark.parametrize("limits", [{"measured": 1e-3}, {"relative": 0.01}])
def test_worst_speed_is_found_as_on_a_hundred_times_finer_grid(name, limits):
    requirement = Requirement(speeds=(1e-3, 0.5), **limits)
    speeds = np.geomspace(1e-3, 0.5, 5000)
    dense = (encsim.ripple(AXES[name], speeds).rms / requirement.limit_at(speeds)).max()
    judged = requirement.judge(AXES[name]).limit(*limits).share
    # found within 2e-3 here; the finer grid itself misses some 1e-3 of a crest
    assert judged >= 0.99 * dense
    assert judged <= 1.01 * dense + 1e-12


@pytest.mark.parametrize("curve", ["torque", "actual", "measured"])
def test_worst_speed_of_a_closed_loop_is_found_as_on_a_finer_grid(curve):
    speeds = np.geomspace(1e-3, 0.5, 1500)
    dense = getattr(encsim.smoothness(LOOP, speeds), curve).max()
    judged = Requirement(speeds=(1e-3, 0.5), **{curve: 1.0}).judge(LOOP)
    # of this loop all crests are broad
    assert judged.limit(curve).value >= 0.995 * dense
    assert judged.basis == "smoothness"


@pytest.mark.parametrize("share", [1.0, 1.0 - 1e-6])
def test_ripple_that_equals_its_limit_meets_it_and_a_millionth_more_does_not(share):
    found = Requirement(speeds=(0.01, 0.01), measured=1.0).judge(STAGE).limit("measured")
    judged = Requirement(speeds=(0.01, 0.01), measured=share * found.value).judge(STAGE)
    assert judged.met == (share == 1.0)


@pytest.mark.parametrize(
    ("axis", "limits"),
    [
        (changed(estimator=Difference(16)), {"delay": 0.5e-3}),
        (changed(sampling=Sampling(16e3, latency=20e-6)), {"delay": 51.25e-6}),
        (changed(signal=Signal(bandwidth=50e3)), {"top_speed": 1.0}),
    ],
)
def test_steady_limit_that_is_met_exactly_is_met(axis, limits):
    judged = Requirement(speeds=(0.01, 0.1), **limits).judge(axis)
    assert judged.met
    # rounding alone keeps the share from being 1
    assert judged.limit(*limits).share == pytest.approx(1.0, abs=1e-9)


def test_phase_margin_is_that_of_the_loop():
    margin = encsim.margins(LOOP).phase_margin
    assert Requirement(speeds=(0.01, 0.1), phase_margin=margin).judge(LOOP).met
    assert not Requirement(speeds=(0.01, 0.1), phase_margin=margin + 0.01).judge(LOOP).met


def test_unstable_loop_meets_neither_margin_nor_ripple():
    wild = Axis(LOOP.scale, sampling=LOOP.sampling, load=LOOP.load, control=Control(60.0, 1e6))
    judged = Requirement(speeds=(0.01, 0.1), phase_margin=1.0, measured=1.0).judge(wild)
    assert [each.share for each in judged.limits if each.name != "top_speed"] == [math.inf, math.inf]
    assert not judged.valid


def test_axis_that_cannot_run_at_the_highest_speed_fails():
    slow = changed(interpolation=Interpolation(factor=4000, output="ab", edge_separation=1e-6))
    judged = Requirement(speeds=(0.001, 0.01), measured=1.0).judge(slow)
    assert (judged.met, judged.binding) == (False, "top_speed")
    assert judged.limit("top_speed").limit == 0.01


def test_relative_limit_names_the_ripple_that_is_allowed_there():
    found = Requirement(speeds=(1e-3, 0.1), relative=0.01, floor=5e-5).judge(STAGE).limit("relative")
    assert found.limit == max(0.01 * found.speed, 5e-5)
    assert found.share == found.value / found.limit
    assert found.cause in ("sde", "resolution")


def test_range_from_standstill_is_judged_there_too():
    judged = Requirement(speeds=(0.0, 0.1), measured=1.0).judge(changed(signal=Signal(jitter=1e-9)))
    assert judged.limit("measured").value > 0.0


@pytest.mark.parametrize("name", ["torque", "actual", "phase_margin"])
def test_limit_of_a_closed_loop_is_refused_for_an_axis_without_one(name):
    with pytest.raises(
        InputError, match=f"Requirement.{name} must be left out for an axis without load and control"
    ):
        Requirement(speeds=(0.01, 0.1), **{name: 1.0}).judge(STAGE)


EDGES = Axis(
    LOOP.scale,
    signal=LOOP.signal,
    sampling=LOOP.sampling,
    interpolation=Interpolation(factor=4000),
    estimator=CountAndTime(50e6, 1e-3),
    load=LOOP.load,
    control=LOOP.control,
)


def test_phase_margin_with_timed_edges_is_that_of_the_worst_speed():
    found = Requirement(speeds=(2e-5, 0.1), phase_margin=30.0).judge(EDGES).limit("phase_margin")
    assert found.speed == 2e-5
    assert found.value == encsim.margins(EDGES, speed=2e-5).phase_margin
    assert found.value < encsim.margins(EDGES, speed=0.1).phase_margin - 2.0


@pytest.mark.parametrize("low", [0.0, 1e-9, 1e-6])
def test_timed_edges_too_slow_for_a_stable_loop_meet_neither_margin_nor_ripple(low):
    judged = Requirement(speeds=(low, 0.1), phase_margin=1.0, torque=100.0).judge(EDGES)
    assert [(each.met, each.speed) for each in judged.limits if each.name != "top_speed"] == [
        (False, low)
    ] * 2
    assert any("unstable" in reason for reason in judged.reasons)


def test_worst_speed_of_a_loop_with_timed_edges_is_found_as_on_a_finer_grid():
    judged = Requirement(speeds=(1e-4, 0.05), torque=1.0, actual=1.0, measured=1.0).judge(EDGES)
    dense = encsim.smoothness(EDGES, np.geomspace(1e-4, 0.05, 600))
    for curve in ("torque", "actual", "measured"):
        # the finer grid itself misses less than 1e-3 of a crest
        assert judged.limit(curve).value >= 0.999 * getattr(dense, curve).max()
    assert judged.basis == "smoothness"


def test_candidates_with_timed_edges_are_chosen_by_their_loop():
    tried = [CountAndTime(50e6, window) for window in (1e-3, 6e-3)] + [LowPass(800.0)]
    requirement = Requirement(speeds=(1e-3, 1e-3), torque=0.5, phase_margin=45.0)
    for row in encsim.choose(EDGES, requirement, {"estimator": tried}).rows:
        axis = changes.apply(EDGES, row.changes)
        assert row.met == requirement.judge(axis).met == (row.changes["estimator"] != tried[1])


@pytest.mark.parametrize("points", [1, 2.5, 10**6])
def test_number_of_points_is_checked(points):
    with pytest.raises(InputError, match=r"judge.points must be a whole number from 2 to 100000"):
        Requirement(speeds=(0.01, 0.1), measured=1.0).judge(STAGE, points)


def test_judgement_is_plain_for_json():
    plain = Requirement(speeds=(1e-3, 0.1), relative=0.01).judge(STAGE).to_dict()
    assert plain["limits"][0]["name"] == "relative"
    assert plain["requirement"]["speeds"] == [1e-3, 0.1]
    assert plain["units"]["relative"] == "m/s"


TEXT = """[requirement]
speeds = ["1 mm/s", "100 mm/s"]
relative = 0.01
floor = "50 um/s"
torque = "1 N"
phase_margin = "60 deg"
delay = "1 ms"
top_speed = "1 m/s"
"""
READ = Requirement(
    speeds=(1e-3, 0.1), relative=0.01, floor=50e-6, torque=1.0, phase_margin=60.0, delay=1e-3, top_speed=1.0
)


def test_file_is_read_with_its_units(tmp_path):
    (tmp_path / "r.toml").write_text(TEXT)
    assert requirements.load(tmp_path / "r.toml") == READ


def test_requirement_is_read_beside_an_axis():
    assert requirements.loads(STAGE.to_toml() + TEXT, axis=STAGE) == READ


def test_rotary_speeds_are_told_from_linear_ones_without_an_axis():
    text = (
        TEXT.replace("mm/s", "rpm")
        .replace("um/s", "urad/s")
        .replace(" m/s", " rad/s")
        .replace("1 N", "1 N m")
    )
    assert requirements.loads(text.replace("1 rad/s", "200 rpm")).speeds == pytest.approx(
        (math.pi / 30, math.pi / 0.3)
    )


def test_setting_takes_the_place_of_a_value():
    assert requirements.loads(TEXT, settings=["requirement.relative=0.02", "signal.gain=0"]).relative == 0.02


@pytest.mark.parametrize(
    ("right", "wrong", "complaint"),
    [
        ('["1 mm/s", "100 mm/s"]', '["100 mm/s", "1 mm/s"]', "line 2: requirement.speeds must rise"),
        ('["1 mm/s", "100 mm/s"]', '"1 mm/s"', "line 2: requirement.speeds must be two speeds"),
        ('["1 mm/s", "100 mm/s"]', '["1 mm/s", "100 rpm"]', "line 2: .*unit of"),
        ('speeds = ["1 mm/s", "100 mm/s"]', "", "line 1: requirement.speeds must be two finite speeds"),
        ("0.01", '"1 %"', 'line 3: requirement.relative must be a number, got "1 %"; write 0.01'),
        ("relative", "relatif", "line 3: requirement.relatif.*did you mean requirement.relative"),
        ("60 deg", "60 Hz", "line 6: requirement.phase_margin must have a unit of angle"),
        ('"1 m/s"', '"50 mm/s"', "line 8: requirement.top_speed must be at least the highest of speeds, 0.1"),
        ("50 um/s", "-50 um/s", 'line 4: requirement.floor must be positive and finite, got "-50 um/s"'),
    ],
)
def test_fault_of_a_file_is_placed_by_its_line(right, wrong, complaint):
    with pytest.raises(InputError, match=complaint):
        requirements.loads(TEXT.replace(right, wrong))


def test_file_without_a_requirement_is_refused():
    with pytest.raises(InputError, match=r"x.toml: \[requirement\] must be given, got nothing; as in"):
        requirements.loads(STAGE.to_toml(), "x.toml")
