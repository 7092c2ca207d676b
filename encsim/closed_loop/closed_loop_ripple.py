"""Velocity ripple of a closed loop over the speed, in closed form: measured velocity, torque, actual velocity.

Every encoder error is a line, a band or noise, aliased at the loop rate. Lines are multiplied by the squared gain of
the discrete loop at their aliased frequency, noise by the mean squared gain over all frequencies.

Where friction falls with the speed, every speed has another loop. Some loops are computed, and the mean squares at the
speeds between two of them are interpolated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..model.axis import Axis, check_axis
from ..open_loop import engines, validity
from ..open_loop.closed_form import STEADY, checked_speeds, vanishing_marks
from ..results import LOOP_EXAMPLE, Series, measured_in, picture, recorded
from ..rings import error_orders
from . import loop as loops
from . import loop_validity, order_notch_sweep, propagated_edges, squared_gains, timed_edge_loops
from .error_lines import ErrorLines
from .propagated_edges import PropagatedEdges
from .propagated_errors import PropagatedErrors
from .squared_gains import FEW_BINS, SquaredGains
from .state_space import CURVES

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.ring_geometry import Ring
    from .loop_validity import Outcome


# Up to so many different loops all are computed.
FEW = 40
# Largest change of the logarithm of a squared gain from one computed loop to the next; the error of the linear
# interpolation is an eighth of its square.
STEP = 0.2
# Bins of the table that are compared; speeds whose modulation by a ring, of thousands of slopes, is computed at a time.
EVERY, TOGETHER = 16, 16


class InterpolatedErrors:
    """Contribution of one computed loop to the speeds around it: `PropagatedErrors` times its share of each speed."""

    clock_ticks = hold_images = 0.0

    def __init__(self, errors: ErrorLines, gains: SquaredGains, there: np.ndarray, share: np.ndarray) -> None:
        whole = PropagatedErrors(errors, gains, there)
        self.there, self.steep = there, whole.steep
        self.squares = {cause: share[:, None] * square for cause, square in whole.squares.items()}
        self.tracked, self.crossover = share[:, None] * whole.tracked, share * whole.crossover
        self.stable = np.full(there.size, whole.stable)


Propagated = PropagatedErrors | InterpolatedErrors | PropagatedEdges


def propagated(errors: ErrorLines) -> Iterator[Propagated]:
    """Contributions of all loops, to be added up."""
    axis, speed = errors.axis, errors.speed
    load = loops.closed(axis).load
    if not axis.estimator.linear:
        yield from propagated_edges.at_speeds(errors)
        return
    if squared_gains.has_order_notch(axis) or not load.stribeck:
        for gains, there in order_notch_sweep.at_speeds(axis, speed):
            yield PropagatedErrors(errors, gains, there)
        return
    slopes = np.array([load.friction_slope(v) for v in speed.tolist()])
    different, first, place = np.unique(slopes, return_index=True, return_inverse=True)

    def compute(n: int) -> SquaredGains:
        return SquaredGains(loops.build(axis, float(speed[first[n]])), FEW_BINS)

    if different.size <= FEW:
        for n in range(different.size):
            yield PropagatedErrors(errors, compute(n), np.flatnonzero(place == n))
        return
    computed = _computed(different, compute)
    nodes = sorted(computed)
    for low, node, high in zip([nodes[0], *nodes[:-1]], nodes, [*nodes[1:], nodes[-1]], strict=True):
        share = np.zeros(different.size)
        for end in {low, high} - {node}:
            between = slice(min(end, node), max(end, node) + 1)
            share[between] = (different[between] - different[end]) / (different[node] - different[end])
        share[node] = 1.0
        there = np.flatnonzero(share[place] > 0.0)
        yield InterpolatedErrors(errors, computed[node], there, share[place[there]])


def _computed(slopes: np.ndarray, compute: Callable[[int], SquaredGains]) -> dict[int, SquaredGains]:
    """Loops at some of the ascending slopes, close enough for linear interpolation between any two, {number: gains}."""
    computed = {n: compute(n) for n in (0, slopes.size - 1)}
    intervals = [(0, slopes.size - 1)]
    while intervals:
        low, high = intervals.pop()
        if high - low < 2 or _difference(computed[low], computed[high]) <= STEP:
            continue
        middle = int(np.searchsorted(slopes, 0.5 * (slopes[low] + slopes[high])))
        middle = min(max(middle, low + 1), high - 1)
        computed[middle] = compute(middle)
        intervals += [(low, middle), (middle, high)]
    return computed


def _difference(one: SquaredGains, other: SquaredGains) -> float:
    """Largest change of the logarithm of a squared gain; infinite where only one of the loops is stable."""
    if not (one.stable and other.stable):
        return 0.0 if one.stable == other.stable else np.inf
    rows = np.concatenate([np.arange(EVERY), np.arange(EVERY, one.bins, EVERY)])
    size = [np.vstack([gains.table[rows], gains.white])[:, : len(CURVES)] for gains in (one, other)]
    there = (size[0] > 0.0) & (size[1] > 0.0)
    return float(np.abs(np.log(size[0][there] / size[1][there])).max(initial=0.0))


# A curve of fewer speeds is drawn without refinement; orders and number of the speeds that get more points.
RANGE = 20
ORDERS = (1, 2, 3, 4)
MOST_MARKS = 60
# Change of the frequency of the highest line by the speed modulation, cycles per sample, that is negligible.
NEGLIGIBLE = 1e-5


@dataclass(frozen=True, eq=False, kw_only=True)
class Smoothness(Series):
    """Ripple of a closed axis over the speed, caused by its encoder alone: rms about the mean.

    Attributes
    ----------
    speed : ndarray
        Speeds as given, m/s or rad/s; the other arrays have its shape.
    measured : ndarray
        Velocity estimate, m/s or rad/s.
    torque : ndarray
        Torque (force) command after its filters, N m or N.
    actual : ndarray
        Actual velocity of the load at the samples, m/s or rad/s.
    position : ndarray
        True position of the load at the samples, m or rad.
    current : ndarray or None
        Torque over the torque constant, A; None without one.
    parts : dict of str to dict of str to ndarray
        {curve: {cause: rms}}, causes as in :func:`ripple`; squares add up.
    doubtful : ndarray of bool
        Where the prediction is not reliable; ``reasons`` says why.
    stable : bool
        Whether the loop is stable at all speeds; all values are infinite where it is not.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz.
    vanishing : tuple
        Null speeds as of :func:`ripple`: (speed, (harmonic, ...)) at which harmonics are absent from the measured
        velocity; close to a null speed the axis follows them.
    notes : tuple of str
        What is left out and changes no value by more than 5 %.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.smoothness(axis, [0.01, 0.1]).valid
    True
    """

    speed: np.ndarray = field(metadata=measured_in("position/s"))
    measured: np.ndarray = field(metadata=measured_in("position/s"))
    torque: np.ndarray = field(metadata=measured_in("force"))
    actual: np.ndarray = field(metadata=measured_in("position/s"))
    position: np.ndarray = field(metadata=measured_in("position"))
    current: np.ndarray | None = field(metadata=measured_in("A"))
    parts: dict[str, dict[str, np.ndarray]]
    doubtful: np.ndarray = field(metadata=measured_in("1"))
    stable: bool
    crossover: float = field(metadata=measured_in("Hz"))
    vanishing: tuple[tuple[float, tuple[int, ...]], ...] = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    notes: tuple[str, ...] = ()
    axis: Axis = field(metadata={"plain": False})

    def refined(self) -> Smoothness:
        """The curves with more speeds, closest at null speeds and where a line meets the resonance.

        Returns
        -------
        Smoothness
            400 speeds on a log scale, those of this result, and some dozens around each such speed. This result itself
            if it has fewer than 20 speeds, if they do not rise, or if the loop is not stable.
        """
        speed = self.speed
        ranging = speed.ndim == 1 and speed.size >= RANGE and speed[0] > 0.0 and (np.diff(speed) > 0.0).all()
        if not ranging or not self.stable:
            return self
        between = np.geomspace(speed[0], speed[-1], 400)[1:-1]
        special = _special_speeds(self.axis, speed[-1])
        special = special[(special > speed[0]) & (special < speed[-1])]
        return smoothness(self.axis, np.unique(np.concatenate([speed, between, special])))

    plot = picture(
        "figures.loop:smoothness",
        "Draw rms of measured velocity, torque or force, and actual velocity against speed.",
        alone="Takes the actual velocity alone",
        refined=True,
        raises="If the simulated points have no speeds and values of one length.",
        options={
            "simulated": (
                "mapping",
                "``speed``, and one or more of ``measured``, ``torque``, ``actual``, of simulated points, "
                "SI.",
            ),
        },
        example=LOOP_EXAMPLE + "ax = encsim.smoothness(axis, [0.01, 0.1, 0.2]).plot()",
    )

    def columns(self) -> dict[str, np.ndarray]:
        """Columns of the table, {name_unit: array}; parts as curve_cause."""
        columns = super().columns()
        for curve, parts in self.parts.items():
            unit = self.units[curve].replace("/", "_").replace(" ", "_")
            columns |= {f"{curve}_{cause}_{unit}": values for cause, values in parts.items()}
        return {name: values for name, values in columns.items() if values.ndim == 1}


@recorded
def smoothness(axis: Axis, speeds: ArrayLike | None = None) -> Smoothness:
    """Ripple of a closed loop in steady motion at each speed, caused by its encoder alone.

    Parameters
    ----------
    axis : Axis
        With load and control.
    speeds : array_like, optional
        Speeds v, m/s or rad/s, any shape; 0 is standstill. Without them those of `ripple`, of timed edges those at
        which the loop is stable.

    Returns
    -------
    Smoothness

    Raises
    ------
    InputError
        If load or control is missing, a filter does not fit the loop rate, or a speed is no finite number.

    Notes
    -----
    Mean square over evenly distributed start phases. With F(f) the gain of the loop for an error line (S = 1/(1 + L))::

        measured w = D S e    torque u = -C S e    actual v = -G_v C S e    position x = -G_x C S e

    ``sum_m |g_m|**2 [phi_m |F(m v/p)|**2 + (1 - phi_m) G**2] + sigma**2 G**2``: g_m the Fourier coefficients
    of the error over a period, counts and converter included, phi_m = exp(-4 pi**2 m**2 sigma**2/p**2)
    the share of a line that the noise sigma leaves, F at m v/p modulo the loop rate, G**2 the mean of |F|**2 over all
    frequencies. Band-limited jitter passes |F|**2 by its own spectrum. An encoder on its own clock is a hold:
    line f has images at f + j f_e with the weights sinc**2(f/f_e + j). A line at exactly 0 Hz is constant; in
    the position it counts unless the axis stands, since the smallest change of speed makes it move.

    Timed edges are bound to position: their errors enter the velocity alone, held from edge to edge before the loop
    samples them, and the loop has the mean filter of the edges (see `EdgeFilter`). Below one count per second the
    velocity is 0 and only the position control acts.

    Where friction falls with the speed and more than 40 different slopes occur, loops are computed at some of them and
    mean squares are interpolated, within 3e-3 of the rms. Loops that differ only in notches with an order are computed
    exactly, all at once, on a grid that is dense where any of them is narrow.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> curve = encsim.smoothness(axis, [0.01, 0.1])
    >>> (1e6 * curve.actual).round(2)  # um/s
    array([9.63, 0.45])
    """
    check_axis("smoothness.axis", axis)
    loops.closed(axis)
    speeds = timed_edge_loops.default_speeds(axis) if speeds is None else speeds
    speed = checked_speeds("smoothness.speeds", speeds, axis.scale.unit)
    signed = speed.ravel()
    magnitude = np.abs(signed)
    model = engines.engine(axis)
    errors = ErrorLines(axis, model, magnitude)
    squares, outcome = _over_revolution(errors)
    total = sum(squares.values(), np.zeros((magnitude.size, len(CURVES))))
    judged = loop_validity.judged(axis, squares, total)
    wrong, reasons = validity.find(axis, model, magnitude, judged, total[:, 0], held=False)
    doubtful, more, notes = loop_validity.find(axis, errors, outcome, signed, squares)
    marks = vanishing_marks(axis, model, magnitude)
    return _result(axis, speed, squares, total, (wrong | doubtful, reasons + more, notes), outcome, marks)


def _over_revolution(errors: ErrorLines) -> tuple[dict[str, np.ndarray], Outcome]:
    """Mean squares by cause and outcome, averaged over the speed modulation by a mounted ring."""
    # The modulation differs by what the loop, tracking the error of the ring, leaves: small, but the only contribution
    # at null speeds and where counts are even.
    squares, outcome = _mean_squares(errors)
    axis, speed = errors.axis, errors.speed
    ring = axis.ring
    if ring is None or not axis.estimator.linear:
        return squares, outcome
    shares, highest = _speed_modulation(axis, ring, speed), max(errors.steps, errors.orders.max(initial=0))
    advance = speed / (axis.scale.pitch * axis.sampling.rate)
    here = np.flatnonzero(np.abs(shares).max(axis=-1) * advance * highest > NEGLIGIBLE)
    if not here.size:
        return squares, outcome
    modulated = speed[here, None] * (1.0 + shares[here])
    parts, part_outcome = _mean_squares(ErrorLines(axis, errors.model, modulated.ravel()))
    changed = [(squares[cause], parts[cause]) for cause in squares.keys() - STEADY]
    for square, part in ((outcome.tracked, part_outcome.tracked), *changed):
        square[here] = part.reshape(*modulated.shape, -1).mean(axis=1)
    return squares, outcome


def _speed_modulation(axis: Axis, ring: Ring, speed: np.ndarray) -> np.ndarray:
    """Relative speed changes of the graduation over a revolution, shape (speeds, 8), by the loop of the top speed."""
    orders, _ = error_orders.shown_lines(ring, axis.heads)
    loop, parts = loops.build(axis, float(speed.max())), np.array_split(speed, -(-speed.size // TOGETHER))
    backs = (loop.response(np.multiply.outer(v / (2.0 * np.pi), orders)).complementary for v in parts)
    return np.concatenate([error_orders.followed_speed_modulation(ring, axis.heads, back) for back in backs])


def _mean_squares(errors: ErrorLines) -> tuple[dict[str, np.ndarray], Outcome]:
    """Mean squares by cause, position unit squared, and what else the loops make of the errors."""
    axis, number = errors.axis, errors.speed.size
    squares = {cause: np.zeros((number, len(CURVES))) for cause in errors.model.named()}
    tracked, clock_ticks, hold_images = np.zeros((3, number, len(CURVES)))
    steep, stable, crossover = np.zeros(number, dtype=bool), np.ones(number, dtype=bool), np.zeros(number)
    square = axis.scale.pitch**2
    for part in propagated(errors):
        there = part.there
        steep[there] |= part.steep
        stable[there] &= part.stable
        crossover[there] += part.crossover
        tracked[there] += part.tracked * square
        clock_ticks[there] += part.clock_ticks * square
        hold_images[there] += part.hold_images * square
        for cause, values in part.squares.items():
            squares[cause][there] += values * square
    return squares, loop_validity.Outcome(stable, crossover, tracked, steep, clock_ticks, hold_images)


def _result(
    axis: Axis,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
    known: tuple[np.ndarray, tuple[str, ...], tuple[str, ...]],
    outcome: Outcome,
    marks: tuple[tuple[float, tuple[int, ...]], ...],
) -> Smoothness:
    """Mean squares of shape (speeds, curves) as the result."""
    constant = loops.closed(axis).load.torque_constant
    doubtful, reasons, notes = known

    def shaped(square: np.ndarray, curve: str) -> np.ndarray:
        return np.sqrt(square[:, CURVES.index(curve)]).reshape(speed.shape)

    curves = {name: shaped(total, name) for name in CURVES}
    parts = {name: {cause: shaped(square, name) for cause, square in squares.items()} for name in CURVES}
    if constant is not None:
        parts["current"] = {cause: values / constant for cause, values in parts["torque"].items()}
    return Smoothness(
        speed=speed,
        **curves,
        current=None if constant is None else curves["torque"] / constant,
        parts=parts,
        doubtful=doubtful.reshape(speed.shape),
        stable=bool(outcome.stable.all()),
        crossover=float(np.fmax.reduce(outcome.crossover)),
        vanishing=marks,
        valid=not doubtful.any(),
        reasons=reasons,
        notes=notes,
        axis=axis,
    )


def _special_speeds(axis: Axis, top: float) -> np.ndarray:
    """Speeds at which a line is aliased to the resonance, or to within an eighth of the loop rate from 0 Hz."""
    rate, pitch, load = axis.sampling.rate, axis.scale.pitch, loops.closed(axis).load
    # of each order more than the slowest MOST_MARKS are never among those of all orders together
    last = min(top / (pitch * rate), MOST_MARKS)
    marks = [(n, order) for order in ORDERS for n in range(int(last * order) + 1)]
    marks = sorted(marks, key=lambda mark: mark[0] / mark[1])[:MOST_MARKS]
    around_zero = np.geomspace(2e-5, 0.12, 25)
    peak = np.zeros(0)
    if load.stiffness is not None:
        # from a tenth of a half width to ten: a peak is resolved however small its damping
        share = max(0.5 * load.damping * load.resonance * 2.0 * np.pi / load.stiffness, 1e-4)
        widths = np.outer([-1, 1], np.geomspace(0.1, 10, 9))
        peak = load.resonance * (1.0 + share * np.concatenate([[0.0], *widths]))
    speeds = [np.zeros(0)]
    for n, order in marks:
        offsets = np.concatenate([n * rate * around_zero, peak])
        frequency = n * rate + np.concatenate([-offsets, [0.0], offsets])
        speeds.append(frequency[frequency > 0.0] * pitch / order)
    return np.concatenate(speeds)
