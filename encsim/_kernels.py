"""Every compiled loop: the chain from the phase of the true position to the velocity, chunk by chunk.

Phases are in signal periods. A chunk is CHUNK samples, aligned to sample numbers, and is worked on in short
loops over the rows of one array (constant distances between rows let them vectorise without alias checks).
Polynomials and selects stand for the functions of the C library, which do not vectorise; each names what it
equals and how well. Chance is counter-based: a draw depends on seed, cause, reading and sample number only.
"""

import numpy as np
from numba import njit, types
from numba.extending import intrinsic

CHUNK = 2048
QUARTER = CHUNK // 4
# Rows of the work array. SINE follows COSINE: the converter runs over both at once.
DRAW, TURN, PATH, READ, SHIFT, POWER_C, POWER_S, GAP_C, GAP_S, COSINE, SINE, SUM_C, SUM_S, SHOWN = (
    CHUNK * row for row in range(14)
)
ESTIMATE = 14 * CHUNK
ROWS = 15
LANES = 64  # of a sum: one after the other would not vectorise
JITTER, CLOCK, NOISE_COSINE, NOISE_SINE, EDGE = (np.uint64(cause) for cause in (1, 2, 3, 4, 5))
# How the velocity is made: the five linear kinds, two of which are sections and two alpha-beta filters; edges timed.
DIFFERENCE, SLOPE, SECTIONS, ALPHA_BETA, TIMING = range(5)

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
        ("span", "i8"),  # samples N of the difference, or of the slope
        ("estimator", "i8"),
        ("line_step", "u8"),  # phase a sample of the steady motion, as ``step`` where nothing is ticked
        ("line_slope", "f8"),
        ("speed", "f8"),
        ("scale", "f8"),  # velocity of one period a sample
        ("window", "f8"),  # of timed edges, samples; 0 where single counts are timed
        ("tick_step", "u8"),  # ticks of the timing clock a sample, the fraction, 2**-64 tick
        ("tick_slope", "f8"),  # the same with whole ticks
        ("scattered", "i8"),  # whether noise moves the edges
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
    ],
    align=True,
)


def _compiled(**options):
    """Decorator that compiles with a cache, or without one where no folder for it can be written."""

    def wrap(function):
        try:
            return njit(cache=True, nogil=True, error_model="numpy", **options)(function)
        except RuntimeError:
            return njit(nogil=True, error_model="numpy", **options)(function)

    return wrap


_jit = _compiled()
# Left to itself LLVM calls the longer formulas instead of inlining them, and a loop with a call does not
# vectorise: Gaussian numbers 9.0 ns each so, 2.1 ns inlined.
_inline = _compiled(forceinline=True)


@intrinsic
def fma(context, a, b, c):
    """Return a b + c rounded once: one instruction where the processor has it, the same number everywhere."""

    def build(context, builder, signature, values):
        return builder.fma(*values)

    return types.float64(types.float64, types.float64, types.float64), build


_LOW = np.uint64(0xFFFFFFFF)
_HALF = np.uint64(32)
_ZERO = np.uint64(0)
_M0, _M1 = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
_W0, _W1 = np.uint64(0x9E3779B9), np.uint64(0xBB67AE85)
_BITS_24, _24, _8 = np.uint64(0xFFFFFF), np.uint64(24), np.uint64(8)
_UNIT_64, _UNIT_40, _UNIT_24 = 2.0**-64, 2.0**-40, 2.0**-24
_NEAREST = 1.5 * 2.0**52  # added and taken away again it leaves the nearest whole number
_MANTISSA, _ONE = 0xFFFFFFFFFFFFF, 0x3FF0000000000000


@_inline
def _philox_round(c0, c1, c2, c3, k0, k1):
    """One round of Philox 4x32 on 32-bit words held in 64-bit ones."""
    a, b = _M0 * c0, _M1 * c2
    return (b >> _HALF) ^ c1 ^ (k0 & _LOW), b & _LOW, (a >> _HALF) ^ c3 ^ (k1 & _LOW), a & _LOW


