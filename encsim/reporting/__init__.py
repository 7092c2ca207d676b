"""Results as text, and as one page for readers who do not compute.

`axis_tables` and modules named `..._text` make what commands print, from the shared `text_parts`.
`page` and modules named `page_...` make the page from `templates/`. No physics: results come from other folders.
May import every folder before it but `kernels`.
"""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..presentation.report_layout import Report

# {class of a result: (module, function)}; the function takes the result, ``long`` and ``cautious``.
TEXTS = {
    "RippleCurve": ("axis_tables", "ripple"),
    "PeriodError": ("axis_tables", "period"),
    "Lines": ("run_text", "harmonics"),
    "WorstStart": ("run_text", "starts"),
    "Trace": ("run_text", "trace"),
    "TopSpeed": ("axis_tables", "limits"),
    "Margins": ("loop_text", "margins"),
    "Smoothness": ("loop_text", "smoothness"),
    "Runs": ("loop_text", "runs"),
    "Tuning": ("tuning_text", "tuning"),
    "Frontier": ("loop_text", "frontier"),
    "Explanation": ("decision_text", "explanation"),
    "Choice": ("decision_text", "choice"),
    "Judgement": ("tuning_text", "judgement"),
    "Run": ("run_text", "run"),
    "StepResponse": ("run_text", "answer"),
    "RampResponse": ("run_text", "answer"),
    "Sweep": ("tolerance_text", "sweep"),
    "Tolerance": ("tolerance_text", "tolerance"),
    "Identification": ("axis_tables", "fit"),
    "MotionIdentification": ("measurement_text", "motion"),
    "Comparison": ("measurement_text", "comparison"),
    "Separation": ("measurement_text", "separation"),
    "Fit": ("measurement_text", "fitted"),
    "Calibration": ("measurement_text", "rings"),
    "SelfCalibration": ("measurement_text", "own_heads"),
    "CalibrationPlan": ("measurement_text", "plan"),
    "PassComparison": ("measurement_text", "passes"),
    "Positioning": ("measurement_text", "positioning"),
    "RingCurve": ("ring_text", "curve"),
    "RingOrder": ("ring_text", "order"),
    "Budget": ("ring_text", "budget"),
    "HeadSearch": ("ring_text", "heads"),
    "Tolerances": ("ring_text", "tolerances"),
    "Expansion": ("ring_text", "growth"),
    "SeatFit": ("ring_text", "seat"),
    "Clamping": ("ring_text", "clamping"),
    "Centring": ("ring_text", "centring"),
    "Remaining": ("ring_text", "remaining"),
    "ErrorMap": ("measurement_text", "error_map"),
}


def __getattr__(name: str) -> ModuleType:
    """Load a module of this folder when it is first used, so that the command line starts without it."""
    try:
        return importlib.import_module(f".{name}", __name__)
    except ModuleNotFoundError:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}") from None


def short_text(result: Any, *, long: bool = False) -> str:
    """What ``print(result)`` shows: the text that the command of this result prints, 80 columns wide.

    Parameters
    ----------
    result : Result
        A result of a class named in `TEXTS`.
    long : bool
        Whether all columns, rows, notes and cautions are shown, as with --long.

    Returns
    -------
    str
        Lines with an end of line each; the first three answer. Numbers stand in the units of the axis' file.

    Raises
    ------
    KeyError
        For a result that no command prints.
    """
    module, function = TEXTS[type(result).__name__]
    from .. import wording

    with wording.of(result):
        report: Report = getattr(importlib.import_module(f".{module}", __name__), function)(result, long=long)
        return report.text()
