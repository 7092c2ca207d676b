"""The commands about rings: what they print, where it goes, and what they refuse."""

import csv
import json

import numpy as np
import pytest
from commands import done, plain, refused, unwrapped

import encsim
from encsim.__main__ import main
from encsim.calibration.readings import read_error_map
from encsim.presentation import report_layout
from encsim.rings.growth import CAUTIONS

ARCSEC, TURN = np.pi / 648_000.0, 2.0 * np.pi
# Table T is invented.
TABLE = """heads = ["0 deg", "180 deg"]
[scale]
lines = 9000
[signal]
offset = [0.01, 0.0]
jitter = "0.004 arcsec"
[interpolation]
factor = 4000
[sampling]
rate = "8 kHz"
[ring]
diameter = "150 mm"
eccentricity = "2 um"
lobes = {2 = "3 um", 3 = "0.8 um"}
graduation = {4 = "0.45 arcsec"}
bore = "100 mm"
"""
LINEAR = """[scale]
period = "20 um"
[sampling]
rate = "8 kHz"
"""


def difference(theta, psi):
    """Ring A less ring B, arcsec."""
    return 3.0 * np.sin(theta) + np.sin(3.0 * theta + 1.0) - 2.0 * np.sin(2.0 * (theta - psi))


def readings(steps=5, points=24, noise=0.0, closing=False):
    """A table of two rings, as the command reads it."""
    rng, rows = np.random.default_rng(2), ["step_deg,angle_deg,difference_arcsec"]
    for j in range(steps):
        for i in range(points + closing):
            psi, theta = TURN * j / steps, TURN * i / points
            value = difference(theta, psi) + 0.5 * j + noise * rng.standard_normal()
            rows.append(f"{360 * j / steps:.12g},{360 * i / points:.12g},{value:.12g}")
    return "\n".join(rows)


