"""What the commands share on the command line: the parser, axis file, outputs, chance."""

from __future__ import annotations

import argparse
from typing import Any


class UsageError(Exception):
    """A command line that cannot be read; its text is one line."""


class Parser(argparse.ArgumentParser):
    """A parser whose help begins with examples, and which reports a fault in one line."""

    def __init__(self, *, examples: str = "", **settings: str) -> None:
        self.names = []
        self.examples = examples
        super().__init__(allow_abbrev=False, formatter_class=argparse.RawDescriptionHelpFormatter, **settings)

    def add_argument(self, *names: str, **settings: bool | list[Any] | str | None) -> Any:
        """Add an argument and remember its names, for the check of spelling."""
        self.names += [name for name in names if name.startswith("-")]
        return super().add_argument(*names, **settings)

    def format_help(self) -> str:
        """Examples first, then the usual help."""
        return f"{self.examples}\n{super().format_help()}"

    def print_help(self, file: None = None) -> None:
        """Print the help; unlike the base class let a failed write be known."""
        print(self.format_help(), end="", file=file)

    def error(self, message: str) -> None:
        """Raise instead of printing the usage and leaving."""
        raise UsageError(f"{message} (see {self.prog} --help)")


AXIS_HELP = "axis file (TOML); - is stdin"
SPEED_HELP = 'speed with its unit, "2 mm/s" or "30 rpm"'
PLOT_HELP = "draw a figure: .png, .svg or .pdf"


def common(parser: Parser) -> None:
    """Options every command has."""
    parser.add_argument("--quiet", action="store_true", help="no progress, hints or cautions")
    parser.add_argument("--debug", action="store_true", help="show the traceback of a crash")


def axis(parser: Parser) -> None:
    """The axis file and changes tried on it."""
    parser.add_argument("axis", metavar="axis.toml", help=AXIS_HELP)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help='try a change without editing: sampling.rate="8 kHz"; may be repeated',
    )


def outputs(parser: Parser, plot: str | None = PLOT_HELP, table: str | None = "the series") -> None:
    """Where results go."""
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object on stdout, nothing else there"
    )
    if table:
        parser.add_argument("--csv", metavar="FILE", help=f"write {table} as a table; - is stdout")
    if plot:
        parser.add_argument("--plot", metavar="FILE", help=plot)
    force(parser)


def force(parser: Parser) -> None:
    """The option ``--force``."""
    parser.add_argument(
        "--force", action="store_true", help="replace output files that exist (default: refuse)"
    )


def chance(parser: Parser) -> None:
    """The option ``--seed``."""
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    parser.add_argument("--threads", metavar="N", help="threads to compute with (default: as many as useful)")
