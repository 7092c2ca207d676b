"""The description of an axis: derived values, copies, and every refusal."""

import copy
import dataclasses
import math
import pickle

import numpy as np
import pytest

import encsim
from encsim import Axis, Difference, InputError, Interpolation, Sampling, Scale, Signal
from encsim.checks import Orders
from encsim.model.axis import OPTIONAL_PARTS, PARTS

STAGE = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, -0.005), harmonics={5: 0.001, 3: 0.002}, sde={2: (20e-9, 0.3), 1: 40e-9}),
    interpolation=Interpolation(factor=4000),
    sampling=Sampling(16e3),
)


@pytest.mark.parametrize(
    ("scale", "pitch", "unit", "lines"),
    [
        (Scale(period=20e-6), 20e-6, "m", None),
        (Scale(period=4), 4.0, "m", None),
        (Scale(lines=9000), 2.0 * math.pi / 9000, "rad", 9000),
        (Scale(lines=1, diameter=0.1), 2.0 * math.pi, "rad", 1),
        (Scale(period=20e-6, diameter=0.1), 2.0 * math.pi / 15708, "rad", 15708),
        (Scale(period=20e-6, diameter=0.1, lines=15708), 2.0 * math.pi / 15708, "rad", 15708),
    ],
)
def test_a_scale_knows_its_pitch_in_the_position_unit(scale, pitch, unit, lines):
    assert (scale.pitch, scale.unit, scale.lines) == (pitch, unit, lines)


def test_one_count_is_the_pitch_over_the_factor_and_zero_without_rounding():
    assert STAGE.resolution == 20e-6 / 4000
    assert dataclasses.replace(STAGE, interpolation=Interpolation()).resolution == 0.0


def test_defaults_are_ideal():
    axis = Axis(Scale(lines=100), sampling=Sampling(1e3))
    assert axis == Axis(Scale(lines=100), signal=Signal(), interpolation=Interpolation(), sampling=Sampling(rate=1e3),
                        estimator=Difference(1))  # fmt: skip
    assert axis.signal.harmonics == axis.signal.sde == {}


def test_orders_ascend_and_given_errors_are_amplitude_and_phase():
    assert list(STAGE.signal.harmonics) == [3, 5]
    assert list(STAGE.signal.sde.items()) == [(1, (40e-9, 0.0)), (2, (20e-9, 0.3))]


def test_mappings_are_copied_and_read_only():
    given = {3: 0.002}
    signal = Signal(harmonics=given)
    given[3] = 0.5
    assert signal.harmonics == {3: 0.002}
    with pytest.raises(TypeError, match="does not support item assignment"):
        signal.harmonics[3] = 0.1


@pytest.mark.parametrize("copied", [copy.copy, copy.deepcopy, lambda axis: pickle.loads(pickle.dumps(axis))])
def test_copies_are_equal_and_hash_alike(copied):
    other = copied(STAGE)
    assert other == STAGE
    assert hash(other) == hash(STAGE)
    assert repr(other) == repr(STAGE)


def test_a_variant_is_a_replaced_field():
    faster = dataclasses.replace(STAGE, sampling=dataclasses.replace(STAGE.sampling, rate=32e3))
    assert faster.sampling.rate == 32e3
    assert faster != STAGE


def test_a_ring_of_another_period_is_counted_anew_with_lines_none():
    ring = Scale(period=20e-6, diameter=0.1)
    assert dataclasses.replace(ring, period=40e-6, lines=None).lines == 7854
    with pytest.raises(InputError, match=r"left out or 7854 .* got 15708; lines=None counts them anew"):
        dataclasses.replace(ring, period=40e-6)


def test_numpy_numbers_become_plain_ones():
    signal = Signal(
        gain=np.float32(0.5), offset=(np.float64(0.1), np.int64(0)), harmonics={np.int64(3): np.float64(0.1)}
    )
    values = [signal.gain, *signal.offset, *signal.harmonics.values()]
    assert {type(value) for value in values} == {float}
    assert [type(order) for order in signal.harmonics] == [int]


def test_every_part_is_frozen():
    for name in PARTS.keys() - set(OPTIONAL_PARTS):
        part = getattr(STAGE, name)
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign"):
            setattr(part, dataclasses.fields(part)[0].name, 1)


# An offset on the ellipse of a channel pair with gain g and phase f is (cos t, (1 + g) sin(t + f)).
@pytest.mark.parametrize("t", np.linspace(0.0, 6.0, 7).tolist())
@pytest.mark.parametrize("phase", [-1.2, 0.0, 0.7])
def test_an_offset_is_refused_from_the_ellipse_on(t, phase):
    on = np.array([math.cos(t), 1.5 * math.sin(t + phase)])
    assert Signal(gain=0.5, phase=phase, offset=tuple(0.999 * on))
    with pytest.raises(InputError, match=r"Signal\.offset must be smaller than the signal, amplitude 1"):
        Signal(gain=0.5, phase=phase, offset=tuple(1.001 * on))


