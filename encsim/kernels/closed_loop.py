"""The closed loop: one sample after the other, sense then act, for one speed or for many."""

import numpy as np

from .jit import compiled, inlined
from .loop_chance import draws_block
from .loop_motion import advance_lanes, cogging_lanes, control_lanes, drift_lanes, move_lanes
from .loop_rows import (
    ALONE,
    BOUND_,
    COUNT_,
    CURVE_,
    CURVES,
    DRAWN,
    ESTIMATE_,
    FIRST_,
    HOLDING_,
    LINE_,
    LINE_SLOPE_,
    LINE_WHOLE_,
    PERIODS_,
    READ_,
    SPEED_,
    SQUARE_,
    STATE_,
    STOP_,
    TORQUE_,
    TOTAL_,
    WIDTH,
    give_rows,
    held_rows,
    lent,
    lent_chunk,
    lent_lanes,
    lent_tables,
)
from .loop_signals import (
    aged_lanes,
    away_lanes,
    channels_lanes,
    collected_lanes,
    converted_lanes,
    keep_lanes,
    moved_lanes,
    noisy_lanes,
    place_lanes,
    ringed_lanes,
    sum_lines_lanes,
)
from .loop_velocity import counted_lanes, error_lanes, estimate_lanes, held_lanes, timed_lanes
from .records import TIMING


@inlined
def curves_lanes(n, s, p, c, w):
    """The four curves as deviations, SI."""
    for i in range(n):
        w[CURVE_ * s + i] = p.scale * w[ESTIMATE_ * s + i]
        w[(CURVE_ + 1) * s + i] = w[TORQUE_ * s + i]
    for i in range(n):
        position, velocity = w[STATE_ * s + i], w[(STATE_ + 1) * s + i]
        if c.flexible:
            position += w[(STATE_ + 2) * s + i]
            velocity += w[(STATE_ + 3) * s + i]
        w[(CURVE_ + 2) * s + i] = velocity
        w[(CURVE_ + 3) * s + i] = position


@inlined
def summed_lanes(n, s, k, c, w):
    """Sums and squares of the curves about their first settled value, and the sample at which a lane stops."""
    for i in range(n):
        runaway = not (abs(w[(CURVE_ + 2) * s + i]) <= w[BOUND_ * s + i])
        w[STOP_ * s + i] = min(w[STOP_ * s + i], np.float64(k)) if runaway else w[STOP_ * s + i]
    if k < c.settle:
        return
    for m in range(CURVES):
        if k == c.settle:
            for i in range(n):
                w[(FIRST_ + m) * s + i] = w[(CURVE_ + m) * s + i]
        for i in range(n):
            value = w[(CURVE_ + m) * s + i] - w[(FIRST_ + m) * s + i]
            value = value if w[STOP_ * s + i] == np.inf else 0.0
            w[(TOTAL_ + m) * s + i] += value
            w[(SQUARE_ + m) * s + i] += value * value


@inlined
def sense_lanes(n, s, k, kk, plan, c, tables, lanes, chunk, state, loop):
    """Everything from the true position to the velocity estimate; returns how many readings were clipped."""
    p, w = plan[0], lanes[0]
    gaps, sde, ring, numbers, bends = tables[0]
    terms, memory, deviation, past = lanes[2]
    draws, ages, ticks = chunk[0]
    clipped = 0
    if c.aged:
        keep_lanes(n, s, k, c, w, past)
    else:
        away_lanes(n, s, c, w)
    moved_lanes(n, s, kk, p, c, w, draws)
    for reading in range(p.readings):
        if c.aged:
            aged_lanes(n, s, k, ages[kk] + reading / p.readings, c, w, past)
        place_lanes(n, s, reading, w)
        if ring.shape[0] > 0:
            ringed_lanes(n, s, reading, ring, p, w)
        if sde.shape[0] > 0:
            sum_lines_lanes(n, s, sde, READ_, 1.0 / p.readings, w)
        channels_lanes(n, s, p, gaps, terms, w)
        if p.noise > 0.0:
            noisy_lanes(n, s, kk, reading, p, w, draws)
        if p.converter:
            clipped += converted_lanes(n, s, p, w)
        if p.readings > 1:
            collected_lanes(n, s, reading, w)
    if c.aged and p.readings > 1:
        aged_lanes(n, s, k, ages[kk] + 0.5 * (p.readings - 1) / p.readings, c, w, past)
    counted_lanes(n, s, p, w)
    if p.sequential:
        elapsed = 1.0
        if p.ticked:
            elapsed = np.float64(ticks[kk] - loop[0].edge_tick)
            loop[0].edge_tick = ticks[kk]
        held_lanes(n, s, elapsed, plan, state, w)
    error_lanes(n, s, k, p, w, deviation)
    if p.estimator == TIMING:
        timed_lanes(n, s, k, plan, bends, ring, w, memory)
    else:
        estimate_lanes(n, s, k, p, numbers, w, memory, deviation)
    return clipped


