"""Closed axes step by step in NumPy, many axes and starts side by side: the slow twin of the smoothness.

Shares nothing with the library but the descriptions and the estimators' coefficients. Motion is the deviation
from the steady one; a loop period is cut in QUARTERS equal pieces, whole numbers of which are all delays, so
that the exact transition over one piece is all that is needed. Arrays are (axes, starts).
"""

import numpy as np
import slow_loop
from scipy.linalg import expm

QUARTERS = 4
STATES = 6
TAPS = 6
CURVES = ("measured", "torque", "actual", "position")


def transition(axis):
    """State change over a quarter period, padded to [x_m, v_m, x_l, v_l, torque, command]."""
    matrix = slow_loop.continuous(axis.load, axis.control.current_bandwidth)
    step = expm(matrix / (QUARTERS * axis.sampling.rate))
    if axis.load.flexible:
        return step
    place = np.array([0, 1, 4, 5])
    full = np.zeros((STATES, STATES))
    full[np.ix_(place, place)] = step
    return full


def padded(above, below):
    """Coefficients as TAPS weights of the entries and TAPS - 1 of the exits, newest first."""
    ahead, behind = np.zeros(TAPS), np.zeros(TAPS - 1)
    ahead[: len(above)], behind[: len(below) - 1] = above, np.asarray(below)[1:]
    return ahead / below[0], behind / below[0]


class Filters:
    """One difference equation an axis, all starts at once."""

    def __init__(self, coefficients, starts):
        pairs = [padded(*pair) for pair in coefficients]
        self.ahead = np.array([pair[0] for pair in pairs])
        self.behind = np.array([pair[1] for pair in pairs])
        self.entries = np.zeros((TAPS, len(pairs), starts))
        self.exits = np.zeros((TAPS - 1, len(pairs), starts))

    def step(self, entry):
        self.entries[1:] = self.entries[:-1].copy()
        self.entries[0] = entry
        out = np.einsum("at,tas->as", self.ahead, self.entries) - np.einsum(
            "at,tas->as", self.behind, self.exits
        )
        self.exits[1:] = self.exits[:-1].copy()
        self.exits[0] = out
        return out


def column(values):
    return np.array(values, dtype=float)[:, None]


class Encoders:
    """Shown position at a true one, both in periods; one description an axis."""

    def __init__(self, axes, speeds, starts, rng):
        self.axes, self.rng = axes, rng
        self.shape = (len(axes), starts)
        pitch = column([axis.scale.pitch for axis in axes])
        rate = column([axis.sampling.rate for axis in axes])
        self.jitter = column([axis.signal.jitter for axis in axes]) / pitch
        bandwidth = column([axis.signal.jitter_bandwidth or np.inf for axis in axes])
        self.kept = np.exp(-2.0 * np.pi * bandwidth / rate)
        self.clock = column([axis.sampling.jitter for axis in axes]) * column(speeds) / pitch
        self.noise = column([axis.signal.noise for axis in axes])
        self.factor = column([axis.interpolation.factor or 0 for axis in axes])
        spans = [axis.interpolation.span for axis in axes]
        bits = [axis.interpolation.bits or 0 for axis in axes]
        self.code = column([2.0 * a / 2.0**b if b else 0.0 for a, b in zip(spans, bits, strict=True)])
        self.moved = self.jitter * rng.standard_normal(self.shape)
        self.steady(speeds)

    def steady(self, speeds):
        """Complex terms of both channels, readhead bandwidth and skew as in steady motion."""
        self.terms, self.orders = [], [1, 3]
        for n in self.orders:
            found = []
            for axis, speed in zip(self.axes, speeds, strict=True):
                found.append(channel_terms(axis, speed, n))
            self.terms.append([column_complex(part) for part in zip(*found, strict=True)])
        self.turned = np.angle(self.terms[0][0] + 1j * self.terms[0][1]) / (2.0 * np.pi)
        self.offset = [column([axis.signal.offset[k] for axis in self.axes]) for k in (0, 1)]
        self.sde = {}
        for k in {k for axis in self.axes for k in axis.signal.sde}:
            parts = [axis.signal.sde.get(k, (0.0, 0.0)) for axis in self.axes]
            size = column([part[0] / axis.scale.pitch for part, axis in zip(parts, self.axes, strict=True)])
            self.sde[k] = size, column([part[1] for part in parts])

    def shown(self, turns):
        draw = self.rng.standard_normal((4, *self.shape))
        self.moved = self.kept * self.moved + np.sqrt(1.0 - self.kept**2) * self.jitter * draw[0]
        true = turns + self.moved + self.clock * draw[1]
        phase = true
        for k, (size, angle) in self.sde.items():
            phase = phase + size * np.sin(2.0 * np.pi * k * true + angle)
        turn, found = np.exp(2j * np.pi * phase), []
        turn = {1: turn, 3: turn * turn * turn}
        for side in (0, 1):
            value = self.offset[side] + self.noise * draw[2 + side]
            for n, terms in zip(self.orders, self.terms, strict=True):
                value = value + (terms[side] * turn[n]).real
            safe = np.where(self.code > 0.0, self.code, 1.0)
            found.append(np.where(self.code > 0.0, np.floor(value / safe + 0.5) * safe, value))
        angle = np.arctan2(found[1], found[0]) / (2.0 * np.pi) - self.turned
        decoded = angle + np.rint(true - angle)
        counts = np.where(self.factor > 0.0, self.factor, 1.0)
        rounded = np.floor((decoded + self.turned) * counts + 0.5) / counts - self.turned
        return np.where(self.factor > 0.0, rounded, decoded)


