"""What is wrong with a file is told in one line, or repaired and told; every guess can be overridden."""

import gzip
import io

import numpy as np
import pytest
from scipy.io import savemat

import encsim

K = np.arange(300)
COS, SIN = np.cos(0.13 * K), np.sin(0.13 * K)
ROWS = [f"{k * 1e-3:.3f},{c:.5f},{s:.5f}\n" for k, c, s in zip(K, COS, SIN, strict=True)]


def written(tmp_path, content):
    path = tmp_path / "log"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def table(*, row=None, at=100, drop=0):
    """The table with one other row, or without some rows."""
    lines = list(ROWS)
    if row is not None:
        lines[at] = row
    return "t_s,cos,sin\n" + "".join(lines[:at] + lines[at + drop :])


def binary(save, *args, **named):
    stream = io.BytesIO()
    save(stream, *args, **named)
    return stream.getvalue()


NPZ, MAT = binary(np.savez, cos=COS, sin=SIN), binary(savemat, {"cos": COS, "sin": SIN})
REFUSED = {
    "empty": (b"", "an empty file"),
    "blank lines": ("\n\n\n", "nothing but blank lines"),
    "one row": ("t_s,cos,sin\n0,1,2\n", "at least two rows"),
    "text among numbers": (table(row="0.1,abc,0.5\n"), r'line 102: column 2 \("cos"\) .* got "abc"'),
    "a row too long": (table(row="0.1,1,2,3\n"), "line 102: row must have 3 columns .* got 4"),
    "thousands": (table(row="0.1,1.234.5,0.5\n"), r'line 102: column 2 .* got "1.234.5"'),
    "mostly missing": (
        "t_s,cos,sin\n" + "0,nan,1\n1,1,1\n2,nan,3\n3,nan,4\n",
        "line 2: column 2 .* half of the rows",
    ),
    "time backwards": (table(row="0.050,0.5,0.5\n"), r'line 102: column 1 \("t"\) must never run backwards'),
    "two tables": (table() + table(), r'line 303: column 1 \("t"\)'),
    "constant channel": (
        "cos,sin\n" + "".join(f"{c:.5f},1.0\n" for c in COS),
        r'line 2: column 2 \("sin"\).*constant',
    ),
    "half an NPZ": (NPZ[: len(NPZ) // 2], "whole NPZ file"),
    "half a MAT": (MAT[: len(MAT) // 2], "whole MAT file"),
    "half a gzip": (gzip.compress(table().encode())[:500], "whole gzip file"),
    "pickled objects": (
        binary(np.save, np.array([{}, 1], dtype=object), allow_pickle=True),
        "allow_pickle=False",
    ),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(200), "a picture"),
    "HDF5": (b"\x89HDF\r\n\x1a\n" + bytes(200), "version 5"),
    "binary": (bytes(range(256)) * 20, "a binary file of unknown kind"),
    "a hole in a text": (
        table(row="\0" * 9000 + "\n", at=280),
        "line 282: file must be text .*bytes that are no text",
    ),
    "one endless line": ("1," * 300000, "line 1: file must be text .*a longer line"),
    "a new picture": (b"RIFF\x00\x10\x00\x00WEBPVP8 " + bytes(300), "a picture"),
    "prose": ("hello world, this is\nno table at all\n", "rows of numbers"),
    "fractions of counts": ("count\n" + "".join(f"{3.7 * k:.1f}\n" for k in K), "line 3: .*whole numbers"),
    "one column": ("u\n" + "".join(f"{c:.5f}\n" for c in COS), "two channels, counts, positions"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_bad_file_is_refused_in_one_line(case, tmp_path):
    content, rule = REFUSED[case]
    with pytest.raises(encsim.InputError, match=rule) as error:
        encsim.Capture.read(written(tmp_path, content))
    assert "\n" not in str(error.value)
    assert "log" in str(error.value)


def test_folder_and_missing_file_are_refused(tmp_path):
    with pytest.raises(encsim.InputError, match="not a folder"):
        encsim.Capture.read(tmp_path)
    with pytest.raises(encsim.InputError, match="No such file"):
        encsim.Capture.read(tmp_path / "none")


def test_file_above_two_gigabytes_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "sparse.csv"
    with open(path, "wb") as stream:
        stream.truncate(2 * 10**9 + 1)
    with pytest.raises(encsim.InputError, match="at most 2 GB"):
        encsim.Capture.read(path)


REPAIRED = {
    "missing values": (
        table(row="0.100,NaN,\n"),
        299,
        "1 row without a number left out, the first is line 102",
    ),
    "a gap": (table(drop=50), 250, "1 gap, 50 samples missing, the first after 99"),
    "a cut last line": (table()[:-12], 299, "line 301 after the last row left out"),
    "comments among rows": (table(row="# event\n"), 299, "comments among the rows left out: 1"),
    "mixed line ends": (table().replace("5\n", "5\r\n").replace("7\n", "7\r"), 300, "even at 1.00"),
}


@pytest.mark.parametrize("case", REPAIRED)
def test_repair_is_told_and_keeps_the_time(case, tmp_path):
    content, samples, note = REPAIRED[case]
    capture = encsim.Capture.read(written(tmp_path, content))
    assert capture.samples == samples
    assert any(note in line for line in capture.notes), capture.notes
    assert capture.rate == pytest.approx(1e3)
    time = K[:samples] * 1e-3 if capture.time is None else capture.time
    # Five decimals in the file.
    assert capture.cosine == pytest.approx(np.cos(130.0 * time), abs=6e-6)


def test_held_samples_are_left_out(tmp_path):
    angle = 0.03 * (K // 5 * 5)
    rows = [f"{k * 1e-3:.3f},{np.cos(t):.5f},{np.sin(t):.5f}\n" for k, t in zip(K, angle, strict=True)]
    capture = encsim.Capture.read(written(tmp_path, "t_s,cos,sin\n" + "".join(rows)))
    assert capture.samples == 60
    assert capture.time == pytest.approx(np.arange(60) * 5e-3)
    assert any("held" in note for note in capture.notes)


def test_every_guess_can_be_overridden(tmp_path):
    rows = [f"{k};{c:.5f};{s + 3:.5f}\n" for k, c, s in zip(K, COS, SIN, strict=True)]
    path = written(tmp_path, "a;b;c\n" + "".join(rows))
    read = encsim.Capture.read
    assert read(path, "c,b", time="10 kHz").rate == 1e4
    assert read(path, "c,b", time=2e-3).rate == 500.0
    assert read(path, "c,b", mid_scale=3.0).cosine == pytest.approx(SIN, abs=6e-6)
    assert read(path, "3,2", skip=101).samples == 200
    millimetres = read(path, {"time": "a", "position": "c"}, units="us,mm")
    assert millimetres.position == pytest.approx(1e-3 * (SIN + 3), abs=1e-8)
    assert read(path, "time=1, velocity=2", units={"a": "ms", "b": "rpm"}).velocity == pytest.approx(
        COS * np.pi / 30, abs=1e-6)  # fmt: skip
    assert read(path, "count=1", wrap=0).count[-1] == 299
    assert read(path, "count=1", wrap="8 bit").count[-1] == 299
    assert read(path, decimal=".", delimiter=";").samples == 300


@pytest.mark.parametrize(
    ("options", "rule"),
    [
        ({"columns": "x,y"}, "columns must be one of a, b"),
        ({"columns": "speed=1"}, "columns must name what a column holds"),
        ({"columns": "1,1"}, "different columns"),
        ({"columns": "1,5"}, "number from 1 to 2"),
        ({"skip": -1}, "skip must be a whole number"),
        ({"decimal": ";"}, 'decimal must be "." or ","'),
        ({"units": "V"}, "units must be 2 units"),
        ({"units": "V,parsec"}, "units must be known units"),
        ({"time": "3 V"}, "time must be"),
        ({"time": -1.0}, "time must be positive"),
        ({"mid_scale": "half"}, "mid_scale must be a number"),
        ({"wrap": "x"}, "wrap must be a number of counts"),
    ],
)
def test_wrong_option_is_refused(options, rule, tmp_path):
    path = written(tmp_path, "a,b\n" + "".join(f"{c:.5f},{s:.5f}\n" for c, s in zip(COS, SIN, strict=True)))
    if options.get("wrap"):
        options = options | {"columns": "count=1"}
        path = written(tmp_path, "a,b\n" + "".join(f"{k},{k}\n" for k in K))
    with pytest.raises(encsim.InputError, match=rule):
        encsim.Capture.read(path, **options)


@pytest.mark.parametrize(
    ("fields", "rule"),
    [
        ({"kind": "x"}, "Capture.kind must be"),
        ({"kind": "channels", "cosine": [1.0, 2.0]}, "Capture.sine must be given"),
        ({"kind": "counts", "count": [1.5, 2.0]}, "whole numbers"),
        ({"kind": "counts", "count": [1, 2], "time": [1.0, 0.0]}, "never decrease"),
        ({"kind": "counts", "count": [1, 2], "torque": [1.0]}, "have 2 values as count"),
        ({"kind": "position", "position": [0.0, np.nan]}, "finite numbers only"),
        ({"kind": "position", "position": [[0.0]]}, "one row of real numbers"),
        ({"kind": "position", "position": [0.0, 1.0], "rate": -1.0}, "Capture.rate must be positive"),
    ],
)
def test_bad_capture_is_refused(fields, rule):
    with pytest.raises(encsim.InputError, match=rule):
        encsim.Capture(**fields)


def test_capture_copies_what_it_is_given():
    position = np.zeros(3)
    capture = encsim.Capture("position", position=position)
    position[0] = 1.0
    assert capture.position[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        capture.position[0] = 1.0
