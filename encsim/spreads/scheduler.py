"""Samples divided among workers; failed chunks are repeated once, finished ones saved to a file."""

from __future__ import annotations

import hashlib
import io
import math
import os
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import __version__, checks, files
from ..progress import Pool, WorkersLost
from .samples import Batch, batch

if TYPE_CHECKING:
    from .samples import Job


CHUNK = 32
# Chunks handed out at once, so that neither the queue nor its results grow with the job.
MOST_WAITING = 256
# Seconds between two saves; longer for a large file, so that saving takes a twentieth of the time.
SAVE_EVERY, SAVE_SHARE = 1.0, 20.0
ARRAYS = ("rms", "refused", "doubtful", "shares")
_UNREADABLE = (OSError, ValueError, KeyError, EOFError, zlib.error, zipfile.BadZipFile)


class SampleScheduler:
    """Schedules the samples of one job: which are done, which are computed where."""

    def __init__(
        self,
        job: Job,
        samples: int,
        resume: str | os.PathLike[str] | None = None,
        progress: Callable[..., Any] | None = None,
    ) -> None:
        self.job, self.samples, self.progress = job, samples, progress
        self.store = None if resume is None else Store(resume, job)
        self.batch, self.done = Batch.empty(samples, job), np.zeros(samples, dtype=bool)
        if self.store is not None:
            self.store.load(self.batch, self.done)

    def run(self, executor: Executor | int | None = None) -> Batch:
        """Compute the samples that are not done; returns the whole batch."""
        pool = Pool(executor)
        try:
            self._first_here(pool)
            for again in (False, True):
                failure = self._hand_out(pool)
                if failure is None:
                    break
                if again:
                    raise WorkersLost(self._failure_text(failure)) from failure
                pool.renew()
        except BaseException:
            self._keep()
            raise
        finally:
            pool.close()
        self._keep()
        return self.batch

    def chunks(self) -> Iterator[tuple[int, int]]:
        """(first, count) of the samples that are not done, in chunks."""
        edges = np.flatnonzero(np.diff(np.concatenate([[0], ~self.done, [0]]).astype(np.int8)))
        for start, end in edges.reshape(-1, 2).tolist():
            for first in range(start, end, CHUNK):
                yield first, min(CHUNK, end - first)

    def _first_here(self, pool: Pool) -> None:
        """Compute in this process while starting others does not pay."""
        if pool.wanted:
            return
        for first, count in self.chunks():
            start = time.perf_counter()
            self._take(first, batch(self.job, first, count))
            left = (time.perf_counter() - start) / count * np.count_nonzero(~self.done)
            if pool.worth(left):
                return

    def _hand_out(self, pool: Pool) -> Exception | None:
        """Submit the chunks and take their results; returns the first failure, None when all are done."""
        waiting: dict[Future[Any], tuple[int, int]] = {}
        chunks, failure = self.chunks(), None
        try:
            while True:
                while failure is None and len(waiting) < MOST_WAITING and (chunk := next(chunks, None)):
                    try:
                        waiting[pool.submit(batch, self.job, *chunk)] = chunk
                    except Exception as error:
                        failure = error
                if not waiting:
                    return failure
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    first, _ = waiting.pop(future)
                    failure = self._received(first, future) or failure
        finally:
            for future in waiting:
                future.cancel()

    def _received(self, first: int, future: Future[Any]) -> Exception | None:
        """Take the result of one chunk; returns its failure, if any."""
        try:
            batch_ = future.result()
        except checks.InputError:
            raise
        except Exception as error:
            return error
        self._take(first, batch_)
        return None

    def _take(self, first: int, batch_: Batch) -> None:
        """Keep the results of consecutive samples."""
        self.batch.put(first, batch_)
        self.done[first : first + len(batch_.refused)] = True
        if self.store is not None and time.monotonic() > self.store.due:
            self._keep()
        if self.progress is not None:
            self.progress(int(np.count_nonzero(self.done)), self.samples)

    def _keep(self) -> None:
        """Save the finished samples, where a file was given."""
        if self.store is not None:
            self.store.save(self.batch, self.done)

    def _failure_text(self, failure: Exception) -> str:
        """A failure that occurred twice, in one line."""
        left = int(np.count_nonzero(~self.done))
        text = " ".join(str(failure).split()) or "no reason given"
        return (
            f"workers failed twice with {left} of {self.samples} samples to do, {type(failure).__name__}: "
            f"{checks.one_line(text, 300)}"
        )


class Store:
    """A file of finished samples of one job, written whole or not at all."""

    def __init__(self, path: str | os.PathLike[str], job: Job) -> None:
        self.path, self.mark = Path(path), fingerprint(job)
        self.due = math.inf
        self.extra: dict[str, np.ndarray] | None = None

    def load(self, into: Batch, done: np.ndarray) -> None:
        """Take the finished samples of the file, if there is one."""
        if not self.path.exists():
            # A file that cannot be written is refused before the work, not after it.
            self.save(into, done)
            self.due = 0.0
            return
        saved = self._read(into)
        count = min(len(saved["done"]), len(done))
        done[:count] = saved["done"][:count]
        for name in ARRAYS:
            getattr(into, name)[:count] = saved[name][:count]
        # The file may come from a run with more samples than this one.
        self.extra = {name: values[count:] for name, values in saved.items()}
        self.due = time.monotonic() + SAVE_EVERY

    def _read(self, like: Batch) -> dict[str, np.ndarray]:
        """Arrays of the file, checked."""
        try:
            content = self.path.read_bytes()
            # It was not compressed when it was written.
            held = files.read_arrays(content, len(content))
            mark, held = str(held["job"]), {name: held[name] for name in ("done", *ARRAYS)}
        except _UNREADABLE as error:
            strerror = getattr(error, "strerror", None)
            reason = f" ({strerror})" if strerror else ""
            checks.refuse("tolerance.resume", f"be a file of finished samples{reason}", str(self.path))
        if mark != self.mark:
            rule = "belong to the same axis, spread, speeds, seed and limits"
            checks.refuse("tolerance.resume", rule, str(self.path), hint="another file begins anew")
        if not _fits(held, like):
            checks.refuse("tolerance.resume", "be a file of finished samples, whole", str(self.path))
        return held

    def save(self, batch_: Batch, done: np.ndarray) -> None:
        """Write the finished samples."""
        start = time.monotonic()
        held = {"done": done} | {name: getattr(batch_, name) for name in ARRAYS}
        if self.extra is not None:
            held = {name: np.concatenate([values, self.extra[name]]) for name, values in held.items()}
        stream = io.BytesIO()
        np.savez(stream, job=np.array(self.mark), **held)
        files.write_whole(self.path, stream.getvalue(), force=True, name="tolerance.resume")
        now = time.monotonic()
        self.due = now + max(SAVE_EVERY, SAVE_SHARE * (now - start))


def _fits(held: dict[str, np.ndarray], like: Batch) -> bool:
    """Whether arrays of a file have the shapes and kinds that they should have."""
    count = held["done"].size
    return held["done"].dtype == bool and all(
        held[name].shape == (count, *getattr(like, name).shape[1:])
        and held[name].dtype == getattr(like, name).dtype
        for name in ARRAYS
    )


def fingerprint(job: Job) -> str:
    """Hash that tells one job from another, 64 letters."""
    described = (__version__, job.axis, sorted(job.spread.items()), job.seed, job.requirement)
    return hashlib.sha256(repr(described).encode() + job.speeds.tobytes()).hexdigest()
