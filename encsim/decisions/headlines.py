"""The one answer that text, pictures and page give about ripple against speed.

With a limit it is the verdict. Without one it is the widest range of speeds where the ripple is a large share of the
speed. Towards standstill the ripple of quantisation and noise grows without bound as a share of the speed, so the ends
of the range never decide; nor do needles, crests narrower than 5 % of their speed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from .requirements import Requirement


# Width of a needle as a logarithm of a ratio of speeds; steps of the even grid in it and in an octave.
NEEDLE, STEPS = math.log(1.05), 4
OCTAVE = round(math.log(2.0) / NEEDLE * STEPS)
# The ripple is a large share of the speed down to this part of the largest.
LARGE = 0.5
# Towards an end the share grows without bound where it changes by more than this over an octave.
FLAT = 0.85
# A needle is told where it is this much above the answer.
TOLD = 1.2
# Fewer speeds than this are single ones, between which nothing is claimed.
RANGE = 20
# Below this many times its limit a ripple is told in per cent of it; a smaller share of the speed is no large one.
CLOSE, SMALL = 1.05, 1e-3
# Where no range stands out, the power of ten nearest to this share of the speed serves as a threshold.
USUAL = 0.01
# A value that exceeds its limit by no more than this share meets it.
ROUNDING = 1e-9
LEAST = 1e-300
# Share of the largest value from which on all values count.
TINY = 1e-12

Write = Callable[[float], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The answer about ripple against speed, all numbers SI.

    Attributes
    ----------
    kind : {"met", "exceeded", "isolated", "range", "threshold", "speeds", "none"}
        With a limit: met; exceeded; exceeded at needles only. Without one: a range of speeds; a threshold, below or
        above which the share of the speed is large; the largest of a few single speeds. Without ripple "none".
    place : int
        Index, in the values handed over, of the speed that the answer points at; -1 for none.
    speed, rms : float
        At this place, m/s or rad/s.
    share : float
        There, the ripple over its limit, or over the speed where there is no limit.
    ranges : tuple of (float, float)
        Speeds above the limit; the range of a large share; the speeds beyond the threshold.
    shares : (float, float)
        Least and largest share of the speed in the range; the threshold twice.
    needle : (float, float) or None
        Speed and share of the largest needle, where that is more than 1.2 times the answer.
    above, count : int
        Number of speeds above the limit, and of all that decide: those with a reliable result, or all where none is.
    every : bool
        Whether no speed was left out as not reliable.
    """

    kind: str
    place: int = -1
    speed: float = math.nan
    rms: float = math.nan
    share: float = math.nan
    ranges: tuple[tuple[float, float], ...] = ()
    shares: tuple[float, float] = (math.nan, math.nan)
    needle: tuple[float, float] | None = None
    above: int = 0
    count: int = 0
    every: bool = True

    @property
    def limited(self) -> bool:
        """Whether it is a verdict about a limit."""
        return self.kind in ("met", "exceeded", "isolated")

    @property
    def names_speed(self) -> bool:
        """Whether its words end with the speed that it points at."""
        return (self.limited or self.kind == "speeds") and self.needle is None

    def words(self, size: Write, percent: Write, cause: str = "") -> str:
        """The answer in a sentence without its end; ``size`` writes a speed, ``percent`` a share; with a cause."""
        told = _verdict_words if self.limited else _share_words
        said = f"{told(self, size, percent)}{cause}"
        if self.needle is None:
            return said
        share = times(self.needle[1]) if self.limited else percent(self.needle[1])
        return f"{said}; {share} in a narrow peak at {size(self.needle[0])}"


def times(share: float) -> str:
    """A ripple over its limit in words."""
    if share < CLOSE:
        return f"{100.0 * share:.4g} % of the limit"
    size = f"{share:.{2 if share < 10.0 else 3}g}" if share < 1e3 else "over 1000"
    return f"{size} times the limit"


def paired(low: str, high: str, word: str) -> str:
    """``1.2 to 2.3 %``: two quantities joined by a word, a unit that they share written once."""
    number, *unit = low.split(maxsplit=1)
    return f"{number if unit == high.split(maxsplit=1)[1:] else low} {word} {high}"


def _verdict_words(found: Headline, size: Write, percent: Write) -> str:
    if found.count == 1:
        met, where = found.kind == "met", size(found.speed)
        words = f"{percent(found.share)} of it" if met else times(found.share)
        return f"{'Within' if met else 'Above'} the limit at {where}: {words}"
    every = "every speed" if found.every else "every speed with a reliable result"
    if found.kind == "met":
        return f"Within the limit at {every}: at most {percent(found.share)} of it, at {size(found.speed)}"
    if found.above == found.count:
        where = f" at {every}"
    elif found.count < RANGE:
        where = f" at {found.above} of {found.count} speeds"
    elif found.kind == "isolated":
        many = f"{len(found.ranges)} narrow peaks"
        where = f" only in {'a narrow peak' if len(found.ranges) == 1 else many}"
    else:
        several = f" in {len(found.ranges)} ranges" if len(found.ranges) > 1 else ""
        where = f"{several} from {paired(size(found.ranges[0][0]), size(found.ranges[-1][1]), 'to')}"
    return f"Above the limit{where}: worst {times(found.share)} at {size(found.speed)}"


