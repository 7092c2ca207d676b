"""An axis on one page for those who do not compute: answer, why, where from, what helps, how sure."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import __version__, checks, files
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import margins
from ..closed_loop.timed_edge_loops import slowest_speed, stable_speeds
from ..decisions.explanation import explain
from ..decisions.requirements import Requirement
from ..decisions.ripple_summary import closes
from ..model.axis import check_axis
from ..open_loop.closed_form import checked_speeds, regimes, ripple
from ..open_loop.period_error import position_error
from ..plotting.canvas import COLOURS
from ..rings.budget import ring_budget
from ..rings.error_orders import ring_curve
from ..time_domain import sweeps
from ..wording import sentence
from . import page_answer, page_frames, page_sections, page_words
from .page_svg import GlyphStore

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..closed_loop.stability import Margins
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..rings.budget import Budget
    from ..rings.error_orders import RingCurve
    from ..spreads.tolerancing import Tolerance


# From so many speeds on they are the range to draw; fewer are speeds of the user's own.
RANGE = 20
SLOWEST = 1e-3
# A page about one speed shows this much slower and faster ones too.
AROUND = 10.0
SEED = 0
TITLE = "How smoothly the axis runs"
LONGEST_TITLE = 200
UNITS = re.compile(r"(\d) (?=(?:%|[pnµmk]?(?:m|m/s|s|N|A)|[mkM]?Hz|n?rad|deg|rpm|arcsec|dB)(?:\W|$))")


@dataclass(frozen=True, eq=False)
class Findings:
    """All results that a page shows."""

    axis: object
    requirement: object
    judgement: object
    curve: object
    error: object
    closer: object
    explanation: object
    slider: object
    table_speeds: np.ndarray
    smoothness: object = None
    margins: object = None
    ring_curve: object = None
    ring_budget: object = None
    tolerance: object = None

    @property
    def own_loop(self) -> bool:
        """Whether the axis has a closed loop."""
        return self.smoothness is not None

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why the answer may not be believed, each reason once."""
        judged = () if self.judgement is None else self.judgement.reasons
        unstable = self.smoothness.reasons if self.unstable else ()
        return page_words.plain_doubts([*unstable, *self.curve.reasons, *judged])

    @property
    def unstable(self) -> bool:
        """Whether there is a closed loop and it is not stable."""
        return self.own_loop and not self.smoothness.stable


