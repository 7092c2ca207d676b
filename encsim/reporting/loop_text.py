"""Closed loops and compared estimators as text: the answer first, then tables, then notes."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import headlines
from ..decisions.ripple_summary import has_loop
from ..open_loop.causes import CAUSES
from ..presentation.report_layout import (
    DOUBT,
    LIMIT,
    Cautions,
    Column,
    Notes,
    Paragraph,
    Report,
    ReportPart,
    TextTable,
    painted,
    texts,
    toned,
)
from ..presentation.report_layout import measured as column
from ..wording import DELAY, PEAK, force, listed, percent_number, sentence, share_text, show
from .text_parts import at_speed, caution, chosen_rows, doubt, lowered, marks, nearest_rows

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.frontier_curve import Frontier
    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..time_domain.closed_run_result import Runs


CURVES = ("measured", "torque", "actual")
# Beside a value its largest cause is named, and the second one if it makes this share of the mean square.
SECOND = 0.1
# Rows of compared estimators without --long, and the columns left out there.
ROWS = 7
DETAIL = ("bound", "overshoot", "noise gain")
LEGEND = (
    "Causes: shares of the mean square of the measured velocity. Actual velocity and position are those of the load. "
    "Friction and cogging are not included; --simulate includes them."
)
ELSEWHERE = "Another estimator changes the loop's margins: first see encsim loop."


def loop(
    result: Margins,
    curve: Smoothness,
    simulated: Runs | None = None,
    *,
    cautions: Sequence[str] = (),
    long: bool = False,
) -> Report:
    """Report of a closed loop: margins, ripple, simulated speeds, notes."""
    answer = list(_stability(result))
    blocks: list[ReportPart] = [Paragraph(line) for line in _resonances(result)] if long else []
    if result.stable:
        blocks.append(Notes(result.reasons, DOUBT))
    if np.isfinite(curve.actual).any():
        answer[1:1] = [_largest(curve.refined()), *doubt(curve, curve.units["speed"])]
        blocks.append(TextTable(_columns(curve, long)))
        blocks += [] if simulated is None else _beside(curve, simulated)
        blocks += [Paragraph(LEGEND)] if long else []
        blocks += [Notes(curve.reasons, DOUBT), Notes(curve.notes)]
    return Report(answer, [*blocks, *caution(bool(cautions), cautions)], long)


def smoothness(curve: Smoothness, *, long: bool = False) -> Report:
    """Report of the ripple of a closed loop alone."""
    if not np.isfinite(curve.actual).any():
        return Report([toned("The closed loop is UNSTABLE: no ripple.", LIMIT)], [Notes(curve.reasons)], long)
    answer = [_largest(curve.refined()), *doubt(curve, curve.units["speed"])]
    blocks: list[ReportPart] = [TextTable(_columns(curve, long)), *([Paragraph(LEGEND)] if long else [])]
    return Report(
        answer, [*blocks, Notes(curve.reasons, DOUBT), Notes(curve.notes), *caution(full=_cautions())], long
    )


def margins(result: Margins, *, long: bool = False) -> Report:
    """Report of the margins alone."""
    lines = [Paragraph(line) for line in _resonances(result)]
    return Report(
        list(_stability(result)), [*lines, Notes(result.reasons, DOUBT), *caution(full=_cautions())], long
    )


def _cautions() -> Sequence[str]:
    from ..model.load_and_control import CAUTIONS

    return CAUTIONS


def aging(axis: Axis, speed: float, stable_from: str = "") -> str:
    """How the margins of a loop with timed edges change with the speed."""
    here = show(abs(speed), f"{axis.scale.unit}/s")
    text = f"Period measurement has a longer delay at lower speed: the margins hold at {here} and shrink below it"
    if stable_from:
        text += f". The linear loop is stable from {stable_from} on"
    return f"{text}. Close to the lowest stable speed only a run (encsim run) shows what the axis does."


def _stability(result: Margins) -> Iterator[str]:
    """The verdict about the loop in a sentence or two."""
    return _stable(result) if result.stable else _unstable(result)


def sentences(result: Margins) -> tuple[str, ...]:
    """The verdict about the loop and its resonances, without colours."""
    return tuple(painted(line, False) for line in (*_stability(result), *_resonances(result)))


def stability(result: Margins) -> str:
    """The verdict about the loop as one sentence."""
    return next(_stability(result))


def _stable(result: Margins) -> Iterator[str]:
    """Margins and bandwidths of a stable loop."""
    crosses = math.isfinite(result.crossover)
    phase = f"phase margin {result.phase_margin:.1f} deg" if crosses else "no crossover"
    gain, lower = result.gain_margin, result.lower_gain_margin
    rise = "unlimited" if math.isinf(gain) else f"{20.0 * math.log10(gain):.1f} dB"
    delay = "unlimited" if math.isinf(result.delay_margin) else show(result.delay_margin, "s")
    yield f"Loop stable: {phase}, gain margin {rise}, delay margin {delay}."
    crossing = f"crossover {show(result.crossover, 'Hz')}, " if crosses else ""
    fall = f", lower gain margin -{-20.0 * math.log10(lower):.1f} dB" if lower else ""
    yield sentence(f"{crossing}sensitivity peak {result.sensitivity_peak:.2f}{fall}.")
    position = "no position loop"
    if not math.isnan(result.bandwidth):
        position = f"position {_reach(result.bandwidth)}"
    yield f"Closed-loop bandwidth (-3 dB): {position}, velocity {_reach(result.velocity_bandwidth)}."


def _reach(bandwidth: float) -> str:
    return "up to half the loop rate" if math.isinf(bandwidth) else show(bandwidth, "Hz")


def _unstable(result: Margins) -> Iterator[str]:
    """How an unstable loop diverges, by its largest pole."""
    control, rate = result.axis.control, result.axis.sampling.rate
    if control is not None and control.velocity_gain == 0.0:
        yield toned("The loop is open: control.velocity_gain is 0, nothing holds the axis.", LIMIT)
        return
    yield toned("The closed loop is UNSTABLE with these gains: do not use them on a machine.", LIMIT)
    if len(result.poles) and abs(result.poles[0]) > 1.0:
        pole = result.poles[0]
        swing = abs(float(np.angle(pole))) * rate / (2.0 * math.pi)
        how = f"It oscillates at {show(swing, 'Hz')}" if swing > 0.0 else "It runs away"
        yield f"{how} and grows e-fold every {show(1.0 / (rate * math.log(abs(pole))), 's')}."
    if math.isfinite(result.gain_margin):
        yield f"The stability limit is at {show(result.gain_margin, '1')} times the present gain."


def _resonances(result: Margins) -> Iterator[str]:
    if not result.resonances:
        yield "One rigid mass: no resonance in the file."
    for each in result.resonances:
        yield (
            f"Resonance {show(each.frequency, 'Hz')}, antiresonance {show(each.antiresonance, 'Hz')}, damping ratio "
            f"{show(each.damping, '1')}; the loop gain there is {show(each.loop_gain, '1')}."
        )


def _heads(curve: Smoothness) -> dict[str, str]:
    """Heads of the columns of the curves."""
    return {"measured": "measured", "torque": force(curve.axis), "actual": "actual"}


def _largest(curve: Smoothness) -> str:
    """The largest value of each curve and its speed."""
    names = {
        "measured": "measured velocity",
        "torque": force(curve.axis),
        "actual": "actual velocity",
    }
    parts = []
    for name in CURVES:
        values = getattr(curve, name)
        worst, needle = headlines.largest(curve.speed, values, doubtful=curve.doubtful)
        size = show(values[worst], curve.units[name])
        more = "" if needle is None else f" ({show(values[needle], curve.units[name])} in a narrow peak)"
        parts.append(f"{names[name]} {size} {at_speed(curve.speed[worst], curve.units['speed'])}{more}")
    return f"Largest ripple, rms: {', '.join(parts)}."


def _causes(curve: Smoothness, name: str, index: int) -> str:
    """The largest causes of one value with their shares of its mean square."""
    square = float(getattr(curve, name)[index]) ** 2
    if not 0.0 < square < math.inf:
        return "-"
    shares = {cause: float(part[index]) ** 2 / square for cause, part in curve.parts[name].items()}
    first, *rest = sorted(shares, key=shares.__getitem__, reverse=True)
    named = [first, *(cause for cause in rest[:1] if shares[cause] >= SECOND)]
    return ", ".join(f"{CAUSES[cause].term} {share_text(shares[cause])} %" for cause in named)


def _columns(curve: Smoothness, long: bool) -> list[Column]:
    """Table of chosen speeds: the curves, and their causes."""
    rows, mark = chosen_rows(curve.measured, curve.torque, curve.actual, long=long), marks(curve)
    columns = [column("speed", curve.speed[rows], curve.units["speed"], mark=[mark[i] for i in rows])]
    columns += [
        column(head, getattr(curve, name)[rows], curve.units[name]) for name, head in _heads(curve).items()
    ]
    columns.append(texts("causes (measured)", [_causes(curve, "measured", i) for i in rows]))
    if not long:
        return columns
    columns.append(column("position", curve.position[rows], curve.units["position"]))
    if curve.current is not None:
        columns.append(column("current", curve.current[rows], "A"))
    for name, head in list(_heads(curve).items())[1:]:
        columns.append(texts(f"causes ({head})", [_causes(curve, name, i) for i in rows]))
    return columns


def _beside(curve: Smoothness, simulated: Runs) -> list[ReportPart]:
    """Simulated values beside the predicted ones."""
    speeds = simulated.speed.tolist()
    places = nearest_rows(curve.speed, speeds)
    columns = [column("speed", speeds, curve.units["speed"])]
    for name, head in _heads(curve).items():
        predicted, unit = getattr(curve, name)[places], curve.units[name]
        columns += [
            column(head, predicted, unit),
            column(f"{head} simulated", simulated.rms[name], unit),
            Column(
                "difference",
                [_differs(*pair) for pair in zip(predicted, simulated.rms[name], strict=True)],
                "%",
            ),
        ]
    title = f"Simulated: {simulated.samples} samples per speed, seed {simulated.seed}"
    return [TextTable(columns, title), Notes([f"simulated: {reason}" for reason in simulated.reasons], DOUBT)]


def runs(result: Runs, *, long: bool = False) -> Report:
    """Report of runs at many speeds: the ripple of each."""
    unit = result.units["speed"]
    heads = {"measured": "measured", "torque": force(result.axis), "actual": "actual"}
    stopped = [show(speed, unit) for speed, stop in zip(result.speed, result.stopped, strict=True) if stop]
    answer = [
        f"Velocity ripple of {len(result.speed)} closed-loop runs, {result.samples} samples each, seeds from "
        f"{result.seed}; rms after {result.settle} samples.",
        *([toned(f"Stopped early at {', '.join(stopped)}.", LIMIT)] if stopped else []),
    ]
    columns = [column("speed", result.speed, unit)]
    columns += [column(head, result.rms[name], result.units[name]) for name, head in heads.items()]
    return Report(answer, [TextTable(columns), Notes(result.reasons, DOUBT)], long)


def _differs(predicted: float, simulated: float) -> str:
    if not (0.0 < predicted < math.inf and math.isfinite(simulated)):
        return "-"
    return f"{100.0 * (simulated / predicted - 1.0):+.1f}"


def frontier(
    result: Frontier,
    names: list[str] | None = None,
    own: int | None = None,
    *,
    requirement: Requirement | None = None,
    long: bool = False,
) -> Report:
    """Report of compared estimators: answer, table by delay, notes.

    ``names`` are the candidates as the user wrote them, ``own`` is the place of the present estimator, ``requirement``
    has the limit of the ripple.
    """
    names = names or [one.words() for one in result.estimator]
    limit = headlines.limits_at(requirement, result.speed).get("measured")
    within = None if limit is None else _within(result, limit)
    delay = np.where(np.isfinite(result.delay), result.delay, math.inf)
    rows = sorted(range(len(names)), key=lambda i: (delay[i], result.rms[i]))
    if len(rows) > ROWS and not long:
        rows = _thinned([i for i in rows if result.best[i] or i == own], {own, within})
    columns = _candidates(result, names, rows, own)
    blocks: list[ReportPart] = [TextTable([each for each in columns if long or each.head not in DETAIL])]
    blocks += [Paragraph(line) for line in _legend(result, bool(result.best[rows].all()), long)]
    if not long:
        more = len(names) - len(rows)
        blocks.append(Paragraph(f"{f'{more} more candidates, ' * (more > 0)}{listed(DETAIL)} with --long."))
    told = [] if limit is None else [_limited(result, names, within, limit)]
    present = [] if told and own in rows and result.best[own] else _smoothest(result, names, own)
    return Report(
        [*told, *present],
        [
            *blocks,
            Notes(result.remarks if long else ()),  # all of the bound, a column of --long
            Notes(result.reasons, DOUBT),
            Cautions(f"Caution: {ELSEWHERE}"),
        ],
        long,
    )


def _within(result: Frontier, limit: float) -> int | None:
    """Place of the candidate with the least delay whose ripple is within the limit."""
    kept = np.isfinite(result.delay) & (np.fmax(result.rms, result.typical) <= limit)
    return min(np.flatnonzero(kept).tolist(), key=lambda i: float(result.delay[i]), default=None)


def _limited(result: Frontier, names: list[str], within: int | None, limit: float) -> str:
    """The verdict about the limit."""
    allowed = show(limit, result.units["rms"])
    basis = "Open loop: " if has_loop(result.axis) else ""
    if within is None:
        return toned(
            f"{basis}{lowered('No estimator tried', basis)} is within the limit of {allowed}.", LIMIT
        )
    best = _candidate(result, names, within)
    return f"{basis}{lowered('Within', basis)} the limit of {allowed} with the least delay: {best}."


def _candidate(result: Frontier, names: list[str], place: int) -> str:
    """Name, delay and ripple of a candidate."""
    ripple = show(result.typical[place], result.units["rms"])
    return f"{names[place]}, delay {show(result.delay[place], 's')}, {ripple} rms (+-20 %)"


def _thinned(rows: list[int], always: set[int | None]) -> list[int]:
    """At most ROWS rows, evenly spread, and those that always stand there."""
    if len(rows) <= ROWS:
        return rows
    kept = {round(i * (len(rows) - 1) / (ROWS - 1)) for i in range(ROWS)}
    return [row for i, row in enumerate(rows) if i in kept or row in always]


def _smoothest(result: Frontier, names: list[str], own: int | None) -> list[str]:
    """Candidates that are better than the axis' estimator, or the two ends of the frontier."""
    where = at_speed(result.speed, result.units["rms"])
    best = [int(i) for i in np.flatnonzero(result.best) if math.isfinite(result.delay[i])]
    best.sort(key=lambda i: result.delay[i])

    words = functools.partial(_candidate, result, names)

    if own is None or not math.isfinite(result.delay[own]):
        if not best:
            return [f"No candidate has a reliable value {where}."]
        return [f"Least delay {where}: {words(best[0])}.", f"Least ripple: {words(best[-1])}."]
    lines = [f"Present estimator {where}: {words(own)}."]
    if result.best[own]:
        return [*lines, "It is Pareto-optimal: no other has as little delay and less ripple."]
    slack = 1.0 + 1e-9
    as_quick = [i for i in best if result.delay[i] <= slack * result.delay[own]]
    as_smooth = [i for i in best if result.typical[i] <= slack * result.typical[own]]
    quick = min(as_quick, key=lambda i: result.typical[i], default=None)
    smooth = min(as_smooth, key=lambda i: result.delay[i], default=None)
    if quick is not None and quick == smooth:
        return [*lines, f"Less of both: {words(quick)}."]
    lines += [] if quick is None else [f"Less ripple with no more delay: {words(quick)}."]
    lines += [] if smooth is None else [f"Less delay with no more ripple: {words(smooth)}."]
    return lines


