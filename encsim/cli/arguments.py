"""Arguments of the commands as objects: files, speeds, numbers; every fault names its option.

Demands of motion written as text: ``"trapezoid 10 mm, 50 mm/s, 2 m/s2"``, ``"file move.csv"``.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..formats import tables
from ..model import profiles

if TYPE_CHECKING:
    import argparse

    from ..decisions.requirements import Requirement
    from ..model.axis import Axis, Scale
    from ..model.profiles import Sampled
    from .outputs import Faults


# Samples of one run held in memory; as rows of text, with --json or --csv, they take ten times as much.
MOST_SAMPLES, MOST_ROWS = 1 << 26, 1 << 22
LONGER = "encsim.Stream in Python runs any length"
MOST_TEXT = 1 << 28


def named(path: str) -> str:
    """What messages call a file."""
    return "stdin" if path == "-" else path


def text_of(path: str, option: str) -> str | None:
    """Text of a capture or of stdin."""
    try:
        if path == "-":
            found = open_stdin().buffer.read(MOST_TEXT + 1)
        else:
            with open(path, "rb") as stream:
                found = stream.read(MOST_TEXT + 1)
        if len(found) > MOST_TEXT:
            checks.refuse(option, f"be at most {MOST_TEXT >> 20} MB", named(path))
        return found.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        checks.refuse(option, f"be UTF-8 text, byte {error.start} is not", named(path))
    except (OSError, ValueError) as error:
        if isinstance(error, checks.InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        checks.refuse(option, f"be readable ({reason})", named(path))


def open_stdin() -> Any:
    """The standard input, which a shell may have closed."""
    if sys.stdin is None:
        checks.refuse("file", "be readable (stdin is closed)", "-")
    return sys.stdin


def read_axis(args: argparse.Namespace, faults: Faults) -> Axis | None:
    """The axis of the file with the changes of --set; None where it is wrong."""
    from ..formats import axis_file

    with faults:
        return axis_file.loads_with(axis_text(args.axis), args.set, named(args.axis))


def axis_text(name: str) -> str:
    """Text of an axis file or one of its sections, or of stdin."""
    from ..formats import axis_file

    if name == "-":
        open_stdin()
    return axis_file.read(name)


def requirement_of(args: argparse.Namespace, text: str, axis: Axis) -> Requirement | None:
    """The requirement of its own file, else that of the axis file, whose text this is; None if it has none."""
    from ..decisions import requirements
    from ..formats.sections import Section

    if args.requirement is not None:
        source = axis_text(args.requirement), named(args.requirement)
    else:
        source = text, named(args.axis)
        if Section(text, requirements.SECTION, source[1], args.set).table is None:
            return None
    return requirements.loads(*source, axis, args.set)


def whole_number(text: str, option: str, low: int, high: int) -> int:
    """A whole number of an option."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 20 and low <= int(text) <= high):
        checks.refuse(option, f"be a whole number from {low} to {high}", text)
    return int(text)


def chance(args: argparse.Namespace, faults: Faults) -> tuple[Any, ...]:
    """Seed and threads; None where they are wrong or left out."""
    seed = threads = None
    with faults:
        seed = whole_number(args.seed, "--seed", 0, 2**64 - 1)
    with faults:
        threads = None if args.threads is None else whole_number(args.threads, "--threads", 1, 1024)
    return seed, threads


def speed_of(text: str, axis: Axis) -> float | None:
    """A speed of an option, m/s or rad/s."""
    return units.parse(text, f"speed({axis.scale.unit}/s)", "--speed")


def start_of(text: str | None, scale: Scale) -> float:
    """Start position of a run, m or rad; 0 if left out."""
    if text is None:
        return 0.0
    return units.parse(text, f"position({scale.unit})", "--start", diameter=scale.diameter)


def speeds_of(text: str | None, axis: Axis) -> list[float] | tuple[float, ...]:
    """Speeds of an option, or those looked at by default."""
    from ..time_domain.sweeps import default_speeds

    return default_speeds(axis) if text is None else units.parse_speeds(text, axis.scale.unit, "--speeds")


