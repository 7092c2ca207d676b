"""The command that writes a page, as a user runs it."""

import pytest
from pages import HOSTILE, page_of, table

from encsim.__main__ import main

PLAIN = '[scale]\nperiod = "20 um"\n[signal]\njitter = "1 nm"\n[sampling]\nrate = "16 kHz"\n'
ASKED = '[requirement]\nspeeds = ["1 mm/s", "100 mm/s"]\nrelative = 0.01\n'
SPREAD = "[spread]\nsignal.gain = {normal = 0.01}\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with an axis file."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "axis.toml").write_text(PLAIN)
    return tmp_path


def run(capsys, *argv):
    """Exit code, stdout and stderr of a command."""
    code = main(["report", *argv])
    return code, *capsys.readouterr()


def test_command_writes_what_the_library_writes(folder, capsys):
    (folder / "table.toml").write_text(table().to_toml())
    (folder / "page.html").write_text("mine")
    argv = ["table.toml", "-o", "page.html", "--reproducible", "--title", HOSTILE, "--force"]
    code, out, _ = run(capsys, *argv)
    assert code == 0
    assert out.startswith("page.html is written, ")
    assert (folder / "page.html").read_text(encoding="utf-8") == page_of("ring")


def test_page_to_stdout_is_the_file_alone_and_holds_what_the_axis_file_asks_for(folder, capsys):
    (folder / "axis.toml").write_text(PLAIN + ASKED + SPREAD)
    code, out, _ = run(capsys, "axis.toml", "-o", "-", "--quiet", "--speeds", "5 mm/s", "--samples", "30")
    assert code == 0
    assert out.startswith("<!DOCTYPE html>")
    assert out.endswith("</html>\n")
    assert "\u202f" in out
    assert "as a share of the limit" in out
    assert 'id="tolerance"' in out


def test_requirement_comes_from_a_file_of_its_own(folder, capsys):
    (folder / "limits.toml").write_text(ASKED)
    assert run(capsys, "axis.toml", "-o", "page.html", "--requirement", "limits.toml")[0] == 0
    assert "as a share of the limit" in (folder / "page.html").read_text()


def test_page_that_exists_is_kept_without_force(folder, capsys):
    (folder / "page.html").write_text("mine")
    code, out, err = run(capsys, "axis.toml", "-o", "page.html")
    assert (code, out) == (2, "")
    assert "--output must name a file that does not exist yet" in err
    assert (folder / "page.html").read_text() == "mine"


@pytest.mark.parametrize(("options", "told"), [
    (["-o", "axis.toml", "--force"], "--output must differ from the file that is read"),
    (["-o", "no/page.html"], "--output must name a file in a folder that exists"),
    (["-o", "p.html", "--speeds", "5 kg"], "--speeds"),
    (["-o", "p.html", "--seed", "-1"], "--seed must be a whole number"),
    (["-o", "p.html", "--samples", "1.5"], "--samples must be a whole number from 0 to 100000"),
    (["-o", "p.html", "--requirement", "none.toml"], 'must exist, got "none.toml"'),
    (["-o", "p.html", "--requirement", "axis.toml"], "[requirement] must be given"),
    (["-o", "p.html", "--reproducable"], "did you mean --reproducible?"),
    ([], "-o must be given, as in -o page.html"),
])  # fmt: skip
def test_wrong_input_is_one_line_that_names_the_option(options, told, folder, capsys):
    code, out, err = run(capsys, "axis.toml", *options)
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.splitlines()) == 1
    assert sorted(path.name for path in folder.iterdir()) == ["axis.toml"]


def test_all_faults_are_told_at_once(folder, capsys):
    (folder / "axis.toml").write_text(
        PLAIN + '[requirement]\nspeeds = ["1 mm/s", "100 mm/s"]\nmeasured = "1 kg"\n'
    )
    code, _, err = run(capsys, "axis.toml", "-o", "no/p.html", "--speeds", "0 mm/s : 1", "--seed", "x")
    assert code == 2
    assert all(name in err for name in ("--output", "--speeds", "--seed", "axis.toml, line 9"))


def test_several_axes_are_compared_on_one_page(folder, capsys):
    (folder / "finer.toml").write_text(PLAIN + 'latency = "10 us"\n' + ASKED)
    (folder / "axis.toml").write_text(PLAIN + ASKED)
    code, _, _ = run(capsys, "axis.toml", "finer.toml", "-o", "page.html", "--title", "Variants")
    assert code == 0
    text = (folder / "page.html").read_text(encoding="utf-8")
    assert "<caption>The axes compared</caption>" in text
    assert text.count("<article") == 2
    assert "10 µs old when used" in text


@pytest.mark.parametrize(("argv", "told"), [
    (["axis.toml", "axis.toml"], "axis.toml must be another file each time"),
    (["axis.toml", "table.toml"], "axis.toml must be axes that are all linear or all rotary"),
    (["axis.toml", "no.toml"], "no.toml"),
    (["axis.toml", "--lang", "xx"], "--lang must be a language that there is (en), got \"xx\""),
])  # fmt: skip
def test_axes_and_languages_that_are_not_there_are_refused(argv, told, folder, capsys):
    (folder / "table.toml").write_text(table().to_toml())
    code, out, err = run(capsys, *argv, "-o", "page.html")
    assert (code, out) == (2, "")
    assert told in err
    assert not (folder / "page.html").exists()
