"""Random stable axes with a linear load, drawn from what machines have: crossovers of 0.2 to 2.5 % of the loop rate."""

import numpy as np

from encsim import Axis, Difference, InputError, Interpolation, LeastSquares, LowPass, Sampling, Scale, Signal
from encsim.closed_loop import loop
from encsim.model.estimators import Tracking
from encsim.model.load_and_control import Control, Load, Notch

PITCH = 20e-6


def load(rng, inertia, crossover):
    """One mass, or two that resonate well above the crossover."""
    turn = 2.0 * np.pi * crossover
    if rng.random() < 0.7:
        return Load(inertia, viscous=inertia * turn * rng.uniform(0.0, 0.1))
    motor = inertia / (1.0 + rng.uniform(0.3, 3.0))
    heavy, swing = inertia - motor, turn * rng.uniform(3.0, 8.0)
    return Load(
        heavy,
        motor_inertia=motor,
        stiffness=heavy * swing**2,
        damping=0.06 * heavy * swing,
        viscous=inertia * turn * rng.uniform(0.0, 0.1),
        encoder=str(rng.choice(["motor", "load"])),
    )


def control(rng, inertia, crossover, rate):
    """A cascade; its delay is a whole number of quarter periods, as the slow twin needs it."""
    turn, filters = 2.0 * np.pi * crossover, {}
    if rng.random() < 0.3:
        filters["notch"] = [Notch(crossover * rng.uniform(5.0, 9.0), depth=0.1)]
    if rng.random() < 0.3:
        filters["lowpass"] = crossover * 8.0
    return Control(
        turn / rng.uniform(3.0, 6.0),
        inertia * turn * rng.uniform(0.5, 1.0),
        integral_time=rng.uniform(4.0, 10.0) / turn if rng.random() < 0.8 else None,
        current_bandwidth=crossover * 12.0 if rng.random() < 0.5 else None,
        delay=rng.integers(0, 8) / (4.0 * rate),
        **filters,
    )


def encoder(rng, rate, counting):
    """Signal and interpolation, with faults of a per cent and jitter up to a count."""
    factor = int(rng.choice([40, 100, 400, 1000, 4000])) if counting else None
    step = PITCH / factor if factor else 5e-9
    faults = {
        "offset": tuple(rng.normal(0.0, 0.01, 2)),
        "gain": rng.normal(0.0, 0.02),
        "phase": rng.normal(0.0, 0.01),
        "harmonics": {3: abs(rng.normal(0.0, 0.003))},
        "jitter": step * 10.0 ** rng.uniform(-2.0, 0.0) * (rng.random() < 0.8),
    }
    if rng.random() < 0.4:
        faults["sde"] = {1: 30e-9, 2: (20e-9, 0.4), 8: (5e-9, 1.0)}
    if rng.random() < 0.3:
        faults["jitter_bandwidth"] = rate * rng.uniform(0.01, 0.5)
    if rng.random() < 0.3:
        faults["noise"] = 10.0 ** rng.uniform(-4.5, -3.0)
    bits = int(rng.choice([8, 10, 12])) if counting and rng.random() < 0.3 else None
    return Signal(**faults), Interpolation(factor=factor, bits=bits)


def estimator(rng, corner):
    """Any linear one."""
    kinds = [Difference(1), Difference(int(rng.integers(1, 4))), LeastSquares(int(rng.integers(3, 6)))]
    kinds += [LowPass(corner), LowPass(corner, order=2), Tracking(corner)]
    return kinds[rng.integers(0, len(kinds))]


def candidate(rng, counting):
    rate = float(rng.choice([4e3, 8e3, 16e3]))
    crossover, inertia = rng.uniform(0.002, 0.025) * rate, 10.0 ** rng.uniform(-3.0, 1.0)
    signal, interpolation = encoder(rng, rate, counting)
    jitter, latency = 1e-8 * (rng.random() < 0.3), rng.integers(0, 4) / (4.0 * rate)
    return Axis(
        Scale(period=PITCH),
        signal=signal,
        interpolation=interpolation,
        sampling=Sampling(rate, jitter=jitter, latency=latency),
        estimator=estimator(rng, 8.0 * crossover),
        load=load(rng, inertia, crossover),
        control=control(rng, inertia, crossover, rate),
    )


def sound(axis):
    """Whether all poles lie inside the circle and the sensitivity stays below 2.5."""
    built, rate = loop.build(axis), axis.sampling.rate
    gain = built.open_gain(np.geomspace(1e-4, 0.5, 3000) * rate)
    return np.abs(1.0 + built.state_space().poles()).max() < 1.0 and np.abs(1.0 + gain).min() > 0.4


def stable(rng, counting):
    """An axis with a sensitivity peak below 2.5, and a speed of 0.001 to 5 periods a sample, a few at rest."""
    while True:
        try:
            axis = candidate(rng, counting)
        except InputError:  # a notch above half the rate
            continue
        if sound(axis):
            speed = PITCH * axis.sampling.rate * 10.0 ** rng.uniform(-3.0, 0.7)
            return axis, speed * (rng.random() > 0.03)
