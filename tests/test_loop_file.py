"""The tables of a closed loop in axis files."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import encsim
from encsim import Axis, Control, InputError, Load, Notch, Sampling, Scale, axis_file, units

LOOP = """
[scale]
period = "20 um"
[sampling]
rate = "16 kHz"
[load]
inertia = "5 kg"
viscous = "12 N s/m"
cogging = {30 = "0.5 N", "31.25" = ["0.2 N", "10 deg"]}
[control]
position_gain = "60 1/s"
velocity_gain = "2 kN s/m"
notch = [{frequency = "600 Hz", depth = 0.1}, {order = 2.0}]
"""


def uncommented(rotary):
    """The starter with the tables of its closed loop in use."""
    head, _, tables = axis_file.starter(rotary).partition("# [load]")
    return head + "[load]" + "\n".join(line.removeprefix("# ").lstrip("#") for line in tables.split("\n"))


@pytest.mark.parametrize("rotary", [False, True])
def test_starter_with_its_loop_in_use_makes_a_stable_loop(rotary):
    axis = encsim.loads(uncommented(rotary))
    assert axis.load.flexible
    assert encsim.margins(axis).stable
    assert encsim.loads(axis.to_toml()) == axis
    rigid = replace(axis, load=replace(axis.load, stiffness=None, damping=0.0))
    assert 40.0 < encsim.margins(rigid).crossover < 120.0


def test_loop_tables_are_read_in_si():
    axis = encsim.loads(LOOP)
    assert (axis.load.inertia, axis.load.viscous) == (5.0, 12.0)
    assert axis.load.cogging == {30: (0.5, 0.0), 31.25: (0.2, units.parse("10 deg", "angle"))}
    assert axis.control == Control(60.0, 2000.0, notch=(Notch(600.0, depth=0.1), Notch(order=2.0)))


FAULTS = [
    ('inertia = "5 kg"', 'inertia = "5 kg m2"', r"line 7: load\.inertia must have a unit of mass"),
    ('inertia = "5 kg"', 'inertia = "-5 kg"', r"line 7: load\.inertia must be positive"),
    ('inertia = "5 kg"', 'inertia = "0 kg"', r"line 7: load\.inertia must be positive"),
    ('inertia = "5 kg"\n', "", r"line 6: load\.inertia must be given"),
    ("viscous", "vicsous", r"did you mean load\.viscous\?"),
    ('"31.25"', '"a"', r"load\.cogging\.a must have a whole number as its order"),
    ("depth", "dpeth", r"line 13: control\.notch\[0\]\.dpeth must be a key of a notch.*did you mean depth"),
    ("order = 2.0", "order = -2.0", r"control\.notch\[1\]\.order must"),
    ("order = 2.0", "", r"control\.notch\[1\]\.frequency must be given, or else order"),
    ('"60 1/s"', "60", r"control\.position_gain must be text with a unit"),
    (
        'notch = [{frequency = "600 Hz", depth = 0.1}, {order = 2.0}]',
        "notch = 3",
        r"control\.notch must be a list",
    ),
    ('notch = [{frequency = "600 Hz", depth = 0.1}, {order = 2.0}]', 'delay = "2 s"', r"control\.delay must"),
]


@pytest.mark.parametrize(("right", "wrong", "complaint"), FAULTS)
def test_faults_name_table_key_line_and_rule(right, wrong, complaint):
    with pytest.raises(InputError, match=complaint):
        encsim.loads(LOOP.replace(right, wrong))


def test_settings_reach_the_loop_also_where_the_file_has_none():
    axis = axis_file.loads_with(LOOP, ["control.velocity_gain=3 kN s/m", "load.viscous=none"])
    assert (axis.control.velocity_gain, axis.load.viscous) == (3000.0, 0.0)
    bare = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n'
    assert axis_file.loads_with(bare, ["load.inertia=4 kg"]).load.inertia == 4.0


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("0.02 kg m2", "inertia(rad)", 0.02),
        ("12 kg cm²", "inertia(rad)", 12e-4),
        ("3 N·m", "torque(rad)", 3.0),
        ("250 N cm", "torque(rad)", 2.5),
        ("40 N/um", "stiffness(m)", 40e6),
        ("2 kN s/m", "torque per speed(m)", 2000.0),
        ("1 N m/rpm", "torque per speed(rad)", 9.54929658551372),
        ("1 N m/deg", "stiffness(rad)", 57.29577951308232),
        ("900 mN m/A", "torque per current(rad)", 0.9),
    ],
)
def test_units_of_a_loop_are_rounded_once(text, dimension, value):
    assert units.parse(text, dimension) == value


positive = st.floats(1e-3, 1e6)
amplitudes = st.tuples(positive, st.floats(-3, 3))
loads = st.builds(
    Load, positive, viscous=positive, coulomb=positive, torque_constant=st.none() | positive,
    cogging=st.dictionaries(st.integers(1, 99) | st.floats(0.5, 99.0), amplitudes, max_size=3),
)  # fmt: skip
notches = st.builds(Notch, st.floats(1.0, 1e3), damping=st.floats(0.01, 1.0), depth=st.floats(0.0, 1.0))
controls = st.builds(
    Control, positive, positive, integral_time=st.none() | positive, delay=st.floats(0.0, 1.0),
    notch=st.lists(notches, max_size=3).map(tuple),
)  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(load=loads, control=controls, rotary=st.booleans())
def test_text_of_an_axis_with_a_loop_loads_to_an_equal_axis(load, control, rotary):
    scale = Scale(lines=9000) if rotary else Scale(period=20e-6)
    axis = Axis(scale, sampling=Sampling(16e3), load=load, control=control)
    assert encsim.loads(axis.to_toml()) == axis
