"""The first screen of a page: how smoothly the axis runs at every speed, why, and what the best measures leave.

The hero is one panel of 1000 by 1000 units, ripple over its limit (over the speed where there is none) against speed,
which the page stretches to any width; names, ticks and marks stand over it as text, in per cent of the panel.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import headlines
from ..decisions.headlines import paired
from ..figures import ripple as ripple_picture
from ..figures.ripple_view import (
    cause_words,
    edges_of,
    prepare_ripple,
    range_of_speeds,
    role_of,
    rule,
    runs,
    title,
)
from ..open_loop.causes import REGIMES
from ..plotting.ticks import Decades, PlainNumbers
from ..plotting.web_panels import HIGH, WIDE, letters_wide, path, placed
from ..wording import axis_unit, compared, percent, quantity, sentence
from .page_blocks import Block, Hero, Label, Mark, Segment, Table, near, picture
from .page_speeds import reason, speed_name
from .page_words import doubted, in_plain_words, in_unit, limit_name, limit_table, verdict

if TYPE_CHECKING:
    from ..figures.ripple_view import RippleView
    from ..plotting.inline_svg import LookStore
    from .page_blocks import Findings


UNSTABLE = "First make the loop stable: as it is, it oscillates."
# Panel of the hero in dots, and size of its letters, in the layout for a screen and for a phone.
LAYOUTS = {"wide": (1070.0, 270.0, 13.0), "phone": (318.0, 216.0, 12.0)}
# Room above the curves for the names of marks, as a factor; ratio of the ends of the panel at most and at least.
ABOVE, MOST, MOST_LIMITED, LEAST = 2.4, 1e3, 150.0, 20.0
# Least room above the limit.
OVER_LIMIT = 4.0
# Without a limit the slow end, where ripple grows without bound as a share of the speed, is cut off above this
# multiple of the answer.
CUT = 8.0


def hero(results: Findings) -> Hero:
    """The first screen."""
    return _HeroPanel(results).hero()


class _HeroPanel:
    """Scales of the hero, and what is drawn in it."""

    def __init__(self, results: Findings) -> None:
        self.results = results
        self.view = prepare_ripple(in_plain_words(results.curve), results.requirement)
        self.after = None if results.after is None else prepare_ripple(results.after, results.requirement)
        self.low, self.high = range_of_speeds(self.view)
        self.limited = self.view.allowed is not None
        self.now = self._ratio(self.view)
        rows = [self.now] + ([] if self.after is None else [self._ratio(self.after)])
        shown = np.concatenate([row[row > 0.0] for row in rows])
        largest = float(self.now.max(initial=0.0))
        if self.limited:
            largest = max(largest, 1.0)
        elif results.headline.share > 0.0:
            largest = min(largest, CUT * results.headline.share)
        self.top = max((largest or 1.0) * ABOVE, OVER_LIMIT if self.limited else 0.0)
        lowest = float(np.quantile(shown, 0.02)) if shown.size else self.top
        self.bottom = min(
            max(0.7 * lowest, self.top / (MOST_LIMITED if self.limited else MOST)), self.top / LEAST
        )

    def _base(self, speed: np.ndarray) -> np.ndarray:
        """What the ripple is divided by: the limit, infinite where there is none at a speed, or the speed."""
        if not self.limited:
            return speed
        asked = self.results.requirement
        if asked is not None and asked.speeds[0] == asked.speeds[1]:
            # around the one speed that was asked for the same rule serves as a measure
            return np.asarray(asked.limit_at(speed))
        found = headlines.allowed(asked, speed)
        return np.full_like(speed, np.inf) if found is None else found

    def _ratio(self, view: RippleView) -> np.ndarray:
        return np.asarray(view.rms / self._base(view.speed))

    def x(self, speed: np.ndarray | float) -> np.ndarray:
        """Places of speeds, per cent."""
        return np.asarray(100.0 * np.log(np.asarray(speed) / self.low) / math.log(self.high / self.low))

    def y(self, ratio: np.ndarray | float) -> np.ndarray:
        """Heights of ratios from the top, per cent; far beyond the panel they are cut off."""
        bounded = np.clip(ratio, self.bottom / 2.0, self.top * 2.0)
        return np.asarray(100.0 * np.log(self.top / bounded) / math.log(self.top / self.bottom))

    def _curve(self, view: RippleView | None) -> str:
        if view is None or len(view.speed) < 2:
            return ""
        return path(WIDE / 100.0 * self.x(view.speed), HIGH / 100.0 * self.y(self._ratio(view)))

    def _wash(self) -> str:
        """Outline of what is above the limit."""
        if not self.limited or not np.any(self.now > 1.0) or len(self.now) < 2:
            return ""
        upper = HIGH / 100.0 * self.y(np.maximum(self.now, 1.0))
        return f"{path(WIDE / 100.0 * self.x(self.view.speed), upper)}V{HIGH / 100.0 * self.y(1.0):.0f}H0Z"

    def hero(self) -> Hero:
        """All of the first screen."""
        answer, says = _sentences(self.results, self.view)
        ribbon, rest = self._ribbon()
        of = "of the limit" if self.limited else "of the speed"
        loop = " in the closed loop" if self.results.closed else ""
        return Hero(
            answer=answer,
            says=says,
            head=f"Velocity ripple{loop}, rms, as a share {of}",
            speeds=(self.low, self.high),
            now=self._curve(self.view),
            after=self._curve(self.after),
            wash=self._wash(),
            limit=round(float(self.y(1.0)), 2) if self.limited else None,
            x_ticks=self._speed_ticks(),
            y_ticks=self._ratio_ticks(),
            hatched=self._hatched(),
            ribbon=ribbon,
            rest=rest,
            labels=self._labels(),
            marks=tuple(
                self._mark(frame.speed, place) for place, frame in enumerate(self.results.slider.frames)
            ),
            alt=self._alternative(answer),
        )

    def _speed_ticks(self) -> tuple[tuple[float, str], ...]:
        """Decades of the speed; the unit stands at the last."""
        name, size = axis_unit(self.view.speed.max(initial=0.0), self.view.unit)
        values = Decades(8).tick_values(self.low / size, self.high / size)
        names = PlainNumbers(logarithmic=True).format_ticks(values)
        kept = [(float(self.x(value * size)), text) for value, text in zip(values, names, strict=True)]
        return tuple(
            (round(left, 2), f"{text} {name}" if left == kept[-1][0] else text) for left, text in kept
        )

    def _ratio_ticks(self) -> tuple[tuple[float, str], ...]:
        """Round ratios, multiples and the limit itself by name; none beside the marks' names."""
        decades = range(math.floor(math.log10(self.bottom)), math.ceil(math.log10(self.top)))
        steps = (1.0, 2.0, 5.0) if self.top < 250.0 * self.bottom else (1.0,)
        values = [step * 10.0**decade for decade in decades for step in steps]
        names = [_ratio_name(value, self.limited) for value in values]
        places = [round(float(self.y(value)), 2) for value in values]
        inside = [self.bottom * 1.05 < value < self.top for value in values]
        return tuple(
            (top, name) for top, name, seen in zip(places, names, inside, strict=True) if seen and top > 6.0
        )

    def _hatched(self) -> tuple[tuple[float, float], ...]:
        """Speeds at which the result is not reliable, as (left, width)."""
        edges = self.x(edges_of(self.view))
        return tuple(
            (round(float(edges[first]), 2), round(float(edges[last + 1] - edges[first]), 2))
            for first, last in runs(self.view.doubtful)
            if self.view.doubtful[first]
        )

    def _ribbon(self) -> tuple[tuple[Segment, ...], tuple[tuple[str, str], ...]]:
        """Segments of the largest cause, and the causes that no segment names."""
        edges, made, named = self.x(edges_of(self.view)), [], set()
        if not self.view.parts:
            return (), ()
        found = runs(self.view.regime)
        for first, last in found:
            key, left = str(self.view.regime[first]), float(edges[first])
            wide, look = float(edges[last + 1]) - left, REGIMES[key]
            words = {name: _fitting(look.labels, wide, name) for name in LAYOUTS}
            named |= {key} if words["wide"] else set()
            made.append(Segment(round(left, 2), round(wide + 0.05, 2), look.role, look.ink, **words))
        keys = dict.fromkeys(str(self.view.regime[first]) for first, _ in found)
        return tuple(made), tuple(
            (REGIMES[key].role, REGIMES[key].labels[0]) for key in keys if key not in named
        )

    def _labels(self) -> tuple[Label, ...]:
        """Names of the limit and the two curves, each where no other line is near."""
        lines = {"now": (self.view.speed, self.now)}
        wanted = []
        if self.limited and self.view.limit is not None:
            lines["limit"] = (np.geomspace(self.low, self.high, 50), np.ones(50))
            text = rule(self.view.limit, self.view)
            wanted.append(("limit", "limit", {"wide": text, "phone": text.removeprefix("limit: ")}))
        if self.after is not None and self.results.measures is not None:
            lines["after"] = (self.after.speed, self._ratio(self.after))
            both = "these measures" if self.results.measures.kind == "together" else "this measure"
            wanted += [("now", "ink", dict.fromkeys(LAYOUTS, "now"))]
            wanted += [("after", "true", dict.fromkeys(LAYOUTS, f"with {both}"))]
        drawn = {key: np.stack([self.x(speed), self.y(ratio)]) for key, (speed, ratio) in lines.items()}
        made = {
            name: placed([(text[name], key) for key, _, text in wanted], drawn, layout)
            for name, layout in LAYOUTS.items()
        }
        return tuple(
            Label(role, *((text[name], *made[name][number]) for name in LAYOUTS))
            for number, (_, role, text) in enumerate(wanted)
        )

    def _mark(self, speed: float, place: int) -> Mark:
        """The mark of a frame."""
        results, unit = self.results, self.view.unit
        now = results.frame_rms[place]
        after = None if results.frame_after is None else results.frame_after[place]
        base = float(self._base(np.array([speed]))[0])
        text = quantity(now, unit)
        if after is not None:
            text = paired(text, compared(after, now, unit), "→")
        text = f"{speed_name(speed, results.axis)}: {text}"
        half = letters_wide(text, 13.0) / 2.0 + 9.0
        return Mark(
            round(float(self.x(speed)), 2),
            self._height(now / base),
            self._height(after and after / base),
            text,
            round(half),
        )

    def _height(self, ratio: float | None) -> float | None:
        """Height of a dot, None outside the panel."""
        if ratio is None or not self.bottom <= ratio <= self.top:
            return None
        return round(float(self.y(ratio)), 2)

    def _alternative(self, answer: str) -> str:
        base = "its limit" if self.limited else "the speed"
        low, high = (quantity(end, self.view.unit, strip=True) for end in (self.low, self.high))
        after = "" if self.after is None else " A second curve shows it with the measures named above."
        limit = (
            f" The {rule(self.view.limit, self.view).replace(': ', ' is ')}."
            if self.limited and self.view.limit
            else ""
        )
        return (
            f"Log-log chart of velocity ripple, rms, as a share of {base}, against speed from {low} to {high}. "
            f"{answer}.{limit}{after}"
        )


