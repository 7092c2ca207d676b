"""The slow twin of the simulation: plain Python and NumPy, sample by sample, written to be read.

It shares no code with the package but the description of an axis. Phases are exact fractions, waveforms are
complex exponentials, angles come from ``math.atan2``, and edges wait in a list.
"""

import math
from fractions import Fraction

import numpy as np

JITTER, CLOCK, NOISE_COSINE, NOISE_SINE = 1, 2, 3, 4


def philox(counter, key):
    """Philox 4x32-10: four 32-bit words of a counter of four and a key of two."""
    c, k = list(counter), list(key)
    for _ in range(10):
        a, b = 0xD2511F53 * c[0], 0xCD9E8D57 * c[2]
        c = [b >> 32 ^ c[1] ^ k[0], b & 0xFFFFFFFF, a >> 32 ^ c[3] ^ k[1], a & 0xFFFFFFFF]
        k = [(k[0] + 0x9E3779B9) & 0xFFFFFFFF, (k[1] + 0xBB67AE85) & 0xFFFFFFFF]
    return c


def gaussian_pair(a, b):
    """Box-Muller pair of two words: 40 bits for the radius, 24 for the angle."""
    radius = math.sqrt(-2.0 * math.log(((a << 8 | b >> 24) + 0.5) / 2.0**40))
    angle = 2.0 * math.pi * (b & 0xFFFFFF) / 2.0**24
    return radius * math.cos(angle), radius * math.sin(angle)


