"""The open chain in steady motion, from the phase of the true position to the velocity, chunk by chunk."""

import numpy as np

from .chance import correlate_row, draw_block
from .counting import count_block, hold_block, position_block, whole_block
from .edge_timing import call_timing_block
from .estimators import (
    deviation_block,
    difference_block,
    parabola_block,
    sections_block,
    taps_block,
    velocity_block,
)
from .jit import compiled, inlined, inner
from .maths import UNIT_64
from .records import (
    CLOCK_CAUSE,
    DIFFERENCE,
    FREE,
    JITTER_CAUSE,
    LANES,
    PARABOLA,
    TAPS,
    TIMING,
    EstimatorTables,
    History,
    SignalTables,
)
from .rows import CHUNK, DRAW, ESTIMATE, PATH, PHASE
from .signals import arctangent_block, reading_block


@inner
def phase_block(phase, step_64, step, lag, work):
    """True phase of each sample: PHASE its fraction, PATH all of it from the anchor minus the lag."""
    start = np.float64(np.int64(phase)) * UNIT_64 - lag
    for i in range(CHUNK):
        work[PHASE * CHUNK + i] = np.float64(np.int64(phase + np.uint64(i) * step_64)) * UNIT_64
        work[PATH * CHUNK + i] = start + np.float64(i) * step


@inner
def tick_phase_block(anchor, step_64, step, lag, ticks, work):
    """``phase_block`` at ticks of another clock, counted from that of the anchor."""
    start = np.float64(np.int64(anchor.tick_phase)) * UNIT_64 - lag
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick
        work[PHASE * CHUNK + i] = np.float64(np.int64(anchor.tick_phase + np.uint64(n) * step_64)) * UNIT_64
        work[PATH * CHUNK + i] = start + np.float64(n) * step


@compiled
def tick_block(tick, rest, advance, whole, modulus, slack, out):
    """Number of the newest tick at each sample: n + rest/modulus grows by whole + advance/modulus."""
    # With ``slack`` 1 rest and advance are rounded down; returns whether a carry may then have been missed.
    doubtful = False
    for i in range(out.size):
        rest += advance
        tick += whole
        if rest >= modulus:
            rest -= modulus
            tick += 1
        out[i] = tick
        doubtful |= rest + slack * (i + 2) >= modulus
    return doubtful


@inner
def correlate_block(plan, ticks, state, work):
    """``correlate_row`` of a chunk in DRAW."""
    correlate_row(CHUNK, plan, ticks, state, DRAW * CHUNK, work)


@inner
def displace_block(rms, work):
    """Move the true position by ``rms`` times DRAW."""
    for i in range(CHUNK):
        move = rms * work[DRAW * CHUNK + i]
        work[PHASE * CHUNK + i] += move
        work[PATH * CHUNK + i] += move


@inner
def move_block(plan, anchor, ticks, state, work):
    """True phase of each sample, jitter of position and clock included."""
    p = plan[0]
    if p.has_clock:
        tick_phase_block(anchor, p.tick_step_64, p.tick_step, p.lag, ticks, work)
    else:
        phase_block(anchor.tick_phase, p.tick_step_64, p.tick_step, p.lag, work)
    if p.jitter > 0.0:
        draw_block(plan, anchor, ticks, JITTER_CAUSE, 0, work)
        if p.has_bandwidth:
            correlate_block(plan, ticks, state, work)
        displace_block(p.jitter, work)
    if p.clock_jitter != 0.0:
        draw_block(plan, anchor, ticks, CLOCK_CAUSE, 0, work)
        displace_block(p.clock_jitter, work)


@inner
def estimate_block(plan, anchor, at, history, estimator, ring, work):
    """Velocity of a chunk into ESTIMATE, unless it is a difference, which needs no state."""
    p = plan[0]
    if p.estimator == TIMING:
        if p.direction != 0.0:
            call_timing_block(p.edge_code, plan, anchor, estimator.edge_table, ring, work)
        else:
            for i in range(CHUNK):
                work[ESTIMATE * CHUNK + i] = 0.0
        return
    numbers, memory, deviation, _ = estimator
    deviation_block(plan, anchor, at, history, deviation)
    if p.estimator == TAPS:
        taps_block(at, numbers, deviation, work)
    elif p.estimator == PARABOLA:
        parabola_block(anchor.chunk, p.span, at, numbers, memory, deviation, work)
    else:
        sections_block(numbers, memory, deviation[at : at + CHUNK], work)
    velocity_block(p.speed, p.scale, work)


