"""How long the smoothness of a closed loop takes at 1000 speeds, and beside it the ripple of the open chain."""

from dataclasses import replace

import numpy as np
import pytest

import encsim
from encsim import Axis, CountAndTime, Interpolation, LowPass, PeriodTiming, Sampling, Scale, Signal
from encsim.model.load_and_control import Control, Load, Notch

SPEEDS = np.geomspace(1e-4, 1.0, 1000)
TURN = 2.0 * np.pi * 50.0
STAGE = Axis(
    Scale(period=20e-6),
    signal=Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9),
    interpolation=Interpolation(factor=4000, bits=12),
    sampling=Sampling(16e3, jitter=20e-9),
    load=Load(5.0, viscous=1.0),
    control=Control(TURN / 4, 5.0 * TURN, integral_time=0.02, current_bandwidth=1e3, delay=1.0 / 16e3),
)
AXES = {
    "full chain": STAGE,
    "lines only": replace(STAGE, interpolation=Interpolation()),
    "low pass": replace(STAGE, estimator=LowPass(1000.0)),
    "two masses": replace(STAGE, load=Load(3.0, motor_inertia=2.0, stiffness=2e6, damping=50.0)),
    "jitter of a bandwidth": replace(STAGE, signal=replace(STAGE.signal, jitter_bandwidth=2e3)),
    "own clock": replace(STAGE, sampling=Sampling(16e3, encoder_rate=33e3)),
    "readhead bandwidth": replace(STAGE, signal=replace(STAGE.signal, bandwidth=5e5)),
    "channel skew": replace(STAGE, signal=replace(STAGE.signal, skew=1e-7)),
    "averaged readings": replace(STAGE, sampling=Sampling(16e3, average=4)),
    "falling friction": replace(
        STAGE, load=Load(5.0, viscous=1.0, coulomb=1.0, stribeck=0.5, stribeck_speed=0.01)
    ),
    # a full notch would make the loop unstable where it lies below the crossover
    "notch by order": replace(
        STAGE, control=replace(STAGE.control, notch=Notch(order=1, damping=0.1, depth=0.3))
    ),
    "two notches by order": replace(
        STAGE,
        control=replace(STAGE.control, notch=[Notch(order=n, damping=0.1, depth=0.3) for n in (1, 2)]),
    ),
    "single counts timed": replace(STAGE, estimator=PeriodTiming(1e8)),
    "counts in a window timed": replace(STAGE, estimator=CountAndTime(1e8, 5e-4)),
}


@pytest.mark.parametrize("name", AXES)
def test_thousand_speeds(benchmark, name):
    encsim.smoothness(AXES[name], SPEEDS)
    found = benchmark(encsim.smoothness, AXES[name], SPEEDS)
    assert found.stable


def test_thousand_speeds_of_the_open_chain(benchmark):
    encsim.ripple(STAGE, SPEEDS)
    benchmark(encsim.ripple, STAGE, SPEEDS)
