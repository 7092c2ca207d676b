"""Commands about many axes of one design, and the page for those who do not compute: tolerance, report."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from . import arguments
from .command import Command, Output, picture, table, written
from .outputs import JobFailed
from .parser import axis_option, seed_option

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from ..reporting.page_blocks import Subject
    from ..spreads.tolerancing import Tolerance
    from .command import CommandJob
    from .parser import Parser


MOST_WORKERS, MOST_SHOWN = 1024, 100_000
# Speeds of a range, sampling nulls at most that get more, and these as shares of a null speed.
SPEEDS, MOST_NULLS = 400, 20
BESIDE_NULL = [0.98, 0.99, 0.995, 0.998, 1.0, 1.002, 1.005, 1.01, 1.02]


def _tolerance_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "--spread",
        metavar="FILE",
        help="file whose [spread] says what differs from axis to axis (default: that of the axis file): lines such as "
        'signal.gain = {normal = 0.01} (standard deviation), signal.phase = {uniform = "5 mrad"} or '
        '{triangular = "5 mrad"} (half of the width); with temperature = {uniform = "15 K"} also per_kelvin = "9 urad"',
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] the axes are held to (default: that of the axis file, if it has one)",
    )
    parser.add_argument("--samples", default="1000", metavar="N", help="axes to draw (default: 1000)")
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help="as of encsim ripple (default: 400 over the range of the requirement, closer beside sampling nulls)",
    )
    seed_option(parser)
    parser.add_argument(
        "--workers",
        metavar="N",
        help="processes to compute with (default: one per CPU); the results do not depend on it",
    )
    parser.add_argument(
        "--resume", metavar="FILE", help="keep finished axes in this file, and go on from there next time"
    )


def _tolerance_reads(args: argparse.Namespace) -> list[str | None]:
    """Files that the command reads, and the one that it goes on with."""
    return [args.axis, args.spread, args.requirement, args.resume]


def _samples(job: CommandJob) -> int | None:
    from ..spreads.tolerancing import MOST_SAMPLES

    return arguments.count("--samples", 2, MOST_SAMPLES)(job)


def _spread(job: CommandJob) -> dict[str, Any]:
    """The spread of its own file, else that of the axis file."""
    from ..spreads import description

    args = job.args
    if args.spread is None:
        return description.loads(job.text, job.axis, arguments.named(args.axis), args.set)
    return description.loads(
        arguments.axis_text(args.spread), job.axis, arguments.named(args.spread), args.set
    )


def _speeds(job: CommandJob) -> Sequence[float]:
    """Speeds of --speeds; else those of the requirement or that matter, so close that lines between them are true."""
    if job.args.speeds is not None:
        return arguments.speeds(job)
    import numpy as np

    from ..open_loop import limits
    from ..spreads.tolerancing import MOST_VALUES

    low, high = limits.speed_range(job.axis)
    if job.requirement is not None:
        lowest, high = job.requirement.speeds
        low = lowest or min(low, high / 1e3)
    if low == high:
        return [high]
    marks = [mark for mark, _ in encsim.ripple(job.axis, [low, high]).vanishing[:MOST_NULLS]]
    beside = np.multiply.outer(marks, BESIDE_NULL).ravel()
    # fewer for very many axes: all values are kept
    count = max(min(SPEEDS, MOST_VALUES // job.samples - len(beside)), 2)
    every = np.concatenate([limits.logarithmic(low, high, count), beside])
    return np.unique(every[(every >= low) & (every <= high)]).tolist()


def _tolerance(job: CommandJob) -> Tolerance:
    """Ripple and yield of many axes drawn around one."""
    resume = job.args.resume
    kept = f"; what is done is kept in {resume}" if resume else ""
    try:
        return encsim.tolerance(
            job.axis,
            job.spread,
            job.speeds,
            job.samples,
            job.seed,
            job.requirement,
            executor=job.workers,
            resume=resume,
            progress=job.progress,
        )
    except encsim.WorkersLost as error:
        raise JobFailed(f"{error}{kept}") from error
    except KeyboardInterrupt:
        job.warn(f"interrupted{kept}")
        raise


TOLERANCE = Command(
    examples="  encsim tolerance axis.toml --plot pass.svg\n"
    "  encsim tolerance axis.toml --spread spread.toml --requirement limits.toml --samples 10000 "
    "--resume axes.npz",
    options=_tolerance_options,
    reads=_tolerance_reads,
    inputs={
        "samples": _samples,
        "seed": arguments.SEED,
        "workers": arguments.count("--workers", 1, MOST_WORKERS),
        "text": arguments.text,
        "axis": arguments.axis_of_text,
        "spread": _spread,
        "requirement": arguments.requirement,
        "speeds": _speeds,
    },
    work=lambda job: f"computing {job.samples} axes",
    compute=_tolerance,
    outputs=[table("the band"), picture("draw the band of ripple and the share that passes")],
    text=lambda job: reporting.tolerance_text.tolerance(
        job.result, long=job.long, cautious=not job.args.quiet
    ),
    functions=("tolerance",),
)


def _report_options(parser: Parser) -> None:
    axis_option(parser, several=True)
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help='a range to show, "a : b : n" with n from 20 on, or up to 12 speeds that get a place of their own on the '
        "speed slider (default: the range of the requirement, else that of encsim ripple)",
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] the axis is judged by (default: that of the axis file, if it has one)",
    )
    parser.add_argument("--title", metavar="TEXT", help="heading of the page")
    parser.add_argument("--lang", default="en", metavar="CODE", help="language of the page (default: en)")
    parser.add_argument(
        "--samples",
        default="500",
        metavar="N",
        help="axes to draw where the axis file has a [spread] (default: 500; 0: leave it out)",
    )
    seed_option(parser)
    parser.add_argument(
        "--reproducible", action="store_true", help="leave the date out: the same bytes each time"
    )


def _subjects(job: CommandJob) -> list[Subject]:
    """The axes of the page, named by their files, each with its limits."""
    from pathlib import Path

    named = [arguments.named(name) for name in job.args.axis]
    requirements = [
        arguments.requirement_of(job, name, text, axis)
        for name, text, axis in zip(named, job.texts, job.axes, strict=True)
    ]
    if len(named) == 1:
        return reporting.page_blocks.subjects(job.axis, requirements[0], None)
    stems = [Path(name).stem for name in named]
    names = stems if len(set(stems)) == len(stems) else named
    if len(set(names)) < len(names):
        checks.refuse("axis.toml", "be another file each time", ", ".join(named))
    found = reporting.page_blocks.subjects(dict(zip(names, job.axes, strict=True)), None, None)
    return [replace(one, requirement=own) for one, own in zip(found, requirements, strict=True)]


def _spread_if_any(job: CommandJob) -> dict[str, Any] | None:
    """The spread of the axis file, if it has one and is the only one."""
    from ..formats.sections import Section
    from ..spreads import description

    name, text = arguments.named(job.args.axis[0]), job.texts[0]
    if len(job.texts) > 1 or not Section(text, description.SECTION, name, job.args.set).table:
        return None
    return description.loads(text, job.axis, name, job.args.set)


def _page(job: CommandJob) -> str:
    """Text of the page, with the spread between axes where that is given."""
    first, *more = job.subjects
    if job.spread is not None and job.samples:
        job.progress.show(f"computing {job.samples} axes")
        shown = reporting.page_speeds.shown_speeds(first.axis, job.speeds, first.requirement)
        drawn = encsim.tolerance(first.axis, job.spread, shown, job.samples, job.seed, first.requirement)
        first = replace(first, tolerance=drawn)
    return reporting.page.page(
        [first, *more],
        speeds=job.speeds,
        title=job.args.title,
        reproducible=job.args.reproducible,
        seed=job.seed,
        lang=job.lang,
        progress=job.progress,
    )


REPORT = Command(
    examples="  encsim report axis.toml -o page.html\n"
    '  encsim report axis.toml -o page.html --requirement limits.toml --speeds "5 mm/s, 72 mm/s" --title "Stage X"\n'
    "  encsim report before.toml after.toml -o page.html --requirement limits.toml",
    options=_report_options,
    reads=lambda args: [*args.axis, args.requirement],
    inputs={
        "seed": arguments.SEED,
        "samples": arguments.count("--samples", 0, MOST_SHOWN),
        "lang": lambda job: reporting.page_words.language(job.args.lang).code,
        "texts": lambda job: [arguments.axis_text(name) for name in job.args.axis],
        "axes": lambda job: [
            arguments.axis_in(text, job, name) for text, name in zip(job.texts, job.args.axis, strict=True)
        ],
        "axis": lambda job: job.axes[0],
        "spread": _spread_if_any,
        "speeds": lambda job: None if job.args.speeds is None else arguments.speeds(job),
        "subjects": _subjects,
    },
    work="computing the page",
    compute=_page,
    outputs=[
        Output(
            "--output",
            "page to write; - is stdout",
            lambda job: job.result,
            {"metavar": "page.html", "required": True},
            short="-o",
        )
    ],
    json=None,
    text=lambda job: written(
        job,
        f"{job.args.output} is written, {len(job.result.encode()) / 1e3:.0f} kB. Open it in a browser.",
    ),
    functions=("report",),
    names={"axis": "axis.toml"},
)
