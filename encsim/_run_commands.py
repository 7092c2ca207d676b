"""The commands about the closed loop in time: one run, one answer to a step or a ramp."""

from . import _arguments, _checks, _loop_commands, _outputs, _profile_text, _run_reports, units
from ._outputs import Delivery, Faults, JobFailed, Progress
from .mechanics import CAUTIONS

ANSWERS = ("position", "velocity", "load", "ramp")
# Without a length: a steady run, cycles of a sine.
SHORTEST, CYCLES = 1.0, 4.0
LONGER = "encsim.runs in Python keeps no samples and goes on longer"
UNSTABLE = "the loop is not stable"


def run(args):
    """One run of the closed loop."""
    from . import motion_run

    faults, demand, seed, seconds = Faults(), None, None, None
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot"], _read(args))
    with faults:
        seed = _arguments.whole_number(args.seed, "--seed", 0, 2**64 - 1)
    axis = _loop_commands.closed_axis(args, faults)
    with faults:
        _check_demand(args)
        if axis is not None:
            demand = _demand(args, axis)
    with faults:
        seconds = None if args.seconds is None else _arguments.seconds_of(args.seconds)
    faults.done()
    if seconds is None:
        seconds = _usual_length(axis, demand, motion_run)
    rate = axis.sampling.rate
    samples = _arguments.samples_of(seconds, rate, _arguments.MOST_ROWS, LONGER)
    with Progress(args, f"running {samples} samples"), _told(args, axis):
        result = motion_run.run(axis, demand, seconds, seed)
    for line in _run_reports.beyond(result):
        _outputs.warn(args, f"warning: {line}")
    cautions = () if args.quiet else CAUTIONS
    asked = None if args.profile is None else _run_reports.Move(args.profile.strip(), demand)
    delivery = Delivery(args)
    delivery.json(lambda: result.to_dict() | {"profile": args.profile, "cautions": list(CAUTIONS)})
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: _run_reports.run(result, asked, cautions=cautions))
    delivery.send()
    if result.stopped is not None:
        time, why = result.stopped
        raise JobFailed(f"the run stopped at {time:.6g} s: {why}; what was computed until then is kept")
    if any(reason.startswith(UNSTABLE) for reason in result.reasons):
        raise JobFailed(_loop_commands.UNSTABLE.format(""))
    return 0


def step(args):
    """Answer of the linear loop to a step or a ramp."""
    faults, size, speed, seconds = Faults(), None, 0.0, None
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    with faults:
        if args.of not in ANSWERS:
            near = units.nearest(args.of, ANSWERS)
            hint = f"did you mean {near}?" if near else ""
            _checks.refuse("--of", f"be one of {', '.join(ANSWERS)}", args.of, hint=hint)
    axis = _loop_commands.closed_axis(args, faults)
    if axis is not None and args.of in ANSWERS:
        with faults:
            size = None if args.size is None else _size(args, axis)
        with faults:
            speed = 0.0 if args.speed is None else _loop_commands.speed_of(args.speed, axis)
    with faults:
        seconds = None if args.seconds is None else _arguments.seconds_of(args.seconds)
    faults.done()
    with Progress(args, "computing the answer"), _told(args, axis):
        result = _answer(axis, args.of, size, seconds, speed)
    cautions = () if args.quiet else CAUTIONS
    delivery = Delivery(args)
    delivery.json(lambda: result.to_dict() | {"cautions": list(CAUTIONS)})
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: _run_reports.answer(result, cautions=cautions))
    delivery.send()
    if any(reason.startswith(UNSTABLE) for reason in result.reasons):
        raise JobFailed(_loop_commands.UNSTABLE.format(""))
    return 0


def _read(args):
    """Files that a run reads."""
    kind, _, name = (args.profile or "").strip().partition(" ")
    return [args.axis, name.strip()] if kind == _profile_text.FILE and name.strip() else [args.axis]


def _check_demand(args):
    """Refuse two demands, or none."""
    if (args.speed is None) == (args.profile is None):
        got = _checks.NOTHING if args.speed is None else f"{args.speed} and {args.profile}"
        _checks.refuse("--speed or --profile", "be given, one of them", got)
    if _read(args) == ["-", "-"]:
        _checks.refuse("--profile", "come from elsewhere than the axis file", "-")


def _demand(args, axis):
    """A speed or a profile."""
    if args.profile is None:
        return _loop_commands.speed_of(args.speed, axis)
    return _profile_text.read(args.profile, axis)


def _usual_length(axis, demand, motion_run):
    """Time to run where none is given: the move, or some of a motion without end, and what the loop needs to settle."""
    # as many samples again as a steady run leaves out, and within what a table holds
    rest = motion_run.settling(axis, 2 * _arguments.MOST_ROWS // 3) / axis.sampling.rate
    if isinstance(demand, float):
        return max(SHORTEST, 2.5 * rest)
    if hasattr(demand, "frequency"):
        return CYCLES / demand.frequency
    return demand.duration + rest


def _size(args, axis):
    """Height of a step, or speed of a ramp."""
    kinds = {"position": "position", "velocity": "speed", "load": "torque", "ramp": "speed"}
    dimension = units.on_scale(kinds[args.of], axis.scale.unit)
    return units.parse(args.size, dimension, "--size", diameter=axis.scale.diameter)


def _answer(axis, of, size, seconds, speed):
    from . import time_responses

    if of == "ramp":
        return time_responses.ramp_response(axis, size, seconds, speed=speed)
    return time_responses.step_response(axis, of, size, seconds, speed=speed)


def _told(args, axis):
    """Faults that the library finds, in the words of the command line."""
    option = "--speed" if getattr(args, "profile", None) is None else "--profile"
    return _loop_commands.told(
        args, axis, options={"run.speed": option, "step_response.axis": "axis", "ramp_response.axis": "axis"}
    )
