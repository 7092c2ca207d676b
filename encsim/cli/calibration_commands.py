"""The command about calibration: arguments to objects to results; every formula is elsewhere."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from .. import checks
from ..calibration import readings
from ..reporting import calibration_text
from . import arguments, outputs, ring_arguments
from .outputs import Delivery, Faults, Progress

if TYPE_CHECKING:
    import argparse

    from ..calibration.c_source import CTable
    from ..calibration.error_map import ErrorMap
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration


KINDS = ("plan", "own_heads", "reference", "targets")
MAPS = ("ring", "orders", "write_map", "write_c", "bound")
OWNERS = {"calibrate", "self_calibrate", "calibration_plan", "compare_passes", "bidirectional", "ErrorMap"}
FILE = "readings.csv"
# What errors of the library call, in words of this command; the rest as it is called there.
NAMES = dict.fromkeys(("differences", "angles", "forward", "backward", "target", "closing"), FILE) | {
    "steps": FILE, "weights": "--leave-out", "c_table": "--bound", "smooth": "--orders", "error": "map",
}  # fmt: skip
# The C function is this part of the map's uncertainty off it, or of its largest error where nothing tells that.
FINER, COARSE = 0.1, 1e-3


def calibrate(args: argparse.Namespace) -> int | None:
    """Maps of rings, or what a plan or a comparison shows."""
    faults = Faults()
    with faults:
        targets = ["--csv", "--plot", "--write-map", "--write-c"]
        outputs.check_targets(args, targets, [] if args.readings is None else [args.readings])
    with faults:
        kind = _kind(args)
    faults.done()
    with ring_arguments.told(OWNERS, _names(args) if kind != "plan" else {}):
        return {"plan": _plan, "reference": _compare, "targets": _compare}.get(kind, _maps)(args, kind)


def _names(args: argparse.Namespace) -> dict[str, str]:
    """NAMES with the file that was given."""
    given = arguments.named(args.readings)
    return {name: given if words == FILE else words for name, words in NAMES.items()}


def _kind(args: argparse.Namespace) -> str | None:
    """The one kind that is asked for, None for two rings; refuses what does not go with it."""
    found = [kind for kind in KINDS if getattr(args, kind)]
    faults, option = Faults(), _option(found[0]) if found else ""
    with faults:
        if len(found) > 1:
            checks.refuse(option, f"come without {_option(found[1])}", "both")
    kind = found[0] if found else None
    needed = {"plan": ("steps", "points")}.get(kind, ("readings",))
    barred = {
        "plan": (
            "readings",
            "noise",
            "leave_out",
            "step_uncertainty",
            "write_map",
            "write_c",
            "bound",
            "orders",
        ),
        "own_heads": ("steps", "points", "leave_out", "step_uncertainty"),
        None: ("steps", "points"),
    }
    only = (*MAPS[1:], "noise", "leave_out", "step_uncertainty", "steps", "points")
    for name in needed:
        with faults:
            if getattr(args, name) is None:
                checks.refuse(_option(name), f"be given{f' with {option}' if option else ''}", checks.NOTHING)
    for name in barred.get(kind, only):
        with faults:
            if getattr(args, name) is not None:
                rule = f"be left out with {option}" if option else "come with --plan"
                checks.refuse(_option(name), rule, getattr(args, name))
    faults.done()
    return kind


def _option(name: str) -> str:
    return FILE if name == "readings" else f"--{name.replace('_', '-')}"


def _plan(args: argparse.Namespace, kind: str) -> int | None:
    """What steps and points will show."""
    from ..calibration.plan import MOST_POINTS, calibration_plan

    faults = Faults()
    with faults:
        steps = ring_arguments.steps_of(args.steps, "--steps")
    with faults:
        points = arguments.whole_number(args.points, "--points", 3, MOST_POINTS)
    faults.done()
    plan = calibration_plan(steps, points)
    return _deliver(args, plan, lambda: calibration_text.plan(plan))


def _compare(args: argparse.Namespace, kind: str) -> int | None:
    """Passes against a reference, or runs to targets."""
    from ..calibration.pass_comparison import compare_passes
    from ..calibration.positioning import bidirectional

    text, name = arguments.text_of(args.readings, FILE), arguments.named(args.readings)
    if kind == "reference":
        given = readings.read_passes(text, name)
        found = compare_passes(given.forward, given.backward, unit=given.unit)
        return _deliver(args, found, lambda: calibration_text.passes(found))
    given = readings.read_runs(text, name)
    found = bidirectional(given.target, given.forward, given.backward, unit=given.unit)
    return _deliver(args, found, lambda: calibration_text.positioning(found))


def _maps(args: argparse.Namespace, kind: str | None) -> int | None:
    """Maps of two rings, or of one by its own heads."""
    faults, asked = Faults(), {}
    with faults:
        asked["given"] = readings.read_differences(
            arguments.text_of(args.readings, FILE), arguments.named(args.readings)
        )
    for name, default in (("noise", None), ("step_uncertainty", 0.0), ("bound", None)):
        with faults:
            asked[name] = ring_arguments.quantity(getattr(args, name), "angle", _option(name), default)
    with faults:
        asked["orders"] = args.orders and ring_arguments.orders_of(args.orders, "--orders")
    with faults:
        if args.ring not in ("a", "b") or (args.ring == "b" and kind):
            checks.refuse("--ring", "be a, or b of two rings", args.ring)
    faults.done()
    with Progress(args, f"computing maps of {asked['given'].differences.shape[1]} points"):
        result = _self_calibrated(asked) if kind else _calibrated(args, asked)
    map_ = _map(result, args, asked) if args.write_map or args.write_c else None
    source = map_.c_table(bound=_bound(map_, asked["bound"])) if args.write_c else None
    report = calibration_text.own_heads if kind else calibration_text.rings
    return _deliver(args, result, lambda: report(result, source), map_, source)


def _self_calibrated(asked: dict[str, Any]) -> SelfCalibration | None:
    from ..calibration.self_calibration import self_calibrate

    given = asked["given"]
    return self_calibrate(given.differences, given.steps, noise=asked["noise"])


def _calibrated(args: argparse.Namespace, asked: dict[str, Any]) -> Calibration | None:
    from ..calibration.two_rings import calibrate as fit

    given = asked["given"]
    return fit(
        given.differences,
        given.steps,
        weights=_weights(args.leave_out, len(given.steps)),
        closing=given.closing,
        noise=asked["noise"],
        step_uncertainty=asked["step_uncertainty"],
    )


def _weights(text: str | None, count: int) -> list[float] | None:
    """Weight 0 for the steps to leave out, 1 for the others."""
    if text is None:
        return None
    left_out = ring_arguments.orders_of(text, "--leave-out", low=0)
    if left_out[-1] >= count:
        checks.refuse("--leave-out", f"be steps from 0 to {count - 1}", left_out[-1])
    return [0.0 if step in left_out else 1.0 for step in range(count)]


def _map(result: Calibration, args: argparse.Namespace, asked: dict[str, Any]) -> ErrorMap | None:
    """The map to write, of the orders asked for."""
    whole = result.error_map(args.ring) if hasattr(result, "b") else result.error_map()
    return whole if asked["orders"] is None else whole.smooth(asked["orders"])


def _bound(map_: ErrorMap, bound: float) -> float:
    """How far the C function may be off the map."""
    if bound is not None:
        return bound
    sure, largest = map_.uncertainty, map_.largest()
    return FINER * sure if math.isfinite(sure) and sure > 0.0 else COARSE * largest or 1e-9


def _deliver(
    args: argparse.Namespace,
    result: Any,
    report: Callable[..., Any],
    map_: ErrorMap | None = None,
    source: CTable | None = None,
) -> int:
    """Everything that was asked for; files first."""
    delivery = Delivery(args)
    extra = {} if source is None else {"c_bound": source.bound, "c_size": source.size}
    delivery.json(lambda: result.to_dict() | extra)
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    if map_ is not None:
        delivery.content(args.write_map, map_.to_csv_text)
    if source is not None:
        delivery.content(args.write_c, lambda: source.text)
    # beside a table on stdout nobody would see them
    untold = () if delivery.text is None or args.json else result.reasons
    delivery.report(report)
    delivery.send()
    for reason in untold:
        outputs.warn(args, reason)
    return 0
