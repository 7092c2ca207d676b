"""Arguments of simulate and Stream: what they must be, all faults at once."""

import numpy as np

from . import _checks
from ._motion import LOW_64, sampler
from .axis import Axis

MOST_SAMPLES = 1 << 40
MOST_THREADS = 256
MOST_PERIODS = 1 << 19  # a sample; up to LAST_SAMPLE that keeps whole periods below 2**61
MOST_TICKS = 1 << 20  # a sample
FARTHEST = 1 << 60  # periods that start and latency may make
LAST_SAMPLE = 1 << 41


def check_array(name, array, position=None):
    """Refuse what cannot be filled in place, or not beside ``position``."""
    rule, field = "be a contiguous, writable one-dimensional float64 array", f"Stream.read.{name}"
    if type(array) is not np.ndarray:
        _checks.refuse(field, rule, type(array))
    if array.dtype != np.float64 or array.ndim != 1 or not array.flags.carray:
        _checks.refuse(field, rule, f"{array.dtype} of shape {array.shape}")
    if position is not None and array.size != position.size:
        _checks.refuse(field, f"have the {position.size} samples of position", array.size)
    if position is not None and np.may_share_memory(array, position):
        _checks.refuse(field, "not share memory with position", "the same memory")


def check_run(axis, speed, samples, seed, start, threads):
    """All faults of the arguments of simulate."""
    faults = _faults("simulate", axis, speed, seed, start)
    if not _checks.is_whole(samples) or not 1 <= samples <= MOST_SAMPLES:
        faults.append(
            _checks.Fault("simulate.samples", f"be a whole number from 1 to {MOST_SAMPLES}", samples)
        )
    if threads is not None and not (_checks.is_whole(threads) and 1 <= threads <= MOST_THREADS):
        faults.append(
            _checks.Fault("simulate.threads", f"be None or a whole number from 1 to {MOST_THREADS}", threads)
        )
    if faults:
        raise _checks.InputError(*faults)


def check_stream(axis, speed, seed, start, first):
    """All faults of the arguments of Stream."""
    faults = _faults("Stream", axis, speed, seed, start)
    if not _checks.is_whole(first) or not 0 <= first <= MOST_SAMPLES:
        faults.append(_checks.Fault("Stream.first", f"be a whole number from 0 to {MOST_SAMPLES}", first))
    if faults:
        raise _checks.InputError(*faults)


def check_motion(owner, axis, speed, seconds, seed, profiled):
    """All faults of the arguments of the closed loop's runs."""
    faults = _faults(owner, axis, 0.0 if profiled else speed, seed, 0.0)
    if not _checks.is_real(seconds) or float(seconds) <= 0.0:
        faults.append(_checks.Fault(f"{owner}.seconds", "be positive and finite", seconds, "s"))
    for name in ("load", "control"):
        if isinstance(axis, Axis) and getattr(axis, name) is None:
            faults.append(_checks.Fault(f"Axis.{name}", "be given for a closed loop"))
    if faults:
        raise _checks.InputError(*faults)


def _faults(owner, axis, speed, seed, start):
    """Faults of the arguments that simulate and Stream share."""
    if not isinstance(axis, Axis):
        return [_checks.Fault(f"{owner}.axis", "be an Axis", axis)]
    faults, unit = [], axis.scale.unit
    for name, value, dimension in (("speed", speed, f"{unit}/s"), ("start", start, unit)):
        if not _checks.is_real(value):
            faults.append(_checks.Fault(f"{owner}.{name}", "be a finite number", value, dimension))
    if not _checks.is_whole(seed) or not 0 <= seed <= LOW_64:
        faults.append(_checks.Fault(f"{owner}.seed", f"be a whole number from 0 to {LOW_64}", seed))
    return faults or _range_faults(owner, axis, float(speed), float(start))


def _range_faults(owner, axis, speed, start):
    """Faults that would take whole periods or ticks out of 63 bits."""
    unit, sampling, pitch = axis.scale.unit, axis.sampling, axis.scale.pitch
    clock, faults = sampler(axis), []
    late = sampling.latency + (0.0 if clock is None else 1.0 / clock[0])
    if abs(speed) > MOST_PERIODS * sampling.rate * pitch:
        rule = f"stay up to {MOST_PERIODS} signal periods a sample, {MOST_PERIODS * sampling.rate * pitch:.4g} {unit}/s"
        faults.append(_checks.Fault(f"{owner}.speed", rule, speed, f"{unit}/s"))
    elif abs(start) > FARTHEST * pitch or abs(speed) * late > FARTHEST * pitch:
        rule = f"keep the position within {FARTHEST} signal periods, latency included"
        faults.append(_checks.Fault(f"{owner}.start", rule, start, unit))
    if clock is not None and clock[0] > MOST_TICKS * sampling.rate:
        rule = f"read an encoder or edge clock up to {MOST_TICKS} times as fast as the loop"
        faults.append(_checks.Fault(f"{owner}.axis", rule, clock[0], "Hz"))
    return faults
