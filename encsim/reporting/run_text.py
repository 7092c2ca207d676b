"""Runs of the closed loop and answers to steps and ramps as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
from collections import namedtuple
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from ..doubts import named
from ..open_loop.limits import top_speed
from ..wording import aligned, beside, force, percent_number, show
from .loop_text import listed

if TYPE_CHECKING:
    from ..closed_loop.time_responses import RampResponse, StepResponse
    from ..time_domain.closed_run_result import Run


# A move as it was asked for, and its profile.
Move = namedtuple("Move", "text profile")
# A following error has died down once it stays within this share of its largest.
LEFT = 0.02
# A rest below this share of the largest value is none.
NOTHING = 1e-9
# Samples of an answer that are listed; below this share of the largest one they are 0.
ROWS, SMALLEST = 16, 1e-3
# Words of a run's reason that is a warning.
LINEAR = (
    "Linear: counts, encoder errors, dry friction, cogging and limits are not in this answer;\n"
    "encsim run has them.\n"
)


def run(result: Run, move: Move | None = None, *, cautions: tuple[str, ...] = ()) -> str:
    """Report of one run.

    Parameters
    ----------
    result : Run
    move : Move, optional
        What was asked for instead of a speed.
    cautions : sequence of str
        Lines at the end.

    Returns
    -------
    str
    """
    lines = _steady(result) if move is None else _moved(result, move)
    warned = [f"WARNING: {line}\n" for line in beyond(result)]
    # said above already, in the units of the report
    told = "run_above_top_speed" if warned else ""
    notes = [f"Note: {reason}\n" for reason in result.reasons if not named([reason], told)]
    return "".join([*warned, *(f"{line}\n" for line in lines), "\n", aligned(_columns(result, move)), "\n", *notes,
                    listed(cautions)])  # fmt: skip


def beyond(result: Run) -> list[str]:
    """What is said first of a run above the top speed."""
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
    return "load" if result.axis.load.flexible else "axis"


def _steady(result: Run) -> Iterator[str]:
    """What is measured and what is true of a steady motion."""
    unit = result.units["velocity"]
    where = f"at {show(result.speed, unit)}" if result.speed else "at standstill"
    if result.stopped is None:
        measured, true = (show(result.rms[name], unit) for name in ("measured", "actual"))
        torque = show(result.rms["torque"], result.units["torque"])
        yield (
            f"{_length(result)} {where}: the drive measures {measured} rms of ripple, the {_mover(result)} makes "
            f"{true}, the {force(result.axis)} ripples by {torque}."
        )
    yield from _troubles(result)
    if result.settle:
        first = show(result.settle / result.axis.sampling.rate, "s")
        yield f"The first {first} are left out of these values, for the loop to settle."


def _moved(result: Run, move: Move) -> Iterator[str]:
    """How far the axis is off its demand, and when it is back."""
    unit, error = result.axis.scale.unit, np.abs(result.following_error)
    worst = int(error.argmax())
    yield (
        f"{move.text}, {_length(result)}: the {_mover(result)} is off its demand by up to "
        f"{show(error[worst], unit)}, at {show(result.time[worst], 's')}."
    )
    yield from _troubles(result)
    end = move.profile.duration
    if result.stopped is None and end <= result.time[-1]:
        yield _back(result, error, end)


def _back(result: Run, error: np.ndarray, end: float) -> str:
    """When the axis is where it was sent."""
    outside = np.flatnonzero(error > LEFT * error.max())
    share, unit = f"{100.0 * LEFT:g}", result.axis.scale.unit
    if outside[-1] == len(error) - 1:
        return f"At the end of the run it is off by {show(error[-1], unit)}; it is not back within {share} % of that."
    after = result.time[outside[-1] + 1] - end
    when = f"{show(after, 's')} after" if after > 0.0 else "before"
    return f"It is back within {share} % of that {when} the end of the move at {show(end, 's')}."


def _troubles(result: Run) -> Iterator[str]:
    """What stopped the run, what limits it, and sticking."""
    if result.stopped is not None:
        time, why = result.stopped
        yield f"STOPPED at {show(time, 's')}: {why}."
    limit = result.axis.control.torque_limit
    limited = 0.0 if limit is None else float(np.mean(np.abs(result.torque) >= limit))
    if limited > 0.0:
        most = show(limit, result.units["torque"])
        yield f"The {force(result.axis)} is at its limit of {most} for {percent_number(limited)} % of the time."
    if result.sticking > 0.0:
        share = percent_number(result.sticking)
        yield f"Dry friction holds the {_mover(result)} where it should move, {share} % of the time."


def _columns(result: Run, move: Move | None) -> dict[str, list[str]]:
    """Rms, and the largest deviation, of each curve."""
    rows = dict(_curves(result, move))
    kept = slice(result.settle, None)
    names, columns = list(rows), {"": list(rows), "rms": [], "mean": [], "least": [], "largest": []}
    for name in names:
        values, unit = rows[name][0][kept], rows[name][1]
        rms = float(np.std(values))
        columns["rms"].append(show(rms, unit))
        for head, value in (("mean", values.mean()), ("least", values.min()), ("largest", values.max())):
            columns[head].append(show(float(value), unit))
    return columns


def _curves(result: Run, move: Move | None) -> Iterator[tuple[str, tuple[np.ndarray, str]]]:
    """Name, values and unit of each row of the table."""
    velocity, torque = result.units["velocity"], result.units["torque"]
    demand = result.demand
    if move is None:
        yield "measured velocity", (result.measured, velocity)
        yield "true velocity", (result.velocity, velocity)
    else:
        yield "measured less demanded velocity", (result.measured - demand, velocity)
        yield "true less demanded velocity", (result.velocity - demand, velocity)
    yield "following error", (result.following_error, result.units["following_error"])
    yield force(result.axis), (result.torque, torque)
    constant = result.axis.load.torque_constant
    if constant is not None:
        yield "current", (result.torque / constant, "A")


def answer(result: RampResponse | StepResponse, *, cautions: tuple[str, ...] = ()) -> str:
    """Report of the answer to a step or a ramp."""
    of = getattr(result, "of", "ramp")
    lines = {"load": _pushed, "ramp": _trails}.get(of, _risen)(result)
    notes = [f"Note: {reason}\n" for reason in result.reasons]
    table = aligned(_samples(result, of))
    lines = [*lines, *_about(result)]
    return "".join([*(f"{line}\n" for line in lines), "\n", table, "\n", LINEAR, *notes, listed(cautions)])


def _about(result: RampResponse | StepResponse) -> Iterator[Any]:
    """The motion from which the values of an answer with timed edges deviate."""
    if not result.axis.estimator.linear:
        speed = show(abs(result.speed), result.units["velocity"])
        yield f"All of it beside a steady {speed}, at which the edges are timed; slower they are older."


def _risen(result: StepResponse) -> Iterator[str]:
    """Rise, overshoot, settling of what is followed."""
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
    if abs(result.final - result.size) > NOTHING * abs(result.size):
        yield f"It settles at {show(result.final, unit)}: there is no integral part against the friction."


def _settled(result: RampResponse | StepResponse) -> str:
    if math.isnan(result.settling_time):
        return f"is not within 2 % after {show(result.time[-1], 's')}"
    return f"stays within 2 % from {show(result.settling_time, 's')} on"


def _takes(result: RampResponse | StepResponse) -> str:
    return (
        f"takes up to {show(result.largest_torque, result.units['largest_torque'])} of {force(result.axis)}."
    )


def _pushed(result: StepResponse) -> Iterator[str]:
    size = show(result.size, result.units["size"])
    yield f"A {force(result.axis)} of {size} begins to act on the load; the drive {_takes(result)}"
    if not math.isnan(result.final):
        yield f"It pushes the load by {_dies_down(result, result.largest, result.final)}."


def _trails(result: RampResponse) -> Iterator[str]:
    rate = show(result.rate, result.units["rate"])
    where = "from rest" if result.axis.estimator.linear else "more"
    yield f"Ramp of the demanded position at {rate} {where}; it {_takes(result)}"
    if not math.isnan(result.following_error):
        yield f"The axis trails by {_dies_down(result, result.largest_error, result.following_error)}."


def _dies_down(result: RampResponse | StepResponse, largest: float, final: float) -> str:
    """A deviation at its largest, in the end, and when that is reached."""
    unit = result.axis.scale.unit
    rest = show(abs(final), unit) if abs(final) > NOTHING * abs(largest) else "nothing"
    return f"up to {show(abs(largest), unit)} and in the end by {rest}; it {_settled(result)}"


def _samples(result: RampResponse | StepResponse, of: str) -> dict[str, list[str]]:
    """Some samples as a table."""
    count = len(result.time)
    rows = sorted({round(i * (count - 1) / (ROWS - 1)) for i in range(ROWS)})
    names = {"position": "position", "velocity": "velocity", "torque": force(result.axis)}
    if of == "ramp":
        names = {"error": "following error"} | names
    columns = {"time": [beside(result.time[i], result.time[-1], "s") for i in rows]}
    for name, head in names.items():
        values, unit = getattr(result, name), result.units[name]
        largest = float(np.abs(values).max())
        shown = np.where(np.abs(values) < SMALLEST * largest, 0.0, values)
        columns[head] = [beside(float(shown[i]), largest, unit) for i in rows]
    return columns
