"""Error maps of two rings from their difference, read while one is turned to several steps against the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..results import Series, measured_in, picture, recorded
from . import fourier_series, least_squares, plan
from .fourier_series import TURN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from .error_map import ErrorMap
    from .least_squares import Design


# Largest closure of a revolution without a reason, in standard uncertainties.
CLOSED = 4.0
LARGEST = 1e100


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibration(Series):
    """Error maps of two rings and their uncertainties.

    Attributes
    ----------
    angle : ndarray, shape (points,)
        2 pi i/points, rad, in the graduation of each ring.
    a, b : ndarray, shape (points,)
        Errors of the rings, rad; mean zero, without the unobservable orders.
    uncertainty, b_uncertainty : ndarray, shape (points,)
        Standard uncertainty of a point of a and of b, rad, without the unobservable orders; NaN if the noise is
        unknown.
    orders : ndarray, shape (points // 2,)
        1 to points // 2, cycles per revolution.
    a_orders, b_orders : ndarray of complex, shape (points // 2,)
        Amplitudes: a = Re sum a_orders exp(i orders angle).
    order_uncertainty, b_order_uncertainty : ndarray, shape (points // 2,)
        Rms error of an amplitude of a and of b, cosine and sine together, rad; infinite for an unobservable order.
    lost : tuple of int
        Unobservable orders: these steps cannot separate the rings in them. They are zero in both maps.
    residual : float
        Noise of one reading (of weight 1, with a mean weight of 1) from the residual, rad.
    step_residual : ndarray, shape (steps,)
        Noise of one reading for each step alone, rad; NaN for steps left out.
    offset : ndarray, shape (steps,)
        Constant c_j of each step, rad: drift between the steps, which is not in the maps. NaN for steps left out.
    closure : ndarray, shape (steps,), or None
        First reading repeated after the full revolution, minus itself, rad.
    outliers : tuple of int
        Steps, counted from 0, that fit far worse than the others; the maps include them.
    steps, weights : ndarray, shape (steps,)
        Angles (rad) and weights as used: mean 1 over the steps in use, 0 for those left out.
    rank, freedom : int
        Number of unknowns that are determined, and degrees of freedom of the residual.
    valid : bool
        Whether every order is observable, no step is an outlier, every revolution closes and the noise is known.
    reasons : tuple of str
        Why not.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle, steps = 2 * np.pi * np.arange(60) / 60, 2 * np.pi * np.arange(7) / 7
    >>> readings = 1e-6 * np.array([np.sin(angle) - np.sin(angle - step) for step in steps])
    >>> found = encsim.calibrate(readings, steps)
    >>> found.a.shape
    (60,)
    """

    tabled = ("angle", "a", "b", "uncertainty", "b_uncertainty")

    angle: np.ndarray = field(metadata=measured_in("rad"))
    a: np.ndarray = field(metadata=measured_in("rad"))
    b: np.ndarray = field(metadata=measured_in("rad"))
    uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    b_uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    orders: np.ndarray
    a_orders: np.ndarray = field(metadata=measured_in("rad"))
    b_orders: np.ndarray = field(metadata=measured_in("rad"))
    order_uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    b_order_uncertainty: np.ndarray = field(metadata=measured_in("rad"))
    lost: tuple[int, ...]
    residual: float = field(metadata=measured_in("rad"))
    step_residual: np.ndarray = field(metadata=measured_in("rad"))
    offset: np.ndarray = field(metadata=measured_in("rad"))
    closure: np.ndarray | None = field(metadata=measured_in("rad"))
    outliers: tuple[int, ...]
    steps: np.ndarray = field(metadata=measured_in("rad"))
    weights: np.ndarray
    rank: int
    freedom: int
    valid: bool
    reasons: tuple[str, ...] = field(default=())

    def error_map(self, ring: str = "a") -> ErrorMap:
        """The map of one ring as an ErrorMap, to evaluate, invert, smooth and export.

        Parameters
        ----------
        ring : str
            ``"a"`` or ``"b"``.

        Returns
        -------
        ErrorMap
        """
        from .error_map import ErrorMap

        if ring not in ("a", "b"):
            checks.refuse("Calibration.error_map.ring", 'be "a" or "b"', ring)
        errors, sure = (self.a, self.order_uncertainty) if ring == "a" else (self.b, self.b_order_uncertainty)
        return ErrorMap(errors, order_uncertainty=sure, reasons=self.reasons)

    plot = picture(
        "figures.error_maps:calibration",
        "Draw the maps of both rings (rad, shown in arc seconds) in their bands, the noise of "
        "each step and how each turn closes.",
        alone="Takes the map of ring A alone",
        example="angle, steps = np.arange(36) * np.pi / 18.0, np.arange(7) * np.pi / 3.5\n"
        "readings = [1e-5 * np.sin(angle) - 2e-5 * np.sin(2.0 * (angle - step)) for step in steps]\n"
        "ax = encsim.calibrate(readings, steps).plot()",
    )


@recorded
def calibrate(
    differences: ArrayLike,
    steps: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    drift: bool = True,
    closing: ArrayLike | None = None,
    noise: float | None = None,
    step_uncertainty: float = 0.0,
    limit: float = plan.LIMIT,
) -> Calibration:
    """Error maps of two rings from readings of their difference at several steps.

    Parameters
    ----------
    differences : array-like, shape (steps, points)
        a(theta_i) - b(theta_i - psi_j) + c_j at theta_i = 2 pi i/points, rad, 3 points or more. A row of NaN marks a
        missing step.
    steps : array-like, shape (steps,)
        Angles psi_j by which ring B is turned forward against ring A, rad, in any order.
    weights : array-like, shape (steps,), optional
        1/variance of the readings of each step, in any one unit; 0 leaves the step out.
    drift : bool
        Whether each step has its own constant c_j (the default) or all steps share one.
    closing : array-like, shape (steps,), optional
        The first reading of each step repeated after the full revolution, rad: a check on drift within the revolution.
    noise : float, optional
        Standard deviation of one reading, rad; from the residual by default.
    step_uncertainty : float
        Standard uncertainty of each psi_j, rad; it adds to ``uncertainty`` by the amplitudes of b.
    limit : float
        Condition above which an order counts as unobservable; see `calibration_plan`.

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        If fewer than two steps differ, lengths do not match, NaN fills only a part of a row, or a value is out of
        range.

    Notes
    -----
    In each order n the readings are D_jn = a_n - b_n z_j, z_j = exp(-i n psi_j), for any psi_j. With weighted
    means < > over the steps, gamma = <z> and D' = D - <D>, weighted least squares are

        b_n = -<D' conj(z - gamma)> / <|z - gamma|^2>,    a_n = <D> + gamma b_n.

    White noise s of a reading gives a_n the rms error sqrt(4 s^2/(points m <|z - gamma|^2>)) and a point of
    the map, over all orders, sqrt(sum 2 s^2/(points m <|z - gamma|^2>)), m steps. Both rings are assumed to have
    orders up to points/2 only; with an even number of points only the cosine of the last order exists.

    A common angle of all steps turns map b by that angle. Drift within a revolution that all steps share is part of
    a; ``closure`` shows it, and subtracting a ramp from the readings removes it. A step is an outlier where an F test
    of the residual with and without it is significant at one in a million and its noise is more than twice that of
    the others; each outlier is left out before the next is sought. The spectra of all readings need as much memory
    again as the readings.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle, steps = 2 * np.pi * np.arange(60) / 60, 2 * np.pi * np.arange(7) / 7
    >>> readings = 1e-6 * np.array([np.sin(angle) - np.sin(angle - step) for step in steps])
    >>> found = encsim.calibrate(readings, steps)
    >>> bool(np.allclose(found.a, 1e-6 * np.sin(angle)))
    True
    """
    table = checks.real_array(
        "calibrate.differences", differences, 2, "be a table of real numbers, a row a step"
    )
    angles, weight = _checked_steps(table, steps, weights)
    plan.check_choices("calibrate", drift, limit)
    if noise is not None and not (checks.is_real(noise) and 0.0 < noise <= LARGEST):
        checks.refuse("calibrate.noise", "be positive and finite", noise, "rad")
    if not checks.is_real(step_uncertainty) or not 0.0 <= step_uncertainty <= TURN:
        checks.refuse("calibrate.step_uncertainty", "lie from 0 to a full turn", step_uncertainty, "rad")
    closure = _closure(table, closing)
    used = np.flatnonzero(weight)
    points = table.shape[1]
    weight[used] /= weight[used].mean()
    design = least_squares.designed(angles[used], weight[used], points, limit)
    spectra = least_squares.spectra_of(table, used)
    means = spectra[:, 0].real / points
    fit = least_squares.fitted(spectra, np.arange(len(used)), angles[used], design, points)
    squares = fit.squares
    if not drift:
        # With one constant for all steps the residual includes the scatter of their means.
        mean = np.average(means, weights=weight[used])
        squares += points * float(weight[used] @ (means - mean) ** 2)
    freedom = len(used) * points - design.rank(len(used), drift)
    residual = float(np.sqrt(squares / freedom)) if freedom > 0 else np.nan
    s = residual if noise is None else float(noise)
    outliers = least_squares.outliers(spectra, means, angles[used], weight[used], points, limit, fit)
    lost = tuple((np.flatnonzero(design.lost) + 1).tolist())
    reasons = (
        *plan.reasons(lost, freedom if noise is None else 1),
        *_outlier_reasons(used[outliers]),
        *_closure_reasons(closure, weight, s),
    )
    return Calibration(
        angle=np.arange(points) * (TURN / points),
        a=fourier_series.map_of(fit.a, points),
        b=fourier_series.map_of(fit.b, points),
        orders=np.arange(1, points // 2 + 1),
        a_orders=fit.a,
        b_orders=fit.b,
        **_uncertainties(fit, design, points, s, float(step_uncertainty)),
        lost=lost,
        residual=residual,
        step_residual=_among_all(used, len(angles), np.sqrt(fit.added / np.maximum(fit.free, 1))),
        offset=_among_all(used, len(angles), means),
        closure=closure,
        outliers=tuple(used[outliers].tolist()),
        steps=angles,
        weights=weight,
        rank=len(used) * points - freedom,
        freedom=freedom,
        valid=not reasons,
        reasons=reasons,
    )


def _checked_steps(
    table: np.ndarray, steps: ArrayLike, weights: ArrayLike | None
) -> tuple[np.ndarray, np.ndarray]:
    """Angles and weights of the steps, weight 0 for missing rows."""
    plan.check_points(table.shape[1], "calibrate.differences", "have 3 columns or more, one a point")
    angles = checks.finite_row("calibrate.steps", steps, "rad")
    if len(angles) != len(table):
        rule = f"have one entry a row of differences, {len(table)}"
        checks.refuse("calibrate.steps", rule, len(angles))
    angles, weight = plan.checked_steps("calibrate", angles, weights)
    present = np.array(
        [w > 0.0 and _present(row, j) for j, (row, w) in enumerate(zip(table, weight, strict=True))]
    )
    if np.count_nonzero(present) < 2:
        held = f"{np.count_nonzero(present)} of {len(present)}"
        checks.refuse("calibrate.differences", "hold two steps or more that are not NaN throughout", held)
    plan.check_differ("calibrate", angles[present])
    return angles, np.where(present, weight, 0.0)


def _present(row: np.ndarray, step: int) -> bool:
    """Whether a step was measured; refuse a step measured in part."""
    largest = max(row.max(), -row.min())
    if np.isnan(largest) and np.isnan(row).all():
        return False
    if not largest <= LARGEST:
        point = int(np.flatnonzero(~(np.abs(row) <= LARGEST))[0])
        checks.refuse(
            "calibrate.differences",
            "hold finite numbers, or NaN throughout a step that is missing",
            f"{row[point]} at step {step}, point {point}",
            hint="weight 0 leaves the step out",
        )
    return True


def _closure(table: np.ndarray, closing: ArrayLike | None) -> np.ndarray | None:
    """First reading repeated after the revolution, minus the first reading."""
    if closing is None:
        return None
    last = checks.real_array("calibrate.closing", closing, 1, "be one row of real numbers")
    if len(last) != len(table):
        checks.refuse("calibrate.closing", f"have one entry a row of differences, {len(table)}", len(last))
    broken = np.flatnonzero(np.abs(last) > LARGEST)
    if broken.size:
        checks.refuse("calibrate.closing", "hold finite numbers, or NaN", float(last[broken[0]]), "rad")
    return np.asarray(last - table[:, 0])


def _among_all(used: np.ndarray, count: int, values: np.ndarray) -> np.ndarray:
    """Values of the steps in use in a row of all steps, NaN elsewhere."""
    row = np.full(count, np.nan)
    row[used] = values
    return row


def _uncertainties(
    fit: least_squares.RingFit, design: Design, points: int, noise: float, step_uncertainty: float
) -> dict[str, Any]:
    """Standard uncertainties by order and point, by reading noise and by the angles of the steps."""
    count = len(design.share)
    of_noise = np.where(design.real, 1.0, 4.0) * noise**2 / (points * count)
    of_steps = (np.arange(1, points // 2 + 1) * np.abs(fit.b) * step_uncertainty) ** 2 / count
    orders = [(of_noise + of_steps) * variance for variance in design.variance]
    sizes = [float(np.sqrt(np.sum(np.where(design.real, 1.0, 0.5) * order))) for order in orders]
    return {
        "uncertainty": np.full(points, sizes[0]),
        "b_uncertainty": np.full(points, sizes[1]),
        "order_uncertainty": np.where(design.lost, np.inf, np.sqrt(orders[0])),
        "b_order_uncertainty": np.where(design.lost, np.inf, np.sqrt(orders[1])),
    }


def _outlier_reasons(outliers: np.ndarray) -> Iterator[str]:
    """Why the maps may mislead: outlying steps."""
    if outliers.size:
        named = ", ".join(str(step) for step in outliers)
        yield f"steps that fit far worse than the others, counted from 0: {named}; see the maps without them"


def _closure_reasons(closure: np.ndarray | None, weight: np.ndarray, noise: float) -> Iterator[str]:
    """Why the maps may mislead: drift within a revolution, of single steps or of all."""
    if closure is None or not noise >= 0.0:
        return
    known = (weight > 0.0) & np.isfinite(closure)
    drifts, uncertainty = closure[known], noise * np.sqrt(2.0 / weight[known])
    wide = np.flatnonzero(known)[np.abs(drifts) > CLOSED * uncertainty]
    if wide.size:
        largest = f"{np.abs(drifts).max():.3g}"
        yield f"drift within a revolution, {largest} rad at most, in steps {', '.join(map(str, wide))}"
    elif drifts.size and abs(drifts.mean()) > CLOSED * np.sqrt(np.mean(uncertainty**2) / drifts.size):
        yield f"drift within a revolution that the steps share, {drifts.mean():.3g} rad: it is part of map a"
