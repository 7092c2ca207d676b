"""Encoder: any motion, one sample or a block at a time; steady motion gives the samples of simulate."""

import threading
from dataclasses import replace

import numpy as np
import pytest
from stage_x import stage

import encsim
from encsim.time_domain.encoder_tables import straight

STAGE_X = stage(bits=12, jitter=20e-9)

RATE = STAGE_X.sampling.rate
PITCH = STAGE_X.scale.pitch


def changed(**parts):
    """Stage X with other fields: signal={...}, interpolation={...}, sampling={...}, estimator=..."""
    made = {}
    for name, fields in parts.items():
        made[name] = replace(getattr(STAGE_X, name), **fields) if isinstance(fields, dict) else fields
    return replace(STAGE_X, **made)


def steady(axis, speed, samples, first=0):
    """True positions of a steady motion through 0 at sample 0, exact: whole periods and the rest."""
    return straight(axis, np.arange(first, first + samples), (0, 0.0), speed)


def axes():
    """Axes that between them have every part of the chain."""
    ab = {"output": "ab", "factor": 400, "bits": None}
    return {
        "stage x": STAGE_X,
        "noise": changed(signal={"noise": 1e-3, "sde": {1: (40e-9, 0.3), 2: (2e-8, 0.1)}}),
        "no counts": changed(interpolation={"factor": None, "bits": None}),
        "hysteresis": changed(interpolation={"hysteresis": 2.0, "factor": 200}),
        "slow jitter": changed(signal={"jitter_bandwidth": 3e3, "jitter": 5e-9}),
        "edges": changed(interpolation=ab | {"edge_separation": 1e-7, "hysteresis": 1.0}),
        "edge clock": changed(interpolation=ab | {"edge_separation": 7e-8, "edge_clock": 3e7}),
        "latency": changed(sampling={"latency": 1.37e-4}),
        "own clock": changed(sampling={"encoder_rate": 4.1e4, "encoder_phase": 0.3, "latency": 2.1e-5}),
        "slow clock": changed(
            sampling={"encoder_rate": 7.3e3}, signal={"jitter_bandwidth": 3e3, "jitter": 5e-9}
        ),
        "average": changed(sampling={"average": 5, "latency": 3e-6}),
        "bandwidth": changed(signal={"bandwidth": 5e3, "harmonics": {2: 0.01, 3: 0.02, 5: 0.01}}),
        "skew": changed(signal={"skew": 4e-7}),
        "all of these": changed(
            signal={"bandwidth": 8e3, "skew": -4e-7, "noise": 1e-3},
            sampling={"average": 3, "latency": 1.1e-5, "encoder_rate": 4.1e4},
        ),
        "low-pass": changed(estimator=encsim.LowPass(300.0, order=2)),
        "least squares": changed(estimator=encsim.LeastSquares(16)),
        "taps": changed(estimator=encsim.Difference(40)),
        "tracking": changed(estimator=encsim.Tracking(100.0)),
        "quadratic": changed(estimator=encsim.QuadraticFit(12)),
        # noise of four counts: edges are found samples after their places were passed
        "period timing": changed(estimator=encsim.PeriodTiming(50e6)),
        "count-and-time": changed(estimator=encsim.CountAndTime(50e6, window=1.13e-4)),
    }


@pytest.mark.parametrize("speed", [0.0123, -0.31])
@pytest.mark.parametrize("name", axes())
def test_steady_motion_gives_the_samples_of_simulate(name, speed):
    axis, samples = axes()[name], 3000
    expected = encsim.simulate(axis, speed, samples, seed=3)
    encoder, position, velocity = encsim.Encoder(axis, seed=3), np.empty(samples), np.empty(samples)
    encoder.lead(0.0, speed)
    encoder.read(steady(axis, speed, samples), position_out=position, velocity=velocity)
    moved = np.abs(position - expected.position) / PITCH
    # 1e-9 period; where the position rounds to 1e-16 of itself a reading at the edge of a code may take the next
    jumps = moved > 1e-9
    assert jumps.mean() <= 2e-3
    assert moved[~jumps].max() < 1e-9
    near = ~jumps & (np.arange(samples) >= 0)
    if not jumps.any():
        assert np.abs(velocity - expected.velocity)[near].max() < 1e-9 * PITCH * RATE


