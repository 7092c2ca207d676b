"""Records, tables and constants that the compiled loops are called with.

Phases are in signal periods. The steady motion is known exactly: a phase is a whole number of 2**-64 period, which
wraps at a whole period, beside the number of whole periods.
"""

from typing import NamedTuple

import numpy as np

LANES = 64  # of a sum: one after the other would not vectorise
# What a random number is for. Each cause has its own, so that none depends on what else is switched on.
JITTER_CAUSE, CLOCK_CAUSE, COSINE_CAUSE, SINE_CAUSE, EDGE_CAUSE, FAULT_CAUSE = (
    np.uint64(cause) for cause in (1, 2, 3, 4, 5, 6)
)
# How the velocity is computed. Linear estimators are finite impulse responses or second-order sections; two shapes of
# impulse response have a quicker way: two opposite taps (difference) and taps on a parabola (running sums).
DIFFERENCE, TAPS, PARABOLA, SECTIONS, TIMING = range(5)
# How counts are held: not, with hysteresis, with limited edges.
FREE, HYSTERESIS, LIMITED_EDGES = range(3)

# Scalars of the chain from the phase to the velocity.
PLAN = np.dtype(
    [
        ("key_low", "u8"),  # lower and upper half of the seed
        ("key_high", "u8"),
        ("tick_step_64", "u8"),  # phase from tick to tick (sample to sample without a clock), 2**-64 period
        ("tick_step", "f8"),  # the same with whole periods
        ("sample_step_64", "u8"),  # phase from sample to sample
        ("sample_step", "f8"),
        ("ring_step_64", "u8"),  # angle of the ring from tick to tick, 2**-64 turn
        ("turns_per_period", "f8"),
        ("ring_lines", "i8"),  # number of lines of the ring's error
        ("direction", "f8"),
        (
            "has_clock",
            "i8",
        ),  # whether another clock reads the position, or its edges come on ticks of a clock
        ("jitter", "f8"),  # rms, periods
        ("clock_jitter", "f8"),
        ("has_bandwidth", "i8"),  # whether the jitter is correlated
        ("correlation", "f8"),  # of the jitter over one sample, or over ``jump`` ticks
        ("correlation_more", "f8"),  # over one tick more
        ("jump", "i8"),
        ("readings", "i8"),
        ("spacing", "f8"),  # between readings, periods
        ("lag", "f8"),  # of their mean, periods: what the whole periods are counted by
        ("offset_cosine", "f8"),
        ("offset_sine", "f8"),
        ("noise", "f8"),
        ("converter", "i8"),
        ("codes", "f8"),  # codes for 1 unit of amplitude
        ("lowest", "f8"),
        ("highest", "f8"),
        ("has_counts", "i8"),
        ("factor", "f8"),  # counts a period, 1 without counts
        ("bias", "f8"),  # 0 where counts are rounded, 1/2 where they are edges
        ("hold", "i8"),  # FREE, HYSTERESIS or LIMITED_EDGES
        ("half_band", "f8"),  # (1 + hysteresis)/2, counts
        ("separation", "f8"),  # of edges, samples or ticks
        ("pitch", "f8"),
        ("rate", "f8"),
        ("estimator", "i8"),
        ("span", "i8"),  # loop periods N of the difference, or taps N on a parabola
        ("speed", "f8"),
        ("scale", "f8"),  # velocity of one period a sample
        ("window", "f8"),  # of timed edges, samples; 0 where single counts are timed
        ("timer_step_64", "u8"),  # ticks of the timing clock a sample, 2**-64 tick
        ("timer_step", "f8"),  # the same with whole ticks
        ("has_edge_noise", "i8"),
        ("edge_code", "i8"),  # address of the machine code of timed edges in this process
    ],
    align=True,
)
# What the chain remembers from sample to sample.
STATE = np.dtype(
    [
        ("started", "i8"),
        ("jitter", "f8"),
        ("tick", "i8"),  # newest tick seen by the jitter, and
        ("edge_tick", "i8"),  # by the edges
        ("whole", "i8"),  # the count to be shown: whole periods
        ("count", "f8"),  # and counts
        ("level", "f8"),  # position minus that count, counts
        ("pending", "f8"),  # counts that limited edges have still to show
        ("edge_age", "f8"),  # since the last edge, samples or ticks
        ("clipped", "i8"),
    ],
    align=True,
)
# Start of a chunk: its number and the exact phases there.
ANCHOR = np.dtype(
    [
        ("chunk", "i8"),
        ("tick_phase", "u8"),  # at the newest tick (at the sample without a clock)
        ("tick_whole", "i8"),
        ("tick", "i8"),
        ("sample_phase", "u8"),
        ("sample_whole", "i8"),
        ("ring", "u8"),  # angle of the ring, 2**-64 turn
    ],
    align=True,
)
# Samples that a call of the open chain hands out, counted from the start of its first chunk.
SPAN = np.dtype([("chunks", "i8"), ("known", "i8"), ("first", "i8"), ("end", "i8"), ("offset", "i8")])
# Scalars of the closed loop that all lanes share.
LOOP = np.dtype(
    [
        ("states", "i8"),
        ("flexible", "i8"),
        ("encoder_on_load", "i8"),  # behind the spring
        ("delay", "i8"),
        ("position_gain", "f8"),
        ("velocity_gain", "f8"),
        ("integral_share", "f8"),  # of the velocity error, added a sample
        ("velocity_feedforward", "f8"),
        ("acceleration_feedforward", "f8"),
        ("torque_limit", "f8"),
        ("filters", "i8"),
        ("has_dry_friction", "i8"),
        ("coulomb", "f8"),
        ("stribeck", "f8"),
        ("stribeck_speed", "f8"),
        ("load_gain", "f8"),  # load velocity by a unit of load torque over a period
        ("periods_per_unit", "f8"),
        ("period", "f8"),
        ("latency_samples", "f8"),
        ("clock_jitter", "f8"),  # s
        ("has_reading_age", "i8"),  # whether readings are older than the sample
        ("settle", "i8"),
        ("started", "i8"),
        ("tick", "i8"),
        ("edge_tick", "i8"),
    ],
    align=True,
)
# Columns of a fault on purpose: whether it goes by time, where it begins and ends (samples or periods), its shape, what
# it takes from and adds to both channels, its noise, its counts, and whether it was on at the sample before.
FAULT_TIME, FAULT_BEGIN, FAULT_END, FAULT_SHAPE, FAULT_COSINE_LOSS, FAULT_SINE_LOSS = range(6)
FAULT_COSINE, FAULT_SINE, FAULT_NOISE, FAULT_COUNTS, FAULT_ON = range(6, 11)
FAULT_COLUMNS = 11
# Shapes of a fault: full from begin to end, a bell between them, a ramp that stays.
FULL, BELL, RAMP = range(3)
# Where the parts of an encoder's arrays begin: after the true positions, and after the rows.
ENCODER_WHOLES = "at_base", "at_tick", "at_shift", "at_shown", "whole_end"
ENCODER_NUMBERS = (
    *("at_draws", "at_fraction", "at_count", "at_age", "at_deviation", "at_head", "at_timing"),
    *("at_terms", "at_steps", "at_numbers", "at_memory", "at_edges", "at_lines", "at_faults"),
    *("at_late", "at_paced", "end"),
)
ENCODER_PLACES = *ENCODER_WHOLES, *ENCODER_NUMBERS
# Scalars of an encoder in any motion, and where the parts of its two arrays of numbers begin.
ENCODER = np.dtype(
    [
        ("sample", "i8"),  # number of the next
        ("drawn", "i8"),  # row of samples whose random numbers are drawn
        ("uneven", "i8"),  # whether times have been given: samples need not be a period apart any more
        ("mask", "i8"),  # slots of the ring of true positions, minus 1
        ("shown_mask", "i8"),  # slots of the ring of shown positions, minus 1
        ("lines", "i8"),  # periods a turn
        (
            "shaped",
            "i8",
        ),  # whether the channels' shape follows the motion: bandwidth, skew or averaged readings
        ("aged", "i8"),  # whether readings are older than the sample
        ("old", "f8"),  # how much older, samples, without the age by another clock
        ("skew", "f8"),  # samples
        ("fall", "f8"),  # of the readhead's bandwidth over a sample, exponent; 0 without a limit
        ("inverted", "f8"),  # lead of channels that averaging inverts
        ("clock_jitter", "f8"),  # rms, samples
        ("tick", "i8"),  # another clock at the newest sample of the row: its tick and the rest since then
        ("rest", "i8"),
        ("advance", "i8"),
        ("ticks", "i8"),
        ("modulus", "i8"),
        ("tick_samples", "f8"),
        ("direction", "f8"),  # of the motion before the first sample
        ("step", "f8"),  # its periods a sample
        ("reference_whole", "i8"),  # position from which the estimator counts, and its slope
        ("reference", "f8"),
        ("reference_sample", "i8"),
        ("slope", "f8"),
        ("difference", "f8"),  # velocity of one count over the span
        ("fastest", "f8"),  # periods a sample that are followed
        ("too_fast", "i8"),  # samples in which the axis moved further
        ("loses", "i8"),  # whether counts are lost then
        ("shift", "i8"),  # counts shown minus counts passed
        ("lost", "i8"),
        ("faults", "i8"),  # faults on purpose
        ("weakest", "f8"),  # amplitude of the channels below which nothing is counted
        ("weak", "i8"),  # whether it is below now
        ("missed", "i8"),  # whole periods shown minus those passed
        ("channel_share", "f8"),  # unit amplitude of one unit of the channels
        *((name, "i8") for name in ENCODER_PLACES),
    ],
    align=True,
)