def report(
    axis: Axis | None,
    path: Path | str,
    speeds: list[Any] | None = None,
    requirement: Requirement | str | None = None,
    title: str | None = None,
    reproducible: bool = False,
    force: bool = False,
    *,
    seed: int = SEED,
    tolerance: Tolerance | None = None,
    progress: Callable[..., Any] | None = None,
) -> Path | str | None:
    """Write one page about an axis: HTML that holds all it shows, for a browser, a mail, or print.

    Parameters
    ----------
    axis : Axis
        With load and control the page tells about the closed loop too, with a ring about its budget.
    path : str or path-like
        File to write.
    speeds : array_like, optional
        m/s or rad/s. From 20 on they are the range that is shown, fewer get a place of their own on the speed
        slider. Without them the range is that of the requirement, or what suits the axis.
    requirement : Requirement, optional
        Limits that the page judges the axis by.
    title : str, optional
        Heading of the page; any text.
    reproducible : bool
        Leave the date out: the same axis then gives the same bytes each time.
    force : bool
        Replace a file that exists.
    seed : int
        Fixes the chance of the short simulations behind the speed slider.
    tolerance : Tolerance, optional
        Shown too: how axes built like this one differ.
    progress : callable, optional
        Told what is being done, in a few words.

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
    settings = {"speeds": speeds, "requirement": requirement, "seed": seed, "tolerance": tolerance}
    text = page(axis, title=title, reproducible=reproducible, progress=progress, **settings)
    files.write_whole(path, text, force=force)
    return path


def page(
    axis: Axis,
    *,
    speeds: list[Any] | tuple[float] | None = None,
    requirement: Requirement | str | None = None,
    title: str | None = None,
    reproducible: bool = False,
    seed: int = SEED,
    tolerance: Tolerance | None = None,
    progress: Callable[..., Any] | None = None,
) -> str:
    """The page that :func:`report` writes, as text."""
    found = findings(axis, speeds, requirement, seed, progress or (lambda text: None))
    return rendered(replace(found, tolerance=tolerance), title, seed, dated=not reproducible)


def findings(
    axis: Axis,
    speeds: list[Any] | tuple[float] | None,
    requirement: Requirement | str | None,
    seed: int,
    progress: Callable[..., Any],
) -> Findings:
    """Compute all that a page shows."""
    _check(requirement, seed)
    own = _own_speeds(axis, speeds)
    progress("judging the axis" if requirement is not None else "computing ripple")
    judged = None if requirement is None else requirement.judge(axis)
    sweep = _sweep(axis, own, requirement)
    closed = _loop(axis, sweep)
    curve = _curve(axis, sweep, closed.get("smoothness"))
    named = own if len(own) < RANGE else own[:0]
    closer = page_words.closer_look(curve, judged, named)
    progress("looking for causes and remedies")
    explanation = explain(axis, closer.speed)
    progress("computing the frames of the speed slider")
    frames = _frame_speeds(axis, sweep, named, closer.speed)
    slider = page_frames.slider(axis, *frames, seed, closed=bool(closed))
    progress("drawing")
    return Findings(
        axis=axis,
        requirement=requirement,
        judgement=judged,
        curve=curve,
        error=position_error(axis),
        closer=closer,
        explanation=explanation,
        slider=slider,
        table_speeds=np.array([frame.speed for frame in slider.frames]),
        **closed,
        **_ring(axis),
    )


def _check(requirement: Requirement | str | None, seed: int) -> None:
    """Refuse what would fail late, or in other words."""
    if requirement is not None and not isinstance(requirement, Requirement):
        hint = "encsim.requirements.load(path) reads one"
        checks.refuse("report.requirement", "be a Requirement", requirement, hint=hint)
    if not checks.is_whole(seed) or not 0 <= seed < 2**64:
        checks.refuse("report.seed", "be a whole number from 0 to 2**64 - 1", seed)


def shown_speeds(
    axis: Axis,
    speeds: list[float] | np.ndarray | None = None,
    requirement: Requirement | None = None,
    count: int = 40,
) -> np.ndarray:
    """Speeds spread over the range that a page shows."""
    sweep = _sweep(axis, _own_speeds(axis, speeds), requirement)
    return np.geomspace(sweep[0], sweep[-1], count) if len(sweep) > 1 else sweep


def _own_speeds(axis: Axis, speeds: list[Any] | np.ndarray | tuple[float] | None) -> np.ndarray | None:
    """Speeds given, without direction and standstill, ascending."""
    if speeds is None:
        return np.zeros(0)
    given = np.unique(np.abs(checked_speeds("report.speeds", speeds, axis.scale.unit)))
    return given[given > 0.0]


def _sweep(axis: Axis, own: np.ndarray, requirement: Requirement | None) -> np.ndarray:
    """Speeds of the curves: the range of the requirement, or the one given, or the usual one; the user's among them."""
    if requirement is not None:
        low, high = requirement.speeds
        found = _range(low or SLOWEST * high, high)
    elif len(own) >= RANGE:
        return own
    else:
        usual = _usual_speeds(axis)
        found = _range(min(usual[0], *own), max(usual[-1], *own)) if len(own) else np.asarray(usual)
    return np.union1d(found, own[(own > found[0]) & (own < found[-1])])


def _usual_speeds(axis: Axis) -> np.ndarray:
    """The usual speeds; of a loop of timed edges those at which it is stable."""
    usual = np.asarray(sweeps.default_speeds(axis))
    return stable_speeds(axis, usual) if closes(axis, usual[-1]) else usual


def _range(low: float, high: float) -> np.ndarray:
    return np.array(sweeps.logarithmic(low, high, sweeps.DEFAULT_SPEEDS)) if low < high else np.array([high])


