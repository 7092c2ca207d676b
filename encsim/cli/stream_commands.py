"""The command stream: samples of an encoder to another program, a file or a pipe, at full speed or by the clock."""

from __future__ import annotations

import contextlib
import math
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import encsim

from .. import checks, files, units
from . import arguments
from .command import Command
from .outputs import JobFailed
from .parser import SPEED_HELP, axis_option, seed_option
from .time_commands import FILE, PROFILE, profile_of

if TYPE_CHECKING:
    import argparse

    from ..time_domain.sample_stream import Pace, SampleFormat
    from .command import CommandJob
    from .parser import Parser

STDIN = "-"


def _options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument("--speed", help=f"steady motion: {SPEED_HELP}; this or --profile")
    parser.add_argument(
        "--profile",
        metavar="MOTION",
        help='motion as in encsim run, "trapezoid 10 mm, 50 mm/s, 2 m/s2"; - takes true positions from stdin',
    )
    parser.add_argument(
        "--stdin",
        default="lines",
        metavar="KIND",
        help="what --profile - reads: lines (one position per line, m or rad, or with its unit) or float64 (raw, "
        "little-endian, m or rad) (default: lines)",
    )
    parser.add_argument("--seconds", metavar="TIME", help='length, "1 s" (default: that of the profile)')
    parser.add_argument(
        "--signals",
        default="cos,sin",
        metavar="NAMES",
        help="cos, sin, count, position, velocity, a, b, index: side by side in this order (default: cos,sin)",
    )
    parser.add_argument(
        "--format",
        default="float32",
        metavar="KIND",
        help="int16, int32 (codes of the converter), float32, csv or wav (default: float32)",
    )
    parser.add_argument(
        "--rate",
        metavar="RATE",
        help='samples per second, "100 kHz", in place of sampling.rate: what the axis does once per sample (noise, '
        "estimator) it then does at this rate (default: sampling.rate)",
    )
    parser.add_argument(
        "--amplitude",
        default="0.5",
        metavar="VOLTS",
        help="volts of a signal of nominal amplitude, for the scale beside a file (default: 0.5)",
    )
    parser.add_argument(
        "--paced",
        action="store_true",
        help="write each millisecond when it is due, and report the delay",
    )
    parser.add_argument(
        "-o", "--output", default=STDIN, metavar="FILE", help="file or named pipe (default: stdout)"
    )
    seed_option(parser)


def _reads(args: argparse.Namespace) -> list[str | None]:
    kind, _, name = (args.profile or "").strip().partition(" ")
    return [args.axis, name.strip()] if kind == FILE and name.strip() else [args.axis]


def _axis(job: CommandJob) -> Any:
    axis = arguments.axis(job)
    if job.args.rate is None:
        return axis
    rate = units.parse(job.args.rate, "frequency", "--rate")
    if rate <= 0.0:
        checks.refuse("--rate", "be above zero", job.args.rate)
    return replace(axis, sampling=replace(axis.sampling, rate=rate))


def _motion(job: CommandJob) -> Any:
    """A speed, a profile, or the word for stdin."""
    args = job.args
    if (args.speed is None) == (args.profile is None):
        got = checks.NOTHING if args.speed is None else f"{args.speed} and {args.profile}"
        checks.refuse("--speed or --profile", "be given, one of them", got)
    if args.profile is not None and args.profile.strip() == STDIN:
        if args.axis == STDIN:
            checks.refuse(PROFILE, "come from elsewhere than the axis file", STDIN)
        return STDIN
    return arguments.speed(job) if args.profile is None else profile_of(args.profile, job.axis)


def _samples(job: CommandJob) -> int | None:
    """Number of samples; None as long as stdin gives positions."""
    seconds, rate = arguments.seconds(job), job.axis.sampling.rate
    if seconds is None and job.motion == STDIN:
        return None
    if seconds is None and not hasattr(job.motion, "duration"):
        checks.refuse("--seconds", "be given with --speed", checks.NOTHING)
    seconds = job.motion.duration if seconds is None else seconds
    if not 1.0 <= seconds * rate <= 1 << 40:
        checks.refuse("--seconds", f"make 1 to {1 << 40} samples at {rate:g} Hz", seconds, "s")
    return round(seconds * rate)


