"""What could be changed at an axis to make it run more smoothly: values only, nothing is computed of the outcome.

Other velocity estimators worth trying: slower ones of the same kind, and two from the frontier.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..closed_loop.stability import margins
from ..formats import estimator_text
from ..formats.changes import AxisChange
from ..open_loop.cause_models import own_clock
from . import speed_suggestions
from .frontier_curve import frontier
from .ripple_summary import Behaviour, behave, closes

if TYPE_CHECKING:
    from ..model.estimator_base import Estimator
    from .frontier_curve import Frontier


# A smoother estimator may have this much delay, a quicker one at most that, in delays of the axis' own.
LONGER, SHORTER = 2.0, 0.7
# Phase margin that an estimator must leave, and what it may take, deg. Common practice, no source.
LEAST_MARGIN, MOST_TAKEN = 30.0, 15.0
# How many of the best of the frontier are tried in the closed loop.
TRIED = 4


def estimator_proposals(situation: Situation) -> Any:
    """Other estimators as keywords of a `Proposal`."""
    every = tuple(situation.now.parts["measured"])
    found = _twice_as_slow(situation.axis.estimator, every)
    smoother = {"kind": "smoother estimator", "name": "a calmer estimator", "causes": every}
    quicker = {"kind": "quicker estimator", "name": "a quicker estimator", "causes": every}
    try:
        tried = estimator_text.around(situation.axis)
        curve = frontier(situation.axis, situation.speed, tried)
    except checks.InputError as error:
        return [*found, smoother | {"missing": str(error)}]
    own = float(curve.delay[0])
    if not np.isfinite(own):
        return [*found, smoother | {"missing": "the delay of this estimator has no end at standstill"}]
    known = [one["change"]["estimator"] for one in found]
    told = np.isfinite(curve.delay) & np.isfinite(curve.rms)
    others = [i for i in range(1, len(tried)) if told[i] and tried[i] not in known]
    calm = [i for i in others if own < curve.delay[i] * (1.0 + 1e-9) and curve.delay[i] <= LONGER * own]
    quick = [i for i in others if curve.delay[i] < own and curve.delay[i] <= SHORTER * own]
    nothing = "no estimator tried has {}"
    return [
        *found,
        *_picked(
            situation, curve, tried, calm, smoother, nothing.format("less ripple at up to twice the delay")
        ),
        *_picked(
            situation, curve, tried, quick, quicker, nothing.format(f"{SHORTER:g} of the delay or less")
        ),
    ]


def _twice_as_slow(estimator: Estimator, causes: tuple[str, ...]) -> list[dict[str, Any]]:
    """The proposal of the same estimator, slower; none where it has no such setting."""
    try:
        slower = estimator.scaled(0.5)
    except checks.InputError:
        return []
    words = {"kind": "slower estimator", "name": "the same estimator, twice as slow", "causes": causes}
    return [] if slower is None else [words | {"change": {"estimator": slower}}]


def _picked(
    situation: Situation,
    curve: Frontier,
    tried: list[Any],
    places: list[int],
    words: dict[str, Any],
    missing: str,
) -> list[Any]:
    """The candidate with least ripple, in the loop where there is one."""
    unit = situation.axis.scale.unit
    places = sorted(places, key=lambda i: curve.rms[i])
    if closes(situation.axis, situation.speed):
        places = _in_loop(situation, curve, places[:TRIED])
    if not places:
        return [words | {"missing": missing}]
    best = tried[places[0]]
    name = f"{words['name']}, {best.words(unit)}"
    return [words | {"name": name, "change": {"estimator": best}}]


def _in_loop(situation: Situation, curve: Frontier, places: list[int]) -> list[int]:
    """Those of the candidates that leave the loop its margin, the least torque and true ripple first."""
    least = min(LEAST_MARGIN, situation.standing.phase_margin)
    least = max(least, situation.standing.phase_margin - MOST_TAKEN)
    found = {}
    for i in places:
        tried = replace(situation.axis, estimator=curve.estimator[i])
        margin = margins(tried, speed=situation.speed)
        if margin.stable and not margin.phase_margin < least:
            here = behave(tried, [situation.speed])
            found[i] = sum(
                _ratio(here.at()[name], value) for name, value in situation.now.at().items() if value
            )
    return sorted(found, key=found.get)


def _ratio(after: float, before: float) -> float:
    return after / before if after is not None else 1.0


# What is left of a fault that somebody trims, and of one that takes a better part.
TRIMMED = 0.1
HALVED = 0.5
FINER = 4
MORE_BITS = 2
MOST_BITS = 32
READINGS = 4
MOST_READINGS = 4096
# Hysteresis of so many rms of the noise lets no count toggle.
QUIET = 10.0
WIDEST = 50


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Situation:
    """An axis at a speed and what is known about it.

    Attributes
    ----------
    axis : Axis
    speed : float
    now : Behaviour
    lines : Lines
    standing : Standing
    """

    axis: object
    speed: float
    now: Behaviour
    lines: object
    standing: object

    def has(self, *causes: str) -> bool:
        """Whether one of the causes is there."""
        return any(cause in self.now.parts["measured"] for cause in causes)

    @property
    def scatter(self) -> float:
        """Rms of the random part of the position, m or rad."""
        signal, scale = self.axis.signal, self.axis.scale
        electrical = signal.noise / signal.amplitude * scale.pitch / (2.0 * math.pi)
        return math.hypot(signal.jitter, electrical, self.speed * self.axis.sampling.jitter)


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
        Causes of ripple that the change goes at.
    assumed : str
        What the change takes for granted.
    """

    kind: str
    missing: str = ""
    causes: tuple = ()
    assumed: str = ""


