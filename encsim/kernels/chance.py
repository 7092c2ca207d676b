"""Normal random numbers: counter-based, a draw depends on seed, cause, reading and sample number only.

They are computed in single precision, twice as many at a time: right to 1e-7 of their rms, whole phases stay exact.
"""

import numpy as np

from .jit import compiled, inlined, inner, row_loop
from .maths import fma
from .records import CLOCK_CAUSE, COSINE_CAUSE, JITTER_CAUSE, SINE_CAUSE
from .rows import CHUNK, DRAW, DRAWN, JITTER_STATE, KEY_HIGH, KEY_LOW, words_on_stack

LOW_WORD = np.uint64(0xFFFFFFFF)
WORD_BITS = np.uint64(32)
_M0, _M1 = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
_W0, _W1 = np.uint64(0x9E3779B9), np.uint64(0xBB67AE85)
f32, i32, u32 = np.float32, np.int32, np.uint32
_24, _BITS_24 = u32(24), u32(0xFFFFFF)
_UNIT_24, _UNIT_32, _UNIT_40, _HALF_40, _BYTE = (
    f32(2.0**-24),
    f32(2.0**-32),
    f32(2.0**-40),
    f32(2.0**-41),
    f32(255.0),
)
_ONE, _LN_2, _LEAST, _23 = (
    f32(1.0),
    f32(0.6931471805599453),
    i32(0x3F3504F3),
    i32(23),
)  # the bits of sqrt(1/2)
_NEAREST = f32(1.5 * 2.0**23)


@inlined
def _philox_round(c0, c1, c2, c3, key_low, key_high):
    """One round of Philox 4x32 on 32-bit words held in 64-bit ones."""
    a, b = _M0 * c0, _M1 * c2
    return (
        (b >> WORD_BITS) ^ c1 ^ (key_low & LOW_WORD),
        b & LOW_WORD,
        (a >> WORD_BITS) ^ c3 ^ (key_high & LOW_WORD),
        a & LOW_WORD,
    )


@inlined
def philox(c0, c1, c2, c3, key_low, key_high):
    """Four random words of a counter and a key: Philox 4x32-10 (Salmon, Moraes, Dror, Shaw, SC11 2011)."""
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, key_low, key_high)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, key_low + _W0, key_high + _W1)
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(2) * _W0, key_high + np.uint64(2) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(3) * _W0, key_high + np.uint64(3) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(4) * _W0, key_high + np.uint64(4) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(5) * _W0, key_high + np.uint64(5) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(6) * _W0, key_high + np.uint64(6) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(7) * _W0, key_high + np.uint64(7) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(8) * _W0, key_high + np.uint64(8) * _W1
    )
    return _philox_round(c0, c1, c2, c3, key_low + np.uint64(9) * _W0, key_high + np.uint64(9) * _W1)


@inlined
def _minus_twice_log(a, b):
    """-2 ln u of the 40 bits u of a word and the high byte of another, error below 3e-7 of it."""
    low = f32(i32(b >> _24))
    u = fma(f32(a), _UNIT_32, fma(low, _UNIT_40, _HALF_40))
    bits = f32(u).view(i32)
    exponent = i32(i32(bits - _LEAST) >> _23)
    mantissa = i32(bits - i32(exponent << _23)).view(f32)
    # near 1 the distance from 1 is known better than u
    rest = fma(f32(u32(~a)), _UNIT_32, fma(_BYTE - low, _UNIT_40, _HALF_40))
    f = (-rest if exponent == i32(0) else mantissa - _ONE) / (mantissa + _ONE)
    w = f * f
    p = fma(fma(fma(f32(0.29928643), w, f32(0.39974685)), w, f32(0.66666817)), w, f32(2.0)) * f
    return f32(-2.0) * fma(f32(exponent), _LN_2, p)


