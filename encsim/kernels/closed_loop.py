"""The closed loop: one sample after the other, sense then act, for one speed or for many."""

import numpy as np

from .chance import draws_block, noise_place
from .edge_timing import call_timed_block, even_past, tick_of
from .jit import compiled, inlined
from .loop_dynamics import advance_lanes, cogging_lanes, control_lanes, drift_lanes, move_lanes
from .loop_sensing import (
    aged_lanes,
    counted_lanes,
    displaced_lanes,
    error_lanes,
    estimate_lanes,
    held_lanes,
    keep_lanes,
    moved_lanes,
    read_lanes,
    ringed_lanes,
)
from .records import FREE, TIMING, Steps
from .rows import (
    COSINE,
    COUNT,
    CURVE,
    CURVES,
    DIRECTION,
    DISPLACEMENT,
    DISPLACEMENT_WHOLE,
    DRAWN,
    ESTIMATE,
    FIRST_VALUE,
    HOLDING_TORQUE,
    PERIODS,
    PLANT_STATE,
    READ,
    RING_ANGLE,
    RUNAWAY_BOUND,
    SAMPLE_PHASE,
    SAMPLE_STEP,
    SAMPLE_WHOLE,
    SINE,
    SINGLE,
    SPEED,
    STOP,
    SUM,
    SUM_OF_SQUARES,
    TORQUE,
    WIDTH,
    rows_on_stack,
    rows_to_memory,
)
from .signals import add_lines, add_reading, add_scaled, convert, set_channels


@inlined
def curves_lanes(n, s, p, c, w):
    """The four curves as deviations, SI."""
    for i in range(n):
        w[CURVE * s + i] = p.scale * w[ESTIMATE * s + i]
        w[(CURVE + 1) * s + i] = w[TORQUE * s + i]
    for i in range(n):
        position, velocity = w[PLANT_STATE * s + i], w[(PLANT_STATE + 1) * s + i]
        if c.flexible:
            position += w[(PLANT_STATE + 2) * s + i]
            velocity += w[(PLANT_STATE + 3) * s + i]
        w[(CURVE + 2) * s + i] = velocity
        w[(CURVE + 3) * s + i] = position


@inlined
def summed_lanes(n, s, k, c, w):
    """Sums and squares of the curves about their first settled value, and the sample at which a lane stops."""
    for i in range(n):
        runaway = not (abs(w[(CURVE + 2) * s + i]) <= w[RUNAWAY_BOUND * s + i])
        w[STOP * s + i] = min(w[STOP * s + i], np.float64(k)) if runaway else w[STOP * s + i]
    if k < c.settle:
        return
    for m in range(CURVES):
        if k == c.settle:
            for i in range(n):
                w[(FIRST_VALUE + m) * s + i] = w[(CURVE + m) * s + i]
        for i in range(n):
            value = w[(CURVE + m) * s + i] - w[(FIRST_VALUE + m) * s + i]
            value = value if w[STOP * s + i] == np.inf else 0.0
            w[(SUM + m) * s + i] += value
            w[(SUM_OF_SQUARES + m) * s + i] += value * value


@inlined
def sense_lanes(n, s, k, kk, plan, loop, tables, w, lanes, chunk, state):
    """Everything from the true position to the velocity estimate; returns how many readings were clipped."""
    p, c = plan[0], loop[0]
    clipped = 0
    if c.has_reading_age:
        keep_lanes(n, s, k, c, w, lanes.motion)
    else:
        displaced_lanes(n, s, c, w)
    moved_lanes(n, s, kk, p, c, w, chunk.draws)
    for reading in range(p.readings):
        if c.has_reading_age:
            aged_lanes(n, s, k, chunk.ages[kk] + reading / p.readings, c, w, lanes.motion)
        read_lanes(n, s, reading, w)
        if tables.ring.size > 0:
            ringed_lanes(n, s, reading, tables.ring, p, w)
        if tables.sde.size > 0:
            add_lines(n, s, tables.sde, READ, 1.0 / p.readings, w)
        set_channels(n, s, p, tables.order_steps, lanes.terms, s, w)
        if p.noise > 0.0:
            place = noise_place(n, s, kk, reading, p)
            add_scaled(n, s, COSINE, p.noise, chunk.draws, place, w)
            add_scaled(n, s, SINE, p.noise, chunk.draws, place + s, w)
        if p.converter:
            clipped += convert(n, s, 0, n, p, w)
        if p.readings > 1:
            add_reading(n, s, reading, w)
    if c.has_reading_age and p.readings > 1:
        middle = 0.5 * (p.readings - 1) / p.readings
        aged_lanes(n, s, k, chunk.ages[kk] + middle, c, w, lanes.motion)
    counted_lanes(n, s, p, w)
    if p.hold != FREE:
        elapsed = 1.0
        if p.has_clock:
            elapsed = np.float64(chunk.ticks[kk] - loop[0].edge_tick)
            loop[0].edge_tick = chunk.ticks[kk]
        held_lanes(n, s, elapsed, plan, state, w)
    error_lanes(n, s, k, p, w, lanes.deviation)
    if p.estimator == TIMING:
        timed_lanes(n, s, k, plan, tables, w, lanes)
    else:
        estimate_lanes(n, s, k, p, tables.numbers, w, lanes.memory, lanes.deviation)
    return clipped


