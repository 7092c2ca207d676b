"""Starter files with a closed loop, A/B output or a serial encoder in use."""

import itertools
import math

import pytest

import encsim
from encsim.formats import axis_file

USES = [
    {"rotary": rotary, "loop": loop, **used}
    for rotary, loop, used in itertools.product(
        (False, True), (False, True), ({}, {"ab": True}, {"serial": True})
    )
]


@pytest.mark.parametrize("used", USES, ids=str)
def test_every_starter_loads_and_has_what_was_asked_for(used):
    axis = encsim.loads(axis_file.starter(**used))
    assert axis.scale.unit == ("rad" if used["rotary"] else "m")
    assert (axis.load is not None) == (axis.control is not None) == used["loop"]
    assert (axis.interpolation.output == "ab") == used.get("ab", False)
    assert (axis.sampling.encoder_rate is not None) == used.get("serial", False)


@pytest.mark.parametrize("used", [used for used in USES if used["loop"]], ids=str)
def test_loop_of_a_starter_is_stable_with_margins_that_tuners_ask_for(used):
    margins = encsim.margins(encsim.loads(axis_file.starter(**used)))
    assert margins.stable
    assert margins.phase_margin > 45.0


@pytest.mark.parametrize("used", USES, ids=str)
def test_cautions_stand_before_a_loop_and_comments_stay(used):
    text = axis_file.starter(**used)
    plain = axis_file.starter(used["rotary"])
    head = " ".join(text.rpartition("[load]")[0].split())
    for words in ("starting points", "injure", "documentation", "local codes", "qualified"):
        assert words in head
    assert "invented" in head
    assert len(text.splitlines()) == len(plain.splitlines())
    comments = [line.rpartition("# ")[2] for line in plain.splitlines() if "  # " in line]
    assert [comment for comment in comments if comment not in text] == []


@pytest.mark.parametrize(("rotary", "top"), [(False, 1.0), (True, 3000 * math.pi / 30)])
def test_edges_of_the_a_b_starter_reach_about_the_speed_of_its_title(rotary, top):
    axis = encsim.loads(axis_file.starter(rotary, ab=True))
    # the signal faults crowd the edges by some per cent
    assert encsim.top_speed(axis).speed == pytest.approx(top, rel=0.1)