@_inline
def philox(c0, c1, c2, c3, k0, k1):
    """Four random words of a counter and a key: Philox 4x32-10 (Salmon, Moraes, Dror, Shaw, SC11 2011)."""
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0, k1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + _W0, k1 + _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(2) * _W0, k1 + np.uint64(2) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(3) * _W0, k1 + np.uint64(3) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(4) * _W0, k1 + np.uint64(4) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(5) * _W0, k1 + np.uint64(5) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(6) * _W0, k1 + np.uint64(6) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(7) * _W0, k1 + np.uint64(7) * _W1)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, k0 + np.uint64(8) * _W0, k1 + np.uint64(8) * _W1)
    return _philox_round(c0, c1, c2, c3, k0 + np.uint64(9) * _W0, k1 + np.uint64(9) * _W1)


@_inline
def cos_sin(turns):
    """Cosine and sine of 2 pi ``turns``, absolute error below 3e-16, exact at quarter turns."""
    shifted = 4.0 * turns + _NEAREST
    r = fma(-0.25, shifted - _NEAREST, turns)
    quarter = np.float64(shifted).view(np.int64)
    w = r * r
    s = fma(3.780868920406788, w, -15.093804208315735)
    s = fma(fma(fma(s, w, 42.058685020134185), w, -76.70585970427436), w, 81.60524927594804)
    s = fma(fma(s, w, -41.341702240399634), w, 6.283185307179586) * r
    c = fma(fma(-1.699034378775452, w, 7.90320691091263), w, -26.42625327584422)
    c = fma(fma(fma(c, w, 60.24464135270193), w, -85.4568172066438), w, 64.93939402266824)
    c = fma(fma(c, w, -19.739208802178716), w, 1.0)
    cosine, sine = (s, c) if quarter & 1 else (c, s)
    return -cosine if (quarter + 1) & 2 else cosine, -sine if quarter & 2 else sine


@_inline
def turns_of(sine, cosine):
    """Arctangent atan2(sine, cosine)/(2 pi), error below 1e-16 turn; 0 where both are 0."""
    x, y = abs(cosine), abs(sine)
    large, small = max(x, y), min(x, y)
    far = small > 0.41421356237309503 * large
    t = (small - large) / (small + large) if far else (small / large if large > 0.0 else 0.0)
    w = t * t
    p = fma(0.003363796531927948, w, -0.00692013792270247)
    p = fma(fma(fma(p, w, 0.009053288245538386), w, -0.010568260393788116), w, 0.012238941094798889)
    p = fma(fma(fma(p, w, -0.014468414712685874), w, 0.017683874718335706), w, -0.022736420275002712)
    p = fma(fma(fma(p, w, 0.0318309886165569), w, -0.053051647697290656), w, 0.15915494309189532) * t
    p = p + 0.125 if far else p
    p = 0.25 - p if y > x else p
    p = 0.5 - p if cosine < 0.0 else p
    return -p if sine < 0.0 else p


@_inline
def log_of(u):
    """Natural logarithm of a normal number, relative error below 3e-16 away from 1."""
    bits = np.float64(u).view(np.int64)
    mantissa = np.int64((bits & _MANTISSA) | _ONE).view(np.float64)
    large = mantissa > 1.4142135623730951
    mantissa = 0.5 * mantissa if large else mantissa
    exponent = np.float64((bits >> 52) - (1022 if large else 1023))
    f = (mantissa - 1.0) / (mantissa + 1.0)
    w = f * f
    p = fma(fma(0.14616451042434167, w, 0.15331721490738642), w, 0.18182889128565508)
    p = fma(fma(fma(p, w, 0.22222211134749734), w, 0.28571428625975764), w, 0.39999999999899505)
    p = fma(fma(p, w, 0.666666666666667), w, 2.0) * f
    return fma(exponent, 0.6931471805599453, p)


