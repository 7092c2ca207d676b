"""The speeds of a page: range of its curves, frames of its slider, and the one that it explains in detail.

For the frames each speed is simulated here; `page_frames` draws them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from .. import wording
from ..closed_loop import loop
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import margins
from ..closed_loop.timed_edge_loops import slowest_speed, stable_speeds
from ..decisions import headlines
from ..decisions.requirements import RIPPLES
from ..decisions.ripple_summary import CLOSED, closes
from ..open_loop import limits
from ..open_loop.causes import regimes
from ..open_loop.closed_form import checked_speeds, lines, ripple, vanishing_speeds
from ..open_loop.period_error import position_error
from ..rings.budget import ring_budget
from ..rings.error_orders import ring_curve
from ..time_domain.velocity_spectrum import is_aliased, spectrum, strongest_harmonics
from ..wording import quantity
from .page_words import say

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.headlines import Headline
    from ..decisions.judgements import Judgement
    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..open_loop.closed_form import Lines, RippleCurve
    from ..open_loop.period_error import PeriodError
    from ..rings.budget import Budget
    from ..rings.error_orders import RingCurve
    from ..time_domain.simulation import Trace

    Speeds = Sequence[float] | np.ndarray


# From this many speeds on they are the range of the curves; fewer are single speeds that the user named.
RANGE = 20
# Lowest speed of a range that starts at standstill, as a share of its highest.
SLOWEST = 1e-3
# Around a single speed the slider shows this much slower and faster ones too.
AROUND = 10.0
# Frames of the slider: a decade, at least and at most; of them at named speeds, at sampling nulls, and harmonics whose
# nulls count.
A_DECADE, FEWEST, MOST, NAMED, NULLS, STRONG = 10, 25, 61, 12, 6, 3
# The worst speed is told with two digits where this share of its ripple is reached there; limits whose worst speeds are
# no farther apart than this share are told at one.
NEARLY, BESIDE = 0.995, 0.05
# Samples that are simulated, at least and at most; signal periods in them where that fits.
SHORTEST, LONGEST, PERIODS = 4096, 16384, 8
# An alias below this share of the loop rate is 0 but for rounding.
ZERO_ALIAS = 1e-9


def given_speeds(axis: Axis, speeds: Any) -> np.ndarray:
    """Speeds that the user gave, ascending, without direction and standstill; none where they gave none."""
    if speeds is None:
        return np.zeros(0)
    given = np.unique(np.abs(checked_speeds("report.speeds", speeds, axis.scale.unit)))
    return given[given > 0.0]


def curve_speeds(axis: Axis, given: np.ndarray, requirement: Requirement | None = None) -> np.ndarray:
    """Speeds of the curves: the range of the requirement, or the given one, or the usual one; given speeds in it."""
    if requirement is not None:
        low, high = requirement.speeds
        speeds = _range(low or SLOWEST * high, high)
    elif len(given) >= RANGE:
        return given
    else:
        speeds = np.asarray(limits.default_speeds(axis))
        if closes(axis, speeds[-1]):
            speeds = stable_speeds(axis, speeds)
        if len(given):
            speeds = _range(min(speeds[0], *given), max(speeds[-1], *given))
    return np.union1d(speeds, given[(given > speeds[0]) & (given < speeds[-1])])


def asked_range(named: np.ndarray, requirement: Requirement | None) -> tuple[float, float]:
    """Lowest and highest speed that somebody asked for; all speeds where nobody did."""
    asked = [*named.tolist(), *(() if requirement is None else requirement.speeds)]
    return (min(asked), max(asked)) if asked else (0.0, math.inf)


def judged_speeds(axis: Axis, judged: Judgement, given: np.ndarray) -> np.ndarray:
    """Speeds of the curves over the range of a requirement, with those at which its limits on ripple are nearest."""
    worst = [check.speed for check in judged.limits if check.name in RIPPLES and check.speed > 0.0]
    return np.union1d(curve_speeds(axis, given, judged.requirement), worst)


def _range(low: float, high: float) -> np.ndarray:
    return np.array(limits.logarithmic(low, high, limits.DEFAULT_SPEEDS)) if low < high else np.array([high])


def shown_speeds(
    axis: Axis, speeds: Speeds | None = None, requirement: Requirement | None = None, count: int = 40
) -> np.ndarray:
    """Speeds spread over the range that a page shows."""
    sweep = curve_speeds(axis, given_speeds(axis, speeds), requirement)
    return np.geomspace(sweep[0], sweep[-1], count) if len(sweep) > 1 else sweep


def frame_speeds(
    axis: Axis, sweep: np.ndarray, named: Speeds, detail: float, most: int = MOST
) -> tuple[list[float], float]:
    """Speeds of the slider over the range, or around a single speed; and the one shown first."""
    low, high = float(sweep[0]), float(sweep[-1])
    if low == high:
        low, high = low / AROUND, high * AROUND
    first = min(max(detail, low), high)
    return spread_speeds(axis, low, high, named, first, most), first


def spread_speeds(
    axis: Axis, low: float, high: float, named: Speeds, first: float, most: int = MOST
) -> list[float]:
    """The speed shown first, the named ones, sampling nulls of strong harmonics, and the widest gaps filled."""
    kept = {speed_name(first, axis): first}
    for speed in [*list(named)[:NAMED], *_nulls(axis, low, high), low, high]:
        kept.setdefault(speed_name(speed, axis), speed)
    wanted = min(max(round(A_DECADE * math.log10(high / low)) + 1, FEWEST), most)
    while len(kept) < wanted:
        middle = _middle_of_widest_gap(sorted(kept.values()), axis)
        if middle is None or speed_name(middle, axis) in kept:
            break
        kept[speed_name(middle, axis)] = middle
    return sorted(kept.values())


def _middle_of_widest_gap(speeds: list[float], axis: Axis) -> float | None:
    """A speed in the middle of the widest gap, rounded where that stays well within it; None without a gap."""
    gaps = [(after / before, before, after) for before, after in itertools.pairwise(speeds)]
    if not gaps:
        return None
    ratio, before, after = max(gaps)
    middle = before * math.sqrt(ratio)
    rounded = round_speed(middle, axis)
    return rounded if before * ratio**0.25 <= rounded <= after / ratio**0.25 else middle


def round_speed(speed: float, axis: Axis) -> float:
    """A speed with two digits in the unit that it is shown in."""
    size = wording.display_unit(speed, f"{axis.scale.unit}/s")[0]
    return float(f"{speed / size:.1e}") * size


def speed_name(speed: float, axis: Axis) -> str:
    """A speed as the slider names it."""
    return quantity(speed, f"{axis.scale.unit}/s", strip=True)


def _nulls(axis: Axis, low: float, high: float) -> list[float]:
    """Null speeds in the range of the strongest harmonics, the lowest of each harmonic first."""
    harmonics = lines(axis, low)
    present = np.flatnonzero((harmonics.harmonic >= 1) & (harmonics.position > 0.0))
    strong = present[np.argsort(-harmonics.position[present], kind="stable")][:STRONG]
    rows = [vanishing_speeds(axis, int(harmonics.harmonic[index]), NULLS) for index in strong]
    in_turn = [float(row[place]) for place in range(NULLS) for row in rows]
    return list(dict.fromkeys(speed for speed in in_turn if low <= speed <= high))[:NULLS]


@dataclass(frozen=True)
class DetailSpeed:
    """The speed that a page explains in detail, m/s or rad/s.

    ``why`` is "limit", "named", "nearest" (of several that the user named), or the kind of the headline.
    """

    speed: float
    why: str


def detail_speed(headline: Headline, judged: Judgement | None, named: Speeds, axis: Axis) -> DetailSpeed:
    """The speed of the headline; that of another limit on ripple where this is the nearest; a speed that was named."""
    checks = [] if judged is None else [check for check in judged.limits if check.name in RIPPLES]
    if checks:
        worst = max(checks, key=lambda check: check.share)
        own = headline.limited and worst.name in ("measured", "relative")
        return DetailSpeed(headline.speed if own else worst.speed, "limit")
    if len(named) == 1:
        return DetailSpeed(float(named[0]), "named")
    speed = headline.speed
    if math.isnan(speed):
        return DetailSpeed(float(named[0] if len(named) else top_of(axis)), "none")
    if len(named):
        return DetailSpeed(float(min(named, key=lambda each: abs(math.log(each / speed)))), "nearest")
    rounded, ends = round_speed(speed, axis), headline.ranges[0] if headline.ranges else (speed, speed)
    return DetailSpeed(rounded if ends[0] <= rounded <= ends[1] else speed, headline.kind)


def at_round_speed(
    found: Headline, judged: Judgement | None, axis: Axis
) -> tuple[Headline, Judgement | None]:
    """A verdict told at a speed of two digits beside its worst one, where the ripple is nearly as large.

    Whatever the page says of the worst speed is then said of one speed, which is also a place of the slider.
    """
    rounded = round_speed(found.speed, axis) if found.limited else found.speed
    if judged is None or not found.limited or rounded == found.speed:
        return found, judged
    allowed = headlines.allowed(judged.requirement, np.array([rounded]))
    limit = math.inf if allowed is None else float(allowed[0])
    there = ripple_of(axis, np.array([rounded]))
    rms, before = float(there.rms[0]), found.rms / found.share
    share = rms / limit
    if there.doubtful[0] or share < NEARLY * found.share or (share > 1.0) != (found.share > 1.0):
        return found, judged
    told: dict[str, Any] = {"speed": rounded, "share": share}
    limits = tuple(
        replace(check, **told, value=rms, limit=limit)
        if check.name in ("measured", "relative")
        and math.isclose(check.limit, before, rel_tol=BESIDE)
        and math.isclose(check.speed, found.speed, rel_tol=BESIDE)
        else check
        for check in judged.limits
    )
    return replace(found, **told, rms=rms), replace(judged, limits=limits)


def top_of(axis: Axis) -> float:
    """Highest speed that matters."""
    return limits.speed_range(axis)[1]


def reason(detail: DetailSpeed, axis: Axis) -> str:
    """Why the page explains this speed, as a sentence."""
    return say(f"detail.{detail.why}", speed=speed_name(detail.speed, axis))


def measured_curve(axis: Axis, sweep: np.ndarray, smooth: Smoothness | None) -> RippleCurve:
    """Measured ripple: of the closed loop where there is one that is stable, else in steady motion."""
    if smooth is None or not smooth.stable:
        return ripple(axis, sweep).refined()
    return _in_loop(axis, smooth)


def _in_loop(axis: Axis, smooth: Smoothness) -> RippleCurve:
    """Measured ripple of a closed loop as a curve of ripple; of steady motion where the loop is not stable."""
    if not smooth.stable:
        return ripple(axis, smooth.speed)
    steady = ripple(axis, smooth.speed)
    parts = smooth.parts["measured"]
    squares = {cause: part**2 for cause, part in parts.items()}
    return replace(
        steady,
        rms=smooth.measured,
        relative=smooth.measured / smooth.speed,
        parts=parts,
        regime=regimes(squares, steady.frequency, axis.sampling.rate),
        doubtful=smooth.doubtful,
        method=CLOSED,
        valid=smooth.valid,
        reasons=smooth.reasons,
    )


def closed_curve(axis: Axis, speeds: np.ndarray) -> RippleCurve | None:
    """Measured ripple of the closed loop over a range of speeds above 0; None where no loop is stable there."""
    if not axis.estimator.linear:
        speeds = np.asarray(stable_speeds(axis, speeds))
    smooth = _smoothness(axis, speeds) if len(speeds) else None
    return _in_loop(axis, smooth) if smooth is not None and smooth.stable else None


def ripple_of(axis: Axis, speeds: np.ndarray) -> RippleCurve:
    """Measured ripple at these speeds, with the loop closed where there is a stable one."""
    if not closes(axis, speeds[0]):
        return ripple(axis, speeds)
    return _in_loop(axis, smoothness(axis, speeds))


def loop_results(axis: Axis, sweep: np.ndarray) -> tuple[Smoothness | None, Margins | None]:
    """Ripple and margins of the closed loop, if there is one."""
    smooth = _smoothness(axis, sweep)
    return smooth, None if smooth is None else margins(axis, speed=slowest_speed(axis, float(sweep[0])))


def _smoothness(axis: Axis, sweep: np.ndarray) -> Smoothness | None:
    """Ripple of the closed loop, if there is one."""
    return smoothness(axis, sweep).refined() if closes(axis, sweep[-1]) else None


def ring_results(axis: Axis) -> tuple[RingCurve | None, Budget | None]:
    """Errors and budget of the ring, if there is one."""
    if axis.ring is None:
        return None, None
    budget = ring_budget(axis.ring, axis.heads, radius=axis.ring.diameter / 2.0)
    return ring_curve(axis.ring, axis.heads), budget


@dataclass(frozen=True, eq=False)
class Seen:
    """Velocity that the controller measures at a steady speed, in the shape that `spectrum` reads."""

    velocity: np.ndarray
    settle: int
    speed: float
    reasons: tuple[str, ...]
    axis: Axis

    @property
    def deviation(self) -> np.ndarray:
        """Settled velocity minus its mean, which is the true speed."""
        return self.velocity[self.settle :] - self.speed


@dataclass(frozen=True, eq=False)
class SimulatedSpeed:
    """One speed computed: ripple, error of a signal period, harmonics, those that are drawn, velocity, spectrum."""

    speed: float
    rms: float
    error: PeriodError
    lines: Lines
    drawn: list[int]
    seen: Seen
    frequency: np.ndarray
    size: np.ndarray

    @property
    def turns(self) -> float:
        """Signal periods from one sample to the next."""
        return self.speed / self.lines.axis.scale.pitch / self.lines.axis.sampling.rate

    def words(self) -> tuple[str, ...]:
        """The drawn harmonics in words, the strongest first."""
        return tuple(
            say(
                f"frame.{self._kind(i)}",
                number=int(self.lines.harmonic[i]),
                frequency=quantity(self.lines.frequency[i], "Hz", strip=True),
                alias=quantity(self.lines.alias[i], "Hz", strip=True),
            )
            for i in self.drawn
        )

    def _kind(self, index: int) -> str:
        """What a harmonic is at this speed, as a key of words."""
        if not is_aliased(self.lines, index):
            return "harmonic"
        return "null" if self.lines.alias[index] < ZERO_ALIAS * self.lines.axis.sampling.rate else "aliased"


def simulated_speed(axis: Axis, speed: float, rms: float, seed: int, *, closed: bool) -> SimulatedSpeed:
    """One speed of the slider, simulated: with the loop closed or in steady motion."""
    expected = lines(axis, speed)
    if closed:
        # the loop answers to each harmonic at its aliased frequency
        gain = np.abs(loop.build(axis, speed).response(expected.alias).measured)
        expected = replace(expected, velocity=expected.position * gain)
    samples = PERIODS * axis.scale.pitch * axis.sampling.rate / speed
    seen = _seen(axis, speed, round(min(max(SHORTEST, samples), LONGEST)), seed, closed=closed)
    frequency, size = spectrum(cast("Trace", seen)) or (np.zeros(0), np.zeros(0))
    error = position_error(axis, speed)
    return SimulatedSpeed(speed, rms, error, expected, strongest_harmonics(expected), seen, frequency, size)


def _seen(axis: Axis, speed: float, samples: int, seed: int, *, closed: bool) -> Seen:
    """Measured velocity of a short simulation."""
    # texts use this module too, without the kernels that these load
    from ..time_domain.closed_run import run, settling
    from ..time_domain.simulation import simulate

    if not closed:
        trace = simulate(axis, speed, samples, seed)
        return Seen(trace.velocity, int(trace.settle), trace.speed, trace.reasons, axis)
    found = run(axis, speed, (samples + settling(axis, 2 * samples)) / axis.sampling.rate, seed)
    return Seen(np.nan_to_num(found.measured), found.settle, speed, found.reasons, axis)
