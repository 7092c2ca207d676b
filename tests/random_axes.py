"""Random axes with a speed, drawn over all that an axis file may hold of scale, signal, counts, sampling, estimator."""

import numpy as np

from encsim import (
    Axis,
    CountAndTime,
    Difference,
    InputError,
    Interpolation,
    Kalman,
    LeastSquares,
    LowPass,
    PeriodTiming,
    Sampling,
    Scale,
    Signal,
    Tracking,
)
from encsim.open_loop.limits import top_speed


def maybe(rng, chance, value, otherwise):
    """The value with this chance."""
    return value if rng.random() < chance else otherwise


def signal(rng, pitch, rate):
    """Faults of a per cent, jitter to a thousandth of a period; each of the rarer fields now and then."""
    jitter = maybe(rng, 0.75, pitch * 10.0 ** rng.uniform(-6.0, -3.0), 0.0)
    given = {1: (2e-3, 0.0), 2: (1e-3, 0.4), 8: (3e-4, 1.0)}
    return Signal(
        amplitude=maybe(rng, 0.2, rng.uniform(0.5, 1.0), 1.0),
        offset=tuple(rng.normal(0.0, 0.01, 2)),
        gain=rng.normal(0.0, 0.02),
        phase=rng.normal(0.0, 0.01),
        harmonics={3: abs(rng.normal(0.0, 0.003)), 5: abs(rng.normal(0.0, 0.001))},
        sde=maybe(rng, 0.3, {k: (pitch * size, turn) for k, (size, turn) in given.items()}, {}),
        jitter=jitter,
        jitter_bandwidth=maybe(rng, 0.2, rate * rng.uniform(0.02, 0.5), None),
        noise=maybe(rng, 0.3, 10.0 ** rng.uniform(-4.0, -2.0), 0.0),
        bandwidth=maybe(rng, 0.2, rate * rng.uniform(1.0, 20.0), None),
        skew=maybe(rng, 0.1, rng.uniform(0.0, 0.02) / rate, 0.0),
    )


def interpolation(rng, counting):
    """Counts from 4 to 65536 a period, a converter in a third, A/B edges and hysteresis now and then."""
    factor = int(rng.choice([4, 16, 40, 100, 400, 1000, 4000, 16384, 65536])) if counting else None
    bits = maybe(rng, 0.3, int(rng.choice([8, 10, 12, 14])), None)
    edges = counting and rng.random() < 0.3
    return Interpolation(
        factor=factor,
        bits=bits,
        hysteresis=maybe(rng, 0.2, rng.uniform(0.1, 1.0), 0.0) if counting else 0.0,
        correction=maybe(rng, 0.2, 0.8, 0.0),
        output="ab" if edges else "position",
    )


def sampling(rng, rate, own_clock):
    """Jitter of the clock, latency, averaging and an encoder's own clock now and then."""
    return Sampling(
        rate,
        jitter=maybe(rng, 0.2, 10.0 ** rng.uniform(-9.0, -7.0), 0.0),
        latency=maybe(rng, 0.3, rng.uniform(0.0, 2.0) / rate, 0.0),
        average=maybe(rng, 0.15, int(rng.integers(2, 9)), 1),
        encoder_rate=rate * rng.uniform(0.5, 3.0) if own_clock else None,
    )


def estimator(rng, rate, counting):
    """Any; a third times edges where there are counts."""
    linear = [
        Difference(int(rng.integers(1, 6))),
        LeastSquares(int(rng.integers(3, 12))),
        LowPass(rate * rng.uniform(0.01, 0.1), order=int(rng.integers(1, 4))),
        Tracking(rate * rng.uniform(0.005, 0.05)),
        Kalman(10.0 ** rng.uniform(-1.0, 2.0)),
        Difference(),
    ]
    clock = 10.0 ** rng.uniform(6.0, 8.0)
    timed = [PeriodTiming(clock), CountAndTime(clock, window=10.0 ** rng.uniform(-4.0, -2.0))]
    return rng.choice(timed if counting and rng.random() < 0.3 else linear)


def candidate(rng):
    """An axis, which its own rules may refuse."""
    pitch, rate = float(rng.choice([4e-6, 20e-6, 40e-6])), float(rng.choice([4e3, 8e3, 16e3, 20e3]))
    counting = rng.random() < 0.8
    how = estimator(rng, rate, counting)
    return Axis(
        Scale(period=pitch),
        signal=signal(rng, pitch, rate),
        interpolation=interpolation(rng, counting),
        sampling=sampling(rng, rate, how.linear and rng.random() < 0.15),
        estimator=how,
    )


def pair(seed):
    """An axis and a speed up to its top speed: 3e-4 to 3 periods a sample."""
    rng = np.random.default_rng([seed, 2026])
    while True:
        try:
            axis = candidate(rng)
        except InputError:
            continue
        top, per_sample = top_speed(axis), axis.scale.pitch * axis.sampling.rate
        if top.speed > 1e-2 * per_sample:
            fastest = min(3.0, top.speed / per_sample)
            return axis, per_sample * float(np.exp(rng.uniform(np.log(3e-4), np.log(fastest))))
