"""The closed loop step by step in plain Python: events in the order of time, the controller as it is written down.

Shares nothing with the library but the descriptions: the continuous axis moves from event to event by its matrix
exponential, readings are taken when they are due, commands act when they are due.
"""

import numpy as np
from scipy.linalg import expm

from encsim.model.axis import Axis, Sampling
from encsim.model.estimators import Difference
from encsim.model.scale_and_signal import Scale


def axis(load, control, rate=8000.0, estimator=None, **sampling):
    """A linear axis without errors of the encoder."""
    return Axis(
        Scale(period=20e-6),
        sampling=Sampling(rate, **sampling),
        estimator=estimator or Difference(),
        load=load,
        control=control,
    )


def continuous(load, current_bandwidth):
    """Matrix of the states [x_m, v_m, (x_l, v_l), torque, command], textbook form."""
    size = 4 if load.flexible else 2
    matrix = np.zeros((size + 2, size + 2))
    motor = load.motor_inertia if load.flexible else load.total_inertia
    if load.flexible:
        k, d, heavy = load.stiffness, load.damping, load.inertia
        matrix[0, 1] = matrix[2, 3] = 1.0
        matrix[1, :4] = np.array([-k, -d, k, d]) / motor
        matrix[3, :4] = np.array([k, d, -k, -d - load.viscous]) / heavy
    else:
        matrix[0, 1], matrix[1, 1] = 1.0, -load.viscous / motor
    if current_bandwidth:
        matrix[1, size] = 1.0 / motor
        matrix[size, size + 1] = 2.0 * np.pi * current_bandwidth
        matrix[size, size] = -matrix[size, size + 1]
    else:
        matrix[1, size + 1] = 1.0 / motor
    return matrix


class Filter:
    """Difference equation as it stands in a textbook."""

    def __init__(self, above, below):
        self.above, self.below = above, below
        self.entries, self.exits = [0.0] * len(above), [0.0] * (len(below) - 1)

    def step(self, entry):
        self.entries = [entry, *self.entries[:-1]]
        out = np.dot(self.above, self.entries) - np.dot(self.below[1:], self.exits)
        self.exits = [out, *self.exits][: len(self.below) - 1]
        return out


def torque_filters(control, period):
    """Bilinear transform written out by hand."""
    found = []
    for notch in control.notch:
        k, z, d = np.tan(np.pi * notch.frequency * period), notch.damping, notch.depth
        scale, middle = 1 + 2 * z * k + k * k, 2 * (k * k - 1)
        above = np.array([1 + 2 * d * z * k + k * k, middle, 1 - 2 * d * z * k + k * k]) / scale
        found.append(Filter(above, np.array([scale, middle, 1 - 2 * z * k + k * k]) / scale))
    if control.lowpass:
        k = np.tan(np.pi * control.lowpass * period)
        found.append(Filter(np.array([k, k]) / (1 + k), np.array([1.0, (k - 1) / (k + 1)])))
    return found


def events(axis, samples):
    """(time in periods, order, kind, sample): readings, then the controller, then commands that act."""
    period, late, how = 1.0 / axis.sampling.rate, axis.control.delay, axis.sampling
    found = []
    for k in range(samples):
        ages = [how.latency * how.rate + j / how.average for j in range(how.average)]
        found += [(round(k - age, 9), 0, "read", k) for age in ages]
        found += [(float(k), 1, "control", k), (round(k + late / period, 9), 2, "act", k)]
    return sorted(found)


def run(axis, error, command=0.0, push=0.0):
    """Drive the loop at rest with an encoder error; arrays measured, torque, actual, position.

    ``command`` is added to the velocity command, ``push`` is a torque on the load, both from the first sample on.
    """
    load, control, rate = axis.load, axis.control, axis.sampling.rate
    matrix, count = continuous(load, control.current_bandwidth), axis.sampling.average
    matrix = np.pad(matrix, ((1, 0), (1, 0)))  # the torque on the load comes first
    matrix[4 if load.flexible else 2, 0] = 1.0 / (load.inertia if load.flexible else load.total_inertia)
    seen = 3 if load.flexible and load.encoder == "load" else 1
    true = 3 if load.flexible else 1
    steps, state, now, integral = {}, np.zeros(len(matrix)), 0.0, 0.0
    state[0] = push
    estimator, filters = Filter(*axis.estimator.coefficients(rate)), torque_filters(control, 1.0 / rate)
    found = {name: np.zeros(len(error)) for name in ("measured", "torque", "actual", "position")}
    shown = np.array(error, dtype=float)
    for time, _, kind, k in events(axis, len(error)):
        if time > now:
            gap = round(time - now, 9)
            if gap not in steps:
                steps[gap] = expm(matrix * gap / rate)
            state, now = steps[gap] @ state, time
        if kind == "read":
            shown[k] += state[seen] / count
        elif kind == "act":
            state[-1] = found["torque"][k]
        else:
            velocity = estimator.step(shown[k])
            wrong = command - control.position_gain * shown[k] - velocity
            if control.integral_time:
                integral += wrong / (rate * control.integral_time)
            torque = control.velocity_gain * (wrong + integral)
            for each in filters:
                torque = each.step(torque)
            values = (velocity, torque, state[true + 1], state[true])
            for name, value in zip(found, values, strict=True):
                found[name][k] = value
    return found
