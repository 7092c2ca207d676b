"""Closed loop, all lanes: from both channels to counts, position error and velocity."""

import numpy as np

from .counting import held_step
from .edge_timing import edge_before, edge_place, held_down, ring_at, tick_of, timed_counts
from .estimators import parabola_start, parabola_step, section_step, sections_start
from .jit import inlined
from .loop_rows import (
    AWAY_,
    AWAY_WHOLE_,
    COSINE_,
    COUNT_,
    DIRECTION_,
    ERROR_,
    ESTIMATE_,
    LINE_,
    LINE_SLOPE_,
    LINE_WHOLE_,
    PATH_,
    PERIODS_,
    RING_,
    SHOWN_,
    SINE_,
    T_AGE,
    T_COUNT,
    T_EDGES,
    T_KEPT,
    T_OLD,
    T_RING,
    T_STARTED,
    T_TURN,
    T_TURNED,
    T_WAY,
    T_WHOLE,
    WHOLE_,
    at,
    ring_place,
)
from .maths import turns_of
from .records import DIFFERENCE, PARABOLA, SECTIONS, TAPS


@inlined
def counted_lanes(n, s, p, w):
    """Whole periods and counts that are shown, from the channels."""
    for i in range(n):
        w[SHOWN_ * s + i] = turns_of(w[SINE_ * s + i], w[COSINE_ * s + i])
    for i in range(n):
        passed = np.rint((w[PATH_ * s + i] + w[AWAY_ * s + i]) - w[SHOWN_ * s + i])
        w[PERIODS_ * s + i] = w[WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i] + passed
    if p.counted:
        for i in range(n):
            w[COUNT_ * s + i] = np.floor(w[SHOWN_ * s + i] * p.factor + (0.5 - p.bias))
    else:
        for i in range(n):
            w[COUNT_ * s + i] = w[SHOWN_ * s + i]


@inlined
def held_lanes(n, s, elapsed, plan, state, w):
    """Hysteresis and limited edges, lane by lane."""
    p = plan[0]
    for i in range(n):
        position = w[SHOWN_ * s + i] * p.factor - p.bias
        held_step(
            position, np.int64(w[PERIODS_ * s + i]), elapsed, plan, w[DIRECTION_ * s + i], state[i : i + 1]
        )
        w[PERIODS_ * s + i] = np.float64(state[i].whole)
        w[COUNT_ * s + i] = state[i].count - state[i].behind


@inlined
def error_lanes(n, s, k, p, w, deviation):
    """Position shown less that of the steady motion, periods, and its ring."""
    share = 1.0 / p.factor
    place = ring_place(k, deviation, s)
    for i in range(n):
        error = (w[PERIODS_ * s + i] - w[LINE_WHOLE_ * s + i]) + (
            w[COUNT_ * s + i] * share - w[LINE_ * s + i]
        )
        w[ERROR_ * s + i] = error
        deviation[at(place, i)] = error


