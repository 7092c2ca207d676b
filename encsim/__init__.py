"""Predict how smoothly an axis with a position encoder runs at each speed, and why."""

import importlib

__version__ = "0.3.0"

_HOMES = {
    "InputError": "checks",
    "CountAndTime": "model.edge_timing",
    "Difference": "model.estimators",
    "Kalman": "model.recursive_estimators",
    "LeastSquares": "model.estimators",
    "LowPass": "model.recursive_estimators",
    "PeriodTiming": "model.edge_timing",
    "QuadraticFit": "model.estimators",
    "Tracking": "model.recursive_estimators",
    "Axis": "model.axis",
    "Interpolation": "model.axis",
    "Motion": "model.axis",
    "Sampling": "model.axis",
    "Scale": "model.scale_and_signal",
    "Signal": "model.scale_and_signal",
    "load": "formats.axis_file",
    "loads": "formats.axis_file",
    "load_result": "formats.result_files",
    "PeriodError": "open_loop.period_error",
    "position_error": "open_loop.period_error",
    "Lines": "open_loop.closed_form",
    "RippleCurve": "open_loop.closed_form",
    "lines": "open_loop.closed_form",
    "ripple": "open_loop.closed_form",
    "top_speed": "open_loop.limits",
    "TopSpeed": "open_loop.limits",
    "vanishing_speeds": "open_loop.closed_form",
    "WorstStart": "open_loop.start_phase",
    "worst_start": "open_loop.start_phase",
    "Frontier": "decisions.frontier_curve",
    "frontier": "decisions.frontier_curve",
    "Burst": "model.encoder_faults",
    "DeadChannel": "model.encoder_faults",
    "Dirt": "model.encoder_faults",
    "EncoderFault": "model.encoder_faults",
    "LostEdge": "model.encoder_faults",
    "OffsetDrift": "model.encoder_faults",
    "Scratch": "model.encoder_faults",
    "Encoder": "time_domain.encoder",
    "SerialWord": "time_domain.encoder_buffers",
    "Stream": "time_domain.stream",
    "Trace": "time_domain.simulation",
    "simulate": "time_domain.simulation",
    "Run": "time_domain.closed_run_result",
    "Runs": "time_domain.closed_run_result",
    "run": "time_domain.closed_run",
    "runs": "time_domain.closed_run",
    "Control": "model.load_and_control",
    "Load": "model.load_and_control",
    "Notch": "model.load_and_control",
    "Margins": "closed_loop.stability",
    "margins": "closed_loop.stability",
    "StepResponse": "closed_loop.time_responses",
    "RampResponse": "closed_loop.time_responses",
    "step_response": "closed_loop.time_responses",
    "ramp_response": "closed_loop.time_responses",
    "Smoothness": "closed_loop.closed_loop_ripple",
    "smoothness": "closed_loop.closed_loop_ripple",
    "Choice": "decisions.choice",
    "choose": "decisions.choice",
    "load_candidates": "decisions.candidate_reader",
    "Judgement": "decisions.judgements",
    "Requirement": "decisions.requirements",
    "Tuning": "gains.tuner",
    "tune": "gains.tuner",
    "tuning": "gains.tuner",
    "Explanation": "decisions.explanation",
    "explain": "decisions.explanation",
    "report": "reporting.page",
    "Ring": "model.ring_geometry",
    "Head": "model.ring_geometry",
    "ring_error": "model.ring_geometry",
    "coupling_orders": "model.ring_geometry",
    "ring_orders": "rings.error_orders",
    "ring_curve": "rings.error_orders",
    "RingOrder": "rings.error_orders",
    "RingCurve": "rings.error_orders",
    "find_heads": "rings.heads",
    "HeadSearch": "rings.heads",
    "expansion": "rings.growth",
    "Expansion": "rings.growth",
    "clamping": "rings.clamping_forces",
    "bolt_preload": "rings.clamping_forces",
    "ring_tolerances": "rings.tolerances",
    "Contribution": "rings.budget",
    "uncertainty_budget": "rings.budget",
    "ring_budget": "rings.budget",
    "centre_by_gauge": "rings.centring",
    "centre_by_heads": "rings.centring",
    "Centring": "rings.centring",
    "after_tightening": "rings.residual_eccentricity",
    "Capture": "recordings.capture",
    "Identification": "recordings.identification",
    "identify": "recordings.channel_fit",
    "Calibration": "calibration.two_rings",
    "calibrate": "calibration.two_rings",
    "CalibrationPlan": "calibration.plan",
    "calibration_plan": "calibration.plan",
    "SelfCalibration": "calibration.self_calibration",
    "self_calibrate": "calibration.self_calibration",
    "PassComparison": "calibration.pass_comparison",
    "compare_passes": "calibration.pass_comparison",
    "ErrorMap": "calibration.error_map",
    "Positioning": "calibration.positioning",
    "bidirectional": "calibration.positioning",
    "Normal": "model.distributions",
    "Triangular": "model.distributions",
    "Uniform": "model.distributions",
    "load_spread": "spreads.description",
    "Tolerance": "spreads.tolerancing",
    "WorkersLost": "spreads.workers",
    "tolerance": "spreads.tolerancing",
    "Sweep": "spreads.sweep",
    "sweep": "spreads.sweep",
}

# Modules that are public as a whole.
_MODULES = {
    "changes": "formats.changes",
    "examples": "formats.examples",
    "profiles": "model.profiles",
    "requirements": "decisions.requirements",
}

__all__ = ["__version__", *_HOMES]


def __getattr__(name):
    """Load the module a public name lives in when the name is first used."""
    if name in _MODULES:
        value = importlib.import_module(f".{_MODULES[name]}", __name__)
    elif name in _HOMES:
        value = getattr(importlib.import_module(f".{_HOMES[name]}", __name__), name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__():
    return sorted(__all__)
