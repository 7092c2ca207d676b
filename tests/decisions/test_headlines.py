"""The answer about ripple against speed: verdict, range of a large share, threshold; needles and ends do not decide."""

import dataclasses

import numpy as np
import pytest
from stage_x import stage

import encsim
from encsim.decisions import headlines
from encsim.decisions.headlines import Headline, headline
from encsim.open_loop.limits import default_speeds
from encsim.wording import show

SPEED = np.geomspace(1e-5, 1.0, 801)
# Quantisation at the slow end, 1 % of the speed from 1 to 50 mm/s, falling from there on.
PLATEAU = np.sqrt((4e-6) ** 2 + (0.01 * SPEED) ** 2 / (1.0 + (SPEED / 0.05) ** 6))


def said(found):
    return found.words(lambda speed: show(speed, "m/s"), lambda share: f"{100.0 * share:.2g} %")


def spike(speed, centre, width, size):
    """A crest of this full width, a share of the speed."""
    return size * np.exp(-((np.log(speed / centre) / (0.5 * width)) ** 8))


def test_without_a_limit_the_widest_range_of_a_large_share_answers():
    found = headline(SPEED, PLATEAU)
    assert (found.kind, found.needle) == ("range", None)
    (low, high) = found.ranges[0]
    # the plateau, and not the slow end where the share is 40 %
    assert 0.3e-3 < low < 1e-3
    assert 0.04 < high < 0.08
    assert found.shares[1] < 0.02
    assert low < found.speed < high
    assert said(found).startswith("Ripple is 0.")
    assert " of the speed between " in said(found)


@pytest.mark.parametrize("width", [0.01, 0.03])
@pytest.mark.parametrize("limit", [None, 0.02])
def test_a_needle_is_told_and_does_not_decide(width, limit):
    speed = np.unique(np.concatenate([SPEED, 0.0101 * np.exp(np.linspace(-0.1, 0.1, 201))]))
    smooth = np.interp(speed, SPEED, PLATEAU)
    rms = smooth + speed * spike(speed, 0.0101, width, 0.2)
    allowed = None if limit is None else limit * speed
    plain, found = (headline(speed, each, limit=allowed) for each in (smooth, rms))
    if limit is None:
        assert found.needle == pytest.approx((0.0101, 0.21), rel=0.02)
        assert dataclasses.replace(found, needle=None) == plain
        assert said(found).endswith("; 21 % in a narrow peak at 10.1 mm/s")
    else:
        # the slow end is above the limit, the plateau is not
        assert (plain.kind, found.kind) == ("exceeded", "exceeded")
        assert found.ranges == plain.ranges
        assert found.needle is None or found.needle[0] != plain.speed


def test_a_limit_exceeded_in_a_needle_alone_is_exceeded():
    speed = np.unique(np.concatenate([SPEED, 0.0101 * np.exp(np.linspace(-0.1, 0.1, 201))]))
    rms = 0.01 * speed + speed * spike(speed, 0.0101, 0.02, 0.05)
    found = headline(speed, rms, limit=0.03 * speed)
    assert found.kind == "isolated"
    assert found.speed == pytest.approx(0.0101, rel=0.01)
    assert said(found) == "Above the limit only in a narrow peak: worst 2 times the limit at 10.1 mm/s"


def test_a_crest_wider_than_a_needle_decides():
    rms = 0.01 * SPEED + SPEED * spike(SPEED, 0.0101, 0.2, 0.05)
    found = headline(SPEED, rms, limit=0.03 * SPEED)
    assert (found.kind, len(found.ranges)) == ("exceeded", 1)
    assert found.share == pytest.approx(2.0, rel=0.01)
    assert headline(SPEED, rms).ranges[0] == pytest.approx((0.0091, 0.0112), rel=0.03)


@pytest.mark.parametrize(("power", "words"), [(-1.0, "only below 1.00 mm/s"), (1.0, "only above 1.00 mm/s")])
def test_where_the_share_grows_to_an_end_a_threshold_answers(power, words):
    found = headline(SPEED, 0.01 * SPEED * (SPEED / 1e-3) ** power)
    assert found.kind == "threshold"
    assert said(found) == f"Ripple is above 1 % of the speed {words}"


def test_quantisation_alone_gives_a_threshold_that_holds():
    axis = encsim.Axis(
        encsim.Scale(period=20e-6),
        interpolation=encsim.Interpolation(factor=64),
        sampling=encsim.Sampling(16e3),
    )
    curve = encsim.ripple(axis, default_speeds(axis)).refined()
    found = headline(curve.speed, curve.rms, doubtful=curve.doubtful)
    assert (found.kind, found.shares[0]) == ("threshold", 0.01)
    beyond = curve.speed > 1.05 * found.ranges[0][1]
    assert (curve.relative[beyond] <= 0.01).all()