def _share_words(found: Headline, size: Write, percent: Write) -> str:
    if found.kind == "none":
        return "No velocity ripple"
    if found.kind == "speeds":
        most = "" if found.count == 1 else "at most "
        return f"Ripple is {most}{percent(found.share)} of the speed, at {size(found.speed)}"
    low, high = map(size, found.ranges[0])
    least, most = map(percent, found.shares)
    if found.kind == "range":
        shares = most if least == most else paired(least, most, "to")
        return f"Ripple is {shares} of the speed between {paired(low, high, 'and')}"
    return f"Ripple is above {most} of the speed only {side_of(found, low, high)}"


def side_of(found: Headline, low: str, high: str) -> str:
    """The speeds beyond a threshold, from the ends of their range in words."""
    return f"below {high}" if found.ranges[0][0] == 0.0 else f"above {low}"


def allowed(requirement: Requirement | None, speeds: np.ndarray) -> np.ndarray | None:
    """Measured ripple that a requirement allows at each speed, infinite beside its speeds; None without a limit."""
    if requirement is None or (requirement.measured is None and requirement.relative is None):
        return None
    magnitude = np.abs(speeds)
    low, high = requirement.speeds
    return np.where((magnitude < low) | (magnitude > high), np.inf, requirement.limit_at(magnitude))


def limits_at(requirement: Requirement | None, speed: float) -> dict[str, float]:
    """Limits on ripple at one speed, {curve: rms}, without those that the requirement does not set there."""
    found = allowed(requirement, np.array([speed]))
    limits = {} if found is None else {"measured": float(found[0])}
    if requirement is not None and requirement.speeds[0] <= abs(speed) <= requirement.speeds[1]:
        limits |= {"torque": requirement.torque or math.inf, "actual": requirement.actual or math.inf}
    return {curve: limit for curve, limit in limits.items() if math.isfinite(limit)}


def meets(values: Mapping[str, float | None], limits: Mapping[str, float]) -> bool | None:
    """Whether ripple by curve meets its limits; None where there are none, or a value is not known."""
    both = [(values[curve], limit) for curve, limit in limits.items()]
    known = [value <= limit * (1.0 + ROUNDING) for value, limit in both if value is not None]
    return all(known) if known and len(known) == len(limits) else None


def verdict(
    speed: float, values: Mapping[str, float | None], limits: Mapping[str, float], size: Write, percent: Write
) -> str:
    """The verdict at one speed as a sentence without its end; empty where nothing is limited."""
    told = []
    if "measured" in limits and values["measured"] is not None:
        at, rms, limit = (np.array([each]) for each in (speed or 1.0, values["measured"], limits["measured"]))
        found = headline(at, rms, limit=limit)
        if speed and found.kind != "none":
            told = [found.words(size, percent)]
        else:
            where = "this speed" if speed else "standstill"
            told = [f"{'Above' if rms[0] > limit[0] else 'Within'} the limit at {where}"]
    for curve, name in (("torque", "torque (force) ripple"), ("actual", "actual velocity ripple")):
        value, limit_ = values[curve], limits.get(curve)
        if value is not None and limit_ is not None and (value > limit_ or not told):
            told.append(f"{name} {percent(value / limit_)} of its limit")
    words = "; ".join(told)
    return words[:1].upper() + words[1:]


def headline(
    speed: np.ndarray,
    rms: np.ndarray,
    *,
    limit: np.ndarray | None = None,
    doubtful: np.ndarray | None = None,
) -> Headline:
    """The answer about ripple at some speeds.

    Parameters
    ----------
    speed, rms : ndarray, shape (n,)
        m/s or rad/s, in any order; the sign of the speed is ignored, standstill left out.
    limit : ndarray, shape (n,), optional
        Ripple that is allowed at each speed, infinite where any is.
    doubtful : ndarray of bool, shape (n,), optional
        Where the result is not reliable: such speeds decide only where there is no other.

    Returns
    -------
    Headline
    """
    magnitude, sizes = np.abs(np.ravel(speed)), np.nan_to_num(np.ravel(rms), posinf=0.0)
    if limit is not None and not np.isfinite(limit).any():
        limit = None
    base = magnitude if limit is None else np.ravel(limit)
    wrong = np.zeros(magnitude.size, dtype=bool) if doubtful is None else np.ravel(doubtful).astype(bool)
    places = np.unique(magnitude, return_index=True)[1]
    places = places[(magnitude[places] > 0.0) & np.isfinite(base[places])]
    deciding = places[~wrong[places]] if not wrong[places].all() else places
    counts: dict[str, Any] = {"count": deciding.size, "every": deciding.size == places.size}
    if not sizes[deciding].any():
        return Headline(kind="none", **counts)
    ratio = sizes[deciding] / np.maximum(base[deciding], LEAST)
    curve = _Curve(magnitude[deciding], ratio, np.searchsorted(magnitude[places], magnitude[deciding]))
    index, found = _share(curve) if limit is None else _verdict(curve)
    place = int(deciding[index])
    at: dict[str, Any] = {"place": place, "speed": float(magnitude[place]), "rms": float(sizes[place])}
    return Headline(**at, share=float(ratio[index]), **found, **counts)


