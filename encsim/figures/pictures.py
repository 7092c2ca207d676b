"""The door to all pictures of results.

Each function takes a result and ``ax``: without axes it draws a whole sheet, whose title is the answer, on a
new figure, and returns the main axes; with axes it draws the main panel into these and touches nothing else.
"""

from ..plotting.canvas import save
from .channels import channels, recorded
from .choice import choice
from .closed_run import closed_run, step
from .error_maps import calibration, calibration_plan, error_map, passes, positioning
from .estimators import frontier
from .folded import folded
from .loop import smoothness
from .margins import margins
from .period import period_error, why_aliased
from .remedies import remedies
from .ring import ring, ring_polar
from .ripple import ripple
from .run import run
from .tolerance import tolerance

__all__ = [
    "calibration", "calibration_plan", "channels", "choice", "closed_run", "error_map", "folded", "frontier",
    "margins", "passes", "period_error", "positioning", "recorded", "remedies", "ring", "ring_polar",
    "ripple", "run", "save", "smoothness", "step", "tolerance", "why_aliased",
]  # fmt: skip