BAD = [
    (Scale, {}, "Scale.period must be given where lines is not, got None"),
    (Scale, {"period": -1}, "Scale.period must be positive and finite, got -1 m"),
    (Scale, {"period": 0.0}, "Scale.period must be positive and finite, got 0.0 m"),
    (Scale, {"period": math.nan}, "Scale.period must be positive and finite, got nan m"),
    (Scale, {"period": True}, "Scale.period must be positive and finite, got True"),
    (Scale, {"period": "20 um"}, 'Scale.period must be positive and finite, got "20 um"'),
    (Scale, {"period": [1]}, "Scale.period must be positive and finite, got [1]"),
    (Scale, {"period": 1e300}, "Scale.period must lie from 1e-12 to 1e+06, got 1e+300 m"),
    (Scale, {"period": 10**400}, "Scale.period must be positive and finite, got 1000"),
    (Scale, {"lines": 0}, "Scale.lines must be a whole number from 1 to 1099511627776, got 0"),
    (Scale, {"lines": 10.0}, "Scale.lines must be a whole number from 1 to 1099511627776, got 10.0"),
    (Scale, {"lines": True}, "Scale.lines must be a whole number"),
    (Scale, {"lines": 3, "period": 1.0}, "Scale.lines must be left out where period is given"),
    (
        Scale,
        {"period": 1.0, "diameter": 10 / math.pi, "lines": 4},
        "Scale.lines must be left out or 10 where",
    ),
    (
        Scale,
        {"period": 1.0, "diameter": 0.1},
        "Scale.period must fit 1 to 1099511627776 times round pi x diameter",
    ),
    (Scale, {"period": 1e-12, "diameter": 1e6}, "Scale.period must fit 1 to 1099511627776 times"),
    (Scale, {"period": 1.0, "diameter": 1.1}, "Scale.period must fit a whole number of times"),
    (Signal, {"amplitude": 0}, "Signal.amplitude must be positive and finite, got 0"),
    (Signal, {"amplitude": 1e9}, "Signal.amplitude must lie from 0.001 to 1000, got 1000000000.0"),
    (Signal, {"gain": -1}, "Signal.gain must be above -1 and at most 100, got -1"),
    (Signal, {"phase": 1.6}, "Signal.phase must lie within a quarter period, -1.57 to 1.57, got 1.6 rad"),
    (Signal, {"offset": 0.1}, "Signal.offset must be two finite numbers, cosine and sine, got 0.1"),
    (Signal, {"offset": (0.1,)}, "Signal.offset must be two finite numbers"),
    (Signal, {"offset": (0.1, math.inf)}, "Signal.offset must be two finite numbers"),
    (Signal, {"harmonics": [3]}, "Signal.harmonics must be a mapping of order to value, got [3]"),
    (Signal, {"harmonics": {1: 0.1}}, "Signal.harmonics.1 must have a whole order from 2 to 200, got 1"),
    (Signal, {"harmonics": {"3": 0.1}}, 'Signal.harmonics must have a whole order from 2 to 200, got "3"'),
    (Signal, {"harmonics": {True: 0.1}}, "Signal.harmonics must have a whole order from 2 to 200, got True"),
    (Signal, {"harmonics": {10**9: 0.1}}, "Signal.harmonics must have a whole order"),
    (Signal, {"harmonics": {3: 1.0}}, "Signal.harmonics.3 must be a finite number between -1 and 1, got 1.0"),
    (Signal, {"sde": {0: 1e-9}}, "Signal.sde.0 must have a whole order from 1 to 200, got 0"),
    (Signal, {"sde": {1: -1e-9}}, "Signal.sde.1 must be an amplitude of zero or more"),
    (Signal, {"sde": {1: (1e-9, 0.0, 0.0)}}, "Signal.sde.1 must be an amplitude"),
    (Signal, {"jitter": -1e-9}, "Signal.jitter must be zero or more and finite, got -1e-09 m or rad"),
    (Signal, {"jitter_bandwidth": 0}, "Signal.jitter_bandwidth must be positive and finite, got 0 Hz"),
    (Signal, {"noise": math.inf}, "Signal.noise must be zero or more and finite, got inf"),
    (Signal, {"noise": 1e4}, "Signal.noise must lie from 0 to 1000, got 10000.0"),
    (Signal, {"bandwidth": -5}, "Signal.bandwidth must be positive and finite, got -5 Hz"),
    (Signal, {"skew": 1e9}, "Signal.skew must lie from -1000 to 1000, got 1000000000.0 s"),
    (Interpolation, {"factor": 0}, "Interpolation.factor must be a whole number from 1 to 1073741824, got 0"),
    (Interpolation, {"bits": 1}, "Interpolation.bits must be a whole number from 2 to 32, got 1"),
    (Interpolation, {"span": 0}, "Interpolation.span must be positive and finite, got 0"),
    (Interpolation, {"hysteresis": 1}, "Interpolation.hysteresis must be zero without a factor"),
    (Interpolation, {"factor": 4, "hysteresis": -1}, "Interpolation.hysteresis must be zero or more"),
    (Interpolation, {"correction": 1.1}, "Interpolation.correction must lie from 0 to 1, got 1.1"),
    (Interpolation, {"output": "abz"}, 'Interpolation.output must be "position" or "ab", got "abz"'),
    (Interpolation, {"output": np.array(["ab"])}, 'Interpolation.output must be "position" or "ab"'),
    (
        Interpolation,
        {"output": "ab"},
        'Interpolation.factor must be a multiple of 4 with output "ab", got None',
    ),
    (Interpolation, {"output": "ab", "factor": 6}, "Interpolation.factor must be a multiple of 4"),
    (
        Interpolation,
        {"edge_separation": 1e-9},
        'Interpolation.edge_separation must be zero unless output is "ab"',
    ),
    (Interpolation, {"edge_clock": 1e6}, 'Interpolation.edge_clock must be left out unless output is "ab"'),
    (Sampling, {"rate": 0}, "Sampling.rate must be positive and finite, got 0 Hz"),
    (Sampling, {"rate": None}, "Sampling.rate must be positive and finite, got None"),
    (Sampling, {"rate": 1, "jitter": -1}, "Sampling.jitter must be zero or more and finite, got -1 s"),
    (Sampling, {"rate": 1, "latency": 1e9}, "Sampling.latency must lie from 0 to 1000"),
    (Sampling, {"rate": 1, "average": 0}, "Sampling.average must be a whole number from 1 to 128, got 0"),
    (
        Sampling,
        {"rate": 1, "encoder_rate": -1},
        "Sampling.encoder_rate must be positive and finite, got -1 Hz",
    ),
    (
        Sampling,
        {"rate": 1, "encoder_phase": 1.0},
        "Sampling.encoder_phase must lie from 0 to 1, 1 left out, got 1.0",
    ),
    (Difference, {"samples": 0}, "Difference.samples must be a whole number from 1 to 1048576, got 0"),
]


