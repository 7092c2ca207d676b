"""What the columns of a file hold: roles by name, unit or values; sampling, gaps, held samples, wrap, mid-scale."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, units, wording
from ..wording import many
from .text_layout import SIZES, TIMES

if TYPE_CHECKING:
    from .text_tables import ColumnTable


_SHORT = {"cos": "cosine", "sin": "sine", "cos-": "cosine-", "sin-": "sine-",
          "counts": "count", "current": "torque"}  # fmt: skip
ROLES = ("time", "cosine", "sine", "cosine-", "sine-", "count", "position", "velocity", "torque", "edges")
_SET_POINT = re.compile(
    r"\b(?:ref|reference|set ?point|set|target|demand|demanded|desired|err|error|nominal)\b"
)
_NAMES = {
    "index": r"index|idx|samples?|sample (?:no|number)|no|nr|number|n|#|point|row|.*\b(?:mode|flag|state|status)\b.*",
    "edges": r"edges?|edge times?|events?|event times?|t edge",
    "time": r"time.*|t|t\d*|timestamp.*|secs?|seconds?|x axis|clock|elapsed.*|date ?time|uptime|zeit",
    "cosine-": r"(?:.*\b)?(?:cos(?:ine)? ?(?:-|n|neg|minus|inv\w*)|[n/-] ?cos|a ?(?:-|neg|minus|inv\w*)|a ?n|/ ?a)",
    "sine-": r"(?:.*\b)?(?:sin(?:e)? ?(?:-|n|neg|minus|inv\w*)|[n/-] ?sin|b ?(?:-|neg|minus|inv\w*)|b ?n|/ ?b)",
    "cosine": r".*\bcos(?:ine)?\b.*|.*\bcos ?(?:\+|p|pos|plus)|c|(?:u |v |ch |channel )?a ?(?:\+|p|pos|plus)?",
    "sine": r".*\bsin(?:e)?\b.*|.*\bsin ?(?:\+|p|pos|plus)|s|(?:u |v |ch |channel )?b ?(?:\+|p|pos|plus)?",
    "count": r".*\b(?:counts?|cnt|counter|increments?|ticks?|inc|enc|encoder|pulses)\b.*",
    "position": r".*\b(?:pos|position|angle|phi|theta|displacement)\b.*|x|y",
    "velocity": r".*\b(?:vel|velocity|speed|omega|rpm)\b.*|v|w|n act",
    "torque": r".*\b(?:torque|force|moment|current|iq|i q|trq)\b.*|i|m",
}
_DIMENSIONS = {
    "time": "time", "edges": "time", "count": "", "position": "position", "velocity": "speed", "torque": "torque",
}  # fmt: skip
# Columns whose radius scatters by more, or that go one way for so many samples, are no channels.
ROUND, FEWEST_AHEAD = 0.5, 50
ANALOGUE = ("cosine", "sine", "cosine-", "sine-")
# Scatter of the stamps about even sampling, of the interval, up to which they are even.
EVEN, GAP = 1e-3, 1.5
# Samples are missing where a step is a whole number of usual ones, within this by their scatter, or above so many.
WHOLE, PAUSE = (0.1, 0.22), 10.0
CHUNK = 1 << 18
LEAST_HELD = 0.1
MIDDLES = (2.5, 1.65, 1.25, 1.5, 0.9, 1.8, 5.0, 3.3, 1.0, 2.0, *(2.0**bits for bits in range(7, 24)))
# Angles after which a position begins again, in SI.
ANGLES = (2.0 * np.pi, np.pi)
USUAL_WIDTHS = (8, 10, 12, 14, 16, 18, 20, 24, 32)


def by_name(name: str, unit: str) -> str | None:
    """Role that a name, or a unit alone, tells; "" for a column that is none, None where they do not tell."""
    text = re.sub(r"[\s_.,:;()\[\]]+", " ", name.lower()).strip()
    for role, pattern in _NAMES.items():
        if text and re.fullmatch(pattern, text):
            if role == "index" or (role in ("position", "velocity") and _SET_POINT.search(text)):
                return ""
            if _fits(role, unit):
                return "count" if role == "position" and unit == "counts" else role
    if unit in TIMES:
        return "time"
    if unit in SIZES or not unit:
        return None
    dimensions = (("velocity", "speed"), ("position", "position"), ("torque", "torque"))
    found = next((role for role, kind in dimensions if unit in units.DIMENSIONS[kind].units), None)
    return "" if found and _SET_POINT.search(text) else found


def _fits(role: str, unit: str) -> bool:
    """Whether a role may have this unit."""
    if not unit:
        return True
    if role in ANALOGUE:
        return unit in SIZES
    if role in ("count", "position") and unit == "counts":
        return True
    if role == "torque" and unit in ("A", "mA", "%"):
        return True
    kind = _DIMENSIONS.get(role, "")
    return bool(kind) and unit in (TIMES if kind == "time" else units.DIMENSIONS[kind].units)


def chosen(columns: Any, names: Sequence[str]) -> list[tuple[int, str | None]] | None:
    """Places of the columns that the caller names, each with its role or None; None where all may be used."""
    if columns is None:
        return None
    parts: list[tuple[str | None, Any]]
    if isinstance(columns, Mapping):
        parts = list(columns.items())
    elif isinstance(columns, str):
        parts = [_role_and_name(part) for part in columns.split(",")]
    elif isinstance(columns, Sequence):
        parts = [(None, part) for part in columns]
    else:
        checks.refuse("columns", "be names or numbers of columns", columns)
    found = [(place_of(part, names, "columns"), _role(role)) for role, part in parts]
    if len({place for place, _ in found}) < len(found):
        checks.refuse("columns", "be different columns", columns)
    if len(found) == 2 and not any(role for _, role in found):
        told = {by_name(names[place], "") for place, _ in found}
        if told & {None, "", *ANALOGUE} and not told & {"time", "count", "position", "velocity", "edges"}:
            return [(found[0][0], "cosine"), (found[1][0], "sine")]
    return found


def _role_and_name(part: str) -> tuple[str | None, str]:
    role, mark, name = part.partition("=")
    return (role.strip(), name.strip()) if mark else (None, part.strip())


def _role(role: str | None) -> str | None:
    role = _SHORT.get(role, role) if role else role
    if role is not None and role not in ROLES:
        near = units.nearest(role, ROLES)
        checks.refuse("columns", f"name what a column holds: {', '.join(ROLES)}", role,
                      hint=f"did you mean {near}?" if near else "")  # fmt: skip
    return role


def place_of(part: Any, names: Sequence[str], option: str) -> int:
    """Place of a column given by its name or its number from 1."""
    text = part if isinstance(part, str) else ""
    if text and text in names:
        if list(names).count(text) > 1:
            checks.refuse(option, "be a name that occurs once in the header, or a number", part)
        return list(names).index(text)
    lowered = [name.lower() for name in names]
    if text and lowered.count(text.lower()) == 1:
        return lowered.index(text.lower())
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 6 else part
    if checks.is_whole(number) and 1 <= number <= len(names):
        return int(number) - 1
    listed = [name for name in names if name]
    near = units.nearest(text, listed) if text else None
    known = f"one of {', '.join(listed)}, or " if listed else ""
    hint = f"did you mean {near}?" if near else ""
    checks.refuse(option, f"be {known}a number from 1 to {len(names)}", part, hint=hint)


def find(table: ColumnTable, given: Mapping[int, str | None]) -> dict[str, int]:
    """Place of each role: given roles first, then names and units, then values."""
    told = {at: role or by_name(table.names[at], table.units[at]) for at, role in given.items()}
    roles: dict[str, int] = {}
    for place, role in told.items():
        if role and (role not in roles or (role == "count" and _is_index(table.columns[roles[role]]))):
            roles[role] = place
    if "edges" in roles and any(role in roles for role in ("cosine", "count", "position")):
        del roles["edges"]
    open_places = [place for place, role in told.items() if role is None]
    if "time" not in roles and len(open_places) > 1 and _is_time(table.columns[open_places[0]]):
        roles["time"] = open_places.pop(0)
    if not any(role in roles for role in ("count", "position", "edges")):
        _by_values(table, roles, open_places)
    return roles


def _is_index(column: np.ndarray) -> bool:
    """Whether values are numbers of the rows."""
    return bool(np.all(np.diff(column[: 1 << 16]) == 1.0))


def _is_time(column: np.ndarray) -> bool:
    """Whether values rise steadily, as a time or a number of the sample does."""
    steps = np.diff(column[: 1 << 16])
    return bool(len(steps) > 1 and np.all(steps > 0.0) and np.max(steps) < 1e3 * np.median(steps)
                and np.std(steps) < 0.2 * np.mean(steps))  # fmt: skip


def _by_values(table: ColumnTable, roles: dict[str, int], places: list[int]) -> None:
    """Roles of columns that have no telling name: four or two channels, or counts."""
    known = [roles[role] for role in ("cosine", "sine") if role in roles]
    if len(known) == 2:
        return
    moving = [place for place in places if np.ptp(table.columns[place]) > 0.0]
    if known and moving:
        other = "sine" if "cosine" in roles else "cosine"
        few = {place: _sampled(table.columns[place]) for place in (known[0], *moving)}
        roles[other] = min(moving, key=lambda place: _out_of_round(few[known[0]], few[place]))
    elif len(moving) == 1 and "velocity" not in roles:
        column = table.columns[moving[0]]
        if _is_whole(column):
            roles["count"] = moving[0]
        elif not roles and table.units[moving[0]] in ("", *TIMES) and np.all(np.diff(column) >= 0.0):
            roles["edges"] = moving[0]
    elif len(moving) >= 2:
        ahead = [place for place in moving if _goes_one_way(table.columns[place])]
        count = next((place for place in ahead if _is_whole(table.columns[place])), None)
        if count is not None:
            roles["count"] = count
        elif len(moving) >= len(ahead) + 2:
            _channels(table, roles, [place for place in moving if place not in ahead])


def _is_whole(column: np.ndarray) -> bool:
    return bool(np.all(column == np.rint(column)))


def _goes_one_way(column: np.ndarray) -> bool:
    """Whether values never turn round over so many samples that those of a channel would."""
    ahead = np.all(column[1:] >= column[:-1]) or np.all(column[1:] <= column[:-1])
    return bool(ahead) and len(column) >= FEWEST_AHEAD


def _channels(table: ColumnTable, roles: dict[str, int], places: list[int]) -> None:
    """Channels among columns: two pairs of opposite ones, else the pair closest to a circle; or counts."""
    rows = np.stack([_sampled(table.columns[place]) for place in places[:8]])
    alike = np.corrcoef(rows)
    opposite = [(i, j) for i in range(len(rows)) for j in range(i + 1, len(rows)) if alike[i, j] < -0.9]
    if len(opposite) == 2 and len({*opposite[0], *opposite[1]}) == 4:
        (a, b), (c, d) = opposite
        roles |= {"cosine": places[a], "cosine-": places[b], "sine": places[c], "sine-": places[d]}
        return
    pairs = [(i, j) for i in range(len(rows)) for j in range(i + 1, len(rows))]
    best = min(pairs, key=lambda pair: _out_of_round(rows[pair[0]], rows[pair[1]]))
    if "velocity" in roles and _out_of_round(rows[best[0]], rows[best[1]]) > ROUND:
        return
    whole = next((place for place in places if _is_whole(table.columns[place])), None)
    if _out_of_round(rows[best[0]], rows[best[1]]) > ROUND and whole is not None:
        roles["count"] = whole
        return
    roles["cosine"], roles["sine"] = places[best[0]], places[best[1]]


def _sampled(column: np.ndarray) -> np.ndarray:
    """Some thousand values of a column without what is missing."""
    values = column[:: max(1, len(column) // 4096)]
    return np.where(np.isfinite(values), values, np.nanmean(values))


def _out_of_round(x: np.ndarray, y: np.ndarray) -> float:
    """Relative scatter of the radius of two columns, each centred and scaled."""
    x, y = (2.0 * (row - row.min()) / max(np.ptp(row), 1e-300) - 1.0 for row in (x, y))
    radius = np.hypot(x, y)
    return float(np.std(radius) / np.mean(radius))


@dataclass(frozen=True)
class TimeBase:
    """Sampling of a recording: rate of even samples, the stamps where they tell more, and in words."""

    rate: float | None
    time: np.ndarray | None
    words: str


def sampling(time: np.ndarray, moved: np.ndarray | None = None) -> TimeBase:
    """Whether stamps are even, even with a logger's jitter, in bursts, or have gaps.

    ``moved`` are the times that position and velocity take from sample to sample, where both were recorded.
    """
    few = np.arange(0, len(time) - 1, max(1, len(time) // 100_000))
    some = time[few + 1] - time[few]
    usual = float(np.median(some)) or float(time[-1] - time[0]) / (len(time) - 1)
    if usual <= 0.0:
        return TimeBase(None, None, "time stamps that do not advance")
    spread, interval = _scatter(time)
    if spread < max(EVEN, 0.6 * _resolution(some) / interval):
        return TimeBase(1.0 / interval, None, f"even at {_rate(interval)}")
    steps = np.diff(time)
    long = _gaps(steps, usual)
    if _are_late(steps / usual, long):
        jitter = wording.show(float(np.std(steps)), "s")
        words = f"even at {_rate(interval)}, time jitter of the logger {jitter} rms from stamp to stamp"
        if moved is not None and len(moved) == len(steps):
            jitter = wording.show(float(np.std(moved[np.isfinite(moved)])), "s")
            words += f", {jitter} rms by position and velocity"
        return TimeBase(1.0 / interval, time, words)
    runs = np.diff(np.concatenate([[0], long + 1, [len(time)]]))
    inside = float(np.mean(np.delete(steps, long)))
    if len(long) >= 2 and np.ptp(runs[:-1]) == 0 and runs[0] > 2:
        words = f"{len(runs)} bursts of {runs[0]} samples at {_rate(inside)}"
    else:
        lost = np.sum(np.rint(steps[long] / inside) - 1.0)
        words = f"{_rate(inside)} with {many(len(long), 'gap')}, {many(float(lost), 'sample')} missing"
        words += f", the first after {wording.show(float(time[long[0]] - time[0]), 's')}"
    return TimeBase(1.0 / inside, time, words)


def first_backwards(time: np.ndarray) -> int | None:
    """Number of the first stamp below the one before; None where there is none."""
    back = time[1:] < time[:-1]
    return int(np.argmax(back)) + 1 if back.any() else None


def _gaps(steps: np.ndarray, usual: float) -> np.ndarray:
    """Long steps; not those of a late stamp, which a short step before or after makes up for."""
    long = np.flatnonzero(steps > GAP * usual)
    around = np.concatenate([[usual], steps, [usual]])
    least = np.minimum(around[long], around[long + 2])
    return long[steps[long] + least > (1.0 + GAP) * usual]


def _are_late(steps: np.ndarray, long: np.ndarray) -> bool:
    """Whether long steps, of usual ones, are late stamps: few of them are whole numbers of samples, or none."""
    if not len(long):
        return True
    near = np.clip(1.5 * np.std(np.delete(steps, long)), *WHOLE)
    whole = (np.abs(steps[long] - np.rint(steps[long])) < near) | (steps[long] > PAUSE)
    return float(np.mean(whole)) < 0.6


def _rate(interval: float) -> str:
    return wording.show(1.0 / interval, "Hz")


def _scatter(time: np.ndarray) -> tuple[float, float]:
    """Rms distance of the stamps from even sampling, of the interval, and the interval, by least squares."""
    count = len(time)
    middle, mean = 0.5 * (count - 1), float(np.mean(time))
    parts = [slice(first, first + CHUNK) for first in range(0, count, CHUNK)]
    moment = 0.0
    for part in parts:
        moment += float((np.arange(part.start, min(part.stop, count)) - middle) @ (time[part] - mean))
    interval = 12.0 * moment / (count * (count**2 - 1.0))
    square = 0.0
    for part in parts:
        away = time[part] - mean - interval * (np.arange(part.start, min(part.stop, count)) - middle)
        square += float(away @ away)
    return float(np.sqrt(square / count)) / abs(interval), interval


def _resolution(steps: np.ndarray) -> float:
    """Step to which stamps are rounded; 0 where none shows."""
    different, often = np.unique(np.round(steps, 12), return_counts=True)
    if not 2 <= len(different) <= 3 or (
        different[-1] > 1.5 * different[0] and min(often) < 0.05 * len(steps)
    ):
        return 0.0
    return float(np.min(np.diff(different)))


def held(cosine: np.ndarray, sine: np.ndarray) -> np.ndarray | None:
    """Mask of fresh samples where a logger repeats old ones; None where it does not."""
    first = slice(0, CHUNK)
    if np.mean(np.diff(cosine[first]) == 0.0) < LEAST_HELD:
        return None
    same = (cosine[1:] == cosine[:-1]) & (sine[1:] == sine[:-1])
    if np.mean(same) < LEAST_HELD:
        return None
    # In slow motion a coarse converter repeats its codes too, but then it seldom moves by several codes at once.
    for channel in (cosine, sine):
        moved = np.abs(np.diff(channel[first]))
        moved = moved[moved > 0.0]
        if not len(moved) or np.median(moved) < 3.5 * np.min(moved):
            return None
    return np.concatenate([[True], ~same])


def middle_of(rows: Sequence[np.ndarray]) -> float | None:
    """Mid-scale of channels that do not swing about zero; None where they do."""
    middles = [0.5 * (row.max() + row.min()) for row in rows]
    size = max(0.5 * (row.max() - row.min()) for row in rows)
    if size == 0.0 or any(abs(middle) < size for middle in middles):
        return None
    middle = float(np.mean(middles))
    near = min(MIDDLES, key=lambda usual: abs(usual - abs(middle)))
    return float(np.copysign(near, middle)) if abs(near - abs(middle)) < 0.25 * size else middle


def period_of_wrap(values: np.ndarray, whole: bool) -> float | None:
    """Distance by which a counter, or an angle, jumps where it begins again; None where it does not."""
    steps = np.diff(values)
    size = float(np.ptp(values))
    usual = np.median(np.abs(steps))
    jumps = np.flatnonzero(np.abs(steps) > 0.5 * size)
    if size == 0.0 or not len(jumps) or usual > 0.2 * size or len(jumps) > 0.4 * len(steps):
        return None
    # A jump hides one step, which is as long as its neighbours.
    beside = 0.5 * (steps[np.maximum(jumps - 1, 0)] + steps[np.minimum(jumps + 1, len(steps) - 1)])
    distances = np.abs(steps[jumps] - np.where(np.abs(beside) > 0.5 * size, np.median(steps), beside))
    distance = float(np.median(distances))
    error = max(3.0 * float(np.std(distances)) / np.sqrt(len(jumps)), 0.02 * usual)
    if not whole:
        near = min(ANGLES, key=lambda turn: abs(turn - distance))
        return near if abs(near - distance) < max(0.02 * near, error) else None
    return _whole_turn(distance, max(error, 1.0), float(values.min()), float(values.max()))


def _whole_turn(distance: float, error: float, low: float, high: float) -> float:
    """Counts after which a counter begins again: a width of a register, else the roundest number near it."""
    for turn in (2.0**bits for bits in USUAL_WIDTHS):
        holds = (low >= 0.0 and high < turn) or (low >= -0.5 * turn and high < 0.5 * turn)
        if holds and abs(distance - turn) <= error:
            return turn
    rounds = (float(step * np.rint(distance / step)) for step in (1000, 500, 360, 100, 50, 20, 10, 4, 1))
    fitting = (turn for turn in rounds if abs(turn - distance) <= error and turn > high - low)
    return next(fitting, high - low + 1.0)


def unwrapped(values: np.ndarray, turn: float) -> np.ndarray:
    """Values without their jumps by whole ``turn``; a step is taken as the shortest way."""
    steps = np.diff(values)
    steps -= turn * np.rint(steps / turn)
    return np.concatenate([values[:1], values[0] + np.cumsum(steps)])
