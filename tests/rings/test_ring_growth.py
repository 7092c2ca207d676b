"""Growth, stress, fit and clamping of rings."""

import numpy as np
import pytest

from encsim.checks import InputError
from encsim.model.ring_geometry import Ring
from encsim.rings import growth
from encsim.rings.clamping_forces import bolt_preload, clamping, stress_area
from encsim.rings.growth import expansion, ring_fit

ARCSEC = np.pi / 648000.0
STEEL = {"density": 7850.0, "modulus": 210e9, "poisson": 0.3}
FAST = 6000.0 * np.pi / 30.0


def test_thin_steel_ring_has_a_safety_of_six_in_speed_at_thirty_five_metres_a_second():
    # common practice, no source: 100 mm, 7800 kg/m3, 344 MPa; figures given to 2 digits
    found = expansion(Ring(0.1), 700.0, density=7800.0, modulus=210e9, poisson=0.3, yield_stress=344e6)
    assert found.rim_speed == pytest.approx(35.0, rel=1e-12)
    assert found.stress == pytest.approx(9.6e6, rel=0.01)
    assert found.safety == pytest.approx(6.0, rel=1e-3)
    assert found.speed_limit == pytest.approx(found.safety * 700.0, rel=1e-12)


@pytest.mark.parametrize(
    ("ring", "speed", "bore", "name", "value"),
    [
        # rho v^2; Timoshenko / Roark (from memory)
        (Ring(0.1), 1000.0, None, "stress", 19.625e6),
        # hoop stress at the bore and growth of the rim; Timoshenko and Goodier (from memory), solved again here
        (Ring(0.12), FAST, 0.08, "stress", 10.07193129131169e6),
        (Ring(0.12), FAST, 0.08, "radius_growth", 1.7266167927962899e-6),
        (Ring(0.12, bore=0.08), FAST, None, "stress", 10.07193129131169e6),
    ],
)
def test_stress_and_growth_by_rotation(ring, speed, bore, name, value):
    found = expansion(ring, speed, bore=bore, **STEEL)
    assert getattr(found, name) == pytest.approx(value, rel=1e-9)


def differenced(outer, inner, material, speed, points=4000):
    """Slow twin: displacement of a rotating disc from its differential equation by finite differences."""
    rho, modulus, nu = material["density"], material["modulus"], material["poisson"]
    r = np.linspace(inner, outer, points)
    h = r[1] - r[0]
    matrix = np.zeros((points, points))
    right = -(1 - nu**2) / modulus * rho * speed**2 * r
    inside = np.arange(1, points - 1)
    matrix[inside, inside - 1] = 1 / h**2 - 1 / (2 * h * r[inside])
    matrix[inside, inside] = -2 / h**2 - 1 / r[inside] ** 2
    matrix[inside, inside + 1] = 1 / h**2 + 1 / (2 * h * r[inside])
    for row, side in ((0, 1), (points - 1, -1)):  # no radial stress at the rims: u' + nu u/r = 0
        matrix[row, [row, row + side, row + 2 * side]] = side * np.array([-1.5, 2.0, -0.5]) / h
        matrix[row, row] += nu / r[row]
        right[row] = 0.0
    return np.linalg.solve(matrix, right)


@pytest.mark.parametrize("inner", [0.01, 0.04, 0.055])
def test_growth_solves_the_equation_of_the_disc(inner):
    moved = differenced(0.06, inner, STEEL, FAST, points=800)
    found = expansion(Ring(0.12), FAST, bore=2 * inner, **STEEL)
    # second-order differences, 800 points
    assert found.radius_growth == pytest.approx(moved[-1], rel=1e-3)
    assert found.bore_growth == pytest.approx(moved[0], rel=1e-3)
    assert found.stress == pytest.approx(
        STEEL["modulus"] * moved[0] / inner, rel=1e-3
    )  # no radial stress there


def test_warmth_grows_bore_and_rim_by_their_own_radii():
    found = expansion(Ring(0.12), temperature=50.0, alpha=11e-6, bore=0.03, **STEEL)
    # a strain of 5.5e-4, of 15 mm and of 60 mm
    assert found.bore_growth == pytest.approx(8.25e-6)
    assert found.radius_growth == pytest.approx(33e-6)


def test_disc_of_nearly_no_width_is_a_thin_ring():
    thin = expansion(Ring(0.1), 1000.0, **STEEL)
    disc = expansion(Ring(0.1), 1000.0, bore=0.1 * (1 - 1e-6), **STEEL)
    assert disc.stress == pytest.approx(thin.stress, rel=3e-6)  # of the order of the width
    assert disc.radius_growth == pytest.approx(thin.radius_growth, rel=3e-6)


