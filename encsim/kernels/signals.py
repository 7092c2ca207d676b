"""From the phase to both channels: position errors, harmonics, noise, converter, averaged readings, arctangent.

All loops run over a row of ``n`` entries: the samples of a chunk or the lanes of the closed loop (see rows).
"""

import numpy as np

from .chance import LOW_WORD, WORD_BITS, draw_block, gaussian_pair, philox
from .jit import inlined, inner, row_loop
from .maths import UNIT_64, cos_sin, fma, turns_of
from .records import (
    COSINE_CAUSE,
    FAULT_BEGIN,
    FAULT_CAUSE,
    FAULT_COLUMNS,
    FAULT_COSINE,
    FAULT_COSINE_LOSS,
    FAULT_COUNTS,
    FAULT_END,
    FAULT_NOISE,
    FAULT_ON,
    FAULT_SHAPE,
    FAULT_SINE,
    FAULT_SINE_LOSS,
    FAULT_TIME,
    FULL,
    RAMP,
    SINE_CAUSE,
)
from .rows import (
    CHUNK,
    COSINE,
    DRAW,
    HARMONIC_COS,
    HARMONIC_SIN,
    PATH,
    PHASE,
    PLACE,
    READ,
    SHIFT,
    SHOWN,
    SINE,
    STEP_COS,
    STEP_SIN,
    SUM_COS,
    TILE,
    at,
    late_at,
)


@row_loop
def add_lines(n, s, lines, row, share, w):
    """Add lines (order, cosine, sine part one after the other) at the turns of a row to READ, a share to PATH."""
    for i in range(n):
        w[SHIFT * s + i] = 0.0
    for line in range(0, lines.size, 3):
        order, along_cosine, along_sine = lines[line], lines[line + 1], lines[line + 2]
        for i in range(n):
            cosine, sine = cos_sin(order * w[row * s + i])
            w[SHIFT * s + i] += along_cosine * cosine + along_sine * sine
    for i in range(n):
        w[READ * s + i] += w[SHIFT * s + i]
        w[PATH * s + i] += share * w[SHIFT * s + i]


@inlined
def term_place(m, t, i):
    """Place of C_n of term m in ``terms``; their distance ``t`` is 1 where the whole row has the same terms."""
    return at(4 * m * t, i if t > 1 else 0)


@inlined
def plus_term(value, real, imaginary, cosine, sine):
    """``value`` plus the real part of a complex amplitude times exp(i n theta)."""
    return fma(real, cosine, fma(-imaginary, sine, value))


@row_loop
def set_fundamental(n, s, p, terms, t, w):
    """Channels of the fundamental and the offset; HARMONIC keeps exp(i theta)."""
    for i in range(n):
        place = term_place(0, t, i)
        cosine, sine = cos_sin(w[READ * s + i])
        w[HARMONIC_COS * s + i] = cosine
        w[HARMONIC_SIN * s + i] = sine
        w[COSINE * s + i] = plus_term(p.offset_cosine, terms[place], terms[at(place, t)], cosine, sine)
        w[SINE * s + i] = plus_term(
            p.offset_sine, terms[at(place, 2 * t)], terms[at(place, 3 * t)], cosine, sine
        )


@row_loop
def set_step(n, s, order_step, second, w):
    """exp(i order_step theta) into STEP; the square of the fundamental where it is that of the ``second`` order."""
    if second:
        for i in range(n):
            cosine, sine = w[HARMONIC_COS * s + i], w[HARMONIC_SIN * s + i]
            w[STEP_COS * s + i] = fma(cosine, cosine, -(sine * sine))
            w[STEP_SIN * s + i] = 2.0 * cosine * sine
    else:
        for i in range(n):
            cosine, sine = cos_sin(order_step * w[READ * s + i])
            w[STEP_COS * s + i] = cosine
            w[STEP_SIN * s + i] = sine


@inlined
def next_order(cosine, sine, step_cosine, step_sine):
    """exp(i n theta) taken on by a step."""
    return fma(cosine, step_cosine, -(sine * step_sine)), fma(cosine, step_sine, sine * step_cosine)


@row_loop
def add_term(n, s, m, terms, t, w):
    """Take HARMONIC on by STEP to the order of term m and add its share to the channels."""
    for i in range(n):
        a, u = term_place(m, t, i), np.uint64(t)
        c, d = next_order(
            w[HARMONIC_COS * s + i], w[HARMONIC_SIN * s + i], w[STEP_COS * s + i], w[STEP_SIN * s + i]
        )
        w[HARMONIC_COS * s + i], w[HARMONIC_SIN * s + i] = c, d
        w[COSINE * s + i] = plus_term(w[COSINE * s + i], terms[a], terms[a + u], c, d)
        w[SINE * s + i] = plus_term(w[SINE * s + i], terms[a + 2 * u], terms[a + 3 * u], c, d)


