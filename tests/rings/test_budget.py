"""Uncertainty budgets: the end gauge of JCGM 100 annex H.1, rings."""

import numpy as np
import pytest

from encsim.checks import InputError
from encsim.model.ring_geometry import Head, Ring
from encsim.rings import budget
from encsim.rings.budget import Contribution, coverage_factor, ring_budget, uncertainty_budget
from encsim.rings.error_orders import ring_curve

# JCGM 100:2008 annex H.1: length of the standard in nm, expansion in 1/K
LENGTH, ALPHA = 50000623.0, 11.5e-6


def end_gauge(probability=0.99, products=False):
    """Budget of the end gauge; degrees of freedom and sizes as of annex H.1 (from memory, figures looked up)."""
    difference = uncertainty_budget(
        [
            Contribution("repeated readings", 5.8, freedom=24),
            Contribution("comparator, random", 3.9, freedom=5),
            Contribution("comparator, systematic", 6.7, freedom=8),
        ],
        unit="nm",
    )
    lines = [
        Contribution("standard", 25.0, freedom=18),
        Contribution("difference", difference.combined, freedom=difference.freedom),
        Contribution("expansion difference", 1e-6, "rectangular", -LENGTH * -0.1, freedom=50),
        Contribution("temperature difference", 0.05, "rectangular", -LENGTH * ALPHA, freedom=2),
    ]
    if products:
        bed = uncertainty_budget([Contribution("mean", 0.2), Contribution("cycle", 0.5, "arcsine")], unit="K")
        lines += [
            Contribution("expansion x bed", 1e-6, "rectangular", LENGTH, second=bed.combined),
            Contribution("expansion x difference", 2e-6, "rectangular", LENGTH, second=0.05 / 3**0.5),
        ]
    return uncertainty_budget(lines, probability, unit="nm")


def test_end_gauge_has_its_combined_uncertainty():
    found = end_gauge()
    assert found.combined == pytest.approx(31.663879111008633, rel=1e-6)  # H.1, published 32 nm
    # published 25, 9.7, 2.9, 16.6
    assert found.standard == pytest.approx([25.0, 9.7, 2.9, 16.59902706050192], abs=0.05)
    assert found.standard[3] == pytest.approx(16.59902706050192, rel=1e-9)


def test_end_gauge_has_its_degrees_of_freedom():
    # H.1 Welch-Satterthwaite, unrounded chain (published 16.7); the sizes are given to two digits
    assert end_gauge().freedom == pytest.approx(16.751855737627245, rel=1e-6)


def test_end_gauge_has_its_expanded_uncertainty():
    found = end_gauge()
    assert found.factor == pytest.approx(
        2.9207816224251, rel=1e-9
    )  # H.1, t at 16 degrees, 99 %; published 2.92
    assert found.expanded == pytest.approx(93.0, abs=1.0)  # published, of figures rounded to two digits
    assert found.valid


def test_end_gauge_has_its_second_order_terms():
    first, second = end_gauge(products=True).standard[-2:]
    # H.1.7, published 11.7 and 1.7
    assert (first, second) == pytest.approx((11.726185506009491, 1.66668743333), rel=1e-9)
    # published 34 nm with these terms
    assert end_gauge(products=True).combined == pytest.approx(34.0, abs=0.5)


@pytest.mark.parametrize(
    ("freedom", "probability", "factor"),
    [
        # JCGM 100 table G.2
        (5, 0.95, 2.5705818363356),
        (10, 0.95, 2.228138851986),
        (20, 0.95, 2.085963447266),
        (np.inf, 0.95, 1.959963984540),
    ],
)
def test_coverage_factor_is_student_t(freedom, probability, factor):
    assert coverage_factor(probability, freedom) == pytest.approx(factor, rel=1e-9)


def test_freedom_is_cut_to_a_whole_number():
    assert coverage_factor(0.95, 5.99) == coverage_factor(0.95, 5)
    assert coverage_factor(0.95, 6 - 1e-12) == coverage_factor(0.95, 6)


@pytest.mark.parametrize(
    ("distribution", "draw"),
    [
        ("normal", lambda rng, n: rng.standard_normal(n)),
        ("rectangular", lambda rng, n: rng.uniform(-1, 1, n)),
        ("triangular", lambda rng, n: rng.triangular(-1, 0, 1, n)),
        ("arcsine", lambda rng, n: np.sin(rng.uniform(0, 2 * np.pi, n))),
    ],
)
def test_standard_uncertainty_is_that_of_the_distribution(distribution, draw):
    sample = draw(np.random.default_rng(1), 200_000)
    # 0.16 % standard of a normal one, less of the others
    assert Contribution("x", 1.0, distribution).standard == pytest.approx(sample.std(), rel=0.01)


def test_shares_and_worst_case_add_up():
    lines = [
        Contribution("a", 3.0, "rectangular"),
        Contribution("b", 2.0, sensitivity=-2.0),
        Contribution("c", 0.0),
    ]
    found = uncertainty_budget(lines)
    assert found.share.sum() == pytest.approx(1.0, rel=1e-12)
    assert found.worst == pytest.approx(3.0 + 3 * 4.0, rel=1e-12)
    assert found.combined == pytest.approx(np.sqrt(3.0 + 16.0), rel=1e-12)


