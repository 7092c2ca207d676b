"""From the times of edges to velocity: period measurement and count-and-time, for a chunk and for lanes."""

from functools import cache

import numpy as np
from numba import from_dtype, types

from .chance import LOW_WORD, WORD_BITS, gaussian_pair, philox
from .compiling import announced
from .jit import address_of, called_at, compiled, inlined
from .maths import UNIT_64, cos_sin
from .records import ANCHOR, EDGE_CAUSE, PLAN
from .rows import (
    CHUNK,
    DIRECTION,
    DISPLACEMENT,
    DISPLACEMENT_WHOLE,
    EDGE_AGE,
    EDGE_AGE_BEFORE,
    EDGE_COUNT,
    EDGE_DIRECTION,
    EDGE_HISTORY,
    EDGE_HISTORY_ROWS,
    EDGE_PHASE,
    EDGE_STARTED,
    EDGE_WHOLE,
    EDGES,
    ESTIMATE,
    REVERSALS,
    RING_ANGLE,
    SAMPLE_PHASE,
    SAMPLE_STEP,
    SAMPLE_WHOLE,
)


@inlined
def between(turns, half, tables):
    """One of two periodic tables, one after the other, at a phase; the last entry of each repeats its first."""
    points = tables.size // 2
    place = (turns - np.floor(turns)) * np.float64(points - 1)
    j = min(np.int64(place), points - 2)
    here, after = tables[half * points + j], tables[half * points + j + 1]
    return here + (place - np.float64(j)) * (after - here)


@inlined
def ring_at(angle, ring):
    """Error of the ring at an angle, turns; in periods."""
    total = 0.0
    for line in range(0, ring.size, 3):
        c, s = cos_sin(ring[line] * angle)
        total += ring[line + 1] * c + ring[line + 2] * s
    return total


@inlined
def edge_place(number, whole, direction, reversals, plan, edge_table):
    """Phase at which an edge is passed, numbers counted from a whole period."""
    # Noise is bound to the edge, and drawn anew once the motion has ``turned``.
    p = plan[0]
    level = (number + p.bias - 0.5 + direction * (p.half_band - 0.5)) / p.factor
    place = level - between(level, 0, edge_table)
    if p.has_edge_noise:
        counter = np.uint64(whole * np.int64(p.factor) + np.int64(number))
        low, high = counter & LOW_WORD, counter >> WORD_BITS
        a, b, _, _ = philox(low, high, EDGE_CAUSE, np.uint64(reversals), p.key_low, p.key_high)
        place += between(level, 1, edge_table) * gaussian_pair(a, b)[0]
    return place


@compiled
def edge_places_block(number, whole, direction, reversals, plan, edge_table, out):
    """``edge_place`` of some edges."""
    for i in range(out.size):
        out[i] = edge_place(number[i], whole[i], direction[i], reversals[i], plan, edge_table)


@inlined
def edge_before(phase, whole, direction, reversals, plan, edge_table):
    """Number of the last edge passed at a phase."""
    p = plan[0]
    shown = phase + between(phase + between(phase, 0, edge_table), 0, edge_table)
    level = shown * p.factor - p.bias + 0.5 - direction * (p.half_band - 0.5)
    if direction > 0.0:
        number = np.floor(level) + 1.0
        while edge_place(number, whole, direction, reversals, plan, edge_table) > phase:
            number -= 1.0
    else:
        number = np.ceil(level) - 1.0
        while edge_place(number, whole, direction, reversals, plan, edge_table) < phase:
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
    ticks = np.floor(tick - age * p.timer_step) - np.floor(tick - before * p.timer_step)
    # no two edges in one tick: the hardware would have to divide by zero
    return counts * p.timer_step / max(ticks, 1.0)


@inlined
def held_down(moved, age, plan):
    """Counts a sample of single counts, no more than the age of the last edge allows; 0 after one second."""
    fastest = 1.0 / max(age, 1e-300)
    return 0.0 if age > plan[0].rate else min(max(moved, -fastest), fastest)


@inlined
def timing_step(phase, whole, tick, angle, plan, edge_table, ring):
    """Velocity of timed edges in steady motion; ``tick`` is the fraction of the clock's tick at the sample."""
    # What passes the head is ahead of the motion by the error of the ring at ``angle``.
    p = plan[0]
    back = p.window * p.sample_step
    ahead, ahead_back = ring_at(angle, ring), ring_at(angle - back * p.turns_per_period, ring)
    newest = edge_before(phase + ahead, whole, p.direction, 0, plan, edge_table)
    older = newest
    if p.window > 0.0:
        older = edge_before(phase - back + ahead_back, whole, p.direction, 0, plan, edge_table)
    alone = older == newest
    older, ahead_back = (newest - p.direction, ahead) if alone else (older, ahead_back)
    gone = phase - (edge_place(newest, whole, p.direction, 0, plan, edge_table) - ahead)
    gone_before = phase - (edge_place(older, whole, p.direction, 0, plan, edge_table) - ahead_back)
    # the error of the ring was another where the edge was passed
    age = (gone + (ring_at(angle - gone * p.turns_per_period, ring) - ahead)) / p.sample_step
    before = (
        gone_before + (ring_at(angle - gone_before * p.turns_per_period, ring) - ahead_back)
    ) / p.sample_step
    moved = timed_counts(newest - older, age, before, tick, plan)
    return (held_down(moved, age, plan) if alone else moved) / p.factor * p.scale


