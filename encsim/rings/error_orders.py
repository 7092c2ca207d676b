"""Angle error of a mounted ring by order: of one head, of several combined, by cause, and as an axis sees it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..doubts import Doubt
from ..model import ring_geometry
from ..results import Result, Series, measured_in, picture, recorded

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.axis import Axis
    from ..model.ring_geometry import Head, HeadAngles, Ring


TURN = 2.0 * np.pi


# Orders below this share of the largest are rounding errors.
NEGLIGIBLE = 1e-12
FEWEST_POINTS = 1 << 12
MOST_POINTS = 1 << 21
FEWEST_SLOPES = 1 << 14
# Orders of an axis below this share of the largest do not change the ripple.
VISIBLE = 1e-9
# Foreshortening above this share of the peak error is reported.
REPORTED = 0.01


@dataclass(frozen=True, kw_only=True)
class RingOrder(Result):
    """One order of the angle error of a ring.

    Attributes
    ----------
    order : int
        Cycles per revolution n.
    amplitude : float
        Amplitude of the order for the combined heads, zero to peak, rad.
    phase : float
        Phase in amplitude sin(n theta + phase), rad.
    alone : float
        Amplitude for the first head alone, rad.
    causes : dict of str to float
        Amplitude of each cause alone with these heads, rad: ``eccentricity`` ``swash`` ``lobes`` ``graduation``
        ``wander`` ``coupling`` ``sde``, and ``mixed`` for products of causes. Phases differ, so that the sum of the
        amplitudes can exceed ``amplitude``.
    valid : bool
        Whether the line is reliable.
    reasons : tuple of str
        Why not, or what is left out.

    Examples
    --------
    >>> import encsim
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> first = encsim.ring_orders(ring)[0]
    >>> first.order, round(206264.8 * float(first.amplitude), 2)
    (1, 11.0)
    """

    order: int = field(metadata=measured_in("1"))
    amplitude: float = field(metadata=measured_in("rad"))
    phase: float = field(metadata=measured_in("rad"))
    alone: float = field(metadata=measured_in("rad"))
    causes: dict[str, float] = field(metadata=measured_in("rad"))
    valid: bool = True
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class RingCurve(Series):
    """Angle error of a ring over one revolution.

    Attributes
    ----------
    angle : ndarray, shape (points,)
        Angle of the shaft theta, rad.
    error : ndarray, shape (points,)
        Error of the combined heads minus its mean, rad.
    alone : ndarray, shape (points,)
        Error of the first head alone minus its mean, rad.
    rms, peak : float
        Rms value and half of the range of the combined error, rad.
    arc : float
        Peak as a length at the radius of the graduation, m.
    orders : tuple of RingOrder
        Orders of the combined error, as of `ring_orders`.
    alone_orders : tuple of RingOrder
        Orders of the first head alone.
    heads, weights : ndarray
        Angles of the heads, rad, and their weights.
    ring : Ring
        The ring.
    valid : bool
        Whether the curve is reliable.
    reasons : tuple of str
        Why not, or what is left out.

    Examples
    --------
    >>> import encsim
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> encsim.ring_curve(ring).valid
    True
    """

    tabled = ("angle", "error", "alone")

    angle: np.ndarray = field(metadata=measured_in("rad"))
    error: np.ndarray = field(metadata=measured_in("rad"))
    alone: np.ndarray = field(metadata=measured_in("rad"))
    rms: float = field(metadata=measured_in("rad"))
    peak: float = field(metadata=measured_in("rad"))
    arc: float = field(metadata=measured_in("m"))
    orders: tuple[RingOrder, ...] = field(metadata=measured_in("rad"))
    alone_orders: tuple[RingOrder, ...] = field(metadata=measured_in("rad"))
    heads: np.ndarray = field(metadata=measured_in("rad"))
    weights: np.ndarray = field(metadata=measured_in("1"))
    valid: bool
    reasons: tuple[str, ...]
    ring: ring_geometry.Ring = field(metadata={"plain": False})

    plot = picture(
        "figures.ring:ring",
        "Draw the angle error (rad, shown in arc seconds or degrees) over a revolution, the ring with "
        "its heads, and its orders by cause.",
        alone="Takes the error against angle alone",
        example="ring = encsim.Ring(0.1, eccentricity=1e-5)\nax = encsim.ring_curve(ring).plot()",
    )

    plot_polar = picture(
        "figures.ring:ring_polar",
        "Draw the ring with its heads to scale, the angle error as exaggerated radius.",
        example="ring = encsim.Ring(0.1, eccentricity=1e-5)\n"
        "ax = encsim.ring_curve(ring, heads=(0.0, 3.1)).plot_polar()",
    )


@recorded
def ring_curve(
    ring: Ring, heads: HeadAngles = (0.0,), weights: ArrayLike | None = None, points: int = 3600
) -> RingCurve:
    """Angle error of a ring over one revolution, its size and its orders.

    Parameters
    ----------
    ring : Ring
        The ring.
    heads : sequence of float or Head
        Positions of the heads, rad.
    weights : sequence of float, optional
        Weight of each head; equal by default.
    points : int
        Number of angles, evenly over one revolution.

    Returns
    -------
    RingCurve

    Raises
    ------
    InputError
        As `ring_error`, or if points are fewer than 8 or more than a million.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> ring = encsim.Ring(0.15, eccentricity=4e-6, lobes={2: (3e-6, 0.3)})
    >>> curve = encsim.ring_curve(ring, [0.0, np.pi])
    >>> round(206264.8 * float(curve.peak), 2)  # arcsec
    4.13
    """
    if not checks.is_whole(points) or not 8 <= points <= 1_000_000:
        checks.refuse("ring_curve.points", "be a whole number from 8 to 1000000", points)
    as_heads, shares = ring_geometry.arranged(heads, weights)
    angle = 2.0 * np.pi * np.arange(points) / points
    error = ring_geometry.ring_error(ring, angle, as_heads, shares)
    alone = ring_geometry.ring_error(ring, angle, as_heads[:1])
    # Mean, rms and peak come from a grid fine enough for every order, whatever ``points`` is.
    fine_error = ring_geometry.ring_error(ring, _angle_grid(ring, as_heads), as_heads, shares)
    peak = 0.5 * float(np.ptp(fine_error))
    orders = tuple(ring_orders(ring, as_heads, shares))
    foreshortening = foreshortening_amplitude(ring, as_heads, shares)
    return RingCurve(
        angle=angle,
        error=error - fine_error.mean(),
        alone=alone - alone.mean(),
        rms=float(fine_error.std()),
        peak=peak,
        arc=peak * ring.radius,
        orders=orders,
        alone_orders=orders if len(as_heads) == 1 else tuple(ring_orders(ring, as_heads[:1])),
        heads=np.array([head.angle for head in as_heads]),
        weights=shares,
        valid=True,
        reasons=() if foreshortening <= REPORTED * peak else (Doubt("foreshortened", angle=foreshortening),),
        ring=ring,
    )


def ring_orders(ring: Ring, heads: HeadAngles = (0.0,), weights: ArrayLike | None = None) -> list[RingOrder]:
    """Orders of the angle error of a ring and their causes.

    Parameters
    ----------
    ring : Ring
        The ring.
    heads : sequence of float or Head
        Positions of the heads, rad.
    weights : sequence of float, optional
        Weight of each head; equal by default.

    Returns
    -------
    list of RingOrder
        By ascending order, without the constant and without orders that the heads cancel.

    Raises
    ------
    InputError
        As `ring_error`.

    Notes
    -----
    Computed from the FFT of the exact error. To first order the combined heads leave graduation and lobes with the
    weight |sum of w_j exp(i n beta_j)|, eccentricity, swash and wander with |sum of w_j exp(i beta_j)|, and the
    coupling in full. Order n of eccentricity is (e/R)**n/n.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> ring = encsim.Ring(0.1, graduation={n: 1e-6 for n in range(1, 25)})
    >>> [line.order for line in encsim.ring_orders(ring, [j * np.pi / 3 for j in range(6)])]
    [6, 12, 18, 24]
    """
    as_heads, shares = ring_geometry.arranged(heads, weights)
    grid = _angle_grid(ring, as_heads)
    combined = _spectrum(ring, grid, as_heads, shares)
    alone = _spectrum(ring, grid, as_heads[:1], np.ones(1))
    parts = _cause_spectra(ring, grid, as_heads, shares)
    floor = NEGLIGIBLE * _largest_of_one_head(ring, grid, as_heads)
    orders = np.flatnonzero(np.abs(combined) > floor)
    return [_ring_order(int(order), combined, alone, parts, floor) for order in orders if order > 0]


def _ring_order(
    order: int, combined: np.ndarray, alone: np.ndarray, parts: dict[str, np.ndarray], floor: float
) -> RingOrder:
    """One order of the spectra as a RingOrder."""
    causes = {name: part[order] for name, part in parts.items() if abs(part[order]) > floor}
    mixed = combined[order] - sum(causes.values())
    if abs(mixed) > max(floor, 1e-9 * abs(combined[order])):
        causes["mixed"] = mixed
    return RingOrder(
        order=order,
        amplitude=float(abs(combined[order])),
        phase=float(np.angle(combined[order])),
        alone=float(abs(alone[order])),
        causes={name: float(abs(part)) for name, part in causes.items()},
    )


def _angle_grid(ring: Ring, heads: tuple[Head, ...]) -> np.ndarray:
    """Angles of a revolution, fine enough for every order and products of two."""
    checks.refuse_other_class("ring", ring, ring_geometry.Ring)
    sde_order = max([0, *(head.lines * max(head.sde) for head in heads if head.lines and head.sde)])
    highest = ring.highest_order + sde_order
    points = max(FEWEST_POINTS, 1 << int(np.ceil(np.log2(8 * highest))))
    if points > MOST_POINTS:
        checks.refuse("order", f"be at most {MOST_POINTS // 8} per revolution", highest)
    return 2.0 * np.pi * np.arange(points) / points


def _spectrum(ring: Ring, grid: np.ndarray, heads: tuple[Head, ...], weights: np.ndarray) -> np.ndarray:
    """Complex amplitude A of each order, error = sum of |A| sin(n theta + arg A)."""
    error = ring_geometry.ring_error(ring, grid, heads, weights)
    return np.asarray(2j * np.fft.rfft(error) / grid.size)


def _largest_of_one_head(ring: Ring, grid: np.ndarray, heads: tuple[Head, ...]) -> float:
    """Largest half range of the error of a single head, rad."""
    return max(0.5 * float(np.ptp(ring_geometry.ring_error(ring, grid, (head,)))) for head in heads)


def _cause_spectra(
    ring: Ring, grid: np.ndarray, heads: tuple[Head, ...], weights: np.ndarray
) -> dict[str, np.ndarray]:
    """Spectrum of each cause that is present, alone."""
    without_sde = tuple(replace(head, sde={}) for head in heads)
    bare = bare_ring(ring)
    alone = {name: only(ring, name) for name in ring_geometry.CAUSES[:-1]}
    spectra = {n: _spectrum(part, grid, without_sde, weights) for n, part in alone.items() if part != bare}
    if any(head.sde for head in heads):
        spectra["sde"] = _spectrum(bare, grid, heads, weights)
    return spectra


def amplitudes_by_cause(
    ring: Ring, heads: tuple[Head, ...], weights: np.ndarray
) -> dict[str, dict[int, float]]:
    """Amplitudes of each cause alone, {cause: {order: rad}}; arranged heads, normalised weights."""
    grid = _angle_grid(ring, heads)
    amplitudes = {}
    for name, spectrum in _cause_spectra(ring, grid, heads, weights).items():
        alone = bare_ring(ring) if name == "sde" else only(ring, name)
        # A billionth of what one head sees of this cause does not matter in a budget.
        floor = 1e3 * NEGLIGIBLE * _largest_of_one_head(alone, grid, heads)
        sizes = np.abs(spectrum)
        amplitudes[name] = {int(n): float(sizes[n]) for n in np.flatnonzero(sizes > floor) if n > 0}
    return amplitudes


def foreshortening_amplitude(ring: Ring, heads: tuple[Head, ...], weights: np.ndarray) -> float:
    """Amplitude at two per revolution by the foreshortening of a tilted ring, for the combined heads, rad."""
    angles = np.array([head.angle for head in heads])
    return float(ring.foreshortening * abs(np.sum(weights * np.exp(2j * angles))))


@lru_cache(maxsize=256)
def shown_lines(ring: Ring, heads: HeadAngles) -> tuple[np.ndarray, np.ndarray]:
    """Orders and complex amplitudes of the error that an axis sees, after compensation by its controller."""
    as_heads, weights = ring_geometry.arranged(heads)
    grid = _angle_grid(ring, as_heads)
    error = ring_geometry.ring_error(ring, grid, as_heads, weights)
    error = error - ring_geometry.sines(ring.compensation, grid + error)
    amplitudes = 2.0 * np.fft.rfft(error)[: grid.size // 2] / grid.size
    amplitudes[0] = 0.0
    orders = np.flatnonzero(np.abs(amplitudes) > VISIBLE * np.abs(amplitudes).max())
    kept = amplitudes[orders]
    # The cache hands the same arrays to every caller.
    orders.setflags(write=False)
    kept.setflags(write=False)
    return orders, kept


def turn_lines(axis: Axis) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Error by the mounting of a ring: orders per signal period (below 1), orders, complex amplitudes in periods."""
    if axis.ring is None:
        return np.zeros(0), np.zeros(0, dtype=int), np.zeros(0, dtype=complex)
    orders, amplitudes = shown_lines(axis.ring, axis.heads)
    return orders / axis.scale.lines, orders, amplitudes / axis.scale.pitch


