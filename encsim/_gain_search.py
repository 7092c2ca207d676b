"""The search for gains: many loops of one axis at once, from frequency responses that do not depend on gains."""

import math
from dataclasses import replace

import numpy as np

from . import _checks, plant, stability
from . import loop as loops

# Velocity crossover as share of the loop rate, integral time and position gain as multiples of it.
SLOWEST = 1e-5
FASTEST = 0.2
RATIOS = (0.5, 100.0)
LOGS = tuple(math.log(ratio) for ratio in RATIOS)
STARTS = (2.0, 4.0, 10.0, 25.0, 60.0, RATIOS[1])
SPEEDS = 40
FINER = 8
BISECTIONS = 12
# The grid of the search is coarser than that of the margins, by far less than this many steps of 3 %.
STEPS_BACK = 100
# Worse than anything allowed, and finite: the search may step there.
NOTHING = 1e6
LIMITS = ("phase_margin", "sensitivity_peak", "torque_ripple")
UNITS = {"phase_margin": "deg", "sensitivity_peak": "", "torque_ripple": "N m or N"}


class GainSearch:
    """Frequency responses of one axis that do not depend on the gains, and the gains looked for.

    A shape is (a, b): integral time a/w and position gain w/b at a velocity crossover w, rad/s; infinite
    where there is no integral part or no position control.
    """

    def __init__(self, axis, limits, speed):
        self.axis, self.limits, self.speed = axis, limits, speed
        self.loop = loops.build(axis, speed)
        rate = self.loop.rate
        self.white, lines = _encoder_errors(axis, speed)
        self.lines = np.array([amplitude for _, amplitude in lines])
        self.line_frequency = np.array([frequency for frequency, _ in lines])
        self.integral = axis.control.integral_time is not None
        self.position = axis.control.position_gain > 0.0
        self.frequency = self._grid()
        self.speeds = 2.0 * np.pi * rate * np.geomspace(SLOWEST, FASTEST, SPEEDS)
        self.parts, self.line_parts = self._parts(self.frequency), self._parts(self.line_frequency)
        self.open = stability.open_polynomial(self._trial(self.speeds[0], (1.0, 1.0)), self.frequency)

    def _grid(self):
        rate, load = self.loop.rate, self.axis.load
        parts = [np.geomspace(1e-7, 0.5, 450), np.linspace(0.0, 0.5, 250)[1:]]
        if load.flexible:
            centre = load.resonance / rate
            parts += [centre * (1.0 + side * np.geomspace(1e-6, 0.5, 80)) for side in (-1.0, 1.0)]
        grid = np.unique(np.concatenate(parts))
        return rate * grid[grid <= 0.5]

    def _parts(self, frequency):
        """Plant, estimator, filters and z/(z - 1) at some frequencies."""
        turns = frequency / self.loop.rate
        turns = turns - np.round(turns)
        turns = np.where(np.abs(turns) < loops.NEAR_ZERO, loops.NEAR_ZERO, turns)
        terms = self.loop.plant.transfer.fractions(turns)
        filters = np.ones(len(turns), dtype=complex)
        for section in self.loop.filters:
            filters = filters * section.response(turns)
        with np.errstate(divide="ignore", invalid="ignore"):
            body = terms.measured / terms.denominator
        summed = np.exp(2j * np.pi * turns) / plant.difference(turns)
        return body, self.loop.estimator.response(turns * self.loop.rate, self.loop.rate), filters, summed

    def control(self, speed, shape):
        """The controller at a velocity crossover, rad/s."""
        return replace(
            self.axis.control,
            velocity_gain=speed * self.axis.load.total_inertia,
            integral_time=shape[0] / speed if self.integral else None,
            position_gain=speed / shape[1] if self.position else 0.0,
        )

    def _trial(self, speed, shape):
        return replace(self.loop, control=self.control(speed, shape))

    def _torque_law(self, speeds, shape, parts):
        """From measured position to torque command, (speeds, frequencies)."""
        _, estimate, filters, summed = parts
        w, period = speeds[:, None], 1.0 / self.loop.rate
        law = (
            w * self.axis.load.total_inertia * filters * (estimate + (w / shape[1] if self.position else 0.0))
        )
        return law * (1.0 + period * w / shape[0] * summed) if self.integral else law

    def reached(self, speeds, shape):
        """Phase margin, sensitivity peak, torque ripple and stability at velocity crossovers; arrays."""
        law = self._torque_law(speeds, shape, self.parts)
        gain = law * self.parts[0]
        below = np.abs(1.0 + gain)
        found = {"phase_margin": _phase_margins(gain), "sensitivity_peak": np.max(1.0 / below, axis=1)}
        found["stable"] = stability.unstable_poles(self.open * (1.0 + gain)) == 0
        power = np.trapezoid(np.abs(law / below) ** 2, self.frequency, axis=1) / self.frequency[-1]
        power = power * self.white**2
        if len(self.lines):
            line_law = self._torque_law(speeds, shape, self.line_parts)
            drive = np.abs(line_law / (1.0 + line_law * self.line_parts[0]))
            power = power + 0.5 * np.sum((drive * self.lines) ** 2, axis=1)
        return found | {"torque_ripple": np.sqrt(power)}

    def allowed(self, found):
        """Which of them keep all limits."""
        good = found["stable"] & (found["phase_margin"] >= self.limits["phase_margin"])
        good &= found["sensitivity_peak"] <= self.limits["sensitivity_peak"]
        limit = self.limits["torque_ripple"]
        return good if limit is None else good & (found["torque_ripple"] <= limit)

    def widest(self, shape):
        """Highest velocity crossover within the limits, rad/s; 0 if there is none."""
        good = np.flatnonzero(self.allowed(self.reached(self.speeds, shape)))
        if not len(good):
            return 0.0
        low = self.speeds[good[-1]]
        if good[-1] + 1 == SPEEDS:
            return float(low)
        high = self.speeds[good[-1] + 1]
        for _ in range(FINER):
            middle = math.sqrt(low * high)
            good = self.allowed(self.reached(np.array([middle]), shape))[0]
            low, high = (middle, high) if good else (low, middle)
        return float(low)

    def stiffness(self, shape):
        """Logarithm of K_p K_v/T_i over the inertia at the highest crossover; -inf if nothing is allowed."""
        wide = self.widest(shape)
        if wide == 0.0:
            return -math.inf
        finite = [ratio for ratio in shape if math.isfinite(ratio)]
        return (1 + len(finite)) * math.log(wide) - sum(math.log(ratio) for ratio in finite)

    def shape(self, logs):
        """Shape of the logarithms of those of its ratios that are free, held within bounds."""
        values = iter(np.clip(logs, *LOGS))
        return tuple(math.exp(next(values)) if free else math.inf for free in (self.integral, self.position))

    def best_shape(self, starts=STARTS):
        """Shape whose gains hold a load best; none if nothing is allowed at any start."""
        from scipy.optimize import minimize

        size = self.integral + self.position
        points = [np.full(size, math.log(start)) for start in starts]
        found = [self.stiffness(self.shape(point)) for point in points]
        first = points[int(np.argmax(found))]
        if max(found) == -math.inf:
            return None
        if not size:
            return self.shape(first)

        def looseness(logs):
            outside = np.sum(np.abs(logs - np.clip(logs, *LOGS)))
            return min(-self.stiffness(self.shape(logs)), NOTHING) + outside

        options = {"xatol": 0.01, "fatol": 0.003, "initial_simplex": first + _simplex(size)}
        return self.shape(minimize(looseness, first, method="Nelder-Mead", options=options).x)

    def refuse(self):
        """Say which limit cannot be reached, and what could be."""
        shape = self.shape(np.full(2, LOGS[1]))
        found = self.reached(self.speeds, shape)
        usable = found["stable"]
        if not usable.any():
            rule = "be steadied by some gains: none of those tried makes the loop stable"
            _checks.refuse("tuning.axis", rule, self.axis.control)
        nearest = {
            "phase_margin": float(found["phase_margin"][usable].max()),
            "sensitivity_peak": float(found["sensitivity_peak"][usable].min()),
            "torque_ripple": float(found["torque_ripple"][usable].min()),
        }
        faults = []
        for name, sign in zip(LIMITS, (1.0, -1.0, -1.0), strict=True):
            limit = self.limits[name]
            if limit is not None and sign * (nearest[name] - limit) < 0.0:
                rule = "be reachable with the other limits"
                hint = f"the nearest reachable is {nearest[name]:.6g} {UNITS[name]}".rstrip()
                faults.append(_checks.Fault(f"tuning.{name}", rule, limit, UNITS[name], hint))
        if not faults:
            rule = "be reachable together with the other limits"
            faults.append(_checks.Fault("tuning.phase_margin", rule, self.limits["phase_margin"], "deg"))
        raise _checks.InputError(*faults)

    def exact(self, shape, speed):
        """Controller at the highest crossover near ``speed`` that keeps the limits exactly."""
        low, high = 0.97 * speed, 1.03 * speed
        for _ in range(STEPS_BACK):
            if self._keeps(low, shape):
                break
            low, high = 0.97 * low, low
        else:
            self.refuse()
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self._keeps(middle, shape) else (low, middle)
        return self.control(low, shape)

    def _keeps(self, speed, shape):
        control = self.control(speed, shape)
        found = stability.loop_margins(replace(self.loop, control=control), self.axis)
        reached = {
            "stable": np.array([found.stable]),
            "phase_margin": np.array([abs(found.phase_margin)]),
            "sensitivity_peak": np.array([found.sensitivity_peak]),
            "torque_ripple": np.array([self.ripple(control) if self.limits["torque_ripple"] else 0.0]),
        }
        return bool(self.allowed(reached)[0])

    def ripple(self, control):
        """Rms of the torque command by encoder errors."""
        built = replace(self.loop, control=control)
        power = (built.noise_gain()["torque"] * self.white) ** 2 if self.white else 0.0
        if len(self.lines):
            power += 0.5 * np.sum(np.abs(built.response(self.line_frequency).torque * self.lines) ** 2)
        return float(np.sqrt(power))


