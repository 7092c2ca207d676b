"""From the fraction of a period to whole periods and counts: rounding, hysteresis, limited edges."""

import numpy as np

from .jit import inlined, inner, row_loop
from .records import FREE, LIMITED_EDGES
from .rows import CHUNK, COSINE, COUNT, PATH, SHOWN, SINE, at, elapsed_to
from .signals import set_shown


@row_loop
def set_counts(n, s, p, counts, place, w):
    """Counts within the period; the fraction itself where there are no counts."""
    if p.has_counts:
        for i in range(n):
            counts[at(place, i)] = np.floor(w[SHOWN * s + i] * p.factor + (0.5 - p.bias))
    else:
        for i in range(n):
            counts[at(place, i)] = w[SHOWN * s + i]


@inlined
def hold_start(level, half_band, direction):
    """Count that a motion in this direction has when it has run for long: it trails by half the dead band."""
    if direction > 0.0:
        return np.ceil(level - half_band)
    return np.floor(level + half_band) if direction < 0.0 else np.rint(level)


@inlined
def hold_step(level, half_band):
    """Counts to move by, as few as needed, where the position is ``level`` counts from the count."""
    if level > half_band:
        return np.ceil(level - half_band)
    return np.floor(level + half_band) if level < -half_band else 0.0


@inlined
def edge_step(move, level, half_band, elapsed, plan, state):
    """Edges that appear within one sample; updates ``pending`` and ``edge_age`` of the state."""
    # ``level`` is the position minus the old count to be shown. Crossings are taken as evenly spaced between the old
    # and the new position, so edge m comes at the latest of: its crossing, m separations after the last edge, (m - f)
    # separations after the first new crossing f. No loop is needed.
    s, p = state[0], plan[0]
    pending, total, age = s.pending, s.pending + move, s.edge_age + elapsed
    sign = 1.0 if total > 0.0 else -1.0
    due = abs(total)
    old = min(max(sign * pending, 0.0), due)
    edges = min(due, np.floor(age / p.separation))
    first = last = elapsed
    if due > old:
        cancelled = max(-sign * pending, 0.0)
        path = sign * (level - s.level)
        way = half_band + cancelled - sign * s.level
        first = _crossing_age(way, path, elapsed, p.has_clock)
        edges = min(edges, old + 1.0 + np.floor(first / p.separation))
        last = _crossing_age(way + max(edges - old - 1.0, 0.0), path, elapsed, p.has_clock)
    if edges > 0.0:
        age -= edges * p.separation
        if edges > old:
            age = min(age, first - (edges - old - 1.0) * p.separation, last)
    s.pending = total - sign * edges
    s.edge_age = age


@inlined
def _crossing_age(way, path, elapsed, has_clock):
    """Time since the position had gone ``way`` of ``path``, whole ticks where there are ticks."""
    age = elapsed * (1.0 - min(max(way / path, 0.0), 1.0)) if path > 0.0 else 0.0
    return np.floor(age) if has_clock else age


@inlined
def held_step(position, whole, elapsed, plan, direction, state):
    """Advance the held count by one sample; ``position`` is that within the whole period, counts minus bias."""
    p, s = plan[0], state[0]
    if s.started < 2:
        s.started = 2
        s.whole, s.count = whole, hold_start(position, p.half_band, direction)
        s.pending, s.edge_age, s.level = 0.0, 1e18, position - s.count
    level = np.float64(whole - s.whole) * p.factor + position - s.count
    move = hold_step(level, p.half_band)
    if p.hold == LIMITED_EDGES:
        edge_step(move, level, p.half_band, elapsed, plan, state)
    carry = np.floor((s.count + move) / p.factor)
    s.level = level - move
    s.count += move - carry * p.factor
    s.whole += np.int64(carry)


