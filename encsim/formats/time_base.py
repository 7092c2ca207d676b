"""When the samples were taken, and repairs of series: sampling, gaps, held samples, wrap, mid-scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import shown_units
from ..wording import many

if TYPE_CHECKING:
    from collections.abc import Sequence

# Scatter of the stamps about even sampling, of the interval, up to which they are even.
EVEN = 1e-3
GAP = 1.5
CHUNK = 1 << 18
LEAST_HELD = 0.1
MIDDLES = (2.5, 1.65, 1.25, 1.5, 0.9, 1.8, 5.0, 3.3, 1.0, 2.0, *(2.0**bits for bits in range(7, 24)))
# Angles after which a position begins again, in SI.
ANGLES = (2.0 * np.pi, np.pi)
USUAL_WIDTHS = (8, 10, 12, 14, 16, 18, 20, 24, 32)


@dataclass(frozen=True)
class TimeBase:
    """Sampling of a recording: rate of even samples, the stamps where they tell more, and in words."""

    rate: float | None
    time: np.ndarray | None
    words: str


def sampling(time: np.ndarray) -> TimeBase:
    """Whether stamps are even, even with a logger's jitter, in bursts, or have gaps."""
    few = np.arange(0, len(time) - 1, max(1, len(time) // 100_000))
    some = time[few + 1] - time[few]
    usual = float(np.median(some)) or float(time[-1] - time[0]) / (len(time) - 1)
    if usual <= 0.0:
        return TimeBase(None, None, "time stamps that do not advance")
    spread, interval = _scatter(time)
    if spread < max(EVEN, 0.6 * _resolution(some) / interval):
        return TimeBase(1.0 / interval, None, f"even at {_rate(interval)}")
    steps = np.diff(time)
    long = _gaps(steps, usual)
    if not len(long):
        scatter = shown_units.show(spread * interval, "s")
        words = f"even at {_rate(interval)}, time stamps of the logger scatter by {scatter} rms"
        return TimeBase(1.0 / interval, time, words)
    runs = np.diff(np.concatenate([[0], long + 1, [len(time)]]))
    inside = float(np.mean(np.delete(steps, long)))
    if len(long) >= 2 and np.ptp(runs[:-1]) == 0 and runs[0] > 2:
        words = f"{len(runs)} bursts of {runs[0]} samples at {_rate(inside)}"
    else:
        lost = np.sum(np.rint(steps[long] / inside) - 1.0)
        words = f"{_rate(inside)} with {many(len(long), 'gap')}, {many(float(lost), 'sample')} missing"
        words += f", the first after {shown_units.show(float(time[long[0]] - time[0]), 's')}"
    return TimeBase(1.0 / inside, time, words)


def first_backwards(time: np.ndarray) -> int | None:
    """Number of the first stamp below the one before; None where there is none."""
    back = time[1:] < time[:-1]
    return int(np.argmax(back)) + 1 if back.any() else None


def _gaps(steps: np.ndarray, usual: float) -> np.ndarray:
    """Long steps; not those of a late stamp, which a short step before or after makes up for."""
    long = np.flatnonzero(steps > GAP * usual)
    around = np.concatenate([[usual], steps, [usual]])
    least = np.minimum(around[long], around[long + 2])
    return long[steps[long] + least > (1.0 + GAP) * usual]


def _rate(interval: float) -> str:
    return shown_units.show(1.0 / interval, "Hz")


def _scatter(time: np.ndarray) -> tuple[float, float]:
    """Rms distance of the stamps from even sampling, of the interval, and the interval, by least squares."""
    count = len(time)
    middle, mean = 0.5 * (count - 1), float(np.mean(time))
    parts = [slice(first, first + CHUNK) for first in range(0, count, CHUNK)]
    moment = 0.0
    for part in parts:
        moment += float((np.arange(part.start, min(part.stop, count)) - middle) @ (time[part] - mean))
    interval = 12.0 * moment / (count * (count**2 - 1.0))
    square = 0.0
    for part in parts:
        away = time[part] - mean - interval * (np.arange(part.start, min(part.stop, count)) - middle)
        square += float(away @ away)
    return float(np.sqrt(square / count)) / abs(interval), interval


def _resolution(steps: np.ndarray) -> float:
    """Step to which stamps are rounded; 0 where none shows."""
    different, often = np.unique(np.round(steps, 12), return_counts=True)
    if not 2 <= len(different) <= 3 or (
        different[-1] > 1.5 * different[0] and min(often) < 0.05 * len(steps)
    ):
        return 0.0
    return float(np.min(np.diff(different)))


def held(cosine: np.ndarray, sine: np.ndarray) -> np.ndarray | None:
    """Mask of fresh samples where a logger repeats old ones; None where it does not."""
    first = slice(0, CHUNK)
    if np.mean(np.diff(cosine[first]) == 0.0) < LEAST_HELD:
        return None
    same = (cosine[1:] == cosine[:-1]) & (sine[1:] == sine[:-1])
    if np.mean(same) < LEAST_HELD:
        return None
    # In slow motion a coarse converter repeats its codes too, but then it seldom moves by several codes at once.
    for channel in (cosine, sine):
        moved = np.abs(np.diff(channel[first]))
        moved = moved[moved > 0.0]
        if not len(moved) or np.median(moved) < 3.5 * np.min(moved):
            return None
    return np.concatenate([[True], ~same])


def middle_of(rows: Sequence[np.ndarray]) -> float | None:
    """Mid-scale of channels that do not swing about zero; None where they do."""
    middles = [0.5 * (row.max() + row.min()) for row in rows]
    size = max(0.5 * (row.max() - row.min()) for row in rows)
    if size == 0.0 or any(abs(middle) < size for middle in middles):
        return None
    middle = float(np.mean(middles))
    near = min(MIDDLES, key=lambda usual: abs(usual - abs(middle)))
    return float(np.copysign(near, middle)) if abs(near - abs(middle)) < 0.25 * size else middle


def period_of_wrap(values: np.ndarray, whole: bool) -> float | None:
    """Distance by which a counter, or an angle, jumps where it begins again; None where it does not."""
    steps = np.diff(values)
    size = float(np.ptp(values))
    usual = np.median(np.abs(steps))
    jumps = np.flatnonzero(np.abs(steps) > 0.5 * size)
    if size == 0.0 or not len(jumps) or usual > 0.2 * size or len(jumps) > 0.4 * len(steps):
        return None
    # A jump hides one step, which is as long as its neighbours.
    beside = 0.5 * (steps[np.maximum(jumps - 1, 0)] + steps[np.minimum(jumps + 1, len(steps) - 1)])
    distances = np.abs(steps[jumps] - np.where(np.abs(beside) > 0.5 * size, np.median(steps), beside))
    distance = float(np.median(distances))
    error = max(3.0 * float(np.std(distances)) / np.sqrt(len(jumps)), 0.02 * usual)
    if not whole:
        near = min(ANGLES, key=lambda turn: abs(turn - distance))
        return near if abs(near - distance) < max(0.02 * near, error) else None
    return _whole_turn(distance, max(error, 1.0), float(values.min()), float(values.max()))


def _whole_turn(distance: float, error: float, low: float, high: float) -> float:
    """Counts after which a counter begins again: a width of a register, else the roundest number near it."""
    for turn in (2.0**bits for bits in USUAL_WIDTHS):
        holds = (low >= 0.0 and high < turn) or (low >= -0.5 * turn and high < 0.5 * turn)
        if holds and abs(distance - turn) <= error:
            return turn
    rounds = (float(step * np.rint(distance / step)) for step in (1000, 500, 360, 100, 50, 20, 10, 4, 1))
    fitting = (turn for turn in rounds if abs(turn - distance) <= error and turn > high - low)
    return next(fitting, high - low + 1.0)


def unwrapped(values: np.ndarray, turn: float) -> np.ndarray:
    """Values without their jumps by whole ``turn``; a step is taken as the shortest way."""
    steps = np.diff(values)
    steps -= turn * np.rint(steps / turn)
    return np.concatenate([values[:1], values[0] + np.cumsum(steps)])
