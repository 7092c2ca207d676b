"""The linear closed loop that answers a step or a ramp: how long, what, where it settles; measures of the answer."""

import math
from dataclasses import replace

import numpy as np

from . import _checks, loop_power
from . import loop as loops
from ._loop_states import Assembly, inside
from .axis import Axis
from .stability import few_edges

# Rise counts between these shares of the final value; settled is within SETTLED of it.
RISE, SETTLED = (0.1, 0.9), 0.02
# Without a length: until so much is left of the slowest mode, or an unstable one has grown by its inverse.
LEFT = 1e-3
BEYOND = 1e60  # times the start
SHORTEST, LONGEST, MOST_NUMBERS = 64, 1 << 17, 1 << 26
# Where edges are timed: share of the speed up to which the answer may change it, and does where no size is given.
SWUNG, SMALL = 0.1, 0.02
FREQUENCIES = 4096


class LinearAnswer:
    """The linear loop of an axis that is about to answer."""

    def __init__(self, owner, axis, speed, of):
        if not isinstance(axis, Axis):
            _checks.refuse(f"{owner}.axis", "be an Axis", axis)
        unit = axis.scale.unit
        if not _checks.is_real(speed):
            _checks.refuse(f"{owner}.speed", "be a finite number", speed, f"{unit}/s")
        self.owner, self.axis, self.speed = owner, axis, float(speed)
        self.units = {"position": unit, "velocity": f"{unit}/s", "load": "N m" if unit == "rad" else "N"}
        self.size_unit = self.units.get(of, self.units["velocity"])
        _check_closed(axis, of)
        self.control = replace(axis.control, position_gain=0.0) if of == "velocity" else axis.control
        self.loop = loops.build(replace(axis, control=self.control), self.speed)
        parts = Assembly(self.loop)
        if parts.order > loops.LARGEST_ORDER:
            _refuse_order(owner, axis, parts.order)
        self.order, self.poles = parts.order, parts.closed().poles()
        self.driven = parts.driven()

    def samples(self, seconds):
        """Samples of the answer; sets their times."""
        rate, most = self.axis.sampling.rate, MOST_NUMBERS // (self.order + 1)
        if seconds is None:
            samples = min(_until_settled(self.poles), most)
        elif not _checks.is_real(seconds) or not 2.0 <= seconds * rate <= most:
            rule = f"make 2 to {most} samples of the loop at {rate:g} Hz"
            _checks.refuse(f"{self.owner}.seconds", rule, seconds, "s")
        else:
            samples = min(round(seconds * rate), _until_lost(self.poles))
        self.time = np.arange(samples) / rate
        return samples

    def small(self, usual, velocity):
        """The usual size, or less where it would change the age of timed edges.

        Parameters
        ----------
        usual : float
        velocity : ndarray
            True velocity for a unit size.

        Returns
        -------
        float
        """
        swing = float(np.abs(velocity).max())
        if self.axis.estimator.linear or swing == 0.0 or not inside(self.poles).all():
            return usual
        most = SMALL * abs(self.speed) / swing
        return min(usual, float(f"{most:.1e}"))

    def step(self, of, samples):
        """Outputs for a unit step; of an unstable loop until it is beyond all sense."""
        if of == "load":
            return self.driven.step("push", samples)
        found = self.driven.step("command", samples)
        gain = self.control.position_gain if of == "position" else 1.0
        return {name: gain * values for name, values in found.items()}

    def ramp(self, samples):
        """Outputs for a unit ramp: a ramp of samples is the sum of all steps so far."""
        gain, feedforward = (
            self.control.position_gain / self.axis.sampling.rate,
            self.control.velocity_feedforward,
        )
        found = self.driven.step("command", samples)
        with np.errstate(over="ignore", invalid="ignore"):
            return {
                name: gain * (np.cumsum(values) - values) + feedforward * values
                for name, values in found.items()
            }

    def columns(self, found):
        """Arrays of the result, and the largest torque."""
        largest = float(np.abs(found["torque"]).max())
        return {
            "position": found["position"],
            "velocity": found["actual"],
            "measured": found["measured"],
            "torque": found["torque"],
            "largest_torque": largest,
        }

    def final(self, of):
        """What a unit step or ramp settles at, by the balance of torques at rest or in steady motion."""
        if not inside(self.poles).all():
            return math.nan
        control, load = self.control, self.axis.load
        gain, drag = control.velocity_gain, load.friction_slope(self.speed)
        integral = control.integral_time is not None
        if of == "position":
            return 1.0
        if of == "velocity":
            return 1.0 if integral else gain / (gain + drag)
        twist = 1.0 / load.stiffness if load.flexible and load.encoder == "motor" else 0.0
        if of == "ramp":
            behind = (
                1.0 - control.velocity_feedforward + (0.0 if integral else drag / gain)
            ) / control.position_gain
            return behind - float(np.mean(loops.reading_ages(self.axis))) + drag * twist
        if control.position_gain:
            return twist + (0.0 if integral else 1.0 / (gain * control.position_gain))
        return twist + control.integral_time / gain if integral else math.nan

    def reasons(self, answer, size, what):
        """Why a real axis would answer otherwise."""
        found, control, load, unit = [], self.axis.control, self.axis.load, self.units["load"]
        torque = answer["torque"]
        if not inside(self.poles).all():
            found.append("the loop is not stable: see margins")
        largest = float(np.abs(torque).max())
        holding = abs(load.viscous * self.speed - load.force) + (load.coulomb if self.speed else 0.0)
        room = math.inf if control.torque_limit is None else control.torque_limit - holding
        if found == [] and largest > room:
            below = f"; a {what} up to {abs(size) * room / largest:.3g} {self.size_unit} stays below"
            at_most = below if room > 0.0 else ""
            found.append(
                f"the torque would reach {largest + holding:.4g} {unit}, above the limit "
                f"{control.torque_limit:.4g} {unit}: the axis answers more slowly{at_most}"
            )
        sticks = load.coulomb + load.stribeck
        if not self.speed and sticks > 0.1 * largest:
            found.append(
                f"dry friction of {sticks:.4g} {unit} is left out, beside a torque of up to {largest:.4g} {unit}: "
                "a run has it"
            )
        return (*found, *self._aged(np.abs(answer["actual"]).max(), size, what))

    def _aged(self, swing, size, what):
        """Why timed edges are no fixed filter: they come too seldom, or the answer changes their age."""
        if self.axis.estimator.linear:
            return ()
        frequency = np.geomspace(1e-6, 0.5, FREQUENCIES) * self.loop.rate
        found = few_edges(
            self.loop, loop_power.crossover_of(frequency, np.abs(self.loop.open_gain(frequency)))
        )
        share = swing / abs(self.speed)
        if share > SWUNG and inside(self.poles).all():
            most = f"{abs(size) * SWUNG / share:.3g} {self.size_unit}"
            found += (
                f"the answer changes the speed by up to {100.0 * share:.3g} %, and with it the age of the edges: a "
                f"{what} up to {most} changes it by less than {100.0 * SWUNG:g} %",
            )
        return found


