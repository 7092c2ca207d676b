"""One result of every kind, {name of the class: function that makes it}; each is computed once."""

import functools

import numpy as np

import encsim
from encsim.rings.growth import ring_fit

STEEL = {"density": 7800.0, "modulus": 210e9, "poisson": 0.3}
WANTED = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
ANGLE = 2.0 * np.pi * np.arange(24) / 24
RING = encsim.Ring(0.1, eccentricity=5e-6, lobes={2: 2e-6, 3: (1e-6, 0.3)})


@functools.cache
def axis(name="stage_x"):
    """An axis of the examples."""
    return encsim.examples.load(name)


def channels():
    """Two slightly unequal channels."""
    angle = np.linspace(0.0, 20.0, 500)
    return encsim.identify(1.02 * np.cos(angle) + 0.01, 1.02 * np.sin(angle))


def two_rings():
    """A ring against another, the second without errors of its own that differ."""
    steps = 2.0 * np.pi * np.arange(7) / 7
    return encsim.calibrate(1e-6 * np.array([np.sin(ANGLE) - np.sin(ANGLE - step) for step in steps]), steps)


def passes():
    """Two passes each way."""
    return [[0.0, 0.1, 0.2], [0.0, 0.1 + 1e-6, 0.2]], [[0.2, 0.1, 0.0], [0.2, 0.1 + 3e-6, 0.0]]


def moving(speed=0.0137, samples=4000):
    """Positions of the example axis in motion."""
    trace = encsim.simulate(axis(), speed, samples, seed=1)
    return encsim.Capture("position", axis().sampling.rate, position=trace.position)


def in_the_loop():
    """Positions and torques of the closed loop at two speeds."""
    runs = [encsim.run(axis("stage_x_loop"), speed, 0.3, seed=1) for speed in (0.00413, 0.01137)]
    return [encsim.Capture("position", 16e3, position=run.position, torque=run.torque) for run in runs]


MAKERS = {
    "RippleCurve": lambda: encsim.ripple(axis(), np.array([[0.0, 1e-3], [0.01, 0.32]])),
    "Lines": lambda: encsim.lines(axis(), 0.01),
    "PeriodError": lambda: encsim.position_error(axis(), 0.01),
    "TopSpeed": lambda: encsim.top_speed(axis()),
    "WorstStart": lambda: encsim.worst_start(axis(), 0.032),
    "Trace": lambda: encsim.simulate(axis(), 0.01, 200, seed=7),
    "Run": lambda: encsim.run(axis("stage_x_loop"), 0.01, 0.02, seed=3),
    "Runs": lambda: encsim.runs(axis("stage_x_loop"), [0.01, 0.02], 0.02),
    "Margins": lambda: encsim.margins(axis("table_r_loop")),
    "StepResponse": lambda: encsim.step_response(axis("stage_x_loop"), seconds=0.05),
    "RampResponse": lambda: encsim.ramp_response(axis("stage_x_loop"), seconds=0.05),
    "Smoothness": lambda: encsim.smoothness(axis("stage_x_loop"), [0.0, 0.01]),
    "Tuning": lambda: encsim.tuning(axis("stage_x_loop")),
    # without the converter, whose tables take their time
    "Explanation": lambda: encsim.explain(axis("stage_x_loop").with_("interpolation.bits", None), 0.01),
    "Frontier": lambda: encsim.frontier(axis(), 0.01, [encsim.Difference(1), encsim.LowPass(300.0)]),
    "Choice": lambda: encsim.choose(
        axis(), WANTED, {"interpolation.factor": [400, 4000], "interpolation.bits": [8, 12]}
    ),
    "Judgement": lambda: WANTED.judge(axis()),
    "Tolerance": lambda: encsim.tolerance(
        axis(), {"signal.gain": encsim.Normal(0.006)}, [0.01, 0.1], 20, requirement=WANTED
    ),
    "Sweep": lambda: encsim.sweep(axis(), {"sampling.rate": ["8 kHz", "16 kHz"]}, [0.01, 0.02]),
    "Identification": channels,
    "MotionIdentification": lambda: encsim.identify(moving(), axis=axis()),
    "Comparison": lambda: encsim.compare(axis(), moving()),
    "Separation": lambda: encsim.separate(in_the_loop(), axis("stage_x_loop")),
    "Fit": lambda: encsim.fit(axis(), moving(), free=["signal.gain"]),
    "Calibration": two_rings,
    "CalibrationPlan": lambda: encsim.calibration_plan(2.0 * np.pi * np.arange(11) / 11, 72),
    "SelfCalibration": lambda: encsim.self_calibrate(
        1e-6 * np.array([np.sin(ANGLE) - np.sin(ANGLE + apart) for apart in (1.0, 2.5)]), [1.0, 2.5]
    ),
    "PassComparison": lambda: encsim.compare_passes(*passes()),
    "Positioning": lambda: encsim.bidirectional([0.0, 0.1], [[1e-6, 2e-6]] * 2, [[3e-6, 4e-6]] * 2),
    "ErrorMap": lambda: two_rings().error_map("a"),
    "RingCurve": lambda: encsim.ring_curve(RING, points=36),
    "RingOrder": lambda: encsim.ring_orders(RING)[0],
    "HeadSearch": lambda: encsim.find_heads([3, 5], 2),
    "Expansion": lambda: encsim.expansion(RING, 700.0, **STEEL),
    "Clamping": lambda: encsim.clamping(screws=6, preload=7e3, friction=0.12, radius=0.05, inertia=0.01),
    "Tolerances": lambda: encsim.ring_tolerances(RING, 3e-4),
    "Budget": lambda: encsim.ring_budget(RING),
    "Centring": lambda: encsim.centre_by_gauge(ANGLE, 5e-6 * np.cos(ANGLE - 0.5), 0.15),
    "Remaining": lambda: encsim.after_tightening(0.15, repeatability=0.5e-6, step=0.2e-6),
    "SeatFit": lambda: ring_fit(encsim.Ring(0.1, bore=0.05, shaft=0.04999), alpha=1e-5, shaft_alpha=1.2e-5),
}


@functools.cache
def result(name):
    """The result of this kind."""
    return MAKERS[name]()
