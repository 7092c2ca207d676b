"""From the times of edges to velocity: period measurement and count-and-time."""

import numpy as np

from .chance import LOW_WORD, WORD_BITS, gaussian_pair, philox
from .jit import compiled, inlined
from .maths import UNIT_64, cos_sin
from .records import CHUNK, EDGE, ESTIMATE


@inlined
def between(turns, table):
    """Periodic table at a phase; its last entry repeats the first."""
    place = (turns - np.floor(turns)) * np.float64(table.size - 1)
    j = min(np.int64(place), table.size - 2)
    return table[j] + (place - np.float64(j)) * (table[j + 1] - table[j])


@inlined
def ring_at(angle, ring):
    """Error of the ring at an angle, turns; in periods."""
    total = 0.0
    for line in range(ring.shape[0]):
        c, s = cos_sin(ring[line, 0] * angle)
        total += ring[line, 1] * c + ring[line, 2] * s
    return total


@inlined
def edge_place(number, whole, direction, turned, plan, bends):
    """Phase at which an edge is passed, numbers counted from a whole period."""
    # Noise is bound to the edge, and drawn anew once the motion has ``turned``.
    p = plan[0]
    level = (number + p.bias - 0.5 + direction * (p.reach - 0.5)) / p.factor
    place = level - between(level, bends[0])
    if p.scattered:
        counter = np.uint64(whole * np.int64(p.factor) + np.int64(number))
        a, b, _, _ = philox(counter & LOW_WORD, counter >> WORD_BITS, EDGE, np.uint64(turned), p.key0, p.key1)
        place += between(level, bends[1]) * gaussian_pair(a, b)[0]
    return place


@inlined
def edge_before(turn, whole, direction, turned, plan, bends):
    """Number of the edge passed last at a phase."""
    p = plan[0]
    shown = turn + between(turn + between(turn, bends[0]), bends[0])
    level = shown * p.factor - p.bias + 0.5 - direction * (p.reach - 0.5)
    if direction > 0.0:
        number = np.floor(level) + 1.0
        while edge_place(number, whole, direction, turned, plan, bends) > turn:
            number -= 1.0
    else:
        number = np.ceil(level) - 1.0
        while edge_place(number, whole, direction, turned, plan, bends) < turn:
            number += 1.0
    return number


@inlined
def tick_of(k, step):
    """Fraction of the timing clock's tick at sample k."""
    return np.float64(np.int64((np.uint64(k) * step) >> np.uint64(1))) * (2.0 * UNIT_64)


@inlined
def timed_counts(counts, age, before, tick, plan):
    """Counts a sample over the time between two edges, ages in samples, rounded down to the clock."""
    p = plan[0]
    ticks = np.floor(tick - age * p.tick_slope) - np.floor(tick - before * p.tick_slope)
    # no two edges in one tick: the hardware would have to divide by zero
    return counts * p.tick_slope / max(ticks, 1.0)


@inlined
def held_down(moved, age, plan):
    """Counts a sample of single counts, no more than the age of the last edge allows; 0 after one second."""
    held = 1.0 / max(age, 1e-300)
    return 0.0 if age > plan[0].rate else min(max(moved, -held), held)


@inlined
def timing_step(turn, whole, tick, angle, plan, bends, ring):
    """Velocity of timed edges in steady motion; ``tick`` is the fraction of the clock's tick at the sample."""
    # What passes the head is ahead of the motion by the error of the ring at ``angle``.
    p = plan[0]
    back = p.window * p.line_slope
    ahead, ahead_back = ring_at(angle, ring), ring_at(angle - back * p.per_turn, ring)
    newest = edge_before(turn + ahead, whole, p.direction, 0, plan, bends)
    older = newest
    if p.window > 0.0:
        older = edge_before(turn - back + ahead_back, whole, p.direction, 0, plan, bends)
    alone = older == newest
    older, ahead_back = (newest - p.direction, ahead) if alone else (older, ahead_back)
    gone = turn - (edge_place(newest, whole, p.direction, 0, plan, bends) - ahead)
    gone_before = turn - (edge_place(older, whole, p.direction, 0, plan, bends) - ahead_back)
    # the error of the ring was another where the edge was passed
    age = (gone + (ring_at(angle - gone * p.per_turn, ring) - ahead)) / p.line_slope
    before = (gone_before + (ring_at(angle - gone_before * p.per_turn, ring) - ahead_back)) / p.line_slope
    moved = timed_counts(newest - older, age, before, tick, plan)
    return (held_down(moved, age, plan) if alone else moved) / p.factor * p.scale


@compiled
def timing_block(plan, anchor, bends, ring, work):
    """Velocity of timed edges over a chunk."""
    p = plan[0]
    start = np.float64(np.int64(anchor.line)) * UNIT_64
    for i in range(CHUNK):
        turn = np.float64(np.int64(anchor.line + np.uint64(i) * p.line_step)) * UNIT_64
        whole = anchor.line_whole + np.int64(np.rint(start + np.float64(i) * p.line_slope - turn))
        tick = tick_of(anchor.chunk * CHUNK + i, p.tick_step)
        angle = np.float64(np.int64(anchor.ring + np.uint64(i) * p.ring_step)) * UNIT_64
        work[ESTIMATE + i] = timing_step(turn, whole, tick, angle, plan, bends, ring)
