"""Closed loop, all lanes: from the true position to both channels."""

import numpy as np

from .jit import inlined
from .loop_chance import draw_rows, draw_span
from .loop_rows import (
    ANGLE_,
    AWAY_,
    AWAY_WHOLE_,
    CLOCK_,
    COSINE_,
    GAP_C_,
    GAP_S_,
    LAG_,
    MOVED_,
    PATH_,
    POWER_C_,
    POWER_S_,
    READ_,
    RING_,
    SHIFT_,
    SINE_,
    SPACING_,
    STATE_,
    SUM_C_,
    TURN_,
    at,
    ring_place,
)
from .maths import cos_sin


@inlined
def away_lanes(n, s, c, w):
    """Deviation of the encoder's position, periods: whole ones and the rest."""
    for i in range(n):
        away = w[STATE_ * s + i]
        if c.far:
            away += w[(STATE_ + 2) * s + i]
        away *= c.per_pitch
        whole = np.rint(away)
        w[AWAY_WHOLE_ * s + i] = whole
        w[AWAY_ * s + i] = away - whole


@inlined
def keep_lanes(n, s, k, c, w, past):
    """Remember position and velocity of the encoder, periods and periods a sample."""
    place = ring_place(k, past, 2 * s)
    for i in range(n):
        position, velocity = w[STATE_ * s + i], w[(STATE_ + 1) * s + i]
        if c.far:
            position += w[(STATE_ + 2) * s + i]
            velocity += w[(STATE_ + 3) * s + i]
        past[at(place, i)] = position * c.per_pitch
        past[at(place + s, i)] = velocity * (c.per_pitch * c.period)


@inlined
def aged_lanes(n, s, k, age, c, w, past):
    """Deviation ``age`` samples ago: the cubic through position and velocity at the samples before and after."""
    whole = np.floor(age)
    u = 1.0 - (age - whole)
    after = ring_place(k - np.int64(whole), past, 2 * s)
    before = ring_place(k - np.int64(whole) - 1, past, 2 * s)
    b = u * u * (3.0 - 2.0 * u)
    va, vb = u * (1.0 - u) * (1.0 - u), u * u * (u - 1.0)
    for i in range(n):
        x, y = past[at(before, i)], past[at(after, i)]
        away = y + (1.0 - b) * (x - y) + (va * past[at(before + s, i)] + vb * past[at(after + s, i)])
        turns = np.rint(away)
        w[AWAY_WHOLE_ * s + i] = turns
        w[AWAY_ * s + i] = away - turns


@inlined
def moved_lanes(n, s, kk, p, c, w, draws):
    """Phase of the steady motion with jitter of position and clock; PATH the same less the lag."""
    for i in range(n):
        w[MOVED_ * s + i] = w[TURN_ * s + i]
        w[PATH_ * s + i] = w[TURN_ * s + i] - w[LAG_ * s + i]
    base = kk % draw_span(n) * draw_rows(p) * s
    if p.jitter > 0.0:
        for i in range(n):
            move = p.jitter * draws[at(base, i)]
            w[MOVED_ * s + i] += move
            w[PATH_ * s + i] += move
    if c.clock > 0.0:
        share = c.clock * c.per_pitch
        for i in range(n):
            drawn = draws[at(base + s, i)]
            move = w[CLOCK_ * s + i] * drawn
            move += share * w[(STATE_ + 1) * s + i] * drawn
            w[MOVED_ * s + i] += move
            w[PATH_ * s + i] += move


@inlined
def place_lanes(n, s, reading, w):
    """Phase of one reading."""
    for i in range(n):
        w[READ_ * s + i] = (w[MOVED_ * s + i] - reading * w[SPACING_ * s + i]) + w[AWAY_ * s + i]


@inlined
def sum_lines_lanes(n, s, lines, row, share, w):
    """Shift READ by the sum of lines at the turns of a row, and PATH by ``share`` of it."""
    for i in range(n):
        w[SHIFT_ * s + i] = 0.0
    for line in range(lines.shape[0]):
        order, along_c, along_s = lines[line, 0], lines[line, 1], lines[line, 2]
        for i in range(n):
            cosine, sine = cos_sin(order * w[row * s + i])
            w[SHIFT_ * s + i] += along_c * cosine + along_s * sine
    for i in range(n):
        w[READ_ * s + i] += w[SHIFT_ * s + i]
        w[PATH_ * s + i] += share * w[SHIFT_ * s + i]


