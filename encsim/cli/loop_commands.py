"""Commands about the closed loop: loop, tune."""

from __future__ import annotations

import contextlib
import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import encsim

from .. import checks, reporting, units
from ..model import bounds
from ..wording import show
from . import arguments
from .command import Command, Output, into, picture, table
from .outputs import JobFailed
from .parser import SPEED_HELP, axis_option, seed_option

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..checks import Fault
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from ..presentation.report_layout import Report
    from ..time_domain.closed_run_result import Runs
    from .command import CommandJob
    from .parser import Parser


# Frequencies of a picture from this share of the loop rate to its half.
LOWEST, POINTS = 1e-5, 2000
# Where the faults of a description stand in an axis file.
SECTIONS = {"Axis": "", "Load": "load.", "Control": "control.", "Notch": "control.notch."}
HELD = (
    "--plot-folded draws harmonics above half the loop rate as for sampled positions; with period measurement the "
    "values are those of the table"
)
UNSTABLE = "the closed loop is unstable with these gains{}; encsim tune proposes others"


def closed_axis(job: CommandJob) -> Axis:
    """The axis of the file, if its loop can be closed."""
    axis = arguments.axis(job)
    hint, source = '"encsim new loop.toml --loop" writes one to copy', arguments.named(job.args.axis)
    faults = [
        checks.Fault(f"[{name}]", "be given for a closed loop", checks.NOTHING, hint=hint, source=source)
        for name in ("load", "control")
        if getattr(axis, name) is None
    ]
    if faults:
        raise checks.InputError(*faults)
    return axis


def speed(job: CommandJob) -> float:
    """A speed of --speed that somebody can mean; 0 where it is left out."""
    speed, axis = arguments.speed(job), job.axis
    bounds.check_speed("--speed", axis, speed)
    return speed


def in_words(job: CommandJob, fault: Fault) -> Fault:
    """A fault of the axis under the key of the file that it comes from, units as of the scale."""
    axis = job.known("axis")
    if fault.unit and axis is not None:
        fitting = units.unit_on_scale(fault.unit, axis.scale.unit)
        fault = replace(fault, unit=fitting, hint=fault.hint.replace(fault.unit, fitting))
    owner, _, name = fault.field.partition(".")
    if owner in SECTIONS:
        key = re.sub(r"\.([0-9]+)(?=\.|\Z)", r"[\1]", SECTIONS[owner] + name)
        return replace(fault, field=key, source=fault.source or arguments.named(job.args.axis))
    return fault


def _loop_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help="speeds, as of encsim ripple (default: as there, but with period measurement those at which the loop is "
        "stable)",
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, of the margins: friction, filters that follow the speed, the delay of period measurement, "
        "which needs it, and the harmonics of the encoder in --plot-margins (default: standstill)",
    )
    parser.add_argument(
        "--simulate",
        action="store_true",
        help="also simulate up to 12 of the speeds, with friction, cogging, limits and quantisation",
    )
    seed_option(parser)


def _needed_speed(job: CommandJob) -> None:
    if job.args.plot_folded and job.args.speed is None:
        checks.refuse("--speed", "be given with --plot-folded", checks.NOTHING)


class Aged(NamedTuple):
    """What the age of timed edges means for a loop."""

    speeds: list[float]  # to look at
    stable_from: float | None  # the lowest stable one, None where it is not known
    text: str  # the same in words
    caution: str


class LoopAnswer(NamedTuple):
    """Everything about a closed loop that was asked for."""

    margins: Margins
    curve: Smoothness
    aged: Aged | None
    simulated: Runs | None

    @property
    def stable(self) -> bool:
        """Whether the loop is, at all speeds."""
        return self.margins.stable and self.curve.stable


def _loop(job: CommandJob) -> LoopAnswer:
    """Margins and smoothness of a closed loop, simulated too where asked for."""
    now = encsim.margins(job.axis, speed=job.speed)
    aged = None if job.axis.estimator.linear else _aged(job)
    curve = encsim.smoothness(job.axis, job.speeds if aged is None else aged.speeds)
    wanted = job.args.simulate and now.stable and curve.stable
    return LoopAnswer(now, curve, aged, _simulated(job, curve) if wanted else None)