@inlined
def timed_lanes(n, s, k, plan, tables, w, lanes):
    """Velocity of timed edges."""
    p = plan[0]
    (back, rest, step), tick, code = even_past(p), tick_of(k, p.timer_step_64), p.edge_code
    given = plan, tables.edge_table, tables.ring
    if s > SINGLE:
        call_timed_block(code, n, s, k, 1.0, False, back, rest, step, tick, *given, w, lanes.memory)
        return
    # the rows of one lane would not stay in registers if other code could reach them
    t = lanes.timing
    t[SAMPLE_WHOLE], t[SAMPLE_PHASE], t[SAMPLE_STEP] = w[SAMPLE_WHOLE], w[SAMPLE_PHASE], w[SAMPLE_STEP]
    t[DISPLACEMENT], t[DISPLACEMENT_WHOLE] = w[DISPLACEMENT], w[DISPLACEMENT_WHOLE]
    t[DIRECTION], t[RING_ANGLE] = w[DIRECTION], w[RING_ANGLE]
    call_timed_block(code, 1, 1, k, 1.0, False, back, rest, step, tick, *given, t, lanes.memory)
    w[ESTIMATE] = t[ESTIMATE]


@inlined
def act_lanes(n, s, k, kk, plan, loop, tables, w, lanes, chunk):
    """Controller and plant; the curves of this sample are those before the plant moves."""
    p, c = plan[0], loop[0]
    for m in range(chunk.filters.shape[0]):
        for i in range(n):
            lanes.filters[m * s + i] = chunk.filters[m, kk]
    control_lanes(n, s, p, c, chunk.demand, kk, w, lanes.filters, lanes.filter_states)
    curves_lanes(n, s, p, c, w)
    summed_lanes(n, s, k, c, w)
    if tables.cogging.size:
        cogging_lanes(n, s, c, tables.cogging, w)
    drift_lanes(n, s, k, c, tables.plant, tables.cogging, w, lanes.commands)
    move_lanes(n, s, c, tables.plant, w)


@inlined
def write_step(s, k, p, c, w, out):
    """Samples of one run."""
    out[0, k] = (w[PERIODS * s] + w[COUNT * s] * (1.0 / p.factor)) * p.pitch
    turns = w[SAMPLE_WHOLE * s] + w[SAMPLE_PHASE * s] + c.latency_samples * w[SAMPLE_STEP * s]
    out[1, k] = turns * p.pitch + w[(CURVE + 3) * s]
    out[2, k] = w[SPEED * s] + w[(CURVE + 2) * s]
    out[3, k] = w[SPEED * s] + w[CURVE * s]
    out[4, k] = w[HOLDING_TORQUE * s] + w[(CURVE + 1) * s]


@inlined
def loop_steps(n, s, span, plan, loop, tables, w, lanes, chunk, state, out):
    """The steps of a span of samples."""
    # The loop is closed from sample 0 on.
    p, c = plan[0], loop[0]
    clipped = 0
    for kk in range(span.begin, span.end):
        k = span.first + kk
        clipped += sense_lanes(n, s, k, kk, plan, loop, tables, w, lanes, chunk, state)
        if k >= 0:
            act_lanes(n, s, k, kk, plan, loop, tables, w, lanes, chunk)
            if out.size:
                write_step(s, k, p, c, w, out)
                if w[STOP * s] < np.inf:
                    break
        if kk + 1 < span.last:
            jump = chunk.ticks[kk + 1] - chunk.ticks[kk] if p.has_clock else 1
            advance_lanes(n, s, jump, tables.ring, p, w, lanes.phases)
    return clipped


@compiled
def single_loop_block(first, begin, end, plan, loop, tables, w, lanes, chunk, state, out):
    """``loop_steps`` for one speed, from sample ``begin`` to ``end`` of the chunk that starts at ``first``."""
    rows = rows_on_stack(w)
    span = Steps(first, begin, end, end)
    clipped = loop_steps(1, SINGLE, span, plan, loop, tables, rows, lanes, chunk, state, out)
    rows_to_memory(rows, w)
    return clipped


@compiled
def many_loops_block(first, begin, end, plan, loop, tables, w, lanes, chunk, state, out, number):
    """``loop_steps`` for many speeds side by side, which draws its random numbers itself."""
    n, s, clipped = number, WIDTH, 0
    for block in range(begin // DRAWN * DRAWN, end, DRAWN):
        draws_block(n, s, first + block, plan, loop, chunk.ticks[block:], w, lanes.phases, w, chunk.draws)
        span = Steps(first, max(begin, block), min(end, block + DRAWN), end)
        clipped += loop_steps(n, s, span, plan, loop, tables, w, lanes, chunk, state, out)
    return clipped
