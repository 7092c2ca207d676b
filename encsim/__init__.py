"""Predict how smoothly an axis with a position encoder runs at each speed, and why."""

import importlib

from ._version import __version__

_HOMES = {
    "InputError": "_checks",
    "CountAndTime": "estimators",
    "Difference": "estimators",
    "Kalman": "estimators",
    "LeastSquares": "estimators",
    "LowPass": "estimators",
    "PeriodTiming": "estimators",
    "Tracking": "estimators",
    "Axis": "axis",
    "Interpolation": "axis",
    "Sampling": "axis",
    "Scale": "axis",
    "Signal": "axis",
    "load": "axis_file",
    "loads": "axis_file",
    "PeriodError": "quadrature",
    "position_error": "quadrature",
    "Lines": "closed_form",
    "RippleCurve": "closed_form",
    "lines": "closed_form",
    "ripple": "closed_form",
    "top_speed": "limits",
    "TopSpeed": "limits",
    "vanishing_speeds": "closed_form",
    "WorstStart": "starts",
    "worst_start": "starts",
    "Frontier": "frontier_curve",
    "frontier": "frontier_curve",
    "Stream": "simulation",
    "Trace": "simulation",
    "simulate": "simulation",
    "Run": "motion_run",
    "Runs": "motion_run",
    "run": "motion_run",
    "runs": "motion_run",
    "Control": "mechanics",
    "Load": "mechanics",
    "Notch": "mechanics",
    "Margins": "stability",
    "margins": "stability",
    "StepResponse": "time_responses",
    "RampResponse": "time_responses",
    "step_response": "time_responses",
    "ramp_response": "time_responses",
    "Smoothness": "smooth_running",
    "smoothness": "smooth_running",
    "Judgement": "requirements",
    "Requirement": "requirements",
    "Tuning": "tuner",
    "tune": "tuner",
    "tuning": "tuner",
    "Explanation": "explanation",
    "explain": "explanation",
    "Ring": "rings",
    "Head": "rings",
    "ring_error": "rings",
    "coupling_orders": "rings",
    "ring_orders": "ring_lines",
    "ring_curve": "ring_lines",
    "RingOrder": "ring_lines",
    "RingCurve": "ring_lines",
    "find_heads": "ring_heads",
    "HeadSearch": "ring_heads",
    "expansion": "ring_growth",
    "Expansion": "ring_growth",
    "clamping": "ring_clamping",
    "bolt_preload": "ring_clamping",
    "ring_tolerances": "ring_tolerances",
    "Contribution": "budget",
    "uncertainty_budget": "budget",
    "ring_budget": "budget",
    "centre_by_gauge": "centring",
    "centre_by_heads": "centring",
    "Centring": "centring",
    "after_tightening": "tightening",
    "Identification": "identification",
    "identify": "identification",
    "Calibration": "calibration",
    "calibrate": "calibration",
    "CalibrationPlan": "turned_steps",
    "calibration_plan": "turned_steps",
    "SelfCalibration": "self_calibration",
    "self_calibrate": "self_calibration",
    "PassComparison": "comparison",
    "compare_passes": "comparison",
    "ErrorMap": "error_map",
    "Positioning": "positioning",
    "bidirectional": "positioning",
    "Normal": "spreads",
    "Triangular": "spreads",
    "Uniform": "spreads",
    "load_spread": "_spread_reader",
    "Tolerance": "tolerancing",
    "WorkersLost": "_tolerance_work",
    "tolerance": "tolerancing",
}

__all__ = ["__version__", *_HOMES]


def __getattr__(name):
    """Load the module a public name lives in when the name is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f".{_HOMES[name]}", __name__), name)
    globals()[name] = value
    return value


def __dir__():
    return sorted(__all__)
