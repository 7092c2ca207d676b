"""Delay of the measured velocity: every part of it, added by hand."""

import math

import numpy as np
import pytest

from encsim import Axis, LeastSquares, Sampling, Scale, Signal
from encsim.model import delays

AXIS = Axis(
    Scale(period=20e-6),
    signal=Signal(bandwidth=1e4),
    sampling=Sampling(16e3, latency=20e-6, average=4, encoder_rate=40e3),
    estimator=LeastSquares(9),
)
# lag of the signal bandwidth, half a sample of the encoder's clock
EACH = 20e-6 + 1.0 / (2.0 * math.pi * 1e4) + 0.5 / 40e3


def test_averaged_readings_are_spread_over_one_sample():
    expected = [EACH + j / 64e3 for j in range(4)]
    assert delays.reading_delays(AXIS) == pytest.approx(expected, rel=1e-12)


def test_velocity_is_later_by_latency_lag_clock_readings_and_estimator():
    # 1.5 of 4 readings per sample, and a slope through 9 positions: half of 8 samples
    expected = EACH + 1.5 / 64e3 + 4.0 / 16e3
    assert delays.velocity_delay(AXIS, 0.01) == pytest.approx(expected, rel=1e-12)
    assert delays.velocity_delays(AXIS, np.zeros((2, 1))) == pytest.approx(np.full((2, 1), expected))
