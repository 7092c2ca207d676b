"""The encoder in any motion: one sample alone, or a block of samples row by row; the same numbers either way.

A row is aligned to sample numbers, so that its random numbers are drawn side by side; a stage that remembers goes
through its samples one by one. ``first`` and ``end`` are the entries of the row that are asked for; the others hold
what was there before and are not looked at.
"""

import numpy as np

from .chance import correlate_row, gaussian_at_row, gaussian_row
from .counting import counted_row
from .encoder_motion import (
    encoder_parts,
    led_row,
    mean_row,
    moved_row,
    placed_row,
    read_row,
    shaped_row,
    true_row,
    turned_row,
)
from .estimators import estimated_row
from .jit import compiled, inlined, inner
from .records import CLOCK_CAUSE, COSINE_CAUSE, JITTER_CAUSE, SINE_CAUSE
from .rows import (
    COSINE,
    COUNT,
    ESTIMATE,
    OUT_COUNT,
    OUT_POSITION,
    OUT_TOTAL,
    OUT_VELOCITY,
    OUT_WHOLE,
    OUT_WITHIN,
    READ,
    ROW,
    SINE,
    elapsed_to,
    empty_rows,
    late_at,
)
from .signals import add_lines, add_reading, add_scaled, convert, faulty_row, set_channels


@inlined
def tick_row(e, parts):
    """Newest tick of another clock at each sample of a row, and its age in samples."""
    for i in range(ROW):
        e.rest += e.advance
        e.tick += e.ticks
        if e.rest >= e.modulus:
            e.rest -= e.modulus
            e.tick += 1
        parts.tick[i] = e.tick
        parts.age[i] = np.float64(e.rest) / np.float64(e.modulus) * e.tick_samples


@inlined
def uneven_tick_row(first, end, k, s, e, parts):
    """``tick_row`` of the entries ``first`` to ``end`` at their times."""
    for i in range(first, end):
        e.rest += e.advance
        e.tick += e.ticks
        if e.rest >= e.modulus:
            e.rest -= e.modulus
            e.tick += 1
        late = late_at(k + i, s, e, parts) / e.tick_samples
        rest = np.float64(e.rest) / np.float64(e.modulus) + (late - np.floor(late))
        more = np.floor(rest)
        parts.tick[i] = e.tick + np.int64(np.floor(late)) + np.int64(more)
        parts.age[i] = (rest - more) * e.tick_samples


@inlined
def uneven_correlate_row(first, end, k, s, p, e, state, parts):
    """``correlate_row`` of the entries ``first`` to ``end`` at their times."""
    j = state[0]
    for i in range(first, end):
        correlation = p.correlation ** elapsed_to(k + i, s, e, parts)
        if p.has_clock:
            correlation = (p.correlation_more / p.correlation) ** np.float64(parts.tick[i] - j.tick)
            j.tick = parts.tick[i]
        if not j.started:
            j.started, correlation = 1, 0.0
        j.jitter = correlation * j.jitter + np.sqrt(1.0 - correlation * correlation) * parts.draws[i]
        parts.draws[i] = j.jitter


@inner
def draw_uneven_row(first, end, k, plan, encoder, state, wholes, numbers):
    """What of the random numbers depends on the times of the samples."""
    p, e = plan[0], encoder[0]
    parts = encoder_parts(e, wholes, numbers)
    if p.has_clock:
        uneven_tick_row(first, end, k, ROW, e, parts)
        draw_causes(k, p, e, parts)
    if p.jitter > 0.0 and p.has_bandwidth:
        uneven_correlate_row(first, end, k, ROW, p, e, state, parts)


