"""Encoder errors from counts or positions of an axis in motion: cyclic error, orders, resolution, jitter, timing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .. import checks
from ..calibration import angle_fit
from ..calibration.angle_fit import TAU, AngleFit
from ..checks import Orders
from ..results import Result, measured_in, picture, scale_units
from .smooth_motion import LEAST_PERIODS, Record, SmoothMotion, recorded, spacing

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..calibration.error_map import ErrorMap
    from ..model.axis import Axis
    from .capture import Capture


FEWEST = 50
# Rounds in which an error is read at the corrected position.
ROUNDS = 3
SIGNIFICANT = 3.0
# Positions that scatter this much more than the drive's velocity allows come from instants that scatter.
SCATTERED = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class MotionIdentification(Result):
    """What counts or positions of an axis in motion show of its encoder.

    Attributes
    ----------
    unit : str
        Position unit: "m", "rad", or "counts" where the period of a counter is not known.
    speed : float
        Mean speed, position unit per second.
    resolution : float
        One count, position unit; NaN if the positions lie on no lattice.
    hysteresis : float
        Difference between the two directions of motion, position unit; NaN if there is only one.
    harmonics : mapping of int to (float, float)
        Position error ``sum E sin(k theta + f)`` per signal period, {k: (E, f)}, position unit and rad.
    orders : mapping of int to float
        Velocity amplitude of each significant order per revolution, {n: amplitude}, position unit per second.
    jitter : float
        Rms of the position about smooth motion and all that repeats, rounding left out; variation of the actual motion
        included. NaN where the instants of the samples scatter too much to tell.
    timing : float
        Standard deviation of the time between two samples, as the positions imply it, s; 0 where none is seen, NaN
        where neither a velocity nor a change of speed tells it from jitter.
    uncertainty : mapping of str to float or mapping
        Standard uncertainties, in the shape of the fields; of an amplitude for each harmonic and order.
    points : int
    seconds : float
    valid : bool
    reasons : tuple of str
    remarks : tuple of str
        What the figures include and what they do not show.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.01, 8000, seed=1)
    >>> capture = encsim.Capture("position", rate=axis.sampling.rate, position=trace.position)
    >>> found = encsim.identify(capture, period=axis.scale.pitch)
    >>> round(1e9 * found.harmonics[1][0])
    35
    """

    unit: str
    speed: float = field(metadata=measured_in("position/s"))
    period: float = field(metadata=measured_in("position"))
    resolution: float = field(metadata=measured_in("position"))
    hysteresis: float = field(metadata=measured_in("position"))
    harmonics: Orders = field(metadata=measured_in("position"))
    orders: Orders = field(metadata=measured_in("position/s"))
    jitter: float = field(metadata=measured_in("position"))
    timing: float = field(metadata=measured_in("s"))
    uncertainty: Orders
    points: int
    seconds: float = field(metadata=measured_in("s"))
    valid: bool
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]

    def unit_words(self) -> dict[str, str]:
        """Units of the declarations."""
        return scale_units("rad") | {"position": self.unit, "position/s": f"{self.unit}/s"}

    def corrected(self, position: ArrayLike) -> np.ndarray:
        """Positions without the cyclic error, as a controller with this table would show them.

        Parameters
        ----------
        position : array-like, shape (n,)
            Shown positions, position unit.

        Returns
        -------
        ndarray, shape (n,)

        Examples
        --------
        >>> import encsim
        >>> axis = encsim.load("stage_x.toml")
        >>> trace = encsim.simulate(axis, 0.0137, 8000, seed=1)
        >>> found = encsim.identify(encsim.Capture("position", 16e3, position=trace.position), axis=axis)
        >>> better = encsim.Capture("position", 16e3, position=found.corrected(trace.position))
        >>> encsim.identify(better, axis=axis).harmonics[1][0] < 0.01 * found.harmonics[1][0]
        True
        """
        shown = np.asarray(position, dtype=float)
        true = shown
        for _ in range(ROUNDS):
            true = shown - self._error(true * (TAU / self.period))
        return true

    def error_map(self, points: int = 256) -> ErrorMap:
        """Correction table for a controller: phase error, shown minus true, over one signal period.

        Parameters
        ----------
        points : int
            Points of the map, over one signal period.

        Returns
        -------
        ErrorMap
            Angles are the signal phase, a turn being one signal period; ``c_table`` and ``to_csv`` write it.

        Raises
        ------
        InputError
            If the signal period is not known.
        """
        from ..calibration.error_map import ErrorMap

        phase = TAU * np.arange(points) / points
        sure: Any = self.uncertainty["harmonics"]
        orders = np.array([TAU / self.period * sure.get(n, np.inf) for n in range(1, points // 2 + 1)])
        return ErrorMap(
            TAU / self.period * self._error(phase), order_uncertainty=orders, reasons=self.reasons
        )

    def correction_csv(self, points: int = 256) -> str:
        """Table of the error over one signal period, to be subtracted from the position.

        Parameters
        ----------
        points : int
            Rows of the table.

        Returns
        -------
        str
            Rows of phase (periods) and error (position unit) under a header.
        """
        phase = np.arange(points) / points
        rows = zip(phase.tolist(), self._error(TAU * phase).tolist(), strict=True)
        unit = self.unit.replace(" ", "_")
        return f"phase_periods,error_{unit}\n" + "".join(f"{a!r},{b!r}\n" for a, b in rows)

    def _error(self, theta: np.ndarray) -> np.ndarray:
        """Error at phases of the period, rad."""
        if not self.harmonics:
            checks.refuse("MotionIdentification.harmonics", "be known: give the signal period", "none")
        waves: Any = self.harmonics.items()
        return np.asarray(sum(size * np.sin(k * theta + phase) for k, (size, phase) in waves))

    plot = picture(
        "figures.recorded:cyclic_error",
        "Draw the error over one signal period and the amplitude of its harmonics with their uncertainty.",
        alone="Takes the error alone",
        raises="If no period is known.",
        example="import numpy as np\n"
        "x = 1e-5 * np.arange(4000) / 7\n"
        'capture = encsim.Capture("position", rate=1e3, position=x + 4e-8 * np.sin(x * 2 * np.pi / 2e-5))\n'
        "ax = encsim.identify(capture, period=2e-5).plot()",
    )


def identify_motion(
    capture: Capture, *, period: float | None = None, axis: Axis | None = None
) -> MotionIdentification:
    """Cyclic error, orders, resolution, hysteresis, jitter and timing of recorded counts or positions."""
    record = recorded(capture, period, axis)
    if len(record.position) < FEWEST:
        checks.refuse("identify.capture", f"hold at least {FEWEST} samples", len(record.position))
    if not np.any(np.diff(record.position)):
        checks.refuse("identify.capture", "move: without motion nothing repeats", "a constant position")
    step = spacing(record.position)
    motion = SmoothMotion(record, step)
    scatter = _scatter(record, motion, step)
    orders, order_errors = _orders(record, motion)
    harmonics, errors = _harmonics(motion.cyclic, motion.rounding_error(step))
    reasons = tuple(_reasons(record, motion, scatter, step))
    return MotionIdentification(
        unit=record.unit,
        speed=motion.speed,
        period=np.nan if record.period is None else record.period,
        resolution=step,
        hysteresis=np.nan if scatter.recognised else motion.hysteresis[0],
        harmonics=harmonics,
        orders=orders,
        jitter=scatter.jitter[0],
        timing=scatter.timing[0],
        uncertainty=Orders(
            {
                "harmonics": errors,
                "orders": order_errors,
                "hysteresis": np.nan if scatter.recognised else motion.hysteresis[1],
                "jitter": scatter.jitter[1],
                "timing": scatter.timing[1],
            }
        ),
        points=len(record.position),
        seconds=float(record.time[-1] - record.time[0]),
        valid=not reasons,
        reasons=reasons,
        remarks=tuple(_remarks(record, motion, scatter, step, orders)),
    )


class _Scatter(NamedTuple):
    """Jitter of the position and scatter of the sampling interval, each with its uncertainty."""

    jitter: tuple[float, float]
    timing: tuple[float, float]
    recognised: bool


def _scatter(record: Record, motion: SmoothMotion, step: float) -> _Scatter:
    """Scatter of the positions, shared between jitter and the instants of the samples."""
    rounding = 0.0 if np.isnan(step) else step**2 / 12.0
    count = len(record.position)
    alike = angle_fit.autocorrelation_sum(motion.residual)
    error = np.sqrt(alike / (2.0 * count))
    jitter = np.sqrt(max(float(np.mean(motion.residual**2)) - rounding, 0.0))
    found = (jitter, jitter * error)
    if record.velocity is not None:
        interval = _interval_scatter(record, rounding)
        if interval is not None:
            return _Scatter((np.nan, np.nan), (interval, interval * error), True)
        return _Scatter(found, (0.0, np.nan), False)
    timing = _growing_with_speed(record, motion)
    if timing is None:
        return _Scatter(found, (np.nan, np.nan), False)
    variance, timing_error = timing
    if variance <= SIGNIFICANT * timing_error:
        return _Scatter(found, (0.0, np.sqrt(timing_error)), False)
    rest = float(np.mean(motion.residual**2)) - 0.5 * variance * _mean_square_speed(record, motion) - rounding
    jitter = np.sqrt(max(rest, 0.0))
    return _Scatter(
        (jitter, jitter * error), (np.sqrt(variance), 0.5 * timing_error / np.sqrt(variance)), True
    )


def _interval_scatter(record: Record, rounding: float) -> float | None:
    """Scatter of the sampling interval that the drive's velocity does not explain, s; None if it explains all."""
    velocity = record.velocity
    assert velocity is not None
    middle = 0.5 * (velocity[1:] + velocity[:-1])
    moved = np.diff(record.position) - middle * record.interval
    moved = moved[np.abs(middle) > 0.2 * np.abs(middle).max()]
    middle = middle[np.abs(middle) > 0.2 * np.abs(middle).max()]
    if len(middle) < FEWEST or not np.any(middle):
        return None
    variance = float(np.var(moved)) - 2.0 * rounding
    own = float(np.var(np.diff(velocity))) * record.interval**2
    if variance <= SCATTERED**2 * max(own, 2.0 * rounding):
        return None
    return float(np.sqrt(variance / np.mean(middle**2)))