def _simplex(size):
    """Corners of the first simplex about a start: itself, and 1.6 times less in each ratio."""
    return np.vstack([np.zeros(size), -0.5 * np.eye(size)])


def _phase_margins(gain):
    """Smallest distance of the phase from -180 deg where the gain is 1, per row, deg; 180 where it never is."""
    # a difference over some samples is blind at multiples of its frequency: there a velocity loop has no gain
    size = np.log(np.maximum(np.abs(gain), 1e-300))
    row, column = np.nonzero(np.sign(size[:, :-1]) * np.sign(size[:, 1:]) < 0.0)
    before, after = gain[row, column], gain[row, column + 1]
    share = size[row, column] / (size[row, column] - size[row, column + 1])
    angle = np.angle(-before) + share * np.angle(after / before)
    found = np.full(len(gain), 180.0)
    np.minimum.at(found, row, np.degrees(np.abs(np.angle(np.exp(1j * angle)))))
    return found


def _encoder_errors(axis, speed):
    """White position noise, rms, and lines [(frequency, amplitude)] of the encoder at a speed."""
    signal, pitch = axis.signal, axis.scale.pitch
    noise = signal.noise * pitch / (2.0 * math.pi * signal.amplitude * math.sqrt(axis.sampling.average))
    white = math.hypot(signal.jitter, noise, axis.resolution / math.sqrt(12.0))
    if not speed:
        return white, []
    from . import quadrature

    error = quadrature.position_error(axis, speed)
    turn = abs(speed) / pitch
    found = zip(error.harmonic.tolist(), error.amplitude.tolist(), strict=True)
    return white, [(k * turn, amplitude) for k, amplitude in found if amplitude > 0.0]
