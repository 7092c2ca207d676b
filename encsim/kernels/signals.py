"""From the phase to both channels: harmonics, noise, converter, averaged readings, arctangent.

A chunk is worked on in short loops over the rows of one array: constant distances between rows let them vectorise
without alias checks.
"""

import numpy as np

from .chance import draw_block
from .jit import compiled, inlined
from .maths import UNIT_64, cos_sin, turns_of
from .records import (
    CHUNK,
    COSINE,
    DRAW,
    GAP_C,
    GAP_S,
    NOISE_COSINE,
    NOISE_SINE,
    PATH,
    POWER_C,
    POWER_S,
    READ,
    SHIFT,
    SHOWN,
    SINE,
    SUM_C,
    TURN,
)


@compiled
def read_block(earlier, work):
    """Phase of a reading that is ``earlier`` periods before the sample."""
    for i in range(CHUNK):
        work[READ + i] = work[TURN + i] - earlier


@inlined
def _sum_lines(lines, row, work):
    """Sum of lines, rows (order, cosine, sine part), at the turns of a row of work, into SHIFT."""
    for i in range(CHUNK):
        work[SHIFT + i] = 0.0
    for line in range(lines.shape[0]):
        order, along_c, along_s = lines[line, 0], lines[line, 1], lines[line, 2]
        for i in range(CHUNK):
            c, s = cos_sin(order * work[row + i])
            work[SHIFT + i] += along_c * c + along_s * s


@inlined
def _move_by_shift(share, work):
    """Shift READ by SHIFT, and PATH by ``share`` of it."""
    for i in range(CHUNK):
        work[READ + i] += work[SHIFT + i]
        work[PATH + i] += share * work[SHIFT + i]


@compiled
def shift_block(sde, share, work):
    """Shift READ by the given error, and PATH by ``share`` of it."""
    _sum_lines(sde, READ, work)
    _move_by_shift(share, work)


@compiled
def ring_block(plan, anchor, ticks, ring, earlier, share, work):
    """Shift READ by the error of the ring, whose orders are those of a turn, and PATH by ``share`` of it."""
    # The angle is that of the steady motion: noise moves it by far too little to change the error.
    p = plan[0]
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick if p.ticked else i
        work[GAP_C + i] = np.float64(np.int64(anchor.ring + np.uint64(n) * p.ring_step)) * UNIT_64 - earlier
    _sum_lines(ring, GAP_C, work)
    _move_by_shift(share, work)


@compiled
def fundamental_block(offset_cosine, offset_sine, terms, work):
    """Channels of the fundamental and the offset; POWER keeps exp(i theta)."""
    a, b, d, e = terms[0, 1], terms[0, 2], terms[0, 3], terms[0, 4]
    for i in range(CHUNK):
        c, s = cos_sin(work[READ + i])
        work[POWER_C + i] = c
        work[POWER_S + i] = s
        work[COSINE + i] = offset_cosine + (a * c - b * s)
        work[SINE + i] = offset_sine + (d * c - e * s)


@compiled
def square_block(work):
    """exp(2 i theta) of POWER into GAP."""
    for i in range(CHUNK):
        c, s = work[POWER_C + i], work[POWER_S + i]
        work[GAP_C + i] = c * c - s * s
        work[GAP_S + i] = 2.0 * c * s


@compiled
def gap_block(gap, work):
    """exp(i gap theta) into GAP."""
    for i in range(CHUNK):
        c, s = cos_sin(gap * work[READ + i])
        work[GAP_C + i] = c
        work[GAP_S + i] = s


@compiled
def term_block(a, b, d, e, work):
    """Multiply POWER by GAP and add its share (a + i b, d + i e) to the channels."""
    for i in range(CHUNK):
        pc, ps, gc, gs = work[POWER_C + i], work[POWER_S + i], work[GAP_C + i], work[GAP_S + i]
        c = pc * gc - ps * gs
        s = pc * gs + ps * gc
        work[POWER_C + i] = c
        work[POWER_S + i] = s
        work[COSINE + i] += a * c - b * s
        work[SINE + i] += d * c - e * s


@compiled
def channel_block(offset_cosine, offset_sine, terms, work):
    """Both channels at READ from the rows of ``terms``: gap to the order before, C_n, S_n (real, imaginary)."""
    fundamental_block(offset_cosine, offset_sine, terms, work)
    for n in range(1, terms.shape[0]):
        if n == 1 and terms[1, 0] == 2.0:
            square_block(work)
        elif n == 1 or terms[n, 0] != terms[n - 1, 0]:
            gap_block(terms[n, 0], work)
        term_block(terms[n, 1], terms[n, 2], terms[n, 3], terms[n, 4], work)


@inlined
def _add_draw(row, rms, work):
    for i in range(CHUNK):
        work[row + i] += rms * work[DRAW + i]


@compiled
def noise_block(plan, anchor, ticks, reading, work):
    """Noise of one reading on both channels."""
    draw_block(plan, anchor, ticks, NOISE_COSINE, reading, work)
    _add_draw(COSINE, plan[0].noise, work)
    draw_block(plan, anchor, ticks, NOISE_SINE, reading, work)
    _add_draw(SINE, plan[0].noise, work)


@compiled
def convert_block(codes, lowest, highest, work):
    """Converter codes of both channels; returns how many were clipped."""
    clipped = 0
    for i in range(2 * CHUNK):
        code = np.floor(work[COSINE + i] * codes + 0.5)
        held = min(max(code, lowest), highest)
        clipped += code != held
        work[COSINE + i] = held
    return clipped


@compiled
def collect_block(reading, readings, work):
    """Add a reading to the sum of readings; the last one leaves the sum in the channels."""
    for i in range(2 * CHUNK):
        total = work[COSINE + i] + (work[SUM_C + i] if reading > 0 else 0.0)
        work[SUM_C + i] = total
        work[COSINE + i] = total


@compiled
def reading_block(plan, tables, anchor, ticks, reading, state, work):
    """Channels of one reading, through noise and converter."""
    p = plan[0]
    terms, shifts = tables
    ring, sde = shifts[: p.rings], shifts[p.rings :]
    read_block(reading * p.spacing, work)
    if ring.shape[0] > 0:
        ring_block(plan, anchor, ticks, ring, reading * p.spacing * p.per_turn, 1.0 / p.readings, work)
    if sde.shape[0] > 0:
        shift_block(sde, 1.0 / p.readings, work)
    channel_block(p.offset_cosine, p.offset_sine, terms, work)
    if p.noise > 0.0:
        noise_block(plan, anchor, ticks, reading, work)
    if p.converter:
        state[0].clipped += convert_block(p.codes, p.lowest, p.highest, work)


@compiled
def arctangent_block(work):
    """Fraction of a period that the channels show."""
    for i in range(CHUNK):
        work[SHOWN + i] = turns_of(work[SINE + i], work[COSINE + i])
