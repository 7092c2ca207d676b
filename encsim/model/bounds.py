"""What a description may say at most: wider than any machine, narrow enough that every job ends soon.

Bounds of the numbers and lists of an axis file stand here, each once: parts of the axis check them, `encsim check`
tells them, and nothing overflows further on. Bounds that follow from the physics of one part stand with that part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from .. import checks, wording

if TYPE_CHECKING:
    from .axis import Axis


LENGTHS = (1e-12, 1e6)
FREQUENCIES = (1e-6, 1e12)
SPEEDS = (1e-15, 1e9)
WINDOWS = (1e-12, 1e3)
LONGEST_TIME = 1e3
LARGEST_LINES = 1 << 40
LARGEST_FACTOR = 1 << 30
# Harmonics of signals and lines of a given error: the work of a table of errors grows with them.
LARGEST_ORDER = 200
MOST_ORDERS = 50
# Readings of one average: each is computed.
MOST_READINGS = 128
MOST_HEADS = 64
MOST_NOTCHES = 8
DIAMETERS = (1e-4, 1e3)
INERTIAS = (1e-15, 1e12)
LONGEST_DELAY = 1.0
# Samples of a controller that the window of a timed estimator reaches back in its loop, or that its delays take.
LONGEST_REACH = 1 << 17
# Signal periods per sample of the loop: whole periods stay exact however long a run is.
MOST_PERIODS = 1 << 19


class Bound(NamedTuple):
    """Least and largest value of the keys of an axis file that share it; ``unit`` is empty for numbers."""

    keys: str
    low: float
    high: float
    unit: str = ""


TABLE = (
    Bound("scale.period, scale.diameter", *LENGTHS, "m"),
    Bound("scale.lines", 1, LARGEST_LINES),
    Bound("signal.harmonics and sde, orders", 0, LARGEST_ORDER),
    Bound("signal.harmonics and sde, number of both", 0, MOST_ORDERS),
    Bound("interpolation.factor", 1, LARGEST_FACTOR),
    Bound("sampling.rate, other frequencies", *FREQUENCIES, "Hz"),
    Bound("sampling.average", 1, MOST_READINGS),
    Bound("sampling.jitter, sampling.latency", 0, LONGEST_TIME, "s"),
    Bound("estimator.window, count-and-time", *WINDOWS, "s"),
    Bound("  samples of it, of latency and of delay in a closed loop", 0, LONGEST_REACH),
    Bound("motion, requirement: speeds", *SPEEDS, "m/s or rad/s"),
    Bound("  signal periods per sample at them", 0, MOST_PERIODS),
    Bound("heads", 1, MOST_HEADS),
    Bound("ring.diameter", *DIAMETERS, "m"),
    Bound("load.inertia", *INERTIAS, "kg m2 or kg"),
    Bound("control.delay", 0, LONGEST_DELAY, "s"),
    Bound("control.notch", 0, MOST_NOTCHES),
)


def fastest(axis: Axis) -> float:
    """Highest speed that any job takes for this axis, m/s or rad/s."""
    return MOST_PERIODS * axis.sampling.rate * axis.scale.pitch


def speed_fault(field: str, axis: Axis, speed: float) -> list[checks.Fault]:
    """The fault of a speed, m/s or rad/s, that no job takes for this axis; none of one that is slow enough."""
    highest, unit = fastest(axis), f"{axis.scale.unit}/s"
    if abs(speed) <= highest:
        return []
    rule = f"stay up to {MOST_PERIODS} signal periods per sample, {highest:.4g} {unit}"
    return [checks.Fault(field, rule, speed, unit)]


def faults(axis: Axis) -> list[checks.Fault]:
    """Faults of a top speed and of delays for which jobs would take too long."""
    fast = speed_fault("Axis.motion.top", axis, axis.motion.top or 0.0)
    if axis.control is None:
        return fast
    longest = LONGEST_REACH / axis.sampling.rate
    rule = f"be at most {LONGEST_REACH} samples in a closed loop, {longest:.4g} s"
    delays = {"Axis.sampling.latency": axis.sampling.latency, "Axis.control.delay": axis.control.delay}
    return fast + [checks.Fault(key, rule, delay, "s") for key, delay in delays.items() if delay > longest]


def check_speed(field: str, axis: Axis | None, speed: float) -> None:
    """Raise for a speed, m/s or rad/s, that no job takes for this axis, where that is known."""
    faults = [] if axis is None else speed_fault(field, axis, speed)
    if faults:
        raise checks.InputError(*faults)


def unusual(axis: Axis) -> list[str]:
    """Values that are more often a wrong unit or a wrong power of ten than a machine: ``scale.period 20.0 mm``."""
    signal, pitch, rate = axis.signal, axis.scale.pitch, axis.sampling.rate
    unit, given = axis.scale.unit, sum(size for size, _ in signal.sde.values())
    shares = {
        "gain": abs(signal.gain) > 0.5,
        "offset": max(map(abs, signal.offset)) > 0.5,
        "harmonics": max(map(abs, signal.harmonics.values()), default=0.0) > 0.5,
        "noise": signal.noise > 0.1,
    }
    rows = [
        ("scale.period", pitch, unit, unit == "m" and not 1e-7 <= pitch <= 1e-2),
        ("signal.sde", given, unit, given > 0.1 * pitch),
        ("signal.jitter", signal.jitter, unit, signal.jitter > 0.05 * pitch),
        ("sampling.rate", rate, "Hz", not 50.0 <= rate <= 5e6),
        ("sampling.latency", axis.sampling.latency, "s", axis.sampling.latency > 20.0 / rate),
        ("sampling.jitter", axis.sampling.jitter, "s", axis.sampling.jitter > 0.2 / rate),
    ]
    told = [f"{key} {wording.show(value, si)}" for key, value, si, strange in rows if strange]
    return told + [f"signal.{key} = {getattr(signal, key)}" for key, strange in shares.items() if strange]
