"""Inputs of the commands as objects: files, speeds, numbers, lists; every fault names its option."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from .. import checks, units
from .command import Unread

if TYPE_CHECKING:
    from typing import TextIO

    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..model.scale_and_signal import Scale
    from .command import CommandJob


# Samples of one run held in memory; as rows of text, with --json or --csv, they take ten times as much.
MOST_SAMPLES, MOST_ROWS = 1 << 26, 1 << 22
LONGER = "encsim.Stream in Python runs any length"
MOST_TEXT = 1 << 28
MOST_ORDERS = 100_000
LISTED = re.compile(r"\s*([0-9]{1,9})\s*(?:-\s*([0-9]{1,9})\s*)?")


def named(path: str) -> str:
    """What messages call a file."""
    return "stdin" if path == "-" else path


def text_of(path: str, option: str) -> str:
    """Text of a capture or of stdin."""
    try:
        if path == "-":
            content = open_stdin().buffer.read(MOST_TEXT + 1)
        else:
            with open(path, "rb") as stream:
                content = stream.read(MOST_TEXT + 1)
        if len(content) > MOST_TEXT:
            checks.refuse(option, f"be at most {MOST_TEXT >> 20} MB", named(path))
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        checks.refuse(option, f"be UTF-8 text, byte {error.start} is not", named(path))
    except (OSError, ValueError) as error:
        if isinstance(error, checks.InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        checks.refuse(option, f"be readable ({reason})", named(path))


def open_stdin() -> TextIO:
    """The standard input, which a shell may have closed."""
    if sys.stdin is None:
        checks.refuse("file", "be readable (stdin is closed)", "-")
    return sys.stdin


def axis(job: CommandJob) -> Axis:
    """The axis of the file with the changes of --set."""
    return axis_in(axis_text(job.args.axis), job)


def text(job: CommandJob) -> str:
    """Text of the axis file, for commands that read other sections of it too."""
    return axis_text(job.args.axis)


def axis_of_text(job: CommandJob) -> Axis:
    """The axis of that text."""
    return axis_in(job.text, job)


def axis_in(text: str, job: CommandJob, name: str | None = None) -> Axis:
    """The axis of a text with the changes of --set."""
    from ..formats import axis_file
    from ..model import bounds

    source = named(job.args.axis if name is None else name)
    found = axis_file.loads_with(text, job.args.set, source)
    strange = bounds.unusual(found)
    if strange:
        job.warn(f"{source}: unusual, is the unit right: {', '.join(strange)}")
    return found


def axis_text(name: str) -> str:
    """Text of an axis file or one of its sections, or of stdin."""
    from ..formats import toml_text

    if name == "-":
        open_stdin()
    return toml_text.read(name)


def requirement(job: CommandJob) -> Requirement | None:
    """The requirement of --requirement, if the command has it, else that of the axis file; None if there is none."""
    return requirement_of(job, named(job.args.axis), job.text, job.axis)


def requirement_of(job: CommandJob, name: str, text: str, axis: Axis) -> Requirement | None:
    """The same for one of several axes: the name and the text of its file."""
    from ..decisions import requirements
    from ..formats.sections import Section

    args, own = job.args, getattr(job.args, "requirement", None)
    if own is not None:
        return requirements.loads(axis_text(own), named(own), axis, args.set)
    if Section(text, requirements.SECTION, name, args.set).table is None:
        return None
    return requirements.loads(text, name, axis, args.set)


def whole_number(text: str, option: str, low: int, high: int) -> int:
    """A whole number of an option."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 20 and low <= int(text) <= high):
        checks.refuse(option, f"be a whole number from {low} to {high}", text)
    return int(text)


def count(option: str, low: int, high: int) -> Callable[[CommandJob], int | None]:
    """Reader of an option with a whole number; it gives None where that is left out."""

    def read(job: CommandJob) -> int | None:
        text = job.option(option)
        return None if text is None else whole_number(text, option, low, high)

    return read


SEED = count("--seed", 0, 2**64 - 1)
THREADS = count("--threads", 1, 1024)


