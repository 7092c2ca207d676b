"""Centring help: dial gauge, difference of two heads, what is left after tightening."""

import numpy as np
import pytest

from encsim.checks import InputError
from encsim.model.ring_geometry import Ring, ring_error
from encsim.rings.centring import centre_by_gauge, centre_by_heads
from encsim.rings.residual_eccentricity import after_tightening

TURN = 2.0 * np.pi * np.arange(24) / 24


def gauged(ring, angles, gauge):
    """Slow twin: height of the rim of a round ring on the ray of the gauge, from the quadratic of ray and circle."""
    centre = ring.eccentricity * np.exp(1j * (angles + ring.direction - gauge))
    along, across = centre.real, centre.imag
    height = along + np.sqrt(ring.radius**2 - across**2) - ring.radius
    return height + sum(a * np.cos(n * (angles - gauge) + f) for n, (a, f) in ring.lobes.items())


@pytest.mark.parametrize(("count", "told"), [(8, True), (10, True), (11, False), (24, False)])
def test_few_readings_are_told_to_say_little_of_uncertainty(count, told):
    angles = 2.0 * np.pi * np.arange(count) / count
    readings = 5e-6 * np.cos(angles) + 1e-8 * np.cos(11.0 * np.arange(count) ** 2)
    found = centre_by_gauge(angles, readings, 0.1)
    assert any("few readings" in reason for reason in found.reasons) == told


@pytest.mark.parametrize("gauge", [0.0, 1.3, -2.0])
def test_gauge_finds_how_the_ring_sits(gauge):
    ring = Ring(0.04, eccentricity=80e-6, direction=2.2, lobes={2: (3e-6, 0.5), 3: (1e-6, 1.0)})
    found = centre_by_gauge(TURN, gauged(ring, TURN, gauge) + 7e-6, 0.04, gauge=gauge)
    # what is left out is of fourth order, e**4/R**3 = 5e-12 m
    assert found.eccentricity == pytest.approx(80e-6, rel=1e-6)
    assert found.direction == pytest.approx(2.2, rel=1e-6)
    assert found.lobes[2] == pytest.approx((3e-6, 0.5), rel=1e-4)
    assert found.lobes[3] == pytest.approx((1e-6, 1.0), rel=1e-4)
    assert found.valid


def test_what_the_gauge_finds_describes_the_ring():
    ring = Ring(0.1, eccentricity=20e-6, direction=1.0, lobes={2: (4e-6, 3.0)})
    found = centre_by_gauge(TURN, gauged(ring, TURN, 0.4), 0.1, gauge=0.4)
    again = Ring(0.1, eccentricity=found.eccentricity, direction=found.direction, lobes=found.lobes)
    # 1e-6 of the 4e-4 rad that are there
    np.testing.assert_allclose(ring_error(again, TURN), ring_error(ring, TURN), atol=1e-9)


@pytest.mark.parametrize("direction", [0.0, 1.0, 3.0, 5.5])
def test_push_and_shift_centre_the_ring(direction):
    ring, gauge = Ring(0.1, eccentricity=30e-6, direction=direction), 0.8
    found = centre_by_gauge(TURN, gauged(ring, TURN, gauge), 0.1, gauge=gauge)
    stands = ring.eccentricity * np.exp(1j * (found.push + direction))
    # the push moves the ring from the gauge to the axis
    assert abs(stands - found.shift * np.exp(1j * gauge)) < 1e-9
    assert f"{np.degrees(found.push):.1f} deg" in found.advice[0]
    assert "30 um" in found.advice[1]
    assert "60 um" in found.advice[1]
    assert found.run_out == pytest.approx(60e-6, rel=1e-6)


def test_face_tells_the_swash():
    tilt, toward, gauge, radius = 2e-4, 2.5, 0.3, 0.045
    # a plane z = -x tan(tilt) in the frame of the leaning axis, its mark at -theta
    spot = radius * np.exp(1j * (gauge - TURN))
    height = -np.tan(tilt) * np.real(spot * np.exp(-1j * toward))
    flat = np.zeros(24) + 1e-9 * np.cos(5 * TURN)
    found = centre_by_gauge(TURN, flat, 0.1, gauge=gauge, axial=height, axial_radius=radius)
    assert found.swash == pytest.approx(tilt, rel=1e-6)
    assert found.swash_direction == pytest.approx(toward, rel=1e-6)
    # the ring of these errors: its track at height d is displaced by tilt d towards the lean
    assert np.isnan(centre_by_gauge(TURN, flat, 0.1).swash)


def test_uncertainty_of_a_gauge_is_that_of_a_trial():
    rng, ring = np.random.default_rng(7), Ring(0.1, eccentricity=20e-6, direction=1.0)
    clean, missed = gauged(ring, TURN, 0.0), []
    for _ in range(2000):
        found = centre_by_gauge(TURN, clean + 1e-6 * rng.standard_normal(24), 0.1, noise=1e-6)
        missed.append(complex(*found.vector) - 20e-6 * np.exp(1j))
    # rms of 4000 components: 1.1 % standard; a constant and orders do not mix on an even turn: sigma sqrt(2/24)
    component = np.sqrt(np.mean(np.abs(missed) ** 2) / 2)
    assert found.uncertainty == pytest.approx(component, rel=0.04)
    assert found.uncertainty == pytest.approx(1e-6 * np.sqrt(2 / 24), rel=1e-9)


