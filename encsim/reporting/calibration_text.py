"""Calibrations as text: the answer first, then orders and steps, then doubts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..doubts import named
from ..wording import aligned, show
from .text_parts import notes, paragraph, table, trimmed

if TYPE_CHECKING:
    from ..calibration.c_source import CTable
    from ..calibration.pass_comparison import PassComparison
    from ..calibration.plan import CalibrationPlan
    from ..calibration.positioning import Positioning
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration


ROWS, STEPS = 12, 20
# Coverage factor of 95 % of a normal distribution.
COVERAGE_FACTOR = 1.96
# Orders below CLEAR times their uncertainty are left out; a magnification of noise below IDEAL counts as 1.
CLEAR, IDEAL = 3.0, 1.02
CLEARLY = "Orders within three times their uncertainty are left out.\n"
UNCLEAR = "No order is three times its uncertainty: the largest are listed.\n"


def rings(result: Calibration, source: CTable | None = None) -> str:
    """Report of two rings."""
    used = int(np.count_nonzero(result.weights))
    words = (
        f"Two rings from {used} steps of {len(result.angle)} readings: A is wrong by {_half(result.a)}, B by "
        f"{_half(result.b)} (half of the whole range). {_known(result.uncertainty[0])} A reading scatters by "
        f"{_angle(result.residual)} rms."
    )
    rows, which = _by_size(result.order_uncertainty, np.abs(result.a_orders), np.abs(result.b_orders))
    orders = {
        "times a turn": [str(n + 1) for n in rows],
        "ring A": [show(abs(result.a_orders[n]), "rad") for n in rows],
        "ring B": [show(abs(result.b_orders[n]), "rad") for n in rows],
        "uncertainty, rms": [_angle(result.order_uncertainty[n]) for n in rows],
    }
    parts = [paragraph(words) + _lost(result), aligned(orders) + which, _steps(result)]
    return "\n".join(parts) + _doubts(result) + _source(source)


def own_heads(result: SelfCalibration, source: CTable | None = None) -> str:
    """Report of a ring that its own heads calibrate."""
    words = f"The ring is wrong by {_half(result.error)} (half of the whole range). {_known(result.uncertainty[0])}"
    words += " Wander of the bearing that does not turn with the ring is taken for an error of the ring."
    rows, which = _by_size(result.order_uncertainty, np.abs(result.amplitudes))
    orders = {
        "times a turn": [str(n + 1) for n in rows],
        "amplitude": [show(abs(result.amplitudes[n]), "rad") for n in rows],
        "uncertainty, rms": [_angle(result.order_uncertainty[n]) for n in rows],
        "seen with gain": [f"{result.gain[n]:.3g}" for n in rows],
    }
    parts = [paragraph(words) + _lost(result), aligned(orders) + which]
    return "\n".join(parts) + _doubts(result) + _source(source)


def plan(result: CalibrationPlan) -> str:
    """Report of a plan."""
    count, orders = len(result.steps), len(result.orders)
    seen = orders - len(result.lost)
    words = f"{count} steps of {result.points} readings see {seen} of {orders} orders of two rings."
    if seen:
        words += (
            f" A point of a map has {result.point_noise:.3g} of the noise of a reading; {_noisiest(result)}."
        )
    hint = ""
    if result.lost and _equal(result.steps):
        hint = (
            f"Another set of equal steps whose number shares no factor with {count} finds them: --steps "
            f'"{count}, {_coprime(count)}" loses multiples of {count * _coprime(count)} only.'
        )
    other = [reason for reason in result.reasons if not named([reason], "lost_orders")]
    return paragraph(words) + _lost(result) + (paragraph(hint) if hint else "") + notes(other, ".")


def _noisiest(result: CalibrationPlan) -> str:
    """The order whose amplitude these steps make noisiest."""
    size = np.where(np.isfinite(result.magnification), result.magnification, 0.0)
    worst = int(np.argmax(size))
    if size[worst] < IDEAL:
        return "no other steps would see these orders better"
    return f"order {result.orders[worst]} is seen worst, {size[worst]:.3g} times as noisy as with ideal steps"


def passes(result: PassComparison) -> str:
    """Report of passes against a reference."""
    unit, count = result.unit, len(result.position)
    rows = np.unique(np.linspace(0, count - 1, min(count, ROWS)).astype(int))
    worst = float(np.abs(result.error).max())
    words = (
        f"The encoder is off the reference by up to {show(worst, unit)} (mean of both directions). Reversal: "
        f"{show(result.reversal_mean, unit)} on average, {show(result.reversal_largest, unit)} at most, forward minus "
        "backward."
    )
    columns = ("position", "forward", "backward", "error", "reversal")
    cells = {name: [show(getattr(result, name)[row], unit) for row in rows] for name in columns}
    return f"{paragraph(words)}\n{aligned(cells)}{_doubts(result)}"


def positioning(result: Positioning) -> str:
    """Report of runs to targets."""
    figures = {
        "accuracy": ("accuracy", "forward_accuracy", "backward_accuracy"),
        "repeatability": ("largest_repeatability", "forward_repeatability", "backward_repeatability"),
        "systematic deviation": ("systematic", "forward_systematic", "backward_systematic"),
    }
    unit = result.unit
    rows = {result.edition: list(figures)}
    for place, head in enumerate(("both directions", "forward", "backward")):
        rows[head] = [show(getattr(result, names[place]), unit) for names in figures.values()]
    words = (
        f"{result.runs} runs each way to {len(result.target)} targets: accuracy of positioning "
        f"{show(result.accuracy, unit)}, reversal value {show(result.largest_reversal, unit)}, its mean "
        f"{show(result.mean_reversal, unit)}, range of the mean deviation {show(result.mean_range, unit)}."
    )
    return f"{paragraph(words)}\n{table(rows)}{_doubts(result)}"


def _half(values: np.ndarray) -> str:
    return show(float(np.ptp(values)) / 2.0, "rad")


def _angle(value: float) -> str:
    return "lost" if math.isinf(value) else "-" if math.isnan(value) else show(value, "rad")


def _known(standard: float) -> str:
    if not math.isfinite(standard):
        return "How well a point is known cannot be told."
    return f"A point is known to +-{show(COVERAGE_FACTOR * standard, 'rad')} (95 %)."


def _lost(result: Calibration | SelfCalibration | CalibrationPlan) -> str:
    """Unobservable orders, as many as one line holds."""
    if not result.lost:
        return "No order is lost.\n"
    shown = ", ".join(map(str, result.lost[:ROWS])) + (", ..." if len(result.lost) > ROWS else "")
    return f"Lost orders, {len(result.lost)} of {len(result.orders)}, zero in the maps: {shown}\n"


def _by_size(uncertainty: np.ndarray, *sizes: np.ndarray) -> tuple[list[int], str]:
    """Rows of the largest orders of any ring, ascending, and a line that says which ones are listed."""
    most = np.maximum.reduce(sizes)
    clear = np.where(most < CLEAR * np.where(np.isfinite(uncertainty), uncertainty, 0.0), 0.0, most)
    if not np.any(clear):
        return sorted(np.argsort(-most, kind="stable")[:ROWS].tolist()), UNCLEAR
    rows = np.argsort(-clear, kind="stable")[:ROWS]
    return sorted(row for row in rows.tolist() if clear[row]), CLEARLY


def _steps(result: Calibration) -> str:
    """Angle, noise, drift and closure of each step; of more than STEPS steps the noisiest."""
    every = np.arange(len(result.steps))
    noise = np.nan_to_num(result.step_residual, nan=-1.0)
    kept = every if len(every) <= STEPS else np.sort(np.argsort(-noise, kind="stable")[:STEPS])
    start = float(np.nanmean(result.offset))
    rows = {
        "step": [str(step) for step in kept],
        "turned by": [f"{math.degrees(result.steps[step]):.6g} deg" for step in kept],
        "noise, rms": [_angle(result.step_residual[step]) for step in kept],
        "constant, less the mean": [_angle(result.offset[step] - start) for step in kept],
    }
    if result.closure is not None:
        rows["does not close by"] = [_angle(result.closure[step]) for step in kept]
    rows[""] = [
        "left out" if not result.weights[step] else "stands out" if step in result.outliers else ""
        for step in kept
    ]
    more = f"the noisiest {STEPS} of {len(every)} steps\n" if len(every) > STEPS else ""
    return trimmed(aligned(rows)) + more


def _doubts(result: Calibration | SelfCalibration | PassComparison | Positioning) -> str:
    return notes(result.reasons, ".")


def _source(source: CTable | None) -> str:
    """Size and error of the table in the C source, if one is written."""
    if source is None:
        return ""
    return f"C function: {source.size} intervals, at most {show(source.bound, 'rad')} off the map.\n"


def _equal(steps: np.ndarray) -> bool:
    """Whether steps divide a turn equally."""
    angles = np.sort(np.mod(steps, 2.0 * math.pi))
    return bool(np.ptp(np.diff(np.append(angles, angles[0] + 2.0 * math.pi))) < 1e-9)


def _coprime(count: int) -> int:
    """The next number that has no factor in common with this one."""
    return next(other for other in range(count + 1, 2 * count + 2) if math.gcd(other, count) == 1)
