"""An error map as C source, with a bound of how far its linear interpolation is from the map."""

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
# What `ErrorMap.evaluate` and the function's own doubles may be off, of the sum of all amplitudes, and of the
# sum of their slopes for the angle itself.
VALUE, ANGLE = 1e-12, 4e-15
# No keyword and no name of math.h has an underscore inside and no capital.
NAME = "[a-z][a-z0-9]*(_[a-z0-9]+)+"
FUNCTION = """\
/* Error of a ring, shown minus true, in rad: {size} intervals a turn, linear between them.
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
        The source: a table and a function, C89 and later.
    name : str
        The function: error in rad of an angle in turns.
    size : int
        Intervals per revolution; the table has one entry more.
    bound : float
        How far the function may be from the map, rad: the sum of what follows and of its arithmetic.
    interpolation : float
        Bound of the straight lines: (2 pi/size)^2/8 times the largest curvature of the map, rad.
    rounding : float
        Largest rounding of an entry to float, rad.
    """

    text: str
    name: str
    size: int
    bound: float
    interpolation: float
    rounding: float

    def write(self, path: Path, *, force: bool = False) -> None:
        """Write the source to a file, whole or not at all."""
        files.write_whole(path, self.text, force=force)


def c_table(map_: ErrorMap, size: int | None, bound: float | None, name: str) -> CTable:
    """C source of a map; see `ErrorMap.c_table`."""
    _check_name(name)
    if (size is None) == (bound is None):
        checks.refuse("ErrorMap.c_table", "be given either a size or a bound", f"{size} and {bound}")
    curvature = map_.largest(2)
    if size is None:
        size = _fitting(map_, bound, curvature)
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


def _fitting(map_: ErrorMap, bound: float, curvature: float) -> int:
    """Fewest intervals that prove a bound."""
    if not checks.is_real(bound) or bound <= 0.0:
        checks.refuse("ErrorMap.c_table.bound", "be positive and finite", bound, "rad")
    # Half the spacing of floats at the largest entry: no entry is rounded by more.
    rounding = float(np.spacing(np.float32(map_.largest()))) / 2.0
    left = bound - rounding - _arithmetic(map_)
    if left <= 0.0:
        rule = f"be above what rounding to float may take, {bound - left:.3g} rad"
        checks.refuse("ErrorMap.c_table.bound", rule, bound, "rad")
    wanted = TURN * math.sqrt(curvature / (8.0 * left))
    if wanted > MOST:
        rule = f"be met by a table of {MOST} intervals: smooth the map to fewer orders, or take a larger one"
        checks.refuse("ErrorMap.c_table.bound", rule, bound, "rad")
    return max(math.ceil(wanted), 2)


def _arithmetic(map_: ErrorMap) -> float:
    """What the doubles of Python and C may be off together."""
    size = np.abs(map_.amplitudes)
    return float(VALUE * (abs(map_.error.mean()) + size.sum()) + ANGLE * (map_.orders @ size))


def _rows(entries: np.ndarray) -> str:
    """Entries as float literals, six a line."""
    words = [f"{value:.8e}f" for value in entries.tolist()]
    return ",\n".join("    " + ", ".join(words[i : i + 6]) for i in range(0, len(words), 6))


def _check_name(name: str) -> None:
    if not isinstance(name, str) or not re.fullmatch(NAME, name) or len(name) > LONGEST:
        rule = f"be lower case with an underscore inside, {LONGEST} characters at most, as ring_error"
        checks.refuse("ErrorMap.c_table.name", rule, name)
