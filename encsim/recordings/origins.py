"""Origins of recordings: how far apart the places lie from which they count the position.

An order o that an error E of the encoder and a torque D make is seen in a recording whose origin lies at the angle d
as ``exp(i o d) (g E + h D)``, with g and h known at its speed. Most orders have one owner: searched are the origins
with which the fewest orders need two, or stay unexplained, first for two recordings, then with one more at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..calibration import angle_fit
from ..calibration.angle_fit import TAU
from . import steady_pieces

if TYPE_CHECKING:
    from ..model.axis import Axis
    from .steady_pieces import SteadyPiece


# Squared misfit that an order with two owners costs, and one that no owner explains.
TWO_OWNERS, UNEXPLAINED = 20.0, 40.0
# The best origins are determined where all others cost more by this: odds of exp(10).
CLEAR = 20.0
# Share of an amplitude that is left open while origins are searched, then compared; steps of a grid within it; points
# on each side.
OPEN, STEPS, NEAR = (0.04, 0.01), 2.0, 4
# Hypotheses that are followed, orders that the search uses, and origins that are tried at once. Orders that would need
# more are used next, near the best origins of the lower ones, and those higher by this factor after that.
FOLLOWED, USED, MOST, HIGHER = 24, 16, 50_000, 64.0
# Share to which the model of an order is right, and rounds in which origins settle.
RIGHT, ROUNDS = 3e-3, 4
# Random origins by which it is seen what any would explain.
TRIALS = 1000
# Two origins are one where no order turns by more between them whose squared significance is above this.
SAME, SIGNIFICANT = 0.3, 25.0
# Parts of the largest order to which orders have a common divisor.
DIVISIBLE = 1e-9


class Origins(NamedTuple):
    """Angle from the origin of one source to that of each other one, or why they are not determined.

    ``covariance`` is that of the angles of ``sources``; those of the others are zero.
    """

    angles: dict[int, float]
    sources: tuple[int, ...] = ()
    covariance: np.ndarray = np.zeros((0, 0))
    reason: str = ""


class SeenOrders(NamedTuple):
    """Amplitudes of the orders in each piece, their weights of (pieces, orders), and what E and D make, (2, p, o)."""

    sources: np.ndarray
    orders: np.ndarray
    amplitude: np.ndarray
    uncertainty: np.ndarray
    gain: np.ndarray

    def costs(self, share: float, angles: dict[int, np.ndarray], orders: Sequence[int]) -> np.ndarray:
        """Squared misfit for origins of some pieces, {piece: shape (1,) or (trials,)}, summed over some orders."""
        used, total = list(angles), np.zeros(1)
        for o in orders:
            a, gain = self.amplitude[used, o], self.gain[:, used, o]
            weight = 1.0 / (self.uncertainty[used, o] ** 2 + (share * np.abs(a)) ** 2 + np.finfo(float).tiny)
            turned = [np.exp(-1j * self.orders[o] * angle) for angle in angles.values()]
            parts = weight * gain.conj() * a
            right = [sum(part * turn for part, turn in zip(row, turned, strict=True)) for row in parts]
            normal = (weight * gain.conj()) @ gain.T
            total = total + _cheapest(float(weight @ np.abs(a) ** 2), right, normal)
        return total


def _cheapest(whole: float, right: Sequence[np.ndarray], normal: np.ndarray) -> np.ndarray:
    """What an order costs with the owners that explain it best: E, D, both, or none."""
    own = np.maximum(np.diag(normal).real, np.finfo(float).tiny)
    alone = [np.abs(side) ** 2 / size for side, size in zip(right, own, strict=True)]
    # What D explains beside E; the same in all pieces, they are one owner.
    beside = max(own[1] - abs(normal[0, 1]) ** 2 / own[0], 1e-9 * own[1])
    rest = right[1] - normal[1, 0] / own[0] * right[0]
    both = alone[0] + np.abs(rest) ** 2 / beside
    return np.minimum(whole - np.maximum(np.maximum(*alone), both - TWO_OWNERS), UNEXPLAINED)


def found(pieces: Sequence[SteadyPiece], orders: Sequence[float], axis: Axis) -> Origins:
    """Origins that explain the orders of some pieces clearly better than any others."""
    seen = _seen(pieces, orders, axis)
    names = sorted(set(seen.sources.tolist()), key=lambda name: -_information(seen, name))
    turn = TAU / _common_divisor(seen.orders)
    if len(names) < 2:
        return Origins({})
    if not len(seen.orders) or STEPS * turn * seen.orders.min() / OPEN[0] > MOST:
        return Origins({}, reason="they hold too few orders that would tell how far apart")
    where = [names.index(name) for name in seen.sources.tolist()]
    table, cost = np.zeros((1, len(names))), np.zeros(1)
    for place in range(1, len(names)):
        table, cost = _with_source(seen, where, table, place, turn)
    far = _distance(seen, where, table - table[0]) > SAME
    if min(cost[far].min(initial=np.inf), _anywhere(seen, where, turn)) - cost[0] < CLEAR:
        return Origins({}, reason="several places explain their orders equally well")
    angles = dict(zip(names, table[0].tolist(), strict=True))
    return _settled(seen, angles, tuple(name for name in names if angles[name]))


def _anywhere(seen: SeenOrders, where: list[int], turn: float) -> float:
    """What origins anywhere cost: of likelihoods the mean."""
    angles = turn * np.random.default_rng(0).random((max(where) + 1, TRIALS))
    cost = seen.costs(OPEN[-1], dict(enumerate(angles[where])), range(len(seen.orders)))
    return float(cost.min() - 2.0 * np.log(np.mean(np.exp(0.5 * (cost.min() - cost)))))


def settled(
    pieces: Sequence[SteadyPiece], orders: Sequence[float], axis: Axis, sources: tuple[int, ...]
) -> Origins:
    """Small further angles of some sources that explain the orders best."""
    seen = _seen(pieces, orders, axis)
    return _settled(seen, dict.fromkeys(seen.sources.tolist(), 0.0), sources)


def _settled(seen: SeenOrders, angles: dict[int, float], sources: tuple[int, ...]) -> Origins:
    """Origins at the minimum near some angles, by Newton's method on differences."""
    if not sources:
        return Origins(angles)
    size, every = len(sources), range(len(seen.orders))
    step = 0.3 * RIGHT / seen.orders.max()
    middle = np.array([angles[name] for name in sources])
    unit = step * np.eye(size)
    for _ in range(ROUNDS):
        points = [middle, *(middle + a + b for a in (*unit, *-unit) for b in (*unit, *-unit))]
        table = np.array(points)
        tried = {
            k: table[:, sources.index(name)] if name in sources else np.array([angles[name]])
            for k, name in enumerate(seen.sources.tolist())
        }
        cost = seen.costs(RIGHT, tried, every)
        square = cost[1:].reshape(2, size, 2, size)
        # Second differences over two steps in each direction: of s_i a_i + s_j a_j, signs s.
        hessian = (square[0, :, 0] - square[0, :, 1] - square[1, :, 0] + square[1, :, 1]) / (4.0 * step**2)
        slope = (np.diag(square[0, :, 0]) - np.diag(square[1, :, 1])) / (4.0 * step)
        values, vectors = np.linalg.eigh(hessian)
        information = np.maximum(values, 1e-9 * max(values.max(), np.finfo(float).tiny))
        move = -vectors @ ((vectors.T @ slope) / information)
        middle = middle + np.clip(move, -10.0 * step, 10.0 * step)
    covariance = 2.0 * (vectors / information) @ vectors.T
    return Origins(angles | dict(zip(sources, middle.tolist(), strict=True)), sources, covariance)


