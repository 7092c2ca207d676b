"""Edges of A and B between the samples of an encoder: which, in which direction, and when."""

from __future__ import annotations

import logging
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..kernels import edge_timing, records
from ..kernels.rows import ROW
from ..open_loop import period_error
from . import chain
from .encoder_positions import in_periods
from .encoder_tables import FASTER
from .motion import sampler

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .encoder_tables import EncoderTables

log = logging.getLogger("encsim")
EDGE = np.dtype(
    [
        ("sample", "i8"),  # index of the first sample of the block that shows the edge
        ("share", "f8"),  # of the time from the sample before to that sample, 0 to 1
        ("time", "f8"),  # s, as the times of the samples
        ("count", "i8"),  # after the edge
        ("channel", "i1"),  # 0: A, 1: B
        ("level", "i1"),  # of that channel after the edge
        ("direction", "i1"),  # 1 or -1
    ]
)


def check_edges(buffer: Any, axis: Axis) -> None:
    """Refuse a buffer that cannot hold edges."""
    field = "Encoder.read.edges"
    if not isinstance(buffer, np.ndarray) or buffer.ndim != 1 or buffer.dtype != EDGE:
        checks.refuse(field, "be a one-dimensional array of dtype encsim.Encoder.EDGE", type(buffer))
    if not buffer.flags.writeable:
        checks.refuse(field, "be writable", "a read-only array")
    if axis.interpolation.factor is None:
        checks.refuse(field, "be left out where Interpolation.factor is not given", "a buffer")


