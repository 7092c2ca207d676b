"""Remedies: each proposed change of an axis computed from scratch, compared with the axis as it is."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..formats.changes import AxisChange
from ..model.axis import Axis
from ..wording import listed
from . import explanation_words, headlines, remedy_verification
from .judgements import ROUNDING, Curves
from .loop_proposals import Proposal
from .proposals import Situation, proposed
from .ripple_summary import CURVES, AxisFigures, RippleSummary, axis_figures, changed_figures, summarise

if TYPE_CHECKING:
    from .explanation import Explanation
    from .judgements import Judgement
    from .requirements import Requirement


# Rms by curve; None where no loop is closed.
Values = Mapping[str, float | None]

# A curve that changes by less than this share of itself counts as unchanged.
LEAST = 0.01
# A loop must keep this phase margin, deg, unless it had less before. Common practice, no source.
LEAST_MARGIN, MARGIN_SLACK = 30.0, 1.0
# Kinds of changes at encoder and reading that can be combined; one kind may cover others.
REPAIRS = (
    "conditioning", "offset", "gain", "phase", "harmonics", "sde", "skew", "centring", "second head", "finer counts",
    "bits", "average", "noise", "clock", "own clock", "edge clock",
)  # fmt: skip
COVERED = {"conditioning": ("offset", "gain", "phase")}
COMBINED = 3
# Remedies that the text tells.
SHOWN = 3
# Usual advice: where it has no effect, the text says so.
USUAL = (
    "finer counts", "bits", "conditioning", "noise", "faster loop", "average", "second head", "hysteresis",
)  # fmt: skip
# Speeds of the even grid at which a step of the ladder is judged.
POINTS = 50
# What a change asks for; a change of the estimator or the controller is a setting.
EFFORTS = {
    **dict.fromkeys(("conditioning", "skew", "finer counts", "bits"), "electronics"),
    **dict.fromkeys(("clock", "own clock", "edge clock"), "electronics"),
    **dict.fromkeys(("harmonics", "sde", "second head"), "readhead"),
    "noise": "readhead or wiring",
    "centring": "mounting",
}


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Remedy(AxisChange):
    """One change of an axis and what it does.

    Attributes
    ----------
    kind : str
        Short name of the kind of change.
    written : dict of str to str
        The change with units, as an axis file or an option writes it.
    effect : str
        ``better`` (some curves fall, none grows), ``mixed``, ``none``, ``worse``, ``impossible``, ``unsafe``
        (the loop would be unstable or nearly so).
    applies : bool
        Whether it makes the axis run more smoothly, as a mean over the curves.
    reason : str
        Why it does not; empty where it does.
    before, after : dict of str to float or None
        rms of ``measured``, ``torque``, ``actual``, m/s or rad/s and N or N m; the last two None without a loop.
    won : float
        Reduction of the ripple as a share of it, the mean over the curves; negative where it grows.
    side_effects : tuple of str
        What else changes, with numbers.
    assumed : str
        Assumptions of the change.
    verified : dict of str to float or None
        Simulated rms by curve; None where no simulation was asked for or the change does not apply.
    agrees : bool or None
        Whether simulation and prediction agree within 5 %; None where there is no simulation, or it did not settle.
    met : bool or None
        Whether every limit on ripple at this speed is then met; None without a limit.
    doubtful : bool
        Whether the prediction is not reliable.
    reasons : tuple of str
        Why it is not.
    sentence : str
        The remedy in a sentence.
    speed : float
        Speed of ``after``, m/s or rad/s.
    axis : Axis
        The changed axis, for which ``after`` is computed.
    """

    kind: str
    written: dict[str, str]
    effect: str
    applies: bool
    reason: str
    before: dict[str, Any]
    after: dict[str, Any]
    won: float
    side_effects: tuple[str, ...]
    assumed: str = ""
    verified: dict[str, Any] | None = None
    agrees: bool | None = None
    met: bool | None = None
    doubtful: bool = False
    reasons: tuple[str, ...] = ()
    sentence: str = ""
    speed: float
    axis: Axis = field(repr=False, metadata={"plain": False})


@dataclass(frozen=True, eq=False, slots=True)
class ChangedAxis:
    """A changed axis at its speed, its ripple and its figures there."""

    axis: Axis
    speed: float
    summary: RippleSummary
    figures: AxisFigures


def tried(situation: Situation) -> tuple[Remedy, ...]:
    """All remedies of an axis at a speed, those with the largest reduction first."""
    remedies = [remedy(situation, proposal) for proposal in proposed(situation)]
    return tuple(sorted(remedies, key=lambda one: (not one.applies, -one.won if one.applies else 0.0)))


def remedy(situation: Situation, proposal: Proposal) -> Remedy:
    """One proposal, computed."""
    if not proposal.change:
        return _refused(situation, proposal, "none", proposal.missing)
    try:
        axis, speed = proposal.on(situation.axis), proposal.speed_from(situation.speed)
        changed = ChangedAxis(axis, speed, summarise(axis, [speed]), axis_figures(axis, speed))
    except checks.InputError as error:
        return _refused(situation, proposal, "impossible", checks.one_line(str(error.faults[0]), 200))
    before, after = situation.summary.at(), changed.summary.at()
    effect, won = _effect(before, after), _reduction(before, after)
    if _unsafe(situation.figures, changed.figures):
        effect = "unsafe"
    applies = effect in ("better", "mixed") and won > 0.0
    change = proposal.change.items()
    computed = Remedy(
        kind=proposal.kind,
        name=proposal.name,
        change=proposal.change,
        written={path: explanation_words.value(situation.axis, path, value) for path, value in change},
        effect=effect,
        applies=applies,
        reason="" if applies else explanation_words.reason(situation, proposal, effect, changed),
        before=before,
        after=after,
        won=won,
        side_effects=explanation_words.side_effects(
            situation.axis,
            changed_figures(situation.figures, changed.figures),
            _grown(before, after) if applies else (),
            changed.figures.stable and not situation.figures.stable,
        ),
        assumed=proposal.assumed,
        doubtful=bool(changed.summary.doubtful[0]),
        reasons=changed.summary.reasons,
        speed=changed.speed,
        axis=changed.axis,
    )
    return replace(computed, sentence=explanation_words.remedy_sentence(computed))


def combined(situation: Situation, remedies: Sequence[Remedy]) -> Remedy | None:
    """The first few remedies at encoder and reading as one change; None where there are fewer than two."""
    picked = combinable(remedies)
    return _at_once(situation, picked) if len(picked) > 1 else None


def combinable(remedies: Sequence[Remedy]) -> list[Remedy]:
    """The first few remedies at encoder and reading that do not touch each other."""
    picked: list[Remedy] = []
    change: dict[str, Any] = {}
    covered: set[str] = set()
    for one in remedies:
        fits = one.applies and one.effect == "better" and one.kind in REPAIRS and one.kind not in covered
        if fits and len(picked) < COMBINED and not change.keys() & one.change.keys():
            picked.append(one)
            change |= one.change
            covered |= set(COVERED.get(one.kind, ()))
            covered |= {kind for kind, parts in COVERED.items() if one.kind in parts}
    return picked


def _at_once(situation: Situation, picked: Sequence[Remedy]) -> Remedy:
    """Several remedies as one change."""
    change = {path: value for one in picked for path, value in one.change.items()}
    names = listed([one.name for one in picked])
    assumed = "; ".join(dict.fromkeys(one.assumed for one in picked if one.assumed))
    return remedy(situation, Proposal(kind="together", name=names, change=change, assumed=assumed))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Step:
    """An axis as it is or with measures, one more in each step of a ladder.

    Attributes
    ----------
    measures : tuple of Remedy
        The measures up to this step; empty for the axis as it is.
    remedy : Remedy or None
        All of them as one change; None for the axis as it is.
    axis : Axis
    judgement : Judgement or None
        By the requirement, if there is one.
    passing : float
        Share of the speeds, on a logarithmic scale, at which every limit on ripple is met; NaN without such a limit.
    instead : bool
        Whether the measure stands for itself: a single one that lowers ripple more than the first and cannot be
        combined.
    """

    measures: tuple[Remedy, ...]
    remedy: Remedy | None
    axis: Axis
    judgement: Judgement | None
    passing: float
    instead: bool = False

    @property
    def met(self) -> bool:
        """Whether every limit is met."""
        return self.judgement is not None and self.judgement.met


def ladder(
    explanation: Explanation, speeds: np.ndarray, requirement: Requirement | None = None
) -> tuple[Step, ...]:
    """The axis as it is, with the first measure, the first two, and all combined measures; then what stands alone.

    Each step is computed anew, and judged at these speeds and those that the requirement looks at.
    """
    return tuple(_steps(explanation, speeds, requirement))


def _steps(explanation: Explanation, speeds: np.ndarray, requirement: Requirement | None) -> Iterator[Step]:
    """The steps of the ladder, each computed when it is asked for."""
    yield _step((), None, explanation.axis, speeds, requirement)
    helping = [one for one in explanation.remedies if one.applies and one.speed == explanation.speed]
    together = explanation.together
    combined = together is not None and together.applies
    picked = combinable(explanation.remedies) if combined else helping[:1]
    situation = Situation.of(explanation.axis, explanation.speed)
    for count in range(1, len(picked) + 1):
        one = picked[0] if count == 1 else _at_once(situation, picked[:count])
        if one.applies:
            yield _step(tuple(picked[:count]), one, one.axis, speeds, requirement)
    if helping and helping[0] not in picked:
        alone = _step((helping[0],), helping[0], helping[0].axis, speeds, requirement)
        yield replace(alone, instead=True)


def met_with(explanation: Explanation, requirement: Requirement) -> str | None:
    """The first measures of the ladder with which every limit is met at all speeds; None where none are needed."""
    first = next((step for step in _steps(explanation, np.zeros(0), requirement) if step.met), None)
    return None if first is None or first.remedy is None else first.remedy.name


def _step(
    measures: tuple[Remedy, ...],
    one: Remedy | None,
    axis: Axis,
    speeds: np.ndarray,
    requirement: Requirement | None,
) -> Step:
    """One step, judged."""
    judged, passing = None, math.nan
    if requirement is not None:
        low, high = requirement.speeds
        curves = Curves(axis)
        curves.add(np.union1d(requirement.grid(axis, POINTS), speeds[(speeds >= low) & (speeds <= high)]))
        curves.refine(requirement.shares)
        judged = requirement.judgement(axis, curves)
        shares = list(requirement.shares(curves).values())
        passing = _share_within(curves.speed, np.max(shares, axis=0)) if shares else math.nan
    return Step(measures=measures, remedy=one, axis=axis, judgement=judged, passing=passing)


def _share_within(speed: np.ndarray, share: np.ndarray) -> float:
    """Share of the range of speeds, logarithmic, at which a share of a limit is at most 1."""
    moving = speed > 0.0
    place, ratio = np.log(speed[moving]), share[moving]
    within = ratio <= 1.0 + ROUNDING
    if place.size < 2:
        return float(np.mean(within))
    widths = np.gradient(place) if place.size > 2 else np.ones(2)
    return float(np.sum(widths[within]) / np.sum(widths))


def judged(one: Remedy, requirement: Requirement | None) -> Remedy:
    """A remedy, and whether the limits at its speed are then met."""
    limits = headlines.limits_at(requirement, one.speed)
    return replace(one, met=headlines.meets(one.after, limits)) if one.applies else one


def verified(one: Remedy) -> Remedy:
    """A remedy that applies with its simulated ripple; any other as it is."""
    if not one.applies:
        return one
    simulated = remedy_verification.simulated(one.axis, one.speed, one.after["torque"] is not None)
    agrees = remedy_verification.agreement(simulated, one.after, one.axis)
    reasons = one.reasons + ((simulated.problem,) if simulated.problem else ())
    if agrees is False and not one.doubtful:
        reasons += (remedy_verification.disagrees(),)
    doubtful = one.doubtful or agrees is False
    return replace(one, verified=simulated.values, agrees=agrees, doubtful=doubtful, reasons=reasons)


def _refused(situation: Situation, proposal: Proposal, effect: str, reason: str) -> Remedy:
    """A remedy that cannot be computed, and why."""
    before = situation.summary.at()
    refused = Remedy(
        kind=proposal.kind,
        name=proposal.name,
        change=dict(proposal.change) if effect == "impossible" else {},
        written={},
        effect=effect,
        applies=False,
        reason=reason,
        before=before,
        after=dict(before),
        won=0.0,
        side_effects=(),
        assumed=proposal.assumed,
        speed=situation.speed,
        axis=situation.axis,
    )
    return replace(refused, sentence=explanation_words.remedy_sentence(refused))


def _pairs(before: Values, after: Values) -> list[tuple[str, float, float]]:
    """(curve, before, after) of the curves that both have."""
    both = ((name, before[name], after[name]) for name in CURVES)
    return [(name, old, new) for name, old, new in both if old is not None and new is not None]


def _effect(before: Values, after: Values) -> str:
    falls = any(new < (1.0 - LEAST) * old for _, old, new in _pairs(before, after))
    if _grown(before, after):
        return "mixed" if falls else "worse"
    return "better" if falls else "none"


def _grown(before: Values, after: Values) -> list[tuple[str, float, float]]:
    """Curves that grow, as (name, before, after)."""
    return [(name, old, new) for name, old, new in _pairs(before, after) if new > (1.0 + LEAST) * old]


def _reduction(before: Values, after: Values) -> float:
    """Reduction as a share of the ripple, the mean over the curves; negative where it grows, by how much it may be."""
    shares = [_curve_reduction(old, new) for _, old, new in _pairs(before, after)]
    return sum(shares) / len(shares)


def _curve_reduction(before: float, after: float) -> float:
    if before == 0.0:
        return 0.0 if after == 0.0 else -math.inf
    return 1.0 - after / before


def _unsafe(before: AxisFigures, after: AxisFigures) -> bool:
    """Whether the change makes the loop unstable, or leaves less phase margin than a loop should have."""
    if not after.stable:
        return before.stable
    return after.phase_margin < min(LEAST_MARGIN, before.phase_margin - MARGIN_SLACK)


def sentences(result: Explanation) -> list[str]:
    """The best remedies, and the usual advice that has no effect."""
    helping = [one for one in result.remedies if one.applies]
    words = ["Remedies:" if helping else "No single change that was tried reduces the ripple."]
    for one in helping[:SHOWN]:
        effects = f" Side effects: {'; '.join(one.side_effects)}." if one.side_effects else ""
        words.append(one.sentence + effects)
    useless = {one.kind: one.sentence for one in result.remedies if one.effect == "none" and one.change}
    return words + [useless[kind] for kind in USUAL if kind in useless][:SHOWN]