@inlined
def _cos_sin(angle):
    """Cosine and sine of 24 bits of a turn, error below 1e-7."""
    turns = f32(i32(angle)) * _UNIT_24
    shifted = fma(f32(4.0), turns, _NEAREST)
    r = fma(f32(-0.25), shifted - _NEAREST, turns)
    quarter = f32(shifted).view(i32)
    w = r * r
    s = fma(fma(fma(f32(-75.3934317), w, f32(81.59235097)), w, f32(-41.34166144)), w, f32(6.28318529)) * r
    c = fma(fma(fma(f32(59.42423141), w, f32(-85.44882322)), w, f32(64.93936907)), w, f32(-19.73920879))
    c = fma(c, w, _ONE)
    odd = i32(quarter & i32(1)) != i32(0)
    cosine, sine = s if odd else c, c if odd else s
    cosine = -cosine if i32(i32(quarter + i32(1)) & i32(2)) != i32(0) else cosine
    return cosine, -sine if i32(quarter & i32(2)) != i32(0) else sine


@inlined
def gaussian_pair(a, b):
    """Two normal numbers of two random words (Box and Muller 1958): 40 bits radius, 24 bits angle."""
    # The largest is sqrt(82 ln 2) = 7.5; a radius of 32 bits would end at 6.7.
    a, b = u32(a), u32(b)
    radius = np.sqrt(_minus_twice_log(a, b))
    cosine, sine = _cos_sin(b & _BITS_24)
    return np.float64(radius * cosine), np.float64(radius * sine)