def largest(
    speed: np.ndarray, values: np.ndarray, *, doubtful: np.ndarray | None = None
) -> tuple[int, int | None]:
    """Index of the largest value at speeds above 0, needles left out, and that of a needle well above it or None."""
    sizes = np.where(np.isfinite(np.ravel(values)), np.ravel(values), 0.0)
    unit = TINY * float(sizes.max(initial=0.0))
    if not unit > 0.0 or not np.any(speed):
        return int(np.argmax(sizes)), None
    found = headline(speed, sizes, limit=np.full(sizes.shape, unit), doubtful=doubtful)
    if found.place < 0:
        return int(np.argmax(sizes)), None
    needle = (
        None if found.needle is None else int(np.argmin(np.abs(np.abs(np.ravel(speed)) - found.needle[0])))
    )
    return found.place, needle


class _Curve:
    """A ratio against speed, and the same without needles on an even grid of the logarithm of the speed."""

    def __init__(self, speed: np.ndarray, ratio: np.ndarray, rank: np.ndarray) -> None:
        self.speed, self.ratio = speed, ratio
        self.x, self.y = np.log(speed), np.log(np.maximum(ratio, LEAST))
        self.single = speed.size < RANGE or self.x[-1] - self.x[0] < 2.0 * NEEDLE
        steps = max(math.ceil((self.x[-1] - self.x[0]) / NEEDLE * STEPS), 1)
        self.grid = np.linspace(self.x[0], self.x[-1], steps + 1)
        self.smooth = np.interp(self.grid, self.x, self.y)
        if not self.single:
            self.smooth[self._unknown(rank)] = math.log(LEAST)
            # dips narrower than a needle first, such as sampling nulls
            self.smooth = -_opened(-self.smooth)
            self.smooth = _opened(self.smooth)

    def _unknown(self, rank: np.ndarray) -> np.ndarray:
        """Points of the grid in a wide gap between speeds, left by results that are not reliable."""
        right = np.clip(np.searchsorted(self.x, self.grid), 1, self.x.size - 1)
        gap: np.ndarray = (rank[right] - rank[right - 1] > 1) & (self.x[right] - self.x[right - 1] > NEEDLE)
        return gap

    @property
    def blunt(self) -> np.ndarray:
        """Logarithm of the ratio at each speed, needles cut off."""
        return np.minimum(self.y, np.interp(self.x, self.grid, self.smooth))

    def needle(self, index: int, inside: np.ndarray) -> tuple[float, float] | None:
        """Speed and ratio of the largest needle, where it is well above the ratio at this index."""
        ratio = np.where(inside, self.ratio, 0.0)
        top = int(np.argmax(ratio))
        return (float(self.speed[top]), float(ratio[top])) if ratio[top] > TOLD * self.ratio[index] else None

    def crossing(self, level: float, outside: int, inside: int) -> float:
        """Speed between two neighbours at which the ratio is this one; the inner one at the end of the speeds."""
        if not 0 <= outside < self.x.size:
            return float(self.speed[inside])
        share = (self.y[inside] - math.log(level)) / (self.y[inside] - self.y[outside])
        return float(self.speed[inside] * (self.speed[outside] / self.speed[inside]) ** share)


def _opened(values: np.ndarray) -> np.ndarray:
    """The largest curve below this one whose crests are as wide as a needle at least."""
    width = min(STEPS + 1, values.size)
    low = np.lib.stride_tricks.sliding_window_view(values, width).min(axis=1)
    padded = np.pad(low, width - 1, constant_values=-np.inf)
    opened: np.ndarray = np.lib.stride_tricks.sliding_window_view(padded, width).max(axis=1)
    return opened


def _runs(kept: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]])))
    return list(zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True))


