"""The command about calibration: maps of rings, what a plan will show, passes and runs against a reference."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting, units
from . import arguments
from .command import Command, Output, into, picture, table
from .outputs import Faults

if TYPE_CHECKING:
    from ..calibration.c_source import CTable
    from ..calibration.error_map import ErrorMap
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration
    from ..model.axis import Axis
    from .command import CommandJob
    from .parser import Parser


# Kinds of calibration beside that of two rings.
KINDS = ("plan", "own_heads", "reference", "targets")
PLANNED = ("steps", "points")
MAPPED = ("orders", "write_map", "write_c", "into", "bound", "noise", "leave_out", "step_uncertainty")
# What a kind needs, and what it must come without; the others need readings, and come without all of these.
NEEDED: dict[str | None, tuple[str, ...]] = {"plan": PLANNED}
BARRED: dict[str | None, tuple[str, ...]] = {
    "plan": ("readings", *MAPPED),
    "own_heads": (*PLANNED, "leave_out", "step_uncertainty"),
    None: PLANNED,
}
FILE = "readings.csv"
# The C function is this part of the map's uncertainty off it, or of its largest error where nothing tells that.
FINER, COARSE = 0.1, 1e-3
# An order that is this many times its standard uncertainty is no noise.
SURE = 3.0


def _options(parser: Parser) -> None:
    parser.add_argument(
        "readings",
        metavar="readings.csv",
        nargs="?",
        help="step_deg,angle_deg,difference_arcsec: ring A minus ring B, B turned forward by each step; - is stdin",
    )
    parser.add_argument(
        "--plan",
        action="store_true",
        help="before measuring: orders that are unobservable with --steps and --points; no readings",
    )
    parser.add_argument(
        "--steps",
        metavar="STEPS",
        help='of a plan: a number of equal steps, several of them "5, 7", or angles "0 deg, 30 deg, 75 deg"',
    )
    parser.add_argument("--points", metavar="N", help="with --plan: readings per revolution")
    parser.add_argument(
        "--own-heads",
        action="store_true",
        help="one ring read by pairs of its own heads: a step is how far the second head stands ahead of the first",
    )
    parser.add_argument(
        "--reference",
        action="store_true",
        help="a pass forward and back against a reference: reference_mm,shown_mm, lengths or angles",
    )
    parser.add_argument(
        "--targets",
        action="store_true",
        help="runs to targets both ways, by ISO 230-2: target_mm,forward_um,backward_um, one run per row, deviations",
    )
    parser.add_argument(
        "--noise", metavar="ANGLE", help="standard deviation of a reading (default: from the residuals)"
    )
    parser.add_argument(
        "--leave-out", metavar="STEPS", help='steps not to use, counted from 0, "3, 8" (default: none)'
    )
    parser.add_argument(
        "--step-uncertainty",
        metavar="ANGLE",
        help="standard uncertainty of the angle of a step (default: 0 arcsec)",
    )
    parser.add_argument(
        "--ring",
        default="a",
        metavar="a|b",
        help="ring of the written map (default: a, the one that is not turned)",
    )
    parser.add_argument(
        "--orders",
        metavar="ORDERS",
        help='orders of the written map, "1-20" (default: all observable ones)',
    )
    parser.add_argument(
        "--bound",
        metavar="ANGLE",
        help="how far the C function may be from the map (default: a tenth of its uncertainty)",
    )


def _kind(job: CommandJob) -> str | None:
    """The one kind that is asked for, None for two rings; refuses what does not go with it."""
    args = job.args
    kinds = [kind for kind in KINDS if getattr(args, kind)]
    faults, option = Faults(), _option(kinds[0]) if kinds else ""
    with faults:
        if len(kinds) > 1:
            checks.refuse(option, f"come without {_option(kinds[1])}", "both")
    kind = kinds[0] if kinds else None
    for name in NEEDED.get(kind, ("readings",)):
        with faults:
            if getattr(args, name) is None:
                checks.refuse(_option(name), f"be given{f' with {option}' if option else ''}", checks.NOTHING)
    for name in BARRED.get(kind, PLANNED + MAPPED):
        with faults:
            if getattr(args, name) is not None:
                rule = f"be left out with {option}" if option else "come with --plan"
                checks.refuse(_option(name), rule, getattr(args, name))
    faults.done()
    return kind


def _option(name: str) -> str:
    return FILE if name == "readings" else f"--{name.replace('_', '-')}"


def _steps(job: CommandJob) -> list[float] | None:
    """Angles of numbers of equal steps and of angles, rad, each once unless there is but one."""
    text, angles = job.args.steps, []
    if job.kind != "plan":
        return None
    for part in text.split(","):
        if part.strip().isascii() and part.strip().isdigit():
            count = int(part)
            if not 1 <= count <= arguments.MOST_ORDERS:
                checks.refuse("--steps", f"hold numbers of steps from 1 to {arguments.MOST_ORDERS}", text)
            angles += [2.0 * math.pi * j / count for j in range(count)]
        else:
            angles.append(units.parse(part, "angle", "--steps"))
    different = list(dict.fromkeys(angles))
    return different if len(different) > 1 else angles


def _points(job: CommandJob) -> int | None:
    from ..calibration.plan import MOST_POINTS

    return arguments.count("--points", 3, MOST_POINTS)(job) if job.kind == "plan" else None


def _readings(job: CommandJob) -> Any:
    """What the file of readings holds, by the kind."""
    from ..calibration import readings

    if job.kind == "plan":
        return None
    read = {"reference": readings.read_passes, "targets": readings.read_runs}
    text, name = arguments.text_of(job.args.readings, FILE), arguments.named(job.args.readings)
    return read.get(job.kind, readings.read_differences)(text, name)


def _ring(job: CommandJob) -> str:
    ring, kind = job.args.ring, job.kind
    if kind in (None, "own_heads") and (ring not in ("a", "b") or (ring == "b" and kind)):
        checks.refuse("--ring", "be a, or b of two rings", ring)
    return ring


def _axis_of_map(job: CommandJob) -> Axis | None:
    """The axis whose file takes the map; None without one."""
    return None if job.args.into is None else encsim.load(job.args.into)


@dataclass(frozen=True)
class CalibrationAnswer:
    """What a calibration found, how it is told, and the map of it that is written."""

    result: Any
    text: Callable[[], Any]
    map_: ErrorMap | None = None
    source: CTable | None = None


def _answer(job: CommandJob) -> CalibrationAnswer:
    """What the kind asks for."""
    words, given = reporting.measurement_text, job.readings
    if job.kind == "plan":
        plan = encsim.calibration_plan(job.steps, job.points)
        return CalibrationAnswer(plan, lambda: words.plan(plan, long=job.long))
    if job.kind == "reference":
        passes = encsim.compare_passes(given.forward, given.backward, unit=given.unit)
        return CalibrationAnswer(passes, lambda: words.passes(passes, long=job.long))
    if job.kind == "targets":
        runs = encsim.bidirectional(given.target, given.forward, given.backward, unit=given.unit)
        return CalibrationAnswer(runs, lambda: words.positioning(runs, long=job.long))
    return _maps(job)


def _maps(job: CommandJob) -> CalibrationAnswer:
    """Maps of two rings, or of one by its own heads."""
    given = job.readings
    job.progress.begin(f"computing maps of {given.differences.shape[1]} points")
    result: Calibration | SelfCalibration
    if job.kind:
        result = encsim.self_calibrate(given.differences, given.steps, noise=job.noise)
    else:
        result = encsim.calibrate(
            given.differences,
            given.steps,
            weights=_weights(job.args.leave_out, len(given.steps)),
            closing=given.closing,
            noise=job.noise,
            step_uncertainty=job.step_uncertainty,
        )
    written = job.args.write_map or job.args.write_c or job.args.into
    map_ = _map(result, job) if written else None
    source = map_.c_table(bound=_bound(map_, job.bound)) if map_ and job.args.write_c else None
    words = reporting.measurement_text
    tell = words.own_heads if job.kind else words.rings
    return CalibrationAnswer(result, lambda: tell(result, source, long=job.long), map_, source)


def _weights(text: str | None, count: int) -> list[float] | None:
    """Weight 0 for the steps to leave out, 1 for the others."""
    if text is None:
        return None
    left_out = arguments.orders_of(text, "--leave-out", low=0)
    if left_out[-1] >= count:
        checks.refuse("--leave-out", f"be steps from 0 to {count - 1}", left_out[-1])
    return [0.0 if step in left_out else 1.0 for step in range(count)]


def _map(result: Calibration | SelfCalibration, job: CommandJob) -> ErrorMap:
    """The map to write, of the orders asked for."""
    ring = (job.ring,) if job.kind is None else ()
    whole = result.error_map(*ring)
    return whole if job.orders is None else whole.smooth(job.orders)


def _bound(map_: ErrorMap, bound: float | None) -> float:
    """How far the C function may be off the map."""
    if bound is not None:
        return bound
    sure, largest = map_.uncertainty, map_.largest()
    return FINER * sure if math.isfinite(sure) and sure > 0.0 else COARSE * largest or 1e-9


def _compensation(job: CommandJob) -> dict[str, Any] | None:
    """The orders of the map that stand out of its noise, or those asked for, {path: SI}."""
    map_ = job.result.map_
    if map_ is None:
        return None
    if job.axis_of_map.ring is None:
        checks.refuse(
            "--into", "name an axis file with a [ring], whose compensation the map is", job.args.into
        )
    orders = map_.compensation(job.orders)
    sure = map_.order_uncertainty
    if job.orders is None and sure is not None:
        kept = {n: line for n, line in orders.items() if not line[0] <= SURE * sure[n - 1]}
        job.warn(f"{len(kept)} of {len(orders)} orders stand out of the noise of the map, and are written")
        orders = kept
    if job.axis_of_map.ring.compensation:
        job.warn("ring.compensation is replaced: the readings must have been taken without it")
    return {"ring.compensation": dict(orders)}


def _json(job: CommandJob) -> dict[str, Any]:
    source = job.result.source
    extra = {} if source is None else {"c_bound": source.bound, "c_size": source.size}
    return job.result.result.to_dict() | extra


def _tell_reasons(job: CommandJob) -> None:
    """Reasons for doubt, which beside a table on stdout nobody would see."""
    if "-" in (job.args.csv, job.args.write_map, job.args.write_c):
        for reason in job.result.result.reasons:
            job.warn(reason)


# What errors of the library call, in words of this command.
NAMES = {"weights": "--leave-out", "c_table": "--bound", "smooth": "--orders", "error": "map"}


def _in_words(job: CommandJob, fault: checks.Fault) -> checks.Fault:
    """A fault of what the readings hold under the name of their file."""
    owner, _, name = fault.field.partition(".")
    of_readings = ("differences", "angles", "forward", "backward", "target", "closing", "steps")
    if owner not in CALIBRATE.functions or job.known("kind") == "plan":
        return fault
    if re.split(r"[.\[]", name)[0] in of_readings:
        return replace(fault, field=arguments.named(job.args.readings))
    return fault


CALIBRATE = Command(
    examples="  encsim calibrate --plan --steps 11 --points 720\n"
    '  encsim calibrate readings.csv --plot maps.svg --write-c ring_error.c --orders 1-20 --bound "0.02 arcsec"',
    options=_options,
    reads=lambda args: [args.readings],
    inputs={
        "kind": _kind,
        "steps": _steps,
        "points": _points,
        "readings": _readings,
        "noise": arguments.quantity("--noise", "angle"),
        "step_uncertainty": arguments.quantity("--step-uncertainty", "angle", 0.0),
        "bound": arguments.quantity("--bound", "angle"),
        "orders": arguments.orders("--orders"),
        "ring": _ring,
        "axis_of_map": _axis_of_map,
    },
    compute=_answer,
    outputs=[
        table("both maps, or the comparison", lambda job: job.result.result),
        picture("draw the result", lambda job: job.result.result.plot()),
        into("the map, as ring.compensation,", _compensation),
        Output(
            "--write-map",
            "write that map as a table; - is stdout",
            lambda job: job.result.map_ and job.result.map_.to_csv_text(),
        ),
        Output(
            "--write-c",
            "write that map as C source; - is stdout",
            lambda job: job.result.source and job.result.source.text,
        ),
    ],
    json=_json,
    text=lambda job: job.result.text(),
    finish=_tell_reasons,
    functions=(
        "calibrate",
        "self_calibrate",
        "calibration_plan",
        "compare_passes",
        "bidirectional",
        "ErrorMap",
    ),
    names=NAMES,
    reword=_in_words,
)
