"""Search for gains: many loops of one axis at once, from frequency responses that do not depend on the gains."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..closed_loop import loop as loops
from ..closed_loop import plant, stability
from ..closed_loop.closed_loop_ripple import smoothness
from ..closed_loop.stability import Margins
from ..closed_loop.timed_edge_loops import phase_margins
from ..model.delays import reading_delays
from ..model.edge_timing import TimedEdges
from ..model.load_and_control import Control
from ..open_loop import cause_models
from .encoder_errors import AliasedErrors, EdgeErrors

if TYPE_CHECKING:
    from ..closed_loop.loop import Loop
    from ..model.axis import Axis


# Velocity crossover as share of the loop rate; the slowest is at most this share of the inverse delay. Integral time
# and position gain relative to it.
SLOWEST = 1e-5
FASTEST = 0.2
OF_DELAY = 3e-3
RATIOS = (0.5, 100.0)
LOGS = tuple(math.log(ratio) for ratio in RATIOS)
STARTS = (2.0, 4.0, 10.0, 25.0, 60.0, RATIOS[1])
PER_DECADE = 9
# Frequencies of the search: from this share of the slowest crossover on, points per decade.
LOWEST = 1e-2
GRID_PER_DECADE = 67
# Crossovers between neighbours of the grid are refined: sections per round, rounds.
SECTIONS = 5
ROUGH, FINE = 3, 8
# Gains are settled with exact margins and ripple: most attempts, growth of the slack to the limits, last step.
ATTEMPTS = 12
SLACK_GROWS = 2.5
SETTLED = 1e-4
# Ripple of the search against that of `smoothness`: equal enough, far below the limit, rounds of calibration.
ALIKE = 0.02
FAR = 0.5
ROUNDS = 3
# Worse than any allowed value, and finite: the search may step there.
NOTHING = 1e6
Shape = tuple[float, float]
LIMITS = ("phase_margin", "sensitivity_peak", "torque_ripple")
UNITS = {"phase_margin": "deg", "sensitivity_peak": "", "torque_ripple": "N m or N"}


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Settled:
    """A controller with the exact margins and torque ripple of its loop."""

    control: Control
    margins: Margins
    torque_ripple: float

    def reached(self) -> dict[str, float]:
        """Values to compare with the limits, {name: value}; NaN for a ripple that is not limited."""
        return {
            "phase_margin": abs(self.margins.phase_margin),
            "sensitivity_peak": self.margins.sensitivity_peak,
            "torque_ripple": self.torque_ripple,
        }

    def keeps(self, limits: dict[str, Any]) -> bool:
        """Whether the loop is stable within the limits; met exactly is met."""
        reached = self.reached()
        within = reached["phase_margin"] >= limits["phase_margin"]
        within &= reached["sensitivity_peak"] <= limits["sensitivity_peak"]
        ripple = limits["torque_ripple"]
        return bool(self.margins.stable and within and (ripple is None or reached["torque_ripple"] <= ripple))


class GainSearch:
    """Search for the gains of one axis.

    A shape is (a, b): integral time a/w and position gain w/b at a velocity crossover w, rad/s; infinite
    where there is no integral part or no position control.

    Attributes
    ----------
    ripple_speed : float
        Speed of the torque ripple; ``speed`` where it is left out.
    lax : bool
        Whether a ripple that the search sees far below its limit is believed without asking ``smoothness``.
    bias : float
        Exact phase margin less that of the search's grid, deg.
    ratio : dict of str to float
        Exact sensitivity peak and torque ripple over those of the search.
    """

    def __init__(
        self,
        axis: Axis,
        limits: dict[str, Any],
        speed: float,
        *,
        ripple_speed: float | None = None,
        lax: bool = False,
    ) -> None:
        self.lax = lax
        self.axis, self.limits, self.speed = axis, limits, abs(speed)
        self.ripple_speed = self.speed if ripple_speed is None else abs(ripple_speed)
        self.load, self.present = loops.closed(axis)
        self.linear = axis.estimator.linear
        self.loop = loops.build(axis, self.speed)
        self.integral = self.present.integral_time is not None
        self.position = self.present.position_gain > 0.0
        self.bias, self.ratio = 0.0, {"sensitivity_peak": 1.0, "torque_ripple": 1.0}
        rate, slowest = self.loop.rate, min(SLOWEST, OF_DELAY / self._delay())
        # strong friction, against which inertia hardly matters within a sample, needs gain as well
        self.inertia = self.load.total_inertia + self.load.viscous / rate
        self.speeds = (
            2.0 * np.pi * rate * np.geomspace(slowest, FASTEST, _points(slowest, FASTEST, PER_DECADE))
        )
        cycles = self._grid(LOWEST * slowest) / rate
        self.open = stability.open_polynomial(self._trial(), cycles * rate)
        self._prepare(cycles)

    def _delay(self) -> float:
        """Delay of the loop in samples, about, at least one."""
        axis, rate = self.axis, self.loop.rate
        if isinstance(axis.estimator, TimedEdges):
            late = axis.estimator.delay(rate, speed=self.speed, resolution=axis.resolution)
        else:
            late = cause_models.resolved(axis).delay(rate)
        return 1.0 + rate * (self.present.delay + max(reading_delays(axis)) + late)

    def _grid(self, lowest: float) -> np.ndarray:
        """Frequencies of the search, Hz."""
        rate, load = self.loop.rate, self.load
        parts = [
            np.geomspace(lowest, 0.5, _points(lowest, 0.5, GRID_PER_DECADE)),
            np.linspace(0.0, 0.5, 250)[1:],
        ]
        if load.flexible:
            centre = load.resonance / rate
            parts += [centre * (1.0 + side * np.geomspace(1e-6, 0.5, 80)) for side in (-1.0, 1.0)]
        grid = np.unique(np.concatenate(parts))
        return rate * grid[(grid >= lowest) & (grid <= 0.5)]

    def _prepare(self, cycles: np.ndarray) -> None:
        """Parts of the loop gain by power of the crossover, and weights of |L S|**2 in the torque ripple."""
        rate = self.loop.rate
        terms = self.loop.plant.transfer.fractions(cycles)
        body = terms.measured / terms.denominator
        path = body * self.inertia
        for section in self.loop.filters:
            path = path * section.response(cycles)
        estimate = self.loop.estimator.response(cycles * rate, rate)
        integral_path = np.exp(2j * np.pi * cycles) / plant.difference(cycles) / rate
        self.parts = path * np.stack(
            [estimate, np.ones_like(estimate), estimate * integral_path, integral_path]
        )
        self.weight = None
        if self.limits["torque_ripple"] is not None:
            square = body.real**2 + body.imag**2
            self.weight = _over(AliasedErrors(self.axis, self.ripple_speed).on_grid(cycles), square)
            if not self.linear:
                self.estimate = estimate
                self.held = _over(
                    EdgeErrors(self.axis, self.ripple_speed, self.loop.edges).on_grid(cycles), square
                )

    def _weights(self, weight: np.ndarray, position_gain: np.ndarray) -> np.ndarray:
        """Weights of |L S|**2 in the torque ripple, one row per position gain, from that of sampled positions."""
        if self.linear:
            return weight
        # the position control reads sampled counts, the velocity comes from edges
        gain = position_gain[:, None]
        # the gain of edges over some samples has zeros at multiples of a frequency, and at 0 Hz
        return (self.held + gain**2 * weight) / np.maximum(np.abs(gain + self.estimate) ** 2, 1e-12)

    def control(self, speed: float, shape: Shape) -> Control:
        """The controller at a velocity crossover, rad/s."""
        return replace(
            self.present,
            velocity_gain=speed * self.inertia,
            integral_time=shape[0] / speed if self.integral else None,
            position_gain=speed / shape[1] if self.position else 0.0,
        )

    def _trial(self) -> Loop:
        return replace(self.loop, control=self.control(self.speeds[0], (1.0, 1.0)))

    def _gain(self, speeds: np.ndarray, shape: Shape) -> np.ndarray:
        """Loop gain, (speeds, frequencies)."""
        integral = 1.0 / shape[0] if self.integral else 0.0
        position = 1.0 / shape[1] if self.position else 0.0
        powers = [speeds, speeds**2 * position, speeds**2 * integral, speeds**3 * position * integral]
        # not a matrix product: many small ones wait for the threads of a busy machine
        gain = powers[0][:, None] * self.parts[0]
        for power, part in zip(powers[1:], self.parts[1:], strict=True):
            if power.any():
                gain += power[:, None] * part
        return gain

    def reached(self, speeds: np.ndarray, shape: Shape) -> dict[str, np.ndarray]:
        """Phase margin, sensitivity peak, torque ripple and loop gain at velocity crossovers; arrays."""
        gain = self._gain(speeds, shape)
        square = gain.real**2 + gain.imag**2
        below = square + 2.0 * gain.real + 1.0
        # near -1 the square cancels: no limit allows loops so close to it
        peak = self.ratio["sensitivity_peak"] / np.sqrt(np.maximum(below.min(axis=1), 1e-12))
        values = {"phase_margin": phase_margins(gain, square) + self.bias, "sensitivity_peak": peak}
        if self.weight is not None:
            weight = self._weights(self.weight, speeds / shape[1])
            power = (square / np.maximum(below, 1e-12) * weight).sum(axis=1)
            values["torque_ripple"] = self.ratio["torque_ripple"] * np.sqrt(power)
        return values | {"gain": gain}

    def within(self, values: dict[str, np.ndarray], slack: float = 0.0) -> np.ndarray:
        """Which of them keep all limits; stability is not checked."""
        good = values["phase_margin"] >= self.limits["phase_margin"] * (1.0 + slack)
        good &= values["sensitivity_peak"] <= self.limits["sensitivity_peak"] * (1.0 - slack)
        limit = self.limits["torque_ripple"]
        return good if limit is None else good & (values["torque_ripple"] <= limit * (1.0 - slack))

    def stable(self, gain: np.ndarray) -> np.ndarray:
        """Which loop gains make stable loops."""
        return stability.unstable_poles(self.open * (1.0 + gain)) == 0

    def _highest(self, speeds: np.ndarray, shape: Shape, slack: float) -> int:
        """Place of the highest of some crossovers that is allowed; -1 if none is."""
        values = self.reached(speeds, shape)
        for place in np.flatnonzero(self.within(values, slack))[::-1].tolist():
            if self.stable(values["gain"][place]):
                return place
        return -1

    def widest(self, shape: Shape, rounds: int = ROUGH, slack: float = 0.0) -> float:
        """Highest velocity crossover within the limits, rad/s; 0 if none is allowed."""
        speeds = self.speeds
        place = self._highest(speeds, shape, slack)
        if place < 0:
            return 0.0
        for _ in range(rounds):
            if place + 1 == len(speeds):
                break
            speeds = np.geomspace(speeds[place], speeds[place + 1], SECTIONS + 2)
            # the lower end is allowed, the upper end is not
            place = 1 + self._highest(speeds[1:-1], shape, slack)
        return float(speeds[place])

    def stiffness(self, shape: Shape) -> float:
        """Logarithm of K_p K_v/T_i over the inertia at the highest crossover; -inf if nothing is allowed."""
        wide = self.widest(shape)
        if wide == 0.0:
            return -math.inf
        finite = [ratio for ratio in shape if math.isfinite(ratio)]
        return (1 + len(finite)) * math.log(wide) - sum(math.log(ratio) for ratio in finite)

    def shape(self, logs: np.ndarray) -> Shape:
        """Shape of the logarithms of those of its ratios that are free, held within bounds."""
        values = iter(np.clip(logs, LOGS[0], LOGS[1]))
        integral = math.exp(next(values)) if self.integral else math.inf
        return integral, math.exp(next(values)) if self.position else math.inf

    def starts(self) -> list[Shape]:
        """Shapes to begin with."""
        return [self.shape(np.full(2, math.log(start))) for start in STARTS]

    def best_shape(self, also: tuple[Shape, ...] = ()) -> Shape | None:
        """Shape whose gains hold a load best; none if nothing is allowed at any start."""
        from scipy.optimize import minimize

        shapes = [*also, *self.starts()]
        stiffness = [self.stiffness(shape) for shape in shapes]
        first = shapes[int(np.argmax(stiffness))]
        if max(stiffness) == -math.inf:
            return None
        logs = np.log([ratio for ratio in first if math.isfinite(ratio)])
        if not logs.size:
            return first

        def looseness(logs: np.ndarray) -> float:
            outside = np.sum(np.abs(logs - np.clip(logs, LOGS[0], LOGS[1])))
            return min(-self.stiffness(self.shape(logs)), NOTHING) + outside

        options = {"xatol": 0.01, "fatol": 0.003, "initial_simplex": logs + _simplex(logs.size)}
        return self.shape(minimize(looseness, logs, method="Nelder-Mead", options=options).x)

    def shape_of(self, control: Control) -> Shape:
        """Shape of a controller."""
        speed, integral = control.velocity_gain / self.inertia, control.integral_time
        return (
            math.inf if integral is None else speed * integral,
            speed / control.position_gain if self.position else math.inf,
        )

    def proposed(self, also: tuple[Shape, ...] = (), share: float = SETTLED) -> Settled | None:
        """Controller that holds a load best within the limits, settled; None if nothing is allowed."""
        shape = self._best_with_ripple(also)
        return None if shape is None else self.settle(shape, share)

    def _best_with_ripple(self, also: tuple[Shape, ...]) -> Shape | None:
        """Best shape with the ripple of ``smoothness``, none if nothing is allowed."""
        shape = self.best_shape(also)
        for _ in range(ROUNDS if self.limits["torque_ripple"] is not None else 0):
            if shape is None or self._calibrated(shape):
                break
            shape = self.best_shape((*also, shape))
        return shape

    def _calibrated(self, shape: Shape) -> bool:
        """Update the ratio of exact to searched ripple; whether the search was already good enough."""
        speed, before = self.widest(shape), self.ratio["torque_ripple"]
        searched = float(self.reached(np.array([speed]), shape)["torque_ripple"][0])
        if self._is_far(searched):
            return True
        exact = self.ripple(self.control(speed, shape))
        self._take_ratio("torque_ripple", exact, searched)
        limit = self.limits["torque_ripple"]
        return max(exact, searched) < 0.9 * limit or abs(self.ratio["torque_ripple"] / before - 1.0) < ALIKE

    def _is_far(self, searched: float) -> bool:
        """Whether a searched ripple is so far below the limit that it need not be exact."""
        return self.lax and searched < FAR * self.limits["torque_ripple"]

    def _take_ratio(self, name: str, exact: float, searched: float) -> None:
        if 0.0 < exact < math.inf and searched > 0.0:
            self.ratio[name] *= exact / searched

    def settle(self, shape: Shape, share: float = SETTLED) -> Settled | None:
        """Controller of this shape with the highest crossover that keeps the limits exactly; None if there is none."""
        best, slack = None, 0.1 * share
        speed = self.widest(shape, FINE, slack)
        for _ in range(ATTEMPTS):
            if speed == 0.0:
                break
            here = self.reached(np.array([speed]), shape)
            settled = self._settled(self.control(speed, shape), here)
            self._correct(settled, speed, here)
            before, speed = speed, self.widest(shape, FINE, slack)
            if settled.keeps(self.limits):
                best = settled
                if abs(speed / before - 1.0) < share:
                    break
            else:
                slack *= SLACK_GROWS
        return best

    def _settled(self, control: Control, searched: dict[str, np.ndarray]) -> Settled:
        """Exact margins and, where it is limited, ripple with a controller."""
        response = stability.FrequencyResponse(replace(self.loop, control=control))
        margins = response.margins(replace(self.axis, control=control), self.speed)
        ripple = math.nan
        if self.limits["torque_ripple"] is not None and margins.stable:
            ripple = float(searched["torque_ripple"][0])
            ripple = ripple if self._is_far(ripple) else self.ripple(control)
        return Settled(control=control, margins=margins, torque_ripple=ripple)

    def _correct(self, settled: Settled, speed: float, searched: dict[str, np.ndarray]) -> None:
        """Let the search give the exact values at this crossover."""
        if not settled.margins.stable:
            # the grid has missed the instability: search well below
            self.speeds = self.speeds[0] * (0.5 * speed / self.speeds[0]) ** np.linspace(
                0.0, 1.0, self.speeds.size
            )
            return
        exact = settled.reached()
        if math.isfinite(exact["phase_margin"]):
            self.bias += exact["phase_margin"] - float(searched["phase_margin"][0])
        for name in set(self.ratio) & set(searched):
            self._take_ratio(name, exact[name], float(searched[name][0]))

    def ripple(self, control: Control) -> float:
        """Rms of the torque command by encoder errors."""
        return float(smoothness(replace(self.axis, control=control), self.ripple_speed).torque)


def _over(weight: np.ndarray, square: np.ndarray) -> np.ndarray:
    """A weight over the squared gain of the axis."""
    # a rigid axis does not move at half the rate, where no error is worth a special case
    return np.divide(weight, square, out=np.zeros_like(weight), where=square > 0.0)


def _points(low: float, high: float, per_decade: int) -> int:
    """Number of points between two ends on a log scale."""
    return 1 + math.ceil(per_decade * math.log10(high / low))


def _simplex(size: int) -> np.ndarray:
    """Corners of the first simplex about a start: itself, and 1.6 times less in each ratio."""
    return np.vstack([np.zeros(size), -0.5 * np.eye(size)])
