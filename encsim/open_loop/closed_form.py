"""Velocity ripple of an axis at every speed, in closed form: no random numbers, microseconds per speed.

The estimator compares the decoded position at instants a lag L apart. The ripple follows from the mean square of the
increment of the position error over L, split by cause: harmonics of the error of a period (cyclic), Gaussian scatter
(jitter of position and sampling, channel noise), A/D conversion and quantisation. Lengths are in signal periods until
the result.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model.axis import Axis, check_axis
from ..model.delays import velocity_delays
from ..results import AXIS_EXAMPLE, Series, computed, measured_in, picture, recorded
from ..rings import error_orders
from ..rings.error_orders import turn_lines
from ..units import speeds_in_si
from . import causes, engines, extremes, limits, period_error, validity

if TYPE_CHECKING:
    from .cause_models import Model


RANGE = 20
# Parts that do not depend on the speed at which the graduation passes the head.
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
        Half of (maximum - minimum) of the velocity in one second of running (one revolution, where that takes
        longer), as `simulate` measures it, random parts by their expected extremes; never below rms.
    relative : ndarray
        rms/|speed|; infinite at standstill.
    parts : dict of str to ndarray
        rms of each cause that is there: ``sde``, ``adc``, ``resolution``, ``jitter``, ``noise``, ``clock``,
        ``age``, ``ring``; their squares add up to rms**2.
    regime : ndarray of str
        The largest mean square: ``noise`` (jitter, noise and clock), ``resolution`` (converter and counts),
        ``asynchronous`` (age of the reading), else ``direct`` or ``aliased`` by the frequency of the strongest
        harmonic.
    frequency, alias : ndarray
        Frequency of the harmonic with the largest velocity amplitude, and its aliased frequency, Hz.
    doubtful : ndarray of bool
        Where the prediction is not reliable; ``reasons`` says why.
    peak_reliable : ndarray of bool
        Where the peak is known within 10 %.
    delay : ndarray
        Delay of the measured velocity, s: mean age of the reading (latency, lag of the bandwidth, averaging,
        asynchronous sampling) plus the estimator's delay at 0 Hz; infinite for timed edges at standstill.
    remarks : tuple of str
        Approximations with an error of some 2 % at most, which mark no speed.
    method : {"exact", "step"}
        How A/D conversion and quantisation are computed.
    vanishing : tuple
        Sampling nulls (speed, (harmonic, ...)) within the range, for the strong harmonics; none for timed edges.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> curve = encsim.ripple(axis, [0.01, 0.1])
    >>> curve.valid
    True
    """

    speed: np.ndarray = field(metadata=measured_in("position/s"))
    rms: np.ndarray = field(metadata=measured_in("position/s"))
    peak: np.ndarray = computed("position/s", lambda curve: curve._extremes[0])  # noqa: RUF009
    relative: np.ndarray = field(metadata=measured_in("1"))
    parts: dict[str, np.ndarray] = field(metadata=measured_in("position/s"))
    regime: np.ndarray = field(metadata=measured_in("1"))
    frequency: np.ndarray = field(metadata=measured_in("Hz"))
    alias: np.ndarray = field(metadata=measured_in("Hz"))
    doubtful: np.ndarray = field(metadata=measured_in("1"))
    peak_reliable: np.ndarray = computed("1", lambda curve: curve._extremes[1] & ~curve.doubtful)  # noqa: RUF009
    delay: np.ndarray = computed("s", lambda curve: velocity_delays(curve.axis, curve.speed))  # noqa: RUF009
    method: str
    vanishing: tuple[tuple[float, tuple[int, ...]], ...] = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    axis: Axis = field(metadata={"plain": False})

    @functools.cached_property
    def _extremes(self) -> tuple[np.ndarray, np.ndarray]:
        """Peak, and where it is known well."""
        squares = {cause: part.ravel() ** 2 for cause, part in self.parts.items()}
        peak, sure = extremes.expected_peak(self.axis, np.abs(self.speed).ravel(), squares)
        return np.maximum(peak.reshape(self.speed.shape), self.rms), sure.reshape(self.speed.shape)

    def at(self, places: list[int]) -> RippleCurve:
        """The curve at some of its speeds, by their place (list of int): peaks are computed for these alone."""
        names = ("speed", "rms", "relative", "regime", "frequency", "alias", "doubtful")
        some = {name: getattr(self, name).ravel()[places] for name in names}
        parts = {cause: part.ravel()[places] for cause, part in self.parts.items()}
        return replace(self, parts=parts, **some)

    def refined(self) -> RippleCurve:
        """The curve at 400 speeds on a log scale and 50 beside each sampling null; itself below 20 rising speeds."""
        speed = self.speed
        if speed.ndim != 1 or speed.size < RANGE or speed[0] <= 0.0 or (np.diff(speed) <= 0.0).any():
            return self
        beside = np.geomspace(1e-4, 0.06, 25)
        marks = np.array([mark for mark, _ in self.vanishing[:40]])
        notches = np.multiply.outer(marks, np.concatenate([1.0 - beside, [1.0], 1.0 + beside])).ravel()
        notches = notches[(notches > speed[0]) & (notches < speed[-1])]
        between = np.geomspace(speed[0], speed[-1], 400)[1:-1]
        return ripple(self.axis, np.unique(np.concatenate([speed, between, notches])))

    plot = picture(
        "figures.ripple:ripple",
        "Draw rms ripple (position unit per second) against speed with its parts and regimes, and"
        " as a share of the speed.",
        alone="Takes the curve alone",
        refined=True,
        raises="If the limit is no such pair, or the simulated points are not as many speeds as ripples.",
        options={
            "limit": (
                "Requirement or (float, float)",
                "Ripple allowed; a pair is a share of the speed, and a value below which it does not go, m/s or "
                "rad/s; either may be 0.",
            ),
            "simulated": (
                "mapping",
                "``speed`` and ``rms`` of simulated points, m/s or rad/s.",
            ),
        },
        example=AXIS_EXAMPLE
        + "ax = encsim.ripple(axis, np.geomspace(1e-3, 1.0, 50)).plot(limit=(0.01, 0.0))",
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Lines(Series):
    """Harmonics of the position error at one speed, by falling velocity amplitude (zero to peak).

    Attributes
    ----------
    harmonic : ndarray
        Cycles per signal period, whole; below 1 for the orders of a ring's mounting.
    order : ndarray of int
        Cycles per revolution of those, 0 for others.
    frequency, alias : ndarray
        True frequency and aliased frequency, Hz.
    position, velocity : ndarray
        Amplitudes of position error and of measured velocity.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.lines(axis, 0.01)
    >>> found.frequency[:3]
    array([1000.,  500., 2000.])
    """

    harmonic: np.ndarray = field(metadata=measured_in("1"))
    order: np.ndarray = field(metadata=measured_in("1"))
    frequency: np.ndarray = field(metadata=measured_in("Hz"))
    alias: np.ndarray = field(metadata=measured_in("Hz"))
    position: np.ndarray = field(metadata=measured_in("position"))
    velocity: np.ndarray = field(metadata=measured_in("position/s"))
    speed: float = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})


