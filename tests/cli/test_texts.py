"""What all texts have in common: three lines that answer, lines that fit, standard words, units of the input."""

import contextlib
import json
import re
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pytest
from commands import EXAMPLES, STAGE_LOOP, TABLE_LOOP, done, unwrapped

import encsim
from encsim import units, wording
from encsim.__main__ import main
from encsim.cli import outputs, spread_commands, stream_commands
from encsim.cli.command import Command
from encsim.cli.parser import COMMANDS
from encsim.presentation.report_layout import Report
from encsim.reporting import short_text

STAGE, LOOP, TABLE = (str(EXAMPLES / name) for name in ("stage_x.toml", "stage_x_loop.toml", "table_r.toml"))
DATA = EXAMPLES.parent / "tests/data"
BLDC = str(DATA / "bldc_optical_20000cpr_1khz/openloop_50rad_s_30rev.csv")
TRY = ["--try", "interpolation.factor=400, 4000", "--requirement", str(EXAMPLES / "stage_x_spread.toml")]
SPREAD = str(EXAMPLES / "stage_x_spread.toml")
# Every command but `report` and `stream` (below), and words that the first three lines have; the first of them is the
# answer itself and stands there in a narrow terminal too.
TEXTS = {
    "new": (["new", "made.toml"], ["is written"]),
    "check": (["check", LOOP], ["no faults"]),
    "show": (["show", STAGE], ["# Every value of"]),
    "ripple": (["ripple", STAGE], ["Ripple is ", " % of the speed", " rms"]),
    "ripple of a loop": (["ripple", LOOP], ["Closed loop: ripple is ", " % of the speed"]),
    "ripple of a table": (["ripple", TABLE, "--speeds", "1 rpm : 100 rpm : 10"], [" % of the speed", " rms"]),
    "ripple in limits": (["ripple", "limited.toml"], ["Closed loop: above the limit", "times the limit at"]),
    "sweep": (["sweep", STAGE, "sampling.rate=8 kHz,16 kHz"], ["least with sampling.rate = 8 kHz"]),
    "period": (["period", STAGE], ["Error within the signal period", "Largest: harmonic 2"]),
    "simulate": (
        ["simulate", STAGE, "--speed", "2 mm/s", "--seconds", "0.1"],
        ["ripple at 2.00 mm/s", "peak"],
    ),
    "limits": (["limits", TABLE], ["Top speed", "Aliasing begins at"]),
    "frontier": (
        ["frontier", STAGE, "--speed", "1 mm/s", "--estimators", "own; difference 4, 16; low-pass 1 kHz"],
        ["Present estimator", "delay", "rms"],
    ),
    "explain": (
        ["explain", "limited.toml", "--speed", "5 mm/s"],
        ["Closed loop: above the limit", "limit 0.0500 mm/s", "largest cause", "Best remedy", "limit met"],
    ),
    "choose": (["choose", STAGE, *TRY], ["Best of 2 candidates", "Limited by "]),
    "tolerance": (
        ["tolerance", STAGE, "--spread", SPREAD, "--requirement", SPREAD, "--samples", "50"],
        [" of 100 axes meet the requirement"],
    ),
    "loop": (["loop", LOOP], ["Loop stable", "phase margin", "delay margin"]),
    "tune": (["tune", LOOP], ["Proposed gains: limited by", "Loop stable", "phase margin"]),
    "step": (["step", LOOP, "--of", "load", "--size", "20 N"], ["peak force", "settling time"]),
    "run": (["run", LOOP, "--speed", "5 mm/s", "--seconds", "0.2"], ["ripple at 5.00 mm/s", "actual (axis)"]),
    "move": (["run", LOOP, "--profile", "trapezoid 10 mm, 50 mm/s, 2 m/s2"], ["Largest following error"]),
    "ring": (["ring", TABLE], ["Angle error", "peak", "uncertainty"]),
    "plan": (["calibrate", "--plan", "--steps", "11", "--points", "720"], ["328 of 360 orders"]),
    "calibrate": (["calibrate", "readings.csv"], ["Error of ring A", "of ring B"]),
    "identify": (
        ["identify", str(DATA / "magnetic_two_channel_spin_mit/spin_z_3turns.csv")],
        ["Largest errors of the channels: offset sine 20.7 %", "Residual"],
    ),
    "identify counts": (["identify", BLDC], ["Resolution 64.8 arcsec"]),
    "compare": (["compare", TABLE, BLDC], ["Differs: ", " rms measured, ", " predicted"]),
    "separate": (["separate", LOOP, "slow.csv", "fast.csv"], ["Orders: ", " of the encoder"]),
    "fit": (["fit", STAGE, "steady.csv", "--free", "signal.gain"], ["misfit"]),
}
# Words that readers of the trade do not know or take for something else.
HOME_MADE = re.compile(
    r"\b((?<!plot-)folded|vanish\w*|seen at|comes at|counting|calmer|quicker estimator|older|binds?|bears|won|a turn"
    r"|a period|a second(?! head)|a sample|in doubt|doubtful|may not be believed|at a glance|taller|pure waves"
    r"|less demanded|off its|so many|by itself|fixes all chance|true ripple|true velocity|really|foretell"
    r"|lost orders)\b",
    re.IGNORECASE,
)


