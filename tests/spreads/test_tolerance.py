"""Many axes of one design: statistics beside known distributions, the same bytes everywhere, resumption."""

import json
import math
import multiprocessing
import os
import subprocess
import sys
import time
import tracemalloc
import zipfile
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from stage_x import SIGNAL, stage

import encsim
from encsim import (
    Axis,
    InputError,
    Interpolation,
    Normal,
    Sampling,
    Scale,
    Signal,
    Triangular,
    Uniform,
    tolerance,
)
from encsim.decisions.requirements import Requirement
from encsim.progress import WorkersLost
from encsim.spreads.scheduler import SampleScheduler
from encsim.spreads.statistics import interval, shares
from encsim.spreads.tolerancing import Job

ROOT = Path(__file__).resolve().parents[2]

SPEEDS = np.geomspace(1e-3, 0.3, 12)
# One line alone: its ripple is proportional to its amplitude at every speed.
LINE = Axis(Scale(period=20e-6), signal=Signal(sde={1: 40e-9}), sampling=Sampling(16e3))
STAGE = stage(None, jitter=20e-9, signal=replace(SIGNAL, harmonics={}))
COUNTED = replace(
    STAGE,
    signal=replace(STAGE.signal, jitter=4e-9),
    interpolation=Interpolation(factor=400, bits=10),
)
SPREAD = {"signal.gain": Normal(0.01), "signal.offset.0": Uniform(0.01), "signal.jitter": Triangular(0.4e-9)}
LOOP = replace(
    STAGE,
    load=encsim.Load(5.0, viscous=15.0),
    control=encsim.Control(60.0, 2500.0, integral_time=12e-3, current_bandwidth=1e3, delay=60e-6),
)


def same(result, other):
    """Whether two results have the same bytes."""
    arrays = ("speed", "low", "median", "high", "deviation", "doubtful")
    plain = {name: value for name, value in result.to_dict().items() if name != "axis"}
    assert plain == {name: value for name, value in other.to_dict().items() if name != "axis"}
    return all(getattr(result, name).tobytes() == getattr(other, name).tobytes() for name in arrays)


@pytest.fixture(scope="module")
def lines():
    """A thousand axes that differ in the amplitude of their one line, normally, 10 %."""
    return tolerance(LINE, {"signal.sde.1": Normal(4e-9)}, SPEEDS, 1000, executor=1)


@pytest.mark.parametrize(("name", "share"), [("low", 0.025), ("median", 0.5), ("high", 0.975)])
def test_band_of_a_ripple_proportional_to_a_normal_fault_is_that_of_the_normal(name, share, lines):
    expected = encsim.ripple(LINE, SPEEDS).rms * (1.0 + 0.1 * NormalDist().inv_cdf(share))
    # Three standard errors of a quantile: 0.1 sqrt(share(1 - share)/n)/density.
    density = NormalDist().pdf(NormalDist().inv_cdf(share))
    error = 3.0 * 0.1 * math.sqrt(share * (1.0 - share) / 1000) / density
    np.testing.assert_allclose(getattr(lines, name), expected, rtol=error / 0.8)


@pytest.mark.parametrize("limit", [0.95, 1.1])
def test_yield_of_that_fault_is_the_normal_distribution(limit):
    allowed = float(encsim.ripple(LINE, 0.005).rms) * limit
    asked = Requirement(speeds=(0.005, 0.005), measured=allowed)
    found = tolerance(LINE, {"signal.sde.1": Normal(4e-9)}, 0.005, 600, requirement=asked, executor=1)
    expected = NormalDist(1.0, 0.1).cdf(limit)
    # Three standard errors of a share.
    assert found.yield_fraction == pytest.approx(
        expected, abs=3.0 * math.sqrt(expected * (1 - expected) / 600)
    )
    low, high = found.yield_interval
    assert low < found.yield_fraction < high
    # Half as wide, the limit lies twice as many standard deviations away. Weights of mean square 4/sqrt(7) make
    # the standard error that of so many times fewer samples; three of them.
    halved = NormalDist(1.0, 0.05).cdf(limit)
    error = math.sqrt(halved * (1.0 - halved) * 4.0 / math.sqrt(7.0) / 600)
    assert found.halved["signal.sde.1"] == pytest.approx(halved, abs=3.0 * error)