@inlined
def estimate_lanes(n, s, k, p, numbers, w, memory, deviation):
    """Velocity less that of the steady motion, periods a sample."""
    if p.estimator == DIFFERENCE:
        old = ring_place(k - p.span, deviation, s)
        share = 1.0 / p.span
        for i in range(n):
            w[ESTIMATE_ * s + i] = (w[ERROR_ * s + i] - deviation[at(old, i)]) * share
    elif p.estimator == TAPS:
        for i in range(n):
            w[ESTIMATE_ * s + i] = 0.0
        for m in range(numbers.size // 2):
            old, weight = ring_place(k - np.int64(numbers[2 * m]), deviation, s), numbers[2 * m + 1]
            for i in range(n):
                w[ESTIMATE_ * s + i] += weight * deviation[at(old, i)]
    elif p.estimator == PARABOLA:
        m = k % p.span
        if m == 0:
            for i in range(n):
                parabola_start(k, p.span, deviation, memory, i, s)
        for i in range(n):
            w[ESTIMATE_ * s + i] = parabola_step(m, p.span, w[ERROR_ * s + i], numbers, memory, i, s)
    elif p.estimator == SECTIONS:
        if memory[0] == 0.0:
            for i in range(n):
                sections_start(w[ERROR_ * s + i], numbers, memory, i, s)
        for i in range(n):
            w[ESTIMATE_ * s + i] = w[ERROR_ * s + i]
        for m in range(numbers.size // 5):
            for i in range(n):
                w[ESTIMATE_ * s + i] = section_step(w[ESTIMATE_ * s + i], m, numbers, memory, i, s)


@inlined
def ahead_of(i, s, p, ring, w):
    """Periods by which the graduation of lane i is ahead of its shaft."""
    away = w[AWAY_WHOLE_ * s + i] + w[AWAY_ * s + i]
    return ring_at(w[RING_ * s + i] + away * p.per_turn, ring)


@inlined
def edges_step(k, i, s, plan, bends, ring, w, memory):
    """Take the edges of lane i on by one sample; the phase between samples is taken as straight."""
    # Edges are passed where the count, held by the hysteresis, changes. After a reversal the first edge in the new
    # direction stands alone.
    p = plan[0]
    whole = w[LINE_WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i]
    turn = w[LINE_ * s + i] + w[AWAY_ * s + i] + ahead_of(i, s, p, ring, w)
    move = (whole - memory[T_WHOLE * s + i]) + (turn - memory[T_TURN * s + i])
    memory[T_WHOLE * s + i], memory[T_TURN * s + i] = whole, turn
    memory[T_AGE * s + i] += 1.0
    memory[T_OLD * s + i] += 1.0
    if move == 0.0:
        return
    direction, way = 1.0 if move > 0.0 else -1.0, memory[T_WAY * s + i]
    turned = memory[T_TURNED * s + i] + (1.0 if way * direction < 0.0 else 0.0)
    number = edge_before(turn, np.int64(whole), direction, np.int64(turned), plan, bends)
    reached = whole * p.factor + number - (0.0 if direction > 0.0 else 1.0)
    edges = direction * (reached - memory[T_COUNT * s + i])
    if edges <= 0.0:
        return
    if way != direction:
        memory[T_EDGES * s + i], memory[T_WAY * s + i], memory[T_TURNED * s + i] = 0.0, direction, turned
    place = edge_place(number, np.int64(whole), direction, np.int64(turned), plan, bends)
    memory[T_OLD * s + i] = memory[T_AGE * s + i]
    memory[T_AGE * s + i] = min(max((turn - place) / move, 0.0), 1.0)
    if edges > 1.0:
        place = edge_place(number - direction, np.int64(whole), direction, np.int64(turned), plan, bends)
        memory[T_OLD * s + i] = min(max((turn - place) / move, memory[T_AGE * s + i]), 1.0)
    memory[T_EDGES * s + i] += edges
    memory[T_COUNT * s + i] = reached


@inlined
def edges_start(i, s, plan, bends, ring, w, memory):
    """Edges of lane i as if it had moved steadily for ever."""
    p = plan[0]
    whole = w[LINE_WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i]
    turn, way = w[LINE_ * s + i] + w[AWAY_ * s + i] + ahead_of(i, s, p, ring, w), w[DIRECTION_ * s + i]
    slope, along = w[LINE_SLOPE_ * s + i], -1.0 if way < 0.0 else 1.0
    number = edge_before(turn, np.int64(whole), along, 0, plan, bends)
    memory[T_STARTED * s + i] = 1.0
    memory[T_COUNT * s + i] = whole * p.factor + number - (0.0 if along > 0.0 else 1.0)
    memory[T_WAY * s + i], memory[T_WHOLE * s + i], memory[T_TURN * s + i] = way, whole, turn
    memory[T_EDGES * s + i], memory[T_AGE * s + i], memory[T_OLD * s + i] = 0.0, 1e300, 1e300
    if way != 0.0:
        memory[T_EDGES * s + i] = 2.0
        place = edge_place(number, np.int64(whole), way, 0, plan, bends)
        memory[T_AGE * s + i] = (turn - place) / slope
        place = edge_place(number - way, np.int64(whole), way, 0, plan, bends)
        memory[T_OLD * s + i] = (turn - place) / slope


@inlined
def windowed_step(k, i, s, tick, plan, bends, memory):
    """Counts a sample since the last edge before the window, 0 where there is none."""
    p = plan[0]
    slots = (memory.size // s - T_RING) // T_KEPT
    whole_back = np.int64(np.floor(p.window))
    rest = p.window - np.floor(p.window)
    b = (T_RING + (k - whole_back) % slots * T_KEPT) * s + i
    a = (T_RING + (k - whole_back - 1) % slots * T_KEPT) * s + i
    turned, way = memory[T_TURNED * s + i], memory[T_WAY * s + i]
    count, before = memory[b], memory[b + s] + np.float64(whole_back)
    kept = memory[b + 2 * s] == turned
    if rest > 0.0:
        count, before = memory[a], memory[a + s] + np.float64(whole_back + 1)
        kept = memory[a + 2 * s] == turned
        move = (memory[b + 3 * s] - memory[a + 3 * s]) + (memory[b + 4 * s] - memory[a + 4 * s])
        if kept and move * way > 0.0:
            turn, whole = memory[b + 4 * s] - rest * move, memory[b + 3 * s]
            number = edge_before(turn, np.int64(whole), way, np.int64(turned), plan, bends)
            reached = whole * p.factor + number - (0.0 if way > 0.0 else 1.0)
            if way * (reached - count) > 0.0:
                place = edge_place(number, np.int64(whole), way, np.int64(turned), plan, bends)
                count, before = reached, p.window + (turn - place) / move
    counts = memory[T_COUNT * s + i] - count
    if not kept or counts == 0.0:
        return 0.0
    return timed_counts(counts, memory[T_AGE * s + i], before, tick, plan)


@inlined
def timed_lanes(n, s, k, plan, bends, ring, w, memory):
    """Velocity of timed edges less that of the steady motion, periods a sample, lane by lane."""
    p = plan[0]
    tick = tick_of(k, p.tick_step)
    slots = (memory.size // s - T_RING) // T_KEPT
    for i in range(n):
        if memory[T_STARTED * s + i] == 0.0:
            edges_start(i, s, plan[i : i + 1], bends, ring, w, memory)
        else:
            edges_step(k, i, s, plan[i : i + 1], bends, ring, w, memory)
        age, moved = memory[T_AGE * s + i], 0.0
        if slots > 0:
            place = (T_RING + k % slots * T_KEPT) * s + i
            memory[place], memory[place + s] = memory[T_COUNT * s + i], age
            memory[place + 2 * s] = memory[T_TURNED * s + i]
            memory[place + 3 * s] = memory[T_WHOLE * s + i]
            memory[place + 4 * s] = memory[T_TURN * s + i]
            moved = windowed_step(k, i, s, tick, plan[i : i + 1], bends, memory)
        if moved == 0.0 and memory[T_EDGES * s + i] >= 2.0:
            moved = timed_counts(memory[T_WAY * s + i], age, memory[T_OLD * s + i], tick, plan)
            moved = held_down(moved, age, plan)
        w[ESTIMATE_ * s + i] = moved / p.factor - w[LINE_SLOPE_ * s + i]
