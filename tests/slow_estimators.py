"""Velocity estimators in plain Python on exact counts, as they are written down; edges timed one by one."""

import itertools
import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import reference
from scipy.signal import butter, lfilter

from encsim import Difference


def shown(axis, speed, begin, samples, **options):
    """Shown positions of samples ``begin`` on, exact fractions of the position unit."""
    plain = replace(axis, estimator=Difference())
    counts = reference.run(plain, speed, begin, samples, begin=begin - 1, **options)[2]
    unit = Fraction(axis.scale.pitch) / (axis.interpolation.factor or 1)
    return [count * unit for count in counts]


def line_slope(y, n, rate):
    """Slope of the straight line through the newest n positions, by the normal equations, exactly."""
    newest, middle = y[-n:], Fraction(n - 1, 2)
    moment = sum((j - middle) * value for j, value in enumerate(newest))
    return float(moment / sum((j - middle) ** 2 for j in range(n)) * Fraction(rate))


def least_squares(axis, y):
    """Velocities from the first sample with a full memory on."""
    n = axis.estimator.samples
    return np.array([line_slope(y[:k], n, axis.sampling.rate) for k in range(n, len(y) + 1)])


def low_pass(axis, y, speed):
    """Velocities of all samples, the motion before the first one steady."""
    rate, estimator = axis.sampling.rate, axis.estimator
    raw = [0.0, *(float(b - a) * rate - speed for a, b in itertools.pairwise(y))]
    if estimator.order > 1:
        return speed + lfilter(*butter(estimator.order, estimator.corner, fs=rate), raw)
    a = math.exp(-2.0 * math.pi * estimator.corner / rate)
    return speed + lfilter([1.0 - a], [1.0, -a], raw)


def alpha_beta(y, alpha, beta, period, speed):
    """Velocities of all samples, the motion before the first one steady."""
    position, velocity, found = y[0] - Fraction(speed) * Fraction(period), speed, []
    for value in y:
        position += Fraction(period) * Fraction(velocity)
        error = float(value - position)
        position += Fraction(alpha * error)
        velocity += beta * error / period
        found.append(velocity)
    return np.array(found)


def edge_times(axis, speed, first, last, error, seed):
    """{number: time} of the edges passed in steady motion from x = 0 at time 0; ``error`` is eps(x), periods."""
    factor, how = axis.interpolation.factor, axis.interpolation
    bias = 0.0 if how.output == "ab" else -0.5
    found = {}
    for n in range(first, last):
        level, place = (n + bias) / factor, (n + bias) / factor
        for _ in range(60):
            place = level - error(place)
        place += axis.signal.jitter / axis.scale.pitch * edge_draw(n, seed)
        found[n] = place * axis.scale.pitch / speed
    return found


def edge_draw(n, seed):
    """Normal number of an edge, the same whoever passes it."""
    counter = n % 2**64
    key = seed & 0xFFFFFFFF, seed >> 32
    return reference.gaussian_pair(*reference.philox((counter & 0xFFFFFFFF, counter >> 32, 5, 0), key)[:2])[0]


def timed(axis, times, now, direction):
    """Velocity at one time from all edges in the order of time, by the definition."""
    clock, window = axis.estimator.clock, axis.estimator.reach
    q = axis.resolution

    def last(before):
        return max((t, direction * n) for n, t in times.items() if t <= before)

    (newest, number), (older, number_before) = last(now), last(now - window)
    alone = number == number_before
    if alone:
        older, number_before = times[direction * (number - 1)], number - 1
    ticks = max(math.floor(newest * clock) - math.floor(older * clock), 1)
    found = (number - number_before) * q * clock / ticks
    if not alone:
        return direction * found
    age = now - newest
    return 0.0 if age > 1.0 else direction * min(found, q / max(age, 1e-300))
