"""Judging many candidates: all at a glance, then those that matter in full, until the answer rests on these alone."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np

from ..checks import InputError
from ..closed_loop.stability import margins
from ..open_loop import cause_models
from . import fast_ripple, worst_speeds
from .judgements import delay, judgement
from .requirements import RIPPLES

if TYPE_CHECKING:
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from .candidates import Candidate
    from .requirements import Requirement


POINTS = 50
# Up to so many candidates are computed in full from the beginning.
FEW = 24
# Of the ranked ones so many are computed in full, and of cheaper ones that just miss, up to this share, so many.
TOP, NEAR, MOST_NEAR = 10, 1.25, 10
# A step of resolution pays if it leaves less than this of the ripple.
PAYS = 0.9
# What costs more is on the frontier if it has less ripple by this share at least.
WORTH = 5e-3
EVERY = 16
# Threads of the full judgement: two take 0.6 of the time of one; more would crowd the kept tables.
THREADS = 2
LOOP_PATHS = ("control", "load", "sampling", "estimator")


class Entry:
    """One candidate while it is being judged.

    Attributes
    ----------
    candidate : Candidate
    cost : dict of str to float
    judgement : Judgement or None
    exact : bool
        Whether its ripple is computed in full.
    pruned : bool
        Whether its ripple was left out, since a limit that does not depend on the speed fails.
    """

    __slots__ = ("candidate", "cost", "exact", "judgement", "pruned", "steady")

    def __init__(self, candidate: Candidate, cost: dict[Any, float]) -> None:
        self.candidate, self.cost = candidate, cost
        self.judgement, self.steady, self.exact, self.pruned = None, None, False, False

    @property
    def share(self) -> float:
        """Share of the binding limit."""
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
    def hopeless(self) -> bool:
        """Whether a limit fails that no smoother motion can help."""
        return any(not each.met for each in self.judgement.limits if each.name not in RIPPLES)

    def rank(self) -> tuple[Any, ...]:
        """What entries are sorted by: met, cheap, ample; those that miss by how far."""
        return (not self.met, *(self.cost.values() if self.met else ()), self.share)


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
        costs: list[Any],
        progress: Callable[..., Any] | None,
    ) -> None:
        self.requirement, self.progress = requirement, progress
        pairs = list(zip(candidates, costs, strict=True))
        self.entries = [Entry(candidate, cost) for candidate, cost in pairs if candidate.axis]
        self.impossible = [candidate for candidate, _ in pairs if not candidate.axis]
        self.total, self.done = len(self.entries), 0
        self.margins = {}

    def run(self) -> None:
        """Judge all, the best in full."""
        few = len(self.entries) <= FEW
        for entry in sorted(self.entries, key=_loop_first):
            self._guard(entry, self._confirm if few else self._screen)
            self._tell("screened")
        self.entries = [entry for entry in self.entries if entry.judgement is not None]
        if not self.entries:
            return
        while todo := [entry for entry in self._wanted() if not entry.exact]:
            self.total += len(todo)
            self._confirm_all(sorted(todo, key=_shape_first))
            self.entries = [entry for entry in self.entries if entry.judgement is not None]

    def _tell(self, stage: str) -> None:
        self.done += 1
        if self.progress is not None and (
            stage == "computed" or self.done % EVERY == 0 or self.done == self.total
        ):
            self.progress(self.done, self.total, stage)

    def _confirm_all(self, todo: list[Entry]) -> None:
        """Judge some in full, on a few threads: most of the time goes into tables, which let others run."""
        with ThreadPoolExecutor(max(1, min(THREADS, os.cpu_count() or 1))) as pool:
            waiting = [pool.submit(self.requirement.judge, entry.candidate.axis, POINTS) for entry in todo]
            try:
                for entry, found in zip(todo, waiting, strict=True):
                    self._guard(entry, self._confirm, found.result)
                    self._tell("computed")
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise

    def _guard(self, entry: Entry, judge: Callable[..., Any], *how: Callable[..., Any]) -> None:
        """Judge one; what cannot be judged is impossible."""
        try:
            judge(entry, *how)
        except InputError as error:
            entry.judgement = None
            entry.candidate.reason = "; ".join(str(fault) for fault in error.faults)
            self.impossible.append(entry.candidate)

    def _screen(self, entry: Entry) -> None:
        """Judge one at a glance."""
        axis, requirement = entry.candidate.axis, self.requirement
        requirement.check(axis)
        entry.steady = requirement.steady(axis, self._margins(axis))
        if not all(each.met for each in entry.steady):
            entry.pruned = True
            entry.judgement = judgement(requirement, axis, entry.steady, None)
            return
        self._ripple(entry)

    def _ripple(self, entry: Entry) -> None:
        """Ripple of one at a glance, joined with what is known already."""
        axis, requirement = entry.candidate.axis, self.requirement
        entry.pruned = False
        if worst_speeds.has_loop(axis):
            curves = worst_speeds.Curves(axis, _quick_loop)
            curves.add(_even(*requirement.speeds))
        elif fast_ripple.possible(axis):
            curves = worst_speeds.Curves(axis, fast_ripple.screened)
            curves.add(requirement.grid(axis, POINTS))
        else:
            self._confirm(entry)
            return
        entry.judgement = requirement.judgement(axis, curves, entry.steady)

    def _confirm(self, entry: Entry, found: Callable[..., Any] | None = None) -> None:
        """Judge one in full; ``found`` is called for a judgement that is on its way."""
        entry.judgement = found() if found else self.requirement.judge(entry.candidate.axis, POINTS)
        entry.exact, entry.pruned = True, False

    def _margins(self, axis: Axis) -> Margins | None:
        """Margins of a loop, kept for all axes with the same one; none where they depend on the speed."""
        if self.requirement.phase_margin is None or not axis.estimator.linear:
            return None
        how = axis.interpolation
        key = (axis.scale, axis.load, axis.control, axis.sampling, axis.signal.bandwidth, how.edge_clock)
        key = (*key, cause_models.resolved(axis))
        if key not in self.margins:
            self.margins[key] = margins(axis)
        return self.margins[key]

    def _nearest(self) -> list[Entry]:
        """The entry that misses by least, in a list; of those pruned as much is computed as can change that."""
        while True:
            missed = [entry for entry in self.ranked() if not entry.met]
            if not missed or not missed[0].pruned:
                return missed[:1]
            self._guard(missed[0], self._ripple)
            self.entries = [entry for entry in self.entries if entry.judgement is not None]

    def ranked(self) -> list[Entry]:
        """Entries, the best first."""
        return sorted(self.entries, key=Entry.rank)

    def frontier(self) -> list[Entry]:
        """Entries that no other beats in ripple and every cost, by rising cost; delay where there is no cost."""
        known = [entry for entry in self.entries if not entry.pruned and not entry.hopeless]
        known = known or [entry for entry in self.entries if not entry.pruned]
        points = {id(entry): (*self._price(entry), entry.ripple) for entry in known}
        found, front = [], np.zeros((0, 0))
        # whatever beats an entry comes before it: it costs as much or less
        for entry in sorted(known, key=lambda entry: points[id(entry)]):
            point = np.array(points[id(entry)])
            point[-1] *= 1.0 + WORTH
            if found and (front <= point).all(axis=1).any():
                continue
            found.append(entry)
            front = np.array([points[id(one)] for one in found])
        return found

    def _price(self, entry: Entry) -> tuple[float]:
        if entry.cost:
            return tuple(entry.cost.values())
        return (delay(entry.candidate.axis, self.requirement.speeds[0]),)

    def sweep(self, path: str) -> list[Entry]:
        """Entries that differ from the best, or the nearest, in this value alone, by rising resolution."""
        first = self.ranked()[0]
        held = {name: value for name, value in first.candidate.changes.items() if name != path}
        found = [entry for entry in self.entries if not entry.pruned
                 and all(entry.candidate.changes[name] == value for name, value in held.items())]  # fmt: skip
        return sorted(found, key=lambda entry: _fineness(entry.candidate.changes[path]))

    def _wanted(self) -> list[Entry]:
        """Entries on which the answer rests."""
        nearest, ranked = self._nearest(), self.ranked()
        found = [entry for entry in ranked if entry.met][:TOP]
        missed = [entry for entry in ranked if not entry.met and not entry.hopeless]
        cheaper = [
            entry for entry in missed if not found or (*entry.cost.values(),) < (*found[0].cost.values(),)
        ]
        found += nearest + [entry for entry in cheaper[:MOST_NEAR] if entry.share <= NEAR]
        found += self.frontier()
        for path in resolutions(ranked[0]):
            found += self.sweep(path)
        return list(dict.fromkeys(found))


def resolutions(entry: Entry) -> list[str]:
    """Paths of resolution that are varied."""
    return [p for p in ("interpolation.factor", "interpolation.bits") if p in entry.candidate.changes]


def _fineness(value: int) -> int:
    """Resolution to sort by: none is finest."""
    return math.inf if value is None else value


def _loop_first(entry: Entry) -> tuple[float, ...]:
    """Order of work: what shapes loop and estimator varies slowest, since it is kept."""
    candidate = entry.candidate
    named = list(zip(candidate.changes, candidate.place, strict=False))
    slow = [place for path, place in named if path.partition(".")[0] in LOOP_PATHS]
    return (*slow, *candidate.place)


def _shape_first(entry: Entry) -> tuple[float, ...]:
    """Order of work in full: what shapes the error of a period varies slowest, since its table is kept."""
    candidate = entry.candidate
    named = list(zip(candidate.changes, candidate.place, strict=False))
    slow = [place for path, place in named if path.partition(".")[0] not in LOOP_PATHS]
    return (*slow, *candidate.place)


def _even(low: float, high: float) -> np.ndarray:
    """The same speeds for all, so that loops are kept."""
    return np.unique([low, *np.geomspace(low or 1e-3 * high, high, POINTS), high])


def _quick_loop(
    axis: Axis, speeds: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, dict[Any, Any]], tuple[()]]:
    """Ripple of a closed loop as `worst_speeds.Curves` computes it, without its parts."""
    rms = fast_ripple.curves(axis, speeds).rms
    return rms, {name: {} for name in rms}, ()
