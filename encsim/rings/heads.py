"""Where to put two to four heads so that their average suppresses chosen orders.

To first order the average of N heads leaves of order n the weight |sum of exp(i n beta_j)|/N.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import argument_checks, checks
from ..model import ring_geometry
from ..results import Result

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


TURN = 2.0 * np.pi
MOST_ORDERS = 200
HEADS = (2, 4)
# The search is by many starts: so many are drawn, and the best so many are refined.
DRAWN = 20_000
REFINED = 24
# entries of one block of starts x orders
BLOCK = 1 << 20
ROUNDING = 1e-9
# rad; closer than some degrees no two heads have room side by side
NO_ROOM = 0.02
# amplitudes, rad or shares: nothing beyond is meant
LARGEST_SIZE = 1e6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HeadSearch(Result):
    """Angles for heads, and what their average leaves.

    Attributes
    ----------
    heads : ndarray, shape (count,)
        Angles found, ascending, rad.
    orders : ndarray of int, shape (n,)
        Orders that were to be suppressed.
    amplitude : ndarray, shape (n,)
        Their amplitudes for one head, rad (or shares, where none were given).
    weight : ndarray, shape (n,)
        Share of each order that the heads leave.
    remaining : ndarray, shape (n,)
        Amplitudes left: amplitude x weight.
    displacement : float
        Share of eccentricity, swash and wander that the heads leave.
    rms, peak : float
        Of all that is left, displacement included: root of half the sum of squares, and sum of amplitudes.
    alone : float
        rms of one head.
    equal_heads, equal_weight : ndarray
        Equally spaced heads and what they leave, for comparison.
    equal_rms : float
        rms that equally spaced heads leave, whether allowed or not.
    placed_rms : float
        Expected rms with heads set to within the stated placement, rad.
    spacing : float
        Smallest angle between two heads, rad.
    starts : int
        Starting points of the search.
    valid : bool
        Whether the heads leave less than one head shows.
    reasons : tuple of str
        Why not, or what to know.
    """

    heads: np.ndarray
    orders: np.ndarray
    amplitude: np.ndarray
    weight: np.ndarray
    remaining: np.ndarray
    displacement: float
    rms: float
    peak: float
    alone: float
    equal_heads: np.ndarray
    equal_weight: np.ndarray
    equal_rms: float
    placed_rms: float
    spacing: float
    starts: int
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        angles = ("heads", "amplitude", "remaining", "rms", "peak", "alone", "equal_heads", "equal_rms")
        shares = ("orders", "weight", "displacement", "equal_weight", "starts")
        return {
            **dict.fromkeys((*angles, "placed_rms", "spacing"), "rad"),
            **dict.fromkeys(shares, "1"),
        }


class _Task:
    """What is to be made small: squares of amplitude times weight, for angles within sectors."""

    def __init__(self, orders: list[int], amplitudes: list[float], displacement: float, count: int) -> None:
        # displacement has the weight of order 1, whatever its own order
        self.orders = np.array([*orders, 1], dtype=float)
        self.sizes = np.array([*amplitudes, displacement])
        self.count = count

    def weights(self, heads: np.ndarray) -> np.ndarray:
        """Complex weight of every order, shape (..., orders), for angles of shape (..., heads)."""
        return np.exp(1j * np.asarray(heads)[..., None] * self.orders).mean(axis=-2)

    def square(self, heads: np.ndarray) -> float | np.ndarray:
        """Mean square of what is left."""
        return 0.5 * np.sum((self.sizes * np.abs(self.weights(heads))) ** 2, axis=-1)

    def slope(self, heads: np.ndarray) -> tuple[float, np.ndarray]:
        """Mean square and its gradient over the angles."""
        each = np.exp(1j * heads[:, None] * self.orders)
        weights = each.mean(axis=0)
        turned = np.real(np.conj(weights) * 1j * self.orders * each / self.count)
        return 0.5 * np.sum((self.sizes * np.abs(weights)) ** 2), turned @ self.sizes**2

    def expected(self, heads: np.ndarray, placement: float) -> float:
        """Mean square with heads wrong by ``placement`` rms, Gaussian, each by itself."""
        kept = np.exp(-((self.orders * placement) ** 2))
        squares = np.abs(self.weights(heads)) ** 2 * kept + (1.0 - kept) / self.count
        return 0.5 * np.sum(self.sizes**2 * squares)


def find_heads(
    orders: Ring | list[int],
    count: int = 2,
    *,
    displacement: float = 0.0,
    sectors: tuple[tuple[float, float]] | None = None,
    spacing: float = 0.0,
    placement: float = 0.0,
) -> HeadSearch | None:
    """Angles of two to four heads whose average suppresses chosen orders.

    Parameters
    ----------
    orders : Ring, mapping of int to float, or sequence of int
        What to suppress: the graduation and lobes of a ring and its displacements, amplitudes by order (rad), or
        orders of equal weight.
    count : int
        Number of heads, 2 to 4.
    displacement : float
        Amplitude of eccentricity, swash and wander for one head, rad, to be suppressed too; a ring adds its own.
    sectors : sequence of (float, float), optional
        Where heads may stand: from and to, counter-clockwise, rad. Without it the first head stands at 0
        and the others anywhere.
    spacing : float
        Smallest angle between two heads, rad.
    placement : float
        Standard deviation with which a head can be set, rad; only for `HeadSearch.placed_rms`.

    Returns
    -------
    HeadSearch

    Raises
    ------
    InputError
        If an order or sector is impossible, or the heads do not fit with that spacing.

    Notes
    -----
    Two heads pi/n apart cancel order n and its odd multiples; four at 0, pi/m, pi/n and pi/m + pi/n those of m and
    n. Many starts are refined by sequential quadratic programming: good solutions, no proof of the best.
    Same input, same answer.

    Examples
    --------
    >>> found = find_heads([3, 5], 4)
    >>> float(found.weight.max()) < 1e-6
    True
    """
    orders, sizes, moved = _wanted(orders, displacement)
    if not checks.is_whole(count) or not HEADS[0] <= count <= HEADS[1]:
        checks.refuse("find_heads.count", f"be a whole number from {HEADS[0]} to {HEADS[1]}", count)
    for name, value in (("spacing", spacing), ("placement", placement)):
        if not checks.is_real(value) or not 0.0 <= value <= TURN:
            checks.refuse(f"find_heads.{name}", "lie from 0 to a turn, 6.28319", value, "rad")
    if spacing * count > TURN * (1.0 + ROUNDING):
        checks.refuse("find_heads.spacing", f"leave room for {count} heads in a turn", spacing, "rad")
    # two heads on the same spot are one, whatever the user's spacing
    least = max(spacing, ring_geometry.SAME_SPOT)
    task = _Task(orders, sizes, moved, count)
    ranges = _sectors(sectors)
    starts = _starts(task, ranges, least)
    best = _refined(task, starts, ranges, least)
    return _answer(task, best, placement, len(starts))


def _wanted(orders: Ring | list[int], displacement: float) -> tuple[list[int], list[float], float]:
    """Orders, their amplitudes and the amplitude of displacements, checked."""
    if not checks.is_real(displacement) or not 0.0 <= displacement <= LARGEST_SIZE:
        checks.refuse("find_heads.displacement", f"lie from 0 to {LARGEST_SIZE:g}", displacement, "rad")
    moved = float(displacement)
    if isinstance(orders, ring_geometry.Ring):
        moved = np.hypot(moved, _displacement_of(orders))
        orders = _lines_of(orders)
    if not isinstance(orders, Mapping):
        orders = _equal_weight(orders)
    for order, size in orders.items():
        if not checks.is_whole(order) or not 1 <= order <= ring_geometry.LARGEST_ORDER:
            checks.refuse("find_heads.orders", "be whole numbers from 1", order)
        if not checks.is_real(size) or not 0.0 <= size <= LARGEST_SIZE:
            checks.refuse(
                f"find_heads.orders.{order}", f"be an amplitude from 0 to {LARGEST_SIZE:g}", size, "rad"
            )
    if len(orders) > MOST_ORDERS:
        checks.refuse("find_heads.orders", f"be at most {MOST_ORDERS}", len(orders))
    if not moved and not any(orders.values()):
        checks.refuse("find_heads.orders", "hold something to suppress", dict(orders))
    ordered = sorted(orders.items())
    return [n for n, _ in ordered], [a for _, a in ordered], moved


def _equal_weight(orders: list[int]) -> dict[int, float]:
    """A sequence of orders as a mapping."""
    try:
        return dict.fromkeys(orders, 1.0)
    except TypeError:
        checks.refuse("find_heads.orders", "be a ring, a mapping or a sequence of orders", orders)


def _displacement_of(ring: Ring) -> float:
    """Root of the sum of squares of all displacements over the radius, rad."""
    moved = [ring.eccentricity, ring.swash * ring.head_offset, *(a for a, _ in ring.wander.values())]
    return float(np.hypot.reduce(moved)) / ring.radius


def _lines_of(ring: Ring) -> dict[int, float]:
    """Amplitudes of graduation and lobes by order, added as if their phases were unknown, rad."""
    found = {n: a for n, (a, _) in ring.graduation.items()}
    for n, (a, _) in ring.lobes.items():
        found[n] = float(np.hypot(found.get(n, 0.0), a / (n * ring.radius)))
    return found


def _sectors(sectors: tuple[tuple[float, float]] | None) -> list[tuple[float, float]] | None:
    """Allowed ranges [(from, to)], from within a turn and to beyond it; None for the whole turn."""
    if sectors is None:
        return None
    pairs = argument_checks.finite_array("find_heads.sectors", sectors, "rad")
    if pairs.ndim != 2 or pairs.shape[1] != 2 or not len(pairs):
        checks.refuse("find_heads.sectors", "be pairs of angles, from and to", sectors, "rad")
    found = []
    for first, last in pairs.tolist():
        width = last - first if 0.0 <= last - first <= TURN else (last - first) % TURN
        found.append((first % TURN, first % TURN + width))
    return sorted(found)


def _drawn(
    task: _Task, ranges: list[tuple[float, float]] | None, generator: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Random angles, each within a sector, and the bounds that hold there; first head at 0 without sectors."""
    shape = (DRAWN, task.count)
    if ranges is None:
        heads = generator.uniform(0.0, TURN, shape)
        heads[:, 0] = 0.0
        return heads, np.zeros(shape), np.where(np.arange(task.count) == 0, 0.0, TURN) * np.ones(shape)
    low, high = np.array(ranges).T
    # narrow sectors too: half of the heads by width, half by number
    width = high - low
    parts = width / width.sum() if width.any() else np.full(len(low), 1.0 / len(low))
    share = 0.5 / len(low) + 0.5 * parts
    pick = generator.choice(len(low), shape, p=share)
    return low[pick] + width[pick] * generator.uniform(size=shape), low[pick], high[pick]


