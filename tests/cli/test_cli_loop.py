"""The commands about the closed loop: what they print, where it goes, and what they refuse."""

import csv
import json
import re

import numpy as np
import pytest
from commands import STAGE_LOOP, UNSTABLE, done, failed, plain, refused, unwrapped

import encsim
from encsim.__main__ import main
from encsim.formats import estimator_text
from encsim.model.load_and_control import CAUTIONS

pytestmark = pytest.mark.usefixtures("once")
SPEEDS = ["--speeds", "0 mm/s, 0.1 mm/s, 10.37 mm/s, 0.2 m/s"]
AT = ["--speed", "10.37 mm/s"]


@pytest.mark.parametrize("command", ["loop", "tune", "frontier"])
def test_help_begins_with_examples_and_both_ways_to_ask_agree(command, capsys):
    text = done(capsys, "help", command)
    assert text.startswith(f"examples:\n  encsim {command} ")
    assert done(capsys, command, "--help") == text


def test_loop_says_the_margins_that_the_library_computes(folder, capsys):
    found = encsim.margins(encsim.load("axis.toml"))
    text = done(capsys, "loop", "axis.toml", *SPEEDS)
    assert text.startswith(f"Loop stable: phase margin {found.phase_margin:.1f} deg, ")
    text = unwrapped(text)
    assert f"Crossover {found.crossover:.1f} Hz" in text
    assert f"gain margin {20.0 * np.log10(found.gain_margin):.1f} dB" in text
    assert f"delay margin {1e3 * found.delay_margin:.2f} ms" in text
    assert f"sensitivity peak {found.sensitivity_peak:.2f}" in text
    assert "no resonance" in done(capsys, "loop", "axis.toml", *SPEEDS, "--long")


def test_loop_of_two_masses_names_the_resonance(folder, capsys):
    load = encsim.load("table.toml").load
    text = unwrapped(done(capsys, "loop", "table.toml", "--speeds", "3 rpm", "--long"))
    assert f"Resonance {load.resonance:.0f} Hz, antiresonance {load.antiresonance:.0f} Hz" in text


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("control.position_gain=0 1/s", "no position loop"),
        ("control.integral_time=none", "gain margin 22.9 dB, delay"),
        ("control.position_gain=70 1/s", "(-3 dB): position 1"),
    ],
)
def test_margins_in_words_fit_the_controller(setting, words, folder, capsys):
    assert words in unwrapped(done(capsys, "loop", "axis.toml", "--speeds", "1 mm/s", "--set", setting))


def test_loop_lists_three_curves_and_marks_the_doubtful(folder, capsys):
    curve = encsim.smoothness(encsim.load("axis.toml"), [0.0, 1e-4, 0.01037, 0.2])
    lines = done(capsys, "loop", "axis.toml", *SPEEDS, "--long").splitlines()
    row = next(line for line in lines if re.match(" *10.4   *[0-9]", line))
    sizes = (
        f"{1e3 * curve.measured[2]:.3f}",
        f"{1e3 * curve.torque[2]:.0f}",
        f"{1e3 * curve.actual[2]:.5f}",
    )
    assert row.split()[1:4] == list(sizes)
    # the rest of the columns stands in further tables with the same first column
    marked = {line.split("?")[0] for line in lines if " ?  " in line}
    assert len(marked) == curve.doubtful.sum() > 0
    assert all(f"Note: {reason}" in unwrapped("\n".join(lines)) for reason in curve.reasons)


@pytest.mark.parametrize(
    ("name", "speeds", "drive", "other"),
    [("axis.toml", "1 mm/s", "force ", "torque"), ("table.toml", "1 rpm", "torque ", "force")],
)
def test_the_drive_has_the_word_and_the_unit_of_the_scale(name, speeds, drive, other, folder, capsys):
    text = done(capsys, "loop", name, "--speeds", speeds, "--quiet")
    assert drive in text
    assert other not in text
    assert ("N m" in text) == (drive == "torque ")


