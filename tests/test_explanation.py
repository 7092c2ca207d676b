"""Why an axis runs roughly at a speed: shares, sentences, remedies computed from scratch."""

import math

import pytest

import encsim
from encsim import changes
from encsim.axis import Axis, Interpolation, Sampling, Scale, Signal

STAGE = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9),
    interpolation=Interpolation(factor=4000),
    sampling=Sampling(16e3),
)
LOUD = changes.apply(STAGE, {"signal.jitter": 20e-9})


@pytest.fixture(scope="module")
def stage():
    return encsim.explain(STAGE, 5e-3)


def test_shares_of_causes_add_up_to_one(stage):
    assert math.isclose(sum(cause.share for cause in stage.causes), 1.0, rel_tol=1e-12)


def test_causes_are_those_of_ripple_with_the_same_values(stage):
    parts = encsim.ripple(STAGE, [5e-3]).parts
    assert {one.cause: one.measured for one in stage.causes} == {name: row[0] for name, row in parts.items()}


def test_every_remedy_is_the_ripple_of_the_changed_axis(stage):
    for one in stage.remedies:
        speed = one.change.get("speed", 5e-3)
        changed = STAGE if "speed" in one.change else changes.apply(STAGE, one.change)
        assert one.after["measured"] == encsim.ripple(changed, [speed]).rms[0], one.name