def proposed(situation: Situation) -> list[Any]:
    """Changes to try on an axis at a speed."""
    makers = (
        _conditioning, _trims, _ring, _counts, _converter, _average, _noise, _clocks, _period, _rate, _hysteresis,
    )  # fmt: skip
    found = [Proposal(**made) for make in makers for made in make(situation)]
    for rule in (estimator_proposals, speed_suggestions.loop_proposals, speed_suggestions.speed_proposals):
        found += [Proposal(**made) for made in rule(situation)]
    return found


def _conditioning(situation: Situation) -> Iterator[dict[str, str | tuple[str]]]:
    signal, done = situation.axis.signal, situation.axis.interpolation.correction
    name, causes = "condition the signals automatically", ("sde",)
    if signal.offset == (0.0, 0.0) and not signal.gain and not signal.phase:
        missing = "the signals have no offset, gain or phase error to correct"
    elif done == 1.0:
        missing = "offset, gain and phase are corrected in full already"
    else:
        wanted = 1.0 - TRIMMED * (1.0 - done)
        assumed = (
            f"the correction takes away {100.0 * (1.0 - TRIMMED):g} % of offset, gain and phase, nothing else"
        )
        yield {
            "kind": "conditioning",
            "name": name,
            "causes": causes,
            "change": {"interpolation.correction": wanted},
            "assumed": assumed,
        }
        return
    yield {"kind": "conditioning", "name": name, "causes": causes, "missing": missing}


def _trims(situation: Situation) -> Iterator[dict[str, Any]]:
    """Single faults of the signals, those that can be trimmed to a tenth, others halved."""
    signal = situation.axis.signal
    found = {
        "offset": (
            "trim the offset to a tenth",
            tuple(TRIMMED * part for part in signal.offset),
            any(signal.offset),
        ),
        "gain": ("match sine and cosine to a tenth", TRIMMED * signal.gain, signal.gain),
        "phase": ("trim the phase to a tenth", TRIMMED * signal.phase, signal.phase),
        "harmonics": (
            "halve the harmonics of the signals",
            {n: HALVED * size for n, size in signal.harmonics.items()},
            signal.harmonics,
        ),
        "sde": (
            "a readhead with half the cyclic error",
            {k: (HALVED * size, phase) for k, (size, phase) in signal.sde.items()},
            signal.sde,
        ),
        "skew": ("read both signals closer together", TRIMMED * signal.skew, signal.skew),
    }
    for kind, (name, value, there) in found.items():
        if there:
            yield {"kind": kind, "name": name, "change": {f"signal.{kind}": value}, "causes": ("sde",)}


