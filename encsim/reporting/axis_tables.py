"""Reports of an axis in steady motion as text: ripple, error of a signal period, simulation, limits, fitted faults."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..open_loop.causes import CAUSES, REGIMES
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
from ..wording import PEAK, beside, degrees, percent_number, share_text, show
from . import run_text
from .text_parts import (
    LOOP_HINT,
    at_speed,
    caution,
    chosen_rows,
    doubt,
    largest_causes,
    marks,
    ripple_answers,
    shares_at,
)

if TYPE_CHECKING:
    from ..decisions.judgements import Judgement
    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..model.scale_and_signal import Scale, Signal
    from ..open_loop.closed_form import RippleCurve
    from ..open_loop.limits import TopSpeed
    from ..open_loop.period_error import PeriodError
    from ..recordings.identification import Identification


# Harmonics listed at most; the least share of the largest that is listed.
LINES, SMALLEST = 8, 1e-3


def ripple(
    curve: RippleCurve,
    simulated: run_text.SimulatedPoints | None = None,
    *,
    judged: Judgement | None = None,
    requirement: Requirement | None = None,
    long: bool = False,
    cautious: bool = True,
) -> Report:
    """Report of a ripple curve: answer, doubt, table, simulated speeds, notes.

    ``judged`` is the judgement that the answer is about, where that is not one of the speeds of the curve.
    """
    from ..open_loop.limits import top_speed as top_speed_of

    unit = curve.units["rms"]
    answer = [*ripple_answers(curve, judged, requirement), *doubt(curve, unit)]
    rows = chosen_rows(curve.rms, curve.relative, long=long)
    shown = curve.at(rows)
    blocks: list[ReportPart] = [TextTable(_columns(curve, shown, rows, long))]
    if simulated is not None:
        blocks.append(run_text.beside_simulated(curve, simulated))
    blocks += map(Paragraph, _remarks(curve, shown, top_speed_of(curve.axis), long))
    return Report(answer, [*blocks, Notes(curve.reasons, DOUBT), *caution(cautious)], long)


def _columns(curve: RippleCurve, shown: RippleCurve, rows: list[int], long: bool) -> list[Column]:
    """Table of the chosen speeds."""
    unit, shares, mark = curve.units["rms"], [shares_at(curve, i) for i in rows], marks(curve)
    columns = [
        measured("speed", curve.speed[rows], unit),
        measured("rms", shown.rms, unit, mark=[mark[i] for i in rows]),
        Column("relative", [percent_number(curve.relative[i]) if curve.speed[i] else "-" for i in rows], "%"),
        measured("peak", shown.peak, unit, mark=_unsure(shown)),
    ]
    if not long:
        causes = [largest_causes(share, str(curve.regime[i])) for i, share in zip(rows, shares, strict=True)]
        return [*columns, texts("largest causes", causes)]
    return [
        *columns,
        texts("regime", [REGIMES[str(curve.regime[i])].labels[-1] for i in rows]),
        measured("frequency", curve.frequency[rows], "Hz"),
        measured("aliased frequency", curve.alias[rows], "Hz"),
        *(
            Column(CAUSES[cause].term, [share_text(share.get(cause, 0.0)) for share in shares], "%")
            for cause in curve.parts
        ),
    ]


def _unsure(curve: RippleCurve) -> list[str]:
    """A question mark behind each peak that is not known well, blanks behind the others if there is one."""
    blank = "" if curve.peak_reliable.all() else "  "
    return [blank if sure else f" {toned('?', DOUBT)}" for sure in curve.peak_reliable]


def _remarks(curve: RippleCurve, shown: RippleCurve, top: TopSpeed, long: bool) -> Iterator[str]:
    """Lines below the table of the shown speeds."""
    if curve.axis.control is not None:
        yield f"Table: open loop, encoder and estimator in steady motion; for the closed loop {LOOP_HINT}."
    limited = f"{top_speed(top)} " if np.isfinite(top.speed) else ""
    yield f"{limited}{_delay(shown)}"
    if not shown.peak_reliable.all():
        yield "? beside a peak: not known within 10 %."
    yield from curve.remarks
    if not long:
        return
    yield PEAK
    yield "Causes: shares of the mean square, which add up to 100 %. Frequency: of the strongest harmonic of the SDE."
    if curve.method == "step":
        yield "Method: harmonics and the step form (quantisation and A/D conversion are approximate)."
    if len(curve.vanishing):
        listed = "; ".join(f"{show(speed, curve.units['speed'])} (harmonic {', '.join(map(str, orders))})"
                           for speed, orders in list(curve.vanishing)[:6])  # fmt: skip
        yield f"Null speeds: {listed}{'; ...' if len(curve.vanishing) > 6 else ''}."


def _delay(curve: RippleCurve) -> str:
    """Delay of the measured velocity, which may depend on the speed."""
    longest, least = (show(float(end(curve.delay)), "s") for end in (np.max, np.min))
    return f"Delay of the measured velocity: {least if least == longest else f'{least} to {longest}'}."


def top_speed(top: TopSpeed) -> str:
    """The top speed and its limit in one line."""
    if not np.isfinite(top.speed):
        return "Top speed: no limit in the file."
    if top.speed == 0.0:
        return toned(f"Top speed: none, limited by {top.limit} at standstill already.", LIMIT)
    return f"Top speed: {show(top.speed, top.units['speed'])}, limited by {limit_words(top.limit)}."


def limit_words(limit: str | None) -> str:
    """A limit of the speed in words."""
    return (limit or "").replace("_", " ")


def period(result: PeriodError, *, long: bool = False) -> Report:
    """Report of the error over a signal period: size, harmonics with their causes, signal faults."""
    unit = result.units["error"]
    if not result.valid:
        return Report([toned("There is no position to read.", DOUBT)], [Notes(result.reasons, DOUBT)], long)
    if not len(result.harmonic):
        return Report(["The encoder has no error within the signal period."], (), long)
    low, high = show(result.error.min(), unit), show(result.error.max(), unit)
    rms = show(float(np.sqrt(np.mean(result.error**2))), unit)
    largest = int(np.argmax(result.amplitude))
    answer = [
        f"Error within the signal period {at_speed(result.speed, f'{unit}/s')}: {low} to {high}, {rms} rms.",
        f"Largest: harmonic {result.harmonic[largest]}, {show(result.amplitude[largest], unit)}, from "
        f"{_causes(result, int(result.harmonic[largest]), unit)}.",
    ]
    first = np.argsort(-result.amplitude, kind="stable")[: None if long else LINES]
    order = [i for i in first if result.amplitude[i] >= SMALLEST * result.amplitude.max() * (not long)]
    table = TextTable(
        [
            Column("harmonic", [str(result.harmonic[i]) for i in order]),
            measured("amplitude", result.amplitude[order], unit),
            Column("phase", [degrees(result.angle[i])[:-4] for i in order], "deg"),
            texts("causes", [_causes(result, int(result.harmonic[i]), unit) for i in order]),
        ]
    )
    return Report(answer, [table, *(Paragraph(line, indent="  ") for line in _faults(result.axis))], long)


def _causes(result: PeriodError, order: int, unit: str) -> str:
    """First-order causes of one harmonic, largest first."""
    sizes = {cause: lines[order] for cause, lines in result.first_order.items() if order in lines}
    causes = sorted(sizes, key=sizes.__getitem__, reverse=True)
    return ", ".join(f"{cause} {show(sizes[cause], unit)}" for cause in causes) or "higher order"


def _faults(axis: Axis) -> Iterator[str]:
    """Signal errors before the correction, and the part of them that it removes."""
    signal, removed = axis.signal, axis.interpolation.correction
    faults = []
    if any(signal.offset):
        cosine, sine = (100.0 * part for part in signal.offset)
        faults.append(f"offset cosine {cosine:.3g} %, sine {sine:.3g} % of the amplitude")
    if signal.gain:
        faults.append(f"amplitude mismatch {100.0 * signal.gain:+.3g} %")
    if signal.phase:
        faults.append(f"phase error {degrees(signal.phase)}")
    if len(signal.harmonics):
        sizes = (f"{order}: {100.0 * size:.3g} %" for order, size in signal.harmonics.items())
        faults.append(f"harmonic distortion {', '.join(sizes)}")
    if len(signal.sde):
        sizes = (f"harmonic {order} {show(size, axis.scale.unit)}" for order, (size, _) in signal.sde.items())
        faults.append(f"sde {', '.join(sizes)}")
    yield f"Signal errors: {'; '.join(faults) or 'none'}."
    if removed:
        yield f"The correction removes {100.0 * removed:.3g} % of offset, amplitude mismatch and phase error."


def limits(top: TopSpeed, *, long: bool = False) -> Report:
    """Report of the top speed with all limits, resolution and null speeds."""
    axis = top.axis
    unit = axis.scale.unit
    rows = sorted(top.limits.items(), key=lambda item: item[1])
    blocks: list[ReportPart] = []
    if rows:
        names = [limit_words(name) for name, _ in rows]
        blocks.append(
            TextTable([texts("limit", names), measured("speed", [v for _, v in rows], f"{unit}/s")])
        )
    blocks += [
        Paragraph(line, indent="  ")
        for line in [*_graduation(axis, top), *_aliasing(top), *_ring_lines(axis, top)]
    ]
    return Report(
        [top_speed(top), *_first_alias(top), _nulls(axis)], [*blocks, Notes(top.reasons, DOUBT)], long
    )


def _nulls(axis: Axis) -> str:
    """The speeds at which every sample meets the same phase of a harmonic."""
    from ..open_loop.closed_form import vanishing_speeds

    speeds = ", ".join(show(speed, f"{axis.scale.unit}/s") for speed in vanishing_speeds(axis)[:2])
    return f"Null speeds: {speeds}, ... (harmonic 1; of harmonic k also these divided by k)."


def _graduation(axis: Axis, top: TopSpeed) -> Iterator[str]:
    """Signal period, resolution, count rate."""
    unit, lines = axis.scale.unit, axis.scale.lines
    yield f"Signal period: {show(axis.scale.pitch, unit)}" + (
        f", {lines} per revolution." if lines is not None else "."
    )
    if axis.resolution:
        rate = ""
        if np.isfinite(top.speed) and top.speed > 0.0:
            rate = f"; {show(top.speed / axis.resolution, '1')} counts per second at the top speed"
        factor = axis.interpolation.factor
        yield f"Resolution: {show(axis.resolution, unit)} per count, {factor} counts per period{rate}."


def _first_alias(top: TopSpeed) -> Iterator[str]:
    """The lowest speed at which a harmonic is aliased."""
    if not top.aliasing:
        if not top.axis.estimator.linear:
            yield "Aliasing: none, since the estimator times edges."
        return
    harmonic = min(top.aliasing, key=top.aliasing.__getitem__)
    half = show(harmonic * top.aliasing[harmonic] / top.axis.scale.pitch, "Hz")
    begins = show(top.aliasing[harmonic], f"{top.axis.scale.unit}/s")
    yield f"Aliasing begins at {begins}, where harmonic {harmonic} passes {half}."


def _aliasing(top: TopSpeed) -> Iterator[str]:
    """Speeds at which the stronger harmonics pass half the loop rate."""
    if len(top.aliasing) > 1:
        unit = f"{top.axis.scale.unit}/s"
        speeds = ", ".join(f"{k} from {show(v, unit)} on" for k, v in top.aliasing.items())
        yield f"Harmonics aliased: {speeds}."


def _ring_lines(axis: Axis, top: TopSpeed) -> Iterator[str]:
    """How the mounting of the ring lowers the top speed, and the strongest orders of the ring there."""
    if axis.ring is None:
        return
    from ..open_loop.closed_form import lines

    finite = np.isfinite(top.speed) and top.speed > 0.0
    speed = top.speed if finite else axis.scale.pitch * axis.sampling.rate
    there = lines(axis, speed)
    rows = [index for index in np.argsort(-there.position) if there.order[index]][:3]
    rows = [index for index in rows if there.position[index] > SMALLEST * there.position[rows[0]]]
    listed = ", ".join(
        f"{run_text.cycles(there, i)} {show(there.position[i], axis.scale.unit)} at {show(there.frequency[i], 'Hz')}"
        for i in rows
    )
    faster = f"up to {show(top.hurry, '%')} faster than the shaft"
    yield f"Ring: at a head the graduation is {faster}; the limits include it."
    where = "at the top speed" if finite else "at one signal period per sample"
    yield f"Ring errors {where}: {listed or 'none'}."


def fit(
    result: Identification, scale: Scale | None = None, read: Sequence[str] = (), *, long: bool = False
) -> Report:
    """Report of a fit of two recorded channels, below what its file was taken for."""
    signal = result.signal
    taken = [f"Read as {read[0]}", *(f"{line[:1].upper()}{line[1:]}" for line in read[1:])] if read else []
    if not result.valid or signal is None:
        first = f"The fit is refused: {'; '.join(result.reasons[:1])}."
        blocks: list[ReportPart] = [Paragraph(f"{line}.") for line in taken[:3]]
        return Report(
            [toned(first, DOUBT)], [*blocks, Notes(result.reasons[1:], DOUBT), Notes(taken[3:])], long
        )
    rows = list(_fitted_faults(signal, result.uncertainty, scale))
    names, values, uncertainties, units = zip(*rows, strict=True)
    table = TextTable(
        [
            texts("fault", names),
            Column("value", [show(value, unit) for value, unit in zip(values, units, strict=True)]),
            Column(
                "uncertainty",
                [
                    beside(wide, value, unit)
                    for value, wide, unit in zip(values, uncertainties, units, strict=True)
                ],
            ),
            Column(
                "bound",
                [
                    beside(least, value, unit)
                    for (_, value, least, unit) in _fitted_faults(signal, result.bound, scale)
                ],
            ),
        ]
    )
    largest = sorted(
        ((name, value, unit) for name, value, _, unit in rows if name != "jitter"),
        key=lambda row: -abs(math.radians(row[1]) if row[2] == "deg" else row[1]),
    )
    named = ", ".join(f"{name} {show(value, unit)}" for name, value, unit in largest[:2])
    answer = [
        f"Largest errors of the channels: {named}.",
        *_as_error(signal, scale),
        f"Residual {100.0 * result.residual:.3g} % of the amplitude {show(result.amplitude, '1')}; {result.points} "
        f"points, {100.0 * result.coverage:.0f} % of the circle.",
    ]
    return Report(
        answer,
        [table, *(Paragraph(f"{line}.") for line in taken[:3]), Notes([*taken[3:], *result.remarks])],
        long,
    )


def _fitted_faults(
    signal: Signal, uncertainty: Mapping[str, Any], scale: Scale | None
) -> Iterator[tuple[str, float, float, str]]:
    """Faults of a fit: (name, value, standard uncertainty, unit)."""
    for part, name in enumerate(("offset cosine", "offset sine")):
        yield name, signal.offset[part], uncertainty["offset"][part], "%"
    yield "amplitude mismatch", signal.gain, uncertainty["gain"], "%"
    yield "phase error", np.degrees(signal.phase), np.degrees(uncertainty["phase"]), "deg"
    for order, size in signal.harmonics.items():
        yield f"harmonic {order}", size, uncertainty["harmonics"][order], "%"
    if "noise" in uncertainty:
        yield "noise", signal.noise, uncertainty["noise"], "%"
    if scale is not None and "jitter" in uncertainty:
        yield "jitter", signal.jitter, uncertainty["jitter"], scale.unit


def _as_error(signal: Signal, scale: Scale | None) -> Sequence[str]:
    """The position error that the fitted faults cause."""
    if scale is None:
        return []
    from ..model.axis import Axis, Sampling
    from ..open_loop.period_error import position_error

    error = position_error(Axis(scale, signal=signal, sampling=Sampling(1.0))).error
    low, high = show(error.min(), scale.unit), show(error.max(), scale.unit)
    return [f"Position error within the signal period of {show(scale.pitch, scale.unit)}: {low} to {high}."]