def test_small_angles_keep_their_freedom():
    scaled = [
        uncertainty_budget([Contribution("a", s, freedom=4), Contribution("b", 2 * s, freedom=9)]).freedom
        for s in (1.0, 1e-90)
    ]
    assert scaled[0] == pytest.approx(25 / (1 / 4 + 16 / 9), rel=1e-12)
    assert scaled[1] == pytest.approx(scaled[0], rel=1e-12)


def test_ring_budget_has_the_rms_of_the_ring():
    ring = Ring(
        0.1, eccentricity=3e-6, lobes={2: 2e-6}, graduation={5: (1e-6, 1.0), 9: 2e-6}, wander={3: 1e-7}
    )
    for heads in ((0.0,), (0.0, 2.0), (0.0, 2.1, 4.2)):
        found = ring_budget(ring, heads)
        # orders differ but for products of size 1e-5: no phase matters
        assert found.combined == pytest.approx(ring_curve(ring, heads).rms, rel=1e-3)
        assert found.worst >= ring_curve(ring, heads).peak * (1 - 1e-6)


def test_ring_budget_names_causes_and_orders():
    ring = Ring(0.1, eccentricity=1e-6, swash=1e-3, head_offset=1e-3)
    found = ring_budget(
        ring, (Head(0.0, lines=100, sde={1: 1e-7}),), extra=[Contribution("warmth", 1e-6)], radius=0.05
    )
    names = dict(zip(found.name, found.order, strict=True))
    assert names["eccentricity, order 1"] == names["swash, order 1"] == 1
    assert names["sde, order 100"] == 100
    assert names["foreshortening, order 2"] == 2
    assert names["warmth"] is None
    assert found.arc == pytest.approx(found.expanded * 0.05, rel=1e-12)


def test_two_heads_leave_the_budget_of_even_orders():
    ring = Ring(0.1, eccentricity=5e-6, graduation={1: 1e-6, 2: 1e-6, 3: 1e-6})
    found = ring_budget(ring, (0.0, np.pi))
    assert {order for order in found.order if order % 2} == set()
    assert found.combined == pytest.approx(1e-6 / np.sqrt(2), rel=1e-4)  # (e/R)**2/2 = 5e-9 beside it


def test_one_bounded_contribution_is_told():
    found = ring_budget(Ring(0.1, eccentricity=1e-6))
    assert not found.valid
    assert found.reasons[0].startswith("one bounded contribution dominates (eccentricity, order 1)")


def test_perfect_ring_has_an_empty_budget():
    found = ring_budget(Ring(0.1))
    assert (found.combined, found.expanded, found.freedom, found.valid) == (0.0, 0.0, np.inf, True)
    assert found.to_dict()["freedom"] is None


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Contribution("", 1.0), r'Contribution.name must be a text, got ""'),
        (lambda: Contribution("a", -1.0), r"Contribution.size must be zero or more and finite, got -1.0"),
        (lambda: Contribution("a", np.nan), r"Contribution.size must be zero or more and finite, got nan"),
        (
            lambda: Contribution("a", 1.0, "gauss"),
            r'Contribution.distribution must be "normal" or .*got "gauss"',
        ),
        (
            lambda: Contribution("a", 1.0, sensitivity=np.inf),
            r"Contribution.sensitivity must be a finite number",
        ),
        (lambda: Contribution("a", 1.0, order=0), r"Contribution.order must be a whole number from 1"),
        (lambda: Contribution("a", 1.0, freedom=0.5), r"Contribution.freedom must be 1 or more, got 0.5"),
        (lambda: Contribution("a", 1.0, freedom=np.nan), r"Contribution.freedom must be 1 or more, got nan"),
        (lambda: Contribution("a", 1.0, second=-1.0), r"Contribution.second must be zero or more"),
        (lambda: uncertainty_budget([]), r"uncertainty_budget.contributions must be 1 to 10000, got 0"),
        (
            lambda: uncertainty_budget([1.0]),
            r"uncertainty_budget.contributions must be contributions, got 1.0",
        ),
        (lambda: uncertainty_budget(2.0), r"uncertainty_budget.contributions must be contributions, got 2.0"),
        (
            lambda: uncertainty_budget([Contribution("a", 1)], 1.0),
            r"uncertainty_budget.probability must lie between",
        ),
        (
            lambda: uncertainty_budget([Contribution("a", 1)], radius=0),
            r"uncertainty_budget.radius must be positive",
        ),
        (lambda: ring_budget(Ring(0.1), (0.0, 0.0)), r"heads must stand at least 1e-06 rad apart"),
    ],
)
def test_impossible_budget_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_effective_freedom_of_known_quantities_is_endless():
    assert budget.effective_freedom([1.0, 2.0], [np.inf, np.inf]) == np.inf
