"""The tables of a closed loop in axis files: what they read to, how they are written, and every fault with its line."""

import dataclasses
import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import encsim
from encsim import Axis, Control, InputError, Load, Notch, Sampling, Scale, units
from encsim.formats import axis_file, axis_reader
from encsim.model.load_and_control import LARGEST_ORDER

BOUNDED = settings(max_examples=150, deadline=None, derandomize=True, database=None)
BARE = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n'
NOTCHES = 'notch = [{frequency = "600 Hz", depth = 0.1}, {order = 2.0}]'
LOOP = f"""{BARE}[load]
inertia = "5 kg"
viscous = "12 N s/m"
cogging = {{30 = "0.5 N", "31.25" = ["0.2 N", "10 deg"]}}
[control]
position_gain = "60 1/s"
velocity_gain = "2 kN s/m"
{NOTCHES}
"""
ROTARY = """scale.lines = 9000
sampling.rate = "16 kHz"
load.inertia = "120 kg cm2"
control = {position_gain = "60 /s", velocity_gain = "8 N m s/rad"}
"""


def uncommented(rotary):
    """The starter with the tables of its closed loop in use."""
    head, _, tables = axis_file.starter(rotary).partition("# [load]")
    return head + "[load]" + "\n".join(line.removeprefix("# ").lstrip("#") for line in tables.split("\n"))


def complaints(text, changes=()):
    with pytest.raises(InputError, match="must") as caught:
        axis_file.loads_with(text, changes, "x.toml")
    return [line.removeprefix("x.toml, ") for line in str(caught.value).split("\n")]


@pytest.mark.parametrize("rotary", [False, True])
def test_starter_with_its_loop_in_use_is_stable_with_the_notch_at_the_resonance(rotary):
    axis = encsim.loads(uncommented(rotary))
    margins = encsim.margins(axis)
    assert margins.stable
    assert 60.0 < margins.crossover < 100.0
    assert margins.phase_margin > 50.0
    # 600 Hz is a round figure near it
    assert margins.resonances[0].frequency == pytest.approx(axis.control.notch[0].frequency, rel=0.01)


@pytest.mark.parametrize("rotary", [False, True])
@pytest.mark.parametrize("rigid", [("stiffness", "damping"), ("stiffness", "damping", "motor_inertia")])
def test_starter_with_a_rigid_load_is_stable_without_its_notch(rotary, rigid):
    changes = [f"load.{key}=none" for key in rigid]
    margins = encsim.margins(axis_file.loads_with(uncommented(rotary), [*changes, "control.notch=none"]))
    assert margins.stable
    assert 60.0 < margins.crossover < 100.0
    assert margins.phase_margin > 50.0


@pytest.mark.parametrize("rotary", [False, True])
def test_starter_shows_every_key_of_load_control_and_notch(rotary):
    text = axis_file.starter(rotary)
    for item in dataclasses.fields(Load) + dataclasses.fields(Control):
        assert f"\n# {item.name} = " in text
    assert all(f"{item.name} = " in text.partition("notch = ")[2] for item in dataclasses.fields(Notch))


@pytest.mark.parametrize("words", ["starting points", "injure", "documentation", "local codes", "qualified"])
def test_starter_warns_before_the_tables_of_the_loop(words):
    head = axis_file.starter().partition("# [load]")[0]
    assert words in " ".join(line.removeprefix("# ") for line in head.split("\n"))


def test_loop_tables_are_read_in_si():
    axis = encsim.loads(LOOP)
    assert (axis.load.inertia, axis.load.viscous) == (5.0, 12.0)
    assert axis.load.cogging == {30: (0.5, 0.0), 31.25: (0.2, units.parse("10 deg", "angle"))}
    assert axis.control == Control(60.0, 2000.0, notch=(Notch(600.0, depth=0.1), Notch(order=2.0)))


def test_a_rotary_axis_takes_inertia_and_torque():
    axis = encsim.loads(ROTARY)
    assert axis.load == Load(0.012)
    assert axis.control == Control(60.0, 8.0)


