"""From an axis and a speed to the scalars and tables of the compiled chain, in periods, samples and counts."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels import edge_timing, records
from ..kernels.records import SignalTables
from ..kernels.rows import CHUNK, EDGE_HISTORY, EDGE_HISTORY_ROWS
from ..model.edge_timing import TimedEdges
from ..open_loop import period_error
from ..rings.error_orders import turn_lines
from .motion import LOW_64, sampler

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.estimator_base import KernelForm
    from .motion import SteadyPhase


LOW_32 = (1 << 32) - 1
LINE = 8  # numbers of a cache line
EDGE_POINTS = 1 << 15  # points of the error over a period, for timed edges
FORGOTTEN = 0.25  # share of the memory (decay to 1e-16) after which less than 1e-4 remains
SHAPES = {
    "difference": records.DIFFERENCE,
    "taps": records.TAPS,
    "parabola": records.PARABOLA,
    "sections": records.SECTIONS,
    "edges": records.TIMING,
}


def zeros(size: int) -> np.ndarray:
    """Zeros aligned to a cache line: a vector across two lines takes twice as long to load."""
    room = np.zeros(size + LINE)
    start = -room.ctypes.data % (8 * LINE) // 8
    return room[start : start + size]


def plan_of(
    axis: Axis, speed: float, seed: int, motion: SteadyPhase, signal_speed: float | None = None
) -> np.ndarray:
    """All scalars of the chain, in periods, samples and counts; the channels have their shape at ``signal_speed``."""
    plan, signal_speed = np.zeros(1, records.PLAN), speed if signal_speed is None else signal_speed
    parts = _sampling_plan, _counting_plan, _estimator_plan
    fields: dict[str, float] = {"key_low": seed & LOW_32, "key_high": seed >> 32}
    fields |= {
        **_step_fields(motion),
        "has_clock": motion.clock is not None,
        "ring_lines": len(ring_table(axis)) // 3,
        "turns_per_period": 1.0 / (axis.scale.lines or 1),
    }
    fields |= _signal_plan(axis, signal_speed)
    for part in parts:
        fields |= part(axis, speed)
    for name, value in fields.items():
        plan[name] = value
    return plan


def plan_like(plan: Any, axis: Axis, speed: float, seed: int, motion: SteadyPhase) -> Any:
    """The plan for another speed and seed, of channels that are the same at all speeds and read once per sample."""
    other = plan.copy()
    other["key_low"], other["key_high"] = seed & LOW_32, seed >> 32
    for name, value in _step_fields(motion).items():
        other[name] = value
    other["clock_jitter"] = axis.sampling.jitter * speed / axis.scale.pitch
    other["spacing"] = speed / (axis.scale.pitch * axis.sampling.rate)
    other["direction"], other["speed"] = np.sign(speed), speed
    return other


def _step_fields(motion: SteadyPhase) -> dict[str, float]:
    """Steps of the phase from tick to tick and from sample to sample."""
    return {
        "tick_step_64": motion.step64 & LOW_64,
        "tick_step": float(motion.step),
        "sample_step_64": motion.at_samples.step64 & LOW_64,
        "sample_step": float(motion.at_samples.step),
        "ring_step_64": motion.ring64 & LOW_64,
    }


def _sampling_plan(axis: Axis, speed: float) -> dict[str, float]:
    """Times of the readings, and their jitter."""
    sampling, signal, pitch = axis.sampling, axis.signal, axis.scale.pitch
    readings = sampling.average
    spacing = speed / (pitch * sampling.rate) / readings
    return {
        "jitter": signal.jitter / pitch,
        "clock_jitter": sampling.jitter * speed / pitch,
        "readings": readings,
        "spacing": spacing,
        "lag": 0.5 * (readings - 1) * spacing - _phase_lead(axis, speed, spacing),
        "pitch": pitch,
        "rate": sampling.rate,
        **_correlation(axis),
    }


def _phase_lead(axis: Axis, speed: float, spacing: float) -> float:
    """Phase by which the channels lead the mean phase of their readings, -0.5 to 0.5 period."""
    # Whole periods are counted by this phase. The lag of a readhead, or a long average that inverts the channels, then
    # changes their number by none.
    readings = axis.sampling.average
    turns = (np.arange(readings) - 0.5 * (readings - 1)) * spacing
    mean = np.cos(2.0 * np.pi * turns).mean()
    return float(np.angle(_first(axis, speed) * mean)) / (2.0 * np.pi)


def _first(axis: Axis, speed: float) -> complex:
    """Fundamental of both channels as one complex number; its angle is their lead."""
    channels = period_error.channels(axis, speed)
    return channels.cosine[0] + 1j * channels.sine[0]


def _correlation(axis: Axis) -> dict[str, Any]:
    """One-pole correlation of the jitter between consecutive samples that the loop reads."""
    bandwidth, clock = axis.signal.jitter_bandwidth, sampler(axis)
    if bandwidth is None or axis.signal.jitter == 0.0:
        return {"has_bandwidth": 0}
    rate = axis.sampling.rate if clock is None else clock[0]
    jump = 1 if clock is None else Fraction(rate) // Fraction(axis.sampling.rate)
    fall = 2.0 * math.pi * bandwidth / rate
    return {
        "has_bandwidth": 1,
        "correlation": math.exp(-fall * jump),
        "correlation_more": math.exp(-fall * (jump + 1)),
        "jump": jump,
    }


def _signal_plan(axis: Axis, speed: float) -> dict[str, float]:
    """Offset, noise and converter."""
    signal, interpolation = axis.signal, axis.interpolation
    offset = period_error.channels(axis, speed).offset
    plan = {"offset_cosine": offset[0], "offset_sine": offset[1], "noise": signal.noise}
    if interpolation.bits is not None:
        half = 2.0 ** (interpolation.bits - 1)
        plan |= {"converter": 1, "codes": half / interpolation.span, "lowest": -half, "highest": half - 1.0}
    return plan


def _counting_plan(axis: Axis, speed: float) -> dict[str, bool | float]:
    """Counts, hysteresis and limited edges."""
    interpolation = axis.interpolation
    edges = interpolation.output == "ab"
    return {
        "has_counts": interpolation.factor is not None,
        "factor": interpolation.factor or 1,
        "bias": 0.5 if edges else 0.0,
        "hold": _hold(axis),
        "half_band": 0.5 * (1.0 + interpolation.hysteresis),
        "separation": _separation(axis),
        "direction": np.sign(speed),
    }


def _hold(axis: Axis) -> int:
    """Hysteresis in the kernels' terms."""
    if _limited(axis):
        return records.LIMITED_EDGES
    return records.HYSTERESIS if axis.interpolation.hysteresis > 0.0 else records.FREE