@_inline
def gaussian_pair(a, b):
    """Two normal numbers of two random words (Box and Muller 1958): 40 bits radius, 24 bits angle.

    The largest is sqrt(82 ln 2) = 7.5; a radius of 32 bits would end at 6.7.
    """
    radius = np.float64(np.int64((a << _8) | (b >> _24)))
    radius = np.sqrt(-2.0 * log_of((radius + 0.5) * _UNIT_40))
    cosine, sine = cos_sin(np.float64(np.int64(b & _BITS_24)) * _UNIT_24)
    return radius * cosine, radius * sine


@_jit
def gaussian_block(chunk, cause, reading, k0, k1, work):
    """Fill DRAW with the normal numbers of a chunk; the lanes of a counter are a quarter chunk apart."""
    first = np.uint64(chunk) * np.uint64(QUARTER)
    for i in range(QUARTER):
        counter = first + np.uint64(i)
        a, b, c, d = philox(counter & _LOW, counter >> _HALF, cause, reading, k0, k1)
        z0, z1 = gaussian_pair(a, b)
        z2, z3 = gaussian_pair(c, d)
        work[DRAW + i] = z0
        work[DRAW + QUARTER + i] = z1
        work[DRAW + 2 * QUARTER + i] = z2
        work[DRAW + 3 * QUARTER + i] = z3


