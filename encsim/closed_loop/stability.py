"""Margins of a closed loop and its stability: distance from instability, bandwidths, resonances.

Stability of large loops follows from the frequency response alone: the number of unstable poles is the number of
encirclements of zero by the characteristic polynomial (Nyquist criterion).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..doubts import Doubt
from ..model.axis import Axis, check_axis
from ..model.delays import velocity_delay
from ..open_loop.closed_form import checked_speeds
from ..results import LOOP_EXAMPLE, Result, measured_in, picture, recorded
from . import loop as loops
from . import plant
from .linear_response import LinearObjects
from .state_space import inside
from .timed_edges import EdgeFilter, few_edges

if TYPE_CHECKING:
    from ..model.load_and_control import Load
    from .loop import Loop


def open_polynomial(loop: Loop, frequency: np.ndarray) -> np.ndarray:
    """Denominator of the open loop as polynomial in z**-1 beginning with 1."""
    cycles = frequency / loop.rate
    delta = plant.difference(cycles)
    back = np.exp(-2j * np.pi * cycles)
    poly = loop.plant.transfer.denominator
    total = np.polyval(poly, delta) * back ** (len(poly) - 1)
    if loop.control.integral_time is not None:
        total = total * delta * back
    for section in loop.filters:
        total = total * section.denominator(back)
    if not isinstance(loop.estimator, EdgeFilter):
        below = loop.estimator.coefficients(loop.rate)[1]
        total = total * np.polyval(np.asarray(below)[::-1] / below[0], back)
    return total if loop.control.position_gain else total / (delta * back)


def unstable_poles(characteristic: np.ndarray) -> np.ndarray:
    """Number of zeros outside the unit circle of polynomials in z**-1 from their values on it, 0 to half the rate."""
    # Principle of the argument: the value encircles zero once for each zero outside. It is real at both ends, so half
    # the circle is enough. Of each step between the half planes the shorter way counts.
    rows = characteristic.reshape(-1, characteristic.shape[-1])
    below = np.signbit(rows.imag)
    row, k = np.nonzero(below[:, 1:] != below[:, :-1])
    before, after, rising = rows[row, k], rows[row, k + 1], below[row, k]
    # steps that pass left of zero
    left = (before.real * after.imag > before.imag * after.real) != rising
    encirclements = np.bincount(row, left * np.where(rising, -1.0, 1.0), len(rows))
    phase = np.angle(rows[:, -1]) - np.angle(rows[:, 0])
    return -np.round(phase / np.pi + 2.0 * encirclements).reshape(characteristic.shape[:-1])


PER_DECADE = 250
DECADES = 9
LINEAR = 4096
SECTIONS = 15
# Phase crossovers (-180 deg) that are evaluated.
MOST_CROSSOVERS = 400
# Below this loop gain, and so many cycles of phase of the delay further, points need not be dense.
WEAK, FURTHER = 0.02, 4.0
HALF_POWER = 2.0**-0.5
# A change of sign below it is rounding: a gain margin above 1e9 counts as infinite.
NOTHING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """Oscillation of motor and load against each other.

    Attributes
    ----------
    frequency, antiresonance : float
        Undamped frequencies with a free and with a locked motor, Hz.
    damping : float
        Damping ratio of the resonance.
    loop_gain : float
        |L| at the resonance.
    """

    frequency: float
    antiresonance: float
    damping: float
    loop_gain: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Margins(LinearObjects, Result):
    """Margins of the loop broken at the torque command.

    Attributes
    ----------
    stable : bool
        Whether all poles lie inside the unit circle.
    crossover : float
        Highest frequency at which the loop gain is 1, Hz; NaN if there is none.
    phase_margin : float
        Distance of the loop's phase from -180 deg where its gain is 1, deg, -180 to 180: of all such
        frequencies the value nearest to zero; infinite if there is none.
    gain_margin : float
        Factor by which the gain may rise until the loop is unstable; infinite if it never is. For an unstable loop:
        of the factors at the phase crossovers the one nearest to 1.
    lower_gain_margin : float
        Factor below 1 to which the gain may fall; 0 if there is no such limit, NaN for an unstable loop.
    delay_margin : float
        Additional delay at which the loop becomes unstable, s; NaN for an unstable loop. It follows from the phase at
        each crossover; a fraction of a loop period in front of a held torque differs by the images above the rate.
    sensitivity_peak : float
        Largest |S|, S = 1/(1 + L).
    bandwidth : float
        Closed-loop bandwidth: lowest frequency at which the gain from position demand to measured position is -3 dB,
        feed-forwards off, Hz. NaN without position control, infinite if there is none below half the loop rate.
    velocity_bandwidth : float
        The same from velocity command to velocity estimate, position loop open, relative to the gain at 0 Hz.
    delay : float
        Delay of the measured velocity, s: estimator at 0 Hz and mean age of the reading, as `RippleCurve.delay`.
    resonances : tuple of Resonance
        One for two masses.
    poles : ndarray of complex
        Closed loop, largest first; not the free position without position control. Empty for above 600 states.
    speed : float
        As given, m/s or rad/s.
    frequency, open_gain : ndarray
        Open-loop frequency response L behind the margins, Hz and complex; not in `to_dict`.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> encsim.margins(axis).stable
    True
    """

    stable: bool
    crossover: float = field(metadata=measured_in("Hz"))
    phase_margin: float = field(metadata=measured_in("deg"))
    gain_margin: float = field(metadata=measured_in("1"))
    lower_gain_margin: float
    delay_margin: float = field(metadata=measured_in("s"))
    sensitivity_peak: float = field(metadata=measured_in("1"))
    bandwidth: float = field(metadata=measured_in("Hz"))
    velocity_bandwidth: float = field(metadata=measured_in("Hz"))
    delay: float = field(metadata=measured_in("s"))
    resonances: tuple[Resonance, ...] = field(metadata=measured_in("Hz"))
    poles: np.ndarray
    valid: bool
    reasons: tuple[str, ...]
    speed: float = field(metadata=measured_in("position/s"))
    axis: Axis = field(metadata={"plain": False})
    frequency: np.ndarray = field(metadata={"plain": False, "again": "margins"}, repr=False)
    open_gain: np.ndarray = field(metadata={"plain": False, "again": "margins"}, repr=False)

    plot = picture(
        "figures.margins:margins",
        "Draw open-loop gain (dB) and phase (deg) against frequency (Hz) with the margins.",
        alone="Takes the gain alone",
        options={
            "lines": (
                "Lines",
                "Lines of the encoder at a working speed, from `lines`, marked at their aliased frequencies.",
            ),
        },
        example=LOOP_EXAMPLE + "ax = encsim.margins(axis).plot(lines=encsim.lines(axis, 0.01))",
    )


@recorded
def margins(axis: Axis, *, speed: float = 0.0) -> Margins:
    """Margins of an axis' closed loop.

    Parameters
    ----------
    axis : Axis
        With load and control.
    speed : float
        Speed about which friction is linearised, that notches with an order follow, and at which edges are timed,
        m/s or rad/s; an estimator that times edges requires it.

    Returns
    -------
    Margins

    Raises
    ------
    InputError
        If load or control is missing, a filter does not fit the loop rate, or fewer than one edge per second is timed.

    Notes
    -----
    The loop is discrete at the loop rate and exact: no Padé delays. All frequencies lie between 0 and half the loop
    rate. Timed edges enter as their mean filter over all positions of the edges between the samples; with fewer than
    20 counts in 1/crossover it is approximate.

    References
    ----------
    K. J. Astrom, R. M. Murray, Feedback Systems, Princeton 2008, ch. 9 (margins; from memory).

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x_loop.toml")
    >>> found = encsim.margins(axis)
    >>> round(float(found.phase_margin), 1), round(float(found.crossover), 1)
    (60.3, 66.2)
    """
    check_axis("margins.axis", axis)
    speed = float(checked_speeds("margins.speed", speed, axis.scale.unit, single=True))
    return FrequencyResponse(loops.build(axis, speed)).margins(axis, speed)


class FrequencyResponse:
    """Open-loop frequency response on a grid that brackets every crossover, peak and resonance."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.shifted = _poles(loop)
        self.frequency = _grid(loop, self.shifted)
        with np.errstate(divide="ignore", invalid="ignore"):
            self.gain = loop.open_gain(self.frequency)
        # real at half the rate
        self.gain[-1] = self.gain[-1].real

    def margins(self, axis: Axis, speed: float) -> Margins:
        """Everything that is read from the response of a loop that was built for this speed."""
        stable = self.stable
        crossovers = _roots(lambda f: _log(self.loop.open_gain(f)), self.frequency, _log(self.gain))
        angle = np.degrees(np.angle(-self.loop.open_gain(crossovers)))
        factors = self._gain_factors()
        crossover = float(crossovers.max()) if len(crossovers) else np.nan
        few = few_edges(self.loop.estimator, self.loop.rate, crossover)
        return Margins(
            stable=stable,
            crossover=crossover,
            phase_margin=float(angle[np.argmin(np.abs(angle))]) if len(angle) else np.inf,
            gain_margin=_upper(factors, stable),
            lower_gain_margin=float(factors[factors < 1.0].max(initial=0.0)) if stable else np.nan,
            delay_margin=_delay_margin(crossovers, angle) if stable else np.nan,
            sensitivity_peak=self._peak(),
            bandwidth=self._bandwidth(self.loop.position_response)
            if self.loop.control.position_gain
            else np.nan,
            velocity_bandwidth=self._bandwidth(self.loop.velocity_response),
            delay=velocity_delay(axis, speed),
            resonances=self._resonances(loops.closed(axis).load),
            poles=1.0 + self.shifted[np.argsort(-np.abs(1.0 + self.shifted), kind="stable")],
            valid=stable and not few,
            reasons=(*((Doubt("unstable_margins"),) if not stable else ()), *few),
            speed=float(speed),
            axis=axis,
            frequency=self.frequency,
            open_gain=self.gain,
        )

    @property
    def stable(self) -> bool:
        """Whether all closed-loop poles lie inside the unit circle."""
        if len(self.shifted):
            return bool(inside(self.shifted).all())
        characteristic = open_polynomial(self.loop, self.frequency) * (1.0 + self.gain)
        return int(unstable_poles(characteristic)) == 0

    def _gain_factors(self) -> np.ndarray:
        """Factors on the gain at which the loop passes through -1."""
        imag = self.gain.imag[:-1]
        change = np.flatnonzero((np.sign(imag[:-1]) * np.sign(imag[1:]) < 0.0) & (self.gain.real[1:-1] < 0.0))
        # a long delay makes many phase crossovers: those with a gain next to 1 are enough
        near = np.argsort(np.abs(_log(self.gain[change])), kind="stable")[:MOST_CROSSOVERS]
        change = np.sort(change[near])
        phase_crossovers = _bisect(
            lambda f: self.loop.open_gain(f).imag, self.frequency[change], self.frequency[change + 1]
        )
        values = np.append(self.loop.open_gain(phase_crossovers).real, self.gain[-1].real)
        return -1.0 / values[values < -NOTHING]

    def _peak(self) -> float:
        """Largest |S|, refined between the neighbours of the largest grid values."""
        size = 1.0 / np.abs(1.0 + self.gain)
        inner = 1 + np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] >= size[2:]))
        inner = inner[np.argsort(size[inner])][-8:]
        if not len(inner):
            return float(size.max())
        low, high = self.frequency[inner - 1], self.frequency[inner + 1]
        for _ in range(SECTIONS):
            part = (high - low) / 16.0
            places = low + part * np.arange(1, 16)[:, None]
            best = 1 + self._sensitivity(places.ravel()).reshape(places.shape).argmax(axis=0)
            low, high = low + part * (best - 1), low + part * (best + 1)
        return float(max(size.max(), self._sensitivity(0.5 * (low + high)).max()))

    def _sensitivity(self, frequency: np.ndarray) -> np.ndarray:
        return 1.0 / np.abs(1.0 + self.loop.open_gain(frequency))

    def _bandwidth(self, response: Callable[[np.ndarray], np.ndarray]) -> float:
        """Lowest frequency at which a gain is 3 dB below its value at the lowest frequency, Hz."""
        gains = np.abs(response(self.frequency))
        limit = gains[0] * HALF_POWER
        below = np.flatnonzero(gains < limit)
        if not len(below):
            return np.inf
        ends = self.frequency[below[0] - 1 : below[0] + 1]

        def excess(frequency: np.ndarray) -> np.ndarray:
            return np.abs(response(frequency)) - limit

        return float(_bisect(excess, ends[:1], ends[1:])[0])

    def _resonances(self, load: Load) -> tuple[Resonance, ...]:
        if load.stiffness is None or load.motor_inertia is None:
            return ()
        frequency = load.resonance
        inverse = 1.0 / load.inertia + 1.0 / load.motor_inertia
        damping = 0.5 * load.damping * np.sqrt(inverse / load.stiffness)
        gain = float(np.abs(self.loop.open_gain(frequency)))
        return (
            Resonance(
                frequency=frequency, antiresonance=load.antiresonance, damping=float(damping), loop_gain=gain
            ),
        )


