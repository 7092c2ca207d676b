"""Proposed gains: limits kept, nothing left on the table, published optima, refusals."""

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from encsim import InputError
from encsim.closed_loop import stability
from encsim.gains import tuner
from encsim.model.axis import Axis, Sampling
from encsim.model.estimators import LowPass
from encsim.model.load_and_control import CAUTIONS, Control, Load
from encsim.model.scale_and_signal import Scale, Signal


def axis(load, control, **parts):
    """An axis of 20 um at 8 kHz with 0.5 nm of jitter, but for the parts given."""
    usual = {"scale": Scale(period=20e-6), "sampling": Sampling(8000.0), "signal": Signal(jitter=0.5e-9)}
    return Axis(load=load, control=control, **(usual | parts))


CASCADE = axis(Load(10.0), Control(1.0, 1.0, integral_time=1.0, delay=150e-6, current_bandwidth=1000.0))
VELOCITY = replace(CASCADE, control=replace(CASCADE.control, position_gain=0.0))
TWO = replace(CASCADE, load=Load(8.0, motor_inertia=2.0, stiffness=1e7, damping=20.0))
BUMPY = replace(CASCADE, signal=Signal(jitter=0.5e-9, sde={1: 40e-9}))

REQUESTS = {
    "default": (CASCADE, {}),
    "soft": (CASCADE, {"phase_margin": 75.0}),
    "peak": (CASCADE, {"phase_margin": 20.0, "sensitivity_peak": 1.5}),
    "velocity loop": (VELOCITY, {}),
    "two masses": (TWO, {}),
    "low-pass": (replace(CASCADE, estimator=LowPass(300.0)), {"phase_margin": 50.0}),
    "quiet": (CASCADE, {"torque_ripple": 0.02}),
    "smooth": (BUMPY, {"torque_ripple": 0.2, "speed": 4e-3}),
}


@cache
def proposed(name):
    """Gains for one of the requests."""
    given, request = REQUESTS[name]
    return tuner.tuning(given, **request)


def stiffness(control):
    """K_p K_v/T_i, or what there is of it."""
    return control.velocity_gain * (control.position_gain or 1.0) / (control.integral_time or 1.0)


@pytest.mark.parametrize("name", REQUESTS)
def test_proposed_gains_keep_every_limit_and_meet_one(name, no_remedies):
    given, request = REQUESTS[name]
    found = proposed(name)
    wanted = {"phase_margin": 60.0, "sensitivity_peak": 1.7, "torque_ripple": math.inf} | request
    again = stability.margins(replace(given, control=found.control))
    assert again.stable
    assert again.phase_margin >= wanted["phase_margin"]
    assert again.sensitivity_peak <= wanted["sensitivity_peak"]
    assert found.torque_ripple <= wanted["torque_ripple"]
    assert found.binding


@pytest.mark.parametrize("name", ["default", "peak", "velocity loop", "quiet"])
def test_no_neighbour_within_the_limits_is_clearly_stiffer(name, no_remedies):
    given, request = REQUESTS[name]
    found = proposed(name)
    search = tuner.GainSearch(given, tuner._limits(*_asked(request)), 0.0)
    shape = search.shape_of(found.control)
    best = search.stiffness(shape)
    for factors in np.random.default_rng(1).uniform(0.4, 2.5, (25, 2)):
        other = search.stiffness((shape[0] * factors[0], shape[1] * factors[1]))
        # crossovers are searched to 0.1 %, which counts three times; the search itself stops at 0.3 %
        assert other < best + 0.01


def _asked(request):
    return (
        request.get("phase_margin", 60.0),
        request.get("sensitivity_peak", 1.7),
        request.get("torque_ripple"),
    )


def lagging(tau, integral_time):
    """A velocity loop on an inertia of 1 behind one lag, 1000 times slower than the loop rate."""
    control = Control(0.0, 1.0, integral_time=integral_time, current_bandwidth=1.0 / (2.0 * math.pi * tau))
    return axis(Load(1.0), control, sampling=Sampling(1e3 / tau))


def test_proportional_velocity_loop_with_the_margin_of_the_magnitude_optimum_is_that_optimum(no_remedies):
    # gain 1/(2 tau), crossover sqrt((sqrt 2 - 1)/2)/tau; Kessler 1955 (from memory)
    crossover = math.sqrt((math.sqrt(2.0) - 1.0) / 2.0)
    margin = 90.0 - math.degrees(math.atan(crossover))
    found = tuner.tuning(lagging(1e-3, None), phase_margin=margin, sensitivity_peak=10.0)
    # hold and difference cost a sample, 1e-3 tau, of phase; a tenth of a per cent of gain a tenth of that
    assert found.control.velocity_gain == pytest.approx(1.0 / 2e-3, rel=5e-3)
    assert 2.0 * math.pi * found.margins.crossover * 1e-3 == pytest.approx(crossover, rel=5e-3)