def _frame_speeds(axis: Axis, sweep: np.ndarray, own: np.ndarray, worst: float) -> tuple[list[float], float]:
    """Speeds of the slider, over the range and around a single speed; and the one shown first."""
    low, high = float(sweep[0]), float(sweep[-1])
    if low == high:
        low, high = low / AROUND, high * AROUND
    worst = min(max(worst, low), high)
    return page_frames.chosen_speeds(axis, low, high, own, worst), worst


def _curve(axis: Axis, sweep: np.ndarray, smooth: Smoothness | None) -> RippleCurve:
    """Measured ripple: of the closed loop where there is one that is stable, else in steady motion."""
    if smooth is None or not smooth.stable:
        return ripple(axis, sweep).refined()
    steady = ripple(axis, smooth.speed)
    parts = smooth.parts["measured"]
    squares = {cause: part**2 for cause, part in parts.items()}
    return replace(
        steady,
        rms=smooth.measured,
        relative=smooth.measured / smooth.speed,
        parts=parts,
        regime=regimes(axis, squares, steady.frequency),
        doubtful=smooth.doubtful,
        valid=smooth.valid,
        reasons=smooth.reasons,
    )


def _loop(axis: Axis, sweep: np.ndarray) -> dict[Any, Margins | Smoothness]:
    """Results of the closed loop, if there is one."""
    if not closes(axis, sweep[-1]):
        return {}
    smooth, found = smoothness(axis, sweep), margins(axis, speed=slowest_speed(axis, float(sweep[0])))
    return {"smoothness": smooth.refined() if smooth.stable else smooth, "margins": found}


def _ring(axis: Axis) -> dict[Any, Budget | RingCurve]:
    """Results about the ring, if there is one."""
    if axis.ring is None:
        return {}
    return {
        "ring_curve": ring_curve(axis.ring, axis.heads),
        "ring_budget": ring_budget(axis.ring, axis.heads, radius=axis.ring.diameter / 2.0),
    }


def rendered(found: Findings, title: str | None = None, seed: int = SEED, *, dated: bool = True) -> str:
    """Results as the text of the page."""
    shelf = GlyphStore()
    parts = page_sections
    blocks = [page_answer.answer(found, shelf), parts.source(found, shelf), parts.player(found)]
    blocks += [parts.loop(found, shelf)] if found.own_loop else []
    blocks += [parts.ring(found, shelf)] if found.ring_curve is not None else []
    blocks += [page_sections.remedies(found, shelf), parts.sure(found, shelf)]
    script = _template_text("page.js")
    return _environment().get_template("page.html").render(
        title=heading(title),
        axis=page_words.axis_sentence(found.axis),
        axis_rows=page_words.axis_rows(found.axis),
        blocks=blocks,
        cautions=found.explanation.cautions,
        provenance=_provenance(found.axis, seed, dated),
        axis_text=found.axis.to_toml(),
        shelf=shelf,
        colours=COLOURS,
        script=script,
        script_hash=_hash_of_script(script),
    )  # fmt: skip


def heading(title: int | str | None) -> str:
    """A title as one line of text that is not empty."""
    return " ".join(str("" if title is None else title).split())[:LONGEST_TITLE] or TITLE


def joined(text: str) -> str:
    """A text whose numbers keep their units at the line's end."""
    return UNITS.sub("\\1\u202f", text)


def _provenance(axis: Axis, seed: int, dated: bool) -> tuple[tuple[str, str], ...]:
    """Where the page comes from, as (what, value)."""
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


def _hash_of_script(script: str) -> str:
    """What the page's own rule lets run: this script and no other."""
    import base64

    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _template_text(name: str) -> str:
    return (Path(__file__).parent / "templates" / name).read_text(encoding="utf-8")


def _environment() -> Any:
    """Templates with everything escaped that is not marked as markup."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.DictLoader(
            {"page.html": _template_text("page.html"), "page.css": _template_text("page.css")}
        ),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["markup"] = Markup
    environment.filters |= {"joined": joined, "sentence": sentence}
    return environment