@row_loop
def gaussian_row(n, sample, cause, reading, key_low, key_high, place, out):
    """Normal numbers of ``n`` samples from ``sample`` on, multiples of 4; a counter has those of four in a row."""
    # Words have 64 bits while they are made, numbers 32: two loops, so that each fills its vectors.
    words, first, m = words_on_stack(), np.uint64(sample // 4), n // 4
    for i in range(m):
        counter = first + np.uint64(i)
        a, b, c, d = philox(counter & LOW_WORD, counter >> WORD_BITS, cause, reading, key_low, key_high)
        words[i], words[m + i], words[2 * m + i], words[3 * m + i] = u32(a), u32(b), u32(c), u32(d)
    for i in range(m):
        z0, z1 = gaussian_pair(words[i], words[m + i])
        z2, z3 = gaussian_pair(words[2 * m + i], words[3 * m + i])
        out[place + 4 * i] = z0
        out[place + 4 * i + 1] = z1
        out[place + 4 * i + 2] = z2
        out[place + 4 * i + 3] = z3


@inlined
def gaussian_at_row(n, ticks, cause, reading, key_low, key_high, place, out):
    """The normal numbers that ``gaussian_row`` has for these sample numbers."""
    for i in range(n):
        lane, counter = ticks[i] % 4, np.uint64(ticks[i] // 4)
        a, b, c, d = philox(counter & LOW_WORD, counter >> WORD_BITS, cause, reading, key_low, key_high)
        z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
        out[place + i] = z1 if lane & 1 else z0


@inlined
def correlate_row(n, plan, ticks, state, place, out):
    """Turn independent normal numbers into one-pole noise of rms 1, starting from the stationary state."""
    p, s = plan[0], state[0]
    for i in range(n):
        correlation = p.correlation
        if p.has_clock:
            jump = ticks[i] - s.tick
            s.tick = ticks[i]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not s.started:
            s.started = 1
            correlation = 0.0
        s.jitter = correlation * s.jitter + np.sqrt(1.0 - correlation * correlation) * out[place + i]
        out[place + i] = s.jitter


@inner
def gaussian_block(chunk, cause, reading, key_low, key_high, work):
    """``gaussian_row`` of a chunk into DRAW."""
    gaussian_row(CHUNK, chunk * CHUNK, cause, reading, key_low, key_high, DRAW * CHUNK, work)


@inner
def gaussian_at_block(ticks, cause, reading, key_low, key_high, work):
    """``gaussian_at_row`` of a chunk into DRAW."""
    gaussian_at_row(CHUNK, ticks, cause, reading, key_low, key_high, DRAW * CHUNK, work)


@inner
def draw_block(plan, anchor, ticks, cause, reading, work):
    """Fill DRAW with the normal numbers of one cause and reading."""
    p = plan[0]
    if p.has_clock:
        gaussian_at_block(ticks, cause, np.uint64(reading), p.key_low, p.key_high, work)
    else:
        gaussian_block(anchor.chunk, cause, np.uint64(reading), p.key_low, p.key_high, work)


@inner
def spread_block(n, s, sample, cause, reading, row, rows, q, draws):
    """Normal numbers of DRAWN samples of all lanes, a row of each sample: those of ``gaussian_block``."""
    first, key_low, key_high = np.uint64(sample // 4), q[KEY_LOW * s :], q[KEY_HIGH * s :]
    for k in range(DRAWN // 4):
        counter = first + np.uint64(k)
        low, high = counter & LOW_WORD, counter >> WORD_BITS
        place = (4 * k * rows + row) * s
        out0, out1 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        place += 2 * rows * s
        out2, out3 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        for i in range(n):
            a, b, c, d = philox(low, high, cause, np.uint64(reading), key_low[i], key_high[i])
            out0[i], out1[i] = gaussian_pair(a, b)
            out2[i], out3[i] = gaussian_pair(c, d)


@inner
def spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws):
    """``spread_block`` for the samples of another clock."""
    key_low, key_high = q[KEY_LOW * s :], q[KEY_HIGH * s :]
    for k in range(span):
        lane, counter = ticks[k] % 4, np.uint64(ticks[k] // 4)
        place = (k * rows + row) * s
        out = draws[place : place + n]
        for i in range(n):
            a, b, c, d = philox(
                counter & LOW_WORD, counter >> WORD_BITS, cause, np.uint64(reading), key_low[i], key_high[i]
            )
            z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
            out[i] = z1 if lane & 1 else z0


@inner
def spread_single_block(s, chunk, cause, reading, row, rows, q, work, draws):
    """Normal numbers of a chunk of one lane."""
    gaussian_block(chunk, cause, np.uint64(reading), q[KEY_LOW * s], q[KEY_HIGH * s], work)
    for k in range(CHUNK):
        draws[(k * rows + row) * s] = work[DRAW * CHUNK + k]


@inner
def correlate_lanes_block(n, s, span, p, loop, ticks, w, rows, draws):
    """``correlate_block`` for all lanes."""
    for k in range(span):
        correlation = p.correlation
        if p.has_clock:
            jump = ticks[k] - loop[0].tick
            loop[0].tick = ticks[k]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not loop[0].started:
            loop[0].started = 1
            correlation = 0.0
        fresh = np.sqrt(1.0 - correlation * correlation)
        for i in range(n):
            value = correlation * w[JITTER_STATE * s + i] + fresh * draws[k * rows * s + i]
            w[JITTER_STATE * s + i] = value
            draws[k * rows * s + i] = value


@compiled
def draws_block(n, s, sample, plan, loop, ticks, w, q, work, draws):
    """All random numbers from a sample on, of a chunk for one lane, of DRAWN samples for more."""
    # Sample by sample: jitter, clock, then noise of both channels reading by reading.
    p = plan[0]
    rows, span = draw_rows(p), draw_span(n)
    causes = (JITTER_CAUSE, CLOCK_CAUSE, COSINE_CAUSE, SINE_CAUSE)
    for row in range(rows):
        cause = causes[row] if row < 2 else causes[2 + row % 2]
        reading = max(row - 2, 0) // 2
        used = p.jitter > 0.0 if row == 0 else (loop[0].clock_jitter > 0.0 if row == 1 else p.noise > 0.0)
        if used and p.has_clock:
            spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws)
        elif used and n == 1:
            spread_single_block(s, sample // CHUNK, cause, reading, row, rows, q, work, draws)
        elif used:
            spread_block(n, s, sample, cause, reading, row, rows, q, draws)
    if p.jitter > 0.0 and p.has_bandwidth:
        correlate_lanes_block(n, s, span, p, loop, ticks, w, rows, draws)


@inlined
def draw_span(n):
    """Samples whose random numbers are drawn at a time."""
    return CHUNK if n == 1 else DRAWN


@inlined
def draw_rows(p):
    """Rows of random numbers a sample: jitter, clock, and two a reading."""
    return 2 + 2 * p.readings


@inlined
def noise_place(n, s, kk, reading, p):
    """Place of the noise of a reading's cosine in the random numbers; that of the sine follows."""
    return (kk % draw_span(n) * draw_rows(p) + 2 + 2 * reading) * s
