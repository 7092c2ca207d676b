"""Closed loop, all lanes: controller, friction, plant and the steady motion to the next sample."""

import numpy as np

from .jit import compiled, inlined
from .maths import UNIT_64, cos_sin, exp_of
from .rows import (
    CHANGE,
    DISTURBANCE,
    ERROR,
    ESTIMATE,
    HOLDING_TORQUE,
    INTEGRAL,
    LOAD_TORQUE,
    MOST_STATES,
    MOTOR_TORQUE,
    NEW_COMMAND,
    OLD_COMMAND,
    PLANT_STATE,
    POSITION_OFFSET,
    RING_ANGLE,
    RING_ANGLE_64,
    RING_STEP_64,
    SAMPLE_PHASE,
    SAMPLE_PHASE_64,
    SAMPLE_STEP,
    SAMPLE_STEP_64,
    SAMPLE_WHOLE,
    SPEED,
    SPEED_BIAS,
    STEADY_FRICTION,
    TICK_PHASE,
    TICK_PHASE_64,
    TICK_STEP,
    TICK_STEP_64,
    TICK_WHOLE,
    TORQUE,
    TORQUE_BIAS,
    VELOCITY_ERROR,
    at,
    ring_place,
)


@inlined
def filter_lanes(n, s, m, filters, memory, w):
    """Filter m of the torque command, transposed direct form II; rows b0 b1 b2 a1 a2."""
    b, a, z = 5 * m * s, (5 * m + 3) * s, 2 * m * s
    for i in range(n):
        entry = w[TORQUE * s + i]
        out = filters[at(b, i)] * entry + memory[at(z, i)]
        first = filters[at(b + s, i)] * entry - filters[at(a, i)] * out + memory[at(z + s, i)]
        memory[at(z, i)] = first
        memory[at(z + s, i)] = filters[at(b + 2 * s, i)] * entry - filters[at(a + s, i)] * out
        w[TORQUE * s + i] = out


@inlined
def control_lanes(n, s, p, c, demand, kk, w, filters, memory):
    """Position P, velocity PI, filters, limit: torque command less that of the steady motion."""
    r, rate, acceleration = (demand[0, kk], demand[1, kk], demand[2, kk]) if demand.size else (0.0, 0.0, 0.0)
    rate *= c.velocity_feedforward
    acceleration *= c.acceleration_feedforward
    for i in range(n):
        velocity_error = c.position_gain * (r - p.pitch * (w[ERROR * s + i] - w[POSITION_OFFSET * s + i]))
        velocity_error += (rate - p.scale * w[ESTIMATE * s + i]) + w[SPEED_BIAS * s + i]
        w[VELOCITY_ERROR * s + i] = velocity_error
        total = velocity_error + (w[INTEGRAL * s + i] + c.integral_share * velocity_error)
        w[TORQUE * s + i] = (c.velocity_gain * total + acceleration) + w[TORQUE_BIAS * s + i]
    for m in range(c.filters):
        filter_lanes(n, s, m, filters, memory, w)
    for i in range(n):
        whole = w[TORQUE * s + i] + w[HOLDING_TORQUE * s + i]
        velocity_error = w[VELOCITY_ERROR * s + i]
        binds = abs(whole) > c.torque_limit
        limit = (c.torque_limit if whole > 0.0 else -c.torque_limit) - w[HOLDING_TORQUE * s + i]
        w[TORQUE * s + i] = limit if binds else w[TORQUE * s + i]
        # while the limit binds, the integral part may only go back
        w[INTEGRAL * s + i] += (
            0.0 if binds and velocity_error * whole > 0.0 else c.integral_share * velocity_error
        )


@inlined
def cogging_lanes(n, s, c, cogging, w):
    """Torque by order at the middle of the period to come, of the motor's true position."""
    for i in range(n):
        w[DISTURBANCE * s + i] = 0.0
    for m in range(cogging.shape[0]):
        ratio, amplitude, phase = cogging[m, 0], cogging[m, 1], cogging[m, 2]
        for i in range(n):
            ahead = (c.latency_samples + 0.5) * w[SAMPLE_STEP * s + i]
            periods = w[SAMPLE_WHOLE * s + i] + w[SAMPLE_PHASE * s + i] + ahead
            displacement = w[PLANT_STATE * s + i] + (0.5 * c.period) * w[(PLANT_STATE + 1) * s + i]
            _, sine = cos_sin(ratio * (periods + c.periods_per_unit * displacement) + phase)
            w[DISTURBANCE * s + i] += amplitude * sine


