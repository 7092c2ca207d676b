"""Angle error of a mounted ring by order: what one head sees, by cause, and what several leave.

Sums of orders over one turn: values at any angles, and a bound of their size.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, results
from ..model import ring_geometry
from ..results import Result, Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..model.axis import Axis
    from ..model.ring_geometry import Head, Ring


TURN = 2.0 * np.pi


# Below this part of the largest line an order is rounding, or a hundred-millionth of what matters.
NEGLIGIBLE = 1e-12
FEWEST_POINTS = 1 << 12
MOST_POINTS = 1 << 21
EIGHTHS, SHARP = 8, 1 << 14
# Lines of an axis below this part of the largest change no ripple.
VISIBLE = 1e-9
# A term left out that is larger than this part of the error is worth a word.
WORTH_A_WORD = 0.01


@dataclass(frozen=True, kw_only=True, slots=True)
class RingOrder(Result):
    """One order of the angle error of a ring.

    Attributes
    ----------
    order : int
        Cycles a turn n.
    amplitude : float
        Of the line that the combined heads show, zero to peak, rad.
    phase : float
        The line is amplitude sin(n theta + phase), rad.
    alone : float
        Amplitude that the first head alone shows, rad.
    causes : dict of str to float
        Amplitude each cause would give alone with these heads, rad: ``eccentricity`` ``swash`` ``lobes``
        ``graduation`` ``wander`` ``coupling`` ``sde``, and ``mixed`` for what causes give only together. Their
        phases differ, so amplitudes need not add up.
    valid : bool
        Whether the line may be believed.
    reasons : tuple of str
        Why not, or what is left out.
    """

    order: int
    amplitude: float
    phase: float
    alone: float
    causes: dict[str, float]
    valid: bool = True
    reasons: tuple[str, ...] = ()

    @property
    def units(self) -> Any:
        """Units of the fields, {key: unit}."""
        return {"order": "1", "amplitude": "rad", "phase": "rad", "alone": "rad", "causes": "rad"}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RingCurve(Series):
    """Angle error of a ring over a turn.

    Attributes
    ----------
    angle : ndarray, shape (points,)
        Angle of the shaft theta, rad.
    error : ndarray, shape (points,)
        Error of the combined heads less its mean, rad.
    alone : ndarray, shape (points,)
        The same of the first head alone, rad.
    rms, peak : float
        Of the combined error; peak is half of its range, rad.
    arc : float
        Peak at the radius of the graduation, m.
    orders : tuple of RingOrder
        Its lines, as of `ring_orders`.
    alone_orders : tuple of RingOrder
        Lines of the first head alone.
    heads, weights : ndarray
        Angles of the heads, rad, and their weights.
    ring : Ring
        The ring.
    valid : bool
        Whether the curve may be believed.
    reasons : tuple of str
        Why not, or what is left out.
    """

    angle: np.ndarray
    error: np.ndarray
    alone: np.ndarray
    rms: float
    peak: float
    arc: float
    orders: tuple[RingOrder, ...]
    alone_orders: tuple[RingOrder, ...]
    heads: np.ndarray
    weights: np.ndarray
    valid: bool
    reasons: tuple[str, ...]
    ring: ring_geometry.Ring = field(metadata={"plain": False})

    @property
    def units(self) -> dict[str, str]:
        """Units of the fields, {key: unit}."""
        angles = dict.fromkeys(
            ("angle", "error", "alone", "rms", "peak", "orders", "alone_orders", "heads"), "rad"
        )
        return {**angles, "arc": "m", "weights": "1"}

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table: angle and errors."""
        return {f"{name}_rad": getattr(self, name) for name in ("angle", "error", "alone")}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the error against angle, the ring with its heads, and its orders by cause.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            Takes the error against angle alone; without it a new figure with all of them.

        Returns
        -------
        Axes
            Of the error.
        """
        pictures = results.pictures()

        return pictures.ring(self, ax)

    def plot_polar(self, ax: Axes | None = None) -> Axes:
        """Draw the ring with its heads to scale, the error as exaggerated radius.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            To draw into; without it on a new figure.

        Returns
        -------
        Axes
        """
        pictures = results.pictures()

        return pictures.ring_polar(self, ax)


def ring_curve(
    ring: Ring, heads: tuple[float, ...] = (0.0,), weights: np.ndarray | None = None, points: int = 3600
) -> RingCurve:
    """Angle error of a ring over one turn, its size and its orders.

    Parameters
    ----------
    ring : Ring
        The ring.
    heads : sequence of float or Head
        Where the heads stand, rad.
    weights : sequence of float, optional
        Weight of each head; equal without.
    points : int
        Angles, evenly over a turn.

    Returns
    -------
    RingCurve

    Raises
    ------
    InputError
        As `ring_error`, or if points are fewer than 8 or more than a million.
    """
    if not checks.is_whole(points) or not 8 <= points <= 1_000_000:
        checks.refuse("ring_curve.points", "be a whole number from 8 to 1000000", points)
    found, shares = ring_geometry.arranged(heads, weights)
    angle = 2.0 * np.pi * np.arange(points) / points
    # rms and peak come from a grid that no order falls through, whatever the points to draw
    fine = _turn(ring, found)
    whole = ring_geometry.ring_error(ring, fine, found, shares)
    error, alone = (ring_geometry.ring_error(ring, angle, *how) for how in ((found, shares), (found[:1],)))
    peak = 0.5 * float(np.ptp(whole))
    orders = tuple(ring_orders(ring, found, shares))
    return RingCurve(
        angle=angle,
        error=error - whole.mean(),
        alone=alone - alone.mean(),
        rms=float(whole.std()),
        peak=peak,
        arc=peak * ring.radius,
        orders=orders,
        alone_orders=orders if len(found) == 1 else tuple(ring_orders(ring, found[:1])),
        heads=np.array([head.angle for head in found]),
        weights=shares,
        valid=True,
        reasons=_left_out(ring, found, shares, peak),
        ring=ring,
    )


def ring_orders(
    ring: Ring, heads: tuple[Head, ...] = (0.0,), weights: np.ndarray | None = None
) -> list[RingOrder]:
    """Lines of the angle error of a ring, order by order, and what causes them.

    Parameters
    ----------
    ring : Ring
        The ring.
    heads : sequence of float or Head
        Where the heads stand, rad.
    weights : sequence of float, optional
        Weight of each head; equal without.

    Returns
    -------
    list of RingOrder
        By ascending order; orders that the heads cancel are left out, as is the constant part.

    Raises
    ------
    InputError
        As `ring_error`.

    Notes
    -----
    From the FFT of the exact error. To first order a line of graduation or lobes is left with the weight
    |sum of w_j exp(i n beta_j)|, one of eccentricity, swash and wander with |sum of w_j exp(i beta_j)|, one of
    the coupling in full. Order n of eccentricity is (e/R)**n/n.

    Examples
    --------
    >>> ring = rings.Ring(0.1, graduation={n: 1e-6 for n in range(1, 25)})
    >>> [line.order for line in ring_orders(ring, [j * np.pi / 3 for j in range(6)])]
    [6, 12, 18, 24]
    """
    heads, weights = ring_geometry.arranged(heads, weights)
    turn = _turn(ring, heads)
    whole = _spectrum(ring, turn, heads, weights)
    alone = _spectrum(ring, turn, heads[:1], np.ones(1))
    parts = _parts(ring, turn, heads, weights)
    floor = NEGLIGIBLE * _largest_seen(ring, turn, heads)
    found = np.flatnonzero(np.abs(whole) > floor)
    return [_line(int(order), whole, alone, parts, floor) for order in found if order > 0]


def _line(
    order: int, whole: np.ndarray, alone: np.ndarray, parts: dict[str, np.ndarray], floor: float
) -> RingOrder:
    """One order of the spectra as a RingOrder."""
    here = {name: part[order] for name, part in parts.items() if abs(part[order]) > floor}
    mixed = whole[order] - sum(here.values())
    if abs(mixed) > max(floor, 1e-9 * abs(whole[order])):
        here["mixed"] = mixed
    return RingOrder(
        order=order,
        amplitude=float(abs(whole[order])),
        phase=float(np.angle(whole[order])),
        alone=float(abs(alone[order])),
        causes={name: float(abs(part)) for name, part in here.items()},
    )


def _turn(ring: Ring, heads: tuple[Head, ...]) -> np.ndarray:
    """Angles of a turn, fine enough for every order and its first products."""
    inner = max([0, *(head.lines * max(head.sde) for head in heads if head.sde)])
    highest = ring.highest_order + inner
    points = max(FEWEST_POINTS, 1 << int(np.ceil(np.log2(8 * highest))))
    if points > MOST_POINTS:
        checks.refuse("order", f"be at most {MOST_POINTS // 8} a turn", highest)
    return 2.0 * np.pi * np.arange(points) / points


def _spectrum(ring: Ring, turn: np.ndarray, heads: tuple[Head, ...], weights: np.ndarray) -> np.ndarray:
    """Complex lines A of the error, sum of |A| sin(n theta + arg A)."""
    error = ring_geometry.ring_error(ring, turn, heads, weights)
    return 2j * np.fft.rfft(error) / turn.size


def _largest_seen(ring: Ring, turn: np.ndarray, heads: tuple[Head, ...]) -> float:
    """Half the range of the error of any one head, rad."""
    return max(0.5 * float(np.ptp(ring_geometry.ring_error(ring, turn, (head,)))) for head in heads)


def _parts(
    ring: Ring, turn: np.ndarray, heads: tuple[Head, ...], weights: np.ndarray
) -> dict[Any, np.ndarray]:
    """Spectra of the causes that are there, each alone."""
    plain = tuple(replace(head, sde={}) for head in heads)
    bare = bare_ring(ring)
    alone = {name: only(ring, name) for name in ring_geometry.CAUSES[:-1]}
    found = {n: _spectrum(part, turn, plain, weights) for n, part in alone.items() if part != bare}
    if any(head.sde for head in heads):
        found["sde"] = _spectrum(bare, turn, heads, weights)
    return found


def spectra(ring: Ring, heads: tuple[Head, ...], weights: np.ndarray) -> dict[Any, Any]:
    """Amplitudes that each cause leaves alone, {cause: {order: rad}}; arranged heads, normalised weights."""
    turn = _turn(ring, heads)
    found = {}
    for name, lines in _parts(ring, turn, heads, weights).items():
        sizes = np.abs(lines)
        # against what one head sees of this cause: a billionth of that is no line of a budget
        floor = (
            1e3
            * NEGLIGIBLE
            * _largest_seen(only(ring, name) if name != "sde" else bare_ring(ring), turn, heads)
        )
        found[name] = {int(n): float(sizes[n]) for n in np.flatnonzero(sizes > floor) if n > 0}
    return found


@lru_cache(maxsize=256)
def shown_lines(ring: Ring, heads: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Lines of the error that an axis sees, what its controller compensates taken off."""
    heads, weights = ring_geometry.arranged(heads)
    turn = _turn(ring, heads)
    error = ring_geometry.ring_error(ring, turn, heads, weights)
    error = error - ring_geometry.sines(ring.compensation, turn + error)
    lines = 2.0 * np.fft.rfft(error)[: turn.size // 2] / turn.size
    lines[0] = 0.0
    orders = np.flatnonzero(np.abs(lines) > VISIBLE * np.abs(lines).max())
    found = orders, lines[orders]
    for part in found:
        part.setflags(write=False)
    return found


def turn_lines(axis: Axis) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines that the mounting of a ring makes: orders a signal period (below 1), orders a turn, lines in periods."""
    if axis.ring is None:
        return np.zeros(0), np.zeros(0, dtype=int), np.zeros(0, dtype=complex)
    orders, made = shown_lines(axis.ring, axis.heads)
    return orders / axis.scale.lines, orders, made / axis.scale.pitch


def slope(ring: Ring, heads: tuple[float, ...]) -> np.ndarray:
    """Slope of the error that heads show before anything is compensated, at even angles over a turn."""
    orders, lines = shown_lines(replace(ring, compensation={}), heads)
    points = max(SHARP, 1 << int(np.ceil(np.log2(16 * orders.max(initial=1)))))
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[orders] = 0.5j * orders * lines
    return np.fft.irfft(spectrum, points, norm="forward")


@lru_cache(maxsize=256)
def speed_modulation(ring: Ring, heads: tuple[float, ...]) -> np.ndarray:
    """Shares by which a mounted graduation passes its heads faster than the shaft turns, an eighth of a turn each."""
    # Eight numbers with the mean and variance of the slope of the error.
    return _eighths(slope(ring, heads))


def followed_speed_modulation(ring: Ring, heads: tuple[Head, ...], back: np.ndarray) -> Any:
    """Shares as `speed_modulation` where a loop, following the error it reads, moves the shaft too."""
    orders, lines = shown_lines(ring, heads)
    bare, made = shown_lines(replace(ring, compensation={}), heads)
    points = 1 << int(np.ceil(np.log2(16 * max(orders.max(initial=16), bare.max(initial=16)))))
    spectrum = np.zeros((back.shape[0], points // 2 + 1), dtype=complex)
    spectrum[:, bare] = 0.5j * bare * made
    spectrum[:, orders] -= 0.5j * orders * lines * back
    return _eighths(np.fft.irfft(spectrum, points, norm="forward"))


def _eighths(slopes: np.ndarray) -> np.ndarray:
    """Eight numbers with the mean and variance of each row of slopes."""
    steep = np.sort(slopes, axis=-1)
    found = steep.reshape(*steep.shape[:-1], EIGHTHS, -1).mean(axis=-1)
    spread, whole = found.std(axis=-1, keepdims=True), steep.std(axis=-1, keepdims=True)
    return found * np.divide(whole, spread, out=np.zeros_like(whole), where=spread > 0.0)


def bare_ring(ring: Ring) -> Ring:
    """The ring without any error; dimensions and head offset stay."""
    nothing = {name: {} for name in ring_geometry.ORDER_UNITS}
    return replace(ring, eccentricity=0.0, direction=0.0, swash=0.0, **nothing)


def only(ring: Ring, cause: str) -> Ring:
    """The ring with this cause alone, as `rings.CAUSES` names it."""
    kept = {cause: getattr(ring, cause)}
    if cause == "eccentricity":
        kept["direction"] = ring.direction if ring.eccentricity else 0.0
    return replace(bare_ring(ring), **kept)


def _left_out(ring: Ring, heads: tuple[Head, ...], weights: np.ndarray, peak: float) -> tuple[()]:
    """A word on the foreshortening of a tilted ring where it matters."""
    places = np.array([head.angle for head in heads])
    left = ring.foreshortening * abs(np.sum(weights * np.exp(2j * places)))
    if left <= WORTH_A_WORD * peak:
        return ()
    return (f"left out: the tilted ring is foreshortened, {left:.3g} rad at 2 per turn",)
