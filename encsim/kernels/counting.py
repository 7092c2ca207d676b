"""From the fraction of a period to whole periods and counts: rounding, hysteresis, limited edges."""

import numpy as np

from .jit import compiled, inlined
from .records import CHUNK, PATH, SHOWN


@compiled
def whole_block(anchor_whole, at, whole, work):
    """Whole periods: those that bring what is shown nearest to the true phase."""
    out = whole[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = anchor_whole + np.int64(np.rint(work[PATH + i] - work[SHOWN + i]))


@compiled
def count_block(factor, bias, at, count, work):
    """Counts within the period."""
    out = count[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = np.floor(work[SHOWN + i] * factor + (0.5 - bias))


@compiled
def uncounted_block(at, count, work):
    """The fraction itself where there are no counts."""
    out = count[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = work[SHOWN + i]


@inlined
def hold_start(level, reach, direction):
    """Count that a motion in this direction has when it has run for long: it trails by the reach."""
    if direction > 0.0:
        return np.ceil(level - reach)
    return np.floor(level + reach) if direction < 0.0 else np.rint(level)


@inlined
def hold_step(level, reach):
    """Counts to move by, as few as needed, where the position is ``level`` counts from the count."""
    if level > reach:
        return np.ceil(level - reach)
    return np.floor(level + reach) if level < -reach else 0.0


@inlined
def edge_step(move, level, reach, elapsed, plan, state):
    """Edges that appear within one sample; updates ``behind`` and ``age`` of the state."""
    # ``level`` is the position against the old count wanted. Crossings are taken as evenly spaced between the old and
    # the new position, so edge m comes at the latest of: its crossing, m separations after the last edge, (m - f)
    # separations after the first new crossing f. Nothing is looped over.
    s, p = state[0], plan[0]
    behind, total, age = s.behind, s.behind + move, s.age + elapsed
    sign = 1.0 if total > 0.0 else -1.0
    due = abs(total)
    old = min(max(sign * behind, 0.0), due)
    edges = min(due, np.floor(age / p.separation))
    first = last = elapsed
    if due > old:
        cancelled = max(-sign * behind, 0.0)
        path = sign * (level - s.level)
        way = reach + cancelled - sign * s.level
        first = _crossing_age(way, path, elapsed, p.ticked)
        edges = min(edges, old + 1.0 + np.floor(first / p.separation))
        last = _crossing_age(way + max(edges - old - 1.0, 0.0), path, elapsed, p.ticked)
    if edges > 0.0:
        age -= edges * p.separation
        if edges > old:
            age = min(age, first - (edges - old - 1.0) * p.separation, last)
    s.behind = total - sign * edges
    s.age = age


@inlined
def _crossing_age(way, path, elapsed, ticked):
    """Time since the position had gone ``way`` of ``path``, whole ticks where there are ticks."""
    age = elapsed * (1.0 - min(max(way / path, 0.0), 1.0)) if path > 0.0 else 0.0
    return np.floor(age) if ticked else age


@inlined
def held_step(position, whole, elapsed, plan, direction, state):
    """Advance the held count by one sample; ``position`` is that within the whole period, counts less bias."""
    p, s = plan[0], state[0]
    if s.started < 2:
        s.started = 2
        s.whole, s.count = whole, hold_start(position, p.reach, direction)
        s.behind, s.age, s.level = 0.0, 1e18, position - s.count
    level = np.float64(whole - s.whole) * p.factor + position - s.count
    move = hold_step(level, p.reach)
    if p.sequential == 2:
        edge_step(move, level, p.reach, elapsed, plan, state)
    carry = np.floor((s.count + move) / p.factor)
    s.level = level - move
    s.count += move - carry * p.factor
    s.whole += np.int64(carry)


@compiled
def hold_block(plan, ticks, state, at, whole, count, work):
    """Counts with hysteresis or limited edges; ``whole`` comes in as the whole periods of the position."""
    p, s = plan[0], state[0]
    for i in range(CHUNK):
        elapsed = 1.0
        if p.ticked:
            elapsed = np.float64(ticks[i] - s.edge_tick)
            s.edge_tick = ticks[i]
        position = work[SHOWN + i] * p.factor - p.bias
        held_step(position, whole[at + i], elapsed, plan, p.direction, state)
        whole[at + i] = s.whole
        count[at + i] = s.count - s.behind


@compiled
def position_block(factor, pitch, at, number, whole, count, out, offset):
    """Shown position, position unit."""
    share = 1.0 / factor
    turns, counts, shown = whole[at : at + number], count[at : at + number], out[offset : offset + number]
    for i in range(number):
        shown[i] = (np.float64(turns[i]) + counts[i] * share) * pitch
