"""Why an axis runs roughly at a speed, and what would help: causes with their shares, remedies with their effect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from operator import attrgetter
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..checks import refuse
from ..doubts import named
from ..formats import changes
from ..model.axis import Axis, check_axis
from ..model.load_and_control import CAUTIONS
from ..open_loop.cause_models import resolved
from ..open_loop.causes import CAUSES
from ..open_loop.closed_form import checked_speeds
from ..open_loop.start_phase import worst_start
from ..progress import ProgressTo, Teller, teller
from ..results import AXIS_EXAMPLE, Series, measured_in, picture, recorded
from . import explanation_words, headlines, remedies, remedy_verification
from .proposals import Situation
from .remedies import Remedy
from .requirements import Requirement
from .ripple_summary import CURVES, summarise

if TYPE_CHECKING:
    from ..open_loop.closed_form import Lines
    from .ripple_summary import RippleSummary


# Values of a fault that is taken out, where that is not 0.
_ORDERS = (
    "signal.harmonics", "signal.sde", "ring.lobes", "ring.graduation", "ring.wander", "ring.coupling",
)  # fmt: skip
NO_FAULT: dict[str, Any] = {"signal.offset": (0.0, 0.0)} | {path: {} for path in _ORDERS}
# Taken out where the estimator is linear, so that a fault is computed without quantisation.
NO_QUANTISATION: dict[str, Any] = {
    "interpolation.factor": None, "interpolation.bits": None, "interpolation.hysteresis": 0.0,
    "interpolation.output": "position", "interpolation.edge_separation": 0.0, "interpolation.edge_clock": None,
}  # fmt: skip
COMPUTED = (
    "This is computed, not measured. The machine's documentation, local codes and qualified staff come first; moving "
    "and rotating axes can injure.",
)
# Causes with a smaller share of the measured ripple get no sentence of their own.
LEAST_SHARE = 0.01


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Source:
    """A fault behind a cause, and the ripple of this fault without the others.

    Attributes
    ----------
    path : str
        ``signal.gain``.
    words : str
        The fault in plain words, with its value.
    short : str
        Its name and value.
    measured, torque, actual : float or None
        rms without the other faults, m/s or rad/s and N or N m. Sources of one cause do not add up: harmonics of the
        same order add as phasors.
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
        rms by this cause, squares add up; the last two None without a loop.
    sources : tuple of Source
        Faults of the signals or the ring behind it.
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
    """Ripple of an axis at a speed, its causes, and remedies.

    Attributes
    ----------
    speed : float
        m/s or rad/s.
    values : dict of str to float or None
        rms of ``measured``, ``torque``, ``actual``; the last two None without a loop.
    causes : tuple of Cause
        The largest first.
    remedies : tuple of Remedy
        Those with the largest reduction first, then those without effect.
    together : Remedy or None
        The first few remedies at encoder and reading, combined.
    verified : dict of str to float or None
        Simulated rms of the axis as it is, where asked for.
    agrees : bool or None
        Whether simulation and prediction agree within 5 % wherever both are reliable and the simulation settled.
        None without a simulation.
    crossover : float
        Of the loop, Hz; NaN where none is closed.
    limits : dict of str to float
        Limits on ripple at this speed by the requirement, by curve; empty without one.
    met : bool or None
        Whether they are met; None without a limit.
    verdict : str
        The same in words, empty without a limit.
    met_with : str or None
        The first measures with which every limit is met at all speeds of the requirement; None where none of those
        tried does that, or they are met already.
    text : str
        All of it in plain words.
    cautions : tuple of str
    valid : bool
    reasons : tuple of str
        Why the prediction of the axis as it is is not reliable.
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
    values: dict[str, Any]
    causes: tuple[Cause, ...]
    remedies: tuple[Remedy, ...]
    together: Remedy | None
    verified: dict[str, Any] | None
    agrees: bool | None
    crossover: float = field(metadata=measured_in("Hz"))
    limits: dict[str, float]
    met: bool | None
    verdict: str
    met_with: str | None
    text: str
    cautions: tuple[str, ...]
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    def to_dict(self) -> dict[str, Any]:
        """As of every result; changed values of remedies in SI and, under ``written``, with their units."""
        plain = Series.to_dict(self)
        for one in (*plain["remedies"], *filter(None, [plain["together"]])):
            del one["axis"]
        return plain

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}: a row a cause, a source, a remedy."""
        rows: list[tuple[str, str, float, Mapping[str, float | None], str]]
        rows = [("cause", one.cause, one.share, _values(one), "") for one in self.causes]
        sources = [each for one in self.causes for each in one.sources]
        rows += [("source", each.path, np.nan, _values(each), "") for each in sources]
        all_remedies = (*self.remedies, *filter(None, [self.together]))
        rows += [("remedy", one.name, one.won, one.after, one.effect) for one in all_remedies]
        columns: dict[str, list[Any]] = {
            "what": [row[0] for row in rows],
            "name": [row[1] for row in rows],
            "share": [row[2] for row in rows],
        }
        for curve in CURVES:
            unit = self.units[curve].replace("/", "_").replace(" ", "_")
            columns[f"{curve}_{unit}"] = [np.nan if row[3][curve] is None else row[3][curve] for row in rows]
        columns["effect"] = [row[4] for row in rows]
        return {name: np.array(column) for name, column in columns.items()}

    plot = picture(
        "figures.remedies:remedies",
        "Draw causes and remedies as bars of rms velocity, and what remains of the ripple.",
        alone="Takes the bars alone",
        options={
            "limit": (
                "Requirement",
                "Its limit on measured ripple at the speed is drawn over the totals (default: the one that "
                "`explain` was given).",
            )
        },
        example=AXIS_EXAMPLE + "ax = encsim.explain(axis, 0.01).plot()",
    )


