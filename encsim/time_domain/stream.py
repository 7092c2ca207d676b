"""Time domain: the axis in steady motion, sample by sample, as a stream into the caller's arrays.

Samples are computed in chunks of fixed size, aligned to sample numbers. The phase at the start of a chunk is exact
(integers of Python); within a chunk it is a 64-bit fraction of a period that wraps, so nothing drifts. Random numbers
depend on the seed, their cause and the sample number only. A chunk is therefore a function of its number, unless the
axis has memory: hysteresis, band-limited jitter, limited edges or a recursive estimator.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..kernels import compiling, open_chain, records, rows
from ..kernels.open_chain import tick_block
from ..kernels.rows import CHUNK
from . import chain
from .chain import plan_of, remembers, tables_of
from .motion import LAST_SAMPLE, SteadyPhase, check_array, check_stream, refuse_thread, stated_speed

if TYPE_CHECKING:
    from ..model.axis import Axis


BATCH = 16  # chunks in one call of the compiled chain
WARM_UP = 1  # chunks computed before the history of the estimator where the axis has memory

_loaded = threading.Event()


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
        self.sample, self._lock = int(first), threading.Lock()
        self._axis, self._motion = axis, SteadyPhase(axis, speed, float(start))
        tables = tables_of(axis, speed)
        # Packed in two arrays: reading allocates only the arguments of one call, for each array.
        packed = (
            np.concatenate([tables.order_steps, tables.terms]),
            np.concatenate([tables.ring, tables.sde]),
        )
        plan = plan_of(axis, speed, int(seed), self._motion)
        plan["edge_code"] = chain.edge_code(axis, steady=True)
        self._tables = plan, packed
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
            If an array cannot be filled in place, or another thread is reading.
        """
        check_array("position", position)
        if velocity is None:
            velocity = self._nothing
        else:
            check_array("velocity", velocity, position)
        if not self._lock.acquire(blocking=False):
            refuse_thread("Stream")
        try:
            self._read(position, velocity)
        finally:
            self._lock.release()

    def _read(self, position: np.ndarray, velocity: np.ndarray) -> None:
        """Fill checked arrays."""
        end = self.sample + position.size
        if end > LAST_SAMPLE:
            checks.refuse("Stream.sample", f"stay up to {LAST_SAMPLE}", end)
        if not self._begun and position.size:
            self._warm_up()
        self._fill(end, position, velocity)

    def _warm_up(self) -> None:
        """Compute the chunks before the first sample: the estimator's past, and one more where the axis has memory."""
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