def _ratio_name(ratio: float, limited: bool) -> str:
    """A ratio as the axis of the hero names it."""
    if limited and abs(ratio - 1.0) < 1e-9:
        return "limit"
    return f"{ratio:g} ×" if limited and ratio > 1.0 else percent(float(f"{ratio:.1e}"), 2, strip=True)


def _fitting(labels: tuple[str, ...], share: float, layout: str) -> str:
    """The longest of some words that fits into a segment of this width in per cent."""
    dots, _, letters = LAYOUTS[layout]
    room = share / 100.0 * dots - 6.0
    return next((text for text in labels if letters_wide(text, letters) < room), "")


def _sentences(results: Findings, view: RippleView) -> tuple[str, tuple[str, ...]]:
    """The answer; the largest cause and what then."""
    found = results.headline
    if found.kind == "none" or not len(view.speed) or title(view).startswith("Not reliable"):
        return title(view), ((UNSTABLE,) if results.unstable else ())
    unit = view.unit
    answer = found.words(lambda speed: quantity(speed, unit, 2, strip=True), lambda share: percent(share, 2))
    if results.unstable:
        return "The closed loop is unstable", (
            f"Without the loop: {answer[:1].lower()}{answer[1:]}.",
            UNSTABLE,
        )
    role = role_of(view, found.place)
    aliased = "aliased " if role == "cyclic" and str(view.regime[found.place]) == "aliased" else ""
    why = f"Largest cause there: {aliased}{cause_words(role)}."
    return answer, (why, *_other_limits(results), *_then(results))


