"""Orders of the angle error of a mounted ring: one head, several heads, causes."""

from dataclasses import replace

import numpy as np
import pytest
from random_rings import ARCSEC, TURN, equal, random_ring

from encsim.checks import InputError
from encsim.model.ring_geometry import Head, Ring, ring_error
from encsim.rings import error_orders
from encsim.rings.error_orders import ring_curve, ring_orders


def amplitude(ring, order, heads=(0.0,), weights=None):
    return {line.order: line.amplitude for line in ring_orders(ring, heads, weights)}.get(order, 0.0)


def test_error_within_the_signal_period_rides_on_each_head():
    heads = [Head(0.1, lines=90, sde={1: (2e-6, 0.5)}), Head(2.0, lines=90, sde={2: 1e-6})]
    both = 1e-6 * np.sin(90 * (TURN - 0.1) + 0.5) + 0.5e-6 * np.sin(180 * (TURN - 2.0))
    np.testing.assert_allclose(ring_error(Ring(0.1), TURN, heads), both, atol=1e-18)
    causes = {line.order: set(line.causes) for line in ring_orders(Ring(0.1), heads)}
    assert causes == {90: {"sde"}, 180: {"sde"}}


def test_coupling_turns_the_ring_for_all_heads_alike():
    ring = Ring(0.1, coupling={2: 1e-5}, graduation={3: 1e-5})
    turned = TURN + 1e-5 * np.sin(2 * TURN)
    exact = turned - TURN + 1e-5 * np.sin(3 * turned)
    np.testing.assert_allclose(ring_error(ring, TURN), exact, atol=1e-15)  # differences of numbers near 6
    assert amplitude(replace(ring, graduation={}), 2, equal(2)) == pytest.approx(1e-5, rel=1e-9)


def test_two_heads_leave_half_the_square_of_eccentricity():
    ring = Ring(0.04, eccentricity=100e-6)
    two = ring_orders(ring, equal(2))
    # (e/R)^2/2; derived, mpmath
    assert two[0].order == 2
    assert two[0].amplitude / ARCSEC == pytest.approx(2.5783100780887045, rel=1e-9)
    assert amplitude(ring, 1) == pytest.approx(100e-6 / 0.02, rel=1e-12)


@pytest.mark.parametrize(("count", "left"), [(2, [2, 4, 6, 8, 10, 12]), (3, [3, 6, 9, 12]), (6, [6, 12])])
@pytest.mark.parametrize("first", [0.0, 1.234])
def test_equal_heads_leave_multiples_of_their_number(count, left, first):
    # common practice, no source (two: even orders, three: multiples of three)
    ring = Ring(0.1, graduation=dict.fromkeys(range(1, 13), 1e-6))
    found = ring_orders(ring, equal(count, first))
    assert [line.order for line in found] == left
    # graduation alone mixes with nothing
    assert [line.amplitude for line in found] == pytest.approx([1e-6] * len(left), rel=1e-9)


@pytest.mark.parametrize(
    ("order", "degrees", "weight"),
    [
        # |sum exp(i k phi)|/N; derived, mpmath
        (3, [0, 45, 90, 135], 0.2705980500730985),
        (1, [0, 180.1], 0.0008726645152351496),
        (2, [0, 97, 211], 0.2708198376744363),
    ],
)
def test_weight_of_an_order_under_given_heads(order, degrees, weight):
    ring = Ring(0.1, graduation={order: 1e-6})
    assert amplitude(ring, order, np.radians(degrees)) == pytest.approx(1e-6 * weight, rel=1e-9)


