"""The command line as a user runs it: what comes out and where it goes."""

import csv
import io
import json
import math
import re
import shlex

import numpy as np
import pytest
from commands import done, unwrapped

import encsim
from encsim.__main__ import main

SPREAD = "0.05 mm/s, 2 mm/s, 70 mm/s"


@pytest.fixture(scope="module", autouse=True)
def _compiled():
    """The first run compiles and says so on stderr, where the tests want silence."""
    scale, sampling = encsim.Scale(period=20e-6), encsim.Sampling(16e3)
    encsim.simulate(encsim.Axis(scale, sampling=sampling), 0.002, 10)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory that holds the starter axis file."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "axis.toml", "--quiet"]) == 0
    return tmp_path


@pytest.fixture
def capture(folder):
    """A recording of an invented readhead: known faults, even steps over whole periods, no noise."""
    theta = 2.0 * np.pi * np.arange(640) * 7.0 / 640.0
    rows = np.stack(
        [np.arange(640) * 1e-3, 2.0 + 3.0 * np.cos(theta), -1.0 + 3.3 * np.sin(theta + 0.02)], axis=1
    )
    np.savetxt(folder / "capture.csv", rows, delimiter=",", header="time_s,cos,sin", comments="")
    return folder / "capture.csv"


@pytest.mark.parametrize("command", ["ripple", "period", "limits", "new", "simulate", "identify"])
def test_help_begins_with_examples_and_both_ways_to_ask_agree(command, capsys):
    text = done(capsys, "help", command)
    assert text.startswith(f"examples:\n  encsim {command} ")
    assert done(capsys, command, "--help") == text


def test_every_example_in_the_help_is_a_command_line_that_parses(capsys):
    from encsim.cli.parser import COMMANDS, build_parser, load

    for name in COMMANDS:
        for line in load(name).examples.splitlines():
            words = shlex.split(line.split("|")[0])
            assert words[:2] == ["encsim", name]
            build_parser(name).parse_args(words[2:])


def test_version_is_one_line(capsys):
    assert done(capsys, "--version") == f"encsim {encsim.__version__}\n"


@pytest.mark.parametrize("options", [[], ["--rotary", "--loop", "--serial"], ["--ab"]])
def test_starter_file_runs_the_main_job(options, folder, capsys):
    done(capsys, "new", "other.toml", *options)
    first = unwrapped("".join(done(capsys, "ripple", "other.toml").splitlines(keepends=True)[:3]))
    assert first.startswith("Closed loop: ripple is " if "--loop" in options else "Ripple is ")
    assert "%" in first


@pytest.mark.parametrize(
    ("share", "words", "title"),
    [
        (0.02, "Above the limit from 1.83 to 4.74 mm/s: worst 1.2 times", "Above the limit from 1.8 to 4.7"),
        (0.1, "Within the limit at every speed", "Within the limit at every speed"),
    ],
)
def test_requirement_of_the_file_decides_answer_and_picture(share, words, title, folder, capsys):
    asked = f'\n[requirement]\nspeeds = ["1 mm/s", "100 mm/s"]\nrelative = {share}\nfloor = "50 um/s"\n'
    (folder / "asked.toml").write_text((folder / "axis.toml").read_text() + asked)
    shown = done(capsys, "ripple", "asked.toml", "--plot", "p.svg", "--quiet").splitlines()
    assert shown[0].startswith(words)
    assert ", limit " in unwrapped("\n".join(shown[:3]))
    assert title in (folder / "p.svg").read_text()


def test_starter_is_a_b_or_serial_but_not_both(folder, capsys):
    assert main(["new", "other.toml", "--ab", "--serial"]) == 2
    assert "--serial must be left out with --ab" in capsys.readouterr().err
    assert not (folder / "other.toml").exists()


def test_starter_to_stdout_is_the_file(folder, capsys):
    assert done(capsys, "new", "-") == (folder / "axis.toml").read_text()


def test_table_shows_about_ten_of_many_speeds_all_of_few_and_all_of_many_when_asked(folder, capsys):
    many, few = ["ripple", "axis.toml"], ["ripple", "axis.toml", "--speeds", "1 mm/s, 2 mm/s, 5 mm/s"]
    assert 8 <= len(rows(done(capsys, *many))) <= 14
    assert rows(done(capsys, *few)) == ["1.00", "2.00", "5.00"]
    # a second table below holds the columns that do not fit
    assert len(rows(done(capsys, *many, "--long"))) == 2 * 100


