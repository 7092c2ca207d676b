"""Commands about an axis and its encoder: new, ripple, period, simulate, limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from . import arguments
from .command import Command, Output, picture, table, written
from .parser import SPEED_HELP, axis_option, seed_option, threads_option

if TYPE_CHECKING:
    from .command import CommandJob
    from .parser import Parser


def _new_options(parser: Parser) -> None:
    parser.add_argument("--rotary", action="store_true", help="a rotary scale (default: a linear one)")
    parser.add_argument("--loop", action="store_true", help="with a load and a control: a closed loop")
    parser.add_argument("--ab", action="store_true", help="A/B square waves that the controller counts")
    parser.add_argument(
        "--serial", action="store_true", help="a serial encoder that samples on its own clock"
    )


def _one_output(job: CommandJob) -> None:
    if job.args.ab and job.args.serial:
        rule = "be left out with --ab, whose edges are counted as they come"
        checks.refuse("--serial", rule, checks.NOTHING)


def _starter(job: CommandJob) -> str:
    from ..formats import axis_file

    args = job.args
    return axis_file.starter(args.rotary, loop=args.loop, ab=args.ab, serial=args.serial)


def _next(job: CommandJob) -> str:
    """The command that a starter is made for."""
    return "loop" if job.args.loop else "ripple"


NEW = Command(
    examples="  encsim new axis.toml\n  encsim new turntable.toml --rotary --loop\n  encsim new counted.toml --ab",
    options=_new_options,
    reads=lambda args: [],
    inputs={"output": _one_output},
    compute=_starter,
    outputs=[
        Output("axis", "axis file to write; - is stdout", lambda job: job.result, {"metavar": "axis.toml"})
    ],
    json=None,
    text=lambda job: written(
        job, f"{job.args.axis} is written. Edit it, then: encsim {_next(job)} {job.args.axis}"
    ),
)


PEAK = """
Peak is half of (maximum - minimum) of the velocity in one second of running, or
in one revolution where that takes longer, as a simulation measures it; a
question mark beside it: not known within 10 %."""


def _ripple_options(parser: Parser) -> None:
    parser.description = f"{parser.description}{PEAK}"
    axis_option(parser)
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help='"a : b : n" for n speeds evenly spaced on a logarithmic axis, 0 < a < b, or a list '
        '"1 mm/s, 5 mm/s"; each with a unit (default: 100 speeds over [motion] of the file, else '
        "from 0.01 counts to 3.45 periods per sample or the top speed, if that is lower)",
    )
    parser.add_argument(
        "--simulate",
        action="store_true",
        help="check up to 12 of the speeds by simulation: 16 starts of 8192 samples each, more at low "
        "speed (rms within about 0.5 %%)",
    )
    seed_option(parser)
    threads_option(parser)


def _ripple(job: CommandJob) -> tuple[Any, dict[str, Any] | None]:
    """Closed form over speeds, and the same by simulation where asked for."""
    from ..time_domain import sweeps

    curve = encsim.ripple(job.axis, job.speeds)
    if not job.args.simulate:
        return curve, None
    speeds = sweeps.spread(curve)
    job.progress.begin(f"simulating {len(speeds)} speeds")
    return curve, sweeps.simulated(job.axis, speeds, job.seed, job.threads, job.progress)


def _ripple_json(job: CommandJob) -> dict[str, Any]:
    curve, simulated = job.result
    return curve.to_dict() | ({} if simulated is None else {"simulated": simulated})


def _ripple_text(job: CommandJob) -> Any:
    curve, simulated = job.result
    return reporting.axis_tables.ripple(
        curve,
        simulated,
        judged=_judged(job),
        requirement=job.requirement,
        long=job.long,
        cautious=not job.args.quiet,
    )


def _judged(job: CommandJob) -> Any:
    """The judgement that the answer is about, as on the page, where no other speeds are asked for."""
    if job.args.speeds is not None or job.requirement is None:
        return None
    return job.requirement.judge(job.axis)


RIPPLE = Command(
    examples="  encsim ripple axis.toml --plot ripple.svg\n"
    '  encsim ripple axis.toml --speeds "0.1 mm/s : 1 m/s : 200" --set sampling.rate="8 kHz" --csv r.csv',
    options=_ripple_options,
    inputs={
        "seed": arguments.SEED,
        "threads": arguments.THREADS,
        "text": arguments.text,
        "axis": arguments.axis_of_text,
        "requirement": arguments.requirement,
        "speeds": arguments.speeds,
    },
    work=lambda job: f"computing {len(job.speeds)} speeds",
    compute=_ripple,
    outputs=[
        table(series=lambda job: job.result[0]),
        picture(draw=lambda job: job.result[0].plot(simulated=job.result[1], limit=job.requirement)),
    ],
    json=_ripple_json,
    text=_ripple_text,
    functions=("ripple", "simulate"),
)


def _period_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--speed",
        default=None,
        help=f"{SPEED_HELP}; with readhead bandwidth, skew or averaging the error depends on it (default: standstill)",
    )


PERIOD = Command(
    examples="  encsim period axis.toml --plot error.svg --plot-channels channels.svg\n"
    '  encsim period axis.toml --speed "2 m/s" --json',
    options=_period_options,
    inputs={"axis": arguments.axis, "speed": arguments.speed},
    compute=lambda job: encsim.position_error(job.axis, job.speed),
    outputs=[
        table("error and channels over a signal period"),
        picture("draw the error over a signal period"),
        picture(
            "draw one channel against the other", lambda job: job.result.plot_channels(), "--plot-channels"
        ),
    ],
    text=lambda job: reporting.axis_tables.period(job.result, long=job.long),
    functions=("position_error",),
)


def _simulate_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument("--speed", required=True, help=f"{SPEED_HELP}; negative runs backwards")
    parser.add_argument(
        "--seconds", required=True, metavar="TIME", help='length of the run, "1 s", "20 ms" or 1 (s)'
    )
    parser.add_argument(
        "--start", default=None, metavar="POSITION", help='true start position, "5 um" (default: 0)'
    )
    seed_option(parser)
    threads_option(parser)


def _samples(job: CommandJob) -> int:
    most = arguments.MOST_ROWS if job.args.json or job.args.csv else arguments.MOST_SAMPLES
    return arguments.samples_of(job.seconds, job.axis.sampling.rate, most)


SIMULATE = Command(
    examples='  encsim simulate axis.toml --speed "2 mm/s" --seconds 1 --plot run.svg\n'
    '  encsim simulate axis.toml --speed "2 mm/s" --seconds "50 ms" --csv - | head',
    options=_simulate_options,
    inputs={
        "seed": arguments.SEED,
        "threads": arguments.THREADS,
        "seconds": arguments.seconds,
        "axis": arguments.axis,
        "speed": arguments.speed,
        "start": arguments.start,
        "samples": _samples,
    },
    work=lambda job: f"simulating {job.samples} samples",
    long_files=True,
    compute=lambda job: encsim.simulate(
        job.axis,
        job.speed,
        job.samples,
        job.seed,
        job.start,
        threads=job.threads,
        progress=job.progress,
    ),
    outputs=[table("time, position and velocity"), picture()],
    text=lambda job: reporting.run_text.trace(job.result, long=job.long, cautious=not job.args.quiet),
    functions=("simulate", "lines"),
    names={"samples": "--seconds"},
)


LIMITS = Command(
    examples="  encsim limits axis.toml\n  encsim limits axis.toml --json",
    options=axis_option,
    inputs={"axis": arguments.axis},
    compute=lambda job: encsim.top_speed(job.axis),
    text=lambda job: reporting.axis_tables.limits(job.result, long=job.long),
)
