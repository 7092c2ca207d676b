"""Stage X, the invented linear stage of the examples, from which most tests take their axis."""

import numpy as np

from encsim import Axis, Control, Interpolation, Load, Sampling, Scale, Signal

PITCH, RATE = 20e-6, 16e3
SIGNAL = Signal(offset=(0.01, -0.005), gain=0.02, phase=0.01, harmonics={3: 0.002}, jitter=0.5e-9)
# Without the phase fault and the harmonic: its error has two lines.
PLAIN_SIGNAL = Signal(offset=(0.01, -0.005), gain=0.02, jitter=0.5e-9)
# Without the phase fault.
IN_PHASE = Signal(offset=(0.01, -0.005), gain=0.02, harmonics={3: 0.002}, jitter=0.5e-9)
# Its slide and its loop.
SLIDE = {
    "load": Load(5.0, viscous=15.0),
    "control": Control(60.0, 2000.0, integral_time=0.012, current_bandwidth=1e3, delay=60e-6),
}
# A loop with a crossover of 50 Hz.
TURN = 2.0 * np.pi * 50.0
CASCADE = Control(TURN / 4, 5.0 * TURN, integral_time=0.02, current_bandwidth=1e3, delay=1.0 / RATE)


def stage(factor=4000, *, bits=None, jitter=0.0, signal=SIGNAL, **parts):
    """Stage X with these counts a period, converter, sampling jitter and signal, and other parts beside them."""
    return Axis(
        Scale(period=PITCH),
        signal=signal,
        interpolation=Interpolation(factor=factor, bits=bits),
        sampling=Sampling(RATE, jitter=jitter),
        **parts,
    )
