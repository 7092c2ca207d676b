"""Phase of the true position at any sample number, exact in whole numbers, and other clocks' ticks."""

import math
from fractions import Fraction

EXACT_MODULUS = 1 << 62
LOW_64 = (1 << 64) - 1


class Clock:
    """Ticks n of another clock, at (n - phase)/frequency, as the loop at ``rate`` sees them, exactly."""

    def __init__(self, frequency, phase, rate):
        self.frequency, self.phase = Fraction(frequency), Fraction(phase)
        self.ratio = self.frequency / Fraction(rate)
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


class Motion:
    """Phase of the true position at each sample (at each tick, with a clock), exactly: (a + b n)/d periods.

    ``line`` is the same motion at the samples themselves.
    """

    def __init__(self, axis, speed, start, ticked=True):
        pitch, clock = Fraction(axis.scale.pitch), sampler(axis) if ticked else None
        self.clock = None if clock is None else Clock(*clock, axis.sampling.rate)
        rate = Fraction(axis.sampling.rate) if clock is None else self.clock.frequency
        late = Fraction(axis.sampling.latency) + (0 if clock is None else self.clock.phase / rate)
        begin = (Fraction(start) - Fraction(speed) * late) / pitch
        self.step = Fraction(speed) / (rate * pitch)
        self._d = math.lcm(begin.denominator, self.step.denominator)
        self._a, self._b = int(begin * self._d), int(self.step * self._d)
        self.step64 = _nearest(self._b << 64, self._d)
        self._lines = axis.scale.lines or 1
        self.ring64 = _nearest(self._b << 64, self._d * self._lines)
        self.line = self if clock is None else Motion(axis, speed, start, ticked=False)

    def tick(self, sample):
        """Number of the sample the loop reads: that of the other clock if there is one."""
        return sample if self.clock is None else self.clock.newest(sample)[0]

    def at(self, tick):
        """Phase of a sample or tick, in 2**-64 period."""
        return _nearest((self._a + self._b * tick) << 64, self._d)

    def angle(self, tick):
        """Angle of a ring at a sample or tick, in 2**-64 turn."""
        return _nearest((self._a + self._b * tick) << 64, self._d * self._lines)

    def anchor(self, fields, j, chunk, size):
        """Write the start of a chunk into row j of the fields of an anchor."""
        tick = self.tick(chunk * size)
        phase = self.at(tick)
        line = phase if self.line is self else self.line.at(chunk * size)
        # one after the other: a tuple of all these numbers would be the largest thing that reading allocates
        chunks, base, whole, ticks, lines, line_whole, angle = fields
        chunks[j], base[j], whole[j], ticks[j] = chunk, phase & LOW_64, _whole(phase), tick
        lines[j], line_whole[j] = line & LOW_64, _whole(line)
        angle[j] = self.angle(tick) & LOW_64

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


def sampler(axis):
    """Frequency and phase of the clock by whose ticks positions are taken, None where the loop takes them."""
    if axis.sampling.encoder_rate is not None:
        return axis.sampling.encoder_rate, axis.sampling.encoder_phase
    if axis.interpolation.edge_clock is not None:
        return axis.interpolation.edge_clock, 0.0
    return None