def _limited(axis: Axis) -> bool:
    """Whether the output may delay edges."""
    return axis.interpolation.edge_separation > 0.0 or axis.interpolation.edge_clock is not None


def _separation(axis: Axis) -> float:
    """Shortest time between two edges: whole ticks of the edge clock if there is one, else samples."""
    separation, clock = axis.interpolation.edge_separation, axis.interpolation.edge_clock
    if clock is None:
        return separation * axis.sampling.rate
    # 1e-12: as floats 3e-7 s times 10 MHz is a little more than 3 ticks; 3 are meant.
    return max(1.0, math.ceil(separation * clock * (1.0 - 1e-12)))


def _estimator_plan(axis: Axis, speed: float) -> dict[str, float]:
    """Estimator of the velocity, from positions or timed edges."""
    estimator, sampling, pitch, form = axis.estimator, axis.sampling, axis.scale.pitch, kernel_form(axis)
    plan = {
        "estimator": SHAPES[form.shape],
        "span": form.span,
        "speed": speed,
        "scale": pitch * sampling.rate,
    }
    if not isinstance(estimator, TimedEdges):
        return plan
    ticks = Fraction(estimator.clock) / Fraction(sampling.rate)
    return plan | {
        "window": estimator.reach * sampling.rate,
        "timer_step_64": round(ticks * (1 << 64)) & LOW_64,
        "timer_step": float(ticks),
        "has_edge_noise": bool(axis.signal.jitter or axis.signal.noise or axis.interpolation.bits),
    }


def edge_code(axis: Axis, steady: bool) -> int:
    """Where the machine code of timed edges is, of steady or of any motion; compiled only for an axis that has them."""
    return edge_timing.code_at(steady) if isinstance(axis.estimator, TimedEdges) else 0


def kernel_form(axis: Axis) -> KernelForm:
    """How the compiled loops compute the velocity estimator of an axis."""
    return axis.estimator.resolved(axis.signal.jitter, axis.resolution).kernel_form(axis.sampling.rate)