def test_without_its_tables_an_axis_has_neither_load_nor_control():
    axis = encsim.loads(BARE)
    assert axis.load is axis.control is None


def test_notches_may_be_tables_of_their_own():
    tables = '[[control.notch]]\nfrequency = "600 Hz"\ndepth = 0.1\n[[control.notch]]\norder = 2.0\n'
    assert encsim.loads(LOOP.replace(NOTCHES, tables)) == encsim.loads(LOOP)


TABLES = '[[control.notch]]\nfrequency = "600 Hz"\n[[control.notch]]\nfrequency = "700 Hz"\ndepth = 2\n'
MASS = "load.inertia must have a unit of mass (g, kg, t), got "
A_NUMBER = 'must have a number as its order, as in 6 or "31.25", got '
A_PAIR = 'must be an amplitude or an amplitude and a phase, ["20 N", "17 deg"], got '
A_LIST = 'must be a list of tables, each begun by [[control.notch]], or [{frequency = "600 Hz"}], got '
FAULTS = [
    ('"5 kg"', '"5 N m"', f'6: {MASS}"5 N m"; "N m" is a unit of torque'),
    ('"5 kg"', '"5 kg m2"', f'6: {MASS}"5 kg m2"; "kg m2" is a unit of inertia'),
    ('"5 kg"', '"5"', f'6: {MASS}"5"; as in "5 kg"'),
    ('"5 kg"', "5", '6: load.inertia must be text with a unit of mass, got 5; as in "5 kg"'),
    ('"5 kg"', '"-5 kg"', "6: load.inertia must be positive and finite, got -5.0 kg"),
    ('"5 kg"', '"1e99 kg"', "6: load.inertia must lie from 1e-15 to 1e+12, got 1e+99 kg"),
    ('inertia = "5 kg"\n', "", '5: load.inertia must be given, as in inertia = "5 kg", got nothing'),
    ("viscous", "vicsous", '7: load.vicsous must be a key of [load], got "vicsous"; did you mean load.viscous?'),
    ("[load]", "[laod]",
     f"5: laod must be a section of an axis file ({', '.join([*axis_reader.PARTS, *axis_file.OTHER_SECTIONS])}), "
     'got "[laod]"; did you mean [load]?'),
    ("viscous", 'encoder = "shaft"\nviscous', '7: load.encoder must be "motor" or "load", got "shaft"'),
    ("viscous", 'stiffness = "9 N/um"\nviscous',
     "5: load.motor_inertia must be given with a stiffness: the spring joins motor and load, got nothing"),
    ('"31.25"', '"a"', f'8: load.cogging.a {A_NUMBER}"a"'),
    ('"31.25" = ["0.2 N", "10 deg"]', '31.25 = "1 N"',
     f"""8: load.cogging.31 {A_NUMBER}{{'25': '1 N'}}; quotes keep it together, "31.25" = ..."""),
    ('"31.25"', '"30.0"', '8: load.cogging."30.0" must be given once, got "30.0"'),
    ('"31.25"', '"0.0"', "8: load.cogging must have orders above 0 and at most 1e+06, got 0.0"),
    ('"0.2 N"', '"-0.2 N"',
     '8: load.cogging."31.25" must be an amplitude of zero or more, or an amplitude and a phase, finite, got '
     "(-0.2, 0.17453292519943295)"),
    ('"0.5 N"', '["0.5 N"]', f"8: load.cogging.30 {A_PAIR}['0.5 N']"),
    ('"0.5 N"', '"0.5 Nm"', '8: load.cogging.30 must have a unit of force (mN, N, kN), got "0.5 Nm"; '
     '"N m" is a unit of torque'),
    ('"60 1/s"', '"60 Hz"', '10: control.position_gain must have a unit of 1/time (1/s), got "60 Hz"; '
     '"Hz" is a unit of frequency'),
    ("depth", "dpeth", '12: control.notch[0].dpeth must be a key of a notch, got "dpeth"; '
     "did you mean control.notch[0].depth?"),
    ("depth", "zzz", '12: control.notch[0].zzz must be a key of a notch, got "zzz"; '
     "it has frequency, order, damping, depth"),
    ("0.1}", '"10 %"}', '12: control.notch[0].depth must lie from 0 to 1, got "10 %"; write 0.1'),
    ('"600 Hz"', "600",
     '12: control.notch[0].frequency must be text with a unit of frequency, got 600; as in "16 kHz"'),
    ("order = 2.0", "order = -2.0", "12: control.notch[1].order must be positive and finite, got -2.0"),
    ("order = 2.0", "", "12: control.notch[1].frequency must be given, or else order, got nothing"),
    (NOTCHES, TABLES, "16: control.notch[1].depth must lie from 0 to 1, got 2"),
    (NOTCHES, 'notch = [{frequency = "600 Hz"},\n{frequency = "700 Hz",\n  depth = 2}]'.replace(",\n  ", ", "),
     "13: control.notch[1].depth must lie from 0 to 1, got 2"),
    (NOTCHES, "notch = 3", f"12: control.notch {A_LIST}3"),
    (NOTCHES, "[control.notch]\norder = 2", f"12: control.notch {A_LIST}{{'order': 2}}"),
    (NOTCHES, f"notch = [{', '.join(['{order = 2}'] * 9)}]", "12: control.notch must be at most 8, got 9"),
    (NOTCHES, f"notch = [{', '.join(['{order = 0}'] * 999)}]", "12: control.notch must be at most 8, got 999"),
    (NOTCHES, 'delay = "2 s"', "12: control.delay must lie from 0 to 1 s, got 2.0 s"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "complaint"), FAULTS)
