"""Plan of a calibration of two rings: observable orders and noise of a set of steps, before measuring."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..results import Series, measured_in, picture, recorded
from . import least_squares
from .fourier_series import TURN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


# Condition above which an order is unobservable: it would magnify reading noise a million times. Steps that differ by
# rounding errors only have 1e8 or more for maps of up to ten million points.
LIMIT = 1e6
MOST_POINTS = 1 << 27
LARGEST_STEP = 1e4


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationPlan(Series):
    """Observable orders of two rings for a set of steps, and their noise.

    Attributes
    ----------
    orders : ndarray, shape (points // 2,)
        1 to points // 2, cycles per revolution.
    lost : tuple of int
        Unobservable orders: these steps cannot separate the two rings in them.
    condition : ndarray, shape (points // 2,)
        Condition number of the least squares of each order: 1 is best, infinite for an unobservable order.
    magnification : ndarray, shape (points // 2,)
        Noise of an order over that of the same number of ideally spread steps; infinite for an unobservable order.
    point_noise : float
        Standard uncertainty of a point of map a for reading noise 1.
    rank, freedom : int
        Number of unknowns that are determined, and degrees of freedom of the residual.
    steps : ndarray, shape (steps,)
        Angles, rad.
    points : int
        Readings per revolution.
    valid : bool
        Whether every order is observable and the residual has degrees of freedom to estimate the noise.
    reasons : tuple of str
        Why not.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> plan = encsim.calibration_plan(2 * np.pi * np.arange(11) / 11, 720)
    >>> plan.points
    720
    """

    orders: np.ndarray
    lost: tuple[int, ...]
    condition: np.ndarray = field(metadata=measured_in("1"))
    magnification: np.ndarray = field(metadata=measured_in("1"))
    point_noise: float = field(metadata=measured_in("1"))
    rank: int
    freedom: int
    steps: np.ndarray = field(metadata=measured_in("rad"))
    points: int
    valid: bool
    reasons: tuple[str, ...]

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, one row per order."""
        return {"order": self.orders, "condition": self.condition, "magnification": self.magnification}

    plot = picture(
        "figures.error_maps:calibration_plan",
        "Draw how much the steps magnify reading noise in each order, and the orders they lose.",
        example="ax = encsim.calibration_plan(np.arange(11) * 2.0 * np.pi / 11, 720).plot()",
    )


@recorded
def calibration_plan(
    steps: ArrayLike,
    points: int,
    *,
    weights: ArrayLike | None = None,
    drift: bool = True,
    limit: float = LIMIT,
) -> CalibrationPlan:
    """Unobservable orders of a set of steps, and their magnification of reading noise, before measuring.

    Parameters
    ----------
    steps : array-like, shape (steps,)
        Angles psi_j by which ring B is turned forward against ring A, rad, in any order.
    points : int
        Readings per revolution, 3 or more.
    weights : array-like, shape (steps,), optional
        1/variance of the readings of each step, in any one unit; 0 leaves the step out.
    drift : bool
        Whether each step has its own constant (the default) or all steps share one.
    limit : float
        Condition above which an order counts as unobservable, 2 to 1e6. The default excludes steps that differ by
        rounding errors only; a lower limit also excludes orders of high noise.

    Returns
    -------
    CalibrationPlan

    Raises
    ------
    InputError
        If fewer than two steps differ, or a value is out of range.

    Notes
    -----
    With gamma_n the weighted mean of z_j = exp(-i n psi_j), the complex amplitudes a_n and b_n have rms error
    sqrt(4 s^2/(points m (1 - |gamma_n|^2))) for m steps with reading noise s. An order is unobservable where all z_j
    are the same: every multiple of m for m equal steps over a full revolution.

    With an even number of points only the cosine of the last order, points/2, exists: z_j = cos(n psi_j) there.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> plan = encsim.calibration_plan(2 * np.pi * np.arange(11) / 11, 720)
    >>> plan.lost[:2]
    (11, 22)
    """
    check_points(points)
    angles, weight = checked_steps("calibration_plan", steps, weights)
    check_choices("calibration_plan", drift, limit)
    used = np.flatnonzero(weight)
    design = least_squares.designed(angles[used], weight[used], points, limit)
    rank = design.rank(len(used), drift)
    freedom = len(used) * points - rank
    lost = tuple((np.flatnonzero(design.lost) + 1).tolist())
    return CalibrationPlan(
        orders=np.arange(1, points // 2 + 1),
        lost=lost,
        condition=design.condition,
        magnification=np.where(design.lost, np.inf, np.sqrt(design.variance[0])),
        point_noise=float(np.sqrt(least_squares.point_variance(design, points, len(used))[0])),
        rank=rank,
        freedom=freedom,
        steps=angles,
        points=int(points),
        valid=not lost and freedom > 0,
        reasons=tuple(reasons(lost, freedom)),
    )


def reasons(
    lost: tuple[int, ...], freedom: int, who: str = "steps", cannot: str = "tell the rings apart in"
) -> Iterator[Doubt]:
    """Why a calibration is not valid: unobservable orders, no degrees of freedom."""
    if lost:
        shown = ", ".join(str(order) for order in lost[:6]) + (", ..." if len(lost) > 6 else "")
        orders = f"{len(lost)} order{'s' * (len(lost) > 1)}: {shown}"
        yield Doubt("lost_orders", who=who, cannot=cannot, orders=orders)
    if freedom <= 0:
        yield Doubt("no_spare_readings", who=who)


def checked_steps(owner: str, steps: ArrayLike, weights: ArrayLike | None) -> tuple[np.ndarray, np.ndarray]:
    """Angles of the steps and their weights, checked, as rows of floats."""
    angles = checks.finite_row(f"{owner}.steps", steps, "rad")
    if len(angles) < 2:
        checks.refuse(f"{owner}.steps", "hold two steps or more", len(angles))
    far = angles[np.abs(angles) > LARGEST_STEP]
    if far.size:
        checks.refuse(f"{owner}.steps", f"lie within {LARGEST_STEP:g} rad of zero", float(far[0]), "rad")
    weight = np.ones(len(angles)) if weights is None else checks.finite_row(f"{owner}.weights", weights)
    check_weights(owner, weight, len(angles))
    check_differ(owner, angles[weight > 0.0])
    return angles, weight


def check_weights(owner: str, weight: np.ndarray, count: int) -> None:
    """Refuse weights that do not match the steps."""
    if len(weight) != count:
        checks.refuse(f"{owner}.weights", f"have one entry a step, {count}", len(weight))
    if weight.min() < 0.0 or weight.max() > 1e100:
        worst = float(weight.min() if weight.min() < 0.0 else weight.max())
        checks.refuse(f"{owner}.weights", "lie from 0 to 1e100", worst)
    if np.count_nonzero(weight) < 2:
        checks.refuse(f"{owner}.weights", "leave two steps or more", int(np.count_nonzero(weight)))
    least = weight[weight > 0.0].min()
    if least < 1e-12 * weight.max():
        rule = "be 0 or at least 1e-12 of the largest"
        checks.refuse(f"{owner}.weights", rule, float(least), hint="use 0 to leave out")


def check_differ(owner: str, angles: np.ndarray) -> None:
    """Refuse steps at one and the same angle, apart from whole revolutions."""
    from_first = (angles - angles[0]) / TURN
    apart = np.abs(from_first - np.round(from_first)).max() * TURN
    # Any real step differs by more than 1e-9 rad; rounding errors of equal angles are smaller.
    if apart < 1e-9:
        checks.refuse(
            f"{owner}.steps",
            "hold at least two different angles, whole turns aside",
            f"{len(angles)} steps at {angles[0]:.9g} rad",
        )


def check_points(
    points: int,
    label: str = "calibration_plan.points",
    rule: str = f"be a whole number from 3 to {MOST_POINTS}",
) -> None:
    """Refuse a number of points that is too small or too large for a map."""
    if not checks.is_whole(points) or not 3 <= points <= MOST_POINTS:
        checks.refuse(label, rule, points)


def check_choices(owner: str, drift: bool, limit: float) -> None:
    """Check ``drift`` and ``limit``."""
    if not isinstance(drift, (bool, np.bool_)):
        checks.refuse(f"{owner}.drift", "be True or False", drift)
    if not checks.is_real(limit) or not 2.0 <= limit <= LIMIT:
        checks.refuse(f"{owner}.limit", f"lie from 2 to {LIMIT:g}", limit)
