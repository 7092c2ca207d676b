"""From positions to velocity: difference, least-squares slope, second-order sections, alpha-beta filter."""

import numpy as np

from .jit import compiled, inlined
from .maths import UNIT_64
from .records import CHUNK, ESTIMATE


@compiled
def difference_block(factor, scale, now, old, number, whole, count, out, offset):
    """Velocity from whole periods and counts, each differenced by itself: nothing is lost far from zero."""
    turns, turns_before = whole[now : now + number], whole[old : old + number]
    counts, counts_before = count[now : now + number], count[old : old + number]
    velocity = out[offset : offset + number]
    for i in range(number):
        periods = np.float64(turns[i] - turns_before[i])
        velocity[i] = (periods * factor + (counts[i] - counts_before[i])) * scale


@compiled
def deviation_block(plan, anchor, at, whole, count, deviation):
    """Shown position less that of the steady motion, periods: small however far the axis has gone."""
    p = plan[0]
    share, line, step, slope, first = (
        1.0 / p.factor,
        anchor.line,
        p.line_step,
        p.line_slope,
        anchor.line_whole,
    )
    start = np.float64(np.int64(line)) * UNIT_64
    turns, counts, out = whole[at : at + CHUNK], count[at : at + CHUNK], deviation[at : at + CHUNK]
    for i in range(CHUNK):
        turn = np.float64(np.int64(line + np.uint64(i) * step)) * UNIT_64
        passed = np.rint(start + np.float64(i) * slope - turn)
        out[i] = (np.float64(turns[i] - first) - passed) + (counts[i] * share - turn)


@inlined
def section_step(entry, n, numbers, memory, lane, stride):
    """Second-order section n, transposed direct form II; numbers b0 b1 b2 a1 a2, memory from row 2 on."""
    c, s = 5 * n, (2 + 2 * n) * stride + lane
    out = numbers[c] * entry + memory[s]
    memory[s] = numbers[c + 1] * entry - numbers[c + 3] * out + memory[s + stride]
    memory[s + stride] = numbers[c + 2] * entry - numbers[c + 4] * out
    return out


@inlined
def fall_step(deviation, memory, lane, stride):
    """First difference; memory rows: started, deviation before. At first all was steady."""
    before = memory[stride + lane] if memory[lane] != 0.0 else deviation
    memory[lane] = 1.0
    memory[stride + lane] = deviation
    return deviation - before


@inlined
def alpha_beta_step(deviation, alpha, beta, memory, lane, stride):
    """Predict, compare, correct; memory rows: started, position, velocity a sample. At first all was steady."""
    position = memory[stride + lane] if memory[lane] != 0.0 else deviation
    velocity = memory[2 * stride + lane]
    predicted = position + velocity
    error = deviation - predicted
    memory[lane] = 1.0
    memory[stride + lane] = predicted + alpha * error
    memory[2 * stride + lane] = velocity + beta * error
    return velocity + beta * error


@inlined
def slope_start(k, samples, deviation, memory, lane, stride):
    """Sums over the tails of the N samples before k: from m on, of e and of m e."""
    total = moment = 0.0
    slots = deviation.size // stride
    for m in range(samples - 1, -1, -1):
        e = deviation[(k - samples + m) % slots * stride + lane]
        total += e
        moment += np.float64(m) * e
        memory[(2 + m) * stride + lane] = total
        memory[(3 + samples + m) * stride + lane] = moment
    memory[lane] = memory[stride + lane] = 0.0
    memory[(2 + samples) * stride + lane] = memory[(3 + 2 * samples) * stride + lane] = 0.0


@inlined
def slope_step(m, samples, deviation, memory, lane, stride):
    """Slope of a line through the newest N samples, the newest of them number m of its N: heads and tails."""
    middle = 0.5 * np.float64(samples - 1) - np.float64(m)
    head = memory[lane] + deviation
    moment = memory[stride + lane] + np.float64(m) * deviation
    memory[lane] = head
    memory[stride + lane] = moment
    tail, tail_moment = memory[(3 + m) * stride + lane], memory[(4 + samples + m) * stride + lane]
    n = np.float64(samples)
    total = (middle * head + moment) + ((middle - n) * tail + tail_moment)
    return total * (12.0 / (n * (n * n - 1.0)))


@compiled
def sections_block(numbers, memory, deviation, work):
    """First difference through second-order sections over a chunk."""
    for i in range(CHUNK):
        out = fall_step(deviation[i], memory, 0, 1)
        for n in range(numbers.size // 5):
            out = section_step(out, n, numbers, memory, 0, 1)
        work[ESTIMATE + i] = out


@compiled
def alpha_beta_block(numbers, memory, deviation, work):
    """``alpha_beta_step`` over a chunk."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = alpha_beta_step(deviation[i], numbers[0], numbers[1], memory, 0, 1)


@compiled
def slope_block(chunk, samples, at, memory, deviation, work):
    """Least squares over a chunk, a few operations a sample however long the line."""
    # Sums run from one multiple of N samples to the next, so that they do not depend on where a run began.
    for i in range(CHUNK):
        k = chunk * CHUNK + i
        m = k % samples
        if m == 0:
            slope_start(at + i, samples, deviation, memory, 0, 1)
        work[ESTIMATE + i] = slope_step(m, samples, deviation[at + i], memory, 0, 1)


@compiled
def velocity_block(speed, scale, work):
    """ESTIMATE from periods a sample against the steady motion to velocity."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = speed + scale * work[ESTIMATE + i]
