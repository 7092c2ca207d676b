"""How smoothly a closed loop runs at each speed, in closed form: what it measures, commands and does.

Every error of the encoder is a line, a band or noise at the loop rate, folded before it meets the loop. Lines
pass with the squared gain of the discrete loop where they fold to, noise with its mean over all frequencies.

Errors passed through loops that differ from speed to speed in the slope of a friction that falls with the speed.

Each speed stands between two loops that are computed, and its mean squares between theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model.axis import Axis
from ..open_loop import engines, validity
from ..open_loop.closed_form import STEADY, checked_speeds, vanishing_marks
from ..results import LOOP_EXAMPLE, Series, measured_in, picture
from ..rings import error_orders
from . import loop as loops
from . import loop_validity, order_notch_sweep, propagated_edges, squared_gains
from .error_lines import ErrorLines
from .propagated_errors import PropagatedErrors
from .squared_gains import CURVES, FEW_BINS, SquaredGains

if TYPE_CHECKING:
    from .loop_validity import Outcome


# Different loops that are computed one by one.
FEW = 40
# Change of any squared gain, in logarithm, from one computed loop to the next: a straight line between them is off
# by an eighth of its square.
STEP = 0.2
# Bins of the table that are compared.
EVERY = 16


class InterpolatedErrors:
    """Errors passed through one loop, as the share that it has of each speed.

    Attributes
    ----------
    there : ndarray of int
        Places of the speeds.
    squares : dict of str to ndarray
    followed, crossover, steep, stable : ndarray
        As of `PropagatedErrors`, the first three times the share.
    ticked, beside : float
        Nothing, no edges being timed.
    """

    clock_ticks = hold_images = 0.0

    def __init__(self, errors: ErrorLines, power: np.ndarray, there: np.ndarray, share: float) -> None:
        found = PropagatedErrors(errors, power, there)
        self.there, self.steep = there, found.steep
        self.squares = {cause: share[:, None] * square for cause, square in found.squares.items()}
        self.tracked, self.crossover = share[:, None] * found.tracked, share * found.crossover
        self.stable = np.full(there.size, found.stable)


def propagated(errors: ErrorLines) -> Iterator[PropagatedErrors]:
    """Errors passed through the loops of their speeds, to be added up."""
    axis, speed = errors.axis, errors.speed
    slopes = np.array([axis.load.friction_slope(v) for v in speed.tolist()]) if axis.load.stribeck else speed
    different, first, place = np.unique(slopes, return_index=True, return_inverse=True)
    if squared_gains.has_order_notch(axis) or not axis.load.stribeck:
        for power, there in order_notch_sweep.at_speeds(axis, speed):
            yield PropagatedErrors(errors, power, there)
        return

    def power_of(n: int) -> Any:
        return SquaredGains(loops.build(axis, float(speed[first[n]])), FEW_BINS)

    if different.size <= FEW:
        for n in range(different.size):
            yield PropagatedErrors(errors, power_of(n), np.flatnonzero(place == n))
        return
    known = _computed(different, power_of)
    nodes = sorted(known)
    for low, node, high in zip([nodes[0], *nodes[:-1]], nodes, [*nodes[1:], nodes[-1]], strict=True):
        share = np.zeros(different.size)
        for end in {low, high} - {node}:
            between = slice(min(end, node), max(end, node) + 1)
            share[between] = (different[between] - different[end]) / (different[node] - different[end])
        share[node] = 1.0
        there = np.flatnonzero(share[place] > 0.0)
        yield InterpolatedErrors(errors, known[node], there, share[place[there]])


def _computed(different: Any, compute: Callable[..., Any] | None) -> Any:
    """Loops at some of the slopes, {number: Power}, close enough for a straight line between any two."""
    known = {n: compute(n) for n in (0, different.size - 1)}
    open_ends = [(0, different.size - 1)]
    while open_ends:
        low, high = open_ends.pop()
        if high - low < 2 or _apart(known[low], known[high]) <= STEP:
            continue
        middle = int(np.searchsorted(different, 0.5 * (different[low] + different[high])))
        middle = min(max(middle, low + 1), high - 1)
        known[middle] = compute(middle)
        open_ends += [(low, middle), (middle, high)]
    return known


def _apart(one: Any, other: float) -> Any:
    """Largest change of a squared gain in logarithm; infinite where one of two loops is unstable."""
    if not (one.stable and other.stable):
        return 0.0 if one.stable == other.stable else np.inf
    rows = np.concatenate([np.arange(EVERY), np.arange(EVERY, one.bins, EVERY)])
    size = [np.vstack([power.table[rows], power.white])[:, : len(CURVES)] for power in (one, other)]
    there = (size[0] > 0.0) & (size[1] > 0.0)
    return float(np.abs(np.log(size[0][there] / size[1][there])).max(initial=0.0))


# A curve of fewer speeds is drawn as it is; lines of these orders are looked at more closely, so many times.
RANGE = 20
ORDERS = (1, 2, 3, 4)
MOST_MARKS = 60
# Cycles a loop period by which the swing of the speed may move the highest line without being seen.
UNSEEN = 1e-5


@dataclass(frozen=True, eq=False, kw_only=True)
class Smoothness(Series):
    """Roughness of a closed axis against speed, by its encoder alone: rms about the mean.

    Attributes
    ----------
    speed : ndarray
        Speeds as given, m/s or rad/s; the other arrays have its shape.
    measured : ndarray
        Velocity estimate, m/s or rad/s.
    torque : ndarray
        Torque (force) command after its filters, N m or N.
    actual : ndarray
        True velocity of the load at the samples, m/s or rad/s.
    position : ndarray
        True position of the load at the samples, m or rad.
    current : ndarray or None
        Torque over the torque constant, A; None without one.
    parts : dict of str to dict of str to ndarray
        {curve: {cause: rms}}, causes as in :func:`ripple`; squares add up.
    doubtful : ndarray of bool
        Where the prediction may not be believed; ``reasons`` says why.
    stable : bool
        Whether the loop is stable, at all speeds; where it is not all values are infinite.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz.
    vanishing : tuple
        As of :func:`ripple`: (speed, (harmonic, ...)) at which lines vanish from the measured velocity, and beside
        which the axis follows them.

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
    vanishing: tuple = field(metadata=measured_in("position/s"))
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    def refined(self) -> Smoothness:
        """The curves with speeds between, closer still where lines vanish or meet the resonance.

        Returns
        -------
        Smoothness
            Of 400 speeds on a log scale, those of this result, and some dozens round each such speed; this result
            itself where it has fewer than 20 speeds, they are no rising range, or the loop is not stable.
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
        "Draw rms of measured velocity, torque or force, and true velocity against speed.",
        alone="Takes the true velocity alone",
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
        found = super().columns()
        for curve, parts in self.parts.items():
            unit = self.units[curve].replace("/", "_").replace(" ", "_")
            found |= {f"{curve}_{cause}_{unit}": values for cause, values in parts.items()}
        return {name: values for name, values in found.items() if values.ndim == 1}


def smoothness(axis: Axis, speeds: float | list[float] | np.ndarray | tuple[float]) -> Smoothness:
    """How smoothly a closed loop runs in steady motion at each speed, by its encoder alone.

    Parameters
    ----------
    axis : Axis
        With load and control.
    speeds : array_like
        Speeds v, m/s or rad/s, any shape; 0 is standstill.

    Returns
    -------
    Smoothness

    Raises
    ------
    InputError
        If load or control is missing, a filter does not fit the loop rate, or a speed is no finite number.

    Notes
    -----
    Mean square over evenly spread starts. With F(f) what the loop makes of an error line (S = 1/(1 + L))::

        measured w = D S e    torque u = -C S e    actual v = -G_v C S e    position x = -G_x C S e

    ``sum_m |g_m|**2 [phi_m |F(m v/p)|**2 + (1 - phi_m) G**2] + sigma**2 G**2``: g_m the Fourier coefficients
    of the shown error over a period, counts and converter included, phi_m = exp(-4 pi**2 m**2 sigma**2/p**2)
    what the noise sigma leaves of a line, F at m v/p modulo the loop rate, G**2 the mean of |F|**2 over all
    frequencies. Band-limited jitter passes |F|**2 by its own spectrum. An encoder on its own clock is a hold:
    line f has images at f + j f_e with the weights sinc**2(f/f_e + j). A line at exactly 0 Hz is constant; in
    the position it counts unless the axis stands, since the least change of speed makes it move.

    Edges timed by a clock are bound to position: their errors pass into the velocity alone, held from edge to edge,
    before the loop samples them, and the loop is that of the mean over the age of the edges (see `EdgeFilter`).
    Below one count a second the velocity is 0 and the loop is left with its position control.

    Where friction falls with the speed and more than 40 different slopes of it are asked for, loops are computed
    at some of them and mean squares taken in between, within 3e-3 of the rms. Loops that differ in notches which follow
    the speed alone are computed exactly, all at once, on a grid that is dense where any of them is narrow.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.smoothness(axis, [0.01, 0.1])
    >>> (1e6 * found.actual).round(2)  # um/s
    array([9.63, 0.45])
    """
    speed = checked_speeds("smoothness.speeds", speeds, axis.scale.unit)
    signed = speed.ravel()
    magnitude = np.abs(signed)
    loops.closed(axis)
    model = engines.engine(axis)
    errors = ErrorLines(axis, model, magnitude)
    squares, passed = _over_a_turn(errors)
    total = sum(squares.values(), np.zeros((magnitude.size, len(CURVES))))
    seen = {cause: square[:, 0] for cause, square in squares.items()}
    known = [
        validity.find(axis, model, magnitude, seen, total[:, 0]),
        loop_validity.find(axis, errors, passed, signed, squares),
    ]
    doubtful = known[0][0] | known[1][0]
    reasons = known[0][1] + known[1][1]
    marks = vanishing_marks(axis, model, magnitude)
    return _result(axis, speed, squares, total, doubtful, reasons, passed, marks)


def _over_a_turn(errors: ErrorLines) -> tuple[dict[str, np.ndarray], Outcome]:
    """As `_passed`, means over the speeds at which the graduation of a mounted ring passes its heads in a turn."""
    # These differ by what the loop, following the ring's error, leaves: a trifle, but all that is there where lines
    # vanish or counts come evenly.
    squares, passed = _mean_squares(errors)
    axis, speed = errors.axis, errors.speed
    if axis.ring is None or not axis.estimator.linear:
        return squares, passed
    shares, highest = _speed_modulation(axis, speed), max(errors.steps, errors.orders.max(initial=0))
    cycles = speed / (axis.scale.pitch * axis.sampling.rate)
    here = np.flatnonzero(np.abs(shares).max(axis=-1) * cycles * highest > UNSEEN)
    if not here.size:
        return squares, passed
    passing = speed[here, None] * (1.0 + shares[here])
    parts, swung = _mean_squares(ErrorLines(axis, errors.model, passing.ravel()))
    changed = [(squares[cause], parts[cause]) for cause in squares.keys() - STEADY]
    for found, part in ((passed.followed, swung.followed), *changed):
        found[here] = part.reshape(*passing.shape, -1).mean(axis=1)
    return squares, passed


def _speed_modulation(axis: Axis, speed: float) -> Any:
    """Shares by which the graduation passes faster, shape (speeds, 8), by the loop of the fastest."""
    orders, _ = error_orders.shown_lines(axis.ring, axis.heads)
    response = loops.build(axis, float(speed.max())).response(
        np.multiply.outer(speed / (2.0 * np.pi), orders)
    )
    return error_orders.followed_speed_modulation(axis.ring, axis.heads, response.complementary)


def _mean_squares(errors: ErrorLines) -> tuple[dict[str, np.ndarray], Outcome]:
    """Mean squares by cause, position unit squared, and what else the loops make of the errors."""
    axis, number = errors.axis, errors.speed.size
    squares = {cause: np.zeros((number, len(CURVES))) for cause in errors.model.named()}
    tracked, clock_ticks, hold_images = np.zeros((3, number, len(CURVES)))
    steep, stable, crossover = np.zeros(number, dtype=bool), np.ones(number, dtype=bool), np.zeros(number)
    square = axis.scale.pitch**2
    for found in _propagated(errors):
        there = found.there
        steep[there] |= found.steep
        stable[there] &= found.stable
        crossover[there] += found.crossover
        tracked[there] += found.tracked * square
        clock_ticks[there] += found.clock_ticks * square
        hold_images[there] += found.hold_images * square
        for cause, part in found.squares.items():
            squares[cause][there] += part * square
    return squares, loop_validity.Outcome(stable, crossover, tracked, steep, clock_ticks, hold_images)


def _propagated(errors: ErrorLines) -> Iterator[Any]:
    """Errors passed through the loops of their speeds."""
    if errors.axis.estimator.linear:
        return propagated(errors)
    return propagated_edges.at_speeds(errors)


def _result(
    axis: Axis,
    speed: np.ndarray,
    squares: dict[str, np.ndarray],
    total: np.ndarray,
    doubtful: np.ndarray,
    reasons: tuple[str, ...],
    passed: Outcome,
    marks: tuple[tuple[float, tuple[Any, ...]], ...],
) -> Smoothness:
    """Mean squares of shape (speeds, curves) as the result."""
    constant = axis.load.torque_constant

    def shaped(square: np.ndarray, curve: str) -> np.ndarray:
        return np.sqrt(square[:, CURVES.index(curve)]).reshape(speed.shape)

    curves = {name: shaped(total, name) for name in CURVES}
    parts = {name: {cause: shaped(square, name) for cause, square in squares.items()} for name in CURVES}
    curves["current"] = None
    if constant is not None:
        curves["current"] = curves["torque"] / constant
        parts["current"] = {cause: values / constant for cause, values in parts["torque"].items()}
    return Smoothness(
        speed=speed,
        **curves,
        parts=parts,
        doubtful=doubtful.reshape(speed.shape),
        stable=bool(passed.stable.all()),
        crossover=float(np.fmax.reduce(passed.crossover)),
        vanishing=marks,
        valid=not doubtful.any(),
        reasons=reasons,
        axis=axis,
    )


def _special_speeds(axis: Axis, top: float) -> np.ndarray:
    """Speeds where a line is seen at the resonance, or within an eighth of where it vanishes, ascending marks first."""
    rate, load = axis.sampling.rate, axis.load
    marks = [(n, order) for order in ORDERS for n in range(int(top * order / (axis.scale.pitch * rate)) + 1)]
    marks = sorted(marks, key=lambda mark: mark[0] / mark[1])[:MOST_MARKS]
    hold_images = np.geomspace(2e-5, 0.12, 25)
    peak = np.zeros(0)
    if load.flexible:
        # From a tenth of a half width away to ten: a peak is found however little it is damped.
        share = max(0.5 * load.damping * load.resonance * 2.0 * np.pi / load.stiffness, 1e-4)
        peak = load.resonance * (
            1.0 + share * np.concatenate([[0.0], *np.outer([-1, 1], np.geomspace(0.1, 10, 9))])
        )
    found = [np.zeros(0)]
    for n, order in marks:
        offsets = np.concatenate([n * rate * hold_images, peak])
        seen = n * rate + np.concatenate([-offsets, [0.0], offsets])
        found.append(seen[seen > 0.0] * axis.scale.pitch / order)
    return np.concatenate(found)