@inlined
def drift_lanes(n, s, k, c, plant, cogging, w, commands):
    """Change of the plant's states over a period without friction."""
    now, newer = ring_place(k, commands, s), ring_place(k - c.delay, commands, s)
    older = ring_place(k - c.delay - 1, commands, s)
    for i in range(n):
        commands[at(now, i)] = w[TORQUE * s + i]
    size = c.states
    # a known number of turns: only then are the rows of one lane known too
    for a in range(MOST_STATES):
        if a >= size:
            break
        row = (CHANGE + a) * s
        u, u_old, motor_gain = (
            plant[a, size + NEW_COMMAND],
            plant[a, size + OLD_COMMAND],
            plant[a, size + MOTOR_TORQUE],
        )
        for i in range(n):
            w[at(row, i)] = u * commands[at(newer, i)] + u_old * commands[at(older, i)]
        if cogging.size:
            add_lanes(n, s, motor_gain, DISTURBANCE, CHANGE + a, w)
        for b in range(1, MOST_STATES):
            if b >= size:
                break
            add_lanes(n, s, plant[a, b], PLANT_STATE + b, CHANGE + a, w)


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
def move_lanes(n, s, c, plant, w):
    """Take the states on by a period; friction is what would stop the load, as far as it can."""
    size = c.states
    if c.has_dry_friction:
        for i in range(n):
            speed = w[SPEED * s + i] + w[(PLANT_STATE + 1) * s + i]
            free = w[(CHANGE + 1) * s + i]
            if c.flexible:
                speed += w[(PLANT_STATE + 3) * s + i]
                free += w[(CHANGE + 3) * s + i]
            limit = friction_of(speed, c)
            needed = -(speed + free - c.load_gain * w[STEADY_FRICTION * s + i]) / c.load_gain
            w[DISTURBANCE * s + i] = min(max(needed, -limit), limit) - w[STEADY_FRICTION * s + i]
        for a in range(MOST_STATES):
            if a >= size:
                break
            add_lanes(n, s, plant[a, size + LOAD_TORQUE], DISTURBANCE, CHANGE + a, w)
    for a in range(MOST_STATES):
        if a >= size:
            break
        add_lanes(n, s, 1.0, CHANGE + a, PLANT_STATE + a, w)


@inlined
def advance_lanes(n, s, jump, ring, p, w, q):
    """Steady motion to the next sample: its phase, and the whole periods gone since the run began."""
    for i in range(n):
        phase = q[SAMPLE_PHASE_64 * s + i] + q[SAMPLE_STEP_64 * s + i]
        turn = np.float64(np.int64(phase)) * UNIT_64
        w[SAMPLE_WHOLE * s + i] += np.rint(w[SAMPLE_STEP * s + i] - (turn - w[SAMPLE_PHASE * s + i]))
        w[SAMPLE_PHASE * s + i] = turn
        q[SAMPLE_PHASE_64 * s + i] = phase
    if p.has_clock:
        for i in range(n):
            phase = q[TICK_PHASE_64 * s + i] + np.uint64(jump) * q[TICK_STEP_64 * s + i]
            turn = np.float64(np.int64(phase)) * UNIT_64
            passed = np.float64(jump) * w[TICK_STEP * s + i]
            w[TICK_WHOLE * s + i] += np.rint(passed - (turn - w[TICK_PHASE * s + i]))
            w[TICK_PHASE * s + i] = turn
            q[TICK_PHASE_64 * s + i] = phase
    else:
        for i in range(n):
            w[TICK_WHOLE * s + i] = w[SAMPLE_WHOLE * s + i]
            w[TICK_PHASE * s + i] = w[SAMPLE_PHASE * s + i]
    if ring.size > 0:
        for i in range(n):
            angle = q[RING_ANGLE_64 * s + i] + np.uint64(jump) * q[RING_STEP_64 * s + i]
            w[RING_ANGLE * s + i] = np.float64(np.int64(angle)) * UNIT_64
            q[RING_ANGLE_64 * s + i] = angle


@compiled
def drag_block(n, s, loop, w):
    """Friction of the steady motion on each lane's load."""
    for i in range(n):
        speed = w[SPEED * s + i]
        limit = friction_of(speed, loop[0]) if loop[0].has_dry_friction else 0.0
        w[STEADY_FRICTION * s + i] = -limit if speed > 0.0 else (limit if speed < 0.0 else 0.0)
