"""Values set in an axis file: everything else stays as it was, line by line, and the units are those of the file."""

import difflib
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import encsim
from encsim.formats import axis_file
from encsim.formats.edited_files import with_key, with_values

BOUNDED = settings(max_examples=60, deadline=None, derandomize=True, database=None)
BASE = 'scale.period = "20 um"\nsampling.rate = "16 kHz"\n'
STAGE, TABLE = axis_file.starter(), axis_file.starter(rotary=True)


def changed_lines(before, after):
    """Lines taken away and lines added."""
    marked = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [line[2:] for line in marked if line[0] == "-"], [line[2:] for line in marked if line[0] == "+"]


@pytest.mark.parametrize(
    ("path", "value", "gone", "added"),
    [
        (
            "signal.phase",
            0.0123456789,
            'phase = "10 mrad"  ',
            'phase = "12.3457 mrad"     # phase (quadrature) error',
        ),
        ("signal.offset", (0.02, -0.001), "offset = [0.01, ", "offset = [0.02, -0.001]    # zero offset"),
        # shown in a comment: its unit and its comment
        ("signal.noise", 0.003, "# noise = 0.001", "noise = 0.003              # electrical noise"),
        (
            "signal.bandwidth",
            2.5e5,
            '# bandwidth = "500 kHz"',
            'bandwidth = "250 kHz"      # bandwidth (-3 dB)',
        ),
        ("motion.top", 0.5, '# top = "1 m/s"', 'top = "0.5 m/s"'),
        (
            "signal.sde",
            {1: (4e-8, 0.0), 2: (1e-9, 1.0)},
            "# sde = ",
            'sde = {1 = "40 nm", 2 = ["1 nm", "57.2958 deg"]}',
        ),
        ("signal.gain", None, "gain = 0.02 ", None),
    ],
)
def test_one_value_changes_one_line(path, value, gone, added):
    edited = with_values(STAGE, {path: value})
    before, after = changed_lines(STAGE, edited)
    assert [line.startswith(gone) for line in before] == [True]
    assert [line.startswith(added or "") for line in after] == [True] * (added is not None)
    found = encsim.changes.value(encsim.loads(edited), path)
    held = [*found.values()] if path == "signal.sde" else [found]
    wanted = [*value.values()] if path == "signal.sde" else [value or 0.0]
    for one, other in zip(held, wanted, strict=True):
        assert one == pytest.approx(other, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "edited"),
    [
        ("signal.gain = 0.1 # a\n# end\n", 'signal.gain = 0.5 # a\nsignal.phase = "3 mrad"\n# end\n'),
        ('signal = {phase = "1 deg"} # a\n', 'signal = {phase = "0.171887 deg", gain = 0.5} # a\n'),
        ("[signal] # a\n\n[motion]\n", '[signal] # a\ngain = 0.5\nphase = "3 mrad"\n\n[motion]\n'),
        (
            '[signal.sde] # a\n1 = "2 nm"\n[signal]\n\tgain=0.1#b',
            '[signal.sde] # a\n1 = "2 nm"\n[signal]\n\tgain=0.5#b\nphase = "3 mrad"\n',
        ),
        ("", '\n[signal]\ngain = 0.5\nphase = "3 mrad"\n'),
        ("[motion]\r\n", '[motion]\r\n\r\n[signal]\r\ngain = 0.5\r\nphase = "3 mrad"\r\n'),
        (
            '[signal]\nphase = "1_0.0 μrad" # odd\n"gain" = 2e-1\n',
            '[signal]\nphase = "3000 μrad" # odd\n"gain" = 0.5\n',
        ),
    ],
)
def test_any_way_of_writing_a_table_is_kept(text, edited):
    if "1_0" in text:
        text = text.replace("1_0.0", "10.0")
    assert with_values(BASE + text, {"signal.gain": 0.5, "signal.phase": 0.003}) == BASE + edited


