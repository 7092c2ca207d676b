"""Pieces of a page: its results and answer, blocks with sentences, tables of numbers, figures in two layouts."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast
from xml.sax.saxutils import escape, unescape

import numpy as np

from .. import checks
from ..checks import one_line
from ..decisions import headlines
from ..figures.ripple_view import answer_is_doubtful, cause_words, role_of, title
from ..model.axis import check_axis
from ..presentation import canvas
from ..presentation.canvas import Style
from ..presentation.inline_svg import LookStore, inline
from ..wording import axis_words, percent, quantity, sentence
from .page_words import other_limits, plain_doubts, say, several, spoken, told, what_then, within

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.explanation import Explanation
    from ..decisions.headlines import Headline
    from ..decisions.judgements import Judgement
    from ..decisions.remedies import Remedy, Step
    from ..decisions.requirements import Requirement
    from ..figures.ripple_view import RippleView
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..open_loop.period_error import PeriodError
    from ..rings.budget import Budget
    from ..rings.error_orders import RingCurve
    from ..spreads.tolerancing import Tolerance
    from .page_frames import Slider
    from .page_speeds import DetailSpeed


# Text in a drawing.
LETTERS = re.compile(r"(<(?:text|title|desc)\b[^>]*>)([^<]+)")
# Axes of a page, and letters of their names.
MOST_SUBJECTS, LONGEST_NAME = 6, 40
STYLES = {"wide": Style(bare=True), "phone": Style(page="phone", bare=True)}


@dataclass(frozen=True, eq=False)
class Findings:
    """All results that a page shows.

    ``measures`` are the best combined measures, ``after`` and ``frame_after`` the ripple with them over the same speeds
    and at those of the slider; None where nothing has to change or helps. ``yields`` are the shares of axes that meet
    the requirement at each step of the ``ladder``; ``asked`` is the range of speeds that was asked for.
    """

    axis: Axis
    requirement: Requirement | None
    judgement: Judgement | None
    headline: Headline
    curve: RippleCurve
    error: PeriodError
    detail: DetailSpeed
    explanation: Explanation
    slider: Slider
    asked: tuple[float, float] = (0.0, math.inf)
    ladder: tuple[Step, ...] = ()
    yields: tuple[float | None, ...] = ()
    measures: Remedy | None = None
    after: RippleCurve | None = None
    frame_after: tuple[float, ...] | None = None
    smoothness: Smoothness | None = None
    margins: Margins | None = None
    ring_curve: RingCurve | None = None
    ring_budget: Budget | None = None
    tolerance: Tolerance | None = None

    @property
    def table_speeds(self) -> np.ndarray:
        """Speeds of the tables of numbers: those of the slider."""
        return np.array([frame.speed for frame in self.slider.frames])

    @property
    def frame_rms(self) -> tuple[float, ...]:
        """Ripple at the speeds of the slider."""
        return tuple(frame.rms for frame in self.slider.frames)

    @property
    def detail_place(self) -> int:
        """Number of the frame that is shown first, that of the speed explained in detail."""
        return next(place for place, frame in enumerate(self.slider.frames) if frame.first)

    @property
    def limited(self) -> bool:
        """Whether measured ripple is limited at any of the speeds."""
        allowed = headlines.allowed(self.requirement, self.curve.speed)
        return allowed is not None and bool(np.isfinite(allowed).any())

    @property
    def after_headline(self) -> Headline | None:
        """The answer about the ripple with the measures."""
        if self.after is None:
            return None
        limit = headlines.allowed(self.requirement, self.after.speed)
        return headlines.headline(self.after.speed, self.after.rms, limit=limit, doubtful=self.after.doubtful)

    @property
    def closed(self) -> bool:
        """Whether the measured ripple is that of a closed loop."""
        return self.smoothness is not None and self.smoothness.stable

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why the answer is not reliable, each reason once."""
        judged = () if self.judgement is None else self.judgement.reasons
        unstable = self.smoothness.reasons if self.smoothness is not None and self.unstable else ()
        return plain_doubts([*unstable, *within(self.curve, self.asked), *judged])

    @property
    def unstable(self) -> bool:
        """Whether there is a closed loop and it is not stable."""
        return self.smoothness is not None and not self.smoothness.stable


@dataclass(frozen=True, eq=False)
class Subject:
    """One axis of a page: its name (empty where it is the only one), its limits, and the spread of its design."""

    name: str
    axis: Axis
    requirement: Requirement | None = None
    tolerance: Tolerance | None = None


