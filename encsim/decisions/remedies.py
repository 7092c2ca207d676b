"""Remedies: each change of an axis computed from scratch, beside what the axis does now, with its side effects."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from .. import checks
from ..formats.changes import AxisChange
from ..model.axis import Axis
from ..wording import listed
from . import remedy_verification, remedy_words
from .proposals import Proposal, proposed
from .ripple_summary import CURVES, Behaviour, Standing, behave, compared, standing

if TYPE_CHECKING:
    from .proposals import Situation


# A curve that changes by less than this share of itself stays as it was.
LEAST = 0.01
# A loop must keep this phase margin, deg, unless it had less before. Common practice, no source.
LEAST_MARGIN, MARGIN_SLACK = 30.0, 1.0
# Kinds of changes at encoder and reading that can be made together; the first of a group stands for all.
REPAIRS = (
    "conditioning", "offset", "gain", "phase", "harmonics", "sde", "skew", "centring", "second head", "finer counts",
    "bits", "average", "noise", "clock", "own clock", "edge clock",
)  # fmt: skip
COVERED = {"conditioning": ("offset", "gain", "phase")}
TOGETHER = 3


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
        ``better`` (less of a curve, more of none), ``mixed``, ``none``, ``worse``, ``impossible``, ``unsafe``
        (the loop would swing or nearly so).
    applies : bool
        Whether it makes the axis run more smoothly, all curves taken together.
    reason : str
        Why it does not; empty where it does.
    before, after : dict of str to float or None
        rms of ``measured``, ``torque``, ``actual``, m/s or rad/s and N or N m; the last two None without a loop.
    won : float
        Share of the ripple that goes, the mean over the curves; negative where it grows.
    side_effects : tuple of str
        What else changes, with numbers.
    assumed : str
        What the change takes for granted.
    verified : dict of str to float or None
        Simulated rms by curve; None where no simulation was asked for or the change does not apply.
    agrees : bool or None
        Whether simulation and prediction agree within 5 %; None where there is no simulation, or it did not settle.
    doubtful : bool
        Whether the prediction may not be believed.
    reasons : tuple of str
        Why not.
    sentence : str
        The remedy in a sentence.
    speed : float
        Speed of ``after``.
    axis : Axis
        The changed axis, on which ``after`` is computed.
    """

    kind: str
    written: dict
    effect: str
    applies: bool
    reason: str
    before: dict
    after: dict
    won: float
    side_effects: tuple[str, ...]
    assumed: str = ""
    verified: dict | None = None
    agrees: bool | None = None
    doubtful: bool = False
    reasons: tuple[str, ...] = ()
    sentence: str = ""
    speed: float
    axis: Axis = field(repr=False, metadata={"plain": False})


@dataclass(frozen=True, eq=False, slots=True)
class Changed:
    """A changed axis at its speed and what it does."""

    axis: Axis
    speed: float
    now: Behaviour
    standing: Standing


def tried(situation: Situation) -> tuple[Remedy, ...]:
    """All remedies of an axis at a speed, those that win most first."""
    found = [remedy(situation, proposal) for proposal in proposed(situation)]
    return tuple(sorted(found, key=lambda one: (not one.applies, -one.won if one.applies else 0.0)))


def remedy(situation: Situation, proposal: Proposal) -> Remedy:
    """One proposal, computed."""
    if not proposal.change:
        return _refused(situation, proposal, "none", proposal.missing)
    try:
        changed = _changed(situation, proposal)
    except checks.InputError as error:
        return _refused(situation, proposal, "impossible", checks.one_line(str(error.faults[0]), 200))
    before, after = situation.now.at(), changed.now.at()
    effect, won = _effect(before, after), _won(before, after)
    if _unsafe(situation.standing, changed):
        effect = "unsafe"
    applies = effect in ("better", "mixed") and won > 0.0
    found = Remedy(
        kind=proposal.kind,
        name=proposal.name,
        change=proposal.change,
        written=_written(situation.axis, proposal.change),
        effect=effect,
        applies=applies,
        reason="" if applies else remedy_words.reason(situation, proposal, effect, changed),
        before=before,
        after=after,
        won=won,
        side_effects=remedy_words.side_effects(
            situation.axis,
            compared(situation.standing, changed.standing),
            _grown(before, after) if applies else (),
            changed.standing.stable and not situation.standing.stable,
        ),
        assumed=proposal.assumed,
        doubtful=bool(changed.now.doubtful[0]),
        reasons=changed.now.reasons,
        speed=changed.speed,
        axis=changed.axis,
    )
    return replace(found, sentence=remedy_words.sentence(found))


