"""Commands that set recordings beside an axis: compare, separate, fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from . import arguments, axis_commands
from .command import Command, into, picture
from .outputs import JobFailed
from .parser import axis_option

if TYPE_CHECKING:
    from ..recordings.capture import Capture
    from .command import CommandJob
    from .parser import Parser


def _one_capture(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "capture", metavar="capture.csv", help="recording: text, NPY, NPZ, MAT, WAV, also gzipped"
    )
    axis_commands.reading_options(parser)


def _captures(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "captures",
        metavar="capture.csv",
        nargs="+",
        help="recordings, best at several speeds and with torque",
    )
    axis_commands.reading_options(parser)


def _fit_options(parser: Parser) -> None:
    _captures(parser)
    parser.add_argument(
        "--free",
        metavar="KEYS",
        help='keys of the axis file to fit, separated by commas: "signal.gain, load.coulomb"',
    )


def _read_all(job: CommandJob) -> list[Capture]:
    return [axis_commands.read_capture(job, name) for name in job.args.captures]


def _free(job: CommandJob) -> list[str]:
    names = [name.strip() for name in (job.args.free or "").split(",") if name.strip()]
    if not names:
        checks.refuse("--free", "name at least one key of the axis file", job.args.free or checks.NOTHING)
    return names


def _fitted(job: CommandJob) -> dict[str, Any] | None:
    """Whole fields that were fitted, {section.key: SI}."""
    if not job.result.valid:
        return None
    from ..formats import changes

    fields = {".".join(name.split(".")[:2]) for name in job.result.values}
    return {name: changes.value(job.result.axis, name) for name in sorted(fields)}


def _refuse_invalid(job: CommandJob) -> None:
    if not job.result.valid and job.args.into:
        raise JobFailed(f"{job.args.into} is unchanged: {'; '.join(job.result.reasons)}")


COMPARE = Command(
    examples="  encsim compare axis.toml capture.csv\n  encsim compare axis.toml capture.csv --plot compared.svg",
    options=_one_capture,
    reads=lambda args: [args.axis, args.capture],
    inputs={"axis": arguments.axis, "capture": axis_commands.capture},
    compute=lambda job: encsim.compare(job.axis, job.capture),
    outputs=[picture("draw the measured spectrum with what the axis explains")],
    text=lambda job: reporting.measurement_text.comparison(job.result, long=job.long),
    functions=("compare",),
)


SEPARATE = Command(
    examples="  encsim separate axis.toml slow.csv fast.csv\n"
    "  encsim separate axis.toml slow.csv fast.csv back.csv --plot owners.svg",
    options=_captures,
    reads=lambda args: [args.axis, *args.captures],
    inputs={"axis": arguments.axis, "captures": _read_all},
    compute=lambda job: encsim.separate(job.captures, job.axis),
    outputs=[picture("draw the orders of the encoder and those of the machine")],
    text=lambda job: reporting.measurement_text.separation(job.result, long=job.long),
    functions=("separate",),
)


FIT = Command(
    examples='  encsim fit axis.toml capture.csv --free "signal.gain, signal.jitter"\n'
    '  encsim fit axis.toml slow.csv fast.csv --free "load.viscous, load.coulomb" --into axis.toml',
    options=_fit_options,
    reads=lambda args: [args.axis, *args.captures],
    inputs={"axis": arguments.axis, "captures": _read_all, "free": _free},
    compute=lambda job: encsim.fit(job.axis, job.captures, job.free),
    outputs=[
        picture("draw the ripple curve of the fitted axis with the points of the recordings"),
        into("the fitted keys", _fitted),
    ],
    text=lambda job: reporting.measurement_text.fitted(job.result, long=job.long),
    finish=_refuse_invalid,
    functions=("fit",),
    names={"free": "--free"},
)