def rows(text):
    """First numbers of the rows of all tables."""
    return [line.split()[0] for line in text.splitlines() if re.match(r" *[0-9.]+  ", line)]


def test_answer_names_the_ripple_that_the_library_computes(folder, capsys):
    curve = encsim.ripple(encsim.load("axis.toml"), [0.002])
    text = done(capsys, "ripple", "axis.toml", "--speeds", "2 mm/s")
    assert f"{curve.rms[0] * 1e3:.4f} mm/s rms" in text
    assert "at 2.00 mm/s" in unwrapped(text)


def test_shares_in_the_table_add_up_to_the_whole(folder, capsys):
    from encsim.reporting import text_parts

    curve = encsim.ripple(encsim.load("axis.toml"), [0.0, 1e-5, 0.002, 0.3, 0.32])
    sums = [sum(text_parts.shares_at(curve, i).values()) for i in range(5)]
    # Squares of parts add up exactly but for rounding.
    assert sums == pytest.approx([1.0] * 5, rel=1e-12)


def test_setting_changes_the_axis_as_an_edited_file_would(folder, capsys):
    tried = done(
        capsys, "ripple", "axis.toml", "--speeds", "2 mm/s", "--json", "--set", 'sampling.rate="8 kHz"'
    )
    text = (folder / "axis.toml").read_text()
    assert '"16 kHz"' in text
    (folder / "axis.toml").write_text(text.replace('"16 kHz"', '"8 kHz"'))
    assert json.loads(done(capsys, "ripple", "axis.toml", "--speeds", "2 mm/s", "--json")) == json.loads(
        tried
    )


def test_doubtful_speeds_are_marked_and_explained(folder, capsys):
    argv = ["ripple", "axis.toml", "--set", "interpolation.span=0.9", "--speeds", "1 mm/s, 2 mm/s"]
    text = done(capsys, *argv)
    assert "Not reliable at 2 of 2 speeds" in text
    assert re.search(r"[0-9] \?  ", text)
    assert "Note: " in text


def test_quiet_leaves_out_the_caution(folder, capsys):
    assert "qualified staff come first" in done(capsys, "ripple", "axis.toml")
    assert "can injure" in done(capsys, "ripple", "axis.toml", "--long")
    assert "qualified staff" not in done(capsys, "ripple", "axis.toml", "--quiet")


@pytest.mark.parametrize("rotary", [False, True])
def test_default_speeds_run_from_below_a_count_to_past_three_vanishing_speeds(rotary):
    from encsim.formats import axis_file
    from encsim.open_loop.limits import default_speeds

    axis = encsim.loads(axis_file.starter(rotary=rotary))
    speeds = default_speeds(axis)
    assert len(speeds) == 100
    assert speeds[0] < 0.02 * axis.resolution * axis.sampling.rate
    assert encsim.vanishing_speeds(axis)[2] < speeds[-1] < encsim.vanishing_speeds(axis)[3]


def test_default_speeds_end_at_a_top_speed_that_is_lower():
    from encsim.open_loop.limits import default_speeds

    text = '[scale]\nperiod = "20 um"\n[signal]\nbandwidth = "5 kHz"\n[sampling]\nrate = "16 kHz"\n'
    axis = encsim.loads(text)
    assert default_speeds(axis)[-1] == encsim.top_speed(axis).speed


def test_numbers_in_tables_are_plain_text(folder, capsys):
    text = done(capsys, "ripple", "axis.toml")
    assert not set("\u202f\u2212\x1b\t") & set(text)
    assert math.isfinite(float(text.split("At ")[1].split()[0]))
    assert not set("\ue000\ue001\ue002") & set(text)


@pytest.mark.parametrize(
    ("argv", "kind"),
    [
        (["ripple", "axis.toml"], "RippleCurve"),
        (["ripple", "axis.toml", "--speeds", "0 mm/s"], "RippleCurve"),
        (["period", "axis.toml", "--speed", "1 m/s"], "PeriodError"),
        (["limits", "axis.toml"], "TopSpeed"),
        (["simulate", "axis.toml", "--speed", "2 mm/s", "--seconds", "10 ms"], "Trace"),
    ],
)
def test_json_is_one_object_alone_on_stdout(argv, kind, folder, capsys):
    out = done(capsys, *argv, "--json")
    plain = json.loads(out, parse_constant=pytest.fail)
    assert plain["kind"] == kind
    assert {"version", "units", "valid", "reasons"} <= plain.keys()