def _ring(situation: Situation) -> Iterator[dict[str, Any]]:
    """Centring and a second head, where the axis has a ring."""
    axis, causes = situation.axis, ("ring",)
    if axis.ring is None:
        return
    centring = {"kind": "centring", "name": "centre the ring to a tenth", "causes": causes}
    if axis.ring.eccentricity:
        yield centring | {"change": {"ring.eccentricity": TRIMMED * axis.ring.eccentricity}}
    else:
        yield centring | {"missing": "the ring sits at the centre"}
    second = {"kind": "second head", "name": "a second head opposite the first", "causes": causes}
    if len(axis.heads) == 1:
        first = getattr(axis.heads[0], "angle", axis.heads[0])
        assumed = "the mean of both heads is used, and the signal errors within a period stay those of one"
        yield second | {"change": {"heads": (axis.heads[0], first + math.pi)}, "assumed": assumed}
    else:
        yield second | {"missing": f"the axis has {len(axis.heads)} heads already"}


def _counts(situation: Situation) -> Iterator[dict[str, str | tuple[str]]]:
    how, causes = situation.axis.interpolation, ("resolution",)
    finer = {"kind": "finer counts", "name": "finer interpolation", "causes": causes}
    coarser = {"kind": "coarser counts", "name": "coarser interpolation", "causes": causes}
    if how.factor is None:
        yield finer | {"missing": "the position is not rounded to counts"}
        return
    yield finer | {
        "name": f"{FINER} times finer interpolation",
        "change": {"interpolation.factor": FINER * how.factor},
    }
    wanted = how.factor // FINER
    if wanted >= 4 and (how.output != "ab" or wanted % 4 == 0):
        yield coarser | {
            "name": f"{FINER} times coarser interpolation",
            "change": {"interpolation.factor": wanted},
        }


def _converter(situation: Situation) -> Iterator[dict[str, str | tuple[str]]]:
    bits, found = (
        situation.axis.interpolation.bits,
        {"kind": "bits", "name": "finer converters", "causes": ("adc",)},
    )
    if bits is None:
        yield found | {"missing": "the converters are taken as ideal: no bits are given"}
    elif bits < MOST_BITS:
        wanted = min(bits + MORE_BITS, MOST_BITS)
        yield found | {
            "name": f"converters of {wanted} bits instead of {bits}",
            "change": {"interpolation.bits": wanted},
        }


def _average(situation: Situation) -> Iterator[dict[str, str | tuple[str, str]]]:
    found = {"kind": "average", "name": "average readings", "causes": ("noise", "adc")}
    if not situation.has("noise", "adc"):
        missing = "averaging acts on channel noise and converter steps: neither is there"
        if situation.has("jitter"):
            missing += "; the jitter is one value a loop period here"
        yield found | {"missing": missing}
        return
    wanted = min(READINGS * situation.axis.sampling.average, MOST_READINGS)
    yield found | {
        "name": f"average {wanted} readings a loop period",
        "change": {"sampling.average": wanted},
        "assumed": "readings spread evenly over the loop period",
    }


def _noise(situation: Situation) -> Iterator[dict[str, Any]]:
    signal, found = situation.axis.signal, {"kind": "noise", "name": "a readhead with half the noise"}
    change = {
        f"signal.{name}": HALVED * getattr(signal, name)
        for name in ("jitter", "noise")
        if getattr(signal, name)
    }
    missing = "" if change else "the readhead has no noise in this description"
    yield found | {"causes": ("jitter", "noise"), "change": change, "missing": missing}


