"""Time domain: the axis in steady motion, sample by sample, as a run (simulate) or as a stream (Stream).

Samples are computed in chunks of fixed size, aligned to sample numbers. The phase at the start of a chunk is
exact (whole numbers of Python), inside it a 64-bit fraction of a period that wraps by itself; so nothing
drifts. Chance depends on the seed, its cause and the sample number only. A chunk is therefore a function of
its number, unless the axis remembers: with hysteresis, with band-limited jitter and where edges are limited.
"""

import itertools
import math
import os
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from . import _checks, quadrature
from ._results import Series
from .axis import Axis

MOST_SAMPLES = 1 << 40
MOST_PERIODS = 1 << 19  # a sample; with LAST_SAMPLE it keeps whole periods below 2**61
MOST_TICKS = 1 << 20  # a sample
FARTHEST = 1 << 60  # periods that start and latency may make
LAST_SAMPLE = 1 << 41
BATCH = 16  # chunks in one call of the compiled chain
LEAST_PER_THREAD = 1 << 17
WARM_UP = 1  # chunks run before the history of the difference where the axis remembers
PATIENCE = 1.0  # seconds after which the first call is said to be compiling
EXACT_MODULUS = 1 << 62
MOST_THREADS = 256
PIECE = 1 << 16
LOW_32 = (1 << 32) - 1
LOW_64 = (1 << 64) - 1


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
        Half of the largest less the smallest velocity.
    settle : int
        Samples at the start left out of rms and peak; 0 unless the axis has hysteresis.
    seed, speed, start, axis
        What was asked for.
    valid : bool
    reasons : tuple of str
        Why the run does not show a working axis, if it does not.
    """

    time: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    rms: float
    peak: float
    settle: int
    seed: int
    speed: float
    start: float
    axis: Axis = field(repr=False, metadata={"plain": False})
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self):
        """Unit of each field that has one."""
        unit = self.axis.scale.unit
        velocity = dict.fromkeys(("velocity", "rms", "peak", "speed"), f"{unit}/s")
        return {"time": "s", "position": unit, "start": unit, **velocity}

    def plot(self, ax=None):
        """Draw velocity against time and its spectrum; returns the axes."""
        from . import _figures

        return _figures.run(self, ax)


def simulate(axis, speed, samples, seed=0, start=0.0, *, threads=None):
    """Run an axis at a steady speed and return what the controller sees.

    Parameters
    ----------
    axis : Axis
    speed : float
        True speed v, m/s or rad/s; its sign counts.
    samples : int
        Number of samples, 1 to 2**40.
    seed : int
        Seed of all chance, 0 to 2**64 - 1.
    start : float
        True position at time 0, m or rad.
    threads : int, optional
        Threads to use where the axis has finite memory; as many as are useful if None.

    Returns
    -------
    Trace
        The same numbers bit for bit for any number of threads, and those of :class:`Stream`.

    Raises
    ------
    InputError
        If an argument is out of range.

    Notes
    -----
    The motion exists before sample 0, so the velocity is valid from sample 0; the true position is
    ``start + speed (t - latency)``. The first call compiles the chain, says so on stderr and keeps the
    result for later sessions.
    """
    _check_run(axis, speed, samples, seed, start, threads)
    samples, speed, start, seed = int(samples), float(speed), float(start), int(seed)
    position, velocity = _allocate(samples, 2)
    parts = _parts(axis, samples, threads)
    streams = [Stream(axis, speed, seed, start, first) for first, _ in parts]
    _run_parts(streams, parts, position, velocity)
    settle = _settle(axis, speed, samples)
    rms, peak = _spread(velocity[settle:], speed)
    reasons = _reasons(axis, speed, samples, sum(stream.clipped for stream in streams), settle)
    time = np.arange(samples, dtype=float)
    time /= axis.sampling.rate
    return Trace(time, position, velocity, rms, peak, settle, seed, speed, start, axis, not reasons, reasons)


class Stream:
    """The samples of :func:`simulate`, block by block into the caller's arrays.

    Parameters
    ----------
    axis : Axis
    speed : float
        True speed v, m/s or rad/s; its sign counts.
    seed : int
        Seed of all chance, 0 to 2**64 - 1.
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
    With finite memory a stream gives the same samples wherever it begins. Hysteresis, edges with a
    separation or a clock and band-limited jitter remember for ever: then the stream begins some samples
    before ``first`` from the stationary jitter and from counts that trail the motion by the hysteresis.
    """

    def __init__(self, axis, speed, seed=0, start=0.0, first=0):
        _check_stream(axis, speed, seed, start, first)
        from . import _kernels

        self._kernels = _kernels
        self.sample = int(first)
        motion = _Motion(axis, float(speed), float(start))
        self._motion = motion
        self._tables = (_plan(axis, float(speed), int(seed), motion), *_terms(axis, float(speed)))
        self._chunk = None  # the chunk computed last
        self._make_buffers(axis)
        self._load()

    def _make_buffers(self, axis):
        """Everything that reading needs, so that reading allocates nothing."""
        size = self._kernels.CHUNK
        slots = -(-axis.estimator.samples // size) + 1
        self._anchors = np.zeros(BATCH, self._kernels.ANCHOR)
        self._ticks = np.zeros((BATCH if self._motion.clock else 1, size), np.int64)
        self._span = np.zeros(5, np.int64)
        self._state = np.zeros(1, self._kernels.STATE)
        self._history = (np.zeros(slots * size, np.int64), np.zeros(slots * size))
        self._work = np.zeros(self._kernels.ROWS * size)
        self._nothing = np.zeros(0)

    def _load(self):
        """Compile the chain, or load it from the cache: calls that compute nothing."""
        with _announced():
            self._chain(self._nothing, self._nothing)
            self._kernels.tick_block(0, 0, 0, 0, 1, 0, self._ticks[0, :0])

    def _chain(self, position, velocity):
        buffers = self._anchors, self._ticks, self._span, self._state, self._history, self._work
        self._kernels.chain_block(*self._tables, *buffers, position, velocity)

    @property
    def phase(self):
        """True phase at the next sample, as whole periods and a fraction -0.5 ... 0.5, from the 64-bit steps."""
        size = self._kernels.CHUNK
        return self._motion.stepped(self.sample, self.sample // size * size)

    @property
    def clipped(self):
        """Channel readings that the converter has clipped so far, in all samples computed."""
        return int(self._state["clipped"][0])

    def read(self, position, velocity=None):
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
        _check_array("position", position, None)
        if velocity is None:
            velocity = self._nothing
        else:
            _check_array("velocity", velocity, position.size)
        end = self.sample + position.size
        if end > LAST_SAMPLE:
            _checks.refuse("Stream.sample", f"stay up to {LAST_SAMPLE}", end)
        if self._chunk is None and position.size:
            self._warm_up()
        self._fill(end, position, velocity)

    def _warm_up(self):
        """Compute the chunks before the first sample that the difference and the memory need."""
        size = self._kernels.CHUNK
        remembers = bool(self._tables[0]["sequential"][0] or self._tables[0]["correlated"][0])
        oldest = self.sample - int(self._tables[0]["span"][0])
        self._chunk = oldest // size - 1 - (WARM_UP if remembers else 0)
        first = self.sample // size * size
        while (self._chunk + 1) * size < first:
            self._compute(first, first, self._nothing, self._nothing, 0)
        self._state["clipped"] = 0

    def _fill(self, end, position, velocity):
        """Hand out samples up to ``end``, a batch of chunks at a time."""
        size, offset = self._kernels.CHUNK, 0
        while self.sample < end:
            known = self.sample // size == self._chunk
            begin = self._chunk if known else self._chunk + 1
            stop = min(end, (begin + BATCH) * size)
            self._compute(self.sample, stop, position, velocity, offset, known)
            offset += stop - self.sample
            self.sample = stop

    def _compute(self, first, stop, position, velocity, offset, known=False):
        """Compute the chunks up to sample ``stop`` that are not there yet; put ``first`` to ``stop`` out."""
        size = self._kernels.CHUNK
        begin = self._chunk if known else self._chunk + 1
        chunks = min(-(-stop // size) - begin, BATCH)
        for j in range(known, chunks):
            self._motion.anchor(self._anchors[j], begin + j, size)
            if self._motion.clock:
                self._motion.clock.fill((begin + j) * size, self._ticks[j], self._kernels.tick_block)
        self._anchors[0]["chunk"] = begin
        self._span[:] = chunks, known, first - begin * size, stop - begin * size, offset
        self._chain(position, velocity)
        self._chunk = begin + chunks - 1


class _Clock:
    """Ticks n of another clock, at (n - phase)/frequency, as the loop at ``rate`` sees them, exactly."""

    def __init__(self, frequency, phase, rate):
        self.ratio, self.phase, self.frequency = (
            Fraction(frequency) / Fraction(rate),
            Fraction(phase),
            Fraction(frequency),
        )
        self.whole, rest = divmod(self.ratio, 1)
        exact = math.lcm(self.ratio.denominator, self.phase.denominator)
        self.slack = int(exact > EXACT_MODULUS)
        self.modulus = EXACT_MODULUS if self.slack else exact
        self.advance = math.floor(rest * self.modulus)

    def newest(self, sample):
        """Newest tick at a sample, and the rest of a tick since then."""
        return divmod(sample * self.ratio + self.phase, 1)

    def fill(self, sample, out, tick_block):
        """Newest ticks at the samples from ``sample`` on; one by one where 62 bits leave a doubt."""
        tick, rest = self.newest(sample - 1)
        rest = math.floor(rest * self.modulus)
        if tick_block(tick, rest, self.advance, self.whole, self.modulus, self.slack, out):
            out[:] = [self.newest(sample + i)[0] for i in range(out.size)]


class _Motion:
    """Phase of the true position at each sample (at each tick, with a clock), exactly: (a + b n)/d periods."""

    def __init__(self, axis, speed, start):
        pitch, clock = Fraction(axis.scale.pitch), _sampler(axis)
        self.clock = None if clock is None else _Clock(*clock, axis.sampling.rate)
        rate = Fraction(axis.sampling.rate) if clock is None else self.clock.frequency
        late = Fraction(axis.sampling.latency) + (0 if clock is None else self.clock.phase / rate)
        begin = (Fraction(start) - Fraction(speed) * late) / pitch
        self.step = Fraction(speed) / (rate * pitch)
        self._d = math.lcm(begin.denominator, self.step.denominator)
        self._a, self._b = int(begin * self._d), int(self.step * self._d)
        self.step64 = _nearest(self._b << 64, self._d)

    def tick(self, sample):
        """Number of the sample the loop reads: that of the other clock if there is one."""
        return sample if self.clock is None else self.clock.newest(sample)[0]

    def at(self, tick):
        """Phase of a sample or tick, in 2**-64 period."""
        return _nearest((self._a + self._b * tick) << 64, self._d)

    def anchor(self, record, chunk, size):
        """Describe the start of a chunk."""
        tick = self.tick(chunk * size)
        phase = self.at(tick)
        record["chunk"], record["tick"] = chunk, tick
        record["base"], record["whole"] = phase & LOW_64, _whole(phase)

    def stepped(self, sample, origin):
        """Whole periods and fraction at a sample, in 64-bit steps from the exact phase at ``origin``."""
        tick, begin = self.tick(sample), self.tick(origin)
        phase = self.at(begin) + (tick - begin) * self.step64
        return _whole(phase), (phase - (_whole(phase) << 64)) * 2.0**-64


def _nearest(a, b):
    return (2 * a + b) // (2 * b)


def _whole(phase):
    """Nearest whole periods of a phase in 2**-64 period."""
    return (phase + (1 << 63)) >> 64


def _sampler(axis):
    """Frequency and phase of the clock by whose ticks positions are taken, None where the loop takes them."""
    if axis.sampling.encoder_rate is not None:
        return axis.sampling.encoder_rate, axis.sampling.encoder_phase
    if axis.interpolation.edge_clock is not None:
        return axis.interpolation.edge_clock, 0.0
    return None


def _plan(axis, speed, seed, motion):
    """All scalars of the chain, in periods, samples and counts."""
    from . import _kernels

    plan = np.zeros(1, _kernels.PLAN)
    parts = _sampling_plan, _signal_plan, _counting_plan
    fields = {"key0": seed & LOW_32, "key1": seed >> 32}
    fields |= {
        "step": motion.step64 & LOW_64,
        "slope": float(motion.step),
        "ticked": motion.clock is not None,
    }
    for part in parts:
        fields |= part(axis, speed)
    for name, value in fields.items():
        plan[name] = value
    return plan


def _sampling_plan(axis, speed):
    """When readings are taken, and how far jitter moves them."""
    sampling, signal, pitch = axis.sampling, axis.signal, axis.scale.pitch
    readings = sampling.average
    spacing = speed / (pitch * sampling.rate) / readings
    return {
        "jitter": signal.jitter / pitch,
        "clock": sampling.jitter * speed / pitch,
        "readings": readings,
        "spacing": spacing,
        "lag": 0.5 * (readings - 1) * spacing - _turned(axis, speed, spacing),
        "pitch": pitch,
        "rate": sampling.rate,
        "span": axis.estimator.samples,
        **_correlation(axis),
    }


def _turned(axis, speed, spacing):
    """Phase by which the channels lead the mean phase of their readings, -0.5 to 0.5 period.

    Whole periods are counted by this phase, so that neither a readhead's lag nor a long average, which may
    turn the channels round, can cost or win one.
    """
    found, readings = quadrature.channels(axis, speed), axis.sampling.average
    turns = (np.arange(readings) - 0.5 * (readings - 1)) * spacing
    mean = np.cos(2.0 * np.pi * turns).mean()
    return float(np.angle((found.cosine[0] + 1j * found.sine[0]) * mean)) / (2.0 * np.pi)


def _correlation(axis):
    """One-pole correlation of the jitter from one taken sample to the next taken by the loop."""
    bandwidth, clock = axis.signal.jitter_bandwidth, _sampler(axis)
    if bandwidth is None or axis.signal.jitter == 0.0:
        return {"correlated": 0}
    rate = axis.sampling.rate if clock is None else clock[0]
    jump = 1 if clock is None else Fraction(rate) // Fraction(axis.sampling.rate)
    fall = 2.0 * math.pi * bandwidth / rate
    return {
        "correlated": 1,
        "correlation": math.exp(-fall * jump),
        "correlation_more": math.exp(-fall * (jump + 1)),
        "jump": jump,
    }


def _signal_plan(axis, speed):
    """Offset, noise and converter."""
    signal, interpolation = axis.signal, axis.interpolation
    offset = quadrature.channels(axis, speed).offset
    plan = {"offset_cosine": offset[0], "offset_sine": offset[1], "noise": signal.noise}
    if interpolation.bits is not None:
        half = 2.0 ** (interpolation.bits - 1)
        plan |= {"converter": 1, "codes": half / interpolation.span, "lowest": -half, "highest": half - 1.0}
    return plan


def _counting_plan(axis, speed):
    """Counts, hysteresis and limited edges."""
    interpolation = axis.interpolation
    edges = interpolation.output == "ab"
    return {
        "counted": interpolation.factor is not None,
        "factor": interpolation.factor or 1,
        "bias": 0.5 if edges else 0.0,
        "sequential": 2 if _limited(axis) else int(interpolation.hysteresis > 0.0),
        "reach": 0.5 * (1.0 + interpolation.hysteresis),
        "separation": _separation(axis),
        "direction": np.sign(speed),
    }


def _limited(axis):
    """Whether edges may come later than they are crossed."""
    return axis.interpolation.edge_separation > 0.0 or axis.interpolation.edge_clock is not None


def _separation(axis):
    """Least distance of two edges, whole ticks of the edge clock if there is one, else samples."""
    separation, clock = axis.interpolation.edge_separation, axis.interpolation.edge_clock
    if clock is None:
        return separation * axis.sampling.rate
    # 1e-12: as floats 3e-7 s and 10 MHz make a little more than 3 ticks, and 3 are meant.
    return max(1.0, math.ceil(separation * clock * (1.0 - 1e-12)))


def _terms(axis, speed):
    """Tables of the channels' Fourier terms (gap to the order before, C_n, S_n) and of the given error."""
    found, pitch = quadrature.channels(axis, speed), axis.scale.pitch
    parts = [part for term in (found.cosine, found.sine) for part in (term.real, term.imag)]
    terms = np.column_stack([np.diff(found.orders, prepend=0), *parts]).astype(float)
    sde = [(k, e / pitch * math.sin(f), e / pitch * math.cos(f)) for k, (e, f) in axis.signal.sde.items()]
    return np.ascontiguousarray(terms), np.array(sde, dtype=float).reshape(-1, 3)