def test_wander_of_any_order_has_the_weight_of_order_one():
    ring = Ring(0.1, wander={2: 1e-9})
    heads = np.radians([0.0, 97.0, 211.0])
    weight = abs(np.exp(1j * heads).mean())
    # next order of the arctangent is 1e-8 of it
    assert amplitude(ring, 2, heads) == pytest.approx(1e-9 / 0.05 * weight, rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_orders_add_up_to_the_error(seed):
    ring, heads = random_ring(seed, 1e-3), (0.2, 2.9)
    lines = ring_orders(ring, heads)
    rebuilt = sum(line.amplitude * np.sin(line.order * TURN + line.phase) for line in lines)
    error = ring_error(ring, TURN, heads)
    # lines below 1e-12 of the largest are left out, some 2000 of them
    np.testing.assert_allclose(rebuilt, error - error.mean(), atol=1e-3 * 1e-12 * 2000 * 20)


def test_causes_of_an_order_are_those_that_give_it_alone():
    ring = Ring(0.1, eccentricity=5e-6, swash=1e-4, head_offset=1e-3, graduation={1: 1e-6, 2: 2e-6})
    first, *_ = ring_orders(ring)
    assert first.causes == pytest.approx(
        {"eccentricity": 1e-4, "swash": 2e-6, "graduation": 1e-6, "mixed": first.causes["mixed"]}, rel=1e-9
    )
    # mixed: graduation slope times displacement, half of 2 x 2e-6 x 1.02e-4
    assert first.causes["mixed"] < 2.1e-10
    assert first.alone == first.amplitude


def test_ideal_ring_shows_no_error():
    assert not ring_error(Ring(0.1), TURN, equal(3)).any()
    assert ring_orders(Ring(0.1)) == []


def test_curve_tells_size_and_orders():
    curve = ring_curve(Ring(0.1, eccentricity=5e-6), heads=(0.5,))
    assert curve.peak == pytest.approx(1e-4, rel=1e-6)  # grid of 4096 points, arctangent bends by 1e-8
    assert curve.rms == pytest.approx(1e-4 / np.sqrt(2), rel=1e-6)
    assert curve.arc == pytest.approx(5e-6, rel=1e-6)
    assert curve.orders[0].order == 1
    plain = curve.to_dict()
    assert (plain["kind"], plain["valid"], plain["orders"][0]["order"]) == ("RingCurve", True, 1)
    assert curve.to_csv_text().startswith("angle_rad,error_rad,alone_rad\n0.0,")


def test_few_points_to_draw_do_not_change_the_size():
    ring = Ring(0.1, graduation={8: 1e-6})
    assert ring_curve(ring, points=8).peak == pytest.approx(
        1e-6, rel=1e-4
    )  # of a grid of 512 points a period


def test_curve_says_when_foreshortening_matters():
    left = ring_curve(Ring(0.1, swash=2e-3, graduation={1: 1e-6}))
    assert "foreshortened, 1e-06 rad at 2 per turn" in left.reasons[0]
    assert ring_curve(Ring(0.1, eccentricity=1e-5)).reasons == ()


@pytest.mark.parametrize("points", [7, 1e3, 2_000_000])
def test_curve_of_too_few_or_many_points_is_refused(points):
    with pytest.raises(InputError, match=r"ring_curve\.points must be a whole number from 8 to 1000000"):
        ring_curve(Ring(0.1), points=points)


def test_orders_beyond_any_grid_are_refused():
    with pytest.raises(InputError, match="order must be at most 262144 per revolution, got 400000001"):
        ring_orders(Ring(0.1), (Head(0.0, lines=400_000_000, sde={1: 1e-9}),))


def test_parts_of_a_ring_are_its_causes():
    whole = random_ring(5)
    assert error_orders.only(whole, "lobes") == replace(error_orders.bare_ring(whole), lobes=whole.lobes)
    assert error_orders.only(whole, "eccentricity").direction == whole.direction


@pytest.mark.parametrize(("apart", "left"), [(0.0, 1.0), (np.pi / 2.0, 0.0), (np.pi, 1.0)])
def test_two_heads_a_quarter_turn_apart_cancel_the_foreshortening(apart, left):
    ring = Ring(0.1, swash=1e-3)
    heads, shares = (Head(0.0), Head(apart)), np.array([0.5, 0.5])
    found = error_orders.foreshortening_amplitude(ring, heads, shares)
    assert found == pytest.approx(left * ring.foreshortening, abs=1e-16)
