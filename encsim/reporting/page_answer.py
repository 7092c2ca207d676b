"""The first screen of a page: how smoothly the axis runs at every speed, why, and what the best measures leave.

The hero is one panel of 1000 by 1000 units, ripple over its limit (over the speed where there is none) against speed,
which the page stretches to any width; names, ticks and marks stand over it as text, in per cent of the panel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..decisions import headlines
from ..decisions.headlines import paired
from ..figures import ripple as ripple_picture
from ..figures.ripple_view import edges_of, prepare_ripple, range_of_speeds, rule, runs
from ..open_loop.causes import REGIMES
from ..presentation.ticks import Decades, PlainNumbers
from ..presentation.web_panels import HIGH, WIDE, letters_wide, path, placed
from ..wording import axis_unit, compared, percent, quantity, sentence
from .page_blocks import AxesCompared, Block, Hero, Label, Mark, Segment, Table, hero_sentences, picture
from .page_speeds import reason, ripple_of, speed_name
from .page_words import (
    changed_words,
    doubted,
    in_plain_words,
    limit_table,
    listing,
    say,
    several,
    told,
    verdict,
)

if TYPE_CHECKING:
    from ..figures.ripple_view import RippleView
    from ..presentation.inline_svg import LookStore
    from .page_blocks import Findings


# Colours of the curves of several axes.
COMPARED = ("ink", "true", "force", "counts", "cyclic", "noise")
# Panel of the hero in dots, and size of its letters, in the layout for a screen and for a phone.
LAYOUTS = {"wide": (1070.0, 270.0, 13.0), "phone": (318.0, 216.0, 12.0)}
# Panel on paper, dots: the names of curves have room there too; that of the limit then stands in the head.
PAPER = 640.0
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

    def __init__(self, results: Findings, *, alone: bool = True, limited: bool = True) -> None:
        self.results = results
        self.view = prepare_ripple(in_plain_words(results.curve), results.requirement)
        after = results.after if alone else None
        self.after = None if after is None else prepare_ripple(after, results.requirement)
        self.low, self.high = range_of_speeds(self.view)
        self.limited = limited and self.view.allowed is not None
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
        answer, says = hero_sentences(self.results, self.view)
        ribbon, causes = self._ribbon()
        of = ("limit" if self.limited else "speed") + ("_loop" if self.results.closed else "")
        return Hero(
            answer=answer,
            says=says,
            head=say(f"hero.head_{of}"),
            short=say(f"hero.short_{of}"),
            speeds=(self.low, self.high),
            rule=self._rule().partition(": ")[2],
            now=self._curve(self.view),
            after=self._curve(self.after),
            wash=self._wash(),
            limit=round(float(self.y(1.0)), 2) if self.limited else None,
            x_ticks=self._speed_ticks(),
            y_ticks=self._ratio_ticks(),
            hatched=self._hatched(),
            ribbon=ribbon,
            causes=causes,
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
        """Segments of the largest cause, and the causes with their colours."""
        edges, made = self.x(edges_of(self.view)), []
        if not self.view.parts:
            return (), ()
        found = runs(self.view.regime)
        for first, last in found:
            key, left = str(self.view.regime[first]), float(edges[first])
            wide, look = float(edges[last + 1]) - left, REGIMES[key]
            words = {name: _fitting(tuple(map(told, look.labels)), wide, name) for name in LAYOUTS}
            made.append(Segment(round(left, 2), round(wide + 0.05, 2), look.role, look.ink, **words))
        keys = dict.fromkeys(str(self.view.regime[first]) for first, _ in found)
        return tuple(made), tuple((REGIMES[key].role, told(REGIMES[key].labels[0])) for key in keys)

    def _labels(self) -> tuple[Label, ...]:
        """Names of the limit and the two curves, each where no other line is near."""
        lines = {"now": (self.view.speed, self.now)}
        wanted = []
        if self.limited and self.view.limit is not None:
            lines["limit"] = (np.geomspace(self.low, self.high, 50), np.ones(50))
            text = self._rule()
            # the panel of a phone has no room for it: it stands above
            wanted.append(("limit", "limit", {"wide": text, "phone": ""}))
        if self.after is not None and self.results.measures is not None:
            lines["after"] = (self.after.speed, self._ratio(self.after))
            many = self.results.measures.kind == "together"
            after = say("hero.with_measures" if many else "hero.with_measure")
            wanted += [("now", "ink", dict.fromkeys(LAYOUTS, say("hero.now")))]
            wanted += [("after", "true", dict.fromkeys(LAYOUTS, after))]
        drawn = {key: np.stack([self.x(speed), self.y(ratio)]) for key, (speed, ratio) in lines.items()}
        drawn["mark"] = np.array([[float(self.x(self.results.detail.speed))] * 2, [0.0, 100.0]])
        made = {
            name: placed([(text[name], key) for key, _, text in wanted], drawn, layout, ("limit", PAPER))
            for name, layout in LAYOUTS.items()
        }
        return tuple(
            Label(role, *((text[name], *made[name][number]) for name in LAYOUTS))
            for number, (_, role, text) in enumerate(wanted)
        )

    def _rule(self) -> str:
        """The limit in words; nothing where there is none."""
        return told(rule(self.view.limit, self.view)) if self.limited and self.view.limit else ""

    def _mark(self, speed: float, place: int) -> Mark:
        """The mark of a frame."""
        results, unit = self.results, self.view.unit
        now = results.frame_rms[place]
        after = None if results.frame_after is None else results.frame_after[place]
        base = float(self._base(np.array([speed]))[0])
        text = quantity(now, unit)
        if after is not None:
            text = paired(text, compared(after, now, unit), "→")
        text = say("hero.mark", speed=speed_name(speed, results.axis), ripple=text)
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
        low, high = (quantity(end, self.view.unit, strip=True) for end in (self.low, self.high))
        ruled = self._rule()
        return say(
            "hero.alt_limit" if self.limited else "hero.alt_speed",
            low=low,
            high=high,
            answer=answer,
            limit=say("hero.alt_rule", rule=sentence(ruled)) if ruled else "",
            after="" if self.after is None else say("hero.alt_after"),
        )


def _ratio_name(ratio: float, limited: bool) -> str:
    """A ratio as the axis of the hero names it."""
    if limited and abs(ratio - 1.0) < 1e-9:
        return say("hero.limit")
    if limited and ratio > 1.0:
        return say("hero.times", ratio=f"{ratio:g}")
    return percent(float(f"{ratio:.1e}"), 2, strip=True)


def _fitting(labels: tuple[str, ...], share: float, layout: str) -> str:
    """The longest of some words that fits into a segment of this width in per cent."""
    dots, _, letters = LAYOUTS[layout]
    room = share / 100.0 * dots - 6.0
    return next((text for text in labels if letters_wide(text, letters) < room), "")


def comparison(made: Sequence[tuple[str, Findings]]) -> AxesCompared:
    """Several axes compared: a table, and their curves in one panel."""
    limited = all(results.limited for _, results in made)
    panels = [_HeroPanel(results, alone=False, limited=limited) for _, results in made]
    first = panels[0]
    for panel in panels:
        panel.low, panel.high = min(one.low for one in panels), max(one.high for one in panels)
        panel.top, panel.bottom = max(one.top for one in panels), min(one.bottom for one in panels)
    names = tuple(name for name, _ in made)
    loop = "_loop" if all(results.closed for _, results in made) else ""
    lines = {
        name: np.stack([panel.x(panel.view.speed), panel.y(panel.now)])
        for name, panel in zip(names, panels, strict=True)
    }
    wanted = [(name, name) for name in names]
    if limited:
        lines[""] = np.stack([np.linspace(0.0, 100.0, 50), np.full(50, float(first.y(1.0)))])
    places = [placed(wanted, lines, layout) for layout in LAYOUTS.values()]
    at, rms = _working(made)
    answer, *says = _compared_words(made, at, rms)
    head = say(f"hero.head_{'limit' if limited else 'speed'}{loop}")
    return AxesCompared(
        answer=answer,
        says=tuple(says),
        table=_compared_table(made, at, rms),
        head=head,
        curves=tuple((role, panel._curve(panel.view)) for role, panel in zip(COMPARED, panels, strict=False)),
        limit=round(float(first.y(1.0)), 2) if limited else None,
        x_ticks=first._speed_ticks(),
        y_ticks=first._ratio_ticks(),
        labels=tuple(
            Label(role, (name, *wide), (name, *phone))
            for role, name, wide, phone in zip(COMPARED, names, *places, strict=False)
        ),
        names=names,
        alt=say("axes.alt", head=head, names=listing(names), answer=answer),
    )


def _working(made: Sequence[tuple[str, Findings]]) -> tuple[str, list[float]]:
    """The speed that the first axis is explained at, in words, and the ripple of each axis there."""
    first = made[0][1]
    speed = np.array([first.detail.speed])
    name = speed_name(first.detail.speed, first.axis)
    return name, [float(ripple_of(results.axis, speed).rms[0]) for _, results in made]


def _quoted(name: str) -> str:
    return say("axes.name", name=name)


def _compared_words(made: Sequence[tuple[str, Findings]], at: str, rms: list[float]) -> tuple[str, ...]:
    """Which axes meet their limits; ripple at the working speed."""
    unit = f"{made[0][1].axis.scale.unit}/s"
    order = np.argsort(rms, kind="stable")
    low, high = (_quoted(made[int(order[place])][0]) for place in (0, -1))
    least, most = rms[int(order[0])], rms[int(order[-1])]
    sizes = {"least": quantity(least, unit), "most": compared(most, least, unit)}
    ripple = say("axes.ripple", speed=at, low=low, high=high, **sizes)
    if any(results.judgement is None for _, results in made):
        return (ripple,)
    judged = [(_quoted(name), results.judgement) for name, results in made]
    met = [name for name, found in judged if found is not None and found.met]
    missed = [name for name, _ in judged if name not in met]
    kind = "some" if met and missed else "all" if met else "no"
    verdict = say(f"axes.{kind}", met=listing(met) if met else "", missed=listing(missed) if missed else "")
    return verdict, ripple


def _compared_table(made: Sequence[tuple[str, Findings]], at: str, rms: list[float]) -> Table:
    """What differs from the first axis, ripple at the working speed, limits, worst speed."""
    unit, first = f"{made[0][1].axis.scale.unit}/s", made[0][1].axis
    rows: list[tuple[str, ...]] = []
    for (name, results), size in zip(made, rms, strict=True):
        found, judged = results.headline, results.judgement
        worst, there = percent(found.share, 3), quantity(found.speed, unit, strip=True)
        worst = say("axes.of_limit" if found.limited else "axes.of_speed", share=worst, speed=there)
        limits = "–"
        if judged is not None:
            missed = sum(not each.met for each in judged.limits)
            limits = say("axes.missed" if missed else "axes.met", count=missed, all=len(judged.limits))
        changed = "–" if results.axis is first else changed_words(first, results.axis)
        size_words = compared(size, rms[0], unit)
        rows.append((name, changed, size_words, limits, worst if found.share > 0.0 else "–"))
    heads = several("axes.heads")
    head = (*heads[:2], say("axes.ripple_at", speed=at), *heads[2:])
    if all(results.judgement is None for _, results in made):
        head, *rows = ((*row[:3], row[4]) for row in (head, *rows))
    return Table(say("axes.table"), head, tuple(rows), folded=False, kind="ladder")


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
        says.append(say("answer.closed"))
    limits = () if judged is None else (Table(*limit_table(judged), folded=False),)
    return Block(
        key="answer",
        heading=say("answer.heading"),
        says=tuple(says),
        doubts=results.doubts,
        doubted=doubted(curve),
        pictures=(shown,),
        tables=limits,
    )