@pytest.mark.parametrize(("share", "count"), [(0.8, 10), (0.03, 400), (0.5, 50)])
def test_ends_of_a_yield_interval_are_1_96_standard_errors_of_their_own_away(share, count):
    for end in interval(share, count):
        assert abs(end - share) == pytest.approx(1.959964 * math.sqrt(end * (1.0 - end) / count), rel=1e-5)


@pytest.mark.parametrize("one", [Normal(0.008), Uniform(0.016), Triangular(0.02)])
def test_yield_if_halved_is_that_of_axes_drawn_half_as_widely(one):
    clean = replace(STAGE, signal=Signal(jitter=0.5e-9))
    asked = Requirement(speeds=(1e-3, 0.3), relative=0.006, floor=5e-5)
    wide, narrow = (SPREAD | {"signal.gain": each} for each in (one, type(one)(one.width / 2.0)))
    found = tolerance(clean, wide, SPEEDS[::4], 500, requirement=asked, executor=1)
    again = tolerance(clean, narrow, SPEEDS[::4], 500, seed=1, requirement=asked, executor=1)
    assert again.yield_fraction > found.yield_fraction + 0.2
    # Three standard errors of the difference of two shares, one of them of half as many samples.
    assert found.halved["signal.gain"] == pytest.approx(
        again.yield_fraction, abs=3.0 * math.sqrt(0.25 * 3.0 / 500)
    )


def test_whole_yield_is_below_that_of_every_speed_where_different_axes_fail_at_each():
    asked = Requirement(speeds=(1e-3, 0.3), relative=0.012, floor=7e-5)
    found = tolerance(STAGE, SPREAD, SPEEDS, 400, requirement=asked, executor=1)
    assert 0.0 < found.yield_fraction <= found.yield_by_speed.min() < 1.0
    assert found.yield_fraction == pytest.approx(min(found.yield_by_limit.values()), abs=1e-12)


@pytest.mark.parametrize(
    "axis",
    [COUNTED, replace(COUNTED, estimator=encsim.LowPass(300.0)), LOOP],
    ids=["difference", "filter", "loop"],
)
def test_band_is_that_of_a_plain_loop_over_the_whole_form(axis):
    found = tolerance(axis, SPREAD, SPEEDS, 12, executor=1)
    samples = [found.sample(number) for number in range(12)]
    if axis is LOOP:
        rows = np.array([encsim.smoothness(one, SPEEDS).measured for one in samples])
    else:
        rows = np.array([encsim.ripple(one, SPEEDS).rms for one in samples])
    expected = np.quantile(rows, (0.025, 0.5, 0.975), axis=0)
    # The quick form after it was scaled to five samples; deviation tells the rest, some 1e-2 at slow speeds.
    np.testing.assert_allclose([found.low, found.median, found.high], expected, rtol=0.02)


def test_sensitivity_of_faults_that_add_as_squares_is_that_of_the_formula():
    places = {name: np.random.default_rng(3).random((3, 20_000))[i] for i, name in enumerate("abc")}
    values = 2.0 * places["a"] + 1.0 * places["b"]
    found = shares(places, values[:, None])
    # 20 groups lose 1/400 of the variance; chance makes a few times 1e-3.
    assert found == pytest.approx({"a": 0.8, "b": 0.2, "c": 0.0}, abs=0.01)
    assert list(found) == ["a", "b", "c"]


def test_sensitivity_sees_a_fault_that_is_as_bad_either_way():
    place = np.random.default_rng(4).random(10_000)
    # Each of the 20 groups covers a tenth of the folded range: 1/100 of the variance is within groups.
    assert shares({"a": place}, np.abs(place - 0.5)[:, None])["a"] == pytest.approx(0.99, abs=0.005)


def test_sensitivity_of_what_has_no_effect_is_none_on_average_with_few_samples():
    rng = np.random.default_rng(5)
    found = [shares({"a": rng.random(60)}, rng.random((60, 1)))["a"] for _ in range(400)]
    # The plain ratio of two groups of 30 is a beta variable (1/2, 29), 1/59 on average; adjusted and cut at 0, 0.0083.
    assert np.mean(found) == pytest.approx(0.0083, abs=0.0025)
    assert np.mean(np.equal(found, 0.0)) > 0.5


