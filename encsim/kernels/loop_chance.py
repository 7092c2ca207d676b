"""Random numbers of all lanes of the closed loop."""

import numpy as np

from .chance import LOW_WORD, WORD_BITS, gaussian_block, gaussian_pair, philox
from .jit import compiled, inlined
from .records import CLOCK_CAUSE, COSINE_CAUSE, JITTER_CAUSE, SINE_CAUSE
from .rows import CHUNK, DRAW, DRAWN, JITTER_STATE, KEY_HIGH, KEY_LOW


@compiled
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


@compiled
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


@compiled
def spread_single_block(s, chunk, cause, reading, row, rows, q, work, draws):
    """Normal numbers of a chunk of one lane."""
    gaussian_block(chunk, cause, np.uint64(reading), q[KEY_LOW * s], q[KEY_HIGH * s], work)
    for k in range(CHUNK):
        draws[(k * rows + row) * s] = work[DRAW * CHUNK + k]


@compiled
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
