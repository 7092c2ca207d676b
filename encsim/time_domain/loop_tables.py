"""From an axis with a load and a control to the records, tables and lanes of the compiled closed loop."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..closed_loop import loop, plant
from ..kernels import closed_loop, loop_chance, loop_motion, loop_rows, records
from ..kernels.motion import tick_block
from ..kernels.records import CHUNK
from ..model import filter_design
from ..open_loop import period_error
from . import chain
from .motion import LOW_64, SteadyPhase

if TYPE_CHECKING:
    from ..closed_loop.plant import Plant
    from ..model.axis import Axis
    from ..model.load_and_control import Control


RUNAWAY = 100.0  # times the fastest speed there is, or a signal period a sample: then the loop has run away


class Loops:
    """Everything the compiled loop of some speeds works on; one speed stands alone, more stand in lanes."""

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
        self.number, self.stride = len(speeds), loop_rows.ALONE if len(speeds) == 1 else loop_rows.WIDTH
        starts = [0.0] * len(speeds) if starts is None else starts
        self.motions = [
            SteadyPhase(axis, *each) for each in zip(self.speeds, map(float, starts), strict=True)
        ]
        self.clock = self.motions[0].clock
        # the channels of a demand that changes its speed are those of its fastest
        self.seen = self.speeds if fastest is None else [float(fastest)]
        self.plan = _plans(axis, self.speeds, seeds, self.motions, self.seen)
        self.body = plant.discretise(axis.load, axis.control, axis.sampling.rate)
        self.loop = _record(axis, self.body, settle)
        self.state = np.zeros(self.number, records.STATE)
        self.terms, self.gaps, self.sde, self.ring = self._terms()
        self.numbers, memory, self.bends = chain.estimator_tables(axis, self.seen[0])
        self.begin = -_preroll(axis)
        self.w = self._rows(loop_rows.LOOP_ROWS)
        self.q = np.zeros(loop_rows.PHASE_ROWS * self.stride, np.uint64)
        self.memory = self._rows(_memory_rows(axis, memory))
        self.deviation = self._ring(1 + chain.kernel_form(axis).span)
        self.commands = self._ring(self.body.delay + 2)
        self.filters, self.held = self._filters()
        self.ages, self.oldest = self._ages()
        self.past = self._ring(self.oldest + 3, 2) if self.loop["aged"][0] else np.zeros(2 * self.stride)
        samples = CHUNK if self.number == 1 else loop_rows.DRAWN
        self.draws = self._rows(samples * (2 + 2 * axis.sampling.average))
        self.work = chain.zeros(records.ROWS * CHUNK)
        self.ticks = np.zeros(CHUNK, np.int64)
        self.clipped = 0
        self._set_lanes(abs(fastest or 0.0))
        self.demand = np.zeros((0, 0)) if demand is None else demand
        self.followed = np.zeros((0, 0))
        self.driven = self.axis_body, self.cogs

    def _rows(self, rows: int) -> np.ndarray:
        return chain.zeros(rows * self.stride)

    def _ring(self, slots: int, rows: int = 1) -> np.ndarray:
        """A ring of at least so many slots, a power of two."""
        return self._rows(rows << (slots - 1).bit_length())

    def _terms(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Fourier terms of the channels, lane by lane where they depend on the speed."""
        same = not period_error.depends_on_speed(self.axis)
        speeds = list(zip(self.seen, self.speeds, strict=True))
        found = [chain.tables_of(self.axis, *pair) for pair in (speeds[:1] if same else speeds)]
        terms, sde, ring = found[0]
        lanes = self._rows(4 * len(terms)).reshape(-1, self.stride)
        for i in range(self.number):
            lanes[:, i] = found[0 if same else i][0][:, 1:].ravel()
        return lanes.ravel(), np.ascontiguousarray(terms[:, 0]), sde, ring

    def _filters(self) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients b0 b1 b2 a1 a2 of the torque filters, and room for their states."""
        control, rate, pitch = self.axis.control, self.axis.sampling.rate, self.axis.scale.pitch
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
        self.fixed_age = min(loop.fixed_delays(axis))
        own = 0.0 if self.clock is None else float(1 / self.clock.frequency)
        self.loop["aged"] = self.fixed_age > 0.0 or own > 0.0 or axis.sampling.average > 1
        return np.full(CHUNK, self.fixed_age * rate), math.ceil((self.fixed_age + own) * rate) + 1

    def _set_lanes(self, fastest: float) -> None:
        """Rows that hold constants of each lane."""
        p, n = self.plan, self.number
        mean_age = 0.0 if self.clock is None else 0.5 * self.axis.sampling.rate / float(self.clock.frequency)
        trail = p["direction"] * 0.5 * self.axis.interpolation.hysteresis
        rows = {
            loop_rows.SLOPE_: p["slope"],
            loop_rows.LINE_SLOPE_: p["line_slope"],
            loop_rows.SPACING_: p["spacing"],
            loop_rows.LAG_: p["lag"],
            loop_rows.CLOCK_: p["clock"],
            loop_rows.DIRECTION_: p["direction"],
            loop_rows.SPEED_: self.speeds,
            loop_rows.OFFSET_: -p["lag"] - p["line_slope"] * mean_age - (p["bias"] + trail) / p["factor"],
            loop_rows.STOP_: np.inf,
            loop_rows.BOUND_: RUNAWAY * (np.maximum(np.abs(self.speeds), fastest) + p["pitch"] * p["rate"]),
        }
        for row, value in rows.items():
            self._row(row)[:n] = value
        for row, name in (
            (loop_rows.STEP_Q, "step"),
            (loop_rows.LINE_STEP_Q, "line_step"),
            (loop_rows.KEY0_Q, "key0"),
            (loop_rows.KEY1_Q, "key1"),
            (loop_rows.RING_STEP_Q, "ring_step"),
        ):
            self.q[row * self.stride :][:n] = p[name]
        loop_motion.drag_block(n, self.stride, self.loop, self.w)
        self._hold()

    def _row(self, row: int) -> np.ndarray:
        return self.w[row * self.stride :][: self.number]

    def _hold(self) -> None:
        """Torque of the steady motion, and what the controller lacks of it where it cannot reach it."""
        control, load = self.axis.control, self.axis.load
        speed = np.array(self.speeds)
        holding = load.viscous * speed - self._row(loop_rows.DRAG_) - load.force
        self._row(loop_rows.HOLDING_)[:] = holding
        if not control.position_gain:
            self._row(loop_rows.SPEED_BIAS_)[:] = (control.velocity_feedforward - 1.0) * speed
        if not reaches_torque(control):
            self._row(loop_rows.TORQUE_BIAS_)[:] = -holding

    def advance(self, first: int, end: int, out: np.ndarray | None = None) -> None:
        """Run the chunk that starts at sample ``first`` up to sample ``end``."""
        begin = max(self.begin - first, 0)
        self._anchor(first + begin)
        tables = (self.gaps, self.sde, self.ring, self.numbers, self.bends), self.driven
        lanes = (
            self.w,
            self.q,
            (self.terms, self.memory, self.deviation, self.past),
            (self.filters, self.held, self.commands),
        )
        chunk = (
            (self.draws, self.ages, self.ticks),
            (self._part(self.demand, first), self._part(self.followed, first)),
        )
        span = first, begin, min(end - first, CHUNK)
        if self.number == 1:
            noise = self.ticks, self.w, self.q, self.work, self.draws
            loop_chance.draws_block(1, self.stride, first, self.plan, self.loop, *noise)
            self.clipped += closed_loop.single_loop_block(
                *span, self.plan, self.loop, tables, lanes, chunk, self.state, out
            )
        else:
            self.clipped += closed_loop.many_loops_block(
                *span, self.plan, self.loop, tables, lanes, chunk, self.state, self.number
            )

    def _part(self, rows: np.ndarray, first: int) -> np.ndarray:
        """Samples of a chunk of what is given for the whole run."""
        if not rows.size or first < 0:
            return np.zeros((0, 0))
        return np.ascontiguousarray(rows[:, first : first + CHUNK])

    def _anchor(self, sample: int) -> None:
        """Exact phases at a sample, and where another clock reads the ages and ticks of its chunk."""
        first = sample // CHUNK * CHUNK
        if self.clock is not None:
            self.clock.fill(first, self.ticks, tick_block)
            self.ages[:] = self._own_ages(first) + self.fixed_age * self.axis.sampling.rate
        lines = [motion.line.at(sample) for motion in self.motions]
        taken = lines if self.clock is None else [motion.at(motion.tick(sample)) for motion in self.motions]
        for phases, (row, turns, whole) in (
            (lines, (loop_rows.LINE_Q, loop_rows.LINE_, loop_rows.LINE_WHOLE_)),
            (taken, (loop_rows.PHASE_Q, loop_rows.TURN_, loop_rows.WHOLE_)),
        ):
            fractions = np.array([phase & LOW_64 for phase in phases], np.uint64)
            self.q[row * self.stride :][: self.number] = fractions
            self._row(turns)[:] = fractions.view(np.int64) * 2.0**-64
            self._row(whole)[:] = [float((phase + (1 << 63)) >> 64) for phase in phases]
        angles = [motion.angle(motion.tick(sample)) & LOW_64 for motion in self.motions]
        self.q[loop_rows.RING_Q * self.stride :][: self.number] = np.array(angles, np.uint64)
        self._row(loop_rows.RING_)[:] = np.array(angles, np.uint64).view(np.int64) * 2.0**-64

    def _own_ages(self, first: int) -> np.ndarray:
        """Samples since the newest tick of the other clock, at each sample of a chunk."""
        ticks = self.ticks - self.ticks[0]
        _, rest = self.clock.newest(first)
        since = float(rest) + np.arange(CHUNK) * float(self.clock.ratio) - ticks
        return np.maximum(since, 0.0) / float(self.clock.ratio)

    def follow_speed(self, speed: np.ndarray) -> None:
        """Let the notches with an order follow a demanded velocity."""
        control, pitch = self.axis.control, self.axis.scale.pitch
        if any(notch.order is not None for notch in control.notch):
            rate, known = self.axis.sampling.rate, {}
            rounded = np.abs(speed)
            for v in np.unique(rounded):
                known[v] = coefficients(control, rate, float(v), pitch)
            self.followed = np.array([known[v] for v in rounded]).T

    @property
    def stop(self) -> np.ndarray:
        """Sample at which each lane stopped, infinite where it did not."""
        return self._row(loop_rows.STOP_)

    @property
    def holding(self) -> np.ndarray:
        """Torque of the steady motion, one a lane."""
        return self._row(loop_rows.HOLDING_)

    @property
    def bound(self) -> np.ndarray:
        """Deviation of the velocity at which each loop has run away."""
        return self._row(loop_rows.BOUND_)

    def sums(self, curve: int) -> tuple[np.ndarray, np.ndarray]:
        """Sum and sum of squares of a curve about its first settled value."""
        return self._row(loop_rows.TOTAL_ + curve).copy(), self._row(loop_rows.SQUARE_ + curve).copy()

    @property
    def axis_body(self) -> np.ndarray:
        """Transition of the plant's states and the columns of its inputs."""
        body = self.body
        columns = [body.newer, body.older, body.load_torque, body.motor_torque]
        return np.ascontiguousarray(np.column_stack([body.increment, *columns]))

    @property
    def cogs(self) -> np.ndarray:
        """Rows of cycles a signal period, amplitude, phase in turns."""
        scale, load = self.axis.scale, self.axis.load
        turn = 1.0 / (2.0 * math.pi) if scale.unit == "rad" else 1.0
        rows = [
            (order * scale.pitch * turn, size, phase / (2.0 * math.pi))
            for order, (size, phase) in load.cogging.items()
        ]
        return np.array(rows, dtype=float).reshape(-1, 3)


