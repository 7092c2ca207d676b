"""Commands about an axis file and its variants: check, show, sweep."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import encsim

from .. import checks, reporting
from ..model import bounds
from . import arguments
from .command import Command, Output, table
from .parser import axis_option

if TYPE_CHECKING:
    from .command import CommandJob
    from .parser import Parser

# Commas that stand in no brackets, braces or quotes.
_PARTS = re.compile(r"""(?:[^,\[{"']|\[[^\]]*\]|\{[^}]*\}|"[^"]*"|'[^']*')+""")


def _sections(job: CommandJob) -> list[str]:
    """Names of the sections that the file has, with those that --set makes."""
    from ..formats import axis_file, toml_text

    document = toml_text.document(job.text, arguments.named(job.args.axis))
    axis_file.apply_settings(document, job.args.set)
    return list(document)


def _requirement(job: CommandJob) -> Any:
    from ..decisions import requirements

    if requirements.SECTION not in job.sections:
        return None
    return requirements.loads(job.text, arguments.named(job.args.axis), job.axis, job.args.set)


def _candidates(job: CommandJob) -> Any:
    from ..decisions import candidate_reader

    if candidate_reader.SECTION not in job.sections:
        return None
    return candidate_reader.loads(job.text, job.axis, arguments.named(job.args.axis), job.args.set)[0]


def _spread(job: CommandJob) -> Any:
    from ..spreads import description

    if description.SECTION not in job.sections:
        return None
    return description.loads(job.text, job.axis, arguments.named(job.args.axis), job.args.set)


def _checked(job: CommandJob) -> dict[str, Any]:
    """What the file holds and what its jobs would take, plain."""
    from ..model.axis import PARTS
    from ..time_domain import sweeps

    defaults = [name for name in PARTS if name not in job.sections and getattr(job.axis, name) is not None]
    return {
        "kind": "Check",
        "version": encsim.__version__,
        "valid": True,
        "sections": job.sections,
        "defaults": defaults,
        "samples_per_second": round(job.axis.sampling.rate),
        "samples_of_check": sweeps.most_simulated(job.axis),
        "fastest": bounds.fastest(job.axis),
        "bounds": {bound.keys: [bound.low, bound.high] for bound in bounds.TABLE},
        "candidates": math.prod(map(len, job.candidates.values())) if job.candidates else 0,
    }


CHECK = Command(
    examples='  encsim check axis.toml\n  encsim check axis.toml --set sampling.rate="8 kHz" --json',
    options=axis_option,
    inputs={
        "text": arguments.text,
        "sections": _sections,
        "axis": arguments.axis_of_text,
        "requirement": _requirement,
        "candidates": _candidates,
        "spread": _spread,
    },
    compute=_checked,
    json=lambda job: job.result,
    text=lambda job: reporting.tolerance_text.check(
        arguments.named(job.args.axis), job.axis, job.result, long=job.long
    ),
)


def _effective(job: CommandJob) -> str:
    from ..formats.axis_file import OTHER_SECTIONS

    others = [name for name in job.sections if name in OTHER_SECTIONS]
    return str(
        reporting.tolerance_text.effective(job.axis, arguments.named(job.args.axis), job.args.set, others)
    )


def _plain(job: CommandJob) -> dict[str, Any]:
    import tomllib

    return {"kind": "Axis", "version": encsim.__version__, **tomllib.loads(job.result)}


SHOW = Command(
    examples='  encsim show axis.toml\n  encsim show axis.toml --set sampling.rate="8 kHz" -o changed.toml',
    options=axis_option,
    inputs={"text": arguments.text, "sections": _sections, "axis": arguments.axis_of_text},
    compute=_effective,
    outputs=[Output("--output", "write an axis file; - is stdout", lambda job: job.result, short="-o")],
    json=_plain,
    text=lambda job: "" if job.args.output else job.result,
)


def _sweep_options(parser: Parser) -> None:
    axis_option(parser)
    parser.add_argument(
        "values",
        nargs="+",
        metavar="KEY=VALUES",
        help='a key as of --set and values to try, sampling.rate="8 kHz,16 kHz"; several keys: all combinations',
    )
    parser.add_argument(
        "--of",
        default="rms",
        metavar="VALUE",
        help="rms, peak, or relative: rms as a share of the speed (default: rms)",
    )
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help='as of encsim ripple, "a : b : n" or a list "1 mm/s, 5 mm/s" (default: those of encsim ripple)',
    )


def _values(job: CommandJob) -> dict[str, list[str]]:
    """{key: values as text}, split at commas outside brackets and quotes."""
    values: dict[str, list[str]] = {}
    for setting in job.args.values:
        key, equals, text = setting.partition("=")
        listed = [part.strip() for part in _PARTS.findall(text) if part.strip()]
        if not equals or not key.strip() or not listed:
            checks.refuse(
                "KEY=VALUES", 'be a key and its values, as in sampling.rate="8 kHz,16 kHz"', setting
            )
        if ";" in text and key.strip() != "estimator":
            checks.refuse(
                "KEY=VALUES", 'separate values by commas, as in sampling.rate="8 kHz,16 kHz"', setting
            )
        if key.strip() in values:
            checks.refuse("KEY=VALUES", "name each key once", setting)
        values[key.strip()] = listed
    return values


SWEEP = Command(
    examples='  encsim sweep axis.toml sampling.rate="8 kHz,16 kHz"\n'
    '  encsim sweep axis.toml interpolation.factor=400,4000 --of relative --speeds "1 mm/s, 10 mm/s" --csv s.csv',
    options=_sweep_options,
    inputs={"axis": arguments.axis, "values": _values, "speeds": arguments.speeds},
    work=lambda job: f"computing {len(job.speeds)} speeds",
    compute=lambda job: encsim.sweep(job.axis, job.values, job.speeds, job.args.of, progress=job.progress),
    outputs=[table("speeds and values")],
    text=lambda job: reporting.tolerance_text.sweep(job.result, long=job.long, cautious=not job.args.quiet),
    functions=("sweep",),
    names={"values": "KEY=VALUES"},
)