def test_orders_with_lines_of_their_own_change_one_by_one():
    text = BASE + '[signal.sde]\n1 = "20 nm"  # first\n2 = "5 nm"\n# end\n[motion]\n'
    edited = with_values(text, {"signal.sde": {1: (3e-8, 0.0), 3: (1e-9, 0.0)}})
    assert edited == BASE + '[signal.sde]\n1 = "30 nm"  # first\n3 = "1 nm"\n# end\n[motion]\n'
    assert with_values(text, {"signal.sde.2": (4e-9, 0.0)}) == text.replace("5 nm", "4 nm")


def test_map_of_a_ring_is_written_in_the_units_of_the_file():
    edited = with_values(TABLE, {"ring.compensation": {1: (6.8e-5, 0.3), 2: (1e-6, -1.0)}})
    before, after = changed_lines(TABLE, edited)
    assert len(before) == len(after) == 1
    assert (
        'compensation = {1 = ["14.026 arcsec", "17.1887 deg"], 2 = ["0.206265 arcsec", "-57.2958 deg"]}'
        in after[0]
    )


@pytest.mark.parametrize(
    ("text", "values", "message"),
    [
        (STAGE, {"ring.eccentricity": 1e-6}, "belong to a section that the axis has"),
        (STAGE, {"signal.loudness": 1.0}, "change must be a key of signal"),
        (STAGE, {"heads": (0.0,)}, "path must name a key"),
        (STAGE, {"signal.gain": -2.0}, r"a\.toml, line 16: signal\.gain must be above -1"),
        (
            STAGE,
            {"signal.offset.0": 0.1},
            r"a\.toml: file must be written so that signal\.offset\.0 can be set",
        ),
        ("[signal", {"signal.gain": 0.1}, r"a\.toml, line 1: file must be TOML"),
    ],
)
def test_what_cannot_be_set_is_refused(text, values, message):
    with pytest.raises(encsim.InputError, match=message):
        with_values(text, values, "a.toml")


_keys = st.sampled_from(["a", "b-1", "c d", "1", "x.y", 'q"', "end"])
_leaves = (
    st.integers(-9, 9) | st.floats(-9, 9, allow_nan=False) | st.sampled_from(["", "# no", "[x]", "a\\b", "'"])
)
_plain = st.recursive(
    _leaves, lambda part: st.lists(part, max_size=3) | st.dictionaries(_keys, part, max_size=3)
)


def _text(document, draw):
    """A document as TOML text with comments, tables written in any way."""
    from encsim.formats.edited_files import _key, _toml

    rows, tables = ["# head"], []
    for key, part in document.items():
        mark = draw(st.sampled_from(["", "  # why", " # [a]"]))
        if isinstance(part, dict) and part and draw(st.booleans()):
            lines = [f"{_key(name)} = {_toml(value)} # {name}" for name, value in part.items()]
            tables += ["", f"[ {_key(key)} ]{mark}", *lines]
        elif isinstance(part, dict) and part and draw(st.booleans()):
            rows += [f"{_key(key)} . {_key(name)}={_toml(value)}{mark}" for name, value in part.items()]
        elif isinstance(part, list) and draw(st.booleans()):
            rows += [f"{_key(key)} = [ # list", *(f"  {_toml(value)}, # one" for value in part), f"]{mark}"]
        else:
            rows.append(f"{_key(key)} = {_toml(part)}{mark}")
    return "\n".join([*rows, *tables]) + draw(st.sampled_from(["", "\n", "\n\n# foot\n"]))


@BOUNDED
@given(st.data())
def test_random_documents_keep_all_but_the_key(data):
    document = data.draw(st.dictionaries(_keys, _plain, max_size=4))
    text = _text(document, data.draw)
    assert tomllib.loads(text) == document
    path = tuple(data.draw(st.lists(_keys, min_size=1, max_size=2)))
    if len(path) == 2 and not isinstance(document.get(path[0], {}), dict):
        return
    value = data.draw(st.none() | _plain)
    edited = with_key(text, path, value)
    # with_key itself compares the document; here the comments
    before, _ = changed_lines(text, edited)
    assert edited.startswith("# head")
    for comment in ("# head", "# foot"):
        assert text.count(comment) == edited.count(comment)
    if not isinstance(document.get(path[0]), dict) and not isinstance(value, dict):
        assert len(before) <= max(1, text.count("# one") + 2)
