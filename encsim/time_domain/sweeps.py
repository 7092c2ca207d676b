"""The simulated check of a ripple curve, and of the same with the loop closed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..open_loop.limits import default_speeds

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from .closed_run_result import Runs


SIMULATED_SPEEDS = 12
STARTS, SAMPLES, MOST_A_START = 16, 8192, 1 << 17
# Its multiples modulo 1 are evenly spread and, unlike sixteenths, in no simple ratio to the counts per period.
GOLDEN = 0.6180339887498949
# Closed-loop runs: signal periods to travel at the slowest speed, within these bounds of samples.
PERIODS, SHORTEST_RUN, LONGEST_RUN = 20.0, 1 << 20, 1 << 21


def spread(curve: RippleCurve | Smoothness, count: int = SIMULATED_SPEEDS) -> list[float]:
    """Up to ``count`` speeds of a curve, evenly spread over it."""
    speeds = sorted({abs(speed) for speed in curve.speed.tolist()})
    if len(speeds) <= count:
        return speeds
    return [speeds[round(i * (len(speeds) - 1) / (count - 1))] for i in range(count)]


def most_simulated(axis: Axis) -> int:
    """Samples of a check by simulation over the default speeds."""
    return SIMULATED_SPEEDS * STARTS * _enough_samples(axis, default_speeds(axis))


def simulated(
    axis: Axis, speeds: list[float], seed: int, threads: int | None, progress: Any
) -> dict[str, int | list[float]]:
    """The same speeds by simulation, as plain values: rms over all starts, half of (maximum - minimum)."""
    rms, peak = [], []
    samples = _enough_samples(axis, speeds)
    for number, speed in enumerate(speeds, 1):
        one = _from_starts(axis, speed, samples, seed, threads)
        rms.append(one[0])
        peak.append(one[1])
        progress.show(f"simulated {number} of {len(speeds)} speeds")
    return {"speed": speeds, "rms": rms, "peak": peak, "samples": STARTS * samples, "seed": seed}


def _enough_samples(axis: Axis, speeds: list[float]) -> int:
    """Samples per start: enough to travel some counts at the slowest speed, within bounds."""
    slowest = min((speed for speed in speeds if speed), default=math.inf)
    return round(min(max(SAMPLES, 8.0 * axis.resolution * axis.sampling.rate / slowest), MOST_A_START))


def _from_starts(
    axis: Axis, speed: float, samples: int, seed: int, threads: int | None
) -> tuple[float, float]:
    """Rms and half range of the velocity at one speed, over starts spread through a signal period."""
    from .simulation import simulate

    square = 0.0
    low, high = math.inf, -math.inf
    for number in range(STARTS):
        start = axis.scale.pitch * (number * GOLDEN % 1.0)
        trace = simulate(axis, speed, samples, (seed + number) % 2**64, start, threads=threads)
        settled = trace.velocity[trace.settle :]
        square += trace.rms**2 / STARTS
        low, high = min(low, float(settled.min())), max(high, float(settled.max()))
    return math.sqrt(square), 0.5 * (high - low)


def run_closed(axis: Axis, speeds: list[float], seed: int) -> Runs:
    """The same speeds with the loop closed, by `runs`."""
    from .closed_run import runs, settling

    slowest = min((speed for speed in speeds if speed), default=math.inf)
    wanted = PERIODS * axis.scale.pitch * axis.sampling.rate / slowest
    samples = round(min(max(SHORTEST_RUN, wanted), LONGEST_RUN))
    return runs(axis, speeds, (samples + settling(axis, 2 * samples)) / axis.sampling.rate, seed)
