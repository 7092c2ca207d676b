"""Phase of the true position at each sample of a chunk, with jitter of position and clock."""

import numpy as np

from .chance import draw_block
from .jit import compiled
from .maths import UNIT_64
from .records import CHUNK, CLOCK, DRAW, JITTER, PATH, TURN


@compiled
def phase_block(base, step, slope, lag, work):
    """True phase of each sample: TURN its fraction, PATH all of it from the anchor, less the lag."""
    start = np.float64(np.int64(base)) * UNIT_64 - lag
    for i in range(CHUNK):
        work[TURN + i] = np.float64(np.int64(base + np.uint64(i) * step)) * UNIT_64
        work[PATH + i] = start + np.float64(i) * slope


@compiled
def ticked_phase_block(anchor, step, slope, lag, ticks, work):
    """``phase_block`` at ticks of another clock, counted from that of the anchor."""
    start = np.float64(np.int64(anchor.base)) * UNIT_64 - lag
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick
        work[TURN + i] = np.float64(np.int64(anchor.base + np.uint64(n) * step)) * UNIT_64
        work[PATH + i] = start + np.float64(n) * slope


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
        if p.ticked:
            jump = ticks[i] - s.tick
            s.tick = ticks[i]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not s.started:
            s.started = 1
            correlation = 0.0
        s.jitter = correlation * s.jitter + np.sqrt(1.0 - correlation * correlation) * work[DRAW + i]
        work[DRAW + i] = s.jitter


@compiled
def displace_block(rms, work):
    """Move the true position by ``rms`` times DRAW."""
    for i in range(CHUNK):
        move = rms * work[DRAW + i]
        work[TURN + i] += move
        work[PATH + i] += move


@compiled
def move_block(plan, anchor, ticks, state, work):
    """True phase of each sample, jitter of position and clock included."""
    p = plan[0]
    if p.ticked:
        ticked_phase_block(anchor, p.step, p.slope, p.lag, ticks, work)
    else:
        phase_block(anchor.base, p.step, p.slope, p.lag, work)
    if p.jitter > 0.0:
        draw_block(plan, anchor, ticks, JITTER, 0, work)
        if p.correlated:
            correlate_block(plan, ticks, state, work)
        displace_block(p.jitter, work)
    if p.clock != 0.0:
        draw_block(plan, anchor, ticks, CLOCK, 0, work)
        displace_block(p.clock, work)
