"""Time domain: the axis in steady motion, sample by sample, as a run (`simulate`) or as a stream (`Stream`).

Samples are computed in chunks of fixed size, aligned to sample numbers. The phase at the start of a chunk is exact
(integers of Python); within a chunk it is a 64-bit fraction of a period that wraps, so nothing drifts. Random numbers
depend on the seed, their cause and the sample number only. A chunk is therefore a function of its number, unless the
axis has memory: hysteresis, band-limited jitter, limited edges or a recursive estimator.
"""

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
from ..doubts import Doubt
from ..kernels import compiling, open_chain, records, rows
from ..kernels.motion import tick_block
from ..kernels.rows import CHUNK
from ..model.axis import Axis
from ..results import AXIS_EXAMPLE, Series, measured_in, picture
from . import chain
from .chain import plan_of, remembers, tables_of
from .motion import LAST_SAMPLE, MOST_THREADS, SteadyPhase, check_array, check_run, check_stream, stated_speed

if TYPE_CHECKING:
    from ..open_loop.closed_form import Lines


BATCH = 16  # chunks in one call of the compiled chain
WARM_UP = 1  # chunks computed before the history of the estimator where the axis has memory
PIECE = BATCH * CHUNK  # samples of a run that a thread takes at a time
PIECES_PER_THREAD = 8  # fewer pieces do not pay for a second thread

_loaded = threading.Event()


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


