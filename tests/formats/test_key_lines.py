"""Lines of keys in a TOML text, against texts whose lines are known."""

import re
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from encsim.formats import toml_text

TEXT = r'''# scale.period = 1
top.deep = 3
[scale] # [no]
period = "20 # um" # = 5
"quo\u0074ed" = """
lines = 1
\""" bits = 3
"""
list = [ # =
  1, {q = 2},
  "]",
]
inline = {x = 1, y.z = [1,
2], 'w' = {v = 3}}
after = 1.5e-3

[signal . harmonics]
3 = 0.1
[[more]]
date = 1979-05-27 07:32:00
[[more]]
date = 1
[more.in]
x = 1
last = [{a = 1, b = [1, 2]},
  {
    a = 2},
  [3,
   {a = 4}]]
[[more]]
date = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("top", "deep"), 2),
        (("scale",), 3),
        (("scale", "period"), 4),
        (("scale", "quoted"), 5),
        (("scale", "list"), 9),
        (("scale", "inline"), 13),
        (("scale", "inline", "y", "z"), 13),
        (("scale", "inline", "w"), 14),
        (("scale", "inline", "w", "v"), 14),
        (("scale", "after"), 15),
        (("signal",), 17),
        (("signal", "harmonics"), 17),
        (("signal", "harmonics", "3"), 18),
        (("scale", "list", 1, "q"), 10),
        (("more",), 19),
        (("more", 0, "date"), 20),
        (("more", 1), 21),
        (("more", 1, "date"), 22),
        (("more", 1, "in", "x"), 24),
        (("more", 1, "in", "last", 0, "a"), 25),
        (("more", 1, "in", "last", 1, "a"), 27),
        (("more", 1, "in", "last", 2, 1, "a"), 29),
        (("more", 2, "date"), 31),
    ],
)
def test_each_key_is_found_on_its_line(path, line):
    assert toml_text.find(TEXT)[path] == line


@pytest.mark.parametrize("key", ["lines", "bits", "q", "um"])
def test_no_key_is_found_in_strings_and_comments(key):
    assert all(path[-1] != key or path == ("scale", "list", 1, "q") for path in toml_text.find(TEXT))


VALUES = [
    "1",
    '"a = 1 # b"',
    "[1, 2]",
    "{x = 1}",
    "'''\nk0 = 1\n'''",
    '[\n"]",\n]',
    '"""\\""" = """',
    "true # k1 = 2",
]


@given(st.lists(st.sampled_from(VALUES), min_size=1, max_size=12))
@settings(max_examples=100, deadline=None, derandomize=True, database=None)
def test_keys_of_random_texts_are_found_where_they_were_written(values):
    lines, expected = ["[t]"], {}
    for number, value in enumerate(values):
        expected[("t", f"k{number}")] = len("\n".join(lines).split("\n")) + 1
        lines.append(f"k{number} = {value}")
    text = "\n".join(lines)
    assert set(tomllib.loads(text)["t"]) == {path[1] for path in expected}
    found = {path: line for path, line in toml_text.find(text).items() if re.fullmatch("k[0-9]+", path[-1])}
    assert found == expected
