"""Judging many candidates: all by screening, then those that decide the answer in full."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..checks import InputError
from ..closed_loop.stability import margins
from ..model.delays import velocity_delay
from ..open_loop import cause_models
from ..progress import Pool, submitted
from . import fast_ripple, judgements
from .judgements import Judgement, LimitCheck, judgement
from .requirements import RIPPLES
from .ripple_summary import has_loop

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from ..progress import Teller
    from .candidates import Candidate
    from .requirements import Requirement


POINTS = 50
# Up to this number of candidates all are computed in full, without screening.
FEW = 24
# Computed in full: this number of ranked ones; of cheaper ones with a share up to NEAR, this number.
TOP, NEAR, MOST_NEAR = 10, 1.25, 10
# A finer resolution is worthwhile if it leaves less than this share of the ripple.
WORTHWHILE = 0.9
# Shares that differ by less are alike where no cost tells which is better.
TIE = 0.02
# A candidate that costs more is on the frontier if its ripple is lower by at least this share.
LEAST_GAIN = 5e-3
# Progress of screening is reported after each of this number of candidates.
EVERY = 16
# Threads of the full computation: two take 0.6 of the time of one; more would fill the caches of tables.
THREADS = 2
LOOP_PATHS = ("control", "load", "sampling", "estimator")


class Entry:
    """One candidate during the search.

    Attributes
    ----------
    candidate : Candidate
    cost : dict of str to float
    judgement : Judgement
        Set once ``judged``.
    judged : bool
    exact : bool
        Whether its ripple is computed in full.
    pruned : bool
        Whether its ripple was left out, since a limit that does not depend on the speed is missed.
    steady : list of LimitCheck or None
        The checks of those limits.
    """

    __slots__ = ("candidate", "cost", "exact", "judged", "judgement", "pruned", "steady")
    judgement: Judgement

    def __init__(self, candidate: Candidate, cost: dict[str, float]) -> None:
        self.candidate, self.cost = candidate, cost
        self.judged = self.exact = self.pruned = False
        self.steady: list[LimitCheck] | None = None

    @property
    def axis(self) -> Axis:
        """The candidate's axis."""
        return self.candidate.possible

    @property
    def share(self) -> float:
        """Share of the limiting criterion."""
        return self.judgement.worst

    @property
    def met(self) -> bool:
        """Whether all limits are met."""
        return self.judgement.met

    @property
    def ripple(self) -> float:
        """Largest share of the limits on ripple; of all limits where there are none; NaN where left out."""
        if self.pruned:
            return math.nan
        shares = [each.share for each in self.judgement.limits if each.name in RIPPLES]
        return max(shares, default=self.share)

    @property
    def misses_other(self) -> bool:
        """Whether a limit is missed that is not on ripple."""
        return any(not each.met for each in self.judgement.limits if each.name not in RIPPLES)

    def rank(self) -> tuple[Any, ...]:
        """Sort key: those that meet the limits by cost and share, then the others by share."""
        return (not self.met, *(self.cost.values() if self.met else ()), self.share)

    @property
    def effort(self) -> tuple[float, ...]:
        """Fineness, loop rate and delay: without a cost, of two alike the one with less is the better choice."""
        interpolation, sampling = self.axis.interpolation, self.axis.sampling
        fine = (_fineness(interpolation.factor), _fineness(interpolation.bits))
        return (
            *fine,
            sampling.rate,
            float(sampling.average),
            velocity_delay(self.axis, self.judgement.requirement.speeds[0]),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Saturation:
    """Where more resolution stops reducing ripple, other values as in the best row (the nearest, if none is met).

    Attributes
    ----------
    path : str
        ``interpolation.factor`` or ``interpolation.bits``.
    values : tuple
        Resolutions that were computed, the coarsest first.
    ripple : tuple of float
        Share of the limits on ripple of each.
    value : int or None
        The coarsest for which no finer one leaves less than 0.9 of the ripple; None for no rounding.
    ends : bool
        Whether finer ones were computed: False if the value is the finest tried, and a finer one may help.
    cause : str or None
        Largest cause of ripple with this value, at the worst speed.
    share : float
        Share of this cause in the mean square; NaN without ripple.
    speed : float
        The worst speed, m/s or rad/s; NaN without a limit on ripple.
    name : str
        Name of the row.
    """

    path: str
    values: tuple[int | None, ...]
    ripple: tuple[float, ...]
    value: int | None
    ends: bool
    cause: str | None
    share: float
    speed: float
    name: str


class CandidateEvaluator:
    """Judges the entries of one choice.

    Attributes
    ----------
    entries : list of Entry
        The possible ones.
    impossible : list of Candidate
    """

    def __init__(
        self,
        requirement: Requirement,
        candidates: list[Candidate],
        costs: list[dict[str, float]],
        tell: Teller,
        executor: Executor | int | None = None,
    ) -> None:
        self.requirement, self.tell = requirement, tell
        self.pool = Pool(executor, THREADS)
        pairs = list(zip(candidates, costs, strict=True))
        self.entries = [Entry(candidate, cost) for candidate, cost in pairs if candidate.axis]
        self.impossible = [candidate for candidate, _ in pairs if not candidate.axis]
        self.total, self.done = len(self.entries), 0
        self.margins: dict[tuple[Any, ...], Margins] = {}

    def run(self) -> None:
        """Judge all, those that decide the answer in full."""
        few = len(self.entries) <= FEW
        for entry in sorted(self.entries, key=_loop_first):
            self._attempt(entry, self._judge_in_full if few else self._screen)
            self._report("screened")
        self._drop_failed()
        with self.pool:
            while self.entries and (pending := [entry for entry in self._decisive() if not entry.exact]):
                self.total += len(pending)
                self._judge_all_in_full(sorted(pending, key=_error_first))
                self._drop_failed()

    def _report(self, stage: str) -> None:
        self.done += 1
        due = stage == "computed" or self.done % EVERY == 0 or self.done == self.total
        if due:
            self.tell(self.done, self.total, f"{stage} {self.done} of {self.total} candidates")

    def _judge_all_in_full(self, entries: list[Entry]) -> None:
        """Judge some in full among the workers: most of the time is spent on tables, in compiled code."""
        axes = [(entry.axis, POINTS) for entry in entries]
        with submitted(self.pool, self.requirement.judge, axes) as futures:
            for entry, future in zip(entries, futures, strict=True):
                self._attempt(entry, self._judge_in_full, future.result)
                self._report("computed")

    def _attempt(self, entry: Entry, judge: Callable[..., None], *result: Callable[[], Judgement]) -> None:
        """Judge one; a candidate that cannot be judged is impossible."""
        try:
            judge(entry, *result)
        except InputError as error:
            entry.judged = False
            entry.candidate.reason = "; ".join(str(fault) for fault in error.faults)
            self.impossible.append(entry.candidate)

    def _drop_failed(self) -> None:
        self.entries = [entry for entry in self.entries if entry.judged]

    def _screen(self, entry: Entry) -> None:
        """Judge one approximately, without ripple where another limit is missed."""
        axis, requirement = entry.axis, self.requirement
        requirement.check(axis)
        entry.steady = requirement.steady(axis, self._margins(axis))
        if all(each.met for each in entry.steady):
            self._screen_ripple(entry)
        else:
            entry.pruned = entry.judged = True
            entry.judgement = judgement(requirement, axis, entry.steady, None)

    def _screen_ripple(self, entry: Entry) -> None:
        """Approximate ripple of one, joined with the limits that are known already."""
        axis, requirement = entry.axis, self.requirement
        entry.pruned = False
        if has_loop(axis):
            curves = judgements.Curves(axis, _fast_loop_ripple)
            curves.add(_common_speeds(*requirement.speeds))
        elif fast_ripple.can_screen(axis):
            curves = judgements.Curves(axis, fast_ripple.screened_ripple)
            curves.add(requirement.grid(axis, POINTS))
        else:
            self._judge_in_full(entry)
            return
        entry.judgement, entry.judged = requirement.judgement(axis, curves, entry.steady), True

    def _judge_in_full(self, entry: Entry, result: Callable[[], Judgement] | None = None) -> None:
        """Judge one in full; ``result`` waits for a judgement from another thread."""
        found = result() if result else self.requirement.judge(entry.axis, POINTS)
        entry.judgement = replace(found, requirement=self.requirement)  # another process has its own
        entry.judged, entry.exact, entry.pruned = True, True, False

    def _margins(self, axis: Axis) -> Margins | None:
        """Margins of a loop, cached for all axes with the same one; None where they depend on the speed."""
        if self.requirement.phase_margin is None or not axis.estimator.linear:
            return None
        loop = (axis.scale, axis.load, axis.control, axis.sampling, axis.signal.bandwidth)
        key = (*loop, axis.interpolation.edge_clock, cause_models.resolved(axis))
        if key not in self.margins:
            self.margins[key] = margins(axis)
        return self.margins[key]

    def _nearest(self) -> list[Entry]:
        """The entry that misses by least, in a list; ripple of pruned ones is screened until it is known."""
        while True:
            missed = [entry for entry in self.ranked() if not entry.met]
            if not missed or not missed[0].pruned:
                return missed[:1]
            self._attempt(missed[0], self._screen_ripple)
            self._drop_failed()

    def ranked(self) -> list[Entry]:
        """Entries, the best first; without a cost those that meet the limits alike by what they take."""
        ranked = sorted(self.entries, key=Entry.rank)
        met = [entry for entry in ranked if entry.met]
        if not met or met[0].cost:
            return ranked
        return [*_ties_by_effort(met), *ranked[len(met) :]]

    def frontier(self) -> list[Entry]:
        """Pareto-optimal entries in ripple and every cost (delay where there is no cost), by rising cost."""
        known = [entry for entry in self.entries if not entry.pruned and not entry.misses_other]
        known = known or [entry for entry in self.entries if not entry.pruned]
        points = {id(entry): (*self._costs(entry), entry.ripple) for entry in known}
        optimal: list[Entry] = []
        front = np.zeros((0, 0))
        # an entry that dominates another comes before it: it costs as much or less
        for entry in sorted(known, key=lambda entry: points[id(entry)]):
            point = np.array(points[id(entry)])
            point[-1] *= 1.0 + LEAST_GAIN
            if optimal and (front <= point).all(axis=1).any():
                continue
            optimal.append(entry)
            front = np.array([points[id(one)] for one in optimal])
        return optimal

    def _costs(self, entry: Entry) -> tuple[float, ...]:
        if entry.cost:
            return tuple(entry.cost.values())
        return (velocity_delay(entry.axis, self.requirement.speeds[0]),)

    def sweep(self, path: str) -> list[Entry]:
        """Entries that differ from the best, or the nearest, in this value only, by rising resolution."""
        first = self.ranked()[0]
        held = {name: value for name, value in first.candidate.changes.items() if name != path}
        alike = [entry for entry in self.entries if not entry.pruned
                 and all(entry.candidate.changes[name] == value for name, value in held.items())]  # fmt: skip
        return sorted(alike, key=lambda entry: _fineness(entry.candidate.changes[path]))

    def _decisive(self) -> list[Entry]:
        """Entries that decide the answer."""
        nearest, ranked = self._nearest(), self.ranked()
        top = [entry for entry in ranked if entry.met][:TOP]
        missed = [entry for entry in ranked if not entry.met and not entry.misses_other]
        cheaper = [entry for entry in missed if not top or (*entry.cost.values(),) < (*top[0].cost.values(),)]
        near = [entry for entry in cheaper[:MOST_NEAR] if entry.share <= NEAR]
        decisive = [*top, *nearest, *near, *self.frontier()]
        for path in resolutions(ranked[0]):
            decisive += self.sweep(path)
        return list(dict.fromkeys(decisive))


def saturation(evaluator: CandidateEvaluator, path: str, name: str) -> Saturation:
    """Where more resolution stops reducing ripple."""
    sweep = evaluator.sweep(path)
    ripple = [entry.ripple for entry in sweep]
    place = next((n for n, share in enumerate(ripple) if min(ripple[n:]) >= WORTHWHILE * share), 0)
    limits = sweep[place].judgement.limits if sweep else ()
    worst = max((each for each in limits if each.cause), key=lambda each: each.share, default=None)
    return Saturation(
        path=path,
        name=name,
        values=tuple(entry.candidate.changes[path] for entry in sweep),
        ripple=tuple(ripple),
        value=sweep[place].candidate.changes[path] if sweep else None,
        ends=place < len(sweep) - 1,
        cause=None if worst is None else worst.cause,
        share=np.nan if worst is None else worst.cause_share,
        speed=np.nan if worst is None else worst.speed,
    )


def _ties_by_effort(entries: list[Entry]) -> list[Entry]:
    """Entries by share, those within 2 % of the first of their group by effort."""
    groups: list[list[Entry]] = []
    for entry in entries:
        if not groups or entry.share > groups[-1][0].share * (1.0 + TIE):
            groups.append([])
        groups[-1].append(entry)
    return [entry for group in groups for entry in sorted(group, key=lambda one: one.effort)]


def resolutions(entry: Entry) -> list[str]:
    """Paths of resolution that are varied."""
    return [p for p in ("interpolation.factor", "interpolation.bits") if p in entry.candidate.changes]


def _fineness(value: int | None) -> float:
    """Resolution to sort by: without quantisation it is the finest."""
    return math.inf if value is None else value


def _loop_first(entry: Entry) -> tuple[float, ...]:
    """Sort key of screening: values of loop and estimator vary slowest, since their tables are cached."""
    return _slowest_first(entry, in_loop=True)


def _error_first(entry: Entry) -> tuple[float, ...]:
    """Sort key of the full computation: values of the error vary slowest, since its table is cached."""
    return _slowest_first(entry, in_loop=False)


def _slowest_first(entry: Entry, in_loop: bool) -> tuple[float, ...]:
    candidate = entry.candidate
    named = zip(candidate.changes, candidate.place, strict=False)
    slow = [place for path, place in named if (path.partition(".")[0] in LOOP_PATHS) is in_loop]
    return (*slow, *candidate.place)


def _common_speeds(low: float, high: float) -> np.ndarray:
    """The same speeds for all candidates, so that loops are cached."""
    return np.unique([low, *np.geomspace(low or 1e-3 * high, high, POINTS), high])


def _fast_loop_ripple(axis: Axis, speeds: np.ndarray) -> judgements.CurveParts:
    """Fast ripple of a closed loop in the form that `judgements.Curves` takes, without its parts."""
    rms = fast_ripple.curves(axis, speeds).rms
    return rms, {name: {} for name in rms}, ()


def has_limited(requirement: Requirement, axis: Axis) -> bool:
    """Whether an axis has what the requirement limits."""
    try:
        requirement.check(axis)
    except InputError:
        return False
    return True
