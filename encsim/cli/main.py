"""The ``encsim`` command line: how a run starts and how it ends. Computes nothing.

A command's own modules are loaded when it runs.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from typing import TYPE_CHECKING

from .. import __version__
from .parser import COMMANDS, UsageError, build_parser, completion, load

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .parser import Parser


# A crash has the number of sysexits.h for a fault of the program itself.
LONGEST = 400
OK, FAILED, WRONG_INPUT, CRASHED, INTERRUPTED, TERMINATED = 0, 1, 2, 70, 130, 143


class Terminated(KeyboardInterrupt):
    """The process is asked to end (SIGTERM): finished work is kept and workers end as after Ctrl-C."""


def main(argv: list[str] | None = None) -> int:
    """Run one command line."""
    argv = list(sys.argv[1:] if argv is None else argv)
    try:
        _end_as_interrupted()
        # No window is opened; a backend that Matplotlib does not know would keep it from being loaded.
        os.environ.pop("MPLBACKEND", None)
        code = _guarded(argv)
        if sys.stdout is not None:
            sys.stdout.flush()
        return code
    except Terminated:
        return TERMINATED
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        _forget_stdout()
        return OK
    except OSError as error:
        _forget_stdout()
        return say(f"stopped by the system: {error.strerror or error}", FAILED)


def _end_as_interrupted() -> None:
    """Let SIGTERM end a run as Ctrl-C does, unless somebody handles it already."""

    def end(number: int, frame: object) -> None:
        raise Terminated

    in_main_thread = threading.current_thread() is threading.main_thread()
    if in_main_thread and signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, end)


def _guarded(argv: list[str]) -> int:
    """Run, and turn every way to fail into its exit code and lines on stderr."""
    try:
        return _run(argv)
    except (KeyboardInterrupt, OSError):
        raise
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else OK
    except UsageError as error:
        from ..checks import one_line

        return say(one_line(str(error), LONGEST), WRONG_INPUT)
    except MemoryError:
        return say("not enough memory for this job: ask for fewer samples or speeds", FAILED)
    except Exception as error:
        return _explained(error, "--debug" in argv)


def _explained(error: Exception, debug: bool) -> int:
    """Exit code for an error that a module raised, said in its own words."""
    from ..checks import InputError
    from .outputs import JobFailed

    if isinstance(error, InputError):
        return say("\n".join(map(str, error.faults)), WRONG_INPUT)
    if isinstance(error, JobFailed):
        return say(str(error), FAILED)
    text = " ".join(str(error).split())
    if debug:
        import traceback

        traceback.print_exception(error)
    return say(
        f"crashed, {type(error).__name__}: {text}; this is a fault of encsim {__version__}: please report this line, "
        "the command line and what --debug prints",
        CRASHED,
    )


def say(text: str, code: int) -> int:
    """Print lines on stderr, each behind the program's name; returns the code."""
    from . import outputs

    outputs.say(text)
    return code


def _run(argv: list[str]) -> int:
    """Read the command line and run its command."""
    if argv[:1] == ["help"]:
        argv = [*argv[1:2], "--help"]
    if not argv or argv[0].startswith("-"):
        parser = build_parser()
        _check_spelling(parser, argv)
        asked = parser.parse_args(argv)
        if asked.version:
            print(f"encsim {__version__}")
            return OK
        if asked.print_completion is not None:
            print(completion(asked.print_completion))
            return OK
        raise UsageError(f"COMMAND must be given, one of {', '.join(COMMANDS)} (see encsim --help)")
    command, rest = argv[0], _joined(argv[1:])
    if command not in COMMANDS:
        raise UsageError(
            f'COMMAND must be one of {", ".join(COMMANDS)}, got "{command[:80]}"{_nearest(command, COMMANDS)}'
        )
    parser = build_parser(command)
    _check_spelling(parser, rest)
    load(command).run(parser.parse_args(rest))
    return OK


def _joined(argv: list[str]) -> list[str]:
    """Arguments with a negative quantity tied to its option, ``--speed -2mm/s``: else taken for one."""
    joined: list[str] = []
    for token in argv:
        negative = (token[:1] == "-" and token[1:2].isdigit()) or token[:2] == "-."
        if negative and joined and joined[-1].startswith("--") and "=" not in joined[-1]:
            joined[-1] += f"={token}"
        else:
            joined.append(token)
    return joined


def _check_spelling(parser: Parser, argv: list[str]) -> None:
    """Raise for the first option that the command does not have, naming the nearest."""
    for token in argv:
        if token == "--":
            return
        name, _, value = token.partition("=")
        if name.startswith("--") and name not in parser.names:
            raise UsageError(
                f'option must be one that {parser.prog} has, got "{name[:80]}"'
                f"{_nearest(name, parser.names)} (see {parser.prog} --help)"
            )
        # argparse would take the value away
        if value == "--" or (token[:2] in parser.names and token[2:] == "--"):
            raise UsageError(f'{name} must have a value, got "--" (see {parser.prog} --help)')


def _nearest(word: str, known: Iterable[str]) -> str:
    """``; did you mean ...`` for a word near a known one."""
    import difflib

    near = difflib.get_close_matches(word[:80], list(known), n=1, cutoff=0.7)
    return f"; did you mean {near[0]}?" if near else ""


def _forget_stdout() -> None:
    """Point stdout at nothing, so that leaving does not try to write the rest and complain."""
    import contextlib

    with contextlib.suppress(Exception):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