def test_noise_is_taken_from_what_the_fit_leaves():
    rng = np.random.default_rng(3)
    angles = np.linspace(0, 4 * np.pi, 400)
    found = centre_by_gauge(angles, 5e-6 * np.cos(angles) + 1e-6 * rng.standard_normal(400), 0.1)
    assert found.freedom == 400 - 7
    assert found.noise == pytest.approx(1e-6, rel=0.11)  # three standard deviations of 393 degrees of freedom


def test_ring_within_its_noise_is_left_alone():
    rng = np.random.default_rng(4)
    found = centre_by_gauge(TURN, 1e-6 * rng.standard_normal(24) + 1e-8 * np.cos(TURN), 0.1, noise=1e-6)
    assert not found.valid
    assert "no shift would help" in found.reasons[0]
    assert found.advice[0].startswith("Leave the ring")


@pytest.mark.parametrize("heads", [(0.0, np.pi), (0.3, 2.5), (1.0, -1.0)])
def test_two_heads_find_the_eccentricity(heads):
    ring = Ring(0.05, eccentricity=40e-6, direction=1.7, graduation={3: (2e-5, 0.4)})
    first, second = (ring_error(ring, TURN, (beta,)) for beta in heads)
    found = centre_by_heads(TURN, first - second + 1.0, 0.05, heads=heads)
    # products of 1.6e-3 and 3 x 2e-5
    assert found.eccentricity == pytest.approx(40e-6, rel=2e-3)
    assert found.direction == pytest.approx(1.7, abs=2e-3)
    assert found.graduation[3] == pytest.approx((2e-5, 0.4), rel=0.02)


def test_difference_of_opposite_heads_is_blind_to_even_orders():
    found = centre_by_heads(TURN, 1e-4 * np.sin(TURN), 0.1, orders=(2, 3, 4, 5))
    assert found.lost == (2, 4)
    assert sorted(found.graduation) == [3, 5]
    assert found.eccentricity == pytest.approx(0.5e-4 * 0.05, rel=1e-9)


def test_gain_of_two_heads_is_that_of_half_their_angle():
    # 2|sin(k phi/2)|, k 3, phi 130 deg; derived
    heads = (0.0, np.radians(130.0))
    ring = Ring(0.1, graduation={3: 1e-6})
    seen = ring_error(ring, TURN, heads[:1]) - ring_error(ring, TURN, heads[1:])
    assert 2 * abs(np.fft.rfft(seen)[3]) / 24 / 1e-6 == pytest.approx(0.5176380902050415, rel=1e-9)
    found = centre_by_heads(TURN, seen, 0.1, heads=heads, noise=1e-7)
    assert found.graduation[3][0] == pytest.approx(1e-6, rel=1e-9)
    spread = 1e-7 * np.sqrt(2 / 24)
    assert found.order_uncertainty[3] == pytest.approx(spread / 0.5176380902050415, rel=1e-9)


def test_uncertainty_of_two_heads_is_that_of_a_trial():
    rng, ring, heads = np.random.default_rng(8), Ring(0.1, eccentricity=5e-6, direction=1.0), (0.0, 2.0)
    clean = ring_error(ring, TURN, heads[:1]) - ring_error(ring, TURN, heads[1:])
    missed = []
    for _ in range(2000):
        found = centre_by_heads(TURN, clean + 1e-6 * rng.standard_normal(24), 0.1, heads=heads, noise=1e-6)
        missed.append(complex(*found.vector) - 5e-6 * np.exp(1j))
    # rms of 4000 components: 1.1 % standard
    assert found.uncertainty == pytest.approx(np.sqrt(np.mean(np.abs(missed) ** 2) / 2), rel=0.04)


def test_screws_set_to_the_nearest_three_micrometres_centre_to_about_half_of_that():
    # common practice, no source: about 1.5 um
    found = after_tightening(0.1, step=3e-6)
    assert found.screw == pytest.approx(1.5e-6, rel=1e-12)
    rng = np.random.default_rng(2)
    left = np.hypot(*rng.uniform(-1.5e-6, 1.5e-6, (2, 100_000)))
    # 0.16 % standard of the mean square
    assert found.rms == pytest.approx(np.sqrt(np.mean(left**2)), rel=0.01)
    assert found.rms < 1.5e-6 < found.likely
    # bounded steps stay below the Rayleigh figure: 1.20 half steps against 1.41
    assert np.quantile(left, 0.95) == pytest.approx(1.198 * 1.5e-6, rel=0.01)
    assert found.likely == pytest.approx(1.413 * 1.5e-6, rel=1e-3)


