"""The error of a ring over one revolution: read anywhere, inverted, smoothed to chosen orders, exported."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from .. import argument_checks, checks
from ..results import Orders, Series, measured_in, picture
from . import fourier_series, plan
from .fourier_series import TURN

if TYPE_CHECKING:
    from .c_source import CTable


# With half a radian of error a radian every step of the inversion halves its error, whatever the map.
STEEPEST, MOST_ROUNDS = 0.5, 80
# Orders below this part of the largest are rounding.
SMALLEST = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class ErrorMap(Series):
    """Error (shown minus true) of a ring at even angles over one revolution.

    Between its points the map is the sum of its orders, 1 to points // 2, and its mean; the last order of an even
    number of points is a cosine.

    Parameters
    ----------
    error : array-like, shape (points,)
        Error at 2 pi i/points, rad, up to a turn.
    order_uncertainty : array-like, shape (points // 2,), optional
        Rms error of the complex amplitude of each order, rad; infinite for an order the map does not hold.
    reasons : tuple of str
        Why the map may mislead.

    Raises
    ------
    InputError
        If the values are no finite numbers or do not fit together.
    """

    part_units: ClassVar[dict[str, str]] = {"uncertainty": "rad"}

    error: np.ndarray = field(metadata=measured_in("rad"))
    order_uncertainty: np.ndarray | None = field(default=None, kw_only=True, metadata=measured_in("rad"))
    reasons: tuple[str, ...] = field(default=(), kw_only=True)

    def __post_init__(self) -> None:
        error = argument_checks.finite_row("ErrorMap.error", self.error, "rad")
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
        """Standard uncertainty of any point, rad, orders that the map does not hold aside; NaN if unknown."""
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
        sure = None if np.isnan(self.uncertainty) else self.uncertainty
        return {**Series.to_dict(self), "valid": self.valid, "uncertainty": sure}

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, one row per point."""
        found = {"angle_rad": self.angle, "error_rad": self.error}
        if self.order_uncertainty is not None:
            found["uncertainty_rad"] = np.full(len(self.error), self.uncertainty)
        return found

    def evaluate(self, angles: np.ndarray) -> np.ndarray:
        """Error at any true angles.

        Parameters
        ----------
        angles : array-like of float
            True angles, rad, any number of turns.

        Returns
        -------
        ndarray
            Error, rad, shape of ``angles``; within 1e-12 of the sum of all amplitudes.
        """
        at = _angles("ErrorMap.evaluate.angles", angles)
        return self.error.mean() + fourier_series.values(self.amplitudes, at.ravel()).reshape(at.shape)

    def invert(self, shown: float | list[list[complex]] | np.ndarray) -> np.ndarray:
        """True angles at which the ring shows given angles: the correction of a reading.

        Parameters
        ----------
        shown : array-like of float
            Shown angles, rad, any number of turns.

        Returns
        -------
        ndarray
            True angles, rad, shape of ``shown``: true + evaluate(true) = shown.

        Raises
        ------
        InputError
            If the error may change by more than half a radian per radian, so that no single angle is sure.
        """
        at = _angles("ErrorMap.invert.shown", shown)
        steepest = self.largest(1)
        if steepest > STEEPEST:
            rule = f"change by at most {STEEPEST:g} rad a rad to be inverted; smooth it first"
            checks.refuse("ErrorMap.error", rule, steepest)
        true = at - self.evaluate(at)
        for _ in range(MOST_ROUNDS):
            before, true = true, at - self.evaluate(true)
            if np.all(np.abs(true - before) <= 4.0 * np.spacing(np.maximum(np.abs(at), 1.0))):
                break
        return true

    def smooth(self, orders: int | list[float]) -> ErrorMap:
        """The map made of chosen orders only, and its mean.

        Parameters
        ----------
        orders : iterable of int
            Orders to keep, 1 to points // 2.

        Returns
        -------
        ErrorMap
            Uncertainty is that of the orders kept; those left out count as not held.
        """
        keep = np.zeros(len(self.error) // 2, bool)
        keep[_chosen(orders, len(keep))] = True
        error = self.error.mean() + fourier_series.map_of(
            np.where(keep, self.amplitudes, 0.0), len(self.error)
        )
        sure = self.order_uncertainty
        return ErrorMap(
            error,
            order_uncertainty=None if sure is None else np.where(keep, sure, np.inf),
            reasons=self.reasons,
        )

    def compensation(self, orders: np.ndarray | None = None) -> Any:
        """The map as lines of the shown angle, for `Ring.compensation` of an axis.

        Parameters
        ----------
        orders : iterable of int, optional
            Orders to take; all that the map has without.

        Returns
        -------
        Orders
            {n per revolution: (amplitude, phase)}, rad: a sin(n shown + phase) is what to take off. The mean is left
            out.

        Raises
        ------
        InputError
            If an order is none of the map, or the map cannot be inverted.
        """
        points = len(self.error)
        keep = np.arange(points // 2) if orders is None else np.array(_chosen(orders, points // 2), dtype=int)
        shown = self.angle
        lines = 2j * np.fft.rfft(shown - self.invert(shown))[1 : points // 2 + 1] / points
        there = keep[np.abs(lines[keep]) > SMALLEST * np.abs(lines).max()] if keep.size else keep
        return Orders({int(n) + 1: (float(abs(lines[n])), float(np.angle(lines[n]))) for n in there})

    def largest(self, derivative: int = 0) -> float | None:
        """A proven bound of the size of the map or a derivative of it, at most 9 % above the true maximum.

        Parameters
        ----------
        derivative : int
            0 for the error (rad), 1 for its slope (rad/rad), 2 for its curvature (rad/rad squared).

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
    ) -> CTable | None:
        """The map as C source: a table, and a function that interpolates it linearly.

        Parameters
        ----------
        size : int, optional
            Intervals of the table; or give ``bound`` instead.
        bound : float, optional
            How far the function may be from the map, rad: the fewest intervals that prove it.
        name : str
            Name of the function, and start of the others.

        Returns
        -------
        CTable

        Raises
        ------
        InputError
            If not just one of ``size`` and ``bound`` is given, or no table meets the bound.
        """
        from .c_source import c_table

        return c_table(self, size, bound, name)

    plot = picture(
        "figures.error_maps:error_map",
        "Draw the map (rad, shown in arc seconds) in its band of uncertainty and the orders it is made of.",
        alone="Takes the map alone",
        example="angle = np.arange(360) * np.pi / 180.0\nax = encsim.ErrorMap(1e-5 * np.sin(angle)).plot()",
    )


def _order_uncertainty(values: list[float] | np.ndarray | str | None, points: int) -> np.ndarray | None:
    """Uncertainties of the orders as a row, infinite ones allowed, or None."""
    if values is None:
        return None
    label = "ErrorMap.order_uncertainty"
    row = argument_checks.real_array(label, values, 1, "be one row of real numbers").copy()
    if len(row) != points // 2:
        checks.refuse(label, f"have one entry an order, {points // 2}", len(row))
    # NaN stays: a map made without knowing the noise.
    if np.any(row < 0.0):
        checks.refuse(label, "be zero or more", float(row[row < 0.0][0]), "rad")
    row.setflags(write=False)
    return row


def _angles(label: str, values: list[list[complex]] | np.ndarray) -> np.ndarray:
    """Angles of any shape as finite floats."""
    raw = argument_checks.as_array(label, values, "be real numbers")
    if raw.dtype.kind not in "iuf":
        checks.refuse(label, "be real numbers", f"{raw.dtype} of shape {raw.shape}")
    at = raw.astype(float)
    broken = at[~np.isfinite(at)]
    if broken.size:
        checks.refuse(label, "be finite", float(broken.flat[0]), "rad")
    return at


def _chosen(orders: int | list[float], top: int) -> list[int]:
    """Positions of the orders to keep."""
    try:
        chosen = list(orders)
    except TypeError:
        checks.refuse("ErrorMap.smooth.orders", "be a list of orders", orders)
    for order in chosen:
        if not checks.is_whole(order) or not 1 <= order <= top:
            checks.refuse("ErrorMap.smooth.orders", f"be whole numbers from 1 to {top}", order)
    return [int(order) - 1 for order in chosen]
