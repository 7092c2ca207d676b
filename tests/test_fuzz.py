"""Mutated files and arguments: each ends with a result or with lines that say what is wrong, never with a crash."""

import random
import re
from pathlib import Path

import numpy as np
import pytest
from commands import EXAMPLES, STAGE_LOOP, TABLE_LOOP

import encsim
from encsim import InputError
from encsim.__main__ import main
from encsim.calibration import readings
from encsim.cli.parser import COMMANDS, build_parser
from encsim.decisions import candidate_reader, requirements
from encsim.formats import axis_file, toml_text
from encsim.model.profiles import Sampled
from encsim.recordings.capture import Capture
from encsim.spreads import description

AXIS = encsim.loads(STAGE_LOOP)
RING = (EXAMPLES / "table_r.toml").read_text()
WANTED = (EXAMPLES / "stage_x_choice.toml").read_text()
SPREAD = (EXAMPLES / "stage_x_spread.toml").read_text()
# What files hold by mistake or by malice.
WORDS = [
    "0", "-1", "1", "2", "1e9", "-1e308", "1e400", "nan", "inf", "-inf", "true", '""', '"x"', '"1 mm/s"', '"-5 um"',
    '"1e30 m/s"', '"30 rpm"', '"none"', "[]", "{}", "[1,2]", "0.02", '"8 kHz"', '"20 um"', '"1 ms"', '"2 kN s/m"',
    '["1 mm/s", "2 mm/s"]', "1979-05-27", "[[]]", "{3 = 0.1}", "{normal = 0.1}", '{uniform = "5 K"}', "[1, [2]]",
    '"\\u0000"', '"=1+1"', "99999999999999999999", '"\\U0001F600"', "0.1.2", "'''", '"1 µm"', "07:32:00",
]  # fmt: skip
READERS = [readings.read_differences, readings.read_error_map, readings.read_runs, readings.read_run_out]
SIGNS = [
    "\n",
    "=",
    "[",
    "]",
    "{",
    "}",
    '"',
    "#",
    ",",
    ";",
    "\t",
    ".",
    "\0",
    "\x1b[2J",
    "\r",
    "µ",
    "\ufeff",
    "-",
    "'",
    " ",
]


def mutated(text, draw):
    """A text with some of its values, lines and signs changed, and some taken from elsewhere in it."""
    lines = text.split("\n")
    for _ in range(draw.choice([1, 1, 1, 2, 3, 6])):
        place = draw.randrange(len(lines))
        how = draw.randrange(8)
        if how < 3 and "=" in lines[place]:
            lines[place] = f"{lines[place].partition('=')[0]}= {draw.choice(WORDS)}"
        elif how == 3:
            lines.insert(place, draw.choice(lines))
        elif how == 4 and len(lines) > 1:
            del lines[place]
        elif how == 5:
            other = draw.choice(lines).partition("=")[0]
            lines[place] = f"{other}= {draw.choice(WORDS)}"
        elif how == 6:
            lines[place] = re.sub(
                "[0-9]+", lambda _: draw.choice(["0", "-3", "1e7", "12", "4000000"]), lines[place]
            )
        else:
            at = draw.randrange(len(lines[place]) + 1)
            lines[place] = lines[place][:at] + draw.choice(SIGNS) + lines[place][at + draw.randrange(3) :]
    return "\n".join(lines)


def table(draw):
    """A recording or profile as text, good or odd."""
    mark, columns = draw.choice([",", ";", "\t", " "]), draw.randrange(1, 5)
    rows = [
        mark.join(f"{draw.gauss(0, 1):.6g}" for _ in range(columns)) for _ in range(draw.randrange(1, 40))
    ]
    head = mark.join(
        draw.choice(["time_s", "cos", "sin", "position_um", "pos [counts]", "t", '"a', ""])
        for _ in range(columns)
    )
    return "\n".join([head, *rows])


def profile(draw):
    """A smooth profile as text: time and position."""
    rows = [f"{0.01 * k:.4f},{1e-3 * np.sin(0.1 * k):.9f}" for k in range(draw.randrange(4, 40))]
    return "\n".join(["time,position", *rows])


def turn(draw):
    """Readings of a turn, with the columns of each kind of calibration file."""
    points = draw.randrange(2, 30)
    names = ["step_deg", "difference_arcsec", "error_arcsec", "target_deg", "forward_deg", "backward_deg"]
    rows = [
        ",".join([f"{360 / points * k:.9g}", "0", *(f"{draw.gauss(0, 1):.6g}" for _ in names[1:])])
        for k in range(points)
    ]
    return "\n".join([",".join(["angle_deg", *names]), *rows])


