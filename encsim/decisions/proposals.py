"""Changes to try at encoder, reading and sampling of an axis; those at its loop are in `loop_proposals`.

What a change does is computed in `remedies`; here only its values are chosen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Self

from ..open_loop.cause_models import own_clock
from ..open_loop.closed_form import lines
from .loop_proposals import (
    Proposal,
    controller_proposals,
    estimator_proposals,
    speed_suggestions,
    timed_edge_proposals,
)
from .ripple_summary import axis_figures, summarise

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..open_loop.closed_form import Lines
    from .ripple_summary import AxisFigures, RippleSummary


# What is left of a fault that can be trimmed, and of one that takes a better part.
TRIMMED = 0.1
HALVED = 0.5
FINER = 4
MORE_BITS, MOST_BITS = 2, 32
READINGS, MOST_READINGS = 4, 4096
# A hysteresis of this many rms of the noise lets no count toggle; widest hysteresis proposed, counts.
QUIET, WIDEST = 10.0, 50


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Situation:
    """An axis at a speed, with its ripple, its harmonics and its figures there."""

    axis: Axis
    speed: float
    summary: RippleSummary
    lines: Lines
    figures: AxisFigures

    @classmethod
    def of(cls, axis: Axis, speed: float) -> Self:
        """The situation of an axis at a speed."""
        return cls(
            axis=axis,
            speed=speed,
            summary=summarise(axis, [speed]),
            lines=lines(axis, speed),
            figures=axis_figures(axis, speed),
        )

    @property
    def causes(self) -> tuple[str, ...]:
        """Causes of the measured ripple."""
        return tuple(self.summary.parts["measured"])

    def has(self, *causes: str) -> bool:
        """Whether the axis has one of these causes."""
        return any(cause in self.causes for cause in causes)

    @property
    def scatter(self) -> float:
        """Rms of the random part of the position, m or rad."""
        signal, scale = self.axis.signal, self.axis.scale
        electrical = signal.noise / signal.amplitude * scale.pitch / (2.0 * math.pi)
        return math.hypot(signal.jitter, electrical, self.speed * self.axis.sampling.jitter)


def proposed(situation: Situation) -> list[Proposal]:
    """Changes to try on an axis at a speed."""
    rules = (
        _conditioning, _trims, _ring, _counts, _converter, _average, _noise, _clocks, _period, _rate, _hysteresis,
        estimator_proposals, timed_edge_proposals, controller_proposals, speed_suggestions,
    )  # fmt: skip
    return [proposal for rule in rules for proposal in rule(situation)]


def _conditioning(situation: Situation) -> Iterator[Proposal]:
    signal, present = situation.axis.signal, situation.axis.interpolation.correction
    name = "condition the signals automatically"
    proposal = partial(Proposal, kind="conditioning", name=name, causes=("sde",))
    if signal.offset == (0.0, 0.0) and not signal.gain and not signal.phase:
        yield proposal(missing="the signals have no offset, gain or phase error to correct")
    elif present == 1.0:
        yield proposal(missing="offset, gain and phase are corrected in full already")
    else:
        percent = f"{100.0 * (1.0 - TRIMMED):g} %"
        yield proposal(
            change={"interpolation.correction": 1.0 - TRIMMED * (1.0 - present)},
            assumed=f"the correction removes {percent} of offset, gain and phase, nothing else",
        )


def _trims(situation: Situation) -> Iterator[Proposal]:
    """Single faults of the signals: those that can be trimmed to a tenth, others halved."""
    signal = situation.axis.signal
    trims: dict[str, tuple[str, Any, Any]] = {
        "offset": (
            "trim the offset to a tenth",
            tuple(TRIMMED * part for part in signal.offset),
            any(signal.offset),
        ),
        "gain": ("match the amplitudes to a tenth", TRIMMED * signal.gain, signal.gain),
        "phase": ("trim the phase to a tenth", TRIMMED * signal.phase, signal.phase),
        "harmonics": (
            "halve the harmonics of the signals",
            {n: HALVED * size for n, size in signal.harmonics.items()},
            signal.harmonics,
        ),
        "sde": ("a readhead with half the SDE (cyclic error)", _halved_sde(situation.axis), signal.sde),
        "skew": ("read both signals closer together", TRIMMED * signal.skew, signal.skew),
    }
    for kind, (name, value, present) in trims.items():
        if present:
            yield Proposal(kind=kind, name=name, change={f"signal.{kind}": value}, causes=("sde",))


def _halved_sde(axis: Axis) -> dict[Any, tuple[float, float]]:
    return {order: (HALVED * size, phase) for order, (size, phase) in axis.signal.sde.items()}


def _ring(situation: Situation) -> Iterator[Proposal]:
    """Centring and a second head, where the axis has a ring."""
    axis, causes = situation.axis, ("ring",)
    if axis.ring is None:
        return
    centring = partial(Proposal, kind="centring", name="centre the ring to a tenth", causes=causes)
    if axis.ring.eccentricity:
        yield centring(change={"ring.eccentricity": TRIMMED * axis.ring.eccentricity})
    else:
        yield centring(missing="the ring sits at the centre")
    second = partial(Proposal, kind="second head", name="a second head opposite the first", causes=causes)
    if len(axis.heads) == 1:
        first: Any = getattr(axis.heads[0], "angle", axis.heads[0])
        assumed = "the mean of both heads is used, and the signal errors within a period stay those of one"
        yield second(change={"heads": (axis.heads[0], first + math.pi)}, assumed=assumed)
    else:
        yield second(missing=f"the axis has {len(axis.heads)} heads already")


def _counts(situation: Situation) -> Iterator[Proposal]:
    interpolation, causes = situation.axis.interpolation, ("resolution",)
    if interpolation.factor is None:
        missing = "the position is not rounded to counts"
        yield Proposal(kind="finer counts", name="finer interpolation", causes=causes, missing=missing)
        return
    name, change = (
        f"{FINER} times finer interpolation",
        {"interpolation.factor": FINER * interpolation.factor},
    )
    yield Proposal(kind="finer counts", name=name, causes=causes, change=change)
    factor = interpolation.factor // FINER
    if factor >= 4 and (interpolation.output != "ab" or factor % 4 == 0):
        name, change = f"{FINER} times coarser interpolation", {"interpolation.factor": factor}
        yield Proposal(kind="coarser counts", name=name, causes=causes, change=change)


def _converter(situation: Situation) -> Iterator[Proposal]:
    present = situation.axis.interpolation.bits
    proposal = partial(Proposal, kind="bits", name="finer converters", causes=("adc",))
    if present is None:
        yield proposal(missing="the converters are taken as ideal: no bits are given")
    elif present < MOST_BITS:
        bits = min(present + MORE_BITS, MOST_BITS)
        name = f"converters of {bits} bits instead of {present}"
        yield proposal(name=name, change={"interpolation.bits": bits})


def _average(situation: Situation) -> Iterator[Proposal]:
    proposal = partial(Proposal, kind="average", name="average readings", causes=("noise", "adc"))
    if not situation.has("noise", "adc"):
        missing = "averaging acts on channel noise and converter steps: neither is there"
        if situation.has("jitter"):
            missing += "; the jitter is one value per loop period here"
        yield proposal(missing=missing)
        return
    readings = min(READINGS * situation.axis.sampling.average, MOST_READINGS)
    yield proposal(
        name=f"average {readings} readings per loop period",
        change={"sampling.average": readings},
        assumed="readings spread evenly over the loop period",
    )


def _noise(situation: Situation) -> Iterator[Proposal]:
    present = {name: getattr(situation.axis.signal, name) for name in ("jitter", "noise")}
    change = {f"signal.{name}": HALVED * value for name, value in present.items() if value}
    yield Proposal(
        kind="noise",
        name="a readhead with half the noise",
        causes=("jitter", "noise"),
        change=change,
        missing="" if change else "the readhead has no noise in this description",
    )


def _clocks(situation: Situation) -> Iterator[Proposal]:
    """Jitter of the loop's clock, and an encoder or counter with its own clock."""
    sampling, edge_clock = situation.axis.sampling, situation.axis.interpolation.edge_clock
    if sampling.jitter:
        yield Proposal(
            kind="clock",
            name="a loop clock with half the jitter",
            causes=("clock",),
            change={"sampling.jitter": HALVED * sampling.jitter},
        )
    if sampling.encoder_rate is not None:
        locked = max(1, round(sampling.encoder_rate / sampling.rate)) * sampling.rate
        name = "lock the encoder's clock to the loop"
        proposal = partial(Proposal, kind="own clock", name=name, causes=("age",))
        if locked == sampling.encoder_rate:
            yield proposal(missing="the encoder's clock fits the loop already")
        else:
            yield proposal(change={"sampling.encoder_rate": locked})
    if own_clock(situation.axis) is not None and edge_clock is not None:
        yield Proposal(
            kind="edge clock",
            name=f"an edge clock {FINER} times as fast",
            causes=("age",),
            change={"interpolation.edge_clock": FINER * edge_clock},
        )


