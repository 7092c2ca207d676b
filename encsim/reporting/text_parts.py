"""What reports as text share: the answers about ripple, rows to show, marks of doubt, words for speeds, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import headlines, ripple_summary
from ..open_loop.causes import CAUSES, REGIMES
from ..open_loop.limits import default_speeds
from ..presentation.report_layout import DOUBT, LIMIT, Cautions, Paragraph, ReportPart, text_unit, toned
from ..wording import beside, display_unit, number, percent_number, share_text, show
from . import page_speeds

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..decisions.explanation import Explanation
    from ..decisions.judgements import Judgement
    from ..decisions.remedies import Remedy
    from ..decisions.requirements import Requirement
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..spreads.tolerancing import Tolerance


# A table shows every row up to ALL_ROWS rows or with --long, else ROWS rows spread evenly and the largest values.
ROWS, ALL_ROWS = 7, 20
# Causes named beside a value: those that make this share of its mean square, at most two.
NAMED = 0.1
LOOP_HINT = "see encsim loop"
CAUTION = "Caution: computed only; machine manual, local codes, qualified staff come first."
LOOP_CAUTION = (
    "Caution: computed only. Start with lower gains, raise them step by step; limit speed, torque and travel; keep "
    "people away, an emergency stop at hand; secure a vertical axis. Machine manual, local codes, qualified staff come "
    "first."
)
# Kinds of remedies in words of a table.
REMEDIES = {
    "together": "combined",
    "sde": "half the SDE",
    "offset": "offset to a tenth",
    "gain": "mismatch to a tenth",
    "phase": "phase error to a tenth",
    "harmonics": "half the distortion",
    "skew": "skew to a tenth",
    "conditioning": "signal conditioning",
    "noise": "half the readhead noise",
    "clock": "half the clock jitter",
    "own clock": "encoder clock locked",
    "edge clock": "faster edge clock",
    "period": "half the signal period",
    "bits": "more converter bits",
    "average": "averaged readings",
    "faster loop": "twice the loop rate",
    "faster loop, same span": "twice the loop rate, same window",
    "slower loop": "half the loop rate",
    "smoother estimator": "more filtering",
    "quicker estimator": "less filtering",
    "slower estimator": "half estimator bandwidth",
    "lower gains": "half the gains",
}


def caution(cautious: bool = True, full: Sequence[str] = ()) -> list[ReportPart]:
    """The caution as a part of a report: of a closed loop where it is given in full; none if not cautious."""
    from ..decisions.explanation import COMPUTED
    from ..model.load_and_control import CAUTIONS

    if not cautious:
        return []
    if not full:
        return [Cautions(CAUTION, COMPUTED)]
    # the short text says these already
    told = (*CAUTIONS, *COMPUTED)
    return [
        *(Paragraph(f"Caution: {each}") for each in full if each not in told),
        Cautions(LOOP_CAUTION, full),
    ]


def at_speed(speed: float, unit: str) -> str:
    """``at 5 mm/s``, or ``at standstill``."""
    return f"at {show(speed, unit)}" if speed else "at standstill"


def lowered(words: str, before: str) -> str:
    """A sentence that goes on after other words."""
    return words[:1].lower() + words[1:] if before else words


def speed_count(count: int) -> str:
    """``12 speeds``."""
    return f"{count} speeds" if count != 1 else "1 speed"


def doubt(curve: RippleCurve | Smoothness | Tolerance, unit: str) -> list[str]:
    """The speeds at which the prediction is not reliable, as a sentence; none if there are none."""
    doubtful = np.flatnonzero(curve.doubtful)
    if not len(doubtful):
        return []
    speeds = np.abs(curve.speed[doubtful])
    low, high = float(speeds.min()), float(speeds.max())
    where = f"at {show(low, unit)}" if low == high else f"from {span(low, high, unit)}"
    count = speed_count(len(curve.speed))
    return [toned(f"Not reliable at {len(doubtful)} of {count}, {where} (marked ?): see the notes.", DOUBT)]


def span(low: float, high: float, unit: str) -> str:
    """A range in one unit: ``0.2 to 35 mm/s``."""
    size, name = text_unit(high, unit)
    shown = (f"{float(number(value / size)):.10f}".rstrip("0").rstrip(".") for value in (low, high))
    return f"{' to '.join(shown)} {name}"


def chosen_rows(*series: np.ndarray, long: bool = False) -> list[int]:
    """Rows to show of series of the same length: evenly spread, and the largest value of each series; all of long."""
    count = len(series[0])
    if count <= ALL_ROWS or long:
        return list(range(count))
    rows = {round(i * (count - 1) / (ROWS - 1)) for i in range(ROWS)}
    return sorted(rows | {int(np.nanargmax(values)) for values in series if np.isfinite(values).any()})


def marks(curve: RippleCurve | Smoothness | Tolerance) -> list[str]:
    """A question mark behind each doubtful value, blanks behind the others; nothing where no value is doubtful."""
    blank = "  " if curve.doubtful.any() else ""
    return [f" {toned('?', DOUBT)}" if flag else blank for flag in curve.doubtful]


def nearest_rows(speeds: np.ndarray, wanted: Iterable[float]) -> list[int]:
    """For each wanted speed, the row of the speed nearest to it, direction left out."""
    return [int(np.argmin(np.abs(np.abs(speeds) - speed))) for speed in wanted]


def ripple_answers(
    curve: RippleCurve, judged: Judgement | None, requirement: Requirement | None
) -> list[str]:
    """What the axis does where its loop is described, and the ripple of encoder and estimator in steady motion."""
    axis = curve.axis
    if judged is None:
        speeds, whole = np.unique(np.abs(curve.speed)), curve.refined()
    else:
        speeds = page_speeds.judged_speeds(axis, judged, np.zeros(0))
        whole = page_speeds.measured_curve(axis, speeds, None)
    if not ripple_summary.has_loop(axis):
        return _answer(whole, "", judged, requirement)
    steady = _answer(whole, "Open loop: ")
    if not speeds.any():
        return steady
    closed = page_speeds.closed_curve(axis, speeds[speeds > 0.0])
    if closed is None:
        return [toned(f"Closed loop: not stable at these speeds, {LOOP_HINT}.", LIMIT), *steady]
    return [*_answer(closed, "Closed loop: ", judged, requirement), steady[0]]


def answered_speed(axis: Axis, requirement: Requirement | None) -> float:
    """The speed that the answer about ripple is about, which the page explains in detail too."""
    judged = None if requirement is None else requirement.judge(axis)
    none = np.zeros(0)
    speeds = (
        np.array(default_speeds(axis)) if judged is None else page_speeds.judged_speeds(axis, judged, none)
    )
    speeds = speeds[speeds > 0.0]
    closed = page_speeds.closed_curve(axis, speeds) if ripple_summary.has_loop(axis) else None
    curve = closed or page_speeds.measured_curve(axis, speeds, None)
    found, judged = _headline(curve, judged, requirement)
    return page_speeds.detail_speed(found, judged, none, axis).speed


def _headline(
    curve: RippleCurve, judged: Judgement | None, requirement: Requirement | None
) -> tuple[headlines.Headline, Judgement | None]:
    """The headline of a curve, and the verdict, at the round speed that both name."""
    limit = headlines.allowed(requirement, curve.speed)
    found = headlines.headline(curve.speed, curve.rms, limit=limit, doubtful=curve.doubtful)
    return page_speeds.at_round_speed(found, judged, curve.axis)


def _answer(
    curve: RippleCurve,
    basis: str,
    judged: Judgement | None = None,
    requirement: Requirement | None = None,
) -> list[str]:
    """The headline, and the numbers at the speed that it points at."""
    unit, found = curve.units["rms"], _headline(curve, judged, requirement)[0]
    if found.kind == "none":
        return [f"{basis}{lowered(_without_headline(curve, unit), basis)}"]
    words = found.words(lambda speed: show(speed, unit), lambda share: f"{percent_number(share)} %")
    words = f"{basis}{lowered(words, basis)}."
    place, rms = found.place, found.rms
    size = display_unit(rms, unit)[0]
    allowed = f", limit {number(rms / found.share / size)}" if found.limited else ""
    open_loop = curve.method != ripple_summary.CLOSED
    peak = f", peak {number(float(curve.at([place]).peak[0]) / size)}" if open_loop else ""
    where = "There" if found.names_speed else f"At {show(found.speed, unit)}"
    return [
        toned(words, LIMIT) if found.above else words,
        f"{where}: {show(rms, unit)} rms ({percent_number(rms / found.speed)} %){allowed}{peak}; {_why(curve, place)}.",
    ]


def _without_headline(curve: RippleCurve, unit: str) -> str:
    """The answer at standstill, without ripple, or where none is known."""
    if not np.isfinite(curve.rms).any():
        return "The ripple is not known at these speeds: see the notes."
    worst = int(np.nanargmax(curve.rms))
    if curve.rms[worst] == 0.0:
        return "No velocity ripple at these speeds."
    return f"At standstill: ripple {show(curve.rms[worst], unit)} rms; {_why(curve, worst)}."


def _why(curve: RippleCurve, index: int) -> str:
    """The largest cause at one speed, and whether it is aliased."""
    shares = shares_at(curve, index)
    cause = max(shares, key=shares.__getitem__, default=None)
    if cause is None:
        return f"regime {REGIMES[str(curve.regime[index])].cell}"
    return f"{share_text(shares[cause])} % from {_cause(cause, str(curve.regime[index]))}"


def shares_at(curve: RippleCurve, index: int) -> dict[str, float]:
    """Share of each cause in the mean square at one speed."""
    square = float(curve.rms[index]) ** 2
    return (
        {cause: float(part[index]) ** 2 / square for cause, part in curve.parts.items()}
        if square > 0.0
        else {}
    )


def largest_causes(shares: Mapping[str, float], regime: str) -> str:
    """The one or two largest causes with their shares: ``SDE (aliased) 81 %, sampling jitter 19 %``."""
    first = sorted(shares, key=shares.__getitem__, reverse=True)[:2]
    named = [cause for i, cause in enumerate(first) if not i or shares[cause] >= NAMED]
    return ", ".join(f"{_cause(cause, regime)} {share_text(shares[cause])} %" for cause in named) or "-"


def _cause(cause: str, regime: str) -> str:
    """A cause, and whether its errors are aliased: ``SDE (aliased)``."""
    aliased = regime == "aliased" and CAUSES[cause].group == "cyclic"
    return f"{CAUSES[cause].term}{' (aliased)' * aliased}"


def explained(result: Explanation) -> list[str]:
    """Ripple or the verdict about its limit, largest cause, best remedy."""
    unit, now, limit = result.units["speed"], result.values["measured"], result.limits.get("measured")
    basis, cause = "Closed loop: " if result.values["torque"] is not None else "", ""
    if result.causes:
        first = result.causes[0]
        cause = f"Largest cause: {CAUSES[first.cause].term}, {share_text(first.share)} %"
    unstable = result.values["torque"] is None and ripple_summary.has_loop(result.axis)
    stable = (
        [toned(f"Closed loop: not stable, {LOOP_HINT}; the values are open loop.", LIMIT)] if unstable else []
    )
    if not result.verdict:
        share = f", {percent_number(now / abs(result.speed))} % of the speed" if result.speed else ""
        ripple = lowered(f"Ripple {at_speed(result.speed, unit)}: {show(now, unit)} rms{share}.", basis)
        causes = [f"{cause} of the mean square."] if cause else []
        return [*stable, f"{basis}{ripple}", *causes, *_advice(result)]
    verdict = f"{basis}{lowered(result.verdict, basis)}."
    allowed = "" if limit is None else f", limit {beside(limit, now, unit)}"
    cause = cause and f"; {lowered(cause, '; ')}"
    return [
        *stable,
        toned(verdict, LIMIT) if result.met is False else verdict,
        f"Ripple {show(now, unit)} rms{allowed}{cause}.",
        *_advice(result),
    ]


def _advice(result: Explanation) -> Iterator[str]:
    """The best remedy, whether the limit is then met, and what meets it at all speeds."""
    best = next((remedy for remedy in result.remedies if remedy.applies), None)
    if best is None:
        yield "No single change that was tried reduces the ripple."
        return
    missed = result.met is False
    then = "" if not missed or best.met is None else ", limit met" if best.met else ", limit not met"
    yield f"Best remedy: {best.name}, reduction {reduction(best)} %{then}."
    other = next((one for one in changes_of(result) if one.met and one.applies), None)
    if missed and not best.met and other is not None and other.name != result.met_with:
        yield f"The limit is met with this: {other.name}."
    if missed and result.met_with is None and not any(one.met for one in changes_of(result)):
        yield "No change tried meets the limit: try encsim frontier or encsim choose."
    if result.met_with is not None:
        which = "the best remedy" if result.met_with == best.name else result.met_with
        yield f"At every speed of the requirement every limit is met with this: {which}."


def changes_of(result: Explanation) -> list[Remedy]:
    """All remedies, and the combined one where there is one."""
    return [*result.remedies, *([] if result.together is None else [result.together])]


def reduction(remedy: Remedy) -> str:
    """The reduction by a remedy in whole per cent."""
    return f"{round(100.0 * remedy.won) + 0:d}" if math.isfinite(remedy.won) else "-"


def short_name(remedy: Remedy) -> str:
    """A remedy in words of a table."""
    return REMEDIES.get(remedy.kind, remedy.kind)