def _candidates(result: Frontier, names: list[str], rows: list[int], own: int | None) -> list[Column]:
    unit = result.units["rms"]
    some = not result.best[rows].all()
    what = {i: ["present"] * (i == own) + ["Pareto-optimal"] * bool(some and result.best[i]) for i in rows}
    return [
        texts("estimator", [names[i] for i in rows]),
        column("delay", result.delay[rows], "s"),
        column("rms", result.rms[rows], unit),
        column("rms +-20 %", result.typical[rows], unit),
        column("peak", result.peak[rows], unit),
        texts("status", [", ".join(what[i]) for i in rows]),
        column("bound", np.where(np.isfinite(result.bound[rows]), result.bound[rows], np.nan), unit),
        Column("overshoot", [percent_number(result.overshoot[i]) for i in rows], "%"),
        Column("noise gain", [show(result.noise_gain[i], "1") for i in rows], "1/s"),
    ]


def _legend(result: Frontier, best: bool, long: bool) -> Iterator[str]:
    if best:
        yield "All rows are Pareto-optimal: no other has as little delay and less ripple."
    yield "rms +-20 %: over speeds within 20 %, so that no sampling null decides."
    if not long:
        return
    if not best:
        yield "Pareto-optimal: no other candidate has as little delay and less ripple."
    yield "Noise gain: velocity rms per 1 of white position noise."
    yield (
        "Bound: least rms that white noise alone leaves to any estimator with this delay that does not overshoot "
        "(Cramér-Rao); none for one that does."
    )
    yield f"White position noise here: {show(result.noise, result.units['noise'])} rms."
    yield PEAK
    yield f"Delay: {DELAY}."