def test_measuring_shifting_and_tightening_leave_what_is_told():
    rng, ring = np.random.default_rng(9), Ring(0.15, eccentricity=25e-6, direction=4.0)
    clean, left = gauged(ring, TURN, 0.0), []
    for _ in range(2000):
        found = centre_by_gauge(TURN, clean + 1e-6 * rng.standard_normal(24), 0.15, noise=1e-6)
        moved = 25e-6 * np.exp(4j) - complex(*found.vector) + complex(*(0.5e-6 * rng.standard_normal(2)))
        left.append(abs(moved))
    told = after_tightening(
        0.15, repeatability=0.5e-6, uncertainty=found.uncertainty, before=found.eccentricity
    )
    # 1.1 % standard of the rms, 2.4 % of the 95 % point
    assert told.rms == pytest.approx(np.sqrt(np.mean(np.square(left))), rel=0.04)
    assert told.likely == pytest.approx(np.quantile(left, 0.95), rel=0.08)
    assert told.angle_rms == pytest.approx(2 * told.rms / 0.15, rel=1e-12)
    assert told.valid


def test_a_ring_better_than_its_tightening_is_told():
    told = after_tightening(0.1, repeatability=2e-6, before=1e-6)
    assert (told.valid, told.reasons) == (
        False,
        ("the ring is already as well centred as this is likely to make it",),
    )


def test_results_are_plain_with_units():
    plain = centre_by_gauge(TURN, 1e-6 * np.cos(TURN) + 1e-9 * np.cos(7 * TURN), 0.1).to_dict()
    assert plain["lobes"]["2"][0] < 1e-9
    assert plain["swash"] is None
    assert (plain["units"]["noise"], plain["units"]["eccentricity"]) == ("m", "m")
    heads = centre_by_heads(TURN, 1e-6 * np.cos(TURN) + 1e-9 * np.cos(7 * TURN), 0.1).to_dict()
    assert (heads["units"]["noise"], heads["lost"]) == ("rad", [2])


NAN = np.where(np.arange(24) == 3, np.nan, TURN)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: centre_by_gauge(TURN, TURN[:5], 0.1),
            r"centre_by_gauge.readings must be one for each of 24 angles, got 5",
        ),
        (lambda: centre_by_gauge(TURN, NAN, 0.1), r"centre_by_gauge.readings\[3\] must be finite, got nan m"),
        (lambda: centre_by_gauge(NAN, TURN, 0.1), r"centre_by_gauge.angles\[3\] must be finite, got nan rad"),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.0),
            r"centre_by_gauge.diameter must be positive and finite, got 0.0 m",
        ),
        (
            lambda: centre_by_gauge(TURN, np.cos(TURN), 0.1),
            r"show less eccentricity than the radius.*metres or radians",
        ),
        (
            lambda: centre_by_gauge(TURN[:7], TURN[:7], 0.1),
            r"centre_by_gauge.readings must hold at least 8 values for these orders",
        ),
        (lambda: centre_by_gauge(TURN[:4], 0 * TURN[:4], 0.1, orders=()), r"must go round the turn"),
        (lambda: centre_by_gauge(0 * TURN, 0 * TURN, 0.1), r"centre_by_gauge.angles must go round the turn"),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.1, orders=(1,)),
            r"centre_by_gauge.orders must be whole numbers from 2",
        ),
        (lambda: centre_by_gauge(TURN, TURN, 0.1, orders=3), r"centre_by_gauge.orders must be a sequence"),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.1, noise=0.0),
            r"centre_by_gauge.noise must be positive and at most 1",
        ),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.1, gauge=np.nan),
            r"Head.angle must be a finite angle, got nan rad",
        ),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.1, axial=TURN),
            r"centre_by_gauge.axial_radius must be positive",
        ),
        (
            lambda: centre_by_gauge(TURN, TURN, 0.1, axial_radius=0.1),
            r"centre_by_gauge.axial must be given with",
        ),
        (
            lambda: centre_by_gauge(TURN, 1e-6 * TURN, 0.1, axial=TURN[:3], axial_radius=0.1),
            r"centre_by_gauge.axial must be one for each of 24 angles, got 3",
        ),
        (
            lambda: centre_by_heads(TURN, NAN, 0.1),
            r"centre_by_heads.difference\[3\] must be finite, got nan rad",
        ),
        (
            lambda: centre_by_heads(TURN, TURN, 0.1, heads=(1.0, 1.0)),
            r"centre_by_heads.heads must stand at least 1e-06",
        ),
        (
            lambda: centre_by_heads(TURN, TURN, 0.1, heads=(0.0, 0.01)),
            r"must stand at least 0.02 rad apart, got 0.01",
        ),
        (
            lambda: centre_by_heads(TURN, TURN, 0.1, heads=(0.0, 1.0, 2.0)),
            r"centre_by_heads.heads must be two, got 3",
        ),
        (lambda: centre_by_heads(TURN, 9 * TURN, 0.1), r"show less eccentricity than the radius"),
        (
            lambda: after_tightening(0.1, step=-1e-6),
            r"after_tightening.step must be zero or more and finite, got -1e-06",
        ),
        (
            lambda: after_tightening(0.1, before=np.nan),
            r"after_tightening.before must be zero or more and finite",
        ),
        (
            lambda: after_tightening(np.nan),
            r"after_tightening.diameter must be positive and finite, got nan m",
        ),
    ],
)
def test_impossible_readings_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
