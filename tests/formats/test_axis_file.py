"""Axis files: what they read to, what they are written as, and every fault with its key and line."""

import dataclasses
import io
import math
import pathlib
import random
import re
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import encsim
from encsim import (
    Axis,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    Kalman,
    LeastSquares,
    LowPass,
    Motion,
    PeriodTiming,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.formats import axis_file, axis_reader, toml_text
from encsim.model.bounds import MOST_PERIODS

BOUNDED = settings(max_examples=120, deadline=None, derandomize=True, database=None)
GAIN = "gain must be above -1 and at most 100, got "
SDE = "sde.1 must be an amplitude"
DEEP = "x.toml: file must be an axis file, with no values or keys nested this deeply, got nothing"
ONCE = "each key and each table may stand there once"
TABLE = "line 1: scale must be a table of keys, begun by [scale] once, got "
KINDS = "difference, least-squares, quadratic-fit, low-pass, tracking, kalman, period-timing, count-and-time"
RATE = 'sampling.rate must be given, as in rate = "16 kHz", got nothing'
SMALLEST = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n'


def _complaints(text, name="x.toml", changes=()):
    with pytest.raises(InputError, match="must") as caught:
        axis_file.loads_with(text, changes, name)
    return str(caught.value).split("\n")


def test_the_smallest_file_is_an_ideal_axis():
    assert encsim.loads(SMALLEST) == Axis(Scale(period=20e-6), sampling=Sampling(16e3))


FULL = """
scale = {period = "20 um"}
signal.amplitude = 0.9
signal.offset = [0.01, -5e-3]
signal.gain = 0.02
signal.phase = "10 mrad"
signal.harmonics = {3 = 0.002, 5 = -1e-3}
signal.sde = {1 = "40 nm", 2 = ["20 nm", "17 deg"]}
signal.jitter = "0.5 nm"
signal.jitter_bandwidth = "50 kHz"
signal.noise = 0.001
signal.bandwidth = "500 kHz"
signal.skew = "10 ns"
[interpolation]
factor = 4000
bits = 12
span = 1.2
hysteresis = 1
correction = 0.9
output = "ab"
edge_separation = "50 ns"
edge_clock = "20 MHz"
[sampling]
rate = "16 kHz"
jitter = "20 ns"
latency = "10 us"
average = 4
encoder_phase = 0.25
[estimator]
kind = "difference"
samples = 4
"""
FULL_SIGNAL = Signal(
    amplitude=0.9, offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002, 5: -0.001},
    sde={1: 40e-9, 2: (20e-9, math.radians(17))}, jitter=0.5e-9, jitter_bandwidth=50e3, noise=0.001,
    bandwidth=500e3, skew=10e-9,
)  # fmt: skip
FULL_INTERPOLATION = Interpolation(
    factor=4000, bits=12, span=1.2, hysteresis=1.0, correction=0.9, output="ab", edge_separation=50e-9,
    edge_clock=20e6,
)  # fmt: skip
FULL_SAMPLING = Sampling(16e3, jitter=20e-9, latency=10e-6, average=4, encoder_phase=0.25)


def test_every_key_is_read_in_its_unit():
    axis = encsim.loads(FULL)
    assert axis.scale == Scale(period=20e-6)
    assert axis.signal == FULL_SIGNAL
    assert axis.interpolation == FULL_INTERPOLATION
    assert axis.sampling == FULL_SAMPLING
    assert axis.estimator == Difference(4)


@pytest.mark.parametrize(
    ("text", "value"), [("0.5 nm", 1e-8), ("0.1 arcsec", math.radians(0.1 / 3600.0)), ("2 nrad", 2e-9)]
)
def test_rotary_errors_are_angles_or_lengths_along_the_rim(text, value):
    axis = encsim.loads(f"""
        scale = {{lines = 9000, diameter = "100 mm"}}
        sampling.rate = "16 kHz"
        signal = {{jitter = "{text}", sde = {{1 = ["{text}", "90 deg"]}}}}
    """)
    # Twice the length over the diameter, rounded once more here.
    assert math.isclose(axis.signal.jitter, value, rel_tol=1e-15)
    assert axis.signal.sde == {1: (axis.signal.jitter, math.radians(90.0))}