def _poles(loop: Loop) -> np.ndarray:
    """Closed-loop poles minus 1; none where there are too many to compute."""
    closed = loop.state_space(loops.LARGEST_ORDER)
    return np.zeros(0, dtype=complex) if closed is None else closed.poles()


def _grid(loop: Loop, shifted: np.ndarray) -> np.ndarray:
    """Frequencies up to half the rate, Hz: even in logarithm, even, and dense about every pole near the circle."""
    half = 0.5 * loop.rate
    parts = [
        np.geomspace(10.0**-DECADES * half, half, DECADES * PER_DECADE),
        np.linspace(0.0, half, LINEAR)[1:],
    ]
    open_poles = np.roots(loop.plant.transfer.denominator)
    offsets = np.geomspace(1e-3, 1e3, 60)
    for pole in np.concatenate([shifted, open_poles]):
        where = abs(np.angle(1.0 + pole)) * loop.rate / (2.0 * np.pi)
        width = max(abs(abs(1.0 + pole) - 1.0) * loop.rate / (2.0 * np.pi), 1e-9 * where)
        if 0.0 < where < half and width < 0.1 * where:
            parts += [where - width * offsets, where + width * offsets]
    grid = np.unique(np.concatenate(parts))
    grid = grid[(grid >= parts[0][0]) & (grid <= half)]
    return np.unique(np.concatenate([grid, _between(loop, grid)]))


