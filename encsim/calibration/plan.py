"""What the angles of the steps let one see, order by order, before anything is measured.

Two rings read together show D_j(theta) = a(theta) - b(theta - psi_j) + c_j. In order n that is
D_jn = a_n - b_n z_j with z_j = exp(-i n psi_j): two unknowns, told apart by how much z_j varies over steps.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, results
from ..results import Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes


TURN = 2.0 * np.pi
# A design of this condition magnifies reading noise a million times: no measurement survives it. Steps that
# are equal but for rounding lie near 1e8 and above for maps up to ten million points, well beyond.
LIMIT = 1e6
MOST_POINTS = 1 << 27
LARGEST_STEP = 1e4
# Numbers a block, so that it stays in the cache.
BLOCK = 1 << 15


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CalibrationPlan(Series):
    """What a set of steps will show of two rings, and how well.

    Attributes
    ----------
    orders : ndarray, shape (points // 2,)
        1 to points // 2, cycles a turn.
    lost : tuple of int
        Orders in which the two rings cannot be told apart.
    condition : ndarray, shape (points // 2,)
        Condition number of the least squares of each order: 1 is best, infinite where the order is lost.
    magnification : ndarray, shape (points // 2,)
        Noise of an order against that of the same number of ideally spread steps; infinite where lost.
    point_noise : float
        Standard uncertainty of a point of map a for reading noise 1.
    rank, freedom : int
        Number of unknowns that are determined, and of readings beyond them.
    steps : ndarray, shape (steps,)
        Angles, rad.
    points : int
        Readings a turn.
    valid : bool
        Whether no order is lost and readings are left over to judge the noise by.
    reasons : tuple of str
        Why not.
    """

    orders: np.ndarray
    lost: tuple[int, ...]
    condition: np.ndarray
    magnification: np.ndarray
    point_noise: float
    rank: int
    freedom: int
    steps: np.ndarray
    points: int
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields."""
        return {"condition": "1", "magnification": "1", "point_noise": "1", "steps": "rad"}

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, a row an order."""
        return {"order": self.orders, "condition": self.condition, "magnification": self.magnification}

    def plot(self, ax: Axes | None = None) -> Any:
        """Draw how much the steps magnify reading noise in each order, and the orders they lose.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            To draw into; without it on a new figure.

        Returns
        -------
        Axes
        """
        pictures = results.pictures()

        return pictures.calibration_plan(self, ax)


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Moments of z_j over the steps in each order, with shares of weight that add up to 1."""

    share: np.ndarray
    lost: np.ndarray
    condition: np.ndarray
    spread: np.ndarray
    square: np.ndarray
    real: np.ndarray

    @property
    def variance(self) -> tuple[np.ndarray, np.ndarray]:
        """Complex variance of a_n, b_n in units of that of a mean over all steps; 0 where lost."""
        spread = np.where(self.lost, np.inf, self.spread)
        return self.square / spread, 1.0 / spread

    def rank(self, count: int, drift: bool) -> int:
        """Number of real unknowns that ``count`` steps determine."""
        parts = np.where(self.lost, 1, 2) * np.where(self.real, 1, 2)
        return int(parts.sum()) + (count if drift else 1)


def calibration_plan(
    steps: list[float] | np.ndarray | None,
    points: float,
    *,
    weights: np.ndarray | None = None,
    drift: bool = True,
    limit: float = LIMIT,
) -> CalibrationPlan:
    """Orders that a set of steps cannot see, and what it makes of reading noise, before measuring.

    Parameters
    ----------
    steps : array-like, shape (steps,)
        Angles psi_j by which ring B is turned forward against ring A, rad; any, in any order.
    points : int
        Readings a turn, 3 or more.
    weights : array-like, shape (steps,), optional
        1/variance of the readings of each step, in any one unit; 0 leaves the step out.
    drift : bool
        Whether each step has a constant of its own (the rule), or one constant serves all.
    limit : float
        Orders of a condition above it count as lost, 2 to 1e6. The default takes in what differs by rounding
        only; a lower one also drops orders that would be little but magnified noise.

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
    sqrt(4 s^2/(points m (1 - |gamma_n|^2))) for m steps with reading noise s. An order is lost where all z_j
    are the same: every multiple of m for m equal steps over the full turn.

    With an even number of points the last order, points/2, shows its cosine only: z_j = cos(n psi_j) there.
    """
    check_points(points)
    angles, weight = checked_steps("calibration_plan", steps, weights)
    check_choices("calibration_plan", drift, limit)
    used = np.flatnonzero(weight)
    design = designed(angles[used], weight[used], points, limit)
    rank = design.rank(len(used), drift)
    freedom = len(used) * points - rank
    lost = tuple((np.flatnonzero(design.lost) + 1).tolist())
    return CalibrationPlan(
        orders=np.arange(1, points // 2 + 1),
        lost=lost,
        condition=design.condition,
        magnification=np.where(design.lost, np.inf, np.sqrt(design.variance[0])),
        point_noise=float(np.sqrt(point_variance(design, points, len(used))[0])),
        rank=rank,
        freedom=freedom,
        steps=angles,
        points=int(points),
        valid=not lost and freedom > 0,
        reasons=tuple(doubts(lost, freedom)),
    )


def doubts(
    lost: tuple[float, ...], freedom: int, who: str = "steps", cannot: str = "tell the rings apart in"
) -> Iterator[str]:
    """What a measurement cannot give."""
    if lost:
        shown = ", ".join(str(order) for order in lost[:6]) + (", ..." if len(lost) > 6 else "")
        yield f"these {who} cannot {cannot} {len(lost)} order{'s' * (len(lost) > 1)}: {shown}"
    if freedom <= 0:
        yield f"no reading is left over to judge the noise by: use more {who}, or state the noise"


def point_variance(design: Design, points: int, count: int) -> list[float]:
    """Variance of a point of a and of b for reading noise 1."""
    share = np.where(design.real, 1.0, 2.0) / (points * count)
    return [float(np.sum(share * variance)) for variance in design.variance]


def designed(angles: np.ndarray, weight: np.ndarray, points: int, limit: float) -> Design:
    """Moments and condition of each order, for steps that are used."""
    share = weight / weight.sum()
    found = [moments(z, share)[1:] for _, z in phase_blocks(angles, points)]
    spread, square, mean = (np.concatenate(part) for part in zip(*found, strict=True))
    largest = 0.5 * (1.0 + square + np.sqrt((1.0 - square) ** 2 + 4.0 * mean**2))
    with np.errstate(divide="ignore"):
        condition = largest / np.sqrt(spread)
    lost = ~(condition <= limit)
    real = np.arange(1, points // 2 + 1) * 2 == points
    return Design(share, lost, np.where(lost, np.inf, condition), spread, square, real)


def moments(z: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Distances from the mean, their mean square, mean square of z and size of the mean, by order."""
    mean = average(share, z)
    away = z - mean
    # Equal to <|z|^2> - |mean|^2, without the cancellation that would hide lost orders.
    spread = average(share, away.real**2 + away.imag**2)
    return away, spread, spread + np.abs(mean) ** 2, np.abs(mean)


def average(share: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Weighted mean over the steps: share @ values, but never on threads."""
    # Beside other work BLAS took 400 times as long for sharing such small products over threads.
    return np.sum(share[:, None] * values, axis=0)


def phase_blocks(angles: np.ndarray, points: int) -> Iterator[tuple[slice, np.ndarray]]:
    """Slices of the orders 1 to points // 2 and z_j in them, shape (steps, orders of the slice)."""
    # One exponential a block and step, times a table: as exact as n psi itself is, and ten times as quick.
    top = points // 2
    turns, width = angles / TURN, min(max(BLOCK // len(angles), 16), top)
    table = np.exp(-1j * TURN * np.mod(np.multiply.outer(turns, np.arange(width)), 1.0))
    for first in range(0, top, width):
        last = min(first + width, top)
        z = table[:, : last - first] * np.exp(-1j * TURN * np.mod(turns * (first + 1), 1.0))[:, None]
        if 2 * last == points:
            z[:, -1] = z[:, -1].real
        yield slice(first, last), z


def checked_steps(
    owner: str, steps: list[float] | np.ndarray | None, weights: list[float] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Angles of the steps and their weights as rows of floats; InputError says what is wrong with them."""
    angles = numbers(f"{owner}.steps", steps, "rad")
    if len(angles) < 2:
        checks.refuse(f"{owner}.steps", "hold two steps or more", len(angles))
    far = np.flatnonzero(np.abs(angles) > LARGEST_STEP)
    if far.size:
        checks.refuse(
            f"{owner}.steps", f"lie within {LARGEST_STEP:g} rad of zero", float(angles[far[0]]), "rad"
        )
    weight = np.ones(len(angles)) if weights is None else numbers(f"{owner}.weights", weights)
    check_weights(owner, weight, len(angles))
    check_differ(owner, angles[weight > 0.0])
    return angles, weight


def check_weights(owner: str, weight: np.ndarray, count: int) -> None:
    """Refuse weights that do not fit the steps."""
    if len(weight) != count:
        checks.refuse(f"{owner}.weights", f"have one entry a step, {count}", len(weight))
    if weight.min() < 0.0 or weight.max() > 1e100:
        worst = float(weight.min() if weight.min() < 0.0 else weight.max())
        checks.refuse(f"{owner}.weights", "lie from 0 to 1e100", worst)
    if np.count_nonzero(weight) < 2:
        checks.refuse(f"{owner}.weights", "leave two steps or more", int(np.count_nonzero(weight)))
    least = weight[weight > 0.0].min()
    if least < 1e-12 * weight.max():
        checks.refuse(
            f"{owner}.weights",
            "be 0 or at least 1e-12 of the largest",
            float(least),
            hint="use 0 to leave out",
        )


def check_differ(owner: str, angles: np.ndarray) -> None:
    """Refuse steps that are all the same angle, whole turns apart included."""
    from_first = (angles - angles[0]) / TURN
    apart = np.abs(from_first - np.round(from_first)).max() * TURN
    # 1e-9 rad is far below any indexing; what rounding leaves of equal angles is smaller.
    if apart < 1e-9:
        checks.refuse(
            f"{owner}.steps",
            "hold at least two different angles, whole turns aside",
            f"{len(angles)} steps at {angles[0]:.9g} rad",
        )


def check_points(
    points: float,
    label: str = "calibration_plan.points",
    rule: str = f"be a whole number from 3 to {MOST_POINTS}",
) -> None:
    """Refuse a number of points no map can have."""
    if not checks.is_whole(points) or not 3 <= points <= MOST_POINTS:
        checks.refuse(label, rule, points)


def amplitudes_of(table: np.ndarray) -> np.ndarray:
    """Complex amplitudes of orders 1 to points // 2 of rows of points: the inverse of `map_of`, but for the mean."""
    points = table.shape[-1]
    found = np.fft.rfft(table, axis=-1)[..., 1:] * (2.0 / points)
    if points % 2 == 0:
        found[..., -1] *= 0.5
    return found


def map_of(amplitudes: np.ndarray, points: int) -> np.ndarray:
    """Values at the points of orders 1 to points // 2: Re sum amplitudes exp(i n angle)."""
    spectrum = np.concatenate([[0.0], amplitudes * (0.5 * points)])
    if points % 2 == 0:
        spectrum[-1] *= 2.0
    return np.fft.irfft(spectrum, points)


def check_choices(owner: str, drift: bool | str, limit: float) -> None:
    """Refuse what is no yes or no, or no sensible limit."""
    if not isinstance(drift, (bool, np.bool_)):
        checks.refuse(f"{owner}.drift", "be True or False", drift)
    if not checks.is_real(limit) or not 2.0 <= limit <= LIMIT:
        checks.refuse(f"{owner}.limit", f"lie from 2 to {LIMIT:g}", limit)


def numbers(label: str, values: list[float] | np.ndarray, unit: str = "") -> np.ndarray | None:
    """A new read-only row of finite floats; InputError names what is none."""
    row = real_array(label, values, 1, "be one row of real numbers")
    broken = np.flatnonzero(~np.isfinite(row))
    if broken.size:
        rule = "hold finite numbers only"
        checks.refuse(label, rule, f"{row[broken[0]]} {unit}".strip() + f" at index {broken[0]}")
    row = row.copy()
    row.setflags(write=False)
    return row


def real_array(label: str, values: Any, dimensions: int, rule: str) -> np.ndarray:
    """An array of floats of so many dimensions, the caller's own where it is one."""
    raw = as_array(label, values, rule)
    if raw.ndim != dimensions or not raw.size or raw.dtype.kind not in "iuf":
        checks.refuse(label, rule, f"{raw.dtype} of shape {raw.shape}")
    return raw.astype(np.float64, copy=False)


def as_array(label: str, values: Any, rule: str) -> np.ndarray:
    """Anything as an array of any kind."""
    if np.ma.is_masked(values):
        checks.refuse(label, "hold no masked values", "a masked array")
    try:
        return np.asarray(values)
    except (ValueError, TypeError, OverflowError):
        checks.refuse(label, rule, values)