def test_a_limit_is_met_to_the_rounding_and_exceeded_beyond():
    for size, kind in ((1.0 + 1e-12, "met"), (1.0 + 1e-6, "exceeded")):
        assert headline(SPEED, 0.01 * SPEED * size, limit=0.01 * SPEED).kind == kind
    met = headline(SPEED, 0.005 * SPEED, limit=0.01 * SPEED)
    assert said(met).startswith("Within the limit at every speed: at most 50 % of it, at ")


def test_ranges_parted_by_a_sampling_null_are_one():
    axis = stage()
    curve = encsim.ripple(axis, default_speeds(axis)).refined()
    found = headline(
        curve.speed, curve.rms, limit=np.maximum(0.01 * curve.speed, 50e-6), doubtful=curve.doubtful
    )
    assert len(found.ranges) == 1
    assert said(found).startswith("Above the limit from 1.")


@pytest.mark.parametrize(
    ("speeds", "limit", "words"),
    [
        ([0.01], None, "Ripple is 1 % of the speed, at 10.0 mm/s"),
        ([0.01, -0.1, 0.0], None, "Ripple is at most 1 % of the speed, at 10.0 mm/s"),
        ([0.01], 2e-5, "Above the limit at 10.0 mm/s: 5 times the limit"),
        ([0.01, 0.1], 5e-5, "Above the limit at every speed: worst 2 times the limit at 10.0 mm/s"),
        ([0.01, 0.1, 0.2], 1e-3, "Within the limit at every speed: at most 10 % of it, at 10.0 mm/s"),
        ([0.0], None, "No velocity ripple"),
    ],
)
def test_single_speeds_speak_for_themselves(speeds, limit, words):
    rms = np.where(np.abs(speeds) == 0.01, 1e-4, 1e-4 * (np.abs(speeds) > 0.0))
    found = headline(np.array(speeds), rms, limit=None if limit is None else np.full(len(speeds), limit))
    assert said(found) == words
    assert found.place == (0 if "0.0 mm" in words else -1)


def test_what_is_not_reliable_decides_only_alone():
    doubtful = SPEED > 0.02
    rms = np.where(doubtful, 0.3, 0.01) * SPEED
    found = headline(SPEED, rms, limit=0.02 * SPEED, doubtful=doubtful)
    assert (found.kind, found.every) == ("met", False)
    assert "at every speed with a reliable result" in said(found)
    assert headline(SPEED, rms, limit=0.02 * SPEED, doubtful=np.ones_like(doubtful)).kind == "exceeded"
    # nothing is claimed of a wide gap
    gap = (SPEED > 3e-4) & (SPEED < 1e-2)
    assert headline(SPEED, 0.01 * SPEED, doubtful=gap).ranges[0][0] > 9.9e-3


def test_a_requirement_decides_at_its_speeds_alone():
    wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=1e-4, measured=1e-3)
    limit = headlines.allowed(wanted, SPEED)
    assert np.isinf(limit[(SPEED < 0.99e-3) | (SPEED > 0.101)]).all()
    assert limit[np.argmin(np.abs(SPEED - 0.02))] == pytest.approx(4e-4, rel=0.02)
    assert headlines.allowed(None, SPEED) is None
    assert headlines.allowed(encsim.Requirement(speeds=(1e-3, 0.1), delay=1e-3), SPEED) is None
    # the slow end is far above 2 %, but not asked for
    assert headline(SPEED, PLATEAU, limit=limit).kind == "met"
    # no speed in common: there is no verdict
    assert headline(SPEED[:100], PLATEAU[:100], limit=limit[:100]).kind in ("range", "threshold")


def test_random_curves_give_answers_that_hold(cases):
    rng = np.random.default_rng(5)
    for _ in range(cases(40, 2000)):
        low = 10.0 ** rng.uniform(-6.0, -2.0)
        speed = np.geomspace(low, low * 10.0 ** rng.uniform(0.1, 6.0), rng.integers(1, 500))
        knots = np.geomspace(speed[0] / 2.0, 2.0 * speed[-1], 9)
        share = np.exp(np.interp(np.log(speed), np.log(knots), rng.normal(-5.0, 2.0, knots.size)))
        rms = share * speed
        doubtful = rng.random(speed.size) < 0.1
        limit = 10.0 ** rng.uniform(-4.0, -1.0) * speed if rng.random() < 0.5 else None
        found = headline(speed, rms, limit=limit, doubtful=doubtful)
        assert said(found)
        assert isinstance(found, Headline)
        assert found.speed == speed[found.place]
        if limit is not None:
            sound = ~doubtful if not doubtful.all() else ~doubtful | True
            assert (found.kind == "met") == bool((rms[sound] <= limit[sound]).all())
        elif found.kind == "range":
            low, high = found.ranges[0]
            assert low <= found.speed <= high


@pytest.mark.parametrize(("speed", "where"), [(0.005, "this speed"), (0.0, "standstill")])
def test_verdict_without_ripple_names_the_speed_that_was_asked_for(speed, where):
    values = {"measured": 0.0, "torque": None, "actual": None}
    told = headlines.verdict(speed, values, {"measured": 1e-3}, str, str)
    assert told == f"Within the limit at {where}"
