"""Recordings and calibrations as text: the answer first, then orders and steps, then doubts."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from ..doubts import named
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    Column,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    measured,
    texts,
    toned,
)
from ..wording import number, show

if TYPE_CHECKING:
    from ..calibration.c_source import CTable
    from ..calibration.error_map import ErrorMap
    from ..calibration.pass_comparison import PassComparison
    from ..calibration.plan import CalibrationPlan
    from ..calibration.positioning import Positioning
    from ..calibration.self_calibration import SelfCalibration
    from ..calibration.two_rings import Calibration
    from ..recordings.comparison import Comparison
    from ..recordings.motion_fit import MotionIdentification
    from ..recordings.parameter_fit import Fit
    from ..recordings.separation import OwnedOrder, Separation


ROWS, STEPS = 12, 20
# Coverage factor of 95 % of a normal distribution.
COVERAGE_FACTOR = 1.96
# Orders below CLEAR times their uncertainty are left out; a magnification of noise below IDEAL counts as 1.
CLEAR, IDEAL = 3.0, 1.02
CLEARLY = "Orders within three times their uncertainty are left out."
UNCLEAR = "No order is above three times its uncertainty: the largest are listed."


def rings(result: Calibration, source: CTable | None = None, *, long: bool = False) -> Report:
    """Report of two rings."""
    used = int(np.count_nonzero(result.weights))
    answer = [
        f"Error of ring A {_half(result.a)}, of ring B {_half(result.b)} (half of maximum - minimum).",
        f"{_known(result.uncertainty[0])} Noise of a reading {_angle(result.residual)} rms.",
        f"{used} steps of {len(result.angle)} readings. {_lost(result)}",
    ]
    rows, which = _by_size(result.order_uncertainty, long, np.abs(result.a_orders), np.abs(result.b_orders))
    orders = TextTable([
        Column("per revolution", [str(n + 1) for n in rows]),
        measured("ring A", np.abs(result.a_orders)[rows], "rad"),
        measured("ring B", np.abs(result.b_orders)[rows], "rad"),
        measured("uncertainty, rms", _finite(result.order_uncertainty[rows]), "rad"),
    ])  # fmt: skip
    return Report(
        answer, [orders, Paragraph(which), *_steps(result, long), *_doubts(result), *_source(source)], long
    )


def own_heads(result: SelfCalibration, source: CTable | None = None, *, long: bool = False) -> Report:
    """Report of a ring that its own heads calibrate."""
    answer = [
        f"Error of the ring {_half(result.error)} (half of maximum - minimum). {_known(result.uncertainty[0])}",
        _lost(result),
    ]
    rows, which = _by_size(result.order_uncertainty, long, np.abs(result.amplitudes))
    orders = TextTable([
        Column("per revolution", [str(n + 1) for n in rows]),
        measured("amplitude", np.abs(result.amplitudes)[rows], "rad"),
        measured("uncertainty, rms", _finite(result.order_uncertainty[rows]), "rad"),
        Column("gain", [number(result.gain[n]) for n in rows]),
    ])  # fmt: skip
    bearing = Paragraph(
        "Wander of the bearing that does not turn with the ring counts as an error of the ring."
    )
    return Report(answer, [orders, Paragraph(which), bearing, *_doubts(result), *_source(source)], long)


def error_map(result: ErrorMap, *, long: bool = False) -> Report:
    """Report of the error of a ring over one revolution."""
    amplitudes = np.abs(result.amplitudes)
    largest = int(np.argmax(amplitudes))
    answer = [
        f"Error of a ring {_half(result.error)} (half of maximum - minimum); {len(result.error)} points.",
        f"Largest order: {largest + 1} per revolution, {show(float(amplitudes[largest]), 'rad')}.",
    ]
    return Report(answer, [Notes(result.reasons, DOUBT)], long)


def plan(result: CalibrationPlan, *, long: bool = False) -> Report:
    """Report of a plan."""
    count, orders = len(result.steps), len(result.orders)
    seen = orders - len(result.lost)
    answer = [
        f"{count} steps of {result.points} readings make {seen} of {orders} orders of two rings observable."
    ]
    if seen:
        answer.append(
            f"Noise of a point of a map: {number(result.point_noise)} of the noise of a reading; {_noisiest(result)}."
        )
    blocks: list[ReportPart] = [Paragraph(_lost(result, None if long else ROWS))]
    if result.lost and _equal(result.steps):
        answer.append(
            f"Another set of equal steps without a common factor makes more observable: --steps "
            f'"{count}, {_coprime(count)}" loses multiples of {count * _coprime(count)} only.'
        )
    other = [reason for reason in result.reasons if not named([reason], "lost_orders")]
    return Report(answer, [*blocks, Notes(other, DOUBT)], long)


def _noisiest(result: CalibrationPlan) -> str:
    """The order whose amplitude these steps make noisiest."""
    size = np.where(np.isfinite(result.magnification), result.magnification, 0.0)
    worst = int(np.argmax(size))
    if size[worst] < IDEAL:
        return "no other steps are better for these orders"
    return f"noisiest order {result.orders[worst]}, {number(size[worst])} times the noise with ideal steps"


def passes(result: PassComparison, *, long: bool = False) -> Report:
    """Report of passes against a reference."""
    unit, count = result.unit, len(result.position)
    rows = np.unique(np.linspace(0, count - 1, count if long else min(count, ROWS)).astype(int))
    worst = float(np.abs(result.error).max())
    answer = [
        f"Largest error against the reference: {show(worst, unit)} (mean of both directions).",
        f"Reversal error (forward minus backward): mean {show(result.reversal_mean, unit)}, largest "
        f"{show(result.reversal_largest, unit)}.",
    ]
    names = ("position", "error", "reversal", "forward", "backward")
    table = TextTable([measured(name, getattr(result, name)[rows], unit) for name in names])
    return Report(answer, [table, *_doubts(result)], long)


def positioning(result: Positioning, *, long: bool = False) -> Report:
    """Report of runs to targets."""
    figures = {
        "accuracy": ("accuracy", "forward_accuracy", "backward_accuracy"),
        "repeatability": ("largest_repeatability", "forward_repeatability", "backward_repeatability"),
        "systematic deviation": ("systematic", "forward_systematic", "backward_systematic"),
    }
    unit = result.unit
    columns = [texts(result.edition, figures)]
    for place, head in enumerate(("both directions", "forward", "backward")):
        columns.append(measured(head, [getattr(result, names[place]) for names in figures.values()], unit))
    answer = [
        f"Accuracy of positioning {show(result.accuracy, unit)}; {result.runs} runs each way to "
        f"{len(result.target)} targets.",
        f"Reversal value {show(result.largest_reversal, unit)}, its mean {show(result.mean_reversal, unit)}; range of "
        f"the mean deviation {show(result.mean_range, unit)}.",
    ]
    return Report(answer, [TextTable(columns), *_doubts(result)], long)


def _half(values: np.ndarray) -> str:
    return show(float(np.ptp(values)) / 2.0, "rad")


def _angle(value: float) -> str:
    return "lost" if math.isinf(value) else "-" if math.isnan(value) else show(value, "rad")


def _known(standard: float) -> str:
    if not math.isfinite(standard):
        return toned("Uncertainty of a point: not known.", DOUBT)
    return f"Uncertainty of a point +-{show(COVERAGE_FACTOR * standard, 'rad')} (95 %)."


def _finite(values: np.ndarray) -> np.ndarray:
    """Values, NaN for those of unobservable orders."""
    return np.where(np.isfinite(values), values, math.nan)


def _lost(result: Calibration | SelfCalibration | CalibrationPlan, most: int | None = ROWS) -> str:
    """Unobservable orders."""
    if not result.lost:
        return "All orders are observable."
    shown = ", ".join(map(str, result.lost[:most])) + (", ..." if most and len(result.lost) > most else ".")
    return f"Unobservable: {len(result.lost)} of {len(result.orders)} orders, 0 in the maps: {shown}"


def _by_size(uncertainty: np.ndarray, long: bool, *sizes: np.ndarray) -> tuple[list[int], str]:
    """Rows of the largest orders of any ring, ascending, and a line that says which ones are listed."""
    most, count = np.maximum.reduce(sizes), None if long else ROWS
    clear = np.where(most < CLEAR * np.where(np.isfinite(uncertainty), uncertainty, 0.0), 0.0, most)
    if not np.any(clear):
        return sorted(np.argsort(-most, kind="stable")[:count].tolist()), UNCLEAR
    rows = np.argsort(-clear, kind="stable")[:count]
    return sorted(row for row in rows.tolist() if clear[row]), CLEARLY


def _steps(result: Calibration, long: bool) -> list[ReportPart]:
    """Angle, noise, drift and closure of each step; of more than STEPS steps the noisiest."""
    every = np.arange(len(result.steps))
    noise = np.nan_to_num(result.step_residual, nan=-1.0)
    kept = every
    if len(every) > STEPS and not long:
        kept = np.sort(np.argsort(-noise, kind="stable")[:STEPS])
    start = float(np.nanmean(result.offset))
    columns = [
        Column("step", [str(step) for step in kept]),
        Column("rotation", [f"{math.degrees(result.steps[step]):.6g}" for step in kept], "deg"),
        measured("noise, rms", _finite(result.step_residual[kept]), "rad"),
        measured("constant minus mean", result.offset[kept] - start, "rad"),
    ]
    if result.closure is not None:
        columns.append(measured("closure error", result.closure[kept], "rad"))
    state = [
        "left out" if not result.weights[step] else "outlier" if step in result.outliers else ""
        for step in kept
    ]
    columns.append(texts("", state))
    if len(kept) == len(every):
        return [TextTable(columns)]
    return [TextTable(columns), Paragraph(f"The noisiest {STEPS} of {len(every)} steps; all with --long.")]


def _doubts(result: Calibration | SelfCalibration | PassComparison | Positioning) -> list[ReportPart]:
    return [Notes(result.reasons, DOUBT)]


def _source(source: CTable | None) -> list[ReportPart]:
    """Size and error of the table in the C source, if one is written."""
    if source is None:
        return []
    error = show(source.bound, "rad")
    return [Paragraph(f"C function: {source.size} intervals, deviation from the map up to {error}.")]


def _equal(steps: np.ndarray) -> bool:
    """Whether steps divide a turn equally."""
    angles = np.sort(np.mod(steps, 2.0 * math.pi))
    return bool(np.ptp(np.diff(np.append(angles, angles[0] + 2.0 * math.pi))) < 1e-9)


def _coprime(count: int) -> int:
    """The next number that has no factor in common with this one."""
    return next(other for other in range(count + 1, 2 * count + 2) if math.gcd(other, count) == 1)


def motion(result: MotionIdentification, notes: Sequence[str] = (), *, long: bool = False) -> Report:
    """Report of what counts or positions in motion show."""
    unit, errors = result.unit, cast("Mapping[str, Mapping[int, float]]", result.uncertainty)
    jitter, count = result.jitter, result.resolution
    spread = f"Jitter {show(jitter, unit)} rms" if np.isfinite(jitter) else "Jitter does not show"
    timing = (
        f"; the time between samples scatters by {show(result.timing, 's')} rms"
        if result.timing > 0.0
        else ""
    )
    seen = f"Resolution {show(count, unit)}" if np.isfinite(count) else "No resolution seen"
    answer = [f"{result.points} samples at {show(abs(result.speed), f'{unit}/s')}. {seen}. {spread}{timing}."]
    blocks: list[ReportPart] = []
    if result.harmonics:
        sizes, wide = np.array(list(result.harmonics.values())), list(errors["harmonics"].values())
        blocks.append(TextTable([
            Column("harmonic", [str(n) for n in result.harmonics]),
            measured("position error", sizes[:, 0], unit),
            measured("uncertainty", wide, unit, largest=float(sizes[:, 0].max())),
            measured("phase", sizes[:, 1], "rad"),
        ], "Amplitudes per signal period:"))  # fmt: skip
    if result.orders:
        values = list(cast("Mapping[int, float]", result.orders).values())
        blocks.append(TextTable([
            Column("order", [str(n) for n in result.orders]),
            measured("velocity", values, f"{unit}/s"),
            measured("uncertainty", list(errors["orders"].values()), f"{unit}/s", largest=max(values)),
        ], "Velocity amplitudes per revolution:"))  # fmt: skip
    if np.isfinite(result.hysteresis):
        blocks.append(Paragraph(f"Hysteresis {show(result.hysteresis, unit)}."))
    return Report(answer, [*blocks, Notes(result.reasons, DOUBT), Notes([*result.remarks, *notes])], long)


def comparison(result: Comparison, *, long: bool = False) -> Report:
    """Report of a recording beside the prediction."""
    unit = result.axis.scale.unit
    first, *more = re.split(r"(?<=\.) (?=[A-Z0-9])", result.verdict)
    answer = [
        first if result.agrees else toned(first, LIMIT),
        *more,
        f"At {show(abs(result.speed), f'{unit}/s')}; uncertainty {show(result.uncertainty, f'{unit}/s')}.",
    ]
    blocks: list[ReportPart] = []
    if result.harmonics:
        number_of, found, expected, wide = zip(*result.harmonics, strict=True)
        top = max(*found, *expected)
        blocks.append(TextTable([
            Column("harmonic", [str(n) for n in number_of]),
            measured("measured", found, unit, largest=top),
            measured("predicted", expected, unit, largest=top),
            measured("uncertainty", wide, unit, largest=top),
        ], "Position error, amplitudes per signal period:"))  # fmt: skip
    if result.unexplained:
        frequency, order, size = zip(*result.unexplained, strict=True)
        rotary = [Column("order", [number(n) for n in order])] if unit == "rad" else []
        blocks.append(TextTable([
            measured("frequency", frequency, "Hz"), measured("velocity", size, f"{unit}/s"), *rotary,
        ], "Not explained by the axis:"))  # fmt: skip
    return Report(answer, [*blocks, Notes(result.reasons, DOUBT)], long)


OWNED_BY = {
    "encoder": ("Error of the encoder, amplitudes:", "position"),
    "machine": ("Disturbance by the machine, amplitudes at the motor:", "force"),
    "unknown": ("Not decided, measured amplitudes:", "position"),
}


def separation(result: Separation, *, long: bool = False) -> Report:
    """Report of the owners of orders."""
    groups = {owner: [row for row in result.rows if row.owner == owner] for owner in OWNED_BY}
    said = [f"{len(groups[owner])} of the {owner}" for owner in ("encoder", "machine")]
    speeds = ", ".join(show(abs(speed), f"{result.axis.scale.unit}/s") for speed in result.speeds)
    answer = [
        f"Orders: {said[0]}, {said[1]}, {len(groups['unknown'])} not decided. Speeds: {speeds}.",
        result.advice,
    ]
    units = result.unit_words()
    tables = [
        _owned(rows, OWNED_BY[owner][0], units[OWNED_BY[owner][1]]) for owner, rows in groups.items() if rows
    ]
    return Report(answer, [*tables, Notes(result.reasons, DOUBT)], long)


def _owned(rows: list[OwnedOrder], title: str, unit: str) -> TextTable:
    """Orders of one owner."""
    top = max(row.amplitude for row in rows)
    columns = [
        measured("amplitude", [row.amplitude for row in rows], unit, largest=top),
        measured("uncertainty", [row.uncertainty for row in rows], unit, largest=top),
    ]
    return TextTable([texts("order", [row.name for row in rows]), *columns], title)


def fitted(result: Fit, *, long: bool = False) -> Report:
    """Report of fitted parameters."""
    from ..formats import changes
    from ..recordings.parameter_fit import misfit_words

    rows = [
        (
            name,
            changes.write(result.axis, name, _significant(value, result.uncertainty[name])),
            _wide(result, name),
        )
        for name, value in result.values.items()
    ]
    names, values, uncertainties = zip(*rows, strict=True)
    verdict = "The axis describes the recordings" if result.valid else toned("The fit is not reliable", DOUBT)
    answer = [f"{verdict}: misfit {misfit_words(result.misfit)} uncertainties rms (1 is perfect)."]
    table = TextTable(
        [texts("parameter", names), texts("value", values), texts("uncertainty", uncertainties)]
    )
    return Report(answer, [table, Notes(result.reasons, DOUBT)], long)


def _significant(value: Any, wide: Any) -> Any:
    """A value, or each of several, with four digits, and none beyond the second one of its uncertainty."""
    if isinstance(value, tuple):
        return tuple(_significant(part, error) for part, error in zip(value, wide, strict=True))
    last = 1 - math.floor(math.log10(wide)) if wide and math.isfinite(wide) else 300
    return _rounded(round(value, last), 4)


def _rounded(value: Any, count: int) -> Any:
    """A value, or each of several, with so many digits."""
    return (
        tuple(_rounded(part, count) for part in value)
        if isinstance(value, tuple)
        else float(f"{value:.{count}g}")
    )


def _wide(result: Fit, name: str) -> str:
    """Uncertainty of a parameter with two digits."""
    from ..formats import changes

    wide = result.uncertainty[name]
    return changes.write(result.axis, name, _rounded(wide, 2)) if np.all(np.isfinite(np.array(wide))) else "-"
