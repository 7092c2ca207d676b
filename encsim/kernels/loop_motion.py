"""Closed loop, all lanes: controller, friction, plant and the steady motion."""

import numpy as np

from .jit import compiled, inlined
from .loop_rows import (
    COG_,
    DRAG_,
    ERROR_,
    ESTIMATE_,
    HOLDING_,
    INTEGRAL_,
    LINE_,
    LINE_Q,
    LINE_SLOPE_,
    LINE_STEP_Q,
    LINE_WHOLE_,
    LOAD,
    MOST_STATES,
    MOTOR,
    NEWER,
    NEXT_,
    OFFSET_,
    OLDER,
    PHASE_Q,
    RING_,
    RING_Q,
    RING_STEP_Q,
    SLOPE_,
    SPEED_,
    SPEED_BIAS_,
    STATE_,
    STEP_Q,
    TORQUE_,
    TORQUE_BIAS_,
    TURN_,
    WHOLE_,
    WISH_,
    at,
    ring_place,
)
from .maths import UNIT_64, cos_sin, exp_of


@inlined
def filter_lanes(n, s, m, filters, memory, w):
    """Filter m of the torque command, transposed direct form II; rows b0 b1 b2 a1 a2."""
    b, a, z = 5 * m * s, (5 * m + 3) * s, 2 * m * s
    for i in range(n):
        entry = w[TORQUE_ * s + i]
        out = filters[at(b, i)] * entry + memory[at(z, i)]
        first = filters[at(b + s, i)] * entry - filters[at(a, i)] * out + memory[at(z + s, i)]
        memory[at(z, i)] = first
        memory[at(z + s, i)] = filters[at(b + 2 * s, i)] * entry - filters[at(a + s, i)] * out
        w[TORQUE_ * s + i] = out


@inlined
def control_lanes(n, s, p, c, demand, kk, w, filters, memory):
    """Position P, velocity PI, filters, limit: torque command less that of the steady motion."""
    r, rate, bend = (demand[0, kk], demand[1, kk], demand[2, kk]) if demand.size else (0.0, 0.0, 0.0)
    rate *= c.feedforward
    bend *= c.acceleration
    for i in range(n):
        wish = c.position_gain * (r - p.pitch * (w[ERROR_ * s + i] - w[OFFSET_ * s + i]))
        wish += (rate - p.scale * w[ESTIMATE_ * s + i]) + w[SPEED_BIAS_ * s + i]
        w[WISH_ * s + i] = wish
        total = wish + (w[INTEGRAL_ * s + i] + c.integral * wish)
        w[TORQUE_ * s + i] = (c.velocity_gain * total + bend) + w[TORQUE_BIAS_ * s + i]
    for m in range(c.filters):
        filter_lanes(n, s, m, filters, memory, w)
    for i in range(n):
        whole = w[TORQUE_ * s + i] + w[HOLDING_ * s + i]
        wish = w[WISH_ * s + i]
        binds = abs(whole) > c.limit
        most = (c.limit if whole > 0.0 else -c.limit) - w[HOLDING_ * s + i]
        w[TORQUE_ * s + i] = most if binds else w[TORQUE_ * s + i]
        # while the limit binds, the integral part may only go back
        w[INTEGRAL_ * s + i] += 0.0 if binds and wish * whole > 0.0 else c.integral * wish


@inlined
def cogging_lanes(n, s, c, cogs, w):
    """Torque by order at the middle of the period to come, of the motor's true position."""
    for i in range(n):
        w[COG_ * s + i] = 0.0
    for m in range(cogs.shape[0]):
        ratio, amplitude, phase = cogs[m, 0], cogs[m, 1], cogs[m, 2]
        for i in range(n):
            turns = w[LINE_WHOLE_ * s + i] + w[LINE_ * s + i] + (c.late + 0.5) * w[LINE_SLOPE_ * s + i]
            away = w[STATE_ * s + i] + (0.5 * c.period) * w[(STATE_ + 1) * s + i]
            _, sine = cos_sin(ratio * (turns + c.per_pitch * away) + phase)
            w[COG_ * s + i] += amplitude * sine


