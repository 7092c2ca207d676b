"""Rings and heads, and the exact angle error of a mounted ring."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from random_rings import ARCSEC, TURN, equal, random_ring

from encsim.checks import InputError
from encsim.model import ring_geometry
from encsim.model.ring_geometry import Head, Ring, ring_error


def first_order(ring, theta, beta):
    """Every cause by its textbook line; second-order products left out."""
    radius = ring.diameter / 2
    total = ring.eccentricity / radius * np.sin(theta + ring.direction - beta)
    total = total + ring.swash * ring.head_offset / radius * np.sin(theta - beta)
    for n, (a, f) in ring.lobes.items():
        total = total + a / (n * radius) * np.sin(n * (theta - beta) + f)
    for n, (a, f) in ring.graduation.items():
        total = total + a * np.sin(n * (theta - beta) + f)
    for n, (a, f) in ring.wander.items():
        total = total + a / radius * np.sin(n * theta + f - beta)
    for n, (a, f) in ring.coupling.items():
        total = total + a * np.sin(n * theta + f)
    return total


def drawn(ring, theta, beta):
    """Look from the moved centre at the head: the line there has turned by theta less what the sight turned."""
    centre = ring.eccentricity * np.exp(1j * (theta + ring.direction))
    centre = centre + ring.swash * ring.head_offset * np.exp(1j * theta)
    centre = centre + sum(a * np.exp(1j * (n * theta + f)) for n, (a, f) in ring.wander.items())
    sight = ring.diameter / 2 * np.exp(1j * beta) - centre
    return np.angle(np.exp(1j * beta) * sight.conjugate())


@pytest.mark.parametrize(
    ("ring", "arcsec", "rtol"),
    [
        # common practice, no source: about half an arcsec at most, about 3 arcsec; the figures are given to 2 digits
        (Ring(0.1, swash=10e-6 / 0.1, head_offset=1e-3), 0.41, 0.01),
        (Ring(0.15, eccentricity=1e-6), 2.75, 2e-3),
        # amplitude of 1 um on 1 mm, 2*206264.806/1000, arithmetic; atan2 bends it by (e/R)**2 = 4e-6
        (Ring(1e-3, eccentricity=1e-6), 412.5296124941927, 1e-5),
        # asin(e/R), e 100 um, R 20 mm; derived, mpmath; the grid misses the peak by 1e-11 of it
        (Ring(0.04, eccentricity=100e-6), 1031.3283284672893, 1e-9),
        # a/(n R), n 2, a 5 um, R 50 mm; Timoshenko, ring bent without stretching (from memory)
        (Ring(0.1, lobes={2: 5e-6}), 10.313240312354818, 1e-9),
    ],
)
def test_peak_error_of_a_mounting_fault(ring, arcsec, rtol):
    peak = np.abs(ring_error(ring, np.linspace(0.0, 2.0 * np.pi, 1_000_001))).max()
    assert peak / ARCSEC == pytest.approx(arcsec, rel=rtol)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("size", [1e-6, 1e-4, 1e-2])
def test_exact_geometry_leaves_first_order_only_by_second_order(seed, size):
    ring, beta = random_ring(seed, size), 0.7 * seed
    gap = np.abs(ring_error(ring, TURN, (beta,)) - first_order(ring, TURN, beta)).max()
    # 11 causes of at most `size` each move the ring angle by at most 11 size, and slopes are at most 19 per
    # cause: 11 size times 19 x 10 size bounds every product; phases make it far less. Below, rounding.
    assert gap < 11 * 19 * 10 * size**2 + 1e-14
    assert gap > 1e-3 * size**2 or size < 1e-5


@pytest.mark.parametrize("seed", range(4))
def test_displacements_agree_with_a_drawn_ring(seed):
    ring = replace(random_ring(seed, 0.1), lobes={}, graduation={}, coupling={})
    # both are an arctangent of numbers good to 1e-16
    np.testing.assert_allclose(ring_error(ring, TURN, (1.1,)), drawn(ring, TURN, 1.1), atol=1e-14)


@pytest.mark.parametrize("order", [2, 3, 7])
def test_lobes_are_the_line_of_a_bent_ring_that_stands_at_the_head(order):
    radius, size, phase, beta = 0.05, 5e-6, 0.4, 0.3
    line = np.linspace(-4 * np.pi, 4 * np.pi, 400_001)
    place = line - size / (order * radius) * np.sin(order * line - phase)
    shown = beta - np.interp(beta - TURN, place, line)
    seen = ring_error(Ring(2 * radius, lobes={order: (size, phase)}), TURN, (beta,))
    # first order of a/R = 1e-4 on both sides
    np.testing.assert_allclose(seen, shown - TURN, atol=2e-8)
    assert np.ptp(seen) == pytest.approx(2 * size / (order * radius), rel=1e-3)


def test_tilted_ring_in_space_adds_a_displacement_and_foreshortening():
    ring, beta = Ring(0.1, swash=2e-3, head_offset=-3e-3), 0.6
    x, y = 0.05 * np.cos(beta - TURN), 0.05 * np.sin(beta - TURN)
    along = x * np.cos(ring.swash) - ring.head_offset * np.sin(ring.swash)
    exact = beta - TURN - np.arctan2(y, along)
    exact = np.angle(np.exp(1j * exact))
    short = ring.foreshortening * np.sin(2 * (TURN - beta))
    # what is left is of third order in the tilt and its product with the displacement: 1e-4 of 1e-6
    np.testing.assert_allclose(ring_error(ring, TURN, (beta,)) + short, exact, atol=2e-9)
    # tan^2(gamma/2) at 2 mrad; derived, mpmath
    assert short.max() / ARCSEC == pytest.approx(0.2062649437570451, rel=1e-4)  # grid misses the peak
    assert ring.foreshortening / ARCSEC == pytest.approx(0.2062649437570451, rel=1e-9)


def test_leaning_head_reads_the_spot_its_line_of_sight_meets():
    ring, lean = Ring(0.1, eccentricity=20e-6, direction=0.2), 0.1
    seen = ring_error(ring, TURN, (Head(0.0, tilt=lean),)) - ring_error(ring, TURN)
    spot = 20e-6 * np.cos(TURN + 0.2) * np.tan(lean) / 0.05
    # products of e/R = 4e-4 twice
    np.testing.assert_allclose(seen, spot, atol=2e-7)


def test_head_on_its_own_track_sees_the_swash_of_its_own_height():
    ring = Ring(0.1, swash=1e-4, head_offset=1e-3)
    own = ring_error(ring, TURN, (Head(0.0, axial=-2e-3),))
    np.testing.assert_allclose(own, ring_error(replace(ring, head_offset=-2e-3), TURN), atol=1e-18)


def test_universal_joint_follows_its_tangent_law():
    bend = 0.1
    series = ring_geometry.coupling_orders(bend, highest=12)
    exact = np.angle(np.exp(-1j * TURN) * (np.cos(TURN) + 1j * np.cos(bend) * np.sin(TURN)))
    # the next term is tan(bend/2)**28
    np.testing.assert_allclose(ring_geometry.sines(series, TURN), exact, atol=1e-15)


@pytest.mark.parametrize("cause", ["eccentricity", "wander"])
@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_equal_heads_remove_displacements_to_a_power_of_their_size(cause, count):
    moved = {"eccentricity": 100e-6} if cause == "eccentricity" else {"wander": {5: 100e-6}}
    ring = Ring(0.04, **moved)
    left = np.abs(ring_error(ring, np.linspace(0, 7, 5001), equal(count))).max()
    # N heads leave (e/R)**N/N; common practice, no source, for two opposite heads; derived for N
    assert left == pytest.approx((100e-6 / 0.02) ** count / count, rel=1e-3, abs=1e-15)


def test_weights_are_those_of_a_weighted_mean():
    ring, heads = random_ring(3), (0.3, 2.0, 4.4)
    parts = [ring_error(ring, TURN, (beta,)) for beta in heads]
    mean = np.average(parts, axis=0, weights=[1, 2, 5])
    np.testing.assert_allclose(ring_error(ring, TURN, heads, [1, 2, 5]), mean, atol=1e-17)


def test_shape_of_the_angles_is_kept():
    ring = random_ring(1)
    assert ring_error(ring, TURN.reshape(8, 90)).shape == (8, 90)
    assert ring_error(ring, []).shape == (0,)
    assert ring_error(ring, 0.5).shape == ()


def test_ring_is_a_frozen_value():
    ring = random_ring(2)
    assert pickle.loads(pickle.dumps(ring)) == ring
    assert hash(ring) == hash(replace(ring))
    assert Ring(0.1, lobes={3: 1e-6, 2: (1e-6, 1)}).lobes == {2: (1e-6, 1.0), 3: (1e-6, 0.0)}


def ring(**how):
    return Ring(how.pop("diameter", 0.1), **how)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"diameter": 0.0}, r"Ring.diameter must be positive and finite, got 0.0 m"),
        ({"diameter": np.nan}, r"Ring.diameter must be positive and finite, got nan m"),
        ({"diameter": -0.1}, r"Ring.diameter must be positive and finite, got -0.1 m"),
        ({"diameter": "0.1"}, r'Ring.diameter must be positive and finite, got "0.1"'),
        ({"eccentricity": -1e-6}, r"Ring.eccentricity must be zero or more"),
        ({"eccentricity": np.inf}, r"Ring.eccentricity must be zero or more and finite, got inf m"),
        ({"eccentricity": 0.05}, r"Ring.eccentricity must leave the head on the ring.*0.05 m, got 0.05 m"),
        ({"wander": {1: 0.03, 2: 0.03}}, r"Ring.wander must leave the head on the ring"),
        ({"swash": 1.0}, r"Ring.swash must lie from 0 to 0.5, got 1.0 rad"),
        ({"direction": np.nan}, r"Ring.direction must be a finite angle, got nan rad"),
        ({"head_offset": np.nan}, r"Ring.head_offset must be a finite number, got nan m"),
        ({"lobes": {0: 1e-6}}, r"Ring.lobes must have whole orders from 1 to 100000, got 0"),
        ({"graduation": {1.5: 1e-6}}, r"Ring.graduation must have whole orders.* got 1.5"),
        ({"graduation": {True: 1e-6}}, r"Ring.graduation must have whole orders.* got True"),
        (
            {"graduation": {2: -1e-6}},
            r"Ring.graduation.2 must be an amplitude of zero or more.* got -1e-06 rad",
        ),
        ({"wander": {2: (1e-6, np.nan)}}, r"Ring.wander.2 must be an amplitude"),
        ({"graduation": {2: 2.0}}, r"Ring.graduation.2 must be at most 1, got 2.0 rad"),
        ({"coupling": [1e-6]}, r"Ring.coupling must be a mapping of order to amplitude, got \[1e-06\]"),
        ({"bore": 0.1}, r"Ring.bore must be smaller than the diameter, 0.1 m, got 0.1 m"),
        ({"shaft": 0.05}, r"Ring.bore must be given with a shaft"),
        ({"bore": 0.06, "shaft": 0.07}, r"Ring.shaft must fit the bore, 0.06 m, got 0.07 m"),
        (
            {"bore": 0.06, "shaft": 0.05999, "eccentricity": 6e-6},
            r"Ring.eccentricity must be at most half the play, 5e-06 m, got 6e-06 m",
        ),
    ],
)
def test_impossible_ring_is_refused(how, message):
    with pytest.raises(InputError, match=message):
        ring(**how)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"angle": np.nan}, r"Head.angle must be a finite angle, got nan rad"),
        ({"angle": 0.0, "tilt": 1.0}, r"Head.tilt must lie from -0.5 to 0.5, got 1.0 rad"),
        ({"angle": 0.0, "sde": {1: 1e-6}}, r"Head.lines must be given with sde"),
        ({"angle": 0.0, "sde": {0: 1e-6}, "lines": 4}, r"Head.sde must have whole orders.* got 0"),
        ({"angle": 0.0, "lines": 0}, r"Head.lines must be a whole number"),
        ({"angle": 0.0, "axial": np.inf}, r"Head.axial must be a finite number, got inf m"),
    ],
)
def test_impossible_head_is_refused(how, message):
    with pytest.raises(InputError, match=message):
        Head(**how)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((np.nan,), r"angles\[0\] must be finite, got nan rad"),
        (([0.0, np.inf],), r"angles\[1\] must be finite, got inf rad"),
        ((["a"],), r"angles must be real numbers"),
        (([[1.0], [1.0, 2.0]],), r"angles must be real numbers"),
        ((1e12,), r"angles must lie within 1e\+09 of zero, got 1000000000000.0 rad"),
        ((0.0, ()), r"heads must be 1 to 64 heads, got 0"),
        ((0.0, None), r"heads must be a sequence of angles, got None"),
        ((0.0, (np.nan,)), r"Head.angle must be a finite angle, got nan rad"),
        ((0.0, (0.0, 2.0 * np.pi)), r"heads must stand at least 1e-06 rad apart.*share this spot"),
        ((0.0, (1.0, 2.0, 1.0)), r"heads must stand at least 1e-06 rad apart, got 1.0 rad"),
        ((0.0, (Head(0.0, axial=1e3),)), r"Head.axial must keep the displacement below the radius, 0.05 m"),
        ((0.0, (0.0, 1.0), (1.0,)), r"weights must be one for each of 2 heads, got 1"),
        ((0.0, (0.0, 1.0), (1.0, -1.0)), r"weights must have a sum that is not zero, got 0.0"),
        ((0.0, (0.0, 1.0), (1.0, np.nan)), r"weights\[1\] must be finite, got nan"),
    ],
)
def test_impossible_reading_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        ring_error(Ring(0.1, swash=1e-3), *arguments)


@pytest.mark.parametrize(
    ("angle", "highest", "name"), [(0.6, 4, "angle"), (np.nan, 4, "angle"), (0.1, 1, "highest")]
)
def test_impossible_joint_is_refused(angle, highest, name):
    with pytest.raises(InputError, match=rf"coupling_orders.{name} must"):
        ring_geometry.coupling_orders(angle, highest)
