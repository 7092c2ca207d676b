"""From an axis to the records and arrays of the compiled encoder, and the straight motion before its first sample."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels import records, rows
from ..kernels.rows import ROW
from ..model.edge_timing import TimedEdges
from ..open_loop import period_error
from ..open_loop.limits import top_speed
from . import chain
from .motion import SteadyPhase

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.encoder_faults import EncoderFault


FASTER = 16  # most samples in a loop period where times are given
NO_ROW = -(1 << 62)  # number of no row of samples
FAULT_EFFECTS = {
    "cosine_loss": records.FAULT_COSINE_LOSS,
    "sine_loss": records.FAULT_SINE_LOSS,
    "cosine": records.FAULT_COSINE,
    "sine": records.FAULT_SINE,
    "noise": records.FAULT_NOISE,
    "counts": records.FAULT_COUNTS,
}


@dataclass(frozen=True)
class EncoderTables:
    """Arrays of one encoder: plan, scalars, state of the counts, whole numbers, numbers."""

    arrays: tuple[np.ndarray, ...]
    slots: int  # true positions that are kept

    @property
    def scalars(self) -> np.ndarray:
        """The record of the encoder's scalars."""
        return self.arrays[1]

    def true_position(self, sample: int) -> tuple[int, float]:
        """True position at one of the newest samples, whole periods and the rest."""
        slot = sample & (self.slots - 1)
        return int(self.arrays[3][slot]), float(self.arrays[4][int(self.scalars["at_fraction"][0]) + slot])

    def pieces(self, samples: int, most: int) -> Iterator[slice]:
        """Pieces of a block that end where the sample number is a multiple of ``most``."""
        first = 0
        while first < samples:
            end = min(first + most - int(self.scalars["sample"][0]) % most, samples)
            yield slice(first, end)
            first = end

    def late(self, sample: int) -> float:
        """Time of one of the newest samples minus that of its number, samples."""
        first, end = int(self.scalars["at_late"][0]), int(self.scalars["at_paced"][0])
        return float(self.arrays[4][first + (sample & (end - first - 1))])

    def part_ways(self, axis: Axis, late: float | None) -> None:
        """Let the next sample come at any time; ``late``: of all samples before, where none has been read."""
        e, (state, wholes, numbers) = self.scalars, self.arrays[2:]
        if late is not None:
            numbers[int(e["at_late"][0]) : int(e["at_paced"][0])] = late
        if e["uneven"][0]:
            return
        sample = int(e["sample"][0])
        before = (sample - 1) % ROW
        if e["drawn"][0] == sample // ROW and sample % ROW:
            # the row has been correlated to its end, as if all its samples were a period apart
            state["jitter"] = numbers[int(e["at_draws"][0]) + before]
            state["tick"] = wholes[int(e["at_tick"][0]) + before]
        _start_clock(axis, e, sample)
        e["uneven"], e["drawn"] = 1, NO_ROW

    @property
    def state(self) -> np.ndarray:
        """The record of counts and clipped readings."""
        return self.arrays[2]


def encoder_tables(
    axis: Axis, seed: int, speed: float, faults: tuple[EncoderFault, ...], weakest: float
) -> EncoderTables:
    """All that the compiled encoder needs; timed edges have the errors of this speed."""
    motion = SteadyPhase(axis, 0.0, 0.0)
    plan = chain.plan_of(axis, 0.0, seed, motion)
    plan["edge_code"] = chain.edge_code(axis, steady=False)
    oldest = (
        (axis.sampling.latency + abs(axis.signal.skew)) * axis.sampling.rate
        + 1.0
        + (0.0 if motion.clock is None else float(1 / motion.clock.ratio))
    )
    slots = 1 << (ROW + math.ceil(FASTER * oldest) + 3).bit_length()
    shown = 1 << (ROW + max(chain.reach(axis), 1) + 1).bit_length()
    scalars = np.zeros(1, records.ENCODER)
    for name, value in _scalars(axis, plan, motion, speed).items():
        scalars[name] = value
    scalars["faults"], scalars["weakest"] = len(faults), weakest
    scalars["mask"], scalars["shown_mask"] = slots - 1, shown - 1
    wholes = _packed(scalars, records.ENCODER_WHOLES, [ROW, ROW, ROW, shown], slots)
    parts = _parts(axis, slots, shown, bool(scalars["shaped"][0]), bool(scalars["fall"][0]), speed)
    parts.append(_fault_rows(axis, faults))
    window = axis.estimator.reach * axis.sampling.rate if isinstance(axis.estimator, TimedEdges) else 0.0
    kept = 1 << (ROW + math.ceil(FASTER * window) + 3).bit_length()
    parts += [np.zeros(max(slots, shown, kept)), np.zeros(shown)]
    first = rows.ENCODER_ROWS * ROW
    numbers = chain.zeros(_packed(scalars, records.ENCODER_NUMBERS, [np.size(part) for part in parts], first))
    for name, part in zip(records.ENCODER_NUMBERS, parts, strict=False):
        numbers[int(scalars[name][0]) :][: part.size] = part
    arrays = plan, scalars, np.zeros(1, records.STATE), np.zeros(wholes, np.int64), numbers
    return EncoderTables(arrays, slots)