class Told(NamedTuple):
    """What a command says, short and long, and its plain values."""

    short: str | Report
    long: str | Report
    plain: str | None


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """What each command says, computed once: a function of its name in TEXTS."""
    folder = tmp_path_factory.mktemp("texts")
    limit = '\n[requirement]\nspeeds = ["1 mm/s", "100 mm/s"]\nrelative = 0.01\nfloor = "50 um/s"\n'
    (folder / "limited.toml").write_text((EXAMPLES / "stage_x_loop.toml").read_text() + limit)
    _write_recordings(folder)
    found = {}

    def made(self, job):
        both = []
        for long in (False, True):
            job.args.long = long
            both.append(self.text(job))
        found["now"] = Told(*both, None if self.json is None else json.dumps(self.json(job), allow_nan=False))
        return [], ""

    def of(name):
        if name not in found:
            with pytest.MonkeyPatch.context() as patch, contextlib.chdir(folder):
                patch.setattr(Command, "_made", made)
                assert main([*TEXTS[name][0], "--force"]) == 0
            found[name] = found.pop("now")
        return found[name]

    return of


def _write_recordings(folder):
    """Recordings and readings that the commands read."""
    trace = encsim.simulate(encsim.load(STAGE), 0.0137, 8000, seed=1)
    _write_table(folder / "steady.csv", {"time_s": trace.time, "position_m": trace.position})
    for name, speed in (("slow", 0.00413), ("fast", 0.01137)):
        run = encsim.run(encsim.load(LOOP), speed, 0.3, seed=1)
        values = {"time_s": run.time, "position_m": run.position, "torque_N": run.torque}
        _write_table(folder / f"{name}.csv", values)
    angle, steps = 15.0 * np.arange(24), 360.0 / 7 * np.arange(7)
    one = np.array([(step, at) for step in steps for at in angle]).T
    error = np.sin(np.radians(one[1])) - np.sin(np.radians(one[1] - one[0]))
    values = {"step_deg": one[0], "angle_deg": one[1], "difference_arcsec": error}
    _write_table(folder / "readings.csv", values)


def _write_table(path, columns):
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    path.write_text("\n".join([",".join(columns), *(",".join(map(repr, row)) for row in rows)]) + "\n")


def lines(report, width):
    """Lines of a report or text at a width."""
    return (report if isinstance(report, str) else report.text(width)).splitlines()


def test_every_command_is_walked():
    assert {argv[0] for argv, _ in TEXTS.values()} | {"report", "stream"} == set(COMMANDS)


@pytest.mark.parametrize("name", TEXTS)
def test_first_three_lines_answer(name, told):
    for width in (60, 80, 120):
        shown = lines(told(name).short, width)
        first = unwrapped("\n".join(shown[:3]))
        wanted = TEXTS[name][1] if width > 60 else TEXTS[name][1][:1]
        assert [words for words in wanted if words not in first] == []
        # then a blank line, a table or detail
        assert isinstance(told(name).short, str) or "" in shown[:4] or len(shown) < 4


