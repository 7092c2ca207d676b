"""The commands about the closed loop: arguments to objects to results; every formula is elsewhere."""

from __future__ import annotations

import contextlib
import math
import re
from collections import namedtuple
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from .. import checks, units
from ..formats import estimator_text
from ..model.load_and_control import CAUTIONS
from ..reporting import loop_text, tuning_text
from . import arguments, outputs
from .outputs import Delivery, Faults, JobFailed, Progress

if TYPE_CHECKING:
    import argparse

    from matplotlib.axes import Axes

    from ..checks import Fault
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..gains.tuner import Tuning
    from ..model.axis import Axis
    from ..open_loop.closed_form import Lines
    from ..time_domain.closed_run import Runs


TUNED = "tuning"
# Signal periods a sample that a speed may make, as in a simulation.
MOST_PERIODS = 1 << 19
# Frequencies of a picture from this share of the loop rate to its half.
LOWEST, POINTS = 1e-5, 2000
# Where the faults of a description stand in an axis file.
SECTIONS = {"Axis": "", "Load": "load.", "Control": "control.", "Notch": "control.notch."}
HELD = (
    "--plot-folded draws lines above half the loop rate as of sampled positions; timed edges make other values of "
    "them, those of the table"
)
UNSTABLE = "the closed loop is unstable with these gains{}; encsim tune proposes others"


def loop(args: argparse.Namespace) -> int:
    """Margins and smoothness of a closed loop."""
    from ..closed_loop.closed_loop_ripple import smoothness
    from ..closed_loop.stability import margins

    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot", "--plot-margins", "--plot-folded"], [args.axis])
    seed = None
    with faults:
        seed = arguments.whole_number(args.seed, "--seed", 0, 2**64 - 1)
    if args.plot_folded and args.speed is None:
        faults.found.append(checks.Fault("--speed", "be given with --plot-folded", checks.NOTHING))
    axis, speeds, speed = closed_axis(args, faults), None, 0.0
    if axis is not None:
        with faults:
            speeds = arguments.speeds_of(args.speeds, axis)
        with faults:
            speed = 0.0 if args.speed is None else speed_of(args.speed, axis)
    faults.done()
    with Progress(args, f"computing {len(speeds)} speeds"), told(args, axis):
        found = margins(axis, speed=speed)
        aged = None if axis.estimator.linear else _aged(args, axis, speed, speeds)
        curve = smoothness(axis, speeds if aged is None else aged.speeds)
    stable = found.stable and curve.stable
    simulated = _simulated(curve, seed, args) if args.simulate and stable else None
    _deliver_loop(args, found, curve, simulated, stable, speed, aged)
    if not stable:
        asked = {"--csv": args.csv, "--plot": args.plot, "--plot-folded": args.plot_folded}
        left = " and ".join(name for name, file in asked.items() if file)
        written = f"; no curves for {left}" if left else ""
        where = " at some of the speeds" if found.stable else ""
        where += f" (stable from {aged.text} on)" if aged is not None and aged.text else ""
        raise JobFailed(UNSTABLE.format(where) + written)
    return 0


# What the age of timed edges means for a loop: speeds to look at, the lowest stable one (None: not known) and its
# text, and a caution.
Aged = namedtuple("Aged", "speeds stable_from text caution")


def _aged(
    args: argparse.Namespace, axis: Axis, speed: float, speeds: list[float] | tuple[float, ...]
) -> Aged:
    """Speeds at which a loop of timed edges is stable, where none are asked for; and what to say of the others."""
    from ..closed_loop import timed_edge_loops

    first = timed_edge_loops.lowest(axis, max(abs(speed), *map(abs, speeds)))
    if math.isnan(first):
        return Aged(speeds, None, "", loop_text.aging(axis, speed))
    text, kept = loop_text.show(first, f"{axis.scale.unit}/s"), speeds
    if args.speeds is None:
        kept = [each for each in speeds if each >= first]
    if len(kept) < len(speeds):
        outputs.warn(
            args, f"speeds below {text} are left out: timed edges are too old for a stable loop there"
        )
    return Aged(kept, first, text, loop_text.aging(axis, speed, text))


