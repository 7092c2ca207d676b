"""Least squares of readings around a revolution: a constant and the harmonics asked for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import checks

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


# Largest condition number; above it the fit magnifies noise too much. Readings over half a revolution give 4.6 for
# order 1 and 111 for orders 1 to 3.
WORST_CONDITION = 30.0
# Largest noise accepted, m or rad.
LARGEST = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HarmonicFit:
    """Harmonics Re(z exp(i n x)) of readings at angles x.

    Attributes
    ----------
    lines : dict of int to complex
        Complex amplitude z of each order.
    covariance : dict of int to ndarray, shape (2, 2)
        Covariance of the real and imaginary part of each amplitude.
    fitted, residual : ndarray
        Fitted values at the angles, and readings minus them.
    noise : float
        Standard deviation of a reading: as given, or of the residual.
    freedom : float
        Degrees of freedom of the noise; infinite if it is given.
    """

    lines: dict[int, complex]
    covariance: dict[int, np.ndarray]
    fitted: np.ndarray
    residual: np.ndarray
    noise: float
    freedom: float

    def standard(self, order: int) -> float:
        """Standard uncertainty of one component of an amplitude, rms of the two."""
        return float(np.sqrt(0.5 * np.trace(self.covariance[order])))


def fit_harmonics(
    owner: str,
    angles: ArrayLike,
    readings: ArrayLike,
    orders: Iterable[int],
    *,
    unit: str,
    noise: float | None = None,
    name: str = "readings",
) -> HarmonicFit:
    """Fit a constant, order 1 and the given orders to readings; faults name the function ``owner``."""
    x = checks.finite_array(f"{owner}.angles", angles, "rad")
    y = checks.finite_array(f"{owner}.{name}", readings, unit)
    if x.ndim != 1 or y.shape != x.shape:
        checks.refuse(f"{owner}.{name}", f"be one for each of {x.size} angles", y.size)
    fitted_orders = (1, *checks.as_orders(f"{owner}.orders", orders))
    if noise is not None and (not checks.is_real(noise) or not 0.0 < noise <= LARGEST):
        checks.refuse(f"{owner}.noise", "be positive and at most 1", noise, unit)
    unknowns = 1 + 2 * len(fitted_orders)
    fewest = unknowns + (noise is None)
    if x.size < fewest:
        checks.refuse(f"{owner}.{name}", f"hold at least {fewest} values for these orders", x.size)
    design = np.ones((x.size, unknowns))
    for i, order in enumerate(fitted_orders):
        design[:, 1 + 2 * i], design[:, 2 + 2 * i] = np.cos(order * x), -np.sin(order * x)
    if np.linalg.cond(design) > WORST_CONDITION:
        span = f"{x.size} from {x.min():.3g} to {x.max():.3g} rad"
        checks.refuse(f"{owner}.angles", "go round the turn, closely enough for the orders", span)
    return _solved(design, y, fitted_orders, noise)


def _solved(
    design: np.ndarray, readings: np.ndarray, orders: tuple[int, ...], noise: float | None
) -> HarmonicFit:
    """Solution of the least squares of a well-conditioned design matrix."""
    unknowns = np.linalg.lstsq(design, readings, rcond=None)[0]
    fitted = design @ unknowns
    residual = readings - fitted
    freedom = len(readings) - len(unknowns)
    spread = noise if noise is not None else float(np.sqrt(residual @ residual / freedom))
    covariance = np.linalg.inv(design.T @ design) * spread**2
    pairs = {order: slice(1 + 2 * i, 3 + 2 * i) for i, order in enumerate(orders)}
    return HarmonicFit(
        lines={order: complex(*unknowns[pair]) for order, pair in pairs.items()},
        covariance={order: covariance[pair, pair] for order, pair in pairs.items()},
        fitted=fitted,
        residual=residual,
        noise=spread,
        freedom=float(freedom) if noise is None else np.inf,
    )
