"""From an axis with a load and a control to the records, tables and lanes of the compiled closed loop."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..closed_loop import loop, plant
from ..kernels import chance, closed_loop, loop_dynamics, records, rows
from ..kernels.open_chain import tick_block
from ..kernels.records import Lanes, LoopChunk, LoopTables, SignalTables
from ..kernels.rows import CHUNK
from ..model import filter_design
from ..model.delays import fixed_delays
from ..open_loop import period_error
from . import chain
from .motion import LOW_64, SteadyPhase

if TYPE_CHECKING:
    from ..closed_loop.plant import Plant
    from ..model.axis import Axis
    from ..model.load_and_control import Control
    from .motion import Clock


RUNAWAY = 100.0  # times (fastest speed + one signal period per sample): above it the loop has run away


class Loops:
    """All data of the compiled loop at some speeds: one speed alone, or many side by side in lanes."""

    def __init__(
        self,
        axis: Axis,
        speeds: list[float] | np.ndarray,
        seeds: list[int],
        settle: int,
        *,
        fastest: float | None = None,
        demand: np.ndarray | None = None,
        starts: np.ndarray | None = None,
    ) -> None:
        self.axis, self.speeds = axis, [float(v) for v in speeds]
        self.number, self.stride = len(speeds), rows.SINGLE if len(speeds) == 1 else rows.WIDTH
        begins = [0.0] * len(speeds) if starts is None else [float(start) for start in starts]
        self.motions = [SteadyPhase(axis, *each) for each in zip(self.speeds, begins, strict=True)]
        self.clock = self.motions[0].clock
        # With a demand of changing speed the channels are those at its fastest.
        self.signal_speeds = self.speeds if fastest is None else [float(fastest)]
        self.plan = _plans(axis, self.speeds, seeds, self.motions, self.signal_speeds)
        self.load, self.control = loop.closed(axis)
        self.body = plant.discretise(self.load, self.control, axis.sampling.rate)
        self.loop = _record(axis, self.body, settle)
        self.state = np.zeros(self.number, records.STATE)
        self.begin = -chain.preroll(axis)
        self.ages, self.oldest = self._ages()
        self.tables, self.lanes = self._tables_and_lanes()
        self.w = self._rows(rows.LOOP_ROWS)
        samples = CHUNK if self.number == 1 else rows.DRAWN
        self.draws = self._rows(samples * (2 + 2 * axis.sampling.average))
        self.work = chain.zeros(rows.CHAIN_ROWS * CHUNK)
        self.ticks = np.zeros(CHUNK, np.int64)
        self.clipped = 0
        self._set_lanes(abs(fastest or 0.0))
        self.demand = np.zeros((0, 0)) if demand is None else demand
        self.filters_by_sample = np.zeros((0, 0))

    def _tables_and_lanes(self) -> tuple[LoopTables, Lanes]:
        """Tables common to all lanes, and their arrays beside the rows."""
        axis, form = self.axis, chain.kernel_form(self.axis)
        terms, signal = self._terms()
        numbers, memory, edge_table = chain.estimator_tables(axis, self.signal_speeds[0])
        filters, filter_states = self._filters()
        tables = LoopTables(
            order_steps=signal.order_steps,
            sde=signal.sde,
            ring=signal.ring,
            numbers=numbers,
            edge_table=edge_table,
            plant=_plant_table(self.body),
            cogging=_cogging_table(axis),
        )
        lanes = Lanes(
            phases=np.zeros(rows.PHASE_ROWS * self.stride, np.uint64),
            terms=terms,
            memory=self._rows(chain.memory_rows(axis, memory)),
            timing=np.zeros(rows.LOOP_ROWS),
            deviation=self._ring(1 + form.span),
            motion=self._motion_ring(),
            filters=filters,
            filter_states=filter_states,
            commands=self._ring(self.body.delay + 2),
        )
        return tables, lanes

    def _motion_ring(self) -> np.ndarray:
        """Position and velocity at the encoder, as far back as the oldest reading."""
        return (
            self._ring(self.oldest + 3, 2) if self.loop["has_reading_age"][0] else np.zeros(2 * self.stride)
        )

    def _rows(self, number: int) -> np.ndarray:
        return chain.zeros(number * self.stride)

    def _ring(self, slots: int, rows_per_slot: int = 1) -> np.ndarray:
        """A ring of at least this number of slots, a power of two."""
        return self._rows(rows_per_slot << (slots - 1).bit_length())

    def _terms(self) -> tuple[np.ndarray, SignalTables]:
        """Fourier terms of the channels, lane by lane where they depend on the speed, and the tables of the first."""
        same = not period_error.depends_on_speed(self.axis)
        speeds = list(zip(self.signal_speeds, self.speeds, strict=True))
        tables = [chain.tables_of(self.axis, *pair) for pair in (speeds[:1] if same else speeds)]
        lanes = self._rows(tables[0].terms.size).reshape(-1, self.stride)
        for i in range(self.number):
            lanes[:, i] = tables[0 if same else i].terms
        return lanes.ravel(), tables[0]

    def _filters(self) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients b0 b1 b2 a1 a2 of the torque filters, and room for their states."""
        control, rate, pitch = self.control, self.axis.sampling.rate, self.axis.scale.pitch
        self.loop["filters"] = len(control.notch) + (control.lowpass is not None)
        lanes = self._rows(5 * int(self.loop["filters"][0])).reshape(-1, self.stride)
        follows = any(notch.order is not None for notch in control.notch)
        for i in range(self.number if follows else 1):
            lanes[:, i] = coefficients(control, rate, self.speeds[i], pitch)
        if not follows:
            lanes[:, 1:] = lanes[:, :1]
        return lanes.ravel(), self._rows(2 * int(self.loop["filters"][0]))

    def _ages(self) -> tuple[np.ndarray, int]:
        """Age of the newest reading at each sample of a chunk, samples, and the oldest there can be."""
        axis, rate = self.axis, self.axis.sampling.rate
        self.fixed_age = min(fixed_delays(axis))
        own = 0.0 if self.clock is None else float(1 / self.clock.frequency)
        self.loop["has_reading_age"] = self.fixed_age > 0.0 or own > 0.0 or axis.sampling.average > 1
        return np.full(CHUNK, self.fixed_age * rate), math.ceil((self.fixed_age + own) * rate) + 1

    def _set_lanes(self, fastest: float) -> None:
        """Rows that hold constants of each lane."""
        p, n = self.plan, self.number
        mean_age = 0.0 if self.clock is None else 0.5 * self.axis.sampling.rate / float(self.clock.frequency)
        trail = p["direction"] * 0.5 * self.axis.interpolation.hysteresis
        constants = {
            rows.TICK_STEP: p["tick_step"],
            rows.SAMPLE_STEP: p["sample_step"],
            rows.SPACING: p["spacing"],
            rows.LAG: p["lag"],
            rows.CLOCK_JITTER: p["clock_jitter"],
            rows.DIRECTION: p["direction"],
            rows.SPEED: self.speeds,
            rows.POSITION_OFFSET: -p["lag"] - p["sample_step"] * mean_age - (p["bias"] + trail) / p["factor"],
            rows.STOP: np.inf,
            rows.RUNAWAY_BOUND: RUNAWAY * (np.maximum(np.abs(self.speeds), fastest) + p["pitch"] * p["rate"]),
        }
        for row, value in constants.items():
            self._row(row)[:n] = value
        for row, name in (
            (rows.TICK_STEP_64, "tick_step_64"),
            (rows.SAMPLE_STEP_64, "sample_step_64"),
            (rows.KEY_LOW, "key_low"),
            (rows.KEY_HIGH, "key_high"),
            (rows.RING_STEP_64, "ring_step_64"),
        ):
            self.lanes.phases[row * self.stride :][:n] = p[name]
        loop_dynamics.drag_block(n, self.stride, self.loop, self.w)
        self._hold()

    def _row(self, row: int) -> np.ndarray:
        return self.w[row * self.stride :][: self.number]

    def _hold(self) -> None:
        """Torque of the steady motion, and the part of it that the controller cannot supply."""
        control, load = self.control, self.load
        speed = np.array(self.speeds)
        holding = load.viscous * speed - self._row(rows.STEADY_FRICTION) - load.force
        self._row(rows.HOLDING_TORQUE)[:] = holding
        if not control.position_gain:
            self._row(rows.SPEED_BIAS)[:] = (control.velocity_feedforward - 1.0) * speed
        if not reaches_torque(control):
            self._row(rows.TORQUE_BIAS)[:] = -holding

    def advance(self, first: int, end: int, out: np.ndarray | None = None) -> None:
        """Run the chunk that starts at sample ``first`` up to sample ``end``."""
        out = np.zeros((0, 0)) if out is None else out
        begin, end = max(self.begin - first, 0), min(end - first, CHUNK)
        self._anchor(first + begin)
        chunk = LoopChunk(
            draws=self.draws,
            ages=self.ages,
            ticks=self.ticks,
            demand=self._part(self.demand, first),
            filters=self._part(self.filters_by_sample, first),
        )
        shared = self.plan, self.loop, self.tables, self.w, self.lanes, chunk, self.state
        if self.number == 1:
            noise = self.ticks, self.w, self.lanes.phases, self.work, self.draws
            chance.draws_block(1, self.stride, first, self.plan, self.loop, *noise)
            self.clipped += closed_loop.single_loop_block(first, begin, end, *shared, out)
        else:
            self.clipped += closed_loop.many_loops_block(first, begin, end, *shared, out, self.number)

    def _part(self, given: np.ndarray, first: int) -> np.ndarray:
        """Rows of a chunk, cut from tables for the whole run."""
        if not given.size or first < 0:
            return np.zeros((0, 0))
        return np.ascontiguousarray(given[:, first : first + CHUNK])

    def _anchor(self, sample: int) -> None:
        """Exact phases at a sample; with another clock also the ages and ticks of the chunk."""
        first = sample // CHUNK * CHUNK
        if self.clock is not None:
            self.clock.fill(first, self.ticks, tick_block)
            self.ages[:] = self._own_ages(self.clock, first) + self.fixed_age * self.axis.sampling.rate
        at_samples = [motion.at_samples.at(sample) for motion in self.motions]
        at_ticks = at_samples
        if self.clock is not None:
            at_ticks = [motion.at(motion.tick(sample)) for motion in self.motions]
        for phases, (row, fraction, whole) in (
            (at_samples, (rows.SAMPLE_PHASE_64, rows.SAMPLE_PHASE, rows.SAMPLE_WHOLE)),
            (at_ticks, (rows.TICK_PHASE_64, rows.TICK_PHASE, rows.TICK_WHOLE)),
        ):
            fractions = np.array([phase & LOW_64 for phase in phases], np.uint64)
            self.lanes.phases[row * self.stride :][: self.number] = fractions
            self._row(fraction)[:] = fractions.view(np.int64) * 2.0**-64
            self._row(whole)[:] = [float((phase + (1 << 63)) >> 64) for phase in phases]
        angles = [motion.angle(motion.tick(sample)) & LOW_64 for motion in self.motions]
        self.lanes.phases[rows.RING_ANGLE_64 * self.stride :][: self.number] = np.array(angles, np.uint64)
        self._row(rows.RING_ANGLE)[:] = np.array(angles, np.uint64).view(np.int64) * 2.0**-64

    def _own_ages(self, clock: Clock, first: int) -> np.ndarray:
        """Samples since the newest tick of the other clock, at each sample of a chunk."""
        ticks = self.ticks - self.ticks[0]
        _, rest = clock.newest(first)
        since = float(rest) + np.arange(CHUNK) * float(clock.ratio) - ticks
        return np.maximum(since, 0.0) / float(clock.ratio)

    def follow_speed(self, speed: np.ndarray) -> None:
        """Let the notches with an order follow a demanded velocity."""
        control, pitch = self.control, self.axis.scale.pitch
        if any(notch.order is not None for notch in control.notch):
            rate, known = self.axis.sampling.rate, {}
            rounded = np.abs(speed)
            for v in np.unique(rounded):
                known[v] = coefficients(control, rate, float(v), pitch)
            self.filters_by_sample = np.array([known[v] for v in rounded]).T

    @property
    def stop(self) -> np.ndarray:
        """Sample at which each lane stopped, infinite where it did not."""
        return self._row(rows.STOP)

    @property
    def holding(self) -> np.ndarray:
        """Torque of the steady motion, one per lane."""
        return self._row(rows.HOLDING_TORQUE)

    @property
    def bound(self) -> np.ndarray:
        """Deviation of the velocity from which on a loop counts as run away, one per lane."""
        return self._row(rows.RUNAWAY_BOUND)

    def sums(self, curve: int) -> tuple[np.ndarray, np.ndarray]:
        """Sum and sum of squares of a curve about its first settled value."""
        return self._row(rows.SUM + curve).copy(), self._row(rows.SUM_OF_SQUARES + curve).copy()