def _period(situation: Situation) -> Iterator[Proposal]:
    """A scale of half the period."""
    scale = situation.axis.scale
    change: dict[str, Any] = {}
    if scale.period is not None:
        change = {"scale.period": HALVED * scale.period} | ({"scale.lines": None} if scale.lines else {})
    elif scale.lines is not None:
        change = {"scale.lines": 2 * scale.lines}
    if situation.axis.signal.sde:
        change["signal.sde"] = _halved_sde(situation.axis)
    yield Proposal(
        kind="period",
        name="a scale of half the signal period",
        causes=("sde", "adc", "resolution", "noise"),
        change=change,
        assumed="cyclic errors stay the same share of the period, counts per period stay, the jitter stays as it is",
    )


def _rate(situation: Situation) -> Iterator[Proposal]:
    rate, causes = situation.axis.sampling.rate, situation.causes
    for kind, times, factor in (("faster loop", "twice", 2.0), ("slower loop", "half", 0.5)):
        name, change = f"a loop of {times} the rate", {"sampling.rate": factor * rate}
        assumed = "the estimator keeps its settings"
        yield Proposal(kind=kind, name=name, causes=causes, change=change, assumed=assumed)
    same_time = situation.axis.estimator.over_same_time(2)
    if same_time:
        change = {"sampling.rate": 2.0 * rate}
        change |= {f"estimator.{name}": value for name, value in same_time.items()}
        name = "a loop of twice the rate, the velocity over the same time"
        yield Proposal(kind="faster loop, same span", name=name, causes=causes, change=change)


def _hysteresis(situation: Situation) -> Iterator[Proposal]:
    """The smallest hysteresis, in whole counts, that keeps the noise from toggling a count."""
    axis = situation.axis
    proposal = partial(Proposal, kind="hysteresis", name="hysteresis", causes=("resolution", "jitter"))
    if axis.interpolation.factor is None:
        yield proposal(missing="the position is not rounded to counts")
    elif axis.interpolation.hysteresis:
        yield proposal(missing=f"it has a hysteresis already: {axis.interpolation.hysteresis:g} in counts")
    else:
        counts = math.ceil(max(QUIET * situation.scatter / axis.resolution, 1.0))
        if counts > WIDEST:
            yield proposal(missing=f"it would take {counts} counts to hold the noise still")
        else:
            name = f"hysteresis of {counts} count" + "s" * (counts > 1)
            yield proposal(name=name, change={"interpolation.hysteresis": float(counts)})
