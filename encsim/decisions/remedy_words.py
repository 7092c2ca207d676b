"""Remedies in words with numbers: values, side effects, why one does nothing, a sentence each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..formats import changes
from ..open_loop.causes import CAUSES
from ..wording import beside, force, listed, share_text, show
from ..wording import sentence as sentenced
from .ripple_summary import NAMES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator
    from .proposals import Proposal, Situation
    from .remedies import Changed, Remedy


CURVE_WORDS = {"measured": "the measured ripple", "torque": "the {force} ripple", "actual": "the true ripple"}
SMALL = 0.1
# Noise of so many counts rms leaves little of their steps.
HIDES = 0.4


def unit_of(axis: Axis, curve: str) -> str:
    """Unit of a curve of ripple."""
    if curve == "torque":
        return "N" if axis.scale.unit == "m" else "N m"
    return f"{axis.scale.unit}/s"


def percent(share: float) -> str:
    """A share in whole per cent, ``less than 1 %`` where it is not nothing."""
    return f"{share_text(share).replace('<', 'less than ')} %"


def value(axis: Axis, path: str, new: Estimator | dict[int, float] | float | tuple[Any, ...]) -> str:
    """A changed value as a file or ``--set`` takes it."""
    if path == "speed":
        return show(new, f"{axis.scale.unit}/s")
    return changes.setting(axis, path, new)


def side_effects(
    axis: Axis,
    differing: list[tuple[str, float, float]],
    grown: list[Any] | tuple[()],
    stabilised: bool = False,
) -> tuple[str, ...]:
    """What changes beside the ripple, and which ripple grows, each in some words with numbers."""
    found = [_figure(axis, name, old, new) for name, old, new in differing]
    found[:0] = ["the loop becomes stable"] if stabilised else []
    for curve, old, new in grown:
        unit = unit_of(axis, curve)
        found.append(f"{_curve(axis, curve)} grows from {show(old, unit)} to {_beside(new, old, unit)}")
    return tuple(found)


def _beside(new: float, old: float, unit: str) -> str:
    """A value after another, in the same unit where that reads well."""
    if new == 0.0:
        return "nothing"
    return beside(new, old, unit) if 0.01 * old < new < 100.0 * old else show(new, unit)


def _curve(axis: Axis, curve: str) -> str:
    return CURVE_WORDS[curve].format(force=force(axis))


def _figure(axis: Axis, name: str, old: float, new: float) -> str:
    """``the phase margin falls by 12.0 deg, from 60.0 to 48.0 deg``."""
    words, unit, _ = NAMES[name]
    way = "rises" if new > old else "falls"
    if unit == "deg":
        return f"{words} {way} by {abs(new - old):.1f} deg, from {old:.1f} to {new:.1f} deg"
    if unit == "share":
        return f"{words} {way} to {show(100.0 * new / old, '1')} % of what it was"
    shown = {"speed": f"{axis.scale.unit}/s", "position": axis.scale.unit}.get(unit, unit)
    return f"{words} {way} from {_shown(old, shown)} to {_shown(new, shown)}"


def _shown(number: float, unit: str) -> str:
    return "no limit" if math.isinf(number) else show(number, unit)


def reason(situation: Situation, proposal: Proposal, effect: str, changed: Changed) -> str:
    """Why a change does not help."""
    if effect == "unsafe":
        return _unsafe(changed)
    if effect == "none":
        return _nothing(situation, proposal)
    axis, before, after = situation.axis, situation.now.at(), changed.now.at()
    words = []
    for curve, old in before.items():
        new = after[curve]
        if old is not None and new is not None and abs(new - old) > 0.01 * old:
            unit = unit_of(axis, curve)
            way = "grows" if new > old else "falls"
            words.append(f"{_curve(axis, curve)} {way} from {show(old, unit)} to {_beside(new, old, unit)}")
    return listed(words) if words else "the ripple stays as it is"


def _unsafe(changed: Changed) -> Any:
    if not changed.standing.stable:
        return "the loop would swing by itself"
    return f"a phase margin of only {changed.standing.phase_margin:.1f} deg would be left"


def _nothing(situation: Situation, proposal: Proposal) -> str:
    """Why the ripple stays within a hundredth of what it is."""
    if not any(situation.now.at().values()):
        return "there is no ripple to take away"
    shares = situation.now.shares()
    share = sum(shares.get(cause, 0.0) for cause in proposal.causes)
    kind = proposal.kind
    if kind in ("finer counts", "coarser counts", "hysteresis") and situation.has("resolution"):
        return _beside_noise(situation, kind, shares.get("resolution", 0.0))
    if proposal.causes and share < SMALL:
        named = [CAUSES[cause].plain for cause in proposal.causes if cause in shares]
        return f"{listed(named) if named else 'what it acts on'} makes {percent(share)} of the ripple"
    return "the ripple stays within 1 % of what it is"


def _beside_noise(situation: Situation, kind: str, share: float) -> str:
    """Counts beside the noise that hides them."""
    axis = situation.axis
    unit = axis.scale.unit
    words = f"one count is {show(axis.resolution, unit)} and makes {percent(share)} of the ripple"
    if situation.scatter > HIDES * axis.resolution:
        words += f", hidden by the noise of {show(situation.scatter, unit)} rms"
    return words + ("; coarser ones would do as well" if kind == "coarser counts" else "")


def sentence(remedy: Remedy) -> str:
    """A remedy in a sentence."""
    name = sentenced(remedy.name)
    if not remedy.applies:
        words = {"none": "no effect", "impossible": "not possible", "unsafe": "not safe"}
        return f"{name}: {words.get(remedy.effect, 'no help')}, {remedy.reason}."
    axis, parts = remedy.axis, []
    for curve, old in remedy.before.items():
        new = remedy.after[curve]
        if old is not None and new is not None and abs(new - old) > 0.01 * old:
            unit = unit_of(axis, curve)
            parts.append(f"{_curve(axis, curve)} goes from {show(old, unit)} to {_beside(new, old, unit)}")
    at = f" at {show(remedy.speed, unit_of(axis, 'measured'))}" if "speed" in remedy.change else ""
    doubt = f" In doubt: {'; '.join(remedy.reasons)}." if remedy.doubtful else ""
    return f"{name}{at}: {listed(parts)}.{doubt}"
