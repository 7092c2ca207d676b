"""Commands about recordings: identify, compare, separate, fit."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting, wording
from . import arguments
from .command import Command, Output, into, picture
from .outputs import JobFailed
from .parser import axis_option

if TYPE_CHECKING:
    from ..calibration.error_map import ErrorMap
    from ..checks import Fault
    from ..presentation.report_layout import Report
    from ..recordings.capture import Capture
    from .command import CommandJob
    from .parser import Parser


ASSUMED_RATE = 16e3
TURN = 2.0 * math.pi
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
        parser.add_argument(name, dest=name_inside, metavar=letters, help=f"{text} (default: detected)")


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
        help='signal period, "20 um" or "0.04 deg": also shows the faults as position error (default: that of the axis '
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


def _of_channels(result: Any) -> bool:
    """Whether a recording showed the two channels of an encoder, not counts or positions."""
    return hasattr(result, "signal")


def _fitted_values(job: CommandJob) -> dict[str, Any] | None:
    """The fields of the signal that were fitted, {path: SI}."""
    fit = job.result
    if not _of_channels(fit):
        rule = "be left out for counts and positions"
        checks.refuse(
            "--into", rule, job.args.into, hint='encsim fit axis.toml capture.csv --free "signal.sde.1"'
        )
    if not fit.valid:
        return None
    names = [name for name in fit.uncertainty if hasattr(fit.signal, name)]
    names += ["jitter_bandwidth"] if fit.signal.jitter_bandwidth is not None else []
    return {f"signal.{name}": getattr(fit.signal, name) for name in names}


def _set_values(job: CommandJob) -> dict[str, Any] | None:
    """The same, with a word where the file gives an error that the fit has too."""
    from ..formats import axis_file

    values, name = _fitted_values(job), job.args.into
    if values and axis_file.load(name).signal.sde:
        job.warn(
            f"{name}: signal.sde stays and adds to the identified errors; take it out if it is the same error"
        )
    return values


def _fitted_axis(job: CommandJob) -> str | None:
    """Text of an axis file with the fitted signal."""
    fit, args = job.result, job.args
    if not _of_channels(fit):
        checks.refuse("--write-axis", "be left out for counts and positions", args.write_axis)
    if not fit.valid:
        return None
    from ..formats import edited_files

    plain = encsim.Axis(job.scale, sampling=encsim.Sampling(ASSUMED_RATE)).to_toml()
    text = edited_files.with_values(plain, _fitted_values(job) or {})
    note = f"The loop rate is not known from a capture: {ASSUMED_RATE / 1e3:g} kHz is assumed"
    job.warn(f"{note}; set sampling.rate in {args.write_axis}")
    return f"# Signal fitted to {checks.one_line(arguments.named(args.capture))}.\n# {note}.\n{text}"


def _refuse_channels(job: CommandJob) -> None:
    if _of_channels(job.result) and not job.result.valid:
        raise JobFailed(f"the fit is refused: {'; '.join(job.result.reasons)}")


def _table(job: CommandJob) -> str:
    """Table of the cyclic error for a controller."""
    if _of_channels(job.result):
        rule = "be left out for channels"
        checks.refuse(
            "--csv", rule, job.args.csv, hint="encsim period axis.toml --csv writes the error of an axis"
        )
    return job.result.correction_csv()


def _map(job: CommandJob) -> ErrorMap | None:
    """Correction table of a fit that is reliable; the period of counts must be known."""
    if not job.result.valid:
        return None
    if not _of_channels(job.result) and not job.result.harmonics:
        checks.refuse("--period", "be given for a correction table", checks.NOTHING)
    return job.result.error_map()


def _map_in_c(job: CommandJob) -> str | None:
    """The correction table as C source, off the map by a tenth of its uncertainty or a hundredth of its size."""
    map_ = _map(job)
    if map_ is None:
        return None
    finest = max(0.1 * map_.uncertainty, 0.01 * map_.largest(), 1e-9)
    above = "/* Cyclic error of an encoder: one turn of the angle is one signal period. */\n"
    return above + map_.c_table(bound=finest, name="cyclic_error").text


def _tell_correction(job: CommandJob) -> None:
    """What the correction table makes of the cyclic error of this recording."""
    result = job.result
    if _of_channels(result):
        both = result.cyclic
        size, unit = (job.scale.pitch / TURN, job.scale.unit) if job.scale else (1.0, "rad")
    else:
        size, unit = 1.0, result.unit
        better = encsim.Capture(
            "position", job.capture.rate, job.capture.time, position=result.corrected(_positions(job))
        )
        again = encsim.identify(better, period=result.period)
        both = [sum(0.5 * a * a for a, _ in found.harmonics.values()) ** 0.5 for found in (result, again)]
    if both[1] == both[1]:
        before, after = (wording.show(size * part, unit) for part in both)
        job.warn(f"cyclic error of this recording {before} rms, {after} rms after correction by the table")
    elif both[0] == both[0]:
        job.warn("the cyclic error is too large a part of a period for a table to take it out")
    else:
        job.warn("without smooth motion the recording does not show what the table makes of its cyclic error")


def _positions(job: CommandJob) -> Any:
    """Positions of the recording in the unit of its result."""
    capture = job.capture
    return capture.position if capture.position is not None else capture.count


def _finish(job: CommandJob) -> None:
    _refuse_channels(job)
    if job.args.write_map or job.args.write_c:
        _tell_correction(job)


def _identified(job: CommandJob) -> Report:
    """Text of what channels, or counts and positions show."""
    if _of_channels(job.result):
        return reporting.axis_tables.fit(job.result, job.scale, job.capture.notes, long=job.long)
    return reporting.measurement_text.motion(job.result, job.capture.notes, long=job.long)


def _draw_identified(job: CommandJob) -> Any:
    """Counts and positions, or channels whose fit is reliable."""
    if not _of_channels(job.result):
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
        into("the fitted signal", _set_values),
        Output(
            "--write-map",
            "write the correction table over one signal period, its angle the signal phase; - is stdout",
            lambda job: (map_ := _map(job)) and map_.to_csv_text(),
        ),
        Output("--write-c", "write that table as C source; - is stdout", _map_in_c),
        Output(
            "--csv", "write the error over one period of counts or positions as a table; - is stdout", _table
        ),
    ],
    text=_identified,
    finish=_finish,
    functions=("identify",),
)


def _one_capture(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "capture", metavar="capture.csv", help="recording: text, NPY, NPZ, MAT, WAV, also gzipped"
    )
    reading_options(parser)


def _captures(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "captures",
        metavar="capture.csv",
        nargs="+",
        help="recordings, best at several speeds and with torque",
    )
    reading_options(parser)


def _several_captures(parser: Parser) -> None:
    _captures(parser)
    parser.add_argument(
        "--common-origin",
        action="store_true",
        help="all recordings count the position from the same place (default: detected)",
    )


def _fit_options(parser: Parser) -> None:
    _several_captures(parser)
    parser.add_argument(
        "--free",
        metavar="KEYS",
        help='keys of the axis file to fit, separated by commas: "signal.gain, load.coulomb"',
    )


def _read_all(job: CommandJob) -> list[Capture]:
    return [read_capture(job, name) for name in job.args.captures]


def _free(job: CommandJob) -> list[str]:
    names = [name.strip() for name in (job.args.free or "").split(",") if name.strip()]
    if not names:
        rule, hint = "name at least one key of the axis file", 'as in --free "load.viscous"'
        checks.refuse("--free", rule, job.args.free or checks.NOTHING, hint=hint)
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


def _of_file(job: CommandJob, fault: Fault) -> Fault:
    """A fault of a capture as one of its file."""
    found = re.fullmatch(
        r"(?:Capture|(?:compare|separate|fit)\.captures?)(?:\[(\d+)\])?(?:\..*)?", fault.field
    )
    files = job.args.captures if hasattr(job.args, "captures") else [job.args.capture]
    if found is None:
        return fault
    if found[1] is None and len(files) > 1:
        return replace(fault, field="recordings")
    return replace(fault, field="recording", source=files[int(found[1] or 0)])


COMPARE = Command(
    examples="  encsim compare axis.toml capture.csv\n  encsim compare axis.toml capture.csv --plot compared.svg",
    options=_one_capture,
    reads=lambda args: [args.axis, args.capture],
    inputs={"axis": arguments.axis, "capture": capture},
    compute=lambda job: encsim.compare(job.axis, job.capture),
    outputs=[picture("draw the measured spectrum with what the axis explains")],
    text=lambda job: reporting.measurement_text.comparison(job.result, long=job.long),
    functions=("compare",),
    reword=_of_file,
)


SEPARATE = Command(
    examples="  encsim separate axis.toml slow.csv fast.csv\n"
    "  encsim separate axis.toml slow.csv fast.csv back.csv --plot owners.svg",
    options=_several_captures,
    reads=lambda args: [args.axis, *args.captures],
    inputs={"axis": arguments.axis, "captures": _read_all},
    compute=lambda job: encsim.separate(job.captures, job.axis, common_origin=job.args.common_origin),
    outputs=[picture("draw the orders of the encoder and those of the machine")],
    text=lambda job: reporting.measurement_text.separation(job.result, long=job.long),
    functions=("separate",),
    reword=_of_file,
)


FIT = Command(
    examples='  encsim fit axis.toml capture.csv --free "signal.gain, signal.jitter"\n'
    '  encsim fit axis.toml slow.csv fast.csv --free "load.viscous, load.coulomb" --into axis.toml',
    options=_fit_options,
    reads=lambda args: [args.axis, *args.captures],
    inputs={"axis": arguments.axis, "captures": _read_all, "free": _free},
    compute=lambda job: encsim.fit(job.axis, job.captures, job.free, common_origin=job.args.common_origin),
    outputs=[
        picture("draw the ripple curve of the fitted axis with the points of the recordings"),
        into("the fitted keys", _fitted),
    ],
    text=lambda job: reporting.measurement_text.fitted(job.result, long=job.long),
    finish=_refuse_invalid,
    functions=("fit",),
    reword=_of_file,
    names={"free": "--free"},
)