def _plant_table(body: Plant) -> np.ndarray:
    """Transition of the plant's states and the columns of its inputs."""
    columns = [body.newer, body.older, body.load_torque, body.motor_torque]
    return np.ascontiguousarray(np.column_stack([body.increment, *columns]))


def _cogging_table(axis: Axis) -> np.ndarray:
    """Rows: cycles per signal period, amplitude, phase in turns."""
    scale = axis.scale
    turn = 1.0 / (2.0 * math.pi) if scale.unit == "rad" else 1.0
    orders = [
        (order * scale.pitch * turn, amplitude, phase / (2.0 * math.pi))
        for order, (amplitude, phase) in loop.closed(axis).load.cogging.items()
    ]
    return np.array(orders, dtype=float).reshape(-1, 3)


def reaches_torque(control: Control) -> bool:
    """Whether the controller can hold the torque of a steady motion at its speed."""
    return control.velocity_gain > 0.0 and (control.position_gain > 0.0 or control.integral_time is not None)


def coefficients(control: Control, rate: float, speed: float, pitch: float) -> list[float]:
    """b0 b1 b2 a1 a2 of every torque filter; a notch whose frequency is out of range at this speed has gain 1."""
    numbers = []
    for n in range(len(control.notch) + (control.lowpass is not None)):
        alone = replace(
            control,
            notch=control.notch[n : n + 1],
            lowpass=None if n < len(control.notch) else control.lowpass,
        )
        sections = filter_design.sections(alone, rate, speed=speed, pitch=pitch)
        if not sections:
            numbers += [1.0, 0.0, 0.0, 0.0, 0.0]
            continue
        above, below = (np.pad(part, (0, 3 - len(part))) for part in sections[0].coefficients())
        numbers += [*above, *below[1:]]
    return numbers


