"""Influence of the start position: at simple fractions of a period per sample, aliased harmonics add as phasors."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..model.axis import Axis, check_axis
from ..model.edge_timing import TimedEdges
from ..results import Result, measured_in, recorded
from . import period_error
from .cause_models import over_grid, resolved
from .closed_form import checked_speeds

# Start positions tried per period, at least.
GRID = 1 << 14
SIMPLE = 1e-9


@dataclass(frozen=True, eq=False, kw_only=True)
class WorstStart(Result):
    """Cyclic ripple of one speed against the start position.

    Attributes
    ----------
    speed : float
        Speed, m/s or rad/s.
    samples : int
        Samples b after which the loop samples the same phases of a period again.
    beat : float
        Samples after which a run has averaged over all starts, 1/(b |v T/p - a/b|); infinite where the speed is
        exactly this fraction of a period per sample: the start then matters however long the run.
    start : float
        Start position from 0 to p/b with the largest cyclic ripple, m or rad.
    rms, least : float
        Cyclic ripple from the worst and from the best start, in a run much shorter than the beat, m/s or rad/s.
    mean : float
        The same over all starts, as :func:`encsim.ripple` gives it.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.worst_start(axis, 0.08).valid
    True
    """

    speed: float = field(metadata=measured_in("position/s"))
    samples: int = field(metadata=measured_in("1"))
    beat: float = field(metadata=measured_in("samples"))
    start: float = field(metadata=measured_in("position"))
    rms: float = field(metadata=measured_in("position/s"))
    least: float = field(metadata=measured_in("position/s"))
    mean: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})


@recorded
def worst_start(axis: Axis, speed: float) -> WorstStart:
    """Start position from which the cyclic ripple at a speed is largest, and how long that lasts.

    Parameters
    ----------
    axis : Axis
        With a linear estimator.
    speed : float
        Speed v, m/s or rad/s; the sign is ignored.

    Returns
    -------
    WorstStart

    Raises
    ------
    InputError
        If the speed is no finite number.

    Notes
    -----
    With v T/p near a/b, b at most twice the highest harmonic, a run samples the same b phases of the period
    again and again. Mean square over those of ``sum Re[E_k D(k v/p) exp(2 pi i k x/p)]``, by the first place x. Noise
    and quantisation are left out: on average they do not depend on the start.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.worst_start(axis, 0.08)
    >>> bool(found.rms >= found.least)
    True
    """
    check_axis("worst_start.axis", axis)
    velocity = abs(float(checked_speeds("worst_start.speed", speed, axis.scale.unit, single=True)))
    pitch, rate = axis.scale.pitch, axis.sampling.rate
    lines = period_error.spectrum(axis, velocity, period_error.grid_size(axis, velocity))
    orders = period_error.significant(lines)
    moved = velocity / pitch / rate
    count = _fraction(moved, 2 * int(orders.max(initial=1)))
    off = abs(moved * count - round(moved * count))
    points = count * max(2, -(-GRID // count), -(-8 * int(orders.max(initial=1)) // count))
    gain = _gain(axis, orders, velocity)
    ripple = over_grid((lines[orders] * gain)[None, :], orders, points)[0]
    square = np.mean(ripple.reshape(count, -1) ** 2, axis=0)
    worst = int(square.argmax())
    return WorstStart(
        speed=velocity,
        samples=count,
        beat=np.inf if off < SIMPLE else 1.0 / off,
        start=pitch * worst / points,
        rms=pitch * np.sqrt(square[worst]),
        least=pitch * np.sqrt(square.min()),
        mean=pitch * np.sqrt(square.mean()),
        valid=True,
        reasons=(),
        axis=axis,
    )


def _gain(axis: Axis, orders: np.ndarray, velocity: float) -> np.ndarray:
    """Complex gain of the estimator for each harmonic, 1/s."""
    estimator, rate = axis.estimator, axis.sampling.rate
    frequency = orders * velocity / axis.scale.pitch
    if isinstance(estimator, TimedEdges):
        return estimator.response(frequency, rate, speed=velocity, resolution=axis.resolution)
    return resolved(axis).response(frequency, rate)


def _fraction(turns: float, most: int) -> int:
    """Denominator up to ``most`` of the fraction nearest to this number of periods per sample."""
    candidates = np.arange(1, most + 1)
    off = np.abs(turns * candidates - np.rint(turns * candidates))
    return int(candidates[off.argmin()])
