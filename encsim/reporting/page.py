"""An axis on one HTML page for readers who do not compute: answer, causes, remedies, reliability."""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .. import __version__, checks, files
from ..checks import one_line
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import margins
from ..closed_loop.timed_edge_loops import slowest_speed
from ..decisions import headlines
from ..decisions.explanation import explain
from ..decisions.remedies import ladder
from ..decisions.requirements import RIPPLES, Requirement
from ..decisions.ripple_summary import closes
from ..model.axis import check_axis
from ..open_loop.causes import regimes
from ..open_loop.closed_form import ripple
from ..open_loop.period_error import position_error
from ..plotting.canvas import COLOURS
from ..plotting.inline_svg import LookStore
from ..progress import ProgressTo, Teller, teller
from ..rings.budget import ring_budget
from ..rings.error_orders import ring_curve
from ..spreads.tolerancing import tolerance as drawn_axes
from ..wording import sentence
from . import page_answer, page_frames, page_sections, page_words
from .page_blocks import Findings
from .page_speeds import RANGE, curve_speeds, detail_speed, frame_speeds, given_speeds

if TYPE_CHECKING:
    import jinja2

    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..decisions.explanation import Explanation
    from ..decisions.remedies import Remedy, Step
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..rings.budget import Budget
    from ..rings.error_orders import RingCurve
    from ..spreads.tolerancing import Tolerance
    from .page_speeds import Speeds


SEED = 0
# Axes drawn for each step of the ladder.
MOST_AXES = 200
STEPS = 4
# Speeds of the curve around a single one.
AROUND_ONE = 300
TITLE = "How smoothly the axis runs"
LONGEST_TITLE = 200
TEMPLATES = Path(__file__).parent / "templates"
UNITS = re.compile(r"(\d) (?=(?:%|[pnµmk]?(?:m|m/s|s|N|A)|[mkM]?Hz|n?rad|deg|rpm|arcsec|dB)(?:\W|$))")


def report(
    axis: Axis,
    path: Path | str,
    speeds: Speeds | None = None,
    requirement: Requirement | None = None,
    title: str | None = None,
    reproducible: bool = False,
    force: bool = False,
    *,
    seed: int = SEED,
    tolerance: Tolerance | None = None,
    progress: ProgressTo = None,
) -> Path | str:
    """Write one page about an axis: an HTML file without further files, for a browser, a mail, or print.

    Parameters
    ----------
    axis : Axis
        With load and control the page shows the closed loop too, with a ring its budget.
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
        Spread between axes of this design, shown too.
    progress : callable or True, optional
        ``progress(done, total)`` is called at each of four steps; True tells on stderr.

    Returns
    -------
    str or path-like
        The path as given.

    Raises
    ------
    InputError
        If a speed is no finite number, the axis cannot be judged by the requirement, the file exists and force
        is false, or it cannot be written.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.report(axis, "page.html", speeds=[0.005], reproducible=True)
    'page.html'
    """
    check_axis("report.axis", axis)
    files.refuse_existing(path, force=force)
    text = page(
        axis,
        speeds=speeds,
        requirement=requirement,
        title=title,
        reproducible=reproducible,
        seed=seed,
        tolerance=tolerance,
        progress=progress,
    )
    files.write_whole(path, text, force=force)
    return path


def page(
    axis: Axis,
    *,
    speeds: Speeds | None = None,
    requirement: Requirement | None = None,
    title: str | None = None,
    reproducible: bool = False,
    seed: int = SEED,
    tolerance: Tolerance | None = None,
    progress: ProgressTo = None,
) -> str:
    """The page that :func:`report` writes, as text."""
    results = findings(axis, speeds, requirement, seed, teller("report", progress, "steps"))
    return rendered(with_spread(results, tolerance), title, seed, dated=not reproducible)