def test_json_holds_what_the_library_returns(folder, capsys):
    plain = json.loads(done(capsys, "ripple", "axis.toml", "--json", "--speeds", "1 mm/s : 1 m/s : 5"))
    curve = encsim.ripple(encsim.load("axis.toml"), plain["speed"])
    assert plain == json.loads(json.dumps(curve.to_dict()))


@pytest.mark.parametrize(
    ("argv", "header"),
    [
        (["ripple", "axis.toml"], "speed_m_s"),
        (["period", "axis.toml"], "phase_periods"),
        (["simulate", "axis.toml", "--speed", "-2 mm/s", "--seconds", "10 ms"], "time_s"),
    ],
)
def test_csv_on_stdout_and_in_a_file_are_the_same_table(argv, header, folder, capsys):
    out = done(capsys, *argv, "--csv", "-")
    done(capsys, *argv, "--csv", "r.csv")
    assert (folder / "r.csv").read_text() == out
    rows = list(csv.reader(io.StringIO(out)))
    assert rows[0][0] == header
    assert len({len(row) for row in rows}) == 1


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_plot_writes_the_format_of_its_suffix(suffix, start, folder, capsys):
    done(capsys, "ripple", "axis.toml", "--speeds", "1 mm/s, 2 mm/s", "--plot", f"r.{suffix}")
    assert (folder / f"r.{suffix}").read_bytes().startswith(start)


def test_several_outputs_come_at_once(folder, capsys):
    argv = ["--json", "--csv", "e.csv", "--plot", "e.svg", "--plot-channels", "c.svg"]
    assert json.loads(done(capsys, "period", "axis.toml", *argv))["kind"] == "PeriodError"
    assert {path.name for path in folder.iterdir()} == {"axis.toml", "e.csv", "e.svg", "c.svg"}


def test_force_replaces_a_file(folder, capsys):
    (folder / "r.csv").write_text("old")
    done(capsys, "ripple", "axis.toml", "--csv", "r.csv", "--force")
    assert (folder / "r.csv").read_text().startswith("speed_m_s")


def test_force_writes_through_a_link_and_keeps_it(folder, capsys):
    (folder / "real.csv").write_text("old")
    (folder / "link.csv").symlink_to("real.csv")
    done(capsys, "ripple", "axis.toml", "--csv", "link.csv", "--force")
    assert (folder / "link.csv").is_symlink()
    assert (folder / "real.csv").read_text().startswith("speed_m_s")


def test_simulated_speeds_agree_with_the_prediction(folder, capsys):
    out = done(
        capsys, "ripple", "axis.toml", "--simulate", "--json", "--speeds", "0.05 mm/s, 2 mm/s, 70 mm/s"
    )
    plain = json.loads(out)
    assert plain["simulated"].keys() == {"speed", "rms", "peak", "samples", "seed"}
    # 16 starts of 8192 samples leave some 0.5 % of scatter; 2 % is four times that.
    assert plain["simulated"]["rms"] == pytest.approx(plain["rms"], rel=0.02)


def test_simulated_speeds_are_few_and_shown_beside_the_prediction(folder, capsys):
    text = done(capsys, "ripple", "axis.toml", "--simulate", "--seed", "5", "--quiet")
    table = text[text.index("Simulated: ") :].split("\n\n")[0].splitlines()
    assert "seed 5" in table[0]
    assert len(table) == 1 + 3 + 12


@pytest.mark.parametrize("options", [[], ["--threads", "2"], ["--threads", "1"]])
def test_run_is_the_library_run_whatever_the_threads(options, folder, capsys):
    argv = [
        "simulate",
        "axis.toml",
        "--speed",
        "2 mm/s",
        "--seconds",
        "0.1",
        "--seed",
        "3",
        "--start",
        "5 um",
    ]
    plain = json.loads(done(capsys, *argv, "--json", *options))
    trace = encsim.simulate(encsim.load("axis.toml"), 0.002, 1600, seed=3, start=5e-6)
    assert plain["velocity"] == trace.velocity.tolist()


def test_picture_of_a_run_says_which_lines_are_folded(folder, capsys):
    argv = ["simulate", "axis.toml", "--speed", "100 mm/s", "--seconds", "0.2", "--plot", "run.svg"]
    done(capsys, *argv)
    assert "aliased" in (folder / "run.svg").read_text()


