"""Map of one ring from the difference of its own heads: self-calibration by equal division of the turn.

Head 0 shows e(theta), a head phi ahead shows e(theta - phi). In order n their difference is the amplitude of the
ring times 1 - exp(-i n phi): orders with a whole number of cycles in phi are unobservable.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..results import Series, measured_in, picture, recorded
from . import fourier_series, least_squares, plan
from .fourier_series import TURN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from .error_map import ErrorMap


LARGEST = 1e100


@dataclass(frozen=True, kw_only=True, eq=False)
class SelfCalibration(Series):
    """Error map of a ring from differences of its own heads.

    Attributes
    ----------
    angle : ndarray, shape (points,)
        2 pi i/points, rad.
    error : ndarray, shape (points,)
        Error of the ring, rad; mean zero, without the unobservable orders.
    uncertainty : ndarray, shape (points,)
        Standard uncertainty of a point, rad, without the unobservable orders; NaN if the noise is unknown.
    orders : ndarray, shape (points // 2,)
        1 to points // 2, cycles per revolution.
    amplitudes : ndarray of complex, shape (points // 2,)
        error = Re sum amplitudes exp(i orders angle).
    order_uncertainty : ndarray, shape (points // 2,)
        Rms error of an amplitude, cosine and sine together, rad; infinite for an unobservable order.
    gain : ndarray, shape (points // 2,)
        Root of the sum of squares over the pairs of the differences for an amplitude of 1.
    lost : tuple of int
        Orders that are unobservable with all pairs.
    offset : ndarray, shape (pairs,)
        Mean of each difference, rad. It is the unknown part of the angle between the heads, because the mean of the
        error over a revolution is zero.
    residual : float
        Noise of one difference from the residual (of a single pair: from the unobservable orders), rad.
    freedom : int
        Degrees of freedom of the residual.
    valid : bool
        Whether every order is observable and the noise is known.
    reasons : tuple of str
        Why not.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = 2 * np.pi * np.arange(60) / 60
    >>> readings = 1e-6 * np.array([np.sin(angle) - np.sin(angle + apart) for apart in (1.0, 2.5)])
    >>> found = encsim.self_calibrate(readings, [1.0, 2.5])
    >>> found.valid
    True
    """

    tabled = ("angle", "error", "uncertainty")

    angle: np.ndarray = field(metadata=measured_in("rad"))
    error: np.ndarray = field(metadata=measured_in("rad"))
    uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    orders: np.ndarray
    amplitudes: np.ndarray = field(metadata=measured_in("rad"))
    order_uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    gain: np.ndarray = field(metadata=measured_in("1"))
    lost: tuple[int, ...]
    offset: np.ndarray = field(metadata=measured_in("rad"))
    residual: float = field(metadata=measured_in("rad"))
    freedom: int
    valid: bool
    reasons: tuple[str, ...]

    def error_map(self) -> ErrorMap:
        """The map as an ErrorMap, to evaluate, invert, smooth and export.

        Returns
        -------
        ErrorMap
        """
        from .error_map import ErrorMap

        return ErrorMap(self.error, order_uncertainty=self.order_uncertainty, reasons=self.reasons)

    plot = picture(
        "figures.error_maps:error_map",
        "Draw the map (rad, shown in arc seconds) in its band of uncertainty and the orders it is made of.",
        alone="Takes the map alone",
        example="angle = np.arange(360) * np.pi / 180.0\n"
        "difference = 1e-5 * (np.sin(angle) - np.sin(angle - np.pi / 2.0))\n"
        "ax = encsim.self_calibrate(difference, np.pi / 2.0, noise=1e-8).plot()",
    )


@recorded
def self_calibrate(
    differences: ArrayLike,
    angles: ArrayLike,
    *,
    noise: float | None = None,
    limit: float = plan.LIMIT,
) -> SelfCalibration:
    """Error map of a ring from one or several pairs of heads that read it, without a second ring.

    Parameters
    ----------
    differences : array-like, shape (points,) or (pairs, points)
        First head minus second at ring angles 2 pi i/points, rad: e(theta) - e(theta - phi) + constant.
    angles : float or array-like, shape (pairs,)
        Angle phi from the first to the second head of each pair, rad.
    noise : float, optional
        Standard deviation of one difference, rad; from the residual by default.
    limit : float
        An order with a gain below 2/limit counts as unobservable; 2 to 1e6.

    Returns
    -------
    SelfCalibration

    Raises
    ------
    InputError
        If lengths do not match, the heads of a pair share a position, or a value is out of range.

    Notes
    -----
    In order n, with g_p = 1 - exp(-i n phi_p), least squares over the pairs give e_n = sum D_pn conj(g_p) / sum
    |g_p|^2 with rms error sqrt(4 s^2/(points sum |g_p|^2)). One pair has gain 2 |sin(n phi/2)|. With phi = 2 pi/N,
    points = N and one reading per division, this is circle closure: the unknown angle is the mean reading.

    The pair also reads the bearing: wander of the axis counts as error of the ring.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = 2 * np.pi * np.arange(60) / 60
    >>> readings = 1e-6 * np.array([np.sin(angle) - np.sin(angle + apart) for apart in (1.0, 2.5)])
    >>> found = encsim.self_calibrate(readings, [1.0, 2.5])
    >>> found.error.shape
    (60,)
    """
    table = np.atleast_2d(_readings(differences))
    gaps = checks.finite_row("self_calibrate.angles", np.atleast_1d(angles), "rad")
    _check(table, gaps, noise, limit)
    pairs, points = table.shape
    gain = np.concatenate([1.0 - z for _, z in least_squares.phase_blocks(gaps, points)], axis=1)
    power = np.sum(np.abs(gain) ** 2, axis=0)
    lost = np.sqrt(power) < 2.0 / limit
    real = 2 * np.arange(1, points // 2 + 1) == points
    spectra = fourier_series.amplitudes_of(table)
    size = np.where(lost, np.inf, power)
    amplitudes = np.sum(spectra * gain.conj(), axis=0) / size
    residuals = spectra - gain * amplitudes
    freedom = pairs * (points - 1) - int(np.sum(np.where(lost, 0, np.where(real, 1, 2))))
    squares = points * float(np.sum(np.where(real, 1.0, 0.5) * np.abs(residuals) ** 2))
    residual = float(np.sqrt(squares / freedom)) if freedom else np.nan
    variances = np.where(real, 1.0, 4.0) * (residual if noise is None else noise) ** 2 / (points * size)
    lost_orders = tuple((np.flatnonzero(lost) + 1).tolist())
    reasons = tuple(plan.reasons(lost_orders, freedom if noise is None else 1, "heads", "show"))
    return SelfCalibration(
        angle=np.arange(points) * (TURN / points),
        error=fourier_series.map_of(amplitudes, points),
        uncertainty=np.full(points, np.sqrt(np.sum(np.where(real, 1.0, 0.5) * variances))),
        orders=np.arange(1, points // 2 + 1),
        amplitudes=amplitudes,
        order_uncertainty=np.where(lost, np.inf, np.sqrt(variances)),
        gain=np.sqrt(power),
        lost=lost_orders,
        offset=table.mean(axis=1),
        residual=residual,
        freedom=freedom,
        valid=not reasons,
        reasons=reasons,
    )


def _readings(differences: ArrayLike) -> np.ndarray:
    """The differences as one row or a table of finite floats."""
    label, rule = "self_calibrate.differences", "be a row of real numbers, or a table with a row a pair"
    dimensions = 2 if np.ndim(checks.as_array(label, differences, rule)) == 2 else 1
    table = checks.real_array(label, differences, dimensions, rule)
    broken = np.argwhere(~(np.abs(table) <= LARGEST))
    if len(broken):
        checks.refuse(label, "hold finite numbers only", float(table[tuple(broken[0])]), "rad")
    return table


def _check(table: np.ndarray, gaps: np.ndarray, noise: float | None, limit: float) -> None:
    owner = "self_calibrate"
    plan.check_points(table.shape[1], f"{owner}.differences", "have 3 points or more")
    if len(gaps) != len(table):
        checks.refuse(f"{owner}.angles", f"have one entry a pair, {len(table)}", len(gaps))
    if np.abs(gaps).max() > plan.LARGEST_STEP:
        worst = float(gaps[np.argmax(np.abs(gaps))])
        checks.refuse(f"{owner}.angles", f"lie within {plan.LARGEST_STEP:g} rad of zero", worst, "rad")
    same = np.abs(gaps / TURN - np.round(gaps / TURN)) * TURN < 1e-9
    if same.any():
        checks.refuse(f"{owner}.angles", "keep the heads of a pair apart", float(gaps[same][0]), "rad")
    if noise is not None and not (checks.is_real(noise) and 0.0 < noise <= LARGEST):
        checks.refuse(f"{owner}.noise", "be positive and finite", noise, "rad")
    plan.check_choices(owner, True, limit)
