"""Reports of an axis in steady motion as text: ripple, error of a signal period, simulation, limits, fitted faults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np

from ..open_loop.causes import CAUSES, REGIMES
from ..wording import aligned, beside, percent_number, share_text, show
from .text_parts import (
    CAUTION,
    at_speed,
    chosen_rows,
    doubt,
    joined_lines,
    marks,
    nearest_rows,
    notes,
    or_dash,
    speed_count,
)

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.scale_and_signal import Scale, Signal
    from ..open_loop.closed_form import Lines, RippleCurve
    from ..open_loop.limits import TopSpeed
    from ..open_loop.period_error import PeriodError
    from ..recordings.channel_fit import Identification
    from ..time_domain.simulation import Trace


# Harmonics listed at most; the least share of the largest that is listed.
LINES, SMALLEST = 8, 1e-3


class SimulatedPoints(TypedDict):
    """Values of simulated speeds as they stand in the JSON of `encsim ripple`."""

    speed: list[float]
    rms: list[float]
    peak: list[float]
    samples: int
    seed: int


def ripple(
    curve: RippleCurve,
    whole: RippleCurve,
    top: TopSpeed,
    simulated: SimulatedPoints | None = None,
    *,
    cautious: bool = True,
) -> str:
    """Report of a ripple curve: answer, doubt, table, simulated speeds, notes.

    ``whole`` is the same range with more speeds, which the answer is about, or the curve itself.
    """
    unit = curve.units["rms"]
    parts = [
        _answer(whole, _over(curve, whole, unit), unit),
        doubt(curve, unit),
        "\n",
        aligned(_columns(curve, chosen_rows(curve.rms, curve.relative), unit)),
    ]
    if simulated is not None:
        parts += ["\n", _beside(curve, simulated, unit)]
    return "".join([*parts, "\n", joined_lines(_notes(curve, top, unit)), CAUTION if cautious else ""])


def _over(curve: RippleCurve, whole: RippleCurve, unit: str) -> str:
    """The range of speeds that the answer is about."""
    if whole is not curve:
        return f"from {show(curve.speed[0], unit)} to {show(curve.speed[-1], unit)}"
    return f"of {speed_count(len(curve.speed))}"


def _answer(curve: RippleCurve, over: str, unit: str) -> str:
    """The largest ripple and the largest share of the speed, each with its speed and its largest cause."""
    if not np.isfinite(curve.rms).any():
        return "No ripple can be told at these speeds; the notes say why.\n"
    worst = int(np.nanargmax(curve.rms))
    if curve.rms[worst] == 0.0:
        return f"No velocity ripple {over}.\n"
    peak = curve.at([worst]).peak[0]
    sizes = f"{show(curve.rms[worst], unit)} rms, peak {beside(peak, curve.rms[worst], unit)}"
    lines = [f"Largest velocity ripple {over}: {sizes}, {_at(curve, worst, unit)}; {_why(curve, worst)}.\n"]
    relative = np.where(np.isfinite(curve.relative), curve.relative, -1.0)
    share = int(np.argmax(relative))
    if share != worst and relative[share] > 0.0:
        lines.append(f"Largest as a share of the speed: {percent_number(relative[share])} % rms at "
                     f"{show(abs(curve.speed[share]), unit)}; {_why(curve, share)}.\n")  # fmt: skip
    return "".join(lines)


def _at(curve: RippleCurve, index: int, unit: str) -> str:
    """``1.2 % of the speed, at 5 mm/s``, or at standstill."""
    if curve.speed[index] == 0.0:
        return "at standstill"
    return f"{percent_number(curve.relative[index])} % of the speed, at {show(abs(curve.speed[index]), unit)}"


def _why(curve: RippleCurve, index: int) -> str:
    """Regime and largest cause at one speed."""
    shares = _shares(curve, index)
    cause = max(shares, key=shares.__getitem__, default=None)
    regime = str(curve.regime[index])
    return f"regime {regime}{REGIMES[regime].note}" + (
        f", {CAUSES[cause].note} makes {share_text(shares[cause])} % of the mean square" if cause else ""
    )


def _shares(curve: RippleCurve, index: int) -> dict[str, float]:
    """Share of each cause in the mean square at one speed."""
    square = float(curve.rms[index]) ** 2
    return (
        {cause: float(part[index]) ** 2 / square for cause, part in curve.parts.items()}
        if square > 0.0
        else {}
    )


def _columns(curve: RippleCurve, rows: list[int], unit: str) -> dict[str, list[str]]:
    """Table of the chosen speeds, text by column."""
    mark, shown = marks(curve), curve.at(rows)
    unsure = _unsure(shown)
    columns = {
        "speed": [show(curve.speed[i], unit) for i in rows],
        "rms": [show(curve.rms[i], unit) + mark[i] for i in rows],
        "peak": [beside(shown.peak[k], shown.rms[k], unit) + unsure[k] for k in range(len(rows))],
        "% of speed": [percent_number(curve.relative[i]) if curve.speed[i] else "-" for i in rows],
        "regime": [str(curve.regime[i]) for i in rows],
        "line": [or_dash(curve.frequency[i], "Hz") for i in rows],
        "seen at": [or_dash(curve.alias[i], "Hz") for i in rows],
    }
    shares = [_shares(curve, i) for i in rows]
    return columns | {
        f"{cause} %": [share_text(share.get(cause, 0.0)) for share in shares] for cause in curve.parts
    }


def _unsure(curve: RippleCurve) -> list[str]:
    """A question mark behind each peak that is not known well, blanks behind the others if there is one."""
    blank = "" if curve.peak_reliable.all() else "  "
    return [blank if sure else " ?" for sure in curve.peak_reliable]


def _beside(curve: RippleCurve, simulated: SimulatedPoints, unit: str) -> str:
    """Simulated values beside the predicted ones."""
    places = nearest_rows(curve.speed, simulated["speed"])
    pairs = list(zip(places, simulated["rms"], strict=True))
    table = aligned(
        {
            "speed": [show(speed, unit) for speed in simulated["speed"]],
            "rms predicted": [show(curve.rms[i], unit) for i in places],
            "simulated": [beside(rms, curve.rms[i], unit) for i, rms in pairs],
            "differ by %": [
                f"{100.0 * (rms / curve.rms[i] - 1.0):+.2f}" if curve.rms[i] > 0.0 else "-"
                for i, rms in pairs
            ],
            "peak predicted": [show(curve.peak[i], unit) for i in places],
            "simulated peak": [
                beside(p, curve.peak[i], unit) for i, p in zip(places, simulated["peak"], strict=True)
            ],
        }
    )
    return f"Simulated: {simulated['samples']} samples a speed, seed {simulated['seed']}\n{table}"


def _notes(curve: RippleCurve, top: TopSpeed, unit: str) -> Iterator[str]:
    """Lines below the table."""
    yield "Parts are shares of the mean square and add up to 100 %. Line: frequency of the strongest line of"
    yield "the cyclic error; seen at: the frequency at which the controller sees it."
    if curve.method == "step":
        yield "Method: lines and the step form (counts and converter are not computed exactly)."
    if len(curve.vanishing):
        listed = "; ".join(f"{show(speed, unit)} (line {', '.join(map(str, orders))})"
                           for speed, orders in list(curve.vanishing)[:6])  # fmt: skip
        yield f"Lines vanish at: {listed}{'; ...' if len(curve.vanishing) > 6 else ''}"
    yield top_speed(top)
    yield from (f"Note: {reason}" for reason in curve.reasons)


def top_speed(top: TopSpeed) -> str:
    """The top speed and its limit in one line."""
    if not np.isfinite(top.speed):
        return "Top speed: nothing in the file limits it."
    if top.speed == 0.0:
        return f"Top speed: none, {top.limit} holds at standstill already."
    return f"Top speed: {show(top.speed, top.units['speed'])}, set by {top.limit}."


def period(result: PeriodError) -> str:
    """Report of the error over a signal period: size, harmonics with their causes, signal faults."""
    unit = result.units["error"]
    if not result.valid:
        return joined_lines(f"Not a position: {reason}" for reason in result.reasons)
    if not len(result.harmonic):
        return "The encoder makes no error within a signal period.\n"
    low, high = show(result.error.min(), unit), show(result.error.max(), unit)
    rms = show(float(np.sqrt(np.mean(result.error**2))), unit)
    text = (
        f"Within a signal period the shown position is off by {low} to {high} about its mean, {rms} rms, "
        f"{at_speed(result.speed, f'{unit}/s')}.\n\n"
    )
    largest = np.argsort(-result.amplitude, kind="stable")[:LINES]
    order = [i for i in largest if result.amplitude[i] >= SMALLEST * result.amplitude.max()]
    table = aligned(
        {
            "a period": [str(result.harmonic[i]) for i in order],
            "amplitude": [show(result.amplitude[i], unit) for i in order],
            "angle": [show(result.angle[i], "rad") for i in order],
            "from": [_causes(result, int(result.harmonic[i]), unit) for i in order],
        }
    )
    return f"{text}{table}\n{_faults(result.axis)}"


def _causes(result: PeriodError, order: int, unit: str) -> str:
    """First-order causes of one harmonic, largest first."""
    sizes = {cause: lines[order] for cause, lines in result.first_order.items() if order in lines}
    causes = sorted(sizes, key=sizes.__getitem__, reverse=True)
    return ", ".join(f"{cause} {show(sizes[cause], unit)}" for cause in causes) or "higher order"


def _faults(axis: Axis) -> str:
    """Signal faults before conditioning, and the part of them that conditioning removes."""
    signal, removed = axis.signal, axis.interpolation.correction
    faults = []
    if any(signal.offset):
        cosine, sine = (100.0 * part for part in signal.offset)
        faults.append(f"offset: cosine {cosine:.3g} %, sine {sine:.3g} % of unit amplitude")
    if signal.gain:
        faults.append(f"gain: sine channel {100.0 * signal.gain:+.3g} %")
    if signal.phase:
        faults.append(f"phase: sine channel {show(signal.phase, 'rad')} off a quarter period")
    if len(signal.harmonics):
        sizes = (f"{order}: {100.0 * size:.3g} %" for order, size in signal.harmonics.items())
        faults.append(f"harmonics: {'; '.join(sizes)}")
    if len(signal.sde):
        sizes = (
            f"{order} a period: {show(size, axis.scale.unit)}" for order, (size, _) in signal.sde.items()
        )
        faults.append(f"given error: {'; '.join(sizes)}")
    lines = [f"  {fault}" for fault in faults or ["none"]]
    if removed:
        lines.append(f"  conditioning removes {100.0 * removed:.3g} % of offset, gain and phase")
    return joined_lines(["Signal faults:", *lines])


def run(trace: Trace, lines: Lines, *, cautious: bool = True) -> str:
    """Report of one simulated run."""
    unit = trace.units["velocity"]
    settled = trace.velocity[trace.settle :]
    mean = float(settled.mean())
    share = f", {percent_number(trace.rms / abs(trace.speed))} % of the speed" if trace.speed else ""
    head = (
        f"{len(trace.velocity)} samples {at_speed(trace.speed, unit)}, seed {trace.seed}: "
        f"velocity ripple {show(trace.rms, unit)} rms{share}, peak {beside(trace.peak, trace.rms, unit)}, "
        f"mean velocity {show(mean, unit)}.\n"
    )
    if trace.settle:
        head += f"The first {trace.settle} samples are left out: the estimator settles.\n"
    return f"{head}{_lines(lines, unit)}{notes(trace.reasons)}{CAUTION if cautious else ''}"


def cycles(lines: Lines, index: int) -> str:
    """Order of a line: per signal period, or per revolution of the ring."""
    order = lines.order[index]
    return f"{order} a turn" if order else f"{int(lines.harmonic[index])} a period"


def _lines(lines: Lines, unit: str) -> str:
    """Lines expected at that speed, strongest first."""
    if not len(lines.harmonic):
        return "No cyclic line is expected.\n"
    rows = range(min(len(lines.harmonic), LINES))
    table = aligned(
        {
            "line": [cycles(lines, i) for i in rows],
            "frequency": [show(lines.frequency[i], "Hz") for i in rows],
            "seen at": [show(lines.alias[i], "Hz") for i in rows],
            "position": [show(lines.position[i], unit[:-2]) for i in rows],
            "velocity": [show(lines.velocity[i], unit) for i in rows],
        }
    )
    return f"\nLines expected (amplitude):\n{table}\n"


def limits(axis: Axis, top: TopSpeed) -> str:
    """Report of the top speed with all limits, resolution and null speeds."""
    from ..open_loop.closed_form import vanishing_speeds

    unit = axis.scale.unit
    rows = sorted(top.limits.items(), key=lambda item: item[1])
    text = f"{top_speed(top)}\n"
    if rows:
        table = aligned(
            {"limit": [name for name, _ in rows], "speed": [show(v, f"{unit}/s") for _, v in rows]}
        )
        text += f"\n{table}\n"
    text += f"Signal period: {show(axis.scale.pitch, unit)}"
    text += f", {axis.scale.lines} a turn\n" if axis.scale.lines is not None else "\n"
    if axis.resolution:
        text += f"Resolution: {show(axis.resolution, unit)} a count, {axis.interpolation.factor} a period\n"
        if np.isfinite(top.speed) and top.speed > 0.0:
            text += f"At the top speed: {show(top.speed / axis.resolution, '1')} counts a second\n"
    text += _ring_lines(axis, top)
    speeds = ", ".join(show(speed, f"{unit}/s") for speed in vanishing_speeds(axis))
    text += f"A line once a period vanishes at: {speeds}; line k also at 1/k of these\n"
    return text + notes(top.reasons)


def _ring_lines(axis: Axis, top: TopSpeed) -> str:
    """How the mounting of the ring lowers the top speed, and the strongest lines of the ring there."""
    if axis.ring is None:
        return ""
    from ..open_loop.closed_form import lines

    finite = np.isfinite(top.speed) and top.speed > 0.0
    speed = top.speed if finite else axis.scale.pitch * axis.sampling.rate
    there = lines(axis, speed)
    rows = [index for index in np.argsort(-there.position) if there.order[index]][:3]
    rows = [index for index in rows if there.position[index] > SMALLEST * there.position[rows[0]]]
    listed = ", ".join(
        f"{cycles(there, i)} {show(there.position[i], axis.scale.unit)} at {show(there.frequency[i], 'Hz')}"
        for i in rows
    )
    head = f"Ring: its graduation passes a head up to {show(top.hurry, '%')} faster than the shaft turns"
    where = "at the top speed" if finite else "at one signal period a sample"
    return f"{head}, which the limits allow for\n{f'Its lines {where}: {listed}' if listed else 'It has no lines'}\n"


def fit(result: Identification, scale: Scale | None) -> str:
    """Report of a fit of two recorded channels."""
    signal = result.signal
    if not result.valid or signal is None:
        return joined_lines(f"Refused: {reason}" for reason in result.reasons)
    rows = list(_fitted_faults(signal, result.uncertainty, scale))
    table = aligned(
        {
            "fault": [name for name, *_ in rows],
            "value": [show(value, unit) for _, value, _, unit in rows],
            "uncertainty": [beside(uncertainty, value, unit) for _, value, uncertainty, unit in rows],
        }
    )
    head = (
        f"{result.points} points, {100.0 * result.coverage:.0f} % of the circle seen, "
        f"residual {100.0 * result.residual:.3g} % rms of the radius, "
        f"amplitude {show(result.amplitude, '1')} input units.\n"
    )
    return f"{head}\n{table}{_as_error(signal, scale)}{notes(result.remarks)}"


def _fitted_faults(
    signal: Signal, uncertainty: Mapping[str, Any], scale: Scale | None
) -> Iterator[tuple[str, float, float, str]]:
    """Faults of a fit: (name, value, standard uncertainty, unit)."""
    for part, name in enumerate(("offset cosine", "offset sine")):
        yield name, signal.offset[part], uncertainty["offset"][part], "%"
    yield "gain", signal.gain, uncertainty["gain"], "%"
    yield "phase", signal.phase, uncertainty["phase"], "rad"
    for order, size in signal.harmonics.items():
        yield f"harmonic {order}", size, uncertainty["harmonics"][order], "%"
    if "noise" in uncertainty:
        yield "noise", signal.noise, uncertainty["noise"], "%"
    if scale is not None and "jitter" in uncertainty:
        yield "jitter", signal.jitter, uncertainty["jitter"], scale.unit


def _as_error(signal: Signal, scale: Scale | None) -> str:
    """The position error that the fitted faults cause."""
    if scale is None:
        return "\n"
    from ..model.axis import Axis, Sampling
    from ..open_loop.period_error import position_error

    error = position_error(Axis(scale, signal=signal, sampling=Sampling(1.0))).error
    low, high = show(error.min(), scale.unit), show(error.max(), scale.unit)
    period = show(scale.pitch, scale.unit)
    return f"\nWithin a signal period of {period} they make {low} to {high} of position error.\n"
