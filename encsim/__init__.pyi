"""Public names and where they live; written by tests/make_stub.py from the table beside it."""

from encsim.calibration.error_map import ErrorMap as ErrorMap
from encsim.calibration.pass_comparison import PassComparison as PassComparison
from encsim.calibration.pass_comparison import compare_passes as compare_passes
from encsim.calibration.plan import CalibrationPlan as CalibrationPlan
from encsim.calibration.plan import calibration_plan as calibration_plan
from encsim.calibration.positioning import Positioning as Positioning
from encsim.calibration.positioning import bidirectional as bidirectional
from encsim.calibration.self_calibration import SelfCalibration as SelfCalibration
from encsim.calibration.self_calibration import self_calibrate as self_calibrate
from encsim.calibration.two_rings import Calibration as Calibration
from encsim.calibration.two_rings import calibrate as calibrate
from encsim.checks import InputError as InputError
from encsim.closed_loop.closed_loop_ripple import Smoothness as Smoothness
from encsim.closed_loop.closed_loop_ripple import smoothness as smoothness
from encsim.closed_loop.stability import Margins as Margins
from encsim.closed_loop.stability import margins as margins
from encsim.closed_loop.time_responses import RampResponse as RampResponse
from encsim.closed_loop.time_responses import StepResponse as StepResponse
from encsim.closed_loop.time_responses import ramp_response as ramp_response
from encsim.closed_loop.time_responses import step_response as step_response
from encsim.decisions import requirements as requirements
from encsim.decisions.candidate_reader import load_candidates as load_candidates
from encsim.decisions.choice import Choice as Choice
from encsim.decisions.choice import choose as choose
from encsim.decisions.explanation import Explanation as Explanation
from encsim.decisions.explanation import explain as explain
from encsim.decisions.frontier_curve import Frontier as Frontier
from encsim.decisions.frontier_curve import frontier as frontier
from encsim.decisions.judgements import Judgement as Judgement
from encsim.decisions.requirements import Requirement as Requirement
from encsim.formats import changes as changes
from encsim.formats import examples as examples
from encsim.formats.axis_file import load as load
from encsim.formats.axis_file import loads as loads
from encsim.formats.result_files import load_result as load_result
from encsim.gains.tuner import Tuning as Tuning
from encsim.gains.tuner import tune as tune
from encsim.gains.tuner import tuning as tuning
from encsim.model import profiles as profiles
from encsim.model.axis import Axis as Axis
from encsim.model.axis import Interpolation as Interpolation
from encsim.model.axis import Motion as Motion
from encsim.model.axis import Sampling as Sampling
from encsim.model.distributions import Normal as Normal
from encsim.model.distributions import Triangular as Triangular
from encsim.model.distributions import Uniform as Uniform
from encsim.model.edge_timing import CountAndTime as CountAndTime
from encsim.model.edge_timing import PeriodTiming as PeriodTiming
from encsim.model.encoder_faults import Burst as Burst
from encsim.model.encoder_faults import DeadChannel as DeadChannel
from encsim.model.encoder_faults import Dirt as Dirt
from encsim.model.encoder_faults import EncoderFault as EncoderFault
from encsim.model.encoder_faults import LostEdge as LostEdge
from encsim.model.encoder_faults import OffsetDrift as OffsetDrift
from encsim.model.encoder_faults import Scratch as Scratch
from encsim.model.estimators import Difference as Difference
from encsim.model.estimators import LeastSquares as LeastSquares
from encsim.model.estimators import QuadraticFit as QuadraticFit
from encsim.model.load_and_control import Control as Control
from encsim.model.load_and_control import Load as Load
from encsim.model.load_and_control import Notch as Notch
from encsim.model.recursive_estimators import Kalman as Kalman
from encsim.model.recursive_estimators import LowPass as LowPass
from encsim.model.recursive_estimators import Tracking as Tracking
from encsim.model.ring_geometry import Head as Head
from encsim.model.ring_geometry import Ring as Ring
from encsim.model.ring_geometry import coupling_orders as coupling_orders
from encsim.model.ring_geometry import ring_error as ring_error
from encsim.model.scale_and_signal import Scale as Scale
from encsim.model.scale_and_signal import Signal as Signal
from encsim.open_loop.closed_form import Lines as Lines
from encsim.open_loop.closed_form import RippleCurve as RippleCurve
from encsim.open_loop.closed_form import lines as lines
from encsim.open_loop.closed_form import ripple as ripple
from encsim.open_loop.closed_form import vanishing_speeds as vanishing_speeds
from encsim.open_loop.limits import TopSpeed as TopSpeed
from encsim.open_loop.limits import top_speed as top_speed
from encsim.open_loop.period_error import PeriodError as PeriodError
from encsim.open_loop.period_error import position_error as position_error
from encsim.open_loop.start_phase import WorstStart as WorstStart
from encsim.open_loop.start_phase import worst_start as worst_start
from encsim.progress import WorkersLost as WorkersLost
from encsim.recordings.capture import Capture as Capture
from encsim.recordings.channel_fit import identify as identify
from encsim.recordings.comparison import Comparison as Comparison
from encsim.recordings.comparison import compare as compare
from encsim.recordings.identification import Identification as Identification
from encsim.recordings.motion_fit import MotionIdentification as MotionIdentification
from encsim.recordings.parameter_fit import Fit as Fit
from encsim.recordings.parameter_fit import fit as fit
from encsim.recordings.separation import Separation as Separation
from encsim.recordings.separation import separate as separate
from encsim.reporting.page import report as report
from encsim.rings.budget import Contribution as Contribution
from encsim.rings.budget import ring_budget as ring_budget
from encsim.rings.budget import uncertainty_budget as uncertainty_budget
from encsim.rings.centring import Centring as Centring
from encsim.rings.centring import centre_by_gauge as centre_by_gauge
from encsim.rings.centring import centre_by_heads as centre_by_heads
from encsim.rings.clamping_forces import bolt_preload as bolt_preload
from encsim.rings.clamping_forces import clamping as clamping
from encsim.rings.error_orders import RingCurve as RingCurve
from encsim.rings.error_orders import RingOrder as RingOrder
from encsim.rings.error_orders import ring_curve as ring_curve
from encsim.rings.error_orders import ring_orders as ring_orders
from encsim.rings.growth import Expansion as Expansion
from encsim.rings.growth import expansion as expansion
from encsim.rings.heads import HeadSearch as HeadSearch
from encsim.rings.heads import find_heads as find_heads
from encsim.rings.residual_eccentricity import after_tightening as after_tightening
from encsim.rings.tolerances import ring_tolerances as ring_tolerances
from encsim.spreads.description import load_spread as load_spread
from encsim.spreads.sweep import Sweep as Sweep
from encsim.spreads.sweep import sweep as sweep
from encsim.spreads.tolerancing import Tolerance as Tolerance
from encsim.spreads.tolerancing import tolerance as tolerance
from encsim.time_domain.closed_run import run as run
from encsim.time_domain.closed_run import runs as runs
from encsim.time_domain.closed_run_result import Run as Run
from encsim.time_domain.closed_run_result import Runs as Runs
from encsim.time_domain.encoder import Encoder as Encoder
from encsim.time_domain.encoder_buffers import SerialWord as SerialWord
from encsim.time_domain.simulation import Trace as Trace
from encsim.time_domain.simulation import simulate as simulate
from encsim.time_domain.stream import Stream as Stream