def findings(
    axis: Axis,
    speeds: Speeds | None,
    requirement: Requirement | None,
    seed: int,
    tell: Teller,
) -> Findings:
    """Compute all that a page shows."""
    _check(requirement, seed)
    given = given_speeds(axis, speeds)
    tell(1, STEPS, "judging the axis" if requirement is not None else "computing ripple")
    judged = None if requirement is None else requirement.judge(axis)
    sweep = curve_speeds(axis, given, requirement)
    if judged is not None:
        # the curve then has the worst speeds that the judgement tells
        worst = [check.speed for check in judged.limits if check.name in RIPPLES and check.speed > 0.0]
        sweep = np.union1d(sweep, worst)
    smooth, stability = _loop(axis, sweep)
    curve = _curve(axis, sweep, smooth)
    named = given if len(given) < RANGE else given[:0]
    limit = headlines.allowed(requirement, curve.speed)
    headline = headlines.headline(curve.speed, curve.rms, limit=limit, doubtful=curve.doubtful)
    detail = detail_speed(headline, judged, named, axis)
    tell(2, STEPS, "looking for causes and remedies")
    explanation = explain(axis, detail.speed)
    tell(3, STEPS, "computing the frames of the speed slider")
    frames, first = frame_speeds(axis, sweep, named, detail.speed)
    if len(curve.speed) == 1:
        curve = _ripple_of(axis, np.union1d(np.geomspace(frames[0], frames[-1], AROUND_ONE), frames))
    closed = smooth is not None and smooth.stable
    slider = page_frames.slider(
        axis, frames, _ripple_of(axis, np.asarray(frames)).rms, first, seed, closed=closed
    )
    stable = smooth is None or smooth.stable
    measures = best_measures(explanation) if stable and not (judged is not None and judged.met) else None
    tell(4, STEPS, "drawing")
    ring_errors, budget = _ring(axis)
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
        asked=_asked(named, requirement),
        ladder=ladder(explanation, curve.speed, requirement),
        measures=measures,
        after=None if measures is None else _ripple_of(measures.axis, curve.speed),
        frame_after=None
        if measures is None
        else tuple(_ripple_of(measures.axis, np.asarray(frames)).rms.tolist()),
        smoothness=smooth,
        margins=stability,
        ring_curve=ring_errors,
        ring_budget=budget,
    )


def _check(requirement: Requirement | None, seed: int) -> None:
    """Refuse a wrong requirement or seed before anything is computed."""
    if requirement is not None and not isinstance(requirement, Requirement):
        hint = "encsim.requirements.load(path) reads one"
        checks.refuse("report.requirement", "be a Requirement", requirement, hint=hint)
    if not checks.is_whole(seed) or not 0 <= seed < 2**64:
        checks.refuse("report.seed", "be a whole number from 0 to 2**64 - 1", seed)


def _asked(named: np.ndarray, requirement: Requirement | None) -> tuple[float, float]:
    """Lowest and highest speed that somebody asked for; all speeds where nobody did."""
    asked = [*named.tolist(), *(() if requirement is None else requirement.speeds)]
    return (min(asked), max(asked)) if asked else (0.0, math.inf)


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


def _curve(axis: Axis, sweep: np.ndarray, smooth: Smoothness | None) -> RippleCurve:
    """Measured ripple: of the closed loop where there is one that is stable, else in steady motion."""
    if smooth is None or not smooth.stable:
        return ripple(axis, sweep).refined()
    return _in_loop(axis, smooth)


def _in_loop(axis: Axis, smooth: Smoothness) -> RippleCurve:
    """Measured ripple of a closed loop as a curve of ripple; of steady motion where the loop is not stable."""
    if not smooth.stable:
        return ripple(axis, smooth.speed)
    steady = ripple(axis, smooth.speed)
    parts = smooth.parts["measured"]
    squares = {cause: part**2 for cause, part in parts.items()}
    return replace(
        steady,
        rms=smooth.measured,
        relative=smooth.measured / smooth.speed,
        parts=parts,
        regime=regimes(squares, steady.frequency, axis.sampling.rate),
        doubtful=smooth.doubtful,
        valid=smooth.valid,
        reasons=smooth.reasons,
    )