@inlined
def act_lanes(n, s, k, kk, plan, c, tables, lanes, chunk):
    """Controller and plant; the curves of this sample are those before the plant moves."""
    p, w = plan[0], lanes[0]
    body, cogs = tables[1]
    filters, held, commands = lanes[3]
    demand, follow = chunk[1]
    for m in range(follow.shape[0]):
        for i in range(n):
            filters[m * s + i] = follow[m, kk]
    control_lanes(n, s, p, c, demand, kk, w, filters, held)
    curves_lanes(n, s, p, c, w)
    summed_lanes(n, s, k, c, w)
    if cogs.size:
        cogging_lanes(n, s, c, cogs, w)
    drift_lanes(n, s, k, c, body, cogs, w, commands)
    move_lanes(n, s, c, body, w)


@inlined
def write_step(s, k, p, c, w, out):
    """Samples of one run."""
    out[0, k] = (w[PERIODS_ * s] + w[COUNT_ * s] * (1.0 / p.factor)) * p.pitch
    turns = w[LINE_WHOLE_ * s] + w[LINE_ * s] + c.late * w[LINE_SLOPE_ * s]
    out[1, k] = turns * p.pitch + w[(CURVE_ + 3) * s]
    out[2, k] = w[SPEED_ * s] + w[(CURVE_ + 2) * s]
    out[3, k] = w[SPEED_ * s] + w[CURVE_ * s]
    out[4, k] = w[HOLDING_ * s] + w[(CURVE_ + 1) * s]


@inlined
def loop_steps(n, s, first, begin, end, last, plan, loop, tables, lanes, chunk, state, out):
    """Samples ``begin`` to ``end`` of the chunk that starts at sample ``first`` and goes on to ``last``."""
    # The loop is closed from sample 0 on.
    plan, loop, state, out = lent(plan), lent(loop), lent(state), lent(out)
    tables, lanes, chunk = lent_tables(tables), lent_lanes(lanes), lent_chunk(chunk)
    p, c = plan[0], loop[0]
    w, q, ticks, ring = lanes[0], lanes[1], chunk[0][2], tables[0][2]
    clipped = 0
    for kk in range(begin, end):
        k = first + kk
        clipped += sense_lanes(n, s, k, kk, plan, c, tables, lanes, chunk, state, loop)
        if k >= 0:
            act_lanes(n, s, k, kk, plan, c, tables, lanes, chunk)
            if out.size:
                write_step(s, k, p, c, w, out)
                if w[STOP_ * s] < np.inf:
                    break
        if kk + 1 < last:
            advance_lanes(n, s, ticks[kk + 1] - ticks[kk] if p.ticked else 1, ring, p, w, q)
    return clipped


@compiled
def single_loop_block(first, begin, end, plan, loop, tables, lanes, chunk, state, out):
    """``loop_steps`` for one speed."""
    # ``tables`` is ((gaps, sde, ring, numbers, bends), (body, cogs)), ``lanes`` (w, q, (terms, memory, deviation,
    # past), (filters, held, commands)), ``chunk`` ((draws, ages, ticks), (demand, follow)).
    w, q, sensing, acting = lanes
    rows = held_rows(w)
    lanes = rows, q, sensing, acting
    clipped = loop_steps(1, ALONE, first, begin, end, end, plan, loop, tables, lanes, chunk, state, out)
    give_rows(rows, w)
    return clipped


@compiled
def many_loops_block(first, begin, end, plan, loop, tables, lanes, chunk, state, number):
    """``loop_steps`` for many speeds side by side, which draws its chance itself."""
    n, s, w, q = number, WIDTH, lanes[0], lanes[1]
    draws, _, ticks = chunk[0]
    out, clipped = w[:0].reshape((1, 0)), 0
    for block in range(begin // DRAWN * DRAWN, end, DRAWN):
        draws_block(n, s, first + block, plan, loop, ticks[block:], w, q, w, draws)
        span = max(begin, block), min(end, block + DRAWN)
        clipped += loop_steps(
            n, s, first, span[0], span[1], end, plan, loop, tables, lanes, chunk, state, out
        )
    return clipped