def _values(one: Cause | Source) -> dict[str, float | None]:
    return {curve: getattr(one, curve) for curve in CURVES}


@recorded
def explain(
    axis: Axis,
    speed: float,
    verify: bool = False,
    *,
    requirement: Requirement | None = None,
    progress: ProgressTo = None,
) -> Explanation:
    """Why an axis runs roughly at a speed, and what would help.

    Parameters
    ----------
    axis : Axis
        With load and control also ripple of the torque and of the actual velocity are computed.
    speed : float
        Speed v, m/s or rad/s; 0 is standstill.
    verify : bool
        Check the axis and each remedy that applies by simulation.
    requirement : Requirement, optional
        Limits that the ripple at this speed, and with each remedy, is judged by.
    progress : callable or True, optional
        ``progress(done, total)`` is called with simulations, where verify is true; True tells on stderr.

    Returns
    -------
    Explanation

    Raises
    ------
    InputError
        If the speed is no finite number, a filter of the loop does not fit its rate, or the axis cannot be judged by
        the requirement.

    Notes
    -----
    A remedy is the axis with some values changed (`encsim.changes.apply`), and its effect is ripple or smoothness of
    that axis, computed from scratch: harmonics of one order from several causes add as phasors, so that parts cannot
    be subtracted. The reduction of a remedy is the mean over the curves of the share by which each rms falls.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> explanation = encsim.explain(axis, 0.005)
    >>> bool(explanation.remedies)
    True
    """
    check_axis("explain.axis", axis)
    if not isinstance(verify, (bool, np.bool_)):
        refuse("explain.verify", "be True or False", verify)
    tell = teller("explain", progress, "simulations")
    speed = float(checked_speeds("explain.speed", speed, axis.scale.unit, single=True))
    if requirement is not None and not isinstance(requirement, Requirement):
        refuse("explain.requirement", "be a Requirement", requirement)
    if requirement is not None:
        requirement.check(axis)
    situation = Situation.of(axis, speed)
    summary = situation.summary
    all_remedies = tuple(remedies.judged(one, requirement) for one in remedies.tried(situation))
    limits = headlines.limits_at(requirement, speed)
    together = remedies.combined(situation, all_remedies)
    result = Explanation(
        speed=speed,
        values=summary.at(),
        causes=_causes(situation),
        remedies=all_remedies,
        together=together and remedies.judged(together, requirement),
        verified=None,
        agrees=None,
        crossover=summary.crossover,
        limits=limits,
        met=headlines.meets(summary.at(), limits),
        verdict=explanation_words.verdict(axis, speed, summary.at(), limits),
        met_with=None,
        text="",
        cautions=COMPUTED + (CAUTIONS if axis.control is not None else ()),
        valid=not summary.doubtful[0],
        reasons=summary.reasons,
        axis=axis,
    )
    result = _verified(result, summary, tell) if verify else result
    if requirement is not None and limits:
        result = replace(result, met_with=remedies.met_with(result, requirement))
    return replace(result, text=_text(result, summary, situation.lines))