def wandering(samples, seed=0):
    """A motion with reversals, standstill and steps of many periods, m."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(0.0, 2e-6, samples) * (rng.random(samples) < 0.7)
    steps[rng.random(samples) < 0.01] += 1.3e-4
    return np.cumsum(steps)


def readings(axis, position, cuts, **settings):
    """Everything the encoder shows of a motion, read in blocks that end at the cuts."""
    encoder, shown = encsim.Encoder(axis, **settings), {}
    for name in ("cosine", "sine", "position_out", "velocity"):
        shown[name] = np.empty(position.size)
    for first, end in zip([0, *cuts], [*cuts, position.size], strict=True):
        encoder.read(position[first:end], **{name: out[first:end] for name, out in shown.items()})
    return encoder, shown


@pytest.mark.parametrize("name", axes())
def test_no_sample_depends_on_how_the_motion_is_cut_into_blocks(name):
    axis, position = axes()[name], wandering(1200)
    whole, expected = readings(axis, position, [], seed=5)
    cuts = np.sort(np.random.default_rng(1).integers(0, 1200, 25))
    cut, shown = readings(axis, position, cuts.tolist(), seed=5)
    for output, values in expected.items():
        np.testing.assert_array_equal(shown[output], values, err_msg=output)
    assert (whole.clipped, whole.lost, whole.too_fast) == (cut.clipped, cut.lost, cut.too_fast)


@pytest.mark.parametrize("name", axes())
def test_single_steps_give_the_samples_of_a_block(name):
    axis, position = axes()[name], wandering(700)
    _, expected = readings(axis, position, [], seed=5)
    encoder = encsim.Encoder(axis, seed=5)
    shown = np.array([encoder.step(x)[1:] for x in position])
    np.testing.assert_array_equal(shown[:, 0], expected["position_out"])
    np.testing.assert_array_equal(shown[:, 1], expected["velocity"])


def test_ideal_encoder_mirrors_a_mirrored_motion():
    axis = encsim.Axis(encsim.Scale(period=PITCH), sampling=encsim.Sampling(RATE))
    position = wandering(1000)
    (_, one), (_, other) = readings(axis, position, []), readings(axis, -position, [])
    # roundings of the arctangent only: 1e-16 of a period beside positions of some thousand periods
    np.testing.assert_allclose(other["position_out"], -one["position_out"], atol=1e-11 * PITCH)
    np.testing.assert_allclose(other["velocity"], -one["velocity"], atol=1e-11 * PITCH * RATE)
    np.testing.assert_allclose(one["position_out"], position, atol=1e-11 * PITCH)


def test_positions_stay_exact_a_million_kilometres_away():
    far, near = encsim.Encoder(STAGE_X, seed=2), encsim.Encoder(STAGE_X, seed=2)
    whole, fraction = steady(STAGE_X, 0.01, 500)
    one, two = np.empty(500, np.int64), np.empty(500, np.int64)
    far.read((whole + 10**14, fraction), count=one)
    near.read((whole, fraction), count=two)
    np.testing.assert_array_equal(one - 10**14 * 4000, two)


def test_motion_before_the_first_sample_is_standstill_unless_it_is_led():
    rest, led = encsim.Encoder(STAGE_X), encsim.Encoder(STAGE_X)
    led.lead(0.5, 0.02)
    # noise of a nanometre, times the rate
    assert abs(rest.step(0.5)[2]) < 1e-4
    assert abs(led.step(0.5)[2] - 0.02) < 1e-3


@pytest.mark.parametrize("kind", [np.float32, np.float64, np.int16, np.int32, np.int64])
def test_channels_are_amplitudes_in_floats_and_codes_in_integers(kind):
    position, cosine = np.linspace(0.0, PITCH, 400), np.empty(400, kind)
    encsim.Encoder(STAGE_X).read(position, cosine=cosine)
    full = 2**11 / 1.25 if np.issubdtype(kind, np.integer) else 1.0
    theta = 2.0 * np.pi * position / PITCH
    # half a step of the converter and some jitter
    np.testing.assert_allclose(cosine / full, np.cos(theta) + 0.002 * np.cos(3.0 * theta) + 0.01, atol=1.2e-3)


def test_codes_that_do_not_fit_are_limited_and_told():
    encoder, cosine = encsim.Encoder(STAGE_X), np.empty(400, np.int8)
    encoder.read(np.linspace(0.0, PITCH, 400), cosine=cosine)
    assert (cosine.min(), cosine.max()) == (-128, 127)
    assert encoder.saturated > 300


def test_fixed_point_positions_have_the_stated_scale_and_are_limited():
    encoder, out = encsim.Encoder(STAGE_X), np.empty(3, np.int64)
    encoder.read(np.array([0.0, 1e-3, 2e-3]), position_out=out)
    np.testing.assert_allclose(out * encoder.position_scale, [0.0, 1e-3, 2e-3], atol=2e-7)
    narrow = np.empty(1, np.int32)
    encoder.read(np.array([1.0]), position_out=narrow)
    assert (narrow[0], encoder.saturated) == (2**31 - 1, 1)


def test_counts_wrap_in_the_width_of_the_buffer():
    encoder, narrow, wide = encsim.Encoder(STAGE_X), np.empty(1, np.int16), np.empty(1, np.int64)
    encoder.read(np.array([0.01]), count=wide)
    other = encsim.Encoder(STAGE_X)
    other.read(np.array([0.01]), count=narrow)
    assert narrow[0] == wide.astype(np.int16)[0]
    assert wide[0] > 40_000


def test_jumps_beyond_the_top_speed_are_told_and_lose_counts_of_edges_only():
    jump = np.array([0.0, 0.0, 3e-3, 3e-3])
    edges = changed(interpolation={"output": "ab", "factor": 400, "bits": None, "edge_separation": 1e-6})
    encoder, position = encsim.Encoder(edges), np.empty(4)
    encoder.read(jump, position_out=position)
    top = encsim.top_speed(edges).speed / RATE
    assert encoder.too_fast == 1
    assert encoder.lost == pytest.approx((3e-3 - top) / edges.resolution, abs=1.0)
    value = encsim.Encoder(changed(signal={"bandwidth": 1e5}))
    value.read(jump, position_out=position)
    assert (value.too_fast, value.lost) == (1, 0)


@pytest.mark.parametrize(
    ("buffers", "match"),
    [
        ({"position": np.array([0.0, np.nan])}, r"read.position\[1\] must be finite, got nan m"),
        ({"position": np.array([0.0, -np.inf])}, r"read.position\[1\] must be finite"),
        ({"position": np.array([0.0, 1e300])}, "lie within"),
        ({"position": np.zeros((2, 2))}, "be one row of real numbers"),
        ({"position": (np.array([0, 1]), np.array([0.0]))}, "as many fractions"),
        ({"position": (np.array([0.5, 1]), np.zeros(2))}, "whole periods"),
        ({"position": (np.array([0, 1]), np.array([0.0, np.nan]))}, r"position\[1\]\[1\] must be finite"),
        ({"velocity": np.empty(3)}, "velocity must have the 2 samples"),
        ({"velocity": np.empty(2, np.int32)}, "velocity must be floats"),
        ({"velocity": np.empty(2, np.float16)}, "velocity must be floats of 32 bits or more"),
        ({"position": np.ma.masked_array([0.0, 1.0], [0, 1])}, "hold no masked values"),
        ({"velocity": np.empty(2, complex)}, "array of integers or floats"),
        ({"velocity": [0.0, 0.0]}, "array of integers or floats"),
        ({"velocity": np.broadcast_to(np.zeros(1), (2,))}, "velocity must be writable"),
        ({"count": np.empty(2), "velocity": "same"}, "velocity must not share memory with count"),
    ],
)
def test_bad_positions_and_buffers_are_refused_before_anything_is_read(buffers, match):
    encoder = encsim.Encoder(STAGE_X)
    if buffers.get("velocity") is not None and isinstance(buffers["velocity"], str):
        buffers = buffers | {"velocity": buffers["count"]}
    position = buffers.get("position", np.zeros(2))
    with pytest.raises(encsim.InputError, match=match):
        encoder.read(position, **{name: out for name, out in buffers.items() if name != "position"})
    assert encoder.sample == 0


def test_codes_without_a_converter_and_counts_without_interpolation_are_refused():
    bare = encsim.Encoder(changed(interpolation={"factor": None, "bits": None}))
    with pytest.raises(encsim.InputError, match=r"Interpolation.bits is not given"):
        bare.read(np.zeros(2), cosine=np.empty(2, np.int16))
    with pytest.raises(encsim.InputError, match=r"Interpolation.factor is not given"):
        bare.read(np.zeros(2), count=np.empty(2, np.int64))


@pytest.mark.parametrize("position", [np.nan, np.inf, "1 mm", None, 1e300])
def test_step_refuses_what_is_no_position(position):
    encoder = encsim.Encoder(STAGE_X)
    encoder.step(0.0)
    with pytest.raises(encsim.InputError, match=r"position must be a finite number"):
        encoder.step(position)
    assert encoder.sample == 1


def test_lead_comes_first_and_arguments_are_checked():
    encoder = encsim.Encoder(STAGE_X)
    with pytest.raises(encsim.InputError, match=r"Encoder.position must be a finite number"):
        encoder.lead(np.nan)
    with pytest.raises(
        encsim.InputError, match=r"Encoder.lead.velocity must be a finite number, got inf m/s"
    ):
        encoder.lead(0.0, np.inf)
    with pytest.raises(encsim.InputError, match=r"Encoder.lead.velocity must stay up to .* m/s"):
        encoder.lead(0.0, 1e9)
    encoder.step(0.0)
    with pytest.raises(encsim.InputError, match="lead must be called before the first sample"):
        encoder.lead(0.0)
    with pytest.raises(encsim.InputError, match=r"Encoder.seed must be a whole number"):
        encsim.Encoder(STAGE_X, seed=-1)
    with pytest.raises(encsim.InputError, match=r"Encoder.rng must be a numpy.random.Generator"):
        encsim.Encoder(STAGE_X, rng=3)


def test_a_generator_draws_the_seed():
    one, two = (encsim.Encoder(STAGE_X, rng=np.random.default_rng(7)) for _ in range(2))
    assert one.seed == two.seed != 0
    assert one.step(1e-6) == two.step(1e-6)


def test_two_threads_at_once_get_an_error_and_no_corruption():
    encoder, position, refused = encsim.Encoder(STAGE_X), np.zeros(400_000), []

    def reading():
        out = np.empty(position.size)
        for _ in range(5):
            try:
                encoder.read(position, position_out=out)
            except encsim.InputError as error:
                refused.append(str(error))

    threads = [threading.Thread(target=reading) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert refused
    assert all("one thread at a time" in text for text in refused)
    assert encoder.sample == (10 - len(refused)) * position.size


def test_compiled_step_runs_in_compiled_code_and_gives_the_samples_of_step():
    numba = pytest.importorskip("numba")
    step, state = encsim.Encoder(STAGE_X, seed=4).compiled()

    @numba.njit
    def run(positions, out, state):
        for k in range(positions.size):
            out[k] = step(positions[k], state)[1]

    position, out = wandering(600), np.empty(600)
    run(position, out, state)
    other = encsim.Encoder(STAGE_X, seed=4)
    other.lead(0.0)
    np.testing.assert_array_equal(out, [other.step(x)[1] for x in position])
    with pytest.raises(ValueError, match="finite"):
        run(np.array([np.nan]), out, state)


def random_axis(rng):
    """A random axis with any parts of the chain."""

    def some(share, value):
        return value if rng.random() < share else None

    rotary = rng.random() < 0.4
    scale = encsim.Scale(lines=int(rng.choice([100, 2048]))) if rotary else encsim.Scale(period=PITCH)
    signal = {
        "offset": tuple(rng.normal(0.0, 0.01, 2)),
        "gain": rng.normal(0.0, 0.02),
        "phase": rng.normal(0.0, 0.02),
        "jitter": 1e-4 * scale.pitch,
        "harmonics": {int(rng.integers(2, 9)): 0.01},
        "bandwidth": some(0.3, 10.0 ** rng.uniform(2.5, 5.0)),
        "skew": some(0.3, rng.normal(0.0, 1e-6)) or 0.0,
        "noise": some(0.3, 1e-3) or 0.0,
        "jitter_bandwidth": some(0.2, 2e3),
    }
    factor = rng.choice([4, 100, 4000])
    interpolation = {"factor": int(factor), "bits": some(0.5, 12), "hysteresis": some(0.3, 1.7) or 0.0}
    sampling = {
        "rate": float(rng.choice([4e3, 16e3])),
        "jitter": some(0.3, 1e-8) or 0.0,
        "latency": some(0.3, rng.uniform(0.0, 5e-4)) or 0.0,
        "average": some(0.3, int(rng.integers(2, 6))) or 1,
        "encoder_rate": some(0.3, rng.uniform(2e3, 5e4)),
    }
    kinds = [encsim.Difference(7), encsim.LowPass(200.0), encsim.LeastSquares(9), encsim.Tracking(50.0)]
    kinds += [encsim.PeriodTiming(50e6), encsim.CountAndTime(50e6, window=4e-4)]
    estimator = kinds[rng.integers(len(kinds))]
    timed = isinstance(estimator, (encsim.PeriodTiming, encsim.CountAndTime))
    if timed:
        sampling["encoder_rate"] = None  # edges are timed as they come
    ringed = rotary and not timed and rng.random() < 0.5
    ring = encsim.Ring(0.1, eccentricity=rng.uniform(0.0, 20e-6)) if ringed else None
    return encsim.Axis(
        scale,
        signal=encsim.Signal(**signal),
        interpolation=encsim.Interpolation(**interpolation),
        sampling=encsim.Sampling(**sampling),
        estimator=estimator,
        ring=ring,
    )


def test_random_axes_in_steady_motion_give_the_samples_of_simulate(cases):
    rng, samples = np.random.default_rng(11), 400
    for seed in range(cases(25, 1000)):
        axis = random_axis(rng)
        unit = axis.scale.pitch * axis.sampling.rate
        speed = rng.choice([-1.0, 1.0]) * 10.0 ** rng.uniform(-3.0, 0.3) * unit
        expected = encsim.simulate(axis, speed, samples, seed=seed)
        encoder, position, velocity = encsim.Encoder(axis, seed=seed), np.empty(samples), np.empty(samples)
        encoder.lead(0.0, speed)
        encoder.read(steady(axis, speed, samples), position_out=position, velocity=velocity)
        # as above; a reading at the edge of a code is seen by the velocities for as long as they remember it
        assert (np.abs(position - expected.position) > 1e-9 * axis.scale.pitch).mean() <= 5e-3, axis
        assert (np.abs(velocity - expected.velocity) > 1e-9 * unit).mean() <= 0.05, axis


@pytest.mark.parametrize("share", [0.02, 0.7])
def test_edges_of_a_ring_are_timed_as_closely_as_stated(share):
    # The path of an eccentric ring between two samples is taken as straight: a (w T)**2/8 from its sine.
    axis = encsim.Axis(
        encsim.Scale(lines=100),
        interpolation=encsim.Interpolation(factor=400),
        sampling=encsim.Sampling(4e3),
        estimator=encsim.PeriodTiming(1e9),
        ring=encsim.Ring(0.1, eccentricity=100e-6),
    )
    speed, samples = share * axis.scale.pitch * 4e3, 2000
    expected = encsim.simulate(axis, speed, samples).velocity
    encoder, velocity = encsim.Encoder(axis), np.empty(samples)
    encoder.lead(0.0, speed)
    encoder.read(steady(axis, speed, samples), velocity=velocity)
    moved = np.abs(axis.resolution / velocity - axis.resolution / expected) * speed
    bound = 2e-3 * (speed / 4e3) ** 2 / 8.0
    assert 0.0 < moved.max() <= 2.0 * bound + 1.01e-9 * speed