@recorded
def ripple(axis: Axis, speeds: float | list[float] | np.ndarray | None = None) -> RippleCurve:
    """Velocity ripple that the controller measures in steady motion, at each speed.

    Parameters
    ----------
    axis : Axis
    speeds : array_like, optional
        Speeds v, m/s or rad/s, any shape, or text, ``["1 mm/s", "10 mm/s"]``; the sign is ignored, 0 allowed. Without
        them 100 over ``axis.motion``, else the range that the command takes.

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
    with a converter). Else "step": harmonics at each speed, quantisation by its dithered steps, the converter
    as white noise where noise smooths its steps, else by tables at up to 16 speeds, each for those near it. An
    encoder read asynchronously mixes two lags. See `structure_function` and `quantisation`.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> curve = encsim.ripple(axis, [0.01, 0.1])
    >>> (1e6 * curve.rms).round(1)  # um/s
    array([ 186.7, 1001.3])
    """
    check_axis("ripple.axis", axis)
    speeds = limits.default_speeds(axis) if speeds is None else speeds
    speed = checked_speeds("ripple.speeds", speeds, axis.scale.unit)
    magnitude = np.abs(speed).ravel()
    model = engines.engine(axis)
    squares = _parts(axis, model, magnitude)
    squares = {cause: np.maximum(square, 0.0) * axis.scale.pitch**2 for cause, square in squares.items()}
    total = sum(squares.values(), np.zeros_like(magnitude))
    frequency = model.strongest(magnitude)
    doubtful, reasons = validity.find(axis, model, magnitude, squares, total)
    rms = np.sqrt(total)
    relative = np.divide(rms, magnitude, out=np.full_like(rms, np.inf), where=magnitude > 0.0)

    def shaped(values: np.ndarray) -> np.ndarray:
        return values.reshape(speed.shape)

    return RippleCurve(
        speed=speed,
        rms=shaped(rms),
        relative=shaped(relative),
        parts={cause: shaped(np.sqrt(square)) for cause, square in squares.items()},
        regime=shaped(causes.regimes(squares, frequency, axis.sampling.rate)),
        frequency=shaped(frequency),
        alias=shaped(aliased(frequency, axis.sampling.rate)),
        doubtful=shaped(doubtful),
        method=model.method,
        vanishing=vanishing_marks(axis, model, magnitude),
        valid=not doubtful.any(),
        reasons=reasons,
        remarks=validity.remarks(axis, magnitude, squares, doubtful),
        axis=axis,
    )


