"""What each command does: arguments to objects to results; every formula is elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .. import checks
from ..reporting import axis_tables
from . import arguments, outputs
from .outputs import Delivery, Faults, JobFailed, Progress

if TYPE_CHECKING:
    import argparse

    from ..model.axis import Axis, Scale
    from ..open_loop.closed_form import Lines, RippleCurve
    from ..open_loop.limits import TopSpeed
    from ..recordings.channel_fit import Identification
    from ..time_domain.simulation import Trace


ASSUMED_RATE = 16e3


def new(args: argparse.Namespace) -> int:
    """Write a starter axis file."""
    from ..formats import axis_file

    if args.axis != "-":
        outputs.check_targets(args, ["axis"])
    delivery = Delivery(args)
    delivery.content(args.axis, lambda: axis_file.starter(rotary=args.rotary))
    if args.axis != "-" and not args.quiet:
        delivery.report(lambda: f"{args.axis} is written. Edit it, then: encsim ripple {args.axis}\n")
    delivery.send()
    return 0


def ripple(args: argparse.Namespace) -> int:
    """Closed form over speeds, checked by simulation where asked for."""
    from ..open_loop.closed_form import ripple as closed_form

    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    seed, threads = arguments.chance(args, faults)
    axis, speeds = arguments.read_axis(args, faults), None
    if axis is not None:
        with faults:
            speeds = arguments.speeds_of(args.speeds, axis)
    faults.done()
    with Progress(args, f"computing {len(speeds)} speeds"):
        curve = closed_form(axis, speeds)
    simulated = _check_by_simulation(curve, seed, threads, args) if args.simulate else None
    delivery = Delivery(args)
    delivery.json(lambda: curve.to_dict() | ({} if simulated is None else {"simulated": simulated}))
    delivery.table(curve)
    delivery.picture(args.plot, lambda: curve.plot(simulated=simulated))
    delivery.report(
        lambda: axis_tables.ripple(
            curve, curve.refined(), _top_speed(axis), simulated, cautious=not args.quiet
        )
    )
    delivery.send()
    return 0


def period(args: argparse.Namespace) -> int:
    """Error of one signal period."""
    from ..open_loop.period_error import position_error

    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot", "--plot-channels"], [args.axis])
    axis, speed = arguments.read_axis(args, faults), 0.0
    if axis is not None and args.speed is not None:
        with faults:
            speed = arguments.speed_of(args.speed, axis)
    faults.done()
    result = position_error(axis, speed)
    delivery = Delivery(args)
    delivery.json(result.to_dict)
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.picture(args.plot_channels, result.plot_channels)
    delivery.report(lambda: axis_tables.period(result))
    delivery.send()
    return 0


def simulate(args: argparse.Namespace) -> int:
    """One run at one speed."""
    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    seed, threads = arguments.chance(args, faults)
    seconds = speed = start = None
    with faults:
        seconds = arguments.seconds_of(args.seconds)
    axis = arguments.read_axis(args, faults)
    if axis is not None:
        with faults:
            speed = arguments.speed_of(args.speed, axis)
        with faults:
            start = arguments.start_of(args.start, axis.scale)
    faults.done()
    samples = arguments.samples_of(
        seconds,
        axis.sampling.rate,
        arguments.MOST_ROWS if args.json or args.csv else arguments.MOST_SAMPLES,
    )
    delivery = Delivery(args)
    with Progress(args, f"simulating {samples} samples"):
        trace = _run(axis, speed, samples, seed, start, threads)
        delivery.json(trace.to_dict)
        delivery.table(trace)
        delivery.picture(args.plot, trace.plot)
    delivery.report(lambda: axis_tables.run(trace, _lines(axis, speed), cautious=not args.quiet))
    delivery.send()
    return 0


def identify(args: argparse.Namespace) -> int:
    """Fit two recorded channels."""
    from ..formats.tables import read_channels
    from ..recordings.channel_fit import identify as fit_channels

    faults = Faults()
    scale = None
    with faults:
        outputs.check_targets(args, ["--plot", "--write-axis"], [args.capture])
    with faults:
        scale = arguments.scale_of(args.period)
    if args.write_axis and not args.period:
        faults.found.append(checks.Fault("--period", "be given with --write-axis", checks.NOTHING))
    with faults:
        channels = read_channels(
            arguments.text_of(args.capture, "file"), args.columns, arguments.named(args.capture)
        )
    faults.done()
    fit = fit_channels(*channels, steady=args.steady, period=scale and scale.pitch)
    delivery = Delivery(args)
    delivery.json(fit.to_dict)
    if fit.valid:
        delivery.picture(args.plot, fit.plot)
        delivery.content(args.write_axis, lambda: _fitted_axis(fit, scale, args))
    delivery.report(lambda: axis_tables.fit(fit, scale))
    delivery.send()
    if not fit.valid:
        raise JobFailed(f"the fit is refused: {'; '.join(fit.reasons)}")
    return 0


def limits(args: argparse.Namespace) -> int:
    """Top speed, resolution and vanishing speeds."""
    faults = Faults()
    axis = arguments.read_axis(args, faults)
    faults.done()
    top = _top_speed(axis)
    delivery = Delivery(args)
    delivery.json(top.to_dict)
    delivery.report(lambda: axis_tables.limits(axis, top))
    delivery.send()
    return 0


def _run(axis: Axis, speed: float, samples: int, seed: int, start: float, threads: int | None) -> Trace:
    from ..time_domain.simulation import simulate as run

    return run(axis, speed, samples, seed, start, threads=threads)


def _top_speed(axis: Axis) -> TopSpeed | None:
    from ..open_loop.limits import top_speed

    return top_speed(axis)


def _lines(axis: Axis, speed: float) -> Lines:
    from ..open_loop.closed_form import lines

    return lines(axis, speed)


def _check_by_simulation(
    curve: RippleCurve, seed: int, threads: None, args: argparse.Namespace
) -> dict[str, int | list[float]]:
    from ..time_domain import sweeps

    speeds = sweeps.spread(curve)
    with Progress(args, f"simulating {len(speeds)} speeds") as progress:
        return sweeps.simulated(curve.axis, speeds, seed, threads, progress)


def _fitted_axis(fit: Identification, scale: Scale, args: argparse.Namespace) -> str:
    """Text of an axis file with the fitted signal."""
    from ..model.axis import Axis, Sampling

    text = Axis(scale, signal=fit.signal, sampling=Sampling(ASSUMED_RATE)).to_toml()
    note = f"The loop rate is not known from a capture: {ASSUMED_RATE / 1e3:g} kHz is assumed"
    outputs.warn(args, f"{note}; set sampling.rate in {args.write_axis}")
    return f"# Signal fitted to {checks.one_line(arguments.named(args.capture))}.\n# {note}.\n{text}"
