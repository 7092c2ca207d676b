"""Whatever a user gets wrong ends with exit status 2, a short line each, and nothing touched."""

import pytest
from commands import refused

from encsim.__main__ import main

AXIS = """[scale]
period = "20 um"

[signal]
offset = [0.01, -0.005]
gain = 0.02
phase = "0.6 deg"
harmonics = {3 = 0.002}
sde = {1 = "40 nm", 2 = ["20 nm", "17 deg"]}
jitter = "0.5 nm"

[interpolation]
factor = 4000
bits = 12

[sampling]
rate = "16 kHz"
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with an axis file and a capture, which is also the working directory."""
    (tmp_path / "axis.toml").write_text(AXIS)
    rows = "".join(f"{c},{s}\n" for c, s in [(1, 0), (0, 1), (-1, 0), (0, -1)] * 8)
    (tmp_path / "capture.csv").write_text(f"cos,sin\n{rows}")
    monkeypatch.chdir(tmp_path)
    return tmp_path


WRONG_IN_FILE = {
    "misspelt key": ("gain = 0.02", "gian = 0.02", ["signal.gian", "gain", "line 6"]),
    "misspelt table": ("[interpolation]", "[interpolaton]", ["interpolaton", "interpolation"]),
    "wrong unit": ('"16 kHz"', '"16 mm"', ["sampling.rate", "16 mm", "frequency"]),
    "required key left out": ('rate = "16 kHz"', "", ["sampling.rate"]),
    "required table left out": ('[scale]\nperiod = "20 um"', "", ["scale"]),
    "impossible combination": ("bits = 12", 'output = "ab"\nedge_clock = "-1 Hz"', ["edge_clock", "-1"]),
    "broken TOML": ("[signal]", "[signal", ["line 4"]),
    "key given twice": ("gain = 0.02", "gain = 0.02\ngain = 0.03", ["line 7"]),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG_IN_FILE)
def test_wrong_axis_file_is_refused_with_key_value_and_rule(case, folder, capsys):
    old, new, words = WRONG_IN_FILE[case]
    assert old in AXIS
    (folder / "axis.toml").write_text(AXIS.replace(old, new))
    refused(["ripple", "axis.toml"], ["axis.toml", *words], folder, capsys)


def test_all_faults_of_a_file_come_at_once_a_line_each(folder, capsys):
    wrong = (
        AXIS.replace("gain = 0.02", "gian = 0.02")
        .replace('"16 kHz"', '"16"')
        .replace("bits = 12", "bits = 1")
    )
    (folder / "axis.toml").write_text(wrong)
    err = refused(
        ["ripple", "axis.toml"], ["signal.gian", "sampling.rate", "interpolation.bits"], folder, capsys
    )
    assert len(err.splitlines()) == 3


@pytest.mark.parametrize(
    "content", [b"", b"\x00\xff\xfe\x01" * 100, b"\xff\xfeh\x00i\x00", b"[" * 3000, b"a = " + b"[" * 9999]
)
def test_file_that_is_no_axis_file_is_refused(content, folder, capsys):
    (folder / "axis.toml").write_bytes(content)
    refused(["ripple", "axis.toml"], ["axis.toml"], folder, capsys)


COMMANDS_THAT_READ = {
    "check": [],
    "show": [],
    "sweep": ["sampling.rate=8 kHz"],
    "ripple": [],
    "period": [],
    "limits": [],
    "simulate": ["--speed", "2 mm/s", "--seconds", "10 ms"],
    "identify": [],
}


@pytest.mark.parametrize("command", COMMANDS_THAT_READ)
def test_file_that_cannot_be_read_is_refused_by_every_command(command, folder, capsys):
    for name in ("none.toml", ".", "a\0b", "x" * 5000, "/proc/self/mem", ""):
        words = ["file must", name[:40].replace("\0", "\\x00")]
        refused([command, name, *COMMANDS_THAT_READ[command]], words, folder, capsys)