@pytest.mark.parametrize("rotary", [False, True])
def test_the_starter_loads_and_names_every_key(rotary):
    text = axis_file.starter(rotary)
    axis = encsim.loads(text)
    assert axis.scale.unit == ("rad" if rotary else "m")
    assert axis.signal.offset == (0.01, -0.005)
    for part in axis_reader.PARTS.keys() - {"estimator", None if rotary else "ring"}:
        for item in dataclasses.fields(axis_reader.PARTS[part]):
            assert f"\n{item.name} = " in text or f"\n# {item.name} = " in text


def _shown_kinds(text):
    """The keys of each estimator that a starter shows in its comments, as a table."""
    shown = [line[1:].strip() for line in text.split("\n") if line.startswith('#   kind = "')]
    pairs = [re.findall(r'\w+ = (?:"[^"]*"|[0-9.]+)', line) for line in shown]
    return ["[estimator]\n" + "\n".join(found) for found in pairs]


@pytest.mark.parametrize("rotary", [False, True])
def test_the_starter_shows_every_kind_of_estimator_with_all_its_keys(rotary):
    text = axis_file.starter(rotary)
    rest = text[: text.index("[estimator]")]
    axes = [encsim.loads(rest + table) for table in _shown_kinds(text)]
    assert {axis.estimator.kind for axis in axes} == axis_reader.ESTIMATORS.keys() - {"difference"}
    for axis, table in zip(axes, _shown_kinds(text), strict=True):
        assert table.count("=") == 1 + len(dataclasses.fields(axis.estimator))


def test_samples_alone_are_those_of_the_difference():
    # as explain proposes them for a file without [estimator]
    assert encsim.loads(f"{SMALLEST}[estimator]\nsamples = 3").estimator == encsim.Difference(3)


def _commented(text):
    """{key: line} of the keys that a starter shows and does not use, but those of the scale."""
    lines = [line[2:] for line in text.partition("# [load]")[0].split("\n") if line.startswith("# ")]
    keys = {
        line.split(" = ")[0]: line for line in lines if line.split(" = ")[0].isidentifier() and " = " in line
    }
    return {key: line for key, line in keys.items() if key not in ("lines", "period", "diameter")}


@pytest.mark.parametrize("rotary", [False, True])
@pytest.mark.parametrize("left_out", [("output", "edge_separation", "edge_clock"), ("encoder_rate",)])
def test_commented_keys_of_the_starter_are_right_as_they_stand(rotary, left_out):
    text = axis_file.starter(rotary)
    commented = _commented(text)
    assert len(commented) == (28 if rotary else 18)
    for key, line in commented.items():
        text = text.replace(f"# {line}", line if key not in left_out else "")
    axis = encsim.loads(text)
    assert axis.interpolation.output == ("position" if "output" in left_out else "ab")
    assert (axis.signal.bandwidth, axis.sampling.average) == (500e3, 4)
    assert len(axis.heads) == (2 if rotary else 1)


def _quantity(low, high):
    return st.floats(low, high, allow_subnormal=False)


def _lines(largest):
    line = _quantity(0.0, largest / 10) | st.tuples(_quantity(0.0, largest / 10), _quantity(-7.0, 7.0))
    return st.dictionaries(st.integers(1, 200), line, max_size=4)


@st.composite
def scales(draw):
    period, lines = draw(_quantity(1e-7, 1e-2)), draw(st.integers(1, 10**6))
    ring = {"period": period, "diameter": period * lines / math.pi}
    table = {"lines": lines, "diameter": draw(st.none() | _quantity(1e-3, 1.0))}
    return Scale(**draw(st.sampled_from([{"period": period}, ring, table])))


