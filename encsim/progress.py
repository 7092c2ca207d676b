"""How far long work is: told to a function of the caller, on a line of stderr, or to nobody."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from typing import Protocol

from . import checks

# What long functions take: called as ``progress(done, total)``, whole numbers; True for a line on stderr.
ProgressTo = Callable[[int, int], object] | bool | None


class Teller(Protocol):
    """What long work calls at every step: how many of how many, and words in the place of the numbers."""

    def __call__(self, done: int, total: int, words: str = "") -> None:
        """Tell of this step."""


def teller(function: str, progress: ProgressTo, things: str) -> Teller:
    """What ``function`` calls at every step; ``things`` are what it counts on the line of stderr."""
    if progress is None or progress is False:
        return lambda done, total, words="": None
    if isinstance(progress, Progress):
        return _on_line(progress, things)
    if progress is True:
        return _on_line(Progress(quiet=False), things, ends=True)
    if not callable(progress):
        checks.refuse(f"{function}.progress", "be a function of done and total, True or None", progress)

    def tell(done: int, total: int, words: str = "") -> None:
        progress(done, total)

    return tell


def _on_line(line: Progress, things: str, *, ends: bool = False) -> Teller:
    """Tells on this line, which goes with the last step where it ends then."""

    def tell(done: int, total: int, words: str = "") -> None:
        line.show(words or f"computing {done} of {total} {things}")
        if ends and done >= total:
            line.end()

    return tell


class Progress:
    """A line on stderr about long work: at once on a terminal, else every 2 s; none where quiet."""

    EVERY = 2.0

    def __init__(self, quiet: bool) -> None:
        self.stream = None if quiet else sys.stderr
        self.live = self.stream is not None and self.stream.isatty()
        self.last = time.monotonic()
        self.timer: threading.Timer | None = None

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *error: object) -> None:
        self.end()

    def __call__(self, done: int, total: int) -> None:
        """Tell how many are done."""
        self.show(f"computing {done} of {total}")

    def begin(self, text: str) -> None:
        """Tell of work that begins now."""
        self._stop()
        self.last = time.monotonic()
        if self.live:
            self._print(text)
        elif self.stream is not None:
            self.timer = threading.Timer(self.EVERY, self._print, [text])
            self.timer.daemon = True
            self.timer.start()

    def show(self, text: str) -> None:
        """Tell how far the work is."""
        if self.live or time.monotonic() - self.last >= self.EVERY:
            self._print(text)

    def end(self) -> None:
        """No more to tell."""
        self._stop()
        self.clear()

    def clear(self) -> None:
        """Leave the line of a terminal empty, for other words."""
        if self.live:
            self._print("")

    def _stop(self) -> None:
        if self.timer is not None:
            self.timer.cancel()

    def _print(self, text: str) -> None:
        if self.stream is None:
            return
        self.last = time.monotonic()
        try:
            self.stream.write(f"\r\x1b[K{text}" if self.live else f"encsim: {text}\n")
            self.stream.flush()
        except OSError:
            self.stream, self.live = None, False