WRONG_SPEEDS = {
    "reversed": ("1 m/s : 1 mm/s : 10", ["rise", "1 m/s"]),
    "equal ends": ("1 m/s : 1 m/s : 10", ["rise"]),
    "from zero": ("0 m/s : 1 m/s : 10", ["above zero"]),
    "from below zero": ("-1 m/s : 1 m/s : 10", ["above zero"]),
    "one point": ("1 mm/s : 1 m/s : 1", ["2", "1"]),
    "no whole number of points": ("1 mm/s : 1 m/s : 2.5", ["whole number", "2.5"]),
    "too many points": ("1 mm/s : 1 m/s : 99999999", ["whole number", "99999999"]),
    "two parts": ("1 mm/s : 1 m/s", ["three parts"]),
    "four parts": ("1 mm/s : 1 m/s : 3 : 4", ["three parts"]),
    "no unit": ("1, 2", ["unit", "um/s"]),
    "unit of length": ("1 mm", ["unit of linear speed", "1 mm"]),
    "rotary on a linear scale": ("3 rpm", ["linear speed", "rpm"]),
    "not a number": ("nan m/s", ["number", "nan"]),
    "infinite": ("inf m/s", ["number", "inf"]),
    "huge": ("1e400 m/s", ["1e400"]),
    "huge but a float": ("1e300 m/s", ["1e"]),
    "empty": ("", ["speeds"]),
    "empty entry": ("1 mm/s,,2 mm/s", ["unit"]),
    "words": ("fast", ["fast", "mm/s"]),
}


@pytest.mark.parametrize("case", WRONG_SPEEDS)
def test_silly_speeds_are_refused(case, folder, capsys):
    speeds, words = WRONG_SPEEDS[case]
    refused(["ripple", "axis.toml", f"--speeds={speeds}"], ["--speeds", *words], folder, capsys)


ROTARY = AXIS.replace('period = "20 um"', "lines = 9000").replace("sde = ", "# ").replace("jitter = ", "# ")


@pytest.mark.parametrize(
    ("argv", "option"),
    [
        (["ripple", "axis.toml", "--speeds", "2 mm/s"], "--speeds"),
        (["period", "axis.toml", "--speed", "2 mm/s"], "--speed"),
        (["simulate", "axis.toml", "--speed", "2 mm/s", "--seconds", "1"], "--speed"),
        (["simulate", "axis.toml", "--speed", "2 rpm", "--seconds", "1", "--start", "1 um"], "--start"),
    ],
)
def test_linear_quantity_is_refused_for_a_rotary_scale(argv, option, folder, capsys):
    (folder / "axis.toml").write_text(ROTARY)
    refused(argv, [option, "m"], folder, capsys)


WRONG_SETTINGS = {
    "no value": ("signal.gain", ["signal.gain"]),
    "no key": ("=3", ["--set"]),
    "empty": ("", ["--set"]),
    "misspelt": ("signal.gian=0.01", ["signal.gian", "gain"]),
    "unknown table": ("sampler.rate=1", ["sampler"]),
    "wrong unit": ("sampling.rate=8 mm", ["sampling.rate", "8 mm"]),
    "out of range": ("sampling.rate=-8 kHz", ["sampling.rate", "-8"]),
    "no number": ("signal.gain=lots", ["signal.gain", "lots"]),
    "a table": ("signal=3", ["signal", "3"]),
    "too deep": ("signal.gain.x=3", ["signal.gain"]),
    "broken value": ("signal.offset=[1,", ["signal.offset"]),
}


@pytest.mark.parametrize("case", WRONG_SETTINGS)
def test_bad_setting_is_refused(case, folder, capsys):
    setting, words = WRONG_SETTINGS[case]
    refused(["ripple", "axis.toml", "--set", setting], words, folder, capsys)


SIMULATE = ["simulate", "axis.toml", "--speed=2 mm/s", "--seconds=10 ms"]
WRONG_RUNS = {
    "--speed": ["", "2", "2 mm", "3 rpm", "nan m/s", "1e400 m/s", "1e300 m/s", "fast", "1 mm/s, 2 mm/s"],
    "--seconds": [
        "",
        "0",
        "-1",
        "0 s",
        "-1 s",
        "1 um",
        "nan",
        "inf s",
        "1e-9 s",
        "1e12 s",
        "long",
        "1e400 s",
    ],
    "--seed": ["", "-1", "1.5", "x", "1e3", "true", "nan", str(2**64), "9" * 400],
    "--threads": ["", "0", "-1", "1.5", "many", "100000"],
    "--start": ["", "1", "1 mm/s", "nan um", "1 deg", "inf m"],
}


@pytest.mark.parametrize("option", WRONG_RUNS)
def test_bad_run_option_is_refused_by_name(option, folder, capsys):
    kept = [part for part in SIMULATE if not part.startswith(f"{option}=")]
    for value in WRONG_RUNS[option]:
        refused([*kept, f"{option}={value}"], [option], folder, capsys)


def test_faults_of_file_options_and_outputs_come_at_once(folder, capsys):
    (folder / "axis.toml").write_text(AXIS.replace("gain = 0.02", "gian = 0.02"))
    argv = ["simulate", "axis.toml", "--speed=2 mm/s", "--seconds=0", "--seed=-3", "--csv=capture.csv"]
    err = refused(argv, ["--csv", "--seed", "--seconds", "signal.gian"], folder, capsys)
    assert len(err.splitlines()) == 4


