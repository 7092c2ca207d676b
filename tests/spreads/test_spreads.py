"""Distributions around an axis' own values, and the axes drawn from them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from stage_x import SIGNAL, stage

import encsim
from encsim import InputError, Normal, Signal, Triangular, Uniform
from encsim.spreads import description
from encsim.spreads.description import Sampler

STAGE = stage(signal=replace(SIGNAL, harmonics={}, sde={1: (40e-9, 0.3)}))


@pytest.mark.parametrize("first", [0, 7, 499])
def test_sample_is_the_same_wherever_a_batch_begins(first):
    sampler = Sampler(STAGE, {"signal.gain": Normal(0.01), "signal.jitter": Normal(0.5e-9)}, 5)
    every = list(sampler.draw(0, 510))
    assert list(sampler.draw(first, 10)) == every[first : first + 10]


def test_sample_of_one_key_is_the_same_beside_others():
    alone = Sampler(STAGE, {"signal.gain": Normal(0.01)}, 3).values(0, 50)
    beside = Sampler(STAGE, {"signal.phase": Uniform(0.01), "signal.gain": Normal(0.01)}, 3).values(0, 50)
    np.testing.assert_array_equal(alone["signal.gain"], beside["signal.gain"])


@pytest.mark.parametrize(
    ("key", "read"),
    [
        ("signal.gain", lambda axis: axis.signal.gain),
        ("signal.offset.1", lambda axis: axis.signal.offset[1]),
        ("signal.sde.1", lambda axis: axis.signal.sde[1][0]),
        ("signal.sde.1.phase", lambda axis: axis.signal.sde[1][1]),
        ("sampling.rate", lambda axis: axis.sampling.rate),
    ],
)
def test_every_kind_of_key_varies_around_the_own_value_and_nothing_else_does(key, read):
    own = read(STAGE)
    sampler = Sampler(STAGE, {key: Uniform(abs(own) / 10.0)}, 0)
    drawn = [axis for axis, _ in sampler.draw(0, 200)]
    assert abs(np.mean([read(axis) for axis in drawn]) / own - 1.0) < 0.02
    assert all(abs(read(axis) / own - 1.0) <= 0.1 for axis in drawn)
    assert sampler.changed({key: own}) == STAGE


def test_amplitude_and_phase_of_one_line_vary_together():
    spread = {"signal.sde.1": Uniform(10e-9), "signal.sde.1.phase": Uniform(math.pi)}
    lines = np.array([axis.signal.sde[1] for axis, _ in Sampler(STAGE, spread, 0).draw(0, 300)])
    assert (lines.std(axis=0) > [5e-9, 1.6]).all()


def test_temperature_is_shared_by_all_keys_of_an_axis():
    spread = {
        "temperature": Uniform(20.0),
        "signal.gain": Normal(0.0, per_kelvin=1e-3),
        "signal.phase": Normal(0.0, per_kelvin=-2e-4),
    }
    drawn = Sampler(STAGE, spread, 0).values(0, 100)
    np.testing.assert_allclose(drawn["signal.gain"] - 0.02, 1e-3 * drawn["temperature"], atol=1e-15)
    np.testing.assert_allclose(drawn["signal.phase"] - 0.01, -2e-4 * drawn["temperature"], atol=1e-15)


def test_impossible_axes_are_drawn_anew_and_counted():
    sampler = Sampler(STAGE, {"signal.jitter": Normal(0.5e-9)}, 0)
    drawn = list(sampler.draw(0, 2000))
    refused = sum(count for _, count in drawn)
    # One in 6.3 falls below zero; four standard errors of 2378 draws.
    below = 0.15866
    assert refused == pytest.approx(
        2000.0 * below / (1.0 - below), abs=4.0 * math.sqrt(2378 * below * (1 - below))
    )
    assert min(axis.signal.jitter for axis, _ in drawn) >= 0.0


@pytest.mark.parametrize("beside", [{}, {"signal.gain": Normal(0.01)}, {"signal.noise": Normal(0.01)}])
def test_spread_that_makes_mostly_impossible_axes_is_named_with_an_example(beside):
    sampler = Sampler(STAGE, beside | {"signal.jitter": Uniform(1e-3)}, 0)
    expected = r"spread\.signal\.jitter must leave possible axes: [12]\d\d of 200 draws are not.*one says .*jitter must"
    with pytest.raises(InputError, match=expected):
        sampler.look()


def test_two_numbers_that_cannot_fall_below_zero_and_begin_there_are_drawn():
    clean = replace(STAGE, signal=Signal())
    sampler = Sampler(clean, {"signal.jitter": Normal(1e-9), "signal.noise": Normal(0.01)}, 0)
    sampler.look()
    refused = sum(count for _, count in sampler.draw(0, 500))
    # Three of four draws; four standard errors of a geometric count, sqrt(12) each.
    assert refused == pytest.approx(1500, abs=4.0 * math.sqrt(12.0 * 500))


def test_sample_that_stays_impossible_is_given_up():
    cold = replace(STAGE, signal=replace(STAGE.signal, jitter=1e-12))
    with pytest.raises(
        InputError, match=r"spread\.signal\.jitter must leave possible axes: 100 of 100 draws"
    ):
        list(Sampler(cold, {"signal.jitter": Normal(1e-1)}, 0).draw(0, 3))


@pytest.mark.parametrize(
    ("spread", "message"),
    [
        (
            {"signal.gian": Normal(1.0)},
            r"spread\.signal\.gian must be a key of signal.*did you mean signal.gain",
        ),
        ({"signal.sde.2": Normal(1e-9)}, r"spread\.signal\.sde\.2 must have a value in the axis"),
        ({"sampling.encoder_rate": Normal(1.0)}, "encoder_rate must have a value in the axis"),
        ({"interpolation.factor": Normal(2.0)}, "factor must stand for one number that varies continuously"),
        ({"signal.offset": Normal(0.1)}, r"its channels are signal\.offset\.0 and signal\.offset\.1"),
        ({"signal.gain.0.phase": Normal(0.1)}, "must end with an order"),
        ({"signal.offset.0.phase": Normal(0.1)}, "must name the phase of an order that has one"),
        ({"estimator": Normal(0.1)}, "estimator must stand for one number"),
        ({"signal.gain": 0.1}, "must be Normal, Uniform or Triangular, got 0.1"),
        ({"signal.gain": Normal(0.1, per_kelvin=1.0)}, "spread must hold temperature where a key has"),
        ({"temperature": Normal(1.0)}, r"spread\.temperature must act on a key"),
        ({"temperature": Normal(1.0, per_kelvin=1.0)}, "must have no per_kelvin of its own"),
        ({"signal.gain": Normal(0.0)}, "spread must hold a distribution wider than zero"),
        ({}, "spread must be a mapping of 1 to 64 keys"),
        (None, "spread must be a mapping of 1 to 64 keys"),
    ],
)
def test_spread_that_does_not_fit_the_axis_is_refused(spread, message):
    with pytest.raises(InputError, match=message):
        description.check(STAGE, spread)


TEXT = (
    STAGE.to_toml()
    + """