def _remembers(axis):
    """Whether a sample depends on all before it."""
    correlated = axis.signal.jitter > 0.0 and axis.signal.jitter_bandwidth is not None
    return correlated or axis.interpolation.hysteresis > 0.0 or _limited(axis)


def _parts(axis, samples, threads):
    """Ranges of samples, whole chunks each, one for a thread."""
    from ._kernels import CHUNK

    if threads is None:
        threads = max(1, min(_processors(), samples // LEAST_PER_THREAD))
    chunks = -(-samples // CHUNK)
    threads = 1 if _remembers(axis) else min(threads, chunks)
    cuts = [min(samples, chunks * part // threads * CHUNK) for part in range(threads + 1)]
    return list(itertools.pairwise(cuts))


def _processors():
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _run_parts(streams, parts, position, velocity):
    """Let every stream fill its range; more than one, each in its thread."""
    if len(parts) == 1:
        streams[0].read(position, velocity)
        return
    stop = threading.Event()

    def fill(stream, first, end):
        # In pieces, so that Ctrl-C need not wait for the whole range.
        for begin in range(first, end, PIECE):
            if not stop.is_set():
                piece = slice(begin, min(begin + PIECE, end))
                stream.read(position[piece], velocity[piece])

    with ThreadPoolExecutor(len(parts)) as pool:
        try:
            for done in [
                pool.submit(fill, stream, *part) for stream, part in zip(streams, parts, strict=True)
            ]:
                done.result()
        finally:
            stop.set()


def _settle(axis, speed, samples):
    """Samples until hysteresis has forgotten where it began: it moves by 1 + h counts, twice for noise."""
    noisy = axis.signal.jitter or axis.signal.noise or axis.sampling.jitter
    if axis.interpolation.hysteresis == 0.0 or speed == 0.0 or not noisy:
        return 0
    counts = abs(speed) / (axis.resolution * axis.sampling.rate)
    return int(min(2.0 * (1.0 + axis.interpolation.hysteresis) / counts, samples // 2))


def _spread(velocity, speed):
    """Root mean square about the true speed, and half the range; in pieces, the same for any threads."""
    squares = 0.0
    for begin in range(0, velocity.size, PIECE):
        part = velocity[begin : begin + PIECE] - speed
        squares += float(np.square(part, out=part).sum())
    return math.sqrt(squares / velocity.size), 0.5 * float(velocity.max() - velocity.min())


def _reasons(axis, speed, samples, clipped, settle):
    """Why the run does not show a working axis."""
    from .limits import top_speed

    reasons = []
    top = top_speed(axis)
    if abs(speed) > top.speed:
        unit = f"{axis.scale.unit}/s"
        reasons.append(
            f"speed {abs(speed):.4g} {unit} is above the top speed {top.speed:.4g} {unit} ({top.limit})"
        )
    if clipped:
        reasons.append(f"the converter clips, {clipped} readings of a channel were cut off")
    if settle and settle == samples // 2:
        reasons.append("the run is too short for the hysteresis to settle: take more samples")
    return tuple(reasons)


@contextmanager
def _announced():
    """Say on stderr that the chain is being compiled, if it takes as long as only compiling does."""
    timer = threading.Timer(PATIENCE, _announce)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _announce():
    print(
        "encsim: compiling the simulator, once; later runs load it in a moment", file=sys.stderr, flush=True
    )


def _allocate(samples, arrays):
    """Arrays for the results, refused where the machine has not the memory."""
    try:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        memory = math.inf
    try:
        if 8 * (arrays + 1) * samples < memory:
            return [np.empty(samples) for _ in range(arrays)]
    except MemoryError:
        pass
    rule = "be few enough to fit into memory"
    return _checks.refuse("simulate.samples", rule, samples, hint="use Stream to run longer")


def _check_array(name, array, size):
    """Refuse what cannot be filled in place."""
    rule = "be a contiguous, writable one-dimensional float64 array"
    if not isinstance(array, np.ndarray):
        _checks.refuse(f"Stream.read.{name}", rule, type(array).__name__)
    if array.dtype != np.float64 or array.ndim != 1 or not array.flags.carray:
        _checks.refuse(f"Stream.read.{name}", rule, f"{array.dtype} of shape {array.shape}")
    if size is not None and array.size != size:
        _checks.refuse(f"Stream.read.{name}", f"have the {size} samples of position", array.size)


def _check_run(axis, speed, samples, seed, start, threads):
    """All faults of the arguments of simulate."""
    faults = _faults("simulate", axis, speed, seed, start)
    if not _checks.is_whole(samples) or not 1 <= samples <= MOST_SAMPLES:
        faults.append(
            _checks.Fault("simulate.samples", f"be a whole number from 1 to {MOST_SAMPLES}", samples)
        )
    if threads is not None and not (_checks.is_whole(threads) and 1 <= threads <= MOST_THREADS):
        faults.append(
            _checks.Fault("simulate.threads", f"be None or a whole number from 1 to {MOST_THREADS}", threads)
        )
    if faults:
        raise _checks.InputError(*faults)


def _check_stream(axis, speed, seed, start, first):
    """All faults of the arguments of Stream."""
    faults = _faults("Stream", axis, speed, seed, start)
    if not _checks.is_whole(first) or not 0 <= first <= MOST_SAMPLES:
        faults.append(_checks.Fault("Stream.first", f"be a whole number from 0 to {MOST_SAMPLES}", first))
    if faults:
        raise _checks.InputError(*faults)


def _faults(owner, axis, speed, seed, start):
    """Faults of the arguments that simulate and Stream share."""
    if not isinstance(axis, Axis):
        return [_checks.Fault(f"{owner}.axis", "be an Axis", axis)]
    faults, unit = [], axis.scale.unit
    for name, value, dimension in (("speed", speed, f"{unit}/s"), ("start", start, unit)):
        if not _checks.is_real(value):
            faults.append(_checks.Fault(f"{owner}.{name}", "be a finite number", value, dimension))
    if not _checks.is_whole(seed) or not 0 <= seed <= LOW_64:
        faults.append(_checks.Fault(f"{owner}.seed", f"be a whole number from 0 to {LOW_64}", seed))
    return faults or _range_faults(owner, axis, float(speed), float(start))


def _range_faults(owner, axis, speed, start):
    """Faults that would take whole periods or ticks out of 63 bits."""
    unit, sampling, pitch = axis.scale.unit, axis.sampling, axis.scale.pitch
    clock, faults = _sampler(axis), []
    late = sampling.latency + (0.0 if clock is None else 1.0 / clock[0])
    if abs(speed) > MOST_PERIODS * sampling.rate * pitch:
        rule = f"stay up to {MOST_PERIODS} signal periods a sample, {MOST_PERIODS * sampling.rate * pitch:.4g} {unit}/s"
        faults.append(_checks.Fault(f"{owner}.speed", rule, speed, f"{unit}/s"))
    elif abs(start) > FARTHEST * pitch or abs(speed) * late > FARTHEST * pitch:
        rule = f"keep the position within {FARTHEST} signal periods, latency included"
        faults.append(_checks.Fault(f"{owner}.start", rule, start, unit))
    if clock is not None and clock[0] > MOST_TICKS * sampling.rate:
        rule = f"read an encoder or edge clock up to {MOST_TICKS} times as fast as the loop"
        faults.append(_checks.Fault(f"{owner}.axis", rule, clock[0], "Hz"))
    return faults
