"""Error map of a ring over one revolution: evaluate, invert, smooth to chosen orders, export."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from .. import checks
from ..checks import Orders
from ..results import Series, measured_in, picture
from . import fourier_series, plan
from .fourier_series import TURN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from .c_source import CTable


# Largest slope of a map that can be inverted, rad/rad: each step of the inversion then halves the error at least.
STEEPEST, MOST_ROUNDS = 0.5, 80
# Orders below this share of the largest are rounding errors.
SMALLEST = 1e-12


@dataclass(frozen=True, eq=False)
class ErrorMap(Series):
    """Error (shown minus true) of a ring at even angles over one revolution.

    Between its points the map is the sum of its mean and its orders, 1 to points // 2. With an even number of points
    the last order is a cosine.

    Parameters
    ----------
    error : array-like, shape (points,)
        Error at 2 pi i/points, rad; at most 2 pi.
    order_uncertainty : array-like, shape (points // 2,), optional
        Rms error of the complex amplitude of each order, rad; infinite for an order that is not in the map.
    reasons : tuple of str
        Why the map may not be reliable.

    Raises
    ------
    InputError
        If the values are no finite numbers or their lengths do not match.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> map_ = encsim.ErrorMap(1e-6 * np.sin(2 * np.pi * np.arange(60) / 60))
    >>> map_.error.shape
    (60,)
    """

    part_units: ClassVar[dict[str, str]] = {"uncertainty": "rad"}

    error: np.ndarray = field(metadata=measured_in("rad"))
    order_uncertainty: np.ndarray | None = field(default=None, kw_only=True, metadata=measured_in("rad"))
    reasons: tuple[str, ...] = field(default=(), kw_only=True)

    def __post_init__(self) -> None:
        error = checks.finite_row("ErrorMap.error", self.error, "rad")
        plan.check_points(len(error), "ErrorMap.error", "have 3 points or more")
        if np.abs(error).max() > TURN:
            worst = float(error[np.argmax(np.abs(error))])
            checks.refuse("ErrorMap.error", "stay within a full turn", worst, "rad")
        object.__setattr__(self, "error", error)
        object.__setattr__(self, "order_uncertainty", _order_uncertainty(self.order_uncertainty, len(error)))
        object.__setattr__(self, "reasons", tuple(str(reason) for reason in self.reasons))

    @property
    def valid(self) -> bool:
        """Whether there is no reason to doubt the map."""
        return not self.reasons

    @property
    def angle(self) -> np.ndarray:
        """Angles of the points, rad."""
        return np.arange(len(self.error)) * (TURN / len(self.error))

    @property
    def orders(self) -> np.ndarray:
        """1 to points // 2, cycles per revolution."""
        return np.arange(1, len(self.error) // 2 + 1)

    @property
    def amplitudes(self) -> np.ndarray:
        """Complex amplitude of each order: error = mean + Re sum amplitudes exp(i orders angle)."""
        return fourier_series.amplitudes_of(self.error)

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of any point, rad, without orders that are not in the map; NaN if unknown."""
        if self.order_uncertainty is None:
            return np.nan
        held = np.where(np.isinf(self.order_uncertainty), 0.0, self.order_uncertainty)
        share = np.where(2 * self.orders == len(self.error), 1.0, 0.5)
        return float(np.sqrt(np.sum(share * held**2)))

    def to_dict(self) -> dict[str, Any]:
        """The map as plain lists, numbers and strings.

        Returns
        -------
        dict
            As of any result: ``error``, ``order_uncertainty``, ``reasons``; and ``valid`` and ``uncertainty``.
        """
        uncertainty = None if np.isnan(self.uncertainty) else self.uncertainty
        return {**Series.to_dict(self), "valid": self.valid, "uncertainty": uncertainty}

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, one row per point."""
        columns = {"angle_rad": self.angle, "error_rad": self.error}
        if self.order_uncertainty is not None:
            columns["uncertainty_rad"] = np.full(len(self.error), self.uncertainty)
        return columns

    def evaluate(self, angles: ArrayLike) -> np.ndarray:
        """Error at any true angles.

        Parameters
        ----------
        angles : array-like of float
            True angles, rad, over any number of revolutions.

        Returns
        -------
        ndarray
            Error, rad, shape of ``angles``, exact to 1e-12 of the sum of all amplitudes.
        """
        true = _angles("ErrorMap.evaluate.angles", angles)
        series = fourier_series.values(self.amplitudes, true.ravel()).reshape(true.shape)
        return np.asarray(self.error.mean() + series)

    def invert(self, shown: ArrayLike) -> np.ndarray:
        """True angles at which the ring shows given angles: the correction of a reading.

        Parameters
        ----------
        shown : array-like of float
            Shown angles, rad, over any number of revolutions.

        Returns
        -------
        ndarray
            True angles, rad, shape of ``shown``: true + evaluate(true) = shown.

        Raises
        ------
        InputError
            If the slope of the error may exceed 0.5 rad/rad, so that the true angle may not be unique.
        """
        angles = _angles("ErrorMap.invert.shown", shown)
        steepest = self.largest(1)
        if steepest > STEEPEST:
            rule = f"change by at most {STEEPEST:g} rad a rad to be inverted; smooth it first"
            checks.refuse("ErrorMap.error", rule, steepest)
        resolution = 4.0 * np.spacing(np.maximum(np.abs(angles), 1.0))
        true = angles - self.evaluate(angles)
        for _ in range(MOST_ROUNDS):
            before, true = true, angles - self.evaluate(true)
            if np.all(np.abs(true - before) <= resolution):
                break
        return np.asarray(true)

    def smooth(self, orders: Iterable[int]) -> ErrorMap:
        """The map made of chosen orders only, and its mean.

        Parameters
        ----------
        orders : iterable of int
            Orders to keep, 1 to points // 2.

        Returns
        -------
        ErrorMap
            Its uncertainty is that of the orders kept; the others count as not in the map.
        """
        keep = np.zeros(len(self.error) // 2, bool)
        keep[_chosen(orders, len(keep))] = True
        error = self.error.mean() + fourier_series.map_of(
            np.where(keep, self.amplitudes, 0.0), len(self.error)
        )
        uncertainty = self.order_uncertainty
        return ErrorMap(
            error,
            order_uncertainty=None if uncertainty is None else np.where(keep, uncertainty, np.inf),
            reasons=self.reasons,
        )

    def compensation(self, orders: Iterable[int] | None = None) -> Orders:
        """Orders of the map over the shown angle, for `Ring.compensation` of an axis.

        Parameters
        ----------
        orders : iterable of int, optional
            Orders to take; all orders of the map by default.

        Returns
        -------
        Orders
            {n per revolution: (amplitude, phase)}, rad: a sin(n shown + phase) is to be subtracted. The mean is left
            out.

        Raises
        ------
        InputError
            If an order is not in the map, or the map cannot be inverted.
        """
        points = len(self.error)
        keep = range(points // 2) if orders is None else _chosen(orders, points // 2)
        shown = self.angle
        spectrum = 2j * np.fft.rfft(shown - self.invert(shown))[1 : points // 2 + 1] / points
        least = SMALLEST * np.abs(spectrum).max()
        kept = {n + 1: complex(spectrum[n]) for n in keep if abs(spectrum[n]) > least}
        return Orders({n: (abs(line), float(np.angle(line))) for n, line in kept.items()})

    def largest(self, derivative: int = 0) -> float:
        """Proven upper bound of the size of the map or a derivative of it, at most 9 % above the true maximum.

        Parameters
        ----------
        derivative : int
            0 for the error (rad), 1 for its slope (rad/rad), 2 for its curvature (rad/rad**2).

        Returns
        -------
        float

        Notes
        -----
        A sum of orders up to n stays below its largest value at M even angles over cos(pi n/M), M > 2 n.

        References
        ----------
        H. Ehlich, K. Zeller, "Schwankung von Polynomen zwischen Gitterpunkten", Mathematische Zeitschrift 86
        (1964) (from memory).
        """
        if not checks.is_whole(derivative) or not 0 <= derivative <= 2:
            checks.refuse("ErrorMap.largest.derivative", "be 0, 1 or 2", derivative)
        amplitudes = self.amplitudes * (1j * self.orders) ** derivative
        mean = self.error.mean() if derivative == 0 else 0.0
        return fourier_series.bound(amplitudes, mean)

    def c_table(
        self, size: int | None = None, *, bound: float | None = None, name: str = "ring_error"
    ) -> CTable:
        """The map as C source: a table, and a function that interpolates it linearly.

        Parameters
        ----------
        size : int, optional
            Intervals of the table; or give ``bound`` instead.
        bound : float, optional
            Largest difference between function and map, rad; the fewest intervals that prove it are used.
        name : str
            Name of the function and prefix of the other names.

        Returns
        -------
        CTable

        Raises
        ------
        InputError
            If both or neither of ``size`` and ``bound`` are given, or no table meets the bound.
        """
        from .c_source import c_table

        return c_table(self, size, bound, name)

    plot = picture(
        "figures.error_maps:error_map",
        "Draw the map (rad, shown in arc seconds) in its band of uncertainty and the orders it is made of.",
        alone="Takes the map alone",
        example="angle = np.arange(360) * np.pi / 180.0\nax = encsim.ErrorMap(1e-5 * np.sin(angle)).plot()",
    )


def _order_uncertainty(values: ArrayLike | None, points: int) -> np.ndarray | None:
    """Uncertainties of the orders as a read-only row, infinite values allowed, or None."""
    if values is None:
        return None
    label = "ErrorMap.order_uncertainty"
    row = checks.real_array(label, values, 1, "be one row of real numbers").copy()
    if len(row) != points // 2:
        checks.refuse(label, f"have one entry an order, {points // 2}", len(row))
    # NaN is allowed: the noise of the map is then unknown.
    if np.any(row < 0.0):
        checks.refuse(label, "be zero or more", float(row[row < 0.0][0]), "rad")
    row.setflags(write=False)
    return row


def _angles(label: str, values: ArrayLike) -> np.ndarray:
    """Angles of any shape as finite floats."""
    raw = checks.as_array(label, values, "be real numbers")
    if raw.dtype.kind not in "iuf":
        checks.refuse(label, "be real numbers", f"{raw.dtype} of shape {raw.shape}")
    angles = raw.astype(float)
    broken = angles[~np.isfinite(angles)]
    if broken.size:
        checks.refuse(label, "be finite", float(broken.flat[0]), "rad")
    return angles


def _chosen(orders: Iterable[int], top: int) -> list[int]:
    """Indices of the orders to keep."""
    try:
        chosen = list(orders)
    except TypeError:
        checks.refuse("ErrorMap.smooth.orders", "be a list of orders", orders)
    for order in chosen:
        if not checks.is_whole(order) or not 1 <= order <= top:
            checks.refuse("ErrorMap.smooth.orders", f"be whole numbers from 1 to {top}", order)
    return [int(order) - 1 for order in chosen]
