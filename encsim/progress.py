"""Long work: how far it is, told to a function, on stderr or to nobody; workers that it is divided among."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
import types
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import parent_process
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any, Protocol

from . import checks

# New processes take about this long to start, s: a shorter job runs in this process.
WORTH_STARTING = 2.0
INTERRUPTS = (signal.SIGINT, signal.SIGTERM)
# A block of this size, freed, lets malloc keep up to twice as much; it learns from none above 32 MiB.
KEPT_BY_MALLOC = 1 << 24
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


class WorkersLost(RuntimeError):
    """Chunks failed twice, as when their workers die; with ``resume`` the finished samples are kept.

    Examples
    --------
    >>> import encsim
    >>> issubclass(encsim.WorkersLost, RuntimeError)
    True
    """


def available() -> int:
    """CPUs that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Process(SpawnProcess):
    """A new process that does not run the user's script again: all it needs is in this package."""

    @staticmethod
    def _Popen(process_obj: Any) -> Any:
        main = sys.modules["__main__"]
        sys.modules["__main__"] = types.ModuleType("__main__")
        try:
            return SpawnProcess._Popen(process_obj)
        finally:
            sys.modules["__main__"] = main


class _Context(SpawnContext):
    """Start method of those processes."""

    Process = _Process


def own_pool(workers: int) -> Any:
    """New processes that leave Ctrl-C to their parent and end with it."""
    return ProcessPoolExecutor(workers, mp_context=_Context(), initializer=_begin)


def _begin() -> None:
    """Set up a worker: Ctrl-C is the parent's, the worker ends with it, and freed memory stays with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Having freed one large block, malloc of the GNU library keeps smaller ones: without that a worker would fetch the
    # pages of its arrays anew from the system, sample by sample.
    bytearray(KEPT_BY_MALLOC)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this worker when the parent ends: a killed parent cannot tell its workers."""
    if (parent := parent_process()) is not None:
        parent.join()
    os._exit(1)


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Interrupts wait until the block is done: a process that starts would be left without what it begins with."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held: list[int] = []
    usual = {one: signal.signal(one, lambda number, _: held.append(number)) for one in INTERRUPTS}
    try:
        yield
    finally:
        for one, handler in usual.items():
            signal.signal(one, signal.SIG_DFL if handler is None else handler)
        for number in held:
            signal.raise_signal(number)


class Pool:
    """Where chunks are computed: a given executor, processes of our own, or this process only.

    Parameters
    ----------
    executor : Executor, int or None
        Number of processes of our own; None: as many as there are CPUs, if the job is long enough.
    threads : int
        Threads of this process in place of processes, where no executor is given or one worker is enough.
    """

    def __init__(self, executor: Executor | int | None, threads: int = 0) -> None:
        self.given = executor if isinstance(executor, Executor) else None
        self.workers = available() if executor is None or isinstance(executor, Executor) else int(executor)
        self.wanted = self.given is not None or (executor is not None and self.workers > 1)
        self.threads = 0 if self.wanted else min(threads, self.workers)
        self.own: Executor | None = None

    def worth(self, seconds: float) -> bool:
        """Whether work of this many seconds should go to other processes."""
        return self.workers > 1 and seconds * (1.0 - 1.0 / self.workers) > WORTH_STARTING

    def submit(self, call: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Submit one call; returns its future."""
        if self.given is not None:
            return self.given.submit(call, *arguments)
        if self.own is None:
            self.own = ThreadPoolExecutor(self.threads) if self.threads else own_pool(self.workers)
        with _undisturbed():
            return self.own.submit(call, *arguments)

    def renew(self) -> None:
        """After a failure: end our own processes, so that new ones start."""
        self.close()

    def close(self) -> None:
        """End our own processes once they have finished what they began."""
        own, self.own = self.own, None
        if own is not None:
            own.shutdown(wait=True, cancel_futures=True)

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def executor_faults(function: str, executor: Any) -> list[checks.Fault]:
    """What is wrong with the ``executor`` of a function."""
    whole = checks.is_whole(executor) and executor >= 1
    if executor is None or isinstance(executor, Executor) or whole:
        return []
    rule = "be an Executor of concurrent.futures or a number of processes"
    return [checks.Fault(f"{function}.executor", rule, executor)]


@contextlib.contextmanager
def submitted(
    pool: Pool, call: Callable[..., Any], arguments: Iterable[tuple[Any, ...]]
) -> Iterator[list[Future[Any]]]:
    """Futures of one call with each of these arguments; those not begun are left out when the block ends."""
    futures: list[Future[Any]] = []
    try:
        futures += [pool.submit(call, *one) for one in arguments]
        yield futures
    except BrokenExecutor as error:
        raise WorkersLost("workers ended before their work was done") from error
    finally:
        for future in futures:
            future.cancel()
