"""What each command does: arguments to objects to results; every formula is elsewhere."""

import math
import sys

from . import _checks, _outputs, _tables, units
from ._outputs import Delivery, Faults, JobFailed, Progress

# Samples of one run held in memory; as rows of text, with --json or --csv, they take ten times as much.
MOST_SAMPLES, MOST_ROWS = 1 << 26, 1 << 22
LONGER = "encsim.Stream in Python runs any length"
MOST_TEXT = 1 << 28
ASSUMED_RATE = 16e3


def new(args):
    """Write a starter axis file."""
    from . import axis_file

    if args.axis != "-":
        _outputs.check_targets(args, ["axis"])
    delivery = Delivery(args)
    delivery.content(args.axis, lambda: axis_file.starter(rotary=args.rotary))
    if args.axis != "-" and not args.quiet:
        delivery.report(lambda: f"{args.axis} is written. Edit it, then: encsim ripple {args.axis}\n")
    delivery.send()
    return 0


def ripple(args):
    """Closed form over speeds, checked by simulation where asked for."""
    from .closed_form import ripple as closed_form

    faults = Faults()
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    seed, threads = _chance(args, faults)
    axis, speeds = _axis(args, faults), None
    if axis is not None:
        with faults:
            speeds = _speeds(args.speeds, axis)
    faults.done()
    with Progress(args, f"computing {len(speeds)} speeds"):
        curve = closed_form(axis, speeds)
    simulated = _check_by_simulation(curve, seed, threads, args) if args.simulate else None
    delivery = Delivery(args)
    delivery.json(lambda: curve.to_dict() | ({} if simulated is None else {"simulated": simulated}))
    delivery.table(curve)
    delivery.picture(args.plot, lambda: curve.plot(simulated=simulated))
    delivery.report(
        lambda: _tables.ripple(curve, curve.refined(), _top_speed(axis), simulated, cautious=not args.quiet)
    )
    delivery.send()
    return 0


def period(args):
    """Error of one signal period."""
    from .quadrature import position_error

    faults = Faults()
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot", "--plot-channels"], [args.axis])
    axis, speed = _axis(args, faults), 0.0
    if axis is not None and args.speed is not None:
        with faults:
            speed = _speed(args.speed, axis)
    faults.done()
    result = position_error(axis, speed)
    delivery = Delivery(args)
    delivery.json(result.to_dict)
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.picture(args.plot_channels, result.plot_channels)
    delivery.report(lambda: _tables.period(result))
    delivery.send()
    return 0


def simulate(args):
    """One run at one speed."""
    faults = Faults()
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    seed, threads = _chance(args, faults)
    seconds = speed = start = None
    with faults:
        seconds = _seconds(args.seconds)
    axis = _axis(args, faults)
    if axis is not None:
        with faults:
            speed = _speed(args.speed, axis)
        with faults:
            start = _start(args.start, axis.scale)
    faults.done()
    samples = _samples(seconds, axis.sampling.rate, MOST_ROWS if args.json or args.csv else MOST_SAMPLES)
    delivery = Delivery(args)
    with Progress(args, f"simulating {samples} samples"):
        trace = _run(axis, speed, samples, seed, start, threads)
        delivery.json(trace.to_dict)
        delivery.table(trace)
        delivery.picture(args.plot, trace.plot)
    delivery.report(lambda: _tables.run(trace, _lines(axis, speed), cautious=not args.quiet))
    delivery.send()
    return 0


def identify(args):
    """Fit two recorded channels."""
    from ._captures import read_channels
    from .identification import identify as fit_channels

    faults = Faults()
    scale = None
    with faults:
        _outputs.check_targets(args, ["--plot", "--write-axis"], [args.capture])
    with faults:
        scale = _scale(args.period)
    if args.write_axis and not args.period:
        faults.found.append(_checks.Fault("--period", "be given with --write-axis", _checks.NOTHING))
    with faults:
        channels = read_channels(_text(args.capture, "file"), args.columns, _named(args.capture))
    faults.done()
    fit = fit_channels(*channels, steady=args.steady, period=scale and scale.pitch)
    delivery = Delivery(args)
    delivery.json(fit.to_dict)
    if fit.valid:
        delivery.picture(args.plot, fit.plot)
        delivery.content(args.write_axis, lambda: _fitted_axis(fit, scale, args))
    delivery.report(lambda: _tables.fit(fit, scale))
    delivery.send()
    if not fit.valid:
        raise JobFailed(f"the fit is refused: {'; '.join(fit.reasons)}")
    return 0


def limits(args):
    """Top speed, resolution and vanishing speeds."""
    faults = Faults()
    axis = _axis(args, faults)
    faults.done()
    top = _top_speed(axis)
    delivery = Delivery(args)
    delivery.json(top.to_dict)
    delivery.report(lambda: _tables.limits(axis, top))
    delivery.send()
    return 0