@compiled
def timing_block(plan, anchor, edge_table, ring, work):
    """Velocity of timed edges over a chunk."""
    p = plan[0]
    start = np.float64(np.int64(anchor.sample_phase)) * UNIT_64
    for i in range(CHUNK):
        phase = np.float64(np.int64(anchor.sample_phase + np.uint64(i) * p.sample_step_64)) * UNIT_64
        whole = anchor.sample_whole + np.int64(np.rint(start + np.float64(i) * p.sample_step - phase))
        tick = tick_of(anchor.chunk * CHUNK + i, p.timer_step_64)
        angle = np.float64(np.int64(anchor.ring + np.uint64(i) * p.ring_step_64)) * UNIT_64
        work[ESTIMATE * CHUNK + i] = timing_step(phase, whole, tick, angle, plan, edge_table, ring)


@inlined
def ahead_of(i, s, p, ring, w):
    """Periods by which the graduation of lane i is ahead of its shaft."""
    displacement = w[DISPLACEMENT_WHOLE * s + i] + w[DISPLACEMENT * s + i]
    return ring_at(w[RING_ANGLE * s + i] + displacement * p.turns_per_period, ring)


@inlined
def edges_start(i, s, plan, edge_table, ring, w, memory):
    """Edges of lane i as if it had moved steadily for ever."""
    p = plan[0]
    whole = w[SAMPLE_WHOLE * s + i] + w[DISPLACEMENT_WHOLE * s + i]
    phase, way = (
        w[SAMPLE_PHASE * s + i] + w[DISPLACEMENT * s + i] + ahead_of(i, s, p, ring, w),
        w[DIRECTION * s + i],
    )
    slope, along = w[SAMPLE_STEP * s + i], -1.0 if way < 0.0 else 1.0
    number = edge_before(phase, np.int64(whole), along, 0, plan, edge_table)
    memory[EDGE_STARTED * s + i] = 1.0
    memory[EDGE_COUNT * s + i] = whole * p.factor + number - (0.0 if along > 0.0 else 1.0)
    memory[EDGE_DIRECTION * s + i], memory[EDGE_WHOLE * s + i], memory[EDGE_PHASE * s + i] = way, whole, phase
    memory[EDGES * s + i], memory[EDGE_AGE * s + i], memory[EDGE_AGE_BEFORE * s + i] = 0.0, 1e300, 1e300
    if way != 0.0:
        memory[EDGES * s + i] = 2.0
        place = edge_place(number, np.int64(whole), way, 0, plan, edge_table)
        memory[EDGE_AGE * s + i] = (phase - place) / slope
        place = edge_place(number - way, np.int64(whole), way, 0, plan, edge_table)
        memory[EDGE_AGE_BEFORE * s + i] = (phase - place) / slope


@inlined
def edges_step(i, s, elapsed, steady, plan, edge_table, ring, w, memory):
    """Take the edges of lane i on by one sample; the phase between samples is taken as straight."""
    # Edges are passed where the count, held by the hysteresis, changes. After a reversal the first edge in the new
    # direction stands alone.
    p = plan[0]
    whole = w[SAMPLE_WHOLE * s + i] + w[DISPLACEMENT_WHOLE * s + i]
    phase = w[SAMPLE_PHASE * s + i] + w[DISPLACEMENT * s + i] + ahead_of(i, s, p, ring, w)
    move = (whole - memory[EDGE_WHOLE * s + i]) + (phase - memory[EDGE_PHASE * s + i])
    memory[EDGE_WHOLE * s + i], memory[EDGE_PHASE * s + i] = whole, phase
    memory[EDGE_AGE * s + i] += elapsed
    memory[EDGE_AGE_BEFORE * s + i] += elapsed
    if move == 0.0:
        return
    direction, way = 1.0 if move > 0.0 else -1.0, memory[EDGE_DIRECTION * s + i]
    reversals = memory[REVERSALS * s + i] + (1.0 if way * direction < 0.0 else 0.0)
    number = edge_before(phase, np.int64(whole), direction, np.int64(reversals), plan, edge_table)
    reached = whole * p.factor + number - (0.0 if direction > 0.0 else 1.0)
    edges = direction * (reached - memory[EDGE_COUNT * s + i])
    if edges <= 0.0:
        return
    if way != direction:
        memory[EDGES * s + i], memory[EDGE_DIRECTION * s + i], memory[REVERSALS * s + i] = (
            0.0,
            direction,
            reversals,
        )
    place = edge_place(number, np.int64(whole), direction, np.int64(reversals), plan, edge_table)
    # Noise of more than a count lets an edge be found samples after its place was passed: a steady motion says when.
    most = np.inf if steady and way == direction else 1.0
    memory[EDGE_AGE_BEFORE * s + i] = memory[EDGE_AGE * s + i]
    memory[EDGE_AGE * s + i] = elapsed * min(max((phase - place) / move, 0.0), most)
    if edges > 1.0:
        place = edge_place(
            number - direction, np.int64(whole), direction, np.int64(reversals), plan, edge_table
        )
        before = elapsed * min((phase - place) / move, most)
        memory[EDGE_AGE_BEFORE * s + i] = before if most > 1.0 else max(before, memory[EDGE_AGE * s + i])
    memory[EDGES * s + i] += edges
    memory[EDGE_COUNT * s + i] = reached