def signals(pitch):
    small = _quantity(-0.1, 0.1)
    return st.builds(
        Signal,
        amplitude=_quantity(0.5, 2.0),
        offset=st.tuples(small, small),
        gain=small,
        phase=_quantity(-0.5, 0.5),
        harmonics=st.dictionaries(st.integers(2, 200), small, max_size=4),
        sde=_lines(pitch),
        jitter=_quantity(0.0, pitch / 3.0),
        jitter_bandwidth=st.none() | _quantity(1.0, 1e6),
        noise=_quantity(0.0, 0.1),
        bandwidth=st.none() | _quantity(1e3, 1e6),
        skew=_quantity(-1e-6, 1e-6),
    )


def interpolations(output):
    ab = output == "ab"
    return st.builds(
        Interpolation,
        factor=st.integers(1, 1000).map(lambda quarter: 4 * quarter),
        bits=st.none() | st.integers(2, 32),
        span=_quantity(0.5, 2.0),
        hysteresis=_quantity(0.0, 4.0),
        correction=_quantity(0.0, 1.0),
        output=st.just(output),
        edge_separation=_quantity(0.0, 1e-6) if ab else st.just(0.0),
        edge_clock=st.none() | _quantity(1e6, 1e9) if ab else st.none(),
    )


def samplings(output):
    return st.builds(
        Sampling,
        _quantity(10.0, 1e6),
        jitter=_quantity(0.0, 1e-6),
        latency=_quantity(0.0, 1e-3),
        average=st.integers(1, 128),
        encoder_rate=st.none() | _quantity(1e3, 1e6) if output == "position" else st.none(),
        encoder_phase=_quantity(0.0, 0.9),
    )


def estimators(rate, timed):
    low = _quantity(1e-3, 0.49 * rate)
    kinds = [
        st.builds(Difference, st.integers(1, 100)),
        st.builds(LeastSquares, st.integers(2, 100)),
        st.builds(LowPass, low, order=st.integers(1, 8)),
        st.builds(Tracking, low, damping=_quantity(0.1, 10.0)),
        st.builds(Kalman, _quantity(1e-6, 1e4), noise=_quantity(1e-12, 1e-3)),
    ]
    clocks, windows = _quantity(1e3, 1e9), _quantity(1e-6, 1.0)
    timing = [st.builds(PeriodTiming, clocks), st.builds(CountAndTime, clocks, windows)]
    return st.one_of(kinds + timing if timed else kinds)


@st.composite
def axes(draw):
    scale, output = draw(scales()), draw(st.sampled_from(["position", "ab"]))
    interpolation, sampling = draw(interpolations(output)), draw(samplings(output))
    timed = interpolation.factor is not None and sampling.encoder_rate is None
    fastest = 0.9 * MOST_PERIODS * sampling.rate * scale.pitch
    return Axis(
        scale,
        signal=draw(signals(scale.pitch)),
        interpolation=interpolation,
        sampling=sampling,
        motion=draw(
            st.builds(
                Motion,
                lowest=st.none() | _quantity(1e-9, 1e-3),
                top=st.none() | _quantity(1e-2, min(1e3, fastest)),
            )
        ),
        estimator=draw(estimators(sampling.rate, timed)),
    )


@given(axes())
@BOUNDED
def test_the_text_of_an_axis_loads_to_an_equal_axis(axis):
    assert encsim.loads(axis.to_toml()) == axis


def test_text_holds_only_what_differs_from_the_defaults():
    assert encsim.loads(SMALLEST).to_toml() == '[scale]\nperiod = "20 um"\n\n[sampling]\nrate = "16 kHz"\n'


def test_text_of_a_ring_with_period_and_diameter_leaves_the_lines_out():
    axis = Axis(Scale(period=math.pi * 1e-4, diameter=0.1), sampling=Sampling(1e3))
    assert "lines" not in axis.to_toml()
    assert encsim.loads(axis.to_toml()) == axis


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("sampling.rate", "8 kHz"), ("sampling.rate", '"8 kHz"'), ("sampling.rate", "8000Hz"),
        (" sampling . rate ", " 8 kHz "),
    ],
)  # fmt: skip
def test_a_setting_is_a_value_as_in_a_file_or_bare_text(key, value):
    assert axis_file.loads_with(axis_file.starter(), [f"{key}={value}"]).sampling.rate == 8e3


