"""What the commands share on the command line: the parser, axis file, outputs, chance."""

import argparse


class UsageError(Exception):
    """A command line that cannot be read; its text is one line."""


class Parser(argparse.ArgumentParser):
    """A parser whose help begins with examples, and which reports a fault in one line."""

    def __init__(self, *, examples="", **settings):
        self.names = []
        self.examples = examples
        super().__init__(allow_abbrev=False, formatter_class=argparse.RawDescriptionHelpFormatter, **settings)

    def add_argument(self, *names, **settings):
        """Add an argument and remember its names, for the check of spelling."""
        self.names += [name for name in names if name.startswith("-")]
        return super().add_argument(*names, **settings)

    def format_help(self):
        """Examples first, then the usual help."""
        return f"{self.examples}\n{super().format_help()}"

    def print_help(self, file=None):
        """Print the help; unlike the base class let a failed write be known."""
        print(self.format_help(), end="", file=file)

    def error(self, message):
        """Raise instead of printing the usage and leaving."""
        raise UsageError(f"{message} (see {self.prog} --help)")


AXIS_HELP = "axis file (TOML); - is stdin"
SPEED_HELP = 'speed with its unit, "2 mm/s" or "30 rpm"'
PLOT_HELP = "draw a figure: .png, .svg or .pdf"


def common(parser):
    """Options every command has."""
    parser.add_argument("--quiet", action="store_true", help="no progress, hints or cautions")
    parser.add_argument("--debug", action="store_true", help="show the traceback of a crash")


def axis(parser):
    """The axis file and changes tried on it."""
    parser.add_argument("axis", metavar="axis.toml", help=AXIS_HELP)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help='try a change without editing: sampling.rate="8 kHz"; may be repeated',
    )


def outputs(parser, plot=PLOT_HELP, table="the series"):
    """Where results go."""
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object on stdout, nothing else there"
    )
    if table:
        parser.add_argument("--csv", metavar="FILE", help=f"write {table} as a table; - is stdout")
    if plot:
        parser.add_argument("--plot", metavar="FILE", help=plot)
    force(parser)


def force(parser):
    """The option ``--force``."""
    parser.add_argument(
        "--force", action="store_true", help="replace output files that exist (default: refuse)"
    )


def chance(parser):
    """The option ``--seed``."""
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    parser.add_argument("--threads", metavar="N", help="threads to compute with (default: as many as useful)")