def column_complex(values):
    return np.array(values, dtype=complex)[:, None]


def channel_terms(axis, speed, n):
    """Complex amplitudes of order n on the cosine and the sine channel, as they are written down."""
    signal, f = axis.signal, n * speed / axis.scale.pitch
    size = 1.0 if n == 1 else signal.harmonics.get(n, 0.0)
    head = 1.0 / (1.0 + 1j * f / signal.bandwidth) if signal.bandwidth else 1.0
    sine = size * np.exp(-0.5j * np.pi * n)
    if n == 1:
        sine = sine * (1.0 + signal.gain) * np.exp(1j * signal.phase)
    return size * head, sine * head * np.exp(2j * np.pi * f * signal.skew)


def quarters(seconds, axes):
    """Times as whole numbers of quarter periods."""
    found = np.array(seconds) * np.array([QUARTERS * axis.sampling.rate for axis in axes])
    assert np.allclose(found, np.rint(found), atol=1e-6)
    return np.rint(found).astype(int)


class Running:
    """Axes in steady motion from evenly spread starts."""

    def __init__(self, axes, speeds, starts, seed):
        self.axes, self.speeds, self.size = axes, speeds, len(axes)
        self.encoders = Encoders(axes, speeds, starts, np.random.default_rng(seed))
        self.steps = np.array([transition(axis) for axis in axes])
        self.seen = np.array([2 if a.load.flexible and a.load.encoder == "load" else 0 for a in axes])
        self.load = np.array([2 if a.load.flexible else 0 for a in axes])
        self.latency = quarters([axis.sampling.latency for axis in axes], axes)
        self.delay = quarters([axis.control.delay for axis in axes], axes)
        rates = [axis.sampling.rate for axis in axes]
        pairs = [axis.estimator.coefficients(rate) for axis, rate in zip(axes, rates, strict=True)]
        self.estimator = Filters(pairs, starts)
        each = [
            slow_loop.torque_filters(axis.control, 1.0 / rate) for axis, rate in zip(axes, rates, strict=True)
        ]
        self.filters = []
        for n in range(max(map(len, each))):
            chain = [(part[n].above, part[n].below) if n < len(part) else ([1.0], [1.0]) for part in each]
            self.filters.append(Filters(chain, starts))
        self.state = np.zeros((self.size, STATES, starts))
        self.past = np.zeros((int(self.latency.max()) + 1, self.size, starts))
        self.commands = np.zeros((int(self.delay.max()) // QUARTERS + 2, self.size, starts))
        self.gains()
        self.first = (np.arange(starts) + 0.5) / starts
        self.integral = 0.0

    def gains(self):
        controls = [axis.control for axis in self.axes]
        self.position_gain = column([c.position_gain for c in controls])
        self.velocity_gain = column([c.velocity_gain for c in controls])
        rate = column([axis.sampling.rate for axis in self.axes])
        self.pull = column([1.0 / c.integral_time if c.integral_time else 0.0 for c in controls]) / rate
        self.pitch = column([axis.scale.pitch for axis in self.axes])
        self.advance = column(self.speeds) / rate / self.pitch

    def sample(self, k):
        """One loop period: read, command, move."""
        every = np.arange(self.size)
        read = self.past[self.latency, every]
        base = self.first + np.mod(k * self.advance, 1.0) - column(self.latency / QUARTERS) * self.advance
        shown = (self.encoders.shown(base + read / self.pitch) - base) * self.pitch
        velocity = self.estimator.step(shown)
        wrong = -self.position_gain * shown - velocity
        self.integral = self.integral + self.pull * wrong
        torque = self.velocity_gain * (wrong + self.integral)
        for each in self.filters:
            torque = each.step(torque)
        self.commands[1:] = self.commands[:-1].copy()
        self.commands[0] = torque
        found = velocity, torque, self.state[every, self.load + 1], self.state[every, self.load]
        self.move(every)
        return found

    def move(self, every):
        for quarter in range(QUARTERS):
            back = -((quarter - self.delay) // QUARTERS)
            self.state[:, -1] = self.commands[back, every]
            self.state = self.steps @ self.state
            self.past[1:] = self.past[:-1].copy()
            self.past[0] = self.state[every, self.seen]


def running(axes, speeds, samples, starts, settle, seed=0):
    """Rms of each curve over all samples and starts, shape (axes, curves), about the mean (each start's at rest)."""
    run, sums = Running(axes, speeds, starts, seed), np.zeros((2, len(CURVES), len(axes), starts))
    for k in range(settle + samples):
        found = run.sample(k)
        if k >= settle:
            sums += [found, np.square(found)]
    mean, square = sums / samples
    moving = np.array(speeds) != 0.0
    mean[:, moving] = mean[:, moving].mean(axis=-1, keepdims=True)
    return np.sqrt((square - mean**2).mean(axis=-1)).T