def test_json_of_the_loop_is_the_result_with_margins_and_cautions(folder, capsys):
    curve = encsim.smoothness(encsim.load("axis.toml"), [0.0, 1e-4, 0.01037, 0.2])
    got = plain(capsys, "loop", "axis.toml", *SPEEDS)
    assert got["kind"] == "Smoothness"
    assert got["actual"] == curve.actual.tolist()
    assert got["parts"]["torque"]["sde"] == curve.parts["torque"]["sde"].tolist()
    assert got["margins"]["stable"] is True
    assert got["cautions"] == list(CAUTIONS)


def test_simulated_loop_stands_beside_the_prediction(folder, capsys):
    argv = ["loop", "axis.toml", "--speeds", "0.1 mm/s, 10.37 mm/s", "--simulate", "--seed", "3", "--quiet"]
    got = plain(capsys, *argv)
    run = got["simulated"]
    assert (run["seed"], run["stopped"], run["reasons"]) == (3, [None, None], [])
    # A million samples at a crossover of 66 Hz: some 1 % of chance, and the closed form is within 1 %.
    for name in ("measured", "torque", "actual"):
        assert run[name] == pytest.approx(got[name], rel=0.03)
    assert f"Simulated: {run['samples']} samples per speed, seed 3" in done(capsys, *argv)