def test_sensitivity_of_what_never_varies_is_none():
    assert shares({"a": np.linspace(0.0, 1.0, 100)}, np.ones((100, 2))) == {"a": 0.0}


def test_key_to_tighten_is_the_one_that_makes_axes_fail():
    clean = replace(STAGE, signal=Signal(jitter=0.5e-9))
    spread = {"signal.gain": Normal(0.01), "signal.phase": Normal(0.001)}
    asked = Requirement(speeds=(1e-3, 0.3), relative=0.01, floor=7e-5)
    found = tolerance(clean, spread, SPEEDS, 300, requirement=asked, executor=1)
    assert found.tighten == next(iter(found.sensitivity)) == "signal.gain"
    assert found.halved["signal.gain"] > found.yield_fraction + 0.1


def test_interval_of_a_share_holds_it_in_95_of_100_cases():
    rng = np.random.default_rng(5)
    held = [
        low <= 0.3 <= high for low, high in (interval(n / 200, 200) for n in rng.binomial(200, 0.3, 2000))
    ]
    # Score intervals hold between 94 and 96 of 100 here; two standard errors of 2000 cases are 1.
    assert 0.93 < np.mean(held) < 0.97


@pytest.mark.parametrize(("share", "count"), [(0.0, 10), (1.0, 10), (0.0, 1), (1.0, 100_000)])
def test_interval_of_none_or_all_stays_within_bounds(share, count):
    low, high = interval(share, count)
    assert 0.0 <= low < high <= 1.0
    assert share in (low, high)


@pytest.fixture(scope="module")
def alone():
    """The result of one process."""
    return tolerance(STAGE, SPREAD, SPEEDS, 150, executor=1)


def test_own_processes_give_the_same_bytes(alone):
    assert same(alone, tolerance(STAGE, SPREAD, SPEEDS, 150, executor=2))


def test_given_processes_and_threads_give_the_same_bytes(alone):
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        assert same(alone, tolerance(STAGE, SPREAD, SPEEDS, 150, executor=pool))
    with ThreadPoolExecutor(3) as pool:
        assert same(alone, tolerance(STAGE, SPREAD, SPEEDS, 150, executor=pool))
        # It is still the caller's.
        assert pool.submit(len, "abc").result() == 3


RATES = {"sampling.rate": ["8 kHz", "16 kHz"]}
ON_DASK = """
import json, sys
sys.path[:0] = ["tests", "tests/spreads"]
import distributed, test_tolerance as t
if __name__ == "__main__":
    how = {"n_workers": 2, "threads_per_worker": 1, "processes": False, "dashboard_address": None}
    with distributed.LocalCluster(**how) as cluster, distributed.Client(cluster) as client:
        executor = client.get_executor()
        found = t.tolerance(t.STAGE, t.SPREAD, t.SPEEDS, 150, executor=executor)
        swept = t.encsim.sweep(t.STAGE, t.RATES, t.SPEEDS, executor=executor)
    print(json.dumps([found.to_dict(), swept.to_dict()]))
"""


def test_dask_gives_the_same_bytes(alone):
    pytest.importorskip("distributed", reason="dask[distributed] is in the test extra")
    # in a process of its own: it leaves threads behind, and calls of its own in the collection of garbage
    done = subprocess.run(
        [sys.executable, "-c", ON_DASK], capture_output=True, text=True, cwd=ROOT, check=True
    )
    swept = encsim.sweep(STAGE, RATES, SPEEDS)
    assert done.stdout.splitlines()[-1] == json.dumps([alone.to_dict(), swept.to_dict()])


class Interrupted(Exception):
    """Stands for Ctrl-C, which would stop the tests."""


def stop_at(count):
    """Progress that stops the work at so many samples."""

    def progress(done, samples):
        if done >= count:
            raise Interrupted

    return progress


@pytest.mark.parametrize("executor", [1, 2])
def test_interrupted_work_is_resumed_where_it_stopped(executor, alone, tmp_path):
    path, told = tmp_path / "axes.npz", []
    with pytest.raises(Interrupted):
        tolerance(STAGE, SPREAD, SPEEDS, 150, executor=executor, resume=path, progress=stop_at(64))
    with np.load(path) as file:
        assert 64 <= file["done"].sum() < 150
    found = tolerance(
        STAGE, SPREAD, SPEEDS, 150, executor=1, resume=path, progress=lambda done, _: told.append(done)
    )
    assert same(alone, found)
    assert told[0] > 64


