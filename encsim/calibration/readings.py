"""Measured tables as arrays in SI: differences of two rings, error maps, passes against a reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..formats import tables
from .fourier_series import TURN

if TYPE_CHECKING:
    from .error_map import ErrorMap


# Largest deviation of an angle from its even position, in distances of points; allows for rounding in the table.
OFF_PLACE = 0.01


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Readings:
    """Differences of two rings as `calibrate` takes them.

    Attributes
    ----------
    differences : ndarray, shape (steps, points)
        rad.
    steps : ndarray, shape (steps,)
        rad, in the order of their first readings.
    closing : ndarray, shape (steps,), or None
        Readings repeated after the full revolution, rad, NaN for steps without one; None if no step has one.
    """

    differences: np.ndarray
    steps: np.ndarray
    closing: np.ndarray | None


def read_differences(text: str, name: str = "readings") -> Readings:
    """Differences of two rings from a table with one row per reading."""
    wanted = dict.fromkeys(("step", "angle", "difference"), "angle")
    step, angle, difference = tables.read_columns(text, wanted, name).values()
    steps, first, group, counts = np.unique(step, return_index=True, return_inverse=True, return_counts=True)
    order = np.lexsort((angle, group))
    parts = np.split(order, np.cumsum(counts)[:-1])
    rows, closing = zip(*(_turn(angle[part], difference[part]) for part in parts), strict=True)
    points = max(len(row[0]) for row in rows)
    for psi, (at, _) in zip(steps, rows, strict=True):
        _check_turn(at, points, psi, name)
    as_given = np.argsort(first)
    closing = np.array(closing)[as_given]
    return Readings(
        differences=np.array([row for _, row in rows])[as_given],
        steps=steps[as_given],
        closing=None if np.isnan(closing).all() else closing,
    )


def _turn(angle: np.ndarray, difference: np.ndarray) -> tuple[tuple[np.ndarray, np.ndarray], float]:
    """Angles and readings of one step within the revolution, and the repeated first reading after it, or NaN."""
    apart = angle[1] - angle[0] if len(angle) > 1 else TURN
    if abs(angle[-1] - TURN) <= OFF_PLACE * apart:
        return (angle[:-1], difference[:-1]), difference[-1]
    return (angle, difference), np.nan


def _check_turn(angle: np.ndarray, points: int, step: float, name: str) -> None:
    """Refuse a step with gaps or uneven angles."""
    field = f"{name}: step {np.degrees(step):.9g} deg"
    twice = np.flatnonzero(np.diff(angle) == 0.0)
    if twice.size:
        checks.refuse(field, "have each angle once", f"{np.degrees(angle[twice[0]]):.9g} deg twice or more")
    if len(angle) != points:
        rule = f"have {points} readings per revolution like the fullest step"
        checks.refuse(field, rule, len(angle), hint="leave out all rows of a step that is not complete")
    off = np.abs(angle * (points / TURN) - np.arange(points))
    if off.max() > OFF_PLACE:
        worst = int(np.argmax(off))
        rule = f"have even angles from 0, {360.0 / points:.9g} deg apart"
        checks.refuse(
            field, rule, float(np.degrees(angle[worst])), "deg", hint=f"reading {worst + 1} of the turn"
        )


def read_error_map(text: str, name: str = "error map") -> ErrorMap:
    """An error map from a table with one row per point, as `ErrorMap.to_csv` writes it."""
    from .error_map import ErrorMap

    angle, error = tables.read_columns(text, {"angle": "angle", "error": "angle"}, name).values()
    off = np.abs(angle * (len(angle) / TURN) - np.arange(len(angle)))
    if off.max() > OFF_PLACE:
        worst = int(np.argmax(off))
        rule = f"have even angles from 0, {360.0 / len(angle):.9g} deg apart over one turn"
        hint = f"point {worst + 1}"
        checks.refuse(f"{name}: angle", rule, float(np.degrees(angle[worst])), "deg", hint=hint)
    return ErrorMap(error)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Passes:
    """A pass forward and one backward as `compare_passes` takes them.

    Attributes
    ----------
    forward, backward : ndarray, shape (2, n)
        Reference and shown positions in the order read.
    unit : {"m", "rad"}
    """

    forward: np.ndarray
    backward: np.ndarray
    unit: str


def read_passes(text: str, name: str = "passes") -> Passes:
    """A pass forward and one backward from a table with one row per reading, in the order of reading."""
    columns, unit = _in_one_dimension(text, ("reference", "shown"), name)
    table = np.array(columns)
    turn = int(np.argmax(table[0]))
    if not 0 < turn < table.shape[1] - 1:
        checks.refuse(f"{name}: reference", "rise and then fall", f"largest value in row {turn + 1}")
    return Passes(forward=table[:, : turn + 1], backward=table[:, turn + 1 :], unit=unit)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TargetRuns:
    """Deviations at target positions as `bidirectional` takes them.

    Attributes
    ----------
    target : ndarray, shape (m,)
        Rising.
    forward, backward : ndarray, shape (runs, m)
    unit : {"m", "rad"}
    """

    target: np.ndarray
    forward: np.ndarray
    backward: np.ndarray
    unit: str


def read_runs(text: str, name: str = "runs") -> TargetRuns:
    """Deviations of several runs to target positions from a table with one row per target and run."""
    (target, forward, backward), unit = _in_one_dimension(text, ("target", "forward", "backward"), name)
    at, group, counts = np.unique(target, return_inverse=True, return_counts=True)
    if len(set(counts)) > 1:
        worst = int(np.argmin(counts))
        rule = f"have {counts.max()} runs like the others"
        checks.refuse(f"{name}: target {at[worst]:.9g} {unit}", rule, int(counts[worst]))
    order = np.argsort(group, kind="stable")
    runs = [values[order].reshape(len(at), -1).T for values in (forward, backward)]
    return TargetRuns(target=at, forward=runs[0], backward=runs[1], unit=unit)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RunOut:
    """Readings round a ring as `centre_by_gauge` or `centre_by_heads` takes them.

    Attributes
    ----------
    angles, readings : ndarray, shape (n,)
        Angles of the shaft, rad; readings of a gauge, m, or differences of two heads, rad.
    axial : ndarray, shape (n,), or None
        Axial readings, m.
    source : {"gauge", "heads"}
    """

    angles: np.ndarray
    readings: np.ndarray
    axial: np.ndarray | None
    source: str


def read_run_out(text: str, name: str = "run-out") -> RunOut:
    """Readings of a dial gauge, or differences of two heads, round a ring."""
    present = tables.names(text)
    if "step" in present:
        checks.refuse(name, "hold readings of one ring, not of two at several steps", "a column step")
    if "difference" in present and "reading" not in present:
        angle, difference = tables.read_columns(
            text, {"angle": "angle", "difference": "angle"}, name
        ).values()
        return RunOut(angles=angle, readings=difference, axial=None, source="heads")
    wanted = {"angle": "angle", "reading": "length"} | ({"axial": "length"} if "axial" in present else {})
    columns = tables.read_columns(text, wanted, name)
    return RunOut(
        angles=columns["angle"], readings=columns["reading"], axial=columns.get("axial"), source="gauge"
    )


def _in_one_dimension(text: str, names: tuple[str, ...], name: str) -> tuple[list[np.ndarray], str]:
    """Columns that are all lengths, or all angles, and their unit in SI."""
    faults = []
    for dimension, unit in (("length", "m"), ("angle", "rad")):
        try:
            columns = tables.read_columns(text, dict.fromkeys(names, dimension), name)
            return list(columns.values()), unit
        except checks.InputError as error:
            faults.append(error)
    # The error with fewer faults is that of the dimension that was meant.
    raise min(faults, key=lambda error: len(error.faults))
