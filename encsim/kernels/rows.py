"""Rows of the arrays that the compiled loops work on, and how such an array is held.

A row is one quantity: of all samples of a chunk in the open chain, of all lanes in the closed loop. A lane is one run;
the closed loop takes the same steps for one speed or for many side by side. ``n`` is the length of a row, ``s`` the
distance of rows: CHUNK and CHUNK for a chunk, 1 and SINGLE for one lane, their number and WIDTH for more. Both are
constants where a loop is compiled, so that for one lane the loops over lanes vanish. Constant distances let the loops
vectorise without checks for overlap. In the closed loop signals are deviations from the steady motion, whose phase is
exact.
"""

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic
from numba.np.arrayobj import populate_array

from .jit import inlined

CHUNK = 2048  # samples
TILE = 256  # samples of a chunk that pass through all harmonics together: few enough to stay in the nearest cache
MOST_LANES = 256
SINGLE = 1
WIDTH = MOST_LANES + 8  # a power of two would put all rows into the same few places of the cache
DRAWN = 64  # samples of many lanes whose noise is drawn at a time: it stays in the cache until it is used
MOST_STATES = 5
CURVES = 4  # measured, torque, actual, position
COLUMNS = 5  # of one run: position read, true position, true velocity, measured velocity, torque

# From the phase to the velocity. SINE follows COSINE, SUM_SIN follows SUM_COS.
PHASE, PATH, READ, SHIFT, HARMONIC_COS, HARMONIC_SIN, STEP_COS, STEP_SIN = range(8)
COSINE, SINE, SUM_COS, SUM_SIN, SHOWN, ESTIMATE = range(8, 14)
# Open chain only.
DRAW = 14
CHAIN_ROWS = 15
# Encoder only, in any motion; its rows have ROW entries.
ROW = 256  # samples computed side by side: few enough to stay in the nearest cache
PLACE, SLOPE, EARLIER, MEAN_EARLIER, MEAN_COS, LEAD_COS, LEAD_SIN = range(16, 23)  # behind PERIODS and COUNT
ENCODER_ROWS = 23
# What a block of an encoder gives: rows of numbers, two of whole numbers, and the bits that ask for them.
OUT_COSINE, OUT_SINE, OUT_VELOCITY, OUT_POSITION, OUT_WITHIN, OUT_COUNT = range(6)
OUT_WHOLE, OUT_TOTAL = range(2)
# Closed loop only: what lasts a step,
PERIODS, COUNT, ERROR, DISPLACEMENT, DISPLACEMENT_WHOLE, ANGLE = range(14, 20)
VELOCITY_ERROR, TORQUE, DISTURBANCE, CHANGE, CURVE = 20, 21, 22, 23, 28
# what each lane keeps for ever,
TICK_STEP, SAMPLE_STEP, SPACING, LAG, CLOCK_JITTER, DIRECTION = range(32, 38)
SPEED, HOLDING_TORQUE, STEADY_FRICTION, SPEED_BIAS, TORQUE_BIAS, POSITION_OFFSET, RUNAWAY_BOUND = range(
    38, 45
)
# and what is carried from step to step.
TICK_PHASE, TICK_WHOLE, SAMPLE_PHASE, SAMPLE_WHOLE, RING_ANGLE, JITTER_STATE, INTEGRAL, STOP = range(45, 53)
PLANT_STATE, FIRST_VALUE, SUM, SUM_OF_SQUARES = 53, 58, 62, 66
LOOP_ROWS = 70
LASTING = TICK_STEP
CARRIED = TICK_PHASE
# Rows of whole numbers: phases and steps in 2**-64 period or turn, and the seed.
TICK_PHASE_64, TICK_STEP_64, SAMPLE_PHASE_64, SAMPLE_STEP_64, KEY_LOW, KEY_HIGH = range(6)
RING_ANGLE_64, RING_STEP_64 = 6, 7
PHASE_ROWS = 8
# Rows of a lane's timed edges. From EDGE_HISTORY on the samples kept for the window: count, age of its edge, reversals,
# whole periods, phase.
EDGE_STARTED, EDGE_COUNT, EDGES, EDGE_DIRECTION, EDGE_AGE, EDGE_AGE_BEFORE, REVERSALS = range(7)
EDGE_WHOLE, EDGE_PHASE, EDGE_HISTORY = 7, 8, 9
EDGE_HISTORY_ROWS = 5
# Columns of the plant's table after its transition matrix.
NEW_COMMAND, OLD_COMMAND, LOAD_TORQUE, MOTOR_TORQUE = range(4)