def test_file_serves_fewer_and_more_samples(alone, tmp_path):
    path = tmp_path / "axes.npz"
    tolerance(STAGE, SPREAD, SPEEDS, 200, executor=1, resume=path)
    assert same(alone, tolerance(STAGE, SPREAD, SPEEDS, 150, executor=1, resume=path, progress=stop_at(0)))
    more = tolerance(STAGE, SPREAD, SPEEDS, 230, executor=1, resume=path)
    assert same(more, tolerance(STAGE, SPREAD, SPEEDS, 230, executor=1))


@pytest.mark.parametrize(
    "other",
    [
        {"axis": replace(STAGE, sampling=Sampling(8e3))},
        {"spread": {**SPREAD, "signal.gain": Normal(0.02)}},
        {"speeds": SPEEDS[:-1]},
        {"seed": 1},
        {"requirement": Requirement(speeds=(1e-3, 1.0), measured=1e-3)},
    ],
    ids=lambda other: next(iter(other)),
)
def test_file_of_another_job_is_refused(other, tmp_path):
    path = tmp_path / "axes.npz"
    mine = {"axis": STAGE, "spread": SPREAD, "speeds": SPEEDS, "samples": 40, "executor": 1, "resume": path}
    tolerance(**mine)
    with pytest.raises(
        InputError, match="resume must belong to the same axis, spread, speeds, seed and limits"
    ):
        tolerance(**(mine | other))


@pytest.mark.parametrize("content", [b"", b"not an archive", b"PK\x03\x04 but cut off"])
def test_file_that_holds_no_samples_is_refused_and_left_alone(content, tmp_path):
    path = tmp_path / "axes.npz"
    path.write_bytes(content)
    with pytest.raises(InputError, match="resume must be a file of finished samples"):
        tolerance(STAGE, SPREAD, SPEEDS, 40, executor=1, resume=path)
    assert path.read_bytes() == content


def test_file_that_unpacks_to_far_more_is_refused_before_it_is_unpacked(tmp_path):
    path = tmp_path / "axes.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("done.npy", bytes(50_000_000))
    tracemalloc.start()
    with pytest.raises(InputError, match="resume must be a file of finished samples"):
        tolerance(STAGE, SPREAD, SPEEDS, 40, executor=1, resume=path)
    assert tracemalloc.get_traced_memory()[1] < 5_000_000
    tracemalloc.stop()


def test_first_chunk_is_kept_at_once(tmp_path):
    path = tmp_path / "axes.npz"
    with pytest.raises(Interrupted):
        tolerance(STAGE, SPREAD, SPEEDS, 150, executor=1, resume=path, progress=stop_at(1))
    with np.load(path) as file:
        assert file["done"].sum() == 32


def test_file_in_no_folder_is_refused_before_the_work(tmp_path):
    with pytest.raises(InputError, match=r"tolerance.resume must lie in a folder that exists"):
        tolerance(STAGE, SPREAD, SPEEDS, 40, resume=tmp_path / "no" / "axes.npz", progress=stop_at(0))


def kill_workers(times):
    """Progress that kills a worker at each of the first calls."""
    left = [times]

    def progress(done, samples):
        if left[0] > 0 and multiprocessing.active_children():
            left[0] -= 1
            multiprocessing.active_children()[0].kill()

    return progress


def test_chunks_of_a_worker_that_died_are_done_again(alone):
    assert same(alone, tolerance(STAGE, SPREAD, SPEEDS, 150, executor=2, progress=kill_workers(1)))


def test_workers_that_die_again_and_again_are_named():
    with pytest.raises(WorkersLost, match=r"failed twice with \d+ of 2000 samples to do, BrokenProcessPool"):
        tolerance(STAGE, SPREAD, SPEEDS, 2000, executor=2, progress=kill_workers(1000))


def test_executor_that_takes_nothing_is_named():
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    with pytest.raises(
        WorkersLost, match="150 of 150 samples to do, RuntimeError: cannot schedule new futures"
    ):
        tolerance(STAGE, SPREAD, SPEEDS, 150, executor=pool)


