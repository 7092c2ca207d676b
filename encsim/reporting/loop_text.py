"""Closed loops and compared estimators as text: the answer first, then tables, then notes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from ..wording import DELAY, PEAK, aligned, beside, force, percent_number, share_text, show
from .text_parts import (
    ALL_ROWS,
    at_speed,
    cautions_text,
    chosen_rows,
    doubt,
    joined_lines,
    marks,
    nearest_rows,
    notes,
    speed_count,
    trimmed,
)

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.frontier_curve import Frontier
    from ..model.axis import Axis
    from ..time_domain.closed_run_result import Runs


CURVES = ("measured", "torque", "actual")
# Beside a value its largest cause is named, and the second one if it makes this share of the mean square.
SECOND = 0.1
LEGEND = (
    "From: the largest causes, as shares of the mean square. True: velocity and position of the load. Friction\n"
    "and cogging are not in these values; --simulate has them.\n"
)
ELSEWHERE = (
    "Another estimator changes the delay within the loop, and with it the margins: compute them anew (encsim loop) "
    "before it is used."
)


def loop(
    result: Margins,
    curve: Smoothness,
    whole: Smoothness,
    simulated: Runs | None = None,
    *,
    cautions: Iterable[str] = (),
) -> str:
    """Report of a closed loop: margins, ripple, simulated speeds, notes.

    ``whole`` is the range of ``curve`` with more speeds, which the answer is about, or the curve itself.
    """
    parts = [margins(result), notes(result.reasons if result.stable else ())]
    if np.isfinite(curve.actual).any():
        unit = curve.units["speed"]
        table = aligned(_columns(curve, unit))
        parts += ["\n", _answer(curve, whole, unit), joined_lines(doubt(curve, unit)), "\n", table]
        parts += [] if simulated is None else ["\n", _beside(curve, simulated)]
        parts += ["\n", LEGEND, notes(curve.reasons)]
    return "".join([*parts, cautions_text(cautions)])


def aging(axis: Axis, speed: float, stable_from: str = "") -> str:
    """How the margins of a loop with timed edges change with the speed."""
    here = show(abs(speed), f"{axis.scale.unit}/s")
    text = f"Timed edges are older the slower the axis moves: the margins are those at {here}, and slower there is less"
    if stable_from:
        text += f". The linear loop is stable from {stable_from} on"
    return f"{text}. Shortly above the lowest speed of a stable loop only a run (encsim run) shows what the axis does."


def margins(result: Margins) -> str:
    """Margins in words, some lines."""
    lines = _stable(result) if result.stable else _unstable(result)
    return joined_lines([*lines, *_resonances(result)])


def _stable(result: Margins) -> Iterator[str]:
    """Margins and bandwidths of a stable loop."""
    crossing = "the loop gain is nowhere 1"
    if math.isfinite(result.crossover):
        crossing = f"crossover {show(result.crossover, 'Hz')}, phase margin {result.phase_margin:.1f} deg"
    delay = "any" if math.isinf(result.delay_margin) else show(result.delay_margin, "s")
    gain, lower = result.gain_margin, result.lower_gain_margin
    more = "without limit"
    if not math.isinf(gain):
        more = f"by a factor of {show(gain, '1')} ({20.0 * math.log10(gain):.1f} dB)"
    less = f"to {percent_number(lower)} % of itself" if lower else "to nothing"
    yield f"The closed loop is stable: {crossing}; it bears {delay} more delay."
    yield f"Its gain may rise {more} and fall {less}. Sensitivity peak {result.sensitivity_peak:.2f}."
    position = "there is no position loop"
    if not math.isnan(result.bandwidth):
        position = f"position {_reach(result.bandwidth)}"
    yield f"What it follows to -3 dB: {position}, velocity {_reach(result.velocity_bandwidth)}."


def _reach(bandwidth: float) -> str:
    return "up to half the loop rate" if math.isinf(bandwidth) else f"up to {show(bandwidth, 'Hz')}"


def _unstable(result: Margins) -> Iterator[str]:
    """How an unstable loop diverges, by its largest pole."""
    control, rate = result.axis.control, result.axis.sampling.rate
    if control is not None and control.velocity_gain == 0.0:
        yield "The loop is open: control.velocity_gain is 0, and nothing holds the axis."
        return
    yield "The closed loop is UNSTABLE with these gains; they must not be tried on a machine."
    if len(result.poles) and abs(result.poles[0]) > 1.0:
        pole = result.poles[0]
        swing = abs(float(np.angle(pole))) * rate / (2.0 * math.pi)
        how = f"It swings at {show(swing, 'Hz')}" if swing > 0.0 else "It runs away"
        yield f"{how} and grows e-fold every {show(1.0 / (rate * math.log(abs(pole))), 's')}."
    if math.isfinite(result.gain_margin):
        factor = show(result.gain_margin, "1")
        yield f"The nearest gain at which it just keeps swinging is {factor} times the present one."


def _resonances(result: Margins) -> Iterator[str]:
    if not result.resonances:
        yield "One rigid mass: the file describes no resonance."
    for each in result.resonances:
        yield (
            f"Resonance {show(each.frequency, 'Hz')}, antiresonance {show(each.antiresonance, 'Hz')}, damping ratio "
            f"{show(each.damping, '1')}; the loop gain there is {show(each.loop_gain, '1')}."
        )


def _answer(curve: Smoothness, whole: Smoothness, unit: str) -> str:
    """The largest value of each curve, its speed and its causes."""
    over = f"at {speed_count(len(curve.speed))}"
    if whole is not curve:
        over = f"from {show(curve.speed[0], unit)} to {show(curve.speed[-1], unit)}"
    names = {
        "measured": "measured velocity",
        "torque": force(curve.axis),
        "actual": "true velocity of the load",
    }
    lines = [f"Largest ripple {over}, rms, by the encoder alone:\n"]
    for name in CURVES:
        values = getattr(whole, name)
        worst = int(np.nanargmax(np.where(np.isfinite(values), values, -1.0)))
        size, causes = show(values[worst], whole.units[name]), _causes(whole, name, worst)
        lines.append(f"  {names[name]} {size} {at_speed(whole.speed[worst], unit)}, from {causes}\n")
    return "".join(lines)


def _causes(curve: Smoothness, name: str, index: int) -> str:
    """The largest causes of one value with their shares of its mean square."""
    square = float(getattr(curve, name)[index]) ** 2
    if not 0.0 < square < math.inf:
        return "-"
    shares = {cause: float(part[index]) ** 2 / square for cause, part in curve.parts[name].items()}
    first, *rest = sorted(shares, key=shares.__getitem__, reverse=True)
    named = [first, *(cause for cause in rest[:1] if shares[cause] >= SECOND)]
    return ", ".join(f"{cause} {share_text(shares[cause])} %" for cause in named)


def _heads(curve: Smoothness) -> dict[str, str]:
    """Heads of the columns of the curves."""
    return {"measured": "measured", "torque": force(curve.axis), "actual": "true"}


def _columns(curve: Smoothness, unit: str) -> dict[str, list[str]]:
    """Table of chosen speeds: the curves, each with its causes."""
    rows, mark = chosen_rows(curve.measured, curve.torque, curve.actual), marks(curve)
    columns = {"speed": [show(curve.speed[i], unit) + mark[i] for i in rows]}
    for name, head in _heads(curve).items():
        columns[head] = [show(getattr(curve, name)[i], curve.units[name]) for i in rows]
        columns[f"from ({head})"] = [_causes(curve, name, i) for i in rows]
    columns["position"] = [show(curve.position[i], curve.units["position"]) for i in rows]
    if curve.current is not None:
        columns["current"] = [show(curve.current[i], "A") for i in rows]
    return columns


def _beside(curve: Smoothness, simulated: Runs) -> str:
    """Simulated values beside the predicted ones."""
    speeds = simulated.speed.tolist()
    columns = {"speed": [show(speed, curve.units["speed"]) for speed in speeds]}
    for name, head in _heads(curve).items():
        unit = curve.units[name]
        predicted = [float(getattr(curve, name)[i]) for i in nearest_rows(curve.speed, speeds)]
        pairs = list(zip(predicted, simulated.rms[name].tolist(), strict=True))
        columns[head] = [show(value, unit) for value in predicted]
        columns[f"simulated {head}"] = [beside(run, value, unit) for value, run in pairs]
        columns[f"{head} differs by %"] = [_differs(value, run) for value, run in pairs]
    text = f"Simulated: {simulated.samples} samples a speed, seed {simulated.seed}\n{aligned(columns)}"
    return text + joined_lines(f"Note: simulated: {reason}" for reason in simulated.reasons)


def _differs(predicted: float, simulated: float) -> str:
    if not (0.0 < predicted < math.inf and math.isfinite(simulated)):
        return "-"
    return f"{100.0 * (simulated / predicted - 1.0):+.1f}"


def frontier(result: Frontier, names: list[str], own: int | None = None) -> str:
    """Report of compared estimators: answer, table by delay, notes.

    ``names`` are the texts of the candidates in the order of the result, ``own`` is the place of the axis' estimator.
    """
    count = len(names)
    delay = np.where(np.isfinite(result.delay), result.delay, math.inf)
    rows = sorted(range(count), key=lambda i: (delay[i], result.rms[i]))
    if count > ALL_ROWS:
        rows = [i for i in rows if result.best[i] or i == own]
    hidden, more = count - len(rows), ""
    if hidden:
        more = f"{hidden} more are worse in both than one of these; --json and --csv list them.\n"
    parts = [_smoothest(result, names, own), trimmed(aligned(_candidates(result, names, rows, own))) + more]
    parts.append("".join(_legend(result)) + notes((*result.remarks, *result.reasons)))
    return "\n".join(parts) + f"Caution: {ELSEWHERE}\n"


def _smoothest(result: Frontier, names: list[str], own: int | None) -> str:
    """Candidates that are better than the axis' estimator, or the two ends of the frontier."""
    where = at_speed(result.speed, result.units["rms"])
    best = [int(i) for i in np.flatnonzero(result.best) if math.isfinite(result.delay[i])]
    best.sort(key=lambda i: result.delay[i])

    def words(i: int) -> str:
        ripple = show(result.rms[i], result.units["rms"])
        return f"{names[i]}, delay {show(result.delay[i], 's')}, {ripple} rms"

    if own is None or not math.isfinite(result.delay[own]):
        if not best:
            return f"No candidate can be judged {where}.\n"
        return f"Quickest {where}: {words(best[0])}.\nSmoothest: {words(best[-1])}.\n"
    lines = [f"The axis' own estimator {where}: {words(own)}."]
    if result.best[own]:
        lines.append("No candidate has as little delay and less ripple, or the reverse.")
        return joined_lines(lines)
    slack = 1.0 + 1e-9
    as_quick = [i for i in best if result.delay[i] <= slack * result.delay[own]]
    as_smooth = [i for i in best if result.rms[i] <= slack * result.rms[own]]
    if as_quick:
        lines.append(f"Smoothest with no more delay: {words(min(as_quick, key=lambda i: result.rms[i]))}.")
    if as_smooth:
        lines.append(f"Quickest with no more ripple: {words(min(as_smooth, key=lambda i: result.delay[i]))}.")
    return joined_lines(lines)


