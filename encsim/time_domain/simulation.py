"""Time domain: a run of the axis in steady motion, filled piece by piece from streams, in several threads."""

from __future__ import annotations

import itertools
import math
import os
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..checks import seed_from
from ..doubts import Doubt
from ..kernels import open_chain, records
from ..kernels.rows import CHUNK
from ..model.axis import Axis
from ..progress import ProgressTo, Teller, teller
from ..results import AXIS_EXAMPLE, Series, measured_in, picture, recorded
from . import chain
from .chain import remembers
from .motion import MOST_THREADS, check_run, stated_speed
from .stream import BATCH, Stream

if TYPE_CHECKING:
    from ..open_loop.closed_form import Lines


PIECE = BATCH * CHUNK  # samples of a run that a thread takes at a time
PIECES_PER_THREAD = 8  # with fewer pieces another thread saves no time
# Bytes up to which the arrays of a run are one piece of memory: the allocator keeps it for the next run. New pages are
# cleared first, a third of the time of a run.
REUSED = 24 << 20


@dataclass(frozen=True, eq=False)
class Trace(Series):
    """One run of an axis at a steady speed.

    Parameters
    ----------
    time, position, velocity : ndarray, shape (n,)
        Time of the sample (s), position the controller reads (m or rad), velocity it computes.
    rms : float
        Root of the mean square of the velocity about the true speed.
    peak : float
        Half of (maximum - minimum) of the velocity.
    settle : int
        Samples at the start that rms and peak leave out; 0 unless the axis has hysteresis or its estimator is
        recursive.
    seed, speed, start, axis
        The arguments of the run.
    valid : bool
    reasons : tuple of str
        Why the run does not show a working axis, if it does not.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.01, 5000, seed=1)
    >>> trace.velocity.shape
    (5000,)
    """

    time: np.ndarray = field(metadata=measured_in("s"))
    position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    rms: float = field(metadata=measured_in("position/s"))
    peak: float = field(metadata=measured_in("position/s"))
    settle: int
    seed: int
    speed: float = field(metadata=measured_in("position/s"))
    start: float = field(metadata=measured_in("position"))
    axis: Axis = field(repr=False, metadata={"plain": False})
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def expected_lines(self) -> Lines:
        """Lines of the closed form at the speed of the run."""
        from ..open_loop.closed_form import lines

        return lines(self.axis, self.speed)

    plot = picture(
        "figures.run:run",
        "Draw velocity (position unit per second) against time, and its spectrum with the lines "
        "expected in it.",
        alone="Takes the velocity alone",
        example=AXIS_EXAMPLE + "ax = encsim.simulate(axis, 0.01, 2000).plot()",
    )


@recorded
def simulate(
    axis: Axis,
    speed: float,
    samples: int,
    seed: int | None = None,
    start: float = 0.0,
    *,
    rng: np.random.Generator | None = None,
    threads: int | None = None,
    progress: ProgressTo = None,
) -> Trace:
    """Run an axis at a steady speed and return what the controller sees.

    Parameters
    ----------
    axis : Axis
    speed : float
        True speed v, m/s or rad/s; its sign counts.
    samples : int
        Number of samples, 1 to 2**40.
    seed : int, optional
        Seed of all random numbers, 0 to 2**64 - 1; 0 where neither it nor ``rng`` is given.
    start : float
        True position at time 0, m or rad.
    rng : numpy.random.Generator, optional
        Draws the seed, which stands in the result, in the place of ``seed``.
    threads : int, optional
        Threads to use where the axis has finite memory; None: as many as are useful.
    progress : callable or True, optional
        ``progress(done, total)`` is called with samples, by one thread at a time; True tells on stderr.

    Returns
    -------
    Trace
        Bit for bit the same for any number of threads, and the same as :class:`Stream` gives.

    Raises
    ------
    InputError
        If an argument is out of range.

    Notes
    -----
    The motion exists before sample 0, so the velocity is valid from sample 0; the true position is
    ``start + speed (t - latency)``. The first call compiles the chain, says so on stderr and keeps the
    result for later sessions.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.01, 5000, seed=1)
    >>> round(float(trace.velocity.mean()), 4)
    0.01
    """
    speed, seed = stated_speed("simulate", axis, speed), seed_from("simulate", seed, rng)
    check_run(axis, speed, samples, seed, start, threads)
    samples, speed, start, seed = int(samples), float(speed), float(start), int(seed)
    run = _Run(axis, speed, samples, seed, start)
    run.tell = teller("simulate", progress, "samples")
    clipped = run.fill(_parts(axis, samples, threads))
    reasons = _reasons(axis, speed, samples, clipped, run.settle)
    columns = run.time, run.position, run.velocity, run.rms, run.peak, run.settle
    return Trace(*columns, seed, speed, start, axis, not reasons, reasons)