def together(situation: Situation, found: tuple[Remedy, ...]) -> Remedy | None:
    """The first few remedies at encoder and reading, made all at once; None where there are fewer than two."""
    picked, change, covered = [], {}, set()
    for one in found:
        fits = one.applies and one.effect == "better" and one.kind in REPAIRS and one.kind not in covered
        if fits and len(picked) < TOGETHER and not change.keys() & one.change.keys():
            picked.append(one)
            change |= one.change
            covered |= set(COVERED.get(one.kind, ()))
            covered |= {kind for kind, parts in COVERED.items() if one.kind in parts}
    if len(picked) < 2:
        return None
    names = listed([one.name for one in picked])
    assumed = "; ".join(dict.fromkeys(one.assumed for one in picked if one.assumed))
    return remedy(situation, Proposal(kind="together", name=names, change=change, assumed=assumed))


def verified(one: Remedy) -> Remedy:
    """A remedy that applies with what a simulation says of it; any other as it is."""
    if not one.applies:
        return one
    found = remedy_verification.simulated(one.axis, one.speed, one.after["torque"] is not None)
    agrees = remedy_verification.agreement(found, one.after, one.axis)
    reasons = one.reasons + ((found.problem,) if found.problem else ())
    if agrees is False and not one.doubtful:
        reasons += (remedy_verification.disagrees(),)
    return replace(
        one, verified=found.values, agrees=agrees, doubtful=one.doubtful or agrees is False, reasons=reasons
    )


def _changed(situation: Situation, proposal: AxisChange) -> Changed:
    """The axis after a change, and what it does then."""
    axis, speed = proposal.on(situation.axis), proposal.speed_from(situation.speed)
    return Changed(axis, speed, behave(axis, [speed]), standing(axis, speed))


def _refused(situation: Situation, proposal: Proposal, effect: str, reason: str) -> Remedy:
    """A remedy that changes nothing."""
    before = situation.now.at()
    found = Remedy(
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
    return replace(found, sentence=remedy_words.sentence(found))


def _pairs(before: dict[str, Any], after: dict[str, Any]) -> Iterator[tuple[str, float, float]]:
    """(curve, before, after) of the curves that both have; those one has alone count as unchanged."""
    for name in CURVES:
        if before[name] is not None and after[name] is not None:
            yield name, before[name], after[name]


def _effect(before: dict[str, Any], after: dict[str, Any]) -> str:
    """What a change does to the curves."""
    less = any(new < (1.0 - LEAST) * old for _, old, new in _pairs(before, after))
    more = bool(_grown(before, after))
    return {(True, False): "better", (True, True): "mixed", (False, True): "worse"}.get((less, more), "none")


def _grown(before: dict[str, Any], after: dict[str, Any]) -> list[tuple[str, float, float]]:
    """Curves that grow, as (name, before, after)."""
    return [(name, old, new) for name, old, new in _pairs(before, after) if new > (1.0 + LEAST) * old]


def _won(before: dict[str, Any], after: dict[str, Any]) -> float:
    """Share of the ripple that goes, mean over the curves; a curve counts at most once, lost or won."""
    shares = [_share(old, new) for _, old, new in _pairs(before, after)]
    return sum(shares) / len(shares)


def _share(old: float, new: float) -> float:
    if old == 0.0:
        return 0.0 if new == 0.0 else -1.0
    return max(1.0 - new / old, -1.0) if math.isfinite(new) else -1.0


def _unsafe(standing_before: Standing, changed: Changed) -> bool:
    """Whether the changed loop swings, or is nearer to it than any loop should be."""
    after, before = changed.standing, standing_before
    if not after.stable:
        return before.stable
    little = after.phase_margin < min(LEAST_MARGIN, before.phase_margin - MARGIN_SLACK)
    return bool(little)


def _written(axis: Axis, change: dict[str, Any]) -> dict[str, str]:
    """A change as text with units."""
    return {path: remedy_words.value(axis, path, value) for path, value in change.items()}