def axis(text, draw):
    loaded = axis_file.loads(mutated(text, draw))
    assert axis_file.loads(loaded.to_toml()) == loaded


def ripple(text, draw):
    """What loads is computed: a ripple that is called valid is a number, and no part of it is negative."""
    curve = encsim.ripple(axis_file.loads(mutated(text, draw)), ["1 um/s", "1 mm/s", "0.1 m/s"])
    assert np.all(np.isfinite(curve.rms[curve.valid])), curve.rms
    assert np.all(curve.rms[curve.valid] >= 0)


def read(draw, text):
    """A calibration file by one of its readers."""
    return draw.choice(READERS)(text)


def kinds(folder):
    """What is tried, {kind: function of the random source}."""
    path = folder / "table.txt"

    def written(draw, made=table):
        path.write_bytes(mutated(made(draw), draw).encode("utf-8", "surrogatepass"))
        return path

    return {
        "axis": lambda draw: axis(draw.choice([STAGE_LOOP, TABLE_LOOP, RING]), draw),
        "changes": lambda draw: AXIS.with_(draw.choice(list(_keys())), draw.choice(WORDS).strip('"')),
        "requirement": lambda draw: requirements.loads(mutated(WANTED, draw), axis=AXIS),
        "candidates": lambda draw: candidate_reader.loads(mutated(WANTED, draw), AXIS),
        "spread": lambda draw: description.loads(mutated(SPREAD, draw), AXIS),
        "capture": lambda draw: Capture.read(written(draw)),
        "calibration": lambda draw: read(draw, mutated(turn(draw), draw)),
        "ripple": lambda draw: ripple(STAGE_LOOP, draw),
        "profile": lambda draw: Sampled.from_file(written(draw, profile)),
    }


def _keys():
    return [
        f"{section}.{key}" for section, keys in toml_text.document(STAGE_LOOP, "x").items() for key in keys
    ]


@pytest.mark.filterwarnings("error")
def test_mutated_files_end_with_a_result_or_an_input_error(tmp_path, cases):
    taken = dict.fromkeys(found := kinds(tmp_path), 0)
    shown = []
    for seed in range(cases(400, 18_000)):
        draw = random.Random(seed)
        kind = list(found)[seed % len(found)]
        try:
            found[kind](draw)
            taken[kind] += 1
        except InputError as error:
            shown.append((seed, str(error)))
        except Exception as error:
            raise AssertionError(f"{kind}, seed {seed}") from error
    assert [seed for seed, text in shown if not text.replace("\n", "").isprintable() or not text] == []
    assert [seed for seed, text in shown if max(map(len, text.split("\n"))) > 1500] == []
    # a fuzzer whose every case is refused at the door tries nothing
    assert all(taken.values()), taken


def arguments(draw):
    """A command line of options that the command has, with odd values; no work is long."""
    name = draw.choice(list(COMMANDS))
    names = build_parser(name).names
    values = [
        "axis.toml",
        "ring.toml",
        "table.txt",
        "nowhere",
        "-1",
        "0",
        "1 mm/s",
        "5 rpm",
        "nan",
        "a=b",
        "",
        "--",
        "x\x1b",
    ]
    values += [
        "sampling.rate=8 kHz",
        "scale.period=0",
        "1 mm/s : 2 mm/s : 3",
        "1,2",
        "\udcff",
        "=",
        "-",
        "out.png",
    ]
    argv = [name, *draw.choices(values, k=draw.randrange(3))]
    for _ in range(draw.randrange(4)):
        argv += [draw.choice([*names, "--anything", "-q"]) + draw.choice(["", "=" + draw.choice(values)])]
        argv += draw.choices(values, k=draw.randrange(2))
    return argv


def test_random_command_lines_end_with_status_0_1_or_2(tmp_path, monkeypatch, capsys, cases):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", None)
    Path("ring.toml").write_text(TABLE_LOOP)
    Path("axis.toml").write_text("[scale]\nperiod = '20 um'\n[sampling]\nrate = '8 kHz'\n")
    for seed in range(cases(100, 2000)):
        draw = random.Random(seed)
        Path("table.txt").write_text(table(draw))
        argv = arguments(draw)
        code = main(argv)
        said = capsys.readouterr()
        assert code in (0, 1, 2), (seed, argv, said.err)
        assert code == 0 or said.err.strip(), (seed, argv)
        assert said.err.replace("\n", "").isprintable(), (seed, argv)
        assert "crashed" not in said.err
    assert np.all([path.name.count("part") == 0 for path in tmp_path.iterdir()])