def quantity(
    option: str, dimension: str, default: float | None = None
) -> Callable[[CommandJob], float | None]:
    """Reader of an option with a unit: an SI number, the default where it is left out."""

    def read(job: CommandJob) -> float | None:
        text = job.option(option)
        return default if text is None else units.parse(text, dimension, option)

    return read


def speed(job: CommandJob) -> float:
    """The speed of --speed, m/s or rad/s; 0 where it is left out."""
    return (
        0.0
        if job.args.speed is None
        else units.parse(job.args.speed, f"speed({job.axis.scale.unit}/s)", "--speed")
    )


def start(job: CommandJob) -> float:
    """Start position of a run, m or rad; 0 if left out."""
    text, scale = job.args.start, job.axis.scale
    if text is None:
        return 0.0
    return units.parse(text, f"position({scale.unit})", "--start", diameter=scale.diameter)


def speeds(job: CommandJob) -> Sequence[float]:
    """Speeds of --speeds, or those looked at by default."""
    from ..open_loop.limits import default_speeds

    text, axis = job.args.speeds, job.axis
    return default_speeds(axis) if text is None else units.parse_speeds(text, axis.scale.unit, "--speeds")


def seconds(job: CommandJob) -> float | None:
    """Length of a run, s; a bare number is seconds. None where it is left out."""
    text = job.args.seconds
    if text is None:
        return None
    bare = re.fullmatch(r"\s*[0-9]*\.?[0-9]+(e[0-9]+)?\s*", text, re.ASCII | re.IGNORECASE)
    length = units.parse(f"{text} s" if bare else text, "time", "--seconds")
    if length <= 0.0:
        checks.refuse("--seconds", "be longer than zero", text)
    return length


def samples_of(seconds: float, rate: float, most: int, longer: str = LONGER) -> int:
    """Samples of a run of that length; ``longer`` says where longer ones are had."""
    samples = seconds * rate
    if not 2.0 <= samples <= most:
        rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
        checks.refuse("--seconds", rule, seconds, "s", "" if samples < 2.0 else longer)
    return round(samples)


def scale(job: CommandJob) -> Scale | None:
    """Scale of a signal period given alone, a length or an angle that divides a turn; else that of --into."""
    from ..formats import axis_file
    from ..model.scale_and_signal import Scale

    text = job.args.period
    if text is None:
        try:
            return None if job.args.into is None else axis_file.load(job.args.into).scale
        except checks.InputError as error:
            raise Unread("scale") from error  # told with --into
    period = units.parse(text, "position", "--period")
    if period <= 0.0:
        checks.refuse("--period", "be greater than zero", text)
    if not any(text.replace("°", "deg").rstrip().endswith(unit) for unit in ("rad", "deg", "arcsec", "″")):
        return Scale(period=period)
    lines = round(2.0 * math.pi / period)
    if lines < 1 or abs(2.0 * math.pi / (lines * period) - 1.0) > 1e-3:
        checks.refuse("--period", "divide a turn into whole periods", text)
    return Scale(lines=lines)


def orders_of(text: str, option: str, low: int = 1) -> list[int]:
    """Whole numbers of a list ``"2, 3, 6-8"``, ascending, each once."""
    orders: set[int] = set()
    for part in text.split(","):
        match = LISTED.fullmatch(part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, -1)
        if not low <= first <= last or len(orders) + last - first >= MOST_ORDERS:
            checks.refuse(option, f'be whole numbers from {low} or ranges, as "2, 3, 6-8"', text)
        orders.update(range(first, last + 1))
    return sorted(orders)


def orders(option: str) -> Callable[[CommandJob], list[int] | None]:
    """Reader of an option with such a list; it gives None where that is left out."""
    return lambda job: None if job.option(option) is None else orders_of(job.option(option), option)


def angles_of(text: str, option: str) -> tuple[float, ...]:
    """Angles of a list, rad."""
    return tuple(units.parse(part, "angle", option) for part in text.split(","))