def _verified(result: Explanation, summary: RippleSummary, tell: Teller) -> Explanation:
    """The result with the simulated ripple of the axis as it is and of each remedy that applies."""
    simulated = remedy_verification.simulated(result.axis, result.speed, summary.closed)
    disagrees = remedy_verification.agreement(simulated, result.values, result.axis) is False and result.valid
    tell(1, total := len(result.remedies) + 2)
    all_remedies: tuple[Remedy, ...] = ()
    for one in result.remedies:
        all_remedies += (remedies.verified(one),)
        tell(1 + len(all_remedies), total)
    together = result.together and remedies.verified(result.together)
    tell(total, total)
    checked = [one for one in (*all_remedies, together) if one is not None]
    return replace(
        result,
        remedies=all_remedies,
        together=together,
        verified=simulated.values,
        agrees=not disagrees and not any(named(one.reasons, "simulation_disagrees") for one in checked),
        valid=result.valid and not disagrees,
        reasons=result.reasons
        + ((simulated.problem,) if simulated.problem else ())
        + ((remedy_verification.disagrees(),) if disagrees else ()),
    )


def _causes(situation: Situation) -> tuple[Cause, ...]:
    """The causes, the largest first."""
    summary, axis = situation.summary, situation.axis
    shares, causes = summary.shares(), []
    for name in summary.parts["measured"]:
        values = {curve: float(parts[name][0]) for curve, parts in summary.parts.items()}
        rms: dict[str, Any] = dict.fromkeys(CURVES) | values
        sources = tuple(
            Source(path=path, **explanation_words.fault(axis, path), **alone)
            for path, alone in error_breakdown(situation, name)
        )
        share = shares.get(name, 0.0)
        words = explanation_words.cause(
            axis, name, share, rms, sources, situation.lines, crossover=summary.crossover
        )
        causes.append(Cause(cause=name, share=share, **rms, sources=sources, sentence=words))
    return tuple(sorted(causes, key=lambda one: -one.share))


def error_breakdown(situation: Situation, cause: str) -> list[tuple[str, dict[str, Any]]]:
    """Ripple of each fault behind a cause without the other faults, {curve: rms}, the largest first."""
    values = {path: attrgetter(path)(situation.axis) for path in CAUSES[cause].faults}
    faults = [path for path, value in values.items() if (any(value) if isinstance(value, tuple) else value)]
    breakdown = [(path, _ripple_of_fault(situation, faults, path, cause)) for path in faults]
    return sorted(breakdown, key=lambda one: -one[1]["measured"])


def _ripple_of_fault(situation: Situation, faults: list[str], kept: str, cause: str) -> dict[str, Any]:
    """Ripple of each curve when all faults but one are taken out."""
    axis, curves = situation.axis, situation.summary.curves
    change = {path: NO_FAULT.get(path, 0.0) for path in faults if path != kept}
    if axis.estimator.linear:
        change |= {"estimator": resolved(axis)} | NO_QUANTISATION
    parts = summarise(changes.apply(axis, change), [situation.speed]).parts
    without = {curve: None if curves[curve] is None else 0.0 for curve in CURVES}
    return {
        curve: float(parts[curve][cause][0]) if cause in parts.get(curve, ()) else without[curve]
        for curve in CURVES
    }


def _text(result: Explanation, summary: RippleSummary, error: Lines) -> str:
    """Everything in plain words."""
    axis, measured = result.axis, result.values["measured"]
    told = [one for one in result.causes if _matters(one, result.values)]
    words = explanation_words.answer(axis, result.speed, summary)
    words += [f"{result.verdict}."] if result.verdict else []
    words += [*(one.sentence for one in told)]
    small = [one.cause for one in result.causes if one not in told and one.measured > 0.0]
    words += [explanation_words.smaller(small)] if small else []
    if result.speed and axis.estimator.linear:
        words.append(explanation_words.null_and_slow_aliases(error, result.crossover))
        words.append(explanation_words.start_dependence(worst_start(axis, result.speed), measured or 0.0))
        words = [line for line in words if line]
    words += [f"{'Note' if result.valid else 'Not reliable'}: {reason}." for reason in result.reasons]
    words += remedies.sentences(result) if measured else []
    return "\n".join(explanation_words.with_terms_explained(words))


def _matters(one: Cause, values: Mapping[str, float | None]) -> bool:
    """Whether a cause has a share of one of the curves that deserves a sentence."""
    return any(
        value and getattr(one, curve) ** 2 >= LEAST_SHARE * value**2 for curve, value in values.items()
    )
