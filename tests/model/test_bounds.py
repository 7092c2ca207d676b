"""Bounds of what a file may say: refused with key and line before any work, and told by `encsim check`."""

import json
import re

import numpy as np
import pytest
from commands import STAGE_LOOP

import encsim
from encsim.__main__ import main
from encsim.closed_loop import closed_loop_ripple, error_lines
from encsim.decisions import requirements
from encsim.model import bounds

AXIS = encsim.loads(STAGE_LOOP)
LONG_SDE = ", ".join(f"{order} = '1 pm'" for order in range(1, 51))
LOW_PASS = 'kind = "low-pass"\ncorner = "800 Hz"'


def timed(window):
    """The stage with edges timed over this window."""
    kind = f'kind = "count-and-time"\nclock = "10 MHz"\nwindow = "{window}"'
    return STAGE_LOOP.replace(LOW_PASS, kind).replace("bits = 12\n", "")


@pytest.mark.parametrize("top", ["1e6 m/s", "1e30 m/s"])
@pytest.mark.parametrize("command", [["report", "-o", "page.html"], ["check"], ["choose"]])
def test_speeds_of_a_requirement_that_no_job_takes_are_refused_by_line(
    top, command, tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "axis.toml").write_text(
        f'{STAGE_LOOP}[requirement]\nspeeds = ["1 mm/s", "{top}"]\nrelative = 0.02\n'
    )
    name, *options = command
    options += ["--try", "interpolation.factor=400, 4000"] if name == "choose" else []
    assert main([name, "axis.toml", *options]) == 2
    line = STAGE_LOOP.count("\n") + 2
    assert f"axis.toml, line {line}: requirement.speeds must stay up to" in capsys.readouterr().err
    assert not (tmp_path / "page.html").exists()


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (STAGE_LOOP + '[motion]\ntop = "1e6 m/s"\n', "line 40: motion.top must stay up to 524288 signal periods"),
        (STAGE_LOOP + '[motion]\ntop = "1e30 m/s"\n', "motion.top must lie from"),
        (
            STAGE_LOOP.replace("{3 = 0.002}", f"{{{', '.join(f'{k} = 1e-6' for k in range(2, 200))}}}"),
            "line 12: signal.harmonics must have at most 50 orders, got 198",
        ),
        (
            STAGE_LOOP.replace("[interpolation]", f"sde = {{{LONG_SDE}}}\n[interpolation]"),
            "signal.sde must have at most 50 orders together with harmonics, got 51",
        ),
        (timed("1000 s"), "estimator.window must reach back at most 131072 samples"),
        (
            STAGE_LOOP.replace('"60 us"', '"1 s"').replace("16 kHz", "1 MHz"),
            "line 37: control.delay must be at most 131072 samples",
        ),
        (
            STAGE_LOOP.replace("[sampling]\n", '[sampling]\nlatency = "1000 s"\n'),
            "line 20: sampling.latency must be at most 131072 samples in a closed loop, 8.192 s",
        ),
        (STAGE_LOOP.replace("16 kHz", "1e13 Hz"), "sampling.rate must lie from 1e-06 to 1e"),
    ],
)  # fmt: skip
def test_what_a_file_may_not_say_is_refused_with_key_and_line(text, rule):
    with pytest.raises(encsim.InputError, match=re.escape(rule)):
        encsim.loads(text)


def test_timed_windows_within_the_bound_and_long_ones_without_a_loop_are_taken():
    assert encsim.loads(timed("8 s")).estimator.window == 8.0
    assert encsim.loads(timed("1000 s").partition("[load]")[0]).estimator.window == 1000.0


def test_requirement_in_python_is_refused_when_it_meets_its_axis():
    wanted = encsim.Requirement(speeds=(1e-3, 1e6), relative=0.02)
    with pytest.raises(encsim.InputError, match=r"Requirement\.speeds must stay up to 524288 signal periods"):
        wanted.check(AXIS)
    requirements.Requirement(speeds=(1e-3, bounds.fastest(AXIS)), relative=0.02).check(AXIS)


def test_fast_sweeps_mark_no_more_speeds_than_are_used():
    few, many = (closed_loop_ripple._special_speeds(AXIS, top) for top in (300.0, bounds.fastest(AXIS)))
    assert few.tolist() == many.tolist()


def test_check_tells_the_bounds(tmp_path, capsys):
    (tmp_path / "axis.toml").write_text(STAGE_LOOP)
    assert main(["check", str(tmp_path / "axis.toml"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["fastest"] == bounds.fastest(AXIS) == 2**19 * 16e3 * AXIS.scale.pitch
    assert found["bounds"]["heads"] == [1, 64]
    assert main(["check", str(tmp_path / "axis.toml"), "--long"]) == 0
    out = capsys.readouterr().out
    assert all(bound.keys in out for bound in bounds.TABLE)
    assert "Speeds up to 168 km/s" in out


def test_search_for_gains_that_does_not_settle_says_so():
    with pytest.raises(encsim.InputError, match=r"sampling\.rate must let the search for gains settle"):
        encsim.tune(AXIS.with_({"sampling.rate": "1e12 Hz", "control.delay": "100 ns"}))


def test_counts_of_harmonics_of_high_order_share_one_number_of_bands():
    lines = error_lines.counter_lines(4000, np.array([1000]), np.array([1e-5 + 0j]), 1e-12)
    assert lines.band_share(np.zeros(1)).shape == (1, lines.band.size)