@pytest.mark.parametrize(("part", "fields", "complaint"), BAD)
def test_a_wrong_field_is_refused_by_name_value_and_rule(part, fields, complaint):
    with pytest.raises(InputError, match="must") as caught:
        part(**fields)
    assert str(caught.value).startswith(complaint)
    assert len(caught.value.faults) == 1


def test_all_wrong_fields_of_a_part_are_named_at_once():
    with pytest.raises(InputError, match="gain") as caught:
        Signal(gain=-2, noise=-1, harmonics={1: 0.1, 3: 2.0})
    fields = [fault.field for fault in caught.value.faults]
    assert fields == ["Signal.gain", "Signal.noise", "Signal.harmonics.1", "Signal.harmonics.3"]


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"signal": Signal(jitter=10e-6)}, "Axis.signal.jitter must stay below half a signal period, 1e-05 m"),
        ({"signal": Signal(sde={1: 6e-6, 2: 5e-6})}, "Axis.signal.sde must stay below half a signal period in all"),
        ({"scale": 20e-6}, "Axis.scale must be a Scale, got 2e-05"),
        ({"estimator": "difference"}, 'Axis.estimator must be a velocity estimator, such as Difference(), got "diff'),
        ({"interpolation": Interpolation(factor=4, output="ab"), "sampling": Sampling(1e3, encoder_rate=2e3)},
         'Axis.sampling.encoder_rate must be left out with output "ab"'),
    ],
)  # fmt: skip
def test_parts_that_do_not_fit_each_other_are_refused(changes, complaint):
    with pytest.raises(InputError, match="must") as caught:
        dataclasses.replace(STAGE, **changes)
    assert str(caught.value).startswith(complaint)


def test_orders_equal_a_dict_and_show_as_one():
    orders = Orders({5: 1.0, 3: 2.0})
    assert orders == {3: 2.0, 5: 1.0}
    assert repr(orders) == "{3: 2.0, 5: 1.0}"
    assert len(orders) == 2


def test_the_library_offers_the_parts_by_name():
    assert encsim.Axis is Axis
    assert {"Axis", "Scale", "load", "loads", "InputError"} <= set(dir(encsim))