def seconds_of(text: str) -> float | None:
    """Length of a run, s; a bare number is seconds."""
    bare = text.strip().replace(".", "", 1)
    seconds = units.parse(f"{text} s" if bare.isascii() and bare.isdigit() else text, "time", "--seconds")
    if seconds <= 0.0:
        checks.refuse("--seconds", "be longer than zero", text)
    return seconds


def samples_of(seconds: float, rate: float, most: int, longer: str = LONGER) -> int:
    """Samples of a run of that length; ``longer`` says where longer ones are had."""
    samples = seconds * rate
    if not 2.0 <= samples <= most:
        rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
        checks.refuse("--seconds", rule, seconds, "s", "" if samples < 2.0 else longer)
    return round(samples)


def scale_of(text: str | None) -> Scale | None:
    """Scale of a signal period given alone: a length, or an angle that divides a turn."""
    if text is None:
        return None
    from ..model.axis import Scale

    period = units.parse(text, "position", "--period")
    if period <= 0.0:
        checks.refuse("--period", "be greater than zero", text)
    if not any(text.replace("°", "deg").rstrip().endswith(unit) for unit in ("rad", "deg", "arcsec", "″")):
        return Scale(period=period)
    lines = round(2.0 * math.pi / period)
    if lines < 1 or abs(2.0 * math.pi / (lines * period) - 1.0) > 1e-3:
        checks.refuse("--period", "divide a turn into whole periods", text)
    return Scale(lines=lines)


OPTION = "--profile"
KINDS = {"trapezoid": profiles.Trapezoid, "s-curve": profiles.SCurve, "sine": profiles.Sine}
FILE = "file"
PROFILES = {each.__name__ for each in (*KINDS.values(), profiles.Sampled)}
EXAMPLE = 'as in "trapezoid 10 mm, 50 mm/s, 2 m/s2"'


def read(text: str, axis: Axis, owner: str = OPTION) -> Any:
    """A demand of motion."""
    kind, _, rest = text.strip().partition(" ")
    if kind == FILE:
        return _of_file(rest.strip(), axis, owner)
    if kind not in KINDS:
        known = [*KINDS, FILE]
        near = units.nearest(kind, known) if kind else None
        hint = f"did you mean {near}?" if near else EXAMPLE
        checks.refuse(owner, f"begin with one of {', '.join(known)}", kind, hint=hint)
    fields, values = dataclasses.fields(KINDS[kind]), [part.strip() for part in rest.split(",")]
    owner = f"{owner}, {kind}"
    if len(values) != len(fields):
        names = ", ".join(item.name for item in fields)
        checks.refuse(owner, f"say {names}, parted by commas, each with its unit", rest.strip())
    return _checked(owner, lambda: KINDS[kind](**_values(values, fields, axis, owner)))


def _values(texts: list[str], fields: tuple[Any, ...], axis: Axis, owner: str) -> dict[str, float] | None:
    """SI numbers by field, all faults at once."""
    found, faults = {}, []
    for text, item in zip(texts, fields, strict=True):
        dimension = units.on_scale(item.metadata["dimension"], axis.scale.unit)
        try:
            found[item.name] = units.parse(
                text, dimension, f"{owner}: {item.name}", diameter=axis.scale.diameter
            )
        except checks.InputError as error:
            faults += error.faults
    if faults:
        raise checks.InputError(*faults)
    return found


def _of_file(name: str, axis: Axis, owner: str) -> Sampled | None:
    """The profile of a table."""
    if not name:
        checks.refuse(
            owner, "name a table behind the word file", checks.NOTHING, hint='as in "file move.csv"'
        )
    columns = {"time": "time", "position": units.on_scale("position", axis.scale.unit)}
    table = tables.read_columns(text_of(name, owner), columns, named(name))
    return _checked(f"{owner}, {named(name)}", lambda: profiles.Sampled(**table))


def _checked(owner: str, make: Callable[..., Any]) -> Any:
    """What is made, faults of its fields under the name of the text."""
    try:
        return make()
    except checks.InputError as error:
        faults = [
            dataclasses.replace(fault, field=f"{owner}: {fault.field.split('.')[-1]}")
            if fault.field.split(".")[0] in PROFILES
            else fault
            for fault in error.faults
        ]
        raise checks.InputError(*faults) from None