def test_velocity_loop_behind_a_lag_is_the_stiffest_that_its_margin_allows_on_paper(no_remedies):
    # at a crossover x/tau the margin m leaves w T_i = tan(m + atan x), and |L| = 1 the gain; the symmetrical optimum
    # a = 2 (gain 1/(2 tau), integral time 4 tau, margin m; Kessler 1958, from memory) is one point of that curve
    tau, margin = 1e-3, math.asin(0.6)
    x = np.linspace(0.01, 3.0, 30000)
    lead = np.tan(margin + np.arctan(x))
    x, lead = x[lead > 0.0], lead[lead > 0.0]
    paper = x / tau * np.sqrt(1.0 + x**2) / np.sqrt(1.0 + lead**-2.0) * (x / tau) / lead
    np.testing.assert_allclose(paper[np.argmin(np.abs(x - 0.5))], 1.0 / (8.0 * tau**2), rtol=1e-3)
    found = tuner.tuning(lagging(tau, 1.0), phase_margin=math.degrees(margin), sensitivity_peak=10.0)
    # a sample of delay, 1e-3 tau, costs 0.06 deg at the crossover; the search stops at 0.5 %
    assert stiffness(found.control) == pytest.approx(paper.max(), rel=0.01)


def test_encoder_noise_bounds_the_gain_and_a_quieter_encoder_frees_it():
    free, held = proposed("default"), tuner.tuning(CASCADE, torque_ripple=0.01)
    assert "torque_ripple" in held.binding
    assert free.binding == ("phase_margin",)
    assert held.control.velocity_gain < 0.6 * free.control.velocity_gain
    assert held.torque_ripple == pytest.approx(0.01, rel=1e-2)
    assert held.remedies[0].name.startswith("an encoder with half the jitter")
    quiet = replace(CASCADE, signal=Signal(jitter=0.25e-9))
    after = stiffness(tuner.tune(quiet, torque_ripple=0.01)) / stiffness(held.control)
    # the search finds the best to about 1 %
    assert held.remedies[0].stiffness == pytest.approx(after, rel=0.05)


def test_resonance_calls_for_a_notch():
    best = tuner.tuning(TWO).remedies[0]
    assert best.name == f"a notch at the resonance, {TWO.load.resonance:.4g} Hz"
    assert best.stiffness > 100.0


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (
            {"phase_margin": 89.9},
            r"tuning.phase_margin must be reachable.*got 89.9 deg; the nearest reachable is 8\d",
        ),
        (
            {"sensitivity_peak": 1.00001},
            r"tuning.sensitivity_peak must be reachable.*nearest reachable is 1.000",
        ),
        ({"torque_ripple": 1e-12}, r"tuning.torque_ripple must be reachable.*nearest reachable is \d"),
        ({"phase_margin": 95.0}, r"tuning.phase_margin must lie between 0 and 90, got 95.0 deg"),
        ({"phase_margin": "60"}, r'tuning.phase_margin must lie between 0 and 90, got "60"'),
        ({"sensitivity_peak": 1.0}, r"tuning.sensitivity_peak must be above 1 and below 1e6, got 1.0"),
        ({"torque_ripple": 0.0}, r"tuning.torque_ripple must be positive and finite, got 0.0 N m or N"),
        ({"speed": math.nan}, r"tuning.speed must be a finite number, got nan m/s"),
    ],
)
def test_requests_that_cannot_be_met_are_refused_with_the_nearest(request_, message):
    with pytest.raises(InputError, match=message):
        tuner.tuning(CASCADE, **request_)


def test_nearest_reachable_margin_can_be_reached():
    with pytest.raises(InputError, match="nearest reachable is") as caught:
        tuner.tuning(CASCADE, phase_margin=89.9)
    nearest = float(str(caught.value).split("nearest reachable is ")[1].split()[0])
    assert tuner.tune(CASCADE, phase_margin=nearest - 0.1).velocity_gain > 0.0


def test_other_parts_of_the_controller_stay_and_cautions_come_along():
    found = tuner.tuning(VELOCITY)
    kept = replace(found.control, velocity_gain=1.0, integral_time=1.0)
    assert kept == VELOCITY.control
    plain = found.to_dict()
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert tuple(plain["cautions"]) == CAUTIONS
    assert plain["margins"]["units"]["crossover"] == "Hz"
    assert tuner.tune(VELOCITY) == found.control