def test_a_fault_names_key_line_value_and_rule(right, wrong, complaint):
    assert right in LOOP
    assert complaints(LOOP.replace(right, wrong)) == [f"line {complaint}"]


@pytest.mark.parametrize(
    ("right", "wrong", "complaint"),
    [
        ('"120 kg cm2"', '"5 kg"', 'unit of inertia .*, got "5 kg"; "kg" is a unit of mass'),
        ('"120 kg cm2"', '"-5 kg m2"', "must be positive and finite, got -5.0 kg m2$"),
        ("load.inertia", "load.inertai", "load.inertai must be a key"),
        ('load.inertia = "120 kg cm2"', "load = {}", 'as in inertia = "0.02 kg m2"'),
        ('"8 N m s/rad"', '"8 N s/m"', 'of torque per speed .*"N s/m" is a unit of force per speed'),
    ],
)
def test_faults_of_a_rotary_axis_speak_of_inertia_and_torque(right, wrong, complaint):
    assert re.search(complaint, complaints(ROTARY.replace(right, wrong))[0])


def test_all_faults_of_both_tables_come_at_once_by_line():
    wrong = LOOP.replace("5 kg", "5 m").replace("2 kN s/m", "2").replace("depth", "dept").replace("2.0", "0")
    assert [line.split(":")[0] for line in complaints(wrong)] == ["line 6", "line 11", "line 12", "line 12"]


@pytest.mark.parametrize(
    ("change", "field", "value"),
    [
        ("control.velocity_gain=3 kN s/m", "velocity_gain", 3000.0),
        ('control.velocity_gain="3 kN s/m"', "velocity_gain", 3000.0),
        ("control.notch=none", "notch", ()),
        ('control.notch=[{frequency = "50 Hz"}]', "notch", (Notch(50.0),)),
        ("control.lowpass=1 kHz", "lowpass", 1e3),
    ],
)
def test_a_setting_reaches_the_control(change, field, value):
    assert getattr(axis_file.loads_with(LOOP, [change]).control, field) == value


