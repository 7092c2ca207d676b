"""An error map as C source, with a bound of the error of its linear interpolation."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import checks, files
from .fourier_series import TURN

if TYPE_CHECKING:
    from pathlib import Path

    from .error_map import ErrorMap


MOST, LONGEST = 1 << 22, 24
# Bounds of the rounding errors of `ErrorMap.evaluate` and of the C function: relative to the sum of all amplitudes, and
# relative to the sum of their slopes, by the rounding of the angle.
VALUE, ANGLE = 1e-12, 4e-15
# Lower case with an underscore inside: no keyword and no name of math.h is written so.
NAME = "[a-z][a-z0-9]*(_[a-z0-9]+)+"
FUNCTION = """\
/* Error, shown minus true, in rad: {size} intervals a turn, linear between them.
   Nowhere farther from the map than {bound:.4g} rad: {interpolation:.3g} of the straight lines,
   {rounding:.3g} of rounding to float. */
#include <math.h>

#define {upper}_SIZE {size}L

static const float {name}_table[{upper}_SIZE + 1] = {{
{rows}
}};

/* Error in rad at a true angle in turns, any number of them. */
double {name}(double turns)
{{
    double place = (turns - floor(turns)) * {upper}_SIZE;
    long i = (long)place;
    if (i >= {upper}_SIZE)
        i = {upper}_SIZE - 1;
    return {name}_table[i] + (place - i) * ((double){name}_table[i + 1] - {name}_table[i]);
}}
"""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CTable:
    """C source of an error map.

    Attributes
    ----------
    text : str
        The source for C89 and later: a table and a function.
    name : str
        Name of the function, which takes an angle in revolutions and gives the error in rad.
    size : int
        Intervals per revolution; the table has one entry more.
    bound : float
        Bound of the difference between function and map, rad: interpolation, rounding and arithmetic.
    interpolation : float
        Bound of the error of linear interpolation, (2 pi/size)^2/8 times the largest curvature of the map, rad.
    rounding : float
        Largest rounding error of an entry in single precision, rad.
    """

    text: str
    name: str
    size: int
    bound: float
    interpolation: float
    rounding: float

    def write(self, path: str | Path, *, force: bool = False) -> None:
        """Write the source to a file, whole or not at all."""
        files.write_whole(str(path), self.text, force=force)


def c_table(map_: ErrorMap, size: int | None, bound: float | None, name: str) -> CTable:
    """C source of a map; see `ErrorMap.c_table`."""
    if not isinstance(name, str) or not re.fullmatch(NAME, name) or len(name) > LONGEST:
        rule = f"be lower case with an underscore inside, {LONGEST} characters at most, as ring_error"
        checks.refuse("ErrorMap.c_table.name", rule, name)
    if (size is None) == (bound is None):
        checks.refuse("ErrorMap.c_table", "be given either a size or a bound", f"{size} and {bound}")
    curvature = map_.largest(2)
    if size is None:
        size = _smallest_size(map_, bound, curvature)
    if not checks.is_whole(size) or not 2 <= size <= MOST:
        checks.refuse("ErrorMap.c_table.size", f"be a whole number from 2 to {MOST}", size)
    exact = map_.evaluate(np.arange(size) * (TURN / size))
    entries = exact.astype(np.float32)
    rounding = float(np.abs(entries - exact).max())
    interpolation = curvature * (TURN / size) ** 2 / 8.0
    total = interpolation + rounding + _arithmetic(map_)
    rows = _rows(np.append(entries, entries[0]))
    filled = {"bound": total, "interpolation": interpolation, "rounding": rounding, "rows": rows}
    text = FUNCTION.format(name=name, upper=name.upper(), size=size, **filled)
    return CTable(
        text=text, name=name, size=int(size), bound=total, interpolation=interpolation, rounding=rounding
    )


def _smallest_size(map_: ErrorMap, bound: float | None, curvature: float) -> int:
    """Fewest intervals with which a bound is proved."""
    if bound is None or not checks.is_real(bound) or bound <= 0.0:
        checks.refuse("ErrorMap.c_table.bound", "be positive and finite", bound, "rad")
    # No entry is rounded by more than half the spacing of floats at the largest entry.
    rounding = float(np.spacing(np.float32(map_.largest()))) / 2.0
    available = bound - rounding - _arithmetic(map_)
    if available <= 0.0:
        rule = f"be above what rounding to float may take, {bound - available:.3g} rad"
        checks.refuse("ErrorMap.c_table.bound", rule, bound, "rad")
    wanted = TURN * math.sqrt(curvature / (8.0 * available))
    if wanted > MOST:
        rule = f"be met by a table of {MOST} intervals: smooth the map to fewer orders, or take a larger one"
        checks.refuse("ErrorMap.c_table.bound", rule, bound, "rad")
    return max(math.ceil(wanted), 2)


def _arithmetic(map_: ErrorMap) -> float:
    """Bound of the rounding errors of double precision, in Python and C together."""
    amplitudes = np.abs(map_.amplitudes)
    return float(VALUE * (abs(map_.error.mean()) + amplitudes.sum()) + ANGLE * (map_.orders @ amplitudes))


def _rows(entries: np.ndarray) -> str:
    """Entries as float literals, six per line."""
    words = [f"{value:.8e}f" for value in entries.tolist()]
    return ",\n".join("    " + ", ".join(words[i : i + 6]) for i in range(0, len(words), 6))
