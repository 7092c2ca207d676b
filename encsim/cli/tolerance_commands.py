"""The command about many axes of one design: arguments to objects to results; every formula is elsewhere."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from .. import checks
from ..formats import axis_file
from ..reporting import tolerance_text
from ..spreads import description
from . import arguments, outputs
from .outputs import Delivery, Faults, JobFailed, Progress

if TYPE_CHECKING:
    import argparse

    from ..checks import Fault
    from ..model.axis import Axis


MOST_WORKERS = 1024
OWNER = "tolerance"


def tolerance(args: argparse.Namespace) -> int:
    """Ripple and yield of many axes drawn around one."""
    from ..spreads.tolerancing import MOST_SAMPLES
    from ..spreads.tolerancing import tolerance as draw
    from ..spreads.workers import WorkersLost

    faults, how = Faults(), {}
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], _read(args))
    for name, low, high in (
        ("samples", 2, MOST_SAMPLES),
        ("seed", 0, 2**64 - 1),
        ("workers", 1, MOST_WORKERS),
    ):
        text = getattr(args, name)
        with faults:
            how[name] = None if text is None else arguments.whole_number(text, f"--{name}", low, high)
    what = _described(args, faults)
    faults.done()
    how["executor"] = how.pop("workers")
    with Progress(args, f"computing {how['samples']} axes") as progress, _told(args):
        try:
            result = draw(*what[:-1], requirement=what[-1], **how, resume=args.resume,
                          progress=lambda done, all_: progress.show(f"{done} of {all_} axes"))  # fmt: skip
        except WorkersLost as error:
            raise JobFailed(f"{error}{_kept(args)}") from error
        except KeyboardInterrupt:
            outputs.warn(args, f"interrupted{_kept(args)}")
            raise
    delivery = Delivery(args)
    delivery.json(result.to_dict)
    delivery.table(result)
    delivery.picture(args.plot, result.plot)
    delivery.report(lambda: tolerance_text.tolerance(result, cautious=not args.quiet))
    delivery.send()
    return 0


def _kept(args: argparse.Namespace) -> Any:
    return f"; what is done is kept in {args.resume}" if args.resume else ""


def _read(args: argparse.Namespace) -> list[str]:
    """Files that the command reads, and the one that it goes on with."""
    return [name for name in (args.axis, args.spread, args.requirement, args.resume) if name is not None]


def _described(args: argparse.Namespace, faults: Faults) -> tuple[Any, ...]:
    """Axis, spread, speeds and requirement; None where they are wrong."""
    axis = spread = speeds = requirement = text = None
    with faults:
        text = arguments.axis_text(args.axis)
        axis = axis_file.loads_with(text, args.set, arguments.named(args.axis))
    if axis is not None:
        with faults:
            spread = _spread(args, text, axis)
        with faults:
            speeds = arguments.speeds_of(args.speeds, axis)
        with faults:
            requirement = arguments.requirement_of(args, text, axis)
    return axis, spread, speeds, requirement


def _spread(args: argparse.Namespace, text: str, axis: Axis) -> dict[str, Any] | None:
    """The spread of its own file, else that of the axis file."""
    if args.spread is not None:
        return description.loads(
            arguments.axis_text(args.spread), axis, arguments.named(args.spread), args.set
        )
    return description.loads(text, axis, arguments.named(args.axis), args.set)


@contextlib.contextmanager
def _told(args: argparse.Namespace) -> Iterator[None]:
    """Faults that the library finds, in the words of the command line."""
    try:
        yield
    except checks.InputError as error:
        raise checks.InputError(*(_in_words(fault) for fault in error.faults)) from None


def _in_words(fault: Fault) -> Fault:
    owner, _, name = fault.field.partition(".")
    return replace(fault, field=f"--{name}") if owner == OWNER else fault
