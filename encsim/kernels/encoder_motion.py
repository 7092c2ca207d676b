"""The encoder in any motion, up to its channels: true positions, times of the readings, bandwidth, skew, noise.

True positions are kept at the samples, whole periods and the rest; between two of them the motion is straight.
"""

import numpy as np

from .jit import inlined, row_loop
from .maths import cos_sin, exp_of, turns_of
from .records import (
    FAULT_COLUMNS,
    EncoderParts,
)
from .rows import (
    EARLIER,
    ENCODER_ROWS,
    LEAD_COS,
    LEAD_SIN,
    MEAN_COS,
    MEAN_EARLIER,
    PATH,
    PHASE,
    PLACE,
    READ,
    ROW,
    SLOPE,
    STEP_COS,
    at,
    elapsed_to,
    late_at,
)
from .signals import add_lines, count_fault_step

TAU = 6.283185307179586


@inlined
def encoder_parts(e, wholes, numbers):
    """The parts of an encoder's two arrays."""
    return EncoderParts(
        wholes[: e.mask + 1],
        wholes[e.at_base : e.at_tick],
        wholes[e.at_tick : e.at_shift],
        wholes[e.at_shift : e.at_shown],
        wholes[e.at_shown : e.whole_end],
        numbers[: ENCODER_ROWS * ROW],
        numbers[e.at_draws : e.at_fraction],
        numbers[e.at_fraction : e.at_count],
        numbers[e.at_count : e.at_age],
        numbers[e.at_age : e.at_deviation],
        numbers[e.at_deviation : e.at_head],
        numbers[e.at_head : e.at_timing],
        numbers[e.at_timing : e.at_terms],
        numbers[e.at_terms : e.at_steps],
        numbers[e.at_steps : e.at_numbers],
        numbers[e.at_numbers : e.at_memory],
        numbers[e.at_memory : e.at_edges],
        numbers[e.at_edges : e.at_lines],
        numbers[e.at_lines : e.at_faults],
        numbers[e.at_faults : e.at_late],
        numbers[e.at_late : e.at_paced],
        numbers[e.at_paced : e.end],
    )


@inlined
def back_of(k, s, old, e, parts):
    """Samples back to the oldest not older than ``old``, what of ``old`` is left there, and the step before it."""
    if s == 1 or not e.uneven:
        back = np.int64(max(np.floor(old), 0.0))
        return back, old - np.float64(back), 1.0
    back, now, age = 0, late_at(k, s, e, parts), 0.0
    while back < parts.late.size - ROW:
        older = np.float64(back + 1) + (now - late_at(k - back - 1, s, e, parts))
        if older > old:
            break
        back, age = back + 1, older
    return back, old - age, elapsed_to(k - back, s, e, parts)


@row_loop
def slope_row(first, end, place, e, parts, slope):
    """Periods moved in each sample of a row; returns whether any is too far."""
    whole, fraction = parts.whole[place + first : place + end], parts.fraction[place + first : place + end]
    before, too_far, most = (place + first - 1) & e.mask, False, e.fastest
    slope[0] = np.float64(whole[0] - parts.whole[before]) + (fraction[0] - parts.fraction[before])
    for i in range(1, slope.size):
        slope[i] = np.float64(whole[i] - whole[i - 1]) + (fraction[i] - fraction[i - 1])
    for i in range(slope.size):
        # a maximum would not vectorise
        too_far |= abs(slope[i]) > most
    return too_far


@inlined
def true_row(n, s, first, end, k, p, e, parts, w):
    """What follows from the true positions of a row: their slopes, lost counts, the signals behind the bandwidth."""
    place = k & e.mask
    if n == 1:
        before = (place - 1) & e.mask
        moved = np.float64(parts.whole[place] - parts.whole[before])
        w[SLOPE] = moved + (parts.fraction[place] - parts.fraction[before])
        too_far = abs(w[SLOPE]) > e.fastest
    else:
        too_far = slope_row(first, end, place, e, parts, w[SLOPE * s + first : SLOPE * s + end])
    uneven = s > 1 and e.uneven
    if too_far or e.faults > 0 or e.shift != 0 or uneven:
        for i in range(first, end):
            limit_step(w[SLOPE * s + i], elapsed_to(k + i, s, e, parts), p, e)
            now = np.float64(k + i) + late_at(k + i, s, e, parts)
            for j in range(0, parts.faults.size, FAULT_COLUMNS):
                count_fault_step(now, (place + i) & e.mask, j, e, parts)
            parts.shift[i] = e.shift
    if e.fall > 0.0:
        for i in range(first, end):
            fall = e.fall * elapsed_to(k + i, s, e, parts)
            head_step((place + i) & e.mask, (place + i - 1) & e.mask, w[SLOPE * s + i], fall, parts)
    if uneven:
        for i in range(first, end):
            w[SLOPE * s + i] /= elapsed_to(k + i, s, e, parts)


