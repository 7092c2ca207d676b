"""Causes of ripple: a cause that is only registered is computed and told everywhere."""

import re
from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim.closed_loop.closed_loop_ripple import smoothness
from encsim.decisions.explanation import explain
from encsim.decisions.fast_ripple import screened_ripple
from encsim.figures import remedies
from encsim.open_loop import causes
from encsim.open_loop.causes import CAUSES, GROUPS, RippleCause

SIZE = 30e-9
STAGE = encsim.Axis(
    encsim.Scale(period=20e-6),
    signal=encsim.Signal(gain=0.02, jitter=1e-9),
    interpolation=encsim.Interpolation(factor=400),
    sampling=encsim.Sampling(16e3),
)
CLOSED = replace(
    STAGE,
    load=encsim.Load(inertia=5.0),
    control=encsim.Control(position_gain=100.0, velocity_gain=3000.0, integral_time=0.01),
)


@pytest.fixture
def hum(monkeypatch):
    """A made-up cause that exists in this test only: the readhead hums, by 30 nm rms at every speed."""
    cause = RippleCause(
        key="hum",
        term="readhead vibration",
        note="the humming readhead (hum)",
        plain="the hum of the readhead",
        label="Readhead hums",
        group="noise",
        size=lambda axis: "30 nm rms",
        detail=lambda axis, speed: "The readhead hums by 30 nm rms.",
        mean_square=lambda axis, speed: np.full(speed.shape, SIZE**2),
    )
    monkeypatch.setitem(CAUSES, "hum", cause)
    return cause


def test_every_cause_has_all_words_and_a_known_group():
    for key, cause in CAUSES.items():
        assert key == cause.key
        assert all((cause.term, cause.note, cause.plain, cause.label))
        assert cause.group in GROUPS


def test_added_cause_makes_white_noise_through_the_estimator(hum):
    curve = encsim.ripple(STAGE, [1e-3, 1e-2])
    # a first difference of white noise of rms s has the rms sqrt(2) s rate
    np.testing.assert_allclose(curve.parts["hum"], np.sqrt(2.0) * SIZE * 16e3, rtol=1e-9)
    squares = sum(part**2 for part in curve.parts.values())
    np.testing.assert_allclose(squares, curve.rms**2, rtol=1e-12)
    assert list(curve.parts)[-1] == "hum"


def test_added_cause_leaves_the_other_parts_alone(hum, monkeypatch):
    with_hum = encsim.ripple(STAGE, [1e-3, 1e-2])
    monkeypatch.delitem(CAUSES, "hum")
    without = encsim.ripple(STAGE, [1e-3, 1e-2])
    assert with_hum.parts.keys() == without.parts.keys() | {"hum"}
    for cause, part in without.parts.items():
        np.testing.assert_array_equal(with_hum.parts[cause], part)
    assert (with_hum.peak > without.peak).all()


def test_added_cause_passes_through_any_linear_estimator_as_its_noise_gain(hum):
    for estimator in (encsim.LeastSquares(12), encsim.LowPass(300.0), encsim.Tracking(50.0)):
        part = encsim.ripple(replace(STAGE, estimator=estimator), [1e-2]).parts["hum"]
        assert part[0] == pytest.approx(SIZE * estimator.noise_gain(16e3), rel=1e-6)


@pytest.mark.parametrize(
    "axis",
    [
        CLOSED,
        replace(CLOSED, interpolation=encsim.Interpolation(factor=400), estimator=encsim.PeriodTiming(50e6)),
    ],
    ids=["samples", "timed edges"],
)
def test_added_cause_in_a_closed_loop_is_as_jitter_of_its_size(hum, axis):
    jitter = replace(axis, signal=encsim.Signal(gain=0.02, jitter=SIZE))
    found = smoothness(jitter, [2e-3])
    for curve in ("measured", "torque", "actual"):
        parts = found.parts[curve]
        # jitter has besides what it scatters of the cyclic error
        assert parts["hum"][0] == pytest.approx(parts["jitter"][0], rel=0.02)
        assert sum(part[0] ** 2 for part in parts.values()) == pytest.approx(
            getattr(found, curve)[0] ** 2, rel=1e-9
        )


def test_timed_edges_take_an_added_cause_as_jitter(hum):
    timed = replace(STAGE, signal=encsim.Signal(jitter=SIZE, gain=0.02), estimator=encsim.PeriodTiming(50e6))
    parts = encsim.ripple(timed, [1e-3]).parts
    assert parts["hum"][0] == pytest.approx(parts["jitter"][0], rel=1e-9)


def test_screening_of_candidates_has_it_too(hum):
    _, parts, _ = screened_ripple(STAGE, np.array([1e-3]))
    assert parts["measured"]["hum"][0] == pytest.approx(np.sqrt(2.0) * SIZE * 16e3, rel=1e-9)


def test_gains_are_tuned_for_it(hum, monkeypatch):
    with_hum = encsim.tune(CLOSED, torque_ripple=0.3, speed=2e-3)
    monkeypatch.delitem(CAUSES, "hum")
    assert with_hum.velocity_gain < encsim.tune(CLOSED, torque_ripple=0.3, speed=2e-3).velocity_gain


def test_text_report_tells_it(hum, tmp_path, capsys):
    from encsim.cli.main import main

    path = tmp_path / "axis.toml"
    path.write_text(STAGE.to_toml())
    assert main(["ripple", str(path), "--speeds", "1 mm/s, 2 mm/s"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert " % from readhead vibration" in text
    assert re.search(r"readhead vibration [0-9]+ %", text)


def test_explanation_tells_it_in_words_and_picture(hum):
    explained = explain(STAGE, 2e-3)
    assert explained.causes[0].cause == "hum"
    assert "The hum of the readhead makes" in explained.text
    assert "The readhead hums by 30 nm rms." in explained.text
    figure = remedies.remedies(explained).figure
    texts = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "Readhead hums" in texts
    assert "30 nm rms" in texts


def test_page_tells_it(hum, tmp_path):
    plain = replace(STAGE, interpolation=encsim.Interpolation())
    path = encsim.report(plain, tmp_path / "page.html", speeds=[1e-3, 2e-3, 5e-3])
    assert "The hum of the readhead" in path.read_text()


def test_a_cause_that_an_axis_does_not_have_is_left_out(monkeypatch):
    absent = replace(CAUSES["jitter"], key="absent", mean_square=lambda axis, speed: None)
    monkeypatch.setitem(CAUSES, "absent", absent)
    assert "absent" not in encsim.ripple(STAGE, [1e-3]).parts


def test_groups_hold_the_causes_in_their_order():
    assert causes.of_group("noise") == ("jitter", "noise", "clock")
    assert causes.of_group("resolution") == ("adc", "resolution")
    assert causes.of_group("cyclic") == ("sde", "ring")
    assert causes.of_group("asynchronous") == ("age",)
