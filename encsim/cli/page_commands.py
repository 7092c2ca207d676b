"""The command that writes a page: arguments to objects to a file; every formula is elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ..formats import axis_file
from ..formats.sections import Section
from ..spreads import description
from . import arguments, outputs
from .outputs import Delivery, Faults, Progress

if TYPE_CHECKING:
    import argparse

    from ..model.distributions import Normal


MOST_SAMPLES = 100_000


def report(args: argparse.Namespace) -> int:
    """One page about an axis."""
    faults, read = Faults(), [name for name in (args.axis, args.requirement) if name is not None]
    with faults:
        outputs.check_targets(args, ["--output"], read)
    seed = samples = None
    with faults:
        seed = arguments.whole_number(args.seed, "--seed", 0, 2**64 - 1)
    with faults:
        samples = arguments.whole_number(args.samples, "--samples", 0, MOST_SAMPLES)
    axis, spread, speeds, requirement = _described(args, faults)
    faults.done()
    with Progress(args, "computing the page") as progress:
        text = _page(
            args, (axis, speeds, requirement, seed), spread if samples else None, samples, progress.show
        )
    delivery = Delivery(args)
    delivery.content(args.output, lambda: text)
    if args.output != "-" and not args.quiet:
        size = len(text.encode()) / 1e3
        delivery.report(lambda: f"{args.output} is written, {size:.0f} kB. Open it in a browser.\n")
    delivery.send()
    return 0


def _described(args: argparse.Namespace, faults: Faults) -> tuple[Any, ...]:
    """Axis, spread, speeds and requirement; None where they are left out or wrong."""
    axis = spread = speeds = requirement = text = None
    with faults:
        text, name = arguments.axis_text(args.axis), arguments.named(args.axis)
        axis = axis_file.loads_with(text, args.set, name)
    if axis is not None:
        with faults:
            if Section(text, description.SECTION, name, args.set).table:
                spread = description.loads(text, axis, name, args.set)
        with faults:
            speeds = None if args.speeds is None else arguments.speeds_of(args.speeds, axis)
        with faults:
            requirement = arguments.requirement_of(args, text, axis)
    return axis, spread, speeds, requirement


def _page(
    args: argparse.Namespace,
    what: tuple[Any, ...],
    spread: dict[str, Normal] | None,
    samples: int,
    progress: Callable[..., Any],
) -> str:
    """Text of the page, with the spread between axes where that is given."""
    from ..reporting.page import page, shown_speeds
    from ..spreads.tolerancing import tolerance

    axis, speeds, requirement, seed = what
    drawn = None
    if spread is not None:
        progress(f"computing {samples} axes")
        range_ = shown_speeds(axis, speeds, requirement)
        drawn = tolerance(axis, spread, range_, samples, seed, requirement)
    return page(axis, speeds=speeds, requirement=requirement, title=args.title, reproducible=args.reproducible,
                seed=seed, tolerance=drawn, progress=progress)  # fmt: skip
