"""Whatever stands in files and arguments: a terminal shows it as one short line that steers nothing."""

import csv
import io
import os
from pathlib import Path

import numpy as np
import pytest
from commands import STAGE_LOOP, unwrapped

import encsim
from encsim.__main__ import main
from encsim.checks import Fault, one_line
from encsim.decisions import candidate_reader
from encsim.presentation import report_layout
from encsim.reporting import page

EVIL = "a\x1b[2J\x1b]0;owned\x07\u202eb\r\nencsim: done"
NOT_UTF8 = os.fsdecode(b"t\xff")


def steers(text):
    """Whether a text holds anything that a terminal obeys beside the ends of lines."""
    return not text.replace("\n", "").isprintable()


def test_one_line_is_short_and_keeps_what_can_be_read():
    assert one_line("Größe 5 µm") == "Größe 5 µm"
    assert one_line(f"Größe {NOT_UTF8}") == "Größe t\\udcff"
    assert len(one_line(EVIL * 1_000_000)) == 80
    assert not steers(one_line(EVIL))


@pytest.mark.parametrize("part", ["field", "rule", "value", "hint", "source"])
def test_every_part_of_a_fault_is_short_and_printable(part):
    words = {"field": "axis.x", "rule": "be something", "value": 1, part: EVIL + "x" * 1_000_000}
    line = str(Fault(**words))
    assert len(line) < 600
    assert not steers(line)


@pytest.mark.parametrize(
    "argv",
    [
        [EVIL],
        ["ripple", "axis.toml", f"--{EVIL}"],
        ["ripple", "axis.toml", EVIL],
        ["ripple", EVIL],
        ["ripple", NOT_UTF8],
        ["ripple", "axis.toml", "--set", f"signal.gain={EVIL}"],
        ["ripple", "axis.toml", "--set", EVIL],
        ["ripple", "axis.toml", "--csv", f"no/{EVIL}"],
        ["ripple", "axis.toml", "--speeds", EVIL],
        ["explain", "axis.toml", "--speed", EVIL],
        ["identify", "header.csv", "--columns", "cos,sin", "--period", "20 um"],
        ["identify", "header.csv", "--columns", f"cos,{EVIL}", "--period", "20 um"],
        ["compare", "axis.toml", "header.csv"],
        ["calibrate", "header.csv"],
        ["run", "axis.toml", "--profile", "file header.csv"],
        ["run", "axis.toml", "--profile", EVIL],
        ["choose", "axis.toml", "--try", f"{EVIL}=1"],
        ["sweep", "axis.toml", f"sampling.rate={EVIL}"],
        ["new", EVIL + "/x.toml"],
    ],
)
def test_no_fault_steers_the_terminal(argv, folder, capsys):
    Path("header.csv").write_text(f'time,"{EVIL[:20]}{"x" * 1_000_000}",cos\n' + "1,2,3\n" * 30)
    assert main(argv) == 2
    err = capsys.readouterr().err
    assert not steers(err)
    assert len(err) < 4000
    assert all(line.startswith("encsim: ") and line != "encsim: done" for line in err.splitlines())


@pytest.mark.parametrize(
    "argv", [["fit", "axis.toml", "x.csv", "--skip=--"], ["report", "axis.toml", "-o--"]]
)
def test_two_dashes_are_no_value(argv, folder, capsys):
    assert main(argv) == 2
    assert 'must have a value, got "--"' in capsys.readouterr().err


def test_names_of_files_and_changes_forge_no_line_of_an_axis_file(folder, capsys):
    name = "x\n[load]\x1b[2J"
    Path(name).write_text(STAGE_LOOP)
    assert main(["show", name, "--set", "sampling.rate='8 kHz'#\n"]) == 0
    out = capsys.readouterr().out
    assert not steers(out)
    assert out.count("\n[load]") == 1


def test_reports_show_escapes_for_whatever_steers():
    table = report_layout.TextTable(
        [report_layout.texts(EVIL * 1000, [EVIL]), report_layout.texts("x", ["y"])]
    )
    text = report_layout.Report([EVIL], [table, report_layout.Paragraph(EVIL)], True).text(colour=False)
    assert not steers(text)
    assert len(text) < 4000
    assert "\\x1b" in unwrapped(text)


def test_names_in_a_table_are_no_formulas():
    axis = encsim.loads(STAGE_LOOP.replace("bits = 12", ""))
    wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02)
    names = ["=1+1", "+1", "-1", "@x", "plain"]
    choice = encsim.choose(axis, wanted, dict.fromkeys(names, axis), {"=cmd": lambda axis: 1.0})
    header, *rows = csv.reader(io.StringIO(choice.to_csv_text()))
    assert not [cell for cell in header if cell[0] in "=+-@"]
    place = header.index("name")
    assert sorted(row[place] for row in rows) == sorted(["'=1+1", "'+1", "'-1", "'@x", "plain"])
    assert np.isfinite([float(row[header.index("'=cmd")]) for row in rows]).all()


def test_title_that_is_no_utf8_becomes_one_line():
    assert page.heading(f"{NOT_UTF8}\n\x1b[2J") == "t\\udcff \\x1b[2J"
    page.heading(NOT_UTF8 * 1000).encode()


def test_costs_may_have_any_name(folder):
    text = (
        "[candidates]\ninterpolation.factor = [400]\n"
        '[candidates.cost."$x_{$ \\u001b"]\ninterpolation.factor = {400 = 1}\n'
    )
    assert candidate_reader.loads(text, encsim.loads(STAGE_LOOP))[1].keys() == {"$x_{$ \x1b"}