@pytest.mark.parametrize("name", TEXTS)
def test_no_line_is_wider_than_the_terminal(name, told):
    for report in told(name)[:2]:
        for width in (40, 60, 80, 120) if not isinstance(report, str) else (100,):
            assert [line for line in lines(report, width) if len(line) > width] == []


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_what_report_and_stream_say_of_their_files_fits_the_terminal(width):
    job = SimpleNamespace(args=SimpleNamespace(output="page.html", quiet=False), result="é" * 10_000)
    text = spread_commands.REPORT.text(job).text(width)
    assert unwrapped(text) == "page.html is written, 20 kB. Open it in a browser."
    assert max(map(len, text.splitlines())) <= width
    job.args.quiet = True
    assert spread_commands.REPORT.text(job) == ""
    # its samples may go to stdout: all that it says stands on stderr, a line each
    assert stream_commands.STREAM.text(job) == ""


@pytest.mark.parametrize("name", TEXTS)
def test_short_text_fits_a_screen(name, told):
    # 30 lines are a terminal of the usual height; tables of two kinds, and files shown whole, take more
    most = {"tolerance": 40, "choose": 40, "tune": 32, "show": 200}.get(name, 30)
    assert len(lines(told(name).short, 80)) <= most


@pytest.mark.parametrize("name", TEXTS)
def test_words_are_the_trades_and_numbers_have_few_digits(name, told):
    text = "\n".join(lines(told(name).long, 100))
    assert HOME_MADE.findall(text) == []
    digits = [number.replace(".", "").strip("0") for number in re.findall(r"[0-9]+\.?[0-9]*", text)]
    assert [number for number in digits if len(number) > 6] == []


@pytest.mark.parametrize("name", [name for name in TEXTS if name not in ("check", "show", "new")])
def test_json_of_every_command_is_loaded_as_its_result(name, told, tmp_path):
    (tmp_path / "result.json").write_text(told(name).plain)
    plain, result = json.loads(told(name).plain), encsim.load_result(tmp_path / "result.json")
    again = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert {key: plain[key] for key in again} == again
    assert (result.arguments, result.origin.version) == (again["arguments"], encsim.__version__)


@pytest.mark.parametrize("name", ["check", "show"])
def test_json_that_is_no_result_is_refused(name, told, tmp_path):
    (tmp_path / "plain.json").write_text(told(name).plain)
    with pytest.raises(encsim.InputError, match="hold a result that result"):
        encsim.load_result(tmp_path / "plain.json")


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


@pytest.mark.parametrize(
    ("text", "speed", "unit"),
    [
        (TABLE_LOOP, "5 rpm", "rpm"),
        (TABLE_LOOP, "30 deg/s", "deg/s"),
        (TABLE_LOOP, "20 mrad/s", "mrad/s"),
        (STAGE_LOOP, "0.5 m/min", "m/min"),
    ],
)
def test_every_command_about_an_axis_shows_speeds_in_the_unit_typed_alone(
    text, speed, unit, tmp_path, capsys
):
    axis = tmp_path / "axis.toml"
    axis.write_text(text + f'\n[motion]\ntop = "{speed}"\n')
    kind = next(each for each in ("speed(m/s)", "speed(rad/s)") if unit in units.DIMENSIONS[each].units)
    others = {wording.symbol(each) for each in units.DIMENSIONS[kind].units} - {wording.symbol(unit)}
    others = {each.replace("°", "deg").replace("″", "arcsec") for each in others} - {unit}
    for command in (
        ["ripple"], ["limits"], ["loop"], ["step"], ["sweep", "sampling.rate=8 kHz,16 kHz"],
        ["simulate", "--speed", speed, "--seconds", "20 ms"], ["run", "--speed", speed, "--seconds", "50 ms"],
        ["frontier", "--speed", speed, "--estimators", "own; difference 4"],
    ):  # fmt: skip
        shown = done(capsys, command[0], str(axis), *command[1:], "--quiet")
        words = set(re.findall(r"[a-zµ]+/[a-z]+|rpm", shown))
        assert words & others == set(), command


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


def test_only_limits_and_doubts_are_coloured(told):
    text = told("loop").short.text(80, colour=True)
    plain = told("loop").short.text(80)
    assert re.sub("\x1b\\[[0-9]*m", "", text) == plain
    coloured = re.findall("\x1b\\[3[13]m(.*?)\x1b\\[0m", text)
    assert coloured
    assert all("?" in each or "reliable" in each or "ote" in each or "model" in each for each in coloured)