def _deliver_loop(
    args: argparse.Namespace,
    found: Margins,
    curve: Smoothness,
    simulated: Runs | None,
    stable: bool,
    speed: float,
    aged: Aged | None,
) -> None:
    """Everything that was asked for; of an unstable loop no curves, they are infinite."""
    delivery, warned = Delivery(args), list(CAUTIONS)
    extra = {} if simulated is None else {"simulated": _plain(simulated)}
    if aged is not None:
        warned.append(aged.caution)
        extra["stable_from"] = aged.stable_from
    delivery.json(lambda: curve.to_dict() | {"margins": found.to_dict(), "cautions": warned} | extra)
    if stable:
        delivery.table(curve)
        points = None if simulated is None else {"speed": simulated.speed, **simulated.rms}
        delivery.picture(args.plot, lambda: curve.plot(simulated=points))
        delivery.picture(args.plot_folded, lambda: _folded(args, curve.axis, speed))
    delivery.picture(args.plot_margins, lambda: found.plot(lines=_lines(found.axis, speed)))
    cautions = () if args.quiet else warned
    delivery.report(
        lambda: loop_text.loop(
            found, curve, curve.refined() if stable else curve, simulated, cautions=cautions
        )
    )
    delivery.send()


def tune(args: argparse.Namespace) -> int:
    """Proposed gains."""
    from ..gains.tuner import tuning

    faults, limits, speed = Faults(), dict.fromkeys(tuning_text.LIMITS), None
    with faults:
        outputs.check_targets(args, ["--plot", "--write-axis"], [args.axis])
    with faults:
        limits["phase_margin"] = _degrees(args.phase_margin)
    with faults:
        limits["sensitivity_peak"] = _number(args.sensitivity_peak, "--sensitivity-peak")
    axis = closed_axis(args, faults)
    if axis is not None:
        with faults:
            limits["torque_ripple"] = _ripple_limit(args.torque_ripple, axis)
        with faults:
            speed = None if args.speed is None else speed_of(args.speed, axis)
    faults.done()
    with Progress(args, "searching for gains"), told(args, axis):
        result = tuning(axis, **limits, speed=speed)
    delivery = Delivery(args)
    delivery.json(result.to_dict)
    delivery.picture(args.plot, lambda: result.margins.plot(lines=_lines(result.axis, speed)))
    delivery.content(args.write_axis, lambda: _tuned_axis(result, axis, limits, args))
    delivery.report(lambda: tuning_text.tuning(result, axis, limits, speed or 0.0))
    delivery.send()
    return 0


def frontier(args: argparse.Namespace) -> int:
    """Delay against ripple of estimators."""
    from ..decisions.frontier_curve import frontier as compare

    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    axis, speed, chosen = arguments.read_axis(args, faults), None, None
    if axis is not None:
        with faults:
            speed = speed_of(args.speed, axis)
        with faults:
            chosen = (
                estimator_text.around(axis)
                if args.estimators is None
                else estimator_text.read(args.estimators, axis)
            )
    faults.done()
    names = [estimator_text.text(one, axis.scale.unit) for one in chosen]
    with Progress(args, f"comparing {len(chosen)} estimators"), told(args, axis, names):
        result = compare(axis, speed, chosen)
    own = chosen.index(axis.estimator) if axis.estimator in chosen else None
    delivery = Delivery(args)
    delivery.json(lambda: result.to_dict() | {"names": names, "own": own, "cautions": [loop_text.ELSEWHERE]})
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: loop_text.frontier(result, names, own))
    delivery.send()
    return 0


def closed_axis(args: argparse.Namespace, faults: Faults) -> Axis | None:
    """The axis of the file, if its loop can be closed; None where it is wrong."""
    axis = arguments.read_axis(args, faults)
    if axis is None:
        return None
    absent = [name for name in ("load", "control") if getattr(axis, name) is None]
    hint = '"encsim new axis.toml" shows its keys'
    faults.found += [
        checks.Fault(
            f"[{name}]", "be given for a closed loop", checks.NOTHING, hint=hint, source=_source(args)
        )
        for name in absent
    ]
    return None if absent else axis


def _source(args: argparse.Namespace) -> str:
    return arguments.named(args.axis)


@contextlib.contextmanager
def told(
    args: argparse.Namespace,
    axis: Axis,
    names: list[str] | tuple[()] = (),
    options: dict[str, str] | tuple[()] = (),
) -> Iterator[None]:
    """Faults that the library finds, in the words of the command line (``options`` {field: option}) and the file."""
    try:
        yield
    except checks.InputError as error:
        named = (replace(fault, field=dict(options).get(fault.field, fault.field)) for fault in error.faults)
        raise checks.InputError(*(_in_words(fault, args, axis, names) for fault in named)) from None