@inlined
def counted_row(n, s, first, end, k, kk, plan, e, state, parts, w):
    """Whole periods and counts that are shown."""
    p, place = plan[0], k & e.shown_mask
    set_shown(n, s, w)
    set_counts(n, s, p, w, COUNT * s, w)
    if p.hold != FREE or e.faults > 0:
        for i in range(first, end):
            counter_step(i, s, k, kk, plan, e, state, parts, w)
    else:
        for i in range(n):
            w[PATH * s + i] = np.rint(w[PATH * s + i] - w[SHOWN * s + i])
        for i in range(n):
            parts.base[i] += np.int64(w[PATH * s + i])
    if n == 1:
        parts.shown[place], parts.count[place] = parts.base[0], w[COUNT]
        return
    shown, count = parts.shown[place + first : place + end], parts.count[place + first : place + end]
    for i in range(shown.size):
        shown[i] = parts.base[at(first, i)]
    for i in range(count.size):
        count[i] = w[at(COUNT * s + first, i)]


@inlined
def counter_step(i, s, k, kk, plan, e, state, parts, w):
    """Counts of one sample with hysteresis, limited edges or faults on purpose."""
    p, elapsed = plan[0], elapsed_to(k + i, s, e, parts)
    whole = parts.base[i] + np.int64(np.rint(w[PATH * s + i] - w[SHOWN * s + i])) + e.missed
    if p.has_clock:
        elapsed = np.float64(parts.tick[kk + i] - state[0].edge_tick)
        state[0].edge_tick = parts.tick[kk + i]
    if e.faults > 0:
        cosine, sine = w[COSINE * s + i] * e.channel_share, w[SINE * s + i] * e.channel_share
        before, weak = (k + i - 1) & e.shown_mask, cosine * cosine + sine * sine < e.weakest * e.weakest
        if weak:
            e.weak, whole, w[COUNT * s + i] = 1, parts.shown[before], parts.count[before]
        elif e.weak:
            # the counter goes on with the next phase that fits the one at which it stopped
            rest = parts.count[before] / p.factor - w[SHOWN * s + i]
            missed = np.int64(np.rint(np.float64(parts.shown[before] - whole) + rest))
            e.weak, e.missed, whole = 0, e.missed + missed, whole + missed
            e.lost += np.int64(abs(missed) * p.factor)
    parts.base[i] = whole
    if p.hold != FREE and not e.weak:
        held_step(w[SHOWN * s + i] * p.factor - p.bias, whole, elapsed, plan, e.direction, state)
        parts.base[i], w[COUNT * s + i] = state[0].whole, state[0].count - state[0].pending
    here = (k + i) & e.shown_mask
    parts.shown[here], parts.count[here] = parts.base[i], w[COUNT * s + i]


@inner
def whole_block(anchor_whole, at, whole, work):
    """Whole periods of a chunk: those that bring what is shown nearest to the true phase."""
    out = whole[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = anchor_whole + np.int64(np.rint(work[PATH * CHUNK + i] - work[SHOWN * CHUNK + i]))


@inner
def count_block(plan, at, count, work):
    """``set_counts`` for a chunk."""
    set_counts(CHUNK, CHUNK, plan[0], count, at, work)


@inner
def hold_block(plan, ticks, state, at, history, work):
    """Counts of a chunk with hysteresis or limited edges; the history holds the whole periods of the position."""
    p, s = plan[0], state[0]
    whole, count = history
    for i in range(CHUNK):
        elapsed = 1.0
        if p.has_clock:
            elapsed = np.float64(ticks[i] - s.edge_tick)
            s.edge_tick = ticks[i]
        position = work[SHOWN * CHUNK + i] * p.factor - p.bias
        held_step(position, whole[at + i], elapsed, plan, p.direction, state)
        whole[at + i] = s.whole
        count[at + i] = s.count - s.pending


@inner
def position_block(plan, at, number, history, out, offset):
    """Shown position of ``number`` samples of the history from ``at`` on, position unit."""
    share, pitch = 1.0 / plan[0].factor, plan[0].pitch
    wholes, counts = history.whole[at : at + number], history.count[at : at + number]
    shown = out[offset : offset + number]
    for i in range(number):
        shown[i] = (np.float64(wholes[i]) + counts[i] * share) * pitch