WRONG_TARGETS = {
    "exists": (["--csv", "capture.csv"], ["--csv", "capture.csv", "--force"]),
    "folder": (["--csv", "."], ["--csv", "not a folder"]),
    "empty": (["--csv", ""], ["--csv"]),
    "no such folder": (["--csv", "none/r.csv"], ["--csv", "none/r.csv", "folder that exists"]),
    "below a file": (["--csv", "capture.csv/r.csv"], ["--csv", "capture.csv/r.csv"]),
    "the file that is read": (["--csv", "axis.toml", "--force"], ["--csv", "axis.toml", "read"]),
    "a device": (["--csv", "/dev/null", "--force"], ["--csv", "ordinary file"]),
    "a folder of the system": (["--csv", "/proc/r.csv"], ["--csv", "/proc/r.csv"]),
    "name too long": (["--csv", "x" * 300], ["--csv"]),
    "null byte": (["--csv", "a\0b"], ["--csv"]),
    "no picture": (["--plot", "r.txt"], ["--plot", "r.txt", ".svg"]),
    "no suffix": (["--plot", "r"], ["--plot", ".svg"]),
    "picture on stdout": (["--plot", "-"], ["--plot", ".svg"]),
    "picture exists": (["--plot", "old.png"], ["--plot", "old.png"]),
    "twice the same file": (["--csv", "r.svg", "--plot", "./r.svg"], ["--plot", "--csv"]),
    "stdout twice": (["--json", "--csv", "-"], ["--csv", "--json"]),
}


@pytest.mark.parametrize("case", WRONG_TARGETS)
def test_bad_output_is_refused_before_any_work(case, folder, capsys):
    options, words = WRONG_TARGETS[case]
    (folder / "old.png").write_bytes(b"kept")
    for command in ("ripple", "period", "simulate"):
        refused([command, "axis.toml", *COMMANDS_THAT_READ[command], *options], words, folder, capsys)


@pytest.mark.parametrize("name", ["axis.toml", ".", "none/axis.toml", ""])
def test_new_writes_over_nothing(name, folder, capsys):
    refused(["new", name], ["axis.toml" if "axis" in name else "axis"], folder, capsys)


WRONG_CAPTURES = {
    "empty": ("", [], ["capture.csv", "rows"]),
    "header alone": ("cos,sin\n", [], ["rows"]),
    "binary": ("\0\1\2" * 50, [], ["capture.csv"]),
    "a word": ("cos,sin\n1,2\n1,x\n", [], ["line 3", "column 2", '"x"']),
    "a short row": ("cos,sin\n1,2\n2,3\n3\n4,5\n", [], ["line 4", "2 columns"]),
    "decimal commas, told otherwise": (
        "cos;sin\n0,1;0,2\n",
        ["--decimal=.", "--delimiter=;"],
        ["rows", "options"],
    ),
    "backwards": ("t,cos,sin\n0,1,2\n2,3,4\n1,5,7\n", [], ["line 4", 'column 1 ("t")', "backwards"]),
    "constant": ("cos,sin\n0,1\n1,1\n2,1\n", [], ["line 2", 'column 2 ("sin")', "constant"]),
    "a picture": ("GIF89a" + "x" * 60, [], ["picture"]),
    "one column": ("1.5\n2.7\n0.3\n", [], ["--columns"]),
    "misspelt column": (
        "time,left,right\n1,2,3\n",
        ["--columns", "leftt,right"],
        ["--columns", "leftt", "left"],
    ),
    "column out of range": ("1,2\n3,4\n", ["--columns", "1,3"], ["--columns", "3", "1 to 2"]),
    "one column name": ("cos,sin\n1,2\n2,3\n", ["--columns", "cos"], ["--columns", "two"]),
    "the same twice": ("cos,sin\n1,2\n", ["--columns", "cos,1"], ["--columns", "different"]),
}


@pytest.mark.parametrize("case", WRONG_CAPTURES)
def test_bad_capture_is_refused(case, folder, capsys):
    text, options, words = WRONG_CAPTURES[case]
    (folder / "capture.csv").write_text(text)
    refused(["identify", "capture.csv", *options], words, folder, capsys)


@pytest.mark.parametrize("period", ["", "20", "0 um", "-20 um", "20 s", "nan um", "7 rad", "1e-400 m"])
def test_bad_period_is_refused(period, folder, capsys):
    refused(["identify", "capture.csv", f"--period={period}"], ["--period"], folder, capsys)


def test_axis_file_of_a_fit_needs_the_period(folder, capsys):
    refused(
        ["identify", "capture.csv", "--write-axis", "fit.toml"], ["--period", "--write-axis"], folder, capsys
    )