def _parts(axis: Axis, model: Model, speed: np.ndarray) -> dict[str, np.ndarray]:
    """Parts of the model, averaged over the speeds at which a mounted ring passes its heads in one revolution."""
    # The speeds differ little; at sampling nulls and whole counts per sample this difference is all that is left.
    squares = model.parts(speed)
    if axis.ring is None:
        return squares
    at_angles = [
        model.parts(speed * (1.0 + share)) for share in error_orders.speed_modulation(axis.ring, axis.heads)
    ]
    for cause in squares.keys() - STEADY:
        squares[cause] = sum((parts[cause] for parts in at_angles), 0.0 * speed) / len(at_angles)
    return squares


@recorded
def lines(axis: Axis, speed: float) -> Lines:
    """Harmonics of the position error and the velocity ripple they make at one speed.

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
    Harmonic E_k of frequency f = k v/p makes a velocity ripple of ``2 E_k fs/N |sin(pi N f/fs)|`` by a difference
    over N samples, aliased to |f - fs round(f/fs)|.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> found = encsim.lines(axis, 0.01)
    >>> found.frequency[:3]
    array([1000.,  500., 2000.])
    """
    check_axis("lines.axis", axis)
    velocity = float(checked_speeds("lines.speed", speed, axis.scale.unit, single=True))
    error = period_error.position_error(axis, velocity)
    part, turned, mounted = turn_lines(axis)
    harmonic = np.concatenate([error.harmonic, part]) if part.size else error.harmonic
    size = np.concatenate([error.amplitude, axis.scale.pitch * np.abs(mounted)])
    frequency = harmonic * abs(velocity) / axis.scale.pitch
    amplitude = size * engines.gain(axis, frequency, velocity)
    falling = np.argsort(-amplitude, kind="stable")
    return Lines(
        harmonic=harmonic[falling],
        order=np.concatenate([np.zeros(error.harmonic.size, dtype=int), turned])[falling],
        frequency=frequency[falling],
        alias=aliased(frequency, axis.sampling.rate)[falling],
        position=size[falling],
        velocity=amplitude[falling],
        speed=velocity,
        valid=error.valid,
        reasons=error.reasons,
        axis=axis,
    )


def vanishing_speeds(axis: Axis, harmonic: int = 1, count: int = 5) -> np.ndarray:
    """Sampling nulls of a harmonic: speeds at which every sample meets the same phase of it.

    Parameters
    ----------
    axis : Axis
    harmonic : int
        Cycles of the error per signal period, k.
    count : int
        Number of speeds.

    Returns
    -------
    ndarray, shape (count,)
        n p rate/k for n = 1 … count, m/s or rad/s.

    Raises
    ------
    InputError
        If harmonic or count is no whole number from 1 on.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.vanishing_speeds(axis, harmonic=1, count=3)
    array([0.32, 0.64, 0.96])
    """
    check_axis("vanishing_speeds.axis", axis)
    for name, value in (("harmonic", harmonic), ("count", count)):
        if not checks.is_whole(value) or not 1 <= value <= 10**6:
            checks.refuse(f"vanishing_speeds.{name}", "be a whole number from 1 to 1000000", value)
    return np.arange(1, count + 1) * (axis.scale.pitch * axis.sampling.rate / harmonic)


def checked_speeds(name: str, speeds: Any, unit: str, single: bool = False) -> np.ndarray:
    """Speeds as a new float array, checked; text with units is read as the command line reads it."""
    speeds = speeds_in_si(name, speeds, unit)
    try:
        if np.asarray(speeds).dtype.kind not in "fiu":
            raise TypeError
        values = np.array(speeds, dtype=float)
    except (TypeError, ValueError):
        checks.refuse(name, f"be numbers in {unit}/s", speeds)
    if values.size == 0 or (single and values.ndim):
        checks.refuse(name, "be one number" if single else "hold at least one number", speeds)
    wrong = values[~(np.abs(values) < 1e100)]
    if wrong.size:
        checks.refuse(name, "be finite and below 1e100", float(wrong[0]), f"{unit}/s")
    return values


def aliased(frequency: np.ndarray, rate: float) -> np.ndarray:
    """Frequency after sampling at this rate, Hz."""
    return np.abs(frequency - rate * np.rint(frequency / rate))


def vanishing_marks(
    axis: Axis, model: Model, speed: np.ndarray, most: int = 60
) -> tuple[tuple[float, tuple[int, ...]], ...]:
    """Sampling nulls of the strong harmonics within the range of speeds, with those harmonics."""
    orders, size = model.line_sizes(speed)
    if orders.size == 0 or not axis.estimator.linear:
        return ()  # timed edges are bound to position: nothing is aliased
    size = size.reshape(-1, orders.size).max(axis=0)
    strong = orders[size >= 0.03 * size.max()]
    if strong.size == 0 or strong.size > 8:
        strong = orders[np.argsort(-size)[:8]]
    marks: dict[float, list[int]] = {}
    for harmonic in sorted(strong.tolist()):
        for vanished in vanishing_speeds(axis, harmonic, most):
            if speed.min() <= vanished <= speed.max():
                marks.setdefault(round(vanished, 12), []).append(harmonic)
    return tuple((place, tuple(orders)) for place, orders in sorted(marks.items())[:most])
