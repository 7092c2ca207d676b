"""Why an axis runs roughly at a speed, and what would help: causes with their shares, remedies with their effect.

Faults behind the cyclic errors of encoder and ring, and the ripple that each makes alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from operator import attrgetter
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..doubts import named
from ..formats import changes
from ..model.axis import Axis, check_axis
from ..model.load_and_control import CAUTIONS
from ..open_loop.cause_models import resolved
from ..open_loop.causes import CAUSES
from ..open_loop.closed_form import checked_speeds, lines
from ..open_loop.start_phase import worst_start
from ..results import AXIS_EXAMPLE, Series, measured_in, picture
from . import explanation_words, remedies, remedy_verification
from .proposals import Situation
from .remedies import Remedy
from .ripple_summary import CURVES, behave, standing

if TYPE_CHECKING:
    from ..open_loop.closed_form import Lines
    from ..results import Orders
    from .ripple_summary import Behaviour


MAPPINGS = (
    "signal.harmonics", "signal.sde", "ring.lobes", "ring.graduation", "ring.wander", "ring.coupling",
)  # fmt: skip
NOTHING = {"signal.offset": (0.0, 0.0)} | {path: {} for path in MAPPINGS}
# Taken out where a linear estimator needs no counts, so that a fault is seen by itself.
SMOOTH = {
    "interpolation.factor": None, "interpolation.bits": None, "interpolation.hysteresis": 0.0,
    "interpolation.output": "position", "interpolation.edge_separation": 0.0, "interpolation.edge_clock": None,
}  # fmt: skip


def error_breakdown(situation: Situation, cause: str) -> list[tuple[str, dict[str, Any]]]:
    """Ripple that each fault behind a cause makes alone, {curve: rms}, the largest first."""
    faults = [path for path in CAUSES[cause].faults if _given(attrgetter(path)(situation.axis))]
    alone = [(path, _made_by(situation, faults, path, cause)) for path in faults]
    return sorted(alone, key=lambda one: -one[1]["measured"])


def _given(value: Orders | float | tuple[float, float]) -> bool:
    return any(value) if isinstance(value, tuple) else bool(value)


def _made_by(situation: Situation, faults: list[str], kept: str, cause: str) -> dict[str, Any]:
    """Ripple of each curve when all faults but one are taken out."""
    axis = situation.axis
    change = {path: NOTHING.get(path, 0.0) for path in faults if path != kept}
    if axis.estimator.linear:
        change |= {"estimator": resolved(axis)} | SMOOTH
    now = behave(changes.apply(axis, change), [situation.speed])
    return {
        curve: float(now.parts[curve][cause][0])
        if cause in now.parts.get(curve, ())
        else _none(situation, curve)
        for curve in CURVES
    }


def _none(situation: Situation, curve: str) -> None:
    return 0.0 if situation.now.curves[curve] is not None else None


COMPUTED = (
    "This is computed, not measured. The machine's documentation, local codes and qualified staff come first; moving "
    "and rotating axes can injure.",
)
TOLD = 3
# Advice that is often given: where it does nothing that is worth saying.
USUAL = (
    "finer counts",
    "bits",
    "conditioning",
    "noise",
    "faster loop",
    "average",
    "second head",
    "hysteresis",
)
# Causes of a smaller share of the measured ripple are named only.
LEAST_SHARE = 0.01


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Source:
    """A fault behind a cause, and the ripple that it makes alone.

    Attributes
    ----------
    path : str
        ``signal.gain``.
    words : str
        The fault in plain words, with its value.
    short : str
        Its name and value.
    measured, torque, actual : float or None
        rms that it makes alone, m/s or rad/s and N or N m. Sources of one cause do not add up: lines of the same
        order add as phasors.
    """

    path: str
    words: str
    short: str
    measured: float
    torque: float | None
    actual: float | None


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Cause:
    """One cause of ripple.

    Attributes
    ----------
    cause : str
        As of `ripple`: ``sde``, ``adc``, ``resolution``, ``jitter``, ``noise``, ``clock``, ``age``, ``ring``.
    share : float
        Of the mean square of the measured ripple; shares add up to 1.
    measured, torque, actual : float or None
        rms that it makes, squares add up; the last two None without a loop.
    sources : tuple of Source
        What an error of the signals or the ring is made of.
    sentence : str
        The cause in plain words.
    """

    cause: str
    share: float
    measured: float
    torque: float | None
    actual: float | None
    sources: tuple[Source, ...]
    sentence: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Explanation(Series):
    """What an axis does at a speed, why, and what would help.

    Attributes
    ----------
    speed : float
        m/s or rad/s.
    values : dict of str to float or None
        rms of ``measured``, ``torque``, ``actual``; the last two None without a loop.
    causes : tuple of Cause
        The largest first.
    remedies : tuple of Remedy
        Those that win most first, then those that do nothing.
    together : Remedy or None
        The first few remedies at encoder and reading made all at once.
    verified : dict of str to float or None
        Simulated rms of the axis as it is, where asked for.
    agrees : bool or None
        Whether simulation and prediction of all that was simulated agree within 5 %; those marked doubtful, or
        that did not settle, left aside. None without a simulation.
    crossover : float
        Of the loop, Hz; NaN where none is closed.
    text : str
        All of it in plain words.
    cautions : tuple of str
    valid : bool
    reasons : tuple of str
        Why the prediction of the axis as it is may not be believed.
    axis : Axis

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.explain(axis, 0.005).valid
    True
    """

    part_units: ClassVar[dict[str, str]] = {
        "measured": "position/s",
        "torque": "force",
        "actual": "position/s",
        "share": "1",
        "won": "1",
    }

    speed: float = field(metadata=measured_in("position/s"))
    values: dict
    causes: tuple[Cause, ...]
    remedies: tuple[Remedy, ...]
    together: Remedy | None
    verified: dict | None
    agrees: bool | None
    crossover: float = field(metadata=measured_in("Hz"))
    text: str
    cautions: tuple[str, ...]
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    def to_dict(self) -> dict[str, Any]:
        """As of every result; changed values of remedies in SI and, under ``written``, with their units."""
        found = Series.to_dict(self)
        for one in (*found["remedies"], *filter(None, [found["together"]])):
            del one["axis"]
        return found

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}: a row a cause, a source, a remedy."""
        rows = [("cause", one.cause, one.share, _values(one), "") for one in self.causes]
        rows += [
            ("source", each.path, np.nan, _values(each), "") for one in self.causes for each in one.sources
        ]
        all_remedies = (*self.remedies, *filter(None, [self.together]))
        rows += [("remedy", one.name, one.won, one.after, one.effect) for one in all_remedies]
        found = {"what": [row[0] for row in rows], "name": [row[1] for row in rows]}
        found["share"] = [row[2] for row in rows]
        for curve in CURVES:
            unit = self.units[curve].replace("/", "_").replace(" ", "_")
            found[f"{curve}_{unit}"] = [np.nan if row[3][curve] is None else row[3][curve] for row in rows]
        found["effect"] = [row[4] for row in rows]
        return {name: np.array(column) for name, column in found.items()}

    plot = picture(
        "figures.remedies:remedies",
        "Draw causes and remedies as bars of rms velocity, and what remains of the ripple.",
        alone="Takes the bars alone",
        example=AXIS_EXAMPLE + "ax = encsim.explain(axis, 0.01).plot()",
    )