def _aged(job: CommandJob) -> Aged:
    """Speeds at which a loop of timed edges is stable, where none are asked for; and what to say of the others."""
    from ..closed_loop import timed_edge_loops

    axis, speed, speeds = job.axis, job.speed, list(job.speeds)
    first = timed_edge_loops.lowest_speed(axis, max(abs(speed), *map(abs, speeds)))
    if math.isnan(first):
        return Aged(speeds, None, "", reporting.loop_text.aging(axis, speed))
    text, kept = show(first, f"{axis.scale.unit}/s"), speeds
    if job.args.speeds is None:
        kept = [each for each in speeds if each >= first]
    if len(kept) < len(speeds):
        job.warn(f"speeds below {text} are left out: period measurement is too slow for a stable loop")
    return Aged(kept, first, text, reporting.loop_text.aging(axis, speed, text))


def _simulated(job: CommandJob, curve: Smoothness) -> Runs:
    from ..time_domain import sweeps

    speeds = sweeps.spread(curve)
    job.progress.begin(f"running {len(speeds)} speeds")
    return sweeps.run_closed(job.axis, speeds, job.seed)


def _cautions(job: CommandJob) -> list[str]:
    from ..model.load_and_control import CAUTIONS

    aged = job.result.aged
    return [*CAUTIONS, *([] if aged is None else [aged.caution])]


def _loop_json(job: CommandJob) -> dict[str, Any]:
    margins, curve, aged, simulated = job.result
    extra = {} if simulated is None else {"simulated": _plain(simulated)}
    if aged is not None:
        extra["stable_from"] = aged.stable_from
    return curve.to_dict() | {"margins": margins.plain_values(), "cautions": _cautions(job)} | extra


def _plain(runs: Runs) -> dict[str, Any]:
    """Simulated runs as plain values, the curves beside the speeds."""
    values = runs.plain_values()
    kept = ("samples", "settle", "seed", "stopped", "reasons")
    return {"speed": values["speed"], **values["rms"], **{name: values[name] for name in kept}}


def _loop_text(job: CommandJob) -> Report:
    margins, curve, _, simulated = job.result
    cautions = () if job.args.quiet else _cautions(job)
    return reporting.loop_text.loop(margins, curve, simulated, cautions=cautions, long=job.long)


def _draw_smoothness(job: CommandJob) -> Axes | None:
    """The three curves; of an unstable loop none, they are infinite."""
    runs = job.result.simulated
    points = None if runs is None else {"speed": runs.speed, **runs.rms}
    return job.result.curve.plot(simulated=points) if job.result.stable else None


def _draw_folded(job: CommandJob) -> Axes | None:
    """Picture of the encoder's lines at a speed over what the loop makes of them."""
    import numpy as np

    from ..closed_loop.loop import build
    from ..figures import folded as folded_picture

    if not job.result.stable:
        return None
    axis = job.result.curve.axis
    frequency = np.geomspace(LOWEST, 0.5, POINTS) * axis.sampling.rate
    response = build(axis, job.speed).response(frequency)
    shown = encsim.lines(axis, job.speed)
    if not axis.estimator.linear and np.any(shown.frequency > 0.5 * axis.sampling.rate):
        job.warn(HELD)
    return folded_picture.folded(frequency, response.complementary, response.torque, shown)


def _draw_margins(axis: Axis, margins: Margins, speed: float) -> Axes:
    """The open loop, with the encoder's lines where there is a speed."""
    return margins.plot(lines=encsim.lines(axis, speed) if speed else None)


def _refuse_unstable(job: CommandJob) -> None:
    margins, _, aged, _ = job.result
    if job.result.stable:
        return
    left = " and ".join(name for name in ("--csv", "--plot", "--plot-folded") if job.option(name))
    written = f"; no curves for {left}" if left else ""
    where = " at some of the speeds" if margins.stable else ""
    where += f" (stable from {aged.text} on)" if aged is not None and aged.text else ""
    raise JobFailed(UNSTABLE.format(where) + written)