def _packed(scalars: Any, names: Any, sizes: list[int], first: int) -> int:
    """Write where each part begins, the last name where all end; return that."""
    ends = np.cumsum([first, *sizes])
    for name, end in zip(names, ends, strict=True):
        scalars[name] = end
    return int(ends[-1])


def _parts(
    axis: Axis, slots: int, shown: int, shaped: bool, filtered: bool, speed: float
) -> list[np.ndarray]:
    """The parts of the array of numbers behind its rows."""
    tables = chain.tables_of(axis, 0.0)
    orders = tables.order_steps.size
    estimator, memory, edges = chain.estimator_tables(axis, speed)
    timed = isinstance(axis.estimator, TimedEdges)
    return [
        np.zeros((2 + 2 * axis.sampling.average) * ROW),
        np.zeros(slots),
        np.zeros(shown),
        np.zeros(ROW),
        np.zeros(shown),
        np.zeros(2 * orders * slots if filtered else 0),
        np.zeros(rows.LOOP_ROWS if timed else 0),
        _static_first(tables.terms, orders, shaped),
        tables.order_steps,
        estimator,
        np.zeros(chain.memory_rows(axis, memory, FASTER)),
        edges if timed else np.zeros(0),
        np.concatenate([tables.ring, tables.sde]),
    ]


def _fault_rows(axis: Axis, faults: tuple[EncoderFault, ...]) -> np.ndarray:
    """Columns of each fault on purpose, places in periods, times in samples."""
    shapes = {"full": records.FULL, "bell": records.BELL, "ramp": records.RAMP}
    table = np.zeros((len(faults), records.FAULT_COLUMNS))
    for row, fault in zip(table, faults, strict=True):
        timed = fault.by == "time"
        unit = 1.0 / axis.sampling.rate if timed else axis.scale.pitch
        row[records.FAULT_TIME], row[records.FAULT_SHAPE] = timed, shapes[fault.shape]
        row[records.FAULT_BEGIN], row[records.FAULT_END] = fault.begin / unit, fault.end / unit
        for name, value in fault.effect.items():
            row[FAULT_EFFECTS[name]] = value
    return table.ravel()


def _static_first(terms: np.ndarray, orders: int, shaped: bool) -> np.ndarray:
    """Terms of the channels, and behind them room for those of each sample of a row."""
    return np.concatenate([terms, np.zeros(4 * orders * ROW if shaped else 0)])


def _scalars(axis: Axis, plan: np.ndarray, motion: SteadyPhase, speed: float) -> dict[str, float]:
    """Scalars of the encoder."""
    sampling, signal, pitch, readings = axis.sampling, axis.signal, axis.scale.pitch, axis.sampling.average
    top = top_speed(axis)
    fastest = min((speed for limit, speed in top.limits.items() if limit != "clipping"), default=math.inf)
    fields = {
        "drawn": NO_ROW,
        "lines": axis.scale.lines or 1,
        "shaped": readings > 1 or signal.bandwidth is not None or signal.skew != 0.0,
        "aged": sampling.latency > 0.0 or motion.clock is not None,
        "old": sampling.latency * sampling.rate,
        "skew": signal.skew * sampling.rate,
        "fall": 0.0 if signal.bandwidth is None else 2.0 * math.pi * signal.bandwidth / sampling.rate,
        "inverted": _inverted(axis),
        "clock_jitter": sampling.jitter * sampling.rate,
        "fastest": fastest / (pitch * sampling.rate),
        "loses": axis.interpolation.output == "ab",
        "channel_share": 1.0 / (readings * float(plan["codes"][0] if plan["converter"][0] else 1.0)),
        "difference": float(plan["scale"][0] / (plan["factor"][0] * max(plan["span"][0], 1))),
        "direction": np.sign(speed),
        "step": speed / (pitch * sampling.rate),
    }
    return fields