def test_settings_reach_orders_pairs_numbers_and_leave_keys_out():
    changes = [
        "signal.harmonics.5=0.1",
        "signal.offset=[0, 0.1]",
        "estimator.samples=8",
        "interpolation.bits=none",
    ]
    changes += ["signal.sde={2 = '3 nm'}", "signal.sde.1=40 nm"]
    axis = axis_file.loads_with(axis_file.starter(), changes)
    assert axis.signal.harmonics == {3: 0.002, 5: 0.1}
    assert axis.signal.sde == {1: (40e-9, 0.0), 2: (3e-9, 0.0)}
    assert axis.signal.offset == (0.0, 0.1)
    assert axis.estimator.samples == 8
    assert axis.interpolation.bits is None


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (
            "sampling.rate",
            '--set must be section.key=value, got "sampling.rate"; as in sampling.rate="8 kHz"',
        ),
        ("=3", '--set must be section.key=value, got "=3"; as in sampling.rate="8 kHz"'),
        (
            "signal..gain=3",
            '--set must be section.key=value, got "signal..gain=3"; as in sampling.rate="8 kHz"',
        ),
        (
            "rate=8 kHz",
            '--set: rate must be a section, or stand in one, got "8 kHz"; did you mean sampling.rate?',
        ),
        (
            "signal.gian=1",
            '--set: signal.gian must be a key of [signal], got "gian"; did you mean signal.gain?',
        ),
        ("signal.gain=nan", "--set: signal.gain must be above -1 and at most 100, got nan"),
        ("signal.gain=2 %", '--set: signal.gain must be above -1 and at most 100, got "2 %"; write 0.02'),
        ("signal.sde.1=4", '--set: signal.sde.1 must be text with a unit of length, got 4; as in "0.5 nm"'),
        ("signal.harmonics.1=0.1", "--set: signal.harmonics.1 must have a whole order from 2 to 200, got 1"),
    ],
)
def test_a_wrong_setting_is_reported_as_one(change, complaint):
    assert _complaints(axis_file.starter(), changes=[change]) == [complaint]


def test_all_malformed_settings_are_reported():
    assert len(_complaints(SMALLEST, changes=["a", "b", "signal.gain=1"])) == 2


