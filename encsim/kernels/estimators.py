"""From positions to velocity: difference, taps, taps on a parabola, second-order sections.

First the stages of a chunk of steady motion, then those of an encoder in any motion.
"""

import numpy as np

from .edge_timing import call_timed_block, tick_of
from .encoder_motion import back_of, behind
from .jit import inlined, inner, row_loop
from .maths import UNIT_64
from .records import DIFFERENCE, PARABOLA, SECTIONS, TAPS
from .rows import (
    CHUNK,
    DIRECTION,
    DISPLACEMENT,
    DISPLACEMENT_WHOLE,
    ESTIMATE,
    RING_ANGLE,
    SAMPLE_PHASE,
    SAMPLE_STEP,
    SAMPLE_WHOLE,
    elapsed_to,
    late_at,
)

STEADY = (
    0.01  # change of the speed from sample to sample, as a share of it, up to which a motion is called steady
)
FARTHEST = 64.0  # periods from the reference of a recursive estimator; further on its state would lose digits


@inner
def difference_block(factor, scale, now, before, number, history, out, offset):
    """Velocity from whole periods and counts, each differenced by itself: nothing is lost far from zero."""
    wholes, wholes_before = history.whole[now : now + number], history.whole[before : before + number]
    counts, counts_before = history.count[now : now + number], history.count[before : before + number]
    velocity = out[offset : offset + number]
    for i in range(number):
        periods = np.float64(wholes[i] - wholes_before[i])
        velocity[i] = (periods * factor + (counts[i] - counts_before[i])) * scale


@inner
def deviation_block(plan, anchor, at, history, deviation):
    """Shown position minus that of the steady motion, periods: small however far the axis has gone."""
    p = plan[0]
    share, phase, step_64, step, first = (
        1.0 / p.factor,
        anchor.sample_phase,
        p.sample_step_64,
        p.sample_step,
        anchor.sample_whole,
    )
    start = np.float64(np.int64(phase)) * UNIT_64
    wholes, counts = history.whole[at : at + CHUNK], history.count[at : at + CHUNK]
    out = deviation[at : at + CHUNK]
    for i in range(CHUNK):
        fraction = np.float64(np.int64(phase + np.uint64(i) * step_64)) * UNIT_64
        passed = np.rint(start + np.float64(i) * step - fraction)
        out[i] = (np.float64(wholes[i] - first) - passed) + (counts[i] * share - fraction)


@inlined
def section_start(entry, n, numbers, memory, lane, stride):
    """State of section n as if ``entry`` had stood for ever; returns its output then."""
    c, s = 5 * n, (1 + 2 * n) * stride + lane
    out = entry * (numbers[c] + numbers[c + 1] + numbers[c + 2]) / (1.0 + numbers[c + 3] + numbers[c + 4])
    memory[s + stride] = numbers[c + 2] * entry - numbers[c + 4] * out
    memory[s] = numbers[c + 1] * entry - numbers[c + 3] * out + memory[s + stride]
    return out


