"""Search for head angles that suppress chosen orders."""

import itertools

import numpy as np
import pytest

from encsim.checks import InputError
from encsim.model.ring_geometry import Ring
from encsim.rings.error_orders import ring_orders
from encsim.rings.heads import find_heads, gaps

TURN = 2.0 * np.pi


def left(heads, orders, sizes):
    """Slow twin: rms of what the average of the heads leaves, order by order."""
    squares = [
        (a * abs(sum(np.exp(1j * n * b) for b in heads)) / len(heads)) ** 2
        for n, a in zip(orders, sizes, strict=True)
    ]
    return np.sqrt(sum(squares) / 2)


@pytest.mark.parametrize(
    ("orders", "count"),
    [([3], 2), ([12], 2), ([2, 3], 4), ([3, 5], 4), ([10, 12], 4), ([1, 2], 3), ([2, 4], 3)],
)
def test_heads_cancel_as_many_orders_as_they_can(orders, count):
    found = find_heads(orders, count)
    # the mean square is solved to 1e-18 of its largest or better
    assert found.weight.max() < 1e-6
    assert found.valid


@pytest.mark.parametrize(
    ("orders", "count"),
    [([1, 2], 2), ([2, 4], 2), ([2, 3], 3), ([1, 2, 3, 4], 4), ([3, 6, 9], 3), ([8, 4, 2, 1], 4)],
)
def test_unequal_heads_do_better_where_equal_ones_leave_a_stated_order(orders, count):
    found = find_heads(orders, count)
    assert found.rms < 0.95 * found.equal_rms
    assert found.rms == pytest.approx(left(found.heads, found.orders, found.amplitude), rel=1e-9)
    assert "equal spacing" not in " ".join(found.reasons)


@pytest.mark.parametrize(("orders", "count"), [([1], 2), ([1, 3], 2), ([1, 2, 4, 5], 3), ([1, 2, 3], 4)])
def test_equal_heads_are_named_where_they_are_as_good(orders, count):
    found = find_heads(orders, count)
    assert found.reasons == ("equal spacing is as good for these orders",)
    np.testing.assert_allclose(found.equal_weight, 0.0, atol=1e-14)


@pytest.mark.parametrize(
    ("orders", "count"),
    [({1: 3.0, 2: 1.0, 5: 2.0}, 2), ({2: 1.0, 3: 1.0, 7: 1.0}, 3), ({1: 1, 2: 1, 3: 1, 4: 1, 6: 2}, 4)],
)
def test_no_grid_of_angles_beats_the_search(orders, count):
    step = {2: 720, 3: 180, 4: 60}[count]
    grid = np.arange(step) * TURN / step
    best = min(
        left((0.0, *rest), orders, orders.values()) for rest in itertools.combinations(grid[1:], count - 1)
    )
    assert find_heads(orders, count).rms <= best


def test_a_ring_is_served_by_what_it_shows():
    ring = Ring(0.1, eccentricity=5e-6, graduation={2: 2e-6}, lobes={2: 1e-6, 3: 1e-6})
    found = find_heads(ring, 4)
    assert dict(zip(found.orders, found.amplitude, strict=True)) == pytest.approx(
        {2: np.hypot(2e-6, 1e-6 / (2 * 0.05)), 3: 1e-6 / (3 * 0.05)}
    )
    # what is left beyond first order: (e/R)**2/2 = 5e-9, products of 1e-4 and 1e-5
    assert max(line.amplitude for line in ring_orders(ring, found.heads)) < 1e-8 + 1e-3 * found.alone


def test_displacements_count_as_order_one_whatever_their_own():
    wander = Ring(0.1, wander={7: 1e-6})
    found = find_heads(wander, 2)
    assert found.displacement < 1e-6
    assert gaps(found.heads) == pytest.approx([np.pi, np.pi], rel=1e-6)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_heads_keep_to_sectors_and_spacing(count):
    sectors = [(-0.4, 0.4), (2.0, 3.0), (4.0, 4.0)]
    found = find_heads([2, 5, 6], count, sectors=sectors, spacing=0.3)
    # within the rounding of the solver
    assert all(any((b - lo + 1e-9) % TURN <= hi - lo + 2e-9 for lo, hi in sectors) for b in found.heads)
    assert found.spacing >= 0.3 * (1 - 1e-9)
    assert gaps(found.heads).sum() == pytest.approx(TURN, rel=1e-12)