def _over(share: float) -> str:
    """A ripple over its limit in words, also close to 1."""
    return headlines.times(share) if share >= 1.05 else f"{percent(share, 4)} of the limit"


def _other_limits(results: Findings) -> tuple[str, ...]:
    """Limits on other things than measured ripple that are missed."""
    judged = results.judgement
    if judged is None:
        return ()
    units = judged.units
    return tuple(
        f"Missed: {limit_name(each.name, judged.axis)}, {in_unit(each.value, units[each.name], other=each.limit)} "
        f"where {in_unit(each.limit, units[each.name])} is the limit."
        for each in judged.limits
        if not each.met and not (each.name in ("measured", "relative") and results.headline.kind != "met")
    )


def _then(results: Findings) -> tuple[str, ...]:
    """What to do, and what that leaves."""
    measures, after = results.measures, results.after_headline
    if results.judgement is not None and results.judgement.met:
        return ("Nothing has to change.",)
    if measures is None or after is None:
        return ("None of the measures tried helps here.",) if results.headline.kind != "met" else ()
    unit, name = f"{results.axis.scale.unit}/s", sentence(measures.name)
    if after.limited:
        every = "at every speed" if after.every else "at every speed with a reliable result"
        left = (
            f"the limit is then met {every}"
            if after.kind == "met"
            else f"the ripple is then at most {_over(after.share)}, at {quantity(after.speed, unit, 2, strip=True)}"
        )
        return (f"{name}: {left}.",)
    place = results.detail_place
    assert results.frame_after is not None
    now, then = results.frame_rms[place], results.frame_after[place]
    at = speed_name(results.detail.speed, results.axis)
    return (
        f"{name}: at {at} the ripple then falls from {paired(quantity(now, unit), compared(then, now, unit), 'to')}.",
    )