@inner
def draw_row(sample, plan, encoder, state, wholes, numbers):
    """Everything of a row that does not depend on the motion: random numbers and the ticks of another clock."""
    p, e = plan[0], encoder[0]
    parts = encoder_parts(e, wholes, numbers)
    if p.has_clock and not e.uneven:
        tick_row(e, parts)
    if not p.has_clock or not e.uneven:
        draw_causes(sample, p, e, parts)
    if p.jitter > 0.0 and p.has_bandwidth and not e.uneven:
        correlate_row(ROW, plan, parts.tick, state, 0, parts.draws)


@inlined
def draw_causes(sample, p, e, parts):
    """Independent random numbers of a row, by sample or by tick."""
    causes = (JITTER_CAUSE, CLOCK_CAUSE, COSINE_CAUSE, SINE_CAUSE)
    for row in range(2 + 2 * p.readings):
        used = p.jitter > 0.0 if row == 0 else (e.clock_jitter > 0.0 if row == 1 else p.noise > 0.0)
        if not used:
            continue
        cause, reading = causes[row] if row < 2 else causes[2 + row % 2], np.uint64(max(row - 2, 0) // 2)
        if p.has_clock:
            gaussian_at_row(ROW, parts.tick, cause, reading, p.key_low, p.key_high, row * ROW, parts.draws)
        else:
            gaussian_row(ROW, sample, cause, reading, p.key_low, p.key_high, row * ROW, parts.draws)


@inlined
def channel_row(n, s, first, end, k, kk, p, e, state, parts, w):
    """Both channels of every reading, through noise and converter, added up."""
    rings = 3 * p.ring_lines
    for reading in range(p.readings):
        if e.shaped:
            shaped_row(s, first, end, k, kk, reading, p, e, parts, w)
        read_row(n, s, p, e, parts, w)
        if rings > 0:
            turned_row(n, s, first, end, p, e, parts, w)
        if parts.lines.size > rings:
            add_lines(n, s, parts.lines[rings:], READ, 1.0 / p.readings, w)
        if e.shaped:
            set_channels(n, s, p, parts.steps, parts.terms[4 * parts.steps.size :], s, w)
        else:
            set_channels(n, s, p, parts.steps, parts.terms, 1, w)
        if p.noise > 0.0:
            place = (2 + 2 * reading) * ROW + kk
            add_scaled(n, s, COSINE, p.noise, parts.draws, place, w)
            add_scaled(n, s, SINE, p.noise, parts.draws, place + ROW, w)
        if e.faults > 0:
            faulty_row(s, first, end, k, reading, p, e, parts, w)
        if p.converter:
            state[0].clipped += convert(n, s, first, end, p, w)
        if p.readings > 1:
            add_reading(n, s, reading, w)
    if e.shaped:
        led_row(s, first, end, e, w)


@inlined
def prepared_row(n, s, first, end, k, kk, plan, e, parts, w):
    """Phase of the first reading of each sample of a row."""
    p = plan[0]
    true_row(n, s, first, end, k, p, e, parts, w)
    placed_row(n, s, first, end, k, kk, p, e, parts, w)
    moved_row(n, s, kk, p, e, parts, w)
    if e.shaped:
        mean_row(s, first, end, k, kk, p, e, parts, w)


@inlined
def shown_total(k, p, e, parts):
    """Position shown at sample k, whole periods, counts within, and all counts."""
    place = k & e.shown_mask
    whole, count = parts.shown[place], parts.count[place]
    if e.shift != 0:
        factor = np.int64(p.factor)
        total = whole * factor + e.shift
        whole, count = total // factor, count + np.float64(total % factor)
    return whole, count, whole * np.int64(p.factor) + np.int64(np.floor(count))


@inlined
def begin_row(k, plan, encoder, state, wholes, numbers):
    """Draw what a row needs when its first sample comes."""
    if encoder[0].drawn != k // ROW:
        draw_row(k // ROW * ROW, plan, encoder, state, wholes, numbers)
        encoder[0].drawn = k // ROW


@inlined
def single_step(position, plan, encoder, state, wholes, numbers):
    """One sample of a true position, in the position unit: all counts, position shown, velocity."""
    p, e, k = plan[0], encoder[0], encoder[0].sample
    turns = position / p.pitch
    if not abs(turns) < 1e18 or e.uneven:
        raise ValueError("Encoder.step: position must be finite, and no times have been given before")
    parts = encoder_parts(e, wholes, numbers)
    begin_row(k, plan, encoder, state, wholes, numbers)
    place, whole = k & e.mask, np.rint(turns)
    parts.whole[place], parts.fraction[place] = np.int64(whole), turns - whole
    w = empty_rows(parts.work)
    kk = k % ROW
    prepared_row(1, 1, 0, 1, k, kk, plan, e, parts, w)
    channel_row(1, 1, 0, 1, k, kk, p, e, state, parts, w)
    counted_row(1, 1, 0, 1, k, kk, plan, e, state, parts, w)
    estimated_row(1, 1, 0, 1, k, plan, e, parts, w)
    e.sample = k + 1
    shown, count, total = shown_total(k, p, e, parts)
    return total, (np.float64(shown) + count * (1.0 / p.factor)) * p.pitch, w[ESTIMATE]


@compiled
def encoder_step(position, state):
    """``single_step`` for compiled code of others."""
    plan, encoder, counter, wholes, numbers = state
    return single_step(position, plan, encoder, counter, wholes, numbers)


@compiled
def step_block(position, plan, encoder, state, wholes, numbers):
    """``single_step`` from Python, which takes a microsecond to look at a tuple."""
    return single_step(position, plan, encoder, state, wholes, numbers)


@inner
def take_block(first, end, k, done, whole, fraction, late, plan, encoder, wholes, numbers):
    """Keep the true positions of a row, and their times, from those of a block that are not ``done`` yet."""
    e, pitch = encoder[0], plan[0].pitch
    parts = encoder_parts(e, wholes, numbers)
    if e.uneven:
        for i in range(first, end):
            here, before = (k + i) & (parts.late.size - 1), (k + i - 1) & (parts.late.size - 1)
            parts.late[here] = late[done + i - first] if late.size else parts.late[before]
    place, taken = k & e.mask, fraction[done : done + end - first]
    periods, rest = parts.whole[place + first : place + end], parts.fraction[place + first : place + end]
    if whole.size:
        given = whole[done : done + end - first]
        for i in range(rest.size):
            periods[i], rest[i] = given[i], taken[i]
        return
    for i in range(rest.size):
        rest[i] = taken[i] / pitch
    for i in range(rest.size):
        turns = np.rint(rest[i])
        periods[i] = np.int64(turns)
        rest[i] -= turns


# Each stage of a row is a function of its own, so that the compiler sees few arrays at a time.
@inner
def prepare_block(first, end, k, plan, encoder, wholes, numbers):
    """``prepared_row`` of a block's row."""
    parts = encoder_parts(encoder[0], wholes, numbers)
    prepared_row(ROW, ROW, first, end, k, 0, plan, encoder[0], parts, parts.work)


@inner
def signal_block(first, end, k, plan, encoder, state, wholes, numbers):
    """``channel_row`` of a block's row."""
    parts = encoder_parts(encoder[0], wholes, numbers)
    channel_row(ROW, ROW, first, end, k, 0, plan[0], encoder[0], state, parts, parts.work)


@inner
def counter_block(first, end, k, plan, encoder, state, wholes, numbers):
    """``counted_row`` of a block's row."""
    parts = encoder_parts(encoder[0], wholes, numbers)
    counted_row(ROW, ROW, first, end, k, 0, plan, encoder[0], state, parts, parts.work)


@inner
def velocity_block(first, end, k, plan, encoder, wholes, numbers):
    """``estimated_row`` of a block's row."""
    parts = encoder_parts(encoder[0], wholes, numbers)
    estimated_row(ROW, ROW, first, end, k, plan, encoder[0], parts, parts.work)


@compiled
def encode_block(whole, fraction, late, wanted, plan, encoder, state, wholes, numbers, out, out_whole):
    """Samples of a block of true positions; the whole periods are empty where these are in the position unit."""
    # ``out`` and ``out_whole``: an array for each output.
    # ``late``: time of each sample minus that of its number, samples; empty where they are a period apart
    e, done = encoder[0], 0
    while done < fraction.size:
        first = e.sample % ROW
        k, end = e.sample - first, min(first + fraction.size - done, ROW)
        begin_row(k, plan, encoder, state, wholes, numbers)
        take_block(first, end, k, done, whole, fraction, late, plan, encoder, wholes, numbers)
        if e.uneven:
            draw_uneven_row(first, end, k, plan, encoder, state, wholes, numbers)
        prepare_block(first, end, k, plan, encoder, wholes, numbers)
        signal_block(first, end, k, plan, encoder, state, wholes, numbers)
        counter_block(first, end, k, plan, encoder, state, wholes, numbers)
        velocity_block(first, end, k, plan, encoder, wholes, numbers)
        if wanted != 0:
            write_block(first, end, done - first, wanted, plan, encoder, wholes, numbers, out, out_whole)
        e.sample = k + end
        done += end - first


@compiled
def first_outside_block(values, most):
    """Index of the first value that is not within ``most`` of zero, NaN included; -1 where all are."""
    outside = False
    for i in range(values.size):
        outside |= not (abs(values[i]) <= most)
    if outside:
        for i in range(values.size):
            if not (abs(values[i]) <= most):
                return i
    return -1


@inner
def copy_block(values, scale, out):
    """A scaled copy of a row."""
    for i in range(out.size):
        out[i] = values[i] * scale


@inner
def write_block(first, end, offset, wanted, plan, encoder, wholes, numbers, out, out_whole):
    """Hand out the samples of a row, those outputs whose bits are set in ``wanted``."""
    p, e = plan[0], encoder[0]
    parts, here = encoder_parts(e, wholes, numbers), slice(offset + first, offset + end)
    scales = e.channel_share, e.channel_share, 1.0
    for j in range(3):
        row = (COSINE, SINE, ESTIMATE)[j] * ROW
        if wanted >> j & 1:
            copy_block(parts.work[row + first : row + end], scales[j], out[j][here])
    if wanted >> (OUT_VELOCITY + 1) == 0:
        return
    counts, periods = parts.work[COUNT * ROW + first : COUNT * ROW + end], parts.base[first:end]
    if e.shift != 0:
        shift_block(np.int64(p.factor), parts.shift[first:end], counts, periods)
    if wanted >> OUT_POSITION & 1:
        place_block(1.0 / p.factor, p.pitch, counts, periods, out[OUT_POSITION][here])
    if wanted >> OUT_WITHIN & 1:
        copy_block(counts, 1.0 / p.factor, out[OUT_WITHIN][here])
        # a loop: numba's assignment of slices brings the text of its errors along, 2 s to compile
        whole = out_whole[OUT_WHOLE][here]
        for i in range(whole.size):
            whole[i] = periods[i]
    if wanted >> OUT_COUNT & 1:
        total_block(np.int64(p.factor), counts, periods, out_whole[OUT_TOTAL][here])


@inner
def shift_block(factor, shift, counts, periods):
    """Show the counts that are left of those passed."""
    for i in range(counts.size):
        total = periods[i] * factor + shift[i]
        periods[i] = total // factor
        counts[i] += np.float64(total % factor)


@inner
def place_block(share, pitch, counts, periods, out):
    """Position shown, position unit."""
    for i in range(out.size):
        out[i] = (np.float64(periods[i]) + counts[i] * share) * pitch


@inner
def total_block(factor, counts, periods, out):
    """All counts."""
    for i in range(out.size):
        out[i] = periods[i] * factor + np.int64(np.floor(counts[i]))
