"""The compiled loops one by one: known answers, the slow twin, accuracy of the polynomials."""

import math
from fractions import Fraction

import numpy as np
import pytest
import reference

from encsim.kernels import chance, maths, open_chain, records, rows, signals
from encsim.kernels.jit import from_python
from encsim.time_domain.motion import Clock

CHUNK = rows.CHUNK
U = np.uint64
PHILOX, GAUSSIAN_PAIR = from_python(chance.philox), from_python(chance.gaussian_pair)
GAUSSIAN_BLOCK, GAUSSIAN_AT_BLOCK = from_python(chance.gaussian_block), from_python(chance.gaussian_at_block)
COS_SIN, TURNS_OF = from_python(maths.cos_sin), from_python(maths.turns_of)
CONVERT_BLOCK, PHASE_BLOCK = from_python(signals.convert_block), from_python(open_chain.phase_block)

# Philox 4x32-10 known answers: Salmon, Moraes, Dror, Shaw, SC11 2011, and the test vectors published with it.
KNOWN = [
    ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    ((0xFFFFFFFF,) * 4, (0xFFFFFFFF,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
]


def philox(counter, key):
    return tuple(int(word) for word in PHILOX(*(U(word) for word in (*counter, *key))))


def row(work, number):
    """One row of the work array."""
    return work[number * CHUNK : (number + 1) * CHUNK]


def draws(chunk, cause=records.JITTER_CAUSE, seed=(1, 2), reading=0):
    work = np.zeros(rows.CHAIN_ROWS * CHUNK)
    GAUSSIAN_BLOCK(chunk, cause, U(reading), U(seed[0]), U(seed[1]), work)
    return row(work, rows.DRAW).copy()


def many_draws(chunks, **options):
    return np.concatenate([draws(chunk, **options) for chunk in range(chunks)])


@pytest.mark.parametrize("generator", [philox, reference.philox])
@pytest.mark.parametrize(("counter", "key", "words"), KNOWN)
def test_philox_gives_its_published_known_answers(generator, counter, key, words):
    assert tuple(generator(counter, key)) == words


def test_philox_equals_its_twin_bit_for_bit_on_random_counters():
    words = np.random.default_rng(5).integers(0, 1 << 32, (200, 6)).tolist()
    assert all(philox(w[:4], w[4:]) == tuple(reference.philox(w[:4], w[4:])) for w in words)


def test_cosine_and_sine_are_exact_at_quarter_turns():
    found = [COS_SIN(turns) for turns in (-0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0)]
    assert found == [(-1, 0), (0, -1), (1, 0), (0, 1), (-1, 0), (0, -1), (1, 0)]


def test_cosine_and_sine_are_right_to_three_units_in_1e16():
    turns = np.random.default_rng(1).uniform(-2.0, 2.0, 20_000)
    found = np.array([COS_SIN(t) for t in turns])
    # np.remainder is exact here; the argument 2 pi t of the library functions is itself rounded, 2**-53 pi.
    theta = 2.0 * np.pi * (turns - np.rint(turns * 4.0) / 4.0)
    quarter = np.rint(turns * 4.0).astype(int) % 4
    c, s = np.cos(theta), np.sin(theta)
    right = np.choose(quarter, [c, -s, -c, s]), np.choose(quarter, [s, c, -s, -c])
    assert np.abs(found.T - right).max() < 3e-16


def test_arctangent_is_right_to_two_units_in_1e16_all_round():
    angle = np.random.default_rng(2).uniform(-np.pi, np.pi, 20_000)
    radius = np.random.default_rng(3).uniform(1e-3, 1e3, angle.size)
    sine, cosine = radius * np.sin(angle), radius * np.cos(angle)
    found = np.array([TURNS_OF(s, c) for s, c in zip(sine, cosine, strict=True)])
    # Half a turn is rounded to 2**-54, and so is the twin's.
    assert np.abs(found - np.arctan2(sine, cosine) / (2.0 * np.pi)).max() < 2e-16


@pytest.mark.parametrize(
    ("sine", "cosine", "turns"),
    [
        (0, 1, 0),
        (1, 1, 0.125),
        (1, 0, 0.25),
        (1, -1, 0.375),
        (0, -1, 0.5),
        (-1, 1, -0.125),
        (-1, 0, -0.25),
        (0, 0, 0),
    ],
)
def test_arctangent_is_exact_at_eighths_and_zero_where_there_is_no_signal(sine, cosine, turns):
    assert TURNS_OF(float(sine), float(cosine)) == turns


@pytest.mark.parametrize("pair", [GAUSSIAN_PAIR, reference.gaussian_pair])
def test_gaussian_pair_is_that_of_box_and_muller(pair):
    # Box, Muller 1958 (formula from memory): u1 = 0.1, u2 = 0.3 give this pair. The angle has 24 bits: 4e-7.
    radius, angle = round(0.1 * 2**40 - 0.5), round(0.3 * 2**24)
    found = (
        pair(U(radius >> 8), U((radius & 0xFF) << 24 | angle))
        if pair is GAUSSIAN_PAIR
        else pair(radius >> 8, (radius & 0xFF) << 24 | angle)
    )
    np.testing.assert_allclose(found, (-0.663139971475, 2.04093497305), atol=4e-7)


def test_largest_gaussian_number_is_the_one_of_40_bits():
    assert GAUSSIAN_PAIR(U(0), U(0))[0] == pytest.approx(math.sqrt(82.0 * math.log(2.0)), rel=1e-7)


@pytest.mark.parametrize("word", [0, 1, 2**31, 0xB504F333, 0xB504F334, 2**32 - 256, 2**32 - 1])
@pytest.mark.parametrize("other", [0, 2**32 - 1, 0x00FFFFFF, 0x80200000, 0x12345678])
def test_gaussian_pair_keeps_its_relative_error_up_to_both_ends_of_the_radius(word, other):
    twin, found = np.array(reference.gaussian_pair(word, other)), GAUSSIAN_PAIR(U(word), U(other))
    # where the radius is small it is known from the distance to 1, not from a rounded number near 1
    np.testing.assert_allclose(found, twin, atol=2e-7 * np.hypot(*twin))


def test_gaussian_pairs_are_right_to_1e_7_rms():
    words = np.random.default_rng(5).integers(0, 2**32, (20_000, 2), dtype=np.uint64)
    error = np.array(
        [np.subtract(GAUSSIAN_PAIR(a, b), reference.gaussian_pair(int(a), int(b))) for a, b in words]
    )
    assert np.sqrt(np.mean(error**2)) < 1e-7


@pytest.mark.parametrize("chunk", [0, 3, -1, 10**9])
def test_gaussian_block_equals_its_twin(chunk):
    found = draws(chunk, seed=(7, 9))
    places = [0, 1, 2, 3, 4, CHUNK // 2 + 3, CHUNK - 1]
    twin = [reference.gaussian(chunk * CHUNK + i, 1, 0, 9 << 32 | 7) for i in places]
    # Single precision: some roundings of 6e-8 times a radius that is here at most 3.
    np.testing.assert_allclose(found[places], twin, atol=4e-7)


def test_gaussian_numbers_picked_one_by_one_are_those_of_the_block_bit_for_bit():
    work = np.zeros(rows.CHAIN_ROWS * CHUNK)
    ticks = np.random.default_rng(6).integers(-3 * CHUNK, 3 * CHUNK, CHUNK)
    GAUSSIAN_AT_BLOCK(ticks, records.JITTER_CAUSE, U(0), U(1), U(2), work)
    block = np.concatenate([draws(chunk) for chunk in range(-3, 3)])
    assert np.array_equal(row(work, rows.DRAW), block[ticks + 3 * CHUNK])


@pytest.mark.parametrize(
    ("moment", "value", "variance"),
    [
        (lambda z: z, 0.0, 1.0),
        (np.abs, math.sqrt(2.0 / math.pi), 1.0 - 2.0 / math.pi),
        (np.square, 1.0, 2.0),
        (lambda z: z**3, 0.0, 15.0),
        (lambda z: z**4, 3.0, 96.0),
        (lambda z: z**6, 15.0, 10395.0 - 225.0),
    ],
)
def test_gaussian_numbers_have_the_moments_of_the_normal_distribution(moment, value, variance):
    z = many_draws(500)
    # Four standard deviations of the mean of so many; the seed is fixed.
    assert abs(moment(z).mean() - value) < 4.0 * math.sqrt(variance / z.size)


@pytest.mark.parametrize("limit", [1.0, 3.0, 4.0, 4.5])
def test_gaussian_tail_holds_as_many_as_the_normal_distribution(limit):
    z = np.abs(many_draws(1000))
    expected = z.size * math.erfc(limit / math.sqrt(2.0))
    # Four standard deviations of a Poisson count.
    assert abs((z > limit).sum() - expected) < 4.0 * math.sqrt(expected)


@pytest.mark.parametrize(
    "other",
    [
        {"cause": records.CLOCK_CAUSE},
        {"cause": records.SINE_CAUSE},
        {"seed": (2, 2)},
        {"seed": (1, 3)},
        {"reading": 1},
    ],
)
def test_draws_of_another_cause_seed_or_reading_are_unrelated(other):
    a, b = many_draws(100), many_draws(100, **other)
    assert abs(np.mean(a * b)) < 4.0 / math.sqrt(a.size)


@pytest.mark.parametrize("lag", [1, 2, 3, 4, CHUNK // 2, CHUNK])
def test_draws_are_unrelated_to_those_before(lag):
    z = many_draws(200)
    assert abs(np.mean(z[lag:] * z[:-lag])) < 4.0 / math.sqrt(z.size)


def convert(values, bits, span):
    work = np.zeros(rows.CHAIN_ROWS * CHUNK)
    channels = work[rows.COSINE * CHUNK : (rows.COSINE + 2) * CHUNK]
    channels[:] = values
    half = 2.0 ** (bits - 1)
    plan = np.zeros(1, records.PLAN)
    plan["codes"], plan["lowest"], plan["highest"] = half / span, -half, half - 1.0
    clipped = CONVERT_BLOCK(plan, work)
    return channels * span / half, clipped


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_converter_has_the_signal_to_noise_ratio_of_its_bits(bits):
    # IEEE 1241 (from memory): a full-scale sine gives 20 log10(2**b sqrt(1.5)) = 6.02 b + 1.76 dB.
    turns = np.arange(2 * CHUNK) * (math.sqrt(5.0) - 1.0) / 2.0
    wanted = (1.0 - 2.0**-bits) * np.sin(2.0 * np.pi * turns)
    found, clipped = convert(wanted, bits, 1.0)
    ratio = 10.0 * math.log10(np.mean(wanted**2) / np.mean((found - wanted) ** 2))
    assert clipped == 0
    # 4096 samples give the noise power to 1.4 % (its relative deviation sqrt(0.8/n)), 0.06 dB; four of them.
    assert ratio == pytest.approx(6.0206 * bits + 1.7609, abs=0.25)


def test_converter_holds_at_its_ends_and_counts_what_it_cut():
    values = np.zeros(2 * CHUNK)
    values[:4] = 1.2, -1.2, 0.9375, -1.0
    found, clipped = convert(values, 4, 1.0)
    assert found[:4].tolist() == [0.875, -1.0, 0.875, -1.0]
    assert clipped == 3


@pytest.mark.parametrize(
    ("frequency", "phase"),
    [
        (16000.0, 0.0),
        (31250.0, 0.3),
        (16e3 / 3.0, 0.0),
        (37123.4, 0.7),
        (1.0, 0.999),
        (1e10, 0.1),
        (16e3, 1e-300),
    ],
)
@pytest.mark.parametrize("rate", [16000.0, 12345.678])
def test_newest_tick_is_exact_for_any_clock(frequency, phase, rate):
    out = np.zeros(CHUNK, np.int64)
    first = 10**12 + 1
    Clock(frequency, phase, rate).fill(first, out, open_chain.tick_block)
    ratio = Fraction(frequency) / Fraction(rate)
    assert out.tolist() == [math.floor((first + i) * ratio + Fraction(phase)) for i in range(CHUNK)]


def test_tick_block_says_when_rounding_leaves_a_doubt():
    out = np.zeros(4, np.int64)
    assert open_chain.tick_block(0, 0, 1, 0, 5, 1, out)
    assert not open_chain.tick_block(0, 0, 1, 0, 500, 1, out)


def test_phase_block_wraps_by_itself_and_follows_whole_periods():
    work, step = np.zeros(rows.CHAIN_ROWS * CHUNK), U(round(0.3 * 2**64))
    PHASE_BLOCK(U(1 << 63), step, 7.3, 0.0, work)
    turn, path = row(work, rows.PHASE), row(work, rows.PATH)
    assert np.abs(turn).max() <= 0.5
    # Fraction and whole path are one motion: they differ by whole periods, path to its own rounding.
    assert np.abs(path - turn - np.rint(path - turn)).max() < 1e-11
