"""Least squares of readings around a revolution: a constant and the harmonics asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import argument_checks, checks
from ..model import ring_geometry

if TYPE_CHECKING:
    pass


# Beyond this condition noise is magnified so far that an answer misleads: half a turn serves order 1 (4.6), it
# does not serve orders 1 to 3 (111).
WORST_CONDITION = 30.0
# m or rad
LARGEST = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HarmonicFit:
    """Lines Re(z exp(i n x)) of readings at angles x.

    Attributes
    ----------
    lines : dict of int to complex
        Amplitude and phase z of each order.
    covariance : dict of int to ndarray, shape (2, 2)
        Of real and imaginary part of each.
    fitted, residual : ndarray
        At the angles given.
    noise : float
        Standard deviation of a reading: as given, or of the residual.
    freedom : float
        Degrees of freedom of the noise; infinite where it is given.
    """

    lines: dict
    covariance: dict
    fitted: np.ndarray
    residual: np.ndarray
    noise: float
    freedom: float

    def standard(self, order: int) -> float:
        """Standard uncertainty of one component of a line, root of the mean of the two."""
        return float(np.sqrt(0.5 * np.trace(self.covariance[order])))


def fit_harmonics(
    owner: str,
    angles: np.ndarray,
    readings: np.ndarray,
    orders: list[int] | tuple[float, ...],
    *,
    unit: str,
    noise: float | None = None,
    name: str = "readings",
) -> HarmonicFit:
    """Fit order 1 and the given ones to readings."""
    angles = argument_checks.finite_array(f"{owner}.angles", angles, "rad")
    readings = argument_checks.finite_array(f"{owner}.{name}", readings, unit)
    if angles.ndim != 1 or readings.shape != angles.shape:
        checks.refuse(f"{owner}.{name}", f"be one for each of {angles.size} angles", readings.size)
    wanted = (1, *ring_geometry.as_orders(f"{owner}.orders", orders))
    _check_noise(owner, noise, unit)
    unknowns = 1 + 2 * len(wanted)
    fewest = unknowns + (noise is None)
    if angles.size < fewest:
        checks.refuse(f"{owner}.{name}", f"hold at least {fewest} values for these orders", angles.size)
    design = np.ones((angles.size, unknowns))
    for i, order in enumerate(wanted):
        design[:, 1 + 2 * i], design[:, 2 + 2 * i] = np.cos(order * angles), -np.sin(order * angles)
    if np.linalg.cond(design) > WORST_CONDITION:
        span = f"{angles.size} from {angles.min():.3g} to {angles.max():.3g} rad"
        checks.refuse(f"{owner}.angles", "go round the turn, closely enough for the orders", span)
    return _solved(design, readings, wanted, noise)


def _check_noise(owner: str, noise: float | None, unit: str) -> None:
    if noise is not None and (not checks.is_real(noise) or not 0.0 < noise <= LARGEST):
        checks.refuse(f"{owner}.noise", "be positive and at most 1", noise, unit)


def _solved(
    design: np.ndarray, readings: np.ndarray, orders: tuple[float, ...], noise: float | None
) -> HarmonicFit:
    """The fit of a good design."""
    found = np.linalg.lstsq(design, readings, rcond=None)[0]
    fitted = design @ found
    residual = readings - fitted
    spare = len(readings) - len(found)
    spread = noise if noise is not None else float(np.sqrt(residual @ residual / spare))
    covariance = np.linalg.inv(design.T @ design) * spread**2
    pairs = {order: slice(1 + 2 * i, 3 + 2 * i) for i, order in enumerate(orders)}
    return HarmonicFit(
        lines={order: complex(*found[pair]) for order, pair in pairs.items()},
        covariance={order: covariance[pair, pair] for order, pair in pairs.items()},
        fitted=fitted,
        residual=residual,
        noise=spread,
        freedom=float(spare) if noise is None else np.inf,
    )
