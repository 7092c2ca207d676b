"""Commands that decide: frontier (estimators), explain (one axis), choose (candidates)."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from ..checks import NOTHING, Fault, InputError
from . import arguments
from .command import Command, picture, table
from .loop_commands import in_words, speed
from .outputs import Faults, JobFailed
from .parser import SPEED_HELP, axis_option

if TYPE_CHECKING:
    import argparse

    from ..decisions.choice import Choice
    from ..model.axis import Axis
    from ..model.estimator_base import Estimator
    from .command import CommandJob
    from .parser import Parser


ANSWERED = "(default: the speed that encsim ripple reports)"
NOTHING_TO_TRY = 'as in --try "interpolation.factor=400, 4000", or name further axis files'


def _speed(job: CommandJob) -> float:
    """The speed of --speed; left out, that of the answer about ripple."""
    if job.args.speed is not None:
        return speed(job)
    return reporting.text_parts.answered_speed(job.axis, job.requirement)


def _frontier_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument("--speed", help=f"{SPEED_HELP} {ANSWERED}")
    parser.add_argument(
        "--estimators",
        metavar="LIST",
        help='kinds as in an axis file, each with values: "difference 1, 4, 16; low-pass 300 Hz, 1 kHz order=2; '
        'tracking 80 Hz; kalman 2 m/s2; count-and-time 50 MHz window=5 ms"; "own" is that of the axis '
        "(default: that and some 40 around it; where A/B edges are counted or quantisation dominates, period "
        "measurement (1/T) and count-and-time (M/T) on a 50 MHz clock too)",
    )


def _estimators(job: CommandJob) -> list[Estimator]:
    from ..decisions.ripple_summary import quantisation_leads
    from ..formats import estimator_text

    text, axis = job.args.estimators, job.axis
    if text is not None:
        return estimator_text.read(text, axis)
    leads = job.speed != 0.0 and quantisation_leads(axis, job.speed)
    timed = estimator_text.timing_edges(axis, estimator_text.WINDOWS) if leads else []
    return [*estimator_text.around(axis), *timed]


def _estimator_names(job: CommandJob) -> list[str]:
    from ..formats import estimator_text

    return [estimator_text.text(one, job.axis.scale.unit) for one in job.estimators]


def _frontier_in_words(job: CommandJob, fault: Fault) -> Fault:
    """A fault of one of the estimators under its text, others as of any closed loop."""
    match = re.match(r"frontier\.estimators\[([0-9]+)\]\.?", fault.field)
    fault = in_words(job, fault)
    if not match:
        return fault
    label, rest = f"--estimators, {job.names[int(match[1])]}", fault.field[match.end() :]
    return replace(fault, field=f"{label}: {rest}" if rest else label)


def _own(job: CommandJob) -> int | None:
    own = job.axis.estimator
    return job.estimators.index(own) if own in job.estimators else None


def _frontier_json(job: CommandJob) -> dict[str, Any]:
    cautions = [reporting.loop_text.ELSEWHERE]
    return job.result.to_dict() | {"names": job.names, "own": _own(job), "cautions": cautions}


FRONTIER = Command(
    examples='  encsim frontier axis.toml --speed "10.3 mm/s" --plot frontier.svg\n'
    '  encsim frontier axis.toml --speed "10.3 mm/s" --estimators "own; difference 1, 8; low-pass 300 Hz"',
    options=_frontier_options,
    inputs={
        "text": arguments.text,
        "axis": arguments.axis_of_text,
        "requirement": arguments.requirement,
        "speed": _speed,
        "estimators": _estimators,
        "names": _estimator_names,
    },
    work=lambda job: f"comparing {len(job.estimators)} estimators",
    compute=lambda job: encsim.frontier(job.axis, job.speed, job.estimators),
    outputs=[table("all candidates"), picture("draw delay against ripple")],
    json=_frontier_json,
    text=lambda job: reporting.loop_text.frontier(
        job.result, job.names, _own(job), requirement=job.requirement, long=job.long
    ),
    functions=("frontier",),
    reword=_frontier_in_words,
)


def _explain_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument("--speed", help=f'{SPEED_HELP}; "0 mm/s" is standstill {ANSWERED}')
    parser.add_argument(
        "--verify",
        action="store_true",
        help="check each remedy that helps by simulation, 64 runs each, as long as they need to settle",
    )


def _refuse_disagreement(job: CommandJob) -> None:
    if job.result.agrees is False:
        raise JobFailed(reporting.decision_text.disagreement(job.result))


EXPLAIN = Command(
    examples='  encsim explain axis.toml --speed "5 mm/s" --plot remedies.svg\n'
    '  encsim explain axis.toml --speed "5 mm/s" --verify --json',
    options=_explain_options,
    inputs={
        "text": arguments.text,
        "axis": arguments.axis_of_text,
        "requirement": arguments.requirement,
        "speed": _speed,
    },
    work=lambda job: "computing and simulating remedies" if job.args.verify else "computing remedies",
    compute=lambda job: encsim.explain(
        job.axis,
        job.speed,
        verify=job.args.verify,
        requirement=job.requirement,
        progress=job.progress,
    ),
    outputs=[table("causes and remedies"), picture("draw causes and remedies")],
    text=lambda job: reporting.decision_text.explanation(
        job.result, long=job.long, cautious=not job.args.quiet
    ),
    finish=_refuse_disagreement,
    functions=("explain",),
    reword=in_words,
)


def _choose_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "others",
        nargs="*",
        metavar="other.toml",
        help="further axis files: these and the first are then the candidates",
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] is used (default: that of the axis file)",
    )
    parser.add_argument(
        "--try",
        action="append",
        default=[],
        metavar="KEY=VALUES",
        help='values to try, "interpolation.factor=400, 4000" or "estimator=difference 1, 8; low-pass 300 Hz"; may '
        "be repeated: all combinations are tried",
    )
    parser.add_argument(
        "--candidates",
        metavar="FILE",
        help="file whose [candidates] lists the values, and their costs (default: that of the axis file)",
    )
    parser.add_argument(
        "--limit", default="100000", metavar="N", help="refuse more combinations than this (default: 100000)"
    )


def _choose_reads(args: argparse.Namespace) -> list[str | None]:
    return [args.axis, *args.others, args.requirement, args.candidates]


def _needed_requirement(job: CommandJob) -> Any:
    requirement = arguments.requirement(job)
    if requirement is None:
        hint = "[requirement] in the axis file, or a file of its own"
        raise InputError(Fault("--requirement", "be given", NOTHING, hint=hint))
    return requirement


def _candidates(job: CommandJob) -> tuple[Any, Any]:
    """Candidates and costs, as `choose` takes them."""
    return (_files(job), None) if job.args.others else _lists(job)


def _files(job: CommandJob) -> dict[str, Axis]:
    """Axes of all files, by name."""
    args = job.args
    if job.option("--try") or args.candidates:
        checks.refuse("--try", "be left out with further axis files, which are the candidates", NOTHING)
    faults, axes = Faults(), {args.axis: job.axis}
    for path in args.others:
        with faults:
            if path in axes:
                checks.refuse("file", "be named once", path)
            axes[path] = arguments.axis_in(arguments.axis_text(path), job, path)
    faults.done()
    short = [Path(path).stem for path in axes]
    names = short if len(set(short)) == len(short) else [os.fspath(path) for path in axes]
    return dict(zip(names, axes.values(), strict=True))


def _lists(job: CommandJob) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """Lists of values and costs: of the file, those of --try in their place."""
    from ..decisions import candidate_reader

    args, axis, options = job.args, job.axis, job.option("--try")
    faults, tried = Faults(), dict[str, list[Any]]()
    for option in options:
        with faults:
            path, values = candidate_reader.read_option(option, axis)
            tried[path] = [*tried.get(path, ()), *values]
    text, name = job.text, arguments.named(args.axis)
    lists: dict[str, list[Any]] = {}
    cost: dict[str, Any] | None = None
    with faults:
        if args.candidates is not None:
            text, name = arguments.axis_text(args.candidates), arguments.named(args.candidates)
        if args.candidates is not None or not options or candidate_reader.there(text, args.set):
            lists, cost = candidate_reader.loads(text, axis, name, args.set)
    faults.done()
    if not lists and not tried:
        raise InputError(Fault("--try", "be given", NOTHING, hint=NOTHING_TO_TRY))
    return lists | tried, cost


def _choose(job: CommandJob) -> Choice:
    candidates, cost = job.candidates
    return encsim.choose(job.axis, job.requirement, candidates, cost, job.limit, progress=job.progress)


def _refuse_all(job: CommandJob) -> None:
    if job.result.best is None:
        raise JobFailed(f"nothing fits; nearest: {reporting.decision_text.missed(job.result.nearest)}")


def _choose_in_words(job: CommandJob, fault: Fault) -> Fault:
    """A fault under the option or section that it comes from."""
    owner, _, name = fault.field.partition(".")
    if owner == "choose":
        section = name.replace("candidates", "[candidates]", 1).replace("cost", "[candidates.cost]", 1)
        hint = fault.hint.replace("raise limit", "raise --limit")
        return replace(fault, field="--limit" if name == "limit" else section, hint=hint)
    if owner == "Requirement":
        return replace(fault, field=f"requirement.{name}")
    return fault


CHOOSE = Command(
    examples='  encsim choose axis.toml --try "interpolation.factor=400, 1000, 4000"\n'
    "  encsim choose axis.toml --requirement limits.toml --candidates catalogue.toml --plot choice.svg\n"
    "  encsim choose coarse.toml fine.toml --requirement limits.toml",
    options=_choose_options,
    reads=_choose_reads,
    inputs={
        "limit": arguments.count("--limit", 1, 10**9),
        "text": arguments.text,
        "axis": arguments.axis_of_text,
        "requirement": _needed_requirement,
        "candidates": _candidates,
    },
    work="judging the candidates",
    compute=_choose,
    outputs=[table("all candidates"), picture("draw ripple against cost or delay")],
    text=lambda job: reporting.decision_text.choice(job.result, long=job.long, cautious=not job.args.quiet),
    finish=_refuse_all,
    reword=_choose_in_words,
)
