"""Every compiled loop: the chain from the phase of the true position to the velocity, chunk by chunk.

Phases are in signal periods. A chunk is CHUNK samples, aligned to sample numbers, and is worked on in short
loops over the rows of one array (constant distances between rows let them vectorise without alias checks).
Polynomials and selects stand for the functions of the C library, which do not vectorise; each names what it
equals and how well. Chance is counter-based: a draw depends on seed, cause, reading and sample number only.
"""

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic

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


@intrinsic
def lent(context, array):
    """Return the same array without its reference count: counting is atomic and would take longer than a step."""
    # The caller keeps the array alive.

    def build(context, builder, signature, values):
        found = context.make_array(signature.return_type)(context, builder, values[0])
        found.meminfo = found.meminfo.type(None)
        return found._getvalue()

    return array(array), build


def _copied(builder, target, source, first):
    """Copy the rows of one lane from row ``first`` on."""
    start = [ir.Constant(ir.IntType(64), first * ALONE)]
    number = ir.Constant(ir.IntType(64), (LOOP_ROWS - first) * ALONE)
    cgutils.raw_memcpy(builder, builder.gep(target, start), builder.gep(source, start), number, 8)


@intrinsic
def held_rows(context, array):
    """Return a copy of one lane's lasting rows, and room for the others, on the stack."""
    # No other pointer leads there and every index is known when it is compiled, so that the rows become registers: in
    # memory each stage of a step would wait for the stage before it to be stored and loaded again.

    def build(context, builder, signature, values):
        found = context.make_array(signature.return_type)(context, builder, values[0])
        rows = cgutils.alloca_once(builder, ir.ArrayType(ir.DoubleType(), LOOP_ROWS * ALONE))
        rows = builder.bitcast(rows, found.data.type)
        _copied(builder, rows, found.data, LASTING)
        found.data, found.meminfo = rows, found.meminfo.type(None)
        return found._getvalue()

    return array(array), build


@intrinsic
def give_rows(context, rows, array):
    """Copy back what is carried from step to step."""

    def build(context, builder, signature, values):
        source, target = (
            context.make_array(kind)(context, builder, value).data
            for kind, value in zip(signature.args, values, strict=True)
        )
        _copied(builder, target, source, CARRIED)

    return types.void(rows, array), build


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
    # Estrin's order: half the latency of Horner's, which is what one lane of a loop waits for; the last step of
    # each sum is Horner's, so that its rounding is that of the result alone
    w = r * r
    v = w * w
    u = v * v
    s = fma(fma(42.058685020134185, w, -76.70585970427436), v, fma(81.60524927594804, w, -41.341702240399634))
    s = fma(fma(3.780868920406788, w, -15.093804208315735), u, s)
    s = fma(s, w, 6.283185307179586) * r
    c = fma(fma(-26.42625327584422, w, 60.24464135270193), v, fma(-85.4568172066438, w, 64.93939402266824))
    c = fma(fma(-1.699034378775452, w, 7.90320691091263), u, c)
    c = fma(fma(c, w, -19.739208802178716), w, 1.0)
    cosine, sine = (s, c) if quarter & 1 else (c, s)
    return -cosine if (quarter + 1) & 2 else cosine, -sine if quarter & 2 else sine


@_inline
def turns_of(sine, cosine):
    """Arctangent atan2(sine, cosine)/(2 pi), error below 1e-16 turn; 0 where both are 0."""
    x, y = abs(cosine), abs(sine)
    large, small = max(x, y), min(x, y)
    far = small > 0.41421356237309503 * large
    # one quotient of selected terms: a branch would be guessed wrong several times a period
    above, below = (small - large if far else small), (small + large if far else large)
    t = above / (below if below > 0.0 else 1.0)
    w = t * t
    v = w * w
    u = v * v
    a = fma(-0.022736420275002712, w, 0.0318309886165569)
    b = fma(-0.014468414712685874, w, 0.017683874718335706)
    d = fma(-0.010568260393788116, w, 0.012238941094798889)
    e = fma(-0.00692013792270247, w, 0.009053288245538386)
    p = fma(fma(fma(0.003363796531927948, v, e), v, d), u, fma(b, v, a))
    p = fma(fma(p, w, -0.053051647697290656), w, 0.15915494309189532) * t
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
    """Two normal numbers of two random words (Box and Muller 1958): 40 bits radius, 24 bits angle."""
    # The largest is sqrt(82 ln 2) = 7.5; a radius of 32 bits would end at 6.7.
    radius = np.float64(np.int64((a << _8) | (b >> _24)))
    radius = np.sqrt(-2.0 * log_of((radius + 0.5) * _UNIT_40))
    cosine, sine = cos_sin(np.float64(np.int64(b & _BITS_24)) * _UNIT_24)
    return radius * cosine, radius * sine


@_jit
def gaussian_block(chunk, cause, reading, k0, k1, work):
    """Fill DRAW with the normal numbers of a chunk; a counter has those of four samples in a row."""
    first = np.uint64(chunk) * np.uint64(FOURS)
    for i in range(FOURS):
        counter = first + np.uint64(i)
        a, b, c, d = philox(counter & _LOW, counter >> _HALF, cause, reading, k0, k1)
        z0, z1 = gaussian_pair(a, b)
        z2, z3 = gaussian_pair(c, d)
        work[DRAW + 4 * i] = z0
        work[DRAW + 4 * i + 1] = z1
        work[DRAW + 4 * i + 2] = z2
        work[DRAW + 4 * i + 3] = z3