@inlined
def windowed_step(k, i, s, past, tick, plan, edge_table, memory):
    """Counts a sample since the last edge before the window, 0 where there is none."""
    # ``past`` is the window as samples back, the rest beyond the oldest of these, and the step before that
    p = plan[0]
    slots = (memory.size // s - EDGE_HISTORY) // EDGE_HISTORY_ROWS
    whole_back, rest, step = past
    b = (EDGE_HISTORY + (k - whole_back) % slots * EDGE_HISTORY_ROWS) * s + i
    a = (EDGE_HISTORY + (k - whole_back - 1) % slots * EDGE_HISTORY_ROWS) * s + i
    reversals, way = memory[REVERSALS * s + i], memory[EDGE_DIRECTION * s + i]
    count, before = memory[b], memory[b + s] + (p.window - rest)
    kept = memory[b + 2 * s] == reversals
    if rest > 0.0:
        count, before = memory[a], memory[a + s] + (p.window - rest + step)
        kept = memory[a + 2 * s] == reversals
        move = (memory[b + 3 * s] - memory[a + 3 * s]) + (memory[b + 4 * s] - memory[a + 4 * s])
        if kept and move * way > 0.0:
            phase, whole = memory[b + 4 * s] - rest / step * move, memory[b + 3 * s]
            number = edge_before(phase, np.int64(whole), way, np.int64(reversals), plan, edge_table)
            reached = whole * p.factor + number - (0.0 if way > 0.0 else 1.0)
            if way * (reached - count) > 0.0:
                place = edge_place(number, np.int64(whole), way, np.int64(reversals), plan, edge_table)
                count, before = reached, p.window + (phase - place) / move * step
    counts = memory[EDGE_COUNT * s + i] - count
    if not kept or counts == 0.0:
        return 0.0
    return timed_counts(counts, memory[EDGE_AGE * s + i], before, tick, plan)


@inlined
def even_past(p):
    """The window of timed edges in samples that are a period apart."""
    return np.int64(np.floor(p.window)), p.window - np.floor(p.window), 1.0


@compiled
def timed_block(n, s, k, elapsed, steady, back, rest, step, tick, plan, edge_table, ring, w, memory):
    """Velocity of timed edges minus that of the steady motion, periods a sample, lane by lane."""
    past = back, rest, step
    p = plan[0]
    slots = (memory.size // s - EDGE_HISTORY) // EDGE_HISTORY_ROWS
    for i in range(n):
        if memory[EDGE_STARTED * s + i] == 0.0:
            edges_start(i, s, plan[i : i + 1], edge_table, ring, w, memory)
        else:
            edges_step(i, s, elapsed, steady, plan[i : i + 1], edge_table, ring, w, memory)
        age, moved = memory[EDGE_AGE * s + i], 0.0
        if slots > 0:
            place = (EDGE_HISTORY + k % slots * EDGE_HISTORY_ROWS) * s + i
            memory[place], memory[place + s] = memory[EDGE_COUNT * s + i], age
            memory[place + 2 * s] = memory[REVERSALS * s + i]
            memory[place + 3 * s] = memory[EDGE_WHOLE * s + i]
            memory[place + 4 * s] = memory[EDGE_PHASE * s + i]
            moved = windowed_step(k, i, s, past, tick, plan[i : i + 1], edge_table, memory)
        if moved == 0.0 and memory[EDGES * s + i] >= 2.0:
            moved = timed_counts(
                memory[EDGE_DIRECTION * s + i], age, memory[EDGE_AGE_BEFORE * s + i], tick, plan
            )
            moved = held_down(moved, age, plan)
        w[ESTIMATE * s + i] = moved / p.factor - w[SAMPLE_STEP * s + i]


# Timed edges take a sixth of all machine code. They are compiled once, when an axis has them, and called by address.
_PLANS, _NUMBERS = from_dtype(PLAN)[::1], types.float64[::1]
_STEADY = types.void(_PLANS, from_dtype(ANCHOR), _NUMBERS, _NUMBERS, _NUMBERS)
_LANES = types.void(
    *(types.int64, types.int64, types.int64, types.float64, types.boolean, types.int64, types.float64),
    *(types.float64, types.float64, _PLANS, _NUMBERS, _NUMBERS, _NUMBERS, _NUMBERS),
)
call_timing_block, call_timed_block = called_at(_STEADY), called_at(_LANES)


@cache
def code_at(steady):
    """Address of ``timing_block`` (steady motion) or ``timed_block``, for ``edge_code`` of the plan."""
    with announced("the timing of edges"):
        return address_of(timing_block, _STEADY) if steady else address_of(timed_block, _LANES)