def _verdict(curve: _Curve) -> tuple[int, dict[str, Any]]:
    """Index of the worst speed, and what the answer says beside it."""
    over, last = curve.ratio > 1.0 + ROUNDING, curve.speed.size - 1
    worst = int(np.argmax(curve.ratio))
    if not over.any():
        return worst, {"kind": "met"}
    ranges: list[tuple[float, float]] = []
    for first, final in _runs(over):
        low, high = curve.crossing(1.0, first - 1, first), curve.crossing(1.0, final + 1, final)
        joined = bool(ranges) and math.log(low / ranges[-1][1]) < NEEDLE
        ranges[-1:] = [(ranges[-1][0], high)] if joined else [*ranges[-1:], (low, high)]
    found: dict[str, Any] = {"kind": "exceeded", "ranges": tuple(ranges), "above": int(over.sum())}
    if curve.single:
        return worst, found
    wide = [
        r
        for r in ranges
        if math.log(r[1] / r[0]) >= NEEDLE or r[0] == curve.speed[0] or r[1] == curve.speed[last]
    ]
    if not wide:
        return worst, found | {"kind": "isolated"}
    inside = np.any([(curve.speed >= low) & (curve.speed <= high) for low, high in wide], axis=0)
    index = int(np.argmax(np.where(inside, curve.blunt, -np.inf)))
    needle = curve.needle(index, over)
    return index, found | {"ranges": tuple(wide), "needle": needle}


def _share(curve: _Curve) -> tuple[int, dict[str, Any]]:
    """Index of the speed that a large share of the speed is told of, and what the answer says beside it."""
    if curve.single:
        return int(np.argmax(curve.ratio)), {"kind": "speeds"}
    first, last = _interior(curve.smooth)
    if first >= last or curve.smooth[first : last + 1].max() < math.log(SMALL):
        return _at_threshold(curve)
    inner = curve.smooth[first : last + 1]
    kept = _runs(inner >= inner.max() + math.log(LARGE))
    low, high = max(kept, key=lambda run: run[1] - run[0])
    low, high = low + first, high + first
    shares = math.exp(curve.smooth[low : high + 1].min()), math.exp(curve.smooth[low : high + 1].max())
    # the ends of this range do not decide either
    centre, quarter = 0.5 * (curve.grid[low] + curve.grid[high]), 0.25 * (curve.grid[high] - curve.grid[low])
    away = np.abs(curve.x - centre)
    middle = away <= max(quarter, float(away.min()))
    index = int(np.argmax(np.where(middle, curve.blunt, -np.inf)))
    inside = (curve.x >= curve.grid[first]) & (curve.x <= curve.grid[last])
    needle = curve.needle(index, inside & (curve.ratio > TOLD * shares[1]))
    told = float(curve.speed[index])
    # between far speeds the even grid may end short of both
    ends = min(math.exp(curve.grid[low]), told), max(math.exp(curve.grid[high]), told)
    return index, {"kind": "range", "ranges": (ends,), "shares": shares, "needle": needle}


def _interior(values: np.ndarray) -> tuple[int, int]:
    """First and last point of a grid without the slopes that grow without bound towards its ends."""
    if values.size <= OCTAVE:
        return 0, values.size - 1
    from_here = np.maximum.accumulate(values[::-1])[::-1]
    up_to_here = np.maximum.accumulate(values)
    falls = from_here[OCTAVE:] < from_here[:-OCTAVE] + math.log(FLAT)
    rises = up_to_here[:-OCTAVE] < up_to_here[OCTAVE:] + math.log(FLAT)
    first = int(np.argmin(falls)) if not falls.all() else values.size
    last = values.size - 1 - int(np.argmin(rises[::-1])) if not rises.all() else -1
    return first, last


def _at_threshold(curve: _Curve) -> tuple[int, dict[str, Any]]:
    """The answer where the share of the speed grows all the way towards one end."""
    known = curve.smooth[curve.smooth > math.log(LEAST)] / math.log(10.0)
    powers = np.arange(math.ceil(known.min()), math.floor(known.max()) + 1)
    usual = math.log10(USUAL)
    power = float(min(powers, key=lambda each: abs(each - usual))) if powers.size else float(known.mean())
    level = power * math.log(10.0)
    above, falling = np.flatnonzero(curve.smooth >= level), bool(curve.smooth[0] > curve.smooth[-1])
    inside = int(above[-1] if falling else above[0])
    outside = inside + 1 if falling else inside - 1
    edge = curve.grid[inside]
    if 0 <= outside < curve.grid.size:
        fall = (curve.smooth[inside] - level) / (curve.smooth[inside] - curve.smooth[outside])
        edge += fall * (curve.grid[outside] - edge)
    index = int(np.argmin(np.abs(curve.x - edge)))
    ends = (0.0, math.exp(edge)) if falling else (math.exp(edge), math.inf)
    return index, {"kind": "threshold", "ranges": (ends,), "shares": (10.0**power, 10.0**power)}
