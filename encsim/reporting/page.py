"""An axis on one HTML page for readers who do not compute: answer, causes, remedies, reliability."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .. import __version__, checks, files, wording
from ..checks import one_line
from ..decisions import headlines
from ..decisions.explanation import explain
from ..decisions.remedies import ladder
from ..decisions.requirements import Requirement
from ..open_loop.period_error import position_error
from ..presentation.canvas import COLOURS
from ..presentation.inline_svg import LookStore
from ..progress import ProgressTo, Teller, teller
from ..spreads.tolerancing import tolerance as drawn_axes
from ..wording import sentence
from . import page_answer, page_blocks, page_frames, page_sections, page_words
from .page_blocks import Findings, Subject, subjects
from .page_speeds import (
    FEWEST,
    MOST,
    RANGE,
    asked_range,
    at_round_speed,
    curve_speeds,
    detail_speed,
    frame_speeds,
    given_speeds,
    judged_speeds,
    loop_results,
    measured_curve,
    ring_results,
    ripple_of,
)
from .page_words import joined, led, say, told

if TYPE_CHECKING:
    import jinja2

    from ..decisions.judgements import Judgement
    from ..decisions.remedies import Remedy, Step
    from ..model.axis import Axis
    from ..spreads.tolerancing import Tolerance
    from .page_speeds import Speeds


SEED = 0
# Axes drawn for each step of the ladder.
MOST_AXES = 200
STEPS = 4
# Speeds of the curve around a single one.
AROUND_ONE = 300
LONGEST_TITLE = 200
# Height of the pictures that fit below each other on paper with their words, mm.
COLUMN = 190.0


def report(
    axis: Axis | Sequence[Axis] | Mapping[str, Axis],
    path: Path | str,
    speeds: Speeds | None = None,
    requirement: Requirement | None = None,
    title: str | None = None,
    reproducible: bool = False,
    force: bool = False,
    *,
    seed: int = SEED,
    tolerance: Tolerance | None = None,
    lang: str = page_words.ENGLISH,
    progress: ProgressTo = None,
) -> Path | str:
    """Write one page about an axis: an HTML file without further files, for a browser, a mail, or print.

    Several axes (before and after, variants) stand on one page: compared first, then each by a chooser.

    Parameters
    ----------
    axis : Axis, sequence of up to 6 Axis, or dict of str to Axis
        With load and control the page shows the closed loop too, with a ring its budget. Several are all linear or
        all rotary; the keys of a dict are their names, else they are numbered.
    path : str or path-like
        File to write.
    speeds : array_like, optional
        m/s or rad/s. 20 or more are the range that is shown; each of fewer gets a place on the speed slider. Without
        them the range is that of the requirement, or the usual one of the axis.
    requirement : Requirement, optional
        Limits that the page judges the axis by.
    title : str, optional
        Heading of the page; any text.
    reproducible : bool
        Leave the date out: the same axis then gives the same bytes each time.
    force : bool
        Replace a file that exists.
    seed : int
        Seed of the short simulations for the speed slider.
    tolerance : Tolerance, optional
        Spread between axes of this design, shown too; for one axis only.
    lang : str
        Language of the page: ``"en"``.
    progress : callable or True, optional
        ``progress(done, total)`` is called at each of four steps; True tells on stderr.

    Returns
    -------
    str or path-like
        The path as given.

    Raises
    ------
    InputError
        If a speed is no finite number, the axis cannot be judged by the requirement, several axes cannot stand on one
        page, the language is not there, the file exists and force is false, or it cannot be written.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.report(axis, "page.html", speeds=[0.005], reproducible=True)
    'page.html'
    """
    with page_words.speaking(page_words.language(lang)):
        given = subjects(axis, requirement, tolerance)
    files.refuse_existing(path, force=force)
    with wording.of(given[0]):
        text = page(
            given,
            speeds=speeds,
            title=title,
            reproducible=reproducible,
            seed=seed,
            lang=lang,
            progress=progress,
        )
    files.write_whole(path, text, force=force)
    return path


def page(
    given: Sequence[Subject],
    *,
    speeds: Speeds | None = None,
    title: str | None = None,
    reproducible: bool = False,
    seed: int = SEED,
    lang: str = page_words.ENGLISH,
    progress: ProgressTo = None,
) -> str:
    """The page that :func:`report` writes, as text."""
    with page_words.speaking(page_words.language(lang)):
        made = []
        for one in given:
            tell, most = teller("report", progress, "steps"), max(FEWEST, MOST // len(given))
            found = findings(one.axis, speeds, one.requirement, seed, tell, most)
            made.append((one.name, with_spread(found, one.tolerance)))
        return rendered(made, title, seed, dated=not reproducible)


def findings(
    axis: Axis,
    speeds: Speeds | None,
    requirement: Requirement | None,
    seed: int,
    tell: Teller,
    most: int = MOST,
) -> Findings:
    """Compute all that a page shows of an axis, with so many frames at most."""
    _check(requirement, seed)
    given = given_speeds(axis, speeds)
    tell(1, STEPS, "judging the axis" if requirement is not None else "computing ripple")
    judged = None if requirement is None else requirement.judge(axis)
    sweep = curve_speeds(axis, given) if judged is None else judged_speeds(axis, judged, given)
    smooth, stability = loop_results(axis, sweep)
    curve = measured_curve(axis, sweep, smooth)
    named = given if len(given) < RANGE else given[:0]
    limit = headlines.allowed(requirement, curve.speed)
    found = headlines.headline(curve.speed, curve.rms, limit=limit, doubtful=curve.doubtful)
    headline, judged = at_round_speed(found, judged, axis)
    detail = detail_speed(headline, judged, named, axis)
    tell(2, STEPS, "looking for causes and remedies")
    explanation = explain(axis, detail.speed)
    tell(3, STEPS, "computing the frames of the speed slider")
    frames, first = frame_speeds(axis, sweep, named, detail.speed, most)
    if len(curve.speed) == 1:
        curve = ripple_of(axis, np.union1d(np.geomspace(frames[0], frames[-1], AROUND_ONE), frames))
    closed = smooth is not None and smooth.stable
    slider = page_frames.slider(
        axis, frames, ripple_of(axis, np.asarray(frames)).rms, first, seed, closed=closed
    )
    stable = smooth is None or smooth.stable
    steps = _with_judgement(ladder(explanation, curve.speed, requirement), judged)
    measures = enough(steps) if stable and not (judged is not None and judged.met) else None
    tell(4, STEPS, "drawing")
    ring_errors, budget = ring_results(axis)
    return Findings(
        axis=axis,
        requirement=requirement,
        judgement=judged,
        headline=headline,
        curve=curve,
        error=position_error(axis),
        detail=detail,
        explanation=explanation,
        slider=slider,
        asked=asked_range(named, requirement),
        ladder=steps,
        measures=measures,
        after=None if measures is None else ripple_of(measures.axis, curve.speed),
        frame_after=None
        if measures is None
        else tuple(ripple_of(measures.axis, np.asarray(frames)).rms.tolist()),
        smoothness=smooth,
        margins=stability,
        ring_curve=ring_errors,
        ring_budget=budget,
    )


def _with_judgement(steps: tuple[Step, ...], judged: Judgement | None) -> tuple[Step, ...]:
    """A ladder whose first step, the axis as it is, has the judgement that the page tells."""
    return steps if judged is None else (replace(steps[0], judgement=judged), *steps[1:])


def enough(steps: tuple[Step, ...]) -> Remedy | None:
    """The first measures that meet every limit; where none do, all that are combined; None where none help."""
    _, *helping = steps
    combined = [step for step in helping if not step.instead]
    step = next((step for step in helping if step.met), combined[-1] if combined else None)
    return None if step is None else step.remedy


def _check(requirement: Requirement | None, seed: int) -> None:
    """Refuse a wrong requirement or seed before anything is computed."""
    if requirement is not None and not isinstance(requirement, Requirement):
        hint = "encsim.requirements.load(path) reads one"
        checks.refuse("report.requirement", "be a Requirement", requirement, hint=hint)
    if not checks.is_whole(seed) or not 0 <= seed < 2**64:
        checks.refuse("report.seed", "be a whole number from 0 to 2**64 - 1", seed)


def with_spread(results: Findings, tolerance: Tolerance | None) -> Findings:
    """Results with a spread between axes: how many of them pass at each step of the ladder."""
    if tolerance is None or results.requirement is None:
        return replace(results, tolerance=tolerance)
    yields = tuple(_passing_axes(step, tolerance, results.requirement) for step in results.ladder)
    return replace(results, tolerance=tolerance, yields=yields)


def _passing_axes(step: Step, spread: Tolerance, requirement: Requirement) -> float | None:
    """Share of the axes that meet the requirement after a step; None where the spread does not fit it."""
    samples = min(spread.samples, MOST_AXES)
    try:
        found = drawn_axes(
            step.axis, spread.spread, spread.speed, samples, spread.seed, requirement, executor=1
        )
    except checks.InputError:
        return None
    return found.yield_fraction


def rendered(
    made: Sequence[tuple[str, Findings]], title: str | None = None, seed: int = SEED, *, dated: bool = True
) -> str:
    """Results of one axis, or of several with their names, as the text of the page."""
    store, environment = LookStore(), _environment()
    script = (page_words.TEMPLATES / "page.js").read_text(encoding="utf-8")
    heroes = [page_answer.hero(results) for _, results in made]
    articles = [
        _own(
            _article(
                environment,
                name,
                results,
                store,
                hero=hero,
                provenance=_provenance(results.axis, seed, dated),
            ),
            number if len(made) > 1 else None,
        )
        for number, ((name, results), hero) in enumerate(zip(made, heroes, strict=True))
    ]
    first, comparison = made[0][1], page_answer.comparison(made) if len(made) > 1 else None
    return environment.get_template("page.html").render(
        title=heading(title),
        comparison=comparison,
        articles=articles,
        answer=(comparison or heroes[0]).answer,
        language=page_words.spoken().code,
        axis=page_words.axis_sentence(first.axis),
        frames=max(len(results.slider.frames) for _, results in made),
        letters=store,
        colours=COLOURS,
        script=script,
        script_hash=_script_hash(script),
    )


def _article(
    environment: jinja2.Environment,
    name: str,
    results: Findings,
    store: LookStore,
    *,
    hero: page_blocks.Hero,
    provenance: tuple[tuple[str, str], ...],
) -> str:
    """All about one axis; its terms are explained anew."""
    from markupsafe import Markup

    terms = page_blocks.Terms()
    environment.filters["explained"] = lambda text, section: Markup(terms.explained(text, section))
    source, sure = page_sections.source(results, store), page_sections.reliability(results, store)
    signal, ring = page_sections.signal(results, store), page_sections.ring(results, store)
    # with a ring and no loop: so ordered, the columns of paper have no large gaps
    alone = ring is not None and results.smoothness is None
    last = [ring, signal] if alone and source.tall + signal.tall > COLUMN else [signal, ring]
    blocks = [
        page_sections.remedies(results),
        page_answer.answer(results, store),
        page_sections.loop(results, store),
        *([sure, source, *last] if alone else [source, sure, *last]),
        page_frames.all_speeds(results),
    ]
    return environment.get_template("article.html").render(
        name=name,
        hero=hero,
        slider=results.slider,
        extras=sum(part is not None for part in (results.smoothness, results.ring_curve, results.tolerance)),
        axis=page_words.axis_sentence(results.axis),
        axis_rows=page_words.axis_rows(results.axis),
        blocks=[block for block in blocks if block is not None],
        cautions=tuple(map(told, results.explanation.cautions)),
        provenance=provenance,
        axis_text=results.axis.to_toml(),
    )


def _own(article: str, number: int | None) -> str:
    """An article whose ids, and what points to them, differ from those of the other articles of a page."""
    if number is None:
        return article
    own = f"a{number}-"
    text = re.sub(r' (id|for|popovertarget|name)="', rf' \1="{own}', article)
    text = re.sub(r'(href="|url\()#', rf"\1#{own}", text).replace(":--term-", f":--{own}term-")
    return re.sub(
        r' aria-labelledby="([^"]*)"',
        lambda match: f' aria-labelledby="{" ".join(own + each for each in match[1].split())}"',
        text,
    )


def heading(title: str | None) -> str:
    """A title as one line of text that is not empty."""
    return one_line(" ".join(str("" if title is None else title).split()), LONGEST_TITLE) or say("page.title")


def _provenance(axis: Axis, seed: int, dated: bool) -> tuple[tuple[str, str], ...]:
    """Where the page comes from, as (name, value)."""
    from datetime import UTC, datetime

    text = axis.to_toml()
    rows = [
        (say("page.computed_by"), f"encsim {__version__}"),
        (say("page.digest"), hashlib.sha256(text.encode()).hexdigest()),
        (say("page.seed"), str(seed)),
    ]
    return tuple(rows + ([(say("page.date"), datetime.now(UTC).strftime("%Y-%m-%d"))] if dated else []))


def _script_hash(script: str) -> str:
    """Hash of the only script that the security policy of the page allows."""
    import base64

    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _environment() -> jinja2.Environment:
    """Templates that escape everything but marked markup."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(page_words.TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals["say"] = say
    environment.filters |= {"markup": Markup, "joined": joined, "sentence": sentence, "led": led}
    return environment
