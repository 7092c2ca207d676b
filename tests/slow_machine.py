"""A rigid rotary axis with cogging under a PI speed loop, simulated step by step without the library, for reading."""

from math import exp, pi, sin

import numpy as np

INERTIA, VISCOUS = 2e-3, 5e-3
VELOCITY_GAIN, INTEGRAL_TIME, POSITION_GAIN, CORNER = 0.25, 0.05, 20.0, 300.0
SETTLING = 2000
# The torque of the motor changes with its position within a loop period too.
STEPS = 4


def run(speed, seconds, rate, *, encoder, cogging, tone=(), jitter=2e-6, seed=0):
    """Positions read and torque commands at the samples; errors and torques are ``A sin(n x + f)``, {n: (A, f)}."""
    noise = jitter * np.random.default_rng(seed).standard_normal(int(seconds * rate) + SETTLING)
    step, share = 1.0 / rate, 1.0 - exp(-2.0 * pi * CORNER / rate)
    h = step / STEPS
    decay = exp(-VISCOUS / INERTIA * h)
    x, v, estimate, before = 0.0, speed, speed, None
    integral = VISCOUS * speed / VELOCITY_GAIN
    shown, commands = np.empty(len(noise)), np.empty(len(noise))
    for k in range(len(noise)):
        y = x + noise[k] + sum(size * sin(n * x + f) for n, (size, f) in encoder.items())
        if before is not None:
            estimate += share * ((y - before) / step - estimate)
        before = y
        error = POSITION_GAIN * (speed * k * step - y) + speed - estimate
        integral += error * step / INTEGRAL_TIME
        command = VELOCITY_GAIN * (error + integral)
        shown[k], commands[k] = y, command
        for part in range(STEPS):
            middle, time = x + 0.5 * v * h, (k + (part + 0.5) / STEPS) * step
            torque = command + sum(size * sin(n * middle + f) for n, (size, f) in cogging.items())
            torque += sum(size * sin(2.0 * pi * frequency * time) for frequency, size in tone)
            final = torque / VISCOUS
            x += final * h + (v - final) * (1.0 - decay) * INERTIA / VISCOUS
            v = final + (v - final) * decay
    return shown[SETTLING:], commands[SETTLING:]
