"""Values of an axis changed by their names."""

import pytest

from encsim import Axis, Difference, InputError, Interpolation, LowPass, Sampling, Scale, Signal
from encsim.formats import changes

AXIS = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, 0.0), sde={1: (40e-9, 0.5)}, harmonics={3: 0.002}),
    interpolation=Interpolation(factor=400),
    sampling=Sampling(16e3),
)
TABLE = Axis(Scale(period=20e-6, diameter=0.1), sampling=Sampling(16e3))


@pytest.mark.parametrize(
    ("path", "new"),
    [
        ("sampling.rate", 8e3),
        ("interpolation.factor", 4000),
        ("interpolation.factor", None),
        ("signal.offset", (0.0, 0.02)),
        ("signal.harmonics.3", 0.001),
        ("signal.harmonics.5", 0.001),
        ("estimator", LowPass(300.0)),
        ("estimator.samples", 4),
    ],
)
def test_changed_value_is_there(path, new):
    changed = changes.apply(AXIS, {path: new})
    assert changes.value(changed, path) == new
    assert changes.apply(changed, {path: changes.value(AXIS, path)}) == AXIS


def test_amplitude_alone_keeps_the_phase_of_a_line():
    assert changes.apply(AXIS, {"signal.sde.1": 10e-9}).signal.sde[1] == (10e-9, 0.5)


def test_none_leaves_an_order_out():
    assert dict(changes.apply(AXIS, {"signal.sde.1": None}).signal.sde) == {}


def test_one_channel_of_the_offset_changes_alone():
    assert changes.apply(AXIS, {"signal.offset.1": -0.02}).signal.offset == (0.01, -0.02)


def test_values_of_one_section_are_changed_together():
    changed = changes.apply(AXIS, {"interpolation.output": "ab", "interpolation.edge_separation": 1e-7})
    assert changed.interpolation.output == "ab"


def test_field_of_a_section_that_changes_too_is_that_of_the_new_one():
    changed = changes.apply(AXIS, {"signal": Signal(gain=0.02), "signal.phase": 0.01})
    assert (changed.signal.gain, changed.signal.phase) == (0.02, 0.01)


@pytest.mark.parametrize(
    ("axis", "path", "raw", "si"),
    [
        (AXIS, "sampling.rate", "8 kHz", 8e3),
        (AXIS, "signal.jitter", "2 nm", 2e-9),
        (TABLE, "signal.jitter", "50 nm", pytest.approx(1e-6, rel=1e-15)),
        (AXIS, "signal.sde.1", ["40 nm", "0.5 rad"], (40e-9, 0.5)),
        (AXIS, "interpolation.factor", 400, 400),
        (AXIS, "estimator", "low-pass 300 Hz order=2", LowPass(300.0, order=2)),
        (AXIS, "estimator", "difference", Difference()),
    ],
)
def test_text_is_read_with_the_unit_of_its_field(axis, path, raw, si):
    assert changes.read(axis, path, raw) == si


@pytest.mark.parametrize("path", ["sampling.rate", "interpolation.factor", "estimator", "signal.jitter"])
def test_written_value_reads_back(path):
    value = changes.value(AXIS, path)
    text = changes.write(AXIS, path, value)
    raw = int(text) if path.endswith("factor") else text
    assert changes.read(AXIS, path, raw) == value


@pytest.mark.parametrize(
    ("path", "rule"),
    [
        (
            "sampling.rat",
            r"change must be a key of sampling, got \"sampling.rat\"; did you mean sampling.rate",
        ),
        ("samplin.rate", "begin with a section of the axis.*did you mean sampling"),
        ("load.inertia", "load.inertia must belong to a section that the axis has"),
        ("signal.offset.2", "end with an order, or 0 or 1"),
        ("signal.gain.1", "end with an order, or 0 or 1"),
        ("signal.sde.one", "end with an order"),
    ],
)
def test_unknown_place_is_refused(path, rule):
    with pytest.raises(InputError, match=rule):
        changes.apply(AXIS, {path: 1})


def test_impossible_change_is_refused_as_the_axis_itself_would():
    with pytest.raises(InputError, match="factor must be a whole number"):
        changes.apply(AXIS, {"interpolation.factor": 0})