def test_run_report_gives_rms_peak_mean_seed_and_lines(folder, capsys):
    text = done(capsys, "simulate", "axis.toml", "--speed", "-2mm/s", "--seconds", "0.5")
    for word in ("8000 samples", "-2.00 mm/s", "seed 0", "rms", "peak", "Mean velocity", "harmonic"):
        assert word in text


def test_identify_finds_known_faults(capture, capsys):
    signal_found = json.loads(done(capsys, "identify", "capture.csv", "--json"))["signal"]
    # No noise: the fit is exact but for the 18 digits of the file and the convergence of the fit.
    assert signal_found["offset"] == pytest.approx([2.0 / 3.0, -1.0 / 3.0], rel=1e-6)
    assert (signal_found["gain"], signal_found["phase"]) == pytest.approx((0.1, 0.02), rel=1e-5)


@pytest.mark.parametrize("columns", ["cos,sin", "2,3", "cos,3"])
def test_columns_go_by_name_or_number(columns, capture, capsys):
    chosen = json.loads(done(capsys, "identify", "capture.csv", "--columns", columns, "--json"))
    assert chosen == json.loads(done(capsys, "identify", "capture.csv", "--json"))


@pytest.mark.parametrize("separator", [",", ";", "\t", " ", " , "])
@pytest.mark.parametrize("head", ["", "# a remark\n\n", '"cos"{0}"sin"\n', "left{0}right\n# a remark\n"])
def test_capture_may_be_parted_and_headed_in_several_ways(separator, head, folder):
    rows = "1.5{0}-2e-3\n0{0}.25\n-1.5{0}-.25\n"
    (folder / "rows.csv").write_text((head + rows).format(separator))
    capture = encsim.Capture.read("rows.csv")
    assert (capture.cosine.tolist(), capture.sine.tolist()) == ([1.5, 0.0, -1.5], [-0.002, 0.25, -0.25])


@pytest.mark.parametrize(("period", "unit"), [("20 um", "m"), ("144 arcsec", "rad")])
def test_written_axis_holds_the_fitted_signal(period, unit, capture, capsys):
    argv = ["identify", "capture.csv", "--period", period, "--write-axis", "fit.toml", "--json", "--quiet"]
    plain = json.loads(done(capsys, *argv))
    axis = encsim.load("fit.toml")
    assert axis.scale.unit == unit
    # six digits
    assert list(axis.signal.offset) == pytest.approx(plain["signal"]["offset"], rel=1e-5)


def test_fitted_signal_goes_into_a_file_that_keeps_all_else(capture, capsys):
    before = (capture.parent / "axis.toml").read_text()
    (capture.parent / "copy.toml").write_text(before)
    plain = json.loads(done(capsys, "identify", "capture.csv", "--into", "copy.toml", "--json"))
    after = (capture.parent / "copy.toml").read_text()
    assert list(encsim.load("copy.toml").signal.offset) == pytest.approx(plain["signal"]["offset"], rel=1e-5)
    # comments too
    changed = [line for line in after.splitlines() if line not in before.splitlines()]
    assert [line.split(" = ")[0] for line in changed] == [
        "offset",
        "gain",
        "phase",
        "harmonics",
        "jitter",
        "noise",
    ]
    assert all("  # " in line for line in changed)


@pytest.mark.parametrize("name", ["none.toml", "-", "capture.csv"])
def test_into_needs_an_axis_file(name, capture, capsys):
    assert main(["identify", "capture.csv", "--into", name]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "--into must " in line


def test_written_axis_says_that_its_loop_rate_is_assumed(capture, capsys):
    assert main(["identify", "capture.csv", "--period", "20 um", "--write-axis", "fit.toml"]) == 0
    assert "16 kHz is assumed" in capsys.readouterr().err
    assert "16 kHz is assumed" in (capture.parent / "fit.toml").read_text()


def test_refused_fit_is_status_1_and_still_one_json_object(folder, capsys):
    (folder / "few.csv").write_text("cos,sin\n1,0\n0,1\n")
    code = main(["identify", "few.csv", "--period", "20 um", "--write-axis", "fit.toml", "--json"])
    out, err = capsys.readouterr()
    assert code == 1
    assert json.loads(out)["valid"] is False
    assert "fewer than 20" in err
    assert not (folder / "fit.toml").exists()