def _mean_square_speed(record: Record, motion: SmoothMotion) -> float:
    return float(np.mean(np.gradient(motion.cyclic.slow, record.time) ** 2))


def _growing_with_speed(record: Record, motion: SmoothMotion) -> tuple[float, float] | None:
    """Variance of the sampling interval from scatter that grows with speed, and its uncertainty; None at one speed."""
    speed = np.gradient(motion.cyclic.slow, record.time)[motion.recorded] ** 2
    if np.percentile(speed, 90.0) < 2.0 * np.percentile(speed, 10.0):
        return None
    square = motion.residual**2
    columns = np.stack([np.ones_like(speed), speed], axis=1)
    # Squares of Gaussian scatter vary by their own size: two rounds of weights.
    weight = np.ones_like(speed)
    for _ in range(3):
        normal = (columns * weight[:, None]).T @ columns
        values = np.linalg.solve(normal, (columns * weight[:, None]).T @ square)
        expected = np.maximum(columns @ values, 0.1 * float(np.mean(square)) + np.finfo(float).tiny)
        weight = 1.0 / expected**2
    error = np.sqrt(2.0 * np.linalg.inv((columns * weight[:, None]).T @ columns)[1, 1])
    # Instants that scatter by s make intervals that scatter by the root of 2 times that.
    return 2.0 * float(values[1]), 2.0 * float(error)


