"""Ripple over speed for several values of one or more keys of an axis, side by side."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from ..checks import Fault, InputError, choice, is_real, refuse
from ..formats import changes
from ..model.axis import check_axis
from ..open_loop.closed_form import checked_speeds, ripple
from ..open_loop.limits import default_speeds
from ..progress import Pool, ProgressTo, executor_faults, submitted, teller
from ..results import Series, measured_in, recorded

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ..model.axis import Axis

OF = ("rms", "peak", "relative")
MOST_COLUMNS = 1000


@dataclass(frozen=True, eq=False, kw_only=True)
class Sweep(Series):
    """One value of the ripple by speed, for each combination of changed values.

    Attributes
    ----------
    speed : ndarray, shape (n,)
        Speeds, m/s or rad/s.
    of : {"rms", "peak", "relative"}
        What ``values`` are, as of `RippleCurve`.
    settings : tuple of dict
        {key: value as text} of each of the m columns; the values of the last key vary fastest.
    values : ndarray, shape (n, m)
        m/s or rad/s, of the speed (1) if ``of`` is "relative".
    doubtful : ndarray of bool, shape (n, m)
        Where the prediction is not reliable; ``reasons`` says why.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.examples.load("stage_x")
    >>> found = encsim.sweep(axis, {"sampling.rate": ["8 kHz", "16 kHz"]}, ["1 mm/s", "10 mm/s"])
    >>> found.values.shape
    (2, 2)
    """

    speed: np.ndarray = field(metadata=measured_in("position/s"))
    of: str
    settings: tuple[dict[str, str], ...]
    values: np.ndarray
    doubtful: np.ndarray = field(metadata=measured_in("1"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields; that of the values depends on what they are."""
        known = super().units
        return known | {"values": "1" if self.of == "relative" else known["speed"]}

    @property
    def names(self) -> list[str]:
        """What each column is, ``sampling.rate = 8 kHz``."""
        return [", ".join(f"{key} = {text}" for key, text in one.items()) for one in self.settings]

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table: the speed, then one for each combination of values."""
        unit = {"1": ""}.get(self.units["values"], f" ({self.units['values']})")
        named = {
            f"{self.of}{unit}, {name}": column for name, column in zip(self.names, self.values.T, strict=True)
        }
        return {f"speed_{self.units['speed'].replace('/', '_')}": self.speed} | named


@recorded
def sweep(
    axis: Axis,
    values: Mapping[str, Sequence[Any]],
    speeds: Any = None,
    of: str = "rms",
    *,
    executor: Executor | int | None = None,
    progress: ProgressTo = None,
) -> Sweep:
    """Ripple by speed for each of several values of a key; several keys give all their combinations.

    Parameters
    ----------
    axis : Axis
    values : mapping of str to sequence
        {key: values}, keys and values as of ``axis.with_``.
    speeds : array_like, optional
        Speeds, m/s or rad/s, or text, ``["1 mm/s", "10 mm/s"]``; at least one. Without them those of `ripple`.
    of : {"rms", "peak", "relative"}
        Which value of `RippleCurve`.
    executor : concurrent.futures.Executor or int, optional
        Where columns are computed: an executor (dask's too), or a number of processes; else this process. The
        numbers are the same, bit for bit.
    progress : callable or True, optional
        ``progress(done, total)`` is called with columns; True tells on stderr.

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        If a key or value is wrong (all that are wrong are told), or a speed is no finite number.
    WorkersLost
        If processes end before their work is done.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.examples.load("stage_x")
    >>> found = encsim.sweep(axis, {"interpolation.factor": [400, 4000]}, [1e-3, 0.01], "relative")
    >>> found.names
    ['interpolation.factor = 400', 'interpolation.factor = 4000']
    """
    check_axis("sweep.axis", axis)
    choice("sweep.of", of, OF)
    if faults := executor_faults("sweep", executor):
        raise InputError(*faults)
    speeds = default_speeds(axis) if speeds is None else speeds
    speed = checked_speeds("sweep.speeds", speeds, axis.scale.unit).ravel()
    settings = _grid(values)
    tell = teller("sweep", progress, "columns")
    columns: list[tuple[np.ndarray, np.ndarray, tuple[str, ...]]] = []
    changed = [(one, speed, of) for one in _changed(axis, settings)]
    with Pool(executor, threads=1) as pool, submitted(pool, _column, changed) as futures:
        for future in futures:
            columns.append(future.result())
            tell(len(columns), len(settings))
    return Sweep(
        speed=speed,
        of=of,
        settings=tuple({key: _text(axis, key, value) for key, value in one.items()} for one in settings),
        values=np.stack([values for values, _, _ in columns], axis=1),
        doubtful=np.stack([doubtful for _, doubtful, _ in columns], axis=1),
        valid=not any(doubtful.any() for _, doubtful, _ in columns),
        reasons=tuple(dict.fromkeys(itertools.chain.from_iterable(reasons for _, _, reasons in columns))),
        axis=axis,
    )


def _column(axis: Axis, speed: np.ndarray, of: str) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]]:
    """One column: its values, where they are doubtful, and why."""
    curve = ripple(axis, speed)
    return getattr(curve, of), curve.doubtful, curve.reasons


def _grid(values: Mapping[str, Sequence[Any]]) -> list[dict[str, Any]]:
    """All combinations of the values, {key: value} each."""
    if not isinstance(values, Mapping) or not values:
        refuse("sweep.values", "be keys with lists of values", values)
    for key, listed in values.items():
        if isinstance(listed, str) or not isinstance(listed, Sequence) or not listed:
            refuse(f"sweep.values[{key}]", "be a list of values", listed)
    count = int(np.prod([len(listed) for listed in values.values()], dtype=float))
    if count > MOST_COLUMNS:
        refuse("sweep.values", f"make at most {MOST_COLUMNS} combinations", count)
    return [dict(zip(values, row, strict=True)) for row in itertools.product(*values.values())]


def _changed(axis: Axis, settings: list[dict[str, Any]]) -> list[Axis]:
    """The axis with each of the settings; all that are impossible are told at once."""
    axes: list[Axis] = []
    faults: list[Fault] = []
    for one in settings:
        try:
            axes.append(axis.with_(one))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*dict.fromkeys(faults))
    return axes


def _text(axis: Axis, key: str, value: Any) -> str:
    """A value as it was given, with its unit where it is a number in SI."""
    if isinstance(value, str):
        return value
    return changes.write(axis, key, value) if value is None or is_real(value) else str(value)
