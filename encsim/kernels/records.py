"""Records, rows and constants that every compiled loop shares.

Phases are in signal periods. A chunk is CHUNK samples, aligned to sample numbers.
"""

import numpy as np

CHUNK = 2048
FOURS = CHUNK // 4  # counters of a chunk: each has the chance of four samples
# Rows of the work array. SINE follows COSINE: the converter runs over both at once.
DRAW, TURN, PATH, READ, SHIFT, POWER_C, POWER_S, GAP_C, GAP_S, COSINE, SINE, SUM_C, SUM_S, SHOWN = (
    CHUNK * row for row in range(14)
)
ESTIMATE = 14 * CHUNK
ROWS = 15
LANES = 64  # of a sum: one after the other would not vectorise
JITTER, CLOCK, NOISE_COSINE, NOISE_SINE, EDGE = (np.uint64(cause) for cause in (1, 2, 3, 4, 5))
# How the velocity is computed. Linear estimators are finite impulse responses or second-order sections; two shapes of
# impulse response have a quicker way: two opposite taps (difference) and taps on a parabola (running sums).
DIFFERENCE, TAPS, PARABOLA, SECTIONS, TIMING = range(5)
PLAN = np.dtype(
    [
        ("key0", "u8"),  # lower and upper half of the seed
        ("key1", "u8"),
        ("step", "u8"),  # phase a sample (a tick where sampled), the fraction, 2**-64 period
        ("slope", "f8"),  # the same with whole periods
        ("direction", "f8"),
        ("ticked", "i8"),  # whether the samples are those of another clock, or of its ticks
        ("jitter", "f8"),  # rms, periods
        ("clock", "f8"),
        ("correlated", "i8"),  # whether the jitter has a bandwidth
        ("correlation", "f8"),  # of the jitter over one sample, or over ``jump`` ticks and over one more
        ("correlation_more", "f8"),
        ("jump", "i8"),
        ("readings", "i8"),
        ("spacing", "f8"),  # between readings, periods, and
        ("lag", "f8"),  # of their mean: what the whole periods are counted by
        ("offset_cosine", "f8"),
        ("offset_sine", "f8"),
        ("noise", "f8"),
        ("converter", "i8"),
        ("codes", "f8"),  # codes for 1 unit of amplitude
        ("lowest", "f8"),
        ("highest", "f8"),
        ("counted", "i8"),  # whether there is a factor, and
        ("factor", "f8"),  # counts a period, 1 without
        ("bias", "f8"),  # 0 where counts are rounded, 1/2 where they are edges
        ("sequential", "i8"),  # 0, 1 with hysteresis, 2 with limited edges
        ("reach", "f8"),  # (1 + hysteresis)/2, counts
        ("separation", "f8"),  # of edges, samples or ticks
        ("pitch", "f8"),
        ("rate", "f8"),
        ("span", "i8"),  # loop periods N of the difference, or taps N on a parabola
        ("estimator", "i8"),
        ("line_step", "u8"),  # phase a sample of the steady motion, as ``step`` where nothing is ticked
        ("line_slope", "f8"),
        ("speed", "f8"),
        ("scale", "f8"),  # velocity of one period a sample
        ("window", "f8"),  # of timed edges, samples; 0 where single counts are timed
        ("tick_step", "u8"),  # ticks of the timing clock a sample, the fraction, 2**-64 tick
        ("tick_slope", "f8"),  # the same with whole ticks
        ("scattered", "i8"),  # whether noise moves the edges
        ("ring_step", "u8"),  # angle of the ring a sample (a tick where sampled), 2**-64 turn
        ("per_turn", "f8"),  # turns a period
        ("rings", "i8"),  # lines of the ring
    ],
    align=True,
)
STATE = np.dtype(
    [
        ("started", "i8"),
        ("jitter", "f8"),
        ("tick", "i8"),  # newest tick seen by the jitter, and
        ("edge_tick", "i8"),  # by the edges
        ("whole", "i8"),  # the count wanted, as whole periods and counts
        ("count", "f8"),
        ("level", "f8"),  # position against the count wanted, counts
        ("behind", "f8"),  # counts wanted but not yet shown
        ("age", "f8"),  # since the last edge, samples or ticks
        ("clipped", "i8"),
    ],
    align=True,
)
ANCHOR = np.dtype(
    [
        ("chunk", "i8"),
        ("base", "u8"),
        ("whole", "i8"),
        ("tick", "i8"),
        ("line", "u8"),  # as base and whole, of the steady motion at the sample itself
        ("line_whole", "i8"),
        ("ring", "u8"),  # angle of the ring, 2**-64 turn
    ],
    align=True,
)
LOOP = np.dtype(
    [
        ("states", "i8"),
        ("flexible", "i8"),
        ("far", "i8"),  # whether the encoder is at the load, behind the spring
        ("delay", "i8"),
        ("position_gain", "f8"),
        ("velocity_gain", "f8"),
        ("integral", "f8"),  # share of the velocity error added a sample
        ("feedforward", "f8"),
        ("acceleration", "f8"),
        ("limit", "f8"),
        ("filters", "i8"),
        ("dry", "i8"),  # whether there is Coulomb friction
        ("coulomb", "f8"),
        ("stribeck", "f8"),
        ("stribeck_speed", "f8"),
        ("push", "f8"),  # load velocity by a unit of load torque over a period
        ("per_pitch", "f8"),
        ("period", "f8"),
        ("late", "f8"),  # samples by which what is read trails the motion
        ("clock", "f8"),  # jitter of the sampling clock, s
        ("aged", "i8"),  # whether readings are older than the sample
        ("settle", "i8"),
        ("started", "i8"),
        ("tick", "i8"),
        ("edge_tick", "i8"),
    ],
    align=True,
)
