"""The command about a mounted ring."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting, units
from . import arguments
from .command import Command, picture, table
from .outputs import Faults
from .parser import axis_option

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..calibration.readings import RunOut
    from ..model.axis import Axis
    from ..reporting.ring_text import RingResults
    from ..rings.budget import Contribution
    from ..rings.centring import Centring
    from ..rings.growth import Expansion, SeatFit
    from ..rings.heads import HeadSearch
    from ..rings.tolerances import Seat
    from .command import CommandJob
    from .parser import Parser


# Density kg/m3, modulus Pa, Poisson's ratio, expansion 1/K: round figures, common practice, no source.
MATERIALS = {
    "steel": (7800.0, 210e9, 0.30, 11.5e-6),
    "stainless": (7900.0, 200e9, 0.30, 16e-6),
    "aluminium": (2700.0, 70e9, 0.33, 23e-6),
}
EVEN = (1, 2, 3, 4)
# Orders of the form of a face.
FACE = (1, 2, 3, 4)
# Options that say nothing without another.
NEEDED = {
    "--suppress": "--find-heads", "--sectors": "--find-heads", "--spacing": "--find-heads",
    "--seat": "--require", "--yield-stress": "--speed", "--repeatability": "--run-out", "--step": "--run-out",
}  # fmt: skip


def _options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--heads", metavar="ANGLES", help='where heads stand, "0 deg, 180 deg" (default: as in the axis file)'
    )
    parser.add_argument(
        "--find-heads", metavar="N", help="search angles for 2, 3 or 4 heads with the least error"
    )
    parser.add_argument(
        "--suppress",
        metavar="ORDERS",
        help='orders to suppress, "2, 3, 6-8" (default: those of the ring, by size)',
    )
    parser.add_argument(
        "--sectors",
        metavar="RANGES",
        help='where they may stand, "0 deg : 120 deg, 180 deg : 300 deg" (default: anywhere)',
    )
    parser.add_argument(
        "--spacing", metavar="ANGLE", help="smallest angle between two of them (default: none)"
    )
    parser.add_argument(
        "--require",
        metavar="ANGLE",
        help='largest error allowed, "5 arcsec": also shows the tolerance of each fault of the mounting',
    )
    parser.add_argument(
        "--seat",
        metavar="LENGTHS",
        help='height of the track above the middle of the ring and radius at which a face carries it, "2 mm, 60 mm": '
        "with --require also the flatness that this face needs, by order",
    )
    parser.add_argument(
        "--speed", help='growth and stress at a speed, "3000 rpm"; safety needs --yield-stress too'
    )
    parser.add_argument("--temperature", metavar="RISE", help='growth by a rise of temperature, "20 K"')
    parser.add_argument(
        "--material",
        default="steel",
        metavar="NAME",
        help=f"typical values of {', '.join(MATERIALS)} for both (default: steel)",
    )
    parser.add_argument(
        "--shaft-material",
        metavar="NAME",
        help="that of the shaft: play of the ring on it at that speed and temperature, where [ring] has bore and shaft",
    )
    parser.add_argument("--yield-stress", metavar="STRESS", help='at which your ring yields, "300 MPa"')
    parser.add_argument(
        "--run-out",
        metavar="FILE",
        help="readings round the ring: angle_deg,reading_um of a dial gauge (and axial_um), or "
        "angle_deg,difference_arcsec of two heads; says where and how far to shift the ring",
    )
    parser.add_argument(
        "--repeatability",
        metavar="LENGTH",
        help="movement of the ring when it is tightened, rms in each direction (default: 0 um)",
    )
    parser.add_argument(
        "--step", metavar="LENGTH", help="smallest step to which a screw can be set (default: 0 um)"
    )


def _ring_axis(job: CommandJob) -> Axis:
    """The axis of the file, which must have a ring, with the heads of the option."""
    axis, heads = arguments.axis(job), job.args.heads
    if axis.ring is None:
        hint, source = (
            '"encsim new turntable.toml --rotary" writes one to copy',
            arguments.named(job.args.axis),
        )
        rule = "be given to tell the errors of its mounting"
        raise checks.InputError(checks.Fault("[ring]", rule, checks.NOTHING, hint=hint, source=source))
    return axis if heads is None else replace(axis, heads=arguments.angles_of(heads, "--heads"))


def _sectors(job: CommandJob) -> tuple[tuple[float, ...], ...] | None:
    """Ranges ``"0 deg : 120 deg, 180 deg : 300 deg"`` as pairs, rad."""
    text = job.args.sectors
    if text is None:
        return None
    pairs = [part.split(":") for part in text.split(",")]
    if any(len(pair) != 2 for pair in pairs):
        checks.refuse("--sectors", 'be ranges of two angles, as "0 deg : 120 deg"', text)
    return tuple(tuple(units.parse(end, "angle", "--sectors") for end in pair) for pair in pairs)


def _seat(job: CommandJob) -> Seat | None:
    """The face that carries the ring."""
    from ..rings.tolerances import Seat

    text = job.args.seat
    if text is None:
        return None
    parts = text.split(",")
    if len(parts) != 2:
        checks.refuse("--seat", 'be a height and a radius, as "2 mm, 60 mm"', text)
    return Seat(*(units.parse(part, "length", "--seat") for part in parts))


def _material(option: str) -> Callable[[CommandJob], tuple[float, ...] | None]:
    """Reader of an option that names a material; it gives None where that is left out."""

    def read(job: CommandJob) -> tuple[float, ...] | None:
        name = job.option(option)
        return None if name is None else _figures(name, option)

    return read


def _figures(name: str, option: str) -> tuple[float, ...]:
    if name not in MATERIALS:
        near = units.nearest(name, MATERIALS)
        hint = f'did you mean "{near}"?' if near else ""
        checks.refuse(option, f"be {' or '.join(MATERIALS)}", name, hint=hint)
    return MATERIALS[name]


def _run_out(job: CommandJob) -> RunOut | None:
    from ..calibration import readings

    name = job.args.run_out
    if name is None:
        return None
    return readings.read_run_out(arguments.text_of(name, "--run-out"), arguments.named(name))


def _check_alone(job: CommandJob) -> None:
    """Refuse options that say nothing without another."""
    faults = Faults()
    for option, other in NEEDED.items():
        if job.option(option) is not None and job.option(other) is None:
            with faults:
                checks.refuse(option, f"come with {other}", job.option(option))
    faults.done()


def _answers(job: CommandJob) -> RingResults:
    """All results that were asked for."""
    ring, heads = job.axis.ring, job.axis.heads
    even = (tuple(2.0 * math.pi * j / count for j in range(count)) for count in EVEN)
    allowed = job.require
    centring = _centring(job)
    return reporting.ring_text.RingResults(
        curve=encsim.ring_curve(ring, heads),
        compared=tuple(encsim.ring_curve(ring, places, points=8) for places in even),
        budget=encsim.ring_budget(ring, heads, extra=_signal(job.axis), radius=ring.radius),
        search=_head_search(job),
        growth=_growth(job, job.temperature or 0.0),
        fit=_fit(job),
        tolerances=None
        if allowed is None
        else encsim.ring_tolerances(
            ring, allowed, heads, alpha=job.material[3], seat=job.seat, face=FACE if job.seat else ()
        ),
        centring=centring,
        remaining=None
        if centring is None
        else encsim.after_tightening(
            ring.diameter,
            repeatability=job.repeatability,
            step=job.step,
            uncertainty=centring.uncertainty,
            before=centring.eccentricity,
        ),
    )


def _head_search(job: CommandJob) -> HeadSearch | None:
    """Angles of heads for the orders asked for, else for those of the ring."""
    if job.find_heads is None:
        return None
    wanted = job.axis.ring if job.suppress is None else job.suppress
    return encsim.find_heads(wanted, job.find_heads, sectors=job.sectors, spacing=job.spacing)


def _growth(job: CommandJob, temperature: float) -> Expansion | None:
    """Growth and stress at the speed asked for and a temperature."""
    if job.speed is None and job.temperature is None:
        return None
    density, modulus, poisson, alpha = job.material
    return encsim.expansion(
        job.axis.ring,
        job.speed or 0.0,
        temperature,
        density=density,
        modulus=modulus,
        poisson=poisson,
        alpha=alpha,
        yield_stress=job.yield_stress,
    )


def _fit(job: CommandJob) -> SeatFit | None:
    """Play on the shaft at the speed and temperature asked for."""
    from ..rings.growth import ring_fit

    if job.shaft_material is None:
        return None
    spun = _growth(job, 0.0)
    return ring_fit(
        job.axis.ring,
        job.temperature or 0.0,
        alpha=job.material[3],
        shaft_alpha=job.shaft_material[3],
        bore_growth=(spun.bore_growth if spun else None) or 0.0,
    )


def _centring(job: CommandJob) -> Centring | None:
    """How the ring sits by its run-out."""
    from ..model.ring_geometry import arranged

    given, ring = job.run_out, job.axis.ring
    if given is None:
        return None
    # as many lobes as the readings can tell beside the eccentricity, and one reading over
    orders = [n for n in (2, 3) if len(given.angles) >= 2 * n + 2]
    if given.source == "gauge":
        axial = {} if given.axial is None else {"axial": given.axial, "axial_radius": ring.radius}
        return encsim.centre_by_gauge(given.angles, given.readings, ring.diameter, orders=orders, **axial)
    pair = tuple(head.angle for head in arranged(job.axis.heads)[0])[:2]
    pair = pair if len(pair) == 2 else (0.0, math.pi)
    return encsim.centre_by_heads(given.angles, given.readings, ring.diameter, heads=pair, orders=orders)


def _signal(axis: Axis) -> list[Contribution]:
    """Contributions of the signal: its error within the period, counts, jitter."""
    error = encsim.position_error(axis)
    most = max(error.amplitude, default=0.0)
    lines = [
        encsim.Contribution(f"signal, {order} per period", float(size), "arcsine")
        for order, size in zip(error.harmonic, error.amplitude, strict=True)
        if size > 0.01 * most
    ]
    if axis.resolution:
        lines.append(encsim.Contribution("counts", 0.5 * axis.resolution, "rectangular"))
    if axis.signal.jitter:
        lines.append(encsim.Contribution("jitter", axis.signal.jitter))
    return lines


def _in_words(job: CommandJob, fault: checks.Fault) -> checks.Fault:
    """A fault of the ring under its key in the file, one of the seat under its option."""
    owner, _, name = fault.field.partition(".")
    if owner == "Ring":
        return replace(fault, field=f"ring.{name}", source=fault.source or arguments.named(job.args.axis))
    return replace(fault, field="--seat") if owner == "Seat" else fault


def _json(job: CommandJob) -> dict[str, Any]:
    """All of it as plain values."""
    from ..rings.growth import CAUTIONS

    parts = {
        name: getattr(job.result, name)
        for name in ("budget", "search", "growth", "tolerances", "centring", "remaining")
    }
    if job.result.fit is not None:
        parts["fit"] = job.result.fit
    shown = ("heads", "rms", "peak", "arc")
    compared = [one.to_dict() for one in job.result.compared]
    return {
        **job.result.curve.to_dict(),
        "equally_spaced": [{name: one[name] for name in shown} for one in compared],
        **{name: None if part is None else part.to_dict() for name, part in parts.items()},
        "cautions": list(CAUTIONS),
    }


RING = Command(
    examples="  encsim ring table.toml --plot ring.svg\n"
    "  encsim ring table.toml --find-heads 3 --suppress 2,3,6\n"
    '  encsim ring table.toml --require "5 arcsec" --speed "3000 rpm" --yield-stress "300 MPa"',
    options=_options,
    reads=lambda args: [args.axis, args.run_out or None],
    inputs={
        "axis": _ring_axis,
        "speed": arguments.quantity("--speed", "speed(rad/s)"),
        "temperature": arguments.quantity("--temperature", "temperature"),
        "yield_stress": arguments.quantity("--yield-stress", "stress"),
        "require": arguments.quantity("--require", "angle"),
        "repeatability": arguments.quantity("--repeatability", "length", 0.0),
        "step": arguments.quantity("--step", "length", 0.0),
        "spacing": arguments.quantity("--spacing", "angle", 0.0),
        "find_heads": arguments.count("--find-heads", 2, 4),
        "suppress": arguments.orders("--suppress"),
        "sectors": _sectors,
        "seat": _seat,
        "material": _material("--material"),
        "shaft_material": _material("--shaft-material"),
        "run_out": _run_out,
        "alone": _check_alone,
    },
    work="computing the ring",
    compute=_answers,
    outputs=[
        table("the error over a revolution", lambda job: job.result.curve),
        picture("draw error, heads and orders", lambda job: job.result.curve.plot()),
        picture(
            "draw ring and heads to scale, the error enlarged",
            lambda job: job.result.curve.plot_polar(),
            "--plot-polar",
        ),
    ],
    json=_json,
    reword=_in_words,
    text=lambda job: reporting.ring_text.ring(
        job.result, job.args.material, long=job.long, cautious=not job.args.quiet
    ),
    functions=(
        "Axis",
        "find_heads",
        "expansion",
        "ring_tolerances",
        "after_tightening",
        "centre_by_gauge",
        "centre_by_heads",
    ),
    names={
        "count": "--find-heads", "orders": "--suppress", "limit": "--require", "sectors": "--sectors",
        "angles": "--run-out", "readings": "--run-out", "difference": "--run-out", "axial": "--run-out",
    },
)  # fmt: skip
