"""Positions of two to four heads whose average suppresses chosen orders.

To first order the average of N heads at the angles beta_j leaves order n with the weight |sum of exp(i n beta_j)|/N.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..model import ring_geometry
from ..results import Result, measured_in, recorded

if TYPE_CHECKING:
    from ..model.ring_geometry import Ring


TURN = 2.0 * np.pi
MOST_ORDERS = 200
HEADS = (2, 4)
# Multi-start search: number of random starts, and number of the best of them that are refined.
DRAWN = 20_000
REFINED = 24
# Entries of one block of starts x orders x heads.
BLOCK = 1 << 20
ROUNDING = 1e-9
# Angle below which two heads hardly have room side by side, rad.
NO_ROOM = 0.02
# Largest amplitude accepted, rad or share.
LARGEST_SIZE = 1e6


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadSearch(Result):
    """Angles of heads, and the error that their average leaves.

    Attributes
    ----------
    heads : ndarray, shape (count,)
        Angles found, ascending, rad.
    orders : ndarray of int, shape (n,)
        Orders to suppress.
    amplitude : ndarray, shape (n,)
        Amplitude of each order for one head, rad (or share, if orders of equal weight were given).
    weight : ndarray, shape (n,)
        Share of each order that the average leaves.
    remaining : ndarray, shape (n,)
        Remaining amplitudes, amplitude x weight.
    displacement : float
        Share of eccentricity, swash and wander that the average leaves.
    rms, peak : float
        Remaining error, displacement included: root of half the sum of squares, and sum of amplitudes.
    alone : float
        Rms error of one head.
    equal_heads, equal_weight : ndarray
        Equally spaced heads and the share of each order that they leave, for comparison.
    equal_rms : float
        Rms error of equally spaced heads, even where the sectors do not allow them.
    placed_rms : float
        Expected rms with heads set to within the stated placement, rad.
    spacing : float
        Smallest angle between two heads, rad.
    starts : int
        Starting points of the search.
    valid : bool
        Whether the average is better than one head.
    reasons : tuple of str
        Why not, or what to know.

    Examples
    --------
    >>> import encsim
    >>> found = encsim.find_heads([3, 5], 4)
    >>> found.heads.shape
    (4,)
    """

    heads: np.ndarray = field(metadata=measured_in("rad"))
    orders: np.ndarray = field(metadata=measured_in("1"))
    amplitude: np.ndarray = field(metadata=measured_in("rad"))
    weight: np.ndarray = field(metadata=measured_in("1"))
    remaining: np.ndarray = field(metadata=measured_in("rad"))
    displacement: float = field(metadata=measured_in("1"))
    rms: float = field(metadata=measured_in("rad"))
    peak: float = field(metadata=measured_in("rad"))
    alone: float = field(metadata=measured_in("rad"))
    equal_heads: np.ndarray = field(metadata=measured_in("rad"))
    equal_weight: np.ndarray = field(metadata=measured_in("1"))
    equal_rms: float = field(metadata=measured_in("rad"))
    placed_rms: float = field(metadata=measured_in("rad"))
    spacing: float = field(metadata=measured_in("rad"))
    starts: int = field(metadata=measured_in("1"))
    valid: bool
    reasons: tuple[str, ...]


class _Objective:
    """Objective of the search: mean square of the remaining error as a function of the angles of the heads."""

    def __init__(self, amplitudes: Mapping[int, float], displacement: float, count: int) -> None:
        orders = sorted(amplitudes)
        # A displacement has the weight of order 1, whatever its own order.
        self.orders = np.array([*orders, 1], dtype=float)
        self.sizes = np.array([*(amplitudes[n] for n in orders), displacement])
        self.count = count

    def weights(self, heads: np.ndarray) -> np.ndarray:
        """Complex weight of every order, shape (..., orders), for angles of shape (..., heads)."""
        return np.asarray(np.exp(1j * np.asarray(heads)[..., None] * self.orders).mean(axis=-2))

    def square(self, heads: np.ndarray) -> np.ndarray:
        """Mean square of the remaining error, shape (...), for angles of shape (..., heads)."""
        return np.asarray(0.5 * np.sum((self.sizes * np.abs(self.weights(heads))) ** 2, axis=-1))

    def slope(self, heads: np.ndarray) -> tuple[float, np.ndarray]:
        """Mean square and its gradient over the angles."""
        phasors = np.exp(1j * heads[:, None] * self.orders)
        weights = phasors.mean(axis=0)
        gradients = np.real(np.conj(weights) * 1j * self.orders * phasors / self.count)
        return float(0.5 * np.sum((self.sizes * np.abs(weights)) ** 2)), gradients @ self.sizes**2

    def expected(self, heads: np.ndarray, placement: float) -> float:
        """Expected mean square if each head is off by an independent Gaussian error of ``placement`` rms."""
        kept = np.exp(-((self.orders * placement) ** 2))
        squares = np.abs(self.weights(heads)) ** 2 * kept + (1.0 - kept) / self.count
        return float(0.5 * np.sum(self.sizes**2 * squares))


@recorded
def find_heads(
    orders: Ring | Mapping[int, float] | Iterable[int],
    count: int = 2,
    *,
    displacement: float = 0.0,
    sectors: Sequence[tuple[float, float]] | None = None,
    spacing: float = 0.0,
    placement: float = 0.0,
) -> HeadSearch:
    """Angles of two to four heads whose average suppresses chosen orders.

    Parameters
    ----------
    orders : Ring, mapping of int to float, or sequence of int
        Errors to suppress: graduation, lobes and displacements of a ring, amplitudes by order (rad), or orders of
        equal weight.
    count : int
        Number of heads, 2 to 4.
    displacement : float
        Amplitude of eccentricity, swash and wander for one head to suppress too, rad; a ring adds its own.
    sectors : sequence of (float, float), optional
        Allowed sectors, from and to, counter-clockwise, rad. Without them the first head stands at 0 and the others
        anywhere.
    spacing : float
        Smallest angle between two heads, rad.
    placement : float
        Standard deviation of the position of a head, rad; only for `HeadSearch.placed_rms`.

    Returns
    -------
    HeadSearch

    Raises
    ------
    InputError
        If an order or sector is impossible, or the heads do not fit with that spacing.

    Notes
    -----
    Two heads pi/n apart cancel order n and its odd multiples; four heads at 0, pi/m, pi/n and pi/m + pi/n cancel
    those of m and n. The search refines many starts by sequential quadratic programming: it finds good solutions,
    without proof that they are the best. The same input gives the same result.

    Examples
    --------
    >>> import encsim
    >>> found = encsim.find_heads([3, 5], 4)
    >>> float(found.weight.max()) < 1e-6
    True
    """
    amplitudes, moved = _checked_orders(orders, displacement)
    if not checks.is_whole(count) or not HEADS[0] <= count <= HEADS[1]:
        checks.refuse("find_heads.count", f"be a whole number from {HEADS[0]} to {HEADS[1]}", count)
    for name, value in (("spacing", spacing), ("placement", placement)):
        if not checks.is_real(value) or not 0.0 <= value <= TURN:
            checks.refuse(f"find_heads.{name}", "lie from 0 to a turn, 6.28319", value, "rad")
    if spacing * count > TURN * (1.0 + ROUNDING):
        checks.refuse("find_heads.spacing", f"leave room for {count} heads in a turn", spacing, "rad")
    # Two heads on the same spot count as one, even with a spacing of 0.
    least = max(spacing, ring_geometry.SAME_SPOT)
    objective = _Objective(amplitudes, moved, count)
    starts = _starts(objective, _sectors(sectors), least)
    return _result(objective, _refined(objective, starts, least), placement, len(starts))


def _checked_orders(
    orders: Ring | Mapping[int, float] | Iterable[int], displacement: float
) -> tuple[Mapping[int, float], float]:
    """Amplitudes by order and the amplitude of displacements, checked."""
    if not checks.is_real(displacement) or not 0.0 <= displacement <= LARGEST_SIZE:
        checks.refuse("find_heads.displacement", f"lie from 0 to {LARGEST_SIZE:g}", displacement, "rad")
    moved = float(displacement)
    if isinstance(orders, ring_geometry.Ring):
        moved = float(np.hypot(moved, _displacement_of(orders)))
        orders = _amplitudes_of(orders)
    if not isinstance(orders, Mapping):
        try:
            orders = dict.fromkeys(orders, 1.0)
        except TypeError:
            rule = "be a ring, a mapping or a sequence of orders"
            checks.refuse("find_heads.orders", rule, orders)
    for order, size in orders.items():
        if not checks.is_whole(order) or not 1 <= order <= checks.LARGEST_ORDER:
            checks.refuse("find_heads.orders", "be whole numbers from 1", order)
        if not checks.is_real(size) or not 0.0 <= size <= LARGEST_SIZE:
            checks.refuse(
                f"find_heads.orders.{order}", f"be an amplitude from 0 to {LARGEST_SIZE:g}", size, "rad"
            )
    if len(orders) > MOST_ORDERS:
        checks.refuse("find_heads.orders", f"be at most {MOST_ORDERS}", len(orders))
    if not moved and not any(orders.values()):
        checks.refuse("find_heads.orders", "hold something to suppress", dict(orders))
    return orders, moved


def _displacement_of(ring: Ring) -> float:
    """Root of the sum of squares of all displacements, over the radius, rad."""
    displacements = [ring.eccentricity, ring.swash * ring.head_offset, *(a for a, _ in ring.wander.values())]
    return float(np.hypot.reduce(displacements)) / ring.radius


def _amplitudes_of(ring: Ring) -> dict[int, float]:
    """Amplitudes of graduation and lobes by order, added as squares because phases are unknown, rad."""
    amplitudes = {n: a for n, (a, _) in ring.graduation.items()}
    for n, (a, _) in ring.lobes.items():
        amplitudes[n] = float(np.hypot(amplitudes.get(n, 0.0), a / (n * ring.radius)))
    return amplitudes


def _sectors(sectors: Sequence[tuple[float, float]] | None) -> list[tuple[float, float]] | None:
    """Allowed ranges [(from, to)], 0 <= from < 2 pi <= to possible; None for the whole revolution."""
    if sectors is None:
        return None
    pairs = checks.finite_array("find_heads.sectors", sectors, "rad")
    if pairs.ndim != 2 or pairs.shape[1] != 2 or not len(pairs):
        checks.refuse("find_heads.sectors", "be pairs of angles, from and to", sectors, "rad")
    ranges = []
    for first, last in pairs.tolist():
        width = last - first if 0.0 <= last - first <= TURN else (last - first) % TURN
        ranges.append((first % TURN, first % TURN + width))
    return sorted(ranges)


def _random_starts(
    count: int, ranges: list[tuple[float, float]], generator: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Random angles, each within a sector, and the bounds of that sector."""
    shape = (DRAWN, count)
    low, high = np.array(ranges).T
    # Half of the heads by the width of the sectors, half by their number, so that narrow sectors get some too.
    width = high - low
    parts = width / width.sum() if width.any() else np.full(len(low), 1.0 / len(low))
    share = 0.5 / len(low) + 0.5 * parts
    pick = generator.choice(len(low), shape, p=share)
    return low[pick] + width[pick] * generator.uniform(size=shape), low[pick], high[pick]