def _clocks(situation: Situation) -> Iterator[dict[str, Any]]:
    """Jitter of the loop's clock, and clocks of the encoder's own."""
    sampling, how = situation.axis.sampling, situation.axis.interpolation
    if sampling.jitter:
        yield {
            "kind": "clock",
            "name": "a loop clock with half the jitter",
            "causes": ("clock",),
            "change": {"sampling.jitter": HALVED * sampling.jitter},
        }
    if sampling.encoder_rate is not None:
        turns = sampling.encoder_rate / sampling.rate
        locked = max(1, round(turns)) * sampling.rate
        found = {"kind": "own clock", "name": "lock the encoder's clock to the loop", "causes": ("age",)}
        if locked == sampling.encoder_rate:
            yield found | {"missing": "the encoder's clock fits the loop already"}
        else:
            yield found | {"change": {"sampling.encoder_rate": locked}}
    if own_clock(situation.axis) is not None and how.edge_clock is not None:
        yield {
            "kind": "edge clock",
            "name": f"an edge clock {FINER} times as fast",
            "causes": ("age",),
            "change": {"interpolation.edge_clock": FINER * how.edge_clock},
        }


def _period(situation: Situation) -> Iterator[dict[str, Any]]:
    """A scale of half the period."""
    scale, signal = situation.axis.scale, situation.axis.signal
    if scale.period is None:
        change = {"scale.lines": 2 * scale.lines}
    else:
        change = {"scale.period": HALVED * scale.period} | ({"scale.lines": None} if scale.lines else {})
    if signal.sde:
        change["signal.sde"] = {k: (HALVED * size, phase) for k, (size, phase) in signal.sde.items()}
    yield {
        "kind": "period",
        "name": "a scale of half the signal period",
        "causes": ("sde", "adc", "resolution", "noise"),
        "change": change,
        "assumed": "cyclic errors stay the same share of the period, counts a period stay, the jitter stays as it is",
    }


def _rate(situation: Situation) -> Iterator[dict[str, Any]]:
    rate = situation.axis.sampling.rate
    causes = tuple(situation.now.parts["measured"])
    kept = "the estimator keeps its settings"
    for kind, name, factor in (("faster loop", "twice", 2.0), ("slower loop", "half", 0.5)):
        yield {
            "kind": kind,
            "name": f"a loop of {name} the rate",
            "causes": causes,
            "change": {"sampling.rate": factor * rate},
            "assumed": kept,
        }
    same_time = {
        f"estimator.{name}": value for name, value in situation.axis.estimator.over_same_time(2).items()
    }
    if same_time:
        yield {
            "kind": "faster loop, same span",
            "name": "a loop of twice the rate, the velocity over the same time",
            "causes": causes,
            "change": {"sampling.rate": 2.0 * rate} | same_time,
        }


def _hysteresis(situation: Situation) -> Iterator[dict[str, str | tuple[str, str]]]:
    """As many counts of hysteresis as keep the noise from toggling them."""
    axis, found = (
        situation.axis,
        {"kind": "hysteresis", "name": "hysteresis", "causes": ("resolution", "jitter")},
    )
    how = axis.interpolation
    if how.factor is None:
        yield found | {"missing": "the position is not rounded to counts"}
    elif how.hysteresis:
        yield found | {"missing": f"it has a hysteresis already: {how.hysteresis:g} in counts"}
    else:
        counts = math.ceil(max(QUIET * situation.scatter / axis.resolution, 1.0))
        if counts > WIDEST:
            yield found | {"missing": f"it would take {counts} counts to hold the noise still"}
        else:
            words = "1 count" if counts == 1 else f"{counts} counts"
            yield found | {
                "name": f"hysteresis of {words}",
                "change": {"interpolation.hysteresis": float(counts)},
            }
