"""Closed loop, all lanes: from the true position to the phase of a reading, from both channels to the velocity."""

import numpy as np

from .chance import draw_rows, draw_span
from .counting import held_step, set_counts
from .estimators import parabola_start, parabola_step, section_step, sections_start
from .jit import inlined
from .records import DIFFERENCE, PARABOLA, SECTIONS, TAPS
from .rows import (
    ANGLE,
    CLOCK_JITTER,
    COUNT,
    DIRECTION,
    DISPLACEMENT,
    DISPLACEMENT_WHOLE,
    ERROR,
    ESTIMATE,
    LAG,
    PATH,
    PERIODS,
    PHASE,
    PLANT_STATE,
    READ,
    RING_ANGLE,
    SAMPLE_PHASE,
    SAMPLE_WHOLE,
    SHOWN,
    SPACING,
    TICK_PHASE,
    TICK_WHOLE,
    at,
    ring_place,
)
from .signals import add_lines, set_shown


@inlined
def displaced_lanes(n, s, c, w):
    """Deviation of the encoder's position, periods: whole ones and the rest."""
    for i in range(n):
        displacement = w[PLANT_STATE * s + i]
        if c.encoder_on_load:
            displacement += w[(PLANT_STATE + 2) * s + i]
        displacement *= c.periods_per_unit
        whole = np.rint(displacement)
        w[DISPLACEMENT_WHOLE * s + i] = whole
        w[DISPLACEMENT * s + i] = displacement - whole


@inlined
def keep_lanes(n, s, k, c, w, motion):
    """Remember position and velocity of the encoder, periods and periods a sample."""
    place = ring_place(k, motion, 2 * s)
    for i in range(n):
        position, velocity = w[PLANT_STATE * s + i], w[(PLANT_STATE + 1) * s + i]
        if c.encoder_on_load:
            position += w[(PLANT_STATE + 2) * s + i]
            velocity += w[(PLANT_STATE + 3) * s + i]
        motion[at(place, i)] = position * c.periods_per_unit
        motion[at(place + s, i)] = velocity * (c.periods_per_unit * c.period)


@inlined
def aged_lanes(n, s, k, age, c, w, motion):
    """Deviation ``age`` samples ago: the cubic through position and velocity at the samples before and after."""
    whole = np.floor(age)
    u = 1.0 - (age - whole)
    after = ring_place(k - np.int64(whole), motion, 2 * s)
    before = ring_place(k - np.int64(whole) - 1, motion, 2 * s)
    b = u * u * (3.0 - 2.0 * u)
    va, vb = u * (1.0 - u) * (1.0 - u), u * u * (u - 1.0)
    for i in range(n):
        x, y = motion[at(before, i)], motion[at(after, i)]
        displacement = (
            y + (1.0 - b) * (x - y) + (va * motion[at(before + s, i)] + vb * motion[at(after + s, i)])
        )
        turns = np.rint(displacement)
        w[DISPLACEMENT_WHOLE * s + i] = turns
        w[DISPLACEMENT * s + i] = displacement - turns


@inlined
def moved_lanes(n, s, kk, p, c, w, draws):
    """Phase of the steady motion with jitter of position and clock; PATH the same minus the lag."""
    for i in range(n):
        w[PHASE * s + i] = w[TICK_PHASE * s + i]
        w[PATH * s + i] = w[TICK_PHASE * s + i] - w[LAG * s + i]
    base = kk % draw_span(n) * draw_rows(p) * s
    if p.jitter > 0.0:
        for i in range(n):
            move = p.jitter * draws[at(base, i)]
            w[PHASE * s + i] += move
            w[PATH * s + i] += move
    if c.clock_jitter > 0.0:
        share = c.clock_jitter * c.periods_per_unit
        for i in range(n):
            drawn = draws[at(base + s, i)]
            move = w[CLOCK_JITTER * s + i] * drawn
            move += share * w[(PLANT_STATE + 1) * s + i] * drawn
            w[PHASE * s + i] += move
            w[PATH * s + i] += move