def test_processes_of_our_own_do_not_run_the_script_again(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import os, sys\n"
        "from encsim import Axis, Normal, Sampling, Scale, Signal, tolerance\n"
        "print('started')\n"
        "axis = Axis(Scale(period=20e-6), signal=Signal(gain=0.01), sampling=Sampling(16e3))\n"
        "print(tolerance(axis, {'signal.gain': Normal(0.01)}, 0.01, 100, executor=2).samples)\n"
    )
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, env=dict(os.environ), timeout=60
    )
    assert (done.stdout.split(), done.stderr) == (["started", "100"], "")


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_processes_of_our_own_end_with_a_parent_that_is_killed(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "import multiprocessing, os, signal\n"
        "from encsim import Axis, Normal, Sampling, Scale, Signal, tolerance\n"
        "def die(done, samples):\n"
        "    print(*(child.pid for child in multiprocessing.active_children()), flush=True)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "axis = Axis(Scale(period=20e-6), signal=Signal(gain=0.01), sampling=Sampling(16e3))\n"
        "tolerance(axis, {'signal.gain': Normal(0.01)}, 0.01, 10**6, executor=2, progress=die)\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=60)
    workers = [int(word) for word in done.stdout.split()]
    assert len(workers) == 2
    deadline = time.monotonic() + 20.0
    while any(map(runs, workers)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(runs, workers))


def runs(number):
    """Whether there is a process of this number that has not ended."""
    try:
        with open(f"/proc/{number}/stat") as file:
            return file.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.parametrize("name", ["torque", "actual", "phase_margin", "delay", "top_speed"])
def test_other_limits_are_judged_axis_by_axis_as_a_requirement_judges(name):
    speeds, spread = np.array([0.01, 0.05]), {"signal.gain": Normal(0.01)}
    spread |= {"load.inertia": Uniform(2.0)} if name == "phase_margin" else {}
    curves = encsim.smoothness(LOOP, speeds)
    limit = {
        "torque": float(curves.torque.max()), "actual": float(curves.actual.max()),
        "phase_margin": encsim.margins(LOOP).phase_margin, "delay": 1e-3, "top_speed": 0.05,
    }[name]  # fmt: skip
    asked = Requirement(speeds=(0.01, 0.05), **{name: limit})
    found = tolerance(LOOP, spread, speeds, 15, requirement=asked, executor=1)
    met = [_met(asked, name, found.sample(number), speeds) for number in range(15)]
    assert found.yield_by_limit[name] == pytest.approx(np.mean(met), abs=1e-12)
    assert found.yield_fraction <= found.yield_by_limit[name]
    assert (0.0 < found.yield_fraction < 1.0) == (name in ("torque", "actual", "phase_margin"))


def _met(asked, name, axis, speeds):
    """One limit by the whole form."""
    if name in ("torque", "actual"):
        return getattr(encsim.smoothness(axis, speeds), name).max() <= getattr(asked, name)
    return next(check.met for check in asked.steady(axis) if check.name == name)


def test_loop_that_swings_in_some_axes_fails_there_and_leaves_the_rest_alone():
    wild = replace(LOOP, control=replace(LOOP.control, velocity_gain=45e3))
    asked = Requirement(speeds=(1e-3, 0.3), measured=1.0)
    found = tolerance(
        wild, {"control.velocity_gain": Uniform(20e3)}, SPEEDS, 20, requirement=asked, executor=1
    )
    assert 0.0 < found.yield_fraction < 1.0
    assert np.isinf(found.high).all()
    assert np.isfinite(list(found.sensitivity.values())).all()


def test_vanishing_ripple_has_no_band():
    found = tolerance(replace(LINE, signal=Signal()), {"signal.gain": Normal(0.0), "sampling.rate": Uniform(1.0)},
                      SPEEDS, 30, executor=1)  # fmt: skip
    assert not found.high.any()
    assert found.sensitivity == {"sampling.rate": 0.0}
    assert found.tighten is None


def test_what_rounding_leaves_where_lines_vanish_is_not_doubted():
    found = tolerance(LINE, {"signal.sde.1": Normal(4e-9)}, [0.1, 20e-6 * 16e3], 100, executor=1)
    assert found.valid
    assert found.high[1] < 1e-9 * found.low[0]


def test_axes_without_a_position_are_counted_as_doubtful():
    near = replace(COUNTED, interpolation=replace(COUNTED.interpolation, span=1.02))
    found = tolerance(near, {"signal.amplitude": Normal(0.02)}, SPEEDS, 100, executor=1)
    assert not found.valid
    assert any("axes have channels that the converter clips" in reason for reason in found.reasons)


def test_few_samples_are_said_to_be_few():
    assert "fewer than 100 samples" in " ".join(
        tolerance(LINE, {"signal.sde.1": Normal(4e-9)}, 0.01, 50).reasons
    )


def test_ring_errors_vary_too():
    ring = encsim.Ring(diameter=0.1, eccentricity=5e-6)
    table = Axis(Scale(lines=9000), sampling=Sampling(16e3), ring=ring)
    found = tolerance(table, {"ring.eccentricity": Uniform(5e-6), "ring.direction": Uniform(math.pi)}, 10.0, 300,
                      executor=1)  # fmt: skip
    # Ripple is proportional to the eccentricity, evenly spread from 0 to 10 um; three standard errors of the median.
    expected = float(encsim.ripple(table, 10.0).rms)
    assert found.median == pytest.approx([expected], rel=3.0 / math.sqrt(300))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"axis": "stage"}, "tolerance.axis must be an Axis"),
        ({"spread": {"signal.gian": Normal(0.1)}}, "spread.signal.gian must be a key of signal"),
        ({"samples": 1}, "tolerance.samples must be a whole number from 2"),
        ({"samples": 2.5}, "tolerance.samples must be a whole number"),
        ({"seed": -1}, "tolerance.seed must be a whole number from 0"),
        ({"executor": 0}, "tolerance.executor must be an Executor"),
        ({"executor": "dask"}, "tolerance.executor must be an Executor"),
        ({"requirement": 0.01}, "tolerance.requirement must be a Requirement, got 0.01"),
        ({"resume": 3}, "tolerance.resume must be a path, got 3"),
        ({"speeds": []}, "tolerance.speeds must hold at least one number"),
        ({"speeds": [[0.1]]}, "tolerance.speeds must have one dimension"),
        ({"speeds": [math.nan]}, "tolerance.speeds must be finite"),
        ({"samples": 9_999_999}, r"tolerance.samples must make at most 33554432 values with the 12 speeds"),
        (
            {"requirement": Requirement(speeds=(1.0, 2.0), measured=1.0)},
            "speeds must lie in the requirement's range",
        ),
        (
            {"requirement": Requirement(speeds=(0.01, 0.1), torque=1.0)},
            "torque must be left out for an axis without",
        ),
        ({"spread": {"signal.jitter": Uniform(1e-3)}}, "signal.jitter must leave possible axes"),
    ],
)
def test_wrong_arguments_are_refused(changed, message):
    given = {"axis": STAGE, "spread": SPREAD, "speeds": SPEEDS, "samples": 40} | changed
    with pytest.raises(InputError, match=message):
        tolerance(**given)


@pytest.mark.parametrize("number", [-1, 40, 1.0])
def test_sample_that_was_not_drawn_is_refused(number):
    found = tolerance(LINE, {"signal.sde.1": Normal(4e-9)}, 0.01, 40)
    with pytest.raises(InputError, match=r"sample\.number must be a whole number from 0 to 39"):
        found.sample(number)


def test_result_is_plain_with_its_spread_and_a_table(lines):
    plain = lines.to_dict()
    assert plain["kind"] == "Tolerance"
    assert plain["spread"] == {"signal.sde.1": {"normal": 4e-9, "per_kelvin": 0.0}}
    assert plain["limit"] is plain["yield_fraction"] is None
    assert lines.to_csv_text().splitlines()[0] == "speed_m_s,median_m_s,low_m_s,high_m_s,deviation,doubtful"


def test_chunks_begin_where_samples_are_undone():
    work = SampleScheduler(Job(LINE, {"signal.sde.1": Normal(4e-9)}, SPEEDS, 0), 100)
    work.done[[0, 1, 40, 99]] = True
    assert list(work.chunks()) == [(2, 32), (34, 6), (41, 32), (73, 26)]
