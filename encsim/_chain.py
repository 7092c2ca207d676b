"""From an axis and a speed to the scalars and tables of the compiled chain, in periods, samples and counts."""

import math
from fractions import Fraction

import numpy as np

from . import _kernels, quadrature
from ._motion import LOW_64, sampler

LOW_32 = (1 << 32) - 1


def plan_of(axis, speed, seed, motion):
    """All scalars of the chain, in periods, samples and counts."""
    plan = np.zeros(1, _kernels.PLAN)
    parts = _sampling_plan, _signal_plan, _counting_plan
    fields = {"key0": seed & LOW_32, "key1": seed >> 32}
    fields |= {
        "step": motion.step64 & LOW_64,
        "slope": float(motion.step),
        "ticked": motion.clock is not None,
    }
    for part in parts:
        fields |= part(axis, speed)
    for name, value in fields.items():
        plan[name] = value
    return plan


def _sampling_plan(axis, speed):
    """When readings are taken, and how far jitter moves them."""
    sampling, signal, pitch = axis.sampling, axis.signal, axis.scale.pitch
    readings = sampling.average
    spacing = speed / (pitch * sampling.rate) / readings
    return {
        "jitter": signal.jitter / pitch,
        "clock": sampling.jitter * speed / pitch,
        "readings": readings,
        "spacing": spacing,
        "lag": 0.5 * (readings - 1) * spacing - _turned(axis, speed, spacing),
        "pitch": pitch,
        "rate": sampling.rate,
        "span": axis.estimator.samples,
        **_correlation(axis),
    }


def _turned(axis, speed, spacing):
    """Phase by which the channels lead the mean phase of their readings, -0.5 to 0.5 period.

    Whole periods are counted by this phase, so that neither a readhead's lag nor a long average, which may
    turn the channels round, can cost or win one.
    """
    found, readings = quadrature.channels(axis, speed), axis.sampling.average
    turns = (np.arange(readings) - 0.5 * (readings - 1)) * spacing
    mean = np.cos(2.0 * np.pi * turns).mean()
    return float(np.angle((found.cosine[0] + 1j * found.sine[0]) * mean)) / (2.0 * np.pi)


def _correlation(axis):
    """One-pole correlation of the jitter from one taken sample to the next taken by the loop."""
    bandwidth, clock = axis.signal.jitter_bandwidth, sampler(axis)
    if bandwidth is None or axis.signal.jitter == 0.0:
        return {"correlated": 0}
    rate = axis.sampling.rate if clock is None else clock[0]
    jump = 1 if clock is None else Fraction(rate) // Fraction(axis.sampling.rate)
    fall = 2.0 * math.pi * bandwidth / rate
    return {
        "correlated": 1,
        "correlation": math.exp(-fall * jump),
        "correlation_more": math.exp(-fall * (jump + 1)),
        "jump": jump,
    }


def _signal_plan(axis, speed):
    """Offset, noise and converter."""
    signal, interpolation = axis.signal, axis.interpolation
    offset = quadrature.channels(axis, speed).offset
    plan = {"offset_cosine": offset[0], "offset_sine": offset[1], "noise": signal.noise}
    if interpolation.bits is not None:
        half = 2.0 ** (interpolation.bits - 1)
        plan |= {"converter": 1, "codes": half / interpolation.span, "lowest": -half, "highest": half - 1.0}
    return plan


def _counting_plan(axis, speed):
    """Counts, hysteresis and limited edges."""
    interpolation = axis.interpolation
    edges = interpolation.output == "ab"
    return {
        "counted": interpolation.factor is not None,
        "factor": interpolation.factor or 1,
        "bias": 0.5 if edges else 0.0,
        "sequential": 2 if _limited(axis) else int(interpolation.hysteresis > 0.0),
        "reach": 0.5 * (1.0 + interpolation.hysteresis),
        "separation": _separation(axis),
        "direction": np.sign(speed),
    }


def _limited(axis):
    """Whether edges may come later than they are crossed."""
    return axis.interpolation.edge_separation > 0.0 or axis.interpolation.edge_clock is not None


def _separation(axis):
    """Least distance of two edges, whole ticks of the edge clock if there is one, else samples."""
    separation, clock = axis.interpolation.edge_separation, axis.interpolation.edge_clock
    if clock is None:
        return separation * axis.sampling.rate
    # 1e-12: as floats 3e-7 s and 10 MHz make a little more than 3 ticks, and 3 are meant.
    return max(1.0, math.ceil(separation * clock * (1.0 - 1e-12)))


def tables_of(axis, speed):
    """Tables of the channels' Fourier terms (gap to the order before, C_n, S_n) and of the given error."""
    found, pitch = quadrature.channels(axis, speed), axis.scale.pitch
    parts = [part for term in (found.cosine, found.sine) for part in (term.real, term.imag)]
    terms = np.column_stack([np.diff(found.orders, prepend=0), *parts]).astype(float)
    sde = [(k, e / pitch * math.sin(f), e / pitch * math.cos(f)) for k, (e, f) in axis.signal.sde.items()]
    return np.ascontiguousarray(terms), np.array(sde, dtype=float).reshape(-1, 3)


def remembers(axis):
    """Whether a sample depends on all before it."""
    correlated = axis.signal.jitter > 0.0 and axis.signal.jitter_bandwidth is not None
    return correlated or axis.interpolation.hysteresis > 0.0 or _limited(axis)
