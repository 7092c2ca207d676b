"""A recording of an axis: two channels, counts, positions or a velocity, with its time."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    Columns = str | Sequence[str | int] | Mapping[str, str | int]


KINDS = {
    "channels": ("cosine", "sine"),
    "counts": ("count",),
    "position": ("position",),
    "velocity": ("velocity",),
}
SERIES = ("time", "cosine", "sine", "count", "position", "velocity", "torque")


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """A recording: what was recorded, sample by sample, in SI.

    Parameters
    ----------
    kind : {"channels", "counts", "position", "velocity"}
        What the encoder gave: "channels" needs ``cosine`` and ``sine``, the others the series of that name. All
        series given have the same length n.
    rate : float, optional
        Sampling rate, Hz; None where it is not known.
    time : array-like, shape (n,), optional
        Time stamps, s, which never decrease: those of the logger, which may scatter about the even ``rate``.
    cosine, sine : array-like, shape (n,), optional
        The two channels, both in the same unit, whatever that is.
    count : array-like, shape (n,), optional
        Counts of the counter, whole numbers without wrap.
    position : array-like, shape (n,), optional
        Position, m or rad.
    velocity : array-like, shape (n,), optional
        Velocity as the drive gives it, m/s or rad/s.
    torque : array-like, shape (n,), optional
        Torque, force or current command, N m, N or A.
    notes : list of str
        What a file was taken for and what was repaired, from `Capture.read`.
    units : mapping of str to str
        Units of the series where they are known, {"position": "rad", "torque": "A", "cosine": "V"}.

    Raises
    ------
    InputError
        If a series is missing, holds no finite numbers or has another length, or if the time runs backwards.

    Examples
    --------
    >>> import encsim
    >>> capture = encsim.Capture("counts", rate=1000.0, count=[0, 3, 6, 10], torque=[0.1, 0.1, 0.2, 0.1])
    >>> capture.samples, capture.seconds
    (4, 0.003)
    """

    kind: str
    rate: float | None = None
    time: np.ndarray | None = None
    cosine: np.ndarray | None = None
    sine: np.ndarray | None = None
    count: np.ndarray | None = None
    position: np.ndarray | None = None
    velocity: np.ndarray | None = None
    torque: np.ndarray | None = None
    notes: list[str] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check = checks.Check(self)
        if not isinstance(self.kind, str) or self.kind not in KINDS:
            check.fault("kind", "be " + ", ".join(f'"{kind}"' for kind in KINDS), self.kind)
            check.done()
        check.positive("rate", "Hz", optional=True)
        for name in SERIES:
            if getattr(self, name) is not None:
                _store(check, name)
        check.done()
        _check_lengths(check)
        check.done()
        object.__setattr__(self, "notes", [str(note) for note in self.notes])
        object.__setattr__(self, "units", dict(self.units))

    def __repr__(self) -> str:
        given = ", ".join(name for name in SERIES if getattr(self, name) is not None)
        rate = "" if self.rate is None else f" at {self.rate:.6g} Hz"
        return f"Capture({self.kind!r}: {self.samples} samples{rate} of {given})"

    @property
    def samples(self) -> int:
        """Number of samples n."""
        return len(getattr(self, KINDS[self.kind][0]))

    @property
    def seconds(self) -> float:
        """Time from the first to the last sample, s; NaN where neither time nor rate is known."""
        if self.time is not None:
            return float(self.time[-1] - self.time[0])
        return np.nan if self.rate is None else (self.samples - 1) / self.rate

    @classmethod
    def read(
        cls,
        path: str | os.PathLike[str] | io.BytesIO,
        columns: Columns | None = None,
        skip: int | None = None,
        decimal: str | None = None,
        *,
        delimiter: str | None = None,
        units: str | Sequence[str] | Mapping[str, str] | None = None,
        time: str | float | None = None,
        mid_scale: str | float | None = None,
        wrap: str | int | None = None,
    ) -> Capture:
        r"""Read a recording from a file and find out what it holds.

        Parameters
        ----------
        path : str, path or BytesIO
            A table of text; NPY, NPZ, MAT version 5 or WAV; each of them compressed by gzip too.
        columns : str, sequence or mapping, optional
            Columns to use, names or numbers from 1: "cos,sin"; or with what they hold: "time=1, cosine=3, sine=4".
        skip : int, optional
            Lines to leave out at the top.
        decimal, delimiter : str, optional
            Decimal mark, "." or ",", and what parts the columns of a text.
        units : str, sequence or mapping, optional
            Units of the columns used, "s,V,V", or by name of column.
        time : str or float, optional
            Column of the time (name or number), or the sampling interval or rate with its unit ("10 us", "50 kHz"); a
            float is the interval in s.
        mid_scale : str or float, optional
            Value of both channels without signal, which is subtracted, in their unit.
        wrap : str or int, optional
            Counts after which the counter begins again, or its width as "16 bit"; 0: it does not wrap.

        Returns
        -------
        Capture
            ``notes`` say in three lines what the file was taken for, and in further lines what was repaired.

        Raises
        ------
        InputError
            If the file cannot be read or holds no recording: names file, line and column.

        Examples
        --------
        >>> import encsim, pathlib, tempfile
        >>> path = pathlib.Path(tempfile.mkdtemp(), "log.csv")
        >>> _ = path.write_text("time;count\nms;1\n0,0;10\n1,0;13\n2,0;16\n3,0;20\n")
        >>> encsim.Capture.read(path)
        Capture('counts': 4 samples at 1000 Hz of count)
        """
        from ..formats import capture_reader, column_series

        options: dict[str, Any] = {
            "columns": columns, "skip": skip, "decimal": decimal, "delimiter": delimiter, "units": units,
            "time": time, "mid_scale": mid_scale, "wrap": wrap,
        }  # fmt: skip
        return cls(**capture_reader.read(path, column_series.Options(**options)))


def frozen_row(values: ArrayLike, kind: type) -> np.ndarray | None:
    """Values as a read-only row; None if they are no row of real numbers. A row that is such already is shared."""
    try:
        raw = np.asarray(values)
    except (ValueError, TypeError, OverflowError):
        return None
    if np.ma.is_masked(values) or raw.ndim != 1 or not raw.size or raw.dtype.kind not in "iuf":
        return None
    shared = raw.dtype == kind and raw.base is None and not raw.flags.writeable
    row = raw if shared else raw.astype(kind)
    row.setflags(write=False)
    return row


def _store(check: checks.Check, name: str) -> None:
    """Check one series and store it read-only."""
    given = getattr(check.owner, name)
    row = frozen_row(given, np.float64)
    if row is None:
        check.fault(name, "be one row of real numbers", given)
        return
    broken = np.flatnonzero(~np.isfinite(row))
    if broken.size:
        check.fault(name, "hold finite numbers only", f"{row[broken[0]]} at index {broken[0]}")
    elif name == "count":
        raw = np.asarray(given)
        if raw.dtype.kind == "f" and np.any(row != np.rint(row)):
            first = int(np.flatnonzero(row != np.rint(row))[0])
            check.fault(name, "hold whole numbers", f"{row[first]} at index {first}")
        row = frozen_row(given, np.int64)
    elif name == "time" and np.any(row[1:] < row[:-1]):
        first = int(np.argmax(row[1:] < row[:-1]))
        check.fault(
            name, "never decrease", f"{row[first + 1]:.9g} after {row[first]:.9g} at index {first + 1}"
        )
    object.__setattr__(check.owner, name, row)


def _check_lengths(check: checks.Check) -> None:
    """Record missing series and series of another length."""
    capture = check.owner
    for name in KINDS[capture.kind]:
        if getattr(capture, name) is None:
            check.fault(name, f'be given for kind "{capture.kind}"', checks.NOTHING)
    check.done()
    for item in fields(capture):
        row = getattr(capture, item.name) if item.name in SERIES else None
        if row is not None and len(row) != capture.samples:
            check.fault(item.name, f"have {capture.samples} values as {KINDS[capture.kind][0]}", len(row))
