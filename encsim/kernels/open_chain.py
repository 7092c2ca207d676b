"""The open chain from the phase of the true position to the velocity, chunk by chunk."""

import numpy as np

from .counting import count_block, hold_block, position_block, uncounted_block, whole_block
from .edge_timing import timing_block
from .estimators import (
    deviation_block,
    difference_block,
    parabola_block,
    sections_block,
    taps_block,
    velocity_block,
)
from .jit import compiled
from .motion import move_block
from .records import CHUNK, DIFFERENCE, ESTIMATE, LANES, PARABOLA, TAPS, TIMING
from .signals import arctangent_block, collect_block, reading_block


@compiled
def estimate_block(plan, anchor, at, history, estimator, ring, work):
    """Velocity of a chunk into ESTIMATE, unless it is a difference, which needs no state."""
    p = plan[0]
    whole, count = history
    numbers, memory, deviation, bends = estimator
    if p.estimator == TIMING:
        if p.direction != 0.0:
            timing_block(plan, anchor, bends, ring, work)
        else:
            work[ESTIMATE : ESTIMATE + CHUNK] = 0.0
        return
    deviation_block(plan, anchor, at, whole, count, deviation)
    if p.estimator == TAPS:
        taps_block(at, numbers, deviation, work)
    elif p.estimator == PARABOLA:
        parabola_block(anchor.chunk, p.span, at, numbers, memory, deviation, work)
    else:
        sections_block(numbers, memory, deviation[at : at + CHUNK], work)
    velocity_block(p.speed, p.scale, work)


@compiled
def chunk_block(plan, tables, anchor, ticks, state, at, whole, count, work):
    """Compute one chunk into the history of whole periods and counts."""
    p = plan[0]
    move_block(plan, anchor, ticks, state, work)
    for reading in range(p.readings):
        reading_block(plan, tables, anchor, ticks, reading, state, work)
        if p.readings > 1:
            collect_block(reading, p.readings, work)
    arctangent_block(work)
    whole_block(anchor.whole, at, whole, work)
    if p.sequential:
        hold_block(plan, ticks, state, at, whole, count, work)
    elif p.counted:
        count_block(p.factor, p.bias, at, count, work)
    else:
        uncounted_block(at, count, work)


@compiled
def output_block(plan, at, number, history, work, position, velocity, offset):
    """Position and, where wanted, velocity of ``number`` samples of the history from ``at`` on."""
    p = plan[0]
    whole, count = history
    position_block(p.factor, p.pitch, at, number, whole, count, position, offset)
    if velocity.size == 0:
        return
    if p.estimator != DIFFERENCE:
        first = ESTIMATE + at % CHUNK
        velocity[offset : offset + number] = work[first : first + number]
        return
    scale = p.pitch * p.rate / (p.factor * p.span)
    old = (at - p.span) % whole.size
    head = min(number, whole.size - old)  # the history is a ring: the old samples may go round its end
    difference_block(p.factor, scale, at, old, head, whole, count, velocity, offset)
    difference_block(p.factor, scale, at + head, 0, number - head, whole, count, velocity, offset + head)


@compiled
def chain_block(plan, tables, anchors, ticks, span, state, history, estimator, work, position, velocity):
    """Compute chunks and hand out the samples asked for; ``span`` is chunks, chunks known, from, to, offset."""
    # ``from`` and ``to`` count from the start of the first chunk; ``tables`` is (terms, shifts: rows of the ring,
    # then of the given error), ``history`` (whole, count), ``estimator`` (numbers, memory, deviation, bends).
    whole, count = history
    slots = whole.size // CHUNK
    offset = span[4]
    for j in range(span[0]):
        at = (anchors[j].chunk % slots) * CHUNK
        if j >= span[1]:
            chunk_block(plan, tables, anchors[j], ticks[j], state, at, whole, count, work)
            if plan[0].estimator != DIFFERENCE:
                estimate_block(plan, anchors[j], at, history, estimator, tables[1][: plan[0].rings], work)
        first = max(span[2] - j * CHUNK, 0)
        number = min(span[3] - j * CHUNK, CHUNK) - first
        if number > 0:
            output_block(plan, at + first, number, history, work, position, velocity, offset)
            offset += number


@compiled
def summary_block(velocity, speed, first, rate, skip, time, lanes):
    """Times of a piece of a run; rows of ``lanes``: squares about the speed, least, largest, ``skip`` left out."""
    for i in range(time.size):
        time[i] = np.float64(first + i) / rate
    squares, low, high = lanes[0], lanes[1], lanes[2]
    squares[:], low[:], high[:] = 0.0, np.inf, -np.inf
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