def _ripple_of(axis: Axis, speeds: np.ndarray) -> RippleCurve:
    """Measured ripple at these speeds, with the loop closed where there is a stable one."""
    if not closes(axis, speeds[0]):
        return ripple(axis, speeds)
    return _in_loop(axis, smoothness(axis, speeds))


def best_measures(explanation: Explanation) -> Remedy | None:
    """The combined measures; the first measure where none are combined."""
    if explanation.together is not None and explanation.together.applies:
        return explanation.together
    kept = (one for one in explanation.remedies if one.applies and one.speed == explanation.speed)
    return next(kept, None)


def _loop(axis: Axis, sweep: np.ndarray) -> tuple[Smoothness | None, Margins | None]:
    """Ripple and margins of the closed loop, if there is one."""
    if not closes(axis, sweep[-1]):
        return None, None
    smooth = smoothness(axis, sweep)
    stability = margins(axis, speed=slowest_speed(axis, float(sweep[0])))
    return smooth.refined() if smooth.stable else smooth, stability


def _ring(axis: Axis) -> tuple[RingCurve | None, Budget | None]:
    """Errors and budget of the ring, if there is one."""
    if axis.ring is None:
        return None, None
    budget = ring_budget(axis.ring, axis.heads, radius=axis.ring.diameter / 2.0)
    return ring_curve(axis.ring, axis.heads), budget


def rendered(results: Findings, title: str | None = None, seed: int = SEED, *, dated: bool = True) -> str:
    """Results as the text of the page."""
    store = LookStore()
    blocks = [
        page_sections.remedies(results),
        page_answer.answer(results, store),
        page_sections.loop(results, store),
        page_sections.source(results, store),
        page_sections.ring(results, store),
        page_sections.all_speeds(results),
        page_sections.reliability(results, store),
    ]
    script = _template_text("page.js")
    return _environment().get_template("page.html").render(
        title=heading(title),
        hero=page_answer.hero(results),
        slider=results.slider,
        words=page_words.PAGE,
        extras=sum(part is not None for part in (results.smoothness, results.ring_curve, results.tolerance)),
        axis=page_words.axis_sentence(results.axis),
        axis_rows=page_words.axis_rows(results.axis),
        blocks=[block for block in blocks if block is not None],
        cautions=results.explanation.cautions,
        provenance=_provenance(results.axis, seed, dated),
        axis_text=results.axis.to_toml(),
        letters=store,
        colours=COLOURS,
        script=script,
        script_hash=_script_hash(script),
    )  # fmt: skip


def heading(title: str | None) -> str:
    """A title as one line of text that is not empty."""
    return one_line(" ".join(str("" if title is None else title).split()), LONGEST_TITLE) or TITLE


def joined(text: str) -> str:
    """A text in which no line break parts a number from its unit."""
    return UNITS.sub("\\1\u202f", text)


def _provenance(axis: Axis, seed: int, dated: bool) -> tuple[tuple[str, str], ...]:
    """Where the page comes from, as (name, value)."""
    text = axis.to_toml()
    rows = [
        ("Computed by", f"encsim {__version__}"),
        ("Axis, SHA-256", hashlib.sha256(text.encode()).hexdigest()),
        ("Seed of the simulations", str(seed)),
    ]
    return tuple(rows + ([("Date", _today())] if dated else []))


def _today() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%d")


def _script_hash(script: str) -> str:
    """Hash of the only script that the security policy of the page allows."""
    import base64

    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _template_text(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _environment() -> jinja2.Environment:
    """Templates that escape everything but marked markup."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["markup"] = Markup
    terms = page_words.Terms()
    environment.filters |= {
        "joined": joined,
        "sentence": sentence,
        "explained": lambda text, section: Markup(terms.explained(text, section)),
    }
    return environment
