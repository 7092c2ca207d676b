"""Counting in closed form."""

import numpy as np
import pytest

from encsim.open_loop import quantisation

# First difference of a counted ramp: q^2 f(1 - f); derived with mpmath, exact for irrational steps.


@pytest.mark.parametrize(("step", "variance"), [(0.3, 0.21), (9.37, 0.2331), (8 * 0.37, 0.0006 * 64)])
def test_counted_ramp_has_the_variance_of_its_fraction(step, variance):
    assert quantisation.counted(step, 0.0) == pytest.approx(variance, rel=1e-9)


def test_wide_spread_leaves_a_sixth():
    # two independent rounding errors of q^2/12 each (Widrow, Kollar, Quantization Noise, 2008)
    assert quantisation.counted(np.linspace(0, 1, 7), 5.0) == pytest.approx(2 / 12, rel=1e-12)


@pytest.mark.parametrize("spread", [0.004, 0.02, 0.049999, 0.050001, 0.1, 0.4, 1.0])
def test_spread_smooths_the_parabolas_as_a_slow_integral_does(spread):
    t = np.linspace(-0.6, 2.2, 29)
    z = np.linspace(-9, 9, 200001)
    weight = np.exp(-0.5 * z**2)
    slow = [np.average((x := (value + spread * z) % 1.0) * (1 - x), weights=weight) for value in t]
    # trapezoidal sum over kinks: 1e-8 of itself
    assert quantisation.counted(t, spread) == pytest.approx(np.array(slow), abs=2e-8)


def test_standstill_toggles_by_the_spread():
    # sqrt(2 q sigma/sqrt pi): mean |N(0, s)| = s sqrt(2/pi), s = sqrt(2) sigma, less the Gaussian's own square
    sigma = 1e-3
    toggling = quantisation.counted(0.0, np.sqrt(2) * sigma) + 2 * sigma**2
    assert toggling == pytest.approx(2 * sigma / np.sqrt(np.pi), rel=1e-7)