def test_all_faults_of_a_file_are_reported_at_once_with_key_and_line():
    text = """rate = "8 kHz"
[scale]
perod = "20 um"
[signl]
gian = 0.02
phase = "3 mm"
harmonics = {0 = 0.1, third = 0.1, 3 = true}
[interpolation]
factor = 4000.0
latency = "5 us"
[estimator]
kind = "diference"
[foo]
"""
    sections = ", ".join([*axis_reader.PARTS, *axis_reader.OTHER_SECTIONS])
    assert _complaints(text) == [
        'x.toml, line 1: rate must be a section, or stand in one, got "8 kHz"; did you mean sampling.rate?',
        'x.toml, line 3: scale.perod must be a key of [scale], got "perod"; did you mean scale.period?',
        f'x.toml, line 4: signl must be a section of an axis file ({sections}), got "[signl]"; did you mean [signal]?',
        'x.toml, line 5: signl.gian must be a key of [signl], got "gian"; did you mean signal.gain?',
        "x.toml, line 6: signal.phase must have a unit of angle (arcsec, deg, rad, mrad, urad, nrad, rev), "
        'got "3 mm"; "mm" is a unit of length',
        'x.toml, line 7: signal.harmonics.third must have a whole number as its order, got "third"',
        "x.toml, line 7: signal.harmonics.0 must have a whole order from 2 to 200, got 0",
        "x.toml, line 7: signal.harmonics.3 must be a finite number between -1 and 1, got True",
        "x.toml, line 9: interpolation.factor must be a whole number from 1 to 1073741824, got 4000.0",
        'x.toml, line 10: interpolation.latency must be a key of [interpolation], got "latency"; '
        "did you mean sampling.latency?",
        f'x.toml, line 12: estimator.kind must be one of {KINDS}, got "diference"; did you mean "difference"?',
        f'x.toml, line 13: foo must be a section of an axis file ({sections}), got "[foo]"',
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("gain = true", GAIN + "True"),
        ("gain = [1]", GAIN + "[1]"),
        ("gain = -1", GAIN + "-1"),
        ("gain = inf", GAIN + "inf"),
        ("gain = 1979-05-27", GAIN + "datetime.date(1979, 5, 27)"),
        (f"gain = {10**400}", GAIN + "1" + "0" * 76 + "..."),
        (f"gain = 0x{'f' * 9000}", GAIN + "int too large to show"),
        ('gain = "0.02"', GAIN + '"0.02"; a pure number has no unit and no quotes'),
        ('noise = "2.5 %"', 'noise must be zero or more and finite, got "2.5 %"; write 0.025'),
        ("jitter = 5", 'jitter must be text with a unit of length, got 5; as in "0.5 nm"'),
        ("jitter = false", 'jitter must be text with a unit of length, got False; as in "0.5 nm"'),
        ('jitter = "0.5"', 'jitter must have a unit of length (nm, um, mm, m, pm), got "0.5"; as in "0.5 nm"'),
        ('jitter = "1 mm"', "jitter must stay below half a signal period, 1e-05 m, got 0.001 m"),
        ('sde = "5 nm"', 'sde must be a table of orders, as in {3 = ...}, got "5 nm"'),
        ('sde = {1.5 = "5 nm"}', "sde.1 must be text with a unit of length, got {'5': '5 nm'}; as in \"0.5 nm\""),
        ('sde = {"01" = "5 nm"}', 'sde.01 must have a whole number as its order, got "01"'),
        ('sde = {0 = "5 nm"}', "sde.0 must have a whole order from 1 to 200, got 0"),
        ('sde = {1 = ["5 nm"]}', SDE + " or an amplitude and a phase, [\"0.5 nm\", \"17 deg\"], got ['5 nm']"),
        ('sde = {1 = "-5 nm"}', SDE + " of zero or more, or an amplitude and a phase, finite, got -5e-09"),
        ("harmonics = {2001 = 0.1}", "harmonics.2001 must have a whole order from 2 to 200, got 2001"),
        ("harmonics = {3 = 1}", "harmonics.3 must be a finite number between -1 and 1, got 1"),
        ("harmonics = 3", "harmonics must be a table of orders, as in {3 = ...}, got 3"),
        ("offset = 0.1", "offset must be two finite numbers, cosine and sine, got 0.1"),
        ("offset = [0.1, 2]", "offset must be smaller than the signal, amplitude 1, got (0.1, 2.0); "
         "the arctangent needs a circle around zero"),
        ('bandwidth = "0 Hz"', "bandwidth must be positive and finite, got 0.0 Hz"),
        ('bandwidth = "1e300 Hz"', "bandwidth must lie from 1e-06 to 1e+12, got 1e+300 Hz"),
        ('bandwith = "3 Hz"', 'bandwith must be a key of [signal], got "bandwith"; did you mean signal.bandwidth?'),
    ],
)  # fmt: skip
def test_a_wrong_value_is_named_with_its_key_line_and_rule(line, complaint):
    assert _complaints(f"{SMALLEST}# a comment\n[signal]\n\n{line}") == [
        f"x.toml, line 8: signal.{complaint}"
    ]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", 'x.toml: file must describe an axis, got nothing; "encsim new axis.toml" writes a starter'),
        ("# only this", 'x.toml: file must describe an axis, got nothing; "encsim new axis.toml" writes a starter'),
        ("a = 1\na = 2", 'x.toml, line 2: file must be TOML (Cannot overwrite a value), got "a = 2"; ' + ONCE),
        ("[a]\n[a]", "x.toml, line 2: file must be TOML (Cannot declare ('a',) twice), got \"[a]\"; " + ONCE),
        ("[s]\nrate = 16 kHz",
         'x.toml, line 2: file must be TOML (Expected newline or end of document after a statement), got '
         '"rate = 16 kHz"; text with a unit stands in quotes, as "20 um"'),
        ("[scale",
         "x.toml, line 1: file must be TOML (Expected ']' at the end of a table declaration), got \"[scale\""),
        ("a = " + "[" * 5000, DEEP),
        ("a." * 5000 + "b = 1", DEEP),
        ("a = " + "9" * 5000,
         "x.toml: file must be TOML (Exceeds the limit (4300 digits) for integer string conversion: "
         "value has 5000...), got nothing"),
    ],
)  # fmt: skip
def test_text_that_is_no_axis_file_at_all_is_refused_in_one_line(text, complaint):
    assert _complaints(text) == [complaint]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('[scale]\nperiod = "20 um"\n[sampling]', "line 3: " + RATE),
        ('[scale]\nperiod = "20 um"', RATE),
        ('[scale]\n[sampling]\nrate = "1 kHz"', "line 1: scale.period must be given where lines is not, got nothing"),
        ('scale = 5\n[sampling]\nrate = "1 kHz"', TABLE + "5"),
        ('[[scale]]\n[sampling]\nrate = "1 kHz"', TABLE + "[{}]"),
        (f'{SMALLEST}[estimator]\nbandwidth = "500 Hz"', f"line 5: estimator.kind must be one of {KINDS}, got nothing"),
        (f'{SMALLEST}[estimator]\nkind = "difference"\nsamples = 0',
         "line 7: estimator.samples must be a whole number from 1 to 1048576, got 0"),
        (f"{SMALLEST}[estimator]\nkind = 3", f"line 6: estimator.kind must be one of {KINDS}, got 3"),
        (f'{SMALLEST}[estimator]\nkind = "difference"\nsmaples = 3',
         'line 7: estimator.smaples must be a key of [estimator], got "smaples"; did you mean estimator.samples?'),
        (f"{SMALLEST}[scale.lines]\nx = 1",
         "line 5: scale.lines must be a whole number from 1 to 1099511627776, got {'x': 1}"),
        (f'{SMALLEST}[interpolation]\n"my\\nkey" = 1',
         'line 6: interpolation."my\\nkey" must be a key of [interpolation], got '
         '"my\\nkey"; it has factor, bits, span, hysteresis, correction, output, edge_separation, edge_clock'),
        ('[scale]\nlines = 9000\n[sampling]\nrate = "1 kHz"\n[signal]\njitter = "5 nm"',
         "line 6: signal.jitter must have a unit of angle (arcsec, deg, rad, mrad, urad, nrad, rev), "
         'got "5 nm"; a length along the rim needs scale.diameter'),
    ],
)  # fmt: skip
def test_what_is_missing_or_misplaced_is_named(text, complaint):
    separator = ", " if complaint.startswith("line") else ": "
    assert _complaints(text) == [f"x.toml{separator}{complaint}"]