def _record(axis: Axis, body: Plant, settle: int) -> np.ndarray:
    """Scalars of the loop, the same for all lanes."""
    (load, control), rate, pitch = loop.closed(axis), axis.sampling.rate, axis.scale.pitch
    flexible = load.flexible
    fields = {
        "states": len(body.states),
        "flexible": flexible,
        "encoder_on_load": flexible and load.encoder == "load",
        "delay": body.delay,
        "position_gain": control.position_gain,
        "velocity_gain": control.velocity_gain,
        "integral_share": 0.0 if control.integral_time is None else 1.0 / (rate * control.integral_time),
        "velocity_feedforward": control.velocity_feedforward,
        "acceleration_feedforward": control.acceleration_feedforward,
        "torque_limit": math.inf if control.torque_limit is None else control.torque_limit,
        "has_dry_friction": load.coulomb > 0.0 or load.stribeck > 0.0,
        "coulomb": load.coulomb,
        "stribeck": load.stribeck,
        "stribeck_speed": load.stribeck_speed or 1.0,
        "load_gain": body.velocity @ body.load_torque,
        "periods_per_unit": 1.0 / pitch,
        "period": 1.0 / rate,
        "latency_samples": axis.sampling.latency * rate,
        "clock_jitter": axis.sampling.jitter,
        "settle": settle,
    }
    record = np.zeros(1, records.LOOP)
    for name, value in fields.items():
        record[name] = value
    return record


def _plans(
    axis: Axis, speeds: list[float], seeds: list[int], motions: list[SteadyPhase], signal_speeds: list[float]
) -> np.ndarray:
    """Plans of the chain, one per lane; computed once and adapted where the channels are the same at all speeds."""
    plan = np.repeat(chain.plan_of(axis, speeds[0], seeds[0], motions[0], signal_speeds[0]), len(speeds))
    alike = not period_error.depends_on_speed(axis) and axis.sampling.average == 1
    for i in range(1, len(speeds)):
        if alike:
            plan[i] = chain.plan_like(plan[0], axis, speeds[i], seeds[i], motions[i])
        else:
            plan[i] = chain.plan_of(axis, speeds[i], seeds[i], motions[i], signal_speeds[i])[0]
    plan["edge_code"] = chain.edge_code(axis, steady=False)
    return plan