def simulate(
    axis: Axis, speed: float, samples: int, seed: int = 0, start: float = 0.0, *, threads: int | None = None
) -> Trace:
    """Run an axis at a steady speed and return what the controller sees.

    Parameters
    ----------
    axis : Axis
    speed : float
        True speed v, m/s or rad/s; its sign counts.
    samples : int
        Number of samples, 1 to 2**40.
    seed : int
        Seed of all random numbers, 0 to 2**64 - 1.
    start : float
        True position at time 0, m or rad.
    threads : int, optional
        Threads to use where the axis has finite memory; None: as many as are useful.

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
    speed = stated_speed("simulate", axis, speed)
    check_run(axis, speed, samples, seed, start, threads)
    samples, speed, start, seed = int(samples), float(speed), float(start), int(seed)
    run = _Run(axis, speed, samples, seed, start)
    clipped = run.fill(_parts(axis, samples, threads))
    reasons = _reasons(axis, speed, samples, clipped, run.settle)
    columns = run.time, run.position, run.velocity, run.rms, run.peak, run.settle
    return Trace(*columns, seed, speed, start, axis, not reasons, reasons)


class Stream:
    """The samples of :func:`simulate`, block by block into the caller's arrays.

    Parameters
    ----------
    axis : Axis
    speed : float
        True speed v, m/s or rad/s; its sign counts.
    seed : int
        Seed of all random numbers, 0 to 2**64 - 1.
    start : float
        True position at time 0 (sample 0, whatever ``first`` is), m or rad.
    first : int
        Number of the sample to begin at.

    Raises
    ------
    InputError
        If an argument is out of range.

    Notes
    -----
    With finite memory a stream gives the same samples wherever it begins. Hysteresis, edges with a separation or a
    clock, and band-limited jitter have unlimited memory: the stream then begins some samples before ``first``, with
    the stationary jitter and with counts that lag the motion by the hysteresis.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> axis = encsim.load("stage_x.toml")
    >>> stream, position = encsim.Stream(axis, 0.01, seed=1), np.empty(1000)
    >>> stream.read(position)
    >>> round(1e6 * float(position[-1] - position[0]))  # um
    624
    """

    def __init__(self, axis: Axis, speed: float, seed: int = 0, start: float = 0.0, first: int = 0) -> None:
        speed = stated_speed("Stream", axis, speed)
        check_stream(axis, speed, seed, start, first)
        speed = float(speed)
        self.sample = int(first)
        self._axis, self._motion = axis, SteadyPhase(axis, speed, float(start))
        tables = tables_of(axis, speed)
        # Packed in two arrays: reading allocates only the arguments of one call, for each array.
        packed = (
            np.concatenate([tables.order_steps, tables.terms]),
            np.concatenate([tables.ring, tables.sde]),
        )
        self._tables = plan_of(axis, speed, int(seed), self._motion), packed
        self._begun = False
        self._chunk = 0  # number of the chunk computed last, once begun
        self._make_buffers(axis, speed)
        self._load()

    def _make_buffers(self, axis: Axis, speed: float) -> None:
        """Allocate all that reading needs, so that reading itself allocates nothing."""
        slots = chain.slots(axis)
        self._anchors = np.zeros(BATCH, records.ANCHOR)
        self._fields = [self._anchors[name] for name in records.ANCHOR.names or ()]
        self._ticks = np.zeros((BATCH if self._motion.clock else 1, CHUNK), np.int64)
        self._span = np.zeros(1, records.SPAN)
        self._state = np.zeros(1, records.STATE)
        self._history = (np.zeros(slots * CHUNK, np.int64), chain.zeros(slots * CHUNK))
        numbers, memory, edge_table = chain.estimator_tables(axis, speed)
        self._estimator = numbers, memory, np.zeros(slots * CHUNK), edge_table
        self._work = chain.zeros(rows.CHAIN_ROWS * CHUNK)
        self._nothing = np.zeros(0)
        kept = self._anchors, self._ticks, self._span, self._state, self._history, self._estimator, self._work
        self._buffers = kept

    def _load(self) -> None:
        """Compile the chain or load it from the cache, by calls that compute nothing."""
        if not _loaded.is_set():
            with compiling.announced("the simulator"):
                self._chain(self._nothing, self._nothing)
                tick_block(0, 0, 0, 0, 1, 0, self._ticks[0, :0])
                lanes = np.empty((3, records.LANES))
                open_chain.summary_block(self._nothing, 0.0, 0, 1.0, 0, self._nothing, lanes)
            _loaded.set()

    def _chain(self, position: np.ndarray, velocity: np.ndarray) -> None:
        """Run the compiled chain on the prepared chunks."""
        open_chain.chain_block(*self._tables, *self._buffers, position, velocity)

    @property
    def phase(self) -> tuple[int, float]:
        """True phase at the next sample, as whole periods and a fraction -0.5 ... 0.5, from the 64-bit steps."""
        return self._motion.stepped(self.sample, self.sample // CHUNK * CHUNK)

    @property
    def clipped(self) -> int:
        """Channel readings that the converter has clipped so far, in all samples computed."""
        return int(self._state["clipped"][0])

    def read(self, position: np.ndarray, velocity: np.ndarray | None = None) -> None:
        """Fill the arrays with the next samples.

        Parameters
        ----------
        position, velocity : ndarray, shape (n,)
            Contiguous, float64, of one length; position the controller reads and velocity it computes.

        Raises
        ------
        InputError
            If an array cannot be filled in place.
        """
        check_array("position", position)
        if velocity is None:
            velocity = self._nothing
        else:
            check_array("velocity", velocity, position)
        end = self.sample + position.size
        if end > LAST_SAMPLE:
            checks.refuse("Stream.sample", f"stay up to {LAST_SAMPLE}", end)
        if not self._begun and position.size:
            self._warm_up()
        self._fill(end, position, velocity)

    def _warm_up(self) -> None:
        """Compute the chunks before the first sample that the estimator and the memory need."""
        self._begun = True
        oldest = self.sample - chain.reach(self._axis)
        self._chunk = oldest // CHUNK - 1 - (WARM_UP if remembers(self._axis) else 0)
        first = self.sample // CHUNK * CHUNK
        while (self._chunk + 1) * CHUNK < first:
            self._compute(first, first, self._nothing, self._nothing, 0)
        self._state["clipped"] = 0

    def _fill(self, end: int, position: np.ndarray, velocity: np.ndarray) -> None:
        """Fill the arrays up to sample ``end``, a batch of chunks at a time."""
        offset = 0
        while self.sample < end:
            known = self.sample // CHUNK == self._chunk
            begin = self._chunk if known else self._chunk + 1
            stop = min(end, (begin + BATCH) * CHUNK)
            self._compute(self.sample, stop, position, velocity, offset, known)
            offset += stop - self.sample
            self.sample = stop

    def _compute(
        self,
        first: int,
        stop: int,
        position: np.ndarray,
        velocity: np.ndarray,
        offset: int,
        known: bool = False,
    ) -> None:
        """Compute the missing chunks up to sample ``stop``; write samples ``first`` to ``stop``."""
        begin = self._chunk if known else self._chunk + 1
        chunks = min(-(-stop // CHUNK) - begin, BATCH)
        for j in range(known, chunks):
            self._motion.anchor(self._fields, j, begin + j, CHUNK)
            if self._motion.clock:
                self._motion.clock.fill((begin + j) * CHUNK, self._ticks[j], tick_block)
        self._fields[0][0] = begin
        self._span[0] = chunks, known, first - begin * CHUNK, stop - begin * CHUNK, offset
        self._chain(position, velocity)
        self._chunk = begin + chunks - 1


class _Run:
    """Arrays of a run, filled piece by piece by one or more streams, and its rms and peak.

    Pieces have fixed places, so that the sums are the same bit for bit for any number of threads.
    """

    def __init__(self, axis: Axis, speed: float, samples: int, seed: int, start: float) -> None:
        self.axis, self.speed, self.samples, self.seed, self.start = axis, speed, samples, seed, start
        self.time, self.position, self.velocity = _allocate(samples, 3)
        self.settle = _settle(axis, speed, samples)
        pieces = -(-samples // PIECE)
        self._squares = np.zeros(pieces)
        self._low, self._high = np.full(pieces, np.inf), np.full(pieces, -np.inf)
        self._stopped = threading.Event()

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
    # Hysteresis moves by 1 + h counts, twice for noise.
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
        if 8 * arrays * samples < memory:
            return [np.empty(samples) for _ in range(arrays)]
    except MemoryError:
        pass
    rule = "be few enough to fit into memory"
    return checks.refuse("simulate.samples", rule, samples, hint="use Stream to run longer")
