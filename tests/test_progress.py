"""Long work: how far it is, as told to a function of the caller and on stderr; the same bytes on any workers."""

import io
import json
import multiprocessing
import os
import platform
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest
from every_result import WANTED, axis

import encsim
from encsim.decisions import remedies
from encsim.progress import Pool, Progress, submitted

LONG = {
    "simulate": lambda **told: encsim.simulate(axis(), 0.01, 300_000, **told),
    "run": lambda **told: encsim.run(axis("stage_x_loop"), 0.01, 0.6, **told),
    "runs": lambda **told: encsim.runs(axis("stage_x_loop"), [0.01, 0.02], 0.02, **told),
    "sweep": lambda **told: encsim.sweep(axis(), {"interpolation.factor": [400, 4000]}, [0.01], **told),
    "choose": lambda **told: encsim.choose(axis(), WANTED, {"interpolation.factor": [400, 4000]}, **told),
    "tolerance": lambda **told: encsim.tolerance(
        axis(), {"signal.gain": encsim.Normal(0.006)}, [0.01], 20, executor=1, **told
    ),
    "explain": lambda **told: encsim.explain(
        axis().with_("interpolation.bits", None), 0.01, verify=True, **told
    ),
}


@pytest.mark.parametrize("name", LONG)
def test_long_work_tells_how_many_of_how_many_up_to_all(name, monkeypatch):
    told = []
    # The simulations of remedies take seconds.
    monkeypatch.setattr(remedies, "verified", lambda one: one)
    LONG[name](progress=lambda done, total: told.append((done, total)))
    assert told
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert all(0 < done <= total for done, total in told)
    assert told[-1][0] == told[-1][1]


def test_progress_true_is_a_line_on_a_terminal_that_goes_at_the_end(monkeypatch):
    screen = io.StringIO()
    screen.isatty = lambda: True
    monkeypatch.setattr(sys, "stderr", screen)
    LONG["sweep"](progress=True)
    assert screen.getvalue() == "".join(
        f"\r\x1b[K{text}" for text in ("computing 1 of 2 columns", "computing 2 of 2 columns", "")
    )


def test_short_work_says_nothing_where_no_terminal_is(capsys):
    LONG["sweep"](progress=True)
    assert capsys.readouterr().err == ""


def test_long_work_says_a_line_from_time_to_time_where_no_terminal_is(capsys, monkeypatch):
    monkeypatch.setattr(Progress, "EVERY", 0.0)
    LONG["sweep"](progress=True)
    assert capsys.readouterr().err == "encsim: computing 1 of 2 columns\nencsim: computing 2 of 2 columns\n"


@pytest.mark.parametrize("name", [*LONG, "report"])
def test_what_cannot_be_called_is_refused(name, tmp_path):
    long = LONG.get(name, lambda **told: encsim.report(axis(), tmp_path / "a.html", **told))
    with pytest.raises(
        encsim.InputError, match=rf"^{name}\.progress must be a function of done and total, True or"
    ):
        long(progress="yes")


def test_work_ends_where_the_function_raises():
    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        LONG["simulate"](progress=stop)


RATES = {"sampling.rate": ["8 kHz", "16 kHz"], "interpolation.factor": [400, 4000]}
# Numbers of many candidates: some are screened only.
FACTORS = {"interpolation.factor": [100 * n for n in range(1, 30)]}
DIVIDED = {
    "sweep": lambda executor: encsim.sweep(axis(), RATES, [1e-3, 0.01], "peak", executor=executor),
    "choose": lambda executor: encsim.choose(axis(), WANTED, FACTORS, executor=executor),
}


@pytest.fixture(scope="module")
def processes():
    """Two new processes."""
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield pool


@pytest.mark.parametrize("name", DIVIDED)
def test_no_byte_depends_on_the_workers(name, processes):
    alone, divided = (json.dumps(DIVIDED[name](executor).to_dict()) for executor in (None, processes))
    assert alone == divided


@pytest.mark.parametrize("name", DIVIDED)
@pytest.mark.parametrize("executor", [0, -1, 1.5, True, "two", map])
def test_what_is_no_executor_is_refused(name, executor):
    with pytest.raises(
        encsim.InputError, match=rf"{name}\.executor must be an Executor of concurrent\.futures"
    ):
        DIVIDED[name](executor)


def pages():
    """Pages that the system hands out while many small arrays are made and forgotten, a hundred times."""
    import resource

    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(100):
        sum(np.ones(1 << 14)[0] for _ in [np.ones(1 << 14) for _ in range(32)])
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another malloc has other habits")
def test_workers_keep_the_memory_that_they_freed():
    with Pool(1) as pool:
        assert (
            pool.submit(pages).result() < 10_000
        )  # 100 000 where freed memory goes back to the system each time


def test_workers_that_end_early_are_told():
    with (
        pytest.raises(encsim.WorkersLost, match="ended before their work was done"),
        Pool(2) as pool,
        submitted(pool, os._exit, [(1,), (1,)]) as futures,
    ):
        [future.result() for future in futures]