@inlined
def at(place, i):
    """Index of entry i of a row: unsigned, since the test for negative ones would keep a loop from vectorising."""
    return np.uint64(place + i)


@inlined
def late_at(k, s, e, parts):
    """Time of sample k minus that of its number, samples."""
    # single samples (s is 1) are a period apart; the compiler then leaves out all that follows from times
    return parts.late[k & (parts.late.size - 1)] if s > 1 and e.uneven else 0.0


@inlined
def elapsed_to(k, s, e, parts):
    """Time from the sample before to sample k, samples."""
    return 1.0 + (late_at(k, s, e, parts) - late_at(k - 1, s, e, parts))


@inlined
def ring_place(k, rows, s):
    """Place of sample k in a ring; rings have a power of two of rows, a division would take longer than a step."""
    return (k & (rows.size // s - 1)) * s


def _copy_rows(builder, target, source, first):
    """Copy the rows of one lane from row ``first`` on."""
    start = [ir.Constant(ir.IntType(64), first * SINGLE)]
    number = ir.Constant(ir.IntType(64), (LOOP_ROWS - first) * SINGLE)
    cgutils.raw_memcpy(builder, builder.gep(target, start), builder.gep(source, start), number, 8)


@intrinsic
def rows_on_stack(context, array):
    """Return a copy of one lane's lasting rows, and room for the others, on the stack."""
    # No other pointer leads there and every index is known when it is compiled, so that the rows become registers: in
    # memory each stage of a step would wait for the stage before it to be stored and loaded again.

    def build(context, builder, signature, values):
        copy = context.make_array(signature.return_type)(context, builder, values[0])
        rows = cgutils.alloca_once(builder, ir.ArrayType(ir.DoubleType(), LOOP_ROWS * SINGLE))
        rows = builder.bitcast(rows, copy.data.type)
        _copy_rows(builder, rows, copy.data, LASTING)
        copy.data, copy.meminfo = rows, copy.meminfo.type(None)
        return copy._getvalue()

    return array(array), build


@intrinsic
def empty_rows(context, array):
    """Return room on the stack for the rows of one sample of an encoder, in the shape of the array."""

    def build(context, builder, signature, values):
        local = context.make_array(signature.return_type)(context, builder, values[0])
        rows = cgutils.alloca_once(builder, ir.ArrayType(ir.DoubleType(), ENCODER_ROWS))
        local.data, local.meminfo = builder.bitcast(rows, local.data.type), local.meminfo.type(None)
        return local._getvalue()

    return array(array), build


@intrinsic
def words_on_stack(context):
    """Return room on the stack for the random words of a chunk."""
    kind = types.Array(types.uint32, 1, "C")

    def build(context, builder, signature, values):
        words, size = context.make_array(kind)(context, builder), ir.IntType(64)
        room = cgutils.alloca_once(builder, ir.ArrayType(ir.IntType(32), CHUNK))
        room = builder.bitcast(room, words.data.type)
        populate_array(words, room, [size(CHUNK)], [size(4)], size(4), None)
        return words._getvalue()

    return kind(), build


@intrinsic
def rows_to_memory(context, rows, array):
    """Copy back what is carried from step to step."""

    def build(context, builder, signature, values):
        source, target = (
            context.make_array(kind)(context, builder, value).data
            for kind, value in zip(signature.args, values, strict=True)
        )
        _copy_rows(builder, target, source, CARRIED)

    return types.void(rows, array), build