def _in_words(fault: Fault, args: argparse.Namespace, axis: Axis, names: list[str] | tuple[()]) -> Fault:
    """One fault under the option or the key that it comes from, units as of the scale."""
    if fault.unit:
        fitting = units.unit_on_scale(fault.unit, axis.scale.unit)
        fault = replace(fault, unit=fitting, hint=fault.hint.replace(fault.unit, fitting))
    owner, _, name = fault.field.partition(".")
    if owner == TUNED:
        return replace(fault, field=f"--{name.replace('_', '-')}")
    candidate = re.match(r"estimators\[([0-9]+)\]\.?", name)
    if candidate:
        label = f"{estimator_text.OPTION}, {names[int(candidate[1])]}"
        rest = name[candidate.end() :]
        return replace(fault, field=f"{label}: {rest}" if rest else label)
    if owner in SECTIONS:
        key = re.sub(r"\.([0-9]+)(?=\.|\Z)", r"[\1]", SECTIONS[owner] + name)
        return replace(fault, field=key, source=fault.source or _source(args))
    return fault


def _number(text: str, option: str) -> float:
    """A bare number; that it is finite and in range is for the one who uses it."""
    try:
        return float(text) if len(text) < 400 and "_" not in text else float("x")
    except ValueError:
        checks.refuse(option, "be a number", text)


def _degrees(text: str) -> float | None:
    """A phase margin, deg: a bare number, or an angle with its unit."""
    with contextlib.suppress(checks.InputError):
        return _number(text, "")
    with contextlib.suppress(checks.InputError):
        return math.degrees(units.parse(text, "angle"))
    checks.refuse(
        "--phase-margin", "be a number of degrees or an angle with its unit", text, hint='as in "60 deg"'
    )


def speed_of(text: str, axis: Axis) -> float | None:
    """A speed that somebody can mean."""
    speed = arguments.speed_of(text, axis)
    fastest = MOST_PERIODS * axis.sampling.rate * axis.scale.pitch
    if abs(speed) > fastest:
        unit = f"{axis.scale.unit}/s"
        rule = f"stay up to {MOST_PERIODS} signal periods a sample, {fastest:.4g} {unit}"
        checks.refuse("--speed", rule, speed, unit)
    return speed


def _ripple_limit(text: str | None, axis: Axis) -> float | None:
    if text is None:
        return None
    return units.parse(text, units.on_scale("torque", axis.scale.unit), "--torque-ripple")


def _lines(axis: Axis, speed: float) -> Lines | None:
    """Lines of the encoder at a speed, to be marked in a picture; none at standstill."""
    if not speed:
        return None
    from ..open_loop.closed_form import lines

    return lines(axis, speed)


def _folded(args: argparse.Namespace, axis: Axis, speed: float) -> Axes:
    """Picture of the encoder's lines at a speed over what the loop makes of them."""
    import numpy as np

    from ..closed_loop.loop import build
    from ..figures import pictures
    from ..open_loop.closed_form import lines

    frequency = np.geomspace(LOWEST, 0.5, POINTS) * axis.sampling.rate
    response = build(axis, speed).response(frequency)
    found = lines(axis, speed)
    if not axis.estimator.linear and np.any(found.frequency > 0.5 * axis.sampling.rate):
        outputs.warn(args, HELD)
    return pictures.folded(frequency, response.complementary, response.torque, found)


def _simulated(curve: Smoothness, seed: int, args: argparse.Namespace) -> Runs:
    from ..time_domain import sweeps

    speeds = sweeps.spread(curve)
    with Progress(args, f"running {len(speeds)} speeds"), told(args, curve.axis):
        return sweeps.run_closed(curve.axis, speeds, seed)


def _plain(runs: Runs) -> dict[str, list[float]]:
    """Simulated runs as plain values, the curves beside the speeds."""
    found = runs.to_dict()
    kept = ("samples", "settle", "seed", "stopped", "reasons")
    return {"speed": found["speed"], **found["rms"], **{name: found[name] for name in kept}}


def _tuned_axis(result: Tuning, axis: Axis, limits: dict[str, float | None], args: argparse.Namespace) -> str:
    """Text of an axis file with the proposed gains, cautions first."""
    words = loop_text.margins(result.margins)
    lines = [f"{_source(args)} with proposed gains. {words.splitlines()[0]}", *result.cautions]
    return "".join(f"# {checks.one_line(line, 400)}\n" for line in lines) + "\n" + result.axis.to_toml()
