"""Columns of a file as the series of a recording: what they hold, in SI, repaired, with notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import checks, units, wording
from ..wording import many
from . import column_content
from .text_layout import SIZES, TIMES, known, spelt
from .text_tables import ColumnTable, refuse

LARGEST_SHARE_MISSING = 0.5
# Registers of 16, 24 and 32 bits, and a day of seconds.
CLOCK_TURNS = (2.0**16, 2.0**24, 2.0**32, 86400.0)
_HOLDS = {"time": "time", "cosine": "cosine", "sine": "sine", "cosine-": "inverse cosine", "sine-": "inverse sine",
          "count": "counts", "position": "position", "velocity": "velocity", "torque": "torque",
          "edges": "times of edges"}  # fmt: skip
_KINDS = {
    "channels": "two analogue channels",
    "counts": "counts",
    "position": "positions",
    "velocity": "a velocity",
}


@dataclass(frozen=True)
class Options:
    """What the caller says of a file; None is to be found out."""

    columns: Any = None
    skip: int | None = None
    decimal: str | None = None
    delimiter: str | None = None
    units: Any = None
    time: Any = None
    mid_scale: Any = None
    wrap: Any = None

    def __post_init__(self) -> None:
        if self.skip is not None and (not checks.is_whole(self.skip) or self.skip < 0):
            checks.refuse("skip", "be a whole number of lines", self.skip)
        if self.decimal not in (None, ".", ","):
            checks.refuse("decimal", 'be "." or ","', self.decimal)
        if self.delimiter is not None and (not isinstance(self.delimiter, str) or not self.delimiter):
            checks.refuse("delimiter", "be a text", self.delimiter)


def time_column(options: Options, names: Sequence[str]) -> int | None:
    """Place of the time column that the caller names, or that its name tells; None where an interval is given."""
    time = options.time
    if time is None:
        told = (i for i, name in enumerate(names) if name and column_content.by_name(name, "") == "time")
        return next(told, None) if options.columns is not None else None
    if (checks.is_real(time) and not checks.is_whole(time)) or _as_interval(time) is not None:
        return None
    return column_content.place_of(time, names, "time")


def _as_interval(time: Any) -> float | None:
    """Sampling interval that the caller gives as a number of s or with its unit; None for a column."""
    if checks.is_real(time) and not checks.is_whole(time):
        if time <= 0.0:
            checks.refuse("time", "be positive", time, "s")
        return float(time)
    for dimension in ("time", "frequency"):
        try:
            value = units.parse(time, dimension, "time")
        except checks.InputError:
            continue
        if value > 0.0:
            return value if dimension == "time" else 1.0 / value
    return None


def recording(
    table: ColumnTable, given: list[tuple[int, str | None]] | None, options: Options
) -> dict[str, Any]:
    """Fields of the capture that the columns make."""
    if len(max(table.columns, key=len)) < 2:
        refuse("hold at least two rows of numbers", "one row", table.source)
    places = dict(given) if given is not None else dict.fromkeys(range(len(table.columns)))
    time = time_column(options, table.names)
    if time is not None and "time" not in places.values() and not places.get(time):
        places[time] = "time"
    _give_units(
        table, options.units, [place for place, _ in given] if options.columns is not None and given else None
    )
    kept, repairs = _complete_rows(table, list(places))
    roles = column_content.find(table, places)
    if _as_interval(options.time) is not None:
        table.interval = _as_interval(options.time)
        roles.pop("time", None)
    return _Reading(table, roles, options, kept, repairs).fields()


def _give_units(table: ColumnTable, given: Any, places: list[int] | None) -> None:
    """Units that the caller says, by name or in the order of the columns."""
    if given is None:
        return
    if isinstance(given, dict):
        pairs = [(column_content.place_of(name, table.names, "units"), unit) for name, unit in given.items()]
    else:
        parts = [part.strip() for part in given.split(",")] if isinstance(given, str) else list(given)
        order = places if places is not None else [i for i, column in enumerate(table.columns) if len(column)]
        if len(parts) != len(order):
            checks.refuse("units", f"be {len(order)} units, one for each column used", given)
        pairs = list(zip(order, parts, strict=True))
    for place, unit in pairs:
        if not isinstance(unit, str) or (unit and not known(spelt(unit))):
            checks.refuse("units", "be known units, as s, V, counts, um, deg, rpm, N m, A", unit)
        table.units[place] = spelt(unit)


def _complete_rows(table: ColumnTable, places: list[int]) -> tuple[np.ndarray | None, list[str]]:
    """Leave out rows with missing values: the numbers of the rows that stay, and what was done."""
    bad = np.zeros(len(table.columns[places[0]]), dtype=bool)
    for place in list(places):
        missing = ~np.isfinite(table.columns[place])
        bad |= missing
    if not bad.any():
        return None, []
    first = int(np.argmax(bad))
    column = next(place for place in places if not np.isfinite(table.columns[place][first]))
    if np.mean(bad) > LARGEST_SHARE_MISSING:
        raise table.fault(first, column, "hold a number in at least half of the rows", "nothing")
    kept = np.flatnonzero(~bad)
    for place in places:
        table.columns[place] = table.columns[place][kept]
    where = f"row {first + 1}" if table.line(first) is None else f"line {table.line(first)}"
    table.kept, left_out = kept, many(float(np.sum(bad)), "row")
    return kept, [f"{left_out} without a number left out, the first is {where}, column {column + 1}"]


class _Reading:
    """Turns columns with known roles into a capture, and collects what is to be told."""

    def __init__(
        self,
        table: ColumnTable,
        roles: dict[str, int],
        options: Options,
        kept: np.ndarray | None,
        repairs: list[str],
    ) -> None:
        self.table, self.roles, self.options, self.kept = table, roles, options, kept
        self.repairs = [*table.repairs, *repairs]
        self.units: dict[str, str] = {}
        self.assumed: list[str] = []

    def fields(self) -> dict[str, Any]:
        """Fields of the capture: kind, rate, series, units, notes."""
        series, kind = self._series()
        sampling = self._sampling(series)
        self._fresh(series, sampling)
        if sampling.time is not None and "time" not in series:
            series["time"] = sampling.time
        for row in series.values():
            row.setflags(write=False)
        told = "; ".join(f"{_HOLDS[role]} is {self._named(place)}" for role, place in self.roles.items()
                         if role in (*series, "cosine-", "sine-", "edges", "time"))  # fmt: skip
        holds = f"{_KINDS[kind]}: {told}" + "".join(f"; {word}" for word in self.assumed)
        notes = [self.table.what, holds, f"sampling: {sampling.words}", *self.repairs]
        if not sampling.rate and "time" not in series:
            notes[2] += " (give it with --time)"
        return {"kind": kind, "rate": sampling.rate, "notes": notes, "units": self.units, **series}

    def _named(self, place: int) -> str:
        name = self.table.names[place]
        unit = f" in {self.table.units[place]}" if self.table.units[place] else ""
        return (f'"{checks.one_line(name, 24)}"' if name else f"column {place + 1}") + unit

    def _column(self, role: str) -> np.ndarray:
        return self.table.columns[self.roles[role]]

    def _series(self) -> tuple[dict[str, np.ndarray], str]:
        """The series in SI, and the kind of the recording."""
        roles = self.roles
        series: dict[str, np.ndarray] = {}
        for role in ("velocity", "torque"):
            if role in roles:
                series[role] = self._in_si(role, {"velocity": "speed", "torque": "torque"}[role])
        if "cosine" in roles and "sine" in roles:
            return series | self._channels(), "channels"
        if "edges" in roles:
            time = self._column("edges") * TIMES[self.table.units[roles["edges"]] or "s"]
            self._forward(time, roles["edges"])
            return {"count": np.arange(len(time), dtype=np.int64), "time": time}, "counts"
        if "position" in roles and ("count" not in roles or self.table.units[roles["position"]]):
            turns = self._unwrap(self._in_si("position", "position"), whole=False)
            if "count" in roles:
                series["count"] = self._counts()
            return series | {"position": turns}, "position"
        if "count" in roles:
            return series | {"count": self._counts()}, "counts"
        if "velocity" in roles:
            return series, "velocity"
        names = [name or str(i + 1) for i, name in enumerate(self.table.names)]
        rule = "hold two channels, counts, positions or a velocity that their names or values tell"
        hint = 'say what they hold, as --columns "cosine=2, sine=3"'
        got = ", ".join(names)
        raise checks.InputError(checks.Fault("columns", rule, got, hint=hint, source=self.table.source))

    def _counts(self) -> np.ndarray:
        column = self._column("count")
        broken = np.flatnonzero(column != np.rint(column))
        if broken.size:
            row = int(broken[0])
            raise self.table.fault(
                row, self.roles["count"], "hold whole numbers as counts", float(column[row])
            )
        return self._unwrap(column, whole=True).astype(np.int64)

    def _in_si(self, role: str, dimension: str) -> np.ndarray:
        """A column in SI; where it has no unit it is taken as SI already."""
        unit = self.table.units[self.roles[role]]
        column = self._column(role)
        sizes = units.DIMENSIONS[dimension].units
        if unit in sizes:
            above, below = sizes[unit]
            self.units[role] = _si_unit(unit, dimension)
            return column * (above / below)
        if unit in SIZES:
            self.units[role] = "A" if unit == "mA" else unit
            return column * SIZES[unit]
        self.assumed.append(f"unit of {_HOLDS[role]} is not told: taken as SI")
        return column

    def _channels(self) -> dict[str, np.ndarray]:
        """Two channels, differences of four where there are four, about mid-scale."""
        series = {}
        for role in ("cosine", "sine"):
            row = self._column(role)
            series[role] = row - self._column(f"{role}-") if f"{role}-" in self.roles else row
            unit = self.table.units[self.roles[role]]
            self.units[role] = "V" if unit in ("mV", "uV") else unit
            if unit in SIZES and SIZES[unit] != 1.0:
                series[role] = series[role] * SIZES[unit]
            if np.ptp(series[role]) == 0.0:
                raise self.table.fault(0, self.roles[role], "change: the channel is constant", float(row[0]))
        given = self.options.mid_scale
        middle = column_content.middle_of(list(series.values())) if given is None else _mid_scale(given)
        if middle:
            if given is None:
                self.assumed.append(
                    f"mid-scale {middle:.6g} {self.units['cosine']}".rstrip() + " assumed and subtracted"
                )
            series = {role: row - middle for role, row in series.items()}
        return series

    def _unwrap(self, row: np.ndarray, whole: bool) -> np.ndarray:
        """A counter or an angle without its jumps."""
        given = _wrap(self.options.wrap)
        turn = column_content.period_of_wrap(row, whole) if given is None else given
        if not turn:
            return row
        if given is None:
            width = f" ({int(np.log2(turn))} bits)" if whole and np.log2(turn) % 1.0 == 0.0 else ""
            self.repairs.append(
                f"{'counter' if whole else 'position'} begins again after {turn:.7g}{width}: joined"
            )
        return column_content.unwrapped(row, turn)

    def _sampling(self, series: dict[str, np.ndarray]) -> column_content.TimeBase:
        """Sampling by the time column, else by the interval that the file or the caller tells."""
        if "edges" in self.roles and "time" in series:
            return column_content.TimeBase(None, None, "a time at every edge")
        if "time" in self.roles:
            return column_content.sampling(self._time(), _moved(series))
        if self.table.interval is None:
            return column_content.TimeBase(None, None, "taken as even, the rate is not told")
        words = f"even at {wording.show(1.0 / self.table.interval, 'Hz')}, as told"
        if self.kept is None:
            return column_content.TimeBase(1.0 / self.table.interval, None, words)
        return column_content.TimeBase(1.0 / self.table.interval, self.kept * self.table.interval, words)

    def _time(self) -> np.ndarray:
        place = self.roles["time"]
        column, unit = self._column("time"), self.table.units[place]
        if not unit:
            step = float(np.median(np.diff(column[:100_000])))
            whole = bool(np.all(column[:1000] == np.rint(column[:1000])))
            unit = "s" if not whole or step < 1.0 else "ms" if step < 1000.0 else "us"
            self.assumed.append(f"unit of time is not told: taken as {unit}")
            self.table.units[place] = unit
        if unit not in TIMES:
            checks.refuse("time", "have a unit of time", unit)
        turn = _turn_of_clock(column)
        if turn is not None:
            self.repairs.append(f"time begins again after {turn:.7g} {unit}: joined")
            column = column_content.unwrapped(column, turn)
        time = column if unit == "s" else column * TIMES[unit]
        self._forward(time, place)
        return time

    def _forward(self, time: np.ndarray, place: int) -> None:
        """Refuse a time that runs backwards."""
        row = column_content.first_backwards(time)
        if row is not None:
            got = f"{time[row]:.9g} s after {time[row - 1]:.9g} s"
            raise self.table.fault(row, place, "never run backwards", got)

    def _fresh(self, series: dict[str, np.ndarray], sampling: column_content.TimeBase) -> None:
        """Leave out channel samples that only repeat the ones before."""
        if "cosine" not in series:
            return
        fresh = column_content.held(series["cosine"], series["sine"])
        if fresh is None:
            return
        share = 1.0 - np.mean(fresh)
        self.repairs.append(
            f"{share:.0%} of the samples repeat the one before (held by the logger): left out"
        )
        count = len(series["cosine"])
        time = sampling.time
        if time is None and sampling.rate:
            time = np.arange(count) / sampling.rate
        series |= {role: row[fresh] for role, row in series.items()}
        if time is not None:
            series["time"] = time[fresh]


def _turn_of_clock(time: np.ndarray) -> float | None:
    """Where a time begins again, a width of a register or a day, in its unit; None where it just runs backwards."""
    if column_content.first_backwards(time) is None:
        return None
    steps = np.diff(time)
    for turn in CLOCK_TURNS:
        over = steps[steps < 0.0] + turn
        if np.ptp(time) < turn and over.min() > 0.0 and over.max() < 3.0 * np.median(steps):
            return turn
    return None


def _moved(series: dict[str, np.ndarray]) -> np.ndarray | None:
    """Times that position and velocity take from sample to sample, NaN at slow speed; None without both."""
    if "position" not in series or "velocity" not in series:
        return None
    speed = 0.5 * (series["velocity"][1:] + series["velocity"][:-1])
    fast = np.abs(speed) > 0.2 * np.max(np.abs(speed), initial=0.0)
    return np.divide(np.diff(series["position"]), speed, out=np.full(len(speed), np.nan), where=fast)


def _si_unit(unit: str, dimension: str) -> str:
    """SI unit of a unit: m or rad, m/s or rad/s, N or N m."""
    for base in ("m", "rad"):
        name = units.on_scale(dimension, base)
        if unit in units.DIMENSIONS[name].units:
            return next(text for text, size in units.DIMENSIONS[name].units.items() if size == (1, 1))
    return unit


def _mid_scale(given: Any) -> float:
    """Mid-scale of the caller: a number, or with V or mV."""
    if checks.is_real(given):
        return float(given)
    number, _, unit = str(given).strip().partition(" ")
    try:
        return float(number) * SIZES[unit.strip() or "V"]
    except (ValueError, KeyError):
        checks.refuse("mid_scale", 'be a number, or a voltage as "2.5 V"', given)


def _wrap(given: Any) -> float | None:
    """Counts after which the counter begins again, of the caller."""
    if given is None:
        return None
    text = str(given).strip()
    bits = text.removesuffix("bits").removesuffix("bit").strip()
    if bits != text and bits.isdigit() and 2 <= int(bits) <= 64:
        return 2.0 ** int(bits)
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not np.isfinite(value) or value < 0.0 or value == 1.0:
        checks.refuse("wrap", 'be a number of counts, a width as "16 bit", or 0 for none', given)
    return value