def _candidates(result: Frontier, names: list[str], rows: list[int], own: int | None) -> dict[str, list[str]]:
    unit = result.units["rms"]
    remarks = {i: ["best"] * bool(result.best[i]) + ["own"] * (i == own) for i in rows}
    return {
        "estimator": [names[i] for i in rows],
        "delay": [show(result.delay[i], "s") for i in rows],
        "rms": [show(result.rms[i], unit) for i in rows],
        "peak": [beside(result.peak[i], result.rms[i], unit) for i in rows],
        "noise gain": [f"{show(result.noise_gain[i], '1')} 1/s" for i in rows],
        "overshoot %": [percent_number(result.overshoot[i]) for i in rows],
        "bound": [
            beside(result.bound[i], result.rms[i], unit) if math.isfinite(result.bound[i]) else "-"
            for i in rows
        ],
        "": [" ".join(remarks[i]) for i in rows],
    }


def _legend(result: Frontier) -> Iterator[str]:
    yield "Best: no other has as little delay and ripple, and less of one. Noise gain: velocity for white position\n"
    yield "noise of 1. Bound: least rms that white noise alone leaves to any estimator with this delay that does not\n"
    yield "overshoot.\n"
    yield f"{PEAK}\nDelay: {DELAY}.\n"
    yield f"White position noise here: {show(result.noise, result.units['noise'])} rms.\n"
