"""Distributions: quantiles, weights of the halved distribution, independent samples."""

import math

import numpy as np
import pytest

from encsim import InputError, Normal, Triangular, Uniform
from encsim.model import distributions

# Even places in the cumulative distribution: their mean is an integral by the midpoint rule.
PLACES = (np.arange(20_000) + 0.5) / 20_000
KINDS = [Normal, Uniform, Triangular]
VARIANCE = {Normal: 1.0, Uniform: 1.0 / 3.0, Triangular: 1.0 / 6.0}


@pytest.mark.parametrize("kind", KINDS)
def test_variance_of_a_distribution_is_that_of_its_formula(kind):
    # The ends of a normal distribution lie between the places: 3e-4 of its variance.
    assert np.mean(kind(2.0).at(PLACES) ** 2) == pytest.approx(4.0 * VARIANCE[kind], rel=1e-3)
    assert abs(np.mean(kind(2.0).at(PLACES))) < 1e-12


@pytest.mark.parametrize("kind", KINDS)
def test_weights_make_a_distribution_half_as_wide(kind):
    weight = kind(2.0).halved_weight(PLACES)
    assert weight.mean() == pytest.approx(1.0, abs=1e-6)
    assert weight.max() <= 2.0
    # As above, and half a step of the places at the edge of an even distribution.
    assert np.mean(weight * kind(2.0).at(PLACES) ** 2) == pytest.approx(VARIANCE[kind], rel=1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_distribution_that_is_halved_has_the_weighted_share_below_every_bound(kind):
    wide, narrow = kind(1.0).at(PLACES), kind(0.5).at(PLACES)
    for bound in (-0.3, 0.1, 0.4):
        share = np.mean(kind(1.0).halved_weight(PLACES) * (wide < bound))
        # One place of 20 000 at the bound, counted twice.
        assert share == pytest.approx(np.mean(narrow < bound), abs=2e-4)


# JCGM 101:2008, 9.2.2 and 9.2.3: half width of 95 % of the sum of four quantities of standard deviation 1, normal or
# rectangular: 3.92 and 3.88 as published; 2 x 1.959964 and 2 sqrt 3 (2 - (3/5)**(1/4)) exactly (formula from memory).
@pytest.mark.parametrize(
    ("kind", "half"),
    [(Normal(1.0), 3.9199279690801085), (Uniform(math.sqrt(3.0)), 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25))],
)
def test_sum_of_four_draws_covers_as_the_guide_to_monte_carlo_says(kind, half):
    count = 100_000
    total = sum(kind.at(distributions.places(0, key, 0, count)) for key in "abcd")
    found = np.abs(total) < half
    # four standard errors of a share of 95 % of so many
    assert found.mean() == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / count))


def test_keys_and_seeds_are_drawn_independently():
    rows = [
        distributions.places(seed, key, 0, 4000) for seed in (0, 1) for key in ("signal.gain", "signal.phase")
    ]
    # Four standard errors of a correlation of 4000 samples.
    assert np.abs(np.corrcoef(rows) - np.eye(4)).max() < 4.0 / math.sqrt(4000)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [-1.0, math.nan, math.inf, "1", None, True])
def test_width_must_be_zero_or_more(kind, width):
    with pytest.raises(InputError, match=rf"{kind.__name__}\.(sd|half) must be zero or more and finite"):
        kind(width)


def test_coefficient_must_be_finite():
    with pytest.raises(InputError, match=r"Normal\.per_kelvin must be a finite number, got inf"):
        Normal(0.1, per_kelvin=math.inf)