@_jit
def gaussian_at_block(ticks, cause, reading, k0, k1, work):
    """Fill DRAW with the normal numbers that ``gaussian_block`` has for these sample numbers."""
    for i in range(CHUNK):
        lane, counter = ticks[i] % 4, np.uint64(ticks[i] // 4)
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


@_inline
def _sum_lines(lines, row, work):
    """Sum of lines, rows (order, cosine, sine part), at the turns of a row of work, into SHIFT."""
    for i in range(CHUNK):
        work[SHIFT + i] = 0.0
    for line in range(lines.shape[0]):
        order, along_c, along_s = lines[line, 0], lines[line, 1], lines[line, 2]
        for i in range(CHUNK):
            c, s = cos_sin(order * work[row + i])
            work[SHIFT + i] += along_c * c + along_s * s


@_inline
def _move_by_shift(share, work):
    """Shift READ by SHIFT, and PATH by ``share`` of it."""
    for i in range(CHUNK):
        work[READ + i] += work[SHIFT + i]
        work[PATH + i] += share * work[SHIFT + i]


@_jit
def shift_block(sde, share, work):
    """Shift READ by the given error, and PATH by ``share`` of it."""
    _sum_lines(sde, READ, work)
    _move_by_shift(share, work)


@_jit
def ring_block(plan, anchor, ticks, ring, earlier, share, work):
    """Shift READ by the error of the ring, whose orders are those of a turn, and PATH by ``share`` of it."""
    # The angle is that of the steady motion: noise moves it by far too little to change the error.
    p = plan[0]
    for i in range(CHUNK):
        n = ticks[i] - anchor.tick if p.ticked else i
        work[GAP_C + i] = np.float64(np.int64(anchor.ring + np.uint64(n) * p.ring_step)) * _UNIT_64 - earlier
    _sum_lines(ring, GAP_C, work)
    _move_by_shift(share, work)


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
def reading_block(plan, tables, anchor, ticks, reading, state, work):
    """Channels of one reading, through noise and converter."""
    p = plan[0]
    terms, shifts = tables
    ring, sde = shifts[: p.rings], shifts[p.rings :]
    read_block(reading * p.spacing, work)
    if ring.shape[0] > 0:
        ring_block(plan, anchor, ticks, ring, reading * p.spacing * p.per_turn, 1.0 / p.readings, work)
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
    """Edges that appear within one sample; updates ``behind`` and ``age`` of the state."""
    # ``level`` is the position against the old count wanted. Crossings are taken as evenly spaced between the old and
    # the new position, so edge m comes at the latest of: its crossing, m separations after the last edge, (m - f)
    # separations after the first new crossing f. Nothing is looped over.
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


@_inline
def held_step(position, whole, elapsed, plan, direction, state):
    """Advance the held count by one sample; ``position`` is that within the whole period, counts less bias."""
    p, s = plan[0], state[0]
    if s.started < 2:
        s.started = 2
        s.whole, s.count = whole, hold_start(position, p.reach, direction)
        s.behind, s.age, s.level = 0.0, 1e18, position - s.count
    level = np.float64(whole - s.whole) * p.factor + position - s.count
    move = hold_step(level, p.reach)
    if p.sequential == 2:
        edge_step(move, level, p.reach, elapsed, plan, state)
    carry = np.floor((s.count + move) / p.factor)
    s.level = level - move
    s.count += move - carry * p.factor
    s.whole += np.int64(carry)


@_jit
def hold_block(plan, ticks, state, at, whole, count, work):
    """Counts with hysteresis or limited edges; ``whole`` comes in as the whole periods of the position."""
    p, s = plan[0], state[0]
    for i in range(CHUNK):
        elapsed = 1.0
        if p.ticked:
            elapsed = np.float64(ticks[i] - s.edge_tick)
            s.edge_tick = ticks[i]
        position = work[SHOWN + i] * p.factor - p.bias
        held_step(position, whole[at + i], elapsed, plan, p.direction, state)
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
def section_step(entry, n, numbers, memory, lane, stride):
    """Second-order section n, transposed direct form II; numbers b0 b1 b2 a1 a2, memory from row 2 on."""
    c, s = 5 * n, (2 + 2 * n) * stride + lane
    out = numbers[c] * entry + memory[s]
    memory[s] = numbers[c + 1] * entry - numbers[c + 3] * out + memory[s + stride]
    memory[s + stride] = numbers[c + 2] * entry - numbers[c + 4] * out
    return out


@_inline
def fall_step(deviation, memory, lane, stride):
    """First difference; memory rows: started, deviation before. At first all was steady."""
    before = memory[stride + lane] if memory[lane] != 0.0 else deviation
    memory[lane] = 1.0
    memory[stride + lane] = deviation
    return deviation - before


@_inline
def alpha_beta_step(deviation, alpha, beta, memory, lane, stride):
    """Predict, compare, correct; memory rows: started, position, velocity a sample. At first all was steady."""
    position = memory[stride + lane] if memory[lane] != 0.0 else deviation
    velocity = memory[2 * stride + lane]
    predicted = position + velocity
    error = deviation - predicted
    memory[lane] = 1.0
    memory[stride + lane] = predicted + alpha * error
    memory[2 * stride + lane] = velocity + beta * error
    return velocity + beta * error


@_inline
def slope_start(k, samples, deviation, memory, lane, stride):
    """Sums over the tails of the N samples before k: from m on, of e and of m e."""
    total = moment = 0.0
    slots = deviation.size // stride
    for m in range(samples - 1, -1, -1):
        e = deviation[(k - samples + m) % slots * stride + lane]
        total += e
        moment += np.float64(m) * e
        memory[(2 + m) * stride + lane] = total
        memory[(3 + samples + m) * stride + lane] = moment
    memory[lane] = memory[stride + lane] = 0.0
    memory[(2 + samples) * stride + lane] = memory[(3 + 2 * samples) * stride + lane] = 0.0


@_inline
def slope_step(m, samples, deviation, memory, lane, stride):
    """Slope of a line through the newest N samples, the newest of them number m of its N: heads and tails."""
    middle = 0.5 * np.float64(samples - 1) - np.float64(m)
    head = memory[lane] + deviation
    moment = memory[stride + lane] + np.float64(m) * deviation
    memory[lane] = head
    memory[stride + lane] = moment
    tail, tail_moment = memory[(3 + m) * stride + lane], memory[(4 + samples + m) * stride + lane]
    n = np.float64(samples)
    total = (middle * head + moment) + ((middle - n) * tail + tail_moment)
    return total * (12.0 / (n * (n * n - 1.0)))


@_jit
def sections_block(numbers, memory, deviation, work):
    """First difference through second-order sections over a chunk."""
    for i in range(CHUNK):
        out = fall_step(deviation[i], memory, 0, 1)
        for n in range(numbers.size // 5):
            out = section_step(out, n, numbers, memory, 0, 1)
        work[ESTIMATE + i] = out


@_jit
def alpha_beta_block(numbers, memory, deviation, work):
    """``alpha_beta_step`` over a chunk."""
    for i in range(CHUNK):
        work[ESTIMATE + i] = alpha_beta_step(deviation[i], numbers[0], numbers[1], memory, 0, 1)


@_jit
def slope_block(chunk, samples, at, memory, deviation, work):
    """Least squares over a chunk, a few operations a sample however long the line."""
    # Sums run from one multiple of N samples to the next, so that they do not depend on where a run began.
    for i in range(CHUNK):
        k = chunk * CHUNK + i
        m = k % samples
        if m == 0:
            slope_start(at + i, samples, deviation, memory, 0, 1)
        work[ESTIMATE + i] = slope_step(m, samples, deviation[at + i], memory, 0, 1)


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
def ring_at(angle, ring):
    """Error of the ring at an angle, turns; in periods."""
    total = 0.0
    for line in range(ring.shape[0]):
        c, s = cos_sin(ring[line, 0] * angle)
        total += ring[line, 1] * c + ring[line, 2] * s
    return total


@_inline
def edge_place(number, whole, direction, turned, plan, bends):
    """Phase at which an edge is passed, numbers counted from a whole period."""
    # Noise is bound to the edge, and drawn anew once the motion has ``turned``.
    p = plan[0]
    level = (number + p.bias - 0.5 + direction * (p.reach - 0.5)) / p.factor
    place = level - between(level, bends[0])
    if p.scattered:
        counter = np.uint64(whole * np.int64(p.factor) + np.int64(number))
        a, b, _, _ = philox(counter & _LOW, counter >> _HALF, EDGE, np.uint64(turned), p.key0, p.key1)
        place += between(level, bends[1]) * gaussian_pair(a, b)[0]
    return place


@_inline
def edge_before(turn, whole, direction, turned, plan, bends):
    """Number of the edge passed last at a phase."""
    p = plan[0]
    shown = turn + between(turn + between(turn, bends[0]), bends[0])
    level = shown * p.factor - p.bias + 0.5 - direction * (p.reach - 0.5)
    if direction > 0.0:
        number = np.floor(level) + 1.0
        while edge_place(number, whole, direction, turned, plan, bends) > turn:
            number -= 1.0
    else:
        number = np.ceil(level) - 1.0
        while edge_place(number, whole, direction, turned, plan, bends) < turn:
            number += 1.0
    return number


@_inline
def tick_of(k, step):
    """Fraction of the timing clock's tick at sample k."""
    return np.float64(np.int64((np.uint64(k) * step) >> np.uint64(1))) * (2.0 * _UNIT_64)


@_inline
def timed_counts(counts, age, before, tick, plan):
    """Counts a sample over the time between two edges, ages in samples, rounded down to the clock."""
    p = plan[0]
    ticks = np.floor(tick - age * p.tick_slope) - np.floor(tick - before * p.tick_slope)
    # no two edges in one tick: the hardware would have to divide by zero
    return counts * p.tick_slope / max(ticks, 1.0)


@_inline
def held_down(moved, age, plan):
    """Counts a sample of single counts, no more than the age of the last edge allows; 0 after one second."""
    held = 1.0 / max(age, 1e-300)
    return 0.0 if age > plan[0].rate else min(max(moved, -held), held)


@_inline
def timing_step(turn, whole, tick, angle, plan, bends, ring):
    """Velocity of timed edges in steady motion; ``tick`` is the fraction of the clock's tick at the sample."""
    # What passes the head is ahead of the motion by the error of the ring at ``angle``.
    p = plan[0]
    back = p.window * p.line_slope
    ahead, ahead_back = ring_at(angle, ring), ring_at(angle - back * p.per_turn, ring)
    newest = edge_before(turn + ahead, whole, p.direction, 0, plan, bends)
    older = newest
    if p.window > 0.0:
        older = edge_before(turn - back + ahead_back, whole, p.direction, 0, plan, bends)
    alone = older == newest
    older, ahead_back = (newest - p.direction, ahead) if alone else (older, ahead_back)
    gone = turn - (edge_place(newest, whole, p.direction, 0, plan, bends) - ahead)
    gone_before = turn - (edge_place(older, whole, p.direction, 0, plan, bends) - ahead_back)
    # the error of the ring was another where the edge was passed
    age = (gone + (ring_at(angle - gone * p.per_turn, ring) - ahead)) / p.line_slope
    before = (gone_before + (ring_at(angle - gone_before * p.per_turn, ring) - ahead_back)) / p.line_slope
    moved = timed_counts(newest - older, age, before, tick, plan)
    return (held_down(moved, age, plan) if alone else moved) / p.factor * p.scale


@_jit
def timing_block(plan, anchor, bends, ring, work):
    """Velocity of timed edges over a chunk."""
    p = plan[0]
    start = np.float64(np.int64(anchor.line)) * _UNIT_64
    for i in range(CHUNK):
        turn = np.float64(np.int64(anchor.line + np.uint64(i) * p.line_step)) * _UNIT_64
        whole = anchor.line_whole + np.int64(np.rint(start + np.float64(i) * p.line_slope - turn))
        tick = tick_of(anchor.chunk * CHUNK + i, p.tick_step)
        angle = np.float64(np.int64(anchor.ring + np.uint64(i) * p.ring_step)) * _UNIT_64
        work[ESTIMATE + i] = timing_step(turn, whole, tick, angle, plan, bends, ring)


@_jit
def estimate_block(plan, anchor, at, history, estimator, ring, work):
    """Velocity of a chunk into ESTIMATE, unless it is a difference, which needs no state."""
    p = plan[0]
    whole, count = history
    numbers, memory, deviation, bends = estimator
    if p.estimator == TIMING:
        if p.direction != 0.0:
            timing_block(plan, anchor, bends, ring, work)
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
def chunk_block(plan, tables, anchor, ticks, state, at, whole, count, work):
    """Compute one chunk into the history of whole periods and counts."""
    p = plan[0]
    move_block(plan, anchor, ticks, state, work)
    for reading in range(p.readings):
        reading_block(plan, tables, anchor, ticks, reading, state, work)
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
    """Compute chunks and hand out the samples asked for; ``span`` is chunks, chunks known, from, to, offset."""
    # ``from`` and ``to`` count from the start of the first chunk; ``tables`` is (terms, shifts: rows of the ring,
    # then of the given error), ``history`` (whole, count), ``estimator`` (numbers, memory, deviation, bends).
    whole, count = history
    slots = whole.size // CHUNK
    offset = span[4]
    for j in range(span[0]):
        at = (anchors[j].chunk % slots) * CHUNK
        if j >= span[1]:
            chunk_block(plan, tables, anchors[j], ticks[j], state, at, whole, count, work)
            if plan[0].estimator != DIFFERENCE:
                estimate_block(plan, anchors[j], at, history, estimator, tables[1][: plan[0].rings], work)
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


# The closed loop: the same steps for one speed or for many side by side, in lanes. A row of an array is one quantity
# of all lanes; ``n`` is the number of lanes, ``s`` the distance of rows. Both are constants where it is compiled, so
# that for one lane the loops over lanes vanish. Signals are deviations from the steady motion, whose phase is exact.
MOST_LANES = 256
ALONE = 1
DRAWN = 64  # samples of many lanes whose chance is drawn at a time: it stays in the cache until it is used
WIDTH = MOST_LANES + 8  # a power of two would put all rows into the same few places of the cache
MOST_STATES = 5
CURVES = 4  # measured, torque, actual, position
COLUMNS = 5  # of one run: position read, true position, true velocity, measured velocity, torque
# Rows: what lasts a step only, what each lane keeps for ever, and what is carried from step to step.
MOVED_, READ_, PATH_, SHIFT_, POWER_C_, POWER_S_, GAP_C_, GAP_S_, COSINE_, SINE_, SUM_C_, SUM_S_ = range(12)
SHOWN_, PERIODS_, COUNT_, ERROR_, ESTIMATE_, AWAY_, AWAY_WHOLE_, ANGLE_ = range(12, 20)
WISH_, TORQUE_, COG_, NEXT_, CURVE_ = 20, 21, 22, 23, 28
SLOPE_, LINE_SLOPE_, SPACING_, LAG_, CLOCK_, DIRECTION_ = range(32, 38)
SPEED_, HOLDING_, DRAG_, SPEED_BIAS_, TORQUE_BIAS_, OFFSET_, BOUND_ = range(38, 45)
TURN_, WHOLE_, LINE_, LINE_WHOLE_, RING_, JITTER_, INTEGRAL_, STOP_ = range(45, 53)
STATE_, FIRST_, TOTAL_, SQUARE_ = 53, 58, 62, 66
LOOP_ROWS = 70
LASTING = SLOPE_
CARRIED = TURN_
T_STARTED, T_COUNT, T_EDGES, T_WAY, T_AGE, T_OLD, T_TURNED, T_WHOLE, T_TURN = range(9)
T_RING = 9  # first row of the samples kept for the window: count, age of its edge, turned, whole, turn
T_KEPT = 5
PHASE_Q, STEP_Q, LINE_Q, LINE_STEP_Q, KEY0_Q, KEY1_Q, RING_Q, RING_STEP_Q = range(8)
PHASE_ROWS = 8
NEWER, OLDER, LOAD, MOTOR = range(4)  # columns after the transition matrix

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


@_inline
def exp_of(x):
    """Exponential of x <= 0, relative error below 1e-15; 0 below -700."""
    shifted = x * 1.4426950408889634 + _NEAREST
    k = shifted - _NEAREST
    r = fma(-k, 1.90821492927058770002e-10, fma(-k, 6.93147180369123816490e-01, x))
    p = fma(fma(2.505210838544172e-8, r, 2.755731922398589e-7), r, 2.7557319223985893e-6)
    p = fma(fma(fma(p, r, 2.48015873015873e-5), r, 1.984126984126984e-4), r, 1.388888888888889e-3)
    p = fma(fma(fma(p, r, 8.333333333333333e-3), r, 4.1666666666666664e-2), r, 0.16666666666666666)
    p = fma(fma(fma(p, r, 0.5), r, 1.0), r, 1.0)
    power = np.int64((np.int64(max(k, -1020.0)) + 1023) << 52).view(np.float64)
    return p * power if x > -700.0 else 0.0


@_jit
def spread_block(n, s, sample, cause, reading, row, rows, q, draws):
    """Normal numbers of DRAWN samples of all lanes, a row of each sample: those of ``gaussian_block``."""
    first, key0, key1 = np.uint64(sample // 4), q[KEY0_Q * s :], q[KEY1_Q * s :]
    for k in range(DRAWN // 4):
        counter = first + np.uint64(k)
        low, high = counter & _LOW, counter >> _HALF
        place = (4 * k * rows + row) * s
        out0, out1 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        place += 2 * rows * s
        out2, out3 = draws[place : place + n], draws[place + rows * s : place + rows * s + n]
        for i in range(n):
            a, b, c, d = philox(low, high, cause, np.uint64(reading), key0[i], key1[i])
            out0[i], out1[i] = gaussian_pair(a, b)
            out2[i], out3[i] = gaussian_pair(c, d)


@_jit
def spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws):
    """``spread_block`` for the samples of another clock."""
    key0, key1 = q[KEY0_Q * s :], q[KEY1_Q * s :]
    for k in range(span):
        lane, counter = ticks[k] % 4, np.uint64(ticks[k] // 4)
        place = (k * rows + row) * s
        out = draws[place : place + n]
        for i in range(n):
            a, b, c, d = philox(counter & _LOW, counter >> _HALF, cause, np.uint64(reading), key0[i], key1[i])
            z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
            out[i] = z1 if lane & 1 else z0


@_jit
def spread_single(s, chunk, cause, reading, row, rows, q, work, draws):
    """Normal numbers of a chunk of one lane."""
    gaussian_block(chunk, cause, np.uint64(reading), q[KEY0_Q * s], q[KEY1_Q * s], work)
    for k in range(CHUNK):
        draws[(k * rows + row) * s] = work[DRAW + k]


@_jit
def spread_correlated(n, s, span, p, loop, ticks, w, rows, draws):
    """``correlate_block`` for all lanes."""
    for k in range(span):
        correlation = p.correlation
        if p.ticked:
            jump = ticks[k] - loop[0].tick
            loop[0].tick = ticks[k]
            correlation = p.correlation_more if jump > p.jump else (p.correlation if jump > 0 else 1.0)
        if not loop[0].started:
            loop[0].started = 1
            correlation = 0.0
        fresh = np.sqrt(1.0 - correlation * correlation)
        for i in range(n):
            value = correlation * w[JITTER_ * s + i] + fresh * draws[k * rows * s + i]
            w[JITTER_ * s + i] = value
            draws[k * rows * s + i] = value


@_jit
def draws_block(n, s, sample, plan, loop, ticks, w, q, work, draws):
    """All chance from a sample on, of a chunk for one lane, of DRAWN samples for more."""
    # Sample by sample: jitter, clock, then noise of both channels reading by reading.
    p = plan[0]
    rows, span = draw_rows(p), draw_span(n)
    causes = (JITTER, CLOCK, NOISE_COSINE, NOISE_SINE)
    for row in range(rows):
        cause = causes[row] if row < 2 else causes[2 + row % 2]
        reading = max(row - 2, 0) // 2
        used = p.jitter > 0.0 if row == 0 else (loop[0].clock > 0.0 if row == 1 else p.noise > 0.0)
        if used and p.ticked:
            spread_at_block(n, s, span, ticks, cause, reading, row, rows, q, draws)
        elif used and n == 1:
            spread_single(s, sample // CHUNK, cause, reading, row, rows, q, work, draws)
        elif used:
            spread_block(n, s, sample, cause, reading, row, rows, q, draws)
    if p.jitter > 0.0 and p.correlated:
        spread_correlated(n, s, span, p, loop, ticks, w, rows, draws)


@_inline
def draw_span(n):
    """Samples for which chance is drawn at a time."""
    return CHUNK if n == 1 else DRAWN


@_inline
def draw_rows(p):
    """Rows of chance a sample: jitter, clock, and two a reading."""
    return 2 + 2 * p.readings


@_inline
def at(place, i):
    """Index of lane i of a row: unsigned, since the test for negative ones would keep a loop from vectorising."""
    return np.uint64(place + i)


@_inline
def ring_place(k, rows, s):
    """Place of sample k in a ring; rings have a power of two of rows, a division would take longer than a step."""
    return (k & (rows.size // s - 1)) * s


@_inline
def away_lanes(n, s, c, w):
    """Deviation of the encoder's position, periods: whole ones and the rest."""
    for i in range(n):
        away = w[STATE_ * s + i]
        if c.far:
            away += w[(STATE_ + 2) * s + i]
        away *= c.per_pitch
        whole = np.rint(away)
        w[AWAY_WHOLE_ * s + i] = whole
        w[AWAY_ * s + i] = away - whole


@_inline
def keep_lanes(n, s, k, c, w, past):
    """Remember position and velocity of the encoder, periods and periods a sample."""
    place = ring_place(k, past, 2 * s)
    for i in range(n):
        position, velocity = w[STATE_ * s + i], w[(STATE_ + 1) * s + i]
        if c.far:
            position += w[(STATE_ + 2) * s + i]
            velocity += w[(STATE_ + 3) * s + i]
        past[at(place, i)] = position * c.per_pitch
        past[at(place + s, i)] = velocity * (c.per_pitch * c.period)


@_inline
def aged_lanes(n, s, k, age, c, w, past):
    """Deviation ``age`` samples ago: the cubic through position and velocity at the samples before and after."""
    whole = np.floor(age)
    u = 1.0 - (age - whole)
    after = ring_place(k - np.int64(whole), past, 2 * s)
    before = ring_place(k - np.int64(whole) - 1, past, 2 * s)
    b = u * u * (3.0 - 2.0 * u)
    va, vb = u * (1.0 - u) * (1.0 - u), u * u * (u - 1.0)
    for i in range(n):
        x, y = past[at(before, i)], past[at(after, i)]
        away = y + (1.0 - b) * (x - y) + (va * past[at(before + s, i)] + vb * past[at(after + s, i)])
        turns = np.rint(away)
        w[AWAY_WHOLE_ * s + i] = turns
        w[AWAY_ * s + i] = away - turns


@_inline
def moved_lanes(n, s, kk, p, c, w, draws):
    """Phase of the steady motion with jitter of position and clock; PATH the same less the lag."""
    for i in range(n):
        w[MOVED_ * s + i] = w[TURN_ * s + i]
        w[PATH_ * s + i] = w[TURN_ * s + i] - w[LAG_ * s + i]
    base = kk % draw_span(n) * draw_rows(p) * s
    if p.jitter > 0.0:
        for i in range(n):
            move = p.jitter * draws[at(base, i)]
            w[MOVED_ * s + i] += move
            w[PATH_ * s + i] += move
    if c.clock > 0.0:
        share = c.clock * c.per_pitch
        for i in range(n):
            drawn = draws[at(base + s, i)]
            move = w[CLOCK_ * s + i] * drawn
            move += share * w[(STATE_ + 1) * s + i] * drawn
            w[MOVED_ * s + i] += move
            w[PATH_ * s + i] += move


@_inline
def place_lanes(n, s, reading, w):
    """Phase of one reading."""
    for i in range(n):
        w[READ_ * s + i] = (w[MOVED_ * s + i] - reading * w[SPACING_ * s + i]) + w[AWAY_ * s + i]


@_inline
def _sum_lines_lanes(n, s, lines, row, share, w):
    """Shift READ by the sum of lines at the turns of a row, and PATH by ``share`` of it."""
    for i in range(n):
        w[SHIFT_ * s + i] = 0.0
    for line in range(lines.shape[0]):
        order, along_c, along_s = lines[line, 0], lines[line, 1], lines[line, 2]
        for i in range(n):
            cosine, sine = cos_sin(order * w[row * s + i])
            w[SHIFT_ * s + i] += along_c * cosine + along_s * sine
    for i in range(n):
        w[READ_ * s + i] += w[SHIFT_ * s + i]
        w[PATH_ * s + i] += share * w[SHIFT_ * s + i]


@_inline
def ringed_lanes(n, s, reading, ring, p, w):
    """``ring_block``, at the angle to which the loop has moved the ring."""
    for i in range(n):
        away = w[AWAY_WHOLE_ * s + i] + w[AWAY_ * s + i] - reading * w[SPACING_ * s + i]
        w[ANGLE_ * s + i] = w[RING_ * s + i] + away * p.per_turn
    _sum_lines_lanes(n, s, ring, ANGLE_, 1.0 / p.readings, w)


@_inline
def fundamental_lanes(n, s, p, terms, w):
    """``fundamental_block``; rows of ``terms`` are C_n, S_n (real, imaginary) one after the other."""
    for i in range(n):
        cosine, sine = cos_sin(w[READ_ * s + i])
        w[POWER_C_ * s + i] = cosine
        w[POWER_S_ * s + i] = sine
        w[COSINE_ * s + i] = p.offset_cosine + (terms[i] * cosine - terms[s + i] * sine)
        w[SINE_ * s + i] = p.offset_sine + (terms[2 * s + i] * cosine - terms[3 * s + i] * sine)


@_inline
def gap_lanes(n, s, gap, squared, w):
    """exp(i gap theta) into GAP."""
    if squared:
        for i in range(n):
            cosine, sine = w[POWER_C_ * s + i], w[POWER_S_ * s + i]
            w[GAP_C_ * s + i] = cosine * cosine - sine * sine
            w[GAP_S_ * s + i] = 2.0 * cosine * sine
    else:
        for i in range(n):
            cosine, sine = cos_sin(gap * w[READ_ * s + i])
            w[GAP_C_ * s + i] = cosine
            w[GAP_S_ * s + i] = sine


@_inline
def term_lanes(n, s, m, terms, w):
    """``term_block`` for term m."""
    row = 4 * m * s
    for i in range(n):
        pc, ps = w[POWER_C_ * s + i], w[POWER_S_ * s + i]
        gc, gs = w[GAP_C_ * s + i], w[GAP_S_ * s + i]
        cosine = pc * gc - ps * gs
        sine = pc * gs + ps * gc
        w[POWER_C_ * s + i] = cosine
        w[POWER_S_ * s + i] = sine
        w[COSINE_ * s + i] += terms[at(row, i)] * cosine - terms[at(row + s, i)] * sine
        w[SINE_ * s + i] += terms[at(row + 2 * s, i)] * cosine - terms[at(row + 3 * s, i)] * sine


@_inline
def channels_lanes(n, s, p, gaps, terms, w):
    """``channel_block``."""
    fundamental_lanes(n, s, p, terms, w)
    for m in range(1, gaps.size):
        if m == 1 or gaps[m] != gaps[m - 1]:
            gap_lanes(n, s, gaps[m], m == 1 and gaps[1] == 2.0, w)
        term_lanes(n, s, m, terms, w)


@_inline
def noisy_lanes(n, s, kk, reading, p, w, draws):
    """Noise of one reading on both channels."""
    base = (kk % draw_span(n) * draw_rows(p) + 2 + 2 * reading) * s
    for i in range(n):
        w[COSINE_ * s + i] += p.noise * draws[at(base, i)]
    for i in range(n):
        w[SINE_ * s + i] += p.noise * draws[at(base + s, i)]


@_inline
def converted_lanes(n, s, p, w):
    """``convert_block``; returns how many readings were clipped."""
    clipped = 0
    for row in range(COSINE_, SINE_ + 1):
        for i in range(n):
            code = np.floor(w[row * s + i] * p.codes + 0.5)
            held = min(max(code, p.lowest), p.highest)
            clipped += code != held
            w[row * s + i] = held
    return clipped


@_inline
def collected_lanes(n, s, reading, w):
    """``collect_block``."""
    for row in range(2):
        for i in range(n):
            total = w[(COSINE_ + row) * s + i] + (w[(SUM_C_ + row) * s + i] if reading > 0 else 0.0)
            w[(SUM_C_ + row) * s + i] = total
            w[(COSINE_ + row) * s + i] = total


@_inline
def counted_lanes(n, s, p, w):
    """Whole periods and counts that are shown, from the channels."""
    for i in range(n):
        w[SHOWN_ * s + i] = turns_of(w[SINE_ * s + i], w[COSINE_ * s + i])
    for i in range(n):
        passed = np.rint((w[PATH_ * s + i] + w[AWAY_ * s + i]) - w[SHOWN_ * s + i])
        w[PERIODS_ * s + i] = w[WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i] + passed
    if p.counted:
        for i in range(n):
            w[COUNT_ * s + i] = np.floor(w[SHOWN_ * s + i] * p.factor + (0.5 - p.bias))
    else:
        for i in range(n):
            w[COUNT_ * s + i] = w[SHOWN_ * s + i]


@_inline
def held_lanes(n, s, elapsed, plan, state, w):
    """Hysteresis and limited edges, lane by lane."""
    p = plan[0]
    for i in range(n):
        position = w[SHOWN_ * s + i] * p.factor - p.bias
        held_step(
            position, np.int64(w[PERIODS_ * s + i]), elapsed, plan, w[DIRECTION_ * s + i], state[i : i + 1]
        )
        w[PERIODS_ * s + i] = np.float64(state[i].whole)
        w[COUNT_ * s + i] = state[i].count - state[i].behind


@_inline
def error_lanes(n, s, k, p, w, deviation):
    """Position shown less that of the steady motion, periods, and its ring."""
    share = 1.0 / p.factor
    place = ring_place(k, deviation, s)
    for i in range(n):
        error = (w[PERIODS_ * s + i] - w[LINE_WHOLE_ * s + i]) + (
            w[COUNT_ * s + i] * share - w[LINE_ * s + i]
        )
        w[ERROR_ * s + i] = error
        deviation[at(place, i)] = error


@_inline
def estimate_lanes(n, s, k, p, numbers, w, memory, deviation):
    """Velocity less that of the steady motion, periods a sample."""
    if p.estimator == DIFFERENCE:
        old = ring_place(k - p.span, deviation, s)
        share = 1.0 / p.span
        for i in range(n):
            w[ESTIMATE_ * s + i] = (w[ERROR_ * s + i] - deviation[at(old, i)]) * share
    elif p.estimator == SLOPE:
        m = k % p.span
        if m == 0:
            for i in range(n):
                slope_start(k, p.span, deviation, memory, i, s)
        for i in range(n):
            w[ESTIMATE_ * s + i] = slope_step(m, p.span, w[ERROR_ * s + i], memory, i, s)
    elif p.estimator == SECTIONS:
        for i in range(n):
            w[ESTIMATE_ * s + i] = fall_step(w[ERROR_ * s + i], memory, i, s)
        for m in range(numbers.size // 5):
            for i in range(n):
                w[ESTIMATE_ * s + i] = section_step(w[ESTIMATE_ * s + i], m, numbers, memory, i, s)
    elif p.estimator == ALPHA_BETA:
        alpha, beta = numbers[0], numbers[1]
        for i in range(n):
            w[ESTIMATE_ * s + i] = alpha_beta_step(w[ERROR_ * s + i], alpha, beta, memory, i, s)


@_inline
def ahead_of(i, s, p, ring, w):
    """Periods by which the graduation of lane i is ahead of its shaft."""
    away = w[AWAY_WHOLE_ * s + i] + w[AWAY_ * s + i]
    return ring_at(w[RING_ * s + i] + away * p.per_turn, ring)


@_inline
def edges_step(k, i, s, plan, bends, ring, w, memory):
    """Take the edges of lane i on by one sample; the phase between samples is taken as straight."""
    # Edges are passed where the count, held by the hysteresis, changes. After a reversal the first edge in the new
    # direction stands alone.
    p = plan[0]
    whole = w[LINE_WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i]
    turn = w[LINE_ * s + i] + w[AWAY_ * s + i] + ahead_of(i, s, p, ring, w)
    move = (whole - memory[T_WHOLE * s + i]) + (turn - memory[T_TURN * s + i])
    memory[T_WHOLE * s + i], memory[T_TURN * s + i] = whole, turn
    memory[T_AGE * s + i] += 1.0
    memory[T_OLD * s + i] += 1.0
    if move == 0.0:
        return
    direction, way = 1.0 if move > 0.0 else -1.0, memory[T_WAY * s + i]
    turned = memory[T_TURNED * s + i] + (1.0 if way * direction < 0.0 else 0.0)
    number = edge_before(turn, np.int64(whole), direction, np.int64(turned), plan, bends)
    reached = whole * p.factor + number - (0.0 if direction > 0.0 else 1.0)
    edges = direction * (reached - memory[T_COUNT * s + i])
    if edges <= 0.0:
        return
    if way != direction:
        memory[T_EDGES * s + i], memory[T_WAY * s + i], memory[T_TURNED * s + i] = 0.0, direction, turned
    place = edge_place(number, np.int64(whole), direction, np.int64(turned), plan, bends)
    memory[T_OLD * s + i] = memory[T_AGE * s + i]
    memory[T_AGE * s + i] = min(max((turn - place) / move, 0.0), 1.0)
    if edges > 1.0:
        place = edge_place(number - direction, np.int64(whole), direction, np.int64(turned), plan, bends)
        memory[T_OLD * s + i] = min(max((turn - place) / move, memory[T_AGE * s + i]), 1.0)
    memory[T_EDGES * s + i] += edges
    memory[T_COUNT * s + i] = reached


@_inline
def edges_start(i, s, plan, bends, ring, w, memory):
    """Edges of lane i as if it had moved steadily for ever."""
    p = plan[0]
    whole = w[LINE_WHOLE_ * s + i] + w[AWAY_WHOLE_ * s + i]
    turn, way = w[LINE_ * s + i] + w[AWAY_ * s + i] + ahead_of(i, s, p, ring, w), w[DIRECTION_ * s + i]
    slope, along = w[LINE_SLOPE_ * s + i], -1.0 if way < 0.0 else 1.0
    number = edge_before(turn, np.int64(whole), along, 0, plan, bends)
    memory[T_STARTED * s + i] = 1.0
    memory[T_COUNT * s + i] = whole * p.factor + number - (0.0 if along > 0.0 else 1.0)
    memory[T_WAY * s + i], memory[T_WHOLE * s + i], memory[T_TURN * s + i] = way, whole, turn
    memory[T_EDGES * s + i], memory[T_AGE * s + i], memory[T_OLD * s + i] = 0.0, 1e300, 1e300
    if way != 0.0:
        memory[T_EDGES * s + i] = 2.0
        place = edge_place(number, np.int64(whole), way, 0, plan, bends)
        memory[T_AGE * s + i] = (turn - place) / slope
        place = edge_place(number - way, np.int64(whole), way, 0, plan, bends)
        memory[T_OLD * s + i] = (turn - place) / slope


@_inline
def windowed_step(k, i, s, tick, plan, bends, memory):
    """Counts a sample since the last edge before the window, 0 where there is none."""
    p = plan[0]
    slots = (memory.size // s - T_RING) // T_KEPT
    whole_back = np.int64(np.floor(p.window))
    rest = p.window - np.floor(p.window)
    b = (T_RING + (k - whole_back) % slots * T_KEPT) * s + i
    a = (T_RING + (k - whole_back - 1) % slots * T_KEPT) * s + i
    turned, way = memory[T_TURNED * s + i], memory[T_WAY * s + i]
    count, before = memory[b], memory[b + s] + np.float64(whole_back)
    kept = memory[b + 2 * s] == turned
    if rest > 0.0:
        count, before = memory[a], memory[a + s] + np.float64(whole_back + 1)
        kept = memory[a + 2 * s] == turned
        move = (memory[b + 3 * s] - memory[a + 3 * s]) + (memory[b + 4 * s] - memory[a + 4 * s])
        if kept and move * way > 0.0:
            turn, whole = memory[b + 4 * s] - rest * move, memory[b + 3 * s]
            number = edge_before(turn, np.int64(whole), way, np.int64(turned), plan, bends)
            reached = whole * p.factor + number - (0.0 if way > 0.0 else 1.0)
            if way * (reached - count) > 0.0:
                place = edge_place(number, np.int64(whole), way, np.int64(turned), plan, bends)
                count, before = reached, p.window + (turn - place) / move
    counts = memory[T_COUNT * s + i] - count
    if not kept or counts == 0.0:
        return 0.0
    return timed_counts(counts, memory[T_AGE * s + i], before, tick, plan)


@_inline
def timed_lanes(n, s, k, plan, bends, ring, w, memory):
    """Velocity of timed edges less that of the steady motion, periods a sample, lane by lane."""
    p = plan[0]
    tick = tick_of(k, p.tick_step)
    slots = (memory.size // s - T_RING) // T_KEPT
    for i in range(n):
        if memory[T_STARTED * s + i] == 0.0:
            edges_start(i, s, plan[i : i + 1], bends, ring, w, memory)
        else:
            edges_step(k, i, s, plan[i : i + 1], bends, ring, w, memory)
        age, moved = memory[T_AGE * s + i], 0.0
        if slots > 0:
            place = (T_RING + k % slots * T_KEPT) * s + i
            memory[place], memory[place + s] = memory[T_COUNT * s + i], age
            memory[place + 2 * s] = memory[T_TURNED * s + i]
            memory[place + 3 * s] = memory[T_WHOLE * s + i]
            memory[place + 4 * s] = memory[T_TURN * s + i]
            moved = windowed_step(k, i, s, tick, plan[i : i + 1], bends, memory)
        if moved == 0.0 and memory[T_EDGES * s + i] >= 2.0:
            moved = timed_counts(memory[T_WAY * s + i], age, memory[T_OLD * s + i], tick, plan)
            moved = held_down(moved, age, plan)
        w[ESTIMATE_ * s + i] = moved / p.factor - w[LINE_SLOPE_ * s + i]


@_inline
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


@_inline
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


@_inline
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


@_inline
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


@_inline
def add_lanes(n, s, weight, source, target, w):
    """Add a weighted row to another."""
    source, target = source * s, target * s
    for i in range(n):
        w[at(target, i)] += weight * w[at(source, i)]


@_inline
def friction_of(speed, c):
    """Coulomb and Stribeck friction at a speed, torque."""
    if c.stribeck > 0.0:
        ratio = min(abs(speed) / c.stribeck_speed, 30.0)
        return c.coulomb + c.stribeck * exp_of(-(ratio * ratio))
    return c.coulomb


@_inline
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


@_inline
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


@_inline
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


@_inline
def advance_lanes(n, s, jump, ring, p, w, q):
    """Steady motion to the next sample: its phase, and the whole periods gone since the run began."""
    for i in range(n):
        phase = q[LINE_Q * s + i] + q[LINE_STEP_Q * s + i]
        turn = np.float64(np.int64(phase)) * _UNIT_64
        w[LINE_WHOLE_ * s + i] += np.rint(w[LINE_SLOPE_ * s + i] - (turn - w[LINE_ * s + i]))
        w[LINE_ * s + i] = turn
        q[LINE_Q * s + i] = phase
    if p.ticked:
        for i in range(n):
            phase = q[PHASE_Q * s + i] + np.uint64(jump) * q[STEP_Q * s + i]
            turn = np.float64(np.int64(phase)) * _UNIT_64
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
            w[RING_ * s + i] = np.float64(np.int64(angle)) * _UNIT_64
            q[RING_Q * s + i] = angle


@_inline
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
            _sum_lines_lanes(n, s, sde, READ_, 1.0 / p.readings, w)
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


@_inline
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


@_inline
def write_step(s, k, p, c, w, out):
    """Samples of one run."""
    out[0, k] = (w[PERIODS_ * s] + w[COUNT_ * s] * (1.0 / p.factor)) * p.pitch
    turns = w[LINE_WHOLE_ * s] + w[LINE_ * s] + c.late * w[LINE_SLOPE_ * s]
    out[1, k] = turns * p.pitch + w[(CURVE_ + 3) * s]
    out[2, k] = w[SPEED_ * s] + w[(CURVE_ + 2) * s]
    out[3, k] = w[SPEED_ * s] + w[CURVE_ * s]
    out[4, k] = w[HOLDING_ * s] + w[(CURVE_ + 1) * s]


@_inline
def lent_tables(tables):
    """All tables without reference counts."""
    (gaps, sde, ring, numbers, bends), (body, cogs) = tables
    return (lent(gaps), lent(sde), lent(ring), lent(numbers), lent(bends)), (lent(body), lent(cogs))


@_inline
def lent_lanes(lanes):
    """All lanes without reference counts."""
    w, q, (terms, memory, deviation, past), (filters, held, commands) = lanes
    sensing = lent(terms), lent(memory), lent(deviation), lent(past)
    return lent(w), lent(q), sensing, (lent(filters), lent(held), lent(commands))


@_inline
def lent_chunk(chunk):
    """All that is given sample by sample, without reference counts."""
    (draws, ages, ticks), (demand, follow) = chunk
    return (lent(draws), lent(ages), lent(ticks)), (lent(demand), lent(follow))


@_inline
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


@_jit
def drag_block(n, s, loop, w):
    """Friction of the steady motion on each lane's load."""
    for i in range(n):
        speed = w[SPEED_ * s + i]
        most = friction_of(speed, loop[0]) if loop[0].dry else 0.0
        w[DRAG_ * s + i] = -most if speed > 0.0 else (most if speed < 0.0 else 0.0)


@_jit
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


@_jit
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
