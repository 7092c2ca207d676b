"""Commands about an axis and its encoder: new, ripple, period, simulate, identify, limits."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from . import arguments
from .command import Command, Output, into, picture, table
from .outputs import JobFailed
from .parser import SPEED_HELP, axis_option, seed_option, threads_option

if TYPE_CHECKING:
    from ..layout import Report
    from ..recordings.capture import Capture
    from .command import CommandJob
    from .parser import Parser


ASSUMED_RATE = 16e3


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
    text=lambda job: (
        ""
        if job.args.quiet
        else f"{job.args.axis} is written. Edit it, then: encsim ripple {job.args.axis}\n"
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
        curve, simulated, requirement=job.requirement, long=job.long, cautious=not job.args.quiet
    )


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


READING = {
    "--columns": ("COS,SIN", 'names or numbers from 1, also with what they hold: "time=1, cosine=3, sine=4"'),
    "--skip": ("LINES", "lines to leave out at the top"),
    "--decimal": ("MARK", 'decimal mark, "." or ","'),
    "--delimiter": ("MARK", "what separates the columns"),
    "--units": ("UNITS", 'of the columns used, "s,V,V"'),
    "--time": ("COLUMN", 'column of the time, or the interval or rate of the samples, "10 us" or "100 kHz"'),
    "--mid-scale": ("VALUE", 'value of both channels without signal, "2.5 V"'),
    "--wrap": ("COUNTS", 'counts after which the counter begins again, or its width, "16 bit"; 0: never'),
}


def reading_options(parser: Parser) -> None:
    """Options that correct what a recording was taken for."""
    for name, (letters, text) in READING.items():
        name_inside = f"column_{name[2:].replace('-', '_')}"
        parser.add_argument(name, dest=name_inside, metavar=letters, help=f"{text} (default: found out)")


def capture(job: CommandJob) -> Capture:
    """The recording of the first argument."""
    return read_capture(job, job.args.capture)


def read_capture(job: CommandJob, name: str) -> Capture:
    """A recording from a file or stdin, read as the options say; faults name the options."""
    keys = (option[2:].replace("-", "_") for option in READING)
    given = {key: getattr(job.args, f"column_{key}") for key in keys}
    if given["skip"] is not None:
        given["skip"] = arguments.whole_number(given["skip"], "--skip", 0, 10**9)
    try:
        if name == "-":
            stream = io.BytesIO(arguments.open_stdin().buffer.read())
            return encsim.Capture.read(stream, **given)
        return encsim.Capture.read(name, **given)
    except checks.InputError as error:
        faults = (replace(fault, field=f"--{fault.field.replace('_', '-')}") if fault.field in given else fault
                  for fault in error.faults)  # fmt: skip
        raise checks.InputError(*faults) from error


def _identify_options(parser: Parser) -> None:
    parser.add_argument(
        "capture", metavar="capture.csv", help="recording: text, NPY, NPZ, MAT, WAV, also gzipped; - is stdin"
    )
    reading_options(parser)
    parser.add_argument(
        "--period",
        metavar="LENGTH",
        help='signal period, "20 um" or "0.04 deg": also says the faults as position error (default: that of the axis '
        "file of --into)",
    )
    parser.add_argument(
        "--steady",
        action="store_true",
        help="the recorded motion is smooth: also fit harmonics and noise",
    )


def _needed_period(job: CommandJob) -> None:
    if job.args.write_axis and not job.args.period:
        checks.refuse("--period", "be given with --write-axis", checks.NOTHING)


def _fitted_values(job: CommandJob) -> dict[str, Any] | None:
    """The fields of the signal that were fitted, {path: SI}."""
    fit = job.result
    if not hasattr(fit, "signal"):
        rule = "be left out for counts and positions"
        checks.refuse(
            "--into", rule, job.args.into, hint='encsim fit axis.toml capture.csv --free "signal.sde.1"'
        )
    if not fit.valid:
        return None
    names = [name for name in fit.uncertainty if hasattr(fit.signal, name)]
    names += ["jitter_bandwidth"] if fit.signal.jitter_bandwidth is not None else []
    return {f"signal.{name}": getattr(fit.signal, name) for name in names}


def _fitted_axis(job: CommandJob) -> str | None:
    """Text of an axis file with the fitted signal."""
    fit, args = job.result, job.args
    if not hasattr(fit, "signal"):
        checks.refuse("--write-axis", "be left out for counts and positions", args.write_axis)
    if not fit.valid:
        return None
    from ..formats import edited_files

    plain = encsim.Axis(job.scale, sampling=encsim.Sampling(ASSUMED_RATE)).to_toml()
    text = edited_files.with_values(plain, _fitted_values(job) or {})
    note = f"The loop rate is not known from a capture: {ASSUMED_RATE / 1e3:g} kHz is assumed"
    job.warn(f"{note}; set sampling.rate in {args.write_axis}")
    return f"# Signal fitted to {checks.one_line(arguments.named(args.capture))}.\n# {note}.\n{text}"


def _refuse_invalid(job: CommandJob) -> None:
    if hasattr(job.result, "signal") and not job.result.valid:
        raise JobFailed(f"the fit is refused: {'; '.join(job.result.reasons)}")


def _table(job: CommandJob) -> str:
    """Table of the cyclic error for a controller."""
    if hasattr(job.result, "signal"):
        rule = "be left out for channels"
        checks.refuse(
            "--csv", rule, job.args.csv, hint="encsim period axis.toml --csv writes the error of an axis"
        )
    return job.result.correction_csv()


def _identified(job: CommandJob) -> Report:
    """Text of what channels, or counts and positions show."""
    if hasattr(job.result, "signal"):
        return reporting.axis_tables.fit(job.result, job.scale, job.capture.notes, long=job.long)
    return reporting.measurement_text.motion(job.result, job.capture.notes, long=job.long)


def _draw_identified(job: CommandJob) -> Any:
    """Counts and positions, or channels whose fit is reliable."""
    if not hasattr(job.result, "signal"):
        return job.result.plot()
    return job.result.plot(scale=job.scale) if job.result.valid else None


IDENTIFY = Command(
    examples="  encsim identify capture.csv --columns cos,sin\n"
    '  encsim identify capture.csv --period "20 um" --write-axis axis.toml',
    options=_identify_options,
    reads=lambda args: [args.capture],
    inputs={"scale": arguments.scale, "needed": _needed_period, "capture": capture},
    compute=lambda job: encsim.identify(
        job.capture, steady=job.args.steady, period=job.scale and job.scale.pitch
    ),
    outputs=[
        picture(
            "draw the recorded channels and the fit",
            _draw_identified,
        ),
        picture(
            "draw the Allan deviation of the phase",
            lambda job: job.result.plot_jitter() if getattr(job.result, "jitter_colour", "") else None,
            "--plot-jitter",
        ),
        Output("--write-axis", "write an axis file with the fitted signal; needs --period", _fitted_axis),
        into("the fitted signal", _fitted_values),
        Output(
            "--csv", "write the error over one period of counts or positions as a table; - is stdout", _table
        ),
    ],
    text=_identified,
    finish=_refuse_invalid,
    functions=("identify",),
)


LIMITS = Command(
    examples="  encsim limits axis.toml\n  encsim limits axis.toml --json",
    options=axis_option,
    inputs={"axis": arguments.axis},
    compute=lambda job: encsim.top_speed(job.axis),
    text=lambda job: reporting.axis_tables.limits(job.result, long=job.long),
)
