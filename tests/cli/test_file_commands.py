"""Commands about an axis file and its variants: check, show, sweep."""

import csv
import io
import itertools
import json

import numpy as np
import pytest
from commands import done, plain, refused, unwrapped

import encsim
from encsim.__main__ import main

FAULTY = """[scale]
period = "20 um"
[sampling]
rate = "16"
[signal]
gian = 0.02
[requirement]
speeds = ["1 mm/s", "10 rpm"]
relative = 0.01
"""


def test_check_says_what_a_file_describes_and_what_its_jobs_take(folder, capsys):
    (folder / "full.toml").write_text(
        (folder / "axis.toml").read_text()
        + '[candidates]\ninterpolation.factor = [400, 4000]\nsampling.rate = ["8 kHz", "16 kHz", "32 kHz"]\n'
        + "[spread]\nsignal.gain = {normal = 0.006}\n"
    )
    text = done(capsys, "check", "full.toml")
    assert text.startswith(
        "full.toml: no faults.\nAxis: 20 µm linear scale, 4000 counts per period, 16 kHz loop"
    )
    assert "load, control, candidates, spread." in unwrapped(text)
    assert "encsim choose has 6 candidates." in text
    found = plain(capsys, "check", "full.toml")
    assert (found["samples_per_second"], found["candidates"], found["valid"]) == (16000, 6, True)


def test_check_tells_the_samples_that_the_simulated_check_takes(folder, capsys):
    most = plain(capsys, "check", "axis.toml")["samples_of_check"]
    taken = plain(capsys, "ripple", "axis.toml", "--simulate")["simulated"]
    assert most == taken["samples"] * len(taken["speed"])


def test_check_tells_sections_left_at_their_defaults(folder, capsys):
    (folder / "short.toml").write_text('scale.period = "20 um"\nsampling.rate = "16 kHz"\n')
    assert "With default values: signal, interpolation, motion, estimator." in done(
        capsys, "check", "short.toml"
    )


def test_check_tells_all_faults_of_the_axis_at_once_with_their_lines(folder, capsys):
    (folder / "axis.toml").write_text(FAULTY)
    err = refused(
        ["check", "axis.toml"], ["line 4: sampling.rate", "line 6: ", "gian", "gain"], folder, capsys
    )
    assert len(err.splitlines()) == 2


@pytest.mark.parametrize(
    ("section", "words"),
    [
        (
            '[requirement]\nspeeds = ["1 mm/s", "10 rpm"]\nrelative = 0.01\n',
            ["requirement.speeds", "linear speed"],
        ),
        ("[candidates]\ninterpolation.facto = [4]\n", ["candidates", "interpolation.factor"]),
        ("[spread]\nsignal.gain = {norml = 0.1}\n", ["spread.signal.gain", "normal"]),
        ("[spraed]\nsignal.gain = {normal = 0.1}\n", ["did you mean", "spread"]),
    ],
)
def test_check_reads_the_other_sections_too(section, words, folder, capsys):
    with (folder / "axis.toml").open("a") as stream:
        stream.write(section)
    refused(["check", "axis.toml"], words, folder, capsys)


AXES = {name: encsim.examples.load(name) for name in encsim.examples.names()} | {
    "bare": encsim.Axis(encsim.Scale(period=20e-6), sampling=encsim.Sampling(16e3)),
    "rim": encsim.Axis(encsim.Scale(period=20e-6, diameter=0.1), sampling=encsim.Sampling(8e3)),
    **{
        kind.__name__: encsim.Axis(
            encsim.Scale(lines=9000),
            signal=encsim.Signal(sde={1: (1e-6, 0.3), 4: 1e-7}, jitter=1e-8),
            interpolation=encsim.Interpolation(factor=400),
            sampling=encsim.Sampling(16e3),
            estimator=kind(*arguments),
            ring=encsim.Ring(0.1, eccentricity=1e-6, lobes={2: 1e-7}),
            heads=(0.0, 1.0),
        )
        for kind, *arguments in (
            (encsim.Kalman, 3.0),
            (encsim.CountAndTime, 5e7, 5e-3),
            (encsim.PeriodTiming, 5e7),
            (encsim.Tracking, 100.0),
        )
    },
}


@pytest.mark.parametrize("name", AXES)
def test_show_writes_a_file_with_every_key_that_loads_to_an_equal_axis(name, folder, capsys):
    (folder / "made.toml").write_text(AXES[name].to_toml())
    text = done(capsys, "show", "made.toml")
    assert encsim.loads(text) == AXES[name]
    for key in ("amplitude", "jitter_bandwidth", "span", "edge_clock", "latency", "average"):
        assert f"\n{key} = " in text or f"\n# {key} is left out" in text


def test_show_applies_settings_and_says_so(folder, capsys):
    text = done(
        capsys, "show", "axis.toml", "--set", "sampling.rate=8 kHz", "--set", "interpolation.bits=none"
    )
    assert "# with sampling.rate=8 kHz\n# with interpolation.bits=none\n" in text
    changed = encsim.load("axis.toml").with_({"sampling.rate": "8 kHz", "interpolation.bits": "none"})
    assert encsim.loads(text) == changed