WRONG_LINES = {
    "nothing": ([], ["COMMAND"]),
    "misspelt command": (["riple", "axis.toml"], ["riple", "did you mean ripple?"]),
    "unknown command": (["frobnicate"], ["frobnicate", "ripple"]),
    "help of an unknown command": (["help", "simulat"], ["did you mean simulate?"]),
    "misspelt option": (
        ["ripple", "axis.toml", "--spedes", "1 mm/s"],
        ["--spedes", "did you mean --speeds?"],
    ),
    "misspelt option with a value": (
        ["simulate", "axis.toml", "--sped=1 mm/s"],
        ["--sped", "did you mean --speed?"],
    ),
    "abbreviated option": (["ripple", "axis.toml", "--sim"], ["--sim"]),
    "misspelt top option": (["--versoin"], ["did you mean --version?"]),
    "unknown letter": (["ripple", "axis.toml", "-x"], ["-x"]),
    "option without its value": (["ripple", "axis.toml", "--speeds"], ["--speeds"]),
    "required option left out": (["simulate", "axis.toml", "--speed", "1 mm/s"], ["--seconds"]),
    "file left out": (["ripple"], ["axis.toml"]),
    "a file too many": (["ripple", "axis.toml", "other.toml"], ["other.toml"]),
    "value for a flag": (["ripple", "axis.toml", "--json=yes"], ["--json"]),
    "not printable": (["\x1b[31m\n"], ["COMMAND"]),
}


@pytest.mark.parametrize("case", WRONG_LINES)
def test_bad_command_line_is_one_line_on_stderr(case, folder, capsys):
    argv, words = WRONG_LINES[case]
    err = refused(argv, words, folder, capsys)
    assert len(err.splitlines()) == 1
    assert err.strip("\n").isprintable()


FIRST_HOUR = {
    "name of a file": (["ripple", "axs.toml"], 'did you mean "axis.toml"?'),
    "recording as axis": (["ripple", "capture.csv"], "encsim identify reads recordings"),
    "result as axis": (["ripple", "result.json"], 'the axis of a result is its "axis"'),
    "axis as recording": (["identify", "axis.toml"], "must be a recording"),
    "speed without its option": (
        ["explain", "axis.toml", "5 mm/s"],
        'argument must be one that encsim explain takes, got "5 mm/s"; as in --speed "5 mm/s"',
    ),
    "range with a dash": (
        ["ripple", "axis.toml", "--speeds", "1 mm/s - 1 m/s"],
        'must be a list or a range of speeds, as "1 mm/s : 1 m/s : 200"',
    ),
    "values joined by semicolons": (
        ["sweep", "axis.toml", "sampling.rate=8 kHz;16 kHz"],
        "must separate values by commas",
    ),
    "page without its option": (["report", "axis.toml", "page.html"], "-o must be given, as in -o page.html"),
    "option without its value": (["ripple", "axis.toml", "--plot"], "--plot must be followed by a value"),
    "keys to fit": (["fit", "axis.toml", "capture.csv"], 'as in --free "load.viscous"'),
    "loop without a load": (["tune", "axis.toml"], '"encsim new loop.toml --loop" writes one to copy'),
    "file that is not there yet": (
        ["identify", "capture.csv", "--into", "found.toml"],
        'encsim: --into must exist, got "found.toml"; it changes a file that is there; encsim new makes one\n',
    ),
}


@pytest.mark.parametrize("case", FIRST_HOUR)
def test_mistakes_of_the_first_hour_name_the_right_thing(case, folder, capsys):
    (folder / "capture.csv").write_text("time,cos,sin\n" + "0,1,0\n1,0,1\n" * 9)
    (folder / "result.json").write_text('{"kind": "RippleCurve", "axis": "[scale]"}\n')
    argv, words = FIRST_HOUR[case]
    refused(argv, [words], folder, capsys)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"20 um"', '"20 mm"', "scale.period 20.0 mm"),
        ("gain = 0.02", "gain = 2", "signal.gain = 2.0"),
        ('rate = "16 kHz"', 'rate = "16 Hz"', "sampling.rate 16.0 Hz"),
        ('"0.5 nm"', '"1.5 um"', "signal.jitter 1.50 µm"),
        ('"40 nm"', '"4 um"', "signal.sde 4.02 µm"),
    ],
)
def test_a_value_that_looks_like_a_wrong_unit_is_told(old, new, words, folder, capsys):
    (folder / "axis.toml").write_text(AXIS.replace(old, new))
    assert main(["check", "axis.toml"]) == 0
    assert capsys.readouterr().err == f"encsim: axis.toml: unusual, is the unit right: {words}\n"
