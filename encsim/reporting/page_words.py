"""Words of a page: the table of its language, doubts, limits, the axis in words, what the prediction leaves out.

Nothing in the page's code or templates is a word: it asks `say` for an entry of the table, and hands whatever a result
says (a title, a cause, a measure, a doubt) to `told`, which gives it in the language of the page.
"""

from __future__ import annotations

import contextlib
import functools
import math
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np

from .. import checks
from ..decisions.headlines import times
from ..decisions.remedies import EFFORTS
from ..decisions.ripple_summary import CURVES
from ..doubts import DOUBTS
from ..open_loop.causes import CAUSES, GROUPS, REGIMES
from ..presentation.languages import Language
from ..wording import axis_words, compared, digits, percent, quantity, sentence

if TYPE_CHECKING:
    from ..closed_loop.closed_loop_ripple import Smoothness
    from ..decisions.headlines import Headline
    from ..decisions.judgements import Judgement, LimitCheck
    from ..doubts import Doubt
    from ..model.axis import Axis
    from ..open_loop.closed_form import RippleCurve
    from ..open_loop.period_error import PeriodError
    from .page_blocks import Findings


Doubtful = TypeVar("Doubtful", "RippleCurve", "Smoothness", "PeriodError")
TEMPLATES = Path(__file__).parent / "templates"
ENGLISH = "en"
# Changes of an axis that a table tells.
CHANGES = 4
UNITS = re.compile(r"(\d) (?=(?:%|[pnµmk]?(?:m|m/s|s|N|A)|[mkM]?Hz|n?rad|deg|rpm|arcsec|dB)(?:\W|$))")
# What a sentence begins with, up to its colon.
LEAD = re.compile(r"^[^:.<]{2,20}:")
_CHOSEN: ContextVar[Language] = ContextVar("language of the page")


def languages() -> list[str]:
    """Codes of the languages that there are."""
    return sorted(path.stem for path in TEMPLATES.glob("*.toml"))


def registered() -> dict[str, str]:
    """Patterns of the words of causes, doubts and efforts, as their registries have them; a language may say them."""
    texts = [text for cause in CAUSES.values() for text in (cause.plain, cause.label)]
    texts += [text for group in GROUPS.values() for text in (group.plain, group.label)]
    texts += [text for regime in REGIMES.values() for text in (*regime.labels, regime.cell)]
    texts += [text for doubt in DOUBTS.values() for text in (doubt.plain, doubt.short)]
    return dict.fromkeys((re.sub(r"\{.*?\}", "{}", text) for text in (*texts, *EFFORTS.values())), "")


@functools.cache
def language(code: str) -> Language:
    """The table of a language; raises InputError if there is none."""
    if code not in languages():
        checks.refuse("report.lang", f"be a language that there is ({', '.join(languages())})", code)
    table = tomllib.loads((TEMPLATES / f"{code}.toml").read_text(encoding="utf-8"))
    results = registered() | table.pop("results")
    words = {f"{section}.{key}": text for section, rows in table.items() for key, text in rows.items()}
    return Language(code, words, results)


def spoken() -> Language:
    """The language of the page that is being made."""
    return _CHOSEN.get(None) or language(ENGLISH)


@contextlib.contextmanager
def speaking(chosen: Language) -> Iterator[None]:
    """Make pages in this language for a while."""
    token = _CHOSEN.set(chosen)
    try:
        yield
    finally:
        _CHOSEN.reset(token)


def say(key: str, **values: object) -> str:
    """An entry of the table with its places filled in."""
    return str(spoken().words[key]).format(**values)


def several(key: str) -> tuple[str, ...]:
    """The texts of an entry that is a list."""
    return tuple(spoken().words[key])


def told(text: str) -> str:
    """What a result says, in the language of the page."""
    return spoken().told(text)