def test_a_tight_sector_costs():
    free, tight = (find_heads([1, 2], 2, **how) for how in ({}, {"sectors": [(0.0, 1.0)]}))
    assert tight.rms > free.rms
    assert tight.spacing == pytest.approx(1.0, rel=1e-6)  # as far apart as they may


def test_heads_that_have_no_room_are_told():
    crowded = find_heads([1, 2, 3], 4, sectors=[(0.0, 0.01)])
    roomy = find_heads([1, 2, 3], 4, sectors=[(0.0, np.pi)], spacing=0.3)
    assert [any("ask for a spacing" in reason for reason in found.reasons) for found in (crowded, roomy)] == [
        True,
        False,
    ]


def test_same_question_has_the_same_answer():
    found = [find_heads(orders, 3).to_dict() | {"arguments": None} for orders in ([2, 3, 7], [7, 3, 2])]
    assert found[0] == found[1]


def test_expected_rms_of_heads_set_by_hand_is_that_of_a_trial():
    found = find_heads([3, 5], 4, placement=0.01)
    rng = np.random.default_rng(5)
    moved = found.heads + 0.01 * rng.standard_normal((20_000, 4))
    squares = [np.abs(np.exp(1j * n * moved).mean(axis=1)) ** 2 for n in found.orders]
    # an exponential variable of 20000 trials: 0.7 % standard, half of that in the root
    assert found.placed_rms == pytest.approx(np.sqrt(0.5 * np.mean(np.sum(squares, axis=0))), rel=0.015)
    assert find_heads([3, 5], 4).placed_rms == pytest.approx(found.rms, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "how", "message"),
    [
        (([0],), {}, r"find_heads.orders must be whole numbers from 1, got 0"),
        (([1.5],), {}, r"find_heads.orders must be whole numbers from 1, got 1.5"),
        (([],), {}, r"find_heads.orders must hold something to suppress"),
        ((7,), {}, r"find_heads.orders must be a ring, a mapping or a sequence of orders, got 7"),
        (({2: np.nan},), {}, r"find_heads.orders.2 must be an amplitude from 0 to 1e\+06, got nan rad"),
        ((range(1, 300),), {}, r"find_heads.orders must be at most 200, got 299"),
        (([2], 1), {}, r"find_heads.count must be a whole number from 2 to 4, got 1"),
        (([2], 5), {}, r"find_heads.count must be a whole number from 2 to 4, got 5"),
        (([2],), {"spacing": -1.0}, r"find_heads.spacing must lie from 0 to a turn, 6.28319, got -1.0 rad"),
        (([2],), {"placement": np.nan}, r"find_heads.placement must lie from 0 to a turn"),
        (
            ([2],),
            {"displacement": np.inf},
            r"find_heads.displacement must lie from 0 to 1e\+06, got inf",
        ),
        (
            ([2], 4),
            {"spacing": 2.0},
            r"find_heads.spacing must leave room for 4 heads in a turn, got 2.0 rad",
        ),
        (([2],), {"sectors": [(0.0, 0.1)], "spacing": 0.5}, r"find_heads.spacing must leave 2 heads a place"),
        # both heads on the one spot that is allowed
        (([2],), {"sectors": [(1.0, 1.0)]}, r"find_heads.spacing must leave 2 heads a place in the sectors"),
        (([2],), {"sectors": [0.0, 1.0]}, r"find_heads.sectors must be pairs of angles"),
        (([2],), {"sectors": [(0.0, np.nan)]}, r"find_heads.sectors\[1\] must be finite, got nan rad"),
    ],
)
def test_impossible_search_is_refused(arguments, how, message):
    with pytest.raises(InputError, match=message):
        find_heads(*arguments, **how)
