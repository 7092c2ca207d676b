"""Runs of the closed loop and responses to steps and ramps as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple, TypedDict

import numpy as np

from ..closed_loop.time_responses import StepResponse
from ..doubts import named
from ..open_loop.limits import top_speed
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
from ..wording import beside, force, number, percent_number, show
from .text_parts import at_speed, caution, nearest_rows

if TYPE_CHECKING:
    from ..closed_loop.time_responses import RampResponse
    from ..model.profiles import Profile
    from ..open_loop.closed_form import Lines, RippleCurve
    from ..open_loop.start_phase import WorstStart
    from ..time_domain.closed_run_result import Run
    from ..time_domain.simulation import Trace


# Harmonics listed at most; the least share of the largest that is listed.
LINES, SMALLEST_LINE = 8, 1e-3
# A following error has settled once it stays within this share of its largest value.
SETTLED = 0.02
# A remaining deviation below this share of the largest value is rounding.
ROUNDING = 1e-9
# Samples of a response that are listed; values below this share of the largest are shown as 0.
ROWS, SMALLEST = 8, 1e-3
LINEAR = (
    "Linear response, without quantisation, encoder errors, dry friction, cogging and limits: see encsim run."
)


class Move(NamedTuple):
    """A move as the user typed it, and its profile."""

    text: str
    profile: Profile


class SimulatedPoints(TypedDict):
    """Values of simulated speeds as they stand in the JSON of `encsim ripple`."""

    speed: list[float]
    rms: list[float]
    peak: list[float]
    samples: int
    seed: int


def beside_simulated(curve: RippleCurve, simulated: SimulatedPoints) -> TextTable:
    """Simulated values beside the predicted ones."""
    places, unit = nearest_rows(curve.speed, simulated["speed"]), curve.units["rms"]
    predicted, rms = curve.rms[places], np.asarray(simulated["rms"])
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.where(predicted > 0.0, 100.0 * (rms / predicted - 1.0), np.nan)
    return TextTable(
        [
            measured("speed", simulated["speed"], unit),
            measured("rms", predicted, unit),
            measured("rms simulated", rms, unit),
            Column("difference", ["-" if np.isnan(each) else f"{each:+.2f}" for each in off], "%"),
            measured("peak", curve.peak[places], unit),
            measured("peak simulated", simulated["peak"], unit),
        ],
        f"Simulated: {simulated['samples']} samples per speed, seed {simulated['seed']}",
    )


def cycles(lines: Lines, index: int) -> str:
    """Order of a harmonic: per signal period, or per revolution of the ring."""
    order = lines.order[index]
    return f"{order} per revolution" if order else f"{int(lines.harmonic[index])} per period"


def trace(result: Trace, *, long: bool = False, cautious: bool = True) -> Report:
    """Report of one simulated run."""
    unit = result.units["velocity"]
    settled = result.velocity[result.settle :]
    share = f" ({percent_number(result.rms / abs(result.speed))} %)" if result.speed else ""
    answer = [
        f"Velocity ripple {at_speed(result.speed, unit)}: {show(result.rms, unit)} rms{share}, "
        f"peak {beside(result.peak, result.rms, unit)}.",
        f"Mean velocity {show(float(settled.mean()), unit)}; {len(result.velocity)} samples, seed {result.seed}.",
    ]
    if result.settle:
        answer.append(f"The first {result.settle} samples are left out: the estimator settles.")
    shown = _lines(result.expected_lines, unit, long)
    return Report(answer, [*shown, Notes(result.reasons, DOUBT), *caution(cautious)], long)


def harmonics(result: Lines, *, long: bool = False) -> Report:
    """Report of the harmonics of the error at one speed."""
    unit = result.units["velocity"]
    where = at_speed(result.speed, unit)
    answer = [f"No cyclic error {where}."]
    if len(result.harmonic):
        alias, frequency = result.alias[0], result.frequency[0]
        aliased = (
            f" (aliased from {show(frequency, 'Hz')})" if abs(alias - frequency) > 1e-6 * frequency else ""
        )
        answer = [
            f"Largest harmonic of the velocity {where}: {cycles(result, 0)}, amplitude "
            f"{show(result.velocity[0], unit)}, at {show(alias, 'Hz')}{aliased}."
        ]
    table = _lines(result, unit, long) if len(result.harmonic) else []
    return Report(answer, [*table, Notes(result.reasons, DOUBT)], long)


def starts(result: WorstStart, *, long: bool = False) -> Report:
    """Report of the cyclic ripple by start position."""
    unit = result.units["rms"]
    least, mean = (beside(value, result.rms, unit) for value in (result.least, result.mean))
    beat = (
        "however long the run"
        if math.isinf(result.beat)
        else f"in runs much shorter than {number(result.beat)} samples"
    )
    answer = [
        f"Cyclic ripple {at_speed(result.speed, unit)}: {show(result.rms, unit)} rms from the worst start position "
        f"({show(result.start, unit[:-2])} into the period), {least} from the best, {beat}.",
        f"Mean over all starts: {mean}.",
    ]
    return Report(answer, [Notes(result.reasons, DOUBT)], long)


def _lines(lines: Lines, unit: str, long: bool) -> list[ReportPart]:
    """Harmonics expected at that speed, strongest first."""
    if not len(lines.harmonic):
        return [Paragraph("No cyclic error is expected.")]
    least = 0.0 if long else SMALLEST_LINE * lines.velocity[0]
    rows = [
        i for i in range(min(len(lines.harmonic), 4 * LINES if long else LINES)) if lines.velocity[i] >= least
    ]
    return [
        TextTable(
            [
                texts("harmonic", [cycles(lines, i) for i in rows]),
                measured("velocity", lines.velocity[rows], unit),
                measured("frequency", lines.frequency[rows], "Hz"),
                measured("aliased frequency", lines.alias[rows], "Hz"),
                measured("position", lines.position[rows], unit[:-2]),
            ],
            "Expected harmonics of the error (amplitudes):",
        )
    ]


def run(
    result: Run, move: Move | None = None, *, cautions: Sequence[str] | None = None, long: bool = False
) -> Report:
    """Report of one run; ``move`` is what was asked for instead of a speed."""
    lines = _steady(result) if move is None else _moved(result, move)
    warnings = beyond(result)
    # The warning says the same in the units of the report.
    said = "run_above_top_speed" if warnings else ""
    other = [reason for reason in result.reasons if not named([reason], said)]
    return Report(
        [*(toned(f"WARNING: {line}", LIMIT) for line in warnings), *lines],
        [TextTable(_columns(result, move)), Notes(other, DOUBT), *_all_cautions(cautions)],
        long,
    )


def _all_cautions(cautions: Sequence[str] | None) -> list[ReportPart]:
    """The cautions of a loop, those of every loop where none are given."""
    from ..model.load_and_control import CAUTIONS

    given = CAUTIONS if cautions is None else cautions
    return caution(bool(given), given)


def beyond(result: Run) -> list[str]:
    """The warning about a run above the top speed; empty below it."""
    if not named(result.reasons, "run_above_top_speed"):
        return []
    top, unit = top_speed(result.axis), result.units["velocity"]
    fastest = show(float(np.abs(result.demand).max()), unit)
    return [
        f"{fastest} is above the top speed of {show(top.speed, unit)}, limited by {top.limit}: the position is not "
        "reliable there, and a drive that follows it can accelerate an axis to overspeed."
    ]


def _length(result: Run) -> str:
    return f"{show(result.time[-1] - result.time[0], 's')}, seed {result.seed}"


def _mover(result: Run) -> str:
    return "load" if result.axis.load is not None and result.axis.load.flexible else "axis"


def _steady(result: Run) -> Iterator[str]:
    """Measured and actual ripple of a steady motion."""
    unit = result.units["velocity"]
    if result.stopped is None:
        read, true = (show(result.rms[name], unit) for name in ("measured", "actual"))
        torque = show(result.rms["torque"], result.units["torque"])
        where = at_speed(result.speed, unit)
        yield (
            f"Velocity ripple {where}: measured {read} rms, actual ({_mover(result)}) {true}, "
            f"{force(result.axis)} {torque}."
        )
    yield from _faults(result)
    settling = ""
    if result.settle:
        settling = (
            f"; the first {show(result.settle / result.axis.sampling.rate, 's')} are left out (settling)"
        )
    yield f"Run of {_length(result)}{settling}."


def _moved(result: Run, move: Move) -> Iterator[str]:
    """The largest following error of a move, and when it has settled."""
    unit, error = result.axis.scale.unit, np.abs(result.following_error)
    worst = int(error.argmax())
    yield (
        f"Largest following error of the {_mover(result)}: {show(error[worst], unit)} at "
        f"{show(result.time[worst], 's')}."
    )
    yield from _faults(result)
    end = move.profile.duration
    if result.stopped is None and end <= result.time[-1]:
        yield _settling(result, error, end)
    yield f"Profile {move.text}; run of {_length(result)}."


def _settling(result: Run, error: np.ndarray, end: float) -> str:
    """When the following error has settled, counted from the end of the move."""
    outside = np.flatnonzero(error > SETTLED * error.max())
    share, unit = f"{100.0 * SETTLED:g}", result.axis.scale.unit
    if outside[-1] == len(error) - 1:
        return f"It does not settle within {share} % of that; {show(error[-1], unit)} at the end of the run."
    after = result.time[outside[-1] + 1] - end
    when = f"{show(after, 's')} after" if after > 0.0 else "before"
    return f"It settles within {share} % of that {when} the end of the move at {show(end, 's')}."


def _faults(result: Run) -> Iterator[str]:
    """What stopped the run, and how long the force limit and dry friction held the axis."""
    if result.stopped is not None:
        time, why = result.stopped
        yield f"STOPPED at {show(time, 's')}: {why}."
    limit = math.inf
    if result.axis.control is not None and result.axis.control.torque_limit is not None:
        limit = result.axis.control.torque_limit
    limited = float(np.mean(np.abs(result.torque) >= limit))
    if limited > 0.0:
        most = show(limit, result.units["torque"])
        yield f"The {force(result.axis)} is at its limit of {most} for {percent_number(limited)} % of the time."
    if result.sticking > 0.0:
        share = percent_number(result.sticking)
        yield f"The {_mover(result)} sticks in dry friction for {share} % of the time."


def _columns(result: Run, move: Move | None) -> list[Column]:
    """Standard deviation (rms about the mean), mean, least and largest value of each curve."""
    names: list[str] = []
    figures: list[list[str]] = []
    for name, values, si in _curves(result, move):
        settled = values[result.settle :]
        row = measured(name, [settled.std(), settled.min(), settled.max(), settled.mean()], si)
        names.append(name)
        figures.append([*row.cells, row.unit])
    heads = ("rms", "minimum", "maximum", "mean")
    *columns, units = zip(*figures, strict=True)
    return [
        texts("", names),
        texts("unit", units),
        *(Column(head, column) for head, column in zip(heads, columns, strict=True)),
    ]


def _curves(result: Run, move: Move | None) -> Iterator[tuple[str, np.ndarray, str]]:
    """Name, values and unit of each row of the table."""
    velocity = result.units["velocity"]
    if move is None:
        yield "measured velocity", result.measured, velocity
        yield "actual velocity", result.velocity, velocity
    else:
        yield "measured minus demanded velocity", result.measured - result.demand, velocity
        yield "actual minus demanded velocity", result.velocity - result.demand, velocity
    yield "following error", result.following_error, result.units["following_error"]
    yield force(result.axis), result.torque, result.units["torque"]
    load = result.axis.load
    if load is not None and load.torque_constant is not None:
        yield "current", result.torque / load.torque_constant, "A"


def answer(
    result: RampResponse | StepResponse, *, cautions: Sequence[str] | None = None, long: bool = False
) -> Report:
    """Report of the response to a step or a ramp."""
    blocks: list[ReportPart] = [
        TextTable(_samples(result, len(result.time) if long else ROWS)),
        Paragraph(LINEAR),
        Notes(result.reasons, DOUBT),
        *_all_cautions(cautions),
    ]
    return Report([*_response(result), *_about(result)], blocks, long)


def _response(result: RampResponse | StepResponse) -> Iterator[str]:
    """Sentences about the response."""
    if not isinstance(result, StepResponse):
        return _ramp(result)
    return _load_step(result) if result.of == "load" else _step(result)


def _about(result: RampResponse | StepResponse) -> Iterator[str]:
    """With timed edges, the steady motion that the response adds to."""
    if not result.axis.estimator.linear:
        speed = show(abs(result.speed), result.units["velocity"])
        yield f"Around a steady {speed}: period measurement has a longer delay at lower speed."


def _step(result: StepResponse) -> Iterator[str]:
    """Rise time, overshoot and settling time of a step of the demand."""
    unit = result.units["size"]
    what = "demanded position" if result.of == "position" else "velocity command, position loop open,"
    yield f"Step of the {what} by {show(result.size, unit)}: {_takes(result)}"
    if math.isnan(result.final):
        return
    rise = "Rise time: longer than the response"
    if not math.isnan(result.rise_time):
        rise = f"Rise time (10 to 90 %) {show(result.rise_time, 's')}"
    over = f"overshoot {percent_number(result.overshoot)} %" if result.overshoot else "no overshoot"
    yield f"{rise}, {over}, {_settled(result)}."
    if abs(result.final - result.size) > ROUNDING * abs(result.size):
        yield f"Final value {show(result.final, unit)}: no integral part compensates the friction."


def _settled(result: RampResponse | StepResponse) -> str:
    if math.isnan(result.settling_time):
        return f"settling time (2 %) above {show(result.time[-1], 's')}"
    return f"settling time (2 %) {show(result.settling_time, 's')}"


def _takes(result: RampResponse | StepResponse) -> str:
    return f"peak {force(result.axis)} {show(result.largest_torque, result.units['largest_torque'])}."


def _load_step(result: StepResponse) -> Iterator[str]:
    """Deviation under a step of the load force."""
    size = show(result.size, result.units["size"])
    yield f"Load step of {size}: {_takes(result)}"
    if not math.isnan(result.final):
        yield f"Deviation of the load: {_deviation(result, result.largest, result.final)}."


def _ramp(result: RampResponse) -> Iterator[str]:
    """Following error of a ramp of the demand."""
    rate = show(result.rate, result.units["rate"])
    where = "from rest" if result.axis.estimator.linear else "more"
    yield f"Ramp of the demanded position at {rate} {where}: {_takes(result)}"
    if not math.isnan(result.following_error):
        yield f"Following error: {_deviation(result, result.largest_error, result.following_error)}."


def _deviation(result: RampResponse | StepResponse, largest: float, final: float) -> str:
    """Largest deviation, final deviation, settling time."""
    unit = result.axis.scale.unit
    rest = show(abs(final), unit) if abs(final) > ROUNDING * abs(largest) else "0"
    return f"largest {show(abs(largest), unit)}, final {rest}, {_settled(result)}"


def _samples(result: RampResponse | StepResponse, most: int) -> list[Column]:
    """Some samples as a table."""
    count = len(result.time)
    rows = sorted({round(i * (count - 1) / (min(most, 200) - 1)) for i in range(min(most, 200))})
    names = {"position": "position", "velocity": "velocity", "torque": force(result.axis)}
    if not isinstance(result, StepResponse):
        names = {"error": "following error"} | names
    columns = [measured("time", result.time[rows], "s")]
    for name, head in names.items():
        values = getattr(result, name)
        largest = float(np.abs(values).max())
        shown = np.where(np.abs(values) < SMALLEST * largest, 0.0, values)
        columns.append(measured(head, shown[rows], result.units[name], largest=largest))
    return columns
