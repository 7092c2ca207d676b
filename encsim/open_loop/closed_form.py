"""Velocity ripple of an axis at every speed, in closed form: no random numbers, microseconds a speed.

The estimator sees the shown position at two instants a lag L apart. All that matters is the mean square of
the increment of the position error over L, split by cause: lines of the period's error (cyclic), Gaussian
scatter (jitter, clock, noise), and what converter and counting add. Lengths are in signal periods until the
end.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, results
from ..model.axis import Axis
from ..results import Series
from ..rings import error_orders
from ..rings.error_orders import turn_lines
from . import cause_models, engines, period_error, validity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .cause_models import LineModel, TableModel
    from .engines import Timed


RANDOM = ("jitter", "noise", "clock")
COUNTING = ("adc", "resolution")
RANGE = 20
# Parts that do not feel at which speed the graduation passes.
STEADY = {"ring", "age"}


@dataclass(frozen=True, eq=False, kw_only=True)
class RippleCurve(Series):
    """Velocity ripple against speed.

    Attributes
    ----------
    speed : ndarray
        Speeds as given, m/s or rad/s; the other arrays have its shape.
    rms : ndarray
        Root of the mean square of velocity less true speed, over evenly spread starts.
    peak : ndarray
        Half range of the cyclic part over all starts, plus min(3 rms, q/2 sum |d_j|) of counting, plus 3 rms
        of the random parts.
    relative : ndarray
        rms/|speed|; infinite at standstill.
    parts : dict of str to ndarray
        rms of each cause that is there: ``sde``, ``adc``, ``resolution``, ``jitter``, ``noise``, ``clock``,
        ``age``, ``ring``; their squares add up to rms**2.
    regime : ndarray of str
        The largest mean square: ``noise`` (jitter, noise and clock), ``resolution`` (converter and counts),
        else ``direct`` or ``aliased`` by the frequency of the strongest line.
    frequency, alias : ndarray
        Frequency of the line with the largest velocity amplitude and where the loop sees it, Hz.
    doubtful : ndarray of bool
        Where the prediction may not be believed; ``reasons`` says why.
    method : {"exact", "step"}
        How converter and counts are computed.
    vanishing : tuple
        (speed, (harmonic, ...)) within the range of speeds, for the lines that matter; none where edges are timed.
    """

    speed: np.ndarray
    rms: np.ndarray
    peak: np.ndarray
    relative: np.ndarray
    parts: dict[str, np.ndarray]
    regime: np.ndarray
    frequency: np.ndarray
    alias: np.ndarray
    doubtful: np.ndarray
    method: str
    vanishing: tuple
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        speed = f"{self.axis.scale.unit}/s"
        return {
            "speed": speed,
            "rms": speed,
            "peak": speed,
            "relative": "1",
            "parts": speed,
            "regime": "1",
            "frequency": "Hz",
            "alias": "Hz",
            "doubtful": "1",
            "vanishing": speed,
        }

    def refined(self) -> RippleCurve:
        """The curve with speeds between, closer still where lines vanish, if its own are a range to draw.

        Returns
        -------
        RippleCurve
            Of 400 speeds on a log scale, those of this curve, and 50 beside each vanishing speed; this curve
            itself where it has fewer than 20 speeds or they are no rising range.
        """
        speed = self.speed
        if speed.ndim != 1 or speed.size < RANGE or speed[0] <= 0.0 or (np.diff(speed) <= 0.0).any():
            return self
        beside = np.geomspace(1e-4, 0.06, 25)
        marks = np.array([mark for mark, _ in self.vanishing[:40]])
        notches = np.multiply.outer(marks, np.concatenate([1.0 - beside, [1.0], 1.0 + beside])).ravel()
        notches = notches[(notches > speed[0]) & (notches < speed[-1])]
        between = np.geomspace(speed[0], speed[-1], 400)[1:-1]
        return ripple(self.axis, np.unique(np.concatenate([speed, between, notches])))

    def plot(self, ax: Axes | None = None, *, limit: float | None = None, simulated: None = None) -> Axes:
        """Draw ripple against speed with its parts and regimes, and as a share of the speed.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Takes the curve alone; without it the whole sheet is drawn on a new figure.
        limit : (float, float), optional
            Ripple allowed: share of the speed, and a value below which it does not go; either may be 0.
        simulated : mapping, optional
            ``speed`` and ``rms`` of simulated points.

        Returns
        -------
        matplotlib.axes.Axes
            A range of speeds is drawn :meth:`refined`.
        """
        pictures = results.pictures()

        return pictures.ripple(self.refined(), ax, limit=limit, simulated=simulated)


@dataclass(frozen=True, eq=False, kw_only=True)
class Lines(Series):
    """Lines of the error at one speed, by falling velocity amplitude (zero to peak).

    Attributes
    ----------
    harmonic : ndarray
        Cycles a signal period, whole; below 1 for the lines of a ring's mounting.
    order : ndarray of int
        Cycles a turn of those, 0 for others.
    frequency, alias : ndarray
        True frequency and where the loop sees it, Hz.
    position, velocity : ndarray
        Amplitudes of position error and of measured velocity.
    """

    harmonic: np.ndarray
    order: np.ndarray
    frequency: np.ndarray
    alias: np.ndarray
    position: np.ndarray
    velocity: np.ndarray
    speed: float
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    @property
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        unit = self.axis.scale.unit
        return {
            "harmonic": "1",
            "order": "1",
            "frequency": "Hz",
            "alias": "Hz",
            "position": unit,
            "velocity": f"{unit}/s",
            "speed": f"{unit}/s",
        }


def ripple(axis: Axis, speeds: float | list[float] | np.ndarray) -> RippleCurve:
    """Velocity ripple that the controller measures in steady motion, at each speed.

    Parameters
    ----------
    axis : Axis
    speeds : array_like
        Speeds v, m/s or rad/s, any shape; the sign is ignored and 0 is allowed.

    Returns
    -------
    RippleCurve

    Raises
    ------
    InputError
        If a speed is no finite number, or there is none.

    Notes
    -----
    Mean square over evenly spread starts. With g the error of a period, counts and converter included, L the
    lag in periods and s the rms of its Gaussian part, ``E D(L + s Z) + s**2``, D the mean square of
    g(x + L) - g(x): method "exact", where g does not depend on speed and the factor is at most 4096 (16384
    with a converter). Else "step": lines at each speed, and counting by its dithered steps with the converter
    as white noise. An encoder read on its own clock mixes two lags. See :mod:`encsim.increments` and
    :mod:`encsim.steps`.
    """
    speed = checked_speeds("ripple.speeds", speeds, axis.scale.unit)
    magnitude = np.abs(speed).ravel()
    model = engines.engine(axis)
    scale = axis.scale.pitch
    squares, peak = _parts(axis, model, magnitude)
    squares = {cause: np.maximum(square, 0.0) * scale**2 for cause, square in squares.items()}
    total = sum(squares.values()) if squares else np.zeros_like(magnitude)
    frequency = model.strongest(magnitude)
    doubtful, reasons = validity.find(axis, model, magnitude, squares, total)
    rms = np.sqrt(total)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.where(magnitude > 0.0, rms / magnitude, np.inf)

    def shaped(values: np.ndarray) -> np.ndarray:
        return values.reshape(speed.shape)

    return RippleCurve(
        speed=speed,
        rms=shaped(rms),
        peak=shaped(peak * scale + _peak_of_parts(axis, squares, model.magnitudes(magnitude))),
        relative=shaped(relative),
        parts={cause: shaped(np.sqrt(square)) for cause, square in squares.items()},
        regime=shaped(regimes(axis, squares, frequency)),
        frequency=shaped(frequency),
        alias=shaped(_folded(frequency, axis.sampling.rate)),
        doubtful=shaped(doubtful),
        method=model.method,
        vanishing=vanishing_marks(axis, model, magnitude),
        valid=not doubtful.any(),
        reasons=reasons,
        axis=axis,
    )


def _parts(axis: Axis, model: TableModel | LineModel | Timed, speed: np.ndarray) -> tuple[Any, ...]:
    """Parts of the model, means over the speeds at which the graduation of a mounted ring passes in a turn."""
    # These differ by a trifle, which is all that is left where lines vanish or counts come evenly.
    squares, peak = model.parts(speed)
    if axis.ring is None:
        return squares, peak
    found = [
        model.parts(speed * (1.0 + share)) for share in error_orders.speed_modulation(axis.ring, axis.heads)
    ]
    for cause in squares.keys() - STEADY:
        squares[cause] = sum(parts[cause] for parts, _ in found) / len(found)
    return squares, np.maximum.reduce([peak, *(highest for _, highest in found)])


def lines(axis: Axis, speed: float) -> Lines:
    """Lines of the position error and the velocity ripple they make at one speed.

    Parameters
    ----------
    axis : Axis
    speed : float
        Speed v, m/s or rad/s.

    Returns
    -------
    Lines

    Raises
    ------
    InputError
        If the speed is not a finite number.

    Notes
    -----
    A line E_k of frequency f = k v/p makes ``2 E_k fs/N |sin(pi N f/fs)|`` of velocity by a difference over N
    samples, seen at |f - fs round(f/fs)|.
    """
    velocity = float(checked_speeds("lines.speed", speed, axis.scale.unit, single=True))
    found = period_error.position_error(axis, velocity)
    part, turned, mounted = turn_lines(axis)
    harmonic = np.concatenate([found.harmonic, part]) if part.size else found.harmonic
    size = np.concatenate([found.amplitude, axis.scale.pitch * np.abs(mounted)])
    frequency = harmonic * abs(velocity) / axis.scale.pitch
    amplitude = size * engines.gain(axis, frequency, velocity)
    falling = np.argsort(-amplitude, kind="stable")
    return Lines(
        harmonic=harmonic[falling],
        order=np.concatenate([np.zeros(found.harmonic.size, dtype=int), turned])[falling],
        frequency=frequency[falling],
        alias=_folded(frequency, axis.sampling.rate)[falling],
        position=size[falling],
        velocity=amplitude[falling],
        speed=velocity,
        valid=found.valid,
        reasons=found.reasons,
        axis=axis,
    )


def vanishing_speeds(axis: Axis, harmonic: int = 1, count: int = 5) -> np.ndarray:
    """Speeds at which a line is sampled once or more a cycle, always at the same place, and vanishes.

    Parameters
    ----------
    axis : Axis
    harmonic : int
        Cycles of error a signal period, k.
    count : int
        How many speeds.

    Returns
    -------
    ndarray, shape (count,)
        n p rate/k for n = 1 … count, m/s or rad/s.

    Raises
    ------
    InputError
        If harmonic or count is no whole number from 1 on.
    """
    for name, value in (("harmonic", harmonic), ("count", count)):
        if not checks.is_whole(value) or not 1 <= value <= 10**6:
            checks.refuse(f"vanishing_speeds.{name}", "be a whole number from 1 to 1000000", value)
    return np.arange(1, count + 1) * (axis.scale.pitch * axis.sampling.rate / harmonic)


def checked_speeds(
    name: str, speeds: float | list[float] | np.ndarray | tuple[float], unit: str, single: bool = False
) -> np.ndarray:
    """Speeds as a new float array, checked."""
    try:
        if np.asarray(speeds).dtype.kind not in "fiu":
            raise TypeError
        found = np.array(speeds, dtype=float)
    except (TypeError, ValueError):
        checks.refuse(name, f"be numbers in {unit}/s", speeds)
    if found.size == 0 or (single and found.ndim):
        checks.refuse(name, "be one number" if single else "hold at least one number", speeds)
    wrong = found[~(np.abs(found) < 1e100)]
    if wrong.size:
        checks.refuse(name, "be finite and below 1e100", float(wrong[0]), f"{unit}/s")
    return found


def _folded(frequency: np.ndarray, rate: float) -> np.ndarray:
    """Where a loop of this rate sees a frequency, Hz."""
    return np.abs(frequency - rate * np.rint(frequency / rate))


def _peak_of_parts(
    axis: Axis, squares: dict[Any, np.ndarray], magnitudes: float | np.ndarray
) -> float | np.ndarray:
    """Peak of counting and of the random parts, velocity; ``magnitudes`` is sum |d_j| of the estimator, 1/s."""
    found = np.sqrt(sum(squares.get(cause, 0.0) for cause in RANDOM)) * 3.0
    found = found + 3.0 * np.sqrt(squares.get("adc", 0.0))
    counting = np.minimum(3.0 * np.sqrt(squares.get("resolution", 0.0)), 0.5 * axis.resolution * magnitudes)
    return found + counting + 3.0 * np.sqrt(squares.get("age", 0.0))


def regimes(axis: Axis, squares: dict[Any, np.ndarray], frequency: np.ndarray) -> np.ndarray:
    """Name of the largest part at each speed."""
    nothing = np.zeros_like(frequency)
    random = sum((squares[cause] for cause in RANDOM if cause in squares), nothing)
    counting = sum((squares[cause] for cause in COUNTING if cause in squares), nothing)
    sde = squares.get("sde", nothing) + squares.get("ring", nothing)
    age = squares.get("age", nothing)
    seen = np.where(age > sde, cause_models.own_clock(axis) or np.nan, np.nan_to_num(frequency))
    cyclic = np.where(seen < axis.sampling.rate / 2.0, "direct", "aliased")
    largest = np.maximum(counting, sde + age)
    return np.where(random >= largest, "noise", np.where(counting >= sde + age, "resolution", cyclic))


def vanishing_marks(
    axis: Axis, model: TableModel | LineModel | Timed, speed: np.ndarray, most: int = 60
) -> tuple[tuple[float, tuple[Any, ...]], ...]:
    """Speeds within the range at which the strong lines vanish, with the harmonics that do."""
    orders, size = model.line_sizes(speed)
    if orders.size == 0 or not axis.estimator.linear:
        return ()  # edges that are timed are bound to position
    size = size.reshape(-1, orders.size).max(axis=0)
    strong = orders[size >= 0.03 * size.max()]
    if strong.size == 0 or strong.size > 8:
        strong = orders[np.argsort(-size)[:8]]
    marks = {}
    for harmonic in sorted(strong.tolist()):
        for vanished in vanishing_speeds(axis, harmonic, most):
            if speed.min() <= vanished <= speed.max():
                marks.setdefault(round(vanished, 12), []).append(harmonic)
    return tuple((place, tuple(found)) for place, found in sorted(marks.items())[:most])