def _pairs(task: _Task) -> list[np.ndarray]:
    """Known good angles: equal spacing, and pairs of pairs for every two orders of interest."""
    found = [np.arange(task.count) * TURN / task.count]
    halves = np.pi / np.unique(task.orders)
    if task.count == 2:
        found += [np.array([0.0, half]) for half in halves]
    elif task.count == 4:
        found += [np.array([0.0, a, b, a + b]) for a in halves for b in halves if a < b][:500]
    else:
        found += [np.array([0.0, gap, 2.0 * gap]) for gap in 2.0 * halves / 3.0]
    return [np.sort(heads % TURN) for heads in found]


def _starts(
    task: _Task, ranges: list[tuple[float, float]] | None, spacing: float
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """The best of many starts, as rows [angles, low, high], angles ascending."""
    heads, low, high = _drawn(task, ranges, np.random.default_rng(0))
    if ranges is None:
        known = np.array(_pairs(task))
        heads = np.vstack([known, heads])
        low = np.vstack([np.zeros_like(known), low])
        high = np.vstack([np.where(np.arange(task.count) == 0, 0.0, TURN) * np.ones_like(known), high])
    order = np.argsort(heads, axis=1)
    heads, low, high = (np.take_along_axis(part, order, axis=1) for part in (heads, low, high))
    fits = gaps(heads).min(axis=1) >= spacing * (1.0 - ROUNDING)
    if not fits.any():
        rule = f"leave {task.count} heads a place in the sectors"
        checks.refuse("find_heads.spacing", rule, spacing, "rad", "none was found")
    heads, low, high = heads[fits], low[fits], high[fits]
    rows = max(1, BLOCK // (task.orders.size * task.count))
    worth = np.concatenate([task.square(heads[i : i + rows]) for i in range(0, len(heads), rows)])
    best = np.argsort(worth, kind="stable")[:REFINED]
    return list(zip(heads[best], low[best], high[best], strict=True))


def gaps(heads: np.ndarray) -> np.ndarray:
    """Angles between neighbours round the turn, last to first included, rad; heads ascending."""
    heads = np.asarray(heads)
    turned = np.concatenate([heads, heads[..., :1] + TURN], axis=-1)
    return np.diff(turned, axis=-1)


def _refined(
    task: _Task,
    starts: list[tuple[np.ndarray, np.ndarray, np.ndarray]],
    ranges: list[tuple[float, float]] | None,
    spacing: float,
) -> np.ndarray:
    """The best angles after refining every start within its sectors and spacing."""
    from scipy.optimize import minimize

    top = task.square(np.zeros(task.count))
    rules = {
        "type": "ineq",
        "fun": lambda heads: gaps(heads) - spacing,
        "jac": lambda _: _gap_slopes(task.count),
    }
    best = min((start[0] for start in starts), key=task.square)
    for heads, low, high in starts:
        found = minimize(
            lambda x: tuple(part / top for part in task.slope(x)),
            heads,
            jac=True,
            bounds=np.transpose([low, high]),
            constraints=rules,
            method="SLSQP",
            options={"ftol": 1e-18, "maxiter": 300},
        ).x
        found = np.clip(found, low, high)
        if gaps(found).min() >= spacing * (1.0 - ROUNDING) and task.square(found) < task.square(best):
            best = found
    return np.sort(best % TURN)


def _gap_slopes(count: int) -> np.ndarray:
    """Derivatives of the gaps over the angles."""
    return np.roll(np.eye(count), 1, axis=1) - np.eye(count)


def _answer(task: _Task, heads: np.ndarray, placement: float, starts: int) -> HeadSearch:
    """The result for these angles."""
    weights = np.abs(task.weights(heads))
    even = np.arange(task.count) * TURN / task.count
    equal = np.abs(task.weights(even))
    left, alone = task.sizes * weights, float(np.sqrt(0.5 * np.sum(task.sizes**2)))
    rms, equal_rms = (float(np.sqrt(task.square(where))) for where in (heads, even))
    helps = rms < alone
    reasons = () if helps else ("no angles leave less than one head shows",)
    if equal_rms <= rms * (1.0 + 1e-6) + 1e-12 * alone:
        reasons = (*reasons, "equal spacing is as good for these orders")
    closest = float(gaps(heads).min())
    if closest < NO_ROOM:
        reasons = (*reasons, f"two heads stand {np.degrees(closest):.2g} deg apart: ask for a spacing")
    return HeadSearch(
        heads=heads,
        orders=task.orders[:-1].astype(int),
        amplitude=task.sizes[:-1],
        weight=weights[:-1],
        remaining=left[:-1],
        displacement=float(weights[-1]),
        rms=rms,
        peak=float(left.sum()),
        alone=alone,
        equal_heads=even,
        equal_weight=equal[:-1],
        equal_rms=equal_rms,
        placed_rms=float(np.sqrt(task.expected(heads, placement))),
        spacing=closest,
        starts=starts,
        valid=helps,
        reasons=reasons,
    )