def _names(job: CommandJob) -> list[str]:
    """Signals, each once."""
    from ..time_domain.sample_stream import SIGNALS

    names = [name.strip() for name in job.args.signals.split(",")]
    for name in names:
        _refuse_unknown("--signals", name, SIGNALS)
    if len(set(names)) < len(names):
        checks.refuse("--signals", "name each signal once", job.args.signals)
    return names


def _format(job: CommandJob) -> str:
    from ..time_domain.sample_stream import FORMATS

    _refuse_unknown("--format", job.args.format, FORMATS)
    _refuse_unknown("--stdin", job.args.stdin, ("lines", "float64"))
    return str(job.args.format)


def _refuse_unknown(option: str, word: str, known: Any) -> None:
    if word not in known:
        near = units.nearest(word, known)
        checks.refuse(
            option, f"be one of {', '.join(known)}", word, hint=f"did you mean {near}?" if near else ""
        )


def _volts(job: CommandJob) -> float:
    """Volts of the nominal amplitude."""
    text = job.args.amplitude.strip().removesuffix("V").strip()
    try:
        volts = float(text)
    except ValueError:
        volts = -1.0
    if not 0.0 < volts < 1e6:
        checks.refuse("--amplitude", 'be volts above zero, as "0.5"', job.args.amplitude)
    return volts


def _target(job: CommandJob) -> str:
    """Where the samples go; checked before anything is computed."""
    name, force = job.args.output, job.args.force
    if name == STDIN:
        if sys.stdout is not None and sys.stdout.isatty() and job.args.format != "csv":
            checks.refuse("--output", "name a file or a pipe for samples that are no text", "a terminal")
        return STDIN
    read = [os.path.realpath(path) for path in _reads(job.args) if path is not None and path != STDIN]
    if os.path.realpath(name) in read:
        checks.refuse("--output", "differ from the file that is read", name)
    try:
        files.refuse_existing(name, force=force)
        if not _special(name):
            files.refuse_existing(_sidecar(name), force=force)
    except checks.InputError as error:
        raise checks.InputError(*(replace(fault, field="--output") for fault in error.faults)) from None
    return str(name)


def _sidecar(name: str) -> str:
    return f"{name}.toml"


def _special(name: str) -> bool:
    """Whether the name is that of a pipe or a device."""
    path = Path(name)
    return path.exists() and not path.is_file()


@contextlib.contextmanager
def _opened(name: str) -> Iterator[BinaryIO]:
    """Where to write; a file appears when all is written, and not at all where that fails."""
    if name == STDIN:
        if sys.stdout is None:
            raise JobFailed("stdout is closed")
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
    elif _special(name):
        with open(name, "wb", buffering=0) as stream:
            yield stream
    else:
        target = Path(os.path.realpath(name))
        with tempfile.NamedTemporaryFile(
            dir=target.parent, prefix=f".{target.name}.", delete=False
        ) as stream:
            try:
                yield stream  # type: ignore[misc]
                stream.flush()
                os.chmod(stream.name, 0o644)
                os.replace(stream.name, target)
            except BaseException:
                os.unlink(stream.name)
                raise


def _blocks(job: CommandJob, block: int) -> Iterator[tuple[Any, int]]:
    """True positions, block by block."""
    from ..time_domain import sample_stream

    if job.motion == STDIN:
        stdin = arguments.open_stdin().buffer
        read: Callable[[int], bytes] = getattr(stdin, "read1", stdin.read)
        return sample_stream.read_blocks(read, job.args.stdin == "lines", _parser(job))
    if isinstance(job.motion, float):
        return sample_stream.steady_blocks(job.axis, job.motion, job.samples, block)
    return sample_stream.profile_blocks(job.axis, job.motion, job.samples, block)