@row_loop
def add_three_terms(n, s, m, terms, w):
    """``add_term`` of terms m to m + 2, which are a step apart and the same for the whole row, in one pass."""
    for i in range(n):
        c, d = w[HARMONIC_COS * s + i], w[HARMONIC_SIN * s + i]
        step_cosine, step_sine = w[STEP_COS * s + i], w[STEP_SIN * s + i]
        cosine, sine = w[COSINE * s + i], w[SINE * s + i]
        for k in range(m, m + 3):
            c, d = next_order(c, d, step_cosine, step_sine)
            cosine = plus_term(cosine, terms[at(4 * k, 0)], terms[at(4 * k, 1)], c, d)
            sine = plus_term(sine, terms[at(4 * k, 2)], terms[at(4 * k, 3)], c, d)
        w[HARMONIC_COS * s + i], w[HARMONIC_SIN * s + i] = c, d
        w[COSINE * s + i], w[SINE * s + i] = cosine, sine


@inlined
def set_channels(n, s, p, order_steps, terms, t, w):
    """Both channels at READ; ``terms`` are C_n, S_n (real, imaginary) one after the other, ``t`` apart."""
    set_fundamental(n, s, p, terms, t, w)
    m = 1
    while m < order_steps.size:
        step = order_steps[m]
        if m == 1 or step != order_steps[m - 1]:
            set_step(n, s, step, m == 1 and step == 2.0, w)
        if t == 1 and m + 2 < order_steps.size and step == order_steps[m + 1] == order_steps[m + 2]:
            add_three_terms(n, s, m, terms, w)
            m += 3
        else:
            add_term(n, s, m, terms, t, w)
            m += 1


@row_loop
def add_scaled(n, s, row, rms, draws, place, w):
    """Add random numbers of this rms to a row."""
    for i in range(n):
        w[row * s + i] += rms * draws[at(place, i)]


@inlined
def fault_share(j, at_place, parts):
    """How much of a fault there is at a place or sample, 0 to 1."""
    begin, end, shape = (
        parts.faults[j + FAULT_BEGIN],
        parts.faults[j + FAULT_END],
        parts.faults[j + FAULT_SHAPE],
    )
    if at_place < begin or (at_place > end and shape != RAMP):
        return 0.0
    if shape == FULL:
        return 1.0
    way = min((at_place - begin) / (end - begin), 1.0)
    return way if shape == RAMP else 0.5 - 0.5 * cos_sin(way)[0]


@inlined
def count_fault_step(now, place, j, e, parts):
    """Counts that a fault takes or adds where it begins."""
    counts = parts.faults[j + FAULT_COUNTS]
    if counts == 0.0:
        return
    where = np.float64(parts.whole[place]) + parts.fraction[place]
    on = fault_share(j, now if parts.faults[j + FAULT_TIME] else where, parts)
    if on > 0.0 and parts.faults[j + FAULT_ON] == 0.0:
        e.shift += np.int64(counts)
        e.lost += np.int64(abs(counts))
    parts.faults[j + FAULT_ON] = on


@inlined
def faulty_row(s, first, end, k, reading, p, e, parts, w):
    """What faults on purpose do to both channels of a reading."""
    for i in range(first, end):
        now = np.float64(k + i) + late_at(k + i, s, e, parts)
        where = np.float64(parts.base[i]) + w[PLACE * s + i]
        for j in range(0, parts.faults.size, FAULT_COLUMNS):
            share = fault_share(j, now if parts.faults[j + FAULT_TIME] else where, parts)
            if share == 0.0:
                continue
            cosine, sine = w[COSINE * s + i], w[SINE * s + i]
            cosine = cosine * (1.0 - share * parts.faults[j + FAULT_COSINE_LOSS])
            sine = sine * (1.0 - share * parts.faults[j + FAULT_SINE_LOSS])
            cosine += share * parts.faults[j + FAULT_COSINE]
            sine += share * parts.faults[j + FAULT_SINE]
            if parts.faults[j + FAULT_NOISE] > 0.0:
                counter = np.uint64(k + i)
                low, high, which = counter & LOW_WORD, counter >> WORD_BITS, np.uint64(reading + 65536 * j)
                a, b, _, _ = philox(low, high, FAULT_CAUSE, which, p.key_low, p.key_high)
                one, other = gaussian_pair(a, b)
                cosine += share * parts.faults[j + FAULT_NOISE] * one
                sine += share * parts.faults[j + FAULT_NOISE] * other
            w[COSINE * s + i], w[SINE * s + i] = cosine, sine


