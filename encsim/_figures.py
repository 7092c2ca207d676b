"""The door to all pictures of results.

Each function takes a result and ``ax``: without axes it draws a whole sheet, whose title is the answer, on a
new figure, and returns the main axes; with axes it draws the main panel into these and touches nothing else.
"""

from ._figures_channels import channels, recorded
from ._figures_choice import choice
from ._figures_closed_run import closed_run
from ._figures_estimators import frontier
from ._figures_folded import folded
from ._figures_loop import smoothness
from ._figures_margins import margins
from ._figures_period import period_error
from ._figures_remedies import remedies
from ._figures_ring import ring
from ._figures_ring_maps import calibration, calibration_plan, error_map
from ._figures_ring_passes import passes, positioning
from ._figures_ring_view import ring_polar
from ._figures_ripple import ripple
from ._figures_run import run
from ._figures_step import step
from ._figures_tolerance import tolerance
from ._figures_why import why_aliased
from ._plot import save

__all__ = [
    "calibration", "calibration_plan", "channels", "choice", "closed_run", "error_map", "folded", "frontier",
    "margins", "passes", "period_error", "positioning", "recorded", "remedies", "ring", "ring_polar",
    "ripple", "run", "save", "smoothness", "step", "tolerance", "why_aliased",
]  # fmt: skip