class SignalTables(NamedTuple):
    """Fourier terms of the channels and the lines of position errors."""

    order_steps: np.ndarray  # from each order to the next
    terms: np.ndarray  # C_n, S_n (real, imaginary) of each order
    sde: np.ndarray  # order a period, cosine, sine part, one line after the other
    ring: np.ndarray  # order a turn, cosine, sine part


class History(NamedTuple):
    """Shown position of the chunks that are kept, a ring."""

    whole: np.ndarray  # periods
    count: np.ndarray


class EstimatorTables(NamedTuple):
    """Coefficients and memory of the velocity estimator."""

    numbers: np.ndarray
    memory: np.ndarray
    deviation: np.ndarray  # shown position minus the steady motion, a ring, periods
    edge_table: np.ndarray  # error and rms of the noise against the phase shown


class EncoderParts(NamedTuple):
    """Parts of an encoder's arrays: whole numbers, then numbers."""

    whole: np.ndarray  # periods of the true position, a ring
    base: np.ndarray  # whole periods of the row's readings
    tick: np.ndarray  # of another clock, for a row
    shift: np.ndarray  # counts shown minus counts passed, for a row
    shown: np.ndarray  # whole periods shown, a ring
    work: np.ndarray
    draws: np.ndarray
    fraction: np.ndarray  # of the true position, a ring
    count: np.ndarray  # shown within the period, a ring
    age: np.ndarray  # by another clock, samples, for a row
    deviation: np.ndarray  # of shown positions from the reference, a ring
    head: np.ndarray  # every harmonic behind the readhead's bandwidth, a ring
    timing: np.ndarray  # rows of the closed loop, for timed edges
    terms: np.ndarray  # those that are asked for, and behind them those of each sample
    steps: np.ndarray
    numbers: np.ndarray
    memory: np.ndarray
    edges: np.ndarray
    lines: np.ndarray
    faults: np.ndarray  # rows of FAULT columns
    late: np.ndarray  # time of each sample minus that of its number, samples; a ring
    paced: np.ndarray  # position at the speeds between samples minus that shown, periods; a ring


