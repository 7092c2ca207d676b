"""Changes to try at the loop of an axis: another estimator, other gains, filters of the torque, another speed.

What a change does is computed in `remedies`; here only its values are chosen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..closed_loop.stability import margins
from ..formats import estimator_text
from ..formats.changes import AxisChange
from ..gains.tuner import tune
from ..model.load_and_control import Notch
from .frontier_curve import frontier
from .ripple_summary import closes, quantisation_leads, summarise

if TYPE_CHECKING:
    from ..model.estimator_base import Estimator
    from ..model.load_and_control import Control
    from .frontier_curve import Frontier
    from .proposals import Situation


# Estimators: most delay of one with more filtering, and of one with less, as a multiple of the present delay.
LONGER, SHORTER = 2.0, 0.7
# Phase margin that an estimator must leave, and what it may take, deg. Common practice, no source.
LEAST_MARGIN, MOST_TAKEN = 30.0, 15.0
# This many estimators with the least ripple are computed in the closed loop.
TRIED = 4
# Controller: a notch must stay above this multiple of the crossover, since the loop follows slower ripple.
CLEAR = 2.0
# Corner of a new low-pass over the crossover; highest frequency of a filter over the loop rate.
CORNER, HIGHEST = 5.0, 0.45
NOTCH_DAMPING, NOTCH_DEPTH = 0.2, 0.1
LOWER = 0.5
# Speeds: the range over the given speed, to each side, and the number of speeds in it.
REACH, POINTS = 1.5, 120
# A speed within this share of a null speed is left out: there the harmonic comes back as a slow beat.
BESIDE = 0.02
# Least reduction of the ripple, of the ripple over the speed, and least share of the largest reduction.
LEAST, LEAST_RELATIVE, ENOUGH = 0.1, 0.05, 0.7
# Harmonics above this share of the largest are kept off their null speeds.
STRONG = 0.1


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Proposal(AxisChange):
    """One change to try.

    Attributes
    ----------
    kind : str
        Short name of the kind of change.
    missing : str
        Why there is nothing to change.
    causes : tuple of str
        Causes of ripple that the change acts on.
    assumed : str
        Assumptions of the change.
    """

    kind: str
    missing: str = ""
    causes: tuple[str, ...] = field(default=())
    assumed: str = ""


def estimator_proposals(situation: Situation) -> Iterator[Proposal]:
    """The present estimator with half the bandwidth, and the best with more and with less filtering."""
    axis, causes = situation.axis, situation.causes
    more = partial(
        Proposal, kind="smoother estimator", name="an estimator with more filtering", causes=causes
    )
    less = partial(Proposal, kind="quicker estimator", name="an estimator with less filtering", causes=causes)
    slower = _half_bandwidth(axis.estimator)
    if slower is not None:
        name, change = "the same estimator with half the bandwidth", {"estimator": slower}
        yield Proposal(kind="slower estimator", name=name, causes=causes, change=change)
    try:
        candidates = estimator_text.around(axis)
        curve = frontier(axis, situation.speed, candidates)
    except checks.InputError as error:
        yield more(missing=str(error))
        return
    present = float(curve.delay[0])
    if not np.isfinite(present):
        yield more(missing="the delay of this estimator is infinite at standstill")
        return
    finite = np.isfinite(curve.delay) & np.isfinite(curve.rms)
    others = [i for i in range(1, len(candidates)) if finite[i] and candidates[i] != slower]
    delay = curve.delay
    longer = [i for i in others if present < delay[i] * (1.0 + 1e-9) and delay[i] <= LONGER * present]
    shorter = [i for i in others if delay[i] < present and delay[i] <= SHORTER * present]
    nothing = "no estimator tried has {}"
    for proposal, places, missing in (
        (more, longer, "less ripple at up to twice the delay"),
        (less, shorter, f"{SHORTER:g} of the delay or less"),
    ):
        best = _least_ripple(situation, curve, places)
        if best is None:
            yield proposal(missing=nothing.format(missing))
        else:
            words = candidates[best].words(axis.scale.unit)
            name = f"{proposal.keywords['name']}, {words}"
            yield proposal(name=name, change={"estimator": candidates[best]})


def timed_edge_proposals(situation: Situation) -> Iterator[Proposal]:
    """Estimators that time edges, where counts decide what is measured."""
    axis = situation.axis
    if not situation.speed or not quantisation_leads(axis, situation.speed):
        return
    for one in estimator_text.timing_edges(axis):
        yield Proposal(
            kind=one.kind,
            name=f"velocity by {one.words(axis.scale.unit)}",
            change={"estimator": one},
            causes=("resolution",),
            assumed="the controller times A/B edges with such a clock",
        )


def _half_bandwidth(estimator: Estimator) -> Estimator | None:
    """The same estimator with half the bandwidth; None where it has no such setting."""
    try:
        return estimator.scaled(0.5)
    except checks.InputError:
        return None


def _least_ripple(situation: Situation, curve: Frontier, places: list[int]) -> int | None:
    """The estimator with the least ripple, in the closed loop where there is one."""
    places = sorted(places, key=lambda i: float(curve.rms[i]))
    if closes(situation.axis, situation.speed):
        places = _in_loop(situation, curve, places[:TRIED])
    return places[0] if places else None


def _in_loop(situation: Situation, curve: Frontier, places: list[int]) -> list[int]:
    """Those estimators that leave the loop its margin, the one with the least sum of relative ripples first."""
    present = situation.figures.phase_margin
    least = max(min(LEAST_MARGIN, present), present - MOST_TAKEN)
    sums = {}
    for i in places:
        changed = replace(situation.axis, estimator=curve.estimator[i])
        margin = margins(changed, speed=situation.speed)
        if margin.stable and not margin.phase_margin < least:
            after = summarise(changed, [situation.speed]).at()
            pairs = [(after[name], before) for name, before in situation.summary.at().items() if before]
            sums[i] = sum(1.0 if new is None else new / before for new, before in pairs)
    return sorted(sums, key=lambda i: sums[i])


def controller_proposals(situation: Situation) -> list[Proposal]:
    """Changes of the controller; none where no loop is closed."""
    control = situation.axis.control
    if control is None or not situation.summary.closed:
        return []
    return [rule(situation, control) for rule in (_tuned, _lower, _notch, _lowpass)]


def _tuned(situation: Situation, control: Control) -> Proposal:
    name = "the gains that encsim tune proposes"
    proposal = partial(Proposal, kind="tuned gains", name=name, causes=situation.causes)
    # gains for timed edges hold at one speed; all others are tuned as encsim tune does it without a speed
    linear = situation.axis.estimator.linear
    try:
        tuned = tune(situation.axis, speed=None if linear else situation.speed)
    except checks.InputError as error:
        return proposal(missing=f"no gains are proposed: {error}")
    assumed = "a phase margin of at least 60 deg and a sensitivity peak of at most 1.7"
    assumed += "" if linear else ", at this speed: the delay of timed edges grows at lower speeds"
    gains = {name: getattr(tuned, name) for name in ("position_gain", "velocity_gain", "integral_time")}
    change = {f"control.{name}": gain and float(f"{gain:.3g}") for name, gain in gains.items()}
    return proposal(change=change, assumed=assumed)


def _lower(situation: Situation, control: Control) -> Proposal:
    change = {
        "control.position_gain": LOWER * control.position_gain,
        "control.velocity_gain": LOWER * control.velocity_gain,
    }
    if control.integral_time is not None:
        change["control.integral_time"] = control.integral_time / LOWER
    return Proposal(kind="lower gains", name="half the gains", change=change, causes=situation.causes)


def _notch(situation: Situation, control: Control) -> Proposal:
    """A notch on the strongest harmonic whose aliased frequency is well above the crossover."""
    name = "a notch that follows the strongest harmonic"
    proposal = partial(Proposal, kind="notch", name=name, causes=situation.causes)
    lines, crossover = situation.lines, situation.summary.crossover
    moving = lines.velocity > 0.0
    above = lines.alias > CLEAR * crossover
    suited = moving & above & (lines.alias < HIGHEST * situation.axis.sampling.rate)
    if not moving.any():
        return proposal(missing="no harmonic stands out")
    if not suited.any():
        return proposal(missing=f"no harmonic is above {CLEAR:g} crossovers of {crossover:.3g} Hz")
    order = float(lines.harmonic[int(np.flatnonzero(suited)[0])])
    notch = Notch(order=order, damping=NOTCH_DAMPING, depth=NOTCH_DEPTH)
    name = f"a notch in the torque command that follows harmonic {order:.6g}"
    return proposal(name=name, change={"control.notch": (*control.notch, notch)})


def _lowpass(situation: Situation, control: Control) -> Proposal:
    name = "a low-pass in the torque command"
    proposal = partial(Proposal, kind="low-pass", name=name, causes=situation.causes)
    crossover = situation.summary.crossover
    corner = CORNER * crossover if control.lowpass is None else 0.5 * control.lowpass
    if not math.isfinite(corner) or corner >= HIGHEST * situation.axis.sampling.rate:
        return proposal(missing="the loop rate leaves no room for one above the crossover")
    corner = float(f"{corner:.2g}")
    return proposal(name=f"{name} at {corner:g} Hz", change={"control.lowpass": corner})


def speed_suggestions(situation: Situation) -> list[Proposal]:
    """The nearest slower and faster speeds with clearly less ripple."""
    proposal = partial(Proposal, causes=situation.causes)
    if not situation.speed:
        return [proposal(kind="speed", name="another speed", missing="the axis stands still")]
    ratio = np.geomspace(1.0, REACH, POINTS + 1)[1:]
    suggestions = []
    for kind, ratios in (("slower", 1.0 / ratio), ("faster", ratio)):
        nearest = _nearest(situation, ratios)
        if nearest is not None:
            change = {"speed": nearest}
            suggestions.append(proposal(kind=f"{kind} speed", name=f"a little {kind}", change=change))
    missing = f"none from 1/{REACH:g} to {REACH:g} of this one has clearly less ripple, also as a share of the speed"
    return suggestions or [proposal(kind="speed", name="another speed", missing=missing)]


def _nearest(situation: Situation, ratios: np.ndarray) -> float | None:
    """The nearest of some speeds with most of the largest reduction; None where no reduction is enough."""
    summary = summarise(situation.axis, situation.speed * ratios)
    left = np.zeros(ratios.size)
    before = {name: value for name, value in situation.summary.at().items() if value}
    for name, value in before.items():
        after = summary.curves[name]
        left += np.inf if after is None else after / value / len(before)
    excluded = (left / ratios > 1.0 - LEAST_RELATIVE) | _near_null(situation, ratios) | summary.doubtful
    reduction = np.where(excluded, -np.inf, 1.0 - left)
    if not before or reduction.max() < LEAST:
        return None
    return float(situation.speed * ratios[np.flatnonzero(reduction >= ENOUGH * reduction.max())[0]])


def _near_null(situation: Situation, ratios: np.ndarray) -> np.ndarray:
    """Whether a strong harmonic is near one of its null speeds."""
    lines, axis = situation.lines, situation.axis
    strong = lines.harmonic[lines.position >= STRONG * lines.position.max(initial=0.0)]
    null_speed = axis.sampling.rate * axis.scale.pitch
    cycles = np.multiply.outer(abs(situation.speed) * ratios / null_speed, strong)
    whole = np.maximum(np.rint(cycles), 1.0)
    near: np.ndarray = np.any(np.abs(cycles / whole - 1.0) < BESIDE, axis=-1)
    return near