def test_a_key_of_two_other_sections_is_not_guessed():
    found = _complaints('[scale]\njitter = "1 nm"\nperiod = "20 um"\n[sampling]\nrate = "1 kHz"')
    assert found == [
        'x.toml, line 2: scale.jitter must be a key of [scale], got "jitter"; '
        "did you mean signal.jitter or sampling.jitter?"
    ]


def test_a_file_loads_as_its_text_does_with_or_without_a_byte_order_mark(tmp_path):
    path = tmp_path / "axis.toml"
    path.write_bytes(b"\xef\xbb\xbf" + axis_file.starter().replace("\n", "\r\n").encode())
    assert encsim.load(path) == encsim.load(str(path)) == encsim.loads(axis_file.starter())


@pytest.mark.parametrize(
    ("contents", "rule"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0", r"must be text in UTF-8, not binary data, got b'\\x89PNG"),
        ("period".encode("utf-16"), "must be text in UTF-8, not binary data"),
        (b"# a\n# caf\xe9\n", r"line 2: file must be text in UTF-8, got b'\\xe9'"),
        (b"", "axis.toml: file must describe an axis, got nothing"),
        (b" " * (toml_text.LARGEST_FILE + 1), "must be an axis file, at most 256 kB"),
    ],
)
def test_a_file_that_is_no_text_of_an_axis_is_refused(tmp_path, contents, rule):
    path = tmp_path / "axis.toml"
    path.write_bytes(contents)
    with pytest.raises(InputError, match=rule):
        encsim.load(path)


