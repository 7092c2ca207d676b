"""Phase of the true position at each sample of a chunk, with jitter of position and clock."""

import numpy as np

from .chance import draw_block
from .jit import compiled
from .maths import UNIT_64
from .records import CLOCK_CAUSE, JITTER_CAUSE
from .rows import CHUNK, DRAW, PATH, PHASE


@compiled
def phase_block(phase, step_64, step, lag, work):
    """True phase of each sample: PHASE its fraction, PATH all of it from the anchor minus the lag."""
    start = np.float64(np.int64(phase)) * UNIT_64 - lag
    for i in range(CHUNK):
        work[PHASE * CHUNK + i] = np.float64(np.int64(phase + np.uint64(i) * step_64)) * UNIT_64
        work[PATH * CHUNK + i] = start + np.float64(i) * step


@compiled
def tick_phase_block(anchor, step_64, step, lag, ticks, work):
    """``phase_block`` at ticks of another clock, counted from that of the anchor."""
    start = np.float64(np.int64(anchor.tick_phase)) * UNIT_64 - lag
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick
        work[PHASE * CHUNK + i] = np.float64(np.int64(anchor.tick_phase + np.uint64(n) * step_64)) * UNIT_64
        work[PATH * CHUNK + i] = start + np.float64(n) * step


@compiled
def tick_block(tick, rest, advance, whole, modulus, slack, out):
    """Number of the newest tick at each sample: n + rest/modulus grows by whole + advance/modulus."""
    # With ``slack`` 1 rest and advance are rounded down; returns whether a carry may then have been missed.
    doubtful = False
    for i in range(out.size):
        rest += advance
        tick += whole
        if rest >= modulus:
            rest -= modulus
            tick += 1
        out[i] = tick
        doubtful |= rest + slack * (i + 2) >= modulus
    return doubtful


@compiled
def correlate_block(plan, ticks, state, work):
    """Turn the independent DRAW into one-pole noise of rms 1, starting from the stationary state."""
    p, s = plan[0], state[0]
    for i in range(CHUNK):
        correlation = p.correlation
        if p.has_clock:
            jump = ticks[i] - s.tick
            s.tick = ticks[i]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not s.started:
            s.started = 1
            correlation = 0.0
        s.jitter = correlation * s.jitter + np.sqrt(1.0 - correlation * correlation) * work[DRAW * CHUNK + i]
        work[DRAW * CHUNK + i] = s.jitter


@compiled
def displace_block(rms, work):
    """Move the true position by ``rms`` times DRAW."""
    for i in range(CHUNK):
        move = rms * work[DRAW * CHUNK + i]
        work[PHASE * CHUNK + i] += move
        work[PATH * CHUNK + i] += move


@compiled
def move_block(plan, anchor, ticks, state, work):
    """True phase of each sample, jitter of position and clock included."""
    p = plan[0]
    if p.has_clock:
        tick_phase_block(anchor, p.tick_step_64, p.tick_step, p.lag, ticks, work)
    else:
        phase_block(anchor.tick_phase, p.tick_step_64, p.tick_step, p.lag, work)
    if p.jitter > 0.0:
        draw_block(plan, anchor, ticks, JITTER_CAUSE, 0, work)
        if p.has_bandwidth:
            correlate_block(plan, ticks, state, work)
        displace_block(p.jitter, work)
    if p.clock_jitter != 0.0:
        draw_block(plan, anchor, ticks, CLOCK_CAUSE, 0, work)
        displace_block(p.clock_jitter, work)
