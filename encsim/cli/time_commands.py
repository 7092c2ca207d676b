"""Commands about the closed loop in time: run, step.

A demand of motion is written as text: ``"trapezoid 10 mm, 50 mm/s, 2 m/s2"``, ``"file move.csv"``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting, units
from ..doubts import named
from . import arguments
from .command import Command, picture, table
from .loop_commands import UNSTABLE, closed_axis, in_words, speed
from .outputs import Faults, JobFailed
from .parser import SPEED_HELP, axis_option, seed_option

if TYPE_CHECKING:
    import argparse

    from ..closed_loop.time_responses import RampResponse, StepResponse
    from ..model.axis import Axis
    from ..time_domain.closed_run_result import Run
    from .command import CommandJob
    from .parser import Parser


# Without a length: a steady run, cycles of a sine.
SHORTEST, CYCLES = 1.0, 4.0
LONGER = "encsim.runs in Python keeps no samples and goes on longer"
PROFILE, FILE = "--profile", "file"
# What answers, and the dimension of the height of its step.
ANSWERS = {"position": "position", "velocity": "speed", "load": "torque", "ramp": "speed"}


def _run_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument("--speed", help=f"steady motion: {SPEED_HELP}; this or --profile")
    parser.add_argument(
        "--profile",
        metavar="MOTION",
        help='"trapezoid 10 mm, 50 mm/s, 2 m/s2" (distance, speed, acceleration), "s-curve 10 mm, 50 mm/s, 2 m/s2, '
        '100 m/s3" (and jerk), "sine 0.1 mm, 2 Hz" (amplitude, frequency), or "file move.csv": a table with the '
        "columns time and position, units in its header (time_ms, position_mm)",
    )
    parser.add_argument(
        "--seconds",
        metavar="TIME",
        help='length of the run, "1 s", "20 ms" or 1 (s) (default: the move and the time the loop needs to settle, 4 '
        "cycles of a sine, 1 s or more of a steady motion)",
    )
    seed_option(parser)


def _run_reads(args: argparse.Namespace) -> list[str | None]:
    kind, _, name = (args.profile or "").strip().partition(" ")
    return [args.axis, name.strip()] if kind == FILE and name.strip() else [args.axis]


def _demand(job: CommandJob) -> Any:
    """A speed or a profile."""
    args = job.args
    if (args.speed is None) == (args.profile is None):
        got = checks.NOTHING if args.speed is None else f"{args.speed} and {args.profile}"
        checks.refuse("--speed or --profile", "be given, one of them", got)
    if _run_reads(args) == ["-", "-"]:
        checks.refuse(PROFILE, "come from elsewhere than the axis file", "-")
    return speed(job) if args.profile is None else profile_of(args.profile, job.axis)


def profile_of(text: str, axis: Axis) -> Any:
    """A profile as text says it."""
    from ..model import profiles

    kinds = {"trapezoid": profiles.Trapezoid, "s-curve": profiles.SCurve, "sine": profiles.Sine}
    kind, _, rest = text.strip().partition(" ")
    if kind == FILE:
        return _sampled(rest.strip(), axis)
    if kind not in kinds:
        known = [*kinds, FILE]
        near = units.nearest(kind, known) if kind else None
        hint = f"did you mean {near}?" if near else 'as in "trapezoid 10 mm, 50 mm/s, 2 m/s2"'
        checks.refuse(PROFILE, f"begin with one of {', '.join(known)}", kind, hint=hint)
    owner, fields = f"{PROFILE}, {kind}", dataclasses.fields(kinds[kind])
    parts = [part.strip() for part in rest.split(",")]
    if len(parts) != len(fields):
        names = ", ".join(item.name for item in fields)
        checks.refuse(owner, f"say {names}, parted by commas, each with its unit", rest.strip())
    return _checked(owner, kinds[kind], _values(parts, fields, axis, owner))


def _values(texts: list[str], fields: tuple[Any, ...], axis: Axis, owner: str) -> dict[str, float]:
    """SI numbers by field, all faults at once."""
    values, faults = {}, Faults()
    for text, item in zip(texts, fields, strict=True):
        dimension = units.on_scale(item.metadata["dimension"], axis.scale.unit)
        with faults:
            name = f"{owner}: {item.name}"
            values[item.name] = units.parse(text, dimension, name, diameter=axis.scale.diameter)
    faults.done()
    return values


def _sampled(name: str, axis: Axis) -> Any:
    """The profile of a table."""
    from ..formats import tables
    from ..model.profiles import Sampled

    if not name:
        hint = 'as in "file move.csv"'
        checks.refuse(PROFILE, "name a table behind the word file", checks.NOTHING, hint=hint)
    columns = {"time": "time", "position": units.on_scale("position", axis.scale.unit)}
    text = arguments.text_of(name, PROFILE)
    values = tables.read_columns(text, columns, arguments.named(name))
    return _checked(f"{PROFILE}, {arguments.named(name)}", Sampled, values)


def _checked(owner: str, kind: Callable[..., Any], values: dict[str, Any]) -> Any:
    """A profile; faults of its fields under the name of the text."""
    try:
        return kind(**values)
    except checks.InputError as error:
        mine = f"{kind.__name__}."
        faults = [
            dataclasses.replace(fault, field=f"{owner}: {fault.field.split('.')[-1]}")
            if fault.field.startswith(mine)
            else fault
            for fault in error.faults
        ]
        raise checks.InputError(*faults) from None


def _seconds(job: CommandJob) -> float:
    """Length of the run: that asked for, else the move and what the loop needs to settle."""
    from ..time_domain import closed_run

    seconds, axis, demand = arguments.seconds(job), job.axis, job.demand
    if seconds is not None:
        return seconds
    # as many samples again as a steady run leaves out, and within what a table holds
    rest = closed_run.settling(axis, 2 * arguments.MOST_ROWS // 3) / axis.sampling.rate
    if isinstance(demand, float):
        return max(SHORTEST, 2.5 * rest)
    if hasattr(demand, "frequency"):
        return CYCLES / demand.frequency
    return demand.duration + rest


def _samples(job: CommandJob) -> int:
    return arguments.samples_of(job.seconds, job.axis.sampling.rate, arguments.MOST_ROWS, LONGER)


def _run(job: CommandJob) -> Run:
    """One run of the closed loop."""
    result = encsim.run(job.axis, job.demand, job.seconds, job.seed, progress=job.progress)
    for line in reporting.run_text.beyond(result):
        job.warn(f"warning: {line}")
    return result


def _cautions() -> tuple[str, ...]:
    from ..model.load_and_control import CAUTIONS

    return CAUTIONS


def _move(job: CommandJob) -> Any:
    """The profile, with the text that asked for it; None of a steady speed."""
    profile = job.args.profile
    return None if profile is None else reporting.run_text.Move(profile.strip(), job.demand)


def _refuse_unstable(job: CommandJob) -> None:
    if named(job.result.reasons, "unstable_run"):
        raise JobFailed(UNSTABLE.format(""))


def _refuse_stopped(job: CommandJob) -> None:
    if job.result.stopped is not None:
        time, why = job.result.stopped
        raise JobFailed(f"the run stopped at {time:.6g} s: {why}; what was computed until then is kept")
    _refuse_unstable(job)


def _run_in_words(job: CommandJob, fault: checks.Fault) -> checks.Fault:
    demand = "--speed" if job.args.profile is None else PROFILE
    return in_words(job, dataclasses.replace(fault, field=demand) if fault.field == "run.speed" else fault)


RUN = Command(
    examples='  encsim run axis.toml --profile "trapezoid 10 mm, 50 mm/s, 2 m/s2" --plot move.svg\n'
    '  encsim run axis.toml --speed "2 mm/s" --seconds "500 ms" --csv run.csv',
    options=_run_options,
    reads=_run_reads,
    inputs={
        "seed": arguments.SEED,
        "axis": closed_axis,
        "demand": _demand,
        "seconds": _seconds,
        "samples": _samples,
    },
    work=lambda job: f"running {job.samples} samples",
    compute=_run,
    outputs=[
        table("all samples"),
        picture("draw velocity, following error and force against time"),
    ],
    json=lambda job: job.result.to_dict() | {"profile": job.args.profile, "cautions": list(_cautions())},
    text=lambda job: reporting.run_text.run(
        job.result, _move(job), cautions=() if job.args.quiet else _cautions(), long=job.long
    ),
    finish=_refuse_stopped,
    functions=("run",),
    reword=_run_in_words,
)


def _step_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--of",
        default="position",
        metavar="WHAT",
        help="quantity that steps: position (the demand), velocity (its command, position loop open), load (a torque "
        "on it) or ramp, a demand that starts at a constant speed (default: position)",
    )
    parser.add_argument(
        "--size",
        metavar="SIZE",
        help='height of the step "10 um", "2 mm/s" or "20 N", or speed of the ramp (default: a signal period, 100 '
        "signal periods per second, a tenth of the torque limit)",
    )
    parser.add_argument(
        "--seconds",
        metavar="TIME",
        help='time to show, "50 ms" (default: until 0.1 %% is left of the start)',
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, at which friction, filters and the delay of period measurement are taken; needed with "
        "period measurement (default: standstill)",
    )


def _of(job: CommandJob) -> str:
    of = job.args.of
    if of not in ANSWERS:
        near = units.nearest(of, ANSWERS)
        hint = f"did you mean {near}?" if near else ""
        checks.refuse("--of", f"be one of {', '.join(ANSWERS)}", of, hint=hint)
    return of


def _size(job: CommandJob) -> float | None:
    """Height of a step, or speed of a ramp."""
    scale, text = job.axis.scale, job.args.size
    dimension = units.on_scale(ANSWERS[job.of], scale.unit)
    return None if text is None else units.parse(text, dimension, "--size", diameter=scale.diameter)


def _step(job: CommandJob) -> StepResponse | RampResponse:
    if job.of == "ramp":
        return encsim.ramp_response(job.axis, job.size, job.seconds, speed=job.speed)
    return encsim.step_response(job.axis, job.of, job.size, job.seconds, speed=job.speed)


def _step_in_words(job: CommandJob, fault: checks.Fault) -> checks.Fault:
    mine = fault.field in ("step_response.axis", "ramp_response.axis")
    return in_words(job, dataclasses.replace(fault, field="axis") if mine else fault)


STEP = Command(
    examples="  encsim step axis.toml --plot step.svg\n"
    '  encsim step axis.toml --of load --size "20 N" --csv push.csv',
    options=_step_options,
    inputs={
        "of": _of,
        "axis": closed_axis,
        "size": _size,
        "speed": speed,
        "seconds": arguments.seconds,
    },
    work="computing the answer",
    compute=_step,
    outputs=[table("all samples"), picture("draw the response against time")],
    json=lambda job: job.result.to_dict() | {"cautions": list(_cautions())},
    text=lambda job: reporting.run_text.answer(
        job.result, cautions=() if job.args.quiet else _cautions(), long=job.long
    ),
    finish=_refuse_unstable,
    functions=("step_response", "ramp_response"),
    names={"rate": "--size"},
    reword=_step_in_words,
)