@pytest.mark.parametrize(
    ("path", "rule"),
    [
        ("missing.toml", "^file must exist, got .*"),
        ("", "must be a file, not a folder"),
        ("a\0b", r"can be read \(embedded null byte\)"),
        ("x" * 300, r"can be read \(File name too long\)"),
    ],
)
def test_a_path_that_cannot_be_read_is_refused(tmp_path, path, rule):
    with pytest.raises(InputError, match=rule):
        encsim.load(tmp_path / path)


@pytest.mark.skipif(not pathlib.Path("/dev/zero").exists(), reason="needs a device without an end")
def test_a_device_without_an_end_is_refused_soon():
    with pytest.raises(InputError, match="at most 256 kB"):
        encsim.load("/dev/zero")


def test_a_dash_is_the_standard_input(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(SMALLEST.encode())))
    assert axis_file.read("-") == SMALLEST


@pytest.mark.parametrize("text", [None, b"", 3])
def test_what_is_no_text_is_refused(text):
    with pytest.raises(InputError, match="text must be a string"):
        encsim.loads(text)


PIECES = ['"', "'", '"""', "[", "]", "{", "}", "=", ".", ",", "#", "\n", "\r", "\\", "1e999", "-", "nan", "true",
          "3 = 0.1", '"5 nm"', "[signal]", "[[scale]]", "signal.sde.1 = ", "0x" + "f" * 5000, "\ud800", "µ", "\0",
          "{}"]  # fmt: skip


def _mutated(text, chance):
    for _ in range(chance.randint(1, 6)):
        start = chance.randrange(len(text) + 1)
        end = min(len(text), start + chance.choice([0, 0, 1, 2, 10, 200]))
        text = text[:start] + chance.choice([*PIECES, text[end : end + 30], ""]) + text[end:]
    return text


@pytest.mark.parametrize("rotary", [False, True])
@given(st.integers(0, 2**32))
@settings(max_examples=150, deadline=None, derandomize=True, database=None)
def test_any_damage_to_the_starter_gives_an_axis_or_an_input_error(rotary, seed):
    text = _mutated(axis_file.starter(rotary), random.Random(seed))
    try:
        found = encsim.loads(text)
    except InputError as error:
        found = error
    assert isinstance(found, Axis) or all(line.isprintable() for line in str(found).split("\n"))


TOML_VALUES = st.recursive(
    st.sampled_from(
        ["true", "nan", "-inf", "1979-05-27", '"5 nm"', '"1e400 m"', '"3 deg"', '""', "0x" + "f" * 200]
    )
    | st.integers(-(2**70), 2**70).map(str)
    | st.floats(allow_nan=False, allow_infinity=False).map(repr),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]")
        | st.dictionaries(st.sampled_from(["1", "2", "x", '"é"']), inner, max_size=3).map(
            lambda items: "{" + ", ".join(f"{key} = {value}" for key, value in items.items()) + "}"
        )
    ),
    max_leaves=6,
)
ALL_KEYS = sorted(f"{part}.{key}" for part in axis_reader.PARTS for key in axis_reader.keys_of(part))


@given(st.dictionaries(st.sampled_from([*ALL_KEYS, "signal", "foo.bar", "rate"]), TOML_VALUES, max_size=5))
@BOUNDED
def test_any_values_as_settings_give_an_axis_or_an_input_error(values):
    try:
        found = axis_file.loads_with(axis_file.starter(), [f"{key}={value}" for key, value in values.items()])
    except InputError as error:
        found = error
    assert isinstance(found, Axis) or all(" must " in line for line in str(found).split("\n"))