def listing(words: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = words
    return say("page.and", first=", ".join(first), last=last) if first else last


def joined(text: str) -> str:
    """A text in which no line break parts a number from its unit."""
    return UNITS.sub("\\1\u202f", text)


def led(markup: str) -> str:
    """Markup of a sentence whose lead is bold."""
    return type(markup)(LEAD.sub(r"<b>\g<0></b>", str(markup)))


def plain_doubts(reasons: Iterable[str]) -> tuple[str, ...]:
    """Reasons of a result (all of them `Doubt`) in plain words, each once."""
    return tuple(dict.fromkeys(told(doubt.plain) for doubt in cast("Iterable[Doubt]", reasons)))


def within(result: RippleCurve | Smoothness, asked: tuple[float, float]) -> tuple[str, ...]:
    """Reasons of a curve, if any of the speeds that were asked for is doubtful."""
    low, high = asked
    inside = (np.abs(result.speed) >= low) & (np.abs(result.speed) <= high)
    return result.reasons if bool(np.any(result.doubtful & inside)) else ()


def in_plain_words(result: Doubtful) -> Doubtful:
    """A result whose reasons are in plain words, for a picture whose title gives one of them."""
    return replace(result, reasons=plain_doubts(result.reasons))


def doubted(curve: RippleCurve | Smoothness) -> str:
    """Where a curve is doubtful, as the subject of a sentence."""
    speeds = curve.speed[curve.doubtful]
    if not speeds.size or speeds.size == curve.speed.size:
        return say("doubt.this")
    unit = f"{curve.axis.scale.unit}/s"
    low, high = (quantity(abs(end), unit, 2, strip=True) for end in (speeds.min(), speeds.max()))
    return say("doubt.hatched_at" if low == high else "doubt.hatched_range", low=low, high=high)


def limit_name(name: str, axis: Axis) -> str:
    """A limit of a requirement in words."""
    return say(f"limit.{_driven(name, axis)}")


def _driven(name: str, axis: Axis) -> str:
    """Key of what is limited: a force of a linear axis, a torque of a rotary one."""
    return f"torque_{axis.scale.unit}" if name == "torque" else name


def curve_heads(axis: Axis) -> tuple[str, ...]:
    """Heads of the columns for measured ripple, ripple of the force or torque, and actual ripple."""
    return tuple(say(f"curves.{_driven(name, axis)}") for name in CURVES)


def in_unit(value: float | None, unit: str, count: int = 3, other: float | None = None) -> str:
    """A value for a table, infinite ones in words; in the unit of ``other`` where that is given."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return say("limit.no_limit" if value > 0.0 else "limit.none")
    if unit == "deg":
        return digits(value, count, strip=True) + "°"
    return quantity(value, unit, count) if other is None else compared(value, other, unit, count)


def _worst(judged: Judgement, headline: Headline) -> LimitCheck:
    """The limiting criterion; where it is a limit on measured ripple, at the speed of the headline."""
    binding: LimitCheck = judged.limit(judged.binding)
    if binding.name not in ("measured", "relative") or not headline.limited:
        return binding
    if (headline.kind == "met") != binding.met:
        return binding  # exceeded only where the result is not reliable
    limit = headline.rms / headline.share
    return replace(binding, speed=headline.speed, value=headline.rms, limit=limit, share=headline.share)


def verdict(judged: Judgement, headline: Headline) -> str:
    """Yes or no, with the limiting criterion."""
    missed = sum(not each.met for each in judged.limits)
    binding = _worst(judged, headline)
    kind = "met" if not missed else "missed_one" if missed == 1 else "missed_many"
    return say(
        f"limit.{kind}" + ("" if math.isnan(binding.speed) else "_at"),
        count=missed,
        all=len(judged.limits),
        limit=limit_name(binding.name, judged.axis),
        speed=quantity(binding.speed, judged.units["speeds"], 2, strip=True),
        values=say(
            "limit.values",
            value=in_unit(binding.value, judged.units[binding.name], other=binding.limit),
            allowed=in_unit(binding.limit, judged.units[binding.name]),
        ),
    )


def limit_table(judged: Judgement) -> tuple[str, tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Every limit with its nearest value: caption, head and rows of a table."""
    rows = tuple(
        (
            sentence(limit_name(each.name, judged.axis)),
            in_unit(each.limit, judged.units[each.name]),
            in_unit(each.value, judged.units[each.name], other=each.limit),
            say("limit.any")
            if math.isnan(each.speed)
            else quantity(each.speed, judged.units["speeds"], strip=True),
            say("limit.is_met" if each.met else "limit.is_missed"),
        )
        for each in judged.limits
    )
    return say("limit.table"), several("limit.heads"), rows


def not_covered(axis: Axis, closed: bool) -> tuple[str, ...]:
    """What this prediction leaves out for this axis."""
    return (
        *several("sure.everywhere"),
        say("sure.with_loop" if closed else "sure.no_loop"),
        *((say("sure.no_ring"),) if axis.scale.unit == "rad" and axis.ring is None else ()),
    )


def axis_sentence(axis: Axis) -> str:
    """The axis in one sentence."""
    return f"{told(sentence(axis_words(axis)))}."


def described(axis: Axis) -> dict[str, Any]:
    """What an axis file says of an axis: {section.key: value}, a map as one entry for each of its keys."""
    return dict(_flat("", tomllib.loads(axis.to_toml())))


def _flat(place: str, table: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(f"{place}{key}.", value)
        else:
            yield f"{place}{key}", value


def _written(value: Any) -> str:
    """A value of an axis file as people read it."""
    if isinstance(value, list):
        return listing([_written(part) for part in value])
    if isinstance(value, dict):
        return ", ".join(f"{key} {_written(part)}" for key, part in value.items())
    if not isinstance(value, str):
        return digits(value, 12, strip=True)
    if not any(letter.isdigit() for letter in value):
        return told(value)
    return re.sub(r"(?<=[a-z])2\b", "²", re.sub(r"(?<= )u(?=[a-zA-Z])", "µ", value))


def key_words(path: str, value: Any, before: Any = None) -> str:
    """One key of an axis file and its value in words, with the value before a change if there is one."""
    words, key, order = spoken().words, f"axis.{path}", ""
    if key not in words:
        key, _, order = key.rpartition(".")
    size = _percents if "{percent}" in words[key] else _written
    shown = size(value) if before is None else say("axis.changed", value=size(value), before=size(before))
    return say(key, value=shown, percent=shown, order=order)


def _percents(value: Any) -> str:
    """A share of an axis file, or several, as per cent."""
    return listing([percent(part, 3, strip=True) for part in (value if isinstance(value, list) else [value])])


def axis_rows(axis: Axis) -> tuple[tuple[str, str], ...]:
    """The axis as (part, description) in plain words, without the parts that it does not have."""
    rows: dict[str, list[str]] = {"scale": [], "signal": []}
    for path, value in described(axis).items():
        part = path.partition(".")[0]
        if part == "heads":
            rows[part] = [_written(value)]
        elif part != "estimator":
            rows.setdefault(part, []).append(key_words(path, value))
    rows["signal"] = rows["signal"] or [say("axis.ideal")]
    rows["estimator"] = [told(axis.estimator.words())]
    return tuple((say(f"axis.{part}"), sentence("; ".join(words))) for part, words in rows.items())


def changed_words(first: Axis, axis: Axis) -> str:
    """What an axis file says otherwise than that of the first axis."""
    before, after = described(first), described(axis)
    changes = [
        key_words(path, value, before.get(path))
        for path, value in after.items()
        if before.get(path) != value and not path.startswith("estimator.")
    ]
    if first.estimator != axis.estimator:
        changes.append(told(axis.estimator.words()))
    changes += [
        say("axis.removed", before=key_words(path, value))
        for path, value in before.items()
        if path not in after and not path.startswith("estimator.")
    ]
    more = len(changes) - CHANGES
    kept = changes[:CHANGES] + ([say("axis.more", count=more)] if more > 0 else [])
    return sentence("; ".join(kept)) or say("axis.same")


def other_limits(results: Findings) -> tuple[str, ...]:
    """Limits on other things than measured ripple that are missed."""
    judged = results.judgement
    if judged is None:
        return ()
    units = judged.units
    return tuple(
        say(
            "hero.missed",
            limit=limit_name(each.name, judged.axis),
            value=in_unit(each.value, units[each.name], other=each.limit),
            allowed=in_unit(each.limit, units[each.name]),
        )
        for each in judged.limits
        if not each.met and not (each.name in ("measured", "relative") and results.headline.kind != "met")
    )


def what_then(results: Findings) -> tuple[str, ...]:
    """What to do, and what that leaves."""
    measures, after = results.measures, results.after_headline
    if results.judgement is not None and results.judgement.met:
        return (say("hero.nothing"),)
    if measures is None or after is None:
        return (say("hero.no_measure"),) if results.headline.kind != "met" else ()
    unit, name = f"{results.axis.scale.unit}/s", told(measures.name)
    if after.kind == "met":
        return (say("hero.meets" if after.every else "hero.meets_reliable", measure=name),)
    if after.limited:
        at = quantity(after.speed, unit, 2, strip=True)
        return (say("hero.leaves", measure=name, share=told(times(after.share)), speed=at),)
    place = results.detail_place
    assert results.frame_after is not None
    now, then = results.frame_rms[place], results.frame_after[place]
    low, high = quantity(now, unit), compared(then, now, unit)
    at = quantity(results.detail.speed, unit, strip=True)
    return (say("hero.falls", measure=name, speed=at, now=low, after=high),)
