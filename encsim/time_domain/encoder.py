"""The encoder as a part: true positions of any motion in, what the electronics see out, sample by sample."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..checks import ArgumentCheck, seed_from
from ..kernels import compiling, encoder
from ..kernels.rows import ROW
from ..model.bounds import check_speed
from ..model.encoder_faults import checked
from .encoder_buffers import Outputs, SerialWord
from .encoder_edges import EDGE, EdgeFinder
from .encoder_positions import IndexMark, lateness, place, positions
from .encoder_tables import encoder_tables, start
from .motion import LAST_SAMPLE, check_stream, refuse_thread

if TYPE_CHECKING:
    from ..model.axis import Axis

PIECE = 8192  # samples of a block that are computed before they are handed out
EVEN = np.zeros(0)  # no times: samples are a loop period apart


class Encoder:
    """An encoder between your own plant and your own controller: true positions in, signals, counts, velocity out.

    Parameters
    ----------
    axis : Axis
        Load, control and their limits are not used.
    seed : int
        Seed of all random numbers, 0 to 2**64 - 1; 0 where neither it nor ``rng`` is given.
    first : int
        Number of the first sample; sample k is at k/rate.
    rng : numpy.random.Generator, optional
        Draws the seed instead.
    faults : sequence of EncoderFault
        Faults on purpose: :class:`Dirt`, :class:`Scratch`, :class:`DeadChannel`, :class:`Burst`, :class:`LostEdge`,
        :class:`OffsetDrift`. With any of them the counter may lose whole periods.
    weakest : float
        Amplitude of the signals, as a share of the nominal one, below which the counter stands still while there
        are faults. Afterwards it goes on with the nearest position that fits the signals.
    index_at : float
        Place of the index mark, m or rad; a rotary scale has it once a revolution.
    serial : SerialWord, optional
        Word of the output ``serial``.

    Attributes
    ----------
    sample : int
        Number of the next sample.
    clipped : int
        Channel readings that the converter has clipped so far.
    lost : int
        Counts that have been lost so far.
    too_fast : int
        Samples in which the axis moved further than its top speed allows.
    edges : int
        Edges that the last ``read`` has written.
    edges_left_out : int
        Edges so far for which their buffer had no room.
    saturated : int
        Values so far that did not fit into an integer buffer and were limited to its range.
    position_scale : float
        One unit of a position in an integer buffer, m or rad: 2**-32 signal period.

    Raises
    ------
    InputError
        If an argument is out of range.

    Notes
    -----
    Between two samples the true motion is straight; the motion before the first sample is standstill at the first
    position, unless :meth:`lead` says otherwise. Steady motion gives the samples of :func:`simulate` with the same
    seed. The bandwidth of the readhead is one pole on every harmonic, exact for such a motion. Where the motion curves
    between samples, T apart, with the acceleration a, harmonic n of the signals (period p) differs by at most
    pi/4 n a T**2/p of its amplitude. Timed edges are found in the true motion with the signal errors of the speed
    given to :meth:`lead`; with a ring, whose error of amplitude a and order n is straight between samples too, an
    edge is within a (n w T)**2/8 of its place at w rad/s.

    Where times are given, bandwidth, skew, latency, the clock of the encoder, separated and timed edges, the
    correlation of slow jitter and the top speed follow them. A difference is divided by the time of its span; other
    estimators keep their coefficients and take each step between samples at its speed, so that a steady motion has
    its speed whatever the times. To see what the jitter of a loop does that does not know its times, leave them out
    and give the positions at the true instants.

    With the output "ab", counts are lost where the axis moves faster than its top speed. A position that is read as
    a value loses nothing; ``too_fast`` tells.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> encoder = encsim.Encoder(encsim.load("stage_x.toml"), seed=1)
    >>> count = np.empty(5, np.int64)
    >>> encoder.read(np.array([0.0, 1e-6, 2e-6, 1e-6, 0.0]), count=count)
    >>> (count - count[0]).round(-1).tolist()
    [0, 200, 400, 200, 0]
    """

    EDGE = EDGE  # dtype of a buffer of edges

    def __init__(
        self,
        axis: Axis,
        seed: int | None = None,
        first: int = 0,
        *,
        rng: np.random.Generator | None = None,
        faults: Any = (),
        weakest: float = 0.1,
        index_at: float = 0.0,
        serial: SerialWord | None = None,
    ) -> None:
        seed = seed_from("Encoder", seed, rng)
        check_stream(axis, 0.0, seed, 0.0, first, owner="Encoder")
        check = ArgumentCheck("Encoder", weakest=weakest, index_at=index_at)
        check.number("weakest", "lie from 0 to 1", low=0.0, high=1.0)
        check.number("index_at", unit=axis.scale.unit)
        check.done()
        if serial is not None and not isinstance(serial, SerialWord):
            checks.refuse("Encoder.serial", "be a SerialWord", type(serial))
        self._faults, self._weakest = checked(faults), float(weakest)
        self.axis, self.seed, self._first = axis, int(seed), int(first)
        self._lock = threading.Lock()
        self._tables: Any = None
        self._finder: EdgeFinder | None = None
        self._uneven, self._lead, self.edges = False, 0.0, 0
        self._arrays: tuple[np.ndarray, ...] = ()
        self._outputs, self._mark = Outputs(axis, PIECE, serial), IndexMark(axis, float(index_at))

    def lead(self, position: Any, velocity: float = 0.0) -> None:
        """Say how the axis moved before the first sample: steadily, so as to be at ``position`` at that sample.

        Parameters
        ----------
        position : float or (int, float)
            True position at the first sample, m or rad, or whole periods and a fraction.
        velocity : float
            Its velocity, m/s or rad/s.

        Raises
        ------
        InputError
            If a sample has been read already, or a number is out of range.

        Examples
        --------
        >>> import encsim
        >>> encoder = encsim.Encoder(encsim.load("stage_x.toml"))
        >>> encoder.lead(0.0, 0.01)
        >>> round(encoder.step(0.0)[2], 2)
        0.01
        """
        if self._tables is not None:
            checks.refuse("Encoder.lead", "be called before the first sample", f"sample {self.sample}")
        check = ArgumentCheck("Encoder.lead", velocity=velocity)
        check.number("velocity", unit=f"{self.axis.scale.unit}/s")
        check.done()
        check_speed("Encoder.lead.velocity", self.axis, float(velocity))
        check_stream(self.axis, velocity, self.seed, 0.0, self._first, owner="Encoder")
        self._start(place(self.axis, position), float(velocity))

    def _start(self, position: tuple[int, float], velocity: float) -> None:
        """Run up to the first sample along a straight motion."""
        tables = encoder_tables(self.axis, self.seed, velocity, self._faults, self._weakest)
        with compiling.announced("the encoder"):
            whole, fraction = start(self.axis, tables, self._first, position, velocity)
            encoder.encode_block(whole, fraction, EVEN, 0, *tables.arrays, *self._outputs.room)
        for name in ("too_fast", "shift", "lost", "missed"):
            tables.scalars[name] = 0
        tables.state["clipped"] = 0
        self._tables, self._arrays, self._lead = tables, tables.arrays, velocity

    @property
    def sample(self) -> int:
        """Number of the next sample."""
        return self._first if self._tables is None else int(self._tables.scalars["sample"][0])

    @property
    def clipped(self) -> int:
        """Channel readings that the converter has clipped so far."""
        return 0 if self._tables is None else int(self._tables.state["clipped"][0])

    @property
    def lost(self) -> int:
        """Counts that have been lost so far."""
        return 0 if self._tables is None else int(self._tables.scalars["lost"][0])

    @property
    def too_fast(self) -> int:
        """Samples in which the axis moved further than its top speed allows."""
        return 0 if self._tables is None else int(self._tables.scalars["too_fast"][0])

    @property
    def edges_left_out(self) -> int:
        """Edges so far for which their buffer had no room."""
        return 0 if self._finder is None else self._finder.left_out

    @property
    def saturated(self) -> int:
        """Values so far that an integer buffer could not hold and that were limited to its range."""
        return self._outputs.saturated

    @property
    def position_scale(self) -> float:
        """One unit of a position in an integer buffer, m or rad."""
        return self._outputs.position_scale

    def read(
        self,
        position: Any,
        *,
        time: Any = None,
        cosine: np.ndarray | None = None,
        sine: np.ndarray | None = None,
        count: np.ndarray | None = None,
        position_out: np.ndarray | None = None,
        velocity: np.ndarray | None = None,
        a: np.ndarray | None = None,
        b: np.ndarray | None = None,
        index: np.ndarray | None = None,
        serial: np.ndarray | None = None,
        edges: np.ndarray | None = None,
    ) -> None:
        """Take the true positions of the next samples and fill the buffers that are given.

        Parameters
        ----------
        position : ndarray, shape (n,), or a pair of these
            True positions, m or rad; or whole periods (integers) and the rest (fractions of a period), which stay
            exact however far the axis goes.
        time : ndarray, shape (n,), optional
            Time of each sample, s, for a loop that jitters or misses samples: rising by a sixteenth of a loop period
            or more. Without it samples are a loop period apart, and the first is at its number over the rate.
        cosine, sine : ndarray, shape (n,), optional
            Channels: unit amplitude in buffers of floats, codes of the converter in buffers of integers.
        count : ndarray, shape (n,), optional
            All counts; they wrap around in the width of an integer buffer.
        position_out : ndarray, shape (n,), optional
            Position shown, m or rad; in units of ``position_scale`` in buffers of integers.
        velocity : ndarray, shape (n,), optional
            Velocity by the estimator of the axis, m/s or rad/s; floats only.
        a, b : ndarray, shape (n,), optional
            Levels 0 and 1 of two square waves, four counts a cycle; A leads in positive motion.
        index : ndarray, shape (n,), optional
            1 in the samples in which the axis has passed the index mark, else 0.
        serial : ndarray, shape (n,), optional
            Words as the ``serial`` of the encoder describes them; integers of at least its length.
        edges : ndarray of dtype ``Encoder.EDGE``, optional
            Edges of A and B in order of time, as many as the count changes by: ``sample``, the index of the first
            sample that shows the edge, ``share`` of the time from the sample before to it, ``time``, s, the
            ``count`` after the edge, its ``channel`` (0: A, 1: B), ``level`` and ``direction``. How many have been
            written is in ``edges``; those for which there is no room are counted in ``edges_left_out`` and told.

        Raises
        ------
        InputError
            If a position is not finite, or a buffer cannot be filled: wrong length or type, read-only, in the
            memory of another; nothing has been read then. Also where another thread is reading.

        Examples
        --------
        >>> import encsim
        >>> import numpy as np
        >>> encoder = encsim.Encoder(encsim.load("stage_x.toml"))
        >>> cosine, velocity = np.empty(1000, np.int16), np.empty(1000)
        >>> encoder.read(0.01 * np.arange(1000) / 16e3, cosine=cosine, velocity=velocity)
        >>> round(float(velocity.mean()), 3)
        0.01
        """
        if not self._lock.acquire(blocking=False):
            refuse_thread("Encoder")
        try:
            whole, fraction = positions(self.axis, position)
            buffers = {"cosine": cosine, "sine": sine, "count": count, "position_out": position_out}
            buffers |= {"velocity": velocity, "a": a, "b": b, "index": index, "serial": serial}
            writers, room = self._outputs.writers(buffers, fraction.size, (whole, fraction), edges)
            self._check_end(fraction.size)
            fresh = self.sample == self._first
            last = None if fresh else self._tables.late(self.sample - 1)
            late = EVEN if time is None else lateness(self.axis, time, fraction.size, self.sample, last)
            if self._tables is None and fraction.size:
                begin = place(self.axis, float(fraction[0]))
                self._start((int(whole[0]), float(fraction[0])) if whole.size else begin, 0.0)
            if late.size:
                self._tables.part_ways(self.axis, float(late[0]) if fresh else None)
                self._uneven = True
            self.edges, finder, out = 0, None, self._outputs
            if edges is not None and fraction.size:
                finder = self._finder = self._finder or EdgeFinder(self.axis, self._tables, self._lead)
            if room is not None and fraction.size:
                encoder.encode_block(whole, fraction, late, out.wanted, *self._arrays, *room)
                return
            for part in self._tables.pieces(fraction.size, PIECE if finder is None else ROW):
                if index is not None:
                    self._mark.find(self._tables, whole[part], fraction[part], out.index)
                take = whole[part], fraction[part], late[part]
                before = None if finder is None else finder.before()
                encoder.encode_block(*take, out.wanted, *self._arrays, *out.room)
                for write in writers:
                    write(part)
                if edges is not None and finder is not None:
                    self.edges += finder.after(before, take, part, out.counts, edges[self.edges :])
        finally:
            self._lock.release()

    def _check_end(self, samples: int) -> None:
        if self.sample + samples > LAST_SAMPLE:
            checks.refuse("Encoder.sample", f"stay up to {LAST_SAMPLE}", self.sample + samples)

    def _refuse_single(self, name: str) -> None:
        """Refuse single steps where samples are not a loop period apart."""
        rule, hint = "be left out once times have been given", "read blocks of one sample"
        checks.refuse(f"Encoder.{name}", rule, "times", hint=hint)

    def step(self, position: float) -> tuple[int, float, float]:
        """Take the true position of the next sample.

        Parameters
        ----------
        position : float
            True position, m or rad.

        Returns
        -------
        count : int
            All counts, 0 of an axis without.
        position : float
            Position shown, m or rad.
        velocity : float
            Velocity by the estimator of the axis, m/s or rad/s.

        Raises
        ------
        InputError
            If the position is no finite number, or another thread is reading.

        Examples
        --------
        >>> import encsim
        >>> encoder, x, v = encsim.Encoder(encsim.load("stage_x.toml"), seed=1), 0.0, 0.0
        >>> for _ in range(2000):  # a loop of your own: a slide of 5 kg that a gain holds at 2 mm/s
        ...     count, shown, seen = encoder.step(x)
        ...     v += 1500.0 * (2e-3 - seen) / 5.0 / 16e3
        ...     x += v / 16e3
        >>> round(1e3 * v, 1)
        2.0
        """
        if not self._lock.acquire(blocking=False):
            refuse_thread("Encoder")
        try:
            if self._tables is None:
                self._start(place(self.axis, position), 0.0)
            if self._uneven:
                self._refuse_single("step")
            return encoder.step_block(float(position), *self._arrays)
        except checks.InputError:
            raise
        except (ValueError, TypeError):
            checks.refuse("Encoder.step.position", "be a finite number", position, self.axis.scale.unit)
        finally:
            self._lock.release()

    def compiled(self) -> tuple[Callable[..., Any], tuple[np.ndarray, ...]]:
        """The step as a function for code compiled by numba, and its state.

        Returns
        -------
        step : compiled function
            ``count, position, velocity = step(position, state)``, as :meth:`step` does; raises ValueError for a
            position that is not finite.
        state : tuple of ndarray
            To hand on unchanged. It is the state of this encoder, which counts the samples of both.

        Notes
        -----
        Without :meth:`lead` the motion before is standstill at position 0. Nothing keeps two threads from using one
        state: give each its own encoder.

        Examples
        --------
        >>> import encsim
        >>> step, state = encsim.Encoder(encsim.load("stage_x.toml")).compiled()
        >>> count, position, velocity = step(1e-3, state)  # or in a function of your own under numba.njit
        >>> round(1e3 * position, 2)
        1.0
        """
        if self._tables is None:
            self._start((0, 0.0), 0.0)
        if self._uneven:
            self._refuse_single("compiled")
        return encoder.encoder_step, self._arrays