def _seen(pieces: Sequence[SteadyPiece], orders: Sequence[float], axis: Axis) -> SeenOrders:
    """Amplitudes of orders in each piece."""
    numbers = np.array(orders)
    fits = [angle_fit.fit_waves(piece.z, piece.theta, orders, piece.basis) for piece in pieces]
    gains = np.array([steady_pieces.owner_gains(piece, numbers, axis) for piece in pieces]).swapaxes(0, 1)
    wide = [np.hypot(fit.uncertainty, piece.rounding) for fit, piece in zip(fits, pieces, strict=True)]
    return SeenOrders(
        np.array([piece.source for piece in pieces]),
        numbers,
        np.array([fit.amplitude for fit in fits]),
        np.array(wide),
        gains,
    )


def _information(seen: SeenOrders, name: int) -> float:
    """How well a source shows its orders."""
    own = seen.sources == name
    return float(np.sum(_significance(seen)[own]))


def _significance(seen: SeenOrders) -> np.ndarray:
    """Squared amplitudes over their variance, as far as the search uses it."""
    return np.asarray(
        np.abs(seen.amplitude) ** 2 / (seen.uncertainty**2 + (OPEN[-1] * np.abs(seen.amplitude)) ** 2)
    )


def _common_divisor(orders: np.ndarray) -> float:
    """Largest number of which all orders are multiples."""
    divisor = 0.0
    for order in orders.tolist():
        rest = order
        while rest > DIVISIBLE * orders.max():
            divisor, rest = rest, divisor % rest if divisor else 0.0
    return divisor or 1.0


