"""Sine, arctangent, logarithm and exponential as polynomials.

Polynomials and selects stand for the functions of the C library, which do not vectorise; each names what it
equals and how well.
"""

import numpy as np
from numba import types
from numba.extending import intrinsic

from .jit import inlined


@intrinsic
def fma(context, a, b, c):
    """Return a b + c rounded once: one instruction where the processor has it, the same number everywhere."""
    kind = types.float32 if a == b == c == types.float32 else types.float64

    def build(context, builder, signature, values):
        return builder.fma(*values)

    return kind(kind, kind, kind), build


UNIT_64 = 2.0**-64
NEAREST = 1.5 * 2.0**52  # added and taken away again it leaves the nearest whole number


@inlined
def cos_sin(turns):
    """Cosine and sine of 2 pi ``turns``, absolute error below 3e-16, exact at quarter turns."""
    shifted = 4.0 * turns + NEAREST
    r = fma(-0.25, shifted - NEAREST, turns)
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


@inlined
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


@inlined
def exp_of(x):
    """Exponential of x <= 0, relative error below 1e-15; 0 below -700."""
    shifted = x * 1.4426950408889634 + NEAREST
    k = shifted - NEAREST
    r = fma(-k, 1.90821492927058770002e-10, fma(-k, 6.93147180369123816490e-01, x))
    p = fma(fma(2.505210838544172e-8, r, 2.755731922398589e-7), r, 2.7557319223985893e-6)
    p = fma(fma(fma(p, r, 2.48015873015873e-5), r, 1.984126984126984e-4), r, 1.388888888888889e-3)
    p = fma(fma(fma(p, r, 8.333333333333333e-3), r, 4.1666666666666664e-2), r, 0.16666666666666666)
    p = fma(fma(fma(p, r, 0.5), r, 1.0), r, 1.0)
    power = np.int64((np.int64(max(k, -1020.0)) + 1023) << 52).view(np.float64)
    return p * power if x > -700.0 else 0.0
