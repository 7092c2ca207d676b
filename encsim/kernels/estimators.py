"""From positions to velocity: difference, taps, taps on a parabola, second-order sections."""

import numpy as np

from .jit import compiled, inlined
from .maths import UNIT_64
from .rows import CHUNK, ESTIMATE


@compiled
def difference_block(factor, scale, now, before, number, history, out, offset):
    """Velocity from whole periods and counts, each differenced by itself: nothing is lost far from zero."""
    wholes, wholes_before = history.whole[now : now + number], history.whole[before : before + number]
    counts, counts_before = history.count[now : now + number], history.count[before : before + number]
    velocity = out[offset : offset + number]
    for i in range(number):
        periods = np.float64(wholes[i] - wholes_before[i])
        velocity[i] = (periods * factor + (counts[i] - counts_before[i])) * scale


@compiled
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


@compiled
def sections_block(numbers, memory, deviation, work):
    """Second-order sections, one after the other, over a chunk."""
    if memory[0] == 0.0:
        sections_start(deviation[0], numbers, memory, 0, 1)
    for i in range(CHUNK):
        out = deviation[i]
        for n in range(numbers.size // 5):
            out = section_step(out, n, numbers, memory, 0, 1)
        work[ESTIMATE * CHUNK + i] = out


@compiled
def tap_block(weight, past, out):
    """Add what one tap makes of the deviations it meets."""
    for i in range(out.size):
        out[i] += weight * past[i]


@compiled
def taps_block(at, numbers, deviation, work):
    """Finite impulse response over a chunk; numbers lag, weight, lag, weight ...; the deviations are a ring."""
    out = work[ESTIMATE * CHUNK : (ESTIMATE + 1) * CHUNK]
    out[:] = 0.0
    for n in range(numbers.size // 2):
        old = (at - np.int64(numbers[2 * n])) % deviation.size
        head = min(CHUNK, deviation.size - old)
        tap_block(numbers[2 * n + 1], deviation[old : old + head], out[:head])
        tap_block(numbers[2 * n + 1], deviation[: CHUNK - head], out[head:])


@compiled
def parabola_block(chunk, samples, at, numbers, memory, deviation, work):
    """Taps on a parabola over a chunk, a few operations a sample however many taps."""
    # Sums run from one multiple of N samples to the next, so that they do not depend on where a run began.
    for i in range(CHUNK):
        k = chunk * CHUNK + i
        m = k % samples
        if m == 0:
            parabola_start(at + i, samples, deviation, memory, 0, 1)
        work[ESTIMATE * CHUNK + i] = parabola_step(m, samples, deviation[at + i], numbers, memory, 0, 1)


@compiled
def velocity_block(speed, scale, work):
    """ESTIMATE from periods a sample against the steady motion to velocity."""
    for i in range(CHUNK):
        work[ESTIMATE * CHUNK + i] = speed + scale * work[ESTIMATE * CHUNK + i]
