"""The commands about the closed loop in time: one run, one answer to a step or a ramp."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..model.load_and_control import CAUTIONS
from ..reporting import run_text
from . import arguments, loop_commands, outputs
from .outputs import Delivery, Faults, JobFailed, Progress

if TYPE_CHECKING:
    import argparse

    from ..closed_loop.time_responses import RampResponse, StepResponse
    from ..model.axis import Axis
    from ..model.profiles import Sine, Trapezoid


ANSWERS = ("position", "velocity", "load", "ramp")
# Without a length: a steady run, cycles of a sine.
SHORTEST, CYCLES = 1.0, 4.0
LONGER = "encsim.runs in Python keeps no samples and goes on longer"
UNSTABLE = "the loop is not stable"


def run(args: argparse.Namespace) -> int:
    """One run of the closed loop."""
    from ..time_domain import closed_run

    faults, demand, seed, seconds = Faults(), None, None, None
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], _read(args))
    with faults:
        seed = arguments.whole_number(args.seed, "--seed", 0, 2**64 - 1)
    axis = loop_commands.closed_axis(args, faults)
    with faults:
        _check_demand(args)
        if axis is not None:
            demand = _demand(args, axis)
    with faults:
        seconds = None if args.seconds is None else arguments.seconds_of(args.seconds)
    faults.done()
    if seconds is None:
        seconds = _usual_length(axis, demand, closed_run)
    rate = axis.sampling.rate
    samples = arguments.samples_of(seconds, rate, arguments.MOST_ROWS, LONGER)
    with Progress(args, f"running {samples} samples"), _told(args, axis):
        result = closed_run.run(axis, demand, seconds, seed)
    for line in run_text.beyond(result):
        outputs.warn(args, f"warning: {line}")
    cautions = () if args.quiet else CAUTIONS
    asked = None if args.profile is None else run_text.Move(args.profile.strip(), demand)
    delivery = Delivery(args)
    delivery.json(lambda: result.to_dict() | {"profile": args.profile, "cautions": list(CAUTIONS)})
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: run_text.run(result, asked, cautions=cautions))
    delivery.send()
    if result.stopped is not None:
        time, why = result.stopped
        raise JobFailed(f"the run stopped at {time:.6g} s: {why}; what was computed until then is kept")
    if any(reason.startswith(UNSTABLE) for reason in result.reasons):
        raise JobFailed(loop_commands.UNSTABLE.format(""))
    return 0


def step(args: argparse.Namespace) -> int:
    """Answer of the linear loop to a step or a ramp."""
    faults, size, speed, seconds = Faults(), None, 0.0, None
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    with faults:
        if args.of not in ANSWERS:
            near = units.nearest(args.of, ANSWERS)
            hint = f"did you mean {near}?" if near else ""
            checks.refuse("--of", f"be one of {', '.join(ANSWERS)}", args.of, hint=hint)
    axis = loop_commands.closed_axis(args, faults)
    if axis is not None and args.of in ANSWERS:
        with faults:
            size = None if args.size is None else _size(args, axis)
        with faults:
            speed = 0.0 if args.speed is None else loop_commands.speed_of(args.speed, axis)
    with faults:
        seconds = None if args.seconds is None else arguments.seconds_of(args.seconds)
    faults.done()
    with Progress(args, "computing the answer"), _told(args, axis):
        result = _answer(axis, args.of, size, seconds, speed)
    cautions = () if args.quiet else CAUTIONS
    delivery = Delivery(args)
    delivery.json(lambda: result.to_dict() | {"cautions": list(CAUTIONS)})
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: run_text.answer(result, cautions=cautions))
    delivery.send()
    if any(reason.startswith(UNSTABLE) for reason in result.reasons):
        raise JobFailed(loop_commands.UNSTABLE.format(""))
    return 0


def _read(args: argparse.Namespace) -> list[str]:
    """Files that a run reads."""
    kind, _, name = (args.profile or "").strip().partition(" ")
    return [args.axis, name.strip()] if kind == arguments.FILE and name.strip() else [args.axis]


def _check_demand(args: argparse.Namespace) -> None:
    """Refuse two demands, or none."""
    if (args.speed is None) == (args.profile is None):
        got = checks.NOTHING if args.speed is None else f"{args.speed} and {args.profile}"
        checks.refuse("--speed or --profile", "be given, one of them", got)
    if _read(args) == ["-", "-"]:
        checks.refuse("--profile", "come from elsewhere than the axis file", "-")


def _demand(args: argparse.Namespace, axis: Axis) -> Any:
    """A speed or a profile."""
    if args.profile is None:
        return loop_commands.speed_of(args.speed, axis)
    return arguments.read(args.profile, axis)


def _usual_length(axis: Axis, demand: Sine | Trapezoid | float, closed_run: Any) -> float:
    """Time to run where none is given: the move, or some of a motion without end, and what the loop needs to settle."""
    # as many samples again as a steady run leaves out, and within what a table holds
    rest = closed_run.settling(axis, 2 * arguments.MOST_ROWS // 3) / axis.sampling.rate
    if isinstance(demand, float):
        return max(SHORTEST, 2.5 * rest)
    if hasattr(demand, "frequency"):
        return CYCLES / demand.frequency
    return demand.duration + rest


def _size(args: argparse.Namespace, axis: Axis) -> float | None:
    """Height of a step, or speed of a ramp."""
    kinds = {"position": "position", "velocity": "speed", "load": "torque", "ramp": "speed"}
    dimension = units.on_scale(kinds[args.of], axis.scale.unit)
    return units.parse(args.size, dimension, "--size", diameter=axis.scale.diameter)


def _answer(
    axis: Axis, of: str, size: float | None, seconds: float | None, speed: float
) -> RampResponse | StepResponse | None:
    from ..closed_loop import time_responses

    if of == "ramp":
        return time_responses.ramp_response(axis, size, seconds, speed=speed)
    return time_responses.step_response(axis, of, size, seconds, speed=speed)


def _told(args: argparse.Namespace, axis: Axis) -> Any:
    """Faults that the library finds, in the words of the command line."""
    option = "--speed" if getattr(args, "profile", None) is None else "--profile"
    return loop_commands.told(
        args, axis, options={"run.speed": option, "step_response.axis": "axis", "ramp_response.axis": "axis"}
    )