__version__: str
__all__ = [
    "__version__",
    "InputError",
    "CountAndTime",
    "Difference",
    "Kalman",
    "LeastSquares",
    "LowPass",
    "PeriodTiming",
    "QuadraticFit",
    "Tracking",
    "Axis",
    "Interpolation",
    "Motion",
    "Sampling",
    "Scale",
    "Signal",
    "load",
    "loads",
    "load_result",
    "PeriodError",
    "position_error",
    "Lines",
    "RippleCurve",
    "lines",
    "ripple",
    "top_speed",
    "TopSpeed",
    "vanishing_speeds",
    "WorstStart",
    "worst_start",
    "Frontier",
    "frontier",
    "Burst",
    "DeadChannel",
    "Dirt",
    "EncoderFault",
    "LostEdge",
    "OffsetDrift",
    "Scratch",
    "Encoder",
    "SerialWord",
    "Stream",
    "Trace",
    "simulate",
    "Run",
    "Runs",
    "run",
    "runs",
    "Control",
    "Load",
    "Notch",
    "Margins",
    "margins",
    "StepResponse",
    "RampResponse",
    "step_response",
    "ramp_response",
    "Smoothness",
    "smoothness",
    "Choice",
    "choose",
    "load_candidates",
    "Judgement",
    "Requirement",
    "Tuning",
    "tune",
    "tuning",
    "Explanation",
    "explain",
    "report",
    "Ring",
    "Head",
    "ring_error",
    "coupling_orders",
    "ring_orders",
    "ring_curve",
    "RingOrder",
    "RingCurve",
    "find_heads",
    "HeadSearch",
    "expansion",
    "Expansion",
    "clamping",
    "bolt_preload",
    "ring_tolerances",
    "Contribution",
    "uncertainty_budget",
    "ring_budget",
    "centre_by_gauge",
    "centre_by_heads",
    "Centring",
    "after_tightening",
    "Capture",
    "Comparison",
    "compare",
    "Fit",
    "fit",
    "Identification",
    "MotionIdentification",
    "Separation",
    "separate",
    "identify",
    "Calibration",
    "calibrate",
    "CalibrationPlan",
    "calibration_plan",
    "SelfCalibration",
    "self_calibrate",
    "PassComparison",
    "compare_passes",
    "ErrorMap",
    "Positioning",
    "bidirectional",
    "Normal",
    "Triangular",
    "Uniform",
    "load_spread",
    "Tolerance",
    "WorkersLost",
    "tolerance",
    "Sweep",
    "sweep",
]