def run_out(size=7.0, header="angle_deg,reading_um", count=12, extra=""):
    angles = 360.0 * np.arange(count) / count
    wave = size * np.cos(np.radians(angles + 40.0)) + 0.01 * np.sin(np.arange(count) * 7.7)
    return "\n".join([header, *(f"{a},{w:.6f}{extra}" for a, w in zip(angles, wave, strict=True))])


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working directory with an axis, readings of two rings and run-out readings."""
    files = {"table.toml": TABLE, "linear.toml": LINEAR, "two.csv": readings(noise=0.01, closing=True),
             "own.csv": readings(1), "gauge.csv": run_out(), "heads.csv": run_out(20.0, "angle_deg,difference_arcsec"),
             "axial.csv": run_out(header="angle_deg,reading_um,axial_um", extra=",1.0")}  # fmt: skip
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("command", ["ring", "calibrate"])
def test_help_begins_with_examples_and_both_ways_to_ask_agree(command, capsys):
    text = done(capsys, "help", command)
    assert text.startswith(f"examples:\n  encsim {command} ")
    assert done(capsys, command, "--help") == text


def test_ring_says_what_the_library_computes(folder, capsys):
    axis = encsim.load("table.toml")
    curve = encsim.ring_curve(axis.ring, axis.heads)
    text = done(capsys, "ring", "table.toml", "--quiet")
    assert text.startswith("Angle error of the 150 mm ring with 2 heads at 0, 180 deg: peak ")
    assert f"peak {curve.peak / ARCSEC:.2f} arcsec ({1e6 * curve.arc:.2f} µm at the rim)" in unwrapped(text)
    assert "two, opposite" in text
    assert "as given" not in text
    assert "Caution" not in text


@pytest.mark.parametrize(("shaft", "words"), [("99.9 mm", "eccentricity up to"), ("99.99 mm", "WARNING")])
def test_fit_on_the_shaft_is_the_librarys_and_told_only_where_asked(shaft, words, folder, capsys):
    asked = (
        "ring",
        "table.toml",
        "--set",
        f"ring.shaft={shaft}",
        "--temperature",
        "-20 K",
        "--material",
        "aluminium",
    )
    assert "fit" not in plain(capsys, *asked, "--json")
    found = plain(capsys, *asked, "--shaft-material", "steel", "--json")["fit"]
    ring = encsim.load("table.toml").ring
    # bore less shaft, each grown by its own expansion: 23e-6 and 11.5e-6 1/K
    play = ring.bore * (1.0 - 20.0 * 23e-6) - float(shaft[:-3]) * 1e-3 * (1.0 - 20.0 * 11.5e-6)
    assert found["play"] == pytest.approx(play, rel=1e-6)
    assert words in done(capsys, *asked, "--shaft-material", "steel")


def test_fit_needs_bore_and_shaft_and_turns_the_bore_wider(folder, capsys):
    assert main(["ring", "table.toml", "--shaft-material", "steel"]) == 2
    assert "table.toml: ring.shaft must be given to tell the fit" in capsys.readouterr().err
    asked = ("ring", "table.toml", "--set", "ring.shaft=99.9 mm", "--shaft-material", "steel", "--json")
    still, fast = plain(capsys, *asked)["fit"], plain(capsys, *asked, "--speed", "6000 rpm")
    assert fast["fit"]["play"] - still["play"] == pytest.approx(2.0 * fast["growth"]["bore_growth"], rel=1e-9)


def test_seat_tells_the_flatness_that_its_face_needs(folder, capsys):
    asked = ("ring", "table.toml", "--require", "6 arcsec", "--json")
    plainly = plain(capsys, *asked)["tolerances"]["allowed"]
    found = plain(capsys, *asked, "--seat", "2 mm, 60 mm")["tolerances"]["allowed"]
    assert {name: size for name, size in found.items() if not name.startswith("flatness")} == plainly
    assert {f"flatness.{order}" for order in (1, 2, 3, 4)} <= found.keys()


def test_ring_as_json_holds_everything_that_was_asked(folder, capsys):
    found = plain(capsys, "ring", "table.toml", "--require", "6 arcsec", "--find-heads", "2", "--speed", "100 rpm",
                  "--run-out", "gauge.csv")  # fmt: skip
    axis = encsim.load("table.toml")
    assert found["peak"] == pytest.approx(encsim.ring_curve(axis.ring, axis.heads).peak)
    assert [len(one["heads"]) for one in found["equally_spaced"]] == [1, 2, 3, 4]
    assert found["budget"]["expanded"] > found["budget"]["combined"] > 0.0
    assert found["centring"]["eccentricity"] == pytest.approx(7e-6, rel=1e-3)  # noise of 0.01 um
    assert found["remaining"]["rms"] > 0.0
    assert found["growth"]["rim_speed"] == pytest.approx(0.075 * 100.0 * np.pi / 30.0)
    assert found["cautions"] == list(CAUTIONS)
    assert found["search"]["heads"][0] == 0.0


def test_what_was_not_asked_is_null_in_json(folder, capsys):
    found = plain(capsys, "ring", "table.toml")
    assert [found[name] for name in ("search", "growth", "tolerances", "centring", "remaining")] == [None] * 5


def test_other_heads_are_tried_without_editing(folder, capsys):
    text = done(capsys, "ring", "table.toml", "--heads", "0 deg, 90 deg, 200 deg")
    assert "3 heads at 0, 90, 200 deg" in text
    assert "as given, 0, 90, 200 deg" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--find-heads", "4", "--suppress", "3,5"], "Best heads at 0, 36, 60, 96 deg: "),
        (["--find-heads", "2", "--sectors", "0 deg : 90 deg", "--spacing", "80 deg"], "Remaining effect of ecc"),
        (["--require", "5 arcsec"], "is met. Allowed, one at a time"),
        (["--require", "1 arcsec"], "is not met: the ring as described is"),
        (["--speed", "3000 rpm", "--yield-stress", "300 MPa"], "it yields at 26300 rpm"),
        (["--speed", "40000 rpm", "--yield-stress", "300 MPa"], "WARNING: the ring yields at this speed."),
        (["--temperature", "20 K", "--material", "aluminium"], "Growth of the radius 34.5 µm"),
        (["--run-out", "gauge.csv"], "Turn the shaft to 320.0 deg: the high spot then stands under the gauge."),
        (["--run-out", "heads.csv"], "the high spot then stands under the first head"),
        (["--run-out", "axial.csv"], "Tilt of the face"),
        (["--run-out", "gauge.csv", "--step", "3 um", "--repeatability", "1 um"], "After shifting and tightening"),
    ],
)  # fmt: skip
def test_what_is_asked_of_a_ring_is_answered(options, words, folder, capsys):
    text = " ".join(done(capsys, "ring", "table.toml", *options).split())
    assert words in text


@pytest.mark.parametrize(("options", "told"), [([], "Caution: "), (["--speed", "3000 rpm"], CAUTIONS[0])])
def test_cautions_end_the_report(options, told, folder, capsys):
    assert told in unwrapped(done(capsys, "ring", "table.toml", *options))


@pytest.mark.parametrize("count", [6, 7, 8])
def test_few_run_out_readings_tell_fewer_lobes(count, folder, capsys):
    (folder / "few.csv").write_text(run_out(count=count))
    text = done(capsys, "ring", "table.toml", "--run-out", "few.csv")
    assert ("Out of round, 3" in text) == (count >= 8)
    assert "Out of round, 2" in text


def test_ring_writes_table_and_pictures(folder, capsys):
    done(capsys, "ring", "table.toml", "--csv", "r.csv", "--plot", "r.svg", "--plot-polar", "p.png")
    rows = list(csv.DictReader((folder / "r.csv").read_text().splitlines()))
    assert len(rows) == 3600
    assert set(rows[0]) == {"angle_rad", "error_rad", "alone_rad"}
    assert "Two heads take the ring" in (folder / "r.svg").read_text()
    assert (folder / "p.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--heads", "0 deg, 360 deg"], "--heads must stand at least 1e-06 rad apart"),
        (["--heads", "0"], "--heads must have a unit of angle"),
        (["--find-heads", "5"], "--find-heads must be a whole number from 2 to 4"),
        (["--find-heads", "2", "--suppress", "0"], '--suppress must be whole numbers from 1 or ranges'),
        (["--find-heads", "2", "--suppress", "5-3"], '--suppress must be whole numbers from 1 or ranges'),
        (["--find-heads", "2", "--suppress", "1-999999999"], '--suppress must be whole numbers from 1 or ranges'),
        (["--find-heads", "4", "--spacing", "120 deg"], "--spacing must leave room for 4 heads"),
        (["--find-heads", "2", "--sectors", "0 deg"], "--sectors must be ranges of two angles"),
        (["--suppress", "3"], "--suppress must come with --find-heads"),
        (["--yield-stress", "3 MPa"], "--yield-stress must come with --speed"),
        (["--speed", "3 mm/s"], "--speed must have a unit of rotary speed"),
        (["--speed", "1e9 rpm"], "--speed must lie from 0 to 1e+07"),
        (["--material", "stel"], 'did you mean "steel"'),
        (["--require", "0 arcsec"], "--require must be positive"),
        (["--require", "nan arcsec"], "--require must be a number"),
        (["--run-out", "two.csv"], "two.csv must hold readings of one ring"),
        (["--run-out", "gauge.csv", "--step", "-1 um"], "--step must be zero or more"),
        (["--set", 'ring.shaft="99 mm"', "--set", 'ring.eccentricity="0.6 mm"'], "at most half the play, 0.0005 m"),
        (["--set", 'ring.shaft="120 mm"'], "ring.shaft must fit the bore, 0.1 m"),
        (["--seat", "2 mm, 60 mm"], "--seat must come with --require"),
        (["--require", "6 arcsec", "--seat", "2 mm"], "--seat must be a height and a radius"),
        (["--require", "6 arcsec", "--seat", "2 mm, 0 mm"], "--seat must be positive and finite"),
        (["--shaft-material", "stel"], "--shaft-material must be steel or"),
        (["--plot", "r.bmp"], "--plot must name a file that ends in"),
    ],
)  # fmt: skip
def test_bad_questions_about_a_ring_are_refused_in_words_of_the_options(options, words, folder, capsys):
    refused(["ring", "table.toml", *options], [words], folder, capsys)


def test_an_axis_without_a_ring_is_refused(folder, capsys):
    refused(["ring", "linear.toml"], ["linear.toml: [ring] must be given"], folder, capsys)


def test_readings_of_part_of_a_turn_are_refused(folder, capsys):
    (folder / "part.csv").write_text("angle_deg,reading_um\n" + "\n".join(f"{10 * i},{i}" for i in range(9)))
    words = ["--run-out must go round the turn", "9 from 0 to 1.4 rad"]
    refused(["ring", "table.toml", "--run-out", "part.csv"], words, folder, capsys)


def test_calibrate_says_the_sizes_of_both_rings_and_what_is_lost(folder, capsys):
    text = " ".join(done(capsys, "calibrate", "two.csv").split())
    a = [difference(TURN * i / 24, 0.0) + 2.0 * np.sin(2.0 * TURN * i / 24) for i in range(24)]
    assert f"Error of ring A {np.ptp(a) / 2.0:.1f}" in text
    assert "Unobservable: 2 of 12 orders, 0 in the maps: 5, 10." in text
    assert "closure" in text
    assert " 72 " in text


def test_calibrate_as_json_is_the_result_of_the_library(folder, capsys):
    found = plain(capsys, "calibrate", "two.csv", "--quiet")
    assert found["kind"] == "Calibration"
    assert found["lost"] == [5, 10]
    size = np.hypot(*np.array(found["a_orders"]).T) / ARCSEC
    # 0.01 arcsec of noise in 120 readings
    np.testing.assert_allclose(size[[0, 1, 2]], [3.0, 0.0, 1.0], atol=0.01)


def test_a_step_left_out_is_not_used(folder, capsys):
    found = plain(capsys, "calibrate", "two.csv", "--leave-out", "1, 3", "--quiet")
    assert [weight == 0.0 for weight in found["weights"]] == [False, True, False, True, False]


def test_plan_tells_lost_orders_before_measuring_and_how_to_find_them(folder, capsys):
    text = " ".join(done(capsys, "calibrate", "--plan", "--steps", "11", "--points", "720").split())
    assert "11 steps of 720 readings make 328 of 360 orders" in text
    assert "a number of" not in text
    assert '--steps "11, 12" loses multiples of 132 only' in text
    again = plain(capsys, "calibrate", "--plan", "--steps", "11, 12", "--points", "720")
    assert again["lost"] == [132, 264]


@pytest.mark.parametrize(("steps", "count"), [("0 deg, 30 deg, 75 deg", 3), ("5, 7", 11), ("3, 10 deg", 4)])
def test_steps_of_a_plan_are_numbers_of_equal_steps_or_angles(steps, count, folder, capsys):
    assert len(plain(capsys, "calibrate", "--plan", "--steps", steps, "--points", "100")["steps"]) == count


def test_own_heads_make_the_map_of_one_ring(folder, capsys):
    rows = ["step_deg,angle_deg,difference_arcsec"]
    for i in range(36):
        theta = TURN * i / 36
        value = 2.0 * np.sin(3 * theta) - 2.0 * np.sin(3 * (theta - np.radians(100.0)))
        rows.append(f"100,{10 * i},{value:.12g}")
    (folder / "own.csv").write_text("\n".join(rows))
    found = plain(capsys, "calibrate", "own.csv", "--own-heads", "--noise", "0.1 arcsec", "--quiet")
    size = np.hypot(*np.array(found["amplitudes"]).T) / ARCSEC
    assert size[2] == pytest.approx(2.0, rel=1e-9)  # digits of the table
    assert found["lost"] == [18]


def test_passes_against_a_reference_tell_the_reversal(folder, capsys):
    up = [f"{x},{x + 0.002:.4f}" for x in range(10)]
    down = [f"{x},{x - 0.001:.4f}" for x in reversed(range(9))]
    (folder / "ref.csv").write_text("\n".join(["reference_mm,shown_mm", *up, *down]))
    text = " ".join(done(capsys, "calibrate", "ref.csv", "--reference", "--plot", "ref.svg").split())
    assert "mean 3.00 µm" in text
    table = done(capsys, "calibrate", "ref.csv", "--reference", "--csv", "-")
    assert table.startswith("position_m,forward_m,backward_m,error_m,reversal_m")


def test_runs_to_targets_tell_figures_of_the_standard(folder, capsys):
    rows = [f"{t},{t / 100 + r},{t / 100 - r}" for r in range(5) for t in range(0, 600, 100)]
    (folder / "runs.csv").write_text("\n".join(["target_mm,forward_um,backward_um", *rows]))
    found = plain(capsys, "calibrate", "runs.csv", "--targets")
    assert found["edition"] == "ISO 230-2:2014"
    assert found["units"]["accuracy"] == "m"
    assert found["mean_reversal"] == pytest.approx(4e-6)
    assert "accuracy" in done(capsys, "calibrate", "runs.csv", "--targets")


@pytest.mark.parametrize("ring", ["a", "b"])
def test_written_map_reads_back_and_holds_only_the_orders_asked_for(ring, folder, capsys):
    written = ["--write-map", "map.csv", "--write-c", "m.h", "--bound", "0.01 arcsec", "--plot", "maps.svg"]
    done(capsys, "calibrate", "two.csv", "--ring", ring, "--orders", "1-3", *written)
    size = np.abs(read_error_map((folder / "map.csv").read_text()).amplitudes) / ARCSEC
    # noise of 0.01 arcsec
    np.testing.assert_allclose(size[:3], [3.0, 0.0, 1.0] if ring == "a" else [0.0, 2.0, 0.0], atol=0.01)
    assert size[3:].max() < 1e-9
    assert "double ring_error(double turns)" in (folder / "m.h").read_text()


def test_lines_of_a_report_part_no_number_from_its_unit():
    text = "word " * 14 + "some 400 nm and on"
    assert report_layout.wrapped(text, 80)[1].startswith("400 nm")


def test_run_out_of_few_readings_says_so(folder, capsys):
    (folder / "few.csv").write_text(run_out(count=8))
    assert "Note: few readings (1 spare)" in done(capsys, "ring", "table.toml", "--run-out", "few.csv")


@pytest.mark.parametrize(
    ("noise", "words"),
    [(0.01, "within three times their uncertainty are left out"), (100.0, "No order is above three times")],
)
def test_report_of_two_rings_says_which_orders_it_lists(noise, words, folder, capsys):
    (folder / "noisy.csv").write_text(readings(noise=noise))
    assert words in unwrapped(done(capsys, "calibrate", "noisy.csv"))


def test_a_table_on_stdout_leaves_doubts_to_stderr(folder, capsys):
    assert main(["calibrate", "two.csv", "--csv", "-"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("angle_rad,a_rad,b_rad")
    assert "encsim: these steps cannot tell the rings apart" in err


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        ([], "readings.csv must be given"),
        (["--plan"], "--steps must be given with --plan"),
        (["--plan", "--steps", "1", "--points", "30"], "--steps must hold two steps or more"),
        (["--plan", "--steps", "30 deg, 390 deg", "--points", "30"], "hold at least two different angles"),
        (["--plan", "--steps", "0 deg, 0 deg", "--points", "30"], "hold at least two different angles"),
        (["--plan", "--steps", "0", "--points", "30"], "--steps must hold numbers of steps from 1"),
        (["--plan", "--steps", "5", "--points", "2"], "--points must be a whole number from 3"),
        (["two.csv", "--plan", "--steps", "5", "--points", "9"], "readings.csv must be left out with --plan"),
        (["two.csv", "--steps", "5"], "--steps must come with --plan"),
        (["two.csv", "--own-heads", "--reference"], "--own-heads must come without --reference"),
        (["two.csv", "--noise", "3"], "--noise must have a unit of angle"),
        (["two.csv", "--noise", "-1 arcsec"], "--noise must be positive"),
        (["two.csv", "--leave-out", "9"], "--leave-out must be steps from 0 to 4"),
        (["two.csv", "--leave-out", "0-3"], "--leave-out must leave two steps or more, got 1"),
        (
            ["two.csv", "--orders", "13", "--write-map", "m.csv"],
            "--orders must be whole numbers from 1 to 12",
        ),
        (["two.csv", "--ring", "c"], "--ring must be a, or b of two rings"),
        (["two.csv", "--write-c", "m.h", "--bound", "1e-9 arcsec"], "--bound must be above what rounding"),
        (["own.csv", "--own-heads"], "own.csv must keep the heads of a pair apart"),
        (["own.csv"], "own.csv must hold two steps or more"),
        (["two.csv", "--reference"], 'two.csv, line 1: header must have just one column "reference"'),
        (["gauge.csv", "--targets", "--noise", "1 arcsec"], "--noise must be left out with --targets"),
        (["none.csv"], "readings.csv must be readable"),
        (["two.csv", "--csv", "two.csv", "--force"], "--csv must differ from the file that is read"),
    ],
)
def test_bad_questions_about_a_calibration_are_refused_in_words_of_the_options(argv, words, folder, capsys):
    refused(["calibrate", *argv], [words], folder, capsys)


def test_json_of_a_plan_is_plain(folder, capsys):
    text = done(capsys, "calibrate", "--plan", "--steps", "5", "--points", "10", "--json")
    assert json.loads(text)["condition"][4] is None


def test_map_goes_into_the_axis_file_and_takes_the_error_of_the_ring_away(folder, capsys):
    before = (folder / "table.toml").read_text()
    assert main(["calibrate", "two.csv", "--into", "table.toml", "--orders", "1, 3"]) == 0
    capsys.readouterr()
    axis = encsim.load("table.toml")
    # those of ring A, above
    sizes = {order: size * 648000.0 / np.pi for order, (size, _) in axis.ring.compensation.items()}
    assert sizes == pytest.approx({1: 3.0, 3: 1.0}, abs=0.02)
    assert [line for line in before.splitlines() if line not in (folder / "table.toml").read_text()] == []


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["two.csv", "--into", "linear.toml"], "--into must name an axis file with a [ring]"),
        (
            ["--plan", "--steps", "5", "--points", "9", "--into", "table.toml"],
            "--into must be left out with --plan",
        ),
    ],
)
def test_map_goes_nowhere_else(argv, message, folder, capsys):
    before = (folder / "linear.toml").read_text()
    assert main(["calibrate", *argv]) == 2
    assert message in capsys.readouterr().err
    assert (folder / "linear.toml").read_text() == before