def reaches_torque(control: Control) -> bool:
    """Whether the controller can hold the torque of a steady motion at its speed."""
    return control.velocity_gain > 0.0 and (control.position_gain > 0.0 or control.integral_time is not None)


def coefficients(control: Control, rate: float, speed: float, pitch: float) -> list[float]:
    """b0 b1 b2 a1 a2 of every torque filter; one that is out of reach of the speed lets all through."""
    found = []
    for n in range(len(control.notch) + (control.lowpass is not None)):
        alone = replace(
            control,
            notch=control.notch[n : n + 1],
            lowpass=None if n < len(control.notch) else control.lowpass,
        )
        sections = filter_design.sections(alone, rate, speed=speed, pitch=pitch)
        if not sections:
            found += [1.0, 0.0, 0.0, 0.0, 0.0]
            continue
        above, below = (np.pad(part, (0, 3 - len(part))) for part in sections[0].coefficients())
        found += [*above, *below[1:]]
    return found


def _preroll(axis: Axis) -> int:
    """Samples to run before the loop closes: those that the simulation of the open chain begins with."""
    if not axis.estimator.linear:
        back = math.ceil(axis.estimator.reach * axis.sampling.rate) + 3
    else:
        back = chain.reach(axis)
    if not chain.remembers(axis):
        return back
    return (-(-back // CHUNK) + 1) * CHUNK


def _memory_rows(axis: Axis, memory: np.ndarray) -> int:
    if axis.estimator.linear:
        return memory.size
    window = axis.estimator.reach * axis.sampling.rate
    return loop_rows.T_RING + (loop_rows.T_KEPT * (math.ceil(window) + 2) if window else 0)


def _record(axis: Axis, body: Plant, settle: int) -> np.ndarray:
    """Scalars of the loop that all lanes share."""
    control, load, rate, pitch = axis.control, axis.load, axis.sampling.rate, axis.scale.pitch
    flexible = load.flexible
    fields = {
        "states": len(body.states),
        "flexible": flexible,
        "far": flexible and load.encoder == "load",
        "delay": body.delay,
        "position_gain": control.position_gain,
        "velocity_gain": control.velocity_gain,
        "integral": 0.0 if control.integral_time is None else 1.0 / (rate * control.integral_time),
        "feedforward": control.velocity_feedforward,
        "acceleration": control.acceleration_feedforward,
        "limit": math.inf if control.torque_limit is None else control.torque_limit,
        "dry": load.coulomb > 0.0 or load.stribeck > 0.0,
        "coulomb": load.coulomb,
        "stribeck": load.stribeck,
        "stribeck_speed": load.stribeck_speed or 1.0,
        "push": body.velocity @ body.load_torque,
        "per_pitch": 1.0 / pitch,
        "period": 1.0 / rate,
        "late": axis.sampling.latency * rate,
        "clock": axis.sampling.jitter,
        "settle": settle,
    }
    record = np.zeros(1, records.LOOP)
    for name, value in fields.items():
        record[name] = value
    return record


def _plans(
    axis: Axis, speeds: list[float], seeds: list[int], motions: list[SteadyPhase], seen: list[float]
) -> np.ndarray:
    """Plans of the chain, one a lane; where nothing else depends on the speed only what is proportional to it."""
    plan = np.repeat(chain.plan_of(axis, speeds[0], seeds[0], motions[0], seen[0]), len(speeds))
    alike = not period_error.depends_on_speed(axis) and axis.sampling.average == 1
    for i in range(1, len(speeds)):
        if alike:
            plan[i] = chain.plan_like(plan[0], axis, speeds[i], seeds[i], motions[i])
        else:
            plan[i] = chain.plan_of(axis, speeds[i], seeds[i], motions[i], seen[i])[0]
    return plan