def _between(loop: Loop, grid: np.ndarray) -> np.ndarray:
    """Points that resolve the phase of a long delay, as far as the loop gain is not negligible."""
    order = loop.plant.transfer.reading_delay + loop.memory
    if 16 * order <= LINEAR:
        return np.zeros(0)
    strong = np.abs(loop.open_gain(grid)) >= WEAK
    high = grid[strong].max(initial=0.0) + FURTHER * loop.rate / order
    return np.arange(1.0, np.ceil(32.0 * order * min(high, 0.5 * loop.rate) / loop.rate)) * (
        loop.rate / (32.0 * order)
    )


def _roots(function: Callable[[np.ndarray], np.ndarray], grid: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Zeros of a function between the points of a grid, ascending."""
    change = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0.0)
    return _bisect(function, grid[change], grid[change + 1])


def _bisect(function: Callable[[np.ndarray], np.ndarray], low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Zeros between arrays of ends."""
    # A call with 16 points an interval takes hardly longer than one with a single point.
    rising = function(high) > 0.0
    for _ in range(SECTIONS):
        part = (high - low) / 16.0
        inner = low + part * np.arange(1, 16)[:, None]
        above = (function(inner.ravel()) > 0.0).reshape(inner.shape) == rising
        first = np.where(above.any(axis=0), above.argmax(axis=0), 15)
        low, high = low + part * first, np.where(first == 15, high, low + part * (first + 1))
    return 0.5 * (low + high)


def _log(gain: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return np.log(np.abs(gain))


def _upper(factors: np.ndarray, stable: bool) -> float:
    """Gain margin from the factors at the phase crossovers."""
    if stable:
        return float(factors[factors > 1.0].min(initial=np.inf))
    return float(factors[np.argmin(np.abs(np.log(factors)))]) if len(factors) else np.inf


def _delay_margin(crossovers: np.ndarray, angle: np.ndarray) -> float:
    """Smallest delay that moves the phase at one of the crossovers to -180 deg."""
    return float(np.min(np.mod(angle, 360.0) / 360.0 / crossovers, initial=np.inf))
