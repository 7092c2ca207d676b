"""The table of increments against a walk through the period."""

import numpy as np
import pytest
from slow_period import mean_square

from encsim import Axis, Interpolation, Sampling, Scale, Signal, ripple
from encsim.open_loop import quantisation, replay, structure_function

LAGS = np.array([0.0, 3.3e-4, 2.11e-3, 0.0137, 0.25, 0.4142, 0.99, 3.217])
FAULTS = {"offset": (0.01, -0.005), "gain": 0.02, "phase": 0.01, "harmonics": {3: 0.002}}
CHAINS = [
    {"factor": 4},
    {"factor": 37},
    {"factor": 400, "output": "ab"},
    {"factor": 1000, "bits": 8},
    {"factor": None, "bits": 9},
]


def table(faults, **how):
    axis = Axis(
        Scale(period=1.0), signal=Signal(**faults), interpolation=Interpolation(**how), sampling=Sampling(1.0)
    )
    return structure_function.table(structure_function.static(axis)), axis


@pytest.mark.parametrize("how", CHAINS)
def test_table_agrees_with_a_walk_through_the_period(how):
    found, axis = table(FAULTS, **how)
    slow = [mean_square(axis, lag) for lag in LAGS]
    # the walk's 200 003 points and the table's grid each misplace a step by up to a grid step
    assert found.mean_square(LAGS, np.zeros_like(LAGS)) == pytest.approx(slow, rel=2e-3, abs=1e-12)


@pytest.mark.parametrize(("how", "spread"), [*zip(CHAINS, [2e-3, 1e-2, 2e-3, 1e-2, 2e-3], strict=True)])
def test_spread_table_agrees_with_a_walk_through_the_period(how, spread, cases):
    found, axis = table(FAULTS, **how)
    lags = LAGS[1 :: cases(6, 2)]
    slow = [mean_square(axis, lag, spread, points=10_007, nodes=180) for lag in lags]
    # 180 nodes over steps of the shown position: some 1e-3
    assert found.mean_square(lags, np.full_like(lags, spread)) == pytest.approx(slow, rel=4e-3)


@pytest.mark.parametrize("steps_of_grid", [0.0, 0.3, 1.0, 2.9, 3.1, 8.0, 30.0, 300.0])
def test_pure_counts_agree_with_the_counting_formula(steps_of_grid):
    found, _ = table({}, factor=100)
    lag = np.random.default_rng(1).uniform(0, 3, 500)
    spread = np.full(lag.shape, steps_of_grid * found.step)
    exact = 1e-4 * quantisation.counted(lag * 100, spread * 100) + spread**2
    # cubic interpolation of a table a third (3.1) to a sixth of the spread apart: 2.4e-4 to 2e-5
    assert found.mean_square(lag, spread) == pytest.approx(exact, rel=3e-4 if steps_of_grid == 3.1 else 3e-5)


def test_speeds_with_different_spreads_share_rungs_of_the_ladder():
    found, _ = table({}, factor=100)
    rng = np.random.default_rng(2)
    lag, spread = rng.uniform(0, 3, 500), rng.uniform(0, 0.02, 500)
    exact = 1e-4 * quantisation.counted(lag * 100, spread * 100) + spread**2
    assert found.mean_square(lag, spread) == pytest.approx(exact, rel=5e-5)


def test_static_key_leaves_out_what_does_not_shape_the_period():
    _, axis = table(FAULTS, factor=400)
    noisy = Axis(
        axis.scale,
        signal=Signal(**FAULTS, jitter=1e-3, noise=1e-3),
        interpolation=Interpolation(factor=400),
        sampling=Sampling(50.0, latency=1.0),
    )
    assert structure_function.static(noisy) == structure_function.static(axis)


def random_axis(rng):
    """An axis with counts, perhaps a converter, faults of 0.01 to 1 times the usual, jitter of 0.06 to 2 counts."""
    factor, faults = int(rng.choice([100, 200, 1000, 2000, 4000, 8000])), 10.0 ** rng.uniform(-2.0, 0.0)
    bits = int(rng.choice([0, 10, 12, 14])) or None
    signal = Signal(
        offset=tuple(faults * rng.uniform(-0.02, 0.02, 2)),
        gain=faults * rng.uniform(-0.03, 0.03),
        phase=faults * rng.uniform(-0.02, 0.02),
        harmonics={3: faults * rng.uniform(0.0, 0.005)},
        jitter=10.0 ** rng.uniform(-1.2, 0.3) / factor,
    )
    return Axis(
        Scale(period=1.0),
        signal=signal,
        interpolation=Interpolation(factor=factor, bits=bits),
        sampling=Sampling(1.0),
    )


def test_as_few_points_as_jitter_allows_change_the_ripple_by_less_than_three_ten_thousandths(
    cases, monkeypatch
):
    rng, smaller = np.random.default_rng(2), 0
    for _ in range(cases(4, 60)):
        axis = random_axis(rng)
        q = axis.resolution
        below, anywhere, near = (
            rng.uniform(0.0, 3.0 * q, 30),
            rng.uniform(0.0, 1.0, 30),
            rng.normal(0.0, 0.01 * q, 30),
        )
        speeds = np.abs(np.concatenate([below, anywhere, rng.integers(1, 20, 30) * q + near]))
        found = ripple(axis, speeds).rms
        with monkeypatch.context() as patch:
            patch.setattr(structure_function, "enough_points", lambda axis, slope: structure_function.LARGEST)
            full = ripple(axis, speeds).rms
        # 5e-5 with usual faults; near an ideal signal the edges of a coarse converter lie less at random: 2.5e-4
        np.testing.assert_allclose(found, full, rtol=3e-4)
        smaller += bool(np.any(found != full))
    assert smaller


@pytest.mark.parametrize(
    "many",
    [{"harmonics": {k: 1e-4 / k for k in range(2, 40)}}, {"sde": {k: (1e-4 / k, k) for k in range(1, 40)}}],
)
def test_many_harmonics_by_a_transform_make_what_they_make_one_by_one(many, monkeypatch):
    _, axis = table(many, factor=None)
    quick = structure_function.shown_error(axis, 1 << 15)
    monkeypatch.setattr(structure_function, "FEW", 1000)
    # 40 terms of at most 1e-4, each rounded
    np.testing.assert_allclose(quick, structure_function.shown_error(axis, 1 << 15), rtol=0, atol=2e-15)


def test_phase_just_below_a_whole_period_is_looked_up_as_zero():
    run = replay._Shown.__new__(replay._Shown)
    run.table, run.jitter, run.white, run.clock = np.arange(4.0), *np.zeros((3, 1))
    # 1 - 1e-20 is 1
    assert run._shown(0, np.array([[-1e-20]]), np.zeros(1, dtype=int), 1.0) == 0.0