@inlined
def drift_lanes(n, s, k, c, body, cogs, w, commands):
    """Change of the plant's states over a period without friction."""
    now, newer = ring_place(k, commands, s), ring_place(k - c.delay, commands, s)
    older = ring_place(k - c.delay - 1, commands, s)
    for i in range(n):
        commands[at(now, i)] = w[TORQUE_ * s + i]
    size = c.states
    # a known number of turns: only then are the rows of one lane known too
    for a in range(MOST_STATES):
        if a >= size:
            break
        row = (NEXT_ + a) * s
        u, u_old, pull = body[a, size + NEWER], body[a, size + OLDER], body[a, size + MOTOR]
        for i in range(n):
            w[at(row, i)] = u * commands[at(newer, i)] + u_old * commands[at(older, i)]
        if cogs.size:
            add_lanes(n, s, pull, COG_, NEXT_ + a, w)
        for b in range(1, MOST_STATES):
            if b >= size:
                break
            add_lanes(n, s, body[a, b], STATE_ + b, NEXT_ + a, w)


@inlined
def add_lanes(n, s, weight, source, target, w):
    """Add a weighted row to another."""
    source, target = source * s, target * s
    for i in range(n):
        w[at(target, i)] += weight * w[at(source, i)]


@inlined
def friction_of(speed, c):
    """Coulomb and Stribeck friction at a speed, torque."""
    if c.stribeck > 0.0:
        ratio = min(abs(speed) / c.stribeck_speed, 30.0)
        return c.coulomb + c.stribeck * exp_of(-(ratio * ratio))
    return c.coulomb


@inlined
def move_lanes(n, s, c, body, w):
    """Take the states on by a period; friction is what would stop the load, as far as it can."""
    size = c.states
    if c.dry:
        for i in range(n):
            speed = w[SPEED_ * s + i] + w[(STATE_ + 1) * s + i]
            free = w[(NEXT_ + 1) * s + i]
            if c.flexible:
                speed += w[(STATE_ + 3) * s + i]
                free += w[(NEXT_ + 3) * s + i]
            most = friction_of(speed, c)
            needed = -(speed + free - c.push * w[DRAG_ * s + i]) / c.push
            w[COG_ * s + i] = min(max(needed, -most), most) - w[DRAG_ * s + i]
        for a in range(MOST_STATES):
            if a >= size:
                break
            add_lanes(n, s, body[a, size + LOAD], COG_, NEXT_ + a, w)
    for a in range(MOST_STATES):
        if a >= size:
            break
        add_lanes(n, s, 1.0, NEXT_ + a, STATE_ + a, w)


@inlined
def advance_lanes(n, s, jump, ring, p, w, q):
    """Steady motion to the next sample: its phase, and the whole periods gone since the run began."""
    for i in range(n):
        phase = q[LINE_Q * s + i] + q[LINE_STEP_Q * s + i]
        turn = np.float64(np.int64(phase)) * UNIT_64
        w[LINE_WHOLE_ * s + i] += np.rint(w[LINE_SLOPE_ * s + i] - (turn - w[LINE_ * s + i]))
        w[LINE_ * s + i] = turn
        q[LINE_Q * s + i] = phase
    if p.ticked:
        for i in range(n):
            phase = q[PHASE_Q * s + i] + np.uint64(jump) * q[STEP_Q * s + i]
            turn = np.float64(np.int64(phase)) * UNIT_64
            passed = np.float64(jump) * w[SLOPE_ * s + i]
            w[WHOLE_ * s + i] += np.rint(passed - (turn - w[TURN_ * s + i]))
            w[TURN_ * s + i] = turn
            q[PHASE_Q * s + i] = phase
    else:
        for i in range(n):
            w[WHOLE_ * s + i] = w[LINE_WHOLE_ * s + i]
            w[TURN_ * s + i] = w[LINE_ * s + i]
    if ring.shape[0] > 0:
        for i in range(n):
            angle = q[RING_Q * s + i] + np.uint64(jump) * q[RING_STEP_Q * s + i]
            w[RING_ * s + i] = np.float64(np.int64(angle)) * UNIT_64
            q[RING_Q * s + i] = angle


@compiled
def drag_block(n, s, loop, w):
    """Friction of the steady motion on each lane's load."""
    for i in range(n):
        speed = w[SPEED_ * s + i]
        most = friction_of(speed, loop[0]) if loop[0].dry else 0.0
        w[DRAG_ * s + i] = -most if speed > 0.0 else (most if speed < 0.0 else 0.0)
