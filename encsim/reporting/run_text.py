"""Runs of the closed loop and responses to steps and ramps as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple, TypedDict

import numpy as np

from ..closed_loop.time_responses import StepResponse
from ..doubts import named
from ..layout import DOUBT, Column, Notes, Paragraph, Report, ReportPart, TextTable, measured, texts
from ..open_loop.limits import top_speed
from ..wording import aligned, beside, force, percent_number, show
from .text_parts import at_speed, caution, cautions_text, joined_lines, nearest_rows, notes

if TYPE_CHECKING:
    from ..closed_loop.time_responses import RampResponse
    from ..model.profiles import Profile
    from ..open_loop.closed_form import Lines, RippleCurve
    from ..time_domain.closed_run_result import Run
    from ..time_domain.simulation import Trace


# Harmonics listed at most; the least share of the largest that is listed.
LINES, SMALLEST_LINE = 8, 1e-3
# A following error has settled once it stays within this share of its largest value.
SETTLED = 0.02
# A remaining deviation below this share of the largest value is rounding.
ROUNDING = 1e-9
# Samples of a response that are listed; values below this share of the largest are shown as 0.
ROWS, SMALLEST = 16, 1e-3
LINEAR = (
    "Linear: counts, encoder errors, dry friction, cogging and limits are not in this answer;\n"
    "encsim run has them.\n"
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
    share = f", {percent_number(result.rms / abs(result.speed))} % of the speed" if result.speed else ""
    answer = [
        f"Velocity ripple {at_speed(result.speed, unit)}: {show(result.rms, unit)} rms{share}, "
        f"peak {beside(result.peak, result.rms, unit)}.",
        f"Mean velocity {show(float(settled.mean()), unit)}; {len(result.velocity)} samples, seed {result.seed}.",
    ]
    if result.settle:
        answer.append(f"The first {result.settle} samples are left out: the estimator settles.")
    shown = _lines(result.expected_lines, unit, long)
    return Report(answer, [*shown, Notes(result.reasons, DOUBT), *caution(cautious)], long)


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


def run(result: Run, move: Move | None = None, *, cautions: Iterable[str] = ()) -> str:
    """Report of one run; ``move`` is what was asked for instead of a speed."""
    lines = _steady(result) if move is None else _moved(result, move)
    warnings = beyond(result)
    # The warning says the same in the units of the report.
    said = "run_above_top_speed" if warnings else ""
    other = [reason for reason in result.reasons if not named([reason], said)]
    parts = [
        joined_lines(f"WARNING: {line}" for line in warnings) + joined_lines(lines),
        aligned(_columns(result, move)),
        notes(other) + cautions_text(cautions),
    ]
    return "\n".join(parts)


def beyond(result: Run) -> list[str]:
    """The warning about a run above the top speed; empty below it."""
    if not named(result.reasons, "run_above_top_speed"):
        return []
    top, unit = top_speed(result.axis), result.units["velocity"]
    fastest = show(float(np.abs(result.demand).max()), unit)
    return [
        f"{fastest} is above the top speed of {show(top.speed, unit)}, set by {top.limit}: the position shown cannot "
        "be trusted there, and a drive that follows it can run an axis up to overspeed."
    ]


def _length(result: Run) -> str:
    return f"{show(result.time[-1] - result.time[0], 's')} with seed {result.seed}"


def _mover(result: Run) -> str:
    return "load" if result.axis.load is not None and result.axis.load.flexible else "axis"


def _steady(result: Run) -> Iterator[str]:
    """Measured and actual ripple of a steady motion."""
    unit = result.units["velocity"]
    if result.stopped is None:
        measured, true = (show(result.rms[name], unit) for name in ("measured", "actual"))
        torque = show(result.rms["torque"], result.units["torque"])
        where = at_speed(result.speed, unit)
        yield (
            f"{_length(result)} {where}: the drive measures {measured} rms of ripple, the {_mover(result)} makes "
            f"{true}, the {force(result.axis)} ripples by {torque}."
        )
    yield from _faults(result)
    if result.settle:
        first = show(result.settle / result.axis.sampling.rate, "s")
        yield f"The first {first} are left out of these values, for the loop to settle."


def _moved(result: Run, move: Move) -> Iterator[str]:
    """The largest following error of a move, and when it has settled."""
    unit, error = result.axis.scale.unit, np.abs(result.following_error)
    worst = int(error.argmax())
    yield (
        f"{move.text}, {_length(result)}: the {_mover(result)} is off its demand by up to "
        f"{show(error[worst], unit)}, at {show(result.time[worst], 's')}."
    )
    yield from _faults(result)
    end = move.profile.duration
    if result.stopped is None and end <= result.time[-1]:
        yield _settling(result, error, end)


def _settling(result: Run, error: np.ndarray, end: float) -> str:
    """When the following error has settled, counted from the end of the move."""
    outside = np.flatnonzero(error > SETTLED * error.max())
    share, unit = f"{100.0 * SETTLED:g}", result.axis.scale.unit
    if outside[-1] == len(error) - 1:
        return f"At the end of the run it is off by {show(error[-1], unit)}; it is not back within {share} % of that."
    after = result.time[outside[-1] + 1] - end
    when = f"{show(after, 's')} after" if after > 0.0 else "before"
    return f"It is back within {share} % of that {when} the end of the move at {show(end, 's')}."


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
        yield f"Dry friction holds the {_mover(result)} where it should move, {share} % of the time."


def _columns(result: Run, move: Move | None) -> dict[str, list[str]]:
    """Standard deviation (rms about the mean), mean, least and largest value of each curve."""
    columns: dict[str, list[str]] = {"": [], "rms": [], "mean": [], "least": [], "largest": []}
    for name, values, unit in _curves(result, move):
        settled = values[result.settle :]
        figures = settled.std(), settled.mean(), settled.min(), settled.max()
        cells = [name, *(show(float(figure), unit) for figure in figures)]
        for column, cell in zip(columns.values(), cells, strict=True):
            column.append(cell)
    return columns


def _curves(result: Run, move: Move | None) -> Iterator[tuple[str, np.ndarray, str]]:
    """Name, values and unit of each row of the table."""
    velocity = result.units["velocity"]
    if move is None:
        yield "measured velocity", result.measured, velocity
        yield "true velocity", result.velocity, velocity
    else:
        yield "measured less demanded velocity", result.measured - result.demand, velocity
        yield "true less demanded velocity", result.velocity - result.demand, velocity
    yield "following error", result.following_error, result.units["following_error"]
    yield force(result.axis), result.torque, result.units["torque"]
    load = result.axis.load
    if load is not None and load.torque_constant is not None:
        yield "current", result.torque / load.torque_constant, "A"


def answer(result: RampResponse | StepResponse, *, cautions: Iterable[str] = ()) -> str:
    """Report of the response to a step or a ramp."""
    lines = [*_response(result), *_about(result)]
    table = aligned(_samples(result))
    return f"{joined_lines(lines)}\n{table}\n{LINEAR}{notes(result.reasons)}{cautions_text(cautions)}"


def _response(result: RampResponse | StepResponse) -> Iterator[str]:
    """Sentences about the response."""
    if not isinstance(result, StepResponse):
        return _ramp(result)
    return _load_step(result) if result.of == "load" else _step(result)


def _about(result: RampResponse | StepResponse) -> Iterator[str]:
    """With timed edges, the steady motion that the response adds to."""
    if not result.axis.estimator.linear:
        speed = show(abs(result.speed), result.units["velocity"])
        yield f"All of it beside a steady {speed}, at which the edges are timed; slower they are older."


def _step(result: StepResponse) -> Iterator[str]:
    """Rise time, overshoot and settling time of a step of the demand."""
    unit = result.units["size"]
    what = "demanded position" if result.of == "position" else "velocity command, position loop open,"
    yield f"Step of the {what} by {show(result.size, unit)}; it {_takes(result)}"
    if math.isnan(result.final):
        return
    rise = "It does not rise in this time"
    if not math.isnan(result.rise_time):
        rise = f"It rises in {show(result.rise_time, 's')} (10 to 90 %)"
    over = f"overshoots by {percent_number(result.overshoot)} %" if result.overshoot else "does not overshoot"
    yield f"{rise}, {over} and {_settled(result)}."
    if abs(result.final - result.size) > ROUNDING * abs(result.size):
        yield f"It settles at {show(result.final, unit)}: there is no integral part against the friction."


def _settled(result: RampResponse | StepResponse) -> str:
    if math.isnan(result.settling_time):
        return f"is not within 2 % after {show(result.time[-1], 's')}"
    return f"stays within 2 % from {show(result.settling_time, 's')} on"


def _takes(result: RampResponse | StepResponse) -> str:
    return (
        f"takes up to {show(result.largest_torque, result.units['largest_torque'])} of {force(result.axis)}."
    )


def _load_step(result: StepResponse) -> Iterator[str]:
    """Deviation under a step of the load force."""
    size = show(result.size, result.units["size"])
    yield f"A {force(result.axis)} of {size} begins to act on the load; the drive {_takes(result)}"
    if not math.isnan(result.final):
        yield f"It pushes the load by {_deviation(result, result.largest, result.final)}."


def _ramp(result: RampResponse) -> Iterator[str]:
    """Following error of a ramp of the demand."""
    rate = show(result.rate, result.units["rate"])
    where = "from rest" if result.axis.estimator.linear else "more"
    yield f"Ramp of the demanded position at {rate} {where}; it {_takes(result)}"
    if not math.isnan(result.following_error):
        yield f"The axis trails by {_deviation(result, result.largest_error, result.following_error)}."


def _deviation(result: RampResponse | StepResponse, largest: float, final: float) -> str:
    """Largest deviation, final deviation, settling time."""
    unit = result.axis.scale.unit
    rest = show(abs(final), unit) if abs(final) > ROUNDING * abs(largest) else "nothing"
    return f"up to {show(abs(largest), unit)} and in the end by {rest}; it {_settled(result)}"


def _samples(result: RampResponse | StepResponse) -> dict[str, list[str]]:
    """Some samples as a table."""
    count = len(result.time)
    rows = sorted({round(i * (count - 1) / (ROWS - 1)) for i in range(ROWS)})
    names = {"position": "position", "velocity": "velocity", "torque": force(result.axis)}
    if not isinstance(result, StepResponse):
        names = {"error": "following error"} | names
    columns = {"time": [beside(result.time[i], result.time[-1], "s") for i in rows]}
    for name, head in names.items():
        values, unit = getattr(result, name), result.units[name]
        largest = float(np.abs(values).max())
        shown = np.where(np.abs(values) < SMALLEST * largest, 0.0, values)
        columns[head] = [beside(float(shown[i]), largest, unit) for i in rows]
    return columns