def test_table_of_the_loop_reads_back_as_the_result(folder, capsys):
    done(capsys, "loop", "axis.toml", *SPEEDS, "--csv", "loop.csv", "--quiet")
    with open("loop.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    curve = encsim.smoothness(encsim.load("axis.toml"), [0.0, 1e-4, 0.01037, 0.2])
    assert [float(row["torque_N"]) for row in rows] == curve.torque.tolist()
    assert [float(row["actual_sde_m_s"]) for row in rows] == curve.parts["actual"]["sde"].tolist()


@pytest.mark.parametrize(
    "argv",
    [
        ["loop", "axis.toml", "--speeds", "0.1 mm/s : 0.5 m/s : 30", "--plot"],
        ["loop", "axis.toml", "--speeds", "1 mm/s", *AT, "--plot-margins"],
        ["tune", "axis.toml", *AT, "--plot"],
        ["frontier", "axis.toml", *AT, "--plot"],
    ],
)
def test_picture_is_drawn_where_asked_for(argv, folder, capsys):
    done(capsys, *argv, "drawn.svg", "--quiet")
    assert (folder / "drawn.svg").read_bytes().startswith(b"<?xml")


def test_unstable_loop_is_said_and_fails_without_curves(folder, capsys):
    out, err = failed(
        capsys,
        "loop",
        "axis.toml",
        "--speeds",
        "1 mm/s",
        *UNSTABLE,
        "--plot",
        "p.svg",
        "--plot-margins",
        "m.svg",
    )
    assert out.startswith("The closed loop is UNSTABLE")
    assert "grows e-fold every" in out
    assert err.startswith("encsim: the closed loop is unstable with these gains")
    assert "no curves for --plot" in err
    assert {path.name for path in folder.glob("*.svg")} == {"m.svg"}


def test_json_of_an_unstable_loop_says_so(folder, capsys):
    out, _ = failed(capsys, "loop", "axis.toml", "--speeds", "1 mm/s", *UNSTABLE, "--json", "--simulate")
    got = json.loads(out)
    assert (got["margins"]["stable"], got["stable"], got["valid"]) == (False, False, False)
    assert got["actual"] == [None]
    assert "simulated" not in got


@pytest.mark.parametrize(
    "setting",
    [
        "control.velocity_gain=0 N s/m",
        "control.position_gain=1e12 1/s",
        "control.integral_time=1 ns",
        "load.inertia=1 g",
    ],
)
def test_impossible_gains_fail_and_never_claim_a_margin(setting, folder, capsys):
    out, err = failed(capsys, "loop", "axis.toml", "--speeds", "1 mm/s", "--set", setting)
    assert "is stable" not in out
    assert "unstable" in err


def test_tune_prints_the_gains_that_the_library_proposes(folder, capsys):
    found = encsim.tuning(encsim.load("axis.toml"))
    text = done(capsys, "tune", "axis.toml")
    assert text.startswith("Proposed gains: limited by phase margin.\n")
    assert f"{found.control.position_gain:.1f} 1/s" in text
    assert f"{1e3 * found.control.integral_time:.1f} ms" in text
    assert all(remedy.name in text for remedy in found.remedies)


@pytest.mark.parametrize(
    "options", [["--long"], ["--long", "--quiet"], ["--json"], ["--json", "--quiet"], ["--write-axis", "-"]]
)
def test_cautions_come_with_every_form_of_proposed_gains(options, folder, capsys):
    text = unwrapped(done(capsys, "tune", "axis.toml", *options))
    assert all(line in text for line in CAUTIONS)


@pytest.mark.parametrize("options", [[], ["--quiet"]])
def test_short_caution_of_proposed_gains_says_what_to_do(options, folder, capsys):
    text = unwrapped(done(capsys, "tune", "axis.toml", *options))
    for words in (
        "lower gains",
        "limit speed, torque and travel",
        "keep people away",
        "emergency stop",
        "vertical",
    ):
        assert words in text


def test_json_of_proposed_gains_is_the_result(folder, capsys):
    got = plain(capsys, "tune", "table.toml", "--torque-ripple", "20 mN m", "--speed", "3 rpm")
    found = encsim.tuning(encsim.load("table.toml"), torque_ripple=0.02, speed=3.0 * np.pi / 30.0)
    assert got["control"]["velocity_gain"] == found.control.velocity_gain
    assert got["binding"] == list(found.binding)
    assert got["margins"]["phase_margin"] == found.margins.phase_margin
    assert (got["units"]["torque_ripple"], got["units"]["velocity_gain"]) == ("N m", "N m s/rad")


def test_ripple_limit_lowers_the_gain_and_a_better_encoder_would_raise_it(folder, capsys):
    free = plain(capsys, "tune", "axis.toml", *AT)
    bound = plain(capsys, "tune", "axis.toml", *AT, "--torque-ripple", "0.2 N")
    assert bound["control"]["velocity_gain"] < 0.6 * free["control"]["velocity_gain"]
    assert "torque_ripple" in bound["binding"]
    assert bound["torque_ripple"] <= 0.2
    assert any("encoder" in remedy["name"] for remedy in bound["remedies"])


def test_report_says_why_the_ripple_of_proposed_gains_may_not_be_believed(folder, capsys):
    text = unwrapped(done(capsys, "tune", "axis.toml", "--speed", "1 um/s"))
    assert "Note: force ripple: limit cycle on quantisation" in text
    assert "Note" not in done(capsys, "tune", "axis.toml", *AT)


def test_written_axis_has_the_proposed_gains_and_reaches_the_margin(folder, capsys):
    done(capsys, "tune", "axis.toml", "--phase-margin", "50 deg", "--write-axis", "tuned.toml", "--quiet")
    before, tuned = encsim.load("axis.toml"), encsim.load("tuned.toml")
    assert tuned.control == encsim.tune(before, phase_margin=50)
    assert (tuned.load, tuned.signal) == (before.load, before.signal)
    # The proposed gains keep the limits exactly; the axis file has every digit.
    assert encsim.margins(tuned).phase_margin >= 50.0
    assert "stable" in done(capsys, "loop", "tuned.toml", "--speeds", "1 mm/s")


UNREACHABLE = {
    "ripple": (
        ["--torque-ripple", "0.0001 mN"],
        ["--torque-ripple", "reachable", "nearest reachable", " N\n"],
    ),
    "peak": (
        ["--sensitivity-peak", "1.0001"],
        ["--sensitivity-peak", "reachable", "nearest reachable is 1.0"],
    ),
    # With viscous friction a slow enough loop has 90 degrees.
    "margin": (
        ["--set", "load.viscous=0 N s/m", "--phase-margin", "89.9"],
        ["--phase-margin", "reachable", "nearest reachable is 8", " deg\n"],
    ),
}


@pytest.mark.parametrize("case", UNREACHABLE)
def test_request_that_cannot_be_reached_names_the_nearest(case, folder, capsys):
    options, words = UNREACHABLE[case]
    refused(["tune", "axis.toml", *options], words, folder, capsys)


def test_frontier_lists_candidates_by_delay_with_the_best_marked(folder, capsys):
    names = ["difference 1", "low-pass 800 Hz", "least-squares 8", "tracking 80 Hz"]
    text = done(
        capsys,
        "frontier",
        "axis.toml",
        *AT,
        "--estimators",
        "own; tracking 80 Hz; difference 1; least-squares 8",
    )
    listed = [line for line in text.splitlines() if re.search("[a-z] [0-9]+( Hz)?  +[0-9.]+  ", line)]
    assert [next(n for n in names if n in line) for line in listed] == names
    assert "present, Pareto-optimal" in listed[1]
    assert text.startswith("Present estimator at 10.4 mm/s: low-pass 800 Hz, delay 201 µs")


def test_json_of_the_frontier_is_the_result_with_names(folder, capsys):
    got = plain(capsys, "frontier", "axis.toml", *AT, "--estimators", "difference 1, 8; kalman 2 m/s2")
    found = encsim.frontier(
        encsim.load("axis.toml"), 0.01037, [encsim.Difference(1), encsim.Difference(8), encsim.Kalman(2.0)]
    )
    assert got["rms"] == found.rms.tolist()
    assert got["names"] == ["difference 1", "difference 8", "kalman 2 m/s2"]
    assert got["own"] is None
    assert any("margins" in line for line in got["cautions"])


@pytest.mark.parametrize("name", ["axis.toml", "table.toml"])
def test_default_candidates_are_of_all_sampled_kinds_and_begin_with_the_own(name, folder):
    axis = encsim.load(name)
    found = estimator_text.around(axis)
    assert found[0] == axis.estimator
    assert {one.kind for one in found} == {"difference", "least-squares", "low-pass", "tracking", "kalman"}
    assert 20 < len(found) == len(set(found)) < 60


def test_default_candidates_reach_from_the_least_delay_to_well_beyond_the_own(folder):
    axis = encsim.load("axis.toml")
    found = encsim.frontier(axis, 0.01037, estimator_text.around(axis))
    assert found.delay.min() == pytest.approx(0.5 / axis.sampling.rate)
    assert found.delay.max() > 5.0 * found.delay[0]


@pytest.mark.parametrize("name", ["axis.toml", "table.toml"])
def test_candidate_reads_back_from_its_own_text(name, folder):
    axis = encsim.load(name)
    found = [*estimator_text.around(axis), encsim.CountAndTime(50e6, 5e-3), encsim.LowPass(300.0, order=3)]
    texts = [estimator_text.text(one, axis.scale.unit) for one in found]
    assert estimator_text.read("; ".join(texts), axis) == found


WRONG_LISTS = {
    "empty": ("", ["difference 1, 8"]),
    "misspelt kind": ("diference 4", ["diference", "did you mean difference?"]),
    "zero samples": ("difference 0", ["difference 0: samples", "1 to"]),
    "no whole number": ("difference 1.5", ["difference 1.5: samples", "whole"]),
    "not a number": ("difference nan", ["samples", "nan"]),
    "empty value": ("difference 1,,2", ["value between commas"]),
    "huge": (f"difference {'9' * 40}", ["samples"]),
    "no unit": ("low-pass 300", ["low-pass 300: corner", "unit of frequency"]),
    "wrong unit": ("kalman 2 rad/s2", ["acceleration", "linear acceleration"]),
    "field left out": ("count-and-time 50 MHz", ["window"]),
    "misspelt field": ("low-pass 300 Hz ordr=2", ["ordr", "did you mean order?"]),
    "field twice": ("low-pass 300 Hz order=2 order=3", ["order once"]),
    "beyond half the rate": ("tracking 9 kHz", ["tracking 9 kHz", "half the loop rate"]),
    "too many": ("difference 1;" * 1001, ["at most 1000"]),
    "several faults": ("difference 0; low-pass 1 m", ["difference 0", "low-pass 1 m"]),
}


@pytest.mark.parametrize("case", WRONG_LISTS)
def test_bad_list_of_estimators_is_refused(case, folder, capsys):
    text, words = WRONG_LISTS[case]
    refused(["frontier", "axis.toml", *AT, "--estimators", text], ["--estimators", *words], folder, capsys)


WRONG_IN_FILE = {
    "no load": ("load", None, ["[load]", "closed loop"]),
    "no control": ("control", None, ["[control]", "closed loop"]),
    "zero inertia": ("load.inertia", "0 kg", ["load.inertia", "positive", "0"]),
    "filter above half the rate": (
        "control.lowpass",
        "9 kHz",
        ["axis.toml: control.lowpass", "half the loop rate"],
    ),
    "notch above half the rate": (
        "control.notch",
        '[{frequency = "8 kHz"}]',
        ["axis.toml: control.notch[0].frequency"],
    ),
}


@pytest.mark.parametrize("command", ["loop", "tune"])
@pytest.mark.parametrize("case", WRONG_IN_FILE)
def test_axis_whose_loop_cannot_be_closed_is_refused(case, command, folder, capsys):
    key, value, words = WRONG_IN_FILE[case]
    setting = f"{key}={'none' if value is None else value}"
    refused([command, "axis.toml", "--set", setting], words, folder, capsys)


TIMED = STAGE_LOOP.replace('"low-pass"', '"period-timing"').replace('corner = "800 Hz"', 'clock = "50 MHz"')


def test_estimator_that_times_edges_needs_a_speed_in_a_loop(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    refused(
        ["loop", "axis.toml"], ["speed", "one count per second", "period-timing", "(--speed)"], folder, capsys
    )


def test_loop_of_an_estimator_that_times_edges_is_shown_at_its_speed(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    assert main(["loop", "axis.toml", "--speed", "5 mm/s", "--speeds", "5 mm/s, 9 mm/s", "--quiet"]) == 0
    assert "phase margin" in capsys.readouterr().out.lower()


def test_loop_of_timed_edges_is_shown_at_the_speeds_at_which_it_is_stable(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    assert main(["loop", "axis.toml", "--speed", "5 mm/s", "--json", "--csv", "loop.csv"]) == 0
    out, err = capsys.readouterr()
    got = json.loads(out)
    text = f"{1e3 * got['stable_from']:.3g} mm/s"
    assert f"speeds below {text} are left out: period measurement is too slow for a stable loop" in err
    assert got["speed"][0] >= got["stable_from"] > 0.0
    assert got["cautions"][:-1] == list(CAUTIONS)
    assert f"The linear loop is stable from {text} on" in got["cautions"][-1]
    axis = encsim.load("axis.toml")
    # the lowest speed is found to half a per cent
    assert [encsim.margins(axis, speed=s * got["stable_from"]).stable for s in (0.99, 1.01)] == [False, True]
    assert (folder / "loop.csv").exists()


def test_speeds_too_slow_for_timed_edges_fail_where_they_are_asked_for(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    _, err = failed(capsys, "loop", "axis.toml", "--speed", "5 mm/s", "--speeds", "1 um/s, 5 mm/s", "--quiet")
    assert "unstable with these gains at some of the speeds (stable from 1.69 µm/s on)" in err


def test_margins_of_too_few_edges_are_noted(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    text = unwrapped(done(capsys, "loop", "axis.toml", "--speed", "4 um/s", "--speeds", "5 mm/s"))
    assert (
        "Note: fewer than 20 counts in 1/crossover: at this speed there are 800 counts per second, only 1"
        in text
    )


def test_tuning_for_timed_edges_needs_a_speed_and_says_down_to_which_it_holds(folder, capsys):
    (folder / "axis.toml").write_text(TIMED)
    refused(["tune", "axis.toml"], ["speed", "one count per second", "(--speed)"], folder, capsys)
    text = unwrapped(done(capsys, "tune", "axis.toml", "--speed", "0.1 mm/s"))
    assert "Period measurement: all values hold at 0.100 mm/s; the delay is longer at lower speed." in text
    assert "Caution: Period measurement has a longer delay at lower speed" in text


WRONG_OPTIONS = {
    "--phase-margin": ["0", "90", "100", "nan", "inf", "text", "", "-5", "1e400", "60 Hz", "6_0"],
    "--sensitivity-peak": ["1", "0.5", "nan", "1e9", "x", "", "-2", "inf", "1.7 deg"],
    "--torque-ripple": ["0 N", "-1 N", "5 N m", "5", "nan N", "inf N", "x", "", "1e400 N"],
    "--speed": ["3 rpm", "2", "", "nan m/s", "1e300 m/s", "1e9 m/s", "fast", "1 mm/s, 2 mm/s", "2 mm"],
}


@pytest.mark.parametrize("option", WRONG_OPTIONS)
def test_bad_limit_of_tune_is_refused_by_name(option, folder, capsys):
    for value in WRONG_OPTIONS[option]:
        refused(["tune", "axis.toml", f"{option}={value}"], [option], folder, capsys)


@pytest.mark.parametrize("command", ["loop", "frontier"])
def test_bad_speed_is_refused_by_name(command, folder, capsys):
    for value in WRONG_OPTIONS["--speed"]:
        refused([command, "axis.toml", f"--speed={value}"], ["--speed"], folder, capsys)


def test_bad_seed_of_the_loop_is_refused(folder, capsys):
    for seed in ("", "-1", "1.5", "x", str(2**64)):
        refused(["loop", "axis.toml", f"--seed={seed}"], ["--seed"], folder, capsys)


WRONG_TARGETS = {
    "exists": (["--plot", "old.png"], ["--plot", "old.png", "--force"]),
    "no picture": (["--plot", "r.txt"], ["--plot", ".svg"]),
    "no such folder": (["--plot", "none/r.svg"], ["--plot", "folder that exists"]),
    "picture on stdout": (["--plot", "-"], ["--plot"]),
}


@pytest.mark.parametrize("command", [["loop"], ["tune"], ["frontier", *AT]])
@pytest.mark.parametrize("case", WRONG_TARGETS)
def test_bad_output_is_refused_before_any_work(case, command, folder, capsys):
    options, words = WRONG_TARGETS[case]
    (folder / "old.png").write_bytes(b"kept")
    refused([command[0], "axis.toml", *command[1:], *options], words, folder, capsys)


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["tune", "axis.toml", "--write-axis", "axis.toml", "--force"], ["--write-axis", "read"]),
        (["tune", "axis.toml", "--write-axis", "-", "--json"], ["--write-axis", "--json"]),
        (["loop", "axis.toml", "--plot", "a.svg", "--plot-margins", "a.svg"], ["--plot-margins", "--plot"]),
        (["loop", "axis.toml", "--csv", "-", "--json"], ["--csv", "--json"]),
        (["loop", "axis.toml", "--phase-margin", "60"], ["--phase-margin"]),
        (["tune", "axis.toml", "--phase-magrin", "60"], ["did you mean --phase-margin?"]),
        (["frontier", "axis.toml", *AT, "--estimator", "own"], ["did you mean --estimators?"]),
    ],
)
def test_options_that_clash_or_are_misspelt_are_refused(argv, words, folder, capsys):
    refused(argv, words, folder, capsys)


def test_faults_of_file_options_and_outputs_come_at_once(folder, capsys):
    (folder / "axis.toml").write_text(STAGE_LOOP.replace('inertia = "5 kg"', 'inertia = "0 kg"'))
    argv = ["tune", "axis.toml", "--phase-margin", "x", "--sensitivity-peak", "y", "--plot", "p.txt"]
    err = refused(argv, ["load.inertia", "--phase-margin", "--sensitivity-peak", "--plot"], folder, capsys)
    assert len(err.splitlines()) == 4


def test_gains_go_into_the_file_itself(folder, capsys):
    before = (folder / "axis.toml").read_text()
    text = done(
        capsys, "tune", "axis.toml", "--phase-margin", "50 deg", "--into", "axis.toml", "--json", "--quiet"
    )
    control, found = encsim.load("axis.toml").control, json.loads(text)["control"]
    for name in ("position_gain", "velocity_gain", "integral_time"):
        assert getattr(control, name) == pytest.approx(found[name], rel=1e-5)
    kept = set((folder / "axis.toml").read_text().splitlines())
    assert len(set(before.splitlines()) - kept) == 3


def test_frontier_compares_timed_edges_where_quantisation_leads(folder, capsys):
    slow, fast = (
        json.loads(done(capsys, "frontier", "axis.toml", "--speed", speed, "--json"))["names"]
        for speed in ("0.1 mm/s", "20 mm/s")
    )
    timed = [name for name in slow if name.startswith(("period-timing", "count-and-time"))]
    assert len(timed) == 6
    assert not [name for name in fast if name.startswith(("period-timing", "count-and-time"))]