class LoopTables(NamedTuple):
    """Tables that all lanes share."""

    order_steps: np.ndarray
    sde: np.ndarray
    ring: np.ndarray
    numbers: np.ndarray  # of the velocity estimator
    edge_table: np.ndarray
    plant: np.ndarray  # transition of its states and columns of its inputs
    cogging: np.ndarray  # rows (cycles a signal period, amplitude, phase in turns)


class Lanes(NamedTuple):
    """Arrays of all lanes beside their rows."""

    phases: np.ndarray  # whole numbers
    terms: np.ndarray
    memory: np.ndarray  # of the velocity estimator
    timing: np.ndarray  # rows for timed edges of one lane
    deviation: np.ndarray  # shown position minus the steady motion, a ring, periods
    motion: np.ndarray  # position and velocity at the encoder, a ring
    filters: np.ndarray  # b0 b1 b2 a1 a2 of every torque filter
    filter_states: np.ndarray
    commands: np.ndarray  # torque, a ring


class LoopChunk(NamedTuple):
    """What is given sample by sample for a chunk."""

    draws: np.ndarray  # random numbers
    ages: np.ndarray  # of the newest reading, samples
    ticks: np.ndarray  # newest tick of another clock
    demand: np.ndarray  # position, velocity, acceleration
    filters: np.ndarray  # coefficients that follow the demanded speed


class Steps(NamedTuple):
    """Samples ``begin`` to ``end`` of the chunk that starts at sample ``first`` and goes on to ``last``."""

    first: int
    begin: int
    end: int
    last: int
