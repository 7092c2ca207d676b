"""Steady motion: the exact phase at any sample number, the ticks of another clock, and the checks of its arguments."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from .. import checks
from ..model.axis import Axis, axis_fault
from ..model.bounds import speed_fault
from ..units import speed_in_si

if TYPE_CHECKING:
    from ..checks import Fault


EXACT_MODULUS = 1 << 62
LOW_64 = (1 << 64) - 1


class Clock:
    """Ticks n of another clock, at (n - phase)/frequency, as the loop at ``rate`` sees them, exactly."""

    def __init__(self, frequency: float, phase: float, rate: float) -> None:
        self.frequency, self.phase = Fraction(frequency), Fraction(phase)
        self.ratio = self.frequency / Fraction(rate)
        self.whole, rest = divmod(self.ratio, 1)
        exact = math.lcm(self.ratio.denominator, self.phase.denominator)
        self.slack = int(exact > EXACT_MODULUS)
        self.modulus = EXACT_MODULUS if self.slack else exact
        self.advance = math.floor(rest * self.modulus)

    def newest(self, sample: int) -> tuple[int, Any]:
        """Newest tick at a sample, and the rest of a tick since then."""
        return divmod(sample * self.ratio + self.phase, 1)

    def fill(self, sample: int, out: np.ndarray, tick_block: Any) -> None:
        """Newest ticks at the samples from ``sample`` on; one by one where 62 bits are not exact."""
        tick, rest = self.newest(sample - 1)
        rest = math.floor(rest * self.modulus)
        if tick_block(tick, rest, self.advance, self.whole, self.modulus, self.slack, out):
            out[:] = [self.newest(sample + i)[0] for i in range(out.size)]


class SteadyPhase:
    """Phase of the true position at each sample (at each tick, with a clock), exactly: (a + b n)/d periods.

    ``at_samples`` is the same motion at the samples themselves.
    """

    def __init__(self, axis: Axis, speed: float, start: float, ticked: bool = True) -> None:
        pitch, clock = Fraction(axis.scale.pitch), sampler(axis) if ticked else None
        self.clock = None if clock is None else Clock(*clock, axis.sampling.rate)
        rate, late = Fraction(axis.sampling.rate), Fraction(axis.sampling.latency)
        if self.clock is not None:
            rate = self.clock.frequency
            late += self.clock.phase / rate
        begin = (Fraction(start) - Fraction(speed) * late) / pitch
        self.step = Fraction(speed) / (rate * pitch)
        self._d = math.lcm(begin.denominator, self.step.denominator)
        self._a, self._b = int(begin * self._d), int(self.step * self._d)
        self.step64 = _nearest(self._b << 64, self._d)
        self._lines = axis.scale.lines or 1
        self.ring64 = _nearest(self._b << 64, self._d * self._lines)
        self.at_samples = self if clock is None else SteadyPhase(axis, speed, start, ticked=False)

    def tick(self, sample: int) -> int:
        """Number of the sample the loop reads: that of the other clock if there is one."""
        return sample if self.clock is None else self.clock.newest(sample)[0]

    def at(self, tick: int) -> int:
        """Phase of a sample or tick, in 2**-64 period."""
        return _nearest((self._a + self._b * tick) << 64, self._d)

    def angle(self, tick: int) -> int:
        """Angle of a ring at a sample or tick, in 2**-64 turn."""
        return _nearest((self._a + self._b * tick) << 64, self._d * self._lines)

    def anchor(self, fields: list[np.ndarray], j: int, chunk: int, size: int) -> None:
        """Write the start of a chunk into row j of the fields of an anchor."""
        tick = self.tick(chunk * size)
        phase = self.at(tick)
        sample_phase = phase if self.at_samples is self else self.at_samples.at(chunk * size)
        # In two statements: a tuple of all these numbers would be the largest object that reading allocates.
        chunks, phases, wholes, ticks, sample_phases, sample_wholes, angle = fields
        chunks[j], phases[j], wholes[j], ticks[j] = chunk, phase & LOW_64, _whole(phase), tick
        sample_phases[j], sample_wholes[j] = sample_phase & LOW_64, _whole(sample_phase)
        angle[j] = self.angle(tick) & LOW_64

    def stepped(self, sample: int, origin: int) -> tuple[int, float]:
        """Whole periods and fraction at a sample, in 64-bit steps from the exact phase at ``origin``."""
        tick, begin = self.tick(sample), self.tick(origin)
        phase = self.at(begin) + (tick - begin) * self.step64
        return _whole(phase), (phase - (_whole(phase) << 64)) * 2.0**-64


def _nearest(a: int, b: int) -> int:
    return (2 * a + b) // (2 * b)


def _whole(phase: int) -> int:
    """Nearest whole periods of a phase in 2**-64 period."""
    return (phase + (1 << 63)) >> 64


def sampler(axis: Axis) -> tuple[float, float] | None:
    """Frequency and phase of the clock that samples positions, None where the loop samples them."""
    if axis.sampling.encoder_rate is not None:
        return axis.sampling.encoder_rate, axis.sampling.encoder_phase
    if axis.interpolation.edge_clock is not None:
        return axis.interpolation.edge_clock, 0.0
    return None


MOST_SAMPLES = 1 << 40
MOST_THREADS = 256
MOST_TICKS = 1 << 20  # per sample
FARTHEST = 1 << 60  # periods, by start and latency
LAST_SAMPLE = 1 << 41


def check_array(name: str, array: np.ndarray, position: np.ndarray | None = None) -> None:
    """Refuse what cannot be filled in place, or not beside ``position``."""
    rule, field = "be a contiguous, writable one-dimensional float64 array", f"Stream.read.{name}"
    if type(array) is not np.ndarray:
        checks.refuse(field, rule, type(array))
    if array.dtype != np.float64 or array.ndim != 1 or not array.flags.carray:
        checks.refuse(field, rule, f"{array.dtype} of shape {array.shape}")
    if position is not None and array.size != position.size:
        checks.refuse(field, f"have the {position.size} samples of position", array.size)
    if position is not None and np.may_share_memory(array, position):
        checks.refuse(field, "not share memory with position", "the same memory")


def refuse_thread(owner: str) -> NoReturn:
    """Refuse the call of another thread while one is reading: both would change the same arrays."""
    rule = "be used by one thread at a time"
    checks.refuse(owner, rule, "a call while another one runs", hint="give each thread its own")


def stated_speed(owner: str, axis: Axis, speed: Any) -> Any:
    """A speed given as text as a number, m/s or rad/s; all else as it is."""
    return speed_in_si(f"{owner}.speed", speed, axis.scale.unit) if isinstance(axis, Axis) else speed


def check_run(axis: Axis, speed: float, samples: int, seed: int, start: float, threads: int | None) -> None:
    """All faults of the arguments of simulate."""
    faults = _faults("simulate", axis, speed, seed, start)
    if not checks.is_whole(samples) or not 1 <= samples <= MOST_SAMPLES:
        faults.append(
            checks.Fault("simulate.samples", f"be a whole number from 1 to {MOST_SAMPLES}", samples)
        )
    if threads is not None and not (checks.is_whole(threads) and 1 <= threads <= MOST_THREADS):
        faults.append(
            checks.Fault("simulate.threads", f"be None or a whole number from 1 to {MOST_THREADS}", threads)
        )
    if faults:
        raise checks.InputError(*faults)


def check_stream(
    axis: Axis, speed: float, seed: int, start: float, first: int, owner: str = "Stream"
) -> None:
    """All faults of the arguments of Stream, or of an Encoder."""
    faults = _faults(owner, axis, speed, seed, start)
    if not checks.is_whole(first) or not 0 <= first <= MOST_SAMPLES:
        faults.append(checks.Fault(f"{owner}.first", f"be a whole number from 0 to {MOST_SAMPLES}", first))
    if faults:
        raise checks.InputError(*faults)


def check_motion(owner: str, axis: Axis, speed: Any, seconds: float, seed: int, profiled: bool) -> None:
    """All faults of the arguments of the closed loop's runs."""
    faults = _faults(owner, axis, 0.0 if profiled else speed, seed, 0.0)
    if not checks.is_real(seconds) or float(seconds) <= 0.0:
        faults.append(checks.Fault(f"{owner}.seconds", "be positive and finite", seconds, "s"))
    for name in ("load", "control"):
        if isinstance(axis, Axis) and getattr(axis, name) is None:
            faults.append(checks.Fault(f"Axis.{name}", "be given for a closed loop"))
    if faults:
        raise checks.InputError(*faults)