def test_settings_make_and_leave_out_whole_tables():
    assert axis_file.loads_with(BARE, ["load.inertia=4 kg"]).load == Load(4.0)
    assert axis_file.loads_with(LOOP, ["load=none"]).load is None
    cogged = axis_file.loads_with(LOOP, ["load.cogging.6=1 N", "load.viscous=none"]).load
    assert (cogged.viscous, cogged.cogging[6]) == (0.0, (1.0, 0.0))


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (
            "control.velocity_gain=3",
            "--set: control.velocity_gain must be text with a unit of force per speed, got 3",
        ),
        ("load.viscous=1 N s/m", 'x.toml: load.inertia must be given, as in inertia = "5 kg", got nothing'),
        (
            "control.notch=[{depth = 2, order = 1}]",
            "--set: control.notch[0].depth must lie from 0 to 1, got 2",
        ),
        ("load=3", "--set: load must be a table of keys, begun by [load] once, got 3"),
    ],
)
def test_a_wrong_setting_of_the_loop_is_reported_as_one(change, complaint):
    assert any(line.startswith(complaint) for line in complaints(BARE, [change]))


def test_text_of_a_loop_is_the_one_a_person_would_write():
    assert (
        encsim.loads(LOOP)
        .to_toml()
        .endswith("""[load]
inertia = "5 kg"
viscous = "12 N s/m"
cogging = {30 = "500 mN", "31.25" = ["200 mN", "10 deg"]}

[control]
position_gain = "60 1/s"
velocity_gain = "2 kN s/m"
notch = [{frequency = "600 Hz", depth = 0.1}, {order = 2.0}]
""")
    )


def quantity(low, high):
    return st.floats(low, high, allow_subnormal=False)


size, none_or = quantity(1e-6, 1e9), st.none()
amplitude = quantity(0.0, 1e6)
orders = st.integers(1, int(LARGEST_ORDER)) | quantity(1e-300, LARGEST_ORDER)
common = {
    "viscous": amplitude, "coulomb": amplitude, "stribeck": amplitude, "stribeck_speed": size,
    "force": quantity(-1e6, 1e6), "motor_inertia": size, "encoder": st.sampled_from(["motor", "load"]),
    "torque_constant": none_or | size,
    "cogging": st.dictionaries(orders, amplitude | st.tuples(amplitude, quantity(-7.0, 7.0)), max_size=3),
}  # fmt: skip
loads = st.builds(Load, size, **common) | st.builds(Load, size, stiffness=size, damping=amplitude, **common)
shape = {"damping": quantity(1e-3, 10.0), "depth": quantity(0.0, 1.0)}
notches = st.builds(Notch, size, **shape) | st.builds(Notch, order=quantity(1e-6, 1e3), **shape)
controls = st.builds(
    Control, amplitude, amplitude, integral_time=none_or | size, current_bandwidth=none_or | size,
    delay=quantity(0.0, 1.0), velocity_feedforward=quantity(-10.0, 10.0), acceleration_feedforward=amplitude,
    torque_limit=none_or | size, notch=st.lists(notches, max_size=3).map(tuple), lowpass=none_or | size,
)  # fmt: skip


@given(load=none_or | loads, control=none_or | controls, rotary=st.booleans())
@BOUNDED
def test_text_of_an_axis_with_a_loop_loads_to_an_equal_axis(load, control, rotary):
    scale = Scale(lines=9000) if rotary else Scale(period=20e-6)
    axis = Axis(scale, sampling=Sampling(16e3), load=load, control=control)
    assert encsim.loads(axis.to_toml()) == axis


PIECES = [
    "[",
    "]",
    "{",
    "}",
    "=",
    ".",
    ",",
    "#",
    "\n",
    '"',
    "[[control.notch]]\n",
    "3",
    '"1 N"',
    "nan",
    "[load]",
    "{}",
]


@pytest.mark.parametrize("rotary", [False, True])
@given(st.integers(0, 2**32))
@BOUNDED
def test_any_damage_to_a_loop_gives_an_axis_or_an_input_error(rotary, seed):
    chance, text = random.Random(seed), uncommented(rotary)
    head = text.index("[load]")
    for _ in range(chance.randint(1, 5)):
        start = chance.randrange(head, len(text))
        text = text[:start] + chance.choice(PIECES) + text[start + chance.choice([0, 0, 1, 5, 40]) :]
    try:
        found = encsim.loads(text)
    except InputError as error:
        found = error
    assert isinstance(found, Axis) or all(" must " in line for line in str(found).split("\n"))