def slope(ring: Ring, heads: HeadAngles) -> np.ndarray:
    """Slope of the error that heads show before compensation, at even angles over one revolution."""
    orders, amplitudes = shown_lines(replace(ring, compensation={}), heads)
    points = max(FEWEST_SLOPES, 1 << int(np.ceil(np.log2(16 * orders.max(initial=1)))))
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[orders] = 0.5j * orders * amplitudes
    return np.fft.irfft(spectrum, points, norm="forward")


@lru_cache(maxsize=256)
def speed_modulation(ring: Ring, heads: HeadAngles) -> np.ndarray:
    """Relative speed of the graduation past its heads minus that of the shaft, as eight equally likely values."""
    return _eight_values(slope(ring, heads))


def followed_speed_modulation(ring: Ring, heads: HeadAngles, back: np.ndarray) -> np.ndarray:
    """As `speed_modulation`, for a shaft that moves too because its loop follows the error (response ``back``)."""
    orders, amplitudes = shown_lines(ring, heads)
    bare_orders, bare_amplitudes = shown_lines(replace(ring, compensation={}), heads)
    highest = max(orders.max(initial=16), bare_orders.max(initial=16))
    points = 1 << int(np.ceil(np.log2(16 * highest)))
    spectrum = np.zeros((back.shape[0], points // 2 + 1), dtype=complex)
    spectrum[:, bare_orders] = 0.5j * bare_orders * bare_amplitudes
    spectrum[:, orders] -= 0.5j * orders * amplitudes * back
    return _eight_values(np.fft.irfft(spectrum, points, norm="forward"))


def _eight_values(slopes: np.ndarray) -> np.ndarray:
    """Means of the eighths of each row of sorted slopes, scaled to the variance of the row."""
    ordered = np.sort(slopes, axis=-1)
    eighths = ordered.reshape(*ordered.shape[:-1], 8, -1).mean(axis=-1)
    spread, wanted = eighths.std(axis=-1, keepdims=True), ordered.std(axis=-1, keepdims=True)
    return np.asarray(eighths * np.divide(wanted, spread, out=np.zeros_like(wanted), where=spread > 0.0))


def bare_ring(ring: Ring) -> Ring:
    """The ring without any error; dimensions and head offset stay."""
    nothing: dict[str, Any] = {name: {} for name in ring_geometry.ORDER_UNITS}
    return replace(ring, eccentricity=0.0, direction=0.0, swash=0.0, **nothing)


def only(ring: Ring, cause: str) -> Ring:
    """The ring with this cause alone; causes as in ``ring_geometry.CAUSES``."""
    kept = {cause: getattr(ring, cause)}
    if cause == "eccentricity":
        kept["direction"] = ring.direction if ring.eccentricity else 0.0
    return replace(bare_ring(ring), **kept)
