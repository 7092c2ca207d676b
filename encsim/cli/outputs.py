"""Where results go: targets are checked before the work, files written whole after it, stdout comes last."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import checks, files

if TYPE_CHECKING:
    import argparse

    from ..checks import InputError


PICTURES = (".png", ".svg", ".pdf")


class JobFailed(Exception):
    """The input was right, but the job could not be done; its text is one line."""


class Faults:
    """Collects the faults of several steps, so that all are reported at once: ``with faults: step()``."""

    def __init__(self) -> None:
        self.found = []

    def __enter__(self) -> Faults:
        return self

    def __exit__(self, kind: type | None, error: InputError | None, trace: Any) -> bool:
        if isinstance(error, checks.InputError):
            self.found += error.faults
            return True
        return False

    def done(self) -> None:
        """Raise all that was collected."""
        if self.found:
            raise checks.InputError(*self.found)


def check_targets(args: argparse.Namespace, options: list[str], read: list[str] | tuple[()] = ()) -> None:
    """Raise for every output that cannot or must not be written."""
    faults = Faults()
    given = [(option, value) for option in options if (value := _value(args, option)) is not None]
    taken = {os.path.realpath(name): "read" for name in read if name != "-" and "\0" not in name}
    if getattr(args, "json", False):
        taken["-"] = "--json"
    for option, name in given:
        with faults:
            _check_target(option, name, args.force)
            _check_alone(option, name, taken)
    faults.done()


def _value(args: argparse.Namespace, option: str) -> str | None:
    return getattr(args, option.lstrip("-").replace("-", "_"))


def _check_target(option: str, name: str, force: bool) -> None:
    """Raise if this one target cannot be written."""
    picture = option.startswith("--plot")
    if picture and Path(name).suffix.lower() not in PICTURES:
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


class Delivery:
    """Collects everything a command made, then writes it: files first, stdout last."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.args = args
        self.files = []
        self.text = None

    def report(self, make: Callable[..., Any]) -> None:
        """Text for people, made only where stdout is not taken by data."""
        if self.text is None:
            self.text = make()

    def json(self, make: Callable[..., Any]) -> None:
        """The plain values that ``make`` returns as one JSON object on stdout, where asked for."""
        if self.args.json:
            import json

            self.text = json.dumps(make(), allow_nan=False) + "\n"

    def table(self, series: Any) -> None:
        """The series as CSV, where asked for."""
        self.content(self.args.csv, series.to_csv_text)

    def picture(self, name: str | None, draw: Callable[..., Any]) -> None:
        """The figure of the axes that ``draw`` returns, where a file for it is named."""
        if name is not None:
            self.files.append((name, _drawn(draw, Path(name).suffix[1:])))

    def content(self, name: str | None, make: Callable[..., Any]) -> None:
        """Text to the file of this name or to stdout, where it is named."""
        if name == "-":
            self.text = make()
        elif name is not None:
            self.files.append((name, make()))

    def send(self) -> None:
        """Write all files, then stdout."""
        for name, content in self.files:
            _write_file(name, content, self.args.force)
        write_stdout(self.text or "")


def _drawn(draw: Callable[..., Any], kind: str) -> bytes | None:
    """Bytes of a figure's file."""
    import io

    from ..plotting import canvas

    stream = io.BytesIO()
    canvas.save(draw().figure, stream, kind)
    return stream.getvalue()


def _write_file(name: str, content: bytes | str, force: bool) -> None:
    """Write one file; that it fails after the check is no fault of the input."""
    try:
        files.write_whole(os.path.realpath(name), content, force=force)
    except checks.InputError as error:
        raise JobFailed(str(error)) from error


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


def warn(args: argparse.Namespace, text: str) -> None:
    """One line on stderr, but none with --quiet."""
    if not args.quiet and sys.stderr is not None:
        with contextlib.suppress(OSError):
            print(f"encsim: {text}", file=sys.stderr)


class Progress:
    """A line on stderr about long work: at once on a terminal, else every 2 s, never with --quiet."""

    EVERY = 2.0

    def __init__(self, args: argparse.Namespace, text: str) -> None:
        self.stream = None if args.quiet or sys.stderr is None else sys.stderr
        self.live = self.stream is not None and self.stream.isatty()
        self.last = time.monotonic()
        self.text, self.timer = text, None

    def __enter__(self) -> Progress:
        if self.live:
            self._print(self.text)
        elif self.stream is not None:
            self.timer = threading.Timer(self.EVERY, self._print, [self.text])
            self.timer.daemon = True
            self.timer.start()
        return self

    def __exit__(self, *error: Any) -> None:
        if self.timer is not None:
            self.timer.cancel()
        if self.live:
            self._print("")

    def show(self, text: str) -> None:
        """Tell how far the work is."""
        if self.stream is None or (not self.live and time.monotonic() - self.last < self.EVERY):
            return
        self._print(text)

    def _print(self, text: str) -> None:
        self.last = time.monotonic()
        try:
            self.stream.write(f"\r\x1b[K{text}" if self.live else f"encsim: {text}\n")
            self.stream.flush()
        except OSError:
            self.stream, self.live = None, False