def answer(results: Findings, store: LookStore) -> Block:
    """Ripple and its parts against speed, with every limit."""
    curve, judged, limit = results.curve, results.judgement, results.requirement
    view, plain = prepare_ripple(curve, limit), in_plain_words(curve)
    shown = picture(
        "ripple",
        results.axis,
        lambda style: ripple_picture.ripple(plain, limit=limit, style=style),
        store,
        range_of_speeds(view) if len(view.speed) > 1 else None,
    )
    says = [f"{shown.title}."] if judged is None else [verdict(judged, results.headline)]
    if len(view.speed) > 1:
        says.append(reason(results.detail, results.axis))
    if results.closed:
        says.append("Measured ripple is what the controller sees with its loop closed.")
    limits = () if judged is None else (Table(*limit_table(judged), folded=False),)
    return Block(
        key="answer",
        heading="What is the ripple made of?",
        says=tuple(says),
        doubts=results.doubts,
        doubted=doubted(curve),
        pictures=(shown,),
        tables=(*limits, _ripple_table(results, view)),
    )


def _ripple_table(results: Findings, view: RippleView) -> Table:
    """Ripple at some speeds."""
    unit, allowed = view.unit, view.allowed
    rows = tuple(
        (
            quantity(view.speed[i], unit),
            quantity(view.rms[i], unit),
            percent(view.rms[i] / view.speed[i], 3),
            *(() if allowed is None else _held(view.rms[i], allowed[i], unit)),
            REGIMES[str(view.regime[i])].cell,
        )
        for i in near(view.speed, results.table_speeds)
    )  # fmt: skip
    limit = () if allowed is None else ("Limit", "Verdict")
    return Table(
        "Numbers of this picture", ("Speed", "Ripple, rms", "Of the speed", *limit, "Largest part"), rows
    )


def _held(rms: float, allowed: float, unit: str) -> tuple[str, str]:
    if math.isinf(allowed):
        return "none", ""
    return quantity(allowed, unit), "above" if rms > allowed else "within"
