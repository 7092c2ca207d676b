"""Rows of the closed loop and how they are held.

The closed loop takes the same steps for one speed or for many side by side, in lanes. A row of an array is one
quantity of all lanes; ``n`` is the number of lanes, ``s`` the distance of rows. Both are constants where it is
compiled, so that for one lane the loops over lanes vanish. Signals are deviations from the steady motion, whose
phase is exact.
"""

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from .jit import inlined


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


@inlined
def at(place, i):
    """Index of lane i of a row: unsigned, since the test for negative ones would keep a loop from vectorising."""
    return np.uint64(place + i)


@inlined
def ring_place(k, rows, s):
    """Place of sample k in a ring; rings have a power of two of rows, a division would take longer than a step."""
    return (k & (rows.size // s - 1)) * s


@inlined
def lent_tables(tables):
    """All tables without reference counts."""
    (gaps, sde, ring, numbers, bends), (body, cogs) = tables
    return (lent(gaps), lent(sde), lent(ring), lent(numbers), lent(bends)), (lent(body), lent(cogs))


@inlined
def lent_lanes(lanes):
    """All lanes without reference counts."""
    w, q, (terms, memory, deviation, past), (filters, held, commands) = lanes
    sensing = lent(terms), lent(memory), lent(deviation), lent(past)
    return lent(w), lent(q), sensing, (lent(filters), lent(held), lent(commands))


@inlined
def lent_chunk(chunk):
    """All that is given sample by sample, without reference counts."""
    (draws, ages, ticks), (demand, follow) = chunk
    return (lent(draws), lent(ages), lent(ticks)), (lent(demand), lent(follow))