@inlined
def sections_start(deviation, numbers, memory, lane, stride):
    """States of all sections as if the deviation had stood for ever; memory row 0: started."""
    memory[lane] = 1.0
    out = deviation
    for n in range(numbers.size // 5):
        out = section_start(out, n, numbers, memory, lane, stride)


@inlined
def section_step(entry, n, numbers, memory, lane, stride):
    """Second-order section n, transposed direct form II; numbers b0 b1 b2 a1 a2, memory from row 1 on."""
    c, s = 5 * n, (1 + 2 * n) * stride + lane
    out = numbers[c] * entry + memory[s]
    memory[s] = numbers[c + 1] * entry - numbers[c + 3] * out + memory[s + stride]
    memory[s + stride] = numbers[c + 2] * entry - numbers[c + 4] * out
    return out


@inlined
def parabola_start(k, samples, deviation, memory, lane, stride):
    """Sums over the tails of the N samples before k: from m on, of e, of m e and of m**2 e."""
    total = moment = square = 0.0
    slots = deviation.size // stride
    for row in range(3):
        memory[row * stride + lane] = 0.0
        memory[(3 + 3 * samples + row) * stride + lane] = 0.0
    for m in range(samples - 1, -1, -1):
        e = deviation[(k - samples + m) % slots * stride + lane]
        place = (3 + 3 * m) * stride + lane
        total += e
        moment += np.float64(m) * e
        square += np.float64(m) * np.float64(m) * e
        memory[place], memory[place + stride], memory[place + 2 * stride] = total, moment, square


@inlined
def parabola_step(m, samples, deviation, numbers, memory, lane, stride):
    """N taps c0 + c1 j + c2 j**2, the newest sample number m of its N: heads of these N, tails of the N before."""
    place = np.float64(m)
    head = memory[lane] + deviation
    moment = memory[stride + lane] + place * deviation
    square = memory[2 * stride + lane] + place * place * deviation
    memory[lane], memory[stride + lane], memory[2 * stride + lane] = head, moment, square
    row = (6 + 3 * m) * stride + lane
    tail, tail_moment, tail_square = memory[row], memory[row + stride], memory[row + 2 * stride]
    older = place + np.float64(samples)
    c0, c1, c2 = numbers[0], numbers[1], numbers[2]
    new = (c0 + (c1 + c2 * place) * place) * head - (c1 + 2.0 * c2 * place) * moment + c2 * square
    old = (c0 + (c1 + c2 * older) * older) * tail - (c1 + 2.0 * c2 * older) * tail_moment + c2 * tail_square
    return new + old


@inner
def sections_block(numbers, memory, deviation, work):
    """Second-order sections, one after the other, over a chunk."""
    if memory[0] == 0.0:
        sections_start(deviation[0], numbers, memory, 0, 1)
    for i in range(CHUNK):
        out = deviation[i]
        for n in range(numbers.size // 5):
            out = section_step(out, n, numbers, memory, 0, 1)
        work[ESTIMATE * CHUNK + i] = out


@inner
def tap_block(weight, past, out):
    """Add what one tap makes of the deviations it meets."""
    for i in range(out.size):
        out[i] += weight * past[i]


@inner
def taps_block(at, numbers, deviation, work):
    """Finite impulse response over a chunk; numbers lag, weight, lag, weight ...; the deviations are a ring."""
    out = work[ESTIMATE * CHUNK : (ESTIMATE + 1) * CHUNK]
    for i in range(CHUNK):
        out[i] = 0.0
    for n in range(numbers.size // 2):
        old = (at - np.int64(numbers[2 * n])) % deviation.size
        head = min(CHUNK, deviation.size - old)
        tap_block(numbers[2 * n + 1], deviation[old : old + head], out[:head])
        tap_block(numbers[2 * n + 1], deviation[: CHUNK - head], out[head:])


@inner
def parabola_block(chunk, samples, at, numbers, memory, deviation, work):
    """Taps on a parabola over a chunk, a few operations a sample however many taps."""
    # Sums run from one multiple of N samples to the next, so that they do not depend on where a run began.
    for i in range(CHUNK):
        k = chunk * CHUNK + i
        m = k % samples
        if m == 0:
            parabola_start(at + i, samples, deviation, memory, 0, 1)
        work[ESTIMATE * CHUNK + i] = parabola_step(m, samples, deviation[at + i], numbers, memory, 0, 1)


@inner
def velocity_block(speed, scale, work):
    """ESTIMATE from periods a sample against the steady motion to velocity."""
    for i in range(CHUNK):
        work[ESTIMATE * CHUNK + i] = speed + scale * work[ESTIMATE * CHUNK + i]


@inlined
def estimated_row(n, s, first, end, k, plan, e, parts, w):
    """Velocity of each sample."""
    p = plan[0]
    if p.estimator == DIFFERENCE and n == 1:
        w[ESTIMATE] = difference_step(k, p, e, parts)
        return
    if p.estimator == DIFFERENCE:
        difference_row(s, first, end, k, p, e, parts, w)
        return
    for i in range(first, end):
        if s > 1 and e.uneven:
            pace_step(k + i, s, p, e, parts)
        if p.estimator == TAPS:
            moved = taps_step(k + i, s, p, e, parts)
        elif p.estimator == PARABOLA:
            moved = fitted_step(k + i, s, p, e, parts)
        elif p.estimator == SECTIONS:
            moved = filtered_step(k + i, s, p, e, parts)
        else:
            moved = timed_step(k + i, s, plan, e, parts)
        w[ESTIMATE * s + i] = moved * p.scale


@inlined
def pace_step(k, s, p, e, parts):
    """Take on the position that has the speeds between samples and takes a period for each, minus the one shown."""
    # A linear estimator of this position has the velocity of a steady motion whatever the times of the samples.
    here, before = k & e.shown_mask, (k - 1) & e.shown_mask
    moved = np.float64(parts.shown[here] - parts.shown[before])
    moved += (parts.count[here] - parts.count[before]) / p.factor
    parts.paced[here] = parts.paced[before] + moved * (1.0 / elapsed_to(k, s, e, parts) - 1.0)


@inlined
def paced_at(place, s, e, parts):
    """What ``pace_step`` adds to the position shown."""
    return parts.paced[place] if s > 1 and e.uneven else 0.0


@inlined
def difference_step(k, p, e, parts):
    """Change over the span; whole periods and counts each by itself."""
    new, old = k & e.shown_mask, (k - p.span) & e.shown_mask
    moved = np.float64(parts.shown[new] - parts.shown[old]) * p.factor
    return (moved + (parts.count[new] - parts.count[old])) * e.difference


@row_loop
def difference_row(s, first, end, k, p, e, parts, w):
    """``difference_step`` of a row."""
    slots, factor, share = parts.shown.size, p.factor, e.difference
    new, old = k & e.shown_mask, (k - p.span) & e.shown_mask
    head = min(end, slots - old)  # from here on the samples before go round the end of the ring
    for begin, stop, back in ((first, head, old), (max(head, first), end, old - slots)):
        if stop <= begin:
            continue
        shown, shown_before = parts.shown[new + begin : new + stop], parts.shown[back + begin : back + stop]
        count, count_before = parts.count[new + begin : new + stop], parts.count[back + begin : back + stop]
        velocity = w[ESTIMATE * s + begin : ESTIMATE * s + stop]
        for i in range(velocity.size):
            moved = np.float64(shown[i] - shown_before[i]) * factor
            velocity[i] = (moved + (count[i] - count_before[i])) * share
    if e.uneven:
        for i in range(first, end):
            elapsed = p.span + (late_at(k + i, s, e, parts) - late_at(k + i - p.span, s, e, parts))
            w[ESTIMATE * s + i] *= p.span / elapsed


@inlined
def taps_step(k, s, p, e, parts):
    """Finite impulse response of the shown positions, which are counted from the newest."""
    new, share, total = k & e.shown_mask, 1.0 / p.factor, 0.0
    for m in range(parts.numbers.size // 2):
        old = (k - np.int64(parts.numbers[2 * m])) & e.shown_mask
        periods = np.float64(parts.shown[old] - parts.shown[new])
        periods += paced_at(old, s, e, parts) - paced_at(new, s, e, parts)
        total += parts.numbers[2 * m + 1] * (periods + (parts.count[old] - parts.count[new]) * share)
    return total


@inlined
def from_reference(k, s, p, e, parts):
    """Shown position of sample k minus the straight motion through the reference, periods."""
    place = k & e.shown_mask
    rest = e.reference + np.float64(k - e.reference_sample) * e.slope - paced_at(place, s, e, parts)
    return np.float64(parts.shown[place] - e.reference_whole) + (parts.count[place] / p.factor - rest)


@inlined
def fitted_step(k, s, p, e, parts):
    """Taps on a parabola, from running sums against the mean motion of the samples before them."""
    m = k % p.span
    if m == 0:
        new, old = k & e.shown_mask, (k - p.span) & e.shown_mask
        moved = (
            np.float64(parts.shown[new] - parts.shown[old]) + (parts.count[new] - parts.count[old]) / p.factor
        )
        moved += paced_at(new, s, e, parts) - paced_at(old, s, e, parts)
        e.slope = moved / p.span
        e.reference_sample, e.reference_whole = k, parts.shown[new]
        e.reference = paced_at(new, s, e, parts)
        for j in range(k - p.span, k):
            parts.deviation[j & e.shown_mask] = from_reference(j, s, p, e, parts)
        parabola_start(k, p.span, parts.deviation, parts.memory, 0, 1)
    deviation = from_reference(k, s, p, e, parts)
    return e.slope + parabola_step(m, p.span, deviation, parts.numbers, parts.memory, 0, 1)


@inlined
def filtered_step(k, s, p, e, parts):
    """Second-order sections on the deviation from a reference that follows by whole periods."""
    e.reference += e.step
    carried = np.rint(e.reference)
    e.reference -= carried
    e.reference_whole += np.int64(carried)
    place = k & e.shown_mask
    deviation = np.float64(parts.shown[place] - e.reference_whole) + (
        parts.count[place] / p.factor - e.reference + paced_at(place, s, e, parts)
    )
    if parts.memory[0] == 0.0:
        sections_start(deviation, parts.numbers, parts.memory, 0, 1)
    elif abs(deviation) > FARTHEST:
        whole = np.rint(deviation)
        e.reference_whole += np.int64(whole)
        deviation -= whole
        sections_shift(whole, parts.numbers, parts.memory)
    for m in range(parts.numbers.size // 5):
        deviation = section_step(deviation, m, parts.numbers, parts.memory, 0, 1)
    return e.step + deviation


@inlined
def sections_shift(constant, numbers, memory):
    """Take from the states what a constant entry makes of them."""
    for n in range(numbers.size // 5):
        c, s = 5 * n, 1 + 2 * n
        out = constant * (numbers[c] + numbers[c + 1] + numbers[c + 2])
        out /= 1.0 + numbers[c + 3] + numbers[c + 4]
        later = numbers[c + 2] * constant - numbers[c + 4] * out
        memory[s + 1] -= later
        memory[s] -= numbers[c + 1] * constant - numbers[c + 3] * out + later
        constant = out


@inlined
def timed_step(k, s, plan, e, parts):
    """Velocity of timed edges, from the true position that the latency leaves."""
    p, t = plan[0], parts.timing
    whole, phase, slope = behind(k, s, e.old, e, parts)
    _, _, slope_before = behind(k - 1, s, e.old, e, parts)
    steady = abs(slope - slope_before) <= STEADY * abs(slope)
    t[SAMPLE_WHOLE], t[SAMPLE_PHASE] = np.float64(whole), phase
    t[DISPLACEMENT] = t[DISPLACEMENT_WHOLE] = 0.0
    t[DIRECTION], t[SAMPLE_STEP] = e.direction, e.step
    t[RING_ANGLE] = (np.float64(whole % e.lines) + phase) / e.lines
    # the fraction of a tick by which the sample is late: times of some seconds are many ticks
    late = late_at(k, s, e, parts) * p.timer_step
    tick = tick_of(k, p.timer_step_64) + (late - np.floor(late))
    back, rest, step = back_of(k, s, p.window, e, parts)
    elapsed, ring = elapsed_to(k, s, e, parts), parts.lines[: 3 * p.ring_lines]
    tables = plan, parts.edges, ring, t, parts.memory
    call_timed_block(p.edge_code, 1, 1, k, elapsed, steady, back, rest, step, tick, *tables)
    return e.step + t[ESTIMATE]