def _check_closed(axis, of):
    """Refuse an axis that cannot answer."""
    for name in ("load", "control"):
        if getattr(axis, name) is None:
            _checks.refuse(f"Axis.{name}", "be given for a closed loop", None)
    for name in ("velocity_gain", "position_gain"):
        if getattr(axis.control, name) == 0.0 and (name == "velocity_gain" or of in ("position", "ramp")):
            _checks.refuse(f"Control.{name}", "be greater than zero: nothing else follows the demand", 0.0)


def _refuse_order(owner, axis, order):
    """A loop of too many states."""
    less = "estimator" if axis.estimator.linear else "window, or a higher speed"
    rule = f"make a loop of up to {loops.LARGEST_ORDER} states: a shorter delay, latency or {less}"
    hint = "a run has no such bound" if not axis.estimator.linear else ""
    _checks.refuse(f"{owner}.axis", rule, order, "states", hint=hint)


def _until_settled(poles):
    """Samples until the slowest mode has died down, or one that grows has grown."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    if radius == 0.0 or radius == 1.0:
        return SHORTEST
    return int(min(max(math.ceil(abs(math.log(LEFT) / math.log(radius))), SHORTEST), LONGEST))


def _until_lost(poles):
    """Samples until an unstable mode is beyond all sense; of a stable loop without end."""
    radius = float(np.abs(1.0 + poles).max(initial=0.0))
    return max(int(math.log(BEYOND) / math.log(radius)), 2) if radius > 1.0 else 1 << 62


def rise(values, final, time):
    """Measures of a step that is followed."""
    share = values / final
    highest = float(share.max())
    low, high = (_reached(share, part, time) for part in RISE)
    return {
        "largest": float(values[int(np.argmax(share))]) if math.isfinite(highest) else math.nan,
        "rise_time": high - low,
        "overshoot": max(highest - 1.0, 0.0) if math.isfinite(highest) else math.nan,
        "settling_time": _settled(np.abs(share - 1.0) <= SETTLED, time),
    }


def deviation(values, final, time):
    """Measures of a deviation that dies down."""
    size = np.abs(values)
    largest = float(values[int(np.argmax(size))])
    return {
        "largest": largest,
        "rise_time": math.nan,
        "overshoot": math.nan,
        "settling_time": _settled(np.abs(values - final) <= SETTLED * abs(largest), time),
    }


def _reached(share, part, time):
    """Time at which the answer first reaches a share of the final value, between samples on a straight line."""
    above = np.flatnonzero(share >= part)
    if not len(above):
        return math.nan
    k = int(above[0])
    if k == 0:
        return float(time[0])
    return float(time[k] - (time[k] - time[k - 1]) * (share[k] - part) / (share[k] - share[k - 1]))


def _settled(within, time):
    """Time of the first sample from which on all are within; NaN if the last is not."""
    outside = np.flatnonzero(~within)
    if not len(outside):
        return float(time[0])
    return math.nan if outside[-1] == len(time) - 1 else float(time[outside[-1] + 1])