@inlined
def limit_step(moved, elapsed, p, e):
    """Lose the counts of a sample in which the axis moved too far."""
    if abs(moved) > e.fastest * elapsed:
        e.too_fast += 1
        if e.loses:
            lost = np.int64(np.ceil((abs(moved) - e.fastest * elapsed) * p.factor))
            e.shift -= lost if moved > 0.0 else -lost
            e.lost += lost


@inlined
def head_step(place, before, moved, fall, parts):
    """Take every harmonic behind the readhead's bandwidth on by one sample."""
    order, orders = 0.0, parts.steps.size
    for m in range(orders):
        order += parts.steps[m]
        old, new = 2 * (before * orders + m), 2 * (place * orders + m)
        real, imag = parts.head[old], parts.head[old + 1]
        parts.head[new], parts.head[new + 1] = filtered(
            order, parts.fraction[before], moved, 1.0, fall, real, imag
        )


@inlined
def filtered(order, begin, moved, share, fall, real, imag):
    """One harmonic behind the bandwidth after a share of a sample; ``moved`` and ``fall`` are of the whole sample."""
    # One pole on exp(i n theta), exact where theta is straight, from 0 to 1: a z + b/(b + i w) (exp(i n theta_1) -
    # a exp(i n theta_0)).
    decay, turn = exp_of(-fall * share), TAU * order * moved
    c0, s0 = cos_sin(order * begin)
    c1, s1 = cos_sin(order * (begin + share * moved))
    dc, ds = c1 - decay * c0, s1 - decay * s0
    scale = fall / (fall * fall + turn * turn)
    return real * decay + scale * (fall * dc + turn * ds), imag * decay + scale * (fall * ds - turn * dc)


@inlined
def behind(k, s, old, e, parts):
    """True position ``old`` samples before sample k: whole periods, the rest, and its slope, periods a sample."""
    back, beyond, length = back_of(k, s, old, e, parts)
    newer, older = (k - back) & e.mask, (k - back - 1) & e.mask
    slope = np.float64(parts.whole[newer] - parts.whole[older]) + (
        parts.fraction[newer] - parts.fraction[older]
    )
    slope /= length
    return parts.whole[newer], parts.fraction[newer] - beyond * slope, slope


@row_loop
def placed_row(n, s, first, end, k, kk, p, e, parts, w):
    """True position at the first reading of each sample, and the slope there."""
    if e.aged:
        for i in range(first, end):
            base, phase, slope = behind(k + i, s, e.old + parts.age[kk + i], e, parts)
            parts.base[i], w[PLACE * s + i], w[SLOPE * s + i] = base, phase, slope
    else:
        place = k & e.mask
        whole, fraction, base = (
            parts.whole[place : place + n],
            parts.fraction[place : place + n],
            parts.base[:n],
        )
        for i in range(n):
            base[i] = whole[i]
        for i in range(n):
            w[PLACE * s + i] = fraction[i]
    lag = 0.0 if e.shaped else p.lag
    for i in range(n):
        w[PHASE * s + i] = w[PLACE * s + i]
        w[PATH * s + i] = w[PLACE * s + i] - lag


@row_loop
def moved_row(n, s, kk, p, e, parts, w):
    """Jitter of position and clock."""
    if p.jitter > 0.0:
        rms = p.jitter
        for i in range(n):
            move = rms * parts.draws[at(kk, i)]
            w[PHASE * s + i] += move
            w[PATH * s + i] += move
    if e.clock_jitter > 0.0:
        rms = e.clock_jitter
        for i in range(n):
            move = rms * w[SLOPE * s + i] * parts.draws[at(ROW + kk, i)]
            w[PHASE * s + i] += move
            w[PATH * s + i] += move


@inlined
def reading_age(reading, i, kk, p, e, parts):
    """Age of a reading of entry i, samples."""
    return e.old + parts.age[kk + i] + reading / p.readings


