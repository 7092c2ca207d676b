"""Random numbers of all lanes of the closed loop."""

import numpy as np

from .chance import LOW_WORD, WORD_BITS, gaussian_block, gaussian_pair, philox
from .jit import compiled, inlined
from .loop_rows import DRAWN, JITTER_, KEY0_Q, KEY1_Q
from .records import CHUNK, CLOCK, DRAW, JITTER, NOISE_COSINE, NOISE_SINE


@compiled
def spread_block(n, s, sample, cause, reading, row, rows, q, draws):
    """Normal numbers of DRAWN samples of all lanes, a row of each sample: those of ``gaussian_block``."""
    first, key0, key1 = np.uint64(sample // 4), q[KEY0_Q * s :], q[KEY1_Q * s :]
    for k in range(DRAWN // 4):
        counter = first + np.uint64(k)
        low, high = counter & LOW_WORD, counter >> WORD_BITS
        place = (4 * k * rows + row) * s
        out0, out1 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        place += 2 * rows * s
        out2, out3 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        for i in range(n):
            a, b, c, d = philox(low, high, cause, np.uint64(reading), key0[i], key1[i])
            out0[i], out1[i] = gaussian_pair(a, b)
            out2[i], out3[i] = gaussian_pair(c, d)


@compiled
def spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws):
    """``spread_block`` for the samples of another clock."""
    key0, key1 = q[KEY0_Q * s :], q[KEY1_Q * s :]
    for k in range(span):
        lane, counter = ticks[k] % 4, np.uint64(ticks[k] // 4)
        place = (k * rows + row) * s
        out = draws[place : place + n]
        for i in range(n):
            a, b, c, d = philox(
                counter & LOW_WORD, counter >> WORD_BITS, cause, np.uint64(reading), key0[i], key1[i]
            )
            z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
            out[i] = z1 if lane & 1 else z0


@compiled
def spread_single(s, chunk, cause, reading, row, rows, q, work, draws):
    """Normal numbers of a chunk of one lane."""
    gaussian_block(chunk, cause, np.uint64(reading), q[KEY0_Q * s], q[KEY1_Q * s], work)
    for k in range(CHUNK):
        draws[(k * rows + row) * s] = work[DRAW + k]


@compiled
def spread_correlated(n, s, span, p, loop, ticks, w, rows, draws):
    """``correlate_block`` for all lanes."""
    for k in range(span):
        correlation = p.correlation
        if p.ticked:
            jump = ticks[k] - loop[0].tick
            loop[0].tick = ticks[k]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not loop[0].started:
            loop[0].started = 1
            correlation = 0.0
        fresh = np.sqrt(1.0 - correlation * correlation)
        for i in range(n):
            value = correlation * w[JITTER_ * s + i] + fresh * draws[k * rows * s + i]
            w[JITTER_ * s + i] = value
            draws[k * rows * s + i] = value


@compiled
def draws_block(n, s, sample, plan, loop, ticks, w, q, work, draws):
    """All chance from a sample on, of a chunk for one lane, of DRAWN samples for more."""
    # Sample by sample: jitter, clock, then noise of both channels reading by reading.
    p = plan[0]
    rows, span = draw_rows(p), draw_span(n)
    causes = (JITTER, CLOCK, NOISE_COSINE, NOISE_SINE)
    for row in range(rows):
        cause = causes[row] if row < 2 else causes[2 + row % 2]
        reading = max(row - 2, 0) // 2
        used = p.jitter > 0.0 if row == 0 else (loop[0].clock > 0.0 if row == 1 else p.noise > 0.0)
        if used and p.ticked:
            spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws)
        elif used and n == 1:
            spread_single(s, sample // CHUNK, cause, reading, row, rows, q, work, draws)
        elif used:
            spread_block(n, s, sample, cause, reading, row, rows, q, draws)
    if p.jitter > 0.0 and p.correlated:
        spread_correlated(n, s, span, p, loop, ticks, w, rows, draws)


@inlined
def draw_span(n):
    """Samples for which chance is drawn at a time."""
    return CHUNK if n == 1 else DRAWN


@inlined
def draw_rows(p):
    """Rows of chance a sample: jitter, clock, and two a reading."""
    return 2 + 2 * p.readings
