"""Remedies in words with numbers: values, side effects, why one does not help, a sentence each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..formats import changes
from ..open_loop.causes import CAUSES
from ..wording import beside, force, listed, share_text, show
from ..wording import sentence as sentenced
from .ripple_summary import FIGURES

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .loop_proposals import Proposal
    from .proposals import Situation
    from .remedies import ChangedAxis, Remedy, Values


CURVE_WORDS = {"measured": "the measured ripple", "torque": "the {force} ripple", "actual": "the true ripple"}
# Causes below this share of the mean square are too small for a remedy to help.
SMALL = 0.1
# Noise above this rms, in counts, makes the steps of the counts disappear.
HIDES = 0.4


def unit_of(axis: Axis, curve: str) -> str:
    """Unit of a curve of ripple."""
    if curve == "torque":
        return "N" if axis.scale.unit == "m" else "N m"
    return f"{axis.scale.unit}/s"


def percent(share: float) -> str:
    """A share in whole per cent, ``less than 1 %`` where it rounds to 0 without being 0."""
    return f"{share_text(share).replace('<', 'less than ')} %"


def value(axis: Axis, path: str, new: Any) -> str:
    """A changed value as a file or ``--set`` takes it."""
    if path == "speed":
        return show(new, f"{axis.scale.unit}/s")
    return changes.setting(axis, path, new)


def side_effects(
    axis: Axis,
    differing: Sequence[tuple[str, float, float]],
    grown: Sequence[tuple[str, float, float]],
    stabilised: bool = False,
) -> tuple[str, ...]:
    """Figures that change and curves of ripple that grow, each in words with numbers."""
    effects = ["the loop becomes stable"] if stabilised else []
    effects += [_figure(axis, name, old, new) for name, old, new in differing]
    return (*effects, *(_change(axis, curve, old, new, verb="grows") for curve, old, new in grown))


def _change(axis: Axis, curve: str, old: float, new: float, *, verb: str) -> str:
    """``the measured ripple grows from 1.00 mm/s to 2.00 mm/s``."""
    unit = unit_of(axis, curve)
    name = CURVE_WORDS[curve].format(force=force(axis))
    return f"{name} {verb} from {show(old, unit)} to {_beside(new, old, unit)}"


def _changed(before: Values, after: Values) -> list[tuple[str, float, float]]:
    """Curves that change by more than 1 %, as (name, before, after)."""
    pairs = ((curve, old, after[curve]) for curve, old in before.items())
    both = [(curve, old, new) for curve, old, new in pairs if old is not None and new is not None]
    return [(curve, old, new) for curve, old, new in both if abs(new - old) > 0.01 * old]


def _beside(new: float, old: float, unit: str) -> str:
    """A value after another, in the same unit where that reads well."""
    if new == 0.0:
        return "nothing"
    return beside(new, old, unit) if 0.01 * old < new < 100.0 * old else show(new, unit)


def _figure(axis: Axis, name: str, old: float, new: float) -> str:
    """``the phase margin falls by 12.0 deg, from 60.0 to 48.0 deg``."""
    words, unit = FIGURES[name]
    verb = "rises" if new > old else "falls"
    if unit == "deg":
        return f"{words} {verb} by {abs(new - old):.1f} deg, from {old:.1f} to {new:.1f} deg"
    if unit == "share":
        return f"{words} {verb} to {show(100.0 * new / old, '1')} % of what it was"
    shown = {"speed": f"{axis.scale.unit}/s", "position": axis.scale.unit}.get(unit, unit)
    return f"{words} {verb} from {_shown(old, shown)} to {_shown(new, shown)}"


def _shown(number: float, unit: str) -> str:
    return "no limit" if math.isinf(number) else show(number, unit)


def reason(situation: Situation, proposal: Proposal, effect: str, changed: ChangedAxis) -> str:
    """Why a change does not help."""
    if effect == "unsafe":
        if not changed.figures.stable:
            return "the loop would swing by itself"
        return f"a phase margin of only {changed.figures.phase_margin:.1f} deg would be left"
    if effect == "none":
        return _no_effect(situation, proposal)
    words = [
        _change(situation.axis, curve, old, new, verb="grows" if new > old else "falls")
        for curve, old, new in _changed(situation.summary.at(), changed.summary.at())
    ]
    return listed(words) if words else "the ripple stays as it is"


def _no_effect(situation: Situation, proposal: Proposal) -> str:
    """Why the ripple changes by less than 1 %."""
    if not any(situation.summary.at().values()):
        return "there is no ripple to take away"
    shares = situation.summary.shares()
    share = sum(shares.get(cause, 0.0) for cause in proposal.causes)
    kind = proposal.kind
    if kind in ("finer counts", "coarser counts", "hysteresis") and situation.has("resolution"):
        return _quantisation_and_noise(situation, kind, shares.get("resolution", 0.0))
    if proposal.causes and share < SMALL:
        named = [CAUSES[cause].plain for cause in proposal.causes if cause in shares]
        return f"{listed(named) if named else 'what it acts on'} makes {percent(share)} of the ripple"
    return "the ripple stays within 1 % of what it is"


def _quantisation_and_noise(situation: Situation, kind: str, share: float) -> str:
    """Size and share of one count, and the noise that hides it."""
    axis, unit = situation.axis, situation.axis.scale.unit
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
    axis = remedy.axis
    parts = [
        _change(axis, curve, old, new, verb="goes")
        for curve, old, new in _changed(remedy.before, remedy.after)
    ]
    at = f" at {show(remedy.speed, unit_of(axis, 'measured'))}" if "speed" in remedy.change else ""
    doubt = f" In doubt: {'; '.join(remedy.reasons)}." if remedy.doubtful else ""
    return f"{name}{at}: {listed(parts)}.{doubt}"