def test_show_writes_a_file_and_names_the_sections_that_are_no_part_of_the_axis(folder, capsys):
    with (folder / "axis.toml").open("a") as stream:
        stream.write("[spread]\nsignal.gain = {normal = 0.006}\n")
    assert done(capsys, "show", "axis.toml", "-o", "full.toml") == ""
    assert encsim.load("full.toml") == encsim.load("axis.toml")
    assert "# Without its [spread]: not part of the axis" in (folder / "full.toml").read_text()
    assert plain(capsys, "show", "axis.toml")["signal"]["skew"] == "0 s"


SWEPT = ["sweep", "axis.toml", "sampling.rate=8 kHz, 16 kHz", "interpolation.factor=400,4000"]


@pytest.mark.parametrize("of", ["rms", "peak", "relative"])
def test_sweep_gives_the_numbers_of_ripple_for_each_combination(of, folder, capsys):
    found = plain(capsys, *SWEPT, "--of", of, "--speeds", "1 mm/s, 10 mm/s")
    for place, (rate, factor) in enumerate(itertools.product(["8 kHz", "16 kHz"], ["400", "4000"])):
        changes = {"sampling.rate": rate, "interpolation.factor": factor}
        assert found["settings"][place] == changes
        curve = encsim.ripple(encsim.load("axis.toml").with_(changes), [1e-3, 0.01])
        assert [row[place] for row in found["values"]] == getattr(curve, of).tolist()
    assert found["units"]["values"] == ("1" if of == "relative" else "m/s")


def test_sweep_prints_a_row_a_speed_and_a_column_a_value(folder, capsys):
    text = done(capsys, *SWEPT, "--speeds", "1 mm/s, 10 mm/s", "--quiet")
    assert "least with sampling.rate = 8 kHz, interpolation.factor = 4000 at 2 of 2 speeds." in unwrapped(
        text
    )
    *_, head, unit, first, second = text.splitlines()
    assert head.split() == ["speed", "400", "4000", "400", "4000"]
    assert unit.split() == ["mm/s"] * 5
    assert first.split()[0] == "1.00"
    assert len(second.split()) == 5


def test_sweep_of_many_values_stays_within_eighty_columns(folder, capsys):
    rates = ",".join(f"{rate} kHz" for rate in range(4, 24))
    text = done(capsys, "sweep", "axis.toml", f"sampling.rate={rates}", "--quiet")
    assert max(map(len, text.splitlines())) <= 80
    assert all(f"{rate} kHz" in text for rate in range(4, 24))


def test_sweep_writes_a_table_for_other_programs(folder, capsys):
    rows = list(csv.reader(io.StringIO(done(capsys, *SWEPT, "--speeds", "1 mm/s", "--csv", "-"))))
    assert rows[0][:2] == ["speed_m_s", "rms (m/s), sampling.rate = 8 kHz, interpolation.factor = 400"]
    assert np.array(rows[1], float).shape == (5,)


def test_sweep_takes_values_with_commas_in_brackets_and_changes_of_set(folder, capsys):
    argv = ["sweep", "axis.toml", "signal.offset=[0.01, 0], [0.02, 0]", "--set", "interpolation.factor=none"]
    found = plain(capsys, *argv, "--speeds", "1 mm/s")
    assert [one["signal.offset"] for one in found["settings"]] == ["[0.01, 0]", "[0.02, 0]"]
    assert found["values"][0][1] > found["values"][0][0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["samplin.rate=8 kHz"], ["samplin", "did you mean"]),
        (["sampling.rate=8 kHz, 9, -1 Hz"], ["sampling.rate", "got 9", "-1"]),
        (["sampling.rate"], ["KEY=VALUES must be a key and its values"]),
        (["sampling.rate="], ["KEY=VALUES must be a key and its values"]),
        (["sampling.rate=8 kHz", "sampling.rate=9 kHz"], ["each key once"]),
        (["sampling.rate=8 kHz", "--of", "torque"], ["--of must be", "rms", "peak", "relative"]),
        (["sampling.rate=8 kHz", "--speeds", "3 rpm"], ["--speeds", "linear speed"]),
        ([f"sampling.rate={','.join(['8 kHz'] * 1001)}"], ["KEY=VALUES must make at most 1000 combinations"]),
    ],
)
def test_sweep_refuses_what_is_wrong(arguments, words, folder, capsys):
    refused(["sweep", "axis.toml", *arguments], words, folder, capsys)


def test_sweep_needs_values(folder, capsys):
    assert main(["sweep", "axis.toml"]) == 2
    assert "KEY=VALUES" in capsys.readouterr().err


def test_sweep_marks_what_is_not_reliable(folder, capsys):
    argv = ["sweep", "axis.toml", "interpolation.span=0.9,1.25", "--speeds", "1 mm/s"]
    text = done(capsys, *argv)
    assert " ?" in text
    assert "Note: " in text
    assert json.loads(done(capsys, *argv, "--json"))["doubtful"] == [[True, False]]
