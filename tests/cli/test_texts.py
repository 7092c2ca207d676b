"""What all texts have in common: three lines that answer, lines that fit, standard words, units of the input."""

import re

import pytest
from commands import EXAMPLES, done, unwrapped

import encsim
from encsim.__main__ import main
from encsim.cli import outputs
from encsim.cli.parser import COMMANDS
from encsim.reporting import short_text

STAGE, LOOP, TABLE = (str(EXAMPLES / name) for name in ("stage_x.toml", "stage_x_loop.toml", "table_r.toml"))
# Commands of README, and words that the first three lines of the answer have.
TEXTS = {
    "ripple": (["ripple", STAGE], ["Ripple is ", " % of the speed", " rms"]),
    "ripple of a table": (["ripple", TABLE, "--speeds", "1 rpm : 100 rpm : 10"], [" % of the speed", " rms"]),
    "sweep": (["sweep", STAGE, "sampling.rate=8 kHz,16 kHz"], ["least with sampling.rate = 8 kHz"]),
    "period": (["period", STAGE], ["Error within the signal period", "Largest: harmonic 2"]),
    "simulate": (
        ["simulate", STAGE, "--speed", "2 mm/s", "--seconds", "0.1"],
        ["Velocity ripple at 2.00 mm/s"],
    ),
    "limits": (["limits", TABLE], ["Top speed", "Null speeds"]),
    "check": (["check", LOOP], ["no faults"]),
    "frontier": (["frontier", STAGE, "--speed", "1 mm/s"], ["Present estimator", "delay"]),
    "loop": (["loop", LOOP], ["is stable", "phase margin", "delay margin"]),
    "step": (["step", LOOP, "--of", "load", "--size", "20 N"], ["peak force", "settling time"]),
    "ring": (["ring", TABLE], ["Angle error", "peak", "uncertainty"]),
    "plan": (["calibrate", "--plan", "--steps", "11", "--points", "720"], ["328 of 360 orders"]),
}
# Words that readers of the trade do not know or take for something else.
HOME_MADE = re.compile(
    r"\b((?<!plot-)folded|vanish\w*|seen at|comes at|counting|calmer|quicker estimator|older|binds?|bears|won|a turn"
    r"|a period|a second|a sample|in doubt|doubtful|may not be believed|at a glance|taller|pure waves"
    r"|less demanded|off its|so many|by itself|fixes all chance|true ripple|true velocity|really|foretell"
    r"|lost orders)\b",
    re.IGNORECASE,
)


@pytest.fixture(scope="module")
def reports():
    """The report of each command, short and long, computed once."""
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        for name, (argv, _) in TEXTS.items():
            for long in ([], ["--long"]):
                key = (name, bool(long))
                patch.setattr(
                    outputs, "laid_out", lambda report, key=key: found.setdefault(key, report) and ""
                )
                assert main([*argv, *long, "--force"]) == 0
    return found


@pytest.mark.parametrize("name", TEXTS)
def test_first_three_lines_answer(name, reports):
    first = unwrapped("\n".join(reports[name, False].text(80).splitlines()[:3]))
    assert [words for words in TEXTS[name][1] if words not in first] == []


@pytest.mark.parametrize("name", TEXTS)
def test_no_line_is_wider_than_the_terminal(name, reports):
    for width in (40, 80, 120):
        for long in (False, True):
            lines = reports[name, long].text(width).splitlines()
            assert [line for line in lines if len(line) > width] == [], (width, long)


@pytest.mark.parametrize("name", TEXTS)
def test_words_are_the_trades_and_numbers_have_few_digits(name, reports):
    text = reports[name, True].text(100)
    assert HOME_MADE.findall(text) == []
    assert re.findall(r"\d\.\d{9,}|\d{9,}", text) == []


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_in_standard_words_and_has_the_common_options(command, capsys):
    text = done(capsys, "help", command)
    assert HOME_MADE.findall(text) == []
    assert all(option in text for option in ("--long", "--units", "--force", "--quiet"))


@pytest.mark.parametrize(
    ("argv", "unit", "others"),
    [
        (["ripple", TABLE, "--speeds", "1 rpm, 5 rpm"], "rpm", ["deg/s", "arcsec/s", "rad/s"]),
        (["ripple", TABLE, "--speeds", "6 deg/s, 30 deg/s"], "deg/s", ["rpm", "arcsec/s"]),
        (["ripple", TABLE, "--speeds", "0.1 rev/s, 1 rev/s"], "rev/s", ["rpm", "deg/s"]),
        (["ripple", STAGE, "--speeds", "1 mm/s, 2 mm/s"], "mm/s", ["µm/s", " m/s"]),
        (["ripple", STAGE, "--speeds", "1 mm/s", "--units", "m/min"], "m/min", ["mm/s"]),
        (["period", STAGE, "--units", "pm"], "pm", [" nm"]),
        (["ring", TABLE], "arcsec", ["″", "mrad", "nrad"]),
    ],
)
def test_numbers_stand_in_the_unit_of_the_input(argv, unit, others, capsys):
    text = done(capsys, *argv)
    assert unit in text
    assert [other for other in others if other in text] == []


@pytest.mark.parametrize("units", ["mm/z", "mm/s, um/s", "kg"])
def test_units_that_are_none_are_refused(units, capsys):
    assert main(["ripple", STAGE, "--speeds", "1 mm/s", "--units", units]) == 2
    assert "--units must" in capsys.readouterr().err


def test_units_of_a_file_change_no_number_and_no_equality():
    axis = encsim.loads('scale.period = "20 um"\nsampling.rate = "16 kHz"\n[motion]\ntop = "2 m/min"\n')
    plain = encsim.loads(axis.to_toml())
    assert axis.shown == {"m/s": "m/min"}
    assert (axis, hash(axis)) == (plain, hash(plain))
    assert encsim.top_speed(axis).to_dict() == encsim.top_speed(plain).to_dict()
    assert axis.with_("sampling.rate", "8 kHz").shown == axis.shown


def test_result_prints_what_its_command_prints(capsys):
    axis = encsim.load(TABLE)
    curve = encsim.ripple(axis, [0.1, 0.2])
    assert short_text(curve) == done(
        capsys, "ripple", TABLE, "--speeds", "0.1 rad/s, 0.2 rad/s", "--units", "rpm"
    )


@pytest.mark.parametrize(
    ("environment", "terminal", "coloured"),
    [
        ({}, True, True),
        ({}, False, False),
        ({"NO_COLOR": "1"}, True, False),
        ({"FORCE_COLOR": "1"}, False, True),
        ({"NO_COLOR": "1", "FORCE_COLOR": "1"}, True, False),
        ({"TERM": "dumb"}, True, False),
        ({"NO_COLOR": ""}, True, True),
    ],
)
def test_colour_follows_the_environment_then_the_terminal(environment, terminal, coloured, monkeypatch):
    for name in ("NO_COLOR", "FORCE_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)

    class Stream:
        def isatty(self):
            return terminal

    assert outputs.coloured(Stream()) == coloured


def test_only_limits_and_doubts_are_coloured(reports):
    text = reports["loop", False].text(80, colour=True)
    plain = reports["loop", False].text(80)
    assert re.sub("\x1b\\[[0-9]*m", "", text) == plain
    coloured = re.findall("\x1b\\[3[13]m(.*?)\x1b\\[0m", text)
    assert coloured
    assert all("?" in each or "reliable" in each or "ote" in each or "model" in each for each in coloured)