def _with_source(
    seen: SeenOrders, where: list[int], table: np.ndarray, place: int, turn: float
) -> tuple[np.ndarray, np.ndarray]:
    """The best hypotheses with the origin of one more source, the best first, and what they cost."""
    used, more = [k for k, own in enumerate(where) if own <= place], [table]
    for row in table:
        fixed = {k: float(row[where[k]]) for k in used if where[k] < place}
        tried = _candidates(seen, fixed, [k for k in used if where[k] == place], turn)
        new = np.repeat(row[None], len(tried), axis=0)
        new[:, place] = tried
        more.append(new)
    table = np.concatenate(more)
    every = range(len(seen.orders))
    near = np.arange(-NEAR, NEAR + 1) * (OPEN[-1] / STEPS / seen.orders.max())
    for column in (*range(1, place + 1), *range(1, place + 1)):
        # An origin of zero is that of the first source: it stays.
        tried = table[:, column, None] + near * (table[:, column, None] != 0.0)
        known = np.repeat(table, len(near), axis=0).T
        angles = {k: tried.ravel() if where[k] == column else known[where[k]] for k in used}
        cost = seen.costs(OPEN[-1], angles, every).reshape(tried.shape)
        table[:, column] = np.take_along_axis(tried, np.argmin(cost, axis=1)[:, None], axis=1)[:, 0]
    # An origin that is not the same is one of so many.
    price = 2.0 * float(np.log(turn * seen.orders.max() / OPEN[-1]))
    cost = np.min(cost, axis=1) + price * np.count_nonzero(table, axis=1)
    best = np.argsort(cost)[:FOLLOWED]
    best = best[cost[best] < cost[best[0]] + 2.0 * UNEXPLAINED]
    return table[best], cost[best]


def _candidates(seen: SeenOrders, fixed: dict[int, float], moved: list[int], turn: float) -> np.ndarray:
    """Angles of the moved pieces with which the strongest orders cost least, those of others being fixed."""
    strength = np.min(_significance(seen)[[*fixed, *moved]], axis=0)
    strongest = np.argsort(-strength)[:USED]
    highest, reach = OPEN[0] * MOST / (STEPS * turn), 0.5 * turn
    centres = np.array([0.5 * turn])
    while True:
        chosen = strongest[seen.orders[strongest] <= highest]
        if len(chosen):
            top = seen.orders[chosen].max()
            around = np.arange(-reach, reach, OPEN[0] / STEPS / top)
            tried = (centres[:, None] + around).ravel()
            angles = {k: np.array([angle]) for k, angle in fixed.items()} | dict.fromkeys(moved, tried)
            cost = seen.costs(OPEN[0], angles, chosen.tolist()).reshape(-1, len(around))
            lowest = np.flatnonzero((cost <= np.roll(cost, 1, axis=1)) & (cost < np.roll(cost, -1, axis=1)))
            centres = tried[lowest[np.argsort(cost.ravel()[lowest])][:FOLLOWED]]
            reach = 4.0 * OPEN[0] / top
        if highest >= seen.orders[strongest].max():
            return centres
        highest *= HIGHER


def _distance(seen: SeenOrders, where: list[int], angles: np.ndarray) -> np.ndarray:
    """Largest angle between origins by which an order turns that is significant in the recording, shape (h,)."""
    turned = seen.orders[:, None] * angles.T[where][:, None]
    turned = np.abs(turned - TAU * np.rint(turned / TAU))
    return np.asarray(
        np.max(turned * (_significance(seen) > SIGNIFICANT)[:, :, None], axis=(0, 1), initial=0.0)
    )
