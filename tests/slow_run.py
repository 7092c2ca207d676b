"""The closed loop with its encoder in plain Python: absolute positions, definitions, no deviations, no tables.

Shares the description of the axis and the choices of the model (friction is what stops the load within a period as
far as it reaches, cogging is taken at the middle of a period), nothing else.
"""

import math

import numpy as np
import reference
from scipy.linalg import expm
from slow_loop import torque_filters


class Machine:
    """Masses, spring, current loop; states [x_m, v_m, (x_l, v_l), torque, command, load torque, motor torque]."""

    def __init__(self, axis):
        load, bandwidth = axis.load, axis.control.current_bandwidth
        n = 4 if load.flexible else 2
        a = np.zeros((n + 4, n + 4))
        motor = load.motor_inertia if load.flexible else load.total_inertia
        a[0, 1] = 1.0
        a[1, n if bandwidth else n + 1] = a[1, n + 3] = 1.0 / motor
        if bandwidth:
            a[n, n + 1] = 2.0 * math.pi * bandwidth
            a[n, n] = -a[n, n + 1]
        if load.flexible:
            k, d = load.stiffness, load.damping
            a[2, 3] = 1.0
            a[1, :4] = np.array([-k, -d, k, d]) / motor
            a[3, :4] = np.array([k, d, -k, -d - load.viscous]) / load.inertia
            a[3, n + 2] = 1.0 / load.inertia
        else:
            a[1, 1], a[1, n + 2] = -load.viscous / motor, 1.0 / motor
        self.a, self.n, self.load, self.period = a, n, load, 1.0 / axis.sampling.rate
        self.loaded = n - 2  # index of the load's position
        self.state = np.zeros(n + 4)

    def moved(self, state, events):
        """State a period later; ``events`` are (share of the period, command that acts from then on)."""
        now = 0.0
        for share, command in [*events, (1.0, None)]:
            state = expm(self.a * (share - now) * self.period) @ state
            now = share
            if command is not None:
                state = state.copy()
                state[self.n + 1] = command
        return state

    def step(self, events, cogging):
        """One period, friction included."""
        state, n, load = self.state, self.n, self.load
        state[n + 3], state[n + 2] = cogging, load.force
        speed = state[self.loaded + 1]
        most = load.coulomb
        if load.stribeck:
            most += load.stribeck * math.exp(-((speed / load.stribeck_speed) ** 2))
        free = self.moved(state, events)
        state[n + 2] += 1.0
        push = (self.moved(state, events) - free)[self.loaded + 1]
        state[n + 2] += min(max(-free[self.loaded + 1] / push, -most), most) - 1.0
        self.state = self.moved(state, events)

    def cogging(self, rotary):
        """Torque by order at the middle of the period to come."""
        x = self.state[0] + 0.5 * self.period * self.state[1]
        cycle = 1.0 if rotary else 2.0 * math.pi
        return sum(a * math.sin(cycle * n * x + f) for n, (a, f) in self.load.cogging.items())


def read(axis, speed, k, true, seed, jitter):
    """Position shown at sample k where the encoder's true position is ``true``."""
    pitch = axis.scale.pitch
    turns = true / pitch
    turns += axis.signal.jitter / pitch * jitter.at(k) if axis.signal.jitter else 0.0
    cosine, sine, shift = reference.reading(axis, speed, turns, k, 0, seed)
    fraction = math.atan2(sine, cosine) / (2.0 * math.pi)
    whole, factor = round(turns + shift - fraction), axis.interpolation.factor
    if factor is None:
        return (whole + fraction) * pitch
    bias = 0.0 if axis.interpolation.output == "ab" else 0.5
    return (whole + math.floor(fraction * factor + bias) / factor) * pitch


def run(axis, speed, samples, seed, demand=None):
    """Columns position read, true position, true velocity, measured, torque, from steady motion."""
    control, load, rate = axis.control, axis.load, axis.sampling.rate
    machine, n, back = Machine(axis), 4 if axis.load.flexible else 2, axis.estimator.samples
    friction = load.coulomb + load.stribeck * math.exp(-((speed / (load.stribeck_speed or 1.0)) ** 2))
    holding = load.viscous * speed + math.copysign(friction, speed) - load.force
    filters = torque_filters(control, 1.0 / rate)
    for each in filters:  # settled at the torque of the steady motion
        each.entries, each.exits = [holding] * len(each.entries), [holding] * len(each.exits)
    machine.state[1], machine.state[n], machine.state[n + 1] = speed, holding, holding
    if load.flexible:
        machine.state[3] = speed
        twist = (holding) / load.stiffness
        machine.state[2] = -twist
        if load.encoder == "load":
            machine.state[0], machine.state[2] = twist, 0.0
    start = machine.state[2 if load.flexible else 0]
    jitter, clip = reference.Jitter(axis, seed), control.torque_limit or math.inf
    shown = [read(axis, speed, k, speed * k / rate, seed, jitter) for k in range(-back, 0)]
    integral, waiting, rows, v_start = holding / control.velocity_gain, [], [], 0.0
    if control.integral_time is None:
        integral, v_start = 0.0, holding / control.velocity_gain
    missing = (
        1.0 - control.velocity_feedforward
    ) * speed  # what the position error has to make in steady motion
    for k in range(samples):
        seen = machine.state[2 if load.flexible and load.encoder == "load" else 0]
        shown.append(read(axis, speed, k, seen, seed, jitter))
        measured = (shown[-1] - shown[-1 - back]) * rate / back
        r, rate_r, bend = (speed * k / rate, speed, 0.0) if demand is None else demand[:, k]
        half = 0.5 * axis.resolution if axis.interpolation.output == "ab" else 0.0
        error = control.position_gain * (r - shown[-1] - half) + missing + v_start
        error += control.velocity_feedforward * rate_r - measured
        share = 0.0 if control.integral_time is None else 1.0 / (rate * control.integral_time)
        torque = (
            control.velocity_gain * (error + integral + share * error)
            + control.acceleration_feedforward * bend
        )
        for each in filters:
            torque = each.step(torque)
        if not (abs(torque) > clip and torque * error > 0.0):
            integral += share * error
        torque = min(max(torque, -clip), clip)
        true = machine.state[n - 2] - (start if load.flexible else 0.0)
        rows.append((shown[-1], true, machine.state[n - 1], measured, torque))
        waiting.append((control.delay * rate + k, torque))
        due = [(max(t - k, 0.0), u) for t, u in waiting if t < k + 1 - 1e-9]
        waiting = waiting[len(due) :]
        machine.step(due, machine.cogging(axis.scale.unit == "rad"))
    return np.array(rows).T
