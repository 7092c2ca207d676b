"""The command about a mounted ring: arguments to objects to results; every formula is elsewhere."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..calibration import readings
from ..reporting import ring_text
from ..rings.growth import CAUTIONS
from . import arguments, outputs, ring_arguments
from .outputs import Delivery, Faults, Progress

if TYPE_CHECKING:
    import argparse

    from ..calibration.readings import RunOut
    from ..model.axis import Axis
    from ..model.ring_geometry import Ring
    from ..rings.budget import Contribution
    from ..rings.centring import Centring
    from ..rings.growth import Expansion
    from ..rings.heads import HeadSearch
    from ..rings.residual_eccentricity import Remaining


# Density kg/m3, modulus Pa, Poisson's ratio, expansion 1/K: round figures, common practice, no source.
MATERIALS = {
    "steel": (7800.0, 210e9, 0.30, 11.5e-6),
    "stainless": (7900.0, 200e9, 0.30, 16e-6),
    "aluminium": (2700.0, 70e9, 0.33, 23e-6),
}
EVEN = (1, 2, 3, 4)
OWNERS = {
    "find_heads",
    "expansion",
    "ring_tolerances",
    "after_tightening",
    "centre_by_gauge",
    "centre_by_heads",
}
NAMES = {
    "count": "--find-heads", "orders": "--suppress", "limit": "--require", "step": "--step", "angles": "--run-out",
    "readings": "--run-out", "difference": "--run-out", "axial": "--run-out", "heads": "--heads",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class RingAnswers:
    """Everything about a ring that was asked for; None what was not.

    Attributes
    ----------
    curve : RingCurve
    compared : tuple of RingCurve
        One to four heads, equally spaced.
    budget : Budget
    search : HeadSearch or None
    growth : Expansion or None
    tolerances : Tolerances or None
    centring : Centring or None
    remaining : Remaining or None
    """

    curve: object
    compared: tuple
    budget: object
    search: object = None
    growth: object = None
    tolerances: object = None
    centring: object = None
    remaining: object = None

    def plain(self) -> dict[str, Any]:
        """All of it as plain values."""
        extra = ("budget", "search", "growth", "tolerances", "centring", "remaining")
        parts = {name: getattr(self, name) for name in extra}
        equal = [
            {name: one.to_dict()[name] for name in ("heads", "rms", "peak", "arc")} for one in self.compared
        ]
        return {
            **self.curve.to_dict(),
            "equally_spaced": equal,
            **{name: None if part is None else part.to_dict() for name, part in parts.items()},
            "cautions": list(CAUTIONS),
        }


def ring(args: argparse.Namespace) -> int:
    """Errors of a mounted ring, what heads leave of them, and what else was asked of it."""
    faults = Faults()
    with faults:
        read = [args.axis, *filter(None, [args.run_out])]
        outputs.check_targets(args, ["--csv", "--plot", "--plot-polar"], read)
    axis = _ring_axis(args, faults)
    asked = _asked(args, faults)
    faults.done()
    with Progress(args, "computing the ring"), ring_arguments.told(OWNERS, NAMES):
        found = _found(axis, asked)
    delivery = Delivery(args)
    delivery.json(found.plain)
    delivery.table(found.curve)
    delivery.picture(args.plot, found.curve.plot)
    delivery.picture(args.plot_polar, found.curve.plot_polar)
    delivery.report(lambda: ring_text.ring(found, args.material, cautious=not args.quiet))
    delivery.send()
    return 0


def _ring_axis(args: argparse.Namespace, faults: Faults) -> Axis | None:
    """The axis of the file with the heads of the option; None where it is wrong."""
    axis = arguments.read_axis(args, faults)
    if axis is not None and axis.ring is None:
        hint = '"encsim new turntable.toml --rotary" shows its keys'
        with faults:
            source = arguments.named(args.axis)
            rule = "be given to tell the errors of its mounting"
            raise checks.InputError(checks.Fault("[ring]", rule, checks.NOTHING, hint=hint, source=source))
        return None
    if axis is not None and args.heads is not None:
        with faults, ring_arguments.told({"Axis"}, {"heads": "--heads"}):
            return replace(axis, heads=ring_arguments.angles_of(args.heads, "--heads"))
    return axis


def _asked(args: argparse.Namespace, faults: Faults) -> dict[str, Any]:
    """What was asked beside the errors, in SI."""
    asked = {}

    def ask(name: str, make: Callable[..., Any]) -> None:
        with faults:
            asked[name] = make()

    quantities = {"speed": "speed(rad/s)", "temperature": "temperature", "yield_stress": "stress", "require": "angle",
                  "repeatability": "length", "step": "length", "spacing": "angle"}  # fmt: skip
    for name, dimension in quantities.items():
        ask(
            name,
            lambda n=name, d=dimension: ring_arguments.quantity(
                getattr(args, n), d, f"--{n.replace('_', '-')}"
            ),
        )
    ask("find_heads", lambda: _count(args.find_heads))
    ask("suppress", lambda: args.suppress and ring_arguments.orders_of(args.suppress, "--suppress"))
    ask("sectors", lambda: ring_arguments.sectors_of(args.sectors, "--sectors"))
    ask("material", lambda: _material(args.material))
    ask("run_out", lambda: _run_out(args.run_out))
    ask("alone", lambda: _check_alone(args))
    return asked


def _count(text: str | None) -> int | None:
    return None if text is None else arguments.whole_number(text, "--find-heads", 2, 4)


def _material(name: str) -> tuple[float, float, float, float] | None:
    if name not in MATERIALS:
        near = units.nearest(name, MATERIALS)
        hint = f'did you mean "{near}"?' if near else ""
        checks.refuse("--material", f"be {' or '.join(MATERIALS)}", name, hint=hint)
    return MATERIALS[name]


def _run_out(name: str | None) -> RunOut | None:
    if name is None:
        return None
    return readings.read_run_out(arguments.text_of(name, "--run-out"), arguments.named(name))


def _check_alone(args: argparse.Namespace) -> None:
    """Refuse options that say nothing without another."""
    needed = {"suppress": "find_heads", "sectors": "find_heads", "spacing": "find_heads", "yield_stress": "speed",
              "repeatability": "run_out", "step": "run_out"}  # fmt: skip
    faults = Faults()
    for name, other in needed.items():
        if getattr(args, name) is not None and getattr(args, other) is None:
            with faults:
                option, with_ = (f"--{word.replace('_', '-')}" for word in (name, other))
                checks.refuse(option, f"come with {with_}", getattr(args, name))
    faults.done()


def _found(axis: Axis, asked: dict[str, Any]) -> RingAnswers:
    """All results that were asked for."""
    from ..rings.budget import ring_budget
    from ..rings.error_orders import ring_curve
    from ..rings.tolerances import ring_tolerances

    ring, heads = axis.ring, axis.heads
    even = (tuple(2.0 * math.pi * j / count for j in range(count)) for count in EVEN)
    expands = asked["material"][3]
    parts = {}
    if asked["find_heads"] is not None:
        parts["search"] = _searched(ring, asked)
    if asked["speed"] is not None or asked["temperature"] is not None:
        parts["growth"] = _grown(ring, asked)
    if asked["require"] is not None:
        parts["tolerances"] = ring_tolerances(ring, asked["require"], heads, alpha=expands)
    if asked["run_out"] is not None:
        parts["centring"], parts["remaining"] = _centred(ring, heads, asked)
    return RingAnswers(
        curve=ring_curve(ring, heads),
        compared=tuple(ring_curve(ring, places, points=8) for places in even),
        budget=ring_budget(ring, heads, extra=_signal(axis), radius=ring.radius),
        **parts,
    )


def _searched(ring: Ring, asked: dict[str, Any]) -> HeadSearch | None:
    """Angles of heads for the orders asked for, else for those of the ring."""
    from ..rings.heads import find_heads

    wanted = ring if asked["suppress"] is None else asked["suppress"]
    spacing = asked["spacing"] or 0.0
    return find_heads(wanted, asked["find_heads"], sectors=asked["sectors"], spacing=spacing)


def _grown(ring: Ring, asked: dict[str, float | None]) -> Expansion | None:
    """Growth and stress at the speed and temperature asked for."""
    from ..rings.growth import expansion

    density, modulus, poisson, alpha = asked["material"]
    return expansion(
        ring,
        asked["speed"] or 0.0,
        asked["temperature"] or 0.0,
        density=density,
        modulus=modulus,
        poisson=poisson,
        alpha=alpha,
        yield_stress=asked["yield_stress"],
    )


def _centred(ring: Ring, heads: tuple[float, float], asked: dict[str, Any]) -> tuple[Centring, Remaining]:
    """How the ring sits by its run-out, and what is left after it is shifted and tightened."""
    from ..model.ring_geometry import arranged
    from ..rings.centring import centre_by_gauge, centre_by_heads
    from ..rings.residual_eccentricity import after_tightening

    given = asked["run_out"]
    # as many lobes as the readings can tell beside the eccentricity, and one reading over
    orders = [n for n in (2, 3) if len(given.angles) >= 2 * n + 2]
    if given.source == "gauge":
        axial = {} if given.axial is None else {"axial": given.axial, "axial_radius": ring.radius}
        found = centre_by_gauge(given.angles, given.readings, ring.diameter, orders=orders, **axial)
    else:
        pair = tuple(head.angle for head in arranged(heads)[0])[:2]
        pair = pair if len(pair) == 2 else (0.0, math.pi)
        found = centre_by_heads(given.angles, given.readings, ring.diameter, heads=pair, orders=orders)
    left = after_tightening(
        ring.diameter,
        repeatability=asked["repeatability"] or 0.0,
        step=asked["step"] or 0.0,
        uncertainty=found.uncertainty,
        before=found.eccentricity,
    )
    return found, left


def _signal(axis: Axis) -> list[Contribution]:
    """Contributions of the signal: its error within the period, counts, jitter."""
    from ..open_loop.period_error import position_error
    from ..rings.budget import Contribution

    error = position_error(axis)
    most = max(error.amplitude, default=0.0)
    lines = [
        Contribution(f"signal, {order} a period", float(size), "arcsine")
        for order, size in zip(error.harmonic, error.amplitude, strict=True)
        if size > 0.01 * most
    ]
    if axis.resolution:
        lines.append(Contribution("counts", 0.5 * axis.resolution, "rectangular"))
    if axis.signal.jitter:
        lines.append(Contribution("jitter", axis.signal.jitter))
    return lines