@inner
def chunk_block(plan, tables, anchor, ticks, state, at, history, work):
    """Compute one chunk into the history of whole periods and counts."""
    p = plan[0]
    move_block(plan, anchor, ticks, state, work)
    for reading in range(p.readings):
        reading_block(plan, tables, anchor, ticks, reading, state, work)
    arctangent_block(work)
    whole_block(anchor.tick_whole, at, history.whole, work)
    if p.hold != FREE:
        hold_block(plan, ticks, state, at, history, work)
    else:
        count_block(plan, at, history.count, work)


@inner
def output_block(plan, at, number, history, work, position, velocity, offset):
    """Position and, where wanted, velocity of ``number`` samples of the history from ``at`` on."""
    p = plan[0]
    position_block(plan, at, number, history, position, offset)
    if velocity.size == 0:
        return
    if p.estimator != DIFFERENCE:
        first = ESTIMATE * CHUNK + at % CHUNK
        for i in range(number):
            velocity[offset + i] = work[first + i]
        return
    scale = p.pitch * p.rate / (p.factor * p.span)
    before = (at - p.span) % history.whole.size
    head = min(
        number, history.whole.size - before
    )  # the history is a ring: the samples before may go round its end
    difference_block(p.factor, scale, at, before, head, history, velocity, offset)
    difference_block(p.factor, scale, at + head, 0, number - head, history, velocity, offset + head)


@inlined
def unpacked(plan, packed):
    """Tables of order steps with terms, and of the lines of the ring with those of the given error."""
    terms, lines = packed
    orders, rings = terms.size // 5, 3 * plan[0].ring_lines
    return SignalTables(terms[:orders], terms[orders:], lines[rings:], lines[:rings])


@compiled
def chain_block(plan, tables, anchors, ticks, span, state, history, estimator, work, position, velocity):
    """Compute the chunks that are not known yet and hand out the samples of the span."""
    # Tables, history and estimator come as plain tuples, and the tables packed: numba takes a microsecond more to look
    # at a named tuple and allocates for each array, which is much where single samples are read.
    tables, history, estimator = unpacked(plan, tables), History(*history), EstimatorTables(*estimator)
    slots = history.whole.size // CHUNK
    asked = span[0]
    offset = asked.offset
    for j in range(asked.chunks):
        at = (anchors[j].chunk % slots) * CHUNK
        if j >= asked.known:
            chunk_block(plan, tables, anchors[j], ticks[j], state, at, history, work)
            if plan[0].estimator != DIFFERENCE:
                estimate_block(plan, anchors[j], at, history, estimator, tables.ring, work)
        first = max(asked.first - j * CHUNK, 0)
        number = min(asked.end - j * CHUNK, CHUNK) - first
        if number > 0:
            output_block(plan, at + first, number, history, work, position, velocity, offset)
            offset += number


@compiled
def summary_block(velocity, speed, first, rate, skip, time, lanes):
    """Times of a piece of a run; rows of ``lanes``: squares about the speed, least, largest, ``skip`` left out."""
    for i in range(time.size):
        time[i] = np.float64(first + i) / rate
    squares, low, high = lanes[0], lanes[1], lanes[2]
    for i in range(LANES):
        squares[i], low[i], high[i] = 0.0, np.inf, -np.inf
    full = skip + (velocity.size - skip) // LANES * LANES
    for begin in range(skip, full, LANES):
        part = velocity[begin : begin + LANES]
        for i in range(LANES):
            squares[i] += (part[i] - speed) * (part[i] - speed)
            low[i] = min(low[i], part[i])
            high[i] = max(high[i], part[i])
    for i in range(full, velocity.size):
        squares[0] += (velocity[i] - speed) * (velocity[i] - speed)
        low[0] = min(low[0], velocity[i])
        high[0] = max(high[0], velocity[i])