def _orders(record: Record, motion: SmoothMotion) -> tuple[Orders, Orders]:
    """Velocity amplitude of the orders per revolution and their uncertainty, from the velocity where there is one."""
    if record.turn is None:
        return Orders(), Orders()
    if record.velocity is not None:
        orders = motion.significant(record.velocity)
        fit = angle_fit.fit_waves(record.velocity, motion.turns, orders, motion.slow)
        factor = np.ones(len(orders))
    else:
        orders = motion.orders
        fit = angle_fit.fit_waves(record.position, motion.turns, orders, motion.slow)
        factor = np.abs(motion.speed) * (TAU / record.turn) * np.array(orders)
    size, error = factor * np.abs(fit.amplitude), factor * fit.uncertainty
    kept = [k for k in range(len(orders)) if fit.separable[k] and size[k] > SIGNIFICANT * error[k]]
    return (
        Orders({int(orders[k]): float(size[k]) for k in kept}),
        Orders({int(orders[k]): float(error[k]) for k in kept}),
    )


def _harmonics(fit: AngleFit, rounding: float) -> tuple[Orders, Orders]:
    """Harmonics of the period that the recording separates, and the uncertainty of their amplitudes."""
    kept = [(int(n), a, np.hypot(u, rounding)) for n, a, u, sure in
            zip(fit.orders, fit.amplitude, fit.uncertainty, fit.separable, strict=True) if sure]  # fmt: skip
    sizes: dict[Any, Any] = {n: (float(np.abs(a)), float(np.angle(a))) for n, a, _ in kept}
    return Orders(sizes), Orders({n: float(u) for n, _, u in kept})