def test_uniform_growth_makes_no_angle_error():
    found = expansion(Ring(0.1), 500.0, 20.0, alpha=11.7e-6, **STEEL)
    still = expansion(Ring(0.1), 0.0, 20.0, alpha=11.7e-6, **STEEL)
    assert found.angle_error == 0.0
    assert still.radius_growth == pytest.approx(11.7e-6 * 20 * 0.05, rel=1e-12)
    assert found.radius_growth - still.radius_growth == pytest.approx(
        7850 * 500**2 * 0.05**3 / 210e9, rel=1e-9
    )


def test_gradient_across_a_free_ring_is_seen_once_a_turn():
    # alpha dT/4; derived from u = alpha g (x^2 - y^2)/2, v = alpha g x y
    found = expansion(Ring(0.1), gradient=1.0, alpha=11.7e-6, **STEEL)
    assert found.angle_error / ARCSEC == pytest.approx(0.6033245582727569, rel=1e-9)
    phi, slope = np.linspace(0, 2 * np.pi, 721), 1.0 / 0.1
    u = 11.7e-6 * slope * 0.05**2 * np.cos(2 * phi) / 2
    v = 11.7e-6 * slope * 0.05**2 * np.sin(2 * phi) / 2
    turned = (v * np.cos(phi) - u * np.sin(phi)) / 0.05
    assert np.ptp(turned) / 2 == pytest.approx(found.angle_error, rel=1e-9)


def test_safety_is_endless_at_standstill_and_unknown_without_a_yield_stress():
    assert expansion(Ring(0.1), yield_stress=3e8, **STEEL).safety == np.inf
    assert np.isnan(expansion(Ring(0.1), 10.0, **STEEL).safety)
    assert np.isnan(expansion(Ring(0.1), **STEEL).safety)


def test_ring_beyond_yield_is_not_valid():
    limit = expansion(Ring(0.1), yield_stress=3e8, **STEEL).speed_limit
    slow, fast = (expansion(Ring(0.1), part * limit, yield_stress=3e8, **STEEL) for part in (0.999, 1.001))
    assert (slow.valid, slow.reasons) == (True, ())
    assert (fast.valid, fast.reasons) == (False, ("the ring yields at this speed",))


def test_direction_of_rotation_does_not_matter():
    back, forth = (expansion(Ring(0.1), speed, yield_stress=3e8, **STEEL) for speed in (-300.0, 300.0))
    assert back == forth


def test_cautions_come_with_every_result():
    grown = expansion(Ring(0.1), **STEEL)
    held = clamping(screws=8, preload=7200.0, friction=0.12, radius=0.04, inertia=2e-3)
    assert grown.cautions is held.cautions is growth.CAUTIONS
    text = " ".join(grown.to_dict()["cautions"])
    assert all(word in text for word in ("Overspeed can burst", "guard", "maker", "local codes"))


def test_stress_area_of_a_five_millimetre_thread():
    # ISO 898-1 (from memory; tabulated 14.2 mm2), with 0.9382 for 0.9381942 P: 2.2e-6 of the area
    assert stress_area(5e-3, 0.8e-3) == pytest.approx(14.182516077409502e-6, rel=3e-6)


@pytest.mark.parametrize(
    ("diameter", "pitch", "newton", "rtol"),
    [
        # VDI 2230 Part 1 at 90 % of yield (formula from memory; tabulated 7.2 kN)
        (5e-3, 0.8e-3, 7202.023403143464, 1e-9),
        # common practice, no source: an M5 bolt clamps some 7 kN
        (5e-3, 0.8e-3, 7000.0, 0.05),
        # VDI 2230:2001 table as reprinted in a fastener catalogue (looked up), 3 figures: M8x1, 20.2 kN
        (8e-3, 1e-3, 20200.0, 0.003),
    ],
)
def test_preload_of_a_screw_of_class_eight_point_eight(diameter, pitch, newton, rtol):
    assert bolt_preload(diameter, pitch) == pytest.approx(newton, rel=rtol)


def test_bolted_ring_slips_where_friction_ends():
    # n mu F r/J; arithmetic
    how = {"screws": 8, "preload": 7200.0, "friction": 0.12, "radius": 0.04, "inertia": 2e-3}
    held = clamping(**how, mass=0.5)
    assert held.acceleration == pytest.approx(138240.0, rel=1e-12)
    assert held.torque == pytest.approx(138240.0 * 2e-3, rel=1e-12)
    assert held.shock == pytest.approx(held.force / 0.5, rel=1e-12)
    assert clamping(**how, scatter=0.25).torque == pytest.approx(0.75 * held.torque, rel=1e-12)
    assert np.isnan(clamping(**how).shock)