def _inverted(axis: Axis) -> float:
    """Lead, periods, of channels that averaging inverts where their own is none."""
    channels = period_error.channels(axis, 0.0)
    first = channels.cosine[0] + 1j * channels.sine[0]
    return float(np.angle(-first)) / (2.0 * math.pi)


def start(axis: Axis, tables: EncoderTables, sample: int, position: tuple[int, float], speed: float) -> Any:
    """Keep the straight motion before the first sample; return its true positions from where the encoder starts."""
    e, wholes, numbers = tables.scalars, tables.arrays[3], tables.arrays[4]
    begin = _begin(axis, sample)
    earlier = begin - np.arange(tables.slots, 0, -1)
    whole, fraction = straight(axis, earlier - sample, position, speed)
    wholes[earlier & (tables.slots - 1)] = whole
    numbers[int(e["at_fraction"][0]) :][earlier & (tables.slots - 1)] = fraction
    if e["fall"][0] > 0.0:
        _fill_head(axis, tables, earlier, fraction, speed)
    _start_clock(axis, e, begin)
    e["sample"], e["reference_whole"], e["reference"] = begin, whole[-1], fraction[-1]
    return straight(axis, np.arange(begin, sample) - sample, position, speed)


def _begin(axis: Axis, sample: int) -> int:
    """Sample at which the encoder starts before its first: where the stream starts, as far as that matters."""
    if isinstance(axis.estimator, TimedEdges):
        back = math.ceil(axis.estimator.reach * axis.sampling.rate) + 3
    else:
        back = chain.reach(axis) + 1
    if chain.remembers(axis):
        return ((sample - chain.reach(axis)) // rows.CHUNK - 1) * rows.CHUNK
    return (sample - back) // ROW * ROW


def straight(
    axis: Axis, samples: np.ndarray, position: tuple[int, float], speed: float
) -> tuple[np.ndarray, np.ndarray]:
    """True positions of a steady motion, samples counted from ``position``: whole periods and the rest."""
    step = Fraction(speed) / (Fraction(axis.sampling.rate) * Fraction(axis.scale.pitch))
    whole_step = round(step)
    turns = position[1] + samples * float(step - whole_step)
    whole = np.rint(turns)
    return (position[0] + samples * whole_step + whole.astype(np.int64)), turns - whole


def _fill_head(
    axis: Axis, tables: EncoderTables, samples: np.ndarray, fraction: np.ndarray, speed: float
) -> None:
    """Harmonics behind the bandwidth in steady motion."""
    e, numbers = tables.scalars, tables.arrays[4]
    orders = period_error.channels(axis, 0.0).orders
    low_pass = 1.0 / (1.0 + 1j * orders * speed / axis.scale.pitch / (axis.signal.bandwidth or math.inf))
    values = low_pass * np.exp(2j * np.pi * np.outer(fraction, orders))
    head = numbers[int(e["at_head"][0]) : int(e["at_timing"][0])].reshape(tables.slots, len(orders), 2)
    head[samples & (tables.slots - 1), :, 0] = values.real
    head[samples & (tables.slots - 1), :, 1] = values.imag


def _start_clock(axis: Axis, e: Any, sample: int) -> None:
    """Set the other clock to the sample before the first."""
    clock = SteadyPhase(axis, 0.0, 0.0).clock
    if clock is None:
        return
    tick, rest = clock.newest(sample - 1)
    e["tick"], e["rest"] = tick, math.floor(rest * clock.modulus)
    e["advance"], e["ticks"], e["modulus"] = clock.advance, clock.whole, clock.modulus
    e["tick_samples"] = float(1 / clock.ratio)