def _reasons(record: Record, motion: SmoothMotion, scatter: _Scatter, step: float) -> Iterator[str]:
    """Why the figures are not reliable."""
    period = record.period
    if scatter.recognised and motion.harmonic_numbers:
        yield "the instants of the samples scatter: harmonics of the period are lost in it"
    if period is not None and motion.travel < LEAST_PERIODS * period:
        yield f"the axis moves {motion.travel / period:.2g} periods, less than {LEAST_PERIODS:.0f}"
    if motion.rounding_error(step) > 0.0:
        yield (
            "the samples meet few phases of the period, so that rounding to counts repeats: jitter does not show, "
            "record another speed"
        )
    lost = [
        str(int(n)) for n, sure in zip(motion.cyclic.orders, motion.cyclic.separable, strict=True) if not sure
    ]
    if lost:
        yield (
            f"at this speed every sample meets nearly the same phase of harmonic {', '.join(lost)}: "
            "record another speed"
        )


def _remarks(
    record: Record, motion: SmoothMotion, scatter: _Scatter, step: float, orders: Orders
) -> Iterator[str]:
    """What the figures include and what they do not show."""
    if np.isfinite(step) and record.turn is not None:
        yield f"positions lie on a lattice of {record.turn / step:.6g} counts per revolution"
    if scatter.recognised:
        deviation = 1e3 * scatter.timing[0]
        yield (
            f"the time between samples scatters by {deviation:.3g} ms rms about {1e3 * record.interval:.4g} ms: "
            "read instants of the logger, not motion and not the encoder"
        )
    elif np.isnan(scatter.timing[0]):
        yield "at one speed, scattering instants of the logger and jitter of the position look the same"
    if orders:
        yield (
            "one sensor at one speed cannot tell an error of the encoder from true motion: the orders may be either "
            "(separate needs several speeds)"
        )
    if np.isnan(motion.hysteresis[0]):
        yield "motion in one direction only, or too little in the other: hysteresis does not show"
    yield "jitter includes the variation of the true motion, harmonics what the loop leaves of them"
