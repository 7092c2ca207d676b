"""Velocity estimators to compare: written as text, read from it, and a list around the one of an axis."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..checks import Fault, InputError
from ..model.edge_timing import CountAndTime, PeriodTiming
from ..model.estimator_base import Estimator
from ..model.estimators import KINDS
from ..model.linear_estimator import Linear

if TYPE_CHECKING:
    from ..model.axis import Axis


OPTION = "--estimators"
MOST = 1000
# Delays up to so many loop periods are looked at, or to so many times that of the axis' own estimator.
SHORTEST, LONGEST, TIMES = 32, 2048, 8
# Corner or bandwidth at most, as share of the loop rate: beyond it a filter is hardly one.
HIGHEST = 0.2
# Clock of a counter that times edges, Hz, and windows over which it counts, s. Common practice, no source.
COUNTER_CLOCK, WINDOWS = 50e6, (1e-3, 2e-3, 5e-3, 10e-3, 20e-3)
USUAL_WINDOW = 5e-3

_KEY = re.compile(r"(?:\A|\s)([a-z_]+)\s*=\s*")


def around(axis: Axis) -> list[Estimator]:
    """A list to compare the estimator of an axis with."""
    rate, own = axis.sampling.rate, axis.estimator
    longest, fitting = SHORTEST, own.resolved(axis.signal.jitter, axis.resolution)
    if isinstance(fitting, Linear):
        longest = min(max(SHORTEST, math.ceil(TIMES * fitting.delay(rate) * rate)), LONGEST)
    sizes = [1 << power for power in range(longest.bit_length() + 1)]
    corners = list(_one_two_five(rate / (2.0 * math.pi * longest), HIGHEST * rate))
    noise = {"jitter": axis.signal.jitter, "resolution": axis.resolution}
    kinds = [kind for kind in KINDS.values() if kind.compared or isinstance(own, kind)]
    others = [one for kind in kinds for one in kind.candidates(sizes, corners, **noise)]
    return list(dict.fromkeys([own, *others]))


def timing_edges(axis: Axis, windows: Sequence[float] = (USUAL_WINDOW,)) -> list[Estimator]:
    """Estimators that time the edges of the counts by a counter in the controller; none where there are no edges."""
    if (
        axis.interpolation.factor is None
        or axis.sampling.encoder_rate is not None
        or not axis.estimator.linear
    ):
        return []
    return [PeriodTiming(COUNTER_CLOCK), *(CountAndTime(COUNTER_CLOCK, window) for window in windows)]


def _one_two_five(low: float, high: float) -> Iterator[float]:
    """Round values 1, 2, 5, 10 ... from low to high."""
    for exponent in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        for digit in (1, 2, 5):
            value = float(f"{digit}e{exponent}")
            if low <= value <= high:
                yield value


def text(estimator: Estimator, unit: str) -> str:
    """An estimator as the option takes it."""
    words = [estimator.kind]
    for place, item in enumerate(dataclasses.fields(estimator)):
        value = getattr(estimator, item.name)
        if place == 0:
            words.append(_written(value, item, unit))
        elif value is not None and value != item.default:
            words.append(f"{item.name}={_written(value, item, unit)}")
    return " ".join(words)


def _written(value: float, item: Any, unit: str) -> str:
    dimension = units.on_scale(item.metadata.get("dimension"), unit)
    return f"{value:g}" if dimension is None else units.write(value, dimension)


def read(text: str, axis: Axis, owner: str = OPTION) -> list[Estimator]:
    """Estimators of a list such as ``"own; difference 1, 8; low-pass 300 Hz order=2"``."""
    faults: list[Fault] = []
    listed: list[Estimator] = []
    entries = [part.strip() for part in text.split(";")]
    if text.count(",") + len(entries) > MOST:
        checks.refuse(owner, f"hold at most {MOST} estimators", text.count(",") + len(entries))
    for entry in entries:
        kind, _, values = entry.partition(" ")
        if entry == "own":
            listed.append(axis.estimator)
        elif kind not in KINDS:
            faults.append(_unknown(kind, owner))
        else:
            several = values.split(",")
            for value in several:
                try:
                    listed.append(_one(kind, value.strip(), axis, owner, alone=len(several) == 1))
                except InputError as error:
                    faults += error.faults
    if faults:
        raise InputError(*dict.fromkeys(faults))
    return listed


def _unknown(kind: str, owner: str) -> Fault:
    near = units.nearest(kind, KINDS) if kind else None
    hint = f"did you mean {near}?" if near else 'as in "difference 1, 8; low-pass 300 Hz"'
    return Fault(owner, f"hold kinds of {', '.join(KINDS)}, or own", kind, hint=hint)


def _one(kind: str, text: str, axis: Axis, owner: str, alone: bool) -> Estimator:
    """One estimator of its kind and the text of its fields; none but one that stands alone may have no text."""
    owner = f"{owner}, {kind} {checks.one_line(text, 40)}".rstrip()
    if not text and not alone:
        checks.refuse(owner, "have a value between commas", text)
    fields = {item.name: item for item in dataclasses.fields(KINDS[kind])}
    first, *rest = _KEY.split(text)
    pairs = list(zip(rest[::2], rest[1::2], strict=True))
    if first.strip():
        pairs.insert(0, (next(iter(fields)), first))
    values = {}
    for name, value in pairs:
        if name not in fields:
            near = units.nearest(name, fields)
            checks.refuse(
                owner,
                f"have fields of {', '.join(fields)}",
                name,
                hint=f"did you mean {near}?" if near else "",
            )
        if name in values:
            checks.refuse(owner, f"say {name} once", value.strip())
        values[name] = _value(f"{owner}: {name}", value.strip(), fields[name], axis)
    missing = [n for n, item in fields.items() if item.default is dataclasses.MISSING and n not in values]
    if missing:
        checks.refuse(owner, f"say {' and '.join(missing)}", checks.NOTHING)
    try:
        return KINDS[kind](**values)
    except InputError as error:
        named = (dataclasses.replace(f, field=f"{owner}: {f.field.split('.')[-1]}") for f in error.faults)
        raise InputError(*named) from None


def _value(name: str, text: str, item: Any, axis: Axis) -> float | str | None:
    """A field's value: SI of a quantity, a number, or the text itself for the description to refuse."""
    dimension = units.on_scale(item.metadata.get("dimension"), axis.scale.unit)
    if dimension is not None:
        return units.parse(text, dimension, name, diameter=axis.scale.diameter)
    for kind in (int, float):
        try:
            return kind(text) if len(text) < 30 and "_" not in text else text
        except ValueError:
            continue
    return text
