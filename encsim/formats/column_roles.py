"""What the columns of a file are: by their names, their units, and where these do not tell, their values."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, units
from .text_layout import SIZES, TIMES

if TYPE_CHECKING:
    from .text_tables import ColumnTable

ROLES = ("time", "cosine", "sine", "cosine-", "sine-", "count", "position", "velocity", "torque", "edges")
_SET_POINT = re.compile(
    r"\b(?:ref|reference|set ?point|set|target|demand|demanded|desired|err|error|nominal)\b"
)
_NAMES = {
    "index": r"index|idx|samples?|sample (?:no|number)|no|nr|number|n|#|point|row|.*\b(?:mode|flag|state|status)\b.*",
    "edges": r"edges?|edge times?|events?|event times?|t edge",
    "time": r"time.*|t|t\d*|timestamp.*|secs?|seconds?|x axis|clock|elapsed.*|date ?time|uptime|zeit",
    "cosine-": r"(?:u |v |ch )?(?:cos(?:ine)? ?(?:-|n|neg|minus|inv)|n ?cos|- ?cos|a ?(?:-|neg|minus)|a ?n)",
    "sine-": r"(?:u |v |ch )?(?:sin(?:e)? ?(?:-|n|neg|minus|inv)|n ?sin|- ?sin|b ?(?:-|neg|minus)|b ?n)",
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
# Columns whose radius scatters by more are no two channels.
ROUND = 0.5
ANALOGUE = ("cosine", "sine", "cosine-", "sine-")


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
    kind = _DIMENSIONS.get(role)
    if role == "torque" and unit in ("A", "mA", "%"):
        return True
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
        told = [by_name(names[place], "") for place, _ in found]
        if not all(role and role not in ANALOGUE for role in told):
            return [(found[0][0], "cosine"), (found[1][0], "sine")] if not any(
                role in ("time", "count", "position", "velocity", "edges") for role in told) else found  # fmt: skip
    return found


def _role_and_name(part: str) -> tuple[str | None, str]:
    role, mark, name = part.partition("=")
    return (role.strip(), name.strip()) if mark else (None, part.strip())


def _role(role: str | None) -> str | None:
    short = {
        "cos": "cosine",
        "sin": "sine",
        "cos-": "cosine-",
        "sin-": "sine-",
        "counts": "count",
        "current": "torque",
    }
    role = short.get(role, role) if role else role
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
    told = {
        place: role if role else by_name(table.names[place], table.units[place])
        for place, role in given.items()
    }
    roles: dict[str, int] = {}
    for place, role in told.items():
        if role and role not in roles:
            roles[role] = place
    if "edges" in roles and any(role in roles for role in ("cosine", "count", "position")):
        del roles["edges"]
    open_places = [place for place, role in told.items() if role is None]
    if "time" not in roles and len(open_places) > 1 and _is_time(table.columns[open_places[0]]):
        roles["time"] = open_places.pop(0)
    if not any(role in roles for role in ("count", "position", "edges")):
        _by_values(table, roles, open_places)
    return roles


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
        roles["sine" if "cosine" in roles else "cosine"] = _partner(table, known[0], moving)
    elif len(moving) == 1 and "velocity" not in roles:
        column = table.columns[moving[0]]
        if np.all(column == np.rint(column)):
            roles["count"] = moving[0]
        elif not roles and table.units[moving[0]] in ("", *TIMES) and np.all(np.diff(column) >= 0.0):
            roles["edges"] = moving[0]
    elif len(moving) >= 2:
        _channels(table, roles, moving)


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
    whole = [place for place in places if np.all(table.columns[place] == np.rint(table.columns[place]))]
    if _out_of_round(rows[best[0]], rows[best[1]]) > ROUND and whole:
        roles["count"] = whole[0]
        return
    roles["cosine"], roles["sine"] = places[best[0]], places[best[1]]


def _partner(table: ColumnTable, known: int, places: list[int]) -> int:
    first = _sampled(table.columns[known])
    return min(places, key=lambda place: _out_of_round(first, _sampled(table.columns[place])))


def _sampled(column: np.ndarray) -> np.ndarray:
    """Some thousand values of a column without what is missing."""
    values = column[:: max(1, len(column) // 4096)]
    return np.where(np.isfinite(values), values, np.nanmean(values))


def _out_of_round(x: np.ndarray, y: np.ndarray) -> float:
    """Relative scatter of the radius of two columns, each centred and scaled."""
    x, y = (2.0 * (row - row.min()) / max(np.ptp(row), 1e-300) - 1.0 for row in (x, y))
    radius = np.hypot(x, y)
    return float(np.std(radius) / np.mean(radius))
