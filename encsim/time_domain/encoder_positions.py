"""True positions as an encoder takes them: whole signal periods and the rest, checked before anything is read."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..kernels import encoder
from .encoder_tables import FASTER
from .motion import LAST_SAMPLE

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .encoder_tables import EncoderTables

FARTHEST = 1 << 60  # signal periods


def place(axis: Axis, position: Any) -> tuple[int, float]:
    """One true position as whole periods and the rest."""
    unit, label = axis.scale.unit, "Encoder.position"
    if isinstance(position, tuple) and len(position) == 2 and checks.is_whole(position[0]):
        whole, fraction = int(position[0]), position[1]
    else:
        whole, fraction = 0, position
        if checks.is_real(position):
            fraction = float(position) / axis.scale.pitch
    if not checks.is_real(fraction) or abs(whole + fraction) > FARTHEST:
        rule = f"be a finite number, within {FARTHEST} signal periods"
        checks.refuse(label, rule, position, unit)
    more = round(fraction)
    return whole + more, float(fraction - more)


def positions(axis: Axis, position: Any) -> tuple[np.ndarray, np.ndarray]:
    """True positions as the kernel takes them: whole periods and the rest, or none and the position unit."""
    if isinstance(position, tuple) and len(position) == 2:
        return _pair(*position)
    label = "Encoder.read.position"
    if np.ma.is_masked(position):
        checks.refuse(label, "hold no masked values", "a masked array")
    array = np.asarray(position)
    if array.ndim != 1 or array.dtype.kind not in "iuf":
        checks.refuse(label, "be one row of real numbers", f"{array.dtype} of shape {array.shape}")
    array = np.ascontiguousarray(array, dtype=np.float64)
    _refuse_outside(label, array, FARTHEST * axis.scale.pitch, axis.scale.unit)
    return np.zeros(0, np.int64), array


def _pair(whole: Any, fraction: Any) -> tuple[np.ndarray, np.ndarray]:
    """Whole periods and the rest, which is brought to -0.5 to 0.5."""
    whole, fraction, label = np.asarray(whole), np.asarray(fraction), "Encoder.read.position"
    if whole.ndim != 1 or whole.dtype.kind not in "iu" or fraction.dtype.kind not in "iuf":
        checks.refuse(
            label, "be whole periods (integers) and fractions (floats)", f"{whole.dtype}, {fraction.dtype}"
        )
    if fraction.shape != whole.shape:
        checks.refuse(label, "have as many fractions as whole periods", f"{whole.shape}, {fraction.shape}")
    fraction = np.asarray(fraction, dtype=np.float64)
    _refuse_outside(f"{label}[0]", whole.astype(np.float64), FARTHEST, "signal periods")
    _refuse_outside(f"{label}[1]", fraction, FARTHEST, "signal periods")
    more = np.rint(fraction)
    return whole.astype(np.int64) + more.astype(np.int64), np.ascontiguousarray(fraction - more)


def _refuse_outside(label: str, values: np.ndarray, most: float, unit: str) -> None:
    """Refuse values that are not finite or too far away."""
    bad = encoder.first_outside_block(values, most)
    if bad >= 0:
        value = values[bad].item()
        rule = "be finite" if not math.isfinite(value) else f"lie within {most:.4g} {unit} of zero"
        checks.refuse(f"{label}[{bad}]", rule, value, unit)


def in_periods(axis: Axis, whole: np.ndarray, fraction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Whole periods and the rest, of positions as the kernel takes them."""
    if whole.size:
        return whole, fraction
    turns = fraction / axis.scale.pitch
    periods = np.rint(turns)
    return periods.astype(np.int64), turns - periods


def lateness(axis: Axis, time: Any, samples: int, sample: int, before: float | None) -> np.ndarray:
    """Times of samples minus those of their numbers, samples; ``before``: that of the sample before, if any."""
    label, rate = "Encoder.read.time", axis.sampling.rate
    array = np.asarray(time)
    if array.shape != (samples,) or array.dtype.kind not in "iuf" or np.ma.is_masked(time):
        checks.refuse(label, f"be {samples} real numbers", f"{array.dtype} of shape {array.shape}")
    array = array.astype(np.float64)
    _refuse_outside(label, array, LAST_SAMPLE / rate, "s")
    late = np.asarray(array * rate - np.arange(sample, sample + samples))
    steps = 1.0 + np.diff(late, prepend=late[:1] if before is None else before)
    short = np.flatnonzero(steps < 1.0 / FASTER)
    if short.size:
        bad = int(short[0])
        rule = f"be 1/{FASTER} of a loop period or more after the sample before, at {1.0 / (FASTER * rate):.4g} s"
        checks.refuse(f"{label}[{bad}]", rule, float(steps[bad] / rate), "s")
    return late


class IndexMark:
    """A mark on the scale: once a revolution of a rotary one, at one place of a linear one."""

    def __init__(self, axis: Axis, place: float) -> None:
        self._axis = axis
        self._whole = math.floor(place / axis.scale.pitch)
        self._fraction = place / axis.scale.pitch - self._whole
        self._lines = axis.scale.lines

    def find(self, tables: EncoderTables, whole: np.ndarray, fraction: np.ndarray, out: np.ndarray) -> None:
        """Write 1 for every sample to be read in which a mark is passed, else 0."""
        before = tables.true_position(int(tables.scalars["sample"][0]) - 1)
        whole, fraction = in_periods(self._axis, whole, fraction)
        out[: whole.size] = self.passed(np.append(before[0], whole), np.append(before[1], fraction))

    def passed(self, whole: np.ndarray, fraction: np.ndarray) -> np.ndarray:
        """1 for every true position but the first that lies on another side of a mark than the one before."""
        more = np.floor(fraction)
        periods = whole + more.astype(np.int64) - self._whole - (fraction - more < self._fraction)
        side = periods >= 0 if self._lines is None else periods // self._lines
        return (side[1:] != side[:-1]).astype(np.int64)