def gaussian(n, cause, reading, seed):
    """Normal number of sample n."""
    counter, lane = divmod(n, 4)
    counter %= 2**64
    words = philox((counter & 0xFFFFFFFF, counter >> 32, cause, reading), (seed & 0xFFFFFFFF, seed >> 32))
    return gaussian_pair(*words[2 * (lane // 2) :][:2])[lane % 2]


def newest_tick(axis, k):
    """Number of the sample the loop reads at k, and the time since it was taken, exactly."""
    sampling, rate = axis.sampling, Fraction(axis.sampling.rate)
    frequency, phase = (
        sampling.encoder_rate or axis.interpolation.edge_clock,
        Fraction(sampling.encoder_phase),
    )
    if frequency is None:
        return k, Fraction(0)
    n = math.floor(k / rate * Fraction(frequency) + phase)
    return n, k / rate - (n - phase) / Fraction(frequency)


def true_phase(axis, speed, start, k):
    """Phase of the true position that is read at sample k, periods, an exact fraction."""
    late = newest_tick(axis, k)[1] + Fraction(axis.sampling.latency)
    return (Fraction(start) + Fraction(speed) * (k / Fraction(axis.sampling.rate) - late)) / Fraction(
        axis.scale.pitch
    )


def channels(axis, speed, turns):
    """Both channels where the phase is ``turns``, from the definitions of the waveform."""
    signal, left = axis.signal, 1.0 - axis.interpolation.correction
    frequency = speed / axis.scale.pitch
    later = turns + frequency * signal.skew

    def term(n, theta, extra=0.0):
        gain = 1.0 if signal.bandwidth is None else 1.0 / complex(1.0, n * frequency / signal.bandwidth)
        return (gain * np.exp(1j * (2.0 * math.pi * n * theta + extra))).real

    cosine = term(1, turns)
    sine = (1.0 + left * signal.gain) * term(1, later, left * signal.phase - math.pi / 2.0)
    for n, h in signal.harmonics.items():
        cosine += h * term(n, turns)
        sine += h * term(n, later, -n * math.pi / 2.0)
    a = signal.amplitude
    return a * cosine + left * signal.offset[0], a * sine + left * signal.offset[1]


def converted(axis, value):
    """A channel through the converter, unit amplitude."""
    if axis.interpolation.bits is None:
        return value
    step = 2.0 * axis.interpolation.span / 2**axis.interpolation.bits
    half = 2 ** (axis.interpolation.bits - 1)
    return step * min(max(math.floor(value / step + 0.5), -half), half - 1)


class Jitter:
    """Position jitter of taken samples, rms 1, white or with one pole."""

    def __init__(self, axis, seed):
        self.bandwidth, self.seed, self.last = axis.signal.jitter_bandwidth, seed, None
        self.rate = axis.sampling.encoder_rate or axis.interpolation.edge_clock or axis.sampling.rate

    def at(self, n):
        """Jitter of taken sample n; samples are asked for in order."""
        draw = gaussian(n, JITTER, 0, self.seed)
        if self.bandwidth is None:
            return draw
        if self.last is None:
            self.last = n, draw
        rho = math.exp(-2.0 * math.pi * self.bandwidth * (n - self.last[0]) / self.rate)
        self.last = n, rho * self.last[1] + math.sqrt(1.0 - rho * rho) * (draw if n > self.last[0] else 0.0)
        return self.last[1]


def reading(axis, speed, turns, n, number, seed):
    """Both channels of one reading, noise and converter included, and the phase the sde moved it by."""
    shift = sum(e * math.sin(2.0 * math.pi * k * turns + f) for k, (e, f) in axis.signal.sde.items())
    shift /= axis.scale.pitch
    pair = channels(axis, speed, turns + shift)
    if axis.signal.noise:
        draws = gaussian(n, NOISE_COSINE, number, seed), gaussian(n, NOISE_SINE, number, seed)
        pair = [value + axis.signal.noise * draw for value, draw in zip(pair, draws, strict=True)]
    return *(converted(axis, value) for value in pair), shift


def shown(axis, speed, k, start, seed, jitter):
    """Position shown at sample k before counting: whole periods and fraction, and the sample taken."""
    n, _ = newest_tick(axis, k)
    phase, pitch = true_phase(axis, speed, start, k), axis.scale.pitch
    moved = axis.signal.jitter / pitch * jitter.at(n) if axis.signal.jitter else 0.0
    if axis.sampling.jitter:
        moved += axis.sampling.jitter * speed / pitch * gaussian(n, CLOCK, 0, seed)
    whole = round(phase)
    turns = float(phase - whole) + moved
    count = axis.sampling.average
    spacing = speed / (pitch * axis.sampling.rate * count)
    readings = [reading(axis, speed, turns - i * spacing, n, i, seed) for i in range(count)]
    cosine, sine, shift = np.sum(readings, axis=0)
    fraction = math.atan2(sine, cosine) / (2.0 * math.pi)
    middle = turns - 0.5 * (count - 1) * spacing + shift / count
    return whole + round(middle - fraction), fraction


def run(axis, speed, first, samples, *, seed=0, start=0.0, begin=None):
    """Position and velocity of samples ``first`` on; memory begins at sample ``begin``.

    Returns
    -------
    position, velocity : ndarray, shape (samples,)
    counts : list of int or float
        Counts shown (periods where there is no factor).
    """
    span = axis.estimator.samples
    begin = first - span if begin is None else begin
    jitter = Jitter(axis, seed)
    pairs = [shown(axis, speed, k, start, seed, jitter) for k in range(begin, first + samples)]
    ticks = [newest_tick(axis, k)[0] for k in range(begin, first + samples)]
    counts = counted(axis, speed, pairs, ticks)
    counts = counts[first - span - begin :]
    unit = axis.scale.pitch / (axis.interpolation.factor or 1)
    position = np.array([float(c * Fraction(unit)) for c in counts[span:]])
    velocity = [
        float(b - a) * unit * axis.sampling.rate / span for a, b in zip(counts, counts[span:], strict=False)
    ]
    return position, np.array(velocity), counts[span:]


def counted(axis, speed, pairs, ticks):
    """Counts shown, exact where there is a factor."""
    factor, how = axis.interpolation.factor, axis.interpolation
    if factor is None:
        return [whole + Fraction(fraction) for whole, fraction in pairs]
    bias = Fraction(1, 2) if how.output == "ab" else 0
    levels = [whole * factor + Fraction(fraction * factor) - bias for whole, fraction in pairs]
    if how.hysteresis == 0.0 and how.edge_clock is None and how.edge_separation == 0.0:
        return [math.floor(level + Fraction(1, 2)) for level in levels]
    return held(axis, speed, levels, ticks)


def held(axis, speed, levels, ticks):
    """Counts with hysteresis; with limited edges they queue."""
    how = axis.interpolation
    reach = Fraction(1 + how.hysteresis) / 2
    first = math.ceil(levels[0] - reach) if speed > 0 else math.floor(levels[0] + reach)
    queue = Edges(axis, first) if how.edge_clock is not None or how.edge_separation > 0.0 else None
    out, count, before = [], first, levels[0]
    for i, level in enumerate(levels):
        crossings = []
        while abs(level - count) > reach:
            sign = 1 if level > count else -1
            edge = count + sign * reach
            crossings.append((sign, (edge - before) / (level - before)))
            count += sign
        before = level
        if queue is not None:
            queue.pass_sample(crossings, 1 if how.edge_clock is None else ticks[i] - ticks[i - 1] if i else 1)
        out.append(count if queue is None else queue.shown)
    return out


class Edges:
    """Edges that wait for the separation and the next tick; opposite ones cancel before they are sent."""

    def __init__(self, axis, shown):
        clock, separation = axis.interpolation.edge_clock, axis.interpolation.edge_separation
        self.clocked = clock is not None
        if self.clocked:
            self.separation = max(1, math.ceil(separation * clock - 1e-9))
        else:
            self.separation = Fraction(separation) * Fraction(axis.sampling.rate)
        self.shown, self.last, self.now, self.waiting = shown, None, Fraction(0), []

    def pass_sample(self, crossings, elapsed):
        """Let crossings (sign, share of the way) of one loop period wait, and send those that may go."""
        for sign, share in crossings:
            time = self.now + elapsed * share
            time = math.ceil(time) if self.clocked else time
            if self.waiting and self.waiting[0][0] != sign:
                self.waiting.pop()
            else:
                self.waiting.append((sign, time))
        self.now += elapsed
        while self.waiting and self._due(self.waiting[0][1]) <= self.now:
            sign, time = self.waiting.pop(0)
            self.last = self._due(time)
            self.shown += sign

    def _due(self, crossed):
        return crossed if self.last is None else max(crossed, self.last + self.separation)