def subjects(given: Any, requirement: Requirement | None, tolerance: Tolerance | None) -> list[Subject]:
    """The axes that a page is asked for; raises InputError if they are none or do not fit together."""
    if isinstance(given, Mapping) and given:
        named = [(one_line(str(name), LONGEST_NAME), axis) for name, axis in given.items()]
    elif isinstance(given, list | tuple) and given:
        named = [(say("axes.number", number=number), axis) for number, axis in enumerate(given, 1)]
    else:
        check_axis("report.axis", given)
        return [Subject("", given, requirement, tolerance)]
    for _, axis in named:
        check_axis("report.axis", axis)
    if len(named) > MOST_SUBJECTS:
        checks.refuse("report.axis", f"be 1 to {MOST_SUBJECTS} axes", len(named))
    if len({axis.scale.unit for _, axis in named}) > 1:
        checks.refuse("report.axis", "be axes that are all linear or all rotary", "both kinds")
    if len(named) == 1:
        return [Subject("", named[0][1], requirement, tolerance)]
    if tolerance is not None:
        checks.refuse("report.tolerance", "be left out with several axes", "one")
    return [Subject(name, axis, requirement) for name, axis in named]


@dataclass(frozen=True)
class Picture:
    """One figure in both layouts, with the words that stand beside it.

    ``edges`` are left and right end of its axis of speeds in each layout, per cent of the width, and the speeds
    there: {"wide": (left, right), "phone": ..., "speeds": (low, high)}; empty where nothing is marked in it.
    """

    key: str
    title: str
    note: str
    wide: str
    phone: str
    edges: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Table:
    """Numbers under a figure; ``head`` names the columns, ``kind`` is its look."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    folded: bool = True
    kind: str = "numbers"


@dataclass(frozen=True)
class Block:
    """One question of the page and its answer.

    Attributes
    ----------
    key, heading : str
    says : tuple of str
        Sentences, the answer first.
    doubts : tuple of str
        Why what the pictures show is not reliable.
    doubted : str
        The part that is not reliable, as the subject of a sentence.
    pictures : tuple of Picture
    tables : tuple of Table
    points : tuple of str
        A list at the end.
    more : Block or None
        Further details, folded.
    """

    key: str
    heading: str
    says: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    doubted: str = ""
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    points: tuple[str, ...] = ()
    more: Block | None = None

    @property
    def tall(self) -> float:
        """Height of the first picture on paper, mm; 0 where there is none."""
        sizes = [re.search(r'viewBox="0 0 (\S+) (\S+)"', shown.phone) for shown in self.pictures[:1]]
        return sum(90.0 * float(found[2]) / float(found[1]) for found in sizes if found)


@dataclass(frozen=True)
class Label:
    """A name in the hero: role of its colour, and text, left and top of its middle in per cent by layout."""

    role: str
    wide: tuple[str, float, float]
    phone: tuple[str, float, float]


@dataclass(frozen=True)
class Segment:
    """A part of the ribbon of causes: left and width in per cent, roles of fill and ink, word by layout."""

    left: float
    width: float
    role: str
    ink: str
    wide: str
    phone: str


@dataclass(frozen=True)
class Mark:
    """The mark of one frame: its place, heights of the curves there (None outside the panel), and words."""

    left: float
    now: float | None
    after: float | None
    text: str
    half: float


@dataclass(frozen=True, eq=False)
class Hero:
    """The first screen: sentences, and the panel; places in per cent of its width and height."""

    answer: str
    says: tuple[str, ...]
    head: str
    short: str
    rule: str
    speeds: tuple[float, float]
    now: str
    after: str
    wash: str
    limit: float | None
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    hatched: tuple[tuple[float, float], ...]
    ribbon: tuple[Segment, ...]
    causes: tuple[tuple[str, str], ...]
    labels: tuple[Label, ...]
    marks: tuple[Mark, ...]
    alt: str


@dataclass(frozen=True, eq=False)
class AxesCompared:
    """Several axes side by side: sentences, table, and their curves in one panel like that of the hero.

    ``curves`` are (role of the colour, path), ``labels`` as in the hero.
    """

    answer: str
    says: tuple[str, ...]
    table: Table
    head: str
    curves: tuple[tuple[str, str], ...]
    limit: float | None
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    labels: tuple[Label, ...]
    names: tuple[str, ...]
    alt: str


def near(speed: np.ndarray, wanted: np.ndarray) -> list[int]:
    """Indices of the speeds nearest to the wanted ones, ascending."""
    return sorted({int(np.argmin(np.abs(speed - each))) for each in wanted}) if len(speed) else []


def picture(
    key: str,
    axis: Axis,
    draw: Callable[[Style], Axes],
    store: LookStore,
    speeds: tuple[float, float] | None = None,
) -> Picture:
    """A figure in both layouts."""
    with canvas.own_settings():
        axes = {name: draw(style) for name, style in STYLES.items()}
    made = {
        name: LETTERS.sub(_told, inline(cast("Figure", ax.figure), f"{key}-{name}", store))
        for name, ax in axes.items()
    }
    figure = cast("Any", axes["wide"].figure)
    edges = {} if speeds is None else {name: _edges(ax) for name, ax in axes.items()} | {"speeds": speeds}
    note = figure.encsim_note.removeprefix(sentence(axis_words(axis))).lstrip(".,; ")
    return Picture(key, told(figure.encsim_title), told(sentence(note)), made["wide"], made["phone"], edges)


def _told(match: re.Match[str]) -> str:
    """Text of a drawing in the language of the page."""
    return f"{match[1]}{escape(told(unescape(match[2])))}"


def _edges(ax: Axes) -> tuple[float, float]:
    box = ax.get_position()
    return round(100.0 * box.x0, 2), round(100.0 * box.x1, 2)


def hero_sentences(results: Findings, view: RippleView) -> tuple[str, tuple[str, ...]]:
    """The answer; the largest cause and what then."""
    found = results.headline
    unstable = (say("hero.stabilise"),) if results.unstable else ()
    if found.kind == "none" or not len(view.speed) or answer_is_doubtful(view):
        return told(title(view)), unstable
    unit = view.unit
    # the worst speed as the slider names it
    answer = told(
        found.words(
            lambda speed: quantity(speed, unit, 3 if speed == found.speed else 2, strip=True),
            lambda share: percent(share, 2),
        )
    )
    if found.limited:
        answer = say("hero.met" if found.kind == "met" else "hero.exceeded", answer=answer)
    if results.unstable:
        without = say("hero.without_loop", answer=f"{answer[:1].lower()}{answer[1:]}")
        return say("hero.unstable"), (without, *unstable)
    place = int(np.argmin(np.abs(view.speed - found.speed)))  # the speeds that are drawn are not those judged
    why = _why(results, role_of(view, place), str(view.regime[place]))
    return answer, (why, *other_limits(results), *what_then(results))


def _why(results: Findings, role: str | None, regime: str) -> str:
    """The largest cause, for somebody who does not know encoders."""
    kind, axis = "aliased" if role == "cyclic" and regime == "aliased" else str(role), results.axis
    sizes = {"pitch": axis.scale.pitch, "count": axis.resolution}
    words = {name: quantity(size, axis.scale.unit, strip=True) for name, size in sizes.items()}
    if f"hero.of_{kind}" in spoken().words and (role != "counts" or axis.resolution):
        cause = say(f"hero.of_{kind}", **words)
    else:
        cause = told(cause_words(role))
    return say("hero.largest" if results.headline.kind == "met" else "hero.why", cause=cause)


class Terms:
    """Explanations of the terms of a page: each where it stands first in a section, as a native popover."""

    def __init__(self) -> None:
        self.meanings = spoken().meanings
        self.known: set[tuple[str, str]] = set()
        terms, ends = (
            "|".join(sorted(self.meanings, key=len, reverse=True)),
            "|".join(several("terms.endings")),
        )
        self.pattern = re.compile(rf"\b({terms})(?:{ends})\b", re.IGNORECASE)

    def explained(self, text: str, section: str) -> str:
        """A text as markup, with a button at each term that this section has not explained yet."""
        return self.pattern.sub(lambda match: self._button(match[0], match[1].lower(), section), escape(text))

    def _button(self, shown: str, term: str, section: str) -> str:
        if (section, term) in self.known:
            return shown
        self.known.add((section, term))
        name = f"term-{section}-{list(self.meanings).index(term)}"
        return (
            f'<button type="button" class="term" popovertarget="{name}" style="anchor-name:--{name}">{shown}</button>'
            f'<span popover id="{name}" class="meaning" style="position-anchor:--{name}">'
            f"<b>{term}</b>: {self.meanings[term]}</span>"
        )
