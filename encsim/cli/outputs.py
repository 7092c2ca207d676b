"""Where results go: targets are checked before the work, files written whole after it, stdout comes last."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import checks, files
from ..progress import Progress as Progress

if TYPE_CHECKING:
    import argparse

    from ..checks import Fault
    from ..presentation.report_layout import Report


PICTURES = (".png", ".svg", ".pdf")
# Columns below which no text is laid out.
LEAST_WIDTH = 20
LONGEST_LINE = 2000


class JobFailed(Exception):
    """The input was right, but the job could not be done; its text is one line."""


class Faults:
    """Collects the faults of several steps, so that all are reported at once: ``with faults: step()``."""

    def __init__(self) -> None:
        self.found: list[Fault] = []

    def __enter__(self) -> Faults:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: Any) -> bool:
        if isinstance(error, checks.InputError):
            self.found += error.faults
            return True
        return False

    def done(self) -> None:
        """Raise all that was collected."""
        if self.found:
            raise checks.InputError(*self.found)


def check_targets(args: argparse.Namespace, targets: list[tuple[str, str | None]], read: list[str]) -> None:
    """Raise for every output, (option, name), that cannot or must not be written."""
    faults = Faults()
    taken = {os.path.realpath(name): "read" for name in read if name != "-" and "\0" not in name}
    if getattr(args, "json", False):
        taken["-"] = "--json"
    for option, name in targets:
        with faults:
            if name is not None:
                _check_target(option, name, args.force)
                _check_alone(option, name, taken)
    faults.done()


def is_picture(option: str) -> bool:
    """Whether what the option names is a picture."""
    return option.startswith("--plot")


def _check_target(option: str, name: str, force: bool) -> None:
    """Raise if this one target cannot be written."""
    if is_picture(option) and Path(name).suffix.lower() not in PICTURES:
        checks.refuse(option, f"name a file that ends in {', '.join(PICTURES)}", name)
    if name == "-":
        return
    try:
        _check_place(option, Path(name), force)
    except checks.InputError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        checks.refuse(option, f"name a file that can be written ({reason})", name)


def _check_place(option: str, path: Path, force: bool) -> None:
    """Raise if something is in the way, or the folder takes no file."""
    if not str(path) or path.is_dir():
        checks.refuse(option, "name a file, not a folder", str(path))
    if path.exists() and not path.is_file():
        checks.refuse(option, "name an ordinary file", str(path))
    if path.exists() and not force:
        checks.refuse(option, "name a file that does not exist yet", str(path), hint="--force replaces it")
    parent = Path(os.path.realpath(path)).parent
    if not parent.is_dir():
        checks.refuse(option, "name a file in a folder that exists", str(path))
    # Permission bits do not tell all (read-only and full file systems, root); a nameless trial file does.
    with tempfile.TemporaryFile(dir=parent):
        pass


def _check_alone(option: str, name: str, taken: dict[Any, str]) -> None:
    """Raise if another output goes to the same place, or the file is being read."""
    place = "-" if name == "-" else os.path.realpath(name)
    other = taken.setdefault(place, option)
    if other == "read":
        checks.refuse(option, "differ from the file that is read", name)
    if other != option:
        checks.refuse(option, f"go elsewhere than {other}", name)


def drawn(axes: Any, name: str) -> bytes:
    """Bytes of the file that shows the figure of these Axes."""
    import io

    from ..presentation import canvas

    stream = io.BytesIO()
    canvas.save(axes.figure, stream, Path(name).suffix[1:])
    return stream.getvalue()


def write_file(name: str, content: bytes | str, force: bool) -> None:
    """Write one file; that it fails after the check is no fault of the input."""
    try:
        files.write_whole(os.path.realpath(name), content, force=force)
    except checks.InputError as error:
        raise JobFailed(str(error)) from error


def laid_out(text: str | Report) -> str:
    """A report as wide as the terminal, 80 columns where that is not known, in colours where they are wanted."""
    from ..presentation import report_layout

    colour = coloured(sys.stdout)
    if isinstance(text, str):
        return report_layout.painted(text, colour)
    return text.text(max(shutil.get_terminal_size().columns, LEAST_WIDTH), colour)


def coloured(stream: Any) -> bool:
    """Whether a stream takes colours: NO_COLOR, FORCE_COLOR and TERM=dumb decide before the terminal does."""
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return os.environ.get("TERM") != "dumb" and stream is not None and stream.isatty()


def write_stdout(text: str) -> None:
    """Write text to stdout, whatever characters its encoding knows."""
    stream = sys.stdout
    if stream is None:
        return
    try:
        stream.write(text)
    except UnicodeEncodeError:
        plain = text.translate(_PLAIN)
        stream.write(plain.encode(stream.encoding, "backslashreplace").decode(stream.encoding))


_PLAIN = str.maketrans(
    {"µ": "u", "\u202f": " ", "\u2212": "-", "″": "arcsec", "°": "deg", "∞": "inf", "–": "-"}
)


def say(text: str) -> None:
    """Lines on stderr, each behind the program's name; lost where stderr is closed."""
    if sys.stderr is not None:
        lines = [checks.one_line(line, LONGEST_LINE) for line in text.split("\n")]
        with contextlib.suppress(OSError):
            sys.stderr.write("".join(f"encsim: {line}\n" for line in lines))
            sys.stderr.flush()