class EdgeFinder:
    """Finds the edges of a row of samples: as many as the count changes by, where the true motion passes their places.

    Places are those of the timed edges: errors of the signals, noise bound to each edge.
    """

    def __init__(self, axis: Axis, tables: EncoderTables, speed: float) -> None:
        sampling, band = axis.sampling, axis.signal.bandwidth
        self._axis, self._tables, self._table = axis, tables, chain.edge_table(axis, speed)
        self._ring, self._factor = chain.ring_table(axis), int(axis.interpolation.factor or 1)
        self._signal_lead = period_error.lead(period_error.averaged(axis, speed))
        self._old = sampling.latency * sampling.rate
        if speed == 0.0:
            # signals lag in motion; the table of another speed has the lag in its places
            self._old += 0.5 * (sampling.average - 1) / sampling.average
            self._old += 0.0 if band is None else sampling.rate / (2.0 * math.pi * band)
        self._way, self._reversals = float(np.sign(speed)), 0
        clock = sampler(axis)
        # ticks of the clock that edges come on, or samples, as the separation of limited edges
        self._ticks = (0.0, 0.0) if clock is None else (clock[0] / sampling.rate, clock[1])
        plan = tables.arrays[0]
        limited = plan["hold"][0] == records.LIMITED_EDGES
        self._apart = float(plan["separation"][0]) if limited else 0.0
        self._newest = -math.inf
        self.left_out = 0

    def before(self) -> tuple[int, np.ndarray, np.ndarray, np.ndarray, int]:
        """What a row overwrites: number of its first sample, positions and times before it, and the count."""
        e, (_, _, _, wholes, numbers) = self._tables.scalars, self._tables.arrays
        sample, shown_slots = int(e["sample"][0]), int(e["shown_mask"][0])
        back = math.ceil((FASTER if e["uneven"][0] else 1) * self._old) + 3
        earlier = np.arange(sample - back, sample)
        place = earlier & (self._tables.slots - 1)
        slot = (sample - 1) & shown_slots
        count = int(wholes[int(e["at_shown"][0]) + slot]) * self._factor + int(e["shift"][0])
        count += math.floor(numbers[int(e["at_count"][0]) + slot])
        late = np.zeros(back)
        if e["uneven"][0]:
            late[:] = [self._tables.late(int(k)) for k in earlier]
        self._shift = int(e["shift"][0])
        return sample, wholes[place].copy(), numbers[int(e["at_fraction"][0]) + place], late, count

    def after(self, before: Any, taken: Any, part: slice, counts: np.ndarray, out: np.ndarray) -> int:
        """Write the edges of a row that has been read, as far as there is room; returns how many."""
        sample, whole, fraction, earlier, count = before
        periods, rest = in_periods(self._axis, *taken[:2])
        back, late = whole.size, taken[2] if taken[2].size else np.full(rest.size, earlier[-1])
        self._first, self._origin = sample % ROW, int(whole[-1])
        position = (np.append(whole, periods) - self._origin) + np.append(fraction, rest)
        self._start = sample + float(earlier[-1])
        # samples from the time of the one before the row on
        time = np.arange(-back, rest.size) + (np.append(earlier, late) - earlier[-1])
        passed = np.interp(time - self._old, time, position)[back - 1 :]
        totals = np.append(count, counts[: rest.size])
        found = int(np.abs(np.diff(totals)).sum())
        written = out[:found]
        self._fill(totals, passed + self._ahead(passed), time[back - 1 :], written)
        written["sample"] += part.start
        if found > out.size and not self.left_out:
            log.warning(
                "encsim: the buffer of edges is too short; Encoder.edges_left_out counts those without room"
            )
        self.left_out += found - written.size
        return written.size

    def _ahead(self, passed: np.ndarray) -> np.ndarray:
        """Periods by which the graduation is ahead of its shaft."""
        lines, ahead = self._axis.scale.lines or 1, np.zeros(passed.size)
        for order, cosine, sine in self._ring:
            angle = 2.0 * np.pi * order * (self._origin % lines + passed) / lines
            ahead += cosine * np.cos(angle) + sine * np.sin(angle)
        return ahead

    def _fill(self, counts: np.ndarray, passed: np.ndarray, time: np.ndarray, out: np.ndarray) -> None:
        """Write the edges between consecutive counts, in order of time, as far as there is room."""
        changes = np.diff(counts)
        ends = np.minimum(np.cumsum(np.abs(changes)), out.size)
        sample = np.repeat(np.arange(changes.size), np.diff(ends, prepend=0))
        number = np.arange(sample.size) - (ends - np.diff(ends, prepend=0))[sample]  # from 0 in each sample
        way = np.sign(changes)[sample]
        count = counts[sample] + way * (number + 1)
        begin, move = passed[sample], np.diff(passed)[sample]
        place = self._places(np.maximum(count, count - way), way, sample)
        # the counter may have lost whole periods
        place += np.rint(begin + move * (number + 0.5) / np.abs(changes)[sample] - place)
        # counts that change while the axis stands still, or against its motion, are seen at the sample
        share = np.divide(place - begin, move, out=np.ones(sample.size), where=move * way > 0.0)
        share = self._delayed(
            np.clip(share, 0.0, 1.0), sample, ends[sample] - np.arange(sample.size) - 1, time
        )
        out["sample"], out["share"], out["count"], out["direction"] = sample, share, count, way
        out["time"] = (self._start + time[sample] + share * np.diff(time)[sample]) / self._axis.sampling.rate
        out["channel"] = 1 - (np.maximum(count, count - way) & 1)
        out["level"] = np.where(out["channel"] == 0, (count + 1) >> 1 & 1, count >> 1 & 1)

    def _places(self, edge: np.ndarray, way: np.ndarray, sample: np.ndarray) -> np.ndarray:
        """Places of edges, periods from the origin; each edge is numbered by the count above it."""
        e, (plan, _, _, wholes, _) = self._tables.scalars, self._tables.arrays
        turned = np.cumsum(np.append(self._way, way)[:-1] * way < 0.0) + self._reversals
        if way.size:
            self._way, self._reversals = float(way[-1]), int(turned[-1])
        if self._shift or e["shift"][0]:
            # counts that are lost in a sample are its last ones
            first = int(e["at_shift"][0]) + self._first
            edge = edge - np.append(self._shift, wholes[first : first + ROW])[sample]
        whole, within = np.divmod(edge, self._factor)
        place = np.empty(edge.size)
        arrays = within.astype(float), whole, way.astype(float), turned, plan, self._table, place
        edge_timing.edge_places_block(*arrays)
        return (whole - self._origin) + (place - self._signal_lead)

    def _delayed(
        self, share: np.ndarray, sample: np.ndarray, later: np.ndarray, time: np.ndarray
    ) -> np.ndarray:
        """Shares of the samples at which edges come out: in order, apart from the ``later`` ones, on a clock's tick."""
        share = np.maximum.accumulate(sample + share) - sample
        ratio, phase = self._ticks
        if not ratio and not self._apart:
            return share
        begin, step = self._start + time[sample], np.diff(time)[sample]
        out, end = begin + share * step, begin + step
        if ratio:
            # 1e-6: rounding does not cost a tick
            out, end = np.ceil(out * ratio + phase - 1e-6), np.floor(end * ratio + phase + 1e-6)
        apart = self._apart * np.arange(out.size + 1)
        out = (np.maximum.accumulate(np.append(self._newest, out) - apart) + apart)[1:]
        out = np.minimum(out, end - self._apart * later)
        if ratio:
            out = (out - phase) / ratio
        share = np.clip((out - begin) / step, 0.0, 1.0)
        if out.size:
            newest = float(begin[-1] + share[-1] * step[-1])
            self._newest = newest * ratio + phase if ratio else newest
        return share