def estimator_tables(axis: Axis, speed: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers, memory and table of edges of the velocity estimator; the stream allocates the deviations."""
    form = kernel_form(axis)
    edges = edge_table(axis, speed) if form.shape == "edges" else np.zeros(4)
    return form.numbers, np.zeros(form.states), edges


def edge_table(axis: Axis, speed: float) -> np.ndarray:
    """Error and rms of the noise, periods, against the phase shown: place and scatter of an edge."""
    # The steps of a converter are taken as noise of the same rms.
    true = np.arange(-EDGE_POINTS, 2 * EDGE_POINTS) / EDGE_POINTS
    # The chain's phase leads the true one, on which error and radius stand.
    lead = period_error.lead(period_error.averaged(axis, speed))
    once = true[EDGE_POINTS : 2 * EDGE_POINTS]
    error, radius = (
        np.tile(np.interp(once - lead, once, part, period=1.0), 3)
        for part in period_error.error_on_grid(axis, speed, EDGE_POINTS)
    )
    shown, wanted = np.maximum.accumulate(true + error), np.arange(EDGE_POINTS + 1) / EDGE_POINTS
    channel_noise = axis.signal.noise
    if axis.interpolation.bits is not None:
        step = 2.0 * axis.interpolation.span / 2.0**axis.interpolation.bits
        channel_noise = math.hypot(channel_noise, step / math.sqrt(12.0))
    noise = channel_noise / math.sqrt(axis.sampling.average) / (2.0 * math.pi * radius)
    scatter = np.hypot(noise, axis.signal.jitter / axis.scale.pitch)
    return np.concatenate([wanted - np.interp(wanted, shown, true), np.interp(wanted, shown, scatter)])


def reach(axis: Axis) -> int:
    """Samples of the past that a chunk needs for its velocity."""
    return kernel_form(axis).past


def slots(axis: Axis) -> int:
    """Chunks of the past to keep."""
    return -(-reach(axis) // CHUNK) + 1


def forgets_after(axis: Axis) -> int:
    """Samples after which a recursive estimator no longer depends on its start; 0 for all others."""
    return math.ceil(FORGOTTEN * kernel_form(axis).settling)


def tables_of(axis: Axis, speed: float, lead: float | None = None) -> SignalTables:
    """Fourier terms of the channels, and the lines of the given error and of the ring."""
    # With ``lead`` the channels, of the shape that they have at ``speed``, lead the position as at that other speed.
    channels, pitch = period_error.channels(axis, speed), axis.scale.pitch
    turn: np.ndarray | float = 1.0
    if lead is not None and lead != speed:
        turn = np.exp(1j * np.angle(_first(axis, lead) / _first(axis, speed)) * channels.orders)
    terms = [
        part for term in (channels.cosine, channels.sine) for part in ((term * turn).real, (term * turn).imag)
    ]
    sde = [(k, e / pitch * math.sin(f), e / pitch * math.cos(f)) for k, (e, f) in axis.signal.sde.items()]
    return SignalTables(
        order_steps=np.diff(channels.orders, prepend=0).astype(float),
        terms=np.column_stack(terms).astype(float).ravel(),
        sde=np.array(sde, dtype=float).ravel(),
        ring=ring_table(axis),
    )


def ring_table(axis: Axis) -> np.ndarray:
    """Order per revolution, cosine and sine part in periods of each line of the error of a mounted ring."""
    _, orders, made = turn_lines(axis)
    return np.column_stack([orders, made.real, -made.imag]).astype(float).ravel()


def remembers(axis: Axis) -> bool:
    """Whether a sample depends on all before it."""
    correlated = axis.signal.jitter > 0.0 and axis.signal.jitter_bandwidth is not None
    return correlated or axis.interpolation.hysteresis > 0.0 or _limited(axis) or forgets_after(axis) > 0


def preroll(axis: Axis) -> int:
    """Samples before a first one, as many as the simulation of the open chain computes before its own."""
    if isinstance(axis.estimator, TimedEdges):
        back = math.ceil(axis.estimator.reach * axis.sampling.rate) + 3
    else:
        back = reach(axis)
    if not remembers(axis):
        return back
    return (-(-back // CHUNK) + 1) * CHUNK


def memory_rows(axis: Axis, memory: np.ndarray, faster: int = 1) -> int:
    """Rows of a lane's estimator memory; ``faster``: most samples in a loop period."""
    if not isinstance(axis.estimator, TimedEdges):
        return memory.size
    window = axis.estimator.reach * axis.sampling.rate
    return EDGE_HISTORY + (EDGE_HISTORY_ROWS * (math.ceil(faster * window) + 2) if window else 0)