class _Run:
    """Arrays of a run, its rms and peak; with pieces of fixed size the sums do not depend on the number of threads."""

    def __init__(self, axis: Axis, speed: float, samples: int, seed: int, start: float) -> None:
        self.axis, self.speed, self.samples, self.seed, self.start = axis, speed, samples, seed, start
        self.time, self.position, self.velocity = _allocate(samples, 3)
        self.settle = _settle(axis, speed, samples)
        pieces = -(-samples // PIECE)
        self._squares = np.zeros(pieces)
        self._low, self._high = np.full(pieces, np.inf), np.full(pieces, -np.inf)
        self._stopped, self._lock, self._done = threading.Event(), threading.Lock(), 0
        self.tell: Teller = teller("simulate", None, "")

    def fill(self, parts: list[tuple[int, int]]) -> int:
        """Fill the ranges of pieces, each in its own thread; return the number of clipped readings."""
        streams = [Stream(self.axis, self.speed, self.seed, self.start, first * PIECE) for first, _ in parts]
        if len(parts) == 1:
            self._fill_part(streams[0], *parts[0])
            return streams[0].clipped
        with ThreadPoolExecutor(len(parts)) as pool:
            try:
                list(pool.map(self._fill_part, streams, *zip(*parts, strict=True)))
            finally:
                self._stopped.set()  # Ctrl-C does not wait for the ranges of all threads
        return sum(stream.clipped for stream in streams)

    def _fill_part(self, stream: Stream, first: int, end: int) -> None:
        """Fill one range of pieces."""
        for piece in range(first, end):
            if not self._stopped.is_set():
                self._fill_piece(stream, piece)
                with self._lock:
                    self._done += min(PIECE, self.samples - piece * PIECE)
                    self.tell(self._done, self.samples)

    def _fill_piece(self, stream: Stream, piece: int) -> None:
        """Fill one piece and keep its sums."""
        begin, end = piece * PIECE, min((piece + 1) * PIECE, self.samples)
        part = slice(begin, end)
        stream.read(self.position[part], self.velocity[part])
        skip = min(max(self.settle - begin, 0), end - begin)
        lanes = np.empty((3, records.LANES))
        rate = self.axis.sampling.rate
        open_chain.summary_block(self.velocity[part], self.speed, begin, rate, skip, self.time[part], lanes)
        self._squares[piece] = lanes[0].sum()
        self._low[piece], self._high[piece] = lanes[1].min(), lanes[2].max()

    @property
    def rms(self) -> float:
        """Root of the mean square of the settled velocity about the true speed."""
        return math.sqrt(math.fsum(self._squares) / (self.samples - self.settle))

    @property
    def peak(self) -> float:
        """Half of (maximum - minimum) of the settled velocity."""
        return 0.5 * float(self._high.max() - self._low.min())


def _parts(axis: Axis, samples: int, threads: int | None) -> list[tuple[int, int]]:
    """Ranges of pieces, one per thread."""
    pieces = -(-samples // PIECE)
    if threads is None:
        threads = min(_processors(), MOST_THREADS, 1 + pieces // PIECES_PER_THREAD)
    threads = 1 if remembers(axis) else min(threads, pieces)
    return list(itertools.pairwise(pieces * part // threads for part in range(threads + 1)))


def _processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _settle(axis: Axis, speed: float, samples: int) -> int:
    """Samples until estimator and hysteresis no longer depend on the start."""
    # Counts follow the motion after 1 + h counts; twice that with noise.
    noisy = axis.signal.jitter or axis.signal.noise or axis.sampling.jitter
    needed: float = chain.forgets_after(axis)
    if axis.interpolation.hysteresis > 0.0 and speed != 0.0 and noisy:
        counts = abs(speed) / (axis.resolution * axis.sampling.rate)
        needed += 2.0 * (1.0 + axis.interpolation.hysteresis) / counts
    return int(min(needed, samples // 2))


def _reasons(axis: Axis, speed: float, samples: int, clipped: int, settle: int) -> tuple[Doubt, ...]:
    """Reasons why the run does not show a working axis."""
    from ..open_loop.limits import top_speed

    reasons = []
    top = top_speed(axis)
    if abs(speed) > top.speed and top.limit != "clipping":
        reasons.append(
            Doubt(
                "run_above_top_speed",
                speed=abs(speed),
                top=top.speed,
                unit=axis.scale.unit,
                limit=top.limit,
            )
        )
    if clipped:
        reasons.append(Doubt("run_clips", readings=clipped))
    if settle and settle == samples // 2:
        reasons.append(Doubt("estimator_unsettled"))
    return tuple(reasons)


def _allocate(samples: int, arrays: int) -> list[np.ndarray]:
    """Arrays for the results; refused where they do not fit into memory."""
    try:
        memory: float = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        memory = math.inf
    try:
        if 8 * arrays * samples <= min(REUSED, memory):
            return list(np.empty((arrays, samples)))
        if 8 * arrays * samples < memory:
            return [np.empty(samples) for _ in range(arrays)]
    except MemoryError:
        pass
    rule = "be few enough to fit into memory"
    return checks.refuse("simulate.samples", rule, samples, hint="use Stream to run longer")