@row_loop
def convert(n, s, first, end, p, w):
    """Converter codes of both channels; returns how many of the entries ``first`` to ``end`` were clipped."""
    clipped = 0
    for row in range(COSINE, SINE + 1):
        for i in range(n):
            code = np.floor(w[row * s + i] * p.codes + 0.5)
            limited = min(max(code, p.lowest), p.highest)
            clipped += (code != limited) & (i >= first) & (i < end)
            w[row * s + i] = limited
    return clipped


@row_loop
def add_reading(n, s, reading, w):
    """Add a reading to the sum of readings; the last one leaves the sum in the channels."""
    for row in range(2):
        for i in range(n):
            total = w[(COSINE + row) * s + i] + (w[(SUM_COS + row) * s + i] if reading > 0 else 0.0)
            w[(SUM_COS + row) * s + i] = total
            w[(COSINE + row) * s + i] = total


@row_loop
def set_shown(n, s, w):
    """Fraction of a period that the channels show."""
    for i in range(n):
        w[SHOWN * s + i] = turns_of(w[SINE * s + i], w[COSINE * s + i])


@inner
def read_block(earlier, work):
    """Phase of a reading of a chunk that is ``earlier`` periods before the sample."""
    for i in range(CHUNK):
        work[READ * CHUNK + i] = work[PHASE * CHUNK + i] - earlier


@inner
def sde_block(sde, share, work):
    """``add_lines`` of the given error for a chunk."""
    add_lines(CHUNK, CHUNK, sde, READ, share, work)


@inner
def ring_block(plan, anchor, ticks, ring, earlier, work):
    """``add_lines`` of the error of the ring for a chunk."""
    # The angle is that of the steady motion: noise moves it by far too little to change the error.
    p = plan[0]
    for i in range(CHUNK):
        tick = ticks[i] - anchor.tick if p.has_clock else i
        angle = np.float64(np.int64(anchor.ring + np.uint64(tick) * p.ring_step_64)) * UNIT_64
        work[STEP_COS * CHUNK + i] = angle - earlier
    add_lines(CHUNK, CHUNK, ring, STEP_COS, 1.0 / p.readings, work)


@inner
def channel_block(plan, order_steps, terms, work):
    """``set_channels`` for a chunk, a tile at a time: the rows that every term reads and writes stay in the cache."""
    for first in range(0, CHUNK, TILE):
        set_channels(TILE, CHUNK, plan[0], order_steps, terms, 1, work[first:])


@inner
def noise_block(plan, anchor, ticks, reading, work):
    """Noise of one reading of a chunk on both channels."""
    draw_block(plan, anchor, ticks, COSINE_CAUSE, reading, work)
    add_scaled(CHUNK, CHUNK, COSINE, plan[0].noise, work, DRAW * CHUNK, work)
    draw_block(plan, anchor, ticks, SINE_CAUSE, reading, work)
    add_scaled(CHUNK, CHUNK, SINE, plan[0].noise, work, DRAW * CHUNK, work)


@inner
def convert_block(plan, work):
    """``convert`` for a chunk."""
    return convert(CHUNK, CHUNK, 0, CHUNK, plan[0], work)


@inner
def arctangent_block(work):
    """``set_shown`` for a chunk."""
    set_shown(CHUNK, CHUNK, work)


@inner
def reading_block(plan, tables, anchor, ticks, reading, state, work):
    """Channels of one reading of a chunk, through noise and converter, added to the readings before."""
    p = plan[0]
    read_block(reading * p.spacing, work)
    if tables.ring.size > 0:
        ring_block(plan, anchor, ticks, tables.ring, reading * p.spacing * p.turns_per_period, work)
    if tables.sde.size > 0:
        sde_block(tables.sde, 1.0 / p.readings, work)
    channel_block(plan, tables.order_steps, tables.terms, work)
    if p.noise > 0.0:
        noise_block(plan, anchor, ticks, reading, work)
    if p.converter:
        state[0].clipped += convert_block(plan, work)
    if p.readings > 1:
        add_reading(CHUNK, CHUNK, reading, work)