@inlined
def ringed_lanes(n, s, reading, ring, p, w):
    """``ring_block``, at the angle to which the loop has moved the ring."""
    for i in range(n):
        away = w[AWAY_WHOLE_ * s + i] + w[AWAY_ * s + i] - reading * w[SPACING_ * s + i]
        w[ANGLE_ * s + i] = w[RING_ * s + i] + away * p.per_turn
    sum_lines_lanes(n, s, ring, ANGLE_, 1.0 / p.readings, w)


@inlined
def fundamental_lanes(n, s, p, terms, w):
    """``fundamental_block``; rows of ``terms`` are C_n, S_n (real, imaginary) one after the other."""
    for i in range(n):
        cosine, sine = cos_sin(w[READ_ * s + i])
        w[POWER_C_ * s + i] = cosine
        w[POWER_S_ * s + i] = sine
        w[COSINE_ * s + i] = p.offset_cosine + (terms[i] * cosine - terms[s + i] * sine)
        w[SINE_ * s + i] = p.offset_sine + (terms[2 * s + i] * cosine - terms[3 * s + i] * sine)


@inlined
def gap_lanes(n, s, gap, squared, w):
    """exp(i gap theta) into GAP."""
    if squared:
        for i in range(n):
            cosine, sine = w[POWER_C_ * s + i], w[POWER_S_ * s + i]
            w[GAP_C_ * s + i] = cosine * cosine - sine * sine
            w[GAP_S_ * s + i] = 2.0 * cosine * sine
    else:
        for i in range(n):
            cosine, sine = cos_sin(gap * w[READ_ * s + i])
            w[GAP_C_ * s + i] = cosine
            w[GAP_S_ * s + i] = sine


@inlined
def term_lanes(n, s, m, terms, w):
    """``term_block`` for term m."""
    row = 4 * m * s
    for i in range(n):
        pc, ps = w[POWER_C_ * s + i], w[POWER_S_ * s + i]
        gc, gs = w[GAP_C_ * s + i], w[GAP_S_ * s + i]
        cosine = pc * gc - ps * gs
        sine = pc * gs + ps * gc
        w[POWER_C_ * s + i] = cosine
        w[POWER_S_ * s + i] = sine
        w[COSINE_ * s + i] += terms[at(row, i)] * cosine - terms[at(row + s, i)] * sine
        w[SINE_ * s + i] += terms[at(row + 2 * s, i)] * cosine - terms[at(row + 3 * s, i)] * sine


@inlined
def channels_lanes(n, s, p, gaps, terms, w):
    """``channel_block``."""
    fundamental_lanes(n, s, p, terms, w)
    for m in range(1, gaps.size):
        if m == 1 or gaps[m] != gaps[m - 1]:
            gap_lanes(n, s, gaps[m], m == 1 and gaps[1] == 2.0, w)
        term_lanes(n, s, m, terms, w)


@inlined
def noisy_lanes(n, s, kk, reading, p, w, draws):
    """Noise of one reading on both channels."""
    base = (kk % draw_span(n) * draw_rows(p) + 2 + 2 * reading) * s
    for i in range(n):
        w[COSINE_ * s + i] += p.noise * draws[at(base, i)]
    for i in range(n):
        w[SINE_ * s + i] += p.noise * draws[at(base + s, i)]


@inlined
def converted_lanes(n, s, p, w):
    """``convert_block``; returns how many readings were clipped."""
    clipped = 0
    for row in range(COSINE_, SINE_ + 1):
        for i in range(n):
            code = np.floor(w[row * s + i] * p.codes + 0.5)
            held = min(max(code, p.lowest), p.highest)
            clipped += code != held
            w[row * s + i] = held
    return clipped


@inlined
def collected_lanes(n, s, reading, w):
    """``collect_block``."""
    for row in range(2):
        for i in range(n):
            total = w[(COSINE_ + row) * s + i] + (w[(SUM_C_ + row) * s + i] if reading > 0 else 0.0)
            w[(SUM_C_ + row) * s + i] = total
            w[(COSINE_ + row) * s + i] = total