@inlined
def mean_row(s, first, end, k, kk, p, e, parts, w):
    """Periods by which the mean of all readings is earlier than the first."""
    for i in range(first, end):
        total = 0.0
        for reading in range(1, p.readings):
            whole, phase, _ = behind(k + i, s, reading_age(reading, i, kk, p, e, parts), e, parts)
            total += np.float64(parts.base[i] - whole) + (w[PLACE * s + i] - phase)
        w[MEAN_EARLIER * s + i] = total / p.readings
        w[LEAD_COS * s + i] = w[LEAD_SIN * s + i] = w[MEAN_COS * s + i] = 0.0


@inlined
def response(m, order, k, s, old, phase, e, parts):
    """Harmonic m behind the bandwidth against the same without it, at the position ``old`` samples before k."""
    if e.fall == 0.0:
        return 1.0, 0.0
    back, beyond, length = back_of(k, s, old, e, parts)
    newer, older, orders = (k - back) & e.mask, (k - back - 1) & e.mask, parts.steps.size
    if beyond == 0.0:
        place = 2 * (newer * orders + m)
        real, imag = parts.head[place], parts.head[place + 1]
    else:
        begin = parts.fraction[older]
        moved = np.float64(parts.whole[newer] - parts.whole[older]) + (parts.fraction[newer] - begin)
        place = 2 * (older * orders + m)
        real, imag = filtered(
            order,
            begin,
            moved,
            1.0 - beyond / length,
            e.fall * length,
            parts.head[place],
            parts.head[place + 1],
        )
    c, s = cos_sin(order * phase)
    return real * c + imag * s, imag * c - real * s


@inlined
def shaped_row(s, first, end, k, kk, reading, p, e, parts, w):
    """Place of a reading, and the terms that both channels have there."""
    own = 4 * parts.steps.size
    for i in range(first, end):
        old = reading_age(reading, i, kk, p, e, parts)
        whole, phase, _ = behind(k + i, s, old, e, parts)
        later_whole, later, _ = behind(k + i, s, old - e.skew, e, parts)
        ahead = np.float64(later_whole - whole) + (later - phase)
        earlier = np.float64(parts.base[i] - whole) + (w[PLACE * s + i] - phase)
        w[EARLIER * s + i] = earlier
        order = 0.0
        for m in range(parts.steps.size):
            order += parts.steps[m]
            real, imag = response(m, order, k + i, s, old, phase, e, parts)
            real_later, imag_later = real, imag
            if e.skew != 0.0:
                r, q = response(m, order, k + i, s, old - e.skew, later, e, parts)
                c, d = cos_sin(order * ahead)
                real_later, imag_later = r * c - q * d, r * d + q * c
            t = 4 * m
            cc, cs, sc, ss = parts.terms[t], parts.terms[t + 1], parts.terms[t + 2], parts.terms[t + 3]
            place = own + t * s + i
            parts.terms[place] = cc * real - cs * imag
            parts.terms[place + s] = cc * imag + cs * real
            parts.terms[place + 2 * s] = sc * real_later - ss * imag_later
            parts.terms[place + 3 * s] = sc * imag_later + ss * real_later
        w[LEAD_COS * s + i] += parts.terms[own + i] - parts.terms[own + 3 * s + i]
        w[LEAD_SIN * s + i] += parts.terms[own + s + i] + parts.terms[own + 2 * s + i]
        w[MEAN_COS * s + i] += cos_sin(earlier - w[MEAN_EARLIER * s + i])[0]


@inlined
def led_row(s, first, end, e, w):
    """Count the whole periods by the mean of the readings and the phase by which the channels lead it."""
    for i in range(first, end):
        mean = w[MEAN_COS * s + i]
        lead = turns_of(w[LEAD_SIN * s + i] * mean, w[LEAD_COS * s + i] * mean)
        lead = e.inverted if abs(lead) == 0.5 else lead
        w[PATH * s + i] += lead - w[MEAN_EARLIER * s + i]


@row_loop
def read_row(n, s, p, e, parts, w):
    """Phase of one reading, error of the ring included."""
    for i in range(n):
        w[READ * s + i] = w[PHASE * s + i]
    if e.shaped:
        for i in range(n):
            w[READ * s + i] -= w[EARLIER * s + i]


@inlined
def turned_row(n, s, first, end, p, e, parts, w):
    """Add the error of the ring at the angle under the head."""
    for i in range(first, end):
        earlier = w[EARLIER * s + i] if e.shaped else 0.0
        w[STEP_COS * s + i] = (np.float64(parts.base[i] % e.lines) + w[PLACE * s + i] - earlier) / e.lines
    add_lines(n, s, parts.lines[: 3 * p.ring_lines], STEP_COS, 1.0 / p.readings, w)