def _values(one: Cause | Source) -> dict[str, float | None]:
    return {curve: getattr(one, curve) for curve in CURVES}


def explain(axis: Axis, speed: float, verify: bool = False) -> Explanation:
    """Why an axis runs roughly at a speed, and what would help.

    Parameters
    ----------
    axis : Axis
        With load and control also torque and true velocity are told.
    speed : float
        Speed v, m/s or rad/s; 0 is standstill.
    verify : bool
        Check each remedy that applies by simulation.

    Returns
    -------
    Explanation

    Raises
    ------
    InputError
        If the speed is no finite number, or a filter of the loop does not fit its rate.

    Notes
    -----
    A remedy is the axis with some values changed (`encsim.changes.apply`), and its effect is ripple or smoothness of
    that axis, computed from scratch: lines of one order from several causes add as phasors, so that nothing may be
    subtracted. What a remedy wins is the mean, over the curves there are, of the share of rms that goes.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.explain(axis, 0.005)
    >>> bool(found.remedies)
    True
    """
    check_axis("explain.axis", axis)
    speed = float(checked_speeds("explain.speed", speed, axis.scale.unit, single=True))
    now, found = behave(axis, [speed]), lines(axis, speed)
    situation = Situation(axis=axis, speed=speed, now=now, lines=found, standing=standing(axis, speed))
    causes = _causes(situation)
    every = remedies.tried(situation)
    together = remedies.together(situation, every)
    cautions = COMPUTED + (CAUTIONS if axis.control is not None else ())
    result = Explanation(
        speed=speed,
        values=now.at(),
        causes=causes,
        remedies=every,
        together=together,
        verified=None,
        agrees=None,
        crossover=now.crossover,
        text="",
        cautions=cautions,
        valid=not now.doubtful[0],
        reasons=now.reasons,
        axis=axis,
    )
    result = _verified(result, now) if verify else result
    return replace(result, text=_text(result, now, found))