def _parser(job: CommandJob) -> Callable[[str, int], float]:
    """Reader of one line of stdin."""
    scale = job.axis.scale
    dimension = units.on_scale("position", scale.unit)

    def parse(text: str, line: int) -> float:
        field = f"stdin, line {line}"
        try:
            value = float(text)
        except ValueError:
            return units.parse(text.strip(), dimension, field, diameter=scale.diameter)
        if not math.isfinite(value):
            checks.refuse(field, "be a finite position", text.strip())
        return value

    return parse


def _cut(blocks: Iterator[tuple[Any, int]], block: int, samples: int | None) -> Iterator[tuple[Any, int]]:
    """Blocks of at most ``block`` samples, ``samples`` in all."""
    left = samples
    for position, number in blocks:
        first = 0
        while first < number and (left is None or left > 0):
            size = min(block, number - first, number if left is None else left)
            whole = size == number
            yield (position if whole else position[first : first + size]), size
            first += size
            left = None if left is None else left - size
        if left == 0:
            return


def _stream(job: CommandJob) -> int:
    """Write all samples; returns their number."""
    from ..time_domain import sample_stream

    rate = job.axis.sampling.rate
    block = max(1, round(rate * sample_stream.TICK)) if job.args.paced else sample_stream.BLOCK
    encoder = encsim.Encoder(job.axis, job.seed)
    layout = sample_stream.SampleFormat(encoder, job.names, job.format)
    if isinstance(job.motion, float):
        encoder.lead(0.0, job.motion)
    pace, done = sample_stream.Pace(rate) if job.args.paced else None, 0
    with _opened(job.target) as stream:
        try:
            stream.write(layout.begin(job.samples))
            stream.flush()  # the other program of a loop may wait for it
            for position, number in _cut(_blocks(job, block), block, job.samples):
                content = layout.samples(position, number)
                done += number
                if pace is not None:
                    pace.wait(done)
                stream.write(content)
                stream.flush()
            if job.samples != done and job.format == "wav" and stream.seekable():
                stream.seek(0)
                stream.write(layout.begin(done))
        except BrokenPipeError:
            if pace is not None:
                _tell(job, layout, pace, block, done)
            raise
    if job.target != STDIN and not _special(job.target):
        files.write_whole(_sidecar(job.target), layout.sidecar(done, job.volts), force=job.args.force)
    _tell(job, layout, pace, block, done)
    return done


def _tell(job: CommandJob, layout: SampleFormat, pace: Pace | None, block: int, done: int) -> None:
    """What was written and what went wrong, on stderr."""
    encoder, rate = layout.encoder, job.axis.sampling.rate
    place = "stdout" if job.target == STDIN else job.target
    job.warn(f"{done} samples at {rate:g} Hz, {', '.join(job.names)} as {job.format} to {place}")
    for line in [] if pace is None else pace.told(block):
        job.warn(line)
    told = {
        "readings clipped by the converter": encoder.clipped,
        "samples in which the axis moved further than its top speed allows": encoder.too_fast,
        "counts lost": encoder.lost,
        "values limited to the range of the format": layout.limited,
    }
    for words, number in told.items():
        if number:
            job.warn(f"warning: {words}: {number}")


STREAM = Command(
    examples='  encsim stream axis.toml --speed "2 mm/s" --seconds 1 --format wav -o signals.wav\n'
    '  encsim stream axis.toml --profile "sine 1 mm, 2 Hz" --seconds 10 --signals count,velocity --format csv --paced\n'
    "  encsim stream axis.toml --profile - --signals count --format int32 | my_drive  (positions of a plant on stdin)",
    options=_options,
    reads=_reads,
    inputs={
        "seed": arguments.SEED,
        "axis": _axis,
        "motion": _motion,
        "samples": _samples,
        "names": _names,
        "format": _format,
        "volts": _volts,
        "target": _target,
    },
    compute=_stream,
    json=None,
    text=lambda job: "",
    functions=("Encoder",),
)
