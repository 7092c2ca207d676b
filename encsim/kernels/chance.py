"""Normal random numbers: counter-based, a draw depends on seed, cause, reading and sample number only."""

import numpy as np

from .jit import compiled, inlined
from .maths import UNIT_24, UNIT_40, cos_sin, log_of
from .rows import CHUNK, DRAW

LOW_WORD = np.uint64(0xFFFFFFFF)
WORD_BITS = np.uint64(32)
_M0, _M1 = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
_W0, _W1 = np.uint64(0x9E3779B9), np.uint64(0xBB67AE85)
_BITS_24, _24, _8 = np.uint64(0xFFFFFF), np.uint64(24), np.uint64(8)


@inlined
def _philox_round(c0, c1, c2, c3, key_low, key_high):
    """One round of Philox 4x32 on 32-bit words held in 64-bit ones."""
    a, b = _M0 * c0, _M1 * c2
    return (
        (b >> WORD_BITS) ^ c1 ^ (key_low & LOW_WORD),
        b & LOW_WORD,
        (a >> WORD_BITS) ^ c3 ^ (key_high & LOW_WORD),
        a & LOW_WORD,
    )


@inlined
def philox(c0, c1, c2, c3, key_low, key_high):
    """Four random words of a counter and a key: Philox 4x32-10 (Salmon, Moraes, Dror, Shaw, SC11 2011)."""
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, key_low, key_high)
    c0, c1, c2, c3 = _philox_round(c0, c1, c2, c3, key_low + _W0, key_high + _W1)
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(2) * _W0, key_high + np.uint64(2) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(3) * _W0, key_high + np.uint64(3) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(4) * _W0, key_high + np.uint64(4) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(5) * _W0, key_high + np.uint64(5) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(6) * _W0, key_high + np.uint64(6) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(7) * _W0, key_high + np.uint64(7) * _W1
    )
    c0, c1, c2, c3 = _philox_round(
        c0, c1, c2, c3, key_low + np.uint64(8) * _W0, key_high + np.uint64(8) * _W1
    )
    return _philox_round(c0, c1, c2, c3, key_low + np.uint64(9) * _W0, key_high + np.uint64(9) * _W1)


@inlined
def gaussian_pair(a, b):
    """Two normal numbers of two random words (Box and Muller 1958): 40 bits radius, 24 bits angle."""
    # The largest is sqrt(82 ln 2) = 7.5; a radius of 32 bits would end at 6.7.
    radius = np.float64(np.int64((a << _8) | (b >> _24)))
    radius = np.sqrt(-2.0 * log_of((radius + 0.5) * UNIT_40))
    cosine, sine = cos_sin(np.float64(np.int64(b & _BITS_24)) * UNIT_24)
    return radius * cosine, radius * sine


@compiled
def gaussian_block(chunk, cause, reading, key_low, key_high, work):
    """Fill DRAW with the normal numbers of a chunk; a counter has those of four samples in a row."""
    place, first = DRAW * CHUNK, np.uint64(chunk) * np.uint64(CHUNK // 4)
    for i in range(CHUNK // 4):
        counter = first + np.uint64(i)
        a, b, c, d = philox(counter & LOW_WORD, counter >> WORD_BITS, cause, reading, key_low, key_high)
        z0, z1 = gaussian_pair(a, b)
        z2, z3 = gaussian_pair(c, d)
        work[place + 4 * i] = z0
        work[place + 4 * i + 1] = z1
        work[place + 4 * i + 2] = z2
        work[place + 4 * i + 3] = z3


@compiled
def gaussian_at_block(ticks, cause, reading, key_low, key_high, work):
    """Fill DRAW with the normal numbers that ``gaussian_block`` has for these sample numbers."""
    for i in range(CHUNK):
        lane, counter = ticks[i] % 4, np.uint64(ticks[i] // 4)
        a, b, c, d = philox(counter & LOW_WORD, counter >> WORD_BITS, cause, reading, key_low, key_high)
        z0, z1 = gaussian_pair(c if lane & 2 else a, d if lane & 2 else b)
        work[DRAW * CHUNK + i] = z1 if lane & 1 else z0


@compiled
def draw_block(plan, anchor, ticks, cause, reading, work):
    """Fill DRAW with the normal numbers of one cause and reading."""
    p = plan[0]
    if p.has_clock:
        gaussian_at_block(ticks, cause, np.uint64(reading), p.key_low, p.key_high, work)
    else:
        gaussian_block(anchor.chunk, cause, np.uint64(reading), p.key_low, p.key_high, work)
