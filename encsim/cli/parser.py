"""The table of all commands, and the parsers that read a command line.

Only the standard library is loaded here, so that help comes at once: the module of a command's family is loaded when
that command is asked for, and what it computes with when it runs.
"""

from __future__ import annotations

import argparse
import importlib
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .command import Command

# {command: (module of its family, what it does)}; the module holds a Command of the same name in capitals.
COMMANDS = {
    "new": ("axis_commands", "write a commented axis file to start from"),
    "check": ("file_commands", "check an axis file: all faults, or contents and cost"),
    "show": ("file_commands", "show the effective axis file, with all defaults"),
    "ripple": ("axis_commands", "predict the velocity ripple against speed, by cause"),
    "sweep": ("file_commands", "compare the ripple for several values of a key"),
    "period": ("axis_commands", "show the error within one signal period"),
    "simulate": ("axis_commands", "simulate the encoder at one speed, sample by sample"),
    "stream": ("stream_commands", "write the samples of an encoder to a file, pipe or program"),
    "identify": ("recording_commands", "identify the signal errors of two recorded channels"),
    "compare": ("recording_commands", "compare a recording with the prediction for an axis"),
    "separate": (
        "recording_commands",
        "tell errors of the encoder from motion of the machine, in several recordings",
    ),
    "fit": ("recording_commands", "fit keys of an axis file to recordings"),
    "limits": ("axis_commands", "show top speed, resolution, aliasing and null speeds"),
    "loop": ("loop_commands", "show the margins and the ripple of the closed loop"),
    "run": ("time_commands", "simulate the closed loop with friction, cogging and limits"),
    "step": ("time_commands", "compute the step or ramp response of the closed loop"),
    "tune": ("loop_commands", "propose gains for given margins and torque ripple"),
    "frontier": ("decision_commands", "compare velocity estimators: delay against ripple"),
    "explain": (
        "decision_commands",
        "explain the ripple at a speed: causes and remedies",
    ),
    "choose": (
        "decision_commands",
        "rank candidates by a requirement",
    ),
    "tolerance": (
        "spread_commands",
        "compute the yield of a design and the tolerance to tighten",
    ),
    "report": (
        "spread_commands",
        "write a page about the axis for a customer (HTML)",
    ),
    "ring": (
        "ring_commands",
        "compute the errors of a mounted ring, heads and centring",
    ),
    "calibrate": (
        "calibration_commands",
        "compute error maps of rings from readings",
    ),
}
TOP_EXAMPLES = """examples:
  encsim new axis.toml
  encsim ripple axis.toml --plot ripple.svg
"""
SPEED_HELP = 'speed with its unit, "2 mm/s" or "30 rpm"'


# What the parser says, and what is said in its place.
_COMPLAINTS = {
    r"^the following arguments are required: -o/--output": "-o must be given, as in -o page.html, got nothing",
    r"^the following arguments are required: (.*)": r"\1 must be given, got nothing",
    r"^argument (.*): expected one argument": r"\1 must be followed by a value, got nothing",
    r"^unrecognized arguments: (.*)": r'argument must be one that {} takes, got "\1"',
}


class UsageError(Exception):
    """A command line that cannot be read; its text is one line."""


class Parser(argparse.ArgumentParser):
    """A parser whose help begins with examples, and which reports a fault in one line."""

    def __init__(self, *, examples: str, **settings: Any) -> None:
        self.names: list[str] = []
        self.examples = examples
        super().__init__(allow_abbrev=False, formatter_class=argparse.RawDescriptionHelpFormatter, **settings)

    def add_argument(self, *names: str, **settings: Any) -> Any:
        """Add an argument and remember its names, for the check of spelling."""
        self.names += [name for name in names if name.startswith("-")]
        return super().add_argument(*names, **settings)

    def format_help(self) -> str:
        """Examples first, then the usual help."""
        return f"{self.examples}\n{super().format_help()}"

    def print_help(self, file: Any = None) -> None:
        """Print the help; unlike the base class let a failed write be known."""
        print(self.format_help(), end="", file=file)

    def error(self, message: str) -> Any:
        """Raise instead of printing the usage and leaving, in the pattern of every other complaint."""
        for pattern, words in _COMPLAINTS.items():
            message = re.sub(pattern, words.format(self.prog), message)
        speed = "--speed" if "--speed" in self.names else "--speeds" if "--speeds" in self.names else ""
        given = re.search(r'got "([0-9].*/.*|[0-9].*rpm)"', message)
        hint = f'; as in {speed} "{given[1]}"' if given and speed else ""
        raise UsageError(f"{message}{hint} (see {self.prog} --help)")


