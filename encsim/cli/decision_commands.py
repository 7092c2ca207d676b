"""The command that chooses among candidates: arguments to objects to results; every formula is elsewhere.

The command that explains: arguments to objects to results; every formula is elsewhere.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import checks
from ..checks import NOTHING, Fault, InputError
from ..decisions import candidate_reader
from ..decisions.choice import choose as rank
from ..formats import axis_file
from ..reporting import decision_text
from . import arguments, loop_commands, outputs
from .outputs import Delivery, Faults, JobFailed, Progress

if TYPE_CHECKING:
    import argparse

    from ..decisions.explanation import Explanation
    from ..model.axis import Axis


OWNER = "choose"
_NOTHING_TO_TRY = 'as in --try "interpolation.factor=400, 4000", or name further axis files'


def choose(args: argparse.Namespace) -> int:
    """Rank candidates by a requirement."""
    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], _read(args))
    limit = None
    with faults:
        limit = arguments.whole_number(args.limit, "--limit", 1, 10**9)
    axis, requirement, candidates, cost = _described(args, faults)
    faults.done()
    with Progress(args, "judging the candidates") as progress, _told():

        def told(done: int, total: int, stage: str) -> None:
            progress.show(f"{stage} {done} of {total} candidates")

        found = rank(axis, requirement, candidates, cost, limit, progress=told)
    delivery = Delivery(args)
    delivery.json(found.to_dict)
    delivery.table(found)
    delivery.picture(args.plot, found.plot)
    delivery.report(lambda: decision_text.choice(found, cautious=not args.quiet))
    delivery.send()
    if found.best is None:
        raise JobFailed(f"nothing fits; nearest: {decision_text.missed(found.nearest)}")
    return 0


def _read(args: argparse.Namespace) -> list[str]:
    """Files that the command reads."""
    return [name for name in (args.axis, *args.others, args.requirement, args.candidates) if name is not None]


def _described(args: argparse.Namespace, faults: Faults) -> tuple[Any, ...]:
    """Axis, requirement, candidates and cost; None where they are wrong."""
    axis = requirement = candidates = cost = text = None
    with faults:
        text = arguments.axis_text(args.axis)
        axis = axis_file.loads_with(text, args.set, arguments.named(args.axis))
    if axis is None:
        return None, None, None, None
    with faults:
        requirement = arguments.requirement_of(args, text, axis)
        if requirement is None:
            hint = "[requirement] in the axis file, or a file of its own"
            raise InputError(Fault("--requirement", "be given", NOTHING, hint=hint))
    with faults:
        if args.others:
            candidates = _files(args, axis)
        else:
            candidates, cost = _lists(args, text, axis)
    return axis, requirement, candidates, cost


def _files(args: argparse.Namespace, axis: Axis) -> dict[str, Axis]:
    """Axes of all files, by name."""
    if getattr(args, "try") or args.candidates:
        checks.refuse("--try", "be left out with further axis files, which are the candidates", NOTHING)
    faults, found = Faults(), {args.axis: axis}
    for path in args.others:
        with faults:
            if path in found:
                checks.refuse("file", "be named once", path)
            found[path] = axis_file.loads_with(arguments.axis_text(path), args.set, arguments.named(path))
    faults.done()
    short = [Path(path).stem for path in found]
    names = short if len(set(short)) == len(short) else [os.fspath(path) for path in found]
    return dict(zip(names, found.values(), strict=True))


def _lists(args: argparse.Namespace, text: str, axis: Axis) -> tuple[Any, ...]:
    """Lists of values and costs: of the file, those of --try in their place."""
    faults, options, tried = Faults(), getattr(args, "try"), {}
    for option in options:
        with faults:
            path, values = candidate_reader.read_option(option, axis)
            tried[path] = [*tried.get(path, ()), *values]
    source = (text, arguments.named(args.axis))
    lists, cost = {}, None
    with faults:
        if args.candidates is not None:
            source = arguments.axis_text(args.candidates), arguments.named(args.candidates)
        if args.candidates is not None or not options or candidate_reader.there(source[0], args.set):
            lists, cost = candidate_reader.loads(source[0], axis, source[1], args.set)
    faults.done()
    if not lists and not tried:
        raise InputError(Fault("--try", "be given", NOTHING, hint=_NOTHING_TO_TRY))
    return lists | tried, cost


class _told:
    """Faults that the library finds, in the words of the command line."""

    def __enter__(self) -> _told:
        return self

    def __exit__(self, kind: type | None, error: InputError | None, trace: Any) -> None:
        if isinstance(error, InputError):
            raise InputError(*(_in_words(fault) for fault in error.faults)) from None


def _in_words(fault: Fault) -> Fault:
    """One fault under the option or section that it comes from."""
    owner, _, name = fault.field.partition(".")
    if owner == OWNER:
        named = name.replace("candidates", "[candidates]", 1).replace("cost", "[candidates.cost]", 1)
        hint = fault.hint.replace("raise limit", "raise --limit")
        return replace(fault, field="--limit" if name == "limit" else named, hint=hint)
    if owner == "Requirement":
        return replace(fault, field=f"requirement.{name}")
    return fault


def explain(args: argparse.Namespace) -> int:
    """Why an axis runs roughly at a speed, and what would help."""
    faults = Faults()
    with faults:
        outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    axis, speed = arguments.read_axis(args, faults), None
    if axis is not None:
        with faults:
            speed = loop_commands.speed_of(args.speed, axis)
    faults.done()
    found = _explained(axis, speed, args)
    delivery = Delivery(args)
    delivery.json(found.to_dict)
    delivery.table(found)
    delivery.picture(args.plot, found.plot)
    delivery.report(lambda: decision_text.explanation(found, cautious=not args.quiet))
    delivery.send()
    if found.agrees is False:
        raise JobFailed(f"{decision_text.disagreement(found)}")
    return 0


def _explained(axis: Axis, speed: float, args: argparse.Namespace) -> Explanation:
    from ..decisions.explanation import explain as find

    work = "computing and simulating remedies" if args.verify else "computing remedies"
    with Progress(args, work), loop_commands.told(args, axis):
        return find(axis, speed, verify=args.verify)
