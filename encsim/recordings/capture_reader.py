"""Files as captures: a table of text with a header line."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import checks
from .capture import Capture

ROLES = {
    "time": {"time", "t", "timestamp", "time_s", "t_s"},
    "cosine": {"cos", "cosine", "c"},
    "sine": {"sin", "sine", "s"},
    "count": {"count", "counts", "left_counts"},
    "position": {"position", "position_rad", "position_m", "pos"},
    "velocity": {"velocity", "velocity_rad_s", "velocity_m_s", "speed"},
    "torque": {"torque", "torque_n_m", "iq_a", "current"},
}
MILLISECONDS = {"time_ms", "t_ms"}


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


def read(path: str | os.PathLike[str], options: Options) -> Capture:
    """The recording of one file."""
    try:
        with open(path, encoding="utf-8-sig") as stream:
            names = [name.strip().lower() for name in stream.readline().split(",")]
            table = np.loadtxt(stream, delimiter=",", ndmin=2)
    except (OSError, ValueError) as error:
        checks.refuse("file", f"be a table of numbers below one line of names ({error})", str(path))
    found = {role: table[:, names.index(name)] for role, usual in ROLES.items()
             for name in names if name in usual}  # fmt: skip
    for name in MILLISECONDS & set(names):
        found["time"] = table[:, names.index(name)] / 1e3
    kind = next((kind for kind, role in (("channels", "cosine"), ("counts", "count"), ("position", "position"))
                 if role in found), "velocity")  # fmt: skip
    rate = None
    if "time" in found and found["time"][-1] > found["time"][0]:
        rate = (len(table) - 1) / (found["time"][-1] - found["time"][0])
    return Capture(kind, rate, notes=[f"a table of {len(table)} rows with a header"], **found)