def _named(path):
    return "stdin" if path == "-" else path


def _text(path, option):
    """Text of a capture or of stdin."""
    try:
        if path == "-":
            found = _open_stdin().buffer.read(MOST_TEXT + 1)
        else:
            with open(path, "rb") as stream:
                found = stream.read(MOST_TEXT + 1)
        if len(found) > MOST_TEXT:
            _checks.refuse(option, f"be at most {MOST_TEXT >> 20} MB", _named(path))
        return found.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        _checks.refuse(option, f"be UTF-8 text, byte {error.start} is not", _named(path))
    except (OSError, ValueError) as error:
        if isinstance(error, _checks.InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        _checks.refuse(option, f"be readable ({reason})", _named(path))


def _open_stdin():
    """The standard input, which a shell may have closed."""
    if sys.stdin is None:
        _checks.refuse("file", "be readable (stdin is closed)", "-")
    return sys.stdin


def _axis(args, faults):
    """The axis of the file with the changes of --set; None where it is wrong."""
    from . import axis_file

    with faults:
        if args.axis == "-":
            _open_stdin()
        return axis_file.loads_with(axis_file.read(args.axis), args.set, _named(args.axis))


def _whole_number(text, option, low, high):
    """A whole number of an option."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 20 and low <= int(text) <= high):
        _checks.refuse(option, f"be a whole number from {low} to {high}", text)
    return int(text)


def _chance(args, faults):
    """Seed and threads; None where they are wrong or left out."""
    seed = threads = None
    with faults:
        seed = _whole_number(args.seed, "--seed", 0, 2**64 - 1)
    with faults:
        threads = None if args.threads is None else _whole_number(args.threads, "--threads", 1, 1024)
    return seed, threads


def _speed(text, axis):
    return units.parse(text, f"speed({axis.scale.unit}/s)", "--speed")


def _start(text, scale):
    if text is None:
        return 0.0
    return units.parse(text, f"position({scale.unit})", "--start", diameter=scale.diameter)


def _speeds(text, axis):
    from ._sweeps import default_speeds

    return default_speeds(axis) if text is None else units.parse_speeds(text, axis.scale.unit, "--speeds")


def _seconds(text):
    """Length of a run, s; a bare number is seconds."""
    bare = text.strip().replace(".", "", 1)
    seconds = units.parse(f"{text} s" if bare.isascii() and bare.isdigit() else text, "time", "--seconds")
    if seconds <= 0.0:
        _checks.refuse("--seconds", "be longer than zero", text)
    return seconds


def _samples(seconds, rate, most):
    """Samples of a run of that length."""
    samples = seconds * rate
    if not 2.0 <= samples <= most:
        rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
        _checks.refuse("--seconds", rule, seconds, "s", "" if samples < 2.0 else LONGER)
    return round(samples)


def _scale(text):
    """Scale of a signal period given alone: a length, or an angle that divides a turn."""
    if text is None:
        return None
    from .axis import Scale

    period = units.parse(text, "position", "--period")
    if period <= 0.0:
        _checks.refuse("--period", "be greater than zero", text)
    if not any(text.replace("°", "deg").rstrip().endswith(unit) for unit in ("rad", "deg", "arcsec", "″")):
        return Scale(period=period)
    lines = round(2.0 * math.pi / period)
    if lines < 1 or abs(2.0 * math.pi / (lines * period) - 1.0) > 1e-3:
        _checks.refuse("--period", "divide a turn into whole periods", text)
    return Scale(lines=lines)


def _run(axis, speed, samples, seed, start, threads):
    from .simulation import simulate as run

    return run(axis, speed, samples, seed, start, threads=threads)


def _top_speed(axis):
    from .limits import top_speed

    return top_speed(axis)


def _lines(axis, speed):
    from .closed_form import lines

    return lines(axis, speed)


def _check_by_simulation(curve, seed, threads, args):
    from . import _sweeps

    speeds = _sweeps.spread(curve)
    with Progress(args, f"simulating {len(speeds)} speeds") as progress:
        return _sweeps.simulated(curve.axis, speeds, seed, threads, progress)


def _fitted_axis(fit, scale, args):
    """Text of an axis file with the fitted signal."""
    from .axis import Axis, Sampling

    text = Axis(scale, signal=fit.signal, sampling=Sampling(ASSUMED_RATE)).to_toml()
    note = f"The loop rate is not known from a capture: {ASSUMED_RATE / 1e3:g} kHz is assumed"
    _outputs.warn(args, f"{note}; set sampling.rate in {args.write_axis}")
    return f"# Signal fitted to {_checks.one_line(_named(args.capture))}.\n# {note}.\n{text}"