def test_warm_aluminium_ring_grows_off_a_steel_shaft():
    # R (a_ring - a_shaft) dT = 11.4 um; coefficients from memory
    found = ring_fit(Ring(0.12, bore=0.1, shaft=0.1), 20.0, alpha=23.1e-6, shaft_alpha=11.7e-6)
    assert found.radial_change == pytest.approx(11.4e-6, rel=1e-9)
    assert found.play == pytest.approx(22.8e-6, rel=1e-9)
    assert found.angle_error == pytest.approx(11.4e-6 / 0.06, rel=1e-9)
    assert found.reasons == ("the ring comes loose",)


@pytest.mark.parametrize(
    ("shaft", "temperature", "reasons"),
    [
        (0.1 - 50e-6, 20.0, ()),
        (0.1 + 50e-6, 20.0, ()),
        (0.1 - 10e-6, -20.0, ("the ring becomes tight",)),
    ],
)
def test_fit_that_changes_sides_is_not_valid(shaft, temperature, reasons):
    found = ring_fit(Ring(0.12, bore=0.1, shaft=shaft), temperature, alpha=23.1e-6, shaft_alpha=11.7e-6)
    assert (found.valid, found.reasons) == (not reasons, reasons)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"speed": np.nan}, r"expansion.speed must lie from 0 to 1e\+07, got nan rad/s"),
        ({"speed": "fast"}, r'expansion.speed must lie from 0 to 1e\+07, got "fast"'),
        ({"temperature": np.inf}, r"expansion.temperature must lie from -5000 to 5000, got inf K"),
        ({"density": 0.0}, r"expansion.density must be positive and finite, got 0.0 kg/m3"),
        ({"modulus": np.nan}, r"expansion.modulus must be positive and finite, got nan Pa"),
        ({"poisson": 0.6}, r"expansion.poisson must lie from 0 to 0.5, got 0.6"),
        ({"alpha": 1.0}, r"expansion.alpha must lie from -0.01 to 0.01, got 1.0 1/K"),
        ({"yield_stress": 0.0}, r"expansion.yield_stress must be positive and finite, got 0.0 Pa"),
        ({"bore": 0.1}, r"expansion.bore must be smaller than the diameter, 0.1 m, got 0.1 m"),
        ({"bore": -0.1}, r"expansion.bore must be positive and finite, got -0.1 m"),
        ({"gradient": np.nan}, r"expansion.gradient must lie from -5000 to 5000, got nan K"),
    ],
)
def test_impossible_condition_is_refused(how, message):
    with pytest.raises(InputError, match=message):
        expansion(Ring(0.1), **{**STEEL, **how})


JOINT = {"screws": 8, "preload": 7200.0, "friction": 0.12, "radius": 0.04, "inertia": 2e-3}


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: clamping(**{**JOINT, "screws": 0}),
            r"clamping.screws must be a whole number from 1 to 10000",
        ),
        (
            lambda: clamping(**{**JOINT, "friction": -1.0}),
            r"clamping.friction must be positive and finite, got -1.0",
        ),
        (lambda: clamping(**JOINT, scatter=1.0), r"clamping.scatter must lie from 0 to 0.95, got 1.0"),
        (lambda: clamping(**JOINT, mass=0.0), r"clamping.mass must be positive and finite, got 0.0 kg"),
        (lambda: bolt_preload(0.0, 1e-3), r"bolt_preload.diameter must be positive and finite, got 0.0 m"),
        (
            lambda: bolt_preload(5e-3, 3e-3),
            r"bolt_preload.pitch must be at most half the diameter, 0.005 m, got",
        ),
        (
            lambda: bolt_preload(5e-3, 8e-4, use=0.0),
            r"bolt_preload.use must be above 0 and at most 1, got 0.0",
        ),
        (
            lambda: ring_fit(Ring(0.1), alpha=1e-5, shaft_alpha=1e-5),
            r"Ring.bore must be given to tell the fit",
        ),
        (
            lambda: ring_fit(Ring(0.1, bore=0.05, shaft=0.05), np.nan, alpha=1e-5, shaft_alpha=1e-5),
            r"ring_fit.temperature must be a finite number, got nan K",
        ),
    ],
)
def test_impossible_joint_fit_or_bracket_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