def _faults(owner: str, axis: Axis, speed: float, seed: float, start: float) -> list[Fault]:
    """Faults of the arguments that simulate and Stream share."""
    if not isinstance(axis, Axis):
        return [axis_fault(f"{owner}.axis", axis)]
    faults, unit = [], axis.scale.unit
    for name, value, dimension in (("speed", speed, f"{unit}/s"), ("start", start, unit)):
        if not checks.is_real(value):
            faults.append(checks.Fault(f"{owner}.{name}", "be a finite number", value, dimension))
    if not checks.is_whole(seed) or not 0 <= seed <= LOW_64:
        faults.append(checks.Fault(f"{owner}.seed", f"be a whole number from 0 to {LOW_64}", seed))
    return faults or _range_faults(owner, axis, float(speed), float(start))


def _range_faults(owner: str, axis: Axis, speed: float, start: float) -> list[Any]:
    """Faults that would take whole periods or ticks out of 63 bits."""
    unit, sampling, pitch = axis.scale.unit, axis.sampling, axis.scale.pitch
    clock, faults = sampler(axis), []
    late = sampling.latency + (0.0 if clock is None else 1.0 / clock[0])
    faults += speed_fault(f"{owner}.speed", axis, speed)
    if faults:
        return faults
    if abs(start) > FARTHEST * pitch or abs(speed) * late > FARTHEST * pitch:
        rule = f"keep the position within {FARTHEST} signal periods, latency included"
        faults.append(checks.Fault(f"{owner}.start", rule, start, unit))
    if clock is not None and clock[0] > MOST_TICKS * sampling.rate:
        rule = f"read an encoder or edge clock up to {MOST_TICKS} times as fast as the loop"
        faults.append(checks.Fault(f"{owner}.axis", rule, clock[0], "Hz"))
    return faults