[spread]
signal.gain = {normal = 0.01}
"signal.phase" = {uniform = "10 mrad", per_kelvin = "0.1 mrad"}
signal.sde.1 = {triangular = "10 nm"}
"signal.sde.1.phase" = {uniform = "180 deg"}
signal.jitter = {per_kelvin = "5 pm"}
temperature = {uniform = "15 K"}
"""
)


@pytest.fixture
def read(tmp_path):
    """Read a text as an axis file with a spread, or as one of a spread alone for the stage."""

    def read(text, axis=None):
        path = tmp_path / "x.toml"
        path.write_text(text)
        return encsim.load_spread(path, axis)

    return read


def test_file_gives_the_distributions_in_si(read):
    assert read(TEXT) == {
        "signal.gain": Normal(0.01),
        "signal.phase": Uniform(0.01, per_kelvin=1e-4),
        "signal.sde.1": Triangular(10e-9),
        "signal.sde.1.phase": Uniform(math.pi),
        "signal.jitter": Normal(0.0, per_kelvin=5e-12),
        "temperature": Uniform(15.0),
    }


def test_axis_of_such_a_file_is_read_as_without_it(read):
    assert encsim.loads(TEXT) == STAGE


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            "signal.gain = 0.1",
            r"line 2: spread\.signal\.gain must be a distribution \(normal, uniform, triangular\)",
        ),
        ("signal.gain = {normall = 0.1}", "normall must be normal, uniform, .*did you mean normal"),
        (
            "signal.gain = {}",
            r"spread\.signal\.gain must have one of normal, uniform, triangular, got nothing",
        ),
        ("signal.gain = {normal = 0.1, uniform = 0.1}", "must have one of .*got .normal and uniform."),
        ('signal.gain = {normal = "1 %"}', r"spread\.signal\.gain\.normal must be a number.*write 0.01"),
        ("signal.gain = {normal = -0.1}", r"line 2: spread\.signal\.gain must be zero or more"),
        ('signal.phase = {normal = "3 um"}', r"phase\.normal must have a unit of angle.*unit of length"),
        ("signal.phase = {normal = 0.1}", "must be text with a unit of angle"),
        ('signal.phase = {per_kelvin = "1 s"}', r"phase\.per_kelvin must have a unit of angle"),
        ("temperature = {normal = 3}", "must be text with a unit of temperature difference"),
        ('temperature = {normal = "3 K"}', r"line 2: spread\.temperature must act on a key"),
        ("sinal.gain = {normal = 0.1}", r"sinal\.gain must begin with a section.*did you mean signal"),
        ('signal.sde.1 = {normal = "1 nm"}\n"signal.sde.1" = {normal = "1 nm"}', "must stand there once"),
        ("", r"\[spread\] must be given.*as in"),
    ],
)
def test_fault_of_a_file_names_key_line_and_rule(line, message, read):
    with pytest.raises(InputError, match=message):
        read(f"[spread]\n{line}\n", STAGE)


def test_all_faults_of_a_file_are_told_at_once(read):
    with pytest.raises(InputError) as caught:
        read('[spread]\nsignal.gain = 1\nsignal.phase = {normal = "1 s"}\nx = {normal = 1}\n', STAGE)
    assert [fault.line for fault in caught.value.faults] == [2, 3, 4]