def load(name: str) -> Command:
    """The declaration of a command, from the module of its family."""
    home = importlib.import_module(f".{COMMANDS[name][0]}", __package__)
    return getattr(home, name.upper())


def build_parser(name: str | None = None) -> Parser:
    """The parser of the whole line, or of one command alone."""
    if name is not None:
        return _command_parser(name, load(name))
    listing = "\n".join(f"  {name:10} {purpose}" for name, (_, purpose) in COMMANDS.items())
    parser = Parser(
        prog="encsim",
        usage="encsim COMMAND ...",
        examples=TOP_EXAMPLES,
        description="Predict the velocity ripple of an axis with a position encoder.",
        epilog=f"commands:\n{listing}\n\nencsim help COMMAND shows the options of one.\n"
        "Exit status: 0 done, 1 the job failed or a fit is refused, 2 wrong input, 70 a crash\n"
        "(a fault of encsim itself: --debug shows where), 130 interrupted.",
    )
    parser.add_argument("--version", action="store_true", help="show the version and exit")
    parser.add_argument(
        "--print-completion",
        metavar="SHELL",
        help="print a script that completes commands and options in bash, zsh, fish or tcsh (needs shtab)",
    )
    return parser


def completion(shell: str) -> str:
    """Script that completes commands, options and file names in a shell."""
    try:
        import shtab
    except ImportError:
        raise UsageError("--print-completion needs the package shtab: pip install shtab") from None
    if shell not in shtab.SUPPORTED_SHELLS:
        raise UsageError(
            f'--print-completion must be one of {", ".join(shtab.SUPPORTED_SHELLS)}, got "{shell}"'
        )
    parser = build_parser()
    commands = parser.add_subparsers(dest="command")
    for name, (_, purpose) in COMMANDS.items():
        each = commands.add_parser(
            name, help=purpose, examples="", parents=[build_parser(name)], add_help=False
        )
        for action in each._actions:
            if not action.option_strings or action.metavar in ("FILE", "F"):
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    return shtab.complete(parser, shell)


def _command_parser(name: str, command: Command) -> Parser:
    """The parser of one command: its own options, its outputs, and what all have."""
    purpose = COMMANDS[name][1]
    parser = Parser(
        prog=f"encsim {name}",
        description=f"{purpose[0].upper()}{purpose[1:]}.",
        examples=f"examples:\n{command.examples}\n",
    )
    command.options(parser)
    if command.json is not None:
        parser.add_argument(
            "--json", action="store_true", help="print one JSON object on stdout, nothing else there"
        )
    for output in command.outputs:
        parser.add_argument(*output.names, **output.settings, help=output.help)
    parser.add_argument("--long", action="store_true", help="print all columns, rows, notes and cautions")
    if "--units" in parser.format_usage():  # of the columns of a recording: those of the output follow
        parser.set_defaults(units=None)
    else:
        parser.add_argument(
            "--units", metavar="UNITS", help='units of the output, "mm/s, nm" (default: those of your input)'
        )
    parser.add_argument(
        "--force", action="store_true", help="replace output files that exist (default: refuse)"
    )
    parser.add_argument("--quiet", action="store_true", help="no progress, hints or cautions")
    parser.add_argument("--debug", action="store_true", help="show the traceback of a crash")
    return parser


def axis_option(parser: Parser, *, several: bool = False) -> None:
    """The axis file, or several of them, and changes tried on it."""
    words = {"help": "axis file (TOML); - is stdin"}
    if several:
        words = {"nargs": "+", "help": "axis file (TOML), or several to compare; - is stdin"}
    parser.add_argument("axis", metavar="axis.toml", **words)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help='try a change without editing: sampling.rate="8 kHz"; may be repeated',
    )


def seed_option(parser: Parser) -> None:
    """The option ``--seed``."""
    parser.add_argument(
        "--seed", default="0", metavar="N", help="seed of the random numbers, a whole number (default: 0)"
    )


def threads_option(parser: Parser) -> None:
    """The option ``--threads``."""
    parser.add_argument(
        "--threads", metavar="N", help="threads to compute with (default: chosen automatically)"
    )