def _verified(result: Explanation, now: Behaviour) -> Explanation:
    """The result with what simulation says of the axis as it is and of each remedy that applies."""
    found = remedy_verification.simulated(result.axis, result.speed, now.closed)
    own = remedy_verification.agreement(found, result.values, result.axis)
    every = tuple(remedies.verified(one) for one in result.remedies)
    together = result.together and remedies.verified(result.together)
    wrong = own is False and result.valid
    checked = [one for one in (*every, together) if one is not None]
    return replace(
        result,
        remedies=every,
        together=together,
        verified=found.values,
        agrees=not wrong and not any(named(one.reasons, "simulation_disagrees") for one in checked),
        valid=result.valid and not wrong,
        reasons=result.reasons
        + ((found.problem,) if found.problem else ())
        + ((remedy_verification.disagrees(),) if wrong else ()),
    )


def _causes(situation: Situation) -> tuple[Cause, ...]:
    """The causes, the largest first."""
    now, found = situation.now, []
    shares = now.shares()
    for cause in now.parts["measured"]:
        values = {
            curve: float(now.parts[curve][cause][0]) if curve in now.parts else None for curve in CURVES
        }
        sources = tuple(
            Source(path=path, **explanation_words.fault(situation.axis, path), **alone)
            for path, alone in error_breakdown(situation, cause)
        )
        share = shares.get(cause, 0.0)
        words = explanation_words.cause(
            situation.axis, cause, share, values, sources, situation.lines, now.crossover
        )
        found.append(Cause(cause=cause, share=share, **values, sources=sources, sentence=words))
    return tuple(sorted(found, key=lambda one: -one.share))


def _text(result: Explanation, now: Behaviour, found: Lines) -> str:
    """Everything in plain words."""
    axis = result.axis
    words = [*explanation_words.answer(axis, result.speed, now)]
    told = [one for one in result.causes if _counts(one, result.values)]
    words += [one.sentence for one in told]
    small = [one.cause for one in result.causes if one not in told and one.measured > 0.0]
    words += [explanation_words.smaller(small)] if small else []
    if result.speed and axis.estimator.linear:
        measured = result.values["measured"]
        words += [explanation_words.vanished(found, result.crossover)]
        words += [explanation_words.starts(worst_start(axis, result.speed), measured)]
        words = [line for line in words if line]
    words += [f"{'Note' if result.valid else 'In doubt'}: {reason}." for reason in result.reasons]
    words += _helping(result) if result.values["measured"] else []
    return "\n".join(explanation_words.explained(words))


def _counts(one: Cause, values: dict[str, Any]) -> bool:
    """Whether a cause makes a share of one of the curves that is worth a sentence."""
    known = ((getattr(one, curve), value) for curve, value in values.items())
    return any(value and part**2 >= LEAST_SHARE * value**2 for part, value in known)


def _helping(result: Explanation) -> list[str]:
    """What helps, and what of the usual advice does not."""
    helping = [one for one in result.remedies if one.applies]
    words = ["What helps:" if helping else "Nothing that was tried helps."]
    words += [_with_effects(one) for one in helping[:TOLD]]
    useless = {one.kind: one.sentence for one in result.remedies if one.effect == "none" and one.change}
    return words + [useless[kind] for kind in USUAL if kind in useless][:TOLD]


def _with_effects(one: Remedy) -> str:
    effects = f" Side effects: {'; '.join(one.side_effects)}." if one.side_effects else ""
    return one.sentence + effects