def _free_starts(
    objective: _Objective, generator: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Known good and random angles without sectors, the first head at 0, and their bounds."""
    drawn = generator.uniform(0.0, TURN, (DRAWN, objective.count))
    drawn[:, 0] = 0.0
    heads = np.vstack([np.array(_known_solutions(objective)), drawn])
    high = np.where(np.arange(objective.count) == 0, 0.0, TURN) * np.ones_like(heads)
    return heads, np.zeros_like(heads), high


def _known_solutions(objective: _Objective) -> list[np.ndarray]:
    """Known good angles: equal spacing, and for every order or pair of orders the angles that cancel it."""
    solutions = [np.arange(objective.count) * TURN / objective.count]
    halves = np.pi / np.unique(objective.orders)
    if objective.count == 2:
        solutions += [np.array([0.0, half]) for half in halves]
    elif objective.count == 4:
        solutions += [np.array([0.0, a, b, a + b]) for a in halves for b in halves if a < b][:500]
    else:
        solutions += [np.array([0.0, gap, 2.0 * gap]) for gap in 2.0 * halves / 3.0]
    return [np.sort(heads % TURN) for heads in solutions]


def _starts(
    objective: _Objective, ranges: list[tuple[float, float]] | None, spacing: float
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """The best of many starts, as rows [angles, low, high], angles ascending."""
    generator = np.random.default_rng(0)
    if ranges is None:
        heads, low, high = _free_starts(objective, generator)
    else:
        heads, low, high = _random_starts(objective.count, ranges, generator)
    order = np.argsort(heads, axis=1)
    heads, low, high = (np.take_along_axis(part, order, axis=1) for part in (heads, low, high))
    fits = gaps(heads).min(axis=1) >= spacing * (1.0 - ROUNDING)
    if not fits.any():
        rule = f"leave {objective.count} heads a place in the sectors"
        checks.refuse("find_heads.spacing", rule, spacing, "rad", "none was found")
    heads, low, high = heads[fits], low[fits], high[fits]
    rows = max(1, BLOCK // (objective.orders.size * objective.count))
    squares = np.concatenate([objective.square(heads[i : i + rows]) for i in range(0, len(heads), rows)])
    best = np.argsort(squares, kind="stable")[:REFINED]
    return list(zip(heads[best], low[best], high[best], strict=True))


def gaps(heads: np.ndarray) -> np.ndarray:
    """Angles between neighbours around the revolution, last to first included, rad; heads ascending."""
    angles = np.asarray(heads)
    return np.diff(np.concatenate([angles, angles[..., :1] + TURN], axis=-1), axis=-1)


def _refined(
    objective: _Objective, starts: list[tuple[np.ndarray, np.ndarray, np.ndarray]], spacing: float
) -> np.ndarray:
    """The best angles after refining every start within its sectors and spacing."""
    from scipy.optimize import minimize

    top = objective.square(np.zeros(objective.count))
    # Derivatives of the gaps by the angles.
    slopes = np.roll(np.eye(objective.count), 1, axis=1) - np.eye(objective.count)
    rules = {"type": "ineq", "fun": lambda heads: gaps(heads) - spacing, "jac": lambda _: slopes}
    best = min((start[0] for start in starts), key=objective.square)
    for start, low, high in starts:
        heads = minimize(
            lambda x: tuple(part / top for part in objective.slope(x)),
            start,
            jac=True,
            bounds=np.transpose([low, high]),
            constraints=rules,
            method="SLSQP",
            options={"ftol": 1e-18, "maxiter": 300},
        ).x
        heads = np.clip(heads, low, high)
        fits = gaps(heads).min() >= spacing * (1.0 - ROUNDING)
        if fits and objective.square(heads) < objective.square(best):
            best = heads
    return np.sort(best % TURN)


def _result(objective: _Objective, heads: np.ndarray, placement: float, starts: int) -> HeadSearch:
    """The result for these angles."""
    weights = np.abs(objective.weights(heads))
    equal = np.arange(objective.count) * TURN / objective.count
    remaining, alone = objective.sizes * weights, float(np.sqrt(0.5 * np.sum(objective.sizes**2)))
    rms, equal_rms = (float(np.sqrt(objective.square(angles))) for angles in (heads, equal))
    closest = float(gaps(heads).min())
    reasons = []
    if rms >= alone:
        reasons.append("no angles leave less than one head shows")
    if equal_rms <= rms * (1.0 + 1e-6) + 1e-12 * alone:
        reasons.append("equal spacing is as good for these orders")
    if closest < NO_ROOM:
        reasons.append(f"two heads stand {np.degrees(closest):.2g} deg apart: ask for a spacing")
    return HeadSearch(
        heads=heads,
        orders=objective.orders[:-1].astype(int),
        amplitude=objective.sizes[:-1],
        weight=weights[:-1],
        remaining=remaining[:-1],
        displacement=float(weights[-1]),
        rms=rms,
        peak=float(remaining.sum()),
        alone=alone,
        equal_heads=equal,
        equal_weight=np.abs(objective.weights(equal))[:-1],
        equal_rms=equal_rms,
        placed_rms=float(np.sqrt(objective.expected(heads, placement))),
        spacing=closest,
        starts=starts,
        valid=rms < alone,
        reasons=tuple(reasons),
    )