LOOP = Command(
    examples="  encsim loop axis.toml --plot smoothness.svg --plot-margins margins.svg\n"
    '  encsim loop axis.toml --speeds "0.1 mm/s : 1 m/s : 100" --set control.velocity_gain="3 kN s/m" --simulate',
    options=_loop_options,
    inputs={
        "seed": arguments.SEED,
        "needed": _needed_speed,
        "axis": closed_axis,
        "speeds": arguments.speeds,
        "speed": speed,
    },
    work=lambda job: f"computing {len(job.speeds)} speeds",
    compute=_loop,
    outputs=[
        table(series=lambda job: job.result.curve if job.result.stable else None),
        picture("draw the three curves against speed", _draw_smoothness),
        picture(
            "draw the open loop with its margins",
            lambda job: _draw_margins(job.axis, job.result.margins, job.speed),
            "--plot-margins",
        ),
        picture(
            "draw the aliased harmonics of the encoder at --speed and the response of the loop",
            _draw_folded,
            "--plot-folded",
        ),
    ],
    json=_loop_json,
    text=_loop_text,
    finish=_refuse_unstable,
    functions=("smoothness", "runs", "lines"),
    reword=in_words,
)


def _tune_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--phase-margin", default="60", metavar="DEG", help="least phase margin, degrees (default: 60)"
    )
    parser.add_argument(
        "--sensitivity-peak", default="1.7", metavar="RATIO", help="largest sensitivity peak (default: 1.7)"
    )
    parser.add_argument(
        "--torque-ripple",
        metavar="TORQUE",
        help='largest rms of the torque or force by encoder errors, "0.05 N m" or "2 N" (default: three times it, with '
        "friction, stays within control.torque_limit)",
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, of that ripple and of the margins; period measurement needs it: the lowest working speed, "
        "where its delay is longest (default: margins at standstill, ripple at the speed where it is largest)",
    )


def _number(text: str, option: str) -> float:
    """A bare number; that it is finite and in range is for the one who uses it."""
    try:
        return float(text) if len(text) < 400 and "_" not in text else float("x")
    except ValueError:
        checks.refuse(option, "be a number", text)


def _phase_margin(job: CommandJob) -> float:
    """A phase margin, deg: a bare number, or an angle with its unit."""
    text = job.args.phase_margin
    with contextlib.suppress(checks.InputError):
        return _number(text, "")
    with contextlib.suppress(checks.InputError):
        return math.degrees(units.parse(text, "angle"))
    checks.refuse(
        "--phase-margin", "be a number of degrees or an angle with its unit", text, hint='as in "60 deg"'
    )


def _torque_ripple(job: CommandJob) -> float | None:
    text, dimension = job.args.torque_ripple, units.on_scale("torque", job.axis.scale.unit)
    return None if text is None else units.parse(text, dimension, "--torque-ripple")


def _limits(job: CommandJob) -> dict[str, Any]:
    return {name: getattr(job, name) for name in reporting.tuning_text.LIMITS}


def _tuned_axis(job: CommandJob) -> str:
    """Text of an axis file with the proposed gains, cautions first."""
    words = reporting.loop_text.stability(job.result.margins)
    first = f"{arguments.named(job.args.axis)} with proposed gains. {words}"
    head = "".join(f"# {checks.one_line(line, 400)}\n" for line in (first, *job.result.cautions))
    return f"{head}\n{job.result.axis.to_toml()}"


def _tuned_gains(job: CommandJob) -> dict[str, Any]:
    """The gains that were proposed, {path: SI}."""
    names = ("position_gain", "velocity_gain", "integral_time")
    return {f"control.{name}": getattr(job.result.control, name) for name in names}


TUNE = Command(
    examples="  encsim tune axis.toml --phase-margin 60 --sensitivity-peak 1.7\n"
    '  encsim tune axis.toml --torque-ripple "0.5 N" --speed "10 mm/s" --write-axis tuned.toml',
    options=_tune_options,
    inputs={
        "phase_margin": _phase_margin,
        "sensitivity_peak": lambda job: _number(job.args.sensitivity_peak, "--sensitivity-peak"),
        "axis": closed_axis,
        "torque_ripple": _torque_ripple,
        "speed": lambda job: None if job.args.speed is None else speed(job),
    },
    work="searching for gains",
    compute=lambda job: encsim.tuning(job.axis, **_limits(job), speed=job.speed),
    outputs=[
        picture(
            "draw the open loop with the proposed gains",
            lambda job: _draw_margins(job.result.axis, job.result.margins, job.speed),
        ),
        Output("--write-axis", "write an axis file with the proposed gains; - is stdout", _tuned_axis),
        into("the proposed gains", _tuned_gains),
    ],
    text=lambda job: reporting.tuning_text.tuning(job.result, job.axis, long=job.long),
    functions=("tuning", "lines"),
    reword=in_words,
)