@inlined
def read_lanes(n, s, reading, w):
    """Phase of one reading."""
    for i in range(n):
        w[READ * s + i] = (w[PHASE * s + i] - reading * w[SPACING * s + i]) + w[DISPLACEMENT * s + i]


@inlined
def ringed_lanes(n, s, reading, ring, p, w):
    """Add the error of the ring at the angle to which the loop has moved it."""
    for i in range(n):
        displacement = w[DISPLACEMENT_WHOLE * s + i] + w[DISPLACEMENT * s + i] - reading * w[SPACING * s + i]
        w[ANGLE * s + i] = w[RING_ANGLE * s + i] + displacement * p.turns_per_period
    add_lines(n, s, ring, ANGLE, 1.0 / p.readings, w)


@inlined
def counted_lanes(n, s, p, w):
    """Whole periods and counts that are shown, from the channels."""
    set_shown(n, s, w)
    for i in range(n):
        passed = np.rint((w[PATH * s + i] + w[DISPLACEMENT * s + i]) - w[SHOWN * s + i])
        w[PERIODS * s + i] = w[TICK_WHOLE * s + i] + w[DISPLACEMENT_WHOLE * s + i] + passed
    set_counts(n, s, p, w, COUNT * s, w)


@inlined
def held_lanes(n, s, elapsed, plan, state, w):
    """Hysteresis and limited edges, lane by lane."""
    p = plan[0]
    for i in range(n):
        position = w[SHOWN * s + i] * p.factor - p.bias
        held_step(
            position, np.int64(w[PERIODS * s + i]), elapsed, plan, w[DIRECTION * s + i], state[i : i + 1]
        )
        w[PERIODS * s + i] = np.float64(state[i].whole)
        w[COUNT * s + i] = state[i].count - state[i].pending


@inlined
def error_lanes(n, s, k, p, w, deviation):
    """Position shown minus that of the steady motion, periods, and its ring."""
    share = 1.0 / p.factor
    place = ring_place(k, deviation, s)
    for i in range(n):
        error = (w[PERIODS * s + i] - w[SAMPLE_WHOLE * s + i]) + (
            w[COUNT * s + i] * share - w[SAMPLE_PHASE * s + i]
        )
        w[ERROR * s + i] = error
        deviation[at(place, i)] = error


@inlined
def estimate_lanes(n, s, k, p, numbers, w, memory, deviation):
    """Velocity minus that of the steady motion, periods a sample."""
    if p.estimator == DIFFERENCE:
        old = ring_place(k - p.span, deviation, s)
        share = 1.0 / p.span
        for i in range(n):
            w[ESTIMATE * s + i] = (w[ERROR * s + i] - deviation[at(old, i)]) * share
    elif p.estimator == TAPS:
        for i in range(n):
            w[ESTIMATE * s + i] = 0.0
        for m in range(numbers.size // 2):
            old, weight = ring_place(k - np.int64(numbers[2 * m]), deviation, s), numbers[2 * m + 1]
            for i in range(n):
                w[ESTIMATE * s + i] += weight * deviation[at(old, i)]
    elif p.estimator == PARABOLA:
        m = k % p.span
        if m == 0:
            for i in range(n):
                parabola_start(k, p.span, deviation, memory, i, s)
        for i in range(n):
            w[ESTIMATE * s + i] = parabola_step(m, p.span, w[ERROR * s + i], numbers, memory, i, s)
    elif p.estimator == SECTIONS:
        if memory[0] == 0.0:
            for i in range(n):
                sections_start(w[ERROR * s + i], numbers, memory, i, s)
        for i in range(n):
            w[ESTIMATE * s + i] = w[ERROR * s + i]
        for m in range(numbers.size // 5):
            for i in range(n):
                w[ESTIMATE * s + i] = section_step(w[ESTIMATE * s + i], m, numbers, memory, i, s)