@_jit
def gaussian_at_block(ticks, cause, reading, k0, k1, work):
    """Fill DRAW with the normal numbers that ``gaussian_block`` has for these sample numbers."""
    for i in range(CHUNK):
        lane = (ticks[i] % CHUNK) // QUARTER
        counter = np.uint64((ticks[i] // CHUNK) * QUARTER + ticks[i] % QUARTER)
        a, b, c, d = philox(counter & _LOW, counter >> _HALF, cause, reading, k0, k1)
        z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
        work[DRAW + i] = z1 if lane & 1 else z0


@_jit
def draw_block(plan, anchor, ticks, cause, reading, work):
    """Fill DRAW with the normal numbers of one cause and reading."""
    p = plan[0]
    if p.ticked:
        gaussian_at_block(ticks, cause, np.uint64(reading), p.key0, p.key1, work)
    else:
        gaussian_block(anchor.chunk, cause, np.uint64(reading), p.key0, p.key1, work)


@_jit
def phase_block(base, step, slope, lag, work):
    """True phase of each sample: TURN its fraction, PATH all of it from the anchor, less the lag."""
    start = np.float64(np.int64(base)) * _UNIT_64 - lag
    for i in range(CHUNK):
        work[TURN + i] = np.float64(np.int64(base + np.uint64(i) * step)) * _UNIT_64
        work[PATH + i] = start + np.float64(i) * slope


@_jit
def ticked_phase_block(anchor, step, slope, lag, ticks, work):
    """``phase_block`` at ticks of another clock, counted from that of the anchor."""
    start = np.float64(np.int64(anchor.base)) * _UNIT_64 - lag
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick
        work[TURN + i] = np.float64(np.int64(anchor.base + np.uint64(n) * step)) * _UNIT_64
        work[PATH + i] = start + np.float64(n) * slope


@_jit
def tick_block(tick, rest, advance, whole, modulus, slack, out):
    """Number of the newest tick at each sample: n + rest/modulus grows by whole + advance/modulus.

    With ``slack`` 1 rest and advance are rounded down; returns whether a carry may then have been missed.
    """
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


@_jit
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


@_jit
def displace_block(rms, work):
    """Move the true position by ``rms`` times DRAW."""
    for i in range(CHUNK):
        move = rms * work[DRAW + i]
        work[TURN + i] += move
        work[PATH + i] += move


@_jit
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


@_jit
def read_block(earlier, work):
    """Phase of a reading that is ``earlier`` periods before the sample."""
    for i in range(CHUNK):
        work[READ + i] = work[TURN + i] - earlier


@_jit
def shift_block(sde, share, work):
    """Shift READ by the given error, rows (order, cosine, sine part), and PATH by ``share`` of it."""
    for i in range(CHUNK):
        work[SHIFT + i] = 0.0
    for line in range(sde.shape[0]):
        order, along_c, along_s = sde[line, 0], sde[line, 1], sde[line, 2]
        for i in range(CHUNK):
            c, s = cos_sin(order * work[READ + i])
            work[SHIFT + i] += along_c * c + along_s * s
    for i in range(CHUNK):
        work[READ + i] += work[SHIFT + i]
        work[PATH + i] += share * work[SHIFT + i]


@_jit
def fundamental_block(offset_cosine, offset_sine, terms, work):
    """Channels of the fundamental and the offset; POWER keeps exp(i theta)."""
    a, b, d, e = terms[0, 1], terms[0, 2], terms[0, 3], terms[0, 4]
    for i in range(CHUNK):
        c, s = cos_sin(work[READ + i])
        work[POWER_C + i] = c
        work[POWER_S + i] = s
        work[COSINE + i] = offset_cosine + (a * c - b * s)
        work[SINE + i] = offset_sine + (d * c - e * s)


@_jit
def square_block(work):
    """exp(2 i theta) of POWER into GAP."""
    for i in range(CHUNK):
        c, s = work[POWER_C + i], work[POWER_S + i]
        work[GAP_C + i] = c * c - s * s
        work[GAP_S + i] = 2.0 * c * s


@_jit
def gap_block(gap, work):
    """exp(i gap theta) into GAP."""
    for i in range(CHUNK):
        c, s = cos_sin(gap * work[READ + i])
        work[GAP_C + i] = c
        work[GAP_S + i] = s


@_jit
def term_block(a, b, d, e, work):
    """Multiply POWER by GAP and add its share (a + i b, d + i e) to the channels."""
    for i in range(CHUNK):
        pc, ps, gc, gs = work[POWER_C + i], work[POWER_S + i], work[GAP_C + i], work[GAP_S + i]
        c = pc * gc - ps * gs
        s = pc * gs + ps * gc
        work[POWER_C + i] = c
        work[POWER_S + i] = s
        work[COSINE + i] += a * c - b * s
        work[SINE + i] += d * c - e * s


@_jit
def channel_block(offset_cosine, offset_sine, terms, work):
    """Both channels at READ from the rows of ``terms``: gap to the order before, C_n, S_n (real, imaginary)."""
    fundamental_block(offset_cosine, offset_sine, terms, work)
    for n in range(1, terms.shape[0]):
        if n == 1 and terms[1, 0] == 2.0:
            square_block(work)
        elif n == 1 or terms[n, 0] != terms[n - 1, 0]:
            gap_block(terms[n, 0], work)
        term_block(terms[n, 1], terms[n, 2], terms[n, 3], terms[n, 4], work)


@_inline
def _add_draw(row, rms, work):
    for i in range(CHUNK):
        work[row + i] += rms * work[DRAW + i]


@_jit
def noise_block(plan, anchor, ticks, reading, work):
    """Noise of one reading on both channels."""
    draw_block(plan, anchor, ticks, NOISE_COSINE, reading, work)
    _add_draw(COSINE, plan[0].noise, work)
    draw_block(plan, anchor, ticks, NOISE_SINE, reading, work)
    _add_draw(SINE, plan[0].noise, work)


@_jit
def convert_block(codes, lowest, highest, work):
    """Converter codes of both channels; returns how many were clipped."""
    clipped = 0
    for i in range(2 * CHUNK):
        code = np.floor(work[COSINE + i] * codes + 0.5)
        held = min(max(code, lowest), highest)
        clipped += code != held
        work[COSINE + i] = held
    return clipped


@_jit
def collect_block(reading, readings, work):
    """Add a reading to the sum of readings; the last one leaves the sum in the channels."""
    for i in range(2 * CHUNK):
        total = work[COSINE + i] + (work[SUM_C + i] if reading > 0 else 0.0)
        work[SUM_C + i] = total
        work[COSINE + i] = total


@_jit
def reading_block(plan, terms, sde, anchor, ticks, reading, state, work):
    """Channels of one reading, through noise and converter."""
    p = plan[0]
    read_block(reading * p.spacing, work)
    if sde.shape[0] > 0:
        shift_block(sde, 1.0 / p.readings, work)
    channel_block(p.offset_cosine, p.offset_sine, terms, work)
    if p.noise > 0.0:
        noise_block(plan, anchor, ticks, reading, work)
    if p.converter:
        state[0].clipped += convert_block(p.codes, p.lowest, p.highest, work)


@_jit
def arctangent_block(work):
    """Fraction of a period that the channels show."""
    for i in range(CHUNK):
        work[SHOWN + i] = turns_of(work[SINE + i], work[COSINE + i])


@_jit
def whole_block(anchor_whole, at, whole, work):
    """Whole periods: those that bring what is shown nearest to the true phase."""
    out = whole[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = anchor_whole + np.int64(np.rint(work[PATH + i] - work[SHOWN + i]))


@_jit
def count_block(factor, bias, at, count, work):
    """Counts within the period."""
    out = count[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = np.floor(work[SHOWN + i] * factor + (0.5 - bias))


@_jit
def uncounted_block(at, count, work):
    """The fraction itself where there are no counts."""
    out = count[at : at + CHUNK]
    for i in range(CHUNK):
        out[i] = work[SHOWN + i]


@_inline
def hold_start(level, reach, direction):
    """Count that a motion in this direction has when it has run for long: it trails by the reach."""
    if direction > 0.0:
        return np.ceil(level - reach)
    return np.floor(level + reach) if direction < 0.0 else np.rint(level)


@_inline
def hold_step(level, reach):
    """Counts to move by, as few as needed, where the position is ``level`` counts from the count."""
    if level > reach:
        return np.ceil(level - reach)
    return np.floor(level + reach) if level < -reach else 0.0


@_inline
def edge_step(move, level, reach, elapsed, plan, state):
    """Edges that appear within one sample; updates ``behind`` and ``age`` of the state.

    ``level`` is the position against the old count wanted. Crossings are taken as evenly spaced between the
    old and the new position, so edge m comes at the latest of: its crossing, m separations after the last
    edge, (m - f) separations after the first new crossing f. Nothing is looped over.
    """
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


@_inline
def _crossing_age(way, path, elapsed, ticked):
    """Time since the position had gone ``way`` of ``path``, whole ticks where there are ticks."""
    age = elapsed * (1.0 - min(max(way / path, 0.0), 1.0)) if path > 0.0 else 0.0
    return np.floor(age) if ticked else age


@_jit
def hold_block(plan, ticks, state, at, whole, count, work):
    """Counts with hysteresis or limited edges; ``whole`` comes in as the whole periods of the position."""
    p, s = plan[0], state[0]
    for i in range(CHUNK):
        position = work[SHOWN + i] * p.factor - p.bias
        elapsed = 1.0
        if p.ticked:
            elapsed = np.float64(ticks[i] - s.edge_tick)
            s.edge_tick = ticks[i]
        if s.started < 2:
            s.started = 2
            s.whole, s.count = whole[at + i], hold_start(position, p.reach, p.direction)
            s.behind, s.age, s.level = 0.0, 1e18, position - s.count
        level = np.float64(whole[at + i] - s.whole) * p.factor + position - s.count
        move = hold_step(level, p.reach)
        if p.sequential == 2:
            edge_step(move, level, p.reach, elapsed, plan, state)
        carry = np.floor((s.count + move) / p.factor)
        s.level = level - move
        s.count += move - carry * p.factor
        s.whole += np.int64(carry)
        whole[at + i] = s.whole
        count[at + i] = s.count - s.behind


@_jit
def position_block(factor, pitch, at, number, whole, count, out, offset):
    """Shown position, position unit."""
    share = 1.0 / factor
    turns, counts, shown = whole[at : at + number], count[at : at + number], out[offset : offset + number]
    for i in range(number):
        shown[i] = (np.float64(turns[i]) + counts[i] * share) * pitch


@_jit
def difference_block(factor, scale, now, old, number, whole, count, out, offset):
    """Velocity from whole periods and counts, each differenced by itself: nothing is lost far from zero."""
    turns, turns_before = whole[now : now + number], whole[old : old + number]
    counts, counts_before = count[now : now + number], count[old : old + number]
    velocity = out[offset : offset + number]
    for i in range(number):
        periods = np.float64(turns[i] - turns_before[i])
        velocity[i] = (periods * factor + (counts[i] - counts_before[i])) * scale


@_jit
def deviation_block(plan, anchor, at, whole, count, deviation):
    """Shown position less that of the steady motion, periods: small however far the axis has gone."""
    p = plan[0]
    share, line, step, slope, first = (
        1.0 / p.factor,
        anchor.line,
        p.line_step,
        p.line_slope,
        anchor.line_whole,
    )
    start = np.float64(np.int64(line)) * _UNIT_64
    turns, counts, out = whole[at : at + CHUNK], count[at : at + CHUNK], deviation[at : at + CHUNK]
    for i in range(CHUNK):
        turn = np.float64(np.int64(line + np.uint64(i) * step)) * _UNIT_64
        passed = np.rint(start + np.float64(i) * slope - turn)
        out[i] = (np.float64(turns[i] - first) - passed) + (counts[i] * share - turn)


@_inline
def section_step(entry, n, numbers, memory):
    """Second-order section n, transposed direct form II; numbers b0 b1 b2 a1 a2, memory from 2 on."""
    c, s = 5 * n, 2 + 2 * n
    out = numbers[c] * entry + memory[s]
    memory[s] = numbers[c + 1] * entry - numbers[c + 3] * out + memory[s + 1]
    memory[s + 1] = numbers[c + 2] * entry - numbers[c + 4] * out
    return out


@_inline
def sections_step(deviation, numbers, memory):
    """First difference through sections; memory: started, deviation before, states. At first all was steady."""
    if memory[0] == 0.0:
        memory[0], memory[1] = 1.0, deviation
    out = deviation - memory[1]
    memory[1] = deviation
    for n in range(numbers.size // 5):
        out = section_step(out, n, numbers, memory)
    return out


@_inline
def alpha_beta_step(deviation, numbers, memory):
    """Predict, compare, correct; memory: started, position, velocity a sample. At first all was steady."""
    if memory[0] == 0.0:
        memory[0], memory[1] = 1.0, deviation
    predicted = memory[1] + memory[2]
    error = deviation - predicted
    memory[1] = predicted + numbers[0] * error
    memory[2] += numbers[1] * error
    return memory[2]


@_jit
def slope_start(k, samples, deviation, memory):
    """Sums over the tails of the N samples before k: from m on, of e and of m e."""
    total = moment = 0.0
    for m in range(samples - 1, -1, -1):
        e = deviation[(k - samples + m) % deviation.size]
        total += e
        moment += np.float64(m) * e
        memory[2 + m], memory[3 + samples + m] = total, moment
    memory[0] = memory[1] = memory[2 + samples] = memory[3 + 2 * samples] = 0.0


@_inline
def slope_step(m, samples, deviation, memory):
    """Slope of a line through the newest N samples, the newest of them number m of its N: heads and tails."""
    middle = 0.5 * np.float64(samples - 1) - np.float64(m)
    memory[0] += deviation
    memory[1] += np.float64(m) * deviation
    head = middle * memory[0] + memory[1]
    tail = (middle - np.float64(samples)) * memory[3 + m] + memory[4 + samples + m]
    n = np.float64(samples)
    return (head + tail) * (12.0 / (n * (n * n - 1.0)))


@_jit
def sections_block(numbers, memory, deviation, work):
    """``sections_step`` over a chunk."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = sections_step(deviation[i], numbers, memory)


@_jit
def alpha_beta_block(numbers, memory, deviation, work):
    """``alpha_beta_step`` over a chunk."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = alpha_beta_step(deviation[i], numbers, memory)


@_jit
def slope_block(chunk, samples, at, memory, deviation, work):
    """Least squares over a chunk, a few operations a sample however long the line.

    Sums run from one multiple of N samples to the next, so that they do not depend on where a run began.
    """
    for i in range(CHUNK):
        k = chunk * CHUNK + i
        m = k % samples
        if m == 0:
            slope_start(at + i, samples, deviation, memory)
        work[ESTIMATE + i] = slope_step(m, samples, deviation[at + i], memory)


@_jit
def velocity_block(speed, scale, work):
    """ESTIMATE from periods a sample against the steady motion to velocity."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = speed + scale * work[ESTIMATE + i]


@_inline
def between(turns, table):
    """Periodic table at a phase; its last entry repeats the first."""
    place = (turns - np.floor(turns)) * np.float64(table.size - 1)
    j = min(np.int64(place), table.size - 2)
    return table[j] + (place - np.float64(j)) * (table[j + 1] - table[j])


@_inline
def edge_place(number, whole, plan, bends):
    """Phase at which an edge is passed, numbers counted from a whole period; noise is bound to the edge."""
    p = plan[0]
    level = (number + p.bias - 0.5 + p.direction * (p.reach - 0.5)) / p.factor
    place = level - between(level, bends[0])
    if p.scattered:
        counter = np.uint64(whole * np.int64(p.factor) + np.int64(number))
        a, b, _, _ = philox(counter & _LOW, counter >> _HALF, EDGE, _ZERO, p.key0, p.key1)
        place += between(level, bends[1]) * gaussian_pair(a, b)[0]
    return place


@_inline
def edge_before(turn, whole, plan, bends):
    """Number of the edge passed last at a phase."""
    p = plan[0]
    shown = turn + between(turn + between(turn, bends[0]), bends[0])
    level = shown * p.factor - p.bias + 0.5 - p.direction * (p.reach - 0.5)
    if p.direction > 0.0:
        number = np.floor(level) + 1.0
        while edge_place(number, whole, plan, bends) > turn:
            number -= 1.0
    else:
        number = np.ceil(level) - 1.0
        while edge_place(number, whole, plan, bends) < turn:
            number += 1.0
    return number


@_inline
def timing_step(turn, whole, tick, plan, bends):
    """Velocity of timed edges in steady motion; ``tick`` is the fraction of the clock's tick at the sample."""
    p = plan[0]
    newest = edge_before(turn, whole, plan, bends)
    older = newest
    if p.window > 0.0:
        older = edge_before(turn - p.window * p.line_slope, whole, plan, bends)
    alone = older == newest
    older = newest - p.direction if alone else older
    age = (turn - edge_place(newest, whole, plan, bends)) / p.line_slope
    before = (turn - edge_place(older, whole, plan, bends)) / p.line_slope
    ticks = np.floor(tick - age * p.tick_slope) - np.floor(tick - before * p.tick_slope)
    # no two edges in one tick: the hardware would have to divide by zero
    moved = p.direction * abs(newest - older) / p.factor * p.tick_slope / max(ticks, 1.0)
    if not alone:
        return moved * p.scale
    held = 1.0 / (p.factor * max(age, 1e-300))
    return 0.0 if age > p.rate else min(max(moved, -held), held) * p.scale


@_jit
def timing_block(plan, anchor, bends, work):
    """Velocity of timed edges over a chunk."""
    p = plan[0]
    start = np.float64(np.int64(anchor.line)) * _UNIT_64
    first = np.uint64(anchor.chunk * CHUNK) * p.tick_step
    for i in range(CHUNK):
        turn = np.float64(np.int64(anchor.line + np.uint64(i) * p.line_step)) * _UNIT_64
        whole = anchor.line_whole + np.int64(np.rint(start + np.float64(i) * p.line_slope - turn))
        tick = first + np.uint64(i) * p.tick_step
        tick = np.float64(np.int64(tick >> np.uint64(1))) * (2.0 * _UNIT_64)
        work[ESTIMATE + i] = timing_step(turn, whole, tick, plan, bends)


@_jit
def estimate_block(plan, anchor, at, history, estimator, work):
    """Velocity of a chunk into ESTIMATE, unless it is a difference, which needs no state."""
    p = plan[0]
    whole, count = history
    numbers, memory, deviation, bends = estimator
    if p.estimator == TIMING:
        if p.direction != 0.0:
            timing_block(plan, anchor, bends, work)
        else:
            work[ESTIMATE : ESTIMATE + CHUNK] = 0.0
        return
    deviation_block(plan, anchor, at, whole, count, deviation)
    if p.estimator == SLOPE:
        slope_block(anchor.chunk, p.span, at, memory, deviation, work)
    elif p.estimator == SECTIONS:
        sections_block(numbers, memory, deviation[at : at + CHUNK], work)
    else:
        alpha_beta_block(numbers, memory, deviation[at : at + CHUNK], work)
    velocity_block(p.speed, p.scale, work)


@_jit
def chunk_block(plan, terms, sde, anchor, ticks, state, at, whole, count, work):
    """Compute one chunk into the history of whole periods and counts."""
    p = plan[0]
    move_block(plan, anchor, ticks, state, work)
    for reading in range(p.readings):
        reading_block(plan, terms, sde, anchor, ticks, reading, state, work)
        if p.readings > 1:
            collect_block(reading, p.readings, work)
    arctangent_block(work)
    whole_block(anchor.whole, at, whole, work)
    if p.sequential:
        hold_block(plan, ticks, state, at, whole, count, work)
    elif p.counted:
        count_block(p.factor, p.bias, at, count, work)
    else:
        uncounted_block(at, count, work)


@_jit
def output_block(plan, at, number, history, work, position, velocity, offset):
    """Position and, where wanted, velocity of ``number`` samples of the history from ``at`` on."""
    p = plan[0]
    whole, count = history
    position_block(p.factor, p.pitch, at, number, whole, count, position, offset)
    if velocity.size == 0:
        return
    if p.estimator != DIFFERENCE:
        first = ESTIMATE + at % CHUNK
        velocity[offset : offset + number] = work[first : first + number]
        return
    scale = p.pitch * p.rate / (p.factor * p.span)
    old = (at - p.span) % whole.size
    head = min(number, whole.size - old)  # the history is a ring: the old samples may go round its end
    difference_block(p.factor, scale, at, old, head, whole, count, velocity, offset)
    difference_block(p.factor, scale, at + head, 0, number - head, whole, count, velocity, offset + head)


@_jit
def chain_block(plan, tables, anchors, ticks, span, state, history, estimator, work, position, velocity):
    """Compute chunks and hand out the samples asked for; ``span`` is chunks, chunks known, from, to, offset.

    ``from`` and ``to`` count from the start of the first chunk; ``tables`` is (terms, sde), ``history`` (whole,
    count), ``estimator`` (numbers, memory, deviation, bends).
    """
    whole, count = history
    slots = whole.size // CHUNK
    offset = span[4]
    for j in range(span[0]):
        at = (anchors[j].chunk % slots) * CHUNK
        if j >= span[1]:
            chunk_block(plan, tables[0], tables[1], anchors[j], ticks[j], state, at, whole, count, work)
            if plan[0].estimator != DIFFERENCE:
                estimate_block(plan, anchors[j], at, history, estimator, work)
        first = max(span[2] - j * CHUNK, 0)
        number = min(span[3] - j * CHUNK, CHUNK) - first
        if number > 0:
            output_block(plan, at + first, number, history, work, position, velocity, offset)
            offset += number


@_jit
def summary_block(velocity, speed, first, rate, skip, time, lanes):
    """Times of a piece of a run; rows of ``lanes``: squares about the speed, least, largest, ``skip`` left out."""
    for i in range(time.size):
        time[i] = np.float64(first + i) / rate
    squares, low, high = lanes[0], lanes[1], lanes[2]
    squares[:], low[:], high[:] = 0.0, np.inf, -np.inf
    full = skip + (velocity.size - skip) // LANES * LANES
    for begin in range(skip, full, LANES):
        part = velocity[begin : begin + LANES]
        for i in range(LANES):
            squares[i] += (part[i] - speed) * (part[i] - speed)
            low[i] = min(low[i], part[i])
            high[i] = max(high[i], part[i])
    for i in range(full, velocity.size):
        squares[0] += (velocity[i] - speed) * (velocity[i] - speed)
        low[0] = min(low[0], velocity[i])
        high[0] = max(high[0], velocity[i])
